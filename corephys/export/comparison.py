"""Differences between two reductions of one hole: inputs, choices and numbers, with causes."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.export.netcdf import load
from corephys.ground import companions
from corephys.reduction.recipe import current_keys, spelled

__all__ = ["Comparison", "compare"]

_RESULTS = ("properties", "products")
_COMPANIONS = (*companions.COMPANIONS, "_covariance")
# Coordinates that identify a value. Depth is not among them: a depth that moved is a difference
# to report, and must not break the pair.
_KEYS = ("core", "section", "offset", "run", "station")
# Tables that set positions: a change of one may move every result.
_PLACING = ("cores", "sections", "removed", "exclusions")


@dataclass(frozen=True)
class Comparison:
    """Differences between an old and a new reduction.

    Parameters
    ----------
    inputs : DataFrame
        ``file`` and ``change``: added, removed or changed.
    choices : DataFrame
        ``key`` ("stage.key"), ``old`` and ``new``.
    numbers : DataFrame
        One row for each quantity, or depth, that changed: ``group``, ``quantity``, ``old`` and
        ``new`` (numbers of values), ``only_old`` and ``only_new`` (numbers of positions),
        ``changed`` (values at common positions), ``missing`` (those of them that only one side
        has), ``largest`` (largest change, in ``unit``), ``in_uncertainties`` (largest change over
        the old standard uncertainty, NaN if part of that is unknown), ``flags_changed``, and
        ``because`` (the changed inputs and choices that the quantity depends on).
    versions : tuple of str
        Old and new version of the package.
    unchanged : int
        Number of quantities that are the same to the last bit.
    """

    inputs: pd.DataFrame
    choices: pd.DataFrame
    numbers: pd.DataFrame
    versions: tuple[str, str]
    unchanged: int

    @property
    def same(self) -> bool:
        """Whether all numbers and flags are equal."""
        return self.numbers.empty

    def table(self) -> pd.DataFrame:
        """Quantities that changed, one row for each.

        Returns
        -------
        DataFrame
            The rows of ``numbers``.
        """
        return self.numbers.copy()

    def __repr__(self) -> str:
        lines = []
        if self.versions[0] != self.versions[1]:
            lines.append(f"version: {self.versions[0]} -> {self.versions[1]}")
        lines.append("inputs: " + ("the same" if self.inputs.empty else ""))
        lines += [f"  {row.file}: {row.change}" for row in self.inputs.itertuples()]
        lines.append("choices: " + ("the same" if self.choices.empty else ""))
        lines += [f"  {row.key}: {row.old} -> {row.new}" for row in self.choices.itertuples()]
        if self.same:
            lines.append(f"numbers: the same, all {self.unchanged} quantities")
            return "\n".join(lines)
        lines.append(f"numbers: {len(self.numbers)} quantities differ, {self.unchanged} do not")
        lines += [_sentence(row) for row in self.numbers.itertuples()]
        return "\n".join(lines)


def _sentence(row: Any) -> str:
    """One line on a row of the table of numbers, a named tuple of pandas."""
    parts = []
    if row.old == 0 or row.new == 0:
        parts.append("is new" if row.old == 0 else "is gone")
    for count, words in ((row.only_old, "values gone"), (row.only_new, "values new")):
        if count and row.old and row.new:
            parts.append(f"{count} {words}")
    if row.changed:
        unit = "" if row.unit == "1" else f" {row.unit}"
        text = f"{row.changed} of {row.old} values differ"
        if np.isfinite(row.largest):
            text += f", by {row.largest:.3g}{unit} at most"
        if row.missing:
            text += f", {row.missing} of them missing on one side"
        if np.isfinite(row.in_uncertainties):
            text += f" ({row.in_uncertainties:.2g} standard uncertainties)"
        parts.append(text)
    if row.flags_changed:
        parts.append(f"{row.flags_changed} flags differ")
    if not parts:
        parts.append("its uncertainties differ")
    return f"  {row.group} {row.quantity}: {'; '.join(parts)}. Because: {row.because}"


def compare(
    old: xr.DataTree | str | os.PathLike[str], new: xr.DataTree | str | os.PathLike[str]
) -> Comparison:
    """Compare two reductions of one hole.

    Parameters
    ----------
    old, new : DataTree or path
        Reduced holes, or files that :func:`corephys.save` wrote.

    Returns
    -------
    Comparison
        Tables of the differences; printed, a text of them.

    Raises
    ------
    FileNotFoundError
        If a file does not exist.
    ValueError
        If either is not a reduced hole, or the holes have different names.

    Notes
    -----
    Values are paired by core, section, offset, run and station if both have them, otherwise by
    their order. Each reduction records which inputs and recipe keys its stages read. The causes of
    a difference are the changed inputs and keys that the stage of the result, or a stage before
    it, read. If there is none, the cause is the version, or it is not known.
    """
    trees = tuple(t if isinstance(t, xr.DataTree) else load(t) for t in (old, new))
    for word, tree in zip(("old", "new"), trees, strict=True):
        # Without a recipe the choices cannot be compared, and the tree is no result of reduce.
        if "recipe" not in tree.attrs:
            raise ValueError(
                f"{word} has no recipe, so it is not a reduced hole. Give the result of cp.reduce, "
                "or the file reduced.nc that the command `corephys reduce` writes"
            )
    names = [str(tree.name or _settings(tree).get("name", "")) for tree in trees]
    # Holes are compared by mistake easily; a hole without a name cannot be checked.
    if names[0] and names[1] and names[0] != names[1]:
        raise ValueError(
            f"old is of hole {names[0]!r} and new of hole {names[1]!r}; give two reductions of the "
            "same hole"
        )
    inputs, choices = _inputs(*trees), _choices(*trees)
    versions = tuple(str(t.attrs.get("corephys_version", "")) for t in trees)
    changed = _Changed(set(inputs["file"]), set(choices["key"]), versions[0] != versions[1])
    before, after = (_results(tree) for tree in trees)
    stages = [json.loads(t.attrs.get("lineage", "{}")) for t in trees]
    rows, unchanged = [], 0
    for group in dict.fromkeys([*before, *after]):
        one, other = before.get(group), after.get(group)
        because = ""
        for quantity in _quantities(one, other):
            row = _difference(one, other, quantity)
            if row is None:
                unchanged += 1
                continue
            # All quantities of a group have the same causes.
            because = because or _because(group, stages, changed)
            rows.append({"group": group, "quantity": quantity, **row, "because": because})
    columns = [
        "group",
        "quantity",
        "old",
        "new",
        "only_old",
        "only_new",
        "changed",
        "missing",
        "largest",
        "unit",
        "in_uncertainties",
        "flags_changed",
        "because",
    ]
    numbers = pd.DataFrame(rows, columns=columns)
    return Comparison(inputs, choices, numbers, (versions[0], versions[1]), unchanged)


@dataclass(frozen=True)
class _Changed:
    """Files and recipe keys that differ, and whether the version does."""

    files: set[str]
    keys: set[str]
    version: bool


def _settings(tree: xr.DataTree) -> dict[str, Any]:
    """Table [hole] of hole.toml."""
    found = json.loads(tree.attrs.get("settings", "{}"))
    return dict(found.get("hole", {}))


def _inputs(old: xr.DataTree, new: xr.DataTree) -> pd.DataFrame:
    """Input files that differ by their checksums."""
    before, after = (json.loads(t.attrs.get("input_sha256", "{}")) for t in (old, new))
    rows = []
    for file in sorted({*before, *after}):
        # Checksums, not dates: a copied file is the same file.
        if before.get(file) == after.get(file):
            continue
        word = "added" if file not in before else "removed" if file not in after else "changed"
        rows.append((file, word))
    return pd.DataFrame(rows, columns=["file", "change"])


def _choices(old: xr.DataTree, new: xr.DataTree) -> pd.DataFrame:
    """Recipe keys that differ, with both values."""
    before, after = (current_keys(json.loads(t.attrs["recipe"])) for t in (old, new))
    rows = []
    for stage in dict.fromkeys([*before, *after]):
        a, b = (
            {key: spelled(stage, key, value) for key, value in recipe.get(stage, {}).items()}
            for recipe in (before, after)
        )
        for key in dict.fromkeys([*a, *b]):
            if a.get(key) != b.get(key) or (key in a) != (key in b):
                rows.append((f"{stage}.{key}", _choice(a, key), _choice(b, key)))
    return pd.DataFrame(rows, columns=["key", "old", "new"])


def _choice(keys: dict[str, Any], key: str) -> str:
    """Value of a recipe key as text."""
    if key not in keys:
        return "not there"
    return "not given" if keys[key] is None else str(keys[key])


def _results(tree: xr.DataTree) -> dict[str, xr.Dataset]:
    """Leaves of the properties and products by path."""
    return {
        node.path.strip("/"): node.to_dataset(inherit=False)
        for node in tree.leaves
        if node.path.strip("/").partition("/")[0] in _RESULTS
    }


def _quantities(*datasets: xr.Dataset | None) -> list[str]:
    """Names of all numbers except companions of others, depths included."""
    found: dict[str, None] = {}
    for dataset in datasets:
        if dataset is None:
            continue
        names = [str(n) for n, v in dataset.data_vars.items() if v.dtype.kind in "fiub"]
        names += [
            str(n) for n, v in dataset.coords.items() if v.dtype.kind in "fiu" and n not in _KEYS
        ]
        own = {f"{n}{end}" for n in names for end in _COMPANIONS}
        found.update(dict.fromkeys(n for n in names if n not in own))
    return list(found)


def _difference(old: xr.Dataset | None, new: xr.Dataset | None, name: str) -> dict[str, Any] | None:
    """Row of the table of numbers; None if nothing differs."""
    a = None if old is None or name not in old else old[name]
    b = None if new is None or name not in new else new[name]
    if a is None or b is None or old is None or new is None:
        there = a if a is not None else b
        size = int(there.size) if there is not None else 0
        unit = str(there.attrs.get("units", "1")) if there is not None else "1"
        return {
            "old": size if a is not None else 0,
            "new": size if b is not None else 0,
            "only_old": size if a is not None else 0,
            "only_new": size if b is not None else 0,
            "changed": 0,
            "largest": np.nan,
            "unit": unit,
            "in_uncertainties": np.nan,
            "flags_changed": 0,
            "missing": 0,
        }
    left, right = _pairs(old, new, a, b)
    x, y = _flat(a)[left], _flat(b)[right]
    # Exact comparison: the same inputs and choices repeat every number to the last bit.
    moved = ~((x == y) | (np.isnan(x) & np.isnan(y)))
    flags_changed = _companions(old, new, f"{name}_flag", left, right)
    others = sum(
        _companions(old, new, f"{name}{end}", left, right) for end in _COMPANIONS if end != "_flag"
    )
    only_old, only_new = a.size - left.size, b.size - right.size
    if not (moved.any() or flags_changed or others or only_old or only_new):
        return None
    step = np.abs(y - x)[moved]
    known = step[np.isfinite(step)]
    u = _uncertainty(old, name)
    return {
        "old": int(a.size),
        "new": int(b.size),
        "only_old": int(only_old),
        "only_new": int(only_new),
        "changed": int(moved.sum()),
        "largest": float(known.max()) if known.size else np.nan,
        "unit": str(a.attrs.get("units", "1")),
        "in_uncertainties": _over(np.abs(y - x), None if u is None else u[left]),
        "flags_changed": flags_changed,
        "missing": int((np.isnan(x) != np.isnan(y)).sum()),
    }


def _flat(array: xr.DataArray) -> np.ndarray:
    """Values as floats along one dimension."""
    return np.atleast_1d(np.asarray(array.values, dtype=float)).ravel()


def _pairs(
    old: xr.Dataset, new: xr.Dataset, a: xr.DataArray, b: xr.DataArray
) -> tuple[np.ndarray, np.ndarray]:
    """Indices of the values of both sides that have the same position."""
    keys = [k for k in _KEYS if _along(old, a, k) and _along(new, b, k)]
    # Curves and single values have no keys; they are paired by their order.
    if a.ndim != 1 or b.ndim != 1 or not keys:
        same = np.arange(min(a.size, b.size)) if a.dims == b.dims else np.arange(0)
        return same, same
    frames = []
    for dataset, array in ((old, a), (new, b)):
        frame = pd.DataFrame({k: np.asarray(dataset[k].values) for k in keys})
        if "offset" in frame:
            frame["offset"] = frame["offset"].round(4)  # cm; equal text may give unequal floats
        # Repeats at one position are paired by their order.
        frame["again"] = frame.groupby(keys, dropna=False, sort=False).cumcount()
        frame["row"] = np.arange(array.size)
        frames.append(frame)
    both = frames[0].merge(frames[1], on=[*keys, "again"], suffixes=("_old", "_new"))
    return both["row_old"].to_numpy(int), both["row_new"].to_numpy(int)


def _along(dataset: xr.Dataset, array: xr.DataArray, key: str) -> bool:
    """Whether a key runs along the array."""
    return key in dataset.variables and dataset[key].dims == array.dims and array.ndim == 1


def _companions(
    old: xr.Dataset, new: xr.Dataset, name: str, left: np.ndarray, right: np.ndarray
) -> int:
    """Number of values of a companion that differ at the same positions."""
    if name not in old or name not in new:
        # A companion that only one side has counts as one difference.
        return int(name in old) + int(name in new)
    a, b = old[name].values, new[name].values
    if a.ndim > 1 or b.ndim > 1:  # effects by source, covariances
        if a.shape != b.shape:
            return 1
        # NaN on both sides is equal.
        return int(np.count_nonzero(~((a == b) | ((a != a) & (b != b)))))
    x, y = np.atleast_1d(a)[left], np.atleast_1d(b)[right]
    return int(np.count_nonzero(~((x == y) | ((x != x) & (y != y)))))


def _uncertainty(dataset: xr.Dataset, name: str) -> np.ndarray | None:
    """Total standard uncertainty, NaN where a part is unknown or all are zero."""
    parts = [f"{name}_u_random", f"{name}_u_systematic"]
    held = [_flat(dataset[p]) for p in parts if p in dataset]
    if not held:
        return None
    total = np.sqrt(sum(p**2 for p in held))
    # Zero would make the ratio infinite, and an unknown part leaves the total unknown (NaN).
    return np.where(total > 0.0, total, np.nan)


def _over(step: np.ndarray, u: np.ndarray | None) -> float:
    """Largest ratio of a change to its uncertainty, NaN without one."""
    if u is None:
        return float("nan")
    ratio = step / u
    ratio = ratio[np.isfinite(ratio)]
    return float(ratio.max()) if ratio.size else float("nan")


def _because(group: str, stages: list[dict[str, Any]], changed: _Changed) -> str:
    """Changed inputs and choices that a result depends on, as text."""
    # Every result depends on the tables that set positions, whatever its stage read.
    tables: set[str] = set(_PLACING)
    keys: set[str] = set()
    for lineage in stages:
        found = _fed_by(group, lineage)
        tables |= found[0]
        keys |= found[1]
    # The name of a table is the path of its file without the suffix.
    files = [f for f in sorted(changed.files) if f.rpartition(".")[0] in tables]
    choices = sorted(changed.keys & keys)
    words = [*files, *(f"[{k.partition('.')[0]}] {k.partition('.')[2]}" for k in choices)]
    if changed.version:
        words.append("the version")
    return ", ".join(words) or "not known: no recorded input, choice or version changed"


def _fed_by(group: str, lineage: dict[str, Any]) -> tuple[set[str], set[str]]:
    """Tables and recipe keys that a result depends on, through all stages before it."""
    wanted, seen = [group], set()
    tables: set[str] = set()
    keys: set[str] = set()
    while wanted:
        result = wanted.pop()
        if result in seen:
            continue
        seen.add(result)
        for stage in lineage.values():
            if result in stage["writes"]:
                tables.update(stage["tables"])
                keys.update(stage["keys"])
                wanted += stage["reads"]
    return tables, keys
