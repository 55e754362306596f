"""Ties between cores as a table that forgets nothing: a changed tie is a new row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from corephys import units
from corephys.series import PositionError

__all__ = [
    "COLUMNS",
    "DEPTHS",
    "STATES",
    "TieError",
    "change",
    "checked_ties",
    "depth_of",
    "empty",
    "in_use",
]

# Name in the table, unit; the header in a file is "name [unit]".
COLUMNS: dict[str, str] = {
    "tie": "", "hole": "", "core": "", "depth": "m", "to_hole": "", "to_core": "", "to_depth": "m",
    "uncertainty": "m", "correlation": "1", "state": "", "replaces": "", "note": "",
    "depth_scale": "",
}  # fmt: skip
# Scales of one hole, on which ties may be made; the coordinate that says it.
DEPTHS = ("depth", "depth_closed", "depth_fitted")
STATES = ("suggested", "accepted", "edited", "withdrawn")
_NEEDED = ("hole", "core", "depth", "to_hole", "to_core", "to_depth")


class TieError(ValueError):
    """Ties that do not fit the cores of the site; the message lists all of them."""


def empty() -> pd.DataFrame:
    """A table of ties without a row.

    Returns
    -------
    DataFrame
        With all columns of :data:`COLUMNS`.
    """
    return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})


def checked_ties(ties: pd.DataFrame, cores: Mapping[str, Any]) -> pd.DataFrame:
    """Ties with plain column names, numbers in metres and every column there.

    Parameters
    ----------
    ties : DataFrame
        ``hole``, ``core``, ``depth [m]``, ``to_hole``, ``to_core``, ``to_depth [m]``; optional
        ``tie`` (a name), ``uncertainty [m]``, ``correlation``, ``state`` (accepted without it),
        ``replaces`` (name of an older tie), ``note``, and ``depth_scale``, on which both depths
        stand: "depth" as laid out (without it), "depth_closed" or "depth_fitted".
    cores : mapping of str to Dataset, DataTree node or DataFrame
        Cores of each hole.

    Returns
    -------
    DataFrame
        One row a tie, in the order given.

    Raises
    ------
    TieError
        For a missing column, an unknown hole, core, state or scale, a depth that is no number, a
        core tied to itself, two ties of one name, or a replaced tie that does not exist.
    """
    table = _plain(ties)
    lacking = [name for name in _NEEDED if name not in table]
    if lacking:
        headers = [f"{n} [m]" if COLUMNS[n] == "m" else n for n in lacking]
        raise TieError(f"the ties have no column {', '.join(map(repr, headers))}")
    table = table.reset_index(drop=True)
    if "tie" not in table:
        table["tie"] = [str(i + 1) for i in range(len(table))]
    defaults = {
        "uncertainty": np.nan, "correlation": np.nan, "state": "accepted", "replaces": "",
        "note": "", "depth_scale": "depth",
    }  # fmt: skip
    for name, default in defaults.items():
        table[name] = table.get(name, default)
    for name in ("depth", "to_depth", "uncertainty", "correlation"):
        table[name] = pd.to_numeric(table[name], errors="coerce").astype(float)
    for name in (n for n, unit in COLUMNS.items() if not unit):
        table[name] = table[name].fillna("").astype(str)
    table["depth_scale"] = table["depth_scale"].replace("", "depth")
    problems = _problems(table, cores)
    if problems:
        shown = "\n".join(f"  {problem}" for problem in problems[:20])
        raise TieError(f"{len(problems)} of {len(table)} ties do not fit the site:\n{shown}")
    return table[list(COLUMNS)]


def _plain(ties: pd.DataFrame) -> pd.DataFrame:
    """Headers without their brackets, lengths in metres."""
    columns = {}
    for header in ties.columns:
        name, _, rest = str(header).partition(" [")
        unit = rest.rstrip("]")
        values = ties[header]
        if unit and COLUMNS.get(name) == "m":
            values = pd.to_numeric(values, errors="coerce") * units.convert(1.0, unit, "m")
        columns[name] = values
    return pd.DataFrame(columns)


def _problems(table: pd.DataFrame, cores: Mapping[str, Any]) -> list[str]:
    known = {hole: set(np.asarray(c["core"]).astype(str)) for hole, c in cores.items()}
    names = list(table["tie"])
    found = []
    for row in table.itertuples(index=False):
        label = f"tie {row.tie}"
        for hole, core in ((row.hole, row.core), (row.to_hole, row.to_core)):
            if hole not in known:
                found.append(f"{label}: no hole {hole!r}; there are {', '.join(known)}")
            elif core not in known[hole]:
                found.append(f"{label}: hole {hole!r} has no core {core!r}")
        if (row.hole, row.core) == (row.to_hole, row.to_core):
            found.append(f"{label}: a core cannot be tied to itself")
        if not (np.isfinite(row.depth) and np.isfinite(row.to_depth)):
            found.append(f"{label}: a depth is no number")
        if row.state not in STATES:
            found.append(f"{label}: state {row.state!r}; it is one of {', '.join(STATES)}")
        if row.depth_scale not in DEPTHS:
            found.append(f"{label}: scale {row.depth_scale!r}; it is one of {', '.join(DEPTHS)}")
        if names.count(row.tie) > 1:
            found.append(f"{label}: there are {names.count(row.tie)} ties of that name")
        if row.replaces and row.replaces not in names:
            found.append(f"{label}: replaces {row.replaces!r}, which is not there")
    return found


def in_use(table: pd.DataFrame, use: tuple[str, ...]) -> pd.DataFrame:
    """Ties that count: not replaced by a later one, and in one of the wanted states.

    Parameters
    ----------
    table : DataFrame
        From :func:`checked_ties`.
    use : tuple of str
        States.

    Returns
    -------
    DataFrame
        Rows of the table.
    """
    replaced = set(table["replaces"]) - {""}
    keep = table["state"].isin(use) & ~table["tie"].isin(replaced)
    return table[keep].reset_index(drop=True)


def change(
    ties: pd.DataFrame, tie: str, *, state: str, note: str = "", depth: Any = None,
    to_depth: Any = None, uncertainty: Any = None,
) -> pd.DataFrame:  # fmt: skip
    """Accept, edit or withdraw a tie; the old row stays.

    Parameters
    ----------
    ties : DataFrame
        Ties with plain names and states.
    tie : str
        Name of the tie.
    state : {"accepted", "edited", "withdrawn"}
        What becomes of it.
    note : str
        Why.
    depth, to_depth, uncertainty : Quantity or str, optional
        New values [m]; the old ones where not given.

    Returns
    -------
    DataFrame
        With one more row, which replaces the named one.

    Raises
    ------
    TieError
        When there is no such tie, it is replaced already, or the state is unknown.
    UnitError
        For a bare number.
    """
    names = [str(name) for name in ties["tie"]]
    if tie not in names:
        raise TieError(f"there is no tie {tie!r}; there are {', '.join(names) or 'none'}")
    if tie in set(ties["replaces"].astype(str)):
        later = ties["tie"][ties["replaces"].astype(str) == tie].iloc[0]
        raise TieError(f"tie {tie!r} was replaced by {later!r}; change that one")
    if state not in STATES[1:]:
        raise TieError(f"state is {state!r}; it is one of {', '.join(STATES[1:])}")
    row = ties.iloc[names.index(tie)].to_dict()
    given = {"depth": depth, "to_depth": to_depth, "uncertainty": uncertainty}
    for name, value in given.items():
        if value is not None:
            row[name] = float(units.as_floats(value, "m", name))
    number = 2
    while f"{tie.partition('.')[0]}.{number}" in names:
        number += 1
    row.update(tie=f"{tie.partition('.')[0]}.{number}", state=state, replaces=tie, note=note)
    return pd.concat([ties, pd.DataFrame([row])], ignore_index=True)


def depth_of(data: Any, scale: str, name: str) -> Any:
    """Core and depth of a series on a scale of its hole.

    Parameters
    ----------
    data : Dataset
        With the coordinates core and that of the scale.
    scale : str
        Of :data:`DEPTHS`.
    name : str
        Name of the series, for messages.

    Returns
    -------
    tuple of (n,) ndarray of str and (n,) ndarray
        Depth in m.

    Raises
    ------
    PositionError
        When the series lacks one of them.
    ValueError
        For an unknown scale.
    """
    if scale not in DEPTHS:
        raise ValueError(f"depth is {scale!r}; it is one of {', '.join(DEPTHS)}")
    lacking = [c for c in ("core", scale) if c not in data.coords]
    if lacking:
        more = (
            ". Series of a hole without closed voids do not carry it; give it to them by "
            "corephys.depth.closed_up(series, sections=..., cores=..., removed=...)"
            if "depth_closed" in lacking
            else ""
        )
        raise PositionError(f"{name} has no coordinate {' and no '.join(lacking)}{more}")
    depth = np.asarray(units.as_floats(data[scale], "m", scale), dtype=float)
    return np.broadcast_to(np.asarray(data["core"].values, dtype=object), depth.shape), depth
