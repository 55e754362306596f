"""The line of temperature against resistance, as plain arrays: fit, effects and misfit.

Points are (x, y, cx, cy, guide): resistance, temperature, the covariance of the one, the variances
of the other, and the resistances without the scatter of the conductivities.
"""

from __future__ import annotations

import numpy as np

from corephys.numerics.line import Line, generalised_line, instrumental_line


def _weights(cx: np.ndarray, cy: np.ndarray) -> tuple[np.ndarray, np.ndarray, bool]:
    """Covariances to weigh by, and whether all were known and positive.

    Where one is unknown, its point gets the median weight, and only the temperatures have weights.
    """
    own = np.diag(cy) if cy.ndim == 2 else cy
    sound = np.isfinite(own) & (own > 0)
    if sound.all() and np.isfinite(cx).all():
        return cx, cy if cy.ndim == 2 else np.diag(cy), True
    usual = float(np.median(own[sound])) if sound.any() else 1.0
    return np.zeros_like(cx), np.diag(np.where(sound, own, usual)), False


def best_line(
    x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray, guide: np.ndarray | None
) -> tuple[Line, bool]:
    """The line, and whether all uncertainties were known and positive.

    ``guide`` holds the resistances without the scatter of the readings; without it, or where an
    uncertainty is not known, the weights follow the adjusted resistances.
    """
    cx, cy, known = _weights(cx, cy)
    return _line(x, y, cx, cy, guide if known else None), known


def _line(
    x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray, guide: np.ndarray | None
) -> Line:
    if guide is None:
        return generalised_line(x, y, cx, cy)
    return instrumental_line(x, y, cx, cy, guide)


def guided(
    x: np.ndarray,
    y: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    guide: np.ndarray | None,
    line: Line,
) -> np.ndarray:
    """Resistances that the weights of the line follow.

    Those of ``guide``, else the given ones moved to their most likely values on the line.
    """
    if guide is not None:
        return guide
    residual = y - line.intercept - line.slope * x
    return np.asarray(x + line.slope * (cx @ np.linalg.solve(cy + line.slope**2 * cx, residual)))


def gains(
    x: np.ndarray,
    y: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    guide: np.ndarray | None,
    line: Line,
) -> np.ndarray:
    """Derivatives of intercept and slope by each temperature, to first order about the line."""
    cx, cy, known = _weights(cx, cy)
    along = guided(x, y, cx, cy, guide if known else None, line)
    columns = np.column_stack([np.ones(x.size), along])
    weighted = np.linalg.solve(cy + line.slope**2 * cx, columns).T
    return np.linalg.solve(weighted @ np.column_stack([np.ones(x.size), x]), weighted)


def with_beds(
    x: np.ndarray,
    y: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    guide: np.ndarray | None,
    beds: np.ndarray,
) -> tuple[Line, float]:
    """Line with a share of the scatter by beds between conductivities, and that share.

    ``beds`` is the most that such beds can add to the covariance of the temperatures [K^2]. The
    share, at most one, brings the reduced chi-square down to one where it can. The resistances do
    not contain these beds, so that their scatter is an error of the temperature axis.
    """
    from scipy.optimize import brentq

    def over(share: float) -> float:
        found = _line(x, y, cx, cy + share * beds, guide)
        return found.chi_square - found.degrees_of_freedom

    share = 1.0 if over(1.0) >= 0.0 else float(brentq(over, 0.0, 1.0, xtol=1e-6, rtol=1e-6))
    return _line(x, y, cx, cy + share * beds, guide), share


def with_excess(
    x: np.ndarray,
    y: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    guide: np.ndarray | None,
    start: Line,
) -> tuple[Line, float]:
    """Line with the scatter in temperature [K] that brings the reduced chi-square down to one."""
    from scipy.optimize import brentq

    every = np.eye(x.size)

    def over(extra: float) -> float:
        found = _line(x, y, cx, cy + extra**2 * every, guide)
        return found.chi_square - found.degrees_of_freedom

    # All scatter of the temperatures is an upper limit of what must be added.
    high = float(np.sqrt(start.chi_square * np.diag(cy).max() + np.var(y)))
    extra = float(brentq(over, 0.0, high, xtol=1e-9 * high, rtol=1e-7))
    return _line(x, y, cx, cy + extra**2 * every, guide), extra


def student(freedom: float) -> float:
    """Student's t whose interval of either sign holds 68.27 %; one for many degrees of freedom."""
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(freedom, ndtr(1.0))) if np.isfinite(freedom) else 1.0
