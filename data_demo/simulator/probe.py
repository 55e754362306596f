"""Formation temperatures: a probe warmed by friction that cools towards the formation."""

from __future__ import annotations

import numpy as np
import pandas as pd

from . import cylinder

NOISE = 2.0e-3  # K
RADIUS = 8.0e-3  # m
STATED_HEAT_CAPACITY = 720.0  # J/(m K)
HEAT_CAPACITY_UNCERTAINTY = 20.0
SHIFT_UNCERTAINTY = 3.0  # s, of the recorded time of penetration
BOTTOM_STOP = np.arange(0.0, 300.0, 10.0)  # s, stopped at the sea floor
PENETRATION = 900.0  # s, as recorded


def record(
    rng, ground, depth, heat_capacity, thermometer_error, *, duration, step, second_pulse=False
):
    """One station's temperatures; returns time [s], temperature [degC], kind and the truth."""
    shift = rng.normal(0.0, SHIFT_UNCERTAINTY)
    formation = float(ground.temperature(depth))
    conductivity = float(ground.conductivity(depth))
    volumetric = float(ground.heat_capacity(depth))
    alpha = 2.0 * np.pi * RADIUS**2 * volumetric / heat_capacity
    time = np.arange(PENETRATION, PENETRATION + duration + step / 2.0, step)
    since = time - PENETRATION - shift
    rate = conductivity / volumetric / RADIUS**2
    pulse = rng.uniform(2.0, 5.0)
    inside = formation + pulse * cylinder.decay(rate * np.maximum(since, 0.0), alpha)
    if second_pulse:  # the tool moved: by superposition a second decay starts later
        later = since - 0.55 * duration
        second = cylinder.decay(rate * np.maximum(later, 0.0), alpha)
        inside = inside + 1.5 * np.where(later >= 0.0, second, 0.0)
    above = ground.bottom_water_temperature
    inside = np.where(since < 0.0, above, inside)
    times = np.concatenate([BOTTOM_STOP, time])
    values = np.concatenate([np.full(BOTTOM_STOP.size, above), inside])
    values = values + thermometer_error + rng.normal(0.0, NOISE, values.size)
    kind = np.where(np.arange(times.size) < BOTTOM_STOP.size, "bottom_water", "formation")
    truth = {
        "temperature [degC]": round(formation, 5),
        "conductivity [W/(m K)]": round(conductivity, 5),
        "shift [s]": round(shift, 3),
        "pulse [K]": round(pulse, 4),
    }
    return times, np.round(values, 4), kind, truth


def stations(rng, ground, depths, heat_capacity, thermometer_error, *, step, disturbed=None):
    """Tables tools, stations and formation_temperature, and the truth of each station."""
    tables, rows, truth = [], [], []
    for number, depth in enumerate(depths, start=1):
        moved = number == disturbed
        duration = 900.0
        times, values, kind, true = record(
            rng, ground, depth, heat_capacity, thermometer_error,
            duration=duration, step=step, second_pulse=moved,
        )  # fmt: skip
        name = str(number)
        tables.append(
            pd.DataFrame(
                {"station": name, "time [s]": times, "temperature [degC]": values, "kind": kind}
            )
        )
        rows.append(
            {
                "station": name,
                "tool": "probe",
                "depth [m]": depth,
                "penetration_time [s]": PENETRATION,
                "end_time [s]": PENETRATION + duration,
                "note": "heave moved the drill string" if moved else "",
            }
        )
        truth.append({"station": name, "depth [m]": depth, **true,
                      "flaw": "second_pulse" if moved else ""})  # fmt: skip
    tools = pd.DataFrame(
        {
            "tool": ["probe"],
            "radius [mm]": [RADIUS * 1e3],
            "heat_capacity [J/(m K)]": [STATED_HEAT_CAPACITY],
            "u_heat_capacity [J/(m K)]": [HEAT_CAPACITY_UNCERTAINTY],
        }
    )
    return tools, pd.DataFrame(rows), pd.concat(tables, ignore_index=True), pd.DataFrame(truth)
