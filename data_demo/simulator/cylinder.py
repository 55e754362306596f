"""A perfectly conducting cylinder in an infinite medium, by numerical Laplace inversion.

The transforms are those of Carslaw and Jaeger (1959, Conduction of Heat in Solids, chapter 13);
the inversion is the fixed Talbot contour of Abate and Valko (2004, Int. J. Numer. Meth. Engng
60, 979). Dimensionless: tau = kappa t / a^2, alpha = 2 pi a^2 (rho c) / S with S the cylinder's
heat capacity per length, contact = k / (a H) with H the contact conductance.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import chebyshev
from scipy.special import kve

CONTOUR_POINTS = 24
NODES = 64


def _transform_ratio(sigma, alpha, contact):
    """Return probe impedance and denominator of both transforms; exp(x) scaling cancels."""
    root = np.sqrt(sigma)
    flux = root * kve(1, root)
    probe = kve(0, root) + contact * flux
    return probe, sigma * probe + alpha * flux


def decay_transform(sigma, alpha, contact=0.0):
    """Laplace transform over tau of the cooling of a cylinder that starts at 1."""
    probe, denominator = _transform_ratio(sigma, alpha, contact)
    return probe / denominator


def heating_transform(sigma, alpha, contact=0.0):
    """Laplace transform over tau of the heated cylinder's rise in units of q / (4 pi k)."""
    probe, denominator = _transform_ratio(sigma, alpha, contact)
    return 2.0 * alpha * probe / (sigma * denominator)


def invert(transform, tau, *parameters):
    """Invert `transform(sigma, *parameters)` at every `tau` > 0; relative error about 1e-10."""
    tau = np.atleast_1d(np.asarray(tau, dtype=float))[:, None]
    theta = np.arange(1, CONTOUR_POINTS) * np.pi / CONTOUR_POINTS
    cotangent = 1.0 / np.tan(theta)
    radius = 2.0 * CONTOUR_POINTS / (5.0 * tau)
    sigma = radius * theta * (cotangent + 1j)
    weight = 1.0 + 1j * theta * (1.0 + cotangent**2) - 1j * cotangent
    terms = np.exp(tau * sigma) * transform(sigma, *parameters) * weight
    first = 0.5 * np.exp(radius * tau) * transform(radius + 0j, *parameters)
    total = first[:, 0].real + terms.real.sum(axis=1)
    return radius[:, 0] / CONTOUR_POINTS * total


def smooth_inverse(transform, tau, *parameters):
    """Invert at Chebyshev nodes of ln tau, then evaluate the series at every `tau` > 0.

    Within 1e-6 of :func:`invert` over four decades of tau and much faster for long records.
    """
    tau = np.asarray(tau, dtype=float)
    if tau.size <= NODES:
        return invert(transform, tau, *parameters)
    low, high = np.log(tau.min()), np.log(tau.max())
    nodes = chebyshev.chebpts1(NODES)
    values = invert(transform, np.exp(0.5 * (high - low) * (nodes + 1.0) + low), *parameters)
    series = chebyshev.chebfit(nodes, values, NODES - 1)
    return chebyshev.chebval(2.0 * (np.log(tau) - low) / (high - low) - 1.0, series)


def decay(tau, alpha, contact=0.0):
    """Cooling of a cylinder from 1 towards 0 at `tau` >= 0 (1 at tau = 0)."""
    return _at_start(decay_transform, tau, alpha, contact, start=1.0)


def heating(tau, alpha, contact=0.0):
    """Rise of the heated cylinder in units of q / (4 pi k) at `tau` >= 0."""
    return _at_start(heating_transform, tau, alpha, contact, start=0.0)


def _at_start(transform, tau, alpha, contact, *, start):
    tau = np.asarray(tau, dtype=float)
    result = np.full(tau.shape, start)
    running = tau > 0
    if running.any():
        result[running] = smooth_inverse(transform, tau[running], alpha, contact)
    return result
