"""Files are whole: written under another name in the same folder, then renamed."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["write_bytes", "write_whole"]


@contextmanager
def write_whole(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Write a file so that nobody ever sees half of it.

    Parameters
    ----------
    path : path
        Where the file shall be; its folder exists.

    Yields
    ------
    Path
        Another name in the same folder to write to. When the block ends well it is flushed to
        the disk and takes the place of ``path`` in one step; when it fails it is removed and
        ``path`` stays as it was.

    Raises
    ------
    FileNotFoundError
        When the folder does not exist.
    IsADirectoryError
        When ``path`` is a folder.
    """
    target = Path(path)
    if not target.parent.is_dir():
        raise FileNotFoundError(
            f"cannot write {target.name}: the folder {target.parent} does not exist; make it first"
        )
    if target.is_dir():
        raise IsADirectoryError(f"cannot write {target}: it is a folder; give the name of a file")
    # The ending stays last: writers choose their format by it.
    other = target.with_name(f".{target.stem}.{secrets.token_hex(4)}{target.suffix}")
    try:
        yield other
        with other.open("rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(other, target)
    finally:
        other.unlink(missing_ok=True)


def write_bytes(path: str | os.PathLike[str], content: bytes) -> Path:
    """Write bytes as a whole file.

    Parameters
    ----------
    path : path
        Where the file shall be; its folder exists.
    content : bytes
        All of it.

    Returns
    -------
    Path
        The file.
    """
    with write_whole(path) as other:
        other.write_bytes(content)
    return Path(path)
