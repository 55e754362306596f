"""Ages smoothed along depth before differences are taken, with what that does to their errors."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import units
from corephys.ground.arguments import positive
from corephys.uncertainty import bare

__all__ = ["smooth_ages"]


def smooth_ages(
    age: Any, *, depth: Any, age_uncertainty: Any, length: Any
) -> tuple[np.ndarray, np.ndarray]:
    """Smooth ages by a line through the neighbours of every datum.

    Parameters
    ----------
    age : DataArray or Quantity, (n,)
        [kyr], from the top down.
    depth : DataArray or Quantity, (n,)
        [m], not falling. Two data at one depth with different ages enclose a hiatus; nothing is
        smoothed across it.
    age_uncertainty : DataArray, Quantity or str, (n,)
        Standard uncertainty of each [kyr], or one for all; weights are equal where one is not
        known or zero.
    length : Quantity or str
        Standard deviation of the Gaussian weight along depth [m].

    Returns
    -------
    tuple of ndarray
        Ages [kyr], (n,), and the matrix (n, n) that makes them of the ages given: the errors go
        the same way.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a length that is not above zero, or another number of depths or uncertainties.

    Notes
    -----
    Weighted local linear regression (Cleveland 1979, Journal of the American Statistical
    Association 74, 829) with a Gaussian weight. Ages on a straight line stay as they are. Where
    the true rate changes within the length, the smoothed one lags, and no uncertainty says so.
    """
    reach = float(positive(length, "m", "length"))
    a, z, u = (
        np.asarray(bare(units.as_floats(value, unit, name)), dtype=float)
        for value, unit, name in (
            (age, "kyr", "age"), (depth, "m", "depth"),
            (age_uncertainty, "kyr", "age_uncertainty"),
        )
    )  # fmt: skip
    if a.ndim != 1 or z.shape != a.shape or u.shape not in ((), a.shape):
        raise ValueError(
            f"{a.size} ages, {z.size} depths and {u.size} uncertainties do not make rows; give one "
            "of each"
        )
    return smoothing_kernel(a, z, np.broadcast_to(u, a.shape), reach)


def smoothing_kernel(
    age: np.ndarray, depth: np.ndarray, u: np.ndarray, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """Ages [kyr] smoothed over ``reach`` [m], and the matrix that makes them; see smooth_ages."""
    known = np.isfinite(u).all() and (u > 0.0).all()
    weight = 1.0 / u**2 if known else np.ones(age.size)
    matrix = np.zeros((age.size, age.size))
    breaks = np.flatnonzero((np.diff(depth) == 0.0) & (np.diff(age) != 0.0)) + 1
    for part in np.split(np.arange(age.size), breaks):
        z = depth[part]
        for row in part:
            away = (z - depth[row]) / reach
            share = weight[part] * np.exp(-0.5 * away**2)
            # Far neighbours keep a hair of weight: alone, a datum stays where it is.
            root = np.sqrt(np.maximum(share / share.max(), 1e-14))
            design = np.column_stack([np.ones(part.size), away]) * root[:, None]
            matrix[row, part] = np.linalg.pinv(design, rcond=1e-9)[0] * root
    return matrix @ age, matrix
