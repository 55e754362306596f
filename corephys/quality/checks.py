"""Tests of one series alone, against another sensor, and against samples."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from corephys.ground import constants, mixing, thresholds
from corephys.numerics.rolling import rolling_median, rolling_median_and_mad, window_bounds
from corephys.quality.scan_index import ScanIndex, spacing

__all__ = [
    "below_bound",
    "level",
    "nearest",
    "repeats",
    "robust_scale",
    "rolling_spikes",
    "section_ends",
    "spikes",
    "weak_coupling",
]

# --------------------------------------------------------------------------------------------------
# Tests of one series alone: ends, spikes, weak coupling and repeats.
#
# Every function takes plain arrays and integer codes and returns a mask of suspect readings.


SCALE = 1.4826  # of the median absolute deviation to a standard deviation (normal distribution)
ROUNDING = 1e-6  # cm; far below any offset, far above rounding by a conversion of units
_WIDEST = thresholds.value("spike_scatter_limit")
_WINDOW_FEW = thresholds.count("spike_window_readings")
_FEW = thresholds.count("spike_core_readings")
_REACH = thresholds.value("spike_neighbour_reach")  # cm
_SIDE = thresholds.value("spike_side_share")
_LONELY = thresholds.value("spike_lonely")


def section_ends(places: ScanIndex, reach: float) -> np.ndarray:
    """Readings whose response extends beyond the section.

    Parameters
    ----------
    places : ScanIndex
        Positions of the readings.
    reach : float
        Distance to the end up to which a reading is suspect [cm].

    Returns
    -------
    (n,) ndarray of bool
        False where the length of the section is unknown.
    """
    with np.errstate(invalid="ignore"):
        return places.to_end <= reach + ROUNDING


def level(values: np.ndarray, places: ScanIndex, window: float) -> np.ndarray:
    """Running median along each core and pass.

    Parameters
    ----------
    values : (n,) ndarray
        NaN is passed over.
    places : ScanIndex
        Positions of the readings.
    window : float
        Length of core in the window [cm].

    Returns
    -------
    (n,) ndarray
        Median in the unit of the values; NaN where the window holds no value.
    """
    found = np.empty(np.shape(values))
    ordered = np.asarray(values, dtype=float)[places.by_core]
    found[places.by_core] = rolling_median(ordered, places.core_starts, _readings(places, window))
    return found


def _readings(places: ScanIndex, window: float) -> int:
    """Readings in a window of that length of core [cm], odd."""
    step = spacing(places)
    return 1 if np.isnan(step) else max(round(window / step), 1) // 2 * 2 + 1


def _rolling(
    values: np.ndarray, order: np.ndarray, starts: np.ndarray, places: ScanIndex, window: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Median, median absolute deviation and number of values of the windows."""
    size = _readings(places, window)
    ordered = np.asarray(values, dtype=float)[order]
    back = np.empty((3, ordered.size))
    back[0, order], back[1, order] = rolling_median_and_mad(ordered, starts, size)
    sums = np.append(0, np.cumsum(np.isfinite(ordered)))
    first, last = window_bounds(ordered.size, starts, size)
    back[2, order] = sums[last] - sums[first]
    return back[0], back[1], back[2]


def robust_scale(residual: np.ndarray, places: ScanIndex) -> np.ndarray:
    """Standard deviation of the residuals of each core, from their median absolute deviation.

    Parameters
    ----------
    residual : (n,) ndarray
        About zero; NaN is passed over.
    places : ScanIndex
        Positions of the readings.

    Returns
    -------
    (n,) ndarray
        One value for each core and pass; that of all readings for a core of fewer than twenty.
    """
    size = np.abs(np.asarray(residual, dtype=float))
    valid = np.isfinite(size)
    whole = SCALE * np.median(size[valid]) if valid.any() else float("nan")
    found = np.full(size.shape, whole)
    bounds = np.append(places.core_starts, size.size)
    for start, stop in pairwise(bounds):
        here = places.by_core[start:stop]
        inside = size[here][valid[here]]
        if inside.size >= _FEW:
            found[here] = SCALE * np.median(inside)
    return found


def neighbour_residual(
    values: np.ndarray, places: ScanIndex, each_side: int = 2, reach: float = _REACH
) -> tuple[np.ndarray, np.ndarray]:
    """Difference of each reading from the median of its neighbours in the section.

    Parameters
    ----------
    values : (n,) ndarray
        NaN is passed over: the next reading beyond it is the neighbour.
    places : ScanIndex
        Positions of the readings.
    each_side : int
        Neighbours on either side.
    reach : float
        Largest distance of a neighbour [cm]; at least two and a half spacings are allowed.

    Returns
    -------
    tuple of (n,) ndarray
        The difference, NaN with fewer than two neighbours; and the smaller of the differences
        from the nearest neighbour on either side, zero where they have opposite signs.
    """
    x = np.asarray(values, dtype=float)
    order = places.by_section[np.isfinite(x[places.by_section])]
    reach = float(np.fmax(reach, 2.5 * spacing(places)))
    code, run, offset = places.section[order], places.run[order], places.offset[order]
    known, size = x[order], order.size
    near = np.full((2 * each_side, size), np.nan)
    for step in range(1, min(each_side, size - 1) + 1):
        same = (code[step:] == code[:-step]) & (run[step:] == run[:-step])
        same &= offset[step:] - offset[:-step] <= reach
        near[2 * step - 2, step:] = np.where(same, known[:-step], np.nan)
        near[2 * step - 1, : size - step] = np.where(same, known[step:], np.nan)
    sides = known - near[:2]
    near.sort(axis=0)
    count = np.isfinite(near).sum(axis=0)
    columns = np.arange(size)
    low = near[np.maximum(count - 1, 0) // 2, columns]
    high = near[np.minimum(count // 2, 2 * each_side - 1), columns]
    residual, apart = np.full((2, *x.shape), np.nan)
    residual[order] = known - np.where(count >= 2, 0.5 * (low + high), np.nan)
    # At an end of the section there is a neighbour on one side only.
    smaller = np.where(np.isnan(sides), np.inf, np.abs(sides)).min(axis=0)
    apart[order] = np.where(sides[0] * sides[1] < 0.0, 0.0, smaller)
    return residual, apart


def spikes(
    values: np.ndarray,
    noise: float | np.ndarray,
    places: ScanIndex,
    *,
    threshold: float,
    window: float,
    side_share: float = _SIDE,
    passes: int = 3,
) -> np.ndarray:
    """Single readings that differ from their neighbours in the section.

    Parameters
    ----------
    values : (n,) ndarray
        Values of the readings; NaN where a reading is already known to be bad.
    noise : float or (n,) ndarray
        Random standard uncertainty of a reading, NaN where unknown.
    places : ScanIndex
        Positions of the readings.
    threshold : float
        Distance from the neighbours, in standard deviations.
    window : float
        Length of section that gives the scatter [cm].
    side_share : float
        Share of the threshold by which a spike differs from the nearest neighbour on either side,
        in the same direction; a step or a slope does not.
    passes : int
        Number of passes; spikes of one pass are left out of the next.

    Returns
    -------
    (n,) ndarray of bool

    Notes
    -----
    |r - m| > k max(s, u) with r the difference from the median of the two neighbours on either
    side, m the median and s the scaled median absolute deviation of r in the window, and u the
    counting noise of r: the identifier of Hampel (1974), Journal of the American Statistical
    Association 69, 383, made blind to slow change. s lies between once and three times that of
    the core, which alone is used where a window holds fewer than six readings. A reading with
    fewer than two neighbours is judged by the level of its core, at twice the threshold.
    """
    x = np.asarray(values, dtype=float).copy()
    noise = np.nan_to_num(np.broadcast_to(np.asarray(noise, dtype=float), x.shape))
    found = np.zeros(x.shape, dtype=bool)
    for _ in range(passes):
        residual, apart = neighbour_residual(x, places)
        middle, here, count = _rolling(
            residual, places.by_section, places.section_starts, places, window
        )
        whole = robust_scale(residual, places)
        enough = count >= _WINDOW_FEW
        residual -= np.where(enough, middle, 0.0)
        # A window of spikes has a large scatter, which would hide them: it is limited.
        scatter = np.where(enough, np.clip(SCALE * here, whole, _WIDEST * whole), whole)
        # The median of four readings has about 0.3 of the variance of one (normal noise).
        floor = np.fmax(scatter, noise * np.sqrt(1.3))
        with np.errstate(invalid="ignore"):
            beyond = np.abs(residual) > threshold * floor
            beyond &= apart > side_share * threshold * floor
        # Of two neighbours that differ, only the one with the larger residual is flagged in a pass.
        beyond &= _largest_near(np.abs(residual) / np.where(floor > 0, floor, 1.0), places)
        if not beyond.any():
            break
        found |= beyond
        x[beyond] = np.nan
    return found | _lonely(x, residual, noise, places, threshold, window)


def _lonely(
    x: np.ndarray,
    residual: np.ndarray,
    noise: np.ndarray,
    places: ScanIndex,
    threshold: float,
    window: float,
) -> np.ndarray:
    """Readings without two neighbours that differ from the level of their core.

    The threshold is doubled: the level follows the sediment less closely than neighbours do.
    """
    away = x - level(x, places, 3.0 * window)
    scatter = np.fmax(robust_scale(away, places), noise)
    alone = np.isfinite(x) & np.isnan(residual)
    with np.errstate(invalid="ignore"):
        return np.asarray(alone & (np.abs(away) > _LONELY * threshold * scatter))


def rolling_spikes(
    values: np.ndarray,
    noise: float | np.ndarray,
    places: ScanIndex,
    *,
    threshold: float,
    window: float,
) -> np.ndarray:
    """Readings that differ from the rolling median of their section.

    Parameters
    ----------
    values : (n,) ndarray
        NaN where a reading is already known to be bad.
    noise : float or (n,) ndarray
        Random standard uncertainty of a reading, NaN where unknown: the least scatter.
    places : ScanIndex
        Positions of the readings; a window never crosses an end of its section.
    threshold : float
        Distance from the median, in standard deviations.
    window : float
        Length of section [cm].

    Returns
    -------
    (n,) ndarray of bool

    Notes
    -----
    |x - m| > k max(1.4826 d, u), m the median of the window and d the median of |x - m| in that
    same window: the identifier of Hampel (1974), Journal of the American Statistical Association
    69, 383. Steps and slopes widen d and pass only in part; see :func:`spikes`.
    """
    x = np.asarray(values, dtype=float)
    middle, here, _ = _rolling(x, places.by_section, places.section_starts, places, window)
    floor = np.fmax(SCALE * here, np.nan_to_num(np.asarray(noise, dtype=float)))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(x - middle) > threshold * floor)


def _largest_near(size: np.ndarray, places: ScanIndex) -> np.ndarray:
    """True where no reading next to it in scan order is larger."""
    ordered = np.nan_to_num(size[places.by_section])
    largest = np.ones(ordered.size, dtype=bool)
    largest[1:] &= ordered[1:] >= ordered[:-1]
    largest[:-1] &= ordered[:-1] >= ordered[1:]
    back = np.empty(ordered.size, dtype=bool)
    back[places.by_section] = largest
    return back


def weak_coupling(
    amplitude: np.ndarray,
    places: ScanIndex,
    *,
    fraction: float,
    hole_fraction: float,
    window: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Pulses that are weak in comparison with their core.

    Parameters
    ----------
    amplitude : (n,) ndarray
        Amplitude of the received pulse, any unit.
    places : ScanIndex
        Positions of the readings.
    fraction : float
        Share of the running median along the core below which coupling is lost.
    hole_fraction : float
        Share of the hole's median below which a complete core has lost coupling.
    window : float
        Length of core for the running median [cm].

    Returns
    -------
    tuple of (n,) ndarray of bool
        Weak pulses, and where a weak pulse is evidence of a gap. It is none where the complete
        core has lost coupling, such as in an annulus of air.
    """
    amplitude = np.asarray(amplitude, dtype=float)
    here = level(amplitude, places, window)
    finite = amplitude[np.isfinite(amplitude)]
    whole = np.median(finite) if finite.size else np.nan
    with np.errstate(invalid="ignore"):
        telling = here > hole_fraction * whole
        weak = (amplitude < fraction * here) | (amplitude < hole_fraction * whole)
    return weak, telling


def repeats(
    values: np.ndarray,
    uncertainty: float | np.ndarray,
    places: ScanIndex,
    *,
    threshold: float,
    doubted: np.ndarray,
) -> np.ndarray:
    """Readings at the same position in two passes that differ by more than their noise.

    Parameters
    ----------
    values, uncertainty : (n,) ndarray
        Random standard uncertainty of each; NaN is never judged.
    places : ScanIndex
        Positions of the readings.
    threshold : float
        Difference that is suspect, in combined standard uncertainties.
    doubted : (n,) ndarray of bool
        Readings already suspect, which are not compared.

    Returns
    -------
    (n,) ndarray of bool
        Both of a pair.
    """
    x = np.where(doubted, np.nan, np.asarray(values, dtype=float))
    u = np.broadcast_to(np.asarray(uncertainty, dtype=float), x.shape)
    order = np.lexsort((places.run, places.offset, places.section))
    first, second = order[:-1], order[1:]
    same = (places.section[first] == places.section[second]) & (
        np.abs(places.offset[first] - places.offset[second]) < ROUNDING
    )
    with np.errstate(invalid="ignore"):
        apart = np.abs(x[first] - x[second]) > threshold * np.hypot(u[first], u[second])
    found = np.zeros(x.shape, dtype=bool)
    pair = same & apart
    found[first[pair]] = True
    found[second[pair]] = True
    return found


# --------------------------------------------------------------------------------------------------
# Tests of one sensor against another, and against the samples.


_C = constants.CONSTANTS
_UNKNOWN = thresholds.value("bound_unknown_velocity")


def nearest(places: ScanIndex, other: ScanIndex, usable: np.ndarray, reach: float) -> np.ndarray:
    """Nearest usable reading of another series in the same section.

    Parameters
    ----------
    places, other : ScanIndex
        Positions of the readings, and of the other series in the same codes.
    usable : (m,) ndarray of bool
        Readings of the other series that may be used.
    reach : float
        Largest distance [cm].

    Returns
    -------
    (n,) ndarray of int
        Row of the other series, -1 where none is near.
    """
    rows = np.flatnonzero(np.asarray(usable, dtype=bool) & np.isfinite(other.tape))
    found = np.full(places.offset.shape, -1)
    if not rows.size:
        return found
    rows = rows[np.argsort(other.tape[rows], kind="stable")]
    tape = other.tape[rows]
    known = np.flatnonzero(np.isfinite(places.tape))
    here = places.tape[known]
    after = np.clip(np.searchsorted(tape, here), 0, rows.size - 1)
    before = np.clip(after - 1, 0, None)
    closer = np.where(np.abs(tape[before] - here) <= np.abs(tape[after] - here), before, after)
    near = np.abs(tape[closer] - here) <= reach + 1e-6
    found[known[near]] = rows[closer[near]]
    return found


def below_bound(
    velocity: np.ndarray,
    uncertainty: float | np.ndarray,
    density: np.ndarray,
    *,
    margin: float,
    grain_density: constants.Constant = _C["grain_density"],
    grain_modulus: constants.Constant = _C["softest_grain_modulus"],
    pore_water_density: constants.Constant = _C["pore_water_density"],
    pore_water_velocity: constants.Constant = _C["sea_water_velocity"],
) -> np.ndarray:
    """Velocities below the lower bound for their density.

    Parameters
    ----------
    velocity, uncertainty : (n,) ndarray
        [m/s]; an unknown uncertainty counts as one per cent of the velocity.
    density : (n,) ndarray
        Bulk density at the same place [g/cm^3].
    margin : float
        Shortfall that is flagged, in standard uncertainties.
    grain_density, grain_modulus, pore_water_density, pore_water_velocity : Constant
        Density [g/cm^3] and bulk modulus [GPa] of the softest usual grains, and density [g/cm^3]
        and speed of sound [m/s] of the pore water.

    Returns
    -------
    (n,) ndarray of bool

    Notes
    -----
    The bound is the suspension of Wood (1941), A Textbook of Sound, with soft grains: gas in the
    pores, cracks or a wrong pick lie below it, a saturated sediment does not.
    """
    rho, v = np.asarray(density, dtype=float), np.asarray(velocity, dtype=float)
    rg, rf = grain_density.value, pore_water_density.value
    share = np.clip((rg - rho) / (rg - rf), 0.0, 1.0)
    bound = mixing.wood_kernel(
        share, rf * pore_water_velocity.value**2 * 1e-6, grain_modulus.value, rf, rg
    )
    u = np.asarray(uncertainty, dtype=float)
    u = np.where(np.isfinite(u), u, _UNKNOWN * v)
    with np.errstate(invalid="ignore"):
        return np.asarray(v + margin * u < bound)
