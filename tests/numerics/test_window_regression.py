"""Windows: what the fit may not depend on, and runs that spoil nothing but themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from corephys.numerics.window_regression import all_windows


def _runs(seed, runs=4, samples=30, noise=0.01):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(1.0, 100.0, (runs, samples)), axis=1)
    return np.log(t), 0.3 * np.log(t) + rng.normal(0, noise, (runs, samples)), 1.0 / t


def _table(*arguments, **keywords):
    """All slopes and errors by length."""
    return {fit.length: fit for fit in all_windows(*arguments, **keywords)}


def test_every_window_is_least_squares():
    """Each one, not a sample, with a run of its own abscissae a row, one or two regressors."""
    x, y, z = _runs(1, 2, 18)
    for second in (None, z):
        seen = 0
        for fit in all_windows(x, y, minimum=5, first=2, second=second):
            for k, i in enumerate(fit.starts):
                part = slice(i, i + fit.length)
                for run in range(2):
                    rows = [np.ones(fit.length), x[run, part]]
                    rows += [z[run, part]] if second is not None else []
                    design = np.column_stack(rows)
                    solution, *_ = np.linalg.lstsq(design, y[run, part], rcond=None)
                    left = y[run, part] - design @ solution
                    variance = left @ left / (fit.length - design.shape[1])
                    error = np.sqrt(variance * np.linalg.inv(design.T @ design)[1, 1])
                    assert fit.slope[run, k] == pytest.approx(solution[1], abs=1e-8 * error)
                    assert fit.slope_error[run, k] == pytest.approx(error, rel=1e-8)
                    assert fit.residual_variance[run, k] == pytest.approx(variance, rel=1e-8)
                    seen += 1
        assert seen == 2 * sum(16 - length + 1 for length in range(5, 17))


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 99), st.floats(-500, 500), st.floats(-5, 5), st.floats(1e-3, 1e3),
    st.floats(-10, 10), st.booleans(),
)  # fmt: skip
def test_shift_scale_tilt_and_order_of_runs(seed, up, right, high, tilt, two):
    x, y, _ = _runs(seed)
    # In a late window 1 / t is nearly a line in ln t, and both routes lose the digits of that.
    z = np.sin(3.0 * np.exp(x))
    order = np.random.default_rng(seed).permutation(4)
    plain = _table(x, y, minimum=6, second=z if two else None)
    moved = _table(
        (x + right)[order], (high * (y + up + tilt * x))[order], minimum=6,
        second=z[order] if two else None,
    )  # fmt: skip
    for length, fit in plain.items():
        error = high * fit.slope_error[order]
        difference = moved[length].slope - high * (fit.slope + tilt)[order]
        assert np.all(np.abs(difference) <= 1e-6 * error)
        np.testing.assert_allclose(moved[length].slope_error, error, rtol=1e-6)


def test_a_gap_an_empty_run_and_a_still_clock_spoil_only_themselves():
    x, y, z = _runs(3, 5)
    broken_x, broken_y, broken_z = x.copy(), y.copy(), z.copy()
    broken_y[1, 7] = np.nan
    broken_x[2], broken_z[2] = 1.5, 0.2
    valid = np.array([30, 30, 30, 0, 30])
    broken_y[3] = np.nan
    for second, broken_second in ((None, None), (z, broken_z)):
        whole = _table(x, y, minimum=6, second=second)
        with np.errstate(all="raise"):
            found = _table(broken_x, broken_y, minimum=6, second=broken_second, valid=valid)
        for length, fit in found.items():
            for run in (0, 4):
                np.testing.assert_allclose(fit.slope[run], whole[length].slope[run], rtol=1e-12)
            assert np.all(np.isnan(fit.slope[1]))
            assert not np.any(np.isfinite(fit.slope_error[2]) & (fit.slope_error[2] > 0))
            assert not fit.valid[3].any()


def test_second_regressor_that_is_the_first():
    """No slope can be told from the other's; the fit says so instead of stopping the rest."""
    x, y, _ = _runs(4)
    fit = next(iter(all_windows(x, y, minimum=30, second=2.0 * x)))
    assert not np.any(np.isfinite(fit.slope) & (fit.slope_error < 1.0))


def test_lengths_asked_for():
    x, y, _ = _runs(5)
    every = _table(x, y, minimum=5)
    some = _table(x, y, minimum=5, lengths=np.array([20, 7]))
    assert list(some) == [20, 7]
    np.testing.assert_array_equal(some[7].slope, every[7].slope)
    for wrong in (4, 31):
        with pytest.raises(ValueError, match="lengths must lie between 5 and 30"):
            _table(x, y, minimum=5, lengths=np.array([wrong]))


def test_the_fewest_samples_leave_one_degree_of_freedom():
    x, y, z = _runs(6, 2, 12)
    for second, fewest in ((None, 3), (z, 4)):
        fit = next(iter(all_windows(x, y, minimum=fewest, second=second)))
        assert fit.length == fewest
        assert np.all(np.isfinite(fit.slope_error) & (fit.slope_error > 0))
        with pytest.raises(ValueError, match=f"no degree of freedom; use {fewest}"):
            next(all_windows(x, y, minimum=fewest - 1, second=second))


def test_samples_before_the_first_are_no_room_for_windows():
    x, y, _ = _runs(7, 2, 12)
    only = list(all_windows(x, y, minimum=8, first=4))
    assert [(fit.length, *fit.starts) for fit in only] == [(8, 4)]
    with pytest.raises(ValueError, match="a window of 9 samples does not fit into 8"):
        next(all_windows(x, y, minimum=9, first=4))
    with pytest.raises(ValueError, match="lengths must lie between 5 and 8"):
        next(all_windows(x, y, minimum=5, first=4, lengths=np.array([9])))


def test_what_lies_behind_the_end_of_a_run_may_be_anything():
    x, y, z = _runs(8, 3, 20)
    valid = np.array([20, 13, 7])
    behind = np.arange(20) >= valid[:, None]
    for second in (None, z):
        torn = None if second is None else np.where(behind, np.inf, second)
        found = _table(
            np.where(behind, np.nan, x), np.where(behind, -np.inf, y), minimum=5, valid=valid,
            second=torn,
        )  # fmt: skip
        for run, end in enumerate(valid):
            part = slice(run, run + 1), slice(0, end)
            alone = _table(x[part], y[part], minimum=5, second=None if torn is None else z[part])
            for length, fit in alone.items():
                inside = found[length].valid[run]
                assert inside.sum() == end - length + 1
                for name in ("slope", "slope_error", "residual_variance"):
                    one, other = getattr(found[length], name)[run], getattr(fit, name)[0]
                    np.testing.assert_allclose(one[inside], other, rtol=1e-7)
