"""Stress and pressure below the seafloor."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.case import case


def column(draw: Draw) -> xr.Dataset:
    """Densities down a hole; none is flagged, so that two at least are left."""
    return draw.dataset(("core_diameter", "gamma_calibration"), False, bulk_density=(1.3, 2.2))


def water_by_depth(draw: Draw) -> xr.Dataset:
    """Density of pore water on depths of its own."""
    depth = ("reading", draw.rising(0.5, 60.0), {"units": "m"})
    found = draw.dataset(("pore_water_density",), pore_water_density=(1.02, 1.06))
    return found.drop_vars(["core", "section", "offset"]).assign_coords(depth=depth)


@case("stress.effective_stress_of_layers", rows="order")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "thickness": draw.series("m", 0.5, 30.0, dim="layer"),
        "bulk_density": draw.series("g/cm^3", 1.3, 2.2, dim="layer"),
        "pore_water_density": draw.scalar("g/cm^3", 1.02, 1.05),
        "gravity": draw.scalar("m/s^2", 9.78, 9.83),
    }


def waters(draw: Draw) -> dict[str, Any]:
    """Pore water and gravity with their uncertainties."""
    return {
        "pore_water_density": draw.scalar("g/cm^3", 1.02, 1.05),
        "pore_water_density_uncertainty": draw.scalar("g/cm^3", 0.001, 0.005),
        "gravity": draw.scalar("m/s^2", 9.78, 9.83),
        "gravity_uncertainty": draw.scalar("m/s^2", 0.001, 0.01),
    }


@case("stress.vertical_effective_stress", rows="set",
      without={"quantities": "places are given by a series with depths"})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": column(draw),
        "at": draw.series("g/cm^3", 1.3, 2.2),
        "largest_gap": draw.scalar("m", 3.0, 20.0),
        **waters(draw),
    }


@case("stress.vertical_effective_stress#water", rows="order")
def _(draw: Draw) -> dict[str, Any]:
    return {"density": column(draw), "at": column(draw), "pore_water_density": water_by_depth(draw)}


@case("stress.profile", rows="set", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": column(draw),
        "at": draw.dataset(porosity=(0.3, 0.8)),
        "water_depth": draw.choice(None, draw.scalar("m", 500.0, 4000.0)),
        "fill": draw.choice("linear", "none"),
        "largest_gap": draw.scalar("m", 6.0, 20.0),
        "sea_water_density": draw.scalar("g/cm^3", 1.02, 1.05),
        "water_depth_uncertainty": draw.scalar("m", 1.0, 5.0),
        "depth_uncertainty": draw.choice(None, draw.scalar("m", 0.2, 2.0)),
        "layer_scatter": draw.scalar("g/cm^3", 0.01, 0.1),
        "layer_length": draw.scalar("m", 0.5, 5.0),
        **waters(draw),
    }


@case("stress.profile#fill", rows="order", size=(4, 6))
def _(draw: Draw) -> dict[str, Any]:
    fill = draw.dataset(bulk_density=(1.3, 2.2))
    reach = ("reading", np.linspace(0.0, 150.0, draw.size), {"units": "m"})
    return {
        "density": column(draw),
        "step": draw.scalar("m", 5.0, 9.0),
        "fill": fill.drop_vars(["core", "section", "offset"]).assign_coords(depth=reach),
        "pore_water_density": water_by_depth(draw),
    }


@case("stress.density_of_porosity")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.2, 0.8)),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
        "grain_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        "pore_water_density": draw.scalar("g/cm^3", 1.02, 1.05),
    }


@case("stress.density_of_porosity#curve", dims=("curve", "reading"))
def _(draw: Draw) -> dict[str, Any]:
    middle, half = draw.numbers(0.2, 0.8), draw.numbers(0.01, 0.1)
    parts = {"porosity": middle, "lower": middle - half, "upper": middle + half}
    return {
        "porosity": xr.Dataset(
            {name: ("curve", values, {"units": "1"}) for name, values in parts.items()},
            coords={"depth": ("curve", draw.rising(1.0, 200.0), {"units": "m"})},
        ),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
    }


@lru_cache(maxsize=1)
def _fit() -> Any:
    """A fit of porosity against depth; the same for all examples."""
    draw = Draw(Seeded(3), 14)
    depth = draw.positions["depth"][1]
    values = 0.7 * np.exp(-depth / (4.0 * depth[-1])) + draw.numbers(-0.01, 0.01)
    return cp.compaction.fit(draw.dataset(flagged=False, porosity=values), absolute_sigma=True)


@case("stress.porosity_of_fit")
def _(draw: Draw) -> dict[str, Any]:
    depths = draw.series("m", 1.0, 200.0, dim="target").rename(target="reading")
    return {"fit": _fit(), "at": draw.choice(draw.dataset(bulk_density=(1.3, 2.2)), depths)}


@case("stress.in_situ_water_density", rows="order")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "at": draw.dataset(bulk_density=(1.3, 2.2)),
        "salinity": draw.scalar("g/kg", 30.0, 40.0),
        "seafloor_temperature": draw.scalar("degC", 1.0, 8.0),
        "water_depth": draw.scalar("m", 500.0, 4000.0),
        "temperature_gradient": draw.scalar("K/km", 10.0, 80.0),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
    }


def sea(draw: Draw) -> dict[str, Any]:
    """The water column with its uncertainties."""
    return {
        "water_depth": draw.scalar("m", 500.0, 4000.0),
        "water_depth_uncertainty": draw.scalar("m", 1.0, 5.0),
        "sea_water_density": draw.scalar("g/cm^3", 1.02, 1.05),
        "sea_water_density_uncertainty": draw.scalar("g/cm^3", 0.001, 0.005),
        "gravity_uncertainty": draw.scalar("m/s^2", 0.001, 0.01),
    }


@case("stress.fluid_column_pressure")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "at": draw.dataset(bulk_density=(1.3, 2.2)),
        "drilling_fluid_density": draw.scalar("g/cm^3", 1.02, 1.4),
        "drilling_fluid_density_uncertainty": draw.scalar("g/cm^3", 0.005, 0.05),
        "column_from": draw.choice("seafloor", "sea_level"),
        **sea(draw),
    }


@case("stress.equivalent_density")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "pressure": draw.dataset(("water_depth", "gravity"), fluid_column_pressure=(4e4, 6e4)),
        "datum": draw.choice("seafloor", "sea_level"),
        **sea(draw),
    }


@case("stress.equivalent_density#series")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "pressure": draw.series("kPa", 4e4, 6e4),
        "at": draw.series("m", 10.0, 300.0, dim="target").rename(target="reading"),
        "pressure_uncertainty": draw.choice(
            draw.scalar("kPa", 10.0, 100.0), draw.series("kPa", 10.0, 100.0)
        ),
        "datum": draw.choice("seafloor", "sea_level"),
        **sea(draw),
    }  # fmt: skip


def pressures(draw: Draw) -> xr.Dataset:
    """Hydrostatic pressure and overburden."""
    return draw.dataset(
        ("water_depth", "gravity"), hydrostatic_pressure=(2e4, 3e4), overburden_stress=(3e4, 5e4)
    )


@case("stress.lambda_star")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "pressure": draw.dataset(("water_depth",), fluid_column_pressure=(2e4, 5e4)),
        "hydrostatic": draw.choice(pressures(draw), draw.series("kPa", 2e4, 3e4)),
        "overburden": draw.choice(pressures(draw), draw.series("kPa", 3e4, 5e4)),
    }


@case("stress.pressure_margins")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "pressure": draw.dataset(("water_depth",), fluid_column_pressure=(2e4, 5e4)),
        "profile": pressures(draw),
    }


@case("stress.compare_choices")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "choices": {
            name: draw.dataset(("gravity",), vertical_effective_stress=(100.0, 3000.0))
            for name in ("first", "second")
        }
    }


@case("stress.with_in_situ_water")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.dataset(bulk_density=(1.3, 2.2)),
        "pore_water_density": draw.scalar("g/cm^3", 1.02, 1.06),
        "laboratory_water_density": draw.scalar("g/cm^3", 1.0, 1.03),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
        "grain_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
    }


@case("stress.with_in_situ_water#water", rows="set")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.dataset(bulk_density=(1.3, 2.2)),
        "pore_water_density": water_by_depth(draw),
        "laboratory_water_density": draw.scalar("g/cm^3", 1.0, 1.03),
    }


@case("stress.reference_of_indices", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "void_ratio": draw.scalar("1", 1.0, 3.0),
        "compression_index": draw.scalar("1", 0.2, 0.9),
        "at_stress": draw.scalar("kPa", 50.0, 500.0),
        "void_ratio_uncertainty": draw.scalar("1", 0.01, 0.1),
        "scatter": draw.scalar("1", 0.01, 0.1),
    }


@case("stress.fit_reference", rows="set", size=(7, 10), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    load = draw.rising(50.0, 3000.0)
    porosity = 0.7 * np.exp(-load / 5000.0) + draw.numbers(-0.003, 0.003)
    return {
        "porosity": draw.dataset(porosity=porosity),
        "vertical_effective_stress": draw.dataset(vertical_effective_stress=load),
        "model": draw.choice("logarithmic", "exponential"),
        "at_stress": draw.scalar("kPa", 50.0, 500.0),
    }


def reference(draw: Draw) -> Any:
    """Reference curve of printed numbers."""
    return cp.stress.reference_of_indices(
        void_ratio=2.2, compression_index=0.7, void_ratio_uncertainty=0.05,
        compression_index_uncertainty=0.03, scatter=0.04, porosity=(0.35, 0.75),
        grain_density=draw.choice(
            ("2.65 g/cm^3", "2.75 g/cm^3"), ("2650 kg/m^3", "2750 kg/m^3"), None
        ),
    )  # fmt: skip


@case("stress.effective_stress_of_porosity")
def _(draw: Draw) -> dict[str, Any]:
    kind = draw.choice("dataset", "series")
    given = draw.dataset(porosity=(0.3, 0.8)) if kind == "dataset" else draw.series("1", 0.3, 0.8)
    u = {} if kind == "dataset" else {"porosity_uncertainty": draw.scalar("1", 0.005, 0.03)}
    return {"porosity": given, "reference": reference(draw), **u}


@case("stress.overpressure_bound")
def _(draw: Draw) -> dict[str, Any]:
    grains = {"grain_density": draw.dataset(("balance",), grain_density=(2.6, 2.8))}
    return {
        "porosity": draw.dataset(porosity=(0.3, 0.8)),
        "profile": draw.dataset(
            ("gravity", "core_diameter"), vertical_effective_stress=(100.0, 3000.0),
            **draw.choice({}, {"hydrostatic_pressure": (2e4, 3e4)}),
        ),
        "reference": reference(draw),
        **draw.choice(grains, {}),
    }  # fmt: skip
