"""Figures of several holes: quantities side by side, shifts of cores, calibrations in time."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Unpack

import matplotlib.ticker
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.plate import Plate, line_key, new_plate, note, symbol_key
from corephys.figures.reading import NothingToDraw, Series, node
from corephys.figures.standards import control_charts
from corephys.figures.style import (
    PAGE,
    SEAFLOOR,
    SEALED_SOURCE,
    TWO_COLUMNS,
    LineStyle,
    label,
    plain,
    unit_in_print,
    value_in_print,
)
from corephys.figures.tracks import depth_axis, set_usual_scale, span
from corephys.ground import companions, flags
from corephys.ground.choices import choice
from corephys.ground.registry import SENSORS
from corephys.ground.vocabulary import TERMS
from corephys.hole import composite
from corephys.hole.composite.core_shifts import TIED, placements, shifts_in_metres
from corephys.hole.composite.folder import hole_names, hole_of, is_site
from corephys.hole.composite.sequences import sequence_in_metres

__all__ = ["calibration_history", "hole_shifts", "holes", "holes_overlay", "site_figures"]

# Colour, line style and symbol of each hole; distinct by lightness and dashes, not by hue alone.
_HOLES: tuple[tuple[str, LineStyle, str], ...] = (
    ("black", "-", "o"),
    ("#D55E00", (0, (5, 1.5)), "s"),
    ("#0072B2", "-", "^"),
    ("#009E73", (0, (2, 1)), "D"),
    ("0.7", "-", "v"),
    ("#7A4E9E", (0, (6, 1, 1, 1)), "P"),
)


@adaptable
def holes_overlay(
    properties: Mapping[str, xr.Dataset],
    shifts: xr.Dataset,
    *,
    quantity: str = "bulk_density",
    sequence: xr.Dataset | None = None,
    top: float | None = None,
    bottom: float | None = None,
    **options: Unpack[Look],
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
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

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
            axes[place].set_label(quantity if len(held) == 1 else f"{quantity}, hole {hole}")
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


@adaptable
def hole_shifts(
    shifts: xr.Dataset, *, growth: xr.Dataset | None = None, **options: Unpack[Look]
) -> Plate:
    """Draw the shift of each core against its depth, and the growth factor.

    Parameters
    ----------
    shifts : Dataset
        Result of ``cp.composite.shifts``.
    growth : Dataset, optional
        Result of ``cp.composite.growth_factor``, drawn as a line.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide. Open symbols in the colour of the hole are tied,
        filled grey ones untied.

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
    what = "Shift of each core onto composite depth against its depth; filled grey: untied."
    return describe(figure, what, shifts, growth)


# --------------------------------------------------------------------------------------------------
# Quantities of reduced holes on one axis of depth, composite depth or age.


_AXES = ("depth_composite", "depth", "depth_fitted", "age")
_SCAN_FROM = 100  # values from which a series is drawn as dots without bars
_LOOSE = "0.57"  # grey of readings in cores whose composite depth no tie determines
_OTHER_HOMES = {"porosity": "products/porosity"}


@dataclass(frozen=True)
class _Track:
    """A quantity of one hole as plain arrays, with the leaf that it is from."""

    hole: str
    series: Series
    core: np.ndarray
    loose: np.ndarray
    data: xr.Dataset


@adaptable
def holes(
    holes: xr.DataTree | Mapping[str, xr.DataTree] | Sequence[xr.DataTree],
    quantities: str | Sequence[str] = "bulk_density",
    *,
    on: str | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw quantities of several reduced holes on one axis of depth or age.

    Parameters
    ----------
    holes : DataTree, mapping of str to DataTree, or sequence of DataTree
        A reduced site, or reduced holes by name; without names those of the holes.
    quantities : str or sequence of str
        One quantity is drawn in a track for each hole. Of several, each has a track with all
        holes.
    on : {"depth_composite", "depth", "depth_fitted", "age"}, optional
        Coordinate of the common axis. By default composite depth if all holes have it, and
        depth as laid out if not.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide. Flagged readings are grey. On composite depth and
        age, readings in cores whose depth no tie determines are grey.

    Raises
    ------
    NothingToDraw
        If no hole has a usable value of a quantity on this axis.
    ValueError
        If ``on`` is none of these.
    """
    trees = _trees(holes)
    names = (quantities,) if isinstance(quantities, str) else tuple(quantities)
    if on is None:
        on = "depth_composite" if _all_have(trees, names, "depth_composite") else "depth"
    on = choice(on, _AXES, "on")
    tracks = {
        name: [t for hole, tree in trees.items() if (t := _track(hole, tree, name, on)) is not None]
        for name in names
    }
    held = {name: found for name, found in tracks.items() if found}
    if not held:
        raise NothingToDraw(
            f"the figure holes needs a usable {' or '.join(names)} on {on} of at least one hole; "
            f"none of {', '.join(trees) or '(no hole)'} has it. Composite depth needs ties.csv, "
            "and age also ages.csv of the site"
        )
    words = label(on) if on in TERMS else SEAFLOOR
    every = [one for found in held.values() for one in found]
    with new_plate(TWO_COLUMNS, 150.0) as figure:
        if len(held) == 1:
            (name, found), *_ = held.items()
            axes = figure.subplots(1, len(found), sharey=True, squeeze=False)[0]
            ends = span([one.series for one in found])
            for one, track in zip(found, axes, strict=True):
                track.set_label(name if len(found) == 1 else f"{name}, hole {one.hole}")
                _alone(track, one, words)
                track.set_title(f"hole {plain(one.hole)}", loc="left")
                track.set_xlim(*ends)
                set_usual_scale(track, [one.series for one in found])
                track.set_xlabel(label(name).replace(" [", "\n["))
        else:
            axes = figure.subplots(1, len(held), sharey=True, squeeze=False)[0]
            order = list(trees)
            for (name, found), track in zip(held.items(), axes, strict=True):
                for one in found:
                    _overlaid(track, one, order.index(one.hole), words)
                track.set_xlim(*span([one.series for one in found]))
                set_usual_scale(track, [one.series for one in found])
                track.set_xlabel(label(name).replace(" [", "\n["))
            keys = [
                line_key(f"hole {plain(hole)}", *_HOLES[place % len(_HOLES)][:2])
                for place, hole in enumerate(order)
                if any(one.hole == hole for one in every)
            ]
            figure.legend(handles=keys, loc="outside upper right", ncols=len(keys))
        shown = np.concatenate([one.series.depth[np.isfinite(one.series.depth)] for one in every])
        for track in axes:
            if track.get_xscale() == "linear":
                track.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4))
        low, high = float(shown.min()), float(shown.max())
        room = 0.01 * ((high - low) or 1.0)
        depth_axis(axes, high + room, low - room, words=words)
    scale = None if on == "age" else on
    return describe(
        figure,
        _words_of_holes(held, on),
        *(one.data for one in every),
        depth_scale=scale,
        counted=False,
    )


def _words_of_holes(held: Mapping[str, Sequence[_Track]], on: str) -> str:
    """What the figure of holes shows, for its caption."""
    quantities = ", ".join(label(name).partition(" [")[0] for name in held)
    names = list(dict.fromkeys(one.hole for found in held.values() for one in found))
    axis = label(on).partition(" [")[0]
    what = f"{quantities[:1].upper()}{quantities[1:]} of holes {', '.join(names)} against {axis}."
    counts = "; ".join(
        f"{label(name).partition(' [')[0]} "
        + ", ".join(f"hole {one.hole} {_usable_of(one)} of {one.core.size}" for one in found)
        for name, found in held.items()
    )
    what += f" Usable values: {counts}. Lines break where a value is not used."
    loose = sum(int(one.loose.sum()) for found in held.values() for one in found)
    if loose:
        what += f" {loose} values are in cores whose composite depth no tie determines"
        what += ", drawn grey." if len(held) == 1 else "."
    return what


def _usable_of(one: _Track) -> int:
    """Number of usable values of a track."""
    part = one.series
    return int((flags.usable(part.flag) & np.isfinite(part.values + part.depth)).sum())


def _trees(holes: object) -> dict[str, xr.DataTree]:
    """Reduced holes by name."""
    if isinstance(holes, xr.DataTree):
        if is_site(holes):
            return {name: hole_of(holes, name) for name in hole_names(holes)}
        return {str(holes.attrs.get("title", "hole")): holes}
    if isinstance(holes, Mapping):
        return dict(holes)
    found: dict[str, xr.DataTree] = {}
    for number, tree in enumerate(holes, 1):  # type: ignore[var-annotated,arg-type]
        name = str(tree.attrs.get("title", number))
        found[name if name not in found else f"{name} ({number})"] = tree
    return found


def _leaf_of(tree: xr.DataTree, quantity: str) -> xr.Dataset | None:
    """The series of a quantity in a reduced hole: of its sensor, else the first that has it."""
    homes = {sensor.quantity: sensor.path for sensor in SENSORS.records()}
    first = homes.get(quantity, _OTHER_HOMES.get(quantity, ""))
    paths = [leaf.path.strip("/") for leaf in tree.leaves if quantity in leaf.data_vars]
    results = [path for path in paths if path.startswith(("properties/", "products/"))]
    for path in sorted(results, key=lambda path: path != first):
        data = node(tree, path)
        if data is not None and data[quantity].ndim == 1 and "depth" in data.coords:
            return data
    return None


def _all_have(trees: Mapping[str, xr.DataTree], names: Sequence[str], on: str) -> bool:
    """Whether every hole that has a quantity has it on an axis."""
    found = [data for tree in trees.values() for n in names if (data := _leaf_of(tree, n))]
    return bool(found) and all(on in data.coords for data in found)


def _track(hole: str, tree: xr.DataTree, name: str, on: str) -> _Track | None:
    """A quantity of one hole on an axis; None without a usable value."""
    data = _leaf_of(tree, name)
    if data is None or on not in data.coords:
        return None
    value, at = data[name].values.astype(float), data[on].values.astype(float)
    level = data[f"{name}_flag"].values if f"{name}_flag" in data else np.ones(value.size, int)
    if not (flags.usable(level) & np.isfinite(value + at)).any():
        return None
    known = f"{name}_u_random" in data and f"{name}_u_systematic" in data
    error = uncertainty.total(data, name).values if known else np.full(value.size, np.nan)
    loose = np.zeros(value.size, dtype=bool)
    if on in ("depth_composite", "age") and "placement" in data.coords:
        loose = ~np.isin(data["placement"].values.astype(str), TIED)
    core = np.full(value.size, "", dtype=object)
    if "core" in data.coords:
        core = np.broadcast_to(data["core"].values.astype(str), value.shape)
    return _Track(hole, Series(name, label(name), value, at, error, level), core, loose, data)


def _alone(axes: Axes, one: _Track, words: str) -> None:
    """Draw a quantity of one hole in a track: usable readings as a line, flagged ones grey."""
    part = one.series
    panel = f"{part.label} of hole {one.hole} against {words}"
    usual, other = f"hole {one.hole}", f"hole {one.hole}, core not tied"
    for which, name, ink in ((~one.loose, usual, "black"), (one.loose, other, _LOOSE)):
        if not which.any():
            continue
        if part.values.size > _SCAN_FROM:
            _line(axes, one, which, panel, name, ink, "-")
            continue
        plate.points(
            axes,
            panel,
            name,
            part.values[which],
            part.depth[which],
            flag=part.flag[which],
            x_error=part.error[which],
            colour=ink,
        )
    flagged = ~flags.usable(part.flag)
    if part.values.size > _SCAN_FROM and flagged.any():
        plate.points(
            axes,
            panel,
            usual,
            part.values[flagged],
            part.depth[flagged],
            flag=part.flag[flagged],
            small=True,
        )


def _overlaid(axes: Axes, one: _Track, place: int, words: str) -> None:
    """Draw a quantity of one hole beside those of others: a line, or symbols of few values."""
    ink, dashes, marker = _HOLES[place % len(_HOLES)]
    part = one.series
    panel = f"{part.label} against {words}"
    if part.values.size > _SCAN_FROM:
        every = np.ones(part.values.size, dtype=bool)
        _line(axes, one, every, panel, f"hole {one.hole}", ink, dashes)
        return
    plate.points(
        axes,
        panel,
        f"hole {one.hole}",
        part.values,
        part.depth,
        flag=part.flag,
        x_error=part.error,
        colour=ink,
        marker=marker,
    )


def _line(
    axes: Axes,
    one: _Track,
    which: np.ndarray,
    panel: str,
    name: str,
    ink: str,
    dashes: LineStyle,
) -> None:
    """Draw the usable readings ``which`` of a scan as a line with gaps between the cores."""
    part = one.series
    use = which & np.isfinite(part.depth)
    value = np.where(flags.usable(part.flag), part.values, np.nan)[use]
    at, core = part.depth[use], one.core[use]
    order = np.argsort(at, kind="stable")
    value, at, core = value[order], at[order], core[order]
    # A line must not join two cores: they may overlap, or leave a gap.
    parts = [np.flatnonzero(core == label) for label in dict.fromkeys(core)]
    x = np.concatenate([np.append(value[rows], np.nan) for rows in parts] or [np.empty(0)])
    y = np.concatenate([np.append(at[rows], np.nan) for rows in parts] or [np.empty(0)])
    plate.curve(axes, panel, name, x, y, colour=ink, style=dashes)
    axes.lines[-1].set_linewidth(0.6)


# --------------------------------------------------------------------------------------------------
# Constants of the calibrations of all holes against time.


_COLUMNS_OF_PANELS = 4
_LETTERS = 26  # of a line of the title of a panel
_PANEL, _ABOVE = 31.0, 16.0  # heights of a row of panels and of the rest [mm]


@adaptable
def calibration_history(
    site: xr.DataTree, *, sensor: str | None = None, **options: Unpack[Look]
) -> Plate:
    """Draw the constants that were fitted to standards against time, over all holes.

    Parameters
    ----------
    site : DataTree
        Reduced site with ``/site/calibrations``.
    sensor : str, optional
        Sensor whose constants are drawn; by default all sensors.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with a panel for each constant. Symbols tell the
        holes that used a calibration apart. Without any time the axis is the number of the
        calibration.

    Raises
    ------
    NothingToDraw
        If the site has no calibration, or none of this sensor.
    """
    table = node(site, "site/calibrations")
    there = [] if table is None else list(dict.fromkeys(table["sensor"].values.astype(str)))
    if table is None or (sensor is not None and sensor not in there):
        raise NothingToDraw(
            f"the figure calibration_history needs a calibration{f' of {sensor}' * bool(sensor)}; "
            f"this site has {', '.join(there) or 'none'}"
        )
    if sensor is not None:
        table = table.isel(row=table["sensor"].values.astype(str) == sensor)
    time = table["time"].values
    known = ~np.isnat(time)
    if known.any():
        first = time[known].min().astype("datetime64[D]")
        x = np.where(known, (time - first) / np.timedelta64(1, "D"), np.nan)
        axis = f"days since {first}"
    else:
        x, axis = np.full(time.size, np.nan), "number of the calibration"
    # One symbol may stand for several constants, such as the sensitivities of natural gamma.
    keys = list(zip(*(table[n].values for n in ("sensor", "constant", "meaning")), strict=True))
    panels = list(dict.fromkeys(keys))
    most = _COLUMNS_OF_PANELS * int((PAGE[1] - _ABOVE) // _PANEL)
    shown = panels[:most]
    rows = -(-len(shown) // _COLUMNS_OF_PANELS)
    users = list(dict.fromkeys(table["holes"].values.astype(str)))
    with new_plate(TWO_COLUMNS, _ABOVE + _PANEL * rows, site) as figure:
        for number, key in enumerate(shown, 1):
            mine = np.array([one == key for one in keys], dtype=bool)
            part = table.isel(row=mine)
            at = x[mine] if known.any() else np.arange(1.0, mine.sum() + 1.0)
            axes = figure.add_subplot(rows, _COLUMNS_OF_PANELS, number)
            twice = sum(one[:2] == key[:2] for one in panels) > 1
            _constant(axes, part, at, axis, users, str(key[2]) if twice else "")
            if number > len(shown) - _COLUMNS_OF_PANELS:
                axes.set_xlabel(axis)
        symbols = [
            symbol_key(
                f"hole {plain(user)}", _HOLES[i % len(_HOLES)][2], _HOLES[i % len(_HOLES)][0]
            )
            for i, user in enumerate(users)
        ]
        figure.legend(handles=symbols, loc="outside upper right", ncols=len(symbols))
        if "gamma" in there and sensor in (None, "gamma"):
            figure.supxlabel(SEALED_SOURCE, fontsize=4.8, color="0.35")
    what = "Constants fitted to standards against the mean time of the standards, over all holes."
    if len(panels) > len(shown):
        what += f" {len(panels) - len(shown)} more constants are in the table of calibrations."
    if known.any() and not known.all():
        what += f" {int((~known).sum())} values without a time are not drawn."
    return describe(figure, what, table, counted=False)


def _constant(
    axes: Axes,
    part: xr.Dataset,
    x: np.ndarray,
    axis: str,
    users: Sequence[str],
    meaning: str,
) -> None:
    """Draw one constant of a sensor against time, with its standard uncertainty."""
    sensor, symbol, unit = (str(part[name].values[0]) for name in ("sensor", "constant", "unit"))
    words = f"{sensor.replace('_', ' ')} {symbol}{f': {meaning}' * bool(meaning)}"
    panel = f"{words if unit == '1' else f'{words} [{unit}]'} against {axis}"
    for place, user in enumerate(users):
        mine = part["holes"].values.astype(str) == user
        if not mine.any():
            continue
        ink, _, marker = _HOLES[place % len(_HOLES)]
        plate.points(
            axes,
            panel,
            f"hole {user}",
            x[mine],
            part["value"].values[mine],
            y_error=part["value_u_random"].values[mine],
            colour=ink,
            marker=marker,
        )
    # The unit is in the title: beside four columns of panels there is no room for it.
    head = words if unit == "1" else f"{words} [{unit_in_print(unit)}]"
    axes.set_title("\n".join(textwrap.wrap(plain(head), _LETTERS)), loc="left", fontsize=5.5)
    axes.tick_params(labelsize=5.5)
    axes.margins(x=0.12, y=0.2)
    axes.ticklabel_format(axis="both", useOffset=False)
    low, high = axes.get_xlim()
    if high - low < 1.0:  # one time alone, or one day: its parts would be labelled
        axes.set_xlim((low + high) / 2 - 0.5, (low + high) / 2 + 0.5)
    axes.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(3))
    axes.yaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4))


def site_figures(site: xr.DataTree) -> dict[str, Plate]:
    """Draw every figure of a site that it has the data for.

    Parameters
    ----------
    site : DataTree
        Reduced site.

    Returns
    -------
    dict of str to Plate
        Figures by the names of their files: ``holes_<quantity>`` for each quantity of the scan,
        ``holes_<quantity>_by_age``, ``core_shifts``, ``control_charts`` and
        ``calibration_history``.
    """
    shifts = node(site, "site/shifts")
    growth = node(site, "site/growth")
    quantities = (*(sensor.quantity for sensor in SENSORS.records()), *_OTHER_HOMES)
    draw: dict[str, Callable[[], Plate]] = {
        f"holes_{name}": (lambda name=name: holes(site, name))  # type: ignore[misc]
        for name in quantities
    }
    draw |= {
        f"holes_{name}_by_age": (lambda name=name: holes(site, name, on="age"))  # type: ignore[misc]
        for name in quantities
    }
    if shifts is not None:
        draw["core_shifts"] = lambda: hole_shifts(shifts, growth=growth)
    draw["control_charts"] = lambda: control_charts(site)
    draw["calibration_history"] = lambda: calibration_history(site)
    found = {}
    for name, make in draw.items():
        try:
            found[name] = make()
        except NothingToDraw:
            continue
    return found
