"""A reduced hole as one netCDF-4 file that xarray and the netCDF library open.

Every group, written alone as a flat file, follows the CF conventions. Text is stored as
characters, names that CF does not allow are respelled, and variables without a long_name get one.
:func:`load` reverses all three.

The last line of the file, behind what the netCDF library reads, is the SHA-256 of all bytes before
it. A program that changes the file cuts this line off.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr
from xarray.conventions import encode_dataset_coordinates

from corephys.export.output import settle
from corephys.ground.provenance import FORMAT_VERSION, write_whole

__all__ = ["flat", "load", "save"]

_CONVENTIONS = "CF-1.11"
_COMPRESS_FROM = 512  # values; a chunk of fewer takes more room than compression saves
_LEVEL = 1  # of deflate with shuffle: higher levels take time and gain a few per cent
_NAME = re.compile(r"^[A-Za-z][A-Za-z0-9_]*$")
_TIME_WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
_SINCE = "since 1970-01-01"
# Comment that marks a long_name which save added and load removes.
_NO_WORDS = "long_name repeats the name of the variable"
_NOT_A_TIME = np.iinfo(np.int64).min  # the bits of NaT
# The last line of a file: these words and the digest.
_MARK = b"\ncontent written by corephys, SHA-256 "
_MARK_LENGTH = len(_MARK) + 64 + 1


def save(tree: xr.DataTree, path: str | os.PathLike[str]) -> Path:
    """Write a tree as one netCDF-4 file; an interrupted call leaves the old file in place.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole; data in the leaves, depths in m, units in the attributes.
    path : path
        File to write, in a folder that exists. A file of that name is replaced in one step.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FileNotFoundError
        If the folder does not exist.
    TypeError
        If a text column holds anything but text.
    OSError
        If the file cannot be written, such as on a full disk.

    Notes
    -----
    Attributes that netCDF cannot hold (truth values, tables) are written as JSON text. Text is
    read back as Python strings, whatever its width was. The last line of the file is the SHA-256 of
    the bytes before it, which :func:`load` checks; other programs do not see it.
    """
    nodes = {
        node.path: _encoded(node.to_dataset(inherit=False), node.path) for node in tree.subtree
    }
    with write_whole(path) as other:
        try:
            _write(nodes, other)
        except RuntimeError as error:  # the netCDF library does not pass on the system's error
            if shutil.disk_usage(other.parent).free < _FULL:
                full = errno.ENOSPC
                raise OSError(full, os.strerror(full), str(path)) from error
            raise OSError(
                f"{path} cannot be written: the netCDF library stopped with {error}. Look whether "
                "the disk has space and works"
            ) from error
        with other.open("rb+") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            stream.write(_MARK + digest.encode() + b"\n")
    return Path(path)


def _write(nodes: dict[str, tuple[xr.Dataset, dict[str, Any]]], path: Path) -> None:
    """Write encoded groups with their encodings."""
    with netCDF4.Dataset(path, "w", format="NETCDF4") as file:
        file.set_fill_off()
        # First all definitions, then all values: the library rewrites its catalogue whenever a
        # definition follows a value.
        waiting: list[tuple[netCDF4.Variable, np.ndarray]] = []
        for group, (dataset, encoding) in nodes.items():
            waiting += _define(file if group == "/" else file.createGroup(group), dataset, encoding)
        for variable, values in waiting:
            variable[...] = values


def _define(
    group: netCDF4.Group | netCDF4.Dataset, dataset: xr.Dataset, encoding: dict[str, Any]
) -> list[tuple[netCDF4.Variable, np.ndarray]]:
    """Define a group with its variables; return each variable with the values to write."""
    variables, attributes = encode_dataset_coordinates(dataset)
    group.setncatts(attributes)
    for dim, size in dataset.sizes.items():
        group.createDimension(str(dim), size)
    waiting = []
    for name, variable in variables.items():
        settings = dict(encoding[str(name)])
        dims, values = [str(dim) for dim in variable.dims], variable.values
        extra: dict[str, Any] = {}
        if settings.pop("dtype", None) == "S1":
            values = _characters(values)
            dims.append(f"string{values.shape[-1]}")
            extra["_Encoding"] = "utf-8"
            if dims[-1] not in group.dimensions:
                group.createDimension(dims[-1], values.shape[-1])
        elif values.dtype.kind == "b":
            values, extra["dtype"] = values.astype(np.int8), "bool"
        fill = settings.pop("_FillValue", None)
        made = group.createVariable(str(name), values.dtype, dims, fill_value=fill, **settings)
        # The values are encoded already; the library must not convert or mask them again.
        made.set_auto_chartostring(False)
        made.set_auto_mask(False)
        made.setncatts({**variable.attrs, **extra})
        waiting.append((made, values))
    return waiting


def _characters(texts: np.ndarray) -> np.ndarray:
    """Texts as UTF-8 bytes along a last dimension of the length of the longest."""
    coded = [text.encode("utf-8") for text in texts.reshape(-1)]
    width = max([1, *map(len, coded)])
    flat = np.array(coded, dtype=f"S{width}").view("S1")
    return flat.reshape(*texts.shape, width)


def load(path: str | os.PathLike[str]) -> xr.DataTree:
    """Read a file of :func:`save` fully into memory and close it.

    Parameters
    ----------
    path : path
        netCDF file.

    Returns
    -------
    DataTree
        The tree as it was saved: values, types, names, attributes.

    Raises
    ------
    FileNotFoundError
        If the file does not exist.
    OSError
        If the file is damaged, or is not a netCDF file with such groups.
    ValueError
        If the format of the file is later than that of this package.

    Notes
    -----
    The digest at the end of the file is compared first, so that a single changed bit is refused. A
    file of an older version, or one that another program changed, has no digest and is read without
    this check and without a warning: the netCDF library notices most damage, but not all.
    """
    file = Path(path)
    if not file.is_file():
        raise FileNotFoundError(f"there is no file {file}; write one with cp.save(tree, path)")
    for folder in (file.parent, file.parent.parent):  # of a hole or a site
        settle(folder)
    checked = _checked(file)
    try:
        nodes = dict(_groups(file) if checked else _foreign_groups(file))
    except _LaterFormatError:
        raise
    # A damaged file fails anywhere in the libraries, with any error.
    except Exception as error:
        raise OSError(
            f"{file} cannot be read as a netCDF file; it is damaged, truncated or a file of "
            f"another kind ({error}). Copy it again, or reduce the hole again"
        ) from error
    return xr.DataTree.from_dict(nodes)


class _LaterFormatError(ValueError):
    """The format of a file is later than that of this package."""


def _refuse_later_format(attributes: dict[str, Any], file: Path) -> None:
    version = str(attributes.get("format_version", FORMAT_VERSION))
    if version.isdigit() and int(version) > int(FORMAT_VERSION):
        raise _LaterFormatError(
            f"{file.name} has format {version}; this version reads formats up to "
            f"{FORMAT_VERSION}. Update the package"
        )


def _checked(file: Path) -> bool:
    """Whether the file carries a digest; OSError where its content has another one."""
    length = file.stat().st_size - _MARK_LENGTH
    if length < 0:
        return False
    with file.open("rb") as stream:
        stream.seek(length)
        line = stream.read()
        if not line.startswith(_MARK):
            return False
        stream.seek(0)
        found = hashlib.sha256()
        left = length
        while left and (part := stream.read(min(left, _READ_AT_ONCE))):
            found.update(part)
            left -= len(part)
    if line != _MARK + found.hexdigest().encode() + b"\n":
        raise OSError(
            f"{file} is damaged: its content has another SHA-256 than its last line states. Copy "
            "it again, or reduce the hole again"
        )
    return True


_READ_AT_ONCE = 1 << 22  # bytes
_FULL = 1 << 20  # bytes left on a disk that counts as full


def _groups(file: Path) -> Iterator[tuple[str, xr.Dataset]]:
    """Groups of a file of :func:`save`, by path."""
    with netCDF4.Dataset(file) as stored:
        # Raw values: masking would turn integers and times into floats.
        stored.set_auto_maskandscale(False)
        stored.set_auto_chartostring(False)
        _refuse_later_format({name: stored.getncattr(name) for name in stored.ncattrs()}, file)
        waiting = [stored]
        while waiting:
            group = waiting.pop()
            yield group.path, _decoded(*_stored_group(group))
            waiting += reversed(group.groups.values())


def _stored_group(
    group: netCDF4.Group | netCDF4.Dataset,
) -> tuple[dict[str, xr.Variable], set[str], dict[str, Any]]:
    """Variables of a group with texts and truth values, names of coordinates, and attributes."""
    parts: dict[str, xr.Variable] = {}
    attributes = {key: group.getncattr(key) for key in group.ncattrs()}
    placed = set(attributes.pop("coordinates", "").split())
    for name, variable in group.variables.items():
        about = {key: variable.getncattr(key) for key in variable.ncattrs()}
        dims, values = variable.dimensions, np.asarray(variable[...])
        if about.pop("_Encoding", ""):
            dims = dims[:-1]
            values = values.view(f"S{values.shape[-1]}")[..., 0]
            texts = [text.decode("utf-8") for text in values.reshape(-1)]
            values = np.array(texts, dtype=object).reshape(values.shape)
        elif about.get("dtype") == "bool":
            del about["dtype"]
            values = values.astype(bool)
        placed.update(about.pop("coordinates", "").split())
        if dims == (name,):
            placed.add(name)
        # The values are plain arrays; the check of their type costs more than reading them.
        parts[name] = xr.Variable(dims, values, about, fastpath=True)
    return parts, placed, attributes


def _foreign_groups(file: Path) -> Iterator[tuple[str, xr.Dataset]]:
    """Groups of a file without a digest, which may hold anything that xarray reads."""
    with xr.open_datatree(
        file, engine="netcdf4", decode_times=False, mask_and_scale=False
    ) as stored:
        _refuse_later_format(stored.attrs, file)
        for node in stored.subtree:
            group = node.to_dataset(inherit=False).load()
            yield node.path, _decoded(group.variables, set(group.coords), group.attrs)


def flat(tree: xr.DataTree, path: str) -> xr.Dataset:
    """One group of a tree as a Dataset that follows CF as a separate file.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole, in memory.
    path : str
        Path of the group, such as ``"properties/density"``.

    Returns
    -------
    Dataset
        The group with title, versions and conventions of the tree, ready for ``to_netcdf``.

    Raises
    ------
    KeyError
        If the tree has no such group.
    """
    wanted = "/" + path.strip("/")
    groups = {node.path: node for node in tree.subtree}
    if wanted not in groups:
        held = ", ".join(node.path.strip("/") for node in tree.leaves)
        raise KeyError(f"the tree has no group {path!r}; it has {held}")
    dataset, encoding = _encoded(groups[wanted].to_dataset(inherit=False), wanted)
    for name, settings in encoding.items():
        dataset[name].encoding = settings
    whole = tree.attrs.get("title", "")
    version = tree.attrs.get("corephys_version", "")
    dataset.attrs = {
        "Conventions": tree.attrs.get("Conventions", _CONVENTIONS),
        "title": f"{whole}: {wanted.strip('/')}" if whole else wanted.strip("/"),
        "history": f"one group of a tree written by corephys {version}".rstrip(),
        **{k: v for k, v in dataset.attrs.items() if k not in ("Conventions", "title")},
    }
    return dataset


def _encoded(dataset: xr.Dataset, path: str) -> tuple[xr.Dataset, dict[str, Any]]:
    """Dataset that netCDF and CF can hold, and the encoding of each variable."""
    dataset = _respelled(dataset)
    parts: dict[str, xr.Variable] = {}
    encoding: dict[str, Any] = {}
    for name, variable in dataset.variables.items():
        parts[str(name)], encoding[str(name)] = _stored(variable, f"{path}/{name}")
    stored = xr.Dataset(
        {name: parts[str(name)] for name in dataset.data_vars},
        coords=xr.Coordinates({name: parts[str(name)] for name in dataset.coords}, indexes={}),
        attrs={key: _attribute(value) for key, value in dataset.attrs.items()},
    )
    return stored, encoding


def _stored(variable: xr.Variable, name: str) -> tuple[xr.Variable, dict[str, Any]]:
    """Variable as it is written, and its encoding; ``name`` is its path in the tree."""
    values, kind = variable.data, variable.dtype.kind
    settings: dict[str, Any] = {"_FillValue": None}
    if kind not in "fiubM":
        values = _texts(variable, name)
        settings = {"dtype": "S1"}
    elif kind == "f" and variable.dims != (
        name.rpartition("/")[2],
    ):  # CF allows no gaps in an axis
        settings = {"_FillValue": variable.dtype.type(np.nan)}
    elif kind == "M":
        # xarray cannot store a column in which every time is missing.
        values = variable.values.astype(np.int64)
        settings = {"_FillValue": _NOT_A_TIME}
    if variable.ndim and variable.size >= _COMPRESS_FROM:
        settings.update(zlib=True, complevel=_LEVEL, shuffle=True)
    attributes = {key: _attribute(value) for key, value in variable.attrs.items()}
    if not {"long_name", "standard_name"} & set(attributes):
        # CF recommends a long_name for every variable; load removes this one again.
        attributes["long_name"] = name.rpartition("/")[2].replace("_", " ")
        attributes["comment"] = _NO_WORDS
    if kind == "M":
        unit = np.datetime_data(variable.dtype)[0]
        attributes["units"] = f"{_TIME_WORDS[unit]} {_SINCE}"
        attributes["calendar"] = "standard"
    return xr.Variable(variable.dims, values, attributes), settings


def _texts(variable: xr.Variable, name: str) -> np.ndarray:
    """Values of a text column; anything but text in it is refused."""
    values = np.asarray(variable.values, dtype=object)
    for value in values.reshape(-1):
        if not isinstance(value, str):
            raise TypeError(
                f"{name} holds {value!r} among its texts; a text column may hold only text, with "
                "'' for a missing one"
            )
    # netCDF4 takes the type from the first value; an empty column has none.
    return values if values.size else values.astype("U1")


def _attribute(value: object) -> str | int | float | np.ndarray | np.generic:
    """Attribute as netCDF can hold it; anything else becomes JSON text."""
    if isinstance(value, (str, int, float, np.integer, np.floating)) and not isinstance(
        value, bool
    ):
        return value
    if isinstance(value, (list, tuple, np.ndarray)):
        array = np.asarray(value)
        if array.size and array.dtype.kind in "fiu" and array.ndim <= 1:
            return array
    return json.dumps(value, default=_plain)


def _plain(value: object) -> object:
    """Value that JSON can hold."""
    return value.tolist() if hasattr(value, "tolist") else str(value)


def _respelled(dataset: xr.Dataset) -> xr.Dataset:
    """Respell names that CF does not allow, and variables that carry the name of a dimension.

    CF takes a variable named as its dimension for an axis, whose values must be monotonic.
    Readings need not be, so that such a variable gets another name.
    """
    taken = {str(name) for name in (*dataset.variables, *dataset.dims)}
    variables: dict[Any, str] = {}
    for name, variable in dataset.variables.items():
        respelled = str(name)
        if not _NAME.match(respelled):
            respelled = re.sub(r"\W", "_", respelled, flags=re.ASCII)
            respelled = respelled if respelled[:1].isalpha() else f"column_{respelled}"
        if variable.dims == (name,) and not _runs_one_way(variable):
            respelled = f"{respelled}_column"
        if respelled != name:
            while respelled in taken:
                respelled += "_"
            taken.add(respelled)
            variables[name] = respelled
    if not variables:
        return dataset
    renamed = dataset.reset_index([n for n in variables if n in dataset.xindexes])
    renamed = renamed.rename_vars(variables)
    for name, respelled in variables.items():
        renamed[respelled].attrs["original_name"] = str(name)
    return renamed


def _runs_one_way(variable: xr.Variable) -> bool:
    """Whether the values increase or decrease strictly, as CF demands of an axis."""
    if variable.dtype.kind not in "fiuM" or variable.size < 2:
        return variable.dtype.kind != "f" or bool(np.isfinite(variable.values).all())
    step = np.diff(variable.values)
    zero = step.dtype.type(0)
    return bool((step > zero).all() or (step < zero).all())


def _decoded(
    variables: Mapping[Any, xr.Variable], placed: set[Any], attrs: Mapping[str, Any]
) -> xr.Dataset:
    """Dataset with the names, types and attributes that it had before :func:`_encoded`."""
    names = {
        name: variable.attrs["original_name"]
        for name, variable in variables.items()
        if "original_name" in variable.attrs
    }
    parts: dict[Any, xr.Variable] = {}
    for name, variable in variables.items():
        attributes = dict(variable.attrs)
        for key in ("original_name", "_FillValue"):
            attributes.pop(key, None)
        if attributes.get("comment") == _NO_WORDS:
            del attributes["comment"], attributes["long_name"]
        values = variable.values
        kept: dict[str, Any] = {}
        if values.dtype.kind in "OUST":
            values = values.astype(object)
            # A later to_netcdf by the user then stores characters again.
            kept = {"dtype": "S1"}
        elif str(attributes.get("units", "")).endswith(_SINCE):
            word = attributes.pop("units").split()[0]
            attributes.pop("calendar", None)
            unit = {long: short for short, long in _TIME_WORDS.items()}[word]
            values = values.astype(f"datetime64[{unit}]")
        parts[names.get(name, name)] = xr.Variable(variable.dims, values, attributes, kept)
    coordinates = {names.get(name, name) for name in placed}
    return xr.Dataset(
        {name: part for name, part in parts.items() if name not in coordinates},
        coords={name: part for name, part in parts.items() if name in coordinates},
        attrs=attrs,
    )
