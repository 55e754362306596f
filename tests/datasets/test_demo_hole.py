"""The demo hole of the package is that of ``data_demo``, file by file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import corephys as cp
from data_demo import packed


@pytest.mark.parametrize(
    ("unpack", "archive"),
    [(cp.datasets.demo_hole, "demo_hole.zip"), (cp.datasets.demo_site, "demo_site.zip")],
)
def test_an_archive_holds_the_files_of_the_demo_data(
    unpack: Callable[[Path], Path], archive: str, tmp_path: Path
) -> None:
    folder = unpack(tmp_path / "demo")
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    members = packed.members(archive)
    assert names == set(members), "write the archives anew: python -m data_demo.packed"
    for name, data in members.items():
        assert (folder / name).read_bytes() == data, name


def test_a_folder_with_a_hole_is_used_as_it_is(tmp_path: Path) -> None:
    folder = cp.datasets.demo_hole(tmp_path / "hole")
    (folder / "cores.csv").write_text("mine")
    assert cp.datasets.demo_hole(folder) == folder
    assert (folder / "cores.csv").read_text() == "mine"
    other = tmp_path / "other"
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="give a new or an empty folder"):
        cp.datasets.demo_hole(other)
    assert [p.name for p in other.iterdir()] == ["notes.txt"]
