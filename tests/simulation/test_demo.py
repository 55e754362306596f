"""The demonstration hole, reduced and held against the truth beside it."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from corephys.ground import flags, series

SERIES = (
    ("properties/density", "bulk_density", "scan_gamma", "bulk_density [g/cm^3]"),
    ("properties/velocity", "p_wave_velocity", "scan_pwave", "p_wave_velocity [m/s]"),
    ("products/porosity", "porosity", "scan_gamma", "porosity"),
    ("properties/index_properties", "porosity", "index_properties", "porosity"),
    ("properties/index_properties", "bulk_density", "index_properties", "bulk_density [g/cm^3]"),
    ("properties/index_properties", "grain_density", "index_properties", "grain_density [g/cm^3]"),
    ("properties/heating_runs", "thermal_conductivity", "needle",
     "thermal_conductivity [W/(m K)]"),
    ("properties/formation_temperature", "equilibrium_temperature", "stations",
     "temperature [degC]"),
)  # fmt: skip


@pytest.fixture(scope="module")
def reduced(demo_reduced):
    return demo_reduced


@pytest.mark.parametrize(("path", "name", "table", "column"), SERIES)
def test_median_error_lies_within_the_systematic_uncertainty(
    reduced, demo_hole, path, name, table, column
):
    data = series.leaf(reduced, path)
    truth = pd.read_csv(demo_hole / "truth" / f"{table}.csv")[column].to_numpy()
    good = data[f"{name}_flag"].values == flags.GOOD
    error = np.median((data[name].values - truth)[good])
    assert abs(error) <= np.median(data[f"{name}_u_systematic"].values[good])


def test_heat_flow_lies_within_its_interval(reduced, demo_hole):
    truth = json.loads((demo_hole / "truth" / "truth.json").read_text())["heat_flow_mW_m2"]
    data = series.leaf(reduced, "products/heat_flow")
    u = np.hypot(data["heat_flow_u_random"], data["heat_flow_u_systematic"])
    assert abs(float(data["heat_flow"]) - truth) < 2 * float(u)


def test_the_mistyped_mass_and_nothing_else_is_doubted(reduced, demo_hole):
    data = series.leaf(reduced, "properties/index_properties")
    truth = pd.read_csv(demo_hole / "truth" / "index_properties.csv")["flaw"].fillna("")
    doubted = data["porosity_flag"].values != flags.GOOD
    np.testing.assert_array_equal(doubted, truth.to_numpy() == "mistyped_mass")
