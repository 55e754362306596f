"""The companions of a quantity in a Dataset: uncertainties, effects, flag and reason.

A companion has the name of its quantity and an ending. A Dataset may have any units; calculations
use the units of the vocabulary.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import xarray as xr

from corephys.ground import units
from corephys.ground.vocabulary import TERMS

__all__ = ["COMPANIONS", "UNCERTAINTIES", "in_library_units", "library_units"]

UNCERTAINTIES = ("_u_random", "_u_systematic", "_effects")
COMPANIONS = (*UNCERTAINTIES, "_flag", "_reason")


def library_units(data: Any, other: Mapping[str, str] | None = None) -> Any:
    """Convert the quantities of a Dataset, their companions and positions to the library's units.

    Parameters
    ----------
    data : Dataset, or anything else
        Anything but a Dataset is returned as it is.
    other : mapping of str to str, optional
        Units of variables that are not in the vocabulary.

    Returns
    -------
    same type as ``data``
        Quantities in the units of the vocabulary. An uncertainty or effect without the attribute
        ``units`` has the unit of its quantity. The object itself if nothing is converted.

    Raises
    ------
    UnitError
        When a unit is unknown or of another dimension; the message names the variable.

    Notes
    -----
    If a user converts a quantity of a Dataset, its companions may keep the old unit or be converted
    too. Both are read correctly, because each variable is converted from its own unit.

    Examples
    --------
    >>> import xarray as xr
    >>> given = xr.Dataset({
    ...     "porosity": ("reading", [60.0], {"units": "%"}),
    ...     "porosity_u_random": ("reading", [1.0]),
    ... })
    >>> library_units(given)["porosity_u_random"].values
    array([0.01])
    """
    if not isinstance(data, xr.Dataset):
        return data
    changed = {
        key: converted
        for key, variable in data.variables.items()
        if (converted := in_library_units(data, str(key), other)) is not variable
    }
    if not changed:
        return data
    coordinates = {key: variable for key, variable in changed.items() if key in data.coords}
    others = {key: variable for key, variable in changed.items() if key not in coordinates}
    return data.assign(others).assign_coords(coordinates)


def in_library_units(
    data: xr.Dataset, name: str, other: Mapping[str, str] | None = None
) -> xr.Variable:
    """One variable of a Dataset in the library's unit; see :func:`library_units`."""
    variable = data.variables[name]
    given, wanted = _units_of(data, name, variable, other or {})
    if given == wanted:
        return variable
    numbers = variable.data if variable.dtype.kind == "f" else variable.data.astype(float)
    try:
        values = units.convert(numbers, given, wanted)
    except units.UnitError as error:
        raise units.UnitError(f"{name}: expected {wanted}, got {given!r}: {error}") from None
    return xr.Variable(variable.dims, values, {**variable.attrs, "units": wanted})


def _units_of(
    data: xr.Dataset, name: str, variable: xr.Variable, other: Mapping[str, str]
) -> tuple[str, str]:
    """Unit that a variable has, and the one it should have; equal if nothing is to be converted."""
    wanted = other.get(name) or (TERMS[name].unit if name in TERMS else "")
    if wanted:
        return str(variable.attrs.get("units", wanted)), wanted
    quantity = next((name.removesuffix(e) for e in UNCERTAINTIES if name.endswith(e)), "")
    wanted = other.get(quantity) or (TERMS[quantity].unit if quantity in TERMS else "")
    if not wanted:
        return "", ""
    # A companion without a unit has that of its quantity.
    parent = data.variables.get(quantity)
    inherited = wanted if parent is None else str(parent.attrs.get("units", wanted))
    given = str(variable.attrs.get("units", inherited))
    # An uncertainty is a difference. Even if its unit is written as degC or degF, the zero of the
    # scale must not be added to it.
    return units.difference_unit(units.canonical(given)), units.difference_unit(wanted)
