"""All depth scales of a hole in one table, and conversion between them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import units
from corephys.ground.choices import choice
from corephys.ground.laws import with_unit
from corephys.ground.series import PositionError
from corephys.hole.composite.core_shifts import shifts_of
from corephys.hole.composite.ties import DEPTHS, TieError, meters

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, WithUnit

__all__ = ["SCALES", "convert", "scales", "section_ends", "ties_on"]

SCALES = (*DEPTHS, "depth_composite", "depth_composite_over_growth")
_WORDS = (
    "depth as laid out",
    "depth with closed voids closed up",
    "depth fitted into the advance",
    "composite depth",
    "composite depth over growth",
)
_ENDS = {"depth": "", "depth_closed": "_closed", "depth_fitted": "_fitted"}
_SAME = 1e-9  # m: depths that differ by rounding are the same


def section_ends(sections: xr.Dataset, scale: str) -> np.ndarray:
    """Tops and bottoms [m] of sections on a scale, from ``corephys.depth.section_tops``; (n, 2)."""
    names = [f"{end}{_ENDS[scale]}" for end in ("top", "bottom")]
    lacking = [name for name in names if name not in sections]
    if lacking:
        raise PositionError(
            f"the sections have no {lacking[0]!r}; take them from corephys.depth.section_tops"
        )
    return np.column_stack([meters(sections, name) for name in names])


def _void_ends(sections: xr.Dataset, scale: str) -> np.ndarray:
    """Upper and lower end of the closed voids [m], (voids, 2)."""
    if "void_core" not in sections:
        return np.zeros((0, 2))
    ends = {
        "depth": ("void_top", "void_bottom"),
        "depth_closed": ("void_closed",) * 2,
        "depth_fitted": ("void_fitted",) * 2,
    }[scale]
    return np.column_stack([meters(sections, name) for name in ends])


def scales(
    sections: xr.Dataset, shifts: xr.Dataset, *, hole: str, growth_factor: float = 1.0
) -> xr.Dataset:
    """Tops and bottoms of the sections of a hole on every depth scale.

    Parameters
    ----------
    sections : Dataset
        From ``corephys.depth.section_tops``: tops and bottoms of sections and closed voids [m].
    shifts : Dataset
        Result of :func:`corephys.composite.shifts`; its attribute ``depth_scale`` is the scale to
        which shifts are added, by default as laid out.
    hole : str
        Name of the hole.
    growth_factor : float
        Growth factor of the site or hole [1]; composite depth over it has the drilled length.

    Returns
    -------
    Dataset
        Along ``row`` (sections) and ``end`` ("top", "bottom"): ``depth`` as laid out,
        ``depth_closed``, ``depth_fitted``, ``depth_composite`` and
        ``depth_composite_over_growth``, all [m]; and ``growth_residual`` [m], composite depth over
        growth less the depth without shifts. The ends of closed voids, if any, are along ``void``
        under the same names with ``_of_void``.

    Raises
    ------
    PositionError
        When a core has no shift, or ``sections`` lacks the depths of a scale.
    ValueError
        When the growth factor is not above zero.

    Notes
    -----
    Definitions; see :func:`corephys.hole.placing.depth.place` and
    :func:`corephys.hole.composite.growth_factor`.
    """
    if not growth_factor > 0.0:
        raise ValueError(f"growth_factor is {growth_factor:g}; it has to be above zero")
    base = str(shifts.attrs.get("depth_scale", "depth"))
    core = np.asarray(sections["core"].values, dtype=object)
    known = shifts_of(shifts, hole, core)

    def on_all(ends: Any, cores: np.ndarray) -> dict[str, np.ndarray]:
        held = {scale: ends(sections, scale) for scale in DEPTHS}
        together = held[base] + np.array([known[c] for c in cores], dtype=float)[:, None]
        return {**held, SCALES[3]: together, SCALES[4]: together / growth_factor}

    values = on_all(section_ends, core)
    found = {n: (("row", "end"), v, _attributes(n)) for n, v in values.items()}
    found["growth_residual"] = (
        ("row", "end"),
        values[SCALES[4]] - values[base],
        {
            "units": "m",
            "long_name": f"composite depth over growth less {_attributes(base)['long_name']}",
        },
    )
    coordinates: dict[str, Any] = {
        "core": ("row", core, {"long_name": "core"}),
        "section": (
            "row",
            np.asarray(sections["section"].values, dtype=object),
            {"long_name": "section"},
        ),
        "end": (
            "end",
            np.array(["top", "bottom"], dtype=object),
            {"long_name": "end of the section"},
        ),
    }
    if "void_core" in sections:
        of_void = np.asarray(sections["void_core"].values, dtype=object)
        coordinates["void_core"] = ("void", of_void, {"long_name": "core of the closed void"})
        found |= {
            f"{n}_of_void": (("void", "end"), v, _attributes(n))
            for n, v in on_all(_void_ends, of_void).items()
        }
    attributes = {"hole": hole, "growth_factor": growth_factor, "depth_scale": base}
    return xr.Dataset(found, coordinates, attributes)


def _attributes(scale: str) -> dict[str, str]:
    """Unit and long_name of a scale."""
    return {"units": "m", "long_name": dict(zip(SCALES, _WORDS, strict=True))[scale]}


def convert(
    depth: Dimensional, core: Any, table: xr.Dataset, *, given: str, wanted: str
) -> WithUnit:
    """Depths of a hole from one scale to another.

    Parameters
    ----------
    depth : Quantity, DataArray or str, (n,)
        Depths [m] on the scale ``given``.
    core : (n,) array of str or str
        Core of each depth; cores may overlap on every scale.
    table : Dataset
        Result of :func:`scales`.
    given, wanted : str
        Scales of :data:`SCALES`.

    Returns
    -------
    Quantity or DataArray, (n,)
        Depths [m]; NaN above the top and below the bottom of the core.

    Raises
    ------
    PositionError
        For a core that is not in the table.
    ValueError
        For an unknown scale.

    Notes
    -----
    Linear between the ends of sections and closed voids (definition); a conversion back gives the
    same depth to rounding. A depth inside a closed void becomes the depth where the void closes,
    which is converted back to the upper end of the void.
    """
    given, wanted = choice(given, SCALES, "given"), choice(wanted, SCALES, "wanted")
    plain = units.as_floats(depth, "m", "depth")
    found = _converted(np.atleast_1d(np.asarray(plain, dtype=float)), core, table, given, wanted)
    if isinstance(plain, xr.DataArray) and plain.shape == found.shape:
        return with_unit(plain.copy(data=found).rename(wanted), "m")
    return with_unit(found, "m")


def _converted(z: np.ndarray, core: Any, table: xr.Dataset, given: str, wanted: str) -> np.ndarray:
    """Depths [m] on another scale; see :func:`convert`."""
    cores = np.broadcast_to(np.asarray(core, dtype=object), z.shape)
    found = np.full(z.shape, np.nan)
    for name in pd.unique(cores):
        rows = np.flatnonzero(table["core"].values == name)
        if rows.size == 0:
            raise PositionError(
                f"core {name!r} is not in the table of scales; give its sections as well"
            )
        x, y = (_knots(table, scale, rows, str(name)) for scale in (given, wanted))
        mine = cores == name
        found[mine] = _interpolated(z[mine], x, y)
    return found


def _knots(table: xr.Dataset, scale: str, rows: np.ndarray, core: str) -> np.ndarray:
    """Ends of the sections and closed voids of a core [m]."""
    ends = meters(table, scale)[rows].ravel()
    if f"{scale}_of_void" not in table:
        return np.asarray(ends)
    voids = meters(table, f"{scale}_of_void")[table["void_core"].values == core].ravel()
    return np.concatenate([ends, voids])


def _interpolated(at: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear between knots; of several at one depth the uppermost is used, for a closed void."""
    order = np.lexsort((y, x))
    x, y = x[order], y[order]
    # Depths that differ by rounding are one knot.
    first = np.concatenate([[0], np.cumsum(np.diff(x) > _SAME)])
    start = np.searchsorted(first, np.arange(first[-1] + 1))
    low = np.minimum.reduceat(y, start)
    high = np.maximum.reduceat(y, start)
    place = x[start]
    outside = (at < place[0] - _SAME) | (at > place[-1] + _SAME)
    if place.size == 1:
        return np.where(outside, np.nan, low[0])
    piece = np.clip(np.searchsorted(place, at, side="right") - 1, 0, place.size - 2)
    part = (at - place[piece]) / (place[piece + 1] - place[piece])
    between = high[piece] + part * (low[piece + 1] - high[piece])
    near = np.where(at - place[piece] > place[piece + 1] - at, piece + 1, piece)
    on_knot = np.abs(at - place[near]) <= _SAME
    return np.where(outside | np.isnan(at), np.nan, np.where(on_knot, low[near], between))


def ties_on(ties: pd.DataFrame, sections: Mapping[str, xr.Dataset], *, depth: str) -> pd.DataFrame:
    """Ties with both depths on another scale of their holes.

    Parameters
    ----------
    ties : DataFrame
        Ties with plain names, from ``checked_ties`` or ``suggest``.
    sections : mapping of hole to Dataset
        Result of ``corephys.depth.section_tops`` for each hole.
    depth : {"depth", "depth_closed", "depth_fitted"}
        New scale.

    Returns
    -------
    DataFrame
        The same rows with depth and to_depth [m] on the new scale, and its ``depth_scale``.

    Raises
    ------
    TieError
        For an unknown scale, a missing column or hole, or a tie outside its core, which cannot be
        converted.

    Notes
    -----
    Conversion by :func:`convert` (definition). The uncertainty does not change.
    """
    depth = choice(depth, DEPTHS, "depth", TieError)
    lacking = [n for n in ("tie", "depth", "to_depth") if n not in ties]
    if lacking:
        raise TieError(
            f"the ties have no column {lacking[0]!r}; take them from corephys.composite."
            "checked_ties, which brings depths into metres and names every tie"
        )
    unknown = sorted({*ties["hole"], *ties["to_hole"]} - set(sections))
    if unknown:
        raise TieError(f"there are no sections of hole {unknown[0]!r}; give those of every hole")
    found = ties.copy()
    given = ties["depth_scale"] if "depth_scale" in ties else pd.Series("depth", index=ties.index)
    still = {}
    for hole, table in sections.items():
        cores = np.array(list(dict.fromkeys(table["core"].values)), dtype=object)
        none = xr.Dataset(
            {"shift": ("row", np.zeros(cores.size))},
            {"hole": ("row", np.full(cores.size, hole, dtype=object)), "core": ("row", cores)},
        )
        still[hole] = scales(table, none, hole=hole)
    for side in ("", "to_"):
        moved = [
            float(_converted(np.array([z], float), core, still[hole], scale or "depth", depth)[0])
            for z, core, hole, scale in zip(
                ties[f"{side}depth"], ties[f"{side}core"], ties[f"{side}hole"], given, strict=True
            )
        ]
        outside = np.flatnonzero(np.isnan(moved))
        if outside.size:
            row = ties.iloc[outside[0]]
            raise TieError(
                f"tie {row['tie']} lies outside its core: {row[f'{side}depth']:g} m is not in core "
                f"{row[f'{side}core']!r} of hole {row[f'{side}hole']!r}; correct {side}depth or "
                f"{side}core"
            )
        found[f"{side}depth"] = np.array(moved, dtype=float)
    return found.assign(depth_scale=depth)
