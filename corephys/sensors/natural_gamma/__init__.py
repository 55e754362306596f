"""Natural gamma of a core: net rates, edges, stacks, concentrations and heat.

The order of the work: background, edge, stacking, stripping. Short counts scatter far more than
the sediment varies, so that counts are stacked before they are stripped, and the background, which
is counted once and taken from every reading, is one error for all of them.
Research estimate; not for well control, mud weight, casing, slope or structural decisions; follow
local codes and licensed practice.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.sensor import (
    Option,
    RandomPart,
    Sensor,
    Source,
    TableFormat,
    Term,
    Track,
    number,
    optional,
    text,
)
from corephys.sensors.natural_gamma.edges import edge_correct, filled_share, stack
from corephys.sensors.natural_gamma.stripping import (
    Stripping,
    calibrate,
    heat_production,
    mass_in_view,
    strip,
)
from corephys.uncertainty import Measured, bare

__all__ = [
    "SENSOR",
    "Stripping",
    "calibrate",
    "edge_correct",
    "filled_share",
    "heat_production",
    "mass_in_view",
    "net_rate",
    "rate_kernel",
    "stack",
    "strip",
]

_BELOW = thresholds.value("negative_rate_errors")


def rate_kernel(
    counts: Any, time: Any, background_counts: Any, background_time: Any
) -> tuple[Any, Any, Any, Any]:
    """Net rate, its two uncertainties and reasons.

    Parameters
    ----------
    counts, time : float or ndarray
        Counts and live time [s] of readings.
    background_counts, background_time : float or ndarray
        The same of the background; NaN where there is none, and then nothing is taken off.

    Returns
    -------
    tuple of ndarray
        Rate, random and background uncertainty [1/s], int64 reasons.

    Notes
    -----
    Source at :func:`net_rate`.
    """
    n, t, b, tb = np.broadcast_arrays(
        *(np.asarray(p, dtype=float) for p in (counts, time, background_counts, background_time))
    )
    refused = ~((t > 0.0) & np.isfinite(t)) | (n < 0.0) | np.isinf(n)
    with np.errstate(divide="ignore", invalid="ignore"):
        gross = np.where(refused, np.nan, n / t)
        own = np.where(refused, np.nan, np.sqrt(np.maximum(n, 1.0)) / t)
        tb = np.where(tb > 0.0, tb, np.nan)  # a background that was not counted is none
        off, u_off = b / tb, np.sqrt(np.maximum(b, 1.0)) / tb
    none = np.isnan(off)
    rate = gross - np.where(none, 0.0, off)
    total = np.hypot(own, np.where(none, 0.0, u_off))
    with np.errstate(invalid="ignore"):
        below = rate < -_BELOW * total
    reason = np.where(refused & ~(np.isnan(n) | np.isnan(t)), flags.bit("impossible_value"), 0)
    reason = reason | np.where(none, flags.bit("no_baseline"), 0)
    reason = reason | np.where(below, flags.bit("negative_net"), 0)
    return rate, own, u_off, reason.astype(np.int64)


def net_rate(
    counts: Any,
    live_time: Any,
    *,
    background_counts: Any = None,
    background_time: Any = None,
    reason: Any = 0,
) -> xr.Dataset:
    """Count rate of a core without the background.

    Parameters
    ----------
    counts, live_time : DataArray, (reading)
        Counts [count] and live time [s].
    background_counts, background_time : Quantity, DataArray or str, optional
        Counts [count] and live time [s] of the empty, or water-filled, liner; one a reading where
        detectors differ. Without them nothing is taken off and the systematic uncertainty is
        unknown.
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
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When no reading has both counts and a positive live time, or one part of the background
        is missing.

    Notes
    -----
    n = N / t - B / t_B, u^2 = N / t^2 + B / t_B^2 (Poisson; Knoll 2010, Radiation Detection and
    Measurement, section 3.V). A count of zero is given the uncertainty of one count.
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
            "no reading has both counts and a positive live time; live_time is in seconds and "
            "counts are not negative"
        )
    b = units.as_floats(background_counts, "count", "background_counts", optional=True)
    tb = units.as_floats(background_time, "s", "background_time", optional=True)
    nan = float("nan")
    rate, u, u_b, found = series.apply(
        rate_kernel,
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


# --------------------------------------------------------------------------------------------------
# The record: what the other rooms need of this sensor.


SENSOR = Sensor(
    name="natural_gamma",
    quantity="natural_gamma_rate",
    scan=TableFormat(
        (number("counts"), number("live_time", "s"), *optional(text("detector"))),
        keys=("detector",),
        number_prefixes=("counts_",),
    ),
    standards=TableFormat(
        (
            number("value", None),
            number("reading", None),
            *optional(
                number("live_time", "s"),
                text("detector"),
                text("standard"),
                number("density", "g/cm^3"),
                number("potassium", "%"),
                number("uranium", "mg/kg"),
                number("thorium", "mg/kg"),
            ),
        ),
        number_prefixes=("counts_",),
    ),
    terms=(
        Term(
            "natural_gamma_rate",
            "1/s",
            "natural gamma rate, net",
            (0, math.inf),
            (-math.inf, math.inf),
        ),
        Term("potassium", "%", "potassium in the mass", (0, 8), (0, 100)),
        Term("uranium", "mg/kg", "uranium in the mass", (0, 30), (0, math.inf)),
        Term("thorium", "mg/kg", "thorium in the mass", (0, 60), (0, math.inf)),
        Term("heat_production", "uW/m^3", "radiogenic heat production", (0, 10), (0, math.inf)),
    ),
    sources=(
        Source(
            "natural_gamma_background*", "calibration", "background of the natural gamma counter"
        ),
        Source(
            "natural_gamma_sensitivity", "calibration", "sensitivities of the spectrum's windows"
        ),
        Source("natural_gamma_response", "geometry", "response of the counter beside an edge"),
    ),
    random=(
        RandomPart("natural_gamma_rate", "", "counting", "counting of each reading"),
        RandomPart("potassium", "", "counting", "counting of each spectrum"),
        RandomPart("uranium", "", "counting", "counting of each spectrum"),
        RandomPart("thorium", "", "counting", "counting of each spectrum"),
        RandomPart("heat_production", "", "counting", "counting of each spectrum"),
    ),
    options={
        "response_width": Option(
            thresholds.DEFAULTS["response_natural_gamma"], "cm", "full width at half maximum"
        ),
        "response_width_uncertainty": Option("2 cm", "cm", "its standard uncertainty"),
        "least_fill": Option(
            thresholds.DEFAULTS["least_fill"],
            "number",
            "least share of the response that is corrected for",
        ),
        "stack": Option(None, "cm", "length of core that is stacked before stripping"),
        "mass_basis": Option(None, "wet|dry", "of the concentrations; heat production needs it"),
        "core_diameter_uncertainty": Option(None, "mm", "systematic, shared with the density"),
    },
    response_width=("natural_gamma", "response_width"),
    archive_unit="count/s",
    track=Track("#009E73"),
)
