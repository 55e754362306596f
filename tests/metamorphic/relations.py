"""What is done to the arguments of a call, and how two results are held against each other."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pint
import xarray as xr

from corephys.ground import companions, units
from corephys.ground.vocabulary import TERMS

# Units in which others write the same quantity, first choice first.
OTHER_UNITS = {
    "1": ("%",), "%": ("1",), "g/cm^3": ("kg/m^3",), "kg/m^3": ("g/cm^3",), "g": ("kg", "mg"),
    "cm^3": ("mm^3", "m^3"), "m": ("cm", "km"), "cm": ("mm", "m"), "mm": ("cm", "m"),
    "km": ("m",), "us": ("ms", "s"), "ms": ("s", "us"), "s": ("ms", "min"), "degC": ("K", "degF"),
    "K": ("mK",), "m/s": ("km/s",), "mV": ("V", "uV"), "ohm m": ("ohm cm",), "S/m": ("mS/cm",),
    "kyr": ("Myr",), "Myr": ("kyr",), "yr": ("kyr",), "m/Myr": ("cm/kyr",), "mW/m^2": ("W/m^2",),
    "uW/m^3": ("W/m^3",), "K/km": ("mK/m",), "W/(m K)": ("mW/(cm K)",), "kPa": ("MPa", "Pa"),
    "MPa": ("kPa",), "GPa": ("MPa",), "N m": ("mN m",), "N": ("kN",), "degree": ("radian",),
    "g/kg": ("%",), "mg/kg": ("%",), "J/(m K)": ("kJ/(m K)",), "MJ/(m^3 K)": ("J/(cm^3 K)",),
    "1/s": ("1/min",), "m^2/s": ("mm^2/s",), "W/m": ("mW/cm",), "Hz": ("kHz",), "dbar": ("kPa",),
    "A": ("mA",), "V": ("mV",), "mm/yr": ("m/kyr",), "MPa s/m": ("kPa s/m",),
    "m^2 K/W": ("cm^2 K/W",), "1/km": ("1/m",), "g/(cm^2 kyr)": ("kg/(m^2 kyr)",),
    "1/kPa": ("1/MPa",), "mol/kg": ("mmol/g",), "W/(m^2 K)": ("mW/(cm^2 K)",), "hour": ("min",),
    "delta_degF": ("K",), "rad": ("degree",), "ohm/m": ("ohm/cm",), "m^2": ("cm^2",),
    "1/m": ("1/cm",), "g/(cm^3 m)": ("kg/(m^3 m)",), "K/m": ("K/km",),
}  # fmt: skip
_COMPANION = re.compile(r"_(u_random|u_systematic|effects)$")
# A few hundred times the rounding of a float.
_ROUNDING = 1e-13
_TEXT = re.compile(r"^([+-]?\d[^ ]*) (\S.*)$")

Pick = Callable[[tuple[str, ...]], str]


def walk(value: Any, change: Callable[[Any], Any]) -> Any:
    """Apply a change to every part of an argument that may hold numbers with units."""
    if isinstance(value, (xr.Dataset, xr.DataArray, pint.Quantity, pd.DataFrame, np.ndarray, str)):
        return change(value)
    if isinstance(value, Mapping):
        return {key: walk(part, change) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(walk(part, change) for part in value)
    return value


# Units -------------------------------------------------------------------------------------------


def in_other_units(value: Any, pick: Pick, mode: str = "converted") -> Any:
    """A part of an argument in another unit.

    ``mode`` says what happens to the companions of a Dataset: ``"converted"`` with their value,
    ``"kept"`` in their old unit, which they bear, or ``"bare"``, converted and without a unit.
    """
    if isinstance(value, xr.DataArray):
        return _array(value, pick)
    if isinstance(value, xr.Dataset):
        return _dataset(value, pick, mode)
    if isinstance(value, pint.Quantity):
        given = units.spelling(value)
        other = _other(given, pick)
        return (
            value
            if other is None
            else units.quantity(units.convert(value.magnitude, given, other), other)
        )
    if isinstance(value, str) and (found := _TEXT.match(value)):
        try:
            given = units.canonical(found[2])
            number = float(found[1])
        except ValueError:
            return value
        other = _other(given, pick)
        return value if other is None else f"{units.convert(number, given, other)!r} {other}"
    return value


def _other(given: str, pick: Pick) -> str | None:
    choices = OTHER_UNITS.get(given)
    return pick(choices) if choices else None


def _array(value: xr.DataArray, pick: Pick) -> xr.DataArray:
    out = value.copy()
    given = value.attrs.get("units")
    if given and (other := _other(str(given), pick)):
        out = out.copy(data=units.convert(np.asarray(value.values, float), str(given), other))
        out.attrs["units"] = other
    return out.assign_coords(_positions(value, pick))


def _positions(value: Any, pick: Pick) -> dict[str, Any]:
    moved = {}
    for name, coordinate in value.coords.items():
        given = str(coordinate.attrs.get("units", ""))
        if given and (other := _other(given, pick)):
            numbers = units.convert(np.asarray(coordinate.values, float), given, other)
            moved[name] = (coordinate.dims, numbers, {**coordinate.attrs, "units": other})
    return moved


def _dataset(value: xr.Dataset, pick: Pick, mode: str) -> xr.Dataset:
    out = value.copy()
    for name in map(str, value.data_vars):
        variable = value[name]
        given = str(variable.attrs.get("units", ""))
        if not given or variable.dtype.kind not in "f" or _parent(value, name):
            continue
        other = _other(given, pick)
        if other is None:
            continue
        numbers = units.convert(np.asarray(variable.values, float), given, other)
        out[name] = (variable.dims, numbers, {**variable.attrs, "units": other})
        if mode == "kept":
            continue
        for end in companions.UNCERTAINTIES:
            if f"{name}{end}" not in value:
                continue
            part = value[f"{name}{end}"]
            delta, wanted = units.difference_unit(given), units.difference_unit(other)
            attrs = {**part.attrs, "units": wanted}
            if mode == "bare":
                del attrs["units"]
            out[f"{name}{end}"] = (part.dims, units.convert(part.values, delta, wanted), attrs)
    return out.assign_coords(_positions(value, pick))


def _parent(value: xr.Dataset, name: str) -> str:
    for end in companions.UNCERTAINTIES:
        if name.endswith(end) and name.removesuffix(end) in value:
            return name.removesuffix(end)
    return ""


def positions_in_other_units(value: Any, pick: Pick) -> Any:
    """The coordinates that place readings in other units; values stay."""
    if isinstance(value, (xr.Dataset, xr.DataArray)):
        return value.assign_coords(_positions(value, pick))
    return value


# Rows --------------------------------------------------------------------------------------------


def rows(value: Any, index: np.ndarray, size: int, dims: tuple[str, ...]) -> Any:
    """Some rows of a part of an argument, in a given order."""
    if isinstance(value, (xr.Dataset, xr.DataArray)):
        here = {dim: index for dim in dims if value.sizes.get(dim) == size}
        return value.isel(here) if here else value
    if isinstance(value, pint.Quantity) and np.shape(value.magnitude)[:1] == (size,):
        return value[index]
    if isinstance(value, np.ndarray) and value.shape[:1] == (size,):
        return value[index]
    if isinstance(value, pd.DataFrame) and len(value) == size:
        return value.iloc[index].reset_index(drop=True)
    return value


# Containers --------------------------------------------------------------------------------------


def as_array(value: Any) -> Any:
    """A Dataset of one quantity as the DataArray of its values, without uncertainties."""
    if isinstance(value, xr.Dataset):
        names = [n for n in map(str, value.data_vars) if n in TERMS]
        return value[names[0]] if len(names) == 1 else value
    return value


def as_quantity(value: Any) -> Any:
    """A DataArray as a Quantity: numbers and unit, without positions."""
    if isinstance(value, xr.DataArray) and value.dtype.kind == "f" and "units" in value.attrs:
        return units.quantity(value.values, value.attrs["units"])
    return value


def lazy(value: Any) -> Any:
    """The same numbers as dask arrays."""
    if isinstance(value, (xr.Dataset, xr.DataArray)) and "reading" in value.dims:
        return value.chunk({"reading": 2})
    return value


# Results -----------------------------------------------------------------------------------------


@dataclasses.dataclass
class Leaf:
    """One array of a result."""

    values: np.ndarray
    dims: tuple[str, ...]
    unit: str


def leaves(result: Any, path: str = "") -> dict[str, Leaf]:
    """Every array of numbers or words in a result, by a path."""
    if isinstance(result, xr.DataTree):
        nodes = {node.path: node.to_dataset(inherit=False) for node in result.subtree}
        return _joined(nodes, path)
    if isinstance(result, xr.Dataset):
        return {f"{path}/{name}": _leaf(variable) for name, variable in result.variables.items()}
    if isinstance(result, xr.DataArray):
        parts = {path: _leaf(result.variable)}
        for name, coordinate in result.coords.items():
            parts[f"{path}/{name}"] = _leaf(coordinate.variable)
        return parts
    if isinstance(result, pint.Quantity):
        # Not in base units: a DataArray of the same law must have the same unit.
        values = np.asarray(result.magnitude)
        return {path: Leaf(values, ("",) * values.ndim, units.spelling(result))}
    if isinstance(result, pd.DataFrame):
        columns = {name: column.to_numpy() for name, column in result.items()}
        return {f"{path}/{name}": Leaf(c, ("row",), "") for name, c in columns.items()}
    if isinstance(result, Mapping):
        return _joined(result, path)
    if isinstance(result, (list, tuple)):
        return _joined(dict(enumerate(result)), path)
    if dataclasses.is_dataclass(result) and not isinstance(result, type):
        held = {f.name: getattr(result, f.name) for f in dataclasses.fields(result)}
        return _joined(held, path)
    if isinstance(result, (np.ndarray, np.generic, int, float, bool, str)):
        array = np.asarray(result)
        return {path: Leaf(array, ("",) * array.ndim, "")}
    return {}


def _joined(parts: Mapping[Any, Any], path: str) -> dict[str, Leaf]:
    found: dict[str, Leaf] = {}
    for key, part in parts.items():
        found.update(leaves(part, f"{path}/{key}"))
    return found


def _leaf(variable: xr.Variable) -> Leaf:
    return Leaf(np.asarray(variable.values), variable.dims, str(variable.attrs.get("units", "")))


def compare(
    one: dict[str, Leaf],
    other: dict[str, Leaf],
    rtol: float,
    only: Callable[[str], bool] | None = None,
) -> None:  # fmt: skip
    """Assert that two results are the same: physics, uncertainty, flags and units."""
    names = [name for name in one if only is None or only(name)]
    assert names, "nothing is left to compare"
    missing = set(names) ^ {name for name in other if only is None or only(name)}
    assert not missing, f"only one of the two results has {sorted(missing)}"
    for name in names:
        a, b = one[name], other[name]
        assert a.unit == b.unit, f"{name}: {a.unit!r} and {b.unit!r}"
        assert a.values.shape == b.values.shape, f"{name}: {a.values.shape} and {b.values.shape}"
        if a.values.dtype.kind in "fc":
            finite = np.abs(a.values[np.isfinite(a.values)])
            scale = float(np.max(finite, initial=1e-300))
            atol = max(rtol * scale, _ROUNDING * _largest(one, name))
            np.testing.assert_allclose(
                b.values, a.values, rtol=rtol, atol=atol, equal_nan=True, err_msg=name
            )
        elif a.values.dtype.kind in "iubM":
            np.testing.assert_array_equal(b.values, a.values, err_msg=name)
        else:
            assert _words(a.values) == _words(b.values), name


def _largest(found: dict[str, Leaf], name: str) -> float:
    """The largest number of the quantity that a companion belongs to, zero for another leaf.

    An effect that cancels exactly in one unit leaves the rounding of that number in another.
    """
    parent = found.get(_COMPANION.sub("", name))
    if parent is None or parent.values.dtype.kind != "f":
        return 0.0
    return float(np.max(np.abs(parent.values[np.isfinite(parent.values)]), initial=0.0))


def _words(values: np.ndarray) -> list[str]:
    return [str(v) for v in values.ravel()]
