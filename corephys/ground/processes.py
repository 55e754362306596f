"""Worker processes that leave Ctrl-C to the process that started them."""

from __future__ import annotations

import multiprocessing.context
import signal

__all__ = ["quiet_context"]


class _Worker(multiprocessing.context.SpawnProcess):
    """A process in which SIGINT is blocked from its first instruction on.

    A terminal sends Ctrl-C to all processes of a command. Without this each worker would print its
    own traceback, also while it is still importing.
    """

    def start(self) -> None:
        if not hasattr(signal, "pthread_sigmask"):
            super().start()
            return
        # A new process inherits the mask; a signal that arrives here meanwhile is delivered after.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            super().start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Context(multiprocessing.context.SpawnContext):
    Process = _Worker  # type: ignore[assignment]


def quiet_context() -> multiprocessing.context.SpawnContext:
    """Start method of worker processes for ``concurrent.futures`` and ``multiprocessing``.

    Returns
    -------
    SpawnContext
        Starts fresh processes that print nothing at Ctrl-C. The process that started them ends
        them.
    """
    return _Context()
