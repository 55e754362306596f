"""Natural gamma of a core: net rates, edges, stacks, concentrations and heat.

The order of the work: background, edge, stacking, stripping. Short counts scatter far more than
the sediment varies; therefore counts are stacked before they are stripped. The background is
counted once and subtracted from every reading: its error is one error for all of them.

Research estimate; not for well control, mud weight, casing, slope or structural decisions; follow
local codes and licensed practice.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.sensor import (
    FittedConstant,
    Option,
    RandomPart,
    Reduction,
    Sensor,
    Source,
    Stage,
    TableFormat,
    Term,
    Track,
    keep_constants,
    number,
    of_kind,
    option_from,
    optional,
    over_usual,
    scalar,
    series_like,
    standard_uncertainties,
    text,
)
from corephys.hole.placing import depth as positions
from corephys.sensors.natural_gamma.edges import edge_correct, filled_share, stack
from corephys.sensors.natural_gamma.stripping import (
    Stripping,
    calibrate,
    heat_production,
    mass_in_view,
    strip,
)
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Dimensional

__all__ = [
    "SENSOR",
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
        lacking = "background_counts" if background_counts is None else "background_time"
        raise ValueError(
            f"{lacking} is missing; give background_counts together with background_time, such as "
            "'5000 count' and '3600 s', or neither"
        )
    n = units.as_floats(counts, "count", "counts")
    t = units.as_floats(live_time, "s", "live_time")
    if np.size(n) and not np.any(
        (np.asarray(without_coords(t)) > 0.0) & (np.asarray(without_coords(n)) >= 0.0)
    ):
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
        without_coords(t),
        nan if b is None else without_coords(b),
        nan if tb is None else without_coords(tb),
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    joined = series.joined_reasons(without_coords(found), without_coords(reason))
    effects = {"natural_gamma_background": -without_coords(u_b)}
    return series.build(
        {"natural_gamma_rate": Measured(rate, without_coords(u), effects, joined)},
        steps=("net rate n = N / t - B / t_B (Poisson)",),
        constants={"background": "none" if b is None else "of the liner"},
    )


# --------------------------------------------------------------------------------------------------
# Its stages of a reduction.


_EMPTY = ("open_void", "closed_void", "lost")


def _rate_stage(context: Reduction) -> None:
    """Net rate of the scan, corrected where core fills only part of the response."""
    table = context.table("scan/natural_gamma")
    keys = context.recipe["natural_gamma"]
    here = table["counts"]
    background = _background(context, table)
    rate = net_rate(
        here.assign_attrs(units="count"),
        table["live_time"],
        reason=table.get("reason", 0),
        **background,
    )
    share, u_share = _filled_share(context, table)
    context.objects["natural_gamma_share"] = share
    if share is not None:
        rate = edge_correct(rate, share, least_fill=keys["least_fill"], share_uncertainty=u_share)
    context.results["properties/natural_gamma"] = rate


def _background(context: Reduction, table: xr.Dataset) -> dict[str, Any]:
    """Counts and live time of the empty liner for every reading, by detector; sums of blanks."""
    standards = context.optional("standards/natural_gamma")
    if standards is None or "live_time" not in standards:
        return {}
    blank = of_kind(standards, "blank")
    if not blank.sizes["row"]:
        return {}
    detectors = table["detector"].values.astype(str) if "detector" in table else None
    counts, time = np.full((2, table.sizes["reading"]), np.nan)
    of_blank = blank["detector"].values.astype(str) if "detector" in blank else None
    names: Any = [None] if detectors is None or of_blank is None else sorted(set(detectors))
    for name in names:
        rows = slice(None) if name is None else of_blank == name
        known = np.isfinite(blank["reading"].values[rows]) & (blank["live_time"].values[rows] > 0)
        if not known.any():
            continue
        where = slice(None) if name is None else detectors == name
        counts[where] = blank["reading"].values[rows][known].sum()
        time[where] = blank["live_time"].values[rows][known].sum()
    here = table["counts"]
    return {
        "background_counts": series_like(here, counts, "count"),
        "background_time": series_like(here, time, "s"),
    }


def _filled_share(
    context: Reduction, table: xr.Dataset
) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Filled share of the response at every reading, and its change by the width's error."""
    length = context.section_values(table, "length", float("nan")) * 100.0
    if "offset" not in table.coords or np.isnan(length).all():
        return None, None
    keys = context.recipe["natural_gamma"]
    width = scalar(context.recipe, "natural_gamma", "response_width", "cm")
    u = keys["response_width_uncertainty"]
    voids = _voids(context, table)

    def share(wide: float) -> np.ndarray:
        return np.asarray(
            filled_share(
                table["offset"],
                units.quantity(length, "cm"),
                voids=voids,
                response_width=units.quantity(wide, "cm"),
            )
        )

    best = share(width)
    if u is None:
        return best, None
    step = scalar(context.recipe, "natural_gamma", "response_width_uncertainty", "cm")
    return best, share(width + step) - best


def _voids(
    context: Reduction, table: xr.Dataset
) -> list[tuple[pint.Quantity, pint.Quantity, np.ndarray]]:
    """Declared intervals without core, with the readings of their section."""
    removed = context.optional("removed")
    if removed is None or "core" not in table.coords:
        return []
    when = removed["when"].values if "when" in removed else np.full(removed["core"].size, "")
    empty = np.isin(removed["kind"].values, _EMPTY) | (when == "before_scan")
    found = []
    for row in np.flatnonzero(empty):
        inside = (table["core"].values == removed["core"].values[row]) & (
            table["section"].values == removed["section"].values[row]
        )
        if inside.any():
            start, stop = (float(removed[part].values[row]) for part in ("from", "to"))
            found.append(
                (units.quantity(start, "cm"), units.quantity(stop, "cm"), np.flatnonzero(inside))
            )
    return found


def _stripping(context: Reduction, table: xr.Dataset) -> Stripping:
    """Sensitivities from the standards of known potassium, uranium and thorium."""
    windows = [str(n)[7:] for n in table.data_vars if str(n).startswith("counts_")]
    if len(windows) < 3:
        context.skip(f"{len(windows)} energy windows; three elements need three or more")
    standards = context.table("standards/natural_gamma")
    wanted = {"live_time", "density", "potassium", "uranium", "thorium"}
    wanted |= {f"counts_{name}" for name in windows}
    lacking = sorted(name for name in wanted if name not in standards)
    if lacking:
        context.skip(f"standards/natural_gamma.csv has no column {lacking[0]}; add it")
    blocks, blank = of_kind(standards, "standard"), of_kind(standards, "blank")
    if not blocks.sizes["row"] or not blank.sizes["row"]:
        context.skip("standards/natural_gamma.csv needs rows of kind standard and of kind blank")
    bore = context.recipe["liner"]["bore"]
    mass = mass_in_view(blocks["density"], bore)
    return calibrate(
        {name: blocks[f"counts_{name}"].assign_attrs(units="count") for name in windows},
        blocks["live_time"],
        mass=mass,
        potassium=blocks["potassium"],
        uranium=blocks["uranium"],
        thorium=blocks["thorium"],
        background_counts={
            name: units.quantity(float(blank[f"counts_{name}"].sum()), "count") for name in windows
        },
        background_time=units.quantity(float(blank["live_time"].sum()), "s"),
    )


def _radioelements_stage(context: Reduction) -> None:
    """Potassium, uranium and thorium of the scan, stacked first if the recipe sets a length."""
    rate = context.result("properties/natural_gamma")
    table = context.table("scan/natural_gamma")
    stripping = _stripping(context, table)
    share = context.objects.get("natural_gamma_share")
    least = float(context.recipe["natural_gamma"]["least_fill"])
    reason: Any = rate["natural_gamma_rate_reason"].values
    here = table["live_time"]
    table = table.assign(
        filled_share=("reading", np.ones(here.size) if share is None else np.nan_to_num(share)),
        diameter=("reading", context.geometry(table)[0]),
    )
    length = context.recipe["natural_gamma"]["stack"]
    if length is not None:
        codes = _stacks(table, scalar(context.recipe, "natural_gamma", "stack", "cm"))
        usable = np.isfinite(table["counts"].values) & (table["filled_share"].values >= least)
        table = stack(table.assign(weight=table["diameter"]), np.where(usable, codes, -1)).rename(
            weight="diameter"
        )
        reason = 0
    density = positions.match(
        context.density(),
        to=table,
        within=thresholds.DEFAULTS["natural_gamma_reach"],
        how="mean_over_footprint",
        allow=context.levels,
    )
    small = table["filled_share"].values < least
    filled = np.where(small, np.nan, table["filled_share"].values)
    found = strip(
        table,
        stripping=stripping,
        density=density,
        core_diameter=series_like(table["live_time"], table["diameter"].values, "mm"),
        core_diameter_uncertainty=context.recipe["natural_gamma"]["core_diameter_uncertainty"],
        filled_share=filled,
        reason=reason,
    )
    standards = of_kind(context.table("standards/natural_gamma"), "standard").sizes["row"]
    _keep_constants(found, stripping, standards)
    context.results["properties/radioelements"] = found
    context.objects["density_at_radioelements"] = density


def _stacks(table: xr.Dataset, length: float) -> np.ndarray:
    """Number of the interval that each reading is stacked into; runs are joined."""
    if "offset" not in table.coords or "section" not in table.coords:
        return pd.factorize(np.floor(table["depth"].values * 100.0 / length))[0]
    piece = np.floor(table["offset"].values / length).astype(np.int64)
    frame = pd.DataFrame({"c": table["core"].values, "s": table["section"].values, "p": piece})
    return frame.groupby(["c", "s", "p"], sort=False).ngroup().to_numpy()


def _heat_stage(context: Reduction) -> None:
    """Radiogenic heat, where the recipe sets the mass that the concentrations refer to."""
    basis = context.recipe["natural_gamma"]["mass_basis"]
    found = context.result("properties/radioelements")
    if basis is None:
        context.skip("[natural_gamma] mass_basis is not given; set it to 'wet' or 'dry' for heat")
    if basis == "dry":
        context.skip(
            "concentrations stripped with the bulk density refer to wet mass; set "
            "[natural_gamma] mass_basis = 'wet'"
        )
    context.results["products/heat_production"] = heat_production(
        found, found, found, context.objects["density_at_radioelements"], mass_basis=basis
    )


def _keep_constants(dataset: xr.Dataset, fit: Stripping, standards: int) -> None:
    """Keep sensitivities and background of every window."""
    rows: list[FittedConstant] = []
    elements = (("potassium", "%"), ("uranium", "mg/kg"), ("thorium", "mg/kg"))
    for row, window in enumerate(fit.windows):
        u = standard_uncertainties(fit.covariance[row])
        for column, (element, unit) in enumerate(elements):
            meaning = f"window {window}, sensitivity to {element}"
            # Rate of 1 g/cm in view with one unit of the element.
            of = f"cm/(g s {unit})"
            rows.append(("S", meaning, float(fit.sensitivity[row, column]), float(u[column]), of))
        rows.append(
            (
                "b",
                f"window {window}, background",
                float(fit.background[row]),
                float(fit.background_uncertainty[row]),
                "1/s",
            )
        )
    keep_constants(dataset, rows, standards, fit.reduced_chi_square)


def _check_standards(
    context: Reduction, checks: xr.Dataset
) -> tuple[np.ndarray, None, str, str] | None:
    """Count rate of the check over its median [1]."""
    if "live_time" not in checks:
        return None
    seconds = checks["live_time"].values
    rate = checks["reading"].values / np.where(seconds > 0.0, seconds, np.nan)
    return over_usual(rate), None, "1", "count rate over its usual value"


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
            thresholds.DEFAULTS["response_natural_gamma"],
            "cm",
            "full width of the response at half maximum",
        ),
        "response_width_uncertainty": Option("2 cm", "cm", "standard uncertainty of that width"),
        "least_fill": option_from(
            edge_correct,
            "least_fill",
            "number",
            "least share of the response that is corrected for",
        ),
        "stack": Option(None, "cm", "length of core that is stacked before stripping"),
        "mass_basis": option_from(
            heat_production,
            "mass_basis",
            "wet|dry",
            "mass to which the concentrations refer; heat production needs it",
        ),
        "core_diameter_uncertainty": option_from(
            strip,
            "core_diameter_uncertainty",
            "mm",
            "standard uncertainty of the core diameter, systematic, shared with the density",
        ),
    },
    response_width=("natural_gamma", "response_width"),
    stages=(
        Stage("natural gamma", _rate_stage),
        Stage("potassium, uranium, thorium", _radioelements_stage, after="flags of the scan"),
        Stage("heat production", _heat_stage, after="potassium, uranium, thorium"),
    ),
    check=_check_standards,
    archive_unit="count/s",
    track=Track("#5B7F00"),
)
