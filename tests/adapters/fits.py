"""Adapters of fits and propagation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

import corephys as cp
from tests.adapters.registry import Inputs, adapter, table

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


@adapter("fitting.fit", "corephys.ground.fitting.fit")
def certified_fit(inputs: Inputs) -> Mapping[str, float]:
    from corephys.ground import fitting

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
