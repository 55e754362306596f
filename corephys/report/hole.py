"""The page of a hole: results, doubts, figures, tables, recipe and provenance in one HTML file."""

from __future__ import annotations

import hashlib
import importlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys.export import REPORT_TABLES, NothingToTabulate, report_table
from corephys.figures import FIGURES, NothingToDraw
from corephys.ground import series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from corephys.ground.choices import plain_words
from corephys.ground.progress import bar
from corephys.hole import contents
from corephys.hole.composite.folder import instead_of_site, is_site
from corephys.quality import audit
from corephys.reduction import doubts
from corephys.reduction.recipe import Recipe, RecipeError
from corephys.report import page
from corephys.report.numbers import key_numbers

__all__ = ["write_report"]

_DOTS = 200.0  # dots per inch of the pictures, those of the files beside the page
# Figures by subject in the order of the page.
SUBJECTS = {
    "The hole": ("summary", "scan", "description", "core_description", "log_comparison"),
    "Density, porosity and compaction": (
        "gamma_calibration",
        "density_comparison",
        "index_properties",
        "reported_values",
        "porosity_depth",
        "compaction_models",
    ),
    "Velocity, resistivity and travel time": (
        "velocity_axes",
        "velocity_porosity",
        "velocity_density",
        "formation_factor",
        "seismic_tie",
        "time_depth",
    ),
    "Strength and stress": ("strength_depth", "stress_depth", "consolidation_curves"),
    "Heat": ("heating_run", "station", "temperature_records", "heat_flow", "heat_flow_tests"),
    "Age": ("accumulation",),
    "Quality of the readings": ("audit", "uncertainty_budget", "control_charts"),
}
# Headings of the doubts, the heaviest first.
_DOUBTS = {
    "failed": "Stages that failed",
    "reading": "Findings about the tables",
    "verdict": "Fits, calibrations and standards",
    "left_out": "Readings that are not used",
    "uncertainty": "Uncertainties that are not known",
}


def write_report(
    reduced: xr.DataTree,
    out: str | os.PathLike[str],
    *,
    pictures: str | os.PathLike[str] | None = None,
) -> Path:
    """Write the page of a reduced hole.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole, from ``reduce`` or ``load``.
    out : path
        Folder of the page; created if it does not exist.
    pictures : path, optional
        Folder in which ``write_figures`` has left the figures: of each its PNG and its caption.
        Without it the figures are drawn here.

    Returns
    -------
    Path
        ``out/report.html``: one file that needs no other file and no network. In it stand
        position, dates and versions; the results with their uncertainties; what to beware of;
        the viewer; the figures; tables that fold; the recipe; the provenance.

    Raises
    ------
    ValueError
        If ``reduced`` is a site or is not reduced.
    """
    if is_site(reduced):
        raise ValueError(instead_of_site(reduced))
    if "summary" not in reduced.attrs:
        raise ValueError(
            "write_report got a hole that is not reduced; give the result of cp.reduce or cp.load"
        )
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    values: dict[str, Any] = {
        "title": str(reduced.attrs.get("title", "Hole")),
        "cautions": _cautions(reduced),
        "facts": _facts(reduced),
        "groups": key_numbers(reduced),
        "doubts": _doubts(reduced),
        "viewer": _viewer(reduced),
        "subjects": _subjects(reduced, pictures),
        "tables": list(_tables(reduced)),
        "recipe": _recipe(reduced),
        "provenance": _provenance(reduced),
        "research_only": RESEARCH_ONLY,
        "sealed_source": SEALED_SOURCE,
    }
    values["contents"] = _contents(values)
    return page.write("hole.html", folder, values)


# --------------------------------------------------------------------------------------------------
# Head of the page: position, dates, versions, safety.


def _cautions(tree: xr.DataTree) -> list[str]:
    """Lines of caution of the page: the general one, then those of the results."""
    held = [str(leaf.attrs["safety"]) for leaf in tree.leaves if "safety" in leaf.attrs]
    return list(dict.fromkeys([RESEARCH_ONLY, *held]))


def _facts(tree: xr.DataTree) -> list[tuple[str, str]]:
    """Position, coring, dates, versions and digests of the hole; only what is known."""
    settings = json.loads(tree.attrs.get("settings", "{}"))
    hole = settings.get("hole", {})
    facts = [("Site", str(hole.get("site", "")))]
    facts.append(("Position", position(hole.get("latitude"), hole.get("longitude"))))
    facts.append(("Water depth", str(hole.get("water_depth") or "")))
    facts.append(("Depth datum", str(hole.get("depth_datum") or "not given")))
    facts += [(label.capitalize(), words) for label, words in contents.coring(tree)]
    facts += [(label.capitalize(), words) for label, words in contents.described(tree)]
    cores = series.leaf(tree, "cores")
    on_deck = [] if cores is None else [cores]
    facts.append(("Cores on deck", _span(on_deck, "time_on_deck")))
    scans = [leaf.to_dataset(inherit=False) for leaf in tree.leaves if "/scan/" in leaf.path]
    facts.append(("Scanned", _span(scans, "time")))
    versions = f"corephys {tree.attrs.get('corephys_version', 'not recorded')}"
    if "format_version" in tree.attrs:
        versions += f", file format {tree.attrs['format_version']}"
    facts.append(("Reduced with", versions))
    facts.append(("Digest of the recipe", _digest(tree.attrs.get("recipe", ""))[:16]))
    facts.append(("Digest of the inputs", _digest(tree.attrs.get("input_sha256", ""))[:16]))
    return [(label, words) for label, words in facts if words]


def _contents(values: dict[str, Any]) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Anchor and words of each section of the page, with those below it."""
    groups = [(f"results-{i}", group.heading) for i, group in enumerate(values["groups"], 1)]
    figures = [(f"figures-{i}", words) for i, (words, _) in enumerate(values["subjects"], 1)]
    found: list[tuple[str, str, list[tuple[str, str]]]] = [("results", "Results", groups)]
    found.append(("beware", "What to beware of", []))
    found += [("viewer", "Readings along the hole", [])] if values["viewer"] else []
    found += [("figures", "Figures", figures)] if figures else []
    for anchor in ("tables", "recipe", "provenance", "safety"):
        found.append((anchor, anchor.capitalize(), []))
    return found


def position(latitude: Any, longitude: Any) -> str:
    """Latitude and longitude in degrees with their hemispheres; empty if one is not given."""
    try:
        north, east = float(latitude), float(longitude)
    except (TypeError, ValueError):
        return ""
    east = (east + 180.0) % 360.0 - 180.0 if east != 180.0 else east
    return (
        f"{abs(north):.5g}° {'N' if north >= 0.0 else 'S'}, "
        f"{abs(east):.6g}° {'E' if east >= 0.0 else 'W'}"
    )


def _span(tables: list[xr.Dataset], name: str) -> str:
    """First and last time of a column of some tables, in UTC; empty without times."""
    found = [data[name].values for data in tables if name in data and data[name].dtype.kind == "M"]
    times = np.concatenate(found) if found else np.array([], "datetime64[s]")
    times = times[~np.isnat(times)]
    if not times.size:
        return ""
    first, last = (
        str(one.astype("datetime64[m]")).replace("T", " ") for one in (times.min(), times.max())
    )
    return f"{first} UTC" if first == last else f"{first} to {last} UTC"


def _digest(text: object) -> str:
    """SHA-256 of a text; empty without a text."""
    return hashlib.sha256(str(text).encode("utf-8")).hexdigest() if text else ""


# --------------------------------------------------------------------------------------------------
# What to beware of, the viewer, the figures.


def _doubts(tree: xr.DataTree) -> list[tuple[str, list[str], bool]]:
    """Heading and sentences of each kind of doubt, the heaviest first, and the notes.

    The last value is whether the kind concerns what was read or fitted, and is set off.
    """
    found = doubts.of_hole(tree)
    groups = [
        (heading, [doubt.words for doubt in found if doubt.kind == kind])
        for kind, heading in _DOUBTS.items()
    ]
    summary = json.loads(tree.attrs["summary"])
    groups.append(("Notes of the reduction", [str(note) for note in summary["notes"]]))
    left = json.loads(tree.attrs.get("files_not_read", "[]"))
    groups.append(("Files that were not read", [str(name) for name in left]))
    heavy = {_DOUBTS[kind] for kind in ("failed", "reading", "verdict")}
    return [(heading, words, heading in heavy) for heading, words in groups if words]


def _viewer(tree: xr.DataTree) -> str:
    """The viewer of the tracks; empty if this release has none, or the hole nothing to view."""
    try:
        viewer = importlib.import_module("corephys.figures.viewer")
    except ModuleNotFoundError as error:
        if error.name != "corephys.figures.viewer":
            raise
        return ""
    try:
        return str(viewer.page_fragment(tree))
    except NothingToDraw:
        return ""


def _subjects(
    tree: xr.DataTree, pictures: str | os.PathLike[str] | None
) -> list[tuple[str, list[page.Picture]]]:
    """Figures by subject; those in no subject stand at the end."""
    made = dict(_drawn(tree) if pictures is None else _printed(Path(pictures)))
    groups = [
        (subject, [made.pop(name) for name in names if name in made])
        for subject, names in SUBJECTS.items()
    ]
    groups.append(("Further figures", list(made.values())))
    return [(subject, held) for subject, held in groups if held]


def _drawn(tree: xr.DataTree) -> Iterator[tuple[str, page.Picture]]:
    """Every figure that the hole has the data for, drawn here."""
    with bar("figures") as step:
        for number, (name, draw) in enumerate(FIGURES.items()):
            step(name, number, len(FIGURES))
            try:
                plate = draw(tree)
            except NothingToDraw:
                continue
            png = page.for_the_screen(plate.picture(_DOTS))
            yield name, page.Picture(name, _title(name), plate.caption, png)


def _printed(folder: Path) -> Iterator[tuple[str, page.Picture]]:
    """Every figure that stands in a folder, with its caption."""
    for name in FIGURES:
        png, caption = folder / f"{name}.png", folder / f"{name}.txt"
        if png.is_file():
            words = caption.read_text(encoding="utf-8").strip() if caption.is_file() else ""
            held = page.for_the_screen(png.read_bytes())
            yield name, page.Picture(name, _title(name), words, held)


def _title(name: str) -> str:
    """Title of a figure."""
    return name.replace("_", " ").capitalize()


# --------------------------------------------------------------------------------------------------
# Tables, recipe, provenance.


def _tables(tree: xr.DataTree) -> Iterator[page.Table]:
    """Tables of the page: what was kept, cores, standards, then those of the report."""
    summary = json.loads(tree.attrs["summary"])
    rows = [
        (
            entry["name"].replace("_", " "),
            entry["path"].split("/", 1)[1].replace("_", " "),
            *(f"{entry[key]:,}" for key in ("readings", "kept", "flagged", "missing")),
            ", ".join(f"{k.replace('_', ' ')} {n:,}" for k, n in entry["reasons"].items()),
        )
        for entry in summary["quantities"]
    ]
    if rows:
        yield page.table(
            "Readings kept and left out",
            ("quantity", "result", "readings", "kept", "flagged", "missing", "reasons"),
            rows,
            numbers=range(2, 6),
            notes=("A reading can have several reasons.",),
        )
    yield from _kept_by_core(tree)
    yield from _standards(tree)
    for name in REPORT_TABLES:
        try:
            yield page.of_report(report_table(tree, name))
        except NothingToTabulate:
            continue
    if summary["skipped"]:
        rows = [(stage, why) for stage, why in summary["skipped"].items()]
        yield page.table("Stages that had nothing to do", ("stage", "why"), rows)


def _kept_by_core(tree: xr.DataTree) -> Iterator[page.Table]:
    """Readings kept of each core and quantity of the scan; nothing for a hole without a scan."""
    try:
        cores = audit(tree).cores
    except ValueError:
        return
    names = list(dict.fromkeys(cores["quantity"]))
    held = {
        (row.core, row.quantity): f"{row.kept:,} of {row.readings:,}"
        for row in cores.itertuples(index=False)
    }
    rows = [
        (core, *(held.get((core, name), "") for name in names))
        for core in dict.fromkeys(cores["core"])
    ]
    header = ("core", *(name.replace("_", " ") for name in names))
    yield page.table("Readings kept of each core", header, rows, numbers=range(1, 1 + len(names)))


def _standards(tree: xr.DataTree) -> Iterator[page.Table]:
    """Control of the standards of each sensor."""
    rows = []
    for leaf in tree.leaves:
        data = leaf.to_dataset(inherit=False)
        if not str(leaf.name).startswith("control_") or "alarm" not in data:
            continue
        alarm = data["alarm"].values.astype(bool)
        first = ""
        if alarm.any() and "time" in data:
            time = data["time"].values[alarm].min()
            first = "" if np.isnat(time) else str(time.astype("datetime64[m]")).replace("T", " ")
        rows.append(
            (
                str(data.attrs.get("sensor", leaf.name)).replace("_", " "),
                str(data.attrs.get("checked", "")),
                f"{alarm.size:,}",
                f"{int(alarm.sum()):,}",
                first,
                plain_words(data.attrs.get("status", "")),
            )
        )
    if rows:
        yield page.table(
            "Standards in control",
            ("sensor", "checked", "readings", "alarms", "first alarm (UTC)", "verdict"),
            rows,
            numbers=(2, 3),
            notes=(SEALED_SOURCE,) if any(row[0] == "gamma" for row in rows) else (),
        )


def _recipe(tree: xr.DataTree) -> dict[str, Any]:
    """Choices that differ from the defaults, with who set them, and the complete recipe."""
    text = str(tree.attrs.get("recipe", "{}"))
    held = json.loads(text)
    every = [
        page.table(
            f"[{stage}]",
            ("choice", "value"),
            [(key, "not given" if value is None else _value(value)) for key, value in keys.items()],
        )
        for stage, keys in held.items()
    ]
    count = sum(len(table.rows) for table in every)
    try:
        recipe = Recipe.from_json(text)
    except RecipeError as error:
        # Of another release, or with a sensor that is not registered here.
        why = f"Its differences from the defaults are not listed: {error}"
        return {"changed": None, "why": why, "every": every, "count": count}
    settings = json.loads(tree.attrs.get("settings", "{}"))
    rows = []
    for place, words in recipe.card().rows:
        stage, _, key = place.partition(".")
        by_hole = key in settings.get(stage, {}) and settings[stage][key] == held[stage][key]
        rows.append((place, words, "hole.toml" if by_hole else "call"))
    changed = page.table("Differences from the defaults", ("choice", "value", "set by"), rows)
    return {"changed": changed, "why": "", "every": every, "count": count}


def _value(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _provenance(tree: xr.DataTree) -> dict[str, Any]:
    """Digests in full, input files, and the steps of each result."""
    inputs = json.loads(tree.attrs.get("input_sha256", "{}"))
    facts = [
        ("corephys", str(tree.attrs.get("corephys_version", "not recorded"))),
        ("file format", str(tree.attrs.get("format_version", "not recorded"))),
        ("SHA-256 of the recipe", _digest(tree.attrs.get("recipe", ""))),
        ("SHA-256 of the list of inputs", _digest(tree.attrs.get("input_sha256", ""))),
    ]
    shared = json.loads(str(tree.attrs.get("settings_of_site", "[]")))
    if shared:
        facts.append(("settings of the site", ", ".join(map(str, shared))))
    steps = []
    for leaf in tree.leaves:
        listed = json.loads(leaf.attrs.get("steps", "[]"))
        if listed and leaf.path.startswith(("/properties", "/products")):
            steps.append((leaf.path.strip("/").replace("_", " "), [str(one) for one in listed]))
    return {
        "facts": facts,
        "inputs": page.table("Input files", ("file", "SHA-256"), list(inputs.items())),
        "steps": steps,
    }
