"""Arrivals against loops over single waveforms, shapes known in closed form, and SciPy."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.numerics import arrival
from corephys.numerics.arrival import correlation, onset, threshold
from data_demo.simulator.waveforms import pulse, synthetic_arrivals

PART, FLOOR = 5, 1e-12


def criterion(waveform, first, last):
    """The criterion at every split of one gate, with NumPy's own variance."""
    x = np.asarray(waveform[first : last + 1], dtype=float)
    n = len(x)
    ks = np.arange(PART, n - PART + 1)
    least = FLOOR * x.var()
    values = [
        k * np.log(max(x[:k].var(), least)) + (n - k - 1) * np.log(max(x[k:].var(), least))
        for k in ks
    ]
    return ks + first, np.array(values), (n - 1) * np.log(x.var())


def by_sums(waveforms, first, last):
    """The best split of each waveform by its own cumulative sums."""
    picks = []
    for waveform in waveforms:
        x = waveform[first : last + 1].astype(float)
        x = x - x.mean()
        n = len(x)
        k = np.arange(PART, n - PART + 1)
        total, squares = np.cumsum(x), np.cumsum(x * x)
        s, q = total[k - 1], squares[k - 1]
        least = FLOOR * squares[-1] / n
        before = np.maximum((q - s * s / k) / k, least)
        after = np.maximum((squares[-1] - q - (total[-1] - s) ** 2 / (n - k)) / (n - k), least)
        values = k * np.log(before) + (n - k - 1) * np.log(after)
        picks.append(k[np.argmin(np.where(after > before, values, np.inf))] + first)
    return np.array(picks)


@pytest.mark.parametrize("level", [40.0, 20.0, 10.0, 3.0, -60.0])
@pytest.mark.parametrize("gate", [(0, 511), (100, 433), (37, 61)])
def test_the_split_is_that_of_a_loop_over_every_split(level: float, gate: tuple[int, int]) -> None:
    rng = np.random.default_rng(5)
    _, waveforms = synthetic_arrivals(rng, 500, rng.uniform(12.0, 40.0, 500), level, samples=512)
    found = onset(waveforms, first=gate[0], last=gate[1])
    picks = by_sums(waveforms, *gate)
    edge = (picks == gate[0] + PART) | (picks == gate[1] + 1 - PART)
    np.testing.assert_array_equal(found.sample, np.where(edge, -1, picks))
    np.testing.assert_array_equal(found.outcome, np.where(edge, arrival.AT_EDGE, arrival.FOUND))
    np.testing.assert_array_equal(np.isnan(found.index), edge)


def test_fraction_and_contrast_are_those_of_the_variances() -> None:
    rng = np.random.default_rng(6)
    _, waveforms = synthetic_arrivals(rng, 40, 30.0, 15.0, samples=600)
    found = onset(waveforms, first=50, last=560)
    for row, waveform in enumerate(waveforms):
        k, values, whole = criterion(waveform, 50, 560)
        at = int(values.argmin())
        assert found.sample[row] == k[at]
        assert found.contrast[row] == pytest.approx(whole - values[at], rel=1e-9)
        curve = np.polynomial.polynomial.polyfit([-1.0, 0.0, 1.0], values[at - 1 : at + 2], 2)
        assert found.index[row] == pytest.approx(k[at] - curve[1] / (2.0 * curve[2]), abs=1e-6)


def test_the_end_of_a_pulse_is_not_its_onset() -> None:
    rng = np.random.default_rng(13)
    _, waveforms = synthetic_arrivals(rng, 300, 27.3, 40.0, samples=1024)
    k, values, _ = criterion(waveforms[0], 200, 800)
    assert k[values.argmin()] > 450  # the better split is where the pulse is lost in noise
    found = onset(waveforms, first=200, last=800)
    np.testing.assert_allclose(found.index, 273.0, atol=6.0)


def test_a_variance_that_only_falls_is_no_arrival() -> None:
    waveforms = np.exp(-np.arange(200) / 20.0) * np.where(np.arange(200) % 2, 1.0, -1.0)
    found = onset(waveforms[None], first=0, last=199)
    np.testing.assert_array_equal(found.outcome, arrival.AT_EDGE)
    assert np.isnan(found.index).all()


def test_many_blocks_and_gates_that_are_no_multiple_of_eight() -> None:
    rng = np.random.default_rng(7)
    _, waveforms = synthetic_arrivals(rng, 3000, rng.uniform(8.0, 20.0, 3000), 12.0, samples=301)
    for last in (299, 300, 295):
        found = onset(waveforms, first=3, last=last)
        picks = by_sums(waveforms, 3, last)
        inside = found.outcome == arrival.FOUND
        assert inside.mean() > 0.95
        np.testing.assert_array_equal(found.sample[inside], picks[inside])


@pytest.mark.parametrize(("kind", "offset"), [("f4", 0), ("i2", 12000), ("f8", 1e7)])
def test_kinds_of_numbers_and_large_offsets(kind: str, offset: float) -> None:
    rng = np.random.default_rng(8)
    _, waveforms = synthetic_arrivals(rng, 200, rng.uniform(20.0, 30.0, 200), 20.0, samples=400)
    counts = np.round(2000.0 * waveforms)  # the same whole numbers in every kind
    wanted = onset(counts, first=20, last=390)
    given = (counts + offset).astype(kind)
    found = onset(given, first=20, last=390)
    np.testing.assert_array_equal(found.sample, wanted.sample)
    np.testing.assert_allclose(found.index, wanted.index, atol=1e-5)
    assert given.dtype == np.dtype(kind)


def test_quiet_exactly_zero_splits_at_the_first_moving_sample() -> None:
    waveforms = np.zeros((2, 128), dtype=np.int16)
    waveforms[0, 70:] = (100 * np.sin(np.arange(58) + 1.0)).astype(np.int16)
    waveforms[1] = waveforms[0] + 500
    np.testing.assert_array_equal(onset(waveforms, first=0, last=127).sample, [70, 70])


@pytest.mark.parametrize("level", [0.0, 3.7, -1e6 / 3.0, 1e-12])
def test_waveforms_without_a_pick_say_why(level: float) -> None:
    rng = np.random.default_rng(9)
    _, waveforms = synthetic_arrivals(rng, 4, 30.0, 20.0, samples=512)
    waveforms[1] = level
    waveforms[2] = np.nan
    waveforms[3, 250] = np.nan
    found = onset(waveforms, first=100, last=500)
    wanted = [arrival.FOUND, arrival.CONSTANT, arrival.NO_VALUE, arrival.NO_VALUE]
    np.testing.assert_array_equal(found.outcome, wanted)
    for array in (found.index, found.contrast, np.where(found.sample < 0, np.nan, 0.0)):
        np.testing.assert_array_equal(np.isnan(array), [False, True, True, True])


def test_a_gate_too_short_gives_no_pick() -> None:
    found = onset(np.random.default_rng(1).normal(size=(3, 100)), first=40, last=50)
    np.testing.assert_array_equal(found.outcome, arrival.SHORT_GATE)
    assert np.isnan(found.index).all()
    assert (found.sample == -1).all()
    assert onset(np.empty((0, 100)), first=0, last=99).index.shape == (0,)


def test_a_ramp_crosses_its_levels_where_it_should() -> None:
    ramp = np.concatenate([np.full(20, 5.0), 5.0 - 2.0 * np.arange(1, 41), np.full(10, -75.0)])
    crossing, peak = threshold(ramp[None], (0.1, 0.25, 0.99), first=15, last=69)
    assert peak[0] == pytest.approx(80.0)
    # A deflection of 2 a sample that starts at sample 19: 80 p = 2 (i - 19).
    np.testing.assert_allclose(crossing[:, 0], 19.0 + 40.0 * np.array([0.1, 0.25, 0.99]))


def test_crossings_of_a_sampled_pulse_are_those_of_the_pulse() -> None:
    starts = np.linspace(30.0, 31.0, 41)
    time = 0.05 * np.arange(1200)
    crossing, _ = threshold(pulse(time - starts[:, None]), (0.3,), first=400, last=1100)
    fine = np.linspace(0.0, 2.0, 200001)
    first = fine[np.argmax(np.abs(pulse(fine)) >= 0.3)]
    np.testing.assert_allclose(0.05 * crossing[0] - starts, first, atol=2e-3)


def test_levels_that_are_not_crossed_give_nan() -> None:
    waveforms = np.zeros((3, 60))
    waveforms[0] = np.nan
    waveforms[2, 20:] = 1.0  # at the level from the gate's first sample on
    crossing, peak = threshold(waveforms, (0.5,), first=20, last=59)
    assert np.isnan(crossing).all()
    assert np.isnan(peak[0]) and peak[1] == 0.0 and peak[2] == 1.0
    assert np.isnan(threshold(waveforms, (0.5,), first=20, last=20)[0]).all()


def test_with_no_quiet_time_the_mean_is_that_of_the_whole() -> None:
    waveform = 7.0 + np.sin(2.0 * np.pi * np.arange(100) / 50.0)
    _, peak = threshold(waveform[None], (0.5,), first=0, last=99)
    assert peak[0] == pytest.approx(1.0, abs=5e-3)


def test_lags_of_shifted_pulses_to_a_hundredth_of_a_sample() -> None:
    time = 0.1 * np.arange(1200)  # long enough for the tail
    shifts = np.linspace(-15.0, 15.0, 61)
    found = correlation(pulse(time - 40.0 - shifts[:, None]), pulse(time - 40.0))
    np.testing.assert_allclose(found.lag, shifts / 0.1, atol=0.01)
    np.testing.assert_allclose(found.coefficient, 1.0, atol=0.002)


def test_coefficients_are_those_of_a_direct_sum() -> None:
    signal = pytest.importorskip("scipy.signal")
    rng = np.random.default_rng(10)
    waveforms, reference = rng.normal(size=(20, 90)).cumsum(axis=1), rng.normal(size=90).cumsum()
    found = correlation(waveforms, reference, greatest=30)
    r = (reference - reference.mean()) / np.linalg.norm(reference - reference.mean())
    for row, waveform in enumerate(waveforms):
        x = waveform - waveform.mean()
        direct = signal.correlate(x / np.linalg.norm(x), r, method="direct")
        middle = direct[89 - 30 : 89 + 31]
        assert found.coefficient[row] == pytest.approx(middle.max(), abs=1e-12)
        at = middle.argmax()
        if at in (0, 60):
            assert np.isnan(found.lag[row])
        else:
            assert abs(found.lag[row] - (at - 30)) <= 0.5


def test_no_lag_of_nothing() -> None:
    rng = np.random.default_rng(11)
    reference = rng.normal(size=64)
    waveforms = np.stack([reference, np.full(64, 3.0), np.full(64, np.nan)])
    found = correlation(waveforms, reference)
    np.testing.assert_allclose(found.lag, [0.0, np.nan, np.nan], atol=0.2)
    assert np.isnan(correlation(waveforms, np.ones(64)).lag).all()
