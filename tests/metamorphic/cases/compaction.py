"""Laws of compaction, fits of them, layers without their load, rebound."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case
from tests.metamorphic.cases.porosity import compacting

NOT_MEASURED = {
    "compaction.reference_curve": "looks a published curve up by its name",
    "compaction.reference_curves": "lists the published curves",
}

LAYER = ("layer",)


# Laws --------------------------------------------------------------------------------------------


@case("compaction.offset_exponential")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0.0, 900.0),
        "surface_porosity": draw.scalar("1", 0.5, 0.8),
        "residual_porosity": draw.scalar("1", 0.05, 0.3),
        "decay_length": draw.scalar("m", 300.0, 2000.0),
    }


@case("compaction.linear")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0.0, 900.0),
        "surface_porosity": draw.scalar("1", 0.5, 0.8),
        "porosity_gradient": draw.scalar("1/km", 0.1, 0.5),
    }


@case("compaction.power")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 1.0, 900.0),
        "reference_porosity": draw.scalar("1", 0.4, 0.7),
        "solidity_exponent": draw.scalar("1", 0.1, 0.3),
        "reference_depth": draw.scalar("m", 50.0, 300.0),
    }


@case("compaction.exponential_in_stress")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "stress": draw.series("kPa", 0.0, 9000.0),
        "surface_porosity": draw.scalar("1", 0.4, 0.8),
        "decay_stress": draw.scalar("kPa", 3000.0, 20000.0),
    }


@case("compaction.void_ratio_log_stress")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "stress": draw.series("kPa", 5.0, 9000.0),
        "reference_void_ratio": draw.scalar("1", 1.5, 3.0),
        "compression_index": draw.scalar("1", 0.1, 0.6),
        "reference_stress": draw.scalar("kPa", 50.0, 200.0),
    }


@case("compaction.reference_porosity")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0.0, 700.0),
        "curve": draw.choice("shale", "calcareous", "shale_solidity"),
    }


@case("compaction.reference_depth")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.series("1", 0.2, 0.8),
        "curve": draw.choice("shale", "terrigenous", "shale_solidity"),
    }


@case("compaction.column_effective_stress")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0.0, 900.0),
        "surface_porosity": draw.scalar("1", 0.4, 0.8),
        "decay_length": draw.scalar("m", 300.0, 2000.0),
        "surface_porosity_uncertainty": draw.scalar("1", 0.005, 0.03),
        "decay_length_uncertainty": draw.scalar("m", 10.0, 90.0),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
        "grain_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        "pore_water_density": draw.scalar("g/cm^3", 1.01, 1.04),
        "pore_water_density_uncertainty": draw.scalar("g/cm^3", 0.001, 0.004),
        "gravity": draw.scalar("m/s^2", 9.78, 9.83),
    }


# Fits --------------------------------------------------------------------------------------------


def loaded(draw: Draw) -> xr.Dataset:
    """Effective stress that grows with depth, at the positions of the porosities."""
    depth = draw.positions["depth"][1]
    return draw.dataset(vertical_effective_stress=6.0 * depth + draw.numbers(0.0, 5.0))


def pairs(draw: Draw, stress: bool) -> dict[str, Any]:
    """What every fit takes."""
    given: dict[str, Any] = {
        "porosity": compacting(draw),
        "absolute_sigma": draw.choice(True, False),
        "bed_thickness": draw.scalar("m", 0.1, 0.5),
    }
    if stress:
        given["stress"] = loaded(draw)
    return given


@case(
    "compaction.compare_models", examples=2, rows="set", size=(16, 18), rtol=1e-6,
    only=lambda path: path.startswith(("/dataset", "/verdict")),  # the rest are the rows given
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    models = draw.choice(("linear", "exponential"), ("exponential_in_stress", "exponential"))
    return {**pairs(draw, stress="exponential_in_stress" in models), "models": models}


@case(
    "compaction.fit_by_layer", examples=2, rows="set", size=(26, 28), rtol=1e-6,
    only=lambda path: "/dataset" in path or path.startswith(("/too_small", "/without_layer")),
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    depth = draw.positions["depth"][1]
    half = draw.size // 2
    # Between two readings, so that no reading lies at the border by the last digit.
    border, last = float(0.5 * (depth[half - 1] + depth[half])), float(depth[-1] + 1.0)
    names = np.array(["upper"] * half + ["lower"] * (draw.size - half), dtype=object)
    edges = {
        "name": (LAYER, np.array(["upper", "lower"], dtype=object)),
        "top": (LAYER, np.array([0.0, border]), {"units": "m"}),
        "bottom": (LAYER, np.array([border, last]), {"units": "m"}),
    }
    layers = draw.choice(
        names,
        xr.DataArray(names, dims="reading", coords=draw.positions),
        xr.Dataset(edges),
        {"upper": ("0.0 m", f"{border!r} m"), "lower": (f"{border!r} m", f"{last!r} m")},
    )
    return {**pairs(draw, stress=False), "layers": layers}


@case("compaction.likelihood_profile", examples=2, rows="set", size=(14, 16), rtol=1e-5)
def _(draw: Draw) -> dict[str, Any]:
    return {**pairs(draw, stress=False), "levels": (0.6827,)}


@case("compaction.bootstrap", examples=2, rows="set", size=(16, 24), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    span = np.ptp(draw.positions["depth"][1])
    return {
        **pairs(draw, stress=False),
        "replicates": 50,
        "block": draw.choice(None, f"{float(0.2 * span)!r} m"),
    }


# Layers ------------------------------------------------------------------------------------------


def stack(draw: Draw, start: float) -> dict[str, Any]:
    """Layers that rest on each other, with their curve."""
    ends = start + np.concatenate([[0.0], np.cumsum(draw.numbers(5.0, 200.0))])
    return {
        "top": draw.series("m", 0, 0, values=ends[:-1], dim="layer"),
        "bottom": draw.series("m", 0, 0, values=ends[1:], dim="layer"),
        "surface_porosity": draw.choice(
            draw.series("1", 0.5, 0.8, dim="layer"), draw.scalar("1", 0.5, 0.8)
        ),
        "decay_length": draw.choice(
            draw.series("m", 800.0, 3000.0, dim="layer"), draw.scalar("m", 800.0, 3000.0)
        ),
        "porosity": draw.choice(None, draw.series("1", 0.2, 0.3, dim="layer")),
        "surface_porosity_uncertainty": draw.scalar("1", 0.005, 0.03),
        "decay_length_uncertainty": draw.scalar("m", 10.0, 90.0),
        "porosity_uncertainty": draw.scalar("1", 0.005, 0.02),
    }


# Effects are central differences of thicknesses, which leaves them nine digits of a sigma.
@case("compaction.solid_thickness", dims=LAYER, rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return stack(draw, draw.choice(0.0, 12.0))


@case("compaction.original_thickness", dims=LAYER, rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return stack(draw, draw.choice(0.0, 12.0))


@case("compaction.decompact", dims=LAYER, rows="order", rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return {**stack(draw, draw.choice(0.0, 12.0)), "new_top": draw.scalar("m", 1.0, 20.0)}


@case("compaction.burial_history", examples=2, dims=LAYER, rows="order", size=(2, 4))
def _(draw: Draw) -> dict[str, Any]:
    ends = np.concatenate([[0.0], np.cumsum(draw.numbers(300.0, 4000.0))])
    at = draw.series("kyr", 0.0, float(ends[-1]), dim="age")
    return {
        **stack(draw, 0.0),
        "top_age": draw.series("kyr", 0, 0, values=ends[:-1], dim="layer"),
        "bottom_age": draw.series("kyr", 0, 0, values=ends[1:], dim="layer"),
        "at": draw.choice(None, at),
        "age_uncertainty": draw.scalar("kyr", 1.0, 40.0),
        "draws": 20,
    }


# Rebound -----------------------------------------------------------------------------------------


@case("compaction.rebound")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.3, 0.8)),
        "stress": draw.dataset(("balance", "pore_water_density"),
                               vertical_effective_stress=(1.0, 4000.0)),
        "swelling_index": draw.choice(
            draw.scalar("1", 0.01, 0.12), draw.series("1", 0.01, 0.12)
        ),
        "swelling_index_uncertainty": draw.scalar("1", 0.001, 0.02),
        "reference_stress": draw.scalar("kPa", 1.0, 10.0),
        "reference_stress_uncertainty": draw.scalar("kPa", 0.5, 3.0),
    }  # fmt: skip


@case("compaction.rebound_by_depth")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.3, 0.8)),
        "kind": draw.choice("terrigenous", "carbonate"),
        "depth": draw.choice(None, draw.series("m", -5.0, 1200.0)),
    }


@case("compaction.rebound_density")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "bulk_density": draw.dataset(bulk_density=(1.2, 2.4)),
        "rebound": draw.dataset(("core_diameter", "swelling_index"), porosity_rebound=(0.0, 0.08)),
        "grain_density": draw.choice(
            draw.dataset(("balance", "grain_density"), grain_density=(2.6, 2.8)),
            draw.scalar("g/cm^3", 2.6, 2.8),
        ),
        "pore_water_density": draw.scalar("g/cm^3", 1.01, 1.04),
        "pore_water_density_uncertainty": draw.scalar("g/cm^3", 0.001, 0.004),
    }
