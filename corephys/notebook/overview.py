"""Overview of a hole, raw or reduced, or of one result: what it is, its numbers, its doubts."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.figures.reading import NothingToDraw
from corephys.figures.sketch import sketch_hole
from corephys.ground import companions, flags, series, thresholds
from corephys.ground.cards import Card, with_uncertainty
from corephys.notebook.result import UNKNOWN, card
from corephys.reduction.summary import summary_lines

__all__ = ["overview"]

_DOTS = 100.0  # an inch of a small picture
_SHARE = thresholds.value("hole_flagged_share")
_HEADLINES = (
    ("products/compaction", "surface_porosity", "surface porosity"),
    ("products/compaction", "decay_length", "e-folding depth"),
    ("products/heat_flow", "heat_flow", "heat flow"),
)


def overview(what: Any) -> Card:
    """Show what a hole holds, or what a result says.

    Parameters
    ----------
    what : DataTree, Dataset or object
        A hole of ``read_hole``, ``reduce`` or ``load``; a node of it or the Dataset of a public
        function; or a calibration, fit or recipe, which show themselves as well.

    Returns
    -------
    Card
        What it is, its numbers with uncertainties, what to worry about, what to do next, and a
        small picture where there is one. Shows itself as text or HTML; all text from data is
        escaped.

    Raises
    ------
    TypeError
        When the argument is none of these.
    """
    if isinstance(what, xr.Dataset):
        return card(companions.library_units(what))
    if isinstance(what, xr.DataTree):
        if what.children or "settings" in what.attrs:
            return _hole(what) if what.parent is None else _branch(what)
        path = what.path.strip("/") if what.parent is not None else str(what.name or "result")
        return card(what.to_dataset(inherit=False), path, what.root)
    own = getattr(what, "card", None)
    if callable(own) and isinstance(shown := own(), Card):
        return shown
    raise TypeError(
        "overview takes a hole (a DataTree), a result (a Dataset), a calibration, a fit or a "
        f"recipe, not {type(what).__name__}"
    )


def _branch(node: xr.DataTree) -> Card:
    """The results of one branch of a hole, a line each."""
    leaves = [leaf for leaf in node.leaves if len(leaf.data_vars)]
    rows = tuple(
        (leaf.path[len(node.path) + 1 :], _table_line(leaf.to_dataset(inherit=False)))
        for leaf in leaves
    )
    place = leaves[0].path.strip("/") if leaves else ""
    following = (f'cp.overview(reduced["{place}"]) looks into one of them',) if place else ()
    return Card(node.path.strip("/"), rows, (), following)


def _hole(tree: xr.DataTree) -> Card:
    rows = _coring(tree) + _headlines(tree)
    tables = []
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")) or node.path == "/":
            continue
        tables.append((node.path.strip("/"), _table_line(node.to_dataset(inherit=False))))
    if "summary" not in tree.attrs:
        following = ("cp.reduce(hole) reduces what is there; a missing table only skips its stage",)
        title = str(tree.attrs.get("title", "hole"))
        worries = tuple(_of_reading(tree))
        return Card(title, tuple(rows), worries, following, tuple(tables))
    summary = json.loads(tree.attrs["summary"])
    try:
        picture = sketch_hole(tree).picture(_DOTS)
    except NothingToDraw:
        picture = b""
    return Card(
        str(tree.attrs.get("title", "hole")),
        tuple(rows),
        tuple(_doubts(tree)),
        (
            "cp.quality.audit(reduced) counts what was kept, core by core; "
            "cp.figures.summary(reduced) shows the whole hole",
            f'cp.overview(reduced["{_example(tree)}"]) and cp.explain of the same look into one '
            "result",
        ),
        tuple(tables),
        tuple(summary_lines(summary)),
        picture,
    )


def _example(tree: xr.DataTree) -> str:
    """A result of the hole to look into: the one that most others led to."""
    there = [
        leaf.path.strip("/") for leaf in tree.leaves
        if leaf.path.startswith(("/properties", "/products")) and len(leaf.data_vars)
    ]  # fmt: skip
    wanted = ("products/heat_flow", "products/compaction", "properties/density")
    return next((path for path in wanted if path in there), there[-1] if there else "properties")


def _coring(tree: xr.DataTree) -> list[tuple[str, str]]:
    cores = series.leaf(tree, "cores")
    if cores is None or not cores.sizes.get("row"):
        return []
    advance, recovered = float(cores["advance"].sum()), float(cores["recovered"].sum())
    methods, counts = np.unique(cores["coring_method"].values.astype(str), return_counts=True)
    kinds = ", ".join(f"{n} {m}" for m, n in zip(methods, counts, strict=True))
    bottom = float((cores["top"] + cores["advance"]).max())
    share = f"{100 * recovered / advance:.0f} % recovered" if advance > 0 else "no advance"
    return [("coring", f"{cores.sizes['row']} cores ({kinds}) to {bottom:.1f} m, {share}")]


def _table_line(dataset: xr.Dataset) -> str:
    rows = next(iter(dataset.sizes.values()), 0)
    words = f"{rows} {'bytes' if 'byte' in dataset.sizes else 'rows'}"
    reason = dataset["reason"].values if "reason" in dataset else None
    # An exclusion has its reason in words.
    if reason is not None and reason.dtype.kind in "iu" and rows:
        found = {w: int(np.count_nonzero(reason & flags.bit(w))) for w in flags.REASONS}
        shown = ", ".join(f"{w.replace('_', ' ')} {n}" for w, n in found.items() if n)
        words += f"; flagged on reading: {shown}" if shown else ""
    return words


def _of_reading(tree: xr.DataTree) -> list[str]:
    """Bad cells of the tables, which stay and are flagged."""
    worries = []
    for node in tree.leaves:
        bad = len(json.loads(node.attrs.get("bad_cells", "[]")))
        if bad:
            worries.append(
                f"{node.path.strip('/')}: {bad} cell{'s' * (bad > 1)} that could not be read, "
                "flagged"
            )
    return worries


def _doubts(tree: xr.DataTree) -> list[str]:
    """Stages that failed, results with a verdict against them, series of which much is flagged.

    What several leaves say in the same words is said once, of the first or of all of them.
    """
    failed = json.loads(tree.attrs["summary"]).get("failed", {})
    worries = [f"the stage {stage} failed: {error}" for stage, error in failed.items()]
    worries += _of_reading(tree)
    said: dict[str, list[str]] = {}
    for node in tree.leaves:
        if not node.path.startswith(("/properties", "/products")):
            continue
        place = node.path.rpartition("/")[2].replace("_", " ")
        for words in card(node.to_dataset(inherit=False), place, tree, share=_SHARE).worries:
            if words.startswith(UNKNOWN):
                said.setdefault(f"{UNKNOWN} some quantities", []).append(place)
            elif " not usable" in words:
                quantity, _, counts = words.partition(": ")
                said.setdefault(counts, []).append(f"{quantity} ({place})")
            else:
                said.setdefault(words, []).append(place)
    return worries + [f"{', '.join(places)}: {words}" for words, places in said.items()]


def _headlines(tree: xr.DataTree) -> list[tuple[str, str]]:
    """The few numbers that a hole is known by."""
    rows: list[tuple[str, str]] = []
    for path, name, label in _HEADLINES:
        data: Any = series.leaf(tree, path)
        if data is None or name not in data:
            continue
        unit = data[name].attrs.get("units", "1")
        u = float(uncertainty.total(data, name))
        rows.append((label, with_uncertainty(float(data[name]), u, unit)))
    return rows
