"""Simulated susceptibility: volume factor, noise, drift, a wrapped counter and a stepped meter."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from data_demo.simulator import simulate_tables, susceptibility
from data_demo.simulator.drift import Drift
from data_demo.simulator.fields import MAGNETIC, WATER_MAGNETIC

HOLE = Path(__file__).resolve().parents[2] / "data_demo" / "hole"
FLAT = Drift(0.0, 0.0, 0.0, 0.0, np.zeros(2))


@pytest.fixture(scope="module")
def demo():
    scan = pd.read_csv(HOLE / "scan/susceptibility.csv")
    truth = pd.read_csv(HOLE / "truth/scan_susceptibility.csv")
    return scan, truth.assign(flaw=truth["flaw"].fillna(""))


@pytest.mark.parametrize(
    ("diameter", "factor"), [(70.0, 0.576), (66.0, 0.687), (60.0, 0.914), (58.0, 1.01)]
)
def test_volume_factor_of_an_80_mm_loop(diameter, factor):
    """Published factors from readings to volume susceptibility."""
    bench = susceptibility.LoopBench(0.0, FLAT, 20.0)
    assert 1.0 / bench.volume_factor(diameter) == pytest.approx(factor, rel=3e-3)
    wrong = susceptibility.LoopBench(0.05, FLAT, 20.0)
    assert wrong.volume_factor(diameter) / bench.volume_factor(diameter) == pytest.approx(1.05)


def test_a_sediment_without_iron_is_diamagnetic():
    barren = 0.7 * WATER_MAGNETIC + 0.3 * MAGNETIC["calcite"]
    assert -1.4e-5 < barren < -0.9e-5
    assert min(MAGNETIC.values()) >= -1.6e-5


def test_noise_of_a_reading_is_the_stated_one():
    bench = susceptibility.LoopBench(0.0, FLAT, 20.0)
    reading = bench.read(np.random.default_rng(1), np.full(5000, 40.0), np.zeros(5000))
    assert reading.std() == pytest.approx(susceptibility.NOISE, rel=0.05)
    assert reading.mean() == pytest.approx(40.0, abs=5 * 0.3 / 5000**0.5)


def test_readings_over_the_air_are_what_the_loop_sees():
    tables, _, truth = simulate_tables(7, small=True)
    scan, table = tables["scan/susceptibility"], truth["scan_susceptibility"]
    air = tables["standards/susceptibility"].query("kind == 'blank'")

    def seconds(times):
        return np.array([pd.Timestamp(t).timestamp() for t in times])

    zero = np.interp(seconds(scan["time"]), seconds(air["time"]), air["reading"])
    draws = truth["hole"]["systematic_draws"]
    sections = tables["sections"].set_index(["core", "section"])["core_diameter [mm]"]
    keys = list(zip(scan["core"], scan["section"], strict=True))
    diameter = sections.loc[keys].to_numpy() - draws["calliper_mm"]
    factor = 3.45 * (diameter / 88.0) ** 3 * (1.0 + draws["loop_factor_relative"])
    signal = 1e5 * table["magnetic_susceptibility_seen"] * factor
    left = (scan["reading"] - zero - signal)[table["flaw"] != "spike"]
    assert left.std() == pytest.approx(0.3 * 1.5**0.5, rel=0.2)
    assert abs(left.mean()) < 0.15


def test_one_bed_wraps_the_counter(demo):
    scan, truth = demo
    wrapped = truth["flaw"] == "counter_wrapped"
    assert 1 <= wrapped.sum() <= 4 and truth["core"][wrapped].nunique() == 1
    assert (scan["reading"][wrapped] < 2000.0).all()
    seen = truth["magnetic_susceptibility_seen"][wrapped]
    assert (1e5 * seen * 3.45 * (70.0 / 88.0) ** 3 > 0.94 * 10_000).all()
    beside = np.flatnonzero(wrapped)[0] - 1
    assert scan["reading"][beside] > 5000.0
    assert scan["reading"].max() < 10_000.0
    bed = truth["magnetic_susceptibility"] > 0.01
    assert np.ptp(truth["depth_fitted [m]"][bed]) <= 0.10


def test_check_standard_steps_when_the_meter_does(demo):
    scan, truth = demo
    step = json.loads((HOLE / "truth/truth.json").read_text())["susceptibility"]
    table = pd.read_csv(HOLE / "standards/susceptibility.csv")
    check = table[table["kind"] == "check"]
    late = check["time"] >= step["meter_steps_at"]
    air = table["reading"][np.array(check.index) - 1].to_numpy()
    assert (table["kind"][np.array(check.index) - 1] == "blank").all()
    net = check["reading"] - air
    assert late.sum() >= 5 and (~late).sum() >= 15
    rise = net[late].mean() / net[~late].mean()
    # each net reading carries the noise of two
    error = 0.3 * 2**0.5 / 213.0 * np.hypot(late.sum() ** -0.5, (~late).sum() ** -0.5)
    assert rise == pytest.approx(step["meter_steps_by"], abs=4.0 * error)
    doubted = scan["time"] >= step["meter_steps_at"]
    assert not (truth["flaw"][doubted] == "").any()
    assert not (truth["flaw"][~doubted] == "out_of_control").any()


def test_one_core_went_through_cold(demo):
    scan, _ = demo
    cores = pd.read_csv(HOLE / "cores.csv").set_index("core")["time_on_deck"]
    first = scan[scan["run"] == 1].groupby("core").first()
    waited = pd.to_datetime(first["time"]) - pd.to_datetime(cores.loc[first.index])
    soon = waited < pd.Timedelta("2h")
    assert list(first.index[soon]) == [8]
    assert first["temperature [degC]"][8] < 15.0
    assert first["temperature [degC]"].drop(8).min() > 18.0
