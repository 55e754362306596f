"""The viewer in a notebook: tracks of a hole, and the intervals that are marked in them."""

from __future__ import annotations

import html
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import xarray as xr

from corephys.figures.reading import node
from corephys.figures.viewer import SCRIPT, STYLES, page_fragment, payload
from corephys.ground import units
from corephys.ground.provenance import write_bytes
from corephys.ground.registry import SENSORS
from corephys.notebook.panels import Exclusions, PanelError, exclusions

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["Viewer", "viewer"]

# Keys of a row in the browser, and headers of exclusions.csv.
_HEADERS = {
    "core": "core",
    "section": "section",
    "from": "from [cm]",
    "to": "to [cm]",
    "reason": "reason",
    "sensor": "sensor",
    "who": "who",
}


class Viewer:
    """All tracks of a reduced hole on one depth axis, and intervals to exclude.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    pictures : bool or path
        Whether pictures of the cores are shown, or the hole folder.

    Notes
    -----
    The widget needs the package anywidget. Without it, a notebook shows the same viewer as a page
    in a frame, from which rows are copied.
    """

    def __init__(
        self,
        reduced: xr.DataTree,
        *,
        depth_scale: str = "depth",
        pictures: bool | str | os.PathLike[str] = True,
    ) -> None:
        self._reduced = reduced
        self._given: dict[str, Any] = {"depth_scale": depth_scale, "pictures": pictures}
        self._package = payload(reduced, depth_scale=depth_scale, pictures=pictures)
        self._rows: list[dict[str, Any]] = []
        self._widget: Any = None

    @property
    def exclusions(self) -> pd.DataFrame:
        """Marked intervals, with the headers of ``exclusions.csv``; ends in cm."""
        rows = [
            {
                header: float(row[key]) if key in ("from", "to") else str(row.get(key, ""))
                for key, header in _HEADERS.items()
            }
            for row in self._rows
        ]
        return pd.DataFrame(rows, columns=list(_HEADERS.values()))

    def exclude(
        self,
        core: str | int,
        section: str | int,
        from_: Scalar,
        to: Scalar,
        reason: str,
        *,
        sensor: str = "",
        who: str = "",
    ) -> Viewer:
        """Mark an interval, as dragging over it does.

        Parameters
        ----------
        core, section : str
            Core and section of the interval.
        from_, to : Quantity or str
            Ends of the interval below the top of the section [cm].
        reason : str
            Reason, not empty.
        sensor : str
            Table of the scan that the interval applies to, such as ``"gamma"``; empty for all.
        who : str
            Name of the person who excludes it.

        Returns
        -------
        Viewer
            The same viewer.

        Raises
        ------
        PanelError
            If the section has no readings, the interval is empty or outside the section, the
            reason is empty, or the sensor is unknown.
        """
        ends = [float(units.as_floats(x, "cm", name)) for x, name in ((from_, "from"), (to, "to"))]
        row = dict(
            zip(_HEADERS, (str(core), str(section), *ends, reason, sensor, who), strict=True)
        )
        # A row that could not be saved is refused here.
        _batches(self._reduced, [row])
        self._set([*self._rows, row])
        return self

    def remove(self, row: int = -1) -> Viewer:
        """Remove one of the marked intervals.

        Parameters
        ----------
        row : int
            Row of ``exclusions``; the default is the last.

        Returns
        -------
        Viewer
            The same viewer.

        Raises
        ------
        PanelError
            If there is no such row.
        """
        if not isinstance(row, int) or not -len(self._rows) <= row < len(self._rows):
            raise PanelError(
                f"there is no row {row!r}; give the number of one of the {len(self._rows)} marked "
                "intervals, counted from 0"
            )
        rows = list(self._rows)
        del rows[row]
        self._set(rows)
        return self

    def save(self, folder: str | os.PathLike[str]) -> Path:
        """Add the marked intervals to ``exclusions.csv`` of a hole folder; its rows stay.

        Parameters
        ----------
        folder : path
            Hole folder.

        Returns
        -------
        Path
            The file. It holds what ``cp.panels.exclusions(...).write(folder)`` leaves.

        Raises
        ------
        FileNotFoundError
            If the folder does not exist.
        PanelError
            If no interval is marked, an interval does not fit its section, or the file lacks a
            column. The file stays as it was.
        """
        if not self._rows:
            raise PanelError(
                f"there is no interval to add to {Path(folder)}; drag over one in the viewer, or "
                "call viewer.exclude(...)"
            )
        path = Path(folder) / "exclusions.csv"
        for batch in _batches(self._reduced, self._rows):
            path = batch.write(folder)
        return path

    def show(
        self, *, core: str | int | None = None, depth: tuple[Scalar, Scalar] | None = None
    ) -> Viewer:
        """Show a core or a range of depth in the widget.

        Parameters
        ----------
        core : str, optional
            Core to show.
        depth : tuple of Quantity or str, optional
            Upper and lower end [m]. Without core and depth, the complete hole is shown.

        Returns
        -------
        Viewer
            The same viewer.

        Raises
        ------
        PanelError
            If there is no such core, both are given, or the range is empty.
        """
        if core is not None and depth is not None:
            raise PanelError("both core and depth are given; give one of them")
        if core is not None:
            top, bottom = _ends(self._reduced, str(core))
        elif depth is not None:
            top, bottom = (float(units.as_floats(end, "m", "depth")) for end in depth)
        else:
            top, bottom = -1e6, 1e6  # wider than any hole: the viewer stops at its ends
        if not bottom > top:
            raise PanelError(
                f"depth is {top:g} to {bottom:g} m; its end has to lie below its start"
            )
        self.widget.wanted = [top, bottom]
        return self

    def write(self, path: str | os.PathLike[str]) -> Path:
        """Write the viewer as a page that needs no network and no further file.

        Parameters
        ----------
        path : path
            HTML file.

        Returns
        -------
        Path
            The file; an interrupted call leaves it as it was.
        """
        return write_bytes(Path(path), self._page().encode("utf-8"))

    @property
    def widget(self) -> Any:
        """The viewer as a widget of Jupyter, through anywidget.

        Raises
        ------
        PanelError
            If anywidget is not installed.
        """
        if self._widget is None:
            self._widget = _widget(self._package, self._rows)
            self._widget.observe(self._marked, "rows")
        return self._widget

    def _marked(self, change: Any) -> None:
        """Take over the rows that were changed in the browser."""
        self._rows = [dict(row) for row in change["new"]]

    def _set(self, rows: list[dict[str, Any]]) -> None:
        """Replace the rows, here and in the browser."""
        self._rows = rows
        if self._widget is not None:
            self._widget.rows = [dict(row) for row in rows]

    def _page(self) -> str:
        """Complete page with the viewer."""
        title = html.escape(str(self._reduced.attrs.get("title", "")) or "viewer")
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{title}</title></head>\n<body>\n"
            f"{page_fragment(self._reduced, **self._given)}</body></html>\n"
        )

    def __repr__(self) -> str:
        count = len(self._rows)
        return (
            f"viewer of {self._reduced.attrs.get('title', 'the hole')}, {count} "
            f"interval{'' if count == 1 else 's'} to exclude"
        )

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        """The widget; without anywidget the page in a frame."""
        try:
            return self.widget._repr_mimebundle_(**kwargs)
        except PanelError:
            frame = (
                f'<iframe srcdoc="{html.escape(self._page(), quote=True)}" '
                'style="width:100%;height:980px;border:0" title="viewer"></iframe>'
            )
            return {"text/plain": repr(self), "text/html": frame}


def viewer(
    reduced: xr.DataTree,
    *,
    depth_scale: str = "depth",
    pictures: bool | str | os.PathLike[str] = True,
) -> Viewer:
    """Show a reduced hole: tracks that zoom together, every reading, intervals to exclude.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole, also one of ``cp.load``.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    pictures : bool or path
        Whether pictures of the cores are shown, as small copies; or the hole folder, for a hole
        whose folder is not known, such as one of ``cp.load``.

    Returns
    -------
    Viewer
        ``exclusions``, ``exclude(core, section, from_, to, reason)``, ``save(folder)``,
        ``show(core=...)``, ``write(path)`` and ``widget``. A notebook shows it.

    Raises
    ------
    NothingToDraw
        If the hole has no quantity against depth, or the tree is a site.
    ValueError
        If the depth scale is unknown.
    """
    return Viewer(reduced, depth_scale=depth_scale, pictures=pictures)


def _widget(package: bytes, rows: list[dict[str, Any]]) -> Any:
    """Widget with the package and the rows."""
    try:
        import anywidget
        import traitlets
    except ImportError as error:
        raise PanelError(
            'the widget of the viewer needs anywidget: pip install "corephys[notebook]"; '
            "viewer.write(path) gives the same as a page"
        ) from error

    class Tracks(anywidget.AnyWidget):  # type: ignore[misc]
        """State that browser and kernel share: package, rows, depths in view and depths wanted."""

        _esm = SCRIPT.read_text(encoding="utf-8")
        _css = STYLES.read_text(encoding="utf-8")
        package = traitlets.Bytes().tag(sync=True)
        rows = traitlets.List().tag(sync=True)
        seen = traitlets.List().tag(sync=True)
        wanted = traitlets.List().tag(sync=True)

    return Tracks(package=package, rows=[dict(row) for row in rows])


def _batches(reduced: xr.DataTree, rows: list[dict[str, Any]]) -> list[Exclusions]:
    """Panels that hold the rows in their order; PanelError for a row that does not fit.

    A panel takes rows of sections in which its quantity was scanned. One quantity with all of the
    sections is taken where there is one.
    """
    scanned = _scanned(reduced)
    wanted = {(str(row["core"]), str(row["section"])) for row in rows}
    of_all = next((name for name, held in scanned.items() if wanted <= held), None)
    found: list[tuple[str, Exclusions]] = []
    for row in rows:
        place = str(row["core"]), str(row["section"])
        name = of_all or next((n for n, held in scanned.items() if place in held), None)
        if name is None:
            raise PanelError(
                f"core {place[0]!r}, section {place[1]!r} has no reading of a scan; give a section "
                "that was scanned"
            )
        if not found or found[-1][0] != name:
            found.append((name, exclusions(reduced, name)))
        ends = [units.quantity(float(row[end]), "cm") for end in ("from", "to")]
        found[-1][1].set(
            *place,
            *ends,
            str(row["reason"]),
            sensor=str(row.get("sensor", "")),
            who=str(row.get("who", "")),
        )
    return [panel for _, panel in found]


def _scanned(reduced: xr.DataTree) -> dict[str, set[tuple[str, str]]]:
    """Core and section of all readings of each quantity of a scan."""
    found = {}
    for sensor in SENSORS.records():
        data = node(reduced, sensor.path)
        if data is None or sensor.quantity not in data:
            continue
        if {"core", "section", "offset", "run"} <= set(data.coords):
            core, section = (data[key].values.astype(str).tolist() for key in ("core", "section"))
            found[str(sensor.quantity)] = set(zip(core, section, strict=True))
    return found


def _ends(reduced: xr.DataTree, core: str) -> tuple[float, float]:
    """Depths [m] between which a core was cut."""
    cores = node(reduced, "cores")
    names = [] if cores is None else cores["core"].values.astype(str).tolist()
    if cores is None or core not in names:
        raise PanelError(
            f"there is no core {core!r}; the hole has {', '.join(names) or 'no table of cores'}"
        )
    row = names.index(core)
    top = float(cores["top"].values[row])
    return top, top + float(cores["advance"].values[row])
