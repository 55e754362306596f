"""Write the files of this format: ``python -m tests.written.write``, once a format.

A format that was released stays readable, so what lies here is never written again; a new
``format_version`` gets a folder of its own beside it. The hole is the small invented one of the
fuzz run, and ``numbers.csv`` says, in text, what its netCDF file held when it was written.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import xarray as xr

import corephys as cp
from corephys.ground.provenance import FORMAT_VERSION
from tests.fuzz import folders

HERE = Path(__file__).parent
COLUMNS = ("variable", "type", "shape", "unit", "first", "last", "finite")


def numbers(tree: xr.DataTree) -> Iterator[tuple[str, ...]]:
    """A line for every variable of a tree: what a reader would look at first."""
    for node in tree.subtree:
        for name, variable in sorted(node.to_dataset(inherit=False).variables.items()):
            values = np.asarray(variable.values)
            ends = [repr(v) for v in values.ravel()[[0, -1]].tolist()] if values.size else ["", ""]
            finite = int(np.isfinite(values).sum()) if values.dtype.kind == "f" else values.size
            yield (
                f"{node.path}/{name}".replace("//", "/"), values.dtype.kind, str(values.shape),
                str(variable.attrs.get("units", "")), *ends, str(finite),
            )  # fmt: skip


def main() -> None:
    """Make the folder of this format; refuse where it is there."""
    folder = HERE / f"format_{FORMAT_VERSION}"
    if folder.exists():
        raise SystemExit(f"{folder.name} is written already and stays as it is")
    hole = folders.write(folder / "hole", folders.sound())
    reduced = cp.reduce(cp.read_hole(hole))
    cp.save(reduced, folder / "reduced.nc")
    with (folder / "numbers.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        table.writerows(numbers(reduced))
    # Stores of many small files, each in one.
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        cp.archive.reduce([hole], root / "archive", progress=False, workers=1)
        cp.archive.collect([hole], root / "readings", progress=False)
        for name in ("archive", "readings"):
            shutil.make_archive(str(folder / name), "zip", root / name)


if __name__ == "__main__":
    main()
