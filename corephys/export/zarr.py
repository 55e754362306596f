"""A hole, raw or reduced, as a zarr store in a folder or an object store.

The store is made beside the old one, then a one-line pointer names it: whoever reads sees a whole
hole at every moment. Plain xarray opens the store that the pointer names.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

import xarray as xr

from corephys.archive.stores import Place, current, load_tree, save_tree

__all__ = ["load", "save", "store"]


def save(
    tree: xr.DataTree,
    path: str | os.PathLike[str],
    *,
    storage_options: Mapping[str, Any] | None = None,
) -> str:
    """Write a hole as a zarr store, whole or not at all.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole; data in the leaves, every unit in its attribute.
    path : path or URL
        Folder that will hold the store and its pointer; made where it does not exist. URLs such
        as ``s3://bucket/hole`` go through fsspec.
    storage_options : mapping, optional
        For the file system of a URL.

    Returns
    -------
    str
        Path or URL of the store, for ``xarray.open_datatree(store, engine="zarr")``.

    Raises
    ------
    TypeError
        When a column holds something else than numbers, truth values, times or texts.

    Notes
    -----
    zarr 3; numbers compressed by Blosc (LZ4, byte shuffle), texts in UTF-8.
    """
    place = Place.of(path, storage_options)
    return place.name(save_tree(tree, place))


def store(path: str | os.PathLike[str], *, storage_options: Mapping[str, Any] | None = None) -> str:
    """Path of the zarr store that the pointer names, for other programs.

    Parameters
    ----------
    path : path or URL
        As for :func:`save`.
    storage_options : mapping, optional
        For the file system of a URL.

    Returns
    -------
    str
        Path or URL of a zarr group.

    Raises
    ------
    FileNotFoundError
        When no hole was saved there.
    """
    place = Place.of(path, storage_options)
    return place.name(current(place))


def load(
    path: str | os.PathLike[str], *, storage_options: Mapping[str, Any] | None = None
) -> xr.DataTree:
    """Read a hole of :func:`save` fully into memory.

    Parameters
    ----------
    path : path or URL
        As for :func:`save`.
    storage_options : mapping, optional
        For the file system of a URL.

    Returns
    -------
    DataTree
        As it was saved: values, types, names, attributes.

    Raises
    ------
    FileNotFoundError
        When no hole was saved there.
    ValueError
        When a part of the store is missing or cut short, or a later format wrote it.
    """
    return load_tree(Place.of(path, storage_options))
