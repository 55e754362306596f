"""Temperatures from the line: closed forms, the band drawn anew, what lies below the stations."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.products import heat_flow
from corephys.uncertainty import Measured

AT = np.linspace(30, 190, 6)
KNOWN = np.linspace(4, 205, 16)


def _series(name, depth, values, u=0.01, effects=None):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u, effects or {})})


def _hole(k=1.2, made=0.0, u=0.01, k_effects=None):
    needles = _series("thermal_conductivity", KNOWN, np.full(16, k), 0.02, k_effects)
    t = 4.0 + 0.06 * AT / k - 1e-6 * made * AT**2 / (2 * k)
    return _series("equilibrium_temperature", AT, t, u), needles


def test_geotherm_with_heat_production():
    warm, needles = _hole(2.0, 1.2)
    found = heat_flow.temperature_at(
        units.quantity(np.array([1000.0, 3000.0]), "m"), warm, needles,
        heat_production="1.2 uW/m^3",
    )  # fmt: skip
    np.testing.assert_allclose(found["equilibrium_temperature"], [33.7, 91.3], atol=2e-3)


def test_below_the_last_station_is_flagged_and_said_how_far():
    found = heat_flow.temperature_at(units.quantity(np.array([100.0, 190.0, 260.0]), "m"), *_hole())
    word = flags.bit("extrapolated")
    assert ((found["equilibrium_temperature_reason"].values & word) != 0).tolist() == [
        False, False, True,
    ]  # fmt: skip
    np.testing.assert_allclose(found["distance_below_last_station"], [0.0, 0.0, 70.0])
    assert found.attrs["last_station"] == 190.0
    assert found.attrs["last_conductivity"] == 205.0
    u = found["equilibrium_temperature_u_random"].values
    assert u[2] > u[1] > 0.0


def test_the_band_is_the_scatter_of_holes_drawn_anew():
    """Temperatures and conductivities drawn, the whole evaluation each time."""
    rng = np.random.default_rng(3)
    where = units.quantity(np.array([10.0, 110.0, 190.0, 320.0]), "m")
    k, found, said = np.full(16, 1.2), [], []
    exact = 4.0 + 0.06 * AT / 1.2
    for _ in range(250):
        needles = _series("thermal_conductivity", KNOWN, k + rng.normal(0, 0.06, 16), 0.06)
        warm = _series("equilibrium_temperature", AT, exact + rng.normal(0, 0.02, 6), 0.02)
        one = heat_flow.temperature_at(where, warm, needles)
        found.append(one["equilibrium_temperature"].values)
        said.append(one["equilibrium_temperature_u_random"].values)
    # 250 holes know a deviation to 4.5 %; the natural scatter estimated anew makes it wider.
    ratio = np.sqrt(np.mean(np.square(said), axis=0)) / np.std(found, axis=0)
    assert np.all((ratio > 0.9) & (ratio < 1.35)), ratio


def test_a_common_scale_of_conductivity_cancels_between_the_stations():
    warm, needles = _hole(k_effects={"heating_power": 0.012})
    found = heat_flow.temperature_at(units.quantity(np.array([110.0, 190.0]), "m"), warm, needles)
    effect = found["equilibrium_temperature_effects"].sel(source="heating_power").values
    # One per cent of 60 mW/m^2 would be 0.095 K at 190 m; the thermometers know better.
    assert np.abs(effect).max() < 1e-4


def test_an_effect_of_depth_and_of_heat_production_is_carried():
    warm, needles = _hole(made=1.0)
    found = heat_flow.temperature_at(
        "400 m", warm, needles, heat_production="1 uW/m^3",
        heat_production_uncertainty="0.3 uW/m^3", datum_uncertainty="1 m",
    )  # fmt: skip
    effects = found["equilibrium_temperature_effects"].isel(reading=0).to_series()
    more = heat_flow.temperature_at("400 m", warm, needles, heat_production="1.3 uW/m^3")
    less = heat_flow.temperature_at("400 m", warm, needles, heat_production="0.7 uW/m^3")
    half = (more["equilibrium_temperature"] - less["equilibrium_temperature"]).item() / 2
    assert effects["heat_production"] == pytest.approx(half, rel=0.02)
    # All stations a metre deeper than thought: a metre's rise is missing everywhere.
    assert effects["depth"] == pytest.approx(-0.05, rel=0.02)


def test_unknown_stays_unknown_and_the_impossible_is_refused():
    warm, needles = _hole(u=float("nan"))
    found = heat_flow.temperature_at("250 m", warm, needles)
    assert np.isnan(found["equilibrium_temperature_u_random"].values).all()
    assert np.isfinite(found["equilibrium_temperature"].values).all()
    with pytest.raises(ValueError, match="-5 m lies above the seafloor"):
        heat_flow.temperature_at("-5 m", warm, needles)
    with pytest.raises(ValueError, match="it needs three"):
        heat_flow.temperature_at("250 m", warm.isel(reading=[0, 1]), needles)
    with pytest.raises(units.UnitError, match="at"):
        heat_flow.temperature_at("250 s", warm, needles)
