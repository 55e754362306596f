"""A site as a folder: one folder for each hole, with ties and a sequence beside them."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from corephys.ground.provenance import write_bytes
from corephys.hole.composite import ties as composite_ties
from corephys.hole.composite.ties import TieError
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.read import read_hole

__all__ = ["Site", "read_site", "read_ties", "write_ties"]


@dataclass(frozen=True)
class Site:
    """Several holes through the same ground.

    Parameters
    ----------
    holes : dict of str to DataTree
        Holes by the names of their folders.
    ties : DataFrame
        Checked ties between them; without a row if there are none yet.
    sequence : DataFrame or None
        Intervals of the composite sequence as written; None if there is none yet.
    settings : dict
        Settings of ``site.toml``.
    """

    holes: dict[str, xr.DataTree]
    ties: pd.DataFrame
    sequence: pd.DataFrame | None = None
    settings: dict[str, Any] = field(default_factory=dict)

    @property
    def cores(self) -> dict[str, xr.Dataset]:
        """Table of cores of each hole."""
        return {name: tree["cores"].to_dataset() for name, tree in self.holes.items()}


def read_site(folder: str | os.PathLike[str], *, columns: Any = None) -> Site:
    """Read all holes of a site, and the ties between them.

    Parameters
    ----------
    folder : path
        Folder with one hole folder for each hole (with ``hole.toml`` or ``cores.csv``), and
        optionally ``site.toml``, ``ties.csv`` and ``sequence.csv``.
    columns : mapping, optional
        Foreign headers, see :func:`corephys.read_hole`; the same for every hole.

    Returns
    -------
    Site
        Holes in the order of their names.

    Raises
    ------
    FileNotFoundError
        When there is no such folder.
    HoleError
        When there is no hole, or one has faults; the problems of all holes are listed.
    TieError
        When ties do not fit the holes.
    """
    where = Path(folder)
    if not where.is_dir():
        raise FileNotFoundError(f"there is no folder {where}; give the folder of the site")
    holes: dict[str, xr.DataTree] = {}
    problems: list[Problem] = []
    for path in sorted(p for p in where.iterdir() if p.is_dir()):
        if not ((path / "hole.toml").is_file() or (path / "cores.csv").is_file()):
            continue
        try:
            holes[path.name] = read_hole(path, columns=columns)
        except HoleError as error:
            problems += [
                Problem(f"{path.name}/{p.file}", p.row, p.column, p.what, p.mend)
                for p in error.problems
            ]
    if not holes and not problems:
        mend = "Put each hole into a separate folder with hole.toml and cores.csv"
        problems.append(Problem(str(where.name), None, "", "no hole folder is there", mend))
    if problems:
        raise HoleError(problems, f"the site in {str(where)!r}")
    cores = {name: tree["cores"].to_dataset() for name, tree in holes.items()}
    ties = composite_ties.empty()
    if (where / "ties.csv").is_file():
        ties = composite_ties.checked_ties(read_ties(where / "ties.csv"), cores)
    sequence = None
    if (where / "sequence.csv").is_file():
        sequence = _table(where / "sequence.csv")
    settings: dict[str, Any] = {}
    if (where / "site.toml").is_file():
        try:
            settings = tomllib.loads((where / "site.toml").read_text(encoding="utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            fault = Problem("site.toml", None, "", str(error), "Correct this line of the file")
            raise HoleError([fault], f"the site in {str(where)!r}") from error
    return Site(holes, ties, sequence, settings)


def read_ties(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read ties as they were written, without the checks of :func:`checked_ties`.

    Parameters
    ----------
    path : path
        CSV file with the headers of :data:`corephys.hole.composite.ties.COLUMNS`, lengths with
        their unit.

    Returns
    -------
    DataFrame
        Table of text; "01" and "NA" stay as they are.

    Raises
    ------
    TieError
        When the file is not a table of text, or a depth has no unit.
    """
    table = _table(Path(path))
    bare = [n for n, unit in composite_ties.COLUMNS.items() if unit == "m" and n in table]
    if bare:
        raise TieError(
            f"{Path(path).name}: the column {bare[0]!r} has no unit; write '{bare[0]} [m]'"
        )
    return table


def _table(path: Path) -> pd.DataFrame:
    """A CSV file as text; pandas would read "01" as 1 and "NA" as missing."""
    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise TieError(
            f"{path.name} cannot be read as a table ({error}); save it as CSV in UTF-8"
        ) from error


def write_ties(ties: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Write ties to a file, completely or not at all.

    Parameters
    ----------
    ties : DataFrame
        Ties with plain names or units in the headers.
    path : path
        File in an existing folder.

    Returns
    -------
    Path
        The file, from which :func:`read_ties` reads the same table.
    """
    named = ties.rename(
        columns={n: f"{n} [m]" for n, unit in composite_ties.COLUMNS.items() if unit == "m"}
    )
    text = named.to_csv(index=False, float_format="%.10g", lineterminator="\n")
    return write_bytes(path, text.encode("utf-8"))
