"""Velocities of samples along three axes, the bench's calibration, anisotropy and moduli."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def bench(draw: Draw) -> dict[str, Any]:
    """Lengths and travel times of samples of 1450 to 2500 m/s behind a delay of 4 us."""
    length = draw.numbers(20.0, 60.0)
    time = 4.0 + 1e3 * length / draw.numbers(1450.0, 2500.0)
    return {
        "length": draw.series("mm", 0, 1, values=length),
        "travel_time": draw.series("us", 0, 1, values=time),
    }


def errors(draw: Draw) -> dict[str, Any]:
    """Uncertainties of lengths and times."""
    return {
        "length_systematic": draw.scalar("mm", 0.01, 0.1),
        "length_uncertainty": draw.choice(
            draw.scalar("mm", 0.01, 0.1), draw.series("mm", 0.01, 0.1)
        ),
        "travel_time_uncertainty": draw.scalar("us", 0.01, 0.1),
        "length_offset": draw.choice("0 mm", draw.scalar("mm", -0.2, 0.2)),
    }


@case("sample_velocity.velocity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        **bench(draw), **errors(draw), "wave": draw.choice("P", "S"),
        "delay": draw.scalar("us", 3.0, 5.0),
        "delay_uncertainty": draw.scalar("us", 0.01, 0.1),
        "length_factor": draw.choice(1.0, draw.scalar("1", 0.99, 1.01)),
        "reason": draw.choice(0, draw.reasons()),
    }  # fmt: skip


@case("sample_velocity.calibrate", rows="set", dims=("standard",), size=(3, 7), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    known = draw.rising(10.0, 80.0)
    speed = draw.numbers(2699.0, 2701.0)
    # The standards never lie on one line, so that residuals are more than rounding.
    beside = 0.02 * (-1.0) ** np.arange(draw.size)
    time = 4.0 + 1e3 * known / speed + beside + draw.numbers(-0.01, 0.01)
    given = draw.choice(True, False)
    return {
        "length": draw.series("mm", 0, 1, values=known, dim="standard"),
        "travel_time": draw.series("us", 0, 1, values=time, dim="standard"),
        "velocity": draw.series("m/s", 0, 1, values=speed, dim="standard") if given else None,
        "velocity_uncertainty": draw.scalar("m/s", 1.0, 10.0) if given else None,
        "travel_time_uncertainty": draw.choice(None, draw.scalar("us", 0.01, 0.1)),
    }


def by_calibration(standards: dict[str, Any], table: dict[str, Any]) -> xr.Dataset:
    """Velocity with a calibration of the same bench."""
    return cp.sample_velocity.velocity(
        **table, calibration=cp.sample_velocity.calibrate(**standards)
    )


@case("sample_velocity.velocity#calibration", call=by_calibration, rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    known = draw.rising(10.0, 80.0, 7)
    time = 4.0 + 1e3 * known / 2700.0 + draw.numbers(-0.05, 0.05, 7)
    standards = {
        "length": draw.series("mm", 0, 1, values=known, dim="standard"),
        "travel_time": draw.series("us", 0, 1, values=time, dim="standard"),
        "velocity": draw.scalar("m/s", 2690.0, 2710.0),
        "velocity_uncertainty": draw.scalar("m/s", 1.0, 10.0),
    }
    return {"standards": standards, "table": {**bench(draw), **errors(draw)}}


@case("sample_velocity.reduce_table", rows="order")
def _(draw: Draw) -> dict[str, Any]:
    table = xr.Dataset({
        **bench(draw),
        "axis": ("reading", draw.words("along", "across", "normal")),
        "wave": ("reading", draw.words("P", "S", "")),
        "temperature": draw.series("degC", 15.0, 25.0),
        "reason": draw.reasons(),
    })  # fmt: skip
    return {
        "table": table, **errors(draw),
        "delay": draw.scalar("us", 3.0, 5.0), "s_delay": draw.scalar("us", 3.0, 5.0),
        "delay_uncertainty": draw.scalar("us", 0.01, 0.1),
        "s_delay_uncertainty": draw.scalar("us", 0.01, 0.1),
        "s_travel_time_uncertainty": draw.scalar("us", 0.05, 0.3),
    }  # fmt: skip


def along_three_axes(draw: Draw, name: str, low: float, high: float) -> xr.Dataset:
    """Velocities of samples that lie three by three at one place."""
    found = draw.dataset(("sample_length", "sample_velocity_delay"), **{name: (low, high)})
    place = np.arange(draw.size) // 3
    return found.assign_coords(
        offset=("reading", 20.0 * place + 0.5 * (np.arange(draw.size) % 3), {"units": "cm"}),
        core=("reading", np.array(["1"] * draw.size, dtype=object)),
        axis=("reading", np.array(["along", "across", "normal"] * draw.size)[: draw.size]),
    )


@case("sample_velocity.anisotropy", rows="none", size=(3, 9))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "velocity": along_three_axes(draw, "p_wave_velocity", 1450.0, 2500.0),
        "within": draw.scalar("cm", 1.5, 3.0),
        "horizontal": draw.choice("mean", "across", "normal"),
    }


@case("sample_velocity.anisotropy#order", rows="set", size=(6, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {"velocity": along_three_axes(draw, "p_wave_velocity", 1450.0, 2500.0)}


@case("sample_velocity.elastic_moduli")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(
            ("sample_length", "delay"), p_wave_velocity=(1600.0, 2500.0)
        ),
        "s_wave_velocity": draw.dataset(
            ("delay_s_wave", "sample_length"), s_wave_velocity=(200.0, 900.0)
        ),
        "bulk_density": draw.dataset(("balance",), bulk_density=(1.3, 2.2)),
    }


@case("sample_velocity.elastic_moduli#arrays")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.series("m/s", 1600.0, 2500.0),
        "s_wave_velocity": draw.series("m/s", 200.0, 900.0),
        "bulk_density": draw.series("g/cm^3", 1.3, 2.2),
        "p_wave_velocity_uncertainty": draw.scalar("m/s", 1.0, 20.0),
        "s_wave_velocity_uncertainty": draw.series("m/s", 1.0, 20.0),
        "bulk_density_uncertainty": draw.choice(None, draw.scalar("g/cm^3", 0.01, 0.05)),
        "reason": draw.choice(0, draw.reasons()),
    }
