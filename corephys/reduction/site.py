"""Reduce a site: its holes one by one, then what holds for all of them together.

Composite depth and ages are put beside every property. The checks of the standards of all holes
become one control chart a sensor, their calibrations one table in time, and each hole one row of
a summary.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys import quality, uncertainty
from corephys.ground import flags, provenance, series, units
from corephys.ground.sensor import of_kind
from corephys.ground.series import PositionError
from corephys.ground.vocabulary import TERMS, term
from corephys.hole import composite
from corephys.hole.composite.core_shifts import TIED, placements
from corephys.hole.composite.folder import SITE, hole_names, hole_of, site_tree, ties_of
from corephys.hole.reading.error import HoleError, Problem
from corephys.reduction.recipe import Recipe
from corephys.reduction.reuse import Memory, memories_of, remember
from corephys.reduction.stages.quality import baseline_of
from corephys.reduction.stages.scan import HOMES

__all__ = [
    "Placing",
    "assemble",
    "changes_of",
    "lean",
    "placed",
    "placing_of",
    "reduce_holes",
    "reduced_hole",
]

Progress = Callable[[str, int, int], None]
# Quantities of the summary besides those of the sensors: name and path.
_MORE = {
    "porosity": "products/porosity",
    "thermal_conductivity": "properties/thermal_conductivity",
}
# Single results of the summary: name in it, path, name of the variable.
_RESULTS = (
    ("heat_flow", "products/heat_flow", "heat_flow"),
    ("surface_porosity", "products/compaction", "surface_porosity"),
    ("decay_length", "products/compaction", "decay_length"),
)


# --------------------------------------------------------------------------------------------------
# The holes of a site in memory.


def reduce_holes(
    site: xr.DataTree,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | None,
    reduce_hole: Callable[..., xr.DataTree],
    progress: Progress | None = None,
    reuse: xr.DataTree | None = None,
) -> xr.DataTree:
    """Reduce every hole of a site and what they share; see :func:`corephys.reduce`.

    ``reduce_hole`` reduces one hole by a recipe. A hole that cannot be reduced keeps its raw
    tables, and its error is recorded. Each hole takes over its own stages of ``reuse``.
    """
    changes, notes = changes_of(site, recipe)
    names = hole_names(site)
    cores = {n: site[n]["cores"].to_dataset() for n in names if "cores" in site[n].children}
    placing = placing_of(site, cores)
    holes: dict[str, xr.DataTree] = {}
    failed: dict[str, str] = {}
    earlier, memories = memories_of(reuse), {}
    for number, name in enumerate(names):
        told = None if progress is None else _of_hole(progress, name, number, len(names))
        hole = hole_of(site, name)
        tree, why = reduced_hole(hole, changes, reduce_hole, told, earlier.get(name))
        if why:
            failed[name] = why
        if memory := memories_of(tree).get(""):
            memories[name] = memory
        holes[name] = placed(tree, name, placing)
    found = assemble(site, holes, placing, failed, changes, notes)
    remember(found, memories)
    return found


def _of_hole(progress: Progress, name: str, number: int, of: int) -> Progress:
    """Progress of one hole as part of that of the site."""

    def told(stage: str, done: int, stages: int) -> None:
        progress(f"{name}: {stage}", number * stages + done, of * stages)

    return told


def reduced_hole(
    hole: xr.DataTree,
    changes: Recipe | Mapping[str, Any],
    reduce_hole: Callable[..., xr.DataTree],
    progress: Progress | None = None,
    earlier: Memory | None = None,
) -> tuple[xr.DataTree, str]:
    """A hole reduced, and an empty text; or the raw hole, and why it cannot be reduced."""
    kept = {} if earlier is None else {"earlier": earlier}
    try:
        return reduce_hole(hole, changes or None, progress=progress, **kept), ""
    except ValueError as error:
        return hole, str(error)


def changes_of(
    site: xr.DataTree, recipe: Recipe | Mapping[str, Mapping[str, Any]] | None
) -> tuple[Recipe | dict[str, Any], list[str]]:
    """The recipe of all holes: the caller's over that of ``recipe.toml``; and notes on it.

    Raises RecipeError where it cannot be used, before any hole is reduced.
    """
    if isinstance(recipe, Recipe):
        return recipe, []
    of_site = json.loads(str(site.attrs.get("recipe_changes", "{}")))
    changes: dict[str, Any] = dict(of_site)
    for stage, keys in (recipe or {}).items():
        mine = changes.get(stage, {})
        both = isinstance(keys, Mapping) and isinstance(mine, Mapping)
        changes[stage] = {**mine, **keys} if both else keys
    Recipe(changes)
    notes = []
    for name in hole_names(site):
        attributes = site[name].attrs if name in site.children else {}
        held = json.loads(str(attributes.get("settings", "{}")))
        for stage, keys in of_site.items():
            for key, value in keys.items():
                own = held.get(stage, {}).get(key, value)
                if own != value:
                    notes.append(
                        f"recipe.toml sets [{stage}] {key} to {value!r} in place of {own!r} of "
                        f"hole {name}"
                    )
    return changes, notes


# --------------------------------------------------------------------------------------------------
# Composite depth and ages beside every property.


@dataclass(frozen=True)
class Placing:
    """Shifts of the cores of a site and ages on composite depth.

    Parameters
    ----------
    shifts : Dataset or None
        Result of ``composite.shifts``; None for a site without ties in use.
    ages : Dataset or None
        ``depth_composite`` [m], ``age`` and ``age_uncertainty`` [kyr]; None without ages.
    nodes : dict of str to Dataset
        Tables for the node of the site: shifts, growth, sequence.
    notes : list of str
        What is missing, in words.
    """

    shifts: xr.Dataset | None = None
    ages: xr.Dataset | None = None
    nodes: dict[str, xr.Dataset] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def placing_of(site: xr.DataTree, cores: Mapping[str, xr.Dataset]) -> Placing:
    """Shifts from the ties of a site, and its ages; ``cores`` are those of each hole."""
    notes: list[str] = []
    ages = series.leaf(site, f"{SITE}/ages")
    ties, reference = ties_of(site), str(site.attrs.get("reference", ""))
    in_use = ties["state"].isin(("accepted", "edited")).any() if len(ties) else False
    if not in_use:
        notes.append("no tie is in use in ties.csv, so that the holes have no composite depth")
    elif reference not in cores:
        notes.append(
            f"the reference hole {reference} was not read or has no cores.csv, so that the holes "
            "have no composite depth"
        )
        in_use = False
    if not in_use:
        if ages is not None:
            notes.append("ages.csv is on composite depth, so that no reading has an age")
        return Placing(notes=notes)
    try:
        shifts = composite.shifts(ties, cores, reference=reference)
    except ValueError as error:
        return Placing(notes=[f"no composite depth: {error}"])
    nodes = {"shifts": shifts}
    notes += [str(note) for note in _listed(shifts.attrs.get("notes"))]
    loose = ~np.isin(placements(shifts), TIED)
    if loose.any():
        names = ", ".join(
            f"{hole} {core}"
            for hole, core in zip(
                shifts["hole"].values[loose], shifts["core"].values[loose], strict=True
            )
        )
        notes.append(
            f"no tie determines the composite depth of core {names}; it has the shift of the core "
            "above it"
        )
    try:
        nodes["growth"] = composite.growth_factor(shifts)
    except ValueError as error:
        notes.append(f"no growth factor: {error}")
    sequence = series.leaf(site, f"{SITE}/sequence")
    if sequence is not None:
        try:
            table = sequence.to_dataframe().reset_index(drop=True)
            nodes["sequence"] = composite.checked_sequence(table, shifts)
        except ValueError as error:
            notes.append(f"the sequence was not used: {error}")
    return Placing(shifts, ages, nodes, notes)


def _listed(value: Any) -> Iterable[Any]:
    """Items of an attribute that is a list, a JSON text of one, or missing."""
    if value is None or value == "":
        return []
    if isinstance(value, str):
        return json.loads(value) if value.startswith("[") else [value]
    return list(value)


def placed(tree: xr.DataTree, hole: str, placing: Placing) -> xr.DataTree:
    """A reduced hole with composite depth, and age where known, beside its properties.

    Adds to every series with cores: ``depth_composite`` [m] and its uncertainty, ``placement``,
    which is ``tied`` or ``datum`` where ties determine the depth, and ``age`` [kyr], linear
    between the ages of the site and NaN beyond them.
    """
    if placing.shifts is None:
        return tree
    found, notes = {}, []
    for leaf in tree.leaves:
        data = leaf.to_dataset(inherit=False)
        if not leaf.path.startswith(("/properties/", "/products/")):
            continue
        scale = str(placing.shifts.attrs.get("depth_scale", "depth"))
        if "core" not in data.coords or scale not in data.coords or not data["core"].dims:
            continue
        try:
            found[leaf.path] = data.assign_coords(_coordinates(data, hole, scale, placing))
        except PositionError as error:
            notes.append(f"{leaf.path.strip('/')}: no composite depth: {error}")
    nodes = {node.path: node.to_dataset(inherit=False) for node in tree.subtree}
    made = xr.DataTree.from_dict({**nodes, **found}, name=tree.name)
    if notes:
        summary = json.loads(str(made.attrs.get("summary", "{}")))
        summary["notes"] = [*summary.get("notes", []), *notes]
        made.attrs["summary"] = json.dumps(summary)
    return made


def _coordinates(data: xr.Dataset, hole: str, scale: str, placing: Placing) -> dict[str, Any]:
    """Composite depth, how it was found, and age, of the readings of a series."""
    assert placing.shifts is not None
    shifts = placing.shifts
    bare = xr.Dataset(coords={name: data[name] for name in ("core", scale)})
    bare = bare.drop_vars([name for name in bare.coords if name not in ("core", scale)])
    there = composite.place(bare, hole=hole, shifts=shifts)
    found: dict[str, Any] = {
        name: there[name].variable
        for name in ("depth_composite", "depth_composite_u_random")
        if name in there.coords
    }
    own = data.get("depth_u_random")
    name = "depth_composite_u_random"
    if name in found and own is not None and own.dims == found[name].dims:
        # The offset of the reading within its core errs beside the shift of the core.
        u = np.hypot(found[name].values, own.values)
        found[name] = xr.Variable(found[name].dims, u, found[name].attrs)
    mine = shifts["hole"].values == hole
    how = dict(zip(shifts["core"].values[mine], placements(shifts)[mine], strict=True))
    words = np.array([how[core] for core in data["core"].values.astype(str).ravel()], dtype=object)
    about = {"long_name": "how composite depth was found"}
    found["placement"] = (data["core"].dims, words.reshape(data["core"].shape), about)
    if placing.ages is not None and "age" not in data.variables:
        found |= _ages_at(found["depth_composite"], placing.ages)
    return found


def _ages_at(depth: xr.Variable, ages: xr.Dataset) -> dict[str, Any]:
    """Age [kyr] at composite depths [m], and its uncertainty from those of the ages beside."""
    z, age = ages["depth_composite"].values, ages["age"].values
    known = np.isfinite(z) & np.isfinite(age)
    if known.sum() < 2:
        return {}
    order = np.flatnonzero(known)[np.argsort(z[known], kind="stable")]
    z, age = z[order], age[order]
    at = depth.values
    inside = (at >= z[0]) & (at <= z[-1])
    words = {"units": "kyr", "long_name": term("age").long_name}
    found = {"age": (depth.dims, np.where(inside, np.interp(at, z, age), np.nan), words)}
    if "age_uncertainty" in ages:
        u = ages["age_uncertainty"].values[order]
        below = np.clip(np.searchsorted(z, at, side="right"), 1, z.size - 1)
        thick = z[below] - z[below - 1]
        share = np.where(thick > 0.0, (at - z[below - 1]) / np.where(thick > 0.0, thick, 1.0), 1.0)
        spread = np.hypot((1.0 - share) * u[below - 1], share * u[below])
        about = {
            "units": "kyr",
            "long_name": "standard uncertainty of age from the ages above and below, without that "
            "of the rate between them",
        }
        found["age_u_random"] = (depth.dims, np.where(inside, spread, np.nan), about)
    return found


# --------------------------------------------------------------------------------------------------
# What holds for all holes: control charts, calibrations in time, one summary row a hole.


def lean(tree: xr.DataTree) -> xr.DataTree:
    """A reduced hole without raw readings and effects: enough for the tables of a site."""
    nodes = {"/": tree.to_dataset(inherit=False)}
    for leaf in tree.leaves:
        path, data = leaf.path, leaf.to_dataset(inherit=False)
        if path.startswith(("/properties/", "/products/")):
            nodes[path] = data.drop_vars([n for n in data.variables if str(n).endswith("_effects")])
        elif path.startswith(("/standards/", "/cores", "/sections", "/layers")):
            nodes[path] = data
    return xr.DataTree.from_dict(nodes, name=tree.name)


def assemble(
    site: xr.DataTree,
    holes: Mapping[str, xr.DataTree],
    placing: Placing,
    failed: Mapping[str, str],
    changes: Recipe | Mapping[str, Any],
    notes: Iterable[str],
) -> xr.DataTree:
    """The reduced site of its reduced holes.

    Parameters
    ----------
    site : DataTree
        Site as read; its attributes and tables are kept.
    holes : mapping of str to DataTree
        Reduced holes by name, complete or from :func:`lean`.
    placing : Placing
        Result of :func:`placing_of`.
    failed : mapping of str to str
        Error of each hole that could not be reduced.
    changes : Recipe or mapping
        The recipe that all holes shared.
    notes : iterable of str
        Notes on it.

    Returns
    -------
    DataTree
        Holes as children, ``/site`` with the tables of all holes.

    Raises
    ------
    HoleError
        When no hole could be reduced.
    """
    if failed and len(failed) == len(holes):
        named: dict[str, list[str]] = {}  # the holes of each error: a fault of the site is in all
        for name, why in failed.items():
            named.setdefault(" ".join(why.split()).rstrip("."), []).append(name)
        problems = [
            Problem(
                ", ".join(names),
                None,
                "",
                why,
                "Correct hole.toml or the tables of the hole; a setting that the holes share "
                "stands in site.toml",
            )
            for why, names in named.items()
        ]
        raise HoleError(problems, "the site", "reduced")
    from corephys import __version__

    nodes = {
        str(leaf.name): leaf.to_dataset(inherit=False)
        for leaf in site.leaves
        if leaf.path.startswith(f"/{SITE}/")
    }
    nodes |= placing.nodes
    sound = {name: tree for name, tree in holes.items() if name not in failed}
    nodes |= _charts(sound)
    history = _calibrations(sound)
    if history is not None:
        nodes["calibrations"] = history
    nodes["summary"] = _summary(site, holes, failed)
    summary = {
        "failed": dict(failed),
        "failed_stages": {
            name: stages
            for name, tree in sound.items()
            if (stages := json.loads(str(tree.attrs["summary"])).get("failed"))
        },
        "unreadable": json.loads(str(site.attrs.get("unreadable", "{}"))),
        "notes": [*notes, *placing.notes],
    }
    text = changes.to_json() if isinstance(changes, Recipe) else json.dumps(changes, default=str)
    inputs = str(site.attrs.get("input_sha256", "{}"))
    attributes = {
        **site.attrs,
        **provenance.root_attributes(text, inputs, __version__),
        "holes": json.dumps(list(holes)),
        "summary": json.dumps(summary, ensure_ascii=False),
    }
    return site_tree(attributes, holes, nodes)


def _charts(holes: Mapping[str, xr.DataTree]) -> dict[str, xr.Dataset]:
    """One control chart a sensor from the checks of all holes, in the order of time.

    A check at a time that an earlier hole has too is one of the shared standards and counts once.
    """
    parts: dict[str, list[tuple[str, xr.Dataset]]] = {}
    for hole, tree in holes.items():
        for leaf in tree.leaves:
            if leaf.path.startswith("/properties/control_"):
                parts.setdefault(str(leaf.name), []).append((hole, leaf.to_dataset(inherit=False)))
    found = {}
    for name, charts in parts.items():
        times, values = [], []
        unit = str(charts[0][1]["value"].attrs.get("units", "1"))
        owners: dict[Any, list[str]] = {}
        for hole, chart in charts:
            at = chart["time"].values
            value = units.as_floats(chart["value"], unit, "value").values
            new = np.array([moment not in owners for moment in at.tolist()], dtype=bool)
            times.append(at[new])
            values.append(value[new])
            for moment in dict.fromkeys(at.tolist()):
                owners.setdefault(moment, []).append(hole)
        time = np.concatenate(times)
        value = np.concatenate(values)
        made = quality.control_chart(
            time,
            xr.DataArray(value, dims="standard", attrs={"units": unit}),
            baseline=baseline_of(np.isfinite(value)),
        )
        order = np.argsort(time, kind="stable")
        owner = np.array([", ".join(owners[t]) for t in time[order].tolist()], dtype=object)
        about = {"long_name": "holes whose standards hold the check"}
        dataset = made.dataset.assign_coords(hole=("standard", owner, about))
        kept = {k: v for k, v in charts[0][1].attrs.items() if k in ("sensor", "checked", "safety")}
        found[name] = dataset.assign_attrs(kept)
    return found


def _calibrations(holes: Mapping[str, xr.DataTree]) -> xr.Dataset | None:
    """Constants that were fitted to standards in all holes, by hole, sensor, set and time.

    The same constants in several holes, from standards that they share, are one row.
    """
    rows: dict[tuple[Any, ...], list[str]] = {}
    for hole, tree in holes.items():
        for leaf in tree.leaves:
            if "fitted_constants" not in leaf.attrs or not leaf.path.startswith("/properties/"):
                continue
            sensor = _sensor_of(str(leaf.name))
            held = json.loads(str(leaf.attrs["fitted_constants"]))
            label = str(leaf.attrs.get("calibration_set", "all"))
            time = str(leaf.attrs.get("calibration_time", "")) or _standards_time(tree, sensor)
            for symbol, meaning, value, u, unit in held["rows"]:
                key = (sensor, label, time, symbol, meaning, value, u, unit, held["standards"])
                rows.setdefault(key, []).append(hole)
    if not rows:
        return None
    order = sorted(rows, key=lambda key: (key[0], key[3], key[2] or "9999"))
    columns = list(zip(*order, strict=True))

    def text(words: str, values: Iterable[Any]) -> tuple[str, np.ndarray, dict[str, str]]:
        return "row", np.array([str(v) for v in values], dtype=object), {"long_name": words}

    def number(words: str, values: Iterable[Any]) -> tuple[str, np.ndarray, dict[str, str]]:
        made = np.array([np.nan if v is None else float(v) for v in values])
        return "row", made, {"long_name": words}

    times = np.array([np.datetime64(t or "NaT", "s") for t in columns[2]], dtype="datetime64[s]")
    return xr.Dataset(
        {
            "holes": text("holes that used it", (", ".join(rows[key]) for key in order)),
            "sensor": text("sensor", columns[0]),
            "set": text("set of standards", columns[1]),
            "time": ("row", times, {"long_name": "mean time of the standards"}),
            "constant": text("symbol of the constant", columns[3]),
            "meaning": text("meaning of the constant", columns[4]),
            "value": number("value in the unit of the row", columns[5]),
            "value_u_random": number("standard uncertainty in the unit of the row", columns[6]),
            "unit": text("unit of the row", columns[7]),
            "standards": number("readings of standards in the fit", columns[8]),
        }
    )


def _sensor_of(leaf: str) -> str:
    """Name of the sensor whose calibration stands in a leaf."""
    if "_calibration" in leaf:
        return leaf.partition("_calibration")[0]
    return {"velocity": "pwave", "radioelements": "natural_gamma"}.get(leaf, leaf)


def _standards_time(tree: xr.DataTree, sensor: str) -> str:
    """Mean time of the standards of a sensor; empty without times."""
    table = series.leaf(tree, f"standards/{sensor}")
    if table is None or "time" not in table or not table.sizes.get("row"):
        return ""
    times = of_kind(table, "standard")["time"].values
    known = times[~np.isnat(times)].astype("datetime64[s]").astype(np.int64)
    return str(np.datetime64(round(float(known.mean())), "s")) if known.size else ""


def _summary(
    site: xr.DataTree, holes: Mapping[str, xr.DataTree], failed: Mapping[str, str]
) -> xr.Dataset:
    """One row a hole: recovery, readings and usable readings, medians, results, failures."""
    unread = json.loads(str(site.attrs.get("unreadable", "{}")))
    rows = [_row(name, tree, failed.get(name, "")) for name, tree in holes.items()]
    rows += [{"hole": name, "status": "not read"} for name in unread if name not in holes]
    about: dict[str, tuple[str, str | None]] = {
        "name": ("name of the hole", None),
        "status": ("state of the hole", None),
        "water_depth": ("water depth", "m"),
        "bottom": ("bottom of the deepest core", "m"),
        "cores": ("cores", "1"),
        "advance": ("advance of all cores", "m"),
        "recovered": ("length recovered of all cores", "m"),
        "recovery": ("recovered over advance", "%"),
    }
    for quantity in (*HOMES, *_MORE):
        if any(f"{quantity}_readings" in row for row in rows):
            words, unit = TERMS[quantity].long_name, TERMS[quantity].unit
            about[f"{quantity}_readings"] = (f"readings of {words}", "1")
            about[f"{quantity}_usable"] = (f"usable readings of {words}", "1")
            about[f"{quantity}_median"] = (f"median of {words}, usable readings", unit)
    for name, _, _ in _RESULTS:
        if any(name in row for row in rows):
            words, unit = TERMS[name].long_name, TERMS[name].unit
            about[name] = (words, unit)
            about[f"{name}_u_total"] = (f"standard uncertainty of {words}, k = 1", unit)
            about[f"{name}_flag"] = (f"flag of {words}", "1")
    about["failed_stages"] = ("stages that failed", "1")
    about["notes"] = ("notes of the reduction", "1")
    variables: dict[str, Any] = {}
    for name, (words, unit) in about.items():
        attributes = {"long_name": words, **({} if unit is None else {"units": unit})}
        if unit is None:
            values = np.array([str(row.get(name, "")) for row in rows], dtype=object)
        else:
            values = np.array([float(row.get(name, np.nan)) for row in rows])
        variables[name] = ("row", values, attributes)
    hole = np.array([row["hole"] for row in rows], dtype=object)
    return xr.Dataset(variables, {"hole": ("row", hole, {"long_name": "hole"})})


def _row(name: str, tree: xr.DataTree, why: str) -> dict[str, Any]:
    """Summary of one hole."""
    row: dict[str, Any] = {
        "hole": name,
        "name": tree.attrs.get("title", name),
        "status": "not reduced" if why else "reduced",
    }
    depth = json.loads(str(tree.attrs.get("settings", "{}"))).get("hole", {}).get("water_depth")
    if depth is not None:
        row["water_depth"] = float(units.as_floats(depth, "m", "water_depth"))
    cores = series.leaf(tree, "cores")
    if cores is not None and cores.sizes.get("row"):
        advance, recovered = (float(cores[n].sum()) for n in ("advance", "recovered"))
        row |= {"cores": cores.sizes["row"], "advance": advance, "recovered": recovered}
        row["recovery"] = 100.0 * recovered / advance if advance > 0.0 else np.nan
        row["bottom"] = float((cores["top"] + cores["advance"]).max())
    if why:
        return row
    summary = json.loads(str(tree.attrs["summary"]))
    row |= {"failed_stages": len(summary.get("failed", {})), "notes": len(summary["notes"])}
    row["status"] = "stages failed" if row["failed_stages"] else "reduced"
    allow = flags.allowed(str(tree.attrs.get("recipe", "")))
    for quantity, path in {**HOMES, **_MORE}.items():
        data = series.leaf(tree, path)
        if data is None or quantity not in data or f"{quantity}_flag" not in data:
            continue
        values = np.atleast_1d(data[quantity].values.astype(float))
        use = flags.usable(np.atleast_1d(data[f"{quantity}_flag"].values), allow)
        use &= np.isfinite(values)
        row[f"{quantity}_readings"], row[f"{quantity}_usable"] = values.size, int(use.sum())
        if use.any():
            row[f"{quantity}_median"] = float(np.median(values[use]))
    for key, path, variable in _RESULTS:
        data = series.leaf(tree, path)
        if data is None or variable not in data or data[variable].ndim:
            continue
        row[key] = float(data[variable])
        parts = (f"{variable}_u_random", f"{variable}_u_systematic")
        if all(part in data for part in parts):
            row[f"{key}_u_total"] = float(uncertainty.total(data, variable))
        if f"{variable}_flag" in data:
            row[f"{key}_flag"] = int(data[f"{variable}_flag"])
    return row
