"""Depth below seafloor of readings and samples, and series brought onto each other's positions.

As laid out: core top + lengths of the sections above + offset. Fitted: closed voids are closed up
and, where more came up than was cut, the rest is squeezed into the advance.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys import units
from corephys.hole.columns import read_columns
from corephys.hole.csv import from_frame
from corephys.hole.error import HoleError
from corephys.hole.layout import Layout, lay_out
from corephys.hole.match import match
from corephys.hole.tables import TABLES
from corephys.series import PositionError
from corephys.vocabulary import term

__all__ = ["match", "place", "section_tops"]


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
        ``depth`` [m] as laid out, and ``depth_fitted`` [m], along ``reading``, with the
        coordinates core, section and offset [cm]. An offset of NaN gives NaN.

    Raises
    ------
    PositionError
        When a core and section are not in ``sections``, or the lengths differ.
    UnitError
        For an offset without a unit.

    Notes
    -----
    depth = top of core + lengths of the sections above + offset. In a core with closed voids the
    material below each moves up by its length, and a reading inside one sits where it closes.
    What is then longer than the advance is multiplied by advance / length (definition; linear
    expansion within a core is common practice, no source).

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
    layout = _layout(sections, cores, removed)
    at = np.asarray(units.as_floats(offset, "cm", "offset"), dtype=float)
    keys = [_texts(core), _texts(section)]
    size = max(at.size, *(len(key) for key in keys))
    keys = [_spread(key, size, name) for key, name in zip(keys, ("core", "section"), strict=True)]
    flat = _spread(np.atleast_1d(at), size, "offset")
    code = layout.encode(*keys)
    unknown = np.flatnonzero(code < 0)
    if unknown.size:
        row = int(unknown[0])
        raise PositionError(
            f"core {keys[0][row]!r}, section {keys[1][row]!r} (reading {row}) is not in sections, "
            f"and {unknown.size - 1} more readings are without one. Keys are text: '01' is not '1'"
        )
    depths = layout.place(code, flat)
    scalar = size == 1 and at.ndim == 0 and isinstance(core, str) and isinstance(section, str)
    dims: tuple[str, ...] = () if scalar else ("reading",)

    def entry(values: Any, unit: str, words: str) -> xr.Variable:
        attributes = {"units": unit, "long_name": words} if unit else {"long_name": words}
        # fastpath: xarray would look through every text for dates.
        held = np.asarray(values, dtype=float if unit else object)
        return xr.Variable(dims, held.reshape(()) if scalar else held, attributes, fastpath=True)

    terms = {name: term(name) for name in ("offset", "depth", "depth_fitted")}
    numbers = {
        name: entry(values, terms[name].unit, terms[name].long_name)
        for name, values in zip(terms, (flat, *depths), strict=True)
    }
    coordinates = {"core": entry(keys[0], "", "core"), "section": entry(keys[1], "", "section")}
    coordinates["offset"] = numbers.pop("offset")
    return xr.Dataset(numbers, coordinates)


def section_tops(*, sections: Any, cores: Any, removed: Any = None) -> xr.Dataset:
    """Depth of the top and bottom of every section.

    Parameters
    ----------
    sections, cores, removed : Dataset, DataTree node or DataFrame
        As in :func:`place`.

    Returns
    -------
    Dataset
        Along ``row``: core, section, and top, bottom, top_fitted and bottom_fitted [m] below
        seafloor.

    Notes
    -----
    As :func:`place` at the section's ends (definition).
    """
    layout = _layout(sections, cores, removed)
    code = np.arange(layout.length.size)
    top, top_fitted = layout.place(code, np.zeros(code.size))
    bottom, bottom_fitted = layout.place(code, layout.length * 100.0)
    parts = {"top": top, "bottom": bottom, "top_fitted": top_fitted, "bottom_fitted": bottom_fitted}
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
    return xr.Dataset(variables, coordinates)


def _layout(sections: Any, cores: Any, removed: Any) -> Layout:
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
