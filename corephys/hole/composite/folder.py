"""The folder of a site as one tree: its holes, what they share, and the tables of the site."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import provenance
from corephys.ground.sensor import number, optional
from corephys.hole.composite import ties as composite_ties
from corephys.hole.composite.sequences import sequence_columns
from corephys.hole.composite.ties import TieError
from corephys.hole.reading import csv, shared
from corephys.hole.reading.columns import read_columns
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.read import hole_of_site
from corephys.hole.reading.settings import FILE, to_json
from corephys.hole.reading.shared import SITE_FILE, Shared
from corephys.hole.reading.tables import Table

__all__ = [
    "SITE",
    "hole_names",
    "hole_of",
    "instead_of_site",
    "is_site",
    "is_site_folder",
    "read_site",
    "read_ties",
    "site_head",
    "site_tree",
    "ties_of",
    "with_ties",
]

#: Node of the tables of the site; no hole may have this name.
SITE = "site"
_RECIPE = "recipe.toml"
_TIES, _SEQUENCE, _AGES = "ties.csv", "sequence.csv", "ages.csv"
_AGES_TABLE = Table(
    "ages",
    (
        number("depth_composite", "m"),
        number("age", "kyr"),
        *optional(number("age_uncertainty", "kyr")),
    ),
)


def is_site_folder(folder: str | os.PathLike[str]) -> bool:
    """Whether a folder is that of a site: no hole itself, with folders of holes or site.toml."""
    where = Path(folder)
    if not where.is_dir() or (where / FILE).is_file() or (where / "cores.csv").is_file():
        return False
    return (where / SITE_FILE).is_file() or bool(shared.hole_folders(where))


def is_site(tree: Any) -> bool:
    """Whether a tree is a site of :func:`read_site`, raw or reduced."""
    return isinstance(tree, xr.DataTree) and "holes" in tree.attrs


def instead_of_site(site: xr.DataTree) -> str:
    """What to give in place of a site where one hole is asked for, for messages."""
    name = next(iter(hole_names(site)), "A")
    return f"the tree is a site; give one of its holes: cp.composite.hole_of(site, {name!r})"


def hole_names(site: xr.DataTree) -> list[str]:
    """Names of the holes of a site in their order.

    Parameters
    ----------
    site : DataTree
        Site, raw or reduced.

    Returns
    -------
    list of str
        Names of the holes that were read.
    """
    return list(json.loads(str(site.attrs["holes"])))


def hole_of(site: xr.DataTree, name: str) -> xr.DataTree:
    """One hole of a site as a tree of its own.

    Parameters
    ----------
    site : DataTree
        Site of ``cp.read_site`` or ``cp.reduce``.
    name : str
        Name of the hole, that of its folder.

    Returns
    -------
    DataTree
        The hole, as ``cp.read_hole`` or ``cp.reduce`` of the hole alone gives it. Arrays are
        shared with the site and not copied.

    Raises
    ------
    KeyError
        When the site has no such hole.
    """
    known = hole_names(site)
    if name not in known:
        raise KeyError(f"the site has no hole {name!r}; it has {', '.join(known)}")
    found = site[name].copy()
    found.name = None  # a hole that is read alone has none
    return found


def read_site(
    folder: str | os.PathLike[str],
    *,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    skip_unreadable: bool = False,
) -> xr.DataTree:
    """Read and check the folder of a site: its holes, and what lies beside them.

    Parameters
    ----------
    folder : path
        Folder with a folder for each hole (with ``hole.toml`` or ``cores.csv``). Beside them, all
        optional: ``site.toml``, ``recipe.toml``, ``standards/*.csv``, ``ties.csv``,
        ``sequence.csv`` and ``ages.csv``.
    columns : mapping, optional
        Foreign headers, see :func:`corephys.read_hole`; the same for every hole.
    skip_unreadable : bool
        Read the other holes where a hole has faults; by default the faults of all holes are one
        error. Faults of the site's own files are always an error.

    Returns
    -------
    DataTree
        One child for each hole, named as its folder, with the hole of :func:`corephys.read_hole`
        in it. ``/site/ties``, ``/site/sequence`` and ``/site/ages`` hold the tables of the site.
        Attributes of the root: title, settings, holes, reference, recipe_changes,
        unreadable (faults by hole that was skipped), holes_not_listed, input_sha256,
        source_files.

    Raises
    ------
    FileNotFoundError
        When there is no such folder.
    HoleError
        When the folder is that of one hole, holds no hole, or a hole or a file of the site has
        faults; the problems of all holes are listed with the names of the holes.
    TieError
        When ties do not fit the holes.

    Notes
    -----
    Tables of settings in ``site.toml``, such as ``[gamma]``, hold for every hole that does not set
    a key itself; the attribute ``settings_of_site`` of a hole lists what it took. Standards of the
    site are read with those of the hole. Ages are on composite depth.
    """
    where = Path(folder)
    head, common = site_head(where)
    holes: dict[str, xr.DataTree] = {}
    faults: dict[str, list[Problem]] = {}
    for name in hole_names(head):
        try:
            holes[name] = hole_of_site(where / name, columns, common, where)
        except HoleError as error:
            faults[name] = [
                Problem(f"{name}/{p.file}", p.row, p.column, p.what, p.mend) for p in error.problems
            ]
    if faults and (not skip_unreadable or not holes):
        problems = [problem for found in faults.values() for problem in found]
        raise HoleError(problems, f"the site in {str(where)!r}")
    cores = {name: tree["cores"].to_dataset() for name, tree in holes.items() if "cores" in tree}
    attributes, nodes = with_ties(where, head, cores, list(faults))
    attributes["holes"] = json.dumps(list(holes))
    unreadable = {name: [str(problem) for problem in found] for name, found in faults.items()}
    attributes["unreadable"] = json.dumps(unreadable, ensure_ascii=False)
    return site_tree(attributes, holes, nodes)


def site_tree(
    attributes: Mapping[str, Any],
    holes: Mapping[str, xr.DataTree],
    nodes: Mapping[str, xr.Dataset],
) -> xr.DataTree:
    """One tree of the holes and of the tables of a site, which lie in the node ``site``."""
    found: dict[str, Any] = {"/": xr.Dataset(attrs=dict(attributes))}
    found |= {f"/{name}": tree for name, tree in holes.items()}
    found |= {f"/{SITE}/{name}": table for name, table in nodes.items()}
    return xr.DataTree.from_dict(found)


def site_head(where: Path) -> tuple[xr.DataTree, Shared]:
    """A site before its holes are read: names of the holes, settings, ages, recipe.

    The tree has the attributes and tables of :func:`read_site` without holes and ties; faults of
    the site's files raise HoleError.
    """
    if not where.is_dir():
        raise FileNotFoundError(f"there is no folder {str(where)!r}; give the folder of the site")
    if (where / FILE).is_file() or (where / "cores.csv").is_file():
        what = "the folder is that of one hole"
        mend = "Read it with cp.read_hole, or give the folder above it, which holds all holes"
        raise HoleError([Problem(where.name, None, "", what, mend)], f"the site in {str(where)!r}")
    common, problems = shared.read_shared(where)
    there = [path.name for path in shared.hole_folders(where)]
    names, left, more = _ordered(there, common.settings)
    problems += more
    recipe, more = _recipe(where)
    problems += more
    nodes, more = _ages(where)
    problems += more
    if problems:
        raise HoleError(problems, f"the site in {str(where)!r}")
    site = common.settings.get("site", {})
    sources = [
        *common.files,
        *(file for file in (_RECIPE, _TIES, _SEQUENCE, _AGES) if (where / file).is_file()),
    ]
    attributes = {
        "title": str(site.get("name", where.resolve().name)),
        "settings": to_json(common.settings),
        "holes": json.dumps(names),
        "reference": str(site.get("reference", names[0])),
        "recipe_changes": to_json(recipe),
        "unreadable": "{}",
        "holes_not_listed": json.dumps(left),
        "input_sha256": provenance.digests(where, sources),
        "source_files": json.dumps(sources),
    }
    return site_tree(attributes, {}, nodes), common


def _ordered(
    there: list[str], settings: Mapping[str, Any]
) -> tuple[list[str], list[str], list[Problem]]:
    """Names of the holes to read, those that site.toml does not list, and faults."""
    problems = []
    if not there:
        mend = f"Put each hole into a separate folder with {FILE} and cores.csv"
        problems.append(Problem(SITE_FILE, None, "", "no hole folder is there", mend))
    if SITE in there:
        what = f"a hole is called {SITE!r}, the name of the tables of the site"
        problems.append(Problem(SITE, None, "", what, "Give its folder another name"))
    site = settings.get("site", {})
    listed = site.get("holes", []) if isinstance(site, dict) else []
    if not (isinstance(listed, list) and all(isinstance(name, str) for name in listed)):
        return there, [], problems  # a fault of the settings, reported there
    for name in listed:
        if name not in there:
            what = f"holes lists {name!r}, and there is no folder of such a hole"
            mend = f"The folders of holes are {', '.join(there) or '(none)'}: correct the list"
            problems.append(Problem(SITE_FILE, None, "holes", what, mend))
    reference = site.get("reference") if isinstance(site, dict) else None
    if there and isinstance(reference, str) and reference not in (listed or there):
        what = f"reference is {reference!r}, which is not a hole of the site"
        mend = f"Write one of {', '.join(listed or there)}"
        problems.append(Problem(SITE_FILE, None, "reference", what, mend))
    if not listed:
        return there, [], problems
    return list(listed), [name for name in there if name not in listed], problems


def _recipe(where: Path) -> tuple[dict[str, Any], list[Problem]]:
    """Changes to the recipe that all holes share; none without recipe.toml."""
    path = where / _RECIPE
    if not path.is_file():
        return {}, []
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig")), []
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        mend = 'Write one choice a line, such as dead_time = "2 us", under a [table]'
        return {}, [Problem(_RECIPE, None, "", f"the TOML cannot be read: {error}", mend)]


def _ages(where: Path) -> tuple[dict[str, xr.Dataset], list[Problem]]:
    """Ages on composite depth; none without ages.csv."""
    path = where / _AGES
    if not path.is_file():
        return {}, []
    cells, problems = csv.parse(path.read_bytes(), _AGES)
    if cells is None:
        return {}, problems
    table, more = read_columns(cells, _AGES_TABLE)
    problems += more
    if problems:
        return {}, problems
    z, age = table["depth_composite"], table["age"]
    known = np.isfinite(z) & np.isfinite(age)
    order = np.argsort(z[known], kind="stable")
    if np.any(np.diff(age[known][order]) < 0.0):
        row = int(np.flatnonzero(known)[order][1:][np.diff(age[known][order]) < 0.0][0])
        what = f"the age of {age[row]:g} kyr is less than one above it"
        mend = "Ages grow downward: correct the age or its depth_composite, or remove the row"
        return {}, [Problem(_AGES, table.line(row), "age", what, mend)]
    variables = {}
    for name, values in table.values.items():
        unit = {"units": table.units[name]} if name in table.units else {}
        words = {"long_name": name.replace("_", " ")}
        variables[name] = xr.Variable("row", values, {**unit, **words}, fastpath=True)
    attributes = {"bad_cells": table.bad_cells()}
    return {"ages": xr.Dataset(variables, attrs=attributes)}, problems


# --------------------------------------------------------------------------------------------------
# Ties and the sequence, which need the cores of the holes.


def with_ties(
    where: Path, head: xr.DataTree, cores: Mapping[str, xr.Dataset], unread: list[str]
) -> tuple[dict[str, Any], dict[str, xr.Dataset]]:
    """Attributes and tables of a site with its ties and sequence."""
    attributes = dict(head.attrs)
    nodes = {str(leaf.name): leaf.to_dataset() for leaf in head.leaves if leaf.path != "/"}
    if (where / _TIES).is_file():
        table = read_ties(where / _TIES)
        if unread and {"hole", "to_hole"} <= set(table):
            lost = table["hole"].isin(unread) | table["to_hole"].isin(unread)
            attributes["ties_left_out"] = int(lost.sum())
            table = table[~lost]
        nodes["ties"] = ties_dataset(composite_ties.checked_ties(table, cores))
    if (where / _SEQUENCE).is_file():
        found = sequence_columns(_table(where / _SEQUENCE))
        nodes["sequence"] = xr.Dataset(
            {
                name: ("interval", found[name].to_numpy(dtype), attrs)
                for name, dtype, attrs in (
                    ("hole", object, {"long_name": "hole"}),
                    ("core", object, {"long_name": "core"}),
                    ("top", float, {"units": "m", "long_name": "top"}),
                    ("bottom", float, {"units": "m", "long_name": "bottom"}),
                )
            }
        )
    return attributes, nodes


def ties_dataset(ties: pd.DataFrame) -> xr.Dataset:
    """Checked ties as a table of the tree; numbers in m, other columns text."""
    variables: dict[str, Any] = {}
    for name in ties.columns:
        unit = composite_ties.COLUMNS.get(str(name), "")
        words = {"long_name": str(name).replace("_", " ")}
        if unit:
            attributes = {**words, "units": unit}
            variables[str(name)] = ("row", ties[name].to_numpy(float), attributes)
        else:
            texts = ties[name].fillna("").astype(str).to_numpy(object)
            variables[str(name)] = ("row", texts, words)
    return xr.Dataset(variables)


def ties_of(site: xr.DataTree) -> pd.DataFrame:
    """Ties of a site as a table.

    Parameters
    ----------
    site : DataTree
        Site of ``cp.read_site`` or ``cp.reduce``.

    Returns
    -------
    DataFrame
        Checked ties, without a row where the site has none.
    """
    path = f"{SITE}/ties"
    if SITE not in site.children or "ties" not in site[SITE].children:
        return composite_ties.empty()
    return site[path].to_dataset(inherit=False).to_dataframe().reset_index(drop=True)


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
