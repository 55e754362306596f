"""Heat of a perfectly conducting cylinder in an infinite medium: decay and heating."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

__all__ = ["decay", "decay_with_derivatives", "heating"]

# The integrals run over ln u with the trapezoid rule, whose error falls exponentially with the
# step for an integrand that dies away at both ends.
_STEP = 0.1
_LOW, _HIGH = -18.0, 14.0
_ROWS = 2048  # of tau in a block, so that the exponentials stay in the cache


@lru_cache(maxsize=256)
def _weights(alpha: float) -> tuple[np.ndarray, np.ndarray]:
    """Squares of the nodes and the weights 4 alpha / pi^2 / Delta(u) of the decay."""
    from scipy.special import j0, j1, y0, y1

    u = np.exp(np.arange(_LOW, _HIGH, _STEP))
    delta = (u * j0(u) - alpha * j1(u)) ** 2 + (u * y0(u) - alpha * y1(u)) ** 2
    return u * u, (4.0 * alpha / np.pi**2) * _STEP / delta


def _sum(alpha: float, tau: np.ndarray, kind: str) -> np.ndarray:
    squares, weights = _weights(alpha)
    if kind == "slope":
        weights = -weights * squares
    out = np.empty(tau.size)
    for start in range(0, tau.size, _ROWS):
        part = tau[start : start + _ROWS]
        # exp(-tau u^2) is below 1e-26 beyond u^2 = 60 / tau: leave those columns out.
        columns = int(np.searchsorted(squares, 60.0 / part.min())) if part.min() > 0 else None
        exponent = np.multiply.outer(-part, squares[:columns])
        if kind == "integral":
            terms = -np.expm1(exponent) / squares[:columns]
            rest = 0.0 if columns is None else float((weights[columns:] / squares[columns:]).sum())
            out[start : start + _ROWS] = terms @ weights[:columns] + rest
        else:
            np.exp(exponent, out=exponent)
            out[start : start + _ROWS] = exponent @ weights[:columns]
    return out


def _each(alpha: Any, tau: Any, kind: str) -> Any:
    alpha, tau = np.broadcast_arrays(np.asarray(alpha, float), np.asarray(tau, float))
    if np.any(~(alpha > 0)) or np.any(tau < 0):
        raise ValueError("alpha must be positive and tau must not be negative")
    out = np.empty(alpha.shape)
    for value in np.unique(alpha):
        chosen = alpha == value
        out[chosen] = _sum(float(value), tau[chosen], kind)
    return out if out.ndim else float(out)


def decay(alpha: Any, tau: Any) -> Any:
    """Temperature of a cylinder that cools, as a fraction of its first excess.

    Parameters
    ----------
    alpha : float or ndarray
        2 pi a^2 rho c / (m c): twice the heat capacity of the displaced medium over that of the
        cylinder, 1; positive.
    tau : float or ndarray
        kappa t / a^2, 1; not negative.

    Returns
    -------
    float or ndarray
        F(alpha, tau), 1; broadcast shape.

    Raises
    ------
    ValueError
        For alpha that is not positive or a negative tau.

    Notes
    -----
    F = (4 alpha / pi^2) int_0^inf exp(-tau u^2) / (u Delta(u)) du with Delta = (u J0 - alpha J1)^2
    + (u Y0 - alpha Y1)^2: Bullard (1954), Proceedings of the Royal Society A 222, 408; Carslaw and
    Jaeger (1959), Conduction of Heat in Solids, section 13.7.

    Examples
    --------
    >>> round(decay(1.0, 1.0), 9)
    0.317460838
    """
    tau = np.asarray(tau, dtype=float)
    found = np.asarray(_each(alpha, tau, "value"))
    found = np.where(np.broadcast_to(tau, found.shape) == 0.0, 1.0, found)
    return found if found.ndim else float(found)


def decay_with_derivatives(alpha: Any, tau: Any) -> tuple[Any, Any, Any]:
    """Decay with its derivatives, for least squares.

    Parameters
    ----------
    alpha, tau : float or ndarray
        As in :func:`decay`.

    Returns
    -------
    tuple of F, dF/dtau and dF/dalpha
        The last by central difference with relative step 1e-4.

    Raises
    ------
    ValueError
        As in :func:`decay`.

    Notes
    -----
    dF/dtau multiplies the integrand by -u^2; sources as in :func:`decay`.
    """
    step = 1e-4 * np.asarray(alpha, float)
    by_alpha = (np.asarray(decay(alpha + step, tau)) - decay(alpha - step, tau)) / (2.0 * step)
    return decay(alpha, tau), _each(alpha, tau, "slope"), by_alpha


def heating(alpha: Any, tau: Any) -> Any:
    """Temperature rise of a cylinder heated at a constant rate, without contact resistance.

    Parameters
    ----------
    alpha, tau : float or ndarray
        As in :func:`decay`.

    Returns
    -------
    float or ndarray
        4 pi k T / Q, 1; Q heat per unit length, k conductivity of the medium.

    Raises
    ------
    ValueError
        As in :func:`decay`.

    Notes
    -----
    2 alpha int_0^tau F dtau: the heated cylinder is a sum of cooling ones (Duhamel); Carslaw and
    Jaeger (1959), section 13.7. A contact resistance h adds 4 pi k h in the limit of late time.
    """
    found = _each(alpha, tau, "integral")
    return 2.0 * np.asarray(alpha, float) * found if np.ndim(found) else 2.0 * float(alpha) * found
