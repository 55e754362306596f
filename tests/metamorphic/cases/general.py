"""What users reach at the top of the package, flags, and the tables of words and numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

import corephys as cp
from corephys.ground import units
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

_LOOKS_UP = "looks a row of a table up by its name"
_FILE = "reads or writes a file of a hole, which keeps its units beside its numbers"

NOT_MEASURED = {
    "constants.get": _LOOKS_UP,
    "sensors.names": "lists names",
    "sensors.number": "names a column and its unit for the record of a sensor",
    "sensors.of_kind": "chooses rows of a table by a word",
    "sensors.optional": "marks columns for the record of a sensor",
    "sensors.register": "takes a record of words, functions and defaults",
    "sensors.series_like": "takes floats already in the unit that it names",
    "sensors.text": "names a column of words for the record of a sensor",
    "sensors.unregister": "takes the name of a sensor",
    "sensors.with_reason": "takes the places of readings and the name of a reason",
    "flags.allowed": "takes words: a recipe",
    "flags.bit": "takes a word: the name of a reason",
    "flags.flag_attributes": "takes words",
    "flags.levels": "takes words",
    "flags.names": "takes a bit mask and returns words",
    "flags.reason_attributes": "takes words",
    "load": _FILE,
    "quantity": "makes a quantity of numbers and their unit; every case hands quantities over",
    "read_hole": "reads a folder; a complete hole as a folder is compared with its tables",
    "read_site": "reads folders, whose tables state their units",
    "save": _FILE,
    "thresholds.count": _LOOKS_UP,
    "thresholds.get": _LOOKS_UP,
    "thresholds.value": _LOOKS_UP,
    "vocabulary.add": "adds a row of words to the vocabulary",
    "vocabulary.term": _LOOKS_UP,
}


@case("flags.from_reason")
def _(draw: Draw) -> dict[str, Any]:
    return {"reason": draw.reasons().values}


@case("flags.usable")
def _(draw: Draw) -> dict[str, Any]:
    flag = np.array([draw.choice(1, 2, 3, 4, 9) for _ in range(draw.size)])
    return {
        "flag": xr.DataArray(flag, dims="reading"),
        "allow": draw.choice(("good",), ("good", "not_evaluated", "suspect")),
    }


@case("explain", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"result": draw.dataset(bulk_density=(1.2, 2.4))}


@case("explain#porosity", rows="none", size=(2, 3))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "result": cp.porosity.from_density(
            draw.dataset(bulk_density=(1.2, 2.4)), grain_density="2.7 g/cm^3",
            grain_density_uncertainty="0.05 g/cm^3", pore_water_density="1.024 g/cm^3",
            pore_water_density_uncertainty="0.002 g/cm^3",
        )
    }  # fmt: skip


def card_text(what: xr.Dataset) -> str:
    """Text of a card."""
    return str(cp.overview(what))


@case("overview", rows="none", size=(2, 3), call=card_text)
def _(draw: Draw) -> dict[str, Any]:
    return {"what": draw.dataset(porosity=(0.3, 0.8), flagged=False)}


# A small hole ------------------------------------------------------------------------------------


def tables(draw: Draw) -> dict[str, Any]:
    """Two cores, samples of index properties and velocities of samples."""
    number = draw.size
    offset = draw.rising(5.0, 140.0)
    core = np.array(["1" if i < number // 2 else "2" for i in range(number)], dtype=object)
    place = {"core": core, "section": ["1"] * number, "offset": ("cm", offset)}
    porosity = draw.numbers(0.4, 0.7)
    grains, water = 10.0 * (1.0 - porosity) * 2.7, 10.0 * porosity * 1.024
    samples = draw.table(
        **place, wet_mass=("g", grains + water), dry_mass=("g", grains + 0.035 * water),
        dry_volume=("cm^3", 10.0 * (1.0 - porosity) + 0.016 * water),
    )  # fmt: skip
    length = draw.numbers(20.0, 60.0)
    velocity = draw.table(
        **place, axis=["along"] * number, length=("mm", length),
        travel_time=("us", 4.0 + 1e3 * length / draw.numbers(1450.0, 2000.0)),
    )  # fmt: skip
    cores = draw.table(
        dim="core_row", core=["1", "2"], coring_method=["piston", "piston"],
        top=("m", [0.0, 9.5]), advance=("m", [9.5, 9.5]), recovered=("m", [1.5, 1.5]),
    )  # fmt: skip
    sections = draw.table(
        dim="section_row", core=["1", "2"], section=["1", "1"], length=("m", [1.5, 1.5]),
        core_diameter=("mm", [66.0, 66.0]),
    )  # fmt: skip
    return {
        "tables": {
            "cores": cores, "sections": sections, "samples/index_properties": samples,
            "samples/velocity": velocity,
        },
        "settings": {
            "hole": {
                "name": "X", "water_depth": draw.scalar("m", 1000.0, 3000.0),
                "pore_water_salinity": draw.scalar("g/kg", 30.0, 36.0),
                "laboratory_temperature": draw.scalar("degC", 18.0, 24.0),
            },
            "sample_velocity": {"delay": draw.scalar("us", 3.9, 4.1)},
        },
    }  # fmt: skip


def frames(held: Mapping[str, xr.Dataset]) -> dict[str, pd.DataFrame]:
    """Tables as DataFrames with the unit in the header."""
    return {
        name: pd.DataFrame({
            f"{key} [{column.attrs['units']}]" if column.attrs.get("units") else key: column.values
            for key, column in table.data_vars.items()
        })
        for name, table in held.items()
    }  # fmt: skip


def texts(held: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Settings as a file has them: a quantity is a number and a unit in words."""
    return {
        stage: {
            key: f"{value.magnitude!r} {units.spelling(value)}"
            if hasattr(value, "magnitude") else value
            for key, value in keys.items()
        }
        for stage, keys in held.items()
    }  # fmt: skip


def gathered(tables: Mapping[str, Any], settings: Mapping[str, Any]) -> xr.DataTree:
    """A hole of tables."""
    return cp.hole_from_tables(frames(tables), texts(settings))


def reduced(tables: Mapping[str, Any], settings: Mapping[str, Any]) -> xr.DataTree:
    """The same hole, reduced."""
    return cp.reduce(gathered(tables, settings))


def placed(path: str) -> bool:
    """Where the samples lie; the columns of raw tables keep the unit of their header."""
    return path.startswith("//samples") and path.endswith(("/depth", "/offset", "/core"))


def results(path: str) -> bool:
    """Properties and products, without the tables that went in."""
    return path.startswith(("//properties", "//products"))


case(
    "hole_from_tables", rows="set", dims=("row", "reading"), size=(6, 8), call=gathered, only=placed
)(tables)
case("reduce", rows="set", dims=("row", "reading"), size=(6, 8), call=reduced, only=results)(tables)
