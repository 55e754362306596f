"""What the holes of a site share: settings of ``site.toml`` and the standards beside it.

A setting of the site holds for every hole that does not set it itself. A table of standards of
the site is read with the hole's own table of that name, the rows of the site first.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from corephys.hole.reading import csv, settings
from corephys.hole.reading.columns import Columns, read_columns
from corephys.hole.reading.csv import Cells
from corephys.hole.reading.error import Problem, nearest, rows_in_words
from corephys.hole.reading.tables import TABLES

__all__ = [
    "SITE_FILE",
    "Shared",
    "hole_folders",
    "inherit",
    "join",
    "read_shared",
    "shared_files",
    "taken_from_site",
]

SITE_FILE = "site.toml"
_SITE_KEYS = ("name", "latitude", "longitude", "reference", "holes")
# Keys of [site] that a hole inherits under [hole], and their names there.
_OF_SITE = {"name": "site", "latitude": "latitude", "longitude": "longitude"}
_STANDARDS = "standards/"


@dataclass(frozen=True)
class Shared:
    """Settings and standards that all holes of a site share.

    Parameters
    ----------
    settings : dict
        Contents of ``site.toml`` as written.
    inherited : dict of str to dict
        Tables and keys of it that a hole takes where it does not set them.
    standards : dict of str to Columns
        Tables of standards by path, such as ``"standards/gamma"``.
    files : tuple of str
        Files that were read, relative to the folder of the site.
    """

    settings: dict[str, Any] = field(default_factory=dict)
    inherited: dict[str, dict[str, Any]] = field(default_factory=dict)
    standards: dict[str, Columns] = field(default_factory=dict)
    files: tuple[str, ...] = ()

    @property
    def zone(self) -> str:
        """Time zone of times without one in the standards of the site."""
        return str(self.inherited.get("hole", {}).get("time_zone", "UTC"))


def hole_folders(folder: Path) -> list[Path]:
    """Folders of holes directly below a folder, in the order of their names."""
    return [
        path
        for path in sorted(folder.iterdir())
        if path.is_dir() and ((path / settings.FILE).is_file() or (path / "cores.csv").is_file())
    ]


def shared_files(folder: Path) -> list[str]:
    """Files of a folder that would change the numbers of a hole below it, if it is a site."""
    if not (folder / SITE_FILE).is_file():
        return []
    given, faults = _settings(folder)
    found = [SITE_FILE] if faults or set(given) - {"site"} else []
    found += ["recipe.toml"] if (folder / "recipe.toml").is_file() else []
    found += [f"standards/{path.name}" for path in sorted((folder / "standards").glob("*.csv"))]
    return found


def read_shared(folder: Path) -> tuple[Shared, list[Problem]]:
    """Settings and standards of a site, and their faults; empty without such files."""
    given, problems = _settings(folder)
    inherited = _inherited(given)
    problems += _faults(given, inherited)
    files = [SITE_FILE] if (folder / SITE_FILE).is_file() else []
    zone = str(inherited.get("hole", {}).get("time_zone", "UTC"))
    if any(problem.column == "time_zone" for problem in problems):
        zone = "UTC"
    standards: dict[str, Columns] = {}
    for path in sorted((folder / "standards").glob("*.csv")):
        name = f"{_STANDARDS}{path.stem}"
        if name not in TABLES:
            known = [n.removeprefix(_STANDARDS) for n in TABLES if n.startswith(_STANDARDS)]
            guess = nearest(path.stem, known)
            mend = (
                f"Did you mean {guess}.csv?" if guess else f"Rename it: one of {', '.join(known)}"
            )
            what = "there is no table of standards of this name"
            problems.append(Problem(f"{name}.csv", None, "", what, mend))
            continue
        files.append(f"{name}.csv")
        cells, faults = csv.parse(path.read_bytes(), f"{name}.csv")
        problems += faults
        if cells is not None:
            standards[name], faults = read_columns(cells, TABLES[name], zone)
            problems += faults
    return Shared(given, inherited, standards, tuple(files)), problems


def _settings(folder: Path) -> tuple[dict[str, Any], list[Problem]]:
    """Contents of site.toml; empty without the file."""
    path = folder / SITE_FILE
    if not path.is_file():
        return {}, []
    text, problem = csv.decode(path.read_bytes(), SITE_FILE)
    if text is None:
        return {}, [problem] if problem else []
    try:
        return tomllib.loads(text), []
    except tomllib.TOMLDecodeError as error:
        mend = 'Write one setting a line, such as name = "...", under a [table]'
        return {}, [Problem(SITE_FILE, None, "", f"the TOML cannot be read: {error}", mend)]


def _inherited(given: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Tables and keys that a hole takes from the site."""
    found = {
        table: dict(values)
        for table, values in given.items()
        if table != "site" and isinstance(values, dict)
    }
    site = given.get("site")
    if isinstance(site, dict):
        place = {here: site[key] for key, here in _OF_SITE.items() if key in site}
        if place:
            found["hole"] = {**place, **found.get("hole", {})}
    return found


def _faults(given: dict[str, Any], inherited: dict[str, dict[str, Any]]) -> list[Problem]:
    """Faults of site.toml."""
    problems = []
    site = given.get("site", {})
    if not isinstance(site, dict):
        what = "site is no table"
        return [Problem(SITE_FILE, None, "site", what, 'Write [site], then name = "..."')]
    if "name" in given.get("hole", {}):
        what = "[hole] gives a name, and every hole needs its own"
        mend = "Write the name of the site under [site], and that of a hole into its hole.toml"
        problems.append(Problem(SITE_FILE, None, "name", what, mend))
    for key in site:
        guess = "" if key in _SITE_KEYS else nearest(key, _SITE_KEYS)
        if guess and guess not in site:
            what = f"[site] has no setting {key!r}"
            problems.append(Problem(SITE_FILE, None, key, what, f"Write {guess!r}"))
    holes = site.get("holes", [])
    if not (isinstance(holes, list) and all(isinstance(name, str) for name in holes)):
        what = f"holes is {holes!r}, not a list of names"
        mend = 'Write the names of the hole folders in their order: holes = ["A", "B"]'
        problems.append(Problem(SITE_FILE, None, "holes", what, mend))
    elif len(set(holes)) < len(holes):
        what = "holes names a hole twice"
        problems.append(Problem(SITE_FILE, None, "holes", what, "Name each hole once"))
    if not isinstance(site.get("reference", ""), str):
        what = f"reference is {site['reference']!r}, not the name of a hole"
        problems.append(Problem(SITE_FILE, None, "reference", what, 'Write reference = "A"'))
    # The check of a hole's settings needs a name, which no site gives to its holes.
    loose = {t: v for t, v in given.items() if t != "site" and not isinstance(v, dict)}
    as_hole = {**inherited, **loose, "hole": {**inherited.get("hole", {}), "name": "hole"}}
    found = settings.check(as_hole)
    return problems + [replace(problem, file=SITE_FILE) for problem in found]


def inherit(
    given: dict[str, Any], shared: Shared, problems: list[Problem]
) -> tuple[dict[str, Any], list[str], list[Problem]]:
    """Settings of a hole over those of its site.

    Returns the settings, the names ``"table.key"`` of those that come from the site, and faults.
    A site with faults of its own must not be given: they would be reported for each hole.
    """
    merged: dict[str, Any] = dict(given)
    taken = []
    for table, values in shared.inherited.items():
        own = merged.get(table, {})
        if not isinstance(own, dict):
            continue  # its own fault is reported
        merged[table] = {**values, **own}
        taken += [f"{table}.{key}" for key in values if key not in own]
    faults = []
    hole = merged.get("hole", {})
    zone = hole.get("time_zone", "UTC") if isinstance(hole, dict) else "UTC"
    timed = any("time" in table for table in shared.standards.values())
    if timed and zone != shared.zone and not any(p.column == "time_zone" for p in problems):
        what = (
            f"the time_zone of the hole is {zone!r}, that of the standards of the site "
            f"{shared.zone!r}"
        )
        mend = f"Write the time_zone of the standards under [hole] in {SITE_FILE}"
        faults.append(Problem(settings.FILE, None, "time_zone", what, mend))
    return merged, taken, faults


def join(own: Columns | None, shared: Columns, file: str) -> tuple[Columns, list[Problem]]:
    """A table of standards of the site with the hole's own rows below.

    The set and the time of a row are its key: rows of both with the same key are a fault, since a
    calibration would take both for one set.
    """
    if own is None:
        return shared, []
    problems = _same_keys(own, shared, file)
    values: dict[str, Any] = {}
    units: dict[str, str] = {}
    for name in dict.fromkeys([*shared.values, *own.values]):
        parts = [
            _part(table, name, one, other)
            for table, one, other in (
                (shared, shared.values.get(name), own.values.get(name)),
                (own, own.values.get(name), shared.values.get(name)),
            )
        ]
        held = [table.units[name] for table in (shared, own) if name in table.units]
        if parts[0].dtype.kind != parts[1].dtype.kind or len(set(held)) > 1:
            what = f"the column {name!r} differs in kind or unit from that of the site"
            mend = f"Give it the unit of the site's {shared.file}, or rename one of the two"
            problems.append(Problem(file, 1, name, what, mend))
            continue
        values[name] = np.concatenate(parts)
        if held:
            units[name] = held[0]
    bad = [*shared.bad, *((row + len(shared), name, text) for row, name, text in own.bad)]
    bad_rows = np.concatenate([shared.bad_rows, own.bad_rows])
    lines = [*shared.cells.lines, *own.cells.lines]
    cells = Cells(file, list(values), [], lines)
    unread = {name: list(rows) for name, rows in shared.unread.items()}
    for name, rows in own.unread.items():
        unread[name] = unread.get(name, []) + [row + len(shared) for row in rows]
    contents = {name: [*_given(shared, name), *_given(own, name)] for name in values}
    return Columns(own.table, cells, values, units, bad, bad_rows, unread, contents), problems


def _given(table: Columns, name: str) -> list[Any]:
    """The cells of a column as they were given, empty ones where the table lacks it."""
    return list(table.contents[name]) if name in table.contents else [""] * len(table)


def _part(table: Columns, name: str, one: Any, other: Any) -> np.ndarray:
    """A column of a table, missing cells where the table lacks it."""
    if one is not None:
        return np.asarray(one)
    kind = np.asarray(other).dtype
    if kind.kind == "f":
        return np.full(len(table), np.nan)
    if kind.kind == "M":
        return np.full(len(table), np.datetime64("NaT"), dtype=kind)
    return np.full(len(table), "", dtype=object)


def _same_keys(own: Columns, shared: Columns, file: str) -> list[Problem]:
    """Rows of the hole whose set and time are also those of a row of the site."""
    known = set(_keys(shared))
    rows = [row for row, key in enumerate(_keys(own)) if key in known]
    if not rows:
        return []
    name, time = _keys(own)[rows[0]]
    where = f"set {name!r}" if name else "no set"
    when = f"time {time}" if time != "NaT" else "no time"
    what = f"the site has standards with the same {where} and {when}{rows_in_words(len(rows))}"
    mend = (
        "Keep each standard in one of the two files, or give those of the hole another set or time"
    )
    return [Problem(file, own.line(rows[0]), "set", what.replace("same no", "same: no"), mend)]


def _keys(table: Columns) -> list[tuple[str, str]]:
    """Set and time of every row, as texts."""
    size = len(table)
    sets = table["set"] if "set" in table else np.full(size, "", dtype=object)
    nothing = np.full(size, np.datetime64("NaT"), dtype="datetime64[s]")
    times = table.values.get("time", nothing)
    return [(str(name), str(time)) for name, time in zip(sets, times, strict=True)]


def taken_from_site(attributes: Mapping[str, Any]) -> list[str]:
    """Settings ``"table.key"`` that a hole took from its site; none for a hole without one."""
    return list(json.loads(str(attributes.get("settings_of_site", "[]"))))
