"""When a probe was pushed in and pulled out, read from its own record."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.downhole.formation_record import found_times, require, rows_of
from corephys.ground import flags

__all__ = ["penetration_time"]


def penetration_time(table: xr.Dataset, stations: xr.Dataset | None = None) -> xr.Dataset:
    """Times of penetration and pull-out of every station, from its friction pulses.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC]; all rows are used, whatever their ``kind``.
    stations : Dataset, optional
        Table with the column station: which ones, and their order. In the order of ``table``
        without it.

    Returns
    -------
    Dataset, (reading)
        ``penetration_time`` and ``penetration_time_uncertainty`` [s], ``friction_rise`` [K],
        ``end_time`` [s], the last sample before the pull-out, NaN where the record stops before
        it, ``pulse_count`` [1], and ``penetration_time_reason``, ``missing_value`` where no pulse
        is a penetration.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When a column is missing.

    Notes
    -----
    Common practice, no source. A pulse is a rise of neighbouring samples, or of the means of four
    on either side, of five deviations, that stays. The penetration is the first pulse after which
    the probe cooled for a seventh of the longest stay or longer and did not come back to the
    temperature before it. Its onset lies between the last sample before the rise and the first
    in it: the middle, with the standard uncertainty of an even spread. The pull-out is a later
    pulse after which the temperature falls below what conduction allows, or one within a minute
    of the end, or such a fall alone.
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
        "reading", reason, flags.reason_attributes("penetration time")
    )  # fmt: skip
    return dataset
