"""Sedimentation rates from ages, and what accumulates."""

from __future__ import annotations

from typing import Any

import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def ages(draw: Draw) -> xr.DataArray:
    """Ages that rise with depth."""
    return draw.series("kyr", 0.0, 1.0, values=draw.rising(5.0, 900.0))


@case("accumulation.sedimentation_rate", rows="set", size=(3, 6),
      without={"quantities": "the depths come with the series"})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "age": ages(draw),
        "age_uncertainty": draw.choice(
            draw.scalar("kyr", 0.5, 5.0), draw.series("kyr", 0.5, 5.0)
        ),
        "depth_uncertainty": draw.scalar("m", 0.01, 0.1),
        "growth_factor": draw.choice(None, draw.scalar("1", 1.0, 1.2)),
        "age_scale_uncertainty": draw.choice(None, draw.scalar("1", 0.001, 0.02)),
        "smoothing": draw.choice(None, draw.scalar("m", 2.0, 20.0)),
    }  # fmt: skip


@case("accumulation.sedimentation_rate#depth", rows="set", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "age": draw.series("kyr", 0.0, 1.0, values=draw.rising(5.0, 900.0), dim="datum"),
        "depth": draw.series("m", 0.0, 1.0, values=draw.rising(1.0, 200.0), dim="datum"),
        "age_uncertainty": draw.series("kyr", 0.5, 5.0, dim="datum"),
    }


@case("accumulation.smooth_ages", rows="order", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "age": draw.series("kyr", 0.0, 1.0, values=draw.rising(5.0, 900.0)),
        "depth": draw.series("m", 0.0, 1.0, values=draw.rising(1.0, 200.0)),
        "age_uncertainty": draw.series("kyr", 0.5, 5.0),
        "length": draw.scalar("m", 5.0, 40.0),
    }


def rates(draw: Draw) -> xr.Dataset:
    """Rates of the intervals between ages, with what intervals share."""
    return cp.accumulation.sedimentation_rate(
        ages(draw), age_uncertainty="2 kyr", age_scale_uncertainty="1 %"
    )


@case("accumulation.interval_density", rows="set", size=(4, 7))
def _(draw: Draw) -> dict[str, Any]:
    # Ages at depths of their own: a sample at the very end of an interval may go to either side.
    rate = rates(Draw(draw._source, draw.size))
    return {"dry_density": draw.dataset(dry_density=(0.4, 1.6)), "rate": rate}


@case("accumulation.mass_accumulation_rate", rows="order", size=(4, 7))
def _(draw: Draw) -> dict[str, Any]:
    rate = rates(draw)
    others = Draw(draw._source, draw.size)
    samples = others.dataset(flagged=False, dry_density=(0.4, 1.6))
    density = cp.accumulation.interval_density(samples, rate)
    return {"dry_density": draw.choice(density, draw.scalar("g/cm^3", 0.4, 1.6)), "rate": rate}


@case("accumulation.mass_accumulation_rate#readings", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "dry_density": draw.dataset(dry_density=(0.4, 1.6)),
        "rate": draw.choice(
            draw.dataset(sedimentation_rate=(5.0, 300.0)), draw.scalar("m/Myr", 5.0, 300.0)
        ),
    }  # fmt: skip


@case("accumulation.mass_accumulation_of_phases")
def _(draw: Draw) -> dict[str, Any]:
    porosity = draw.numbers(0.3, 0.8)
    return {
        "thickness": draw.series("m", 0.5, 20.0),
        "duration": draw.series("kyr", 1.0, 500.0),
        "bulk_density": draw.series("g/cm^3", 0.0, 1.0, values=2.7 - 1.65 * porosity),
        "porosity": draw.series("1", 0.0, 1.0, values=porosity),
        "pore_water_density": draw.scalar("g/cm^3", 1.02, 1.04),
    }


@case("accumulation.component_accumulation_rate", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "rate": draw.dataset(mass_accumulation_rate=(0.1, 30.0)),
        "fraction": draw.choice(draw.series("1", 0.02, 0.9), draw.scalar("1", 0.02, 0.9)),
        "fraction_uncertainty": draw.scalar("1", 0.001, 0.02),
    }
