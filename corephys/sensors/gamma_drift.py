"""A gamma calibration that changes in time: sets of standards, interpolated between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from corephys.ground import series, units
from corephys.sensors.gamma_calibration import Calibration
from corephys.uncertainty import bare

__all__ = ["between"]


def between(calibrations: Mapping[str, Calibration], times: Any, elapsed: Any) -> Calibration:
    """Calibration at the time of each reading, linear between sets of standards.

    Parameters
    ----------
    calibrations : mapping of str to Calibration
        By label of the set of standards; all of one degree and one scale.
    times : Quantity or DataArray, (set)
        Time of each set since the reference of the decay [s], in the order of the mapping.
    elapsed : Quantity, DataArray or str, (reading)
        Time of each reading since the same reference [s].

    Returns
    -------
    Calibration
        With coefficients of shape (3, reading). Before the first and after the last set the
        nearest one holds. Each set's covariance stays its own: the effects are named
        ``gamma_calibration_<set>_1`` and so on, weighted as the coefficients are.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    TypeError
        When the calibrations are no mapping.
    ValueError
        Without a calibration, with another number of times, a time that is not known or given
        twice, or sets of different degree, scale, dead time or background.

    Notes
    -----
    c(t) = (1 - w) c_k + w c_k+1 with w = (t - t_k) / (t_k+1 - t_k): linear drift (definition).
    """
    if not isinstance(calibrations, Mapping):
        raise TypeError(
            "calibrations is a mapping of the label of each set to its calibration, such as "
            "{'A': first, 'B': second}"
        )
    labels = list(calibrations)
    at = np.atleast_1d(np.asarray(units.as_floats(times, "s", "times"), dtype=float))
    _check(calibrations, at)
    order = np.argsort(at)
    labels, at = [labels[i] for i in order], at[order]
    sets = [calibrations[label] for label in labels]
    if len(sets) == 1:
        return sets[0]
    now = bare(units.as_floats(elapsed, "s", "elapsed"))
    weights = [
        series.apply(np.interp, now, xp=at, fp=np.eye(len(sets))[i]) for i in range(len(sets))
    ]
    mean = replace(
        _blend(sets, weights),
        covariance=sets[0].covariance * np.nan,
        parts=tuple(zip(labels, weights, sets, strict=True)),
    )
    sources = sets[0].shifted
    shifted = {source: _blend([c.shifted[source] for c in sets], weights) for source in sources}
    return replace(mean, shifted=shifted)


def _check(calibrations: Mapping[str, Calibration], at: np.ndarray) -> None:
    if not calibrations or at.size != len(calibrations):
        raise ValueError(
            f"{len(calibrations)} calibrations and {at.size} times; give one time a set of "
            "standards, and at least one set"
        )
    if not np.isfinite(at).all() or np.unique(at).size != at.size:
        raise ValueError(
            "every set of standards needs a time of its own to be interpolated in time; give the "
            "column time, or fit all standards together"
        )
    kinds = {
        (c.covariance.shape[0], c.scale, c.dead_time, c.background_rate, c.real_time)
        for c in calibrations.values()
    }
    if len(kinds) > 1:
        raise ValueError(
            "the sets of standards were fitted with different degree, scale, dead time or "
            "background; fit them alike (order=1 or order=2) before they are interpolated"
        )


def _blend(sets: list[Calibration], weights: list[Any]) -> Calibration:
    """Weighted mean of coefficients and of the water that the standards stood in."""
    coefficients = [
        sum(w * c.coefficients[i] for w, c in zip(weights, sets, strict=True)) for i in range(3)
    ]
    return replace(
        sets[0],
        coefficients=coefficients,
        domain=(max(c.domain[0] for c in sets), min(c.domain[1] for c in sets)),
        water_density=sum(w * c.water_density for w, c in zip(weights, sets, strict=True)),
        shifted={},
    )
