"""Signed effects against brute force: one source moved in the raw data, the whole job done again.

An effect is what one standard uncertainty of its source does to a value. Here the raw tables or
the recipe are changed by just that much and everything is reduced anew.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from data_demo.simulator.hole import simulate_tables

SCAN = (
    "cores", "sections", "removed", "layers", "scan/gamma", "scan/pwave", "standards/gamma",
    "standards/pwave", "samples/index_properties",
)  # fmt: skip
HEAT = ("cores", "sections", "samples/needle", "downhole/tools", "downhole/stations",
        "downhole/formation_temperature")  # fmt: skip
# Stated, so that a change of salinity does not change it too: two sources, moved one at a time.
WATER = {
    "index_properties": {"pore_water_density": "1.0248 g/cm^3"},
    "porosity": {"pore_water_density": "1.0248 g/cm^3"},
}
# What is changed: (table, column, by so much, times so much) ... or settings; each one sigma.
MOVES: dict[str, Any] = {
    "core_diameter": [("sections", "core_diameter [mm]", 0.3, 1.0),
                      ("scan/pwave", "thickness [mm]", 0.3, 1.0)],
    "dead_time": {"gamma": {"dead_time": "5.2 us"}},
    "background_rate": {"gamma": {"background_rate": "12.5 1/s"}},
    "pycnometer": [("samples/index_properties", "dry_volume [cm^3]", 0.01, 1.0)],
    "balance": [("samples/index_properties", "wet_mass [g]", 0.005, 1.0),
                ("samples/index_properties", "dry_mass [g]", 0.005, 1.0)],
    "pore_water_density": {"index_properties": {"pore_water_density": "1.0253 g/cm^3"},
                           "porosity": {"pore_water_density": "1.0253 g/cm^3"}},
    "pore_water_salinity": {"hole": {"pore_water_salinity": "35.2 g/kg"}},
    "heating_power": [("samples/needle", "heating_power [W/m]", 0.0, 1.01)],
    "thermometer": [("downhole/formation_temperature", "temperature [degC]", 0.002, 1.0)],
}  # fmt: skip
# Source, result, quantity, and how far the change may lie from the effect, relative. 2 % is a
# second order; more where the fit is made anew: its windows, its excess scatter and its weights
# move with the readings, which a first order leaves out.
CASES = [
    ("core_diameter", "properties/density", "bulk_density", 0.02),
    ("core_diameter", "properties/velocity", "p_wave_velocity", 0.02),
    ("core_diameter", "products/impedance", "acoustic_impedance", 0.02),
    ("core_diameter", "products/porosity", "porosity", 0.02),
    ("core_diameter", "products/two_way_time", "two_way_time", 0.02),
    ("dead_time", "properties/density", "bulk_density", 0.02),
    ("dead_time", "products/porosity", "porosity", 0.02),
    ("background_rate", "properties/density", "bulk_density", 0.02),
    ("pycnometer", "properties/index_properties", "grain_density", 0.02),
    ("pycnometer", "products/compaction", "surface_porosity", 0.06),
    ("balance", "properties/index_properties", "bulk_density", 0.02),
    ("balance", "properties/index_properties", "grain_density", 0.02),
    ("pore_water_density", "properties/index_properties", "bulk_density", 0.02),
    ("pore_water_density", "products/compaction", "surface_porosity", 0.06),
    ("pore_water_salinity", "properties/index_properties", "porosity", 0.02),
    ("pore_water_salinity", "properties/index_properties", "grain_density", 0.02),
    ("heating_power", "properties/thermal_conductivity", "thermal_conductivity", 0.03),
    ("heating_power", "products/heat_flow", "heat_flow", 0.06),
    ("thermometer", "properties/formation_temperature", "equilibrium_temperature", 0.02),
    ("thermometer", "products/heat_flow", "heat_flow", 0.06),
]


@pytest.fixture(scope="module")
def job() -> Callable[[str | None, bool], xr.DataTree]:
    """Reduce one small hole as it is or with one source moved, once each."""
    tables, settings, _ = simulate_tables(47, small=True)
    done: dict[tuple[str | None, bool], xr.DataTree] = {}

    def reduced(source: str | None, heat: bool) -> xr.DataTree:
        if (source, heat) not in done:
            given = {name: tables[name].copy() for name in (HEAT if heat else SCAN)}
            move = MOVES[source] if source else {}
            recipe = {stage: dict(keys) for stage, keys in settings.items()}
            for changes in (WATER, move if isinstance(move, dict) else {}):
                for stage, keys in changes.items():
                    recipe.setdefault(stage, {}).update(keys)
            for table, column, by, times in move if isinstance(move, list) else []:
                given[table][column] = given[table][column].astype(float) * times + by
            done[source, heat] = cp.reduce(cp.hole_from_tables(given, recipe))
        return done[source, heat]

    return reduced


@pytest.mark.slow
@pytest.mark.parametrize(("source", "path", "name", "tolerance"), CASES)
def test_one_sigma_in_the_raw_data_is_the_effect(
    job: Callable[[str | None, bool], xr.DataTree], source: str, path: str, name: str,
    tolerance: float,
) -> None:  # fmt: skip
    heat = source in ("heating_power", "thermometer")
    before, after = (series.leaf(job(which, heat), path) for which in (None, source))
    assert before is not None and after is not None
    values, moved = (np.atleast_1d(data[name].values) for data in (before, after))
    effect = np.atleast_1d(before[f"{name}_effects"].sel(source=source).values)
    good = np.isfinite(values) & np.isfinite(moved)
    if before[name].ndim:
        good &= flags.usable(before[f"{name}_flag"].values)
        good &= flags.usable(after[f"{name}_flag"].values)
    good &= effect != 0  # where the seafloor is the datum nothing moves
    assert good.any()
    ratio = (moved - values)[good] / effect[good]
    assert np.median(ratio) == pytest.approx(1.0, abs=tolerance)


@pytest.mark.slow
def test_the_diameter_cancels_in_the_impedance_as_its_effect_says(job) -> None:
    """Density goes down and velocity up: without signs the budget would be too wide."""
    tree = job(None, False)
    table = cp.uncertainty.budget(tree["products/impedance"]).set_index("source")
    parts = [
        cp.uncertainty.budget(tree[path]).set_index("source").loc["core_diameter", "effect"]
        / float(tree[path][name].median())
        for path, name in (
            ("properties/density", "bulk_density"), ("properties/velocity", "p_wave_velocity"),
        )
    ]  # fmt: skip
    relative = table.loc["core_diameter", "effect"] / float(
        tree["products/impedance"]["acoustic_impedance"].median()
    )
    assert parts[0] < 0 < parts[1]
    assert abs(relative) < 0.2 * max(abs(part) for part in parts)
