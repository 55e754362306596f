"""Check standards in time: run lengths, planted faults, readings between standards, the figure."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import quantity
from corephys.figures.plate import COLUMNS
from corephys.figures.reading import NothingToDraw
from corephys.figures.standards import control_chart as draw
from corephys.ground import flags
from corephys.ground.units import UnitError
from corephys.quality.standards import (
    RULES,
    ControlChart,
    control_chart,
    cumulative_sums,
    out_of_control,
)

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

BIT = flags.bit("standard_out_of_control")
HOUR = 3600.0


def hours(values: object) -> object:
    return quantity(HOUR * np.asarray(values, dtype=float), "s")


def noise(seed: int, size: int = 40) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 1.0, size)


def watch(values: np.ndarray, **given: object) -> ControlChart:
    return control_chart(hours(np.arange(len(values))), np.asarray(values, dtype=float), **given)


# Run lengths -------------------------------------------------------------------------------------


def chain(shift: float, limit: float = np.inf, states: int = 400) -> float:
    """Average run length of an upward sum with a limit on single values as well.

    Markov chain of Brook and Evans (1972), Biometrika 59, 539: k = 0.5, h = 5.
    """
    from scipy.stats import norm

    width = 5.0 / (states - 0.5)
    centre = width * np.arange(states)
    upper = np.minimum(centre + width / 2 - centre[:, np.newaxis] + 0.5, limit)
    lower = np.minimum(centre - width / 2 - centre[:, np.newaxis] + 0.5, limit)
    lower[:, 0] = -np.inf
    step = norm.cdf(upper - shift) - norm.cdf(lower - shift)
    return float(np.linalg.solve(np.eye(states) - step, np.ones(states))[0])


def run_length(shift: float, *, single: bool, runs: int, longest: int) -> tuple[float, float]:
    """Mean run length to the first alarm of simulated charts, and its standard error."""
    z = np.random.default_rng(11).normal(shift, 1.0, (longest, runs))
    high, low = cumulative_sums(z)
    alarm = (high > 5.0) | (low > 5.0)
    if single:
        alarm |= np.abs(z) > 3.0
    assert alarm.any(axis=0).mean() > 0.998
    first = np.where(alarm.any(axis=0), alarm.argmax(axis=0) + 1, longest)
    return float(first.mean()), float(first.std() / runs**0.5)


def test_in_control_a_false_alarm_comes_as_seldom_as_published() -> None:
    """465 in Montgomery, Introduction to Statistical Quality Control; half of a one-sided chain."""
    assert chain(0.0) / 2.0 == pytest.approx(465.0, rel=0.003)
    mean, error = run_length(0.0, single=False, runs=1500, longest=3200)
    assert error < 15.0
    assert mean == pytest.approx(465.0, abs=3.0 * error)


def test_both_rules_together() -> None:
    """223 by the chain with a limit of 3 (Lucas 1982 gives 223.4, from memory)."""
    # An upward and a downward alarm exclude each other: their rates add.
    together = chain(0.0, limit=3.0) / 2.0
    assert together == pytest.approx(223.4, rel=0.01)
    mean, error = run_length(0.0, single=True, runs=1500, longest=2000)
    assert mean == pytest.approx(together, abs=3.0 * error)


def test_a_step_by_one_sigma_is_found_in_ten() -> None:
    """10.4 from memory of the same table, 10.4 by the chain."""
    assert chain(1.0) == pytest.approx(10.4, abs=0.05)
    mean, error = run_length(1.0, single=False, runs=4000, longest=150)
    assert mean == pytest.approx(10.4, abs=3.0 * error + 0.05)


def test_sums_by_hand_and_across_a_missing_value() -> None:
    high, low = cumulative_sums(np.array([1.0, 2.0, np.nan, -3.0, 3.0, 5.0, 0.0, 9.0, 0.0]))
    # goes on from 5 after 7, and as before after 9, which is beyond the interval alone
    np.testing.assert_allclose(high, [0.5, 2.0, 2.0, 0.0, 2.5, 7.0, 4.5, 13.0, 4.0])
    np.testing.assert_allclose(low, [0.0, 0.0, 0.0, 2.5, 0.0, 0.0, 0.0, 0.0, 0.0])


# Charts ------------------------------------------------------------------------------------------


def test_clean_standards_seldom_alarm() -> None:
    """Charts of forty with all unknown: at most what 40 of 223 would give, and not none."""
    alarms = sum(watch(noise(seed)).dataset.alarm.values.any() for seed in range(400)) / 400
    assert 0.02 < alarms < 1.0 - np.exp(-40.0 / 223.0) + 0.06


def test_the_scatter_is_that_of_neighbours() -> None:
    found = [
        watch(213.0 + 0.5 * noise(seed, 60), reference=213.0).dataset.sigma.values[0]
        for seed in range(200)
    ]
    assert np.mean(found) == pytest.approx(0.5, rel=0.05)
    slow = 10.0 * np.sin(np.linspace(0.0, 2.0, 60)) + 0.5 * noise(3, 60)
    assert watch(slow).dataset.sigma.values[0] < 1.0  # a drift is no scatter


def test_a_large_step_is_found_where_it_is_and_does_not_touch_the_rest() -> None:
    """Centre and scatter are those of the good standards, as if the others had not been there."""
    doubted, without, moved = 0, 0, []
    for seed in range(200):
        good = 213.0 + 0.4 * noise(seed, 22)
        values = np.r_[good, 221.0 + 0.4 * noise(10_000 + seed, 8)]
        table, alone = watch(values).dataset, watch(good).dataset
        assert not table.in_control[22:].any() and table.alarm[22:].all()
        assert set(table.alarm_rule.values[22:]) == {"beyond_three_sigma"}
        moved.append(table.centre.values[0] - alone.centre.values[0])
        doubted += bool(~table.in_control[:22].all())
        without += bool(~alone.in_control.all())
    assert np.quantile(np.abs(moved), 0.9) < 0.04  # a tenth of the scatter
    assert doubted <= without + 8
    assert without < 50  # 17 % expected with all estimated from 22, 9 % with all known


def test_a_small_step_is_found_by_sums_from_where_it_begins_to_where_it_ends() -> None:
    begins, ends, found = [], [], 0
    for seed in range(200):
        values = noise(seed, 80)
        values[30:55] += 1.5
        table = watch(values, reference=0.0, uncertainty=1.0).dataset
        out = ~table.in_control.values[25:60]
        if "cumulative_sum" in table.alarm_rule.values[30:55]:
            found += 1
            begins.append(25 + np.flatnonzero(out)[0])
            ends.append(25 + np.flatnonzero(out)[-1])
    assert found > 196
    assert abs(np.median(begins) - 30) <= 1 and abs(np.median(ends) - 54) <= 2


def test_a_fault_in_the_middle_does_not_cast_doubt_on_the_rest() -> None:
    """All is estimated, and a quarter of the standards is wrong by two sigma."""
    rest, inside = [], []
    for seed in range(200):
        values = noise(seed, 60)
        values[30:45] += 2.0
        fine = watch(values).dataset.in_control.values
        rest.append((~np.r_[fine[:28], fine[48:]]).mean())
        inside.append((~fine[30:45]).mean())
    assert np.mean(rest) < 0.06 and np.mean(inside) > 0.85


def test_one_bad_value_is_one_bad_standard() -> None:
    values = 0.8 * np.resize([1.0, -1.0], 20)
    values[7] = 50.0
    chart = watch(values, reference=0.0, uncertainty=1.0)
    np.testing.assert_array_equal(np.flatnonzero(~chart.dataset.in_control), [7])


def test_few_standards_are_not_judged() -> None:
    for given in ({}, {"reference": 0.0}, {"uncertainty": 1.0}):
        chart = watch(np.array([0.0, 1.0, np.nan, 90.0]), **given)
        assert chart.status == "not_enough_standards" and not chart.judged
        assert not chart.dataset.alarm.any() and np.isnan(chart.dataset.upper).all()
        assert not out_of_control(chart, hours([0.5, 3.0])).any()
    stated = watch(np.array([0.0, 90.0]), reference=0.0, uncertainty=1.0)  # nothing is guessed
    np.testing.assert_array_equal(stated.dataset.in_control, [True, False])
    still = watch(np.full(9, 4.0))
    assert still.status == "no_scatter" and not still.judged


def test_the_first_standards_may_set_the_centre() -> None:
    values = 0.3 * noise(4, 40)
    values[10:] += 5.0  # most are wrong: all together would call the first ones bad
    late = np.arange(40) >= 10
    np.testing.assert_array_equal(watch(values, baseline=10).dataset.in_control, ~late)
    np.testing.assert_array_equal(watch(values, reference=0.0).dataset.in_control, ~late)


def test_eight_on_one_side_is_off_by_default() -> None:
    values = np.r_[-0.3, np.full(8, 0.4), -0.3, 0.3, -0.3]
    given = {"reference": 0.0, "uncertainty": 1.0}
    assert watch(values, **given).status == "in_control"
    table = watch(values, rules=RULES, **given).dataset
    np.testing.assert_array_equal(np.flatnonzero(table.alarm), [8])
    np.testing.assert_array_equal(np.flatnonzero(~table.in_control), np.arange(1, 9))
    assert table.alarm_rule.values[8] == "eight_on_one_side"
    assert watch(values[1:8], rules=RULES, **given).status == "in_control"  # seven


def test_units_and_order_of_time() -> None:
    value = quantity(np.array([1.5, 1.501, 1.499, 1.4, 1.5]), "km/s")
    chart = control_chart(hours([4, 2, 3, 1, 0]), value, reference="1500 m/s", uncertainty="2 m/s")
    table = chart.dataset
    assert table.value.attrs["units"] == "km/s" and table.time.attrs["units"] == "s"
    np.testing.assert_allclose(table.value, [1.5, 1.4, 1.501, 1.499, 1.5])
    np.testing.assert_allclose(table.upper, 1.506)
    np.testing.assert_array_equal(table.in_control, [True, False, True, True, True])
    given = xr.DataArray([1.0, 2.0], dims="row", attrs={"units": "mV"})
    before = given.copy(deep=True)
    assert control_chart(hours([0, 1]), given).dataset.value.attrs["units"] == "mV"
    xr.testing.assert_identical(given, before)


# Readings between standards ----------------------------------------------------------------------


def test_readings_from_the_last_good_to_the_next_good_standard_are_doubted() -> None:
    values = np.array([0.0, 0.5, 9.0, 9.0, -0.5, 0.0])
    chart = watch(values, reference=0.0, uncertainty=1.0)
    at = [-3.0, 0.5, 1.0, 1.01, 2.0, 2.5, 3.99, 4.0, 4.5, 99.0, np.nan]
    expected = np.isin(np.arange(11), [3, 4, 5, 6])
    np.testing.assert_array_equal(out_of_control(chart, hours(at)), np.where(expected, BIT, 0))


def test_before_the_first_and_after_the_last_standard() -> None:
    chart = watch(np.array([9.0, 0.0, 0.1, np.nan, 9.0]), reference=0.0, uncertainty=1.0)
    found = out_of_control(chart, hours([-50.0, 0.5, 1.5, 2.5, 3.5, 50.0])) != 0
    np.testing.assert_array_equal(found, [True, True, False, True, True, True])


def test_calendar_times() -> None:
    start = np.datetime64("2031-05-02T00:00:00")
    at = start + np.arange(6) * np.timedelta64(12, "h")
    chart = control_chart(at, [0.0, 0.1, -0.1, 0.0, 9.0, 9.0], reference=0.0, uncertainty=1.0)
    when = xr.DataArray(
        start + np.array([0, 40, 60]) * np.timedelta64(1, "h"), dims="reading",
        coords={"depth": ("reading", [1.0, 2.0, 3.0])},
    )  # fmt: skip
    mask = out_of_control(chart, when)
    np.testing.assert_array_equal(mask, [0, BIT, BIT])
    assert mask.dims == ("reading",) and "depth" in mask.coords
    lost = np.array(["NaT", "2031-05-04T12:00:00"], dtype="datetime64[s]")
    np.testing.assert_array_equal(out_of_control(chart, lost), [0, BIT])
    with pytest.raises(ValueError, match="times are of type float64 and those of the chart date"):
        out_of_control(chart, hours([1.0]))


def test_errors() -> None:
    with pytest.raises(ValueError, match=r"rules has 'nine'; expected some of beyond_three_sigma"):
        watch(noise(1), rules=("nine",))
    with pytest.raises(ValueError, match=r"baseline is 3; centre and scatter need at least 4"):
        watch(noise(1), baseline=3)
    with pytest.raises(ValueError, match=r"3 times and 40 values"):
        control_chart(hours([0, 1, 2]), noise(1))
    with pytest.raises(UnitError, match="time: expected a quantity in s"):
        control_chart(np.arange(40.0), noise(1))
    with pytest.raises(UnitError, match="reference: expected 1, got 'm/s'"):
        watch(noise(1), reference="3 m/s")


# The figure --------------------------------------------------------------------------------------


def test_the_figure_draws_what_its_table_says() -> None:
    values = noise(2, 20)
    values[15:] += 12.0
    chart = watch(values)
    figure = draw(chart, name="brine")
    table = figure.table()
    assert list(table.columns) == list(COLUMNS)
    drawn = table[table.series == "out of control"]
    np.testing.assert_allclose(drawn.y, values[15:])
    np.testing.assert_allclose(drawn.x, np.arange(15, 20) / 24.0)
    good = table[table.series == "in control"]
    np.testing.assert_allclose(good.y, values[:15])
    limit = table[table.series == "upper limit"].y
    np.testing.assert_allclose(limit, chart.dataset.upper)
    for record in figure.drawn:
        np.testing.assert_allclose(record.artist.get_xdata(), record.table["x"])
        np.testing.assert_allclose(record.artist.get_ydata(), record.table["y"])
    assert figure.axes[0].get_ylabel() == "brine"
    assert "out of control, 20 checks" in figure.axes[0].get_title(loc="left")
    assert figure.picture() == draw(chart, name="brine").picture()


def test_the_figure_of_a_chart_that_judged_nothing_says_why() -> None:
    at = np.datetime64("2031-05-02T06:00:00") + np.arange(2) * np.timedelta64(12, "h")
    value = xr.DataArray([1.0, 2.0], dims="row", attrs={"units": "g/cm^3"})
    figure = draw(control_chart(at, value))
    assert figure.axes[0].get_title(loc="left") == "2 checks: not enough standards"
    assert figure.axes[0].get_xlabel() == "days since 2031-05-02"
    assert figure.axes[0].get_ylabel() == "check standard [g/cm³]"
    np.testing.assert_allclose(figure.table().x, [0.25, 0.75])
    with pytest.raises(NothingToDraw, match="needs a value of a standard"):
        draw(watch(np.full(3, np.nan)))
