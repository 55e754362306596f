"""Files of a reduced hole are complete, read back unchanged, and safe in a spreadsheet."""

from __future__ import annotations

import csv
import os
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr

from corephys.export import flat, load, save, write_tables
from corephys.ground import flags
from corephys.ground.provenance import write_bytes, write_whole
from tests.reduced_tree import reduced_tree


@pytest.fixture(scope="module")
def tree() -> xr.DataTree:
    return reduced_tree(600)


def _one(dataset: xr.Dataset) -> xr.DataTree:
    return xr.DataTree.from_dict({"/": xr.Dataset(), "/scan/gamma": dataset})


def assert_same(given: xr.DataTree, read: xr.DataTree) -> None:
    """Values, types, attributes, coordinates and order of groups."""
    assert [node.path for node in given.subtree] == [node.path for node in read.subtree]
    xr.testing.assert_identical(given, read)
    for node in given.subtree:
        for name, variable in node.variables.items():
            assert read[node.path][name].dtype == variable.dtype, f"{node.path}/{name}"


def test_round_trip(tree: xr.DataTree, tmp_path: Path) -> None:
    assert_same(tree, load(save(tree, tmp_path / "reduced.nc")))


def test_a_second_round_trip_changes_nothing(tree: xr.DataTree, tmp_path: Path) -> None:
    first, second = tmp_path / "a.nc", tmp_path / "b.nc"
    save(load(save(tree, first)), second)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    "values",
    [
        np.array(["01", "NA", "", "µ-Å 深", "None", "nan", " x "], dtype=object),
        np.array(["", "", ""], dtype=object),
        np.array([], dtype=object),
        np.array(["2031-05-01T00:00:00.123456789", "NaT"], dtype="M8[ns]"),
        np.array(["2031-05-01T00:00:00.123", "NaT"], dtype="M8[ms]"),
        np.array(["1600-05-01", "NaT"], dtype="M8[s]"),
        np.array(["NaT", "NaT"], dtype="M8[s]"),
        np.array([True, False]),
        np.array([2**62 + 1, -1]),
        np.array([1, 2], dtype=np.int8),
        np.array([1.5, np.nan, np.inf], dtype=np.float32),
        np.array([np.nan, np.nan]),
        np.array([5e-324, 1.7976931348623157e308, 0.1]),
    ],
    ids=lambda values: f"{values.dtype}-{values.size}",
)
def test_round_trip_of_every_kind(values: np.ndarray, tmp_path: Path) -> None:
    given = _one(xr.Dataset({"column": ("reading", values, {"long_name": "a column"})}))
    assert_same(given, load(save(given, tmp_path / "x.nc")))


def test_round_trip_of_attributes(tmp_path: Path) -> None:
    long = "ü" * 200_000
    dataset = xr.Dataset(attrs={"empty": "", "long": long, "number": 3, "two": [1.0, 2.5]})
    dataset.attrs["truth"] = True
    dataset.attrs["table"] = {"a": None}
    read = load(save(_one(dataset), tmp_path / "x.nc"))["scan/gamma"].attrs
    assert read["empty"] == ""
    assert read["long"] == long
    assert read["number"] == 3
    assert list(read["two"]) == [1.0, 2.5]
    assert read["truth"] == "true"
    assert read["table"] == '{"a": null}'


def test_names_that_cf_does_not_allow_are_restored(tmp_path: Path) -> None:
    dataset = xr.Dataset(
        {
            "reading": ("reading", np.array([3.0, 1.0, 2.0])),
            "a name, 2": ("reading", np.arange(3.0)),
            "2nd": ("reading", np.arange(3.0)),
            "a_name__2": ("reading", np.ones(3)),
        }
    )
    path = save(_one(dataset), tmp_path / "x.nc")
    with netCDF4.Dataset(path) as file:
        names = list(file["scan/gamma"].variables)
    assert all(name.replace("_", "").isalnum() and name[0].isalpha() for name in names)
    assert len(set(names)) == 4
    assert_same(_one(dataset), load(path))


def test_plain_libraries_open_the_file(tree: xr.DataTree, tmp_path: Path) -> None:
    path = save(tree, tmp_path / "reduced.nc")
    wanted = tree["scan/gamma"]
    with xr.open_dataset(path, group="scan/gamma") as plain:
        assert list(plain["set"].values[:4]) == ["A", "", "NA", "Ä°"]
        assert plain["core"].values[0] == "01"
        times, given = plain["time"].values.astype("M8[s]"), wanted["time"].values
        assert np.array_equal(times, given, equal_nan=True)
        assert plain["flag"].dtype == np.int8
    with netCDF4.Dataset(path) as file:
        assert file["scan/gamma/core"][0] == "01"
        assert file["properties/density/bulk_density"].units == "g/cm^3"


def test_nothing_is_left_open(tree: xr.DataTree, tmp_path: Path) -> None:
    path = save(tree, tmp_path / "reduced.nc")
    read = load(path)
    path.unlink()
    assert float(read["properties/density"]["bulk_density"].mean()) > 1
    save(tree, path)  # a second save over a file that was loaded
    assert os.listdir(tmp_path) == ["reduced.nc"]


def test_large_arrays_are_compressed(tmp_path: Path) -> None:
    dataset = xr.Dataset({"core": ("reading", np.array(["12"] * 20_000, dtype=object))})
    assert save(_one(dataset), tmp_path / "x.nc").stat().st_size < 15_000


def test_a_failed_save_leaves_the_old_file(tree: xr.DataTree, tmp_path: Path) -> None:
    path = save(tree, tmp_path / "reduced.nc")
    before = path.read_bytes()
    broken = tree.copy()
    cells = np.array(["1", 2, None] * 3, dtype=object)
    broken["cores"] = xr.DataTree(xr.Dataset({"core": ("row", cells)}))
    with pytest.raises(TypeError, match="/cores/core holds 2"):
        save(broken, path)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["reduced.nc"]


def test_a_write_that_fails_half_way_leaves_nothing(
    tree: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def half(*_: Any) -> None:
        raise OSError("no space left on the disk")

    monkeypatch.setattr("corephys.export.netcdf._characters", half)
    with pytest.raises(OSError, match="no space"):
        save(tree, tmp_path / "reduced.nc")
    assert os.listdir(tmp_path) == []


def test_errors_state_the_cause_and_the_cure(tree: xr.DataTree, tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="does not exist; make it first"):
        save(tree, tmp_path / "none" / "reduced.nc")
    with pytest.raises(IsADirectoryError, match="it is a folder"):
        save(tree, tmp_path)
    with pytest.raises(FileNotFoundError, match="there is no file"):
        load(tmp_path / "reduced.nc")
    with pytest.raises(KeyError, match="it has cores"):
        flat(tree, "properties/densities")
    with pytest.raises(ValueError, match=r"give the result of cp\.reduce"):
        write_tables(_one(xr.Dataset()), tmp_path)


def test_a_later_format_is_refused(tmp_path: Path) -> None:
    tree = _one(xr.Dataset())
    tree.attrs["format_version"] = "99"
    with pytest.raises(ValueError, match="format 99"):
        load(save(tree, tmp_path / "x.nc"))


def test_write_whole_replaces_in_one_step(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_bytes(path, b"old")
    with write_whole(path) as other:
        other.write_bytes(b"new")
        assert path.read_bytes() == b"old"
        assert other.parent == path.parent and other.suffix == ".txt"
    assert path.read_bytes() == b"new"


def read_table(path: Path) -> tuple[list[str], dict[str, list[str]]]:
    with path.open(encoding="utf-8", newline="") as stream:
        header, *rows = list(csv.reader(stream))
    columns = zip(*rows, strict=True) if rows else [()] * len(header)
    return header, {name: list(column) for name, column in zip(header, columns, strict=True)}


def test_tables_hold_the_values(tree: xr.DataTree, tmp_path: Path) -> None:
    written = write_tables(tree, tmp_path / "tables")
    about = tmp_path / "tables" / "about.txt"
    assert sorted([*written, about]) == sorted((tmp_path / "tables").iterdir())
    assert "Research estimate; not for well control" in about.read_text(encoding="utf-8")
    header, table = read_table(tmp_path / "tables" / "density.csv")
    assert header[:6] == ["core", "section", "offset [cm]", "run", "depth [m]", "depth_fitted [m]"]
    density = tree["properties/density"]
    values = np.array([float(cell) for cell in table["bulk_density [g/cm^3]"]])
    # Two digits of 0.010 g/cm^3, the whole uncertainty: three decimals.
    assert np.abs(values - density["bulk_density"].values).max() <= 0.5001e-3
    assert table["bulk_density_u_random [g/cm^3]"][0] == "0.008"
    assert table["core"][0] == "01"
    words = {1: "good", 3: "suspect", 4: "bad"}
    assert table["bulk_density_flag"] == [words[f] for f in density["bulk_density_flag"].values]
    reasons = [
        "; ".join(w.replace("_", " ") for w in flags.names(mask))
        for mask in density["bulk_density_reason"].values
    ]
    assert table["bulk_density_reason"] == reasons
    assert {"", "spike", "void"} == set(reasons)


def test_every_header_names_its_unit(tree: xr.DataTree, tmp_path: Path) -> None:
    from corephys.ground.units import split_header

    for path in write_tables(tree, tmp_path):
        node = next(n for n in tree.leaves if path.stem.startswith(n.name) or n.name == path.stem)
        header, _ = read_table(path)
        for cell in header:
            name, unit = split_header(cell)
            if name in node.variables and not name.endswith(("_flag", "_reason")):
                assert (unit or "1") == node[name].attrs.get("units", "1")


def test_single_values_and_missing_ones(tree: xr.DataTree, tmp_path: Path) -> None:
    write_tables(tree, tmp_path)
    _, flow = read_table(tmp_path / "heat_flow.csv")
    assert flow["heat_flow [mW/m^2]"] == ["55.0"]  # whole uncertainty 1.2
    assert flow["surface_temperature_u_systematic [K]"] == [""]


def test_text_like_a_formula_gets_an_apostrophe(tmp_path: Path) -> None:
    cells = ['=HYPERLINK("x")', "+1", "-1", "@a", "\tx", "good", "a=b"]
    dataset = xr.Dataset(
        {"note": ("reading", np.array(cells, dtype=object)), "x": ("reading", -np.arange(7.0))},
        coords={"core": ("reading", np.array(["=1"] * 7, dtype=object))},
    )
    tree = xr.DataTree.from_dict({"/properties/density": dataset.rename(x="=x")})
    header, table = read_table(write_tables(tree, tmp_path)[0])
    assert table["note"] == [f"'{cell}" for cell in cells[:5]] + cells[5:]
    assert header == ["core", "note", "'=x"]
    assert table["core"][0] == "'=1"
    assert table["'=x"][1] == "-1"  # a number is not text


def test_a_text_column_with_the_name_of_a_mask_stays_text(tmp_path):
    """The reason of a grade is a sentence, not a mask of bits."""
    words = xr.Dataset({"grade_reason": ("reading", np.array(["cooled too short"], dtype=object))})
    tree = xr.DataTree.from_dict({"/properties/formation_temperature": words})
    write_tables(tree, tmp_path)
    assert "cooled too short" in (tmp_path / "formation_temperature.csv").read_text()
