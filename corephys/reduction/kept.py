"""What a reduction keeps for the next, in a file: for the command line, which ends in between.

The file is a store of this user on this machine, no format for exchange. It is read only where
package, libraries and Python are the same down to the source text, where its own digest holds, and
where it belongs to the user. Otherwise nothing is taken over, and the file is written anew. Reading
it can make arrays, tables and records of this package, and call nothing else.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import io
import os
import pickle
import platform
import stat
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, thresholds
from corephys.ground.registry import SENSORS
from corephys.products.compaction import MODELS
from corephys.reduction.digests import Digests
from corephys.reduction.recipe import Recipe
from corephys.reduction.reuse import Memory, account_of, environment, memories_of, remember
from corephys.reduction.run import STAGES, reduce

__all__ = ["keep_for_next", "kept_in", "place_beside", "reduce_again", "write_kept"]

_MAGIC = b"corephys: kept of a reduction\n"
_DIGEST = 32  # bytes of SHA-256
_FLAGS = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
_LARGEST = 256 * 1024**2  # bytes; above, writing it takes longer than it saves on a slow disk


def reduce_again(
    hole: xr.DataTree,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | None = None,
    *,
    out: Path,
    afresh: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> xr.DataTree:
    """Reduce one hole for an output folder, with what an earlier process kept beside the folder.

    Parameters
    ----------
    hole : DataTree
        Hole of ``read_hole``.
    recipe : Recipe or mapping, optional
        As of ``cp.reduce``.
    out : Path
        Output folder; it need not exist.
    afresh : bool
        True does not read what was kept.
    progress : callable, optional
        As of ``cp.reduce``.

    Returns
    -------
    DataTree
        Equal to that of ``cp.reduce(hole, recipe)`` bit by bit.

    Raises
    ------
    RecipeError, HoleError
        As of ``cp.reduce``.
    """
    earlier = None if afresh else kept_in(place_beside(out))
    return reduce(hole, recipe, reuse=earlier, progress=progress)


def keep_for_next(tree: xr.DataTree, out: Path) -> bool:
    """Write beside an output folder what the next process can take over, after all else.

    Parameters
    ----------
    tree : DataTree
        Result of :func:`reduce_again`.
    out : Path
        Output folder.

    Returns
    -------
    bool
        True where the file holds this reduction now; see :func:`write_kept`.
    """
    file = place_beside(out)
    account = account_of(tree).get("")
    if account is not None and not account.run and file.is_file():
        return True  # every stage came from this file
    return write_kept(tree, file)


def place_beside(out: Path) -> Path:
    """Where the command line keeps the file of an output folder: beside it, hidden.

    Parameters
    ----------
    out : Path
        Output folder; it need not exist.

    Returns
    -------
    Path
        ``.NAME.reuse`` in the folder that holds ``out``.
    """
    whole = out.resolve()
    return whole.parent / f".{whole.name}.reuse"


def write_kept(tree: xr.DataTree, file: Path) -> bool:
    """Write what a reduction of one hole keeps.

    Parameters
    ----------
    tree : DataTree
        Result of ``cp.reduce`` in this process.
    file : Path
        Written whole; an older one is replaced.

    Returns
    -------
    bool
        False where nothing was written: no memory, sensors of the user, too large, or a folder
        that cannot be written to.
    """
    memory = memories_of(tree).get("")
    if memory is None or not _all_of_package():
        return False
    held = io.BytesIO()
    try:
        _Writer(held, protocol=5).dump(memory.stages)
    except (pickle.PicklingError, AttributeError, TypeError):
        return False  # a fit of a kind that cannot be written
    content = held.getvalue()
    if len(content) > _LARGEST:
        return False
    head = _MAGIC + _here(tuple(STAGES)) + hashlib.sha256(content).digest()
    # Not flushed to the disk: what a crash leaves of it fails its digest, and is not read.
    unfinished = file.with_name(f"{file.name}.part")
    try:
        unfinished.unlink(missing_ok=True)
        with os.fdopen(os.open(unfinished, _FLAGS, stat.S_IRUSR | stat.S_IWUSR), "wb") as stream:
            stream.write(head)
            stream.write(content)
        unfinished.replace(file)
    except OSError:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
        return False
    return True


def kept_in(file: Path) -> xr.DataTree | None:
    """What an earlier process kept, for the argument ``reuse`` of ``cp.reduce``.

    Parameters
    ----------
    file : Path
        File of :func:`write_kept`.

    Returns
    -------
    DataTree or None
        An empty tree with a memory; None without a file, or where the file is damaged, of another
        release, of other libraries, or of another user.
    """
    if not _all_of_package():
        return None
    try:
        if hasattr(os, "geteuid") and file.stat().st_uid != os.geteuid():
            return None
        content = file.read_bytes()
    except OSError:
        return None
    start = len(_MAGIC) + 2 * _DIGEST
    here, digest = content[len(_MAGIC) : start - _DIGEST], content[start - _DIGEST : start]
    if not content.startswith(_MAGIC) or here != _here(tuple(STAGES)):
        return None
    if hashlib.sha256(content[start:]).digest() != digest:
        return None
    try:
        records = _Reader(io.BytesIO(content[start:])).load()
    except pickle.UnpicklingError:
        return None  # written by a hand that holds a digest for proof
    tree = xr.DataTree()
    remember(tree, {"": Memory(environment(STAGES), records)})
    return tree


def _all_of_package() -> bool:
    """Whether all stages and sensors are those of the package."""
    of_stages = [str(getattr(run, "__module__", "")) for run in STAGES.values()]
    checks = [run for record in SENSORS.records() if (run := record.check) is not None]
    of_checks = [str(getattr(run, "__module__", "")) for run in checks]
    return all(name.startswith("corephys.") for name in (*of_stages, *of_checks))


@cache
def _here(stages: tuple[str, ...]) -> bytes:
    """Digest of package, libraries, Python and machine: what a result may depend on."""
    package = Path(__file__).parents[1]
    sources = sorted(p for p in package.rglob("*") if p.suffix in (".py", ".toml"))
    found = hashlib.sha256()
    for source in sources:
        found.update(f"{source.relative_to(package)}\n".encode())
        found.update(hashlib.sha256(source.read_bytes()).digest())
    libraries = [(name, importlib.metadata.version(name)) for name in _LIBRARIES]
    rows = (list(constants.CONSTANTS.values()), list(thresholds.THRESHOLDS.values()))
    machine = (platform.python_version(), platform.machine(), platform.system())
    found.update(Digests().of((stages, libraries, rows, machine)))
    return found.digest()


_LIBRARIES = ("numpy", "scipy", "pandas", "xarray", "pint", "lmfit", "gsw")

# --------------------------------------------------------------------------------------------------
# Reading and writing of records. Models of compaction hold functions without a name; they are
# written by the name of the model.


class _Writer(pickle.Pickler):
    """Writes records; models by name."""

    def persistent_id(self, value: Any) -> Any:
        """Name of a model of compaction."""
        if type(value) is type(next(iter(MODELS.values()))) and MODELS.get(value.name) is value:
            return value.name
        return None


class _Reader(pickle.Unpickler):
    """Reads records; of other modules, it takes what makes arrays, tables and times."""

    def persistent_load(self, name: Any) -> Any:
        """A model of compaction by its name."""
        return MODELS[name]

    def find_class(self, module: str, name: str) -> Any:
        """A class of the package, or one of the few names that arrays and tables need."""
        if module.partition(".")[0] == "corephys":
            found = super().find_class(module, name)
            if isinstance(found, type) and found.__module__ == module:
                return found
        elif any(module.startswith(start) and name in names for start, names in _KNOWN):
            return super().find_class(module, name)
        raise pickle.UnpicklingError(f"got {module}.{name}; expected what arrays and tables need")


_KNOWN: tuple[tuple[str, frozenset[str]], ...] = (
    ("builtins", frozenset({"set", "frozenset", "complex", "bytearray", "slice"})),
    ("numpy", frozenset({"_reconstruct", "scalar", "ndarray", "dtype", "_frombuffer"})),
    ("numpy.dtypes", frozenset(name for name in dir(np.dtypes) if name.endswith("DType"))),
    ("xarray.core", frozenset({"Dataset", "DataArray", "Variable", "IndexVariable"})),
    ("xarray.core", frozenset({"PandasIndex", "PandasMultiIndex", "PandasIndexingAdapter"})),
    ("pandas", frozenset({"Index", "RangeIndex", "_new_Index", "DatetimeIndex"})),
    ("datetime", frozenset({"datetime", "date", "timedelta", "timezone"})),
)
