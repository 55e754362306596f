"""Planted flaws: gas voids and under-filled liner in the core, spikes and weak coupling in the
readings, and the ends of sections. Every flaw is labelled in the truth tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

BEAM_HALF_WIDTH = 0.45  # cm, one standard deviation of every sensor's sharp response


@dataclass(frozen=True)
class FlawPlan:
    """How many flaws of each kind, and how large (`scale` multiplies every size)."""

    gas_voids: int
    under_filled: int
    spikes: dict
    weak_coupling: int
    scale: float = 1.0


DEMO_FLAWS = FlawPlan(
    gas_voids=75,
    under_filled=26,
    spikes={
        "gamma": 130,
        "pwave": 120,
        "susceptibility": 110,
        "resistivity": 40,
        "natural_gamma": 16,
    },
    weak_coupling=75,
)
SMALL_FLAWS = FlawPlan(
    gas_voids=2,
    under_filled=1,
    spikes={"gamma": 4, "pwave": 3, "susceptibility": 3, "resistivity": 2, "natural_gamma": 1},
    weak_coupling=3,
)
NO_FLAWS = FlawPlan(gas_voids=0, under_filled=0, spikes={}, weak_coupling=0)


def plant_intervals(rng, layout, plan: FlawPlan) -> pd.DataFrame:
    """Draw the undeclared gas voids and under-filled intervals: section row, from and to [cm],
    kind and severity (share of the path that is gas or air)."""
    sections = layout.sections[(layout.sections["kind"] == "section")]
    sections = sections[sections["length"] > 0.6]
    rows = []
    for kind, number in (("gas_void", plan.gas_voids), ("under_filled", plan.under_filled)):
        for _ in range(number):
            row = int(rng.choice(sections.index))
            length = layout.sections.loc[row, "length"] * 100.0
            if kind == "gas_void":
                size, severity = rng.uniform(5.0, 14.0), rng.uniform(0.25, 0.95)
                start = rng.uniform(6.0, length - size - 6.0)
            else:
                size, severity = rng.uniform(20.0, 50.0), rng.uniform(0.06, 0.20)
                start = length - size  # the core settles towards one end of its section
            severity = min(1.0, severity * plan.scale)
            rows.append((row, start, start + size, kind, severity))
    return pd.DataFrame(rows, columns=["row", "from_", "to", "kind", "severity"])


def mark_intervals(readings: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """Add `flaw`, `missing` (share of the path without core) and `filled` (share of the beam
    inside the section) to a table of readings."""
    flaw = np.full(len(readings), "", dtype=object)
    missing = np.zeros(len(readings))
    rows, offset = readings["row"].to_numpy(), readings["offset"].to_numpy()
    for interval in intervals.itertuples():
        inside = (rows == interval.row) & (offset >= interval.from_) & (offset <= interval.to)
        flaw[inside] = interval.kind
        missing[inside] = interval.severity
    empty = readings["empty"].to_numpy()
    flaw[empty], missing[empty] = "declared_void", 1.0
    return readings.assign(flaw=flaw, missing=missing)


def mark_ends(readings: pd.DataFrame, length, half_width=BEAM_HALF_WIDTH) -> pd.DataFrame:
    """Add `filled`, the share of the response that lies inside the section, and label ends."""
    to_end = np.minimum(readings["offset"].to_numpy(), length * 100.0 - readings["offset"])
    filled = norm.cdf(np.asarray(to_end) / half_width)
    flaw = readings["flaw"].to_numpy().copy()
    flaw[(filled < 0.995) & (flaw == "")] = "section_end"
    return readings.assign(flaw=flaw, filled=filled)


def choose_clean(rng, flaw: np.ndarray, number: int, *, apart: int = 5) -> np.ndarray:
    """Pick up to `number` rows without a flaw, at least `apart` rows from each other."""
    clean = rng.permutation(np.flatnonzero(flaw == ""))
    taken = np.zeros(len(flaw) + 2 * apart, dtype=bool)
    chosen = []
    for row in clean:
        if len(chosen) == number:
            break
        if not taken[row : row + 2 * apart + 1].any():
            taken[row + apart] = True
            chosen.append(row)
    return np.array(chosen, dtype=int)


def spike_signs(rng, number: int) -> np.ndarray:
    """Both signs in equal share, in random order."""
    return rng.permutation(np.where(np.arange(number) % 2 == 0, 1.0, -1.0))
