"""What is done to a figure after its artists are drawn: panels by name, scales, legends, decimals.

The caption is written afterwards, so that its counts are those of the adapted figure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from matplotlib import ticker
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.container import ErrorbarContainer
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from corephys.figures import look
from corephys.figures.style import SEAFLOOR
from corephys.ground.vocabulary import TERMS

# Names that a quantity against depth or age has on its other axis.
_NEVER_SCALED = ("depth", "depth_fitted", "depth_composite", "age")


class Record(Protocol):
    """One artist and its data, as a plate keeps it."""

    columns: Mapping[str, Any]
    kind: str

    @property
    def artist(self) -> Any:
        """What matplotlib draws."""

    @property
    def axes(self) -> Axes:
        """Axes of the artist."""


# --------------------------------------------------------------------------------------------------
# Panels by name.


def named_panels(axes: Sequence[Axes], records: Sequence[Record]) -> dict[str, Axes]:
    """Axes of a figure by name: the quantity of the panel, else its words.

    The names are written as labels of the axes, which matplotlib does not draw.
    """
    words = {one.long_name.lower(): name for name, one in TERMS.items()}
    words |= {
        _quantity_of(str(text)).lower(): name for name, text in look.option("labels", {}).items()
    }
    first: dict[int, str] = {}
    for record in records:
        if not np.size(record.columns["x"]):
            continue
        first.setdefault(id(record.axes), str(record.columns["panel"]))
    found: dict[str, Axes] = {}
    for number, one in enumerate(axes, 1):
        name = str(one.get_label())
        if not name or name in found:
            panel = _quantity_of(first.get(id(one), f"panel {number}"))
            name = words.get(panel.lower(), re.sub(r"\W+", "_", panel).strip("_"))
            stem, copy = name, 2
            while name in found:
                name, copy = f"{stem}_{copy}", copy + 1
        if not one.get_label():
            one.set_label(name)
        found[name] = one
    return found


def _quantity_of(panel: str) -> str:
    """Words of the quantity in the name of a panel."""
    return " ".join(re.split(r" \[| against ", panel)[0].split())


# --------------------------------------------------------------------------------------------------
# Scales.


def log_ticks(axis: Axis) -> None:
    """Label decades, or as many further values as an axis of few decades needs."""
    low, high = sorted(axis.get_view_interval())
    axis.set_minor_formatter(ticker.NullFormatter())
    for subs in ((1.0,), (1.0, 3.0), (1.0, 2.0, 5.0)):
        powers = 10.0 ** np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
        shown = np.outer(powers, subs)
        if ((shown >= low) & (shown <= high)).sum() >= 2:
            axis.set_major_locator(ticker.LogLocator(subs=subs))
            if len(subs) < 3:
                axis.set_major_formatter(ticker.LogFormatterSciNotation(labelOnlyBase=False))
            else:
                axis.set_major_formatter(ticker.FuncFormatter(lambda value, _: f"{value:g}"))
            return
    axis.set_major_locator(ticker.FixedLocator(ticker.MaxNLocator(4).tick_values(low, high)))
    axis.set_major_formatter(ticker.FuncFormatter(lambda value, _: f"{value:g}"))


def set_scales(panels: Sequence[Axes], records: Sequence[Record]) -> None:
    """Give the axes of quantities the scales of the caller."""
    scale = look.option("scale")
    if scale is None:
        return
    done = 0
    for axes in panels:
        here = [one for one in records if one.kind in ("points", "curve") and one.axes is axes]
        if not here:
            continue
        for side in ("x", "y"):
            words = _words_on(axes, side)
            name = _quantity_of_words(words)
            if not words or name in _NEVER_SCALED:
                continue
            wanted = look.chosen().of("scale", name) if name else None
            if isinstance(scale, str):
                # Axes that cross zero, such as residuals, stay as they are.
                wanted = None if scale == "log" and _crosses_zero(here, side) else scale
            if wanted is not None:
                _set_scale(axes, side, str(wanted), here, name)
                done += 1
    if isinstance(scale, str) and not done:
        raise ValueError(
            f"scale is {scale!r}, and no axis of this figure can have it; leave out scale="
        )


def _words_on(axes: Axes, side: str) -> str:
    """Label of an axis, its own or of axes that share it; empty without one."""
    shared = getattr(axes, f"get_shared_{side}_axes")().get_siblings(axes)
    held = (" ".join(getattr(one, f"get_{side}label")().split()) for one in (axes, *shared))
    return next(filter(None, held), "")


def _quantity_of_words(text: str) -> str:
    """Quantity of the vocabulary that a label names; empty without one."""
    # Depths have several labels, all with these words first.
    if text.startswith(SEAFLOOR.partition(" [")[0]):
        return "depth"
    words = {name: one.long_name for name, one in TERMS.items()}
    words |= {name: _quantity_of(str(mine)) for name, mine in look.option("labels", {}).items()}
    fits = [
        (len(said), name)
        for name, said in words.items()
        if re.match(rf"{re.escape(said)}(?: \[|,|$)", text)
    ]
    return max(fits)[1] if fits else ""


def _crosses_zero(records: Sequence[Record], side: str) -> bool:
    """Whether a usable value on an axis is not positive."""
    return any((_numbers(one, side) <= 0.0).any() for one in records if _used(one))


def _used(record: Record) -> bool:
    """Whether a record holds usable points, or a curve."""
    return not str(record.columns["series"]).endswith(", flagged")


def _numbers(record: Record, side: str) -> np.ndarray:
    """Values of a record on an axis, without missing ones."""
    values = np.ravel(np.asarray(record.columns[side], dtype=float))
    return values[np.isfinite(values)]


def _set_scale(axes: Axes, side: str, scale: str, records: Sequence[Record], name: str) -> None:
    """Change one axis; values that are not positive lie off a logarithmic one."""
    axis: Axis = getattr(axes, f"{side}axis")
    if axis.get_scale() == scale:
        return
    ends = getattr(axes, f"get_{side}lim")()
    low, high = sorted(ends)
    if scale == "log":
        known = [_numbers(one, side) for one in records if _used(one)]
        values = np.concatenate(known or [np.zeros(0)])
        values = values[(values > 0.0) & (values <= high)]
        if not values.size:
            raise ValueError(
                f"scale is 'log' for {name or axis.get_label_text()!r}, of which this figure draws "
                "no positive value; leave it linear"
            )
        if low <= 0.0:
            low = 0.8 * float(values.min())
    getattr(axes, f"set_{side}scale")(scale)
    getattr(axes, f"set_{side}lim")((low, high) if ends[0] < ends[1] else (high, low))
    if scale == "log":
        log_ticks(axis)
    else:
        axis.set_major_locator(ticker.MaxNLocator(4))
        axis.set_major_formatter(ticker.ScalarFormatter())


# --------------------------------------------------------------------------------------------------
# Legends.


def entries(records: Sequence[Record]) -> list[Line2D | Patch]:
    """Entries of a legend for what is drawn, each series once."""
    found: dict[str, Line2D | Patch] = {}
    for record in records:
        name = str(record.columns["series"])
        if name in found or record.kind not in ("points", "curve", "band", "fill"):
            continue
        artist = record.artist
        if record.kind in ("band", "fill"):
            found[name] = Patch(facecolor=artist.get_facecolor()[0], label=name)
            continue
        line = artist.lines[0] if isinstance(artist, ErrorbarContainer) else artist
        key = Line2D([], [])
        key.update_from(line)
        key.set(label=name, rasterized=False)
        if line.get_marker() == ".":
            key.set_markersize(max(line.get_markersize(), 4.0))
        found[name] = key
    return list(found.values())


def moved_legends(panels: Sequence[Axes]) -> list[Any]:
    """Remove the legends of the axes; return their entries, each word once."""
    found: dict[str, Any] = {}
    for axes in panels:
        legend = axes.get_legend()
        if legend is None:
            continue
        for handle, text in zip(legend.legend_handles, legend.get_texts(), strict=True):
            if handle is not None:
                handle.set_label(text.get_text())
                found.setdefault(text.get_text(), handle)
        legend.remove()
    return list(found.values())


# --------------------------------------------------------------------------------------------------
# The decimal sign.


class _Decimals(ticker.Formatter):
    """Formatter that writes the labels of another one with a decimal comma.

    Parameters
    ----------
    inner : Formatter
        The other formatter.
    """

    def __init__(self, inner: ticker.Formatter) -> None:
        self._inner = inner

    def __call__(self, x: float, pos: int | None = None) -> str:
        return self._with_comma(self._inner(x, pos))

    def set_axis(self, axis: Any) -> None:
        """Take an axis.

        Parameters
        ----------
        axis : Axis
            Axis whose ticks are labelled.
        """
        super().set_axis(axis)
        self._inner.set_axis(axis)

    def set_locs(self, locs: Any) -> None:
        """Take the positions of the ticks.

        Parameters
        ----------
        locs : array_like
            Positions.
        """
        super().set_locs(locs)
        self._inner.set_locs(locs)

    def get_offset(self) -> str:
        """Words at the end of the axis.

        Returns
        -------
        str
            Those of the other formatter.
        """
        return self._with_comma(self._inner.get_offset())

    @staticmethod
    def _with_comma(words: str) -> str:
        # In mathematical text a bare comma is followed by a gap.
        sign = "{,}" if "$" in words else ","
        return re.sub(r"(?<=\d)\.(?=\d)", sign, words)


def set_decimals(panels: Sequence[Axes]) -> None:
    """Write the numbers of all axes with the decimal sign of the caller."""
    if look.option("decimal") != ",":
        return
    for axis in _axis_of(panels):
        for which in ("major", "minor"):
            held = getattr(axis, f"get_{which}_formatter")()
            if not isinstance(held, (_Decimals, ticker.NullFormatter)):
                getattr(axis, f"set_{which}_formatter")(_Decimals(held))


def _axis_of(panels: Sequence[Axes]) -> Iterator[Axis]:
    for axes in panels:
        yield from (axes.xaxis, axes.yaxis)
