"""Checks of the settings of a hole: water depth, temperatures, salinity, liner."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import pandas as pd

from corephys.ground import thresholds
from corephys.hole.checks.finding import (
    Check,
    Finding,
    Tables,
    factor_in_words,
    median,
    temperature_unit,
)

__all__ = ["CHECKS"]

_DEEPEST = thresholds.value("deepest_water")  # m
_DEEP_SEA = thresholds.value("slip_deep_sea")  # m
_SEA_LEAST = thresholds.value("slip_sea_least")  # g/kg
_SEA_GREATEST = thresholds.value("slip_sea_greatest")  # g/kg
_CHLORINITY_LEAST = thresholds.value("slip_chlorinity_least")  # g/kg
_CHLORINITY_GREATEST = thresholds.value("slip_chlorinity_greatest")  # g/kg
_SHALLOW = thresholds.value("slip_cold_shallow")  # m
_COLD_WATER = thresholds.value("slip_cold_water")  # degC
_LOW_LATITUDE = thresholds.value("slip_low_latitude")  # degree
_WARM_ROOM = thresholds.value("slip_warmest_room")  # degC
_COLD_ROOM = thresholds.value("slip_coldest_room")  # degC
_WARM_BOTTOM = thresholds.value("slip_warmest_bottom_water")  # degC
_COLD_BOTTOM = thresholds.value("slip_coldest_bottom_water")  # degC
_SLOW_LINER = thresholds.value("slip_slowest_liner")  # m/s
_FAST_LINER = thresholds.value("fastest_setting")  # m/s
_WALL = thresholds.value("slip_thickest_wall")
_WIDE, _NARROW = thresholds.value("slip_widest_bore"), thresholds.value("slip_narrowest_bore")
_REFERENCE = thresholds.value("slip_reference_years")  # yr
_SHORT_LIFE = thresholds.value("slip_shortest_half_life")  # yr
_LONG_LIFE = thresholds.value("slip_longest_half_life")  # yr
_FILE = "hole.toml"


def _water_depth(tables: Tables) -> Iterator[Finding]:
    """Water depths above the sea, too deep, or in km under m."""
    water = tables.water_depth
    if not math.isfinite(water):
        return
    warm = tables.setting("hole", "bottom_water_temperature", "degC")
    salt = tables.setting("hole", "pore_water_salinity", "g/kg")
    latitude = tables.setting("hole", "latitude", "degree")
    low = not abs(latitude) > _LOW_LATITUDE  # also where it is not given
    marine = _SEA_LEAST <= salt <= _SEA_GREATEST
    if water < 0:
        words, slip = f"water_depth is {water:g} m", "a height in place of a depth"
    elif water > _DEEPEST:
        words = f"water_depth is {water:g} m, and no water is deeper than {_DEEPEST:g} m"
        slip = "m written as km"
    elif 0 < water < _SHALLOW and warm < _COLD_WATER and marine and low:
        words = (
            f"water_depth is {water:g} m with salt bottom water of {warm:g} degC, which shallow "
            "seas at low latitude do not have"
        )
        slip = "km written as m"
    else:
        return
    yield Finding(
        "water depth",
        _FILE,
        words,
        slip,
        "Correct water_depth under [hole]; pressures depend on it",
        f"{water:g} m",
    )


def _temperatures(tables: Tables) -> Iterator[Finding]:
    """Temperatures of the laboratory and of bottom water beyond reason."""
    for key, low, high, usual in (
        ("bottom_water_temperature", _COLD_BOTTOM, _WARM_BOTTOM, 5.0),
        ("laboratory_temperature", _COLD_ROOM, _WARM_ROOM, 20.0),
    ):
        given = tables.setting("hole", key, "degC")
        if not math.isfinite(given) or low <= given <= high:
            continue
        yield Finding(
            "temperatures of the settings",
            _FILE,
            f"{key} is {given:.5g} degC, and it may be {low:g} to {high:g} degC",
            temperature_unit(given, usual, 15.0),
            f"Write {key} with its unit, such as '2.8 degC' or '275.95 K'",
            f"{given:.5g} degC",
        )


def _salinity(tables: Tables) -> Iterator[Finding]:
    """A salinity below that of the deep sea by a factor of ten or a thousand, or a chlorinity."""
    salt = tables.setting("hole", "pore_water_salinity", "g/kg")
    if not salt > 0 or _is_sea(salt) or not tables.water_depth > _DEEP_SEA:
        return
    slip = factor_in_words(
        salt,
        _SEA_LEAST,
        _SEA_GREATEST,
        ((10.0, "a percentage under g/kg"), (1000.0, "a fraction under g/kg")),
        "",
    )
    if _CHLORINITY_LEAST <= salt <= _CHLORINITY_GREATEST:
        slip = "chlorinity in place of salinity"
    if not slip:
        return
    yield Finding(
        "salinity of the settings",
        _FILE,
        f"pore_water_salinity is {salt:g} g/kg under {tables.water_depth:g} m of water",
        slip,
        "Write the salinity with its unit, such as '35 g/kg', '3.5 %' or '35 psu'",
        f"{salt:g} g/kg",
    )


def _is_sea(salt: float) -> bool:
    """Whether a salinity [g/kg] is that of the deep sea."""
    return _SEA_LEAST <= salt <= _SEA_GREATEST


def _liner(tables: Tables) -> Iterator[Finding]:
    """Bore, wall and velocity of the liner beyond reason."""
    bore, wall = tables.setting("liner", "bore", "mm"), tables.setting("liner", "wall", "mm")
    velocity = tables.setting("liner", "velocity", "m/s")
    if math.isfinite(bore) and not _NARROW <= bore <= _WIDE:
        diameter = tables.number("sections", "core_diameter")
        usual = math.nan if diameter is None else median(diameter)
        beside = f", and half of the cores have {usual:.4g} mm" if usual > 0 else ""
        slip = factor_in_words(
            bore,
            _NARROW,
            _WIDE,
            (
                (10.0, "cm written as mm"),
                (1000.0, "m written as mm"),
                (25.4, "inches written as mm"),
                (0.1, "mm written as cm"),
            ),
            "another unit",
        )
        yield Finding(
            "liner",
            _FILE,
            f"[liner] bore is {bore:g} mm{beside}",
            slip,
            "Write bore with its unit, such as '66 mm'",
            f"{bore:g} mm",
        )
    elif wall > _WALL * bore or wall < 0:
        yield Finding(
            "liner",
            _FILE,
            f"[liner] wall is {wall:g} mm, and bore is {bore:g} mm",
            "cm written as mm, or the outer diameter in place of the wall",
            "Write wall with its unit, such as '2.6 mm'",
            f"{wall:g} mm",
        )
    if math.isfinite(velocity) and not _SLOW_LINER <= velocity <= _FAST_LINER:
        yield Finding(
            "liner",
            _FILE,
            f"[liner] velocity is {velocity:g} m/s",
            "km/s written as m/s" if velocity < _SLOW_LINER else "another unit",
            "Write velocity with its unit, such as '2300 m/s'",
            f"{velocity:g} m/s",
        )


def _source(tables: Tables) -> Iterator[Finding]:
    """A half-life of no gamma source, or a reference time far from its standards."""
    half_life = tables.setting("gamma", "half_life", "yr")
    if math.isfinite(half_life) and not _SHORT_LIFE <= half_life <= _LONG_LIFE:
        yield Finding(
            "decay of the source",
            _FILE,
            f"[gamma] half_life is {half_life:.4g} yr",
            "days, seconds or another unit in place of years",
            "Write half_life with its unit, such as '30.05 yr'",
            f"{half_life:.4g} yr",
        )
    given = tables.settings.get("gamma")
    stamp = given.get("reference_time") if isinstance(given, Mapping) else None
    times = tables.times("standards/gamma")
    if stamp is None or times is None:
        return
    reference = pd.to_datetime(str(stamp), utc=True, errors="coerce")
    if pd.isna(reference):
        return  # the recipe refuses it with its own words
    years = (median(times) - reference.timestamp()) / (365.25 * 86400.0)
    if abs(years) <= _REFERENCE:
        return
    yield Finding(
        "decay of the source",
        _FILE,
        f"[gamma] reference_time is {stamp}, {abs(years):.3g} years "
        f"{'before' if years > 0 else 'after'} the standards",
        "a year is mistyped, here or in the times of the standards",
        "Correct reference_time, from which the decay of the source is counted",
        str(stamp),
    )


CHECKS = (
    Check(
        "decay of the source",
        "half-life with those of gamma sources, reference time with the times of the standards",
        ("slip_shortest_half_life", "slip_longest_half_life", "slip_reference_years"),
        _source,
    ),
    Check(
        "water depth",
        "water depth with the sea, and with cold bottom water at low latitude",
        (
            "deepest_water",
            "slip_cold_shallow",
            "slip_cold_water",
            "slip_low_latitude",
            "slip_sea_least",
            "slip_sea_greatest",
        ),
        _water_depth,
    ),
    Check(
        "temperatures of the settings",
        "temperatures of bottom water and laboratory with possible ones",
        (
            "slip_coldest_bottom_water",
            "slip_warmest_bottom_water",
            "slip_coldest_room",
            "slip_warmest_room",
        ),
        _temperatures,
    ),
    Check(
        "salinity of the settings",
        "salinity with that of the deep sea",
        (
            "slip_deep_sea",
            "slip_sea_least",
            "slip_sea_greatest",
            "slip_chlorinity_least",
            "slip_chlorinity_greatest",
        ),
        _salinity,
    ),
    Check(
        "liner",
        "bore, wall and velocity of the liner with possible ones",
        (
            "slip_narrowest_bore",
            "slip_widest_bore",
            "slip_thickest_wall",
            "slip_slowest_liner",
            "fastest_setting",
        ),
        _liner,
    ),
)
