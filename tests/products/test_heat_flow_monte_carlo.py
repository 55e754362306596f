"""Drawn heat flows: against a plain loop, the first order, and what cannot be drawn."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from corephys.ground import series
from corephys.numerics import line as line_batch
from corephys.numerics.line import generalised_line
from corephys.products import heat_flow
from corephys.uncertainty import Measured
from tests.benchmarks import heat_flow as plain

WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.02 K",
}  # fmt: skip
AT = np.linspace(30, 190, 6)
KNOWN = np.linspace(4, 205, 16)


def _series(name, depth, values, u=0.01, effects=None):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u, effects or {})})


def _uniform(u_k=0.02, u_t=0.02, k_effects=None, t_effects=None):
    needles = _series("thermal_conductivity", KNOWN, np.full(16, 1.2), u_k, k_effects)
    warm = _series("equilibrium_temperature", AT, 2.0 + 0.06 * AT / 1.2, u_t, t_effects)
    return warm, needles


def test_batch_of_lines_is_the_generalised_line():
    rng = np.random.default_rng(4)
    x, y = np.arange(7.0), 1.0 + 2.0 * np.arange(7.0) + rng.normal(0, 0.1, 7)
    c = np.diag(rng.uniform(0.5, 2.0, 7)) + 0.2
    rows = line_batch.estimating_rows(x, c)
    np.testing.assert_allclose(rows.sum(axis=1), [1.0, 0.0], atol=1e-14)
    found = line_batch.lines_from_sums(rows @ x + np.zeros((1, 2)), rows @ y + np.zeros((1, 2)))
    line = generalised_line(x, y, np.zeros((7, 7)), c)
    np.testing.assert_allclose([found[0][0], found[1][0]], [line.intercept, line.slope], rtol=1e-12)
    with pytest.raises(ValueError, match="two points at different places"):
        line_batch.estimating_rows(np.ones(3), np.eye(3))


def test_draws_agree_with_a_plain_loop():
    """The loop of the benchmark: an integral and a plain line for every draw."""
    z, k, at, warm = plain.hole(30, 200)
    flows = plain.plain(z, k, at, warm, 4000)
    found = heat_flow.monte_carlo(
        plain.as_series("equilibrium_temperature", at, warm, plain.U_TEMPERATURE),
        plain.as_series("thermal_conductivity", z, k, 0.001), draws=20000,
    )  # fmt: skip
    error = flows.std() / np.sqrt(flows.size)
    # Other weights may move the line itself by a part of its scatter.
    assert float(found.heat_flow) == pytest.approx(flows.mean(), abs=0.25 * flows.std() + 4 * error)
    assert float(found.heat_flow_drawn_uncertainty) == pytest.approx(flows.std(), rel=0.08)


@pytest.mark.slow
@pytest.mark.parametrize("water", [{}, WATER])
@pytest.mark.parametrize("how", heat_flow.CARRIERS)
def test_small_errors_agree_with_the_first_order(how, water):
    warm, needles = _uniform(
        k_effects={"heating_power": 0.012, "both": 0.006},
        t_effects={"both": xr.DataArray(np.linspace(0, 0.03, 6), dims="reading")},
    )
    options = {"depth_uncertainty": "0.2 m", "datum_uncertainty": "0.3 m"}
    found = heat_flow.monte_carlo(warm, needles, how=how, draws=40000, **water, **options)
    resistance = heat_flow.thermal_resistance(needles, at=warm, how=how, **options)
    line = heat_flow.bullard(warm, resistance, **water)
    # 40,000 draws know a deviation to 0.35 %; errors of 2 % are linear to a per cent.
    assert float(found.heat_flow_u_random) == pytest.approx(
        float(line.heat_flow_u_random), rel=0.02
    )
    total = float(np.hypot(line.heat_flow_u_random, line.heat_flow_u_systematic))
    assert float(found.heat_flow_drawn_uncertainty) == pytest.approx(total, rel=0.02)
    assert float(found.heat_flow_first_order_uncertainty) == pytest.approx(total, rel=1e-9)
    np.testing.assert_allclose(found.heat_flow_effects, line.heat_flow_effects, rtol=1e-9)
    assert float(found.heat_flow) == pytest.approx(60.0, abs=4 * total / 200 + 0.02)


def test_wide_errors_are_skewed_and_the_quantiles_say_so():
    """A shared relative error of 20 %: heat flow is then lognormal, known in closed form."""
    warm, needles = _uniform(0.001, 0.001, k_effects={"heating_power": 0.24})
    found = heat_flow.monte_carlo(warm, needles, draws=60000, student=False)
    exact = 60.0 * np.exp(0.2 * stats.norm.ppf([0.158655, 0.841345]))
    np.testing.assert_allclose(found.heat_flow_interval.values, exact, rtol=0.01)
    w = np.exp(0.2**2)
    skewness = (w + 2) * np.sqrt(w - 1)
    assert float(found.heat_flow_skewness) == pytest.approx(skewness, abs=0.05)


def test_student_widens_the_interval_as_it_should():
    warm, needles = _uniform(1e-4, 0.02)
    plain_one = heat_flow.monte_carlo(warm, needles, draws=60000, student=False)
    wide = heat_flow.monte_carlo(warm, needles, draws=60000)
    ratio = np.ptp(wide.heat_flow_interval.values) / np.ptp(plain_one.heat_flow_interval.values)
    factor = stats.t.ppf(stats.norm.cdf(1.0), 4)
    assert ratio == pytest.approx(factor, rel=0.02)
    assert float(wide.heat_flow_u_random) == float(plain_one.heat_flow_u_random)


def test_the_same_seed_gives_the_same_draws_and_blocks_do_not_matter(monkeypatch):
    warm, needles = _uniform()
    one = heat_flow.monte_carlo(warm, needles, draws=500, seed=8)
    assert one.identical(heat_flow.monte_carlo(warm, needles, draws=500, seed=8))
    assert float(one.heat_flow) != float(heat_flow.monte_carlo(warm, needles, draws=500).heat_flow)
    from corephys.products.heat_flow import station_intervals

    monkeypatch.setattr(station_intervals, "_BLOCK", 16 * 8 * 50.0)
    many = heat_flow.monte_carlo(warm, needles, draws=5000)
    assert float(many.heat_flow) == pytest.approx(60.0, abs=0.1)


def test_what_cannot_be_drawn_is_refused():
    warm, needles = _uniform()
    with pytest.raises(ValueError, match="draws is 20; quantiles need"):
        heat_flow.monte_carlo(warm, needles, draws=20)
    unknown, _ = _uniform(u_t=float("nan"))
    with pytest.raises(ValueError, match=r"6 of 6 temperatures.*nothing to draw from"):
        heat_flow.monte_carlo(unknown, needles)
    with pytest.raises(ValueError, match="it needs three"):
        heat_flow.monte_carlo(warm.isel(reading=[0, 3]), needles)


@pytest.mark.parametrize("how", heat_flow.CARRIERS)
def test_a_resistance_at_hand_gives_what_its_conductivities_give(how):
    warm, needles = _uniform()
    errors = {"depth_uncertainty": "0.2 m", "datum_uncertainty": "0.3 m"}
    held = heat_flow.thermal_resistance(needles, at=warm, how=how, **errors)
    for function in (
        lambda **given: heat_flow.monte_carlo(warm, needles, how=how, draws=200, **given),
        lambda **given: heat_flow.temperature_at(warm, warm, needles, how=how, **given),
    ):
        xr.testing.assert_identical(function(resistance=held), function(**errors))
    one = heat_flow.compare_carriers(warm, needles, resistance=held, **errors)
    xr.testing.assert_identical(one, heat_flow.compare_carriers(warm, needles, **errors))


def test_a_resistance_of_another_way_or_place_is_refused():
    warm, needles = _uniform()
    held = heat_flow.thermal_resistance(needles, at=warm, how="steps")
    with pytest.raises(ValueError, match=r"interpolated by 'steps' and how is 'linear'; give how="):
        heat_flow.monte_carlo(warm, needles, resistance=held)
    elsewhere = heat_flow.thermal_resistance(needles, at=needles)
    with pytest.raises(series.PositionError, match=r"Bring one onto the other"):
        heat_flow.temperature_at(warm, warm, needles, resistance=elsewhere)
