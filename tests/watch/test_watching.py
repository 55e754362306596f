"""A watch: one step by a fake clock, files at rest, and one run with real files."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import corephys as cp
from corephys.watch import folder as files
from corephys.watch.results import Results
from corephys.watch.state import PAGE, SIGN, State, refresh
from corephys.watch.watching import Watching

CORE = "3"


class Clock:
    """A clock that goes forward when it is looked at, or when somebody waits."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        self.seconds += 0.001
        return self.seconds

    def wait(self, seconds: float) -> bool:
        self.seconds += seconds
        return False


class Young:
    """The demo hole as it was when core 3 came on deck; ``arrive`` brings the rows of core 3."""

    def __init__(self, demo: Path, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(demo, folder, ignore=shutil.ignore_patterns("truth", "images", "samples"))
        for name in ("description", "images", "layers", "ages", "checkshots"):
            (folder / f"{name}.csv").unlink()
        shutil.rmtree(folder / "downhole")
        self.held: dict[Path, list[str]] = {}
        for path in [*folder.glob("*.csv"), *folder.glob("scan/*.csv")]:
            lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
            column = lines[0].strip().split(",").index("core")
            by_core = [(next(csv.reader([line]))[column], line) for line in lines[1:]]
            kept = [line for core, line in by_core if core in ("1", "2")]
            self.held[path] = [line for core, line in by_core if core == CORE]
            path.write_text(lines[0] + "".join(kept), encoding="utf-8")

    def arrive(self) -> None:
        for path, lines in self.held.items():
            with path.open("a", encoding="utf-8") as file:
                file.writelines(lines)

    def spoil(self) -> str:
        path = self.folder / "scan" / "gamma.csv"
        sound = path.read_text(encoding="utf-8")
        path.write_text(sound.replace("core,", "kore,", 1), encoding="utf-8")
        return sound

    def mend(self, sound: str) -> None:
        (self.folder / "scan" / "gamma.csv").write_text(sound, encoding="utf-8")


@pytest.fixture
def young(demo_hole: Path, tmp_path: Path) -> Young:
    return Young(demo_hole, tmp_path / "hole")


@pytest.fixture
def state(young: Young, tmp_path: Path) -> State:
    out = tmp_path / "out"
    out.mkdir()
    now = np.datetime64("2031-05-02T19:30:00")
    return State(young.folder, out, now=lambda: now, clock=Clock())


def page_of(state: State) -> str:
    assert state.out is not None
    return (state.out / PAGE).read_text(encoding="utf-8")


def test_a_step_shows_the_newest_core_and_an_error_leaves_it(young: Young, state: State) -> None:
    refresh(state)
    assert "<h1>Core 2</h1>" in page_of(state)
    young.arrive()
    refresh(state)
    found = page_of(state)
    assert "<h1>Core 3</h1>" in found
    assert ">1 h 30 min<" in found
    assert state.tree is not None
    alone = cp.reduce(cp.read_hole(young.folder))
    assert (
        state.tree["properties/density"]
        .to_dataset()
        .equals(alone["properties/density"].to_dataset())
    )
    good, sound = state.tree, young.spoil()
    refresh(state)
    assert state.tree is good
    assert state.fault is not None
    assert state.fault.place == "scan/gamma.csv, line 1"
    found = page_of(state)
    assert found.index("The last change is not shown") < found.index("<h1>Core 3</h1>")
    assert "scan/gamma.csv, line 1" in found
    young.mend(sound)
    refresh(state)
    assert state.fault is None
    assert "The last change is not shown" not in page_of(state)


def test_a_first_step_that_fails_makes_a_page_too(young: Young, state: State) -> None:
    young.spoil()
    refresh(state)
    assert "Nothing was reduced before it." in page_of(state)
    assert state.tree is None


def test_a_recipe_that_is_wrong_is_a_fault(state: State) -> None:
    (state.folder / "hole.toml").write_text("[hole\n", encoding="utf-8")
    refresh(state)
    assert state.fault is not None
    (state.folder / "hole.toml").write_text('[hole]\nname = "x"\n[gama]\n', encoding="utf-8")
    refresh(state)
    assert state.fault is not None
    assert "gama" in state.fault.message


def test_the_sign_has_the_name_of_the_page(state: State) -> None:
    refresh(state)
    assert state.out is not None
    first = (state.out / SIGN).read_text(encoding="utf-8")
    assert f'"{state.identity}"' in first
    assert f'"{state.identity}"' in page_of(state)
    refresh(state)
    assert (state.out / SIGN).read_text(encoding="utf-8") != first


def test_exports_that_grow_are_imported_and_a_last_half_line_is_named(
    young: Young, state: State, tmp_path: Path
) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    path = young.folder / "scan" / "susceptibility.csv"
    rows = [line.split(",") for line in young.held[path]]
    lines = [f"{r[0]},{r[1]},{r[2]},{r[3]}\n" for r in rows]
    head = "Core,Section,Offset (cm),Reading\n"
    mapping = (
        '[[source]]\nname = "loop"\nfiles = "../exports/*.csv"\n'
        '[source.tables."scan/susceptibility"]\ncore = "Core"\nsection = "Section"\n'
        '"offset [cm]" = "Offset (cm)"\nreading = "Reading"\n'
    )
    (young.folder / "import.toml").write_text(mapping, encoding="utf-8")
    half = lines[10][:3]
    (exports / "core_3.csv").write_text(head + "".join(lines[:10]) + half, encoding="utf-8")
    assert exports.resolve() in files.roots(young.folder)
    assert str(exports / "core_3.csv") in {
        str(Path(p).resolve()) for p in files.inputs(young.folder)
    }
    young.held.pop(path)
    young.arrive()
    refresh(state)
    assert state.fault is None, state.fault
    assert state.tree is not None
    here = state.tree["scan/susceptibility"]["core"].values == CORE
    assert here.sum() == 10
    assert "no line end and is not taken yet" in page_of(state)
    with (exports / "core_3.csv").open("a", encoding="utf-8") as file:
        file.writelines([lines[10][3:], *lines[11:]])
    assert files.inputs(young.folder) != state.seen
    refresh(state)
    assert state.tree is not None
    here = state.tree["scan/susceptibility"]["core"].values == CORE
    assert here.sum() == len(lines)
    assert "no line end and is not taken yet" not in page_of(state)
    # The import wrote a table; that is no further change.
    assert files.inputs(young.folder) == state.seen


def test_an_export_that_cannot_be_imported_stands_on_top(
    young: Young, state: State, tmp_path: Path
) -> None:
    (tmp_path / "exports").mkdir()
    (tmp_path / "exports" / "odd.csv").write_text("Wrong,Header\n1,2\n", encoding="utf-8")
    mapping = (
        '[[source]]\nname = "loop"\nfiles = "../exports/*.csv"\n'
        '[source.tables."scan/susceptibility"]\ncore = "Core"\nsection = "Section"\n'
        '"offset [cm]" = "Offset (cm)"\nreading = "Reading"\n'
    )
    (young.folder / "import.toml").write_text(mapping, encoding="utf-8")
    refresh(state)
    found = page_of(state)
    assert "../exports/odd.csv was not imported" in found
    assert "<h1>Core 2</h1>" in found


# Files at rest.


def test_files_are_at_rest_when_nothing_changed_for_a_while() -> None:
    clock = Clock()

    def look() -> files.Inputs:  # a file that grows for one second
        return {"a": (int(10 * min(clock.seconds, 1.0)), 0, 0)}

    found = files.at_rest(look, clock.wait, clock, quiet=0.3, longest=5.0)
    assert found == {"a": (10, 0, 0)}
    assert 1.2 <= clock.seconds <= 1.5


def test_a_file_that_never_rests_is_taken_after_the_longest_time() -> None:
    clock = Clock()
    found = files.at_rest(
        lambda: {"a": (int(1000 * clock.seconds), 0, 0)}, clock.wait, clock, quiet=0.3, longest=5.0
    )
    assert found is not None
    assert 5.0 <= clock.seconds <= 5.2


def test_a_watch_that_stops_waits_no_longer() -> None:
    clock = Clock()
    assert files.at_rest(dict, lambda seconds: True, clock) is None
    assert clock.seconds < 0.1


def test_results_and_unfinished_files_are_no_inputs(young: Young) -> None:
    before = files.inputs(young.folder)
    for name in ("out/tables/density.csv", "scan/.gamma.csv", "scan/~$gamma.csv", "notes.txt"):
        path = young.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x", encoding="utf-8")
    assert files.inputs(young.folder) == before
    (young.folder / "scan" / "pwave.csv").write_text("x", encoding="utf-8")
    after = files.inputs(young.folder)
    assert files.changed_files(before, after) == ["pwave.csv"]


def test_a_file_put_in_place_with_the_same_size_and_time_is_another(young: Young) -> None:
    before = files.inputs(young.folder)
    path = young.folder / "scan" / "gamma.csv"
    other = path.with_suffix(".new")
    shutil.copy2(path, other)
    text = other.read_text(encoding="utf-8")
    other.write_text(text[:-3] + ("1" if text[-3] == "2" else "2") + text[-2:], encoding="utf-8")
    stamp = path.stat().st_mtime_ns
    os.utime(other, ns=(stamp, stamp))
    other.replace(path)
    assert path.stat().st_size == before[str(path)][0]
    assert files.changed_files(before, files.inputs(young.folder)) == ["gamma.csv"]


def test_a_pattern_that_is_none_does_not_end_the_look(
    young: Young, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(path: Path, pattern: str) -> list[Path]:
        raise ValueError(f"Invalid pattern: {pattern!r}")  # as of '**x.csv' in older Pythons

    monkeypatch.setattr(files, "_patterns", lambda folder: [folder / "**x.csv"])
    before = files.inputs(young.folder)
    monkeypatch.setattr(Path, "glob", none)
    assert files.inputs(young.folder) == before


def test_results_that_cannot_begin_do_not_end_the_watch(
    young: Young, state: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("corephys.watch.results.tempfile.mkstemp", full)
    assert state.out is not None
    lines: list[str] = []
    watching = Watching(state, lines.append, Results(young.folder, state.out))
    watching._refresh(0.0)
    assert "no new results: [Errno 28]" in lines[-1]
    assert "<h1>Core 2</h1>" in page_of(state)


def test_a_folder_that_is_gone_has_no_inputs(tmp_path: Path) -> None:
    assert files.inputs(tmp_path / "nothing") == {}


# The watch.


def until(watching: cp.watch.Watching, holds: Callable[[], bool]) -> None:
    """Wait for refreshes until something holds: slow writes may take more than one refresh."""
    for _ in range(20):
        count = watching.refreshes
        if holds():
            return
        assert watching.wait(count + 1, 120.0)
    raise AssertionError("still not so after 20 refreshes")


def test_unfinished_pages_of_a_killed_watch_are_removed(
    state: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert state.out is not None
    kept = ["newest.txt", ".newest.kept.html", ".newest.0123abcd.txt", ".other.0123abcd.html"]
    for name in (*kept, ".newest.0123abcd.html", ".newest.4567cdef.js"):
        (state.out / name).write_text("half", encoding="utf-8")
    monkeypatch.setattr(Watching, "_run", lambda watching: watching._lock.release())
    watching = Watching(state)
    watching.start()
    assert sorted(p.name for p in state.out.iterdir() if p.name != ".watch.lock") == sorted(kept)


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit])
def test_a_signal_before_the_wait_stops_the_watch(
    young: Young, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    stopped: list[Watching] = []

    def interrupted(watching: Watching) -> None:
        raise error

    monkeypatch.setattr(Watching, "_run", lambda watching: watching._stop.wait(60.0))
    monkeypatch.setattr(Watching, "join", interrupted)
    stop = Watching.stop

    def note(watching: Watching) -> None:
        stop(watching)
        stopped.append(watching)

    monkeypatch.setattr(Watching, "stop", note)
    with pytest.raises(error):
        cp.watch(young.folder, tmp_path / "out", block=True)
    assert [one.running for one in stopped] == [False]


def test_a_watch_from_end_to_end(young: Young, tmp_path: Path) -> None:
    lines: list[str] = []
    out = tmp_path / "out"
    watching = cp.watch(young.folder, out, tell=lines.append)
    try:
        assert watching.wait(1, 120.0)
        assert "<h1>Core 2</h1>" in (out / PAGE).read_text(encoding="utf-8")
        with pytest.raises(cp.watch.WatchError, match="another watch writes"):
            cp.watch(young.folder, out)
        young.arrive()
        until(watching, lambda: "<h1>Core 3</h1>" in (out / PAGE).read_text(encoding="utf-8"))
        assert watching.last is not None
        sound = young.spoil()
        until(watching, lambda: "scan/gamma.csv, line 1" in watching.fault)
        assert "The last change is not shown" in watching._repr_html_()
        young.mend(sound)
        until(watching, lambda: watching.fault == "")
    finally:
        watching.stop()
    assert not watching.running
    assert '"stopped"' in (out / SIGN).read_text(encoding="utf-8")
    assert "core 3" in repr(watching)
    assert len(lines) == watching.refreshes
    assert any("not shown: scan/gamma.csv, line 1" in line for line in lines)
    # The lock is free again.
    again = cp.watch(young.folder, out)
    again.stop()


def test_an_error_of_this_program_does_not_end_the_watch(
    state: State, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise KeyError("planted")

    watching = Watching(state)
    with monkeypatch.context() as patch:
        patch.setattr("corephys.watch.state.read_hole", fail)
        watching._refresh(0.0)
    assert "KeyError: 'planted'" in watching.fault
    assert "KeyError: 'planted'" in page_of(state).replace("&#x27;", "'")
    assert "Traceback" in capsys.readouterr().err
    watching._refresh(0.0)
    assert watching.fault == ""


def test_a_page_that_cannot_be_written_is_tried_again(
    state: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[str] = []
    watching = Watching(state, lines.append)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("corephys.watch.state.write_bytes", full)
        watching._refresh(0.0)
    assert "No space left on device" in lines[0]
    assert state.out is not None
    assert not (state.out / PAGE).exists()
    watching._step()  # nothing has changed but the page is still to be written
    assert "<h1>Core 2</h1>" in page_of(state)


def test_a_recipe_file_is_watched(state: State, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text("[quality]\nevaluate = false\n", encoding="utf-8")
    state.recipe = recipe
    refresh(state)
    assert state.fault is None
    assert state.tree is not None
    assert json.loads(state.tree.attrs["recipe"])["quality"]["evaluate"] is False
    recipe.write_text("[quality]\nevaluate = 3\n", encoding="utf-8")
    assert files.changed_files(state.seen, state.look()) == ["recipe.toml"]
    refresh(state)
    assert state.fault is not None


class FakeRun:
    """Stands for the process of the command reduce."""

    def __init__(self) -> None:
        self.returncode: int | None = None

    def poll(self) -> int | None:
        return self.returncode

    def terminate(self) -> None:
        self.returncode = -15

    def wait(self, seconds: float | None = None) -> int | None:
        return self.returncode


def test_results_follow_each_page_and_give_way_to_the_next(
    young: Young, state: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[FakeRun] = []

    def start(command: list[str], **_: object) -> FakeRun:
        assert command[1:] == [
            "-m", "corephys", "reduce", str(young.folder), "--out", str(state.out)
        ]  # fmt: skip
        runs.append(FakeRun())
        return runs[-1]

    monkeypatch.setattr("corephys.watch.results.subprocess.Popen", start)
    assert state.out is not None
    lines: list[str] = []
    watching = Watching(state, lines.append, Results(young.folder, state.out))
    watching._refresh(0.0)
    young.arrive()
    watching._refresh(0.0)
    assert [run.returncode for run in runs] == [-15, None]
    runs[-1].returncode = 0
    (state.out / PAGE).unlink()  # as where the folder was exchanged while the page was written
    watching._step()
    assert lines[-1] == f"results written to {state.out}"
    assert "<h1>Core 3</h1>" in page_of(state)
    young.spoil()
    watching._refresh(0.0)
    assert len(runs) == 2  # no results of a hole that cannot be read


@pytest.mark.parametrize("more", [{}, {"out": "out", "site": "."}, {"out": "out", "recipe": {}}])
def test_results_that_the_command_cannot_write_are_refused(
    young: Young, more: dict, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(cp.watch.WatchError, match="results=True needs out, takes no site"):
        cp.watch(young.folder, results=True, **more)


def test_the_folder_of_a_site_is_refused_with_its_holes(project_root: Path, tmp_path: Path) -> None:
    with pytest.raises(cp.watch.WatchError, match="holes A, B, C; a watch follows one hole"):
        cp.watch(project_root / "data_demo" / "site", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"give the folder that holds hole\.toml"):
        cp.watch(tmp_path / "nothing")


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["int", "term"]
)
def test_the_command_stops_in_one_line(
    young: Young, tmp_path: Path, number: signal.Signals, status: int
) -> None:
    command = [sys.executable, "-m", "corephys", "watch", str(young.folder)]
    command += ["--out", str(tmp_path / "out")]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline().startswith("watching ")
        assert "core 2" in run.stdout.readline()
        run.send_signal(number)
        _, said = run.communicate(timeout=60)
    assert run.returncode == status
    assert said == "corephys: the watch was stopped; its page stays\n"
    assert '"stopped"' in (tmp_path / "out" / SIGN).read_text(encoding="utf-8")
    assert "<h1>Core 2</h1>" in (tmp_path / "out" / PAGE).read_text(encoding="utf-8")
