"""Uncertainty budgets: the share of each source of error in the variance of a result."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, flags
from corephys.ground.choices import choice
from corephys.uncertainty.sources import GROUPS, Source, random_source, source_of, stem

__all__ = ["COLUMNS", "budget", "budget_of_mean", "reading_shares"]

COLUMNS = (
    "quantity",
    "unit",
    "kind",
    "group",
    "source",
    "words",
    "standard_uncertainty",
    "effect",
    "share",
    "share_median",
    "share_16",
    "share_84",
    "readings",
    "unknown",
)


class _Part:
    """One row of a budget: signed effects of one source, one row a number, over the readings."""

    def __init__(self, kind: str, source: Source, effects: Any) -> None:
        self.kind, self.source = kind, source
        self.effects = np.atleast_2d(np.asarray(effects, dtype=float))

    @cached_property
    def variance(self) -> np.ndarray:
        """Variance of every reading; NaN if unknown."""
        return np.asarray(np.sum(self.effects**2, axis=0))

    def weighed(self, weights: np.ndarray) -> _Part:
        """The part in a weighted sum: effects add with their signs, random parts in squares."""
        if self.kind == "random":
            return _Part(self.kind, self.source, np.sqrt([weights**2 @ self.variance])[:, None])
        return _Part(self.kind, self.source, (self.effects @ weights)[:, None])


def budget(
    product: xr.Dataset | xr.DataTree,
    name: str | None = None,
    *,
    by: str = "source",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> pd.DataFrame:
    """Share of each source of error in the variance of a result.

    Parameters
    ----------
    product : Dataset or DataTree
        Result of a public function, or a leaf of a reduced hole such as
        ``reduced["products/porosity"]``.
    name : str, optional
        Quantity; by default all quantities with an uncertainty.
    by : {"source", "group"}
        One row a source, or a group of sources (:data:`corephys.uncertainty.sources.GROUPS`).
    allow : tuple of str
        Levels of the flag whose readings are used; a single value is used with any flag.

    Returns
    -------
    DataFrame
        One row a part and a last one, ``total``, in the unit of the quantity, k = 1.
        ``standard_uncertainty`` and ``effect`` (signed; of one source without numbers) are medians
        over the readings; ``share`` of the variance is the mean over the readings and adds up to
        one, beside its median and its 16 % and 84 % points. ``unknown`` counts the ``readings``
        where the part is not known. If a part is unknown, it has no share, the shares of the others
        are of the known variance, the total is NaN, and the row ``known`` sums the known parts.

    Raises
    ------
    ValueError
        When the product is not a Dataset or has no uncertainty, or ``by`` is another word.
    KeyError
        When the product does not have the quantity.

    Notes
    -----
    Share of source s in one reading: (sum of its squared effects) / (u_random^2 + sum of all
    squared effects), JCGM 100:2008, 5.1 and 5.2. Numbered effects count as one source.
    """
    dataset, names = _opened(product, name)
    by = choice(by, ("source", "group"), "by")
    tables = []
    for quantity in names:
        where = _usable(dataset, quantity, allow)
        parts = [_Part(p.kind, p.source, p.effects[:, where]) for p in _parts(dataset, quantity)]
        tables.append(_table(dataset, quantity, _sorted(parts), int(where.sum()), by))
    return pd.concat(tables, ignore_index=True)


def budget_of_mean(
    product: xr.Dataset | xr.DataTree,
    name: str | None = None,
    *,
    labels: Any = None,
    weights: Any = None,
    by: str = "source",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> pd.DataFrame:
    """Share of each source of error in the variance of a mean, or of a difference of means.

    Parameters
    ----------
    product, name, by, allow
        Arguments of :func:`budget`; readings of other levels are not used.
    labels : (n,) array of str, optional
        Label of every reading, such as its layer: one budget a label, in the first column
        ``label``.
    weights : (n,) array of float, optional
        Weights of a weighted sum in place of a mean, such as 1/m in one layer and -1/n in the next
        for the difference of their means. A weight on a reading that is not allowed is an error.

    Returns
    -------
    DataFrame
        Budget of single values, in the form of :func:`budget`.

    Raises
    ------
    ValueError
        When there is not one label or weight a reading, both are given, a reading with a weight
        has another level, or there is no reading.
    KeyError
        When the product does not have the quantity.

    Notes
    -----
    The mean of n readings has u_random^2 = sum u_i^2 / n^2, and for every source the mean of the
    effects: effects do not average out (JCGM 100:2008, 5.2.2). The scatter between the readings
    is not included.
    """
    dataset, names = _opened(product, name)
    if labels is not None and weights is not None:
        raise ValueError("labels and weights were both given; give only one of them")
    tables = []
    for quantity in names:
        where = _usable(dataset, quantity, allow)
        parts = list(_parts(dataset, quantity))
        for label, row in _weights(where, labels, weights):
            # Without the other readings: an unknown uncertainty times a weight of 0 is NaN.
            own = np.flatnonzero(row)
            some = [_Part(p.kind, p.source, p.effects[:, own]).weighed(row[own]) for p in parts]
            table = _table(dataset, quantity, _sorted(some), 1 if own.size else 0, by)
            table["readings"] = own.size
            if labels is not None:
                table.insert(0, "label", label)
            tables.append(table)
    return pd.concat(tables, ignore_index=True)


def reading_shares(product: xr.Dataset | xr.DataTree, name: str | None = None) -> xr.Dataset:
    """Share of the variance of every single reading by source.

    Parameters
    ----------
    product, name
        Arguments of :func:`budget`; the name is optional if there is one quantity.

    Returns
    -------
    Dataset
        ``variance_share (part, ...)`` [1] along the dimensions of the quantity, with the
        coordinates ``part`` (the source), ``group`` and ``kind``. Shares of one reading add up to
        one; an unknown part has the share NaN, and the others are of the known variance.

    Raises
    ------
    ValueError
        When the product has several quantities and no name is given.
    KeyError
        When the product does not have the quantity.
    """
    dataset, names = _opened(product, name)
    if len(names) > 1:
        raise ValueError(f"the product has {', '.join(names)}; give the name of one")
    quantity = names[0]
    values = dataset[quantity]
    parts = list(_parts(dataset, quantity))
    variances = np.array([part.variance for part in parts])
    whole = np.nansum(variances, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = variances / np.where(whole > 0, whole, np.nan)
    words = {"units": "1", "long_name": f"share of the variance of {quantity.replace('_', ' ')}"}
    share = xr.Variable(("part", *values.dims), shares.reshape(-1, *values.shape), words)
    coordinates = {
        key: (("part",), np.array(column, dtype=object))
        for key, column in (
            ("part", [p.source.name for p in parts]),
            ("group", [p.source.group for p in parts]),
            ("kind", [p.kind for p in parts]),
        )
    }
    return xr.Dataset({"variance_share": share}, {**values.coords, **coordinates})


def _opened(
    product: xr.Dataset | xr.DataTree, name: str | None
) -> tuple[xr.Dataset, Sequence[str]]:
    """The Dataset of a product, and the quantities of the budget."""
    dataset = product.to_dataset(inherit=False) if isinstance(product, xr.DataTree) else product
    if not isinstance(dataset, xr.Dataset):
        raise ValueError(
            f"the product is a {type(product).__name__}; give the Dataset that a function returns, "
            "or a leaf of a reduced hole: a value alone has no uncertainty"
        )
    ending = "_u_random"
    held = [str(v)[: -len(ending)] for v in dataset.data_vars if str(v).endswith(ending)]
    held = [quantity for quantity in held if quantity in dataset]
    dataset = companions.library_units(dataset)
    if not held:
        raise ValueError(
            "the product holds no quantity with an uncertainty; give the result of a function, "
            'or a leaf such as reduced["properties/density"]'
        )
    if name is None:
        return dataset, held
    if name not in held:
        raise KeyError(f"no uncertainty of {name!r} in the product; it holds {', '.join(held)}")
    return dataset, [name]


def _usable(dataset: xr.Dataset, name: str, allow: tuple[str, ...]) -> np.ndarray:
    """Which readings are used: numbers with an allowed flag."""
    values = dataset[name].values.reshape(-1)
    usable = np.isfinite(values)
    if f"{name}_flag" in dataset and dataset[name].ndim:
        usable &= flags.usable(dataset[f"{name}_flag"].values.reshape(-1), allow)
    return np.asarray(usable)


def _parts(dataset: xr.Dataset, name: str) -> Iterator[_Part]:
    """Random parts, then one part for each source with an effect that is not zero."""
    size = dataset[name].size
    effects: dict[str, list[np.ndarray]] = {}
    if f"{name}_effects" in dataset:
        table = dataset[f"{name}_effects"].transpose("source", ...)
        for source, row in zip(table["source"].values, table.values, strict=True):
            moved = row.reshape(-1).astype(float)
            if np.any(moved != 0):  # NaN too
                effects.setdefault(stem(str(source)), []).append(moved)
    split = f"{name}_random_parts"
    random = dataset[f"{name}_u_random"].values.reshape(-1)
    if split in dataset and dataset[split].size == size * dataset.sizes["part"]:
        table = dataset[split].transpose("part", ...)
        for part, row in zip(table["part"].values, table.values, strict=True):
            yield _Part("random", source_of(str(part)), row.reshape(-1))
    else:
        yield _Part("random", random_source(name, effects), random)
    for source, rows in effects.items():
        yield _Part("systematic", source_of(source), rows)
    if effects:
        return
    u = f"{name}_u_systematic"
    whole = dataset[u].values.reshape(-1).astype(float) if u in dataset else np.full(size, np.nan)
    if np.any(np.nan_to_num(whole) != 0):
        yield _Part("systematic", source_of("systematic"), whole)
    elif np.isnan(whole).any():
        yield _Part("systematic", source_of("not stated"), whole)


def _weights(where: np.ndarray, labels: Any, weights: Any) -> Iterator[tuple[str, np.ndarray]]:
    """Label and weights of every sum."""
    for words, given in (("labels", labels), ("weights", weights)):
        if given is not None and np.shape(given) != where.shape:
            raise ValueError(
                f"{words} have the shape {np.shape(given)} for {where.size} readings; give one each"
            )
    if weights is not None:
        row = np.asarray(weights, dtype=float)
        if not np.isfinite(row).all():
            first = int(np.flatnonzero(~np.isfinite(row))[0])
            raise ValueError(
                f"the weight of reading {first} is {row[first]:g}; weights must be numbers. Give 0 "
                "to leave a reading out"
            )
        refused = np.flatnonzero((row != 0) & ~where)
        if refused.size:
            raise ValueError(
                f"reading {refused[0]} has a weight but is missing or flagged; give it none, or "
                "allow its level"
            )
        yield "", row
        return
    found = np.full(where.size, "") if labels is None else np.asarray(labels).astype(str)
    if not found.size:
        raise ValueError("the product has no reading; a mean needs one at least")
    for label in dict.fromkeys(found.tolist()):
        own = where & (found == label)
        yield label, own / max(int(own.sum()), 1)


def _table(
    dataset: xr.Dataset, name: str, parts: Sequence[_Part], size: int, by: str
) -> pd.DataFrame:
    """Rows of one quantity with its total."""
    if by == "group":
        parts = _grouped(parts)
    unit = str(dataset[f"{name}_u_random"].attrs.get("units", "1"))
    variances = np.array([part.variance for part in parts])[:, :size]
    whole = np.nansum(variances, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = variances / np.where(whole > 0, whole, np.nan)
    rows = [
        [
            name,
            unit,
            part.kind,
            *part.source[1::-1],
            part.source.words,
            *_row(part, shares[i], size, int((whole > 0).sum())),
        ]
        for i, part in enumerate(parts)
    ]
    complete = np.isfinite(variances).all(axis=0)
    if not complete.all():
        known = np.median(np.sqrt(whole)) if size else np.nan
        words = "root of the squares of what is known"
        rows.append(
            [name, unit, "sum", "", "known", words, known, np.nan, 1.0, *[np.nan] * 3, size, 0]
        )
    total = np.median(np.sqrt(whole[complete])) if complete.any() else np.nan
    some = 1.0 if size and complete.all() else np.nan
    rows.append(
        [
            name,
            unit,
            "sum",
            "",
            "total",
            "root of the sum of squares",
            total,
            np.nan,
            some,
            *[np.nan] * 3,
            size,
            int((~complete).sum()),
        ]
    )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _sorted(parts: Sequence[_Part]) -> list[_Part]:
    """Random parts first, then the largest; unknown parts last."""

    def place(part: _Part) -> tuple[bool, bool, float]:
        known = part.variance[np.isfinite(part.variance)]
        mean = float(known.mean()) if known.size else -1.0
        return part.kind != "random", mean < 0, -mean

    shown = [p for p in parts if p.source.group != "not stated" or np.isnan(p.variance).any()]
    return sorted(shown, key=place)


def _grouped(parts: Sequence[_Part]) -> list[_Part]:
    """One part a group; unknown parts stay separate, so that the known ones have numbers."""
    known = [part for part in parts if np.isfinite(part.effects).all()]
    found = []
    for group, words in GROUPS.items():
        own = [part for part in known if part.source.group == group]
        if own:
            kinds = {part.kind for part in own}
            effects = np.concatenate([part.effects for part in own])
            kind = kinds.pop() if len(kinds) == 1 else "both"
            found.append(_Part(kind, Source(group, group, words), effects))
    return found + [part for part in parts if part not in known]


def _row(part: _Part, share: np.ndarray, size: int, number: int) -> list[float]:
    """Numbers of one part over the readings where it is known; ``number`` have a variance."""
    effects, variance = part.effects[:, :size], part.variance[:size]
    known = np.isfinite(variance)
    numbers = [np.nan] * 6
    if known.any():
        one = part.kind == "systematic" and len(effects) == 1
        finite = share[np.isfinite(share)]
        points = np.percentile(finite, [50, 16, 84]) if finite.size else np.full(3, np.nan)
        # The mean is over all readings with a variance, including those without this part, so
        # that shares add up to one.
        mean = finite.sum() / number if finite.size else np.nan
        numbers = [
            float(np.median(np.sqrt(variance[known]))),
            float(np.median(effects[0][known])) if one else np.nan,
            float(mean),
            *(float(point) for point in points),
        ]
    return [*numbers, size, int((~known).sum())]
