"""A small reduced hole made of plain arithmetic, for tests of files, figures and tables."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, series
from corephys.ground.provenance import root_attributes
from corephys.quality.standards import control_chart
from corephys.uncertainty import Measured

TITLE = "Ash Ridge, hole 2"
RECIPE = json.dumps({"hole": {"bottom_water_temperature": "2.80 degC"}})


def positions(depth: np.ndarray, dim: str = "reading") -> dict[str, xr.DataArray]:
    """Coordinates of a series as the hole lays them out, ten metres a core."""
    core = np.array([f"{int(d // 10) + 1:02d}" for d in depth], dtype=object)
    section = np.array([str(int(d % 10 // 1.5) + 1) for d in depth], dtype=object)
    words = {
        "core": (core, {"long_name": "core"}),
        "section": (section, {"long_name": "section"}),
        "offset": (
            depth % 10 % 1.5 * 100,
            {"units": "cm", "long_name": "offset from the top of the section"},
        ),
        "run": (np.ones(depth.size, dtype=np.int32), {"long_name": "run"}),
        "depth": (
            depth,
            {"units": "m", "long_name": "depth below seafloor, as laid out", "positive": "down"},
        ),
        "depth_fitted": (
            depth * 0.99,
            {
                "units": "m",
                "long_name": "depth below seafloor, fitted into the advance",
                "positive": "down",
            },
        ),
    }
    return {
        name: xr.DataArray(values, dims=dim, attrs=attrs) for name, (values, attrs) in words.items()
    }


def measured(
    depth: np.ndarray,
    values: np.ndarray,
    random: float,
    effects: dict[str, float],
    reason: int | np.ndarray = 0,
) -> Measured:
    """A series with constant uncertainties."""
    array = xr.DataArray(np.asarray(values, dtype=float), dims="reading", coords=positions(depth))
    reasons = xr.zeros_like(array, dtype=np.int64) + np.asarray(reason, dtype=np.int64)
    return Measured(
        array,
        xr.full_like(array, random),
        {source: xr.full_like(array, effect) for source, effect in effects.items()},
        reasons,
    )


def _raw(readings: int) -> dict[str, xr.Dataset]:
    rng = np.random.default_rng(1)
    depth = np.linspace(0.0, 89.0, readings)
    scan = xr.Dataset(
        {
            "counts": (
                "reading",
                rng.poisson(5e4, readings).astype(float),
                {"units": "count", "long_name": "counts"},
            ),
            "real_time": (
                "reading",
                np.full(readings, 5.0),
                {"units": "s", "long_name": "real time"},
            ),
            "time": (
                "reading",
                pd.date_range("2031-05-02", periods=readings, freq="7s").to_numpy("datetime64[s]"),
                {"long_name": "time"},
            ),
            "set": (
                "reading",
                np.array(["A", "", "NA", "Ä°"] * readings, dtype=object)[:readings],
                {"long_name": "set"},
            ),
            "flag": (
                "reading",
                np.ones(readings, dtype=np.int8),
                flags.flag_attributes("the row as read"),
            ),
            "reason": (
                "reading",
                np.zeros(readings, dtype=np.int64),
                flags.reason_attributes("the row as read"),
            ),
        },
        coords=positions(depth),
        attrs={"bad_cells": "[]", "duplicate_rows": "[]"},
    )
    scan["counts"][3] = np.nan
    scan["time"][5] = np.datetime64("NaT", "s")
    top = np.arange(9) * 10.0
    cores = xr.Dataset(
        {
            "core": ("row", np.array([f"{i + 1:02d}" for i in range(9)], dtype=object)),
            "coring_method": ("row", np.array(["piston"] * 4 + ["rotary"] * 5, dtype=object)),
            "top": ("row", top, {"units": "m", "long_name": "top"}),
            "advance": ("row", np.full(9, 10.0), {"units": "m", "long_name": "advance"}),
            "recovered": (
                "row",
                np.array([9.6, 10.2, 9.1, 8.4, 0.0, 7.3, 5.2, 8.8, 9.9]),
                {"units": "m", "long_name": "recovered"},
            ),
        }
    )
    layers = xr.Dataset(
        {
            "name": ("row", np.array(["I", "II", "III"], dtype=object)),
            "top": ("row", np.array([0.0, 28.0, 61.0]), {"units": "m", "long_name": "top"}),
            "bottom": ("row", np.array([28.0, 61.0, 90.0]), {"units": "m", "long_name": "bottom"}),
            "lithology": (
                "row",
                np.array(["silty mud", "calcareous ooze", "silty mud"], dtype=object),
            ),
        }
    )
    return {"/scan/gamma": scan, "/cores": cores, "/layers": layers}


def _properties(readings: int) -> dict[str, xr.Dataset]:
    rng = np.random.default_rng(2)
    depth = np.linspace(0.0, 89.0, readings)
    fraction = 0.7 * np.exp(-depth / 300.0) + rng.normal(0, 0.01, readings)
    density = 2.70 - fraction * (2.70 - 1.024)
    reason = np.where(np.arange(readings) % 29 == 5, flags.bit("spike"), 0)
    reason = np.where(np.arange(readings) % 57 == 11, flags.bit("void"), reason)
    density = np.where(reason == flags.bit("void"), 1.15, density)
    shared = {"core_diameter": 0.006, "gamma_calibration_1": -0.002}
    rho = measured(depth, density, 0.008, shared, reason)
    velocity = measured(
        depth, 1480 + 1.1 * depth + rng.normal(0, 8, readings), 5.0, {"core_diameter": 8.0}, reason
    )
    phi = measured(depth, fraction, 0.006, {"core_diameter": -0.004, "grain_density": 0.01}, reason)
    impedance = measured(
        depth, density * (1480 + 1.1 * depth) / 1e3, 0.01, {"core_diameter": 0.002}, reason
    )
    few = np.linspace(1.0, 88.0, 14)
    grain = measured(few, np.full(14, 2.70) + rng.normal(0, 0.01, 14), 0.01, {"pycnometer": 0.004})
    sample = measured(
        few, 0.7 * np.exp(-few / 300) + rng.normal(0, 0.01, 14), 0.004, {"pycnometer": 0.001}
    )
    sample_density = measured(few, 2.7 - sample.values.values * 1.676, 0.01, {"pycnometer": 0.003})
    k = measured(few, 0.95 + 0.003 * few + rng.normal(0, 0.03, 14), 0.02, {"heating_power": 0.01})
    dataset = series.build({"bulk_density": rho}, steps=("counts to density",))
    dataset["apparent_density"] = xr.DataArray(
        density + 0.05,
        dims="reading",
        attrs={"units": "g/cm^3", "long_name": "density on the scale of the standards"},
    )
    return {
        "/properties/density": dataset,
        "/properties/velocity": series.build({"p_wave_velocity": velocity}),
        "/properties/index_properties": series.build(
            {"bulk_density": sample_density, "grain_density": grain, "porosity": sample}
        ),
        "/properties/thermal_conductivity": series.build({"thermal_conductivity": k}),
        "/products/porosity": series.build({"porosity": phi}),
        "/products/impedance": series.build({"acoustic_impedance": impedance}),
    }


def _calibration() -> dict[str, xr.Dataset]:
    x = np.repeat(np.linspace(6.6, 17.8, 6), 3)
    fitted = 11.0 - 0.0772 * x - 1e-4 * x**2
    residual = np.random.default_rng(3).normal(0, 8e-4, x.size)
    columns = {
        "areal_density": (x, "g/cm^2", "areal density inside the liner"),
        "log_rate": (fitted + residual, "1", "logarithm of the net count rate"),
        "log_rate_uncertainty": (np.full(x.size, 8e-4), "1", "its counting uncertainty"),
        "fitted": (fitted, "1", "fitted logarithm of the net count rate"),
        "residual": (residual, "1", "measured less fitted"),
    }
    dataset = xr.Dataset(
        {n: ("standard", v, {"units": u, "long_name": w}) for n, (v, u, w) in columns.items()},
        attrs={
            "description": "order 2",
            "coefficients": [11.0, -0.0772, -1e-4],
            "reduced_chi_square": 1.02,
            "order": 2,
        },
    )
    return {"/properties/gamma_calibration": dataset}


def _fits() -> dict[str, xr.Dataset]:
    depth = np.linspace(0, 90, 46)
    curve = 0.7 * np.exp(-depth / 300)
    table = xr.Dataset(
        {
            "porosity": ("curve", curve, {"units": "1", "long_name": "porosity"}),
            "lower": (
                "curve",
                curve - 0.01,
                {"units": "1", "long_name": "porosity, lower edge of the band"},
            ),
            "upper": (
                "curve",
                curve + 0.01,
                {"units": "1", "long_name": "porosity, upper edge of the band"},
            ),
        },
        coords={
            "depth": (
                "curve",
                depth,
                {"units": "m", "long_name": "depth below seafloor", "positive": "down"},
            )
        },
    )
    fit = series.build(
        {
            "surface_porosity": Measured(np.array(0.70), 0.004, {"pycnometer": 0.001}),
            "decay_length": Measured(np.array(300.0), 12.0, {"pycnometer": 2.0}),
        }
    )
    return {"/products/compaction": fit, "/products/compaction_curve": table}


def _charts() -> dict[str, xr.Dataset]:
    """Control charts of two sensors: one in control, one with a step at its end."""
    number = np.arange(16)
    time = np.datetime64("2031-05-02T12:00:00") + number * np.timedelta64(12, "h")
    wobble = 0.002 * np.sin(1.7 * number)
    found = {}
    for sensor, values in (
        ("gamma", wobble), ("susceptibility", 1.0 + wobble + 0.03 * (number > 12)),
    ):  # fmt: skip
        unit = "g/cm^3" if sensor == "gamma" else "1"
        chart = control_chart(
            time, xr.DataArray(values, dims="standard", attrs={"units": unit}), baseline=10
        )
        found[f"/properties/control_{sensor}"] = chart.dataset.assign_attrs(
            sensor=sensor, checked="what was read against what is known"
        )
    return found


def _heat() -> dict[str, xr.Dataset]:
    depth = np.array([25.0, 44.0, 63.0, 82.0])
    resistance = depth / (0.95 + 0.0015 * depth)
    temperature = 2.8 + 0.055 * resistance + np.array([0.01, -0.012, 0.008, 0.0])
    stations = series.build(
        {"equilibrium_temperature": measured(depth, temperature, 0.01, {"thermometer": 0.002})}
    ).assign_coords(
        station=("reading", np.array(list("1234"), dtype=object), {"long_name": "station"})
    )
    at = series.build(
        {"thermal_resistance": measured(depth, resistance, 0.3, {"heating_power": 0.4})}
    )
    # Two dimensions of one length: the covariance between the points.
    at["thermal_resistance_covariance"] = (
        ("reading", "reading_2"), np.diag([0.09, 0.16, 0.2, 0.3]),
        {"units": "m^4 K^2/W^2", "long_name": "covariance of thermal resistance"},
    )  # fmt: skip
    flow = series.build(
        {"heat_flow": Measured(np.array(55.0), 1.1, {"heating_power": 0.5})},
        bottom_water="included",
    )
    at_top = {"surface_temperature": 2.80, "surface_temperature_u_random": 0.02}
    at_top["surface_temperature_u_systematic"] = np.nan
    for name, value in at_top.items():
        unit = "degC" if name == "surface_temperature" else "K"
        flow[name] = xr.DataArray(value, attrs={"units": unit, "long_name": name.replace("_", " ")})
    carriers = xr.Dataset(
        {
            "heat_flow": (
                "carrier",
                np.array([55.0, 54.1, 56.2]),
                {"units": "mW/m^2", "long_name": "heat flow"},
            )
        },
        coords={
            "carrier": (
                "carrier",
                np.array(["linear", "steps", "trend"], dtype=object),
                {"long_name": "way of carrying conductivity"},
            )
        },
    )
    return {
        "/properties/formation_temperature": stations,
        "/products/thermal_resistance": at,
        "/products/heat_flow": flow,
        "/products/heat_flow_by_carrier": carriers,
    }


def reduced_tree(readings: int = 240) -> xr.DataTree:
    """A reduced hole of all nodes that files and figures know.

    Parameters
    ----------
    readings : int
        Readings of each scan.

    Returns
    -------
    DataTree
        As ``reduce`` lays it out.
    """
    nodes = {**_raw(readings), **_properties(readings), **_calibration(), **_fits(), **_heat(),
             **_charts()}  # fmt: skip
    tree = xr.DataTree.from_dict({"/": xr.Dataset(), **nodes})
    summary = {"quantities": [], "skipped": {}, "notes": []}
    tree.attrs = {
        "title": TITLE,
        "settings": json.dumps({"hole": {"name": TITLE}}),
        **root_attributes(RECIPE, "{}", "0.1.0"),
        "summary": json.dumps(summary),
    }
    return tree
