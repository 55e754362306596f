"""Errors of a fit whose residuals are correlated along the hole, from means of blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Correlated", "blocks", "correlated", "restricted_maximum", "student_factor"]

# Grid of the search: lengths from a thirtieth of the distance of blocks, which means no
# correlation, to three spans; scatters relative to the root mean square of the block means about
# the fit.
_LENGTHS, _FINE, _SCATTERS = 20, 9, 80
_SHORTEST, _LONGEST = 1.0 / 30.0, 3.0
_LOW, _HIGH = 0.15, 15.0
# Noise of the block means relative to that, which keeps the matrix regular for coincident blocks.
_FLOOR = 1e-4


@dataclass(frozen=True)
class Correlated:
    """Covariance of fitted parameters for correlated residuals.

    Parameters
    ----------
    covariance : ndarray, (k, k)
        Covariance of the parameters, without the factor of Student's t.
    length : float
        e-folding length of the correlation, in the unit of the positions.
    scatter : float
        Standard deviation of the correlated part of the block means, in the unit of the data.
    effective_number : float
        Number of independent readings with the same uncertainty of their mean, one or more.
    degrees_of_freedom : float
        Degrees of freedom of Student's t.
    """

    covariance: np.ndarray
    length: float
    scatter: float
    effective_number: float
    degrees_of_freedom: float

    def few(self, z: np.ndarray, fewest: float, share: float) -> bool:
        """Whether an interval may be much too narrow.

        This holds below the effective number ``fewest``, and if the correlation is longer than
        ``share`` of the span of the positions ``z``.
        """
        return self.effective_number < fewest or self.length > share * float(np.ptp(z))


def blocks(z: np.ndarray, most: int) -> np.ndarray:
    """Number of the block of each reading; readings at one position are of one block.

    Parameters
    ----------
    z : ndarray, (n,)
        Positions, in any order.
    most : int
        Greatest number of blocks.

    Returns
    -------
    ndarray of int, (n,)
        Numbers from 0 along the positions; the numbers of positions of blocks differ by one at
        most.
    """
    places, at = np.unique(z, return_inverse=True)
    count = min(most, places.size)
    return np.asarray(np.arange(places.size) * count // places.size)[at]


def restricted_maximum(
    z: np.ndarray, y: np.ndarray, u: np.ndarray, design: np.ndarray
) -> tuple[float, float]:
    """Length and scatter of an exponential covariance by restricted maximum likelihood.

    Parameters
    ----------
    z : ndarray, (b,)
        Positions.
    y : ndarray, (b,)
        Data.
    u : ndarray, (b,)
        Their independent standard uncertainties, zero where unknown.
    design : ndarray, (b, k)
        Columns of the trend, k < b.

    Returns
    -------
    tuple of length and scatter
        Values in the units of z and y; zeros without a residual, or if u alone is more likely.

    Notes
    -----
    Covariance diag(u^2) + s^2 exp(-|dz| / l), without a nugget beside u. The likelihood is that of
    b - k contrasts orthogonal to the trend (Patterson and Thompson 1971, Biometrika 58, 545; from
    memory). For each length one generalised eigenproblem gives all scatters.
    """
    size, columns = design.shape
    contrasts = np.linalg.qr(design, mode="complete")[0][:, columns:]
    e = contrasts.T @ y
    rms = float(np.sqrt(e @ e / e.size))
    if not rms > 1e-12 * float(np.max(np.abs(y), initial=0.0)):  # rounding
        return 0.0, 0.0
    noise = contrasts.T @ ((u**2 + (_FLOOR * rms) ** 2)[:, None] * contrasts)
    whiten = np.linalg.inv(np.linalg.cholesky(noise)) @ contrasts.T
    e = whiten @ y
    apart = np.abs(z[:, None] - z[None, :])
    scatters = rms * np.geomspace(_LOW, _HIGH, _SCATTERS)

    def best(lengths: np.ndarray) -> tuple[int, float, float]:
        kernel = np.exp(-apart / lengths[:, None, None])
        roots, vectors = np.linalg.eigh(whiten @ kernel @ whiten.T)
        squares = (np.swapaxes(vectors, -1, -2) @ e) ** 2
        variance = 1.0 + scatters[:, None] ** 2 * np.maximum(roots, 0.0)[:, None, :]
        cost = np.sum(np.log(variance) + squares[:, None, :] / variance, axis=-1)
        i, j = np.unravel_index(int(np.argmin(cost)), cost.shape)
        return int(i), float(scatters[j]), float(cost[i, j])

    span = float(np.ptp(z))
    lengths = np.geomspace(span / (size - 1) * _SHORTEST, span * _LONGEST, _LENGTHS)
    i, scatter, cost = best(lengths)
    fine = np.geomspace(lengths[max(i - 1, 0)], lengths[min(i + 1, lengths.size - 1)], _FINE)
    j, other, again = best(fine)
    if min(cost, again) >= float(e @ e):  # the stated uncertainties alone are as likely
        return 0.0, 0.0
    return (float(fine[j]), other) if again < cost else (float(lengths[i]), scatter)


def correlated(
    z: np.ndarray,
    residual: np.ndarray,
    weight: np.ndarray,
    u: np.ndarray | None,
    jacobian: np.ndarray,
    *,
    most_blocks: int,
    least_freedom: int,
) -> Correlated | None:
    """Covariance of weighted least squares whose residuals are correlated along z.

    Parameters
    ----------
    z : ndarray, (n,)
        Positions, in any order.
    residual : ndarray, (n,)
        Data less fit.
    weight : ndarray, (n,)
        Weights of the squares in the fit.
    u : ndarray, (n,), or None
        Stated independent standard uncertainties of the data; None where they are unknown.
    jacobian : ndarray, (n, k)
        Derivatives of the fit by its free parameters.
    most_blocks : int
        Greatest number of block means.
    least_freedom : int
        Least number of degrees of freedom of Student's t.

    Returns
    -------
    Correlated or None
        None where the positions of readings with a weight make fewer than k + 2 blocks, or the
        derivatives are dependent.

    Notes
    -----
    A weighted mean of residuals, uncertainties and derivatives of each of at most ``most_blocks``
    blocks of equal count goes to :func:`restricted_maximum`. With A = (J' W J)^-1 and V the
    covariance of the correlated part of the block means, the covariance of the parameters is
    A J' W (V + diag(u^2)) W J A: that of the weighted fit itself, not of a better one. The
    effective number is that of a weighted mean. Student's t has one degree of freedom less than
    the effective number of readings or blocks, whichever is smaller: length and scatter come from
    the block means.
    """
    kept = weight > 1e-9 * np.max(weight, initial=0.0)  # readings that a robust fit leaves out
    z, residual, weight, jacobian = z[kept], residual[kept], weight[kept], jacobian[kept]
    if not z.size:
        return None
    number = blocks(z, most_blocks)
    count, columns = int(number.max()) + 1, jacobian.shape[1]
    if count < columns + 2:
        return None
    size = np.linalg.norm(jacobian * np.sqrt(weight)[:, None], axis=0)
    if not (np.all(size > 0.0) and np.isfinite(jacobian).all()):
        return None
    design = jacobian / size
    normal = (design * weight[:, None]).T @ design
    if np.linalg.cond(normal) > 1e14:
        return None
    total = np.bincount(number, weight)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(number, weight * values) / total)

    stated = np.zeros(z.size) if u is None else u[kept]
    places = mean(z)
    length, scatter = restricted_maximum(
        places,
        mean(residual),
        np.sqrt(np.bincount(number, (weight * stated) ** 2)) / total,
        np.column_stack([mean(column) for column in design.T]),
    )
    kernel = np.eye(count)
    if length > 0.0:
        kernel = np.exp(-np.abs(places[:, None] - places[None, :]) / length)
    inverse = np.linalg.inv(normal)
    score = np.array([np.bincount(number, weight * column) for column in design.T])
    middle = scatter**2 * score @ kernel @ score.T
    middle += (design * ((weight * stated) ** 2)[:, None]).T @ design
    covariance = inverse @ middle @ inverse / np.outer(size, size)

    # Variance of the weighted mean, over what independent readings of the same scatter give it.
    spread = float(np.sum(weight * residual**2)) / max(z.size - columns, 1)
    alone = spread * float(np.sum(weight))
    together = scatter**2 * float(total @ kernel @ total) + float(np.sum((weight * stated) ** 2))
    readings = float(np.sum(weight)) ** 2 / float(np.sum(weight**2))
    effective = readings * min(alone / together, 1.0) if together > 0.0 else readings
    effective = max(effective, 1.0)  # a level that the correlation hides is still one reading
    freedom = max(min(effective, float(count)) - 1.0, float(least_freedom))
    return Correlated(covariance, length, scatter, effective, freedom)


def student_factor(freedom: float) -> float:
    """Half-width of the 68.27 % interval of Student's t over that of the normal distribution.

    Parameters
    ----------
    freedom : float
        Degrees of freedom, above zero.

    Returns
    -------
    float
        One for infinitely many.
    """
    # scipy.stats gives the same numbers and takes half a second to import.
    from scipy.special import ndtr, stdtrit

    return float(stdtrit(freedom, ndtr(1.0)))
