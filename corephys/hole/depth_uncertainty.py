"""How well a depth is known: what each reading, each core and the whole hole has for itself.

Three kinds of error are kept apart by what shares them. Random: each reading for itself (offset).
Core effects: one error a core, independent from core to core (tide, heave, where in the advance
the material lay). Effects: one error for the hole (drill string, material taken to lie at the top).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys import series, units
from corephys.bounds import positive
from corephys.hole.layout import Layout
from corephys.series import PositionError
from corephys.uncertainty import Measured

__all__ = ["carry", "covariance", "depth_errors"]

TIDES = ("half range", "standard uncertainty")
PLACEMENTS = ("top", "middle")
SCALES = ("depth", "depth_closed", "depth_fitted")
_MOST = 20_000_000  # numbers of a matrix that is still made


def depth_errors(
    placed: xr.Dataset, code: Any, layout: Layout | None, *, depth: str, tide: Any, tide_is: str,
    heave: Any, drill_string: Any, drill_string_relative: Any, offset: Any,
    recovery_placement: str, stated: Any,
) -> xr.Dataset:  # fmt: skip
    """Errors of the depths of a placed series; see ``corephys.depth.uncertainty``.

    Parameters
    ----------
    placed : Dataset
        Series along one dimension.
    code : (n,) ndarray of int, or None
        Row of the section of each reading; None for a series that has no core.
    layout : Layout or None
        Sections of the hole.
    depth : str
        Scale that the errors are about [m].
    tide, tide_is, heave, drill_string, drill_string_relative, offset, recovery_placement
        As for ``corephys.depth.uncertainty``.
    stated : (n,) ndarray or None
        Standard uncertainty of the core's top as the table of cores has it [m].

    Returns
    -------
    Dataset
        As from ``corephys.depth.uncertainty``.

    Raises
    ------
    ValueError
        For an unknown word.
    """
    for name, word, legal in (
        ("depth", depth, SCALES), ("tide_is", tide_is, TIDES),
        ("recovery_placement", recovery_placement, PLACEMENTS),
    ):  # fmt: skip
        if word not in legal:
            raise ValueError(f"{name} is {word!r}; it is one of {', '.join(map(repr, legal))}")
    along = placed[depth]
    if along.ndim != 1:
        raise PositionError(f"{depth} lies along {along.dims}; give it along one dimension")
    z = np.asarray(units.as_floats(along, "m", depth), dtype=float)
    given = {
        "tide": (tide, "m"), "heave": (heave, "m"), "drill_string": (drill_string, "m"),
        "drill_string_relative": (drill_string_relative, "1"), "offset": (offset, "m"),
    }  # fmt: skip
    u = {name: _given(value, unit, name, z) for name, (value, unit) in given.items()}
    core_parts: dict[str, np.ndarray] = {}
    if stated is not None and tide is None and heave is None:
        core_parts["core_top"] = stated
    else:
        core_parts["tide"] = u["tide"] / (np.sqrt(2.0) if tide_is == TIDES[0] else 1.0)
        core_parts["heave"] = u["heave"]
    effects = {}
    if drill_string is not None or drill_string_relative is None:
        effects["drill_string"] = u["drill_string"]
    if drill_string_relative is not None:
        effects["drill_string_relative"] = u["drill_string_relative"] * z
    random = np.zeros(z.size) if code is None else u["offset"]
    correction = None
    if code is not None and layout is not None:
        middle, spread = _recovery(layout, code, placed, z)
        core_parts["recovery"] = spread
        if recovery_placement == "top":
            effects["recovery_placement"] = middle
        else:
            correction = middle
    return _dataset(placed, depth, random, core_parts, effects, correction)


def _given(value: Any, unit: str, name: str, like: np.ndarray) -> np.ndarray:
    """An uncertainty along the readings, NaN where it is not stated."""
    if value is None:
        return np.full(like.shape, np.nan)
    found = np.asarray(positive(value, unit, name, zero=True), dtype=float)
    if found.ndim and found.shape != like.shape:
        raise PositionError(f"{name} has {found.size} values for {like.size} readings")
    return np.array(np.broadcast_to(found, like.shape))


def _recovery(
    layout: Layout, code: Any, placed: xr.Dataset, z: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Middle of where a reading may truly lie, less its depth, and the spread about the middle."""
    offset = np.asarray(units.as_floats(placed["offset"], "cm", "offset"), dtype=float)
    upper = layout.place(code, offset)[1]
    spare = layout.spare[layout.core_of[code]]
    lower = np.where(spare < 0.0, layout.close(code, offset)[1], upper + spare)
    return 0.5 * (upper + lower) - z, (lower - upper) / np.sqrt(12.0)


def _dataset(
    placed: xr.Dataset, depth: str, random: np.ndarray, core_parts: dict[str, np.ndarray],
    effects: dict[str, np.ndarray], correction: np.ndarray | None,
) -> xr.Dataset:  # fmt: skip
    dim = str(placed[depth].dims[0])
    core_norm = np.sqrt(sum(part**2 for part in core_parts.values()))
    systematic = np.sqrt(sum(part**2 for part in effects.values()))
    total = np.sqrt(random**2 + core_norm**2 + systematic**2)

    def said(words: str) -> dict[str, str]:
        return {"units": "m", "long_name": words}

    found: dict[str, Any] = {
        "depth_u_random": (dim, random, said("standard uncertainty of each depth for itself")),
        "depth_u_core": (dim, core_norm, said("standard uncertainty that a core shares")),
        "depth_u_systematic": (dim, systematic, said("systematic standard uncertainty of depth")),
        "depth_u_total": (dim, total, said("standard uncertainty of depth")),
        "depth_core_effects": (
            ("core_source", dim), np.stack(list(core_parts.values())),
            said("one-sigma effects on depth by source, one error a core"),
        ),
        "depth_effects": (
            ("source", dim), np.stack(list(effects.values())),
            said("one-sigma effects on depth by source, one error for the hole"),
        ),
    }  # fmt: skip
    if correction is not None:
        words = "to the middle of where the material may lie in the advance"
        found["depth_correction"] = (dim, correction, said(f"correction of depth {words}"))
        corrected = placed[depth].values + correction
        found["depth_corrected"] = (dim, corrected, said(f"depth corrected {words}"))
    held = {**core_parts, **effects, "offset": random}
    unknown = sorted(name for name, part in held.items() if part.size and np.isnan(part).all())
    places = placed.set_coords([n for n in SCALES if n in placed.variables]).coords
    coordinates: dict[str, Any] = {
        str(n): c.variable for n, c in places.items() if c.dims == (dim,) and n != dim
    }
    for name, keys in (("core_source", core_parts), ("source", effects)):
        about = "source of error" + (" of a core" if name != "source" else "")
        coordinates[name] = (name, np.array(list(keys), dtype=object), {"long_name": about})
    attributes = {"depth_scale": depth, "not_stated": ", ".join(unknown)}
    return xr.Dataset(found, coordinates, attributes)


def _shared(errors: xr.Dataset) -> np.ndarray:
    """Number of the core, or of the station, of each depth; without either each is its own."""
    for name in ("core", "station"):
        if name in errors.coords:
            keys = np.broadcast_to(errors[name].values, errors["depth_u_random"].shape)
            return np.asarray(pd.factorize(keys.astype(str))[0])
    return np.arange(errors["depth_u_random"].size)


def covariance(errors: xr.Dataset, *, shared_by_hole: bool = True) -> xr.DataArray:
    """Covariance between the depths of a few readings.

    Parameters
    ----------
    errors : Dataset, (reading)
        From ``corephys.depth.uncertainty``; pick readings out of it first, since the matrix has
        the square of their number.
    shared_by_hole : bool
        With what the whole hole shares; without it the effects stay to be carried by name.

    Returns
    -------
    DataArray, (reading, reading_2)
        [m^2]; NaN where a part is not stated.

    Raises
    ------
    ValueError
        For more readings than a matrix is made for.

    Notes
    -----
    cov(z_i, z_j) = u_i^2 (i = j) + sum e_i e_j over core effects where i and j lie in one core +
    sum e_i e_j over the effects of the hole (JCGM 100:2008, 5.2.2 and F.1.2.3).
    """
    random = errors["depth_u_random"]
    if random.size**2 > _MOST:
        raise ValueError(
            f"{random.size} depths make a matrix of {random.size**2} numbers; pick those that are "
            "needed with errors.isel(...)"
        )
    code = _shared(errors)
    own = errors["depth_core_effects"].transpose("core_source", ...).values
    # Depths of different cores share nothing, known or not.
    matrix = np.where(code[:, None] == code[None, :], np.einsum("si,sj->ij", own, own), 0.0)
    matrix[np.diag_indices(code.size)] += random.values**2
    if shared_by_hole:
        whole = errors["depth_effects"].transpose("source", ...).values
        matrix = matrix + whole.T @ whole
    dim = str(random.dims[0])
    return xr.DataArray(
        matrix, dims=(dim, f"{dim}_2"), coords=random.coords,
        attrs={"units": "m^2", "long_name": "covariance of depths"},
    )  # fmt: skip


def carry(data: xr.Dataset, errors: xr.Dataset, *, quantity: str, gradient: Any) -> xr.Dataset:
    """Errors of depth carried into a property that changes with depth.

    Parameters
    ----------
    data : Dataset, (reading)
        Holds the quantity.
    errors : Dataset, (reading)
        From ``corephys.depth.uncertainty``, at the same positions.
    quantity : str
        Name of the property, whose unit is that of the vocabulary.
    gradient : Quantity, DataArray or str
        Change of the property with depth, such as "-0.5 1/km" for a porosity; (n,) or one.

    Returns
    -------
    Dataset
        The quantity alone, with the errors of depth in its random part and its effects: those of
        a core under the names ``depth_<source>_core_<core>``.

    Raises
    ------
    PositionError
        When both lie at different positions.
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For more cores and readings than effects are made for.

    Notes
    -----
    A depth that is off by dz misses by dy = (dy/dz) dz: u^2 = u_y^2 + (dy/dz)^2 u_z^2 for what is
    random (Orear 1982, American Journal of Physics 50, 912; from memory), and (dy/dz) e_z for an
    effect. A value whose depth lies too deep is the value of a shallower bed: against the depth as
    given it is off by -(dy/dz) dz, and so the effects are signed.
    """
    series.require_same_positions(data=data, errors=errors)
    measured = series.unpack(data, quantity)
    unit = units.canonical(str(data[quantity].attrs.get("units", "1")))
    unit = "K" if unit == "degC" else unit
    slope = np.asarray(
        units.as_floats(gradient, "1/m" if unit == "1" else f"{unit}/m", "gradient"), dtype=float
    )
    values = measured.values
    random = errors["depth_u_random"]
    code = _shared(errors)
    names = _names_of(errors, code)
    own = errors["depth_core_effects"].transpose("core_source", ...)
    if len(names) * own.size > _MOST:
        raise ValueError(
            f"{len(names)} cores and {random.size} readings make {len(names) * own.size} effects; "
            "pick the readings that are needed"
        )
    dims = values.dims

    def along(part: Any) -> xr.Variable:
        return xr.Variable(dims, np.broadcast_to(np.asarray(part, dtype=float), values.shape))

    effects = dict(measured.effects)
    for source, effect in zip(errors["source"].values, errors["depth_effects"].transpose(
        "source", ...).values, strict=True):  # fmt: skip
        effects[str(source)] = effects.get(str(source), 0.0) + along(-slope * effect)
    for source, effect in zip(own["core_source"].values, own.values, strict=True):
        for number, name in enumerate(names):
            part = np.where(code == number, -slope * effect, 0.0)
            effects[f"depth_{source}_core_{name}"] = along(part)
    u = np.sqrt(np.asarray(measured.u_random, dtype=float) ** 2 + (slope * random.values) ** 2)
    return series.build(
        {quantity: Measured(values, along(u), effects, measured.reason)},
        steps=("errors of depth times the gradient, in quadrature (Orear 1982)",),
    )


def _names_of(errors: xr.Dataset, code: np.ndarray) -> list[str]:
    first = np.unique(code, return_index=True)[1]
    for name in ("core", "station"):
        if name in errors.coords:
            keys = np.broadcast_to(errors[name].values, code.shape)
            return [str(keys[row]) for row in first]
    return [str(number + 1) for number in range(first.size)]
