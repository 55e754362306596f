"""From the tables of a hole to where its sections lie, and from text keys to rows of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import units
from corephys.ground.series import PositionError
from corephys.hole.columns import read_columns
from corephys.hole.csv import from_frame
from corephys.hole.error import HoleError
from corephys.hole.layout import Layout, lay_out
from corephys.hole.tables import TABLES

__all__ = ["arrays", "codes_of", "layout_of", "texts"]


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
        As in ``corephys.depth.place``.

    Returns
    -------
    Layout

    Raises
    ------
    PositionError
        When a core of ``sections`` is not in ``cores``.
    """
    gone = None if removed is None else arrays(removed, "removed", "core section from to kind")
    laid = arrays(sections, "sections", "core section length")
    cut = arrays(cores, "cores", "core top advance")
    unknown = sorted(set(laid["core"].tolist()) - set(cut["core"].tolist()))
    if unknown:
        raise PositionError(f"the core {unknown[0]!r} of sections is not in cores; add its row")
    return lay_out(cut, laid, gone)


def arrays(table: Any, name: str, wanted: str) -> dict[str, Any]:
    """Columns of a table in the units of the contract.

    Parameters
    ----------
    table : Dataset, DataTree node or DataFrame
        Of the hole.
    name : str
        Which table it is.
    wanted : str
        Columns, separated by blanks.

    Returns
    -------
    dict of str to (n,) ndarray

    Raises
    ------
    HoleError
        For columns of a DataFrame that cannot be read.
    PositionError
        When a column is missing.
    """
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


def texts(keys: Any) -> Any:
    """Cores or sections as text, numbers refused.

    Parameters
    ----------
    keys : str, Series, Categorical or array
        Keys of readings.

    Returns
    -------
    (n,) array of str or pandas.Categorical

    Raises
    ------
    PositionError
        For numbers.
    """
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
