"""A reduced hole as one netCDF-4 file that plain xarray and the netCDF library open.

Every group, written alone as a flat file, follows the CF conventions. Text is stored as
characters, names that CF does not know are respelled and variables without words get some;
:func:`load` undoes all three.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr
from xarray.conventions import encode_dataset_coordinates

from corephys.ground.provenance import FORMAT_VERSION, write_whole

__all__ = ["flat", "load", "save"]

CONVENTIONS = "CF-1.11"
COMPRESS_FROM = 512  # values; below this a chunk costs more than it saves
LEVEL = 1  # of deflate with shuffle: higher levels take time and gain a few per cent
_NAME = re.compile(r"^[A-Za-z][A-Za-z0-9_]*$")
_TIME_WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
_SINCE = "since 1970-01-01"
_NO_WORDS = "long_name repeats the name of the variable"
_NOT_A_TIME = np.iinfo(np.int64).min


def save(tree: xr.DataTree, path: str | os.PathLike[str]) -> Path:
    """Write a tree as one netCDF-4 file, whole or not at all.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole; data in the leaves, depths in m, every unit in its attribute.
    path : path
        File to write; its folder exists. A file of that name is replaced in one step.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FileNotFoundError
        When the folder does not exist.
    TypeError
        When a text column holds something else than text.

    Notes
    -----
    Attributes that netCDF cannot hold (truth values, tables) are written as JSON text. Text
    comes back as Python texts whatever its width was.
    """
    nodes = {
        node.path: _encoded(node.to_dataset(inherit=False), node.path) for node in tree.subtree
    }
    with write_whole(path) as other, netCDF4.Dataset(other, "w", format="NETCDF4") as file:
        file.set_fill_off()
        # First all definitions, then all values: the library writes its whole catalogue anew
        # whenever a definition follows a value.
        waiting: list[tuple[Any, np.ndarray]] = []
        for group, (dataset, encoding) in nodes.items():
            waiting += _define(file if group == "/" else file.createGroup(group), dataset, encoding)
        for variable, values in waiting:
            variable[...] = values
    return Path(path)


def _define(
    group: Any, dataset: xr.Dataset, encoding: dict[str, Any]
) -> list[tuple[Any, np.ndarray]]:
    """Define a group with all it holds; each variable with the values it waits for."""
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
        made.set_auto_chartostring(False)
        made.set_auto_mask(False)
        made.setncatts({**variable.attrs, **extra})
        waiting.append((made, values))
    return waiting


def _characters(texts: np.ndarray) -> np.ndarray:
    """Texts as UTF-8 characters along a last dimension as long as the longest."""
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
        As it was saved: values, types, names, attributes.

    Raises
    ------
    FileNotFoundError
        When there is no such file.
    OSError
        When it is damaged or no netCDF file.
    ValueError
        When the file was written by a later format of this package.
    """
    file = Path(path)
    if not file.is_file():
        raise FileNotFoundError(f"there is no file {file}; save(tree, path) writes one")
    # Values as they stand: a mask would turn whole numbers and times into floats.
    try:
        opened = xr.open_datatree(file, engine="netcdf4", decode_times=False, mask_and_scale=False)
    except OSError as error:
        raise OSError(
            f"{file} cannot be read as a netCDF file; it is damaged, cut short or another kind of "
            f"file ({error}). Copy it again, or reduce the hole again"
        ) from error
    with opened as stored:
        version = str(stored.attrs.get("format_version", FORMAT_VERSION))
        if version.isdigit() and int(version) > int(FORMAT_VERSION):
            raise ValueError(
                f"{file.name} has format {version}; this version reads formats up to "
                f"{FORMAT_VERSION}. Update the package"
            )
        nodes = {
            node.path: _decoded(node.to_dataset(inherit=False).load()) for node in stored.subtree
        }
    return xr.DataTree.from_dict(nodes)


def flat(tree: xr.DataTree, path: str) -> xr.Dataset:
    """One group of a tree as a dataset that stands alone as a CF file.

    Parameters
    ----------
    tree : DataTree
        A hole or a reduced hole, in memory.
    path : str
        Group, such as ``"properties/density"``.

    Returns
    -------
    Dataset
        With the tree's title, versions and conventions; ``to_netcdf`` writes it as it is.

    Raises
    ------
    KeyError
        When there is no such group.
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
        "Conventions": tree.attrs.get("Conventions", CONVENTIONS),
        "title": f"{whole}: {wanted.strip('/')}" if whole else wanted.strip("/"),
        "history": f"one group of a tree written by corephys {version}".rstrip(),
        **{k: v for k, v in dataset.attrs.items() if k not in ("Conventions", "title")},
    }
    return dataset


def _encoded(dataset: xr.Dataset, path: str) -> tuple[xr.Dataset, dict[str, Any]]:
    """A dataset that netCDF and CF can hold, and how each variable is stored."""
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
    values, kind = variable.data, variable.dtype.kind
    settings: dict[str, Any] = {"_FillValue": None}
    if kind not in "fiubM":
        values = _texts(variable, name)
        settings = {"dtype": "S1"}
    elif kind == "f" and variable.dims != (name.rpartition("/")[2],):  # an axis has no gaps
        settings = {"_FillValue": variable.dtype.type(np.nan)}
    elif kind == "M":
        # Not left to xarray, which cannot store a column without a single time.
        values = variable.values.astype(np.int64)
        settings = {"_FillValue": _NOT_A_TIME}
    if variable.ndim and variable.size >= COMPRESS_FROM:
        settings.update(zlib=True, complevel=LEVEL, shuffle=True)
    attributes = {key: _attribute(value) for key, value in variable.attrs.items()}
    if not {"long_name", "standard_name"} & set(attributes):
        # CF wants words for everything; load takes them away again.
        attributes["long_name"] = name.rpartition("/")[2].replace("_", " ")
        attributes["comment"] = _NO_WORDS
    if kind == "M":
        unit = np.datetime_data(variable.dtype)[0]
        attributes["units"] = f"{_TIME_WORDS[unit]} {_SINCE}"
        attributes["calendar"] = "standard"
    return xr.Variable(variable.dims, values, attributes), settings


def _texts(variable: xr.Variable, name: str) -> np.ndarray:
    values = np.asarray(variable.values, dtype=object)
    for value in values.reshape(-1):
        if not isinstance(value, str):
            raise TypeError(
                f"{name} holds {value!r} among its texts; text columns hold only text, with '' "
                "where there is none"
            )
    return values if values.size else values.astype("U1")  # no text to tell the kind from


def _attribute(value: Any) -> Any:
    """An attribute as netCDF holds it."""
    if isinstance(value, (str, int, float, np.integer, np.floating)) and not isinstance(
        value, bool
    ):
        return value
    if isinstance(value, (list, tuple, np.ndarray)):
        array = np.asarray(value)
        if array.size and array.dtype.kind in "fiu" and array.ndim <= 1:
            return array
    return json.dumps(value, default=_plain)


def _plain(value: Any) -> Any:
    return value.tolist() if hasattr(value, "tolist") else str(value)


def _respelled(dataset: xr.Dataset) -> xr.Dataset:
    """Respell names that CF does not know, and part a variable from a dimension of its name.

    A variable named as its dimension is an axis to CF and has to run one way; readings do not.
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
    if variable.dtype.kind not in "fiuM" or variable.size < 2:
        return variable.dtype.kind != "f" or bool(np.isfinite(variable.values).all())
    step = np.diff(variable.values)
    zero = step.dtype.type(0)
    return bool((step > zero).all() or (step < zero).all())


def _decoded(dataset: xr.Dataset) -> xr.Dataset:
    """Undo what :func:`_encoded` did."""
    names = {
        name: variable.attrs["original_name"]
        for name, variable in dataset.variables.items()
        if "original_name" in variable.attrs
    }
    parts: dict[Any, xr.Variable] = {}
    for name, variable in dataset.variables.items():
        attributes = dict(variable.attrs)
        for key in ("original_name", "_FillValue"):
            attributes.pop(key, None)
        if attributes.get("comment") == _NO_WORDS:
            del attributes["comment"], attributes["long_name"]
        values = variable.values
        kept: dict[str, Any] = {}
        if values.dtype.kind in "OUST":
            values = values.astype(object)
            # A later to_netcdf of the user then stores characters again.
            kept = {"dtype": "S1"}
        elif str(attributes.get("units", "")).endswith(_SINCE):
            word = attributes.pop("units").split()[0]
            attributes.pop("calendar", None)
            unit = {long: short for short, long in _TIME_WORDS.items()}[word]
            values = values.astype(f"datetime64[{unit}]")
        parts[names.get(name, name)] = xr.Variable(variable.dims, values, attributes, kept)
    coordinates = {names.get(name, name) for name in dataset.coords}
    return xr.Dataset(
        {name: part for name, part in parts.items() if name not in coordinates},
        coords={name: part for name, part in parts.items() if name in coordinates},
        attrs=dataset.attrs,
    )
