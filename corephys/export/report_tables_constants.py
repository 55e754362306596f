"""Tables of what the numbers rest on: fitted constants, constants of others, names and units."""

from __future__ import annotations

import json

import xarray as xr

from corephys.export.report_table import (
    K1,
    Column,
    NothingToTabulate,
    ReportTable,
    text_column,
    values_of,
)
from corephys.ground import series
from corephys.ground.cards import SEALED_SOURCE, digits
from corephys.ground.provenance import ORIGINS, used_constants
from corephys.ground.vocabulary import TERMS

__all__ = ["calibration_table", "constants_table", "glossary_table"]

_EQUATIONS = (
    "gamma: ln I = c0 + c1 x + c2 x^2, x the areal density inside the liner.",
    "P-wave: t = t0 + walls tl / 2 + length / V.",
    "resistivity: log10(R / (ohm m)) = c0 + c1 x + c2 x^2, x = log10(net response / mV).",
    "natural gamma: rate of a window = sum over elements of S times content, and b.",
)


def calibration_table(tree: xr.DataTree) -> ReportTable:
    """Constants that were fitted to standards.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    ReportTable
        Sensor, constant, meaning, value, uncertainty, unit.

    Raises
    ------
    NothingToTabulate
        When the hole has none.
    """
    rows: list[tuple[str, str, str, float, float, str]] = []
    about, notes = [], []
    for sensor, path, equation in (
        ("gamma", "properties/gamma_calibration", _EQUATIONS[0]),
        ("P-wave", "properties/velocity", _EQUATIONS[1]),
        ("resistivity", "properties/resistivity_calibration", _EQUATIONS[2]),
        ("natural gamma", "properties/radioelements", _EQUATIONS[3]),
    ):
        data = series.leaf(tree, path)
        if data is None or "fitted_constants" not in data.attrs:
            continue
        held = json.loads(data.attrs["fitted_constants"])
        for symbol, meaning, *pair, unit in held["rows"]:
            value, u = (float("nan") if x is None else float(x) for x in pair)
            rows.append((sensor, symbol, meaning, value, u, unit))
        chi = held["reduced_chi_square"]
        scatter = "" if chi is None else f", reduced chi-square {chi:.2f}"
        about.append(f"{sensor}: {held['standards']} readings of standards{scatter}.")
        notes.append(equation)
    if not rows:
        raise NothingToTabulate("the table calibration shows calibrations; this hole has none")
    pairs = [digits(row[3], row[4]) for row in rows]
    columns = (
        text_column("sensor", [row[0] for row in rows]),
        text_column("constant", [row[1] for row in rows]),
        text_column("meaning", [row[2] for row in rows]),
        Column("value", tuple(p[0] for p in pairs), values_of([row[3] for row in rows])),
        Column("±", tuple(p[1] for p in pairs), values_of([row[4] for row in rows])),
        text_column("unit", [row[5] for row in rows]),
    )
    title = f"Calibration, {tree.attrs.get('title', '')}"
    cautions = [SEALED_SOURCE] if any(row[0] == "gamma" for row in rows) else []
    said = (*notes, *about, K1, *cautions)
    return ReportTable("calibration", title, columns, said)


def glossary_table(tree: xr.DataTree) -> ReportTable:
    """Quantities of the hole.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    ReportTable
        Name, unit and meaning.

    Raises
    ------
    NothingToTabulate
        When the hole has none.
    """
    names: list[str] = []
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")):
            names += [str(n) for n in node.variables if str(n) in TERMS and str(n) not in names]
    if not names:
        raise NothingToTabulate("the table glossary shows quantities; this hole has none")
    names.sort()
    columns = (
        text_column("name", names),
        text_column("unit", [TERMS[n].unit for n in names]),
        text_column("meaning", [TERMS[n].long_name for n in names]),
    )
    notes = ("The unit 1 is that of pure numbers. Names are those of the files.",)
    return ReportTable("glossary", "Quantities, names and units", columns, notes)


def constants_table(tree: xr.DataTree) -> ReportTable:
    """Constants that the numbers rest on.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    ReportTable
        Constant, value with standard uncertainty, where it came from, its source with its
        standing, and what it was used for; a row for each value and origin of a name.

    Raises
    ------
    NothingToTabulate
        When the hole has none.
    """
    held: dict[tuple[str, str, str, str], list[str]] = {}
    for node in tree.leaves:
        where = (node.name or "").replace("_", " ")
        for name, one in used_constants(node).items():
            words = name.replace("_", " ").replace(".", " ")
            row = (words, one.shown(), ORIGINS[one.origin], one.cited())
            held.setdefault(row, []).append(where)
    if not held:
        raise NothingToTabulate("the table constants shows constants; this hole has none")
    rows = [(*row, ", ".join(dict.fromkeys(places))) for row, places in sorted(held.items())]
    columns = tuple(
        text_column(label, [row[i] for row in rows])
        for i, label in enumerate(("constant", "value", "from", "source", "used for"))
    )
    return ReportTable("constants", "Constants that the numbers rest on", columns)
