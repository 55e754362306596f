"""Ratios of strengths: sensitivity, residual ratio, and strength over effective stress."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import companions, constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.samples.strength.methods import NAME, RELATIVE, SAFETY, impossible
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Fraction, Measurement, Numbers, Scalar

__all__ = ["expected_strength_ratio", "sensitivity", "strength_ratio"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_PLACE = (
    "core",
    "section",
    "offset",
    "depth",
    "depth_fitted",
    "offset_closed",
    "depth_closed",
    "method",
)
_NEEDS = ("core", "section", "offset", "state", "method")


def _quotient(upper: Measured, lower: Measured) -> Measured:
    """Quotient of two quantities; an error that scales both by one factor cancels."""
    floor = np.where(np.asarray(lower.values) > 0.0, lower.values, np.nan)
    values = upper.values / floor
    random, effects = uncertainty.combine([(1.0 / floor, upper), (-values / floor, lower)])
    return Measured(values, random, effects, upper.reason | lower.reason)


def _places(keys: tuple[np.ndarray, ...], offset: np.ndarray, within: float) -> list[np.ndarray]:
    """Groups of rows with equal keys, each within ``within`` [cm] below its first row."""
    places: list[list[int]] = []
    start = np.nan
    for row in np.lexsort((offset, *keys[::-1])):
        same = bool(places) and all(key[row] == key[places[-1][0]] for key in keys)
        # 1e-9 cm, so that a distance equal to the limit counts whatever its rounding.
        if same and offset[row] - start <= within + 1e-9:
            places[-1].append(int(row))
        else:
            places.append([int(row)])
            start = offset[row]
    return [np.sort(place) for place in places]


def sensitivity(
    strength: xr.Dataset,
    *,
    within: Scalar = _T["match_reach"],
    allow: tuple[str, ...] = ("good", "not_evaluated", "suspect"),
) -> xr.Dataset:
    """Sensitivity: peak over remoulded strength by one method at one place.

    Parameters
    ----------
    strength : Dataset, (reading)
        ``undrained_shear_strength`` [kPa] with the coordinates core, section, offset [cm], state
        and method, as from :func:`corephys.strength.undrained_shear_strength`.
    within : Quantity or str
        Largest distance of the readings of one place [cm].
    allow : tuple of str
        Flag levels of the readings that are paired.

    Returns
    -------
    Dataset, (reading)
        One row for each place with a peak and a remoulded or residual strength: ``sensitivity``
        [1] with uncertainty, effects and flags, missing without a remoulded strength;
        ``residual_ratio`` [1], residual over peak, with ``residual_ratio_uncertainty``. Attributes
        count ``pairs`` (with remoulded strength), ``unpaired_places``, ``unpaired_readings`` and
        ``readings_left_out``; attribute ``safety``.

    Raises
    ------
    KeyError
        When the Dataset does not have ``undrained_shear_strength``.
    ValueError
        When a coordinate is missing.

    Notes
    -----
    S_t = s_u,peak / s_u,remoulded (definition). Repeats are averaged. Errors of the vane, cone or
    spring scale both strengths and cancel (JCGM 100:2008, 5.2); random errors remain.
    """
    lacking = [c for c in _NEEDS if c not in strength.coords]
    if lacking:
        raise ValueError(
            f"the strengths have no coordinate {lacking[0]!r}, which pairing needs; give the "
            "result of strength.undrained_shear_strength"
        )
    strength = companions.library_units(strength)
    measured = series.unpack(strength, NAME)
    offset = strength["offset"].values.astype(float)
    usable = np.isfinite(np.asarray(measured.values)) & np.isfinite(offset)
    if f"{NAME}_flag" in strength:
        usable &= flags.usable(strength[f"{NAME}_flag"].values, allow)
    rows = np.flatnonzero(usable)
    keys = tuple(strength[c].values[rows].astype(str) for c in ("core", "section", "method"))
    reach = float(units.as_floats(within, "cm", "within"))
    state = strength["state"].values[rows].astype(str)
    sides = []
    places = _places(keys, offset[rows], reach)
    for place in places:
        of = {word: rows[place[state[place] == word]] for word in ("peak", "remoulded", "residual")}
        if of["peak"].size and (of["remoulded"].size or of["residual"].size):
            sides.append(of)
    if "depth" in strength.coords:
        sides.sort(key=lambda of: float(strength["depth"].values[of["peak"]].mean()))
    paired = sum(part.size for of in sides for part in of.values())
    return _paired(
        strength,
        measured,
        sides,
        {
            "constants": {"within": within},
            "pairs": sum(bool(of["remoulded"].size) for of in sides),
            "unpaired_places": len(places) - len(sides),
            "unpaired_readings": rows.size - paired,
            "readings_left_out": usable.size - rows.size,
            "within": f"{reach:g} cm",
        },
    )


def _mean(measured: Measured, groups: list[np.ndarray]) -> Measured:
    """Means of groups of readings, NaN for an empty group, with their reasons joined."""
    shape = np.shape(measured.values)

    def average(part: float | np.ndarray) -> np.ndarray:
        full = np.broadcast_to(np.asarray(part, dtype=float), shape)
        return np.array([full[g].mean() if g.size else np.nan for g in groups], dtype=float)

    count = np.array([max(g.size, 1) for g in groups], dtype=float)
    random = np.sqrt(average(np.asarray(measured.u_random, dtype=float) ** 2) / count)
    masks = np.broadcast_to(np.asarray(measured.reason), shape)
    joined = np.array([np.bitwise_or.reduce(masks[g]) if g.size else 0 for g in groups])
    effects = {source: average(effect) for source, effect in measured.effects.items()}
    return Measured(average(measured.values), random, effects, joined.astype(np.int64))


def _paired(
    strength: xr.Dataset,
    measured: Measured,
    sides: list[dict[str, np.ndarray]],
    counts: dict[str, object],
) -> xr.Dataset:
    """Ratios at the places, with their positions and counts."""
    peak, remoulded, residual = (
        _mean(measured, [of[word] for of in sides]) for word in ("peak", "remoulded", "residual")
    )
    ratio, left = _quotient(peak, remoulded), _quotient(residual, peak)
    where = {}
    for name in _PLACE:
        if name in strength.coords:
            held = strength[name].values
            number = held.dtype.kind in "fi"
            picked = [held[of["peak"]].mean() if number else held[of["peak"][0]] for of in sides]
            where[name] = ("reading", np.array(picked, dtype=held.dtype))
    if "sample_id" in strength.coords:
        rows = [
            np.concatenate([of[word] for word in ("peak", "remoulded", "residual")]) for of in sides
        ]
        named = series.joined_names(strength["sample_id"].values, rows)
        where["sample_id"] = ("reading", named)
    ratio.values = xr.DataArray(ratio.values, dims="reading", coords=where)
    result = series.build(
        {"sensitivity": ratio},
        steps=("S_t = peak over remoulded strength of one method",),
        safety=SAFETY,
        **counts,
    )
    result["residual_ratio"] = (
        "reading",
        left.values,
        {
            "units": "1",
            "long_name": "residual over peak undrained shear strength",
        },
    )
    total = np.sqrt(left.u_random**2 + uncertainty.norm(left.effects) ** 2)
    result["residual_ratio_uncertainty"] = (
        "reading",
        total,
        {
            "units": "1",
            "long_name": "standard uncertainty of residual over peak strength",
        },
    )
    return result


def strength_ratio(
    strength: Measurement | str,
    vertical_effective_stress: Measurement | str,
    *,
    strength_uncertainty: Measurement | str | None = None,
    vertical_effective_stress_uncertainty: Measurement | str | None = None,
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Undrained shear strength over vertical effective stress.

    Parameters
    ----------
    strength : Dataset, DataArray, Quantity or str
        ``undrained_shear_strength`` [kPa]; the uncertainties and states of a Dataset are used.
    vertical_effective_stress : Dataset, DataArray, Quantity or str
        Vertical effective stress under hydrostatic pressure, at the same positions [kPa].
    strength_uncertainty, vertical_effective_stress_uncertainty : Quantity, DataArray, optional
        Random uncertainty of an argument that is not a Dataset [kPa].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``strength_ratio`` [1] with uncertainty, effects and flags; a stress that is not above zero
        gives NaN and ``impossible_value``. Attributes ``safety``, ``use`` and ``usual``, the ratio
        of a normally consolidated clay.

    Raises
    ------
    KeyError
        When a Dataset does not have its quantity.
    PositionError
        When the series have different positions.

    Notes
    -----
    s_u / sigma'_vh (definition), 0.2 to 0.3 in normally consolidated clay (Ladd 1991, from
    memory). With a pore pressure above hydrostatic the true stress is smaller, and the true ratio
    larger, than these. Disturbance of the core lowers the strength.
    """
    series.require_same_positions(
        strength=strength, vertical_effective_stress=vertical_effective_stress
    )
    upper = series.unpack(strength, NAME, uncertainty_given=strength_uncertainty)
    lower = series.unpack(
        vertical_effective_stress,
        "vertical_effective_stress",
        uncertainty_given=vertical_effective_stress_uncertainty,
    )
    values = series.apply(_over, upper.values, lower.values)
    per = series.apply(_over, 1.0, lower.values)
    random, effects = uncertainty.combine([(per, upper), (-values * per, lower)])
    known = series.joined_reasons(
        _carried(upper.reason), _carried(lower.reason), impossible(lower.values <= 0.0), reason
    )
    low, high = "0.2", "0.3"
    return series.build(
        {"strength_ratio": Measured(values, random, effects, known)},
        steps=("s_u / sigma'_vh, the stress under hydrostatic pressure",),
        safety=SAFETY,
        use=RELATIVE,
        usual=f"{low} to {high} in normally consolidated clay (from memory)",
    )


def _over(upper: Numbers, lower: Numbers) -> Numbers:
    """Quotient; NaN where the divisor is not above zero."""
    return upper / np.where(np.asarray(lower) > 0.0, lower, np.nan)


def _carried(reason: int | np.ndarray | xr.DataArray) -> int | xr.Variable:
    """Reasons of an input for the ratio: ``input_bad`` for a bad input, else its own reasons."""
    mask = np.asarray(reason)
    worst = flags.from_reason(mask)
    bits = np.where(worst >= flags.BAD, flags.bit("input_bad"), mask).astype(np.int64)
    return xr.Variable("reading", bits) if bits.ndim else int(bits)


def expected_strength_ratio(
    overconsolidation_ratio: Measurement | Fraction,
    *,
    normally_consolidated: Fraction = _C["normally_consolidated_strength_ratio"],
    exponent: Fraction = _C["overconsolidation_strength_exponent"],
    overconsolidation_ratio_uncertainty: Fraction | None = None,
    normally_consolidated_uncertainty: Fraction | None = None,
    exponent_uncertainty: Fraction | None = None,
) -> xr.Dataset:
    """Strength ratio expected from an overconsolidation ratio, to compare with measured ones.

    Parameters
    ----------
    overconsolidation_ratio : Dataset, DataArray, Quantity or float
        Overconsolidation ratio, a pure number; the uncertainties of a Dataset are used.
    normally_consolidated : Quantity, float or Constant
        Strength ratio without overconsolidation, a pure number.
    exponent : Quantity, float or Constant
        Power of the overconsolidation ratio, a pure number.
    overconsolidation_ratio_uncertainty : Quantity, DataArray or float, optional
        Random uncertainty of a ratio that is not a Dataset [1].
    normally_consolidated_uncertainty, exponent_uncertainty : Quantity or float, optional
        Systematic uncertainties [1]; effects ``normally_consolidated_strength_ratio`` and
        ``overconsolidation_strength_exponent``. The uncertainty of a Constant if not given.

    Returns
    -------
    Dataset
        ``strength_ratio`` [1] with uncertainty and effects. Attribute ``safety``.

    Raises
    ------
    ValueError
        When a ratio is not above zero.

    Notes
    -----
    S OCR^m, S = 0.22 and m = 0.8 (Ladd 1991, from memory), for clays whose normalised strength
    does not depend on the stress.
    """
    taken = series.unpack(
        overconsolidation_ratio,
        "overconsolidation_ratio",
        uncertainty_given=overconsolidation_ratio_uncertainty,
    )
    if not np.any(np.asarray(taken.values) > 0.0):
        raise ValueError("overconsolidation_ratio has no value above zero; give 1 or more")
    base = float(positive(normally_consolidated, "1", "normally_consolidated"))
    power = float(positive(exponent, "1", "exponent"))
    u_base, u_power = (
        uncertainty.given_uncertainty(u, "1", name, of=value)
        for u, name, value in (
            (
                normally_consolidated_uncertainty,
                "normally_consolidated_uncertainty",
                normally_consolidated,
            ),
            (exponent_uncertainty, "exponent_uncertainty", exponent),
        )
    )
    ratio, log = series.apply(_power_law, taken.values, outputs=2, base=base, power=power)
    random, effects = uncertainty.combine([(power * ratio / taken.values, taken)])
    effects |= {
        "normally_consolidated_strength_ratio": ratio / base * u_base,
        "overconsolidation_strength_exponent": ratio * log * u_power,
    }
    return series.build(
        {"strength_ratio": Measured(ratio, random, effects, _carried(taken.reason))},
        steps=("S OCR^m",),
        constants={
            "normally_consolidated": (normally_consolidated, normally_consolidated_uncertainty),
            "exponent": (exponent, exponent_uncertainty),
        },
        safety=SAFETY,
        use=RELATIVE,
    )


def _power_law(ocr: Numbers, *, base: float, power: float) -> tuple[Numbers, Numbers]:
    """Strength ratio and the logarithm of the overconsolidation ratio."""
    log = np.log(np.where(np.asarray(ocr) > 0.0, ocr, np.nan))
    return base * np.exp(power * log), log
