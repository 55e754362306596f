"""Density, velocity and impedance as one profile downward: overlaps merged, gaps marked and filled.

Cores overlap where recovery exceeds the drilled length, and leave gaps where it is less. A travel
time needs one value at every depth: a rule settles each case, and the result counts its use.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import arguments, flags, series, thresholds
from corephys.ground.choices import choice, plain_words
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["profile"]

_T = thresholds.DEFAULTS
OVERLAPS = ("average", "upper_core", "lower_core")
FILLS = ("linear", "trend", "none")
_NAMES = ("bulk_density", "p_wave_velocity")


@dataclass(frozen=True)
class _Rows:
    """Readings in the order of depth: depth (n,), core (n,), and the two quantities as arrays."""

    depth: np.ndarray
    core: np.ndarray
    parts: dict[str, Measured]

    def take(self, index: np.ndarray) -> _Rows:
        parts = {name: series.take(part, index) for name, part in self.parts.items()}
        return _Rows(self.depth[index], self.core[index], parts)


def profile(
    density: xr.Dataset | xr.DataArray,
    velocity: xr.Dataset | xr.DataArray,
    *,
    overlap: str = "average",
    merge_within: Scalar = _T["seismic_merge"],
    largest_gap: Scalar = _T["seismic_gap"],
    fill: str = "linear",
    trend: xr.Dataset | None = None,
    fill_spacing: Scalar = _T["seismic_fill_spacing"],
    edge: Scalar = _T["seismic_edge"],
    allow: Sequence[str] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Density, velocity and impedance at increasing depths, without overlaps and with gaps filled.

    Parameters
    ----------
    density, velocity : Dataset or DataArray, (reading)
        ``bulk_density`` [g/cm^3] and ``p_wave_velocity`` [m/s] at the same positions, with depth.
    overlap : {"average", "upper_core", "lower_core"}
        Readings to use where two cores cover one depth: both in the order of depth, or one.
    merge_within : Quantity or str
        Readings no farther apart than this [m] are averaged into one.
    largest_gap : Quantity or str
        A longer step [m] between readings is a gap.
    fill : {"linear", "trend", "none"}
        Fill of a gap: linear between its edges; the trend, shifted to meet both edges; or no rows.
    trend : Dataset, (any one dimension), optional
        ``bulk_density`` and ``p_wave_velocity`` with the coordinate ``depth``, for ``"trend"``.
    fill_spacing, edge : Quantity or str
        Spacing of the rows added in a gap [m]; length of core on either side whose mean is the
        value at its edge [m].
    allow : sequence of str
        Flag levels that are used.

    Returns
    -------
    Dataset, (reading)
        ``bulk_density`` [g/cm^3], ``p_wave_velocity`` [m/s], ``acoustic_impedance`` [MPa s/m];
        ``filled`` is 1 for a row added in a gap, whose reason is ``interpolated_input``. Attributes
        ``readings_left_out``, ``readings_of_other_core``, ``readings_merged``, ``gaps`` [m].

    Raises
    ------
    PositionError
        When density and velocity lie at different positions.
    ValueError
        When fewer than two readings are usable, for an unknown option, or for a trend that does
        not cover the readings.

    Notes
    -----
    Definition. The error of a filled row is estimated by the scatter of the readings beside the
    gap, over a length equal to the gap on either side, about the extended fill: the effect
    ``gap_fill_density`` or ``gap_fill_velocity``. It has one sign for all gaps, which is cautious.
    """
    rows, counts = _usable(density, velocity, allow)
    overlap, fill = choice(overlap, OVERLAPS, "overlap"), choice(fill, FILLS, "fill")
    rows, counts["readings_of_other_core"] = _one_core(rows, overlap)
    rows, counts["readings_merged"] = _merged(
        rows, float(arguments.positive(merge_within, "m", "merge_within", zero=True))
    )
    limit = float(arguments.positive(largest_gap, "m", "largest_gap"))
    gaps = np.flatnonzero(np.diff(rows.depth) > limit)
    listed = [[round(float(z), 3) for z in rows.depth[[i, i + 1]]] for i in gaps]
    filled = np.zeros(rows.depth.size, dtype=np.int8)
    if fill != "none":
        lines = _trend(trend, rows) if fill == "trend" else {}
        spacing = float(arguments.positive(fill_spacing, "m", "fill_spacing"))
        reach = float(arguments.positive(edge, "m", "edge"))
        rows, filled = _fill(rows, gaps, lines, spacing, reach)
    return _dataset(
        rows,
        filled,
        f"gaps of more than {limit:g} m filled: {fill}",
        overlap,
        gaps=json.dumps(listed),
        constants={
            "merge_within": merge_within,
            "largest_gap": largest_gap,
            **({} if fill == "none" else {"fill_spacing": fill_spacing, "edge": edge}),
        },
        **counts,
    )


def _usable(
    density: xr.Dataset | xr.DataArray, velocity: xr.Dataset | xr.DataArray, allow: Sequence[str]
) -> tuple[_Rows, dict[str, int]]:
    """Usable readings in the order of depth."""
    series.require_same_positions(density=density, velocity=velocity)
    parts = {
        name: series.unpack(given, name)
        for name, given in zip(_NAMES, (density, velocity), strict=True)
    }
    array = parts["bulk_density"].values
    if "depth" not in getattr(array, "coords", {}):
        raise ValueError(
            "density and velocity have no coordinate 'depth'; a profile needs it: give series of "
            "cp.depth.place"
        )
    depth = np.atleast_1d(np.asarray(array["depth"].values, dtype=float))
    core = array.coords["core"].values if "core" in array.coords else np.full(depth.size, "")
    use = np.isfinite(depth)
    for name, given in zip(_NAMES, (density, velocity), strict=True):
        values = np.atleast_1d(np.asarray(parts[name].values, dtype=float))
        use &= np.isfinite(values) & (values > 0.0)
        if isinstance(given, xr.Dataset) and f"{name}_flag" in given:
            use &= flags.usable(np.atleast_1d(given[f"{name}_flag"].values), allow)
    index = np.flatnonzero(use)
    if index.size < 2:
        raise series.TooFewError(
            f"{index.size} readings with density and velocity are too few; a profile needs two"
        )
    index = index[np.argsort(depth[index], kind="stable")]
    rows = _Rows(depth, np.asarray(core).astype(object), parts).take(index)
    return rows, {"readings_left_out": int(use.size - index.size)}


def first_of_repeats(index: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Of readings in the order of depth, the first at each."""
    return index[np.concatenate([[True], np.diff(depth[index]) > 0.0])]


def _one_core(rows: _Rows, overlap: str) -> tuple[_Rows, int]:
    """Where two cores cover one depth, the readings of one of them."""
    names = list(dict.fromkeys(rows.core))
    if overlap == "average" or len(names) < 2:
        return rows, 0
    keep = np.ones(rows.depth.size, dtype=bool)
    ends = {n: (rows.depth[rows.core == n].min(), rows.depth[rows.core == n].max()) for n in names}
    names.sort(key=lambda name: ends[name])
    for i, upper in enumerate(names):
        for lower in names[i + 1 :]:
            top, bottom = ends[lower][0], min(ends[upper][1], ends[lower][1])
            if top > bottom:
                break
            other = lower if overlap == "upper_core" else upper
            keep &= ~((rows.core == other) & (rows.depth >= top) & (rows.depth <= bottom))
    return rows.take(np.flatnonzero(keep)), int(np.sum(~keep))


def _merged(rows: _Rows, within: float) -> tuple[_Rows, int]:
    """Readings within a distance of the first of them averaged; depths then increase."""
    depth, starts = rows.depth, [0]
    while True:
        following = int(np.searchsorted(depth, depth[starts[-1]] + within, side="right"))
        if following >= depth.size:
            break
        starts.append(following)
    first = np.array(starts)
    if first.size == depth.size:
        return rows, 0
    count = np.diff(np.append(first, depth.size))

    def mean(values: Any) -> Any:
        return np.add.reduceat(values, first) / count

    parts = {
        name: Measured(
            mean(part.values),
            np.sqrt(np.add.reduceat(np.asarray(part.u_random) ** 2, first)) / count,
            {source: mean(effect) for source, effect in part.effects.items()},
            np.bitwise_or.reduceat(np.asarray(part.reason, dtype=np.int64), first),
        )
        for name, part in rows.parts.items()
    }
    return _Rows(mean(depth), rows.core[first], parts), int(depth.size - first.size)


def _trend(trend: xr.Dataset | None, rows: _Rows) -> dict[str, Any]:
    """The trend of each quantity as a function of depth."""
    if trend is None:
        raise ValueError("fill='trend' needs trend=, a Dataset of bulk_density and p_wave_velocity")
    lines = {}
    for name in _NAMES:
        values = series.unpack(trend, name).values
        depth = np.asarray(values["depth"].values, dtype=float)
        if np.any(np.diff(depth) <= 0.0):
            row = int(np.argmin(np.diff(depth)))
            raise ValueError(
                f"the depths of the trend go from {depth[row]:g} to {depth[row + 1]:g} m; they "
                "must increase from row to row: sort them"
            )
        if depth[0] > rows.depth[0] or depth[-1] < rows.depth[-1]:
            raise ValueError(
                f"the trend of {name} runs from {depth[0]:g} to {depth[-1]:g} m and the readings "
                f"from {rows.depth[0]:g} to {rows.depth[-1]:g} m; extend it to cover them"
            )
        lines[name] = (depth, np.asarray(values, dtype=float))
    return lines


def _fill(
    rows: _Rows, gaps: np.ndarray, lines: dict[str, Any], spacing: float, reach: float
) -> tuple[_Rows, np.ndarray]:
    """The readings with rows added in every gap, in the order of depth."""
    depth, new = [], {name: [] for name in _NAMES}  # type: ignore[var-annotated]
    for i in gaps:
        top, bottom = rows.depth[i], rows.depth[i + 1]
        z = np.linspace(top, bottom, max(int(np.ceil((bottom - top) / spacing)), 2) + 1)[1:-1]
        depth.append(z)
        for name in _NAMES:
            new[name].append(_one_gap(rows, rows.parts[name], int(i), z, lines.get(name), reach))
    filled = np.zeros(rows.depth.size, dtype=np.int8)
    if not depth:
        return rows, filled
    z = np.concatenate([rows.depth, *depth])
    order = np.argsort(z, kind="stable")
    core = np.concatenate([rows.core, np.full(z.size - rows.core.size, "", dtype=object)])
    parts = {}
    for name, short in zip(_NAMES, ("density", "velocity"), strict=True):
        pieces = [replace(rows.parts[name]), *new[name]]
        sources = sorted({s for piece in pieces for s in piece.effects} | {f"gap_fill_{short}"})
        parts[name] = Measured(
            _joined([p.values for p in pieces], pieces)[order],
            _joined([p.u_random for p in pieces], pieces)[order],
            {
                s.replace("gap_fill", f"gap_fill_{short}") if s == "gap_fill" else s: _joined(
                    [p.effects.get(s, 0.0) for p in pieces], pieces
                )[order]
                for s in sources
                if s != f"gap_fill_{short}"
            },
            _joined([p.reason for p in pieces], pieces)[order].astype(np.int64),
        )
    filled = np.concatenate([filled, np.ones(z.size - filled.size, dtype=np.int8)])[order]
    return _Rows(z[order], core[order], parts), filled


def _joined(values: list[Any], pieces: list[Measured]) -> np.ndarray:
    shapes = [np.shape(piece.values) for piece in pieces]
    return np.concatenate([np.broadcast_to(v, s) for v, s in zip(values, shapes, strict=True)])


def _one_gap(
    rows: _Rows, part: Measured, i: int, z: np.ndarray, line: Any, reach: float
) -> Measured:
    """Values across a gap, straight (about the trend) from the mean above to the mean below it."""
    top, bottom = rows.depth[i], rows.depth[i + 1]

    def level(at: Any) -> Any:
        return np.interp(at, *line) if line is not None else np.zeros_like(at)

    def side(length: float, above: bool) -> np.ndarray:
        there = (
            rows.depth[: i + 1] >= top - length
            if above
            else rows.depth[i + 1 :] <= (bottom + length)
        )
        return np.flatnonzero(there) + (0 if above else i + 1)

    # The mean over some length of core: one reading would carry its random error across the gap.
    share = (z - top) / (bottom - top)
    above, below = side(reach, True), side(reach, False)

    def across(values: Any) -> np.ndarray:
        values = np.asarray(values, dtype=float)
        return np.asarray((1.0 - share) * values[above].mean() + share * values[below].mean())

    off = np.asarray(part.values) - level(rows.depth)
    values = level(z) + across(off)
    u = [np.sqrt(np.sum(np.asarray(part.u_random)[s] ** 2)) / s.size for s in (above, below)]
    u_random = np.hypot((1.0 - share) * u[0], share * u[1])
    effects = {source: across(effect) for source, effect in part.effects.items()}
    wide = np.concatenate(
        [side(max(bottom - top, reach), True), side(max(bottom - top, reach), False)]
    )
    carried = np.interp(rows.depth[wide], [top, bottom], [off[above].mean(), off[below].mean()])
    # Fewer than five readings give no scatter: unknown, not zero.
    scatter = float(np.sqrt(np.mean((off[wide] - carried) ** 2))) if wide.size > 4 else np.nan
    effects["gap_fill"] = np.full(z.size, scatter)
    return Measured(values, u_random, effects, np.full(z.size, flags.bit("interpolated_input")))


def _dataset(
    rows: _Rows, filled: np.ndarray, words: str, overlap: str, **attributes: Any
) -> xr.Dataset:
    coordinates = {"depth": ("reading", rows.depth), "core": ("reading", rows.core)}
    rho, speed = (rows.parts[name] for name in _NAMES)
    values = rho.values * speed.values * 1e-3
    u_random, effects = uncertainty.combine(
        [(speed.values * 1e-3, rho), (rho.values * 1e-3, speed)]
    )
    reason = np.bitwise_or(rho.reason, speed.reason)

    def along(array: Any) -> xr.DataArray:
        return xr.DataArray(np.asarray(array, dtype=float), dims="reading", coords=coordinates)

    made = {name: replace(part, values=along(part.values)) for name, part in rows.parts.items()}
    made["acoustic_impedance"] = Measured(along(values), u_random, effects, reason)
    found = series.build(
        made,
        steps=(
            f"readings in the order of depth, overlap: {plain_words(overlap)}",
            words,
            "impedance rho V",
        ),
        **attributes,
    )
    found["core"].attrs = {"long_name": "core; empty for a row added in a gap"}
    found["filled"] = xr.DataArray(
        filled,
        dims="reading",
        attrs={
            "long_name": "1 for a row added in a gap",
            "flag_values": np.array([0, 1], dtype=np.int8),
            "flag_meanings": "read put_into_a_gap",
        },
    )
    return found
