"""Formation temperature: the decay recovered, sensitivities by refitting, coverage, bad records."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.downhole import temperature as formation
from corephys.downhole.temperature import decay, records
from corephys.ground import flags, units
from corephys.numerics import cylinder
from data_demo.simulator import cylinder as independent

NAME = "equilibrium_temperature"
RADIUS, OWN, HEAT = 8e-3, 720.0, 3.3e6
STATED = {
    "conductivity_uncertainty": "5 %", "heat_capacity_uncertainty": "5 %",
    "thermometer_uncertainty": "0.002 K", "volumetric_heat_capacity": "3.3 MJ/(m^3 K)",
}  # fmt: skip


def _column(values, unit):
    return xr.DataArray(np.asarray(values, dtype=float), dims="row", attrs={"units": unit})


def _text(values):
    return ("row", np.asarray(values, dtype=object))


def _record(temperature=12.0, pulse=3.5, shift=1.5, conductivity=1.1, heat=HEAT, own=OWN,
            duration=900.0, step=5.0):  # fmt: skip
    """Exact record by Laplace inversion, which shares nothing with the fit."""
    time = np.arange(0.0, duration + step / 2, step)
    alpha = 2 * np.pi * RADIUS**2 * heat / own
    tau = conductivity / heat / RADIUS**2 * np.maximum(time - shift, 0.0)
    value = temperature + pulse * independent.decay(tau, alpha)
    return time, np.where(time < shift, 2.0, value)


def _tables(records, *, penetration=900.0, u_own=20.0, **columns):
    """The three tables of a hole from records of (time since penetration, temperature)."""
    names = [f"T{i}" for i in range(len(records))]
    table = xr.Dataset(
        {
            "station": _text(np.repeat(names, [r[0].size for r in records])),
            "time": _column(np.concatenate([r[0] for r in records]) + penetration, "s"),
            "temperature": _column(np.concatenate([r[1] for r in records]), "degC"),
        }
    )
    stations = xr.Dataset(
        {
            "station": _text(names),
            "tool": _text(["probe"] * len(names)),
            "depth": _column(50.0 * np.arange(1, len(names) + 1), "m"),
            "penetration_time": _column(np.full(len(names), penetration), "s"),
            **columns,
        }
    )
    tools = xr.Dataset(
        {
            "tool": _text(["probe"]),
            "radius": _column([1e3 * RADIUS], "mm"),
            "heat_capacity": _column([OWN], "J/(m K)"),
            "u_heat_capacity": _column([u_own], "J/(m K)"),
        }
    )
    return table, stations, tools


def test_exact_record_gives_back_what_went_in():
    found = formation.equilibrium_temperature(
        *_tables([_record()]), conductivity="1.1 W/(m K)", **STATED
    )
    assert float(found[NAME][0]) == pytest.approx(12.0, abs=2e-5)
    assert float(found["amplitude"][0]) == pytest.approx(3.5, abs=1e-3)
    assert float(found["time_shift"][0]) == pytest.approx(1.5, abs=0.02)
    assert found[f"{NAME}_flag"][0] == flags.GOOD
    assert found["station"].values.tolist() == ["T0"]
    assert float(found["depth"][0]) == 50.0


def test_means_of_a_long_record_give_the_temperature_of_its_samples(monkeypatch):
    time, value = _record(step=0.1)
    value = value + np.random.default_rng(4).normal(0, 2e-3, value.size)
    tables = _tables([(time, value), _record()])
    means = formation.equilibrium_temperature(*tables, conductivity="1.1 W/(m K)", **STATED)
    assert means["samples_in_mean"].values.tolist() == [2.0, 1.0]
    monkeypatch.setattr(records, "MOST", 10**9)
    samples = formation.equilibrium_temperature(*tables, conductivity="1.1 W/(m K)", **STATED)
    assert "samples_in_mean" not in samples
    apart = np.abs(means[NAME] - samples[NAME]).values
    assert apart[0] < 0.1 * float(samples[f"{NAME}_u_random"][0])
    assert apart[1] == 0.0
    assert abs(float(means[NAME][0]) - 12.0) < 3e-3
    ratio = means[f"{NAME}_u_random"] / samples[f"{NAME}_u_random"]
    assert ((ratio > 0.8) & (ratio < 1.25)).all()
    np.testing.assert_array_equal(means[f"{NAME}_flag"], samples[f"{NAME}_flag"])


def test_means_are_of_equally_many_samples_and_the_first_may_be_of_fewer(monkeypatch):
    monkeypatch.setattr(records, "MOST", 4)
    time = np.arange(1.0, 11.0)
    found = records._bounded(records.Record(time, 2.0 * time))
    assert found.taken == 3
    assert found.time.tolist() == [1.0, 3.0, 6.0, 9.0]
    assert found.temperature.tolist() == [2.0, 6.0, 12.0, 18.0]
    assert records._bounded(records.Record(time[:4], time[:4])).taken == 1


def test_sensitivities_are_those_of_fitting_again():
    """Each derivative against two fits with the input moved, on one noisy record."""
    time, value = _record()
    value = value + np.random.default_rng(1).normal(0, 2e-3, value.size)
    base = decay.Probe(RADIUS, OWN, 1.1, HEAT)
    first, last = 6, time.size - 1

    def again(**changes):
        probe = decay.Probe(**{**base.__dict__, **changes})
        return decay.fit(time, value, probe, first, last).temperature

    found = decay.fit(time, value, base, first, last)
    step = 1e-3
    for name, attribute, scale in (
        ("conductivity", "by_conductivity", 1.1),
        ("sediment_heat_capacity", "by_sediment", 1.0),
        ("heat_capacity", "by_probe", 1.0),
    ):
        size = getattr(base, name)
        moved = again(**{name: size * (1 + step)}) - again(**{name: size * (1 - step)})
        derivative = getattr(found, attribute) * scale
        assert derivative == pytest.approx(moved / (2 * step), rel=0.02, abs=2e-4), name


@pytest.mark.slow
def test_intervals_cover_the_truth():
    rng = np.random.default_rng(2)
    inside, errors = [], []
    for _ in range(12):  # each hole has its own common errors, each station its conductivity
        heat = HEAT * (1 + rng.normal(0, 0.05))
        own, thermometer = OWN + rng.normal(0, 20.0), rng.normal(0, 2e-3)
        records, truth, stated = [], [], []
        for _ in range(8):
            k = rng.uniform(0.9, 1.4)
            truth.append(rng.uniform(3.0, 30.0))
            time, value = _record(truth[-1], rng.uniform(2, 5), rng.normal(0, 3.0), k, heat, own)
            records.append((time, value + thermometer + rng.normal(0, 2e-3, value.size)))
            stated.append(k * (1 + rng.normal(0, 0.05)))
        found = formation.equilibrium_temperature(
            *_tables(records), conductivity=units.quantity(np.array(stated), "W/(m K)"), **STATED
        )
        good = found[f"{NAME}_flag"].values == flags.GOOD
        assert good.mean() > 0.7
        u = np.hypot(found[f"{NAME}_u_random"], found[f"{NAME}_u_systematic"]).values
        error = found[NAME].values - truth
        inside.extend((np.abs(error) <= u)[good])
        errors.extend(error[good])
    assert 0.56 <= np.mean(inside) <= 0.80  # 96 stations in 12 holes with common errors
    assert abs(np.mean(errors)) < 2e-3


def test_effects_are_named_and_a_bound_conductivity_is_a_conductivity():
    found = formation.equilibrium_temperature(
        *_tables([_record(), _record(20.0)]), conductivity="1.1 W/(m K)", **STATED
    )
    assert sorted(found["source"].values) == ["heat_capacity", "thermometer", "tool_heat_capacity"]
    effects = found[f"{NAME}_effects"]
    np.testing.assert_allclose(effects.sel(source="thermometer"), 0.002)
    expected = np.abs(found["conductivity_sensitivity"] * 0.05 * 1.1)
    # One sigma either way by fitting again: the effect bends by less than a hundredth here.
    np.testing.assert_allclose(found[f"{NAME}_u_random"], expected, rtol=0.01)


def test_unknown_uncertainties_are_nan_and_the_column_of_conductivity_serves():
    tables = _tables([_record()], conductivity=_column([1.1], "W/(m K)"))
    found = formation.equilibrium_temperature(*tables)
    assert float(found["conductivity"][0]) == 1.1
    assert np.isnan(found[f"{NAME}_u_random"]).all()
    assert np.isnan(found[f"{NAME}_u_systematic"]).all()
    assert np.isfinite(found[NAME]).all()
    with pytest.raises(ValueError, match="no conductivity"):
        formation.equilibrium_temperature(*_tables([_record()]))


def test_heat_capacity_comes_from_the_mixing_laws():
    """k of 0.598 is all water, 2.8 all grains; between them the porosity of the geometric mean."""
    found = formation.sediment_heat_capacity(None, np.array([0.598, 2.8, (0.598 * 2.8) ** 0.5]))
    np.testing.assert_allclose(found, 1e6 * np.array([4.09, 2.2, 0.5 * (4.09 + 2.2)]), rtol=1e-12)


def test_second_pulse_is_flagged_and_the_part_before_it_used():
    time, value = _record()
    later = np.maximum(time - 500.0, 0.0)
    alpha = 2 * np.pi * RADIUS**2 * HEAT / OWN
    second = cylinder.decay(alpha, 1.1 / HEAT / RADIUS**2 * later)
    value = value + np.where(time >= 500.0, 1.5 * second, 0.0)
    value = value + np.random.default_rng(3).normal(0, 2e-3, value.size)
    found = formation.equilibrium_temperature(
        *_tables([(time, value)]), conductivity="1.1 W/(m K)", **STATED
    )
    assert "disturbed_decay" in flags.names(found[f"{NAME}_reason"][0])
    assert float(found["window_end"][0]) < 500.0
    assert float(found[NAME][0]) == pytest.approx(12.0, abs=0.03)


def test_station_that_never_cools_has_a_reason():
    time = np.arange(0.0, 901.0, 5.0)
    noise = np.random.default_rng(4).normal(0, 2e-3, time.size)
    level, rising = (time, 12.0 + noise), (time, 12.0 + 2e-4 * time + noise)
    dead = (time, np.full(time.size, 12.0))
    found = formation.equilibrium_temperature(
        *_tables([level, rising, dead]), conductivity="1.1 W/(m K)", **STATED
    )
    for i in range(3):
        assert "no_decay" in flags.names(found[f"{NAME}_reason"][i])
    assert (found[f"{NAME}_flag"].values >= flags.BAD).all()


def test_short_records_are_flagged():
    records = [_record(duration=250.0), _record(duration=30.0)]
    found = formation.equilibrium_temperature(
        *_tables(records), conductivity="1.1 W/(m K)", **STATED
    )
    assert "short_record" in flags.names(found[f"{NAME}_reason"][0])
    assert np.isfinite(found[NAME][0])
    assert "short_record" in flags.names(found[f"{NAME}_reason"][1])
    assert np.isnan(found[NAME][1])
    assert found[f"{NAME}_flag"][1] == flags.MISSING


def test_end_time_cuts_the_pull_out_and_a_missing_penetration_is_found():
    time, value = _record(duration=1000.0)
    value = np.where(time > 900.0, value + 3.0, value)
    value = value + np.random.default_rng(5).normal(0, 1e-3, value.size)
    tables = _tables([(time, value)], end_time=_column([1800.0], "s"))
    found = formation.equilibrium_temperature(*tables, conductivity="1.1 W/(m K)", **STATED)
    assert found[f"{NAME}_flag"][0] == flags.GOOD
    assert float(found["window_end"][0]) <= 900.0
    before = np.arange(-100.0, 0.0, 5.0)
    whole = (np.concatenate([before, time]), np.concatenate([np.full(before.size, 2.0), value]))
    table, stations, tools = _tables([whole], end_time=_column([1800.0], "s"))
    stations["penetration_time"] = _column([np.nan], "s")
    other = formation.equilibrium_temperature(
        table, stations, tools, conductivity="1.1 W/(m K)", **STATED
    )
    assert float(other[NAME][0]) == pytest.approx(float(found[NAME][0]), abs=5e-3)


def test_missing_columns_tools_and_wrong_counts_are_refused():
    table, stations, tools = _tables([_record()])
    with pytest.raises(ValueError, match="stations has no tool"):
        formation.equilibrium_temperature(table, stations.drop_vars("tool"), tools)
    stations["tool"] = _text(["other"])
    with pytest.raises(ValueError, match="tools has no other"):
        formation.equilibrium_temperature(table, stations, tools, conductivity="1 W/(m K)")
    two = units.quantity(np.array([1.0, 1.1]), "W/(m K)")
    with pytest.raises(ValueError, match="one for each station"):
        formation.equilibrium_temperature(*_tables([_record()]), conductivity=two)
    with pytest.raises(units.UnitError, match="thermal_conductivity"):
        formation.equilibrium_temperature(*_tables([_record()]), conductivity=1.1)


def test_bottom_water_is_the_cold_stop_and_not_the_water_column():
    rng = np.random.default_rng(6)
    passing = np.linspace(6.0, 2.05, 20)
    stop = np.full(40, 2.0)
    values = np.concatenate([passing, stop] * 2) + rng.normal(0, 2e-3, 120)
    table = xr.Dataset(
        {
            "station": _text(np.repeat(["A", "B"], 60)),
            "time": _column(np.tile(10.0 * np.arange(60), 2), "s"),
            "temperature": _column(values, "degC"),
            "kind": _text(["bottom_water"] * 120),
        }
    )
    found = formation.bottom_water_temperature(table, thermometer_uncertainty="0.002 K")
    assert float(found["bottom_water_temperature"]) == pytest.approx(2.0, abs=2e-3)
    assert float(found["bottom_water_temperature_u_systematic"]) == pytest.approx(0.002)
    assert int(found["stations_used"]) == 2
    with pytest.raises(ValueError, match="bottom_water"):
        formation.bottom_water_temperature(table.drop_vars("kind"))
