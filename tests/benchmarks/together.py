"""One benchmark in a process of its own, so that its memory is its own."""

from __future__ import annotations

import importlib
import multiprocessing

from tests.benchmarks.row import Row

__all__ = ["run"]


def run(name: str) -> list[Row]:
    """Run one benchmark in a process of its own, that may have processes of its own."""
    context = multiprocessing.get_context("spawn")
    there, here = context.Pipe()
    process = context.Process(target=_send, args=(name, there))
    process.start()
    there.close()
    try:
        return here.recv()
    except EOFError:
        raise SystemExit(f"the benchmark {name} failed; its words are above") from None
    finally:
        process.join()


def _send(name: str, there) -> None:
    print(f"\n## {name}", flush=True)
    there.send(importlib.import_module(f"tests.benchmarks.{name}").main())
