"""Waveforms in a hole folder: read, checked with all the rest, placed, saved and loaded."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from corephys.export import load, save
from corephys.ground import flags, provenance
from corephys.hole import HoleError, read_hole
from corephys.sensors import pwave
from data_demo.simulator.waveforms import synthetic_arrivals
from tests.export.test_cf import faults

NODE, FILE = "scan/pwave_waveforms", "scan/pwave_waveforms.nc"


def recorded(**changes: Any) -> xr.Dataset:
    """A file as an instrument's own export might be written with xarray."""
    rng = np.random.default_rng(3)
    time, values = synthetic_arrivals(rng, 5, 40.0, 30.0, samples=900)
    counts = np.round(4000.0 * values).astype(np.int16)
    _, trace = synthetic_arrivals(rng, 1, 45.0, 60.0, samples=900)
    variables: dict[str, Any] = {
        "waveform": (("reading", "time"), counts),
        "core": ("reading", np.array(["1", "1", "1", "2", "2"], dtype=object)),
        "section": ("reading", np.array(["1", "1", "2", "1", "1"], dtype=object)),
        "offset": ("reading", [10.0, 20.0, 5.0, 50.0, 60.0], {"units": "cm"}),
        "time": ("time", time, {"units": "us"}),
        "water_trace": ("time", trace[0]),
        "water_travel_time": ((), 45.0, {"units": "us"}),
    }
    for name, value in changes.items():
        if value is None:
            del variables[name]
        else:
            variables[name] = value
    return xr.Dataset(variables).set_coords([n for n in ("time",) if n in variables])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "scan").mkdir()
    (tmp_path / "hole.toml").write_text('[hole]\nname = "test hole"\n', encoding="utf-8")
    tables = {
        "cores": "core,coring_method,top [m],advance [m],recovered [m]\n"
        "1,piston,0.0,9.0,2.7\n2,piston,9.0,9.0,1.5\n",
        "sections": "core,section,length [m],core_diameter [mm]\n"
        "1,1,1.50,66\n1,2,1.20,66\n2,1,1.50,66\n",
    }
    for name, text in tables.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


def write(folder: Path, dataset: xr.Dataset) -> Path:
    dataset.to_netcdf(folder / FILE, engine="netcdf4")
    return folder


def test_waveforms_are_read_and_placed(folder: Path) -> None:
    given = recorded()
    hole = read_hole(write(folder, given))
    node = hole[NODE].to_dataset(inherit=False)
    assert node["waveform"].dims == ("reading", "record_time")
    np.testing.assert_array_equal(node["waveform"], given["waveform"])
    assert node["waveform"].dtype == np.int16
    np.testing.assert_allclose(node["depth"], [0.10, 0.20, 1.55, 9.50, 9.60])
    for name in ("core", "section", "offset", "run", "depth_fitted", "record_time"):
        assert name in node.coords
    assert list(node["core"].values) == ["1", "1", "1", "2", "2"]
    assert (node["flag"] == flags.GOOD).all()
    assert node["record_time"].attrs["units"] == "us"
    assert float(node["water_travel_time"]) == 45.0
    assert FILE in json.loads(hole.attrs["source_files"])
    digests = json.loads(hole.attrs["input_sha256"])
    assert digests[FILE] == provenance.digest(folder / FILE)


def test_what_was_read_can_be_picked(folder: Path) -> None:
    node = read_hole(write(folder, recorded()))[NODE].to_dataset(inherit=False)
    picked = pwave.pick(
        node["waveform"], water_trace=node["water_trace"],
        water_travel_time=node["water_travel_time"], reason=node["reason"],
    )  # fmt: skip
    np.testing.assert_allclose(picked["travel_time_correlation"], 40.0, atol=0.05)
    np.testing.assert_allclose(picked["travel_time"]["depth"], node["depth"])


def test_other_units_whole_number_keys_and_the_order_of_dimensions(folder: Path) -> None:
    plain = recorded()
    given = recorded(
        offset=("reading", [0.10, 0.20, 0.05, 0.50, 0.60], {"units": "m"}),
        time=("time", plain["time"].values * 1e-3, {"units": "ms"}),
        core=("reading", np.array([1, 1, 1, 2, 2])),
        waveform=(("time", "reading"), plain["waveform"].values.T.astype(np.float32)),
        run=("reading", [1, 1, 1, 1, 2]),
        room_temperature=("reading", [20.0, 20.1, 20.2, 20.3, 20.4], {"units": "degC"}),
    )
    node = read_hole(write(folder, given))[NODE].to_dataset(inherit=False)
    np.testing.assert_allclose(node["offset"], [10.0, 20.0, 5.0, 50.0, 60.0])
    np.testing.assert_allclose(node["record_time"], plain["time"])
    np.testing.assert_array_equal(node["waveform"], plain["waveform"])
    np.testing.assert_array_equal(node["run"], [1, 1, 1, 1, 2])
    assert list(node["core"].values) == ["1", "1", "1", "2", "2"]
    np.testing.assert_allclose(node["room_temperature"], 20.0 + 0.1 * np.arange(5))


def test_depths_alone_are_enough(folder: Path) -> None:
    given = recorded(
        core=None, section=None, offset=None, water_trace=None, water_travel_time=None,
        depth=("reading", [1.0, 2.0, 3.0, 4.0, 5.0], {"units": "m"}),
    )  # fmt: skip
    node = read_hole(write(folder, given))[NODE].to_dataset(inherit=False)
    np.testing.assert_allclose(node["depth"], [1.0, 2.0, 3.0, 4.0, 5.0])


def test_what_is_excluded_for_the_sensor_is_excluded_for_its_waveforms(folder: Path) -> None:
    text = "core,section,from [cm],to [cm],reason,sensor\n1,1,0,15,crack,pwave\n2,1,0,55,x,gamma\n"
    (folder / "exclusions.csv").write_text(text, encoding="utf-8")
    node = read_hole(write(folder, recorded()))[NODE].to_dataset(inherit=False)
    excluded = (node["reason"].values & flags.bit("excluded_by_user")) != 0
    np.testing.assert_array_equal(excluded, [True, False, False, False, False])


def test_one_position_twice_is_flagged_unless_the_runs_differ(folder: Path) -> None:
    twice = ("reading", [10.0, 10.0, 5.0, 50.0, 60.0], {"units": "cm"})
    node = read_hole(write(folder, recorded(offset=twice)))[NODE].to_dataset(inherit=False)
    same = (node["reason"].values & flags.bit("same_position_twice")) != 0
    assert same[:2].any() and not same[2:].any()
    runs = recorded(offset=twice, run=("reading", [1, 2, 1, 1, 1]))
    node = read_hole(write(folder, runs))[NODE].to_dataset(inherit=False)
    assert (node["flag"] == flags.GOOD).all()


@pytest.mark.parametrize(
    ("changes", "messages"),
    [
        ({"waveform": None}, ["there is no variable 'waveform'"]),
        ({"time": None}, ["there is no variable 'time'. Add it with the dimensions (time)"]),
        ({"time": ("time", 0.1 * np.arange(900))}, ["time has no attribute 'units'"]),
        ({"time": ("time", 0.1 * np.arange(900), {"units": "m"})}, ["different dimensions"]),
        (
            {"time": ("time", np.arange(900.0)[::-1].copy(), {"units": "us"})},
            ["time does not rise in even steps"],
        ),
        ({"core": None}, ["there is no column 'core'"]),
        ({"offset": ("reading", np.arange(5.0))}, ["offset has no unit"]),
        (
            {"section": ("reading", np.array(["1", "9", "2", "1", "1"], dtype=object))},
            [f"{FILE}:1", "'9'"],
        ),
        ({"water_travel_time": ((), 45.0)}, ["water_travel_time has no attribute 'units'"]),
        ({"water_trace": ("reading", np.arange(5.0))}, ["water_trace is float64 with the dim"]),
        (
            {"waveform": ("reading", np.arange(5.0)), "offset": None},
            ["Give numbers with the dimensions (reading, time)", "there is no column 'offset'"],
        ),
    ],
)  # fmt: skip
def test_every_fault_is_listed(folder: Path, changes: Any, messages: list[str]) -> None:
    with pytest.raises(HoleError) as caught:
        read_hole(write(folder, recorded(**changes)))
    for message in messages:
        assert message in str(caught.value)
    assert all(problem.file == FILE for problem in caught.value.problems)


def test_faults_of_waveforms_stand_with_those_of_tables(folder: Path) -> None:
    (folder / "scan" / "gamma.csv").write_text("core,section\n1,1\n", encoding="utf-8")
    with pytest.raises(HoleError) as caught:
        read_hole(write(folder, recorded(waveform=None)))
    assert {problem.file for problem in caught.value.problems} == {"scan/gamma.csv", FILE}


def test_a_file_that_is_no_netcdf_and_one_without_readings(folder: Path) -> None:
    (folder / FILE).write_text("core,section\n", encoding="utf-8")
    with pytest.raises(HoleError, match="the file cannot be read as netCDF"):
        read_hole(folder)
    (folder / FILE).unlink()
    with pytest.raises(HoleError, match="there is no dimension 'reading'"):
        read_hole(write(folder, recorded().rename(reading="shot")))


@pytest.mark.slow
def test_a_hole_with_waveforms_saves_loads_and_follows_cf(folder: Path, tmp_path: Path) -> None:
    hole = read_hole(write(folder, recorded()))
    path = save(hole, tmp_path / "hole.nc")
    again = load(path)
    xr.testing.assert_identical(again[NODE].to_dataset(inherit=False),
                                hole[NODE].to_dataset(inherit=False))  # fmt: skip
    assert faults(path, tmp_path) == {}


def test_picks_save_and_follow_cf(folder: Path, tmp_path: Path) -> None:
    node = read_hole(write(folder, recorded()))[NODE].to_dataset(inherit=False)
    picked = pwave.pick(node["waveform"], reason=node["reason"])
    path = save(xr.DataTree.from_dict({"/properties/travel_time": picked}), tmp_path / "picks.nc")
    xr.testing.assert_identical(load(path)["properties/travel_time"].to_dataset(), picked)
    assert faults(path, tmp_path) == {}
