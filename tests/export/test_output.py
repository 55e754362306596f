"""An output folder holds one reduction, whatever stops a run; its manifest lists every file."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import cli
from corephys.export import netcdf, output
from corephys.ground import provenance
from tests.archive_holes import small_hole
from tests.interruptions import KINDS, wrong

OLD = {"a.csv": "old a", "tables/b.csv": "old b", "tables/gone.csv": "old"}
NEW = {"a.csv": "new a", "tables/b.csv": "new b", "figures/c.csv": "new"}


def write(out: Path, files: dict[str, str]) -> None:
    with output.transaction(out) as staging:
        for name, text in files.items():
            (staging / name).parent.mkdir(parents=True, exist_ok=True)
            (staging / name).write_text(text)


def content(out: Path) -> dict[str, str]:
    """Texts of all files but the manifest, by path."""
    files = {p.relative_to(out).as_posix(): p for p in out.rglob("*") if p.is_file()}
    return {
        name: path.read_text()
        for name, path in files.items()
        if name != output.MANIFEST and not name.startswith(".")
    }


@pytest.fixture(params=["exchanged", "refused", "working folder"])
def out(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An output folder with an old result; each way of switching must give the same."""
    folder = tmp_path / "out"
    write(folder, OLD)
    if request.param == "refused":
        monkeypatch.setattr(output, "_exchange_folders", lambda *_: False)
    elif request.param == "working folder":
        monkeypatch.chdir(folder)
    elif sys.platform == "linux":
        exchanged = output._exchange_folders

        def must_exchange(*folders: Path) -> bool:
            assert exchanged(*folders)
            return True

        monkeypatch.setattr(output, "_exchange_folders", must_exchange)
    return folder


def nothing_left(out: Path) -> bool:
    beside = {p.name for p in out.parent.iterdir()} - {"out", ".out.lock"}
    return not beside and not [p for p in out.iterdir() if p.name.startswith(".")]


def test_the_new_result_replaces_the_old_one_and_nothing_is_left(out: Path) -> None:
    write(out, NEW)
    assert content(out) == NEW
    assert nothing_left(out)
    found = output.verify(out)
    assert found.intact and found.files == 3 and not found.additional


def test_a_run_that_fails_changes_nothing(out: Path) -> None:
    before = output.verify(out)
    with pytest.raises(RuntimeError, match="half way"), output.transaction(out) as staging:
        (staging / "a.csv").write_text("new a")
        raise RuntimeError("half way")
    assert content(out) == OLD and output.verify(out) == before
    assert nothing_left(out)


def test_files_of_the_user_stay(out: Path) -> None:
    (out / "notes").mkdir()
    (out / "empty").mkdir()
    (out / "notes/a.txt").write_text("mine")
    (out / "figures").mkdir()
    (out / "figures/c.csv").write_text("mine too")
    write(out, NEW)
    mine = {"notes/a.txt": "mine", "figures/c.kept.csv": "mine too"}
    assert content(out) == NEW | mine
    assert (out / "empty").is_dir()
    assert output.verify(out).additional == tuple(sorted(mine))
    write(out, OLD)
    assert content(out) == OLD | mine


def test_a_folder_without_manifest_keeps_all_but_older_results(tmp_path: Path) -> None:
    out = tmp_path / "out"
    for name in ("mine/a.txt", "B/reduced.nc", "B/report.html", "tables/b.csv", "report.html"):
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_text("old")
    inode = out.stat().st_ino
    write(out, NEW)
    assert content(out) == NEW | {"mine/a.txt": "old", "report.html": "old"}
    assert out.stat().st_ino == inode  # a folder that may be anything is not exchanged


class Killed(BaseException):
    pass


def test_a_switch_that_was_killed_is_completed_by_the_next_reader(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before and after each change of the folder: the reader finds one result."""
    monkeypatch.setattr(output, "_exchange_folders", lambda *_: False)
    seen = set()
    for step in range(20):
        out = tmp_path / str(step) / "out"
        write(out, OLD)
        (out / "mine.txt").write_text("mine")
        with monkeypatch.context() as patch:
            left = [step]

            def counted(name: str, patch: pytest.MonkeyPatch = patch, left: list = left) -> None:
                call = getattr(os, name)

                def wrapped(*arguments: object, **options: object) -> object:
                    if left[0] == 0:
                        raise Killed
                    left[0] -= 1
                    return call(*arguments, **options)

                patch.setattr(os, name, wrapped)

            for name in ("replace", "unlink", "rename"):
                counted(name)
            try:
                write(out, NEW)
            except Killed:
                killed = True
            else:
                killed = False
        found = output.verify(out)
        texts = content(out)
        assert texts.pop("mine.txt") == "mine"
        assert found.intact and texts in (OLD, NEW), (step, texts)
        seen.add((killed, texts == NEW))
        write(out, OLD)
        assert content(out) == OLD | {"mine.txt": "mine"}
        assert nothing_left(out)
    assert seen == {(True, False), (True, True), (False, True)}


def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, OLD)
    # The old folder of a run that was killed after its switch, and a file saved there meanwhile.
    left = tmp_path / ".out.new-0123abcd"
    write(left, NEW)
    (left / "late.txt").write_text("mine")
    (tmp_path / "..out.new-0123abcd.lock").unlink()
    (tmp_path / ".out.new-4567abcd").mkdir()
    write(out, NEW)
    assert content(out) == NEW | {"late.txt": "mine"}
    assert nothing_left(out)


def test_names_like_those_of_a_run_stay_where_they_are_of_the_user(out: Path) -> None:
    own = [".lock", ".new-ideas/a.txt", "..switch.txt", "sub/.new-0123abcd/b.txt"]
    beside = [out.parent / ".out.new-ideas/a.txt", out.parent / ".out.new-note.txt"]
    for path in [*(out / name for name in own), *beside]:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("mine")
    for files in (NEW, OLD):
        write(out, files)
        assert {path.read_text() for path in [*(out / name for name in own), *beside]} == {"mine"}
        assert set(output.verify(out).additional) == set(own)


def test_a_run_leaves_that_of_a_longer_name_alone(tmp_path: Path) -> None:
    with output.transaction(tmp_path / "out.new-1") as staging:
        (staging / "a.csv").write_text("a")
        write(tmp_path / "out", OLD)
        assert (staging / "a.csv").read_text() == "a"


def test_files_of_the_user_where_folders_come_and_the_reverse_are_kept(out: Path) -> None:
    (out / "figures").write_text("mine")
    (out / "report.html").mkdir()
    for name in ("a.txt", "b.txt"):
        (out / "report.html" / name).write_text("mine")
    new = NEW | {"report.html": "new"}
    own = {"figures.kept": "mine"} | {f"report.kept.html/{n}.txt": "mine" for n in "ab"}
    for _ in range(2):
        write(out, new)
        assert content(out) == new | own
        assert output.verify(out).intact
    # What was a folder of results becomes a file, and the reverse.
    write(out, {"tables": "file", "a.csv/b.csv": "below"})
    assert content(out) == {"tables": "file", "a.csv/b.csv": "below"} | own


def test_a_file_in_the_way_of_a_folder_is_kept_without_a_manifest(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "a.csv").mkdir(parents=True)
    (out / "a.csv/mine.txt").write_text("mine")
    (out / "figures").write_text("mine")
    write(out, NEW)
    assert content(out) == NEW | {"a.kept.csv/mine.txt": "mine", "figures.kept": "mine"}


def test_every_new_file_arrives_in_a_folder_with_other_files(tmp_path: Path) -> None:
    out = tmp_path / "hole"
    (out / "scan").mkdir(parents=True)
    (out / "scan/gamma.csv").write_text("mine")
    new = NEW | {"reduced.nc": "new", "report.html": "new"}
    for _ in range(2):
        with output.transaction(out) as staging:
            output.describe(staging, {"recipe": "{}"})
            for name, text in new.items():
                (staging / name).parent.mkdir(parents=True, exist_ok=True)
                (staging / name).write_text(text)
        assert content(out) == new | {"scan/gamma.csv": "mine"}
        assert output.verify(out).intact


def test_a_journal_that_leads_out_of_its_folder_is_refused(out: Path) -> None:
    own = out.parent / "own.txt"
    own.write_text("mine")
    staging = out / ".new-0123abcd"
    staging.mkdir()
    (staging / output.MANIFEST).write_text("{}")
    plan = {"from": staging.name, "keep": {}, "put": [], "remove": []}
    wrong_plans = [
        plan | {"remove": ["../own.txt"]},
        plan | {"remove": [str(own)]},
        plan | {"put": ["../own.txt"]},
        plan | {"keep": {"a.csv": "../own.txt"}},
        plan | {"from": ".."},
        {},
        [],
    ]
    for held in [*map(json.dumps, wrong_plans), "no JSON"]:
        (out / ".switch.json").write_text(held)
        with pytest.raises(OSError, match="is no journal of this package"):
            output.verify(out)
        assert own.read_text() == "mine"
        assert (out / "a.csv").read_text() == "old a"
    (out / ".switch.json").unlink()
    manifest = json.loads((out / output.MANIFEST).read_text())
    manifest["files"] = {"../own.txt": {"sha256": "", "size": 4}}
    manifest["run"] = output._run_of(manifest)
    (out / output.MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(OSError, match="is damaged"):
        output.verify(out)
    write(out, NEW)
    assert own.read_text() == "mine"


def test_a_second_run_is_refused_by_the_name_of_the_first(out: Path) -> None:
    code = (
        "import sys; from corephys.export import output\n"
        f"with output.transaction({str(out)!r}): print('held', flush=True); sys.stdin.read()"
    )
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", code], text=True, **pipes) as other:
        assert other.stdout is not None and other.stdin is not None
        assert other.stdout.readline() == "held\n"
        with (
            pytest.raises(output.OutputBusyError, match=f"written by process {other.pid} on"),
            output.transaction(out),
        ):
            pass
        other.kill()
    write(out, NEW)  # the lock of a dead process does not hold
    assert content(out) == NEW


def test_verify_names_each_file_that_is_not_as_written(out: Path) -> None:
    (out / "a.csv").write_text("old A")
    (out / "tables/b.csv").unlink()
    (out / "more.txt").write_text("x")
    found = output.verify(out)
    assert (found.damaged, found.missing, found.additional) == (
        ("a.csv",),
        ("tables/b.csv",),
        ("more.txt",),
    )
    assert "damaged: a.csv\n" in str(found)
    assert cli.main(["verify", str(out)]) == cli.NOT_INTACT
    text = (out / output.MANIFEST).read_text()
    (out / output.MANIFEST).write_text(text.replace('"size": 5', '"size": 4'))
    with pytest.raises(OSError, match="is damaged: its content does not fit"):
        output.verify(out)
    (out / output.MANIFEST).unlink()
    with pytest.raises(FileNotFoundError, match=r"has no manifest\.json; give the output folder"):
        output.verify(out)
    assert cli.main(["verify", str(out)]) == 1


def test_errors_of_the_system_become_sentences(out: Path, tmp_path: Path) -> None:
    with (
        pytest.raises(OSError, match=r"out: the disk is full\. Free some space\. The last "),
        output.transaction(out) as staging,
    ):
        raise OSError(errno.ENOSPC, "no space", str(staging / "a.csv"))
    # An error of another place keeps its words.
    with pytest.raises(PermissionError, match="an input"), output.transaction(out):
        raise PermissionError(errno.EACCES, "an input", str(tmp_path / "hole/cores.csv"))
    with pytest.raises(NotADirectoryError, match="is a file; give a folder"):
        write(out / "a.csv", NEW)
    with pytest.raises(NotADirectoryError, match=r"a\.csv is a file, so that .* cannot be made"):
        write(out / "a.csv/more/b", NEW)
    with pytest.raises(OSError, match="a name is too long"):
        write(out.parent / ("x" * 252), NEW)
    (tmp_path / ".other.lock").mkdir()
    with pytest.raises(IsADirectoryError, match=r"needs this name for its lock\. Rename"):
        write(tmp_path / "other", NEW)
    assert content(out) == OLD


# --------------------------------------------------------------------------------------------------
# The commands.


@pytest.fixture(scope="module")
def hole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_hole(tmp_path_factory.mktemp("holes") / "hole", 1, readings=60)


def test_reduce_leaves_a_manifest_and_no_name_of_its_workplace(hole: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = ["reduce", str(hole), "--out", str(out), "--no-figures"]
    assert cli.main(command) == 0
    assert cli.main(["verify", str(out)]) == 0
    first = (out / output.MANIFEST).read_bytes()
    tree = cp.load(out / "reduced.nc")
    manifest = json.loads(first)
    assert manifest["inputs"] == json.loads(tree.attrs["input_sha256"])
    assert manifest["corephys_version"] == cp.__version__
    assert cli.main(command) == 0
    assert (out / output.MANIFEST).read_bytes() == first  # the same reduction, the same run
    for path in out.rglob("*"):
        if path.suffix in (".xlsx", ".zip"):
            with zipfile.ZipFile(path) as packed:
                parts = [packed.read(name) for name in packed.namelist()]
        else:
            parts = [path.read_bytes()] if path.is_file() else []
        assert not any(b".out.new-" in part for part in parts), path


def test_inputs_that_change_meanwhile_are_refused(
    hole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    own = small_hole(tmp_path / "own", 1, readings=60)
    out = tmp_path / "out"
    command = ["reduce", str(own), "--out", str(out), "--no-figures"]
    assert cli.main(command) == 0
    before = content_bytes(out)
    written = netcdf.save

    def late(tree: xr.DataTree, path: Path) -> Path:
        with (own / "cores.csv").open("a") as stream:
            stream.write("\n")
        return written(tree, path)

    monkeypatch.setattr("corephys.export.save", late)
    capsys.readouterr()
    assert cli.main(command) == 1
    assert "cores.csv in" in (words := capsys.readouterr().err) and "changed while" in words
    assert content_bytes(out) == before
    # A change while the files are read is noticed as well.
    monkeypatch.undo()
    stamps = iter([provenance.stamps(own), provenance.stamps(own) | {"cores.csv": (0, 0)}])
    monkeypatch.setattr(provenance, "stamps", lambda _: next(stamps))
    with pytest.raises(cp.HoleError, match="the file changed while it was read"):
        cp.read_hole(own)


def content_bytes(out: Path) -> dict[str, bytes]:
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file()}


# --------------------------------------------------------------------------------------------------
# The digest in a netCDF file.


@pytest.fixture
def file(tmp_path: Path) -> Path:
    values = np.arange(2000.0)
    tree = xr.DataTree.from_dict({"/": xr.Dataset(), "/scan/x": xr.Dataset({"v": ("r", values)})})
    return cp.save(tree, tmp_path / "x.nc")


def test_a_changed_bit_is_refused_in_words(file: Path) -> None:
    original = file.read_bytes()
    for place in (0, len(original) // 2, len(original) - 200, len(original) - 10):
        changed = bytearray(original)
        changed[place] ^= 4
        file.write_bytes(changed)
        with pytest.raises(OSError, match="Copy it again"):
            cp.load(file)


def test_a_file_that_another_program_changed_has_no_digest_and_loads(file: Path) -> None:
    expected = cp.load(file)
    with netCDF4.Dataset(file, "a") as changed:
        changed.note = "by another program"
    assert not netcdf._checked(file)
    found = cp.load(file)
    assert found.attrs.pop("note") == "by another program"
    assert found.identical(expected)


def test_both_readers_give_the_same(hole: Path, tmp_path: Path) -> None:
    path = cp.save(cp.reduce(cp.read_hole(hole)), tmp_path / "x.nc")
    fast, general = dict(netcdf._groups(path)), dict(netcdf._foreign_groups(path))
    trees = [xr.DataTree.from_dict(nodes) for nodes in (fast, general)]
    assert trees[0].identical(trees[1])
    assert [node.path for node in trees[0].subtree] == [node.path for node in trees[1].subtree]
    for group, expected in general.items():
        found = fast[group]
        assert found.identical(expected)
        assert list(found.variables) == list(expected.variables), group
        for name, variable in expected.variables.items():
            assert found[name].dtype == variable.dtype
            assert found[name].variable.encoding == variable.encoding


@pytest.mark.parametrize("content", [b"", b"words", b"CDF\x07" + bytes(40), b"\x89HDF\r\n\x1a\n"])
def test_a_file_of_another_kind_is_an_oserror(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.nc"
    path.write_bytes(content)
    with pytest.raises(OSError, match=r"another kind .*Copy it again, or reduce"):
        cp.load(path)


def test_damage_without_a_digest_is_an_oserror_or_equal(file: Path) -> None:
    original = file.read_bytes()[: -netcdf._MARK_LENGTH]
    expected = cp.load(file)
    for keep in (len(original) // 3, len(original) - 9):
        file.write_bytes(original[:keep])
        with pytest.raises(OSError, match="truncated or a file of another kind"):
            cp.load(file)
    file.write_bytes(original)
    assert cp.load(file).identical(expected)


def test_an_unfinished_file_for_reuse_goes_with_its_run(tmp_path: Path) -> None:
    out, part = tmp_path / "out", tmp_path / ".out.reuse.part"
    other = tmp_path / ".other.reuse.part"
    for file in (part, other):
        file.write_bytes(b"half")  # of runs that were killed
    write(out, OLD)
    assert not part.exists()
    with pytest.raises(KeyboardInterrupt), output.transaction(out):
        part.write_bytes(b"half")
        output.abandon()  # as a signal ends a run
        assert not part.exists()
        raise KeyboardInterrupt
    assert content(out) == OLD
    assert other.exists()


@pytest.mark.skipif(sys.platform != "linux", reason="folders are exchanged on Linux only")
def test_a_file_that_its_writer_renames_meanwhile_stops_no_switch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write(out, OLD)
    (out / ".page.html").write_text("unfinished")
    (out / "notes.txt").write_text("of the user")
    link = os.link

    def late(source: Path, other: Path, **options: bool) -> None:
        if source.name == ".page.html":
            os.replace(source, source.with_name("page.html"))
        link(source, other, **options)

    monkeypatch.setattr(os, "link", late)
    write(out, NEW)
    assert content(out) == {**NEW, "notes.txt": "of the user", "page.html": "unfinished"}


# --------------------------------------------------------------------------------------------------
# Random interruptions; ``python -m tests.interruptions`` makes many of them.


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "count"),
    [
        ("kills", 6),
        ("reports", 3),
        ("watches", 6),
        ("results", 3),
        ("starts", 4),
        ("interrupts", 4),
        ("terminations", 4),
        ("doubled", 3),
        ("archives", 6),
        ("bits_of_netcdf", 60),
        ("bits_of_zarr", 60),
    ],
)
def test_random_interruptions_leave_one_result(kind: str, count: int, tmp_path: Path) -> None:
    found = KINDS[kind](tmp_path, count)
    assert not wrong(found), found


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs to mount")
@pytest.mark.parametrize("kind", ["full_disk", "read_only"])
def test_a_disk_that_takes_nothing_is_one_line(kind: str, tmp_path: Path) -> None:
    found = KINDS[kind](tmp_path, 1)
    assert not wrong(found), found
