"""Summary cards of a hole and of its results, and the steps behind a result in words."""

from __future__ import annotations

import json
import re
from collections.abc import Callable

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.figures import FIGURES, Plate
from corephys.figures.reading import NothingToDraw
from corephys.figures.site import holes
from corephys.figures.sketch import sketch, sketch_hole
from corephys.ground import companions, flags, series
from corephys.ground.cards import Card, with_uncertainty
from corephys.ground.choices import plain_words
from corephys.ground.provenance import UsedConstant, used_constants
from corephys.ground.vocabulary import TERMS
from corephys.hole import contents
from corephys.hole.composite.folder import hole_names, is_site
from corephys.reduction import doubts
from corephys.reduction.run import summary_lines

__all__ = ["explain", "overview"]

# --------------------------------------------------------------------------------------------------
# The card of one result: numbers, flags, warnings of its record, and next steps.


_DOTS = 100.0  # dots per inch of a small picture
_QUANTITIES = 6  # largest number of rows with numbers
# Figure of a leaf of the reduced hole, and the usual next step.
_FIGURE = {
    "properties/gamma_calibration": "gamma_calibration",
    "properties/heating_runs": "heating_run",
    "properties/formation_temperature": "station",
    "properties/strength": "strength_depth",
    "properties/consolidation_curve": "consolidation_curves",
    "products/compaction": "porosity_depth",
    "products/compaction_models": "compaction_models",
    "products/heat_flow": "heat_flow",
    "products/heat_flow_intervals": "heat_flow_tests",
    "products/heat_flow_curvature": "heat_flow_tests",
    "products/stress_profile": "stress_depth",
    "products/synthetic": "seismic_tie",
    "products/time_depth": "time_depth",
    "products/accumulation": "accumulation",
}
_NEXT = {
    "properties/gamma_calibration": "look at the residuals: a trend means trapped air, a wrong "
    "thickness or a wrong dead time",
    "properties/heating_runs": "look at the run with the largest drift: cp.figures.heating_run",
    "properties/formation_temperature": "look at the decay of each station before its temperature "
    "is used: cp.figures.station",
    "products/compaction": "compare the models, and fit by layer if the verdict reports a "
    "trend: cp.figures.compaction_models(reduced)",
    "products/heat_flow": "compare the carriers of conductivity: "
    'reduced["products/heat_flow_by_carrier"]; test the line: cp.figures.heat_flow_tests(reduced)',
}
_LEFT_OUT = (
    "points_left_out",
    "temperatures_left_out",
    "readings_left_out",
    "conductivities_left_out",
)
_USED = ("points_used", "temperatures_used", "readings_used", "conductivities_used")
# Attributes that are shown as rows.
_ATTRIBUTES = (
    "supplied_from",
    "equation",
    "curve",
    "description",
    "checked",
    "model",
    "carrier",
    "bound_in_words",
    "first_by_aicc",
    "first_by_cross_validation",
)
# Those of them that hold a choice word.
_CHOICES = ("model", "carrier", "first_by_aicc", "first_by_cross_validation")


def _card(
    result: xr.Dataset,
    path: str = "result",
    tree: xr.DataTree | None = None,
) -> Card:
    """Summary card of a result that is the leaf ``path`` of a hole."""
    names = [str(name) for name in result.data_vars if str(name) in TERMS]
    allow = flags.allowed("" if tree is None else tree.attrs.get("recipe", ""))
    rows = [
        (doubts.words_of(result, name), _number(result, name, allow))
        for name in names[:_QUANTITIES]
    ]
    if len(names) > _QUANTITIES:
        rows.append(("and", ", ".join(TERMS[name].long_name for name in names[_QUANTITIES:])))
    rows += _record(result)
    following = [_NEXT[path]] if path in _NEXT and "supplied_from" not in result.attrs else []
    if "steps" in result.attrs:
        following.append("cp.explain(result) lists the steps, equations, constants and sources")
    picture = _picture(result, names, path, tree)
    warnings = [doubt.words for doubt in doubts.of_result(result, names, allow)]
    title = path.replace("_", " ")
    return Card(title, tuple(rows), tuple(warnings), tuple(following), picture=picture)


def _number(result: xr.Dataset, name: str, allow: tuple[str, ...]) -> str:
    """Single value with its uncertainty, or median and range of many with the median one."""
    unit = str(result[name].attrs.get("units", TERMS[name].unit))
    values = np.atleast_1d(result[name].values.astype(float)).ravel()
    known = f"{name}_u_random" in result and f"{name}_u_systematic" in result
    u = (
        np.atleast_1d(uncertainty.total(result, name).values).ravel()
        if known
        else np.array([np.nan])
    )
    if values.size == 1:
        return with_uncertainty(float(values[0]), float(u[0]), unit)
    good = doubts.usable(result, name, allow)
    n = f"{int(good.sum())} of {good.size} "
    n += "usable" if f"{name}_flag" in result else "are numbers, without flags"
    if not good.any():
        return n
    # Medians of the same readings as the value.
    u = u[good] if u.shape == good.shape else u
    usual = u[np.isfinite(u)]
    middle = float(np.median(values[good]))
    text = with_uncertainty(middle, float(np.median(usual)) if usual.size else float("nan"), unit)
    low, high = float(values[good].min()), float(values[good].max())
    return f"median {text}; {low:.4g} to {high:.4g}; {n}"


def _record(result: xr.Dataset) -> list[tuple[str, str]]:
    """Rows from the attributes of a result: equation, numbers of points, chi-square."""
    rows = [
        (
            key.replace("_", " "),
            plain_words(result.attrs[key]) if key in _CHOICES else str(result.attrs[key]),
        )
        for key in _ATTRIBUTES
        if key in result.attrs
    ]
    used = [(key, result.attrs[key]) for key in (*_USED, *_LEFT_OUT) if key in result.attrs]
    if used:
        rows.append(("points", ", ".join(f"{key.replace('_', ' ')} {n}" for key, n in used)))
    if "reduced_chi_square" in result.attrs:
        words = f"{float(result.attrs['reduced_chi_square']):.2f}"
        if "chi_square_probability" in result.attrs:
            words += f", probability {float(result.attrs['chi_square_probability']):.2f}"
        rows.append(("reduced chi-square", words))
    return rows


def _picture(result: xr.Dataset, names: list[str], path: str, tree: xr.DataTree | None) -> bytes:
    """PNG of the figure of the result, or of its first quantity against depth; empty without."""
    attempts: list[Callable[[], Plate]] = []
    figure = _FIGURE.get(path) or ("control_charts" if "/control_" in path else None)
    if tree is not None and figure in FIGURES:
        attempts.append(lambda: FIGURES[figure](tree))
    # A calibration outside a hole is put into a tree, since the figure takes one.
    elif "log_rate" in result:  # a calibration by itself
        alone = xr.DataTree.from_dict({"/properties/gamma_calibration": result})
        attempts.append(lambda: FIGURES["gamma_calibration"](alone))
    depth = result.coords.get("depth")
    if (
        names
        and depth is not None
        and np.isfinite(depth.values).sum() > 1
        and (result[names[0]].dims == depth.dims)
    ):
        attempts.append(lambda: sketch(result, names[0]))
    for draw in attempts:
        try:
            return draw().picture(_DOTS)
        # The next attempt needs less data.
        except NothingToDraw:
            continue
    return b""


# --------------------------------------------------------------------------------------------------
# Overview of a hole, raw or reduced, or of one result.


_HEADLINES = (
    ("products/compaction", "surface_porosity", "surface porosity"),
    ("products/compaction", "decay_length", "e-folding depth"),
    ("products/heat_flow", "heat_flow", "heat flow"),
)


def overview(what: object) -> Card:
    """Summary card of a hole, a site or a result.

    Parameters
    ----------
    what : DataTree, Dataset or object
        A hole of ``read_hole``, ``reduce`` or ``load``, a site of ``read_site`` or ``reduce``, a
        node of one, the Dataset of a public function, or a calibration, fit or recipe.

    Returns
    -------
    Card
        Contents, numbers with uncertainties, warnings, next steps, and a small picture if there
        is one. It is displayed as text or HTML; all text from data is escaped.

    Raises
    ------
    TypeError
        If the argument is none of these.
    """
    if isinstance(what, xr.Dataset):
        return _card(companions.library_units(what))
    if isinstance(what, xr.DataTree):
        if is_site(what):
            return _site(what)
        if what.parent is not None and is_site(what.parent) and "settings" in what.attrs:
            return _hole(what.copy())
        if what.children or "settings" in what.attrs:
            return _hole(what) if what.parent is None else _branch(what)
        path = what.path.strip("/") if what.parent is not None else str(what.name or "result")
        return _card(what.to_dataset(inherit=False), path, what.root)
    own = getattr(what, "card", None)
    if callable(own) and isinstance(shown := own(), Card):
        return shown
    raise TypeError(
        f"overview got {type(what).__name__}; give a hole (a DataTree), a result (a Dataset), a "
        "calibration, a fit or a recipe"
    )


def _branch(node: xr.DataTree) -> Card:
    """Card of a branch of a hole with one line for each result."""
    leaves = [leaf for leaf in node.leaves if len(leaf.data_vars)]
    rows = tuple(
        (leaf.path[len(node.path) + 1 :], _table_line(leaf.to_dataset(inherit=False)))
        for leaf in leaves
    )
    place = leaves[0].path.strip("/") if leaves else ""
    following = (f'cp.overview(reduced["{place}"]) shows one of them',) if place else ()
    return Card(node.path.strip("/"), rows, (), following)


def _hole(tree: xr.DataTree) -> Card:
    """Card of a hole, raw or reduced."""
    rows = contents.coring(tree) + contents.described(tree) + _headlines(tree)
    tables = []
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")) or node.path == "/":
            continue
        tables.append((node.path.strip("/"), _table_line(node.to_dataset(inherit=False))))
    if "summary" not in tree.attrs:
        following = (
            "cp.reduce(hole) reduces the tables of the hole; a missing table only skips its stage",
        )
        title = str(tree.attrs.get("title", "hole"))
        warnings = tuple(doubts.of_reading(tree))
        return Card(title, tuple(rows), warnings, following, tuple(tables))
    summary = json.loads(tree.attrs["summary"])
    try:
        picture = sketch_hole(tree).picture(_DOTS)
    except NothingToDraw:
        picture = b""
    return Card(
        str(tree.attrs.get("title", "hole")),
        tuple(rows),
        tuple(doubt.words for doubt in doubts.of_hole(tree)),
        (
            "cp.quality.audit(reduced) counts the readings kept of each core; "
            "cp.figures.summary(reduced) draws the complete hole",
            f'cp.overview(reduced["{_example(tree)}"]) and cp.explain of the same node show one '
            "result",
        ),
        tuple(tables),
        tuple(summary_lines(summary)),
        picture,
    )


def _site(site: xr.DataTree) -> Card:
    """Card of a site, raw or reduced: one row a hole, and what failed or was left out."""
    names = hole_names(site)
    rows = [("holes", f"{len(names)}: {', '.join(names)}")]
    for name in names:
        hole = site[name]
        parts = [text for _, text in contents.coring(hole)]
        parts += [f"{label} {text}" for label, text in _headlines(hole)]
        rows.append((f"hole {name}", "; ".join(parts) or "no cores.csv"))
    warnings = []
    unreadable = json.loads(str(site.attrs.get("unreadable", "{}")))
    for name, problems in unreadable.items():
        warnings += [f"hole {name} was not read: {problem}" for problem in problems]
    left = json.loads(str(site.attrs.get("holes_not_listed", "[]")))
    if left:
        warnings.append(f"site.toml does not list hole {', '.join(left)}, which was not read")
    title = str(site.attrs.get("title", "site"))
    tables = tuple(
        (leaf.path.strip("/"), _table_line(leaf.to_dataset(inherit=False)))
        for leaf in site.leaves
        if leaf.path.startswith("/site/")
    )
    if "summary" not in site.attrs:
        following = (
            "cp.reduce(site) reduces every hole; a missing table only skips its stage",
            f'cp.overview(site["{names[0]}"]) shows one hole',
        )
        return Card(title, tuple(rows), tuple(warnings), following, tables)
    summary = json.loads(str(site.attrs["summary"]))
    warnings += [f"hole {name} was not reduced: {why}" for name, why in summary["failed"].items()]
    for name, stages in summary["failed_stages"].items():
        warnings += [f"hole {name}: the stage {stage} failed: {e}" for stage, e in stages.items()]
    warnings += [str(note) for note in summary["notes"]]
    try:
        # The figure is two columns wide, and the card as wide as for a hole.
        picture = holes(site).picture(0.7 * _DOTS)
    except NothingToDraw:
        picture = b""
    following = (
        "cp.export.site_summary(site) is a table with one row a hole; cp.figures.holes(site, "
        '"bulk_density") draws the holes side by side',
        f'cp.overview(site["{names[0]}"]) shows one hole; cp.figures.control_charts(site) and '
        "cp.figures.calibration_history(site) show the standards over all holes",
    )
    return Card(title, tuple(rows), tuple(warnings), following, tables, (), picture)


def _example(tree: xr.DataTree) -> str:
    """Path of a result to show first: the last one in the chain that the hole has."""
    there = [
        leaf.path.strip("/")
        for leaf in tree.leaves
        if leaf.path.startswith(("/properties", "/products")) and len(leaf.data_vars)
    ]
    wanted = ("products/heat_flow", "products/compaction", "properties/density")
    return next((path for path in wanted if path in there), there[-1] if there else "properties")


def _table_line(dataset: xr.Dataset) -> str:
    """Number of rows of a table, and of those flagged on reading."""
    rows = next(iter(dataset.sizes.values()), 0)
    words = f"{rows} {'bytes' if 'byte' in dataset.sizes else 'rows'}"
    reason = dataset["reason"].values if "reason" in dataset else None
    # In the table of exclusions the column "reason" is text and no mask.
    if reason is not None and reason.dtype.kind in "iu" and rows:
        found = {w: int(np.count_nonzero(reason & flags.bit(w))) for w in flags.REASONS}
        shown = ", ".join(f"{w.replace('_', ' ')} {n}" for w, n in found.items() if n)
        words += f"; flagged on reading: {shown}" if shown else ""
    return words


def _headlines(tree: xr.DataTree) -> list[tuple[str, str]]:
    """Rows with the main results of a hole."""
    rows: list[tuple[str, str]] = []
    for path, name, label in _HEADLINES:
        data = series.leaf(tree, path)
        if data is None or name not in data:
            continue
        unit = data[name].attrs.get("units", "1")
        u = float(uncertainty.total(data, name))
        rows.append((label, with_uncertainty(float(data[name]), u, unit)))
    return rows


# --------------------------------------------------------------------------------------------------
# The steps behind a result in words.


_STANDING = {
    "published": "seen in print",
    "definition": "by definition",
    "library": "computed with that library",
    "memory": "from memory, not yet read in print",
    "common practice": "common practice",
    "simulated": "tried on simulated data",
    "choice": "a choice of this package",
}


def explain(result: xr.Dataset | xr.DataTree) -> str:
    """List the steps, equations, constants, sources and uncertainties behind a result.

    Parameters
    ----------
    result : Dataset or DataTree
        A result of a public function, or a node of a reduced hole that holds one.

    Returns
    -------
    str
        Plain text with one line for each step.

    Raises
    ------
    TypeError
        If ``result`` is neither.
    """
    if isinstance(result, xr.DataTree):
        result = result.to_dataset(inherit=False)
    if not isinstance(result, xr.Dataset):
        raise TypeError(f"explain got {type(result).__name__}; give a result (a Dataset)")
    result = companions.library_units(result)
    names = [str(name) for name in result.data_vars if str(name) in TERMS]
    lines = [", ".join(f"{name} [{TERMS[name].unit}]" for name in names) or "no quantity"]
    steps = json.loads(result.attrs.get("steps", "[]"))
    lines += [f"  {number}. {step}" for number, step in enumerate(steps, start=1)]
    used = used_constants(result)
    if used:
        lines.append("with")
        lines += [
            f"  {re.sub('[_.]', ' ', name)}: {one.shown()} ({_origin(one)})"
            for name, one in used.items()
        ]
    for name in names:
        if f"{name}_effects" in result:
            lines.append(_budget(result, name))
    return "\n".join(lines)


def _origin(one: UsedConstant) -> str:
    """Citation and standing of a constant, or the origin of any other number."""
    if one.tabled():
        return f"{one.citation}; {_STANDING[one.status]}"
    return one.source()


def _budget(result: xr.Dataset, name: str) -> str:
    """Root mean square uncertainty of the usable readings by source; numbered ones are joined."""
    effects = result[f"{name}_effects"].values.reshape(result.sizes["source"], -1)
    use = doubts.usable(result, name)
    use = use if use.any() else np.isfinite(result[name].values).ravel()
    effects = effects[:, use] if effects.shape[1] == use.size else effects
    known = np.isfinite(effects)
    count = known.sum(axis=1)
    total = np.where(known, effects, 0.0) ** 2
    squares = np.where(count > 0, total.sum(axis=1) / np.maximum(count, 1), np.nan)
    variances = {}
    if f"{name}_u_random" in result:
        random = result[f"{name}_u_random"].values.ravel()[use]
        known = random[np.isfinite(random)]
        variances["random"] = float((known**2).mean()) if known.size else float("nan")
    for source, square in zip(result["source"].values, squares, strict=True):
        # Numbered effects, such as those of a calibration, belong to one source.
        stem = re.sub(r"_\d+$", "", str(source))
        variances[stem] = variances.get(stem, 0.0) + float(square)
    shares = {source: variance**0.5 for source, variance in variances.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1] if item[1] == item[1] else 0.0)
    shown = ", ".join(f"{s.replace('_', ' ')} {v:.2g}" for s, v in ranked if v != 0.0)
    return f"uncertainty of {name.replace('_', ' ')} [{TERMS[name].unit}], k = 1: {shown}"
