"""A law of the trade as a function: units in at the door, a unit on what comes back.

A law is written as plain arithmetic on floats, with the unit of each argument in the decorator::

    @law("ohm m", resistivity="ohm m", porosity="fraction", exponent="1")
    def rock_resistivity(resistivity, porosity, exponent=2.0):
        return resistivity * porosity ** -exponent

The decorator reads the units when the module is imported, so that a misspelt unit or argument
fails at once and not in a reduction. ``rock_resistivity.kernel`` is the arithmetic itself, for
code that has floats in those units already.

Annotate converted arguments and the result with ``Floats`` of :mod:`corephys.ground.types`, what
the arithmetic handles. Help and documentation show users what they may pass and what they get:
``Dimensional`` or ``Fraction`` for a converted argument, ``WithUnit`` for the result.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ParamSpec, Protocol, TypeAlias, cast

import numpy as np
import xarray as xr

from corephys.ground import arguments, series, units
from corephys.ground.vocabulary import TERMS

__all__ = ["Door", "Law", "law", "with_unit"]

_WORDS = ("positive", "nonnegative", "difference", "optional")
_P = ParamSpec("_P")

#: How an argument is converted: words and a unit, or a unit and a function of value and name.
Door: TypeAlias = str | tuple[str, Callable[[Any, str], Any]]


class Law(Protocol[_P]):
    """A decorated function: quantities in and out, with its arithmetic on floats."""

    #: The arithmetic, floats in and out, in the units of ``units`` and of the result.
    kernel: Callable[..., Any]
    #: Unit of each converted argument by its name.
    units: Mapping[str, str]

    def __call__(self, *given: _P.args, **named: _P.kwargs) -> Any:
        """Convert the arguments, compute, and give the result its unit."""
        ...


@dataclass(frozen=True)
class _Door:
    """How one argument is converted: its unit, and what must hold of its values."""

    unit: str
    positive: bool = False
    nonnegative: bool = False
    difference: bool = False
    optional: bool = False
    fraction: bool = False
    convert: Callable[[Any, str], Any] | None = None

    def take(self, value: Any, name: str) -> Any:
        """Floats in the unit of this door; None where that may be given."""
        if value is None and self.optional:
            return None
        if self.convert is not None:
            return self.convert(value, name)
        if self.fraction:
            return arguments.fraction(value, name)
        if self.positive or self.nonnegative:
            return arguments.positive(
                value, self.unit, name, zero=self.nonnegative, difference=self.difference
            )
        return units.as_floats(value, self.unit, name, difference=self.difference)

    def annotation(self) -> str:
        """Name of the type that a user may pass, for help and documentation."""
        named = "Fraction" if self.fraction else "Dimensional"
        return f"{named} | None" if self.optional else named


def _door(given: Door) -> _Door:
    """Read ``"positive mm"``, ``"difference K"``, ``"fraction"`` or a unit and a function."""
    if not isinstance(given, str):
        unit, convert = given
        return _Door(units.canonical(unit), convert=convert)
    held = set()
    first, _, rest = given.partition(" ")
    while first in _WORDS:
        held.add(first)
        first, _, rest = rest.partition(" ")
    unit = f"{first} {rest}".strip()
    fraction = unit == "fraction"
    return _Door(
        "1" if fraction else units.canonical(unit),
        positive="positive" in held,
        nonnegative="nonnegative" in held,
        difference="difference" in held,
        optional="optional" in held,
        fraction=fraction,
    )


def law(unit: str | tuple[str, ...], **doors: Door) -> Callable[[Callable[_P, Any]], Law[_P]]:
    """Give a function of floats units at its door and on its result.

    Parameters
    ----------
    unit : str or tuple of str
        Unit of the result, in the library's spelling; ``"1"`` for a pure number. A tuple of units
        for a function that returns a tuple, one unit for each of its values.
    **doors : str, or tuple of str and callable
        By the name of an argument: its unit, ``"fraction"`` for 0 to 1, and before the unit
        ``positive``, ``nonnegative``, ``difference`` or ``optional``. For other rules, the unit
        with a function of the value and the name of the argument that returns floats in this
        unit. An argument that is not named reaches the function as it was given.

    Returns
    -------
    callable
        Decorator. The decorated function returns what :func:`with_unit` makes of the floats; its
        attribute ``kernel`` is the function of floats, ``units`` the units by argument. Defaults
        with a unit (a Constant, ``"0 dbar"``) are floats in the kernel.

    Raises
    ------
    UnitError
        When the module is imported, for a unit that is not known.
    TypeError
        When the module is imported, for an argument that the function does not have.
    """
    several = not isinstance(unit, str)
    stamped = tuple(units.canonical(u) for u in ((unit,) if isinstance(unit, str) else unit))
    read = {name: _door(given) for name, given in doors.items()}

    def decorate(function: Callable[_P, Any]) -> Law[_P]:
        signature = inspect.signature(function)
        unknown = sorted(set(read) - set(signature.parameters))
        if unknown:
            raise TypeError(
                f"{function.__name__} has no argument {', '.join(unknown)}; give units only for "
                "its arguments"
            )
        _set_float_defaults(function, signature, read)

        @functools.wraps(function)
        def public(*given: Any, **named: Any) -> Any:
            bound = signature.bind(*given, **named)
            bound.apply_defaults()
            for name, door in read.items():
                bound.arguments[name] = door.take(bound.arguments[name], name)
            arrays = {n: v for n, v in bound.arguments.items() if isinstance(v, xr.DataArray)}
            for name, array in zip(arrays, series.at_same_positions(**arrays), strict=True):
                bound.arguments[name] = array
            found: Any = function(*bound.args, **bound.kwargs)
            if several:
                return tuple(with_unit(part, u) for part, u in zip(found, stamped, strict=True))
            return with_unit(found, stamped[0])

        shown = _shown(signature, read, None if several or stamped == ("1",) else "WithUnit")
        attributes = {
            "kernel": function,
            "units": {n: d.unit for n, d in read.items()},
            # Help, documentation and editors read these instead of the kernel's.
            "__signature__": shown,
            "__annotations__": {
                **{n: p.annotation for n, p in shown.parameters.items()},
                "return": shown.return_annotation,
            },
        }
        for name, value in attributes.items():
            setattr(public, name, value)
        return cast("Law[_P]", public)

    return decorate


def _set_float_defaults(
    function: Any, signature: inspect.Signature, doors: Mapping[str, _Door]
) -> None:
    """Convert the defaults of a kernel, so that it gets no Constant and no text."""
    given = [p for p in signature.parameters.values() if p.default is not p.empty]
    floats = {
        p.name: doors[p.name].take(p.default, p.name)
        if p.name in doors and p.default is not None
        else p.default
        for p in given
    }
    function.__defaults__ = tuple(floats[p.name] for p in given if p.kind is not p.KEYWORD_ONLY)
    function.__kwdefaults__ = {p.name: floats[p.name] for p in given if p.kind is p.KEYWORD_ONLY}


def _shown(
    signature: inspect.Signature, doors: Mapping[str, _Door], result: str | None
) -> inspect.Signature:
    """The signature that users see: what may be passed, and what comes back."""
    parameters = [
        p.replace(annotation=doors[n].annotation()) if n in doors else p
        for n, p in signature.parameters.items()
    ]
    changed = signature.replace(parameters=parameters)
    return changed if result is None else changed.replace(return_annotation=result)


def with_unit(values: Any, unit: str, long_name: str = "") -> Any:
    """Floats with their unit: a DataArray with attributes, or a Quantity.

    Parameters
    ----------
    values : float, ndarray or DataArray
        Numbers in ``unit``.
    unit : str
        Unit in the library's spelling.
    long_name : str
        Long name of a DataArray; not set where empty.

    Returns
    -------
    DataArray, Quantity, float or ndarray
        A DataArray stays one, with ``units`` stamped afresh on it and on its positions. Other
        numbers become a Quantity, and stay plain where the unit is ``"1"``.
    """
    if isinstance(values, xr.DataArray):
        attributes = {"units": unit} | ({"long_name": long_name} if long_name else {})
        found = values.drop_attrs().assign_attrs(attributes)
        # Positions were converted with the values and have the units of the vocabulary.
        for name, coordinate in found.coords.items():
            if name in TERMS:
                entry = TERMS[str(name)]
                coordinate.attrs = {"units": entry.unit, "long_name": entry.long_name}
        return found
    if isinstance(values, np.floating):
        # A Quantity of a NumPy number prints as np.float64(...).
        values = float(values)
    return values if unit == "1" else units.quantity(values, unit)
