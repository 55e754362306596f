"""Two-way time and impedance of a real well log, where the open data are at hand."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.products import seismic
from corephys.uncertainty import Measured

TOP, BOTTOM = 2450.13, 3299.92  # m
TWO_WAY_TIME = 0.474623  # s, independently computed like the two below
MEAN_IMPEDANCE = 9.0118  # MPa s/m
REFLECTION_RMS = 0.01203


@pytest.fixture(scope="module")
def table(open_data):
    """Curves of the file by name."""
    (file,) = (open_data / "well_log").glob("*.las")
    header, rows = file.read_text().split("~A", maxsplit=1)
    curves = header.split("~CURVE")[1].splitlines()
    names = [line.split(".")[0].strip() for line in curves if line[:1] == " "]
    numbers = np.loadtxt(rows.splitlines()[1:])
    assert len(names) == numbers.shape[1]
    return lambda name: numbers[:, names.index(name)]


@pytest.fixture(scope="module")
def log(table):
    """Density and velocity between the two depths."""
    depth, slowness, density = (table(name) for name in ("DEPT", "DT4P", "RHOB"))
    inside = (depth >= TOP - 0.01) & (depth <= BOTTOM + 0.01)
    slowness = slowness[inside]
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


def test_the_slowness_that_cannot_be_is_flagged_and_left_out(log, table):
    """The S-wave curve holds -3278 in 105 rows; one of them is planted in the P-wave's."""
    slowness = table("DT4S")
    velocity = series.build({"s_wave_velocity": Measured(1e6 / slowness)})
    wrong = slowness < -3000.0
    assert wrong.sum() == 105
    assert np.all(velocity["s_wave_velocity_flag"].values[wrong] == flags.BAD)
    density, sound = log
    values = sound["p_wave_velocity"].copy()
    values[1000] = 1e6 / slowness[wrong][0]
    planted = series.build({"p_wave_velocity": Measured(values)})
    assert planted["p_wave_velocity_flag"].values[1000] == flags.BAD
    profile = seismic.profile(density, planted, merge_within="0 m", allow=ALL)
    assert profile.attrs["readings_left_out"] == 1
    assert profile.attrs["gaps"] == "[]"
    assert profile.sizes["reading"] == 5576


def test_the_profile_gives_the_same_time_and_contrasts(log):
    """Once more, by the profile and its table of times."""
    profile = seismic.profile(*log, merge_within="0 m", allow=ALL)
    table = seismic.time_depth(profile)
    ends = seismic.time_at_depth(table, profile["depth"][[0, -1]])["two_way_time"].values
    assert ends[1] - ends[0] == pytest.approx(TWO_WAY_TIME, abs=1e-6)
    mean = float(profile["acoustic_impedance"].mean())
    assert mean == pytest.approx(MEAN_IMPEDANCE, abs=6e-5)
    contrast = seismic.reflection_coefficient(profile, allow=ALL).reflection_coefficient
    assert float(np.sqrt(np.mean(contrast**2))) == pytest.approx(REFLECTION_RMS, abs=6e-6)


def test_averaging_keeps_the_time_and_takes_contrasts_away(log):
    profile = seismic.profile(*log, merge_within="0 m", allow=ALL)
    averaged = seismic.backus(profile, length="5 m")
    times = [float(np.diff(seismic.two_way_time(one, allow=ALL)["two_way_time"][[0, -1]])[0])
             for one in (profile, averaged)]  # fmt: skip
    # A long wave is never faster than the ray, and in these beds slower by under half a per cent.
    assert 0.0 < times[1] / times[0] - 1.0 < 0.005
    wavelet = seismic.ricker("40 Hz", "1 ms")
    found = [
        seismic.synthetic(seismic.reflectivity(one, time_step="1 ms"), wavelet, draws=0)
        for one in (profile, averaged)
    ]
    size = min(one.sizes["time"] for one in found)
    shapes = [one["synthetic_trace"].values[:size] for one in found]
    # 5 m is under a tenth of the wavelength: the trace keeps its shape.
    tie = seismic.tie(found[1].isel(time=slice(60, size - 60)), found[0]["synthetic_trace"],
                      largest_shift="20 ms", rotate=False)  # fmt: skip
    assert float(tie["tie_correlation"]) > 0.97
    assert shapes[1].std() / shapes[0].std() == pytest.approx(1.0, abs=0.15)
