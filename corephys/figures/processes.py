"""Figures of a reduced hole drawn in this process and in further ones at the same time.

A further process is a fresh Python that imports this file and nothing of the caller: it inherits
no thread or lock, as a forked one would, and does not run the caller's script again, so that a
script without a guard, a notebook and every system are safe. It reads the hole and the names of
figures from its standard input. When that ends, since the caller was closed or killed, it ends.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import queue
import subprocess
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO, Any, TypeAlias

import xarray as xr

from corephys import sensors
from corephys.figures.files import printed
from corephys.figures.plate import Plate
from corephys.figures.reading import NothingToDraw
from corephys.ground.provenance import write_bytes

__all__ = ["print_all"]

#: Function that draws a figure of a hole.
Draw: TypeAlias = Callable[[xr.DataTree], Plate]

# A process takes some 1.5 s to start, in which one process prints some four figures. Fewer than
# these are printed sooner by one alone.
_FEWEST = 8
# More than two share little: each takes a second of work and 250 MiB before its first figure.
_PROCESSES = 2
_SECONDS_A_LOOK = 0.1


def print_all(
    tree: xr.DataTree,
    draws: Mapping[str, Draw],
    folder: Path,
    kinds: Sequence[str],
    processes: int | None = None,
) -> list[Path]:
    """Draw figures and write their files.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    draws : mapping of str
        Function of each figure, by the name of its files.
    folder : Path
        Existing folder.
    kinds : sequence of str
        Kinds of files.
    processes : int, optional
        Number of processes, this one among them. By default two where the computer has two cores
        and the figures are many, else one. Always one with a sensor of the user, which a further
        process does not have.

    Returns
    -------
    list of Path
        Files in the order of ``draws`` and ``kinds``. Figures without data have none.
    """
    number = _usual_number(len(draws)) if processes is None else processes
    # A further process has the functions and sensors of the package, and none of the session.
    if sensors.own_records() or not sys.executable:
        number = 1
    todo = deque(draws)
    helpers: list[_Helper] = []
    try:
        for _ in range(min(number, len(draws)) - 1):
            try:
                helpers.append(_Helper(tree, draws, todo, folder, tuple(kinds)))
            except OSError:  # the system allows no further process; this one draws all
                break
        with _Writer(folder, tuple(kinds)) as writer:
            while todo:
                while (name := _taken(todo, lambda _: True)) is not None:
                    writer.draw(name, draws[name], tree)
                    for helper in helpers:
                        helper.raise_error()
                # A helper that ended early has put its figures back.
                for helper in helpers:
                    helper.wait()
            written = writer.finished()
    finally:
        for helper in helpers:
            helper.stop()
    for helper in helpers:
        written |= helper.result()
    return [path for name in draws for path in written.get(name, ())]


def _usual_number(figures: int) -> int:
    """Number of processes for some figures on this computer; one inside the worker of a pool."""
    if multiprocessing.parent_process() is not None:
        return 1
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    return min(_PROCESSES, cores) if figures >= _FEWEST else 1


def _taken(todo: deque[str], fit: Callable[[str], bool]) -> str | None:
    """Take the next name that fits from a list shared by threads; None when there is none."""
    for _ in range(len(todo)):
        try:
            name = todo.popleft()
        except IndexError:
            return None
        if fit(name):
            return name
        todo.append(name)
    return None


class _Writer:
    """Files of figures, flushed to the disk while the next figure is drawn."""

    def __init__(self, folder: Path, kinds: tuple[str, ...]) -> None:
        self.folder, self.kinds = folder, kinds
        self._disk = ThreadPoolExecutor(1)
        self._files: dict[str, list[Future[Path]]] = {}

    def __enter__(self) -> _Writer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        where: TracebackType | None,
    ) -> None:
        self._disk.shutdown(wait=True, cancel_futures=error is not None)

    def draw(self, name: str, draw: Draw, tree: xr.DataTree) -> None:
        """Draw a figure and begin to write its files; a figure without data is left out."""
        try:
            figure = draw(tree)
        except NothingToDraw:
            return
        self.write(name, figure)

    def write(self, name: str, figure: Plate) -> None:
        """Begin to write the files of a figure."""
        self._files[name] = [
            self._disk.submit(write_bytes, self.folder / f"{name}.{kind}", content)
            for kind, content in printed(figure, self.kinds).items()
        ]

    def finished(self) -> dict[str, list[Path]]:
        """Wait for the disk; files by the name of their figure."""
        return {name: [file.result() for file in files] for name, files in self._files.items()}


# --------------------------------------------------------------------------------------------------
# The side of the caller.


# Python code that a further process runs: modules are found where the caller finds them.
_START = "import sys; sys.path[:] = {path!r}; from corephys.figures.processes import serve; serve()"


@dataclass
class _Answer:
    """Files and warnings of a further process."""

    written: dict[str, list[Path]] = field(default_factory=dict)
    warned: list[tuple[str, type[Warning]]] = field(default_factory=list)


class _Helper:
    """A further process, and a thread of this one that hands it one figure after the other."""

    def __init__(
        self,
        tree: xr.DataTree,
        draws: Mapping[str, Draw],
        todo: deque[str],
        folder: Path,
        kinds: tuple[str, ...],
    ) -> None:
        self._tree, self._draws, self._todo = tree, draws, todo
        self._folder, self._kinds = folder, kinds
        self._answer = _Answer()
        self._error: Exception | None = None
        self._ended_early: Exception | None = None
        self._process = _start_process()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        """Thread of this helper; figures that it cannot have printed are put back."""
        handed: list[str] = []
        try:
            self._hand_out(handed)
        # Whatever ends a further process, such as a lack of memory, the caller can still draw.
        except Exception as error:
            self._ended_early = error
            self._todo.extend(handed)

    def _hand_out(self, handed: list[str]) -> None:
        requests, answers = self._process.stdin, self._process.stdout
        assert requests is not None and answers is not None
        _send(requests, (self._tree, self._folder.absolute(), self._kinds))
        while (name := _taken(self._todo, self._fits)) is not None:
            handed.append(name)
            _send(requests, (name, self._draws[name]))
            self._error = pickle.load(answers)
            if self._error is not None:
                return
        _send(requests, None)
        answer = pickle.load(answers)
        if isinstance(answer, Exception):
            self._error = answer
        else:
            self._answer = answer

    def _fits(self, name: str) -> bool:
        """Whether a function of the package draws the figure, which the other process has too."""
        return self._draws[name].__module__.startswith(f"{__package__}.")

    def raise_error(self) -> None:
        """Raise the error of a figure that the other process drew."""
        if self._error is not None:
            raise self._error

    def wait(self) -> None:
        """Wait until the other process has nothing left to do."""
        while self._thread.is_alive():
            # Without a limit of time a signal would not be seen on every system.
            self._thread.join(_SECONDS_A_LOOK)
        self.raise_error()

    def result(self) -> dict[str, list[Path]]:
        """Files by the name of their figure; warnings of the other process are given here."""
        if self._ended_early is not None:
            why = f"{type(self._ended_early).__name__}: {self._ended_early}".removesuffix(": ")
            warnings.warn(
                f"a further process for figures ended early ({why}). Its figures were drawn "
                "here, so that none is missing; processes=1 starts no further process",
                RuntimeWarning,
                stacklevel=4,
            )
        for words, category in self._answer.warned:
            warnings.warn(words, category, stacklevel=4)
        return self._answer.written

    def stop(self) -> None:
        """End the other process, whatever it does."""
        self._process.kill()
        self._process.wait()
        self._thread.join()
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            with suppress(OSError):  # bytes that nobody reads any more
                stream.close()


def _start_process() -> subprocess.Popen[bytes]:
    """Start a further process, apart from the keyboard: Ctrl-C reaches the caller alone."""
    own_group: dict[str, Any] = {"process_group": 0}
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
        own_group = {"creationflags": flags}
    return subprocess.Popen(
        [sys.executable, "-c", _START.format(path=sys.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        **own_group,
    )


def _send(stream: IO[bytes], what: object) -> None:
    # Protocol 5 writes large arrays without a copy.
    pickle.dump(what, stream, protocol=5)
    stream.flush()


# --------------------------------------------------------------------------------------------------
# The side of the further process.


def serve() -> None:
    """Draw the figures that the caller asks for over standard input, and end with it."""
    # Answers have a stream of their own: what a library prints must not come between them.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    received: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_receive, args=(sys.stdin.buffer, received), daemon=True).start()
    tree, folder, kinds = received.get()
    answer: _Answer | Exception
    with warnings.catch_warnings(record=True) as caught, _Writer(folder, kinds) as writer:
        warnings.simplefilter("always")  # the filters of the caller decide
        while (request := received.get()) is not None:
            name, draw = request
            problem: Exception | None = None
            try:
                writer.draw(name, draw, tree)
            except Exception as error:
                problem = _sendable(error)
            _send(answers, problem)
        try:
            written = writer.finished()
            answer = _Answer(written, [(str(one.message), one.category) for one in caught])
        except Exception as error:
            answer = _sendable(error)
    _send(answers, answer)
    os._exit(0)


def _receive(stream: IO[bytes], received: queue.SimpleQueue[Any]) -> None:
    """Take requests from the caller, and end the process at once when there is no caller."""
    try:
        while True:
            received.put(pickle.load(stream))
    finally:
        os._exit(1)


def _sendable(error: Exception) -> Exception:
    """The error, or its words where the caller could not make it again."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error
