"""Comparison of a core with a log: smoothing to the aperture, depth shift, bias before and after.

The depths of a core and of a log of the same hole differ by a few decimetres to metres. One value
of a log averages over an aperture that is wider than the step of a scan.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import with_constants
from corephys.ground.vocabulary import term
from corephys.numerics.masked_correlation import Reference, lags, masked_correlation
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Scalar

__all__ = ["compare_with_core", "to_aperture"]

_T = thresholds.DEFAULTS
_ALLOW = ("good", "not_evaluated")
_MOST = 5_000_000  # steps of a log to search for a shift; beyond it memory would not suffice


def to_aperture(
    core: xr.Dataset,
    name: str,
    *,
    at: pint.Quantity | xr.DataArray | xr.Dataset,
    aperture: Scalar = _T["log_aperture"],
    least_share: float = _T["log_least_share"],
    allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:
    """Average a series of a core over the aperture of a log.

    Parameters
    ----------
    core : Dataset, (reading)
        Series of the core with the coordinate depth [m].
    name : str
        Name of the quantity in the vocabulary.
    at : DataArray, Dataset or Quantity
        Depths of the log [m], or a series with the coordinate depth.
    aperture : Quantity or str
        Length of hole over which one value of the log averages [m]; 0.3 to 0.6 m are usual (common
        practice, no source).
    least_share : float
        Share of the aperture that must hold readings [1]; otherwise the value is missing.
    allow : tuple of str
        Flag levels of the readings that are used.

    Returns
    -------
    Dataset
        The quantity along ``reading`` at the depths of the log, with uncertainties: the random
        part is that of a mean, effects are averaged.

    Raises
    ------
    ValueError
        For an aperture that is not above zero.

    Notes
    -----
    Mean of the readings within half an aperture of each depth, each weighted by the length that it
    represents (half way to its neighbours, at most three times the usual step). A velocity is
    averaged as a slowness, because the times through layers add up (definition).
    """
    measured = series.unpack(core, name)
    z = np.asarray(units.as_floats(core["depth"], "m", "depth"), dtype=float)
    values = np.asarray(measured.values, dtype=float)
    use = np.isfinite(values) & np.isfinite(z)
    if f"{name}_flag" in core:
        use &= flags.usable(core[f"{name}_flag"].values, allow)
    index = np.flatnonzero(use)[np.argsort(z[use], kind="stable")]
    picked, depth = series.take(measured, index), z[index]
    along = at["depth"] if "depth" in getattr(at, "coords", {}) else at
    target = np.atleast_1d(np.asarray(units.as_floats(along, "m", "at"), dtype=float))
    half = 0.5 * float(positive(aperture, "m", "aperture"))
    length = _lengths(depth)
    first = np.searchsorted(depth, target - half, side="left")
    end = np.searchsorted(depth, target + half, side="right")
    inverse = name.endswith("velocity")
    x = 1.0 / np.asarray(picked.values) if inverse else np.asarray(picked.values)

    def window(part: np.ndarray) -> np.ndarray:
        return _sums(part, first, end)

    total = window(length)
    full = total >= least_share * 2.0 * half
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(full, window(length * x) / total, np.nan)
        scale = (mean**-2) if inverse else np.ones_like(mean)
        result = 1.0 / mean if inverse else mean
        own = (x**2) if inverse else np.ones_like(x)
        random = np.broadcast_to(np.asarray(picked.u_random, dtype=float), depth.shape)
        u = scale * np.sqrt(window((length * own * random) ** 2)) / total
        effects = {
            source: scale * window(length * own * np.asarray(e, dtype=float)) / total
            for source, e in picked.effects.items()
        }
    words = {"units": "m", "long_name": "depth in the log", "positive": "down"}
    placed = xr.DataArray(result, dims="reading", coords={"depth": ("reading", target, words)})
    return series.build(
        {name: Measured(placed, np.where(full, u, np.nan), effects)},
        steps=(f"mean over an aperture of {2.0 * half:g} m",),
        constants={"aperture": aperture, "least_share": least_share},
        readings_used=int(index.size),
        readings_left_out=int(values.size - index.size),
    )


def _sums(part: np.ndarray, first: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Sum of each window by itself, from ``first`` to before ``end``.

    A cumulative sum would be faster, but one NaN or huge value would spoil all later windows.
    """
    ends = np.column_stack([first, end]).ravel()
    return np.where(end > first, np.add.reduceat(np.append(part, 0.0), ends)[::2], 0.0)


def _lengths(depth: np.ndarray) -> np.ndarray:
    """Length that each reading represents [m]: half way to its neighbours, gaps limited."""
    if depth.size < 2:
        return np.ones_like(depth)
    step = np.diff(depth)
    usual = _usual(step) or 1.0
    step = np.minimum(step, 3.0 * usual)
    return 0.5 * (np.concatenate([[usual], step]) + np.concatenate([step, [usual]]))


def _usual(steps: np.ndarray) -> float:
    """Median of the steps above zero; zero where there is none."""
    rising = steps[steps > 0.0]
    return float(np.median(rising)) if rising.size else 0.0


def compare_with_core(
    core: xr.Dataset,
    log: xr.Dataset,
    name: str,
    *,
    aperture: Scalar = _T["log_aperture"],
    largest_shift: Scalar = _T["log_largest_shift"],
    window: Scalar | None = None,
    least_share: float = _T["log_least_share"],
    allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:
    """Compare a core with a log: depth shift, correlation and bias.

    Parameters
    ----------
    core, log : Dataset, (reading)
        Series of the same quantity, with the coordinate depth [m].
    name : str
        Name of the quantity in the vocabulary.
    aperture : Quantity or str
        Aperture of the log [m]; see :func:`to_aperture`.
    largest_shift : Quantity or str
        Largest shift of the core, up or down [m].
    window : Quantity or str, optional
        Length of core with a shift of its own [m]; one shift for the complete core if not given.
    least_share : float
        Share of a window and of an aperture that must hold readings [1].
    allow : tuple of str
        Flag levels of the readings that are used, of core and log.

    Returns
    -------
    Dataset
        Along ``window``: its ``top`` and ``bottom`` [m] in depths of the core, the ``shift`` [m]
        to add to them, ``correlation_before`` and ``correlation`` [1], ``bias_before`` and
        ``bias`` (core less log) and ``scatter`` (standard deviation of the difference) in the
        unit of the quantity in the vocabulary, ``pairs``, and ``at_limit``, 1 where the best shift
        lies at the search limit and is therefore unreliable. A window with too few readings is
        NaN.

    Raises
    ------
    ValueError
        When core and log share no depth within the largest shift, or the step of the log is too
        fine.

    Notes
    -----
    The core is averaged over the aperture on a grid with the step of the log, and correlated with
    the log at every shift of whole steps. The best shift is refined by a parabola through three
    shifts (definition). A shift that raises the correlation only a little is no evidence: compare
    ``correlation_before``.
    """
    positive(aperture, "m", "aperture")
    measured = series.unpack(log, name)
    z = np.asarray(units.as_floats(log["depth"], "m", "depth"), dtype=float)
    values = np.asarray(measured.values, dtype=float)
    use = np.isfinite(values) & np.isfinite(z)
    if f"{name}_flag" in log:
        use &= flags.usable(log[f"{name}_flag"].values, allow)
    own = np.asarray(units.as_floats(core["depth"], "m", "depth"), dtype=float)
    reach = float(positive(largest_shift, "m", "largest_shift"))
    inside = use & (z >= np.nanmin(own) - reach) & (z <= np.nanmax(own) + reach)
    if inside.sum() < 3:
        raise ValueError(
            f"core ({np.nanmin(own):.1f} to {np.nanmax(own):.1f} m) and log "
            f"({np.nanmin(z):.1f} to {np.nanmax(z):.1f} m) share no depth within {reach:g} m; "
            "bring both to one datum, such as with logs.below_seafloor, or raise largest_shift"
        )
    step = _step(z[inside], float(np.nanmax(own) - np.nanmin(own)) + 2.0 * reach)
    first = int(np.floor((np.nanmin(own) - reach) / step))
    last = int(np.ceil((np.nanmax(own) + reach) / step))
    grid = step * np.arange(first, last + 1)
    reference = _on_grid(grid, z[inside], values[inside], step)
    smooth = to_aperture(
        core,
        name,
        at=units.quantity(grid, "m"),
        aperture=aperture,
        least_share=least_share,
        allow=allow,
    )[name].values
    edges = _edges(own, None if window is None else float(positive(window, "m", "window")))
    rows = [
        _one(grid, smooth, reference, low, high, step, reach, least_share)
        for low, high in itertools.pairwise(edges)
    ]
    unit = units.difference_unit(term(name).unit)  # unpack() has converted to it
    found = _table(np.array(rows), edges, unit, name)
    return with_constants(
        found, aperture=aperture, largest_shift=largest_shift, least_share=least_share
    )


def _step(z: np.ndarray, length: float) -> float:
    """Usual step of a log [m], without repeated depths."""
    step = _usual(np.diff(np.sort(z)))
    if step * _MOST <= length:
        raise ValueError(
            f"the log has steps of {step:g} m, too fine to search {length:g} m of it for a shift; "
            "check that its depths have the unit that its header states"
        )
    return step


def _on_grid(grid: np.ndarray, z: np.ndarray, values: np.ndarray, step: float) -> np.ndarray:
    """Log on the grid; NaN where its readings are more than a step and a half apart."""
    order = np.argsort(z, kind="stable")
    z, values = z[order], values[order]
    after = np.clip(np.searchsorted(z, grid), 1, z.size - 1)
    close = (z[after] - z[after - 1] <= 1.5 * step) & (grid >= z[0]) & (grid <= z[-1])
    return np.where(close, np.interp(grid, z, values), np.nan)


def _edges(depth: np.ndarray, window: float | None) -> np.ndarray:
    """Ends of windows of equal length, at most ``window`` long, that cover the core [m]."""
    low, high = float(np.nanmin(depth)), float(np.nanmax(depth))
    if window is None:
        return np.array([low, high])
    number = max(int(np.ceil((high - low) / window)), 1)
    return low + (high - low) * np.arange(number + 1) / number


def _one(
    grid: np.ndarray,
    smooth: np.ndarray,
    reference: np.ndarray,
    low: float,
    high: float,
    step: float,
    reach: float,
    least_share: float,
) -> tuple[float, ...]:
    """Shift, correlations, biases, scatter, pairs and limit reached, of one window."""
    nothing = (np.nan,) * 6 + (0.0, 0.0)
    # 1e-9 m keeps a node at the edge of a window in it, whatever the rounding of the grid.
    rows = np.flatnonzero((grid >= low - 1e-9) & (grid <= high + 1e-9))
    if rows.size < 3:
        return nothing
    piece = smooth[rows]
    least = max(int(least_share * rows.size), 3)
    if np.isfinite(piece).sum() < least:
        return nothing
    most = int(reach / step)
    beginning = max(rows[0] - most, 0)
    target = reference[beginning : rows[-1] + most + 1]
    if not np.isfinite(target).any():
        return nothing
    ready = Reference.prepare(target, rows.size)
    r, _ = masked_correlation(ready, piece, least)
    moves = lags(ready) + beginning - rows[0]
    r = np.where(np.abs(moves) <= most, r, np.nan)
    before = r[np.flatnonzero(moves == 0)[0]]
    if np.isnan(r).all():
        return nothing
    at = int(np.nanargmax(r))
    part = 0.0
    if 0 < at < r.size - 1 and np.isfinite(r[at - 1 : at + 2]).all():
        bend = r[at - 1] - 2.0 * r[at] + r[at + 1]
        part = 0.5 * (r[at - 1] - r[at + 1]) / bend if bend < 0.0 else 0.0
    move = int(moves[at])
    then = _differences(piece, reference, rows + move)
    now = _differences(piece, reference, rows)
    return (
        (move + part) * step,
        float(before),
        float(r[at]),
        float(np.mean(now)) if now.size else np.nan,
        float(np.mean(then)),
        float(np.std(then, ddof=1)),
        float(then.size),
        float(abs(move) >= most),
    )


def _differences(piece: np.ndarray, reference: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Core less log where both have a value."""
    inside = (rows >= 0) & (rows < reference.size)
    difference = piece[inside] - reference[rows[inside]]
    return difference[np.isfinite(difference)]


def _table(rows: np.ndarray, edges: np.ndarray, unit: str, name: str) -> xr.Dataset:
    """Rows of the windows as a Dataset."""
    words = {
        "shift": ("m", "shift that brings the core onto the log"),
        "correlation_before": ("1", "correlation without a shift"),
        "correlation": ("1", "correlation after the shift"),
        "bias_before": (unit, "core less log without a shift"),
        "bias": (unit, "core less log after the shift"),
        "scatter": (unit, "standard deviation of core less log after the shift"),
        "pairs": ("count", "depths at which both have a value"),
        "at_limit": ("1", "1 where the shift is the largest allowed"),
    }
    ends = {"top": edges[:-1], "bottom": edges[1:]}
    return xr.Dataset(
        {
            key: ("window", rows[:, i], {"units": u, "long_name": text})
            for i, (key, (u, text)) in enumerate(words.items())
        },
        coords={
            key: ("window", values, {"units": "m", "long_name": f"{key} of the window"})
            for key, values in ends.items()
        },
        attrs={"quantity": name},
    )
