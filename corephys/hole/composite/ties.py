"""Ties between cores as a table with history: a changed tie is a new row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import units
from corephys.ground.arguments import positive
from corephys.ground.choices import choice, matching
from corephys.ground.series import PositionError

__all__ = [
    "COLUMNS",
    "DEPTHS",
    "STATES",
    "TieError",
    "change",
    "checked_ties",
    "core_tops",
    "depth_of",
    "empty",
    "in_use",
    "meters",
]

# Name in the table, unit; the header in a file is "name [unit]".
COLUMNS: dict[str, str] = {
    "tie": "",
    "hole": "",
    "core": "",
    "depth": "m",
    "to_hole": "",
    "to_core": "",
    "to_depth": "m",
    "uncertainty": "m",
    "correlation": "1",
    "state": "",
    "replaces": "",
    "note": "",
    "depth_scale": "",
}
# Depth scales of one hole on which ties may be made, by the names of their coordinates.
DEPTHS = ("depth", "depth_closed", "depth_fitted")
STATES = ("suggested", "accepted", "edited", "withdrawn")
_SAME = 1e-9  # m: a smaller change of a depth is rounding
_NEEDED = ("hole", "core", "depth", "to_hole", "to_core", "to_depth")


class TieError(ValueError):
    """Ties do not fit the cores of the site; the message lists all of them."""


def empty() -> pd.DataFrame:
    """A table of ties without a row.

    Returns
    -------
    DataFrame
        Table with all columns of :data:`COLUMNS`.
    """
    return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})


def checked_ties(ties: pd.DataFrame, cores: Mapping[str, Any]) -> pd.DataFrame:
    """Ties with plain column names, lengths in metres and all columns.

    Parameters
    ----------
    ties : DataFrame
        Columns ``hole``, ``core``, ``depth [m]``, ``to_hole``, ``to_core``, ``to_depth [m]``;
        optional ``tie`` (a name), ``uncertainty [m]``, ``correlation``, ``state`` (by default
        accepted), ``replaces`` (name of an older tie), ``note``, and ``depth_scale`` of both
        depths: "depth" as laid out (the default), "depth_closed" or "depth_fitted".
    cores : mapping of str to Dataset, DataTree node or DataFrame
        Cores of each hole.

    Returns
    -------
    DataFrame
        One row a tie, in the order given; other columns are kept at the end.

    Raises
    ------
    TieError
        For a missing or repeated column, a cell that is not a number, an unknown hole,
        core, state or scale, an uncertainty that is not above zero, a core tied to itself, two
        ties of one name, or a replaced tie that does not exist or is itself a replacement of it.
    """
    table = _complete(ties)
    problems = _problems(table, cores)
    if problems:
        shown = "\n".join(f"  {problem}" for problem in problems[:20])
        raise TieError(f"{len(problems)} of {len(table)} ties do not fit the site:\n{shown}")
    return table


def _complete(ties: pd.DataFrame) -> pd.DataFrame:
    """Plain names, lengths in metres, all columns; further columns of the user at the end."""
    table = _plain(ties)
    lacking = [name for name in _NEEDED if name not in table]
    if lacking:
        headers = [f"{n} [m]" if COLUMNS[n] == "m" else n for n in lacking]
        raise TieError(f"the ties have no column {', '.join(map(repr, headers))}; add it")
    table = table.reset_index(drop=True)
    if "tie" not in table:
        table["tie"] = [str(i + 1) for i in range(len(table))]
    defaults = {
        "uncertainty": np.nan,
        "correlation": np.nan,
        "state": "accepted",
        "replaces": "",
        "note": "",
        "depth_scale": "depth",
    }
    for name, default in defaults.items():
        table[name] = table.get(name, default)
    for name in ("depth", "to_depth", "uncertainty", "correlation"):
        table[name] = _numbers(table[name], name)
    for name in (n for n, unit in COLUMNS.items() if not unit):
        table[name] = table[name].fillna("").astype(str)
    table["depth_scale"] = table["depth_scale"].replace("", "depth")
    for name, words in (("depth_scale", DEPTHS), ("state", STATES)):
        table[name] = [matching(word, words) or word for word in table[name]]
    return table[[*COLUMNS, *(n for n in table if n not in COLUMNS)]]


def _numbers(values: pd.Series, name: str) -> pd.Series:
    """Numbers, NaN for an empty cell; other text is refused."""
    found = pd.to_numeric(values, errors="coerce").astype(float)
    bad = found.isna() & values.notna() & (values.astype(str).str.strip().str.lower() != "nan")
    bad &= values.astype(str).str.strip() != ""
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise TieError(
            f"column {name!r}, row {row + 1}: {values.iloc[row]!r} is not a number; write the "
            "unit in the header, and leave the cell of an unknown value empty"
        )
    return found


def _plain(ties: pd.DataFrame) -> pd.DataFrame:
    """Headers without their brackets, lengths in metres."""
    columns: dict[str, pd.Series] = {}
    for header in ties.columns:
        name, _, rest = str(header).partition(" [")
        values = ties[header]
        if name not in COLUMNS:
            columns[str(header)] = values
            continue
        if name in columns:
            raise TieError(f"the ties have two columns {name!r}; remove one of them")
        unit = rest.rstrip("]")
        if unit and COLUMNS[name] == "m":
            values = _numbers(values, name) * units.convert(1.0, unit, "m")
        columns[name] = values
    return pd.DataFrame(columns)


def _problems(table: pd.DataFrame, cores: Mapping[str, Any]) -> list[str]:
    """Faults of all ties, one line for each."""
    known = {hole: set(np.asarray(c["core"]).astype(str)) for hole, c in cores.items()}
    names = list(table["tie"])
    before = dict(zip(names, table["replaces"], strict=True))
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
            found.append(f"{label}: a depth is not a number")
        if not (np.isnan(row.uncertainty) or 0.0 < row.uncertainty < np.inf):
            found.append(
                f"{label}: its uncertainty is {row.uncertainty:g} m; it has to be above zero, or "
                "empty if it is unknown"
            )
        if row.state not in STATES:
            found.append(f"{label}: state {row.state!r}; it is one of {', '.join(STATES)}")
        if row.depth_scale not in DEPTHS:
            found.append(f"{label}: scale {row.depth_scale!r}; it is one of {', '.join(DEPTHS)}")
        if names.count(row.tie) > 1:
            found.append(f"{label}: there are {names.count(row.tie)} ties of that name")
        if row.tie in _replaced_before(row.replaces, before):
            found.append(f"{label}: replaces itself, by way of {row.replaces!r}")
        if row.replaces and row.replaces not in names:
            found.append(f"{label}: replaces {row.replaces!r}, which does not exist")
    return found


def _replaced_before(name: str, before: Mapping[str, str]) -> set[str]:
    """Names of a tie and of all ties that it replaces, directly or not."""
    seen: set[str] = set()
    while name and name not in seen:
        seen.add(name)
        name = before.get(name, "")
    return seen


def in_use(table: pd.DataFrame, use: tuple[str, ...]) -> pd.DataFrame:
    """Ties in one of the states ``use`` that no later tie replaces."""
    replaced = set(table["replaces"]) - {""}
    keep = table["state"].isin(use) & ~table["tie"].isin(replaced)
    return table[keep].reset_index(drop=True)


def change(
    ties: pd.DataFrame,
    tie: str,
    *,
    state: str,
    note: str = "",
    depth: Any = None,
    to_depth: Any = None,
    uncertainty: Any = None,
) -> pd.DataFrame:
    """Accept, edit or withdraw a tie; the old row stays.

    Parameters
    ----------
    ties : DataFrame
        Ties with plain names, or with units in the headers, from :func:`read_ties`.
    tie : str
        Name of the tie.
    state : {"accepted", "edited", "withdrawn"}
        New state.
    note : str
        Reason of the change.
    depth, to_depth, uncertainty : Quantity or str, optional
        New values [m]; by default the old ones. If a depth changes, correlation and uncertainty
        belong to the old depth and become unknown, unless given.

    Returns
    -------
    DataFrame
        Table with plain names, depths in metres, and one more row, which replaces the named one.

    Raises
    ------
    TieError
        When there is no such tie, it is replaced already, or the state is unknown.
    ValueError
        For an uncertainty that is not above zero.
    """
    ties, tie = _complete(ties), str(tie)
    names = list(ties["tie"])
    if tie not in names:
        raise TieError(f"there is no tie {tie!r}; there are {', '.join(names) or 'none'}")
    if tie in set(ties["replaces"]):
        later = ties["tie"][ties["replaces"] == tie].iloc[0]
        raise TieError(f"tie {tie!r} was replaced by {later!r}; change that one")
    state = choice(state, STATES[1:], "state", TieError)
    row = ties.iloc[names.index(tie)].to_dict()
    for name, value in {"depth": depth, "to_depth": to_depth}.items():
        if value is not None:
            moved = float(units.as_floats(value, "m", name))
            if abs(moved - row[name]) > _SAME:
                row.update(correlation=np.nan, uncertainty=np.nan)
            row[name] = moved
    if uncertainty is not None:
        row["uncertainty"] = float(positive(uncertainty, "m", "uncertainty"))
    number = 2
    while f"{tie.partition('.')[0]}.{number}" in names:
        number += 1
    row.update(tie=f"{tie.partition('.')[0]}.{number}", state=state, replaces=tie, note=note)
    return pd.concat([ties, pd.DataFrame([row])], ignore_index=True)


def depth_of(data: Any, scale: str, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Core, as text, and depth [m] of a series on a scale of :data:`DEPTHS`.

    ``name`` is that of the series, for messages.
    """
    scale = choice(scale, DEPTHS, "depth")
    lacking = [c for c in ("core", scale) if c not in data.coords]
    if lacking:
        more = (
            ". Series of a hole without closed voids lack it; add it with "
            "corephys.depth.closed_up(series, sections=..., cores=..., removed=...)"
            if "depth_closed" in lacking
            else "; place it with corephys.depth.place"
        )
        raise PositionError(f"{name} has no coordinate {' and no '.join(lacking)}{more}")
    depth = meters(data, scale)
    core = np.array([str(name) for name in np.ravel(data["core"].values)], dtype=object)
    return np.broadcast_to(core.reshape(data["core"].shape), depth.shape), depth


def meters(table: Any, name: str) -> np.ndarray:
    """A length of a Dataset or node as floats [m]."""
    return np.asarray(units.as_floats(table[name], "m", name), dtype=float)


def core_tops(table: Any) -> tuple[np.ndarray, np.ndarray]:
    """Names, as text, and tops [m] of the cores of a hole, in the order of the table."""
    if isinstance(table, pd.DataFrame):
        name = next((c for c in table.columns if str(c).partition(" [")[0] == "top"), None)
        if name is None or "core" not in table:
            raise PositionError(f"cores need 'core' and 'top [m]'; got {', '.join(table.columns)}")
        unit = str(name).partition("[")[2].rstrip("]") or ""
        values = units.convert(1.0, unit, "m") * table[name].to_numpy(float) if unit else None
        if values is None:
            raise PositionError("the column 'top' has no unit; write 'top [m]'")
        names = table["core"]
    else:
        names = table["core"].values
        values = np.asarray(units.as_floats(table["top"], "m", "cores.top"), dtype=float)
    return np.array([str(name) for name in names], dtype=object), values
