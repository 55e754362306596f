"""Heat flow of a real borehole, where the open data are at hand.

The folder is named by the environment variable ``COREPHYS_OPEN_DATA``; it is not part of the
project.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys import series
from corephys.products import heatflow
from corephys.uncertainty import Measured

ROOT = Path(__file__).resolve().parents[1]
FOLDER = Path(os.environ.get("COREPHYS_OPEN_DATA", ROOT.parent / "shared" / "data"))
HOLE = FOLDER / "borehole_heat_flow"
pytestmark = pytest.mark.skipif(
    not HOLE.is_dir(), reason="no open data: set COREPHYS_OPEN_DATA to their folder"
)
# Of the thirty conductivities one is above the usual range of sediment and is suspect here.
ALLOW = ("good", "not_evaluated", "suspect")


def _read(file, name, columns):
    table = pd.read_csv(HOLE / file).dropna()
    depth = ("reading", table["depth_m"].to_numpy(float), {"units": "m"})
    value, u = (
        xr.DataArray(table[column].to_numpy(float), dims="reading", coords={"depth": depth})
        for column in columns
    )
    return series.build({name: Measured(value, u)})


@pytest.fixture(scope="module")
def hole():
    temperature = _read(
        "temperature.csv", "equilibrium_temperature", ("temperature_degC", "temperature_sd")
    )
    conductivity = _read(
        "thermal_conductivity.csv", "thermal_conductivity",
        ("thermal_conductivity_W_mK", "thermal_conductivity_sd"),
    )  # fmt: skip
    assert (temperature.sizes["reading"], conductivity.sizes["reading"]) == (34, 30)
    return temperature, conductivity


def _deep(temperature):
    depth = temperature["depth"].values
    return temperature.isel(reading=np.flatnonzero((depth >= 140) & (depth <= 303)))


def test_point_by_point_carriers_agree_with_independent_lines(hole):
    """Independent line fits give 63 to 67 over all depths and 67 to 76 mW/m^2 below 140 m."""
    whole = heatflow.compare_carriers(*hole, allow=ALLOW)
    deep = heatflow.compare_carriers(_deep(hole[0]), hole[1], allow=ALLOW)
    for how in ("linear", "steps"):
        assert 63 <= float(whole.heat_flow.sel(carrier=how)) <= 67, how
        assert 67 <= float(deep.heat_flow.sel(carrier=how)) <= 76, how


def test_the_spread_of_the_carriers_is_shown(hole):
    """One mean or one line for the hole misses the resistive lower half: the spread says so."""
    whole = heatflow.compare_carriers(*hole, allow=ALLOW)
    deep = heatflow.compare_carriers(_deep(hole[0]), hole[1], allow=ALLOW)
    assert 1.0 < whole.attrs["spread"] < 5.0
    assert deep.attrs["spread"] > 5.0
    point_by_point = deep.heat_flow.sel(carrier=["linear", "steps"]).max()
    assert (deep.heat_flow.sel(carrier=["harmonic mean", "trend"]) > point_by_point).all()
