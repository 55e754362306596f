"""Cores, sections and voids of a simulated hole, and where a scan reading lies in them.

Laid out, a depth is the core's top plus the lengths of the sections above plus the offset. The
material's own depth closes the closed voids and, where a core came up longer than its advance,
squeezes what is left into the advance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

EMPTY_KINDS = ("open_void", "closed_void", "lost")
BORE = 70.0  # mm, of the liner; soft cores fill it
ROTARY_DIAMETERS = (62.0, 63.5)  # mm, least and greatest


@dataclass
class Layout:
    """Tables of cores, sections and removed intervals; one row of `sections` per section with
    true diameters [mm] and its start in the core [m]."""

    cores: pd.DataFrame
    sections: pd.DataFrame
    removed: pd.DataFrame

    def section_row(self, core, section):
        """Row of `sections` for a pair of keys."""
        names = zip(self.sections["core"], self.sections["section"], strict=True)
        return list(names).index((core, section))

    def depths(self, rows, offset):
        """Depth as laid out and the material's own depth [m] at `offset` [cm] of section rows."""
        inside = self.sections["start"].to_numpy()[rows] + np.asarray(offset) / 100.0
        core_rows = self.sections["core_row"].to_numpy()[rows]
        top = self.cores["top"].to_numpy()[core_rows]
        closed = np.zeros_like(inside)
        total = self.cores["recovered"].to_numpy().astype(float).copy()
        for interval in self.removed[self.removed["kind"] == "closed_void"].itertuples():
            row = self.section_row(interval.core, interval.section)
            start = self.sections["start"].iloc[row] + interval.from_ / 100.0
            length = (interval.to - interval.from_) / 100.0
            core_row = self.sections["core_row"].iloc[row]
            total[core_row] -= length
            below = (core_rows == core_row) * np.clip(inside - start, 0.0, length)
            closed += below
        advance = self.cores["advance"].to_numpy()
        factor = np.where(total > advance, advance / np.where(total > 0, total, 1.0), 1.0)
        return top + inside, top + (inside - closed) * factor[core_rows]

    def empty(self, rows, offset):
        """True where a declared interval held no material when the section was scanned."""
        offset = np.asarray(offset, dtype=float)
        result = np.zeros(offset.shape, dtype=bool)
        for interval in self.removed.itertuples():
            gone = interval.kind in EMPTY_KINDS or interval.when == "before_scan"
            if gone:
                row = self.section_row(interval.core, interval.section)
                inside = (offset >= interval.from_) & (offset <= interval.to)
                result |= (rows == row) & inside
        return result

    def readings(self, spacing, *, kinds=("section",)):
        """Scan positions every `spacing` [cm] from each section's top, run 1, with depths."""
        frames = []
        for row, section in enumerate(self.sections.itertuples()):
            if section.kind in kinds:
                offsets = np.arange(0.0, section.length * 100.0 + 1e-6, spacing)
                frames.append(pd.DataFrame({"row": row, "offset": offsets}))
        table = pd.concat(frames, ignore_index=True)
        return self.complete(table.assign(run=1))

    def complete(self, table):
        """Add keys, depths and whether material is there to a table of row, offset and run."""
        rows = table["row"].to_numpy()
        offset = table["offset"].to_numpy()
        keys = self.sections[["core", "section"]].iloc[rows].reset_index(drop=True)
        depth, own = self.depths(rows, offset)
        table = pd.concat([keys, table.reset_index(drop=True)], axis=1)
        return table.assign(depth=depth, own_depth=own, empty=self.empty(rows, offset))


def _core_sections(rng, core, core_row, recovered, plan):
    """Cut one core into 1.5 m sections, the rest and a catcher; returns dict rows."""
    lengths, rest = [], recovered - plan.get("catcher", 0.0)
    while rest > 1.55:
        lengths.append(1.5)
        rest -= 1.5
    lengths.append(round(rest, 2))
    names = [str(i + 1) for i in range(len(lengths))]
    kinds = ["section"] * len(lengths)
    if plan.get("catcher"):
        lengths.append(plan["catcher"])
        names.append("catcher")
        kinds.append("catcher")
    start, rows = 0.0, []
    for name, kind, length in zip(names, kinds, lengths, strict=True):
        bore = BORE + rng.normal(0.0, 0.05)
        full = plan["annulus"] == "none"
        diameter = bore if full else rng.uniform(*ROTARY_DIAMETERS)
        rows.append(
            {"core": core, "section": name, "length": length, "kind": kind, "liner": "full",
                 "annulus": plan["annulus"], "bore": bore, "diameter": diameter, "start": start,
                 "core_row": core_row}
        )  # fmt: skip
        start += length
    return rows


def build(rng, plans, removed) -> Layout:
    """Lay out the cores of `plans` (dicts of core, coring_method, top, advance, recovered,
    annulus, catcher, time_on_deck) and the `removed` intervals (tuples)."""
    sections, cores = [], []
    for row, plan in enumerate(plans):
        cores.append(
            {
                k: plan[k]
                for k in ("core", "coring_method", "top", "advance", "recovered", "time_on_deck")
            }
        )
        if plan["recovered"] > 0:
            sections += _core_sections(rng, plan["core"], row, plan["recovered"], plan)
    gone = pd.DataFrame(removed, columns=["core", "section", "from_", "to", "kind", "when"])
    return Layout(pd.DataFrame(cores), pd.DataFrame(sections), gone)
