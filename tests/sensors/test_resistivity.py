"""Resistivity: brines against other tables, simulated sensors, made-up layers, planted faults."""

from __future__ import annotations

import json

import gsw
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series, units
from corephys.ground.provenance import used_constants
from corephys.sensors import resistivity
from corephys.uncertainty import Measured

CONDUCTIVITY = np.array([0.35, 0.7, 1.5, 3.0, 5.5])  # S/m, brines of 1.75 to 35 g/L


def _series(values, unit):
    values = np.atleast_1d(np.asarray(values, dtype=float))
    return xr.DataArray(values, dims="reading", attrs={"units": unit})


def _sensor(conductivity, volume=1.0):
    """Induced signal [mV]: nearly a power of conductivity, bent by the skin effect."""
    conductivity = np.asarray(conductivity, dtype=float)
    return 40.0 * volume * conductivity**0.95 / (1.0 + 0.02 * np.sqrt(conductivity))


def _calibration(rng=None, repeats=3, noise=0.2, **keywords):
    sigma = np.repeat(CONDUCTIVITY, repeats)
    signal = _sensor(sigma) + 12.0
    if rng is not None:
        signal = signal + rng.normal(0.0, noise, signal.size)
    given = {
        "conductivity": _series(sigma, "S/m"), "baseline": "12 mV",
        "response_uncertainty": f"{noise} mV", "brine_uncertainty": "0 %",
    }  # fmt: skip
    return resistivity.calibrate(_series(signal, "mV"), **{**given, **keywords})


def _core(values, **uncertainties):
    readings = xr.DataArray(np.atleast_1d(np.asarray(values, dtype=float)), dims="reading")
    return series.build({"electrical_resistivity": Measured(readings, **uncertainties)})


# Brines ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("grams_a_litre", "density", "low"),
    [(35, 1.0221, 5.3), (8.75, 1.0033, 3.9), (1.75, 0.9983, 1.7)],
)
def test_sodium_chloride_taken_for_sea_salt_reads_low(grams_a_litre, density, low):
    """Densities at 25 degC; the shortfall is known to about half a per cent."""
    salt = f"{grams_a_litre / density} g/kg"
    brine = resistivity.brine_conductivity(salt, "25 degC", brine="sodium_chloride")
    sea = gsw.C_from_SP(grams_a_litre / density, 25.0, 0.0) / 10.0
    assert 100.0 * (1.0 - sea / brine.m_as("S/m")) == pytest.approx(low, abs=0.5)


@pytest.mark.parametrize(
    ("temperature", "saturated"), [(0, 134.5), (15, 201.5), (20, 226.0), (35, 304.1)]
)
def test_temperature_ratio_is_near_that_of_a_saturated_solution(temperature, saturated):
    """251.3 mS/cm at 25 degC, from memory like the others; the ratio is of dilute brine."""
    warm, room = (
        resistivity.brine_conductivity("250 g/kg", f"{t} degC", brine="sodium_chloride")
        for t in (temperature, 25)
    )
    ratio = (warm / room).m_as("")
    assert ratio == pytest.approx(saturated / 251.3, rel=0.015 if temperature == 0 else 0.006)


def test_saturated_solution_is_approached():
    """251.3 mS/cm at 26.5 % and 25 degC; 25 % lies 1 to 2 % below."""
    near = resistivity.brine_conductivity("250 g/kg", "25 degC", brine="sodium_chloride").m_as(
        "S/m"
    )
    assert 0.975 < near / 25.13 < 0.995


def test_brines_keep_the_positions_of_a_series():
    salt = _series([5.0, 20.0], "g/kg").assign_coords(depth=("reading", [1.0, 2.0]))
    found = resistivity.brine_conductivity(salt, "20 degC", brine="sea")
    assert found.dims == ("reading",)
    assert found.depth.values.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("salinity", "temperature", "brine", "error", "words"),
    [
        ("35 g/L", "20 degC", "sodium_chloride", units.UnitError, "Divide by the density"),
        ("35 mm", "20 degC", "sea", units.UnitError, "expected g/kg"),
        (35.0, "20 degC", "sea", units.UnitError, "bare value"),
        ("35 g/kg", "20 degC", "potassium", ValueError, "brine is 'potassium'"),
        ("300 g/kg", "20 degC", "sodium_chloride", ValueError, "outside 0 to 250 g/kg"),
        ("35 g/kg", "60 degC", "sodium_chloride", ValueError, "outside 0 to 50 degC"),
        ("35 g/kg", "60 degC", "sea", ValueError, "outside -2 to 35 degC"),
    ],
)
def test_a_brine_that_is_not_known_is_refused(salinity, temperature, brine, error, words):
    with pytest.raises(error, match=words):
        resistivity.brine_conductivity(salinity, temperature, brine=brine)


# Calibration -------------------------------------------------------------------------------------


def test_a_pure_power_is_found_exactly():
    sigma = np.array([0.5, 1.0, 2.0, 4.0])
    found = resistivity.calibrate(
        _series(25.0 * sigma**0.9, "mV"), conductivity=_series(sigma, "S/m"), order=1
    )
    # S = 25 sigma^0.9 gives log rho = (log 25 - log S) / 0.9.
    assert found.coefficients == pytest.approx([np.log10(25.0) / 0.9, -1.0 / 0.9, 0.0], abs=1e-9)
    assert "4 readings of brines" in found.describe()


def test_order_follows_the_bend():
    assert _calibration(noise=0.02).covariance.shape == (3, 3)
    sigma = np.repeat(CONDUCTIVITY, 3)
    straight = 40.0 * sigma**0.95 * (1.0 + 1e-3 * np.cos(np.arange(sigma.size)))
    found = resistivity.calibrate(_series(straight, "mV"), conductivity=_series(sigma, "S/m"))
    assert found.covariance.shape == (2, 2)


def test_weighed_brines_take_their_own_equation():
    salt = np.array([1.75, 8.75, 17.5, 34.0])
    sigma = resistivity.brine_conductivity(
        cp.quantity(salt, "g/kg"), "21 degC", brine="sodium_chloride"
    ).m_as("S/m")
    sigma[3] = gsw.C_from_SP(34.0 * 35.0 / 35.16504, 21.0, 0.0) / 10.0
    found = resistivity.calibrate(
        _series(_sensor(sigma), "mV"), temperature="21 degC", salinity=_series(salt, "g/kg"),
        brine=["sodium_chloride"] * 3 + ["sea"],
    )  # fmt: skip
    assert found.conductivity == pytest.approx(sigma, rel=1e-12)
    measured = resistivity.calibrate(
        _series(_sensor(sigma), "mV"), conductivity=_series([np.nan, *sigma[1:]], "S/m"),
        temperature="21 degC", salinity=cp.quantity(salt, "g/kg"), brine="sodium_chloride",
    )  # fmt: skip
    assert measured.conductivity == pytest.approx(sigma, rel=1e-12)


@pytest.mark.parametrize(
    ("response", "keywords", "error", "words"),
    [
        ([10, 20], {"conductivity": [1, 2]}, ValueError, "2 different brines"),
        ([10, 10.1, 20], {"conductivity": [1, 1.01, 2]}, ValueError, "2 different brines"),
        ([10, 30, 20], {"conductivity": [1, 2, 3]}, ValueError, "a response of 20 mV"),
        ([30, 20, 10], {"conductivity": [1, 2, 3]}, ValueError, "order of the standards"),
        ([10, 20, 30], {"conductivity": [10, 20, 53]}, ValueError, "Was it in mS/cm"),
        ([10, 20, 30], {"conductivity": [1e3, 2e3, 5e3]}, ValueError, "1000 S/m"),
        ([10, 20, 30], {"conductivity": [1e-3, 1, 2]}, ValueError, "0.001 S/m"),
        ([0, 20, 30], {"conductivity": [1, 2, 3]}, ValueError, "above that of air"),
        ([10, 20, 30], {}, ValueError, "standard 0 has no conductivity"),
        ([10, 20, 30], {"conductivity": [1, np.nan, 3]}, ValueError, "standard 1 has no"),
    ],
)
def test_standards_that_cannot_be_are_refused(response, keywords, error, words):
    given = {key: _series(value, "S/m") for key, value in keywords.items()}
    with pytest.raises(error, match=words):
        resistivity.calibrate(_series(response, "mV"), **given)


def test_grams_a_litre_and_bare_numbers_are_refused_by_the_calibration():
    signal = _series([10, 20, 30], "mV")
    for salinity, words in (
        (_series([5, 10, 20], "g/L"), "Divide by the density"),
        (_series([5, 10, 20], "g/kg").drop_attrs(), "no 'units' attribute"),
        (np.array([5.0, 10.0, 20.0]), "bare value"),
    ):
        with pytest.raises(units.UnitError, match=words):
            resistivity.calibrate(signal, temperature="20 degC", salinity=salinity, brine="sea")
    with pytest.raises(ValueError, match="standard 1 has neither"):
        resistivity.calibrate(
            signal, temperature="20 degC", salinity=_series([5, np.nan, 20], "g/kg"), brine="sea"
        )


def test_a_parabola_that_turns_is_refused():
    sigma = np.array([1.0, 1.2, 1.5, 9.0])
    with pytest.raises(ValueError, match="does not fall with the response everywhere"):
        resistivity.calibrate(
            _series([10.0, 30.0, 60.0, 61.0], "mV"), conductivity=_series(sigma, "S/m"), order=2
        )


# Readings ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_interval_holds_the_truth_two_times_of_three():
    """Physics that is not the polynomial; noise, and errors of diameter and brines."""
    rng = np.random.default_rng(20)
    inside, pulls = [], []
    for _ in range(400):
        scale = 1.0 + rng.normal(0.0, 0.01)  # all brines were weighed alike
        truth = rng.uniform(0.3, 2.0, 4)
        thick = 66.0 + rng.normal(0.0, 0.3)
        sigma = np.repeat(CONDUCTIVITY, 3)
        brines = _sensor(sigma) + 12.0 + rng.normal(0.0, 0.2, sigma.size)
        calibration = resistivity.calibrate(
            _series(brines, "mV"), conductivity=_series(sigma / scale, "S/m"), baseline="12 mV",
            response_uncertainty="0.2 mV", brine_uncertainty="1 %",
        )  # fmt: skip
        core = _sensor(1.0 / truth, (thick / 66.0) ** 2) + 12.0 + rng.normal(0.0, 0.2, 4)
        result = resistivity.electrical_resistivity(
            _series(core, "mV"), calibration=calibration, baseline="12 mV", bore="66 mm",
            baseline_uncertainty="0 mV", core_diameter="66 mm", response_uncertainty="0.2 mV",
            core_diameter_uncertainty="0.3 mm",
        )  # fmt: skip
        u = cp.uncertainty.total(result, "electrical_resistivity").values
        error = result["electrical_resistivity"].values - truth
        inside.extend(np.abs(error) <= u)
        pulls.extend(error / u)
    assert np.mean(inside) == pytest.approx(0.683, abs=0.045)
    assert np.mean(pulls) == pytest.approx(0.0, abs=0.15)


def test_five_brines_read_once_do_not_promise_too_much():
    """The bend is then hidden in three degrees of freedom; a line alone held the truth at 0.54."""
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(200):
        truth = rng.uniform(0.3, 2.0, 3)
        signal = _sensor(CONDUCTIVITY) * (1.0 + 0.003 * rng.normal(size=CONDUCTIVITY.size))
        calibration = resistivity.calibrate(
            _series(signal, "mV"), conductivity=_series(CONDUCTIVITY, "S/m"),
            brine_uncertainty="0 %",
        )  # fmt: skip
        result = resistivity.electrical_resistivity(
            _series(_sensor(1.0 / truth), "mV"), calibration=calibration, bore="66 mm",
            core_diameter_uncertainty="0 mm", response_uncertainty="0 mV",
        )  # fmt: skip
        u = cp.uncertainty.total(result, "electrical_resistivity").values
        inside.extend(np.abs(result["electrical_resistivity"].values - truth) <= u)
    assert 0.64 < np.mean(inside) < 0.82


def test_what_the_order_costs_is_the_reading_by_the_other_one():
    calibration = _calibration(np.random.default_rng(4), noise=0.3)
    assert set(calibration.criterion) == {1, 2}
    assert 0.0 < calibration.other_weight < 1.0
    degree = calibration.covariance.shape[0] - 1
    other = _calibration(np.random.default_rng(4), noise=0.3, order=3 - degree)
    assert other.other_weight == 0.0
    signal = _series([40.0], "mV")
    one, two = (
        resistivity.electrical_resistivity(signal, calibration=c)["electrical_resistivity"].item()
        for c in (calibration, other)
    )
    effects = resistivity.electrical_resistivity(signal, calibration=calibration)
    found = effects["electrical_resistivity_effects"].sel(source="resistivity_order").item()
    assert found == pytest.approx(np.sqrt(calibration.other_weight) * (two - one), rel=1e-9)


def test_as_many_coefficients_as_brines_have_no_known_error():
    found = resistivity.calibrate(
        _series([10.0, 19.0, 36.0], "mV"), conductivity=_series([1.0, 2.0, 4.0], "S/m"), order=2
    )
    assert np.isnan(found.covariance).all()
    line = resistivity.calibrate(
        _series([10.0, 19.0, 36.0], "mV"), conductivity=_series([1.0, 2.0, 4.0], "S/m")
    )
    assert np.isfinite(line.covariance).all()


def test_signs_of_the_effects_are_those_of_a_finite_change():
    calibration = _calibration(brine_uncertainty="1 %")

    def run(response=40.0, diameter=64.0, baseline=12.0):
        return resistivity.electrical_resistivity(
            _series(response, "mV"), calibration=calibration, core_diameter=f"{diameter} mm",
            bore="66 mm", core_diameter_uncertainty="0.1 mm", baseline=f"{baseline} mV",
            baseline_uncertainty="0.05 mV", response_uncertainty="0.05 mV",
        )  # fmt: skip

    base = run()
    value = base["electrical_resistivity"].item()
    effects = base["electrical_resistivity_effects"].isel(reading=0)
    thicker = run(diameter=64.1)["electrical_resistivity"].item() - value
    assert thicker > 0
    assert effects.sel(source="core_diameter").item() == pytest.approx(thicker, rel=5e-3)
    higher = run(baseline=12.05)["electrical_resistivity"].item() - value
    assert effects.sel(source="air_baseline").item() == pytest.approx(higher, rel=5e-3)
    more = value - run(response=40.05)["electrical_resistivity"].item()
    assert base["electrical_resistivity_u_random"].item() == pytest.approx(more, rel=5e-3)
    assert effects.sel(source="brine_conductivity").item() == pytest.approx(-0.01 * value)


def test_a_thinner_core_is_not_more_resistive():
    """The same sediment in two diameters: volume of the signal (d / D)^2."""
    calibration = _calibration(noise=0.01)
    response = [_sensor(1.0 / 0.8), _sensor(1.0 / 0.8, (60.0 / 66.0) ** 2)]
    result = resistivity.electrical_resistivity(
        _series(response, "mV"), calibration=calibration, core_diameter=_series([66, 60], "mm"),
        bore="66 mm",
    )  # fmt: skip
    assert result["electrical_resistivity"].values == pytest.approx([0.8, 0.8], rel=2e-3)
    plain = resistivity.electrical_resistivity(_series(response, "mV"), calibration=calibration)
    assert plain["electrical_resistivity"].values[1] > 0.95


def test_readings_without_a_signal_and_outside_the_brines_are_flagged():
    signal = _series([10.0, 12.0, np.nan, _sensor(20.0) + 12, _sensor(1.0) + 12], "mV")
    result = resistivity.electrical_resistivity(
        signal, calibration=_calibration(), baseline="12 mV", temperature="21 degC",
        reason=xr.DataArray([0, 0, 0, 0, flags.bit("crack")], dims="reading"),
    )  # fmt: skip
    values, reason = (
        result["electrical_resistivity"].values,
        result["electrical_resistivity_reason"],
    )
    assert np.isnan(values[:3]).all()
    assert np.isfinite(values[3:]).all()
    assert "impossible_value" in flags.names(reason[0])
    assert "impossible_value" in flags.names(reason[1])
    assert flags.names(reason[2]) == ["missing_value"]
    assert "beyond_calibration" in flags.names(reason[3])
    assert flags.names(reason[4]) == ["crack"]
    assert used_constants(result)["temperature"].shown() == "21 degC"
    assert signal.values[0] == 10.0


def test_what_is_not_known_is_nan():
    result = resistivity.electrical_resistivity(_series(50.0, "mV"), calibration=_calibration())
    assert np.isnan(result["electrical_resistivity_u_random"].item())
    assert np.isnan(result["electrical_resistivity_effects"].sel(source="core_diameter").item())
    # A baseline of zero says that the readings are net; another one has an error.
    assert "air_baseline" not in result["source"].values
    other = resistivity.electrical_resistivity(
        _series(50.0, "mV"), calibration=_calibration(), baseline="3 mV", effects=True
    )
    assert np.isnan(other["electrical_resistivity_effects"].sel(source="air_baseline").item())
    none = resistivity.electrical_resistivity(
        _series(50.0, "mV"), calibration=_calibration(), effects=False
    )
    assert "electrical_resistivity_effects" not in none


def test_bad_arguments_of_a_reading_are_refused():
    calibration = _calibration()
    with pytest.raises(ValueError, match="core_diameter is given without bore"):
        resistivity.electrical_resistivity(
            _series(50.0, "mV"), calibration=calibration, core_diameter="60 mm"
        )
    with pytest.raises(units.UnitError, match="bare value"):
        resistivity.electrical_resistivity(np.array([50.0]), calibration=calibration)
    with pytest.raises(cp.PositionError, match="baseline has 3"):
        resistivity.electrical_resistivity(
            _series([50, 51], "mV"), calibration=calibration, baseline=_series([1, 1, 1], "mV")
        )


# Baseline ----------------------------------------------------------------------------------------


def test_baseline_is_linear_between_and_constant_outside():
    found = resistivity.air_baseline(
        _series([100, 0, 200], "s"), _series([-30, 50, 150, 230, 9999], "s"),
        _series([12, 10, 12], "mV"), response_uncertainty="0.1 mV", span="1 min",
    )  # fmt: skip
    assert found.values.values == pytest.approx([10, 11, 12, 12, 12])
    assert [flags.names(r) for r in found.reason.values] == [[], [], [], [], ["no_baseline"]]
    # Between two readings their noise averages; far outside the wander takes over.
    assert found.uncertainty.values[4] > found.uncertainty.values[3] > found.uncertainty.values[1]


def test_uncertainty_of_the_baseline_is_the_scatter_of_a_wandering_one():
    """A random walk read in air every 600 s: the errors between are as large as is said."""
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(300):
        walk = np.cumsum(rng.normal(0.0, 0.05, 3001)) + 12.0  # 0.05 mV in a second
        t = np.arange(0, 3001, 300)
        air = walk[t] + rng.normal(0.0, 0.2, t.size)
        when = np.arange(75, 3000, 450)
        found = resistivity.air_baseline(
            _series(t, "s"), _series(when, "s"), _series(air, "mV"), response_uncertainty="0.2 mV"
        )
        pulls.extend((found.values.values - walk[when]) / found.uncertainty.values)
    assert np.mean(np.abs(pulls) <= 1.0) == pytest.approx(0.683, abs=0.05)


def test_calendar_times_and_one_reading_in_air():
    day = np.datetime64("2024-05-01T00:00:00", "ns")
    time = xr.DataArray([day, np.datetime64("NaT")], dims="air")
    found = resistivity.air_baseline(
        time, xr.DataArray([day + np.timedelta64(5, "h")], dims="reading"),
        xr.DataArray([12.0, 13.0], dims="air", attrs={"units": "mV"}),
        response_uncertainty="0.1 mV",
    )  # fmt: skip
    assert found.values.item() == 12.0
    assert flags.names(found.reason.item()) == ["no_baseline"]
    assert np.isnan(found.uncertainty.item())
    result = resistivity.electrical_resistivity(
        _series(60.0, "mV"), calibration=_calibration(), baseline=found
    )
    assert "no_baseline" in flags.names(result["electrical_resistivity_reason"].item())


def test_a_baseline_without_readings_or_with_mixed_times_is_refused():
    with pytest.raises(ValueError, match="none of 1 readings in air"):
        resistivity.air_baseline(
            _series([np.nan], "s"), _series([1], "s"), _series([1], "mV")
        )  # fmt: skip
    with pytest.raises(units.UnitError, match="both be calendar times"):
        resistivity.air_baseline(
            xr.DataArray([np.datetime64("2024-05-01", "ns")]), _series([1], "s"), _series([1], "mV")
        )


# Electrodes --------------------------------------------------------------------------------------


def test_four_electrodes_in_sea_water_give_its_resistivity_back():
    truth = 10.0 / gsw.C_from_SP(35.0, 21.0, 0.0)
    sea = cp.quantity(1.0 / truth, "S/m")
    cell = resistivity.cell_constant(
        _series([10.0, 10.2, 9.8], "mV"), "5 mA", sea, conductivity_uncertainty="0.01 S/m"
    )
    assert cell.value == pytest.approx(truth * 0.5, rel=2e-3)
    each = truth * 0.005 / np.array([0.0100, 0.0102, 0.0098])
    mean = np.std(each, ddof=1) / np.sqrt(3.0)
    assert cell.uncertainty == pytest.approx(np.hypot(mean, cell.value * 0.01 * truth), rel=1e-9)
    result = resistivity.four_electrode(
        _series([10.0, 0.0, -3.0, 20.0], "mV"), _series([5.0, 5.0, 5.0, 0.0], "mA"),
        cell_constant=cell, voltage_uncertainty="0.1 mV", current_uncertainty="0.05 mA",
    )  # fmt: skip
    assert result["electrical_resistivity"].values[0] == pytest.approx(truth, rel=2e-3)
    assert np.isnan(result["electrical_resistivity"].values[1:]).all()
    assert (result["electrical_resistivity_flag"].values[1:] >= flags.BAD).all()
    relative = (result["electrical_resistivity_u_random"] / result["electrical_resistivity"])[0]
    assert relative.item() == pytest.approx(np.hypot(0.01, 0.01))
    effect = result["electrical_resistivity_effects"].sel(source="cell_constant")[0].item()
    assert effect == pytest.approx(truth * cell.uncertainty / cell.value, rel=2e-3)


def test_electrodes_on_a_surface_and_their_errors():
    cell = resistivity.wenner_constant(
        "10 mm", spacing_uncertainty="0.1 mm", geometry_factor=0.8,
        geometry_factor_uncertainty=0.008,
    )  # fmt: skip
    assert cell.value == pytest.approx(2.0 * np.pi * 0.008)
    assert cell.uncertainty / cell.value == pytest.approx(np.hypot(0.01, 0.01))
    assert np.isnan(resistivity.wenner_constant("10 mm").uncertainty)
    plain = resistivity.four_electrode(
        _series(1.0, "mV"), _series(1.0, "mA"), cell_constant="0.05 m"
    )
    assert plain["electrical_resistivity"].item() == pytest.approx(0.05)
    assert np.isnan(plain["electrical_resistivity_u_systematic"].item())
    with pytest.raises(ValueError, match=r"voltage, current and conductivity are 0 V, 0\.001 A"):
        resistivity.cell_constant("0 mV", "1 mA", "5 S/m")
    with pytest.raises(units.UnitError, match="cell_constant"):
        resistivity.four_electrode(_series(1.0, "mV"), _series(1.0, "mA"), cell_constant=0.05)


# Temperature -------------------------------------------------------------------------------------


def test_the_rule_for_sodium_chloride_is_twelve_per_cent_off_on_sea_water():
    """Arps from 25 to 4 degC over PSS-78: 1.1185474 (gsw 3.6.23, Arps's rule recalled)."""
    core = resistivity.to_reference_temperature(
        _core(0.2), "25 degC", reference="4 degC", salinity="35.16504 g/kg"
    )
    arps = 0.2 * (25.0 + 21.5) / (4.0 + 21.5)
    found = core["electrical_resistivity_at_reference"].item()
    assert arps / found == pytest.approx(1.1185474, rel=2e-6)
    assert core["electrical_resistivity"].item() == 0.2


def test_errors_at_the_reference_temperature():
    core = _core([0.6, 0.6], u_random=0.01, effects={"core_diameter": 0.02})
    given = {"reference": "20 degC", "temperature_uncertainty": "0.5 K"}
    shared = resistivity.to_reference_temperature(core, "5 degC", **given)
    own = resistivity.to_reference_temperature(core, _series([5, 5], "degC"), **given)
    warmer = resistivity.to_reference_temperature(core, "5.5 degC", **given)
    name = "electrical_resistivity_at_reference"
    change = (warmer[name] - shared[name]).values[0]
    effects = shared[f"{name}_effects"].isel(reading=0)
    assert effects.sel(source="laboratory_temperature").item() == pytest.approx(change, rel=0.02)
    factor = shared[name].values[0] / 0.6
    assert effects.sel(source="core_diameter").item() == pytest.approx(0.02 * factor)
    # The same salinity stands above and below: a gram a kilogram moves 0.1 % at most.
    assert abs(effects.sel(source="pore_water_salinity").item()) < 1e-3 * shared[name].values[0]
    assert "laboratory_temperature" not in own["source"].values
    assert own[f"{name}_u_random"].values[0] == pytest.approx(
        np.hypot(0.01 * factor, change), rel=0.02
    )
    assert "in_situ_temperature" not in shared["source"].values
    unknown = resistivity.to_reference_temperature(core, "5 degC")
    assert np.isnan(unknown[f"{name}_u_systematic"].values).all()


def test_in_situ_is_the_ratio_of_pore_waters_and_warns_of_heat():
    core = _core([0.6, 0.6], u_random=0.01)
    result = resistivity.in_situ(
        core, "20 degC", in_situ_temperature=_series([4.0, 60.0], "degC"),
        in_situ_pressure=_series([2000.0, 3000.0], "dbar"), salinity="35.16504 g/kg",
        salinity_uncertainty="0 g/kg", temperature_uncertainty="0.5 K",
        in_situ_temperature_uncertainty="1 K",
    )  # fmt: skip
    name = "electrical_resistivity_in_situ"
    ratio = gsw.C_from_SP(35.0, 20.0, 0.0) / gsw.C_from_SP(35.0, 4.0, 2000.0)
    assert result[name].values[0] == pytest.approx(0.6 * ratio, rel=1e-9)
    names = [flags.names(r) for r in result[f"{name}_reason"].values]
    assert names == [[], ["beyond_calibration"]]
    assert result[f"{name}_u_random"].values[0] > 0.01 * ratio
    assert result["electrical_resistivity"].values.tolist() == [0.6, 0.6]
    assert 1e4 * (gsw.C_from_SP(35, 10.0, 10.0) / gsw.C_from_SP(35, 10.0, 0.0) - 1) < 2.0
    shared = resistivity.in_situ(
        core, "20 degC", in_situ_temperature="4 degC", in_situ_pressure="2000 dbar",
        temperature_uncertainty="0.5 K", in_situ_temperature_uncertainty="1 K",
    )  # fmt: skip
    colder = resistivity.in_situ(
        core, "20 degC", in_situ_temperature="5 degC", in_situ_pressure="2000 dbar"
    )
    effect = shared[f"{name}_effects"].sel(source="in_situ_temperature").values[0]
    assert effect == pytest.approx((colder[name] - shared[name]).values[0], rel=0.03)


# Formation factor and Archie ---------------------------------------------------------------------


def test_formation_factor_carries_both_errors():
    core = _core([0.5, 0.7], u_random=0.005, effects={"core_diameter": 0.01})
    water = resistivity.pore_water_resistivity(
        "35 g/kg", "20 degC", salinity_uncertainty="0.35 g/kg", temperature_uncertainty="0.5 K"
    )
    result = resistivity.formation_factor(core, pore_water_resistivity=water)
    rho_w = water["pore_water_resistivity"].item()
    assert result["formation_factor"].values == pytest.approx([0.5 / rho_w, 0.7 / rho_w])
    effects = result["formation_factor_effects"].isel(reading=0)
    factor = result["formation_factor"].values[0]
    assert effects.sel(source="core_diameter").item() == pytest.approx(factor * 0.02)
    # Warmer and saltier water conducts more: the factor is higher, 2.1 % in a kelvin.
    warm = effects.sel(source="laboratory_temperature").item() / factor
    assert warm == pytest.approx(0.5 * 0.0208, rel=0.03)
    assert effects.sel(source="pore_water_salinity").item() / factor == pytest.approx(
        0.009, abs=1e-3
    )
    assert result["formation_factor_u_random"].values[0] == pytest.approx(factor * 0.01)
    straight = resistivity.formation_factor(
        core, salinity="35 g/kg", temperature="20 degC", salinity_uncertainty="0.35 g/kg",
        temperature_uncertainty="0.5 K",
    )  # fmt: skip
    xr.testing.assert_allclose(straight, result)
    given = resistivity.formation_factor(core, pore_water_resistivity="0.21 ohm m")
    assert np.isnan(given["formation_factor_u_systematic"].values).all()


def test_a_formation_factor_without_pore_water_is_refused():
    with pytest.raises(ValueError, match="give pore_water_resistivity, or salinity"):
        resistivity.formation_factor("0.5 ohm m", salinity="35 g/kg")
    with pytest.raises(units.UnitError, match="Divide by the density"):
        resistivity.formation_factor("0.5 ohm m", salinity="35 g/L", temperature="20 degC")


def test_a_factor_below_one_and_a_porosity_of_one_are_flagged():
    low = resistivity.formation_factor(_core([0.1]), pore_water_resistivity="0.2 ohm m")
    assert "impossible_value" in flags.names(low["formation_factor_reason"].item())
    m = resistivity.cementation_exponent(
        _series([4.0, 4.0], "1"), _series([0.5, 1.0], "1"),
        formation_factor_uncertainty=cp.quantity(0.1, "1"),
        porosity_uncertainty=cp.quantity(0.01, "1"),
    )  # fmt: skip
    assert m["cementation_exponent"].values[0] == pytest.approx(2.0)
    # d m = dF / (F |ln phi|) and m d phi / (phi |ln phi|).
    expected = np.hypot(0.1 / (4 * np.log(2)), 2 * 0.01 / (0.5 * np.log(2)))
    assert m["cementation_exponent_u_random"].values[0] == pytest.approx(expected)
    assert np.isnan(m["cementation_exponent"].values[1])
    assert "impossible_value" in flags.names(m["cementation_exponent_reason"].values[1])


def _layer(rng, a, m, size=40, noise=0.02):
    phi = rng.uniform(0.35, 0.8, size)
    factor = a * phi**-m
    return (
        factor * (1.0 + noise * rng.normal(size=size)), phi + 0.01 * rng.normal(size=size)
    )  # fmt: skip


@pytest.mark.slow
def test_layers_keep_their_own_parameters_within_what_is_said():
    rng = np.random.default_rng(8)
    pulls = []
    for _ in range(150):
        f1, p1 = _layer(rng, 1.2, 1.5)
        f2, p2 = _layer(rng, 1.0, 2.2)
        f, phi = np.concatenate([f1, f2]), np.concatenate([p1, p2])
        fits = resistivity.archie_fit(
            _series(f, "1"), _series(phi, "1"), ["mud"] * 40 + ["sand"] * 40,
            formation_factor_uncertainty=_series(0.02 * f, "1"),
            porosity_uncertainty=cp.quantity(0.01, "1"),
        )  # fmt: skip
        assert list(fits) == ["mud", "sand"]
        fixed = resistivity.archie_fit(
            _series(f2, "1"), _series(p2, "1"), fixed_a=1.0,
            formation_factor_uncertainty=_series(0.02 * f2, "1"),
            porosity_uncertainty=cp.quantity(0.01, "1"),
        )["all"]  # fmt: skip
        assert fixed.a == 1.0
        assert fixed.a_uncertainty == 0.0
        pulls.append([
            (fits["mud"].m - 1.5) / fits["mud"].m_uncertainty,
            (fits["mud"].a - 1.2) / fits["mud"].a_uncertainty,
            (fits["sand"].m - 2.2) / fits["sand"].m_uncertainty,
            (fixed.m - 2.2) / fixed.m_uncertainty,
        ])  # fmt: skip
    inside = np.mean(np.abs(pulls) <= 1.0, axis=0)
    assert inside == pytest.approx(0.683, abs=0.11)
    assert np.mean(pulls, axis=0) == pytest.approx(0.0, abs=0.3)


def test_a_shared_error_of_the_factor_goes_to_a_and_not_to_m():
    phi = xr.DataArray(np.linspace(0.4, 0.8, 9), dims="reading")
    f = series.build(
        {"formation_factor": Measured(phi**-2.0, 0.01 * phi**-2.0, {"cell": 0.05 * phi**-2.0})}
    )
    p = series.build({"porosity": Measured(phi, 0.01, {"grain_density": 0.0})})
    found = resistivity.archie_fit(f, p)["all"]
    shared = ["formation_factor_effects", "formation_factor_u_systematic"]
    alone = resistivity.archie_fit(f.drop_vars(shared), p)["all"]
    assert found.m_uncertainty == pytest.approx(alone.m_uncertainty, rel=1e-3)
    # Each shift is a finite one: the logarithm bends 5 % by 0.1 %.
    assert found.a_uncertainty == pytest.approx(np.hypot(alone.a_uncertainty, 0.05), rel=1e-2)
    lost = Measured(phi**-2.0, 0.01, {"cell": float("nan")})
    nan = resistivity.archie_fit(series.build({"formation_factor": lost}), p)["all"]
    assert np.isfinite(nan.m)
    assert np.isnan(nan.m_uncertainty)


def test_bad_readings_and_small_layers_are_left_out():
    phi = np.array([0.4, 0.5, 0.6, 0.7, 1.2, np.nan, 0.5, 0.6])
    f = np.array([0.4**-2, 0.5**-2, 0.6**-2, 0.7**-2, 5.0, 3.0, -1.0, 0.6**-2])
    layer = ["a"] * 7 + ["b"]
    fits = resistivity.archie_fit(_series(f, "1"), _series(phi, "1"), layer)
    assert fits["a"].points == 4
    assert fits["a"].m == pytest.approx(2.0)
    assert "scatter" in fits["a"].note
    assert np.isnan(fits["b"].m)
    assert "fewer than 3" in fits["b"].note
    assert "4 readings" in fits["a"].describe()
    fixed = resistivity.archie_fit(_series(f[:4], "1"), _series(phi[:4], "1"), fixed_a=1.0)
    assert fixed["all"].m == pytest.approx(2.0)
    with pytest.raises(ValueError, match="no layer has enough readings"):
        resistivity.archie_fit(_series(f[:2], "1"), _series(phi[:2], "1"))


def test_porosity_and_factor_turn_each_other_round():
    rng = np.random.default_rng(2)
    phi = rng.uniform(0.3, 0.8, 20)
    f = resistivity.archie_formation_factor(phi, a=1.1, m=1.8)
    archie = resistivity.Archie(1.1, 1.8, np.array([[4e-4, -3e-4], [-3e-4, 9e-4]]))
    result = resistivity.porosity_from_formation_factor(
        _series(f, "1"), archie=archie, formation_factor_uncertainty=_series(0.02 * f, "1")
    )
    assert result["porosity"].values == pytest.approx(phi, rel=1e-12)
    assert result["porosity_u_random"].values == pytest.approx(phi * 0.02 / 1.8)
    # Systematic: draws of ln a and m, far from the package's partial derivatives.
    draws = rng.multivariate_normal([np.log(1.1), 1.8], archie.covariance, 40_000)
    made = np.exp((draws[:, :1] - np.log(f)) / draws[:, 1:])
    assert result["porosity_u_systematic"].values == pytest.approx(made.std(axis=0), rel=0.03)


def test_surface_conduction_lowers_the_porosity_that_a_factor_shows():
    phi, rho_w, surface = 0.6, 0.21, 0.2
    f = 1.0 / (rho_w * (phi**2 / rho_w + surface))
    plain = resistivity.porosity_from_formation_factor(cp.quantity(f, "1"), a=1.0, m=2.0)
    result = resistivity.porosity_from_formation_factor(
        cp.quantity(f, "1"), a=1.0, m=2.0, a_uncertainty=0.0, m_uncertainty=0.0,
        surface_conductivity="0.2 S/m", surface_conductivity_uncertainty="0.01 S/m",
        pore_water_resistivity="0.21 ohm m",
    )  # fmt: skip
    assert plain["porosity"].item() > 0.62
    assert result["porosity"].item() == pytest.approx(phi, rel=1e-12)
    more = resistivity.porosity_from_formation_factor(
        cp.quantity(f, "1"), a=1.0, m=2.0, surface_conductivity="0.21 S/m",
        pore_water_resistivity="0.21 ohm m",
    )  # fmt: skip
    effect = result["porosity_effects"].sel(source="surface_conductivity").item()
    assert effect == pytest.approx((more["porosity"] - result["porosity"]).item(), rel=0.02)
    all_surface = resistivity.porosity_from_formation_factor(
        cp.quantity(30.0, "1"), a=1.0, m=2.0, surface_conductivity="0.2 S/m",
        pore_water_resistivity="0.21 ohm m",
    )  # fmt: skip
    assert np.isnan(all_surface["porosity"].item())
    assert "impossible_value" in flags.names(all_surface["porosity_reason"].item())
    with pytest.raises(ValueError, match="give archie"):
        resistivity.porosity_from_formation_factor(cp.quantity(2.0, "1"), a=1.0)
    with pytest.raises(ValueError, match="needs pore_water_resistivity"):
        resistivity.porosity_from_formation_factor(
            cp.quantity(2.0, "1"), a=1.0, m=2.0, surface_conductivity="0.2 S/m"
        )


def _clay(rng, rho_w, phi, m=2.0, surface=0.15, noise=0.01):
    rho = 1.0 / (phi**m / rho_w + surface)
    u = noise * rho
    return (
        _series(rho + u * rng.normal(size=phi.size), "ohm m"), _series(rho_w, "ohm m"),
        _series(phi, "1"), _series(u, "ohm m"),
    )  # fmt: skip


def test_surface_conduction_is_found_where_the_pore_water_varies():
    rng = np.random.default_rng(5)
    pulls = []
    for _ in range(60):
        phi, rho_w = rng.uniform(0.35, 0.7, 40), rng.uniform(0.2, 1.5, 40)
        rho, water, share, u = _clay(rng, rho_w, phi)
        found = resistivity.surface_conduction_fit(
            rho, water, share, resistivity_uncertainty=u, porosity_uncertainty=cp.quantity(0.0, "1")
        )
        assert found.note == ""
        assert found.a_uncertainty == 0.0
        pulls.append([
            (found.m - 2.0) / found.m_uncertainty,
            (found.surface_conductivity - 0.15) / found.surface_conductivity_uncertainty,
        ])  # fmt: skip
    assert np.mean(np.abs(pulls) <= 1.0) == pytest.approx(0.683, abs=0.12)
    assert np.mean(pulls, axis=0) == pytest.approx(0.0, abs=0.4)


def test_surface_conduction_is_not_claimed_where_nothing_tells_it():
    rng = np.random.default_rng(6)
    phi = rng.uniform(0.50, 0.52, 30)
    rho, water, share, u = _clay(rng, np.full(30, 0.21), phi)
    found = resistivity.surface_conduction_fit(
        rho, water, share, resistivity_uncertainty=u, porosity_uncertainty=cp.quantity(0.01, "1")
    )
    assert found.collinearity > 20.0
    assert np.isnan(found.surface_conductivity_uncertainty)
    assert "do not separate the parameters" in found.note
    with pytest.raises(ValueError, match="more readings than parameters"):
        resistivity.surface_conduction_fit(rho[:2], water[:2], share[:2])


def test_readings_far_off_the_line_are_left_out_and_counted():
    rng = np.random.default_rng(6)
    phi = np.exp(rng.uniform(np.log(0.4), np.log(0.75), 60))
    f = phi**-1.9 * np.exp(rng.normal(0.0, 0.02, 60))
    f[[5, 17, 40, 41]] *= np.array([2.5, 0.5, 1.6, 1.4])  # some found at first, some only later

    def made(name, values, u):
        return series.build({name: Measured(_series(values, "1"), u, {"shared": 0.0})})

    found = resistivity.archie_fit(
        made("formation_factor", f, 0.02 * f), made("porosity", phi, 0.002)
    )["all"]
    assert "readings far off the line left out" in found.note
    assert 56 <= found.points <= 58
    assert abs(found.m - 1.9) < 3.0 * np.sqrt(found.covariance[1, 1])
    clean = resistivity.archie_fit(
        made("formation_factor", np.delete(f, [5, 17, 40, 41]),
             0.02 * np.delete(f, [5, 17, 40, 41])),
        made("porosity", np.delete(phi, [5, 17, 40, 41]), 0.002),
    )["all"]  # fmt: skip
    assert abs(found.m - clean.m) < np.sqrt(clean.covariance[1, 1])


@pytest.mark.parametrize("without", ["scan", "standards"])
def test_blanks_without_a_time_are_subtracted_and_flagged(without: str) -> None:
    at = pd.date_range("2031-05-02T06:00:00", periods=4, freq="min", tz="UTC").astype(str)
    scan = {
        "core": ["1"] * 4, "section": ["1"] * 4, "offset [cm]": [10.0, 20.0, 30.0, 40.0],
        "response [mV]": [110.0, 160.0, 210.0, 310.0], "temperature [degC]": [20.0] * 4,
        "time": at,
    }  # fmt: skip
    salinity = [np.nan, np.nan, np.nan, 35.0, 17.5, 8.75, 4.375]
    standards = {
        "kind": ["blank"] * 3 + ["standard"] * 4, "brine": [""] * 3 + ["sea"] * 4,
        "salinity [g/kg]": salinity, "temperature [degC]": [20.0] * 7,
        "response [mV]": [8.0, 10.0, 12.0, 410.0, 220.0, 120.0, 67.0], "time": [*at[:3], *at],
    }  # fmt: skip
    if without == "scan":
        del scan["time"]
    else:
        del standards["time"]
    cores = {"core": ["1"], "coring_method": ["piston"], "top [m]": [0.0],
             "advance [m]": [1.5], "recovered [m]": [1.5]}  # fmt: skip
    sections = {"core": ["1"], "section": ["1"], "length [m]": [1.5], "core_diameter [mm]": [70.0]}
    tables = {
        "cores": cores,
        "sections": sections,
        "scan/resistivity": scan,
        "standards/resistivity": standards,
    }
    keys = {
        "hole": {"name": "x"},
        "liner": {"bore": "70 mm"},
        "resistivity": {"response_uncertainty": "0.8 mV"},
    }
    hole = cp.hole_from_tables({name: pd.DataFrame(t) for name, t in tables.items()}, keys)
    found = cp.reduce(hole)
    rho = found["properties/resistivity"].to_dataset(inherit=False)
    bit = flags.bit("no_baseline")
    assert ((rho["electrical_resistivity_reason"] & bit) != 0).all()
    assert not (rho["electrical_resistivity_flag"] == flags.GOOD).any()
    notes = json.loads(found.attrs["summary"])["notes"]
    assert sum("the mean of 3 blanks is subtracted" in note for note in notes) == 1
    # By hand: the mean of the blanks is 10 mV; brines with a time have 8, 10, 12 and 12 mV. The
    # same hole with net responses and without blanks gives the same values.
    net = {name: dict(t) for name, t in tables.items()}
    net["scan/resistivity"]["response [mV]"] = [100.0, 150.0, 200.0, 300.0]
    net["standards/resistivity"] = {
        column: values[3:] for column, values in tables["standards/resistivity"].items()
    }
    timed = [402.0, 210.0, 108.0, 55.0]
    mean = [400.0, 210.0, 110.0, 57.0]
    net["standards/resistivity"]["response [mV]"] = timed if without == "scan" else mean
    other = cp.reduce(cp.hole_from_tables({name: pd.DataFrame(t) for name, t in net.items()}, keys))
    np.testing.assert_allclose(
        rho["electrical_resistivity"],
        other["properties/resistivity"]["electrical_resistivity"],
        rtol=1e-9,
    )
