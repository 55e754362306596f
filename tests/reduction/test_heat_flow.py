"""Heat flow in a reduction: what the recipe asks for is there, and what is missing is said."""

from __future__ import annotations

import json

import numpy as np
import pytest

import corephys as cp
from corephys import figures
from data_demo.simulator.hole import simulate_tables


@pytest.fixture(scope="module")
def hole():
    tables, settings, _ = simulate_tables(47, small=True)
    return cp.hole_from_tables(tables, settings)


@pytest.fixture(scope="module")
def whole(hole):
    return cp.reduce(hole, {"heat_flow": {
        "depth_uncertainty": "0.3 m", "datum_uncertainty": "0.5 m", "monte_carlo_draws": 2000,
        "sedimentation_rate": "0.1 mm/yr", "sedimentation_time": "1e6 yr",
        "bottom_water_step": "0.1 K", "bottom_water_step_time": "30 yr",
        "heat_production": "constant", "heat_production_value": "1 uW/m^3",
        "extrapolate_to": "600 m",
    }})  # fmt: skip


def skipped(tree):
    return json.loads(tree.attrs["summary"])["skipped"]


def test_everything_that_was_asked_for_is_there(whole):
    flow = whole["products/heat_flow"]
    assert float((flow["heat_flow_random_parts"] ** 2).sum()) == pytest.approx(
        float(flow["heat_flow_u_random"]) ** 2
    )
    assert "depth" in flow["part"].values
    assert "depth" in flow["source"].values
    table = whole["products/heat_flow_corrections"]
    assert list(table["correction"].values) == [
        "none", "bottom water", "heat production", "sedimentation", "all together",
    ]  # fmt: skip
    assert np.all(table["heat_flow_correction"].values[1:] > 0.0)
    drawn = whole["products/heat_flow_monte_carlo"]
    assert float(drawn["heat_flow"]) == pytest.approx(
        float(flow["heat_flow"]), abs=0.3 * float(drawn["heat_flow_drawn_uncertainty"])
    )
    below = whole["products/temperature_below"]
    assert float(below["depth"].max()) == 600.0
    assert whole["products/heat_flow_curvature"].attrs["shape"] in ("straight", "curved")
    assert whole["products/heat_flow_intervals"].sizes["interval"] >= 2


def test_what_was_not_asked_for_is_said(hole):
    reasons = skipped(cp.reduce(hole))
    assert "no correction is chosen" in reasons["corrections of heat flow"]
    assert "monte_carlo_draws is 0" in reasons["heat flow drawn"]
    assert "extrapolate_to is not given" in reasons["temperature below the stations"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sedimentation_rate": "0.1 mm/yr"}, "needs sedimentation_time"),
        ({"bottom_water_step": "0.1 K"}, "needs bottom_water_step_time"),
        ({"heat_production": "constant"}, "needs heat_production_value"),
    ],
)
def test_half_a_correction_is_said(hole, change, words):
    assert words in skipped(cp.reduce(hole, {"heat_flow": change}))["corrections of heat flow"]


def test_the_figure_of_the_tests_holds_what_the_tables_say(whole):
    figure = figures.heat_flow_tests(whole)
    assert len(figure.axes) == 3
    table = figure.table()
    bars = table[table["series"] == "corrections"]
    added = whole["products/heat_flow_corrections"]["heat_flow_correction"].values[1:]
    np.testing.assert_allclose(2.0 * bars["x"], added)
    pieces = table[table["series"].str.startswith("intervals")]
    assert len(pieces) == whole["products/heat_flow_intervals"].sizes["interval"]
    for record in figure.drawn:
        assert np.isfinite(record.table["x"]).all()


def test_the_figure_without_corrections_has_two_panels(hole):
    assert len(figures.heat_flow_tests(cp.reduce(hole)).axes) == 2
