"""Figures of a site: several holes on composite depth, and the shifts of their cores."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.plate import Plate, describe, new_plate, note, symbol_key
from corephys.figures.reading import NothingToDraw, Series
from corephys.figures.style import TWO_COLUMNS, LineStyle, label, plain, value_in_print
from corephys.figures.tracks import depth_axis, span
from corephys.ground import companions, flags
from corephys.hole import composite
from corephys.hole.composite.core_shifts import TIED, placements, shifts_in_metres
from corephys.hole.composite.sequences import sequence_in_metres

__all__ = ["hole_shifts", "holes_overlay"]

# Colour, line style and symbol of each hole; distinct by lightness and dashes, not by hue alone.
_HOLES: tuple[tuple[str, LineStyle, str], ...] = (
    ("black", "-", "o"),
    ("#D55E00", (0, (5, 1.5)), "s"),
    ("#0072B2", "-", "^"),
    ("#009E73", (0, (2, 1)), "D"),
    ("0.7", "-", "v"),
    ("#7A4E9E", (0, (6, 1, 1, 1)), "P"),
)


def holes_overlay(
    properties: Mapping[str, xr.Dataset],
    shifts: xr.Dataset,
    *,
    quantity: str = "bulk_density",
    sequence: xr.Dataset | None = None,
    top: float | None = None,
    bottom: float | None = None,
) -> Plate:
    """Draw a quantity of several holes side by side on composite depth.

    Parameters
    ----------
    properties : mapping of str to Dataset
        Properties by hole, with the quantity along ``reading`` and the coordinates core and
        depth [m].
    shifts : Dataset
        Result of ``cp.composite.shifts``.
    quantity : str
        Quantity to draw.
    sequence : Dataset, optional
        Result of ``cp.composite.checked_sequence``; a strip shows the hole of each interval.
    top, bottom : float, optional
        Ends of the composite depth that is drawn [m].

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with a track for each hole on one depth axis.

    Raises
    ------
    NothingToDraw
        If no hole has a usable reading of the quantity.
    """
    placed = {
        hole: composite.place(data, hole=hole, shifts=shifts)
        for hole, data in properties.items()
        if quantity in data
    }
    held, counts = {}, []
    for hole, unsorted in placed.items():
        # A line is drawn from row to row, so that rows have to be in the order of depth.
        data = unsorted.isel(reading=np.argsort(unsorted["depth_composite"].values, kind="stable"))
        value = data[quantity].values.astype(float)
        depth = data["depth_composite"].values.astype(float)
        use = flags.usable(data[f"{quantity}_flag"].values) & np.isfinite(value + depth)
        if use.any():
            # A line has a gap where a reading is not used.
            held[hole] = (np.where(use, value, np.nan), depth, data["core"].values.astype(str))
            counts.append(f"hole {hole} {int(use.sum())} of {use.size}")
    if not held:
        raise NothingToDraw(
            f"the figure holes_overlay needs a usable {quantity} and shifts of its cores; "
            f"none of the holes {', '.join(properties) or '(none given)'} has both"
        )
    shown = [z[np.isfinite(v)] for v, z, _ in held.values()]
    low = min(z.min() for z in shown) if top is None else top
    high = max(z.max() for z in shown) if bottom is None else bottom
    # All holes have the same axis, so that values can be compared across tracks.
    every = np.concatenate([v[np.isfinite(v)] for v, _, _ in held.values()])
    ends = span(
        [Series(quantity, "", every, every, np.zeros(every.size), np.ones(every.size, int))]
    )
    with new_plate(TWO_COLUMNS, 150.0) as figure:
        strip = sequence is not None
        axes = figure.subplots(
            1,
            len(held) + strip,
            sharey=True,
            squeeze=False,
            width_ratios=[1.0] * len(held) + [0.35] * strip,
        )[0]
        for place, (hole, (value, depth, core)) in enumerate(held.items()):
            ink = _HOLES[place % len(_HOLES)][0]
            panel = f"{label(quantity)} of hole {hole} against composite depth [m]"
            # A line must not join two cores: depths may overlap or leave a gap.
            for name in dict.fromkeys(core):
                mine = (core == name) & (depth >= low) & (depth <= high)
                if np.isfinite(value[mine]).any():
                    plate.curve(
                        axes[place],
                        panel,
                        f"hole {hole}, core {name}",
                        value[mine],
                        depth[mine],
                        colour=ink,
                    )
                    axes[place].lines[-1].set_linewidth(0.6)
            axes[place].set_xlim(*ends)
            axes[place].set_title(f"hole {plain(hole)}", loc="left")
            axes[place].set_xlabel(label(quantity).replace(" [", "\n["))
        if sequence is not None:
            _strip(axes[-1], sequence_in_metres(sequence), list(held), low, high)
        depth_axis(axes[0], high, low, words=label("depth_composite"))
    also = "" if sequence is None else ", and the hole of each interval of the sequence"
    what = (
        f"{label(quantity).partition(' [')[0].capitalize()} of {len(held)} holes on composite "
        f"depth{also}. Usable readings: {', '.join(counts)}; lines break where one is not used."
    )
    first = next(iter(placed.values()))
    return describe(figure, what, first, shifts, depth_scale="depth_composite")


def _strip(axes: Axes, sequence: xr.Dataset, holes: list[str], low: float, high: float) -> None:
    """Draw the hole of each interval of the sequence, a column for each hole."""
    names = sequence["hole"].values.astype(str)
    top, bottom = (sequence[f"{end}_composite"].values.astype(float) for end in ("top", "bottom"))
    for place, hole in enumerate(holes):
        mine = (names == hole) & (bottom > low) & (top < high)
        if not mine.any():
            continue
        ink = _HOLES[place % len(_HOLES)][0]
        plate.boxes(
            axes,
            "sequence",
            f"hole {hole}",
            top[mine],
            bottom[mine],
            width=1.0,
            colour=ink,
            edge="white",
        )
        # boxes() draws from zero; the column of a hole begins at its number.
        for patch in axes.patches[-int(mine.sum()) :]:
            patch.set_x(float(place))
    axes.set_xlim(0.0, float(len(holes)))
    axes.set_xticks(np.arange(len(holes)) + 0.5, holes)
    axes.set_title("sequence", loc="left")


def hole_shifts(shifts: xr.Dataset, *, growth: xr.Dataset | None = None) -> Plate:
    """Draw the shift of each core against its depth, and the growth factor.

    Parameters
    ----------
    shifts : Dataset
        Result of ``cp.composite.shifts``.
    growth : Dataset, optional
        Result of ``cp.composite.growth_factor``, drawn as a line.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide; filled symbols are tied, open ones untied.

    Raises
    ------
    NothingToDraw
        If ``shifts`` holds no core.
    """
    if "shift" not in shifts or not shifts["shift"].size:
        raise NothingToDraw(
            "the figure hole_shifts needs the result of cp.composite.shifts with at least one core"
        )
    shifts = shifts_in_metres(shifts)
    hole = shifts["hole"].values.astype(str)
    depth, shift = (shifts[name].values.astype(float) for name in ("core_top", "shift"))
    u = shifts["shift_u_random"].values.astype(float)
    # An untied core has the shift of its neighbour above, which is no measurement.
    sure = np.isin(placements(shifts), TIED)
    panel = "shift [m] against top of the core [m]"
    with new_plate(TWO_COLUMNS, 78.0) as figure:
        axes = figure.add_subplot()
        keys = []
        for place, name in enumerate(dict.fromkeys(hole)):
            ink, _, marker = _HOLES[place % len(_HOLES)]
            for which, words in ((sure, "tied"), (~sure, "untied, not measured")):
                mine = (hole == name) & which & np.isfinite(shift)
                if not mine.any():
                    continue
                flag = np.where(sure[mine], 1, 3)
                plate.points(
                    axes,
                    panel,
                    f"hole {name}, {words}",
                    depth[mine],
                    shift[mine],
                    y_error=np.where(sure, u, np.nan)[mine],
                    flag=flag,
                    colour=ink,
                    marker=marker,
                )
            keys.append(symbol_key(f"hole {plain(name)}", marker, ink))
        if growth is not None:
            growth = companions.library_units(growth)
            factor = float(growth["growth_factor"])
            spread = float(growth["growth_factor_u_random"])
            x = np.array([0.0, float(depth.max())])
            plate.curve(axes, panel, "growth", x, (factor - 1.0) * x, colour="0.4", style="--")
            note(axes, f"dashed: growth factor {value_in_print(factor, spread)}", top=False)
        axes.set_xlabel("top of the core, depth below seafloor [m]")
        axes.set_ylabel("shift onto composite depth [m]")
        axes.legend(handles=keys, loc="upper left")
    what = "Shift of each core onto composite depth against its depth; pale: untied."
    return describe(figure, what, shifts, growth)
