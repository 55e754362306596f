"""One tree as a zarr store that is whole at every moment: a new store, then a one-line pointer."""

from __future__ import annotations

import secrets

import xarray as xr

from corephys.archive_place import Place
from corephys.archive_store import StoreError, read_tree, write_tree
from corephys.ground.provenance import FORMAT_VERSION

__all__ = ["current", "is_saved", "load_tree", "save_tree"]

POINTER = "current"


def is_saved(place: Place) -> bool:
    """Whether a tree was saved at this place."""
    return place.exists(POINTER)


def current(place: Place) -> str:
    """Key of the store that the pointer names.

    Parameters
    ----------
    place : Place
        Where a tree was saved.

    Returns
    -------
    str
        Name of a zarr group directly below the place.

    Raises
    ------
    FileNotFoundError
        When nothing was saved there.
    StoreError
        When the pointer is not one line.
    """
    try:
        line = place.get(POINTER).decode("utf-8", "replace").strip()
    except FileNotFoundError:
        raise FileNotFoundError(
            f"there is no saved hole at {place.where}; export.zarr.save(tree, path) writes one"
        ) from None
    if not line or "/" in line or "\n" in line:
        raise StoreError(f"{place.name(POINTER)} holds no name of a store; save the hole again")
    return line


def save_tree(tree: xr.DataTree, place: Place) -> str:
    """Write a tree; a reader sees the old one or the new one, whole.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole.
    place : Place
        Folder or URL.

    Returns
    -------
    str
        Key of the new store.
    """
    before = [name for name in place.names() if name.endswith(".zarr")]
    name = f"{secrets.token_hex(6)}.zarr"
    try:
        write_tree(tree, place, name)
        place.put(POINTER, f"{name}\n".encode())
    except BaseException:
        place.remove(name)
        raise
    for old in before:
        place.remove(old)
    return name


def load_tree(place: Place) -> xr.DataTree:
    """Read what :func:`save_tree` wrote, fully into memory.

    Parameters
    ----------
    place : Place
        Folder or URL.

    Returns
    -------
    DataTree
        Values, types, names and attributes as they were.

    Raises
    ------
    FileNotFoundError
        When nothing was saved there.
    StoreError
        When a part is missing or cut short, or a later format wrote it.
    """
    tree = read_tree(place, current(place))
    version = str(tree.attrs.get("format_version", FORMAT_VERSION))
    if not version.isdigit() or int(version) > int(FORMAT_VERSION):
        raise StoreError(
            f"{place.where} has format_version {version}; this package reads up to "
            f"{FORMAT_VERSION}: install a newer corephys"
        )
    return tree
