"""Rows added to the table of exclusions of a hole; what stands there stays as it is."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from corephys.ground import units
from corephys.notebook.panel import PanelError

__all__ = ["added"]

_NEEDED = ("core", "section", "from", "to", "reason")
_ENDS = ("from", "to")


def added(path: Path, rows: Sequence[Mapping[str, Any]]) -> bytes:
    """The file with rows added, in its own columns and units.

    Parameters
    ----------
    path : Path
        ``exclusions.csv`` of a hole.
    rows : sequence of mapping
        By the headers of :data:`corephys.notebook.panel_exclusions.COLUMNS`, ends in cm.

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
