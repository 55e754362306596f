"""Depth below seafloor of readings and samples, and series brought onto each other's positions.

As laid out: core top + lengths of the sections above + offset. Closed: closed voids are closed up.
Fitted: where more came up than was cut, the rest is squeezed into the advance as well.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys import units
from corephys.hole.columns import read_columns
from corephys.hole.csv import from_frame
from corephys.hole.depth_uncertainty import SCALES, carry, covariance, depth_errors
from corephys.hole.error import HoleError
from corephys.hole.layout import Layout, lay_out
from corephys.hole.match import match
from corephys.hole.tables import TABLES
from corephys.series import PositionError
from corephys.vocabulary import term

__all__ = ["carry", "closed_up", "covariance", "match", "place", "section_tops", "uncertainty"]


def place(
    core: Any, section: Any, offset: Any, *, sections: Any, cores: Any, removed: Any = None
) -> xr.Dataset:
    """Depth of readings below seafloor.

    Parameters
    ----------
    core, section : (n,) array of str, pandas.Categorical, DataArray, or str
        Text keys: "01" is not "1".
    offset : Quantity, DataArray or str
        Offset from the section's top, in a unit of length; (n,) or scalar.
    sections : Dataset, DataTree node or DataFrame
        core, section, length [m]; the order of the rows is the order downward.
    cores : Dataset, DataTree node or DataFrame
        core, top [m], advance [m].
    removed : Dataset, DataTree node or DataFrame, optional
        core, section, from [cm], to [cm], kind; only closed voids move anything.

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
    offset_closed takes off the voids of the section above the reading, depth_closed all of the
    core above it. What is then longer than the advance is multiplied by advance / length
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
    keys = [_texts(core), _texts(section)]
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
        "offset": flat, "offset_closed": offset_closed, "depth": depth, "depth_closed": closed,
        "depth_fitted": fitted,
    }  # fmt: skip
    numbers = {
        name: entry(values, term(name).unit, term(name).long_name) for name, values in held.items()
    }
    coordinates = {"core": entry(keys[0], "", "core"), "section": entry(keys[1], "", "section")}
    coordinates |= {name: numbers.pop(name) for name in ("offset", "offset_closed")}
    return xr.Dataset(numbers, coordinates)


def closed_up(data: xr.Dataset, *, sections: Any, cores: Any, removed: Any = None) -> xr.Dataset:
    """A series with its place once closed voids are closed up.

    Parameters
    ----------
    data : Dataset, (reading)
        With the coordinates core, section and offset [cm].
    sections, cores, removed : Dataset, DataTree node or DataFrame
        As in :func:`place`.

    Returns
    -------
    Dataset
        The same with the coordinates ``offset_closed`` [cm] and ``depth_closed`` [m]; offset and
        depth as laid out stay.

    Raises
    ------
    PositionError
        When the series lacks a coordinate, or a core and section are not in ``sections``.

    Notes
    -----
    As :func:`place` (definition). Series of a hole without closed voids do not carry these
    coordinates, which would repeat offset and depth; this gives them to one that needs them.
    """
    lacking = [name for name in ("core", "section", "offset") if name not in data.coords]
    if lacking:
        raise PositionError(f"the series has no coordinate {' and no '.join(lacking)}")
    layout = layout_of(sections, cores, removed)
    offset = np.asarray(units.as_floats(data["offset"], "cm", "offset"), dtype=float)
    keys = (np.broadcast_to(_texts(data[n].values), offset.shape) for n in ("core", "section"))
    places = layout.close(codes_of(layout, *keys), offset)
    return data.assign_coords(
        {
            name: (data["offset"].dims, values,
                   {"units": term(name).unit, "long_name": term(name).long_name})
            for name, values in zip(("offset_closed", "depth_closed"), places, strict=True)
        }
    )  # fmt: skip


def section_tops(*, sections: Any, cores: Any, removed: Any = None) -> xr.Dataset:
    """Depth of the top and bottom of every section.

    Parameters
    ----------
    sections, cores, removed : Dataset, DataTree node or DataFrame
        As in :func:`place`.

    Returns
    -------
    Dataset
        Along ``row``: core, section, and top, bottom, top_closed, bottom_closed, top_fitted and
        bottom_fitted [m] below seafloor. Along ``void``, where there are closed voids: void_core,
        and void_top, void_bottom, void_closed and void_fitted [m], the depths between which each
        lies as laid out and those where it closes.

    Notes
    -----
    As :func:`place` at the ends of sections and voids (definition).
    """
    layout = layout_of(sections, cores, removed)
    code = np.arange(layout.length.size)
    top, top_fitted = layout.place(code, np.zeros(code.size))
    bottom, bottom_fitted = layout.place(code, layout.length * 100.0)
    top_closed = layout.close(code, np.zeros(code.size))[1]
    bottom_closed = layout.close(code, layout.length * 100.0)[1]
    parts = {
        "top": top, "bottom": bottom, "top_closed": top_closed, "bottom_closed": bottom_closed,
        "top_fitted": top_fitted, "bottom_fitted": bottom_fitted,
    }  # fmt: skip
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


def uncertainty(
    placed: xr.Dataset, *, sections: Any = None, cores: Any = None, removed: Any = None,
    depth: str = "depth", tide: Any = None, tide_is: str = "half range", heave: Any = None,
    drill_string: Any = None, drill_string_relative: Any = None, offset: Any = None,
    recovery_placement: str = "top",
) -> xr.Dataset:  # fmt: skip
    """Uncertainty of the depth of every reading, and what each part is shared by.

    Parameters
    ----------
    placed : Dataset, (reading)
        From :func:`place`, or any series with core, section, offset [cm] and depth [m]. A series
        without a core, such as stations of formation temperature, has no part of recovery or
        offset: each station is a lowering of its own.
    sections, cores, removed : Dataset, DataTree node or DataFrame
        As in :func:`place`; needed where the series has a core.
    depth : {"depth", "depth_closed", "depth_fitted"}
        The scale whose uncertainty is wanted.
    tide : Quantity or str, optional
        Half the range of the tide, or a standard uncertainty [m]. One error a core.
    tide_is : {"half range", "standard uncertainty"}
        What ``tide`` is.
    heave : Quantity or str, optional
        Standard uncertainty of the heave when a core is cut [m]. One error a core.
    drill_string, drill_string_relative : Quantity or str, optional
        Standard uncertainty of the length of the drill string, as a length [m] or as a part of
        the depth [1]. One error for the hole.
    offset : Quantity or str, optional
        Standard uncertainty of an offset [cm]. Each reading for itself.
    recovery_placement : {"top", "middle"}
        "top" leaves the material at the top of the advance, as laid out; "middle" gives the
        correction to the middle of where it may lie, beside the depth.

    Returns
    -------
    Dataset
        Along ``reading`` [m]: ``depth_u_random``; ``depth_core_effects (core_source)``, signed, and
        ``depth_u_core``, their norm; ``depth_effects (source)``, signed, and
        ``depth_u_systematic``; ``depth_u_total``. With "middle" also ``depth_correction`` and
        ``depth_corrected``, to which the rest then belongs. What is not stated is NaN, and so is
        every sum it enters; the attribute ``not_stated`` names it. State "0 m" for none.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series has no such depth, or its core is not in ``sections``.
    ValueError
        For an unknown word, an uncertainty below zero, or a core without sections and cores.

    Notes
    -----
    Tide of half range a at a random phase: arcsine, u = a / sqrt(2) (JCGM 101:2008, 6.4.6). Where
    less came up than was cut, the material lies, as one piece, anywhere in the advance: true depth
    is rectangular between depth_fitted and depth_fitted + gap, gap = advance - what is left
    without closed voids. Where more came up it is rectangular between depth_fitted and
    depth_closed. u = width / sqrt(12) about the middle (JCGM 101:2008, 6.4.2), one error a core;
    the middle less the depth is the same way off in every core, so that without the correction it
    stands as the effect ``recovery_placement`` of the hole: together gap / sqrt(3) about the depth
    as laid out (JCGM 100:2008, F.2.4.5). Where neither tide nor heave is given and the table of
    cores has top_uncertainty, that is the error of the core's top.
    """
    if depth in SCALES and depth not in placed.variables:
        raise PositionError(f"the series has no {depth!r}; place it with corephys.depth.place")
    code = layout = stated = None
    if "core" in placed.coords:
        if sections is None or cores is None:
            raise ValueError("the series has cores: give sections= and cores= of its hole")
        lacking = [name for name in ("section", "offset") if name not in placed.coords]
        if lacking:
            raise PositionError(f"the series has no coordinate {' and no '.join(lacking)}")
        layout = layout_of(sections, cores, removed)
        shape = placed[depth].shape
        keys = [np.broadcast_to(_texts(placed[n].values), shape) for n in ("core", "section")]
        code = codes_of(layout, *keys)
        if any(str(name).partition(" [")[0] == "top_uncertainty" for name in cores):
            table = _arrays(cores, "cores", "core top_uncertainty")
            of = dict(zip(table["core"].tolist(), table["top_uncertainty"], strict=True))
            stated = np.array([of[core] for core in keys[0]], dtype=float)
    return depth_errors(
        placed, code, layout, depth=depth, tide=tide, tide_is=tide_is, heave=heave,
        drill_string=drill_string, drill_string_relative=drill_string_relative, offset=offset,
        recovery_placement=recovery_placement, stated=stated,
    )  # fmt: skip


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
        "void_fitted": (top + closed * layout.factor[layout.void_core],
                        "where the void closes, fitted into the advance"),
    }  # fmt: skip
    core = np.array([named[int(row)] for row in layout.void_core], dtype=object)
    return {
        "void_core": ("void", core, {"long_name": "core of the closed void"}),
        **{n: ("void", v, {"units": "m", "long_name": w}) for n, (v, w) in parts.items()},
    }


def codes_of(layout: Layout, core: Any, section: Any) -> Any:
    """Row of the section of each reading.

    Parameters
    ----------
    layout : Layout
        Sections of the hole.
    core, section : (n,) array of str or pandas.Categorical
        Text keys.

    Returns
    -------
    (n,) ndarray of int
        Rows of ``sections``.

    Raises
    ------
    PositionError
        When a reading has no section there.
    """
    code = layout.encode(core, section)
    unknown = np.flatnonzero(code < 0)
    if unknown.size:
        row = int(unknown[0])
        raise PositionError(
            f"core {core[row]!r}, section {section[row]!r} (reading {row}) is not in sections, "
            f"and {unknown.size - 1} more readings are without one. Keys are text: '01' is not '1'"
        )
    return code


def layout_of(sections: Any, cores: Any, removed: Any) -> Layout:
    """Where every section of a hole lies.

    Parameters
    ----------
    sections, cores, removed : Dataset, DataTree node or DataFrame
        As in :func:`place`.

    Returns
    -------
    Layout

    Raises
    ------
    PositionError
        When a core of ``sections`` is not in ``cores``.
    """
    gone = None if removed is None else _arrays(removed, "removed", "core section from to kind")
    laid = _arrays(sections, "sections", "core section length")
    cut = _arrays(cores, "cores", "core top advance")
    unknown = sorted(set(laid["core"].tolist()) - set(cut["core"].tolist()))
    if unknown:
        raise PositionError(f"the core {unknown[0]!r} of sections is not in cores; add its row")
    return lay_out(cut, laid, gone)


def _arrays(table: Any, name: str, wanted: str) -> dict[str, Any]:
    """Columns of a table in the units of the contract."""
    names = wanted.split()
    schema = TABLES[name].by_name
    if isinstance(table, pd.DataFrame):
        columns, problems = read_columns(from_frame(table, name)[0], TABLES[name])
        # A table made for this purpose may lack the columns that placing does not need.
        problems = [p for p in problems if p.column.partition(" [")[0] in names]
        if problems:
            raise HoleError(problems, f"the table {name!r}")
        return {n: columns[n] for n in names}
    missing = [n for n in names if n not in table]
    if missing:
        raise PositionError(f"{name} has no {missing[0]!r}; it needs {', '.join(names)}")
    return {
        n: units.as_floats(table[n], schema[n].unit or "1", f"{name}.{n}").values
        if schema[n].kind == "number"
        else np.asarray(table[n].values, dtype=object)
        for n in names
    }


def _texts(keys: Any) -> Any:
    if isinstance(keys, str):
        return np.array([keys], dtype=object)
    if isinstance(keys, pd.Series):
        keys = keys.array
    if isinstance(keys, pd.Categorical):
        return keys
    array = np.asarray(keys)
    if array.dtype.kind in "iuf":
        raise PositionError(
            f"core and section are text, got numbers ({array.flat[0]!r} ...). Read the columns as "
            "text: pandas.read_csv(..., dtype=str)"
        )
    return array.astype(object)


def _spread(values: Any, size: int, name: str) -> Any:
    if len(values) == size:
        return values
    if len(values) == 1:
        return np.repeat(np.asarray(values), size)
    raise PositionError(f"{name} has {len(values)} values where other arguments have {size}")
