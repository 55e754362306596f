"""The line of temperature against resistance, as plain arrays: fit, effects and misfit.

Points are (x, y, cx, cy, effects): resistance, temperature, the covariance of the one, the
variances of the other, and the effects of either by source.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.numerics.line import Line, generalised_line


def best_line(x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray) -> tuple[Line, bool]:
    """The line, and whether all uncertainties were known and positive."""
    sound = np.isfinite(cy) & (cy > 0)
    known = bool(sound.all() and np.isfinite(cx).all())
    if known:
        return generalised_line(x, y, cx, cy), True
    usual = float(np.median(cy[sound])) if sound.any() else 1.0
    return generalised_line(x, y, np.zeros_like(cx), np.where(sound, cy, usual)), False


def line_effects(points: Any) -> dict[str, np.ndarray]:
    """Shifts of intercept and slope by each source, half the difference of both directions."""
    x, y, cx, cy, effects = points
    shifts = {}
    for source, (ex, ey) in effects.items():
        if not (np.isfinite(ex).all() and np.isfinite(ey).all()):
            shifts[source] = np.full(2, np.nan)
            continue
        up, down = (best_line(x + sign * ex, y + sign * ey, cx, cy)[0] for sign in (1.0, -1.0))
        shifts[source] = 0.5 * np.array([up.intercept - down.intercept, up.slope - down.slope])
    return shifts


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
    low, high = 0.0, float(np.sqrt(line.chi_square * cy.max() + np.var(y)))
    for _ in range(40):
        middle = 0.5 * (low + high)
        line = generalised_line(x, y, cx, cy + middle**2)
        above = line.chi_square > line.degrees_of_freedom
        low, high = (middle, high) if above else (low, middle)
    return line, 0.5 * (low + high)


def student(freedom: float) -> float:
    """Student's t whose interval of either sign holds 68.27 %; one for many degrees of freedom."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(freedom, ndtr(1.0))) if np.isfinite(freedom) else 1.0
