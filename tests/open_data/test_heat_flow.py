"""Heat flow of an open borehole: the spread between ways of carrying conductivity is shown.

Reference: the resistance-integral line fits that the data folder's notes give for the borehole of
the palaeoclimate example by B. Mather (2018): 63 to 67 mW/m^2 over the full depth and 67 to 76
over 140 to 303 m, depending on how conductivity is carried between its points.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import series
from corephys.products import heat_flow
from corephys.uncertainty import Measured


def _series(name, depth, values, u):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, np.asarray(u, float))})


def _flows(open_data, top, bottom):
    folder = open_data / "borehole_heat_flow"
    warm = pd.read_csv(folder / "temperature.csv")
    carried = pd.read_csv(folder / "thermal_conductivity.csv")
    warm = warm[warm["depth_m"].between(top, bottom)]
    stations = _series(
        "equilibrium_temperature", warm["depth_m"], warm["temperature_degC"], warm["temperature_sd"]
    )
    needles = _series(
        "thermal_conductivity", carried["depth_m"], carried["thermal_conductivity_W_mK"],
        carried["thermal_conductivity_sd"],
    )  # fmt: skip
    return heat_flow.compare_carriers(stations, needles)


@pytest.mark.parametrize(
    ("top", "bottom", "low", "high"), [(0.0, 400.0, 63.0, 67.0), (140.0, 303.0, 67.0, 76.0)]
)
def test_ways_of_carrying_conductivity(open_data, top, bottom, low, high):
    table = _flows(open_data, top, bottom)
    flow = table["heat_flow"].to_series()
    between = flow[["linear", "steps"]]  # the ways that integrate between the points
    # The printed ends are whole numbers: half of the last digit.
    assert between.min() >= low - 0.5 and between.max() <= high + 0.5
    # One value or one line for the whole hole is another matter, and the table does not hide it.
    assert table.attrs["spread"] > 1.0


@pytest.fixture(scope="module")
def borehole(open_data):
    folder = open_data / "borehole_heat_flow"
    warm = pd.read_csv(folder / "temperature.csv")
    carried = pd.read_csv(folder / "thermal_conductivity.csv")
    return _series(
        "equilibrium_temperature", warm["depth_m"], warm["temperature_degC"],
        warm["temperature_sd"],
    ), _series(
        "thermal_conductivity", carried["depth_m"], carried["thermal_conductivity_W_mK"],
        carried["thermal_conductivity_sd"],
    )  # fmt: skip


def test_drawn_errors_agree_with_the_first_order(borehole):
    """Conductivities stated to 25 %: drawn, the heat flow is a little higher and skewed upward."""
    warm, needles = borehole
    drawn = heat_flow.monte_carlo(warm, needles, draws=20000)
    # 20,000 draws know a deviation to half a per cent; 25 % is not small for a first order.
    assert float(drawn["heat_flow_u_random"]) == pytest.approx(
        float(drawn["heat_flow_first_order_uncertainty"]), rel=0.03
    )
    assert 0.0 < float(drawn["heat_flow"] - drawn["heat_flow_first_order"]) < 1.0
    assert 0.1 < float(drawn["heat_flow_skewness"]) < 0.3
    low, high = drawn["heat_flow_interval"].values
    assert low < 63.0 and high > 67.0  # the spread in print lies inside


def test_the_borehole_bends_and_no_single_cause_is_named(borehole):
    """A log on land that the climate has warmed: the upper part carries less heat upward."""
    warm, needles = borehole
    found = heat_flow.curvature(warm, heat_flow.thermal_resistance(needles, at=warm))
    assert found.attrs["shape"] == "curved"
    assert float(found["probability"]) < 1e-6
    # The stated 0.5 K and 25 % are far more than the scatter: taken as they are, nothing bends.
    assert float(found["probability_by_stated_errors"]) > 0.05
    top, bottom = found["heat_flow_by_end"].values
    assert top < bottom
    assert "became warmer" in found.attrs["candidates"]
    assert "flows downward" in found.attrs["candidates"]


def test_heat_flow_between_depths_is_wide_and_the_line_lies_inside(borehole):
    warm, needles = borehole
    resistance = heat_flow.thermal_resistance(needles, at=warm)
    pieces = heat_flow.intervals(warm, resistance)
    line = float(heat_flow.bullard(warm, resistance)["heat_flow"])
    assert abs(float(pieces["heat_flow_mean"]) - line) < float(pieces["heat_flow_mean_u_random"])
    assert float(pieces["heat_flow_mean_u_random"]) > 2 * float(
        pieces["heat_flow_weighted_mean_u_random"]
    )
