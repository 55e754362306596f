"""A store of readings: the scans of many holes end to end, collected from hole folders."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys.archive.holes import read
from corephys.archive.stores import (
    METADATA,
    Place,
    StoreError,
    array_metadata,
    encode,
    group_metadata,
    sealed_array,
)
from corephys.ground.constants import Constant
from corephys.ground.provenance import FORMAT_VERSION, UsedConstant
from corephys.reduction.context import Context, Skipped, pore_water_density
from corephys.reduction.run import complete_recipe
from corephys.reduction.stages import gamma as gamma_stage
from corephys.reduction.stages import samples, supplied
from corephys.reduction.stages.gamma import counting_time
from corephys.reduction.stages.scan import elapsed_on, grain_density_for
from corephys.sensors import gamma, pwave
from corephys.sensors.pwave import calibration_stage, fluid_gap
from corephys.sensors.pwave.calibration import wall_count

__all__ = [
    "CHUNK",
    "COLUMNS",
    "Rows",
    "Scan",
    "collect_hole",
    "column_metadata",
    "is_readings",
    "read_index",
    "read_record",
    "write_all",
]

# --------------------------------------------------------------------------------------------------
# Format of a store of readings, for reduction in blocks of rows.
#
# The rows of all holes follow each other in long arrays, so that more holes need neither more files
# nor more memory. Values for a complete hole (calibrations, half-life, walls) are in one record for
# each hole.


CHUNK = 262144  # readings in memory for one task, some 20 MB for gamma
INDEX, ARRAYS = "readings.json", "readings.zarr"
RECORDS, WHOLE_RECORDS = "records", "records_with_standards"
# Columns by sensor with their units. Columns of _OPTIONAL and _DEFAULTS may be absent.
COLUMNS: dict[str, dict[str, str]] = {
    "gamma": {
        "counts": "count",
        "time": "s",
        "elapsed": "s",
        "core_diameter": "mm",
        "bore": "mm",
        "annulus_density": "g/cm^3",
        "grain_density": "g/cm^3",
        "depth": "m",
    },
    "pwave": {
        "travel_time": "us",
        "thickness": "mm",
        "walls": "1",
        "gap": "mm",
        "amplitude": "1",
        "depth": "m",
    },
}
_OPTIONAL = {"grain_density", "amplitude", "depth"}
_DEFAULTS = {"elapsed": 0.0, "annulus_density": 0.0, "gap": 0.0, "walls": 2.0}
_FOR_VALUES = {
    "coefficients",
    "covariance",
    "domain",
    "dead_time",
    "background_rate",
    "real_time",
    "scale",
    "water_density",
    "aluminium_density",
    "water_ratio",
    "aluminium_ratio",
    "delay",
    "liner_delay",
}
_CALIBRATIONS = {"gamma": gamma.Calibration, "pwave": pwave.Calibration}


@dataclass(frozen=True)
class Scan:
    """Readings of one sensor along one hole.

    Parameters
    ----------
    columns : mapping of str to float or ndarray, (n,)
        For ``gamma``: counts, time [s], elapsed [s], core_diameter [mm], bore [mm],
        annulus_density [g/cm^3] and, where known, grain_density [g/cm^3], depth [m]. For
        ``pwave``: travel_time [us], thickness [mm], walls (0, 1 or 2), gap [mm] and, where known,
        amplitude, depth [m].
    choices : mapping of str to anything
        Arguments of ``gamma.bulk_density`` or ``pwave.velocity`` for the complete hole: the
        calibration, constants, and texts such as ``"2.5 mm"``.
    reason : int or ndarray of int64, (n,)
        Reasons of the readings found earlier.
    """

    columns: Mapping[str, Any]
    choices: Mapping[str, Any]
    reason: Any = 0


@dataclass(frozen=True)
class Rows:
    """Rows of a sensor by hole.

    Parameters
    ----------
    names : list of str
        Holes in the order of their rows.
    ends : ndarray of int64
        Row after the last one of each hole.
    """

    names: list[str]
    ends: np.ndarray

    @property
    def size(self) -> int:
        """Number of rows."""
        return int(self.ends[-1]) if self.names else 0

    def parts(self, start: int, stop: int) -> list[tuple[str, int, int]]:
        """Holes with rows in a range, each with its first row and the row after its last."""
        first = int(np.searchsorted(self.ends, start, side="right"))
        found = []
        for number in range(first, len(self.names)):
            begin = int(self.ends[number - 1]) if number else 0
            if begin >= stop:
                break
            if self.ends[number] > begin:
                end = min(int(self.ends[number]), stop)
                found.append((self.names[number], max(begin, start), end))
        return found

    def of(self, name: str) -> tuple[int, int]:
        """First row of a hole and the row after its last."""
        number = self.names.index(name)
        return (int(self.ends[number - 1]) if number else 0), int(self.ends[number])


@dataclass
class _Writer:
    """Writer of a store of readings, hole by hole, with a chunk of each column in memory.

    Parameters
    ----------
    place : Place
        Folder or URL of the store; must be empty.
    """

    place: Place
    names: dict[str, list[str]] = field(default_factory=lambda: {s: [] for s in COLUMNS})
    ends: dict[str, list[int]] = field(default_factory=lambda: {s: [] for s in COLUMNS})
    _chunks: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)
    _seen: set[str] = field(default_factory=set)

    def add(self, name: str, scans: Mapping[str, Scan]) -> None:
        """Add the scans of one hole."""
        if name in self._seen:
            raise ValueError(f"two holes are called {name!r}; give each hole its own name")
        if not name or "/" in name or "\\" in name or name.startswith("."):
            raise ValueError(
                f"{name!r} is not a valid name of a hole; it must not be empty, contain a slash or "
                "begin with a dot"
            )
        self._seen.add(name)
        record: dict[str, Any] = {}
        for sensor, scan in scans.items():
            columns, reason = _checked(name, sensor, scan)
            record[sensor] = _plain_choices(sensor, scan.choices)
            self.names[sensor].append(name)
            done = self.ends[sensor][-1] if self.ends[sensor] else 0
            self.ends[sensor].append(done + reason.size)
            self._append(sensor, done, {**columns, "reason": reason})
        self.place.put(f"{WHOLE_RECORDS}/{name}.json", json.dumps(record).encode())
        self.place.put(f"{RECORDS}/{name}.json", json.dumps(_without_standards(record)).encode())

    def _append(self, sensor: str, done: int, columns: dict[str, np.ndarray]) -> None:
        if sensor not in self._chunks:
            self._chunks[sensor] = {n: np.zeros(CHUNK, c.dtype) for n, c in columns.items()}
        size, taken = columns["reason"].size, 0
        while taken < size:
            at = (done + taken) % CHUNK
            step = min(CHUNK - at, size - taken)
            for name, values in columns.items():
                self._chunks[sensor][name][at : at + step] = values[taken : taken + step]
            taken += step
            if at + step == CHUNK:
                self._flush(sensor, (done + taken) // CHUNK - 1)

    def _flush(self, sensor: str, number: int) -> None:
        for name, values in self._chunks[sensor].items():
            metadata = column_metadata(sensor, name, 0)
            key = f"{ARRAYS}/{sensor}/{name}/c/{number}"
            self.place.put(key, encode(values, metadata))

    def close(self) -> None:
        """Write the last chunks, the metadata, and the index, which completes the store."""
        from corephys import __version__

        rows: dict[str, Any] = {}
        for sensor, columns in self._chunks.items():
            size = self.ends[sensor][-1]
            if size % CHUNK:
                self._flush(sensor, size // CHUNK)
            for name in columns:
                key = f"{ARRAYS}/{sensor}/{name}/{METADATA}"
                self.place.put(key, sealed_array(column_metadata(sensor, name, size)))
            self.place.put(f"{ARRAYS}/{sensor}/{METADATA}", json.dumps(group_metadata({})).encode())
            rows[sensor] = {"holes": self.names[sensor], "ends": self.ends[sensor]}
        head = group_metadata({"format_version": FORMAT_VERSION})
        self.place.put(f"{ARRAYS}/{METADATA}", json.dumps(head).encode())
        index = {
            "format_version": FORMAT_VERSION,
            "corephys_version": __version__,
            "chunk": CHUNK,
            "rows": rows,
        }
        self.place.put(INDEX, json.dumps(index).encode())


def column_metadata(sensor: str, name: str, size: int) -> dict[str, Any]:
    """Metadata of a column of ``size`` rows."""
    if name == "reason":
        attributes, dtype = {"long_name": "reasons found before the reduction"}, np.int64
    else:
        attributes = {"units": COLUMNS[sensor][name], "long_name": name.replace("_", " ")}
        dtype = np.float64
    return array_metadata((size,), np.dtype(dtype), ("reading",), attributes, (CHUNK,))


def _checked(name: str, sensor: str, scan: Scan) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """All columns of a sensor at full length; NaN for those that may be absent."""
    if sensor not in COLUMNS:
        raise ValueError(f"{name}: unknown sensor {sensor!r}; expected {', '.join(COLUMNS)}")
    unknown = [column for column in scan.columns if column not in COLUMNS[sensor]]
    lacking = [
        column
        for column in COLUMNS[sensor]
        if column not in {*scan.columns, *_OPTIONAL, *_DEFAULTS}
    ]
    if unknown or lacking:
        raise ValueError(
            f"{name}, {sensor}: "
            + "; ".join(
                [
                    *(f"there is no column {c!r}" for c in unknown),
                    *(f"the column {c!r} is missing" for c in lacking),
                ]
            )
            + f". The columns are {', '.join(COLUMNS[sensor])}"
        )
    sizes = {np.size(values) for values in scan.columns.values() if np.ndim(values)}
    if len(sizes) != 1:
        raise ValueError(
            f"{name}, {sensor}: the columns have {', '.join(map(str, sorted(sizes))) or 'no'} "
            "values; give each column one value a reading, or a single value for all"
        )
    (size,) = sizes
    full = {}
    for column in COLUMNS[sensor]:
        given = scan.columns.get(column, _DEFAULTS.get(column, np.nan))
        full[column] = np.broadcast_to(np.asarray(given, dtype=float), (size,))
    return full, np.broadcast_to(np.asarray(scan.reason, dtype=np.int64), (size,))


def _plain_choices(sensor: str, choices: Mapping[str, Any]) -> dict[str, Any]:
    found = {}
    for key, value in choices.items():
        if isinstance(value, _CALIBRATIONS[sensor]):
            if getattr(value, "parts", ()):
                raise ValueError(
                    f"{sensor}: a store of readings cannot hold a calibration that changes in "
                    "time; reduce that hole by itself with corephys.reduce"
                )
            found[key] = _plain_calibration(value)
        elif isinstance(value, Constant):
            # All digits, so that the archive reduces to the same numbers.
            found[key] = f"{float(value.value)!r} {value.unit}"
        elif isinstance(value, (str, float, int, bool, type(None))):
            found[key] = value
        else:
            raise TypeError(
                f"{sensor}: the choice {key} is {type(value).__name__}; expected a calibration, a "
                "constant, a text such as '2.5 mm', or a number"
            )
    return found


def _plain_calibration(calibration: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for entry in dataclasses.fields(calibration):
        value = getattr(calibration, entry.name)
        if entry.name == "shifted":
            value = {source: _plain_calibration(other) for source, other in value.items()}
        elif entry.name == "used":
            value = {name: record.to_dict() for name, record in value.items()}
        elif isinstance(value, np.ndarray):
            value = value.tolist()
        found[entry.name] = value
    return found


def _calibration(kind: Any, plain: Mapping[str, Any]) -> Any:
    values: dict[str, Any] = {}
    for entry in dataclasses.fields(kind):
        if entry.name not in plain:
            continue
        value = plain[entry.name]
        if entry.name == "shifted":
            value = {source: _calibration(kind, other) for source, other in value.items()}
        elif entry.name == "used":
            value = {name: UsedConstant(name, **record) for name, record in value.items()}
        elif entry.name in ("domain", "parts"):
            value = tuple(value)
        elif entry.name == "criterion":
            value = {int(order): x for order, x in value.items()}
        elif isinstance(value, list):
            value = np.asarray(value, dtype=object if entry.name == "medium" else float)
        values[entry.name] = value
    return kind(**values)


def is_readings(place: Place) -> bool:
    """Whether a store of readings lies at this place."""
    return place.exists(INDEX)


def read_index(place: Place) -> dict[str, Rows]:
    """Rows of each sensor of a store.

    Parameters
    ----------
    place : Place
        Folder or URL of the store.

    Returns
    -------
    dict of str to Rows

    Raises
    ------
    StoreError
        When a later format or other chunks wrote it.
    """
    index = json.loads(place.get(INDEX))
    version = str(index["format_version"])
    later = not version.isdigit() or int(version) > int(FORMAT_VERSION)
    if later or index["chunk"] != CHUNK:
        raise StoreError(
            f"{place.where} has format_version {version} and chunks of {index['chunk']} readings; "
            f"this package reads versions up to {FORMAT_VERSION} and chunks of {CHUNK}"
        )
    return {
        sensor: Rows(rows["holes"], np.asarray(rows["ends"], dtype=np.int64))
        for sensor, rows in index["rows"].items()
    }


def _without_standards(record: Mapping[str, Any]) -> dict[str, Any]:
    """A record without the standards, which only effects need and which take time to read."""
    short: dict[str, Any] = {}
    for sensor, choices in record.items():
        short[sensor] = dict(choices)
        for key, value in choices.items():
            if isinstance(value, dict):
                short[sensor][key] = {n: v for n, v in value.items() if n in _FOR_VALUES}
    return short


def read_record(place: Place, name: str, *, effects: bool) -> dict[str, dict[str, Any]]:
    """Arguments for a complete hole, by sensor.

    Parameters
    ----------
    place : Place
        Store of readings.
    name : str
        Name of the hole.
    effects : bool
        Whether to read complete calibrations, which effects need.

    Returns
    -------
    dict of str to dict
        Arguments for the public functions of the sensors.
    """
    folder = WHOLE_RECORDS if effects else RECORDS
    record = json.loads(place.get(f"{folder}/{name}.json"))
    for sensor, choices in record.items():
        for key, value in choices.items():
            if isinstance(value, dict):
                choices[key] = _calibration(_CALIBRATIONS[sensor], value)
    return dict(record)


def write_all(place: Place, holes: Iterable[tuple[str, Mapping[str, Scan]]]) -> int:
    """Write a store from an iterable of holes, and return their number."""
    if place.names():
        raise ValueError(f"{place.where} is not empty; give a new folder for the readings")
    writer = _Writer(place)
    count = 0
    for name, scans in holes:
        writer.add(name, scans)
        count += 1
    if not count:
        raise ValueError("no holes were given; a store of readings needs at least one")
    writer.close()
    return count


# --------------------------------------------------------------------------------------------------
# Collecting scans from hole folders, with everything that their reduction needs.


def collect_hole(
    name: str, where: str, options: Mapping[str, Any], recipe: Any, sensors: tuple[str, ...]
) -> dict[str, Scan]:
    """Scans of one hole for a store of readings.

    Parameters
    ----------
    name, where : str
        Name of the hole, and its folder or URL.
    options : mapping
        Options for the file system of a URL.
    recipe : Recipe, mapping or None
        Recipe or changes, see ``reduce``.
    sensors : tuple of str
        ``gamma``, ``pwave`` or both.

    Returns
    -------
    dict of str to Scan
        Scans by sensor.

    Raises
    ------
    ValueError
        When the hole has none of the scans, or a calibration that a store cannot hold.

    Notes
    -----
    Calibrations, geometry and grain density are those of the stages of ``reduce``.
    """
    hole = read(where, options)
    context = Context(hole, complete_recipe(hole, recipe))
    found: dict[str, Scan] = {}
    lacking: list[str] = []
    with suppress(Skipped):
        samples.index_properties(context)
    supplied.index_properties(context)
    supplied.reported_values(context)
    for sensor in sensors:
        try:
            found[sensor] = _gamma(context) if sensor == "gamma" else _pwave(context)
        except Skipped as reason:
            lacking.append(f"{sensor}: {reason}")
    if not found:
        raise ValueError(
            "no sensor of the hole can be collected; add what is missing for one of them. "
            + "; ".join(lacking)
        )
    return found


def _gamma(context: Context) -> Scan:
    gamma_stage.gamma_calibration(context)
    table, keys = context.every_row("scan/gamma"), context.recipe["gamma"]
    fits = context.objects["gamma_calibrations"]
    if len(fits) > 1:
        raise ValueError(
            f"{context.hole.attrs.get('title', 'the hole')}: gamma is calibrated by {len(fits)} "
            "sets in time, which a store of readings cannot hold; collect with the recipe "
            "{'gamma': {'calibrations': 'together'}}, or reduce that hole with corephys.reduce"
        )
    diameter, bore, fluid = context.geometry(table)
    elapsed = elapsed_on(table, context.objects["gamma_reference"])
    columns = {
        "counts": table["counts"].values,
        "time": counting_time(table, keys["time"]).values,
        "elapsed": 0.0 if elapsed is None else elapsed,
        "core_diameter": diameter,
        "bore": bore,
        "annulus_density": fluid,
        "depth": table["depth"].values,
    }
    choices = {
        "calibration": next(iter(fits.values())),
        "half_life": keys["half_life"],
        "core_diameter_uncertainty": keys["core_diameter_uncertainty"],
        "grain_density_uncertainty": keys["grain_density_uncertainty"],
        "pore_water_density": pore_water_density(context.recipe, "porosity"),
    }
    grain = grain_density_for(context, table)
    if isinstance(grain, xr.Dataset):
        columns["grain_density"] = grain["grain_density"].values
    else:
        choices["grain_density"] = grain
    return Scan(columns, choices, _reason(table))


def _pwave(context: Context) -> Scan:
    calibration_stage(context)
    table, keys = context.every_row("scan/pwave"), context.recipe["pwave"]
    calibration = context.objects["pwave_calibration"]
    if keys["pick"] != "table" and context.optional("scan/pwave_waveforms") is not None:
        raise Skipped(
            f"[pwave] pick = {keys['pick']!r} takes times from waveforms; a store of readings has "
            "only those of the table. Set [pwave] pick = 'table'"
        )
    if calibration is None:
        raise Skipped("a store of readings needs the P-wave standards; [pwave] delay is not enough")
    liner = context.section_values(table, "liner", "full")
    columns = {
        "travel_time": table["travel_time"].values,
        "thickness": table["thickness"].values,
        "walls": wall_count(liner),
        "gap": fluid_gap(context, table, liner),
        "depth": table["depth"].values,
    }
    if "amplitude" in table:
        columns["amplitude"] = table["amplitude"].values
    choices = {
        "calibration": calibration,
        "wall": context.recipe["liner"]["wall"],
        "core_diameter_uncertainty": keys["core_diameter_uncertainty"],
        "thickness_uncertainty": keys["thickness_uncertainty"],
        "travel_time_uncertainty": keys["travel_time_uncertainty"],
        "amplitude_gate": float(keys["amplitude_gate"]),
    }
    return Scan(columns, choices, _reason(table))


def _reason(table: xr.Dataset) -> Any:
    return table["reason"].values if "reason" in table else np.int64(0)
