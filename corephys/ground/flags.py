"""Flags and their reasons: every value is kept, and a doubtful one is flagged.

``<name>_flag`` follows the open ocean-data scheme (1 good, 2 not evaluated, 3 suspect, 4 bad,
9 missing); ``<name>_reason`` is a bit mask of the reasons (CF ``flag_masks``, ``flag_meanings``).
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from corephys.ground.choices import choices, matching

__all__ = [
    "BAD",
    "GOOD",
    "MISSING",
    "NOT_EVALUATED",
    "REASONS",
    "SUSPECT",
    "allowed",
    "bit",
    "flag_attributes",
    "from_reason",
    "levels",
    "names",
    "reason_attributes",
    "usable",
]

GOOD, NOT_EVALUATED, SUSPECT, BAD, MISSING = 1, 2, 3, 4, 9
_LEVELS = {
    "good": GOOD,
    "not_evaluated": NOT_EVALUATED,
    "suspect": SUSPECT,
    "bad": BAD,
    "missing": MISSING,
}

# Reason -> the flag it causes. The order fixes the bits of the file format: append, never insert.
REASONS: dict[str, int] = {
    "missing_value": MISSING,
    "bad_cell": BAD,
    "past_section_end": BAD,
    "in_removed_interval": BAD,
    "void": BAD,
    "excluded_by_user": BAD,
    "section_end": SUSPECT,
    "underfilled_liner": SUSPECT,
    "spike": SUSPECT,
    "low_amplitude": SUSPECT,
    "counter_saturated": BAD,
    "out_of_usual_range": SUSPECT,
    "impossible_value": BAD,
    "beyond_calibration": SUSPECT,
    "repeats_disagree": SUSPECT,
    "catcher": SUSPECT,
    "supplied": NOT_EVALUATED,
    "inconsistent_masses": BAD,
    "grain_density_outlier": SUSPECT,
    "interpolated_input": GOOD,
    "input_bad": BAD,
    "poor_fit": SUSPECT,
    "no_window": BAD,
    "drift": SUSPECT,
    "poor_contact": SUSPECT,
    "short_record": SUSPECT,
    "disturbed_decay": SUSPECT,
    "no_decay": BAD,
    "outlier_among_samples": SUSPECT,
    "short_section": SUSPECT,
    "crack": SUSPECT,
    "counter_wrapped": SUSPECT,
    "below_velocity_bound": SUSPECT,
    "disagrees_with_sample": SUSPECT,
    "temperature_not_settled": SUSPECT,
    "standard_out_of_control": SUSPECT,
    "no_arrival": BAD,
    "weak_arrival": SUSPECT,
    "clipped_waveform": SUSPECT,
    "edge_corrected": GOOD,
    "response_not_filled": BAD,
    "negative_net": SUSPECT,
    "same_position_twice": SUSPECT,
    "no_baseline": SUSPECT,
    "likely_mass_error": SUSPECT,
    "likely_volume_error": SUSPECT,
    "likely_water_loss": SUSPECT,
    "unlikely_saturation": SUSPECT,
    "convection": SUSPECT,
    "lost_contact": SUSPECT,
    "models_disagree": SUSPECT,
    "second_friction_pulse": SUSPECT,
    "late_motion": SUSPECT,
    "beyond_method_range": SUSPECT,
    "disturbed_sample": SUSPECT,
    "yield_not_bracketed": SUSPECT,
    "below_elastic_bounds": SUSPECT,
    "above_elastic_bounds": SUSPECT,
    "extrapolated": SUSPECT,
    "tests_failed": NOT_EVALUATED,
    "few_independent_readings": SUSPECT,
    "above_seafloor": BAD,
    "likely_slip": SUSPECT,
}
_BITS = {name: 1 << position for position, name in enumerate(REASONS)}
_BLOCK = 65536  # readings
_MASKS = tuple(
    (level, sum(_BITS[name] for name, caused in REASONS.items() if caused == level))
    for level in (NOT_EVALUATED, SUSPECT, BAD, MISSING)
)


def bit(reason: str) -> int:
    """Bit of a reason.

    Parameters
    ----------
    reason : str
        Key of :data:`REASONS`.

    Returns
    -------
    int
        A power of two.

    Raises
    ------
    KeyError
        When there is no such reason.
    """
    return _BITS[reason]


def names(mask: int) -> list[str]:
    """Reasons set in a mask, in the order of the bits.

    Parameters
    ----------
    mask : int
        One value of a ``<name>_reason`` variable.

    Returns
    -------
    list of str
        Keys of :data:`REASONS`.
    """
    return [name for name, value in _BITS.items() if int(mask) & value]


def from_reason(reason: Any) -> Any:
    """Flag of a reason mask: the worst of its bits, good without any.

    Parameters
    ----------
    reason : int or ndarray of int, any shape
        Bit masks.

    Returns
    -------
    ndarray of int8, same shape
        Flags 1, 2, 3, 4 or 9.
    """
    reason = np.asarray(reason)
    flag = np.full(reason.shape, GOOD, dtype=np.int8)
    # Most readings have no reason: a block without any is skipped.
    masks, levels = reason.reshape(-1), flag.reshape(-1)
    for start in range(0, masks.size, _BLOCK):
        block = masks[start : start + _BLOCK]
        if not block.any():
            continue
        for level, mask in _MASKS:
            levels[start : start + _BLOCK][(block & mask) != 0] = level
    return flag


def allowed(recipe: str) -> tuple[str, ...]:
    """Flag levels that products used, from the recipe in a result.

    Parameters
    ----------
    recipe : str
        JSON text of the recipe; empty if there is none.

    Returns
    -------
    tuple of str
        Names of levels; those of :func:`usable` if the recipe does not set them.
    """
    return levels(json.loads(recipe or "{}").get("quality", {}).get("use", "good, not_evaluated"))


def levels(use: str) -> tuple[str, ...]:
    """Names of levels in a recipe's ``[quality] use``.

    Parameters
    ----------
    use : str
        Levels such as ``"good, not_evaluated"``.

    Returns
    -------
    tuple of str
        Names of levels, without blanks around them; an unknown word stays as it is.
    """
    return tuple(matching(word, _LEVELS) or word.strip() for word in use.split(","))


def usable(flag: Any, allow: tuple[str, ...] = ("good", "not_evaluated")) -> Any:
    """Whether a product may use each reading.

    Parameters
    ----------
    flag : ndarray of int or DataArray
        Values of a ``<name>_flag`` variable.
    allow : tuple of str
        Levels that are used: ``good``, ``not_evaluated``, ``suspect``, ``bad``.

    Returns
    -------
    ndarray of bool or DataArray
        True for a reading with one of the levels.

    Raises
    ------
    ValueError
        When a level is not one of the scheme.
    """
    values = [_LEVELS[level] for level in choices(allow, _LEVELS, "allow")]
    if hasattr(flag, "isin"):
        return flag.isin(values)
    return np.isin(flag, values)


def flag_attributes(long_name: str) -> dict[str, Any]:
    """CF attributes of a flag variable (int8).

    Parameters
    ----------
    long_name : str
        The quantity in words.

    Returns
    -------
    dict
        ``long_name``, ``flag_values`` and ``flag_meanings``.

    Notes
    -----
    CF conventions, section 3.5.
    """
    return {
        "long_name": f"flag of {long_name}",
        "flag_values": np.array(list(_LEVELS.values()), dtype=np.int8),
        "flag_meanings": " ".join(_LEVELS),
    }


def reason_attributes(long_name: str) -> dict[str, Any]:
    """CF attributes of a reason variable (int64).

    Parameters
    ----------
    long_name : str
        The quantity in words.

    Returns
    -------
    dict
        ``long_name``, ``flag_masks`` and ``flag_meanings``.

    Notes
    -----
    CF conventions, section 3.5.
    """
    return {
        "long_name": f"reasons for the flag of {long_name}",
        "flag_masks": np.array(list(_BITS.values()), dtype=np.int64),
        "flag_meanings": " ".join(_BITS),
    }
