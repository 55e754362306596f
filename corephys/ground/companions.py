"""The companions of a quantity in a Dataset, and one unit for all of them.

Beside a quantity stand its uncertainties, effects, flag and reason, under its name and an ending.
A Dataset may come in any unit; what is computed from it works in the units of the vocabulary.
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
    data : Dataset, DataTree node, or anything else
        What is no Dataset is returned as it is.
    other : mapping of str to str, optional
        Variables that are not in the vocabulary, and their units.

    Returns
    -------
    same type as ``data``
        Quantities in the units of the vocabulary. An uncertainty or effect without the attribute
        ``units`` has the unit of its quantity. The object itself when nothing has to be converted.

    Raises
    ------
    UnitError
        When a unit is unknown or of another dimension; the message names the variable.

    Notes
    -----
    Whoever converts a quantity of a Dataset leaves its companions in the old unit or converts them
    as well; both are read rightly, because each variable is converted from the unit that it bears.

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
    """Convert one variable of a Dataset to the library's unit.

    Parameters
    ----------
    data : Dataset
        Holds the variable, and its quantity where the variable is a companion.
    name : str
        Name of the variable.
    other : mapping of str to str, optional
        As for :func:`library_units`.

    Returns
    -------
    Variable
        The variable itself where nothing has to be converted.

    Raises
    ------
    UnitError
        When the unit is unknown or of another dimension.
    """
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
    """Unit that a variable has, and the one it should have; equal where nothing is to be done."""
    wanted = other.get(name) or (TERMS[name].unit if name in TERMS else "")
    if wanted:
        return str(variable.attrs.get("units", wanted)), wanted
    quantity = next((name.removesuffix(e) for e in UNCERTAINTIES if name.endswith(e)), "")
    wanted = other.get(quantity) or (TERMS[quantity].unit if quantity in TERMS else "")
    if not wanted:
        return "", ""
    # Without a unit of its own a companion has its parent's.
    parent = data.variables.get(quantity)
    inherited = wanted if parent is None else str(parent.attrs.get("units", wanted))
    given = str(variable.attrs.get("units", inherited))
    # An uncertainty is a difference: one whose unit is written as degC or degF has no zero of its
    # own, and the zero of the scale must not be added to it.
    return units.difference_unit(units.canonical(given)), units.difference_unit(wanted)
