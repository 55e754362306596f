"""Heating curves of a needle probe: an infinite cylinder with heat capacity and a contact film."""

from __future__ import annotations

import numpy as np
import pandas as pd

from . import cylinder
from .materials import WATER_CONDUCTIVITY

RADIUS = 1.0e-3  # m
PROBE_HEAT_CAPACITY = 9.6  # J/(m K), of a whole cylinder
STATED_POWER = 3.0  # W/m
NOISE = 1.0e-3  # K
FILM, LOOSE_FILM = (4e-5, 2e-4), (8e-4, 1.5e-3)  # m, thickness of the water film around the needle


def rise(time, conductivity, volumetric_heat_capacity, heating_power, conductance, half_space):
    """Temperature rise [K] of the needle at `time` [s] since heating began (0 before).

    The half-space needle is a half cylinder in the face of an insulating lid: by reflection it is
    half of a full space with a whole needle and twice the heat.
    """
    power = heating_power * (2.0 if half_space else 1.0)
    alpha = 2.0 * np.pi * RADIUS**2 * volumetric_heat_capacity / PROBE_HEAT_CAPACITY
    contact = conductivity / (RADIUS * conductance)
    tau = conductivity / volumetric_heat_capacity * np.maximum(time, 0.0) / RADIUS**2
    return power / (4.0 * np.pi * conductivity) * cylinder.heating(tau, alpha, contact)


def runs(rng, ground, layout, positions, power_error, *, step):
    """Heating curves at `positions` (row, offset, repeats, half_space, direction, loose).

    Returns the table and the truth of each run. The true power is the stated one times
    1 + `power_error`.
    """
    tables, truth = [], []
    time = np.arange(-60.0, 240.0 + step / 2.0, step)
    number = 0
    for position in positions.itertuples():
        section = layout.sections.iloc[position.row]
        depth, own = layout.depths(np.array([position.row]), np.array([position.offset]))
        conductivity = float(ground.conductivity(own)[0])
        for _ in range(position.repeats):
            number += 1
            film = rng.uniform(*(LOOSE_FILM if position.loose else FILM))
            warm = rise(
                time, conductivity, float(ground.heat_capacity(own)[0]),
                STATED_POWER * (1.0 + power_error), WATER_CONDUCTIVITY / film,
                position.half_space,
            )  # fmt: skip
            drift = rng.normal(0.0, 2.0e-5) * time
            start = ground.laboratory_temperature + rng.normal(0.0, 0.2)
            measured = start + drift + warm + rng.normal(0.0, NOISE, time.size)
            geometry = "half_space" if position.half_space else "full_space"
            keys = {"run": number, "core": section["core"], "section": section["section"]}
            keys["offset [cm]"] = position.offset
            tables.append(
                pd.DataFrame(
                    {
                        **keys,
                        "geometry": geometry,
                        "direction": position.direction,
                        "heating_power [W/m]": STATED_POWER,
                        "time [s]": time,
                        "temperature [degC]": np.round(measured, 4),
                        "radius [mm]": RADIUS * 1e3,
                    }
                )
            )
            flaw = "loose_contact" if position.loose else ""
            truth.append({**keys, "depth [m]": round(float(depth[0]), 3),
                          "thermal_conductivity [W/(m K)]": round(conductivity, 5),
                          "flaw": flaw})  # fmt: skip
    return pd.concat(tables, ignore_index=True), pd.DataFrame(truth)
