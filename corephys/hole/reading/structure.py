"""Checks of the geometry: cores, sections, intervals and layers against each other."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from corephys.ground import thresholds
from corephys.hole.placing.layout import encode
from corephys.hole.reading import supplied
from corephys.hole.reading.columns import Columns
from corephys.hole.reading.error import Problem, nearest, rows_in_words

__all__ = ["check", "unknown_sections"]

# Tops and advances are noted to a centimetre or two; less than this is not an overlap.
_OVERLAP = thresholds.value("core_overlap")  # m
_GREATEST_RUN = thresholds.value("greatest_run_number")
_SLACK = thresholds.value("section_end_slack")  # cm


def check(tables: dict[str, Columns]) -> list[Problem]:
    """Faults in the geometry of the tables, by table name.

    A table with missing columns is not checked here: :mod:`columns` reports it already.
    """
    cores = _with_columns(tables, "cores", "core", "top", "advance", "recovered")
    sections = _with_columns(tables, "sections", "core", "section", "length")
    problems: list[Problem] = []
    if cores:
        problems += _cores(cores)
    if sections:
        problems += _sections(sections, cores)
    for name in ("removed", "exclusions"):
        intervals = _with_columns(tables, name, "core", "section", "from", "to")
        if intervals and sections:
            problems += _intervals(intervals, sections)
    layers = _with_columns(tables, "layers", "top", "bottom")
    if layers:
        what = "the bottom {1:g} m lies above the top {0:g} m"
        mend = "Give the top first; depths grow downward"
        problems += _reversed(layers, "top", "bottom", what, mend)
        problems += _above_seafloor(layers, "top")
    stations = _with_columns(tables, "downhole/stations", "depth")
    if stations:
        problems += _above_seafloor(stations, "depth")
    for table in tables.values():
        problems += _whole_numbers(table)
    problems += _downhole(tables)
    for table in tables.values():
        if table.table.of_values:
            problems += supplied.check(table)
    return problems


def _with_columns(tables: dict[str, Columns], name: str, *columns: str) -> Columns | None:
    """A table, if it is there with all of these columns."""
    table = tables.get(name)
    return table if table is not None and all(c in table for c in columns) else None


def _above_seafloor(table: Columns, name: str) -> list[Problem]:
    """Negative depths: nothing of a hole lies above the seafloor."""
    rows = np.flatnonzero(table[name] < 0.0)
    if not rows.size:
        return []
    row = int(rows[0])
    what = f"{name} is {table[name][row]:g} m, above the seafloor{rows_in_words(rows.size)}"
    mend = "Depths count downward from the seafloor: correct the sign or the number"
    return [Problem(table.file, table.line(row), name, what, mend)]


def _whole_numbers(table: Columns) -> list[Problem]:
    """Runs and repeats that are not small whole numbers, a sign of columns that were exchanged."""
    problems = []
    for name in ("run", "repeat"):
        column = table.table.by_name.get(name)
        if column is None or column.kind != "number" or name not in table:
            continue
        values = table[name]
        wrong = np.isfinite(values)
        wrong &= (values != np.round(values)) | (values < 0) | (values > _GREATEST_RUN)
        rows = np.flatnonzero(wrong)
        if rows.size:
            row = int(rows[0])
            what = (
                f"{name} is {values[row]:g}, not a whole number from 0 to {_GREATEST_RUN:g}"
                f"{rows_in_words(rows.size)}"
            )
            mend = f"Number the {name}s of a position 1, 2, 3; is this the column of another value?"
            problems.append(Problem(table.file, table.line(row), name, what, mend))
    return problems


def _cores(cores: Columns) -> list[Problem]:
    """Cores given twice, negative lengths, and cores that overlap in depth."""
    problems = _twice(cores, ("core",))
    for name in ("advance", "recovered"):
        negative = np.flatnonzero(cores[name] < 0)
        for row in negative.tolist():
            what = f"{name} is {cores[name][row]:g} m, below zero"
            mend = "Write a length; a core without recovery has 0"
            problems.append(Problem(cores.file, cores.line(row), name, what, mend))
    top, advance = cores["top"], cores["advance"]
    allowed = np.full(top.shape, _OVERLAP)
    if "top_uncertainty" in cores:
        # Tops read from the drill string in a swell overlap by decimetres without a fault.
        allowed = allowed + np.nan_to_num(cores["top_uncertainty"])
    order = np.argsort(top, kind="stable")
    for upper, lower in zip(order[:-1].tolist(), order[1:].tolist(), strict=True):
        if cores["core"][upper] == cores["core"][lower]:
            continue  # a core that is there twice is named above
        overlap = top[upper] + advance[upper] - top[lower]
        if advance[upper] > 0 and overlap > allowed[upper] + allowed[lower] - _OVERLAP:
            what = (
                f"core {cores['core'][lower]!r} begins at {top[lower]:g} m, {overlap:.3g} m above "
                f"the end of core {cores['core'][upper]!r} ({top[upper]:g} m + advance "
                f"{advance[upper]:g} m)"
            )
            mend = (
                "Correct the top or the advance, so that cores do not overlap (recovery above "
                "100 % belongs in 'recovered [m]')"
            )
            problems.append(Problem(cores.file, cores.line(lower), "top", what, mend))
    return problems


def _sections(sections: Columns, cores: Columns | None) -> list[Problem]:
    """Sections given twice, negative lengths, and sections without a core."""
    problems = _twice(sections, ("core", "section"))
    for row in np.flatnonzero(sections["length"] < 0).tolist():
        what = f"length is {sections['length'][row]:g} m, below zero"
        mend = "Write the section's length as laid out"
        problems.append(Problem(sections.file, sections.line(row), "length", what, mend))
    if cores is None:
        return problems
    known = {name: row for row, name in enumerate(cores["core"].tolist())}
    for name in dict.fromkeys(sections["core"].tolist()):
        rows = np.flatnonzero(sections["core"] == name)
        line = sections.line(int(rows[0]))
        if name not in known:
            if name:
                what = f"there is no core {name!r} in {cores.file}{rows_in_words(rows.size)}"
                mend = _did_you_mean(name, known, "Add the core there, or correct the name")
                problems.append(Problem(sections.file, line, "core", what, mend))
            continue
        core = known[name]
        with np.errstate(over="ignore"):
            laid_out = float(sections["length"][rows].sum())
        for column in ("recovered", "advance"):
            if laid_out > 0 and cores[column][core] == 0:
                what = f"core {name!r} has sections of {laid_out:g} m and {column} is 0 m"
                mend = f"Write what was recovered and the advance in {cores.file}"
                problems.append(Problem(cores.file, cores.line(core), column, what, mend))
    return problems


def _intervals(intervals: Columns, sections: Columns) -> list[Problem]:
    """Intervals that run upward, leave their section, or name a section that does not exist."""
    what = "the interval runs from {0:g} to {1:g} cm, upward"
    mend = "Give the upper end first; offsets grow downward from the section's top"
    problems = _reversed(intervals, "from", "to", what, mend)
    pairs = zip(sections["core"].tolist(), sections["section"].tolist(), strict=True)
    with np.errstate(over="ignore"):  # a length beyond a float is a fault of its own
        length = dict(zip(pairs, (sections["length"] * 100).tolist(), strict=True))
    names = ("core", "section", "from", "to")
    for row, (core, section, start, end) in enumerate(
        zip(*(intervals[n].tolist() for n in names), strict=True)
    ):
        limit = length.get((core, section))
        if limit is not None and start <= end and (start < 0 or end > limit + _SLACK):
            what = (
                f"the interval {start:g} to {end:g} cm lies outside section {section!r} of core "
                f"{core!r}, which is {limit:g} cm long"
            )
            mend = "Correct the interval, or the section's length"
            column = "from" if start < 0 else "to"
            problems.append(Problem(intervals.file, intervals.line(row), column, what, mend))
    return problems + unknown_sections(intervals, set(length), sections.file)


def unknown_sections(
    table: Columns, known: Iterable[tuple[str, ...]], sections_file: str
) -> list[Problem]:
    """Cores and sections of a table that the hole does not have, one problem for each.

    ``known`` are the pairs of core and section of the hole, ``sections_file`` the file that lists
    them, for the message.
    """
    known = set(known)
    codes, pairs = encode(table["core"], table["section"])
    found = []
    for code, (core, section) in enumerate(pairs):
        if (core, section) in known or not core or not section:
            continue
        rows = np.flatnonzero(codes == code)
        siblings = [s for c, s in known if c == core]
        if siblings:
            column, word, legal = "section", section, siblings
            what = f"core {core!r} has no section {section!r} in {sections_file}, only "
            what += ", ".join(map(repr, sorted(siblings)))
        else:
            column, word, legal = "core", core, sorted({c for c, _ in known})
            what = f"no section of a core {core!r} is in {sections_file}"
        mend = _did_you_mean(word, legal, f"Add the {column} there, or correct the name")
        what += rows_in_words(rows.size)
        found.append(Problem(table.file, table.line(int(rows[0])), column, what, mend))
    return found


def _did_you_mean(word: str, legal: Iterable[str], otherwise: str) -> str:
    """The cure, with the nearest legal word; lost leading zeros are the usual slip."""
    legal = list(legal)
    trimmed = [k for k in legal if k.lstrip("0") == word.lstrip("0")]
    if trimmed:
        return f"Did you mean {trimmed[0]!r}? Keys are text, '01' is not '1'. {otherwise}"
    guess = nearest(word, legal)
    return f"Did you mean {guess!r}? {otherwise}" if guess else otherwise


def _twice(table: Columns, names: tuple[str, ...]) -> list[Problem]:
    """Keys that have more than one row."""
    codes, pairs = encode(*(table[name] for name in names))
    count = np.bincount(codes, minlength=len(pairs))
    problems = []
    for code in np.flatnonzero(count > 1).tolist():
        rows = np.flatnonzero(codes == code)
        words = " of ".join(
            f"{n} {k!r}" for n, k in reversed(list(zip(names, pairs[code], strict=True)))
        )
        what = f"{words} is there already, in row {table.line(int(rows[0]))}"
        mend = "Every core and section has one row: rename or take out the other"
        problems.append(Problem(table.file, table.line(int(rows[1])), names[-1], what, mend))
    return problems


def _reversed(table: Columns, first: str, last: str, what: str, mend: str) -> list[Problem]:
    """Intervals whose first end is greater than the last."""
    return [
        Problem(
            table.file,
            table.line(row),
            first,
            what.format(table[first][row], table[last][row]),
            mend,
        )
        for row in np.flatnonzero(table[first] > table[last]).tolist()
    ]


def _downhole(tables: dict[str, Columns]) -> list[Problem]:
    """Tools that stations name and stations that records name, and are not listed."""
    problems = []
    for name, key, parent in (
        ("downhole/stations", "tool", "downhole/tools"),
        ("downhole/formation_temperature", "station", "downhole/stations"),
    ):
        child, holder = _with_columns(tables, name, key), _with_columns(tables, parent, key)
        if holder is None:
            continue
        problems += _twice_named(holder, key)
        if child is None:
            continue
        known = set(holder[key].tolist())
        for word in dict.fromkeys(child[key].tolist()):
            if word in known or not word:
                continue
            rows = np.flatnonzero(child[key] == word)
            what = f"there is no {key} {word!r} in {holder.file}{rows_in_words(rows.size)}"
            mend = _did_you_mean(word, known, f"Add it to {holder.file}, or correct the name")
            problems.append(Problem(child.file, child.line(int(rows[0])), key, what, mend))
    return problems


def _twice_named(table: Columns, key: str) -> list[Problem]:
    """Names of tools or stations that have more than one row."""
    seen: dict[str, int] = {}
    problems = []
    for row, word in enumerate(table[key].tolist()):
        if word in seen and word:
            what = f"{key} {word!r} is there already, in row {table.line(seen[word])}"
            mend = f"Give every {key} one row and one name"
            problems.append(Problem(table.file, table.line(row), key, what, mend))
        seen.setdefault(word, row)
    return problems
