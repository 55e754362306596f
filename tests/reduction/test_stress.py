"""Stress in the whole job: what the recipe asks for, what it says when it cannot."""

from __future__ import annotations

import json

import numpy as np
import pytest

import corephys as cp
from corephys.ground import series
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.provenance import used_constants
from data_demo.simulator.hole import simulate_tables

ASKED = {
    "fill": "compaction",
    "drilling_fluid_density": "1.2 g/cm^3",
    "reference_void_ratio": 1.5,
    "reference_compression_index": 0.5,
    "reference_void_ratio_uncertainty": 0.05,
    "reference_compression_index_uncertainty": 0.02,
    "reference_scatter": 0.05,
    "water_depth_uncertainty": "2 m",
}


@pytest.fixture(scope="module")
def made():
    tables, settings, _ = simulate_tables(47, small=True)
    kept = {name: table for name, table in tables.items() if name.startswith("samples/index")}
    for name in ("sections", "cores", "removed", "layers"):
        if name in tables:
            kept[name] = tables[name]
    return kept, settings


@pytest.fixture(scope="module")
def asked(made):
    return cp.reduce(cp.hole_from_tables(*made), {"stress": ASKED})


def test_profile_column_and_bound_are_written_with_their_caution(asked):
    paths = ("stress_profile", "fluid_column", "fluid_column_margins",
             "overpressure_bound_of_porosity", "effective_stress")  # fmt: skip
    for path in paths:
        found = series.leaf(asked, f"products/{path}")
        assert found is not None, path
        assert found.attrs["safety"] == RESEARCH_ONLY
    assert series.leaf(asked, "products/overpressure_bound_of_porosity").attrs["bound"] == "lower"


@pytest.fixture(scope="module")
def plain(made):
    return cp.reduce(cp.hole_from_tables(*made))


def test_profile_and_stress_at_the_samples_are_one(plain):
    profile = series.leaf(plain, "products/stress_profile")
    early = series.leaf(plain, "products/effective_stress")
    name = "vertical_effective_stress"
    there = np.interp(early["depth"].values, profile["depth"].values, profile[name].values)
    np.testing.assert_allclose(early[name].values, there, rtol=2e-3, atol=0.1)


def test_the_fluid_column_stands_on_the_same_sea(asked):
    profile = series.leaf(asked, "products/stress_profile")
    column = series.leaf(asked, "products/fluid_column")
    at_top = [profile["hydrostatic_pressure"].values[0], column["fluid_column_pressure"].values[0]]
    assert at_top[0] == pytest.approx(at_top[1], rel=1e-12)
    margins = series.leaf(asked, "products/fluid_column_margins")
    g = 9.80665 * profile["depth"].values
    fluid = used_constants(profile)["pore_water_density"].in_unit("g/cm^3")
    expected = g * (1.2 - fluid)
    np.testing.assert_allclose(margins["pressure_over_hydrostatic"].values, expected, atol=1e-6)


def test_without_a_depth_of_water_nothing_is_reckoned_from_sea_level(made):
    tables, settings = made
    hole = {k: v for k, v in settings["hole"].items() if k != "water_depth"}
    tree = cp.reduce(cp.hole_from_tables(tables, {**settings, "hole": hole}), {"stress": ASKED})
    profile = series.leaf(tree, "products/stress_profile")
    assert "overburden_stress" not in profile and "overburden_below_seafloor" in profile
    assert series.leaf(tree, "products/fluid_column") is None
    assert "water_depth is not given" in " ".join(json.loads(tree.attrs["summary"])["notes"])


def test_nothing_asked_for_gives_a_profile_alone(plain):
    tree = plain
    assert series.leaf(tree, "products/stress_profile").attrs["fill"] == "linear"
    for path in ("fluid_column", "fluid_column_margins", "overpressure_bound_of_porosity"):
        assert series.leaf(tree, f"products/{path}") is None


def test_a_sample_that_cannot_be_does_not_stop_the_bound(made):
    tables, settings = made
    name = "samples/index_properties"
    frame = tables[name].copy()
    column = next(c for c in frame.columns if c.startswith("dry_mass"))
    frame[column] = frame[column].astype(float)
    frame.loc[3:5, column] *= 3.0  # grains heavier than the whole
    result = cp.reduce(cp.hole_from_tables({**tables, name: frame}, settings), {"stress": ASKED})
    samples = series.leaf(result, "properties/index_properties")
    assert (samples["porosity"].values[3:6] > 1.0).all()
    bound = series.leaf(result, "products/overpressure_bound_of_porosity")
    assert bound.sizes["reading"] == len(frame)
    assert np.isnan(bound["overpressure_bound"].values).nonzero()[0].tolist() == [3, 4, 5]
    assert not bound["informative"].values[3:6].any()
    assert np.isfinite(bound["overpressure_bound_u_random"].values[6:]).all()


def test_what_was_asked_for_and_cannot_be_made_is_said(made):
    tables, settings = made
    dry = {**settings, "hole": {k: v for k, v in settings["hole"].items() if k != "water_depth"}}
    asked_for = {"drilling_fluid_density": "1.2 g/cm^3", "reference_void_ratio": 1.5}
    result = cp.reduce(cp.hole_from_tables(tables, dry), {"stress": asked_for})
    notes = "; ".join(json.loads(result.attrs["summary"])["notes"])
    assert "fluid column not computed: give [hole] water_depth" in notes
    assert "needs both reference_void_ratio and reference_compression_index" in notes
    assert series.leaf(result, "products/fluid_column") is None
