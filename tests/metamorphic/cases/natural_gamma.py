"""Natural gamma: net rates, edges, stacks, concentrations and heat."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.case import case

WINDOWS = ("potassium", "uranium", "thorium", "total")
# Rate of a window for one unit of each element and 1 g/cm in view: of the size of a small detector.
SEEN = np.array([[0.05, 0.004, 0.002], [0.0, 0.02, 0.003], [0.0, 0.001, 0.01], [0.3, 0.08, 0.04]])
BACKGROUND = np.array([0.4, 0.2, 0.15, 4.0])


def either(draw: Draw, unit: str, low: float, high: float) -> Any:
    """A series, or one quantity for all readings."""
    return draw.choice(draw.series(unit, low, high), draw.scalar(unit, low, high))


@case("natural_gamma.net_rate", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    background = {
        "background_counts": either(draw, "count", 1000.0, 9000.0),
        "background_time": draw.scalar("s", 1000.0, 4000.0),
    }
    return {
        "counts": draw.series("count", 20.0, 3000.0),
        "live_time": either(draw, "s", 10.0, 60.0),
        **draw.choice({}, background),
    }


@case("natural_gamma.mass_in_view", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.series("g/cm^3", 1.2, 2.2),
        "core_diameter": either(draw, "cm", 5.8, 6.6),
    }


def filled(**arguments: Any) -> Any:
    """Shares as a series of the readings."""
    share = cp.natural_gamma.filled_share(**arguments)
    return xr.DataArray(share, dims="reading")


@case("natural_gamma.filled_share", call=filled)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "offset": draw.series("cm", 0.0, 150.0),
        "length": either(draw, "cm", 120.0, 150.0),
        "response_width": draw.scalar("cm", 8.0, 20.0),
        "voids": draw.choice((), (("20 cm", draw.scalar("cm", 25.0, 60.0)), ("50 cm", "70 cm"))),
    }


@case("natural_gamma.edge_correct")
def _(draw: Draw) -> dict[str, Any]:
    share = draw.numbers(0.4, 1.0)
    return {
        "dataset": draw.dataset(("natural_gamma_background",), natural_gamma_rate=(5.0, 60.0)),
        "share": draw.choice(share, draw.series("1", 0, 1, values=share)),
        "share_uncertainty": draw.choice(None, 0.02),
    }


def counted(draw: Draw) -> xr.Dataset:
    """Counts of four windows, as a core of some concentrations gives them."""
    elements = np.stack(
        [draw.numbers(0.5, 3.0), draw.numbers(1.0, 5.0), draw.numbers(2.0, 12.0)], axis=1
    )
    time = draw.numbers(200.0, 400.0)
    rate = 50.0 * elements @ SEEN.T + BACKGROUND
    columns = {
        f"counts_{name}": ("count", np.round(rate[:, i] * time)) for i, name in enumerate(WINDOWS)
    }
    return draw.table("reading", live_time=("s", time), **columns)


@case("natural_gamma.stack", rows="set", size=(5, 9))
def _(draw: Draw) -> dict[str, Any]:
    by = draw.positions["core"][1].astype(int)  # a stack does not reach across cores
    by[draw.integer(1, draw.size - 1)] = -1  # left out
    return {"table": counted(draw), "by": by}


def standards(draw: Draw, size: int) -> dict[str, Any]:
    """Pads of known concentrations."""
    elements = np.array([[4.0, 2.0, 3.0], [0.5, 30.0, 4.0], [0.6, 3.0, 60.0], [2.0, 10.0, 20.0]])
    elements = np.resize(elements, (size, 3)) * (1.0 + draw.numbers(-0.1, 0.1, size)[:, None])
    mass = draw.numbers(45.0, 55.0, size)
    time = draw.numbers(1000.0, 2000.0, size)
    counts = np.round((mass[:, None] * (elements @ SEEN.T) + BACKGROUND) * time[:, None])

    def column(unit: str, values: Any) -> xr.DataArray:
        return draw.series(unit, 0, 1, values=values, dim="standard")

    return {
        "counts": {name: column("count", counts[:, i]) for i, name in enumerate(WINDOWS)},
        "live_time": column("s", time),
        "mass": column("g/cm", mass),
        "potassium": column("%", elements[:, 0]),
        "uranium": column("mg/kg", elements[:, 1]),
        "thorium": column("mg/kg", elements[:, 2]),
        "background_counts": dict(
            zip(WINDOWS, (f"{b * 5000.0!r} count" for b in BACKGROUND.tolist()), strict=True)
        ),
        "background_time": "5000 s",
    }


@case("natural_gamma.calibrate", rows="set", size=(5, 8), dims=("standard",), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return standards(draw, draw.size)


@case("natural_gamma.strip", rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    fixed = Draw(Seeded(draw.integer(0, 99)), 6)
    density: dict[str, Any] = {"density": draw.dataset(bulk_density=(1.3, 2.2))}
    if draw.choice(True, False):
        density = {
            "density": either(draw, "g/cm^3", 1.3, 2.2),
            "density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        }
    return {
        "table": counted(draw),
        "stripping": cp.natural_gamma.calibrate(**standards(fixed, 6)),
        **density,
        "core_diameter": either(draw, "mm", 58.0, 66.0),
        "core_diameter_uncertainty": draw.scalar("mm", 0.1, 0.5),
        "filled_share": draw.choice(1.0, draw.numbers(0.7, 1.0), draw.series("1", 0.7, 1.0)),
    }


@case("natural_gamma.heat_production")
def _(draw: Draw) -> dict[str, Any]:
    if draw.choice(True, False):
        elements = draw.dataset(potassium=(0.5, 3.0), uranium=(1.0, 5.0), thorium=(2.0, 12.0))
        given: dict[str, Any] = dict.fromkeys(("potassium", "uranium", "thorium"), elements)
    else:
        given = {
            "potassium": either(draw, "%", 0.5, 3.0),
            "uranium": draw.series("mg/kg", 1.0, 5.0),
            "thorium": draw.series("mg/kg", 2.0, 12.0),
        }
    basis = draw.choice("wet", "dry")
    name = "bulk_density" if basis == "wet" else "dry_density"
    density: dict[str, Any] = {"density": draw.dataset(**{name: (1.2, 2.2)})}
    if draw.choice(True, False):
        density = {
            "density": either(draw, "g/cm^3", 1.2, 2.2),
            "density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        }
    return {**given, **density, "mass_basis": basis}
