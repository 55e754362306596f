"""One run at a time writes to an archive: a lock that says who holds it and can be seen dead."""

from __future__ import annotations

import json
import os
import secrets
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from corephys.archive_place import Place

__all__ = ["ArchiveBusy", "locked"]

LOCK = "lock.json"


class ArchiveBusy(RuntimeError):
    """Another run is writing to this archive."""


@contextmanager
def locked(place: Place) -> Iterator[None]:
    """Hold the lock of an archive while a block runs.

    Parameters
    ----------
    place : Place
        The archive.

    Yields
    ------
    None
        The lock is removed when the block ends, well or not; a process that is killed leaves it
        behind, and the next run on that machine sees that its process is gone.

    Raises
    ------
    ArchiveBusy
        When another run holds the lock, or may hold it.
    """
    token = secrets.token_hex(8)
    mine = {
        "token": token, "host": socket.gethostname(), "process": os.getpid(),
        "process_started": _started(os.getpid()),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
    }  # fmt: skip
    content = json.dumps(mine).encode()
    for _ in range(10):
        if place.put_new(LOCK, content):
            break
        held = _held(place)
        if held is None:
            time.sleep(0.05)  # just released, or being written
            continue
        _refuse_alive(place, held)
        _take_away(place, held)
    else:
        raise ArchiveBusy(f"{place.name(LOCK)} cannot be read; remove it if no run is writing")
    try:
        yield
    finally:
        held = _held(place)
        if held is not None and held.get("token") == token:
            place.remove(LOCK)


def _held(place: Place) -> dict[str, Any] | None:
    try:
        found = json.loads(place.get(LOCK))
    except (FileNotFoundError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def _refuse_alive(place: Place, held: dict[str, Any]) -> None:
    process, host, since = held.get("process"), held.get("host"), held.get("since")
    who = f"process {process} on {host} since {since}"
    if host != socket.gethostname():
        raise ArchiveBusy(
            f"{place.where} is being written by {who}. Wait for it, or give another out; if that "
            f"run is known to be dead, remove {place.name(LOCK)}"
        )
    if _alive(int(process or 0), held.get("process_started")):
        raise ArchiveBusy(
            f"{place.where} is being written by {who}. Wait for it, stop it, or give another out"
        )


def _take_away(place: Place, held: dict[str, Any]) -> None:
    """Remove the lock of a dead run, and no other that came in its place meanwhile."""
    if not place.is_local:
        place.remove(LOCK)
        return
    lock = Path(place.where, LOCK)
    aside = lock.with_name(f"{LOCK}.{secrets.token_hex(4)}")
    try:
        os.rename(lock, aside)
    except FileNotFoundError:
        return
    if json.loads(aside.read_bytes()).get("token") != held.get("token"):
        os.replace(aside, lock)  # someone else was quicker, and is alive
        return
    aside.unlink()


def _alive(process: int, started: str | None) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # alive, and another user's
    now = _started(process)
    return now == started or now is None or started is None


def _started(process: int) -> str | None:
    """When a process began, in the kernel's own count; None where the system does not say.

    Numbers of processes are used again: the same number with another beginning is another.
    """
    try:
        words = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    after_name = words.rpartition(")")[2].split()
    return None if after_name[0] == "Z" else f"{_boot()} {after_name[19]}"


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="utf-8").strip()
    except OSError:
        return ""
