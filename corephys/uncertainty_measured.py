"""A measured value with all that is known of its error, and how errors go through a formula."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = ["Measured", "combine", "covariance_effects", "norm"]


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
        Bit mask of :mod:`corephys.flags`.
    used : dict of str to UsedConstant
        Constants that stand behind it, see :mod:`corephys.provenance`; they go into the result
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
