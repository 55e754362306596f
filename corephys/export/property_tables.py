"""Statistics of every property by layer, lithology and coring method, and uncertainty budgets."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, flags, series, units
from corephys.ground.choices import choices
from corephys.ground.provenance import write_bytes
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.folder import instead_of_site, is_site
from corephys.hole.placing import described, layout
from corephys.uncertainty import budgets

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["property_table", "write_summaries"]

GROUPINGS = ("layer", "lithology", "coring_method")
COLUMNS = (
    "property",
    "quantity",
    "unit",
    *GROUPINGS,
    "readings",
    "n",
    "mean",
    "median",
    "standard_deviation",
    "minimum",
    "maximum",
    "u_random_of_mean",
    "u_systematic_of_mean",
    "n_missing",
    "n_suspect",
    "n_bad",
    "n_not_evaluated",
    "left_out",
)
_LEVELS = (
    ("n_missing", flags.MISSING),
    ("n_suspect", flags.SUSPECT),
    ("n_bad", flags.BAD),
    ("n_not_evaluated", flags.NOT_EVALUATED),
)
# Columns whose digits follow the uncertainty.
_NUMBERS = COLUMNS[COLUMNS.index("mean") : COLUMNS.index("u_systematic_of_mean") + 1]


class _Places:
    """Depth, layer, lithology and coring method of the readings of one leaf, and their groups.

    All series of a leaf have the same positions, and so the same groups.
    """

    def __init__(self, depth: np.ndarray, **words: np.ndarray) -> None:
        self.depth, self.words = depth, words
        # Groups in the order of depth read like the column of layers.
        self.order = np.argsort(depth, kind="stable")
        self.known: dict[tuple[str, ...], list[tuple[dict[str, str], np.ndarray]]] = {}

    def part(self, inside: np.ndarray) -> _Places:
        """The same readings, of which those inside alone form groups."""
        found = _Places(self.depth, **self.words)
        found.order = self.order[inside[self.order]]
        return found

    def groups(self, by: tuple[str, ...]) -> list[tuple[dict[str, str], np.ndarray]]:
        """Words and rows of every group, in the order of increasing depth."""
        if by not in self.known:
            self.known[by] = list(self._groups(by))
        return self.known[by]

    def _groups(self, by: tuple[str, ...]) -> Iterator[tuple[dict[str, str], np.ndarray]]:
        if not by:
            yield {}, np.sort(self.order)
            return
        code = np.zeros(self.depth.size, dtype=np.int64)
        for word in by:
            own, kinds = pd.factorize(self.words[word])
            code = pd.factorize(code * (len(kinds) + 1) + own)[0]
        readings = np.sort(self.order)
        by_group = readings[np.argsort(code[readings], kind="stable")]
        ends = np.cumsum(np.bincount(code[readings]))
        for group in pd.unique(code[self.order]).tolist():
            rows = by_group[ends[group - 1] if group else 0 : ends[group]]
            yield {word: str(self.words[word][rows[0]]) for word in by}, rows


class _Readings(NamedTuple):
    """One property series as plain arrays."""

    path: str
    name: str
    unit: str
    values: np.ndarray
    random: np.ndarray
    effects: np.ndarray
    flag: np.ndarray
    reason: np.ndarray
    where: _Places


def property_table(
    tree: xr.DataTree,
    *,
    by: Sequence[str] = ("layer",),
    top: Scalar | None = None,
    bottom: Scalar | None = None,
    allow: tuple[str, ...] | None = None,
) -> pd.DataFrame:
    """Statistics of every property series of a reduced hole, and counts of what was left out.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    by : sequence of {"layer", "lithology", "coring_method"}
        Groupings, crossed; empty for the complete hole. The lithology is that of
        ``description.csv``, and that of ``layers.csv`` in a hole without a description.
    top, bottom : Quantity or str, optional
        Ends of the depth interval as laid out [m]: top included, bottom excluded. An end that is
        not given is open.
    allow : tuple of str, optional
        Flag levels that count; the default is that of the hole's recipe.

    Returns
    -------
    DataFrame
        One row for each series of ``/properties`` and ``/products`` and each group that has
        readings: ``readings`` in the group, ``n`` that count, mean, median, standard deviation
        (n - 1, NaN for one reading), minimum and maximum in ``unit``; ``u_random_of_mean`` and
        ``u_systematic_of_mean``, standard uncertainties of the mean as a mean of these readings.
        Readings that do not count are counted as missing, suspect, bad or not evaluated, and
        ``left_out`` lists their reasons. Every reading is in ``n`` or in one of these counts.
        Readings without a depth, layer, described lithology or coring method form a separate
        group.

    Raises
    ------
    ValueError
        If the tree is not reduced, a grouping is unknown or given twice, the interval is empty,
        or a level is not one of the scheme.

    Notes
    -----
    u_random_of_mean^2 = sum u_i^2 / n^2; u_systematic_of_mean is the norm of the mean effects
    (JCGM 100:2008, 5.2.2), which averaging does not reduce. Neither contains the scatter of the
    sediment; the standard deviation does. Layers are those of
    :func:`corephys.hole.placing.layout.layer_column`, lithologies those of
    :func:`corephys.depth.lithology`.
    """
    by = _groupings(by)
    ends = _interval(top, bottom)
    levels = allow or flags.allowed(tree.attrs.get("recipe", ""))
    flags.usable(np.array([1]), levels)  # refuses an unknown level before any work
    return _table(list(_all_series(tree)), by, levels, ends)


def write_summaries(tree: xr.DataTree, folder: str | os.PathLike[str]) -> list[Path]:
    """Write the property table and the uncertainty budget of a reduced hole.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    folder : path
        Folder of the tables; created if it does not exist.

    Returns
    -------
    list of Path
        ``property_summary.csv`` and ``uncertainty_budget.csv``. The summary groups by layer,
        lithology and coring method, each alone and all crossed (column ``by``), with numbers to
        two digits of their uncertainty. The budget has one row for each source of every quantity.

    Raises
    ------
    ValueError
        If the tree is not reduced.
    """
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    tables, there = [], list(_all_series(tree))
    levels = flags.allowed(tree.attrs.get("recipe", ""))
    for by in ((), *((one,) for one in GROUPINGS), GROUPINGS):
        table = _table(there, by, levels, (-np.inf, np.inf))
        table.insert(0, "by", " and ".join(by).replace("_", " ") or "hole")
        tables.append(table)
    summary = pd.concat(tables, ignore_index=True)
    summary = summary[["by", *COLUMNS]]
    return [
        write_bytes(out / "property_summary.csv", _csv(_rounded(summary))),
        write_bytes(out / "uncertainty_budget.csv", _csv(_budgets(tree))),
    ]


def _table(
    there: Sequence[_Readings],
    by: tuple[str, ...],
    levels: tuple[str, ...],
    ends: tuple[float, float],
) -> pd.DataFrame:
    """Statistics of series in an interval of depth [m], by groups."""
    rows: list[dict[str, Any]] = []
    for one in there:
        depth = one.where.depth
        # Without an interval every reading counts, also one without a depth.
        groups = one.where.groups(by)
        if np.isfinite(ends).any():
            groups = one.where.part((depth >= ends[0]) & (depth < ends[1])).groups(by)
        usable = np.asarray(flags.usable(one.flag, levels)) & np.isfinite(one.values)
        for group, index in groups:
            # A hole without readings has one group, and an interval may hold none of its readings.
            if index.size:
                rows.append(group | _statistics(one, index, usable[index]))
    return pd.DataFrame(rows, columns=[c for c in COLUMNS if c not in GROUPINGS or c in by])


def _csv(table: pd.DataFrame) -> bytes:
    """CSV file of a table, six digits a number."""
    return table.to_csv(index=False, lineterminator="\n", float_format="%.6g").encode("utf-8")


def _budgets(tree: xr.DataTree) -> pd.DataFrame:
    """Budgets of all results, with the path of each in the first column."""
    tables = []
    for path, dataset in _leaves(tree):
        if not any(str(name).endswith("_u_random") for name in dataset.data_vars):
            continue
        table = budgets.budget(dataset)
        table.insert(0, "property", path)
        tables.append(table)
    if not tables:
        return pd.DataFrame(columns=["property", *budgets.COLUMNS])
    return pd.concat(tables, ignore_index=True)


def _rounded(table: pd.DataFrame) -> pd.DataFrame:
    """Numbers as text, to two digits of the uncertainty of the mean, or to six digits without."""
    shown = table.copy()
    parts = table[["u_random_of_mean", "u_systematic_of_mean"]].to_numpy(dtype=float)
    # Digits follow the known parts; without any they follow the standard error of the mean.
    known = np.sqrt(np.nansum(parts**2, axis=1))
    spread = table["standard_deviation"] / np.sqrt(table["n"].clip(lower=1))
    size = np.where(known > 0, known, spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        # At most 15 decimals: a double has no more digits.
        decimals = np.clip(1 - np.floor(np.log10(size)), 0, 15)
    for name in _NUMBERS:
        shown[name] = [
            "" if np.isnan(x) else f"{x:.{int(d)}f}" if np.isfinite(d) else f"{x:.6g}"
            for x, d in zip(table[name].to_numpy(dtype=float), decimals, strict=True)
        ]
    return shown


def _groupings(by: Sequence[str]) -> tuple[str, ...]:
    """Groupings as given, checked; a single word may stand alone."""
    words = choices(by, GROUPINGS, "by")
    if len(set(words)) != len(words):
        raise ValueError(f"by holds a word twice ({', '.join(words)}); give each word once")
    return words


def _interval(top: Scalar | None, bottom: Scalar | None) -> tuple[float, float]:
    """Ends of the depth interval [m], infinite where open."""
    low = units.as_floats(top, "m", "top", optional=True)
    high = units.as_floats(bottom, "m", "bottom", optional=True)
    ends = (-np.inf if low is None else float(low), np.inf if high is None else float(high))
    if not ends[0] < ends[1]:
        raise ValueError(
            f"top is {ends[0]:g} m and bottom is {ends[1]:g} m; top must be smaller, since depth "
            "increases downward"
        )
    return ends


def _leaves(tree: xr.DataTree) -> Iterator[tuple[str, xr.Dataset]]:
    """Paths and Datasets of all properties and products."""
    found = False
    for leaf in tree.leaves:
        path = leaf.path.strip("/")
        if path.startswith(("properties/", "products/")):
            found = True
            # Depth, values and uncertainties in the units of the column headings.
            yield path, companions.library_units(leaf.to_dataset(inherit=False))
    if not found and is_site(tree):
        raise ValueError(instead_of_site(tree))
    if not found:
        raise ValueError(
            "the tree holds neither /properties nor /products; give the result of cp.reduce"
        )


def _all_series(tree: xr.DataTree) -> Iterator[_Readings]:
    """Every quantity of the vocabulary that runs along ``reading`` and has a flag."""
    beds, cores = series.leaf(tree, "layers"), series.leaf(tree, "cores")
    description = series.leaf(tree, "description")
    for path, dataset in _leaves(tree):
        where = None
        for name in map(str, dataset.data_vars):
            flagged = f"{name}_flag" in dataset and f"{name}_reason" in dataset
            if name not in TERMS or not flagged or dataset[name].dims != ("reading",):
                continue
            # All series of a leaf have the same positions.
            if where is None:
                where = _places(dataset, beds, cores, description)
            effects = f"{name}_effects"
            known = effects in dataset and bool(np.any(dataset[effects].values != 0))
            size = dataset[name].size
            u = dataset.get(f"{name}_u_random")
            systematic = dataset.get(f"{name}_u_systematic")
            if known:
                moved = dataset[effects].transpose("source", "reading").values
            elif systematic is not None:
                # Without effects by source the systematic part counts as one effect common to all
                # readings. That overstates the error of the mean rather than hiding it.
                moved = systematic.values[None, :]
            else:
                moved = np.full((1, size), np.nan)
            yield _Readings(
                path,
                name,
                str(dataset[name].attrs.get("units", TERMS[name].unit)),
                dataset[name].values.astype(float),
                np.full(size, np.nan) if u is None else u.values.astype(float),
                moved.astype(float),
                dataset[f"{name}_flag"].values,
                dataset[f"{name}_reason"].values,
                where,
            )


def _places(
    dataset: xr.Dataset,
    beds: xr.Dataset | None,
    cores: xr.Dataset | None,
    description: xr.Dataset | None,
) -> _Places:
    """Depth, layer, lithology and coring method of every reading."""
    size = dataset.sizes["reading"]

    def coordinate(name: str, otherwise: float | str) -> np.ndarray:
        """Coordinate along the readings, or one value for all of them."""
        if name in dataset.coords and dataset[name].dims == ("reading",):
            return np.asarray(dataset[name].values)
        return np.full(size, otherwise)

    depth = coordinate("depth", np.nan).astype(float)
    rock = layout.layer_column(beds, depth, "lithology")
    from_description = described.lithology_source(description, beds) == "description.csv"
    placed = "depth" in dataset.coords and dataset["depth"].dims == ("reading",)
    if description is not None and from_description and placed:
        rock = described.words_at(dataset, description, "lithology")
        rock[rock == ""] = "not described"
    method = layout.method_of(cores, coordinate("core", ""))
    return _Places(
        depth,
        layer=layout.layer_column(beds, depth),
        lithology=rock,
        coring_method=np.where(method == "", "not known", method),
    )


def _statistics(one: _Readings, index: np.ndarray, counts: np.ndarray) -> dict[str, Any]:
    """Row of a series for the readings of a group, of which some count."""
    values = one.values[index]
    used = values[counts]
    n = used.size
    row: dict[str, Any] = {"property": one.path, "quantity": one.name, "unit": one.unit}
    row |= {"readings": index.size, "n": n}
    row |= dict.fromkeys(_NUMBERS, float("nan"))
    if n:
        own = index[counts]
        row["mean"], row["median"] = float(used.mean()), float(np.median(used))
        row["minimum"], row["maximum"] = float(used.min()), float(used.max())
        row["u_random_of_mean"] = float(np.sqrt(np.sum(one.random[own] ** 2)) / n)
        # A signed effect is common to the readings: its mean is the error that it gives the mean.
        row["u_systematic_of_mean"] = float(np.hypot.reduce(one.effects[:, own].mean(axis=1)))
    if n > 1:
        row["standard_deviation"] = float(used.std(ddof=1))
    # A reading without a number is missing, whatever its flag.
    out = index[~counts]
    left = np.where(np.isfinite(one.values[out]), one.flag[out], flags.MISSING)
    row |= {column: int(np.count_nonzero(left == level)) for column, level in _LEVELS}
    row["left_out"] = _reasons(one.reason[out])
    return row


def _reasons(masks: np.ndarray) -> str:
    """Reasons of the readings left out with their counts, the most frequent first."""
    kinds, counts = np.unique(masks, return_counts=True)
    found: dict[str, int] = {}
    for mask, count in zip(kinds.tolist(), counts.tolist(), strict=True):
        for reason in flags.names(mask):
            found[reason.replace("_", " ")] = found.get(reason.replace("_", " "), 0) + count
    ranked = sorted(found.items(), key=lambda item: -item[1])
    return "; ".join(f"{word} {count}" for word, count in ranked)
