"""A measured value with its errors, errors through a formula, and errors that were observed
together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
# A measured value with all that is known of its error, and how errors go through a formula.


@dataclass
class Measured:
    """Values of one quantity with all that is known of their error.

    Parameters
    ----------
    values : float, ndarray or DataArray
        In the unit of the quantity; any shape.
    u_random : float, ndarray or DataArray
        Random standard uncertainty, broadcastable to ``values``; NaN where unknown.
    effects : dict of str to float, ndarray or DataArray
        Signed one-sigma systematic effects by source, broadcastable to ``values``.
    reason : int, ndarray or DataArray
        Bit mask of :mod:`corephys.ground.flags`.
    used : dict of str to UsedConstant
        Constants that stand behind it, see :mod:`corephys.ground.provenance`; they go into the
        result
        that is built from it.
    """

    values: Any
    u_random: Any = float("nan")
    effects: dict[str, Any] = field(default_factory=dict)
    reason: Any = 0
    used: dict[str, Any] = field(default_factory=dict, repr=False)


def bare(part: Any) -> Any:
    """An array without its coordinates, so that arithmetic does not compare them again."""
    return getattr(part, "variable", part)


def combine(terms: Sequence[tuple[Any, Measured]]) -> tuple[Any, dict[str, Any]]:
    """Propagate uncertainties linearly through a formula.

    Parameters
    ----------
    terms : sequence of (partial derivative, Measured)
        One pair an input. Random parts are taken as independent between inputs; effects of the
        same source add with their signs.

    Returns
    -------
    tuple of random uncertainty and dict of effects
        Broadcast shapes of the inputs.

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
    variance: Any = 0.0
    effects: dict[str, Any] = {}
    for given, measured in terms:
        partial = bare(given)
        variance = variance + (partial * bare(measured.u_random)) ** 2
        for source, effect in measured.effects.items():
            contribution = partial * bare(effect)
            effects[source] = effects[source] + contribution if source in effects else contribution
    return variance**0.5, effects


def norm(effects: Mapping[str, Any]) -> Any:
    """Systematic uncertainty: root of the sum of squared effects.

    Parameters
    ----------
    effects : mapping of str to float or array
        Signed one-sigma effects by source.

    Returns
    -------
    float or array
        NaN when the mapping is empty: no effect known is not no error.
    """
    if not effects:
        return float("nan")
    total_variance: Any = 0.0
    for effect in effects.values():
        total_variance = total_variance + bare(effect) ** 2
    return total_variance**0.5


def covariance_effects(partials: Any, covariance: Any, source: str) -> dict[str, Any]:
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
        return {f"{source}_1": partials[0] * float("nan")}  # no covariance: beyond what floats hold
    scale = np.sqrt(np.diag(covariance))
    scale = np.where(scale > 0, scale, 1.0)
    variances, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    order = np.argsort(variances)[::-1]
    effects: dict[str, Any] = {}
    for number, column in enumerate(order, start=1):
        vector = vectors[:, column]
        # The sign of a direction is free; fixed by its first large part, it holds in any unit.
        vector = vector * np.sign(vector[np.argmax(np.abs(vector) > 0.99 * np.abs(vector).max())])
        weights = vector * scale * np.sqrt(max(variances[column], 0.0))
        effect: Any = 0.0
        for weight, partial in zip(weights, partials, strict=True):
            effect = effect + float(weight) * partial
        effects[f"{source}_{number}"] = effect
    return effects


# --------------------------------------------------------------------------------------------------
# Inputs that were observed together: correlated errors as sources, and degrees of freedom.


def correlated(
    values: Mapping[str, float], uncertainties: Mapping[str, float], correlations: Any, source: str
) -> dict[str, Measured]:
    """Inputs whose errors are correlated, as effects of independent directions.

    Parameters
    ----------
    values, uncertainties : mapping of str to float
        Of each input, in its unit, k = 1.
    correlations : (k, k) array
        Correlation coefficients in the order of the values.
    source : str
        Name of the errors: effects are called ``<source>_1`` to ``<source>_k``.

    Returns
    -------
    dict of str to Measured
        All uncertainty stands in the effects.

    Raises
    ------
    ValueError
        When the names or sizes differ, or the matrix is no matrix of correlations.
    """
    matrix = np.asarray(correlations, dtype=float)
    names, size = list(values), len(values)
    if set(uncertainties) != set(names):
        raise ValueError(
            f"values are of {', '.join(names)} and uncertainties of {', '.join(uncertainties)}; "
            "give one each"
        )
    if matrix.shape != (size, size):
        raise ValueError(
            f"correlations have the shape {matrix.shape}; {size} inputs need {size} by {size}"
        )
    if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1)):
        raise ValueError("correlations are not symmetric with ones on the diagonal")
    if np.linalg.eigvalsh(matrix)[0] < -1e-9:
        raise ValueError("correlations contradict each other: no errors have all of them together")
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
        The i-th values belong together.
    source : str
        Name of the errors, as for :func:`correlated`.

    Returns
    -------
    dict of str to Measured
        Means; n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        When there are fewer than two observations, or not as many of each.

    Notes
    -----
    s(a, b) = sum (a_i - a)(b_i - b) / (n (n - 1)), JCGM 100:2008, 4.2.3 and 5.2.3.
    """
    table = {name: np.asarray(column, dtype=float) for name, column in observations.items()}
    sizes = {name: column.size for name, column in table.items()}
    if len(set(sizes.values())) != 1 or min(sizes.values()) < 2:
        said = ", ".join(f"{count} of {name}" for name, count in sizes.items())
        raise ValueError(f"observations are {said or 'none'}; give two or more, as many of each")
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
        Of one shape; their random parts are independent.

    Returns
    -------
    float or ndarray
        Between -1 and 1; NaN where an uncertainty is not known or zero.

    Notes
    -----
    r = sum of e_s(one) e_s(other) over the shared sources s / (u(one) u(other)), JCGM 100:2008,
    5.2.2.
    """
    shared = sum(
        (
            bare(effect) * bare(other.effects[source])
            for source, effect in one.effects.items()
            if source in other.effects
        ),
        start=0.0,
    )
    whole = [
        bare(part.u_random) ** 2 + sum((bare(e) ** 2 for e in part.effects.values()), start=0.0)
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
        Degrees of freedom of each; ``inf`` for one that is certain.

    Returns
    -------
    float
        Infinite where all are; NaN where one is not known or all uncertainties are zero.

    Raises
    ------
    ValueError
        When there are not as many, or degrees that are not positive.

    Notes
    -----
    nu = u^4 / sum (u_i^4 / nu_i), Welch (1947) and Satterthwaite (1946) as in JCGM 100:2008,
    G.4.1.
    """
    u = np.atleast_1d(np.asarray(uncertainties, dtype=float))
    nu = np.atleast_1d(np.asarray(degrees, dtype=float))
    if u.shape != nu.shape or not u.size:
        raise ValueError(f"{u.size} uncertainties and {nu.size} degrees of freedom; give one each")
    if np.any(nu <= 0):
        raise ValueError(f"degrees of freedom of {nu.min():g} are not possible; give more than 0")
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.sum(u**2) ** 2 / np.sum(u**4 / nu))
