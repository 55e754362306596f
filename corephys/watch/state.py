"""State of a watch, and its one step: import, read, reduce, and write the page."""

from __future__ import annotations

import os
import re
import time
import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys import importing
from corephys.ground.provenance import write_bytes
from corephys.hole import HoleError, read_hole
from corephys.importing.mapping import FILE as MAPPING
from corephys.reduction.recipe import Recipe
from corephys.reduction.run import reduce
from corephys.watch import page
from corephys.watch.core import CoreSummary, summarise_core
from corephys.watch.folder import Inputs, changed_files, inputs, named

__all__ = [
    "PAGE",
    "SIGN",
    "State",
    "refresh",
    "remove_unfinished",
    "utc",
    "write_page",
    "write_sign",
]

PAGE = "newest.html"
SIGN = "newest.js"


def utc() -> np.datetime64:
    """Time of this computer, UTC, to the second."""
    return np.datetime64("now", "s")


@dataclass
class State:
    """What a watch holds between two steps.

    Parameters
    ----------
    folder : Path
        Hole folder.
    out : Path or None
        Existing folder of the page; None for a watch that only shows a card.
    recipe : Recipe, mapping, Path or None
        Recipe or changes for every reduction; a path is a TOML file of changes.
    site : Path or None
        Folder of the site of the hole.
    now : callable
        Returns the time, UTC, as a datetime64.
    clock : callable
        Returns a time that only goes forward [s].
    tree : DataTree or None
        The last reduced hole.
    summary : CoreSummary or None
        Its newest core.
    fault : Fault or None
        Why the last change is not shown; None when it is.
    warnings : tuple of str
        Exports and rows that the last import did not take.
    written : datetime64 or None
        Time of the last good reduction.
    spent : dict of str to float
        Seconds of each of its steps.
    seen : dict
        Files as they were at the last step.
    refreshes : int
        Number of steps.
    unfinished : dict of str to str
        What the import leaves for later, by export.
    """

    folder: Path
    out: Path | None = None
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | Path | None = None
    site: Path | None = None
    now: Callable[[], np.datetime64] = utc
    clock: Callable[[], float] = time.monotonic
    tree: xr.DataTree | None = None
    summary: CoreSummary | None = None
    fault: page.Fault | None = None
    warnings: tuple[str, ...] = ()
    written: np.datetime64 | None = None
    spent: dict[str, float] = field(default_factory=dict)
    seen: Inputs = field(default_factory=dict)
    refreshes: int = 0
    unfinished: dict[str, str] = field(default_factory=dict)

    def look(self) -> Inputs:
        """Files that the reduction depends on, as they are now."""
        more = [self.recipe] if isinstance(self.recipe, Path) else []
        return inputs(self.folder, self.site, more)

    def body(self) -> str:
        """The page of this state as one element."""
        return page.body(
            self.summary,
            self.now(),
            hole=self.folder.resolve().name,
            fault=self.fault,
            warnings=self.warnings,
            written=self.written,
            spent=self.spent,
        )

    @property
    def identity(self) -> str:
        """Name of this state of the page, which no other watch gives."""
        return f"{os.getpid()}-{id(self)}-{self.refreshes}"


def refresh(state: State, waited: float = 0.0) -> None:
    """Import, read and reduce a hole anew, and write its page.

    Parameters
    ----------
    state : State
        Changed in place. A hole that cannot be used leaves the last good reduction and becomes
        its fault.
    waited : float
        Time [s] since the change was noticed.

    Raises
    ------
    OSError
        When the page cannot be written.
    """
    changed = changed_files(state.seen, state.look()) if state.seen else []
    spent = {"wait for quiet files": waited} if waited else {}
    try:
        tree, warnings = _reduced(state, spent)
        summary = _timed(state, spent, "summary", lambda: summarise_core(tree, state.now()))
    # Errors of a hole, a mapping or a recipe are ValueErrors. Any other error is one of this
    # program, and the caller decides.
    except (OSError, ValueError) as error:
        state.fault = _fault(error, changed, state.now())
    else:
        state.tree, state.summary, state.warnings = tree, summary, warnings
        state.fault, state.written, state.spent = None, state.now(), spent
    state.refreshes += 1
    write_page(state)


def _timed(state: State, spent: dict[str, float], step: str, run: Callable[[], Any]) -> Any:
    """Run one step and note its time."""
    began = state.clock()
    found = run()
    spent[step] = state.clock() - began
    return found


def _reduced(state: State, spent: dict[str, float]) -> tuple[xr.DataTree, tuple[str, ...]]:
    """The hole reduced as its files are now, and what the import did not take."""
    warnings: tuple[str, ...] = ()
    if (state.folder / MAPPING).is_file():
        report = _timed(state, spent, "import", lambda: importing.run(state.folder))
        warnings = _not_taken(report, state.unfinished)
    # After the import, which writes tables: a file that changes from here on is another change.
    state.seen = state.look()
    recipe = state.recipe
    if isinstance(recipe, Path):
        recipe = tomllib.loads(recipe.read_text(encoding="utf-8")) or None
    hole = _timed(state, spent, "read", lambda: read_hole(state.folder, site=state.site))
    tree = _timed(state, spent, "reduce", lambda: reduce(hole, recipe, reuse=state.tree))
    return tree, warnings


def _not_taken(report: importing.ImportReport, unfinished: dict[str, str]) -> tuple[str, ...]:
    """Files and rows that an import refused, and lines that it leaves for later."""
    found = [f"{file.file} was not imported: {file.fault}" for file in report.refused_files]
    if report.refused:
        file, line, _, reason, _ = report.refused[0]
        found.append(
            f"{len(report.refused)} rows refused, the first in {file}, line {line}: {reason}; "
            "import_refused.csv lists them"
        )
    for one in report.files:
        # A file that did not change since has no note, and its last line is still not taken.
        if one.status == "unchanged":
            continue
        unfinished.pop(one.file, None)
        for note in one.notes:
            if note.startswith("the last line has no line end"):
                unfinished[one.file] = f"{one.file}: {note}"
    return (*found, *unfinished.values())


def _fault(error: Exception, changed: list[str], now: np.datetime64) -> page.Fault:
    """An error as the page shows it: the file at fault where the error names it."""
    place = ""
    if isinstance(error, HoleError) and error.problems:
        first = error.problems[0]
        place = first.file if first.row is None else f"{first.file}, line {first.row}"
    elif isinstance(error, OSError) and error.filename is not None:
        place = os.path.basename(str(error.filename))
    elif isinstance(error, tomllib.TOMLDecodeError):
        place = named(name for name in changed if name.endswith(".toml"))
    if not place:
        place = f"after a change of {named(changed)}" if changed else ""
    words = str(error) or type(error).__name__
    return page.Fault(now, place, words)


def write_page(state: State) -> None:
    """Write the page of a state in one step, then its sign.

    Parameters
    ----------
    state : State
        Without ``out`` nothing is written.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    if state.out is None:
        return
    core = f"Core {state.summary.core} · " if state.summary is not None else ""
    title = core + (state.summary.hole if state.summary is not None else state.folder.name)
    began = state.clock()
    text = page.page(state.body(), title, state.identity, SIGN)
    write_bytes(state.out / PAGE, text.encode("utf-8"))
    write_sign(state)
    if state.fault is None:
        state.spent["page"] = state.clock() - began


def write_sign(state: State, what: str = "watching") -> None:
    """Write the sign beside the page.

    Parameters
    ----------
    state : State
        Without ``out`` nothing is written.
    what : {"watching", "stopped"}
        Whether the watch goes on.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    if state.out is not None:
        text = page.sign(state.identity, state.now(), what)
        write_bytes(state.out / SIGN, text.encode("utf-8"))


def remove_unfinished(state: State) -> None:
    """Remove pages and signs that a watch was writing when it was killed.

    Parameters
    ----------
    state : State
        Its watch holds the lock of ``out`` and writes nothing meanwhile.
    """
    if state.out is None:
        return
    # As write_whole names them; the lock and other hidden files have other names.
    for path in state.out.glob(f".{Path(PAGE).stem}.*"):
        if re.fullmatch(r"\.[0-9a-f]{8}\.(html|js)", path.name.removeprefix(f".{Path(PAGE).stem}")):
            with suppress(OSError):
                path.unlink(missing_ok=True)
