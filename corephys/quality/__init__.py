"""Flag suspect readings of a series, by itself and compared with other series.

No value is changed. The order of the tests is fixed, see :data:`SEQUENCE`: readings that an earlier
test flags are left out of the statistics of later tests. Testing a result again gives the same
flags.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from corephys.ground.companions import library_units
from corephys.quality.audits import SCAN, Audit, audit
from corephys.quality.equilibration import axis_departure, settled
from corephys.quality.review import SeriesReview, Settings
from corephys.quality.scan_index import locate
from corephys.quality.slips import findings
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
    "findings",
    "flag",
    "out_of_control",
    "settled",
]

# Reason -> group of tests and meaning, in the order of the tests.
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
    sections: xr.Dataset | None = None,
    removed: xr.Dataset | None = None,
    amplitude: xr.DataArray | np.ndarray | None = None,
    companions: Mapping[str, xr.DataArray | xr.Dataset] | None = None,
    settings: Settings | None = None,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Flag suspect readings of a series.

    Parameters
    ----------
    dataset : Dataset, (reading)
        Result of a public function, with ``name``, its random uncertainty and reasons.
    name : str
        Quantity of the vocabulary.
    sections : Dataset, optional
        Table of sections: core, section and length [m]. Without it section ends are not tested.
    removed : Dataset, optional
        Table of removed intervals: core, section, from and to [cm], kind, and when.
    amplitude : DataArray, (reading), optional
        Amplitude of the pulse of each reading, for a velocity, in the instrument's units.
    companions : mapping of str to DataArray or Dataset, optional
        Other series with separate positions. ``p_wave_amplitude`` separates voids from light beds
        where ``name`` is a density. ``bulk_density``, already flagged, shows where core is missing
        and gives the lower bound of a velocity. ``samples`` are measurements of ``name`` on
        samples.
    settings : Settings, optional
        Thresholds of the tests; the defaults if not given.
    allow : tuple of str
        Flag levels of companions that the tests may use.

    Returns
    -------
    Dataset
        A copy with more bits in ``<name>_reason`` and with ``<name>_flag`` to match. Bits of
        these tests from an earlier call are computed again.

    Raises
    ------
    KeyError
        When ``name`` is missing in the dataset, or a series has no positions.
    ValueError
        When ``amplitude`` and the series differ in size.

    Notes
    -----
    The order of the tests is that of :data:`SEQUENCE`. Equations and sources are documented at the
    functions of :mod:`corephys.quality.checks` and :mod:`corephys.quality.fill`.
    """
    dataset = library_units(dataset)
    companions = {key: library_units(series) for key, series in (companions or {}).items()}
    removed = library_units(removed, {"from": "cm", "to": "cm"})
    places = locate({"self": dataset, **companions}, sections)
    review = SeriesReview(dataset, name, places, settings or Settings(), allow)
    density = companions.get("bulk_density") if name != "bulk_density" else None
    review.range()
    if sections is not None:
        review.ends()
    review.edges(removed)
    if amplitude is not None:
        review.coupling(amplitude)
    if name == "bulk_density":
        review.gaps(companions.get("p_wave_amplitude"))
        review.cracks()
    if density is not None:
        review.gaps_of_density(density)
    review.spikes()
    review.repeats()
    if density is not None and name == "p_wave_velocity":
        review.bound(density)
    if "samples" in companions:
        review.samples(companions["samples"])
    return review.result()
