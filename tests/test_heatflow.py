"""Thermal resistance and heat flow against closed forms, York's line and simulated holes."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

from corephys import flags, series, units
from corephys.numerics import line
from corephys.products import heatflow, heatflow_carriers
from corephys.uncertainty import Measured


def _series(name, depth, values, u=0.0, effects=None, reason=0):
    depth = ("reading", np.asarray(depth, float), {"units": "m"})
    array = xr.DataArray(np.asarray(values, float), dims="reading", coords={"depth": depth})

    def along(part):
        return array.copy(data=np.broadcast_to(np.asarray(part, float), array.shape).copy())

    named = {source: along(effect) for source, effect in (effects or {}).items()}
    return series.build({name: Measured(array, along(u), named, along(reason).astype(np.int32))})


def _conductivity(depth, values, u=0.01, effects=None, reason=0):
    return _series("thermal_conductivity", depth, values, u, effects, reason)


def _temperature(depth, values, u=0.01, effects=None, reason=0):
    return _series("equilibrium_temperature", depth, values, u, effects, reason)


DEPTH = np.array([0.0, 5.0, 20.0, 60.0])
POINTS = np.array([3.0, 10.0, 30.0, 55.0])


@pytest.mark.parametrize("how", heatflow.CARRIERS)
def test_one_conductivity_everywhere_is_depth_over_it(how):
    known = _conductivity(POINTS, np.full(4, 1.25))
    found = heatflow.thermal_resistance(known, at=units.quantity(DEPTH, "m"), how=how)
    np.testing.assert_allclose(found.thermal_resistance, DEPTH / 1.25, rtol=1e-12)
    assert found.attrs["natural_scatter_of_conductivity"] == 0.0
    assert found.attrs["carrier"] == how


def test_linear_resistivity_is_its_integral():
    """1/k = 1 - 0.01 z between the points: R = z - 0.005 z^2, measured from the first point."""
    depth = np.array([0.0, 40.0])
    found = heatflow.thermal_resistance(
        _conductivity(depth, 1.0 / (1.0 - 0.01 * depth)), at=units.quantity(DEPTH, "m")
    )
    expected = np.where(DEPTH <= 40, DEPTH - 0.005 * DEPTH**2, 32.0 + 0.6 * (DEPTH - 40.0))
    np.testing.assert_allclose(found.thermal_resistance, expected, rtol=1e-12)
    points = heatflow_carriers.Points(POINTS, 1.0 / (1.0 - 0.01 * POINTS), np.zeros(4), {})
    trend = heatflow_carriers.resistance(points, DEPTH, "trend")[0]
    np.testing.assert_allclose(trend, DEPTH - 0.005 * DEPTH**2, rtol=1e-12)


def test_steps_change_halfway():
    known = _conductivity([10.0, 30.0], [1.0, 2.0])
    at = units.quantity(np.array([20.0, 40.0]), "m")
    found = heatflow.thermal_resistance(known, at=at, how="steps")
    np.testing.assert_allclose(found.thermal_resistance, [20.0, 30.0])


def test_the_harmonic_mean_keeps_the_resistance_of_the_whole():
    """Thickness-weighted, it agrees with the steps at the deepest point."""
    known = _conductivity(POINTS, [0.9, 1.1, 1.0, 1.4])
    at = units.quantity(np.array([55.0]), "m")
    steps, mean = (
        heatflow.thermal_resistance(known, at=at, how=how) for how in ("steps", "harmonic mean")
    )
    np.testing.assert_allclose(mean.thermal_resistance, steps.thermal_resistance, rtol=1e-12)


@pytest.mark.parametrize("how", heatflow.CARRIERS)
def test_derivatives_are_those_of_a_shifted_reading(how):
    known = heatflow_carriers.Points(POINTS, np.array([0.9, 1.1, 1.0, 1.4]), np.zeros(4), {})
    _, by_k = heatflow_carriers.resistance(known, DEPTH, how)
    for j in range(4):
        step = np.eye(4)[j] * 1e-6
        up, down = (
            heatflow_carriers.resistance(
                heatflow_carriers.Points(POINTS, known.conductivity + sign * step, np.zeros(4), {}),
                DEPTH, how,
            )[0]
            for sign in (1, -1)
        )  # fmt: skip
        np.testing.assert_allclose(by_k[:, j], (up - down) / 2e-6, atol=1e-7)


def test_covariance_and_effects_are_those_of_a_simulation():
    rng = np.random.default_rng(11)
    k = np.array([1.00, 1.05, 1.02, 1.08])  # no scatter beyond the errors
    known = _conductivity(POINTS, k, 0.05, {"heating_power": 0.01 * k})
    found = heatflow.thermal_resistance(known, at=units.quantity(DEPTH, "m"))
    assert found.attrs["natural_scatter_of_conductivity"] == 0.0

    def draw():
        points = heatflow_carriers.Points(POINTS, k + rng.normal(0, 0.05, 4), np.zeros(4), {})
        return heatflow_carriers.resistance(points, DEPTH, "linear")[0]

    draws = np.array([draw() for _ in range(4000)])
    covariance = found.thermal_resistance_covariance.values
    np.testing.assert_allclose(np.cov(draws.T)[1:, 1:], covariance[1:, 1:], rtol=0.1)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), found.thermal_resistance_u_random)
    np.testing.assert_allclose(
        found.thermal_resistance_effects.sel(source="heating_power"),
        -0.01 * found.thermal_resistance, rtol=1e-12,
    )  # fmt: skip


def test_repeats_share_the_scatter_of_their_sediment():
    """Ten readings of one spot tell no more of the metres around it than their mean does."""
    known = heatflow_carriers.merge(
        np.repeat(POINTS, 10) + np.tile(np.arange(10) * 0.005, 4),
        Measured(np.repeat([1.0, 1.1, 1.0, 1.2], 10), np.full(40, 0.03), {"s": np.full(40, 0.01)}),
    )
    np.testing.assert_allclose(known.depth, POINTS + 0.0225)
    np.testing.assert_allclose(known.u_random, 0.03 / np.sqrt(10))
    np.testing.assert_allclose(known.effects["s"], 0.01)


def test_natural_scatter_is_found_and_freed_of_the_errors():
    rng = np.random.default_rng(2)
    depth = np.arange(2000.0)
    k = 1.0 + 1e-4 * depth + rng.normal(0, 0.04, 2000) + rng.normal(0, 0.03, 2000)
    known = heatflow_carriers.Points(depth, k, np.full(2000, 0.03), {})
    for how, tolerance in (("linear", 0.002), ("steps", 0.002), ("trend", 0.003)):
        assert heatflow_carriers.scatter(known, how)[0] == pytest.approx(0.04, abs=tolerance), how


def test_one_depth_of_conductivity_leaves_the_uncertainty_unknown():
    found = heatflow.thermal_resistance(_conductivity([4.0], [1.2]), at=units.quantity(DEPTH, "m"))
    np.testing.assert_allclose(found.thermal_resistance, DEPTH / 1.2)
    assert np.isnan(found.thermal_resistance_u_random[1:]).all()
    flow = heatflow.bullard(_temperature(DEPTH, 2.0 + 0.05 * DEPTH / 1.2), found)
    assert float(flow.heat_flow) == pytest.approx(50.0)
    assert np.isnan(flow.heat_flow_u_random)


def test_flagged_conductivities_are_left_out_and_counted():
    reason = [0, flags.bit("no_window"), 0, 0]
    known = _conductivity(POINTS, [1.0, 5.0, 1.0, 1.0], reason=reason)
    found = heatflow.thermal_resistance(known, at=units.quantity(DEPTH, "m"))
    np.testing.assert_allclose(found.thermal_resistance, DEPTH)
    assert (found.attrs["conductivities_used"], found.attrs["conductivities_left_out"]) == (3, 1)


def _exact(u=0.01, effects=None, k_effects=None):
    depth = np.array([10.0, 30.0, 60.0, 90.0])
    known = _conductivity(POINTS, np.full(4, 1.25), 0.0, k_effects)
    temperature = _temperature(depth, 3.0 + 0.06 * depth / 1.25, u, effects)
    return temperature, heatflow.thermal_resistance(known, at=temperature)


def test_points_on_a_line_give_its_heat_flow_and_york_its_errors():
    temperature, resistance = _exact()
    found = heatflow.bullard(temperature, resistance)
    assert float(found.heat_flow) == pytest.approx(60.0, rel=1e-10)
    assert float(found.surface_temperature) == pytest.approx(3.0, rel=1e-10)
    r = resistance.thermal_resistance.values
    t = temperature.equilibrium_temperature.values
    york = line.york(r, t, np.full(4, 1e-9), np.full(4, 0.01))
    assert float(found.heat_flow_u_random) == pytest.approx(1e3 * york.slope_uncertainty, rel=1e-6)
    assert found.heat_flow.attrs["units"] == "mW/m^2"
    assert found.attrs["bottom_water"] == "left out"
    assert json.loads(found.attrs["steps"])


def test_heating_power_reaches_heat_flow_one_to_one():
    temperature, resistance = _exact(k_effects={"heating_power": 0.0125})
    found = heatflow.bullard(temperature, resistance)
    effect = found.heat_flow_effects.sel(source="heating_power")
    assert float(effect) == pytest.approx(0.6, rel=1e-3)  # 1 % of 60, and a higher k is more heat


def test_the_same_source_in_both_axes_is_the_same_error():
    """Temperatures that err in proportion to the resistances' own error leave the slope alone."""
    _, resistance = _exact(k_effects={"power": 0.0125})
    r = resistance.thermal_resistance_effects.sel(source="power").values
    matched, resistance = _exact(effects={"power": 0.06 * r}, k_effects={"power": 0.0125})
    found = heatflow.bullard(matched, resistance)
    assert abs(float(found.heat_flow_effects.sel(source="power"))) < 1e-6
    assert float(found.heat_flow_u_systematic) < 1e-6


def test_an_offset_of_the_thermometer_moves_the_surface_and_not_the_flow():
    found = heatflow.bullard(*_exact(effects={"thermometer": 0.005}))
    assert float(found.heat_flow_effects.sel(source="thermometer")) == pytest.approx(0.0, abs=1e-9)
    effect = found.surface_temperature_effects.sel(source="thermometer")
    assert float(effect) == pytest.approx(0.005, rel=1e-9)


def test_bottom_water_is_a_point_and_a_check():
    temperature, resistance = _exact(effects={"thermometer": 0.005})
    found = heatflow.bullard(
        temperature, resistance, bottom_water_temperature="2.9 degC",
        bottom_water_temperature_uncertainty="0.05 K",
    )  # fmt: skip
    assert found.attrs["bottom_water"] == "included"
    assert (found.attrs["points_used"], found.attrs["temperatures_used"]) == (5, 4)
    assert float(found.heat_flow_without_bottom_water) == pytest.approx(60.0)
    assert float(found.seafloor_temperature_difference) == pytest.approx(0.1)
    assert float(found.heat_flow) > 60.0
    assert float(found.heat_flow_effects.sel(source="thermometer")) > 0.0


def test_the_interval_is_students():
    found = heatflow.bullard(*_exact(effects={"thermometer": 0.0}))
    half = 0.5 * float(found.heat_flow_interval[1] - found.heat_flow_interval[0])
    # 1.3213 holds 68.27 % at two degrees of freedom: t = p sqrt(2 / (1 - p^2)) (definition).
    factor = 0.6826895 * np.sqrt(2.0 / (1.0 - 0.6826895**2))
    assert half == pytest.approx(factor * float(found.heat_flow_u_random), rel=1e-6)


def test_a_bent_profile_is_flagged_and_widened():
    depth = np.linspace(10.0, 100.0, 8)
    known = _conductivity(np.linspace(1, 100, 40), np.full(40, 1.0), 0.001)
    straight, bent = (
        _temperature(depth, 2.0 + 0.05 * depth + b * (depth - 55.0) ** 2, 0.005) for b in (0, 1e-4)
    )
    good, poor = (
        heatflow.bullard(t, heatflow.thermal_resistance(known, at=t)) for t in (straight, bent)
    )
    assert int(good.heat_flow_flag) == flags.GOOD
    assert flags.names(int(poor.heat_flow_reason)) == ["poor_fit"]
    assert float(poor.heat_flow_u_random) > 5.0 * float(good.heat_flow_u_random)
    assert poor.attrs["excess_scatter_of_temperature"] > 0.05


def test_flagged_temperatures_are_left_out_and_counted():
    temperature, resistance = _exact()
    changed = temperature.copy(deep=True)
    changed["equilibrium_temperature"][1] += 3.0
    changed["equilibrium_temperature_flag"][1] = flags.BAD
    found = heatflow.bullard(changed, resistance)
    assert float(found.heat_flow) == pytest.approx(60.0)
    assert (found.attrs["temperatures_used"], found.attrs["temperatures_left_out"]) == (3, 1)


def test_an_unknown_uncertainty_stays_unknown():
    u = np.array([0.01, np.nan, 0.01, 0.01])
    found = heatflow.bullard(*_exact(u=u, effects={"thermometer": np.nan}))
    assert float(found.heat_flow) == pytest.approx(60.0)
    assert np.isnan(found.heat_flow_u_random)
    assert np.isnan(found.heat_flow_u_systematic)


def test_the_ways_stand_side_by_side_and_their_spread_is_a_number():
    depth = np.array([15.0, 30.0, 45.0, 60.0])
    known = _conductivity(POINTS, [0.8, 1.0, 1.1, 1.5], effects={"heating_power": 0.01})
    temperature = _temperature(depth, 2.0 + 0.05 * depth)
    found = heatflow.compare_carriers(temperature, known)
    assert list(found.carrier.values) == list(heatflow.CARRIERS)
    single = heatflow.bullard(
        temperature, heatflow.thermal_resistance(known, at=temperature, how="steps")
    )
    assert float(found.heat_flow.sel(carrier="steps")) == float(single.heat_flow)
    assert found.attrs["spread"] == pytest.approx(float(np.ptp(found.heat_flow.values)))
    two = heatflow.compare_carriers(temperature, known.isel(reading=[0, 2]))
    assert "trend" not in two.carrier.values


def _simulated_hole(seed):
    """Twelve readings of a layered hole, six stations, 1 % of power; error and uncertainty."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 121.0, 0.25)
    true = (0.95 + 0.004 * fine) * np.exp(rng.normal(0.0, 0.05, 121)[fine.astype(int)])
    through = np.concatenate([[0.0], np.cumsum(0.25 / true[:-1])])
    flow = rng.uniform(40.0, 90.0)
    spots, stations = np.sort(rng.uniform(1.0, 120.0, 12)), np.linspace(20.0, 118.0, 6)
    read = np.interp(spots, fine, true) * (1.0 + 0.01 * rng.normal())
    read *= 1.0 + rng.normal(0.0, 0.01, 12)
    warm = 2.0 + 1e-3 * flow * np.interp(stations, fine, through) + rng.normal(0.0, 0.01, 6)
    known = _conductivity(spots, read, 0.01 * read, {"heating_power": 0.01 * read})
    temperature = _temperature(stations, warm, 0.01)
    found = heatflow.bullard(temperature, heatflow.thermal_resistance(known, at=temperature))
    u = float(np.hypot(found.heat_flow_u_random, found.heat_flow_u_systematic))
    return float(found.heat_flow) - flow, u


def test_the_interval_holds_the_truth_as_often_as_it_says():
    error, u = np.array([_simulated_hole(seed) for seed in range(120)]).T
    inside = np.mean(np.abs(error) <= u)
    assert 0.56 <= inside <= 0.80  # 68 % give or take three standard errors of 120 draws
    assert 0.75 < np.mean(u) / np.sqrt(np.mean(error**2)) < 1.3


def test_what_cannot_be_done_is_said():
    temperature, resistance = _exact()
    with pytest.raises(ValueError, match="2 usable points"):
        two = {"reading": [0, 1]}
        heatflow.bullard(temperature.isel(two), resistance.isel({**two, "reading_2": [0, 1]}))
    with pytest.raises(series.PositionError):
        heatflow.bullard(temperature.assign_coords(depth=temperature["depth"] + 0.1), resistance)
    with pytest.raises(ValueError, match="how is 'cubic'"):
        heatflow.thermal_resistance(_conductivity([1.0], [1.0]), at=temperature, how="cubic")
    with pytest.raises(ValueError, match="three depths, not 1"):
        heatflow.thermal_resistance(_conductivity([1.0], [1.0]), at=temperature, how="trend")
    with pytest.raises(ValueError, match="none of 1"):
        heatflow.thermal_resistance(_conductivity([1.0], [np.nan]), at=temperature)
    with pytest.raises(units.UnitError, match="bare value"):
        heatflow.thermal_resistance(_conductivity([1.0], [1.0]), at=np.array([3.0]))
