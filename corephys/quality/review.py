"""Review of one series: the thresholds of the tests, and the tests in terms of plain arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds, units, vocabulary
from corephys.ground.choices import choice
from corephys.ground.registry import Compiled
from corephys.ground.sensor import Sensor
from corephys.quality import checks, fill
from corephys.quality.scan_index import ScanIndex, any_within, runs, spacing

__all__ = ["SeriesReview", "Settings"]

# --------------------------------------------------------------------------------------------------
# Thresholds, from the table of thresholds, as floats in the units of a scan.


_value = thresholds.value


def _widths(sensors: Sequence[Sensor]) -> dict[str, float]:
    """Default width of each sensor's response along the core, by quantity [cm]."""
    found = {}
    for sensor in sensors:
        section, key = sensor.response_width
        option = (sensor.quality_options if section == "quality" else sensor.options).get(key)
        if option is not None:
            found[sensor.quantity] = float(units.as_floats(option.default, "cm", key))
    return found


_RESPONSE_WIDTH = Compiled(_widths)

SPIKE_TESTS = ("neighbours", "rolling_median")


@dataclass(frozen=True)
class Settings:
    """Thresholds of the tests.

    Parameters
    ----------
    response_width : mapping of str to float
        Width of the sensor's response along the core, by quantity [cm]. A declared void affects
        readings within half of it; all readings of a section shorter than it are suspect.
    end_trim : float
        Response widths from the end of a section within which a reading is suspect.
    spike_test : {"neighbours", "rolling_median"}
        What a reading is compared with: the neighbours on either side, or the rolling median.
    spike_threshold : float
        Distance from the neighbours that makes a spike, in standard deviations.
    spike_side_share : float
        Share of the threshold by which a spike differs from either side; a step differs from one.
    spike_window : float
        Length of section that gives the scatter [cm].
    level_window : float
        Length of core that gives the level of density and of amplitude [cm].
    low_threshold : float
        Shortfall of density from the level, in standard deviations.
    amplitude_fraction : float
        Share of the level of amplitude below which coupling is lost: 8 dB.
    deaf_fraction : float
        Share of the hole's median amplitude below which a complete core has lost coupling.
    void_length : float
        Longest run of lost pulses inside a section that is called a void [cm].
    void_share : float
        Share of the density that is missing in a void, whatever the length.
    void_density : float
        Density below that of any saturated core; a lower density is a void [g/cm^3].
    crack_length : float
        A void shorter than this is a crack [cm].
    least_length : float
        Shortest thin fill that density alone may show [cm].
    repeat_threshold : float
        Difference between repeats that is suspect, in combined random standard uncertainties.
    bound_margin : float
        Standard uncertainties by which a velocity may fall short of its bound.
    sample_difference : float
        Largest difference from a sample, in the unit of the quantity.
    sample_reach : float
        Distance along the section up to which a reading is compared with a sample [cm].
    """

    response_width: Mapping[str, float] = field(default_factory=lambda: dict(_RESPONSE_WIDTH))
    end_trim: float = _value("end_trim")
    spike_test: str = "neighbours"
    spike_threshold: float = _value("spike_threshold")
    spike_side_share: float = _value("spike_side_share")
    spike_window: float = _value("spike_window")
    level_window: float = _value("level_window")
    low_threshold: float = _value("low_threshold")
    amplitude_fraction: float = _value("amplitude_fraction")
    deaf_fraction: float = _value("deaf_fraction")
    void_length: float = _value("void_length")
    void_share: float = _value("void_share")
    void_density: float = _value("void_density")
    crack_length: float = _value("crack_length")
    least_length: float = _value("least_length")
    repeat_threshold: float = _value("repeat_threshold")
    bound_margin: float = _value("bound_margin")
    sample_difference: float = _value("sample_difference")
    sample_reach: float = _value("sample_reach")

    def __post_init__(self) -> None:
        spike_test = choice(self.spike_test, SPIKE_TESTS, "spike_test")
        object.__setattr__(self, "spike_test", spike_test)


# --------------------------------------------------------------------------------------------------
# The tests of one series. They run in a fixed order and add bits to its reasons.


_REACH = thresholds.value("match_reach")  # cm
_EMPTY = ("open_void", "closed_void", "lost")
# Reasons that the tests of this module set. They are removed first and computed again, so that a
# second review gives the same result. Weak coupling stays: a gate on the amplitude sets it too.
OWN = (
    "short_section",
    "section_end",
    "void",
    "underfilled_liner",
    "crack",
    "spike",
    "repeats_disagree",
    "below_velocity_bound",
    "disagrees_with_sample",
)


class SeriesReview:
    """A series, its positions, and the reasons found so far.

    Parameters
    ----------
    dataset : Dataset, (reading)
        The series ``name``, its random uncertainty and reasons.
    name : str
        Quantity of the vocabulary.
    places : dict of str to ScanIndex
        Positions of the series under ``self``, and of its companions under their names.
    settings : Settings
        Thresholds of the tests.
    allow : tuple of str
        Flag levels of companions that the tests may use.
    """

    def __init__(
        self,
        dataset: xr.Dataset,
        name: str,
        places: dict[str, ScanIndex],
        settings: Settings,
        allow: tuple[str, ...] = ("good", "not_evaluated"),
    ) -> None:
        if name not in dataset:
            held = ", ".join(map(str, dataset.data_vars))
            raise KeyError(f"no {name!r} in the Dataset; it holds {held}")
        unit = vocabulary.term(name).unit
        self.dataset, self.name, self.settings, self.allow = dataset, name, settings, allow
        self.companion_places, self.places = places, places["self"]
        self.values = np.asarray(units.as_floats(dataset[name], unit, name), dtype=float)
        self.noise = np.full(self.values.shape, np.nan)
        if f"{name}_u_random" in dataset:
            self.noise = np.asarray(dataset[f"{name}_u_random"].values, dtype=float)
        self.reason = np.zeros(self.values.shape, dtype=np.int64)
        if f"{name}_reason" in dataset:
            self.reason |= dataset[f"{name}_reason"].values.astype(np.int64)
        for word in OWN:
            self.reason &= ~flags.bit(word)
        self.shortfall = self.scatter = np.full(self.values.shape, np.nan)

    @property
    def doubted(self) -> np.ndarray:
        """Readings with a flag worse than good, or without a value."""
        doubtful = ~flags.usable(flags.from_reason(self.reason))
        return np.asarray(doubtful | ~np.isfinite(self.values))

    def add(self, reason: str, where: np.ndarray) -> None:
        """Add a reason to the readings of a mask."""
        self.reason[np.asarray(where, dtype=bool)] |= flags.bit(reason)

    def range(self) -> None:
        """Flag impossible, unusual and missing values by the ranges of the vocabulary."""
        entry = vocabulary.term(self.name)
        missing = np.isnan(self.values)
        with np.errstate(invalid="ignore"):
            possible = (self.values >= entry.possible[0]) & (self.values <= entry.possible[1])
            possible &= np.isfinite(self.values)
            usual = (self.values >= entry.usual[0]) & (self.values <= entry.usual[1])
        self.add("missing_value", missing)
        self.add("impossible_value", ~missing & ~possible)
        self.add("out_of_usual_range", possible & ~usual)

    def has(self, *reasons: str) -> np.ndarray:
        """Readings that have any of the reasons."""
        mask = sum(flags.bit(word) for word in reasons)
        return np.asarray((self.reason & mask) != 0)

    def ends(self) -> None:
        """Flag sections shorter than the response, and readings whose response passes the end.

        Readings already corrected for the end are not flagged for it.
        """
        width = self.settings.response_width.get(self.name)
        if width is None:
            return
        with np.errstate(invalid="ignore"):
            self.add("short_section", self.places.length < width)
        out = checks.section_ends(self.places, self.settings.end_trim * width)
        self.add("section_end", out & ~self.has("edge_corrected"))

    def edges(self, removed: xr.Dataset | None) -> None:
        """Flag readings outside a declared void but within half a response of it."""
        width = self.settings.response_width.get(self.name)
        if removed is None or width is None or not removed["core"].size:
            return
        when = removed["when"].values if "when" in removed else np.full(removed["core"].size, "")
        empty = np.isin(removed["kind"].values, _EMPTY) | (when == "before_scan")
        names = self._names()
        reach = 0.5 * width
        start, stop = (np.asarray(removed[part].values, dtype=float) for part in ("from", "to"))
        for row in np.flatnonzero(empty):
            here = names.get((removed["core"].values[row], removed["section"].values[row]))
            if here is None:
                continue
            offset = self.places.offset[here]
            # An offset converted from another unit may differ from the edge by rounding.
            far, near = reach + checks.ROUNDING, checks.ROUNDING
            beside = ((offset >= start[row] - far) & (offset < start[row] - near)) | (
                (offset > stop[row] + near) & (offset <= stop[row] + far)
            )
            where = np.zeros(self.values.shape, dtype=bool)
            where[here[beside]] = True
            self.add("section_end", where & ~self.has("edge_corrected"))

    def _names(self) -> dict[tuple[Any, Any], np.ndarray]:
        """Readings of each section by its names."""
        if "core" not in self.dataset.coords or "section" not in self.dataset.coords:
            return {}
        order = self.places.by_section
        code = self.places.section[order]
        starts = np.flatnonzero(np.diff(code, prepend=-1))
        core, section = (self.dataset.coords[part].values for part in ("core", "section"))
        bounds = np.append(starts, order.size)
        return {(core[order[a]], section[order[a]]): order[a:b] for a, b in pairwise(bounds)}

    def coupling(self, amplitude: xr.DataArray | np.ndarray) -> None:
        """Flag readings with a weak pulse."""
        level = np.asarray(getattr(amplitude, "values", amplitude), dtype=float)
        if level.shape != self.values.shape:
            raise ValueError(
                f"amplitude has {level.size} readings and {self.name} has {self.values.size}; give "
                "one amplitude for each reading"
            )
        self.add("low_amplitude", self._weak(level, self.places)[0])

    def _weak(self, amplitude: np.ndarray, places: ScanIndex) -> tuple[np.ndarray, np.ndarray]:
        """Weak pulses, and where a weak pulse is evidence of a gap."""
        return checks.weak_coupling(
            amplitude,
            places,
            fraction=self.settings.amplitude_fraction,
            hole_fraction=self.settings.deaf_fraction,
            window=2.0 * self.settings.level_window,
        )

    def gaps(self, amplitude: xr.DataArray | None) -> None:
        """Flag voids and liners that are not full, from a density and the pulse's amplitude."""
        s = self.settings
        covered = near = np.zeros(self.values.shape, dtype=bool)
        pulses = None
        if amplitude is not None:
            places = self.companion_places["p_wave_amplitude"]
            values = np.asarray(getattr(amplitude, "values", amplitude), dtype=float)
            pulses = fill.Pulses(places, *self._weak(values, places))
            covered, near = pulses.covers(self.places), pulses.near(self.places)
        with np.errstate(invalid="ignore"):
            nothing = self.values < s.void_density
        sound = ~self.doubted & ~near & ~nothing
        shortfall, scatter = fill.below_level(self.values, self.places, sound, s.level_window)
        self.shortfall, self.scatter = shortfall, scatter
        void, thin = fill.gaps_by_density(
            shortfall,
            scatter,
            self.noise,
            self.places,
            covered,
            threshold=s.low_threshold,
            void_share=s.void_share,
            least_length=s.least_length,
            density=self.values,
        )
        self.add("void", void | nothing)
        self.add("underfilled_liner", thin & ~nothing)
        if pulses is not None:
            void, thin = fill.gaps_by_pulse(
                shortfall,
                scatter,
                self.noise,
                self.places,
                pulses,
                threshold=s.low_threshold,
                void_length=s.void_length,
                density=self.values,
                void_share=s.void_share,
            )
            self.add("void", void)
            self.add("underfilled_liner", thin & ~void & ~nothing)

    def cracks(self) -> None:
        """Turn voids no longer than a crack, with some core in the beam, into cracks."""
        order = self.places.by_section
        begin, end = runs(self.has("void")[order], self.places.section_starts)
        offset = self.places.offset[order]
        for start, stop in zip(begin, end, strict=True):
            here = order[start:stop]
            short = offset[stop - 1] - offset[start] < self.settings.crack_length
            with np.errstate(invalid="ignore"):
                core = self.values[here] >= self.settings.void_density
            if short and core.all():
                self.reason[here] &= ~flags.bit("void")
                self.reason[here] |= flags.bit("crack")

    def gaps_of_density(self, density: xr.Dataset) -> None:
        """Flag readings within half a response of voids and thin fills of the density.

        A velocity is flagged only where its pulse was lost: a good pulse has passed through core.
        """
        places = self.companion_places["bulk_density"]
        reason = np.asarray(density["bulk_density_reason"].values)
        if self.name == "p_wave_velocity":
            step = spacing(self.places)
            reach = 0.0 if np.isnan(step) else 0.5 * step
            asked = ~np.isfinite(self.values) | self.has("low_amplitude")
        else:
            reach = 0.5 * self.settings.response_width.get(self.name, 0.0)
            asked = np.ones(self.values.shape, dtype=bool)
        for word in ("void", "crack", "underfilled_liner"):
            there = (reason & flags.bit(word)) != 0
            self.add(word, asked & any_within(self.places.tape, places.tape, there, reach))

    def spikes(self) -> None:
        """Flag single readings that differ from their neighbours."""
        s = self.settings
        clean = np.where(self.doubted, np.nan, self.values)
        if s.spike_test == "rolling_median":
            found = checks.rolling_spikes(
                clean, self.noise, self.places, threshold=s.spike_threshold, window=s.spike_window
            )
        else:
            found = checks.spikes(
                clean,
                self.noise,
                self.places,
                threshold=s.spike_threshold,
                window=s.spike_window,
                side_share=s.spike_side_share,
            )
        self.add("spike", found)

    def repeats(self) -> None:
        """Flag repeats at one position that disagree."""
        self.add(
            "repeats_disagree",
            checks.repeats(
                self.values,
                self.noise,
                self.places,
                threshold=self.settings.repeat_threshold,
                doubted=self.doubted,
            ),
        )

    def bound(self, density: xr.Dataset) -> None:
        """Flag velocities below that of a suspension of the same density."""
        places = self.companion_places["bulk_density"]
        usable = flags.usable(density["bulk_density_flag"].values, self.allow)
        step = spacing(self.places)
        partner = checks.nearest(
            self.places, places, usable, _REACH if np.isnan(step) else max(0.5 * step, _REACH)
        )
        rho = np.where(partner >= 0, density["bulk_density"].values[partner], np.nan)
        total = self.noise
        if f"{self.name}_u_systematic" in self.dataset:
            systematic = self.dataset[f"{self.name}_u_systematic"].values.astype(float)
            total = np.hypot(self.noise, np.nan_to_num(systematic))
        below = checks.below_bound(self.values, total, rho, margin=self.settings.bound_margin)
        self.add("below_velocity_bound", below)

    def samples(self, samples: xr.Dataset) -> None:
        """Flag readings that differ too much from the nearest sample."""
        places = self.companion_places["samples"]
        value = np.asarray(samples[self.name].values, dtype=float)
        usable = flags.usable(samples[f"{self.name}_flag"].values, self.allow)
        usable &= np.isfinite(value)
        partner = checks.nearest(self.places, places, usable, self.settings.sample_reach)
        with np.errstate(invalid="ignore"):
            apart = np.abs(self.values - value[partner]) > self.settings.sample_difference
        self.add("disagrees_with_sample", (partner >= 0) & apart)

    def result(self) -> xr.Dataset:
        """A copy of the dataset with reasons and flags after the review."""
        words = vocabulary.term(self.name).long_name
        dims = self.dataset[self.name].dims
        flag = flags.from_reason(self.reason)
        return self.dataset.assign(
            {
                f"{self.name}_reason": (dims, self.reason, flags.reason_attributes(words)),
                f"{self.name}_flag": (dims, flag, flags.flag_attributes(words)),
            }
        )
