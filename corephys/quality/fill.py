"""Voids and liners that are not full, from low density and the amplitude of the P-wave.

A run of lost pulses shows where coupling failed. The density in that run, compared with the sound
core around it, separates voids from thin fills. Without pulses the density alone decides, with a
stricter test, because a light bed looks like a thin core.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corephys.ground import thresholds
from corephys.quality.checks import level, robust_scale
from corephys.quality.scan_index import ScanIndex, any_within, runs, spacing

__all__ = ["Pulses", "below_level", "gaps_by_density", "gaps_by_pulse"]

_PASSES = 4  # passes that leave light readings out of the level; more passes change nothing
_LIGHT = thresholds.value("level_exclusion")
_NATURAL_LENGTH = thresholds.value("natural_scatter_length")  # cm


@dataclass(frozen=True)
class Pulses:
    """Coupling of the P-wave scan.

    Parameters
    ----------
    places : ScanIndex
        Positions of the P-wave readings, in the codes of the density.
    lost : (m,) ndarray of bool
        No pulse, or a weak one.
    telling : (m,) ndarray of bool
        Places where a lost pulse is evidence of a gap.
    """

    places: ScanIndex
    lost: np.ndarray
    telling: np.ndarray

    @property
    def reach(self) -> float:
        """Half the distance between two readings [cm]."""
        step = spacing(self.places)
        return 0.0 if np.isnan(step) else 0.5 * step

    def covers(self, places: ScanIndex) -> np.ndarray:
        """Where the other scan has a telling pulse within one spacing."""
        return any_within(places.tape, self.places.tape, self.telling, 2.0 * self.reach)

    def near(self, places: ScanIndex) -> np.ndarray:
        """Where the other scan has a lost, telling pulse within half a spacing."""
        return any_within(places.tape, self.places.tape, self.lost & self.telling, self.reach)

    def lengths(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """First and last position [cm along the tape] of each run of lost pulses, and whether it
        reaches an end of its section."""
        places = self.places
        order = places.by_section
        begin, end = runs((self.lost & self.telling)[order], places.section_starts)
        tape = places.tape[order]
        first, last = tape[begin], tape[end - 1]
        with np.errstate(invalid="ignore"):
            near_end = places.to_end[order] <= 2.0 * self.reach + 1e-6
        touches = near_end[begin] | near_end[end - 1]
        # Two passes over one place give the same run twice; the search needs sorted runs.
        ordered = np.argsort(first, kind="stable")
        return first[ordered], last[ordered], touches[ordered]


def below_level(
    density: np.ndarray, places: ScanIndex, sound: np.ndarray, window: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far each reading lies below the level of the sound core around it.

    The level is a running median from which readings that lie far below it are left out, a few
    times over.

    Parameters
    ----------
    density : (n,) ndarray
        [g/cm^3].
    places : ScanIndex
        Positions of the readings.
    sound : (n,) ndarray of bool
        Readings that may set the level.
    window : float
        Length of core for the level [cm].

    Returns
    -------
    tuple of (n,) ndarray
        Shortfall [g/cm^3], positive where lighter, and the usual scatter about the level.
    """
    sound = np.asarray(sound, dtype=bool).copy()
    for _ in range(_PASSES):
        clean = np.where(sound, density, np.nan)
        reference = level(clean, places, window)
        scatter = robust_scale(reference - clean, places)
        # Light readings are left out: two thin fills in a row would lower the level they are
        # compared with.
        with np.errstate(invalid="ignore"):
            light = sound & (reference - density > _LIGHT * scatter)
        if not light.any():
            break
        sound &= ~light
    return reference - density, scatter


def gaps_by_pulse(
    shortfall: np.ndarray,
    scatter: np.ndarray,
    noise: float | np.ndarray,
    places: ScanIndex,
    pulses: Pulses,
    *,
    threshold: float,
    void_length: float,
    density: np.ndarray,
    void_share: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Voids and thin fills in the runs of lost pulses.

    Parameters
    ----------
    shortfall, scatter : (n,) ndarray
        From :func:`below_level` [g/cm^3].
    noise : (n,) ndarray
        Random standard uncertainty of a density [g/cm^3].
    places : ScanIndex
        Positions of the densities.
    pulses : Pulses
        Pulses of the P-wave scan.
    threshold : float
        Shortfall of a single reading, in standard deviations, that counts as low.
    void_length : float
        A run of lost pulses up to this length, away from the ends of the section, is a void
        [cm]; a longer one, or one at an end, is a liner that is not full.
    density : (n,) ndarray
        [g/cm^3].
    void_share : float
        Share of the level below which the density is a void's, whatever the length.

    Returns
    -------
    tuple of (n,) ndarray of bool
        Void, and liner not full.

    Notes
    -----
    A run is low when the median of its shortfalls exceeds k s / sqrt(1 + L / l): the longer the
    run L against the length l over which natural scatter repeats, the surer its median. Between
    the outermost lost pulses and half a spacing beyond them, a reading must be low by itself.
    """
    void, thin = np.zeros((2, places.offset.size), dtype=bool)
    first, last, touches = pulses.lengths()
    if first.size == 0:
        return void, thin
    tape, reach = places.tape, pulses.reach
    scale = np.fmax(scatter, np.nan_to_num(noise))
    with np.errstate(invalid="ignore"):
        low = shortfall > threshold * scale
        deep = density < (density + shortfall) * (1.0 - void_share)
    order = np.argsort(tape, kind="stable")
    sorted_tape = tape[order]
    slack = reach + 1e-6
    begin = np.searchsorted(sorted_tape, first - slack, "left")
    end = np.searchsorted(sorted_tape, last + slack, "right")
    for run in range(first.size):
        inside = order[begin[run] : end[run]]
        core = inside[(tape[inside] >= first[run] - 1e-6) & (tape[inside] <= last[run] + 1e-6)]
        middle = core if core.size else inside
        known = middle[np.isfinite(shortfall[middle])]
        if known.size == 0:
            continue
        length = last[run] - first[run] + 2.0 * reach
        enough = threshold / np.sqrt(1.0 + length / _NATURAL_LENGTH)
        whole = np.median(shortfall[known]) > enough * np.median(scale[known])
        chosen = inside[low[inside]]
        if whole:
            chosen = np.union1d(chosen, middle)
        short = length <= void_length and not touches[run]
        void[chosen[deep[chosen] | short]] = True
        thin[chosen[~(deep[chosen] | short)]] = True
    return void, thin & ~void


def gaps_by_density(
    shortfall: np.ndarray,
    scatter: np.ndarray,
    noise: float | np.ndarray,
    places: ScanIndex,
    covered: np.ndarray,
    *,
    threshold: float,
    void_share: float,
    least_length: float,
    density: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Voids and thin fills from density alone, where no pulse was measured.

    Parameters
    ----------
    shortfall, scatter, noise : (n,) ndarray
        Shortfall, scatter and noise [g/cm^3]; see :func:`gaps_by_pulse`.
    places : ScanIndex
        Positions of the densities.
    covered : (n,) ndarray of bool
        Readings tested by :func:`gaps_by_pulse`.
    threshold : float
        Shortfall of a single reading that is low, in standard deviations.
    void_share : float
        Share of the level that must be missing for a void.
    least_length : float
        Length of a low run that reaches an end of its section to be a thin fill [cm].
    density : (n,) ndarray
        [g/cm^3].

    Returns
    -------
    tuple of (n,) ndarray of bool
        Void, and liner not full. A light interval inside a section is not flagged: it may be
        sediment.
    """
    scale = np.fmax(scatter, np.nan_to_num(noise))
    with np.errstate(invalid="ignore"):
        low = ~covered & (shortfall > threshold * scale)
        void = low & (density < (density + shortfall) * (1.0 - void_share))
    order = places.by_section
    # Noise may lift a single reading above the threshold; it does not end a run.
    bridged = low[order]
    bridged[1:-1] |= bridged[:-2] & bridged[2:] & ~covered[order][1:-1]
    begin, end = runs(bridged, places.section_starts)
    offset = places.offset[order]
    with np.errstate(invalid="ignore"):
        near_end = places.to_end[order] <= 2.0 * np.nan_to_num(spacing(places)) + 1e-6
    thin = np.zeros(low.shape, dtype=bool)
    for start, stop in zip(begin, end, strict=True):
        long = offset[stop - 1] - offset[start] >= least_length
        if long and (near_end[start] or near_end[stop - 1]):
            thin[order[start:stop]] = True
    return void, thin & ~void
