"""Thermal resistance and heat flow: closed forms, effects, coverage, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.products import heat_flow
from corephys.uncertainty import Measured

WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.01 K",
}  # fmt: skip


def _series(name, depth, values, u=0.01, effects=None, reason=0):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    mask = xr.zeros_like(array, dtype=np.int64) + reason
    return series.build({name: Measured(array, u, effects or {}, mask)})


def _uniform(k=1.2, effects=None):
    depth = np.linspace(5, 200, 14)
    return _series("thermal_conductivity", depth, np.full(14, k), 0.02, effects)


def _stations(q=0.06, k=1.2, t0=2.0, u=0.005, effects=None, reason=0):
    depth = np.linspace(30, 190, 6)
    return _series("equilibrium_temperature", depth, t0 + q * depth / k, u, effects, reason)


@pytest.mark.parametrize("how", ["linear", "steps", "harmonic_mean", "trend"])
def test_uniform_conductivity_gives_depth_over_conductivity(how):
    found = heat_flow.thermal_resistance(_uniform(), at=_stations(), how=how)
    np.testing.assert_allclose(found.thermal_resistance, found.depth / 1.2, rtol=1e-9)
    diagonal = np.diag(found.thermal_resistance_covariance)
    np.testing.assert_allclose(found.thermal_resistance_u_random, np.sqrt(diagonal))


@pytest.mark.parametrize("how", ["linear", "steps", "harmonic_mean", "trend"])
def test_a_common_scale_of_conductivity_scales_resistance(how):
    base = _uniform(effects={"heating_power": 0.012})
    found = heat_flow.thermal_resistance(base, at=_stations(), how=how)
    shifted = heat_flow.thermal_resistance(_uniform(1.212), at=_stations(), how=how)
    effect = found.thermal_resistance_effects.sel(source="heating_power").values
    change = (shifted.thermal_resistance - found.thermal_resistance).values
    np.testing.assert_allclose(effect, change, rtol=0.02)


def test_line_through_exact_points():
    resistance = heat_flow.thermal_resistance(_uniform(), at=_stations())
    found = heat_flow.bullard(_stations(), resistance, **WATER)
    assert float(found.heat_flow) == pytest.approx(60.0, rel=1e-9)
    assert float(found.surface_temperature) == pytest.approx(2.0, abs=1e-9)
    assert found.attrs["points_used"] == 7
    without = heat_flow.bullard(_stations(), resistance)
    assert without.attrs["points_used"] == 6
    assert float(without.heat_flow_u_random) > float(found.heat_flow_u_random)


def test_the_needles_power_goes_into_heat_flow_one_to_one():
    resistance = heat_flow.thermal_resistance(
        _uniform(effects={"heating_power": 0.012}), at=_stations()
    )
    found = heat_flow.bullard(_stations(), resistance, **WATER)
    effect = float(found.heat_flow_effects.sel(source="heating_power"))
    assert effect == pytest.approx(0.6, rel=0.02)  # 1 % of 60 mW/m^2


def test_effects_are_those_of_a_shifted_refit():
    resistance = heat_flow.thermal_resistance(_uniform(), at=_stations())
    ramp = np.linspace(0.0, 0.02, 6)
    tilted = _stations(effects={"thermometer": xr.DataArray(ramp, dims="reading")})
    one = heat_flow.bullard(tilted, resistance, **WATER)
    moved = _stations()
    moved["equilibrium_temperature"] = moved["equilibrium_temperature"] + ramp
    moved["equilibrium_temperature"].attrs["units"] = "degC"
    two = heat_flow.bullard(moved, resistance, **WATER)
    effect = float(one.heat_flow_effects.sel(source="thermometer"))
    assert effect == pytest.approx(float(two.heat_flow - one.heat_flow), rel=0.05)


def test_interval_is_students_and_holds_the_estimate():
    rng = np.random.default_rng(3)
    stations = _stations()
    noise = rng.normal(0, 0.05, 6)
    stations["equilibrium_temperature"] = stations["equilibrium_temperature"] + noise
    stations["equilibrium_temperature"].attrs["units"] = "degC"
    found = heat_flow.bullard(
        stations, heat_flow.thermal_resistance(_uniform(), at=stations), **WATER
    )
    low, high = found.heat_flow_interval.values
    half = (high - low) / 2
    assert low < float(found.heat_flow) < high
    assert half > float(found.heat_flow_u_random)  # five degrees of freedom widen it
    assert int(found.heat_flow_flag) == flags.SUSPECT  # 0.05 K against a stated 0.005 K


@pytest.mark.slow
def test_coverage_with_scattered_conductivity():
    """A quick closed loop: white scatter of 5 % in conductivity, a metre thick, six stations."""
    rng = np.random.default_rng(11)
    inside = 0
    holes = 150
    for _ in range(holes):
        fine = np.arange(0.0, 200.0, 0.5)
        k = 1.1 * np.exp(rng.normal(0, 0.05, fine.size))
        resistance = np.concatenate([[0.0], np.cumsum(0.5 / k)])[:-1]
        at = np.linspace(5, 195, 12)
        seen = k[(at / 0.5).astype(int)] * (1 + rng.normal(0, 0.01, 12))
        where = np.linspace(30, 190, 6)
        t = 2.0 + 0.06 * np.interp(where, fine, resistance) + rng.normal(0, 0.005, 6)
        stations = _series("equilibrium_temperature", where, t, 0.005)
        needles = _series("thermal_conductivity", at, seen, 0.011)
        found = heat_flow.bullard(
            stations, heat_flow.thermal_resistance(needles, at=stations), **WATER
        )
        inside += abs(float(found.heat_flow) - 60.0) <= float(found.heat_flow_u_random)
    assert 0.55 < inside / holes < 0.88


def test_the_ways_are_compared_and_their_spread_is_said():
    depth = np.linspace(5, 200, 14)
    rising = _series("thermal_conductivity", depth, 0.9 + 0.003 * depth, 0.01)
    table = heat_flow.compare_carriers(_stations(), rising, **WATER)
    assert list(table.carrier.values) == ["linear", "steps", "harmonic_mean", "trend"]
    assert table.attrs["spread"] == pytest.approx(float(np.ptp(table.heat_flow.values)))


def test_unknown_uncertainty_stays_unknown():
    stations = _stations(u=float("nan"))
    found = heat_flow.bullard(stations, heat_flow.thermal_resistance(_uniform(), at=stations))
    assert float(found.heat_flow) == pytest.approx(60.0, rel=1e-6)
    assert np.isnan(float(found.heat_flow_u_random))


def test_conductivities_without_uncertainty_and_without_scatter_are_not_certain():
    depth = np.linspace(5, 200, 14)
    same = _series("thermal_conductivity", depth, np.full(14, 1.2), float("nan"))
    resistance = heat_flow.thermal_resistance(same, at=_stations())
    assert np.isnan(resistance["thermal_resistance_u_random"]).all()
    assert np.isnan(float(heat_flow.bullard(_stations(), resistance)["heat_flow_u_random"]))
    # Where they scatter the scatter holds their errors too.
    rng = np.random.default_rng(1)
    some = _series("thermal_conductivity", depth, 1.2 + rng.normal(0, 0.05, 14), float("nan"))
    resistance = heat_flow.thermal_resistance(some, at=_stations())
    assert (resistance["thermal_resistance_u_random"] > 0.0).all()


def test_conductivity_of_water_content_with_unknown_error_is_unknown():
    water = xr.DataArray([0.45, 0.5], dims="reading", attrs={"units": "1"})
    found = heat_flow.conductivity_of_water_content(water)
    assert np.isnan(found["thermal_conductivity_u_random"]).all()
    known = series.build({"water_content_wet": Measured(water, 0.01)})
    found = heat_flow.conductivity_of_water_content(known)
    assert (found["thermal_conductivity_u_random"] > 0.03).all()


def test_flagged_readings_are_left_out():
    reason = np.array([0, 0, flags.bit("no_decay"), 0, 0, 0], dtype=np.int64)
    found = heat_flow.bullard(
        _stations(reason=reason), heat_flow.thermal_resistance(_uniform(), at=_stations()), **WATER
    )
    assert found.attrs["temperatures_left_out"] == 1


def test_errors_teach():
    few = _stations().isel(reading=[0, 1])
    with pytest.raises(ValueError, match="it needs three"):
        heat_flow.bullard(few, heat_flow.thermal_resistance(_uniform(), at=few))
    with pytest.raises(ValueError, match="how is 'cubic'; expected one of linear"):
        heat_flow.thermal_resistance(_uniform(), at=_stations(), how="cubic")
    other = _stations().assign_coords(
        depth=("reading", _stations().depth.values + 1e-9, {"units": "m"})
    )
    with pytest.raises(series.PositionError):
        heat_flow.bullard(other, heat_flow.thermal_resistance(_uniform(), at=_stations()))
