"""How cost grows: one hole scanned ever more finely, and an archive of ever more holes.

Run on demand: ``python -m tests.benchmarks.growth [largest factor] [largest number of holes]``. The
hole is the invented one, each scan repeated between its own offsets, up to ten times. Beyond that
its cores and scans follow each other several times down the hole, since offsets closer than those
are flagged as slips and are then left out by the later stages. The archive is that of
``archive.py`` with one worker. Each size runs in a process of its own, so that its memory is its
own.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import tomllib
from pathlib import Path

import pandas as pd

import corephys as cp
from corephys import archive
from tests.benchmarks.archive import clock, holes, peak
from tests.benchmarks.row import Row

HOLE = Path(__file__).parents[2] / "data_demo" / "hole"
SIZE = 20_000  # readings of one hole of the archive
FINEST = 10  # readings where there was one; more lie so close that they are flagged as slips


def tables_of(factor):
    """Tables of the invented hole with ``factor`` readings where there was one."""
    found = {}
    for path in sorted(HOLE.rglob("*.csv")):
        name = path.relative_to(HOLE).with_suffix("").as_posix()
        if name.startswith("truth"):
            continue
        table = pd.read_csv(path, dtype={"core": str, "section": str})
        if name.startswith("scan/") and factor > 1:
            table = table.loc[table.index.repeat(factor)].reset_index(drop=True)
            table["offset [cm]"] += 0.4 / factor * (table.index % factor)
        found[name] = table
    return found


def longer(tables, times):
    """The tables with the cores and scans several times below each other."""
    cores = tables["cores"]
    length = float((cores["top [m]"] + cores["advance [m]"]).max())
    found = dict(tables)
    for name, table in tables.items():
        if name in ("cores", "sections", "removed") or name.startswith("scan/"):
            parts = [table]
            for time in range(1, times):
                part = table.assign(core=table["core"] + f"x{time}")
                if name == "cores":
                    part["top [m]"] += time * length
                parts.append(part)
            found[name] = pd.concat(parts, ignore_index=True)
    return found


def one_hole(factor):
    """Readings, seconds of a reduction and the memory it adds [MiB]."""
    settings = tomllib.loads((HOLE / "hole.toml").read_text(encoding="utf-8"))
    finer = min(factor, FINEST)
    tables = longer(tables_of(finer), factor // finer)
    hole = cp.hole_from_tables(tables, settings)
    readings = sum(len(table) for name, table in tables.items() if name.startswith("scan/"))
    before = peak()
    return readings, clock(cp.reduce, hole)[0], peak() - before


def one_archive(count):
    """Readings, seconds of a run and the memory it adds [MiB]."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        archive.write_readings(holes(3, 1000), root / "small")
        archive.reduce(root / "small", root / "small_out", progress=False)  # imports, first calls
        archive.write_readings(holes(count, SIZE), root / "readings")
        before = peak()
        wall, _ = clock(
            archive.reduce, root / "readings", root / "out", workers=1, progress=False
        )  # fmt: skip
        return count * SIZE, wall, peak() - before


def main(factor: int = 40, count: int = 5_000) -> list[Row]:
    """Print and return time and memory by number of readings."""
    hole_sizes = [f for f in (1, 3, 10, 40) if f <= factor]
    archive_sizes = [c for c in (5, 50, 500, 5000) if c <= count]
    rows = []
    for words, function, sizes in (
        ("one hole, every stage", one_hole, hole_sizes),
        ("archive of gamma scans", one_archive, archive_sizes),
    ):
        for size in sizes:
            with multiprocessing.get_context("spawn").Pool(1) as alone:
                readings, seconds, memory = alone.apply(function, (size,))
            print(
                f"{words}: {readings:,} readings in {seconds:.2f} s, {memory:.0f} MiB more; "
                f"{1e6 * seconds / readings:.2f} us a reading",
                flush=True,
            )
            rows.append(Row(f"growth: {words}", f"{readings:,} readings", seconds, memory=memory))
    return rows


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
