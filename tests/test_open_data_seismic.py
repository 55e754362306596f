"""Two-way time and impedance of a real well log, where the open data are at hand."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import series
from corephys.products import seismic
from corephys.uncertainty import Measured

TOP, BOTTOM = 2450.13, 3299.92  # m
TWO_WAY_TIME = 0.474623  # s, independently computed like the two below
MEAN_IMPEDANCE = 9.0118  # MPa s/m
REFLECTION_RMS = 0.01203


@pytest.fixture(scope="module")
def log(open_data):
    """Density and velocity between the two depths; slowness that cannot be is missing."""
    (file,) = (open_data / "well_log").glob("*.las")
    header, rows = file.read_text().split("~A", maxsplit=1)
    curves = header.split("~CURVE")[1].splitlines()
    names = [line.split(".")[0].strip() for line in curves if line[:1] == " "]
    table = np.loadtxt(rows.splitlines()[1:])
    assert len(names) == table.shape[1]
    depth, slowness, density = (table[:, names.index(n)] for n in ("DEPT", "DT4P", "RHOB"))
    inside = (depth >= TOP - 0.01) & (depth <= BOTTOM + 0.01)
    slowness = np.where(slowness > 0, slowness, np.nan)[inside]
    coordinates = {"depth": ("reading", depth[inside], {"units": "m"})}

    def along(values):
        return xr.DataArray(values, dims="reading", coords=coordinates)

    velocity = series.build({"p_wave_velocity": Measured(along(1e6 / slowness))})
    return series.build({"bulk_density": Measured(along(density[inside] * 1e-3))}), velocity


ALL = ("good", "not_evaluated", "suspect", "bad")


def test_two_way_time_of_the_interval(log):
    _, velocity = log
    found = seismic.two_way_time(velocity, allow=ALL)
    assert velocity.sizes["reading"] == 5577
    assert found.attrs["readings_left_out"] == 0
    assert float(found.two_way_time[-1]) == pytest.approx(TWO_WAY_TIME, abs=1e-6)  # its last digit


def test_impedance_and_its_contrasts(log):
    impedance = seismic.acoustic_impedance(*log)
    mean = float(np.nanmean(impedance.acoustic_impedance))
    assert mean == pytest.approx(MEAN_IMPEDANCE, abs=6e-5)
    contrast = seismic.reflection_coefficient(impedance, allow=ALL).reflection_coefficient
    assert float(np.sqrt(np.mean(contrast**2))) == pytest.approx(REFLECTION_RMS, abs=6e-6)
