"""Base class of the panels: picture, number, result, and controls."""

from __future__ import annotations

import html
import importlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import matplotlib
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.widgets import SpanSelector

from corephys.figures.plate import Plate
from corephys.figures.style import SETTINGS
from corephys.ground.cards import picture_html
from corephys.reduction.settings_file import SettingsChange, settings_change

__all__ = ["Panel", "PanelError"]

_DOTS = 110.0  # dots per inch of the picture


class PanelError(ValueError):
    """A panel cannot be made from the arguments, or cannot be shown in this session."""


class Panel:
    """Interactive choice whose result is a change of the recipe or rows of a table.

    Notes
    -----
    ``changes`` or ``table`` hold the complete state of a panel, and ``set`` does the same as the
    controls. A notebook without widgets, or one that is run from top to bottom, gives the same
    result. A page written to a file, or a session without ipywidgets, shows the picture only.
    """

    title = "panel"

    def __init__(self) -> None:
        self._watchers: list[Callable[[], None]] = []
        self._widget: Any = None

    @property
    def changes(self) -> dict[str, Any] | None:
        """Change of the recipe for ``cp.reduce(hole, panel.changes)``; None for a panel of rows."""
        return None

    @property
    def table(self) -> pd.DataFrame | None:
        """Rows for a table of the hole; None for a panel that changes the recipe."""
        return None

    def figure(self) -> Plate:
        """Figure of the present choice."""
        raise NotImplementedError

    def summary_text(self) -> str:
        """Result of the present choice as text."""
        raise NotImplementedError

    def _controls(self, widgets: Any) -> list[Any]:
        """Controls above the picture; ``widgets`` is the module ipywidgets, an optional package."""
        raise NotImplementedError

    def _trace(self, axes: Axes) -> None:
        """Draw the data on which a span is dragged."""

    def _span(self, low: float, high: float) -> None:
        """Apply a span that was dragged."""

    _direction: Literal["horizontal", "vertical", ""] = (
        "horizontal"  # direction of the span; empty for a panel without dragging
    )
    _canvas_is_complete = False  # whether the picture would only repeat the live plot

    def left_behind(self) -> str:
        """Change of the recipe or rows of the table, as text for pasting."""
        if self.changes is not None:
            return f"changes = {json.dumps(self.changes, ensure_ascii=False)}"
        table = self.table
        return "" if table is None else table.to_csv(index=False, lineterminator="\n").rstrip("\n")

    def settings_change(self, folder: str | os.PathLike[str]) -> SettingsChange:
        """Comparison of ``hole.toml`` with and without the change of this panel.

        Parameters
        ----------
        folder : path
            Hole folder.

        Returns
        -------
        SettingsChange
            Displays the lines that change; ``write()`` writes the file.

        Raises
        ------
        PanelError
            If the panel leaves rows of a table; ``write(folder)`` writes these.
        FileNotFoundError
            If the folder has no ``hole.toml``.
        """
        if self.changes is None:
            raise PanelError(
                f"the panel {self.title!r} leaves rows of a table and no settings; "
                "write them with panel.write(folder)"
            )
        return settings_change(folder, self.changes)

    def _moved(self) -> None:
        """Bring words, picture and live plot up to date after a change."""
        for watcher in self._watchers:
            watcher()

    def __repr__(self) -> str:
        return "\n".join([self.title, self.summary_text(), self.left_behind()])

    def _words_html(self) -> str:
        """Title, result and change as HTML; all text is escaped."""
        return (
            f"<div><b>{html.escape(self.title)}</b><br>{html.escape(self.summary_text())}"
            f'<pre style="margin:0.3em 0">{html.escape(self.left_behind())}</pre></div>'
        )

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
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
        # The widget adds its type; text and picture stay for pages without widgets.
        made = shown._repr_mimebundle_()
        if made is not None:
            bundle |= {name: part for name, part in made.items() if name not in bundle}
        return bundle

    @property
    def widget(self) -> Any:
        """Controls with the picture, an ipywidgets box.

        Raises
        ------
        PanelError
            If ipywidgets is not installed.
        """
        if self._widget is None:
            self._widget = self._built()
        return self._widget

    def _built(self) -> Any:
        """Box of controls, words, live plot and picture."""
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

        # Words and picture follow every change, also one by set().
        self._watchers.append(refresh)
        parts = [*self._controls(widgets), words]
        canvas = self._canvas()
        if canvas is not None:
            parts.append(canvas)
            if self._canvas_is_complete:
                return widgets.VBox(parts)
        return widgets.VBox([*parts, picture])

    def _canvas(self) -> Any:
        """Live plot on which a span can be dragged; None without ipympl."""
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
                    # The selector keeps its artists: without them the span could not be dragged.
                    if artist not in self._selector.artists:
                        artist.remove()
                self._trace(axes)
            canvas.draw_idle()

        self._watchers.append(redraw)
        return canvas


def table_of(folder: str | os.PathLike[str], name: str) -> Path:
    """Path of a table in the folder of a hole or a site; the folder must exist."""
    path = Path(folder) / name
    if not path.parent.is_dir():
        raise FileNotFoundError(
            f"there is no folder {path.parent}; give the folder of a hole or a site that exists"
        )
    return path


def _live() -> Any:
    """Live plots of ipympl, or None without it; the backend of the session stays as it is."""
    # At its first import ipympl makes itself the backend of all later figures, also of those that
    # the user draws without a panel.
    use = matplotlib.use
    matplotlib.use = lambda *_, **__: None
    try:
        return importlib.import_module("ipympl.backend_nbagg")
    except ImportError:
        return None
    finally:
        matplotlib.use = use
