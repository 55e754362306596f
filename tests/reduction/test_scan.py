"""The stages of the scan in the whole job: each opt-in, each watch, each way to go without."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import quality
from corephys.ground import flags, series
from corephys.reduction.recipe import Recipe
from corephys.reduction.stages.quality import quality_settings
from data_demo.simulator.hole import simulate_hole, simulate_tables
from data_demo.simulator.waveforms import synthetic_arrivals

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

SEED = 41


@pytest.fixture(scope="module")
def made():
    return simulate_tables(SEED, small=True)


@pytest.fixture(scope="module")
def reduced(made):
    tables, settings, _ = made
    return cp.reduce(cp.hole_from_tables(tables, settings))


def reduce(made, recipe=None, **changes):
    """Reduce the small hole with some tables changed by a function of the table."""
    tables, settings, _ = made
    tables = {name: frame.copy() for name, frame in tables.items()}
    for path, change in changes.items():
        name = path.replace("__", "/")
        tables[name] = change(tables[name])
    return cp.reduce(cp.hole_from_tables(tables, settings), recipe)


def leaf(tree, path):
    found = series.leaf(tree, path)
    assert found is not None, path
    return found


def failed(tree):
    """What stopped each stage that could not go on."""
    return json.loads(tree.attrs["summary"])["failed"]


def notes(tree):
    return " | ".join(json.loads(tree.attrs["summary"])["notes"])


def skipped(tree):
    return json.loads(tree.attrs["summary"])["skipped"]


# Gamma -------------------------------------------------------------------------------------------


def two_sets(frame):
    """The standards once more ten days later, from a source that reads 2 per cent more."""
    later = frame[frame["kind"] == "standard"].copy()
    later["set"] = "B"
    later["time"] = (pd.to_datetime(later["time"]) + pd.Timedelta(days=10)).dt.strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    rate = later["counts"] / later["real_time [s]"]
    true = 1.02 * (rate / (1.0 - rate * 5e-6) - 12.0) + 12.0
    later["counts"] = (true / (1.0 + true * 5e-6) * later["real_time [s]"]).round().astype(int)
    return pd.concat([frame, later], ignore_index=True)


def test_sets_of_standards_are_interpolated_between_their_times(made, reduced):
    both = reduce(made, standards__gamma=two_sets)
    assert "2 sets of standards (A, B), interpolated in time" in notes(both)
    assert leaf(both, "properties/gamma_calibration_B").attrs["order"] in (1, 2)
    density, before = leaf(both, "properties/density"), leaf(reduced, "properties/density")
    elapsed = leaf(both, "scan/gamma")["time"].values - np.datetime64("2031-05-01T00:00:00")
    share = np.clip(elapsed / np.timedelta64(1, "D") / 10.0, 0.0, 1.0)
    only = reduce(made, standards__gamma=lambda frame: two_sets(frame).query("set == 'B'"))
    whole = leaf(only, "properties/density")["apparent_density"].values
    whole = whole - before["apparent_density"].values
    moved = density["apparent_density"].values - before["apparent_density"].values
    good = before["bulk_density_flag"].values == flags.GOOD
    np.testing.assert_allclose(moved[good], (share * whole)[good], rtol=0.02, atol=1e-4)
    assert np.median(whole[good]) == pytest.approx(np.log(1.02) / 0.07 / 6.6, rel=0.15)
    sources = set(density["source"].values.astype(str))
    assert {"gamma_calibration_A_1", "gamma_calibration_B_1"} <= sources
    together = reduce(made, {"gamma": {"calibrations": "together"}}, standards__gamma=two_sets)
    assert "gamma_calibration_1" in leaf(together, "properties/density")["source"].values


def test_the_dead_time_may_come_from_the_standards(made):
    found = reduce(made, {"gamma": {"dead_time_from_standards": True}})
    assert "dead time of the gamma counter from" in notes(found)
    other = reduce(made, {"gamma": {"dead_time_from_standards": True, "time": "live"}})
    assert "needs real counting times" in failed(other)["gamma calibration"]


def test_the_grain_equivalent_scale_gives_the_same_density(made, reduced):
    other = reduce(made, {"gamma": {"scale": "grain_equivalent"}})
    a, b = leaf(reduced, "properties/density"), leaf(other, "properties/density")
    assert (a.attrs["density_scale"], b.attrs["density_scale"]) == (
        "aluminium_and_water", "grain_equivalent",
    )  # fmt: skip
    good = (a["bulk_density_flag"].values == 1) & (b["bulk_density_flag"].values == 1)
    ratio = (b["bulk_density"].values / a["bulk_density"].values)[good]
    assert np.abs(ratio - 1.0).max() < 0.005


def test_the_tie_to_the_samples_is_explicit_and_opt_in(made, reduced):
    assert series.leaf(reduced, "properties/density_tied") is None
    found = reduce(made, {"gamma": {"tie_to_samples": True}})
    factor = leaf(found, "properties/density_tie")
    assert set(factor["coring_method"].values) == {"piston", "rotary"}
    untied = leaf(found, "properties/density")["bulk_density"].values
    tied = leaf(found, "properties/density_tied")["bulk_density_tied"].values
    ratio = np.round((tied / untied)[np.isfinite(tied)], 9)
    assert set(ratio) <= set(np.round(factor["tie_factor"].values, 9))
    xr.testing.assert_equal(
        leaf(found, "properties/density")["bulk_density"],
        leaf(reduced, "properties/density")["bulk_density"],
    )


# Resistivity -------------------------------------------------------------------------------------


def test_resistivity_gives_the_truth_and_a_formation_factor(made, reduced):
    truth = made[2]["scan_resistivity"]
    rho = leaf(reduced, "properties/resistivity")
    good = rho["electrical_resistivity_flag"].values == flags.GOOD
    error = rho["electrical_resistivity"].values - truth["electrical_resistivity_seen [ohm m]"]
    u = np.hypot(rho["electrical_resistivity_u_random"], rho["electrical_resistivity_u_systematic"])
    assert good.sum() > 60
    assert np.median(np.abs(error[good]) / u.values[good]) < 2.0
    assert "electrical_resistivity_at_reference" in rho
    factor = leaf(reduced, "properties/formation_factor")
    assert np.nanmedian(factor["formation_factor"]) > 1.0
    archie = leaf(reduced, "properties/archie")
    assert set(archie["layer_name"].values) <= {"layer 1", "layer 2", "layer 3"}


def test_resistivity_is_brought_to_in_situ_conditions_on_request(made, reduced):
    assert series.leaf(reduced, "properties/resistivity_in_situ") is None
    found = reduce(made, {"resistivity": {"in_situ": True}})
    data = leaf(found, "properties/resistivity_in_situ")
    # a colder formation conducts worse
    good = data["electrical_resistivity_flag"].values == flags.GOOD
    ratio = data["electrical_resistivity_in_situ"] / data["electrical_resistivity"]
    assert (ratio.values[good] > 1.0).all()


def test_without_brines_resistivity_is_skipped_and_says_so(made):
    found = reduce(made, standards__resistivity=lambda frame: frame[frame["kind"] != "standard"])
    assert "no row of kind standard" in skipped(found)["resistivity calibration"]
    assert "no brines" in skipped(found)["resistivity"]


def test_a_calibration_of_two_brines_and_one_in_the_wrong_unit_say_so(made):
    def two(frame):
        rows = frame[frame["kind"] == "standard"]
        return pd.concat([frame[frame["kind"] == "blank"], rows.iloc[[0, -1]]])

    few = failed(reduce(made, standards__resistivity=two))
    assert "at least three" in few["resistivity calibration"]

    def thousand(frame):
        frame["conductivity [S/m]"] = frame["conductivity [S/m]"] * 1000.0
        return frame

    wrong = failed(reduce(made, standards__resistivity=thousand))
    assert "S/m" in wrong["resistivity calibration"]


def test_four_electrodes_need_no_brines(made):
    found = reduce(
        made, {"resistivity": {"cell_constant": "0.05 m", "current": "20 mA"}},
        standards__resistivity=lambda frame: frame[frame["kind"] == "blank"],
    )  # fmt: skip
    rho = leaf(found, "properties/resistivity")["electrical_resistivity"].values
    raw = leaf(found, "scan/resistivity")["response"].values
    np.testing.assert_allclose(rho, 0.05 * raw / 20.0, rtol=1e-12)


# Susceptibility ----------------------------------------------------------------------------------


def test_susceptibility_gives_the_truth(made, reduced):
    truth = made[2]["scan_susceptibility"]["magnetic_susceptibility_seen"].to_numpy()
    data = leaf(reduced, "properties/susceptibility")
    good = data["magnetic_susceptibility_flag"].values == flags.GOOD
    u = np.hypot(
        data["magnetic_susceptibility_u_random"], data["magnetic_susceptibility_u_systematic"]
    ).values
    error = data["magnetic_susceptibility"].values - truth
    assert good.sum() > 60
    assert np.median(np.abs(error[good]) / u[good]) < 2.0


def test_a_wrapped_counter_is_suggested_and_the_reading_stays(made):
    def wrap(frame):
        frame.loc[30, "reading"] = frame.loc[30, "reading"] - 9800.0
        return frame

    def high(frame):
        frame["reading"] = frame["reading"] + 9700.0
        return frame

    found = reduce(
        made, {"susceptibility": {"counter_range": 10000.0, "drift": False}},
        scan__susceptibility=lambda frame: wrap(high(frame)),
    )  # fmt: skip
    data = leaf(found, "properties/susceptibility")
    wrapped = (data["magnetic_susceptibility_reason"].values & flags.bit("counter_wrapped")) != 0
    assert wrapped[30]
    raw = leaf(found, "scan/susceptibility")["meter_reading"].values
    assert data["suggested_reading"].values[30] == pytest.approx(raw[30] + 10000.0)
    assert "they are unchanged, see suggested_reading" in notes(found)


# Watching ----------------------------------------------------------------------------------------


def test_a_step_of_a_check_standard_flags_what_was_read_after_it(made, reduced):
    assert leaf(reduced, "properties/control_gamma").attrs["status"] == "in_control"

    def step(frame):
        late = (frame["kind"] == "check") & (frame["time"] > "2031-05-04T22:00:00Z")
        frame.loc[late, "reading"] = frame.loc[late, "reading"] * 1.08
        return frame

    def more(frame):
        checks = frame[frame["kind"] == "check"]
        again = [checks.assign(time=_shift(checks["time"], hours)) for hours in (3, 6, 9)]
        return step(pd.concat([frame, *again], ignore_index=True))

    found = reduce(made, standards__susceptibility=more)
    chart = leaf(found, "properties/control_susceptibility")
    assert chart.attrs["status"] == "out_of_control"
    data = leaf(found, "properties/susceptibility")
    bit = flags.bit("standard_out_of_control")
    doubted = (data["magnetic_susceptibility_reason"].values & bit) != 0
    when = leaf(found, "scan/susceptibility")["time"].values
    assert doubted[when > np.datetime64("2031-05-05T13:00:00")].all()
    assert not doubted[when < np.datetime64("2031-05-04T12:00:00")].any()
    assert "check standard of susceptibility" in notes(found)
    off = reduce(made, {"quality": {"control_charts": False}}, standards__susceptibility=more)
    assert series.leaf(off, "properties/control_susceptibility") is None


def test_a_block_read_late_shows_and_does_not_enter_the_calibration(made, reduced):
    """Twelve readings of a block in the days of the scan; the last four half a microsecond late."""
    calibrated = leaf(reduced, "properties/velocity")["p_wave_velocity"].values

    def checks(frame):
        block = frame[frame["medium"] == "acrylic"].iloc[:1]
        rows = pd.concat([block] * 12, ignore_index=True).assign(kind="check")
        rows["time"] = _shift(rows["time"], 0)
        rows["time"] = [_shift(pd.Series([t]), 6 * i)[0] for i, t in enumerate(rows["time"])]
        noise = np.random.default_rng(3).normal(0.0, 0.05, 12)
        late = np.where(np.arange(12) >= 8, 0.6, 0.0)
        rows["travel_time [us]"] = rows["travel_time [us]"] + noise + late
        return pd.concat([frame.assign(kind="standard"), rows], ignore_index=True)

    found = reduce(made, standards__pwave=checks)
    chart = leaf(found, "properties/control_pwave")
    assert chart["value"].attrs["units"] == "us"
    assert chart.attrs["status"] == "out_of_control"
    assert np.flatnonzero(chart["alarm"].values)[0] >= 8
    data = leaf(found, "properties/velocity")
    np.testing.assert_array_equal(data["p_wave_velocity"].values, calibrated)


def _shift(times, hours):
    moved = pd.to_datetime(times) + pd.Timedelta(hours=hours)
    return moved.dt.strftime("%Y-%m-%dT%H:%M:%SZ")


def test_a_core_read_cold_is_flagged_where_temperature_matters(made):
    def cold(frame):
        frame.loc[frame["core"] == "3", "temperature [degC]"] = 12.0
        return frame

    found = reduce(made, scan__resistivity=cold)
    data = leaf(found, "properties/resistivity")
    bit = flags.bit("temperature_not_settled")
    doubted = (data["electrical_resistivity_reason"].values & bit) != 0
    np.testing.assert_array_equal(doubted, data["core"].values == "3")
    assert "resistivity: not at room temperature when scanned: core 3" in notes(found)
    density = leaf(found, "properties/density")["bulk_density_reason"].values
    assert not ((density & bit) != 0).any()


# Supplied values ---------------------------------------------------------------------------------


def test_supplied_values_by_column_and_by_row_are_the_same():
    depth = np.array([0.1, 0.2, 0.2, 0.3])
    rho = np.array([1400.0, 1500.0, 1520.0, 1550.0])
    wide = pd.DataFrame({"depth [m]": depth, "bulk_density [kg/m^3]": rho})
    tall = pd.DataFrame({
        "depth [m]": depth, "quantity": "bulk_density", "value": rho, "unit": "kg/m^3",
    })  # fmt: skip
    trees = [
        cp.reduce(cp.hole_from_tables({"scan/reduced": frame}, {"hole": {"name": "x"}}))
        for frame in (wide, tall)
    ]
    for tree in trees:
        data = leaf(tree, "properties/density")
        np.testing.assert_allclose(data["bulk_density"].values, rho / 1000.0)
        twice = (data["bulk_density_reason"].values & flags.bit("same_position_twice")) != 0
        assert twice.tolist() == [False, True, True, False]
        assert (data["bulk_density_reason"].values & flags.bit("supplied") != 0).all()
    raw = series.leaf(trees[0], "scan/reduced")
    np.testing.assert_array_equal(raw["bulk_density"].values, rho)


def test_a_foreign_table_is_mapped_and_says_when_nothing_is_known():
    frame = pd.DataFrame({"pos": [10.0, 20.0], "wet": [1.4, 1.5], "note": ["a", "b"]})
    hole = cp.hole_from_tables(
        {"scan/reduced": frame}, {"hole": {"name": "x"}},
        columns={"scan/reduced": {"pos": "depth [cm]", "wet": "bulk_density [g/cm^3]"}},
    )  # fmt: skip
    assert hole["scan/reduced"]["depth"].values.tolist() == [0.1, 0.2]
    assert series.leaf(cp.reduce(hole), "properties/density").sizes["reading"] == 2
    with pytest.raises(cp.HoleError, match="no column 'quantity'"):
        cp.hole_from_tables(
            {"scan/reduced": frame.rename(columns={"pos": "depth [cm]"})}, {"hole": {"name": "x"}}
        )


# The whole ---------------------------------------------------------------------------------------


def test_flags_of_a_result_looked_at_again_are_the_same(made, reduced):
    keys = {
        "sections": leaf(reduced, "sections"), "removed": leaf(reduced, "removed"),
        "settings": quality_settings(Recipe.from_json(reduced.attrs["recipe"])),
    }  # fmt: skip
    density = leaf(reduced, "properties/density")
    beside = {
        "p_wave_amplitude": leaf(reduced, "scan/pwave")["amplitude"],
        "samples": leaf(reduced, "properties/index_properties"),
    }
    again = quality.flag(density, "bulk_density", companions=beside, **keys)
    xr.testing.assert_identical(again, density)
    loop = leaf(reduced, "properties/susceptibility")
    again = quality.flag(
        loop, "magnetic_susceptibility", companions={"bulk_density": density}, **keys
    )
    xr.testing.assert_identical(again, loop)


def test_raw_readings_stay_and_rows_in_are_rows_out(made, reduced):
    tables = made[0]
    for scan, path in (
        ("gamma", "density"), ("pwave", "velocity"), ("resistivity", "resistivity"),
        ("susceptibility", "susceptibility"),
    ):  # fmt: skip
        assert leaf(reduced, f"properties/{path}").sizes["reading"] == len(tables[f"scan/{scan}"])
    raw = tables["scan/susceptibility"]["reading"].to_numpy(float)
    np.testing.assert_array_equal(leaf(reduced, "scan/susceptibility")["meter_reading"], raw)


def test_thresholds_of_the_recipe_reach_the_flags(made, reduced):
    trimmed = reduce(made, {"quality": {"end_trim": 6.0}})
    bit = flags.bit("section_end")
    few, many = (
        int(((leaf(tree, "properties/density")["bulk_density_reason"].values & bit) != 0).sum())
        for tree in (reduced, trimmed)
    )
    assert many > few > 0
    plain = reduce(made, {"quality": {"spike_test": "rolling_median"}})
    assert leaf(plain, "properties/density")["bulk_density"].equals(
        leaf(reduced, "properties/density")["bulk_density"]
    )


# Waveforms and in-situ velocity ------------------------------------------------------------------


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """The small hole with a waveform for every reading that has a travel time."""
    folder = tmp_path_factory.mktemp("waves")
    simulate_hole(folder, SEED, small=True)
    table = pd.read_csv(folder / "scan" / "pwave.csv", dtype={"core": str, "section": str})
    known = table["travel_time [us]"].between(35.0, 70.0)
    onsets = table.loc[known, "travel_time [us]"].to_numpy()
    rng = np.random.default_rng(2)
    time, waves = synthetic_arrivals(rng, onsets.size, onsets, 30.0)
    xr.Dataset(
        {
            "waveform": (("reading", "time"), waves.astype(np.float32)),
            "core": ("reading", table.loc[known, "core"].to_numpy(object)),
            "section": ("reading", table.loc[known, "section"].to_numpy(object)),
            "offset": ("reading", table.loc[known, "offset [cm]"].to_numpy(), {"units": "cm"}),
        },
        coords={"time": ("time", time, {"units": "us"})},
    ).to_netcdf(folder / "scan" / "pwave_waveforms.nc")
    table["travel_time_manual [us]"] = table["travel_time [us]"].where(table.index % 3 == 0) + 0.2
    table.to_csv(folder / "scan" / "pwave.csv", index=False)
    return folder, known.to_numpy(), onsets


def test_waveforms_are_picked_and_used_where_the_recipe_says(recorded):
    folder, known, onsets = recorded
    gate = {"gate_start": "25 us", "gate_end": "90 us"}
    hole = cp.read_hole(folder)
    found = cp.reduce(hole, {"pwave": {"pick": "onset", **gate}})
    picks = leaf(found, "properties/arrivals")
    error = picks["travel_time"].values - onsets
    assert abs(np.nanmedian(error)) < 0.6
    velocity = leaf(found, "properties/velocity")["p_wave_velocity"].values
    from_table = leaf(cp.reduce(hole), "properties/velocity")["p_wave_velocity"].values
    assert np.isnan(velocity[~known]).all()
    both = known & np.isfinite(velocity) & np.isfinite(from_table)
    assert both.sum() > 60
    # a later pick is a slower core, by the path of 66 mm
    late = -np.median((velocity - from_table)[both]) / np.median(from_table[both])
    assert late == pytest.approx(np.nanmedian(error) / 43.0, abs=0.003)


def test_manual_picks_stand_apart_and_are_used_only_on_request(recorded):
    folder, _, _ = recorded
    hole = cp.read_hole(folder)
    found = cp.reduce(hole, {"pwave": {"gate_start": "25 us", "gate_end": "90 us"}})
    picks = leaf(found, "properties/arrivals")
    given = np.isfinite(picks["travel_time_manual"].values)
    assert 0.2 < given.mean() < 0.5
    less = picks["automatic_less_manual"].values
    np.testing.assert_allclose(
        less[given], (picks["travel_time"] - picks["travel_time_manual"]).values[given]
    )
    assert np.isnan(less[~given]).all()
    by_hand = cp.reduce(hole, {"pwave": {"pick": "manual"}})
    velocity = leaf(by_hand, "properties/velocity")["p_wave_velocity"].values
    raw = leaf(by_hand, "scan/pwave")["travel_time_manual"].values
    np.testing.assert_array_equal(np.isnan(velocity), np.isnan(raw))


def test_picks_asked_for_without_waveforms_say_so(made):
    found = reduce(made, {"pwave": {"pick": "onset"}})
    assert "pwave_waveforms.nc" in skipped(found)["P-wave arrivals"]
    assert np.isfinite(leaf(found, "properties/velocity")["p_wave_velocity"]).any()


@pytest.mark.parametrize("form", ["ratio", "slowness"])
def test_velocity_is_brought_to_in_situ_conditions_on_request(made, reduced, form):
    assert series.leaf(reduced, "properties/velocity_in_situ") is None
    found = reduce(made, {"pwave": {"in_situ": form}})
    data = leaf(found, "properties/velocity_in_situ")
    good = data["p_wave_velocity_flag"].values == flags.GOOD
    ratio = (data["p_wave_velocity_in_situ"] / data["p_wave_velocity"]).values[good]
    ratio = ratio[np.isfinite(ratio)]
    assert ratio.size > 50 and np.all(np.abs(ratio - 1.0) < 0.04)
    xr.testing.assert_equal(
        data["p_wave_velocity"], leaf(found, "properties/velocity")["p_wave_velocity"]
    )


# Natural gamma -----------------------------------------------------------------------------------


def test_natural_gamma_gives_rates_concentrations_and_heat(made, reduced):
    truth = made[2]["scan_natural_gamma"]
    rate = leaf(reduced, "properties/natural_gamma")
    good = rate["natural_gamma_rate_flag"].values == flags.GOOD
    expected = truth["natural_gamma_rate_seen [1/s]"] / truth["filled_share"]
    u = np.hypot(rate["natural_gamma_rate_u_random"], rate["natural_gamma_rate_u_systematic"])
    pull = ((rate["natural_gamma_rate"].values - expected) / u.values)[good]
    assert good.sum() > 20 and 0.4 < np.std(pull) < 1.8
    elements = leaf(reduced, "properties/radioelements")
    for name, unit in (("potassium", "%"), ("uranium", "mg/kg"), ("thorium", "mg/kg")):
        u = np.hypot(elements[f"{name}_u_random"], elements[f"{name}_u_systematic"]).values
        error = elements[name].values - truth[f"{name} [{unit}]"].to_numpy()
        assert 0.4 < np.nanstd((error / u)[good]) < 1.8
    heat = leaf(reduced, "products/heat_production")["heat_production"].values
    assert 0.1 < np.nanmedian(heat) < 2.0


def test_readings_are_stacked_before_they_are_stripped(made, reduced):
    found = reduce(made, {"natural_gamma": {"stack": "60 cm"}})
    stacked = leaf(found, "properties/radioelements")
    single = leaf(reduced, "properties/radioelements")
    assert stacked.sizes["reading"] < 0.6 * single.sizes["reading"]
    fine, coarse = (np.nanmedian(part["thorium_u_random"]) for part in (stacked, single))
    assert fine < 0.8 * coarse


def test_heat_needs_to_know_the_mass(made):
    tables, settings, _ = made
    silent = {**settings, "natural_gamma": {}}
    found = cp.reduce(cp.hole_from_tables(tables, silent))
    assert "'wet' or 'dry'" in skipped(found)["heat production"]


# Order and repeats --------------------------------------------------------------------------------


def test_the_order_of_the_rows_of_a_scan_changes_no_number(made, reduced):
    rng = np.random.default_rng(5)

    def shuffled(frame):
        return frame.iloc[rng.permutation(len(frame))].reset_index(drop=True)

    other = reduce(made, scan__gamma=shuffled, scan__pwave=shuffled, scan__susceptibility=shuffled)
    for path, name in (("properties/density", "bulk_density"),
                       ("properties/velocity", "p_wave_velocity"),
                       ("properties/susceptibility", "magnetic_susceptibility"),
                       ("products/porosity", "porosity")):  # fmt: skip
        keys = ["core", "section", "offset", "run"]
        one, two = (
            leaf(tree, path)[[name, f"{name}_flag", f"{name}_reason", f"{name}_u_random"]]
            .to_dataframe().reset_index()
            for tree in (reduced, other)
        )  # fmt: skip
        keys = [key for key in keys if key in one]
        columns = [*keys, name, f"{name}_flag", f"{name}_reason", f"{name}_u_random"]
        one, two = (part.sort_values(keys)[columns].reset_index(drop=True) for part in (one, two))
        pd.testing.assert_frame_equal(one, two, rtol=1e-9)


def test_a_second_pass_is_kept_and_a_section_that_differs_in_it_is_doubted(made, reduced):
    """Every reading is there twice; in the second pass one section lost six counts of a hundred."""
    once = leaf(reduced, "properties/density")
    good = once["bulk_density_flag"].values == flags.GOOD
    core, section = "3", "1"
    here = (once["core"].values == core) & (once["section"].values == section) & good
    assert here.sum() > 10

    def twice(frame):
        again = frame.assign(run=2)
        lower = (again["core"].astype(str) == core) & (again["section"].astype(str) == section)
        again.loc[lower, "counts"] = (again.loc[lower, "counts"] * 0.94).astype(int)
        return pd.concat([frame.assign(run=1), again], ignore_index=True)

    density = leaf(reduce(made, scan__gamma=twice), "properties/density")
    assert density.sizes["reading"] == 2 * good.size
    doubted = (density["bulk_density_reason"].values & flags.bit("repeats_disagree")) != 0
    assert doubted[: good.size][here].mean() > 0.9
    assert doubted[good.size :][here].mean() > 0.9
    assert not doubted[: good.size][good & ~here].any()
