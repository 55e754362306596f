"""Flags of a series by itself and against its companions; values are never changed.

The order is fixed and stands in :data:`SEQUENCE`: what an earlier test doubts does not set the
standard of a later one. A look at its own result finds the same again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import xarray as xr

from corephys.ground.companions import library_units
from corephys.quality.audits import SCAN, Audit, audit
from corephys.quality.equilibration import axis_departure, settled
from corephys.quality.review import Look, Settings
from corephys.quality.scan_index import locate
from corephys.quality.standards import (
    RULES,
    ControlChart,
    control_chart,
    cumulative_sums,
    out_of_control,
)

__all__ = [
    "RULES",
    "SCAN",
    "SEQUENCE",
    "Audit",
    "ControlChart",
    "Settings",
    "audit",
    "axis_departure",
    "control_chart",
    "cumulative_sums",
    "flag",
    "out_of_control",
    "settled",
]

# Reason -> who says so and what it means, in the order in which the tests are made.
SEQUENCE: dict[str, str] = {
    "bad_cell": "reading: a cell that is no number, or one that no instrument gives",
    "above_seafloor": "reading: a depth above the seafloor; depths count downward from it",
    "excluded_by_user": "reading: the operator's exclusions",
    "past_section_end": "reading: an offset beyond the section",
    "in_removed_interval": "reading: the core was not there when it was scanned",
    "catcher": "reading: from the catcher, whose place is uncertain",
    "same_position_twice": "reading: another reading has the same position and run",
    "standard_out_of_control": "standards: taken while a check standard was out of control",
    "temperature_not_settled": "standards: the core had not come to room temperature",
    "counter_saturated": "instrument: no live time or no net rate was left",
    "clipped_waveform": "instrument: the waveform was cut at its highest values",
    "no_arrival": "instrument: no onset stands out in the gate",
    "weak_arrival": "instrument: the signal hardly stands out of the noise",
    "no_baseline": "instrument: no reading in air, or no background, near in time",
    "beyond_calibration": "instrument: outside of what the standards span",
    "negative_net": "instrument: below the background by more than its noise",
    "counter_wrapped": "instrument: the counter seems to have begun again; a suggestion",
    "impossible_value": "range: no core has this value",
    "out_of_usual_range": "range: few cores have this value",
    "response_not_filled": "geometry: too little core in the response to correct for",
    "short_section": "geometry: the section is shorter than the response",
    "section_end": "geometry: the response sticks out of the section or into a declared void",
    "low_amplitude": "gaps: the pulse is weak against its own core, or below the gate",
    "void": "gaps: no core, or hardly any, in the beam",
    "crack": "gaps: a void no longer than a crack",
    "underfilled_liner": "gaps: the liner is not full",
    "spike": "spikes: stands off from its neighbours in the section",
    "repeats_disagree": "spikes: two passes differ by more than their noise",
    "below_velocity_bound": "cross-sensor: slower than a suspension of the same density",
    "disagrees_with_sample": "cross-sensor: differs from the sample at its place",
}


def flag(
    dataset: xr.Dataset,
    name: str,
    *,
    sections: Any = None,
    removed: Any = None,
    amplitude: Any = None,
    companions: Mapping[str, Any] | None = None,
    settings: Settings | None = None,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
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
        where ``name`` is a density; ``bulk_density``, already flagged, tells other sensors where
        core is missing and a velocity what the least is that its density allows; ``samples`` are
        measurements of ``name`` on samples.
    settings : Settings, optional
        Thresholds.
    allow : tuple of str
        Flag levels of companions that may judge the series.

    Returns
    -------
    Dataset
        A copy with more bits in ``<name>_reason`` and ``<name>_flag`` anew from them. Bits of an
        earlier look are found anew.

    Raises
    ------
    KeyError
        When the dataset does not hold ``name``, or a series has no positions.
    ValueError
        When ``amplitude`` has another size than the series.

    Notes
    -----
    The order of the tests is that of :data:`SEQUENCE`. Sources and forms of the statistics are at
    the functions of :mod:`corephys.quality.checks`, :mod:`corephys.quality.fill` and
    :mod:`corephys.quality.checks`.
    """
    dataset = library_units(dataset)
    companions = {key: library_units(series) for key, series in (companions or {}).items()}
    removed = library_units(removed, {"from": "cm", "to": "cm"})
    places = locate({"self": dataset, **companions}, sections)
    look = Look(dataset, name, places, settings or Settings(), allow)
    density = companions.get("bulk_density") if name != "bulk_density" else None
    look.range()
    if sections is not None:
        look.ends()
    look.edges(removed)
    if amplitude is not None:
        look.coupling(amplitude)
    if name == "bulk_density":
        look.gaps(companions.get("p_wave_amplitude"))
        look.cracks()
    if density is not None:
        look.gaps_of_density(density)
    look.spikes()
    look.repeats()
    if density is not None and name == "p_wave_velocity":
        look.bound(density)
    if "samples" in companions:
        look.samples(companions["samples"])
    return look.result()
