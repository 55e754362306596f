"""The long table of one-dimensional compression tests, grouped into tests and steps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds, units
from corephys.ground.cards import RESEARCH_ONLY

KEYS = ("core", "section", "offset", "depth", "depth_fitted", "offset_closed", "depth_closed", "to",
        "test", "sample_id")  # fmt: skip
SAFETY = RESEARCH_ONLY
FEWEST_STEPS = thresholds.count("loading_steps")


@dataclass
class Step:
    """One step of a test.

    Parameters
    ----------
    number, stress : float
        Its number and its vertical effective stress [kPa].
    row : int
        Row of the table that ends the step.
    time, height, void_ratio : ndarray, (n,)
        Readings in order of time [s], [mm], [1]; NaN where not given.
    reason : int
        Of the row that ends the step.
    """

    number: float
    stress: float
    row: int
    time: np.ndarray
    height: np.ndarray
    void_ratio: np.ndarray
    reason: int


@dataclass
class Test:
    """One test: its name, its first row and its steps in order."""

    name: str
    first: int
    steps: list[Step] = field(default_factory=list)


def gather(table: xr.Dataset) -> list[Test]:
    """Group the rows of a table into tests, in the order in which they appear."""
    lacking = [name for name in ("test", "step", "stress") if name not in table]
    if lacking:
        raise ValueError(
            f"the consolidation table has no {', '.join(lacking)}; it needs test, step, stress and "
            "void_ratio or height"
        )
    if "void_ratio" not in table and "height" not in table:
        raise ValueError(
            "the consolidation table has neither void_ratio nor height [mm]; give one of them"
        )
    size = table["test"].size
    column = {
        name: _column(table, name, unit, size)
        for name, unit in (
            ("step", "1"), ("stress", "kPa"), ("void_ratio", "1"), ("height", "mm"), ("time", "s"),
        )
    }  # fmt: skip
    reason = np.zeros(size, np.int64)
    if "reason" in table:
        reason = np.asarray(table["reason"].values, dtype=np.int64)
    names = table["test"].values.astype(str)
    tests = []
    for name in dict.fromkeys(names):
        rows = np.flatnonzero(names == name)
        test = Test(str(name), int(rows[0]))
        for number in np.unique(column["step"][rows]):
            test.steps.append(_step(number, rows[column["step"][rows] == number], column, reason))
        tests.append(test)
    return tests


def _column(table: xr.Dataset, name: str, unit: str, size: int) -> np.ndarray:
    if name not in table:
        return np.full(size, np.nan)
    if name in ("step", "void_ratio") and "units" not in table[name].attrs:
        return np.asarray(table[name].values, dtype=float)
    return np.asarray(units.as_floats(table[name], unit, name), dtype=float)


def _step(
    number: float, rows: np.ndarray, column: dict[str, np.ndarray], reason: np.ndarray
) -> Step:
    time = column["time"][rows]
    order = np.argsort(np.where(np.isnan(time), np.inf, time), kind="stable")
    if np.isnan(time).all():
        order = np.arange(rows.size)
    rows = rows[order]
    known = np.isfinite(column["void_ratio"][rows]) | np.isfinite(column["height"][rows])
    sound = known & (flags.from_reason(reason[rows]) <= flags.SUSPECT)
    last = int(rows[np.flatnonzero(sound)[-1]]) if sound.any() else int(rows[-1])
    return Step(
        float(number), float(column["stress"][last]), last, column["time"][rows],
        column["height"][rows], column["void_ratio"][rows], int(reason[last]),
    )  # fmt: skip


def per_test(value: Any, unit: str, name: str, tests: list[Test]) -> np.ndarray:
    """A number for every test: one for all, or a DataArray with the coordinate ``test``."""
    numbers = units.as_floats(value, unit, name, optional=True)
    if numbers is None:
        return np.full(len(tests), np.nan)
    if not getattr(numbers, "dims", ()):
        return np.full(len(tests), float(numbers))
    if "test" not in numbers.coords:
        raise ValueError(f"{name} has several values and no coordinate 'test' to tell them apart")
    known = dict(zip(numbers["test"].values.astype(str), numbers.values, strict=True))
    return np.array([known.get(test.name, np.nan) for test in tests], dtype=float)


def along(table: xr.Dataset, rows: list[int], **extra: Any) -> dict[str, Any]:
    """Coordinates along ``reading`` of some rows of a table."""
    coords = {
        name: ("reading", table[name].values[rows], dict(table[name].attrs))
        for name in KEYS
        if name in table
    }
    return {**coords, **{name: ("reading", np.asarray(part)) for name, part in extra.items()}}
