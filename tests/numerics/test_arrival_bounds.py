"""Arrivals at the bounds of gates, lags and blocks, against single cases and direct sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from corephys.numerics import arrival
from corephys.numerics.arrival import correlation, onset, threshold
from data_demo.simulator.waveforms import synthetic_arrivals


def waveforms(seed, number=7, samples=200, level=15.0):
    rng = np.random.default_rng(seed)
    return synthetic_arrivals(rng, number, rng.uniform(6.0, 12.0, number), level, samples=samples)[
        1
    ]


def same(a, b):
    for one, other in zip(a, b, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)


def step(at, samples=40, seed=3):
    """Quiet, then a hundred times as loud from one sample on."""
    noise = np.random.default_rng(seed).normal(size=samples)
    return np.where(np.arange(samples) < at, 0.01, 1.0) * noise


def test_a_gate_of_twelve_samples_is_the_shortest():
    waveform = step(26)[None]
    found = onset(waveform, first=20, last=31)
    assert (found.outcome[0], found.sample[0]) == (arrival.FOUND, 26)
    assert abs(found.index[0] - 26) <= 0.5
    assert found.outcome.dtype == np.int8
    assert onset(waveform, first=20, last=30).outcome[0] == arrival.SHORT_GATE


@pytest.mark.parametrize("gate", [(13, 24), (10, 25), (8, 31), (0, 39)])
def test_the_onset_of_a_step_is_its_first_loud_sample(gate):
    for at in range(gate[0] + 6, gate[1] - 4):
        found = onset(step(at)[None], first=gate[0], last=gate[1])
        if found.outcome[0] == arrival.FOUND:
            assert abs(found.sample[0] - at) <= 1  # the first loud sample may happen to be small
        else:
            assert at > gate[1] - 7  # at the end of the gate


def test_gates_reach_no_farther_than_the_waveform():
    rows = waveforms(1)
    same(onset(rows, first=-7, last=10_000), onset(rows, first=0, last=199))
    same(threshold(rows, (0.4,), first=-7, last=10_000), threshold(rows, (0.4,), first=0, last=199))


def test_rows_do_not_mind_each_other_nor_blocks(monkeypatch):
    rows = waveforms(2)
    rows[3, 120] = np.nan
    rows[5] = 4.0
    reference = waveforms(4, 1)[0]
    calls = (
        lambda w: onset(w, first=20, last=180),
        lambda w: threshold(w, (0.2, 0.6), first=20, last=180),
        lambda w: correlation(w, reference, greatest=60),
    )
    for call in calls:
        whole = call(rows)
        singly = [call(rows[i : i + 1]) for i in range(len(rows))]
        same(whole, [np.concatenate(part, axis=-1) for part in zip(*singly, strict=True)])
        with monkeypatch.context() as patch:
            patch.setattr(arrival, "_BLOCK", 450)  # two rows
            patch.setattr(arrival, "_PAIRS", 3)
            same(call(rows), whole)
            patch.setattr(arrival, "_BLOCK", 1)
            same(call(rows), whole)


def test_an_offset_is_not_a_pulse_but_a_tremor_on_it_is():
    """Rounding of a constant is constant; real change far smaller than the offset is looked at."""
    still = np.full((1, 100), 1e5 / 3.0)
    assert onset(still, first=0, last=99).outcome[0] == arrival.CONSTANT
    trembling = still + 1e-6 * step(60, 100)
    found = onset(trembling, first=0, last=99)
    assert (found.outcome[0], found.sample[0]) == (arrival.FOUND, 60)


def test_crossings_by_hand():
    # Twelve quiet samples at 2, then 2 3 1 -2 5 2: deflections 0 1 -1 -4 3 0, the greatest 4.
    waveform = np.array([*[2.0] * 12, 2.0, 3.0, 1.0, -2.0, 5.0, 2.0])[None]
    crossing, peak = threshold(waveform, (0.125, 0.25, 0.5, 1.0), first=12, last=17)
    assert peak[0] == 4.0
    # 0.5 and 1 on the crest from sample 12 to 13; 2 and 4 in the trough, between -1 and -4.
    np.testing.assert_allclose(crossing[:, 0], [12.5, 13.0, 14.0 + 1.0 / 3.0, 15.0])
    # From a crest straight into a trough: -4 at 15 to +3 at 16 passes 2 at 15 + 6 / 7.
    late, _ = threshold(waveform, (2.0 / 3.0,), first=15, last=17)
    assert np.isnan(late[0, 0])  # the trough is the first sample of that gate
    flipped, _ = threshold(-waveform, (0.5,), first=12, last=17)
    assert flipped[0, 0] == crossing[2, 0]
    swing = np.array([*[0.0] * 12, 0.0, 1.0, -3.0, 0.0])[None]
    crossing, _ = threshold(swing, (2.0 / 3.0,), first=12, last=15)
    assert crossing[0, 0] == pytest.approx(13.0 + 3.0 / 4.0)  # 1 to -3 passes -2 after 3 of 4


@pytest.mark.parametrize(("quiet", "peak"), [(9, 0.75), (10, 1.0)])
def test_ten_samples_before_the_gate_make_the_level(quiet, peak):
    """Fewer do not: then it is the mean of the whole, here of nine zeros and three ones."""
    waveform = np.array([0.0] * quiet + [1.0] * 3)
    assert threshold(waveform[None], (0.5,), first=quiet, last=quiet + 2)[1][0] == peak


def test_two_samples_make_a_gate_and_one_does_not():
    waveform = np.array([*[0.0] * 20, 0.0, 2.0, 9.0])[None]
    crossing, peak = threshold(waveform, (0.5,), first=20, last=21)
    assert (crossing[0, 0], peak[0]) == (20.5, 2.0)
    crossing, peak = threshold(waveform, (0.5,), first=21, last=21)
    assert np.isnan(crossing).all() and np.isnan(peak).all()


@pytest.mark.parametrize("greatest", [None, 1, 17, 63, 64, 1000])
@pytest.mark.parametrize("samples", [64, 65])
def test_lags_of_a_direct_sum_with_the_parabola_through_three(samples, greatest):
    rng = np.random.default_rng(samples)
    rows, reference = rng.normal(size=(12, samples)), rng.normal(size=samples)
    reference += 5.0
    found = correlation(rows, reference, greatest=greatest)
    reach = samples // 2 if greatest is None else min(greatest, samples - 1)
    r = reference - reference.mean()
    for row, lag, coefficient in zip(rows, found.lag, found.coefficient, strict=True):
        x = row - row.mean()
        direct = signal.correlate(x, r, method="direct")
        direct /= np.linalg.norm(x) * np.linalg.norm(r)
        middle = direct[samples - 1 - reach : samples + reach]
        at = int(middle.argmax())
        assert coefficient == pytest.approx(middle[at], abs=1e-12)
        if at in (0, middle.size - 1):
            assert np.isnan(lag)
        else:
            curve = np.polyfit([-1.0, 0.0, 1.0], middle[at - 1 : at + 2], 2)
            assert lag == pytest.approx(at - reach - curve[1] / (2.0 * curve[0]), abs=1e-9)


def test_a_crossing_between_the_first_two_and_the_last_two_samples():
    rise = np.array([0.0, 4.0, 4.0, 4.0])[None]
    crossing, peak = threshold(rise, (1.0,), first=0, last=3)  # deflections -3 1 1 1
    assert peak[0] == 3.0 and np.isnan(crossing[0, 0])
    waveform = np.array([1.0, 6.0, 1.0, -8.0, 0.0, 0.0])[None]  # of mean 0
    assert threshold(waveform, (0.5,), first=0, last=5)[0][0, 0] == pytest.approx(0.6)  # 1 to 6: 4
    waveform = np.array([*[0.0] * 12, 1.0, 1.0, 5.0])[None]
    crossing, peak = threshold(waveform, (0.6,), first=12, last=99)
    assert (crossing[0, 0], peak[0]) == (13.5, 5.0)


@pytest.mark.parametrize("kind", ["f4", "i2", "i4"])
def test_single_precision_and_counts_lose_nothing(kind):
    """Small counts on a large offset are exact in each kind, so that all answers are too."""
    rng = np.random.default_rng(23)
    counts = 30_000.0 + np.round(rng.normal(0, 20.0, (5, 1001)))
    counts[:, 500:] += np.round(rng.normal(0, 400.0, (5, 501)))
    given = counts.astype(kind)
    same(threshold(given, (0.1, 0.5), first=300, last=900),
         threshold(counts, (0.1, 0.5), first=300, last=900))  # fmt: skip
    same(threshold(given, (0.5,), first=0, last=900), threshold(counts, (0.5,), first=0, last=900))
    same(correlation(given, given[0]), correlation(counts, counts[0]))
    same(onset(given, first=300, last=900), onset(counts, first=300, last=900))


def test_the_size_of_the_reference_and_of_waveforms_does_not_matter():
    rows = waveforms(9, 4)
    whole = correlation(rows, rows[0])
    same(correlation(rows, 1e-9 * rows[0]), whole)
    same(correlation(1e-9 * rows, 1e6 * rows[0]), whole)
    assert np.isnan(correlation(rows, np.full(200, 7.0)).coefficient).all()


def test_the_farthest_lag_is_one_sample_of_overlap():
    n = 20
    reference, waveform = np.zeros(n), np.zeros(n)
    reference[-1] = waveform[0] = 1.0
    for first, second in ((reference, waveform), (waveform, reference)):
        found = correlation(first[None], second, greatest=1000)
        # The spikes less their means of 1/20, squared, over the square of their norm, 19/20.
        assert found.coefficient[0] == pytest.approx((19 / 20) ** 2 / (19 / 20), rel=1e-12)
        assert np.isnan(found.lag[0])


@pytest.mark.parametrize("quiet", [20, 33, 60])
def test_a_silent_part_counts_as_a_trillionth_of_the_variance(quiet):
    """The contrast of exact silence, from the criterion as it is written down."""
    x = np.concatenate([np.zeros(quiet), np.random.default_rng(quiet).normal(size=90 - quiet)])
    n, k = 90, quiet
    found = onset(7.0 + 3.0 * x[None], first=0, last=89)
    least = k * np.log(1e-12 * x.var()) + (n - k - 1) * np.log(x[k:].var())
    assert found.sample[0] == quiet
    assert found.contrast[0] == pytest.approx((n - 1) * np.log(x.var()) - least, rel=1e-9)


def test_a_step_between_two_silences_is_found_one_sample_early():
    """At the step itself both parts are silent and nothing rises; one before, one part is."""
    x = np.where(np.arange(100) < 50, 0.0, 1.0)
    found = onset(x[None], first=0, last=99)
    assert found.sample[0] == 49
    assert found.index[0] == 49.0  # beside a split that is out of the question is no parabola


@pytest.mark.parametrize("length", [16, 24, 41, 64, 160])
def test_no_split_that_trying_all_would_find_is_missed(length):
    """Noise of any shape, also with its loud part short or near the ends of parts of eight."""
    rng = np.random.default_rng(length)
    rows = rng.standard_t(2.5, (1500, length))
    walk = np.cumsum(rng.normal(0, 0.3, rows.shape), axis=1)
    rows *= np.exp(rng.normal(0, 1.0, (1500, 1)) * walk)
    found = onset(rows, first=0, last=length - 1)
    x = rows - rows.mean(axis=1, keepdims=True)
    k = np.arange(5, length - 4)
    total, squares = np.cumsum(x, axis=1), np.cumsum(x * x, axis=1)
    s, q = total[:, k - 1], squares[:, k - 1]
    floor = 1e-12 * squares[:, -1:] / length
    before = np.maximum((q - s * s / k) / k, floor)
    behind = (squares[:, -1:] - q - (total[:, -1:] - s) ** 2 / (length - k)) / (length - k)
    behind = np.maximum(behind, floor)
    values = k * np.log(before) + (length - k - 1) * np.log(behind)
    values = np.where(behind > before, values, np.inf)
    best = k[values.argmin(axis=1)]
    inside = (best > 5) & (best < length - 5) & np.isfinite(values.min(axis=1))
    # Where two splits are as good to rounding, either may be it.
    second = np.partition(values, 1, axis=1)[:, 1]
    clear = inside & (second > values.min(axis=1) + 1e-9)
    assert clear.sum() > 300
    np.testing.assert_array_equal(found.sample[clear], best[clear])
    np.testing.assert_array_equal(found.outcome[clear], arrival.FOUND)
    assert np.all(found.outcome[~inside] == arrival.AT_EDGE)
