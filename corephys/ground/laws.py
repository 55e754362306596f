"""A law of the trade as a function: units in at the door, a unit on what comes back.

A law is written as plain arithmetic on floats, with the unit of each argument in the decorator::

    @law("ohm m", resistivity="ohm m", porosity="fraction", exponent="1")
    def rock_resistivity(resistivity, porosity, exponent=2.0):
        return resistivity * porosity ** -exponent

The decorator reads the units when the module is imported, so that a misspelt unit or argument
fails at once and not in a reduction. ``rock_resistivity.kernel`` is the arithmetic itself, for
code that has floats in those units already.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import xarray as xr

from corephys.ground import arguments, series, units

__all__ = ["law", "with_unit"]

_WORDS = ("positive", "nonnegative", "difference", "optional")
_F = TypeVar("_F", bound=Callable[..., Any])


@dataclass(frozen=True)
class _Door:
    """How one argument is taken: its unit, and what must hold of it."""

    unit: str
    positive: bool = False
    nonnegative: bool = False
    difference: bool = False
    optional: bool = False
    fraction: bool = False

    def take(self, value: Any, name: str) -> Any:
        if value is None and self.optional:
            return None
        if self.fraction:
            return arguments.fraction(value, name)
        if self.positive or self.nonnegative:
            return arguments.positive(
                value, self.unit, name, zero=self.nonnegative, difference=self.difference
            )
        return units.as_floats(value, self.unit, name, difference=self.difference)


def _door(text: str) -> _Door:
    """Read ``"positive mm"``, ``"difference K"``, ``"optional g/cm^3"`` or ``"fraction"``."""
    held = set()
    first, _, rest = text.partition(" ")
    while first in _WORDS:
        held.add(first)
        first, _, rest = rest.partition(" ")
    unit = f"{first} {rest}".strip()
    fraction = unit == "fraction"
    return _Door(
        "1" if fraction else units.canonical(unit),
        fraction=fraction,
        **{word: word in held for word in _WORDS},
    )


def law(unit: str, **doors: str) -> Callable[[_F], _F]:
    """Give a function of floats units at its door and on its result.

    Parameters
    ----------
    unit : str
        Unit of the result, in the library's spelling; ``"1"`` for a pure number.
    **doors : str
        By the name of an argument: its unit, ``"fraction"`` for 0 to 1, and before the unit
        ``positive``, ``nonnegative``, ``difference`` or ``optional``. An argument that is not
        named reaches the function as it was given.

    Returns
    -------
    callable
        Decorator. The decorated function returns what :func:`with_unit` makes of the floats; its
        attribute ``kernel`` is the function of floats, ``units`` the units by argument.

    Raises
    ------
    UnitError
        When the module is imported, for a unit that is not known.
    TypeError
        When the module is imported, for an argument that the function does not have.
    """
    stamped = units.canonical(unit)
    read = {name: _door(text) for name, text in doors.items()}

    def decorate(function: _F) -> _F:
        signature = inspect.signature(function)
        unknown = sorted(set(read) - set(signature.parameters))
        if unknown:
            raise TypeError(f"{function.__name__} has no argument {', '.join(unknown)}")

        @functools.wraps(function)
        def public(*given: Any, **named: Any) -> Any:
            bound = signature.bind(*given, **named)
            bound.apply_defaults()
            for name, door in read.items():
                bound.arguments[name] = door.take(bound.arguments[name], name)
            arrays = {n: v for n, v in bound.arguments.items() if isinstance(v, xr.DataArray)}
            for name, array in zip(arrays, series.at_same_positions(**arrays), strict=True):
                bound.arguments[name] = array
            return with_unit(function(*bound.args, **bound.kwargs), stamped)

        public.kernel = function  # type: ignore[attr-defined]
        public.units = {n: d.unit for n, d in read.items()}  # type: ignore[attr-defined]
        return public  # type: ignore[return-value]

    return decorate


def with_unit(values: Any, unit: str, long_name: str = "") -> Any:
    """Floats with their unit: a DataArray with attributes, or a Quantity.

    Parameters
    ----------
    values : float, ndarray or DataArray
        In ``unit``.
    unit : str
        In the library's spelling.
    long_name : str
        Words for a DataArray, where there are any.

    Returns
    -------
    DataArray, Quantity, float or ndarray
        A DataArray stays one, with ``units`` stamped afresh; other numbers become a Quantity, and
        stay plain where the unit is ``"1"``.
    """
    if isinstance(values, xr.DataArray):
        attributes = {"units": unit} | ({"long_name": long_name} if long_name else {})
        return values.drop_attrs().assign_attrs(attributes)
    if unit == "1":
        return values
    return units.quantity(values, unit)
