"""Combination of runs: repeats to one value, runs along and across the core to anisotropy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, flags, series, thresholds, units
from corephys.ground.choices import choice_column
from corephys.uncertainty import Measured, combine, norm

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["anisotropy", "combine_repeats"]

# --------------------------------------------------------------------------------------------------
# Repeats: heating runs at one position combined to one value.


_FAR = thresholds.value("needle_repeat_errors")
_NAME = "thermal_conductivity"
LARGEST_SPREAD = thresholds.value("needle_repeat_spread")


def combine_repeats(
    dataset: xr.Dataset, *, allow: tuple[str, ...] = ("good", "not_evaluated")
) -> xr.Dataset:
    """Combine the runs at each position and direction to one conductivity.

    Parameters
    ----------
    dataset : Dataset, (reading)
        Result of :func:`~corephys.samples.needle.thermal_conductivity`.
    allow : tuple of str
        Flag levels of the runs that are used.

    Returns
    -------
    Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)], the mean of the usable runs with the inverse of their
        random variances as weights, or of all runs where none is usable; ``repeats``, the number
        of runs, and ``repeats_used``. Effects are averaged with the same weights.

    Notes
    -----
    Inverse-variance mean (JCGM 100:2008), its random uncertainty widened by the reduced
    chi-square where that exceeds one (Birge 1932). Repeats that scatter by more than three
    standard uncertainties and five per cent get ``repeats_disagree``.
    """
    dataset = companions.library_units(dataset)
    value = dataset[_NAME].values
    names = [n for n in ("core", "section", "offset", "depth", "direction") if n in dataset.coords]
    if names:
        keys = pd.DataFrame({name: dataset[name].values for name in names})
        group = keys.groupby(names, sort=False, dropna=False).ngroup().to_numpy()
    else:
        group = np.arange(value.size)
    number = int(group.max(initial=-1)) + 1
    # The lowest run gives the coordinates of a position, so the order of the rows has no effect.
    named = "run" in dataset.coords
    rows = np.argsort(dataset["run"].values, kind="stable") if named else np.arange(value.size)
    first = rows[np.unique(group[rows], return_index=True)[1]]
    good = flags.usable(dataset[f"{_NAME}_flag"].values, allow) & np.isfinite(value)
    any_good = np.bincount(group[good], minlength=number) > 0
    use = np.where(any_good[group], good, np.isfinite(value))
    random = dataset[f"{_NAME}_u_random"].values
    weight = _weights(random, use, group, number)

    def mean(array: np.ndarray) -> np.ndarray:
        return np.bincount(group, np.where(use, weight * array, 0.0), minlength=number)

    used = np.bincount(group[use], minlength=number)
    combined = np.where(used > 0, mean(value), np.nan)
    deviation = np.where(use, value - combined[group], 0.0)
    u, disagree = _uncertainty(random, deviation, weight, use, group, used, combined)
    reason = np.zeros(number, np.int64)
    # Reasons of the runs that were used, or of all runs where none was.
    np.bitwise_or.at(
        reason, group, np.where(use | (used == 0)[group], dataset[f"{_NAME}_reason"].values, 0)
    )
    reason[disagree] |= flags.bit("repeats_disagree")
    coords = {
        name: ("reading", coordinate.values[first], dict(coordinate.attrs))
        for name, coordinate in dataset.coords.items()
        if coordinate.dims == ("reading",)
    }
    if "sample_id" in coords:
        members = [np.flatnonzero(group == k) for k in range(number)]
        coords["sample_id"] = (
            "reading",
            series.joined_names(dataset["sample_id"].values, members),
            dict(dataset["sample_id"].attrs),
        )
    # A position without a value has unknown effects (NaN), not effects of zero.
    effects = {
        str(source): np.where(used > 0, mean(dataset[f"{_NAME}_effects"].values[i]), np.nan)
        for i, source in enumerate(dataset["source"].values)
    }
    values = xr.DataArray(combined, dims="reading", coords=coords)
    found = series.build(
        {_NAME: Measured(values, u, effects, reason)},
        steps=("weighted mean of the runs at a position",),
    )
    runs = np.bincount(group, minlength=number)
    for name, counts, words in (
        ("repeats", runs, "runs at the position"),
        ("repeats_used", used, "runs in the mean"),
    ):
        found[name] = ("reading", counts.astype(np.int32), {"units": "1", "long_name": words})
    return found


def _weights(random: np.ndarray, use: np.ndarray, group: np.ndarray, number: int) -> np.ndarray:
    """Inverse variances with a sum of one in each group; equal where one is unknown."""
    known = np.isfinite(random) & (random > 0)
    all_known = np.bincount(group[use & ~known], minlength=number) == 0
    raw = np.where(all_known[group] & known, 1.0 / np.where(known, random, 1.0) ** 2, 1.0)
    raw = np.where(use, raw, 0.0)
    total = np.bincount(group, raw, minlength=number)[group]
    return np.asarray(raw / np.where(total > 0, total, 1.0))


def _uncertainty(
    random: np.ndarray,
    deviation: np.ndarray,
    weight: np.ndarray,
    use: np.ndarray,
    group: np.ndarray,
    used: np.ndarray,
    combined: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Random uncertainty of each mean, and groups whose repeats disagree."""
    number = used.size
    variance = np.bincount(group, np.where(use, (weight * random) ** 2, 0.0), minlength=number)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(use, (deviation / random) ** 2, 0.0)
        chi = np.bincount(group, score, minlength=number) / np.maximum(used - 1, 1)
        widened = np.sqrt(variance * np.where(used > 1, np.maximum(chi, 1.0), 1.0))
        far = use & (np.abs(deviation) > LARGEST_SPREAD * combined[group])
        far &= ~(np.abs(deviation) <= _FAR * random)
    disagree = np.bincount(group[far], minlength=number) > 0
    return np.where(used > 0, widened, np.nan), disagree


# --------------------------------------------------------------------------------------------------
# Anisotropy: horizontal and vertical conductivity from runs along and across the core.


_T = thresholds.DEFAULTS
CERTAIN = thresholds.value("anisotropy_errors")


def anisotropy(dataset: xr.Dataset, *, within: Scalar = _T["anisotropy_reach"]) -> xr.Dataset:
    """Horizontal and vertical conductivity from runs along and across the core.

    Parameters
    ----------
    dataset : Dataset, (reading)
        Result of :func:`~corephys.samples.needle.thermal_conductivity` or ``combine_repeats``, with
        the coordinates ``direction`` (along, across) and ``depth`` or core, section and offset.
    within : Quantity or str
        Largest distance between the two runs of a pair [cm].

    Returns
    -------
    Dataset, (reading)
        One reading for each pair, at the position of the run along the core:
        ``thermal_conductivity_horizontal`` and ``thermal_conductivity_vertical`` [W/(m K)] with
        uncertainty and flags; ``anisotropy``, horizontal over vertical [1], with
        ``anisotropy_uncertainty`` (k = 1), ``significant`` (bool) and ``distance`` of the pair
        [cm]. Without pairs the Dataset has no readings.

    Raises
    ------
    ValueError
        When directions or positions are missing, or a direction is unknown.

    Notes
    -----
    A needle measures the root of the product of the conductivities in the plane across it (Carslaw
    and Jaeger 1959, section 1.17): along an upright core k_h, across it sqrt(k_h k_v), so that
    k_v = k_across^2 / k_along. Bedding is assumed to be horizontal. Repeats are combined first;
    usable runs are preferred to doubtful ones. Errors that both runs share, such as that of the
    power, cancel in the ratio. It is significant where abs(ln ratio) exceeds two standard
    uncertainties.
    """
    reach = float(units.as_floats(within, "cm", "within"))
    _require(dataset)
    runs = combine_repeats(dataset)
    along, across, distance = _pairs(runs, reach)
    measured = series.unpack(runs, _NAME)
    a, c = series.take(measured, along), series.take(measured, across)
    where = runs[_NAME].isel(reading=along).drop_vars("direction")
    ka, kc = np.asarray(a.values, dtype=float), np.asarray(c.values, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_v, effects_v = combine([(2.0 * kc / ka, c), (-((kc / ka) ** 2), a)])
        u_ratio, effects_ratio = combine([(2.0 / ka, a), (-2.0 / kc, c)])
        ratio = (ka / kc) ** 2
        vertical = kc**2 / ka
    reason = np.asarray(a.reason) | np.asarray(c.reason)
    # These two reasons concern the value of each run itself, not the vertical value made of both.
    reason &= ~np.int64(flags.bit("out_of_usual_range") | flags.bit("missing_value"))
    found = series.build(
        {
            f"{_NAME}_horizontal": Measured(where, a.u_random, a.effects, a.reason),
            f"{_NAME}_vertical": Measured(where.copy(data=vertical), u_v, effects_v, reason),
        },
        steps=("horizontal is along an upright core", "vertical = across^2 / along"),
        constants={"within": within},
    )
    # An effect in proportion to both conductivities cancels, even where its size is unknown (NaN).
    shared = {s: e for s, e in effects_ratio.items() if s not in _PROPORTIONAL}
    log_u = np.hypot(u_ratio, norm(shared) if shared else 0.0)
    with np.errstate(invalid="ignore"):
        significant = np.abs(np.log(ratio)) > CERTAIN * log_u
    extra = {
        "anisotropy": (ratio, "1", "horizontal over vertical thermal conductivity"),
        "anisotropy_uncertainty": (ratio * log_u, "1", "standard uncertainty of the anisotropy"),
        "distance": (distance, "cm", "distance between the two runs"),
    }
    for name, (values, unit, words) in extra.items():
        found[name] = ("reading", values, {"units": unit, "long_name": words})
    found["significant"] = ("reading", significant, {"long_name": "anisotropy is significant"})
    return found


_PROPORTIONAL = ("heating_power",)


def _require(dataset: xr.Dataset) -> None:
    """Raise an error without directions and positions."""
    if "direction" not in dataset.coords:
        raise ValueError(
            "the conductivities have no coordinate 'direction'; add it, along or across for each"
        )
    choice_column(dataset["direction"].values, ("along", "across"), "direction")
    if "depth" not in dataset.coords and "offset" not in dataset.coords:
        raise ValueError(
            "the conductivities have neither depth nor offset; add one of them to pair the runs"
        )


def _pairs(runs: xr.Dataset, reach: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows along, nearest rows across within ``reach`` [cm], and their distances [cm]."""
    value = runs[_NAME].values
    usable = flags.usable(runs[f"{_NAME}_flag"].values)
    direction = runs["direction"].values.astype(str)
    if "depth" in runs.coords:
        place = 100.0 * np.asarray(units.as_floats(runs["depth"], "m", "depth"), dtype=float)
        keys = np.zeros(place.size, dtype=object)
    else:
        place = np.asarray(units.as_floats(runs["offset"], "cm", "offset"), dtype=float)
        names = [name for name in ("core", "section") if name in runs.coords]
        keys = np.array(
            ["|".join(str(runs[n].values[i]) for n in names) for i in range(place.size)],
            dtype=object,
        )
    rows: list[tuple[int, int, float]] = []
    candidates = np.flatnonzero((direction == "across") & np.isfinite(value))
    for i in np.flatnonzero((direction == "along") & np.isfinite(value)):
        apart = np.abs(place[candidates] - place[i])
        apart = np.where(keys[candidates] == keys[i], apart, np.inf)
        near = np.flatnonzero(apart <= reach)
        if near.size:
            # Usable runs first, then the nearest one.
            best = near[np.lexsort((apart[near], ~usable[candidates][near]))[0]]
            rows.append((int(i), int(candidates[best]), float(apart[best])))
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2]
