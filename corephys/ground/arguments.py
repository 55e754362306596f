"""Checks of arguments: positive numbers, fractions, and windows in time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.uncertainty import Measured, without_coords

__all__ = ["ends", "fraction", "measured_fraction", "positive", "samples", "windows_by_name"]

# --------------------------------------------------------------------------------------------------
# Positive arguments and fractions. A wrong unit or sign would spoil a complete series silently.

_IMPOSSIBLE = flags.bit("impossible_value")


def positive(
    value: Any, unit: str, name: str, *, zero: bool = False, difference: bool = False
) -> Any:
    """Convert a dimensional argument to floats; refuse it if none of its values is positive.

    Parameters
    ----------
    value : Quantity, DataArray, str or Constant
        The argument as the caller gave it.
    unit : str
        Unit of the result.
    name : str
        Name of the argument, for the message.
    zero : bool
        Allow zero.
    difference : bool
        The argument is a difference; see :func:`corephys.ground.units.as_floats`.

    Returns
    -------
    float, ndarray or DataArray
        Floats in ``unit``. A series with some bad values passes: these readings are flagged where
        they are used. Lazy dask arrays are not checked.

    Raises
    ------
    ValueError
        When no value of the argument is positive.
    """
    found = units.as_floats(value, unit, name, difference=difference)
    if _lazy(found):
        return found
    numbers = np.asarray(found, dtype=float)
    fine = np.isfinite(numbers) & ((numbers >= 0.0) if zero else (numbers > 0.0))
    if numbers.size and not fine.any():
        least = "zero or more" if zero else "above zero"
        given = f"{numbers.flat[0]:g}" + ("" if unit == "1" else f" {unit}")
        raise ValueError(f"{name} is {given}{_among(numbers.size)}; it has to be {least}")
    return found


def fraction(value: Any, name: str) -> Any:
    """Convert a porosity, saturation or other fraction to floats, and check its range.

    Parameters
    ----------
    value : float, Quantity, DataArray, str or Constant
        Fraction from 0 to 1; per cent with their unit, ``"55 %"``.
    name : str
        Name of the argument, for the message.

    Returns
    -------
    float, ndarray or DataArray
        Plain fractions; NaN for a value of a series outside 0 to 1.

    Raises
    ------
    ValueError
        When no value is a fraction: a single one outside 0 to 1, or all NaN.
    """
    found = units.as_floats(value, "1", name)
    if _lazy(found):
        return found.where((found >= 0.0) & (found <= 1.0))
    numbers = np.asarray(found, dtype=float)
    outside = _outside(numbers, name)
    if numbers.ndim and numbers.size and np.isnan(numbers).all():
        raise ValueError(f"{name} holds no number; {_EXPECTED}")
    if not (outside.any() and numbers.ndim):
        return found
    plain = np.where(outside, np.nan, numbers)
    return found.copy(data=plain) if isinstance(found, xr.DataArray) else plain


def measured_fraction(found: Measured, name: str) -> Measured:
    """Check measured fractions: refuse a single wrong value, flag one of a series.

    Parameters
    ----------
    found : Measured
        Fractions with their uncertainty, effects and reasons.
    name : str
        Name of the argument, for the message.

    Returns
    -------
    Measured
        The same; a reading of a series outside 0 to 1 is NaN with ``impossible_value``.

    Raises
    ------
    ValueError
        When a single value is not a number or outside 0 to 1, or all numbers of a series are
        outside.
    """
    if _lazy(found.values):
        return found
    plain = np.asarray(found.values, dtype=float)
    outside = _outside(plain, name)
    if not outside.any():
        return found
    values = np.where(outside, np.nan, plain)
    if isinstance(found.values, xr.DataArray):
        values = found.values.copy(data=values)
    marked = np.where(outside, _IMPOSSIBLE, 0).astype(np.int64)
    mark = xr.Variable(found.values.dims, marked) if hasattr(found.values, "dims") else marked
    return Measured(
        values,
        found.u_random,
        found.effects,
        series.joined_reasons(without_coords(found.reason), mark),
    )


_EXPECTED = "it is a fraction from 0 to 1: divide per cent by 100, or give their unit, '55 %'"


def _lazy(value: object) -> bool:
    """Whether dask has not computed the value yet; such values are not checked."""
    return hasattr(getattr(value, "data", value), "dask")


def _among(count: int) -> str:
    """Words after the first value of several, all of which are refused."""
    return "" if count == 1 else f" (the first of {count} values, none of which is in range)"


def _outside(numbers: np.ndarray, name: str) -> np.ndarray:
    """Numbers outside 0 to 1; the argument is refused if all of them are."""
    known = ~np.isnan(numbers)
    if numbers.ndim == 0 and not known:
        raise ValueError(f"{name} is not a number; {_EXPECTED}")
    outside = known & ~((numbers >= 0.0) & (numbers <= 1.0))
    if outside.any() and outside.sum() == known.sum():
        first = numbers[outside].flat[0]
        raise ValueError(f"{name} is {first:g}{_among(int(known.sum()))}; {_EXPECTED}")
    return outside


# --------------------------------------------------------------------------------------------------
# Windows in time that the user gives: ``"25 s to 90 s"`` by the name of a run or a station.


def ends(text: str, what: str) -> tuple[float, float]:
    """Start and end of a window.

    Parameters
    ----------
    text : str
        Window such as ``"25 s to 90 s"`` or ``"1 min to 12 min"``.
    what : str
        Name of the run or station, for the message.

    Returns
    -------
    tuple of float and float
        Start and end [s].

    Raises
    ------
    ValueError
        When the text is not two times, or the end is not after the start.
    """
    parts = str(text).split(" to ")
    if not isinstance(text, str) or len(parts) != 2:
        raise ValueError(f'the window of {what} is {text!r}; write it as "25 s to 90 s"')
    start, end = (float(units.as_floats(part.strip(), "s", f"window of {what}")) for part in parts)
    if not end > start or start < 0.0:
        raise ValueError(
            f"the window of {what} is {text!r}; it must start at zero or later and end after "
            "its start"
        )
    return start, end


def windows_by_name(
    windows: Mapping[str, str] | None, names: Iterable[str], kind: str
) -> dict[str, tuple[float, float]]:
    """Windows by the names of runs or stations, each of which must exist.

    Parameters
    ----------
    windows : mapping of str to str, or None
        Window of each name.
    names : iterable of str
        Names that exist.
    kind : str
        Word for the named things, such as ``"run"``.

    Returns
    -------
    dict of str to (float, float)
        Start and end of each window [s].

    Raises
    ------
    ValueError
        For a name that does not exist, or a wrong window, see :func:`ends`.
    """
    known = list(dict.fromkeys(map(str, names)))
    unknown = [str(name) for name in windows or {} if str(name) not in known]
    if unknown:
        listed = ", ".join(known[:12]) + (f" and {len(known) - 12} more" if len(known) > 12 else "")
        raise ValueError(
            f"a window is given for the {kind} {unknown[0]!r}, which does not exist; the {kind}s "
            f"are {listed}"
        )
    return {str(name): ends(text, f"{kind} {name}") for name, text in (windows or {}).items()}


def samples(
    time: np.ndarray, window: tuple[float, float], what: str, fewest: int
) -> tuple[int, int]:
    """First and last sample of a record in a window.

    Parameters
    ----------
    time : ndarray, (samples,)
        Times in order [s]; NaN beyond the end of the record.
    window : tuple of float and float
        Start and end [s], both included.
    what : str
        Name of the run or station, for the message.
    fewest : int
        Minimum number of samples in the window.

    Returns
    -------
    tuple of int and int
        Positions in ``time``.

    Raises
    ------
    ValueError
        When the window has fewer samples.
    """
    inside = np.flatnonzero((time >= window[0]) & (time <= window[1]))
    if inside.size < fewest:
        known = time[np.isfinite(time)]
        held = f"{known[0]:.4g} s to {known[-1]:.4g} s" if known.size else "nothing"
        raise ValueError(
            f"the window {window[0]:g} s to {window[1]:g} s of {what} holds {inside.size} of the "
            f"samples that can be used, which reach from {held}; at least {fewest} are needed"
        )
    return int(inside[0]), int(inside[-1])
