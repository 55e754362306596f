"""LAS files of a hole folder, kept byte by byte: they are read when the recipe says what they hold.

Nothing here looks into a file; a broken one is kept like any other.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import xarray as xr

__all__ = ["FOLDER", "read"]

FOLDER = "downhole/logs"


def read(folder: Path) -> dict[str, xr.Dataset]:
    """Keep the LAS files of a hole folder.

    Parameters
    ----------
    folder : Path
        Hole folder; files in its ``downhole/logs`` whose name ends in .las, in any letters.

    Returns
    -------
    dict of str to Dataset
        By path in the hole, such as ``"downhole/logs/first_run"``: ``content`` along ``byte``, and
        the attribute ``file``, the path inside the folder. Signs that a path cannot hold become
        underscores; names that are then alike are numbered.
    """
    found: dict[str, xr.Dataset] = {}
    for path in sorted((folder / FOLDER).glob("*")):
        if path.suffix.lower() != ".las" or not path.is_file():
            continue
        stem = re.sub(r"\W+", "_", path.stem, flags=re.ASCII).strip("_") or "log"
        name, number = stem, 1
        while f"{FOLDER}/{name}" in found:
            number += 1
            name = f"{stem}_{number}"
        content = np.frombuffer(path.read_bytes(), dtype=np.uint8)
        words = {"long_name": "bytes of the file"}
        found[f"{FOLDER}/{name}"] = xr.Dataset(
            {"content": ("byte", content, words)}, attrs={"file": f"{FOLDER}/{path.name}"}
        )
    return found
