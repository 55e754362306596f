"""Ten million gamma readings of 500 holes, zarr to zarr: ours, CSV and pandas, memory.

Run on demand: ``python -m tests.benchmarks.archive [holes] [readings a hole] [runs]``. The store of
readings is made first and not timed. Each run takes one worker, then two; the CSV side reads,
reduces and writes one hole in twenty with the same kernel. Wall time is what a user waits, time of
the processors what the work costs when the machine is shared.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from corephys import archive
from corephys.archive.blocks import gamma_rows
from corephys.ground import flags
from corephys.sensors.gamma.calibration import Calibration
from tests.benchmarks.row import Row

CALIBRATION = Calibration(
    np.array([9.8, -0.0746, -1e-5]), np.diag([1e-6, 1e-8]), (3.0, 20.0), dead_time=5e-6,
    background_rate=12.0,
)  # fmt: skip
CHOICES = {
    "calibration": CALIBRATION, "grain_density": "2.7 g/cm^3", "pore_water_density": "1.024 g/cm^3",
}  # fmt: skip


def columns(number: int, size: int) -> dict[str, np.ndarray | float]:
    """Invented readings of one hole."""
    rng = np.random.default_rng([7, number])
    density = rng.uniform(1.3, 2.1, size)
    counts = rng.poisson(5.0 * np.exp(9.8 - 0.0746 * density * 6.6)).astype(float)
    counts[::1000] = np.nan
    return {
        "counts": counts, "time": 5.0, "elapsed": np.linspace(0.0, 1e5, size) + 86400.0 * number,
        "core_diameter": np.round(rng.normal(65.5, 0.2, size), 1), "bore": 66.0,
        "annulus_density": 1.024, "depth": np.linspace(0.0, 0.02 * size, size),
    }  # fmt: skip


def holes(count: int, size: int) -> Iterator[tuple[str, dict[str, archive.Scan]]]:
    """All holes, one at a time."""
    for number in range(count):
        yield f"hole_{number:04d}", {"gamma": archive.Scan(columns(number, size), CHOICES)}


def write_csv(folder: Path, count: int, size: int) -> list[Path]:
    """One hole in twenty as a table of text."""
    files = []
    for number in range(0, count, 20):
        full = {k: np.broadcast_to(v, (size,)) for k, v in columns(number, size).items()}
        files.append(folder / f"{number}.csv")
        pd.DataFrame(full).to_csv(files[-1], index=False)
    return files


def by_csv(files: list[Path], out: Path) -> None:
    """What a practitioner does: read a table, reduce it, write a table."""
    for file in files:
        frame = pd.read_csv(file)
        given = {name: frame[name].to_numpy() for name in frame}
        given["grain_density"] = np.full(len(frame), np.nan)
        given["reason"] = np.zeros(len(frame), dtype=np.int64)
        rho, u, reason = gamma_rows(given, CHOICES)
        result = {"depth": frame["depth"], "bulk_density": rho, "u_random": u, "reason": reason}
        pd.DataFrame({**result, "flag": flags.from_reason(reason)}).to_csv(
            out / file.name, index=False
        )


def clock(function, *arguments, **keywords) -> tuple[float, float]:
    """Wall time and time of the processors [s]."""
    wall, work = time.perf_counter(), time.process_time()
    function(*arguments, **keywords)
    return time.perf_counter() - wall, time.process_time() - work


def peak() -> float:
    """Highest resident memory of the process so far [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(count: int = 500, size: int = 20_000, runs: int = 3) -> list[Row]:
    """Print rates, ratios and memory; return them for the table."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "csv").mkdir()
        small = root / "small"
        archive.write_readings(holes(3, 1000), small)
        archive.reduce(small, root / "small_out", progress=False)  # imports, first calls
        start = peak()
        archive.write_readings(holes(count, size), root / "readings")
        packed = peak()
        total = count * size
        rows = []
        for run in range(runs):
            one, two = (
                clock(
                    archive.reduce, root / "readings", root / f"out_{workers}", workers=workers,
                    resume=False, progress=False,
                )
                for workers in (1, 2)
            )  # fmt: skip
            if not run:
                used = peak() - packed
                files = write_csv(root, count, size)
            csv = clock(by_csv, files, root / "csv")
            rows.append((*(total / t / 1e6 for t in (*one, *two)),
                         *(len(files) * size / t / 1e6 for t in csv)))  # fmt: skip
        rates = np.array(rows)
    median, best = np.median(rates, axis=0), rates.max(axis=0)
    print(f"{total:,} gamma readings of {count} holes, {runs} runs, million readings a second:")
    for i, words in enumerate(("one worker", "two workers", "CSV and pandas")):
        print(
            f"  {words:<15} wall: median {median[2 * i]:.2f}, best {best[2 * i]:.2f}; "
            f"a second of a processor: median {median[2 * i + 1]:.2f}, best {best[2 * i + 1]:.2f}"
        )
    ratio = np.median(rates[:, 2] / rates[:, 4])
    work = np.median(rates[:, 3] / rates[:, 5])
    print(f"  two workers over CSV: wall {ratio:.1f}, time of the processors {work:.1f} (medians)")
    print(
        f"  memory: writing the store {packed - start:.0f} MiB above the imports, reducing it "
        f"{used:.0f} MiB above that"
    )
    one, _, two, _, csv, _ = total / median / 1e6
    size_words = f"{count:,} holes of {size:,} readings"
    return [
        Row("archive of gamma scans, one worker", size_words, one, naive=csv, memory=used),
        Row("archive of gamma scans, two workers", size_words, two, naive=csv),
    ]


if __name__ == "__main__":
    main(*(int(float(word)) for word in sys.argv[1:]))
