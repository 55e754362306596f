"""What all panels share: a picture, a number, what they leave behind, and the controls over it."""

from __future__ import annotations

import html
import importlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.widgets import SpanSelector

from corephys.figures.plate import Plate
from corephys.figures.style import SETTINGS
from corephys.ground.cards import picture_html

__all__ = ["Panel", "PanelError", "table_of"]

_DOTS = 110.0  # an inch of the picture


class PanelError(ValueError):
    """A panel cannot be made from what was given, or cannot be shown here."""


class Panel:
    """A thin skin over public functions that leaves a recipe change or a table behind.

    Notes
    -----
    All that a panel holds stands in ``changes`` or ``table``, and ``set`` does what its controls
    do, so that a notebook without widgets, or one that is run from top to bottom, says the same.
    In a page that is written out, and wherever ipywidgets is missing, its picture stands for it.
    """

    title = "panel"

    def __init__(self) -> None:
        self._watchers: list[Callable[[], None]] = []
        self._widget: Any = None

    @property
    def changes(self) -> dict[str, Any] | None:
        """What ``cp.reduce(hole, panel.changes)`` takes; None for a panel that leaves a table."""
        return None

    @property
    def table(self) -> pd.DataFrame | None:
        """Rows for a table of the hole; None for a panel that leaves a change of the recipe."""
        return None

    def figure(self) -> Plate:
        """The picture of what is chosen now."""
        raise NotImplementedError

    def said(self) -> str:
        """The number that the choice gives, in words."""
        raise NotImplementedError

    def _controls(self, widgets: Any) -> list[Any]:
        raise NotImplementedError

    def _trace(self, axes: Axes) -> None:
        """Draw what a span is chosen on."""

    def _span(self, low: float, high: float) -> None:
        """What a span that was dragged means."""

    _direction = "horizontal"  # of the span; empty where nothing is dragged
    _canvas_says_all = False  # whether the picture would show the same once more

    def left_behind(self) -> str:
        """The change or the rows, as text that can be pasted."""
        if self.changes is not None:
            return f"changes = {json.dumps(self.changes, ensure_ascii=False)}"
        table = self.table
        return "" if table is None else table.to_csv(index=False, lineterminator="\n").rstrip("\n")

    def _moved(self) -> None:
        for watcher in self._watchers:
            watcher()

    def __repr__(self) -> str:
        return "\n".join([self.title, self.said(), self.left_behind()])

    def _words_html(self) -> str:
        return (
            f"<div><b>{html.escape(self.title)}</b><br>{html.escape(self.said())}"
            f'<pre style="margin:0.3em 0">{html.escape(self.left_behind())}</pre></div>'
        )

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        picture = self.figure().picture(_DOTS)
        bundle: dict[str, Any] = {
            "text/plain": repr(self),
            "text/html": self._words_html() + picture_html(picture, self.title),
            "image/png": picture,
        }
        try:
            shown = self.widget
        except PanelError:
            return bundle
        made = shown._repr_mimebundle_()
        if made is not None:
            bundle |= {name: part for name, part in made.items() if name not in bundle}
        return bundle

    @property
    def widget(self) -> Any:
        """The controls with the picture, an ipywidgets box.

        Raises
        ------
        PanelError
            When ipywidgets is not installed.
        """
        if self._widget is None:
            self._widget = self._built()
        return self._widget

    def _built(self) -> Any:
        try:
            import ipywidgets as widgets
        except ImportError as error:
            raise PanelError(
                'the controls of a panel need ipywidgets: pip install "corephys[notebook]"; '
                "panel.set(...) does the same without them"
            ) from error
        words = widgets.HTML(self._words_html())
        picture = widgets.Image(value=self.figure().picture(_DOTS), format="png")
        picture.layout.max_width = "100%"

        def refresh() -> None:
            words.value = self._words_html()
            picture.value = self.figure().picture(_DOTS)

        self._watchers.append(refresh)
        parts = [*self._controls(widgets), words]
        canvas = self._canvas()
        if canvas is not None:
            parts.append(canvas)
            if self._canvas_says_all:
                return widgets.VBox(parts)
        return widgets.VBox([*parts, picture])

    def _canvas(self) -> Any:
        """A live plot on which a span can be dragged; None where ipympl is missing."""
        if not self._direction:
            return None
        live = _live()
        if live is None:
            return None
        with matplotlib.rc_context(SETTINGS):
            figure = Figure(figsize=(6.0, 2.4), layout="constrained", dpi=_DOTS)
            canvas = live.Canvas(figure)
            live.FigureManager(canvas, 0)
            axes = figure.add_subplot()
            self._trace(axes)
        canvas.header_visible = canvas.footer_visible = canvas.toolbar_visible = False
        self._selector = SpanSelector(
            axes,
            self._span,
            self._direction,
            useblit=False,
            props={"facecolor": "0.5", "alpha": 0.25},
        )

        def redraw() -> None:
            with matplotlib.rc_context(SETTINGS):
                for artist in [*axes.lines, *axes.collections, *axes.patches, *axes.texts]:
                    if artist not in self._selector.artists:
                        artist.remove()
                self._trace(axes)
            canvas.draw_idle()

        self._watchers.append(redraw)
        return canvas


def table_of(folder: str | os.PathLike[str], name: str) -> Path:
    """A table of a folder that is there, whether it has the table yet or not.

    Parameters
    ----------
    folder : path
        Of a hole or a site.
    name : str
        Of the file.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FileNotFoundError
        When there is no such folder.
    """
    path = Path(folder) / name
    if not path.parent.is_dir():
        raise FileNotFoundError(f"there is no folder {path.parent}")
    return path


def _live() -> Any:
    """Live plots of ipympl, or None; the session keeps the backend that it has.

    At its first import ipympl makes itself the backend of all figures to come, also of those that
    the user draws without a panel.
    """
    use = matplotlib.use
    matplotlib.use = lambda *_, **__: None
    try:
        return importlib.import_module("ipympl.backend_nbagg")
    except ImportError:
        return None
    finally:
        matplotlib.use = use
