"""Index properties: masses and volumes of samples, pycnometer cells, old archives."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

NO_DEPTH = "quantities bear no depth, by which a sample is placed among its neighbours"


def sample(draw: Draw) -> dict[str, np.ndarray]:
    """Masses and volumes of saturated samples: g and cm^3."""
    volume = draw.numbers(5.0, 15.0)
    porosity, grain = draw.numbers(0.3, 0.8), draw.numbers(2.55, 2.85)
    grains, water = volume * (1.0 - porosity) * grain, volume * porosity * 1.024
    salt = 0.035 * water
    return {
        "wet_mass": grains + water,
        "dry_mass": grains + salt,
        "dry_volume": volume * (1.0 - porosity) + salt / 2.2,
        "wet_volume": volume * draw.numbers(0.98, 1.02),
        "porosity": porosity, "grain_density": grain, "bulk_density": (grains + water) / volume,
        "water_content_wet": water / (grains + water),
    }  # fmt: skip


UNITS = {"wet_mass": "g", "dry_mass": "g", "dry_volume": "cm^3", "wet_volume": "cm^3",
         "porosity": "1", "grain_density": "g/cm^3", "bulk_density": "g/cm^3",
         "water_content_wet": "1"}  # fmt: skip


def series_of(draw: Draw, values: dict[str, np.ndarray], *names: str) -> dict[str, Any]:
    """Some columns of a sample as series."""
    return {name: draw.series(UNITS[name], 0, 1, values=values[name]) for name in names}


def fluid(draw: Draw) -> dict[str, Any]:
    """Salinity and densities of the fluid."""
    return {
        "salinity": draw.choice(draw.scalar("g/kg", 10.0, 40.0), draw.series("g/kg", 5.0, 40.0)),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "salt_density": draw.scalar("g/cm^3", 2.1, 2.3),
    }


def with_errors(draw: Draw) -> dict[str, Any]:
    """Uncertainties of masses, volumes and fluid."""
    return {
        "mass_uncertainty": draw.choice(
            draw.scalar("g", 0.002, 0.02), draw.series("g", 0.002, 0.02)
        ),
        "mass_systematic": draw.scalar("g", 0.001, 0.01),
        "volume_uncertainty": draw.scalar("cm^3", 0.005, 0.03),
        "volume_systematic": draw.choice(draw.scalar("cm^3", 0.005, 0.03), None),
        "salinity_uncertainty": draw.scalar("g/kg", 0.2, 2.0),
        "pore_water_density_uncertainty": draw.choice(draw.scalar("g/cm^3", 0.001, 0.004), None),
        "salt_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
    }


def phases(draw: Draw) -> dict[str, Any]:
    """Arguments of phase relations."""
    values = sample(draw)
    route = draw.choice(None, "dry_volume", "wet_volume", "calliper")
    return {
        **series_of(draw, values, "wet_mass", "dry_mass", "dry_volume", "wet_volume"),
        **fluid(draw), **with_errors(draw), "route": route,
        "container_mass": draw.choice(None, draw.series("g", 0.5, 1.0), "0.01 g"),
        "container_volume": draw.choice(None, "0.01 cm^3"),
        "reason": draw.choice(0, draw.reasons()),
        "wet_volume_uncertainty": draw.scalar("cm^3", 0.005, 0.03),
        "wet_volume_systematic": draw.scalar("cm^3", 0.005, 0.03),
        "wet_volume_method": draw.choice(None, "calliper"),
    }  # fmt: skip


# Fewer than five samples have no neighbours, so that each stands for itself.
case("index_properties.phase_relations", size=(2, 4))(phases)
case(
    "index_properties.phase_relations#neighbours", rows="set", size=(6, 14),
    without={"quantities": NO_DEPTH},
)(phases)  # fmt: skip


@case("index_properties.phase_relations#lazy", size=(2, 3), lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    names = ("wet_mass", "dry_mass", "dry_volume")
    return {**series_of(draw, sample(draw), *names), "mass_uncertainty": "0.01 g"}


@case("index_properties.phase_relations_from_water_content")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "water_content_wet": draw.series("1", 0.1, 0.6),
        "grain_density": draw.choice(
            draw.scalar("g/cm^3", 2.6, 2.8), draw.series("g/cm^3", 2.5, 2.9)
        ),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
    }


@case("index_properties.likely_culprit", rows="set", size=(6, 14), rtol=1e-6,
      without={"quantities": NO_DEPTH})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    values = sample(draw)
    at = draw.integer(0, draw.size - 1)
    values[draw.choice("wet_mass", "dry_mass", "dry_volume")][at] *= draw.choice(0.9, 1.1)
    return {**series_of(draw, values, "wet_mass", "dry_mass", "dry_volume"), **fluid(draw)}


@case("index_properties.joint_uncertainty")
def _(draw: Draw) -> dict[str, Any]:
    return {
        **series_of(draw, sample(draw), "wet_mass", "dry_mass", "dry_volume"), **fluid(draw),
        "mass_uncertainty": draw.scalar("g", 0.002, 0.02),
        "volume_uncertainty": draw.scalar("cm^3", 0.005, 0.03),
    }  # fmt: skip


@case("index_properties.joint_uncertainty#draws", rows="none", rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return {
        **series_of(draw, sample(draw), "wet_mass", "dry_mass", "dry_volume"), **fluid(draw),
        "mass_uncertainty": draw.scalar("g", 0.002, 0.02),
        "volume_uncertainty": draw.scalar("cm^3", 0.005, 0.03),
        "draws": 20, "seed": draw.integer(0, 9),
    }  # fmt: skip


@case("index_properties.consistency")
def _(draw: Draw) -> dict[str, Any]:
    values = sample(draw)
    names = ("bulk_density", "dry_density", "grain_density", "void_ratio", "water_content_dry")
    own = {n: values.get(n, values["porosity"]) for n in (*names, "porosity", "water_content_wet")}
    recomputed = draw.dataset(("balance",), **own)
    reported = {
        name: draw.series(UNITS[name], 0, 1, values=values[name] + draw.numbers(-0.03, 0.03))
        for name in ("porosity", "bulk_density", "grain_density")
    }
    tolerance = draw.scalar("g/cm^3", 0.005, 0.02)
    return {
        "recomputed": recomputed, **reported,
        "tolerances": draw.choice(None, {"bulk_density": tolerance}),
    }  # fmt: skip


@case("index_properties.cylinder_volume", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {"diameter": draw.series("mm", 15.0, 30.0), "length": draw.series("mm", 10.0, 30.0)}


@case("index_properties.block_volume", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "length": draw.series("mm", 15.0, 30.0), "width": draw.series("mm", 10.0, 30.0),
        "height": draw.scalar("mm", 10.0, 30.0),
    }  # fmt: skip


def cells(draw: Draw) -> dict[str, Any]:
    """Spheres of known volume in the cells of a pycnometer."""
    known = draw.numbers(1.0, 8.0)
    return {
        "value": draw.series("cm^3", 0, 1, values=known),
        "reading": draw.series("cm^3", 0, 1, values=known * draw.numbers(0.99, 1.01)),
        "cell": draw.words("1", "2"),
        "limit": draw.scalar("cm^3", 0.01, 0.05),
    }


def in_order_of_names(**arguments: Any) -> xr.Dataset:
    """Cells by name: they are listed in the order of their first standard."""
    return cp.index_properties.pycnometer_cells(**arguments).sortby("cell")


case("index_properties.pycnometer_cells", rows="set", call=in_order_of_names)(cells)


@case("index_properties.corrected_volume")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "volume": draw.series("cm^3", 1.0, 9.0),
        "cell": draw.words("1", "2", "3"),
        "cells": cp.index_properties.pycnometer_cells(**cells(draw)),
    }


def samples_in_order_of_names(**arguments: Any) -> xr.Dataset:
    """Samples by name: they are listed in the order of their first repeat."""
    return cp.index_properties.mean_of_repeats(**arguments).sortby("sample")


@case("index_properties.mean_of_repeats", rows="set", call=samples_in_order_of_names)
def _(draw: Draw) -> dict[str, Any]:
    names = draw.words("a", "b", "c")
    base = np.array([3.0 + "abc".index(name) for name in names])
    reason = np.zeros(draw.size, np.int64)
    reason[draw.integer(0, draw.size - 1)] = cp.flags.bit("excluded_by_user")
    return {
        "volume": draw.series("cm^3", 0, 1, values=base + draw.numbers(-0.04, 0.04)),
        "sample": names, "limit": draw.scalar("cm^3", 0.02, 0.05), "reason": reason,
    }  # fmt: skip


@case("index_properties.pore_water_at")
def _(draw: Draw) -> dict[str, Any]:
    rows = 5
    return {
        "depth": draw.series("m", 0, 1, values=draw.positions["depth"][1]),
        "table_depth": draw.series("m", 0, 1, values=draw.rising(1.0, 60.0, rows), dim="row"),
        "salinity": draw.series("g/kg", 0, 1, values=draw.numbers(20.0, 40.0, rows), dim="row"),
        "temperature": draw.scalar("degC", 15.0, 25.0),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
    }


@case("index_properties.pore_water_at#table", rows="set", size=(2, 6), dims=("row",))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0, 1, values=draw.numbers(0.0, 60.0, 9), dim="reading"),
        "table_depth": draw.series("m", 0, 1, values=draw.rising(1.0, 60.0), dim="row"),
        "salinity": draw.series("g/kg", 0, 1, values=draw.numbers(20.0, 40.0), dim="row"),
        "temperature": draw.scalar("degC", 15.0, 25.0),
    }


@case("index_properties.porosity_without_interlayer_water")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(("balance", "pycnometer"), porosity=(0.4, 0.8)),
        "dry_density": draw.dataset(("balance",), dry_density=(0.8, 1.6)),
        "interlayer_water": draw.choice(
            draw.scalar("1", 0.0, 0.1), draw.series("1", 0.0, 0.1), 0.05
        ),
        "interlayer_water_uncertainty": draw.scalar("1", 0.005, 0.02),
        "interlayer_water_density": draw.scalar("g/cm^3", 0.95, 1.1),
    }


@case("index_properties.water_by_exchange_capacity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "exchange_capacity": draw.series("mol/kg", 0.05, 0.6),
        "water_per_charge": draw.scalar("1", 10.0, 20.0),
    }


def reported(draw: Draw) -> dict[str, np.ndarray]:
    """Samples as a table prints them: derived values are rounded, each to its digits."""
    values = sample(draw)
    digits = {"bulk_density": 2, "grain_density": 2, "porosity": 3, "water_content_wet": 3}
    return {name: np.round(column, digits.get(name, 6)) for name, column in values.items()}


@case("index_properties.find_constants", rows="set", size=(12, 20), rtol=1e-8)
def _(draw: Draw) -> dict[str, Any]:
    names = ("bulk_density", "porosity", "wet_mass", "dry_mass", "dry_volume", "grain_density")
    return {
        **series_of(draw, reported(draw), *names),
        "rounding": draw.choice(None, {"porosity": 0.0003}),
    }


@case("index_properties.find_constants#water_content", rows="set", size=(12, 20))
def _(draw: Draw) -> dict[str, Any]:
    return series_of(draw, reported(draw), "bulk_density", "porosity", "water_content_wet")


@case("index_properties.recompute")
def _(draw: Draw) -> dict[str, Any]:
    reason = np.zeros(draw.size, np.int64)
    reason[draw.integer(0, draw.size - 1)] = cp.flags.bit("excluded_by_user")
    return {
        **series_of(draw, sample(draw), "water_content_wet", "bulk_density"),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "salinity": draw.scalar("g/kg", 10.0, 40.0),
        "archive_salinity": draw.scalar("g/kg", 10.0, 40.0),
        "water_content_uncertainty": draw.choice(
            draw.scalar("1", 0.001, 0.01), draw.series("1", 0.001, 0.01)
        ),
        "bulk_density_uncertainty": draw.scalar("g/cm^3", 0.005, 0.02),
        "reason": reason,
    }
