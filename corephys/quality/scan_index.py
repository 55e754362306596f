"""Positions of the readings of scans as integer codes and offsets, for searching neighbours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import units
from corephys.ground.arguments import positive

__all__ = ["ScanIndex", "any_within", "locate", "runs", "spacing"]

_APART = 1e6  # cm between the tapes of two sections, so that no window reaches across


@dataclass(frozen=True)
class ScanIndex:
    """Positions of one scan as codes and offsets.

    Parameters
    ----------
    core, section, run : (n,) ndarray of int
        Codes that increase downhole; equal codes in two scans mean the same core or section.
    offset : (n,) ndarray
        Offset from the section's top [cm].
    length : (n,) ndarray
        Length of the section [cm], NaN where unknown.
    by_section, by_core : (n,) ndarray of int
        Order of the readings by section, run, offset and by core, run, section, offset.
    section_starts, core_starts : ndarray of int
        First reading of each group in those orders.
    """

    core: np.ndarray
    section: np.ndarray
    run: np.ndarray
    offset: np.ndarray
    length: np.ndarray
    by_section: np.ndarray
    by_core: np.ndarray
    section_starts: np.ndarray
    core_starts: np.ndarray

    @classmethod
    def from_codes(
        cls,
        core: np.ndarray,
        section: np.ndarray,
        offset: np.ndarray,
        *,
        run: int | np.ndarray = 1,
        length: float | np.ndarray = np.nan,
    ) -> ScanIndex:
        """Make positions from codes and offsets.

        Parameters
        ----------
        core, section : (n,) array of int
            Codes in the order downhole.
        offset : (n,) array
            [cm].
        run : int or (n,) array of int
            Number of the pass.
        length : float or (n,) array
            Length of the section [cm].

        Returns
        -------
        ScanIndex
        """
        offset = np.asarray(offset, dtype=float)
        core, section, run = (
            np.broadcast_to(np.asarray(part), offset.shape).astype(np.int64)
            for part in (core, section, run)
        )
        length = np.broadcast_to(np.asarray(length, dtype=float), offset.shape)
        by_section = np.lexsort((offset, run, section))
        by_core = np.lexsort((offset, section, run, core))
        return cls(
            core,
            section,
            run,
            offset,
            length,
            by_section,
            by_core,
            _starts(section[by_section], run[by_section]),
            _starts(core[by_core], run[by_core]),
        )

    @property
    def tape(self) -> np.ndarray:
        """One coordinate along all sections [cm]; sections lie too far apart to touch."""
        return self.section * _APART + self.offset

    @property
    def to_end(self) -> np.ndarray:
        """Distance to the nearer end of the section [cm], NaN where the length is unknown."""
        return np.minimum(self.offset, self.length - self.offset)


def _starts(*codes: np.ndarray) -> np.ndarray:
    size = codes[0].size
    new = np.zeros(size, dtype=bool)
    new[:1] = True
    for code in codes:
        new[1:] |= code[1:] != code[:-1]
    return np.flatnonzero(new)


def locate(
    datasets: Mapping[str, xr.Dataset | xr.DataArray], sections: xr.Dataset | None = None
) -> dict[str, ScanIndex]:
    """Positions of several scans, with shared codes.

    Parameters
    ----------
    datasets : dict of str to Dataset or DataArray
        Series with the coordinates core, section and offset [cm], and run if there is one. A series
        by depth alone is one section of unknown length.
    sections : Dataset, optional
        Table of sections: core, section and length [m], in the order downhole.

    Returns
    -------
    dict of str to ScanIndex

    Raises
    ------
    KeyError
        When a series has neither offset nor depth.
    """
    keyed = {name: _keys(dataset) for name, dataset in datasets.items()}
    tables = [] if sections is None else [_table(sections)]
    tables += list(keyed.values())
    # Codes in the order in which cores and sections are first named, sections of the table first.
    core, section = (_codes([table[part] for table in tables]) for part in ("core", "section"))
    code = pd.factorize(core * (section.max(initial=0) + 1) + section)[0]
    length = np.full(code.max(initial=-1) + 1, np.nan)
    if sections is not None:
        listed = code[: tables[0]["length"].size]
        # Of two rows of one section the first counts.
        length[listed[::-1]] = tables[0]["length"][::-1]
    found, end = {}, code.size - sum(table["offset"].size for table in keyed.values())
    for name, table in keyed.items():
        here = slice(end, end + table["offset"].size)
        found[name] = ScanIndex.from_codes(
            core[here], code[here], table["offset"], run=table["run"], length=length[code[here]]
        )
        end = here.stop
    return found


def _codes(columns: list[np.ndarray]) -> np.ndarray:
    """Integer codes of the names of several columns, one column behind the other."""
    names = np.concatenate([np.asarray(column, dtype=object) for column in columns])
    return np.asarray(pd.factorize(names, use_na_sentinel=False)[0], dtype=np.int64)


def _table(sections: xr.Dataset) -> dict[str, np.ndarray]:
    """Names and lengths [cm] of the sections of a table."""
    return {
        "core": sections["core"].values,
        "section": sections["section"].values,
        "length": _lengths(sections["length"]),
    }


def _lengths(length: xr.DataArray) -> np.ndarray:
    """Lengths of the sections [cm]."""
    found = np.asarray(positive(length, "cm", "length of the sections"), dtype=float)
    if not (found > 0.0).all():
        lacking = int((~(found > 0.0)).sum())
        raise ValueError(
            f"{lacking} of {found.size} sections have no length above zero; it gives their ends. "
            "Give the length, or leave these sections out of the table"
        )
    return found


def _keys(dataset: xr.Dataset | xr.DataArray) -> dict[str, np.ndarray]:
    """Core, section, offset [cm] and run of every reading."""
    dataset = units.position_in_library_units(dataset)
    size = dataset.sizes["reading"]
    columns: dict[str, Any]
    if "offset" in dataset.coords and "core" in dataset.coords and "section" in dataset.coords:
        columns = {name: dataset.coords[name].values for name in ("core", "section", "offset")}
    elif "depth" in dataset.coords:
        columns = {"core": "", "section": "", "offset": dataset.coords["depth"].values * 100.0}
    else:
        raise KeyError(
            "the series has no positions; give the coordinates core, section and offset, or depth"
        )
    columns["run"] = dataset.coords["run"].values if "run" in dataset.coords else 1
    return {name: np.broadcast_to(column, (size,)) for name, column in columns.items()}


def spacing(places: ScanIndex) -> float:
    """Usual distance between readings along a section.

    Parameters
    ----------
    places : ScanIndex
        Positions of the readings.

    Returns
    -------
    float
        Median step [cm], NaN for fewer than two readings in every section.
    """
    at = places.tape[places.by_section]
    steps = np.diff(at)
    steps = steps[(steps > 0) & (steps < _APART / 10.0)]
    return float(np.median(steps)) if steps.size else float("nan")


def any_within(
    tape: np.ndarray, other: np.ndarray, condition: np.ndarray, reach: float
) -> np.ndarray:
    """Whether any reading of another scan within reach fulfils a condition.

    Parameters
    ----------
    tape : (n,) ndarray
        Positions to search around [cm].
    other : (m,) ndarray
        Positions of the other scan's readings [cm].
    condition : (m,) ndarray of bool
        Condition of the other scan's readings.
    reach : float
        Largest distance [cm].

    Returns
    -------
    (n,) ndarray of bool
    """
    at = np.sort(np.asarray(other)[np.asarray(condition, dtype=bool)])
    slack = reach + 1e-6
    return np.searchsorted(at, tape + slack, "right") > np.searchsorted(at, tape - slack, "left")


def runs(mask: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Runs of consecutive true readings that do not cross a group.

    Parameters
    ----------
    mask : (n,) ndarray of bool
        Condition of the readings, in scan order.
    starts : ndarray of int
        First reading of each group.

    Returns
    -------
    tuple of (k,) ndarray of int
        First reading of each run and the reading after its last.
    """
    mask = np.asarray(mask, dtype=bool)
    first = np.zeros(mask.size + 1, dtype=bool)
    first[np.asarray(starts, dtype=int)] = True
    first[-1] = True
    before = np.concatenate([[False], mask])
    after = np.concatenate([mask, [False]])
    begin = after[:-1] & (~before[:-1] | first[:-1])
    end = mask & (~after[1:] | first[1:])
    return np.flatnonzero(begin), np.flatnonzero(end) + 1
