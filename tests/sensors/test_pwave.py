"""P-wave velocity: the published sensitivities, a synthetic bench, and the flags of bad times."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, seawater, units
from corephys.sensors import pwave


def _series(values, unit):
    values = np.atleast_1d(np.asarray(values, dtype=float))
    return xr.DataArray(values, dims="reading", attrs={"units": unit})


def _velocity(time, thickness, **keywords):
    given = {
        "delay": "8 us", "delay_uncertainty": "0.1 us", "liner_delay": "2.3 us",
        "liner_delay_uncertainty": "0.05 us", "wall": "2.6 mm",
        "core_diameter_uncertainty": "0.5 mm", "thickness_uncertainty": "0.02 mm",
        "travel_time_uncertainty": "0.03 us",
    }  # fmt: skip
    given.update(keywords)
    return pwave.velocity(_series(time, "us"), _series(thickness, "mm"), **given)


def _standards(rng=None, media=("acrylic", "water"), delay=7.9, two_walls=2.26):
    rows = []
    if "acrylic" in media:
        rows += [("acrylic", "none", x) for x in (20.0, 40.0, 60.0, 80.0)]
    if "water" in media:
        rows += [("water", "full", x) for x in (40.0, 52.0, 66.0, 80.0)]
    rows = rows * 3
    medium = np.array([r[0] for r in rows], dtype=object)
    liner = np.array([r[1] for r in rows], dtype=object)
    length = np.array([r[2] for r in rows])
    warm = np.full(length.shape, 19.5)
    water = seawater.sound_speed("0 g/kg", "19.5 degC", "0 dbar").to("m/s").magnitude
    time = delay + 1e3 * length / np.where(medium == "acrylic", 2740.0, water)
    time = time + np.where(liner == "full", two_walls, 0.0)
    if rng is not None:
        time = time + rng.normal(0.0, 0.03, time.shape)
    return {
        "length": _series(length, "mm"), "travel_time": _series(time, "us"),
        "temperature": _series(warm, "degC"), "medium": medium, "liner": liner, "wall": "2.6 mm",
        "liner_velocity": "2300 m/s", "liner_velocity_uncertainty": "50 m/s",
    }  # fmt: skip


def test_a_tenth_of_a_microsecond_and_half_a_millimetre():
    """At 1500 m/s and 70 mm: 3.2 m/s and 11 m/s (arithmetic of V = d / t)."""
    time = 8.0 + 2.3 + 70.0 / 1.5
    result = _velocity(time, 75.2)
    assert result["p_wave_velocity"].item() == pytest.approx(1500.0, abs=1e-9)
    effects = result["p_wave_velocity_effects"].sel(reading=0)
    assert effects.sel(source="pwave_delay").item() == pytest.approx(3.2, abs=0.05)
    assert effects.sel(source="core_diameter").item() == pytest.approx(10.7, abs=0.1)
    assert effects.sel(source="liner_delay").item() == pytest.approx(1.6, abs=0.05)


def test_signs_of_the_effects_are_those_of_a_finite_change():
    base = _velocity(54.3, 71.2)["p_wave_velocity"].item()
    longer = _velocity(54.3, 71.2, delay="8.1 us")["p_wave_velocity"].item()
    thicker = _velocity(54.3, 71.7)["p_wave_velocity"].item()
    effects = _velocity(54.3, 71.2)["p_wave_velocity_effects"].sel(reading=0)
    assert effects.sel(source="pwave_delay").item() == pytest.approx(longer - base, rel=5e-3)
    assert effects.sel(source="core_diameter").item() == pytest.approx(thicker - base, rel=5e-3)


def test_random_uncertainty_is_the_scatter_of_noisy_readings():
    rng = np.random.default_rng(4)
    size = 40_000
    result = _velocity(54.3 + rng.normal(0, 0.03, size), 71.2 + rng.normal(0, 0.02, size))
    scatter = float(result["p_wave_velocity"].std())
    assert float(result["p_wave_velocity_u_random"].mean()) == pytest.approx(scatter, rel=0.02)


def test_calibration_finds_the_bench_exactly_without_noise():
    calibration = pwave.calibrate(**_standards())
    assert calibration.liner_from == "standards"
    assert calibration.delay == pytest.approx(7.9, abs=1e-9)
    assert calibration.liner_delay == pytest.approx(2.26, abs=1e-9)
    assert calibration.medium_velocity["acrylic"] == pytest.approx(2740.0, abs=1e-6)
    assert np.abs(calibration.residual).max() < 1e-9


def test_stated_covariance_is_the_spread_over_repeated_calibrations():
    rng = np.random.default_rng(11)
    fits = [pwave.calibrate(**_standards(rng)) for _ in range(400)]
    found = np.array([(f.delay, f.liner_delay) for f in fits])
    spread = np.cov(found.T)
    stated = np.mean([f.covariance for f in fits], axis=0)
    np.testing.assert_allclose(np.diag(stated), np.diag(spread), rtol=0.25)
    assert stated[0, 1] < 0
    assert stated[0, 1] == pytest.approx(spread[0, 1], rel=0.35)


def test_liners_of_water_alone_fix_the_sum_of_delays_and_not_their_parts():
    """A wrong wall velocity leaves the velocity of a core in the same liner untouched."""
    keywords = _standards(media=("water",))
    right, wrong = (
        pwave.calibrate(**{**keywords, "liner_velocity": speed})
        for speed in ("2300 m/s", "2000 m/s")
    )
    assert right.liner_from == "wall_and_velocity"
    assert right.delay + right.liner_delay == pytest.approx(7.9 + 2.26, abs=1e-9)
    assert right.delay == pytest.approx(wrong.delay + wrong.liner_delay - right.liner_delay)
    u = np.array([1.0, 1.0])
    assert u @ right.covariance @ u == pytest.approx(0.0, abs=1e-12)
    assert right.liner_delay_uncertainty == pytest.approx(2 * 2.6e3 / 2300 * 50 / 2300)
    unknown = pwave.calibrate(**{**keywords, "liner_velocity_uncertainty": None})
    assert np.isnan(unknown.delay_uncertainty)


def test_standards_that_fix_nothing_are_refused():
    keywords = _standards(media=("acrylic",))
    one = {
        k: v[np.asarray(keywords["length"]) == 40.0] if hasattr(v, "shape") else v
        for k, v in keywords.items()
    }
    with pytest.raises(ValueError, match="at least two lengths"):
        pwave.calibrate(**one)
    with pytest.raises(ValueError, match="no temperature"):
        pwave.calibrate(**{**_standards(), "temperature": _series(np.full(24, np.nan), "degC")})
    with pytest.raises(ValueError, match="expected one of full, half, none"):
        pwave.calibrate(**{**_standards(), "liner": "split"})


def test_gap_and_walls_of_a_thin_core_in_water():
    """Time built layer by layer gives the core's own velocity back, liner full, half and none."""
    core, speed, fluid = 58.0, 2500.0, 1521.5
    for liner, walls in (("full", 2), ("half", 1), ("none", 0)):
        gap = 8.0
        time = 8.0 + walls * 2.6e3 / 2260.0 + 1e3 * gap / fluid + 1e3 * core / speed
        result = _velocity(
            time, core + gap + walls * 2.6, liner=liner, gap="8 mm",
            liner_delay=f"{2 * 2.6e3 / 2260.0} us",
        )  # fmt: skip
        assert result["p_wave_velocity"].item() == pytest.approx(speed, rel=1e-12)
        effect = result["p_wave_velocity_effects"].sel(source="core_diameter").item()
        assert effect == pytest.approx(speed / core * 0.5)


def test_liner_may_change_along_the_core():
    liner = xr.DataArray(np.array(["full", "half"], dtype=object), dims="reading")
    result = _velocity([54.3, 8.0 + 1.15 + 30.0 / 1.5], [71.2, 32.6], liner=liner)
    np.testing.assert_allclose(result["p_wave_velocity"], 1500.0)


def test_bad_times_and_weak_pulses_are_flagged_and_kept():
    amplitude = xr.DataArray([90.0, 5.0, 90.0, 90.0], dims="reading")
    result = _velocity(
        [54.3, 54.3, np.nan, 9.0], [71.2] * 4, amplitude=amplitude, amplitude_gate=10.0
    )
    names = [flags.names(r) for r in result["p_wave_velocity_reason"].values]
    assert names[0] == []
    assert names[1] == ["low_amplitude"]
    assert names[2] == ["missing_value"]
    assert names[3] == ["missing_value", "impossible_value"]
    assert result["p_wave_velocity_flag"].values.tolist() == [1, 3, 9, 9]
    assert np.isfinite(result["p_wave_velocity"].values[:2]).all()


def test_unknown_uncertainty_is_nan_and_missing_delay_is_refused():
    result = _velocity(54.3, 71.2, core_diameter_uncertainty=None)
    assert np.isnan(result["p_wave_velocity_u_systematic"]).all()
    with pytest.raises(ValueError, match="calibration"):
        _velocity(54.3, 71.2, delay=None)
    with pytest.raises(units.UnitError, match="us"):
        _velocity(54.3, 71.2, delay=8.0)


def test_calibrated_velocity_carries_the_calibration_as_a_source():
    rng = np.random.default_rng(3)
    calibration = pwave.calibrate(**_standards(rng))
    result = _velocity(
        7.9 + 2.26 + 44.0, 71.2, calibration=calibration, delay=None, liner_delay=None
    )
    assert abs(result["p_wave_velocity"].item() - 1500.0) < 4.0 * float(
        result["p_wave_velocity_u_systematic"].item()
    )
    sources = set(result["source"].values)
    assert sources == {"core_diameter", "pwave_calibration_1", "pwave_calibration_2"}
    partial = 1500.0 / 44.0
    stated = calibration.covariance.sum() ** 0.5 * partial
    found = np.hypot(*(
        result["p_wave_velocity_effects"].sel(source=f"pwave_calibration_{i}").item()
        for i in (1, 2)
    ))  # fmt: skip
    assert found == pytest.approx(stated, rel=1e-2)
