"""The standard tables of a report: results, the numbers they rest on, and tables of a site."""

from __future__ import annotations

import json
import os
import string
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.export.table import (
    K1,
    Column,
    NothingToTabulate,
    ReportTable,
    fixed_column,
    text_column,
    values_of,
    workbook,
)
from corephys.ground import flags, series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, digits
from corephys.ground.provenance import ORIGINS, used_constants, write_bytes
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.core_shifts import shifts_in_metres
from corephys.hole.composite.sequences import sequence_in_metres

__all__ = [
    "KINDS",
    "REPORT_TABLES",
    "calibration_table",
    "constants_table",
    "glossary_table",
    "report_table",
    "sequence_table",
    "shift_table",
    "write_report_tables",
]

# --------------------------------------------------------------------------------------------------
# Tables of what the numbers rest on: fitted constants, constants of others, names and units.


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


# --------------------------------------------------------------------------------------------------
# The standard tables of a report, from a reduced hole: digits by the uncertainty, footnotes.


KINDS = ("csv", "md", "tex", "xlsx")
# Positions have no stated uncertainty: a tenth of a millimetre in the hole, of a centimetre along.
_PLACES = {"depth": 3, "depth_fitted": 3, "offset": 1}
_UNITS = {"depth": "m", "depth_fitted": "m", "offset": "cm"}
# In tables porosity and water content are per cent (common practice, no source).
_PER_CENT = ("porosity", "water_content_wet", "water_content_dry")
_DEPTH = "Depth is depth below seafloor, as laid out."


class _Notes:
    """Footnotes by letter: one a reason, with how often it was met."""

    def __init__(self, tree: xr.DataTree) -> None:
        self.allow = flags.allowed(tree.attrs.get("recipe", ""))
        self.counts: dict[str, int] = {}
        self.missing = self.values = 0
        self.random = False  # whether the systematic part of some quantity is not known

    def of(self, dataset: xr.Dataset, name: str) -> tuple[str, ...]:
        """Letters of the values of a quantity that are not used."""
        if f"{name}_flag" not in dataset:
            return ()
        level = np.atleast_1d(dataset[f"{name}_flag"].values)
        reason = np.atleast_1d(dataset[f"{name}_reason"].values)
        value = np.atleast_1d(dataset[name].values.astype(float))
        marks = []
        for one, bits, number in zip(level, reason, value, strict=True):
            if flags.usable(np.array([one]), self.allow)[0]:
                marks.append("")
                continue
            if not np.isfinite(number):
                self.missing += 1
            self.values += 1
            words = flags.names(int(bits)) or ["flagged"]
            for word in words:
                self.counts[word] = self.counts.get(word, 0) + 1
            marks.append(",".join(self._letter(word) for word in words))
        return tuple(marks) if any(marks) else ()

    def _letter(self, word: str) -> str:
        place = list(self.counts).index(word)
        letters = string.ascii_lowercase
        return letters[place] if place < 26 else letters[place // 26 - 1] + letters[place % 26]

    def said(self) -> list[str]:
        """One line a reason, and how many values are missing."""
        lines = [
            f"{self._letter(word)}: {n} value{'' if n == 1 else 's'} not used: "
            f"{word.replace('_', ' ')}."
            for word, n in self.counts.items()
        ]
        if sum(self.counts.values()) > self.values:
            plural = "s" if self.values > 1 else ""
            lines.append(f"{self.values} value{plural} in all; one can have several reasons.")
        if self.missing:
            lines.append(f"{self.missing} values are missing.")
        if self.random:
            lines.append("± (random) is the random part alone: the systematic part is not known.")
        return lines


def _measured(dataset: xr.Dataset, name: str, notes: _Notes, label: str = "") -> list[Column]:
    """Value and uncertainty of a quantity, flagged values with their letters."""
    unit = str(dataset[name].attrs.get("units", TERMS[name].unit if name in TERMS else "1"))
    scale = 100.0 if name in _PER_CENT else 1.0
    unit = "%" if name in _PER_CENT else unit
    words = label or (TERMS[name].long_name if name in TERMS else name.replace("_", " "))
    head = words if unit == "1" else f"{words} [{unit}]"
    value = scale * np.atleast_1d(dataset[name].values.astype(float))
    u, sort = np.full(value.size, np.nan), ""
    if f"{name}_u_random" in dataset and f"{name}_u_systematic" in dataset:
        u = scale * np.atleast_1d(uncertainty.total(dataset, name).values.astype(float))
        random = scale * np.atleast_1d(dataset[f"{name}_u_random"].values.astype(float))
        if np.isnan(u).all() and np.isfinite(random).any():
            u, sort, notes.random = random, " (random)", True
    pairs = [digits(float(v), float(s)) for v, s in zip(value, u, strict=True)]
    column = Column(head, tuple(a for a, _ in pairs), values_of(value), notes.of(dataset, name))
    tail = f" [{unit}]" if unit != "1" else ""
    cells = tuple(b for _, b in pairs)
    return [column, Column(f"±{sort}{tail}", cells, values_of(u), of=words)]


def _places(dataset: xr.Dataset, names: Iterable[str]) -> list[Column]:
    """Positions and words of the readings, those that are there."""
    columns = []
    for name in names:
        if name not in dataset.variables:
            continue
        words = name.replace("_", " ")
        if name in _PLACES:
            columns.append(
                fixed_column(f"{words} [{_UNITS[name]}]", dataset[name].values, _PLACES[name])
            )
        else:
            columns.append(text_column(words, dataset[name].values))
    return columns


def _leaf(tree: xr.DataTree, path: str, table: str) -> xr.Dataset:
    found = series.leaf(tree, path)
    if found is None or not all(found.sizes.values()):
        raise NothingToTabulate(f"the table {table} shows /{path}, which this hole does not have")
    return found


def _of_leaf(
    tree: xr.DataTree,
    name: str,
    title: str,
    path: str,
    keys: Sequence[str],
    quantities: Sequence[str],
    *more: Callable[[xr.Dataset], list[Column]],
) -> ReportTable:
    data = _leaf(tree, path, name)
    if "depth" in data.coords and data["depth"].ndim == 1:
        dim = data["depth"].dims[0]
        data = data.isel({dim: np.argsort(data["depth"].values, kind="stable")})
    notes = _Notes(tree)
    columns = _places(data, keys)
    for quantity in quantities:
        if quantity in data:
            columns += _measured(data, quantity, notes)
    for add in more:
        columns += add(data)
    said = notes.said()
    said += [_DEPTH] if "depth" in data.coords else []
    said += [K1]
    said += [str(data.attrs["safety"])] if "safety" in data.attrs else []
    hole = str(tree.attrs.get("title", ""))
    return ReportTable(name, f"{title}, {hole}" if hole else title, tuple(columns), tuple(said))


_HERE = ("sample_id", "core", "section", "offset", "depth")


def _cores(tree: xr.DataTree) -> ReportTable:
    cores = _leaf(tree, "cores", "cores")
    columns = [text_column("core", cores["core"].values)]
    columns.append(text_column("coring method", cores["coring_method"].values))
    columns += [
        fixed_column(f"{name} [m]", cores[name].values, 2)
        for name in ("top", "advance", "recovered")
    ]
    advance = cores["advance"].values.astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(advance > 0, 100.0 * cores["recovered"].values / advance, np.nan)
    columns.append(fixed_column("recovery [%]", share, 0))
    sections = series.leaf(tree, "sections")
    if sections is not None:
        held = sections["core"].values.astype(str)
        counts = [float((held == str(core)).sum()) for core in cores["core"].values]
        columns.append(fixed_column("sections", counts, 0))
    whole = np.nansum(cores["recovered"].values) / np.nansum(advance) if advance.any() else np.nan
    notes = (
        f"{cores.sizes['row']} cores, {np.nansum(advance):.1f} m advanced, "
        f"{np.nansum(cores['recovered'].values):.1f} m recovered, {100 * whole:.0f} %.",
        "Top is the depth below seafloor at which the core began; recovery above 100 % is material "
        "that expanded or was disturbed.",
    )
    return ReportTable("cores", f"Cores, {tree.attrs.get('title', '')}", tuple(columns), notes)


def _heat_flow(tree: xr.DataTree) -> ReportTable:
    flow = _leaf(tree, "products/heat_flow", "heat_flow")
    rows: list[tuple[str, float, float, str]] = []
    for name in ("heat_flow", "surface_temperature"):
        unit = str(flow[name].attrs["units"])
        value, u = float(flow[name]), float(uncertainty.total(flow, name))
        rows.append((TERMS[name].long_name if name in TERMS else name, value, u, unit))
    carriers = series.leaf(tree, "products/heat_flow_by_carrier")
    if carriers is not None:
        for i, carrier in enumerate(carriers["carrier"].values):
            pair = (float(carriers[n][i]) for n in ("heat_flow", "heat_flow_uncertainty"))
            rows.append((f"heat flow, conductivity carried as {carrier}", *pair, "mW/m^2"))
    curvature = series.leaf(tree, "products/heat_flow_intervals")
    if curvature is not None and "heat_flow_mean" in curvature:
        u = float(uncertainty.total(curvature, "heat_flow_mean"))
        rows.append(("mean over intervals", float(curvature["heat_flow_mean"]), u, "mW/m^2"))
    pairs = [digits(value, u) for _, value, u, _ in rows]
    columns = (
        text_column("quantity", [row[0] for row in rows]),
        Column("value", tuple(p[0] for p in pairs), values_of([row[1] for row in rows])),
        Column("±", tuple(p[1] for p in pairs), values_of([row[2] for row in rows])),
        text_column("unit", [row[3] for row in rows]),
    )
    used, left = (flow.attrs.get(f"temperatures_{n}", "?") for n in ("used", "left_out"))
    notes = [
        f"{used} formation temperatures used, {left} left out; bottom water "
        f"{flow.attrs.get('bottom_water', 'not told')}; reduced chi-square "
        f"{float(flow.attrs.get('reduced_chi_square', np.nan)):.2f}.",
        K1,
    ]
    notes += [
        f"Uncertainty of {what}: {flow.attrs[key]}."
        for key, what in (("depth_uncertainty", "depths"), ("datum_uncertainty", "the depth datum"))
        if key in flow.attrs
    ]
    title = f"Heat flow, {tree.attrs.get('title', '')}"
    return ReportTable("heat_flow", title, columns, tuple(notes))


def _consolidation(tree: xr.DataTree) -> ReportTable:
    yields = _leaf(tree, "properties/yield_stress", "consolidation")
    notes = _Notes(tree)
    columns = _places(yields, ("sample_id", "test", *_HERE[1:]))
    columns += _measured(yields, "yield_stress", notes)
    for path, names in (
        ("properties/compression_indices", ("compression_index", "recompression_index")),
        ("products/overconsolidation", ("overconsolidation_ratio",)),
    ):
        data = series.leaf(tree, path)
        if data is None or list(data["test"].values) != list(yields["test"].values):
            continue
        for name in names:
            if name in data:
                columns += _measured(data, name, notes)
    said = (*notes.said(), _DEPTH, K1, RESEARCH_ONLY)
    title = f"Consolidation, {tree.attrs.get('title', '')}"
    return ReportTable("consolidation", title, tuple(columns), said)


REPORT_TABLES: dict[str, Callable[[xr.DataTree], ReportTable]] = {
    "cores": _cores,
    "index_properties": lambda tree: _of_leaf(
        tree,
        "index_properties",
        "Index properties of samples",
        "properties/index_properties",
        _HERE,
        (
            "bulk_density",
            "dry_density",
            "grain_density",
            "porosity",
            "void_ratio",
            "water_content_wet",
        ),
    ),
    "thermal_conductivity": lambda tree: _of_leaf(
        tree,
        "thermal_conductivity",
        "Thermal conductivity",
        "properties/thermal_conductivity",
        (*_HERE, "direction", "geometry"),
        ("thermal_conductivity",),
    ),
    "formation_temperature": lambda tree: _of_leaf(
        tree,
        "formation_temperature",
        "Formation temperature",
        "properties/formation_temperature",
        ("sample_id", "station", "tool", "depth"),
        ("equilibrium_temperature",),
        lambda data: [
            fixed_column("conductivity [W/(m K)]", data["conductivity"].values, 3),
            fixed_column("window from [s]", data["window_start"].values, 0),
            fixed_column("window to [s]", data["window_end"].values, 0),
            text_column("grade", data["grade"].values),
        ],
    ),
    "heat_flow": _heat_flow,
    "sample_velocity": lambda tree: _of_leaf(
        tree,
        "sample_velocity",
        "P-wave velocity of samples",
        "properties/sample_velocity",
        (*_HERE, "axis"),
        ("p_wave_velocity",),
    ),
    "strength": lambda tree: _of_leaf(
        tree,
        "strength",
        "Undrained shear strength",
        "properties/strength",
        (*_HERE, "method", "state"),
        ("undrained_shear_strength",),
    ),
    "consolidation": _consolidation,
    "calibration": calibration_table,
    "constants": constants_table,
    "glossary": glossary_table,
}


def report_table(tree: xr.DataTree, name: str) -> ReportTable:
    """One of the standard tables.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    name : str
        One of :data:`REPORT_TABLES`.

    Returns
    -------
    ReportTable
        Shows itself as text or HTML; ``to_csv``, ``to_markdown``, ``to_latex``, ``frame``.

    Raises
    ------
    KeyError
        For a table that there is not.
    NothingToTabulate
        When the hole lacks what it shows.
    """
    if name not in REPORT_TABLES:
        raise KeyError(f"there is no table {name!r}; there are {', '.join(REPORT_TABLES)}")
    return REPORT_TABLES[name](tree)


def write_report_tables(
    tree: xr.DataTree, folder: str | os.PathLike[str], *, kinds: tuple[str, ...] = KINDS
) -> list[Path]:
    """Write all standard tables that the hole has the data for.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    folder : path
        Folder of the tables; made where it does not exist.
    kinds : tuple of {"csv", "md", "tex", "xlsx"}
        Which files; the workbook ``report_tables.xlsx`` holds all tables, a sheet each.

    Returns
    -------
    list of Path
        The files; the same bytes for the same hole.

    Raises
    ------
    ValueError
        For another kind of file.
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise ValueError(f"no table is written as {unknown[0]!r}; the kinds are {', '.join(KINDS)}")
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    tables = []
    for make in REPORT_TABLES.values():
        try:
            tables.append(make(tree))
        except NothingToTabulate:
            continue  # a half-finished hole has fewer tables
    made = {"csv": ReportTable.to_csv, "md": ReportTable.to_markdown, "tex": ReportTable.to_latex}
    paths = [
        write_bytes(out / f"{table.name}.{kind}", made[kind](table).encode("utf-8"))
        for table in tables
        for kind in kinds
        if kind != "xlsx"
    ]
    if "xlsx" in kinds and tables:
        path = out / "report_tables.xlsx"
        paths.append(write_bytes(path, workbook(tables, path)))
    return paths


# --------------------------------------------------------------------------------------------------
# Tables of a site: shifts of its cores, and the composite sequence.


def shift_table(shifts: xr.Dataset) -> ReportTable:
    """Shift of every core onto composite depth.

    Parameters
    ----------
    shifts : Dataset
        From ``cp.composite.shifts``.

    Returns
    -------
    ReportTable
        Hole, core, top of the core [m], shift and its uncertainty [m], how it is tied.

    Raises
    ------
    NothingToTabulate
        When it is no result of that function, or without a core.
    """
    needed = {"hole", "core", "core_top", "shift", "shift_u_random", "tied"}
    if not needed <= set(shifts.variables) or not shifts["shift"].size:
        raise NothingToTabulate("the table of shifts takes what cp.composite.shifts returned")
    shifts = shifts_in_metres(shifts)
    value = shifts["shift"].values.astype(float)
    u = shifts["shift_u_random"].values.astype(float)
    pairs = [
        (f"{v:.2f}", "") if s == 0.0 or not np.isfinite(s) else digits(float(v), float(s))
        for v, s in zip(value, u, strict=True)
    ]
    tied = shifts["tied"].values.astype(str)
    columns = (
        text_column("hole", shifts["hole"].values),
        text_column("core", shifts["core"].values),
        fixed_column("top [m]", shifts["core_top"].values, 2),
        Column("shift [m]", tuple(p[0] for p in pairs), values_of(value)),
        Column("± [m]", tuple(p[1] for p in pairs), values_of(u)),
        text_column("how", tied),
    )
    counts = ", ".join(f"{int((tied == word).sum())} {word}" for word in dict.fromkeys(tied))
    notes = (
        "Composite depth is depth in the hole and shift; top is the depth below seafloor at which "
        "the core began.",
        f"Of {tied.size} cores: {counts}. A carried core has the shift of the core above it, which "
        "is a guess; the anchor's shift is set.",
        "± is the standard uncertainty against the anchor, k = 1; empty where it is not known.",
    )
    return ReportTable("core_shifts", "Shifts of the cores", columns, notes)


def sequence_table(sequence: xr.Dataset) -> ReportTable:
    """Intervals of the composite sequence, from the top downward.

    Parameters
    ----------
    sequence : Dataset
        From ``cp.composite.checked_sequence``.

    Returns
    -------
    ReportTable
        Hole, core, ends in the hole and on composite depth [m].

    Raises
    ------
    NothingToTabulate
        When it is no result of that function, or without an interval.
    """
    ends = ("top", "bottom", "top_composite", "bottom_composite")
    if not {"hole", "core", *ends} <= set(sequence.variables) or not sequence["top"].size:
        raise NothingToTabulate(
            "the table of the sequence takes what cp.composite.checked_sequence returned"
        )
    sequence = sequence_in_metres(sequence)
    columns = (
        text_column("hole", sequence["hole"].values),
        text_column("core", sequence["core"].values),
        *(fixed_column(f"{name.replace('_', ' ')} [m]", sequence[name].values, 2) for name in ends),
    )
    notes = ("Top and bottom are depths below seafloor in the hole, as drilled.",)
    return ReportTable("composite_sequence", "Composite sequence", columns, notes)
