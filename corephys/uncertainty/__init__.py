"""Uncertainty with names: a random part and signed one-sigma systematic effects.

``<name>_u_random`` is independent between readings. The systematic part is a set of named
effects; the same name in two variables is the same error, so that errors which two quantities
share cancel or add with their signs. All uncertainties are standard uncertainties (k = 1);
unknown is NaN, never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, units
from corephys.ground.constants import Constant
from corephys.ground.vocabulary import TERMS
from corephys.uncertainty.budgets import budget, budget_of_mean, reading_shares
from corephys.uncertainty.draws import MonteCarlo, monte_carlo, propagate, second_order
from corephys.uncertainty.measured import (
    Measured,
    combine,
    correlated,
    correlation,
    covariance_effects,
    effective_degrees_of_freedom,
    norm,
    simultaneous,
)
from corephys.uncertainty.measured import without_coords as without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional

__all__ = [
    "Measured",
    "MonteCarlo",
    "budget",
    "budget_of_mean",
    "budget_shares",
    "combine",
    "correlated",
    "correlation",
    "covariance_effects",
    "effective_degrees_of_freedom",
    "given_uncertainty",
    "monte_carlo",
    "norm",
    "propagate",
    "reading_shares",
    "second_order",
    "simultaneous",
    "total",
]


def given_uncertainty(
    value: Dimensional | None, unit: str, name: str, of: object = None
) -> float | np.ndarray | xr.Variable:
    """The given standard uncertainty, else that of a Constant, else NaN.

    Parameters
    ----------
    value : Quantity, DataArray, str or None
        Standard uncertainty as the caller gave it.
    unit : str
        Unit of the result; of a difference, so that temperatures are in K.
    name : str
        Name of the argument, for the message.
    of : Constant or anything, optional
        Value to which the uncertainty belongs; the uncertainty of a Constant is the default.

    Returns
    -------
    float or array
        Floats in ``unit``; NaN if not given.
    """
    given = units.as_floats(value, unit, name, difference=True, optional=True)
    if given is not None:
        return without_coords(given)
    if isinstance(of, Constant):
        return of.uncertainty * units.convert(1.0, of.unit, unit)
    return float("nan")


def total(dataset: xr.Dataset, name: str) -> xr.DataArray:
    """Combined standard uncertainty of a quantity in a Dataset.

    Parameters
    ----------
    dataset : xarray.Dataset
        Result of a public function.
    name : str
        Quantity with the variables ``<name>_u_random`` and ``<name>_u_systematic``.

    Returns
    -------
    xarray.DataArray
        Root of the sum of squares, in the unit of the vocabulary, k = 1.

    Raises
    ------
    KeyError
        When the Dataset has no such uncertainties.
    """
    given = companions.library_units(dataset)
    random, systematic = given[f"{name}_u_random"], given[f"{name}_u_systematic"]
    result = (random**2 + systematic**2) ** 0.5
    # A companion without units has those of the vocabulary.
    known = units.difference_unit(TERMS[name].unit) if name in TERMS else "1"
    result.attrs = {
        "units": random.attrs.get("units", known),
        "long_name": f"standard uncertainty of {name.replace('_', ' ')}",
    }
    return result.rename(f"{name}_uncertainty")


def budget_shares(u_random: Any, effects: Mapping[str, Any]) -> dict[str, Any]:
    """Share of each source in the variance.

    Parameters
    ----------
    u_random : float or array
        Random standard uncertainty.
    effects : mapping of str to float or array
        Signed one-sigma effects.

    Returns
    -------
    dict of str to float or array
        Fractions that add to one, with the key ``random`` for the random part.
    """
    variance = u_random**2 + sum((effect**2 for effect in effects.values()), 0.0)
    shares = {"random": u_random**2 / variance}
    shares.update({source: effect**2 / variance for source, effect in effects.items()})
    return shares
