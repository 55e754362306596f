"""Read and reduce many faulty folders: every outcome is a clean result or a list of problems.

Run on demand: ``python -m tests.fuzz.run [mutations] [first seed] [processes] [1 for faulty LAS
files alone]``. Every folder is read; those that can be read are reduced, and what goes in is
counted against what comes out.
"""

from __future__ import annotations

import csv
import io
import json
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import numpy as np

import corephys as cp
from corephys.ground import series
from tests.fuzz.folders import Files, mutate, mutate_log, write

# What is reduced from a table, reading by reading.
_REDUCED = {
    "scan/gamma": "properties/density", "scan/pwave": "properties/velocity",
    "samples/index_properties": "properties/index_properties",
}  # fmt: skip


def rows_of(content: bytes) -> int | None:
    """Rows of a table below its header; None where it is no plain text of one encoding."""
    try:
        text = content.decode("utf-8-sig")
        table = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return None
    filled = [row for row in table if any(cell.strip() for cell in row)]
    return max(len(filled) - 1, 0)


def outcome(files: Files) -> str:
    """What becomes of a folder, in a word.

    Parameters
    ----------
    files : dict of str to bytes
        Contents by path.

    Returns
    -------
    str
        "refused", "recipe refused", "no folder", "reduced"; "left out: ..." with the stages that
        the reduction left out and their errors; or, for a fault of the package, "FAULT: ..." with
        what happened.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "hole"
        folder.mkdir()
        write(folder, files)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                return _read_and_reduce(folder, files)
        except cp.HoleError as error:
            unsaid = [p for p in error.problems if not p.what.strip()]
            return "FAULT: a problem without words" if unsaid or not error.problems else "refused"
        except cp.RecipeError:
            return "recipe refused"
        except Exception as error:  # the whole point: nothing else may leave the package
            own = [f for f in traceback.extract_tb(error.__traceback__) if "corephys" in f.filename]
            where = " <- ".join(
                f"{f.filename.rpartition('corephys')[2]}:{f.lineno}" for f in own[:-4:-1]
            )
            return f"FAULT: {type(error).__name__}: {str(error)[:300]} at {where}"


def _read_and_reduce(folder: Path, files: Files) -> str:
    hole = cp.read_hole(folder)
    for name, content in files.items():
        table = series.leaf(hole, name.removesuffix(".csv"))
        expected = rows_of(content) if name.endswith(".csv") else None
        if table is not None and expected is not None and table.sizes:
            found = next(iter(table.sizes.values()))
            if found != expected:
                return f"FAULT: {name} holds {expected} rows, {found} were read"
    reduced = cp.reduce(hole)
    for source, result in _REDUCED.items():
        before, after = series.leaf(hole, source), series.leaf(reduced, result)
        if before is None or after is None:
            continue
        dim = next(iter(before.sizes))
        if after.sizes.get("reading") != before.sizes[dim]:
            return f"FAULT: {source} has {before.sizes[dim]} rows, {result} {dict(after.sizes)}"
        raw = series.leaf(reduced, source)
        if raw is None or not raw.identical(before):
            return f"FAULT: {source} is not as it was read"
        flag = next(v for n, v in after.data_vars.items() if str(n).endswith("_flag"))
        if not np.isin(flag.values, (1, 2, 3, 4, 9)).all():
            return f"FAULT: {result} has a reading without a flag"
    failed = json.loads(reduced.attrs["summary"])["failed"]
    if any(not words.strip() for words in failed.values()):
        return "FAULT: a stage was left out without words"
    said = "; ".join(f"{stage}: {words}" for stage, words in failed.items())
    return f"left out: {said}" if said else "reduced"


def one(seed: int) -> tuple[int, list[str], str]:
    """Seed, faults and outcome of one folder."""
    files, done = mutate(seed)
    return seed, done, outcome(files)


def one_log(seed: int) -> tuple[int, list[str], str]:
    """Seed, faults and outcome of one folder with a faulty LAS file, which may refuse no folder."""
    files, done = mutate_log(seed)
    word = outcome(files)
    fine = word == "reduced" or word.startswith(
        ("left out: downhole logs", "left out: cores beside logs")
    )
    return seed, done, word if fine else f"FAULT: {word}, for a LAS file"


def main(mutations: int = 20000, first: int = 1, processes: int = 2, logs: int = 0) -> int:
    """Run and print the counts; the status is the number of faults found, at most 1."""
    counts: Counter[str] = Counter()
    faults: dict[str, tuple[int, list[str]]] = {}
    with Pool(processes) as pool:
        for seed, done, word in pool.imap_unordered(
            one_log if logs else one, range(first, first + mutations), 20
        ):
            if word.startswith("FAULT"):
                last = word.strip().splitlines()[-1]
                faults.setdefault(word, (seed, done))
                counts[f"FAULT {last[:90]}"] += 1
            else:
                counts[word.partition(":")[0]] += 1
    print(f"{sum(counts.values())} folders")
    for word, count in counts.most_common():
        print(f"  {count:7d}  {word}")
    for word, (seed, done) in list(faults.items())[:40]:
        print(f"\nseed {seed}, {done}\n{word}")
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
