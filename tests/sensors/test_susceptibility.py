"""Susceptibility: drift, volume, units, and the counter that begins again."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags
from corephys.ground.series import PositionError
from corephys.ground.units import UnitError

S = cp.susceptibility
NO_BASELINE = flags.bit("no_baseline")


def readings(values: object, **coords: object) -> xr.DataArray:
    placed = {key: ("reading", np.asarray(part)) for key, part in coords.items()}
    return xr.DataArray(np.asarray(values, dtype=float), dims="reading", coords=placed)


def hours(values: object) -> object:
    return cp.quantity(3600.0 * np.asarray(values, dtype=float), "s")


# Baseline ----------------------------------------------------------------------------------------


def test_a_straight_drift_is_taken_off_whole() -> None:
    air = np.array([0.0, 1.0, 2.5, 4.0])
    when = np.linspace(0.0, 4.0, 33)
    baseline = S.drift_baseline(hours(when), hours(air), 2.0 - 0.7 * air)
    np.testing.assert_allclose(baseline.values, 2.0 - 0.7 * when, atol=1e-12)
    np.testing.assert_allclose(baseline.uncertainty, 0.0, atol=1e-12)
    assert not np.any(baseline.reason)


def test_the_baseline_is_held_outside_and_far_readings_say_so() -> None:
    baseline = S.drift_baseline(
        hours([-5.0, -0.5, 0.5, 1.4, 9.0]), hours([0.0, 1.0]), [3.0, 5.0], span="1 hour"
    )
    np.testing.assert_allclose(baseline.values, [3.0, 3.0, 4.0, 5.0, 5.0])
    np.testing.assert_array_equal(baseline.reason, [NO_BASELINE, 0, 0, 0, NO_BASELINE])
    assert np.isnan(baseline.uncertainty).all()  # two readings in air, and none stated


def test_a_long_gap_between_air_readings_is_doubted_in_its_middle() -> None:
    baseline = S.drift_baseline(hours([1.0, 10.0, 19.0]), hours([0.0, 20.0]), [0.0, 1.0])
    np.testing.assert_array_equal(baseline.reason, [0, NO_BASELINE, 0])


def test_order_repeats_and_missing_air_readings() -> None:
    baseline = S.drift_baseline(
        hours([0.5, np.nan]), hours([1.0, 0.0, 1.0, 0.5, np.nan]), [4.0, 0.0, 6.0, np.nan, 7.0],
        air_uncertainty=0.2,
    )  # fmt: skip
    np.testing.assert_allclose(baseline.values, [2.5, np.nan])
    np.testing.assert_allclose(baseline.uncertainty, [np.hypot(0.1, 0.1 / 2**0.5), np.nan])
    np.testing.assert_array_equal(baseline.reason, [0, NO_BASELINE])


def test_calendar_times_are_the_same_as_seconds() -> None:
    start = np.datetime64("2031-05-02T10:00:00")
    air = start + np.array([0, 3600], dtype="timedelta64[s]")
    when = xr.DataArray(start + np.array([900, 1800], dtype="timedelta64[s]"), dims="reading")
    baseline = S.drift_baseline(when, air, [0.0, 4.0])
    np.testing.assert_allclose(baseline.values.values, [1.0, 2.0])
    assert baseline.values.dims == ("reading",)


def test_the_uncertainty_of_the_baseline_is_its_true_scatter() -> None:
    """Simulated: noise of air readings on a slow swing; the error of the line is what it says."""
    rng = np.random.default_rng(5)
    air = np.arange(0.0, 200.0, 0.5)
    when = rng.uniform(0.0, 199.0, 4000)

    def true(t: np.ndarray) -> np.ndarray:
        return np.sin(t / 12.0)

    baseline = S.drift_baseline(hours(when), hours(air), true(air) + rng.normal(0, 0.4, air.size))
    error = (baseline.values - true(when)) / baseline.uncertainty
    assert np.std(error) == pytest.approx(1.0, abs=0.1)


def test_errors_of_the_baseline() -> None:
    with pytest.raises(ValueError, match="none of 1 readings in air has both a time and a value"):
        S.drift_baseline(hours([1.0]), hours([np.nan]), [1.0])
    with pytest.raises(UnitError, match="two kinds"):
        S.drift_baseline(hours([1.0]), np.array(["2031-05-02"], dtype="datetime64[s]"), [1.0])
    with pytest.raises(UnitError, match="air_time: expected a quantity in s"):
        S.drift_baseline(hours([1.0]), np.array([1.0]), [1.0])


# Volume and units --------------------------------------------------------------------------------


def test_the_two_forms_of_the_factor_agree_as_their_notes_say() -> None:
    size = cp.quantity(np.linspace(58.0, 70.0, 49), "mm")
    ratio = S.volume_factor_quadratic(size, "80 mm") / S.volume_factor(size, "80 mm") - 1.0
    assert np.abs(ratio).max() == pytest.approx(0.024, abs=0.0015)


def test_a_core_that_does_not_pass_the_loop_is_refused() -> None:
    for factor in (S.volume_factor, S.volume_factor_quadratic):
        with pytest.raises(ValueError, match="at most loop_diameter"):
            factor("90 mm", "80 mm")
    with pytest.raises(UnitError, match="core_diameter: expected a quantity in mm"):
        S.volume_factor(66.0, "80 mm")


@pytest.mark.parametrize("unit", ["1e-8 m^3/kg", "m^3/kg", "cm^3/g", "1e-6 cm3 g-1"])
def test_susceptibility_by_mass_is_refused(unit: str) -> None:
    with pytest.raises(UnitError, match=r"by mass.*bulk density first"):
        S.to_si(1.0, unit)


def test_units_that_are_not_known() -> None:
    with pytest.raises(UnitError, match=r"unit is 'si'; expected one of '1e-5 SI'"):
        S.to_si(1.0, "si")
    wrong = readings([1.0]).assign_attrs(units="mV")
    with pytest.raises(UnitError, match="reading has the unit 'mV'"):
        S.to_si(wrong, "SI")


# The whole ---------------------------------------------------------------------------------------


def reduced(reading: object = 400.0, diameter: float = 66.0, **given: object) -> xr.Dataset:
    settings: dict = {"unit": "1e-5 SI", "core_diameter": f"{diameter} mm",
                      "loop_diameter": "80 mm", **given}  # fmt: skip
    return S.magnetic_susceptibility(readings(np.atleast_1d(reading)), **settings)


def test_effects_are_what_a_shifted_input_does() -> None:
    shift = 0.01
    base = reduced(reading_uncertainty=0.3, core_diameter_uncertainty=f"{shift} mm")
    moved = reduced(diameter=66.0 + shift).magnetic_susceptibility
    effects = base.magnetic_susceptibility_effects.sel
    change = float((moved - base.magnetic_susceptibility).item())
    assert effects(source="core_diameter").item() == pytest.approx(change, rel=1e-3)
    kappa = base.magnetic_susceptibility.item()
    assert effects(source="loop_factor").item() == pytest.approx(-0.02 * kappa)
    slope = float((reduced(401.0) - reduced(400.0)).magnetic_susceptibility.item())
    assert base.magnetic_susceptibility_u_random.item() == pytest.approx(0.3 * slope)


def test_what_is_not_known_is_nan() -> None:
    bare = reduced()
    assert np.isnan(bare.magnetic_susceptibility_u_random).all()
    assert np.isnan(bare.magnetic_susceptibility_effects.sel(source="core_diameter")).all()
    constant = reduced(baseline=2.0, reading_uncertainty=0.3)
    assert np.isnan(constant.magnetic_susceptibility_u_random).all()
    loose = reduced(loop_diameter=None, reading_uncertainty=0.3, core_diameter_uncertainty="1 mm")
    assert np.isnan(loose.magnetic_susceptibility_u_systematic).all()
    assert loose.magnetic_susceptibility.item() == pytest.approx(400e-5)
    assert "the loop is not known" in loose.attrs["steps"]


def test_baseline_brings_its_uncertainty_and_reasons() -> None:
    when = cp.quantity(3600.0 * np.array([0.0, 0.5, 90.0]), "s")
    baseline = S.drift_baseline(when, hours([0.0, 1.0]), [1.0, 3.0], air_uncertainty=0.4)
    out = reduced([101.0, 102.0, 103.0], baseline=baseline, reading_uncertainty=0.3)
    kappa = out.magnetic_susceptibility.values
    np.testing.assert_allclose(kappa, 100e-5 / float(S.volume_factor("66 mm", "80 mm")))
    u = out.magnetic_susceptibility_u_random.values / kappa * 100.0
    np.testing.assert_allclose(u, [0.5, np.hypot(0.3, 0.4 / 2**0.5), 0.5])
    assert [bool(m & NO_BASELINE) for m in out.magnetic_susceptibility_reason.values] == [
        False, False, True,
    ]  # fmt: skip


def test_readings_are_kept_and_doubted_and_rows_stay() -> None:
    given = readings([-1.0, np.nan, 30.0, 30.0], core=["1"] * 4)
    size = xr.DataArray([66.0, 66.0, 90.0, 60.0], dims="reading", attrs={"units": "mm"})
    before = given.copy(deep=True)
    out = S.magnetic_susceptibility(
        given, unit="1e-5 SI", core_diameter=size.assign_coords(core=given.core),
        loop_diameter="80 mm", reason=flags.bit("spike"),
    )  # fmt: skip
    xr.testing.assert_identical(given, before)
    words = [flags.names(mask) for mask in out.magnetic_susceptibility_reason.values]
    assert words == [["spike"], ["missing_value", "spike"],
                     ["missing_value", "spike", "impossible_value"], ["spike"]]  # fmt: skip
    assert out.magnetic_susceptibility.values[0] < 0  # water and carbonate are diamagnetic


def test_an_archive_value_is_not_corrected_twice() -> None:
    with pytest.raises(ValueError, match=r"corrected for volume twice.*volume_corrected=False"):
        reduced(volume_corrected=True)
    out = reduced(volume_corrected=True, loop_diameter=None, unit="1e-6 cgs")
    assert out.magnetic_susceptibility.item() == pytest.approx(400e-6 * 4.0 * np.pi)
    assert json.loads(out.attrs["steps"])[-1].endswith("already corrected for volume")


def test_other_errors_of_the_whole() -> None:
    with pytest.raises(ValueError, match="core_diameter is not"):
        reduced(core_diameter=None)
    with pytest.raises(UnitError, match="by mass"):
        reduced(unit="m^3/kg")
    here, there = readings([1.0], offset=[1.0]), readings([1.0], offset=[2.0])
    with pytest.raises(PositionError, match="baseline lie at different positions"):
        S.magnetic_susceptibility(here, unit="SI", baseline=there)


# The counter -------------------------------------------------------------------------------------

RANGE = 10_000.0
WRAPPED = flags.bit("counter_wrapped")


def bed(top: float, size: int = 60, width: float = 2.5) -> np.ndarray:
    """Readings across a strong bed, as a smooth response sees it."""
    x = np.arange(size) - size // 2
    return 40.0 + top * np.exp(-0.5 * (x / width) ** 2)


@pytest.mark.parametrize("top", [10_400.0, 13_000.0, 17_000.0, 23_000.0])
def test_a_wrapped_bed_is_joined_again(top: float) -> None:
    true = bed(top, width=5.0 if top > 15_000 else 2.5)
    out = S.suggest_unwrapping(readings(true % RANGE), counter_range=RANGE)
    np.testing.assert_allclose(out.suggested_reading, true)
    np.testing.assert_array_equal(out.suggested_ranges, true // RANGE)
    np.testing.assert_array_equal(out.reason != 0, true >= RANGE)
    assert set(np.unique(out.reason)) <= {0, WRAPPED}


def test_the_readings_stay_and_the_note_says_what_cannot_be_known() -> None:
    given = readings(bed(13_000.0) % RANGE, core=["4"] * 60)
    before = given.copy(deep=True)
    out = S.suggest_unwrapping(given, counter_range=RANGE)
    xr.testing.assert_identical(given, before)
    assert "cannot be known" in out.attrs["note"] and "core" in out.coords
    # one range more, or none, on edges that are steeper than a range: the readings are the same
    steep = np.r_[40.0, 40.0, 24_000.0, 24_000.0, 40.0, 40.0]
    assert S.suggest_unwrapping(steep % RANGE, counter_range=RANGE).suggested_ranges.sum() == 0


@pytest.mark.parametrize(
    "sound",
    [
        bed(9_900.0),  # strong and within range
        np.r_[np.full(30, 50.0), np.full(30, 7_000.0)],  # a contact, up
        np.r_[np.full(30, 7_000.0), np.full(30, 50.0)],  # a contact, down, that does not return
        np.r_[50.0, 7_000.0, np.full(40, 50.0), 7_000.0, 50.0],  # two beds far apart
        np.r_[np.full(10, 50.0), 7_000.0, np.full(10, 50.0)],  # a spike
        np.r_[np.full(10, 50.0), -300.0, np.full(10, 50.0)],
        np.zeros(0),
        np.full(5, np.nan),
    ],
)
def test_sound_readings_are_left_in_peace(sound: np.ndarray) -> None:
    out = S.suggest_unwrapping(sound, counter_range=RANGE)
    assert not out.reason.values.any()
    np.testing.assert_array_equal(out.suggested_reading, sound)


def test_a_wrap_after_an_unclosed_fall_is_still_found() -> None:
    values = np.r_[np.full(5, 50.0), 6_000.0, np.full(40, 50.0), bed(13_000.0) % RANGE]
    found = S.suggest_unwrapping(values, counter_range=RANGE).reason.values != 0
    np.testing.assert_array_equal(np.flatnonzero(found), 46 + np.flatnonzero(bed(13e3) >= RANGE))


def test_no_jump_is_looked_for_between_cores_or_passes() -> None:
    values = [7_000.0, 7_000.0, 50.0, 50.0, 7_000.0, 7_000.0]
    cores = ["1", "1", "2", "2", "3", "3"]
    assert S.suggest_unwrapping(readings(values), counter_range=RANGE).reason.any()
    for key in ("core", "run"):
        out = S.suggest_unwrapping(readings(values, **{key: cores}), counter_range=RANGE)
        assert not out.reason.any()
    assert not S.suggest_unwrapping(
        readings(values), counter_range=RANGE, groups=cores
    ).reason.any()
    # two passes that lie interleaved
    true = bed(13_000.0)
    both = readings(np.repeat(true % RANGE, 2), run=np.tile([1, 2], true.size))
    out = S.suggest_unwrapping(both, counter_range=RANGE)
    np.testing.assert_allclose(out.suggested_reading, np.repeat(true, 2))


def test_errors_of_the_suggestion() -> None:
    for wrong in ({"counter_range": 0.0}, {"counter_range": 1e4, "least_jump": 1.2}):
        with pytest.raises(ValueError, match="expected a range above 0 and a share"):
            S.suggest_unwrapping(np.ones(3), **wrong)
    with pytest.raises(ValueError, match="groups has 2 labels for 3 readings"):
        S.suggest_unwrapping(np.ones(3), counter_range=1e4, groups=[1, 2])


@pytest.mark.parametrize("kind", ["scan", "standards"])
def test_blanks_without_a_time_are_subtracted_flagged_and_said(kind: str) -> None:
    scan = {
        "core": ["1"] * 4, "section": ["1"] * 4, "offset": [10.0, 20.0, 30.0, 40.0],
        "reading": [40.0, 50.0, 60.0, 70.0],
    }  # fmt: skip
    blanks = {"kind": ["blank"] * 3, "value": [0.0] * 3, "reading": [1.0, 2.0, 6.0]}
    at = pd.date_range("2031-05-02T06:00:00", periods=4, freq="min", tz="UTC")
    if kind == "scan":
        scan["time"] = at.astype(str).tolist()
    else:
        blanks["time"] = at[:3].astype(str).tolist()
    tables = {
        "cores": pd.DataFrame({"core": ["1"], "coring_method": ["piston"], "top [m]": [0.0],
                               "advance [m]": [1.5], "recovered [m]": [1.5]}),
        "sections": pd.DataFrame({"core": ["1"], "section": ["1"], "length [m]": [1.5],
                                  "core_diameter [mm]": [66.0]}),
        "scan/susceptibility": pd.DataFrame(scan).rename(columns={"offset": "offset [cm]"}),
        "standards/susceptibility": pd.DataFrame(blanks),
    }  # fmt: skip
    keys = {"hole": {"name": "x"}, "susceptibility": {"unit": "SI", "reading_uncertainty": 0.1}}
    found = cp.reduce(cp.hole_from_tables(tables, keys))
    kappa = found["properties/susceptibility"].to_dataset(inherit=False)
    # By hand: the blanks have the mean 3 and the standard deviation sqrt(7).
    np.testing.assert_allclose(kappa["magnetic_susceptibility"], [37.0, 47.0, 57.0, 67.0])
    shared = np.asarray(kappa["magnetic_susceptibility_u_random"]) ** 2
    shared += np.asarray(kappa["magnetic_susceptibility_u_systematic"]) ** 2
    assert (np.isnan(shared) | (shared >= 7.0 - 1e-9)).all()
    assert ((kappa["magnetic_susceptibility_reason"] & NO_BASELINE) != 0).all()
    notes = json.loads(found.attrs["summary"])["notes"]
    assert sum("the mean of 3 blanks is subtracted" in note for note in notes) == 1
