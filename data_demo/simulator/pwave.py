"""P-wave travel times, thicknesses and amplitudes of scan readings, and their standards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import flaws, materials

FULL_AMPLITUDE = 100.0
LOST_AMPLITUDE = 2.0
TIME_NOISE, THICKNESS_NOISE = 0.03, 0.02  # us and mm, one standard deviation
ACRYLIC_VELOCITY = 2740.0  # m/s (from memory)


@dataclass(frozen=True)
class PwaveBench:
    """True state of the P-wave sensor: delay [us], liner velocity [m/s], lengths [mm]."""

    delay: float
    liner_velocity: float
    wall: float
    calliper_error: float
    laboratory_temperature: float
    salinity: float


def scan(rng, bench, ground, layout, readings, plan):
    """Return the scan table and its truth for marked readings (see :mod:`.flaws`)."""
    sections = layout.sections.iloc[readings["row"]].reset_index(drop=True)
    readings = flaws.mark_ends(readings, sections["length"].to_numpy(), half_width=0.8)
    number = len(readings)
    temperature = bench.laboratory_temperature + rng.normal(0.0, 0.3, number)
    velocity = ground.velocity(readings["own_depth"].to_numpy())
    bore, diameter = sections["bore"].to_numpy(), sections["diameter"].to_numpy()
    sound = materials.water_velocity(bench.salinity, temperature)
    time = bench.delay + 1e3 * (
        2.0 * bench.wall / bench.liner_velocity + (bore - diameter) / sound + diameter / velocity
    )
    gapped = bore - diameter > 0.5
    amplitude = FULL_AMPLITUDE * np.where(gapped, 0.6, 1.0) * np.exp(rng.normal(0, 0.08, number))
    noise = np.full(number, TIME_NOISE)
    flaw = readings["flaw"].to_numpy().copy()
    flaw[(sections["annulus"] == "air").to_numpy() & (flaw == "")] = "air_annulus"
    time, amplitude, noise = _couple(rng, plan, readings, flaw, time, amplitude, noise)
    time = time + noise * rng.normal(0.0, 1.0, number)
    spikes = flaws.choose_clean(rng, flaw, plan.spikes.get("pwave", 0))
    time[spikes] += (
        plan.scale * flaws.spike_signs(rng, len(spikes)) * rng.uniform(1.5, 6.0, len(spikes))
    )
    flaw[spikes] = "spike"
    thickness = bore + 2.0 * bench.wall + bench.calliper_error
    thickness = thickness + rng.normal(0.0, THICKNESS_NOISE, number)
    table = readings[["core", "section", "offset"]].rename(columns={"offset": "offset [cm]"})
    table["travel_time [us]"] = np.round(time, 2)
    table["thickness [mm]"] = np.round(thickness, 2)
    table["amplitude"] = np.round(amplitude, 1)
    table["temperature [degC]"] = np.round(temperature, 1)
    return table.assign(run=readings["run"], time=readings["time"], set="A"), flaw


def _couple(rng, plan, readings, flaw, time, amplitude, noise):
    """Apply what lost or weak coupling does; labels single-reading weak coupling in `flaw`."""
    number = len(flaw)
    starts = flaws.choose_clean(rng, flaw, plan.weak_coupling)
    for start in starts:
        run = np.arange(start, min(start + rng.integers(1, 4), number))
        flaw[run[flaw[run] == ""]] = "weak_coupling"
    weak = flaw == "weak_coupling"
    amplitude[weak] *= rng.uniform(0.05, 0.25, weak.sum())
    # a fixed threshold meets a weak onset late
    time[weak] += plan.scale * rng.uniform(0.5, 2.5, weak.sum())
    noise[weak] = 0.4 * plan.scale
    under = flaw == "under_filled"
    amplitude[under] *= rng.uniform(0.04, 0.2, under.sum())
    time[under] += plan.scale * rng.uniform(0.3, 2.0, under.sum())
    noise[under] = 0.8 * plan.scale
    end = flaw == "section_end"
    filled = readings["filled"].to_numpy()
    amplitude[end] *= filled[end] ** 2
    time[end] += plan.scale * 2.0 * (1.0 - filled[end])
    noise[end] = 0.3
    lost = np.isin(flaw, ["gas_void", "declared_void", "air_annulus"])
    amplitude[lost] = np.abs(rng.normal(LOST_AMPLITUDE, 0.8, lost.sum()))
    picked = rng.uniform(30.0, 75.0, lost.sum())  # the picker triggers on noise, or not at all
    time[lost] = np.where(rng.random(lost.sum()) < 0.5, picked, np.nan)
    return time, amplitude, noise


def standards(rng, bench, start, format_time, repeats=3):
    """Acrylic blocks without liner and fresh water in liners of several bores."""
    rows = [("acrylic", "none", length) for length in (20.0, 30.0, 40.0, 50.0, 60.0, 80.0)]
    rows += [("water", "full", length) for length in (40.0, 55.0, 70.0, 85.0)]
    table = pd.DataFrame(
        [row for row in rows for _ in range(repeats)], columns=["medium", "liner", "length"]
    )
    temperature = bench.laboratory_temperature + np.round(rng.normal(0.0, 0.3, len(table)), 1)
    sound = materials.water_velocity(0.0, temperature)
    speed = np.where(table["medium"] == "acrylic", ACRYLIC_VELOCITY, sound)
    walls = np.where(table["liner"] == "full", 2.0 * bench.wall / bench.liner_velocity, 0.0)
    time = bench.delay + 1e3 * (table["length"].to_numpy() / speed + walls)
    time = time + rng.normal(0.0, TIME_NOISE, len(table))
    return pd.DataFrame(
        {
            "length [mm]": table["length"],
            "travel_time [us]": np.round(time, 2),
            "temperature [degC]": temperature,
            "medium": table["medium"],
            "liner": table["liner"],
            "set": "A",
            "time": format_time(start + 60.0 * np.arange(len(table))),
        }
    )
