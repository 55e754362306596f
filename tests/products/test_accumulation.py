"""Accumulation: covariance of neighbours, coverage of simulated age-depth histories, phases."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import figures, uncertainty
from corephys.ground import flags, series, units
from corephys.products import accumulation
from corephys.uncertainty import Measured
from data_demo.simulator.hole import simulate_tables
from tests.adapters.registry import array

RATE, MASS = "sedimentation_rate", "mass_accumulation_rate"


def rates(depth: Any, age: Any, u: Any = 5.0, **options: Any) -> xr.Dataset:
    u_age = None if u is None else array(np.broadcast_to(u, np.shape(age)), "kyr")
    return accumulation.sedimentation_rate(
        array(age, "kyr"), depth=array(depth, "m"), age_uncertainty=u_age, **options
    )


def samples(depth: Any, values: Any, u: Any = 0.0, **effects: Any) -> xr.Dataset:
    placed = array(values, "1").assign_coords(depth=array(depth, "m"))
    return series.build({"dry_density": Measured(placed, u, effects)})


# Rates --------------------------------------------------------------------------------------------


def test_covariance_against_draws_of_the_ages() -> None:
    """Neighbours move oppositely, intervals apart do not move together, the mean hardly moves."""
    rng = np.random.default_rng(5)
    depth, age = (
        np.array([0.0, 10.0, 24.0, 30.0, 55.0]),
        np.array([0.0, 200.0, 380.0, 600.0, 1000.0]),
    )
    u = np.array([1.0, 6.0, 4.0, 8.0, 10.0])
    found = rates(depth, age, u)
    stated = found[f"{RATE}_covariance"].values
    drawn = age + u * rng.standard_normal((100000, 5))
    expected = np.cov((np.diff(depth) / np.diff(drawn) * 1e3).T)
    size = np.sqrt(np.diag(stated))
    np.testing.assert_allclose(
        stated / np.outer(size, size), expected / np.outer(size, size), atol=0.03
    )
    assert (np.diag(stated, 1) < 0.0).all()
    assert stated[0, 2] == stated[0, 3] == stated[1, 3] == 0.0
    np.testing.assert_allclose(found[f"{RATE}_u_random"], size)
    # Time is made of the intervals: its own variance is that of the ends alone.
    weight = np.diff(age) ** 2 / np.diff(depth) * 1e-3
    assert weight @ stated @ weight == pytest.approx(1.0**2 + 10.0**2)


def test_errors_of_depth_add_and_shift_neighbours_too() -> None:
    found = rates([0.0, 10.0, 20.0], [0.0, 100.0, 300.0], 0.0, depth_uncertainty="0.5 m")
    expected = np.array(
        [[2 * (0.5 / 0.1) ** 2, -(0.5**2) / 0.1 / 0.2], [0.0, 2 * (0.5 / 0.2) ** 2]]
    )
    expected[1, 0] = expected[0, 1]
    np.testing.assert_allclose(found[f"{RATE}_covariance"], expected)


def test_the_growth_factor_divides_and_its_error_is_one_for_all() -> None:
    plain = rates([0.0, 10.0, 20.0], [0.0, 100.0, 300.0])
    found = rates([0.0, 10.0, 20.0], [0.0, 100.0, 300.0], growth_factor=1.12,
                  growth_factor_uncertainty=0.02, age_scale_uncertainty="1 %")  # fmt: skip
    np.testing.assert_allclose(found[RATE], plain[RATE] / 1.12)
    effects = found[f"{RATE}_effects"]
    np.testing.assert_allclose(effects.sel(source="growth_factor"), -found[RATE] * 0.02 / 1.12)
    np.testing.assert_allclose(effects.sel(source="ages"), -found[RATE] * 0.01)
    np.testing.assert_allclose(found[f"{RATE}_covariance"], plain[f"{RATE}_covariance"] / 1.12**2)
    unknown = rates([0.0, 10.0], [0.0, 100.0], growth_factor=1.12)
    assert np.isnan(unknown[f"{RATE}_u_systematic"]).all()
    assert np.isnan(rates([0.0, 10.0], [0.0, 100.0], None)[f"{RATE}_u_random"]).all()


def test_an_age_scale_that_is_not_stated_leaves_the_systematic_part_unknown() -> None:
    unknown = rates([0.0, 10.0, 20.0], [0.0, 100.0, 300.0])
    assert np.isnan(unknown[f"{RATE}_u_systematic"]).all()
    assert np.isfinite(unknown[f"{RATE}_u_random"]).all()
    by_itself = rates([0.0, 10.0, 20.0], [0.0, 100.0, 300.0], age_scale_uncertainty="0 %")
    assert (by_itself[f"{RATE}_u_systematic"] == 0.0).all()


def test_reversed_ages_stay_and_are_named_and_so_is_a_hiatus() -> None:
    """A reversal at 20 m, a hiatus at 40 m, one age twice: rows in are rows out."""
    found = rates([0, 10, 20, 30, 40, 40, 50], [0, 200, 150, 300, 400, 900, 900])
    assert list(found["kind"].values) == [
        "rate", "reversed ages", "rate", "rate", "hiatus", "same age",
    ]  # fmt: skip
    assert found[RATE].values[1] == pytest.approx(-200.0)
    assert found[RATE].values[4] == 0.0
    assert np.isnan(found[RATE].values[5])
    assert list(found[f"{RATE}_flag"].values) == [1, 4, 1, 1, 1, 9]
    assert flags.names(found[f"{RATE}_reason"].values[1]) == ["impossible_value"]
    assert found.attrs["reversed_ages"] == "10 to 20 m"
    assert found.attrs["hiatuses"] == "40 to 40 m"
    assert found.attrs["unresolved"] == "none"
    assert rates([0, 1, 2], [0, 10, 200]).attrs["unresolved"] == "0 to 1 m"


def test_data_in_any_order_and_with_gaps_give_the_same_rates() -> None:
    depth, age = np.array([0.0, 10.0, 24.0, 30.0]), np.array([0.0, 200.0, 380.0, 600.0])
    plain = rates(depth, age)
    mixed = [2, 0, 3, 1]
    found = rates([*depth[mixed], np.nan, 5.0], [*age[mixed], 100.0, np.nan])
    np.testing.assert_array_equal(found[RATE], plain[RATE])
    assert found.attrs["points_left_out"] == 2


# Smoothing ----------------------------------------------------------------------------------------


def test_smoothing_leaves_a_straight_line_and_halves_the_noise() -> None:
    rng = np.random.default_rng(8)
    depth = np.arange(0.0, 200.0, 4.0)
    straight = rates(depth, 20.0 * depth, 8.0, smoothing="15 m")
    np.testing.assert_allclose(straight[RATE], 50.0, rtol=1e-9)
    assert straight.attrs["smoothing"] == "15 m"
    u = np.full(depth.size, 8.0)
    mean, matrix = accumulation.smooth_ages(
        units.quantity(20.0 * depth, "kyr"), depth=units.quantity(depth, "m"),
        age_uncertainty=units.quantity(u, "kyr"), length="15 m",
    )  # fmt: skip
    np.testing.assert_allclose(mean.to("kyr").magnitude, 20.0 * depth, atol=1e-9)
    drawn = (20.0 * depth + u * rng.standard_normal((20000, depth.size))) @ matrix.T
    spread = (np.diff(depth) / np.diff(drawn, axis=1) * 1e3).std(axis=0)
    stated = straight[f"{RATE}_u_random"].values
    np.testing.assert_allclose(spread, stated, rtol=0.03)
    assert (stated < 0.5 * rates(depth, 20.0 * depth, 8.0)[f"{RATE}_u_random"].values).all()


def test_smoothing_stops_at_a_hiatus_and_keeps_a_lonely_datum() -> None:
    depth = np.array([0.0, 10.0, 20.0, 20.0, 30.0, 40.0])
    age = np.array([0.0, 100.0, 200.0, 900.0, 1100.0, 1300.0])
    found = rates(depth, age, smoothing="20 m")
    np.testing.assert_allclose(found[RATE].values[[0, 1, 3, 4]], [100.0, 100.0, 50.0, 50.0])
    assert found["kind"].values[2] == "hiatus"
    far = np.array([0.0, 1000.0, 5000.0])
    kept, matrix = accumulation.smooth_ages(
        units.quantity(np.array([0.0, 70.0, 90.0]), "kyr"), depth=units.quantity(far, "m"),
        age_uncertainty="1 kyr", length="1 m",
    )  # fmt: skip
    np.testing.assert_allclose(kept.to("kyr").magnitude, [0.0, 70.0, 90.0], atol=1e-4)
    np.testing.assert_allclose(matrix, np.eye(3), atol=1e-5)


# Mass ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_coverage_of_true_rates_of_simulated_histories() -> None:
    """Histories with changing rates; data with independent errors; samples with their scatter.

    The truth is the mass between two data over the true time: it comes from finely cut grains
    and not from the mean of samples.
    """
    rng = np.random.default_rng(17)
    held, held_rate, number = 0, 0, 0
    for _ in range(120):
        fine = np.linspace(0.0, 120.0, 4801)
        rate = 40.0 * np.exp(np.interp(fine, np.linspace(0, 120, 7), 0.5 * rng.standard_normal(7)))
        age = np.concatenate([[0.0], np.cumsum(np.diff(fine) / rate[1:] * 1e3)])
        density = 0.7 + 0.003 * fine + 0.05 * np.interp(
            fine, np.linspace(0, 120, 200), rng.standard_normal(200)
        )  # fmt: skip
        mass = np.concatenate([[0.0], np.cumsum(np.diff(fine) * density[1:] * 1e2)])
        depth = np.sort(rng.choice(np.arange(4.0, 120.0, 4.0), 7, replace=False))
        depth = np.concatenate([[0.0], depth])
        growth = 1.10 + 0.02 * rng.standard_normal()
        u = np.full(8, 40.0)
        u[0] = 5.0
        seen = np.interp(depth, fine, age) + u * rng.standard_normal(8)
        true_time, true_mass = (np.diff(np.interp(depth, fine, part)) for part in (age, mass))
        at = np.sort(rng.uniform(0.0, 120.0, 80))
        weighed = 0.01 * rng.standard_normal()  # of the balance, all samples
        measured = np.interp(at, fine, density) + 0.01 * rng.standard_normal(80) + weighed
        found = rates(depth * growth, seen, u, growth_factor=1.10, growth_factor_uncertainty=0.02,
                      age_scale_uncertainty="0 %")  # fmt: skip
        mean = accumulation.interval_density(
            samples(at * growth, measured, 0.01, balance=0.01), found
        )
        result = accumulation.mass_accumulation_rate(mean, found)
        use = flags.usable(result[f"{MASS}_flag"].values)
        use &= found[f"{RATE}_u_random"].values < 0.25 * np.abs(found[RATE].values)
        for dataset, name, truth in (
            (result, MASS, true_mass / true_time),
            (found, RATE, np.diff(depth) / true_time * 1e3),
        ):
            total = uncertainty.total(dataset, name).values
            inside = np.abs(dataset[name].values - truth) <= total
            if name == MASS:
                held += int(inside[use].sum())
            else:
                held_rate += int(inside[use].sum())
        number += int(use.sum())
    # 0.683 with a standard error of 0.02 of so many; 300 histories gave 0.679 and 0.675.
    assert number > 450
    assert 0.62 <= held / number <= 0.745
    assert 0.62 <= held_rate / number <= 0.745


def test_both_forms_of_the_mass_agree_for_one_sample() -> None:
    """rho_d r is T (rho - phi rho_w) / t where dry density is the grains of a volume."""
    rng = np.random.default_rng(2)
    for _ in range(20):
        phi, grains, water = rng.uniform(0.2, 0.9), rng.uniform(2.4, 2.9), rng.uniform(1.0, 1.03)
        thick, time = rng.uniform(1.0, 100.0), rng.uniform(10.0, 5000.0)
        bulk = phi * water + (1 - phi) * grains
        dry = (1 - phi) * grains
        found = rates([0.0, thick], [0.0, time], None)
        mass = accumulation.mass_accumulation_rate(f"{float(dry)!r} g/cm^3", found)
        other = accumulation.mass_accumulation_of_phases(
            f"{float(thick)!r} m", f"{float(time)!r} kyr", bulk_density=f"{float(bulk)!r} g/cm^3",
            porosity=float(phi), pore_water_density=f"{float(water)!r} g/cm^3",
        )  # fmt: skip
        assert mass[MASS].values[0] == pytest.approx(other.to("g/(cm^2 kyr)").magnitude, rel=1e-12)


def test_density_of_intervals_is_the_mean_of_their_samples() -> None:
    found = rates([0.0, 10.0, 20.0, 30.0, 40.0], [0.0, 100.0, 200.0, 300.0, 400.0])
    mean = accumulation.interval_density(
        samples([2.0, 8.0, 12.0, 35.0, 40.0], [0.6, 0.8, 0.9, 1.1, 1.3], 0.02, balance=0.01), found
    )
    np.testing.assert_allclose(mean["dry_density"].values[[0, 1, 3]], [0.7, 0.9, 1.2])
    np.testing.assert_array_equal(mean["samples"], [2, 1, 0, 2])
    # Between 12 m and 35 m, at 25 m.
    assert mean["dry_density"].values[2] == pytest.approx(0.9 + 13.0 / 23.0 * 0.2)
    assert flags.names(mean["dry_density_reason"].values[2]) == ["interpolated_input"]
    # Two pairs 0.2 apart: pooled variance 0.02, over two degrees of freedom 0.02 each.
    np.testing.assert_allclose(
        mean["dry_density_u_random"].values[[0, 1, 3]], np.sqrt([0.01, 0.02, 0.01])
    )
    np.testing.assert_allclose(mean["dry_density_effects"].sel(source="balance"), 0.01)
    shallow = accumulation.interval_density(samples([2.0, 8.0], [0.6, 0.8]), found)
    np.testing.assert_array_equal(np.isnan(shallow["dry_density"]), [False, True, True, True])


def test_flagged_samples_are_not_used() -> None:
    found = rates([0.0, 10.0], [0.0, 100.0])
    density = samples([2.0, 5.0, 8.0], [0.6, 0.7, 3.4])  # the last is outside the usual range
    mean = accumulation.interval_density(density, found)
    assert float(mean["dry_density"][0]) == pytest.approx(0.65)
    with pytest.raises(ValueError, match="dry_density has no usable value"):
        accumulation.interval_density(samples([2.0], [3.4]), found)
    with pytest.raises(ValueError, match="dry_density has no coordinate depth"):
        accumulation.interval_density(density.drop_vars("depth"), found)


def test_the_covariance_of_mass_holds_the_ages_and_each_density() -> None:
    found = rates([0.0, 10.0, 30.0], [0.0, 200.0, 600.0], 10.0)
    density = xr.Dataset({
        "dry_density": found[RATE].copy(data=[0.8, 1.0]).assign_attrs(units="g/cm^3"),
        "dry_density_u_random": ("interval", [0.05, 0.05]),
    })  # fmt: skip
    mass = accumulation.mass_accumulation_rate(density, found)
    covariance = mass[f"{MASS}_covariance"].values
    assert covariance[0, 1] == pytest.approx(0.1**2 * 0.8 * 1.0 * -3.125)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), mass[f"{MASS}_u_random"])
    ages = 0.1 * np.array([0.8, 1.0]) * found[f"{RATE}_u_random"].values
    np.testing.assert_allclose(mass[f"{MASS}_u_ages"], ages)
    assert units.canonical(mass[f"{MASS}_covariance"].attrs["units"])


def test_components_add_to_the_whole_and_share_its_errors() -> None:
    found = rates([0.0, 10.0], [0.0, 200.0], growth_factor=1.1, growth_factor_uncertainty=0.02)
    mass = accumulation.mass_accumulation_rate(
        accumulation.interval_density(samples([3.0, 6.0], [0.8, 0.9], 0.01, balance=0.01), found),
        found,
    )
    parts = [
        accumulation.component_accumulation_rate(
            mass, fraction=share, fraction_uncertainty="1 %", component=name
        )
        for name, share in (("carbonate", "37.5 %"), ("rest", "62.5 %"))
    ]
    name = "component_accumulation_rate"
    np.testing.assert_allclose(parts[0][name] + parts[1][name], mass[MASS])
    together = parts[0][f"{name}_effects"] + parts[1][f"{name}_effects"]
    np.testing.assert_allclose(together, mass[f"{MASS}_effects"])
    expected = np.hypot(0.375 * mass[f"{MASS}_u_random"], 0.01 * mass[MASS])
    np.testing.assert_allclose(parts[0][f"{name}_u_random"], expected)
    assert parts[0].attrs["component"] == "carbonate"


def test_bad_input_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="1 usable ages; at least two are needed"):
        rates([0.0, 10.0], [0.0, np.nan])
    with pytest.raises(ValueError, match="3 ages and 2 depths do not make pairs"):
        accumulation.sedimentation_rate(array([0, 1, 2], "kyr"), depth=array([0, 1], "m"))
    with pytest.raises(ValueError, match="age has no coordinate depth"):
        accumulation.sedimentation_rate(array([0, 1], "kyr"))
    with pytest.raises(ValueError, match="2 ages and 3 values of age_uncertainty"):
        accumulation.sedimentation_rate(
            array([0, 1], "kyr"), depth=array([0, 1], "m"), age_uncertainty=array([1, 1, 1], "kyr")
        )
    with pytest.raises(ValueError, match="age_uncertainty is -1 kyr; it has to be zero or more"):
        rates([0.0, 10.0], [0.0, 100.0], -1.0)
    with pytest.raises(ValueError, match="growth_factor is 0; it has to be above zero"):
        rates([0.0, 10.0], [0.0, 100.0], growth_factor=0.0)
    with pytest.raises(ValueError, match="smoothing is 0 m; it has to be above zero"):
        rates([0.0, 10.0], [0.0, 100.0], smoothing="0 m")
    with pytest.raises(cp.UnitError, match="depth: expected m, got 'kyr'"):
        accumulation.sedimentation_rate(array([0, 1], "kyr"), depth=array([0, 1], "kyr"))
    with pytest.raises(cp.UnitError, match="rate"):
        accumulation.mass_accumulation_rate("0.9 g/cm^3", 50.0)
    found, other = rates([0.0, 10.0], [0.0, 100.0]), rates([0.0, 11.0], [0.0, 100.0])
    mean = accumulation.interval_density(samples([3.0], [0.8]), other)
    with pytest.raises(cp.PositionError, match="depth differs"):
        accumulation.mass_accumulation_rate(mean, found)
    with pytest.raises(ValueError, match=r"fraction is 12; it is a fraction from 0 to 1"):
        accumulation.component_accumulation_rate("4 g/(cm^2 kyr)", fraction=12.0)
    with pytest.raises(ValueError, match="porosity is 60; it is a fraction from 0 to 1"):
        accumulation.mass_accumulation_of_phases(
            "1 m", "1 kyr", bulk_density="1.7 g/cm^3", porosity=60.0
        )
    with pytest.raises(ValueError, match="duration is 0 kyr"):
        accumulation.mass_accumulation_of_phases(
            "1 m", "0 kyr", bulk_density="1.7 g/cm^3", porosity=0.6
        )


# The whole job -----------------------------------------------------------------------------------

NEEDED = ("cores", "sections", "removed", "layers", "ages", "samples/index_properties")


@pytest.fixture(scope="module")
def simulated() -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    tables, settings, truth = simulate_tables(31, small=True)
    return {name: tables[name] for name in NEEDED}, settings, truth


def test_a_simulated_hole_gives_the_mass_that_settled(simulated: Any) -> None:
    tables, settings, truth = simulated
    tree = cp.reduce(cp.hole_from_tables(tables, settings))
    found = tree["products/accumulation"].to_dataset(inherit=False)
    levels = truth["ages"]
    mass, time = np.diff(levels["mass_above [g/cm^2]"]), np.diff(levels["age [kyr]"])
    total = uncertainty.total(found, MASS).values
    usable = found["kind"].values == "rate"
    assert usable.sum() >= 4
    # Ages err in time: a rate, one over it, has a long tail. Compared as time for a mass.
    slow = (1.0 / found[MASS].values[usable]) - time[usable] / mass[usable]
    away = slow * found[MASS].values[usable] ** 2 / total[usable]
    assert (np.abs(away) < 3.0).all()
    assert np.sqrt(np.mean(away**2)) < 1.6
    assert list(found["kind"].values).count("hiatus") == 1
    assert json.loads(found.attrs["steps"])[-1].startswith("MAR")
    between = (found[f"{MASS}_reason"].values & flags.bit("interpolated_input")) != 0
    np.testing.assert_array_equal(between, found["samples"].values == 0)
    assert found[f"{MASS}_covariance"].shape == (usable.size, usable.size)


def test_half_a_hole_says_what_is_missing(simulated: Any) -> None:
    tables, settings, _ = simulated
    without = {name: table for name, table in tables.items() if name != "ages"}
    tree = cp.reduce(cp.hole_from_tables(without, settings))
    assert json.loads(tree.attrs["summary"])["skipped"]["accumulation"] == "no table ages.csv"
    ages = tables["ages"]
    bare = {**tables, "ages": ages[["depth [m]", "run"]].assign(note="a level")}
    tree = cp.reduce(cp.hole_from_tables(bare, settings))
    assert "no column age [kyr]" in json.loads(tree.attrs["summary"])["skipped"]["accumulation"]
    one = {**tables, "ages": ages[:1]}
    tree = cp.reduce(cp.hole_from_tables(one, settings))
    assert (
        "fewer than two usable ages" in json.loads(tree.attrs["summary"])["skipped"]["accumulation"]
    )
    dated = {name: tables[name] for name in ("cores", "sections", "removed", "layers")}
    dated["ages"] = ages.drop(columns="age_uncertainty [kyr]")
    tree = cp.reduce(cp.hole_from_tables(dated, settings))
    notes = "; ".join(json.loads(tree.attrs["summary"])["notes"])
    assert "without a usable dry density mass accumulation is not computed" in notes
    assert "ages without age_uncertainty" in notes
    assert MASS not in tree["products/accumulation"]
    assert np.isnan(tree[f"products/accumulation/{RATE}_u_random"]).all()
    assert len(figures.accumulation(tree).axes) == 2


def test_an_uncertainty_below_zero_in_the_table_counts_as_not_known(simulated: Any) -> None:
    tables, settings, _ = simulated
    kept = {name: tables[name] for name in ("cores", "sections", "removed", "layers")}
    ages = tables["ages"].copy()
    ages.loc[0, "age_uncertainty [kyr]"] = -1.0
    tree = cp.reduce(cp.hole_from_tables({**kept, "ages": ages}, settings))
    unknown = np.isnan(tree[f"products/accumulation/{RATE}_u_random"].values)
    assert unknown[0] and not unknown[1:].any()
    notes = "; ".join(json.loads(tree.attrs["summary"])["notes"])
    assert "1 values of age_uncertainty are below zero and count as unknown" in notes


def test_choices_of_the_recipe_reach_the_rates_and_a_reversal_is_noted(simulated: Any) -> None:
    tables, settings, _ = simulated
    ages = tables["ages"].copy()
    ages.loc[2, "age [kyr]"] = ages.loc[1, "age [kyr]"] - 50.0
    hole = cp.hole_from_tables({**tables, "ages": ages}, settings)
    plain = cp.reduce(hole)["products/accumulation"]
    changed = cp.reduce(hole, {"accumulation": {
        "growth_factor": 1.1, "growth_factor_uncertainty": 0.02, "age_scale_uncertainty": "2 %",
    }})  # fmt: skip
    found = changed["products/accumulation"]
    np.testing.assert_allclose(found[RATE], plain[RATE] / 1.1)
    np.testing.assert_allclose(
        found[f"{MASS}_effects"].sel(source="ages"), -0.02 * found[MASS], atol=1e-12
    )
    notes = "; ".join(json.loads(changed.attrs["summary"])["notes"])
    assert "accumulation: reversed ages, kept and flagged" in notes
    assert list(found["kind"].values).count("reversed ages") == 1
    drawn = figures.accumulation(changed).table()
    steps = drawn[drawn["series"] == "mass accumulation rate"]
    assert len(steps) == 2 * (int((found[f"{MASS}_flag"] < 4).sum()))


# What is not known --------------------------------------------------------------------------------


def test_an_unknown_datum_leaves_intervals_that_do_not_touch_it_alone() -> None:
    found = rates([0.0, 10.0, 20.0, 30.0], [0.0, 100.0, 300.0, 400.0], [1.0, np.nan, 10.0, 1.0])
    covariance = found[f"{RATE}_covariance"].values
    assert np.isnan(covariance[:2, :2]).all()
    assert covariance[0, 2] == 0.0  # they share no datum
    # What both have of the third datum: (50 / 200) (100 / 100) 10^2, with the other sign.
    assert covariance[1, 2] == pytest.approx(-25.0)


def test_an_interval_without_a_density_has_no_known_uncertainty() -> None:
    found = rates([0.0, 10.0, 20.0, 30.0], [0.0, 100.0, 200.0, 300.0])
    mean = accumulation.interval_density(
        samples([2.0, 12.0], [0.6, 0.8], 0.01, balance=0.01), found
    )
    assert np.isnan(mean["dry_density"].values).tolist() == [False, False, True]
    for part in ("u_random", "u_systematic"):
        assert np.isnan(mean[f"dry_density_{part}"].values).tolist() == [False, False, True]


def test_an_unknown_effect_of_one_sample_stays_in_its_interval() -> None:
    found = rates([0.0, 10.0, 20.0, 30.0], [0.0, 100.0, 200.0, 300.0])
    unknown = np.array([np.nan, 0.02, 0.02])
    density = samples([2.0, 12.0, 22.0], [0.6, 0.8, 0.9], 0.01, balance=unknown)
    mean = accumulation.interval_density(density, found)
    np.testing.assert_array_equal(mean["dry_density_u_systematic"].values, [np.nan, 0.02, 0.02])


def test_numbers_that_make_no_pairs_or_no_sediment_are_refused_in_words() -> None:
    with pytest.raises(
        ValueError, match="4 ages and 4 depths do not make pairs; give one depth for each age"
    ):
        accumulation.sedimentation_rate(
            cp.quantity([[0.0, 1.0], [2.0, 3.0]], "kyr"),
            depth=cp.quantity([[0.0, 1.0], [2.0, 3.0]], "m"),
        )
    rate = accumulation.mass_accumulation_rate("1 g/cm^3", rates([0.0, 1.0, 2.0], [0.0, 1.0, 2.0]))
    with pytest.raises(ValueError, match="3 fractions and 2 rates do not make pairs"):
        accumulation.component_accumulation_rate(rate, fraction=cp.quantity([0.1, 0.2, 0.3], "1"))
    given = {"bulk_density": "0.3 g/cm^3", "porosity": 0.9}
    with pytest.raises(ValueError, match="bulk_density is less than porosity times"):
        accumulation.mass_accumulation_of_phases("10 m", "10 kyr", **given)
    some = accumulation.mass_accumulation_of_phases(
        "10 m", "100 kyr", bulk_density="1.7 g/cm^3", porosity=cp.quantity([0.6, np.nan], "1"),
        pore_water_density="1.0 g/cm^3",
    )  # fmt: skip
    np.testing.assert_allclose(some.to("g/(cm^2 kyr)").magnitude, [11.0, np.nan])
