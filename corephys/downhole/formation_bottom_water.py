"""Temperature of the bottom water, from the stops of a probe at the seafloor."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.downhole.formation_record import require
from corephys.ground import series, thresholds, units
from corephys.uncertainty import Measured, stated

__all__ = ["bottom_water_temperature"]

STABLE = thresholds.value("bottom_water_deviations")


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
    require(table, ("station", "time", "temperature"), "formation_temperature")
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
    thermometer = stated(thermometer_uncertainty, "K", "thermometer_uncertainty")
    dataset = series.build(
        {"bottom_water_temperature": Measured(mean, u, {"thermometer": thermometer})},
        steps=("median of the coldest stable readings at the seafloor, mean over stations",),
    )
    dataset["stations_used"] = ((), len(stops), {"units": "1", "long_name": "stations in the mean"})
    return dataset
