"""Corrections: planted disturbances come off, each by itself, with its sign and its errors."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import series, units
from corephys.products import heat_flow
from corephys.uncertainty import Measured

AT = np.linspace(8, 190, 8)
KNOWN = np.linspace(0, 205, 400)
WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.02 K",
}  # fmt: skip


def _series(name, depth, values, u=0.01, effects=None):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u, effects or {})})


def _stations(extra=0.0, k=1.2):
    return _series("equilibrium_temperature", AT, 2.0 + 0.06 * AT / k + extra, 0.005)


NEEDLES = _series("thermal_conductivity", KNOWN, np.full(KNOWN.size, 1.2), 0.001)
RESISTANCE = heat_flow.thermal_resistance(NEEDLES, at=_stations())


def _flow(table, name):
    row = table.isel(correction=int(np.flatnonzero(table["correction"].values == name)[0]))
    return float(row["heat_flow"]), float(row["heat_flow_correction"])


def test_heat_production_in_closed_form():
    found = heat_flow.heat_production_correction("1 uW/m^3", NEEDLES, at=_stations())
    np.testing.assert_allclose(found["temperature_anomaly"], -1e-6 * AT**2 / 2.4, rtol=1e-6)
    np.testing.assert_allclose(found["heat_flow_change"], -1e-3 * AT, rtol=1e-9)
    deep = heat_flow.heat_production_correction(
        "1 uW/m^3", NEEDLES, at="500 m", heat_production_uncertainty="0.2 uW/m^3"
    )
    assert deep["heat_flow_change"].item() == pytest.approx(-0.5, rel=1e-9)
    assert deep["heat_flow_change_u_systematic"].item() == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize("how", heat_flow.CARRIERS)
def test_heat_production_of_a_profile_against_a_plain_integral(how):
    """A and 1/k rise along straight lines, which three of the carriers hold exactly."""
    inverse = 0.9 - 0.0012 * KNOWN
    needles = _series("thermal_conductivity", KNOWN, 1.0 / inverse, 0.001)
    profile = _series("heat_production", KNOWN, 0.5 + 0.004 * KNOWN, 0.1)
    found = heat_flow.heat_production_correction(profile, needles, at=_stations(), how=how)
    fine = np.linspace(0.0, 190.0, 190001)
    heat = 0.5e-6 * fine + 0.002e-6 * fine**2
    carried = np.full(fine.size, inverse.mean()) if how == "harmonic_mean" else 0.9 - 0.0012 * fine
    rise = np.concatenate(
        [[0.0], np.cumsum(0.5 * (heat * carried)[1:] + 0.5 * (heat * carried)[:-1])]
    )
    want = -np.interp(AT, fine, rise * 0.001)
    # 400 values become 200 layers, and steps of 0.5 m stand beside the straight line.
    np.testing.assert_allclose(found["temperature_anomaly"], want, rtol=5e-3, atol=2e-6)
    np.testing.assert_allclose(
        found["heat_flow_change"], -1e3 * np.interp(AT, fine, heat), rtol=2e-3
    )


@pytest.mark.parametrize("water", [{}, WATER])
def test_planted_anomalies_come_off(water):
    warmed = heat_flow.bottom_water_anomaly(_stations(), change="0.4 K", since="15 yr")
    made = heat_flow.heat_production_correction("2 uW/m^3", NEEDLES, at=_stations())
    extra = (warmed["temperature_anomaly"] + made["temperature_anomaly"]).values
    sea = {**water, "bottom_water_temperature": "2.4 degC"} if water else {}
    table = heat_flow.corrections(
        _stations(extra), RESISTANCE, anomalies={"bottom water": warmed, "heat production": made},
        **sea,
    )  # fmt: skip
    assert list(table["correction"].values) == [
        "none", "bottom water", "heat production", "all together",
    ]  # fmt: skip
    none, nothing = _flow(table, "none")
    assert nothing == 0.0 and none == table.attrs["heat_flow_uncorrected"]
    every, added = _flow(table, "all together")
    assert every == pytest.approx(60.0, abs=0.02)
    assert none + added == pytest.approx(every)
    # Warmer water lowers the gradient: its correction raises the heat flow.
    assert _flow(table, "bottom water")[1] > 0.5
    assert _flow(table, "heat production")[1] > 0.0
    parts = [_flow(table, name)[1] for name in ("bottom water", "heat production")]
    assert sum(parts) == pytest.approx(added)


def test_sedimentation_comes_off():
    ratio = heat_flow.sedimentation(
        _stations(), rate="1 mm/yr", duration="1e5 yr", rate_uncertainty="0.2 mm/yr"
    )
    slower = 2.0 + 0.06 * AT / 1.2 * ratio["temperature_rise_ratio"].values
    cold = _series("equilibrium_temperature", AT, slower, 0.005)
    table = heat_flow.corrections(cold, RESISTANCE, sedimentation=ratio, **WATER)
    flow, added = _flow(table, "sedimentation")
    # The line through a bent profile and the profile of the line are alike to first order.
    assert flow == pytest.approx(60.0, abs=0.02)
    assert added > 4.0
    # The line that lies deeper has lost less than the heat flow at the seafloor.
    assert 60.0 * float(ratio["heat_flow_ratio"]) < 60.0 - added
    effect = float(
        table["heat_flow_correction_effects"].sel(source="sedimentation_rate").isel(correction=1)
    )
    faster = heat_flow.sedimentation(_stations(), rate="1.02 mm/yr", duration="1e5 yr")
    moved = heat_flow.corrections(cold, RESISTANCE, sedimentation=faster, **WATER)
    change = _flow(moved, "sedimentation")[0] - flow
    assert effect == pytest.approx(10 * change, rel=0.03)


def test_an_unknown_error_of_a_correction_stays_unknown():
    warmed = heat_flow.bottom_water_anomaly(_stations(), change="0.4 K", since="15 yr")
    table = heat_flow.corrections(_stations(), RESISTANCE, anomalies={"bottom water": warmed})
    assert np.isnan(table["heat_flow_u_systematic"].values[1:]).all()
    assert np.isfinite(table["heat_flow_u_random"].values).all()


def test_corrected_temperatures_give_the_corrected_line():
    warmed = heat_flow.bottom_water_anomaly(
        _stations(), change="0.4 K", since="15 yr", change_uncertainty="0.1 K",
        since_uncertainty="3 yr",
    )  # fmt: skip
    warm = _stations(warmed["temperature_anomaly"].values)
    cold = heat_flow.corrected_temperature(warm, warmed)
    assert "uncorrected" in cold.attrs
    line = heat_flow.bullard(cold, RESISTANCE)
    assert float(line["heat_flow"]) == pytest.approx(60.0, abs=1e-6)
    table = heat_flow.corrections(warm, RESISTANCE, anomalies={"bottom water": warmed})
    source = "bottom_water_change"
    assert float(line["heat_flow_effects"].sel(source=source)) == pytest.approx(
        float(table["heat_flow_effects"].sel(source=source)[-1]), rel=0.05
    )


def test_what_cannot_be_corrected_is_refused():
    with pytest.raises(ValueError, match="no correction was given"):
        heat_flow.corrections(_stations(), RESISTANCE)
    with pytest.raises(ValueError, match="no anomaly was given"):
        heat_flow.corrected_temperature(_stations())
    short = heat_flow.bottom_water_anomaly(
        _stations().isel(reading=slice(0, 5)), change="0.4 K", since="15 yr"
    )
    with pytest.raises(series.PositionError, match="8 values along reading"):
        heat_flow.corrections(_stations(), RESISTANCE, anomalies={"bottom water": short})
    with pytest.raises(ValueError, match="heat_production is -1 uW"):
        heat_flow.heat_production_correction("-1 uW/m^3", NEEDLES, at=_stations())
    with pytest.raises(units.UnitError, match="heat_production"):
        heat_flow.heat_production_correction("1 W/m^2", NEEDLES, at=_stations())
    nowhere = xr.DataArray(np.ones(4), dims="reading", attrs={"units": "uW/m^3"})
    with pytest.raises(ValueError, match="needs the coordinate depth"):
        heat_flow.heat_production_correction(nowhere, NEEDLES, at=_stations())
    bad = _series("heat_production", [1.0, 2.0], [-1.0, np.nan])
    with pytest.raises(ValueError, match="none of 2 heat productions is usable"):
        heat_flow.heat_production_correction(bad, NEEDLES, at=_stations())
