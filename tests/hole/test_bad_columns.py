"""A cell that cannot be read in an optional column costs that cell and nothing else."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags
from corephys.hole.reading.tables import TABLES
from corephys.reduction.doubts import of_reading
from data_demo.simulator.hole import simulate_tables

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
TEXT = "unread"
PLACES = ("core", "section", "offset", "depth")


@cache
def sound() -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """The tables of a small simulated hole as text, and its settings."""
    tables, settings = simulate_tables(3001, small=True)[:2]
    return {name: _texts(frame) for name, frame in tables.items()}, settings


def _texts(frame: pd.DataFrame) -> pd.DataFrame:
    texts = frame.astype(object).where(frame.notna(), "").astype(str)
    for name in frame:
        if frame[name].dtype.kind == "f" and "run" in name:
            texts[name] = texts[name].str.removesuffix(".0")
    return texts


def optional_columns(name: str) -> list[Any]:
    """Columns of numbers or times of a table that its quantity does not need."""
    table = TABLES[name]
    held = {header.partition(" [")[0] for header in sound()[0][name]}
    kept = []
    for column in table.columns:
        needed = column.need != "optional" or column.kind == "text" or column.name in table.content
        alone = any(
            column.name in group and not held & (set(group) - {column.name})
            for group in table.one_of
        )
        if not (needed or alone or (column.name == "depth" and "section" not in held)):
            kept.append(column)
    return kept


def unique_row(name: str, frame: pd.DataFrame) -> int:
    """The first row from the middle on whose position and keys are those of no other row."""
    keys = [*PLACES, *TABLES[name].keys]
    if TABLES[name].by_name.get("run") and TABLES[name].by_name["run"].kind == "text":
        keys.append("run")
    columns = [h for h in frame if h.partition(" [")[0] in keys]
    columns = [h for h in columns if h.partition(" [")[0] not in ("repeat",)]
    alone = ~frame.duplicated(columns, keep=False) if columns else frame.index >= 0
    rows = np.flatnonzero(alone)
    return int(rows[rows.size // 2])


def with_cell(frame: pd.DataFrame, column: Any, row: int, text: str) -> pd.DataFrame:
    """A table with one cell of a column replaced; the column is added if it is not there."""
    changed = frame.copy()
    header = next((h for h in frame if h.partition(" [")[0] == column.name), None)
    if header is None:
        header = column.header
        changed[header] = ""
    changed.loc[row, header] = text
    return changed


CASES = [(name, column) for name in sound()[0] for column in optional_columns(name)]


def test_the_cases_cover_every_kind_of_table_and_column():
    names = {(table, column.name) for table, column in CASES}
    assert {
        ("scan/gamma", "time"),
        ("scan/gamma", "run"),
        ("scan/gamma", "live_time"),
        ("scan/pwave", "amplitude"),
        ("scan/pwave", "temperature"),
        ("samples/index_properties", "repeat"),
        ("samples/index_properties", "to"),
        ("standards/gamma", "time"),
        ("ages", "age_uncertainty"),
        ("downhole/tools", "u_heat_capacity"),
        ("cores", "time_on_deck"),
    } <= names
    assert ("ages", "age") not in names
    assert ("scan/gamma", "counts") not in names


@pytest.mark.parametrize(("name", "column"), CASES, ids=lambda v: getattr(v, "name", v))
def test_the_cell_is_missing_and_its_row_is_not_bad(name, column):
    tables, settings = sound()
    row = unique_row(name, tables[name])
    changed = {**tables, name: with_cell(tables[name], column, row, TEXT)}
    leaf = cp.hole_from_tables(changed, settings)[name].to_dataset(inherit=False)
    empty = {**tables, name: with_cell(tables[name], column, row, "")}
    expected = cp.hole_from_tables(empty, settings)[name].to_dataset(inherit=False)
    assert json.loads(leaf.attrs["bad_cells"]) == [[row, column.name, TEXT]]
    assert flags.names(leaf[f"{column.name}_reason"].values[row])[-1] == "bad_cell"
    assert leaf[f"{column.name}_flag"].values[row] == flags.MISSING
    others = np.delete(leaf[f"{column.name}_reason"].values, row)
    assert not (others & flags.bit("bad_cell")).any()
    for variable in expected.variables:
        xr.testing.assert_equal(leaf[variable].variable, expected[variable].variable)
    if "reason" in leaf and leaf["reason"].dtype.kind == "i":
        assert not (leaf["reason"].values & flags.bit("bad_cell")).any()


@cache
def both() -> tuple[xr.DataTree, xr.DataTree]:
    """Reductions with an unreadable cell in every optional column, and with empty ones."""
    tables, settings = sound()
    found = []
    for text in (TEXT, ""):
        changed = dict(tables)
        for number, (name, column) in enumerate(CASES):
            # Different rows, so that no row has all faults at once.
            row = unique_row(name, tables[name])
            row = row if column.name in ("run", "repeat") else (row + number) % len(tables[name])
            changed[name] = with_cell(changed[name], column, row, text)
        found.append(cp.reduce(cp.hole_from_tables(changed, settings), LEAN))
    return found[0], found[1]


def test_every_result_is_that_of_a_hole_with_the_cells_empty():
    unread, empty = both()
    paths = [node.path for node in empty.leaves if node.path.startswith(("/prop", "/prod"))]
    assert len(paths) > 40
    assert paths == [n.path for n in unread.leaves if n.path.startswith(("/prop", "/prod"))]
    for path in paths:
        a, b = unread[path].to_dataset(inherit=False), empty[path].to_dataset(inherit=False)
        xr.testing.assert_equal(a, b)
    for name in ("bulk_density_reason",):
        reasons = unread["properties/density"][name].values
        assert not (reasons & flags.bit("bad_cell")).any()


def test_the_unreadable_cells_are_counted_by_table_and_column():
    warnings = " ".join(of_reading(both()[0]))
    for name, column in CASES:
        lines = [w for w in of_reading(both()[0]) if w.startswith(f"{name}:")]
        assert any(f"{column.name} 1" in line for line in lines)
    assert "scan/gamma" in warnings


def test_a_required_cell_still_makes_its_row_bad():
    tables, settings = sound()
    frame = tables["scan/gamma"].copy()
    frame.loc[5, "counts"] = "12k"
    frame.loc[6, "time"] = "yesterday"
    reduced = cp.reduce(cp.hole_from_tables({**tables, "scan/gamma": frame}, settings), LEAN)
    density = reduced["properties/density"]
    assert "bad_cell" in flags.names(density["bulk_density_reason"].values[5])
    assert "bad_cell" not in flags.names(density["bulk_density_reason"].values[6])
    assert np.isfinite(density["bulk_density"].values[6])


def test_the_only_one_of_columns_that_stand_in_for_each_other_is_required():
    tables, settings = sound()
    frame = tables["scan/gamma"].copy()
    frame.loc[5, "real_time [s]"] = "long"
    hole = cp.hole_from_tables({**tables, "scan/gamma": frame}, settings)
    assert flags.names(hole["scan/gamma"]["reason"].values[5])[:1] == ["bad_cell"]
    assert "real_time_reason" not in hole["scan/gamma"]
    frame["live_time [s]"] = "4.9"
    hole = cp.hole_from_tables({**tables, "scan/gamma": frame}, settings)
    assert "bad_cell" not in flags.names(hole["scan/gamma"]["reason"].values[5])
    assert flags.names(hole["scan/gamma"]["real_time_reason"].values[5])[-1] == "bad_cell"


def test_the_place_of_a_table_by_depth_and_the_content_of_one_are_required():
    tables, settings = sound()
    ages = pd.DataFrame({"depth [m]": ["1", "2"], "age [kyr]": ["1", "old"]})
    hole = cp.hole_from_tables({**tables, "ages": ages}, settings)
    assert flags.names(hole["ages"]["reason"].values[1]) == ["bad_cell"]
    ages = pd.DataFrame({"depth [m]": ["1", "deep"], "age [kyr]": ["1", "2"]})
    hole = cp.hole_from_tables({**tables, "ages": ages}, settings)
    assert "bad_cell" in flags.names(hole["ages"]["reason"].values[1])


def test_a_column_of_the_name_of_the_flag_is_kept():
    tables, settings = sound()
    frame = tables["scan/gamma"].copy()
    frame["time_flag"] = "7"
    frame.loc[6, "time"] = "yesterday"
    leaf = cp.hole_from_tables({**tables, "scan/gamma": frame}, settings)["scan/gamma"]
    assert set(leaf["time_flag"].values.tolist()) == {7.0}
    assert json.loads(leaf.attrs["bad_cells"]) == [[6, "time", "yesterday"]]
