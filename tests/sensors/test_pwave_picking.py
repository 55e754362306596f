"""Picks of simulated arrivals whose onset is known, and what is said of doubtful ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags
from corephys.ground.series import PositionError
from corephys.ground.units import UnitError
from corephys.sensors import pwave
from data_demo.simulator.waveforms import synthetic_arrivals


def record(values: Any, interval: float = 0.1, start: float = 0.0) -> xr.DataArray:
    """Waveforms as the reader gives them."""
    readings, samples = np.shape(values)
    time = ("time", start + interval * np.arange(samples), {"units": "us"})
    depth = ("reading", 1.0 + 0.02 * np.arange(readings), {"units": "m"})
    return xr.DataArray(
        values, dims=("reading", "time"), coords={"depth": depth, "time": time},
        attrs={"units": "mV"},
    )  # fmt: skip


def arrivals(
    level: float, number: int = 400, seed: int = 1, **keywords: Any
) -> tuple[Any, xr.DataArray]:
    rng = np.random.default_rng(seed)
    onsets = rng.uniform(40.0, 60.0, number)
    _, values = synthetic_arrivals(rng, number, onsets, level, **keywords)
    return onsets, record(values)


def water(**keywords: Any) -> dict[str, Any]:
    _, trace = synthetic_arrivals(np.random.default_rng(99), 1, 50.0, 50.0)
    return {"water_trace": trace[0], "water_travel_time": "50 us", **keywords}


def named(reason: Any, name: str) -> Any:
    return (np.asarray(reason) & flags.bit(name)) != 0


def test_all_picks_stand_side_by_side() -> None:
    onsets, waveforms = arrivals(35.0)
    by_hand = xr.DataArray(
        np.where(np.arange(400) % 2, onsets, np.nan), dims="reading",
        coords={"depth": waveforms["depth"]}, attrs={"units": "us"},
    )  # fmt: skip
    before = waveforms.copy(deep=True)
    picked = pwave.pick(waveforms, manual=by_hand, **water())
    xr.testing.assert_identical(waveforms, before)
    np.testing.assert_array_equal(picked["travel_time"], picked["travel_time_onset"])
    assert picked["travel_time_threshold"].dims == ("level", "reading")
    np.testing.assert_allclose(picked["level"], [0.1, 0.3, 0.5])
    assert (np.diff(picked["travel_time_threshold"], axis=0) > 0.0).all()
    # An onset drowns for up to half a rise, levels are late, a water trace knows its own onset.
    late = picked["travel_time_onset"] - onsets
    assert 0.0 < float(late.median()) < 0.5
    np.testing.assert_allclose(picked["travel_time_correlation"], onsets, atol=0.02)
    np.testing.assert_array_equal(picked["travel_time_manual"], by_hand)
    np.testing.assert_allclose(
        picked["automatic_less_manual"], picked["travel_time"] - by_hand.values
    )
    assert float(picked["signal_to_noise"].median()) == pytest.approx(35.0, abs=0.5)
    np.testing.assert_allclose(picked["amplitude"], 1.0, atol=0.08)
    assert picked["amplitude"].attrs["units"] == "mV"
    for name in ("onset", "threshold", "correlation", "manual"):
        assert picked[f"travel_time_{name}"].attrs["units"] == "us"
    assert (picked["travel_time_flag"] == flags.GOOD).all()
    assert "depth" in picked["travel_time"].coords


@pytest.mark.parametrize(
    ("method", "level", "low", "high"),
    [
        # One standard uncertainty covers 68 % of normal errors. A crossing between two samples
        # averages white noise, and a peak is the best of several samples: up to 30 % less
        # scatter, thus up to 83 % covered. Onsets: seven samples of slope, on the safe side.
        ("onset", 30.0, 0.65, 0.90), ("onset", 20.0, 0.65, 0.90), ("onset", 15.0, 0.65, 0.90),
        ("threshold", 40.0, 0.65, 0.85), ("threshold", 30.0, 0.65, 0.85),
        ("correlation", 40.0, 0.64, 0.72), ("correlation", 20.0, 0.64, 0.72),
        ("correlation", 10.0, 0.60, 0.74),
    ],
)  # fmt: skip
def test_uncertainty_covers_the_scatter(method: str, level: float, low: float, high: float) -> None:
    onsets, waveforms = arrivals(level, number=2000, seed=4)
    picked = pwave.pick(waveforms, method=method, **water())
    error = picked["travel_time"].values - onsets
    error = error - np.median(error)  # a delay of its own, which the calibration takes
    covered = np.mean(np.abs(error) <= picked["travel_time_u_random"].values)
    assert low < covered < high, f"{covered:.3f}"


@pytest.mark.parametrize("method", ["onset", "threshold", "correlation"])
def test_in_noise_of_a_band_the_uncertainty_holds_at_25_db(method: str) -> None:
    onsets, waveforms = arrivals(25.0, number=2000, seed=5, band_khz=(50.0, 500.0))
    level = 0.5 if method == "threshold" else None
    picked = pwave.pick(waveforms, method=method, level=level, **water())
    error = picked["travel_time"].values - onsets
    covered = np.mean(np.abs(error - np.median(error)) <= picked["travel_time_u_random"].values)
    assert 0.62 < covered < 0.80, f"{covered:.3f}"


def test_a_delay_of_the_picker_goes_with_the_calibration() -> None:
    """Blocks and core picked alike: the velocity is right though every pick is late."""
    lengths, speed = np.array([20.0, 40.0, 60.0, 80.0]), 2740.0
    rng = np.random.default_rng(6)
    delay = 20.0

    def picked(times: Any, method: str) -> xr.Dataset:
        _, values = synthetic_arrivals(rng, times.size, times, 40.0)
        return pwave.pick(
            record(values), method=method, level=0.5 if method == "threshold" else None
        )

    for method, late in (("threshold", 0.5), ("onset", 0.05)):
        standards = picked(delay + 1e3 * lengths / speed, method)["travel_time"].values
        _, intercept = np.polyfit(lengths, standards, 1)
        assert intercept - delay > late
        core = picked(np.full(50, delay + 1e3 * 66.0 / 1600.0), method)
        thickness = xr.DataArray(
            np.full(50, 66.0), dims="reading", coords={"depth": core["depth"]},
            attrs={"units": "mm"},
        )  # fmt: skip
        found = pwave.velocity(
            core["travel_time"], thickness, delay=f"{intercept:.6f} us", wall="0 mm",
            liner="none", travel_time_uncertainty=core["travel_time_u_random"],
            reason=core["travel_time_reason"],
        )  # fmt: skip
        # 0.1 us is 3.9 m/s here; four blocks leave half of their scatter in the intercept.
        assert float(found["p_wave_velocity"].median()) == pytest.approx(1600.0, abs=3.0)


def test_noise_alone_is_no_arrival() -> None:
    _, waveforms = arrivals(-80.0, number=1000)
    for method in ("onset", "threshold", "correlation"):
        picked = pwave.pick(waveforms, method=method, **water())
        assert named(picked["travel_time_reason"], "no_arrival").mean() > 0.98
        assert (picked["travel_time_flag"] >= flags.BAD).mean() > 0.98
    _, waveforms = arrivals(-80.0, number=1000, band_khz=(50.0, 500.0))
    reason = pwave.pick(waveforms)["travel_time_reason"]
    doubted = named(reason, "no_arrival") | named(reason, "weak_arrival")
    assert doubted.mean() > 0.95


def test_flags_by_signal_to_noise() -> None:
    for level, share in ((25.0, 0.0), (9.0, 1.0)):
        _, waveforms = arrivals(level)
        reason = pwave.pick(waveforms)["travel_time_reason"]
        doubted = named(reason, "weak_arrival") | named(reason, "no_arrival")
        assert abs(doubted.mean() - share) < 0.25
    _, waveforms = arrivals(25.0)
    reason = pwave.pick(waveforms, signal_to_noise_gate=30.0)["travel_time_reason"]
    assert named(reason, "weak_arrival").all()


def test_a_level_that_noise_crosses_has_no_uncertainty() -> None:
    _, waveforms = arrivals(20.0)  # noise 0.1 of the peak
    low = pwave.pick(waveforms, method="threshold", level=0.3)
    unclear = np.isnan(low["travel_time_u_random"].values)
    assert unclear.mean() > 0.9  # 4 x 0.1 is more than 0.3, but for a few quiet records
    reason = low["travel_time_reason"]  # no arrival where the gate's first sample is over it
    assert (named(reason, "weak_arrival") | named(reason, "no_arrival"))[unclear].all()
    high = pwave.pick(waveforms, method="threshold", level=0.5)
    assert np.isfinite(high["travel_time_u_random"]).all()


def test_an_arrival_that_comes_twice_spreads_its_levels() -> None:
    onsets, waveforms = arrivals(45.0)
    _, early = synthetic_arrivals(np.random.default_rng(3), 400, onsets - 8.0, 80.0)
    waveforms = waveforms + 0.25 * early
    reason = pwave.pick(waveforms)["travel_time_reason"]
    assert named(reason, "weak_arrival").all()
    wide = pwave.pick(waveforms, level_spread_gate="20 us")["travel_time_reason"]
    assert not named(wide, "weak_arrival").any()


def test_clipped_waveforms_are_flagged_and_keep_their_pick() -> None:
    onsets, waveforms = arrivals(30.0)
    counts = np.round(3000.0 * waveforms.values)
    counts[::2] = np.clip(counts[::2], -1800, 1800)
    picked = pwave.pick(record(counts.astype(np.int16)))
    clipped = named(picked["travel_time_reason"], "clipped_waveform")
    np.testing.assert_array_equal(clipped, np.arange(400) % 2 == 0)
    assert np.abs(picked["travel_time"] - onsets).max() < 1.0


def test_rows_in_are_rows_out_and_reasons_stay() -> None:
    _, waveforms = arrivals(30.0, number=6)
    waveforms[1], waveforms[2] = 4.0, np.nan
    spoiled = flags.bit("spike") * (np.arange(6) == 5)
    picked = pwave.pick(waveforms, reason=spoiled)
    time = picked["travel_time"].values
    np.testing.assert_array_equal(np.isnan(time), [False, True, True, False, False, False])
    lost = named(picked["travel_time_reason"], "no_arrival")
    np.testing.assert_array_equal(lost, np.isnan(time))
    assert named(picked["travel_time_reason"], "spike").tolist() == [False] * 5 + [True]
    assert pwave.pick(waveforms[:0]).sizes["reading"] == 0


def test_start_and_unit_of_time_and_the_kind_of_numbers() -> None:
    _, waveforms = arrivals(30.0, number=50)
    wanted = pwave.pick(waveforms)["travel_time"]
    later = record(waveforms.values, start=5.0)
    gate = ("25 us", "85 us")
    np.testing.assert_allclose(pwave.pick(later, gate=gate)["travel_time"], wanted + 5.0)
    in_ms = waveforms.assign_coords(time=waveforms["time"] * 1e-3)
    in_ms["time"].attrs["units"] = "ms"
    np.testing.assert_allclose(pwave.pick(in_ms)["travel_time"], wanted)
    single = waveforms.astype(np.float32)
    np.testing.assert_allclose(pwave.pick(single)["travel_time"], wanted, atol=1e-4)


def test_a_quiet_time_of_ones_own() -> None:
    _, waveforms = arrivals(30.0)
    waveforms[:, :50] += 5.0 * np.cos(np.arange(50))  # the pulse as it is sent
    loud = pwave.pick(waveforms)["signal_to_noise"]
    quiet = pwave.pick(waveforms, noise_gate=("6 us", "20 us"))["signal_to_noise"]
    assert float(quiet.median()) == pytest.approx(30.0, abs=0.7)
    assert float(loud.median()) < 10.0
    none = pwave.pick(waveforms, gate=("0 us", "80 us"))
    assert np.isnan(none["signal_to_noise"]).all()
    assert np.isnan(none["travel_time_u_random"]).all()


def test_the_uncertainty_of_the_water_trace_is_one_for_all() -> None:
    _, waveforms = arrivals(30.0, number=5)
    given = water(water_travel_time_uncertainty="0.04 us")
    picked = pwave.pick(waveforms, method="correlation", **given)
    np.testing.assert_allclose(picked["travel_time_u_systematic"], 0.04)
    assert list(picked["source"].values) == ["water_travel_time"]
    assert np.isnan(pwave.pick(waveforms)["travel_time_u_systematic"]).all()


@pytest.mark.parametrize(
    ("keywords", "error", "message"),
    [
        ({"method": "guess"}, ValueError, "method is 'guess'; expected one of onset, threshold"),
        ({"method": "correlation"}, ValueError, "needs water_trace and water_travel_time"),
        ({"water_trace": np.zeros(1024)}, ValueError, "together, or neither"),
        (
            {"water_trace": np.zeros(7), "water_travel_time": "50 us"},
            ValueError, "expected 1024 samples along time like the waveforms, got \\(7,\\)",
        ),
        ({"gate": (20, 80)}, UnitError, "gate: expected a quantity in us, got the bare value 20"),
        ({"gate": ("80 us", "20 us")}, ValueError, "gate: expected two rising times inside"),
        ({"gate": ("20 us", "200 us")}, ValueError, "0 to 102.3 us, got 20 and 200 us"),
        ({"noise_gate": ("-4 us", "9 us")}, ValueError, "noise_gate: expected two rising times"),
        ({"levels": (0.5, 0.1)}, ValueError, "levels: expected rising shares between 0 and 1"),
        ({"levels": (0.5, 1.0)}, ValueError, "levels: expected rising shares between 0 and 1"),
        ({"levels": ()}, ValueError, "levels: expected rising shares between 0 and 1"),
        ({"level": 0.2}, ValueError, "level: expected one of levels"),
        ({"level_spread_gate": 2.0}, UnitError, "level_spread_gate: expected a quantity in us"),
    ],
)  # fmt: skip
def test_wrong_choices_are_refused(keywords: Any, error: Any, message: str) -> None:
    _, waveforms = arrivals(30.0, number=3)
    with pytest.raises(error, match=message):
        pwave.pick(waveforms, **keywords)


def test_wrong_waveforms_are_refused() -> None:
    _, waveforms = arrivals(30.0, number=3)
    with pytest.raises(ValueError, match="expected a DataArray with the dimensions"):
        pwave.pick(waveforms.transpose("time", "reading"))
    with pytest.raises(ValueError, match="expected a DataArray with the dimensions"):
        pwave.pick(waveforms.values)
    with pytest.raises(ValueError, match="expected the coordinate 'time'"):
        pwave.pick(waveforms.drop_vars("time"))
    uneven = waveforms.assign_coords(time=("time", np.arange(1024) ** 1.1, {"units": "us"}))
    with pytest.raises(ValueError, match="expected evenly spaced, rising times"):
        pwave.pick(uneven)
    bare = waveforms.assign_coords(time=np.arange(1024) * 0.1)
    with pytest.raises(UnitError, match="time: the DataArray has no 'units'"):
        pwave.pick(bare)
    with pytest.raises(ValueError, match="expected many samples in a waveform, got 1"):
        pwave.pick(waveforms[:, :1])
    with pytest.raises(ValueError, match="waveforms: expected numbers"):
        pwave.pick(waveforms.astype(str))
    by_hand = xr.DataArray(
        [50.0] * 3, dims="reading", coords={"depth": waveforms["depth"] + 0.5},
        attrs={"units": "us"},
    )  # fmt: skip
    with pytest.raises(PositionError, match="lie at different positions"):
        pwave.pick(waveforms, manual=by_hand)
