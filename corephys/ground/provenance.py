"""Where a result comes from: digests and versions of its inputs, the numbers used, files written
complete."""

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
from typing import Any

import numpy as np

from corephys.ground import units
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
    "records",
    "relabelled",
    "root_attributes",
    "sourced",
    "used_constants",
    "with_constants",
    "write_bytes",
    "write_whole",
]

# --------------------------------------------------------------------------------------------------
# Where a result comes from: digests and versions of its inputs, and the numbers that it used.


FORMAT_VERSION = "2"

# Where a number that a result used comes from, and how a reader is told.
ORIGINS: dict[str, str] = {
    "constant": "table of constants",
    "threshold": "table of thresholds",
    "given": "given",
    "recipe": "recipe",
    "hole": "hole",
    "default": "default of the recipe",
    "calculated": "calculated",
    "fitted": "fitted",
    "method": "way of working",
    "unrecorded": "origin not recorded: the file has format 1",
}
_UNSET = float("nan")


@dataclass(frozen=True)
class UsedConstant:
    """A number that a result used, and where it came from.

    Parameters
    ----------
    name : str
        Argument of the function that used it.
    value : float
        In ``unit``; NaN where ``words`` stand in its place.
    unit : str
        In the library's spelling.
    words : str
        What is not one number: a range of readings, a fitted line, a way of working.
    uncertainty : float
        Standard uncertainty in the unit of a difference of ``unit``; NaN where it is not known.
    origin : str
        Key of :data:`ORIGINS`.
    constant : str
        Row of the table of constants or of thresholds; empty for any other origin.
    citation, status : str
        Of that row, or in words how a calculated number was found; empty where nothing is known.
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
        """The value with unit and uncertainty, or the words in its place.

        Returns
        -------
        str
            Such as ``"2.7 ± 0.05 g/cm^3"``.
        """
        if self.words:
            return self.words
        spread = "" if math.isnan(self.uncertainty) else f" ± {self.uncertainty:.3g}"
        unit = "" if self.unit in ("", "1") else f" {self.unit}"
        return f"{self.value:.9g}{spread}{unit}"

    def in_unit(self, unit: str) -> float:
        """The number in another unit.

        Parameters
        ----------
        unit : str
            Wanted.

        Returns
        -------
        float
            Plain.

        Raises
        ------
        UnitError
            When there is no single number, or the unit has another dimension.
        """
        if self.words:  # a file of format 1 holds the text alone
            return float(units.as_floats(self.words, unit, self.name))
        return float(units.convert(self.value, self.unit, unit))

    def source(self) -> str:
        """Where it came from, in words.

        Returns
        -------
        str
            Citation and standing of a constant; otherwise the origin, with what is known of it.
        """
        if self.tabled():
            return self.cited()
        origin, cited = ORIGINS[self.origin], self.cited()
        return f"{origin}: {cited}" if cited else origin

    def tabled(self) -> bool:
        """Whether it is a row of a table of this package.

        Returns
        -------
        bool
            True for a constant or a threshold, whose source and standing are those of the row.
        """
        return self.origin in ("constant", "threshold")

    def cited(self) -> str:
        """Citation and standing.

        Returns
        -------
        str
            Empty where neither is known.
        """
        return f"{self.citation} ({self.status})" if self.status else self.citation

    def to_dict(self) -> dict[str, Any]:
        """What is known of it, for JSON.

        Returns
        -------
        dict
            Without the name; fields that hold nothing are left out.
        """
        held = {key: getattr(self, key) for key in _FIELDS}
        return {k: v for k, v in held.items() if v != "" and v == v}  # NaN is not itself


_FIELDS = ("value", "unit", "words", "uncertainty", "origin", "constant", "citation", "status")


class SourcedText(str):
    """Text of a value, such as ``"2.7 g/cm^3"``, that carries where it came from.

    It is the text in every other way: functions take it through the door as they take any text.

    Parameters
    ----------
    text : str
        The value.
    origin : str
        Key of :data:`ORIGINS`.
    citation : str
        In words how the value was found.
    constant : Constant, optional
        Row of the table of constants that it is.
    """

    origin: str
    citation: str
    constant: Constant | None

    def __new__(
        cls, text: str, origin: str = "given", citation: str = "", constant: Constant | None = None
    ) -> SourcedText:
        """Make the text and note its origin beside it."""
        made = super().__new__(cls, text)
        made.origin, made.citation, made.constant = origin, citation, constant
        return made


class SourcedNumber(float):
    """A pure number that carries where it came from; see :class:`SourcedText`.

    Parameters
    ----------
    number : float
        The value [1].
    origin : str
        Key of :data:`ORIGINS`.
    citation : str
        In words how the value was found.
    constant : Constant, optional
        Row of the table of constants that it is.
    """

    origin: str
    citation: str
    constant: Constant | None

    def __new__(
        cls,
        number: float,
        origin: str = "given",
        citation: str = "",
        constant: Constant | None = None,
    ) -> SourcedNumber:
        """Make the number and note its origin beside it."""
        made = super().__new__(cls, number)
        made.origin, made.citation, made.constant = origin, citation, constant
        return made


class SourcedCount(int):
    """A number of things that carries where it came from; see :class:`SourcedText`.

    Parameters
    ----------
    number : int
        The value [1].
    origin : str
        Key of :data:`ORIGINS`.
    citation : str
        In words how the value was found.
    constant : Constant, optional
        Row of the table of constants that it is.
    """

    origin: str
    citation: str
    constant: Constant | None

    def __new__(
        cls,
        number: int,
        origin: str = "given",
        citation: str = "",
        constant: Constant | None = None,
    ) -> SourcedCount:
        """Make the number and note its origin beside it."""
        made = super().__new__(cls, number)
        made.origin, made.citation, made.constant = origin, citation, constant
        return made


def sourced(value: Any, origin: str, citation: str = "") -> Any:
    """A value that carries where it comes from.

    Parameters
    ----------
    value : str, float or anything
        One that carries an origin already keeps it.
    origin : str
        Key of :data:`ORIGINS`.
    citation : str
        In words how it was found.

    Returns
    -------
    SourcedText, SourcedNumber, SourcedCount or the value itself
        The latter where it is neither a text nor a float.
    """
    if isinstance(value, (SourcedText, SourcedNumber, SourcedCount)):
        return value
    if isinstance(value, str):
        return SourcedText(value, origin, citation)
    return SourcedNumber(value, origin, citation) if isinstance(value, float) else value


def records(**arguments: Any) -> dict[str, UsedConstant]:
    """Records of the arguments that a function used.

    Parameters
    ----------
    **arguments : Constant, Quantity, DataArray, Dataset, str, float, UsedConstant, tuple or None
        By name of the argument, as the caller gave it. A tuple is a value and its standard
        uncertainty as given; None was not used.

    Returns
    -------
    dict of str to UsedConstant
        A Constant that is a row of a table brings its citation and standing. Anything else is
        ``given``, and has no citation even where its value is that of a constant.
    """
    found = {name: _record(name, value) for name, value in arguments.items() if value is not None}
    return {name: record for name, record in found.items() if record is not None}


def _record(name: str, value: Any) -> UsedConstant | None:
    if isinstance(value, tuple):
        value, spread = value
        base = None if value is None else _record(name, value)
        return base if base is None or spread is None else _with_uncertainty(base, spread)
    if isinstance(value, UsedConstant):
        return replace(value, name=name)
    if isinstance(value, (SourcedText, SourcedNumber, SourcedCount)):
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


def _of_sourced(name: str, value: SourcedText | SourcedNumber | SourcedCount) -> UsedConstant:
    if value.constant is not None:
        return _of_constant(name, value.constant)
    plain = _of_text(name, str(value)) if isinstance(value, str) else _of_numbers(name, value)
    assert plain is not None
    return replace(plain, origin=value.origin, citation=value.citation)


def _of_text(name: str, text: str) -> UsedConstant:
    try:
        number, unit = units.read_scalar(text)
    except units.UnitError:
        # No number and unit: words for a way of working, such as "both" or "dry volume".
        return UsedConstant(name, words=text, origin="method")
    return UsedConstant(name, number, unit)


def _of_numbers(name: str, value: Any) -> UsedConstant | None:
    """A number, a Quantity, an array or a result; anything else describes itself."""
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
    known = numbers[np.isfinite(numbers)]
    if not known.size:
        return None
    low, high = float(known.min()), float(known.max())
    if low == high:
        return UsedConstant(name, low, unit)
    ending = "" if unit == "1" else f" {unit}"
    return UsedConstant(name, words=f"{low:g} to {high:g}{ending}")


def _of_result(name: str, dataset: Any) -> UsedConstant | None:
    """A number for each reading that an earlier step made: its last step says how."""
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
        By name of the argument.

    Returns
    -------
    str
        A JSON object: name to what is known of the number, see :class:`UsedConstant`.
    """
    held = records(**dict(arguments or {}))
    return json.dumps({name: record.to_dict() for name, record in held.items()})


def used_constants(result: Any) -> dict[str, UsedConstant]:
    """The numbers that a result used, from its attribute ``constants``.

    Parameters
    ----------
    result : Dataset, DataTree or mapping
        With the attribute; or the attributes themselves.

    Returns
    -------
    dict of str to UsedConstant
        By name of the argument. Files of format 1 hold a text for each: it stands in ``words``,
        of the origin ``unrecorded``.
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
    """A result with more of the numbers that stand behind it.

    Parameters
    ----------
    dataset : Dataset
        With or without the attribute ``constants``.
    **arguments : anything that :func:`records` takes
        By name.

    Returns
    -------
    Dataset
        The same variables; those that it names already are replaced.
    """
    held = {**used_constants(dataset), **arguments}
    return dataset.assign_attrs(constants=constants_attribute(held))


def relabelled(attributes: Mapping[str, Any], origins: Mapping[str, str]) -> dict[str, Any]:
    """Attributes of a result whose ranges of readings get another origin.

    Parameters
    ----------
    attributes : mapping
        Of a result.
    origins : mapping of str to str
        Old origin to new one. A function cannot know that the readings it was given stand in a
        table of the hole; the reduction does.

    Returns
    -------
    dict
        The same attributes where none changed.
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
    """Digests of the input files of a hole.

    Parameters
    ----------
    folder : Path
        Hole folder.
    files : list of str
        Paths inside the folder, with ``/``.

    Returns
    -------
    str
        A JSON object, path to digest, in the order of the paths.
    """
    return json.dumps({name: digest(folder / name) for name in sorted(files)})


def root_attributes(recipe_json: str, inputs: str, version: str) -> dict[str, Any]:
    """Global attributes of a reduced hole.

    Parameters
    ----------
    recipe_json : str
        The recipe in full.
    inputs : str
        JSON object of file digests.
    version : str
        Version of the package.

    Returns
    -------
    dict
        ``format_version``, ``recipe``, ``input_sha256``, ``corephys_version`` and ``Conventions``.
    """
    return {
        "Conventions": "CF-1.11",
        "format_version": FORMAT_VERSION,
        "corephys_version": version,
        "recipe": recipe_json,
        "input_sha256": inputs,
    }


# --------------------------------------------------------------------------------------------------
# Files are whole: written under another name in the same folder, then renamed.


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
