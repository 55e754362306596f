"""The page of a site: every hole reduced and written with its page, and one page of all holes."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import xarray as xr

from corephys.export import (
    NothingToTabulate,
    calibration_table,
    save,
    sequence_table,
    shift_table,
    site_summary,
    write_report_tables,
    write_site_tables,
    write_summaries,
    write_tables,
)
from corephys.figures import Plate, write_figures
from corephys.figures.files import save as save_figure
from corephys.figures.site import site_figures
from corephys.ground import series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from corephys.ground.progress import Step, bar
from corephys.ground.provenance import write_bytes
from corephys.hole.composite.folder import hole_names, site_head, site_tree, with_ties
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.read import hole_of_site
from corephys.hole.reading.shared import Shared
from corephys.reduction.run import reduce
from corephys.reduction.site import (
    assemble,
    changes_of,
    lean,
    placed,
    placing_of,
    reduced_hole,
)
from corephys.report import page
from corephys.report.hole import position, write_report

__all__ = ["write_site"]

_DOTS = 200.0  # dots per inch of the pictures, those of the files beside the page
# Beginning of the names of figures, and their heading on the page.
_SECTIONS = (
    ("holes_", "Holes side by side"),
    ("core_shifts", "Shifts of the cores"),
    ("control_charts", "Control charts of the standards"),
    ("calibration_history", "Calibrations in time"),
)
_HOLES_BESIDE = 8  # holes up to which they are the columns of the summary


def write_site(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    recipe: Mapping[str, Mapping[str, Any]] | None = None,
    reports: bool = True,
    figures: bool = True,
    skip_unreadable: bool = False,
    progress: Step | None = None,
) -> xr.DataTree:
    """Reduce a site hole by hole, and write the files of each hole and the page of the site.

    Parameters
    ----------
    folder : path
        Folder of the site.
    out : path
        Folder for the results; created if it does not exist.
    recipe : mapping, optional
        Changes to the recipe of every hole, over those of ``recipe.toml``.
    reports : bool
        Write the report of each hole, ``out/<hole>/report.html``.
    figures : bool
        Write figures of each hole and of the site, and the page of the site.
    skip_unreadable : bool
        Reduce the other holes where one cannot be read.
    progress : callable, optional
        Called with the name of a step, its number and the number of steps; without it a bar is
        shown in a terminal or a notebook.

    Returns
    -------
    DataTree
        The reduced site, its holes without raw readings and effects, as ``out/site.nc`` holds
        it. ``out/<hole>`` holds the files of each hole as for a hole alone, and ``out/tables``,
        ``out/figures`` and ``out/report.html`` those of the site.

    Raises
    ------
    HoleError
        When a hole or a file of the site cannot be read, or no hole can be reduced.
    RecipeError
        When the recipe cannot be used.
    TieError
        When ties do not fit the holes.

    Notes
    -----
    One hole is in memory at a time. A hole that cannot be reduced is recorded in the summary; the
    files that an earlier run wrote for it are removed.
    """
    where, results = Path(folder), Path(out)
    site, common, cores = _checked(where, skip_unreadable)
    changes, notes = changes_of(site, recipe)
    placing = placing_of(site, cores)
    results.mkdir(parents=True, exist_ok=True)
    if changes:
        write_bytes(results / "recipe.toml", _toml(changes).encode("utf-8"))
    names = hole_names(site)
    holes: dict[str, xr.DataTree] = {}
    failed: dict[str, str] = {}
    with bar("site", progress) as step:
        for number, name in enumerate(names):
            step(f"hole {name}", number, len(names) + 1)
            raw = hole_of_site(where / name, None, common, where)
            tree, why = reduced_hole(raw, changes, reduce)
            if why:
                failed[name] = why
                for stale in ("reduced.nc", "report.html"):
                    (results / name / stale).unlink(missing_ok=True)
            else:
                tree = placed(tree, name, placing)
                _write_hole(tree, results / name, reports, figures)
            holes[name] = lean(tree)
        step("site", len(names), len(names) + 1)
        found = assemble(site, holes, placing, failed, changes, notes)
        save(found, results / "site.nc")
        write_site_tables(found, results / "tables")
        if figures:
            plates = site_figures(found)
            for title, plate in plates.items():
                save_figure(plate, results / "figures", title)
            _write_page(found, plates, results)
        step("done", len(names) + 1, len(names) + 1)
    return found


def _checked(
    where: Path, skip_unreadable: bool
) -> tuple[xr.DataTree, Shared, dict[str, xr.Dataset]]:
    """A site whose holes are read one by one and dropped: their attributes and cores are kept.

    All holes are read before the first is reduced, so that their faults are listed together.
    """
    head, common = site_head(where)
    kept: dict[str, xr.DataTree] = {}
    cores: dict[str, xr.Dataset] = {}
    faults: dict[str, list[Problem]] = {}
    for name in hole_names(head):
        try:
            tree = hole_of_site(where / name, None, common, where)
        except HoleError as error:
            faults[name] = [
                Problem(f"{name}/{p.file}", p.row, p.column, p.what, p.mend) for p in error.problems
            ]
            continue
        kept[name] = xr.DataTree(xr.Dataset(attrs=dict(tree.attrs)))
        table = series.leaf(tree, "cores")
        if table is not None:
            cores[name] = table
    if faults and (not skip_unreadable or not kept):
        problems = [problem for found in faults.values() for problem in found]
        raise HoleError(problems, f"the site in {str(where)!r}")
    attributes, nodes = with_ties(where, head, cores, list(faults))
    attributes["holes"] = json.dumps(list(kept))
    unreadable = {name: [str(problem) for problem in found] for name, found in faults.items()}
    attributes["unreadable"] = json.dumps(unreadable, ensure_ascii=False)
    return site_tree(attributes, kept, nodes), common, cores


def _write_hole(tree: xr.DataTree, out: Path, reports: bool, figures: bool) -> None:
    """Write the files of a hole, and its page from the pictures among them."""
    out.mkdir(parents=True, exist_ok=True)
    save(tree, out / "reduced.nc")
    write_tables(tree, out / "tables")
    write_summaries(tree, out / "tables")
    write_report_tables(tree, out / "report_tables")
    if figures:
        write_figures(tree, out / "figures")
    if figures and reports:
        write_report(tree, out, pictures=out / "figures")


def _toml(changes: Any) -> str:
    """Changes to a recipe as TOML."""

    def value(one: Any) -> str:
        if isinstance(one, Mapping):
            inside = ", ".join(f"{json.dumps(k)} = {value(v)}" for k, v in one.items())
            return f"{{{inside}}}"
        if isinstance(one, (list, tuple)):
            return f"[{', '.join(map(value, one))}]"
        return json.dumps(one, ensure_ascii=False)

    lines = []
    for stage, keys in changes.items():
        lines.append(f"[{stage}]")
        # TOML has no word for a value that is not given; such a key keeps its default.
        lines += [f"{key} = {value(one)}" for key, one in keys.items() if one is not None]
        lines.append("")
    return "\n".join(lines)


# --------------------------------------------------------------------------------------------------
# The page of a site: one HTML file with pictures inside and links to the pages of the holes.


def _write_page(site: xr.DataTree, plates: Mapping[str, Plate], out: Path) -> None:
    """Write the page of a reduced site."""
    subjects = _subjects(plates)
    sections = [(f"figures-{i}", words) for i, (words, _) in enumerate(subjects, 1)]
    contents: list[tuple[str, str, list[tuple[str, str]]]] = [("results", "Holes", [])]
    contents.append(("beware", "What to beware of", []))
    contents += [("figures", "Figures", sections)] if sections else []
    for anchor in ("tables", "recipe", "provenance", "safety"):
        contents.append((anchor, anchor.capitalize(), []))
    values = {
        "title": str(site.attrs.get("title", "Site")),
        "contents": contents,
        "cautions": (RESEARCH_ONLY, SEALED_SOURCE),
        "facts": _facts(site),
        "holes": _holes(site, out),
        "summary": _summary(site),
        "doubts": _findings(site),
        "subjects": subjects,
        "tables": _tables(site),
        "recipe": _recipe(site),
        "provenance": _provenance(site),
    }
    page.write("site.html", out, values)


def _facts(site: xr.DataTree) -> list[tuple[str, str]]:
    """Position, holes, versions; only what is known."""
    names = hole_names(site)
    shared = json.loads(str(site.attrs.get("settings", "{}"))).get("site", {})
    facts = [
        ("Position", position(shared.get("latitude"), shared.get("longitude"))),
        ("Holes", f"{len(names)}: {', '.join(names)}"),
        ("Reference of composite depth", str(shared.get("reference") or "")),
        ("Reduced with", f"corephys {site.attrs['corephys_version']}"),
    ]
    return [(label, words) for label, words in facts if words]


def _summary(site: xr.DataTree) -> page.Table:
    """Summary of the holes; few holes are columns, since there are many rows."""
    table = site_summary(site)
    if len(table) > _HOLES_BESIDE:
        return page.of_report(table)
    names, *others = table.columns
    rows = [
        (one.name, *(f"{c} {one.mark(i)}".strip() for i, c in enumerate(one.cells)))
        for one in others
    ]
    numbers = range(1, 1 + len(names.cells))
    return page.table(table.title, ("hole", *names.cells), rows, numbers=numbers, notes=table.notes)


def _holes(site: xr.DataTree, out: Path) -> list[dict[str, Any]]:
    """Name, title and links to the files of each hole, relative to the page."""
    found = []
    for name in hole_names(site):
        links = [
            (f"{quote(name)}/{file}", words)
            for file, words in (
                ("report.html", "page of the hole"),
                ("reduced.nc", "reduced.nc"),
                ("tables/", "tables"),
                ("figures/", "figures"),
            )
            if (out / name / file).exists()
        ]
        titled = str(site[name].attrs.get("title", name))
        found.append({"name": name, "title": titled, "links": links})
    return found


def _findings(site: xr.DataTree) -> list[tuple[str, list[str], bool]]:
    """What failed, which is set off, what was left out, the notes of the site and of each hole."""
    summary = json.loads(str(site.attrs["summary"]))
    failed = [f"Hole {name} was not reduced: {why}" for name, why in summary["failed"].items()]
    for name, problems in summary["unreadable"].items():
        failed += [f"Hole {name} was not read: {problem}" for problem in problems]
    for name, stages in summary["failed_stages"].items():
        failed += [f"Hole {name}: the stage {s} failed: {why}" for s, why in stages.items()]
    left = json.loads(str(site.attrs.get("holes_not_listed", "[]")))
    if left:
        failed.append(f"Not read, since site.toml does not list them: hole {', '.join(left)}")
    groups = [
        ("Holes and stages that failed", failed),
        ("Notes on the site", [str(note) for note in summary["notes"]]),
    ]
    for name in hole_names(site):
        held = json.loads(str(site[name].attrs.get("summary", "{}")))
        groups.append((f"Notes on hole {name}", [str(note) for note in held.get("notes", [])]))
    return [(heading, words, words is failed) for heading, words in groups if words]


def _subjects(plates: Mapping[str, Plate]) -> list[tuple[str, list[page.Picture]]]:
    """Figures of the site below their headings."""
    found: dict[str, list[page.Picture]] = {}
    for name, plate in plates.items():
        heading = next((words for start, words in _SECTIONS if name.startswith(start)), "Other")
        quantity = name.removeprefix("holes_").removesuffix("_by_age").replace("_", " ")
        title = quantity.capitalize() + " against age" * name.endswith("_by_age")
        png = page.for_the_screen(plate.picture(_DOTS))
        link = f"figures/{quote(name)}.csv"
        found.setdefault(heading, []).append(page.Picture(name, title, plate.caption, png, link))
    return list(found.items())


def _tables(site: xr.DataTree) -> list[page.Table]:
    """Shifts of the cores, the sequence, and the calibrations, as far as the site has them."""
    found = []
    for path, make in (("shifts", shift_table), ("sequence", sequence_table)):
        data = series.leaf(site, f"site/{path}")
        try:
            found += [] if data is None else [page.of_report(make(data))]
        except NothingToTabulate:
            continue
    if series.leaf(site, "site/calibrations") is not None:
        found.append(page.of_report(calibration_table(site)))
    return found


def _recipe(site: xr.DataTree) -> page.Table:
    """Changes to the recipe of every hole."""
    changes = json.loads(str(site.attrs["recipe"]))
    rows = [
        (f"{stage}.{key}", value if isinstance(value, str) else json.dumps(value))
        for stage, keys in changes.items()
        for key, value in keys.items()
    ]
    return page.table("Changes for every hole", ("choice", "value"), rows)


def _provenance(site: xr.DataTree) -> list[page.Table]:
    """Files of the site, and what each hole took from the site."""
    inputs = json.loads(str(site.attrs["input_sha256"]))
    rows = []
    for name in hole_names(site):
        taken = json.loads(str(site[name].attrs.get("settings_of_site", "[]")))
        files = json.loads(str(site[name].attrs.get("input_sha256", "{}")))
        listed = ", ".join(taken) or "none"
        rows.append((name, listed, f"{len(files)}, digests in {name}/reduced.nc"))
    return [
        page.table("Files of the site", ("file", "SHA-256"), list(inputs.items())),
        page.table("Holes", ("hole", "settings of the site", "input files"), rows),
    ]
