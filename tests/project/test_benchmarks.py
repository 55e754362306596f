"""Every benchmark still runs, at a small size: no time is asserted, only that both ways agree.

Most compare their results inside and stop where these differ.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.__main__ import NAMES
from tests.benchmarks.row import Row, table

SMALL = {
    "gamma": (100_000,), "depth": (10_000,), "rolling": (100_000,), "windows": (20, 60),
    "cylinder": (1000,), "picking": (1000, 1), "samples": (500,), "heat_flow": (500,),
    "bootstrap": (20, 60), "correlation": (2,), "archive": (3, 1000, 1), "growth": (1, 5),
    "importing": (3000,), "printing": ("png",), "watch": (2,),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_runs_and_gives_rows(name):
    rows = importlib.import_module(f"tests.benchmarks.{name}").main(*SMALL[name])
    assert rows and all(isinstance(row, Row) and row.ours > 0 for row in rows)
    assert table(rows).count("\n") == len(rows) + 1


@pytest.mark.slow
def test_one_command_prints_one_table(tmp_path):
    out = tmp_path / "table.md"
    found = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "cylinder", "--out", str(out)],
        capture_output=True, text=True, cwd=Path(__file__).parents[2], timeout=300, check=False,
    )  # fmt: skip
    assert found.returncode == 0, found.stderr
    text = out.read_text(encoding="utf-8")
    assert text in found.stdout and text.startswith("| work | size | ours [s] |")
    assert "cooling cylinder, decay" in text


def test_the_table_says_ratios_and_leaves_empty_what_was_not_run():
    text = table([Row("a", "10", 2.0, 6.0, None, 3.4), Row("b", "1", 0.5, None, 100.0)])
    assert text.splitlines()[2:] == [
        "| a | 10 | 2 | 6 |  | 3 | 3 |  |",
        "| b | 1 | 0.5 |  | 100 |  |  | 200 |",
    ]
