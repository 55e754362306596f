"""Where the holes of an archive come from."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from corephys.archive_place import Place
from corephys.archive_saved import is_saved

__all__ = ["find", "refuse_inside"]


def find(source: Any, out: Place, options: Mapping[str, Any]) -> dict[str, str]:
    """Holes by name; refuses what would be mixed up.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        A folder of holes, one hole, a list of holes, or a mapping of names to holes.
    out : Place
        The archive, which must lie elsewhere.
    options : mapping
        For the file system of a URL.

    Returns
    -------
    dict of str to str
        Path or URL of each hole.

    Raises
    ------
    ValueError
        When there is no hole, two have one name, or the archive would lie among them.
    """
    if isinstance(source, Mapping):
        pairs = [(str(name), Place.of(where, options)) for name, where in source.items()]
    elif isinstance(source, (str, os.PathLike)):
        root = Place.of(source, options)
        refuse_inside(root, out)
        if not root.exists():
            raise ValueError(f"there is no folder {root.where}; give the folder of the holes")
        if _is_hole(root):
            pairs = [(_last(root), root)]
        else:
            below = [(name, Place(root.name(name), root.options)) for name in root.names()]
            pairs = [(name, place) for name, place in below if _is_hole(place)]
    else:
        pairs = [(_last(place), place) for place in (Place.of(s, options) for s in source)]
    if not pairs:
        raise ValueError(
            f"no holes in {source!r}: a hole is a folder with hole.toml, or one that "
            "export.zarr.save wrote; give the folder that holds them, or a list of holes"
        )
    found: dict[str, str] = {}
    for name, place in sorted(pairs, key=lambda pair: pair[0]):
        refuse_inside(place, out)
        if name in found:
            raise ValueError(
                f"two holes are called {name!r}: {found[name]} and {place.where}; give a mapping "
                "of names to folders instead"
            )
        if not name or "/" in name or "\\" in name or name.startswith((".", "_")):
            raise ValueError(
                f"{name!r} cannot name a hole in an archive: no slash, no dot or underscore at "
                "its beginning; give a mapping of names to folders instead"
            )
        found[name] = place.where
    return found


def _last(place: Place) -> str:
    return place.where.rstrip("/\\").replace("\\", "/").rpartition("/")[2]


def _is_hole(place: Place) -> bool:
    return place.exists("hole.toml") or is_saved(place)


def refuse_inside(source: Place, out: Place) -> None:
    """Refuse an archive among the holes: it would be read as one of them."""
    if source.is_local and out.is_local:
        inside = Path(out.where).resolve().is_relative_to(Path(source.where).resolve())
    else:
        inside = f"{out.where}/".startswith(f"{source.where}/")
    if inside:
        raise ValueError(
            f"out, {out.where}, lies inside the source {source.where}: an archive among the holes "
            "would be read as one of them. Give a folder beside it"
        )
