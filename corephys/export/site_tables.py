"""Tables of a site: one row a hole, calibrations in time, a quantity of all holes on one depth."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.export.report_tables import sequence_table, shift_table
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
from corephys.ground.choices import choice
from corephys.ground.provenance import write_bytes
from corephys.ground.registry import SENSORS
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.folder import hole_names, is_site

__all__ = ["calibration_table", "site_summary", "site_table", "write_site_tables"]

# Positions of the readings in the table of a quantity, with their decimals.
_PLACES: dict[str, int] = {
    "depth_composite": 3,
    "depth_composite_u_random": 3,
    "age": 2,
    "age_u_random": 2,
    "depth": 3,
    "offset": 1,
}
_AXES = ("depth_composite", "depth", "age")
_LEVELS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}


def site_summary(site: xr.DataTree) -> ReportTable:
    """One row a hole: recovery, readings, usable share and median of each quantity, results.

    Parameters
    ----------
    site : DataTree
        Reduced site.

    Returns
    -------
    ReportTable
        Holes in the order of the site, those that were not reduced or read among them.

    Raises
    ------
    NothingToTabulate
        If the tree is not a reduced site.
    """
    data = series.leaf(site, "site/summary") if is_site(site) else None
    if data is None:
        raise NothingToTabulate(
            "the summary of a site needs the result of cp.reduce(cp.read_site(folder))"
        )
    flagged = False
    columns = [text_column(name, data[name].values) for name in ("hole", "name", "status")]
    for name, words, places in (
        ("water_depth", "water depth [m]", 0),
        ("bottom", "bottom [m]", 1),
        ("cores", "cores", 0),
        ("recovered", "recovered [m]", 2),
        ("recovery", "recovery [%]", 0),
    ):
        if np.isfinite(data[name].values).any():
            columns.append(fixed_column(words, data[name].values, places))
    for variable in map(str, data.data_vars):
        name = variable.removesuffix("_readings")
        if name != variable:
            columns += _of_quantity(data, name)
        elif f"{variable}_u_total" in data:
            columns += _with_u(data, variable)
            flagged |= bool(columns[-2].marks)
    columns.append(fixed_column("failed stages", data["failed_stages"].values, 0))
    columns.append(fixed_column("notes", data["notes"].values, 0))
    notes = [
        "Usable: share of the readings that products may use. Medians are of usable readings.",
        K1,
    ]
    if flagged:
        notes.append("a: flagged by the reduction, not for use; the hole's own tables state why.")
    if any(name in data for name in ("heat_flow", "surface_porosity")):
        notes.append(RESEARCH_ONLY)
    if "bulk_density_readings" in data:
        notes.append(SEALED_SOURCE)
    title = f"Holes of {site.attrs.get('title', 'the site')}"
    return ReportTable("summary", title, tuple(columns), tuple(notes))


def _of_quantity(data: xr.Dataset, name: str) -> list[Column]:
    """Readings, usable share and median of a quantity."""
    readings, usable = (data[f"{name}_{part}"].values for part in ("readings", "usable"))
    share = np.full(readings.shape, np.nan)
    np.divide(100.0 * usable, readings, out=share, where=readings > 0)
    words = TERMS[name].long_name.removesuffix(" (SI)")
    unit = TERMS[name].unit
    median = data[f"{name}_median"].values.astype(float)
    cells = tuple("" if not np.isfinite(v) else f"{v:#.4g}".rstrip(".") for v in median)
    head = f"median {words}" if unit == "1" else f"median {words} [{unit}]"
    return [
        fixed_column(f"readings of {words}", readings, 0),
        fixed_column(f"usable {words} [%]", share, 1),
        Column(head, cells, values_of(median)),
    ]


def _with_u(data: xr.Dataset, name: str) -> list[Column]:
    """A single result with its uncertainty."""
    value, u = (data[n].values.astype(float) for n in (name, f"{name}_u_total"))
    unit = str(data[name].attrs.get("units", "1"))
    tail = "" if unit == "1" else f" [{unit}]"
    pairs = [
        digits(float(v), float(s)) if np.isfinite(v) else ("", "")
        for v, s in zip(value, u, strict=True)
    ]
    words = TERMS[name].long_name
    level = data[f"{name}_flag"].values if f"{name}_flag" in data else np.full(value.size, np.nan)
    bad = np.isfinite(level) & ~flags.usable(np.nan_to_num(level).astype(int))
    marks = tuple("a" if one else "" for one in bad) if bad.any() else ()
    return [
        Column(f"{words}{tail}", tuple(a for a, _ in pairs), values_of(value), marks),
        Column(f"±{tail}", tuple(b for _, b in pairs), values_of(u), of=words),
    ]


def calibration_table(site: xr.DataTree) -> ReportTable:
    """Constants fitted to standards in all holes, in the order of time.

    Parameters
    ----------
    site : DataTree
        Reduced site.

    Returns
    -------
    ReportTable
        Sensor, set, time, holes, constant, value, uncertainty and unit.

    Raises
    ------
    NothingToTabulate
        If no hole of the site has a calibration.
    """
    data = series.leaf(site, "site/calibrations")
    if data is None:
        raise NothingToTabulate(
            "the table of calibrations needs a site with standards; this site has no calibration"
        )
    value, u = (data[n].values.astype(float) for n in ("value", "value_u_random"))
    pairs = [digits(float(v), float(s)) for v, s in zip(value, u, strict=True)]
    times = ["" if np.isnat(t) else str(t.astype("datetime64[m]")) for t in data["time"].values]
    columns = (
        text_column("sensor", [str(s).replace("_", " ") for s in data["sensor"].values]),
        text_column("constant", data["constant"].values),
        text_column("meaning", data["meaning"].values),
        text_column("set", data["set"].values),
        text_column("mean time of the standards (UTC)", times),
        text_column("holes", data["holes"].values),
        Column("value", tuple(a for a, _ in pairs), values_of(value)),
        Column("±", tuple(b for _, b in pairs), values_of(u), of="value"),
        text_column("unit", data["unit"].values),
        fixed_column("standards", data["standards"].values, 0),
    )
    cautions = [SEALED_SOURCE] if "gamma" in set(data["sensor"].values.astype(str)) else []
    title = f"Calibrations of {site.attrs.get('title', 'the site')}"
    return ReportTable("calibrations", title, columns, (K1, *cautions))


def site_table(
    site: xr.DataTree, quantity: str = "bulk_density", *, on: str = "depth_composite"
) -> ReportTable:
    """A quantity of all holes in the order of composite depth, depth or age.

    Parameters
    ----------
    site : DataTree
        Reduced site.
    quantity : str
        Quantity of the vocabulary.
    on : {"depth_composite", "depth", "age"}
        Coordinate by which the rows are ordered; a row without it stands at the end.

    Returns
    -------
    ReportTable
        One row a value: positions, hole, value, uncertainty, flag and reasons in words, and how
        the core was placed on composite depth.

    Raises
    ------
    NothingToTabulate
        If no hole has the quantity on this coordinate.
    ValueError
        If ``on`` is none of these.
    """
    on = choice(on, _AXES, "on")
    found, left = [], []
    for hole in hole_names(site) if is_site(site) else ():
        data = _series_of(site[hole], quantity)
        if data is None:
            continue
        if on not in data.coords:
            left.append(hole)
            continue
        found.append((hole, data))
    if not found:
        raise NothingToTabulate(
            f"no hole of the site has {quantity} with the coordinate {on}; depth_composite needs "
            "ties.csv, and age also ages.csv of the site"
        )
    rows = _columns(found, quantity)
    order = np.argsort(rows[on], kind="stable")
    unit = str(found[0][1][quantity].attrs.get("units", "1"))
    words = TERMS[quantity].long_name if quantity in TERMS else quantity.replace("_", " ")
    value, u = rows["value"][order], rows["u"][order]
    pairs = [digits(float(v), float(s)) for v, s in zip(value, u, strict=True)]
    tail = "" if unit == "1" else f" [{unit}]"
    columns = [text_column("hole", rows["hole"][order])]
    for name, places in sorted(_PLACES.items(), key=lambda item: not item[0].startswith(on)):
        if np.isfinite(rows[name]).any():
            of = {"depth_composite_u_random": "± of depth composite", "age_u_random": "± of age"}
            kind = "kyr" if name.startswith("age") else "cm" if name == "offset" else "m"
            head = f"{of.get(name, name.replace('_', ' '))} [{kind}]"
            columns.append(fixed_column(head, rows[name][order], places))
    columns += [text_column(n, rows[n][order]) for n in ("core", "section") if any(rows[n] != "")]
    columns += [
        Column(f"{words}{tail}", tuple(a for a, _ in pairs), values_of(value)),
        Column(f"±{tail}", tuple(b for _, b in pairs), values_of(u), of=words),
        text_column("flag", rows["flag"][order]),
        text_column("reasons", rows["reason"][order]),
    ]
    if any(rows["placement"] != ""):
        columns.append(text_column("placement", rows["placement"][order]))
    notes = [
        "Placement is tied or datum where ties determine the composite depth of the core; any "
        "other core has the shift of the core above it.",
        K1,
    ]
    if left:
        notes.append(f"Not in the table, without {on}: hole {', '.join(left)}.")
    notes += dict.fromkeys(str(d.attrs["safety"]) for _, d in found if "safety" in d.attrs)
    title = f"{words[:1].upper()}{words[1:]} of {site.attrs.get('title', 'the site')}"
    return ReportTable(f"{quantity}_of_holes", title, tuple(columns), tuple(notes))


def _series_of(tree: xr.DataTree, quantity: str) -> xr.Dataset | None:
    """The series of a quantity in a hole: of its sensor, else the first result that has it."""
    homes = {sensor.quantity: sensor.path for sensor in SENSORS.records()}
    first = {**homes, "porosity": "products/porosity"}.get(quantity, "")
    here = len(tree.path.rstrip("/")) + 1
    paths = [leaf.path[here:] for leaf in tree.leaves if quantity in leaf.data_vars]
    results = [path for path in paths if path.startswith(("properties/", "products/"))]
    for path in sorted(results, key=lambda path: path != first):
        data = series.leaf(tree, path)
        if data is not None and data[quantity].ndim == 1 and "depth" in data.coords:
            return data
    return None


def _columns(found: Sequence[tuple[str, xr.Dataset]], quantity: str) -> dict[str, np.ndarray]:
    """Columns of all holes below each other."""
    parts: dict[str, list[np.ndarray]] = {}
    for hole, data in found:
        size = data[quantity].size
        level = data.get(f"{quantity}_flag")
        reason = data.get(f"{quantity}_reason")
        known = f"{quantity}_u_random" in data and f"{quantity}_u_systematic" in data
        one: dict[str, Any] = {
            "hole": np.full(size, hole, dtype=object),
            "value": data[quantity].values.astype(float),
            "u": uncertainty.total(data, quantity).values if known else np.full(size, np.nan),
            "flag": _texts(size, level, lambda v: _LEVELS[int(v)]),
            "reason": _texts(
                size, reason, lambda v: "; ".join(w.replace("_", " ") for w in flags.names(int(v)))
            ),
        }
        for name in _PLACES:
            here = name in data.coords and data[name].dims == data[quantity].dims
            one[name] = data[name].values.astype(float) if here else np.full(size, np.nan)
        for name in ("core", "section", "placement"):
            here = name in data.coords and data[name].dims == data[quantity].dims
            one[name] = data[name].values.astype(object) if here else np.full(size, "", object)
        for name, values in one.items():
            parts.setdefault(name, []).append(values)
    return {name: np.concatenate(values) for name, values in parts.items()}


def _texts(size: int, values: xr.DataArray | None, words: Any) -> np.ndarray:
    """A column of flags or masks in words; empty without it."""
    if values is None:
        return np.full(size, "", dtype=object)
    kinds, where = np.unique(values.values, return_inverse=True)
    return np.array([words(kind) for kind in kinds], dtype=object)[where.reshape(-1)]


def write_site_tables(site: xr.DataTree, folder: str | os.PathLike[str]) -> list[Path]:
    """Write the tables of a site: summary, calibrations, shifts, sequence, each quantity.

    Parameters
    ----------
    site : DataTree
        Reduced site.
    folder : path
        Folder of the tables; created if it does not exist.

    Returns
    -------
    list of Path
        ``summary``, ``calibrations``, ``core_shifts`` and ``composite_sequence`` as CSV and
        Markdown and as sheets of ``site_tables.xlsx``, as far as the site has them. A table of
        each quantity of the scan is ``<quantity>_of_holes.csv``, on composite depth where all
        holes have it and on depth where not.

    Raises
    ------
    NothingToTabulate
        If the tree is not a reduced site.
    """
    out = Path(folder)
    tables = [site_summary(site)]
    made: list[tuple[str, Any]] = [("calibrations", calibration_table)]
    for name, make in made:
        if series.leaf(site, f"site/{name}") is not None:
            tables.append(make(site))
    shifts, sequence = (series.leaf(site, f"site/{name}") for name in ("shifts", "sequence"))
    if shifts is not None:
        tables.append(shift_table(shifts))
    if sequence is not None and "top_composite" in sequence:
        tables.append(sequence_table(sequence))
    paths = write_as(tables, out, ("csv", "md", "xlsx"), "site_tables.xlsx")
    for quantity in (*(sensor.quantity for sensor in SENSORS.records()), "porosity"):
        for on in ("depth_composite", "depth"):
            try:
                table = site_table(site, quantity, on=on)
            except NothingToTabulate:
                continue
            path = out / f"{table.name}.csv"
            paths.append(write_bytes(path, table.to_csv().encode("utf-8")))
            break
    return paths
