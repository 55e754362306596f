"""The profile that sound sees: overlaps, gaps and the long-wave average."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series, units
from corephys.products import seismic
from corephys.uncertainty import Measured


def pair(depth, density, velocity, core=None, u=(0.0, 0.0), effects=None, reason=0):
    """Density and velocity at the same positions."""
    depth = np.asarray(depth, dtype=float)
    places = {"depth": ("reading", depth)}
    if core is not None:
        places["core"] = ("reading", np.asarray(core, dtype=object))
    made = []
    for name, values, one, scale in (
        ("bulk_density", density, u[0], 1.0), ("p_wave_velocity", velocity, u[1], 1000.0),
    ):  # fmt: skip
        array = xr.DataArray(
            np.broadcast_to(np.asarray(values, float), depth.shape).copy(), dims="reading",
            coords=places,
        )  # fmt: skip
        made.append(series.build({name: Measured(
            array, one, {s: e * scale for s, e in (effects or {}).items()},
            xr.zeros_like(array, dtype=np.int64) + reason,
        )}))  # fmt: skip
    return made


def together(*arguments, **options):
    """Both in one Dataset."""
    density, velocity = pair(*arguments, **options)
    return density.assign({str(name): velocity[name] for name in velocity.data_vars})


def test_readings_of_two_cores_are_ordered_and_repeats_merged():
    depth = [0.0, 1.0, 2.0, 1.5, 2.004, 3.0]
    density = [1.5, 1.6, 1.7, 1.65, 1.8, 1.9]
    core = ["1", "1", "1", "2", "2", "2"]
    found = seismic.profile(*pair(depth, density, 1600.0, core), largest_gap="2 m")
    np.testing.assert_allclose(found["depth"], [0.0, 1.0, 1.5, 2.002, 3.0])
    np.testing.assert_allclose(found["bulk_density"], [1.5, 1.6, 1.65, 1.75, 1.9])
    assert found.attrs["readings_merged"] == 1
    assert np.all(np.diff(found["depth"]) > 0)


@pytest.mark.parametrize(
    ("overlap", "left", "depths"),
    [("upper_core", 2, [0.0, 1.0, 2.0, 3.0]), ("lower_core", 1, [0.0, 1.0, 1.5, 1.9, 3.0])],
)
def test_one_core_of_an_overlap_is_kept_and_the_other_counted(overlap, left, depths):
    pairs = pair([0.0, 1.0, 2.0, 1.5, 1.9, 3.0], 1.6, 1600.0, list("111222"))
    found = seismic.profile(*pairs, overlap=overlap, largest_gap="2 m")
    np.testing.assert_allclose(found["depth"], depths)
    assert found.attrs["readings_of_other_core"] == left


def test_flagged_readings_are_left_out_and_counted():
    reason = np.array([0, flags.bit("void"), 0, 0], dtype=np.int64)
    found = seismic.profile(*pair([0, 0.5, 1, 1.5], [1.5, 9.0, 1.5, 1.5], 1600.0, reason=reason))
    assert found.attrs["readings_left_out"] == 1
    assert found.sizes["reading"] == 3


def test_a_gap_is_filled_straight_flagged_and_listed():
    depth = np.concatenate([np.arange(0, 5.01, 0.05), np.arange(10, 15.01, 0.05)])
    true = 1.5 + 0.02 * depth
    found = seismic.profile(*pair(depth, true, 1000.0 * true), edge="1 cm")
    assert json.loads(found.attrs["gaps"]) == [[5.0, 10.0]]
    rows = found["filled"].values == 1
    assert rows.sum() == 49
    assert np.all(found["depth"].values[rows] > 5.0) and np.all(found["depth"].values[rows] < 10.0)
    np.testing.assert_allclose(found["bulk_density"], 1.5 + 0.02 * found["depth"], rtol=1e-9)
    bit = flags.bit("interpolated_input")
    np.testing.assert_array_equal(found["bulk_density_reason"].values & bit != 0, rows)
    assert np.all(found["bulk_density_flag"] == flags.GOOD)


def test_a_trend_bends_across_a_gap_and_meets_both_edges():
    depth = np.concatenate([np.arange(0, 5.01, 0.05), np.arange(10, 15.01, 0.05)])

    def curve(z):
        return 2.0 - 0.5 * np.exp(-z / 8.0)

    grid = np.linspace(-1, 16, 400)
    trend = together(grid, curve(grid) - 0.1, 1000.0 * curve(grid) + 30.0)
    found = seismic.profile(
        *pair(depth, curve(depth), 1000.0 * curve(depth)), fill="trend", trend=trend
    )
    np.testing.assert_allclose(found["bulk_density"], curve(found["depth"]), atol=2e-5)
    straight = seismic.profile(*pair(depth, curve(depth), 1000.0 * curve(depth)))
    assert np.max(np.abs(straight["bulk_density"] - curve(straight["depth"]))) > 0.01


def test_without_filling_the_gap_is_only_listed():
    found = seismic.profile(*pair([0, 0.5, 5, 5.5], 1.6, 1600.0), fill="none")
    assert found.sizes["reading"] == 4
    assert json.loads(found.attrs["gaps"]) == [[0.5, 5.0]]


def test_the_doubt_of_a_fill_is_the_scatter_beside_it():
    rng = np.random.default_rng(2)
    depth = np.concatenate([np.arange(0, 10, 0.02), np.arange(15, 25, 0.02)])
    density = 1.6 + 0.03 * rng.normal(size=depth.size)
    found = seismic.profile(*pair(depth, density, 1600.0))
    row = int(np.argmin(np.abs(found["depth"].values - 12.5)))
    effect = found["bulk_density_effects"].sel(source="gap_fill_density").values
    assert effect[row] == pytest.approx(0.03, rel=0.1)
    np.testing.assert_array_equal(effect[found["filled"].values == 0], 0.0)


def test_a_wrong_diameter_still_cancels_in_the_impedance_of_a_profile():
    density, velocity = pair(np.arange(5.0) * 0.1, 2.0, 1600.0)
    for data, name, effect in (
        (density, "bulk_density", -0.02), (velocity, "p_wave_velocity", 16.0),
    ):  # fmt: skip
        data[f"{name}_effects"] = ("source", "reading"), np.full((1, 5), effect)
        data.coords["source"] = ("source", np.array(["core_diameter"], dtype=object))
    found = seismic.profile(density, velocity)
    effects = found["acoustic_impedance_effects"].sel(source="core_diameter")
    np.testing.assert_allclose(effects, 0.0, atol=1e-12)
    averaged = seismic.backus(found, length="20 cm")
    effects = averaged["acoustic_impedance_effects"].sel(source="core_diameter")
    np.testing.assert_allclose(effects, 0.0, atol=1e-12)


def plain_average(depth, density, velocity, length):
    """The long-wave average row by row with overlaps of intervals: slow and obvious."""
    edges = np.concatenate([depth[:1], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
    rows = []
    for z in depth:
        low, high = z - length / 2, z + length / 2
        part = np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0, None)
        part = part / part.sum()
        modulus = 1.0 / np.sum(part / (density * velocity**2))
        rho = np.sum(part * density)
        rows.append((rho, np.sqrt(modulus / rho), 1e-3 * np.sqrt(modulus * rho)))
    return np.array(rows).T


def test_the_average_is_that_of_plain_sums_at_uneven_depths():
    rng = np.random.default_rng(4)
    depth = np.cumsum(rng.uniform(0.02, 0.4, 300))
    density, velocity = rng.uniform(1.4, 2.2, 300), rng.uniform(1500, 2400, 300)
    profile = seismic.profile(*pair(depth, density, velocity))
    found = seismic.backus(profile, length="3 m")
    expected = plain_average(depth, density, velocity, 3.0)
    names = ("bulk_density", "p_wave_velocity", "acoustic_impedance")
    for name, values in zip(names, expected, strict=True):
        np.testing.assert_allclose(found[name], values, rtol=1e-10)
    assert np.all(found["p_wave_velocity"].values <= velocity.max())


@pytest.mark.slow
def test_the_random_part_of_the_average_is_that_of_a_simulation():
    rng = np.random.default_rng(6)
    depth = np.arange(0, 20, 0.05)
    density, velocity = 1.7 + 0.1 * np.sin(depth), 1700 + 100 * np.cos(2 * depth)
    profile = seismic.profile(*pair(depth, density, velocity, u=(0.02, 10.0)))
    found = seismic.backus(profile, length="2 m")
    draws = np.array([
        plain_average(depth[150:250], (density + 0.02 * rng.normal(size=400))[150:250],
                      (velocity + 10 * rng.normal(size=400))[150:250], 2.0)[:, 50]
        for _ in range(1500)
    ])  # fmt: skip
    for k, name in enumerate(("bulk_density", "p_wave_velocity", "acoustic_impedance")):
        stated = float(found[f"{name}_u_random"][200])
        assert stated == pytest.approx(draws[:, k].std(), rel=0.1), name


def test_the_window_may_be_a_part_of_the_wavelength():
    profile = seismic.profile(*pair(np.arange(0, 60, 0.1), 1.8, 1800.0))
    found = seismic.backus(profile, frequency="130 Hz", fraction=0.25)
    np.testing.assert_allclose(found["quarter_wavelength"], 1800 / 130 / 4)
    assert float(found["averaging_length"][300]) == pytest.approx(1800 / 130 / 4)
    with pytest.raises(ValueError, match="give length="):
        seismic.backus(profile)


def test_smoothing_a_thin_bed_weakens_it_in_step_with_its_share_of_the_window():
    depth = np.arange(0, 40, 0.02)
    bed = np.abs(depth - 20) < 0.25
    profile = seismic.profile(*pair(depth, np.where(bed, 1.72, 1.7), 1600.0))
    contrast = []
    for length in ("0.5 m", "2 m"):
        z = seismic.backus(profile, length=length)["acoustic_impedance"].values
        contrast.append(z.max() - z.min())
    assert contrast[1] / contrast[0] == pytest.approx(0.25, rel=0.06)


def test_a_pile_of_one_rock_is_isotropic_and_layers_are_not():
    layer = {
        "thickness": units.quantity(np.array([1.0, 2.0]), "m"),
        "density": units.quantity(np.array([2.0, 2.0]), "g/cm^3"),
        "p_wave_velocity": units.quantity(np.array([2000.0, 2000.0]), "m/s"),
        "s_wave_velocity": units.quantity(np.array([900.0, 900.0]), "m/s"),
    }
    found = cp.seismic.layered_medium(**layer)
    for name in ("epsilon", "delta", "gamma"):
        assert float(found[name]) == pytest.approx(0.0, abs=1e-14)
    assert float(found["p_wave_velocity"]) == pytest.approx(2000.0)
    layer["s_wave_velocity"] = units.quantity(np.array([400.0, 1200.0]), "m/s")
    layer["p_wave_velocity"] = units.quantity(np.array([1700.0, 2600.0]), "m/s")
    found = cp.seismic.layered_medium(**layer)
    assert float(found["epsilon"]) > 0.0 and float(found["gamma"]) > 0.0
    # The stiffness along the layers is never below that across them.
    assert float(found["stiffness_m"]) > float(found["stiffness_l"])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: seismic.profile(*pair([0.0], 1.6, 1600.0)), "1 readings .* too few"),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 1600.0), fill="spline"), "fill is .spline"),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 1600.0), overlap="best"), "overlap is 'best'"),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 0.0)), "0 readings"),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 1600.0), fill="trend"), "needs trend="),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 1600.0), fill="trend",
                                 trend=together([0.2, 0.8], 1.6, 1600.0)), "cover them"),
        (lambda: seismic.profile(*pair([0, 1], 1.6, 1600.0), fill="trend",
                                 trend=together([2.0, 0.0], 1.6, 1600.0)), "increase"),
        (lambda: seismic.backus(together([1, 0], 1.6, 1600.0), length="1 m"), "increase"),
        (lambda: seismic.backus(together([0, 1], 1.6, [1600.0, 0.0]), length="1 m"),
         "1 values of p_wave_velocity"),
        (lambda: seismic.quarter_wavelength("1600 m/s", "0 Hz"), "frequency is 0 Hz"),
        (lambda: seismic.layered_medium(
            units.quantity(np.array([1.0]), "m"), units.quantity(np.array([2.0, 2.1]), "g/cm^3"),
            units.quantity(np.array([2000.0]), "m/s"), units.quantity(np.array([900.0]), "m/s"),
        ), "one value of each for every layer"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_bare_numbers_and_other_units_are_refused():
    with pytest.raises(units.UnitError, match="merge_within"):
        seismic.profile(*pair([0, 1], 1.6, 1600.0), merge_within=0.01)
    with pytest.raises(units.UnitError, match="length"):
        seismic.backus(seismic.profile(*pair([0, 1], 1.6, 1600.0)), length="2 s")
