"""Units: quantities become plain floats at the door, and every unit has one spelling.

A dimensional argument is a pint ``Quantity``, a :class:`xarray.DataArray` with a ``units``
attribute, a string of one number, a space and a unit, or a
:class:`~corephys.ground.constants.Constant`.
Factors come from pint and are cached, so that a call costs microseconds. The process-wide pint
registry is read and never changed.
"""

from __future__ import annotations

import difflib
import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from corephys.ground import constants

if TYPE_CHECKING:
    import pint

__all__ = [
    "EXAMPLES",
    "POSITION_UNITS",
    "PRACTICAL_SALINITY",
    "UnitError",
    "as_floats",
    "canonical",
    "convert",
    "difference_unit",
    "position_in_library_units",
    "quantity",
    "read_scalar",
    "spelling",
    "split_header",
]


class UnitError(ValueError):
    """A unit is missing, unknown, or of the wrong dimension."""


# Foreign spellings seen in exports, each mapped once to the spelling that pint and UDUNITS share.
ALIASES = {
    "": "1",
    "-": "1",
    "none": "1",
    "unitless": "1",
    "dimensionless": "1",
    "fraction": "1",
    "SI": "1",
    "percent": "%",
    "pct": "%",
    "g/cc": "g/cm^3",
    "g/cm3": "g/cm^3",
    "g/cm³": "g/cm^3",
    "g cm-3": "g/cm^3",
    "g cm^-3": "g/cm^3",
    "gcm-3": "g/cm^3",
    "kg/m3": "kg/m^3",
    "kg/m³": "kg/m^3",
    "kgm-3": "kg/m^3",
    "lb/ft3": "lb/ft^3",
    "lb/ft³": "lb/ft^3",
    "kg m-3": "kg/m^3",
    "kg m^-3": "kg/m^3",
    "cm3": "cm^3",
    "cm³": "cm^3",
    "cc": "cm^3",
    "m3": "m^3",
    "m³": "m^3",
    "m s-1": "m/s",
    "m s^-1": "m/s",
    "km s-1": "km/s",
    "W/m/K": "W/(m K)",
    "W/mK": "W/(m K)",
    "W/m.K": "W/(m K)",
    "W/(m*K)": "W/(m K)",
    "W/(m·K)": "W/(m K)",
    "W m-1 K-1": "W/(m K)",
    "W m^-1 K^-1": "W/(m K)",
    "mW/m2": "mW/m^2",
    "mW/m²": "mW/m^2",
    "mW m-2": "mW/m^2",
    "C": "degC",
    "°C": "degC",
    "ºC": "degC",
    "deg C": "degC",
    "celsius": "degC",
    "Celsius": "degC",
    "µs": "us",
    "μs": "us",
    "usec": "us",
    "µs/ft": "us/ft",
    "μs/ft": "us/ft",
    "sec": "s",
    "µm": "um",
    "μm": "um",
    "cps": "1/s",
    "counts/s": "count/s",
    "counts": "count",
    "Ohm.m": "ohm m",
    "Ohm m": "ohm m",
    "ohm.m": "ohm m",
    "ohm-m": "ohm m",
    "Ωm": "ohm m",
    "Ω m": "ohm m",
    "PSU": "psu",
    "PSS-78": "psu",
    "‰": "g/kg",
    "wt%": "%",
    "wt.%": "%",
    "vol%": "%",
    "a": "yr",
    "year": "yr",
    "years": "yr",
}

# Practical salinity (PSS-78) is a ratio of conductivities without a unit. This name marks it, so
# that it is never read as a mass of salt; only salinity in g/kg can be made of it.
PRACTICAL_SALINITY = "psu"
_ABSOLUTE = constants.CONSTANTS["reference_salinity"].value / 35.0  # g/kg

# The part of the two grammars that pint and UDUNITS read alike.
# A difference on a scale with an offset is a unit of its own.
_FACTOR = r"(?:(?:delta_deg[CF]|[A-Za-z%]+)(?:\^-?\d+)?)"
_PRODUCT = rf"{_FACTOR}(?: {_FACTOR})*"
_SPELLING = re.compile(rf"^(?:1|{_PRODUCT})(?:/(?:{_FACTOR}|\({_PRODUCT}\)))?$")
# Companions of a temperature in degF are in this unit; the underscore is in no other.
_DEGF_DIFFERENCE = "delta_degF"
_NUMBER = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")
_KNOWN = (
    "1",
    "%",
    "m",
    "cm",
    "mm",
    "um",
    "km",
    "s",
    "us",
    "ms",
    "g",
    "kg",
    "cm^3",
    "g/cm^3",
    "kg/m^3",
    "m/s",
    "km/s",
    "degC",
    "K",
    "W/m",
    "W/(m K)",
    "mW/m^2",
    "K/m",
    "m^2 K/W",
    "count",
    "count/s",
    "1/s",
    "g/kg",
    "psu",
    "ohm m",
    "S/m",
    "mV",
    "kPa",
    "MPa",
    "yr",
    "kyr",
    "Myr",
)


# Units of the coordinates that place a reading. A DataArray brings them along with its values, and
# results stamp these units on them.
POSITION_UNITS = {
    "depth": "m",
    "depth_fitted": "m",
    "depth_closed": "m",
    "depth_composite": "m",
    "offset": "cm",
    "offset_closed": "cm",
}


def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.get_application_registry()


def quantity(value: Any, unit: str) -> pint.Quantity:
    """Make a quantity of ``value`` in ``unit``.

    Parameters
    ----------
    value : float or array
        Numbers of any shape.
    unit : str
        Unit in the library's spelling or a known foreign one. Practical salinity (``psu``) becomes
        absolute salinity in g/kg.

    Returns
    -------
    pint.Quantity
        In the application registry of the process.

    Raises
    ------
    UnitError
        When the unit is not known.

    Examples
    --------
    >>> import corephys as cp
    >>> cp.quantity(1500.0, "m/s").to("km/s").magnitude
    1.5
    """
    unit = canonical(unit)
    if unit == PRACTICAL_SALINITY:
        value, unit = np.asarray(value, dtype=float)[()] * _ABSOLUTE, "g/kg"
    return _registry().Quantity(value, unit)


@lru_cache(maxsize=4096)
def canonical(unit: str) -> str:
    """Give the one spelling of a unit.

    Parameters
    ----------
    unit : str
        Unit as written in a header or attribute.

    Returns
    -------
    str
        ``/`` for a quotient, a space for a product, ``^`` with an integer, one bracket after
        ``/``: what pint and UDUNITS both read.

    Raises
    ------
    UnitError
        When the spelling is neither that of the library nor a known foreign one, or the unit does
        not exist.

    Examples
    --------
    >>> canonical("kg/m3")
    'kg/m^3'
    """
    text = " ".join(str(unit).split())
    text = ALIASES.get(text, text)
    if text in ("1", PRACTICAL_SALINITY, _DEGF_DIFFERENCE):
        return text
    if not _SPELLING.match(text):
        raise UnitError(
            f"unit {unit!r} is not in the spelling used here ('/', a space for product, '^' with "
            f"an integer, one bracket after '/'). {_nearest(text)}"
        )
    try:
        _registry().parse_units(text)
    except (_pint_error(), ValueError, TypeError, AttributeError, KeyError) as error:
        raise UnitError(f"unit {unit!r} is not known. {_nearest(text)}") from error
    return text


def _pint_error() -> type[Exception]:
    import pint

    return pint.errors.PintError


# End of a message where no unit is near; a caller that names the unit to write leaves it out.
EXAMPLES = "Write it like 'g/cm^3' or 'W/(m K)'"


def _nearest(text: str) -> str:
    """The nearest common unit as a question, or examples, for the end of a message."""
    close = difflib.get_close_matches(text, _KNOWN, n=1, cutoff=0.6)
    return f"Did you mean {close[0]!r}?" if close else EXAMPLES


@lru_cache(maxsize=4096)
def _converter(given: str, wanted: str) -> tuple[float, float]:
    """Factor and offset from one canonical unit to another, as pint has them."""
    if given == wanted:
        return 1.0, 0.0
    if PRACTICAL_SALINITY in (given, wanted):
        if (given, wanted) == (PRACTICAL_SALINITY, "g/kg"):
            return _ABSOLUTE, 0.0
        raise UnitError(
            f"{given!r} cannot be converted to {wanted!r}: psu is practical salinity, which can "
            "only become absolute salinity; give a value in g/kg"
        )
    registry = _registry()
    source = registry.parse_units(given if given != "1" else "")
    target = registry.parse_units(wanted if wanted != "1" else "")
    if source.dimensionality != target.dimensionality:
        raise UnitError(
            f"{given!r} cannot be converted to {wanted!r}: different dimensions; give a value in "
            f"{wanted}"
        )
    if given.startswith("delta_") and wanted in ("degC", "degF"):
        raise UnitError(
            f"{given!r} is a difference of temperatures and not a temperature; give one in {wanted}"
        )
    offset = float(registry.convert(0.0, source, target))
    if offset == 0.0:
        return _without_rounding(registry.convert(1.0, source, target)), 0.0
    # An affine scale: the factor of its differences is exact, a finite difference is not.
    delta = {"degC": "delta_degC", "degF": "delta_degF"}
    step = registry.convert(1.0, delta.get(given, given), delta.get(wanted, wanted))
    return _without_rounding(step), offset


def _without_rounding(factor: float) -> float:
    """The factor to 15 digits: pint multiplies powers of ten and may miss 1000 by a bit."""
    return float(f"{factor:.15g}")


def convert(values: Any, given: str, wanted: str) -> Any:
    """Convert plain numbers from one unit to another.

    Parameters
    ----------
    values : float, ndarray, dask array or DataArray
        Plain numbers in ``given``; any shape.
    given, wanted : str
        Units.

    Returns
    -------
    same type as ``values``
        Numbers in ``wanted``; the object itself if the units are the same.

    Raises
    ------
    UnitError
        When a unit is unknown or the dimensions differ.

    Notes
    -----
    Affine map with the factor and offset of pint's own unit definitions.

    Examples
    --------
    >>> convert(2.7, "g/cm^3", "kg/m^3")
    2700.0
    """
    factor, offset = _converter(canonical(given), canonical(wanted))
    if factor == 1.0 and offset == 0.0:
        return values
    return values * factor if offset == 0.0 else values * factor + offset


def difference_unit(unit: str) -> str:
    """Unit of the uncertainty of a quantity: its own, except for temperature scales.

    Parameters
    ----------
    unit : str
        Unit of the quantity, in the library's spelling.

    Returns
    -------
    str
        K for degC, delta_degF for degF, otherwise ``unit``.
    """
    return {"degC": "K", "degF": _DEGF_DIFFERENCE}.get(unit, unit)


def position_in_library_units(data: Any) -> Any:
    """Convert the coordinates that place readings to the units of :data:`POSITION_UNITS`.

    Parameters
    ----------
    data : DataArray or Dataset
        A coordinate without the attribute ``units`` is taken to be in the library's unit.

    Returns
    -------
    same type as ``data``
        The object itself when nothing has to be converted.

    Raises
    ------
    UnitError
        When a position has a unit of another dimension.
    """
    changed = {}
    for name, coordinate in data.coords.items():
        wanted = POSITION_UNITS.get(name)
        given = coordinate.attrs.get("units", wanted) if wanted else None
        if wanted is None or given == wanted:
            continue
        try:
            numbers = convert(np.asarray(coordinate.values, dtype=float), str(given), wanted)
        except UnitError as error:
            raise UnitError(f"{name}: expected {wanted}, got {given!r}: {error}") from None
        changed[name] = (coordinate.dims, numbers, {**coordinate.attrs, "units": wanted})
    return data.assign_coords(changed) if changed else data


def read_scalar(text: str) -> tuple[float, str]:
    """Split ``"2.70 g/cm^3"`` into number and unit.

    Parameters
    ----------
    text : str
        One number, a space and a unit. No expressions.

    Returns
    -------
    tuple of float and str
        Number and canonical unit.

    Raises
    ------
    UnitError
        When the text is not one number, a space and a unit.
    """
    number, _, unit = text.strip().partition(" ")
    if not _NUMBER.match(number) or not unit.strip():
        raise UnitError(
            f"{text!r} is not one number, a space and a unit, such as '2.70 g/cm^3'; "
            "expressions are not evaluated"
        )
    return float(number), canonical(unit.strip())


def split_header(header: str) -> tuple[str, str]:
    """Split a column header ``name [unit]`` into its name and unit.

    Parameters
    ----------
    header : str
        Column header; no bracket for text and pure numbers.

    Returns
    -------
    tuple of str and str
        Name and canonical unit, an empty string where there is no bracket.

    Raises
    ------
    UnitError
        When the unit in the bracket is not known.
    """
    text = header.strip()
    if text.endswith("]") and "[" in text:
        name, _, unit = text[:-1].rpartition("[")
        return name.strip(), canonical(unit.strip())
    return text, ""


def as_floats(
    value: Any, unit: str, name: str, *, difference: bool = False, optional: bool = False
) -> Any:
    """Convert a dimensional argument to plain floats in ``unit``.

    Parameters
    ----------
    value : Quantity, DataArray, str, Constant, or None when optional
        The argument as the caller gave it. Bare numbers pass only where ``unit`` is ``"1"``.
    unit : str
        Unit of the result.
    name : str
        Name of the argument, for the message.
    difference : bool
        The argument is a difference (an uncertainty): a temperature scale with an offset is
        refused.
    optional : bool
        Allow None, which is returned.

    Returns
    -------
    float, ndarray or DataArray
        Floats in ``unit``. A DataArray keeps its dims and coordinates, loses its attributes, and
        has its positions in the units of :data:`POSITION_UNITS`.

    Raises
    ------
    UnitError
        For a bare number, a missing or unknown unit, or another dimension.
    """
    if value is None and optional:
        return None
    magnitude, given = _magnitude_and_unit(value, unit, name)
    if difference and given in ("degC", "degF"):
        raise UnitError(f"{name}: a difference of temperatures is given in K, not {given}")
    try:
        factor, offset = _converter(canonical(given), canonical(unit))
    except UnitError as error:
        raise UnitError(f"{name}: expected {unit}, got {given!r}: {error}") from None
    if factor == 1.0 and offset == 0.0:
        return magnitude
    if hasattr(type(magnitude), "dims"):
        # This is a copy, changed in place: arithmetic on a DataArray takes ten times as long.
        data = magnitude.variable.data
        magnitude.variable.data = data * factor + offset if offset else data * factor
        return magnitude
    return magnitude * factor + offset if offset else magnitude * factor


def _magnitude_and_unit(value: Any, unit: str, name: str) -> tuple[Any, str]:
    """Numbers and unit of any dimensional argument; a DataArray is copied."""
    if isinstance(value, str):
        try:
            return read_scalar(value)
        except UnitError as error:
            raise UnitError(f"{name}: {error}. Expected a quantity in {unit}") from None
    # hasattr on the class: on the value, a DataArray would search its coordinates for the name, and
    # a Quantity would format all its numbers for the error.
    kind_of = type(value)
    if hasattr(kind_of, "dims") and hasattr(kind_of, "attrs"):
        given = value.attrs.get("units")
        if given is None:
            raise UnitError(
                f"{name}: the DataArray has no 'units' attribute; expected {unit}. "
                f"Set it: array.attrs['units'] = {unit!r}"
            )
        kind = value.dtype.kind
        if kind not in "fiub":
            raise UnitError(f"{name}: expected numbers in {unit}, got values of type {value.dtype}")
        bare = position_in_library_units(value.drop_attrs(deep=False))
        if bare.name in bare.dims:
            # A coordinate with an index: its numbers cannot be replaced in place.
            bare = kind_of(bare.variable.to_base_variable(), coords=bare.coords, name=bare.name)
        if kind != "f":
            bare.variable.data = bare.variable.data.astype(float)
        return bare, str(given)
    if hasattr(kind_of, "magnitude") and hasattr(kind_of, "units"):
        return value.magnitude, _spell(tuple(value.unit_items()))
    if hasattr(value, "citation") and hasattr(value, "unit"):
        return value.value, value.unit
    if unit == "1" and isinstance(value, (int, float, np.ndarray, np.number)):
        return (value if isinstance(value, np.ndarray) else float(value)), "1"
    if unit == "1" and hasattr(kind_of, "iloc") and getattr(value, "ndim", 0) == 1:
        return np.asarray(value, dtype=float), "1"  # a column of a pandas table
    table = "; corephys.series_from_table reads columns" if hasattr(kind_of, "iloc") else ""
    shown = np.array2string(np.asarray(value), threshold=4) if np.size(value) > 1 else repr(value)
    raise UnitError(
        f"{name}: expected a quantity in {unit}, got the bare value {shown}. Give '2.5 {unit}', "
        f"corephys.quantity(values, {unit!r}), or a DataArray with a 'units' attribute{table}"
    )


def spelling(quantity: pint.Quantity) -> str:
    """Unit of a pint quantity in the one spelling of this package.

    Parameters
    ----------
    quantity : Quantity
        Quantity of any shape.

    Returns
    -------
    str
        Unit such as ``"g/cm^3"``.

    Raises
    ------
    UnitError
        When a power is not a whole number.
    """
    return _spell(tuple(quantity.unit_items()))


@lru_cache(maxsize=1024)
def _spell(items: tuple[tuple[str, float], ...]) -> str:
    """The one spelling of a unit that pint holds as names and powers."""
    registry = _registry()
    above, below = [], []
    for name, power in items:
        symbol = (
            registry.get_symbol(name).replace("Δ", "delta_").replace("°", "deg").replace("µ", "u")
        )
        symbol = symbol.replace("Ω", "ohm")
        if not float(power).is_integer():
            raise UnitError(
                f"the power {power} of {name} is not a whole number; use units with whole powers"
            )
        size = abs(int(power))
        (above if power > 0 else below).append(symbol if size == 1 else f"{symbol}^{size}")
    head = " ".join(above) or "1"
    if not below:
        return canonical(head)
    return canonical(f"{head}/{below[0]}" if len(below) == 1 else f"{head}/({' '.join(below)})")
