"""Propagation of uncertainty through any function: first order, second order, Monte Carlo.

Every error is a number of unit variance: one for the random part of each input, and one for each
source, which changes all inputs with this source together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import thresholds
from corephys.uncertainty.measured import Measured, without_coords

__all__ = ["MonteCarlo", "monte_carlo", "propagate", "second_order"]

_FIRST = 0.1  # step of first differences, in standard uncertainties: error of third order / 600
_SECOND = 0.25  # step of second and third differences: a smaller one would lose digits
# A formula is nonlinear ("bends") where the uncertainty or mean of the draws differs from first
# order by these fractions, and by three times the statistical error of the draws.
_BENT_WIDTH = thresholds.value("second_order_uncertainty")
_BENT_MEAN = thresholds.value("second_order_mean")
_FEWEST = thresholds.count("fewest_draws")
_RANDOM = "random part of "


@dataclass(frozen=True)
class MonteCarlo:
    """Results of a function for randomly drawn inputs.

    Parameters
    ----------
    values : (draws, ...) ndarray
        Result of every draw.
    mean, standard_uncertainty : ndarray
        Mean and standard deviation of the draws, in the shape of one result.
    lower, upper : ndarray
        15.865 % and 84.135 % points: an interval of 68.27 %.
    first_order : Measured
        Result of :func:`propagate`.
    bends : ndarray of bool
        True where first order is not sufficient: the uncertainty of the draws differs by more than
        5 %, or the mean by more than a tenth of it, and by three times its statistical error.
    """

    values: np.ndarray
    mean: np.ndarray
    standard_uncertainty: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    first_order: Measured
    bends: np.ndarray

    def __str__(self) -> str:
        bent = int(np.sum(self.bends))
        if not bent:
            words = "the first order agrees"
        elif self.bends.size == 1:
            words = "the formula bends within the uncertainty: take the drawn interval"
        else:
            words = f"the formula bends in {bent} of {self.bends.size} results"
        return f"{len(self.values)} draws; {words}"


def propagate(function: Callable[..., Any], inputs: Mapping[str, Measured]) -> Measured:
    """Propagate uncertainties through any function by first differences.

    Parameters
    ----------
    function : callable
        Function of the inputs by name, as plain arrays, reading by reading.
    inputs : mapping of str to Measured
        Inputs of one shape, or single values.

    Returns
    -------
    Measured
        Result with its random part and its effects by source; reasons are joined.

    Raises
    ------
    ValueError
        When there is no input.

    Notes
    -----
    Law of propagation of uncertainty (JCGM 100:2008, 5.1.2 and 5.2.2) with derivatives by central
    differences of a tenth of a standard uncertainty.
    """
    values = _values(inputs)
    middle = np.asarray(function(**values), dtype=float)
    variance, effects = np.zeros(middle.shape), {}
    for name, moves in _errors(inputs).items():
        up = function(**_moved(values, [(_FIRST, moves)]))
        down = function(**_moved(values, [(-_FIRST, moves)]))
        change = (np.asarray(up, dtype=float) - down) / (2 * _FIRST)
        if name.startswith(_RANDOM):
            variance = variance + change**2
        else:
            effects[name] = change
    reason: Any = 0
    for part in inputs.values():
        reason = np.bitwise_or(reason, without_coords(part.reason))
    return Measured(middle, np.sqrt(variance), effects, reason)


def second_order(function: Callable[..., Any], inputs: Mapping[str, Measured]) -> Any:
    """Standard uncertainty of a function with the terms of second order.

    Parameters
    ----------
    function, inputs
        Arguments of :func:`propagate`.

    Returns
    -------
    ndarray
        Standard uncertainty of the result from random parts and effects together, k = 1. A large
        difference from first order means that the function is nonlinear.

    Raises
    ------
    ValueError
        When there is no input.

    Notes
    -----
    u^2 = sum f_i^2 + sum sum (f_ij^2 / 2 + f_i f_ijj), derivatives by errors of unit variance
    that are symmetric and, in the next moment, normal (JCGM 100:2008, 5.1.2, note).
    """
    values, h = _values(inputs), _SECOND
    errors = list(_errors(inputs).values())

    def at(*steps: tuple[int, int]) -> np.ndarray:
        moved = _moved(values, [(h * count, errors[i]) for i, count in steps])
        return np.asarray(function(**moved), dtype=float)

    middle = at()
    up, down = ([at((i, sign)) for i in range(len(errors))] for sign in (1, -1))
    variance = np.zeros(middle.shape)
    for i in range(len(errors)):
        bend = (up[i] - 2 * middle + down[i]) / h**2
        third = (at((i, 2)) - 2 * up[i] + 2 * down[i] - at((i, -2))) / (2 * h**3)
        # A central difference includes a sixth of the third derivative, which is subtracted.
        slope = (up[i] - down[i]) / (2 * h) - third * h**2 / 6
        variance = variance + slope**2 + bend**2 / 2 + slope * third
        for j in range(len(errors)):
            if i == j:
                continue
            pp, pm = at((i, 1), (j, 1)), at((i, 1), (j, -1))
            mp, mm = at((i, -1), (j, 1)), at((i, -1), (j, -1))
            cross = (pp - pm - mp + mm) / (4 * h**2)
            third = (pp - 2 * up[i] + pm - mp + 2 * down[i] - mm) / (2 * h**3)
            variance = variance + cross**2 / 2 + slope * third
    return np.sqrt(variance)


def monte_carlo(
    function: Callable[..., Any],
    inputs: Mapping[str, Measured],
    *,
    draws: int = 10_000,
    seed: int = 0,
    at_once: bool = True,
) -> MonteCarlo:
    """Propagate uncertainties through a function by drawing its inputs at random.

    Parameters
    ----------
    function : callable
        Function of the inputs by name, as plain arrays.
    inputs : mapping of str to Measured
        Inputs of one shape, or single values. An unknown uncertainty makes every result NaN.
    draws : int
        Number of draws, ten or more.
    seed : int
        Seed of the random numbers: the same seed gives the same draws.
    at_once : bool
        True calls the function once with all draws along a first dimension, which suits
        arithmetic; False calls it once a draw.

    Returns
    -------
    MonteCarlo
        Draws, mean, standard uncertainty and interval, the first order beside them, and where
        the two disagree.

    Raises
    ------
    ValueError
        When there is no input, or fewer than ten draws.

    Notes
    -----
    Normal distributions (JCGM 101:2008, 6.4.7); one number a draw for a source, which changes all
    readings and inputs with this source together, and one a draw and reading for a random part.
    """
    if draws < _FEWEST:
        raise ValueError(f"{draws} draws are too few for a standard deviation; take at least ten")
    values = _values(inputs)
    moved = _drawn(values, inputs, draws, np.random.default_rng(seed))
    if at_once:
        # Single values get dimensions of length one, so that they broadcast with series.
        most = max(value.ndim for value in values.values())
        laid = {
            n: m.reshape(draws, *[1] * (most + 1 - m.ndim), *m.shape[1:]) for n, m in moved.items()
        }
        results = np.asarray(function(**laid), dtype=float)
    else:
        results = np.array(
            [function(**{n: m[i] for n, m in moved.items()}) for i in range(draws)], dtype=float
        )
    return _summed_up(results, propagate(function, inputs))


def _drawn(
    values: Mapping[str, np.ndarray],
    inputs: Mapping[str, Measured],
    draws: int,
    random: np.random.Generator,
) -> dict[str, Any]:
    """Inputs plus drawn random parts and effects, with the draws along a first dimension."""
    moved: dict[str, Any] = {name: value[None] for name, value in values.items()}
    for name, part in inputs.items():
        shape = (draws, *values[name].shape)
        moved[name] = moved[name] + random.standard_normal(shape) * np.asarray(
            without_coords(part.u_random)
        )
    for source in sorted({s for part in inputs.values() for s in part.effects}):
        number = random.standard_normal(draws)
        for name, part in inputs.items():
            if source in part.effects:
                size = np.asarray(without_coords(part.effects[source]), dtype=float)
                moved[name] = moved[name] + number.reshape(-1, *[1] * values[name].ndim) * size
    return moved


def _summed_up(results: np.ndarray, first: Measured) -> MonteCarlo:
    """Statistics of the draws, and where first order disagrees with them."""
    mean, u = results.mean(axis=0), results.std(axis=0, ddof=1)
    lower, upper = np.percentile(results, [15.865, 84.135], axis=0)
    linear = np.asarray(
        np.sqrt(first.u_random**2 + sum((e**2 for e in first.effects.values()), start=0.0))
    )
    wide = max(_BENT_WIDTH, 3 / np.sqrt(2 * (len(results) - 1)))
    aside = max(_BENT_MEAN, 3 / np.sqrt(len(results)))
    bends = (np.abs(u - linear) > wide * linear) | (np.abs(mean - first.values) > aside * u)
    return MonteCarlo(results, mean, u, lower, upper, first, np.asarray(bends))


def _values(inputs: Mapping[str, Measured]) -> dict[str, np.ndarray]:
    """Values of the inputs as arrays."""
    if not inputs:
        raise ValueError("inputs is empty; give a mapping of names to Measured")
    return {
        name: np.asarray(without_coords(part.values), dtype=float) for name, part in inputs.items()
    }


def _errors(inputs: Mapping[str, Measured]) -> dict[str, dict[str, Any]]:
    """Change of each input by each error of one standard uncertainty."""
    found: dict[str, dict[str, Any]] = {}
    for name, part in inputs.items():
        found[_RANDOM + name] = {name: np.asarray(without_coords(part.u_random), dtype=float)}
        for source, effect in part.effects.items():
            found.setdefault(source, {})[name] = np.asarray(without_coords(effect), dtype=float)
    return {
        key: moves for key, moves in found.items() if any(np.any(m != 0) for m in moves.values())
    }


def _moved(values: Mapping[str, np.ndarray], steps: Any) -> dict[str, Any]:
    """Inputs plus ``size`` standard uncertainties of each error in ``steps``."""
    moved: dict[str, Any] = dict(values)
    for size, moves in steps:
        for name, move in moves.items():
            moved[name] = moved[name] + size * move
    return moved
