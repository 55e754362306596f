"""The settings of a hole: hole.toml read and checked, dimensional values as "2430 m" strings."""

from __future__ import annotations

import json
import tomllib
import zoneinfo
from typing import Any

from corephys.ground import seawater, units
from corephys.hole.reading import csv
from corephys.hole.reading.error import Problem, nearest

__all__ = ["FILE", "check", "parse", "to_json"]

FILE = "hole.toml"

# Unit whose dimension a setting must have, and an example of its spelling.
_DIMENSIONAL = {
    ("hole", "water_depth"): ("m", "2430 m"),
    ("hole", "bottom_water_temperature"): ("degC", "1.9 degC"),
    ("hole", "pore_water_salinity"): ("g/kg", "35 g/kg"),
    ("hole", "laboratory_temperature"): ("degC", "21 degC"),
    ("liner", "bore"): ("mm", "70 mm"),
    ("liner", "wall"): ("mm", "2.5 mm"),
    ("liner", "velocity"): ("m/s", "2300 m/s"),
    ("gamma", "dead_time"): ("us", "2 us"),
    ("gamma", "background_rate"): ("1/s", "0.5 1/s"),
    ("gamma", "half_life"): ("yr", "30.05 yr"),
    ("pwave", "delay"): ("us", "19.8 us"),
}
_TEXTS = {"name", "site", "depth_datum", "time_zone"}
_DEGREES = {"latitude": 90.0, "longitude": 360.0}
_HOLE_KEYS = {key for table, key in _DIMENSIONAL if table == "hole"} | _TEXTS | set(_DEGREES)
_MINIMUM = '[hole], name = "..." and water_depth = "2430 m"'


def parse(raw: bytes | None) -> tuple[dict[str, Any], list[Problem]]:
    """Settings of the contents of hole.toml as written; ``raw`` is None without a file."""
    if raw is None:
        mend = f"Write a text file {FILE} that begins with the lines {_MINIMUM}"
        return {}, [Problem(FILE, None, "", "the folder holds no such file", mend)]
    text, problem = csv.decode(raw, FILE)
    if text is None:
        return {}, [problem] if problem else []
    try:
        settings = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        mend = 'Write one setting a line, such as water_depth = "2430 m", under a [table]'
        return {}, [Problem(FILE, None, "", f"the TOML cannot be read: {error}", mend)]
    return settings, check(settings)


def check(settings: dict[str, Any]) -> list[Problem]:
    """Faults of the settings.

    Unknown tables and keys are kept, unless one is similar to a known key that is not given.
    """
    problems = []
    for table, values in settings.items():
        if not isinstance(values, dict):
            what = f"{table} is set outside a table"
            problems.append(Problem(FILE, None, table, what, "Move it under [hole]"))
    hole = settings.get("hole")
    if not isinstance(hole, dict):
        mend = f"Begin the file with the lines {_MINIMUM}"
        return [*problems, Problem(FILE, None, "hole", "there is no table [hole]", mend)]
    if not str(hole.get("name", "")).strip():
        what = "[hole] gives no name"
        problems.append(Problem(FILE, None, "name", what, 'Add name = "..." under [hole]'))
    for key in hole:
        known = key.removesuffix("_uncertainty") in _HOLE_KEYS
        guess = "" if known else nearest(key, _HOLE_KEYS)
        if guess and guess not in hole:
            what = f"[hole] has no setting {key!r}"
            problems.append(Problem(FILE, None, key, what, f"Write {guess!r}"))
    for key in _TEXTS & set(hole):
        if not isinstance(hole[key], str):
            what = f"{key} is {hole[key]!r}, not a text"
            problems.append(Problem(FILE, None, key, what, f'Write {key} = "{hole[key]}"'))
    for (table, key), (unit, example) in _DIMENSIONAL.items():
        values = settings.get(table)
        if isinstance(values, dict) and key in values:
            problems += _dimension(table, key, values[key], unit, example)
    return problems + _place_and_time(hole)


def _dimension(table: str, key: str, value: object, unit: str, example: str) -> list[Problem]:
    """The fault of a setting that needs a unit, if it has one."""
    mend = f'Write {key} = "{example}" with your own number under [{table}]'
    if not isinstance(value, str):
        return [Problem(FILE, None, key, f"{key} is {value!r}, without a unit", mend)]
    try:
        number, given = units.read_scalar(value)
        units.convert(number, given, unit)
        if key == "pore_water_salinity":
            seawater.salinity_floats(value, key)
    except ValueError as error:
        return [Problem(FILE, None, key, str(error).rstrip("."), mend)]
    return []


def _place_and_time(hole: dict[str, Any]) -> list[Problem]:
    """Faults of latitude, longitude and time zone."""
    problems = []
    for key, limit in _DEGREES.items():
        value = hole.get(key, 0.0)
        try:
            degrees = units.as_floats(value, "degree", key) if isinstance(value, str) else value
        except units.UnitError:
            degrees = None
        number = isinstance(degrees, (int, float)) and not isinstance(degrees, bool)
        if not number or not abs(degrees) <= limit:
            what = f"{key} is {value!r}, not a number of degrees within {limit:g}"
            mend = f'Write decimal degrees, north and east positive: {key} = "-38.5 degree"'
            problems.append(Problem(FILE, None, key, what, mend))
    zone = hole.get("time_zone", "UTC")
    try:
        zoneinfo.ZoneInfo(str(zone))
    except (zoneinfo.ZoneInfoNotFoundError, ValueError):
        what = f"time_zone {zone!r} is not a known zone"
        mend = 'Write a name such as "UTC" or "Etc/GMT-9", or leave it out for UTC'
        problems.append(Problem(FILE, None, "time_zone", what, mend))
    return problems


def to_json(settings: dict[str, Any]) -> str:
    """Settings as one JSON text; dates become ISO 8601."""
    return json.dumps(settings, default=_iso, ensure_ascii=False)


def _iso(value: Any) -> str:
    return str(value.isoformat())
