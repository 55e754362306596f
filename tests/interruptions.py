"""Interrupt the command line at random moments, and count what is left.

``python -m tests.interruptions kills 200`` kills ``reduce`` two hundred times; further first
arguments are the keys of ``KINDS``. Each prints its counts; anything under ``wrong`` is a fault.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import xarray as xr

import corephys as cp
from corephys.export import output, zarr
from tests.archive_holes import small_hole

ROOT = Path(__file__).resolve().parents[1]
# Until then Python itself starts, before any line of the package runs.
_START_S = 0.08
_LONGEST_S = 600.0
_SETTINGS = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MPLBACKEND": "Agg"}


def command(*arguments: str | Path) -> subprocess.Popen[str]:
    """Start the command line in a session of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "corephys", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, **_SETTINGS, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )


def finished(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit status and standard error of a command."""
    _, words = process.communicate(timeout=_LONGEST_S)
    return process.returncode, words


class Folder:
    """An output folder that two holes write in turn, so that a mixture of both is seen."""

    def __init__(self, where: Path, options: tuple[str, ...] = ("--no-figures",)) -> None:
        self.out = where / "out"
        self.options = options
        self.holes = [small_hole(where / f"hole_{n}", n, readings=60) for n in (1, 2)]
        self.runs: list[str] = []
        self.seconds = 0.0
        for hole in self.holes:
            begin = time.monotonic()
            status, words = finished(self.start(hole))
            self.seconds = time.monotonic() - begin
            assert status == 0, words
            self.runs.append(output.verify(self.out).run)
        assert self.runs[0] != self.runs[1]

    def start(self, hole: Path) -> subprocess.Popen[str]:
        """Start the reduction of a hole."""
        return command("reduce", hole, "--out", self.out, *self.options)

    def state(self) -> str:
        """Words for what the folder holds: ``intact``, or what is wrong with it."""
        found = output.verify(self.out)
        if found.run not in self.runs:
            return "wrong: unknown run"
        if not found.intact:
            return "wrong: mixed or half"
        tree = cp.load(self.out / "reduced.nc")
        names = [f"Invented {hole.name}" for hole in self.holes]
        if tree.attrs["title"] != names[self.runs.index(found.run)]:
            return "wrong: mixed"
        return "wrong: additional files" if found.additional else "intact"

    def left_overs(self) -> list[str]:
        """Names beside the folder that neither it nor its lock has."""
        known = {"out", ".out.lock", *(hole.name for hole in self.holes)}
        return sorted(p.name for p in self.out.parent.iterdir() if p.name not in known)


def kills(where: Path, count: int, number: int = signal.SIGKILL) -> Counter[str]:
    """Send a signal at random moments of ``reduce``."""
    rng = random.Random(count * 100 + number)
    folder, found = Folder(where), Counter[str]()
    before = output.verify(folder.out).run
    for i in range(count):
        process = folder.start(folder.holes[i % 2])
        # Every second one in the last part, in which files are written and switched.
        first, last = (_START_S, folder.seconds) if i % 2 else (0.8, 1.4)
        time.sleep(rng.uniform(first, last) * (1.0 if i % 2 else folder.seconds))
        process.send_signal(number)
        status, words = finished(process)
        now = output.verify(folder.out).run
        found[folder.state()] += 1
        found["new" if now != before else "old"] += 1
        before = now
        _judge(status, words, number, found)
        if number != signal.SIGKILL and folder.left_overs():
            found["wrong: left-overs"] += 1
    status, words = finished(folder.start(folder.holes[0]))
    if status or folder.left_overs():
        found["wrong: left-overs after the next run"] += 1
    found[folder.state()] += 1
    return found


def _judge(status: int, words: str, number: int, found: Counter[str]) -> None:
    """Count exit status and words of a process that got a signal."""
    # The package lets SIGINT end the process until its handlers are set: a shell sees 130 too.
    if _python_starting(words) or (status == -number != -signal.SIGKILL and not words):
        found["stopped while Python itself started"] += 1
        return
    if "Traceback" in words or "Error" in words:
        found["wrong: traceback"] += 1
        print(words)
    allowed = {signal.SIGKILL: -9, signal.SIGINT: 130, signal.SIGTERM: 143}
    if status == 0:
        found["had finished"] += 1
    elif status != allowed[signal.Signals(number)]:
        found[f"wrong: status {status}"] += 1
        print(words)
    elif number != signal.SIGKILL and len(words.splitlines()) != 1:
        found["wrong: not one line"] += 1
        print(words)


def _python_starting(words: str) -> bool:
    """Whether Python was stopped before its first line, which no package can change."""
    return "Fatal Python error: init_import_site" in words


def interrupts(where: Path, count: int) -> Counter[str]:
    """SIGINT at random moments."""
    return kills(where, count, signal.SIGINT)


def terminations(where: Path, count: int) -> Counter[str]:
    """SIGTERM at random moments."""
    return kills(where, count, signal.SIGTERM)


def doubled(where: Path, count: int) -> Counter[str]:
    """Two runs at once on one folder."""
    rng = random.Random(count)
    folder, found = Folder(where), Counter[str]()
    for i in range(count):
        first = folder.start(folder.holes[i % 2])
        time.sleep(rng.uniform(0.0, 0.3 * folder.seconds))
        second = folder.start(folder.holes[1 - i % 2])
        ends = [finished(process) for process in (first, second)]
        found[folder.state()] += 1
        for status, words in ends:
            if status == 0:
                found["reduced"] += 1
            elif status == 1 and "is being written by process" in words:
                found["refused in one line"] += len(words.splitlines()) == 1
            else:
                found[f"wrong: status {status}"] += 1
                print(words)
        if all(status for status, _ in ends):
            found["wrong: none reduced"] += 1
        if folder.left_overs():
            found["wrong: left-overs"] += 1
    return found


def archives(where: Path, count: int) -> Counter[str]:
    """SIGKILL, SIGINT and SIGTERM at random moments of ``archive``; the last run completes it."""
    rng = random.Random(count)
    holes, out, found = where / "holes", where / "archive", Counter[str]()
    for n in range(4):
        small_hole(holes / f"h{n}", n, readings=60)
    expected = {}
    begin = time.monotonic()
    status, words = finished(command("archive", holes, "--out", where / "reference"))
    seconds = time.monotonic() - begin
    assert status == 0, words
    reference = cp.archive.open(where / "reference")
    expected = {name: reference[name] for name in reference}
    for i in range(count):
        again = ["--anew"] if i % 2 else []
        number = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)[i % 3]
        process = command("archive", holes, "--out", out, *again)
        time.sleep(rng.uniform(_START_S, seconds))
        if number == signal.SIGINT:  # as a terminal sends it, to all processes of the command
            os.killpg(process.pid, number)
        else:
            process.send_signal(number)
        status, words = finished(process)
        words = "\n".join(line for line in words.splitlines() if "resource_tracker" not in line)
        if "Traceback" in words and not _python_starting(words):
            found["wrong: traceback"] += 1
            print(words)
        if not (out / "archive.json").is_file():
            found["not begun"] += 1
            continue
        opened = cp.archive.open(out)
        same = [opened[name].identical(expected[name]) for name in opened]
        found["holes equal"] += sum(same)
        found["wrong: holes that differ"] += len(same) - sum(same)
    status, words = finished(command("archive", holes, "--out", out))
    opened = cp.archive.open(out)
    whole = not status and all(opened[n].identical(expected[n]) for n in expected)
    found["completed by the last run" if whole else "wrong: not completed"] += 1
    return found


def full_disk(where: Path, count: int) -> Counter[str]:
    """A disk with 300 KB left, first empty and then with a result; needs the right to mount."""
    found, folder = Counter[str](), Folder(where)
    size = sum(p.stat().st_size for p in folder.out.rglob("*") if p.is_file())
    blocks = sum(-(-p.stat().st_size // 4096) + 1 for p in folder.out.rglob("*"))
    for kilobytes, held in ((300, False), (300 + 4 * blocks, True)):
        disk = where / f"disk_{kilobytes}"
        disk.mkdir()
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", disk], check=True
        )
        try:
            if held:
                subprocess.run(["cp", "-r", folder.out, disk / "out"], check=True)
                (disk / "fill").write_bytes(b"0" * (min(size, 400_000) // 2))
            folder.out, kept = disk / "out", folder.out
            status, words = finished(folder.start(folder.holes[0]))
            print(words, end="")
            found["one line, status 1"] += status == 1 and len(words.splitlines()) == 1
            found["wrong: status or words"] += not (status == 1 and len(words.splitlines()) == 1)
            names = {p.name for p in disk.iterdir()} - {".out.lock", "out", "fill"}
            found["wrong: left-overs"] += bool(names)
            if held:
                found[folder.state()] += 1
            else:
                found["wrong: half output"] += folder.out.exists()
            folder.out = kept
        finally:
            subprocess.run(["umount", disk], check=True)
    return found


def read_only(where: Path, count: int) -> Counter[str]:
    """A disk that is read-only, with a result; needs the right to mount."""
    found, folder = Counter[str](), Folder(where)
    disk = where / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=50m", "tmpfs", disk], check=True)
    try:
        subprocess.run(["cp", "-r", folder.out, disk / "out"], check=True)
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        for name in ("out", "new"):
            status, words = finished(
                command("reduce", folder.holes[0], "--out", disk / name, "--no-figures")
            )
            print(words, end="")
            good = status == 1 and len(words.splitlines()) == 1
            found["one line, status 1" if good else "wrong: status or words"] += 1
        folder.out = disk / "out"
        found[folder.state()] += 1
    finally:
        subprocess.run(["umount", disk], check=True)
    return found


def bits_of_netcdf(where: Path, count: int) -> Counter[str]:
    """One changed bit in ``reduced.nc``."""
    tree = cp.reduce(cp.read_hole(small_hole(where / "hole", 1, readings=60)))
    file = cp.save(tree, where / "reduced.nc")
    expected = cp.load(file)
    return _flipped([file], count, lambda: cp.load(file), expected)


def bits_of_zarr(where: Path, count: int) -> Counter[str]:
    """One changed bit in a zarr store."""
    tree = cp.reduce(cp.read_hole(small_hole(where / "hole", 1, readings=60)))
    zarr.save(tree, where / "store")
    expected = zarr.load(where / "store")
    files = [path for path in (where / "store").rglob("*") if path.is_file()]
    return _flipped(files, count, lambda: zarr.load(where / "store"), expected)


def _flipped(
    files: list[Path], count: int, load: Callable[[], xr.DataTree], expected: xr.DataTree
) -> Counter[str]:
    rng, found = random.Random(count), Counter[str]()
    sizes = [file.stat().st_size for file in files]
    for _ in range(count):
        file = rng.choices(files, sizes)[0]
        content = file.read_bytes()
        place = rng.randrange(8 * len(content))
        changed = bytearray(content)
        changed[place // 8] ^= 1 << place % 8
        file.write_bytes(changed)
        try:
            found["equal" if load().identical(expected) else "wrong: different"] += 1
        except OSError:
            found["refused"] += 1
        except Exception as error:
            found[f"wrong: {type(error).__name__}"] += 1
        file.write_bytes(content)
    return found


KINDS: dict[str, Callable[[Path, int], Counter[str]]] = {
    "kills": kills,
    "interrupts": interrupts,
    "terminations": terminations,
    "doubled": doubled,
    "archives": archives,
    "full_disk": full_disk,
    "read_only": read_only,
    "bits_of_netcdf": bits_of_netcdf,
    "bits_of_zarr": bits_of_zarr,
}


def wrong(found: Counter[str]) -> dict[str, int]:
    """The faults among the counts."""
    return {words: n for words, n in found.items() if words.startswith("wrong") and n}


def main() -> int:
    """Run one kind so many times and print the counts."""
    kind, count = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as where:
        found = KINDS[kind](Path(where), count)
    print(f"{kind} {count}: {dict(found)}")
    return 1 if wrong(found) else 0


if __name__ == "__main__":
    sys.exit(main())
