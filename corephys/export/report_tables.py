"""The standard tables of a report: results, constants and units behind them, tables of a site."""

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
    write_as,
)
from corephys.ground import flags, series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, digits
from corephys.ground.choices import choices, plain_words
from corephys.ground.provenance import ORIGINS, used_constants
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.core_shifts import placements, shifts_in_metres
from corephys.hole.composite.sequences import sequence_in_metres

__all__ = [
    "REPORT_TABLES",
    "report_table",
    "sequence_table",
    "shift_table",
    "write_report_tables",
]

# --------------------------------------------------------------------------------------------------
# Constants and units behind the results: fitted constants, other constants, names and units.


_EQUATIONS = (
    "gamma: ln I = c0 + c1 x + c2 x^2, x the areal density inside the liner.",
    "P-wave: t = t0 + walls tl / 2 + length / V.",
    "resistivity: log10(R / (ohm m)) = c0 + c1 x + c2 x^2, x = log10(net response / mV).",
    "natural gamma: rate of a window = sum over elements of S times content, and b.",
)


def _calibration(tree: xr.DataTree) -> ReportTable:
    """Constants that were fitted to standards, with their uncertainties and units."""
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
        raise NothingToTabulate("the table calibration needs a calibration; this hole has none")
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
    return ReportTable("calibration", title, columns, (*notes, *about, K1, *cautions))


def _glossary(tree: xr.DataTree) -> ReportTable:
    """Name, unit and meaning of the quantities of the hole."""
    names: list[str] = []
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")):
            names += [str(n) for n in node.variables if str(n) in TERMS and str(n) not in names]
    if not names:
        raise NothingToTabulate("the table glossary needs a quantity; this hole has none")
    names.sort()
    columns = (
        text_column("name", names),
        text_column("unit", [TERMS[n].unit for n in names]),
        text_column("meaning", [TERMS[n].long_name for n in names]),
    )
    notes = ("Pure numbers have the unit 1. Names are those in the files.",)
    return ReportTable("glossary", "Quantities, names and units", columns, notes)


def _constants(tree: xr.DataTree) -> ReportTable:
    """Constants that the results used, a row for each value and origin of a name."""
    held: dict[tuple[str, str, str, str], list[str]] = {}
    for node in tree.leaves:
        where = (node.name or "").replace("_", " ")
        for name, one in used_constants(node).items():
            words = name.replace("_", " ").replace(".", " ")
            row = (words, one.shown(), ORIGINS[one.origin], one.cited())
            held.setdefault(row, []).append(where)
    if not held:
        raise NothingToTabulate("the table constants needs a recorded constant; this hole has none")
    rows = [(*row, ", ".join(dict.fromkeys(places))) for row, places in sorted(held.items())]
    columns = tuple(
        text_column(label, [row[i] for row in rows])
        for i, label in enumerate(("constant", "value", "from", "source", "used for"))
    )
    return ReportTable("constants", "Constants that the results used", columns)


# --------------------------------------------------------------------------------------------------
# The standard tables of a report: digits by the uncertainty, footnotes for flagged values.


_KINDS = ("csv", "md", "tex", "xlsx")
# Decimals of positions, which have no uncertainty: millimetres of depth, of offset in a section.
_PLACES = {"depth": 3, "depth_fitted": 3, "offset": 1}
_UNITS = {"depth": "m", "depth_fitted": "m", "offset": "cm"}
# Porosity and water content are printed in per cent (common practice, no source).
_PER_CENT = ("porosity", "water_content_wet", "water_content_dry")
_DEPTH = "Depth is depth below seafloor, as laid out."


class _Notes:
    """Footnotes of a table: a letter for each reason, with the number of its values."""

    def __init__(self, tree: xr.DataTree) -> None:
        self.allow = flags.allowed(tree.attrs.get("recipe", ""))
        self.counts: dict[str, int] = {}
        self.missing = self.values = 0
        self.random = False  # whether the systematic part of some quantity is not known

    def of(self, dataset: xr.Dataset, name: str) -> tuple[str, ...]:
        """Letters of each value of a quantity that is not used."""
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
            # A missing value has no digits to look at, so that its number is stated separately.
            if not np.isfinite(number):
                self.missing += 1
            self.values += 1
            words = flags.names(int(bits)) or ["flagged"]
            for word in words:
                self.counts[word] = self.counts.get(word, 0) + 1
            marks.append(",".join(self._letter(word) for word in words))
        return tuple(marks) if any(marks) else ()

    def _letter(self, word: str) -> str:
        """Letter of a reason in the order of appearance: a to z, then aa, ab and so on."""
        place = list(self.counts).index(word)
        letters = string.ascii_lowercase
        return letters[place] if place < 26 else letters[place // 26 - 1] + letters[place % 26]

    def lines(self) -> list[str]:
        """A line for each reason, and the number of missing values."""
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
            lines.append("± (random) is the random part only; the systematic part is not known.")
        return lines


def _measured(dataset: xr.Dataset, name: str, notes: _Notes, label: str = "") -> list[Column]:
    """Columns of a quantity and its uncertainty, flagged values with their letters."""
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
        # The random part alone is more use than an empty column; heading and footnote name it.
        if np.isnan(u).all() and np.isfinite(random).any():
            u, sort, notes.random = random, " (random)", True
    pairs = [digits(float(v), float(s)) for v, s in zip(value, u, strict=True)]
    column = Column(head, tuple(a for a, _ in pairs), values_of(value), notes.of(dataset, name))
    tail = f" [{unit}]" if unit != "1" else ""
    cells = tuple(b for _, b in pairs)
    return [column, Column(f"±{sort}{tail}", cells, values_of(u), of=words)]


def _places(dataset: xr.Dataset, names: Iterable[str]) -> list[Column]:
    """Columns of positions and words of the readings, as far as the leaf has them."""
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
    """Leaf that a table needs."""
    found = series.leaf(tree, path)
    if found is None or not all(found.sizes.values()):
        raise NothingToTabulate(f"the table {table} needs /{path}, which this hole does not have")
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
    """Table of a leaf in the order of depth: positions, quantities, then further columns."""
    data = _leaf(tree, path, name)
    # A report is read by depth; the leaf has the order of the measurement.
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
    footnotes = notes.lines()
    footnotes += [_DEPTH] if "depth" in data.coords else []
    footnotes += [K1]
    footnotes += [str(data.attrs["safety"])] if "safety" in data.attrs else []
    if "supplied_from" in data.attrs:
        footnotes += [f"Supplied already reduced in {data.attrs['supplied_from']}."]
    hole = str(tree.attrs.get("title", ""))
    return ReportTable(
        name, f"{title}, {hole}" if hole else title, tuple(columns), tuple(footnotes)
    )


_HERE = ("sample_id", "core", "section", "offset", "depth")


def _cores(tree: xr.DataTree) -> ReportTable:
    """Cores with their recovery and number of sections."""
    cores = _leaf(tree, "cores", "cores")
    columns = [text_column("core", cores["core"].values)]
    columns.append(text_column("coring method", cores["coring_method"].values))
    columns += [
        fixed_column(f"{name} [m]", cores[name].values, 2)
        for name in ("top", "advance", "recovered")
    ]
    advance = cores["advance"].values.astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        # A core without advance has no recovery.
        share = np.where(advance > 0, 100.0 * cores["recovered"].values / advance, np.nan)
    columns.append(fixed_column("recovery [%]", share, 0))
    sections = series.leaf(tree, "sections")
    if sections is not None:
        held = sections["core"].values.astype(str)
        counts = [float((held == str(core)).sum()) for core in cores["core"].values]
        columns.append(fixed_column("sections", counts, 0))
    total = np.nansum(cores["recovered"].values) / np.nansum(advance) if advance.any() else np.nan
    notes = (
        f"{cores.sizes['row']} cores, {np.nansum(advance):.1f} m advanced, "
        f"{np.nansum(cores['recovered'].values):.1f} m recovered, {100 * total:.0f} %.",
        "Top is the depth below seafloor of the top of the core. Recovery above 100 % is material "
        "that expanded or was disturbed.",
    )
    return ReportTable("cores", f"Cores, {tree.attrs.get('title', '')}", tuple(columns), notes)


def _heat_flow(tree: xr.DataTree) -> ReportTable:
    """Heat flow with its variants by carrier and over intervals."""
    flow = _leaf(tree, "products/heat_flow", "heat_flow")
    rows: list[tuple[str, float, float, str]] = []
    for name in ("heat_flow", "surface_temperature"):
        unit = str(flow[name].attrs["units"])
        value, u = float(flow[name]), float(uncertainty.total(flow, name))
        rows.append((TERMS[name].long_name if name in TERMS else name, value, u, unit))
    carriers = series.leaf(tree, "products/heat_flow_by_carrier")
    if carriers is not None:
        for i, carrier in enumerate(carriers["carrier"].values):
            value, u = (float(carriers[n][i]) for n in ("heat_flow", "heat_flow_uncertainty"))
            words = f"heat flow, conductivity carried as {plain_words(carrier)}"
            rows.append((words, value, u, "mW/m^2"))
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
        f"{flow.attrs.get('bottom_water', 'not recorded')}; reduced chi-square "
        f"{float(flow.attrs.get('reduced_chi_square', np.nan)):.2f}.",
        K1,
    ]
    notes += [
        f"Uncertainty of {what}: {flow.attrs[key]}."
        for key, what in (("depth_uncertainty", "depths"), ("datum_uncertainty", "the depth datum"))
        if key in flow.attrs
    ]
    if "status" in flow.attrs:
        notes.append(f"{str(flow.attrs['status']).capitalize()}.")
    title = f"Heat flow, {tree.attrs.get('title', '')}"
    return ReportTable("heat_flow", title, columns, tuple(notes))


def _consolidation(tree: xr.DataTree) -> ReportTable:
    """Yield stress, compression indices and overconsolidation of the tests."""
    yields = _leaf(tree, "properties/yield_stress", "consolidation")
    notes = _Notes(tree)
    columns = _places(yields, ("sample_id", "test", *_HERE[1:]))
    columns += _measured(yields, "yield_stress", notes)
    for path, names in (
        ("properties/compression_indices", ("compression_index", "recompression_index")),
        ("products/overconsolidation", ("overconsolidation_ratio",)),
    ):
        data = series.leaf(tree, path)
        # The columns of these leaves stand beside the yield stresses test by test.
        if data is None or list(data["test"].values) != list(yields["test"].values):
            continue
        for name in names:
            if name in data:
                columns += _measured(data, name, notes)
    footnotes = (*notes.lines(), _DEPTH, K1, RESEARCH_ONLY)
    title = f"Consolidation, {tree.attrs.get('title', '')}"
    return ReportTable("consolidation", title, tuple(columns), footnotes)


# Tables in the order of the workbook.
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
        lambda data: (
            []
            if "supplied_from" in data.attrs
            else [
                fixed_column("conductivity [W/(m K)]", data["conductivity"].values, 3),
                fixed_column("window from [s]", data["window_start"].values, 0),
                fixed_column("window to [s]", data["window_end"].values, 0),
                text_column("grade", data["grade"].values),
            ]
        ),
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
    "calibration": _calibration,
    "constants": _constants,
    "glossary": _glossary,
}


def report_table(tree: xr.DataTree, name: str) -> ReportTable:
    """One of the standard tables of a report.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    name : str
        Name of the table, a key of ``cp.export.REPORT_TABLES``.

    Returns
    -------
    ReportTable
        The table, displayed as text or HTML, with ``to_csv``, ``to_markdown``, ``to_latex`` and
        ``frame``.

    Raises
    ------
    KeyError
        If there is no table of that name.
    NothingToTabulate
        If the hole lacks the data of the table.
    """
    if name not in REPORT_TABLES:
        raise KeyError(f"there is no table {name!r}; the tables are {', '.join(REPORT_TABLES)}")
    return REPORT_TABLES[name](tree)


def write_report_tables(
    tree: xr.DataTree, folder: str | os.PathLike[str], *, kinds: tuple[str, ...] = _KINDS
) -> list[Path]:
    """Write all standard tables whose data the hole has.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    folder : path
        Folder of the tables; created if it does not exist.
    kinds : tuple of {"csv", "md", "tex", "xlsx"}
        Kinds of files. The workbook ``report_tables.xlsx`` has a sheet for each table.

    Returns
    -------
    list of Path
        The files. The same hole gives the same bytes.

    Raises
    ------
    ValueError
        If a kind is not one of these.
    """
    kinds = choices(kinds, _KINDS, "kinds")
    tables = []
    for make in REPORT_TABLES.values():
        try:
            tables.append(make(tree))
        except NothingToTabulate:
            continue  # an unfinished hole has fewer tables
    return write_as(tables, Path(folder), kinds, "report_tables.xlsx")


# --------------------------------------------------------------------------------------------------
# Tables of a site: shifts of the cores, and the composite sequence.


def shift_table(shifts: xr.Dataset) -> ReportTable:
    """Shift of every core onto composite depth.

    Parameters
    ----------
    shifts : Dataset
        Result of ``cp.composite.shifts``.

    Returns
    -------
    ReportTable
        Hole, core, top of the core [m], shift and its uncertainty [m], and the kind of the tie.

    Raises
    ------
    NothingToTabulate
        If ``shifts`` is not a result of that function, or holds no core.
    """
    needed = {"hole", "core", "core_top", "shift", "shift_u_random", "tied"}
    if not needed <= set(shifts.variables) or not shifts["shift"].size:
        raise NothingToTabulate(
            "the table of shifts needs the result of cp.composite.shifts with at least one core"
        )
    shifts = shifts_in_metres(shifts)
    value = shifts["shift"].values.astype(float)
    u = shifts["shift_u_random"].values.astype(float)
    pairs = [
        # The datum has no uncertainty relative to itself, and an unknown one gives no digits.
        (f"{v:.2f}", "") if s == 0.0 or not np.isfinite(s) else digits(float(v), float(s))
        for v, s in zip(value, u, strict=True)
    ]
    tied = placements(shifts)
    columns = (
        text_column("hole", shifts["hole"].values),
        text_column("core", shifts["core"].values),
        fixed_column("top [m]", shifts["core_top"].values, 2),
        Column("shift [m]", tuple(p[0] for p in pairs), values_of(value)),
        Column("± [m]", tuple(p[1] for p in pairs), values_of(u)),
        text_column("how", tied),
    )
    # Words in the order of the table: datum, tied, untied.
    counts = ", ".join(f"{int((tied == word).sum())} {word}" for word in dict.fromkeys(tied))
    notes = (
        "Composite depth is depth in the hole plus shift. Top is the depth below seafloor of the "
        "top of the core.",
        f"Of {tied.size} cores: {counts}. An untied core has the shift of the core above it, which "
        "is not measured. The shift of the datum is given.",
        "± is the standard uncertainty relative to the datum, k = 1; empty where not known.",
    )
    return ReportTable("core_shifts", "Shifts of the cores", columns, notes)


def sequence_table(sequence: xr.Dataset) -> ReportTable:
    """Intervals of the composite sequence, from the top downward.

    Parameters
    ----------
    sequence : Dataset
        Result of ``cp.composite.checked_sequence``.

    Returns
    -------
    ReportTable
        Hole, core, and ends of each interval in the hole and on composite depth [m].

    Raises
    ------
    NothingToTabulate
        If ``sequence`` is not a result of that function, or holds no interval.
    """
    ends = ("top", "bottom", "top_composite", "bottom_composite")
    if not {"hole", "core", *ends} <= set(sequence.variables) or not sequence["top"].size:
        raise NothingToTabulate(
            "the table of the sequence needs the result of cp.composite.checked_sequence with at "
            "least one interval"
        )
    sequence = sequence_in_metres(sequence)
    columns = (
        text_column("hole", sequence["hole"].values),
        text_column("core", sequence["core"].values),
        *(fixed_column(f"{name.replace('_', ' ')} [m]", sequence[name].values, 2) for name in ends),
    )
    notes = ("Top and bottom are depths below seafloor in the hole, as drilled.",)
    return ReportTable("composite_sequence", "Composite sequence", columns, notes)
