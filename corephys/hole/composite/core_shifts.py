"""One shift a core from the ties in use, and the shift expected from the uncertainty of depth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, series, thresholds
from corephys.ground.choices import choice, choices
from corephys.ground.series import PositionError
from corephys.hole.composite.ties import (
    DEPTHS,
    STATES,
    TieError,
    checked_ties,
    core_tops,
    depth_of,
    in_use,
    meters,
)
from corephys.hole.placing.depth_uncertainty import errors_in_metres
from corephys.numerics.line import ordinary_line

__all__ = [
    "TIED",
    "growth_factor",
    "place",
    "placements",
    "shifts",
    "shifts_in_metres",
    "shifts_of",
]

# --------------------------------------------------------------------------------------------------
# One shift a core from the ties in use, composite depth and growth.


# How a core with a shift by ties is placed, and words of an earlier version.
TIED = ("datum", "tied")
_FORMER = {"anchor": "datum", "carried": "untied"}
_LENGTHS = dict.fromkeys(("core_top", "shift", "shift_expected", "tie_residual"), "m")


def shifts(
    ties: pd.DataFrame,
    cores: Mapping[str, Any],
    *,
    reference: str,
    use: tuple[str, ...] = ("accepted", "edited"),
    depth: str | None = None,
    depth_uncertainty: Mapping[str, xr.Dataset] | None = None,
) -> xr.Dataset:
    """Shift of every core of a site onto composite depth.

    Parameters
    ----------
    ties : DataFrame
        Ties, one a row; see :func:`corephys.hole.composite.ties.checked_ties`.
    cores : mapping of str to Dataset, DataTree node or DataFrame
        Cores of each hole: core, top [m].
    reference : str
        Hole whose first core has no shift.
    use : tuple of str
        States of the ties that are used.
    depth : {"depth", "depth_closed", "depth_fitted"}, optional
        Scale of the hole to which shifts are added; the scale of the ties if not given.
    depth_uncertainty : mapping of hole to Dataset, optional
        Result of ``corephys.depth.uncertainty`` at readings of every core. Its random part is
        added to the uncertainty of ties, and shifts are compared with the expected ones.

    Returns
    -------
    Dataset
        Along ``row``: hole, core, ``core_top`` [m], ``shift`` [m], ``shift_u_random`` [m] against
        the datum, which is the first core of the reference, and ``tied``: "datum", "tied",
        "untied" where no ties lead from the core to the datum and it keeps the shift of the core
        above in its hole (cores tied to each other move as one), or "floating" where there is no
        core above either and the shift is zero. Along ``tie``: ``tie_residual`` [m], how far each
        used tie misses. The attribute ``depth_scale`` names the scale, which place, scales and
        sequences use; ``notes`` lists ties whose residual exceeds 3 standard uncertainties, and
        missing uncertainties. With ``depth_uncertainty`` also ``shift_expected`` [m], the
        standard uncertainty expected of a shift, and ``shift_over_expected``; ``notes`` then lists
        cores above 3 too.

    Raises
    ------
    TieError
        For a tie that names an unknown hole or core, or ties a core to itself; for ties in use on
        different scales, or on another one than ``depth``.
    PositionError
        When ``depth_uncertainty`` lacks a hole, or a core stands twice or has no top.
    ValueError
        When the reference is not among the holes or has no core, or for an unknown state.

    Notes
    -----
    composite depth = depth + shift of the core, constant within a core (Hagelberg and others
    1992). The shifts are the least-squares solution of depth + shift equal on both sides of every
    tie, weighted by the given uncertainty of a tie (equal weights without one), in quadrature
    with that of both offsets. Errors that a core shares (tide, heave, position in the advance)
    are removed by its shift, and are not part of the uncertainty of a tie.
    """
    if reference not in cores:
        raise ValueError(f"reference is {reference!r}; the holes are {', '.join(cores)}")
    use = choices(use, STATES, "use")
    table = in_use(checked_ties(ties, cores), use)
    scale = _scale(table, depth)
    places = _places(cores)
    if reference not in set(places["hole"]):
        raise ValueError(f"reference {reference!r} has no core; give a hole with cores")
    index = {key: i for i, key in enumerate(zip(places["hole"], places["core"], strict=True))}
    parts = None if depth_uncertainty is None else _errors_of_cores(depth_uncertainty, places)
    own = np.zeros(len(places)) if parts is None else np.array([p["random"] for p in parts])
    rows = _equations(table, index, own)
    datum = int(np.flatnonzero(places["hole"].to_numpy() == reference)[0])
    shift, u, word = _solve(rows, places, datum)
    residual = shift[rows.one] - shift[rows.other] - rows.step
    found_notes = _doubts(table["tie"].to_list(), residual, rows.sigma, rows.known)
    words = {"units": "m", "long_name": "shift onto composite depth"}
    found = xr.Dataset(
        {
            "core_top": (
                "row",
                places["top"].to_numpy(float),
                {"units": "m", "long_name": "top of the core below seafloor"},
            ),
            "shift": ("row", shift, words),
            "shift_u_random": (
                "row",
                u,
                {"units": "m", "long_name": "random standard uncertainty of the shift"},
            ),
            "tied": ("row", np.array(word, dtype=object), {"long_name": "how the core is placed"}),
            "tie_residual": (
                "tie",
                residual,
                {"units": "m", "long_name": "distance that is left between both sides of a tie"},
            ),
        },
        coords={
            "hole": ("row", places["hole"].to_numpy(object), {"long_name": "hole"}),
            "core": ("row", places["core"].to_numpy(object), {"long_name": "core"}),
            "tie_name": ("tie", table["tie"].to_numpy(object), {"long_name": "name of the tie"}),
            "tie_hole": ("tie", table["hole"].to_numpy(object), {"long_name": "hole of the tie"}),
            "tie_core": ("tie", table["core"].to_numpy(object), {"long_name": "core of the tie"}),
        },
        attrs={
            "reference": reference,
            "ties_used": len(table),
            "ties_known": len(ties),
            "depth_scale": scale,
            "notes": "\n".join(found_notes),
        },
    )
    if parts is None:
        return found
    u_expected, over, notes = _expected(parts, places, datum, shift)
    return found.assign(
        shift_expected=(
            "row",
            u_expected,
            {"units": "m", "long_name": "standard uncertainty expected of the shift"},
        ),
        shift_over_expected=(
            "row",
            over,
            {"units": "1", "long_name": "shift over its expected standard uncertainty"},
        ),
    ).assign_attrs(notes="\n".join([*found_notes, *notes]))


def _scale(table: pd.DataFrame, wanted: str | None) -> str:
    """The scale of all ties in use, which must be one."""
    held = sorted(set(table["depth_scale"]))
    if wanted is not None:
        wanted = choice(wanted, DEPTHS, "depth", TieError)
    scale = wanted or (held[0] if held else "depth")
    others = [t for t, s in zip(table["tie"], table["depth_scale"], strict=True) if s != scale]
    if others:
        raise TieError(
            f"{len(others)} of {len(table)} ties in use are not on the scale {scale!r} (tie "
            f"{others[0]} first; scales: {', '.join(held)}). Bring all onto one scale with "
            "corephys.composite.ties_on"
        )
    return scale


def _places(cores: Mapping[str, Any]) -> pd.DataFrame:
    """Hole, core and top of all cores, each hole from the top downward."""
    parts = []
    for hole, table in cores.items():
        core, top = core_tops(table)
        order = np.argsort(top, kind="stable")
        twice = pd.Series(core)[pd.Series(core).duplicated()]
        if twice.size:
            raise PositionError(f"core {twice.iloc[0]!r} of hole {hole!r} has two rows; remove one")
        if not np.isfinite(top).all():
            lost = core[~np.isfinite(top)][0]
            raise PositionError(f"core {lost!r} of hole {hole!r} has no top; ties need one")
        parts.append(pd.DataFrame({"hole": hole, "core": core[order], "top": top[order]}))
    return pd.concat(parts, ignore_index=True)


class _Equations:
    """shift[one] - shift[other] = step, weighted by 1 / sigma."""

    def __init__(self, one: Any, other: Any, step: Any, sigma: Any, known: bool) -> None:
        self.one, self.other, self.step = one, other, step
        self.sigma, self.known = sigma, known
        self.weigh = sigma if known else np.ones(sigma.shape)


def _equations(table: pd.DataFrame, index: dict[Any, int], own: np.ndarray) -> _Equations:
    """One equation a tie; ``own`` is the variance of an offset in each core [m^2]."""
    one = [index[key] for key in zip(table["hole"], table["core"], strict=True)]
    other = [index[key] for key in zip(table["to_hole"], table["to_core"], strict=True)]
    step = table["to_depth"].to_numpy(float) - table["depth"].to_numpy(float)
    sigma = table["uncertainty"].to_numpy(float)
    sigma = np.sqrt(sigma**2 + own[np.array(one, int)] + own[np.array(other, int)])
    known = bool(np.isfinite(sigma).all() and (sigma > 0.0).all())
    return _Equations(np.array(one, int), np.array(other, int), step, sigma, known)


def _solve(
    ties: _Equations, places: pd.DataFrame, datum: int
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Shifts, their uncertainty and the word for how each core is placed."""
    number = len(places)
    group = _groups(ties, number)
    shift, u = np.zeros(number), np.full(number, np.nan)
    word = ["untied"] * number
    done = np.zeros(number, dtype=bool)
    hole, top = places["hole"].to_numpy(object), places["top"].to_numpy(float)
    # The datum's group stands first, then the groups from the top downward.
    order = sorted(np.unique(group), key=lambda g: (g != group[datum], top[group == g].min(), g))
    for one in order:
        members = np.flatnonzero(group == one)
        fixed = datum if one == group[datum] else _held(members, hole, top, done)
        relative, variance = _within(ties, members, fixed)
        if fixed == datum:
            level, first = 0.0, "datum"
        else:
            above = np.flatnonzero(done & (hole == hole[fixed]) & (top <= top[fixed]))
            first = "untied" if above.size else "floating"
            level = shift[above[np.argmax(top[above])]] if above.size else 0.0
        shift[members] = level + relative
        u[members] = np.sqrt(variance) if fixed == datum and ties.known else np.nan
        for member in members:
            word[member] = first if fixed != datum or member == fixed else "tied"
        done[members] = True
    if ties.known:
        u[datum] = 0.0
    return shift, u, word


def _held(members: np.ndarray, hole: np.ndarray, top: np.ndarray, done: np.ndarray) -> int:
    """The core that places a group without the datum: the first with a core above in its hole."""
    below = [m for m in members if (done & (hole == hole[m]) & (top <= top[m])).any()]
    choice = np.array(below or members, dtype=int)
    return int(choice[np.argmin(top[choice])])


def _groups(ties: _Equations, number: int) -> np.ndarray:
    """Number of the connected group of every core."""
    group = np.arange(number)
    for a, b in zip(ties.one, ties.other, strict=True):
        low, high = sorted((group[a], group[b]))
        group[group == high] = low
    return group


def _within(ties: _Equations, members: np.ndarray, fixed: int) -> tuple[np.ndarray, np.ndarray]:
    """Least-squares shifts of a connected group against its fixed core, and their variances."""
    free = [int(m) for m in members if m != fixed]
    column = {member: i for i, member in enumerate(free)}
    use = np.isin(ties.one, members)
    matrix = np.zeros((int(use.sum()), len(free)))
    for row, (a, b) in enumerate(zip(ties.one[use], ties.other[use], strict=True)):
        if a != fixed:
            matrix[row, column[int(a)]] += 1.0
        if b != fixed:
            matrix[row, column[int(b)]] -= 1.0
    weighted = matrix / ties.weigh[use][:, None]
    solved = np.linalg.lstsq(weighted, ties.step[use] / ties.weigh[use], rcond=None)[0]
    variance = np.diag(np.linalg.inv(weighted.T @ weighted)) if free else np.zeros(0)
    shift, var = np.zeros(members.size), np.zeros(members.size)
    where = {int(m): i for i, m in enumerate(members)}
    for member, i in column.items():
        shift[where[member]], var[where[member]] = solved[i], variance[i]
    return shift, var


def place(
    data: xr.Dataset, *, hole: str, shifts: xr.Dataset, depth_uncertainty: xr.Dataset | None = None
) -> xr.Dataset:
    """Give a series its composite depth.

    Parameters
    ----------
    data : Dataset
        Series with the coordinates core, and depth [m] on the scale of the shifts.
    hole : str
        Hole of the series.
    shifts : Dataset
        Result of :func:`shifts`.
    depth_uncertainty : Dataset, optional
        Result of ``corephys.depth.uncertainty`` at the same positions.

    Returns
    -------
    Dataset
        The same series, quantities of the vocabulary in its units, with the coordinate
        ``depth_composite`` [m]; all other depths stay. Where shifts
        have an uncertainty also ``depth_composite_u_random`` [m]: that of the core's shift against
        the datum, which all readings of the core share, with that of the reading's own offset in
        quadrature where ``depth_uncertainty`` is given.

    Raises
    ------
    PositionError
        When the series has no core or depth, or a core has no shift.

    Notes
    -----
    composite depth = depth + shift of the core (definition).
    """
    data, shifts = companions.library_units(data), shifts_in_metres(shifts)
    scale = str(shifts.attrs.get("depth_scale", "depth"))
    core, depth = depth_of(data, scale, "the series")
    known = shifts_of(shifts, hole, core)
    mine = shifts["hole"].values == hole
    names = shifts["core"].values[mine]
    by = np.array([known[c] for c in core], dtype=float)
    words = {"units": "m", "long_name": "composite depth", "positive": "down", "depth_scale": scale}
    coordinates = {"depth_composite": (data[scale].dims, depth + by, words)}
    if "shift_u_random" in shifts and np.isfinite(shifts["shift_u_random"].values).any():
        of = dict(zip(names, shifts["shift_u_random"].values[mine], strict=True))
        words = {"units": "m", "long_name": "random standard uncertainty of composite depth"}
        u = np.array([of[c] for c in core], dtype=float)
        if depth_uncertainty is not None:
            series.require_same_positions(data=data, depth_uncertainty=depth_uncertainty)
            u = np.hypot(u, meters(depth_uncertainty, "depth_u_random"))
        coordinates["depth_composite_u_random"] = (data[scale].dims, u, words)
    return data.assign_coords(coordinates)


def shifts_in_metres(shifts: xr.Dataset) -> xr.Dataset:
    """The result of :func:`shifts` with all lengths in m, whatever their units."""
    return companions.library_units(shifts, _LENGTHS)


def placements(shifts: xr.Dataset) -> np.ndarray:
    """How each core is placed: datum, tied, untied or floating; old words of a stored table too."""
    return np.array([_FORMER.get(word, word) for word in shifts["tied"].values.astype(str)], object)


def shifts_of(shifts: xr.Dataset, hole: str, cores: Any) -> dict[str, float]:
    """Shift [m] of each core of a hole; PositionError if one of ``cores`` has no shift."""
    shifts = shifts_in_metres(shifts)
    mine = shifts["hole"].values == hole
    if not mine.any():
        there = ", ".join(map(str, dict.fromkeys(shifts["hole"].values)))
        raise PositionError(f"hole {hole!r} has no shift; there are those of holes {there}")
    values = np.asarray(shifts["shift"].values[mine], dtype=float)
    known = dict(zip(shifts["core"].values[mine], values, strict=True))
    missing = sorted({c for c in np.ravel(cores) if not np.isfinite(known.get(c, np.nan))})
    if missing:
        more = f", nor have {len(missing) - 1} more" if len(missing) > 1 else ""
        raise PositionError(
            f"core {missing[0]!r} of hole {hole!r} has no shift{more}; give all cores of the hole "
            "to composite.shifts"
        )
    return known


def growth_factor(shifts: xr.Dataset, *, hole: str | None = None) -> xr.Dataset:
    """Growth of composite depth over drilled depth.

    Parameters
    ----------
    shifts : Dataset
        Result of :func:`shifts`.
    hole : str, optional
        Name of one hole; by default all holes of the site.

    Returns
    -------
    Dataset
        ``growth_factor`` [1] with its random uncertainty; ``points``, the cores used. Untied and
        floating cores are left out.

    Raises
    ------
    PositionError
        When the hole is not there.
    ValueError
        With fewer than three tied cores.

    Notes
    -----
    Slope of composite depth against depth of the core tops by least squares; composite depth over
    it has the length that was drilled. It holds gas, stretching, gaps and the error of pipe
    depths as well as rebound (common practice, no source).
    """
    shifts = shifts_in_metres(shifts)
    tied = np.isin(placements(shifts), TIED)
    if hole is not None:
        shifts_of(shifts, hole, [])
    mine = tied if hole is None else tied & (shifts["hole"].values == hole)
    top = shifts["core_top"].values[mine]
    if np.unique(top).size < 3:
        raise ValueError(
            f"{int(mine.sum())} tied cores are too few for a growth factor; it needs three depths"
        )
    line = ordinary_line(top, top + shifts["shift"].values[mine])
    return series.build(
        {"growth_factor": series.Measured(xr.DataArray(line.slope), line.slope_uncertainty)},
        steps=("slope of composite depth against depth of the core tops",),
        points=int(mine.sum()),
    )


# --------------------------------------------------------------------------------------------------
# Expected size of shifts from the uncertainty of depth, and shifts that exceed it.


_MOST = thresholds.value("composite_shift_limit")


def _errors_of_cores(
    errors: Mapping[str, xr.Dataset], places: pd.DataFrame
) -> list[dict[str, Any]]:
    """Mean errors of depth of every core, one dict a core.

    ``errors`` are results of ``corephys.depth.uncertainty`` by hole, ``places`` the hole and core
    of each core. Variance shared by the core, ``core``, and of the offset of a reading, ``random``
    [m^2]; effects of the hole by source, ``hole`` [m]; NaN if not given.
    """
    found = []
    for hole, core in zip(places["hole"], places["core"], strict=True):
        held = errors.get(hole)
        if held is None:
            raise PositionError(
                f"there is no depth_uncertainty for hole {hole!r}; give it for every hole"
            )
        if "core" not in held.coords:
            raise PositionError(
                f"depth_uncertainty of hole {hole!r} has no coordinate 'core'; give the result of "
                "corephys.depth.uncertainty"
            )
        held = errors_in_metres(held)
        names = np.broadcast_to(held["core"].values, held["depth_u_core"].shape)
        mine = np.flatnonzero(names == core)
        if mine.size == 0:  # no reading of this core
            found.append({"core": np.nan, "random": np.nan, "hole": {"not stated": np.nan}})
            continue
        of_hole = held["depth_effects"].transpose("source", ...).values[:, mine]
        found.append(
            {
                "core": float(np.mean(meters(held, "depth_u_core")[mine] ** 2)),
                "random": float(np.mean(meters(held, "depth_u_random")[mine] ** 2)),
                "hole": dict(zip(held["source"].values, of_hole.mean(axis=1), strict=True)),
            }
        )
    return found


def _expected(
    parts: list[dict[str, Any]], places: pd.DataFrame, datum: int, shift: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Expected standard uncertainty of shifts [m], shift over it [1], and notes on larger ones.

    ``datum`` is the row of the core without a shift. NaN for the datum, and where an uncertainty
    is not given; a note for every core above this limit.

    Notes
    -----
    A shift is the error of depth of the datum less that of the core: u^2 = u_core^2 + u_datum^2
    of the parts of each core + sum (e - e_datum)^2 over effects of the hole within one hole,
    e^2 + e_datum^2 between two (JCGM 100:2008, 5.1.2 and 5.2.2).
    """
    first = parts[datum]
    hole = places["hole"].to_numpy(object)
    u = np.full(len(parts), np.nan)
    for row, part in enumerate(parts):
        if row == datum:
            continue
        together = part["core"] + first["core"]
        for name in {**part["hole"], **first["hole"]}:
            one, other = part["hole"].get(name, 0.0), first["hole"].get(name, 0.0)
            together += (one - other) ** 2 if hole[row] == hole[datum] else one**2 + other**2
        u[row] = np.sqrt(together)
    over = np.full(u.shape, np.nan)
    np.divide(np.abs(shift), u, out=over, where=u > 0.0)
    core = places["core"].to_numpy(object)
    notes = [
        f"core {core[row]} of hole {hole[row]}: shift {shift[row]:.2f} m is {over[row]:.1f} times "
        f"its expected standard uncertainty of {u[row]:.2f} m; check its ties, or its depth"
        for row in np.flatnonzero(over > _MOST)
    ]
    return u, over, notes


def _doubts(names: list[str], residual: np.ndarray, sigma: np.ndarray, known: bool) -> list[str]:
    """Notes on ties whose residual [m] exceeds their uncertainty [m], or that have none.

    ``known`` states that all uncertainties are known and used as weights.

    Notes
    -----
    A residual of a least-squares solution has at most the uncertainty of its tie; one of more than
    three times this is unlikely to be chance (definition).
    """
    if not known:
        unknown = [name for name, u in zip(names, sigma, strict=True) if np.isnan(u)]
        if not unknown:
            return []
        shown = ", ".join(unknown[:5]) + (" ..." if len(unknown) > 5 else "")
        return [
            f"the uncertainty of {len(unknown)} of {len(names)} ties is not known (tie {shown}): "
            "all ties have the same weight and no shift has an uncertainty; give it with "
            "composite.change(..., uncertainty=...)"
        ]
    return [
        f"tie {names[i]} misses by {abs(residual[i]):.2f} m, {abs(residual[i]) / sigma[i]:.1f} "
        f"times its standard uncertainty of {sigma[i]:.2g} m: ties disagree by more than their "
        "uncertainties, so that the uncertainty of the shifts is too small; check these ties"
        for i in np.flatnonzero(np.abs(residual) > _MOST * sigma)
    ]
