"""What figures take out of a reduced hole: a series with its flags, errors and depths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.figures.style import label
from corephys.ground.vocabulary import TERMS

__all__ = ["DEPTHS", "NothingToDraw", "Series", "node", "of_name", "require", "scalar", "series"]

DEPTHS = ("depth", "depth_fitted")


class NothingToDraw(ValueError):
    """The reduced hole lacks what a figure shows."""


@dataclass(frozen=True)
class Series:
    """One quantity against depth as plain arrays.

    Parameters
    ----------
    name : str
        Quantity.
    label : str
        Words of its axis.
    values, depth, error : (n,) ndarray
        Values, depths [m] and standard uncertainties, NaN where unknown.
    flag : (n,) ndarray of int
        Flags of the scheme.
    """

    name: str
    label: str
    values: np.ndarray
    depth: np.ndarray
    error: np.ndarray
    flag: np.ndarray


def of_name(table: xr.Dataset, key: str, name: str) -> xr.Dataset:
    """The row of a table that has a name.

    Parameters
    ----------
    table : Dataset
        Along one dimension.
    key : str
        Its column of names.
    name : str
        Which one; the first where it stands twice.

    Returns
    -------
    Dataset
        One row, or none.
    """
    here = np.flatnonzero(table[key].values.astype(str) == name)
    return table.isel({table[key].dims[0]: here[:1]})


def node(tree: xr.DataTree, path: str) -> xr.Dataset | None:
    """A leaf of the tree.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    path : str
        Without the leading stroke.

    Returns
    -------
    Dataset or None
        None where it is missing or empty.
    """
    try:
        found = tree[path]  # "in" looks at one level only
    except KeyError:
        return None
    if not isinstance(found, xr.DataTree):
        return None
    dataset = found.to_dataset(inherit=False)
    return dataset if dataset.variables and all(dataset.sizes.values()) else None


def require(tree: xr.DataTree, path: str, figure: str) -> xr.Dataset:
    """A leaf of the tree that a figure cannot do without.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    path : str
        Without the leading stroke.
    figure : str
        Name of the figure, for the message.

    Returns
    -------
    Dataset
        The leaf.

    Raises
    ------
    NothingToDraw
        When it is missing.
    """
    found = node(tree, path)
    if found is None:
        held = ", ".join(leaf.path.strip("/") for leaf in tree.leaves)
        raise NothingToDraw(
            f"the figure {figure} shows /{path}, which this hole does not have (it has {held}); "
            "its summary says which stages were skipped and why"
        )
    return found


def series(tree: xr.DataTree, path: str, name: str, *, depth_scale: str = "depth") -> Series | None:
    """A quantity of a leaf against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    path, name : str
        Leaf and quantity.
    depth_scale : {"depth", "depth_fitted"}
        Which depth; a leaf without a fitted depth gives the other.

    Returns
    -------
    Series or None
        None where the leaf or the quantity is missing, or no value is a number.

    Raises
    ------
    ValueError
        For a depth scale that there is not.
    """
    if depth_scale not in DEPTHS:
        raise ValueError(f"depth_scale is {depth_scale!r}; it is one of {', '.join(DEPTHS)}")
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
    return Series(name, label(name, unit), values, depth, error, level)


def scalar(dataset: xr.Dataset, name: str) -> tuple[float, float]:
    """A single value of a leaf and its standard uncertainty.

    Parameters
    ----------
    dataset : Dataset
        Leaf.
    name : str
        Quantity without a dimension.

    Returns
    -------
    tuple of float and float
        NaN for what is not known.
    """
    if name not in dataset:
        return float("nan"), float("nan")
    parts = (f"{name}_u_random", f"{name}_u_systematic")
    if not all(part in dataset for part in parts):
        return float(dataset[name]), float("nan")
    random, systematic = (float(dataset[part]) for part in parts)
    return float(dataset[name]), float(np.hypot(random, systematic))
