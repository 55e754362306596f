"""Leaves of a reduced hole as figures need them: series with flags, errors and depths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.figures.style import label
from corephys.ground.choices import choice
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.folder import instead_of_site, is_site

__all__ = ["NothingToDraw"]

DEPTHS = ("depth", "depth_fitted")
#: Attribute of a tree that holds a part of a hole only; its value names the part.
PART = "part_of_hole"


class NothingToDraw(ValueError):
    """The reduced hole lacks the data of a figure."""


@dataclass(frozen=True)
class Series:
    """One quantity against depth as plain arrays.

    Parameters
    ----------
    name : str
        Quantity.
    label : str
        Label of its axis.
    values, depth, error : (n,) ndarray
        Values, depths [m] and standard uncertainties, NaN where unknown.
    flag : (n,) ndarray of int
        Flags, 1 to 9; all 1 where the leaf has none.
    supplied : bool
        Whether the values were supplied already reduced.
    """

    name: str
    label: str
    values: np.ndarray
    depth: np.ndarray
    error: np.ndarray
    flag: np.ndarray
    supplied: bool = False


def of_name(table: xr.Dataset, key: str, name: str) -> xr.Dataset:
    """First row of a table whose column ``key`` holds ``name``; no row where none does."""
    here = np.flatnonzero(table[key].values.astype(str) == name)
    return table.isel({table[key].dims[0]: here[:1]})


def node(tree: xr.DataTree, path: str) -> xr.Dataset | None:
    """Leaf at ``path``, written without the leading slash; None if it is missing or empty."""
    try:
        found = tree[path]  # the operator "in" looks at one level only
    except KeyError:
        return None
    if not isinstance(found, xr.DataTree):
        return None
    dataset = found.to_dataset(inherit=False)
    return dataset if dataset.variables and all(dataset.sizes.values()) else None


def the_hole(tree: xr.DataTree) -> str:
    """Words of a message for what is drawn: the hole, or the part of it."""
    return f"this part of the hole ({tree.attrs[PART]})" if PART in tree.attrs else "this hole"


def require(tree: xr.DataTree, path: str, figure: str) -> xr.Dataset:
    """Leaf that a figure needs; raises NothingToDraw with the figure's name if it is missing."""
    found = node(tree, path)
    if found is None and is_site(tree):
        raise NothingToDraw(f"the figure {figure} needs /{path}; {instead_of_site(tree)}")
    if found is None and PART in tree.attrs:
        raise NothingToDraw(
            f"the figure {figure} needs /{path}, which {the_hole(tree)} does not have; choose "
            "other cores or depths"
        )
    if found is None:
        held = ", ".join(filter(None, (leaf.path.strip("/") for leaf in tree.leaves))) or "no data"
        raise NothingToDraw(
            f"the figure {figure} needs /{path}, which this hole does not have (it has {held}); "
            "cp.overview(reduced) lists the stages that were skipped and why"
        )
    return found


def series(tree: xr.DataTree, path: str, name: str, *, depth_scale: str = "depth") -> Series | None:
    """Quantity of a leaf against depth; None if it is missing or no value is a number.

    A leaf without a fitted depth gives its depth as laid out.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    dataset = node(tree, path)
    if dataset is None or name not in dataset or "depth" not in dataset.coords:
        return None
    values = dataset[name].values.astype(float)
    if not np.isfinite(values).any():
        return None
    depth = dataset[depth_scale if depth_scale in dataset.coords else "depth"].values
    known = f"{name}_u_random" in dataset and f"{name}_u_systematic" in dataset
    error = uncertainty.total(dataset, name).values if known else np.full(values.size, np.nan)
    flagged = f"{name}_flag" in dataset
    level = dataset[f"{name}_flag"].values if flagged else np.ones(values.size, dtype=int)
    unit = str(dataset[name].attrs.get("units", TERMS[name].unit if name in TERMS else "1"))
    supplied = "supplied_from" in dataset.attrs
    return Series(name, label(name, unit), values, depth, error, level, supplied)


def supplied_beside(tree: xr.DataTree, name: str, *, depth_scale: str = "depth") -> list[Series]:
    """Supplied values of a quantity that stand beside the measured ones, of samples and scan."""
    paths = ("supplied_index_properties", f"supplied_samples_{name}", f"supplied_{name}")
    found = [series(tree, f"properties/{path}", name, depth_scale=depth_scale) for path in paths]
    return [one for one in found if one is not None]


def scalar(dataset: xr.Dataset, name: str) -> tuple[float, float]:
    """Single value of a leaf and its combined standard uncertainty; NaN where not known."""
    if name not in dataset:
        return float("nan"), float("nan")
    parts = (f"{name}_u_random", f"{name}_u_systematic")
    if not all(part in dataset for part in parts):
        return float(dataset[name]), float("nan")
    random, systematic = (float(dataset[part]) for part in parts)
    return float(dataset[name]), float(np.hypot(random, systematic))
