"""The line of temperature against resistance, as plain arrays: fit, effects and misfit.

Points are (x, y, cx, cy, effects): resistance, temperature, the covariance of the one, the
variances of the other, and the effects of either by source.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.numerics.line import Line, generalised_line


def _weights(cx: np.ndarray, cy: np.ndarray) -> tuple[np.ndarray, np.ndarray, bool]:
    """Variances to weigh by, and whether all were known and positive.

    What is not known weighs like the usual point, and then only the temperatures weigh at all.
    """
    sound = np.isfinite(cy) & (cy > 0)
    if sound.all() and np.isfinite(cx).all():
        return cx, cy, True
    usual = float(np.median(cy[sound])) if sound.any() else 1.0
    return np.zeros_like(cx), np.where(sound, cy, usual), False


def best_line(x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray) -> tuple[Line, bool]:
    """The line, and whether all uncertainties were known and positive."""
    cx, cy, known = _weights(cx, cy)
    return generalised_line(x, y, cx, cy), known


def adjusted_points(
    x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray, line: Line
) -> np.ndarray:
    """Resistances moved to where the line says that they most likely are."""
    omega = np.diag(cy) + line.slope**2 * cx
    residual = y - line.intercept - line.slope * x
    return np.asarray(x + line.slope * (cx @ np.linalg.solve(omega, residual)))


def gains(x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray, line: Line) -> np.ndarray:
    """Derivatives of intercept and slope by each temperature, to first order about the line."""
    cx, cy, _ = _weights(cx, cy)
    omega = np.diag(cy) + line.slope**2 * cx
    adjusted = adjusted_points(x, y, cx, cy, line)
    weighted = np.linalg.solve(omega, np.column_stack([np.ones(x.size), adjusted])).T
    return np.linalg.solve(weighted @ np.column_stack([np.ones(x.size), x]), weighted)


def exceeded(line: Line, spare: float) -> float:
    """Probability of a larger chi-square by chance, with a scatter that is itself estimated."""
    from scipy.special import fdtrc, gammaincc

    freedom = line.degrees_of_freedom
    if not np.isfinite(spare):
        return float(gammaincc(freedom / 2.0, line.chi_square / 2.0))
    return float(fdtrc(freedom, spare, line.chi_square / freedom))


def with_excess(points: Any, line: Line) -> tuple[Line, float]:
    """Line with the scatter in temperature [K] that brings the reduced chi-square down to one."""
    x, y, cx, cy, _ = points

    def over(extra: float) -> float:
        found = generalised_line(x, y, cx, cy + extra**2)
        return found.chi_square - found.degrees_of_freedom

    from scipy.optimize import brentq

    high = float(np.sqrt(line.chi_square * cy.max() + np.var(y)))
    extra = float(brentq(over, 0.0, high, xtol=1e-9 * high, rtol=1e-7))
    return generalised_line(x, y, cx, cy + extra**2), extra


def student(freedom: float) -> float:
    """Student's t whose interval of either sign holds 68.27 %; one for many degrees of freedom."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(freedom, ndtr(1.0))) if np.isfinite(freedom) else 1.0
