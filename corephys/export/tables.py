"""A reduced hole as CSV tables for readers, and a reduced series as a LAS file."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path

import numpy as np
import xarray as xr

from corephys.downhole.logs import las
from corephys.export.fit_tables import write_fit_tables
from corephys.export.table import version
from corephys.ground import companions, flags, vocabulary
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from corephys.ground.choices import choice
from corephys.ground.fits import FitResult
from corephys.ground.progress import bar
from corephys.ground.provenance import write_bytes

__all__ = ["write_las", "write_tables"]

# --------------------------------------------------------------------------------------------------
# A reduced hole as CSV tables for readers: headers ``name [unit]``, flags and reasons in words.


# Decimals of positions by unit, down to a tenth of a millimetre: they have no uncertainty from
# which decimals would follow.
_DECIMALS = {"m": 4, "cm": 2, "mm": 1}
_POSITIONS = (
    "sample_id",
    "core",
    "section",
    "offset",
    "run",
    "station",
    "standard",
    "carrier",
    "depth",
    "depth_fitted",
    "offset_closed",
    "depth_closed",
)
# Spreadsheets take cells that begin with one of these for formulas.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_ABOUT = """\
Each property and product of the reduced hole has one table. Headers are "name [unit]", without
bracket for text and pure numbers. name_u_random and name_u_systematic are standard uncertainties
(k = 1); an empty cell is not known. Flags are good, not evaluated, suspect, bad and missing;
name_reason lists the reasons. The netCDF file holds effects by source of a series and matrices.
property_summary.csv has statistics of all of them by layer, lithology and coring method, and counts
the readings left out; its lithology is that of description.csv, and that of layers.csv in a hole
without a description. uncertainty_budget.csv lists the sources of each uncertainty.
"""
_LEVEL_WORDS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}


def write_tables(tree: xr.DataTree | FitResult, folder: str | os.PathLike[str]) -> list[Path]:
    """Write a CSV table for each property and product, or the table of a fit.

    Parameters
    ----------
    tree : DataTree or FitResult
        Reduced hole; or the result of a fit, for which :func:`write_fit_tables` writes its table as
        CSV, Markdown, LaTeX and XLSX.
    folder : path
        Folder of the tables; created if it does not exist.

    Returns
    -------
    list of Path
        The tables. The group ``/properties/density`` is ``density.csv``. Variables that do not
        run along the readings are in ``density_<dimension>.csv``, ``density_values.csv`` (single
        values) or ``density_effects.csv`` (effects on single values, by source). ``about.txt``
        beside them explains the columns.

    Raises
    ------
    ValueError
        If the tree holds neither a property nor a product.

    Notes
    -----
    A value with an uncertainty is written to two digits of the smallest uncertainty of its
    column. Only the netCDF file holds signed effects by source and matrices. Text that a
    spreadsheet would take for a formula gets an apostrophe in front.
    """
    if isinstance(tree, FitResult):
        return write_fit_tables(tree, folder)
    leaves = [node for node in tree.leaves if node.path.split("/")[1] in ("properties", "products")]
    if not leaves:
        raise ValueError(
            "the tree holds neither /properties nor /products; give the result of cp.reduce"
        )
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    names = [other.name for other in leaves]
    with bar("tables") as step:
        for number, node in enumerate(leaves):
            step(str(node.name), number, len(leaves))
            dataset = node.to_dataset(inherit=False)
            unique = names.count(node.name) == 1
            stem = str(node.name) if unique else "_".join(node.path.split("/")[1:])
            for ending, variables in _tables(dataset).items():
                path = out / f"{stem}{ending}.csv"
                written.append(write_bytes(path, _csv(dataset, variables).encode("utf-8")))
    write_bytes(out / "about.txt", f"{_ABOUT}\n{RESEARCH_ONLY}\n{SEALED_SOURCE}\n".encode())
    return written


def _tables(dataset: xr.Dataset) -> dict[str, list[str]]:
    """Variables of each table by the ending of its name; the largest table has no ending."""
    groups: dict[tuple[Hashable, ...], list[str]] = {}
    for name, variable in dataset.data_vars.items():
        if variable.ndim <= 1:
            groups.setdefault(variable.dims, []).append(str(name))
    if not groups:  # matrices alone
        return {}
    # Effects by source go last, however many: they are no values of the result.
    order = sorted(groups, key=lambda dims: (dims == ("source",), not dims, -len(groups[dims])))
    words = {(): "_values", ("source",): "_effects"}
    endings = ["", *(words.get(dims, f"_{dims[0]}" if dims else "") for dims in order[1:])]
    return {ending: groups[dims] for ending, dims in zip(endings, order, strict=True)}


def _csv(dataset: xr.Dataset, variables: list[str]) -> str:
    """CSV text of variables of the same dimension, positions first."""
    dims = dataset[variables[0]].dims
    positions = [str(n) for n, c in dataset.coords.items() if c.dims == dims and dims]
    positions.sort(key=lambda n: _POSITIONS.index(n) if n in _POSITIONS else len(_POSITIONS))
    decimals = _decimals(dataset, variables)
    header, columns = [], []
    for name in [*positions, *variables]:
        variable = dataset[name]
        unit = str(variable.attrs.get("units", "1"))
        words = _is_text(name, variable)
        header.append(_cell(name if words or unit == "1" else f"{name} [{unit}]"))
        columns.append(_column(name, np.atleast_1d(variable.values), unit, decimals.get(name)))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(zip(*columns, strict=True))
    return stream.getvalue()


def _is_text(name: str, variable: xr.DataArray) -> bool:
    """Whether the cells of a column are words, so that its header has no unit."""
    return variable.dtype.kind not in "fiub" or name.endswith(("_flag", "_reason"))


def _decimals(dataset: xr.Dataset, variables: list[str]) -> dict[str, int]:
    """Decimals of each value and its uncertainties: two digits of the smallest uncertainty."""
    found: dict[str, int] = {}
    for name in variables:
        parts = [n for n in (f"{name}_u_random", f"{name}_u_systematic") if n in dataset]
        sizes = [np.atleast_1d(dataset[part].values) for part in parts]
        # Digits follow the known part. Where both parts are unknown the total is zero and ignored.
        total = np.sqrt(sum((np.nan_to_num(size) ** 2 for size in sizes), start=np.float64(0.0)))
        known = total[np.isfinite(total) & (total > 0)] if sizes else np.array([])
        if known.size:
            digits = int(np.clip(1 - np.floor(np.log10(known.min())), 0, 12))
            found.update(dict.fromkeys([name, *parts], digits))
    return found


def _column(name: str, values: np.ndarray, unit: str, decimals: int | None) -> Iterable[str]:
    """Cells of a column; flags and reasons as words, missing numbers as empty cells."""
    masks = values.dtype.kind in "iu"  # grade_reason is text, not a mask
    if masks and name.endswith("_flag"):
        return _in_words(values, lambda level: _LEVEL_WORDS.get(level, str(level)))
    if masks and name.endswith("_reason"):
        return _in_words(
            values, lambda mask: "; ".join(word.replace("_", " ") for word in flags.names(mask))
        )
    if values.dtype.kind == "M":
        return [text if text != "NaT" else "" for text in np.datetime_as_string(values)]
    if values.dtype.kind == "b":
        return ["true" if value else "false" for value in values]
    if values.dtype.kind in "iu":
        return [str(value) for value in values]
    if values.dtype.kind == "f":
        if name in _POSITIONS:
            decimals = _DECIMALS.get(unit)
        return _numbers(values, "%.6g" if decimals is None else f"%.{decimals}f")
    return [_cell(str(value)) for value in values]


def _numbers(values: np.ndarray, style: str) -> list[str]:
    """Cells of numbers, empty for NaN. One format for all of them takes half the time."""
    if not values.size:
        return []
    cells = "\n".join([style] * values.size) % tuple(values.tolist())
    texts = cells.split("\n")
    for row in np.flatnonzero(np.isnan(values)).tolist():
        texts[row] = ""
    return texts


def _in_words(values: np.ndarray, words: Callable[[int], str]) -> list[str]:
    """Cells of flags or masks; each distinct one is translated once."""
    kinds, where = np.unique(values, return_inverse=True)
    texts = [words(int(kind)) for kind in kinds]
    return [texts[i] for i in where.reshape(-1)]


def _cell(text: str) -> str:
    """Cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


# --------------------------------------------------------------------------------------------------
# A reduced series as a LAS file beside the logs.


_SCALES = ("depth", "depth_fitted", "depth_closed")


def write_las(
    result: xr.Dataset | xr.DataTree,
    path: str | os.PathLike[str],
    *,
    depth_scale: str = "depth",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    well: str = "",
) -> Path:
    """Write a series of the cores as a LAS 2.0 file in the order of depth.

    Parameters
    ----------
    result : Dataset or DataTree
        Leaf with quantities along ``reading``, such as ``reduced["properties/density"]``.
    path : path
        File to write; an interrupted call leaves the old file in place.
    depth_scale : {"depth", "depth_fitted", "depth_closed"}
        Depth of the first column [m].
    allow : tuple of str
        Flag levels whose values are written. Other values are missing; the flags are curves.
    well : str
        Name in the well section; the default is the title of the hole of a leaf.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        If the result lacks the depth scale, or has no quantity with flags.
    LogError
        If a depth is missing.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992); -999.25 marks a missing value. Where cores
    overlap in depth, rows of both follow each other.
    """
    data = result.to_dataset(inherit=False) if isinstance(result, xr.DataTree) else result
    # Depths in metres, and uncertainties without a unit in that of their quantity.
    data = companions.library_units(data)
    names = [str(n) for n in data.data_vars if f"{n}_flag" in data and data[n].dims == ("reading",)]
    depth_scale = choice(depth_scale, _SCALES, "depth_scale")
    if depth_scale not in data.coords or not names:
        raise ValueError(
            f"a LAS file needs a quantity with flags along its readings and the coordinate "
            f"{depth_scale!r}; this result has {', '.join(map(str, data.variables)) or 'nothing'}"
        )
    about = {"units": "m", "long_name": vocabulary.term(depth_scale).long_name}
    out = xr.Dataset(coords={"depth": ("reading", data[depth_scale].values, about)})
    for name in names:
        use = flags.usable(data[f"{name}_flag"].values, allow)
        for part in (name, f"{name}_u_random", f"{name}_u_systematic"):
            if part in data:
                values = np.where(use, data[part].values.astype(float), np.nan)
                out[part] = ("reading", values, dict(data[part].attrs))
        out[f"{name}_flag"] = ("reading", data[f"{name}_flag"].values, {"units": "1"})
    if not well and isinstance(result, xr.DataTree):
        well = str(result.root.attrs.get("title", ""))
    named = {"WELL": " ".join(well.split())} if well else {}
    named["PROG"] = f"corephys {version()}"
    out.attrs = {"safety": str(data.attrs["safety"])} if "safety" in data.attrs else {}
    return las.write(out, path, well=named)
