"""Flags of a series by itself and against its companions; values are never changed.

Ends of sections, edges of declared voids, voids, liners that are not full, weak coupling, spikes
and repeats that disagree. :func:`flag` runs the checks in that order, so that what an earlier
check doubts does not set the standard of a later one.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, units, vocabulary
from corephys.quality import checks, fill
from corephys.quality.places import Places, any_within, locate, spacing
from corephys.quality.settings import Settings

__all__ = ["Settings", "flag"]

_EMPTY = ("open_void", "closed_void", "lost")


def flag(
    dataset: xr.Dataset, name: str, *, sections: Any = None, removed: Any = None,
    amplitude: Any = None, companions: Mapping[str, Any] | None = None,
    settings: Settings | None = None,
) -> xr.Dataset:  # fmt: skip
    """Look a series over and write down what is doubtful about it.

    Parameters
    ----------
    dataset : Dataset, (reading)
        As a public function returns it, with ``name``, its random uncertainty and reasons.
    name : str
        Quantity of the vocabulary.
    sections : Dataset, optional
        Table of sections: core, section and length [m]. Without it no end is known.
    removed : Dataset, optional
        Table of removed intervals: core, section, from and to [cm], kind, and when.
    amplitude : DataArray, (reading), optional
        Of the pulse of each reading, for a velocity, in the instrument's units.
    companions : mapping of str to DataArray or Dataset, optional
        Other series with their own positions. ``p_wave_amplitude`` tells a void from a light bed
        where ``name`` is a density; ``bulk_density``, already flagged, tells a velocity why its
        pulse was lost.
    settings : Settings, optional
        Thresholds.

    Returns
    -------
    Dataset
        A copy with more bits in ``<name>_reason`` and ``<name>_flag`` anew from them.

    Raises
    ------
    KeyError
        When the dataset does not hold ``name``, or a series has no positions.
    ValueError
        When ``amplitude`` has another size than the series.

    Notes
    -----
    Sources and forms of the statistics are at the functions of :mod:`corephys.quality.checks`
    and :mod:`corephys.quality.fill`.
    """
    settings = settings or Settings()
    companions = dict(companions or {})
    series = {"self": dataset, **companions}
    places = locate(series, sections)
    look = _Look(dataset, name, places, settings)
    look.ends(sections is not None)
    look.edges(removed)
    if amplitude is not None:
        look.coupling(amplitude)
    if name == "bulk_density":
        look.gaps(companions.get("p_wave_amplitude"))
    elif "bulk_density" in companions:
        look.cause(companions["bulk_density"])
    look.spikes()
    look.repeats()
    return look.result()


class _Look:
    """One series while it is looked over: values as floats, reasons as they gather."""

    def __init__(
        self, dataset: xr.Dataset, name: str, places: dict[str, Places], settings: Settings
    ) -> None:
        if name not in dataset:
            raise KeyError(f"the Dataset does not hold {name!r}")
        unit = vocabulary.term(name).unit
        self.dataset, self.name, self.settings = dataset, name, settings
        self.companion_places, self.places = places, places["self"]
        self.values = np.asarray(units.as_floats(dataset[name], unit, name), dtype=float)
        self.noise = np.full(self.values.shape, np.nan)
        if f"{name}_u_random" in dataset:
            self.noise = np.asarray(dataset[f"{name}_u_random"].values, dtype=float)
        self.reason = np.zeros(self.values.shape, dtype=np.int64)
        if f"{name}_reason" in dataset:
            self.reason |= dataset[f"{name}_reason"].values.astype(np.int64)

    @property
    def doubted(self) -> np.ndarray:
        """Readings with a flag worse than good, or without a value."""
        doubtful = ~flags.usable(flags.from_reason(self.reason))
        return np.asarray(doubtful | ~np.isfinite(self.values))

    def add(self, reason: str, where: Any) -> None:
        self.reason[np.asarray(where, dtype=bool)] |= flags.bit(reason)

    def ends(self, known: bool) -> None:
        if known and self.name in self.settings.end_reach:
            self.add("section_end", checks.section_ends(
                self.places, self.settings.end_reach[self.name]))  # fmt: skip

    def edges(self, removed: Any) -> None:
        """Readings outside a declared void but within half a response of it."""
        if removed is None or self.name not in self.settings.half_width or not removed["core"].size:
            return
        when = removed["when"].values if "when" in removed else np.full(removed["core"].size, "")
        empty = np.isin(removed["kind"].values, _EMPTY) | (when == "before_scan")
        names = self._names()
        reach = self.settings.half_width[self.name]
        start, stop = (np.asarray(removed[part].values, dtype=float) for part in ("from", "to"))
        for row in np.flatnonzero(empty):
            here = names.get((removed["core"].values[row], removed["section"].values[row]))
            if here is None:
                continue
            offset = self.places.offset[here]
            beside = ((offset >= start[row] - reach) & (offset < start[row])) | (
                (offset > stop[row]) & (offset <= stop[row] + reach)
            )
            where = np.zeros(self.values.shape, dtype=bool)
            where[here[beside]] = True
            self.add("section_end", where)

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

    def coupling(self, amplitude: Any) -> None:
        level = np.asarray(getattr(amplitude, "values", amplitude), dtype=float)
        if level.shape != self.values.shape:
            raise ValueError(
                f"amplitude has {level.size} readings and {self.name} has {self.values.size}"
            )
        self.add("low_amplitude", self._weak(level, self.places)[0])

    def _weak(self, amplitude: np.ndarray, places: Places) -> tuple[np.ndarray, np.ndarray]:
        return checks.weak_coupling(
            amplitude, places, fraction=self.settings.amplitude_fraction,
            hole_fraction=self.settings.deaf_fraction, window=2.0 * self.settings.level_window,
        )  # fmt: skip

    def gaps(self, amplitude: Any) -> None:
        """Voids and thin fills of a density."""
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
        void, thin = fill.gaps_by_density(
            shortfall, scatter, self.noise, self.places, covered, threshold=s.low_threshold,
            void_share=s.void_share, least_length=s.least_length, density=self.values,
        )  # fmt: skip
        self.add("void", void | nothing)
        self.add("underfilled_liner", thin & ~nothing)
        if pulses is not None:
            void, thin = fill.gaps_by_pulse(
                shortfall, scatter, self.noise, self.places, pulses, threshold=s.low_threshold,
                void_length=s.void_length, density=self.values, void_share=s.void_share,
            )  # fmt: skip
            self.add("void", void)
            self.add("underfilled_liner", thin & ~void & ~nothing)

    def cause(self, density: Any) -> None:
        """What the density says about a pulse that was lost."""
        places = self.companion_places["bulk_density"]
        reason = np.asarray(density["bulk_density_reason"].values)
        step = spacing(self.places)
        reach = 0.0 if np.isnan(step) else 0.5 * step
        lost = ~np.isfinite(self.values) | (self.reason & flags.bit("low_amplitude") != 0)
        for word in ("void", "underfilled_liner"):
            there = (reason & flags.bit(word)) != 0
            self.add(word, lost & any_within(self.places.tape, places.tape, there, reach))

    def spikes(self) -> None:
        clean = np.where(self.doubted, np.nan, self.values)
        self.add("spike", checks.spikes(
            clean, self.noise, self.places, threshold=self.settings.spike_threshold,
            window=self.settings.spike_window, side_share=self.settings.spike_side_share,
        ))  # fmt: skip

    def repeats(self) -> None:
        self.add("repeats_disagree", checks.repeats(
            self.values, self.noise, self.places, threshold=self.settings.repeat_threshold,
            doubted=self.doubted,
        ))  # fmt: skip

    def result(self) -> xr.Dataset:
        words = vocabulary.term(self.name).long_name
        dims = self.dataset[self.name].dims
        found = self.dataset.copy()
        for part, values, attributes in (
            ("reason", self.reason, flags.reason_attributes(words)),
            ("flag", flags.from_reason(self.reason), flags.flag_attributes(words)),
        ):
            found[f"{self.name}_{part}"] = (dims, values, attributes)
        return found
