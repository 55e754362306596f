"""Late cooling, where the excess goes as one over time: a check and never a result."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import thresholds, units

__all__ = ["late_decay_function", "late_time_temperature"]

PART = thresholds.value("formation_late_part")
_EULER = float(np.euler_gamma)


def late_decay_function(alpha: Any, tau: Any, *, terms: int = 1) -> Any:
    """Part of the first excess that a cooling cylinder still has at late time.

    Parameters
    ----------
    alpha : float or ndarray
        As in :func:`corephys.downhole.formation_temperature.decay_function`, 1.
    tau : float or ndarray
        kappa t / a^2, 1.
    terms : {1, 2}
        Order of the expansion.

    Returns
    -------
    float or ndarray
        A fraction, 1.

    Raises
    ------
    ValueError
        When terms is neither, or alpha or tau is not positive.

    Notes
    -----
    F ~ 1 / (2 alpha tau) - 1 / (4 alpha tau^2) + (2 - alpha) / (4 alpha^2 tau^2) (ln 4 tau -
    gamma - 1): expansion of the Laplace image of Bullard (1954), Proceedings of the Royal Society
    A 222, 408, for small p. The first term is within 5 % from tau 10 for alpha 1 to 2.

    Examples
    --------
    >>> late_decay_function(2.0, 20.0)
    0.0125
    """
    alpha, tau = np.asarray(alpha, dtype=float), np.asarray(tau, dtype=float)
    if terms not in (1, 2):
        raise ValueError(f"terms is {terms}; the expansion has 1 or 2")
    if np.any(~(alpha > 0)) or np.any(~(tau > 0)):
        raise ValueError("alpha and tau must be positive")
    value = 1.0 / (2.0 * alpha * tau)
    if terms == 2:
        logarithm = np.log(4.0 * tau) - _EULER - 1.0
        value = value - 0.25 / (alpha * tau**2)
        value = value + (2.0 - alpha) / (4.0 * alpha**2 * tau**2) * logarithm
    return value if value.ndim else float(value)


def late_time_temperature(time: Any, temperature: Any) -> Any:
    """Temperature at infinite time of a straight line against one over time.

    Parameters
    ----------
    time : Quantity or DataArray
        Since penetration [s].
    temperature : Quantity or DataArray
        [degC].

    Returns
    -------
    Quantity
        [degC]. A check only: the line is right where the excess goes as 1 / t, tau above 10.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For fewer than three samples, or a time that is not positive.

    Notes
    -----
    T = Ta + b / t, the first term of :func:`late_decay_function`: Bullard (1954), Proceedings of
    the Royal Society A 222, 408.
    """
    t = np.ravel(np.asarray(units.as_floats(time, "s", "time"), dtype=float))
    y = np.ravel(np.asarray(units.as_floats(temperature, "degC", "temperature"), dtype=float))
    if t.size != y.size or t.size < 3 or not np.all(t > 0):
        raise ValueError(
            f"{t.size} times and {y.size} temperatures; give three or more of each, after "
            "penetration"
        )
    return units.quantity(line(t, y), "degC")


def line(time: np.ndarray, values: np.ndarray) -> float:
    """Intercept of values against one over time [s]."""
    inverse = 1.0 / time
    apart = inverse - inverse.mean()
    slope = float(apart @ values) / float(apart @ apart)
    return float(values.mean() - slope * inverse.mean())


def check(time: np.ndarray, values: np.ndarray, shift: float, rate: float) -> tuple[float, float]:
    """Temperature of the line over the last third of a window, and tau at its start.

    Time since penetration [s], values [degC], shift of the start [s] and kappa / a^2 [1/s].
    """
    late = time - shift > (1.0 - PART) * float(time[-1] - shift)
    t = time[late] - shift
    if t.size < 3 or not np.ptp(t) > 0:
        return float("nan"), float("nan")
    return line(t, values[late]), float(rate * t[0])
