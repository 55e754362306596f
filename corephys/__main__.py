"""``python -m corephys``: the command line of :mod:`corephys.cli`, and how a signal ends it.

This module loads nothing large: the handlers are in place before the package is imported.
"""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

_SIGNALS = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM"}


def run() -> None:
    """Run the command line; Ctrl-C and SIGTERM end it with one line and status 130 or 143."""
    process = os.getpid()

    def stop(number: int, _: FrameType | None) -> None:
        # Processes that were forked inherit this handler and end without a word.
        if os.getpid() == process:
            _end(number)
        os._exit(128 + number)

    for number in _SIGNALS:
        # A shell starts background jobs with SIGINT ignored, and it stays so.
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, stop)
    from corephys.cli import main

    status = main()
    # The work is done; Python resets the handlers above while it ends.
    for number in _SIGNALS:
        signal.signal(number, signal.SIG_IGN)
    sys.exit(status)


def _end(number: int) -> None:
    """Remove unfinished results, end worker processes and print one line."""
    for one in _SIGNALS:
        signal.signal(one, signal.SIG_IGN)
    workers = getattr(sys.modules.get("multiprocessing"), "active_children", None)
    for worker in workers() if workers else []:
        worker.kill()
    # An exception raised here could be caught, or printed, by the code that it interrupts.
    abandon = getattr(sys.modules.get("corephys.export.output"), "abandon", None)
    if abandon:
        abandon()
    begin = "\n" if os.isatty(2) else ""  # below the progress bar
    words = (
        f"{begin}corephys: stopped by {_SIGNALS[signal.Signals(number)]}; no file is half written\n"
    )
    os.write(2, words.encode())


if __name__ == "__main__":
    run()
