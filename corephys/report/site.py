"""The report of a site: every hole reduced and written, and one page of all holes."""

from __future__ import annotations

import html
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import xarray as xr

from corephys.export import (
    NothingToTabulate,
    calibration_table,
    load,
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
from corephys.figures.plate import save as save_figure
from corephys.figures.site import site_figures
from corephys.ground import series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, picture_html, table_html
from corephys.ground.provenance import write_bytes
from corephys.hole.composite.folder import hole_names, site_head, site_tree, with_ties
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.read import hole_of_site
from corephys.hole.reading.shared import Shared
from corephys.reduction.run import reduce
from corephys.reduction.site import (
    Placing,
    assemble,
    changes_of,
    lean,
    placed,
    placing_of,
    reduced_hole,
)
from corephys.report.hole import write_report

__all__ = ["write_site"]

Progress = Callable[[str, int, int], None]
_DOTS = 150.0  # dots per inch of the pictures of the page
_STYLE = (
    "body{font-family:sans-serif;max-width:72em;margin:2em auto;padding:0 1em;line-height:1.4}"
    "table{border-collapse:collapse;font-size:85%}td,th{border:1px solid #bbb;padding:2px 6px}"
    ".numbers td:not(:first-child){text-align:right}img{max-width:100%;height:auto}"
    "figure{margin:1.5em 0}figcaption{font-size:85%}"
    ".caution{border-left:4px solid #444;padding-left:.8em}"
)


def write_site(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    recipe: Mapping[str, Mapping[str, Any]] | None = None,
    reports: bool = True,
    figures: bool = True,
    skip_unreadable: bool = False,
    progress: Progress | None = None,
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
        Called with the name of a step, its number and the number of steps.

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
    file = None
    if changes:
        file = write_bytes(results / "recipe.toml", _toml(changes).encode("utf-8"))
    names = hole_names(site)
    holes: dict[str, xr.DataTree] = {}
    failed: dict[str, str] = {}
    for number, name in enumerate(names):
        if progress:
            progress(f"hole {name}", number, len(names) + 1)
        make = _reported if reports and figures else _reduced
        tree, why = make(where, name, common, results / name, changes, file)
        if why:
            failed[name] = why
            for stale in ("reduced.nc", "report.html"):
                (results / name / stale).unlink(missing_ok=True)
        else:
            tree = placed(tree, name, placing)
            _write_hole(tree, results / name, placing, reports, figures)
        holes[name] = lean(tree)
    if progress:
        progress("site", len(names), len(names) + 1)
    found = assemble(site, holes, placing, failed, changes, notes)
    save(found, results / "site.nc")
    write_site_tables(found, results / "tables")
    if figures:
        plates = site_figures(found)
        for title, plate in plates.items():
            save_figure(plate, results / "figures", title)
        write_bytes(results / "report.html", _page(found, plates, results).encode("utf-8"))
    if progress:
        progress("done", len(names) + 1, len(names) + 1)
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


def _reduced(
    where: Path, name: str, common: Shared, out: Path, changes: Any, file: Path | None
) -> tuple[xr.DataTree, str]:
    """A hole reduced here; the raw hole and the error where that fails."""
    return reduced_hole(hole_of_site(where / name, None, common, where), changes, reduce)


def _reported(
    where: Path, name: str, common: Shared, out: Path, changes: Any, file: Path | None
) -> tuple[xr.DataTree, str]:
    """A hole as its report reduced it; the raw hole and the error where that fails."""
    try:
        write_report(where / name, out, recipe=file, site=where)
    except ValueError as error:
        return hole_of_site(where / name, None, common, where), str(error)
    return load(out / "reduced.nc"), ""


def _write_hole(
    tree: xr.DataTree, out: Path, placing: Placing, reports: bool, figures: bool
) -> None:
    """Write the files of a hole; the report has written them already, without composite depth."""
    written = reports and figures
    out.mkdir(parents=True, exist_ok=True)
    if not written or placing.shifts is not None:
        save(tree, out / "reduced.nc")
        write_tables(tree, out / "tables")
    if not written:
        write_summaries(tree, out / "tables")
        write_report_tables(tree, out / "report_tables")
        if figures:
            write_figures(tree, out / "figures")


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


_SECTIONS = (
    ("holes_", "Holes side by side"),
    ("core_shifts", "Shifts of the cores"),
    ("control_charts", "Control charts of the standards"),
    ("calibration_history", "Calibrations in time"),
)


def _page(site: xr.DataTree, plates: Mapping[str, Plate], out: Path) -> str:
    """The page of a reduced site."""
    title = html.escape(str(site.attrs.get("title", "Site")))
    parts = [
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{_STYLE}</style></head><body>",
        f"<h1>{title}</h1>",
        _links(site, out),
        "<h2>Findings</h2>",
        _findings(site),
        "<h2>Summary of the holes</h2>",
        _summary(site),
    ]
    for begin, heading in _SECTIONS:
        drawn = {name: plate for name, plate in plates.items() if name.startswith(begin)}
        if not drawn:
            continue
        parts.append(f"<h2>{heading}</h2>")
        parts += [_figure(name, plate) for name, plate in drawn.items()]
        parts += _tables_of(site, begin)
    parts += ["<h2>Where the numbers come from</h2>", _provenance(site), "<h2>Cautions</h2>"]
    parts += [
        f'<p class="caution">{html.escape(line)}</p>' for line in (RESEARCH_ONLY, SEALED_SOURCE)
    ]
    parts.append("</body></html>\n")
    return "\n".join(parts)


_HOLES_BESIDE = 8  # holes up to which they are the columns of the summary


def _summary(site: xr.DataTree) -> str:
    """Summary of the holes; few holes are columns, since there are many rows."""
    table = site_summary(site)
    if len(table) > _HOLES_BESIDE:
        return table._repr_html_()
    names, *others = table.columns
    rows = [
        [one.name, *(f"{c} {one.mark(i)}".strip() for i, c in enumerate(one.cells))]
        for one in others
    ]
    notes = "".join(f"<div>{html.escape(note)}</div>" for note in table.notes)
    shown = table_html(rows, header=("hole", *names.cells))
    return f'<div class="numbers">{shown}</div><div style="font-size:85%">{notes}</div>'


def _links(site: xr.DataTree, out: Path) -> str:
    """Links to the files of each hole, relative to the page."""
    items = []
    for name in hole_names(site):
        links = [
            f'<a href="{html.escape(f"{quote(name)}/{file}")}">{words}</a>'
            for file, words in (
                ("report.html", "report"),
                ("reduced.nc", "reduced.nc"),
                ("tables/", "tables"),
                ("figures/", "figures"),
            )
            if (out / name / file).exists()
        ]
        titled = str(site[name].attrs.get("title", name))
        shown = ", ".join(links) or "no result, see the findings"
        items.append(f"<li><b>{html.escape(name)}</b> ({html.escape(titled)}): {shown}</li>")
    files = '<a href="site.nc">site.nc</a>, <a href="tables/">tables</a>'
    return f"<ul>{''.join(items)}<li>all holes: {files}</li></ul>"


def _findings(site: xr.DataTree) -> str:
    """What failed, what was left out, and the notes of the site and of each hole."""
    summary = json.loads(str(site.attrs["summary"]))
    lines = [f"Hole {name} was not reduced: {why}" for name, why in summary["failed"].items()]
    for name, problems in summary["unreadable"].items():
        lines += [f"Hole {name} was not read: {problem}" for problem in problems]
    for name, stages in summary["failed_stages"].items():
        lines += [f"Hole {name}: the stage {s} failed: {why}" for s, why in stages.items()]
    left = json.loads(str(site.attrs.get("holes_not_listed", "[]")))
    if left:
        lines.append(f"Not read, since site.toml does not list them: hole {', '.join(left)}")
    lines += summary["notes"]
    for name in hole_names(site):
        held = json.loads(str(site[name].attrs.get("summary", "{}")))
        lines += [f"Hole {name}: {note}" for note in held.get("notes", [])]
    if not lines:
        return "<p>No stage failed, and there are no notes.</p>"
    return f"<ul>{''.join(f'<li>{html.escape(line)}</li>' for line in lines)}</ul>"


def _figure(name: str, plate: Plate) -> str:
    """A figure with its caption and a link to the numbers that it draws."""
    return (
        f"<figure>{picture_html(plate.picture(_DOTS), plate.caption)}<figcaption>"
        f'{html.escape(plate.caption)} <a href="figures/{html.escape(name)}.csv">Numbers drawn</a>'
        "</figcaption></figure>"
    )


def _tables_of(site: xr.DataTree, section: str) -> list[str]:
    """Tables below the figures of a section."""
    found = []
    if section == "calibration_history":
        found.append(calibration_table(site)._repr_html_())
    if section == "core_shifts":
        for path, make in (("shifts", shift_table), ("sequence", sequence_table)):
            data = series.leaf(site, f"site/{path}")
            try:
                found += [] if data is None else [make(data)._repr_html_()]
            except NothingToTabulate:
                continue
    return found


def _provenance(site: xr.DataTree) -> str:
    """Version, files of the site, recipe, and what each hole took from the site."""
    inputs = json.loads(str(site.attrs["input_sha256"]))
    changes = json.loads(str(site.attrs["recipe"]))
    rows = [("corephys", str(site.attrs["corephys_version"]))]
    rows += [(file, f"SHA-256 {digest}") for file, digest in inputs.items()]
    rows += [
        (f"recipe: {stage}.{key}", str(value))
        for stage, keys in changes.items()
        for key, value in keys.items()
    ]
    for name in hole_names(site):
        taken = json.loads(str(site[name].attrs.get("settings_of_site", "[]")))
        rows.append((f"hole {name}: settings of the site", ", ".join(taken) or "none"))
        files = json.loads(str(site[name].attrs.get("input_sha256", "{}")))
        rows.append((f"hole {name}: input files", f"{len(files)}, digests in {name}/reduced.nc"))
    return table_html(rows, header=("what", "value"))
