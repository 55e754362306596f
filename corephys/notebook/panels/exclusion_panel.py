"""Panel that marks intervals of the cores to exclude and writes them to ``exclusions.csv``."""

from __future__ import annotations

import csv
import html
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.plate import Plate, describe, new_plate
from corephys.figures.reading import Series, series
from corephys.figures.style import COLOURS, FLAGGED, TWO_COLUMNS, label
from corephys.ground import flags, units
from corephys.ground.provenance import write_bytes
from corephys.ground.series import leaf as leaf_of
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.tables import TABLES
from corephys.notebook.panels.panel import Panel, PanelError, table_of

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["Exclusions"]

# --------------------------------------------------------------------------------------------------
# Rows added to the table of exclusions of a hole; the rows of the file stay as they are.


_NEEDED = ("core", "section", "from", "to", "reason")
_ENDS = ("from", "to")


def _added(path: Path, rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Bytes of ``exclusions.csv`` with rows of :data:`_COLUMNS` added, in its columns and units.

    The old bytes stay in front; a row that is there already is not added again. If a row needs a
    new column, the table is written again cell by cell.
    """
    raw = path.read_bytes()
    lines = [line for line in csv.reader(io.StringIO(raw.decode("utf-8-sig"))) if line]
    header = [cell.strip() for cell in lines[0]] if lines else []
    places = {cell.partition("[")[0].strip(): i for i, cell in enumerate(header)}
    missing = [name for name in _NEEDED if name not in places]
    if missing or any(len(line) != len(header) for line in lines):
        what = f"no column {missing[0]!r}" if missing else "rows of unequal length"
        raise PanelError(
            f"{path.name} has {what}, so that rows cannot be added; correct the file, whose faults "
            "cp.read_hole lists"
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
    # Keep the line ends of the file.
    end = "\r\n" if b"\r\n" in raw else "\n"
    if new:
        padded = [[*line, *[""] * len(new)] for line in lines[1:]]
        return _text([[*header, *new], *padded, *fresh], end)
    # The last line of a file may lack its line end.
    gap = b"" if not raw or raw.endswith(b"\n") else end.encode()
    return raw + gap + _text(fresh, end)


def _per_cm(path: Path, header: str) -> float:
    """Centimetre in the unit of a header."""
    unit = header.partition("[")[2].rstrip("] ")
    try:
        return float(units.convert(1.0, "cm", unit))
    except ValueError as error:
        raise PanelError(
            f"{path.name}, column {header!r}: {error}. Write a unit of length, such as 'from [cm]'"
        ) from None


def _cells(row: Mapping[str, Any]) -> list[str | float]:
    """Cells that identify a row; ends in cm."""
    ends = [round(float(row[end]), 6) for end in _ENDS]
    return [row["core"], row["section"], *ends, row["reason"], row["sensor"]]


def _key(
    line: Sequence[str], places: Mapping[str, int], scale: Mapping[str, float]
) -> tuple[str | float, ...] | None:
    """Cells that identify a row of the file, as those of :func:`_cells`; None if unreadable."""
    try:
        ends = [round(float(line[places[end]]) / scale[end], 6) for end in _ENDS]
    except ValueError:
        return None
    core, section, reason = (line[places[name]].strip() for name in ("core", "section", "reason"))
    sensor = line[places["sensor"]].strip() if "sensor" in places else ""
    return (core, section, *ends, reason, sensor)


def _text(lines: Sequence[Sequence[str]], end: str) -> bytes:
    """CSV text of lines with the line end of the file."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator=end).writerows(lines)
    return stream.getvalue().encode("utf-8")


# --------------------------------------------------------------------------------------------------
# The panel.


# Headers of exclusions.csv.
_COLUMNS = ("core", "section", "from [cm]", "to [cm]", "reason", "sensor", "who")


class Exclusions(Panel):
    """Intervals to exclude, marked on the readings of one scan.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole.
    quantity : str
        Quantity of a scan.
    """

    def __init__(self, reduced: xr.DataTree, quantity: str) -> None:
        super().__init__()
        self.quantity = quantity
        self._data, leaf = _scan(reduced, quantity)
        found = series(xr.DataTree.from_dict({"/scan": self._data}), "scan", quantity)
        if found is None:
            raise PanelError(
                f"the panel needs readings of {quantity}; no reading of this hole is a number"
            )
        self._series: Series = found
        self._core = self._data["core"].values.astype(str)
        self._section = self._data["section"].values.astype(str)
        self._offset = self._data["offset"].values.astype(float)
        self._sensor = _sensor_of(reduced, leaf)
        # An interval beyond the end of its section would exclude nothing.
        self._lengths = _lengths(reduced)
        self._rows: list[dict[str, Any]] = []
        self._shown = (str(self._core[0]), str(self._section[0]))
        self.title = f"intervals to exclude, on {TERMS[quantity].long_name}"

    @property
    def table(self) -> pd.DataFrame:
        """Marked intervals, with the headers of ``exclusions.csv``."""
        return pd.DataFrame(self._rows, columns=list(_COLUMNS))

    def set(
        self,
        core: str | int,
        section: str | int,
        from_: Scalar,
        to: Scalar,
        reason: str,
        *,
        sensor: str = "",
        who: str = "",
    ) -> Exclusions:
        """Mark one more interval.

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
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            If the section has no readings, the interval is empty or outside the section, the
            reason is empty, or the sensor is unknown.
        """
        top, bottom = (
            float(units.as_floats(value, "cm", name))
            for value, name in ((from_, "from"), (to, "to"))
        )
        here = (self._core == str(core)) & (self._section == str(section))
        if not here.any():
            sections = ", ".join(dict.fromkeys(self._section[self._core == str(core)]))
            cure = (
                f"give one of its sections {sections}"
                if sections
                else f"give one of the cores {', '.join(dict.fromkeys(self._core))}"
            )
            raise PanelError(
                f"core {str(core)!r}, section {str(section)!r} has no reading of {self.quantity}; "
                f"{cure}"
            )
        if not bottom > top or top < 0.0:
            raise PanelError(
                f"the interval is {top:g} to {bottom:g} cm; its end has to lie below its start, "
                "and its start must not be negative"
            )
        length = self._lengths.get((str(core), str(section)), np.inf)
        if bottom > length + 1e-4:  # cm; rounding of the file's units
            raise PanelError(
                f"the interval is {top:g} to {bottom:g} cm; it has to end within the section, "
                f"which is {length:g} cm long"
            )
        if not str(reason or "").strip():
            raise PanelError("reason is empty; give the reason of the interval in a few words")
        scans = [name for name in TABLES if name.startswith("scan/")]
        if sensor and sensor not in scans and f"scan/{sensor}" not in scans:
            known = ", ".join(name.removeprefix("scan/") for name in scans)
            raise PanelError(
                f"sensor is {sensor!r}; the scans are {known}, and an empty text stands for all"
            )
        values = (str(core), str(section), top, bottom, reason.strip(), sensor, who)
        self._rows.append(dict(zip(_COLUMNS, values, strict=True)))
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def remove(self, row: int = -1) -> Exclusions:
        """Remove one of the marked intervals.

        Parameters
        ----------
        row : int
            Row of ``table``; the default is the last.

        Returns
        -------
        Exclusions
            The same panel.

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
        del self._rows[row]
        self._moved()
        return self

    def show(self, core: str | int, section: str | int) -> Exclusions:
        """Show another section.

        Parameters
        ----------
        core, section : str
            Core and section to show.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            If the section has no readings.
        """
        if not ((self._core == str(core)) & (self._section == str(section))).any():
            raise PanelError(
                f"core {str(core)!r}, section {str(section)!r} has no reading of {self.quantity}; "
                "choose a section with readings"
            )
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def inside(self) -> np.ndarray:
        """Mask of the readings in a marked interval, both ends included."""
        found = np.zeros(self._offset.size, bool)
        for row in self._rows:
            found |= self._in(row)
        return found

    def _in(self, row: dict[str, Any]) -> np.ndarray:
        """Mask of the readings in one interval."""
        if row["sensor"].removeprefix("scan/") not in ("", self._sensor):
            return np.zeros(self._offset.size, bool)  # the interval is of another scan
        here = (self._core == row["core"]) & (self._section == row["section"])
        # With the tolerance of read_hole, a millionth of a metre.
        low, high = row["from [cm]"] - 1e-4, row["to [cm]"] + 1e-4
        return np.asarray(here & (self._offset >= low) & (self._offset <= high))

    def write(self, folder: str | os.PathLike[str]) -> Path:
        """Add the intervals to ``exclusions.csv`` of a hole folder; its rows stay.

        Parameters
        ----------
        folder : path
            Hole folder.

        Returns
        -------
        Path
            The file; an interrupted call leaves it as it was.

        Raises
        ------
        FileNotFoundError
            If the folder does not exist.
        PanelError
            If the file lacks a column of an interval; it stays as it was.
        """
        path = table_of(folder, "exclusions.csv")
        if not path.is_file():
            text = self.table.to_csv(index=False, lineterminator="\n")
            return write_bytes(path, text.encode("utf-8"))
        return write_bytes(path, _added(path, self._rows))

    def summary_text(self) -> str:
        """Number of readings that the intervals exclude."""
        inside = self.inside()
        usable = flags.usable(self._series.flag)
        return (
            f"{len(self._rows)} interval{'' if len(self._rows) == 1 else 's'} with "
            f"{int(inside.sum())} readings of "
            f"{TERMS[self.quantity].long_name}, {int((inside & usable).sum())} of them usable so "
            f"far; {int((usable & ~inside).sum())} of {usable.size} stay usable"
        )

    def figure(self) -> Plate:
        """Readings of the section that is shown, with its intervals shaded."""
        core, section = self._shown
        with new_plate(TWO_COLUMNS, 62.0) as figure:
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
            axes.set_title(f"core {core}, section {section}; shaded: to be excluded", loc="left")
        what = f"Readings of core {core}, section {section}, with the intervals to be excluded."
        return describe(figure, what)

    def _limit(self, axes: Axes, here: np.ndarray) -> None:
        """Set the axis limits from usable readings only."""
        good = here & flags.usable(self._series.flag) & np.isfinite(self._series.values)
        if good.any():
            held = self._series.values[good]
            room = 0.15 * (np.ptp(held) or abs(held[0]) or 1.0)
            axes.set_ylim(held.min() - room, held.max() + room)

    _canvas_is_complete = True

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
        back = w.Button(description="remove last")
        trouble = w.HTML()

        def moved(change: Any) -> None:
            if change["new"] != self._shown:
                self.show(*change["new"])

        def marked(_: Any) -> None:
            trouble.value = ""
            try:
                from_, to = (units.quantity(box.value, "cm") for box in (top, bottom))
                self.set(*where.value, from_, to, reason.value)
            except PanelError as error:
                trouble.value = (
                    f'<div style="color:#8B0000">Refused: {html.escape(str(error))}</div>'
                )

        where.observe(moved, "value")
        mark.on_click(marked)
        back.on_click(lambda _: self._rows and self.remove())
        return [w.HBox([where, top, bottom]), w.HBox([reason, mark, back]), trouble]


def _scan(reduced: xr.DataTree, quantity: str) -> tuple[xr.Dataset, str]:
    """Series of the scan with a quantity by core, section and offset, and the name of its leaf."""
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
        f"no scan of this hole has {quantity!r} by core and section; its scans have "
        f"{', '.join(map(str, dict.fromkeys(held))) or 'nothing'}"
    )


def _sensor_of(reduced: xr.DataTree, leaf: str) -> str:
    """Table of the scan from which a result was computed."""
    sensor = {"density": "gamma", "velocity": "pwave"}.get(leaf, leaf)
    return sensor if leaf_of(reduced, f"scan/{sensor}") is not None else "reduced"


def _lengths(reduced: xr.DataTree) -> dict[tuple[str, str], float]:
    """Length of each section [cm]; empty if the hole has no table of sections."""
    table = leaf_of(reduced, "sections")
    if table is None:
        return {}
    names = zip(*(table[key].values.astype(str) for key in ("core", "section")), strict=True)
    return dict(zip(names, 100.0 * table["length"].values.astype(float), strict=True))
