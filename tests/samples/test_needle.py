"""Needle probe: formulas, windows against plain least squares, simulated runs, and bad input."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series, units
from corephys.numerics import cylinder
from corephys.samples import needle
from corephys.samples.needle import combining, drift, window_choice
from corephys.samples.needle import runs as needle_runs
from data_demo.simulator import needle as simulated

NAME = "thermal_conductivity"


def _column(values, unit):
    return xr.DataArray(np.asarray(values, dtype=float), dims="row", attrs={"units": unit})


def _table(curves, time, *, geometry="full_space", power=3.0, radius=1.0, names=None):
    """The long table of runs with the same times."""
    runs, samples = curves.shape
    names = np.arange(1, runs + 1).astype(str) if names is None else names
    columns = {
        "geometry": ("row", np.full(runs * samples, geometry, dtype=object)),
        "heating_power": _column(np.full(runs * samples, power), "W/m"),
        "time": _column(np.tile(time, runs), "s"),
        "temperature": _column(curves.ravel(), "degC"),
    }
    if radius is not None:
        columns["radius"] = _column(np.full(runs * samples, radius), "mm")
    run = np.repeat(np.asarray(names, dtype=object), samples)
    return xr.Dataset(columns, coords={"run": ("row", run)})


def _simulated(runs, seed, *, half=False, loose=False, step=2.0, end=240.0, drift=2e-5,
               noise=1e-3, conductivity=None):  # fmt: skip
    rng = np.random.default_rng(seed)
    time = np.arange(-60.0, end + step / 2.0, step)
    truth = rng.uniform(0.85, 1.5, runs) if conductivity is None else np.full(runs, conductivity)
    curves = []
    for k in truth:
        film = rng.uniform(*(simulated.LOOSE_FILM if loose else simulated.FILM))
        heat = 1e6 * rng.uniform(3.0, 3.7)
        rise = simulated.rise(time, k, heat, 3.0, 0.6 / film, half)
        noisy = 20.0 + rise + rng.normal(0, drift) * time + rng.normal(0, noise, time.size)
        curves.append(np.round(noisy, 4))
    geometry = "half_space" if half else "full_space"
    return _table(np.array(curves), time, geometry=geometry), truth


def test_half_space_is_twice_full_space():
    full = needle.conductivity_from_slope("0.24 K", "3 W/m")
    half = needle.conductivity_from_slope("0.24 K", "3 W/m", "half_space")
    assert half.magnitude == pytest.approx(2 * full.magnitude)
    assert full.check("W/(m K)")
    with pytest.raises(ValueError, match="quarter"):
        needle.conductivity_from_slope("0.24 K", "3 W/m", "quarter")
    with pytest.raises(units.UnitError, match="slope"):
        needle.conductivity_from_slope(0.24, "3 W/m")


def test_two_times_give_the_printed_row():
    """22.1 and 22.431 degC at 20 and 80 s with 3 W/m: 0.999859215 (Blum 1997, chapter 8)."""
    args = ("20 s", "80 s", "22.1 degC", "22.431 degC", "3 W/m")
    full = needle.conductivity_from_two_times(*args)
    assert full.to("W/(m K)").magnitude == pytest.approx(0.999859215, abs=1e-8)
    half = needle.conductivity_from_two_times(*args, "half_space")
    assert half.to("W/(m K)").magnitude == pytest.approx(1.99971843, abs=2e-8)


def test_cylinder_tends_to_the_line_source_late():
    keys = {"heating_power": "3 W/m", "conductivity": "1 W/(m K)", "radius": "1 mm"}
    heat = {
        "volumetric_heat_capacity": "3.3 MJ/(m^3 K)", "needle_heat_capacity": "9.6 J/(m K)",
    }  # fmt: skip
    time = units.quantity(np.array([1e4, 1e5]), "s")
    wide = needle.cylinder_rise(time, **heat, **keys)
    line = needle.line_source_rise(time, diffusivity=f"{1 / 3.3e6!r} m^2/s", **keys)
    np.testing.assert_allclose(wide.magnitude, line.magnitude, rtol=2e-4)
    early = needle.cylinder_rise("10 s", **heat, **keys).to("K").magnitude
    alpha = 2 * np.pi * 1e-6 * 3.3e6 / 9.6
    expected = 3.0 / (4 * np.pi) * cylinder.heating(alpha, 10.0 / 3.3)
    assert early == pytest.approx(expected, rel=1e-12)


def test_expansion_holds_at_late_times():
    """Both regressors against the exact transform with contact: the rest falls as 1 / t^2."""
    k, heat, film = 1.1, 3.4e6, 1.5e-4
    warm = np.array([k / heat / 1e-6])
    contact = np.array([k * film / (1e-3 * 0.6)])
    ratio = simulated.PROBE_HEAT_CAPACITY / (np.pi * 1e-6 * heat)
    rest = []
    for time in (100.0, 400.0):
        t = np.array([[time]])
        line, early = window_choice.regressors(t, warm, contact)
        level = np.log(4 * warm) - np.euler_gamma + 2 * contact
        series = level + line[0] - ratio * early[0] / (2 * warm)
        exact = simulated.rise(t[0], k, heat, 3.0, 0.6 / film, False) * 4 * np.pi * k / 3.0
        rest.append(float(abs(series - exact)[0]))
    assert rest[0] < 2e-3
    assert rest[1] < rest[0] / 8


@pytest.mark.slow
@pytest.mark.parametrize("half", [False, True])
def test_simulated_runs_are_unbiased_with_honest_uncertainty(half):
    table, truth = _simulated(240, 5, half=half)
    found = needle.thermal_conductivity(table, heating_power_uncertainty="1 %")
    good = found[f"{NAME}_flag"].values == flags.GOOD
    assert good.mean() > 0.95
    error = (found[NAME].values - truth)[good]
    assert abs(np.mean(error / truth[good])) < 0.005
    inside = np.abs(error) <= found[f"{NAME}_u_random"].values[good]
    assert 0.60 <= inside.mean() <= 0.76
    effects = found[f"{NAME}_effects"]
    np.testing.assert_allclose(effects.sel(source="heating_power"), 0.01 * found[NAME])
    assert np.abs(effects.sel(source="heat_capacity") / found[NAME]).max() < 0.005
    assert (found["window_start"] >= 10.0).all()
    assert (found["window_end"] <= 240.0).all()


def test_slope_in_the_window_is_least_squares_of_all_that_was_measured():
    """Against numpy.linalg.lstsq on the same rows, with the contact and conductivity found."""
    table, _ = _simulated(3, 8)
    found = needle.thermal_conductivity(table)
    time = table["time"].values.reshape(3, -1)
    temperature = table["temperature"].values.reshape(3, -1)
    for i in range(3):
        k = float(found[NAME][i])
        warm, contact = np.array([k / 3.3e6 / 1e-6]), found["contact_resistance"].values[i : i + 1]
        t, y = time[i], temperature[i]
        before = t <= 0
        window = (t >= float(found["window_start"][i])) & (t <= float(found["window_end"][i]))
        line, early = window_choice.regressors(t[window][None], warm, contact)
        design = np.zeros((before.sum() + window.sum(), 5))
        design[: before.sum(), 0] = 1.0
        design[before.sum() :, 1] = 1.0
        design[:, 2] = np.concatenate([t[before], t[window]])
        design[before.sum() :, 3], design[before.sum() :, 4] = line[0], early[0]
        values = np.concatenate([y[before], y[window]])
        answer = np.linalg.lstsq(design, values, rcond=None)[0]
        assert float(found["slope"][i]) == pytest.approx(answer[3], rel=1e-5)
        assert float(found["drift"][i]) == pytest.approx(answer[2], rel=1e-4)


def test_drift_is_taken_off():
    table, _ = _simulated(40, 9, drift=0.0, noise=5e-4)
    moved = table.copy()
    moved["temperature"] = table["temperature"] + 4e-5 * table["time"].values
    moved["temperature"].attrs = table["temperature"].attrs
    plain, shifted = (needle.thermal_conductivity(t) for t in (table, moved))
    apart = np.abs(shifted[NAME] / plain[NAME] - 1.0).values
    # A drift may bend: what its shape leaves open is stated as an effect of its own.
    shape = np.abs(shifted[f"{NAME}_effects"].sel(source="drift") / plain[NAME]).values
    assert np.all(apart < 2e-3 + shape)
    assert np.median(apart) < 5e-4


def test_drift_is_judged_by_the_error_that_it_leaves():
    """0.5 mK/s is 15 % of the slope, and is measured to 0.3 % of it."""
    table, truth = _simulated(20, 10)
    table["temperature"] = table["temperature"] + 5e-4 * table["time"].values
    table["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(table)
    assert np.all(np.abs(found["drift_share"]) > 0.05)
    assert np.all(found["drift_error"] < 0.01)
    assert (found[f"{NAME}_flag"] == flags.GOOD).all()
    np.testing.assert_allclose(found[NAME], truth, rtol=0.03)
    # Six noisy samples before heating leave far more open.
    short = table.isel(row=table["time"].values > -11.0)
    noise = np.random.default_rng(1).normal(0, 0.01, short.sizes["row"])
    short["temperature"] = short["temperature"] + noise
    short["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(short)
    assert np.all(found["drift_error"] > 0.03)
    marked = (found[f"{NAME}_reason"].values & flags.bit("drift")) != 0
    assert marked.all()


def test_drift_that_was_not_measured_is_suspect_and_its_effect_unknown():
    heated = _simulated(2, 10)[0]
    heated = heated.isel(row=heated["time"].values > 0)
    found = needle.thermal_conductivity(heated)
    assert "drift" in flags.names(found[f"{NAME}_reason"][0])
    assert np.isfinite(found[NAME]).all()
    assert np.isnan(found[f"{NAME}_effects"].sel(source="drift")).all()
    assert np.isnan(found[f"{NAME}_u_systematic"]).all()


def test_loose_contact_is_flagged_and_good_contact_is_not():
    loose = needle.thermal_conductivity(_simulated(30, 11, loose=True)[0])
    assert ((loose[f"{NAME}_reason"].values & flags.bit("poor_contact")) != 0).all()
    firm = needle.thermal_conductivity(_simulated(60, 12)[0])
    assert ((firm[f"{NAME}_reason"].values & flags.bit("poor_contact")) == 0).all()


def test_convection_is_not_taken_for_conduction():
    """A curve that levels off because the pore water moves: the late part must not be used."""
    table, _ = _simulated(20, 13, conductivity=1.0)
    time = table["time"].values
    late = np.clip(time - 120.0, 0.0, None)
    table["temperature"] = table["temperature"] - 1.2e-3 * late
    table["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(table)
    early = found["window_end"].values < 175.0
    doubtful = found[f"{NAME}_flag"].values != flags.GOOD
    assert (early | doubtful).all()


def test_boundary_that_heat_reaches_shortens_the_window():
    table, _ = _simulated(20, 14, conductivity=1.0, drift=0.0)
    whole = needle.thermal_conductivity(table)
    time = table["time"].values
    table["temperature"] = table["temperature"] + 8e-6 * np.clip(time - 130.0, 0, None) ** 2
    table["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(table)
    assert (whole["window_end"] > 200.0).all()
    assert (found["window_end"] < 180.0).all()
    # Shorter windows say less, and say so.
    assert (found[f"{NAME}_u_random"] > whole[f"{NAME}_u_random"]).all()


def test_run_shorter_than_the_shortest_window_has_no_value_and_a_reason():
    table, _ = _simulated(2, 15, end=30.0)
    found = needle.thermal_conductivity(table, minimum_window="20 s")
    assert np.isnan(found[NAME]).all()
    assert "no_window" in flags.names(found[f"{NAME}_reason"][0])
    assert (found[f"{NAME}_flag"] == flags.MISSING).all()


def test_a_time_that_comes_twice_is_marked_and_the_other_runs_are_kept():
    table, _ = _simulated(3, 16)
    time = table["time"].values.copy()
    samples = time.size // 3
    time[samples + 81] = time[samples + 80]
    table["time"] = _column(time, "s")
    found = needle.thermal_conductivity(table)
    assert np.isnan(found[NAME][1])
    assert "bad_cell" in flags.names(found[f"{NAME}_reason"][1])
    assert np.isfinite(found[NAME].values[[0, 2]]).all()


def test_rows_of_a_run_in_another_order_are_the_same_run():
    table, _ = _simulated(3, 16)
    size = table["time"].size
    found = needle.thermal_conductivity(table)
    order = np.random.default_rng(4).permutation(size)
    mixed = needle.thermal_conductivity(table.isel({table["time"].dims[0]: order}))
    assert (mixed[f"{NAME}_flag"] == 1).all()
    runs = np.argsort(mixed["run"].values)[np.argsort(np.argsort(found["run"].values))]
    for end in ("", "_u_random", "_u_systematic"):
        np.testing.assert_allclose(
            mixed[NAME + end].values[runs], found[NAME + end].values, rtol=1e-9
        )


def test_missing_heating_power_is_a_clear_error_or_a_missing_value():
    table, _ = _simulated(2, 17)
    with pytest.raises(ValueError, match="no heating_power"):
        needle.thermal_conductivity(table.drop_vars("heating_power"))
    power = table["heating_power"].values.copy()
    power[: power.size // 2] = np.nan
    table["heating_power"] = _column(power, "W/m")
    found = needle.thermal_conductivity(table)
    assert np.isnan(found[NAME][0])
    assert found[f"{NAME}_flag"][0] == flags.MISSING
    assert np.isfinite(found[NAME][1])
    with pytest.raises(ValueError, match="'ring'; expected one of full_space, half_space"):
        needle.thermal_conductivity(_table(np.zeros((1, 40)), np.arange(40.0), geometry="ring"))


def test_gaps_and_runs_of_different_length_do_not_disturb_each_other():
    short, _ = _simulated(1, 18, end=160.0)
    long, _ = _simulated(2, 19)
    alone = [needle.thermal_conductivity(t)[NAME].values for t in (short, long)]
    short["run"] = ("row", np.full(short.sizes["row"], "short", dtype=object))
    joined = xr.concat([long, short], dim="row")
    shuffled_runs = needle.thermal_conductivity(joined)[NAME].values
    np.testing.assert_allclose(shuffled_runs, np.concatenate(alone[::-1]), rtol=1e-9)
    gaps = long.copy(deep=True)
    gaps["temperature"][40] = np.nan
    found = needle.thermal_conductivity(gaps)[NAME].values
    np.testing.assert_allclose(found, alone[1], rtol=0.02)


def test_without_a_radius_the_slope_stands_and_the_early_terms_are_unknown():
    table, truth = _simulated(20, 20)
    found = needle.thermal_conductivity(table.drop_vars("radius"), heating_power_uncertainty="1 %")
    np.testing.assert_allclose(found[NAME], truth, rtol=0.04)
    assert np.isnan(found[f"{NAME}_effects"].sel(source="heat_capacity")).all()
    assert np.isnan(found["contact_resistance"]).all()


def test_unknown_power_uncertainty_is_nan():
    found = needle.thermal_conductivity(_simulated(1, 21)[0])
    assert np.isnan(found[f"{NAME}_u_systematic"]).all()
    assert np.isfinite(found[f"{NAME}_u_random"]).all()
    stated = needle.thermal_conductivity(
        _simulated(1, 21)[0], volumetric_heat_capacity="3.3 MJ/(m^3 K)"
    )
    assert np.isnan(stated[f"{NAME}_effects"].sel(source="heat_capacity")).all()
    np.testing.assert_allclose(stated[NAME], found[NAME])


def test_inflation_follows_the_autocorrelation():
    rng = np.random.default_rng(22)
    white = rng.normal(size=(50, 400))
    red = white.copy()
    for i in range(1, 400):
        red[:, i] += 0.7 * red[:, i - 1]
    inside = np.ones(white.shape, bool)
    assert np.median(drift.inflation(white, inside)) == 1.0
    assert np.median(drift.inflation(red, inside)) == pytest.approx(1.7 / 0.3, rel=0.1)


def test_excluded_runs_are_reduced_and_marked():
    table, _ = _simulated(2, 23)
    reason = np.zeros(table.sizes["row"], np.int64)
    reason[: reason.size // 2] = flags.bit("excluded_by_user")
    reason[-3] = flags.bit("bad_cell")
    table["reason"] = ("row", reason)
    found = needle.thermal_conductivity(table)
    assert np.isfinite(found[NAME]).all()
    assert flags.names(found[f"{NAME}_reason"][0]) == ["excluded_by_user"]
    assert found[f"{NAME}_flag"].values.tolist() == [flags.BAD, flags.GOOD]
    assert needle_runs.gather(table).first.tolist() == [0, table.sizes["row"] // 2]


# Long runs: means of neighbouring samples.


def test_means_of_a_long_run_give_the_conductivity_of_its_samples(monkeypatch):
    table, _ = _simulated(3, 5, step=0.08)
    means = needle.thermal_conductivity(table)
    assert means["samples_in_mean"].values.tolist() == [2.0] * 3
    monkeypatch.setattr(needle_runs, "MOST", 10**9)
    samples = needle.thermal_conductivity(table)
    assert "samples_in_mean" not in samples
    apart = np.abs(means[NAME] - samples[NAME])
    assert (apart < 0.5 * samples[f"{NAME}_u_random"]).all()
    ratio = means[f"{NAME}_u_random"] / samples[f"{NAME}_u_random"]
    assert ((ratio > 0.6) & (ratio < 1.6)).all()
    np.testing.assert_array_equal(means[f"{NAME}_flag"], samples[f"{NAME}_flag"])


def test_a_run_beside_a_long_one_keeps_its_conductivity():
    short, _ = _simulated(3, 8)
    long, _ = _simulated(1, 9, step=0.05)
    alone = needle.thermal_conductivity(short)
    long["run"] = long["run"].copy(data=np.full(long.sizes["row"], "long", dtype=object))
    both = needle.thermal_conductivity(xr.concat([short, long], "row"))
    assert both["samples_in_mean"].values.tolist() == [1.0, 1.0, 1.0, 3.0]
    for name in (NAME, f"{NAME}_u_random", "window_start", "window_end", "contact_resistance"):
        np.testing.assert_allclose(both[name][:3], alone[name], rtol=1e-9)


@pytest.mark.parametrize("shared", [1, 5])
def test_uncertainty_of_means_covers_the_scatter_of_runs(monkeypatch, shared):
    """Also where neighbours share their error, so that a mean of five is no better than one."""
    monkeypatch.setattr(needle_runs, "MOST", 300)
    rng = np.random.default_rng(shared)
    table, _ = _simulated(1, 3, step=0.2, conductivity=1.1, noise=0.0, drift=0.0)
    samples = table.sizes["row"]
    many = xr.concat([table] * 60, "row")
    many["run"] = ("row", np.repeat(np.arange(60), samples).astype(str).astype(object))
    errors = np.repeat(rng.normal(0, 2e-3, (60, -(-samples // shared))), shared, axis=1)
    many["temperature"] = many["temperature"] + errors[:, :samples].ravel()
    many["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(many, cross_check=False)
    assert (found["samples_in_mean"] == 5).all()
    apart = np.abs(found[NAME] - found[NAME].mean()).values
    inside = apart < 2.0 * found[f"{NAME}_u_random"].values
    assert inside.mean() >= 0.85


def test_means_before_and_after_the_start_are_of_equally_many_samples():
    groups = needle_runs._Groups.of_runs(
        np.array([200, 10**6, 10**6, 100, 10**6]), np.array([30, 10**5, 60, 10**6, 3])
    )
    assert groups.after.tolist() == [1, 500, 500, 1, 500]
    assert groups.before.tolist() == [1, 500, 12, 500, 500]
    assert groups.taken.tolist() == [1, 500, 12, 1, 500]
    time = np.concatenate([-np.arange(60.0)[::-1], np.linspace(0.01, 600.0, 10_001)])
    rows, run = np.zeros(time.size, int), needle_runs._Groups(*np.array([[7], [4], [3]]))
    heated = run.means(time > 0, rows, time, 2.0 + np.log(np.maximum(time, 0.01)), heated=True)
    assert heated[0].size == -(-10_001 // 7)
    np.testing.assert_allclose(heated[3], 2.0 + np.log(heated[2]), rtol=1e-12)
    np.testing.assert_allclose(heated[2][-1], np.exp(np.log(time[-3:]).mean()))
    np.testing.assert_allclose(
        run.means(time <= 0, rows, time, time, heated=False)[2], np.arange(-57.0, 0.0, 4.0)
    )


def test_a_million_samples_need_little_memory():
    table, _ = _simulated(1, 2, step=0.0003)
    assert table.sizes["row"] == 1_000_001
    tracemalloc.start()
    found = needle.thermal_conductivity(table)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert np.isfinite(found[NAME].values).all()
    assert most < 40 * table.nbytes / 8  # a few columns of the table, and no square of its rows


def _runs(values, random, positions):
    coords = {
        "core": ("reading", np.full(len(values), "1", dtype=object)),
        "section": ("reading", np.full(len(values), "2", dtype=object)),
        "offset": ("reading", np.asarray(positions, dtype=float)),
    }
    array = xr.DataArray(np.asarray(values, dtype=float), dims="reading", coords=coords)
    effects = {"heating_power": 0.01 * array}
    return series.build({NAME: cp.uncertainty.Measured(array, np.asarray(random), effects)})


def test_repeats_give_the_weighted_mean_and_keep_common_errors():
    runs = _runs([1.00, 1.02, 1.5], [0.01, 0.02, 0.01], [10.0, 10.0, 40.0])
    found = needle.combine_repeats(runs)
    assert found.sizes["reading"] == 2
    expected = (1.00 / 1e-4 + 1.02 / 4e-4) / (1 / 1e-4 + 1 / 4e-4)
    assert float(found[NAME][0]) == pytest.approx(expected)
    assert float(found[f"{NAME}_u_random"][0]) == pytest.approx((1 / 1e-4 + 1 / 4e-4) ** -0.5)
    np.testing.assert_allclose(found[f"{NAME}_effects"][0], 0.01 * found[NAME])
    assert found["repeats"].values.tolist() == [2, 1]
    assert (found[f"{NAME}_flag"] == flags.GOOD).all()


def test_repeats_that_disagree_are_suspect_and_wider():
    found = needle.combine_repeats(_runs([1.0, 1.3], [0.01, 0.01], [10.0, 10.0]))
    assert "repeats_disagree" in flags.names(found[f"{NAME}_reason"][0])
    assert float(found[f"{NAME}_u_random"][0]) == pytest.approx(0.15, rel=1e-6)


def test_a_bad_repeat_is_left_out_of_the_mean():
    runs = _runs([1.0, 7.9, 1.01], [0.01, 0.01, 0.01], [10.0, 10.0, 10.0])
    found = needle.combine_repeats(runs)
    assert float(found[NAME][0]) == pytest.approx(1.005)
    assert found["repeats_used"].values.tolist() == [2]
    alone = needle.combine_repeats(_runs([7.9], [0.01], [10.0]))
    assert alone[f"{NAME}_flag"][0] == flags.SUSPECT
    assert combining.LARGEST_SPREAD == 0.05
