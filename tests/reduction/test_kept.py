"""What the command line keeps beside an output folder: exact, private, never trusted damaged."""

from __future__ import annotations

import hashlib
import os
import pickle
import stat
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.cli import main
from corephys.reduction import kept, reuse
from corephys.reduction.run import STAGES
from data_demo.simulator.hole import simulate_hole, simulate_tables
from tests.reduction.test_reuse import check, different, taken

LEAN = {"compaction": {"bootstrap": 50.0, "compare": False}}


@pytest.fixture(scope="module")
def hole() -> xr.DataTree:
    tables, settings, _ = simulate_tables(47, small=True)
    return cp.hole_from_tables(tables, {**settings, **LEAN})


@pytest.fixture(scope="module")
def file(hole, tmp_path_factory) -> Path:
    found = kept.place_beside(tmp_path_factory.mktemp("kept") / "out")
    assert kept.write_kept(cp.reduce(hole), found)
    return found


def test_what_was_kept_is_taken_over_exactly(hole, file):
    earlier = kept.kept_in(file)
    assert taken(check(hole, None, earlier)) == set(STAGES)
    again = check(hole, {"stress": {"fill": "linear"}}, earlier)
    assert {"density", "compaction", "consolidation"} <= taken(again)
    assert "stress profile" not in taken(again)


def test_the_file_is_hidden_beside_the_folder_and_private(file):
    assert file.name == ".out.reuse"
    assert [path.name for path in file.parent.iterdir()] == [file.name]
    assert stat.S_IMODE(file.stat().st_mode) == stat.S_IRUSR | stat.S_IWUSR


@pytest.mark.parametrize("where", np.linspace(0.0, 1.0, 9))
def test_a_flipped_bit_or_a_cut_means_that_nothing_is_taken_over(file, tmp_path, where):
    content = bytearray(file.read_bytes())
    at = min(int(where * len(content)), len(content) - 1)
    content[at] ^= 1
    damaged = tmp_path / "damaged"
    damaged.write_bytes(content)
    assert kept.kept_in(damaged) is None
    damaged.write_bytes(file.read_bytes()[:at])
    assert kept.kept_in(damaged) is None


def test_another_source_or_user_or_no_file_means_that_nothing_is_taken_over(
    file, tmp_path, monkeypatch
):
    assert kept.kept_in(tmp_path / "none") is None
    assert kept.kept_in(file) is not None
    if hasattr(os, "geteuid"):
        with monkeypatch.context() as changed:
            changed.setattr(os, "geteuid", lambda: 12345)
            assert kept.kept_in(file) is None
    monkeypatch.setattr(kept, "_LIBRARIES", ("numpy",))
    kept._here.cache_clear()
    assert kept.kept_in(file) is None
    kept._here.cache_clear()


class _Calls:
    """Pickles to a call of a function."""

    def __init__(self, function, *arguments):
        self.call = function, arguments

    def __reduce__(self):
        return self.call


@pytest.mark.parametrize("function", ["system", "main", "eval"])
def test_a_file_that_calls_anything_is_refused(tmp_path, function):
    mark = tmp_path / "mark"
    calls = {
        "system": _Calls(os.system, f"touch {mark}"),
        "main": _Calls(main, ["reduce", "--help"]),
        "eval": _Calls(eval, f"open({str(mark)!r}, 'w')"),
    }
    content = pickle.dumps({"density": calls[function]}, protocol=5)
    head = kept._MAGIC + kept._here(tuple(STAGES)) + hashlib.sha256(content).digest()
    made = tmp_path / "made"
    made.write_bytes(head + content)
    assert kept.kept_in(made) is None
    assert not mark.exists()


def test_where_it_cannot_be_written_nothing_is_left(hole, tmp_path, monkeypatch):
    tree = cp.reduce(hole)
    assert not kept.write_kept(tree, tmp_path / "no folder" / ".out.reuse")
    assert not kept.write_kept(tree.copy(), tmp_path / ".out.reuse")
    monkeypatch.setattr(kept, "_LARGEST", 1000)
    assert not kept.write_kept(tree, tmp_path / ".out.reuse")
    assert list(tmp_path.iterdir()) == []


def test_stages_of_a_user_are_not_kept(hole, file, tmp_path, monkeypatch):
    tree = cp.reduce(hole)
    monkeypatch.setattr(kept, "STAGES", {**STAGES, "own": test_stages_of_a_user_are_not_kept})
    assert not kept.write_kept(tree, tmp_path / ".out.reuse")
    assert kept.kept_in(file) is None


@pytest.mark.slow
def test_the_command_gives_the_same_files_with_and_without_it(tmp_path, monkeypatch):
    simulate_hole(tmp_path / "hole", 47, small=True)
    recipe = tmp_path / "recipe.toml"
    accounts = []
    again = kept.reduce_again

    def told(*arguments, **options):
        tree = again(*arguments, **options)
        accounts.append(reuse.account_of(tree)[""])
        return tree

    monkeypatch.setattr(kept, "reduce_again", told)

    def run(out: str, *more: str) -> dict[str, bytes]:
        folder = tmp_path / out
        words = ["reduce", str(tmp_path / "hole"), "--out", str(folder), "--no-figures", *more]
        assert main([*words, "--recipe", str(recipe)]) == 0
        files = [path for path in folder.rglob("*") if path.name != "manifest.json"]
        return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files if p.is_file()}

    recipe.write_text("[compaction]\ncompare = false\n", encoding="utf-8")
    first = run("out")
    assert run("out") == first
    assert not accounts[1].run
    recipe.write_text('[compaction]\ncompare = false\n[gamma]\ndead_time = "4 us"\n', "utf-8")
    changed = run("out")
    assert changed != first
    assert "gamma calibration" in accounts[2].run
    assert "consolidation" in accounts[2].taken_over
    assert run("out", "--afresh") == changed
    assert not accounts[3].taken_over
    assert run("elsewhere") == changed


def test_different_trees_are_told_apart(hole):
    one, other = cp.reduce(hole), cp.reduce(hole, {"gamma": {"dead_time": "4 us"}})
    assert "/properties/density" in different(one, other)
