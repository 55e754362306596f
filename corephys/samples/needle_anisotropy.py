"""Horizontal and vertical thermal conductivity from runs along and across the core."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.samples.needle_repeats import combine_repeats
from corephys.uncertainty import Measured, combine, norm

__all__ = ["anisotropy"]

_T = thresholds.DEFAULTS
_NAME = "thermal_conductivity"
CERTAIN = thresholds.value("anisotropy_errors")


def anisotropy(dataset: xr.Dataset, *, within: Any = _T["anisotropy_reach"]) -> xr.Dataset:
    """Split conductivities along and across the core into horizontal and vertical.

    Parameters
    ----------
    dataset : Dataset, (reading)
        From :func:`~corephys.samples.needle.thermal_conductivity` or ``combine_repeats``, with the
        coordinates ``direction`` (along, across) and ``depth`` or core, section and offset.
    within : Quantity or str
        Largest distance between the two places of a pair [cm].

    Returns
    -------
    Dataset, (reading)
        One reading a pair, at the place of the run along the core:
        ``thermal_conductivity_horizontal`` and ``thermal_conductivity_vertical`` [W/(m K)] with
        uncertainty and flags; ``anisotropy``, horizontal over vertical [1], with
        ``anisotropy_uncertainty`` (k = 1), ``significant`` (bool) and ``distance`` of the pair
        [cm]. No reading where nothing pairs.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When directions or places are lacking, or a direction is not known.

    Notes
    -----
    A needle reads the root of the product of the conductivities in the plane across it (Carslaw
    and Jaeger 1959, section 1.17): along an upright core k_h, across it sqrt(k_h k_v), so that
    k_v = k_across^2 / k_along. Bedding is taken as level. Repeats are combined first; usable runs
    go before doubtful ones. Errors that both runs share, such as that of the power, cancel in the
    ratio, which is significant where abs(ln ratio) exceeds two standard uncertainties.
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
    # What each run says of its own range belongs to that run alone.
    reason &= ~np.int64(flags.bit("out_of_usual_range") | flags.bit("missing_value"))
    found = series.build(
        {
            f"{_NAME}_horizontal": Measured(where, a.u_random, a.effects, a.reason),
            f"{_NAME}_vertical": Measured(where.copy(data=vertical), u_v, effects_v, reason),
        },
        steps=("horizontal is along an upright core", "vertical = across^2 / along"),
        constants={"within": within},
    )
    # An effect that both share in proportion leaves no trace, even where its size is unknown.
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
    if "direction" not in dataset.coords:
        raise ValueError("the conductivities have no coordinate direction; it is along or across")
    known = {"along", "across"}
    strange = sorted({str(d) for d in dataset["direction"].values} - known)
    if strange:
        raise ValueError(f"direction is along or across, not {', '.join(map(repr, strange))}")
    if "depth" not in dataset.coords and "offset" not in dataset.coords:
        raise ValueError("the conductivities have neither depth nor offset, so that none can pair")


def _pairs(runs: xr.Dataset, reach: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows along, the nearest rows across within ``reach``, and their distances, all in cm."""
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
            # Usable first, then the nearest.
            best = near[np.lexsort((apart[near], ~usable[candidates][near]))[0]]
            rows.append((int(i), int(candidates[best]), float(apart[best])))
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2]
