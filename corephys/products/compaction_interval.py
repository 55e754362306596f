"""Errors of a fit of compaction that admit what neighbours in depth know of each other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from corephys.ground import fitting, thresholds
from corephys.numerics.correlated import correlated, student_factor

__all__ = ["Spread", "independent", "widen"]

_BLOCKS = thresholds.count("interval_blocks")
_FREEDOM = thresholds.count("interval_freedom")
_FEWEST = thresholds.value("interval_fewest")
_SHARE = thresholds.value("interval_share")


@dataclass(frozen=True)
class Spread:
    """How far the readings of a fit are independent.

    Parameters
    ----------
    growth : ndarray, (k,)
        Random uncertainty of each parameter over that of independent readings; NaN where it is not
        known.
    effective_number : float
        Number of independent readings.
    length : float
        e-folding length of the correlation of the residuals [m]; NaN where it was not looked for.
    degrees_of_freedom : float
        Of Student's t, whose factor the uncertainties hold; infinite for the normal distribution.
    factor : float
        That factor.
    few : bool
        The readings are too few, or correlated too far, for an interval that can be trusted.
    """

    growth: np.ndarray
    effective_number: float
    length: float
    degrees_of_freedom: float
    factor: float
    few: bool


def independent(found: fitting.Fit) -> Spread:
    """Readings that are taken as independent.

    Parameters
    ----------
    found : Fit
        With the errors of independent readings, in the units of its parameters.

    Returns
    -------
    Spread
        Growth of one [1].
    """
    growth = np.where(np.isfinite(np.diag(found.covariance)), 1.0, np.nan)
    freedom = np.inf if found.absolute_sigma else float(max(found.degrees_of_freedom, 1))
    return Spread(growth, float(found.points), float("nan"), freedom, 1.0, False)


def widen(
    z: np.ndarray, found: fitting.Fit, weight: np.ndarray, u: np.ndarray | None,
    jacobian: np.ndarray, free: np.ndarray, robust: np.ndarray | None = None,
) -> tuple[fitting.Fit, Spread]:  # fmt: skip
    """Replace the errors of a fit by those of correlated readings.

    Parameters
    ----------
    z : ndarray, (n,)
        Depths [m].
    found : Fit
        With the errors of independent readings.
    weight : ndarray, (n,)
        Weights of the squares.
    u : ndarray, (n,), or None
        Stated random uncertainties.
    jacobian : ndarray, (n, k)
        Derivatives by all parameters.
    free : ndarray of bool, (k,)
        Parameters that are not forced.
    robust : ndarray, (n,), optional
        Robust weights, which are a factor of ``weight``: the covariance is then scaled to that of
        the robust fit.

    Returns
    -------
    tuple of Fit and Spread
        Errors in the units of the parameters, growth [1] and length [m]; the fit as it was given
        where its errors are unknown or the depths are too few.

    Notes
    -----
    ``numerics.correlated`` (Patterson and Thompson 1971, Biometrika 58, 545; from memory). The
    covariance holds the square of the factor of Student's t, so that value and standard uncertainty
    make an interval of 68 %.
    """
    plain = independent(found)
    alone = found.covariance[np.ix_(free, free)]
    if not np.isfinite(alone).all():
        return found, plain
    slopes = jacobian[:, free]
    result = correlated(
        z, found.residual, weight, u, slopes, most_blocks=_BLOCKS, least_freedom=_FREEDOM
    )
    if result is None:
        return found, replace(plain, few=True)
    covariance = result.covariance
    if robust is not None:
        # The influence of a reading falls faster than its weight (Huber 1981, section 7.6).
        inverse = np.linalg.inv((slopes * weight[:, None]).T @ slopes)
        middle = (slopes * ((weight * found.residual) ** 2)[:, None]).T @ slopes
        covariance = covariance * np.mean(np.diag(alone) / np.diag(inverse @ middle @ inverse))
    factor = student_factor(result.degrees_of_freedom)
    full = np.full_like(found.covariance, np.nan)
    full[np.ix_(free, free)] = covariance * factor**2
    with np.errstate(invalid="ignore", divide="ignore"):
        errors = dict(zip(found.errors, np.sqrt(np.diag(full)).tolist(), strict=True))
        growth = np.sqrt(np.diag(full) / np.diag(found.covariance))
    spread = Spread(
        growth, result.effective_number, result.length, result.degrees_of_freedom, factor,
        result.few(z, _FEWEST, _SHARE),
    )  # fmt: skip
    return replace(found, covariance=full, errors=errors), spread
