"""Where a result comes from: file digests, versions, and the chain of steps in words."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

__all__ = ["FORMAT_VERSION", "digest", "digests", "root_attributes"]

FORMAT_VERSION = "1"


def digest(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digests(folder: Path, files: list[str]) -> str:
    """Digests of the input files of a hole.

    Parameters
    ----------
    folder : Path
        Hole folder.
    files : list of str
        Paths inside the folder, with ``/``.

    Returns
    -------
    str
        A JSON object, path to digest, in the order of the paths.
    """
    return json.dumps({name: digest(folder / name) for name in sorted(files)})


def root_attributes(recipe_json: str, inputs: str, version: str) -> dict[str, Any]:
    """Global attributes of a reduced hole.

    Parameters
    ----------
    recipe_json : str
        The recipe in full.
    inputs : str
        JSON object of file digests.
    version : str
        Version of the package.

    Returns
    -------
    dict
        ``format_version``, ``recipe``, ``input_sha256``, ``corephys_version`` and ``Conventions``.
    """
    return {
        "Conventions": "CF-1.11",
        "format_version": FORMAT_VERSION,
        "corephys_version": version,
        "recipe": recipe_json,
        "input_sha256": inputs,
    }
