"""A column of densities as plain arrays, and what lies above any depth of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Column", "Inside", "column", "inside", "integral", "random_part"]


@dataclass(frozen=True)
class Column:
    """Densities by depth, one a depth.

    Parameters
    ----------
    depth : (n,) ndarray
        Below seafloor, rising [m].
    density : (n,) ndarray
        [g/cm^3].
    u_random : (n,) ndarray
        [g/cm^3].
    effects : dict of str to (n,) ndarray
        [g/cm^3].
    filled : (n - 1,) ndarray of bool
        Intervals between neighbours that no reading covers.
    """

    depth: np.ndarray
    density: np.ndarray
    u_random: np.ndarray
    effects: dict[str, np.ndarray]
    filled: np.ndarray


@dataclass(frozen=True)
class Inside:
    """Where targets lie in a column: the interval of each, and how far into it.

    Parameters
    ----------
    left : (m,) ndarray of int
        Node above; -1 above the first node.
    into : (m,) ndarray
        Distance below that node, below the seafloor for targets above the first [m].
    """

    left: np.ndarray
    into: np.ndarray


def column(
    depth: np.ndarray, density: np.ndarray, u_random: np.ndarray, effects: dict[str, np.ndarray],
    largest_gap: float,
) -> Column:  # fmt: skip
    """Sort readings by depth and average those at one depth.

    Parameters
    ----------
    depth, density, u_random : (n,) ndarray
        In any order [m], [g/cm^3].
    effects : dict of str to (n,) ndarray
        [g/cm^3].
    largest_gap : float
        Intervals longer than this are filled ones [m].

    Returns
    -------
    Column
        Fewer nodes than readings where depths repeat.
    """
    z, group, number = np.unique(depth, return_inverse=True, return_counts=True)

    def mean(part: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(group, weights=part) / number)

    random = np.sqrt(np.bincount(group, weights=u_random**2)) / number
    parts = {source: mean(effect) for source, effect in effects.items()}
    return Column(z, mean(density), random, parts, np.diff(z) > largest_gap)


def inside(depth: np.ndarray, target: np.ndarray) -> Inside:
    """Find targets among the nodes of a column.

    Parameters
    ----------
    depth : (n,) ndarray
        Of the nodes, rising [m].
    target : (m,) ndarray
        [m]; NaN stays NaN.

    Returns
    -------
    Inside
        One interval a target.
    """
    left = np.searchsorted(depth, target, side="right") - 1
    above = np.where(left >= 0, depth[np.clip(left, 0, None)], 0.0)
    return Inside(left, target - above)


def _last_weights(depth: np.ndarray, at: Inside) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Node left of each target, and what the stretch into its interval weighs on both ends [m]."""
    end = depth.size - 1
    left = np.clip(at.left, 0, end)
    right = np.clip(left + 1, 0, end)
    width = np.where(right > left, depth[right] - depth[left], 1.0)
    share = np.where((right > left) & (at.left >= 0), at.into**2 / (2.0 * width), 0.0)
    return left, at.into - share, share


def integral(depth: np.ndarray, values: np.ndarray, at: Inside) -> np.ndarray:
    """Integral from the seafloor to each target, linear between nodes, ends held.

    Parameters
    ----------
    depth, values : (n,) ndarray
        Nodes [m] and what is integrated.
    at : Inside
        Targets.

    Returns
    -------
    (m,) ndarray
        Unit of the values times m.
    """
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(depth)
    top = depth[0] * values[0]
    total = np.concatenate([[top], top + np.cumsum(steps)])
    left, on_left, on_right = _last_weights(depth, at)
    right = np.clip(left + 1, 0, depth.size - 1)
    above = np.where(at.left >= 0, total[left], 0.0)
    return np.asarray(above + on_left * values[left] + on_right * values[right])


def random_part(depth: np.ndarray, u: np.ndarray, at: Inside) -> np.ndarray:
    """Random error of the integral: every node's own, by the square of its weight.

    Parameters
    ----------
    depth, u : (n,) ndarray
        Nodes [m] and their random errors.
    at : Inside
        Targets.

    Returns
    -------
    (m,) ndarray
        Unit of the errors times m.
    """
    half = np.diff(depth) / 2.0
    above = np.concatenate([[depth[0]], half])  # weight of a node by what lies above it
    full = above + np.concatenate([half, [0.0]])
    done = np.concatenate([[0.0], np.cumsum((full * u) ** 2)])  # nodes with both sides above
    left, on_left, on_right = _last_weights(depth, at)
    right = np.clip(left + 1, 0, depth.size - 1)
    first = np.where(at.left >= 0, above[left], 0.0)
    variance = done[left] + ((first + on_left) * u[left]) ** 2 + (on_right * u[right]) ** 2
    return np.asarray(np.sqrt(variance))
