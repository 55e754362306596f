"""Drilling plans: which cores, samples, needle runs and stations the two kinds of hole have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import layout as geometry

DAY = 86400.0  # s
ADVANCE = 9.0  # m, of every core of the demonstration hole: six sections


@dataclass(frozen=True)
class HolePlan:
    """One kind of hole: layout, layer boundaries [m], spacings [cm], numbers and times [s]."""

    layout: geometry.Layout
    boundaries: tuple
    layer_scatter: float
    spacing: dict
    repeat_sections: tuple
    samples: pd.DataFrame
    needle: pd.DataFrame
    needle_step: float
    station_depths: tuple
    station_step: float
    disturbed_station: int | None
    check_times: np.ndarray
    mistyped_sample: int | None
    early_core: str | None = None  # scanned while cold
    magnetic_bed: tuple | None = None  # top, bottom [m] and susceptibility [SI]
    meter_step_at: float | None = None  # s, from when the susceptibility meter reads too high
    meter_step: float = 1.0


def _core(core, method, top, advance, recovered, annulus, catcher, day):
    return {"core": str(core), "coring_method": method, "top": round(top, 2), "advance": advance,
                "recovered": round(recovered, 2), "annulus": annulus, "catcher": catcher,
                "time_on_deck": day * DAY}  # fmt: skip


def demo_cores(rng) -> list[dict]:
    """Eighteen piston cores, a drilled interval, thirteen rotary cores scanned months later."""
    plans, top = [], 0.0
    for core in range(1, 19):
        recovered = rng.uniform(8.7, 9.0)
        if core == 6:
            recovered = 9.87  # expanded by gas: more than the advance
        if core == 11:
            recovered = 0.0
        catcher = 0.0 if recovered == 0 else round(rng.uniform(0.12, 0.25), 2)
        day = 1 + 0.25 * core
        plans.append(_core(core, "piston", top, ADVANCE, recovered, "none", catcher, day))
        top += ADVANCE
    top += 13.2  # drilled without coring
    for core in range(19, 32):
        annulus = "air" if core in (22, 27) else "water"
        day = 150.0 + 0.5 * core  # scanned ashore, half a year of source decay later
        recovered = rng.uniform(5.2, 8.3)
        catcher = round(rng.uniform(0.10, 0.20), 2)
        plans.append(_core(core, "rotary", top, ADVANCE, recovered, annulus, catcher, day))
        top += ADVANCE
    return plans


DEMO_REMOVED = [
    ("2", "3", 140.0, 150.0, "whole_round", "before_scan"),
    ("7", "4", 135.0, 150.0, "whole_round", "before_scan"),
    ("13", "5", 130.0, 150.0, "whole_round", "before_scan"),
    ("3", "2", 60.0, 75.0, "whole_round", "after_scan"),
    ("9", "4", 20.0, 35.0, "whole_round", "after_scan"),
    ("15", "3", 80.0, 100.0, "whole_round", "after_scan"),
    ("21", "2", 40.0, 50.0, "whole_round", "after_scan"),
    ("4", "5", 30.0, 42.0, "open_void", "before_scan"),
    ("10", "2", 100.0, 108.0, "open_void", "before_scan"),
    ("17", "1", 0.0, 12.0, "open_void", "before_scan"),
    ("20", "3", 70.0, 85.0, "open_void", "before_scan"),
    ("6", "3", 50.0, 62.0, "closed_void", "before_scan"),
    ("6", "6", 90.0, 98.0, "closed_void", "before_scan"),
    ("8", "3", 10.0, 16.0, "closed_void", "before_scan"),
    ("14", "4", 110.0, 119.0, "closed_void", "before_scan"),
    ("24", "1", 60.0, 80.0, "lost", "before_scan"),
]
SMALL_REMOVED = [
    ("2", "1", 40.0, 46.0, "open_void", "before_scan"),
    ("3", "1", 60.0, 70.0, "whole_round", "after_scan"),
    ("5", "1", 30.0, 35.0, "closed_void", "before_scan"),
]


def small_cores(rng) -> list[dict]:
    """Eight short cores spread over 260 m, the lower three rotary."""
    plans = []
    for core in range(1, 9):
        method, annulus = ("piston", "none") if core <= 5 else ("rotary", "water")
        top = 2.0 + 36.0 * (core - 1)
        recovered = rng.uniform(1.7, 1.9)
        plans.append(_core(core, method, top, 4.0, recovered, annulus, 0.0, 1 + 0.5 * core))
    return plans


def pick_positions(rng, layout, number, *, margin, step=1.0, clear=3.0):
    """Draw `number` positions (row, offset [cm]) spread evenly over the sections, clear of the
    declared intervals by `clear` cm; returned in order of depth."""
    sections = layout.sections
    usable = sections.index[(sections["kind"] == "section") & (sections["length"] > 0.5)]
    places = usable[np.unique(np.linspace(0, len(usable) - 1, number).round().astype(int))]
    places = np.sort(np.concatenate([places, rng.choice(usable, number - len(places))]))
    rows, offsets = [], []
    for row in places:
        length = sections.loc[row, "length"] * 100.0
        gone = layout.removed[
            (layout.removed["core"] == sections.loc[row, "core"])
            & (layout.removed["section"] == sections.loc[row, "section"])
        ]
        taken = [o for r, o in zip(rows, offsets, strict=True) if r == row]
        while True:
            offset = round(rng.uniform(margin, length - margin) / step) * step
            hit = (offset > gone["from_"] - clear) & (offset < gone["to"] + clear)
            if not hit.any() and all(abs(offset - other) > 2.0 * clear for other in taken):
                break
        rows.append(row)
        offsets.append(offset)
    return pd.DataFrame({"row": rows, "offset": offsets}).sort_values(["row", "offset"])


def needle_positions(rng, layout, number, repeats, loose=()):
    """Needle positions: full space in soft cores, half space and along the core in rotary ones."""
    positions = pick_positions(rng, layout, number, margin=15.0).reset_index(drop=True)
    rotary = (layout.sections["annulus"] != "none").to_numpy()[positions["row"]]
    positions["half_space"] = rotary
    positions["direction"] = np.where(rotary & (np.arange(number) % 2 == 0), "along", "across")
    positions["repeats"] = repeats
    positions["loose"] = np.isin(np.arange(number), loose)
    return positions


def demo_plan(rng) -> HolePlan:
    """The demonstration hole."""
    cores = geometry.build(rng, demo_cores(rng), DEMO_REMOVED)
    bottom = cores.cores["top"].iloc[-1] + cores.cores["advance"].iloc[-1]
    repeats = np.ones(35, dtype=int)
    repeats[[4, 20]], repeats[30] = 3, 2
    return HolePlan(
        layout=cores,
        boundaries=(0.0, 41.0, 88.0, 139.0, 182.0, 231.0, round(bottom, 1)),
        layer_scatter=0.008,
        spacing={
            "gamma": 2.0,
            "pwave": 4.0,
            "resistivity": 8.0,
            "susceptibility": 4.0,
            "natural_gamma": 20.0,
        },
        repeat_sections=(("5", "2"), ("12", "4"), ("23", "1")),
        samples=pick_positions(rng, cores, 60, margin=5.0),
        needle=needle_positions(rng, cores, 35, repeats, loose=(9,)),
        needle_step=2.0,
        station_depths=(28.0, 55.0, 82.0, 109.0, 136.0, 163.0, 202.6, 238.6),
        station_step=5.0,
        disturbed_station=6,
        check_times=np.concatenate([np.arange(1.25, 7.0, 0.5), np.arange(159.25, 167, 0.5)]) * DAY,
        mistyped_sample=17,
        early_core="8",
        magnetic_bed=(146.29, 146.39, 0.063),
        meter_step_at=163.9 * DAY,
        meter_step=1.04,
    )


def small_plan(rng) -> HolePlan:
    """A small hole that is made in well under a second."""
    cores = geometry.build(rng, small_cores(rng), SMALL_REMOVED)
    return HolePlan(
        layout=cores,
        boundaries=(0.0, 70.0, 150.0, 262.0),
        layer_scatter=0.0,
        spacing={"gamma": 4.0, "pwave": 8.0, "resistivity": 10.0, "susceptibility": 10.0,
                     "natural_gamma": 20.0},
        repeat_sections=(),
        samples=pick_positions(rng, cores, 26, margin=4.0),
        needle=needle_positions(rng, cores, 10, np.array([1, 1, 1, 3, 1, 1, 1, 1, 1, 1])),
        needle_step=2.0,
        station_depths=(38.0, 74.0, 110.0, 146.0, 182.0, 218.0),
        station_step=5.0,
        disturbed_station=None,
        check_times=np.arange(1.5, 6.0, 1.0) * DAY,
        mistyped_sample=None,
    )  # fmt: skip
