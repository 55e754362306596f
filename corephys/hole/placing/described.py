"""What the description of the cores gives at the positions of a series."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.ground.choices import choice
from corephys.ground.series import PositionError
from corephys.hole.placing.layout import encode, layer_column
from corephys.hole.reading.tables import DISTURBANCES

__all__ = [
    "Stretch",
    "described_length",
    "disturbed",
    "lithology",
    "lithology_source",
    "stretches",
    "words_at",
]

_ROUNDING = 1e-8  # m: ten nanometres, far above the rounding of a sum of lengths


def lithology(data: Any, *, description: Any = None, layers: Any = None) -> xr.DataArray:
    """Lithology of each reading of a series, from the description of the cores.

    Parameters
    ----------
    data : Dataset or DataTree node, (reading)
        Series with the coordinate depth [m], as laid out, and core and section if it has them.
    description : Dataset or DataTree node, (row), optional
        The table ``description`` of the hole.
    layers : Dataset or DataTree node, (row), optional
        The table ``layers`` of the hole; used only without a description.

    Returns
    -------
    DataArray, (reading)
        Text; empty where nothing is described. The attribute ``source`` is ``"description.csv"``,
        ``"layers.csv"`` or ``"none"``.

    Raises
    ------
    PositionError
        When the series has no depth.

    Notes
    -----
    An interval includes its top; it includes its bottom only where no other interval begins
    (definition). A reading with a core and section takes only what was described in that section,
    since the depths of neighbouring cores may overlap. Where intervals overlap, the later row of
    the table counts.
    """
    data, description, layers = map(_dataset, (data, description, layers))
    depth = _depths(data)
    source = lithology_source(description, layers)
    if source == "description.csv":
        words = words_at(data, description, "lithology")
    elif source == "layers.csv":
        top, bottom = _ends(layers)
        in_metres = layers.assign(top=("row", top), bottom=("row", bottom))
        words = layer_column(in_metres, depth, "lithology")
        words[words == "between layers"] = ""
    else:
        words = np.full(depth.size, "", dtype=object)
    attributes = {"long_name": "lithology", "source": source}
    return xr.DataArray(words, dims=data["depth"].dims, attrs=attributes)


def lithology_source(description: xr.Dataset | None, layers: xr.Dataset | None) -> str:
    """File that the lithology of readings comes from; ``"none"`` where no table has one."""
    for table, file in ((description, "description.csv"), (layers, "layers.csv")):
        if table is not None and "lithology" in table and (table["lithology"].values != "").any():
            return file
    return "none"


def disturbed(data: Any, *, description: Any, least: str) -> xr.DataArray:
    """Readings that lie in core with at least this drilling disturbance.

    Parameters
    ----------
    data : Dataset or DataTree node, (reading)
        Series with the coordinate depth [m], as laid out, and core and section if it has them.
    description : Dataset or DataTree node, (row)
        The table ``description`` of the hole.
    least : {"slight", "moderate", "severe", "flow_in"}
        Least disturbance that counts.

    Returns
    -------
    DataArray, (reading)
        True within such an interval, ends included; False where nothing is described.

    Raises
    ------
    PositionError
        When the series has no depth.

    Notes
    -----
    The order is none, slight, moderate, severe, flow_in: sediment that flowed in counts as worse
    than severe. Where intervals overlap, the worst counts.
    """
    data, description = _dataset(data), _dataset(description)
    rank = DISTURBANCES.index(choice(least, DISTURBANCES[1:], "least"))
    found = np.zeros(_depths(data).size, dtype=bool)
    if description is not None and "disturbance" in description:
        counts = [
            DISTURBANCES.index(word) >= rank if word else False
            for word in description["disturbance"].values.tolist()
        ]
        for row, inside, end in _intervals(data, description):
            if counts[row]:
                found[inside] = found[end] = True
    words = {"long_name": f"drilling disturbance of at least {least}"}
    return xr.DataArray(found, dims=data["depth"].dims, attrs=words)


def words_at(data: xr.Dataset, description: xr.Dataset, column: str) -> np.ndarray:
    """Words of a column of the description at each reading, empty where there are none."""
    found = np.full(data["depth"].size, "", dtype=object)
    at_end: list[tuple[str, np.ndarray]] = []
    words = description[column].values.tolist()
    for row, inside, end in _intervals(data, description):
        if words[row]:
            found[inside] = words[row]
            at_end.append((words[row], end))
    for word, end in at_end:
        found[end[found[end] == ""]] = word
    return found


def _intervals(
    data: xr.Dataset, description: xr.Dataset
) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    """Row of each interval, its readings without those at its bottom, and those at its bottom.

    Intervals in a section without readings are left out.
    """
    depth = _depths(data)
    keyed = all(name in data.coords for name in ("core", "section"))
    named = all(name in description for name in ("core", "section"))
    size, rows = depth.size, description.sizes["row"]
    blank = np.full(rows, "", dtype=object)
    keys = [description[n].values.astype(object) if named else blank for n in ("core", "section")]
    if keyed and named:
        of_data = [np.asarray(data[n].values, dtype=object) for n in ("core", "section")]
        code, _ = encode(*(np.concatenate(pair) for pair in zip(of_data, keys, strict=True)))
    else:
        code = np.zeros(size + rows, dtype=np.intp)
    # One order by section serves the intervals of sections, one by depth alone all others.
    by_section = np.lexsort((depth, code[:size]))
    starts = code[:size][by_section]
    by_depth = np.argsort(depth, kind="stable")
    top, bottom = _ends(description)
    in_section = np.array([keyed and bool(key) for key in keys[0]], dtype=bool)
    first = np.where(in_section, np.searchsorted(starts, code[size:]), 0)
    last = np.where(in_section, np.searchsorted(starts, code[size:] + 1), size)
    edges = np.stack([top - _ROUNDING, bottom - _ROUNDING, bottom + _ROUNDING], axis=1)
    for row in np.flatnonzero(np.isfinite(top + bottom) & (last > first)).tolist():
        here = (by_section if in_section[row] else by_depth)[first[row] : last[row]]
        begin, end, past = np.searchsorted(depth[here], edges[row])
        yield row, here[begin:end], here[end:past]


def _ends(table: xr.Dataset, ending: str = "") -> list[np.ndarray]:
    """Tops and bottoms of a table of intervals [m]."""
    names = [f"{name}{ending}" for name in ("top", "bottom")]
    lacking = [name for name in names if name not in table]
    if lacking:
        raise PositionError(
            f"the table has no {lacking[0]!r}; give the table of a hole that was read, with its "
            "depths in m"
        )
    return [np.asarray(units.as_floats(table[name], "m", name), dtype=float) for name in names]


def _dataset(table: Any) -> Any:
    """A node of a tree as a Dataset; None stays None."""
    return table.to_dataset(inherit=False) if isinstance(table, xr.DataTree) else table


def _depths(data: xr.Dataset) -> np.ndarray:
    """Depths of a series as laid out [m]."""
    if "depth" not in data.coords:
        raise PositionError(
            "the series has no coordinate 'depth'; give a series that was placed, or add the "
            "coordinate in m"
        )
    return np.asarray(units.as_floats(data["depth"], "m", "depth"), dtype=float)


# --------------------------------------------------------------------------------------------------
# The description without overlaps, as figures and counts of metres need it.


@dataclass(frozen=True)
class Stretch:
    """A length of core with one word of the description.

    Parameters
    ----------
    word : str
        Lithology or degree of disturbance.
    ends : tuple of float
        Top and bottom as laid out [m].
    fitted : tuple of float
        Top and bottom fitted into the advance [m].
    """

    word: str
    ends: tuple[float, float]
    fitted: tuple[float, float]


def stretches(description: xr.Dataset, column: str | None) -> list[Stretch]:
    """The words of a column without overlaps, downward in each core; neighbours are joined.

    A later row replaces an earlier one; of disturbances the worst counts. With None for the
    column, everything that is described has the word ``"described"``.
    """
    size = description.sizes["row"]
    if column is None:
        words = ["described"] * size
    elif column in description:
        words = [str(word) for word in description[column].values]
    else:
        return []
    rank = {word: place for place, word in enumerate(DISTURBANCES)}
    ends = np.array(_ends(description))
    fitted = np.array(_ends(description, "_fitted"))
    blank = np.full(size, "", dtype=object)
    core = description["core"].values if "core" in description else blank
    rows_of: dict[str, list[int]] = {}
    for row in np.flatnonzero(np.isfinite(ends).all(axis=0)).tolist():
        if words[row]:
            rows_of.setdefault(str(core[row]), []).append(row)
    found: list[Stretch] = []
    for rows in rows_of.values():
        edges = dict(
            zip(ends[:, rows].ravel().tolist(), fitted[:, rows].ravel().tolist(), strict=True)
        )
        depths = sorted(edges)
        top, bottom = ends[0, rows], ends[1, rows]
        mine: list[Stretch] = []
        for one, other in pairwise(depths):
            if other - one < _ROUNDING:
                continue
            here = [rows[i] for i in np.flatnonzero((top <= one) & (bottom >= other)).tolist()]
            if not here:
                continue
            last = (
                max(here, key=lambda row: rank[words[row]]) if column == "disturbance" else here[-1]
            )
            next_one = Stretch(words[last], (one, other), (edges[one], edges[other]))
            before = mine[-1] if mine else None
            if before and before.word == next_one.word and one - before.ends[1] < _ROUNDING:
                mine[-1] = Stretch(
                    before.word, (before.ends[0], other), (before.fitted[0], edges[other])
                )
            else:
                mine.append(next_one)
        found += mine
    return found


def described_length(description: xr.Dataset) -> float:
    """Length of core that is described, each part counted once [m]."""
    return float(sum(one.ends[1] - one.ends[0] for one in stretches(description, None)))
