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

from corephys import series
from corephys.products import heatflow
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
    return heatflow.compare_carriers(stations, needles)


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
