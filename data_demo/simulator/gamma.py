"""Gamma counts of scan readings and of stepped aluminium standards.

A beam of live counts passes the liner's two walls, the core (grains and sea water) and what fills
the annulus; the detector adds a background and is dead for a fixed time after each count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import flaws, materials

YEAR = 365.25 * 86400.0  # s
THICKNESSES = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0)  # mm of aluminium


@dataclass(frozen=True)
class GammaBench:
    """True state of the gamma sensor; lengths in mm, times in s, rates in 1/s."""

    source_rate: float  # live rate without liner at the reference time
    forward_fraction: float
    build_up: float
    dead_time: float
    background_rate: float
    half_life: float  # yr
    wall: float
    bore: float
    laboratory_temperature: float
    salinity: float

    def attenuation(self, formula):
        """Mass attenuation [cm^2/g] of a formula at this detector."""
        return materials.mass_attenuation(formula, self.forward_fraction)

    def live_rate(self, path, elapsed):
        """True count rate [1/s] behind `path` mean free paths, `elapsed` [s] after reference."""
        liner = self.attenuation(materials.POLYCARBONATE) * materials.POLYCARBONATE_DENSITY
        path = path + liner * 2.0 * self.wall / 10.0
        decay = 2.0 ** (-np.asarray(elapsed) / (self.half_life * YEAR))
        beam = self.source_rate * decay * np.exp(-path) * (1.0 + self.build_up * path)
        return beam

    def count(self, rng, beam, real_time):
        """Counts in `real_time` [s]: Poisson arrivals, each followed by a dead time.

        The number of such renewals has mean r T / (1 + r tau) and variance r T / (1 + r tau)^3
        (from memory, Cox 1962, Renewal Theory); thousands of counts make it normal.
        """
        rate = beam + self.background_rate
        live = 1.0 / (1.0 + rate * self.dead_time)
        mean = rate * real_time * live
        draw = rng.normal(mean, np.sqrt(rate * real_time * live**3))
        return np.maximum(np.rint(draw), 0).astype(int)


def grain_attenuation(bench: GammaBench, ground) -> np.ndarray:
    """Mass attenuation [cm^2/g] of the grains of each layer."""
    minerals = materials.MINERALS
    values = np.array([bench.attenuation(m.formula) for m in minerals.values()])
    return ground.layers[list(minerals)].to_numpy() @ values


def core_path(bench, ground, depth, diameter, bore, annulus, missing=0.0):
    """Mean free paths through core and annulus; lengths in mm, `missing` share of core is gas."""
    porosity = ground.porosity(depth)
    solid = grain_attenuation(bench, ground)[ground.layer_index(depth)]
    water = materials.sea_water_attenuation(bench.salinity, bench.forward_fraction)
    water = water * ground.water_density()
    linear = porosity * water + (1.0 - porosity) * ground.grain_density(depth) * solid
    gap = np.where(annulus == "water", np.maximum(bore - diameter, 0.0), 0.0)
    return (linear * diameter * (1.0 - missing) + water * gap * (missing < 1.0)) / 10.0


def scan(rng, bench, ground, layout, readings, plan, real_time):
    """Return the scan table and its truth for marked readings (see :mod:`.flaws`)."""
    sections = layout.sections.iloc[readings["row"]].reset_index(drop=True)
    readings = flaws.mark_ends(readings, sections["length"].to_numpy())
    depth = readings["own_depth"].to_numpy()
    path = core_path(
        bench, ground, depth, sections["diameter"].to_numpy(), sections["bore"].to_numpy(),
        sections["annulus"].to_numpy(), readings["missing"].to_numpy(),
    )  # fmt: skip
    elapsed = readings["elapsed"].to_numpy()
    filled = readings["filled"].to_numpy()
    beam = filled * bench.live_rate(path, elapsed)
    beam = beam + (1.0 - filled) * bench.live_rate(np.zeros_like(path), elapsed)
    flaw = readings["flaw"].to_numpy().copy()
    spikes = flaws.choose_clean(rng, flaw, plan.spikes.get("gamma", 0))
    size = np.clip(plan.scale * rng.uniform(0.08, 0.25, len(spikes)), 0.0, 0.9)
    beam[spikes] *= 1.0 + flaws.spike_signs(rng, len(spikes)) * size
    flaw[spikes] = "spike"
    counts = bench.count(rng, beam, real_time)
    table = readings[["core", "section", "offset"]].rename(columns={"offset": "offset [cm]"})
    table = table.assign(**{"counts": counts, "real_time [s]": real_time})
    table = table.assign(run=readings["run"], time=readings["time"], set="A")
    return table, flaw


def standards(rng, bench, start, check_times, format_time, repeats=4):
    """Stepped aluminium in fresh water before the job, water checks through it."""
    rows = []
    clock = start
    for thickness in THICKNESSES:
        rows += [(thickness, "standard", 60.0, clock + 70.0 * i) for i in range(repeats)]
        clock += 70.0 * repeats + 120.0
    rows += [(0.0, "check", 30.0, time) for time in check_times]
    table = pd.DataFrame(rows, columns=["aluminium", "kind", "real_time", "elapsed"])
    temperature = bench.laboratory_temperature + np.round(rng.normal(0.0, 0.3, len(table)), 1)
    aluminium = bench.attenuation("Al") * materials.ALUMINIUM_DENSITY
    water = bench.attenuation("H2O") * materials.water_density(0.0, temperature)
    thickness = table["aluminium"].to_numpy()
    path = (aluminium * thickness + water * (bench.bore - thickness)) / 10.0
    beam = bench.live_rate(path, table["elapsed"].to_numpy())
    counts = bench.count(rng, beam, table["real_time"].to_numpy())
    return pd.DataFrame(
        {
            "aluminium_thickness [mm]": thickness,
            "bore [mm]": bench.bore,
            "counts": counts,
            "real_time [s]": table["real_time"],
            "kind": table["kind"],
            "set": "A",
            "time": format_time(table["elapsed"].to_numpy()),
            "temperature [degC]": temperature,
        }
    )
