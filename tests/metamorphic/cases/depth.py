"""Depths: where readings are placed, how well it is known, and series brought together."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

ROWS = ("reading", "reading_2")


def hole(draw: Draw, removed: bool = True) -> dict[str, Any]:
    """Tables of a hole of three cores of one or two sections, some longer than their advance."""
    advance = draw.numbers(4.0, 9.5, 3)
    top = np.concatenate([[0.0], np.cumsum(advance)[:-1]])
    core = np.array(["1", "1", "2", "2", "3"], dtype=object)
    section = np.array(["1", "2", "1", "2", "1"], dtype=object)
    sections = draw.table(core=core, section=section, length=("m", draw.numbers(0.9, 1.5, 5)))
    cores = draw.table(
        core=np.array(["1", "2", "3"], dtype=object), top=("m", top), advance=("m", advance)
    )
    found = {"sections": sections, "cores": cores}
    if removed and draw.choice(True, False):
        start = draw.numbers(10.0, 30.0, 2)
        found["removed"] = draw.table(
            core=np.array(["1", "2"], dtype=object), section=np.array(["1", "1"], dtype=object),
            **{"from": ("cm", start), "to": ("cm", start + draw.numbers(1.0, 20.0, 2))},
            kind=np.array(["closed_void", draw.choice("closed_void", "whole_round")], dtype=object),
        )  # fmt: skip
    return found


def keys(draw: Draw) -> dict[str, Any]:
    """Core, section and offset of readings of that hole."""
    core = draw.words("1", "2")
    return {
        "core": core,
        "section": draw.words("1", "2"),
        "offset": draw.choice(
            xr.DataArray(draw.numbers(0.0, 89.0), dims="reading", attrs={"units": "cm"}),
            cp.quantity(draw.numbers(0.0, 89.0), "cm"),
        ),
    }


def placed(draw: Draw, tables: dict[str, Any]) -> xr.Dataset:
    """Readings at their depths."""
    return cp.depth.place(**keys(draw), **tables)


@case("depth.place", dims=ROWS)
def _(draw: Draw) -> dict[str, Any]:
    return {**keys(draw), **hole(draw)}


@case("depth.closed_up", examples=2, dims=ROWS)
def _(draw: Draw) -> dict[str, Any]:
    tables = hole(draw)
    places = placed(draw, tables).set_coords(["depth", "depth_fitted", "depth_closed"])
    data = draw.dataset(bulk_density=(1.2, 2.4)).drop_vars(["core", "section", "offset", "depth"])
    data = data.assign_coords(
        {name: places[name].variable for name in ("core", "section", "offset", "depth")}
    )
    return {"data": data, **tables}


@case("depth.section_tops", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return hole(draw)


def beds(draw: Draw) -> dict[str, Any]:
    """Readings of two cores that overlap in depth, and a description by section."""
    data = draw.dataset(bulk_density=(1.2, 2.4)).drop_vars(["core", "section", "offset", "depth"])
    size = data.sizes["reading"]
    core, depth = draw.words("1", "2"), draw.numbers(0.0, 4.0)
    words = {"dims": "reading"}
    data = data.assign_coords(
        core=xr.DataArray(core, **words),
        section=xr.DataArray(np.full(size, "1", dtype=object), **words),
        depth=xr.DataArray(depth, attrs={"units": "m"}, **words),
    )
    edges = np.sort(draw.numbers(0.2, 3.8, 2))
    table = draw.table(
        core=np.array(["1", "1", "2"], dtype=object),
        section=np.array(["1", "1", "1"], dtype=object),
        lithology=np.array(["mud", "sand", "ooze"], dtype=object),
        disturbance=np.array(["none", "severe", draw.choice("slight", "flow_in")], dtype=object),
        top=("m", np.array([0.0, edges[0], 0.1])),
        bottom=("m", np.array([edges[0], edges[1], 3.0])),
    )
    return {"data": data, "description": table}


def _coded(**given: Any) -> xr.DataArray:
    """Numbers in place of lithologies, since relations compare numbers."""
    codes = {"": 0.0, "mud": 1.0, "sand": 2.0, "ooze": 3.0}
    found = cp.depth.lithology(**given)
    numbers = np.array([codes[word] for word in found.values])
    return xr.DataArray(numbers, dims=found.dims, attrs={"units": "1"})


@case("depth.lithology", call=_coded)
def _(draw: Draw) -> dict[str, Any]:
    return beds(draw)


def _as_number(**given: Any) -> xr.DataArray:
    return cp.depth.disturbed(**given).astype(float).assign_attrs(units="1")


@case("depth.disturbed", call=_as_number)
def _(draw: Draw) -> dict[str, Any]:
    return {**beds(draw), "least": draw.choice("slight", "moderate", "severe")}


def errors(draw: Draw) -> dict[str, Any]:
    """What is known of the errors of depth."""
    return {
        "tide": draw.scalar("m", 0.1, 2.0),
        "tide_is": draw.choice("half_range", "standard_uncertainty"),
        "heave": draw.scalar("m", 0.05, 0.5),
        "offset": draw.scalar("cm", 0.1, 2.0),
        **draw.choice(
            {"drill_string": draw.scalar("m", 0.1, 2.0)},
            {"drill_string_relative": draw.scalar("1", 0.0005, 0.002)},
        ),
    }


@case("depth.uncertainty", examples=2, dims=ROWS)
def _(draw: Draw) -> dict[str, Any]:
    tables = hole(draw)
    return {
        "placed": placed(draw, tables), **tables, **errors(draw),
        "depth": draw.choice("depth", "depth_closed", "depth_fitted"),
        "recovery_placement": draw.choice("top", "middle"),
    }  # fmt: skip


@case("depth.covariance", examples=2, dims=ROWS, rows="set")
def _(draw: Draw) -> dict[str, Any]:
    tables = hole(draw)
    found = cp.depth.uncertainty(placed(draw, tables), **tables, **errors(draw))
    return {"errors": found, "shared_by_hole": draw.choice(True, False)}


@case("depth.carry", examples=2, dims=ROWS, rows="set")
def _(draw: Draw) -> dict[str, Any]:
    tables = hole(draw)
    where = placed(draw, tables).set_coords(["depth"])
    found = cp.depth.uncertainty(where, **tables, **errors(draw))
    quantity, unit, ends, slope = draw.choice(
        ("porosity", "1/m", (0.3, 0.8), (-0.001, 0.0)),
        ("bulk_density", "g/(cm^3 m)", (1.2, 2.4), (0.0, 0.001)),
        ("equilibrium_temperature", "K/m", (2.0, 40.0), (0.02, 0.1)),
    )
    data = draw.dataset(**{quantity: ends})
    data = data.assign_coords(
        {name: where[name].variable for name in ("core", "section", "offset", "depth")}
    )
    gradient = draw.choice(
        draw.scalar(unit, *slope),
        xr.DataArray(draw.numbers(*slope), dims="reading", attrs={"units": unit}),
    )
    return {"data": data, "errors": found, "quantity": quantity, "gradient": gradient}  # fmt: skip


@case("depth.match", rows="set")
def _(draw: Draw) -> dict[str, Any]:
    samples = draw.dataset(("balance",), porosity=(0.3, 0.8))
    near = samples["depth"].values + draw.numbers(-0.03, 0.03)
    samples = samples.assign_coords(depth=("reading", near, {"units": "m"}))
    return {
        "a": draw.choice(
            draw.dataset(bulk_density=(1.2, 2.4)),
            draw.series("g/cm^3", 1.2, 2.4).rename("bulk_density"),
            draw.dataset(equilibrium_temperature=(2.0, 40.0)),
        ),
        "to": samples,
        "within": draw.scalar("cm", 1.0, 4.0),
        "how": draw.choice("nearest", "mean_over_footprint"),
    }  # fmt: skip
