"""Times of depths and depths of times, their zero, and how far core, log and check shots differ."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, units
from corephys.products import seismic
from tests.products.test_seismic_profile import pair, together


def table(top=0.02, seed=1, u=0.0, **options):
    rng = np.random.default_rng(seed)
    depth = np.arange(top, 120, 0.05)
    velocity = 1550 + 1.5 * depth + 30 * rng.normal(size=depth.size)
    return seismic.time_depth(seismic.profile(*pair(depth, 1.7, velocity, u=(0.0, u))), **options)


def metres(values):
    return units.quantity(np.asarray(values, dtype=float), "m")


def test_there_and_back_again():
    made = table()
    depth = np.random.default_rng(2).uniform(0, 119, 200)
    time = seismic.time_at_depth(made, metres(depth))
    back = seismic.depth_at_time(made, time["two_way_time"])
    np.testing.assert_allclose(back["depth"], depth, atol=1e-9)
    assert back.attrs["datum"] == "seafloor"


def test_times_from_sea_level_are_later_by_the_water_and_say_so():
    water = {"water_depth": "1500 m", "sound_speed": "1500 m/s"}
    below = table(datum="sea_level", **water, sound_speed_uncertainty="3 m/s")
    name = "two_way_time_from_sea_level"
    np.testing.assert_allclose(below[name] - table()["two_way_time"], 2.0)
    effect = below[f"{name}_effects"].sel(source="water_sound_speed")
    np.testing.assert_allclose(effect, -2.0 * 3 / 1500)
    assert below.attrs["datum"] == "sea_level"
    depth = seismic.depth_at_time(below, "2.05 s")
    # Too fast a water makes the ground begin too early, and a time lie too deep.
    error = float(depth["depth_effects"].sel(source="water_sound_speed")[0])
    assert error == pytest.approx(0.004 * 1600 / 2, rel=0.05)
    unknown = table(datum="sea_level", **water)
    assert np.isnan(unknown[f"{name}_u_systematic"]).all()


def test_the_seafloor_is_a_row_of_its_own():
    made = table(top=3.0)
    assert float(made["depth"][0]) == 0.0 and float(made["two_way_time"][0]) == 0.0
    assert int(made["two_way_time_reason"][1]) & flags.bit("interpolated_input")
    assert not np.any(table(top=0.5)["two_way_time_reason"])
    assert float(made["two_way_time"][1]) == pytest.approx(2 * 3 / 1555, rel=0.01)


@pytest.mark.parametrize("top", [0.0, 2.0])
def test_the_random_part_of_a_time_is_that_of_a_simulation(top):
    """Plain trapezoids over drawn slownesses, and three intervals in a hundred left out."""
    rng = np.random.default_rng(8)
    depth = top + np.cumsum(rng.uniform(0.2, 0.6, 60))
    velocity = rng.uniform(1500, 2000, 60)

    def time(v):
        steps = np.diff(depth) * (1 / v[1:] + 1 / v[:-1])
        return 2 * depth[0] * np.mean(1 / v[depth <= depth[0] + 1.0]) + steps.cumsum()

    stated = seismic.time_depth(seismic.profile(*pair(depth, 1.7, velocity, u=(0.0, 12.0))))
    draws = np.array([time(velocity + 12 * rng.normal(size=60)) for _ in range(1500)])
    np.testing.assert_allclose(stated["two_way_time"][2:], time(velocity), rtol=1e-12)
    u = stated["two_way_time_u_random"].values[2:]
    np.testing.assert_allclose(draws.std(axis=0), u, rtol=0.08)
    inside = np.abs(draws - time(velocity)) < 1.96 * u
    assert inside.mean() == pytest.approx(0.95, abs=0.02)


def test_beyond_the_table_is_refused_or_flagged():
    made = table()
    with pytest.raises(ValueError, match=r"1 of 2 lie beyond the table, .*outside='flag'"):
        seismic.time_at_depth(made, metres([5.0, 500.0]))
    with pytest.raises(ValueError, match="lie beyond the table"):
        seismic.depth_at_time(made, "-0.1 s")
    found = seismic.time_at_depth(made, metres([5.0, 500.0]), outside="flag")
    assert list(found["two_way_time_flag"].values) == [flags.GOOD, flags.SUSPECT]
    assert found["two_way_time"][1] > made["two_way_time"][-1]


def shots(depth, one_way=None, two_way=None):
    made = xr.Dataset(coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})})
    for name, values in (("one_way_time", one_way), ("two_way_time", two_way)):
        if values is not None:
            made[name] = "reading", np.asarray(values, float), {"units": "s"}
    return made


def test_check_shots_are_doubled_ordered_and_counted():
    found = seismic.check_shot_times(
        shots([100.0, 0.0, 50.0, 50.0], [0.06, 0.0, 0.03, np.nan], [np.nan, np.nan, 0.061, np.nan]),
        time_uncertainty="1 ms",
    )
    np.testing.assert_allclose(found["two_way_time"], [0.0, 0.061, 0.12])
    assert found.attrs["readings_left_out"] == 1
    np.testing.assert_allclose(found["two_way_time_u_random"], 1e-3)


def test_a_comparison_gives_envelope_and_spread():
    core = seismic.check_shot_times(shots([0, 100, 200], [0, 0.06, 0.12]))
    log = seismic.check_shot_times(shots([0, 50, 100, 200], [0, 0.03, 0.06, 0.13]))
    fast = seismic.check_shot_times(shots([0, 200], [0, 0.11]))
    found = seismic.compare_times(core=core, log=log, check_shots=fast, at=metres([100, 200]))
    assert list(found["way"].values) == ["core", "log", "check_shots"]
    np.testing.assert_allclose(found["earliest"], [0.11, 0.22])
    np.testing.assert_allclose(found["latest"], [0.12, 0.26])
    assert float(found["spread"][1]) == pytest.approx(100 * 0.04 / 0.24)
    assert found.attrs["widest_spread_percent"] == pytest.approx(100 * 0.04 / 0.24)
    np.testing.assert_allclose(found["difference"].sum("way"), 0.0, atol=1e-12)


def test_a_log_that_does_not_reach_the_seafloor_is_compared_from_where_it_begins():
    core = seismic.check_shot_times(shots([0, 100, 200], [0, 0.06, 0.12]))
    log = seismic.check_shot_times(shots([100, 150, 200], [0.5, 0.53, 0.56]))
    found = seismic.compare_times(core=core, log=log, zero="first_common_depth")
    np.testing.assert_allclose(found["spread"].values[1:], 0.0, atol=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: table(datum="mud line"), "'mud line'; expected one of seafloor, sea_level"),
        (lambda: table(datum="sea_level"), "need water_depth= and sound_speed="),
        (lambda: seismic.time_depth(together([1, 0], 1.6, 1600.0)), "depths that increase"),
        (lambda: seismic.time_depth(together([0, 1], 1.6, 0.0)), "velocities above zero"),
        (lambda: seismic.time_depth(together([-1, 1], 1.6, 1600.0)), "1 m above the seafloor"),
        (lambda: seismic.check_shot_times(shots([0.0], [0.0])), "1 check shots"),
        (lambda: seismic.check_shot_times(shots([0, 10, 20], [0, 0.02, 0.01])),
         "go from 0.04 to 0.02 s between 10 and 20 m"),
        (lambda: seismic.compare_times(core=table()), "needs two or three"),
        (lambda: seismic.compare_times(core=table(), log=table(), zero="top"), "zero is"),
        (lambda: seismic.compare_times(core=table(), log=table(
            datum="sea_level", water_depth="10 m", sound_speed="1500 m/s")), "from sea level"),
        (lambda: seismic.compare_times(
            core=seismic.check_shot_times(shots([0, 10], [0, 0.01])),
            log=seismic.check_shot_times(shots([20, 30], [0.01, 0.02]))), "0 depths in common"),
        (lambda: seismic.time_at_depth(xr.Dataset(), "1 m"), "has no two-way time"),
        (lambda: seismic.time_at_depth(table(), "1 m", outside="guess"), "one of refuse, flag"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_units_are_asked_for():
    with pytest.raises(units.UnitError, match="depth"):
        seismic.time_at_depth(table(), 5.0)
    with pytest.raises(units.UnitError, match="time"):
        seismic.depth_at_time(table(), "5 m")
