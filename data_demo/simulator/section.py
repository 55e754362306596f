"""A piece of seismic section over the hole: nine traces of plane waves that come straight up."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from . import ground, plans
from .stated import LABORATORY_TEMPERATURE, SALINITY, draw_errors

WATER_DEPTH = 2430.0  # m, under the hole
WATER_SOUND, WATER_DENSITY = 1503.5, 1.034  # m/s, g/cm^3, mean of the column and at the seafloor
STEP, START, LENGTH = 5e-4, 3.15, 0.5  # s
FREQUENCY, PHASE = 55.0, 35.0  # Hz, degree
TRACES = 9
NOISE = 0.0035  # of one trace, in the unit of a full reflection
LAYER = 0.05  # m


def spectrum(frequency):
    """Of the source: a Ricker wavelet, every frequency turned by one phase."""
    shape = (frequency / FREQUENCY) ** 2 * np.exp(1.0 - (frequency / FREQUENCY) ** 2)
    return shape * np.exp(1j * np.radians(PHASE))


def traces(seed):
    """Times [s] and traces over the demonstration hole of a seed, times counted from sea level."""
    streams = [np.random.default_rng([int(seed), i]) for i in range(3)]
    plan, errors = plans.demo_plan(streams[0]), draw_errors(streams[2], None)
    below = ground.make_ground(
        streams[1], list(plan.boundaries), layer_scatter=plan.layer_scatter,
        salinity=SALINITY + errors.salinity_g_kg, laboratory_temperature=LABORATORY_TEMPERATURE,
    )  # fmt: skip
    middle = np.arange(LAYER / 2.0, float(below.layers["bottom"].max()), LAYER)
    velocity = below.velocity(middle)
    impedance = np.concatenate([[WATER_DENSITY * WATER_SOUND], below.density(middle) * velocity])
    reflected = np.diff(impedance) / (impedance[1:] + impedance[:-1])
    late = np.concatenate([[0.0], np.cumsum(2.0 * LAYER / velocity)[:-1]])
    count = int(LENGTH / STEP)
    frequency = np.fft.rfftfreq(4 * count, STEP)
    frequency = frequency[frequency < 4.0 * FREQUENCY]
    response = np.exp(-2j * np.pi * np.outer(frequency, late)) @ reflected
    rng = np.random.default_rng([int(seed), 101])
    rows, seafloor = [], []
    for water in WATER_DEPTH + rng.normal(0.0, 0.6, TRACES):
        arrival = 2.0 * water / WATER_SOUND
        seen = response * spectrum(frequency) * np.exp(-2j * np.pi * frequency * (arrival - START))
        white = np.fft.rfft(rng.normal(0.0, 1.0, 4 * count))[: frequency.size]
        noise = np.fft.irfft(white * np.abs(spectrum(frequency)), 4 * count)[:count]
        # The integral of a Ricker spectrum, so that a reflection of one has a peak of one.
        clean = np.fft.irfft(seen, 4 * count)[:count]
        clean = clean / np.fft.irfft(np.abs(spectrum(frequency)), 4 * count)[0]
        rows.append(clean + NOISE * noise / noise.std())
        seafloor.append(arrival)
    return START + STEP * np.arange(count), np.array(rows), np.array(seafloor)


def write(folder, seed):
    """Write the traces as a table, and beside it what is true of them."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    time, rows, seafloor = traces(seed)
    table = pd.DataFrame({"two_way_time [s]": np.round(time, 6)})
    for number, row in enumerate(rows, start=1):
        table[f"trace_{number}"] = np.round(row, 5)
    table.to_csv(folder / "traces.csv", index=False, lineterminator="\n")
    truth = {
        "frequency_Hz": FREQUENCY,
        "phase_degree": PHASE,
        "water_sound_m_s": WATER_SOUND,
        "seafloor_two_way_time_s": [round(float(t), 6) for t in seafloor],
        "noise_of_one_trace": NOISE,
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")
