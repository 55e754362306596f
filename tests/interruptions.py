"""Interrupt the command line at random moments, and count what is left.

``python -m tests.interruptions kills 200`` kills ``reduce`` two hundred times; further first
arguments are the keys of ``KINDS``. Each prints its counts; anything under ``wrong`` is a fault.

Random moments are counted in processor time, so that a busy computer changes none of them. The
command runs in a fork of this process, which has imported the package: the seconds in which a new
Python does nothing else are not waited for. ``starts`` and the archive start the command as a user
does.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import xarray as xr

import corephys as cp
from corephys import cli
from corephys.__main__ import run
from corephys.export import output, zarr
from corephys.watch.state import PAGE, SIGN
from tests.archive_holes import small_hole

ROOT = Path(__file__).resolve().parents[1]
# Until then Python itself starts, before any line of the package runs.
_START_S = 0.08
_LONGEST_S = 600.0
_LOOK_S = 0.003
_PATIENCE_S = 120.0  # for processes of a command that was killed
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


class Forked:
    """The command line in a fork of this process, in a session of its own."""

    def __init__(self, *arguments: str | Path) -> None:
        self.returncode: int | None = None
        self._words, name = tempfile.mkstemp()
        os.unlink(name)
        self.pid = os.fork()
        if self.pid == 0:
            _as_command([str(one) for one in arguments], self._words)

    def send_signal(self, number: int) -> None:
        """Send a signal, also to a process that has just ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def poll(self) -> int | None:
        """Exit status, negative for a signal; None while the process runs."""
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def communicate(self, timeout: float) -> tuple[str, str]:
        """Wait for the end; an empty text and standard error."""
        last = time.monotonic() + timeout
        while self.poll() is None:
            if time.monotonic() > last:
                raise TimeoutError(f"process {self.pid} has not ended after {timeout} s")
            time.sleep(_LOOK_S)
        with os.fdopen(self._words, encoding="utf-8") as words:
            words.seek(0)
            return "", words.read()


def _as_command(arguments: list[str], errors: int) -> None:
    """Become the command line, and end as Python does."""
    status: Any = 1
    try:
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for number, other in enumerate((nothing, nothing, errors)):
            os.dup2(other, number)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8")
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", buffering=1)
        sys.argv = ["corephys", *arguments]
        run()
    except SystemExit as stop:
        status = 0 if stop.code is None else stop.code
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status if isinstance(status, int) else 1)


Running = subprocess.Popen[str] | Forked


def finished(process: Running) -> tuple[int, str]:
    """Exit status and standard error of a command."""
    _, words = process.communicate(timeout=_LONGEST_S)
    assert process.returncode is not None
    return process.returncode, words


def used(pid: int) -> float:
    """Processor time [s] of a process and its children; 0 where there is none."""
    found = 0.0
    for one in (pid, *_children(pid)):
        try:
            found += time.clock_gettime((~one << 3) | 2)  # the clock of another process, of Linux
        except OSError:
            continue
    return found


def _children(pid: int) -> list[int]:
    try:
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        return [int(n) for task in tasks for n in (task / "children").read_text().split()]
    except OSError:
        return []


def wait(process: Running, seconds: float, each: Callable[[], object] = lambda: None) -> float:
    """Wait until a command has used so much processor time, or ends; return what it used."""
    found, last = 0.0, time.monotonic() + _LONGEST_S
    while process.poll() is None and found < seconds and time.monotonic() < last:
        each()
        time.sleep(_LOOK_S)
        found = max(found, used(process.pid))
    return found


def left_processes(pid: int, where: Path) -> list[psutil.Process]:
    """Processes of the session of a command that ended, or with its folder among their words."""
    found = []
    for process in psutil.process_iter(["cmdline", "status"]):
        words = " ".join(process.info["cmdline"] or ())
        try:
            session = os.getsid(process.pid)
        except ProcessLookupError:
            continue
        mine = session == pid or (str(where) in words and process.pid != os.getpid())
        if mine and process.info["status"] != psutil.STATUS_ZOMBIE:
            found.append(process)
    return found


def count_left_processes(pid: int, where: Path, found: Counter[str]) -> None:
    """Count processes that outlive a command for a moment, and those that do not end."""
    left = left_processes(pid, where)
    if not left:
        return
    found["a process ended by itself a moment later"] += 1
    _, alive = psutil.wait_procs(left, timeout=_PATIENCE_S)
    for process in alive:
        print("left over:", process)
        process.kill()
        found["wrong: left-over process"] += 1


def warm(where: Path, *arguments: str) -> None:
    """Run a command once in this process, so that its forks find everything imported."""
    with contextlib.redirect_stdout(io.StringIO()):
        assert cli.main([*arguments, "--out", str(where / "warm" / "out")]) == 0
    shutil.rmtree(where / "warm")


class Folder:
    """An output folder that two holes write in turn, so that a mixture of both is seen."""

    def __init__(self, where: Path, *arguments: str) -> None:
        self.out = where / "out"
        self.arguments = arguments or ("reduce", "--no-figures")
        self.holes = [small_hole(where / f"hole_{n}", n, readings=60) for n in (1, 2)]
        self.runs: list[str] = []
        self.seconds = 0.0
        name, *options = self.arguments
        warm(where, name, str(self.holes[0]), *options)
        for hole in (*self.holes, self.holes[0]):
            process = self.start(hole)
            self.seconds = wait(process, _LONGEST_S)
            status, words = finished(process)
            assert status == 0, words
            self.runs.append(output.verify(self.out).run)
        assert self.runs[0] != self.runs[1]
        assert self.runs[0] == self.runs[2]

    def start(self, hole: Path, way: Callable[..., Any] = Forked) -> Any:
        """Start the reduction of a hole."""
        name, *options = self.arguments
        return way(name, hole, "--out", self.out, *options)

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
        """Names beside the folder that neither it, its lock nor its file for reuse has."""
        known = {"out", ".out.lock", ".out.reuse", *(hole.name for hole in self.holes)}
        return sorted(p.name for p in self.out.parent.iterdir() if p.name not in known)


def kills(
    where: Path, count: int, number: int = signal.SIGKILL, arguments: tuple[str, ...] = ()
) -> Counter[str]:
    """Send a signal at random moments of ``reduce``."""
    rng = random.Random(count * 100 + number)
    folder, found = Folder(where, *arguments), Counter[str]()
    before = output.verify(folder.out).run
    hits = i = 0
    while hits < count:
        # The hole that the folder does not hold, so that all of it is reduced and replaced.
        now = output.verify(folder.out).run
        process = folder.start(folder.holes[1 - folder.runs.index(now)])
        # Every second one in the last part, in which files are written and switched.
        first = 0.0 if i % 2 else 0.6 * folder.seconds
        took = wait(process, rng.uniform(first, 1.02 * folder.seconds))
        if process.poll() is None:
            hits += 1
        else:
            folder.seconds = took
        i += 1
        process.send_signal(number)
        status, words = finished(process)
        count_left_processes(process.pid, folder.out, found)
        now = output.verify(folder.out).run
        found[folder.state()] += 1
        found["new" if now != before else "old"] += 1
        before = now
        _judge(status, words, number, found)
        if number != signal.SIGKILL and folder.left_overs():
            print(folder.left_overs())
            found["wrong: left-overs"] += 1
        _say(i - 1, found)
    status, words = finished(folder.start(folder.holes[0]))
    if status or folder.left_overs():
        print(words, folder.left_overs())
        found["wrong: left-overs after the next run"] += 1
    found[folder.state()] += 1
    return found


def _say(i: int, found: Counter[str]) -> None:
    """A line now and then; the counts of a series that is stopped are not lost."""
    if i % 5 == 4:
        print(i + 1, dict(found), flush=True)


def reports(where: Path, count: int, number: int = signal.SIGKILL) -> Counter[str]:
    """SIGKILL at random moments of ``report``, which draws figures and the page."""
    return kills(where, count, number, ("report",))


def starts(where: Path, count: int) -> Counter[str]:
    """SIGINT and SIGTERM at random moments of ``reduce`` as a user starts it, in a new Python."""
    rng = random.Random(count)
    folder, found = Folder(where), Counter[str]()
    process = folder.start(folder.holes[1], command)
    seconds = wait(process, _LONGEST_S)
    finished(process)
    for i in range(count):
        number = (signal.SIGINT, signal.SIGTERM)[i // 2 % 2]
        process = folder.start(folder.holes[i % 2], command)
        wait(process, rng.uniform(_START_S, 1.05 * seconds))
        process.send_signal(number)
        status, words = finished(process)
        _judge(status, words, number, found)
        found[folder.state()] += 1
        if folder.left_overs():
            print(folder.left_overs())
            found["wrong: left-overs"] += 1
        _say(i, found)
    return found


def watches(where: Path, count: int, number: int = signal.SIGKILL) -> Counter[str]:
    """A signal at random moments of ``watch``, whose hole changes once its page is there."""
    rng, found = random.Random(count * 100 + number), Counter[str]()
    hole = small_hole(where / "hole", 1, readings=60)
    scans = [
        (small_hole(where / f"other_{n}", n, readings=60) / "scan/gamma.csv").read_bytes()
        for n in (1, 2)
    ]
    out = where / "out"
    warm(where, "reduce", str(hole), "--no-figures")
    first = seconds = 0.0
    for i in range(-1, count):
        before = _written(out / PAGE)
        process = Forked("watch", hole, "--out", out)
        pages: list[int] = []
        seconds_of: list[float] = []

        def change(
            before: int = before,
            process: Forked = process,
            pages: list[int] = pages,
            seconds_of: list[float] = seconds_of,
        ) -> None:
            now = _written(out / PAGE)
            if now not in (0, before, *pages):
                pages.append(now)
                seconds_of.append(used(process.pid))
                other = hole / "scan/.gamma"
                other.write_bytes(scans[len(pages) % 2])
                os.replace(other, hole / "scan/gamma.csv")

        if i < 0:  # how long two pages take
            last = time.monotonic() + _LONGEST_S
            while len(pages) < 2 and time.monotonic() < last:
                wait(process, used(process.pid) + 0.01, change)
            seconds = used(process.pid)
            first = seconds_of[0]
            process.send_signal(signal.SIGTERM)
            status, words = finished(process)
            assert status == 143, words
            continue
        # Every second one from shortly before the first page on, while pages are written.
        wait(process, rng.uniform(0.0 if i % 2 else 0.9 * first, 1.02 * seconds), change)
        process.send_signal(number)
        status, words = finished(process)
        count_left_processes(process.pid, out, found)
        _judge(status, words, number, found)
        found[f"pages before the signal: {min(len(pages), 2)}"] += 1
        found[_page(out)] += 1
        if number != signal.SIGKILL:
            found["wrong: left-overs"] += bool(_unfinished(out))
            sign = (out / SIGN).read_text(encoding="utf-8")
            if "the watch was stopped" in words and pages and '"stopped"' not in sign:
                found["wrong: not marked as stopped"] += 1
        _say(i, found)
    found["unfinished pages after a kill"] += bool(_unfinished(out))
    process = Forked("watch", hole, "--out", out)
    before = _written(out / PAGE)
    last = time.monotonic() + _LONGEST_S
    while _written(out / PAGE) == before and time.monotonic() < last:
        time.sleep(_LOOK_S)
    process.send_signal(signal.SIGTERM)
    status, words = finished(process)
    _judge(status, words, signal.SIGTERM, found)
    found["wrong: left-overs after the next watch"] += bool(_unfinished(out))
    found[_page(out)] += 1
    return found


def _written(file: Path) -> int:
    """Time [ns] at which a file was written; 0 where there is none."""
    try:
        return file.stat().st_mtime_ns
    except FileNotFoundError:
        return 0


def _page(out: Path) -> str:
    """Words for the page of a watch and its sign."""
    page = (out / PAGE).read_text(encoding="utf-8")
    sign = (out / SIGN).read_text(encoding="utf-8")
    whole = page.startswith("<!DOCTYPE html>") and page.endswith("</body></html>\n")
    whole &= "<h1>Core 1</h1>" in page and bool(re.search(r'"(watching|stopped)"', sign))
    return "page intact" if whole and sign.endswith("\n") else "wrong: half page"


def _unfinished(out: Path) -> list[str]:
    known = {PAGE, SIGN, ".watch.lock"}
    return sorted(path.name for path in out.iterdir() if path.name not in known)


def results(where: Path, count: int) -> Counter[str]:
    """Signals at random moments of ``watch --results``, whose other process reduces into OUT."""
    rng, found = random.Random(count), Counter[str]()
    hole, out = small_hole(where / "hole", 1, readings=60), where / "out"
    for i in range(count):
        number = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)[i % 3]
        process = Forked("watch", hole, "--out", out, "--results")
        last = time.monotonic() + _LONGEST_S
        while not _children(process.pid) and time.monotonic() < last:
            time.sleep(_LOOK_S)
        moment = rng.uniform(0.0, 4.0)
        while (other := _children(process.pid)) and used(other[0]) < moment:
            time.sleep(_LOOK_S)
        process.send_signal(number)
        status, words = finished(process)
        _judge(status, words, number, found)
        if number != signal.SIGKILL:
            # The watch ends its other process. That of a killed one ends its work alone.
            found["wrong: left-over process"] += bool(left_processes(process.pid, out))
        count_left_processes(process.pid, out, found)
        found[_page(out)] += 1
        if (out / output.MANIFEST).is_file():
            found["results intact" if output.verify(out).intact else "wrong: half results"] += 1
        else:
            found["no results yet"] += 1
        _say(i, found)
    status, words = finished(Forked("reduce", hole, "--out", out, "--no-figures"))
    extra = [n for n in output.verify(out).additional if n not in (PAGE, SIGN, ".watch.lock")]
    left = [p.name for p in where.iterdir() if p.name.startswith(".out.new")]
    if status or extra or left:
        print(words, extra, left)
        found["wrong: left-overs after the next run"] += 1
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
    elif status == allowed[signal.Signals(number)]:
        found["stopped by the signal"] += 1
        if number != signal.SIGKILL and len(words.splitlines()) != 1:
            found["wrong: not one line"] += 1
            print(words)
    else:
        found[f"wrong: status {status}"] += 1
        print(words)


def _python_starting(words: str) -> bool:
    """Whether Python was stopped before its first line, which no package can change."""
    return "Fatal Python error: init_import_site" in words


def interrupts(where: Path, count: int) -> Counter[str]:
    """SIGINT at random moments."""
    return _each_command(where, count, signal.SIGINT)


def terminations(where: Path, count: int) -> Counter[str]:
    """SIGTERM at random moments."""
    return _each_command(where, count, signal.SIGTERM)


def _each_command(where: Path, count: int, number: int) -> Counter[str]:
    """A signal to ``reduce``, ``watch`` and ``report``, in shares of one half, a quarter each."""
    shares = (count - 2 * (count // 4), count // 4, count // 4)
    found = Counter[str]()
    for series, share in zip((kills, watches, reports), shares, strict=True):
        if share:
            (where / series.__name__).mkdir()
            found += series(where / series.__name__, share, number)
    return found


def doubled(where: Path, count: int) -> Counter[str]:
    """Two runs at once on one folder."""
    rng = random.Random(count)
    folder, found = Folder(where), Counter[str]()
    for i in range(count):
        first = folder.start(folder.holes[i % 2])
        wait(first, rng.uniform(0.0, 0.3 * folder.seconds))
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
        _say(i, found)
    return found


def archives(where: Path, count: int, number: int | None = None) -> Counter[str]:
    """SIGKILL, SIGINT and SIGTERM at random moments of ``archive``; the last run completes it."""
    rng = random.Random(count)
    holes, out, found = where / "holes", where / "archive", Counter[str]()
    for n in range(4):
        small_hole(holes / f"h{n}", n, readings=60)
    expected = {}
    # A new Python each time: the threads of dask do not outlive a fork.
    process = command("archive", holes, "--out", where / "reference")
    seconds = wait(process, _LONGEST_S)
    status, words = finished(process)
    assert status == 0, words
    reference = cp.archive.open(where / "reference")
    expected = {name: reference[name] for name in reference}
    for i in range(count):
        if number is None:
            sent = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)[i % 3]
        else:
            sent = signal.Signals(number)
        # A finished archive is not written again without --anew.
        again = ["--anew"] if i % 2 else []
        process = command("archive", holes, "--out", out, *again)
        wait(process, rng.uniform(_START_S, 1.05 * seconds))
        if sent == signal.SIGINT:  # as a terminal sends it, to all processes of the command
            os.killpg(process.pid, sent)
        else:
            process.send_signal(sent)
        status, words = finished(process)
        count_left_processes(process.pid, out, found)
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
        _say(i, found)
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
    "reports": reports,
    "watches": watches,
    "results": results,
    "starts": starts,
    "interrupts": interrupts,
    "terminations": terminations,
    "doubled": doubled,
    "archives": archives,
    "archive_kills": lambda where, count: archives(where, count, signal.SIGKILL),
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
    os.environ.update(_SETTINGS)
    with tempfile.TemporaryDirectory() as where:
        found = KINDS[kind](Path(where), count)
    print(f"{kind} {count}: {dict(found)}")
    return 1 if wrong(found) else 0


if __name__ == "__main__":
    sys.exit(main())
