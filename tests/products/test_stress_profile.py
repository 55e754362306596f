"""The whole profile: sums of stresses, gaps and what they cost, unseen layers, water in place."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products import compaction, stress
from corephys.products.stress import column as stress_column
from corephys.uncertainty import Measured
from tests.products.test_stress import G, at, profile, stress_at, whole
from tests.simulation import stress_coverage


def test_the_sum_of_pressure_and_effective_stress_is_the_overburden():
    z = np.linspace(0.5, 200.0, 60)
    found = whole(profile(z, 1.5 + 0.001 * z), at(0.0, 10.0, 150.0), water_depth="1200 m",
                  sea_water_density="1.03 g/cm^3")  # fmt: skip
    parts = {name: found[name].values for name in found.data_vars}
    total = parts["hydrostatic_pressure"] + parts["vertical_effective_stress"]
    np.testing.assert_allclose(parts["overburden_stress"], total, rtol=1e-12)
    assert parts["overburden_stress"][0] == pytest.approx(G * 1.03 * 1200.0)
    np.testing.assert_allclose(
        parts["hydrostatic_below_seafloor"], G * 1.024 * np.array([0, 10, 150])
    )
    same = stress_at(profile(z, 1.5 + 0.001 * z), at(0.0, 10.0, 150.0))
    np.testing.assert_allclose(parts["vertical_effective_stress"],
                               same["vertical_effective_stress"].values, rtol=1e-12)  # fmt: skip
    assert found.attrs["safety"] == RESEARCH_ONLY
    assert (parts["filled_share"] == 0.0).all()


def test_the_integral_in_one_pass_is_that_of_a_matrix_of_weights():
    rng = np.random.default_rng(8)
    z, targets = np.sort(rng.uniform(2.0, 90.0, 12)), np.array([0.0, 1.0, 5.0, 44.0, 90.0, 97.0])
    rho, u = rng.uniform(1.4, 1.9, 12), rng.uniform(0.01, 0.05, 12)
    grid = np.linspace(0.0, 100.0, 200001)  # independent of the package: a fine sum
    expected = [
        np.trapezoid(np.interp(g := grid[grid <= t + 1e-9], z, rho), g) if t > 0 else 0.0
        for t in targets
    ]
    at_ = stress_column.inside(z, targets)
    np.testing.assert_allclose(stress_column.integral(z, rho, at_), expected, rtol=1e-6, atol=1e-9)
    rows = [np.trapezoid(np.interp(grid[grid <= 44.0], z, row), grid[grid <= 44.0])
            for row in np.eye(12)]  # fmt: skip
    spread = np.sqrt(np.sum((np.array(rows) * u) ** 2))
    assert stress_column.random_part(z, u, at_)[3] == pytest.approx(spread, rel=1e-5)


def test_unseen_layers_add_what_the_whole_covariance_says():
    """Brute force: the covariance of a Markov process on a fine grid, through the same weights."""
    rng = np.random.default_rng(3)
    z = np.round(np.sort(rng.uniform(2.0, 100.0, 20)), 1)
    grid = np.linspace(0.0, 120.0, 1201)
    cov = 0.05**2 * np.exp(-np.abs(grid[:, None] - grid[None, :]) / 3.0)
    for target in (20.0, 50.0, 99.0, 120.0):
        weights = np.where(grid <= target + 1e-9, 0.1, 0.0)
        weights[0] = weights[np.searchsorted(grid, target - 1e-9)] = 0.05
        spot = stress_column.inside(z, np.array([target]))
        own = [stress_column.integral(z, row, spot)[0] for row in np.eye(z.size)]
        np.subtract.at(weights, np.searchsorted(grid, z - 1e-9), own)
        exact = np.sqrt(weights @ cov @ weights)
        found = stress_column.unseen(
            z, stress_column.Layering(0.05, 3.0), spot, np.zeros(z.size, dtype=bool)
        )[0]
        assert 0.9 * exact < found < 1.35 * exact  # intervals count as independent: a little more


def test_layers_are_found_in_readings_of_a_known_process():
    rng = np.random.default_rng(12)
    found = []
    for _ in range(8):
        z = np.cumsum(rng.uniform(0.5, 1.5, 200))
        x = np.zeros(z.size)
        x[0] = rng.normal(0.0, 0.05)
        for i in range(1, z.size):
            r = np.exp(-(z[i] - z[i - 1]) / 3.0)
            x[i] = r * x[i - 1] + rng.normal(0.0, 0.05 * np.sqrt(1.0 - r * r))
        noise = rng.normal(0.0, 0.01, z.size)
        found.append(stress_column.estimate(z, x + noise, np.full(z.size, 0.01)))
    assert np.median([f.scatter for f in found]) == pytest.approx(0.05, rel=0.15)
    assert np.median([f.length for f in found]) == pytest.approx(3.0, rel=0.35)


def gappy(random=0.01):
    z = np.concatenate([np.arange(0.0, 61.0, 3.0), np.arange(140.0, 201.0, 3.0)])
    return profile(z, 1.5 + 0.001 * z, random)


def test_a_gap_is_filled_straight_by_a_curve_or_not_at_all():
    where = at(30.0, 100.0, 200.0)
    straight = whole(gappy(), where)
    empty = whole(gappy(), where, fill="none")
    z = np.linspace(0.0, 210.0, 211)
    curve = profile(z, 1.5 + 0.001 * z + 0.05, 0.0)  # a filling that is heavier by 0.05
    filled = whole(gappy(), where, fill=curve)
    name = "vertical_effective_stress"
    exact = G * (0.476 * np.array([30.0, 100.0, 200.0]) + 0.0005 * np.array([30, 100, 200]) ** 2)
    np.testing.assert_allclose(straight[name].values, exact, rtol=1e-9)
    assert np.isfinite(empty[name].values).tolist() == [True, False, False]
    # The gap from 60 to 140 m: 40 of its metres lie above 100 m, all 80 above 200 m.
    np.testing.assert_allclose(filled[name].values - exact, G * 0.05 * np.array([0, 40, 80]),
                               atol=0.03)  # fmt: skip
    for found in (straight, filled):
        marked = ["interpolated_input" in flags.names(r) for r in found[f"{name}_reason"].values]
        assert marked == [False, True, True]
        density = [bool(flags.names(r)) for r in found["bulk_density_reason"].values]
        assert density == [False, True, False]
    share = straight["filled_share"].values
    part = G * (0.476 * 80.0 + 0.0005 * (140.0**2 - 60.0**2))
    assert share[0] == 0.0 and share[2] == pytest.approx(part / exact[2], rel=1e-6)
    assert straight.attrs["filled_parts"] == "[[60.0, 140.0]]"


def test_a_wide_gap_costs_certainty_and_more_so_the_longer_it_is():
    rng = np.random.default_rng(1)
    spread = []
    for gap in (0.0, 30.0, 80.0):
        z = np.arange(1.0, 200.0, 2.0)
        z = z[(z < 60.0) | (z > 60.0 + gap)]
        rho = 1.6 + rng.normal(0.0, 0.03, z.size)
        found = whole(profile(z, rho, 0.005), at(199.0), largest_gap="20 m",
                      layer_scatter="0.03 g/cm^3", layer_length="3 m")  # fmt: skip
        spread.append(found["vertical_effective_stress_u_random"].item())
    assert spread[0] < spread[1] < spread[2]


def test_readings_out_of_order_overlapping_or_bad_are_told():
    density = profile([10.0, 5.0, 20.0, 15.0, 25.0], [1.5, 1.5, 1.6, 1.6, 1.6])
    density = density.assign_coords(core=("reading", np.array([1, 1, 1, 2, 2])))
    density["bulk_density_reason"][4] = flags.bit("impossible_value")
    told = whole(density, at(20.0)).attrs
    assert told["readings_out_of_order"] == 2
    assert told["readings_in_overlap"] == 1  # at 15 m, inside core 1, which reaches to 20 m
    assert told["readings_left_out"] == 1 and told["readings_used"] == 4


def test_a_shift_of_the_seafloor_is_sediment_in_place_of_water():
    density = profile([0.0, 100.0], [1.5, 1.5])
    found = whole(density, at(50.0), water_depth="1000 m", water_depth_uncertainty="2 m",
                  sea_water_density="1.03 g/cm^3", depth_uncertainty="0.4 m")  # fmt: skip

    def effect(name, source):
        return found[f"{name}_effects"].sel(source=source).item()

    assert effect("vertical_effective_stress", "depth") == pytest.approx(G * 0.4 * (1.5 - 1.024))
    assert effect("overburden_stress", "depth") == pytest.approx(G * 0.4 * (1.5 - 1.03))
    assert effect("hydrostatic_pressure", "depth") == pytest.approx(G * 0.4 * (1.024 - 1.03))
    assert effect("overburden_stress", "water_depth") == pytest.approx(G * 2.0 * 1.03)
    assert effect("vertical_effective_stress", "water_depth") == 0.0
    without = whole(density, at(50.0), water_depth="1000 m")
    assert np.isnan(without["overburden_stress_u_systematic"].item())  # unknown is not zero
    assert np.isfinite(without["vertical_effective_stress_u_systematic"].item())
    deeper = profile([0.4, 100.4], [1.5, 1.5])  # the same ground, 0.4 m of it missed
    moved = whole(deeper, at(50.4))["vertical_effective_stress"].item()
    base = whole(density, at(50.0))["vertical_effective_stress"].item()
    assert moved - base == pytest.approx(effect("vertical_effective_stress", "depth"), rel=1e-6)


def test_water_by_depth_and_a_rounded_mean_agree_where_they_should():
    depths = units.quantity(np.linspace(0.0, 300.0, 31), "m")
    water = stress.in_situ_water_density(
        depths, salinity="35 g/kg", seafloor_temperature="3 degC", water_depth="2000 m",
        temperature_gradient="40 K/km", salinity_uncertainty="0.5 g/kg",
    )  # fmt: skip
    rho = water["pore_water_density"].values
    assert 1.035 < rho[0] < 1.039 and rho[-1] < rho[0]  # warming outweighs the pressure
    density = profile([0.0, 300.0], [1.6, 1.6])
    by_depth = whole(density, at(300.0), pore_water_density=water)["vertical_effective_stress"]
    mean = whole(density, at(300.0), pore_water_density=f"{rho.mean()} g/cm^3")
    assert by_depth.item() == pytest.approx(mean["vertical_effective_stress"].item(), rel=2e-4)
    u = water["pore_water_density_effects"].sel(source="pore_water_density").values
    np.testing.assert_allclose(u, 0.5 * 0.00077, rtol=0.04)  # haline contraction of the sea


def test_laboratory_water_costs_less_than_mixed_conditions():
    """Grains and porosity are known: what each way of weighing the water does to the stress."""
    phi, grain, lab, place = 0.65, 2.70, 1.0248, 1.0390
    true = (1.0 - phi) * (grain - place)
    measured = profile([0.0, 100.0], [phi * lab + (1.0 - phi) * grain] * 2)
    moved = stress.with_in_situ_water(
        measured, f"{place} g/cm^3", laboratory_water_density=f"{lab} g/cm^3",
        grain_density=f"{grain} g/cm^3", grain_density_uncertainty="0.05 g/cm^3",
    )  # fmt: skip

    def off(density, water):
        found = whole(density, at(100.0), pore_water_density=f"{water} g/cm^3")
        return found["vertical_effective_stress"].item() / (G * 100.0 * true) - 1.0

    assert abs(off(moved, place)) < 1e-9
    assert off(measured, lab) == pytest.approx(0.0085, abs=5e-4)
    assert off(measured, place) == pytest.approx(-0.016, abs=1e-3)


def test_choices_are_compared_with_the_first():
    z = np.linspace(0.0, 100.0, 21)
    where = at(50.0, 100.0)
    found = stress.compare_choices({
        "samples": whole(profile(z, 1.6 + 0.0 * z), where),
        "scan, 2 % heavier": whole(profile(z, 1.632 + 0.0 * z), where),
    })  # fmt: skip
    expected = 0.032 / (1.6 - 1.024)  # two per cent of density is more than five of stress
    np.testing.assert_allclose(
        found["relative_difference"].sel(choice="scan, 2 % heavier"), expected
    )
    np.testing.assert_allclose(found["difference"].values[1], G * 0.032 * np.array([50.0, 100.0]))
    assert found.attrs["safety"] == RESEARCH_ONLY


def test_what_lies_below_a_depth_adds_nothing_to_its_error():
    z = np.concatenate([np.arange(1.0, 91.0, 4.5), np.arange(200.0, 260.0, 4.5)])
    layering = stress_column.Layering(0.03, 5.0)
    found = []
    for part in (z, z[z < 100.0]):  # with a gap right below the target, and with nothing there
        spot = stress_column.inside(part, np.array([part[part < 90.0][-1]]))
        found.append(stress_column.unseen(part, layering, spot, np.zeros(part.size, dtype=bool)))
    assert found[0] == pytest.approx(found[1], rel=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize("fill", ["samples every 4 m", "gap of 60 m, compaction"])
def test_intervals_hold_the_truth_two_times_in_three(fill):
    """Made ground of beds and a cycle, shared errors; 68 % of 120 holes is 60 to 77 %."""
    share, rms = stress_coverage.count(fill, 120, 77)
    assert (share > 0.55).all() and (share < 0.82).all()
    assert (rms < 1.25).all()


def test_a_choice_of_sea_is_the_same_above_both():
    z = np.linspace(0.0, 100.0, 11)
    ground = whole(profile(z, 1.6 + 0.0 * z), at(50.0), water_depth="1000 m",
                   sea_water_density="1.03 g/cm^3")  # fmt: skip
    column = stress.fluid_column_pressure(at(50.0), drilling_fluid_density="1.2 g/cm^3",
                                          water_depth="1000 m", column_from="seafloor")  # fmt: skip
    with pytest.raises(ValueError, match=r"sea_water_density is 1\.034 g/cm.3 above the fluid col"):
        stress.pressure_margins(column, ground)


def test_a_fit_of_compaction_brings_its_errors_by_name():
    z = np.arange(2.0, 200.0, 4.0)
    values = xr.DataArray(0.7 * np.exp(-z / 900.0), dims="reading",
                          coords={"depth": ("reading", z, {"units": "m"})})  # fmt: skip
    shared = {"pycnometer": np.full(z.size, 0.01)}
    phi = series.build({"porosity": Measured(values, np.full(z.size, 0.005), shared)})
    fit = compaction.fit(phi, absolute_sigma=True, excess_scatter=False)
    curve = stress.porosity_of_fit(fit, units.quantity(z, "m"))
    np.testing.assert_allclose(curve["porosity"], values, rtol=1e-6)
    # All porosities too high by 0.01: the curve through them is too high by that, nearly.
    moved = curve["porosity_effects"].sel(source="pycnometer").values
    np.testing.assert_allclose(moved, 0.01, rtol=0.15)
    band = fit.predict(units.quantity(z, "m"))
    half = (band["upper"].values - band["lower"].values) / 2.0
    np.testing.assert_allclose(curve["porosity_u_systematic"].values, half, rtol=1e-6)


def test_readings_above_the_seafloor_weigh_on_nothing():
    z = np.array([-5.0, 0.0, 10.0, 20.0])
    found = whole(profile(z, [1.2, 1.5, 1.6, 1.7]), at(0.0, 10.0, 20.0))
    below = whole(profile(z[1:], [1.5, 1.6, 1.7]), at(0.0, 10.0, 20.0))
    for name in ("vertical_effective_stress", "vertical_effective_stress_u_random"):
        np.testing.assert_allclose(found[name].values, below[name].values, atol=1e-12)
    assert found["vertical_effective_stress"].values[0] == 0.0
    assert (found.attrs["readings_used"], found.attrs["readings_left_out"]) == (3, 1)


def test_a_depth_error_of_the_readings_is_joined_with_that_of_the_seafloor():
    z = np.array([0.0, 10.0, 20.0])
    moved = profile(z, [1.5, 1.6, 1.7], deep=0.05)
    moved = moved.assign_coords(source=np.array(["depth"], dtype=object))
    own = whole(moved, at(20.0))
    shifted = whole(profile(z, [1.5, 1.6, 1.7]), at(20.0), depth_uncertainty="1 m")
    both = whole(moved, at(20.0), depth_uncertainty="1 m")
    parts = [
        float(one["vertical_effective_stress_effects"].sel(source="depth").item())
        for one in (own, shifted, both)
    ]
    assert parts[0] == pytest.approx(G * 0.05 * 20.0)
    assert parts[2] == pytest.approx(parts[0] + parts[1])


def test_a_stress_states_whether_its_density_is_that_of_the_laboratory():
    depth = np.arange(1.0, 31.0)
    coords = {"depth": ("reading", depth, {"units": "m"})}
    values = xr.DataArray(np.full(depth.size, 1.6), dims="reading", coords=coords)
    density = series.build({"bulk_density": Measured(values, 0.01)})
    for found in (stress.profile(density), stress.vertical_effective_stress(density, at=density)):
        assert found.attrs["density_state"].startswith("as measured in the laboratory")
    placed = stress.with_in_situ_water(
        density, "1.03 g/cm^3", laboratory_water_density="1.024 g/cm^3"
    )
    assert "water in place" in stress.profile(placed).attrs["density_state"]
