"""The split core in the whole job: samples, strength, compression and stress against the truth."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from corephys import uncertainty
from corephys.ground import flags, series
from corephys.ground.cards import RESEARCH_ONLY
from data_demo.simulator.hole import simulate_tables

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

SEED = 47


@pytest.fixture(scope="module")
def made():
    return simulate_tables(SEED, small=True)


@pytest.fixture(scope="module")
def reduced(made):
    tables, settings, _ = made
    return cp.reduce(cp.hole_from_tables(tables, settings))


def changed(made, recipe=None, **changes):
    tables, settings, _ = made
    tables = {name: frame.copy() for name, frame in tables.items()}
    for path, change in changes.items():
        name = path.replace("__", "/")
        found = change(tables.get(name))
        if found is None:
            del tables[name]
        else:
            tables[name] = found
    return cp.reduce(cp.hole_from_tables(tables, settings), recipe)


def leaf(tree, path):
    found = series.leaf(tree, path)
    assert found is not None, path
    return found


def summary(tree):
    return json.loads(tree.attrs["summary"])


def pulls(data, name, truth):
    good = flags.usable(data[f"{name}_flag"].values, ("good", "not_evaluated", "suspect"))
    off = data[name].values - truth
    return (off / uncertainty.total(data, name).values)[good & np.isfinite(off)]


def test_velocities_of_samples_hold_the_truth(made, reduced):
    truth = made[2]["sample_velocity"]
    data = leaf(reduced, "properties/sample_velocity")
    true = truth.loc[truth["wave"] == "P", "velocity [m/s]"].to_numpy()
    off = pulls(data, "p_wave_velocity", true)
    assert off.size == true.size
    assert np.abs(off).max() < 5.0
    assert np.sqrt(np.mean(off**2)) < 2.0
    pairs = leaf(reduced, "properties/sample_anisotropy")
    assert pairs.attrs["pairs"] == pairs.sizes["reading"]
    spread = pulls(pairs, "p_wave_anisotropy", truth["p_wave_anisotropy"].to_numpy()[
        : pairs.sizes["reading"]])  # fmt: skip
    assert np.abs(spread).max() < 4.0


def test_effective_stress_is_that_of_the_true_ground(made, reduced):
    stress = leaf(reduced, "products/effective_stress")
    true = made[2]["strength"].drop_duplicates("depth [m]")
    found = np.interp(
        true["depth [m]"], stress["depth"].values, stress["vertical_effective_stress"].values
    )
    u = np.interp(
        true["depth [m]"], stress["depth"].values,
        uncertainty.total(stress, "vertical_effective_stress").values,
    )  # fmt: skip
    expected = true["vertical_effective_stress [kPa]"].to_numpy()
    deep = true["depth [m]"].to_numpy() > 30.0
    # Layers between samples are not seen: two per cent of the stress beside its uncertainty.
    assert (np.abs(found - expected)[deep] < 3.0 * u[deep] + 0.02 * expected[deep]).all()
    assert stress.attrs["safety"] == RESEARCH_ONLY


def test_strengths_hold_the_truth_and_carry_the_caution(made, reduced):
    truth = made[2]["strength"]
    data = leaf(reduced, "properties/strength")
    off = pulls(data, "undrained_shear_strength", truth["undrained_shear_strength [kPa]"])
    assert np.sqrt(np.mean(off**2)) < 2.0
    assert "not for well control" in data.attrs["safety"]
    ratio = leaf(reduced, "products/strength_ratio")
    deep = ratio["depth"].values > 10.0
    assert 0.15 < np.nanmedian(ratio["strength_ratio"].values[deep]) < 0.35
    assert (data["state"].values == "peak").sum() == ratio.sizes["reading"]


def test_compression_tests_hold_the_truth(made, reduced):
    truth = made[2]["consolidation"]
    yields = leaf(reduced, "properties/yield_stress")
    true = truth["yield_stress [kPa]"].to_numpy()
    np.testing.assert_allclose(yields["yield_stress"].values, true, rtol=0.10)
    inside = (yields["yield_stress_low"].values <= true) & (true <= yields["yield_stress_high"])
    assert inside.all()
    bound = leaf(reduced, "products/overpressure_bound")
    assert bound.attrs["bound"] == "lower"
    assert "not for well control" in bound.attrs["safety"]
    assert (bound["overpressure_bound"].values >= 0.0).all()
    quality = leaf(reduced, "properties/sample_quality")
    assert set(quality["sample_quality"].values) <= {
        "very_good_to_excellent", "good_to_fair", "poor", "very_poor",
    }  # fmt: skip


def test_what_is_missing_is_skipped_and_said(made):
    found = changed(
        made, samples__velocity=lambda f: None, samples__strength=lambda f: None,
        samples__consolidation=lambda f: None,
    )  # fmt: skip
    skipped = summary(found)["skipped"]
    assert skipped["velocity of samples"] == "no table samples/velocity.csv"
    assert skipped["strength"] == "no table samples/strength.csv"
    assert skipped["consolidation"] == "no table samples/consolidation.csv"
    alone = changed(made, samples__index_properties=lambda f: None, scan__gamma=lambda f: None)
    assert "no bulk_density; stress needs" in summary(alone)["skipped"]["effective stress"]
    assert "need the initial void ratio of a sample" in summary(alone)["skipped"]["consolidation"]
    assert "no effective stress" in " ".join(summary(alone)["notes"])


def test_a_compression_test_at_the_seafloor_bears_no_load_and_stops_nothing(made):
    def to_the_seafloor(cores):
        top = next(c for c in cores.columns if c.startswith("top"))
        first = cores.index == 0
        return cores.assign(**{top: cores[top].astype(float).where(~first, 0.0)})

    def uppermost(frame):
        first = (frame["test"] == frame["test"].iloc[0]).to_numpy()
        core, section = made[0]["sections"].loc[0, ["core", "section"]]
        frame.loc[first, ["core", "section", "offset [cm]"]] = [core, section, 0.0]
        return frame

    tree = changed(
        made, {"consolidation": {"nearest_sample": "500 m"}}, cores=to_the_seafloor,
        samples__consolidation=uppermost,
    )  # fmt: skip
    for path, name in (
        ("overconsolidation", "overconsolidation_ratio"),
        ("overpressure_bound", "overpressure_bound"),
    ):
        found = leaf(tree, f"products/{path}")
        bare = found["depth"].values == 0.0
        assert bare.sum() == 1
        np.testing.assert_array_equal(np.isnan(found[name].values), bare)
    assert any("1 tests lie at the seafloor" in note for note in summary(tree)["notes"])


def test_a_calliper_beside_the_pycnometer(made):
    """Whole volumes that hold a tenth of gas: the route of the calliper sees it."""

    def with_calliper(frame):
        true = made[2]["index_properties"]
        whole = frame["wet_mass [g]"] / true["bulk_density [g/cm^3]"]
        return frame.assign(**{"wet_volume [cm^3]": (1.1 * whole).round(3),
                               "wet_volume_method": "calliper"})  # fmt: skip

    recipe = {"index_properties": {"route": "calliper", "wet_volume_uncertainty": "0.1 cm^3",
                                   "wet_volume_systematic": "0 cm^3"}}  # fmt: skip
    found = leaf(changed(made, recipe, samples__index_properties=with_calliper),
                 "properties/index_properties")  # fmt: skip
    plain = leaf(changed(made), "properties/index_properties")
    truth = made[2]["index_properties"]["porosity"].to_numpy()
    expected = 1.0 - (1.0 - truth) / 1.1
    off = (found["porosity"].values - expected) / uncertainty.total(found, "porosity").values
    assert np.sqrt(np.nanmean(off**2)) < 2.0
    assert "volume of the sample by calliper" in found.attrs["route"]
    doubt = flags.bit("unlikely_saturation")
    assert not (found["porosity_reason"].values & doubt).any()
    assert np.nanmedian(found["saturation"].values) < 0.9
    pressed = changed(made, samples__index_properties=with_calliper)
    doubted = leaf(pressed, "properties/index_properties")["porosity_reason"].values & doubt
    assert (doubted != 0).mean() > 0.9  # by the dry volume the same volumes do not fit
    assert "fewer than two usable densities" in summary(pressed)["skipped"]["effective stress"]
    np.testing.assert_allclose(found["grain_density"], plain["grain_density"])


def test_a_cell_that_reads_too_much_is_scaled_back(made, reduced):
    def in_two_cells(frame):
        cell = np.where(np.arange(len(frame)) % 2 == 0, "1", "2")
        volume = frame["dry_volume [cm^3]"] * np.where(cell == "2", 1.02, 1.0)
        return frame.assign(**{"dry_volume [cm^3]": volume, "cell": cell})

    def spheres(_):
        rows = [(v, v * f, c) for c, f in (("1", 1.0), ("2", 1.02)) for v in (2.0, 4.0, 6.0)]
        return pd.DataFrame(rows, columns=["value [cm^3]", "reading [cm^3]", "cell"])

    wrong = changed(made, samples__index_properties=in_two_cells)
    right = changed(made, samples__index_properties=in_two_cells, standards__pycnometer=spheres)
    before, after, true = (
        leaf(t, "properties/index_properties")["grain_density"].values
        for t in (wrong, right, reduced)
    )
    assert np.abs(before - true)[1::2].min() > 0.03
    np.testing.assert_allclose(after, true, atol=1e-9)
    assert leaf(right, "properties/pycnometer_cells").sizes["cell"] == 2


def test_salinity_by_depth_goes_into_the_salt_correction(made, reduced):
    """A table that says half the salinity everywhere does what the hole's setting would do."""

    def waters(_):
        return pd.DataFrame({"depth [m]": [5.0, 120.0], "salinity [g/kg]": [17.5, 17.5]})

    tables, settings, _ = made
    by_table = changed(made, pore_water=waters)
    half = {**settings, "hole": {**settings["hole"], "pore_water_salinity": "17.5 g/kg"}}
    by_setting = cp.reduce(cp.hole_from_tables(tables, half))
    one, two, plain = (
        leaf(tree, "properties/index_properties")["porosity"].values
        for tree in (by_table, by_setting, reduced)
    )
    np.testing.assert_allclose(one, two, rtol=1e-7)
    assert np.nanmax(np.abs(one - plain)) > 0.003
    said = summary(by_table)["notes"]
    assert any("lie above or below the depths of pore_water.csv" in note for note in said)
    off = {"index_properties": {"pore_water_table": False}}
    again = leaf(changed(made, off, pore_water=waters), "properties/index_properties")
    np.testing.assert_array_equal(again["porosity"].values, plain)


def test_a_tool_that_is_no_cylinder_is_left_to_its_function(made):
    found = changed(made, downhole__tools=lambda f: f.assign(response_table="shoe"))
    why = summary(found)["skipped"]["formation temperature"]
    assert "response table shoe" in why and "responses=" in why


def test_a_wrong_dry_volume_is_named(made):
    def off(frame):
        frame.loc[12, "dry_volume [cm^3]"] += 0.5
        return frame

    tree = changed(made, samples__index_properties=off)
    said = leaf(tree, "properties/sample_culprits")
    assert said["likely_culprit"].values[12] == "dry_volume"
    assert said["suggested_change"].values[12] == pytest.approx(-0.5, abs=0.12)
    assert any("likely culprit: dry volume" in note for note in summary(tree)["notes"])
    found = leaf(tree, "properties/index_properties")
    assert found["porosity_reason"].values[12] & flags.bit("likely_volume_error")


def test_figures_of_the_split_core_are_drawn(reduced):
    for name in ("strength_depth", "consolidation_curves", "heating_run", "station"):
        figure = cp.figures.FIGURES[name](reduced)
        assert len(figure.table()) > 20, name
    with pytest.raises(cp.figures.NothingToDraw, match="no station 'x'; the stations are 1, 2"):
        cp.figures.station(reduced, "x")
    with pytest.raises(cp.figures.NothingToDraw, match="no heating run 'x'"):
        cp.figures.heating_run(reduced, "x")
