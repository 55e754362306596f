"""Reduce a block of rows of a store of readings, by the public functions of the sensors."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.archive_kernels import gamma_rows, pwave_rows
from corephys.archive_place import Place
from corephys.archive_readings import (
    ARRAYS,
    CHUNK,
    COLUMNS,
    Rows,
    column_metadata,
    read_record,
)  # fmt: skip
from corephys.archive_run import ready
from corephys.archive_store import (
    METADATA,
    array_metadata,
    decode,
    encode,
    group_metadata,
    read_metadata,
)
from corephys.ground import flags, series
from corephys.ground.provenance import FORMAT_VERSION
from corephys.ground.vocabulary import term
from corephys.sensors import gamma, pwave
from corephys.uncertainty import Measured

__all__ = ["QUANTITIES", "STORE", "block", "index_of", "prepare", "read_rows", "sources"]

QUANTITIES = {"gamma": ("density", "bulk_density"), "pwave": ("velocity", "p_wave_velocity")}
STORE = "reduced.zarr"
_KERNELS = {"gamma": gamma_rows, "pwave": pwave_rows}
_LINER = np.array(["none", "half", "full"], dtype=object)


def _reduce(sensor: str, columns: dict[str, Any], choices: dict[str, Any]) -> Any:
    """The public function of a sensor on some rows of one hole."""
    units = COLUMNS[sensor]
    arrays = {
        name: xr.DataArray(values, dims="reading", attrs={"units": units[name]})
        for name, values in columns.items()
        if name in units and name != "depth"
    }
    for name in ("grain_density", "amplitude"):
        if name in arrays and np.isnan(columns[name]).all():
            del arrays[name]
    if sensor == "gamma":
        given = {key: value for key, value in choices.items() if key not in arrays}
        return gamma.bulk_density(
            arrays.pop("counts"), arrays.pop("time"), reason=columns["reason"],
            **arrays, **given,
        )  # fmt: skip
    walls = columns["walls"].astype(int)
    del arrays["walls"]
    same = walls.min() == walls.max()
    liner = _LINER[walls[0]] if same else xr.DataArray(_LINER[walls], dims="reading")
    if "amplitude" not in arrays:
        choices = {key: value for key, value in choices.items() if key != "amplitude_gate"}
    return pwave.velocity(
        arrays.pop("travel_time"), arrays.pop("thickness"), liner=liner,
        reason=columns["reason"], **arrays, **choices,
    )  # fmt: skip


def _with_one_good(sensor: str, columns: dict[str, Any]) -> dict[str, Any]:
    """A row that counts as a reading, after rows that do not.

    The function refuses a series without one good reading; here it may be the end of a good one.
    """
    good = {"counts": 1e4, "time": 1.0, "core_diameter": 60.0, "bore": 60.0}
    return {
        name: np.append(values, good.get(name, values[-1])) if name != "reason"
        else np.append(values, 0)
        for name, values in columns.items()
    }  # fmt: skip


def _part(sensor: str, columns: dict[str, Any], choices: dict[str, Any]) -> Any:
    lost = sensor == "gamma" and not np.any((columns["counts"] > 0.0) & (columns["time"] > 0.0))
    if not lost:
        return _reduce(sensor, columns, choices)
    return _reduce(sensor, _with_one_good(sensor, columns), choices).isel(reading=slice(0, -1))


def sources(place: Place, index: dict[str, Rows]) -> dict[str, list[str]]:
    """Names of all sources of error of each sensor, from one row of every hole."""
    found = {}
    for sensor, rows in index.items():
        names: set[str] = set()
        for name in rows.names:
            one = {c: np.ones(1) for c in COLUMNS[sensor]} | {"reason": np.zeros(1, np.int64)}
            one |= {"walls": np.zeros(1), "core_diameter": np.full(1, 60.0)}
            one["bore"] = one["core_diameter"]
            choices = read_record(place, name, effects=True)[sensor]
            names |= set(map(str, _reduce(sensor, one, choices)["source"].values))
        found[sensor] = sorted(names)
    return found


def prepare(out: Place, index: dict[str, Rows], found: dict[str, list[str]]) -> None:
    """Write the metadata of the reduced arrays; their chunks come block by block."""
    for sensor, rows in index.items():
        path, quantity = QUANTITIES[sensor]
        for name, metadata in _arrays(sensor, rows.size, found.get(sensor, [])).items():
            out.put(f"{STORE}/{path}/{name}/{METADATA}", json.dumps(metadata).encode())
        if found.get(sensor):
            texts = np.array(found[sensor], dtype=object)
            metadata = array_metadata(
                texts.shape, texts.dtype, ("source",), {"long_name": "source of error"}
            )
            out.put(f"{STORE}/{path}/source/{METADATA}", json.dumps(metadata).encode())
            out.put(f"{STORE}/{path}/source/c/0", encode(texts, metadata))
        holes = np.array(rows.names, dtype=object)
        for name, values in (("hole", holes), ("row_end", rows.ends)):
            metadata = array_metadata(values.shape, values.dtype, ("hole",), {})
            out.put(f"{STORE}/{path}/{name}/{METADATA}", json.dumps(metadata).encode())
            out.put(f"{STORE}/{path}/{name}/c/0", encode(values, metadata))
        attributes = {"quantity": quantity, "coordinates": "depth hole"}
        out.put(f"{STORE}/{path}/{METADATA}", json.dumps(group_metadata(attributes)).encode())
    head = {"format_version": FORMAT_VERSION}
    out.put(f"{STORE}/{METADATA}", json.dumps(group_metadata(head)).encode())


def index_of(out: Place) -> dict[str, Rows]:
    """Rows of each sensor of an archive of scans."""
    found = {}
    for sensor, (path, _) in QUANTITIES.items():
        key = f"{STORE}/{path}"
        if not out.exists(f"{key}/{METADATA}"):
            continue
        parts = [
            decode(
                out.get(f"{key}/{name}/c/0"), read_metadata(out, f"{key}/{name}/{METADATA}"), key
            )
            for name in ("hole", "row_end")
        ]
        found[sensor] = Rows(list(parts[0]), parts[1])
    return found


def _arrays(sensor: str, size: int, names: list[str]) -> dict[str, dict[str, Any]]:
    """Metadata of what a sensor is reduced to."""
    quantity = QUANTITIES[sensor][1]
    entry = term(quantity)
    words, unit = entry.long_name, entry.unit
    kinds: dict[str, tuple[Any, dict[str, Any]]] = {
        quantity: (np.float64, {"units": unit, "long_name": words}),
        f"{quantity}_u_random": (
            np.float32, {"units": unit, "long_name": f"random standard uncertainty of {words}"},
        ),
        f"{quantity}_flag": (np.int8, flags.flag_attributes(words)),
        f"{quantity}_reason": (np.int64, flags.reason_attributes(words)),
        "depth": (np.float64, {"units": "m", "long_name": term("depth").long_name}),
    }  # fmt: skip
    if names:
        kinds[f"{quantity}_u_systematic"] = (
            np.float32, {"units": unit, "long_name": f"systematic standard uncertainty of {words}"},
        )  # fmt: skip
    found = {
        name: array_metadata((size,), np.dtype(dtype), ("reading",), _json_ready(attrs), (CHUNK,))
        for name, (dtype, attrs) in kinds.items()
    }
    if names:
        attrs = {"units": unit, "long_name": f"one-sigma effects on {words} by source"}
        found[f"{quantity}_effects"] = array_metadata(
            (len(names), size), np.dtype(np.float32), ("source", "reading"), attrs,
            (len(names), CHUNK),
        )  # fmt: skip
    found[quantity]["attributes"]["ancillary_variables"] = " ".join(
        name for name in found if name not in (quantity, "depth")
    )
    return found


def _json_ready(attributes: dict[str, Any]) -> dict[str, Any]:
    return group_metadata(attributes)["attributes"]  # type: ignore[no-any-return]


def block(
    sensor: str, number: int, size: int, parts: list[tuple[str, int, int]], readings: Place,
    out: Place, names: list[str], marker: str,
) -> str:  # fmt: skip
    """Reduce one block of rows; its marker, with counts by hole, is written last.

    Parameters
    ----------
    sensor : str
        ``gamma`` or ``pwave``.
    number : int
        Of the block.
    size : int
        Rows of the sensor in the store.
    parts : list of (str, int, int)
        Holes with rows in the block, each with its first row and the one after its last.
    readings, out : Place
        Store of readings and archive.
    names : list of str
        Sources of error to keep the effects of; empty for none.
    marker : str
        Key of the marker.

    Returns
    -------
    str
        ``complete`` or ``failed``.
    """
    ready()
    path, quantity = QUANTITIES[sensor]
    made = _arrays(sensor, size, names)
    start = number * CHUNK
    result = _empty(made, quantity)
    holes: list[dict[str, Any]] = []
    columns, lost = _columns(readings, sensor, number)
    if "depth" in columns:
        result["depth"][:] = columns.pop("depth")
    for hole, first, end in parts:
        here = slice(first - start, end - start)
        error = lost
        if not error:
            part = {name: values[here] for name, values in columns.items()}
            try:
                choices = read_record(readings, hole, effects=bool(names))[sensor]
                if names:
                    _fill(result, quantity, here, _part(sensor, part, choices), names)
                else:
                    found = _KERNELS[sensor](part, choices)
                    for kind, values in zip(("", "_u_random", "_reason"), found, strict=True):
                        result[f"{quantity}{kind}"][here] = values
            except Exception as fault:  # one hole's fault; the others of the block are reduced
                error = f"{type(fault).__name__}: {fault}"
        holes.append({"hole": hole, "error": error, "rows": [here.start, here.stop]})
    if not names:
        _judge(result, quantity)
    for entry in holes:
        entry |= _counts(result, quantity, slice(*entry.pop("rows")))
    for name, metadata in made.items():
        key = "/".join([STORE, path, name, "c", *(["0"] if result[name].ndim == 2 else [])])
        out.put(f"{key}/{number}", encode(result[name], metadata))
    out.put(marker, json.dumps(holes).encode())
    return "failed" if any(entry["error"] for entry in holes) else "complete"


def _columns(readings: Place, sensor: str, number: int) -> tuple[dict[str, np.ndarray], str]:
    """Columns of a block, or what is wrong with its chunks."""
    found = {}
    for name in (*COLUMNS[sensor], "reason"):
        key = f"{ARRAYS}/{sensor}/{name}"
        try:
            content = readings.get(f"{key}/c/{number}")
            found[name] = decode(content, column_metadata(sensor, name, 0), f"{key}/c/{number}")
        except FileNotFoundError:
            return {}, f"StoreError: {key}/c/{number} is missing"
        except ValueError as error:
            return {}, f"{type(error).__name__}: {error}"
    return found, ""


def _empty(made: dict[str, dict[str, Any]], quantity: str) -> dict[str, np.ndarray]:
    """A block in which nothing is known."""
    found = {}
    for name, metadata in made.items():
        shape = metadata["chunk_grid"]["configuration"]["chunk_shape"]
        dtype = np.dtype(metadata["data_type"])
        found[name] = np.full(shape, np.nan if dtype.kind == "f" else 0, dtype)
    found[f"{quantity}_flag"][:] = flags.MISSING
    found[f"{quantity}_reason"][:] = flags.bit("missing_value")
    return found


def _fill(
    result: dict[str, np.ndarray], quantity: str, here: slice, dataset: xr.Dataset,
    names: list[str],
) -> None:  # fmt: skip
    for name, values in result.items():
        if name == f"{quantity}_effects":
            given = [str(source) for source in dataset["source"].values]
            values[:, here] = 0.0
            for i, source in enumerate(given):
                values[names.index(source), here] = dataset[name].values[i]
        elif name != "depth":
            values[here] = dataset.variables[name].values


def _judge(result: dict[str, np.ndarray], quantity: str) -> None:
    """Flags of a block, and what the values themselves show, as every public function has them."""
    measured = Measured(result[quantity], np.nan, {}, result[f"{quantity}_reason"])
    judged = series.build({quantity: measured})
    for kind in ("flag", "reason"):
        result[f"{quantity}_{kind}"] = judged.variables[f"{quantity}_{kind}"].values


def _counts(result: dict[str, np.ndarray], quantity: str, here: slice) -> dict[str, Any]:
    flag = result[f"{quantity}_flag"][here]
    usable = flags.usable(flag)
    values = result[quantity][here][usable]
    return {
        "readings": int(flag.size),
        "kept": int(np.count_nonzero(usable)),
        "missing": int(np.count_nonzero(flag == flags.MISSING)),
        "sum": float(values.sum()),
    }


def read_rows(out: Place, sensor: str, first: int, end: int) -> xr.Dataset:
    """Reduced rows of a sensor.

    Parameters
    ----------
    out : Place
        The archive.
    sensor : str
        ``gamma`` or ``pwave``.
    first, end : int
        Rows.

    Returns
    -------
    Dataset
        As the public function gives it, with what the archive keeps.
    """
    path, _ = QUANTITIES[sensor]
    variables = {}
    for name in out.names(f"{STORE}/{path}"):
        if name in (METADATA, "hole", "row_end"):
            continue
        key = f"{STORE}/{path}/{name}"
        metadata = json.loads(out.get(f"{key}/{METADATA}"))
        dims = tuple(metadata["dimension_names"])
        if dims == ("source",):
            chunks = [decode(out.get(f"{key}/c/0"), metadata, key)]
            offset = 0
        else:
            numbers = range(first // CHUNK, (max(end, first + 1) - 1) // CHUNK + 1)
            middle = "c/0" if len(dims) == 2 else "c"
            chunks = [
                decode(out.get(f"{key}/{middle}/{n}"), metadata, f"{key}/{middle}/{n}")
                for n in numbers
            ]
            offset = numbers[0] * CHUNK
        values = np.concatenate(chunks, axis=-1)
        if "reading" in dims:
            values = values[..., first - offset : end - offset]
        variables[name] = xr.Variable(dims, values, metadata["attributes"])
    coords = {name: variables.pop(name) for name in ("depth", "source") if name in variables}
    return xr.Dataset(variables, coords)
