"""Provenance of results: digests of inputs, versions, the constants used; and atomic writing."""

from __future__ import annotations

import hashlib
import json
import math
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self, cast

import numpy as np

from corephys.ground import units
from corephys.ground.choices import plain_words
from corephys.ground.constants import Constant, is_tabled

__all__ = [
    "FORMAT_VERSION",
    "ORIGINS",
    "SourcedCount",
    "SourcedNumber",
    "SourcedText",
    "UsedConstant",
    "constants_attribute",
    "digest",
    "digests",
    "flushed_later",
    "records",
    "relabelled",
    "root_attributes",
    "sourced",
    "stamps",
    "used_constants",
    "with_constants",
    "write_bytes",
    "write_whole",
]

# --------------------------------------------------------------------------------------------------
# Digests and versions of the inputs of a result, and the numbers that it used.


FORMAT_VERSION = "2"

# Origins of the numbers that a result used, with the words for tables and cards.
ORIGINS: dict[str, str] = {
    "constant": "table of constants",
    "threshold": "table of thresholds",
    "given": "given",
    "recipe": "recipe",
    "hole": "hole",
    "site": "site",
    "default": "default of the recipe",
    "calculated": "calculated",
    "fitted": "fitted",
    "method": "way of working",
    "unrecorded": "origin not recorded: the file has format 1",
}
_UNSET = float("nan")


@dataclass(frozen=True)
class UsedConstant:
    """A number that a result used, and its origin.

    Parameters
    ----------
    name : str
        Argument of the function that used it.
    value : float
        Value in ``unit``; NaN if ``words`` are given.
    unit : str
        Unit in the library's spelling.
    words : str
        Words for anything but one number: a range of readings, a fitted line, a method.
    uncertainty : float
        Standard uncertainty in the unit of a difference of ``unit``; NaN if not known.
    origin : str
        Key of :data:`ORIGINS`.
    constant : str
        Row of the table of constants or of thresholds; empty for any other origin.
    citation, status : str
        Citation and status of that row, or how a number was calculated; empty if not known.
    """

    name: str
    value: float = _UNSET
    unit: str = ""
    words: str = ""
    uncertainty: float = _UNSET
    origin: str = "given"
    constant: str = ""
    citation: str = ""
    status: str = ""

    def shown(self) -> str:
        """The value with unit and uncertainty, ``"2.7 ± 0.05 g/cm^3"``, or its words."""
        if self.words:
            # The word of a choice is shown with spaces.
            one_word = self.words.replace("_", "").isalnum()
            return plain_words(self.words) if one_word else self.words
        spread = "" if math.isnan(self.uncertainty) else f" ± {self.uncertainty:.3g}"
        unit = "" if self.unit in ("", "1") else f" {self.unit}"
        return f"{self.value:.9g}{spread}{unit}"

    def in_unit(self, unit: str) -> float:
        """The number in another unit; UnitError without a single number."""
        if self.words:  # a file of format 1 holds the text alone
            return float(units.as_floats(self.words, unit, self.name))
        return float(units.convert(self.value, self.unit, unit))

    def source(self) -> str:
        """Citation and status of a constant; otherwise the origin, with the citation if known."""
        if self.tabled():
            return self.cited()
        origin, cited = ORIGINS[self.origin], self.cited()
        return f"{origin}: {cited}" if cited else origin

    def tabled(self) -> bool:
        """Whether it is a row of a table of this package, a constant or a threshold."""
        return self.origin in ("constant", "threshold")

    def cited(self) -> str:
        """Citation and status; an empty text if neither is known."""
        return f"{self.citation} ({self.status})" if self.status else self.citation

    def to_dict(self) -> dict[str, Any]:
        """Fields for JSON, without the name and without empty fields."""
        held = {key: getattr(self, key) for key in _FIELDS}
        return {k: v for k, v in held.items() if v != "" and v == v}  # NaN is not itself


_FIELDS = ("value", "unit", "words", "uncertainty", "origin", "constant", "citation", "status")


class _Sourced:
    """Origin of a value of a plain type; the class beside it makes the value.

    Parameters
    ----------
    value : str, float or int
        The value.
    origin : str
        Key of :data:`ORIGINS`.
    citation : str
        How the value was found, in words.
    constant : Constant, optional
        Row of the table of constants with this value.
    """

    origin: str
    citation: str
    constant: Constant | None

    def __new__(
        cls, value: Any, origin: str = "given", citation: str = "", constant: Constant | None = None
    ) -> Self:
        """Make the value and keep its origin."""
        made = cast(Any, super()).__new__(cls, value)
        made.origin, made.citation, made.constant = origin, citation, constant
        return cast(Self, made)


class SourcedText(_Sourced, str):
    """Text of a value, such as ``"2.7 g/cm^3"``, with its origin.

    Functions convert it like any other text.
    """


class SourcedNumber(_Sourced, float):
    """A pure number [1] with its origin."""


class SourcedCount(_Sourced, int):
    """A count [1] with its origin."""


def sourced(value: Any, origin: str, citation: str = "") -> Any:
    """A text or float with its origin, a key of :data:`ORIGINS`; another value is unchanged.

    A value that has an origin keeps it.
    """
    if isinstance(value, _Sourced):
        return value
    if isinstance(value, str):
        return SourcedText(value, origin, citation)
    return SourcedNumber(value, origin, citation) if isinstance(value, float) else value


def records(**arguments: Any) -> dict[str, UsedConstant]:
    """Records of the arguments that a function used.

    Parameters
    ----------
    **arguments : Constant, Quantity, DataArray, Dataset, str, float, UsedConstant, tuple or None
        Arguments by name, as the caller gave them. A tuple is a value and its standard
        uncertainty; None was not used.

    Returns
    -------
    dict of str to UsedConstant
        A Constant that is a row of a table has its citation and status. Anything else is
        ``given`` without a citation, even if its value equals that of a constant.
    """
    found = {name: _record(name, value) for name, value in arguments.items() if value is not None}
    return {name: record for name, record in found.items() if record is not None}


def _record(name: str, value: Any) -> UsedConstant | None:
    """Record of one argument; None for an array without any number."""
    if isinstance(value, tuple):
        value, spread = value
        base = None if value is None else _record(name, value)
        return base if base is None or spread is None else _with_uncertainty(base, spread)
    if isinstance(value, UsedConstant):
        return replace(value, name=name)
    if isinstance(value, _Sourced):
        return _of_sourced(name, value)
    if hasattr(value, "citation") and hasattr(value, "unit"):
        return _of_constant(name, value)
    if isinstance(value, str):
        return _of_text(name, value)
    return _of_numbers(name, value)


def _of_constant(name: str, value: Any) -> UsedConstant:
    """A row of a table with its citation; any other Constant is one that the caller made."""
    held = UsedConstant(name, float(value.value), value.unit, "", float(value.uncertainty))
    if is_tabled(value):
        return replace(
            held,
            origin="threshold" if hasattr(value, "decides") else "constant",
            constant=value.name,
            citation=value.citation,
            status=value.status,
        )
    # A row whose value was changed by hand keeps the citation of the row, which no longer holds.
    if is_tabled(value, ignore_value=True):
        return held
    origin = getattr(value, "origin", "") or "given"
    return replace(held, origin=origin, citation=value.citation, status=value.status)


def _of_sourced(name: str, value: _Sourced) -> UsedConstant:
    """A value with an origin, or the row of a table that it is."""
    if value.constant is not None:
        return _of_constant(name, value.constant)
    plain = _of_text(name, str(value)) if isinstance(value, str) else _of_numbers(name, value)
    assert plain is not None
    return replace(plain, origin=value.origin, citation=value.citation)


def _of_text(name: str, text: str) -> UsedConstant:
    """A number with a unit, or words for a method."""
    try:
        number, unit = units.read_scalar(text)
    except units.UnitError:
        # No number and unit: a method, such as "both" or "dry_volume".
        return UsedConstant(name, words=text, origin="method")
    return UsedConstant(name, number, unit)


def _of_numbers(name: str, value: Any) -> UsedConstant | None:
    """A number, a Quantity, an array or a result; of anything else its text."""
    if hasattr(value, "data_vars"):
        return _of_result(name, value)
    unit = "1"
    if hasattr(type(value), "dims") and hasattr(type(value), "attrs"):
        unit, value = str(value.attrs.get("units", "1")), value.data
    elif hasattr(type(value), "magnitude"):
        unit, value = units.spelling(value), value.magnitude
    if hasattr(value, "dask"):
        return UsedConstant(name, words="one value for each reading")
    numbers = np.asarray(value)
    if numbers.dtype.kind not in "fiu":
        return UsedConstant(name, words=str(value), origin="method")
    if numbers.ndim == 0:
        return UsedConstant(name, float(numbers), unit)
    return _of_range(name, numbers, unit)


def _of_range(name: str, numbers: np.ndarray, unit: str) -> UsedConstant | None:
    """An array as its one value, or as words for its range."""
    known = numbers[np.isfinite(numbers)]
    if not known.size:
        return None
    low, high = float(known.min()), float(known.max())
    if low == high:
        return UsedConstant(name, low, unit)
    ending = "" if unit == "1" else f" {unit}"
    return UsedConstant(name, words=f"{low:g} to {high:g}{ending}")


def _of_result(name: str, dataset: Any) -> UsedConstant | None:
    """Numbers of an earlier result, with its last step as citation."""
    held = name if name in dataset else next(iter(dataset.data_vars), None)
    found = None if held is None else _of_numbers(name, dataset[held])
    steps = json.loads(dataset.attrs.get("steps", "[]"))
    return found and replace(found, origin="calculated", citation=steps[-1] if steps else "")


def _with_uncertainty(held: UsedConstant, spread: Any) -> UsedConstant:
    """A record with the uncertainty that was given beside its value."""
    if held.words:
        return held
    unit = {"degC": "K", "degF": "K"}.get(held.unit, held.unit) or "1"
    u = units.as_floats(spread, unit, f"uncertainty of {held.name}", difference=True)
    return held if np.ndim(u) else replace(held, uncertainty=float(u))


def constants_attribute(arguments: Mapping[str, Any] | None) -> str:
    """The attribute ``constants`` of a result.

    Parameters
    ----------
    arguments : mapping of str to anything that :func:`records` takes, optional
        Values by name of the argument.

    Returns
    -------
    str
        A JSON object of the fields of :class:`UsedConstant` by name.
    """
    held = records(**dict(arguments or {}))
    return json.dumps({name: record.to_dict() for name, record in held.items()})


def used_constants(result: Any) -> dict[str, UsedConstant]:
    """The numbers that a result used, from its attribute ``constants``.

    Parameters
    ----------
    result : Dataset, DataTree or mapping
        Result with the attribute, or its attributes.

    Returns
    -------
    dict of str to UsedConstant
        Numbers by name of the argument. Files of format 1 have a text for each, which becomes
        ``words`` with the origin ``unrecorded``.
    """
    attributes = getattr(result, "attrs", result)
    found = {}
    for name, held in json.loads(attributes.get("constants", "{}")).items():
        if isinstance(held, Mapping):
            known = {key: held[key] for key in _FIELDS if key in held}
            found[name] = UsedConstant(name, **known)
        else:
            text = str(held).removesuffix(" 1")
            found[name] = UsedConstant(name, words=text, origin="unrecorded")
    return found


def with_constants(dataset: Any, **arguments: Any) -> Any:
    """A Dataset with further numbers in its attribute ``constants``; see :func:`records`."""
    held = {**used_constants(dataset), **arguments}
    return dataset.assign_attrs(constants=constants_attribute(held))


def relabelled(attributes: Mapping[str, Any], origins: Mapping[str, str]) -> dict[str, Any]:
    """Attributes of a result with other origins for its ranges of readings, old to new.

    A function records its readings as ``given``; the reduction replaces this by ``hole``, because
    they are from a table of the hole.
    """
    held = used_constants(attributes)
    changed = {
        name: replace(one, origin=origins[one.origin])
        for name, one in held.items()
        if one.words and one.origin in origins
    }
    if not changed:
        return dict(attributes)
    return {**attributes, "constants": constants_attribute({**held, **changed})}


def digest(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digests(folder: Path, files: list[str]) -> str:
    """Digests of input files of a hole folder as a JSON object by path."""
    return json.dumps({name: digest(folder / name) for name in sorted(files)})


def stamps(folder: Path) -> dict[str, tuple[int, int]]:
    """Time of the last change [ns] and size [bytes] of every file below a folder, by path.

    A file with another stamp after it was read has changed meanwhile, and its digest need not be
    that of the bytes that were read.
    """
    found = {}
    for above, _, names in os.walk(folder):
        for name in names:
            path = Path(above, name)
            try:
                state = path.stat()
            except OSError:  # results of another run, which are removed meanwhile
                continue
            found[path.relative_to(folder).as_posix()] = (state.st_mtime_ns, state.st_size)
    return found


def root_attributes(recipe_json: str, inputs: str, version: str) -> dict[str, Any]:
    """Global attributes of a reduced hole, from its recipe, digests of inputs and version."""
    return {
        "Conventions": "CF-1.11",
        "format_version": FORMAT_VERSION,
        "corephys_version": version,
        "recipe": recipe_json,
        "input_sha256": inputs,
    }


# --------------------------------------------------------------------------------------------------
# Atomic writing: a file is written under another name in the same folder, then renamed.


# Folders whose files are flushed together, by the one who switches the folder in.
_flushed_later: list[Path] = []


@contextmanager
def flushed_later(folder: Path) -> Iterator[None]:
    """Write files below a folder without flushing each to the disk, while a block runs.

    Parameters
    ----------
    folder : Path
        Folder that no reader sees yet. The caller flushes its files before a reader does: two
        hundred calls one after the other would take most of a second.
    """
    _flushed_later.append(folder)
    try:
        yield
    finally:
        _flushed_later.remove(folder)


@contextmanager
def write_whole(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Write a file so that no reader ever sees part of it.

    Parameters
    ----------
    path : path
        Path of the file, in an existing folder.

    Yields
    ------
    Path
        Temporary name in the same folder. After the block the file is flushed to the disk
        (except below a folder of :func:`flushed_later`) and renamed to ``path`` in one step; if
        the block fails it is removed, and ``path`` is unchanged.

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
        if not any(target.is_relative_to(folder) for folder in _flushed_later):
            with other.open("rb+") as stream:
                os.fsync(stream.fileno())
        os.replace(other, target)
    finally:
        other.unlink(missing_ok=True)


def write_bytes(path: str | os.PathLike[str], content: bytes) -> Path:
    """Write bytes with :func:`write_whole`; returns the path."""
    with write_whole(path) as other:
        other.write_bytes(content)
    return Path(path)
