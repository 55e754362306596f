"""Stages of natural gamma: rates, concentrations of potassium, uranium and thorium, and heat."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import thresholds, units
from corephys.hole.placing import depth as positions
from corephys.reduction.context import Context, Skipped, scalar, section_values
from corephys.reduction.stages import scan
from corephys.reduction.stages.scan import of_kind, series_like
from corephys.sensors import natural_gamma

__all__ = ["heat_production", "natural_gamma_rate", "radioelements"]

_EMPTY = ("open_void", "closed_void", "lost")


def natural_gamma_rate(context: Context) -> None:
    """Net rate of the scan, corrected for what is missing of the response."""
    table = context.table("scan/natural_gamma")
    keys = context.recipe["natural_gamma"]
    here = table["counts"]
    background = _background(context, table)
    rate = natural_gamma.net_rate(
        here.assign_attrs(units="count"),
        table["live_time"],
        reason=table.get("reason", 0),
        **background,
    )
    share, u_share = _share(context, table)
    context.objects["natural_gamma_share"] = share
    if share is not None:
        rate = natural_gamma.edge_correct(
            rate, share, least_fill=keys["least_fill"], share_uncertainty=u_share
        )
    context.results["properties/natural_gamma"] = rate


def _background(context: Context, table: xr.Dataset) -> dict[str, Any]:
    """Counts and live time of the empty liner for every reading, by detector."""
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


def _share(context: Context, table: xr.Dataset) -> tuple[Any, Any]:
    """Share of the response that is filled at every reading, and what its width makes of it."""
    length = section_values(context.hole, table, "length", float("nan")) * 100.0
    if "offset" not in table.coords or np.isnan(length).all():
        return None, None
    keys = context.recipe["natural_gamma"]
    width = scalar(context.recipe, "natural_gamma", "response_width", "cm")
    u = keys["response_width_uncertainty"]
    voids = _voids(context, table)

    def share(wide: float) -> np.ndarray:
        return np.asarray(
            natural_gamma.filled_share(
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


def _voids(context: Context, table: xr.Dataset) -> list[tuple[Any, Any, np.ndarray]]:
    """Declared stretches without core, with the readings of their section."""
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


def _stripping(context: Context, table: xr.Dataset) -> natural_gamma.Stripping:
    """Sensitivities from the standards of known potassium, uranium and thorium."""
    windows = [str(n)[7:] for n in table.data_vars if str(n).startswith("counts_")]
    if len(windows) < 3:
        raise Skipped(f"{len(windows)} windows of energy; three elements need three or more")
    standards = context.table("standards/natural_gamma")
    wanted = {"live_time", "density", "potassium", "uranium", "thorium"}
    wanted |= {f"counts_{name}" for name in windows}
    lacking = sorted(name for name in wanted if name not in standards)
    if lacking:
        raise Skipped(f"standards/natural_gamma.csv has no column {lacking[0]}")
    blocks, blank = of_kind(standards, "standard"), of_kind(standards, "blank")
    if not blocks.sizes["row"] or not blank.sizes["row"]:
        raise Skipped("standards/natural_gamma.csv needs rows of kind standard and of kind blank")
    bore = context.recipe["liner"]["bore"]
    mass = natural_gamma.mass_in_view(blocks["density"], bore)
    return natural_gamma.calibrate(
        {name: blocks[f"counts_{name}"].assign_attrs(units="count") for name in windows},
        blocks["live_time"],
        mass=units.quantity(np.asarray(mass), "g/cm"),
        potassium=blocks["potassium"],
        uranium=blocks["uranium"],
        thorium=blocks["thorium"],
        background_counts={
            name: units.quantity(float(blank[f"counts_{name}"].sum()), "count") for name in windows
        },
        background_time=units.quantity(float(blank["live_time"].sum()), "s"),
    )


def radioelements(context: Context) -> None:
    """Potassium, uranium and thorium of the scan, stacked first where the recipe asks."""
    rate = context.result("properties/natural_gamma")
    table = context.table("scan/natural_gamma")
    stripping = _stripping(context, table)
    share = context.objects.get("natural_gamma_share")
    least = float(context.recipe["natural_gamma"]["least_fill"])
    reason = rate["natural_gamma_rate_reason"].values
    here = table["live_time"]
    table = table.assign(
        filled_share=("reading", np.ones(here.size) if share is None else np.nan_to_num(share)),
        diameter=("reading", context.geometry(table)[0]),
    )
    length = context.recipe["natural_gamma"]["stack"]
    if length is not None:
        codes = _stacks(table, scalar(context.recipe, "natural_gamma", "stack", "cm"))
        usable = np.isfinite(table["counts"].values) & (table["filled_share"].values >= least)
        table = natural_gamma.stack(
            table.assign(weight=table["diameter"]), np.where(usable, codes, -1)
        ).rename(weight="diameter")
        reason = 0
    density = positions.match(
        context.result("properties/density"),
        to=table,
        within=thresholds.DEFAULTS["natural_gamma_reach"],
        how="mean over footprint",
        allow=context.levels,
    )
    small = table["filled_share"].values < least
    filled = np.where(small, np.nan, table["filled_share"].values)
    found = natural_gamma.strip(
        table,
        stripping=stripping,
        density=density,
        core_diameter=series_like(table["live_time"], table["diameter"].values, "mm"),
        core_diameter_uncertainty=context.recipe["natural_gamma"]["core_diameter_uncertainty"],
        filled_share=filled,
        reason=reason,
    )
    standards = of_kind(context.table("standards/natural_gamma"), "standard").sizes["row"]
    scan.of_natural_gamma(found, stripping, standards)
    context.results["properties/radioelements"] = found
    context.objects["density_at_radioelements"] = density


def _stacks(table: xr.Dataset, length: float) -> np.ndarray:
    """Number of the stretch of core that each reading is stacked into; runs are joined."""
    if "offset" not in table.coords or "section" not in table.coords:
        return pd.factorize(np.floor(table["depth"].values * 100.0 / length))[0]
    piece = np.floor(table["offset"].values / length).astype(np.int64)
    frame = pd.DataFrame({"c": table["core"].values, "s": table["section"].values, "p": piece})
    return frame.groupby(["c", "s", "p"], sort=False).ngroup().to_numpy()


def heat_production(context: Context) -> None:
    """Radiogenic heat, where the recipe says what mass the concentrations are of."""
    basis = context.recipe["natural_gamma"]["mass_basis"]
    found = context.result("properties/radioelements")
    if basis is None:
        raise Skipped("say [natural_gamma] mass_basis: heat needs to know wet or dry mass")
    if basis == "dry":
        raise Skipped(
            "concentrations stripped with the bulk density are of the wet mass; say "
            "[natural_gamma] mass_basis = 'wet'"
        )
    context.results["products/heat_production"] = natural_gamma.heat_production(
        found, found, found, context.objects["density_at_radioelements"], mass_basis=basis
    )
