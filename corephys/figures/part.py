"""The part of a hole that a figure draws: cores by name, or a range of depth.

The tables of the hole are cut before anything is drawn. Points, counts, limits and the table of
the figure are then those of the part; fits keep the numbers of the complete hole.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pandas as pd
import xarray as xr

from corephys.figures.reading import PART, NothingToDraw, node
from corephys.ground import units
from corephys.hole.composite.folder import instead_of_site, is_site

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["Cores", "Depths", "Part", "cut", "part_of"]

#: One core by its name, or several.
Cores: TypeAlias = "str | Sequence[str]"
#: Top and bottom of a range of depth; None where an end is open.
Depths: TypeAlias = "tuple[Scalar | None, Scalar | None]"

_NAMED = 12  # names of cores that are listed in a title


@dataclass(frozen=True)
class Part:
    """The part of a hole that is drawn.

    Parameters
    ----------
    words : str
        The part in words, such as ``"core 5"`` or ``"20 to 60 m"``.
    sentence : str
        Sentence of the caption.
    low, high : float
        Ends that the caller gave [m], infinite where open.
    """

    words: str
    sentence: str
    low: float
    high: float

    def __str__(self) -> str:
        return self.words


def part_of(tree: xr.DataTree) -> Part | None:
    """Part of a tree from :func:`cut`; None for a complete hole."""
    found = tree.attrs.get(PART)
    return found if isinstance(found, Part) else None


def cut(
    tree: xr.DataTree,
    core: Cores | None,
    depth: Depths | None,
    *,
    depth_scale: str = "depth",
    kept: str = "",
) -> xr.DataTree:
    """Hole with the rows of some cores, or between two depths; the hole itself without either.

    Rows that name a core belong to that core. Rows by depth alone, such as profiles and layers,
    are those between the top of the first core and the bottom of the last. ``kept`` is a sentence
    on what the figure keeps from the complete hole. NothingToDraw if no table has a row there;
    ValueError for an unknown core or a range that is none.
    """
    if core is None and depth is None:
        return tree
    if is_site(tree):
        raise NothingToDraw(
            f"core is {core!r} and depth is {depth!r}; give one hole of which they select a part: "
            f"{instead_of_site(tree)}"
        )
    ending = "_fitted" if depth_scale == "depth_fitted" else ""
    low, high = _ends(depth)
    names = None if core is None else _names(tree, core)
    reach = (low, high) if names is None else _reach(tree, names, ending, (low, high))
    leaves: dict[str, xr.Dataset] = {}
    placed = False
    for leaf in tree.leaves:
        table = leaf.to_dataset(inherit=False)
        dim = _rows(table)
        if dim is None:
            leaves[leaf.path] = table
            continue
        here = _inside(tree, table, dim, names, (low, high), reach, ending)
        placed |= bool(here.any()) and leaf.path not in ("/cores", "/sections", "/layers")
        mirror = f"{dim}_2"  # second side of a covariance
        pick = np.flatnonzero(here)
        sides = [dim, mirror] if table.sizes.get(mirror) == table.sizes[dim] else [dim]
        leaves[leaf.path] = table.isel(dict.fromkeys(sides, pick))
        leaves[leaf.path].encoding = dict(table.encoding)  # folder of the pictures
    words = _words(names, low, high)
    if not placed:
        whole = _whole(tree, ending)
        raise NothingToDraw(
            f"core is {core!r} and depth is {depth!r}, where nothing was measured or described"
            f"{whole}; choose other cores or depths"
        )
    found = xr.DataTree.from_dict(leaves)
    more = f" {kept}" if kept else ""
    sentence = f"Drawn: {words}.{more}"
    found.attrs = {**tree.attrs, PART: Part(words, sentence, low, high)}
    return found


def _ends(depth: Depths | None) -> tuple[float, float]:
    """Top and bottom of a range [m], infinite where open."""
    if depth is None:
        return -np.inf, np.inf
    if isinstance(depth, str) or not isinstance(depth, Sequence) or len(depth) != 2:
        raise ValueError(
            f"depth is {depth!r}; give top and bottom with units, such as ('20 m', '60 m'), or "
            "None for an open end"
        )
    given = [units.as_floats(x, "m", "depth", optional=True) for x in depth]
    low = -np.inf if given[0] is None else float(given[0])
    high = np.inf if given[1] is None else float(given[1])
    if not low < high:
        raise ValueError(
            f"depth is from {low:g} m to {high:g} m; the first must be smaller, since depth "
            "increases downward"
        )
    return low, high


def _names(tree: xr.DataTree, core: Cores) -> list[str]:
    """Names of the cores that the caller wants, all known to the hole."""
    wanted = [core] if isinstance(core, str) or not isinstance(core, Sequence) else list(core)
    if not wanted or not all(isinstance(one, str) for one in wanted):
        raise ValueError(
            f"core is {core!r}; give the name of a core as text, such as '5', or several names"
        )
    # Names of cores are compared letter by letter: "1A" and "1a" may be two cores.
    known = _known(tree)
    missing = [one for one in wanted if one not in known]
    if missing:
        held = ", ".join(known) if known else "(none)"
        raise ValueError(f"core is {missing[0]!r}; give a core of this hole, one of {held}")
    return list(dict.fromkeys(wanted))


def _known(tree: xr.DataTree) -> list[str]:
    """Names of all cores, those of the table of cores first."""
    tables = [node(tree, "cores"), *(leaf.to_dataset(inherit=False) for leaf in tree.leaves)]
    held: dict[str, None] = {}
    for table in tables:
        if table is not None and "core" in table.variables:
            held |= dict.fromkeys(pd.unique(table["core"].values.astype(str)).tolist())
    held.pop("", None)
    return list(held)


def _rows(table: xr.Dataset) -> Hashable | None:
    """Dimension whose rows have a core or a depth; None for tables without a place."""
    for name in ("core", "depth", "top"):
        if name in table.variables and table[name].ndim == 1:
            return table[name].dims[0]
    return None


def _inside(
    tree: xr.DataTree,
    table: xr.Dataset,
    dim: Hashable,
    names: list[str] | None,
    ends: tuple[float, float],
    reach: tuple[float, float],
    ending: str,
) -> np.ndarray:
    """Mask of the rows of a table that belong to the part.

    ``ends`` are those of the caller, ``reach`` those of the cores within them [m].
    """
    here = np.ones(table.sizes[dim], dtype=bool)
    named = np.zeros(here.size, dtype=bool)
    if "core" in table.variables:
        core = table["core"].values.astype(str)
        named = core != ""
        if names is not None:
            here &= np.where(named, np.isin(core, names), True)
    span = _span(table, ending)
    if span is None:
        # Sections and removed intervals have no depths: they go with their core.
        cores = node(tree, "cores")
        if np.isfinite(ends).any() and cores is not None and "core" in table.variables:
            top, bottom = _span(cores, "") or (np.zeros(0), np.zeros(0))
            reached = cores["core"].values.astype(str)[(top < ends[1]) & (bottom > ends[0])]
            here &= np.isin(table["core"].values.astype(str), reached)
        return here
    low, high = (np.where(named, *pair) for pair in zip(ends, reach, strict=True))
    top, bottom = span
    point = top == bottom
    inside = np.where(point, (top >= low) & (top <= high), (top < high) & (bottom > low))
    # A row of a wanted core stays even where it has no depth: it is counted as missing.
    lost = ~np.isfinite(top) & named & (names is not None) & ~np.isfinite(ends).any()
    return here & (inside | lost)


def _span(table: xr.Dataset, ending: str) -> tuple[np.ndarray, np.ndarray] | None:
    """Top and bottom of each row [m], equal for a reading at one depth; None without depths."""
    if {"top", "advance"} <= set(table.variables):
        top = table["top"].values.astype(float)
        length = table["advance"].values.astype(float)
        if "recovered" in table.variables:  # more than 100 % reaches below the advance
            length = np.fmax(length, table["recovered"].values.astype(float))
        return top, top + length
    for pair in ((f"top{ending}", f"bottom{ending}"), ("top", "bottom")):
        if set(pair) <= set(table.variables) and table[pair[0]].ndim == 1:
            top, bottom = (table[name].values.astype(float) for name in pair)
            return top, bottom
    for name in (f"depth{ending}", "depth"):
        if name in table.variables and table[name].ndim == 1:
            depth = table[name].values.astype(float)
            return depth, depth
    return None


def _reach(
    tree: xr.DataTree, names: list[str], ending: str, ends: tuple[float, float]
) -> tuple[float, float]:
    """Top of the first and bottom of the last of some cores [m], within the caller's ends."""
    low, high = [], []
    for leaf in tree.leaves:
        table = leaf.to_dataset(inherit=False)
        span = _span(table, ending)
        if span is None or "core" not in table.variables:
            continue
        here = np.isin(table["core"].values.astype(str), names)
        known = here & np.isfinite(span[0]) & np.isfinite(span[1])
        if known.any():
            low.append(float(span[0][known].min()))
            high.append(float(span[1][known].max()))
    if not low:  # a core without depths has no rows by depth
        return np.inf, -np.inf
    return max(min(low), ends[0]), min(max(high), ends[1])


def _words(names: list[str] | None, low: float, high: float) -> str:
    """The part in words."""
    words = ""
    if names is not None:
        shown = names if len(names) <= _NAMED else [*names[:_NAMED], f"{len(names)} in all"]
        words = f"core {names[0]}" if len(names) == 1 else f"cores {', '.join(shown)}"
    if np.isfinite(low) and np.isfinite(high):
        between = f"{low:g} to {high:g} m"
    elif np.isfinite(low):
        between = f"below {low:g} m"
    elif np.isfinite(high):
        between = f"above {high:g} m"
    else:
        return words
    return f"{words}, {between}" if words else between


def _whole(tree: xr.DataTree, ending: str) -> str:
    """Words on the depths of the complete hole; empty where they are not known."""
    spans = [
        span
        for leaf in tree.leaves
        if (span := _span(leaf.to_dataset(inherit=False), ending)) is not None
    ]
    top = np.concatenate([span[0] for span in spans]) if spans else np.zeros(0)
    bottom = np.concatenate([span[1] for span in spans]) if spans else np.zeros(0)
    if not np.isfinite(top).any() or not np.isfinite(bottom).any():
        return ""
    return f" (the hole reaches from {np.nanmin(top):g} to {np.nanmax(bottom):g} m)"
