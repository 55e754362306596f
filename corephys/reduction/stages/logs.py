"""Stages of downhole logs: read the curves that the recipe names, and compare them with cores."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.downhole import logs
from corephys.ground import companions, thresholds, units
from corephys.ground.choices import plain_words
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.recordings import FOLDER
from corephys.reduction.context import Context, Skipped
from corephys.reduction.stages.scan import HOMES

__all__ = ["cores_beside_logs", "downhole_logs"]

_SLACK = thresholds.value("log_datum_slack")  # m
_RIG_FLOOR = thresholds.value("rig_floor_height")  # m


def downhole_logs(context: Context) -> None:
    """Read the curves that the recipe names; a file that fails is noted and left out."""
    files = _files(context)
    planned = dict(context.recipe["logs"]["files"] or {})
    for name in sorted(set(planned) - set(files)):
        there = ", ".join(map(_plain, files)) or "none"
        context.notes.append(
            f"[logs] files names {_plain(name)}, which {FOLDER} does not hold; it holds {there}"
        )
    if not files:
        raise Skipped(f"no file {FOLDER}/*.las")
    read = 0
    for name, held in files.items():
        if name not in planned:
            context.notes.append(_unnamed(name, held))
            continue
        with context.part(f"downhole logs: {FOLDER}/{_plain(name)}"):
            try:
                _agrees_with_the_hole(planned[name], context.recipe["hole"]["water_depth"])
                found = _read(name, held, planned[name])
                _within_the_hole(context, found, planned[name])
            except ValueError as error:
                raise ValueError(_plain(str(error))) from error
            reports = [_plain(text) for text in json.loads(found.attrs["reports"])]
            context.notes += [f"{FOLDER}/{_plain(name)}: {text}" for text in reports]
            context.results[f"properties/log_{held.attrs['node']}"] = found
            read += 1
    if not read:
        raise Skipped("no log was read; set the depths and curves of each file in [logs] files")


def _agrees_with_the_hole(plan: Mapping[str, Any], water_depth: str | None) -> None:
    """Raise an error for a seafloor depth of a file that contradicts the hole's water depth."""
    datum, given = plan["depth_datum"], plan.get("seafloor_depth")
    if water_depth is None or given is None:
        return
    water = float(units.as_floats(water_depth, "m", "water_depth"))
    seafloor = float(units.as_floats(given, "m", "seafloor_depth"))
    slack = max(_SLACK, 0.01 * water)
    lowest, highest = water - slack, water + slack
    if datum == "rig_floor":
        highest += _RIG_FLOOR
    if not lowest <= seafloor <= highest:
        words = plain_words(datum)
        raise ValueError(
            f"seafloor_depth is {given} from the {words}, and [hole] water_depth is {water_depth}; "
            f"from the {words} the seafloor lies {lowest:g} to {highest:g} m deep. Correct "
            "seafloor_depth, depth_datum or water_depth"
        )


def _within_the_hole(context: Context, found: xr.Dataset, plan: Mapping[str, Any]) -> None:
    """Raise an error for depths "from the seafloor" below all cores and the water depth."""
    cores, water_depth = context.optional("cores"), context.recipe["hole"]["water_depth"]
    if plan["depth_datum"] != "seafloor" or cores is None or water_depth is None:
        return
    depth = np.asarray(found["depth"].values, dtype=float)
    if not np.isfinite(depth).any():
        return
    first = float(np.nanmin(depth))
    water = float(units.as_floats(water_depth, "m", "water_depth"))
    bottom = float(np.nanmax(cores["top"].values + cores["advance"].values))
    if first > bottom and first > water - max(_SLACK, 0.01 * water):
        raise ValueError(
            f"the depths begin {first:g} m below the seafloor, where depth_datum sets them, below "
            f"all cores ({bottom:g} m) and at the depth of the water ({water_depth}). Do they "
            "count from the rig floor or the sea level? Then set depth_datum and seafloor_depth"
        )


def _files(context: Context) -> dict[str, xr.Dataset]:
    """The LAS files that the hole holds, by file name; noted as what this stage reads."""
    found: dict[str, xr.Dataset] = {}
    for node, held in context.folder(FOLDER).items():
        if "file" in held.attrs and "content" in held:
            name = str(held.attrs["file"])
            # Comparisons list changed files without their extension.
            context.lineage.note("tables", [name.rpartition(".")[0]])
            found[name.rpartition("/")[2]] = held.assign_attrs(node=node)
    return found


def _bytes(held: xr.Dataset) -> bytes:
    return bytes(np.asarray(held["content"].values, dtype=np.uint8).tobytes())


def _unnamed(name: str, held: xr.Dataset) -> str:
    """Note on a file that the recipe does not name, with the settings to add."""
    begin = f"{FOLDER}/{_plain(name)} is listed and not used"
    try:
        found = logs.from_bytes(_bytes(held), name)
    except logs.LogError as error:
        return f"{begin}; it cannot be read: {_plain(str(error))}"
    units = {
        str(curve): str(data.attrs.get("unit_in_the_file", data.attrs["units"]))
        for curve, data in found.data_vars.items()
    }
    curves = ", ".join(f"{_plain(curve)} [{_plain(unit)}]" for curve, unit in units.items())
    return (
        f"{begin}: the recipe gives neither its depth datum nor its curves. Write "
        f'under [logs.files."{_plain(name)}"]: depth_datum = "seafloor", or "rig_floor" or '
        '"sea_level" with seafloor_depth, the seafloor in its own depths, and its uncertainty; and '
        f'curves = {{ CURVE = "quantity" }}, such as "bulk_density". Its curves: {curves}'
    )


def _read(name: str, held: xr.Dataset, plan: Mapping[str, Any]) -> xr.Dataset:
    """The named curves of a file, placed below the seafloor."""
    columns = {str(curve).upper(): str(quantity) for curve, quantity in plan["curves"].items()}
    found = logs.from_bytes(_bytes(held), name, columns=columns, null=plan.get("null"))
    kept = [key for key in map(str, found.data_vars) if _is_part(key, columns.values())]
    placed = logs.below_seafloor(
        found[kept],
        seafloor_depth=plan.get("seafloor_depth") or "0 m",
        seafloor_depth_uncertainty=plan.get("seafloor_depth_uncertainty"),
    )
    steps = [f"curve {curve} of {name} as {quantity}" for curve, quantity in columns.items()]
    steps.append(f"depth from the {plain_words(plan['depth_datum'])} to below the seafloor")
    placed.attrs = {
        **found.attrs,
        "file": held.attrs["file"],
        "depth_datum": plan["depth_datum"],
        "steps": json.dumps(steps),
        "constants": "{}",
    }
    return placed


def _is_part(variable: str, quantities: Iterable[str]) -> bool:
    """Whether a variable is one of the quantities or a companion of one."""
    ends = ("", *companions.COMPANIONS)
    return any(variable == f"{quantity}{end}" for quantity in quantities for end in ends)


def cores_beside_logs(context: Context) -> None:
    """Shift, correlation and bias of every core series that a log measured as well."""
    paths = [path for path in context.results if path.startswith("properties/log_")]
    if not paths:
        raise Skipped("no log was read; it needs downhole/logs/*.las and [logs] files")
    tables: dict[str, list[xr.Dataset]] = {}
    for path in paths:
        log = context.result(path)
        for quantity in [str(v) for v in log.data_vars if str(v) in TERMS]:
            for place, core in _cores(context, quantity):
                where = f"{place} beside {_plain(str(log.attrs['source']))}"
                with context.part(f"cores beside logs: {where}"):
                    compared = _compared(context, (path, log), (place, core), quantity, where)
                    tables.setdefault(quantity, []).append(compared)
    if not tables:
        raise Skipped("no core series has the quantity of a log; the comparison needs both")
    for quantity, found in tables.items():
        table = xr.concat(found, dim="window")
        table.attrs = {
            "quantity": quantity,
            "constants": "{}",
            "steps": json.dumps(["core averaged over the aperture, shifted onto the log"]),
        }
        context.results[f"products/log_comparison_{quantity}"] = table


def _cores(context: Context, quantity: str) -> Iterator[tuple[str, xr.Dataset]]:
    """Core series with a quantity, as measured and as corrected to in-situ conditions."""
    home = HOMES.get(quantity, f"properties/{quantity}")
    corrected = f"{quantity}_in_situ"
    for path, name in (
        (home, quantity),
        (f"products/{quantity}", quantity),
        (f"{home}_in_situ", corrected),
    ):
        found = context.results.get(path)
        if found is None or name not in found or found[name].dims != ("reading",):
            continue
        if "depth" in found.coords:
            held = found[[str(v) for v in found.data_vars if _is_part(str(v), (name,))]]
            yield path, held.rename({v: str(v).replace(name, quantity, 1) for v in held.data_vars})


def _compared(
    context: Context,
    log: tuple[str, xr.Dataset],
    core: tuple[str, xr.Dataset],
    quantity: str,
    where: str,
) -> xr.Dataset:
    """One core series beside one log."""
    keys = context.recipe["logs"]
    if not np.isfinite(core[1]["depth"].values).any():
        raise Skipped(f"no reading of the core with {quantity} has a depth; check cores.csv")
    found = logs.compare_with_core(
        core[1],
        log[1],
        quantity,
        aperture=keys["aperture"],
        window=keys["window"],
        largest_shift=keys["largest_shift"],
        least_share=keys["least_share"],
        allow=context.levels,
    )
    u = float(log[1]["seafloor_depth_uncertainty"])
    number = found.sizes["window"]
    found["datum_uncertainty"] = (
        "window",
        np.full(number, u),
        {"units": "m", "long_name": "standard uncertainty of the log's depth of the seafloor"},
    )
    for name, text, words in (
        ("log", log[0], "log, its place in the reduced hole"),
        ("core_series", core[0], "series of the core, its place in the reduced hole"),
    ):
        column = np.full(number, text, dtype=object)
        found = found.assign_coords({name: ("window", column, {"long_name": words})})
    context.notes += [f"{where}: {text}" for text in _sentences(found, u)]
    return found


def _sentences(found: xr.Dataset, u: float) -> Iterator[str]:
    """One sentence for each window of a comparison."""
    unit = str(found["bias"].attrs["units"])
    unit = "" if unit == "1" else f" {unit}"
    shown = np.flatnonzero(np.isfinite(found["shift"].values))
    if not shown.size:
        yield "too few readings of both to look for a shift"
    for i in shown:
        row = {str(name): float(found[name].values[i]) for name in found.data_vars}
        ends = f"{float(found['top'][i]):.1f} to {float(found['bottom'][i]):.1f} m"
        if row["at_limit"]:
            shift = f"{row['shift']:+.2f} m"
            yield f"{ends}, the best shift is at the search limit, {shift}, and is unreliable"
            continue
        datum = f", the log's seafloor known to {u:.2g} m" if np.isfinite(u) else ""
        yield (
            f"{ends}, shifted by {row['shift']:+.2f} m{datum}, correlation "
            f"{row['correlation_before']:.2f} before and {row['correlation']:.2f} after, core less "
            f"log {row['bias_before']:.3g} before and {row['bias']:.3g}{unit} after"
        )


def _plain(text: str) -> str:
    """Text of a file made safe for a terminal: short, without control characters."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in str(text))
    return shown if len(shown) <= 300 else f"{shown[:300]}..."
