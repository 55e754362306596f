"""Stage of the uncertainty of depth: beside every reading, and for the stations of heat flow."""

from __future__ import annotations

from typing import Any

import xarray as xr

from corephys.hole.placing import depth
from corephys.reduction.context import Context, Skipped

__all__ = ["depth_uncertainty", "of_stations"]

_PARTS = ("depth_u_random", "depth_u_core", "depth_u_systematic", "depth_u_total")
_STATED = ("tide", "heave", "drill_string", "drill_string_relative", "offset")


def depth_uncertainty(context: Context) -> None:
    """What is stated of depth, beside every property that has a core."""
    keys = context.recipe["depth"]
    cores = context.table("cores")
    stated = [name for name in _STATED if keys[name] is not None]
    if not stated and "top_uncertainty" not in cores:
        raise Skipped("nothing is stated of the depths ([depth] tide, heave, drill_string, offset)")
    sections, removed = context.table("sections"), context.optional("removed")
    unknown: set[str] = set()
    for path, dataset in list(context.results.items()):
        if path.startswith("properties/") and _has_a_place(dataset):
            errors = depth.uncertainty(
                dataset, sections=sections, cores=cores, removed=removed, **_of(keys)
            )
            unknown |= set(filter(None, errors.attrs["not_stated"].split(", ")))
            kept = {name: errors[name].variable for name in _PARTS}
            if "depth_correction" in errors:
                kept["depth_correction"] = errors["depth_correction"].variable
            context.results[path] = dataset.assign(kept)
    if unknown:
        context.notes.append(
            f"[depth] does not state {', '.join(sorted(unknown))}: what it enters is not known "
            '("0 m" states that there is none)'
        )


def _of(keys: Any) -> dict[str, Any]:
    return {n: keys[n] for n in (*_STATED, "tide_is", "recovery_placement")}


def _has_a_place(dataset: xr.Dataset) -> bool:
    wanted = ("core", "section", "offset", "depth")
    return all(name in dataset.coords and dataset[name].dims == ("reading",) for name in wanted)


def of_stations(context: Context, temperature: xr.Dataset) -> Any:
    """Errors of the depths of the stations for the functions of heat flow.

    Parameters
    ----------
    context : Context
        Of the reduction.
    temperature : Dataset, (reading)
        Formation temperatures with the coordinate depth [m].

    Returns
    -------
    Dataset, str or None
        What [heat_flow] states of the stations, else what [depth] states of tide, heave and drill
        string, each lowering being one; None where neither says enough.
    """
    stated = context.recipe["heat_flow"]["depth_uncertainty"]
    keys = context.recipe["depth"]
    string = keys["drill_string"] is not None or keys["drill_string_relative"] is not None
    if stated is not None or keys["tide"] is None or keys["heave"] is None or not string:
        return stated
    return depth.uncertainty(
        temperature, tide=keys["tide"], tide_is=keys["tide_is"], heave=keys["heave"],
        drill_string=keys["drill_string"], drill_string_relative=keys["drill_string_relative"],
    )  # fmt: skip
