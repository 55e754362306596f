"""Checks of tables that hold values reduced elsewhere, in rows or in columns.

In rows each value has its quantity and unit beside it; in columns each header is the name of a
quantity, ``porosity [%]``, with ``u_porosity [%]``, ``u_systematic_porosity [%]`` and
``porosity_flag`` where they are known.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any

import numpy as np

from corephys.ground import thresholds, units
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.columns import PLACES, Columns
from corephys.hole.reading.error import Problem, nearest, rows_in_words

__all__ = ["RANDOM", "SYSTEMATIC", "as_text", "check", "quantity_columns"]

RANDOM, SYSTEMATIC = "u_", "u_systematic_"  # what stands before a quantity in its header
_IN_ROWS = ("value", "uncertainty", "systematic_uncertainty")
# Quantities that most reports publish, for messages.
_USUAL = (
    "bulk_density",
    "grain_density",
    "dry_density",
    "porosity",
    "void_ratio",
    "p_wave_velocity",
    "electrical_resistivity",
    "magnetic_susceptibility",
    "thermal_conductivity",
    "equilibrium_temperature",
)
_ALIKE = thresholds.value("supplied_misprint")


def quantity_columns(table: Columns) -> list[str]:
    """Columns of numbers that bear the name of a quantity."""
    return [name for name in table.values if name in TERMS and name not in PLACES]


def check(table: Columns) -> list[Problem]:
    """Faults of a table of supplied values that reading its cells does not show."""
    return [*_rows(table), *_columns(table), *_in_both_forms(table)]


def _in_both_forms(table: Columns) -> list[Problem]:
    """Quantities that one table holds in rows and in a column; only one could be used."""
    if "quantity" not in table or "value" not in table:
        return []
    words = table["quantity"]
    problems = []
    for name in quantity_columns(table):
        rows = np.flatnonzero(words == name)
        column = table[name]
        held = column.dtype.kind != "f" or bool(np.isfinite(column).any())
        if not rows.size or not (held or any(name == bad for _, bad, _ in table.bad)):
            continue
        what = f"{name} is there twice, in rows of the column 'quantity' and in a column {name!r}"
        mend = f"Write all values of {name} in one form, as rows or in its column"
        problems.append(Problem(table.file, table.line(int(rows[0])), "quantity", what, mend))
    return problems


# --------------------------------------------------------------------------------------------------
# Values in rows: quantity, value, unit.


def _rows(table: Columns) -> list[Problem]:
    """Names and units of values in rows, one problem for each wrong word."""
    if "quantity" not in table or "value" not in table:
        return []
    problems = [*_units_in_headers(table), *_unknown(table)]
    if "unit" not in table:
        return problems
    pairs = list(zip(table["quantity"].tolist(), table["unit"].tolist(), strict=True))
    faulty: set[str] = set()
    for quantity, unit in dict.fromkeys(pairs):
        wanted = TERMS[quantity].unit if quantity in TERMS else None
        fault = _unit_fault(unit, wanted)
        if not fault or (wanted is None and unit in faulty):
            continue
        faulty.add(unit)
        rows = [row for row, pair in enumerate(pairs) if pair == (quantity, unit)]
        what = f"{quantity}: {fault}{rows_in_words(len(rows))}"
        mend = f"Write a unit such as {wanted!r}" if wanted else "Write a unit that is known"
        problems.append(Problem(table.file, table.line(rows[0]), "unit", what, mend))
    return problems


def _unit_fault(unit: str, wanted: str | None) -> str:
    """What is wrong with a unit for a quantity stored in ``wanted``; empty if nothing is."""
    try:
        canonical = units.canonical(unit)
        if wanted is not None:
            units.convert(1.0, canonical, wanted)
    except units.UnitError as error:
        return str(error).rstrip(".")
    return ""


def _units_in_headers(table: Columns) -> list[Problem]:
    """Units in the header of a value whose row has a unit as well."""
    problems = []
    for header in table.cells.header:
        name, bracket, rest = header.partition("[")
        if name.strip() in _IN_ROWS and bracket and rest.rstrip("] ") != "1":
            what = f"{header!r} has a unit, and the column 'unit' gives the unit of each row"
            mend = f"Write the header {name.strip()!r}"
            problems.append(Problem(table.file, 1, header, what, mend))
    return problems


def _unknown(table: Columns) -> list[Problem]:
    """Quantities that the vocabulary does not have, one problem for each."""
    problems = []
    words = table["quantity"]
    for word in dict.fromkeys(words.tolist()):
        if word in TERMS and word not in PLACES:
            continue
        rows = np.flatnonzero(words == word)
        if not word:
            rows = rows[~np.isnan(table["value"][rows])]
            if not rows.size:
                continue
            what = f"the value has no quantity{rows_in_words(rows.size)}"
        else:
            what = f"there is no quantity {word!r}{rows_in_words(rows.size)}"
        mend = f"{_guess(word)}{_LIST}"
        problems.append(Problem(table.file, table.line(int(rows[0])), "quantity", what, mend))
    return problems


_LIST = (
    f"Write a name of the vocabulary, usually {', '.join(_USUAL)}; add a quantity of your own with "
    "cp.vocabulary.add before the hole is read"
)


def _guess(word: str) -> str:
    close = nearest(word.replace(" ", "_"), _quantities())
    return f"Did you mean {close!r}? " if close else ""


def _quantities() -> Iterable[str]:
    return [name for name in TERMS if name not in PLACES]


# --------------------------------------------------------------------------------------------------
# Values in columns: porosity [%], u_porosity [%].


def _columns(table: Columns) -> list[Problem]:
    """Units and names of columns that bear the name of a quantity, or nearly so."""
    named = quantity_columns(table)
    problems = _misprints(table)
    for name in named:
        problems += _column_unit(table, name, TERMS[name].unit)
    if named and "quantity" not in table:
        problems += _without_quantity(table)
    for name in map(str, table.values):
        kind, quantity = _companion(name)
        if not kind:
            continue
        if quantity in named:
            if kind == "flag":
                problems += _flag_words(table, name)
            else:
                wanted = units.difference_unit(TERMS[quantity].unit)
                problems += _column_unit(table, name, wanted)
        elif quantity in TERMS and kind != "flag":
            what = f"{name} is an uncertainty, but there is no column {quantity!r}"
            mend = f"Add the column '{quantity} [{TERMS[quantity].unit}]', or take this one out"
            problems.append(Problem(table.file, 1, name, what, mend))
    return problems


def _companion(name: str) -> tuple[str, str]:
    """Kind of a column beside a quantity (random, systematic, flag), and that quantity."""
    if name.startswith(SYSTEMATIC):
        return "systematic", name.removeprefix(SYSTEMATIC)
    if name.startswith(RANDOM):
        return "random", name.removeprefix(RANDOM)
    if name.endswith("_flag"):
        return "flag", name.removesuffix("_flag")
    return "", ""


def _column_unit(table: Columns, name: str, wanted: str) -> list[Problem]:
    """The fault of the unit of one column of numbers, if it has one."""
    header = f"{name} [{wanted}]"
    if name not in table.units:
        held = [str(text) for text in table[name] if str(text)]
        if not held:
            return []
        what = f"{name} is no column of numbers, its first cell is {held[0]!r}"
        mend = f"Write numbers with a decimal point, and no row of units, under {header!r}"
        return [Problem(table.file, 1, name, what, mend)]
    unit = table.units[name]
    if unit == "1" and wanted not in ("1", "%"):
        what = f"{name} has no unit"
    else:
        what = _unit_fault(unit, wanted)
    return (
        [Problem(table.file, 1, name, what, f"Write a header such as {header!r}")] if what else []
    )


def _without_quantity(table: Columns) -> list[Problem]:
    """Uncertainties of a row whose values stand in columns: of which of them is not known."""
    problems = []
    for name in ("uncertainty", "systematic_uncertainty"):
        if name in table:
            start = RANDOM if name == "uncertainty" else SYSTEMATIC
            what = f"the values stand in columns, and {name} does not state of which it is"
            mend = f"Name it after its quantity, such as '{start}porosity [%]'"
            problems.append(Problem(table.file, 1, name, what, mend))
    return problems


def _misprints(table: Columns) -> list[Problem]:
    """Columns whose name is nearly that of a quantity; they would be kept and not used."""
    problems = []
    known = {name: name for name in _quantities()}
    for start in (RANDOM, SYSTEMATIC):
        known |= {f"{start}{name}": name for name in _quantities()}
    for name in map(str, table.values):
        if name in known or name in table.table.by_name or name not in table.units:
            continue
        word = name.strip().lower().replace(" ", "_").replace("-", "_")
        close = difflib.get_close_matches(word, known, n=1, cutoff=_ALIKE)
        # Beside the quantity itself, a similar name is a choice: 'porosity_2' is no misprint.
        if close and close[0] not in table:
            what = f"{name!r} is not the name of a quantity and would not be used"
            mend = f"Did you mean {close[0]!r}? If not, give the column a less similar name"
            problems.append(Problem(table.file, 1, name, what, mend))
    return problems


def _flag_words(table: Columns, name: str) -> list[Problem]:
    """Flags of one quantity that are neither words nor numbers of the scheme."""
    legal: dict[str, Any] = dict.fromkeys(table.table.by_name["flag"].choices)
    for row, given in enumerate(table[name].tolist()):
        if as_text(given) not in (*legal, ""):
            what = f"{given!r} is not a flag"
            mend = f"Write one of {', '.join(legal)}"
            return [Problem(table.file, table.line(row), name, what, mend)]
    return []


def as_text(flag: Any) -> str:
    """A flag as a word or whole number in text; empty where there is none."""
    if isinstance(flag, float):
        return "" if np.isnan(flag) else f"{flag:g}"
    return str(flag).strip().lower().replace(" ", "_").removesuffix(".0")
