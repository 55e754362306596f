"""Run many tasks on threads, processes or a cluster, with a progress bar."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from functools import lru_cache
from itertools import count
from typing import Any

from corephys.ground import units
from corephys.ground.choices import matching
from corephys.ground.processes import quiet_context
from corephys.ground.progress import bar, nowhere
from corephys.ground.vocabulary import TERMS

__all__ = ["Task", "ready", "run_all"]

Task = tuple[Callable[..., str], tuple[Any, ...]]


@lru_cache(maxsize=1)
def _prepared() -> bool:
    for term in TERMS.values():
        units.canonical(term.unit)
    return True


def ready() -> None:
    """Build the registry of units once in a process, in one thread.

    It is built on first use; another thread could otherwise use a registry that is half built.
    """
    with _preparing:
        _prepared()


def run_all(tasks: list[Task], workers: int, scheduler: Any, progress: bool) -> list[str]:
    """Run tasks and return their results in order.

    Parameters
    ----------
    tasks : list of (function, arguments)
        Independent of each other; each returns a short text.
    workers : int
        Number of tasks at the same time; a client sets its own number.
    scheduler : "threads", "processes" or a client
        How tasks are run.
    progress : bool
        Show a progress bar in a terminal or a notebook.

    Returns
    -------
    list of str
        Result of each task, in the order of the tasks.

    Raises
    ------
    ValueError
        When the scheduler is unknown.
    ModuleNotFoundError
        When dask is not installed.
    """
    with bar("archive", None if progress else nowhere) as step:
        finished = count(1)

        def tick() -> None:
            number = next(finished)
            step(f"{number} of {len(tasks)} tasks", number, len(tasks))

        if hasattr(scheduler, "submit") and hasattr(scheduler, "gather"):
            return _on_client(tasks, scheduler, tick)
        word = matching(scheduler, ("threads", "processes"))
        if word is None:
            raise ValueError(
                f"scheduler is {scheduler!r}; expected 'threads', 'processes' or a client of "
                "dask.distributed"
            )
        return _local(tasks, workers, word, tick)


def _local(tasks: list[Task], workers: int, scheduler: str, tick: Callable[[], None]) -> list[str]:
    try:
        import dask
        from dask.callbacks import Callback
    except ModuleNotFoundError:
        raise ModuleNotFoundError(
            "an archive needs dask: pip install 'corephys[archive]'"
        ) from None
    if not tasks:
        return []

    class Ticks(Callback):  # type: ignore[misc]
        def _posttask(self, *_: Any) -> None:
            tick()

    delayed = [
        dask.delayed(_guarded, pure=False)(function, *arguments) for function, arguments in tasks
    ]
    settings: dict[str, Any] = {"scheduler": scheduler, "num_workers": workers}
    with Ticks(), ExitStack() as stack:
        if scheduler == "processes":
            pool = ProcessPoolExecutor(workers, mp_context=quiet_context())
            settings |= {"pool": stack.enter_context(pool), "chunksize": 1}
        return list(dask.compute(*delayed, optimize_graph=False, **settings))


def _on_client(tasks: list[Task], client: Any, tick: Callable[[], None]) -> list[str]:
    futures = [client.submit(function, *arguments, pure=False) for function, arguments in tasks]
    for future in futures:
        future.add_done_callback(lambda _: tick())
    return list(client.gather(futures))


_watched, _preparing = threading.Lock(), threading.Lock()


def _guarded(function: Callable[..., str], *arguments: Any) -> str:
    """Worker task that stops when the parent run is killed."""
    parent = multiprocessing.parent_process()
    if parent is not None and _watched.acquire(blocking=False):
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    return function(*arguments)


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)
