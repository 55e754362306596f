"""Recordings beside the tables of a hole: P-wave waveforms in one netCDF file, and LAS files
byte by byte."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.hole.reading.csv import Cells
from corephys.hole.reading.error import Problem
from corephys.hole.reading.tables import Column, Table

__all__ = ["FILE", "FOLDER", "NODE", "TABLE", "Record", "join", "read"]

# --------------------------------------------------------------------------------------------------
# Recorded P-wave waveforms of a hole: one netCDF file beside the tables of the scan.


NODE = "scan/pwave_waveforms"
FILE = f"{NODE}.nc"
# Under the sensor's name: what is excluded for the sensor is excluded for its waveforms.
TABLE = Table(
    "scan/pwave",
    (
        Column("core", "text", need="key"),
        Column("section", "text", need="key"),
        Column("offset", "number", "cm"),
        Column("depth", "number", "m", "optional"),
        Column("run", "number", "1", "optional"),
    ),
    "reading",
    positioned=True,
    supplied=True,  # a repeated position is flagged; whether its waveforms differ is not checked
)
_AXIS = "record_time"  # name in the hole; CF reserves "time" for an axis of dates
_WATER = ("water_trace", "water_travel_time")
_WORDS = {
    "waveform": "received P-wave waveform",
    "water_trace": "waveform through a liner of water",
    "water_travel_time": "travel time in the water trace",
    "time": "time after the pulse was sent",
}


@dataclass
class Record:
    """A file of waveforms before its readings are placed.

    Parameters
    ----------
    cells : Cells
        Variables along ``reading``, as columns of a table.
    variables : dict of str to Variable
        ``waveform``, ``time`` [us], and, if given, ``water_trace`` and ``water_travel_time``.
    """

    cells: Cells
    variables: dict[str, xr.Variable]


def read(folder: Path) -> tuple[Record | None, list[Problem]]:
    """The waveforms of a hole folder; None without a file, or for a file that cannot be read."""
    path = folder / FILE
    if not path.is_file():
        return None, []
    try:
        with xr.open_dataset(path, engine="netcdf4", decode_times=False) as stored:
            dataset = stored.load()
    except (OSError, ValueError) as error:
        what = f"the file cannot be read as netCDF ({error})"
        return None, [Problem(FILE, None, "", what, "Write it with xarray: dataset.to_netcdf")]
    variables, problems = _shared(dataset)
    if "reading" not in dataset.dims:
        what = "there is no dimension 'reading'"
        problems.append(Problem(FILE, None, "", what, "Give waveform the dimensions reading, time"))
        return None, problems
    return Record(_cells(dataset), variables), problems


def _shared(dataset: xr.Dataset) -> tuple[dict[str, xr.Variable], list[Problem]]:
    """Waveforms, their time and the water trace, each checked."""
    variables: dict[str, xr.Variable] = {}
    problems: list[Problem] = []
    wanted: dict[str, tuple[str, ...]] = {
        "waveform": ("reading", "time"),
        "time": ("time",),
        "water_trace": ("time",),
        "water_travel_time": (),
    }
    for name, dims in wanted.items():
        if name not in dataset.variables:
            if name not in _WATER:
                what = f"there is no variable {name!r}"
                mend = f"Add it with the dimensions ({', '.join(dims)})"
                problems.append(Problem(FILE, None, name, what, mend))
            continue
        variable = dataset.variables[name].to_base_variable()
        if set(variable.dims) != set(dims) or variable.dtype.kind not in "fiu":
            held = f"{variable.dtype} with the dimensions ({', '.join(map(str, variable.dims))})"
            what = f"{name} is {held}"
            mend = f"Give numbers with the dimensions ({', '.join(dims)})"
            problems.append(Problem(FILE, None, name, what, mend))
            continue
        variable = variable.transpose(*dims)
        if name in ("time", "water_travel_time"):
            variable, faults = _microseconds(name, variable)
            problems += faults
        variables[name] = _worded(name, variable)
    if "time" in variables:
        problems += _uneven(variables["time"].values)
    return variables, problems


def _worded(name: str, variable: xr.Variable) -> xr.Variable:
    """A variable with the names of the hole: its long_name and the axis ``record_time``."""
    kept = {key: value for key, value in variable.attrs.items() if key in ("units", "long_name")}
    dims = [_AXIS if dim == "time" else dim for dim in variable.dims]
    return xr.Variable(dims, variable.values, {"long_name": _WORDS[name], **kept})


def _microseconds(name: str, variable: xr.Variable) -> tuple[xr.Variable, list[Problem]]:
    """Times in us, or their fault."""
    mend = "Give times in us, with the attribute units = 'us'"
    if "units" not in variable.attrs:
        return variable, [Problem(FILE, None, name, f"{name} has no attribute 'units'", mend)]
    try:
        values = units.convert(variable.values.astype(float), str(variable.attrs["units"]), "us")
    except units.UnitError as error:
        return variable, [Problem(FILE, None, name, str(error).rstrip("."), mend)]
    return xr.Variable(variable.dims, values, {**variable.attrs, "units": "us"}), []


def _uneven(time: np.ndarray) -> list[Problem]:
    """The fault of times that do not rise in even steps."""
    step = np.diff(time)
    # 2 % of a step: times rounded to a few digits, as recorders write them, are even.
    if step.size and step.min() > 0.0 and np.ptp(step) <= 0.02 * step.min():
        return []
    mend = "Give at least two evenly spaced, rising times"
    return [Problem(FILE, None, "time", "time does not rise in even steps", mend)]


def _cells(dataset: xr.Dataset) -> Cells:
    """The variables along ``reading`` as columns of a table."""
    header, columns = [], []
    for name, variable in dataset.variables.items():
        if variable.dims != ("reading",) or name in ("reading", "time"):
            continue
        values = variable.values
        text = values.dtype.kind not in "fiub" or str(name) in ("core", "section")
        if text:
            columns.append([_text(value) for value in values])
        else:
            columns.append(values.astype(float))
        unit = "" if text else str(variable.attrs.get("units", ""))
        header.append(f"{name} [{unit}]" if unit and unit != "1" else str(name))
    return Cells(FILE, header, columns, range(dataset.sizes["reading"]))


def _text(value: object) -> str:
    """A key as text; netCDF may hold it as bytes, or as a float that was a whole number."""
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    whole = isinstance(value, (float, np.floating)) and float(value).is_integer()
    return str(int(value) if whole else value)


def join(placed: xr.Dataset, record: Record) -> xr.Dataset:
    """Add the waveforms (reading, record_time [us]) to the table of their readings."""
    others = {name: part for name, part in record.variables.items() if name != "time"}
    return placed.assign(others).assign_coords({_AXIS: record.variables["time"]})


# --------------------------------------------------------------------------------------------------
# LAS files of a hole folder, kept byte by byte: the reduction reads them, because only the recipe
# sets which curves they hold. A broken file is kept like any other.


FOLDER = "downhole/logs"


def read_files(folder: Path) -> dict[str, xr.Dataset]:
    """The LAS files (.las or .LAS) of a hole folder, by path such as "downhole/logs/first_run".

    Each Dataset has ``content`` along ``byte`` and the attribute ``file``, the path inside the
    folder. Characters that a path cannot hold become underscores; equal names are numbered.
    """
    found: dict[str, xr.Dataset] = {}
    for path in sorted((folder / FOLDER).glob("*")):
        if path.suffix.lower() != ".las" or not path.is_file():
            continue
        stem = re.sub(r"\W+", "_", path.stem, flags=re.ASCII).strip("_") or "log"
        name, number = stem, 1
        while f"{FOLDER}/{name}" in found:
            number += 1
            name = f"{stem}_{number}"
        content = np.frombuffer(path.read_bytes(), dtype=np.uint8)
        words = {"long_name": "bytes of the file"}
        found[f"{FOLDER}/{name}"] = xr.Dataset(
            {"content": ("byte", content, words)}, attrs={"file": f"{FOLDER}/{path.name}"}
        )
    return found
