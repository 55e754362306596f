"""Natural gamma of a core: net rates, edges, stacks, concentrations and heat.

The order of the work: background, edge, stacking, stripping. Short counts scatter far more than
the sediment varies; therefore counts are stacked before they are stripped. The background is
counted once and subtracted from every reading: its error is one error for all of them.

Research estimate; not for well control, mud weight, casing, slope or structural decisions; follow
local codes and licensed practice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.sensors.natural_gamma.edges import edge_correct, filled_share, stack
from corephys.sensors.natural_gamma.stripping import (
    Stripping,
    calibrate,
    heat_production,
    mass_in_view,
    strip,
)
from corephys.uncertainty import Measured, bare

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional

__all__ = [
    "Stripping",
    "calibrate",
    "edge_correct",
    "filled_share",
    "heat_production",
    "mass_in_view",
    "net_rate",
    "stack",
    "strip",
]

_BELOW = thresholds.value("negative_rate_errors")


def _rate_kernel(
    counts: float | np.ndarray,
    time: float | np.ndarray,
    background_counts: float | np.ndarray,
    background_time: float | np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Net rate, its random uncertainty, that of the background [1/s], and reasons.

    Times are live times in s. Where the background is NaN, nothing is subtracted.
    """
    n, t, b, tb = np.broadcast_arrays(
        *(np.asarray(p, dtype=float) for p in (counts, time, background_counts, background_time))
    )
    refused = ~((t > 0.0) & np.isfinite(t)) | (n < 0.0) | np.isinf(n)
    with np.errstate(divide="ignore", invalid="ignore"):
        gross = np.where(refused, np.nan, n / t)
        # The root of a count of zero would be no uncertainty at all: one count is the least.
        own = np.where(refused, np.nan, np.sqrt(np.maximum(n, 1.0)) / t)
        tb = np.where(tb > 0.0, tb, np.nan)  # without a counting time there is no background
        off, u_off = b / tb, np.sqrt(np.maximum(b, 1.0)) / tb
    # Without a background the gross rate is kept, with the reason no_baseline.
    none = np.isnan(off)
    rate = gross - np.where(none, 0.0, off)
    total = np.hypot(own, np.where(none, 0.0, u_off))
    with np.errstate(invalid="ignore"):
        # Scatter gives rates a little below zero; a rate far below has a doubtful background.
        below = rate < -_BELOW * total
    reason = np.where(refused & ~(np.isnan(n) | np.isnan(t)), flags.bit("impossible_value"), 0)
    reason = reason | np.where(none, flags.bit("no_baseline"), 0)
    reason = reason | np.where(below, flags.bit("negative_net"), 0)
    return rate, own, u_off, reason.astype(np.int64)


def net_rate(
    counts: Dimensional,
    live_time: Dimensional,
    *,
    background_counts: Dimensional | None = None,
    background_time: Dimensional | None = None,
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """Count rate of a core less the background.

    Parameters
    ----------
    counts, live_time : DataArray, (reading)
        Counts [count] and live time [s].
    background_counts, background_time : Quantity, DataArray or str, optional
        Counts [count] and live time [s] of the empty, or water-filled, liner; one value for each
        reading where detectors differ. If not given, nothing is subtracted and the systematic
        uncertainty is unknown.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``natural_gamma_rate`` [1/s] with its counting uncertainty, the effect
        ``natural_gamma_background`` and flags: ``no_baseline`` without a background,
        ``negative_net`` below zero by more than two standard uncertainties, ``impossible_value``
        and NaN where the live time is not positive or counts are negative.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When no reading has both counts and a positive live time, or one part of the background
        is missing.

    Notes
    -----
    n = N / t - B / t_B, u^2 = N / t^2 + B / t_B^2 (Poisson; Knoll 2010, Radiation Detection and
    Measurement, section 3.V). A count of zero gets the uncertainty of one count.
    """
    series.require_same_positions(
        counts=counts,
        live_time=live_time,
        background_counts=background_counts,
        background_time=background_time,
    )
    if (background_counts is None) != (background_time is None):
        raise ValueError(
            "give background_counts together with background_time, such as '5000 count' and "
            "'3600 s', or neither"
        )
    n = units.as_floats(counts, "count", "counts")
    t = units.as_floats(live_time, "s", "live_time")
    if np.size(n) and not np.any((np.asarray(bare(t)) > 0.0) & (np.asarray(bare(n)) >= 0.0)):
        raise ValueError(
            "no reading has both counts and a positive live time; expected counts of zero or more "
            "and live_time in seconds. Check that the two columns were not swapped"
        )
    b = units.as_floats(background_counts, "count", "background_counts", optional=True)
    tb = units.as_floats(background_time, "s", "background_time", optional=True)
    nan = float("nan")
    rate, u, u_b, found = series.apply(
        _rate_kernel,
        n,
        bare(t),
        nan if b is None else bare(b),
        nan if tb is None else bare(tb),
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    joined = series.joined_reasons(bare(found), bare(reason))
    effects = {"natural_gamma_background": -bare(u_b)}
    return series.build(
        {"natural_gamma_rate": Measured(rate, bare(u), effects, joined)},
        steps=("net rate n = N / t - B / t_B (Poisson)",),
        constants={"background": "none" if b is None else "of the liner"},
    )
