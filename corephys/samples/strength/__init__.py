"""Undrained shear strength of samples and split cores: a table of tests by several methods.

Each method has its own function in ``methods``; :func:`undrained_shear_strength` passes every row
of a table to the function of its method. All methods give the strength of the cored sediment, at
the rate and in the direction of the test. The result is a relative profile.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import series, units
from corephys.ground.choices import choice_column
from corephys.ground.provenance import used_constants
from corephys.samples.strength.methods import (
    NAME,
    SAFETY,
    Spring,
    calibrate_spring,
    cone_factor,
    fall_cone,
    penetrometer,
    result,
    unconfined,
    unconfined_peak,
    vane,
    vane_constant,
)
from corephys.samples.strength.ratios import expected_strength_ratio, sensitivity, strength_ratio
from corephys.uncertainty import Measured

__all__ = [
    "SAFETY",
    "Spring",
    "calibrate_spring",
    "cone_factor",
    "expected_strength_ratio",
    "fall_cone",
    "penetrometer",
    "sensitivity",
    "strength_ratio",
    "unconfined",
    "unconfined_peak",
    "undrained_shear_strength",
    "vane",
    "vane_constant",
]

_STATES = ("peak", "residual", "remoulded")
_UNITS = {
    "torque": "N m",
    "rotation": "degree",
    "diameter": "mm",
    "height": "mm",
    "cone_angle": "degree",
    "cone_mass": "g",
    "penetration": "mm",
    "axial_load": "N",
    "shortening": "mm",
}
# Columns that a method needs, and its function.
_METHODS: dict[str, tuple[tuple[str, ...], Callable[..., xr.Dataset]]] = {
    "vane": (("torque", "diameter", "height"), vane),
    "fall_cone": (("penetration", "cone_mass", "cone_angle"), fall_cone),
    "penetrometer": (("axial_load", "diameter"), penetrometer),
    "unconfined": (("axial_load", "shortening", "diameter", "height"), unconfined),
}


def undrained_shear_strength(table: xr.Dataset, **options: Mapping[str, Any]) -> xr.Dataset:
    """Undrained shear strength of every row of a table, by the method of the row.

    Parameters
    ----------
    table : Dataset, (reading)
        Columns ``method`` (vane, fall_cone, penetrometer, unconfined), ``state`` (peak, residual,
        remoulded) and those of the methods: ``torque`` [N m] (or ``rotation`` [degree] where
        ``vane`` is given a spring), ``diameter``, ``height`` [mm]; ``cone_angle`` [degree],
        ``cone_mass`` [g], ``penetration`` [mm]; ``axial_load`` [N], ``shortening`` [mm]. Reasons in
        the column ``reason`` are kept.
    **options : mapping of str to Quantity, str or float
        Arguments of the function of a method, by the name of the method, such as its
        uncertainties: ``vane={"torque_uncertainty": "0.5 mN m"}``.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] in the rows of the table, with uncertainty, effects (zero
        for the sources of other methods) and flags; ``method`` and ``state`` as coordinates;
        attribute ``safety``.

    Raises
    ------
    ValueError
        When a method or state is unknown, or a column of a method is missing.
    TypeError
        When the function of a method does not have an option.

    Notes
    -----
    s_u = T / K, K m g / d^2 or q / 2 by :func:`vane`, :func:`fall_cone`, :func:`penetrometer` and
    :func:`unconfined`, same sources. The methods differ by tens of per cent, since they shear other
    planes at other rates.
    """
    method = _words(table, "method", tuple(_METHODS))
    state = _words(table, "state", _STATES)
    unknown = sorted(set(options) - set(_METHODS))
    if unknown:
        raise ValueError(
            f"options are given for {unknown[0]!r}; the methods are {', '.join(_METHODS)}"
        )
    size = method.size
    merged = Measured(np.full(size, np.nan), np.full(size, np.nan), {}, np.zeros(size, np.int64))
    steps: list[str] = []
    used: dict[str, Any] = {}
    for name, (needs, function) in _METHODS.items():
        rows = np.flatnonzero(method == name)
        if rows.size:
            given = dict(options.get(name, {}))
            arguments = _arguments(table, name, _needed(name, needs, given), rows)
            found = function(**arguments, reason=_reasons(table, rows), **_rows(given, rows, size))
            _insert(merged, series.unpack(found, NAME), rows)
            steps += [f"{name}: {step}" for step in json.loads(found.attrs["steps"])]
            numbers = {key: value for key, value in given.items() if not hasattr(value, "describe")}
            used |= {f"{name}.{key}": value for key, value in numbers.items()}
            used |= {f"{name}.{key}": one for key, one in used_constants(found).items()}
    coordinates = {c: table[c].variable for c in series.POSITION if c in table.coords}
    others = ("depth_fitted", "offset_closed", "depth_closed", "run", "sample_id", series.TABLE_ROW)
    coordinates |= {c: table[c].variable for c in others if c in table.coords}
    merged.values = xr.DataArray(
        merged.values,
        dims="reading",
        coords={
            **coordinates,
            "method": ("reading", method),
            "state": ("reading", state),
        },
    )
    return result(merged, tuple(steps), used)


def _words(table: xr.Dataset, name: str, legal: tuple[str, ...]) -> np.ndarray:
    """Column of words, each one of ``legal``."""
    rows = table.sizes.get("reading", 0)
    if name not in table:
        raise ValueError(
            f"the table of strengths has {rows} rows and no column {name!r}; add it, with one of "
            f"{', '.join(map(repr, legal))} in each row"
        )
    return choice_column(table[name].values, legal, name)


def _needed(name: str, needs: tuple[str, ...], given: Mapping[str, Any]) -> tuple[str, ...]:
    """Columns of a method that no option gives for all rows."""
    if name == "vane" and "spring" in given:
        needs = ("rotation", *needs[1:])
    if name == "fall_cone" and "factor" in given:
        needs = needs[:-1]
    return tuple(column for column in needs if column not in given)


def _arguments(
    table: xr.Dataset, name: str, needs: tuple[str, ...], rows: np.ndarray
) -> dict[str, xr.DataArray]:
    """Columns of a method at its rows, checked for their units."""
    lacking = [column for column in needs if column not in table]
    if lacking:
        raise ValueError(
            f"the table has {rows.size} rows of the method {name!r} and no column {lacking[0]!r} "
            f"[{_UNITS[lacking[0]]}], which they need; add it, or give one value as an option"
        )
    # Without coordinates: the columns of one table need no check that positions agree.
    taken = {}
    for column in needs:
        held = table[column]
        units.as_floats(held, _UNITS[column], column)
        taken[column] = xr.DataArray(held.values[rows], dims="reading", attrs=held.attrs)
    return taken


def _reasons(table: xr.Dataset, rows: np.ndarray) -> int | xr.DataArray:
    """Reasons that the table gives for some of its rows."""
    if "reason" not in table:
        return 0
    return xr.DataArray(table["reason"].values[rows].astype(np.int64), dims="reading")


def _rows(given: Mapping[str, Any], rows: np.ndarray, size: int) -> dict[str, Any]:
    """Options with one value for each row of the table, at the rows of the method."""
    return {key: series.at_rows(value, rows, size) for key, value in given.items()}


def _insert(merged: Measured, part: Measured, rows: np.ndarray) -> None:
    """Put the readings of one method into their rows."""
    merged.values[rows] = np.asarray(part.values)
    merged.u_random[rows] = np.asarray(part.u_random)
    merged.reason[rows] = np.asarray(part.reason)
    for source, effect in part.effects.items():
        merged.effects.setdefault(source, np.zeros(merged.values.size))[rows] = np.asarray(effect)
