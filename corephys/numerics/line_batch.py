"""Many straight lines at once: the weights of one fit laid over all draws of its data."""

from __future__ import annotations

import numpy as np

__all__ = ["estimating_rows", "lines_from_sums"]


def estimating_rows(adjusted: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Two rows of weights whose sums over the data give intercept and slope.

    Parameters
    ----------
    adjusted : ndarray, (n,)
        Positions along x, those of the best line where x has errors too.
    covariance : ndarray, (n, n)
        Of the residuals y - slope x.

    Returns
    -------
    ndarray, (2, n)
        The first row adds up to one, the second to zero.

    Raises
    ------
    ValueError
        For fewer than two points at different places.

    Notes
    -----
    The equations [1, x*]' C^-1 (y - a - b x) = 0 of the generalised line (York and others 2004,
    American Journal of Physics 72, 367), combined so that the first holds a alone.
    """
    if adjusted.size < 2 or np.ptp(adjusted) == 0.0:
        raise ValueError("a line needs two points at different places")
    one, other = np.linalg.solve(covariance, np.column_stack([np.ones(adjusted.size), adjusted])).T
    mean = one / one.sum()
    return np.stack([mean, other - other.sum() * mean])


def lines_from_sums(along_x: np.ndarray, along_y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Intercepts and slopes of many lines from the weighted sums of their data.

    Parameters
    ----------
    along_x, along_y : ndarray, (draws, 2)
        Data times the rows of :func:`estimating_rows`.

    Returns
    -------
    tuple of (draws,) and (draws,) ndarray
        Intercepts and slopes.
    """
    slope = along_y[:, 1] / along_x[:, 1]
    return along_y[:, 0] - slope * along_x[:, 0], slope
