"""Layers between readings that nobody saw: how large they are, and what they add to an integral.

Density about its trend is taken as a first-order Markov process in depth: scatter s, correlation
exp(-d / L). Its integral between two readings has a closed form, and so has its likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corephys.products.stress_column import Inside

__all__ = ["Layering", "estimate", "unseen"]

_STEPS = 24  # of scatter and of length in the search
_MOST = 600  # nodes in the search; closer ones are averaged


@dataclass(frozen=True)
class Layering:
    """Scatter of density about its trend, and how far it is alike.

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
    """Scatter and length, by their likelihood on a grid.

    Parameters
    ----------
    depth : (n,) ndarray
        Rising [m].
    residual : (n,) ndarray
        Densities less their trend [g/cm^3].
    u_random : (n,) ndarray
        Random errors of the densities; unknown ones count as none [g/cm^3].

    Returns
    -------
    Layering
        Scatter zero where the residuals vanish.

    Notes
    -----
    Likelihood of a first-order Markov process with added noise, step by step down the column
    (Kalman 1960, Journal of Basic Engineering 82, 35); means of the logarithms, every value of
    the grid as likely beforehand.
    """
    z, y, noise = _thinned(depth, residual, np.nan_to_num(u_random) ** 2)
    size = float(np.std(y))
    if size == 0.0 or z.size < 5:
        return Layering(size, float(np.median(np.diff(z))) if z.size > 1 else 1.0)
    scatters = size * np.geomspace(0.1, 2.5, _STEPS)
    extent = float(z[-1] - z[0])
    lengths = np.geomspace(max(float(np.median(np.diff(z))) / 4.0, extent / 1e4), extent / 4.0,
                           _STEPS)  # fmt: skip
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
    # All that the readings allow, each as likely as it is. A large scatter over a long length
    # looks like a small one over a short length: in logarithms a straight ridge, with the mean on.
    likely = np.exp(-0.5 * (cost - cost.min()))
    likely /= likely.sum()
    return Layering(
        float(np.exp(likely @ np.log(s2) / 2.0)), float(np.exp(likely @ np.log(length)))
    )


def _thinned(
    z: np.ndarray, y: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Neighbours averaged until few enough nodes are left."""
    each = int(np.ceil(z.size / _MOST))
    starts = np.arange(0, z.size, each)
    number = np.diff(np.append(starts, z.size))
    sums = (np.add.reduceat(a, starts) for a in (z, y, variance / number.repeat(number)))
    mean_z, mean_y, mean_variance = (total / number for total in sums)
    return mean_z, mean_y, mean_variance


def unseen(depth: np.ndarray, layering: Layering, at: Inside, trend: np.ndarray) -> np.ndarray:
    """Random error of an integral of densities, linear between nodes, from what lies between.

    Parameters
    ----------
    depth : (n,) ndarray
        Nodes, rising [m].
    layering : Layering
        Of the density about its trend.
    at : Inside
        Targets.
    trend : (n,) ndarray of bool
        Nodes that are a trend and no reading: their density knows nothing of the layers.

    Returns
    -------
    (m,) ndarray
        [g/cm^3 m].

    Notes
    -----
    Between readings d apart the integral of the process has, given both ends, the variance
    2 s^2 L^2 (u - 2 tanh(u / 2)) with u = d / L, independent from interval to interval. The
    straight line weighs each end by d / 2 in place of the best L tanh(u / 2): the rest, read
    along the column with the correlation of the ends, is added. Beyond the last reading, above
    the first and along a trend the integral is not tied at that end. Derived from the covariance
    s^2 exp(-d / L) of a first-order Markov process.
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
    # Variance of the sum of weight times process, by the recursion of its kind; what lies below a
    # node weighs on it only once the sum goes on.
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
    # Held below the last: what the process does there, and what holding its last value adds.
    drop = past - scale * (1.0 - np.exp(-past / scale))
    found = found + np.where(below, s2 * (scale**2 * _tail(past / scale) + drop**2), 0.0)
    return np.asarray(np.sqrt(found))


def _free(u: np.ndarray) -> np.ndarray:
    """Variance of the integral over a stretch that is tied at no end, in s^2 L^2."""
    return np.asarray(2.0 * (u - 1.0 + np.exp(-u)))


def _tail(u: np.ndarray) -> np.ndarray:
    """The same where the value at one end is known."""
    return np.asarray(_free(u) - (1.0 - np.exp(-u)) ** 2)
