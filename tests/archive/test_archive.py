"""Archives of whole holes: the numbers of ``reduce``, whoever works, and no hole stops another."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import corephys as cp
from corephys import archive
from corephys.archive.stores import LOCK, ArchiveBusy
from corephys.cli import main
from corephys.export import zarr as stores
from tests.archive_holes import contents, small_hole, write

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

# One scan is enough where not the numbers but the running is at stake.
ONLY: dict[str, Any] = {"progress": False, "sensors": ("gamma",)}


@pytest.fixture(scope="module")
def holes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four good holes, one of them saved as a zarr store."""
    folder = tmp_path_factory.mktemp("holes")
    for seed in range(3):
        small_hole(folder / f"hole_{seed}", seed, fast_too=seed == 1)
    apart = small_hole(tmp_path_factory.mktemp("apart") / "hole_3", 3)
    stores.save(cp.read_hole(apart), folder / "hole_3")
    (folder / "notes").mkdir()
    write(folder / "notes/read_me.txt", "no hole\n")
    return folder


@pytest.fixture(scope="module")
def made(holes: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive that one worker makes of them."""
    out = tmp_path_factory.mktemp("made") / "out"
    archive.reduce(holes, out, workers=1, **ONLY)
    return out


def test_the_numbers_are_those_of_reduce(holes: Path, made: Path, tmp_path: Path) -> None:
    assert list(archive.open(made)) == [f"hole_{i}" for i in range(4)]
    two = [holes / "hole_1", holes / "hole_3"]
    table = archive.reduce(two, tmp_path / "out", progress=False).set_index("name")
    found = archive.open(tmp_path / "out")
    # The velocities were invented between 1500 and 1550 m/s.
    assert table.loc["hole_1", "p_wave_velocity [m/s]"] == pytest.approx(1525.0, abs=6.0)
    for name in ("hole_1", "hole_3"):
        hole = stores.load(holes / name) if name == "hole_3" else cp.read_hole(holes / name)
        tree = cp.reduce(hole)
        paths = ["properties/density", "products/porosity"]
        for path in [*paths, "properties/velocity"] if name == "hole_1" else paths:
            here, there = found[name][path].to_dataset(), tree[path].to_dataset()
            lost = set(there.variables) - set(here.variables)
            assert {v for v in lost if not v.endswith("_effects")} <= {"source"}
            for variable in here.variables:
                values, other = here[variable].values, there[variable].values
                if str(variable).endswith(("_u_random", "_u_systematic")):
                    assert values.dtype == np.float32
                    np.testing.assert_allclose(values, other, rtol=1e-6, equal_nan=True)
                else:
                    np.testing.assert_array_equal(values, other)
        assert found[name].attrs["recipe"] == tree.attrs["recipe"]
        assert "scan" not in found[name]


def test_the_table_counts_what_the_holes_hold(made: Path) -> None:
    table = archive.summary(made).set_index("name")
    assert (table["status"] == "complete").all() and (table["error"] == "").all()
    tree = archive.open(made)["hole_1"]
    counts = [
        q for q in json.loads(tree.attrs["summary"])["quantities"]
        if q["path"].startswith("properties/")
    ]  # fmt: skip
    row = table.loc["hole_1"]
    assert row["readings"] == sum(q["readings"] for q in counts) >= 120
    assert row["kept"] + row["left_out"] + row["missing"] == row["readings"]
    # The densities were invented between 1.5 and 1.8 g/cm^3 on the scale of the standards.
    assert row["bulk_density [g/cm^3]"] == pytest.approx(1.65, abs=0.06)
    assert np.isnan(row["heat_flow [mW/m^2]"])
    assert (made / "summary.csv").read_text().startswith("name,status,title,readings,")


class Client:
    """What the archive asks of a client of a cluster."""

    def __init__(self) -> None:
        self.pool = ThreadPoolExecutor(2)

    def submit(self, function: Any, *arguments: Any, pure: bool = True) -> Future[str]:
        assert not pure
        return self.pool.submit(function, *arguments)

    def gather(self, futures: list[Future[str]]) -> list[str]:
        return [future.result() for future in futures]


@pytest.mark.parametrize("scheduler", ["threads", "processes", "client"])
def test_whoever_works_writes_the_same_bytes(
    holes: Path, made: Path, tmp_path: Path, scheduler: str
) -> None:
    who = Client() if scheduler == "client" else scheduler
    archive.reduce(holes, tmp_path / "out", workers=2, scheduler=who, **ONLY)
    assert contents(tmp_path / "out") == contents(made)


def test_three_poisoned_holes_and_the_rest_is_complete(holes: Path, tmp_path: Path) -> None:
    source = tmp_path / "holes"
    shutil.copytree(holes, source)
    gamma = source / "hole_0" / "scan" / "gamma.csv"
    gamma.write_text(gamma.read_text().replace("core,section,offset [cm]", "core,section,off", 1))
    gamma = source / "hole_1" / "scan" / "gamma.csv"
    lines = gamma.read_text().splitlines()
    lines[5] = ",".join([*lines[5].split(",")[:3], "many", "5"])
    gamma.write_text("\n".join(lines) + "\n")
    (chunk,) = (source / "hole_3").glob("*.zarr/scan/gamma/counts/c/0")
    chunk.write_bytes(chunk.read_bytes()[:40])

    table = archive.reduce(source, tmp_path / "out", **ONLY).set_index("name")
    assert dict(table["status"]) == {
        "hole_0": "failed", "hole_1": "complete", "hole_2": "complete", "hole_3": "failed",
    }  # fmt: skip
    assert "scan/gamma.csv" in table.loc["hole_0", "error"]
    assert "offset" in table.loc["hole_0", "error"]
    assert (
        "counts/c/0 is cut short or damaged: its checksum differs; make"
        in table.loc["hole_3", "error"]
    )
    # Text where a number belongs costs one reading, not the hole, and is counted.
    assert table.loc["hole_1", "bad_cells"] == 1
    assert table.loc["hole_1", "missing"] == 1
    found = archive.open(tmp_path / "out")
    assert list(found) == ["hole_1", "hole_2"] and set(found.failed) == {"hole_0", "hole_3"}
    with pytest.raises(KeyError, match=r"'hole_0' could not be reduced; correct .*: HoleError"):
        found["hole_0"]
    with pytest.raises(KeyError, match="no hole 'hole_9' in the archive; it has hole_1, hole_2"):
        found["hole_9"]
    assert not (tmp_path / "out" / "holes.zarr" / "hole_0").exists()

    # Mended, the failed holes are reduced and nothing else is touched.
    before = times(tmp_path / "out", "hole_2")
    shutil.copy(holes / "hole_0" / "scan" / "gamma.csv", source / "hole_0" / "scan" / "gamma.csv")
    table = archive.reduce(source, tmp_path / "out", **ONLY).set_index("name")
    assert table.loc["hole_0", "status"] == "complete"
    assert table.loc["hole_3", "status"] == "failed"
    assert times(tmp_path / "out", "hole_2") == before


def times(out: Path, name: str) -> dict[str, int]:
    """When each file of a hole was last written [ns]."""
    files = [*(out / "holes.zarr" / name).rglob("*"), out / "done" / f"{name}.json"]
    return {str(path): path.stat().st_mtime_ns for path in files}


def test_a_hole_that_has_changed_is_reduced_again(holes: Path, tmp_path: Path) -> None:
    source = tmp_path / "holes"
    shutil.copytree(holes, source)
    archive.reduce(source, tmp_path / "out", **ONLY)
    before = {name: times(tmp_path / "out", name) for name in ("hole_0", "hole_1")}
    small_hole(source / "hole_1", 77)
    archive.reduce(source, tmp_path / "out", **ONLY)
    assert times(tmp_path / "out", "hole_0") == before["hole_0"]
    assert times(tmp_path / "out", "hole_1") != before["hole_1"]
    new = archive.open(tmp_path / "out")["hole_1"]["properties/density/bulk_density"]
    other = cp.reduce(cp.read_hole(source / "hole_1"))["properties/density/bulk_density"]
    np.testing.assert_array_equal(new.values, other.values)


RUN = """
import sys
from corephys import archive
if __name__ == "__main__":
    archive.reduce(
        sys.argv[1], sys.argv[2], workers=1, scheduler=sys.argv[3], progress=False,
        sensors=("gamma",),
    )
"""


# Kills itself as soon as one hole is done: from outside, a busy machine may come too late.
KILLED = f"""
import os, pathlib, signal, sys, threading, time
def until_one_is_done():
    done = pathlib.Path(sys.argv[2]) / "done"
    while not list(done.glob("*.json")):
        time.sleep(0.002)
    os.kill(os.getpid(), signal.SIGKILL)
if __name__ == "__main__":
    threading.Thread(target=until_one_is_done, daemon=True).start()
{RUN}
"""


@pytest.mark.parametrize("scheduler", ["threads", "processes"])
def test_a_killed_run_goes_on_where_it_was(
    holes: Path, made: Path, tmp_path: Path, scheduler: str, project_root: Path
) -> None:
    write(tmp_path / "run.py", KILLED)
    out = tmp_path / "out"
    command = [sys.executable, str(tmp_path / "run.py"), str(holes), str(out), scheduler]
    environment = {**os.environ, "PYTHONPATH": "."}
    run = subprocess.run(command, cwd=project_root, env=environment, timeout=300.0, check=False)
    assert run.returncode == -signal.SIGKILL
    done = sorted(path.stem for path in (out / "done").glob("*.json"))
    assert 1 <= len(done) < 4  # killed in the middle
    assert (out / LOCK).exists()  # and without a chance to tidy up
    assert list(archive.open(out)) == done
    before = {name: times(out, name) for name in done}
    archive.reduce(holes, out, **ONLY)
    assert {name: times(out, name) for name in done} == before
    left = {k: v for k, v in contents(out).items() if ".part" not in k}
    assert left == contents(made)


def test_two_runs_do_not_write_to_one_place(holes: Path, tmp_path: Path) -> None:
    write(tmp_path / "run.py", RUN)
    out = tmp_path / "out"
    command = [sys.executable, str(tmp_path / "run.py"), str(holes), str(out), "threads"]
    run = subprocess.Popen(command)
    try:
        while not (out / LOCK).exists():
            assert run.poll() is None
            time.sleep(0.01)
        with pytest.raises(ArchiveBusy, match=f"is being written by process {run.pid}"):
            archive.reduce(holes, out, **ONLY)
    finally:
        run.wait()
    assert run.returncode == 0 and len(archive.open(out)) == 4


def test_an_object_store_holds_the_same_archive(holes: Path, made: Path) -> None:
    import fsspec

    url = "memory://archive-of-holes"
    table = archive.reduce(holes, url, **ONLY)
    assert (table["status"] == "complete").all()
    system = fsspec.filesystem("memory")
    root = "/archive-of-holes/"
    found = {path.removeprefix(root): system.cat(path) for path in system.find(root)}
    assert found == contents(made)
    assert list(archive.open(url)) == list(archive.open(made))
    # Holes can come from there, too.
    for path, content in contents(holes / "hole_0").items():
        system.pipe_file(f"/holes/hole_0/{path}", content)
    stores.save(stores.load(holes / "hole_3"), "memory://holes/hole_3")
    table = archive.reduce("memory://holes", "memory://archive-2", **ONLY)
    assert list(table["name"]) == ["hole_0", "hole_3"]
    assert (table["status"] == "complete").all()
    a, b = (archive.open(u)["hole_0"]["properties/density"] for u in (url, "memory://archive-2"))
    np.testing.assert_array_equal(a["bulk_density"].values, b["bulk_density"].values)


def test_what_is_kept_is_chosen(holes: Path, made: Path, tmp_path: Path) -> None:
    archive.reduce(
        {"a": holes / "hole_0"}, tmp_path / "out", sensors=("gamma",), effects=True,
        keep=("properties", "scan"), progress=False,
    )  # fmt: skip
    tree = archive.open(tmp_path / "out")["a"]
    assert "pwave" not in tree["scan"] and "products" not in tree
    density = tree["properties/density"].to_dataset()
    assert density["bulk_density_effects"].dtype == np.float32
    there = archive.open(made)["hole_0"]["properties/density"].to_dataset()
    np.testing.assert_array_equal(density["bulk_density"].values, there["bulk_density"].values)
    assert density["bulk_density"].attrs["ancillary_variables"].count("_effects") == 1
    assert "_effects" not in there["bulk_density"].attrs["ancillary_variables"]
    np.testing.assert_allclose(
        np.sqrt((density["bulk_density_effects"] ** 2).sum("source", skipna=False).values),
        there["bulk_density_u_systematic"].values, rtol=1e-5, equal_nan=True,
    )  # fmt: skip


def test_another_recipe_is_refused_and_named(holes: Path, made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "out")
    changes = {"gamma": {"grain_density": "2.6 g/cm^3"}}
    message = (
        r"made with other choices: \[gamma\] grain_density was not given and is '2.6 g/cm\^3'. "
        r"Choose another output folder, the same choices, or resume=False"
    )
    with pytest.raises(ValueError, match=message):
        archive.reduce(holes, tmp_path / "out", changes, **ONLY)
    assert contents(tmp_path / "out") == contents(made)
    archive.reduce(holes, tmp_path / "out", changes, resume=False, **ONLY)
    tree = archive.open(tmp_path / "out")["hole_0"]
    assert json.loads(tree.attrs["recipe"])["gamma"]["grain_density"] == "2.6 g/cm^3"
    whole = cp.Recipe(json.loads(tree.attrs["recipe"]))
    with pytest.raises(ValueError, match="recipe_is_complete was False and is True"):
        archive.reduce(holes, tmp_path / "out", whole, **ONLY)


def test_an_archive_of_another_version_is_refused(made: Path, holes: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "out")
    head = json.loads((tmp_path / "out/archive.json").read_text())
    head.pop("sha256")  # as an older version wrote it

    def rewrite(**changes: str) -> None:
        write(tmp_path / "out/archive.json", json.dumps({**head, **changes}))

    rewrite(corephys_version="0.0.1")
    with pytest.raises(ValueError, match=r"corephys_version was '0\.0\.1' and is"):
        archive.reduce(holes, tmp_path / "out", progress=False)
    rewrite(format_version="99")
    with pytest.raises(ValueError, match="has format_version 99; this package reads up to 2"):
        archive.open(tmp_path / "out")


def test_slips_are_answered(holes: Path, made: Path, tmp_path: Path) -> None:
    quiet = {"progress": False}
    with pytest.raises(ValueError, match=r"lies inside the source .* Give a folder beside it"):
        archive.reduce(holes, holes / "out", **quiet)
    with pytest.raises(ValueError, match="lies inside the source"):
        archive.reduce([holes / "hole_0"], holes / "hole_0" / "out", **quiet)
    assert not (holes / "out").exists()
    with pytest.raises(ValueError, match=r"no holes in .*notes.*: a hole is a folder with hole"):
        archive.reduce(holes / "notes", tmp_path / "out", **quiet)
    with pytest.raises(ValueError, match=r"there is no folder .*nowhere; give the folder"):
        archive.reduce(holes / "nowhere", tmp_path / "out", **quiet)
    with pytest.raises(ValueError, match=r"two holes are called 'hole_0': .*; give a mapping"):
        archive.reduce([holes / "hole_0", tmp_path / "hole_0"], tmp_path / "out", **quiet)
    with pytest.raises(ValueError, match="'a/b' is not a valid name in an archive: no slash"):
        archive.reduce({"a/b": holes / "hole_0"}, tmp_path / "out", **quiet)
    with pytest.raises(ValueError, match="workers is 0; expected 1 or more"):
        archive.reduce(holes, tmp_path / "out", workers=0, **quiet)
    with pytest.raises(ValueError, match="scheduler is 'fast'; expected 'threads', 'processes' or"):
        archive.reduce(holes, tmp_path / "out", scheduler="fast", **quiet)
    with pytest.raises(ValueError, match="keep has 'pictures'; expected some of"):
        archive.reduce(holes, tmp_path / "out", keep=("pictures",), **quiet)
    with pytest.raises(ValueError, match="sensors has 'sonar'; expected some of gamma"):
        archive.reduce(holes, tmp_path / "out", sensors=("sonar",), **quiet)
    with pytest.raises(cp.RecipeError, match="no stage \\[gama\\]; did you mean 'gamma'"):
        archive.reduce(holes, tmp_path / "out", {"gama": {}}, **quiet)
    with pytest.raises(ValueError, match=r"is not an archive and not empty \(it contains hole_0"):
        archive.reduce({"x": holes / "hole_0"}, shutil.copytree(holes, tmp_path / "full"), **quiet)
    with pytest.raises(ValueError, match=r"no archive at .*; make one with archive.reduce"):
        archive.open(tmp_path / "never")
    with pytest.raises(ValueError, match=r"no archive at .*; make one with archive.reduce"):
        archive.summary(tmp_path / "never")


def test_the_command_line_makes_an_archive(
    holes: Path, made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["archive", str(holes), "--out", str(tmp_path / "out"), "--scheduler", "threads"]
    arguments += ["--sensors", "gamma"]
    assert main(arguments) == 0
    assert "4 of 4 holes complete in" in capsys.readouterr().out
    assert contents(tmp_path / "out") == contents(made)
    write(tmp_path / "recipe.toml", '[gamma]\ngrain_density = "2.6 g/cm^3"\n')
    assert main([*arguments, "--recipe", str(tmp_path / "recipe.toml")]) == 1
    assert "[gamma] grain_density was not given" in capsys.readouterr().err
    broken = tmp_path / "broken"
    shutil.copytree(holes / "hole_0", broken / "one")
    write(broken / "one" / "cores.csv", "top [m]\n0\n")
    assert (
        main(["archive", str(broken), "--out", str(tmp_path / "b"), "--scheduler", "threads"]) == 1
    )
    said = capsys.readouterr()
    assert "0 of 1 holes complete" in said.out and "one failed: HoleError" in said.err


FIRST = """
import sys
from corephys import archive
table = archive.reduce(sys.argv[1], sys.argv[2], workers=4, progress=False, sensors=())
assert (table["status"] == "complete").all(), table["error"].tolist()
"""


def test_the_first_use_of_units_by_several_threads(holes: Path, tmp_path: Path) -> None:
    # A fresh process: the registry of units is built on first use, and all threads come at once.
    write(tmp_path / "first.py", FIRST)
    command = [sys.executable, str(tmp_path / "first.py"), str(holes), str(tmp_path / "out")]
    assert subprocess.run(command, check=False).returncode == 0
