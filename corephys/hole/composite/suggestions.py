"""Ties suggested by correlation of several properties, core after core down the site."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, thresholds
from corephys.ground.arguments import positive
from corephys.ground.choices import choice
from corephys.hole.composite.ties import COLUMNS, DEPTHS, core_tops, depth_of
from corephys.numerics.masked_correlation import Reference, lags, masked_correlation

__all__ = ["suggest"]

_T = thresholds.DEFAULTS
_LEAST = thresholds.count("composite_least_steps")
_SECOND = thresholds.value("composite_second_errors")


@dataclass
class _Core:
    """A core on the grid: its first step, and each property along it."""

    hole: str
    name: str
    top: float
    first: int
    values: np.ndarray  # (properties, steps)


def suggest(
    properties: Mapping[str, Mapping[str, xr.Dataset]],
    cores: Mapping[str, Any],
    *,
    spacing: Any = _T["composite_spacing"],
    largest_shift: Any = _T["composite_largest_shift"],
    least_correlation: float = _T["composite_least_correlation"],
    largest_chance: float = _T["composite_largest_chance"],
    least_overlap: Any = _T["composite_least_overlap"],
    depth: str = "depth",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> pd.DataFrame:
    """Suggest one tie a core, from the top of the site downward.

    Parameters
    ----------
    properties : mapping of hole to mapping of name to Dataset
        Series of each hole by the name of the quantity, with the coordinates core and depth [m];
        such as ``{"A": {"bulk_density": ..., "magnetic_susceptibility": ...}, "B": ...}``. The
        datum is in the hole whose first core begins highest.
    cores : mapping of str to Dataset, DataTree node or DataFrame
        Cores of each hole: core, top [m].
    spacing : Quantity or str
        Step of the grid on which series are compared [cm].
    largest_shift : Quantity or str
        Greatest difference of shift from the core above in the same hole [m].
    least_correlation : float
        Smallest correlation of a suggested tie [1].
    largest_chance : float
        Greatest probability that the correlation of a suggested tie is chance [1].
    least_overlap : Quantity or str
        Shortest overlap of two cores [m].
    depth : {"depth", "depth_closed", "depth_fitted"}
        Scale on which cores are compared, and of the ties: as laid out, with closed voids closed
        up, or also fitted into the advance. In cores with gas voids, distances between beds are
        the same in all holes on the closed scale only.
    allow : tuple of str
        Flag levels of the readings that are used.

    Returns
    -------
    DataFrame
        Ties in the state "suggested": each in the middle of the longest overlap with a core of
        another hole, with correlation, uncertainty [m] and a note with the properties, the number
        of common steps and, if there is one, another shift of similar correlation.

    Raises
    ------
    PositionError
        When a series lacks core or that depth.
    ValueError
        With fewer than two holes, readings farther apart than 1.5 spacings, no reading to compare,
        or an unknown scale of depth.

    Notes
    -----
    Every core is compared with the cores already placed and gets the shift of the largest
    correlation: over properties the mean of atanh r weighted by the common independent steps, less
    three (Fisher 1921). Neighbouring steps are correlated, so that n steps count as
    n / (1 + 2 sum rho^2), rho the autocorrelation of the core (Bartlett 1946, Supplement to the
    Journal of the Royal Statistical Society 8, 27; from memory). The probability that chance alone
    reaches the largest correlation is that of a normal atanh r over the independent shifts
    searched. The standard uncertainty of the shift is sqrt((1 - r^2) / (r n c)) steps, c the
    curvature of r at its peak: the bound of a delay between two noisy copies (Carter 1987,
    Proceedings of the IEEE 75, 236; from memory). It does not include stretching within a core:
    there most features agree within 10 to 20 cm only (common practice).
    """
    if len(properties) < 2:
        raise ValueError(f"{len(properties)} hole is given; ties need at least two")
    depth = choice(depth, DEPTHS, "depth")
    step = float(positive(spacing, "m", "spacing"))
    reach = int(np.ceil(float(positive(largest_shift, "m", "largest_shift")) / step))
    least = max(_LEAST, int(float(positive(least_overlap, "m", "least_overlap")) / step))
    names = sorted({name for held in properties.values() for name in held})
    gridded = _gridded(properties, cores, names, step, depth, allow)
    if not gridded:
        raise ValueError(
            f"properties has no usable reading of {', '.join(names) or 'any quantity'}; give "
            "series with core and depth, or allow more flag levels"
        )
    placed = _Placed(len(names), gridded, reach)
    ties: list[dict[str, Any]] = []
    for number, core in enumerate(gridded):
        if number == 0:
            placed.put(core, 0)
            continue
        expected = placed.expected(core)
        found = _best(placed, core, expected, reach, least)
        if found is None or found.r < least_correlation or found.chance > largest_chance:
            if found is None:  # no overlap: keep the shift of the core above
                placed.put(core, expected)
            continue
        other = placed.partner(core, found.shift + found.part)
        if other is not None:
            row = _tie(len(ties) + 1, core, other, found, names, step)
            ties.append({**row, "depth_scale": depth})
        placed.put(core, found.shift, found.part)
    return pd.DataFrame(ties, columns=list(COLUMNS))


@dataclass
class _Found:
    shift: int
    part: float  # of a step, beyond the whole shift
    r: float
    shared: int
    sigma: float  # steps
    chance: float
    second: int | None
    used: list[int]


class _Placed:
    """Cores already placed on the composite grid: sums and counts of each property."""

    def __init__(self, properties: int, cores: list[_Core], reach: int) -> None:
        ends = [c.first + c.values.shape[1] for c in cores]
        self.margin = reach * (len(cores) + 1)
        self.margin = min(self.margin, 8 * reach)
        size = max(ends) + 2 * self.margin
        self.total = np.zeros((properties, size))
        self.count = np.zeros((properties, size))
        self.shift: dict[tuple[str, str], float] = {}
        self.cores: list[_Core] = []

    def put(self, core: _Core, shift: int, part: float = 0.0) -> None:
        """Add a core at a shift of whole steps and a part of one."""
        at = self.margin + core.first + shift
        piece = slice(at, at + core.values.shape[1])
        values = _moved(core.values, part)
        there = np.isfinite(values)
        self.total[:, piece] += np.where(there, values, 0.0)
        self.count[:, piece] += there
        self.shift[(core.hole, core.name)] = shift + part
        self.cores.append(core)

    def expected(self, core: _Core) -> int:
        """Shift of the core above in the same hole."""
        above = [c for c in self.cores if c.hole == core.hole]
        return round(self.shift[(above[-1].hole, above[-1].name)]) if above else 0

    def mean(self, row: int, piece: slice) -> np.ndarray:
        """Mean of one property over the placed cores, NaN without any."""
        count = self.count[row, piece]
        with np.errstate(invalid="ignore"):
            return np.where(count > 0, self.total[row, piece] / np.maximum(count, 1), np.nan)

    def partner(self, core: _Core, shift: float) -> tuple[_Core, float, float, float] | None:
        """Core of another hole with most overlap, its shift, and the ends of the overlap."""
        best = None
        first, end = core.first + shift, core.first + shift + core.values.shape[1]
        for other in self.cores:
            if other.hole == core.hole:
                continue
            moved = self.shift[(other.hole, other.name)]
            low = max(first, other.first + moved)
            high = min(end, other.first + moved + other.values.shape[1])
            if high > low and (best is None or high - low > best[3] - best[2]):
                best = (other, moved, low, high)
        return best


def _moved(values: np.ndarray, part: float) -> np.ndarray:
    """Values moved down by part of a step, linear between steps."""
    if part == 0.0:
        return values
    other = np.full_like(values, np.nan)
    if part > 0.0:
        other[:, 1:] = values[:, :-1]
    else:
        other[:, :-1] = values[:, 1:]
    return (1.0 - abs(part)) * values + abs(part) * other


def _gridded(
    properties: Mapping[str, Mapping[str, xr.Dataset]],
    cores: Mapping[str, Any],
    names: list[str],
    step: float,
    scale: str,
    allow: tuple[str, ...],
) -> list[_Core]:
    """All cores on one grid, in the order of their tops; values are standardised."""
    found = []
    for number, (hole, held) in enumerate(properties.items()):
        name, top = core_tops(cores[hole])
        per_property = {}
        for quantity, data in held.items():
            per_property[quantity] = _readings(data, quantity, scale, allow)
        _require_dense(hole, per_property, step)
        for core, z in zip(name, top, strict=True):
            piece = _one_core(str(core), per_property, names, step)
            if piece is not None:
                found.append((float(z), number, _Core(hole, str(core), float(z), *piece)))
    return [core for _, _, core in sorted(found, key=lambda item: item[:2])]


def _require_dense(hole: str, held: Mapping[str, Any], step: float) -> None:
    """At least one property must have readings close enough for the grid."""
    apart = []
    for _, depth, values in held.values():
        there = np.isfinite(depth) & np.isfinite(values)
        steps = np.diff(np.sort(depth[there]))
        if there.sum() > 1 and (steps > 0.0).any():
            apart.append(float(np.median(steps[steps > 0.0])))
    if apart and min(apart) > 1.5 * step:
        raise ValueError(
            f"readings of hole {hole!r} lie {min(apart):.3g} m apart, too far for a spacing of "
            f"{step:g} m; give spacing='{100.0 * min(apart):.3g} cm' or more"
        )


def _readings(
    data: xr.Dataset, quantity: str, scale: str, allow: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Core, depth [m] and values less their median, over their robust standard deviation."""
    core, depth = depth_of(data, scale, quantity)
    values = np.asarray(data[quantity].values, dtype=float)
    if f"{quantity}_flag" in data:
        values = np.where(flags.usable(data[f"{quantity}_flag"].values, allow), values, np.nan)
    there = values[np.isfinite(values)]
    level = np.median(there) if there.size else 0.0
    spread = 1.4826 * np.median(np.abs(there - level)) if there.size else 1.0
    return core, depth, (values - level) / (spread or 1.0)


def _one_core(core: str, held: Any, names: list[str], step: float) -> Any:
    """First step and values (properties, steps) of one core, linear between means of a step."""
    pieces = {}
    for quantity, (cores, depth, values) in held.items():
        mine = (cores == core) & np.isfinite(depth) & np.isfinite(values)
        if mine.any():
            # Half steps all go one way: rounding to even would leave every other step empty.
            at = np.floor(depth[mine] / step + (0.5 + 1e-6)).astype(int)
            pieces[quantity] = (at, depth[mine] / step, values[mine])
    if not pieces:
        return None
    first = min(int(at.min()) for at, _, _ in pieces.values())
    size = max(int(at.max()) for at, _, _ in pieces.values()) - first + 1
    grid = np.full((len(names), size), np.nan)
    for quantity, (at, depth, values) in pieces.items():
        count = np.bincount(at - first, minlength=size)
        full = np.flatnonzero(count)
        where = np.bincount(at - first, depth - first, minlength=size)[full] / count[full]
        mean = np.bincount(at - first, values, minlength=size)[full] / count[full]
        grid[names.index(quantity)] = _between(where, mean, size)
    return first, grid


def _between(where: np.ndarray, mean: np.ndarray, size: int) -> np.ndarray:
    """Values at whole steps; NaN if the readings around one are more than 1.5 steps apart."""
    node = np.arange(size, dtype=float)
    after = np.clip(np.searchsorted(where, node), 1, max(where.size - 1, 1))
    if where.size < 2:
        return np.where(np.abs(node - where[0]) < 0.5, mean[0], np.nan)
    close = where[after] - where[after - 1] <= 1.5
    inside = (node >= where[0] - 0.5) & (node <= where[-1] + 0.5)
    on_reading = np.minimum(np.abs(node - where[after]), np.abs(node - where[after - 1])) < 0.05
    return np.where(inside & (close | on_reading), np.interp(node, where, mean), np.nan)


def _best(placed: _Placed, core: _Core, expected: int, reach: int, least: int) -> _Found | None:
    """Shift of the largest joint correlation within reach of the expected one."""
    size = core.values.shape[1]
    start = placed.margin + core.first + expected - reach
    piece = slice(max(start, 0), max(start, 0) + size + 2 * reach)
    weight, steps, joint = np.zeros((3, 2 * reach + 1))
    longest = 1.0
    shared = np.zeros(2 * reach + 1, dtype=int)
    used = []
    for row in range(core.values.shape[0]):
        target = placed.mean(row, piece)
        if not np.isfinite(target).any() or not np.isfinite(core.values[row]).any():
            continue
        ready = Reference.prepare(target, size)
        whole = np.isin(lags(ready), np.arange(2 * reach + 1))
        r, n = (part[whole] for part in masked_correlation(ready, core.values[row], least))
        sound = np.isfinite(r)
        if not sound.any():
            continue
        used.append(row)
        alike = _alike(core.values[row])
        longest = max(longest, alike)
        freedom = np.where(sound, np.maximum(n / alike - 3.0, 0.1), 0.0)
        steps += np.where(sound, n, 0.0)
        joint += freedom * np.arctanh(np.clip(np.where(sound, r, 0.0), -0.999999, 0.999999))
        weight += freedom
        shared = np.maximum(shared, np.where(sound, n, 0))
    if not used:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        together = np.tanh(np.where(weight > 0, joint / weight, -np.inf))
    together = np.where(weight > 0, together, np.nan)
    searched = max((2 * reach + 1) / longest, 1.0)
    return _peak(together, shared, steps, weight, expected - reach, searched, used)


def _alike(values: np.ndarray) -> float:
    """Number of steps that count as one independent step, from the autocorrelation."""
    there = np.isfinite(values)
    x = np.where(there, values - np.mean(values[there]), 0.0)
    size = 1 << int(np.ceil(np.log2(2 * x.size)))
    power = np.fft.irfft(np.abs(np.fft.rfft(x, size)) ** 2, size)[: x.size]
    pairs = np.fft.irfft(np.abs(np.fft.rfft(there.astype(float), size)) ** 2, size)[: x.size]
    rho = power / np.maximum(pairs, 1.0)
    rho = rho / rho[0] if rho[0] > 0.0 else np.eye(1, x.size)[0]
    below = np.flatnonzero(rho <= 0.0)
    end = int(below[0]) if below.size else x.size  # beyond, the estimate is noise
    return float(1.0 + 2.0 * np.sum(rho[1:end] ** 2))


def _peak(
    r: np.ndarray,
    shared: np.ndarray,
    steps: np.ndarray,
    weight: np.ndarray,
    first: int,
    searched: float,
    used: list[int],
) -> _Found:
    """The best shift with its part of a step, uncertainty, chance and second peak."""
    at = int(np.nanargmax(r))
    part, curvature = 0.0, np.nan
    if 0 < at < r.size - 1 and np.isfinite(r[at - 1 : at + 2]).all():
        low, middle, high = r[at - 1 : at + 2]
        curvature = -(low - 2.0 * middle + high)
        if curvature > 0.0:
            part = 0.5 * (high - low) / curvature
    sigma = np.nan
    if curvature > 0.0 and r[at] > 0.0:
        sigma = float(np.sqrt(max(1.0 - r[at] ** 2, 0.0) / (r[at] * steps[at] * curvature)))
    tail = 0.5 * math.erfc(float(np.arctanh(min(r[at], 0.999999)) * np.sqrt(weight[at] / 2.0)))
    chance = float(-np.expm1(searched * np.log1p(-min(tail, 0.5))))
    return _Found(
        first + at,
        float(part),
        float(r[at]),
        int(shared[at]),
        sigma,
        chance,
        _second(r, at, first, weight),
        used,
    )


def _second(r: np.ndarray, at: int, first: int, weight: np.ndarray) -> int | None:
    """Another peak, outside the flanks of the best, whose correlation is not clearly smaller."""
    low, high = at, at
    while low > 0 and r[low - 1] < r[low]:
        low -= 1
    while high < r.size - 1 and r[high + 1] < r[high]:
        high += 1
    rest = np.where((np.arange(r.size) < low) | (np.arange(r.size) > high), r, np.nan)
    if np.isnan(rest).all():
        return None
    other = int(np.nanargmax(rest))
    spread = np.sqrt(2.0 / max(min(weight[at], weight[other]), 1.0))
    near = (
        np.arctanh(min(r[at], 0.999999)) - np.arctanh(min(rest[other], 0.999999)) < _SECOND * spread
    )
    return first + other if near else None


def _tie(
    number: int,
    core: _Core,
    other: tuple[_Core, float, float, float],
    found: _Found,
    names: list[str],
    step: float,
) -> dict[str, Any]:
    """A row of the table: the middle of the overlap, on both sides."""
    partner, moved, low, high = other
    middle = 0.5 * (low + high - 1)
    note = f"{', '.join(names[row].replace('_', ' ') for row in found.used)}; {found.shared} steps"
    note += f"; chance {found.chance:.1g}" if found.chance > 1e-6 else ""
    if found.second is not None:
        apart = (found.second - found.shift) * step
        note += f"; a shift {apart:+.2f} m from this does as well"
    return {
        "tie": str(number),
        "hole": core.hole,
        "core": core.name,
        "depth": (middle - found.shift - found.part) * step,
        "to_hole": partner.hole,
        "to_core": partner.name,
        "to_depth": (middle - moved) * step,
        "uncertainty": found.sigma * step,
        "correlation": found.r,
        "state": "suggested",
        "replaces": "",
        "note": note,
    }
