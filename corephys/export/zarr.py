"""A hole, raw or reduced, as a zarr store in a folder or an object store.

A new store is written beside the old one, then a one-line pointer names it. A reader finds a
complete hole at every moment. xarray alone opens the store that the pointer names.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

import xarray as xr

from corephys.archive.stores import Place, current, load_tree, save_tree

__all__ = ["load", "save", "store"]


def save(
    tree: xr.DataTree,
    path: str | os.PathLike[str],
    *,
    storage_options: Mapping[str, object] | None = None,
) -> str:
    """Write a hole as a zarr store; an interrupted call leaves the old store in place.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole; data in the leaves, units in the attributes.
    path : path or URL
        Folder of the store and its pointer; created if it does not exist. fsspec opens URLs such
        as ``s3://bucket/hole``.
    storage_options : mapping, optional
        Options of fsspec for the file system of a URL.

    Returns
    -------
    str
        Path or URL of the store, for ``xarray.open_datatree(store, engine="zarr")``.

    Raises
    ------
    TypeError
        If a column holds anything but numbers, truth values, times or texts.

    Notes
    -----
    zarr format 3; numbers are compressed with Blosc (LZ4, byte shuffle), texts are UTF-8.
    """
    # The name is that of the new store, which the pointer names from now on.
    place = Place.of(path, storage_options)
    return place.name(save_tree(tree, place))


def store(
    path: str | os.PathLike[str], *, storage_options: Mapping[str, object] | None = None
) -> str:
    """Path of the zarr store that the pointer names, for other programs.

    Parameters
    ----------
    path : path or URL
        Folder or URL that :func:`save` wrote to.
    storage_options : mapping, optional
        Options of fsspec for the file system of a URL.

    Returns
    -------
    str
        Path or URL of a zarr group.

    Raises
    ------
    FileNotFoundError
        If no hole was saved there.
    """
    place = Place.of(path, storage_options)
    return place.name(current(place))


def load(
    path: str | os.PathLike[str], *, storage_options: Mapping[str, object] | None = None
) -> xr.DataTree:
    """Read a hole of :func:`save` fully into memory.

    Parameters
    ----------
    path : path or URL
        Folder or URL that :func:`save` wrote to.
    storage_options : mapping, optional
        Options of fsspec for the file system of a URL.

    Returns
    -------
    DataTree
        The hole as it was saved: values, types, names, attributes.

    Raises
    ------
    FileNotFoundError
        If no hole was saved there.
    ValueError
        If a part of the store is missing or truncated, or the format is later than this package.
    """
    return load_tree(Place.of(path, storage_options))
