"""A watch that runs: it waits for changes of a folder and refreshes the page of the newest core."""

from __future__ import annotations

import os
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import xarray as xr

from corephys.hole.composite.folder import is_site_folder
from corephys.hole.reading.shared import hole_folders
from corephys.reduction.recipe import Recipe
from corephys.watch import folder as files
from corephys.watch.page import Fault
from corephys.watch.results import Results
from corephys.watch.state import (
    PAGE,
    State,
    refresh,
    remove_unfinished,
    write_page,
    write_sign,
)

__all__ = ["WatchError", "Watching", "watch"]

_TICK = 1.0  # s between two looks where nothing reports a change, as on a network drive
_ALONE = 0.25  # s between two looks without the library that reports changes
_SIGN = 30.0  # s between two signs of life
_JOIN = 30.0  # s that a stop waits for a reduction to end
_LOCK = ".watch.lock"


class WatchError(ValueError):
    """A folder cannot be watched, or another watch writes the same page."""


def watch(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | str | os.PathLike[str] | None = None,
    site: str | os.PathLike[str] | None = None,
    results: bool = False,
    block: bool = False,
    tell: Callable[[str], None] | None = None,
) -> Watching:
    """Watch a hole folder: reduce it whenever its files change, and show its newest core.

    Parameters
    ----------
    folder : path
        Hole folder. With ``import.toml`` the exports that it names are watched and imported.
    out : path, optional
        Folder of the page ``newest.html``; created if it does not exist. Without it there is only
        the card of a notebook.
    recipe : Recipe, mapping or path, optional
        Recipe, or changes to the settings of the hole, for every reduction. A path is a TOML file
        of changes, which is watched too.
    site : path, optional
        Folder of the site of the hole, see :func:`corephys.read_hole`.
    results : bool
        After each page, write the complete output into ``out`` as ``python -m corephys reduce``
        does, in another process. A further change ends that process and the last output stays.
    block : bool
        Return only when the watch ends, as a script needs it. By default the watch runs in a
        thread of its own and the call returns at once.
    tell : callable, optional
        Called with one line of text after each refresh.

    Returns
    -------
    Watching
        Object with ``stop()``, ``last`` and ``fault``; in a notebook it displays a card that
        renews itself.

    Raises
    ------
    WatchError
        When the folder is that of a site, or another watch writes to ``out``; when ``results`` is
        asked for without ``out``, with a site, or with a recipe that is no file.
    FileNotFoundError
        When there is no such folder.
    OSError
        When ``out`` cannot be written to.
    """
    where = Path(folder)
    _check(where)
    if site is not None and not Path(site).is_dir():
        raise FileNotFoundError(f"site is {str(site)!r}, which is no folder; give that of the site")
    target = None if out is None else Path(out)
    if isinstance(recipe, (str, os.PathLike)):
        recipe = Path(recipe)
        if not recipe.is_file():
            raise FileNotFoundError(f"there is no recipe {str(recipe)!r}; give a TOML file")
    writer = None
    if results:
        file = recipe if isinstance(recipe, Path) else None
        if target is None or site is not None or (recipe is not None and file is None):
            raise WatchError(
                "results are written by the command reduce, so that results=True needs out, takes "
                "no site, and takes recipe as a TOML file only"
            )
        writer = Results(where, target, file)
    if target is not None:
        target.mkdir(parents=True, exist_ok=True)
    state = State(where, target, recipe, None if site is None else Path(site))
    watching = Watching(state, tell, writer)
    try:
        watching.start()
        if block:
            watching.join()
    except (KeyboardInterrupt, SystemExit):
        watching.stop()  # the signal may arrive before the thread is waited for
        raise
    return watching


def _check(folder: Path) -> None:
    """Refuse what is not the folder of one hole."""
    if not folder.is_dir():
        raise FileNotFoundError(
            f"there is no folder {str(folder)!r}; give the folder that holds hole.toml"
        )
    if is_site_folder(folder):
        names = [path.name for path in hole_folders(folder)]
        example = str(folder / names[0]) if names else str(folder / "A")
        held = f" with the holes {', '.join(names)}" if names else ""
        raise WatchError(
            f"{str(folder)!r} is the folder of a site{held}; a watch follows one hole. Give its "
            f"folder, such as {example!r}, and the site as site="
        )


class Watching:
    """A watch of one hole folder.

    Parameters
    ----------
    state : State
        Folder, page and last reduction.
    tell : callable, optional
        Called with one line of text after each refresh.
    results : Results, optional
        Writes the complete output after each page.

    Notes
    -----
    The watch works in one thread. Only that thread reduces and writes; it draws nothing with
    matplotlib. ``last`` is replaced as a whole and never changed afterwards, so that any other
    thread may read it.
    """

    def __init__(
        self,
        state: State,
        tell: Callable[[str], None] | None = None,
        results: Results | None = None,
    ) -> None:
        self._state = state
        self._results = results
        self._tell = tell or (lambda line: None)
        self._stop = threading.Event()
        self._done = threading.Condition()
        self._thread: threading.Thread | None = None
        self._handles: list[Any] = []
        self._lock: Any = None
        self._signed = 0.0
        self._unwritten = False

    @property
    def last(self) -> xr.DataTree | None:
        """The last reduced hole; None before the first."""
        return self._state.tree

    @property
    def fault(self) -> str:
        """Why the last change is not shown; empty when it is."""
        fault = self._state.fault
        return "" if fault is None else f"{fault.place}: {fault.message}".removeprefix(": ")

    @property
    def page(self) -> Path | None:
        """File of the page; None for a watch without a folder for it."""
        return None if self._state.out is None else self._state.out / PAGE

    @property
    def running(self) -> bool:
        """Whether the watch goes on."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def refreshes(self) -> int:
        """Number of refreshes so far, the first reduction and failed ones included."""
        return self._state.refreshes

    def start(self) -> None:
        """Start the watch in its thread.

        Raises
        ------
        WatchError
            When another watch writes the same page.
        """
        if self._thread is not None:
            return
        self._lock = _locked(self._state.out)
        remove_unfinished(self._state)
        self._thread = threading.Thread(target=self._run, name="corephys watch", daemon=True)
        self._thread.start()

    def join(self) -> None:
        """Wait until the watch ends; an interrupt stops it first."""
        try:
            while self.running:
                self._stop.wait(0.5)
                if self._stop.is_set() and self._thread is not None:
                    self._thread.join(0.5)
        finally:
            self.stop()

    def stop(self) -> None:
        """Stop the watch; a reduction that runs is finished first."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(_JOIN)

    def wait(self, number: int = 1, timeout: float | None = None) -> bool:
        """Wait until the page has been refreshed a number of times.

        Parameters
        ----------
        number : int
            Refreshes since the start of the watch; the first reduction is one.
        timeout : float, optional
            Longest wait [s].

        Returns
        -------
        bool
            False where the time was over, or the watch ended, before.
        """
        with self._done:
            self._done.wait_for(
                lambda: self._state.refreshes >= number or self._stop.is_set(), timeout
            )
            return self._state.refreshes >= number

    # The thread ----------------------------------------------------------------------------------

    def _run(self) -> None:
        """Refresh once, then after every change, until the watch is stopped."""
        try:
            with _events(self._state, self._stop) as next_event:
                self._refresh(0.0)
                while not self._stop.is_set():
                    next_event()
                    self._step()
        finally:
            self._stop.set()
            if self._results is not None:
                self._results.cancel()
            with suppress(OSError):  # the folder of the page may be gone
                write_sign(self._state, "stopped")
            if self._lock is not None:
                self._lock.release()
            with self._done:
                self._done.notify_all()

    def _step(self) -> None:
        """Refresh where files have changed; otherwise give a sign of life now and then."""
        state = self._state
        if self._stop.is_set():
            return
        noticed = state.clock()
        if state.look() == state.seen:
            self._look_at_results()
            self._rewrite()
            return
        rest = files.at_rest(state.look, self._stop.wait, state.clock)
        if rest is not None and rest != state.seen:
            self._refresh(state.clock() - noticed)

    def _refresh(self, waited: float) -> None:
        """One step of the watch, and a line about it."""
        state = self._state
        began = state.clock() - waited
        before = state.seen
        if self._results is not None:
            self._results.cancel()  # the page comes first, and these results are old already
        try:
            refresh(state, waited)
            self._unwritten = False
        except OSError as error:
            self._unwritten = True
            self._tell(f"the page was not written: {error}; it is tried again")
        except Exception as error:
            # An error of this program must not end a watch that runs for weeks. It stands on the
            # page and, complete, on the terminal.
            traceback.print_exc()
            state.fault = Fault(state.now(), "", f"{type(error).__name__}: {error}")
            state.refreshes += 1
            self._unwritten = True
        if state.seen == before:
            # The step ended before it looked at the files: the next look starts from here.
            state.seen = state.look()
        self._rewrite()
        self._show()
        self._tell(self._line(state.clock() - began))
        with self._done:
            self._done.notify_all()
        if self._results is not None and state.fault is None:
            try:
                self._results.begin()
            except OSError as error:  # no room for a file, or no process left
                self._tell(f"no new results: {error}; the next change tries again")

    def _look_at_results(self) -> None:
        """A line about results that were written, and the page beside them."""
        ended = "" if self._results is None else self._results.ended()
        if ended:
            self._tell(ended)
            # The output folder is exchanged as a whole: a page that was written meanwhile would be
            # left in the old one. One that was being written may have come over unfinished.
            remove_unfinished(self._state)
            self._unwritten = True

    def _rewrite(self) -> None:
        """Write a page that could not be written, or the sign of life when it is due."""
        state = self._state
        try:
            if self._unwritten:
                write_page(state)
                self._unwritten = False
            elif state.clock() - self._signed >= _SIGN:
                write_sign(state)
            else:
                return
        except OSError:
            return  # tried again at the next look; the line about it was given once
        self._signed = state.clock()

    def _line(self, seconds: float) -> str:
        """One line about the last refresh."""
        state = self._state
        at = str(state.now()).partition("T")[2]
        if state.fault is not None:
            first = (self.fault.splitlines() or [""])[0]
            return f"{at} UTC  not shown: {first}"
        core = "no core yet" if state.summary is None else f"core {state.summary.core}"
        steps = ", ".join(f"{words} {spent:.2f}" for words, spent in state.spent.items())
        return f"{at} UTC  {core}: {seconds:.1f} s ({steps})"

    # The notebook --------------------------------------------------------------------------------

    def _show(self) -> None:
        """Renew the cards that were displayed."""
        if not self._handles:
            return
        from IPython.display import HTML

        for handle in self._handles:
            handle.update(HTML(self._repr_html_()))

    def _ipython_display_(self) -> None:
        from IPython.display import HTML, display

        self._handles.append(display(HTML(self._repr_html_()), display_id=True))

    def _repr_html_(self) -> str:
        if self._state.refreshes == 0:
            return f"<p>watching {self._state.folder}: the first reduction runs</p>"
        return self._state.body()

    def __repr__(self) -> str:
        state = self._state
        what = "watching" if self.running else "stopped watching"
        if state.summary is None:
            return f"{what} {state.folder}: no core yet"
        words = f"{what} {state.folder}: core {state.summary.core}"
        return f"{words}; last change not shown: {self.fault}" if self.fault else words


# --------------------------------------------------------------------------------------------------
# Events and the lock.


@contextmanager
def _events(state: State, stop: threading.Event) -> Iterator[Callable[[], None]]:
    """A function that returns when files may have changed, or after a second at the latest.

    A file system that reports nothing, such as a network drive, is looked at every second.
    """
    try:
        import watchfiles
    except ModuleNotFoundError:
        yield lambda: _idle(stop)
        return
    open_events: list[Any] = []
    watched: list[Path] = []

    def next_event() -> None:
        roots = files.roots(state.folder, state.site)
        if roots != watched:
            for events in open_events:
                events.close()
            open_events[:] = [
                watchfiles.watch(
                    *roots,
                    watch_filter=None,
                    debounce=int(1000 * _TICK),
                    step=20,
                    rust_timeout=int(1000 * _TICK),
                    yield_on_timeout=True,
                    stop_event=stop,
                    raise_interrupt=False,
                    ignore_permission_denied=True,
                )
            ]
            watched[:] = roots
        try:
            next(open_events[0], None)
        except (OSError, RuntimeError):
            # A folder was taken away, or the system has no watches left: look by the clock.
            watched.clear()
            _idle(stop)

    try:
        yield next_event
    finally:
        for events in open_events:
            events.close()


def _idle(stop: threading.Event) -> None:
    """Wait for the next look."""
    stop.wait(_ALONE)


def _locked(out: Path | None) -> Any:
    """The lock of a page; None for a watch without a page."""
    if out is None:
        return None
    import filelock

    # Taken in one thread and released in another.
    lock = filelock.FileLock(out / _LOCK, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout:
        raise WatchError(
            f"another watch writes {out / PAGE}; stop it, or give another folder as out"
        ) from None
    return lock
