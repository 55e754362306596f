"""Digests of what a stage reads and leaves: tables, results, choices, calibrations and fits.

Equal digests stand for equal content bit by bit: values, types, names and their order, attributes
and encoding. What has no digest (a function made at run time, an object of a foreign library) is
refused, so that nothing is taken for unchanged by mistake.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from types import CodeType, FunctionType, ModuleType
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground.provenance import SourcedCount, SourcedNumber, SourcedText

__all__ = ["Digests", "NoDigestError"]

_SOURCED = (SourcedText, SourcedNumber, SourcedCount)
_PLAIN = {str, int, float, complex, bool, bytes, type(None)}


class NoDigestError(TypeError):
    """An object whose content cannot be read for a digest."""


class Digests:
    """Digests of objects, each array of numbers or texts read once.

    Arrays are kept by their place in memory. They may not change while a ``Digests`` is in use;
    a new one reads all of them anew.
    """

    def __init__(self) -> None:
        self._arrays: dict[tuple[Any, ...], tuple[np.ndarray, bytes]] = {}

    def of(self, value: Any) -> bytes:
        """Digest of the content of an object.

        Parameters
        ----------
        value : Dataset, array, number, text, record or collection of these
            Mutable or not; read as it is now.

        Returns
        -------
        bytes
            32 bytes.

        Raises
        ------
        NoDigestError
            For an object of a kind that is not known here.
        """
        parts: list[bytes] = []
        self._add(parts, value)
        return hashlib.sha256(b"".join(parts)).digest()

    def _add(self, parts: list[bytes], value: Any) -> None:
        """Append the content of an object, with its kind and its length."""
        kind = type(value)
        if kind in _PLAIN:
            _put(parts, kind.__name__, _written(value))
        elif kind in _SOURCED:
            _put(parts, kind.__name__, _written(_plain(value)))
            self._add(parts, (value.origin, value.citation, value.constant))
        elif kind is np.ndarray:
            _put(parts, "array", self._of_array(value))
        elif kind is dict or kind is list or kind is tuple:
            self._add_collection(parts, kind.__name__, value)
        elif isinstance(value, np.generic):
            _put(parts, f"number {value.dtype.str}", value.tobytes())
        elif isinstance(value, xr.Dataset):
            self._add_dataset(parts, value)
        elif isinstance(value, xr.DataArray):
            _put(parts, "series", _written(repr(value.name)))
            self._add_dataset(parts, value._to_temp_dataset())
        elif isinstance(value, xr.Variable):
            self._add_variable(parts, value)
        elif isinstance(value, (set, frozenset)):
            _put(parts, kind.__name__, b"".join(sorted(map(self.of, value))))
        elif isinstance(value, Mapping):
            self._add_collection(parts, kind.__qualname__, dict(value))
        else:
            self._add_object(parts, value)

    def _add_collection(self, parts: list[bytes], kind: str, value: Any) -> None:
        """A dict, list or tuple: at once where it holds texts and numbers of Python alone."""
        held = [*value, *value.values()] if type(value) is dict else value
        _put(parts, kind, str(len(value)).encode())
        if _PLAIN.issuperset(map(type, held)):
            _put(parts, "plain", _written(value))
            return
        for one in held:
            self._add(parts, one)

    def _add_dataset(self, parts: list[bytes], dataset: xr.Dataset) -> None:
        """Variables in their order, which of them are coordinates or indexes, and attributes."""
        coords, indexes = dataset.coords, dataset.xindexes
        _put(parts, "dataset", _written(list(dataset.sizes.items())))
        for name, variable in dataset.variables.items():
            place = "coordinate" if name in coords else "variable"
            if name in indexes:
                place += f" {type(indexes[name]).__name__}"
            _put(parts, place, _written(name))
            self._add_variable(parts, variable)
        self._add(parts, dict(dataset.attrs))
        self._add(parts, dict(dataset.encoding))

    def _add_variable(self, parts: list[bytes], variable: xr.Variable) -> None:
        self._add(parts, variable.dims)
        _put(parts, "values", self._of_array(variable.values))
        self._add(parts, variable.attrs)
        self._add(parts, variable.encoding)

    def _of_array(self, array: np.ndarray) -> bytes:
        """Digest of an array, kept by its place in memory."""
        place = (
            array.__array_interface__["data"][0], array.shape, array.strides, array.dtype.str,
        )  # fmt: skip
        if place not in self._arrays:
            self._arrays[place] = (array, self._read(array))
        return self._arrays[place][1]

    def _read(self, array: np.ndarray) -> bytes:
        found = hashlib.sha256(f"{array.dtype.str} {array.shape}".encode())
        if array.dtype.kind == "O":
            found.update(self._texts(array.ravel().tolist()))
        elif array.dtype.hasobject or array.dtype.names:
            raise NoDigestError(f"got an array of {array.dtype}; expected numbers, times or texts")
        elif array.nbytes:
            found.update(np.ascontiguousarray(array).view(np.uint8).data)
        return found.digest()

    def _texts(self, held: list[Any]) -> bytes:
        """Texts of an array of objects, or its elements one by one."""
        if set(map(type, held)) <= {str}:
            text = "\0".join(held)
            if text.count("\0") == max(len(held) - 1, 0):
                return text.encode("utf-8", "surrogatepass")
        parts: list[bytes] = []
        self._add(parts, held)
        return b"".join(parts)

    def _add_object(self, parts: list[bytes], value: Any) -> None:
        """A record by its fields, a function or class of a module by its name."""
        kind = type(value)
        _put(parts, "object", f"{kind.__module__}.{kind.__qualname__}".encode())
        if isinstance(value, (type, ModuleType)):
            _put(parts, "name", _name_in_module(value).encode())
        elif isinstance(value, FunctionType):
            self._add_function(parts, value)
        elif hasattr(kind, "_REGISTRY") and hasattr(value, "magnitude"):
            self._add(parts, (np.asarray(value.magnitude), str(value.units)))
        elif is_dataclass(value):
            self._add(parts, {one.name: getattr(value, one.name) for one in fields(value)})
        elif kind.__module__.partition(".")[0] == "corephys" and hasattr(value, "__dict__"):
            self._add(parts, vars(value))
        else:
            raise NoDigestError(f"{kind.__module__}.{kind.__qualname__}")

    def _add_function(self, parts: list[bytes], function: FunctionType) -> None:
        """A function by module, name, code, and the values that it carries."""
        _put(parts, "function", f"{function.__module__}.{function.__qualname__}".encode())
        self._add_code(parts, function.__code__)
        cells = [cell.cell_contents for cell in function.__closure__ or ()]
        self._add(parts, (function.__defaults__, function.__kwdefaults__, cells))

    def _add_code(self, parts: list[bytes], code: CodeType) -> None:
        """Code with its names and constants, and the code of functions inside."""
        _put(parts, "code", code.co_code + _written(list(code.co_names)))
        for one in code.co_consts:
            if isinstance(one, CodeType):
                self._add_code(parts, one)
            else:
                self._add(parts, one)


def _put(parts: list[bytes], kind: str, content: bytes) -> None:
    """Append one piece with its kind and length, so that no two contents look alike."""
    parts.append(f"{kind}:{len(content)}:".encode())
    parts.append(content)


def _written(value: Any) -> bytes:
    """A text, a number or a collection of them as bytes."""
    if type(value) is bytes:
        return value
    return repr(value).encode("utf-8", "surrogatepass")


def _plain(value: Any) -> Any:
    """A value of the recipe without its origin."""
    return next(kind(value) for kind in (str, float, int) if isinstance(value, kind))


def _name_in_module(value: Any) -> str:
    """Module and name of a class, or name of a module, that can be found again by them."""
    if isinstance(value, ModuleType):
        return value.__name__
    found: Any = sys.modules.get(value.__module__)
    for part in value.__qualname__.split("."):
        found = getattr(found, part, None)
    if found is not value:
        raise NoDigestError(
            f"got the class {value.__qualname__}; expected one that its module holds"
        )
    return f"{value.__module__}.{value.__qualname__}"
