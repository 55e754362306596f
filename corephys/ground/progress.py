"""Progress of long work: a bar in a terminal or a notebook after one second, nothing in a pipe."""

from __future__ import annotations

import html
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import parent_process
from typing import Any, TypeAlias

__all__ = ["Step", "bar", "nowhere"]

#: Called with the name of a step, its number and the number of steps.
Step: TypeAlias = Callable[[str, int, int], None]

_DELAY = 1.0  # seconds: shorter work shows no bar
_EVERY = 0.1  # seconds between two pictures of a bar
_shown = threading.local()  # the bar of this thread; work inside it shows none of its own


@contextmanager
def bar(title: str, given: Step | None = None) -> Iterator[Step]:
    """Show the progress of some work.

    Parameters
    ----------
    title : str
        Name of the work.
    given : callable, optional
        Where the caller wants the progress; then no bar is shown.

    Yields
    ------
    callable
        To be called with the name of a step, its number and the number of steps.

    Notes
    -----
    The bar is shown after one second and removed at the end: in a terminal on the standard error,
    in a notebook below the cell. Nothing is written into a pipe or a file, by a process or thread
    that works for another, or if the environment variable ``TQDM_DISABLE`` is set. Work inside
    other work that shows a bar shows none.
    """
    alone = threading.current_thread() is threading.main_thread() and parent_process() is None
    silent = os.environ.get("TQDM_DISABLE", "") not in ("", "0")
    if given is not None or silent or not alone or getattr(_shown, "busy", False):
        yield given or nowhere
        return
    _shown.busy = True
    shown = _in_notebook(title) if _notebook() else _in_terminal(title)
    try:
        with shown as step:
            yield step
    finally:
        _shown.busy = False


def nowhere(name: str, done: int, of: int) -> None:
    """Take the progress and show nothing."""


def _notebook() -> bool:
    """Whether the code runs in the kernel of a notebook; IPython is not imported for it."""
    module = sys.modules.get("IPython")
    shell: Any = module.get_ipython() if module is not None else None
    return shell is not None and hasattr(shell, "kernel")


@contextmanager
def _in_terminal(title: str) -> Iterator[Step]:
    """A bar on the standard error, if that is a terminal."""
    if not (hasattr(sys.stderr, "isatty") and sys.stderr.isatty()):
        yield nowhere
        return
    from tqdm import tqdm

    with tqdm(
        total=1,
        desc=title,
        delay=_DELAY,
        mininterval=_EVERY,
        miniters=0,
        leave=False,
        bar_format="{desc:<32}{percentage:3.0f}% |{bar}|",
    ) as line:

        def step(name: str, done: int, of: int) -> None:
            line.total = max(of, 1)
            line.set_description_str(f"{title}: {name}", refresh=False)
            line.update(done - line.n)

        yield step


@contextmanager
def _in_notebook(title: str) -> Iterator[Step]:
    """A bar below the cell, plain HTML: the widgets of a notebook are not needed for it."""
    from IPython.display import HTML, display

    begin = last = time.monotonic()
    handle: Any = None

    def step(name: str, done: int, of: int) -> None:
        nonlocal handle, last
        now = time.monotonic()
        if now - begin < _DELAY or (handle is not None and now - last < _EVERY):
            return
        last = now
        shown = HTML(
            f'<progress value="{done}" max="{max(of, 1)}"></progress> '
            f"<small>{html.escape(f'{title}: {name}')}</small>"
        )
        if handle is None:
            handle = display(shown, display_id=True)
        else:
            handle.update(shown)

    try:
        yield step
    finally:
        if handle is not None:
            handle.update(HTML(""))
