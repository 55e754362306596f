"""Robust fits of compaction: residuals that stand off count for less."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from corephys.ground import fitting
from corephys.ground.constants import get
from corephys.products.compaction_data import Data, solve
from corephys.products.compaction_models import Model

__all__ = ["KINDS", "fit"]

KINDS = ("none", "huber", "tukey")


def _huber(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    """Weight of a standardised residual, and the slope of its influence."""
    size = np.maximum(np.abs(u), 1e-300)
    return np.minimum(1.0, k / size), (size <= k).astype(float)


def _tukey(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    t = (u / k) ** 2
    inside = t < 1.0
    return np.where(inside, (1.0 - t) ** 2, 0.0), np.where(inside, (1 - t) * (1 - 5 * t), 0.0)


_WEIGHTS: dict[str, Callable[[np.ndarray, float], tuple[np.ndarray, np.ndarray]]] = {
    "huber": _huber,
    "tukey": _tukey,
}


def fit(
    model: Model, x: np.ndarray, data: Data, kind: str, start: dict[str, float],
    forced: dict[str, float],
) -> tuple[fitting.Fit, np.ndarray]:  # fmt: skip
    """Iteratively reweighted least squares.

    Parameters
    ----------
    model : Model
        What is fitted.
    x : ndarray, (n,)
        Its abscissa.
    data : Data
        Porosities and their uncertainties.
    kind : {"huber", "tukey"}
        Weight function.
    start, forced : dict of str to float
        First values, and parameters that stay.

    Returns
    -------
    tuple of Fit and ndarray, (n,)
        The fit, and the weights of the squares between zero and one.

    Notes
    -----
    Scale: 1.4826 times the median absolute residual, at each step; with stated uncertainties never
    below one of them. Tukey's weights start from Huber's solution, as their misfit has several
    lows. Covariance: s^2 [sum psi^2 / (n - k)] / mean(psi')^2 (J' J)^-1, Huber (1981), Robust
    Statistics, section 7.6 (from memory): errors of the robust scatter, asymptotic, no likelihood.
    """
    sigma = np.ones(x.size) if data.sigma is None else np.asarray(data.sigma)
    if np.any(~(sigma > 0)):
        raise ValueError(
            f"{int(np.sum(~(sigma > 0)))} of {x.size} uncertainties are missing or not positive; "
            "give them, or use absolute_sigma=False and let the scatter set the scale"
        )
    least = 0.0 if data.sigma is None else 1.0
    p = solve(model, x, data.porosity, 1.0 / sigma, start={**start, **forced}, fixed=forced)
    for step in ("huber", "tukey") if kind == "tukey" else ("huber",):
        p, scale, weights, slope = _reweigh(model, x, data.porosity, sigma, step, p, forced, least)
    return _finished(model, x, data, sigma, p, scale, weights, slope, forced), weights


def _reweigh(
    model: Model, x: np.ndarray, y: np.ndarray, sigma: np.ndarray, kind: str, p: np.ndarray,
    forced: dict[str, float], least: float,
) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:  # fmt: skip
    tuning = get(f"{kind}_tuning").value
    scale, weights, slope = 1.0, np.ones(x.size), np.ones(x.size)
    for _ in range(100):
        residual = (y - model.curve(x, *p)) / sigma
        scale = max(1.4826 * float(np.median(np.abs(residual))), least, 1e-12)
        weights, slope = _WEIGHTS[kind](residual / scale, tuning)
        before = p
        start = dict(zip(model.names, p, strict=True))
        p = solve(model, x, y, np.sqrt(weights) / sigma, start=start, fixed=forced)
        if not np.any(np.abs(p - before) > 1e-9 * np.abs(before)):
            break
    return p, scale, weights, slope


def _finished(
    model: Model, x: np.ndarray, data: Data, sigma: np.ndarray, p: np.ndarray, scale: float,
    weights: np.ndarray, slope: np.ndarray, forced: dict[str, float],
) -> fitting.Fit:  # fmt: skip
    """Errors of the robust solution."""
    values = {name: float(value) for name, value in zip(model.names, p, strict=True)}
    free = np.array([name not in forced for name in model.names])
    count = int(free.sum())
    residual = data.porosity - model.curve(x, *p)
    u = residual / sigma / scale
    spread = float(np.sum((weights * u) ** 2)) / max(x.size - count, 1)
    jacobian = model.jacobian(x, *p)[:, free] / sigma[:, None]
    covariance = np.full((p.size, p.size), np.nan)
    bounds = model.bounds
    at_bound = tuple(
        n for n in values
        if n in bounds and n not in forced and min(np.abs(np.subtract(bounds[n], values[n]))) < 1e-6
    )  # fmt: skip
    if not at_bound and np.linalg.matrix_rank(jacobian) == count and np.mean(slope) > 0:
        inverse = np.linalg.inv(jacobian.T @ jacobian)
        covariance[np.ix_(free, free)] = scale**2 * spread / np.mean(slope) ** 2 * inverse
    chi_square = float(np.sum((residual / sigma) ** 2))
    freedom = x.size - count
    with np.errstate(invalid="ignore"):
        errors = dict(zip(values, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    return fitting.Fit(
        values, errors, covariance, residual, chi_square, chi_square / max(freedom, 1), x.size,
        freedom, float("nan"), at_bound, bool(np.isfinite(p).all()),
        "iteratively reweighted least squares", data.sigma is not None,
    )  # fmt: skip
