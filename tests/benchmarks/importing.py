"""One wide export of fourteen columns into four tables, beside pandas without any check.

Run: ``python -m tests.benchmarks.importing [rows ...]``. Each size runs in a process of its own.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from corephys import importing
from corephys.importing import state
from tests.benchmarks.archive import peak
from tests.benchmarks.row import Row

SECTION, CORE = 150, 6  # readings of a section, sections of a core
PLACE = ["Core", "Sect", "Pos (mm)", "Depth (m)", "Time"]
TABLES = (
    ("scan/gamma", {"counts": "Counts", "live_time": "Live (s)"}),
    (
        "scan/pwave",
        {
            "travel_time": "TT (us)",
            "thickness": "Width (mm)",
            "amplitude": "Amp",
            "temperature": "Temp (degC)",
        },
    ),
    ("scan/resistivity", {"response": "Resp (mV)"}),
    ("scan/susceptibility", {"reading": "Susc"}),
)
MAPPING = """[[source]]
files = "exports/*.csv"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (mm)"
depth = "Depth (m)"
time = "Time"
"""


def export(number: int) -> pd.DataFrame:
    """An invented export."""
    rng = np.random.default_rng(1)
    row = np.arange(number)
    section = row // SECTION
    time_of = pd.Timestamp("2031-01-01") + pd.to_timedelta(row * 5, unit="s")
    return pd.DataFrame(
        {
            "Core": section // CORE + 1,
            "Sect": section % CORE + 1,
            "Pos (mm)": row % SECTION * 10,
            "Depth (m)": np.round(section * 1.5 + row % SECTION * 0.01, 3),
            "Time": time_of.strftime("%Y-%m-%dT%H:%M:%S"),
            "Counts": rng.poisson(20_000, number),
            "Live (s)": 4.0,
            "TT (us)": np.round(rng.normal(45, 1, number), 3),
            "Width (mm)": np.round(rng.normal(66, 0.1, number), 2),
            "Amp": rng.integers(1, 100, number),
            "Resp (mV)": np.round(rng.normal(300, 30, number), 2),
            "Temp (degC)": np.round(rng.normal(20, 0.2, number), 2),
            "Susc": np.round(rng.normal(30, 9, number), 1),
            "Note": "ok",
        }
    )


def folder_of(root: Path, number: int) -> Path:
    """A hole folder with the export and its mapping."""
    (root / "exports").mkdir()
    export(number).to_csv(root / "exports" / "wide.csv", index=False)
    (root / "hole.toml").write_text('[hole]\nname = "A"\n', encoding="utf-8")
    lines = [MAPPING]
    for name, columns in TABLES:
        lines.append(f'[source.tables."{name}"]')
        lines += [f'{ours} = "{theirs}"' for ours, theirs in columns.items()]
    (root / "import.toml").write_text("\n".join([*lines, "[deduce]\n"]), encoding="utf-8")
    return root


def plain(root: Path) -> None:
    """The same tables by pandas, without units, checks, runs and state."""
    frame = pd.read_csv(root / "exports" / "wide.csv")
    for number, (_, columns) in enumerate(TABLES):
        frame[[*PLACE, *columns.values()]].to_csv(root / f"plain{number}.csv", index=False)


def measure(job: str, folder: str) -> tuple[float, float]:
    """Seconds of one job and the memory that it adds [MiB]."""
    root = Path(folder)
    before, start = peak(), time.perf_counter()
    if job == "plain":
        plain(root)
    else:
        importing.run(root)
    return time.perf_counter() - start, peak() - before


def main(*numbers: int) -> list[Row]:
    """Print times, memory and the size of the state; return rows for the table."""
    rows = []
    context = multiprocessing.get_context("spawn")
    for number in numbers or (100_000, 1_000_000):
        with tempfile.TemporaryDirectory() as folder:
            root = folder_of(Path(folder), number)
            found = {}
            for job in ("plain", "import", "import again"):
                with context.Pool(1) as pool:
                    found[job] = pool.apply(measure, (job, folder))
            for place, (name, columns) in enumerate(TABLES):
                ours = pd.read_csv(root / f"{name}.csv")
                theirs = pd.read_csv(root / f"plain{place}.csv")
                assert len(ours) == len(theirs) == number
                for left, right in columns.items():
                    held = next(h for h in ours if h.partition(" [")[0] == left)
                    np.testing.assert_array_equal(ours[held], theirs[right])
            size = (root / state.FILE).stat().st_size / 1e3
        seconds, memory = found["import"]
        again = found["import again"][0]
        print(
            f"{number:,} rows: {seconds:.1f} s and {memory:.0f} MiB, pandas "
            f"{found['plain'][0]:.1f} s and {found['plain'][1]:.0f} MiB; again {again:.1f} s; "
            f"state {size:.0f} kB"
        )
        words = f"{number:,} rows of 14 columns"
        rows.append(
            Row(
                "import of a wide export into four tables",
                words,
                seconds,
                found["plain"][0],
                memory=memory,
            )
        )
        rows.append(Row("the same import again", words, again))
    return rows


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
