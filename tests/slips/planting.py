"""How slips are planted in the tables of the demo hole."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from corephys.hole.reading.settings import parse

ROOT = Path(__file__).resolve().parents[2]
HOLE = ROOT / "data_demo" / "hole"
# Every so many readings of a scan are kept, so that a hole is read in a fraction of a second.
THINNED = {"gamma": 5, "pwave": 3, "susceptibility": 3, "resistivity": 2, "natural_gamma": 1}
TEXTS = ("core", "section", "set", "test", "station", "run", "detector")
Tables = dict[str, pd.DataFrame]
Settings = dict[str, Any]


@dataclass(frozen=True)
class Slip:
    """One slip.

    Parameters
    ----------
    name : str
        What was done to the tables, in words.
    plant : callable
        Changes tables and settings in place.
    check : str
        Check that finds it; ``"refused"`` where the structure of the hole is refused.
    words : str
        Part of the finding, or of the refusal.
    likely : str
        Part of the likely slip; empty for a refusal.
    flags : tuple of str
        Tables of which rows are flagged.
    """

    name: str
    plant: Callable[[Tables, Settings], None]
    check: str
    words: str
    likely: str = ""
    flags: tuple[str, ...] = ()


@cache
def _read() -> tuple[Tables, Settings]:
    tables = {}
    for path in sorted(HOLE.rglob("*.csv")):
        name = str(path.relative_to(HOLE).with_suffix("")).replace("\\", "/")
        if name.startswith("truth/"):
            continue
        head = pd.read_csv(path, nrows=0).columns
        frame = pd.read_csv(path, dtype={c: str for c in head if c in TEXTS}, keep_default_na=True)
        if name.startswith("scan/"):
            frame["run"] = pd.to_numeric(frame["run"])
            step = THINNED[name.removeprefix("scan/")]
            number = frame.groupby(["core", "section", "run"]).cumcount()
            frame = frame[number % step == 0].reset_index(drop=True)
        if name == "ages":
            frame["run"] = pd.to_numeric(frame["run"])
        tables[name] = frame
    settings, problems = parse((HOLE / "hole.toml").read_bytes())
    assert not problems
    return tables, settings


def sound() -> tuple[Tables, Settings]:
    """Tables and settings of the demo hole with thinned scans, without a slip."""
    tables, settings = _read()
    return {name: frame.copy() for name, frame in tables.items()}, deepcopy(settings)


# --------------------------------------------------------------------------------------------------
# How slips are planted.


def times(
    table: str, column: str, factor: float, **where: Any
) -> Callable[[Tables, Settings], None]:
    """Multiply a column, or its rows with some keys."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = rows_of(frame, where)
        frame[column] = frame[column].astype(float)
        frame.loc[rows, column] = frame.loc[rows, column] * factor

    return plant


def plus(table: str, column: str, term: float, **where: Any) -> Callable[[Tables, Settings], None]:
    """Add to a column, or to its rows with some keys."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = rows_of(frame, where)
        frame[column] = frame[column].astype(float)
        frame.loc[rows, column] = frame.loc[rows, column] + term

    return plant


def put(table: str, column: str, value: Any, **where: Any) -> Callable[[Tables, Settings], None]:
    """Write one value into a column, or into its rows with some keys."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = rows_of(frame, where)
        if column not in frame:
            frame[column] = "" if isinstance(value, str) else np.nan
        frame.loc[rows, column] = value

    return plant


def text(table: str, column: str, form: Callable[[Any], str]) -> Callable[[Tables, Settings], None]:
    """Write every cell of a column in another form."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        frame[column] = ["" if pd.isna(cell) else form(cell) for cell in frame[column]]

    return plant


def setting(section: str, key: str, value: Any) -> Callable[[Tables, Settings], None]:
    """Write a setting."""

    def plant(tables: Tables, settings: Settings) -> None:
        settings.setdefault(section, {})[key] = value

    return plant


def rows_of(frame: pd.DataFrame, where: dict[str, Any]) -> np.ndarray:
    """Rows of a frame with some keys; ``row`` is a position."""
    if "row" in where:
        rows = np.zeros(len(frame), dtype=bool)
        rows[where["row"]] = True
        return rows
    rows = np.ones(len(frame), dtype=bool)
    for key, value in where.items():
        rows &= (frame[key] == value).to_numpy()
    return rows


def both(*plants: Callable[[Tables, Settings], None]) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        for one in plants:
            one(tables, settings)

    return plant


def swap(table: str, first: str, second: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        frame[[first, second]] = frame[[second, first]].to_numpy()

    return plant


def drop(table: str, **where: Any) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        tables[table] = frame[~rows_of(frame, where)].reset_index(drop=True)

    return plant


def from_core_top(table: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        sections = tables["sections"]
        above = sections.groupby("core")["length [m]"].cumsum() - sections["length [m]"]
        key = dict(zip(zip(sections["core"], sections["section"], strict=True), above, strict=True))
        frame = tables[table]
        frame["offset [cm]"] = frame["offset [cm]"].astype(float) + [
            100 * key[pair] for pair in zip(frame["core"], frame["section"], strict=True)
        ]

    return plant


def turned(table: str, core: str, section: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = rows_of(frame, {"core": core, "section": section, "run": 1})
        frame.loc[rows, "offset [cm]"] = frame.loc[rows, "offset [cm]"].to_numpy()[::-1]

    return plant


def exchanged(table: str, core: str, first: str, second: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        names = {first: second, second: first}
        rows = rows_of(frame, {"core": core})
        frame.loc[rows, "section"] = [names.get(s, s) for s in frame.loc[rows, "section"]]

    return plant


def units_row(table: str, **units: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        first = {c: units.get(c.partition(" [")[0], frame[c].iloc[0]) for c in frame}
        body = frame.astype(object)
        tables[table] = pd.concat([pd.DataFrame([first], dtype=object), body], ignore_index=True)

    return plant


def rows_swapped(
    table: str, key: str, value: str, first: int, second: int
) -> Callable[[Tables, Settings], None]:
    """Exchange two rows among those with one key."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = np.flatnonzero(rows_of(frame, {key: value}))
        order = np.arange(len(frame))
        order[[rows[first], rows[second]]] = order[[rows[second], rows[first]]]
        tables[table] = frame.iloc[order].reset_index(drop=True)

    return plant


def grouped(value: float) -> str:
    """A number in groups of three digits."""
    return f"{value:,.0f}"


def comma(value: float) -> str:
    return str(value).replace(".", ",")


def day_first(stamp: str) -> str:
    return f"{stamp[8:10]}.{stamp[5:7]}.{stamp[:4]} {stamp[11:16]}"


def ages_in(unit_factor: float) -> Callable[[Tables, Settings], None]:
    return both(
        times("ages", "age [kyr]", unit_factor), times("ages", "age_uncertainty [kyr]", unit_factor)
    )


def pore_water(salinity: float) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.array([5.0, 40.0, 80.0, 120.0, 200.0])
        tables["pore_water"] = pd.DataFrame(
            {"depth [m]": depth, "salinity [g/kg]": salinity + 0.001 * depth * salinity / 35.0}
        )

    return plant


def supplied(
    values: float, unit: str, quantity: str = "porosity"
) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.arange(1.0, 31.0)
        level = values * (1.0 + 0.1 * np.sin(depth))
        tables["scan/reduced"] = pd.DataFrame({"depth [m]": depth, f"{quantity}{unit}": level})

    return plant


def two_passes() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.concatenate([np.arange(0.0, 30.0, 1.0), np.arange(0.25, 30.0, 1.0)])
        tables["scan/reduced"] = pd.DataFrame({"depth [m]": depth, "porosity": 0.6})

    return plant


def holes_named() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables["samples/index_properties"]
        frame["hole"] = ["A"] * (len(frame) - 20) + ["B"] * 20

    return plant


def excluded() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        sections = tables["sections"]
        tables["exclusions"] = pd.DataFrame(
            {
                "core": sections["core"],
                "section": sections["section"],
                "from [cm]": 0.0,
                "to [cm]": 100.0 * sections["length [m]"],
                "reason": "good",
            }
        )

    return plant


def stuck() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables["scan/gamma"]
        frame.loc[300:340, "counts"] = int(frame["counts"].iloc[300])

    return plant


GAMMA, PWAVE = "scan/gamma", "scan/pwave"
RESISTIVITY, SUSCEPTIBILITY = "scan/resistivity", "scan/susceptibility"
NATURAL = "scan/natural_gamma"
INDEX, NEEDLE = "samples/index_properties", "samples/needle"
SCANS = (GAMMA, PWAVE, RESISTIVITY, SUSCEPTIBILITY, NATURAL)
