"""Ties between cores as a table that forgets nothing: a changed tie is a new row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import units
from corephys.ground.arguments import positive
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
# Scales of one hole, on which ties may be made; the coordinate that says it.
DEPTHS = ("depth", "depth_closed", "depth_fitted")
STATES = ("suggested", "accepted", "edited", "withdrawn")
_SAME = 1e-9  # m
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
        One row a tie, in the order given; other columns are kept and stand last.

    Raises
    ------
    TieError
        For a column that is missing or there twice, a cell that is no number, an unknown hole,
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
    """Plain names, numbers in metres, every column there; columns of the user's own stand last."""
    table = _plain(ties)
    lacking = [name for name in _NEEDED if name not in table]
    if lacking:
        headers = [f"{n} [m]" if COLUMNS[n] == "m" else n for n in lacking]
        raise TieError(f"the ties have no column {', '.join(map(repr, headers))}")
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
    return table[[*COLUMNS, *(n for n in table if n not in COLUMNS)]]


def _numbers(values: pd.Series, name: str) -> pd.Series:
    """Numbers, NaN where the cell is empty; other text is refused."""
    found = pd.to_numeric(values, errors="coerce").astype(float)
    bad = found.isna() & values.notna() & (values.astype(str).str.strip().str.lower() != "nan")
    bad &= values.astype(str).str.strip() != ""
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise TieError(
            f"column {name!r}, row {row + 1}: {values.iloc[row]!r} is no number; its unit stands "
            "in the header, and a cell is left empty where the value is unknown"
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
            raise TieError(f"the ties have two columns {name!r}; leave one of them out")
        unit = rest.rstrip("]")
        if unit and COLUMNS[name] == "m":
            values = _numbers(values, name) * units.convert(1.0, unit, "m")
        columns[name] = values
    return pd.DataFrame(columns)


def _problems(table: pd.DataFrame, cores: Mapping[str, Any]) -> list[str]:
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
            found.append(f"{label}: a depth is no number")
        if not (np.isnan(row.uncertainty) or 0.0 < row.uncertainty < np.inf):
            found.append(
                f"{label}: its uncertainty is {row.uncertainty:g} m; it has to be above zero, and "
                "empty where it is unknown"
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
            found.append(f"{label}: replaces {row.replaces!r}, which is not there")
    return found


def _replaced_before(name: str, before: Mapping[str, str]) -> set[str]:
    """A tie and all that it replaces, backward through the history."""
    seen: set[str] = set()
    while name and name not in seen:
        seen.add(name)
        name = before.get(name, "")
    return seen


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
        Ties with plain names, or with units in the headers as :func:`read_ties` gives them.
    tie : str
        Name of the tie.
    state : {"accepted", "edited", "withdrawn"}
        What becomes of it.
    note : str
        Why.
    depth, to_depth, uncertainty : Quantity or str, optional
        New values [m]; the old ones where not given. A tie whose depth moves keeps neither the
        correlation nor the uncertainty that were found at the old one: unknown, unless given.

    Returns
    -------
    DataFrame
        With plain names, depths in metres, and one more row, which replaces the named one.

    Raises
    ------
    TieError
        When there is no such tie, it is replaced already, or the state is unknown.
    UnitError
        For a bare number.
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
    if state not in STATES[1:]:
        raise TieError(f"state is {state!r}; it is one of {', '.join(STATES[1:])}")
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
        Names as text, as ties hold them; depth in m.

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
    depth = meters(data, scale)
    core = np.array([str(name) for name in np.ravel(data["core"].values)], dtype=object)
    return np.broadcast_to(core.reshape(data["core"].shape), depth.shape), depth


def meters(table: Any, name: str) -> np.ndarray:
    """A length of a table.

    Parameters
    ----------
    table : Dataset or DataTree node
        Holds it.
    name : str
        Its name.

    Returns
    -------
    ndarray
        [m].
    """
    return np.asarray(units.as_floats(table[name], "m", name), dtype=float)


def core_tops(table: Any) -> tuple[np.ndarray, np.ndarray]:
    """Names and tops [m] of the cores of a hole.

    Parameters
    ----------
    table : Dataset, DataTree node or DataFrame
        core, top [m].

    Returns
    -------
    tuple of (n,) ndarray of str and (n,) ndarray of float
        In the order of the table; names as text, as ties hold them.
    """
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
