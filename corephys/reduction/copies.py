"""Exact copies of rows: left out while a hole is reduced, and put back flagged into the results.

A copy would count twice in every fit, combination of repeats, test against neighbours and mean.
The stages therefore work on tables without copies, so that each number is that of the hole before
the rows were pasted. Afterwards every result with one row for each row of its table has a row for
each copy: the value of the first, flagged bad with the one reason ``exact_copy``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
import xarray as xr

from corephys.ground import flags
from corephys.ground.series import TABLE_ROW

__all__ = ["Copies", "rows_in_words", "table_rows"]

# Rows of one table are numbered from a multiple of this, so that a number gives table and row.
_TABLE = 1 << 32
# Columns that name a record of many rows. A copy of a complete record under another name is
# flagged as a record, by the function that reduces it.
_RECORDS = ("test", "run", "station")


@dataclass
class Copies:
    """Tables without exact copies, and the copies that were left out.

    Parameters
    ----------
    tables : dict of str to Dataset
        Tables that had copies, without them, by path.
    left_out : list of (path, ndarray, ndarray)
        Table, rows of its copies, and rows that they copy. The place in the list numbers the table.
    """

    tables: dict[str, xr.Dataset] = field(default_factory=dict)
    left_out: list[tuple[str, np.ndarray, np.ndarray]] = field(default_factory=list)

    def without(self, path: str, table: xr.Dataset) -> xr.Dataset:
        """A table without its exact copies; the table itself if it has none.

        Parameters
        ----------
        path : str
            Path of the table in the hole.
        table : Dataset, (reading) or (row)
            Table as read, with the attribute ``exact_copies`` if it has copies.

        Returns
        -------
        Dataset
            With the coordinate ``table_row``, which leads back to the rows of the table.
        """
        if path in self.tables:
            return self.tables[path]
        pairs = np.array(json.loads(table.attrs.get("exact_copies", "[]")), dtype=np.int64)
        if not pairs.size or "reason" not in table:
            return table
        copy, first = pairs[:, 0], pairs[:, 1]
        for name in _RECORDS:
            if name in table.variables and table[name].dtype.kind not in "iuf":
                words = table[name].values
                same = np.array([words[a] == words[b] for a, b in pairs.tolist()])
                copy, first = copy[same], first[same]
                pairs = pairs[same]
        if not copy.size:
            return table
        (dim,) = table["reason"].dims
        kept = np.ones(table.sizes[dim], dtype=bool)
        kept[copy] = False
        number = np.flatnonzero(kept) + _TABLE * len(self.left_out)
        found = table.isel({dim: kept}).assign_coords({TABLE_ROW: (dim, number)})
        self.left_out.append((path, copy, first))
        self.tables[path] = found
        return found

    def put_back(self, dataset: xr.Dataset) -> xr.Dataset:
        """A result with a flagged row for each copy of the rows that it has.

        Parameters
        ----------
        dataset : Dataset
            Result of a stage. Without the coordinate ``table_row``, or without reasons, it is
            returned with the rows that it has.

        Returns
        -------
        Dataset
            Rows in the order of the table where the result had that order; otherwise each copy
            follows the row that it copies.
        """
        if TABLE_ROW not in dataset.coords:
            return dataset
        rows = dataset[TABLE_ROW]
        dataset = dataset.drop_vars(TABLE_ROW)
        if rows.ndim != 1:
            return dataset
        (dim,) = rows.dims
        if not any(_is_reason(str(name), part, dim) for name, part in dataset.variables.items()):
            return dataset  # a selection of usable readings, without flags
        place = {int(code): at for at, code in enumerate(rows.values.tolist())}
        taken, codes = [np.arange(rows.size)], [rows.values]
        for number, (_, copy, first) in enumerate(self.left_out):
            known = np.array([int(row) + _TABLE * number in place for row in first], dtype=bool)
            sources = [place[int(row) + _TABLE * number] for row in first[known]]
            taken.append(np.array(sources, dtype=int))
            codes.append(copy[known] + _TABLE * number)
        source, code = np.concatenate(taken), np.concatenate(codes)
        if source.size == rows.size:
            return dataset
        in_order = bool(np.all(np.diff(rows.values) > 0))
        order = np.argsort(code if in_order else source, kind="stable")
        return _flagged(dataset.isel({dim: source[order]}), str(dim), order >= rows.size)


def _is_reason(name: str, variable: xr.Variable, dim: str) -> bool:
    """Whether a variable holds the reasons of readings; the column reason of a table is text."""
    last = name.rpartition("_")[2]
    return last == "reason" and variable.dims == (dim,) and variable.dtype.kind in "iu"


def _flagged(dataset: xr.Dataset, dim: str, copied: np.ndarray) -> xr.Dataset:
    """A result with the reason ``exact_copy`` alone, and its flag, at some rows."""
    changed = {}
    for name, variable in dataset.variables.items():
        if not _is_reason(str(name), variable, dim):
            continue
        word = str(name).rpartition("_")[0]
        reason = variable.values.astype(np.int64)
        # A missing number stays missing; all other reasons are those of the first row.
        missing = reason & flags.bit("missing_value")
        reason = np.where(copied, missing | flags.bit("exact_copy"), reason)
        changed[name] = variable.copy(data=reason)
        flag = f"{word}_flag" if word else "flag"
        if flag in dataset:
            level = np.where(copied, flags.from_reason(reason), dataset[flag].values)
            changed[flag] = dataset[flag].variable.copy(data=level.astype(np.int8))
    return dataset.assign(changed)


def table_rows(table: xr.Dataset, dim: str) -> np.ndarray:
    """Row in its table of each row of a Dataset of :meth:`Copies.without`."""
    if TABLE_ROW not in table.coords:
        return np.arange(table.sizes[dim])
    return np.asarray(table[TABLE_ROW].values % _TABLE)


def _unflagged(table: xr.DataTree) -> bool:
    """Whether a table has no mask of reasons."""
    return "reason" not in table or table["reason"].dtype.kind not in "iu"


def rows_in_words(hole: xr.DataTree) -> list[str]:
    """A line for each table of a hole that has exact copies, with their number."""
    lines = []
    for node in hole.leaves:
        copies = len(json.loads(node.attrs.get("exact_copies", "[]")))
        if copies:
            plural = "row is an exact copy" if copies == 1 else "rows are exact copies"
            # The column reason of the tables of removed intervals and exclusions is no mask.
            flagged = "kept and not used" if _unflagged(node) else "kept, flagged and not used"
            lines.append(f"{node.path.strip('/')}: {copies} {plural} of an earlier row; {flagged}")
    return lines
