"""Undrained shear strength by vane, cone, penetrometer and compression, and its ratios."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


@case("strength.vane_constant", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "diameter": draw.series("mm", 10.0, 30.0), "height": draw.series("mm", 10.0, 30.0),
        "ends": draw.choice(1, 2),
    }  # fmt: skip


def vane_errors(draw: Draw) -> dict[str, Any]:
    """Uncertainties of the blades, and the limit of the method."""
    return {
        "diameter_uncertainty": draw.scalar("mm", 0.01, 0.2),
        "height_uncertainty": draw.scalar("mm", 0.01, 0.2),
        "limit": draw.scalar("kPa", 60.0, 120.0),
        "reason": draw.choice(0, draw.reasons()),
    }


@case("strength.vane")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "torque": draw.series("N m", 0.001, 0.5),
        "diameter": draw.choice(draw.scalar("mm", 10.0, 30.0), draw.series("mm", 10.0, 30.0)),
        "height": draw.scalar("mm", 10.0, 30.0),
        "torque_uncertainty": draw.choice(
            draw.scalar("N m", 1e-4, 1e-2), draw.series("N m", 1e-4, 1e-2)
        ),
        "torque_scale_uncertainty": draw.scalar("1", 0.001, 0.05), **vane_errors(draw),
    }  # fmt: skip


@case("strength.vane#spring")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "rotation": draw.series("degree", 2.0, 90.0), "diameter": draw.scalar("mm", 10.0, 30.0),
        "height": draw.scalar("mm", 10.0, 30.0),
        "spring": draw.scalar("N m/degree", 0.0005, 0.005),
        "spring_uncertainty": draw.scalar("N m/degree", 1e-6, 1e-5),
        "rotation_uncertainty": draw.scalar("degree", 0.1, 1.0), **vane_errors(draw),
    }  # fmt: skip


@case("strength.calibrate_spring", rows="set", dims=("standard",), size=(3, 6), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    turned = draw.rising(0.0, 90.0)
    # The standards never lie on one line, so that residuals are more than rounding.
    beside = 1e-3 * (-1.0) ** np.arange(draw.size)
    torque = 0.002 * turned + beside + draw.numbers(0.0, 5e-4)
    return {
        "rotation": draw.series("degree", 0, 1, values=turned, dim="standard"),
        "torque": draw.series("N m", 0, 1, values=torque, dim="standard"),
        "torque_uncertainty": draw.choice(None, draw.scalar("N m", 1e-4, 1e-3)),
    }


@case("strength.cone_factor", rows="each")
def _(draw: Draw) -> dict[str, Any]:
    return {"cone_angle": draw.series("degree", 0, 1, values=angles(draw))}


def angles(draw: Draw) -> np.ndarray:
    """Angles of the cones that have a known factor."""
    return np.array([draw.choice(30.0, 60.0) for _ in range(draw.size)])


@case("strength.fall_cone")
def _(draw: Draw) -> dict[str, Any]:
    factor = draw.choice(True, False)
    return {
        "penetration": draw.series("mm", 2.0, 25.0), "cone_mass": draw.series("g", 10.0, 400.0),
        "cone_angle": None if factor else draw.series("degree", 0, 1, values=angles(draw)),
        "factor": draw.scalar("1", 0.2, 1.2) if factor else None,
        "factor_uncertainty": draw.choice(None, draw.scalar("1", 0.01, 0.1)),
        "penetration_uncertainty": draw.scalar("mm", 0.05, 0.3),
        "least_penetration": draw.scalar("mm", 3.0, 5.0),
        "greatest_penetration": draw.scalar("mm", 15.0, 22.0),
        "gravity": draw.scalar("m/s^2", 9.7, 9.9), "reason": draw.choice(0, draw.reasons()),
    }  # fmt: skip


@case("strength.penetrometer")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "reading": draw.series("kPa", 1.0, 450.0),
        "reading_uncertainty": draw.scalar("kPa", 1.0, 10.0),
        "scale_uncertainty": draw.scalar("1", 0.01, 0.1), "limit": draw.scalar("kPa", 150.0, 230.0),
        "reason": draw.choice(0, draw.reasons()),
    }  # fmt: skip


@case("strength.penetrometer#load")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "axial_load": draw.series("N", 1.0, 80.0),
        "diameter": draw.choice(draw.scalar("mm", 5.0, 25.0), draw.series("mm", 5.0, 25.0)),
        "load_uncertainty": draw.scalar("N", 0.1, 1.0),
    }


@case("strength.unconfined")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "axial_load": draw.series("N", 1.0, 200.0), "shortening": draw.series("mm", 0.5, 14.0),
        "diameter": draw.series("mm", 34.0, 38.0), "height": draw.series("mm", 70.0, 82.0),
        "load_uncertainty": draw.scalar("N", 0.1, 1.0),
        "load_scale_uncertainty": draw.scalar("1", 0.001, 0.02),
        "diameter_uncertainty": draw.scalar("mm", 0.05, 0.3),
        "strain_limit": draw.scalar("1", 0.12, 0.2), "reason": draw.choice(0, draw.reasons()),
    }  # fmt: skip


@case("strength.unconfined_peak", rows="order", dims=("row",), size=(4, 9))
def _(draw: Draw) -> dict[str, Any]:
    shortening = draw.rising(0.5, 14.0)
    load = 100.0 * (1.0 - np.exp(-shortening / 4.0)) + draw.numbers(-2.0, 2.0)
    return {
        "axial_load": draw.series("N", 0, 1, values=load, dim="row"),
        "shortening": draw.series("mm", 0, 1, values=shortening, dim="row"),
        "diameter": draw.scalar("mm", 34.0, 38.0), "height": draw.scalar("mm", 70.0, 82.0),
        "load_uncertainty": draw.scalar("N", 0.1, 1.0),
        "load_scale_uncertainty": draw.scalar("1", 0.001, 0.02),
    }  # fmt: skip


def tests(draw: Draw) -> xr.Dataset:
    """A table of tests by all four methods."""
    return xr.Dataset({
        "method": ("reading", draw.words("vane", "fall_cone", "penetrometer", "unconfined")),
        "state": ("reading", draw.words("peak", "residual", "remoulded")),
        "torque": draw.series("N m", 0.001, 0.5),
        "diameter": draw.series("mm", 34.0, 38.0),
        "height": draw.series("mm", 70.0, 82.0),
        "cone_angle": draw.series("degree", 0, 1, values=angles(draw)),
        "cone_mass": draw.series("g", 10.0, 400.0),
        "penetration": draw.series("mm", 2.0, 25.0),
        "axial_load": draw.series("N", 1.0, 200.0),
        "shortening": draw.series("mm", 0.5, 14.0),
        "reason": draw.reasons(),
    })  # fmt: skip


def strengths(path: str) -> bool:
    """Parts of a result that do not hang on which methods occur in the table."""
    return not path.endswith(("_effects", "/source"))


@case("strength.undrained_shear_strength", only=strengths, size=(2, 5))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": tests(draw),
        "vane": {
            "torque_uncertainty": draw.series("N m", 1e-4, 1e-2),
            "torque_scale_uncertainty": draw.scalar("1", 0.001, 0.05),
            "diameter_uncertainty": draw.scalar("mm", 0.01, 0.2),
            "height_uncertainty": draw.scalar("mm", 0.01, 0.2),
        },
        "fall_cone": {"penetration_uncertainty": draw.scalar("mm", 0.05, 0.3)},
        "penetrometer": {
            "load_uncertainty": draw.scalar("N", 0.1, 1.0),
            "scale_uncertainty": draw.scalar("1", 0.01, 0.1),
        },
        "unconfined": {
            "load_uncertainty": draw.scalar("N", 0.1, 1.0),
            "load_scale_uncertainty": draw.scalar("1", 0.001, 0.02),
            "diameter_uncertainty": draw.scalar("mm", 0.05, 0.3),
        },
    }


def in_pairs(draw: Draw) -> xr.Dataset:
    """Strengths of which two or three lie at one place."""
    found = draw.dataset(("spring", "vane_constant"), undrained_shear_strength=(2.0, 80.0))
    place = np.arange(draw.size) // 3
    return found.assign_coords(
        offset=("reading", 20.0 * place + 0.5 * (np.arange(draw.size) % 3), {"units": "cm"}),
        core=("reading", np.array(["1"] * draw.size, dtype=object)),
        state=("reading", np.array(["peak", "remoulded", "residual"] * draw.size)[: draw.size]),
        method=("reading", np.array(["vane"] * draw.size, dtype=object)),
    )


@case("strength.sensitivity", rows="none", size=(3, 8))
def _(draw: Draw) -> dict[str, Any]:
    return {"strength": in_pairs(draw), "within": draw.scalar("cm", 1.5, 3.0)}


def sorted_by_depth(**arguments: Any) -> xr.Dataset:
    """Places in the order of their depth, of a size that is not the number of readings."""
    return cp.strength.sensitivity(**arguments)


@case("strength.sensitivity#order", rows="set", size=(6, 6), call=sorted_by_depth)
def _(draw: Draw) -> dict[str, Any]:
    return {"strength": in_pairs(draw)}


@case("strength.strength_ratio")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "strength": draw.dataset(("spring",), undrained_shear_strength=(2.0, 80.0)),
        "vertical_effective_stress": draw.choice(
            draw.dataset(("density",), vertical_effective_stress=(5.0, 900.0)),
            draw.series("kPa", 5.0, 900.0),
        ),
        "vertical_effective_stress_uncertainty": draw.scalar("kPa", 1.0, 9.0),
        "reason": draw.choice(0, draw.reasons()),
    }


@case("strength.expected_strength_ratio")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "overconsolidation_ratio": draw.choice(
            draw.dataset(("yield_stress",), overconsolidation_ratio=(0.6, 5.0)),
            draw.series("1", 0.6, 5.0),
        ),
        "overconsolidation_ratio_uncertainty": draw.scalar("1", 0.05, 0.2),
        "normally_consolidated": draw.scalar("1", 0.18, 0.3),
        "exponent": draw.scalar("1", 0.7, 0.9),
        "normally_consolidated_uncertainty": draw.scalar("1", 0.01, 0.05),
        "exponent_uncertainty": draw.scalar("1", 0.01, 0.05),
    }
