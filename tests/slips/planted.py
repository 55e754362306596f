"""The planted slips: what is changed in sound tables, and what is expected at read."""

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


def times(table: str, column: str, factor: float, **where: Any) -> Callable[[Tables, Settings], None]:
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


def _both(*plants: Callable[[Tables, Settings], None]) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        for one in plants:
            one(tables, settings)

    return plant


def _swap(table: str, first: str, second: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        frame[[first, second]] = frame[[second, first]].to_numpy()

    return plant


def _drop(table: str, **where: Any) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        tables[table] = frame[~rows_of(frame, where)].reset_index(drop=True)

    return plant


def _add(table: str, **cells: Any) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        row = pd.DataFrame([cells])
        held = tables.get(table)
        tables[table] = row if held is None else pd.concat([held, row], ignore_index=True)

    return plant


def _from_core_top(table: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        sections = tables["sections"]
        above = sections.groupby("core")["length [m]"].cumsum() - sections["length [m]"]
        key = dict(zip(zip(sections["core"], sections["section"], strict=True), above, strict=True))
        frame = tables[table]
        frame["offset [cm]"] = frame["offset [cm]"].astype(float) + [
            100 * key[pair] for pair in zip(frame["core"], frame["section"], strict=True)
        ]

    return plant


def _turned(table: str, core: str, section: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        rows = rows_of(frame, {"core": core, "section": section, "run": 1})
        frame.loc[rows, "offset [cm]"] = frame.loc[rows, "offset [cm]"].to_numpy()[::-1]

    return plant


def _exchanged(table: str, core: str, first: str, second: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        names = {first: second, second: first}
        rows = rows_of(frame, {"core": core})
        frame.loc[rows, "section"] = [names.get(s, s) for s in frame.loc[rows, "section"]]

    return plant


def _units_row(table: str, **units: str) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        first = {c: units.get(c.partition(" [")[0], frame[c].iloc[0]) for c in frame}
        body = frame.astype(object)
        tables[table] = pd.concat([pd.DataFrame([first], dtype=object), body], ignore_index=True)

    return plant


def _grouped(value: float) -> str:
    """A number in groups of three digits."""
    return f"{value:,.0f}"


def _comma(value: float) -> str:
    return str(value).replace(".", ",")


def _day_first(stamp: str) -> str:
    return f"{stamp[8:10]}.{stamp[5:7]}.{stamp[:4]} {stamp[11:16]}"


def _log(top: float, bottom: float, datum: str) -> Callable[[Tables, Settings], None]:
    """A LAS file is planted by the test, which writes a folder; here its plan alone."""

    def plant(tables: Tables, settings: Settings) -> None:
        settings["logs"] = {"files": {"run.las": {"depth_datum": datum, "curves": {}}}}

    return plant


def _ages_in(unit_factor: float) -> Callable[[Tables, Settings], None]:
    return _both(
        times("ages", "age [kyr]", unit_factor), times("ages", "age_uncertainty [kyr]", unit_factor)
    )


def _pore_water(salinity: float) -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.array([5.0, 40.0, 80.0, 120.0, 200.0])
        tables["pore_water"] = pd.DataFrame(
            {"depth [m]": depth, "salinity [g/kg]": salinity + 0.001 * depth * salinity / 35.0}
        )

    return plant


def _supplied(values: float, unit: str, quantity: str = "porosity") -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.arange(1.0, 31.0)
        level = values * (1.0 + 0.1 * np.sin(depth))
        tables["scan/reduced"] = pd.DataFrame({"depth [m]": depth, f"{quantity}{unit}": level})

    return plant


def _two_passes() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.concatenate([np.arange(0.0, 30.0, 1.0), np.arange(0.25, 30.0, 1.0)])
        tables["scan/reduced"] = pd.DataFrame({"depth [m]": depth, "porosity": 0.6})

    return plant


def _holes_named() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables["samples/index_properties"]
        frame["hole"] = ["A"] * (len(frame) - 20) + ["B"] * 20

    return plant


def _excluded() -> Callable[[Tables, Settings], None]:
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


def _stuck() -> Callable[[Tables, Settings], None]:
    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables["scan/gamma"]
        frame.loc[300:340, "counts"] = int(frame["counts"].iloc[300])

    return plant


_GAMMA, _PWAVE = "scan/gamma", "scan/pwave"
_RESISTIVITY, _SUSCEPTIBILITY = "scan/resistivity", "scan/susceptibility"
_NATURAL = "scan/natural_gamma"
_INDEX, _NEEDLE = "samples/index_properties", "samples/needle"
_SCANS = (_GAMMA, _PWAVE, _RESISTIVITY, _SUSCEPTIBILITY, _NATURAL)

SLIPS: tuple[Slip, ...] = (
    # Lengths, cores, intervals.
    Slip("a section of 1.50 m written 1.05", put("sections", "length [m]", 1.05, core="3", section="2"),
         "section lengths", "with 1.5 m the sections would add up to the 9.23 m", "1.50 m written as 1.05", _SCANS),
    Slip("the same section, seen from its readings", put("sections", "length [m]", 1.05, core="3", section="2"),
         "readings past the end", "A length of 1.50 m would hold them", "length is mistyped", _SCANS),
    Slip("one section in cm under m", times("sections", "length [m]", 100.0, core="3", section="2"),
         "section lengths", "section is 150 m long", "1.50 m written as 150", _SCANS),
    Slip("all section lengths in cm under m", times("sections", "length [m]", 100.0),
         "section lengths", "923.00 m together", "cm under m", _SCANS),
    Slip("a section left out of the table of sections",
         _both(_drop("sections", core="5", section="4"), *(_drop(t, core="5", section="4") for t in (*_SCANS, _INDEX, _NEEDLE, "samples/velocity", "samples/strength", "samples/consolidation", "removed"))),
         "section lengths", "were recovered", "a section is missing"),
    Slip("recovered three times the advance", put("cores", "recovered [m]", 28.5, row=8),
         "recovered against advance", "28.5 m were recovered of an advance of 9.5 m, 3.0 times", "mistyped", _SCANS),
    Slip("three times the advance in the last core", put("cores", "advance [m]", 28.8, row=29),
         "advance", "the advance is 28.8 m", "drilled interval"),
    Slip("three times the advance in another core", put("cores", "advance [m]", 28.5, row=3),
         "refused", "above the end of core '4'"),
    Slip("tops of cores from the sea surface", plus("cores", "top [m]", 2430.0),
         "tops of cores", "the water is 2430 m deep", "sea surface", _SCANS),
    Slip("a top with a shifted point", put("cores", "top [m]", 1520.0, row=16),
         "order of cores", "begins at 161.5 m, above core '17' at 1520 m", "top is mistyped", _SCANS),
    Slip("two cores of one number", put("cores", "core", "7", row=7), "refused", "core '7' is there already"),
    Slip("time on deck before the core above", put("cores", "time_on_deck", "2031-02-05T06:00:00Z", row=12),
         "time on deck", "before core '12'", "day was taken for the month"),
    Slip("removed intervals in m under cm",
         _both(times("removed", "from [cm]", 0.01), times("removed", "to [cm]", 0.01)),
         "intervals in m", "the interval is 1.4 to 1.5 cm", "m under cm", (_GAMMA, _PWAVE)),
    Slip("exclusions that cover all", _excluded(), "exclusions", "exclude 100 % of all sections", "to keep"),
    Slip("layers that overlap", put("layers", "top [m]", 14.0, row=2),
         "layers", "they overlap by", "mistyped"),
    Slip("a layer upside down", _both(put("layers", "top [m]", 88.0, row=1), put("layers", "bottom [m]", 41.0, row=1)),
         "refused", "lies above the top 88 m"),
    Slip("layers in cm under m", _both(times("layers", "top [m]", 100.0), times("layers", "bottom [m]", 100.0)),
         "layers", "the deepest core at", "cm or feet"),
    Slip("core diameters in cm under mm", times("sections", "core_diameter [mm]", 0.1),
         "core diameter", "6.61 mm and the bore", "cm under mm", (_GAMMA, _PWAVE)),
    Slip("a core diameter wider than the bore", put("sections", "core_diameter [mm]", 96.1, core="4", section="3"),
         "core diameter", "96.1 mm", "mistyped", (_GAMMA, _PWAVE)),
    # Places and times of readings.
    Slip("offsets of gamma in m under cm", times(_GAMMA, "offset [cm]", 0.01),
         "unit of offsets", "reach 1.5 cm in a section of 150 cm", "m under cm", (_GAMMA,)),
    Slip("offsets of the P-wave in mm under cm", times(_PWAVE, "offset [cm]", 10.0),
         "unit of offsets", "in a section of 150 cm", "mm under cm", (_PWAVE,)),
    Slip("offsets of samples in m under cm",
         _both(times(_INDEX, "offset [cm]", 0.01), times(_INDEX, "to [cm]", 0.01)),
         "unit of offsets", "in a section of 150 cm", "m under cm", (_INDEX,)),
    Slip("offsets from the top of the core", _from_core_top(_GAMMA),
         "unit of offsets", "in a section of 150 cm", "from the top of the core", (_GAMMA,)),
    Slip("a section without a reading", _drop(_GAMMA, core="6", section="3"),
         "sections without a reading", "sections below it in the same core have some", "not scanned"),
    Slip("a section scanned upside down", _turned(_GAMMA, "4", "2"),
         "direction of offsets", "run upward in time", "upside down", (_GAMMA,)),
    Slip("two sections exchanged", _exchanged(_PWAVE, "9", "3", "4"),
         "sections in time", "scanned after section", "exchanged", (_PWAVE,)),
    Slip("readings before their core was on deck", put("cores", "time_on_deck", "2031-05-05T23:00:00Z", row=13),
         "time of readings", "before its core came on deck", "time zone"),
    Slip("a sample's end in mm under cm", times(_INDEX, "to [cm]", 10.0),
         "length of samples", "from 45 to 470 cm", "mm under cm", (_INDEX,)),
    Slip("two holes in one table of samples", _holes_named(), "holes in one table", "names 2 holes: A, B",
         "two holes", (_INDEX,)),
    Slip("two passes or holes in one table of depths", _two_passes(), "depths begin again",
         "reach 29 m and begin again at 0.25 m", "two holes", ("scan/reduced",)),
    Slip("depths that count upward", _both(_supplied(0.6, ""), times("scan/reduced", "depth [m]", -1.0)),
         "sign of depths", "all depths are negative", "heights above the seafloor", ("scan/reduced",)),
    # Columns.
    Slip("decimal commas", text(_PWAVE, "thickness [mm]", _comma),
         "columns that cannot be read", "such as '71,29'", "decimal comma"),
    Slip("commas between thousands", text(_GAMMA, "counts", _grouped),
         "columns that cannot be read", "such as '86,075'", "comma between thousands"),
    Slip("dates with the day first", text(_SUSCEPTIBILITY, "time", _day_first),
         "columns that cannot be read", "are no times, such as '02.05.2031 10:00'", "day or the month first"),
    Slip("a row of units below the header", _units_row(_RESISTIVITY, offset="cm", response="mV", temperature="degC", run="no", time="UTC"),
         "columns that cannot be read", "the first row has 5 cells that are no numbers: 'cm', 'mV', 'degC'", "holds units"),
    Slip("a row of units in a table by depth", _both(_supplied(0.6, ""), _units_row("scan/reduced", depth="m", porosity="fraction")),
         "columns that cannot be read", "the column 'porosity' holds text, such as 'fraction'", "units or words"),
    Slip("decimal commas in a column of supplied values", _both(_supplied(0.6, ""), text("scan/reduced", "porosity", _comma)),
         "columns that cannot be read", "the column 'porosity' holds text", "decimal comma"),
    Slip("text in a column of numbers", text("standards/pwave", "travel_time [us]", lambda cell: f"ca. {cell}"),
         "columns that cannot be read", "such as 'ca. 15.75'", "text in a column of numbers"),
    Slip("a placeholder for a missing value", put(_PWAVE, "travel_time [us]", -999.25, row=[40, 41, 90]),
         "placeholders", "holds -999.25 (and in 2 more rows)", "missing value", (_PWAVE,)),
    Slip("a channel that stood still", _stuck(), "one value in a row", "readings in a row", "stood still", (_GAMMA,)),
    # Raw readings of the scan.
    Slip("counts beside no time", put(_GAMMA, "real_time [s]", 0.0, row=[10, 11]),
         "counting time", "real_time is 0 s beside", "not recorded", (_GAMMA,)),
    Slip("ten times the counting time in two sections", times(_GAMMA, "real_time [s]", 10.0, core="2", section="4"),
         "counting time", "real_time is 50 s", "mistyped", (_GAMMA,)),
    Slip("counts per second as counts of gamma", times(_GAMMA, "counts", 0.2),
         "whole counts", "counts are whole numbers", "counts per second", (_GAMMA,)),
    Slip("whole counts per second as counts of gamma", text(_GAMMA, "counts", lambda cell: str(round(cell / 5))),
         "rates of gamma", "the standards have", "counts per second", (_GAMMA,)),
    Slip("counts per second as counts of natural gamma", text(_NATURAL, "counts", lambda cell: str(round(cell / 60))),
         "rates of natural gamma", "the background", "counts per second", (_NATURAL,)),
    Slip("windows of the spectrum beside rates", text(_NATURAL, "counts", lambda cell: str(round(cell / 60))),
         "windows of the spectrum", "more than the", "per second", (_NATURAL,)),
    Slip("thickness in cm under mm", times(_PWAVE, "thickness [mm]", 0.1),
         "thickness", "the liner is 71.2 mm", "cm under mm", (_PWAVE,)),
    Slip("thickness without the liner", plus(_PWAVE, "thickness [mm]", -5.2),
         "thickness", "66 mm inside", "walls of the liner", (_PWAVE,)),
    Slip("travel time in ns under us", times(_PWAVE, "travel_time [us]", 1000.0),
         "travel time", "which makes", "ns under us", (_PWAVE,)),
    Slip("travel time in s under us", times(_PWAVE, "travel_time [us]", 1e-6),
         "travel time", "which makes", "s under us", (_PWAVE,)),
    Slip("travel time in ns in one section", times(_PWAVE, "travel_time [us]", 1000.0, core="5", section="1"),
         "travel time", "core '5', section '1'", "ns under us", (_PWAVE,)),
    Slip("amplitude in decibels", plus(_PWAVE, "amplitude", -200.0), "amplitude", "zero or negative", "decibels"),
    Slip("a delay in ms", setting("pwave", "delay", "19.8 ms"), "delay of the P-wave", "19800 us", "unit of the delay"),
    Slip("response of resistivity in V under mV", times(_RESISTIVITY, "response [mV]", 0.001),
         "response of resistivity", "air 35.7 mV", "V under mV", (_RESISTIVITY,)),
    Slip("temperature of the scan in K under degC", plus(_SUSCEPTIBILITY, "temperature [degC]", 273.15),
         "columns that cannot be read", "'temperature' are beyond any instrument, such as '292.75'", "K under degC"),
    Slip("temperature of the P-wave in degF under degC",
         _both(times(_PWAVE, "temperature [degC]", 1.8), plus(_PWAVE, "temperature [degC]", 32.0)),
         "temperature of the laboratory", "68", "degF under degC", (_PWAVE,)),
    Slip("the unit SI for readings of 1e-5 SI", setting("susceptibility", "unit", "SI"),
         "unit of susceptibility", "in SI, a volume susceptibility of", "unit of the meter", (_SUSCEPTIBILITY,)),
    Slip("values of susceptibility standards in 1e-6 beside readings in 1e-5",
         times("standards/susceptibility", "value", 10.0), "standards of susceptibility", "times its value", "1e-6 beside 1e-5"),
    # Standards and settings.
    Slip("aluminium in cm under mm", times("standards/gamma", "aluminium_thickness [mm]", 0.1),
         "thickness of aluminium", "6 mm in a bore of 66 mm", "cm under mm", (_GAMMA,)),
    Slip("two thicknesses of aluminium exchanged",
         _both(put("standards/gamma", "aluminium_thickness [mm]", 999.0, **{"aluminium_thickness [mm]": 20.0}),
               put("standards/gamma", "aluminium_thickness [mm]", 20.0, **{"aluminium_thickness [mm]": 40.0}),
               put("standards/gamma", "aluminium_thickness [mm]", 40.0, **{"aluminium_thickness [mm]": 999.0})),
         "counts of standards", "the rate rises from", "exchanged", (_GAMMA,)),
    Slip("velocity standards in cm under mm", times("standards/pwave", "length [mm]", 0.1),
         "velocity of standards", "give 27", "cm under mm", (_PWAVE,)),
    Slip("conductivity of brines in mS/cm under S/m",
         _both(put("standards/resistivity", "conductivity [S/m]", 53.0, kind="check"), put("standards/resistivity", "salinity [g/kg]", np.nan, kind="check")),
         "conductivity of brines", "a brine has 53 S/m", "mS/cm under S/m", (_RESISTIVITY,)),
    Slip("conductivity of a weak brine in mS/cm under S/m", times("standards/resistivity", "conductivity [S/m]", 10.0),
         "conductivity of brines", "10.6 mV m/S for brines with a conductivity", "mS/cm under S/m", (_RESISTIVITY,)),
    Slip("salinity of brines as a percentage", times("standards/resistivity", "salinity [g/kg]", 0.1),
         "conductivity of brines", "for those with a salinity", "", (_RESISTIVITY,)),
    Slip("background counts in place of a rate", setting("gamma", "background_rate", "72000 1/s"),
         "background of gamma", "72000 1/s", "complete counting time"),
    Slip("a dead time in ms", setting("gamma", "dead_time", "5 ms"), "background of gamma", "5000 us", "ms in place of us"),
    Slip("water depth in km written as m", setting("hole", "water_depth", "2.43 m"),
         "water depth", "2.43 m", "km written as m"),
    Slip("a negative water depth", setting("hole", "water_depth", "-2430 m"), "water depth", "-2430 m", "height"),
    Slip("latitude and longitude exchanged", _both(setting("hole", "latitude", -150.25), setting("hole", "longitude", -38.5)),
         "refused", "latitude is -150.25"),
    Slip("bottom water in degF", setting("hole", "bottom_water_temperature", "37.03 degC"),
         "temperatures of the settings", "37.03 degC", "degF under degC"),
    Slip("laboratory temperature in degF", setting("hole", "laboratory_temperature", "68 degC"),
         "temperatures of the settings", "68 degC", "degF under degC"),
    Slip("salinity of the hole as a percentage", setting("hole", "pore_water_salinity", "3.5 g/kg"),
         "salinity of the settings", "3.5 g/kg under 2430 m", "percentage"),
    Slip("bore in cm written as mm", setting("liner", "bore", "6.6 mm"), "liner", "bore is 6.6 mm", "cm written as mm"),
    Slip("liner velocity in km/s", setting("liner", "velocity", "2.3 m/s"), "liner", "2.3 m/s", "km/s written as m/s"),
    # Samples.
    Slip("a dry mass above its wet mass", put(_INDEX, "dry_mass [g]", 19.208, row=5),
         "masses", "dry_mass is 19.208 g", "mistyped", (_INDEX,)),
    Slip("columns of wet and dry mass exchanged", _swap(_INDEX, "wet_mass [g]", "dry_mass [g]"),
         "masses", "dry_mass is 16.148 g and wet_mass 9.208 g", "columns of wet and dry mass are exchanged", (_INDEX,)),
    Slip("masses in kg under g", _both(times(_INDEX, "wet_mass [g]", 1e-3), times(_INDEX, "dry_mass [g]", 1e-3)),
         "grain density", "g/cm^3 of dry mass over dry volume", "kg in the masses", (_INDEX,)),
    Slip("masses in mg under g", _both(times(_INDEX, "wet_mass [g]", 1e3), times(_INDEX, "dry_mass [g]", 1e3)),
         "grain density", "g/cm^3 of dry mass over dry volume", "mg in the masses", (_INDEX,)),
    Slip("wet mass alone in mg", times(_INDEX, "wet_mass [g]", 1e3), "masses", "times as much", "kg or mg", (_INDEX,)),
    Slip("containers not subtracted", _both(plus(_INDEX, "wet_mass [g]", 8.5), plus(_INDEX, "dry_mass [g]", 8.5)),
         "grain density", "g/cm^3 of dry mass over dry volume", "container was not subtracted", (_INDEX,)),
    Slip("containers subtracted twice", put(_INDEX, "container_mass [g]", 8.5),
         "grain density", "g/cm^3 of dry mass over dry volume", "given again", (_INDEX,)),
    Slip("volumes in m^3 under cm^3", times(_INDEX, "dry_volume [cm^3]", 1e-6),
         "grain density", "g/cm^3 of dry mass over dry volume", "m^3 in the volumes", (_INDEX,)),
    Slip("volumes ten times too large", times(_INDEX, "dry_volume [cm^3]", 10.0),
         "grain density", "g/cm^3 of dry mass over dry volume", "ten times too large", (_INDEX,)),
    Slip("a point shifted in one dry volume", times(_INDEX, "dry_volume [cm^3]", 10.0, row=12),
         "grain density", "dry mass over dry volume is 0.2676", "digit", (_INDEX,)),
    Slip("porosity in % under a fraction", _supplied(60.0, ""), "supplied values", "near 60", "percentage under a fraction", ("scan/reduced",)),
    Slip("porosity as a fraction under %", _supplied(0.6, " [%]"), "supplied values", "near 0.006", "fraction under a percentage", ("scan/reduced",)),
    Slip("density in kg/m^3 under g/cm^3", _supplied(1600.0, " [g/cm^3]", "bulk_density"),
         "supplied values", "near 1", "thousand times", ("scan/reduced",)),
    Slip("heating power of the needle in W under W/m", times(_NEEDLE, "heating_power [W/m]", 0.06),
         "heating curves", "half of the curves give about", "complete needle", (_NEEDLE,)),
    Slip("heating power in mW/m under W/m", times(_NEEDLE, "heating_power [W/m]", 1000.0),
         "heating curves", "half of the curves give about", "mistyped", (_NEEDLE,)),
    Slip("needle time in minutes under s", times(_NEEDLE, "time [s]", 1 / 60),
         "heating curves", "end 4 s or less", "minutes", (_NEEDLE,)),
    Slip("needle temperatures in mK under degC", times(_NEEDLE, "temperature [degC]", 1000.0),
         "columns that cannot be read", "'temperature' are beyond any instrument, such as '20040.7'", "thousandths of degC"),
    Slip("radius of the needle in m under mm", times(_NEEDLE, "radius [mm]", 0.001),
         "radius of the needle", "0.001 mm", "m under mm", (_NEEDLE,)),
    Slip("lengths of velocity samples in cm under mm", times("samples/velocity", "length [mm]", 0.1),
         "velocity of samples", "with the delay", "cm under mm", ("samples/velocity",)),
    Slip("torque of the vane in N mm under N m", times("samples/strength", "torque [N m]", 1000.0),
         "strength", "tests of vane", "N mm under N m", ("samples/strength",)),
    Slip("mass of the cone in kg under g", times("samples/strength", "cone_mass [g]", 0.001),
         "strength", "the mass of the cone is 0.4 g", "kg under g", ("samples/strength",)),
    Slip("stress of consolidation in MPa under kPa", times("samples/consolidation", "stress [kPa]", 0.001),
         "consolidation", "the greatest stress of the test 'C1'", "MPa under kPa", ("samples/consolidation",)),
    Slip("void ratio as a percentage", put("samples/consolidation", "void_ratio", 140.0),
         "consolidation", "void_ratio are near 140", "percentage", ("samples/consolidation",)),
    Slip("height of consolidation in cm under mm", times("samples/consolidation", "height [mm]", 0.1),
         "consolidation", "height are near", "cm under mm", ("samples/consolidation",)),
    # Downhole and along depth.
    Slip("a station below the sea surface in place of the seafloor", plus("downhole/stations", "depth [m]", 2430.0),
         "stations", "2459.5 m, and the deepest core ends at", "sea surface", ("downhole/stations",)),
    Slip("a station deeper than the hole", put("downhole/stations", "depth [m]", 862.0, row=2),
         "stations", "862 m", "", ("downhole/stations",)),
    Slip("a station above the seafloor", put("downhole/stations", "depth [m]", -29.5, row=0), "refused", "above the seafloor"),
    Slip("conductivity of stations in mW/(m K)", put("downhole/stations", "conductivity [W/(m K)]", 1041.0),
         "stations", "1041 W/(m K)", "mW/(m K) under W/(m K)", ("downhole/stations",)),
    Slip("formation temperature in K under degC", plus("downhole/formation_temperature", "temperature [degC]", 273.15),
         "recorded temperatures", "275.9", "K under degC", ("downhole/stations",)),
    Slip("formation temperature in mK under degC", times("downhole/formation_temperature", "temperature [degC]", 1000.0),
         "columns that cannot be read", "'temperature' are beyond any instrument, such as '2797.8'", "mK"),
    Slip("records of temperature in minutes under s", times("downhole/formation_temperature", "time [s]", 1 / 60),
         "records of temperature", "", "minutes", ("downhole/stations",)),
    Slip("penetration in minutes under s", times("downhole/stations", "penetration_time [s]", 60.0),
         "records of temperature", "penetration_time", "", ("downhole/stations",)),
    Slip("radius of the tool in m under mm", times("downhole/tools", "radius [mm]", 0.001),
         "tools", "0.008 mm", "m under mm", ("downhole/stations",)),
    Slip("two-way times in the column of one-way times", times("checkshots", "one_way_time [s]", 2.0),
         "check shots", "m/s between 0 and 275 m", "two-way times in the column of one-way", ("checkshots",)),
    Slip("one-way times in the column of two-way times",
         lambda tables, settings: tables.__setitem__("checkshots", tables["checkshots"].rename(columns={"one_way_time [s]": "two_way_time [s]"})),
         "check shots", "m/s between 0 and 275 m", "one-way times in the column of two-way", ("checkshots",)),
    Slip("check shots in ms under s", times("checkshots", "one_way_time [s]", 1000.0),
         "check shots", "m/s between 0 and 275 m", "ms under s", ("checkshots",)),
    Slip("ages in yr under kyr", _ages_in(1000.0), "ages", "m/Myr", "yr under kyr", ("ages",)),
    Slip("ages in Myr under kyr", _ages_in(0.001), "ages", "m/Myr", "Myr under kyr", ("ages",)),
    Slip("an age with a missing digit", times("ages", "age [kyr]", 0.1, row=9),
         "ages", "younger than", "mistyped", ("ages",)),
    Slip("salinity of pore water as a percentage", _pore_water(3.5), "salinity", "near 3.5", "percentage", ("pore_water",)),
    Slip("salinity of pore water as a fraction", _pore_water(0.035), "salinity", "near 0.035", "fraction", ("pore_water",)),
)  # fmt: skip
