"""Arguments that must be above zero: a slip in one of them would spoil a whole series."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys import units

__all__ = ["positive"]


def positive(
    value: Any, unit: str, name: str, *, zero: bool = False, difference: bool = False
) -> Any:
    """Take a dimensional argument through the door and refuse one that cannot be.

    Parameters
    ----------
    value : Quantity, DataArray, str or Constant
        The argument as the caller gave it.
    unit : str
        The unit the calculation works in.
    name : str
        Name of the argument, for the message.
    zero : bool
        Zero itself may be given.
    difference : bool
        The argument is a difference; see :func:`corephys.units.as_floats`.

    Returns
    -------
    float, ndarray or DataArray
        Floats in ``unit``. A single bad value of a series passes: its reading is flagged where it
        is used. What dask has not computed yet is not looked at.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When no value of the argument is possible.
    """
    found = units.as_floats(value, unit, name, difference=difference)
    if hasattr(getattr(found, "data", found), "dask"):
        return found
    numbers = np.asarray(found, dtype=float)
    fine = np.isfinite(numbers) & ((numbers >= 0.0) if zero else (numbers > 0.0))
    if numbers.size and not fine.any():
        least = "zero or more" if zero else "above zero"
        given = f"{numbers.flat[0]:g}" + ("" if unit == "1" else f" {unit}")
        among = "" if numbers.size == 1 else f" and so on, {numbers.size} values of which none fits"
        raise ValueError(f"{name} is {given}{among}; it has to be {least}")
    return found
