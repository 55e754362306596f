"""A planted shift and phase are found again, with errors that hold and odds that mean something."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, units
from corephys.products import seismic

STEP = 1e-3  # s
WAVELET = seismic.ricker("50 Hz", "1 ms").values


def in_time(values, start=0.0, step=STEP):
    time = start + step * np.arange(len(values))
    places = {"two_way_time": ("time", time, {"units": "s"})}
    return xr.DataArray(values, dims="time", coords=places, attrs={"units": "1"})


def geology(rng, size):
    """A trace of random reflections."""
    spikes = rng.standard_t(4, size + 200)
    return np.convolve(spikes, WAVELET, mode="same")[100:-100]


def later(values, seconds):
    """Moved by a part of a sample, by Fourier transform."""
    size = 2 * len(values)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size, STEP) * seconds)
    return np.fft.irfft(np.fft.rfft(values, size) * turn, size)[: len(values)]


def case(rng, shift, phase, noise, size=300, kind="geology"):
    """A synthetic, and a recorded trace that holds it shifted, rotated and disturbed."""
    whole = geology(rng, size + 400)
    rotated = seismic.rotate_phase(in_time(whole), f"{phase} degree").values
    trace = later(rotated, shift)
    other = geology(rng, whole.size) if kind == "geology" else np.convolve(
        rng.normal(size=whole.size), np.ones(3) / 3, mode="same")  # fmt: skip
    trace = trace + noise * other * trace.std() / other.std()
    return in_time(whole[200 : 200 + size], 0.2), in_time(5.0 * trace)


@pytest.mark.parametrize(("shift", "phase"), [(0.0, 0.0), (0.0073, 60.0), (-0.0121, -110.0)])
def test_without_noise_shift_and_phase_are_found_to_a_fraction_of_a_sample(shift, phase):
    found = seismic.tie(*case(np.random.default_rng(1), shift, phase, 0.0))
    assert float(found["time_shift"]) == pytest.approx(shift, abs=1e-4)
    assert float(found["phase_rotation"]) == pytest.approx(phase, abs=2.0)
    assert float(found["tie_correlation"]) > 0.995
    assert float(found["probability_of_chance"]) < 1e-6
    assert int(found["time_shift_flag"]) == flags.GOOD


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["geology", "white"])
def test_stated_errors_hold_in_repeated_cases(kind):
    """Ninety-five in a hundred within 1.96 standard uncertainties, less what chance allows."""
    rng = np.random.default_rng(11)
    inside, draws = np.zeros((2, 2)), 120
    for _ in range(draws):
        shift, phase = rng.uniform(-0.012, 0.012), rng.uniform(-120, 120)
        found = seismic.tie(*case(rng, shift, phase, 0.6, kind=kind))
        off = (float(found["phase_rotation"]) - phase + 180) % 360 - 180
        z = [
            (float(found["time_shift"]) - shift) / float(found["time_shift_u_random"]),
            off / float(found["phase_rotation_u_random"]),
        ]
        inside += np.abs(z)[:, None] < [1.0, 1.96]
    share = inside / draws
    # Three binomial deviations about 68 and 95 per cent, and 10 per cent more for the cautious.
    assert np.all(share[:, 0] > 0.55) and np.all(share[:, 0] < 0.92)
    assert np.all(share[:, 1] > 0.89)


@pytest.mark.slow
@pytest.mark.parametrize("rotate", [True, False])
def test_unrelated_traces_seldom_pass_for_a_tie(rotate):
    rng = np.random.default_rng(12)
    odds = []
    for _ in range(200):
        one, other = geology(rng, 300), geology(rng, 500)
        found = seismic.tie(in_time(one, 0.1), in_time(other), largest_shift="30 ms", rotate=rotate)
        odds.append(float(found["probability_of_chance"]))
    assert 0.005 <= np.mean(np.array(odds) < 0.05) <= 0.12
    assert 0.3 <= np.mean(np.array(odds) < 0.5) <= 0.85


def test_a_tie_that_chance_explains_is_flagged():
    rng = np.random.default_rng(17)
    found = seismic.tie(in_time(geology(rng, 120), 0.1), in_time(geology(rng, 400)))
    assert float(found["probability_of_chance"]) > 0.05
    assert int(found["time_shift_reason"]) & flags.bit("poor_fit")
    assert int(found["time_shift_flag"]) == flags.SUSPECT


def test_a_shift_at_the_edge_of_the_search_is_flagged():
    found = seismic.tie(*case(np.random.default_rng(2), 0.012, 0.0, 0.0), largest_shift="10 ms",
                        rotate=False)  # fmt: skip
    assert int(found["time_shift_reason"]) & flags.bit("beyond_method_range")


def test_a_phase_that_is_kept_lowers_the_correlation():
    one, other = case(np.random.default_rng(3), 0.0, 90.0, 0.0)
    free, kept = seismic.tie(one, other), seismic.tie(one, other, rotate=False)
    assert float(free["tie_correlation"]) > 0.99
    assert float(kept["tie_correlation"]) < 0.9
    assert float(kept["phase_rotation"]) == 0.0
    assert np.isnan(float(kept["phase_rotation_u_random"]))


def test_the_drift_curve_follows_a_stretch():
    rng = np.random.default_rng(4)
    whole = geology(rng, 1400)
    time = STEP * np.arange(whole.size)
    stretched = np.interp(time - 0.01 * (time - 0.2), time, whole)  # 1 % late
    found = seismic.tie(
        in_time(whole[200:1200], 0.2), in_time(stretched), drift_window="200 ms", rotate=False
    )
    slope = np.polyfit(found["two_way_time"].values, found["time_shift_of_window"].values, 1)[0]
    assert slope == pytest.approx(0.01, rel=0.15)
    assert found.sizes["window"] == 9
    assert np.all(found["tie_correlation_of_window"] > 0.9)


def test_a_window_picks_a_part_of_the_synthetic():
    one, other = case(np.random.default_rng(5), 0.004, 0.0, 0.0)
    found = seismic.tie(one, other, window=("0.25 s", "0.45 s"))
    assert float(found["time_shift"]) == pytest.approx(0.004, abs=2e-4)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda a, b: seismic.tie(a, in_time(b.values, step=2e-3)), "steps of 1 ms.*2 ms"),
        (lambda a, b: seismic.tie(a, in_time(b.values, start=5.0)), "it has to cover the window"),
        (lambda a, b: seismic.tie(a * 0.0, b), "zero throughout"),
        (lambda a, b: seismic.tie(a.where(a > 0), b), "without missing values"),
        (lambda a, b: seismic.tie(a, b.values), "coordinate two_way_time"),
        (lambda a, b: seismic.tie(a, b, window=("0.2 s", "0.21 s")), "11 samples .* too few"),
        (lambda a, b: seismic.tie(a, b, drift_window="9 s"), "drift_window has 9000"),
        (lambda a, b: seismic.tie(a, b, largest_shift="-1 ms"), "largest_shift is -0.001 s"),
    ],
)
def test_what_does_not_fit_is_said(call, words):
    with pytest.raises(ValueError, match=words):
        call(*case(np.random.default_rng(6), 0.0, 0.0, 0.0))


def test_a_unit_is_asked_for():
    with pytest.raises(units.UnitError, match="largest_shift"):
        seismic.tie(*case(np.random.default_rng(6), 0.0, 0.0, 0.0), largest_shift=0.02)
