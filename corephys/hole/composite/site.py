"""A site for tying: its holes, the ties between them, and ties as a file."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from corephys.ground.provenance import write_bytes
from corephys.hole.composite import folder as site_folder
from corephys.hole.composite import ties as composite_ties

__all__ = ["Site", "read_site", "write_ties"]


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
        Intervals of the composite sequence, top and bottom [m]; None if there is none yet.
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
    """Read a site for tying its holes; see :func:`corephys.read_site` for a site to reduce.

    Parameters
    ----------
    folder : path
        Folder of the site.
    columns : mapping, optional
        Foreign headers, see :func:`corephys.read_hole`; the same for every hole.

    Returns
    -------
    Site
        Holes by name, in the order of the site.

    Raises
    ------
    FileNotFoundError
        When there is no such folder.
    HoleError
        When there is no hole, or one has faults; the problems of all holes are listed.
    TieError
        When ties do not fit the holes.
    """
    tree = site_folder.read_site(folder, columns=columns)
    holes = {name: site_folder.hole_of(tree, name) for name in site_folder.hole_names(tree)}
    sequence = None
    if "site/sequence" in tree.groups or "/site/sequence" in tree.groups:
        intervals = tree["site/sequence"].to_dataset(inherit=False)
        sequence = intervals.to_dataframe().reset_index(drop=True)
    settings = json.loads(str(tree.attrs["settings"]))
    return Site(holes, site_folder.ties_of(tree), sequence, settings)


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
