"""Damaged exports: whatever the bytes, every row is accounted for and no number is invented."""

from __future__ import annotations

import random
import shutil

import pytest

import corephys as cp
from corephys.hole import HoleError
from tests.importing.exports import GAMMA, Folder, assert_balanced, gamma

PIECES = [
    b"\n",
    b"\r\n",
    b"\r",
    b",",
    b";",
    b'"',
    b"\t",
    b"\xff",
    b"\xb5",
    b" ",
    b"-",
    b"NaN",
    b"1e999",
    b"\x00",
    b"1_0",
    b"0x1",
    b",,,,,,",
    b"\xc3",
    b"'",
    b"[mm]",
    b"=1+1",
]


def damaged(content: bytes, rng: random.Random) -> bytes:
    """The bytes with one to four cuts, insertions, exchanges or repetitions."""
    for _ in range(rng.randint(1, 4)):
        start = rng.randrange(len(content) + 1)
        end = min(len(content), start + rng.choice([0, 1, 1, 2, 20]))
        piece = rng.choice([b"", rng.choice(PIECES), content[start : end + 10]])
        content = content[:start] + piece + content[end:]
    return content


@pytest.mark.parametrize("seed", range(4))
def test_damaged_exports_are_imported_or_refused_and_counted(tmp_path, seed):
    rng = random.Random(seed)
    whole = gamma([(1, 1), (1, 2), (2, 1)], n=4).encode("utf-8")
    legal = {f"{1000 + i}" for i in range(4)}
    taken = 0
    for number in range(60):
        path = tmp_path / str(number)
        folder = Folder(path, GAMMA)
        folder.write("exports/a.csv", damaged(whole, rng))
        report = folder.run()
        assert_balanced(report)
        if report.total("added"):
            taken += 1
            cells = folder.column("scan/gamma", "counts")
            assert len(cells) == report.total("added")
            untouched = [cell for cell in cells if cell in legal]
            assert len(untouched) >= len(cells) - 12
            try:
                cp.read_hole(path)
            except HoleError as error:
                # A name of a core or section that was damaged; the list does not have it.
                assert "is in sections.csv" in str(error) or "has no section" in str(error)
        second = folder.run()
        assert second.total("added") == 0
        shutil.rmtree(path)
    assert taken > 20


@pytest.mark.parametrize("seed", range(3))
def test_a_hole_that_grows_by_damaged_exports_stays_whole(tmp_path, seed):
    """One folder, many moments: tables hold no row twice and the second look finds nothing."""
    rng = random.Random(100 + seed)
    folder = Folder(tmp_path, GAMMA)
    for _ in range(25):
        core, section = rng.choice([(1, 1), (1, 2), (1, 3), (2, 1)])
        text = gamma([(core, section)], n=rng.randint(1, 5), counts=rng.choice([1000, 2000]))
        name = f"exports/{rng.choice('abcd')}.csv"
        folder.write(name, text[: rng.randint(len(text) // 2, len(text))])
        assert_balanced(folder.run())
        before = folder.text("scan/gamma.csv") if (tmp_path / "scan/gamma.csv").exists() else ""
        report = folder.run()
        assert report.total("added") == report.total("replaced") == 0
        assert report.hand_edits == []
        if before:
            assert folder.text("scan/gamma.csv") == before
            rows = [tuple(row.values()) for row in folder.rows("scan/gamma")]
            assert len(set(rows)) == len(rows)
            cp.read_hole(tmp_path)
