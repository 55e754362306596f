"""The tables of a hole folder as data: for each its columns, their units, kinds and needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from corephys.ground import constants
from corephys.ground.registry import Compiled, added
from corephys.ground.sensor import CELSIUS, ROOM, Column, Sensor, number, optional, text

__all__ = ["DISTURBANCES", "FLAGGED_ELSEWHERE", "TABLES", "Column", "Table"]


@dataclass(frozen=True)
class Table:
    """One table of a hole folder.

    Parameters
    ----------
    name : str
        Path inside the folder without ``.csv``.
    columns : tuple of Column
    dim : {"reading", "row"}
        Dimension of its rows.
    positioned : bool
        Its rows lie somewhere in the hole: core, section and offset, or depth.
    keys : tuple of str
        Columns that, besides the position and run, tell two rows apart.
    one_of : tuple of tuples of str
        From each group at least one column must be there.
    number_prefixes : tuple of str
        Further columns that begin so are pure numbers.
    supplied : bool
        Values reduced elsewhere: columns may bear names of the vocabulary in place of quantity,
        value and unit, and a position that is there twice is flagged, not refused.
    interval : bool
        Its rows are intervals of the hole: core, section, from and to, or top and bottom.
    content : tuple of str
        Optional columns that hold what the table is about: a cell that cannot be read makes its
        row bad, as in a required column. In any other optional column only the cell is missing.
    continuous : bool
        A log whose tool may stand still: a position may be there any number of times.
    """

    name: str
    columns: tuple[Column, ...]
    dim: str = "row"
    positioned: bool = False
    keys: tuple[str, ...] = ()
    one_of: tuple[tuple[str, ...], ...] = ()
    number_prefixes: tuple[str, ...] = ()
    supplied: bool = False
    interval: bool = False
    content: tuple[str, ...] = ()
    continuous: bool = False

    @property
    def of_values(self) -> bool:
        """Whether its rows are supplied values of quantities, and not recordings."""
        return self.supplied and any(column.name == "quantity" for column in self.columns)

    @cached_property
    def by_name(self) -> dict[str, Column]:
        """Columns by name."""
        return {column.name: column for column in self.columns}


def _solid(name: str, unit: str) -> Column:
    return Column(name, "number", unit, "required", (), True)


def _time(name: str) -> Column:
    return Column(name, "time", "", "optional")


_CORE, _SECTION = text("core", need="key"), text("section", need="key")
_POSITION = (_CORE, _SECTION, number("offset", "cm"))
_DEPTH = number("depth", "m", "optional")
_INTERVAL = (_CORE, _SECTION, _solid("from", "cm"), _solid("to", "cm"))
# An interval may be given by depths instead; its cells are not solid, since no depth of a reading
# needs them.
_PIECE = (_CORE, _SECTION, number("from", "cm"), number("to", "cm"))
_SPAN = optional(number("top", "m"), number("bottom", "m"))
_SCAN = (*_POSITION, _DEPTH, *optional(number("run"), _time("time"), text("set")))
_SAMPLE = (*_POSITION, _DEPTH, *optional(number("to", "cm"), number("run"), _time("time")))
_STANDARD = optional(
    text("kind", "standard", "blank", "check"),
    text("set"),
    _time("time"),
    text("liner"),
    ROOM,
)
_SALINITY = replace(
    number("salinity", "g/kg"),
    least=0.0,
    greatest=constants.CONSTANTS["sea_salt_limit"].value,
)


def _sample(
    name: str,
    *columns: Column,
    keys: tuple[str, ...] = (),
    dim: str = "reading",
    one_of: tuple[tuple[str, ...], ...] = (),
) -> Table:
    return Table(f"samples/{name}", (*_SAMPLE, *columns), dim, True, keys, one_of)


def _by_depth(name: str, *columns: Column) -> Table:
    held = (*columns, number("value", None))
    content = tuple(column.name for column in held if not column.name.endswith("_uncertainty"))
    return Table(name, (*_SAMPLE, *optional(*held)), "reading", True, content=content)


# The extended inner tube is that of ISO 22475-1: it protrudes beyond the bit.
_CORING_METHODS = ("piston", "extended_inner_tube", "rotary", "push", "percussion", "other")

# Degrees of drilling disturbance, the least first. Sediment that flowed in was never in its place.
DISTURBANCES = ("none", "slight", "moderate", "severe", "flow_in")

_HOLE_ROWS = (
    Table(
        "cores",
        (
            _CORE,
            replace(
                text("coring_method", *_CORING_METHODS),
                former=(("extended", "extended_inner_tube"),),
            ),
            _solid("top", "m"),
            _solid("advance", "m"),
            _solid("recovered", "m"),
            *optional(_time("time_on_deck"), number("top_uncertainty", "m")),
        ),
    ),
    Table(
        "sections",
        (
            _CORE,
            _SECTION,
            _solid("length", "m"),
            number("core_diameter", "mm"),
            *optional(
                text("kind", "section", "catcher"),
                text("liner", "full", "half", "none"),
                text("annulus", "air", "water", "slurry", "none"),
            ),
        ),
    ),
    Table(
        "removed",
        (
            *_INTERVAL,
            text("kind", "whole_round", "open_void", "closed_void", "lost"),
            text("when", "before_scan", "after_scan", need="optional"),
        ),
    ),
    Table("exclusions", (*_INTERVAL, text("reason"), *optional(text("sensor"), text("who")))),
    Table(
        "layers",
        (text("name"), _solid("top", "m"), _solid("bottom", "m"), *optional(text("lithology"))),
    ),
    Table(
        "description",
        (
            *_PIECE,
            *_SPAN,
            *optional(
                text("lithology"),
                text("disturbance", *DISTURBANCES),
                text("colour"),
                text("note"),
                text("who"),
            ),
        ),
        interval=True,
    ),
    Table(
        "images",
        (
            text("file", need="key"),
            *_PIECE,
            text("kind", "photograph", "radiograph", "scan"),
            *_SPAN,
            text("top_at", "top", "bottom", "left", "right", need="optional"),
        ),
        interval=True,
    ),
    _by_depth("pore_water", _SALINITY, CELSIUS),
    _by_depth("ages", number("age", "kyr"), number("age_uncertainty", "kyr")),
    _by_depth("checkshots", number("two_way_time", "s"), number("one_way_time", "s")),
)
# Words for the flag of a supplied value, or the numbers of the open ocean-data scheme. A table that
# pandas wrote may have the numbers with a decimal point.
_LEVELS = {"good": 1, "not_evaluated": 2, "suspect": 3, "bad": 4, "missing": 9}
_FLAG = replace(
    text("flag", *_LEVELS, *map(str, _LEVELS.values()), need="optional"),
    former=tuple((f"{number}.0", str(number)) for number in _LEVELS.values()),
)
_SUPPLIED_VALUES = (
    text("quantity"),
    number("value"),
    text("unit"),
    *optional(number("uncertainty"), number("systematic_uncertainty"), text("method"), _FLAG),
)


def _reduced(name: str, place: tuple[Column, ...], *others: Column) -> Table:
    """A table of values that were reduced elsewhere."""
    columns = (*place, *_SUPPLIED_VALUES, *optional(*others))
    return Table(name, columns, "reading", True, keys=("quantity", "method"), supplied=True)


_REDUCED = _reduced("scan/reduced", _SCAN, number("amplitude", None), CELSIUS)
_SAMPLE_ROWS = (
    Table(
        "standards/pycnometer",
        (number("value", None), number("reading", None), *_STANDARD, *optional(text("cell"))),
    ),
    _sample(
        "index_properties",
        number("wet_mass", "g"),
        number("dry_mass", "g"),
        *optional(
            number("dry_volume", "cm^3"),
            number("wet_volume", "cm^3"),
            text("wet_volume_method"),
            number("container_mass", "g"),
            number("container_volume", "cm^3"),
            number("repeat"),
            text("cell"),
        ),
        keys=("repeat",),
        one_of=(("dry_volume", "wet_volume"),),
    ),
    Table(
        "samples/needle",
        (
            *_POSITION,
            _DEPTH,
            text("run", need="key"),
            text("geometry", "full_space", "half_space"),
            text("direction", "along", "across"),
            number("heating_power", "W/m"),
            number("time", "s"),
            CELSIUS,
            *optional(number("to", "cm"), number("radius", "mm"), text("needle")),
        ),
        "row",
        True,
        keys=("time",),
    ),
    _reduced("samples/reduced", _SAMPLE, text("direction", "along", "across")),
    _sample(
        "velocity",
        text("axis", "along", "across", "normal"),
        number("length", "mm"),
        number("travel_time", "us"),
        *optional(text("wave", "P", "S"), ROOM),
        keys=("axis", "wave"),
    ),
    _sample(
        "strength",
        text("method", "vane", "fall_cone", "penetrometer", "unconfined"),
        text("state", "peak", "residual", "remoulded"),
        *optional(
            number("torque", "N m"),
            number("diameter", "mm"),
            number("height", "mm"),
            number("cone_angle", "degree"),
            number("cone_mass", "g"),
            number("penetration", "mm"),
            number("axial_load", "N"),
            number("shortening", "mm"),
        ),
        keys=("method", "state"),
    ),
    Table(
        "samples/consolidation",
        (
            *_POSITION,
            _DEPTH,
            text("test", need="key"),
            number("step"),
            number("stress", "kPa"),
            *optional(
                number("to", "cm"),
                number("void_ratio"),
                number("height", "mm"),
                number("time", "s"),
            ),
        ),
        "row",
        True,
        keys=("test", "step", "time"),
        one_of=(("void_ratio", "height"),),
    ),
    Table(
        "downhole/tools",
        (
            text("tool", need="key"),
            number("radius", "mm"),
            number("heat_capacity", "J/(m K)"),
            *optional(number("u_heat_capacity", "J/(m K)"), text("response_table")),
        ),
    ),
    Table(
        "downhole/stations",
        (
            text("station", need="key"),
            text("tool"),
            number("depth", "m"),
            *optional(
                number("penetration_time", "s"),
                number("end_time", "s"),
                number("conductivity", "W/(m K)"),
                text("note"),
            ),
        ),
    ),
    Table(
        "downhole/formation_temperature",
        (
            text("station", need="key"),
            number("time", "s"),
            CELSIUS,
            *optional(text("kind", "formation", "bottom_water")),
        ),
    ),
    Table(
        "downhole/temperature_log",
        (number("depth", "m"), CELSIUS, *optional(number("u_temperature", "K"), _time("time"))),
        "reading",
        True,
        continuous=True,
    ),
)

# The owner's own name of a sample, or its IGSN; any table may hold it, and it stays text.
SAMPLE_ID = text("sample_id", need="optional")


def _with_sample_id(table: Table) -> Table:
    return replace(table, columns=(*table.columns, SAMPLE_ID))


_BEFORE = {table.name: _with_sample_id(table) for table in _HOLE_ROWS}
_SUPPLIED = {_REDUCED.name: _with_sample_id(_REDUCED)}
_AFTER = {table.name: _with_sample_id(table) for table in _SAMPLE_ROWS}
_SHARED = {**_BEFORE, **_SUPPLIED, **_AFTER}


def _scan_table(sensor: Sensor) -> Table:
    form = sensor.scan
    return Table(
        f"scan/{sensor.name}",
        (*_SCAN, *form.columns),
        "reading",
        True,
        form.keys,
        form.one_of,
        form.number_prefixes,
    )


def _standards_table(sensor: Sensor) -> Table | None:
    form = sensor.standards
    if form is None:
        return None
    return Table(
        f"standards/{sensor.name}",
        (*form.columns, *_STANDARD),
        keys=form.keys,
        one_of=form.one_of,
        number_prefixes=form.number_prefixes,
    )


def _all_tables(sensors: Sequence[Sensor]) -> dict[str, Table]:
    """The hole, readings of all sensors, supplied values, all standards, samples, downhole."""
    rows = dict(_BEFORE)
    for make, others in ((_scan_table, _SUPPLIED), (_standards_table, _AFTER)):
        for sensor in sensors:
            table = make(sensor)
            if table is not None:
                more = {table.name: _with_sample_id(table)}
                added(_SHARED, more, sensor.name, "table")
                rows = added(rows, more, sensor.name, "table")
        rows |= others
    return rows


TABLES = Compiled(_all_tables, _SHARED)

# Tables that speak of other tables' rows; they carry no flags of their own.
FLAGGED_ELSEWHERE = ("removed", "exclusions")
