"""Simulated resistivity against handbook brines, Archie's law and its own stated noise."""

import gsw
import numpy as np
import pandas as pd
import pytest

from data_demo.simulator import resistivity, simulate_tables
from data_demo.simulator.drift import Drift

FLAT = Drift(30.0, 0.0, 0.0, 0.0, np.zeros(2))


def make_bench(**changes):
    values = {"gain": 100.0, "bend": 0.02, "drift": FLAT, "bore": 70.0, "brine_error": 0.0,
              "conductometer_error": 0.0, "laboratory_temperature": 20.0}  # fmt: skip
    return resistivity.ResistivityBench(**{**values, **changes})


@pytest.fixture(scope="module")
def small():
    return simulate_tables(7, small=True)


@pytest.mark.parametrize(("salinity", "conductivity"), [(10.0, 1.60), (20.0, 3.02), (50.0, 7.01)])
def test_sodium_chloride_meets_the_handbook(salinity, conductivity):
    """CRC Handbook, 20 degC, from memory; the stated uncertainty of a brine is 1 %."""
    value = resistivity.sodium_chloride_conductivity(salinity, 20.0)
    assert value == pytest.approx(conductivity, rel=0.008)


def test_sodium_chloride_at_infinite_dilution():
    """Limiting molar conductivity 126.45 S cm2/mol at 25 degC (Robinson and Stokes, memory)."""
    dilute = 1e-9
    molar = dilute * 0.9982 / 58.443
    value = resistivity.sodium_chloride_conductivity(dilute, 25.0)
    assert value / molar * 10.0 == pytest.approx(126.45, rel=1e-3)


def test_sodium_chloride_conducts_more_than_sea_salt_of_the_same_mass():
    """By 5.3 % at 35 g/L (34.2 g/kg), as brine tables against the seawater equation show."""
    sea = resistivity.brine_conductivity("sea", 34.2, 20.0)
    ratio = resistivity.brine_conductivity("sodium_chloride", 34.2, 20.0) / sea
    assert ratio == pytest.approx(1.056, abs=0.008)


def test_response_bends_and_a_brine_reads_its_signal():
    bench = make_bench()
    rng = np.random.default_rng(3)
    reading = bench.read(rng, np.full(4000, bench.signal(4.0)), np.zeros(4000))
    assert bench.signal(4.0) == pytest.approx(400.0 / np.sqrt(1.08), rel=1e-12)
    noise = np.hypot(0.5, 0.003 * bench.signal(4.0))
    assert reading.mean() - 30.0 == pytest.approx(bench.signal(4.0), abs=5 * noise / 4000**0.5)
    assert reading.std() == pytest.approx(noise, rel=0.06)


def test_ground_keeps_archies_law_in_every_layer():
    _, _, truth = simulate_tables(9, small=True)
    table, layers = truth["scan_resistivity"], truth["layers"]
    depth = table["depth_fitted [m]"].to_numpy()
    layer = np.clip(np.searchsorted(layers["bottom"], depth, side="right"), 0, len(layers) - 1)
    exponent = -np.log(table["formation_factor"]) / np.log(table["porosity"])
    for number, true in enumerate(truth["hole"]["archie_m"]):
        assert 1.6 <= true <= 2.4
        assert exponent[layer == number].mean() == pytest.approx(true, abs=0.03)
    formation = table["electrical_resistivity [ohm m]"] / table["pore_water_resistivity [ohm m]"]
    np.testing.assert_allclose(formation, table["formation_factor"], rtol=1e-4)


def test_surface_conduction_lowers_resistivity_and_only_when_asked():
    _, _, bare = simulate_tables(9, small=True)
    _, _, clay = simulate_tables(9, small=True, surface_conductivity=0.5)
    one, two = bare["scan_resistivity"], clay["scan_resistivity"]
    name = "electrical_resistivity [ohm m]"
    extra = 1.0 / two[name] - 1.0 / one[name]
    assert one["formation_factor"].equals(two["formation_factor"])
    assert (extra > 0.02).all() and (extra < 0.5).all()


def test_seen_resistivity_is_the_point_value_where_nothing_is_near(small):
    table = small[2]["scan_resistivity"]
    clean = table["flaw"] == ""
    ratio = table["electrical_resistivity_seen [ohm m]"] / table["electrical_resistivity [ohm m]"]
    assert (abs(ratio[clean] - 1.0) < 0.05).all()
    end = table["offset [cm]"] == 0.0
    assert ratio[end & (table["flaw"] == "section_end")].mean() == pytest.approx(2.0, rel=0.03)


def test_readings_are_signal_of_what_is_seen_over_the_zero_in_air(small):
    """The zero comes from the readings in air; what is left is the stated noise."""
    tables, _, truth = small
    scan, table = tables["scan/resistivity"], truth["scan_resistivity"]
    air = tables["standards/resistivity"].query("kind == 'blank'")
    zero = np.interp(seconds(scan["time"]), seconds(air["time"]), air["response [mV]"])
    hole = truth["hole"]["resistivity"]
    bench = make_bench(gain=hole["gain_mV_m_S"])
    sections = tables["sections"].set_index(["core", "section"])["core_diameter [mm]"]
    calliper = truth["hole"]["systematic_draws"]["calliper_mm"]
    keys = list(zip(scan["core"], scan["section"], strict=True))
    diameter = sections.loc[keys].to_numpy() - calliper
    seen = table["electrical_resistivity_seen [ohm m]"].fillna(np.inf)
    signal = (diameter / 70.0) ** 2 * bench.signal(1.0 / seen)
    left = (scan["response [mV]"] - zero - signal)[~table["flaw"].isin(["spike"])]
    # noise of the reading and of two readings in air, and what the zero moves between them
    expected = np.sqrt(np.median(0.25 + (0.003 * signal) ** 2) + 0.25 + 0.1)
    assert left.std() == pytest.approx(expected, rel=0.2)
    assert abs(left.mean()) < 0.3


def seconds(times):
    return np.array([pd.Timestamp(t).timestamp() for t in times])


def test_brines_state_a_salinity_or_a_measured_conductivity(small):
    table = small[0]["standards/resistivity"]
    brines = table[table["kind"] == "standard"]
    assert (brines["salinity [g/kg]"].isna() ^ brines["conductivity [S/m]"].isna()).all()
    assert set(brines["brine"]) == {"sodium_chloride", "sea"} and len(brines) == 21
    assert set(brines["liner"]) == {"full"}
    assert table["time"].is_monotonic_increasing
    assert (table["kind"] == "blank").sum() > 15 and (table["kind"] == "check").sum() == 5


def test_brine_errors_are_those_that_were_drawn():
    """A large error of each kind, read back through a bench without drift."""
    bench = make_bench(brine_error=0.10, conductometer_error=-0.05)
    rng = np.random.default_rng(4)
    table = resistivity.standards(rng, bench, np.array([9e4]), np.array([9e4]), lambda t: t)
    brines = table[table["kind"] == "standard"]
    net = (brines["response [mV]"] - 30.0).to_numpy()
    ratio = net / bench.gain
    true = ratio * (0.01 * ratio + np.hypot(0.01 * ratio, 1.0))  # the response, turned round
    stated = brines["conductivity [S/m]"].to_numpy()
    measured = np.isfinite(stated)
    assert np.median(stated[measured] / true[measured]) == pytest.approx(0.95, abs=0.01)
    weighed = brines[~measured]
    named = [
        float(resistivity.brine_conductivity(*row))
        for row in zip(weighed["brine"], weighed["salinity [g/kg]"],
                       weighed["temperature [degC]"], strict=True)
    ]  # fmt: skip
    assert np.median(true[~measured] / named) == pytest.approx(1.10, abs=0.01)


def test_core_warms_from_the_deck_to_the_laboratory():
    hour = 3600.0
    warm = resistivity.core_temperature(np.array([0.0, 1.3 * hour, 50 * hour]), 20.0)
    np.testing.assert_allclose(warm, [6.0, 20.0 - 14.0 / np.e, 20.0], atol=1e-9)


def test_water_around_rotary_cores_conducts_only_when_asked(small):
    wet, _, _ = simulate_tables(7, small=True, annulus_conducts=True)
    dry = small[0]
    sections = dry["sections"].set_index(["core", "section"])["annulus"]
    scan = dry["scan/resistivity"]
    ringed = sections.loc[list(zip(scan["core"], scan["section"], strict=True))] == "water"
    rise = (wet["scan/resistivity"]["response [mV]"] - scan["response [mV]"]).to_numpy()
    assert ringed.any() and not ringed.all()
    assert (rise[ringed] > 70.0).all()  # a fifth of the response of sea water
    assert (rise[~ringed] == 0.0).all()


def test_pore_water_is_seawater(small):
    table, hole = small[2]["scan_resistivity"], small[2]["hole"]
    practical = gsw.SP_from_SR(hole["pore_water_salinity_g_kg"])
    water = 10.0 / gsw.C_from_SP(practical, table["temperature [degC]"].to_numpy(), 0.0)
    np.testing.assert_allclose(table["pore_water_resistivity [ohm m]"], water, rtol=1e-4)
