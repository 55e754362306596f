"""Resistivity, susceptibility and natural gamma of the scan: plausible readings, kept raw."""

from __future__ import annotations

import gsw
import numpy as np

from . import flaws


def _start(readings, layout, half_width):
    length = layout.sections["length"].to_numpy()[readings["row"]]
    readings = flaws.mark_ends(readings, length, half_width=half_width)
    table = readings[["core", "section", "offset"]].rename(columns={"offset": "offset [cm]"})
    present = readings["filled"].to_numpy() * (1.0 - readings["missing"].to_numpy())
    return readings, table, present, readings["flaw"].to_numpy().copy()


def _end(table, readings):
    return table.assign(run=readings["run"], time=readings["time"], set="A")


def _spike(rng, flaw, value, number, size):
    chosen = flaws.choose_clean(rng, flaw, number)
    value[chosen] += flaws.spike_signs(rng, len(chosen)) * size * rng.uniform(1, 3, len(chosen))
    flaw[chosen] = "spike"


def resistivity(rng, ground, layout, readings, plan):
    """Inductive response [mV] proportional to a power of the conductivity of the core."""
    readings, table, present, flaw = _start(readings, layout, 1.5)
    temperature = ground.laboratory_temperature + rng.normal(0.0, 0.3, len(table))
    practical = gsw.SP_from_SR(ground.salinity)
    water = gsw.C_from_SP(practical, temperature, 0.0) / 10.0  # S/m
    formation = water * ground.porosity(readings["own_depth"].to_numpy()) ** 1.8
    response = 110.0 * (formation * np.clip(present, 0.02, 1.0)) ** 0.95
    _spike(rng, flaw, response, plan.spikes.get("resistivity", 0), 25.0 * plan.scale)
    table["response [mV]"] = np.round(response + rng.normal(0.0, 1.0, len(table)), 1)
    table["temperature [degC]"] = np.round(temperature, 1)
    return _end(table, readings), flaw


def susceptibility(rng, ground, layout, readings, plan):
    """Loop readings that follow the clay share, with magnetic layers and drill-pipe scale."""
    readings, table, present, flaw = _start(readings, layout, 1.5)
    depth = readings["own_depth"].to_numpy()
    value = 15.0 + 90.0 * ground.clay_fraction(depth) * (1.0 + 0.4 * np.sin(depth / 1.7))
    value = value * present + rng.normal(0.0, 0.8, len(table))
    _spike(rng, flaw, value, plan.spikes.get("susceptibility", 0), 40.0 * plan.scale)
    table["reading"] = np.round(value, 1)
    return _end(table, readings), flaw


def natural_gamma(rng, ground, layout, readings, plan):
    """Poisson counts that follow clay times solid fraction, over a background of 8 per second."""
    readings, table, present, flaw = _start(readings, layout, 6.0)
    depth, live_time = readings["own_depth"].to_numpy(), 60.0
    solid = (1.0 - ground.porosity(depth)) * (0.2 + ground.clay_fraction(depth))
    rate = 8.0 + 60.0 * solid * present
    _spike(rng, flaw, rate, plan.spikes.get("natural_gamma", 0), 6.0 * plan.scale)
    table["counts"] = rng.poisson(np.maximum(rate, 0.5) * live_time)
    table["live_time [s]"] = live_time
    return _end(table, readings), flaw
