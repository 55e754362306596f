"""Heat flow between neighbours: closed forms, the covariance drawn, the line as the other way."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import series
from corephys.products import heat_flow
from corephys.uncertainty import Measured

WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.01 K",
}  # fmt: skip
AT = np.array([40.0, 75.0, 110.0, 160.0, 190.0])
KNOWN = np.linspace(4, 205, 16)


def _series(name, depth, values, u=0.01, effects=None):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u, effects or {})})


def _hole(noise=0.0, seed=1, u=0.01, k_effects=None):
    rng = np.random.default_rng(seed)
    k = 0.9 + 0.002 * KNOWN
    needles = _series("thermal_conductivity", KNOWN, k, 0.02, k_effects)
    shape = heat_flow.thermal_resistance(needles, at=_series("equilibrium_temperature", AT, AT))
    t = 2.0 + 0.06 * shape["thermal_resistance"].values + rng.normal(0, noise, AT.size)
    warm = _series("equilibrium_temperature", AT, t, u)
    return warm, heat_flow.thermal_resistance(needles, at=warm)


def test_intervals_of_one_heat_flow():
    found = heat_flow.intervals(*_hole(), **WATER)
    np.testing.assert_allclose(found["heat_flow"], 60.0, rtol=1e-9)
    np.testing.assert_allclose(found["top"], [0.0, *AT[:-1]])
    np.testing.assert_allclose(found["bottom"], AT)
    product = found["temperature_gradient"] * found["thermal_conductivity"]
    np.testing.assert_allclose(product, found["heat_flow"], rtol=1e-12)
    assert found.attrs["chi_square"] == pytest.approx(0.0, abs=1e-12)


def test_the_order_of_stations_does_not_matter():
    warm, resistance = _hole(0.02)
    turned = slice(None, None, -1)
    needles = _series("thermal_conductivity", KNOWN, 0.9 + 0.002 * KNOWN, 0.02)
    back = warm.isel(reading=turned)
    again = heat_flow.intervals(back, heat_flow.thermal_resistance(needles, at=back))
    np.testing.assert_allclose(
        again["heat_flow"], heat_flow.intervals(warm, resistance)["heat_flow"], rtol=1e-9
    )


def test_covariance_is_that_of_drawn_temperatures():
    warm, resistance = _hole(u=0.03)
    still = resistance.copy()
    still["thermal_resistance_covariance"] = 0.0 * still["thermal_resistance_covariance"]
    found = heat_flow.intervals(warm, still)
    rng = np.random.default_rng(2)
    r = resistance["thermal_resistance"].values
    draws = warm["equilibrium_temperature"].values + rng.normal(0, 0.03, (40000, AT.size))
    flows = 1e3 * np.diff(draws) / np.diff(r)
    np.testing.assert_allclose(
        found["heat_flow_covariance"], np.cov(flows.T), rtol=0.03,
        atol=0.02 * float(found["heat_flow_covariance"].max()),
    )  # fmt: skip
    # Neighbours share a station: a temperature too high raises the one and lowers the other.
    assert found["heat_flow_covariance"].values[0, 1] < 0.0


@pytest.mark.parametrize("water", [{}, WATER])
def test_the_weighted_mean_is_the_slope_of_the_line(water):
    warm, resistance = _hole(0.004, seed=3)
    found = heat_flow.intervals(warm, resistance, **water)
    line = heat_flow.bullard(warm, resistance, **water)
    assert line.attrs["excess_scatter_of_temperature"] == 0.0
    # Alike to first order; the adjusted points of the line are the second.
    assert float(found["heat_flow_weighted_mean"]) == pytest.approx(
        float(line["heat_flow"]), abs=0.05 * float(line["heat_flow_u_random"])
    )
    assert float(found["heat_flow_weighted_mean_u_random"]) == pytest.approx(
        float(line["heat_flow_u_random"]), rel=0.02
    )
    assert found.attrs["chi_square"] == pytest.approx(line.attrs["chi_square"], rel=0.03)
    assert float(found["heat_flow_mean_u_random"]) >= float(
        found["heat_flow_weighted_mean_u_random"]
    )


def test_a_common_scale_goes_into_every_interval():
    warm, resistance = _hole(k_effects={"heating_power": 0.02})
    found = heat_flow.intervals(warm, resistance)
    share = found["heat_flow_effects"].sel(source="heating_power") / found["heat_flow"]
    scale = 0.02 / found["thermal_conductivity"]
    np.testing.assert_allclose(share, scale, rtol=0.02)
    assert float(found["heat_flow_mean_effects"].sel(source="heating_power")) > 0.5


def test_intervals_that_disagree_are_said_to():
    warm, resistance = _hole(noise=0.3, u=0.01)
    found = heat_flow.intervals(warm, resistance)
    assert found.attrs["chi_square_probability"] < 1e-6
    assert int(found["heat_flow_mean_flag"]) == 3


def test_what_makes_no_interval_is_refused():
    warm, _ = _hole()
    with pytest.raises(ValueError, match="1 usable points make no interval; it needs two"):
        heat_flow.intervals(
            warm.isel(reading=[2]),
            heat_flow.thermal_resistance(
                _series("thermal_conductivity", KNOWN, KNOWN * 0 + 1.0), at=warm.isel(reading=[2])
            ),
        )
    twice = _series("equilibrium_temperature", [40.0, 40.0, 90.0], [3.0, 3.1, 5.0])
    needles = _series("thermal_conductivity", KNOWN, KNOWN * 0 + 1.0)
    with pytest.raises(ValueError, match="two stations lie at 40 m"):
        heat_flow.intervals(twice, heat_flow.thermal_resistance(needles, at=twice))
