"""Digests of holes: equal before and after a change that must move no number.

``python -m tests.guard HOLE...`` prints one digest of each hole as it is read and one as it is
reduced. Run it before and after a change, on the same machine: another build of NumPy may round
the last digit differently, so digests are compared and never stored.

``--numbers`` leaves texts out, for a change of wording. ``--recipe FILE`` adds a reduction with
the changes of a TOML file, so that stages which are off by default are held as well.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp

# The version of the package changes with every release; it is no property of the hole.
IGNORED = ("corephys_version",)


def _lines(tree: xr.DataTree, numbers: bool) -> Iterator[bytes]:
    """One entry for each variable and each set of attributes, in a fixed order."""
    for node in sorted(tree.subtree, key=lambda node: node.path):
        data = node.to_dataset(inherit=False)
        if not numbers:
            yield _text(node.path, _attributes(data.attrs))
        for name in sorted(data.variables, key=str):
            variable = data.variables[name]
            values = np.asarray(variable.values)
            is_text = values.dtype.kind in "OSU"
            if is_text and numbers:
                continue
            head = [str(name), variable.dims, values.shape, values.dtype.str]
            yield _text(node.path, head if numbers else [*head, _attributes(variable.attrs)])
            yield _text("", values.tolist()) if is_text else values.tobytes()


def _attributes(attributes: dict[Any, Any]) -> list[tuple[str, str]]:
    return sorted((str(k), repr(v)) for k, v in attributes.items() if k not in IGNORED)


def _text(path: str, content: Any) -> bytes:
    return json.dumps([path, content], default=str).encode()


def digest(tree: xr.DataTree, *, numbers: bool = False) -> str:
    """SHA-256 of the names, shapes, types, bytes and attributes of all that a tree holds."""
    total = hashlib.sha256()
    for entry in _lines(tree, numbers):
        total.update(len(entry).to_bytes(8, "big"))
        total.update(entry)
    return total.hexdigest()


def main(arguments: list[str] | None = None) -> None:
    """Print the digests of the holes that are named."""
    parser = argparse.ArgumentParser(description="digests of holes, read and reduced")
    parser.add_argument("holes", nargs="+", type=Path)
    parser.add_argument("--numbers", action="store_true", help="leave texts and attributes out")
    parser.add_argument("--recipe", type=Path, help="TOML file of changes to the recipe")
    given = parser.parse_args(arguments)
    recipes: list[tuple[str, Any]] = [("reduced", None)]
    if given.recipe:
        recipes.append(("changed recipe", tomllib.loads(given.recipe.read_text("utf-8"))))
    for folder in given.holes:
        hole = cp.read_hole(folder)
        print(f"{digest(hole, numbers=given.numbers)}  {folder}  read")
        for word, changes in recipes:
            reduced = cp.reduce(hole, changes)
            print(f"{digest(reduced, numbers=given.numbers)}  {folder}  {word}")


if __name__ == "__main__":
    main()
