"""The sensors of the scan, one room each, and the door for a user's own.

Every sensor is described by one record at the end of its module. This file registers the records
of the package, in the order in which their readings are reduced. :func:`register` does the same
for a sensor that the package does not have: from then on its tables are read, placed, flagged,
reduced by the recipe, summarised, drawn and archived like all others.
"""

from __future__ import annotations

import re
from fnmatch import fnmatchcase

from corephys.ground import units
from corephys.ground.registry import SENSORS
from corephys.ground.sensor import (
    Column,
    Option,
    RandomPart,
    Reduction,
    Sensor,
    Source,
    Stage,
    TableFormat,
    Term,
    Track,
    number,
    of_kind,
    optional,
    series_like,
    text,
    with_reason,
)
from corephys.ground.vocabulary import refuse_unfit
from corephys.sensors import gamma, natural_gamma, pwave, resistivity, susceptibility
from corephys.uncertainty.sources import GROUPS, all_sources

__all__ = [
    "Column",
    "Option",
    "RandomPart",
    "Reduction",
    "Sensor",
    "Source",
    "Stage",
    "TableFormat",
    "Term",
    "Track",
    "names",
    "number",
    "of_kind",
    "optional",
    "register",
    "series_like",
    "text",
    "unregister",
    "with_reason",
]

SENSORS.add(
    gamma.SENSOR, pwave.SENSOR, resistivity.SENSOR, susceptibility.SENSOR, natural_gamma.SENSOR
)
_OF_THE_PACKAGE = SENSORS.records()

_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_WORDS = ("number", "switch", "time")  # kinds of an option that are no unit
# Columns that every table of the scan or of standards has.
_GIVEN = {
    "scan": ("core", "section", "offset", "depth", "run", "time", "set"),
    "standards": ("kind", "set", "time", "liner", "temperature"),
}


def names() -> tuple[str, ...]:
    """Names of all registered sensors.

    Returns
    -------
    tuple of str
        Those of the package first, in the order in which their readings are reduced.

    Examples
    --------
    >>> names()[:3]
    ('gamma', 'pwave', 'resistivity')
    """
    return tuple(record.name for record in SENSORS.records())


def register(record: Sensor) -> Sensor:
    """Make a sensor known: its tables are read and reduced from then on.

    It lasts as long as Python runs. A script registers the sensor before it reads a hole, reduces
    it, or loads a recipe with the sensor's section. An archive takes the record along to its
    processes.

    Parameters
    ----------
    record : Sensor
        Name, tables, quantities, recipe options and stages.

    Returns
    -------
    Sensor
        The record.

    Raises
    ------
    ValueError
        When a name, quantity, table, section, option, stage or source exists already, or the
        record contradicts itself. Nothing is registered then.
    UnitError
        When a unit does not exist or has another spelling.
    """
    _refuse_unfit(record)
    # Modules whose tables the record must fit; a name may be taken in any of them.
    SENSORS.prepare()
    SENSORS.add(record)
    return record


def unregister(name: str) -> None:
    """Remove a registered sensor.

    Parameters
    ----------
    name : str
        Name of a sensor that is not one of the package.

    Raises
    ------
    ValueError
        When there is no such sensor, or it belongs to the package.
    """
    own = [record.name for record in own_records()]
    if name not in own:
        held = ", ".join(map(repr, own)) or "none"
        raise ValueError(
            f"{name!r} is not a sensor that can be removed; give one registered by you ({held})"
        )
    SENSORS.remove(name)


def own_records() -> tuple[Sensor, ...]:
    """Records that a user registered, to take along into other processes."""
    return tuple(record for record in SENSORS.records() if record not in _OF_THE_PACKAGE)


def adopt(records: tuple[Sensor, ...]) -> None:
    """Register the records of another process that this one does not have."""
    for record in records:
        if record.name not in names():
            register(record)


def _refuse_unfit(record: Sensor) -> None:
    """Refuse a record that contradicts itself, or whose words cannot be used."""
    name = record.name
    if not _NAME.fullmatch(name):
        raise ValueError(
            f"{name!r} cannot be the name of a sensor; write small letters, digits and single "
            "underscores, such as 'reflectance'"
        )
    SENSORS.refuse_taken(name)
    for term in record.terms:
        refuse_unfit(term)
    if record.quantity not in [term.name for term in record.terms]:
        raise ValueError(
            f"the sensor {name!r} gives {record.quantity!r}, which is not among its terms; add "
            "a Term of this name. A quantity that the package has cannot be given by two sensors: "
            "choose another name for yours"
        )
    if not record.stages:
        raise ValueError(
            f"the sensor {name!r} has no stage; give stages=(Stage(name, function),) with a "
            f"function that writes into results[{record.path!r}]"
        )
    _refuse_path(record)
    _refuse_columns(record)
    _refuse_options(record)
    _refuse_sources(record)


def _refuse_path(record: Sensor) -> None:
    if not re.fullmatch(r"properties/[a-z][a-z0-9_]*", record.path):
        raise ValueError(
            f"path of the sensor {record.name!r} is {record.path!r}; expected 'properties/' and "
            f"one plain name, such as 'properties/{record.name}'"
        )
    for other in SENSORS.records():
        if other.path == record.path and other.name != record.name:
            raise ValueError(
                f"path of the sensor {record.name!r} is {record.path!r}, where the sensor "
                f"{other.name!r} writes; choose another path"
            )


def _refuse_columns(record: Sensor) -> None:
    for folder, form in (("scan", record.scan), ("standards", record.standards)):
        for column in () if form is None else form.columns:
            if column.name in _GIVEN[folder] and folder == "scan":
                raise ValueError(
                    f"scan/{record.name}.csv has a column {column.name!r} like every table of the "
                    "scan; leave it out of the record"
                )
            if column.kind == "number" and column.unit is not None:
                _refuse_unit(column.unit, f"column {column.name!r} of {folder}/{record.name}.csv")


def _refuse_options(record: Sensor) -> None:
    for section, options in ((record.name, record.options), ("quality", record.quality_options)):
        for key, option in options.items():
            if not _NAME.fullmatch(key):
                raise ValueError(f"[{section}] {key!r} cannot be an option; write a plain name")
            if option.kind not in _WORDS and "|" not in option.kind:
                _refuse_unit(option.kind, f"option [{section}] {key}")
    if record.response_width == ("", ""):
        return
    section, key = record.response_width
    held = {record.name: record.options, "quality": record.quality_options}.get(section, {})
    if key not in held or held[key].default is None:
        raise ValueError(
            f"response_width of the sensor {record.name!r} is the option [{section}] {key}, which "
            "the record does not have or which has no default; add it to options"
        )


def _refuse_sources(record: Sensor) -> None:
    for source in record.sources:
        if source.group not in GROUPS:
            raise ValueError(
                f"the source {source.name!r} is of the group {source.group!r}; the groups are "
                f"{', '.join(GROUPS)}"
            )
        taken = [row.name for row in all_sources() if fnmatchcase(row.name, source.name)]
        if taken:
            raise ValueError(
                f"the sensor {record.name!r} adds the source {source.name!r}, which exists "
                "already; leave it out if it is the same error, or choose another name"
            )


def _refuse_unit(unit: str, where: str) -> None:
    wanted = units.canonical(unit)
    if wanted != unit:
        raise units.UnitError(f"unit {unit!r} of {where} is written {wanted!r} here")
