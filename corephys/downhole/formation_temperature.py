"""Formation temperature from the cooling of a probe that friction has warmed.

The order of the work: time of penetration, heat capacities, the decay of a perfectly conducting
cylinder fitted for equilibrium temperature, first excess and start of the decay, and what the
conductivity and the heat capacities would change.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import constants, flags, mixing, series, units
from corephys.downhole import formation_decay
from corephys.numerics import cylinder
from corephys.uncertainty import Measured

__all__ = ["bottom_water_temperature", "decay_function", "equilibrium_temperature"]

_C = constants.CONSTANTS
LARGEST_REST = 0.10  # of the first excess at the end of a record (from memory)
WEAKEST = 10.0  # fall in the window over the noise, below which nothing decays (no source)
STABLE = 5.0  # deviations about the coldest reading that belong to the stop (no source)


def decay_function(alpha: float | np.ndarray, tau: float | np.ndarray) -> Any:
    """Part of the first excess temperature that a cooling cylinder still has.

    Parameters
    ----------
    alpha : float or ndarray
        2 pi a^2 rho c / S, twice the heat capacity of the displaced sediment over that of the
        probe, dimensionless.
    tau : float or ndarray
        kappa t / a^2, dimensionless.

    Returns
    -------
    float or ndarray
        F(alpha, tau), a fraction.

    Raises
    ------
    ValueError
        For alpha that is not positive or a negative tau.

    Notes
    -----
    Bullard (1954), Proceedings of the Royal Society A 222, 408; see
    :func:`corephys.numerics.cylinder.decay`.

    Examples
    --------
    >>> round(decay_function(2.0, 1.0), 9)
    0.166276784
    """
    return cylinder.decay(alpha, tau)


def equilibrium_temperature(
    table: xr.Dataset, stations: xr.Dataset, tools: xr.Dataset, *, conductivity: Any = None,
    conductivity_uncertainty: Any = None, volumetric_heat_capacity: Any = None,
    heat_capacity_uncertainty: Any = None, thermometer_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Temperature that a probe would have reached at every station.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC]; rows whose ``kind`` is ``bottom_water`` are
        left out.
    stations : Dataset, (row)
        Columns station, tool, depth [m]; where there are penetration_time [s], end_time [s] and
        conductivity [W/(m K)], they are used.
    tools : Dataset, (row)
        Columns tool, radius [mm], heat_capacity [J/(m K)]; where there is u_heat_capacity [J/(m
        K)], it gives the effect ``tool_heat_capacity``.
    conductivity : Dataset, DataArray, Quantity or str, optional
        Of the sediment at each station [W/(m K)]; the column of ``stations`` without it. A
        Dataset brings its uncertainties and effects along.
    conductivity_uncertainty : Quantity or str, optional
        Relative, such as ``"5 %"``, each station's own: part of the random uncertainty. Unknown
        gives NaN, unless ``conductivity`` is a Dataset.
    volumetric_heat_capacity : DataArray, Quantity or str, optional
        Of the sediment [MJ/(m^3 K)]; by mixing laws from the conductivity without it.
    heat_capacity_uncertainty : Quantity or str, optional
        Relative: effect ``heat_capacity``. Unknown gives NaN.
    thermometer_uncertainty : Quantity or str, optional
        Of the probe's calibration [K]: effect ``thermometer``. Unknown gives NaN.

    Returns
    -------
    Dataset, (reading)
        One reading a station: ``equilibrium_temperature`` [degC] with uncertainty, effects and
        flags; ``amplitude`` [K], ``time_shift`` [s], ``conductivity`` [W/(m K)],
        ``conductivity_sensitivity`` [K/(W/(m K))], ``extrapolated_fraction`` [1], the part of the
        first excess left at the end, ``residual_deviation`` [K], ``window_start`` and
        ``window_end`` [s] since penetration.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When a column is missing, a station's tool is not among the tools, or no conductivity is
        given.

    Notes
    -----
    T = Ta + A F(alpha, kappa (t - s) / a^2), alpha = 2 pi a^2 rho c / S: Bullard (1954),
    Proceedings of the Royal Society A 222, 408. Ta, A and s are free; the conductivity is not,
    since it and Ta can hardly be told apart: ``conductivity_sensitivity`` is dTa/dk. Without
    ``volumetric_heat_capacity`` the porosity that gives the conductivity as the geometric mean of
    grains and water (Woodside and Messmer 1961) gives the heat capacity by volume.
    """
    _require(table, ("station", "time", "temperature"), "formation_temperature")
    _require(stations, ("station", "tool", "depth"), "stations")
    _require(tools, ("tool", "radius", "heat_capacity"), "tools")
    number = stations["station"].size
    k = _conductivity(conductivity, conductivity_uncertainty, stations)
    values_k = np.broadcast_to(np.asarray(k.values, dtype=float), (number,))
    capacity = _sediment_heat_capacity(volumetric_heat_capacity, values_k)
    radius, own, u_own = _tools(stations, tools)
    records = _records(table, stations)
    decays: list[formation_decay.Decay | None] = []
    reason = np.zeros(number, np.int64)
    for i, (time, temperature) in enumerate(records):
        probe = formation_decay.Probe(radius[i], own[i], values_k[i], capacity[i])
        usable = bool(np.isfinite([radius[i], own[i], values_k[i], capacity[i]]).all())
        decay, whole = (None, True)
        if usable and time.size >= formation_decay.FEWEST:
            decay, whole = formation_decay.choose(time, temperature, probe)
        decays.append(decay)
        reason[i] = _reason(decay, whole, time, usable)
    if "reason" in stations:
        reason |= stations["reason"].values.astype(np.int64)
    relative = units.as_floats(
        heat_capacity_uncertainty, "1", "heat_capacity_uncertainty", optional=True
    )
    thermometer = units.as_floats(
        thermometer_uncertainty, "K", "thermometer_uncertainty", difference=True, optional=True
    )
    by_k = _each(decays, "by_conductivity")
    found = _along(_each(decays, "temperature"), stations)
    random = np.sqrt(_each(decays, "variance") + (by_k * np.asarray(k.u_random)) ** 2)
    known = np.isfinite(found.values)
    effects = {
        "heat_capacity": _each(decays, "by_sediment") * _or_nan(relative),
        "tool_heat_capacity": _each(decays, "by_probe") * u_own / own,
        "thermometer": np.where(known, _or_nan(thermometer), np.nan),
    }
    for source, effect in k.effects.items():
        effects[source] = effects.get(source, 0.0) + by_k * np.asarray(effect)
    dataset = series.build(
        {"equilibrium_temperature": Measured(found, random, effects, reason)},
        steps=_STEPS,
        constants={
            "volumetric_heat_capacity": "by mixing laws from the conductivity"
            if volumetric_heat_capacity is None else "given",
        },
    )  # fmt: skip
    return _attach(dataset, decays, records, values_k)


_STEPS = (
    "time since penetration",
    "T = Ta + A F(alpha, kappa (t - s) / a^2) over the longest window with white residuals "
    "(Bullard 1954)",
    "uncertainty from the residuals, the conductivity, both heat capacities and the thermometer",
)


def _or_nan(value: Any) -> Any:
    return float("nan") if value is None else value


def _require(table: xr.Dataset, names: tuple[str, ...], what: str) -> None:
    lacking = [name for name in names if name not in table]
    if lacking:
        raise ValueError(f"the table {what} has no {', '.join(lacking)}")


def _conductivity(given: Any, uncertainty_given: Any, stations: xr.Dataset) -> Measured:
    """Conductivity at the stations; a stated relative uncertainty is each station's own."""
    if given is None:
        if "conductivity" not in stations:
            raise ValueError(
                "no conductivity: give conductivity=..., in W/(m K), or a column of that name in "
                "stations"
            )
        given = stations["conductivity"]
    k = series.unpack(given, "thermal_conductivity")
    relative = units.as_floats(uncertainty_given, "1", "conductivity_uncertainty", optional=True)
    values = np.asarray(k.values, dtype=float)
    if values.ndim and values.size != stations["station"].size:
        raise ValueError(
            f"{values.size} conductivities for {stations['station'].size} stations; give one each"
        )
    k.values = values
    if relative is not None:
        k.u_random = values * relative
    return k


def _sediment_heat_capacity(given: Any, conductivity: np.ndarray) -> np.ndarray:
    """Volumetric heat capacity [J/(m^3 K)], given or from the conductivity by mixing laws."""
    if given is not None:
        stated = units.as_floats(given, "J/(m^3 K)", "volumetric_heat_capacity")
        return np.broadcast_to(np.asarray(stated, dtype=float), conductivity.shape)
    grain, water = _C["grain_conductivity"].value, _C["water_conductivity"].value
    with np.errstate(divide="ignore", invalid="ignore"):
        porosity = np.log(grain / conductivity) / np.log(grain / water)
    return np.asarray(1e6 * mixing.volumetric_heat_capacity(np.clip(porosity, 0.0, 1.0)))


def _tools(stations: xr.Dataset, tools: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Radius [m], heat capacity and its uncertainty [J/(m K)] of the tool of each station."""
    names = [str(name) for name in tools["tool"].values]
    wanted = [str(name) for name in stations["tool"].values]
    absent = sorted(set(wanted) - set(names))
    if absent:
        raise ValueError(f"tools has no {', '.join(absent)}; it has {', '.join(names)}")
    rows = np.array([names.index(name) for name in wanted], dtype=int)
    radius = np.asarray(units.as_floats(tools["radius"], "m", "radius"))[rows]
    unit = "J/(m K)"
    own = np.asarray(units.as_floats(tools["heat_capacity"], unit, "heat_capacity"))[rows]
    u_own = np.full(rows.size, np.nan)
    if "u_heat_capacity" in tools:
        u_own = np.asarray(units.as_floats(tools["u_heat_capacity"], unit, "u_heat_capacity"))[rows]
    return radius, own, u_own


def _records(table: xr.Dataset, stations: xr.Dataset) -> list[tuple[np.ndarray, np.ndarray]]:
    """Time since penetration [s] and temperature [degC] of each station, in order of time."""
    station = table["station"].values.astype(str)
    time = np.asarray(units.as_floats(table["time"], "s", "time"), dtype=float)
    temperature = np.asarray(
        units.as_floats(table["temperature"], "degC", "temperature"), dtype=float
    )
    use = np.isfinite(time) & np.isfinite(temperature)
    if "kind" in table:
        use &= table["kind"].values.astype(str) != "bottom_water"
    if "flag" in table:
        use &= table["flag"].values <= flags.SUSPECT
    begin, end = (
        np.asarray(units.as_floats(stations[name], "s", name), dtype=float)
        if name in stations else np.full(stations["station"].size, np.nan)
        for name in ("penetration_time", "end_time")
    )  # fmt: skip
    records = []
    for i, name in enumerate(stations["station"].values.astype(str)):
        rows = np.flatnonzero(use & (station == name))
        rows = rows[np.argsort(time[rows], kind="stable")]
        rows = rows[~(time[rows] > end[i])]
        t, y = time[rows], temperature[rows]
        start = begin[i]
        if np.isnan(start) and t.size:
            # Friction warms the probe at once: the hottest reading is the first after it.
            start = t[int(np.argmax(y))]
        inside = t > start
        records.append((t[inside] - start, y[inside]))
    return records


def _reason(
    decay: formation_decay.Decay | None, whole: bool, time: np.ndarray, usable: bool
) -> int:
    if not usable:
        return flags.bit("input_bad")
    if time.size < formation_decay.FEWEST:
        return flags.bit("short_record")
    if decay is None:
        return flags.bit("no_decay")
    reason = 0
    fall = decay.amplitude * (1.0 - decay.remaining)
    if not (decay.amplitude > 0 and fall > WEAKEST * decay.deviation):
        reason |= flags.bit("no_decay")
    if not whole:
        reason |= flags.bit("disturbed_decay")
    if not decay.white:
        reason |= flags.bit("poor_fit")
    if decay.remaining > LARGEST_REST:
        reason |= flags.bit("short_record")
    return reason


def _each(decays: list[formation_decay.Decay | None], name: str) -> np.ndarray:
    return np.array([np.nan if d is None else getattr(d, name) for d in decays], dtype=float)


def _along(values: np.ndarray, stations: xr.Dataset) -> xr.DataArray:
    coords = {
        name: ("reading", stations[name].values, dict(stations[name].attrs))
        for name in ("station", "tool", "depth", "depth_fitted")
        if name in stations
    }
    return xr.DataArray(values, dims="reading", coords=coords)


def _attach(
    dataset: xr.Dataset, decays: list[formation_decay.Decay | None],
    records: list[tuple[np.ndarray, np.ndarray]], conductivity: np.ndarray,
) -> xr.Dataset:  # fmt: skip
    window = [
        (np.nan, np.nan) if d is None else (t[d.first], t[d.last])
        for d, (t, _) in zip(decays, records, strict=True)
    ]
    starts, ends = np.array(window, dtype=float).reshape(-1, 2).T
    extra = {
        "amplitude": (_each(decays, "amplitude"), "K", "first excess temperature"),
        "time_shift": (_each(decays, "shift"), "s", "start of the decay after penetration_time"),
        "conductivity": (conductivity, "W/(m K)", "thermal conductivity that was used"),
        "conductivity_sensitivity": (_each(decays, "by_conductivity"), "K/(W/(m K))",
                                     "change of temperature with conductivity"),
        "extrapolated_fraction": (_each(decays, "remaining"), "1",
                                  "part of the first excess left at the end of the window"),
        "residual_deviation": (_each(decays, "deviation"), "K",
                               "standard deviation of the residuals"),
        "window_start": (starts, "s", "start of the window since penetration"),
        "window_end": (ends, "s", "end of the window since penetration"),
    }  # fmt: skip
    for name, (values, unit, words) in extra.items():
        dataset[name] = ("reading", values, {"units": unit, "long_name": words})
    return dataset


def bottom_water_temperature(
    table: xr.Dataset, *, thermometer_uncertainty: Any = None
) -> xr.Dataset:
    """Temperature of the bottom water while the probe stood still at the seafloor.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC] and ``kind``; rows of the kind
        ``bottom_water`` are used.
    thermometer_uncertainty : Quantity or str, optional
        Of the probe's calibration [K]: effect ``thermometer``, the same error as that of the
        formation temperatures. Unknown gives NaN.

    Returns
    -------
    Dataset
        ``bottom_water_temperature`` [degC], mean over the stations of the median of the coldest
        stable readings, and ``stations_used``.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When no row is of the kind ``bottom_water``.

    Notes
    -----
    Common practice, no source: readings within five deviations of the coldest belong to the stop.
    The random uncertainty is that of the mean over stations, unknown with one station.
    """
    _require(table, ("station", "time", "temperature"), "formation_temperature")
    kind = table["kind"].values.astype(str) if "kind" in table else np.array([])
    if not np.any(kind == "bottom_water"):
        raise ValueError("no row of the kind bottom_water")
    temperature = np.asarray(
        units.as_floats(table["temperature"], "degC", "temperature"), dtype=float
    )
    use = (kind == "bottom_water") & np.isfinite(temperature)
    station = table["station"].values.astype(str)
    stops = []
    for name in np.unique(station[use]):
        y = temperature[use & (station == name)]
        # Neighbours tell the noise even where the water column passes by.
        noise = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2.0) if y.size > 2 else 0.0
        stops.append(np.median(y[y <= y.min() + STABLE * max(noise, 1e-3)]))
    mean = float(np.mean(stops))
    u = float(np.std(stops, ddof=1) / np.sqrt(len(stops))) if len(stops) > 1 else float("nan")
    thermometer = units.as_floats(
        thermometer_uncertainty, "K", "thermometer_uncertainty", difference=True, optional=True
    )
    dataset = series.build(
        {"bottom_water_temperature": Measured(mean, u, {"thermometer": _or_nan(thermometer)})},
        steps=("median of the coldest stable readings at the seafloor, mean over stations",),
    )
    dataset["stations_used"] = ((), len(stops), {"units": "1", "long_name": "stations in the mean"})
    return dataset
