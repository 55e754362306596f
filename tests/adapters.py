"""How a row of ``tests/reference/values.csv`` is handed to the function it checks.

An adapter takes the row's inputs as a dict and returns a number, or a mapping from which the
row's ``result`` is read. ``COVERS`` says which public function a row stands for.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp

FOLDER = Path(__file__).resolve().parent / "reference"
Inputs = dict[str, Any]
Adapter = Callable[[Inputs], Any]

ADAPTERS: dict[str, Adapter] = {}
COVERS: dict[str, str] = {}


def adapter(name: str, covers: str) -> Callable[[Adapter], Adapter]:
    """Register an adapter under the name that rows use."""

    def register(function: Adapter) -> Adapter:
        ADAPTERS[name] = function
        COVERS[name] = covers
        return function

    return register


def straight(name: str, covers: str, *positional: str) -> None:
    """Register a function whose scalar inputs are taken as they stand in the row."""
    module, function = covers.rsplit(".", 1)

    def call(inputs: Inputs) -> Any:
        arguments = [inputs[key] for key in positional]
        keywords = {key: value for key, value in inputs.items() if key not in positional}
        return getattr(import_module(module), function)(*arguments, **keywords)

    adapter(name, covers)(call)


def array(values: Any, unit: str, dimension: str = "reading") -> xr.DataArray:
    """Values along one dimension with their unit."""
    return xr.DataArray(np.asarray(values, dtype=float), dims=dimension, attrs={"units": unit})


def table(file: str) -> dict[str, np.ndarray]:
    """Columns of a small data file; its first line names the source."""
    with (FOLDER / file).open(newline="", encoding="utf-8") as handle:
        handle.readline()
        rows = list(csv.DictReader(handle))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


# Constants ---------------------------------------------------------------------------------------


@adapter("constants.get", "corephys.constants.get")
def constant(inputs: Inputs) -> float:
    return cp.constants.get(inputs["name"]).value


@adapter("constants ratio", "corephys.constants.get")
def constant_ratio(inputs: Inputs) -> float:
    return (
        cp.constants.get(inputs["numerator"]).value / cp.constants.get(inputs["denominator"]).value
    )


# Sea water and mixing ----------------------------------------------------------------------------

for _name in ("density", "sound_speed", "conductivity"):
    straight(
        f"seawater.{_name}", f"corephys.seawater.{_name}", "salinity", "temperature", "pressure"
    )


def _mean(name: str) -> None:
    @adapter(f"mixing.{name}", f"corephys.mixing.{name}")
    def mean(inputs: Inputs) -> Any:
        from corephys import mixing

        values = [f"{value!r} {inputs['unit']}" for value in inputs["values"]]
        return getattr(mixing, name)(inputs["fractions"], values)


for _name in ("arithmetic_mean", "geometric_mean", "harmonic_mean"):
    _mean(_name)
straight("mixing.volumetric_heat_capacity", "corephys.mixing.volumetric_heat_capacity", "porosity")
straight(
    "mixing.heat_capacity_from_conductivity",
    "corephys.mixing.heat_capacity_from_conductivity",
    "conductivity",
)


@adapter("mixing.hashin_shtrikman_conductivity", "corephys.mixing.hashin_shtrikman_conductivity")
def bounds(inputs: Inputs) -> Mapping[str, Any]:
    from corephys import mixing

    return dict(
        zip(("lower", "upper"), mixing.hashin_shtrikman_conductivity(**inputs), strict=True)
    )


# Gamma attenuation -------------------------------------------------------------------------------

straight("gamma.decay_factor", "corephys.sensors.gamma.decay_factor", "elapsed")
straight("gamma.net_rate", "corephys.sensors.gamma.net_rate", "counts", "time")
straight("gamma.annulus_step", "corephys.sensors.gamma_steps.annulus_step", "reading")
straight(
    "gamma.standard_density",
    "corephys.sensors.gamma_calibration.standard_density",
    "aluminium_thickness",
    "bore",
)
SCALE = ("water_density", "aluminium_density", "water_ratio", "aluminium_ratio")


def _electrons(name: str, first: str) -> None:
    @adapter(f"gamma.{name}", f"corephys.sensors.gamma_steps.{name}")
    def step(inputs: Inputs) -> Any:
        calibration = cp.gamma.Calibration.nominal(**{key: inputs.pop(key) for key in SCALE})
        return getattr(cp.gamma, name)(inputs.pop(first), calibration=calibration, **inputs)


_electrons("apparent_density", "bulk_density")
_electrons("electron_step", "reading")


@adapter("gamma.bulk_density", "corephys.sensors.gamma.bulk_density")
def chain(inputs: Inputs) -> Any:
    """Counts that a known reading gives, through the whole chain and back."""
    scale = {key: inputs.pop(key) for key in SCALE}
    c0, c1, reading = inputs.pop("c0"), inputs.pop("c1"), inputs.pop("areal_reading")
    calibration = cp.gamma.Calibration(
        np.array([c0, c1, 0.0]), np.zeros((2, 2)), (0.0, np.inf), real_time=False, **scale
    )
    bore, time = inputs.pop("bore"), inputs.pop("time")
    areal = reading * cp.units.as_floats(bore, "cm", "bore")
    counts = np.exp(c0 + c1 * areal) * cp.units.as_floats(time, "s", "time")
    ratios = {
        key: cp.constants.Constant(key, inputs.pop(key), "mol/g", 0.0, "the row", "library")
        for key in ("grain_electron_ratio", "pore_water_electron_ratio")
    }
    return cp.gamma.bulk_density(
        array([counts], "count"), time, calibration=calibration, core_diameter=bore, bore=bore,
        **inputs, **ratios,
    )  # fmt: skip


# Velocity ----------------------------------------------------------------------------------------

straight("pwave.velocity", "corephys.sensors.pwave.velocity", "travel_time", "thickness")

# Index properties --------------------------------------------------------------------------------

straight(
    "index_properties.phase_relations",
    "corephys.samples.index_properties.phase_relations",
    "wet_mass",
    "dry_mass",
)


@adapter(
    "index_properties.phase_relations from water content",
    "corephys.samples.index_properties.phase_relations",
)
def from_water_content(inputs: Inputs) -> Any:
    """Masses of 100 g of wet sediment, made from a printed water content and grain density."""
    water = 100.0 * inputs["water_content_wet"]
    salt = water * inputs["salinity"]
    solids = 100.0 - water
    volume = solids / inputs["grain_density"] + salt / inputs["salt_density"]
    return cp.index_properties.phase_relations(
        "100 g", f"{solids + salt!r} g", f"{volume!r} cm^3",
        salinity=f"{1000 * inputs['salinity']!r} g/kg",
        pore_water_density=f"{inputs['pore_water_density']!r} g/cm^3",
        salt_density=f"{inputs['salt_density']!r} g/cm^3",
    )  # fmt: skip


straight(
    "index_properties.phase_relations_from_water_content",
    "corephys.samples.index_properties.phase_relations_from_water_content",
    "water_content_wet",
    "grain_density",
)

# Line and cylinder sources -----------------------------------------------------------------------

straight("needle.line_source_rise", "corephys.samples.needle.line_source_rise", "time")
straight(
    "needle.conductivity_from_slope",
    "corephys.samples.needle.conductivity_from_slope",
    "slope",
    "heating_power",
    "geometry",
)
straight(
    "needle.conductivity_from_two_times",
    "corephys.samples.needle.conductivity_from_two_times",
    "first_time",
    "second_time",
    "first_temperature",
    "second_temperature",
    "heating_power",
    "geometry",
)
straight("needle.cylinder_rise", "corephys.samples.needle.cylinder_rise", "time")
straight(
    "formation_temperature.decay_function",
    "corephys.downhole.formation_temperature.decay_function",
    "alpha",
    "tau",
)
straight("numerics.cylinder.heating", "corephys.numerics.cylinder.heating", "alpha", "tau")

# Products ----------------------------------------------------------------------------------------

straight("porosity.from_density", "corephys.products.porosity.from_density", "density")
straight(
    "seismic.acoustic_impedance",
    "corephys.products.seismic.acoustic_impedance",
    "density",
    "velocity",
)
straight(
    "seismic.water_two_way_time", "corephys.products.seismic.water_two_way_time", "water_depth"
)
straight("compaction.exponential", "corephys.products.compaction.exponential", "depth")


@adapter("compaction.fit", "corephys.products.compaction.fit")
def fit_of_a_known_curve(inputs: Inputs) -> Any:
    depth = np.array(inputs["depth"])
    values = inputs["surface_porosity"] * np.exp(-depth / inputs["decay_length"])
    porosity = array(values, "1").assign_coords(depth=array(depth, "m"))
    return cp.compaction.fit(porosity, model="exponential", absolute_sigma=False).dataset


@adapter("seismic.two_way_time", "corephys.products.seismic.two_way_time")
def travel(inputs: Inputs) -> Any:
    """Layers of constant velocity: a reading at the top and one at the bottom of each."""
    hair = 1e-9  # m, so that the readings of two layers at a boundary are not at one depth
    depth = [z for t, b in zip(inputs["top"], inputs["bottom"], strict=True) for z in (t + hair, b)]
    velocity = array(np.repeat(inputs["velocity"], 2), "m/s")
    found = cp.seismic.two_way_time(velocity, depth=array(depth, "m"))
    return {"two_way_time": found["two_way_time"][-1]}


@adapter("seismic.reflection_coefficient", "corephys.products.seismic.reflection_coefficient")
def reflection(inputs: Inputs) -> Any:
    found = cp.seismic.reflection_coefficient(array(inputs["impedance"], inputs["unit"]))
    return {name: np.asarray(values).ravel()[-1] for name, values in found.data_vars.items()}


@adapter("heatflow.thermal_resistance", "corephys.products.heatflow.thermal_resistance")
def resistance(inputs: Inputs) -> Any:
    """Layers: a measurement just inside each end, so that the nearest one is the layer's own."""
    bottom = np.cumsum(inputs["thickness"])
    top = bottom - np.array(inputs["thickness"])
    depth = np.ravel(np.column_stack([top + 1.0, bottom - 1.0]))
    conductivity = array(np.repeat(inputs["conductivity"], 2), "W/(m K)")
    return cp.heatflow.thermal_resistance(
        conductivity.assign_coords(depth=array(depth, "m")),
        at=array(bottom[-1:], "m"), how="steps",
    )  # fmt: skip


@adapter("heatflow.bullard", "corephys.products.heatflow.bullard")
def bullard(inputs: Inputs) -> Any:
    """Temperatures exactly on T0 + q R, through sediment of one conductivity."""
    conductivity, r = inputs["conductivity"], np.array(inputs["resistance"])
    depth = array(r * conductivity, "m")
    known = array([conductivity] * r.size, "W/(m K)").assign_coords(depth=depth)
    temperature = array(inputs["bottom"] + 1e-3 * inputs["heat_flow"] * r, "degC")
    temperature = temperature.assign_coords(depth=depth)
    return cp.heatflow.bullard(temperature, cp.heatflow.thermal_resistance(known, at=temperature))


# Fits --------------------------------------------------------------------------------------------


@adapter("numerics.line.ordinary_line", "corephys.numerics.line.ordinary_line")
def ordinary_line(inputs: Inputs) -> Mapping[str, Any]:
    from corephys.numerics import line

    columns = table(inputs["file"])
    x, y = (
        (columns["t_degC"] - inputs["origin"], columns["b_degC"])
        if "origin" in inputs
        else (columns["x"], columns["y"])
    )
    return _parts(line.ordinary_line(x, y))


@adapter("numerics.line.york", "corephys.numerics.line.york")
def york(inputs: Inputs) -> Mapping[str, Any]:
    from corephys.numerics import line

    columns = table(inputs["file"])
    sigma = [columns[key] ** -0.5 for key in ("weight_x", "weight_y")]
    return _parts(line.york(columns["x"], columns["y"], *sigma))


@adapter("numerics.line.generalised_line", "corephys.numerics.line.generalised_line")
def generalised_line(inputs: Inputs) -> Mapping[str, Any]:
    from corephys.numerics import line

    columns = table(inputs["file"])
    covariances = [np.diag(1.0 / columns[key]) for key in ("weight_x", "weight_y")]
    return _parts(line.generalised_line(columns["x"], columns["y"], *covariances))


@adapter("numerics.line.orthogonal_line", "corephys.numerics.line.orthogonal_line")
def orthogonal_line(inputs: Inputs) -> Mapping[str, Any]:
    from corephys.numerics import line

    columns = table(inputs["file"])
    return _parts(line.orthogonal_line(columns["x"], columns["y"]))


def _parts(fit: Any) -> Mapping[str, float]:
    return {
        "intercept": fit.intercept,
        "slope": fit.slope,
        "intercept_error": fit.intercept_uncertainty,
        "slope_error": fit.slope_uncertainty,
        "chi_square": fit.chi_square,
        "value_at_30": fit.intercept + 10.0 * fit.slope,
        "error_at_30": float(np.array([1.0, 10.0]) @ fit.covariance @ np.array([1.0, 10.0])) ** 0.5,
        "residual_deviation": (fit.chi_square / fit.degrees_of_freedom) ** 0.5,
    }


def _misra(x: Any, b1: float, b2: float) -> Any:
    return b1 * (1.0 - np.exp(-b2 * x))


def _thurber(
    x: Any, b1: float, b2: float, b3: float, b4: float, b5: float, b6: float, b7: float
) -> Any:
    return (b1 + x * (b2 + x * (b3 + x * b4))) / (1.0 + x * (b5 + x * (b6 + x * b7)))


def _kowalik(x: Any, b1: float, b2: float, b3: float, b4: float) -> Any:
    return b1 * (x**2 + b2 * x) / (x**2 + b3 * x + b4)


CERTIFIED = {"misra1a": _misra, "thurber": _thurber, "mgh09": _kowalik}


@adapter("fitting.fit", "corephys.fitting.fit")
def certified_fit(inputs: Inputs) -> Mapping[str, float]:
    from corephys import fitting

    columns = table(inputs["file"])
    start = {f"b{i}": value for i, value in enumerate(inputs["start"], start=1)}
    model = CERTIFIED[inputs["model"]]
    fit = fitting.fit(model, columns["x"], columns["y"], start=start, absolute_sigma=False)
    return {
        **fit.values,
        **{f"error_{name}": error for name, error in fit.errors.items()},
        "chi_square": fit.chi_square,
        "residual_deviation": fit.reduced_chi_square**0.5,
    }


# Propagation -------------------------------------------------------------------------------------


@adapter("uncertainty.combine", "corephys.uncertainty.combine")
def combine(inputs: Inputs) -> Any:
    if inputs["example"] == "end gauge":
        return _end_gauge(inputs)
    return _resistance(inputs)


def _end_gauge(g: Inputs) -> float:
    """l = l_s + d - l_s (delta_alpha theta + alpha_s delta_theta), at the estimates of zero."""
    measured = cp.uncertainty.Measured
    random, _ = cp.uncertainty.combine(
        [
            (1.0, measured(g["l_s"], g["u_l_s"])),
            (1.0, measured(g["d"], g["u_d"])),
            (-g["l_s"] * g["theta"], measured(0.0, g["u_delta_alpha"])),
            (-g["l_s"] * g["alpha"], measured(0.0, g["u_delta_theta"])),
        ]
    )
    return float(random)


def _resistance(g: Inputs) -> Mapping[str, float]:
    """Correlated inputs as columns of a Cholesky factor: three shared sources."""
    correlation = np.array(
        [
            [1.0, g["r_VI"], g["r_Vphi"]],
            [g["r_VI"], 1.0, g["r_Iphi"]],
            [g["r_Vphi"], g["r_Iphi"], 1.0],
        ]
    )
    sigma = np.array([g["u_V"], g["u_I"], g["u_phi"]])
    factor = np.linalg.cholesky(correlation * np.outer(sigma, sigma))
    inputs = [
        cp.uncertainty.Measured(g[key], 0.0, {f"source {j}": factor[i, j] for j in range(3)})
        for i, key in enumerate(("V", "I", "phi"))
    ]
    v, i, phi = g["V"], g["I"], g["phi"]
    partials = {
        "R": (np.cos(phi) / i, -v * np.cos(phi) / i**2, -v * np.sin(phi) / i),
        "X": (np.sin(phi) / i, -v * np.sin(phi) / i**2, v * np.cos(phi) / i),
        "Z": (1.0 / i, -v / i**2, 0.0),
    }
    combined = {
        name: cp.uncertainty.combine(list(zip(p, inputs, strict=True)))
        for name, p in partials.items()
    }
    return {name: float(cp.uncertainty.norm(effects)) for name, (_, effects) in combined.items()}
