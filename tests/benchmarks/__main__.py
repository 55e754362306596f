"""All benchmarks, one table: ``python -m tests.benchmarks [names] [--out FILE]``.

Each runs in a process of its own with its usual size, prints what it measures, and gives rows to
the table: ours, the competent way, the naive one, memory and ratios, all of one run.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.benchmarks.row import table
from tests.benchmarks.together import run

NAMES = (
    "gamma", "depth", "rolling", "windows", "cylinder", "picking", "samples", "heat_flow",
    "bootstrap", "correlation", "archive", "importing", "growth", "printing", "watch",
)  # fmt: skip


def main() -> None:
    """Run what was asked for and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*NAMES, []], help="all of them by default")
    parser.add_argument("--out", type=Path, help="also write the table here")
    given = parser.parse_args()
    rows = [row for name in (given.names or NAMES) for row in run(name)]
    print("\n" + table(rows))
    if given.out:
        given.out.write_text(table(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
