"""Information criteria for the choice between fits."""

from __future__ import annotations

import math

__all__ = ["akaike_corrected"]


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
