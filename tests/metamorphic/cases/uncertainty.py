"""Uncertainty: totals, budgets and the propagation of errors.

Functions that take a Measured take it out of a Dataset here, as the public functions do.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from corephys.ground import series
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

NOT_MEASURED = {
    "uncertainty.correlated": "takes plain numbers, each in a unit of the caller's choice",
}


def result(draw: Draw) -> xr.Dataset:
    """A result of two quantities that share sources."""
    return draw.dataset(
        ("core_diameter", "gamma_calibration"), bulk_density=(1.2, 2.4), grain_density=(2.6, 2.8)
    )


@case("uncertainty.total")
def _(draw: Draw) -> dict[str, Any]:
    return {"dataset": result(draw), "name": "bulk_density"}


@case("uncertainty.total#temperature")
def _(draw: Draw) -> dict[str, Any]:
    found = draw.dataset(("thermometer",), equilibrium_temperature=(2.0, 40.0))
    return {"dataset": found, "name": "equilibrium_temperature"}


def plain(**given: Any) -> Any:
    """A given uncertainty as a plain array."""
    return np.asarray(cp.uncertainty.given_uncertainty(**given))


@case("uncertainty.given_uncertainty", call=plain)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "value": draw.choice(
            draw.series("g/cm^3", 0.01, 0.1), draw.scalar("g/cm^3", 0.01, 0.1)
        ),
        "unit": "kg/m^3", "name": "density_uncertainty",
    }  # fmt: skip


@case("uncertainty.given_uncertainty#temperature", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"value": draw.scalar("K", 0.01, 0.1), "unit": "K", "name": "temperature_uncertainty"}


@case("uncertainty.budget", rows="set", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {"product": result(draw), "by": draw.choice("source", "group")}


def sorted_labels(**arguments: Any) -> Any:
    """Budgets in the order of the labels: they are listed in that of their first reading."""
    found = cp.uncertainty.budget_of_mean(**arguments)
    return found.sort_values(["quantity", "label", "source"]).reset_index(drop=True)


@case("uncertainty.budget_of_mean", rows="set", size=(3, 6), call=sorted_labels)
def _(draw: Draw) -> dict[str, Any]:
    product = draw.dataset(flagged=False, bulk_density=(1.2, 2.4), porosity=(0.3, 0.8))
    return {"product": product, "labels": draw.words("upper", "lower")}


@case("uncertainty.budget_of_mean#weights", rows="set", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    product = draw.dataset(flagged=False, bulk_density=(1.2, 2.4))
    return {"product": product, "name": "bulk_density", "weights": draw.numbers(-1.0, 1.0)}


@case("uncertainty.reading_shares")
def _(draw: Draw) -> dict[str, Any]:
    return {"product": result(draw), "name": "bulk_density"}


@case("uncertainty.budget_shares")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "u_random": draw.numbers(0.01, 0.1),
        "effects": {"core_diameter": draw.numbers(-0.1, -0.01), "balance": draw.numbers(0.01, 0.1)},
    }


@case("uncertainty.norm")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "effects": {"core_diameter": draw.numbers(-0.1, -0.01), "balance": draw.numbers(0.01, 0.1)}
    }


@case("uncertainty.covariance_effects", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "partials": [draw.numbers(0.5, 2.0), draw.numbers(-1.0, 1.0)],
        "covariance": np.array([[0.04, 0.01], [0.01, 0.09]]),
        "source": "calibration",
    }


def impedance(density: Any, speed: Any) -> Any:
    """A product, for want of a simpler formula that takes two quantities."""
    return density * speed


def pair(draw: Draw) -> dict[str, xr.Dataset]:
    """Density and velocity with a source that both share."""
    return {
        "density": draw.dataset(("core_diameter", "balance"), bulk_density=(1.2, 2.4)),
        "speed": draw.dataset(("core_diameter",), p_wave_velocity=(1450.0, 2500.0)),
    }


def unpacked(density: xr.Dataset, speed: xr.Dataset) -> dict[str, Any]:
    """The same as Measured, in the units of the vocabulary."""
    return {
        "density": series.unpack(density, "bulk_density"),
        "speed": series.unpack(speed, "p_wave_velocity"),
    }


def arrays(found: Any) -> Any:
    """A result of the functions below as plain arrays."""
    if isinstance(found, dict):
        return {name: arrays(part) for name, part in found.items()}
    if isinstance(found, tuple):
        return tuple(arrays(part) for part in found)
    if isinstance(found, cp.uncertainty.Measured):
        parts = (found.values, found.u_random, found.effects, found.reason)
        return tuple(arrays(part) for part in parts)
    return np.asarray(found)


def combined(**given: Any) -> Any:
    """Errors of the product by its derivatives."""
    one, two = unpacked(**given).values()
    return arrays(cp.uncertainty.combine([(two.values, one), (one.values, two)]))


@case("uncertainty.combine", call=combined)
def _(draw: Draw) -> dict[str, Any]:
    return dict(pair(draw))


def propagated(**given: Any) -> Any:
    """Errors of the product by first differences."""
    return arrays(cp.uncertainty.propagate(impedance, unpacked(**given)))


@case("uncertainty.propagate", call=propagated)
def _(draw: Draw) -> dict[str, Any]:
    return dict(pair(draw))


def bent(**given: Any) -> Any:
    """Uncertainty of the product with the terms of second order."""
    return arrays(cp.uncertainty.second_order(impedance, unpacked(**given)))


@case("uncertainty.second_order", call=bent, rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return dict(pair(draw))


def drawn(seed: int, **given: Any) -> Any:
    """Mean, uncertainty and interval of the product by draws of a fixed seed."""
    found = cp.uncertainty.monte_carlo(impedance, unpacked(**given), draws=40, seed=seed)
    return arrays((found.mean, found.standard_uncertainty, found.lower, found.upper, found.bends))


@case("uncertainty.monte_carlo", rows="none", call=drawn, rtol=1e-8)
def _(draw: Draw) -> dict[str, Any]:
    return {**pair(draw), "seed": draw.integer(0, 99)}


def correlated(**given: Any) -> Any:
    """Correlation of the errors of density and velocity."""
    return arrays(cp.uncertainty.correlation(*unpacked(**given).values()))


@case("uncertainty.correlation", call=correlated)
def _(draw: Draw) -> dict[str, Any]:
    return dict(pair(draw))


@case("uncertainty.effective_degrees_of_freedom", rows="set")
def _(draw: Draw) -> dict[str, Any]:
    return {"uncertainties": draw.numbers(0.01, 0.1), "degrees": draw.numbers(1.0, 20.0)}


@case("uncertainty.simultaneous", rows="set", size=(4, 8), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    one = draw.numbers(4.9, 5.1)
    return {
        "observations": {"volts": one, "amperes": 0.02 * one + draw.numbers(-0.001, 0.001)},
        "source": "bridge",
    }
