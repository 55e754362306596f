"""Anisotropy of the P-wave velocity from two or three axes of the samples at one place."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import companions, flags, series, thresholds, units
from corephys.uncertainty import Measured

__all__ = ["anisotropy"]

_T = thresholds.DEFAULTS
_NAME = "p_wave_velocity"
_HORIZONTAL = {"mean": ("across", "normal"), "across": ("across",), "normal": ("normal",)}
_PLACE = ("core", "section", "offset", "depth", "depth_fitted", "offset_closed", "depth_closed")


def _by_horizontal(horizontal: Any, along: Any) -> tuple[Any, Any, Any]:
    """A and its derivatives by the horizontal and by the along-core velocity."""
    both = horizontal + along
    return 2.0 * (horizontal - along) / both, 4.0 * along / both**2, -4.0 * horizontal / both**2


def _places(core: Any, section: Any, offset: np.ndarray, within: float) -> list[np.ndarray]:
    """Readings by place: in one section, no farther below the first of them than ``within``."""
    order = np.lexsort((offset, section, core))
    places: list[list[int]] = []
    start = np.nan
    for row in order:
        last = places[-1][0] if places else row
        same = bool(places) and core[row] == core[last] and section[row] == section[last]
        if same and offset[row] - start <= within + 1e-9:
            places[-1].append(int(row))
        else:
            places.append([int(row)])
            start = offset[row]
    return [np.sort(place) for place in places]


def anisotropy(
    velocity: xr.Dataset, *, within: Any = _T["match_reach"], horizontal: str = "mean",
    least_ratio: float = _T["velocity_anisotropy_errors"],
    allow: tuple[str, ...] = ("good", "not_evaluated", "suspect"),
) -> xr.Dataset:  # fmt: skip
    """Horizontal against along-core P-wave velocity, where both were measured.

    Parameters
    ----------
    velocity : Dataset, (reading)
        ``p_wave_velocity`` [m/s] as :func:`corephys.sample_velocity.reduce_table` gives it, with
        the coordinates core, section, offset [cm] and axis.
    within : Quantity or str
        Readings of one section no farther apart than this are one place [cm].
    horizontal : {"mean", "across", "normal"}
        Which horizontal velocity: the mean of the two directions, of which one may be missing, or
        one of them alone.
    least_ratio : float
        Uncertainties, dimensionless, that an anisotropy must exceed to be called significant.
    allow : tuple of str
        Levels of the flag that may be paired.

    Returns
    -------
    Dataset, (reading)
        One row a place with both directions, from the top: ``p_wave_anisotropy`` [1] with
        uncertainty, effects and flags; ``ratio_to_uncertainty`` [1]; ``significant``; how many
        readings stand on each side. Attributes count ``pairs``, ``unpaired_places``,
        ``unpaired_readings`` and ``readings_left_out`` by their flag or want of a place.

    Raises
    ------
    KeyError
        When the Dataset does not hold ``p_wave_velocity``.
    ValueError
        When a coordinate is missing or ``horizontal`` is not known.

    Notes
    -----
    A = 2 (V_h - V_along) / (V_h + V_along): the definition of horizontal against along-core, in
    parts of their mean; positive in mud that lies in beds across the core. Repeats and the two
    horizontal directions are averaged. Errors that all axes share (delay, calliper) enter with
    their signs and nearly cancel; random ones of 1 % in each axis leave 1.2 to 1.4 % in A, so that
    most values near zero are noise (JCGM 100:2008, 5.1 and 5.2).
    """
    if horizontal not in _HORIZONTAL:
        raise ValueError(f"horizontal is {horizontal!r}; it is 'mean', 'across' or 'normal'")
    lacking = [c for c in ("core", "section", "offset", "axis") if c not in velocity.coords]
    if lacking:
        raise ValueError(
            f"the velocities have no coordinate {lacking[0]!r}, without which axes are not paired; "
            "give what sample_velocity.reduce_table returns"
        )
    velocity = companions.library_units(velocity)
    measured = series.unpack(velocity, _NAME)
    usable = _usable(velocity, np.asarray(measured.values), allow)
    rows = np.flatnonzero(usable)
    reach = float(units.as_floats(within, "cm", "within"))
    core, section, offset = (velocity[c].values[rows] for c in ("core", "section", "offset"))
    axis = velocity["axis"].values[rows]
    sides = []
    places = _places(core.astype(str), section.astype(str), offset.astype(float), reach)
    for place in places:
        level = [place[axis[place] == name] for name in _HORIZONTAL[horizontal]]
        sides.append((place[axis[place] == "along"], [side for side in level if side.size]))
    pairs = [(rows[a], [rows[side] for side in h]) for a, h in sides if a.size and h]
    pairs.sort(key=lambda pair: float(velocity["depth"].values[pair[0]].mean())
               if "depth" in velocity.coords else 0.0)  # fmt: skip
    paired = sum(a.size + sum(side.size for side in h) for a, h in pairs)
    used = {"within": within, "least_ratio": least_ratio}
    return _result(velocity, measured, pairs, least_ratio, used, {
        "pairs": len(pairs), "unpaired_places": len(places) - len(pairs),
        "unpaired_readings": rows.size - paired, "readings_left_out": usable.size - rows.size,
        "within": f"{reach:g} cm", "horizontal": horizontal, "least_ratio": float(least_ratio),
        "definition": "2 (V_h - V_along) / (V_h + V_along), horizontal against along-core",
    })  # fmt: skip


def _usable(velocity: xr.Dataset, values: np.ndarray, allow: tuple[str, ...]) -> np.ndarray:
    flag = velocity[f"{_NAME}_flag"].values if f"{_NAME}_flag" in velocity else flags.GOOD
    offset = velocity["offset"].values.astype(float)
    return np.asarray(flags.usable(flag, allow) & np.isfinite(values) & np.isfinite(offset))


def _mean(measured: Measured, groups: list[list[np.ndarray]]) -> Measured:
    """Of the groups' means, one a pair; reasons joined. Effects keep their signs."""

    def average(part: Any) -> np.ndarray:
        full = np.broadcast_to(np.asarray(part, dtype=float), np.shape(measured.values))
        return np.array([np.mean([full[g].mean() for g in pair]) for pair in groups], dtype=float)

    variance = np.broadcast_to(np.asarray(measured.u_random, dtype=float) ** 2,
                               np.shape(measured.values))  # fmt: skip
    random = [
        np.sqrt(sum(variance[g].sum() / g.size**2 for g in pair)) / len(pair) for pair in groups
    ]
    masks = np.broadcast_to(np.asarray(measured.reason), np.shape(measured.values))
    joined = [np.bitwise_or.reduce(masks[np.concatenate(pair)]) for pair in groups]
    return Measured(
        average(measured.values), np.array(random, dtype=float),
        {source: average(effect) for source, effect in measured.effects.items()},
        np.array(joined, dtype=np.int64),
    )  # fmt: skip


def _result(
    velocity: xr.Dataset, measured: Measured, pairs: list[Any], least_ratio: float,
    used: dict[str, Any], attributes: dict[str, Any],
) -> xr.Dataset:  # fmt: skip
    along = _mean(measured, [[a] for a, _ in pairs])
    level = _mean(measured, [h for _, h in pairs])
    values, by_level, by_along = _by_horizontal(level.values, along.values)
    random, effects = uncertainty.combine([(by_level, level), (by_along, along)])
    # The place of a pair is that of its along-core readings.
    where = {}
    for name in _PLACE:
        if name in velocity.coords:
            held = velocity[name].values
            picked = [held[a[0]] if held.dtype == object else held[a].mean() for a, _ in pairs]
            where[name] = ("reading", np.array(picked, dtype=held.dtype))
    if "sample_id" in velocity.coords:
        rows = [np.concatenate([a, *h]) for a, h in pairs]
        where["sample_id"] = ("reading", series.joined_names(velocity["sample_id"].values, rows))
    array = xr.DataArray(values, dims="reading", coords=where)
    result = series.build(
        {"p_wave_anisotropy": Measured(array, random, effects, along.reason | level.reason)},
        steps=("mean of repeats and of the horizontal directions at one place",
               "A = 2 (V_h - V_along) / (V_h + V_along)"),
        constants=used, **attributes,
    )  # fmt: skip
    total = uncertainty.total(result, "p_wave_anisotropy")
    # Equal velocities without an error have no ratio; any other is infinitely far from zero.
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(values) / total.values
    result["ratio_to_uncertainty"] = ("reading", ratio, {
        "units": "1", "long_name": "size of the anisotropy over its standard uncertainty",
    })  # fmt: skip
    result["significant"] = ("reading", ratio > least_ratio, {
        "long_name": f"anisotropy above {least_ratio:g} standard uncertainties",
        "comment": "false where the uncertainty is not known",
    })  # fmt: skip
    counts = {
        "readings_along": [a.size for a, _ in pairs],
        "readings_horizontal": [sum(side.size for side in h) for _, h in pairs],
    }
    for name, count in counts.items():
        words = {"units": "1", "long_name": name.replace("_", " ")}
        result[name] = ("reading", np.array(count, dtype=np.int64), words)
    return result
