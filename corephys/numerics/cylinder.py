"""Heat of a perfectly conducting cylinder in an infinite medium: decay and heating."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

__all__ = ["decay", "decay_with_derivatives", "heating"]

# The integrals run over ln u with the trapezoid rule, whose error falls exponentially with the
# step for an integrand that dies away at both ends. A cylinder that gives its heat away slowly
# (small alpha, large contact resistance) brings a pole near the axis, which needs a finer step.
_STEP, _HALVINGS, _TOLERANCE = 0.1, 8, 2e-13
_LOW, _HIGH = -22.0, 18.0
_PROBES = np.geomspace(1e-5, 1e4, 10)  # tau at which a step is tried
_ELEMENTS = 2**18  # exponentials in a block, so that they stay in the cache
_SOON = 1e-9  # of tau (1 + alpha)^2, below which the series of early time is exact to 1e-13


def decay(alpha: Any, tau: Any, contact: float = 0.0) -> Any:
    """Temperature of a cylinder that cools, as a fraction of its first excess.

    Parameters
    ----------
    alpha : float or ndarray
        2 pi a^2 rho c / (m c): twice the heat capacity of the displaced medium over that of the
        cylinder, 1; positive.
    tau : float or ndarray
        kappa t / a^2, 1; not negative.
    contact : float, optional
        k / (a H), 1: conductivity of the medium over radius and conductance of the contact; zero
        for a perfect one.

    Returns
    -------
    float or ndarray
        F(alpha, tau), 1; broadcast shape.

    Raises
    ------
    ValueError
        For alpha that is not positive, a negative tau, or a contact resistance that is negative
        or cuts the cylinder off.

    Notes
    -----
    F = (4 alpha / pi^2) int_0^inf exp(-tau u^2) / (u Delta(u)) du with Delta = (u J0 + (h u^2 -
    alpha) J1)^2 + (u Y0 + (h u^2 - alpha) Y1)^2 and h the contact resistance: Bullard (1954),
    Proceedings of the Royal Society A 222, 408 (h = 0); Carslaw and Jaeger (1959), Conduction of
    Heat in Solids, section 13.7 (the heated cylinder, of which this is the derivative). Relative
    error below 1e-12 for alpha 0.01 to 100 and tau 1e-12 to 1e6.

    Examples
    --------
    >>> round(decay(1.0, 1.0), 9)
    0.317460838
    """
    return _result(_each(alpha, tau, contact, "decay")[..., 0])


def decay_with_derivatives(alpha: Any, tau: Any, contact: float = 0.0) -> tuple[Any, Any, Any]:
    """Decay with its derivatives, for least squares.

    Parameters
    ----------
    alpha, tau, contact : float or ndarray
        Arguments of :func:`decay`.

    Returns
    -------
    tuple of F, dF/dtau and dF/dalpha
        Pure numbers; dF/dtau is minus infinity at tau zero for perfect contact.

    Raises
    ------
    ValueError
        For an argument that :func:`decay` refuses.

    Notes
    -----
    The derivatives of the integrand of :func:`decay`; same sources.
    """
    found = _each(alpha, tau, contact, "derivatives")
    return _result(found[..., 0]), _result(found[..., 1]), _result(found[..., 2])


def heating(alpha: Any, tau: Any, contact: float = 0.0) -> Any:
    """Temperature rise of a cylinder heated at a constant rate.

    Parameters
    ----------
    alpha, tau, contact : float or ndarray
        Arguments of :func:`decay`.

    Returns
    -------
    float or ndarray
        Dimensionless rise 4 pi k T / Q; Q heat per unit length and time, k conductivity of the
        medium. It approaches ln(4 tau) - 0.5772 + 2 contact at late time.

    Raises
    ------
    ValueError
        For an argument that :func:`decay` refuses.

    Notes
    -----
    2 alpha int_0^tau F dtau: the heated cylinder is a sum of cooling ones (Duhamel); Carslaw and
    Jaeger (1959), Conduction of Heat in Solids, section 13.7.

    Examples
    --------
    >>> round(heating(2.0, 100.0), 8)
    5.41926665
    """
    return _result(_each(alpha, tau, contact, "heating")[..., 0])


def _result(found: np.ndarray) -> Any:
    return found if found.ndim else float(found)


def _each(alpha: Any, tau: Any, contact: float, kind: str) -> np.ndarray:
    """One call of the integral an alpha; the last dimension holds F and its derivatives."""
    alpha, tau = np.broadcast_arrays(np.asarray(alpha, float), np.asarray(tau, float))
    contact = float(contact)
    if np.any(~(alpha > 0)) or np.any(tau < 0):
        raise ValueError(
            f"alpha is {np.min(alpha):g} and tau {np.min(tau):g} at least; alpha must be positive "
            "and tau must not be negative"
        )
    if not 0.0 <= contact < np.inf:
        raise ValueError(f"the contact resistance must be zero or positive, not {contact}")
    out = np.empty((*alpha.shape, 3 if kind == "derivatives" else 1))
    for value in np.unique(alpha):
        chosen = alpha == value
        a, t = float(value), tau[chosen]
        found = np.empty((t.size, out.shape[-1]))
        # With a contact resistance the integrals converge at time zero.
        soon = (t * (1.0 + a) ** 2 < _SOON) if contact == 0.0 else np.zeros(t.shape, bool)
        found[soon] = _early(a, t[soon], kind)
        found[~soon] = _integrals(a, contact, t[~soon], kind)
        out[chosen] = found
    return out


def _early(alpha: float, tau: np.ndarray, kind: str) -> np.ndarray:
    """Series for tau to zero: the Laplace image in powers of 1 / sqrt(p), term by term."""
    root, second = np.sqrt(tau / np.pi), alpha**2 - 0.5 * alpha
    if kind == "heating":
        terms = tau - (4.0 / 3.0) * alpha * tau * root + 0.5 * second * tau**2
        return (2.0 * alpha * terms)[:, None]
    value = 1.0 - 2.0 * alpha * root + second * tau
    if kind == "decay":
        return value[:, None]
    with np.errstate(divide="ignore", over="ignore"):
        by_tau = -alpha / (np.pi * root) + second
    return np.column_stack([value, by_tau, -2.0 * root + (2.0 * alpha - 0.5) * tau])


@lru_cache(maxsize=256)
def _weights(alpha: float, contact: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Squares of the nodes, the weights 4 alpha / pi^2 / Delta(u) and their slope with alpha.

    Two grids of one step, shifted by half of it, err with opposite signs. They must agree; and so,
    to the root of that, must those of twice the step, lest a chance zero of the error be trusted.
    """
    step = _STEP
    for _ in range(_HALVINGS):
        squares, weights, by_alpha = _integrand(alpha, contact, 0.5 * step)
        terms = weights * np.exp(np.multiply.outer(-_PROBES, squares))
        quarters = np.stack([terms[:, i::4].sum(axis=1) for i in range(4)])
        total = quarters.sum(axis=0)
        fine = np.abs(quarters[0] + quarters[2] - quarters[1] - quarters[3]) / total
        coarse = 2.0 * np.abs(quarters[0] - quarters[2]) / total
        if fine.max() < _TOLERANCE and coarse.max() < 2.0 * np.sqrt(_TOLERANCE):
            return squares[::2], step * weights[::2], step * by_alpha[::2]
        step *= 0.5
    raise ValueError(
        f"contact is {contact} and alpha {alpha}: the cylinder loses almost no heat through such a "
        "contact resistance, and its decay cannot be computed; give a smaller one"
    )


def _integrand(alpha: float, contact: float, step: float) -> tuple[np.ndarray, ...]:
    from scipy.special import j0, j1, y0, y1

    u = np.exp(_LOW + step * np.arange(round((_HIGH - _LOW) / step)))
    bessel_j, bessel_y = j1(u), y1(u)
    real = u * j0(u) + (contact * u * u - alpha) * bessel_j
    imaginary = u * y0(u) + (contact * u * u - alpha) * bessel_y
    delta = real**2 + imaginary**2
    weights = (4.0 * alpha / np.pi**2) / delta
    by_alpha = weights * (1.0 / alpha + 2.0 * (real * bessel_j + imaginary * bessel_y) / delta)
    return u * u, weights, by_alpha


def _integrals(alpha: float, contact: float, tau: np.ndarray, kind: str) -> np.ndarray:
    """Weighted sums of exp(-tau u^2), or of its integral over tau, in blocks of rising tau."""
    squares, weights, by_alpha = _weights(alpha, contact)
    if kind == "derivatives":
        table = np.column_stack([weights, -weights * squares, by_alpha])
    else:
        table = weights[:, None] * (2.0 * alpha if kind == "heating" else 1.0)
    order = np.argsort(tau)
    out = np.empty((tau.size, table.shape[1]))
    block = max(1, 2 * _ELEMENTS // squares.size)
    for start in range(0, tau.size, block):
        rows = order[start : start + block]
        part = tau[rows]
        # Only a stretch of the nodes needs the exponential: it is below 1e-26 beyond u^2 = 60 /
        # tau, and 1 - tau u^2 to 5e-15 below u^2 = 1e-7 / tau.
        with np.errstate(divide="ignore", over="ignore"):
            low = int(np.searchsorted(squares, 1e-7 / part[-1]))
            high = int(np.searchsorted(squares, 60.0 / part[0]))
        exponent = np.multiply.outer(-part, squares[low:high])
        still, first = table[:low].sum(axis=0), squares[:low] @ table[:low]
        part = part[:, None]
        if kind == "heating":
            np.expm1(exponent, out=exponent)
            exponent /= -squares[low:high]
            settled = (table[high:] / squares[high:, None]).sum(axis=0)
            out[rows] = settled + part * (still - 0.5 * part * first)
        else:
            np.exp(exponent, out=exponent)
            out[rows] = still - part * first
        out[rows] += exponent @ table[low:high]
    return out
