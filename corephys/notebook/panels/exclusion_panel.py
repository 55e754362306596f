"""A panel that marks intervals of the cores to leave out, and the rows it adds to the table of
exclusions."""

from __future__ import annotations

import csv
import html
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.plate import Plate, describe
from corephys.figures.reading import Series, series
from corephys.figures.style import COLOURS, FLAGGED, SETTINGS, TWO_COLUMNS, label
from corephys.ground import flags, units
from corephys.ground.provenance import write_bytes
from corephys.ground.series import leaf as leaf_of
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.tables import TABLES
from corephys.notebook.panels.panel import Panel, PanelError, table_of

__all__ = ["COLUMNS", "Exclusions", "added"]

# --------------------------------------------------------------------------------------------------
# Rows added to the table of exclusions of a hole; what stands there stays as it is.


_NEEDED = ("core", "section", "from", "to", "reason")
_ENDS = ("from", "to")


def added(path: Path, rows: Sequence[Mapping[str, Any]]) -> bytes:
    """The file with rows added, in its own columns and units.

    Parameters
    ----------
    path : Path
        ``exclusions.csv`` of a hole.
    rows : sequence of mapping
        By the headers of :data:`corephys.notebook.panels.exclusion_panel.COLUMNS`, ends in cm.

    Returns
    -------
    bytes
        The old bytes and new lines behind them; a row that stands there already is not added
        again. Where a column is new the table is written anew, cell by cell.

    Raises
    ------
    PanelError
        When the file is no table with columns of intervals.
    """
    raw = path.read_bytes()
    lines = [line for line in csv.reader(io.StringIO(raw.decode("utf-8-sig"))) if line]
    header = [cell.strip() for cell in lines[0]] if lines else []
    places = {cell.partition("[")[0].strip(): i for i, cell in enumerate(header)}
    missing = [name for name in _NEEDED if name not in places]
    if missing or any(len(line) != len(header) for line in lines):
        what = f"no column {missing[0]!r}" if missing else "rows of unequal length"
        raise PanelError(
            f"{path.name} has {what}: rows cannot be added to it; mend it by what cp.read_hole "
            "says of it"
        )
    scale = {end: _per_cm(path, header[places[end]]) for end in _ENDS}
    there = {_key(line, places, scale) for line in lines[1:]}
    wanted = [{name.partition(" [")[0]: value for name, value in row.items()} for row in rows]
    new = [
        name for name in ("sensor", "who") if name not in places and any(r[name] for r in wanted)
    ]
    names = [*sorted(places, key=lambda name: places[name]), *new]
    fresh = [
        [f"{r[n] * scale[n]:.10g}" if n in _ENDS else str(r.get(n, "")) for n in names]
        for r in wanted
        if tuple(_cells(r)) not in there
    ]
    end = "\r\n" if b"\r\n" in raw else "\n"
    if new:
        padded = [[*line, *[""] * len(new)] for line in lines[1:]]
        return _text([[*header, *new], *padded, *fresh], end)
    gap = b"" if not raw or raw.endswith(b"\n") else end.encode()
    return raw + gap + _text(fresh, end)


def _per_cm(path: Path, header: str) -> float:
    """How many of a header's unit a centimetre is."""
    unit = header.partition("[")[2].rstrip("] ")
    try:
        return float(units.convert(1.0, "cm", unit))
    except ValueError as error:
        raise PanelError(f"{path.name}, column {header!r}: {error}") from None


def _cells(row: Mapping[str, Any]) -> list[Any]:
    ends = [round(float(row[end]), 6) for end in _ENDS]
    return [row["core"], row["section"], *ends, row["reason"], row["sensor"]]


def _key(line: Sequence[str], places: Mapping[str, int], scale: Mapping[str, float]) -> Any:
    """What makes a row that stands there the same as a new one."""
    try:
        ends = [round(float(line[places[end]]) / scale[end], 6) for end in _ENDS]
    except ValueError:
        return None
    core, section, reason = (line[places[name]].strip() for name in ("core", "section", "reason"))
    sensor = line[places["sensor"]].strip() if "sensor" in places else ""
    return (core, section, *ends, reason, sensor)


def _text(lines: Sequence[Sequence[str]], end: str) -> bytes:
    stream = io.StringIO()
    csv.writer(stream, lineterminator=end).writerows(lines)
    return stream.getvalue().encode("utf-8")


# --------------------------------------------------------------------------------------------------
# A panel that marks intervals of the cores to leave out, each with a reason.


# Headers of exclusions.csv.
COLUMNS = ("core", "section", "from [cm]", "to [cm]", "reason", "sensor", "who")


class Exclusions(Panel):
    """Intervals to leave out, on the readings of one scan.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole.
    quantity : str
        Of a scan.
    """

    def __init__(self, reduced: xr.DataTree, quantity: str) -> None:
        super().__init__()
        self.quantity = quantity
        self._data, leaf = _scan(reduced, quantity)
        found = series(xr.DataTree.from_dict({"/scan": self._data}), "scan", quantity)
        if found is None:
            raise PanelError(f"no reading of {quantity} is a number")
        self._series: Series = found
        self._core = self._data["core"].values.astype(str)
        self._section = self._data["section"].values.astype(str)
        self._offset = self._data["offset"].values.astype(float)
        self._sensor = _sensor_of(reduced, leaf)
        self._lengths = _lengths(reduced)
        self._rows: list[dict[str, Any]] = []
        self._shown = (str(self._core[0]), str(self._section[0]))
        self.title = f"intervals to leave out, on {TERMS[quantity].long_name}"

    @property
    def table(self) -> pd.DataFrame:
        """The intervals, with the headers of ``exclusions.csv``."""
        return pd.DataFrame(self._rows, columns=list(COLUMNS))

    def set(
        self,
        core: Any,
        section: Any,
        from_: Any,
        to: Any,
        reason: str,
        *,
        sensor: str = "",
        who: str = "",
    ) -> Exclusions:
        """Mark one more interval.

        Parameters
        ----------
        core, section : str
            Where it lies.
        from_, to : Quantity or str
            Its ends from the top of the section [cm].
        reason : str
            Why; it cannot be empty.
        sensor : str
            Name of the scan's table that it holds for, such as ``"gamma"``; all where empty.
        who : str
            Who says so.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        UnitError
            For a bare number or a unit that is no length.
        PanelError
            For a core and section without readings, an end not below the start, or no reason.
        """
        top, bottom = (
            float(units.as_floats(value, "cm", name))
            for value, name in ((from_, "from"), (to, "to"))
        )
        here = (self._core == str(core)) & (self._section == str(section))
        if not here.any():
            sections = ", ".join(dict.fromkeys(self._section[self._core == str(core)]))
            known = (
                f"its sections are {sections}"
                if sections
                else (f"the cores are {', '.join(dict.fromkeys(self._core))}")
            )
            raise PanelError(
                f"core {str(core)!r}, section {str(section)!r} has no reading of {self.quantity}; "
                f"{known}"
            )
        if not bottom > top or top < 0.0:
            raise PanelError(
                f"the interval {top:g} to {bottom:g} cm: its end has to lie below its start, and "
                "both in the section"
            )
        length = self._lengths.get((str(core), str(section)), np.inf)
        if bottom > length + 1e-4:
            raise PanelError(
                f"the interval {top:g} to {bottom:g} cm ends below the section, which is "
                f"{length:g} cm long"
            )
        if not str(reason or "").strip():
            raise PanelError("an interval is left out for a reason: give it in a few words")
        scans = [name for name in TABLES if name.startswith("scan/")]
        if sensor and sensor not in scans and f"scan/{sensor}" not in scans:
            known = ", ".join(name.removeprefix("scan/") for name in scans)
            raise PanelError(f"there is no scan {sensor!r}; there are {known}, or nothing for all")
        values = (str(core), str(section), top, bottom, reason.strip(), sensor, who)
        self._rows.append(dict(zip(COLUMNS, values, strict=True)))
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def remove(self, row: int = -1) -> Exclusions:
        """Take one of the intervals marked here back.

        Parameters
        ----------
        row : int
            Of ``table``; the last where not given.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            When there is no such row.
        """
        if not isinstance(row, int) or not -len(self._rows) <= row < len(self._rows):
            raise PanelError(f"there is no row {row!r}; {len(self._rows)} intervals are marked")
        del self._rows[row]
        self._moved()
        return self

    def show(self, core: Any, section: Any) -> Exclusions:
        """Show another section.

        Parameters
        ----------
        core, section : str
            Which one.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            When it has no readings.
        """
        if not ((self._core == str(core)) & (self._section == str(section))).any():
            raise PanelError(f"core {str(core)!r}, section {str(section)!r} has no readings")
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def inside(self) -> np.ndarray:
        """Which readings lie in a marked interval, both ends included, (reading) of bool."""
        found = np.zeros(self._offset.size, bool)
        for row in self._rows:
            found |= self._in(row)
        return found

    def _in(self, row: dict[str, Any]) -> np.ndarray:
        if row["sensor"].removeprefix("scan/") not in ("", self._sensor):
            return np.zeros(self._offset.size, bool)  # of another scan
        here = (self._core == row["core"]) & (self._section == row["section"])
        # As the reading does: to a millionth of a metre.
        low, high = row["from [cm]"] - 1e-4, row["to [cm]"] + 1e-4
        return np.asarray(here & (self._offset >= low) & (self._offset <= high))

    def write(self, folder: str | os.PathLike[str]) -> Path:
        """Add the intervals to ``exclusions.csv`` of a hole folder; what stands there stays.

        Parameters
        ----------
        folder : path
            Hole folder.

        Returns
        -------
        Path
            The file, whole or as it was.

        Raises
        ------
        FileNotFoundError
            When there is no such folder.
        PanelError
            When the file that is there is no table with these columns; it stays as it was.
        """
        path = table_of(folder, "exclusions.csv")
        if not path.is_file():
            text = self.table.to_csv(index=False, lineterminator="\n")
            return write_bytes(path, text.encode("utf-8"))
        return write_bytes(path, added(path, self._rows))

    def said(self) -> str:
        """How many readings the intervals leave out."""
        inside = self.inside()
        usable = flags.usable(self._series.flag)
        return (
            f"{len(self._rows)} interval{'' if len(self._rows) == 1 else 's'} with "
            f"{int(inside.sum())} readings of "
            f"{TERMS[self.quantity].long_name}, {int((inside & usable).sum())} of them usable so "
            f"far; {int((usable & ~inside).sum())} of {usable.size} stay usable"
        )

    def figure(self) -> Plate:
        """The section shown now, and the core that it is of, with the intervals shaded."""
        core, section = self._shown
        with matplotlib.rc_context(SETTINGS):
            figure = Plate(TWO_COLUMNS, 62.0)
            axes = figure.add_subplot()
            here = (self._core == core) & (self._section == section)
            panel = f"{self._series.label} against offset [cm]"
            plate.points(
                axes,
                panel,
                "scan",
                self._offset[here],
                self._series.values[here],
                flag=self._series.flag[here],
                marker=".",
                colour=COLOURS.get(self.quantity, "black"),
            )
            for row in self._rows:
                if (row["core"], row["section"]) == self._shown:
                    axes.axvspan(row["from [cm]"], row["to [cm]"], color="0.85", zorder=0)
            self._limit(axes, here)
            axes.set_xlabel("offset from the top of the section [cm]")
            axes.set_ylabel(label(self.quantity))
            axes.set_title(f"core {core}, section {section}; shaded: to be left out", loc="left")
        what = f"Readings of core {core}, section {section}, with the intervals to be left out."
        return describe(figure, what)

    def _limit(self, axes: Axes, here: np.ndarray) -> None:
        """A reading of air does not squeeze all others."""
        good = here & flags.usable(self._series.flag) & np.isfinite(self._series.values)
        if good.any():
            held = self._series.values[good]
            room = 0.15 * (np.ptp(held) or abs(held[0]) or 1.0)
            axes.set_ylim(held.min() - room, held.max() + room)

    _canvas_says_all = True

    def _trace(self, axes: Axes) -> None:
        core, section = self._shown
        here = (self._core == core) & (self._section == section)
        good = flags.usable(self._series.flag[here])
        x, y = self._offset[here], self._series.values[here]
        axes.plot(x[~good], y[~good], ".", color=FLAGGED, markersize=4)
        axes.plot(x[good], y[good], ".", color=COLOURS.get(self.quantity, "black"), markersize=4)
        for row in self._rows:
            if (row["core"], row["section"]) == self._shown:
                axes.axvspan(row["from [cm]"], row["to [cm]"], color="0.85", zorder=0)
        axes.set_xlabel("offset [cm]: drag across an interval, then give its reason")
        axes.set_ylabel(label(self.quantity))
        if here.any():
            axes.set_xlim(x.min() - 2.0, x.max() + 2.0)
        self._limit(axes, here)

    def _span(self, low: float, high: float) -> None:
        self._ends = (round(low, 1), round(high, 1))
        for box, value in zip(self._boxes, self._ends, strict=True):
            box.value = value

    def _controls(self, w: Any) -> list[Any]:
        places = list(dict.fromkeys(zip(self._core, self._section, strict=True)))
        options = [(f"core {core}, section {section}", (core, section)) for core, section in places]
        where = w.Dropdown(options=options, value=self._shown, description="section")
        top, bottom = (
            w.BoundedFloatText(
                value=v,
                min=0.0,
                max=1000.0,
                step=0.5,
                description=words,
                layout=w.Layout(width="12em"),
            )
            for v, words in ((0.0, "from [cm]"), (1.0, "to [cm]"))
        )
        self._boxes = (top, bottom)
        reason = w.Text(placeholder="why, in a few words", description="reason")
        mark = w.Button(description="mark interval")
        back = w.Button(description="take last back")
        trouble = w.HTML()

        def moved(change: Any) -> None:
            if change["new"] != self._shown:
                self.show(*change["new"])

        def marked(_: Any) -> None:
            trouble.value = ""
            try:
                self.set(*where.value, f"{top.value} cm", f"{bottom.value} cm", reason.value)
            except PanelError as error:
                trouble.value = (
                    f'<div style="color:#8B0000">Not taken: {html.escape(str(error))}</div>'
                )

        where.observe(moved, "value")
        mark.on_click(marked)
        back.on_click(lambda _: self._rows and self.remove())
        return [w.HBox([where, top, bottom]), w.HBox([reason, mark, back]), trouble]


def _scan(reduced: xr.DataTree, quantity: str) -> tuple[xr.Dataset, str]:
    """The series of the scan that holds a quantity by core, section and offset, and its leaf."""
    held = []
    for node in reduced.leaves:
        if not node.path.startswith("/properties/"):
            continue
        names = [n for n in node.data_vars if f"{n}_flag" in node.data_vars]
        placed = {"core", "section", "offset"} <= set(node.coords)
        if placed and "run" in node.coords and node.path.rpartition("/")[2] != "index_properties":
            held += names
            if quantity in names:
                return node.to_dataset(inherit=False), node.path.rpartition("/")[2]
    raise PanelError(
        f"no scan of this hole has {quantity!r} by core and section; there are "
        f"{', '.join(map(str, dict.fromkeys(held))) or 'none'}"
    )


def _sensor_of(reduced: xr.DataTree, leaf: str) -> str:
    """Table of the scan that a result comes from."""
    sensor = {"density": "gamma", "velocity": "pwave"}.get(leaf, leaf)
    return sensor if leaf_of(reduced, f"scan/{sensor}") is not None else "reduced"


def _lengths(reduced: xr.DataTree) -> dict[tuple[str, str], float]:
    """Length of each section [cm], where the hole has them."""
    table = leaf_of(reduced, "sections")
    if table is None:
        return {}
    names = zip(*(table[key].values.astype(str) for key in ("core", "section")), strict=True)
    return dict(zip(names, 100.0 * table["length"].values.astype(float), strict=True))
