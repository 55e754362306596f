"""Holes and a site that come with the package: invented data to try things out."""

from __future__ import annotations

import os
import zipfile
from importlib.resources import as_file, files
from pathlib import Path

__all__ = ["demo_hole", "demo_site"]


def demo_hole(folder: str | os.PathLike[str] = "demo_hole") -> Path:
    """Unpack the demo hole, invented data with all tables of a hole.

    Parameters
    ----------
    folder : path
        Folder to write; by default ``demo_hole`` in the working folder. A folder that holds the
        demo hole already is used as it is, changes included.

    Returns
    -------
    Path
        The folder, for ``cp.read_hole``.

    Raises
    ------
    FileExistsError
        If the folder holds other files and no ``hole.toml``.

    Examples
    --------
    >>> import tempfile
    >>> import corephys as cp
    >>> folder = cp.datasets.demo_hole(tempfile.mkdtemp())
    >>> sorted(path.name for path in folder.iterdir())[:4]
    ['ages.csv', 'checkshots.csv', 'cores.csv', 'description.csv']
    """
    return _unpacked("demo_hole.zip", Path(folder), "hole.toml")


def demo_site(folder: str | os.PathLike[str] = "demo_site") -> Path:
    """Unpack the demo site, three invented holes through one column of sediment.

    Parameters
    ----------
    folder : path
        Folder to write; by default ``demo_site`` in the working folder. A folder that holds the
        demo site already is used as it is, changes included.

    Returns
    -------
    Path
        The folder, for ``cp.read_site``.

    Raises
    ------
    FileExistsError
        If the folder holds other files and no ``site.toml``.
    """
    return _unpacked("demo_site.zip", Path(folder), "site.toml")


def _unpacked(archive: str, out: Path, settings: str) -> Path:
    """Folder with the files of an archive; its settings are written last."""
    if (out / settings).is_file():
        return out
    if out.is_dir() and any(out.iterdir()):
        raise FileExistsError(
            f"{out} holds other files and no {settings}; give a new or an empty folder"
        )
    out.mkdir(parents=True, exist_ok=True)
    with as_file(files(__name__) / archive) as path, zipfile.ZipFile(path) as held:
        # A folder with the settings is a complete one.
        for name in sorted(held.namelist(), key=lambda name: (name == settings, name)):
            held.extract(name, out)
    return out
