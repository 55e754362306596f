"""Reduce a store of readings block by block, by the kernels of the sensors on plain arrays."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.archive.holes import DONE, begin, common_head
from corephys.archive.readings import (
    ARRAYS,
    CHUNK,
    COLUMNS,
    INDEX,
    Rows,
    read_index,
    read_record,
)
from corephys.archive.stores import (
    METADATA,
    Place,
    array_metadata,
    decode,
    encode,
    group_metadata,
    read_metadata,
    sealed_array,
)
from corephys.archive.tasks import Task, ready
from corephys.ground import flags, series, units
from corephys.ground.provenance import FORMAT_VERSION
from corephys.ground.vocabulary import term
from corephys.sensors import gamma, pwave
from corephys.sensors.gamma.chain import Sediment, check_geometry, density_kernel
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "QUANTITIES",
    "block",
    "errors",
    "names",
    "one_hole",
    "prepare",
    "scan_table",
    "scan_tasks",
    "sources",
]

# --------------------------------------------------------------------------------------------------
# The kernels of the sensors on the rows of one hole, without effects and without xarray.
#
# A public function takes milliseconds a call at any size, and a block holds the rows of many holes.
# The arithmetic is that of the sensors' kernels; tests compare the numbers of both ways.


Found = tuple[np.ndarray, np.ndarray, np.ndarray]


def _given(function: Any, choices: Mapping[str, Any], name: str) -> Any:
    """Argument given for a hole, else the default of the public function."""
    return choices[name] if name in choices else function.__kwdefaults__[name]


def gamma_rows(columns: Mapping[str, np.ndarray], choices: Mapping[str, Any]) -> Found:
    """Bulk density, its counting uncertainty and reasons.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        Columns counts, time and elapsed [s], core_diameter and bore [mm], annulus_density and
        grain_density [g/cm^3] (NaN throughout where the hole has none), int64 reason.
    choices : mapping
        Arguments of ``gamma.bulk_density`` for the hole.

    Returns
    -------
    tuple of ndarray
        Density [g/cm^3], its random standard uncertainty [g/cm^3], and int64 reasons.

    Raises
    ------
    ValueError
        When the core is wider than its liner.

    Notes
    -----
    Equations and sources at :func:`corephys.sensors.gamma.bulk_density`.
    """

    def taken(name: str, unit: str) -> Any:
        return units.as_floats(_given(gamma.bulk_density, choices, name), unit, name)

    calibration = choices["calibration"]
    diameter, bore = 0.1 * columns["core_diameter"], 0.1 * columns["bore"]
    check_geometry(diameter, bore)
    grain = columns["grain_density"]
    sediment = Sediment(
        taken("grain_density", "g/cm^3") if np.isnan(grain).all() else grain,
        taken("pore_water_density", "g/cm^3"),
        _given(gamma.bulk_density, choices, "grain_electron_ratio").value,
        _given(gamma.bulk_density, choices, "pore_water_electron_ratio").value,
        _given(gamma.bulk_density, choices, "attenuation_ratio").value,
    )
    intercept, slope = sediment.scale(calibration)
    fluid = sediment.fluid_reading(calibration, columns["annulus_density"])
    rho, u, reason = density_kernel(
        columns["counts"],
        columns["time"],
        columns["elapsed"],
        diameter,
        bore,
        fluid,
        intercept,
        slope,
        *calibration.coefficients,
        dead_time=calibration.dead_time,
        background=calibration.background_rate,
        real_time=calibration.real_time,
        domain=calibration.domain,
        decay_constant=np.log(2.0) / taken("half_life", "s"),
        path=False,
    )
    return rho, u, reason | columns["reason"]


def _pwave_rows(columns: Mapping[str, np.ndarray], choices: Mapping[str, Any]) -> Found:
    """P-wave velocity, its random uncertainty and reasons.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        Columns travel_time [us], thickness [mm], walls, gap [mm], amplitude (NaN throughout where
        the hole has none), int64 reason.
    choices : mapping
        Arguments of ``pwave.velocity`` for the hole.

    Returns
    -------
    tuple of ndarray
        Velocity [m/s], its random standard uncertainty [m/s], and int64 reasons.

    Raises
    ------
    ValueError
        When there is neither a calibration nor a delay.

    Notes
    -----
    Equations and sources at :func:`corephys.sensors.pwave.velocity`.
    """
    calibration = choices.get("calibration")
    if calibration is None:
        raise ValueError(
            "the record of the hole has no calibration of pwave; add standards/pwave.csv and "
            "collect the hole again"
        )
    speed, path, net, reason = pwave.velocity_kernel(
        columns["travel_time"],
        columns["thickness"],
        columns["walls"],
        columns["gap"],
        wall=units.as_floats(choices["wall"], "mm", "wall"),
        delay=calibration.delay,
        liner_delay=calibration.liner_delay,
        gap_velocity=units.as_floats(
            _given(pwave.velocity, choices, "gap_velocity"), "m/s", "gap_velocity"
        ),
    )
    u_thickness, u_time = (
        given_uncertainty(choices.get(name), unit, name)
        for name, unit in (("thickness_uncertainty", "mm"), ("travel_time_uncertainty", "us"))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        random = pwave.random_kernel(speed, path, net, u_thickness, u_time)
    reason = reason | columns["reason"]
    amplitude, gate = columns["amplitude"], choices.get("amplitude_gate")
    if gate is not None and not np.isnan(amplitude).all():
        reason |= pwave.low_amplitude_kernel(amplitude, gate=float(gate))
    return speed, random, reason


# --------------------------------------------------------------------------------------------------
# Reducing a block of rows: by the kernels, or with effects by the public functions.


QUANTITIES = {"gamma": ("density", "bulk_density"), "pwave": ("velocity", "p_wave_velocity")}
_STORE = "reduced.zarr"
_KERNELS = {"gamma": gamma_rows, "pwave": _pwave_rows}
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
            arrays.pop("counts"),
            arrays.pop("time"),
            reason=columns["reason"],
            **arrays,
            **given,
        )
    walls = columns["walls"].astype(int)
    del arrays["walls"]
    same = walls.min() == walls.max()
    liner = _LINER[walls[0]] if same else xr.DataArray(_LINER[walls], dims="reading")
    if "amplitude" not in arrays:
        choices = {key: value for key, value in choices.items() if key != "amplitude_gate"}
    return pwave.velocity(
        arrays.pop("travel_time"),
        arrays.pop("thickness"),
        liner=liner,
        reason=columns["reason"],
        **arrays,
        **choices,
    )


def _with_one_good(sensor: str, columns: dict[str, Any]) -> dict[str, Any]:
    """Rows without a good reading, with one good row added at the end.

    The public function raises an error for a series without a good reading; here the rows may be
    the end of a series that has some.
    """
    good = {"counts": 1e4, "time": 1.0, "core_diameter": 60.0, "bore": 60.0}
    return {
        name: np.append(values, good.get(name, values[-1]))
        if name != "reason"
        else np.append(values, 0)
        for name, values in columns.items()
    }


def _part(sensor: str, columns: dict[str, Any], choices: dict[str, Any]) -> Any:
    lost = sensor == "gamma" and not np.any((columns["counts"] > 0.0) & (columns["time"] > 0.0))
    if not lost:
        return _reduce(sensor, columns, choices)
    return _reduce(sensor, _with_one_good(sensor, columns), choices).isel(reading=slice(0, -1))


def sources(place: Place, index: dict[str, Rows]) -> dict[str, list[str]]:
    """Names of the sources of error of each sensor, from reducing one row of every hole."""
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
    """Write the metadata of the reduced arrays; the blocks write the chunks."""
    for sensor, rows in index.items():
        path, quantity = QUANTITIES[sensor]
        for name, metadata in _arrays(sensor, rows.size, found.get(sensor, [])).items():
            out.put(f"{_STORE}/{path}/{name}/{METADATA}", sealed_array(metadata))
        if found.get(sensor):
            texts = np.array(found[sensor], dtype=object)
            metadata = array_metadata(
                texts.shape, texts.dtype, ("source",), {"long_name": "source of error"}
            )
            out.put(f"{_STORE}/{path}/source/{METADATA}", sealed_array(metadata))
            out.put(f"{_STORE}/{path}/source/c/0", encode(texts, metadata))
        holes = np.array(rows.names, dtype=object)
        for name, values in (("hole", holes), ("row_end", rows.ends)):
            metadata = array_metadata(values.shape, values.dtype, ("hole",), {})
            out.put(f"{_STORE}/{path}/{name}/{METADATA}", sealed_array(metadata))
            out.put(f"{_STORE}/{path}/{name}/c/0", encode(values, metadata))
        attributes = {"quantity": quantity, "coordinates": "depth hole"}
        out.put(f"{_STORE}/{path}/{METADATA}", json.dumps(group_metadata(attributes)).encode())
    head = {"format_version": FORMAT_VERSION}
    out.put(f"{_STORE}/{METADATA}", json.dumps(group_metadata(head)).encode())


def _index_of(out: Place) -> dict[str, Rows]:
    """Rows of each sensor of an archive of scans."""
    found = {}
    for sensor, (path, _) in QUANTITIES.items():
        key = f"{_STORE}/{path}"
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
    """Metadata of the reduced arrays of a sensor."""
    quantity = QUANTITIES[sensor][1]
    entry = term(quantity)
    words, unit = entry.long_name, entry.unit
    kinds: dict[str, tuple[Any, dict[str, Any]]] = {
        quantity: (np.float64, {"units": unit, "long_name": words}),
        f"{quantity}_u_random": (
            np.float32,
            {"units": unit, "long_name": f"random standard uncertainty of {words}"},
        ),
        f"{quantity}_flag": (np.int8, flags.flag_attributes(words)),
        f"{quantity}_reason": (np.int64, flags.reason_attributes(words)),
        "depth": (np.float64, {"units": "m", "long_name": term("depth").long_name}),
    }
    if names:
        kinds[f"{quantity}_u_systematic"] = (
            np.float32,
            {"units": unit, "long_name": f"systematic standard uncertainty of {words}"},
        )
    found = {
        name: array_metadata((size,), np.dtype(dtype), ("reading",), _json_ready(attrs), (CHUNK,))
        for name, (dtype, attrs) in kinds.items()
    }
    if names:
        attrs = {"units": unit, "long_name": f"one-sigma effects on {words} by source"}
        found[f"{quantity}_effects"] = array_metadata(
            (len(names), size),
            np.dtype(np.float32),
            ("source", "reading"),
            attrs,
            (len(names), CHUNK),
        )
    found[quantity]["attributes"]["ancillary_variables"] = " ".join(
        name for name in found if name not in (quantity, "depth")
    )
    return found


def _json_ready(attributes: dict[str, Any]) -> dict[str, Any]:
    return group_metadata(attributes)["attributes"]  # type: ignore[no-any-return]


def block(
    sensor: str,
    number: int,
    size: int,
    parts: list[tuple[str, int, int]],
    readings: Place,
    out: Place,
    names: list[str],
    marker: str,
) -> str:
    """Reduce one block of rows and write its marker, with counts by hole, last.

    Parameters
    ----------
    sensor : str
        ``gamma`` or ``pwave``.
    number : int
        Number of the block.
    size : int
        Number of rows of the sensor in the store.
    parts : list of (str, int, int)
        Holes with rows in the block, each with its first row and the row after its last.
    readings, out : Place
        Store of readings and archive.
    names : list of str
        Sources of error whose effects are kept; empty for none.
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
            except Exception as fault:  # any error of one hole: the others are still reduced
                error = f"{type(fault).__name__}: {fault}"
        holes.append({"hole": hole, "error": error, "rows": [here.start, here.stop]})
    if not names:
        _judge(result, quantity)
    for entry in holes:
        entry |= _counts(result, quantity, slice(*entry.pop("rows")))
    for name, metadata in made.items():
        key = "/".join([_STORE, path, name, "c", *(["0"] if result[name].ndim == 2 else [])])
        out.put(f"{key}/{number}", encode(result[name], metadata))
    out.put(marker, json.dumps(holes).encode())
    return "failed" if any(entry["error"] for entry in holes) else "complete"


def _columns(readings: Place, sensor: str, number: int) -> tuple[dict[str, np.ndarray], str]:
    """Columns of a block, or an error text for a chunk that cannot be read."""
    found = {}
    for name in (*COLUMNS[sensor], "reason"):
        key = f"{ARRAYS}/{sensor}/{name}"
        try:
            metadata = read_metadata(readings, f"{key}/{METADATA}")
            content = readings.get(f"{key}/c/{number}")
            found[name] = decode(content, metadata, f"{key}/c/{number}")
        except FileNotFoundError:
            return {}, f"StoreError: {key}/c/{number} is missing"
        except ValueError as error:
            return {}, f"{type(error).__name__}: {error}"
    return found, ""


def _empty(made: dict[str, dict[str, Any]], quantity: str) -> dict[str, np.ndarray]:
    """Arrays of a block before the reduction: NaN and flags for missing."""
    found = {}
    for name, metadata in made.items():
        shape = metadata["chunk_grid"]["configuration"]["chunk_shape"]
        dtype = np.dtype(metadata["data_type"])
        found[name] = np.full(shape, np.nan if dtype.kind == "f" else 0, dtype)
    found[f"{quantity}_flag"][:] = flags.MISSING
    found[f"{quantity}_reason"][:] = flags.bit("missing_value")
    return found


def _fill(
    result: dict[str, np.ndarray],
    quantity: str,
    here: slice,
    dataset: xr.Dataset,
    names: list[str],
) -> None:
    for name, values in result.items():
        if name == f"{quantity}_effects":
            given = [str(source) for source in dataset["source"].values]
            values[:, here] = 0.0
            for i, source in enumerate(given):
                values[names.index(source), here] = dataset[name].values[i]
        elif name != "depth":
            values[here] = dataset.variables[name].values


def _judge(result: dict[str, np.ndarray], quantity: str) -> None:
    """Flags and range tests of a block, as in the result of a public function."""
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


def _read_rows(out: Place, sensor: str, first: int, end: int) -> xr.Dataset:
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
        The variables of the public function's result that the archive keeps.
    """
    path, _ = QUANTITIES[sensor]
    variables = {}
    for name in out.names(f"{_STORE}/{path}"):
        if name in (METADATA, "hole", "row_end"):
            continue
        key = f"{_STORE}/{path}/{name}"
        metadata = read_metadata(out, f"{key}/{METADATA}")
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


# --------------------------------------------------------------------------------------------------
# Tasks, markers and tables of an archive of reduced scans.


def scan_tasks(readings: Place, out: Place, *, resume: bool, effects: bool) -> list[Task]:
    """Tasks for the blocks that are not finished, or in which a hole failed.

    Parameters
    ----------
    readings : Place
        Store of readings.
    out : Place
        The archive; its lock is held.
    resume : bool
        False reduces all blocks again.
    effects : bool
        Keep effects and systematic uncertainties.

    Returns
    -------
    list of tasks
    """
    index = read_index(readings)
    head = {
        **common_head(),
        "kind": "readings",
        "readings_sha256": hashlib.sha256(readings.get(INDEX)).hexdigest(),
        "effects": effects,
    }
    found = sources(readings, index) if effects else {}
    if begin(out, head, resume=resume, parts=(_STORE,)):
        prepare(out, index, found)
    tasks: list[Task] = []
    for sensor, rows in index.items():
        for number in range(-(-rows.size // CHUNK)):
            marker = f"{DONE}/{sensor}-{number:06d}.json"
            if _finished(out, marker):
                continue
            parts = rows.parts(number * CHUNK, (number + 1) * CHUNK)
            arguments = (
                sensor,
                number,
                rows.size,
                parts,
                readings,
                out,
                found.get(sensor, []),
                marker,
            )
            tasks.append((block, arguments))
    return tasks


def _finished(out: Place, marker: str) -> bool:
    try:
        return not any(entry["error"] for entry in json.loads(out.get(marker)))
    except FileNotFoundError:
        return False


def _markers(out: Place) -> list[tuple[str, dict[str, Any]]]:
    """Entry of every part of a hole, with its sensor, in the order of the rows."""
    found = []
    for file in out.names(DONE):
        sensor = file.partition("-")[0]
        found += [(sensor, entry) for entry in json.loads(out.get(f"{DONE}/{file}"))]
    return found


def errors(out: Place) -> dict[str, str]:
    """Errors by hole, each error once."""
    found: dict[str, list[str]] = {}
    for sensor, entry in _markers(out):
        if entry["error"]:
            texts = found.setdefault(entry["hole"], [])
            text = f"{sensor}: {entry['error']}"
            if text not in texts:
                texts.append(text)
    return {hole: "; ".join(texts) for hole, texts in found.items()}


def names(out: Place) -> list[str]:
    """Holes of an archive of scans whose blocks are all finished, in order."""
    unfinished: set[str] = set()
    order: dict[str, None] = {}
    for sensor, rows in _index_of(out).items():
        order.update(dict.fromkeys(rows.names))
        done = set(out.names(DONE))
        for number in range(-(-rows.size // CHUNK)):
            if f"{sensor}-{number:06d}.json" not in done:
                parts = rows.parts(number * CHUNK, (number + 1) * CHUNK)
                unfinished |= {hole for hole, _, _ in parts}
    return [name for name in order if name not in unfinished]


def one_hole(out: Place, name: str) -> xr.DataTree:
    """The reduced scans of one hole, at the paths that ``reduce`` uses."""
    nodes = {"/": xr.Dataset(attrs={"title": name})}
    for sensor, rows in _index_of(out).items():
        if name in rows.names:
            path = QUANTITIES[sensor][0]
            nodes[f"/properties/{path}"] = _read_rows(out, sensor, *rows.of(name))
    return xr.DataTree.from_dict(nodes)


def scan_table(out: Place) -> pd.DataFrame:
    """Table of the holes: counts of readings, and means of the usable values.

    Parameters
    ----------
    out : Place
        The archive.

    Returns
    -------
    DataFrame
        One row for each hole, in the order of the rows of the store.
    """
    import pandas as pd

    index = _index_of(out)
    means = {
        sensor: f"{QUANTITIES[sensor][1]} [{term(QUANTITIES[sensor][1]).unit}]" for sensor in index
    }
    wrong, finished = errors(out), set(names(out))
    rows: dict[str, dict[str, Any]] = {}
    totals: dict[tuple[str, str], list[float]] = {}
    for sensor, entry in _markers(out):
        row = rows.setdefault(entry["hole"], {"readings": 0, "kept": 0, "missing": 0})
        for key in row:
            row[key] += entry[key]
        total = totals.setdefault((entry["hole"], sensor), [0.0, 0.0])
        total[0] += entry["sum"]
        total[1] += entry["kept"]
    table = []
    for hole, row in rows.items():
        status = "failed" if hole in wrong else "complete" if hole in finished else "unfinished"
        line = {
            "name": hole,
            "status": status,
            "readings": row["readings"],
            "kept": row["kept"],
            "left_out": row["readings"] - row["kept"] - row["missing"],
            "missing": row["missing"],
        }
        for sensor, column in means.items():
            total, count = totals.get((hole, sensor), [0.0, 0.0])
            line[column] = total / count if count else np.nan
        table.append({**line, "error": wrong.get(hole, "")})
    frame = pd.DataFrame(table)
    order = {
        name: i for i, name in enumerate(dict.fromkeys(n for r in index.values() for n in r.names))
    }
    return frame.sort_values("name", key=lambda c: c.map(order), ignore_index=True)
