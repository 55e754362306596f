"""Magnetic susceptibility: readings of a loop around the core, in air and of a check standard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import along, flaws
from .drift import HOUR, Drift, air_times, make_drift

WIDTH = 5.0  # cm, full width at half maximum of the response along the core
APERTURE, ALLOWANCE = 80.0, 8.0  # mm, of the loop, and from it to the effective loop
COEFFICIENT = 3.45  # of the volume factor
FACTOR_UNCERTAINTY = 2.0  # %, of the volume factor
NOISE = 0.3  # 1e-5, one standard deviation
TEMPERATURE_NOISE = 0.3  # K
COUNTER_RANGE = 10000.0
AIR_EVERY = 0.17 * HOUR
CHECK_VALUE = 213.0  # what the check standard reads in a meter that is right, 1e-5


@dataclass(frozen=True)
class LoopBench:
    """True state of the meter; from `step_at` [s] on it reads too high by the factor `step`."""

    factor_error: float
    drift: Drift
    laboratory_temperature: float
    step_at: float | None = None
    step: float = 1.0

    def volume_factor(self, diameter):
        """Reading over 1e5 times the volume susceptibility of a core of `diameter` [mm]."""
        size = np.asarray(diameter) / (APERTURE + ALLOWANCE)
        return COEFFICIENT * size**3 * (1.0 + self.factor_error)

    def stepped(self, elapsed):
        """True from the step on."""
        late = np.asarray(elapsed, dtype=float)
        return np.zeros(late.shape, bool) if self.step_at is None else late >= self.step_at

    def read(self, rng, signal, elapsed):
        """Readings [1e-5] of true signals at times [s], before the counter wraps."""
        sensitivity = np.where(self.stepped(elapsed), self.step, 1.0)
        noise = rng.normal(0.0, NOISE, np.shape(signal))
        return np.round(signal * sensitivity + self.drift.at(elapsed) + noise, 1)


def make_bench(rng, last, *, factor_error, laboratory_temperature, step_at=None, step=1.0):
    """Draw the drift of the meter up to `last` [s]."""
    drift = make_drift(rng, last, level=rng.uniform(-1.0, 1.0), trend=0.0005, swing=0.8,
                       walk=0.5, memory=6.0)  # fmt: skip
    return LoopBench(factor_error, drift, laboratory_temperature, step_at, step)


def scan(rng, bench, fields, layout, cells, readings, plan):
    """Return the scan table and its truth for marked readings with their `temperature`."""
    readings = cells.label(readings, layout, WIDTH)
    elapsed, temperature = readings["elapsed"].to_numpy(), readings["temperature"].to_numpy()
    diameter = layout.sections["diameter"].to_numpy()[readings["row"]]
    seen = cells.seen(readings, WIDTH, cells.fill * fields.magnetic_susceptibility(cells.own_depth))
    signal = 1e5 * seen * bench.volume_factor(diameter)
    flaw = readings["flaw"].to_numpy().copy()
    spikes = flaws.choose_clean(rng, flaw, plan.spikes.get("susceptibility", 0))
    size = 40.0 * plan.scale * rng.uniform(1.0, 3.0, len(spikes))
    signal[spikes] += flaws.spike_signs(rng, len(spikes)) * size
    flaw[spikes] = "spike"
    flaw[bench.stepped(elapsed) & (flaw == "")] = "out_of_control"
    reading = bench.read(rng, signal, elapsed)
    wrapped = reading >= COUNTER_RANGE
    flaw[wrapped] = "counter_wrapped"
    table = along.keys(readings)
    table["reading"] = np.round(np.where(wrapped, reading % COUNTER_RANGE, reading), 1)
    measured = temperature + rng.normal(0.0, TEMPERATURE_NOISE, len(table))
    table["temperature [degC]"] = np.round(measured, 1)
    table = table.assign(run=readings["run"], time=readings["time"], set="A")
    point = fields.magnetic_susceptibility(readings["own_depth"].to_numpy())
    truth = along.truth_keys(readings, flaw, fields.ground).assign(
        magnetic_susceptibility=np.round(point, 8), magnetic_susceptibility_seen=np.round(seen, 8)
    )
    return table, truth


def standards(rng, bench, scanned, check_times, format_time):
    """Readings in air about once a section, and the check standard with air before it."""
    air = np.concatenate([air_times(scanned, AIR_EVERY), check_times - 30.0])
    blanks = pd.DataFrame({"elapsed": air, "value": 0.0, "kind": "blank"})
    checks = pd.DataFrame({"elapsed": check_times, "value": CHECK_VALUE, "kind": "check"})
    table = pd.concat([blanks, checks], ignore_index=True).sort_values("elapsed")
    elapsed = table["elapsed"].to_numpy()
    room = bench.laboratory_temperature + rng.normal(0.0, 0.3, len(table))
    return pd.DataFrame(
        {
            "value": table["value"].to_numpy(),
            "reading": bench.read(rng, table["value"].to_numpy(), elapsed),
            "kind": table["kind"].to_numpy(),
            "set": "A",
            "time": format_time(elapsed),
            "liner": "none",
            "temperature [degC]": np.round(room, 1),
        }
    )
