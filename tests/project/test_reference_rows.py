"""Every published check value is recomputed, and every public formula has at least one.

The rows are data (``tests/reference/values*.csv``); :data:`tests.adapters.ADAPTERS` says how a row
is handed to its function.
"""

from __future__ import annotations

import csv
import json
import math
from importlib import import_module
from pathlib import Path

import numpy as np
import pint
import pytest

from corephys.ground import units
from tests.adapters import ADAPTERS, COVERS
from tests.formulas import NOT_FORMULAS, formulas, listed, modules

FOLDER = Path(__file__).resolve().parents[1] / "reference"
STATUS = {"published", "library", "memory", "definition"}


def read_rows(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


VALUES = [row for path in sorted(FOLDER.glob("values*.csv")) for row in read_rows(path.name)]
REGRESSION = read_rows("regression.csv")


def compute(row: dict[str, str]) -> float:
    """The number that the package gives for a row."""
    answer = ADAPTERS[row["function"]](json.loads(row["inputs"]))
    found = answer[row["result"]] if row["result"] else answer
    if isinstance(found, pint.Quantity):
        return float(units.as_floats(found, row["unit"], row["id"]))
    return float(np.asarray(found).item())


def agrees(row: dict[str, str], value: float) -> bool:
    """Whether a value lies within the row's tolerance; never true of NaN."""
    return abs(value - float(row["expected"])) <= float(row["tolerance"])


@pytest.mark.parametrize("row", VALUES, ids=lambda row: row["id"])
def test_published_value(row: dict[str, str]) -> None:
    value = compute(row)
    assert agrees(row, value), f"{value!r} {row['unit']}, expected {row['expected']} {row['unit']}"


@pytest.mark.parametrize("row", REGRESSION, ids=lambda row: row["id"])
def test_regression_value(row: dict[str, str]) -> None:
    value = compute(row)
    assert agrees(row, value), f"{value!r} {row['unit']}, was {row['expected']} {row['unit']}"


@pytest.mark.parametrize("row", VALUES, ids=lambda row: row["id"])
def test_row_is_whole(row: dict[str, str]) -> None:
    assert row["status"] in STATUS
    assert row["source"] and row["reason"] and row["unit"]
    assert math.isfinite(float(row["expected"]))
    tolerance, size = float(row["tolerance"]), abs(float(row["expected"]))
    assert 0.0 < tolerance <= 0.013 * size, "a tolerance above 1.3 % checks nothing"


def test_ids_are_unique() -> None:
    ids = [row["id"] for row in VALUES + REGRESSION]
    assert len(ids) == len(set(ids))


def test_a_wrong_value_and_a_nan_fail() -> None:
    row = VALUES[0]
    assert agrees(row, float(row["expected"]))
    assert not agrees(row, float(row["expected"]) + 1.01 * float(row["tolerance"]))
    assert not agrees(row, float("nan"))


def lacking(names: set[str], rows: list[dict[str, str]]) -> list[str]:
    """Formulas that no row checks."""
    checked = {COVERS[row["function"]] for row in rows}
    return sorted(names - checked)


def test_every_public_formula_has_a_published_value() -> None:
    assert lacking(set(formulas()), VALUES) == []


def test_a_formula_without_a_row_is_found() -> None:
    some = COVERS["seawater.density"]
    without = [row for row in VALUES if COVERS[row["function"]] != some]
    assert lacking(set(formulas()), without) == [some]
    assert lacking({*formulas(), "corephys.ground.seawater.planted"}, VALUES) == [
        "corephys.ground.seawater.planted"
    ]


def test_what_is_said_to_be_no_formula_exists_and_has_a_reason() -> None:
    there = set().union(*(listed(import_module(module)) for module in modules()))
    assert sorted(set(NOT_FORMULAS) - there) == []
    assert all(len(reason.split()) >= 4 for reason in NOT_FORMULAS.values())
