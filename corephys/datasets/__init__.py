"""Holes that come with the package: invented data to try things out."""

from __future__ import annotations

import os
import zipfile
from importlib.resources import as_file, files
from pathlib import Path

__all__ = ["demo_hole"]

_ARCHIVE = "demo_hole.zip"


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
    out = Path(folder)
    if (out / "hole.toml").is_file():
        return out
    if out.is_dir() and any(out.iterdir()):
        raise FileExistsError(
            f"{out} holds other files and no hole.toml; give a new or an empty folder"
        )
    out.mkdir(parents=True, exist_ok=True)
    with as_file(files(__name__) / _ARCHIVE) as path, zipfile.ZipFile(path) as archive:
        # The settings last: a folder with them is a complete one.
        names = sorted(archive.namelist(), key=lambda name: (name == "hole.toml", name))
        for name in names:
            archive.extract(name, out)
    return out
