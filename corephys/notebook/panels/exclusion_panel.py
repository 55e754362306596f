"""Panel that marks intervals of the cores to exclude and writes them to ``exclusions.csv``."""

from __future__ import annotations

import csv
import html
import io
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.plate import Plate, new_plate
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


def _changed(
    path: Path, rows: Sequence[Mapping[str, Any]], removed: Sequence[Mapping[str, Any]] = ()
) -> bytes:
    """Bytes of ``exclusions.csv`` with rows of :data:`_COLUMNS` added and others removed.

    Lines that stay keep their bytes; a row that is there already is not added again. If a row needs
    a new column, or is removed, the table is written again cell by cell.
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
    gone = {tuple(_cells(_plain(row))) for row in removed}
    kept = [line for line in lines[1:] if _key(line, places, scale) not in gone]
    there = {_key(line, places, scale) for line in kept}
    wanted = [_plain(row) for row in rows]
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
    if new or len(kept) < len(lines) - 1:
        mark = b"\xef\xbb\xbf" if raw.startswith(b"\xef\xbb\xbf") else b""
        padded = [[*line, *[""] * len(new)] for line in kept]
        return mark + _text([[*header, *new], *padded, *fresh], end)
    # The last line of a file may lack its line end.
    gap = b"" if not raw or raw.endswith(b"\n") else end.encode()
    return raw + gap + _text(fresh, end)


def _plain(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the panel, its columns without units."""
    return {name.partition(" [")[0]: value for name, value in row.items()}


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

    The panel opens on the newest core. ``show`` and ``show_run`` choose what is drawn; the title
    names it, and an interval that is marked by a control belongs to the section that the title
    names.

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
        self._run = self._data["run"].values.astype(str)
        self._reason = self._data[f"{quantity}_reason"].values
        self._sensor = _sensor_of(reduced, leaf)
        # An interval beyond the end of its section would exclude nothing.
        self._lengths = _lengths(reduced)
        self._in_file = _rows_of(reduced)
        self._rows: list[dict[str, Any]] = []
        self._removed: list[dict[str, Any]] = []
        self._history: list[tuple[list[dict[str, Any]], list[dict[str, Any]]]] = []
        newest = _newest_core(reduced, self._core, self._data["depth"].values)
        first = int(np.flatnonzero(self._core == newest)[0])
        self._shown = (newest, str(self._section[first]))
        self._shown_run: str | None = None

    @property
    def title(self) -> str:  # type: ignore[override]
        """Quantity, core, section and runs that the panel shows."""
        core, section = self._shown
        runs = "all runs" if self._shown_run is None else f"run {self._shown_run}"
        return (
            f"intervals to exclude, on {TERMS[self.quantity].long_name}: core {core}, section "
            f"{section}, {runs}"
        )

    @property
    def table(self) -> pd.DataFrame:
        """Marked intervals that are not in the file yet, with the headers of ``exclusions.csv``."""
        return pd.DataFrame(self._rows, columns=list(_COLUMNS))

    @property
    def existing(self) -> pd.DataFrame:
        """Rows of the file as the hole was read, without those that the panel removes."""
        return pd.DataFrame(self._kept(), columns=list(_COLUMNS))

    @property
    def removed(self) -> pd.DataFrame:
        """Rows of the file that ``write`` removes."""
        return pd.DataFrame(self._removed, columns=list(_COLUMNS))

    def left_behind(self) -> str:
        """Rows to add, and rows of the file to remove, as text."""
        words = super().left_behind()
        if self._removed:
            rows = self.removed.to_csv(index=False, header=False, lineterminator="\n").rstrip("\n")
            words += f"\nremoved from the file:\n{rows}"
        return words

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
        """Mark one more interval, and show its section.

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
        self._require_section(core, section)
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
        self._remember()
        self._rows.append(dict(zip(_COLUMNS, values, strict=True)))
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def remove(self, row: int = -1) -> Exclusions:
        """Remove one of the intervals that this panel marked.

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
        self._remember()
        del self._rows[row]
        self._moved()
        return self

    def remove_existing(self, row: int) -> Exclusions:
        """Remove a row that is in the file; ``write`` takes it out of ``exclusions.csv``.

        Parameters
        ----------
        row : int
            Row of ``existing``.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            If there is no such row.
        """
        held = self._kept()
        if not isinstance(row, int) or not -len(held) <= row < len(held):
            raise PanelError(
                f"there is no existing row {row!r}; give the number of one of the {len(held)} rows "
                "of the file, counted from 0"
            )
        self._remember()
        self._removed.append(held[row])
        self._moved()
        return self

    def undo(self) -> Exclusions:
        """Take back the last change of intervals: one marked, one removed.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            If there is no change to take back.
        """
        if not self._history:
            raise PanelError("there is no change to take back; mark or remove an interval first")
        self._rows, self._removed = self._history.pop()
        self._moved()
        return self

    def _kept(self) -> list[dict[str, Any]]:
        """Rows of the file that the panel does not remove."""
        return [row for row in self._in_file if row not in self._removed]

    def _remember(self) -> None:
        """Keep the present rows for :meth:`undo`."""
        self._history.append((list(self._rows), list(self._removed)))

    def _require_section(self, core: str | int, section: str | int) -> None:
        """Refuse a section without readings."""
        if ((self._core == str(core)) & (self._section == str(section))).any():
            return
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
        self._require_section(core, section)
        self._shown = (str(core), str(section))
        self._moved()
        return self

    def show_run(self, run: str | int | None = None) -> Exclusions:
        """Show the readings of one run; an interval excludes the readings of all runs.

        Parameters
        ----------
        run : str or int, optional
            Run; None shows all.

        Returns
        -------
        Exclusions
            The same panel.

        Raises
        ------
        PanelError
            If there is no such run.
        """
        if run is not None and not (self._run == str(run)).any():
            known = ", ".join(dict.fromkeys(self._run))
            raise PanelError(f"there is no run {str(run)!r}; give one of the runs {known}, or None")
        self._shown_run = None if run is None else str(run)
        self._moved()
        return self

    def inside(self) -> np.ndarray:
        """Mask of the readings in a marked interval, both ends included."""
        return self._in_any(self._rows)

    def _in_any(self, rows: Sequence[Mapping[str, Any]]) -> np.ndarray:
        """Mask of the readings in one of some intervals."""
        found = np.zeros(self._offset.size, bool)
        for row in rows:
            found |= self._in(row)
        return found

    def _in(self, row: Mapping[str, Any]) -> np.ndarray:
        """Mask of the readings in one interval."""
        if row["sensor"].removeprefix("scan/") not in ("", self._sensor):
            return np.zeros(self._offset.size, bool)  # the interval is of another scan
        here = (self._core == row["core"]) & (self._section == row["section"])
        # With the tolerance of read_hole, a millionth of a metre.
        low, high = row["from [cm]"] - 1e-4, row["to [cm]"] + 1e-4
        return np.asarray(here & (self._offset >= low) & (self._offset <= high))

    def write(self, folder: str | os.PathLike[str]) -> Path:
        """Add the marked intervals to ``exclusions.csv`` of a hole folder, and remove rows.

        Parameters
        ----------
        folder : path
            Hole folder.

        Returns
        -------
        Path
            The file; an interrupted call leaves it as it was. Rows that are neither marked nor
            removed by this panel stay as they are.

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
        return write_bytes(path, _changed(path, self._rows, self._removed))

    def summary_text(self) -> str:
        """Number of readings that the intervals exclude."""
        inside = self.inside()
        now = flags.usable(self._series.flag)
        # Readings that only a removed row had excluded become usable.
        kept = self._in_any(self._kept())
        only = self._reason == flags.bit("excluded_by_user")
        freed = only & self._in_any(self._removed) & ~kept & np.isfinite(self._series.values)
        usable = now | freed
        words = (
            f"{len(self._rows)} interval{'' if len(self._rows) == 1 else 's'} with "
            f"{int(inside.sum())} readings of "
            f"{TERMS[self.quantity].long_name}, {int((inside & now).sum())} of them usable so "
            f"far; {int((usable & ~inside).sum())} of {now.size} stay usable"
        )
        if self._removed:
            words += (
                f"; {len(self._removed)} row{'' if len(self._removed) == 1 else 's'} of the file "
                f"removed, which makes {int((freed & ~inside).sum())} readings usable again"
            )
        return words

    def _drawn(self) -> np.ndarray:
        """Mask of the readings of the section and run that the panel shows."""
        core, section = self._shown
        here = (self._core == core) & (self._section == section)
        return here if self._shown_run is None else here & (self._run == self._shown_run)

    def _shade(self, axes: Axes) -> None:
        """Shade the marked intervals of the section, and hatch those of the file."""
        for rows, style in (
            (self._rows, {"color": "0.85"}),
            (
                self._kept(),
                {"facecolor": "none", "edgecolor": "0.7", "hatch": "//", "linewidth": 0.0},
            ),
        ):
            for row in rows:
                if (row["core"], row["section"]) == self._shown:
                    axes.axvspan(row["from [cm]"], row["to [cm]"], zorder=0, **style)

    def figure(self) -> Plate:
        """Readings of the section that is shown, with its intervals shaded."""
        core, section = self._shown
        with new_plate(TWO_COLUMNS, 62.0) as figure:
            axes = figure.add_subplot()
            here = self._drawn()
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
            self._shade(axes)
            self._limit(axes, here)
            axes.set_xlabel("offset from the top of the section [cm]")
            axes.set_ylabel(label(self.quantity))
            runs = "" if self._shown_run is None else f", run {self._shown_run}"
            axes.set_title(
                f"core {core}, section {section}{runs}; shaded: to be excluded", loc="left"
            )
        what = (
            f"Readings of core {core}, section {section}{runs}, with the intervals to be excluded"
            f"{' (hatched: in the file)' if len(self._in_file) > len(self._removed) else ''}."
        )
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
        here = self._drawn()
        good = flags.usable(self._series.flag[here])
        x, y = self._offset[here], self._series.values[here]
        axes.plot(x[~good], y[~good], ".", color=FLAGGED, markersize=4)
        axes.plot(x[good], y[good], ".", color=COLOURS.get(self.quantity, "black"), markersize=4)
        self._shade(axes)
        axes.set_xlabel("offset [cm]: drag across an interval, then give its reason")
        axes.set_ylabel(label(self.quantity))
        if here.any():
            axes.set_xlim(x.min() - 2.0, x.max() + 2.0)
        self._limit(axes, here)

    def _span(self, low: float, high: float) -> None:
        self._ends = (round(max(low, 0.0), 1), round(high, 1))
        for box, value in zip(self._boxes, self._ends, strict=True):
            box.value = value

    def _listed(self) -> list[tuple[str, tuple[str, int]]]:
        """Words and place of every interval: those of the panel, then those of the file."""

        def words(row: Mapping[str, Any]) -> str:
            for_one = f", {row['sensor']} only" if row["sensor"] else ""
            return (
                f"core {row['core']}, section {row['section']}, {row['from [cm]']:g} to "
                f"{row['to [cm]']:g} cm: {row['reason']}{for_one}"
            )

        return [
            *((f"new: {words(row)}", ("new", i)) for i, row in enumerate(self._rows)),
            *((f"in the file: {words(row)}", ("file", i)) for i, row in enumerate(self._kept())),
        ]

    def _controls(self, w: Any) -> list[Any]:
        places = list(dict.fromkeys(zip(self._core, self._section, strict=True)))
        options = [(f"core {core}, section {section}", (core, section)) for core, section in places]
        where = w.Dropdown(options=options, value=self._shown, description="section")
        # A dropdown shows no words for the value None, so that an empty text stands for all runs.
        runs = [("all runs", ""), *((f"run {one}", one) for one in dict.fromkeys(self._run))]
        run = w.Dropdown(options=runs, value=self._shown_run or "", description="run")
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
        mark = w.Button(description="mark interval", tooltip="exclude from … to, with this reason")
        before = w.Button(description="previous section", tooltip="show the section above")
        after = w.Button(description="next section", tooltip="show the section below")
        rows = w.Select(
            options=self._listed(),
            value=None,
            description="intervals",
            rows=4,
            layout=w.Layout(width="42em"),
        )
        out = w.Button(description="remove selected", tooltip="remove the interval selected above")
        back = w.Button(description="undo", tooltip="take back the last change of intervals")
        trouble = w.HTML()

        def refuse(error: object) -> None:
            trouble.value = f'<div style="color:#8B0000">Refused: {html.escape(str(error))}</div>'

        def attempt(action: Callable[[], Any]) -> None:
            trouble.value = ""
            try:
                action()
            except PanelError as error:
                refuse(error)

        def moved(change: Any) -> None:
            if change["new"] is not None and change["new"] != self._shown:
                self.show(*change["new"])

        def ran(change: Any) -> None:
            if (change["new"] or None) != self._shown_run:
                self.show_run(change["new"] or None)

        def marked(_: Any) -> None:
            from_, to = (units.quantity(box.value, "cm") for box in (top, bottom))
            # The section is that of the title: the state of the panel, not of a control.
            attempt(lambda: self.set(*self._shown, from_, to, reason.value))

        def step(by: int) -> None:
            place = places.index(self._shown) + by
            if 0 <= place < len(places):
                self.show(*places[place])

        def take_out(_: Any) -> None:
            if rows.value is None:
                refuse("no interval is selected; select one in the list of intervals")
                return
            kind, number = rows.value
            attempt(lambda: (self.remove if kind == "new" else self.remove_existing)(number))

        def refresh() -> None:
            # The controls follow the state, whatever changed it.
            where.value, run.value = self._shown, self._shown_run or ""
            rows.options, rows.value = self._listed(), None

        where.observe(moved, "value")
        run.observe(ran, "value")
        mark.on_click(marked)
        before.on_click(lambda _: step(-1))
        after.on_click(lambda _: step(1))
        out.on_click(take_out)
        back.on_click(lambda _: attempt(self.undo))
        self._watchers.append(refresh)
        return [
            w.HBox([where, before, after, run]),
            w.HBox([top, bottom, reason, mark]),
            rows,
            w.HBox([out, back]),
            trouble,
        ]


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


def _rows_of(reduced: xr.DataTree) -> list[dict[str, Any]]:
    """Rows of ``exclusions.csv`` as the hole was read, with the headers of the panel."""
    table = leaf_of(reduced, "exclusions")
    if table is None:
        return []
    rows = []
    for number in range(table.sizes["row"]):
        row: dict[str, Any] = {}
        for header in _COLUMNS:
            name = header.partition(" [")[0]
            if name in _ENDS:
                row[header] = round(float(table[name].values[number]), 6)  # cm, as it was read
            else:
                row[header] = str(table[name].values[number]) if name in table else ""
        rows.append(row)
    return rows


def _newest_core(reduced: xr.DataTree, cores: np.ndarray, depth: np.ndarray) -> str:
    """Core with readings that came on deck last; without times, the deepest."""
    table = leaf_of(reduced, "cores")
    if table is not None and "time_on_deck" in table:
        times = table["time_on_deck"].values
        names = table["core"].values.astype(str)
        here = np.isin(names, np.unique(cores)) & ~np.isnat(times)
        if here.any():
            return str(names[here][np.argmax(times[here])])
    placed = np.where(np.isfinite(depth), depth, -np.inf)
    return str(cores[int(np.argmax(placed))])
