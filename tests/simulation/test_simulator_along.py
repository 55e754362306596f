"""Long responses along simulated cores and drifting zeros, against closed forms."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from data_demo.simulator import along, drift, simulate_tables
from data_demo.simulator.layout import build

NO_INTERVALS = pd.DataFrame(columns=["row", "from_", "to", "kind", "severity"])


def one_core(removed=(), recovered=2.9):
    plan = {"core": "1", "coring_method": "piston", "top": 10.0, "advance": 9.0,
            "recovered": recovered, "annulus": "none", "time_on_deck": 0.0}  # fmt: skip
    return build(np.random.default_rng(0), [plan], list(removed))


def at(offsets, row=0):
    return pd.DataFrame({"row": row, "offset": np.asarray(offsets, dtype=float)})


def seen(layout, offsets, width, intervals=NO_INTERVALS, row=0):
    cells = along.cut(layout, intervals)
    return cells.seen(at(offsets, row), width, cells.fill)


@pytest.mark.parametrize("width", [5.0, 8.0, 16.0])
def test_the_very_end_reads_half_and_the_middle_reads_all(width):
    top, middle, bottom = seen(one_core(), [0.0, 75.0, 150.0], width)
    assert (top, middle, bottom) == pytest.approx((0.5, 1.0, 0.5), abs=1e-6)


def test_half_of_the_response_lies_within_half_the_width_of_the_middle():
    """By the meaning of full width at half maximum: a bed as wide as the response reads
    erf(sqrt(ln 2)) of itself, 0.76."""
    layout = one_core([("1", "1", 0.0, 71.0, "lost", "before_scan"),
                       ("1", "1", 79.0, 150.0, "lost", "before_scan")])  # fmt: skip
    assert seen(layout, [75.0], 8.0)[0] == pytest.approx(0.7610, abs=1e-4)


def test_a_void_takes_out_its_share_of_the_response():
    layout = one_core([("1", "1", 60.0, 70.0, "open_void", "before_scan")])
    offsets = np.arange(50.0, 81.0, 5.0)
    sigma = 8.0 / 2.354820
    gone = norm.cdf((70.0 - offsets) / sigma) - norm.cdf((60.0 - offsets) / sigma)
    np.testing.assert_allclose(seen(layout, offsets, 8.0), 1.0 - gone, atol=1e-6)


def test_planted_gas_takes_its_severity_and_material_cut_after_the_scan_stays():
    layout = one_core([("1", "1", 60.0, 70.0, "whole_round", "after_scan")])
    gas = pd.DataFrame([(0, 20.25, 40.25, "gas_void", 0.4)], columns=NO_INTERVALS.columns)
    values = seen(layout, [30.25, 65.0], 2.0, gas)
    np.testing.assert_allclose(values, [0.6, 1.0], atol=1e-6)


def test_sections_do_not_see_each_other():
    layout = one_core()
    assert seen(layout, [0.0], 8.0, row=1)[0] == pytest.approx(0.5, abs=1e-6)


def test_a_sharp_step_is_blurred_into_a_normal_curve():
    cells = along.cut(one_core(), NO_INTERVALS)
    step = np.where(cells.own_depth < 10.75, 1.0, 3.0)
    offsets = np.arange(65.0, 86.0, 2.0)
    expected = 1.0 + 2.0 * norm.cdf((offsets - 75.0) / (8.0 / 2.354820))
    np.testing.assert_allclose(cells.seen(at(offsets), 8.0, step), expected, atol=2e-6)


def test_labels_do_not_hang_on_the_size_of_the_flaws():
    _, _, small = simulate_tables(5, small=True, flaw_scale=0.5)
    _, _, large = simulate_tables(5, small=True, flaw_scale=2.0)
    for sensor in ("resistivity", "susceptibility", "natural_gamma"):
        one, two = small[f"scan_{sensor}"], large[f"scan_{sensor}"]
        assert one["flaw"].equals(two["flaw"])
        assert not one["filled_share"].equals(two["filled_share"])
        clean = one["flaw"] == ""
        assert (one["filled_share"][clean] > 0.98).all()
        assert (one["flaw"] == "near_void").any()


def test_a_drift_begins_as_a_walk_and_forgets():
    rng = np.random.default_rng(2)
    hours = np.array([0.0, 1.0, 2000.0]) * 3600.0
    draws = np.array(
        [drift.make_drift(rng, hours[-1], level=30.0, trend=0.0, swing=0.0, walk=0.3, memory=24.0)
         .at(hours) for _ in range(1500)]
    )  # fmt: skip
    # stationary spread walk sqrt(memory / 2); after h it differs by walk sqrt(h) while h is short
    spread = 0.3 * np.sqrt(12.0)
    assert draws[:, 2].std() == pytest.approx(spread, rel=0.08)
    assert draws[:, 0].std() == pytest.approx(spread, rel=0.08)
    assert np.diff(draws[:, :2])[:, 0].std() == pytest.approx(0.3, rel=0.08)
    assert draws.mean() == pytest.approx(30.0, abs=5.0 * spread / np.sqrt(3000))


def test_air_is_read_before_within_and_after_every_stretch():
    elapsed = np.concatenate([np.arange(0.0, 3000.0, 10.0), np.arange(9e4, 9.05e4, 10.0)])
    times = drift.air_times(elapsed, 1000.0)
    np.testing.assert_array_equal(times[[0, -1]], [-60.0, 90490.0 + 60.0])
    assert (np.diff(times)[[0, 1, 2]] <= 1000.0).all()
    assert ((times < 4000.0).sum(), (times > 8e4).sum()) == (5, 2)
