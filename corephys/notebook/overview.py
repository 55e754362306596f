"""Overview of a hole, raw or reduced: what it is, how much, what to worry about."""

from __future__ import annotations

import html
import json
from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, series, uncertainty
from corephys.reduction.summary import summary_lines

__all__ = ["Overview", "overview"]


class Overview:
    """Lines about a hole; text in a terminal, a small table in a notebook.

    Parameters
    ----------
    title : str
        Name of the hole.
    rows : list of tuple of str and str
        Label and text.
    lines : list of str
        The summary of a reduction, empty for a raw hole.
    """

    def __init__(self, title: str, rows: list[tuple[str, str]], lines: list[str]) -> None:
        self.title, self.rows, self.lines = title, rows, lines

    def __repr__(self) -> str:
        width = max((len(label) for label, _ in self.rows), default=0)
        body = [f"{label:<{width}}  {text}" for label, text in self.rows]
        return "\n".join([self.title, *body, *self.lines])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{html.escape(a)}</th>"
            f"<td style='text-align:left'>{html.escape(b)}</td></tr>"
            for a, b in self.rows
        )
        lines = html.escape("\n".join(self.lines))
        return (
            f"<div><b>{html.escape(self.title)}</b><table>{rows}</table>"
            f"<pre style='font-size:85%'>{lines}</pre></div>"
        )


def overview(tree: xr.DataTree) -> Overview:
    """Show what a hole holds.

    Parameters
    ----------
    tree : DataTree
        From ``read_hole``, ``reduce`` or ``load``.

    Returns
    -------
    Overview
        Shows itself as text or HTML; all text from data is escaped.

    Raises
    ------
    TypeError
        When the argument is not a DataTree.
    """
    if not isinstance(tree, xr.DataTree):
        raise TypeError(f"overview takes a hole (a DataTree), not {type(tree).__name__}")
    rows = _coring(tree)
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")) or node.path == "/":
            continue
        rows.append((node.path.strip("/"), _table_line(node.to_dataset(inherit=False))))
    rows += _headlines(tree)
    lines = summary_lines(json.loads(tree.attrs["summary"])) if "summary" in tree.attrs else []
    return Overview(str(tree.attrs.get("title", "hole")), rows, lines)


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


def _headlines(tree: xr.DataTree) -> list[tuple[str, str]]:
    """The few numbers that a hole is known by."""
    wanted = (
        ("products/compaction", "surface_porosity", "surface porosity"),
        ("products/compaction", "decay_length", "e-folding depth"),
        ("products/heat_flow", "heat_flow", "heat flow"),
    )
    rows: list[tuple[str, str]] = []
    for path, name, label in wanted:
        data: Any = series.leaf(tree, path)
        if data is None or name not in data:
            continue
        value, unit = float(data[name]), data[name].attrs.get("units", "1")
        u = float(uncertainty.total(data, name))
        rows.append((label, with_uncertainty(value, u, unit)))
    return rows


def with_uncertainty(value: float, u: float, unit: str) -> str:
    """A value with its standard uncertainty to two digits."""
    unit = "" if unit == "1" else f" {unit}"
    if not np.isfinite(u) or u <= 0:
        return f"{value:.4g}{unit} (uncertainty unknown)"
    digits = max(0, 1 - int(np.floor(np.log10(u))))
    return f"{value:.{digits}f} ± {u:.{digits}f}{unit}"
