"""Arrays and trees as zarr 3 files in a folder or an object store.

Readers never see a partly written object, and one run writes at a time.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import secrets
import shutil
import socket
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground.provenance import FORMAT_VERSION

__all__ = [
    "ArchiveBusy",
    "Place",
    "StoreError",
    "array_metadata",
    "current",
    "decode",
    "encode",
    "is_part",
    "is_saved",
    "load_tree",
    "locked",
    "read_tree",
    "save_tree",
    "sealed",
    "sealed_array",
    "unsealed",
    "write_tree",
]

# --------------------------------------------------------------------------------------------------
# The lock of an archive. It names the process that holds it, so that a dead lock can be removed.


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
        The lock is removed when the block ends, also by an error. A killed process leaves it
        behind; the next run on that machine removes it, because its process no longer exists.

    Raises
    ------
    ArchiveBusy
        When another run holds the lock, or may hold it.
    """
    token = secrets.token_hex(8)
    mine = {
        "token": token,
        "host": socket.gethostname(),
        "process": os.getpid(),
        "process_started": _started(os.getpid()),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
    }
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
            f"{place.where} is being written by {who}. Wait for it to finish, or choose another "
            f"output folder; if that run has stopped, remove {place.name(LOCK)}"
        )
    if _alive(int(process or 0), held.get("process_started")):
        raise ArchiveBusy(
            f"{place.where} is being written by {who}. Wait for it to finish, stop it, or choose "
            "another output folder"
        )


def _take_away(place: Place, held: dict[str, Any]) -> None:
    """Remove the lock of a dead run, unless another run has replaced it meanwhile."""
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
        os.replace(aside, lock)  # another run took the lock first: put it back
        return
    aside.unlink()


def _alive(process: int, started: str | None) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # the process exists and belongs to another user
    now = _started(process)
    return now == started or now is None or started is None


def _started(process: int) -> str | None:
    """Start time of a process in the kernel's count; None where the system does not give it.

    Process numbers are reused: the same number with another start time is another process.
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


# --------------------------------------------------------------------------------------------------
# A folder or an object store, accessed by keys; objects are written and read complete.


@dataclass(frozen=True)
class Place:
    """Folder or URL of an archive.

    Parameters
    ----------
    where : str
        Path of a folder, or a URL such as ``s3://bucket/archive`` that fsspec understands.
    options : mapping
        Options for the file system of a URL: fsspec's ``storage_options``.
    """

    where: str
    options: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, where: Any, options: Mapping[str, Any] | None = None) -> Place:
        """Place of a path, made absolute, or of a URL, unchanged."""
        text = os.fspath(where)
        if "://" in text:
            return cls(text.rstrip("/"), dict(options or {}))
        return cls(str(Path(text).absolute()))

    @property
    def is_local(self) -> bool:
        """Whether it is a folder of this machine."""
        return "://" not in self.where

    def name(self, key: str = "") -> str:
        """Full path or URL of a key, for messages."""
        return f"{self.where}/{key}" if key else self.where

    def _remote(self, key: str) -> tuple[Any, str]:
        try:
            from fsspec.core import url_to_fs
        except ModuleNotFoundError:
            raise ModuleNotFoundError(
                f"{self.where} is a URL, which needs fsspec: pip install 'corephys[archive]'"
            ) from None
        return url_to_fs(self.name(key), **self.options)  # type: ignore[no-any-return]

    def put(self, key: str, content: bytes) -> None:
        """Write an object; readers see the old one or the new one."""
        if not self.is_local:
            system, path = self._remote(key)
            system.pipe_file(path, content)
            return
        target = f"{self.where}/{key}"
        other = f"{target}.part{os.getpid()}"
        try:
            _write(other, content)
        except FileNotFoundError:
            os.makedirs(os.path.dirname(target), exist_ok=True)
            _write(other, content)
        os.replace(other, target)

    def put_new(self, key: str, content: bytes) -> bool:
        """Write an object only where there is none; return whether it was written."""
        if not self.is_local:
            system, path = self._remote(key)
            try:
                if system.exists(path):
                    return False
                system.pipe_file(path, content, mode="create")
            except FileExistsError:
                return False
            return True
        target = Path(self.where, key)
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with target.open("xb") as stream:
                stream.write(content)
        except FileExistsError:
            return False
        return True

    def get(self, key: str) -> bytes:
        """Read an object; raise FileNotFoundError where there is none."""
        if not self.is_local:
            system, path = self._remote(key)
            return bytes(system.cat_file(path))
        with open(f"{self.where}/{key}", "rb") as stream:
            return stream.read()

    def exists(self, key: str = "") -> bool:
        """Whether there is an object or a folder."""
        if not self.is_local:
            system, path = self._remote(key)
            return bool(system.exists(path))
        return Path(self.where, key).exists()

    def names(self, key: str = "") -> list[str]:
        """Names of objects and folders directly below a key, sorted."""
        if self.is_local:
            folder = Path(self.where, key)
            return sorted(os.listdir(folder)) if folder.is_dir() else []
        system, path = self._remote(key)
        system.invalidate_cache()
        try:
            found = system.ls(path, detail=False)
        except FileNotFoundError:
            return []
        return sorted(entry.rstrip("/").rpartition("/")[2] for entry in found)

    def objects(self) -> list[str]:
        """Keys of all objects of a URL, sorted."""
        system, path = self._remote("")
        system.invalidate_cache()
        root = path.rstrip("/") + "/"
        return sorted(
            key[key.index(root.lstrip("/")) + len(root.lstrip("/")) :] for key in system.find(path)
        )

    def remove(self, key: str) -> None:
        """Remove an object or a folder with its contents, where there is one."""
        if self.is_local:
            target = Path(self.where, key)
            if target.is_dir():
                shutil.rmtree(target)
            else:
                target.unlink(missing_ok=True)
            return
        system, path = self._remote(key)
        if system.exists(path):
            system.rm(path, recursive=True)


_PART = re.compile(r"\.part\d+$")


def is_part(key: str) -> bool:
    """Whether an object of a folder is one that was being written when its run was killed."""
    return bool(_PART.search(key))


def _write(path: str, content: bytes) -> None:
    with open(path, "wb") as stream:
        stream.write(content)


# --------------------------------------------------------------------------------------------------
# Arrays and trees in the zarr 3 format, written as plain files of its specification.
#
# A hole has a thousand small arrays, and a general writer takes milliseconds for each. This writer
# writes the metadata and the chunks of an array directly. Any zarr library and plain xarray read
# the result.
# Reading is stricter than the format: a chunk that is missing or cut short is an error, not fill
# values. Each chunk ends with its checksum (the codec crc32c of the format), and the metadata carry
# their SHA-256, so that a changed bit is an error too. Stores of older versions have neither.


METADATA = "zarr.json"
COMPRESS_FROM = 512  # bytes; below this a compressor adds more bytes than it saves
_TIME_WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
_TIME_UNITS = {f"{word} since 1970-01-01": unit for unit, word in _TIME_WORDS.items()}
_NOT_A_TIME = np.iinfo(np.int64).min
_ENDIAN = {"name": "bytes", "configuration": {"endian": "little"}}
_TEXT = {"name": "vlen-utf8", "configuration": {}}
_CHECKSUM = {"name": "crc32c"}
_CHECKSUM_BYTES = 4
_NOT_FINITE = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}


class StoreError(OSError, ValueError):
    """A part of a store is missing, cut short, changed or of another kind."""


def _digest(content: Mapping[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def sealed(content: Mapping[str, Any]) -> bytes:
    """JSON text of plain values with their SHA-256, for :func:`unsealed`."""
    return json.dumps({**content, "sha256": _digest(content)}, indent=1).encode()


def unsealed(content: bytes, where: str) -> dict[str, Any]:
    """Read JSON text, and compare it with the digest that it carries.

    Parameters
    ----------
    content : bytes
        Text of :func:`sealed`; that of an older version has no digest.
    where : str
        Place of the text, for the message.

    Returns
    -------
    dict
        The values.

    Raises
    ------
    StoreError
        When the text is damaged.
    """
    try:
        found = json.loads(content)
        digest = found.pop("sha256", None)
    except (ValueError, AttributeError, TypeError):
        raise StoreError(f"{where} is cut short or damaged; make the store again") from None
    if digest not in (None, _digest(found)):
        raise StoreError(f"{where} is damaged: its digest is another one; make the store again")
    return dict(found)


def sealed_array(metadata: Mapping[str, Any]) -> bytes:
    """Metadata of an array with their SHA-256, in a field that other readers may ignore."""
    seal = {"must_understand": False, "sha256": _digest(metadata)}
    return json.dumps({**metadata, "corephys": seal}, allow_nan=False).encode()


def _blosc(typesize: int) -> dict[str, Any]:
    return {
        "name": "blosc",
        "configuration": {
            "typesize": typesize,
            "cname": "lz4",
            "clevel": 5,
            "shuffle": "shuffle",
            "blocksize": 0,
        },
    }


def array_metadata(
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    dims: tuple[str, ...],
    attributes: Mapping[str, Any],
    chunk: tuple[int, ...] | None = None,
) -> dict[str, Any]:
    """Metadata of one array.

    Parameters
    ----------
    shape : tuple of int
        Shape of the array.
    dtype : dtype
        Number, truth value, or object for texts.
    dims : tuple of str
        Names of the dimensions.
    attributes : mapping
        Plain values.
    chunk : tuple of int, optional
        Shape of a chunk; by default the complete array.

    Returns
    -------
    dict
        Content of ``zarr.json``.
    """
    grid = [max(1, size) for size in (shape if chunk is None else chunk)]
    text = dtype.kind == "O"
    size = 1 if text else dtype.itemsize
    codecs = [_TEXT] if text else [_ENDIAN]
    if text or math.prod(grid) * size >= COMPRESS_FROM:
        codecs = [*codecs, _blosc(size)]
    codecs = [*codecs, _CHECKSUM]
    fill: Any = {"f": "NaN", "b": False, "O": ""}.get(dtype.kind, 0)
    return {
        "zarr_format": 3,
        "node_type": "array",
        "shape": list(shape),
        "data_type": "string" if text else dtype.name,
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": grid}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "fill_value": fill,
        "codecs": codecs,
        "attributes": dict(attributes),
        "dimension_names": list(dims),
        "storage_transformers": [],
    }


def encode(values: np.ndarray, metadata: Mapping[str, Any]) -> bytes:
    """Encode one chunk.

    Parameters
    ----------
    values : ndarray
        Values in the shape of a chunk.
    metadata : mapping
        Metadata of the array.

    Returns
    -------
    bytes
        Content of the file.
    """
    raw: Any = _vlen().encode(values.reshape(-1)) if values.dtype.kind == "O" else _little(values)
    named = {codec["name"]: codec for codec in metadata["codecs"]}
    if "blosc" in named:
        from numcodecs import blosc

        size = named["blosc"]["configuration"]["typesize"]
        if size == 1 and not isinstance(raw, np.ndarray):
            raw = np.frombuffer(raw, np.uint8)
        raw = blosc.compress(raw, b"lz4", 5, blosc.SHUFFLE, 0)
    content = bytes(raw)
    return content + _checksum(content) if "crc32c" in named else content


def _checksum(content: bytes | memoryview) -> bytes:
    import google_crc32c

    return int(google_crc32c.value(bytes(content))).to_bytes(_CHECKSUM_BYTES, "little")


def _vlen() -> Any:
    from numcodecs import VLenUTF8

    return VLenUTF8()


def _little(values: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<"))


def decode(content: bytes, metadata: Mapping[str, Any], where: str) -> np.ndarray:
    """Decode one chunk.

    Parameters
    ----------
    content : bytes
        Content of the file.
    metadata : mapping
        Metadata of the array.
    where : str
        Place of the chunk, for the message.

    Returns
    -------
    ndarray
        Values in the shape of a chunk.

    Raises
    ------
    StoreError
        When the content is cut short or changed, or was written with other codecs.
    """
    given = content
    names = [codec["name"] for codec in metadata["codecs"]]
    text = metadata["data_type"] == "string"
    kind, *tail = names
    checked = tail[-1:] == ["crc32c"]
    if kind != ("vlen-utf8" if text else "bytes") or tail not in _CODECS:
        raise StoreError(
            f"{where} was written with the codecs {', '.join(names)}, which this package does not "
            "write; open the store with xarray instead"
        )
    shape = metadata["chunk_grid"]["configuration"]["chunk_shape"]
    raw: Any = content
    if checked:
        raw = content = content[:-_CHECKSUM_BYTES]
        if _checksum(content) != given[-_CHECKSUM_BYTES:]:
            raise StoreError(f"{where} is cut short or damaged: its checksum differs; {_CURE}")
    if "blosc" in tail:
        # Check the length in the header: the decompressor would read past a short buffer.
        if len(content) < 16 or int.from_bytes(content[12:16], "little") != len(content):
            raise StoreError(f"{where} is cut short; {_CURE}")
        from numcodecs import blosc

        raw = blosc.decompress(content)
    if text:
        return np.asarray(_vlen().decode(raw), dtype=object).reshape(shape)
    dtype = np.dtype(metadata["data_type"])
    if len(raw) != math.prod(shape) * dtype.itemsize:
        raise StoreError(f"{where} is cut short; {_CURE}")
    return np.frombuffer(raw, dtype.newbyteorder("<")).astype(dtype).reshape(shape)


_CODECS = ([], ["blosc"], ["crc32c"], ["blosc", "crc32c"])  # behind bytes or vlen-utf8
_CURE = "make the store again from the hole's folder"


def write_tree(tree: xr.DataTree, place: Place, root: str) -> None:
    """Write a tree as a group; the group's own metadata comes last.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole; data in the leaves.
    place : Place
        Folder or URL to write to.
    root : str
        Key of the group.

    Raises
    ------
    TypeError
        When a column has values other than numbers, truth values, times or texts.

    Notes
    -----
    zarr 3 core specification. The metadata of the group repeat those of the complete tree, so that
    a hole opens with one request.
    """
    everything: dict[str, Any] = {}
    for node in tree.subtree:
        path = node.path.strip("/")
        dataset = node.to_dataset(inherit=False)
        for name, values, metadata in _arrays(dataset, path):
            key = f"{path}/{name}" if path else name
            everything[key] = metadata
            place.put(f"{root}/{key}/{METADATA}", _json(metadata))
            if values.size:
                chunk = "/".join(["c", *"0" * values.ndim])
                place.put(f"{root}/{key}/{chunk}", encode(values, metadata))
        if path:
            attributes = dict(dataset.attrs)
            if dataset.coords:
                attributes["coordinates"] = " ".join(map(str, dataset.coords))
            everything[path] = group_metadata(attributes)
            place.put(f"{root}/{path}/{METADATA}", _json(everything[path]))
    head = group_metadata(tree.attrs)
    head["consolidated_metadata"] = {
        "kind": "inline",
        "must_understand": False,
        "metadata": everything,
    }
    # The digest is that of the head without it; other readers ignore it here.
    head["consolidated_metadata"]["sha256"] = _digest(head)
    place.put(f"{root}/{METADATA}", _json(head))


def group_metadata(attributes: Mapping[str, Any]) -> dict[str, Any]:
    """Metadata of a group."""
    plain = {str(key): _plain(value) for key, value in attributes.items()}
    return {"zarr_format": 3, "node_type": "group", "attributes": plain}


def _json(metadata: Mapping[str, Any]) -> bytes:
    return json.dumps(metadata, allow_nan=False).encode()


def _plain(value: Any) -> Any:
    """An attribute as JSON; NaN and infinity become words, which strict JSON allows."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float) and not math.isfinite(value):
        return next(word for word, x in _NOT_FINITE.items() if x == value or value != value)
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    return value if isinstance(value, (str, int, float, bool, type(None))) else str(value)


def _unplain(value: Any) -> Any:
    if isinstance(value, str):
        return _NOT_FINITE.get(value, value)
    return [_unplain(part) for part in value] if isinstance(value, list) else value


def _arrays(dataset: xr.Dataset, path: str) -> list[tuple[str, np.ndarray, dict[str, Any]]]:
    """Every variable of a dataset as values and metadata, with names that a store accepts."""
    found = []
    taken: set[str] = set()
    for name, variable in dataset.variables.items():
        attributes = {str(key): _plain(value) for key, value in variable.attrs.items()}
        spelled = re.sub(r"[/\\]|^[._]+", "_", str(name)) or "_"
        while spelled in taken:
            spelled += "_"
        taken.add(spelled)
        if spelled != name:
            attributes["original_name"] = str(name)
        values = variable.values
        if values.dtype.kind in "OU":
            values = _texts(values, f"{path}/{name}")
        elif values.dtype.kind == "M":
            unit = np.datetime_data(values.dtype)[0]
            if unit not in _TIME_WORDS:
                values, unit = values.astype("datetime64[s]"), "s"
            values = values.astype(np.int64)
            attributes["units"] = f"{_TIME_WORDS[unit]} since 1970-01-01"
            attributes["calendar"] = "proleptic_gregorian"
            attributes["_FillValue"] = _NOT_A_TIME
        elif values.dtype.kind not in "fiub":
            raise TypeError(
                f"{path}/{name} is of type {values.dtype}; a store accepts numbers, truth values, "
                "times and texts"
            )
        dims = tuple(map(str, variable.dims))
        metadata = array_metadata(values.shape, values.dtype, dims, attributes)
        found.append((spelled, values, metadata))
    return found


def _texts(values: np.ndarray, name: str) -> np.ndarray:
    texts = np.asarray(values, dtype=object)
    for value in texts.reshape(-1):
        if not isinstance(value, str):
            raise TypeError(
                f"{name} has {value!r} among its texts; text columns accept only text, '' for a "
                "missing one"
            )
    return texts


def read_tree(place: Place, root: str) -> xr.DataTree:
    """Read a group of :func:`write_tree` fully into memory.

    Parameters
    ----------
    place : Place
        Folder or URL to read from.
    root : str
        Key of the group.

    Returns
    -------
    DataTree
        The tree as written: values, types, names and attributes.

    Raises
    ------
    FileNotFoundError
        When there is no such group.
    StoreError
        When a part is missing, cut short, changed or of another kind.
    """
    try:
        return _read_tree(place, root)
    except (OSError, MemoryError):
        raise
    # A damaged store without digests fails anywhere, with any error.
    except Exception as error:
        raise StoreError(
            f"{place.name(root)} cannot be read: it is damaged, or is no tree of this package "
            f"({error}); make the store again"
        ) from error


def _read_tree(place: Place, root: str) -> xr.DataTree:
    head = read_metadata(place, f"{root}/{METADATA}")
    digest = head.get("consolidated_metadata", {}).pop("sha256", None)
    if digest not in (None, _digest(head)):
        raise StoreError(
            f"{place.name(root)}/{METADATA} is damaged: its digest is another one; make the store "
            "again"
        )
    if "consolidated_metadata" not in head:
        raise StoreError(
            f"{place.name(root)} is not a tree written by this package; open it with xarray"
        )
    everything = head["consolidated_metadata"]["metadata"]
    variables: dict[str, dict[str, xr.Variable]] = {"": {}}
    attributes: dict[str, dict[str, Any]] = {"": head["attributes"]}
    for key, metadata in everything.items():
        if metadata["node_type"] == "group":
            attributes[key] = metadata["attributes"]
            variables.setdefault(key, {})
            continue
        path, _, name = key.rpartition("/")
        name = metadata["attributes"].pop("original_name", name)
        variables.setdefault(path, {})[name] = _variable(place, f"{root}/{key}", metadata)
    nodes = {}
    for path, parts in variables.items():
        attrs = {key: _unplain(value) for key, value in attributes.get(path, {}).items()}
        placed = set(attrs.pop("coordinates", "").split()) if path else set()
        nodes[f"/{path}"] = xr.Dataset(
            {name: part for name, part in parts.items() if name not in placed},
            {name: part for name, part in parts.items() if name in placed},
            attrs,
        )
    return xr.DataTree.from_dict(nodes)


def read_metadata(place: Place, key: str) -> dict[str, Any]:
    """Metadata of a group or an array, compared with the digest that those of arrays may carry."""
    content = place.get(key)
    try:
        found = json.loads(content)
        seal = found.pop("corephys", None)
    except (ValueError, AttributeError, TypeError):
        raise StoreError(f"{place.name(key)} is cut short; make the store again") from None
    if seal is not None and seal != {"must_understand": False, "sha256": _digest(found)}:
        raise StoreError(
            f"{place.name(key)} is damaged: its digest is another one; make the store again"
        )
    return dict(found)


def _variable(place: Place, key: str, metadata: dict[str, Any]) -> xr.Variable:
    shape = tuple(metadata["shape"])
    if math.prod(shape) == 0:
        kind = metadata["data_type"]
        values = np.empty(shape, object if kind == "string" else kind)
    else:
        chunk = "/".join([key, "c", *"0" * len(shape)])
        try:
            content = place.get(chunk)
        except FileNotFoundError:
            raise StoreError(f"{place.name(chunk)} is missing; make the store again") from None
        values = decode(content, metadata, place.name(chunk))
    attributes = {name: _unplain(value) for name, value in metadata["attributes"].items()}
    if attributes.get("units") in _TIME_UNITS and "calendar" in attributes:
        values = values.astype(f"datetime64[{_TIME_UNITS[attributes.pop('units')]}]")
        del attributes["calendar"], attributes["_FillValue"]
    return xr.Variable(tuple(metadata["dimension_names"]), values, attributes)


# --------------------------------------------------------------------------------------------------
# One tree as a zarr store. A new store is written first, then a one-line file that names it.


POINTER = "current"


def is_saved(place: Place) -> bool:
    """Whether a tree was saved at this place."""
    return place.exists(POINTER)


def current(place: Place) -> str:
    """Key of the store that the pointer names.

    Parameters
    ----------
    place : Place
        Folder or URL where a tree was saved.

    Returns
    -------
    str
        Name of a zarr group directly below the place.

    Raises
    ------
    FileNotFoundError
        When nothing was saved there.
    StoreError
        When the pointer is not one line.
    """
    try:
        line = place.get(POINTER).decode("utf-8", "replace").strip()
    except FileNotFoundError:
        raise FileNotFoundError(
            f"there is no saved hole at {place.where}; save one with export.zarr.save(tree, path)"
        ) from None
    if not line or "/" in line or "\n" in line:
        raise StoreError(f"{place.name(POINTER)} does not name a store; save the hole again")
    return line


def save_tree(tree: xr.DataTree, place: Place) -> str:
    """Write a tree; a reader sees the complete old one or the complete new one.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole.
    place : Place
        Folder or URL.

    Returns
    -------
    str
        Key of the new store.
    """
    before = [name for name in place.names() if name.endswith(".zarr") or is_part(name)]
    name = f"{secrets.token_hex(6)}.zarr"
    try:
        write_tree(tree, place, name)
        place.put(POINTER, f"{name}\n".encode())
    except BaseException:
        place.remove(name)
        raise
    for old in before:
        place.remove(old)
    return name


def load_tree(place: Place) -> xr.DataTree:
    """Read what :func:`save_tree` wrote, fully into memory.

    Parameters
    ----------
    place : Place
        Folder or URL.

    Returns
    -------
    DataTree
        Values, types, names and attributes as they were.

    Raises
    ------
    FileNotFoundError
        When nothing was saved there.
    StoreError
        When a part is missing or cut short, or a later format wrote it.
    """
    tree = read_tree(place, current(place))
    version = str(tree.attrs.get("format_version", FORMAT_VERSION))
    if not version.isdigit() or int(version) > int(FORMAT_VERSION):
        raise StoreError(
            f"{place.where} has format_version {version}; this package reads up to "
            f"{FORMAT_VERSION}: install a newer corephys"
        )
    return tree
