"""From the last byte of a core's files to the page of the newest core, on the demo hole.

Run on demand: ``python -m tests.benchmarks.watch [cores]``. A watch runs on a copy of the demo hole
without its last cores, and these arrive one by one: by rows of the tables, and, the last of them,
by exports that ``import.toml`` names. The time counts from the last byte to the page on the disk.
"""

from __future__ import annotations

import csv
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import corephys as cp
from tests.benchmarks.row import Row

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "hole"
MAPPING = """
[[source]]
name = "loop"
files = "exports/*.csv"

[source.tables."scan/susceptibility"]
core = "Core"
section = "Section"
"offset [cm]" = "Offset (cm)"
reading = "Reading"
"""


class Arriving:
    """The demo hole of which the last cores are still to come."""

    def __init__(self, folder: Path, cores: int) -> None:
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("truth"))
        self.folder = folder
        with (folder / "cores.csv").open(encoding="utf-8") as file:
            self.names = [row["core"] for row in csv.DictReader(file)][-cores:]
        self.held: dict[Path, dict[str, list[str]]] = {}
        # Samples come days later, and do not arrive here.
        for path in sorted(folder.rglob("*.csv")):
            lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
            header = lines[0].strip().split(",")
            if "core" not in header:
                continue
            column = header.index("core")
            rows = [(next(csv.reader([line]))[column], line) for line in lines[1:]]
            if path.parent.name != "samples":
                self.held[path] = {
                    name: [line for core, line in rows if core == name] for name in self.names
                }
            kept = [line for core, line in rows if core not in self.names]
            path.write_text(lines[0] + "".join(kept), encoding="utf-8")

    def arrive(self, name: str, *, exported: bool = False) -> float:
        """Bring the rows of one core; returns the time of the last byte."""
        for path, rows in self.held.items():
            lines = rows[name]
            if exported and path.name == "susceptibility.csv":
                exports = self.folder / "exports"
                exports.mkdir(exist_ok=True)
                cut = [",".join(line.split(",")[:4]) + "\n" for line in lines]
                text = "Core,Section,Offset (cm),Reading\n" + "".join(cut)
                (exports / f"{name}.csv").write_text(text, encoding="utf-8")
                continue
            with path.open("a", encoding="utf-8") as file:
                file.writelines(lines)
        return time.time()


def latency(watching: cp.watch.Watching, arriving: Arriving, name: str, **how: bool) -> float:
    """Seconds from the last byte of a core to its page."""
    last = arriving.arrive(name, **how)
    page = watching.page
    assert page is not None
    while f"<h1>Core {name}</h1>" not in page.read_text(encoding="utf-8"):
        if not watching.wait(watching.refreshes + 1, 300.0):
            raise RuntimeError(
                f"core {name} is not on the page after 300 s; the fault is {watching.fault!r}"
            )
    return page.stat().st_mtime - last


def main(cores: int = 5) -> list[Row]:
    """Measure, print and return rows."""
    with tempfile.TemporaryDirectory() as place:
        arriving = Arriving(Path(place, "hole"), cores)
        watching = cp.watch(arriving.folder, Path(place, "out"), tell=print)
        try:
            if not watching.wait(1, 300.0) or watching.fault:
                raise RuntimeError(f"the first reduction failed: {watching.fault}")
            *tables, exported = arriving.names
            times = [latency(watching, arriving, name) for name in tables]
            (arriving.folder / "import.toml").write_text(MAPPING, encoding="utf-8")
            watching.wait(watching.refreshes + 1, 300.0)
            by_import = latency(watching, arriving, exported, exported=True)
        finally:
            watching.stop()
    print("tables:", " ".join(f"{one:.2f}" for one in times), f"s; import: {by_import:.2f} s")
    return [
        Row("last byte of a core to its page", f"{len(times)} cores", float(np.median(times))),
        Row("the same, one table by import", "1 core", by_import),
    ]


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
