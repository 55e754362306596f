"""Weighted polynomials with their covariance."""

from __future__ import annotations

import numpy as np

__all__ = ["fit_polynomial"]


def fit_polynomial(
    x: np.ndarray, y: np.ndarray, sigma: np.ndarray, order: int
) -> tuple[np.ndarray, np.ndarray, float]:
    """Weighted least-squares polynomial.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    sigma : ndarray, (n,)
        Standard uncertainties of ``y``, in its unit, taken as they are.
    order : int
        Degree.

    Returns
    -------
    tuple of (k,) coefficients, (k, k) covariance and chi-square
        Coefficients of rising powers of ``x``.

    Raises
    ------
    ValueError
        With fewer data than coefficients.

    Notes
    -----
    QR factorisation in the centred and scaled variable u = (x - mean) / span, then mapped to the
    powers of x by the binomial matrix; the normal equations would square the condition number
    (Golub and Van Loan 2013, Matrix Computations, section 5.3).
    """
    if x.size < order + 1:
        raise ValueError(
            f"{x.size} points cannot fix the {order + 1} coefficients of the polynomial"
        )
    centre, span = float(x.mean()), float(np.ptp(x)) or 1.0
    u = (x - centre) / span
    design = np.vander(u, order + 1, increasing=True) / sigma[:, None]
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    scaled = inverse @ (q.T @ (y / sigma))
    residual = y / sigma - design @ scaled
    # u^j as powers of x, one row a power j.
    powers = np.zeros((order + 1, order + 1))
    for j in range(order + 1):
        line = np.polynomial.polynomial.polypow([-centre / span, 1.0 / span], j)
        powers[j, : j + 1] = line
    coefficients = powers.T @ scaled
    covariance = powers.T @ (inverse @ inverse.T) @ powers
    return coefficients, covariance, float(residual @ residual)
