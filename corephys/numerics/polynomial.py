"""Weighted polynomials with their covariance, and the information criterion that chooses between
fits."""

from __future__ import annotations

import math

import numpy as np

__all__ = ["akaike_corrected", "fit_polynomial"]

# --------------------------------------------------------------------------------------------------
# Weighted polynomials with their covariance.


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
            f"{x.size} points cannot fix the {order + 1} coefficients of the polynomial; give more "
            "points, or lower order"
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


# --------------------------------------------------------------------------------------------------
# Information criteria for the choice between fits.


def akaike_corrected(chi_square: float, points: int, parameters: int) -> float:
    """Akaike's information criterion for small samples, with known standard uncertainties.

    Parameters
    ----------
    chi_square : float
        Weighted sum of squared residuals, 1.
    points, parameters : int
        Numbers of data and of fitted parameters.

    Returns
    -------
    float
        AICc up to a constant that fits to the same data share; infinite where the sample is too
        small for the correction.

    Notes
    -----
    chi^2 + 2 k + 2 k (k + 1) / (n - k - 1): Hurvich and Tsai (1989), Biometrika 76, 297, with the
    Gaussian likelihood of known variances.

    Examples
    --------
    >>> akaike_corrected(10.0, 12, 2)
    15.333333333333334
    """
    spare = points - parameters - 1
    if spare <= 0:
        return math.inf
    return chi_square + 2.0 * parameters + 2.0 * parameters * (parameters + 1) / spare
