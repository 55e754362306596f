"""The project's own checks: parts are named, all run to their end, failures are told."""

from __future__ import annotations

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXTRA = ROOT / ".ci" / "extra"
PARTS = {"browser", "docs", "locked", "newest", "notebooks", "oldest", "slow", "wheel"}


def run(*arguments: str, parts: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ)
    if parts is not None:
        environment["COREPHYS_PARTS"] = str(parts)
    return subprocess.run(
        [EXTRA, *arguments], capture_output=True, text=True, env=environment, cwd="/", timeout=60,
    )  # fmt: skip


def test_the_parts_are_named() -> None:
    said = run("--list")
    assert said.returncode == 0
    lines = dict(line.split(maxsplit=1) for line in said.stdout.splitlines())
    assert set(lines) == PARTS
    assert all(len(words) > 20 for words in lines.values())


def test_an_unknown_part_is_refused_with_those_there_are() -> None:
    said = run("browsers")
    assert said.returncode == 2
    assert "no part 'browsers'" in said.stderr
    assert all(part in said.stderr for part in PARTS)


@pytest.fixture
def parts(tmp_path: Path) -> Path:
    folder = tmp_path / "parts"
    folder.mkdir()
    (folder / "breaks").write_text("echo something went wrong; exit 3\n")
    (folder / "passes").write_text(f"touch {tmp_path}/ran\n")
    (folder / "stops").write_text("exit 1\n")
    return folder


def test_a_failing_part_is_told_and_the_others_run(parts: Path, tmp_path: Path) -> None:
    said = run(parts=parts)
    assert said.returncode == 1
    assert (tmp_path / "ran").exists()
    assert "failed: breaks stops" in said.stderr
    assert "something went wrong" in said.stderr
    assert "extra: 1 passed, 2 failed" in said.stdout
    table = dict(re.findall(r"^(breaks|passes|stops)\s+(\w+)\s+\d+$", said.stdout, re.M))
    assert table == {"breaks": "FAILED", "passes": "passed", "stops": "FAILED"}


def test_all_well_is_no_failure(parts: Path) -> None:
    said = run("passes", parts=parts)
    assert said.returncode == 0 and "extra: 1 passed, 0 failed" in said.stdout


def test_quick_files_are_there() -> None:
    lines = (ROOT / ".ci" / "quick").read_text(encoding="utf-8").splitlines()
    files = [line for line in lines if not line.startswith("#")]
    assert len(files) > 5 and all((ROOT / file).is_file() for file in files)


def test_the_lock_pins_every_direct_dependency_with_hashes() -> None:
    text = (ROOT / ".ci" / "locked.txt").read_text(encoding="utf-8")
    pins = dict(re.findall(r"^([A-Za-z0-9_.-]+)==(\S+)", text, re.M))
    pinned = {name.lower().replace("_", "-"): version for name, version in pins.items()}
    with (ROOT / "pyproject.toml").open("rb") as stream:
        project = tomllib.load(stream)["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["test"]
    for requirement in wanted:
        name, _, least = requirement.partition(">=")
        version = pinned[name.lower().replace("_", "-")]
        numbers = [tuple(map(int, re.findall(r"\d+", v)[:3])) for v in (version, least)]
        assert numbers[0] >= numbers[1], requirement
    blocks = re.split(r"^(?=[A-Za-z0-9_.-]+==)", text, flags=re.M)[1:]
    assert len(blocks) == len(pins)
    assert all("--hash=sha256:" in block for block in blocks)
    assert "://" not in text  # no index, no file of a machine
