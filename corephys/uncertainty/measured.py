"""Measured values with their errors, linear propagation, and correlated errors."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = [
    "Measured",
    "combine",
    "correlated",
    "correlation",
    "covariance_effects",
    "effective_degrees_of_freedom",
    "norm",
    "simultaneous",
]

# --------------------------------------------------------------------------------------------------
# Measured values, and linear propagation of their errors.


@dataclass
class Measured:
    """Values of one quantity with their uncertainties, effects and reasons.

    Parameters
    ----------
    values : float, ndarray or DataArray
        Values in the unit of the quantity; any shape.
    u_random : float, ndarray or DataArray
        Random standard uncertainty, broadcastable to ``values``; NaN where unknown.
    effects : dict of str to float, ndarray or DataArray
        Signed one-sigma systematic effects by source, broadcastable to ``values``.
    reason : int, ndarray or DataArray
        Bit mask of :mod:`corephys.ground.flags`.
    used : dict of str to UsedConstant
        Constants that the values depend on, see :mod:`corephys.ground.provenance`; they are
        recorded in the result.
    """

    values: Any
    u_random: Any = float("nan")
    effects: dict[str, Any] = field(default_factory=dict)
    reason: Any = 0
    used: dict[str, Any] = field(default_factory=dict, repr=False)


def without_coords(part: Any) -> Any:
    """An array without its coordinates, so that arithmetic does not compare them again."""
    return getattr(part, "variable", part)


def _plain(parts: list[Any]) -> tuple[Callable[[Any], Any], list[Any]]:
    """Parts as arrays where all have the same dimensions, and what makes them variables again.

    Arithmetic of variables compares dimensions at every step, which takes longer than the
    arithmetic of a few thousand readings.
    """
    parts = [without_coords(part) for part in parts]
    variables = [part for part in parts if hasattr(part, "dims")]
    others = [part for part in parts if not hasattr(part, "dims")]
    if not variables or not variables[0].dims or any(np.ndim(part) for part in others):
        return lambda part: part, parts
    kind, dims = type(variables[0]), variables[0].dims
    if any(part.dims != dims for part in variables):
        return lambda part: part, parts
    return (
        lambda part: kind(dims, part) if np.ndim(part) else part,
        [getattr(part, "data", part) if hasattr(part, "dims") else part for part in parts],
    )


def combine(terms: Sequence[tuple[Any, Measured]]) -> tuple[Any, dict[str, Any]]:
    """Propagate uncertainties linearly through a formula.

    Parameters
    ----------
    terms : sequence of (partial derivative, Measured)
        One pair an input. Random parts are independent between inputs; effects of one source add
        with their signs.

    Returns
    -------
    tuple of random uncertainty and dict of effects
        Uncertainties in the unit of the result, broadcast over the inputs.

    Notes
    -----
    u_random^2 = sum (df/dx_i u_i)^2 and effect_s = sum df/dx_i effect_i,s: the law of
    propagation of uncertainty with full correlation inside a source (JCGM 100:2008, 5.1, 5.2).

    Examples
    --------
    >>> length = Measured(2.0, 0.1, {"ruler": 0.02})
    >>> width = Measured(3.0, 0.1, {"ruler": 0.03})
    >>> u, effects = combine([(3.0, length), (2.0, width)])
    >>> round(effects["ruler"], 3)
    0.12
    """
    wrap, parts = _plain(
        [p for given, m in terms for p in (given, m.u_random, *m.effects.values())]
    )
    part = iter(parts)
    variance: Any = 0.0
    effects: dict[str, Any] = {}
    # As in arithmetic of variables: an infinite slope gives an unknown uncertainty, no warning.
    with np.errstate(all="ignore"):
        for _, measured in terms:
            partial = next(part)
            variance = variance + (partial * next(part)) ** 2
            for source in measured.effects:
                added = partial * next(part)
                effects[source] = effects[source] + added if source in effects else added
        spread = variance**0.5
    return wrap(spread), {source: wrap(effect) for source, effect in effects.items()}


def norm(effects: Mapping[str, Any]) -> Any:
    """Systematic uncertainty: root of the sum of squared effects.

    Parameters
    ----------
    effects : mapping of str to float or array
        Signed one-sigma effects by source.

    Returns
    -------
    float or array
        NaN for an empty mapping: without a known effect, the uncertainty is unknown and not zero.
    """
    if not effects:
        return float("nan")
    wrap, parts = _plain(list(effects.values()))
    total_variance: Any = 0.0
    with np.errstate(all="ignore"):
        for effect in parts:
            total_variance = total_variance + effect**2
        return wrap(total_variance**0.5)


def covariance_effects(
    partials: Sequence[Any] | np.ndarray, covariance: Any, source: str
) -> dict[str, Any]:
    """Turn a covariance matrix of shared coefficients into independent named effects.

    Parameters
    ----------
    partials : sequence of k arrays
        Derivatives of the result with respect to each coefficient.
    covariance : (k, k) ndarray
        Covariance of the coefficients; NaN for unknown.
    source : str
        Name of the source; effects are called ``<source>_1`` to ``<source>_k``.

    Returns
    -------
    dict of str to array
        One effect a principal direction of the covariance, largest first.
    """
    covariance = np.asarray(covariance, dtype=float)
    if not np.isfinite(covariance).all() or (np.diag(covariance) < 0.0).any():
        # An unknown covariance, or one beyond the range of floats: one unknown effect.
        return {f"{source}_1": partials[0] * float("nan")}
    # The eigenvectors of the correlations, not of the covariance, do not depend on units.
    scale = np.sqrt(np.diag(covariance))
    scale = np.where(scale > 0, scale, 1.0)
    variances, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    order = np.argsort(variances)[::-1]
    effects: dict[str, Any] = {}
    for number, column in enumerate(order, start=1):
        vector = vectors[:, column]
        # The sign of an eigenvector is free. Fixed by its first large part, it is the same in any
        # unit and on any machine.
        vector = vector * np.sign(vector[np.argmax(np.abs(vector) > 0.99 * np.abs(vector).max())])
        weights = vector * scale * np.sqrt(max(variances[column], 0.0))
        effect: Any = 0.0
        for weight, partial in zip(weights, partials, strict=True):
            effect = effect + float(weight) * partial
        effects[f"{source}_{number}"] = effect
    return effects


# --------------------------------------------------------------------------------------------------
# Correlated inputs as sources of error, and degrees of freedom.


def correlated(
    values: Mapping[str, float], uncertainties: Mapping[str, float], correlations: Any, source: str
) -> dict[str, Measured]:
    """Inputs whose errors are correlated, as effects of independent directions.

    Parameters
    ----------
    values, uncertainties : mapping of str to float
        Value and standard uncertainty of each input, in its unit, k = 1.
    correlations : (k, k) array
        Correlation coefficients in the order of the values.
    source : str
        Name of the errors: effects are called ``<source>_1`` to ``<source>_k``.

    Returns
    -------
    dict of str to Measured
        Inputs whose uncertainty is in their effects alone.

    Raises
    ------
    ValueError
        When the names or sizes differ, or the matrix is not one of correlations.
    """
    matrix = np.asarray(correlations, dtype=float)
    names, size = list(values), len(values)
    if set(uncertainties) != set(names):
        raise ValueError(
            f"values are of {', '.join(names)} and uncertainties of {', '.join(uncertainties)}; "
            "give one of each for every input"
        )
    if matrix.shape != (size, size):
        raise ValueError(
            f"correlations have the shape {matrix.shape}; {size} inputs need {size} by {size}"
        )
    if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1)):
        raise ValueError(
            f"correlations differ from their transpose by {np.abs(matrix - matrix.T).max():g} and "
            f"have {np.diag(matrix).min():g} to {np.diag(matrix).max():g} on the diagonal; they "
            "must be symmetric with ones there"
        )
    if np.linalg.eigvalsh(matrix)[0] < -1e-9:
        raise ValueError(
            "the correlations contradict each other (their matrix has the negative eigenvalue "
            f"{np.linalg.eigvalsh(matrix)[0]:g}); lower their sizes until they agree"
        )
    sigma = np.array([float(uncertainties[name]) for name in names])
    covariance = matrix * np.outer(sigma, sigma)
    return {
        name: Measured(float(values[name]), 0.0, covariance_effects(row, covariance, source))
        for name, row in zip(names, np.eye(size), strict=True)
    }


def simultaneous(observations: Mapping[str, Any], source: str) -> dict[str, Measured]:
    """Means of quantities that were observed together, with the correlation of the means.

    Parameters
    ----------
    observations : mapping of str to (n,) array
        Observations of each quantity; the i-th values were observed together.
    source : str
        Name of the errors, as for :func:`correlated`.

    Returns
    -------
    dict of str to Measured
        Means with n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        When there are fewer than two observations, or their numbers differ.

    Notes
    -----
    s(a, b) = sum (a_i - a)(b_i - b) / (n (n - 1)), JCGM 100:2008, 4.2.3 and 5.2.3.
    """
    table = {name: np.asarray(column, dtype=float) for name, column in observations.items()}
    sizes = {name: column.size for name, column in table.items()}
    if len(set(sizes.values())) != 1 or min(sizes.values()) < 2:
        counts = ", ".join(f"{count} of {name}" for name, count in sizes.items())
        raise ValueError(
            f"observations are {counts or 'none'}; give two or more, the same number of each"
        )
    rows = np.array(list(table.values()))
    count = rows.shape[1]
    covariance = np.atleast_2d(np.cov(rows, ddof=1)) / count
    return {
        name: Measured(float(row.mean()), 0.0, covariance_effects(unit, covariance, source))
        for name, row, unit in zip(table, rows, np.eye(len(table)), strict=True)
    }


def correlation(one: Measured, other: Measured) -> Any:
    """Correlation of the errors of two quantities through the sources that they share.

    Parameters
    ----------
    one, other : Measured
        Quantities of one shape with independent random parts.

    Returns
    -------
    float or ndarray
        Correlation between -1 and 1; NaN where an uncertainty is unknown or zero.

    Notes
    -----
    r = sum of e_s(one) e_s(other) over the shared sources s / (u(one) u(other)), JCGM 100:2008,
    5.2.2.
    """
    shared = sum(
        (
            without_coords(effect) * without_coords(other.effects[source])
            for source, effect in one.effects.items()
            if source in other.effects
        ),
        start=0.0,
    )
    whole = [
        without_coords(part.u_random) ** 2
        + sum((without_coords(e) ** 2 for e in part.effects.values()), start=0.0)
        for part in (one, other)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.float64(shared) / np.sqrt(whole[0] * whole[1])


def effective_degrees_of_freedom(uncertainties: Any, degrees: Any) -> float:
    """Degrees of freedom of a combined uncertainty.

    Parameters
    ----------
    uncertainties : (k,) array of float
        Standard uncertainties of the result by source, in one unit.
    degrees : (k,) array of float
        Degrees of freedom of each uncertainty; ``inf`` for an exactly known one.

    Returns
    -------
    float
        Degrees of freedom; infinite if all are, NaN if one is unknown or all uncertainties are 0.

    Raises
    ------
    ValueError
        When the numbers of both differ, or degrees are not positive.

    Notes
    -----
    nu = u^4 / sum (u_i^4 / nu_i), Welch (1947) and Satterthwaite (1946) as in JCGM 100:2008,
    G.4.1.
    """
    u = np.atleast_1d(np.asarray(uncertainties, dtype=float))
    nu = np.atleast_1d(np.asarray(degrees, dtype=float))
    if u.shape != nu.shape or not u.size:
        raise ValueError(
            f"{u.size} uncertainties and {nu.size} degrees of freedom; give one of each"
        )
    if np.any(nu <= 0):
        raise ValueError(f"degrees of freedom of {nu.min():g} are not possible; give more than 0")
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.sum(u**2) ** 2 / np.sum(u**4 / nu))
