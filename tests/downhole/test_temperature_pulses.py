"""Penetration and pull-out on whole simulated records: stops, spikes, pushes, both ends."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.downhole import temperature as formation
from corephys.downhole.temperature import motion
from corephys.ground import flags
from data_demo.simulator import cylinder as independent

RADIUS, OWN = 8e-3, 720.0
WATER = 2.0


def _pulse(time, start, ramp, rate, alpha):
    """Heat given evenly over a ramp: the mean of decays that start along it."""
    starts = start + np.linspace(0.0, ramp, 7)
    parts = [
        np.where(time >= s, independent.decay(rate * np.maximum(time - s, 0.0), alpha), 0.0)
        for s in starts
    ]
    return np.mean(parts, axis=0)


def history(rng, *, step=5.0, second=None, out="pulse", digits=4, noise=2e-3):
    """Time, temperature and truth from the mudline stop to after the pull-out.

    The probe stands in bottom water, taps the seafloor (a spike that water cools), is pushed in
    at ``onset``, pushed again at the fraction ``second`` of the stay and pulled out at its end:
    with a pulse into the water, bare, with the file ending in the pulse, or before it.
    """
    stay, onset, ramp = rng.uniform(600, 1200), rng.uniform(0, step), rng.uniform(0.5, 12.0)
    level, pulse = rng.uniform(2.3, 25.0), rng.uniform(1.5, 5.0)
    k, c = rng.uniform(0.8, 1.5), rng.uniform(3e6, 3.7e6)
    alpha, rate = 2 * np.pi * RADIUS**2 * c / OWN, k / c / RADIUS**2
    t = np.arange(-1500.0, stay + 400.0, step)
    rising = WATER + (level + pulse - WATER) * np.clip((t - onset) / ramp, 0, 1)
    inside = np.where(t - onset < ramp, rising, level + pulse * _pulse(t, onset, ramp, rate, alpha))
    if second:
        again = rng.uniform(0.3, 2.0) * _pulse(t, second * stay, rng.uniform(1, 10), rate, alpha)
        inside = inside + again
    y = np.where(t >= onset, inside, WATER)
    tap = rng.uniform(-1300.0, -300.0)
    spike = rng.uniform(0.3, 2.5) * np.exp(-np.maximum(t - tap, 0.0) / rng.uniform(10, 40))
    y = y + np.where((t >= tap) & (t < onset), spike, 0.0)
    after, last = t - stay, float(np.interp(stay, t, y))
    rise, lasts = rng.uniform(0.5, 4.0), rng.uniform(2.0, 15.0)
    if out == "pulse":
        cold = WATER + (last + rise - WATER) * np.exp(-(after - lasts) / 25.0)
        y = np.where(after > lasts, cold, np.where(after > 0, last + rise * after / lasts, y))
    elif out == "bare":
        y = np.where(after > 0, WATER + (last - WATER) * np.exp(-after / 20.0), y)
    else:
        y = np.where(after > 0, last + rise * np.clip(after / 6.0, 0, 1), y)
        kept = after < (20.0 if out == "cut" else 0.0)
        t, y = t[kept], y[kept]
    return t, np.round(y + rng.normal(0, noise, t.size), digits), (onset, stay, level, k)


def _table(records):
    names = np.repeat([f"T{i}" for i in range(len(records))], [r[0].size for r in records])
    column = {
        name: xr.DataArray(np.concatenate([r[i] for r in records]), dims="row", attrs={"units": u})
        for i, (name, u) in enumerate((("time", "s"), ("temperature", "degC")))
    }
    return xr.Dataset({"station": ("row", names.astype(object)), **column})


CASES = [
    (step, second, out)
    for step in (1.0, 5.0, 10.0)
    for second in (None, 0.2, 0.5, 0.8)
    for out in ("pulse", "bare", "cut", "none")
]


@pytest.mark.slow
def test_penetration_and_pull_out_are_found_among_several_spikes():
    """96 records: at least 95 of both right; the stated uncertainty is that of the onset."""
    rng = np.random.default_rng(11)
    records, truth = [], []
    for step, second, out in CASES * 2:
        t, y, true = history(rng, step=step, second=second, out=out)
        records.append((t, y))
        truth.append((true[0], np.nan if out == "none" else true[1], step))
    found = formation.penetration_time(_table(records))
    onset, end, step = np.array(truth).T
    error = found["penetration_time"].values - onset
    right = np.abs(error) < np.maximum(2 * step, 15.0)
    assert right.sum() >= 95
    score = (error / found["penetration_time_uncertainty"].values)[right]
    assert 0.8 < np.std(score) < 1.2
    ends = found["end_time"].values
    ended = np.where(np.isnan(end), np.isnan(ends), np.abs(ends - end) <= 2 * step + 1)
    assert ended.sum() >= 94
    assert (found["penetration_time_reason"] == 0).all()


def test_record_of_two_digits():
    rng = np.random.default_rng(12)
    for _ in range(10):
        t, y, (onset, stay, *_) = history(rng, step=5.0, digits=2)
        found = formation.penetration_time(_table([(t, y)]))
        assert float(found["penetration_time"][0]) == pytest.approx(onset, abs=10.0)
        assert float(found["end_time"][0]) == pytest.approx(stay, abs=11.0)


def test_whole_record_without_any_time_gives_the_temperature():
    """Nothing but readings: start and end are found, and the truth is within three sigma."""
    rng = np.random.default_rng(13)
    score = []
    for _ in range(8):
        t, y, (_, _, level, k) = history(rng, step=5.0)
        stations = xr.Dataset(
            {
                "station": ("row", np.array(["T0"], dtype=object)),
                "tool": ("row", np.array(["probe"], dtype=object)),
                "depth": xr.DataArray([10.0], dims="row", attrs={"units": "m"}),
            }
        )
        tools = xr.Dataset(
            {
                "tool": ("row", np.array(["probe"], dtype=object)),
                "radius": xr.DataArray([8.0], dims="row", attrs={"units": "mm"}),
                "heat_capacity": xr.DataArray([OWN], dims="row", attrs={"units": "J/(m K)"}),
                "u_heat_capacity": xr.DataArray([0.0], dims="row", attrs={"units": "J/(m K)"}),
            }
        )
        found = formation.equilibrium_temperature(
            _table([(t, y)]), stations, tools, conductivity=f"{k} W/(m K)",
            conductivity_uncertainty="5 %", heat_capacity_uncertainty="10 %",
            thermometer_uncertainty="0.001 K", volumetric_heat_capacity="3.35 MJ/(m^3 K)",
        )  # fmt: skip
        u = np.hypot(
            found["equilibrium_temperature_u_random"], found["equilibrium_temperature_u_systematic"]
        )
        score.append(float(abs(found["equilibrium_temperature"] - level)[0] / u[0]))
    assert max(score) < 3.0
    assert np.median(score) < 1.5


def test_no_pulse_is_said_and_flagged():
    t = np.arange(0.0, 900.0, 5.0)
    y = 2.0 + np.random.default_rng(14).normal(0, 2e-3, t.size)
    empty = np.full(t.size, np.nan)
    found = formation.penetration_time(_table([(t, y), (t, empty)]))
    assert np.isnan(found["penetration_time"]).all()
    assert [flags.names(r) for r in found["penetration_time_reason"].values] == [
        ["missing_value"], ["missing_value"],
    ]  # fmt: skip
    assert (found["pulse_count"] == 0).all()
    with pytest.raises(ValueError, match="formation_temperature has no time"):
        formation.penetration_time(_table([(t, y)]).drop_vars("time"))


def test_stations_choose_and_order():
    rng = np.random.default_rng(15)
    table = _table([history(rng)[:2], history(rng)[:2]])
    stations = xr.Dataset({"station": ("row", np.array(["T1", "absent"], dtype=object))})
    found = formation.penetration_time(table, stations)
    assert found["station"].values.tolist() == ["T1", "absent"]
    assert np.isfinite(found["penetration_time"][0]) and np.isnan(found["penetration_time"][1])


def test_penetration_in_steps_is_one_and_begins_with_the_first():
    t = np.arange(-100.0, 600.0, 2.0)
    y = np.where(t > 0, 5.0, 2.0) + np.where(t > 14, 3.0 * 20 / (6.0 + np.maximum(t, 14)), 0.0)
    y = y + np.random.default_rng(16).normal(0, 2e-3, t.size)
    (only,) = motion.find_pulses(t, y)
    assert t[only.before] == 0.0


def test_single_wild_reading_is_no_pulse():
    t = np.arange(0.0, 600.0, 5.0)
    y = 10.0 + np.random.default_rng(17).normal(0, 2e-3, t.size)
    y[40] += 0.5
    assert motion.find_pulses(t, y) == []
