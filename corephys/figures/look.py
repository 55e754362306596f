"""How a caller adapts a figure: one set of options that every figure function takes.

The decorator :func:`adaptable` takes the options out of a call and keeps them while the figure is
drawn. Labels, colours and symbols ask here for the choice of the caller; ``adapt.py`` applies the
rest to the finished figure.
"""

from __future__ import annotations

import functools
import inspect
import re
from collections.abc import Callable, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, Literal, ParamSpec, TypedDict, TypeVar

from matplotlib.axes import Axes
from matplotlib.colors import is_color_like

from corephys.ground.choices import choice

__all__ = ["Look"]

P = ParamSpec("P")
F = TypeVar("F")


class Look(TypedDict, total=False):
    """Options of every figure function; each is left as the figure has it if not given.

    Parameters
    ----------
    size : (float, float)
        Width and height in print [mm].
    title : str or None
        Text over the figure in place of the name of the hole; None for no text.
    notes : bool
        Words inside the axes. By default the numbers of a fit are written without the verdict on
        it; True adds the verdict, False leaves out both. The caption holds what is left out.
    legend : bool or "outside"
        False removes all legends. True adds one to a figure that has none. ``"outside"`` puts
        those of the axes below them.
    colours : mapping of str to colour
        Colour of a quantity (``"bulk_density"``) or of a series, by its name in the table of the
        figure (``"samples"``, ``"fit"``, ``"hole A"``).
    labels : mapping of str to str
        Words of a quantity on axes and in the caption. The unit is added in brackets, unless the
        words have a bracket ``[``.
    flagged : {"show", "hide", "edge"}
        Flagged points in grey, not at all, or as outlines in the colour of their series, whose
        other symbols are then filled. The caption counts those that are hidden.
    scale : {"log", "linear"} or mapping of str to these
        Scale of the axis of a quantity, or of all axes but those of depth and age.
    decimal : {".", ","}
        Sign before the decimals on axes and in notes; caption and table have a point.
    ax : Axes
        Axes of the caller, into which a figure of one panel is drawn.
    axes : sequence of Axes
        Axes of the caller, one for each panel from left to right.
    """

    size: tuple[float, float]
    title: str | None
    notes: bool
    legend: bool | Literal["outside"]
    colours: Mapping[str, Any]
    labels: Mapping[str, str]
    flagged: Literal["show", "hide", "edge"]
    scale: str | Mapping[str, str]
    decimal: Literal[".", ","]
    ax: Axes
    axes: Sequence[Axes]


OPTIONS = tuple(Look.__annotations__)


@dataclass
class Chosen:
    """The options of one call, and the names that the figure asked for.

    Parameters
    ----------
    options : Look
        Options that were given, checked.
    asked : mapping of str to set of str
        Names that the figure has for ``colours``, ``labels`` and ``scale``.
    """

    options: Look = field(default_factory=Look)
    asked: dict[str, set[str]] = field(
        default_factory=lambda: {"colours": set(), "labels": set(), "scale": set()}
    )

    def of(self, option: str, name: str) -> Any:
        """Choice for a quantity or series; None without one."""
        self.asked[option].add(name)
        given = self.options.get(option)
        return given.get(name) if isinstance(given, Mapping) else None


_CHOSEN: ContextVar[Chosen | None] = ContextVar("look", default=None)
_NONE = Chosen()


def chosen() -> Chosen:
    """The options of the figure that is being drawn."""
    return _CHOSEN.get() or _NONE


def option(name: str, default: Any = None) -> Any:
    """One option of the figure that is being drawn."""
    return chosen().options.get(name, default)


def colour_of(name: str, default: Any) -> Any:
    """Colour of a quantity or series: that of the caller, or the default."""
    if _CHOSEN.get() is None:
        return default
    found = chosen().of("colours", name)
    return default if found is None else found


def with_decimal(words: str) -> str:
    """Words with the decimal sign of the caller."""
    return re.sub(r"(?<=\d)\.(?=\d)", ",", words) if option("decimal") == "," else words


def adaptable(draw: Callable[P, F]) -> Callable[P, F]:
    """Let a figure function take the options of :class:`Look`.

    The function lists them as ``**look: Unpack[Look]`` for readers and type checkers, and gets
    none of them: they hold for everything that it draws.
    """
    own = [
        name
        for name, one in inspect.signature(draw).parameters.items()
        if one.kind is not inspect.Parameter.VAR_KEYWORD
    ]

    @functools.wraps(draw)
    def adapted(*args: P.args, **kwargs: P.kwargs) -> F:
        unknown = [name for name in kwargs if name not in own and name not in OPTIONS]
        if unknown:
            raise TypeError(
                f"{draw.__name__} has no argument {unknown[0]!r}; give one of {', '.join(own)}, or "
                f"to adapt the figure one of {', '.join(OPTIONS)}"
            )
        given: Any = {name: kwargs.pop(name) for name in OPTIONS if name in kwargs}
        if not given:
            return draw(*args, **kwargs)
        now = Chosen(_checked(given))
        token = _CHOSEN.set(now)
        try:
            figure = draw(*args, **kwargs)
        finally:
            _CHOSEN.reset(token)
        _refuse_unused(now)
        return figure

    return adapted


_ALLOWED: dict[str, tuple[Any, ...]] = {
    "legend": (True, False, "outside"),
    "notes": (True, False),
    "flagged": ("show", "hide", "edge"),
    "decimal": (".", ","),
}
_SCALES = ("log", "linear")
_NARROWEST, _WIDEST = 20.0, 2000.0  # sides of a figure [mm]; outside them the unit is mistaken


def _checked(given: Look) -> Look:
    """Options that can be used; ValueError for others."""
    for name, allowed in _ALLOWED.items():
        value = given.get(name, allowed[0])
        if not any(value is one or (isinstance(one, str) and value == one) for one in allowed):
            raise ValueError(
                f"{name} is {value!r}; expected one of {', '.join(map(repr, allowed))}"
            )
    if "size" in given:
        given["size"] = _size(given["size"])
    if given.get("title") is not None and not isinstance(given["title"], str):
        raise ValueError(f"title is {given['title']!r}; give a text, or None for no title")
    for name in ("colours", "labels"):
        held = given.get(name, {})
        if not isinstance(held, Mapping):
            example = "'#0072B2'" if name == "colours" else "'wet bulk density'"
            raise ValueError(
                f"{name} is {held!r}; give a mapping, such as {{'bulk_density': {example}}}"
            )
    for name, colour in given.get("colours", {}).items():
        if not is_color_like(colour):
            raise ValueError(
                f"colours has {colour!r} for {name!r}; give a colour of matplotlib, such as "
                "'#0072B2', 'black' or '0.4'"
            )
    for name, words in given.get("labels", {}).items():
        if not isinstance(words, str) or not words.strip():
            raise ValueError(f"labels has {words!r} for {name!r}; give a text")
    scale = given.get("scale", {})
    for one in scale.values() if isinstance(scale, Mapping) else (scale,):
        choice(one, _SCALES, "scale")
    if "ax" in given and "axes" in given:
        raise ValueError("ax= and axes= were both given; give only one of them")
    return given


def _size(size: object) -> tuple[float, float]:
    """Width and height [mm]."""
    try:
        width, height = map(float, size)  # type: ignore[call-overload]
    except (TypeError, ValueError):
        raise ValueError(
            f"size is {size!r}; give width and height in millimetres, such as (85, 110)"
        ) from None
    if not (_NARROWEST <= width <= _WIDEST and _NARROWEST <= height <= _WIDEST):
        raise ValueError(
            f"size is {width:g} by {height:g}; give width and height in millimetres, each from "
            f"{_NARROWEST:g} to {_WIDEST:g}"
        )
    return width, height


def _refuse_unused(now: Chosen) -> None:
    """Refuse names of quantities and series that the figure does not have."""
    for name, asked in now.asked.items():
        given = now.options.get(name, {})
        if not isinstance(given, Mapping):
            continue
        missing = [one for one in given if one not in asked]
        if missing:
            known = ", ".join(sorted(asked)) or "none"
            raise ValueError(
                f"{name} has {missing[0]!r}, which this figure does not have; names that it has: "
                f"{known}"
            )
