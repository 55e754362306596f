"""Bring a series onto the positions of another, and report readings without a partner.

Within one hole partners lie in the same core, so that the overlapping ends of neighbouring cores
never mix. They are chosen by depth as laid out, so that a footprint may cross a section's join.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, thresholds, units
from corephys.ground.choices import choice, plain_words
from corephys.ground.provenance import with_constants
from corephys.ground.series import PositionError
from corephys.hole.placing.layout import encode

__all__ = ["match"]

_T = thresholds.DEFAULTS
_ROUNDING = 1e-6  # m: a micrometre is the same place
_COMPANIONS = (*companions.COMPANIONS, "_partners")
_BLOCK = 4_000_000  # pairs of readings in memory at one time
_HOW = ("nearest", "mean_over_footprint")


def match(
    a: xr.Dataset | xr.DataArray,
    *,
    to: xr.Dataset | xr.DataArray,
    within: Any = _T["match_reach"],
    how: str = "nearest",
    allow: tuple[str, ...] = ("good", "not_evaluated", "suspect"),
) -> xr.Dataset:
    """Values of a series at the positions of another.

    Parameters
    ----------
    a : Dataset or DataArray
        Series with the coordinate depth [m], and core if it has cores.
    to : Dataset or DataArray
        Series whose positions are wanted.
    within : str, Quantity or DataArray
        Greatest distance of a partner from the wanted position.
    how : {"nearest", "mean_over_footprint"}
        One partner (the upper one of two equally near), or the mean of all within reach.
    allow : tuple of str
        Levels of ``a``'s flags that may be partners: good, not_evaluated, suspect, bad.

    Returns
    -------
    Dataset
        At the positions of ``to``: each number of ``a`` with its uncertainties, effects, flag and
        reason, quantities of the vocabulary in its units, others in those of ``a``;
        ``<name>_partners``, a count; and ``distance`` [cm] from the position to the partner, or to
        the middle of the partners, of the first number. Without a partner the value is NaN, its
        flag missing. Attributes: ``matched``, ``unmatched_to`` and ``unmatched_a`` count the
        readings of the first number.

    Raises
    ------
    PositionError
        When a series has no depth or is not one-dimensional.
    ValueError
        When ``how`` is unknown, or ``a`` holds no number.

    Notes
    -----
    If both have cores, partners have the same core and nearly the same depth as laid out;
    otherwise they have nearly the same depth. Mean of n partners: u_random = sqrt(sum u^2) / n,
    effects are averaged with their signs, reasons are joined (definition; JCGM 100:2008, 5.1.2).
    """
    how = choice(how, _HOW, "how")
    reach = float(units.as_floats(within, "m", "within"))
    source, wanted = _series(a, "a"), _series(to, "to")
    key_a, key_to = _keys(source, wanted, reach)
    names = _numbers(source)
    if not names:
        raise ValueError(
            f"a has no numbers along its positions, only {', '.join(map(str, source)) or 'nothing'}"
            "; give a Dataset or DataArray with the quantity"
        )
    dim = str(wanted["depth"].dims[0])
    places = {n: c.variable for n, c in wanted.coords.items() if c.dims == (dim,)}
    parts: dict[str, Any] = {}
    attributes: dict[str, Any] = {}
    for name in names:
        reason = _reason(source, name)
        usable = flags.usable(_flag(source, name, reason), allow)
        values = np.asarray(source[name].values, dtype=float)
        rows = np.flatnonzero(usable & ~np.isnan(values) & ~np.isnan(key_a))
        rows = rows[np.argsort(key_a[rows], kind="stable")]
        pairs = _Pairs(key_a[rows], key_to, reach, how)
        parts |= _parts(source, name, reason, rows, pairs, dim)
        if not attributes:
            matched = int(np.count_nonzero(pairs.count))
            attributes = {
                "matched": matched,
                "unmatched_to": key_to.size - matched,
                "unmatched_a": rows.size - pairs.partners_used(),
                "within": f"{reach * 100:g} cm",
                "how": how,
            }
            words = {"units": "cm", "long_name": "distance to the partner"}
            parts["distance"] = (dim, pairs.distance() * 100.0, words)
    steps = json.loads(source.attrs.get("steps", "[]"))
    steps.append(f"match: {plain_words(how)} within {reach * 100:g} cm")
    constants = source.attrs.get("constants", "{}")
    # All at once: xarray compares the coordinates at every assignment.
    if any(f"{name}_effects" in source for name in names):
        places["source"] = source["source"].variable
    result = xr.Dataset(
        parts, places, {"steps": json.dumps(steps), "constants": constants, **attributes}
    )
    return with_constants(result, match_within=within)


class _Pairs:
    """Partners of each position: ``count`` sorted readings of a from ``first`` on."""

    def __init__(self, sorted_key: Any, wanted: Any, reach: float, how: str) -> None:
        self.key, self.wanted = sorted_key, wanted
        known = ~np.isnan(wanted)
        at = np.where(known, wanted, -np.inf)
        if how == "nearest":
            self.first, found = _nearest(sorted_key, at, reach + _ROUNDING)
            self.count = np.where(found & known, 1, 0)
        else:
            self.first = np.searchsorted(sorted_key, at - reach - _ROUNDING, side="left")
            last = np.searchsorted(sorted_key, at + reach + _ROUNDING, side="right")
            self.count = np.where(known, last - self.first, 0)
        self.single = bool(self.count.max(initial=0) <= 1)

    def reduce(self, part: Any, ufunc: Any, dtype: Any) -> Any:
        """Sum, or join, of a part (..., n of a) over the partners of each position."""
        result = np.zeros((*part.shape[:-1], self.wanted.size), dtype=dtype)
        full = np.flatnonzero(self.count)
        if self.single:
            result[..., full] = part[..., self.first[full]]
            return result
        total = np.cumsum(self.count[full])
        block = 0
        while block < full.size:
            done = total[block - 1] if block else 0
            stop = max(int(np.searchsorted(total, done + _BLOCK, side="right")), block + 1)
            here = full[block:stop]
            count = self.count[here]
            begin = np.cumsum(count) - count
            index = np.arange(count.sum()) + np.repeat(self.first[here] - begin, count)
            result[..., here] = ufunc.reduceat(part[..., index], begin, axis=-1)
            block = stop
        return result

    def mean(self, part: Any) -> Any:
        """Mean of a part over the partners, NaN without one."""
        count = np.where(self.count, self.count, 1)
        return np.where(self.count > 0, self.reduce(part, np.add, float) / count, np.nan)

    def distance(self) -> Any:
        """Distance of the middle of the partners from the position, in the unit of the keys."""
        return np.abs(self.mean(self.key) - self.wanted)

    def partners_used(self) -> int:
        """How many readings of a are a partner of at least one position."""
        change = np.zeros(self.key.size + 1, dtype=int)
        full = self.count > 0
        np.add.at(change, self.first[full], 1)
        np.add.at(change, (self.first + self.count)[full], -1)
        return int(np.count_nonzero(np.cumsum(change)[:-1]))


def _nearest(key: np.ndarray, at: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Index of the nearest key, the first of equals and the upper of equally near ones."""
    if key.size == 0:
        return np.zeros(at.shape, dtype=int), np.zeros(at.shape, dtype=bool)
    below = np.minimum(np.searchsorted(key, at, side="left"), key.size - 1)
    above = np.maximum(below - 1, 0)
    up = np.abs(at - key[above]) <= np.abs(at - key[below]) + _ROUNDING
    index = np.where(up, above, below)
    # Of equal keys the first, so that the order of the input does not matter.
    index = np.searchsorted(key, key[index], side="left")
    return index, np.abs(at - key[index]) <= reach


def _series(series: xr.Dataset | xr.DataArray, role: str) -> xr.Dataset:
    """A series as a Dataset in library units with the coordinate depth along one dimension."""
    if isinstance(series, xr.DataTree):
        series = series.to_dataset()
    if isinstance(series, xr.DataArray):
        series = series.to_dataset(name=series.name or "value")
    if not isinstance(series, xr.Dataset):
        raise PositionError(f"{role} is a {type(series).__name__}; give a Dataset or DataArray")
    series = companions.library_units(series)
    if "depth" not in series.variables:
        held = ", ".join(map(str, series.coords)) or "none"
        raise PositionError(
            f"{role} has no depth (its coordinates: {held}). Place it first: "
            "corephys.depth.place(core, section, offset, sections=..., cores=...)"
        )
    series = series.set_coords([n for n in ("depth", "core") if n in series.variables])
    if series["depth"].ndim != 1:
        dims = series["depth"].dims
        raise PositionError(f"{role} has its depth along {dims}; give it along one dimension")
    return series


def _keys(a: xr.Dataset, to: xr.Dataset, reach: float) -> tuple[Any, Any]:
    """Depths [m] on one axis, with each core in a separate stretch."""
    depth_a, depth_to = (
        np.asarray(units.as_floats(s["depth"], "m", f"depth of {role}"), dtype=float)
        for s, role in ((a, "a"), (to, "to"))
    )
    if "core" not in a.coords or "core" not in to.coords:
        return depth_a, depth_to
    both = np.concatenate([_core(a), _core(to)])
    code, _ = encode(both)
    depths = np.concatenate([depth_a, depth_to])
    low = np.nanmin(depths) if np.isfinite(depths).any() else 0.0
    high = np.nanmax(depths) if np.isfinite(depths).any() else 0.0
    pace = (high - low) + 2.0 * reach + 1.0
    keys = code * pace + (depths - low)
    return keys[: depth_a.size], keys[depth_a.size :]


def _core(series: xr.Dataset) -> np.ndarray:
    """Core of each reading; one core may stand for all."""
    core = np.asarray(series["core"].values, dtype=object)
    return np.broadcast_to(core, series["depth"].shape)


def _numbers(source: xr.Dataset) -> list[str]:
    """Numbers along the positions that are not companions of another."""
    dim = source["depth"].dims
    names = [str(n) for n, v in source.data_vars.items() if v.dims == dim and v.dtype.kind in "fiu"]
    companions = {f"{n}{end}" for n in names for end in _COMPANIONS}
    return [n for n in names if n not in companions and n not in ("flag", "reason", "distance")]


def _flag(source: xr.Dataset, name: str, reason: np.ndarray) -> np.ndarray:
    """Flags of a number, or of its table, or those of the reasons."""
    for flag in (f"{name}_flag", "flag"):
        if flag in source:
            return np.asarray(source[flag].values)
    return flags.from_reason(reason)


def _reason(source: xr.Dataset, name: str) -> np.ndarray:
    """Reasons of a number, or of its table; zeros without any."""
    for reason in (f"{name}_reason", "reason"):
        if reason in source and source[reason].dtype.kind in "iu":
            return np.asarray(source[reason].values)
    return np.zeros(source["depth"].size, dtype=np.int64)


def _parts(
    source: xr.Dataset, name: str, reason: Any, rows: Any, pairs: _Pairs, dim: str
) -> dict[str, Any]:
    """One number and its companions at the wanted positions."""
    variable = source[name]
    words = variable.attrs.get("long_name", name.replace("_", " "))
    given = str(variable.attrs.get("units", "1"))
    delta = units.difference_unit(given)
    random = np.full(variable.size, np.nan)
    if f"{name}_u_random" in source:
        random = np.asarray(source[f"{name}_u_random"].values, dtype=float)
    count = np.where(pairs.count, pairs.count, 1)
    u_random = np.sqrt(pairs.reduce(random[rows] ** 2, np.add, float)) / count
    joined = pairs.reduce(reason[rows].astype(np.int64), np.bitwise_or, np.int64)
    joined[pairs.count == 0] |= flags.bit("missing_value")
    values = pairs.mean(np.asarray(variable.values, dtype=float)[rows])
    parts: dict[str, Any] = {
        "_u_random": (
            dim,
            np.where(pairs.count > 0, u_random, np.nan),
            {"units": delta, "long_name": f"random standard uncertainty of {words}"},
        ),
    }
    if f"{name}_effects" in source:
        effects = source[f"{name}_effects"].transpose("source", *variable.dims)
        mean = pairs.mean(np.asarray(effects.values, dtype=float)[:, rows])
        parts["_effects"] = (("source", dim), mean, {**effects.attrs, "units": delta})
        systematic = np.sqrt(np.sum(mean**2, axis=0))
    elif f"{name}_u_systematic" in source:
        # Effects may have been left out of a large file: their norm is one error of all readings.
        whole = np.asarray(source[f"{name}_u_systematic"].values, dtype=float)
        systematic = pairs.mean(whole[rows])
    else:
        systematic = np.full(values.shape, np.nan)
    label = f"systematic standard uncertainty of {words}"
    parts["_u_systematic"] = (dim, systematic, {"units": delta, "long_name": label})
    parts["_flag"] = (dim, flags.from_reason(joined), flags.flag_attributes(words))
    parts["_reason"] = (dim, joined, flags.reason_attributes(words))
    label = f"number of partners of {words}"
    parts["_partners"] = (dim, pairs.count.astype(np.int32), {"units": "1", "long_name": label})
    words_kept = ("units", "long_name", "standard_name")
    kept = {k: v for k, v in variable.attrs.items() if k in words_kept}
    kept["ancillary_variables"] = " ".join(name + end for end in parts)
    return {name: (dim, values, kept), **{name + end: part for end, part in parts.items()}}
