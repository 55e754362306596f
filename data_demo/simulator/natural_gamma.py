"""Natural gamma: counts in energy windows of the scan readings, standards and backgrounds.

Every element sends counts into its own window and, by Compton scatter, into the lower ones, in
proportion to its mass in view. The sensitivities are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import along, flaws
from .drift import DAY, HOUR

WIDTH = 16.0  # cm, full width at half maximum of the response along the core
LIVE_TIME = 60.0  # s, of a scan reading
DETECTOR = "A"
WINDOWS = ("potassium", "uranium", "thorium", "low")
# counts per second for one g/cm of core with 1 % K, 1 mg/kg U, 1 mg/kg Th: rows are the windows
# and what lies outside them, columns the elements
SENSITIVITY = np.array([
    [0.0650, 0.0100, 0.0040],
    [0.0000, 0.0097, 0.0020],
    [0.0000, 0.0003, 0.0040],
    [0.1000, 0.0650, 0.0320],
    [0.0300, 0.0250, 0.0120],
])  # fmt: skip
BACKGROUND = np.array([0.80, 0.30, 0.25, 6.0, 1.5])  # 1/s, in the same order
LOW = WINDOWS.index("low")
# name, density [g/cm^3], potassium [%], uranium [mg/kg], thorium [mg/kg]
BLOCKS = (
    ("potassium block", 1.60, 5.00, 0.50, 1.0),
    ("uranium block", 1.75, 0.10, 50.0, 1.0),
    ("thorium block", 1.75, 0.10, 2.0, 120.0),
    ("mixed block", 1.85, 2.00, 5.0, 15.0),
)
CHECK = BLOCKS[3]
BLOCK_TIME, BLANK_TIME, CHECK_TIME = 3600.0, 6.0 * HOUR, 600.0  # s of live time
STANDARDS_AT = 0.35 * DAY


@dataclass(frozen=True)
class GammaRayBench:
    """True state of the detector: sensitivities, background [1/s] and the liner's bore [mm]."""

    sensitivity: np.ndarray
    background: np.ndarray
    bore: float
    laboratory_temperature: float

    def net_rates(self, mass, elements):
        """Rates [1/s] by window and outside them of `mass` [g/cm] with `elements` (..., 3)."""
        return np.asarray(mass)[..., None] * (np.asarray(elements) @ self.sensitivity.T)

    def count(self, rng, net, live_time):
        """Poisson counts by window and outside them."""
        rate = np.maximum(net + self.background, 0.0)
        return rng.poisson(rate * np.asarray(live_time, dtype=float)[..., None])


def make_bench(rng, *, bore, laboratory_temperature) -> GammaRayBench:
    """Draw the detector's efficiency by window and element, and its background."""
    sensitivity = SENSITIVITY * np.exp(rng.normal(0.0, 0.03, SENSITIVITY.shape))
    background = BACKGROUND * np.exp(rng.normal(0.0, 0.10, BACKGROUND.shape))
    return GammaRayBench(sensitivity, background, bore, laboratory_temperature)


def mass_in_view(density, diameter):
    """Mass of core [g] per cm of its length, density [g/cm^3], diameter [mm]."""
    return density * np.pi * (np.asarray(diameter) / 10.0) ** 2 / 4.0


def _columns(counts):
    return {f"counts_{name}": counts[:, i] for i, name in enumerate(WINDOWS)}


def scan(rng, bench, fields, layout, cells, readings, plan):
    """Return the scan table and its truth for marked readings."""
    ground = fields.ground
    readings = cells.label(readings, layout, WIDTH)
    own, diameter = readings["own_depth"].to_numpy(), layout.sections["diameter"].to_numpy()
    wet = fields.elements(cells.own_depth) * fields.grain_share(cells.own_depth)[:, None]
    mass = mass_in_view(ground.density(cells.own_depth), diameter[cells.row])
    net = cells.seen(readings, WIDTH, bench.net_rates(cells.fill * mass, wet))
    flaw = readings["flaw"].to_numpy().copy()
    spikes = flaws.choose_clean(rng, flaw, plan.spikes.get("natural_gamma", 0))
    size = 6.0 * plan.scale * rng.uniform(1.0, 3.0, len(spikes))
    disturbed = net.copy()
    disturbed[spikes, LOW] += flaws.spike_signs(rng, len(spikes)) * size
    flaw[spikes] = "spike"
    counts = bench.count(rng, disturbed, np.full(len(readings), LIVE_TIME))
    table = along.keys(readings).assign(
        **{"counts": counts.sum(axis=1), "live_time [s]": LIVE_TIME}, **_columns(counts)
    )
    table = table.assign(run=readings["run"], time=readings["time"], set="A", detector=DETECTOR)
    dry = fields.elements(own)
    share = fields.grain_share(own)[:, None]
    here = mass_in_view(ground.density(own), diameter[readings["row"]])
    truth = along.truth_keys(readings, flaw, ground)
    truth["natural_gamma_rate [1/s]"] = np.round(bench.net_rates(here, dry * share).sum(axis=1), 4)
    truth["natural_gamma_rate_seen [1/s]"] = np.round(net.sum(axis=1), 4)
    for basis, values in (("", dry * share), ("_dry", dry)):
        truth[f"potassium{basis} [%]"] = np.round(values[:, 0], 4)
        truth[f"uranium{basis} [mg/kg]"] = np.round(values[:, 1], 4)
        truth[f"thorium{basis} [mg/kg]"] = np.round(values[:, 2], 4)
    return table, truth


def standards(rng, bench, check_times, format_time, repeats=2):
    """Blocks of known elements, long backgrounds and a short check with the mixed block.

    Blocks fill the liner over more than the whole response. The value of a check is its net
    count in the same live time, known from earlier work.
    """
    rows, clock = [], STANDARDS_AT
    empty = ("", np.nan, np.nan, np.nan, np.nan)
    for name, *known in BLOCKS:
        for _ in range(repeats):
            rows.append(("standard", clock, BLOCK_TIME, name, *known))
            clock += BLOCK_TIME + 300.0
    # one background before the work, one before each stretch of it that follows a long pause
    starts = check_times[np.flatnonzero(np.diff(check_times, prepend=check_times[0]) > 20.0 * DAY)]
    for start in (clock, *(starts - BLANK_TIME - HOUR)):
        rows.append(("blank", start, BLANK_TIME, *empty))
    rows += [("check", time, CHECK_TIME, *CHECK) for time in check_times]
    names = ["kind", "elapsed", "live", "standard", "density", "potassium", "uranium", "thorium"]
    table = pd.DataFrame(rows, columns=names).sort_values("elapsed").reset_index(drop=True)
    elements = table[["potassium", "uranium", "thorium"]].fillna(0.0).to_numpy(dtype=float)
    mass = mass_in_view(table["density"].fillna(0.0).to_numpy(dtype=float), bench.bore)
    net, live = bench.net_rates(mass, elements), table["live"].to_numpy()
    counts = bench.count(rng, net, live)
    expected = np.rint(net.sum(axis=1) * live)
    room = bench.laboratory_temperature + rng.normal(0.0, 0.3, len(table))
    return pd.DataFrame(
        {
            "value": np.where(table["kind"] == "standard", np.nan, expected),
            "reading": counts.sum(axis=1),
            "kind": table["kind"],
            "set": "A",
            "time": format_time(table["elapsed"].to_numpy()),
            "liner": "full",
            "temperature [degC]": np.round(room, 1),
            "live_time [s]": live,
            "detector": DETECTOR,
            "standard": table["standard"],
            "density [g/cm^3]": table["density"],
            "potassium [%]": table["potassium"],
            "uranium [mg/kg]": table["uranium"],
            "thorium [mg/kg]": table["thorium"],
            **_columns(counts),
        }
    )
