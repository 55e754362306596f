"""The output folder of a reduction: built beside, switched in at once, listed in its manifest.

A run locks the folder, writes into a new folder beside it, writes ``manifest.json`` last and then
switches the two folders in one step. A reader sees the old reduction or the new one. What a killed
run left behind is removed by the next run.

Where the folder itself cannot be switched, its files are replaced one by one. A journal,
``.switch.json``, lists these files before the first is touched. A run that is killed during this
leaves the journal, and the next run or reader of this package completes the switch.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import signal
import socket
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from corephys.ground.provenance import flushed_later, write_bytes

__all__ = [
    "MANIFEST",
    "InputsChangedError",
    "OutputBusyError",
    "Verification",
    "abandon",
    "describe",
    "refuse_changed_inputs",
    "settle",
    "transaction",
    "verify",
]

MANIFEST = "manifest.json"
_VERSION = 1  # of the manifest
_JOURNAL = ".switch.json"
_JOURNAL_PART = re.compile(r"\.\.switch\.[0-9a-f]{8}\.json")  # a journal that is being written
_NEW = ".new-"  # beginning of the folders in which a run inside the output folder writes
_NUMBER = re.compile(r"[0-9a-f]{8}")  # end of their names; other names are those of the user
_IN_LOCK = re.compile(r"(process \d+ on .*\n)?")
_RESULTS = ("reduced.nc", "site.nc")
_LINKED = 100  # the user's files; a folder with more is not an output folder in the first place
_HASHED_AT_ONCE = 4  # files; more threads gain nothing on two to four cores
_WAIT_S = 1.0  # for a run that is about to end
_WAIT_OF_READER_S = 10.0  # a switch file by file takes milliseconds


class OutputBusyError(OSError):
    """Another run writes to this output folder."""


class InputsChangedError(OSError):
    """Files of the hole changed while it was reduced."""


# --------------------------------------------------------------------------------------------------
# The transaction: lock, build, switch.


# Folders in which this process is writing, with what is known of their reduction.
_building: dict[Path, dict[str, Any]] = {}
# The output folder of each.
_targets: dict[Path, Path] = {}


@contextmanager
def transaction(out: str | os.PathLike[str]) -> Iterator[Path]:
    """Write an output folder as a whole: readers see the old content or the new one.

    Parameters
    ----------
    out : path
        Output folder; it and the folders above it are created where they do not exist.

    Yields
    ------
    Path
        An empty folder to write to. After the block its files are listed in ``manifest.json`` and
        take the place of the files of the old manifest. If the block fails, ``out`` is unchanged.

    Raises
    ------
    OutputBusyError
        If another run writes to ``out`` and does not end within a second. The message names it.
    OSError
        If the folder cannot be written: no permission, a read-only or full disk, or a file of that
        name.

    Notes
    -----
    A file in ``out`` that the old manifest does not list belongs to the user and stays. The new
    folder gets a hard link to it before the switch, so that it is there at every moment; it is not
    copied. Where it has the name of a new result, it is kept as ``name.kept.ending``. A listed file
    is replaced, also if it was edited.

    The two folders are exchanged by one call of the system (``renameat2`` of Linux). The files are
    replaced one by one instead, with a journal, where that call is missing or refused, and where
    ``out``

    - is a mount point, or lies in a folder that cannot be written;
    - contains the working folder of this process, which would be left in a removed folder;
    - holds more than a hundred files of the user;
    - holds files but no manifest. A file with the name of a new result then counts as an older
      result and is replaced. ``reduced.nc``, ``site.nc`` and the page beside them are removed if
      they are not written again.
    """
    target = Path(os.path.realpath(out))
    try:
        if target.exists() and not target.is_dir():
            raise NotADirectoryError(f"{target} is a file; give a folder for the results")
        inside = _prepare(target)
        with _locked(target, _WAIT_S):
            _settle(target)
            _remove_left_overs(target)
            name = secrets.token_hex(4)
            staging = target / f"{_NEW}{name}" if inside else _beside(target, f"{_NEW[1:]}{name}")
            _building[staging], _targets[staging] = {}, target
            try:
                staging.mkdir()
                with flushed_later(staging):
                    yield staging
                _finish(staging)
                with _uninterrupted():
                    _switch(staging, target, inside)
            finally:
                if not (target / _JOURNAL).exists():  # else it names the folder
                    shutil.rmtree(staging, ignore_errors=True)
                # Last: a signal before it removes the rest.
                del _building[staging], _targets[staging]
    except OSError as error:
        worded = _in_words(error, target)
        if worded is error:
            raise
        raise worded from error


def abandon() -> None:
    """Remove what this process has written so far; called before a signal ends the process."""
    for staging in list(_building):
        shutil.rmtree(staging, ignore_errors=True)
        if staging in _targets:
            _remove_unfinished_reuse(_targets[staging])


def describe(staging: Path, attributes: Mapping[str, Any]) -> None:
    """Give a transaction the recipe, input digests and version of its reduction.

    Parameters
    ----------
    staging : Path
        Folder that :func:`transaction` yielded.
    attributes : mapping
        Attributes of the reduced hole or site. Without this call they are read from the netCDF
        file in the folder.
    """
    _building[staging] = dict(attributes)


def refuse_changed_inputs(folder: str | os.PathLike[str], input_sha256: str) -> None:
    """Compare the input files of a hole with their digests from the time when they were read.

    Parameters
    ----------
    folder : path
        Folder of the hole or site.
    input_sha256 : str
        Attribute ``input_sha256`` of the reduced hole: a JSON object of digests by path.

    Raises
    ------
    InputsChangedError
        If a file has another content now, or was removed.
    """
    changed = []
    for name, digest in json.loads(input_sha256).items():
        file = Path(folder, name)
        if not file.is_file() or _digest(file, flush=False)[0] != digest:
            changed.append(name)
    if changed:
        raise InputsChangedError(
            f"{', '.join(changed)} in {folder} changed while the hole was reduced. The last result "
            "was kept; reduce again when the files are complete"
        )


def _prepare(target: Path) -> bool:
    """Make the folders above; return whether the new files must be written inside the folder."""
    if not target.exists():
        above = next(path for path in target.parents if os.path.lexists(path))
        if not above.is_dir():
            raise NotADirectoryError(
                f"{above} is a file, so that {target} cannot be made below it; give another folder "
                "for the results"
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        _require_writable(target.parent)
        return False
    _require_writable(target)
    working = Path(os.path.realpath(os.curdir))
    if _manifest(target) is None:
        foreign = any(not _ours(path) for path in target.iterdir())
    else:
        foreign = len(_own_files(target)) > _LINKED
    return (
        not _writable(target.parent)
        or os.path.ismount(target)
        or working.is_relative_to(target)
        or foreign
    )


def _writable(folder: Path) -> bool:
    return os.access(folder, os.W_OK | os.X_OK)


def _require_writable(folder: Path) -> None:
    if _writable(folder):
        return
    flags = getattr(os.statvfs(folder), "f_flag", 0) if hasattr(os, "statvfs") else 0
    number = errno.EROFS if flags & getattr(os, "ST_RDONLY", 0) else errno.EACCES
    raise OSError(number, os.strerror(number), str(folder))


def _beside(target: Path, ending: str) -> Path:
    return target.with_name(f".{target.name}.{ending}")


def _ours(path: Path) -> bool:
    """Whether a name directly in the folder is that of a lock, journal or unfinished run."""
    if path.name == ".lock":
        return _is_lock(path)
    return (
        path.name == _JOURNAL
        or _JOURNAL_PART.fullmatch(path.name) is not None
        or _is_new(path.name, _NEW)
    )


def _is_lock(path: Path) -> bool:
    """Whether a file of the name of a lock is one; the user may have a file of that name."""
    try:
        held = path.read_text(encoding="utf-8") if path.is_file() else "no file"
    except (OSError, ValueError):
        return os.name == "nt"  # which does not let others read a locked file
    return _IN_LOCK.fullmatch(held) is not None


def _is_new(name: str, beginning: str) -> bool:
    """Whether a name is that of a folder in which a run writes."""
    return name.startswith(beginning) and bool(_NUMBER.fullmatch(name[len(beginning) :]))


def _in_words(error: OSError, target: Path) -> OSError:
    """An error of the system as a sentence; our own are sentences already."""
    what = {
        errno.ENOSPC: "the disk is full. Free some space",
        errno.EDQUOT: "your quota of the disk is used up. Free some space",
        errno.EFBIG: "a file is larger than the system allows. Raise the limit",
        errno.EROFS: "the disk is read-only. Choose another output folder",
        errno.EACCES: "you have no permission. Ask for it, or choose another output folder",
        errno.EPERM: "the system does not permit it. Choose another output folder",
        errno.ENAMETOOLONG: "a name is too long. Choose a shorter one for the output folder",
        errno.ELOOP: "a symbolic link leads back to itself. Choose another output folder",
    }.get(error.errno or 0)
    if what is None or not _within(error.filename, target):
        return error
    return type(error)(
        f"the results cannot be written to {target}: {what}. "
        f"{'The last result is unchanged' if target.exists() else 'No results were written'}"
    )


def _within(name: Any, target: Path) -> bool:
    """Whether an error concerns the output folder, a folder above it or a file without a name."""
    if not isinstance(name, str):
        return True
    path = Path(os.path.realpath(name))
    if path.is_relative_to(target) or target.is_relative_to(path):
        return True
    beside = path.is_relative_to(target.parent) and path.relative_to(target.parent).parts[0]
    return bool(beside) and str(beside).startswith(f".{target.name}.")


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Deliver SIGINT and SIGTERM after the block; a switch is completed once it has begun."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    received: list[int] = []
    before = {
        number: signal.signal(number, lambda n, _: received.append(n))
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        for number in received:
            signal.raise_signal(number)


# --------------------------------------------------------------------------------------------------
# The lock, a file beside the output folder. The system releases it when its process ends.


@contextmanager
def _locked(target: Path, wait: float) -> Iterator[None]:
    from filelock import FileLock, Timeout

    file = _beside(target, "lock") if _writable(target.parent) else target / ".lock"
    if file.is_dir():
        raise IsADirectoryError(
            f"{file} is a folder; a run needs this name for its lock. Rename the folder, or choose "
            "another output folder"
        )
    lock = FileLock(str(file), timeout=wait)
    try:
        lock.acquire()
    except Timeout:
        raise OutputBusyError(
            f"{target} is being written by {_holder(file)}. Wait for it to finish, or choose "
            "another output folder"
        ) from None
    try:
        file.write_text(f"process {os.getpid()} on {socket.gethostname()}\n", encoding="utf-8")
        yield
    finally:
        lock.release()


def _holder(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8").strip() or "another process"
    except OSError:  # Windows does not let others read a locked file
        return "another process"


# --------------------------------------------------------------------------------------------------
# The manifest.


def _finish(staging: Path) -> None:
    """Flush all files to the disk and write the manifest."""
    names = _files(staging)
    with ThreadPoolExecutor(_HASHED_AT_ONCE) as pool:
        found = list(pool.map(lambda name: _digest(staging / name, flush=True), names))
    about = _building.get(staging) or _attributes(staging)
    recipe = str(about.get("recipe", ""))
    content: dict[str, Any] = {
        "manifest_version": _VERSION,
        "corephys_version": str(about.get("corephys_version", "")),
        "recipe_sha256": hashlib.sha256(recipe.encode()).hexdigest() if recipe else "",
        "inputs": json.loads(str(about.get("input_sha256", "{}"))),
        "files": {
            name: {"sha256": digest, "size": size}
            for name, (digest, size) in zip(names, found, strict=True)
        },
    }
    # A number made from the content: the same reduction has the same run and the same bytes.
    content = {"run": _run_of(content), **content}
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    (staging / MANIFEST).write_text(text, encoding="utf-8")
    _digest(staging / MANIFEST, flush=True)
    for folder in [staging, *(path for path in staging.rglob("*") if path.is_dir())]:
        _flush_folder(folder)


def _attributes(staging: Path) -> dict[str, Any]:
    """Attributes of the netCDF file in a folder, where there is one."""
    import netCDF4

    for name in _RESULTS:
        if (staging / name).is_file():
            with netCDF4.Dataset(staging / name) as file:
                found = {key: file.getncattr(key) for key in file.ncattrs()}
                inputs = json.loads(found.get("input_sha256", "{}"))
                for hole, group in file.groups.items():
                    held = getattr(group, "input_sha256", "{}") if name == "site.nc" else "{}"
                    inputs |= {f"{hole}/{path}": one for path, one in json.loads(held).items()}
                return {**found, "input_sha256": json.dumps(inputs)}
    return {}


def _run_of(content: Mapping[str, Any]) -> str:
    held = {key: value for key, value in content.items() if key != "run"}
    text = json.dumps(held, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _digest(file: Path, *, flush: bool) -> tuple[str, int]:
    """SHA-256 and size [bytes] of a file, which is flushed to the disk on request."""
    with file.open("rb+" if flush else "rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        size = stream.tell()
        if flush:
            os.fsync(stream.fileno())
    return digest, size


def _flush_folder(folder: Path) -> None:
    if os.name == "nt":
        return  # folders cannot be opened there
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _files(folder: Path) -> list[str]:
    """Paths of all files below a folder, without the manifest and what belongs to a switch."""
    found = []
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        if _ours(folder / name.parts[0]) or name == Path(MANIFEST):
            continue
        if path.is_symlink() or not path.is_dir():
            found.append(name.as_posix())
    return sorted(found)


def _manifest(folder: Path) -> dict[str, Any] | None:
    """Manifest of a folder; None where it is missing or damaged."""
    try:
        found = json.loads((folder / MANIFEST).read_bytes())
    except (OSError, ValueError):
        return None
    if not isinstance(found, dict) or not isinstance(found.get("files"), dict):
        return None
    if not all(map(_below, found["files"])):
        return None
    return found if found.get("run") == _run_of(found) else None


def _below(name: object) -> bool:
    """Whether a name from a file is a path below the folder; a foreign file may hold any."""
    if not isinstance(name, str) or name in ("", "."):
        return False
    path = Path(name)
    return not (path.is_absolute() or path.drive or ".." in path.parts)


# --------------------------------------------------------------------------------------------------
# The switch.


_REFUSED = (
    errno.EBUSY,
    errno.EXDEV,
    errno.EINVAL,
    errno.ENOSYS,
    errno.EOPNOTSUPP,
    errno.EPERM,
    errno.EACCES,
    errno.EMLINK,
)
_EXCHANGE = 2  # RENAME_EXCHANGE of linux/fs.h
_HERE = -100  # AT_FDCWD of linux/fcntl.h


def _switch(staging: Path, target: Path, inside: bool) -> None:
    if not target.exists():
        os.rename(staging, target)
        _flush_folder(target.parent)
        return
    if not inside and _exchange_folders(staging, target):
        _flush_folder(target.parent)
        _rescue(staging, target)  # what a user saved between the links and the exchange
        return
    if not inside:
        staging = _brought_inside(staging, target)
    _replace_files(staging, target)


def _exchange_folders(staging: Path, target: Path) -> bool:
    """Exchange the two folders in one step; return False where the system refuses."""
    if not hasattr(ctypes, "CDLL") or os.name != "posix":
        return False
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    links: list[Path] = []
    try:
        _link_own_files(staging, target, links)
    except OSError as error:
        for link in links:
            link.unlink()
        if error.errno in _REFUSED:
            return False
        raise
    shutil.copymode(target, staging)
    names = (os.fsencode(staging), os.fsencode(target))
    if call(_HERE, names[0], _HERE, names[1], _EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    for link in links:
        link.unlink()
    if number in _REFUSED:
        return False
    raise OSError(number, os.strerror(number), str(target))


def _own_files(folder: Path) -> list[str]:
    """Files that the manifest of the folder does not list, and empty folders."""
    listed = (_manifest(folder) or {}).get("files", {})
    empty = [p for p in folder.rglob("*") if p.is_dir() and not any(p.iterdir())]
    names = [path.relative_to(folder) for path in empty]
    own = [name.as_posix() for name in names if not _ours(folder / name.parts[0])]
    return [name for name in [*_files(folder), *own] if name not in listed]


def _link_own_files(staging: Path, target: Path, links: list[Path]) -> None:
    """Link the user's files into the new folder; the links made are added to ``links``."""
    moved: dict[Path, Path] = {}
    for name in _own_files(target):
        link = _place(staging, name, moved)
        if (target / name).is_dir() and not (target / name).is_symlink():
            link = link if link.is_dir() else _free_name(link)
            link.mkdir(parents=True, exist_ok=True)
            continue
        link = _free_name(link)
        link.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(target / name, link, follow_symlinks=False)
        except FileNotFoundError:
            continue  # renamed or removed by its writer, such as a watch, since it was listed
        links.append(link)


def _place(new: Path, name: str, moved: dict[Path, Path]) -> Path:
    """Place of a file of the user in another folder, which may have a file in place of a folder.

    Such a folder of the user gets a free name, which ``moved`` holds for the files in it.
    """
    place = new
    for part in Path(name).parts[:-1]:
        place = place / part
        if place not in moved and os.path.lexists(place) and not place.is_dir():
            moved[place] = _free_name(place)
        place = moved.get(place, place)
    return place / Path(name).name


def _free_name(path: Path) -> Path:
    """The name, or ``name.kept.ending`` where a new result has that name."""
    number = 1
    found = path
    while os.path.lexists(found):
        word = "kept" if number == 1 else f"kept{number}"
        found = path.with_name(f"{path.stem}.{word}{path.suffix}")
        number += 1
    return found


def _rescue(old: Path, target: Path) -> None:
    """Move files of the user that only the old folder holds into the output folder."""
    known = {_inode(target / name) for name in _files(target)}
    moved: dict[Path, Path] = {}
    for name in _own_files(old):
        path = old / name
        if path.is_dir() and not path.is_symlink():
            continue
        if os.path.lexists(path) and _inode(path) not in known:
            there = _free_name(_place(target, name, moved))
            there.parent.mkdir(parents=True, exist_ok=True)
            os.rename(path, there)


def _inode(path: Path) -> tuple[int, int]:
    found = path.lstat()
    return found.st_dev, found.st_ino


def _brought_inside(staging: Path, target: Path) -> Path:
    """Move the new folder into the output folder, from which each file is one rename away."""
    moved = target / f"{_NEW}{secrets.token_hex(4)}"
    try:
        os.rename(staging, moved)
    except OSError:
        shutil.copytree(staging, moved)
        for name in [*_files(moved), MANIFEST]:
            _digest(moved / name, flush=True)
    return moved


def _replace_files(staging: Path, target: Path) -> None:
    """Replace the files one by one; the journal lists them before the first is touched."""
    new = _files(staging)
    old = _manifest(target)
    listed = list(old["files"]) if old else _older_results(target)
    for folder in {(target / name).parent for name in [*new, *listed]}:
        if folder.is_dir():
            _require_writable(folder)
    own = [n for n in new if n not in listed and os.path.lexists(target / n)] if old else []
    own += sorted(_in_the_way(target, new, listed) - set(own))
    plan = {
        "from": staging.name,
        "keep": {n: _free_name(target / n).relative_to(target).as_posix() for n in own},
        "put": new,
        "remove": [name for name in listed if name not in new],
    }
    write_bytes(target / _JOURNAL, json.dumps(plan).encode())
    _flush_folder(target)
    _settle(target)


def _in_the_way(target: Path, new: list[str], listed: list[str]) -> set[str]:
    """Files of the user where a new folder comes, and folders where a new file comes."""
    found = set()
    for name in new:
        if (target / name).is_dir() and not (target / name).is_symlink():
            found.add(name)
        for above in Path(name).parents:
            path = target / above
            if os.path.lexists(path) and not path.is_dir() and above.as_posix() not in listed:
                found.add(above.as_posix())
    return found


def _plan(journal: Path) -> dict[str, Any] | None:
    """Content of a journal; None without one.

    A folder may come from anyone, so that a journal which leads out of it is refused.
    """
    try:
        plan = json.loads(journal.read_bytes())
        names = [*plan["keep"], *plan["keep"].values(), *plan["put"], *plan["remove"]]
        sound = _is_new(plan["from"], _NEW) and all(map(_below, names))
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, KeyError, AttributeError):
        sound = False
    if not sound:
        raise OSError(
            f"{journal} is no journal of this package. Remove it, or move it to another folder"
        )
    return dict(plan)


def _settle(target: Path) -> None:
    """Complete a switch whose journal is there; a repeated step changes nothing."""
    journal = target / _JOURNAL
    plan = _plan(journal)
    if plan is None:
        return
    staging = target / plan["from"]
    if (staging / MANIFEST).is_file():
        # No manifest stands beside files of another reduction.
        (target / MANIFEST).unlink(missing_ok=True)
        # Before the new files: an old folder may stand where a file comes, and the reverse.
        for name in plan["remove"]:
            (target / name).unlink(missing_ok=True)
            _remove_empty(target, (target / name).parent)
        for name, kept in plan["keep"].items():
            # A folder of the new files is there until the end: its name alone does not say
            # whether the file of the user was moved.
            waits = (staging / name).exists() and not os.path.lexists(target / kept)
            if waits and os.path.lexists(target / name):
                os.replace(target / name, target / kept)
        for name in plan["put"]:
            if (staging / name).exists():
                (target / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(staging / name, target / name)
        os.replace(staging / MANIFEST, target / MANIFEST)
        _flush_folder(target)
    journal.unlink()
    shutil.rmtree(staging, ignore_errors=True)


def _older_results(target: Path) -> list[str]:
    """Results that an older version of this package wrote without a manifest."""
    found = []
    for name in _RESULTS:
        for path in [*target.glob(name), *target.glob(f"*/{name}")]:
            beside = path.with_name("report.html")
            found += [path, beside] if beside.is_file() else [path]
    names = [path.relative_to(target) for path in found]
    # The new files of this run lie in a folder below as well.
    return [name.as_posix() for name in names if not _ours(target / name.parts[0])]


def _remove_empty(target: Path, folder: Path) -> None:
    while folder != target and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def settle(out: str | os.PathLike[str]) -> None:
    """Complete a switch of an output folder that was interrupted; readers call this first.

    Parameters
    ----------
    out : path
        Output folder; any other folder is left alone.

    Raises
    ------
    OutputBusyError
        If a run is switching the folder and does not end within ten seconds.
    OSError
        If the folder cannot be written.
    """
    target = Path(os.path.realpath(out))
    if not (target / _JOURNAL).is_file():
        return
    try:
        with _locked(target, _WAIT_OF_READER_S), _uninterrupted():
            _settle(target)
    except PermissionError as error:
        raise OSError(
            f"{target} holds parts of two reductions, since a run was killed while it replaced the "
            "files. Run 'python -m corephys verify' on it with the permission to write"
        ) from error


def _remove_left_overs(target: Path) -> None:
    """Remove what killed runs left; the lock is held, so that none of it is in use."""
    beside = [p for p in target.parent.iterdir() if _is_new(p.name, f".{target.name}{_NEW}")]
    for path in [*beside, *(p for p in target.glob(f"{_NEW}*") if _is_new(p.name, _NEW))]:
        # A folder with a manifest may be the old one of a run that was killed after its switch.
        if target.is_dir() and (path / MANIFEST).is_file():
            _rescue(path, target)
        shutil.rmtree(path, ignore_errors=True)
    for path in target.glob("..switch.*"):
        if _JOURNAL_PART.fullmatch(path.name):
            path.unlink()
    _remove_unfinished_reuse(target)


def _remove_unfinished_reuse(target: Path) -> None:
    """Remove what a run left of the file that it kept for the next; see reduction/kept.py."""
    with suppress(OSError):
        _beside(target, "reuse.part").unlink(missing_ok=True)


# --------------------------------------------------------------------------------------------------
# Comparison of a folder with its manifest.


@dataclass(frozen=True)
class Verification:
    """Comparison of an output folder with its manifest.

    Attributes
    ----------
    folder : Path
        The output folder.
    run : str
        Run that made it.
    files : int
        Number of files that the manifest lists.
    missing, damaged, additional : tuple of str
        Paths of listed files that are not there, of listed files with another content, and of
        files that are not listed and belong to the user.
    """

    folder: Path
    run: str
    files: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]
    additional: tuple[str, ...]

    @property
    def intact(self) -> bool:
        """Whether every listed file is there with its content; additional files do not matter."""
        return not (self.missing or self.damaged)

    def __str__(self) -> str:
        lines = [f"{self.folder}: run {self.run}, {self.files} files"]
        for words, names in (("missing", self.missing), ("damaged", self.damaged)):
            lines += [f"{words}: {name}" for name in names]
        lines += [f"not of this run: {name}" for name in self.additional]
        lines.append(
            "every file is as the run wrote it"
            if self.intact
            else "the folder is not as the run wrote it. Reduce the hole again, or copy it again"
        )
        return "\n".join(lines)


def verify(out: str | os.PathLike[str]) -> Verification:
    """Compare every file of an output folder with its manifest.

    Parameters
    ----------
    out : path
        Output folder of ``python -m corephys reduce`` or ``report``.

    Returns
    -------
    Verification
        Missing, damaged and additional files. Its text names them.

    Raises
    ------
    FileNotFoundError
        If there is no such folder, or it has no manifest.
    OSError
        If the manifest is damaged.
    """
    target = Path(os.path.realpath(out))
    settle(target)
    if not (target / MANIFEST).is_file():
        raise FileNotFoundError(
            f"{target} has no {MANIFEST}; give the output folder of a reduction by this version, "
            "or reduce the hole again"
        )
    manifest = _manifest(target)
    if manifest is None:
        raise OSError(
            f"{target / MANIFEST} is damaged: its content does not fit the number of its run. Copy "
            "the folder again, or reduce the hole again"
        )
    missing, damaged = [], []
    for name, held in manifest["files"].items():
        file = target / name
        if not file.is_file():
            missing.append(name)
        elif _digest(file, flush=False) != (held["sha256"], held["size"]):
            damaged.append(name)
    additional = [name for name in _files(target) if name not in manifest["files"]]
    return Verification(
        target,
        str(manifest["run"]),
        len(manifest["files"]),
        tuple(missing),
        tuple(damaged),
        tuple(additional),
    )
