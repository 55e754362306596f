"""What every elastic model does alike: arguments in, a kernel with its slopes, a Dataset out."""

from __future__ import annotations

import difflib
import functools
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import provenance, series, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.ground.constants import Constant
from corephys.ground.vocabulary import term
from corephys.uncertainty import Measured, bare

__all__ = [
    "fraction",
    "names_checked",
    "number",
    "plain",
    "propagate",
    "quantity",
    "same_positions",
    "together",
]

_STEP = 1e-4  # of an argument; the slope is then right to about a millionth


_Function = TypeVar("_Function", bound=Callable[..., Any])


class _Asked(dict[str, Any]):
    """Uncertainties that remember which of them somebody asked for."""

    def __init__(self, given: Mapping[str, Any]) -> None:
        super().__init__(given)
        self.asked: set[str] = set()

    def get(self, key: str, default: Any = None) -> Any:
        self.asked.add(key)
        return super().get(key, default)


def names_checked(function: _Function) -> _Function:
    """Refuse a name in ``uncertainties`` that a function never looks at: a slip of the pen.

    Parameters
    ----------
    function : callable
        With the keyword ``uncertainties``.

    Returns
    -------
    callable
        The same, which raises ValueError for a name that it did not use.
    """

    @functools.wraps(function)
    def checked(
        *arguments: Any, uncertainties: Mapping[str, Any] | None = None, **more: Any
    ) -> Any:
        if not uncertainties:
            return function(*arguments, **more)
        known = _Asked(uncertainties)
        found = function(*arguments, uncertainties=known, **more)
        for name in known:
            if name not in known.asked:
                close = difflib.get_close_matches(name, known.asked, n=1)
                hint = (
                    f"did you mean {close[0]!r}"
                    if close
                    else "it is of " + ", ".join(sorted(known.asked))
                )
                raise ValueError(
                    f"uncertainties holds {name!r}, which {function.__name__} has no use for; "
                    f"{hint}? A Dataset brings its own"
                )
        return found

    return checked  # type: ignore[return-value]


def number(
    value: Any,
    unit: str,
    name: str,
    uncertainties: Mapping[str, Any] | None = None,
    *,
    zero: bool = False,
    held: str = "",
) -> Measured:
    """A property of a mineral, fluid or model, above zero, with its systematic uncertainty.

    Parameters
    ----------
    value : Quantity, str, Constant, Dataset or DataArray
        In any unit that converts to ``unit``.
    unit, name : str
        Unit of the calculation; name of the argument, and of its source of error where a Constant
        does not bring its own name.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name of the argument.
    zero : bool
        Zero itself may be given.
    held : str
        Name of the quantity in a Dataset.

    Returns
    -------
    Measured
        In ``unit``; an uncertainty that nobody gives is NaN.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or a value that cannot be.
    """
    if isinstance(value, Measured):
        return value
    if isinstance(value, xr.Dataset):
        known_as = held or name
        found = series.unpack(value, known_as)
        positive(value[known_as], unit, name, zero=zero)
        factor = units.convert(1.0, term(known_as).unit, unit)
        effects = {source: factor * effect for source, effect in found.effects.items()}
        used = provenance.records(**{name: value[[known_as]]})
        return Measured(factor * found.values, factor * found.u_random, effects, found.reason, used)
    plain = positive(value, unit, name, zero=zero)
    given = (uncertainties or {}).get(name)
    known = isinstance(value, Constant) and given is None
    u = uncertainty.stated(given, unit, f"uncertainty of {name}", of=value)
    used = provenance.records(**{name: (value, given)})
    return Measured(plain, 0.0, {value.name if known else name: u}, used=used)


def quantity(
    value: Any,
    name: str,
    uncertainties: Mapping[str, Any] | None = None,
    *,
    key: str = "",
    zero: bool = False,
) -> Measured:
    """A reading above zero: a Dataset brings its uncertainties, effects and reasons.

    Parameters
    ----------
    value : Dataset, DataArray, Quantity or str
        As the caller gave it.
    name : str
        Quantity of the vocabulary.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name of the argument, random.
    key : str
        Name of the argument where it is not ``name``.
    zero : bool
        Zero itself may be given.

    Returns
    -------
    Measured
        In the vocabulary's unit.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or values of which none can be.
    """
    argument = key or name
    shown = value[name] if isinstance(value, xr.Dataset) and name in value else value
    if not isinstance(shown, (xr.Dataset, Measured)):
        positive(shown, term(name).unit, argument, zero=zero)
    given = (uncertainties or {}).get(argument)
    return series.unpack(value, name, uncertainty_given=given)


def fraction(
    value: Any, name: str, uncertainties: Mapping[str, Any] | None = None, *, held: str = "porosity"
) -> Measured:
    """A share of a volume, from zero to one.

    Parameters
    ----------
    value : Dataset, DataArray, Quantity, str or float
        Fraction [1].
    name : str
        Of the argument.
    uncertainties : mapping of str to float or Quantity, optional
        Standard uncertainties by name of the argument, random.
    held : str
        Name of the quantity in a Dataset.

    Returns
    -------
    Measured
        A single value outside is refused; one of a series becomes NaN and impossible.

    Raises
    ------
    ValueError
        When no value lies between zero and one.
    """
    if isinstance(value, xr.Dataset):
        found = series.unpack(value, held)
    elif isinstance(value, Measured):
        found = value
    else:
        u = units.as_floats(
            (uncertainties or {}).get(name), "1", f"uncertainty of {name}", optional=True
        )
        found = Measured(units.as_floats(value, "1", name), float("nan") if u is None else bare(u))
    return measured_fraction(found, name)


def plain(value: Any, unit: str, name: str) -> Any:
    """A number that may be below zero, such as a temperature.

    Parameters
    ----------
    value : Quantity, DataArray or str
        As the caller gave it.
    unit, name : str
        Unit of the calculation; name for the message.

    Returns
    -------
    float, ndarray or DataArray
        In ``unit``.
    """
    return units.as_floats(value, unit, name)


def together(shares: Sequence[Measured]) -> None:
    """Refuse fractions that are not shares of one whole.

    Parameters
    ----------
    shares : sequence of Measured
        Fractions [1].

    Raises
    ------
    ValueError
        When they do not add to one somewhere.
    """
    total = np.ravel(sum(np.asarray(share.values, dtype=float) for share in shares))
    off = np.abs(total - 1.0)
    if np.any(off > 1e-6):
        raise ValueError(
            f"the fractions add to {total[int(np.nanargmax(off))]:g}; they are shares of one "
            "whole, together 1"
        )


def same_positions(**arguments: Any) -> None:
    """Refuse series at different positions, whichever of the arguments are series.

    Parameters
    ----------
    **arguments : anything
        By name.
    """
    series.require_same_positions(**arguments)


def propagate(
    kernel: Callable[..., tuple[Any, ...]],
    names: tuple[str, ...],
    inputs: Mapping[str, Measured],
    *,
    reason: Any = 0,
) -> dict[str, Measured]:
    """Lay a kernel over its inputs once and carry their uncertainties through it.

    Parameters
    ----------
    kernel : callable
        Takes the inputs by name as arrays of one shape, returns a tuple of arrays.
    names : tuple of str
        Of the arrays it returns.
    inputs : mapping of str to Measured
        In the units of the kernel.
    reason : int or array of int
        Further reasons.

    Returns
    -------
    dict of str to Measured
        By ``names``; slopes by central differences, one-sided where a model ends.
    """
    keys = list(inputs)
    given = {key: part.values for key, part in inputs.items()}
    coordinates = _coordinates(given)

    def laid(*arrays: Any) -> tuple[Any, ...]:
        parts = np.broadcast_arrays(*(np.asarray(array, dtype=float) for array in arrays))
        with np.errstate(all="ignore"):
            return _with_slopes(kernel, keys, parts)

    # Without coordinates: xarray would compare them again for every array that comes out.
    found = series.apply(
        laid, *(bare(values) for values in given.values()), outputs=len(names) * (1 + len(keys))
    )
    known = series.joined_reasons(*(bare(part.reason) for part in inputs.values()), bare(reason))
    used = {key: record for part in inputs.values() for key, record in part.used.items()}
    unknown = [_has_unknown(part) for part in inputs.values()]
    result = {}
    for place, name in enumerate(names):
        start = len(names) + place * len(keys)
        slopes = found[start : start + len(keys)]
        terms = [
            (slope, _where_it_matters(slope, part) if missing else part)
            for slope, part, missing in zip(slopes, inputs.values(), unknown, strict=True)
        ]
        spread, effects = uncertainty.combine(terms)
        values = found[place]
        if coordinates is not None:
            values = xr.DataArray(values, coords=coordinates)
        result[name] = Measured(values, spread, effects, known, used)
    return result


def _coordinates(given: Mapping[str, Any]) -> dict[Any, Any] | None:
    """Coordinates that the inputs share or have alone; None where none of them is a DataArray."""
    series.require_same_positions(**given)
    arrays = [values for values in given.values() if isinstance(values, xr.DataArray)]
    if not arrays:
        return None
    found: dict[Any, Any] = {}
    apart = set()
    for array in arrays:
        for key, coordinate in array.coords.items():
            first = found.setdefault(key, coordinate.variable)
            # Positions were compared above; those converted from another unit differ by a bit.
            if key not in units.POSITION_UNITS and not coordinate.variable.equals(first):
                apart.add(key)
    return {key: variable for key, variable in found.items() if key not in apart}


def _has_unknown(part: Measured) -> bool:
    return any(
        bool(np.isnan(np.asarray(bare(u), dtype=float)).any())
        for u in (part.u_random, *part.effects.values())
    )


def _where_it_matters(slope: Any, part: Measured) -> Measured:
    """An unknown uncertainty does no harm to a result that does not depend on its input."""

    def kept(u: Any) -> Any:
        if not np.isnan(np.asarray(bare(u), dtype=float)).any():
            return u
        return series.apply(lambda s, v: np.where(s == 0.0, 0.0, v), bare(slope), bare(u))

    effects = {source: kept(effect) for source, effect in part.effects.items()}
    return Measured(part.values, kept(part.u_random), effects, part.reason)


def _with_slopes(
    kernel: Callable[..., tuple[Any, ...]], keys: list[str], parts: Any
) -> tuple[Any, ...]:
    base = [np.asarray(part, dtype=float) for part in kernel(**dict(zip(keys, parts, strict=True)))]
    slopes: list[list[Any]] = [[] for _ in base]
    for place, part in enumerate(parts):
        step = _STEP * np.maximum(np.abs(part), 1e-3)
        sides = []
        for sign in (1.0, -1.0):
            moved = [*parts[:place], part + sign * step, *parts[place + 1 :]]
            sides.append(kernel(**dict(zip(keys, moved, strict=True))))
        for number_, (value, up, down) in enumerate(zip(base, *sides, strict=True)):
            slope = (up - down) / (2.0 * step)
            slope = np.where(np.isfinite(slope), slope, (up - value) / step)
            slope = np.where(np.isfinite(slope), slope, (value - down) / step)
            slopes[number_].append(slope)
    return (*base, *(slope for of_one in slopes for slope in of_one))
