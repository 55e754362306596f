"""Files that the first version of a format wrote still load, with every number they held."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground.provenance import FORMAT_VERSION
from tests.written.write import HERE, numbers

FORMATS = sorted(HERE.glob("format_*"))
each_format = pytest.mark.parametrize("folder", FORMATS, ids=lambda path: path.name)


def test_the_present_format_has_stored_files():
    assert HERE / f"format_{FORMAT_VERSION}" in FORMATS


@each_format
def test_a_reduced_hole_loads_with_all_its_numbers(folder: Path):
    with (folder / "numbers.csv").open(encoding="utf-8", newline="") as file:
        expected = [tuple(row) for row in csv.reader(file)][1:]
    tree = cp.load(folder / "reduced.nc")
    assert tree.attrs["format_version"] == folder.name.removeprefix("format_")
    assert len(expected) > 200
    assert list(numbers(tree)) == expected


@each_format
def test_it_opens_without_this_package(folder: Path):
    netcdf = pytest.importorskip("netCDF4")
    density = cp.load(folder / "reduced.nc")["properties/density/bulk_density"]
    with xr.open_datatree(folder / "reduced.nc", engine="netcdf4") as tree:
        plain = tree["properties/density/bulk_density"]
        np.testing.assert_array_equal(plain.values, density.values)
        assert plain.attrs["units"] == "g/cm^3"
    with netcdf.Dataset(folder / "reduced.nc") as file:
        raw = file["properties/density/bulk_density"]
        np.testing.assert_array_equal(np.ma.filled(raw[:], np.nan), density.values)


@each_format
def test_an_old_file_works_like_a_new_one(folder: Path, tmp_path: Path):
    tree = cp.load(folder / "reduced.nc")
    assert "2 cores (2 piston) to 6.0 m" in str(cp.overview(tree))
    cp.save(tree, tmp_path / "again.nc")
    xr.testing.assert_identical(cp.load(tmp_path / "again.nc"), tree)
    # Its own recipe still reads, and reduces the raw tables that it carries along.
    recipe = cp.Recipe.from_json(tree.attrs["recipe"])
    new = cp.reduce(cp.read_hole(folder / "hole"), recipe)
    assert new["properties/density/bulk_density"].shape == (
        tree["properties/density/bulk_density"].shape
    )


@each_format
def test_archives_and_stores_of_readings_open(folder: Path, tmp_path: Path):
    pytest.importorskip("zarr")
    for name in ("archive", "readings"):
        shutil.unpack_archive(folder / f"{name}.zip", tmp_path / name)
    tree = cp.load(folder / "reduced.nc")
    found = cp.archive.open(tmp_path / "archive")
    assert list(found) == ["hole"]
    for path in ("properties/density/bulk_density", "properties/velocity/p_wave_velocity"):
        np.testing.assert_array_equal(found["hole"][path].values, tree[path].values)
    summary = cp.archive.summary(tmp_path / "archive")
    assert isinstance(summary, pd.DataFrame) and len(summary) == 1
    cp.archive.reduce(tmp_path / "readings", tmp_path / "scans", progress=False)
    assert (tmp_path / "scans" / "reduced.zarr" / "density").is_dir()


@pytest.mark.slow
def test_another_process_makes_the_same_bits(tmp_path: Path):
    """Sets of names come in another order in every process; no sum may follow it."""
    program = (
        "import sys, corephys as cp\n"
        "recipe = {'depth': {'tide': '0.6 m', 'heave': '0.3 m', 'drill_string_relative': '0.1 %',"
        " 'offset': '0.5 cm'}, 'heat_flow': {'sedimentation_rate': '0.1 mm/yr',"
        " 'sedimentation_time': '2e6 yr'}}\n"
        "cp.save(cp.reduce(cp.read_hole(sys.argv[1]), recipe), sys.argv[2])\n"
    )
    hole = HERE.parents[1] / "data_demo" / "hole"
    made = []
    for seed in ("1", "2"):
        out = tmp_path / f"{seed}.nc"
        subprocess.run(
            [sys.executable, "-c", program, str(hole), str(out)],
            check=True, cwd=HERE.parents[1], env={**os.environ, "PYTHONHASHSEED": seed},
        )  # fmt: skip
        made.append(cp.load(out))
    xr.testing.assert_identical(*made)
