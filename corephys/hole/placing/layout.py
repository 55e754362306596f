"""Layout of a hole: sections laid end to end, closed voids, fitting into the advance, layers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import units
from corephys.ground.series import PositionError
from corephys.hole.reading.columns import read_columns
from corephys.hole.reading.csv import from_frame
from corephys.hole.reading.error import HoleError
from corephys.hole.reading.tables import TABLES

__all__ = [
    "Layout",
    "arrays",
    "codes_of",
    "encode",
    "lay_out",
    "layer_column",
    "layout_of",
    "method_of",
    "texts",
]

# --------------------------------------------------------------------------------------------------
# Layout of the sections.
#
# Text keys become whole numbers once; a depth is then a look-up and a sum, fast for a million
# readings.


@dataclass
class Layout:
    """Sections of a hole in plain arrays, in the order of their table.

    Parameters
    ----------
    codes : dict of (core, section) to int
        Row of each section.
    core_of : (sections,) ndarray of int
        Row of each section's core.
    core_top : (cores,) ndarray
        Top of each core [m].
    above : (sections,) ndarray
        Length of the sections above in the same core [m].
    length : (sections,) ndarray
        Length as laid out [m].
    factor : (cores,) ndarray
        Advance divided by the length of the core without closed voids, 1 at most.
    void_core, void_start, void_length : (voids,) ndarray
        Closed voids in order of core and start, without overlaps; start is the length of core
        above them [m].
    spare : (cores,) ndarray
        Advance less the length of the core without closed voids [m]; negative for a core that is
        longer than its advance.
    """

    codes: dict[tuple[str, ...], int]
    core_of: np.ndarray
    core_top: np.ndarray
    above: np.ndarray
    length: np.ndarray
    factor: np.ndarray
    void_core: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    void_start: np.ndarray = field(default_factory=lambda: np.zeros(0))
    void_length: np.ndarray = field(default_factory=lambda: np.zeros(0))
    spare: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def encode(self, core: Any, section: Any) -> np.ndarray:
        """Row of the section of each reading, -1 where there is no such section."""
        codes, pairs = encode(core, section)
        table = np.array([self.codes.get(pair, -1) for pair in pairs], dtype=np.intp)
        return table[codes] if len(pairs) else np.zeros(0, dtype=np.intp)

    def place(self, code: np.ndarray, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Depth as laid out and depth fitted into the advance [m].

        Parameters
        ----------
        code : (n,) ndarray of int
            Row of the section, -1 for none.
        offset : (n,) ndarray
            Offset from the section's top [cm].

        Returns
        -------
        tuple of (n,) ndarray
            NaN where there is no section or no offset.
        """
        core_top, factor = self.core_top[self.core_of], self.factor[self.core_of]
        closed = self.closed_above(self.core_of, self.above)
        has_void = self.closed_above(self.core_of, self.above + self.length) > closed
        # A code of -1 (no section) takes the appended NaN.
        inside = offset / 100.0
        depth = np.append(core_top + self.above, np.nan)[code]
        depth += inside
        if not (has_void | (closed > 0.0) | (factor < 1.0)).any():
            return depth, depth.copy()
        inside *= np.append(factor, 1.0)[code]
        fitted = np.append(core_top + (self.above - closed) * factor, np.nan)[code]
        fitted += inside
        if has_void.any():
            moved = np.flatnonzero(np.append(has_void, False)[code])
            section = code[moved]
            start = self.above[section]
            within = start + offset[moved] / 100.0
            # A reading past the end of its section is not moved by voids of the next section.
            at = np.clip(within, start, start + self.length[section])
            within -= self.closed_above(self.core_of[section], at)
            fitted[moved] = core_top[section] + within * factor[section]
        return depth, fitted

    def close(self, code: np.ndarray, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Offset and depth with the closed voids closed up, nothing squeezed.

        Parameters
        ----------
        code : (n,) ndarray of int
            Row of the section, -1 for none.
        offset : (n,) ndarray
            Offset from the section's top [cm].

        Returns
        -------
        tuple of (n,) ndarray
            Offset within the section [cm] and depth below seafloor [m]; NaN where there is no
            section or no offset.
        """
        above = self.closed_above(self.core_of, self.above)
        top = np.append(self.core_top[self.core_of] + self.above - above, np.nan)[code]
        closed = np.where(code < 0, np.nan, offset)
        has_void = self.closed_above(self.core_of, self.above + self.length) > above
        moved = np.flatnonzero(np.append(has_void, False)[code])
        section = code[moved]
        start = self.above[section]
        # A reading past the end of its section is not moved by voids of the next section.
        at = np.clip(start + offset[moved] / 100.0, start, start + self.length[section])
        gone = self.closed_above(self.core_of[section], at) - above[section]
        closed[moved] -= 100.0 * gone
        return closed, top + closed / 100.0

    def closed_above(self, core: np.ndarray, inside: np.ndarray) -> np.ndarray:
        """Length of closed void above a point; inside a void, its part above the point.

        Parameters
        ----------
        core : (n,) ndarray of int
            Row of the core.
        inside : (n,) ndarray
            Length of core above the point [m].

        Returns
        -------
        (n,) ndarray
            [m].
        """
        if self.void_core.size == 0:
            return np.zeros(inside.shape)
        # One sorted axis for all cores, each in a stretch longer than any core: one search for all.
        pace = 2.0 * float(np.max(self.above + self.length, initial=0.0)) + 1000.0
        total = np.concatenate([[0.0], np.cumsum(self.void_length)])
        first = np.searchsorted(self.void_core, core)
        last = np.searchsorted(
            self.void_core * pace + self.void_start, core * pace + inside, side="right"
        )
        last = np.maximum(last, first)
        before = np.maximum(last - 1, first)
        whole = total[before] - total[first]
        nearest = np.minimum(before, self.void_core.size - 1)
        part = np.clip(inside - self.void_start[nearest], 0.0, self.void_length[nearest])
        return whole + np.where(last > first, part, 0.0)


def encode(*keys: Any) -> tuple[np.ndarray, list[tuple[str, ...]]]:
    """Whole-number codes of text keys.

    Readings come in runs of equal keys, so only the first of each run is compared as text.

    Parameters
    ----------
    *keys : (n,) ndarray of str or pandas.Categorical
        Columns of equal length.

    Returns
    -------
    tuple of (n,) ndarray of int and list of tuples
        Codes, and the keys of each code in order of appearance.
    """
    if all(isinstance(key, pd.Categorical) for key in keys):
        return _encode_categories(keys)
    arrays = [np.asarray(key, dtype=object) for key in keys]
    size = arrays[0].size
    if size == 0:
        return np.zeros(0, dtype=np.intp), []
    change = np.zeros(size, dtype=bool)
    change[0] = True
    for array in arrays:
        change[1:] |= array[1:] != array[:-1]
    heads = np.flatnonzero(change)
    known: dict[tuple[str, ...], int] = {}
    head_codes = np.fromiter(
        (
            known.setdefault(pair, len(known))
            for pair in zip(*(array[heads].tolist() for array in arrays), strict=True)
        ),
        dtype=np.intp,
        count=heads.size,
    )
    return np.repeat(head_codes, np.diff(np.append(heads, size))), list(known)


def _encode_categories(keys: Any) -> tuple[np.ndarray, list[tuple[str, ...]]]:
    """Codes from categories, whose texts are already numbered; -1 is the empty text."""
    combined = np.zeros(len(keys[0]), dtype=np.intp)
    names: list[tuple[str, ...]] = [()]
    for key in keys:
        texts = [*map(str, key.categories), ""]
        count = len(texts)
        combined *= count
        combined += np.where(key.codes < 0, count - 1, key.codes) if -1 in key.codes else key.codes
        names = [(*name, text) for name in names for text in texts]
    return combined, names


def lay_out(
    cores: dict[str, Any], sections: dict[str, Any], removed: dict[str, Any] | None = None
) -> Layout:
    """Lay the sections of each core end to end.

    Parameters
    ----------
    cores : dict of arrays
        Columns core, top [m], advance [m].
    sections : dict of arrays
        Columns core, section, length [m]; the rows are in order downward.
    removed : dict of arrays, optional
        Columns core, section, from [cm], to [cm], kind; only closed voids change depths.

    Returns
    -------
    Layout

    Notes
    -----
    Top of a section = top of its core + lengths of the sections above it (definition). If the
    lengths less the closed voids exceed the advance, they are squeezed into it.
    """
    rows = {name: row for row, name in enumerate(cores["core"].tolist())}
    core_of = np.array([rows[name] for name in sections["core"].tolist()], dtype=np.intp)
    length = np.asarray(sections["length"], dtype=float)
    order = np.argsort(core_of, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(length[order])])[:-1]
    sorted_core = core_of[order]
    start = total[np.searchsorted(sorted_core, sorted_core)] if order.size else total[:0]
    above = np.zeros(length.size)
    above[order] = total - start if order.size else total[:0]
    pairs = zip(sections["core"].tolist(), sections["section"].tolist(), strict=True)
    codes: dict[tuple[str, ...], int] = {pair: row for row, pair in enumerate(pairs)}
    count = len(rows)
    left = np.bincount(core_of, weights=length, minlength=count).astype(float)
    void = _closed_voids(removed, codes, core_of, above)
    left -= np.bincount(void[0], weights=void[2], minlength=count)
    advance = np.asarray(cores["advance"], dtype=float)
    # A nanometre: the sum of section lengths may exceed an equal advance by its rounding.
    squeezed = left > advance + 1e-9
    factor = np.where(squeezed, advance / np.where(left > 0, left, 1.0), 1.0)
    top = np.asarray(cores["top"], dtype=float)
    return Layout(codes, core_of, top, above, length, factor, *void, advance - left)


def _closed_voids(
    removed: dict[str, Any] | None, codes: dict[tuple[str, ...], int], core_of: Any, above: Any
) -> tuple[Any, Any, Any]:
    """Core, start and length of closed voids; overlapping ones are merged."""
    merged: list[list[float]] = []
    for core, start, end in _intervals(removed, codes, core_of, above):
        if merged and merged[-1][0] == core and start <= merged[-1][2]:
            merged[-1][2] = max(merged[-1][2], end)
        else:
            merged.append([core, start, end])
    array = np.array(merged, dtype=float).reshape(-1, 3)
    return array[:, 0].astype(int), array[:, 1], array[:, 2] - array[:, 1]


def _intervals(
    removed: dict[str, Any] | None, codes: dict[tuple[str, ...], int], core_of: Any, above: Any
) -> list[tuple[int, float, float]]:
    """Core, start and end [m] of each closed void, sorted."""
    if removed is None or len(removed["core"]) == 0:
        return []
    found = []
    names = ("core", "section", "from", "to", "kind")
    for core, section, start, end, kind in zip(*(removed[n] for n in names), strict=True):
        code = codes.get((core, section))
        if kind == "closed_void" and code is not None and end > start:
            found.append((int(core_of[code]), above[code] + start / 100, above[code] + end / 100))
    return sorted(found)


# --------------------------------------------------------------------------------------------------
# Layout from the tables of a hole, and rows of the layout from text keys.


def codes_of(layout: Layout, core: Any, section: Any) -> np.ndarray:
    """Row of the section of each reading; PositionError if a reading has none."""
    code = layout.encode(core, section)
    unknown = np.flatnonzero(code < 0)
    if unknown.size:
        row = int(unknown[0])
        more = f" ({unknown.size} such readings)" if unknown.size > 1 else ""
        raise PositionError(
            f"core {core[row]!r}, section {section[row]!r} of reading {row} is not in sections"
            f"{more}; add the section, or correct the keys: '01' is not '1'"
        )
    return code


def layout_of(sections: Any, cores: Any, removed: Any) -> Layout:
    """Layout of a hole from its tables, those of ``corephys.depth.place``.

    PositionError if a core of ``sections`` is not in ``cores``.
    """
    gone = None if removed is None else arrays(removed, "removed", "core section from to kind")
    laid = arrays(sections, "sections", "core section length")
    cut = arrays(cores, "cores", "core top advance")
    unknown = sorted(set(laid["core"].tolist()) - set(cut["core"].tolist()))
    if unknown:
        raise PositionError(f"the core {unknown[0]!r} of sections is not in cores; add its row")
    return lay_out(cut, laid, gone)


def arrays(table: Any, name: str, wanted: str) -> dict[str, Any]:
    """Columns of a table of the hole in the units of the contract, by name.

    ``wanted`` are their names with blanks between. HoleError for columns of a DataFrame that
    cannot be read, PositionError for a missing column.
    """
    names = wanted.split()
    schema = TABLES[name].by_name
    if isinstance(table, pd.DataFrame):
        columns, problems = read_columns(from_frame(table, name)[0], TABLES[name])
        # A table made for this call may lack columns that placing does not need.
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
    """Cores or sections as text; PositionError for numbers, of which leading zeros are lost."""
    if isinstance(keys, str):
        return np.array([keys], dtype=object)
    if isinstance(keys, pd.Series):
        keys = keys.array
    if isinstance(keys, pd.Categorical):
        return keys
    array = np.asarray(keys)
    if array.dtype.kind in "iuf":
        raise PositionError(
            f"core and section must be text, got numbers such as {array.flat[0]}. Read the columns "
            "as text: pandas.read_csv(..., dtype=str)"
        )
    return array.astype(object)


# --------------------------------------------------------------------------------------------------
# Layer, lithology and coring method of a reading.


def layer_column(layers: xr.Dataset | None, depth: Any, column: str = "name") -> np.ndarray:
    """Name, or another column, of the layer at each depth [m], as laid out.

    ``"all"`` without a table of layers, ``"between layers"`` outside every layer. A layer includes
    its top and not its bottom; where layers overlap, the later row counts.
    """
    depth = np.asarray(depth, dtype=float)
    if layers is None or column not in layers:
        return np.full(depth.size, "all", dtype=object)
    found = np.full(depth.size, "between layers", dtype=object)
    for word, top, bottom in zip(
        layers[column].values, layers["top"].values, layers["bottom"].values, strict=True
    ):
        found[(depth >= top) & (depth < bottom)] = str(word)
    return found


def method_of(cores: xr.Dataset | None, core: Any) -> np.ndarray:
    """Coring method of the core of each reading; an empty text if it is not known."""
    names = np.asarray(core, dtype=object)
    if cores is None or "core" not in cores or "coring_method" not in cores:
        return np.full(names.size, "", dtype=object)
    known = dict(zip(cores["core"].values, cores["coring_method"].values, strict=True))
    return np.array([known.get(name, "") for name in names], dtype=object)
