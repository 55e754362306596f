"""Read and check ``import.toml``: which columns of which exports become which tables."""

from __future__ import annotations

import dataclasses
import fnmatch
import hashlib
import re
import tomllib
import zoneinfo
from collections.abc import Iterable
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from corephys.ground import units
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading import csv
from corephys.hole.reading.error import HoleError, Problem, nearest
from corephys.hole.reading.tables import TABLES, Column, Table
from corephys.importing.files import DELIMITERS, ENCODINGS, Layout
from corephys.importing.foreign_units import power_of_ten

__all__ = [
    "COMPLETED",
    "FILE",
    "FILE_NAME",
    "GIVEN_DEPTH",
    "Condition",
    "Correction",
    "Deduction",
    "Mapping",
    "Origin",
    "Source",
    "TableMapping",
    "Target",
    "column_of",
    "parse_mapping",
    "read_mapping",
]

FILE = "import.toml"
# Depth beside core, section and offset that is kept and compared, and places no row.
GIVEN_DEPTH = "given_depth"
FILE_NAME = "file name"  # key of [source.parts] that stands for the path of the file
RERUNS = ("number", "replace", "refuse")
OFFSETS = ("section top", "section bottom", "core top")
DECIMALS = (".", ",")
THOUSANDS = (",", ".", " ", "'")
# Columns that [deduce] completes in a list that the mapping gives without them.
COMPLETED = {
    "cores": ("coring_method", "advance", "recovered"),
    "sections": ("core_diameter",),
}
# Terms of the vocabulary that are positions and not quantities.
_PLACES = ("depth_fitted", "depth_closed", "depth_composite", "offset_closed")


@dataclass(frozen=True)
class Condition:
    """Rows to keep: the cells of one column that pass.

    Parameters
    ----------
    column : str
        Header of the export, or a part of a label.
    sign : {"in", "!=", ">=", ">", "<=", "<"}
        ``in`` takes any of the texts.
    texts : tuple of str
        Texts, or one number as text.
    """

    column: str
    sign: str
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Origin:
    """Where the cells of one column come from: the right-hand side of a line.

    Parameters
    ----------
    columns : tuple of str
        Headers of the export, joined with a space; empty for a constant.
    value : str
        The constant.
    unit : str
        Unit stated in the mapping; empty for none.
    factor : float
        Number by which values are multiplied; the product is in the unit.
    words : mapping of str to str
        Replacements of texts.
    null : tuple of str
        Further codes of a missing value.
    decimal, time_format, time_zone, thousands : str
        In place of those of the source; empty for these.
    reciprocal : bool
        The value is one over the product of number and factor.
    """

    columns: tuple[str, ...] = ()
    value: str = ""
    unit: str = ""
    factor: float = 1.0
    words: tuple[tuple[str, str], ...] = ()
    null: tuple[str, ...] = ()
    decimal: str = ""
    time_format: str = ""
    time_zone: str = ""
    thousands: str = ""
    reciprocal: bool = False


@dataclass(frozen=True)
class Target:
    """One column of a table and its origin.

    Parameters
    ----------
    column : Column
        Name, kind and unit to write; the unit is None where that of the export is kept.
    origin : Origin
    """

    column: Column
    origin: Origin


@dataclass(frozen=True)
class TableMapping:
    """What a source gives to one table.

    Parameters
    ----------
    name : str
        Path of the table without ``.csv``.
    targets : tuple of Target
    where : tuple of Condition
        Rows for this table.
    own : frozenset of str
        Targets written for this table alone, not shared with other tables of the source.
    """

    name: str
    targets: tuple[Target, ...]
    where: tuple[Condition, ...] = ()
    own: frozenset[str] = frozenset()

    @property
    def table(self) -> Table:
        """Columns, keys and dimension of the table."""
        return TABLES[self.name]


@dataclass(frozen=True)
class Source:
    """One kind of export.

    Parameters
    ----------
    name : str
        For messages.
    files : tuple of str
        Patterns relative to the hole folder.
    tables : tuple of TableMapping
    layout : Layout
        How the files are written.
    null : tuple of str
        Codes of a missing value.
    time_format, time_zone : str
    offset_from : {"section top", "section bottom", "core top"}
    rerun : {"number", "replace", "refuse"}
    where : tuple of Condition
    keep : tuple of str
        Columns that are copied as they are; ``("*",)`` for all that are not mapped.
    parts : tuple of (str, re.Pattern)
        Texts that are taken apart.
    fill : tuple of str
        Columns in which an empty cell takes the one above, from the outer to the inner.
    preamble : tuple of (str, re.Pattern)
        Columns whose text stands above the header, the same in every row.
    """

    name: str
    files: tuple[str, ...]
    tables: tuple[TableMapping, ...]
    layout: Layout = field(default_factory=Layout)
    null: tuple[str, ...] = ()
    time_format: str = ""
    time_zone: str = ""
    offset_from: str = "section top"
    rerun: str = "number"
    where: tuple[Condition, ...] = ()
    keep: tuple[str, ...] = ()
    parts: tuple[tuple[str, re.Pattern[str]], ...] = ()
    fill: tuple[str, ...] = ()
    preamble: tuple[tuple[str, re.Pattern[str]], ...] = ()


@dataclass(frozen=True)
class Deduction:
    """What is assumed of cores and sections without a list.

    Parameters
    ----------
    coring_method : str
    core_diameter : str
        Number of millimetres as text; empty for unknown.
    """

    coring_method: str = "other"
    core_diameter: str = ""


@dataclass(frozen=True)
class Correction:
    """A change on request, with its reason.

    Parameters
    ----------
    reason : str
    files : tuple of str
        Patterns of the files concerned; empty for all.
    column : str
        Header of the export.
    unit : str
        Unit in place of that of the file; empty for none.
    factor, add : float
        Values are multiplied, then a number is added, in the unit of the file.
    replace : tuple of (str, str)
        Texts in place of others.
    where : tuple of Condition
    core, section, length : str
        A section and its length in m, for the table of sections.
    """

    reason: str
    files: tuple[str, ...] = ()
    column: str = ""
    unit: str = ""
    factor: float = 1.0
    add: float = 0.0
    replace: tuple[tuple[str, str], ...] = ()
    where: tuple[Condition, ...] = ()
    core: str = ""
    section: str = ""
    length: str = ""

    def concerns(self, file: str) -> bool:
        """Whether a file, by its path, is corrected."""
        return not self.files or any(fnmatch.fnmatchcase(file, one) for one in self.files)

    def words(self) -> str:
        """The correction in one line, without its reason."""
        if self.length:
            return f"section {self.section!r} of core {self.core!r} is {self.length} m long"
        done = []
        if self.unit:
            done.append(f"the unit is {self.unit}")
        if self.factor != 1.0:
            done.append(f"multiplied by {self.factor!r}")
        if self.add:
            done.append(f"{self.add!r} added")
        done += [f"{old!r} replaced by {new!r}" for old, new in self.replace]
        return f"column {self.column!r}: {', '.join(done)}"


@dataclass(frozen=True)
class Mapping:
    """The contents of ``import.toml``.

    Parameters
    ----------
    sources : tuple of Source
    corrections : tuple of Correction
    deduce : Deduction or None
        None where no list is deduced.
    sha256 : str
        Digest of the text.
    """

    sources: tuple[Source, ...]
    corrections: tuple[Correction, ...] = ()
    deduce: Deduction | None = None
    sha256: str = ""


def read_mapping(path: str | Path) -> Mapping:
    """Read and check a mapping of foreign exports.

    Parameters
    ----------
    path : str or Path
        Hole folder that holds ``import.toml``, or the file itself.

    Returns
    -------
    Mapping
        Sources with their tables, corrections, and what may be deduced.

    Raises
    ------
    HoleError
        When the mapping has faults; the message lists all of them with their cures.
    FileNotFoundError
        When there is no such file.
    """
    path = Path(path)
    file = path / FILE if path.is_dir() else path
    if not file.is_file():
        raise FileNotFoundError(
            f"there is no file {str(file)!r}; write the mapping there, or draft one with "
            "python -m corephys import FOLDER --suggest FILE"
        )
    text, problem = csv.decode(file.read_bytes(), FILE)
    if text is None:
        raise HoleError([problem] if problem else [], FILE, "used")
    return parse_mapping(text)


def parse_mapping(text: str) -> Mapping:
    """Check the text of a mapping; see :func:`read_mapping`."""
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what = f"the TOML cannot be read: {error}"
        mend = "Write keys with spaces in quotes, and patterns in single quotes"
        raise HoleError([Problem(FILE, None, "", what, mend)], FILE, "used") from None
    found = _Reader()
    mapping = found.mapping(given)
    if found.problems:
        raise HoleError(found.problems, FILE, "used")
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    return dataclasses.replace(mapping, sha256=digest)


def column_of(table: Table, name: str) -> Column | None:
    """The column of a table, or of the vocabulary, under a name; None for any other name.

    A quantity may have its uncertainties and its flag beside it: ``u_porosity``,
    ``u_systematic_porosity``, ``porosity_flag``.
    """
    if name in table.by_name:
        return table.by_name[name]
    if name == GIVEN_DEPTH and table.positioned:
        return Column(name, "number", "m", "optional")
    if name in TERMS and name not in _PLACES:
        return Column(name, "number", TERMS[name].unit, "optional")
    quantity = name.removeprefix("u_").removeprefix("systematic_")
    if name.startswith("u_") and quantity in TERMS:
        return Column(name, "number", units.difference_unit(TERMS[quantity].unit), "optional")
    if name.removesuffix("_flag") in TERMS and name.endswith("_flag"):
        return Column(name, "text", "", "optional")
    if table.number_prefixes and name.startswith(table.number_prefixes):
        return Column(name, "number", "1", "optional")
    return None


_SOURCE_KEYS = (
    *("name", "files", "table", "tables", "columns", "parts", "where", "keep", "null"),
    *("time_format", "time_zone", "offset_from", "rerun", "fill", "preamble"),
    *(key.name for key in dataclasses.fields(Layout)),
)
_ORIGIN_KEYS = (
    *("column", "value", "unit", "factor", "map"),
    *("null", "decimal", "thousands", "time_format", "time_zone", "reciprocal"),
)
_CORRECTION_KEYS = (
    *("files", "column", "unit", "factor", "add", "replace", "where", "reason"),
    *("core", "section", "length"),
)
_SIGNS = re.compile(r"^(!=|>=|<=|>|<)\s*(.*)$")


class _Reader:
    """Reads the parts of a mapping and collects their faults."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def fault(self, key: str, what: str, mend: str) -> None:
        self.problems.append(Problem(FILE, None, key, what, mend))

    # Values --------------------------------------------------------------------------------------

    def text(self, given: AnyMapping[str, Any], key: str, default: str = "") -> str:
        value = given.get(key, default)
        if isinstance(value, str):
            return value
        self.fault(key, f"{key} is {value!r}, not a text", f'Write {key} = "{value}"')
        return default

    def number(self, given: AnyMapping[str, Any], key: str, default: float) -> float:
        value = given.get(key, default)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
        self.fault(key, f"{key} is {value!r}, not a number", f"Write {key} = {default}")
        return default

    def count(self, given: AnyMapping[str, Any], key: str, default: int) -> int:
        value = given.get(key, default)
        if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
            return value
        self.fault(key, f"{key} is {value!r}, not a number of lines", f"Write {key} = {default}")
        return default

    def switch(self, given: AnyMapping[str, Any], key: str) -> bool:
        value = given.get(key, False)
        if isinstance(value, bool):
            return value
        self.fault(key, f"{key} is {value!r}, not true or false", f"Write {key} = true")
        return False

    def texts(self, given: AnyMapping[str, Any], key: str) -> tuple[str, ...]:
        value = given.get(key, [])
        listed = value if isinstance(value, list) else [value]
        if all(isinstance(v, (str, int, float)) and not isinstance(v, bool) for v in listed):
            return tuple(map(str, listed))
        self.fault(key, f"{key} is {value!r}, not a list of texts", f'Write {key} = ["..."]')
        return ()

    def word(
        self, given: AnyMapping[str, Any], key: str, legal: Iterable[str], default: str
    ) -> str:
        value = self.text(given, key, default)
        legal = tuple(legal)
        if value == default or value in legal:
            return value
        self.fault(key, f"{key} is {value!r}", f"Write one of {', '.join(map(repr, legal))}")
        return default

    def zone(self, given: AnyMapping[str, Any]) -> str:
        value = self.text(given, "time_zone")
        try:
            if value:
                zoneinfo.ZoneInfo(value)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError):
            what = f"time_zone {value!r} is not a known zone"
            self.fault("time_zone", what, 'Write a name such as "UTC" or "Etc/GMT-9"')
            return ""
        return value

    def unit(self, given: str, key: str) -> str:
        try:
            return units.canonical(given) if given else ""
        except units.UnitError as error:
            what, mend = str(error).rstrip(".?"), "Write a unit that is known"
            power = power_of_ten(given)
            if power is not None:
                what = f"unit {given!r} holds a power of ten"
                mend = f'Write unit = "{power[0]}", factor = {power[1]}'
                if key == "reading":
                    mend = 'Write unit = "1" and [susceptibility] unit in the recipe'
            self.fault(key, what, mend)
            return ""

    def known(self, given: AnyMapping[str, Any], legal: Iterable[str], place: str) -> None:
        legal = tuple(legal)
        for key in given:
            if key not in legal:
                guess = nearest(key, legal)
                mend = f"Did you mean {guess!r}?" if guess else f"Keys are {', '.join(legal)}"
                self.fault(key, f"{place} has no key {key!r}", mend)

    def table_of(self, given: AnyMapping[str, Any], key: str) -> dict[str, Any]:
        value = given.get(key, {})
        if isinstance(value, dict):
            return value
        self.fault(key, f"{key} is {value!r}, not a table", f"Write [source.{key}] above its lines")
        return {}

    def tables_of(self, given: AnyMapping[str, Any], key: str) -> list[dict[str, Any]]:
        value = given.get(key, [])
        if isinstance(value, list) and all(isinstance(v, dict) for v in value):
            return value
        self.fault(key, f"{key} is not a list of tables", f"Write [[{key}]] with two brackets")
        return []

    # Parts of a mapping --------------------------------------------------------------------------

    def mapping(self, given: dict[str, Any]) -> Mapping:
        self.known(given, ("source", "correct", "deduce", "rerun", "time_zone"), FILE)
        rerun = self.word(given, "rerun", RERUNS, "number")
        zone = self.zone(given)
        listed = self.tables_of(given, "source")
        if not listed:
            mend = "Write [[source]] with files, table and [source.columns]"
            self.fault("source", "the mapping has no [[source]]", mend)
        sources = tuple(self.source(one, n, rerun, zone) for n, one in enumerate(listed, 1))
        names = [source.name for source in sources]
        for name in {name for name in names if names.count(name) > 1}:
            self.fault("name", f"two sources have the name {name!r}", "Give each its own name")
        corrections = tuple(map(self.correction, self.tables_of(given, "correct")))
        deduce = self.deduction(given) if "deduce" in given else None
        self.complete(sources, deduced=deduce is not None)
        return Mapping(sources, corrections, deduce)

    def deduction(self, given: dict[str, Any]) -> Deduction:
        values = self.table_of(given, "deduce")
        self.known(values, ("coring_method", "core_diameter"), "[deduce]")
        legal = TABLES["cores"].by_name["coring_method"].choices
        method = self.word(values, "coring_method", legal, "other")
        return Deduction(method, self.length(values, "core_diameter", "mm", "66 mm"))

    def length(self, given: AnyMapping[str, Any], key: str, unit: str, example: str) -> str:
        """A length as the text of a number in ``unit``."""
        value = given.get(key, "")
        if value == "":
            return ""
        try:
            number, written = units.read_scalar(value if isinstance(value, str) else "")
            return repr(float(units.convert(number, written, unit)))
        except units.UnitError:
            what = f"{key} is {value!r}, not a length with its unit"
            self.fault(key, what, f'Write {key} = "{example}" with your own number')
            return ""

    def correction(self, given: dict[str, Any]) -> Correction:
        self.known(given, _CORRECTION_KEYS, "[[correct]]")
        reason = self.text(given, "reason").strip()
        if not reason:
            what = "a correction has no reason"
            self.fault("reason", what, 'Add reason = "..." with what is wrong and how you know')
        replaced = given.get("replace", {})
        if not isinstance(replaced, dict):
            what = f"replace is {replaced!r}, not a table"
            self.fault("replace", what, 'Write replace = { "old" = "new" }')
            replaced = {}
        found = Correction(
            reason,
            self.texts(given, "files"),
            self.text(given, "column"),
            self.unit(self.text(given, "unit"), "unit"),
            self.number(given, "factor", 1.0),
            self.number(given, "add", 0.0),
            tuple((str(old), str(new)) for old, new in replaced.items()),
            self.conditions(given),
            self.text(given, "core"),
            self.text(given, "section"),
            self.length(given, "length", "m", "1.48 m"),
        )
        changes = bool(found.unit or found.factor != 1.0 or found.add or found.replace)
        if found.length and not (found.core and found.section):
            what = "a corrected length has no core and section"
            self.fault("length", what, 'Add core = "..." and section = "..."')
        elif not found.length and not (found.column and changes):
            what = "a correction changes nothing"
            mend = "Give column with unit, factor, add or replace, or core, section and length"
            self.fault("correct", what, mend)
        elif found.unit and found.where:
            what = "the unit of a column cannot change between its rows"
            self.fault("unit", what, "Give factor in place of unit, or take out where")
        return found

    def conditions(self, given: AnyMapping[str, Any]) -> tuple[Condition, ...]:
        found = []
        for column, value in self.table_of(given, "where").items():
            sign = _SIGNS.match(value) if isinstance(value, str) else None
            if sign is None:
                found.append(Condition(column, "in", self.texts({"where": value}, "where")))
                continue
            if sign[1] != "!=" and not _is_number(sign[2]):
                what = f"{column!r} is compared with {sign[2]!r}, which is not a number"
                self.fault("where", what, f'Write a number: "{sign[1]} 0"')
            found.append(Condition(column, sign[1], (sign[2].strip(),)))
        return tuple(found)

    def source(self, given: dict[str, Any], number: int, rerun: str, zone: str) -> Source:
        self.known(given, _SOURCE_KEYS, "[[source]]")
        files = self.texts(given, "files")
        name = self.text(given, "name") or (files[0] if files else f"source {number}")
        if not files:
            mend = 'Add files = "exports/*.csv", relative to the hole folder'
            self.fault("files", f"the source {name!r} names no files", mend)
        layout = Layout(
            encoding=self.word(given, "encoding", ENCODINGS, ""),
            delimiter=self.word(given, "delimiter", (*DELIMITERS, "space"), ""),
            decimal=self.word(given, "decimal", DECIMALS, "."),
            thousands=self.word(given, "thousands", THOUSANDS, ""),
            skip_lines=self.count(given, "skip_lines", 0),
            skip_to=self.text(given, "skip_to"),
            header_lines=self.count(given, "header_lines", 1),
            units_row=self.switch(given, "units_row"),
            comment=self.text(given, "comment"),
            sheet=self.text(given, "sheet"),
            complete=self.switch(given, "complete"),
        )
        if layout.decimal == "," and layout.delimiter == ",":
            what = f"the source {name!r} has a comma as decimal mark and as delimiter"
            self.fault("decimal", what, "Change one of them: no file can have both")
        self.marks(layout.decimal, layout.thousands, f"the source {name!r}")
        if layout.thousands == " " and layout.delimiter == "space":
            what = f"the source {name!r} has a blank between thousands and as delimiter"
            self.fault("thousands", what, "Take out thousands, or set another delimiter")
        parts = tuple(self.parts(self.table_of(given, "parts")))
        groups = [group for _, pattern in parts for group in pattern.groupindex]
        preamble = tuple(self.preamble(self.table_of(given, "preamble"), groups))
        tables = tuple(self.table_mappings(given, name, (*groups, *dict(preamble))))
        for target in (target for table in tables for target in table.targets):
            own = target.origin
            if own.columns and (own.decimal or own.thousands):
                decimal = own.decimal or layout.decimal
                thousands = own.thousands or layout.thousands
                self.marks(decimal, thousands, f"the line of {target.column.name}")
        return Source(
            name,
            files,
            tables,
            layout,
            self.texts(given, "null"),
            self.text(given, "time_format"),
            self.zone(given) or zone,
            self.word(given, "offset_from", OFFSETS, "section top"),
            self.word(given, "rerun", RERUNS, rerun),
            self.conditions(given),
            ("*",) if given.get("keep") == "all" else self.texts(given, "keep"),
            parts,
            self.texts(given, "fill"),
            preamble,
        )

    def marks(self, decimal: str, thousands: str, where: str) -> None:
        if decimal == thousands:
            what = f"{where} has {decimal!r} as decimal mark and between thousands"
            mend = "Set decimal and thousands to two different marks"
            self.fault("thousands", what, mend)

    def preamble(
        self, given: dict[str, Any], groups: list[str]
    ) -> Iterable[tuple[str, re.Pattern[str]]]:
        """Patterns with one group each, by the name of their column."""
        for name, pattern in given.items():
            try:
                compiled = re.compile(pattern)
            except (re.error, TypeError) as error:
                what = f"the pattern of {name!r} cannot be read: {error}"
                self.fault(name, what, "Write it in single quotes, such as 'power: (\\S+) W'")
                continue
            if compiled.groups != 1:
                what = f"the pattern of {name!r} has {compiled.groups} groups"
                self.fault(name, what, "Write one group, such as 'power: (\\S+) W'")
                continue
            if name in groups:
                what = f"{name!r} is a group of [source.parts] and a name of [source.preamble]"
                self.fault(name, what, "Rename one of them")
            yield name, compiled

    def parts(self, given: dict[str, Any]) -> Iterable[tuple[str, re.Pattern[str]]]:
        for column, pattern in given.items():
            try:
                compiled = re.compile(pattern)
            except (re.error, TypeError) as error:
                what = f"the pattern of {column!r} cannot be read: {error}"
                self.fault(column, what, "Write it in single quotes, such as '(?P<core>\\d+)'")
                continue
            if not compiled.groupindex:
                what = f"the pattern of {column!r} names no group"
                self.fault(column, what, "Write a group with a name, such as '(?P<core>\\d+)'")
            yield column, compiled

    def table_mappings(
        self, given: dict[str, Any], name: str, groups: tuple[str, ...]
    ) -> Iterable[TableMapping]:
        shared = self.table_of(given, "columns")
        blocks: dict[str, Any] = dict(self.table_of(given, "tables"))
        one = self.text(given, "table")
        if one:
            blocks.setdefault(one, {})
        if not blocks:
            mend = 'Add table = "scan/gamma", or [source.tables."scan/gamma"] for several'
            self.fault("table", f"the source {name!r} names no table", mend)
        used: set[str] = set()
        for path, lines in blocks.items():
            if path not in TABLES:
                guess = nearest(path, TABLES)
                mend = (
                    f"Did you mean {guess!r}?" if guess else f"The tables are {', '.join(TABLES)}"
                )
                self.fault(path, "there is no table of this name", mend)
                continue
            if not isinstance(lines, dict):
                what = f"the table {path!r} has no lines"
                self.fault(path, what, f'Write [source.tables."{path}"] above its lines')
                continue
            yield self.table_mapping(path, lines, shared, groups, len(blocks) == 1, used)
        if blocks.keys() <= set(TABLES):
            for key in shared:
                if key not in used:
                    what = f"no table of the source {name!r} has a column"
                    if len(blocks) == 1:
                        what = f"{next(iter(blocks))} has no column"
                    what += f" {key.partition('[')[0].strip()!r}"
                    known = [n for path in blocks for n in TABLES[path].by_name]
                    guess = nearest(key.partition("[")[0], known)
                    mend = f"Did you mean {guess!r}?" if guess else _targets(blocks)
                    self.fault(key, what, mend)

    def table_mapping(
        self,
        path: str,
        lines: dict[str, Any],
        shared: dict[str, Any],
        groups: tuple[str, ...],
        alone: bool,
        used: set[str],
    ) -> TableMapping:
        table = TABLES[path]
        targets: dict[str, Target] = {}
        own: set[str] = set()
        for mine, block in ((False, shared), (True, lines)):
            for key, value in block.items():
                if mine and key == "where":
                    continue
                column = self.target(table, key, complain=mine)
                if column is None:
                    continue
                used.add(key)
                if mine or alone:
                    own.add(column.name)
                targets[column.name] = Target(column, self.origin(value, key, column))
        for group in groups:
            taken = table.by_name.get(group)
            if taken and group not in targets and (taken.kind == "text" or group == "run"):
                targets[group] = Target(taken, Origin((group,)))
        return TableMapping(path, tuple(targets.values()), self.conditions(lines), frozenset(own))

    def target(self, table: Table, key: str, *, complain: bool) -> Column | None:
        """Column of a left-hand side ``name [unit]``."""
        name = key.partition("[")[0].strip()
        column = column_of(table, name)
        if column is None:
            if complain:
                guess = nearest(name, [*table.by_name, *TERMS])
                mend = f"Did you mean {guess!r}?" if guess else _targets([table.name])
                self.fault(key, f"{table.name} has no column {name!r}", mend)
            return None
        if "[" not in key:
            return column
        try:
            unit = units.split_header(key)[1]
            if column.kind != "number":
                what = f"{name} is {'a text' if column.kind == 'text' else 'a date and time'}"
                self.fault(key, f"{what} and has no unit", f"Write {name!r}")
            elif column.unit is not None:
                if name.startswith("u_"):
                    unit = units.difference_unit(unit)
                units.convert(0.0, unit, column.unit)
        except units.UnitError as error:
            what = str(error).removesuffix(units.EXAMPLES).rstrip(" .?")
            self.fault(key, what, f"Write {column.header!r}")
            return column
        return dataclasses.replace(column, unit=unit) if column.kind == "number" else column

    def origin(self, value: Any, key: str, column: Column) -> Origin:
        """Right-hand side of a line."""
        if isinstance(value, str):
            return Origin((value,))
        if isinstance(value, list) and value and all(isinstance(v, str) for v in value):
            return Origin(tuple(value))
        if not isinstance(value, dict):
            what = f"{key} is {value!r}, not a header of the export"
            mend = f'Write {key} = "Header", or {key} = {{ value = ... }} for a constant'
            self.fault(key, what, mend)
            return Origin()
        self.known(value, _ORIGIN_KEYS, key)
        words = value.get("map", {})
        if not isinstance(words, dict):
            self.fault(key, f"map is {words!r}, not a table", 'Write map = { "old" = "new" }')
            words = {}
        columns = self.texts(value, "column")
        if bool(columns) == ("value" in value):
            what = f"{key} needs either a column or a value"
            self.fault(key, what, 'Write { column = "Header" } or { value = "66 mm" }')
        constant = value.get("value", "")
        unit = self.unit(self.text(value, "unit"), key)
        if "value" in value and column.kind == "number" and isinstance(constant, str):
            try:
                number, unit = units.read_scalar(constant)
                constant = repr(number)
            except units.UnitError as error:
                example = f'{key} = {{ value = "66 {column.unit or "mm"}" }}'
                self.fault(key, str(error).rstrip("."), f"Write {example} with your own number")
        reciprocal = self.switch(value, "reciprocal")
        if reciprocal and (
            column.kind != "number" or column.unit is None or column.name.startswith("u_")
        ):
            what = f"{column.name} cannot be one over a number"
            mend = "Take out reciprocal; it is for a quantity such as p_wave_velocity"
            self.fault(key, what, mend)
            reciprocal = False
        return Origin(
            columns,
            _constant_text(constant),
            unit,
            self.number(value, "factor", 1.0),
            tuple((str(old), str(new)) for old, new in words.items()),
            self.texts(value, "null"),
            self.word(value, "decimal", DECIMALS, ""),
            self.text(value, "time_format"),
            self.zone(value),
            self.word(value, "thousands", THOUSANDS, ""),
            reciprocal,
        )

    def complete(self, sources: tuple[Source, ...], *, deduced: bool) -> None:
        """Faults of tables that would lack a column which a hole needs."""
        given: dict[str, set[str]] = {}
        for source in sources:
            for one in source.tables:
                names = {target.column.name for target in one.targets}
                if source.offset_from == "core top" and "offset" in names:
                    names.add("section")  # found from the lengths of the sections
                given.setdefault(one.name, set()).update(names)
        for path, names in given.items():
            table = TABLES[path]
            placed = table.positioned and (
                "depth" in names or {"core", "section", "offset"} <= names
            )
            wide = table.supplied and any(n in TERMS and n not in table.by_name for n in names)
            if {"top", "bottom"} <= names and {"from", "to"} <= table.by_name.keys():
                names |= {"core", "section", "from", "to"}  # intervals by depth
            for column in table.columns:
                place = table.positioned and column.name in ("core", "section", "offset")
                long = wide and column.name in ("quantity", "value", "unit")
                if column.need == "optional" or column.name in names or long or (place and placed):
                    continue
                completed = column.name in COMPLETED.get(path, ())
                if completed and deduced:
                    continue
                mend = f'Add the line {column.name} = "..." to the table {path!r}'
                if place:
                    mend += ", or one of depth in place of core, section and offset"
                if completed:
                    mend += ", or add [deduce] to the mapping"
                self.fault(column.name, f"no line gives {path} its {column.header!r}", mend)
            for group in table.one_of:
                if not names & set(group):
                    what = f"no line gives {path} any of {', '.join(group)}"
                    self.fault(group[0], what, f'Add the line {group[0]} = "..."')


def _targets(tables: Iterable[str]) -> str:
    """The columns of tables, for a message."""
    names = dict.fromkeys(name for path in tables for name in TABLES[path].by_name)
    return f"Columns are {', '.join(names)}, and the quantities of the vocabulary"


def _constant_text(value: Any) -> str:
    return value if isinstance(value, str) else repr(value)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
