"""Small pictures of the page of the newest core, written as SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from corephys.figures.style import FLAGGED
from corephys.watch.core import Channel, Middle, Part, Standard

__all__ = ["checks", "power_of_ten", "track", "trend"]

_WIDTH, _HEIGHT = 300.0, 390.0
_LEFT, _RIGHT, _TOP, _BOTTOM, _BETWEEN = 34.0, 20.0, 6.0, 24.0, 10.0
_SHORTEST = 1.0  # m of core that a panel is at least high enough for
_DENSE = 3.0  # readings a pixel row above which a row is one bar
_GREY = f"#{round(float(FLAGGED) * 255):02x}" + f"{round(float(FLAGGED) * 255):02x}" * 2
_LINEAR_UP_TO = 5.0  # the rule of the figures for a logarithmic axis
_STEPS = (1.0, 2.0, 5.0)
_SMALL = 0.01  # numbers below it are printed with a power of ten


def power_of_ten(values: np.ndarray) -> int:
    """Power of ten by which small numbers are multiplied in print.

    Parameters
    ----------
    values : (n,) ndarray
        Values; those that are no numbers are left out.

    Returns
    -------
    int
        0, or a negative multiple of three where the largest value is below 0.01.
    """
    known = np.abs(values[np.isfinite(values)])
    largest = float(np.quantile(known, 0.98)) if known.size else 0.0
    if largest <= 0.0 or largest >= _SMALL:
        return 0
    return 3 * math.floor(math.log10(largest) / 3.0)


class _Axis:
    """Values to pixels, linear or logarithmic."""

    def __init__(self, low: float, high: float, logarithmic: bool) -> None:
        self.logarithmic = logarithmic
        self.low, self.high = low, high
        self._ends = (math.log10(low), math.log10(high)) if logarithmic else (low, high)

    def x(self, values: np.ndarray) -> np.ndarray:
        """Pixels from the left; NaN for what a logarithmic axis cannot show."""
        if self.logarithmic:
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.where(values > 0.0, np.log10(values), np.nan)
        low, high = self._ends
        share = (values - low) / (high - low)
        return np.asarray(_LEFT + share * (_WIDTH - _LEFT - _RIGHT))

    def ticks(self) -> list[float]:
        """Three to six round values."""
        if self.logarithmic:
            first, last = math.floor(self._ends[0]), math.ceil(self._ends[1])
            every = [m * 10.0**e for e in range(first, last + 1) for m in _STEPS]
            inside = [t for t in every if self.low <= t <= self.high]
            decades = [t for t in inside if abs(math.log10(t) % 1.0) < 1e-9]
            return decades if len(decades) > 2 else inside
        return _round_values(self.low, self.high, 4)


def _round_values(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two ends."""
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((s * power for s in (*_STEPS, 10.0) if s * power >= rough), 10.0 * power)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _axis(channel: Channel) -> _Axis | None:
    """Limits from usable readings, from any number where there is none; None without numbers."""
    parts = (channel.above, channel.newest)
    every = np.concatenate([part.value for part in parts])
    good = np.concatenate([part.value[part.good] for part in parts])
    every = every[np.isfinite(every)]
    if not every.size:
        return None
    # Without a usable reading the flagged ones are shown, but for the most extreme of them.
    ends = (good.min(), good.max()) if good.size else np.quantile(every, (0.05, 0.95))
    low, high = float(ends[0]), float(ends[1])
    if channel.logarithmic and low > 0.0 and high > _LINEAR_UP_TO * low:
        return _Axis(0.85 * low, 1.15 * high, True)
    room = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    return _Axis(low - room, high + room, False)


def track(
    channel: Channel,
    length_above: float,
    length: float,
    names: tuple[str, str],
    sections: tuple[
        Sequence[tuple[str, float, float]],
        Sequence[tuple[str, float, float]],
    ],
    power: int = 0,
) -> str:
    """Readings of the newest core below those of the core above, by offset from the core's top.

    Parameters
    ----------
    channel : Channel
        Readings of both cores.
    length_above, length : float
        Lengths of the cores [m]; 0 for a core that is not there.
    names : tuple of str
        Name of the core above, empty for none, and of the newest core.
    sections : tuple of sequences
        Name, start and length [m] of the sections of both cores.
    power : int
        Power of ten that the numbers of the axis are divided by.

    Returns
    -------
    str
        One ``<svg>`` element. Readings that products do not use are pale as in figures, and stand
        as triangles at the edge where they lie beyond the axis.
    """
    axis = _axis(channel)
    words = f"{channel.words}, core {names[1]}" + (f" below core {names[0]}" if names[0] else "")
    parts = [
        f'<svg viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" aria-label="{escape(words)}">',
    ]
    long_above = max(length_above, _SHORTEST) if names[0] else 0.0
    long_here = max(length, _SHORTEST)
    between = _BETWEEN if names[0] else 0.0
    scale = (_HEIGHT - _TOP - _BOTTOM - between) / (long_above + long_here)
    panels = [(channel.newest, _TOP + long_above * scale + between, long_here, names[1], 1)]
    if names[0]:
        panels.insert(0, (channel.above, _TOP, long_above, names[0], 0))
    for part, top, long, name, which in panels:
        parts += _panel(part, axis, top, scale, long, name, sections[which], channel, which == 1)
    if axis is None:
        parts.append(_text(_WIDTH / 2, _HEIGHT / 2, "no numbers", "middle", 16))
    else:
        for tick in axis.ticks():
            x = float(axis.x(np.array([tick]))[0])
            parts.append(
                f'<path d="M{x:.1f} {_HEIGHT - _BOTTOM:.1f}v4" stroke="#555"/>'
                + _text(x, _HEIGHT - _BOTTOM + 17, _number(tick / 10.0**power), "middle", 13)
            )
    return "".join([*parts, "</svg>"])


def _panel(
    part: Part,
    axis: _Axis | None,
    top: float,
    scale: float,
    long: float,
    name: str,
    sections: Sequence[tuple[str, float, float]],
    channel: Channel,
    newest: bool,
) -> list[str]:
    """Frame, section ends and readings of one core."""
    height = long * scale
    fill, edge = ("#fff", "#111") if newest else ("#f1f1ee", "#999")
    parts = [
        f'<rect x="{_LEFT:g}" y="{top:.1f}" width="{_WIDTH - _LEFT - _RIGHT:g}" '
        f'height="{height:.1f}" fill="{fill}" stroke="{edge}" '
        f'stroke-width="{1.6 if newest else 1}"/>'
    ]
    last = -math.inf
    for label, start, length in sections:
        y = top + start * scale
        if start > 0.0:
            parts.append(
                f'<path d="M{_LEFT:g} {y:.1f}H{_WIDTH - _RIGHT:g}" stroke="#bbb" '
                'stroke-dasharray="3 3"/>'
            )
        middle = y + 0.5 * length * scale
        if middle - last >= 13.0 and len(label) <= 3:
            parts.append(_text(_WIDTH - _RIGHT + 4, middle + 4, label, "start", 12, "#666"))
            last = middle
    for tick in _round_values(0.0, long, 5 if long * scale > 120 else 2):
        parts.append(_text(_LEFT - 4, top + tick * scale + 4, _number(tick), "end", 12, "#444"))
    parts.append(
        f'<text transform="translate(10 {top + height / 2:.1f}) rotate(-90)" '
        f'text-anchor="middle" font-size="14" font-weight="{700 if newest else 400}">'
        f"core {escape(name)}</text>"
    )
    if axis is not None:
        parts += _readings(part, axis, top, scale, channel.colour)
        parts += _boundary_marks(part, axis, top, scale, channel, newest)
    return parts


def _readings(part: Part, axis: _Axis, top: float, scale: float, colour: str) -> list[str]:
    """Dots of a scan, pale ones first; one bar a pixel row where readings lie closer."""
    y, x = top + part.offset * scale, axis.x(part.value)
    held = np.isfinite(part.value) & np.isfinite(y)
    low, high = _LEFT + 2.0, _WIDTH - _RIGHT - 2.0
    # A value that a logarithmic axis cannot show lies beyond its left end.
    x = np.where(held & ~np.isfinite(x), low - 9.0, x)
    outside = held & ((x < low - 1.0) | (x > high + 1.0))
    found = []
    for which, ink in ((held & ~part.good, _GREY), (held & part.good, colour)):
        here = which & ~outside
        if here.any():
            found.append(
                f'<path d="{_dots(x[here], y[here])}" stroke="{ink}" stroke-width="3.2" '
                'stroke-linecap="round" fill="none"/>'
            )
    if outside.any():
        marks = "".join(
            f"M{low:.0f} {at:.1f}l6-3v6z" if left else f"M{high:.0f} {at:.1f}l-6-3v6z"
            for at, left in zip(y[outside], x[outside] < low, strict=True)
        )
        found.append(f'<path d="{marks}" fill="#8a8a8a"/>')
    return found


def _dots(x: np.ndarray, y: np.ndarray) -> str:
    """Path of dots, or of a bar from the least to the greatest value in each pixel row."""
    rows = np.round(y)
    order = np.lexsort((x, rows))
    rows, x, y = rows[order], x[order], y[order]
    starts = np.flatnonzero(np.append(True, rows[1:] != rows[:-1]))
    if x.size > _DENSE * starts.size:
        ends = np.append(starts[1:], x.size) - 1
        return "".join(
            f"M{x[a]:.1f} {rows[a]:.0f}H{max(x[b], x[a] + 0.01):.1f}"
            for a, b in zip(starts, ends, strict=True)
        )
    return "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x, y, strict=True))


def _boundary_marks(
    part: Part, axis: _Axis, top: float, scale: float, channel: Channel, newest: bool
) -> list[str]:
    """The median at the boundary as a short black line over the readings that gave it."""
    if not part.offset.size:
        return []
    reach = channel.width / 100.0
    end = float(np.nanmax(part.offset))
    which = part.good & ((part.offset <= reach) if newest else (part.offset >= end - reach))
    if not which.any():
        return []
    x = float(axis.x(np.array([np.median(part.value[which])]))[0])
    first = top if newest else top + (end - reach) * scale
    mark = f"M{x:.1f} {first:.1f}v{reach * scale:.1f}"
    return [f'<path d="{mark}" stroke="#000" stroke-width="2.4"/>']


def trend(middles: Sequence[tuple[str, Middle]], colour: str) -> str:
    """Medians of the last cores, the newest at the right.

    Parameters
    ----------
    middles : sequence of (str, Middle)
        Name and median of each core.
    colour : str
        Colour of the symbols.

    Returns
    -------
    str
        One ``<svg>`` element; empty for fewer than two medians.
    """
    known = [(i, middle) for i, (_, middle) in enumerate(middles) if middle.n]
    if len(known) < 2:
        return ""
    width, height = _WIDTH, 78.0
    error = [m.u if np.isfinite(m.u) else 0.0 for _, m in known]
    low = min(m.value - e for (_, m), e in zip(known, error, strict=True))
    high = max(m.value + e for (_, m), e in zip(known, error, strict=True))
    spread = (high - low) or abs(high) or 1.0
    step = (width - 40.0) / max(1, len(middles) - 1)

    def place(i: int, value: float) -> tuple[float, float]:
        return 20.0 + i * step, 8.0 + (high - value) / spread * (height - 36.0)

    points = [place(i, m.value) for i, m in known]
    line = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    parts = [
        f'<svg viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="medians of the last {len(middles)} cores">'
        f'<path d="{line}" stroke="{colour}" fill="none" stroke-width="1.2" opacity="0.5"/>'
    ]
    for (i, m), e in zip(known, error, strict=True):
        x, y = place(i, m.value)
        if e:
            parts.append(
                f'<path d="M{x:.1f} {place(i, m.value + e)[1]:.1f}V{place(i, m.value - e)[1]:.1f}" '
                f'stroke="{colour}"/>'
            )
        size = 5.0 if i == len(middles) - 1 else 3.2
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size}" fill="{colour}"/>')
    for i, (name, _) in enumerate(middles):
        label = name if len(name) <= 4 else name[:3] + "…"
        weight = 700 if i == len(middles) - 1 else 400
        parts.append(_text(20.0 + i * step, height - 4.0, label, "middle", 12, "#333", weight))
    return "".join([*parts, "</svg>"])


def checks(standard: Standard, colour: str) -> str:
    """The last checks of a standard between their control limits.

    Parameters
    ----------
    standard : Standard
        Values with centre and limits.
    colour : str
        Colour of checks in control.

    Returns
    -------
    str
        One ``<svg>`` element. A check out of control is a black square.
    """
    width, height, left = 420.0, 74.0, 8.0
    held = np.concatenate([standard.value, standard.lower, standard.upper])
    held = held[np.isfinite(held)]
    low, high = float(held.min()), float(held.max())
    spread = (high - low) or abs(high) or 1.0
    n = standard.value.size
    step = (width - 2 * left) / max(1, n - 1)
    y = 8.0 + (high - standard.value) / spread * (height - 16.0)
    parts = [
        f'<svg viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="last {n} checks of {escape(standard.sensor)}">'
    ]
    if np.isfinite(standard.upper[-1]):
        top = 8.0 + (high - standard.upper[-1]) / spread * (height - 16.0)
        bottom = 8.0 + (high - standard.lower[-1]) / spread * (height - 16.0)
        middle = 8.0 + (high - standard.centre[-1]) / spread * (height - 16.0)
        parts.append(
            f'<rect x="0" y="{top:.1f}" width="{width:g}" height="{bottom - top:.1f}" '
            f'fill="#eef3ee"/><path d="M0 {middle:.1f}H{width:g}" stroke="#999"/>'
        )
    for i in range(n):
        x = left + i * step
        if standard.in_control[i]:
            parts.append(f'<circle cx="{x:.1f}" cy="{y[i]:.1f}" r="3.4" fill="{colour}"/>')
        else:
            parts.append(f'<rect x="{x - 4:.1f}" y="{y[i] - 4:.1f}" width="8" height="8"/>')
    return "".join([*parts, "</svg>"])


def _number(value: float) -> str:
    """A round number without needless zeros."""
    return f"{value + 0.0:.6g}".replace("-", "−")


def _text(
    x: float,
    y: float,
    words: str,
    anchor: str,
    size: int,
    colour: str = "#222",
    weight: int = 400,
) -> str:
    """Text of a picture."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" '
        f'font-weight="{weight}" fill="{colour}">{escape(words)}</text>'
    )
