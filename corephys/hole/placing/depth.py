"""Depth below seafloor of readings and samples on three scales.

As laid out: core top + lengths of the sections above + offset. Closed: closed voids are closed up.
Fitted: a core longer than its advance is also squeezed into the advance.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, units
from corephys.ground.series import PositionError
from corephys.ground.vocabulary import term
from corephys.hole.placing.depth_uncertainty import carry, covariance, uncertainty
from corephys.hole.placing.described import disturbed, lithology
from corephys.hole.placing.layout import Layout, codes_of, layout_of, texts
from corephys.hole.placing.match import match

__all__ = [
    "carry",
    "closed_up",
    "covariance",
    "disturbed",
    "lithology",
    "match",
    "place",
    "section_tops",
    "uncertainty",
]


def place(
    core: Any, section: Any, offset: Any, *, sections: Any, cores: Any, removed: Any = None
) -> xr.Dataset:
    """Depth of readings below seafloor.

    Parameters
    ----------
    core, section : (n,) array of str, pandas.Categorical, DataArray, or str
        Text keys of the readings: "01" is not "1".
    offset : Quantity, DataArray or str
        Offset from the section's top, in a unit of length; (n,) or scalar.
    sections : Dataset, DataTree node or DataFrame
        Columns core, section, length [m]; the rows are in order downward.
    cores : Dataset, DataTree node or DataFrame
        Columns core, top [m], advance [m].
    removed : Dataset, DataTree node or DataFrame, optional
        Columns core, section, from [cm], to [cm], kind; only closed voids change depths.

    Returns
    -------
    Dataset
        ``depth`` [m] as laid out, ``depth_fitted`` [m], and ``depth_closed`` [m] with closed voids
        closed up and nothing squeezed, along ``reading``; the coordinates core, section, offset
        [cm] and ``offset_closed`` [cm], within the section once its closed voids are closed up.
        An offset of NaN gives NaN.

    Raises
    ------
    PositionError
        When a core and section are not in ``sections``, or the lengths differ.
    UnitError
        For an offset without a unit.

    Notes
    -----
    depth = top of core + lengths of the sections above + offset. In a core with closed voids the
    material below each moves up by its length, and a reading inside one sits where it closes:
    offset_closed subtracts the voids of the section above the reading, depth_closed all voids of
    the core above it. A core that is then longer than the advance is multiplied by advance / length
    (definition; linear expansion within a core is common practice, no source).

    Examples
    --------
    >>> import corephys as cp
    >>> import pandas as pd
    >>> cores = pd.DataFrame({"core": ["1"], "top [m]": [10.0], "advance [m]": [3.0]})
    >>> sections = pd.DataFrame(
    ...     {"core": ["1", "1"], "section": ["1", "2"], "length [m]": [1.5, 1.5]})
    >>> placed = place("1", "2", cp.quantity(20.0, "cm"), sections=sections, cores=cores)
    >>> float(placed.depth)
    11.7
    """
    layout = layout_of(sections, cores, removed)
    at = np.asarray(units.as_floats(offset, "cm", "offset"), dtype=float)
    keys = [texts(core), texts(section)]
    size = max(at.size, *(len(key) for key in keys))
    keys = [_spread(key, size, name) for key, name in zip(keys, ("core", "section"), strict=True)]
    flat = _spread(np.atleast_1d(at), size, "offset")
    code = codes_of(layout, *keys)
    depth, fitted = layout.place(code, flat)
    offset_closed, closed = layout.close(code, flat)
    scalar = size == 1 and at.ndim == 0 and isinstance(core, str) and isinstance(section, str)
    dims: tuple[str, ...] = () if scalar else ("reading",)

    def entry(values: Any, unit: str, words: str) -> xr.Variable:
        attributes = {"units": unit, "long_name": words} if unit else {"long_name": words}
        # fastpath: xarray would look through every text for dates.
        held = np.asarray(values, dtype=float if unit else object)
        return xr.Variable(dims, held.reshape(()) if scalar else held, attributes, fastpath=True)

    held = {
        "offset": flat,
        "offset_closed": offset_closed,
        "depth": depth,
        "depth_closed": closed,
        "depth_fitted": fitted,
    }
    numbers = {
        name: entry(values, term(name).unit, term(name).long_name) for name, values in held.items()
    }
    coordinates = {"core": entry(keys[0], "", "core"), "section": entry(keys[1], "", "section")}
    coordinates |= {name: numbers.pop(name) for name in ("offset", "offset_closed")}
    return xr.Dataset(numbers, coordinates)


def closed_up(data: xr.Dataset, *, sections: Any, cores: Any, removed: Any = None) -> xr.Dataset:
    """A series with its positions after closed voids are closed up.

    Parameters
    ----------
    data : Dataset, (reading)
        Series with the coordinates core, section and offset [cm].
    sections, cores, removed : Dataset, DataTree node or DataFrame
        Tables of the hole, see :func:`place`.

    Returns
    -------
    Dataset
        The same series, quantities of the vocabulary in its units, with the coordinates
        ``offset_closed`` [cm] and ``depth_closed`` [m]; offset and depth as laid out stay.

    Raises
    ------
    PositionError
        When the series lacks a coordinate, or a core and section are not in ``sections``.

    Notes
    -----
    Positions of :func:`place` (definition). A series of a hole without closed voids lacks these
    coordinates, because they would repeat offset and depth; this function adds them.
    """
    lacking = [name for name in ("core", "section", "offset") if name not in data.coords]
    if lacking:
        raise PositionError(
            f"the series has no coordinate {' and no '.join(lacking)}; it needs core, section and "
            "offset"
        )
    data = companions.library_units(data)
    layout = layout_of(sections, cores, removed)
    offset = np.asarray(units.as_floats(data["offset"], "cm", "offset"), dtype=float)
    keys = (np.broadcast_to(texts(data[n].values), offset.shape) for n in ("core", "section"))
    places = layout.close(codes_of(layout, *keys), offset)
    return data.assign_coords(
        {
            name: (
                data["offset"].dims,
                values,
                {"units": term(name).unit, "long_name": term(name).long_name},
            )
            for name, values in zip(("offset_closed", "depth_closed"), places, strict=True)
        }
    )


def section_tops(*, sections: Any, cores: Any, removed: Any = None) -> xr.Dataset:
    """Depth of the top and bottom of every section.

    Parameters
    ----------
    sections, cores, removed : Dataset, DataTree node or DataFrame
        Tables of the hole, see :func:`place`.

    Returns
    -------
    Dataset
        Along ``row``: core, section, and top, bottom, top_closed, bottom_closed, top_fitted and
        bottom_fitted [m] below seafloor. Along ``void``, where there are closed voids: void_core,
        and void_top, void_bottom, void_closed and void_fitted [m], the depths between which each
        lies as laid out and those where it closes.

    Notes
    -----
    Depths of :func:`place` at the ends of sections and voids (definition).
    """
    layout = layout_of(sections, cores, removed)
    code = np.arange(layout.length.size)
    top, top_fitted = layout.place(code, np.zeros(code.size))
    bottom, bottom_fitted = layout.place(code, layout.length * 100.0)
    top_closed = layout.close(code, np.zeros(code.size))[1]
    bottom_closed = layout.close(code, layout.length * 100.0)[1]
    parts = {
        "top": top,
        "bottom": bottom,
        "top_closed": top_closed,
        "bottom_closed": bottom_closed,
        "top_fitted": top_fitted,
        "bottom_fitted": bottom_fitted,
    }
    keys = np.array(list(layout.codes), dtype=object).reshape(-1, 2)
    coordinates = {"core": ("row", keys[:, 0]), "section": ("row", keys[:, 1])}
    variables = {
        name: (
            "row",
            values,
            {"units": "m", "long_name": f"{name.replace('_', ', ')} of the section"},
        )
        for name, values in parts.items()
    }
    found = xr.Dataset(variables, coordinates)
    return found.assign(_voids(layout)) if layout.void_core.size else found


def _voids(layout: Layout) -> dict[str, Any]:
    """Where each closed void lies and where it closes [m]."""
    named = {int(row): core for (core, _), row in zip(layout.codes, layout.core_of, strict=True)}
    top = layout.core_top[layout.void_core]
    end = layout.void_start + layout.void_length
    closed = layout.void_start - layout.closed_above(layout.void_core, layout.void_start)
    parts = {
        "void_top": (top + layout.void_start, "upper end of the closed void"),
        "void_bottom": (top + end, "lower end of the closed void"),
        "void_closed": (top + closed, "where the void closes, nothing squeezed"),
        "void_fitted": (
            top + closed * layout.factor[layout.void_core],
            "where the void closes, fitted into the advance",
        ),
    }
    core = np.array([named[int(row)] for row in layout.void_core], dtype=object)
    return {
        "void_core": ("void", core, {"long_name": "core of the closed void"}),
        **{n: ("void", v, {"units": "m", "long_name": w}) for n, (v, w) in parts.items()},
    }


def _spread(values: Any, size: int, name: str) -> Any:
    """One value repeated for all readings; another number of values is refused."""
    if len(values) == size:
        return values
    if len(values) == 1:
        return np.repeat(np.asarray(values), size)
    raise PositionError(
        f"{name} has {len(values)} values and other arguments have {size}; give one, or {size}"
    )
