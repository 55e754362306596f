"""Column of densities: usable readings sorted by depth, integrals from the seafloor, and the error
from layers between readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.uncertainty import without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = [
    "Column",
    "Layering",
    "Readings",
]

# --------------------------------------------------------------------------------------------------
# A column of densities as plain arrays, and its integral from the seafloor to any depth.


@dataclass(frozen=True)
class Column:
    """Densities by depth, one for each depth.

    Parameters
    ----------
    depth : (n,) ndarray
        Depth below seafloor, increasing [m].
    density : (n,) ndarray
        Bulk density [g/cm^3].
    u_random : (n,) ndarray
        Random standard uncertainty [g/cm^3].
    effects : dict of str to (n,) ndarray
        Systematic effects [g/cm^3].
    filled : (n - 1,) ndarray of bool
        Intervals between neighbours that are gaps.
    """

    depth: np.ndarray
    density: np.ndarray
    u_random: np.ndarray
    effects: dict[str, np.ndarray]
    filled: np.ndarray


@dataclass(frozen=True)
class _Inside:
    """Positions of targets in a column: the interval of each, and the distance into it.

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
    depth: np.ndarray,
    density: np.ndarray,
    u_random: np.ndarray,
    effects: dict[str, np.ndarray],
    largest_gap: float,
) -> Column:
    """Column of readings in any order [m], [g/cm^3]: sorted, and averaged at one depth."""
    z, group, number = np.unique(depth, return_inverse=True, return_counts=True)

    def mean(part: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(group, weights=part) / number)

    random = np.sqrt(np.bincount(group, weights=u_random**2)) / number
    parts = {source: mean(effect) for source, effect in effects.items()}
    return Column(z, mean(density), random, parts, np.diff(z) > largest_gap)


def inside(depth: np.ndarray, target: np.ndarray) -> _Inside:
    """Interval of each target [m] among the increasing depths of nodes [m]; NaN stays NaN."""
    left = np.searchsorted(depth, target, side="right") - 1
    above = np.where(left >= 0, depth[np.clip(left, 0, None)], 0.0)
    return _Inside(left, target - above)


def _last_weights(depth: np.ndarray, at: _Inside) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Node above each target, and weights [m] of both ends for the distance into the interval."""
    end = depth.size - 1
    left = np.clip(at.left, 0, end)
    right = np.clip(left + 1, 0, end)
    width = np.where(right > left, depth[right] - depth[left], 1.0)
    share = np.where((right > left) & (at.left >= 0), at.into**2 / (2.0 * width), 0.0)
    return left, at.into - share, share


def integral(depth: np.ndarray, values: np.ndarray, at: _Inside) -> np.ndarray:
    """Integral [unit of the values times m] from the seafloor to each target.

    Values are linear between nodes, and constant above the first and below the last.
    """
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(depth)
    top = depth[0] * values[0]
    total = np.concatenate([[top], top + np.cumsum(steps)])
    left, on_left, on_right = _last_weights(depth, at)
    right = np.clip(left + 1, 0, depth.size - 1)
    above = np.where(at.left >= 0, total[left], 0.0)
    return np.asarray(above + on_left * values[left] + on_right * values[right])


def random_part(depth: np.ndarray, u: np.ndarray, at: _Inside) -> np.ndarray:
    """Random error of the integral from the independent errors of the nodes."""
    half = np.diff(depth) / 2.0
    above = np.concatenate([[depth[0]], half])  # weight of a node in the interval above it
    full = above + np.concatenate([half, [0.0]])
    done = np.concatenate(
        [[0.0], np.cumsum((full * u) ** 2)]
    )  # nodes with both of their intervals above the target
    left, on_left, on_right = _last_weights(depth, at)
    right = np.clip(left + 1, 0, depth.size - 1)
    first = np.where(at.left >= 0, above[left], 0.0)
    variance = done[left] + ((first + on_left) * u[left]) ** 2 + (on_right * u[right]) ** 2
    return np.asarray(np.sqrt(variance))


# --------------------------------------------------------------------------------------------------
# Usable densities, sorted and one for each depth.


# State of uncorrected densities; a correction writes its own attribute density_state.
LABORATORY = "as measured in the laboratory: no rebound taken off, water of the laboratory"


@dataclass(frozen=True)
class Readings:
    """Usable densities as a column.

    Parameters
    ----------
    column : Column
        Densities, sorted and one for each depth.
    largest_gap : float
        Greatest distance between readings that is not a gap [m].
    counts : dict
        Numbers of readings used, left out, out of order and in overlapping cores.
    state : str
        Whether the densities are those of the laboratory or corrected to in-situ conditions.
    """

    column: Column
    largest_gap: float
    counts: dict[str, int]
    state: str


def readings_of(density: xr.Dataset, allow: tuple[str, ...], largest_gap: Scalar) -> Readings:
    """Usable densities at or below the seafloor; ValueError for fewer than two, or no depth."""
    if "depth" not in getattr(density, "coords", {}):
        raise ValueError(
            "the density has no depth; give a Dataset with bulk_density and the coordinate depth"
        )
    rho = series.unpack(density, "bulk_density")
    depth = np.asarray(units.as_floats(density["depth"], "m", "depth"), dtype=float)
    values = np.asarray(without_coords(rho.values), dtype=float)
    use = np.isfinite(values) & (depth > -1e-6)  # readings above the seafloor have no weight
    use &= flags.usable(flags.from_reason(np.asarray(without_coords(rho.reason))), allow)
    if use.sum() < 2:
        raise ValueError(f"{int(use.sum())} usable densities; a profile needs two or more")

    def carried(part: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(without_coords(part), dtype=float), values.shape)[use]

    gap = float(positive(largest_gap, "m", "largest_gap"))
    effects = {source: carried(e) for source, e in rho.effects.items()}
    found = column(depth[use], values[use], carried(rho.u_random), effects, gap)
    counts = {
        "readings_used": int(use.sum()),
        "readings_left_out": int((~use).sum()),
        "readings_out_of_order": int((np.diff(depth[use]) < 0.0).sum()),
        "readings_in_overlap": _overlapping(density, depth, use),
    }
    return Readings(found, gap, counts, str(density.attrs.get("density_state", LABORATORY)))


def _overlapping(density: xr.Dataset, depth: np.ndarray, use: np.ndarray) -> int:
    """Number of readings at depths that another core also covers."""
    if "core" not in density.coords:
        return 0
    z = depth[use]
    core = np.broadcast_to(density["core"].values, depth.shape)[use]
    names, of = np.unique(core, return_inverse=True)
    top, bottom = np.full(names.size, np.inf), np.full(names.size, -np.inf)
    np.minimum.at(top, of, z)
    np.maximum.at(bottom, of, z)
    # Number of cores that cover a depth: those that begin above it less those that end above it.
    begun = np.searchsorted(np.sort(top), z, side="right")
    ended = np.searchsorted(np.sort(bottom), z, side="left")
    return int((begun - ended > 1).sum())


# --------------------------------------------------------------------------------------------------
# Layers between readings that were not measured, and the error they add to an integral.
#
# Density about its trend is modelled as a first-order Markov process in depth: scatter s,
# correlation exp(-d / L). Its integral between two readings has a closed form, and so has its
# likelihood.


_STEPS = 24  # of scatter and of length in the search
_MOST = 600  # nodes in the search; closer ones are averaged


@dataclass(frozen=True)
class Layering:
    """Scatter of density about its trend, and its correlation length.

    Parameters
    ----------
    scatter : float
        Standard deviation [g/cm^3].
    length : float
        Distance over which the correlation falls to 1/e [m].
    """

    scatter: float
    length: float


def estimate(depth: np.ndarray, residual: np.ndarray, u_random: np.ndarray) -> Layering:
    """Scatter and correlation length of residuals [g/cm^3], by their likelihood on a grid.

    Unknown random errors count as zero. Likelihood of a first-order Markov process with added
    noise, step by step down the column (Kalman 1960, Journal of Basic Engineering 82, 35); the
    result is the mean of the logarithms, with equal prior probability of all values on the grid.
    """
    z, y, noise = _thinned(depth, residual, np.nan_to_num(u_random) ** 2)
    size = float(np.std(y))
    if size == 0.0 or z.size < 5:
        return Layering(size, float(np.median(np.diff(z))) if z.size > 1 else 1.0)
    scatters = size * np.geomspace(0.1, 2.5, _STEPS)
    extent = float(z[-1] - z[0])
    lengths = np.geomspace(
        max(float(np.median(np.diff(z))) / 4.0, extent / 1e4), extent / 4.0, _STEPS
    )
    s2, length = (a.ravel() for a in np.meshgrid(scatters**2, lengths))
    mean, variance = np.zeros(s2.size), s2.copy()
    cost = np.zeros(s2.size)
    for i in range(z.size):
        if i:
            r = np.exp(-(z[i] - z[i - 1]) / length)
            mean, variance = mean * r, variance * r**2 + s2 * (1.0 - r**2)
        total = variance + noise[i]
        miss = y[i] - mean
        cost += np.log(total) + miss**2 / total
        gain = variance / total
        mean, variance = mean + gain * miss, variance * (1.0 - gain)
    # The mean over the grid, weighted by likelihood. A large scatter over a long length fits as
    # well as a small one over a short length: in logarithms that is a straight ridge, and the mean
    # is on it.
    likely = np.exp(-0.5 * (cost - cost.min()))
    likely /= likely.sum()
    return Layering(
        float(np.exp(likely @ np.log(s2) / 2.0)), float(np.exp(likely @ np.log(length)))
    )


def _thinned(
    z: np.ndarray, y: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Averages of neighbours, so that at most _MOST nodes remain."""
    each = int(np.ceil(z.size / _MOST))
    starts = np.arange(0, z.size, each)
    number = np.diff(np.append(starts, z.size))
    sums = (np.add.reduceat(a, starts) for a in (z, y, variance / number.repeat(number)))
    mean_z, mean_y, mean_variance = (total / number for total in sums)
    return mean_z, mean_y, mean_variance


def unseen(depth: np.ndarray, layering: Layering, at: _Inside, trend: np.ndarray) -> np.ndarray:
    """Random error [g/cm^3 m] of an integral of densities from layers between the nodes.

    ``trend`` marks nodes of a filling, whose density does not include the layers. Between readings
    at a distance d the integral of the process has, given both ends, the variance 2 s^2 L^2 (u - 2
    tanh(u / 2)) with u = d / L, independent from interval to interval. The straight line gives each
    end the weight d / 2 in place of the best, L tanh(u / 2): the difference is added along the
    column with the correlation of the ends. Beyond the last reading, above the first and along a
    trend the integral is not fixed at that end. Derived from the covariance s^2 exp(-d / L) of a
    first-order Markov process.
    """
    s2, scale = layering.scatter**2, layering.length
    if s2 == 0.0:
        return np.zeros(at.into.size)
    d = np.diff(depth)
    u = d / scale
    loose = trend[1:] | trend[:-1]
    own = np.where(loose, _free(u), 2.0 * (u - 2.0 * np.tanh(u / 2.0)))
    rest = np.where(loose, 0.0, d / 2.0 - scale * np.tanh(u / 2.0))
    top = _tail(depth[:1] / scale)[0]
    bridge = s2 * scale**2 * (top + np.concatenate([[0.0], np.cumsum(own)]))
    held = np.concatenate(
        [[depth[0] - scale * (1.0 - np.exp(-depth[0] / scale))], np.zeros(d.size)]
    )
    above = np.concatenate([[0.0], rest]) + held
    weight = above + np.concatenate([rest, [0.0]])
    # Variance of the sum of weight times process, by recursion down the column. The interval below
    # a node adds to its weight only for targets below it.
    line = np.zeros(depth.size)
    carried, total = 0.0, 0.0
    fall = np.exp(-u)
    for i in range(depth.size):
        if i:
            carried *= fall[i - 1]
        line[i] = s2 * (total + above[i] * (above[i] + 2.0 * carried))
        total += weight[i] * (weight[i] + 2.0 * carried)
        carried += weight[i]
    known = np.concatenate([[0.0], depth])
    variance = np.concatenate([[0.0], bridge + line])
    target = np.where(at.left >= 0, depth[np.clip(at.left, 0, None)], 0.0) + at.into
    found = np.interp(target, known, variance)
    below = target > depth[-1]
    past = np.where(below, target - depth[-1], 0.0)
    # Below the last node: variance of the process there, and of the assumption of a constant value.
    drop = past - scale * (1.0 - np.exp(-past / scale))
    found = found + np.where(below, s2 * (scale**2 * _tail(past / scale) + drop**2), 0.0)
    return np.asarray(np.sqrt(found))


def _free(u: np.ndarray) -> np.ndarray:
    """Variance of the integral over an interval with no known end, in s^2 L^2."""
    return np.asarray(2.0 * (u - 1.0 + np.exp(-u)))


def _tail(u: np.ndarray) -> np.ndarray:
    """Variance of the integral where the value at one end is known, in s^2 L^2."""
    return np.asarray(_free(u) - (1.0 - np.exp(-u)) ** 2)
