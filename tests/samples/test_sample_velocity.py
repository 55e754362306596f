"""Velocity of samples: standards, tables, axes, moduli; against simulated benches and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.samples import velocity as bench
from data_demo.simulator import sample_velocity as simulator
from data_demo.simulator.ground import make_ground
from data_demo.simulator.layout import build

STATED = {
    "delay": f"{simulator.STATED_DELAY} us",
    "delay_uncertainty": f"{simulator.DELAY_UNCERTAINTY} us",
    "s_delay": f"{simulator.STATED_S_DELAY} us",
    "s_delay_uncertainty": f"{simulator.S_DELAY_UNCERTAINTY} us",
    "length_systematic": f"{simulator.LENGTH_UNCERTAINTY} mm",
    "length_uncertainty": f"{simulator.LENGTH_NOISE} mm",
    "travel_time_uncertainty": f"{simulator.TIME_NOISE} us",
    "s_travel_time_uncertainty": f"{simulator.S_TIME_NOISE} us",
}


def _series(values, unit):
    return xr.DataArray(np.atleast_1d(np.asarray(values, float)), dims="reading",
                        attrs={"units": unit})  # fmt: skip


def _table(axis=("along", "across", "normal"), offset=(10.0, 10.5, 11.0), **columns):
    size = len(axis)
    given = {"length": np.full(size, 25.0), "travel_time": np.full(size, 20.0), **columns}
    words = {k: given.pop(k) for k in ("wave", "core", "section") if k in given}
    one = np.full(size, "1", dtype=object)
    table = xr.Dataset({
        "length": _series(given["length"], "mm"),
        "travel_time": _series(given["travel_time"], "us"),
        "axis": ("reading", np.array(axis, dtype=object)),
    })  # fmt: skip
    if "wave" in words:
        table["wave"] = ("reading", np.array(words["wave"], dtype=object))
    return table.assign_coords(
        core=("reading", np.asarray(words.get("core", one), dtype=object)),
        section=("reading", np.asarray(words.get("section", one), dtype=object)),
        offset=("reading", np.asarray(offset, float), {"units": "cm"}),
    )


def _read(frame):
    """A simulated table as a Dataset along its readings."""
    table = xr.Dataset()
    for header in frame.columns:
        name, unit = units.split_header(header)
        values = frame[header].to_numpy()
        table[name] = ("reading", values, {"units": unit} if unit else {})
    return table.set_coords([c for c in series.POSITION if c in table])


@pytest.fixture(scope="module")
def world():
    """One ground and one core of nine metres in it, at a depth where beds have formed."""
    rng = np.random.default_rng(5)
    ground = make_ground(rng, [0.0, 80.0, 200.0], layer_scatter=0.01, salinity=35.0,
                         laboratory_temperature=20.0)  # fmt: skip
    plans = [
        {"core": core, "coring_method": "piston", "top": top, "advance": 9.5, "recovered": 9.0,
         "annulus": "none", "time_on_deck": 0.0}
        for core, top in (("1", 20.0), ("2", 160.0))
    ]  # fmt: skip
    layout = build(rng, plans, [])
    rows = np.repeat(np.arange(len(layout.sections)), 2)
    frame = layout.sections.iloc[rows][[]].reset_index(drop=True)
    return ground, layout, frame.assign(row=rows, offset=np.tile([40.0, 110.0], len(rows) // 2))


# One reading -------------------------------------------------------------------------------------


def test_published_size_of_errors_at_25_mm():
    """dV = V^2 / L per us, and V / L per mm: 10.2 m/s for 0.1 us, 6.4 m/s for 0.1 mm."""
    found = bench.velocity("25 mm", "19.925 us", delay="4.3 us", delay_uncertainty="0.1 us",
                           length_systematic="0.1 mm")  # fmt: skip
    effects = found["p_wave_velocity_effects"]
    assert effects.sel(source="sample_velocity_delay").item() == pytest.approx(10.24, abs=1e-9)
    assert effects.sel(source="sample_length").item() == pytest.approx(6.4, abs=1e-9)


@pytest.mark.parametrize(
    ("changed", "source"),
    [
        ({"delay": "4.31 us"}, "sample_velocity_delay"),
        ({"length_offset": "0.01 mm"}, "sample_length"),
    ],
)
def test_signs_of_the_effects_are_those_of_a_finite_change(changed, source):
    given = {"delay": "4.3 us", "delay_uncertainty": "0.01 us", "length_systematic": "0.01 mm"}
    base = bench.velocity("25 mm", "20 us", **given)
    moved = bench.velocity("25 mm", "20 us", **{**given, **changed})
    change = moved["p_wave_velocity"].item() - base["p_wave_velocity"].item()
    assert base["p_wave_velocity_effects"].sel(source=source).item() == pytest.approx(
        change, rel=2e-3
    )


def test_random_uncertainty_is_the_scatter_of_noisy_readings():
    rng = np.random.default_rng(3)
    size = 40_000
    found = bench.velocity(
        _series(rng.normal(25, 0.04, size), "mm"), _series(rng.normal(20, 0.05, size), "us"),
        delay="4 us", length_uncertainty="0.04 mm", travel_time_uncertainty="0.05 us",
    )  # fmt: skip
    scatter = float(found["p_wave_velocity"].std())
    assert float(found["p_wave_velocity_u_random"].mean()) == pytest.approx(scatter, rel=0.02)


def test_what_is_not_known_is_nan_and_bad_readings_are_flagged():
    found = bench.velocity(_series([25, 25, -1, np.nan], "mm"), _series([20, 3, 20, 20], "us"),
                           delay="4 us")  # fmt: skip
    assert np.isnan(found["p_wave_velocity_u_random"]).all()
    assert np.isnan(found["p_wave_velocity_u_systematic"]).all()
    reasons = [flags.names(m) for m in found["p_wave_velocity_reason"].values]
    assert reasons[0] == []
    assert "impossible_value" in reasons[1] and "impossible_value" in reasons[2]
    assert reasons[3] == ["missing_value"]


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({"delay": 4.3}, units.UnitError, "expected a quantity in us"),
        ({"delay": "4.3 mm"}, units.UnitError, "delay: expected us"),
        ({}, ValueError, "the delay of the P-wave transducers"),
        ({"delay": "4 us", "wave": "Q"}, ValueError, "wave is 'Q'; expected one of P, S"),
    ],
)
def test_a_wrong_argument_is_refused(given, error, words):
    with pytest.raises(error, match=words):
        bench.velocity("25 mm", "20 us", **given)


def test_readings_at_different_positions_do_not_meet():
    with pytest.raises(series.PositionError, match="2 values along reading"):
        bench.velocity(_series([25, 25], "mm"), _series([20.0], "us"), delay="4 us")


# Calibration -------------------------------------------------------------------------------------


def test_calibration_finds_delay_and_scale_without_noise():
    length = np.array([20.0, 30.0, 40.0, 60.0])
    time = 4.3 + 1e3 * 1.01 * length / 2740.0
    known = bench.calibrate(_series(length, "mm"), _series(time, "us"), velocity="2740 m/s")
    assert known.delay == pytest.approx(4.3, abs=1e-9)
    assert known.length_factor == pytest.approx(1.01, abs=1e-9)
    free = bench.calibrate(_series(length, "mm"), _series(time, "us"))
    assert free.delay == pytest.approx(4.3, abs=1e-9) and free.length_factor == 1.0
    assert free.standard_velocity == pytest.approx(2740.0 / 1.01, abs=1e-6)
    assert np.isnan(known.length_factor_uncertainty)  # nobody said how well 2740 m/s is known
    found = bench.velocity("30 mm", f"{4.3 + 1.01 * 30 / 1.6} us", calibration=known)
    assert found["p_wave_velocity"].item() == pytest.approx(1600.0, abs=1e-6)


def test_stated_covariance_is_the_spread_over_repeated_calibrations():
    rng = np.random.default_rng(7)
    length = np.repeat([20.0, 30.0, 40.0, 60.0], 3)
    found = []
    for _ in range(600):
        speed = 2740.0 + 8.0 * rng.normal()
        time = 4.3 + 1e3 * length / speed + rng.normal(0, 0.03, length.size)
        found.append(bench.calibrate(
            _series(length, "mm"), _series(time, "us"), velocity="2740 m/s",
            velocity_uncertainty="8 m/s", travel_time_uncertainty="0.03 us",
        ))  # fmt: skip
    delays, factors = ([getattr(c, n) for c in found] for n in ("delay", "length_factor"))
    assert np.std(delays) == pytest.approx(found[0].delay_uncertainty, rel=0.08)
    assert np.std(factors) == pytest.approx(found[0].length_factor_uncertainty, rel=0.08)


def test_effects_of_a_calibration_are_its_covariance():
    """Their squares add to the propagated variance, and P and S share none of them."""
    covariance = np.array([[0.01, -2e-5], [-2e-5, 4e-6]])
    used = bench.Calibration(4.0, 1.0, covariance)
    by = np.array([1600.0 / 15.625, 1600.0])
    for wave, end in (("P", ""), ("S", "_s_wave")):
        found = bench.velocity("25 mm", "19.625 us", wave=wave, calibration=used,
                               length_systematic="0 mm")  # fmt: skip
        name = "p_wave_velocity" if wave == "P" else "s_wave_velocity"
        assert found[f"{name}_u_systematic"].item() == pytest.approx((by @ covariance @ by) ** 0.5)
        assert f"sample_velocity_calibration{end}_1" in found["source"].values


@pytest.mark.parametrize(
    ("length", "keywords", "words"),
    [
        ([20.0, 30.0], {}, "2 standards of 2 lengths do not fix"),
        ([20.0, 20.0, 20.0], {}, "3 standards of 1 lengths do not fix"),
        ([20.0, 30.0, 40.0], {"velocity": "-5 m/s"}, "it must be positive"),
    ],
)
def test_standards_that_fix_nothing_are_refused(length, keywords, words):
    with pytest.raises(ValueError, match=words):
        bench.calibrate(_series(length, "mm"), _series(np.add(length, 5.0), "us"), **keywords)


# Table -------------------------------------------------------------------------------------------


def test_rows_in_are_rows_out_by_wave():
    table = _table(("along", "along", "across"), wave=("P", "S", ""), travel_time=[20, 90, 19])
    table["reason"] = ("reading", np.array([0, flags.bit("crack"), flags.bit("section_end")]))
    table["temperature"] = _series([20, 21, 22], "degC")
    found = bench.reduce_table(table, delay="4 us", s_delay="6 us")
    p, s = found["p_wave_velocity"], found["s_wave_velocity"]
    assert p.sizes["reading"] + s.sizes["reading"] == 3
    assert list(p["axis"].values) == ["along", "across"] and list(s["wave"].values) == ["S"]
    assert s["temperature"].item() == 21.0
    assert flags.names(s["s_wave_velocity_reason"].item()) == ["crack"]
    assert flags.names(p["p_wave_velocity_reason"].values[1]) == ["section_end"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.drop_vars("length"), "has 3 rows and no column 'length'"),
        (lambda t: t.assign(axis=("reading", ["along", "up", "up"])),
         "axis is 'up' in 2 rows, first in reading 1"),
        (lambda t: t.assign(wave=("reading", ["P", "P", "T"])), "wave is 'T' in 1 rows"),
        (lambda t: t.assign(wave=("reading", ["P", "P", "S"])), "the delay of the S-wave"),
    ],
)  # fmt: skip
def test_a_wrong_table_is_refused(change, words):
    with pytest.raises(ValueError, match=words):
        bench.reduce_table(change(_table()), delay="4 us")


# Anisotropy --------------------------------------------------------------------------------------


def _speeds(table, **speeds):
    time = [25e3 / speeds[axis] + 4.0 for axis in table["axis"].values]
    table = table.assign(travel_time=_series(time, "us"))
    keys = ("delay", "delay_uncertainty", "length_systematic", "length_uncertainty",
            "travel_time_uncertainty")  # fmt: skip
    return bench.reduce_table(table, **{**{k: STATED[k] for k in keys}, "delay": "4 us"})


def test_what_has_no_partner_is_counted():
    """Another section, another core, or farther away than within: three places stand alone."""
    table = _table(
        ("along", "across", "normal", "across", "across", "along"),
        (10.0, 11.0, 12.1, 10.0, 10.0, 60.0),
        section=["1", "1", "1", "2", "1", "1"], core=["1", "1", "1", "1", "2", "1"],
    )  # fmt: skip
    velocity = _speeds(table, along=1600.0, across=1700.0, normal=1800.0)["p_wave_velocity"]
    found = bench.anisotropy(velocity, within="2 cm")
    assert found["p_wave_anisotropy"].values == pytest.approx([2 * 100 / 3300], abs=1e-9)
    assert found.attrs["pairs"] == 1 and found.attrs["unpaired_places"] == 4
    assert found.attrs["unpaired_readings"] == 4
    wider = bench.anisotropy(velocity, within="3 cm")
    assert wider["p_wave_anisotropy"].values == pytest.approx([2 * 150 / 3350], abs=1e-9)
    alone = bench.anisotropy(velocity, within="3 cm", horizontal="normal")
    assert alone["p_wave_anisotropy"].values == pytest.approx([2 * 200 / 3400], abs=1e-9)


def test_shared_errors_nearly_cancel_and_those_of_one_axis_do_not():
    velocity = _speeds(_table(), along=1600.0, across=1620.0, normal=1640.0)["p_wave_velocity"]
    found = bench.anisotropy(velocity)
    apart = velocity["p_wave_velocity_u_systematic"].values / velocity["p_wave_velocity"].values
    assert float(found["p_wave_anisotropy_u_systematic"].item()) < 0.05 * apart.min()
    random = velocity["p_wave_velocity_u_random"].values / velocity["p_wave_velocity"].values
    by_hand = np.sqrt(random[0] ** 2 + (random[1] ** 2 + random[2] ** 2) / 4)
    assert found["p_wave_anisotropy_u_random"].item() == pytest.approx(by_hand, rel=0.01)
    assert bool(found["significant"].item())


def test_one_percent_an_axis_leaves_1_2_to_1_4_percent():
    velocity = _speeds(_table(), along=1600.0, across=1600.0, normal=1600.0)["p_wave_velocity"]
    velocity["p_wave_velocity_u_random"] = ("reading", np.full(3, 16.0))
    three = bench.anisotropy(velocity)
    two = bench.anisotropy(velocity, horizontal="across")
    assert three["p_wave_anisotropy_u_random"].item() == pytest.approx(0.0122, abs=5e-5)
    assert two["p_wave_anisotropy_u_random"].item() == pytest.approx(0.0141, abs=5e-5)
    assert not three["significant"].item()


def test_bad_readings_and_unknown_uncertainty():
    table = _table(travel_time=[20.0, 3.0, np.nan])
    velocity = bench.reduce_table(table, delay="4 us")["p_wave_velocity"]
    found = bench.anisotropy(velocity)
    assert found.sizes["reading"] == 0 and found.attrs["pairs"] == 0
    assert found.attrs["readings_left_out"] == 2
    plain = bench.anisotropy(bench.reduce_table(_table(), delay="4 us")["p_wave_velocity"])
    assert np.isnan(plain["ratio_to_uncertainty"].item()) and not plain["significant"].item()


def test_wrong_arguments_of_anisotropy_are_refused():
    velocity = bench.reduce_table(_table(), delay="4 us")["p_wave_velocity"]
    with pytest.raises(ValueError, match="horizontal is 'level'"):
        bench.anisotropy(velocity, horizontal="level")
    with pytest.raises(ValueError, match="no coordinate 'axis'"):
        bench.anisotropy(velocity.drop_vars("axis"))
    with pytest.raises(units.UnitError, match="within"):
        bench.anisotropy(velocity, within=2.0)


# Moduli ------------------------------------------------------------------------------------------

SYMBOLS = ("shear_modulus", "bulk_modulus", "young_modulus", "poisson_ratio", "p_wave_modulus")


def test_propagated_moduli_are_the_spread_of_drawn_inputs():
    rng = np.random.default_rng(9)
    size = 60_000
    u = {"p": 10.0, "s": 8.0, "rho": 0.01}
    p, s, rho = (mean + u[k] * rng.normal(size=size)
                 for k, mean in (("p", 2600.0), ("s", 1100.0), ("rho", 2.1)))  # fmt: skip
    drawn = bench.elastic_moduli(_series(p, "m/s"), _series(s, "m/s"), _series(rho, "g/cm^3"))
    found = bench.elastic_moduli(
        "2600 m/s", "1100 m/s", "2.1 g/cm^3", p_wave_velocity_uncertainty="10 m/s",
        s_wave_velocity_uncertainty="8 m/s", bulk_density_uncertainty="0.01 g/cm^3",
    )  # fmt: skip
    for name in SYMBOLS:
        assert found[f"{name}_u_random"].item() == pytest.approx(
            float(drawn[name].std()), rel=0.015
        )


def test_the_calliper_s_error_enters_both_velocities_with_one_sign():
    """A length 1 % too great: both velocities 1 %, the moduli 2 %, Poisson's ratio not at all."""
    parts = [
        bench.velocity("25 mm", time, wave=wave, delay="4 us", delay_uncertainty="0 us",
                       length_systematic="0.25 mm")
        for wave, time in (("P", "20 us"), ("S", "40 us"))
    ]  # fmt: skip
    found = bench.elastic_moduli(*parts, "2.0 g/cm^3")
    for name in SYMBOLS:
        effect = found[f"{name}_effects"].sel(source="sample_length").item()
        expected = 0.0 if name == "poisson_ratio" else 0.02 * found[name].item()
        assert effect == pytest.approx(expected, abs=1e-9)


def test_an_s_wave_too_fast_for_its_p_wave_is_impossible():
    found = bench.elastic_moduli(_series([1600, 1600], "m/s"), _series([1500, 200], "m/s"),
                                 "1.7 g/cm^3")  # fmt: skip
    names = [flags.names(m) for m in found["poisson_ratio_reason"].values]
    assert "impossible_value" in names[0] and names[1] == []
    with pytest.raises(KeyError, match="does not hold 's_wave_velocity'"):
        bench.elastic_moduli("1600 m/s", found, "1.7 g/cm^3")


# Whole benches -----------------------------------------------------------------------------------


def _within(found, name, truth):
    u = np.hypot(found[f"{name}_u_random"].values, found[f"{name}_u_systematic"].values)
    return np.abs(found[name].values - truth) <= u


@pytest.mark.slow
def test_intervals_of_simulated_benches_hold_the_truth_as_often_as_they_say(world):
    """One reading a bench of each kind, 600 benches: 68 +- 8 % is four binomial deviations."""
    ground, layout, positions = world
    frames, truths = [], []
    for seed in range(600):
        rng = np.random.default_rng(10_000 + seed)
        here = positions.iloc[[seed % len(positions)]]
        pair = simulator.measure(rng, simulator.draw_bench(rng), ground, layout, here)
        frames.append(pair[0].assign(core=f"{seed:03d}"))  # benches are never paired
        truths.append(pair[1].assign(core=f"{seed:03d}", number=seed))
    truth = pd.concat(truths)
    found = bench.reduce_table(_read(pd.concat(frames)), **STATED)
    found["p_wave_anisotropy"] = bench.anisotropy(found["p_wave_velocity"])
    kind = {"p_wave_velocity": truth["wave"] == "P", "s_wave_velocity": truth["wave"] == "S"}
    for name, result in found.items():
        expected = truth[kind.get(name, (truth["wave"] == "S"))]
        column = name if name == "p_wave_anisotropy" else "velocity [m/s]"
        by_core = expected["core"].to_numpy()
        assert list(by_core) == list(result["core"].values)
        hits = _within(result, name, expected[column].to_numpy())
        if name == "p_wave_velocity":  # one axis of each bench, in turn
            hits = hits.reshape(600, 3)[np.arange(600), np.arange(600) % 3]
        assert hits.size == 600 and 0.60 < hits.mean() < 0.76, (name, hits.mean())


def test_significant_anisotropy_is_found_at_depth_and_not_in_isotropic_mud(world, monkeypatch):
    ground, layout, positions = world
    rng = np.random.default_rng(2)

    def share_significant():
        frame, _ = simulator.measure(rng, simulator.draw_bench(rng), ground, layout, positions)
        velocity = bench.reduce_table(_read(frame), **STATED)["p_wave_velocity"]
        found = bench.anisotropy(velocity)
        assert found.attrs["pairs"] == len(positions)
        deep = found["core"].values == "2"
        return float(found["significant"].values[deep].mean())

    assert share_significant() > 0.95
    monkeypatch.setattr(simulator, "GREATEST_ANISOTROPY", 0.0)
    assert share_significant() < 0.25
