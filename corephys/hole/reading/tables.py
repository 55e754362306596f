"""The tables of a hole folder as data: for each its columns, their units, kinds and needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

from corephys.ground import constants, thresholds

__all__ = ["FLAGGED_ELSEWHERE", "TABLES", "Column", "Table"]


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name in the header, before the bracket.
    kind : {"text", "number", "time"}
        ``time`` is a date and time in ISO 8601.
    unit : str or None
        Unit in which a number is stored; ``"1"`` for a pure number, which needs no bracket; None
        where any unit will do.
    need : {"key", "required", "optional"}
        A key column must be there and may not hold an empty cell; a required one must be there.
    choices : tuple of str
        The legal words of a text column, empty where any will do.
    solid : bool
        The geometry hangs on it: a cell that is no number is a fault of structure.
    least, greatest : float
        Numbers outside are bad cells; in ``unit``.
    """

    name: str
    kind: str
    unit: str | None = ""
    need: str = "required"
    choices: tuple[str, ...] = ()
    solid: bool = False
    least: float = -math.inf
    greatest: float = math.inf

    @property
    def header(self) -> str:
        """How the header is written."""
        return f"{self.name} [{self.unit}]" if self.unit not in ("", "1", None) else self.name


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
    """

    name: str
    columns: tuple[Column, ...]
    dim: str = "row"
    positioned: bool = False
    keys: tuple[str, ...] = ()
    one_of: tuple[tuple[str, ...], ...] = ()
    number_prefixes: tuple[str, ...] = ()
    supplied: bool = False

    @cached_property
    def by_name(self) -> dict[str, Column]:
        """Columns by name."""
        return {column.name: column for column in self.columns}


def _text(name: str, *choices: str, need: str = "required") -> Column:
    return Column(name, "text", "", need, choices)


def _number(name: str, unit: str | None = "1", need: str = "required") -> Column:
    return Column(name, "number", unit, need)


def _solid(name: str, unit: str) -> Column:
    return Column(name, "number", unit, "required", (), True)


def _time(name: str) -> Column:
    return Column(name, "time", "", "optional")


def _maybe(*columns: Column) -> tuple[Column, ...]:
    return tuple(replace(column, need="optional") for column in columns)


_CORE, _SECTION = _text("core", need="key"), _text("section", need="key")
_POSITION = (_CORE, _SECTION, _number("offset", "cm"))
_DEPTH = _number("depth", "m", "optional")
_INTERVAL = (_CORE, _SECTION, _solid("from", "cm"), _solid("to", "cm"))
_SCAN = (*_POSITION, _DEPTH, *_maybe(_number("run"), _time("time"), _text("set")))
_SAMPLE = (*_POSITION, _DEPTH, *_maybe(_number("to", "cm"), _number("run"), _time("time")))
_LOWEST = thresholds.value("coldest_temperature")
_CELSIUS = replace(
    _number("temperature", "degC"), least=_LOWEST, greatest=thresholds.value("hottest_formation")
)
_ROOM = replace(_CELSIUS, greatest=thresholds.value("hottest_room"))
_STANDARD = _maybe(
    _text("kind", "standard", "blank", "check"),
    _text("set"),
    _time("time"),
    _text("liner"),
    _ROOM,
)
_SALINITY = replace(
    _number("salinity", "g/kg"),
    least=0.0,
    greatest=constants.CONSTANTS["sea_salt_limit"].value,
)


def _scan(
    name: str,
    *columns: Column,
    keys: tuple[str, ...] = (),
    one_of: tuple[tuple[str, ...], ...] = (),
    prefixes: tuple[str, ...] = (),
) -> Table:
    return Table(f"scan/{name}", (*_SCAN, *columns), "reading", True, keys, one_of, prefixes)


def _sample(
    name: str,
    *columns: Column,
    keys: tuple[str, ...] = (),
    dim: str = "reading",
    one_of: tuple[tuple[str, ...], ...] = (),
) -> Table:
    return Table(f"samples/{name}", (*_SAMPLE, *columns), dim, True, keys, one_of)


def _by_depth(name: str, *columns: Column) -> Table:
    return Table(name, (*_SAMPLE, *_maybe(*columns, _number("value", None))), "reading", True)


_ROWS = (
    Table(
        "cores",
        (
            _CORE,
            _text("coring_method", "piston", "extended", "rotary", "push", "percussion", "other"),
            _solid("top", "m"),
            _solid("advance", "m"),
            _solid("recovered", "m"),
            *_maybe(_time("time_on_deck"), _number("top_uncertainty", "m")),
        ),
    ),
    Table(
        "sections",
        (
            _CORE,
            _SECTION,
            _solid("length", "m"),
            _number("core_diameter", "mm"),
            *_maybe(
                _text("kind", "section", "catcher"),
                _text("liner", "full", "half", "none"),
                _text("annulus", "air", "water", "slurry", "none"),
            ),
        ),
    ),
    Table(
        "removed",
        (
            *_INTERVAL,
            _text("kind", "whole_round", "open_void", "closed_void", "lost"),
            _text("when", "before_scan", "after_scan", need="optional"),
        ),
    ),
    Table("exclusions", (*_INTERVAL, _text("reason"), *_maybe(_text("sensor"), _text("who")))),
    Table(
        "layers",
        (_text("name"), _solid("top", "m"), _solid("bottom", "m"), *_maybe(_text("lithology"))),
    ),
    _by_depth("pore_water", _SALINITY, _CELSIUS),
    _by_depth("ages", _number("age", "kyr"), _number("age_uncertainty", "kyr")),
    _by_depth("checkshots", _number("two_way_time", "s"), _number("one_way_time", "s")),
    _scan(
        "gamma",
        _number("counts"),
        *_maybe(_number("real_time", "s"), _number("live_time", "s")),
        one_of=(("real_time", "live_time"),),
    ),
    _scan(
        "pwave",
        _number("travel_time", "us"),
        _number("thickness", "mm"),
        *_maybe(_number("amplitude", None), _ROOM, _number("travel_time_manual", "us")),
    ),
    _scan("resistivity", _number("response", "mV"), *_maybe(_ROOM)),
    _scan("susceptibility", _number("reading", None), *_maybe(_ROOM)),
    _scan(
        "natural_gamma",
        _number("counts"),
        _number("live_time", "s"),
        *_maybe(_text("detector")),
        keys=("detector",),
        prefixes=("counts_",),
    ),
    replace(
        _scan(
            "reduced",
            _text("quantity"),
            _number("value"),
            _text("unit"),
            *_maybe(_number("uncertainty"), _text("method"), _number("amplitude", None)),
            keys=("quantity", "method"),
        ),
        supplied=True,
    ),
    Table(
        "standards/gamma",
        (
            _number("aluminium_thickness", "mm"),
            _number("bore", "mm"),
            _number("counts"),
            *_maybe(_number("real_time", "s"), _number("live_time", "s")),
            *_STANDARD,
        ),
        one_of=(("real_time", "live_time"),),
    ),
    Table(
        "standards/pwave",
        (
            _number("length", "mm"),
            _number("travel_time", "us"),
            *_STANDARD,
            *_maybe(_text("medium")),
        ),
    ),
    Table(
        "standards/resistivity",
        (
            _number("response", "mV"),
            *_STANDARD,
            *_maybe(
                _text("brine", "sodium_chloride", "sea"),
                replace(_SALINITY, greatest=1000.0),
                _number("conductivity", "S/m"),
            ),
        ),
        one_of=(("conductivity", "salinity"),),
    ),
    Table(
        "standards/susceptibility", (_number("value", None), _number("reading", None), *_STANDARD)
    ),
    Table(
        "standards/natural_gamma",
        (
            _number("value", None),
            _number("reading", None),
            *_STANDARD,
            *_maybe(
                _number("live_time", "s"),
                _text("detector"),
                _text("standard"),
                _number("density", "g/cm^3"),
                _number("potassium", "%"),
                _number("uranium", "mg/kg"),
                _number("thorium", "mg/kg"),
            ),
        ),
        number_prefixes=("counts_",),
    ),
    Table(
        "standards/pycnometer",
        (_number("value", None), _number("reading", None), *_STANDARD, *_maybe(_text("cell"))),
    ),
    _sample(
        "index_properties",
        _number("wet_mass", "g"),
        _number("dry_mass", "g"),
        *_maybe(
            _number("dry_volume", "cm^3"),
            _number("wet_volume", "cm^3"),
            _text("wet_volume_method"),
            _number("container_mass", "g"),
            _number("container_volume", "cm^3"),
            _number("repeat"),
            _text("cell"),
        ),
        keys=("repeat",),
        one_of=(("dry_volume", "wet_volume"),),
    ),
    Table(
        "samples/needle",
        (
            *_POSITION,
            _DEPTH,
            _text("run", need="key"),
            _text("geometry", "full_space", "half_space"),
            _text("direction", "along", "across"),
            _number("heating_power", "W/m"),
            _number("time", "s"),
            _CELSIUS,
            *_maybe(_number("to", "cm"), _number("radius", "mm"), _text("needle")),
        ),
        "row",
        True,
        keys=("time",),
    ),
    _sample(
        "velocity",
        _text("axis", "along", "across", "normal"),
        _number("length", "mm"),
        _number("travel_time", "us"),
        *_maybe(_text("wave", "P", "S"), _ROOM),
        keys=("axis", "wave"),
    ),
    _sample(
        "strength",
        _text("method", "vane", "fall_cone", "penetrometer", "unconfined"),
        _text("state", "peak", "residual", "remoulded"),
        *_maybe(
            _number("torque", "N m"),
            _number("diameter", "mm"),
            _number("height", "mm"),
            _number("cone_angle", "degree"),
            _number("cone_mass", "g"),
            _number("penetration", "mm"),
            _number("axial_load", "N"),
            _number("shortening", "mm"),
        ),
        keys=("method", "state"),
    ),
    Table(
        "samples/consolidation",
        (
            *_POSITION,
            _DEPTH,
            _text("test", need="key"),
            _number("step"),
            _number("stress", "kPa"),
            *_maybe(
                _number("to", "cm"),
                _number("void_ratio"),
                _number("height", "mm"),
                _number("time", "s"),
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
            _text("tool", need="key"),
            _number("radius", "mm"),
            _number("heat_capacity", "J/(m K)"),
            *_maybe(_number("u_heat_capacity", "J/(m K)"), _text("response_table")),
        ),
    ),
    Table(
        "downhole/stations",
        (
            _text("station", need="key"),
            _text("tool"),
            _number("depth", "m"),
            *_maybe(
                _number("penetration_time", "s"),
                _number("end_time", "s"),
                _number("conductivity", "W/(m K)"),
                _text("note"),
            ),
        ),
    ),
    Table(
        "downhole/formation_temperature",
        (
            _text("station", need="key"),
            _number("time", "s"),
            _CELSIUS,
            *_maybe(_text("kind", "formation", "bottom_water")),
        ),
    ),
)

# The owner's own name of a sample, or its IGSN; any table may hold it, and it stays text.
SAMPLE_ID = _text("sample_id", need="optional")

TABLES: dict[str, Table] = {
    table.name: replace(table, columns=(*table.columns, SAMPLE_ID)) for table in _ROWS
}

# Tables that speak of other tables' rows; they carry no flags of their own.
FLAGGED_ELSEWHERE = ("removed", "exclusions")
