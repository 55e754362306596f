"""Composite sequence: intervals of cores that join at equal composite depth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.series import PositionError
from corephys.hole.composite.core_shifts import TIED, place, placements, shifts_in_metres
from corephys.hole.composite.depth_scales import section_ends
from corephys.hole.composite.ties import DEPTHS, TieError

__all__ = [
    "checked_sequence",
    "sequence_columns",
    "sequence_in_metres",
    "suggest_sequence",
    "take",
]

_T = thresholds.DEFAULTS
_COLUMNS: dict[str, str] = {"hole": "", "core": "", "top": "m", "bottom": "m"}
_SAME = 1e-6  # m: a micrometre is the same depth
_LENGTHS = dict.fromkeys(("top", "bottom", "top_composite", "bottom_composite", "joint_gap"), "m")


def suggest_sequence(
    sections: Mapping[str, xr.Dataset],
    shifts: xr.Dataset,
    *,
    margin: Any = _T["composite_margin"],
    only_tied: bool = True,
) -> pd.DataFrame:
    """A sequence down the site with the fewest changes of hole.

    Parameters
    ----------
    sections : mapping of hole to Dataset
        Tops and bottoms of the sections of each hole, from ``corephys.depth.section_tops``.
    shifts : Dataset
        Result of :func:`corephys.composite.shifts`.
    margin : Quantity or str
        Length that is left out at each end of a core, the most disturbed parts, where another
        core covers it [m]; common practice, no source.
    only_tied : bool
        Leave out untied and floating cores, whose shift no tie determines.

    Returns
    -------
    DataFrame
        One row an interval, from the top downward: hole, core, top [m] and bottom [m] on the scale
        of the shifts (their attribute ``depth_scale``), and ``joint``: "meets" if the interval
        begins at the composite depth where the one above ends, "gap" if no core covers the depths
        between, "first" for the first.

    Raises
    ------
    PositionError
        When a core has no shift.
    TieError
        When no core is tied.

    Notes
    -----
    After each core follows the one that covers its lower end and reaches deepest (definition); the
    joint lies in the middle of their overlap inside the margins.
    """
    edge = float(positive(margin, "m", "margin", zero=True))
    cores = _extents(sections, shifts)
    if only_tied:
        cores = cores[cores["tied"].isin(TIED)]
    if cores.empty:
        raise TieError("no core of the site is tied; accept ties first, or set only_tied=False")
    current = cores.sort_values(["top", "bottom"], ascending=[True, False]).index[0]
    rows, start, joint = [], float(cores.loc[current, "top"]), "first"
    while True:
        here = cores.loc[current]
        inner = float(here["bottom"]) - edge
        others = cores[cores["bottom"] > here["bottom"] + _SAME]
        if others.empty:
            rows.append((current, start, float(here["bottom"]), joint))
            break
        cover = others[others["top"] + edge < max(inner, start)]
        if cover.empty:
            cover = others[others["top"] < here["bottom"] - _SAME]
        if cover.empty:
            following = others.sort_values("top").index[0]
            end, begin = float(here["bottom"]), float(cores.loc[following, "top"])
            rows.append((current, start, end, joint))
            current, start, joint = following, max(begin, end), "gap" if begin > end else "meets"
            continue
        following = cover["bottom"].idxmax()
        low = max(float(cores.loc[following, "top"]) + edge, start)
        end = (
            0.5 * (low + inner)
            if low < inner
            else 0.5 * (max(float(cores.loc[following, "top"]), start) + float(here["bottom"]))
        )
        rows.append((current, start, end, joint))
        current, start, joint = following, end, "meets"
    table = cores.loc[[row[0] for row in rows]].reset_index(drop=True)
    shift = table["shift"].to_numpy(float)
    return pd.DataFrame(
        {
            "hole": table["hole"],
            "core": table["core"],
            "top": [row[1] for row in rows] - shift,
            "bottom": [row[2] for row in rows] - shift,
            "joint": [row[3] for row in rows],
        }
    )


def _extents(sections: Mapping[str, xr.Dataset], shifts: xr.Dataset) -> pd.DataFrame:
    """Composite top and bottom of every core of the site."""
    shifts = shifts_in_metres(shifts)
    known = {
        (h, c): (float(s), str(word))
        for h, c, s, word in zip(
            shifts["hole"].values,
            shifts["core"].values,
            shifts["shift"].values,
            placements(shifts),
            strict=True,
        )
    }
    rows = []
    scale = str(shifts.attrs.get("depth_scale", "depth"))
    for hole, table in sections.items():
        core = np.asarray(table["core"].values, dtype=object)
        top, bottom = section_ends(table, scale).T
        for name in dict.fromkeys(core):
            if not np.isfinite(known.get((hole, name), (np.nan,))[0]):
                raise PositionError(
                    f"core {name!r} of hole {hole!r} has no shift; give all cores of the hole to "
                    "composite.shifts"
                )
            (shift, word), mine = known[(hole, name)], core == name
            ends = (top[mine].min() + shift, bottom[mine].max() + shift)
            rows.append((hole, name, *ends, shift, word))
    return pd.DataFrame(rows, columns=["hole", "core", "top", "bottom", "shift", "tied"])


def checked_sequence(sequence: pd.DataFrame, shifts: xr.Dataset) -> xr.Dataset:
    """A sequence with its composite depths and the gaps between its intervals.

    Parameters
    ----------
    sequence : DataFrame
        Columns hole, core, top [m] and bottom [m] on the scale of the shifts, in order downward;
        headers may have a unit.
    shifts : Dataset
        Result of :func:`corephys.composite.shifts`.

    Returns
    -------
    Dataset
        Along ``interval``: hole, core, ``top`` and ``bottom`` [m] as given, ``top_composite``
        and ``bottom_composite`` [m], and ``joint_gap`` [m], composite depth missing above the
        interval; zero if there is none.

    Raises
    ------
    TieError
        For an unknown core, an interval that ends above its beginning, or intervals that overlap
        or run upward; all of them are listed.

    Notes
    -----
    Composite depth = depth + shift of the core (definition). Intervals meet where their
    composite depths agree to a micrometre.
    """
    table, shifts = sequence_columns(sequence), shifts_in_metres(shifts)
    known = {
        (h, c): float(s)
        for h, c, s in zip(
            shifts["hole"].values, shifts["core"].values, shifts["shift"].values, strict=True
        )
    }
    problems, shift = [], np.zeros(len(table))
    for row, (hole, core) in enumerate(zip(table["hole"], table["core"], strict=True)):
        if not np.isfinite(known.get((hole, core), np.nan)):
            problems.append(
                f"interval {row + 1}: hole {hole!r} has no core {core!r} with a shift; give all "
                "cores of the hole to composite.shifts"
            )
        shift[row] = known.get((hole, core), np.nan)
    top = table["top"].to_numpy(float) + shift
    bottom = table["bottom"].to_numpy(float) + shift
    for row in map(int, np.flatnonzero(~(table["bottom"].to_numpy() > table["top"].to_numpy()))):
        ends = f"{table['top'].iloc[row]:g} m and its bottom at {table['bottom'].iloc[row]:g} m"
        problems.append(f"interval {row + 1}: its top is at {ends}; the bottom has to lie deeper")
    gap = np.concatenate([[0.0], top[1:] - bottom[:-1]])
    for row in map(int, np.flatnonzero(gap < -_SAME)):
        problems.append(
            f"interval {row + 1}: it begins {-gap[row]:.3f} m above the end of the one before; "
            "correct its top, or the bottom of the one before"
        )
    if problems:
        count = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}"
        raise TieError(f"the sequence has {count} to mend:\n  " + "\n  ".join(problems[:20]))
    gap[np.abs(gap) <= _SAME] = 0.0
    scale = str(shifts.attrs.get("depth_scale", "depth"))
    words_of = dict(
        zip(DEPTHS, ("as laid out", "closed up", "fitted into the advance"), strict=True)
    )
    meter = {
        "top": f"top, {words_of[scale]}",
        "bottom": f"bottom, {words_of[scale]}",
        "top_composite": "composite top",
        "bottom_composite": "composite bottom",
        "joint_gap": "composite depth missing above the interval",
    }
    columns = (table["top"], table["bottom"], top, bottom, gap)
    return xr.Dataset(
        {
            name: ("interval", np.asarray(values, float), {"units": "m", "long_name": words})
            for (name, words), values in zip(meter.items(), columns, strict=True)
        },
        coords={
            "hole": ("interval", table["hole"].to_numpy(object), {"long_name": "hole"}),
            "core": ("interval", table["core"].to_numpy(object), {"long_name": "core"}),
        },
    )


def sequence_columns(sequence: pd.DataFrame) -> pd.DataFrame:
    """Hole, core, top and bottom [m] of the intervals, with plain names."""
    columns = {}
    for header in sequence.columns:
        name, _, rest = str(header).partition(" [")
        values = sequence[header]
        if _COLUMNS.get(name) == "m":
            unit = rest.rstrip("]") or "m"
            values = pd.to_numeric(values, errors="coerce") * units.convert(1.0, unit, "m")
        columns[name] = values
    lacking = [name for name in _COLUMNS if name not in columns]
    if lacking or not len(sequence):
        missing = ", ".join(lacking) or "no interval"
        raise TieError(f"a sequence needs hole, core, top [m] and bottom [m]; {missing} missing")
    table = pd.DataFrame(columns).reset_index(drop=True)
    return table.assign(hole=table["hole"].astype(str), core=table["core"].astype(str))


def sequence_in_metres(sequence: xr.Dataset) -> xr.Dataset:
    """Intervals of a sequence, in metres whatever the unit in which they are given.

    Parameters
    ----------
    sequence : Dataset
        Result of :func:`checked_sequence`.

    Returns
    -------
    Dataset
        All lengths in m; the object itself when nothing has to be converted.
    """
    return companions.library_units(sequence, _LENGTHS)


def take(sequence: xr.Dataset, holes: Mapping[str, xr.Dataset], shifts: xr.Dataset) -> xr.Dataset:
    """Readings of a sequence, from hole to hole, along composite depth.

    Parameters
    ----------
    sequence : Dataset
        Result of :func:`checked_sequence`.
    holes : mapping of hole to Dataset
        Series of one property in each hole, with the coordinates core and depth [m] on the scale of
        the shifts.
    shifts : Dataset
        Result of :func:`corephys.composite.shifts`.

    Returns
    -------
    Dataset
        Along ``reading`` in the order of ``depth_composite`` [m], with the coordinate ``hole``.
        A reading at a joint belongs to the lower interval. The attribute ``readings_left_out``
        counts those outside the sequence.

    Raises
    ------
    PositionError
        When a hole of the sequence is not given, or a series lacks core or depth.

    Notes
    -----
    Readings are selected and not changed (definition).
    """
    sequence = sequence_in_metres(sequence)
    placed, parts = {}, []
    for hole in dict.fromkeys(sequence["hole"].values):
        if hole not in holes:
            raise PositionError(f"the sequence uses hole {hole!r}; add its series to holes")
        placed[hole] = place(holes[hole], hole=str(hole), shifts=shifts)
    last = sequence.sizes["interval"] - 1
    for i in range(sequence.sizes["interval"]):
        one = sequence.isel(interval=i)
        data = placed[str(one["hole"].item())]
        dim = str(data["depth_composite"].dims[0])
        z = data["depth_composite"].values
        low, high = float(one["top_composite"]), float(one["bottom_composite"])
        inside = (z >= low - _SAME) & ((z < high - _SAME) | ((i == last) & (z <= high + _SAME)))
        index = np.flatnonzero(inside & (data["core"].values.astype(str) == one["core"].item()))
        index = index[np.argsort(z[index], kind="stable")]
        piece = data.isel({dim: index}).rename({dim: "reading"} if dim != "reading" else {})
        parts.append(
            piece.assign_coords(
                hole=("reading", np.full(index.size, one["hole"].item(), dtype=object))
            )
        )
    joined = xr.concat(
        parts,
        dim="reading",
        data_vars="different",
        coords="different",
        compat="equals",
        join="outer",
        combine_attrs="drop_conflicts",
    )
    total = sum(data["depth_composite"].size for data in placed.values())
    joined.attrs["readings_left_out"] = int(total - joined.sizes["reading"])
    return joined
