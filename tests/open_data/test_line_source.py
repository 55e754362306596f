"""What the choice of the window costs, on a heating test that others made in a box of wet sand.

Beier, Smith and Spitler (2011), Geothermics 40, 79: 1056 W along 18.3 m, radius 63 mm, a sample a
minute for some two days; conductivity of the sand by other means 2.82 to 2.88 W/(m K). The folder
is named by the environment variable ``COREPHYS_OPEN_DATA``; it is not part of the project.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import units
from corephys.samples import needle

POWER = 1056.0 / 18.3  # W/m
HOUR = 3600.0


@pytest.fixture(scope="module")
def sand(open_data):
    """Hourly samples of the mean of inlet and outlet as one heating run."""
    file = open_data / "line_source_test" / "sandbox.csv"
    if not file.is_file():
        pytest.skip("no heating test in the folder of open measurements")
    table = pd.read_csv(file)
    time = table["time_s"].to_numpy(float)
    mean = table[["T_inlet_degC", "T_outlet_degC"]].mean(axis=1).to_numpy(float)
    return time, mean


def _slope_from(time, mean, start):
    use = time >= start * HOUR
    return np.polyfit(np.log(time[use]), mean[use], 1)[0]


@pytest.mark.parametrize(("start", "expected"), [(5.0, 2.72), (20.0, 2.98)])
def test_line_source_slope_depends_on_where_it_begins(sand, start, expected):
    slope = _slope_from(*sand, start)
    found = needle.conductivity_from_slope(units.quantity(slope, "K"), units.quantity(POWER, "W/m"))
    assert found.to("W/(m K)").magnitude == pytest.approx(expected, abs=0.005)


def test_scan_of_all_windows_shows_that_dependence(sand):
    """Some windows read 2.7, some 3.0: the spread holds what was measured otherwise."""
    time, mean = (column[::30] for column in sand)
    number = time.size
    table = xr.Dataset(
        {
            "geometry": ("row", np.full(number, "full_space", dtype=object)),
            "heating_power": ("row", np.full(number, POWER), {"units": "W/m"}),
            "time": ("row", time, {"units": "s"}),
            "temperature": ("row", mean, {"units": "degC"}),
        },
        coords={"run": ("row", np.full(number, "sand", dtype=object))},
    )
    listed = needle.windows(table, minimum_window="20 h", volumetric_heat_capacity="3.2 MJ/(m^3 K)")
    long = (listed["end"] - listed["start"]) >= 25 * HOUR
    late = long & (listed["start"] >= 5 * HOUR)
    k = listed["conductivity"].values[late.values]
    k = k[np.isfinite(k)]
    print(f"{k.size} windows of 25 h and more that begin after 5 h: {np.percentile(k, 5):.2f} to "
          f"{np.percentile(k, 95):.2f}, median {np.median(k):.2f} W/(m K)")  # fmt: skip
    assert np.percentile(k, 5) < 2.85 < np.percentile(k, 95)
    assert np.ptp(k) > 0.1
