"""Calibration of a velocity bench for samples with standards of several lengths."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from corephys.ground import units
from corephys.numerics.line import Line, ordinary_line

__all__ = ["Calibration", "calibrate"]


@dataclass(frozen=True)
class Calibration:
    """t = delay + length_factor length / velocity of the standard.

    Parameters
    ----------
    delay : float
        Of transducers and electronics [us].
    length_factor : float
        True length over length as read, a pure number.
    covariance : (2, 2) ndarray
        Of delay [us] and length factor [1]; NaN where it is not known.
    standard_velocity : float
        Fitted [m/s] where it was not given, else NaN.
    length, travel_time, residual : ndarray, (standard)
        The standards [mm], [us] and measured less fitted [us].
    residual_deviation : float
        Standard deviation of the residuals with the degrees of freedom of the fit [us].
    """

    delay: float
    length_factor: float
    covariance: np.ndarray
    standard_velocity: float = float("nan")
    length: np.ndarray = field(default_factory=lambda: np.empty(0))
    travel_time: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual_deviation: float = float("nan")

    @property
    def delay_uncertainty(self) -> float:
        """Standard uncertainty of the delay [us]."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def length_factor_uncertainty(self) -> float:
        """Standard uncertainty of the length factor, a pure number."""
        return float(np.sqrt(self.covariance[1, 1]))

    def describe(self) -> str:
        """Delay, scale of length and what they rest on, in one line."""
        return (
            f"delay {self.delay:.4g} +- {self.delay_uncertainty:.2g} us, length factor "
            f"{self.length_factor:.5g} +- {self.length_factor_uncertainty:.2g}; "
            f"{self.length.size} standards"
        )


def calibrate(
    length: Any, travel_time: Any, *, velocity: Any = None, velocity_uncertainty: Any = None,
    travel_time_uncertainty: Any = None,
) -> Calibration:  # fmt: skip
    """Delay of the transducers, and scale of the calliper, from standards of several lengths.

    Parameters
    ----------
    length, travel_time : DataArray or Quantity, (standard)
        As read on the bench [mm], [us]; standards with a cell that is empty are left out.
    velocity : Quantity, DataArray or str, optional
        Of the standards [m/s]. Without it one material is assumed, whose velocity is fitted while
        the calliper is taken as true.
    velocity_uncertainty : Quantity or str, optional
        Error that the velocities of all standards share [m/s]; unknown leaves the length factor
        without uncertainty (NaN). Not used without ``velocity``.
    travel_time_uncertainty : Quantity, DataArray or str, optional
        Of the standards' times [us], the weights of the line; without it the scatter about the
        line sets the errors.

    Returns
    -------
    Calibration
        Delay [us], length factor [1], their covariance and the residuals.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When there are too few standards, or they all have one length.

    Notes
    -----
    Weighted line of t on L / v: its intercept is the delay and its slope the length factor; of t
    on L where v is not known, whose slope is 1 / v (blocks of several lengths: Boyce 1976, from
    memory). An error of v that all standards share scales the slope and leaves the intercept.
    """
    x = np.ravel(np.asarray(units.as_floats(length, "mm", "length"), dtype=float))
    t = np.ravel(np.asarray(units.as_floats(travel_time, "us", "travel_time"), dtype=float))
    sigma = units.as_floats(
        travel_time_uncertainty, "us", "travel_time_uncertainty", difference=True, optional=True
    )
    v = np.nan if velocity is None else units.as_floats(velocity, "m/s", "velocity")
    v = np.broadcast_to(np.ravel(np.asarray(v, dtype=float)), x.shape)
    known = np.isfinite(x) & np.isfinite(t) & (np.isfinite(v) | (velocity is None))
    if sigma is not None:
        sigma = np.broadcast_to(np.ravel(np.asarray(sigma, dtype=float)), x.shape)[known]
    x, t, v = x[known], t[known], v[known]
    if velocity is not None and np.any(v <= 0.0):
        raise ValueError(f"velocity of a standard is {v.min():g} m/s; it must be positive")
    least = 2 if sigma is not None else 3
    if np.unique(x).size < 2 or x.size < least:
        raise ValueError(
            f"{x.size} standards of {np.unique(x).size} lengths do not fix delay and slope; give "
            f"{least} or more, of two lengths at least"
        )
    across = x if velocity is None else 1e3 * x / v
    line = ordinary_line(across, t, sigma)
    residual = t - line.intercept - line.slope * across
    freedom = x.size - 2
    spread = float(np.sqrt(residual @ residual / freedom)) if freedom else float("nan")
    return _calibration(line, velocity is None, _share(v, velocity_uncertainty), (
        x, t, residual, spread,
    ))  # fmt: skip


def _share(v: np.ndarray, uncertainty: Any) -> float:
    """Relative error that the standards share [1]; NaN where it is not known."""
    u = units.as_floats(uncertainty, "m/s", "velocity_uncertainty", difference=True, optional=True)
    return float("nan") if u is None else float(np.mean(np.asarray(u) / v))


def _calibration(line: Line, free: bool, share: float, rest: tuple[Any, ...]) -> Calibration:
    if free:
        alone = np.diag([line.covariance[0, 0], 0.0])
        return Calibration(line.intercept, 1.0, alone, 1e3 / line.slope, *rest)
    covariance = np.array(line.covariance, dtype=float)
    covariance[1, 1] += (line.slope * share) ** 2
    return Calibration(line.intercept, line.slope, covariance, float("nan"), *rest)
