"""Records of temperature stations: tables read, penetration found, bottom water, fitted curve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.downhole.temperature import decay, motion
from corephys.downhole.temperature import responses as formation_response
from corephys.ground import companions, constants, flags, mixing, series, thresholds, units
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    import pandas as pd

    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["bottom_water_temperature", "fitted_decay", "penetration_time"]

# --------------------------------------------------------------------------------------------------
# Input of the fits, from the tables: records, probes and conductivities.


_C = constants.CONSTANTS
_PAUSE = thresholds.value("record_pause")
MOST = thresholds.count("record_most_samples")
# Constants of the mixing laws, which replace a heat capacity that is not given.
MIXED = ("grain_conductivity", "water_conductivity", "grain_heat_capacity", "water_heat_capacity")
_NONE = ("", "nan", "None")  # spellings of an empty cell in a text column


@dataclass
class Record:
    """Samples of one station in order of time.

    Parameters
    ----------
    time, temperature : ndarray
        Time since penetration [s] and temperature [degC].
    doubled : bool
        Whether a time occurs twice.
    taken : int
        Samples in each mean that stands for a sample of a long record, 1 for any other record.
    """

    time: np.ndarray
    temperature: np.ndarray
    doubled: bool = False
    taken: int = 1


@dataclass
class Prepared:
    """Input of the fits of all stations, as plain numbers.

    Parameters
    ----------
    records : list of Record
        Record of each station.
    probes : list of Probe
        Probe of each station.
    conductivity : Measured
        Conductivity of the sediment at the stations [W/(m K)].
    own, u_own : ndarray, (station,)
        Heat capacity of the tool and its uncertainty [J/(m K)].
    mixed : bool
        Whether the heat capacity of the sediment follows from the conductivity.
    usable : ndarray of bool, (station,)
        Whether all numbers of the probe are known.
    """

    records: list[Record]
    probes: list[decay.Probe]
    conductivity: Measured
    own: np.ndarray
    u_own: np.ndarray
    mixed: bool
    usable: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))


def prepare(
    table: xr.Dataset,
    stations: xr.Dataset,
    tools: xr.Dataset,
    *,
    conductivity: Measurement | str | None,
    conductivity_uncertainty: Scalar | None,
    volumetric_heat_capacity: Dimensional | None,
    responses: Mapping[str, xr.Dataset | pd.DataFrame] | None,
) -> Prepared:
    """Read the tables; arguments as those of the public functions."""
    require(table, ("station", "time", "temperature"), "formation_temperature")
    require(stations, ("station", "tool", "depth"), "stations")
    require(tools, ("tool", "radius", "heat_capacity"), "tools")
    number = stations["station"].size
    k = _conductivity(conductivity, conductivity_uncertainty, stations)
    values_k = np.broadcast_to(np.asarray(k.values, dtype=float), (number,))
    capacity = sediment_heat_capacity(volumetric_heat_capacity, values_k)
    radius, own, u_own = _tools(stations, tools)
    curves = _responses(stations, tools, responses or {})
    probes = [
        decay.Probe(radius[i], own[i], values_k[i], capacity[i], curves[i]) for i in range(number)
    ]
    numbers = np.stack([radius, own, values_k, capacity])
    # The decay of a cylinder is defined for positive numbers only; a station without them is
    # flagged instead of stopping the other stations.
    usable = np.isfinite(numbers).all(axis=0) & (numbers > 0).all(axis=0)
    return Prepared(
        _records(table, stations), probes, k, own, u_own, volumetric_heat_capacity is None, usable
    )


def rows_of(table: xr.Dataset, name: str, *, water: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Time [s] and temperature [degC] of a station in order of time, without bad rows."""
    time = np.asarray(units.as_floats(table["time"], "s", "time"), dtype=float)
    temperature = np.asarray(
        units.as_floats(table["temperature"], "degC", "temperature"), dtype=float
    )
    use = np.isfinite(time) & np.isfinite(temperature)
    use &= table["station"].values.astype(str) == name
    if "kind" in table and not water:
        use &= table["kind"].values.astype(str) != "bottom_water"
    if "flag" in table:
        use &= table["flag"].values <= flags.SUSPECT
    rows = np.flatnonzero(use)
    rows = rows[np.argsort(time[rows], kind="stable")]
    return time[rows], temperature[rows]


def found_times(time: np.ndarray, values: np.ndarray, *, ends: bool = True) -> Found | None:
    """Penetration and pull-out from a complete record; None where no pulse is a penetration."""
    pulses = motion.find_pulses(time, values)
    chosen = motion.penetration(time, values, pulses)
    if chosen is None:
        return None
    pulse = pulses[chosen]
    usual = float(np.median(np.diff(time)))
    gap = float(time[pulse.before + 1] - time[pulse.before])
    # After a pause of the logger the first sample already lies in the pulse. The pulse then began
    # within one usual interval before that sample, and not anywhere in the pause.
    back = usual if gap > _PAUSE * usual else gap
    stop = motion.pull_out(time, values, pulses, chosen, ends=ends)
    # The onset lies evenly between two samples: their middle, with a deviation of gap / sqrt(12).
    return Found(
        float(time[pulse.before + 1]) - 0.5 * back,
        gap / np.sqrt(12.0),
        pulse.rise,
        float("nan") if stop is None else float(time[stop]),
        len(pulses),
    )


@dataclass(frozen=True)
class Found:
    """Times found in a record.

    Parameters
    ----------
    start, u_start : float
        Onset of the friction pulse of the penetration and its standard uncertainty [s].
    rise : float
        Rise of that pulse [K].
    end : float
        Last sample before the pull-out [s]; NaN where the record stops before it.
    pulses : int
        Number of pulses in the complete record.
    """

    start: float
    u_start: float
    rise: float
    end: float
    pulses: int


def _records(table: xr.Dataset, stations: xr.Dataset) -> list[Record]:
    """Records of all stations, from the penetration to the end or the pull-out."""
    begin, end = (
        np.asarray(units.as_floats(stations[name], "s", name), dtype=float)
        if name in stations
        else np.full(stations["station"].size, np.nan)
        for name in ("penetration_time", "end_time")
    )
    records = []
    for i, name in enumerate(stations["station"].values.astype(str)):
        t, y = rows_of(table, name)
        inside = ~(t > end[i])
        start, stop = begin[i], end[i]
        if np.isnan(start) or np.isnan(stop):
            found = found_times(*rows_of(table, name, water=True))
            if found is not None:
                start = found.start if np.isnan(start) else start
                stop = found.end if np.isnan(stop) else stop
        inside &= ~(t > stop)
        t, y = t[inside], y[inside]
        if np.isnan(start) and t.size:
            # Friction warms the probe at once, so the hottest reading is the first after it.
            start = t[int(np.argmax(y))]
        after = t > start
        t, y = t[after] - start, y[after]
        records.append(_bounded(Record(t, y, bool(np.any(np.diff(t) <= 0)))))
    return records


def _bounded(record: Record) -> Record:
    """A record, or means of neighbouring samples of one that has more than ``MOST``.

    The means are of equally many samples, so that they have the same noise; only the first one,
    right after the penetration, may be of fewer. They lie so close that the bend of the decay
    within one of them cannot be seen.
    """
    taken = -(-record.time.size // MOST)
    if taken <= 1:
        return record
    first = np.append(0, np.arange(record.time.size % taken or taken, record.time.size, taken))
    many = np.diff(np.append(first, record.time.size))
    time, temperature = (
        np.add.reduceat(part, first) / many for part in (record.time, record.temperature)
    )
    return Record(time, temperature, record.doubled, taken)


def _responses(
    stations: xr.Dataset, tools: xr.Dataset, responses: Mapping[str, xr.Dataset | pd.DataFrame]
) -> list[formation_response.Response | None]:
    """Response table of the tool of each station; None for a tool that is a cylinder."""
    wanted = stations["tool"].values.astype(str)
    if "response_table" not in tools:
        return [None] * wanted.size
    named = dict(
        zip(
            tools["tool"].values.astype(str),
            tools["response_table"].values.astype(str),
            strict=True,
        )
    )
    read: dict[str, formation_response.Response] = {}
    for tool in sorted(set(wanted)):
        name = str(named[tool])
        if name in _NONE or name in read:
            continue
        if name not in responses:
            given = ", ".join(sorted(responses)) or "none"
            raise ValueError(
                f"tool {tool} has the response table {name!r}, and responses= holds {given}; "
                f"give responses={{{name!r}: table}}"
            )
        read[name] = formation_response.response(responses[name], name)
    return [read.get(named[tool]) for tool in wanted]


def require(table: xr.Dataset, names: tuple[str, ...], what: str) -> None:
    """Raise an error for a table that lacks a column."""
    lacking = [name for name in names if name not in table]
    if lacking:
        raise ValueError(
            f"the table {what} has no {', '.join(lacking)}; it needs {', '.join(names)}"
        )


def _conductivity(
    given: Measurement | str | None, uncertainty_given: Scalar | None, stations: xr.Dataset
) -> Measured:
    """Conductivity at the stations; a given relative uncertainty is independent between them."""
    if given is None:
        if "conductivity" not in stations:
            raise ValueError(
                "no conductivity is given; give conductivity= in W/(m K), or a column of that name "
                "in stations"
            )
        given = stations["conductivity"]
    k = series.unpack(given, "thermal_conductivity")
    relative = units.as_floats(uncertainty_given, "1", "conductivity_uncertainty", optional=True)
    values = np.asarray(k.values, dtype=float)
    if values.ndim and values.size != stations["station"].size:
        raise ValueError(
            f"{values.size} conductivities for {stations['station'].size} stations; give one for "
            "each station, or one for all"
        )
    k.values = values
    if relative is not None:
        k.u_random = values * relative
    return k


def sediment_heat_capacity(given: Dimensional | None, conductivity: np.ndarray) -> np.ndarray:
    """Volumetric heat capacity [J/(m^3 K)], given or from the conductivity by mixing laws."""
    if given is not None:
        capacity = units.as_floats(given, "J/(m^3 K)", "volumetric_heat_capacity")
        return np.broadcast_to(np.asarray(capacity, dtype=float), conductivity.shape)
    grain, water = _C["grain_conductivity"].value, _C["water_conductivity"].value
    # The porosity at which the geometric mean of grains and water has this conductivity.
    with np.errstate(divide="ignore", invalid="ignore"):
        porosity = np.log(grain / conductivity) / np.log(grain / water)
    return np.asarray(1e6 * mixing.volumetric_heat_capacity.kernel(np.clip(porosity, 0.0, 1.0)))


def _tools(stations: xr.Dataset, tools: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Radius [m], heat capacity and its uncertainty [J/(m K)] of the tool of each station."""
    names = [str(name) for name in tools["tool"].values]
    wanted = [str(name) for name in stations["tool"].values]
    absent = sorted(set(wanted) - set(names))
    if absent:
        raise ValueError(
            f"the table tools has no {', '.join(absent)}, which stations names; it has "
            f"{', '.join(names)}"
        )
    rows = np.array([names.index(name) for name in wanted], dtype=int)
    radius = np.asarray(units.as_floats(tools["radius"], "m", "radius"))[rows]
    unit = "J/(m K)"
    own = np.asarray(units.as_floats(tools["heat_capacity"], unit, "heat_capacity"))[rows]
    u_own = np.full(rows.size, np.nan)
    if "u_heat_capacity" in tools:
        u_own = np.asarray(units.as_floats(tools["u_heat_capacity"], unit, "u_heat_capacity"))[rows]
    return radius, own, u_own


# --------------------------------------------------------------------------------------------------
# Times of penetration and pull-out, from the record itself.


def penetration_time(table: xr.Dataset, stations: xr.Dataset | None = None) -> xr.Dataset:
    """Times of penetration and pull-out of every station, from its friction pulses.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC]; all rows are used, whatever their ``kind``.
    stations : Dataset, optional
        Table with the column station, which selects and orders the stations. All stations of
        ``table`` in their order if not given.

    Returns
    -------
    Dataset, (reading)
        ``penetration_time`` and ``penetration_time_uncertainty`` [s], ``friction_rise`` [K],
        ``end_time`` [s], the last sample before the pull-out, NaN where the record stops before
        it, ``pulse_count`` [1], and ``penetration_time_reason``, ``missing_value`` where no pulse
        is a penetration.

    Raises
    ------
    ValueError
        When a column is missing.

    Notes
    -----
    Common practice, no source. A pulse is a rise of neighbouring samples, or of the means of four
    on either side, of five deviations, that stays. The penetration is the first pulse after which
    the probe cooled for a seventh of the longest stay or longer and did not come back to the
    temperature before it. Its onset lies between the last sample before the rise and the first
    in it: the middle, with the standard uncertainty of an even distribution. The pull-out is a
    later pulse after which the temperature falls below what conduction allows, or one within a
    minute of the end, or such a fall alone.
    """
    require(table, ("station", "time", "temperature"), "formation_temperature")
    if stations is None:
        names = list(dict.fromkeys(table["station"].values.astype(str)))
    else:
        require(stations, ("station",), "stations")
        names = list(stations["station"].values.astype(str))
    columns = np.full((4, len(names)), np.nan)
    count, reason = np.zeros(len(names), int), np.zeros(len(names), np.int64)
    for i, name in enumerate(names):
        found = found_times(*rows_of(table, name, water=True))
        if found is None:
            reason[i] = flags.bit("missing_value")
            continue
        columns[:, i] = found.start, found.u_start, found.rise, found.end
        count[i] = found.pulses
    words = {
        "penetration_time": ("s", "onset of the friction pulse of the penetration"),
        "penetration_time_uncertainty": ("s", "standard uncertainty of the penetration time"),
        "friction_rise": ("K", "rise of the friction pulse"),
        "end_time": ("s", "last sample before the pull-out"),
    }
    dataset = xr.Dataset(coords={"station": ("reading", np.array(names, dtype=object))})
    for (variable, (unit, text)), values in zip(words.items(), columns, strict=True):
        dataset[variable] = ("reading", values, {"units": unit, "long_name": text})
    dataset["pulse_count"] = ("reading", count, {"units": "1", "long_name": "pulses in the record"})
    dataset["penetration_time_reason"] = (
        "reading",
        reason,
        flags.reason_attributes("penetration time"),
    )
    return dataset


# --------------------------------------------------------------------------------------------------
# Temperature of the bottom water, from the stops of a probe at the seafloor.


STABLE = thresholds.value("bottom_water_deviations")


def bottom_water_temperature(
    table: xr.Dataset, *, thermometer_uncertainty: Scalar | None = None
) -> xr.Dataset:
    """Temperature of the bottom water while the probe stood still at the seafloor.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC] and ``kind``; rows of the kind
        ``bottom_water`` are used.
    thermometer_uncertainty : Quantity or str, optional
        Uncertainty of the calibration of the probe [K]: effect ``thermometer``, the same error as
        that of the formation temperatures. NaN if not given.

    Returns
    -------
    Dataset
        ``bottom_water_temperature`` [degC], mean over the stations of the median of the coldest
        stable readings, and ``stations_used``.

    Raises
    ------
    ValueError
        When no row has the kind ``bottom_water``.

    Notes
    -----
    Common practice, no source: readings within five deviations of the coldest belong to the stop.
    The random uncertainty is that of the mean over stations, NaN with one station.
    """
    require(table, ("station", "time", "temperature"), "formation_temperature")
    kind = table["kind"].values.astype(str) if "kind" in table else np.array([])
    if not np.any(kind == "bottom_water"):
        raise ValueError(
            "no row has the kind bottom_water; mark the stops at the seafloor in the column kind"
        )
    temperature = np.asarray(
        units.as_floats(table["temperature"], "degC", "temperature"), dtype=float
    )
    use = (kind == "bottom_water") & np.isfinite(temperature)
    station = table["station"].values.astype(str)
    stops = []
    for name in np.unique(station[use]):
        y = temperature[use & (station == name)]
        # Differences of neighbours give the noise also while the probe moves through the water.
        # The floor of 1 mK keeps a record of few distinct values from selecting one reading.
        noise = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2.0) if y.size > 2 else 0.0
        stops.append(np.median(y[y <= y.min() + STABLE * max(noise, 1e-3)]))
    mean = float(np.mean(stops))
    u = float(np.std(stops, ddof=1) / np.sqrt(len(stops))) if len(stops) > 1 else float("nan")
    thermometer = given_uncertainty(thermometer_uncertainty, "K", "thermometer_uncertainty")
    dataset = series.build(
        {"bottom_water_temperature": Measured(mean, u, {"thermometer": thermometer})},
        steps=("median of the coldest stable readings at the seafloor, mean over stations",),
    )
    dataset["stations_used"] = ((), len(stops), {"units": "1", "long_name": "stations in the mean"})
    return dataset


# --------------------------------------------------------------------------------------------------
# The decay that was fitted to a station, beside its record.


def fitted_decay(
    table: xr.Dataset,
    station: xr.Dataset,
    tools: xr.Dataset,
    result: xr.Dataset,
    *,
    volumetric_heat_capacity: Dimensional | None = None,
    responses: Mapping[str, xr.Dataset | pd.DataFrame] | None = None,
) -> xr.Dataset:
    """Record of a station and the decay that was fitted to it.

    Parameters
    ----------
    table, tools : Dataset, (row)
        Tables as for :func:`corephys.downhole.temperature.equilibrium_temperature`.
    station : Dataset, (row)
        Table of stations, with the one row of this station.
    result : Dataset
        Result of that function for the station, without a dimension.
    volumetric_heat_capacity, responses
        Arguments that were given to that function, [MJ/(m^3 K)] and tables.

    Returns
    -------
    Dataset, (sample)
        ``time`` [s] since penetration, ``temperature`` [degC] and ``fit`` [degC], also outside of
        the window; NaN where nothing was fitted or the decay had not begun.

    Raises
    ------
    ValueError
        When a column is missing, or the tool of the station is not in ``tools``.

    Notes
    -----
    T = Ta + A F(alpha, kappa (t - s) / a^2): Bullard (1954), Proceedings of the Royal Society A
    222, 408.
    """
    result = companions.library_units(
        result, {"conductivity": "W/(m K)", "amplitude": "K", "time_shift": "s"}
    )
    conductivity = result["conductivity"].expand_dims("row")
    prepared = prepare(
        table,
        station,
        tools,
        conductivity=conductivity,
        conductivity_uncertainty=None,
        volumetric_heat_capacity=volumetric_heat_capacity,
        responses=responses,
    )
    record, probe = prepared.records[0], prepared.probes[0]
    level, first = float(result["equilibrium_temperature"]), float(result["amplitude"])
    since = record.time - float(result["time_shift"])
    fit = np.full(since.shape, np.nan)
    begun = since > 0.0
    if bool(prepared.usable[0]) and np.isfinite(level) and begun.any():
        fit[begun] = level + first * probe.shape(since[begun]).value
    columns = {
        "time": (record.time, "s", "time since penetration"),
        "temperature": (record.temperature, "degC", "temperature of the probe"),
        "fit": (fit, "degC", "fitted decay"),
    }
    return xr.Dataset(
        {
            name: ("sample", np.asarray(values), {"units": unit, "long_name": words})
            for name, (values, unit, words) in columns.items()
        }
    )
