"""The line of ln F on ln phi, with the scatter that the stated uncertainties leave over."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import thresholds
from corephys.numerics import exponential, line

__all__ = ["kept_and_fit"]

_FAR = thresholds.value("archie_far")
_FEW = thresholds.count("archie_few")


class Fit:
    """Line of ln F on ln phi, with the scatter that the stated uncertainties leave over.

    The excess goes to ln F: the two sensors see different lengths of core, and a line that blamed
    the porosity for it would be too steep.
    """

    def __init__(self, x: Any, y: Any, ux: Any, uy: Any, fixed_a: float | None) -> None:
        self.x, self.y, self.ux, self.uy, self.fixed_a = x, y, ux, uy, fixed_a
        self.known = bool(np.all(ux > 0) and np.all(uy > 0))
        first = self.line(0.0, 0.0)
        spare = first.degrees_of_freedom
        self.reduced = first.chi_square / spare if self.known and spare else float("nan")
        if self.reduced > 1.0:
            self.uy = np.hypot(uy, self._excess(spare))

    def _excess(self, spare: int) -> float:
        """Scatter of ln F that brings the reduced chi-square to one."""
        stated = self.uy
        low, high = 0.0, float(np.ptp(self.y)) + float(stated.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            self.uy = np.hypot(stated, middle)
            if self.line(0.0, 0.0).chi_square > spare:
                low = middle
            else:
                high = middle
        self.uy = stated
        return 0.5 * (low + high)

    def line(self, dx: Any, dy: Any) -> line.Line:
        """The line with the points moved."""
        x, y = self.x + dx, self.y + dy
        if self.fixed_a is not None:
            intercept = float(np.log(self.fixed_a))
            return _through(x, y, self.ux, self.uy, intercept, self.known)
        if not self.known:
            return line.ordinary_line(x, y)
        return line.york(x, y, self.ux, self.uy)

    def repeated(self) -> float:
        """Readings that say what one independent reading says, from neighbouring residuals."""
        pulls = self.pulls()
        if pulls.size < _FEW:
            return 1.0
        lag = exponential.lag_correlation(pulls - pulls.mean())
        return max(1.0, (1.0 + lag) / (1.0 - min(lag, 0.9)))

    def pulls(self) -> np.ndarray:
        """Distance of each point from the line, over its uncertainty where that is known."""
        best = self.line(0.0, 0.0)
        away = self.y - best.intercept - best.slope * self.x
        if not self.known:
            return np.asarray(away)
        return np.asarray(away / np.hypot(self.uy, best.slope * self.ux))


def kept_and_fit(x: Any, y: Any, ux: Any, uy: Any, fixed_a: float | None) -> tuple[np.ndarray, Fit]:
    """Readings that lie within five robust standard deviations of the line, and their fit."""
    kept = np.ones(x.size, dtype=bool)

    def fitted() -> Fit:
        return Fit(x[kept], y[kept], ux[kept], uy[kept], fixed_a)

    for _ in range(3):
        pulls = fitted().pulls()
        far = np.abs(pulls) > _FAR * 1.4826 * np.median(np.abs(pulls))
        if kept.sum() < _FEW or not far.any():
            break
        kept[np.flatnonzero(kept)[far]] = False
    return kept, fitted()


def _through(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray, intercept: float, known: bool
) -> line.Line:
    """Line of a fixed intercept: York's solution with one unknown."""
    rest = y - intercept
    slope = float(x @ rest / (x @ x))
    if not known:
        residual = rest - slope * x
        scatter = float(residual @ residual) / max(x.size - 1, 1)
        return _line(intercept, slope, scatter / float(x @ x), float(residual @ residual), x.size)
    for _ in range(200):
        weight = 1.0 / (uy**2 + slope**2 * ux**2)
        adjusted = x + slope * ux**2 * weight * (rest - slope * x)
        before, slope = slope, float((weight * adjusted) @ rest / ((weight * adjusted) @ x))
        if abs(slope - before) <= 1e-14 * abs(slope):
            break
    weight = 1.0 / (uy**2 + slope**2 * ux**2)
    chi_square = float(weight @ (rest - slope * x) ** 2)
    return _line(intercept, slope, 1.0 / float(weight @ adjusted**2), chi_square, x.size)


def _line(
    intercept: float, slope: float, variance: float, chi_square: float, size: int
) -> line.Line:
    return line.Line(intercept, slope, np.diag([0.0, variance]), chi_square, size - 1)
