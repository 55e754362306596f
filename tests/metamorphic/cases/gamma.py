"""Bulk density from gamma counts: standards, drift, steps and the tie to samples."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.case import case


def standards(draw: Draw, count: int = 0) -> dict[str, Any]:
    """Counts of steps of aluminium in water, near ln I = 10.2 - 0.0746 x, one a step."""
    size = count or draw.size
    bore = 6.6
    thickness = np.linspace(0.0, 6.0, size)
    x = 2.699 * thickness + 0.998 * (bore - thickness)
    time = draw.numbers(20.0, 60.0, size)
    rate = np.exp(10.2 - 0.0746 * x) * (1.0 + draw.numbers(-0.002, 0.002, size))
    return {
        "counts": draw.series("count", 0, 1, values=np.round(rate * time), dim="standard"),
        "time": draw.series("s", 0, 1, values=time, dim="standard"),
        "aluminium_thickness": draw.series("cm", 0, 1, values=thickness, dim="standard"),
        "bore": f"{bore} cm",
    }


def fit_alone(path: str) -> bool:
    """What was fitted; constants are recorded as they were given."""
    return "/used" not in path


def fitted(draw: Draw, order: int = 1) -> cp.gamma.Calibration:
    """A calibration as a reduction has it."""
    return cp.gamma.calibrate(
        **standards(draw, 6), dead_time="2 us", dead_time_uncertainty="0.2 us",
        background_rate="4 1/s", background_rate_uncertainty="1 1/s", order=order,
    )  # fmt: skip


@case("gamma.net_rate", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "counts": draw.series("count", 1e4, 2e5),
        "time": draw.choice(draw.series("s", 1.0, 10.0), draw.scalar("s", 1.0, 10.0)),
        "dead_time": draw.scalar("us", 0.5, 5.0),
        "background_rate": draw.scalar("1/s", 0.0, 20.0),
        "time_kind": draw.choice("real", "live"),
    }


@case("gamma.decay_factor", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "elapsed": draw.series("s", -1e6, 1e8),
        "half_life": draw.scalar("yr", 29.9, 30.2),
    }


@case("gamma.bulk_density", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "counts": draw.series("count", 5e4, 9e4),
        "time": draw.choice(draw.series("s", 4.0, 6.0), draw.scalar("s", 4.0, 6.0)),
        "calibration": fitted(draw, draw.choice(1, 2)),
        "core_diameter": draw.choice(draw.series("mm", 58.0, 65.9), draw.scalar("cm", 5.8, 6.59)),
        "bore": "6.6 cm",
        "annulus_density": draw.choice("0 g/cm^3", draw.scalar("g/cm^3", 1.0, 1.03)),
        "elapsed": draw.choice(draw.series("s", 0.0, 1e6), draw.scalar("s", 0.0, 1e6)),
        "core_diameter_uncertainty": draw.scalar("mm", 0.1, 0.5),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
        "grain_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
    }


@case("gamma.calibrate", rows="set", size=(5, 7), dims=("standard",), rtol=1e-7, only=fit_alone)
def _(draw: Draw) -> dict[str, Any]:
    return {
        **standards(draw),
        "dead_time": draw.scalar("us", 0.5, 3.0),
        "dead_time_uncertainty": draw.scalar("us", 0.05, 0.3),
        "background_rate": draw.scalar("1/s", 0.0, 10.0),
        "background_rate_uncertainty": draw.scalar("1/s", 0.1, 1.0),
        "water_temperature": draw.scalar("degC", 5.0, 30.0),
        "order": draw.choice(1, 2),
        "scale": draw.choice("aluminium_and_water", "grain_equivalent"),
    }


@case(
    "gamma.dead_time_from_standards", rows="set", size=(6, 8), dims=("standard",), rtol=1e-5,
    only=fit_alone,
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    given = standards(draw)
    time = given["time"].values
    rate = given["counts"].values / time
    tau = float(draw.numbers(2e-6, 8e-6, 1)[0])
    given["counts"] = given["counts"].copy(data=np.round(time * rate / (1.0 + rate * tau)))
    return {
        "counts": given["counts"],
        "real_time": given["time"],
        "aluminium_thickness": given["aluminium_thickness"],
        "bore": given["bore"],
        "background_rate": draw.scalar("1/s", 0.0, 5.0),
        "water_temperature": draw.scalar("degC", 5.0, 30.0),
        "aluminium_density": draw.scalar("g/cm^3", 2.69, 2.71),
    }


def at_times(density: bool, times: Any, elapsed: Any, sets: Any, **arguments: Any) -> Any:
    """Coefficients at the readings, or the densities that come of them."""
    calibration = cp.gamma.interpolate_calibrations(sets, times, elapsed)
    if not density:
        return {
            "coefficients": [getattr(c, "values", c) for c in calibration.coefficients],
            "weights": [(label, getattr(w, "values", w)) for label, w, _ in calibration.parts],
        }
    return cp.gamma.bulk_density(calibration=calibration, elapsed=elapsed, **arguments)


@case("gamma.interpolate_calibrations", call=at_times, size=(4, 7))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "sets": {"A": fitted(draw), "B": fitted(draw), "C": fitted(draw)},
        "times": draw.choice(
            cp.quantity(np.array([0.0, 10.0, 30.0]), "hour"),
            cp.quantity(np.array([0.0, 108000.0, 36000.0]), "s"),
        ),
        "elapsed": draw.series("s", -1000.0, 120000.0),
        "density": draw.choice(True, False),
        "counts": draw.series("count", 5e4, 9e4),
        "time": "5 s",
        "core_diameter": "65 mm",
        "bore": "66 mm",
        "core_diameter_uncertainty": "0.2 mm",
    }


def sediment(draw: Draw) -> dict[str, Any]:
    """Grains and pore water, of each reading or of all."""
    return {
        "grain_density": draw.choice(
            draw.series("g/cm^3", 2.6, 2.8), draw.scalar("g/cm^3", 2.6, 2.8)
        ),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
    }


@case("gamma.electron_step", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "reading": draw.series("g/cm^3", 1.2, 2.6),
        "calibration": draw.choice(None, fitted(draw)),
        **sediment(draw),
    }


@case("gamma.apparent_density", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "bulk_density": draw.series("g/cm^3", 1.2, 2.6),
        "calibration": draw.choice(None, fitted(draw)),
        **sediment(draw),
    }


@case("gamma.hydrogen_step")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "reading": draw.series("g/cm^3", 1.2, 2.6),
        "attenuation_ratio": draw.scalar("1", 1.09, 1.12),
        **sediment(draw),
    }


@case("gamma.annulus_step", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "reading": draw.series("g/cm^3", 1.2, 2.2),
        "core_diameter": draw.choice(draw.series("mm", 55.0, 66.0), draw.scalar("cm", 5.5, 6.6)),
        "bore": draw.scalar("cm", 6.6, 6.8),
        "fluid_reading": draw.scalar("g/cm^3", 0.0, 1.1),
    }


def tied(draw: Draw) -> dict[str, Any]:
    """Scan densities, those of samples beside them, and how each core was taken."""
    scan = 1.4 + 0.5 * draw.numbers(0.0, 1.0)
    samples = scan * float(draw.numbers(0.97, 1.03, 1)[0]) + draw.numbers(-0.01, 0.01)
    return {
        "scan": draw.dataset(bulk_density=scan),
        "samples": draw.dataset(("balance", "volume"), bulk_density=samples),
        "coring_method": draw.words("piston", "rotary"),
    }


@case("gamma.tie_factor", rows="set", size=(8, 14), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return tied(draw)


@case("gamma.tied_density")
def _(draw: Draw) -> dict[str, Any]:
    made = Draw(Seeded(draw.integer(0, 99)), 12)
    return {
        "density": draw.dataset(bulk_density=(1.3, 2.2)),
        "factor": cp.gamma.tie_factor(**tied(made)),
        "coring_method": draw.words("piston", "rotary"),
    }
