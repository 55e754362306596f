"""Compression curves: tests and steps of a table, void ratio and strain, first loading."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, flags, series, thresholds, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.laws import law
from corephys.numerics.yield_point import joined_lines
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar, WithUnit

__all__ = ["curve", "solids_height"]

# --------------------------------------------------------------------------------------------------
# Tests and steps from the long table of one-dimensional compression tests.


KEYS = (
    "core",
    "section",
    "offset",
    "depth",
    "depth_fitted",
    "offset_closed",
    "depth_closed",
    "to",
    "test",
    "sample_id",
)
SAFETY = RESEARCH_ONLY
FEWEST_STEPS = thresholds.count("loading_steps")


@dataclass
class Step:
    """One step of a test.

    Parameters
    ----------
    number, stress : float
        Number of the step, and its vertical effective stress [kPa].
    row : int
        Row of the table that ends the step.
    time, height, void_ratio : ndarray, (n,)
        Readings in order of time [s], [mm], [1]; NaN if not given.
    reason : int
        Bit mask of reasons of the row that ends the step.
    """

    number: float
    stress: float
    row: int
    time: np.ndarray
    height: np.ndarray
    void_ratio: np.ndarray
    reason: int


@dataclass
class Test:
    """Test with its name, its first row and its steps in order."""

    name: str
    first: int
    steps: list[Step] = field(default_factory=list)


def gather(table: xr.Dataset) -> list[Test]:
    """Group the rows of a table into tests, in the order in which they appear."""
    lacking = [name for name in ("test", "step", "stress") if name not in table]
    if lacking:
        raise ValueError(
            f"the consolidation table has no {', '.join(lacking)}; it needs test, step, stress and "
            "void_ratio or height"
        )
    if "void_ratio" not in table and "height" not in table:
        raise ValueError(
            "the consolidation table has neither void_ratio nor height [mm]; give one of them"
        )
    size = table["test"].size
    column = {
        name: _column(table, name, unit, size)
        for name, unit in (
            ("step", "1"),
            ("stress", "kPa"),
            ("void_ratio", "1"),
            ("height", "mm"),
            ("time", "s"),
        )
    }
    reason = np.zeros(size, np.int64)
    if "reason" in table:
        reason = np.asarray(table["reason"].values, dtype=np.int64)
    names = table["test"].values.astype(str)
    tests = []
    for name in dict.fromkeys(names):
        rows = np.flatnonzero(names == name)
        copied = (reason[rows] & flags.bit("exact_copy")) != 0
        if not copied.all():  # a copy of the complete test is computed, and flagged
            rows = rows[~copied]
        test = Test(str(name), int(rows[0]))
        for number in np.unique(column["step"][rows]):
            test.steps.append(_step(number, rows[column["step"][rows] == number], column, reason))
        tests.append(test)
    return tests


def _column(table: xr.Dataset, name: str, unit: str, size: int) -> np.ndarray:
    """Column as floats, NaN where the table has none; pure numbers may lack a unit."""
    if name not in table:
        return np.full(size, np.nan)
    if name in ("step", "void_ratio") and "units" not in table[name].attrs:
        return np.asarray(table[name].values, dtype=float)
    return np.asarray(units.as_floats(table[name], unit, name), dtype=float)


def _step(
    number: float, rows: np.ndarray, column: dict[str, np.ndarray], reason: np.ndarray
) -> Step:
    """One step with its readings in order of time; the last sound reading ends it."""
    time = column["time"][rows]
    order = np.argsort(np.where(np.isnan(time), np.inf, time), kind="stable")
    if np.isnan(time).all():
        order = np.arange(rows.size)
    rows = rows[order]
    known = np.isfinite(column["void_ratio"][rows]) | np.isfinite(column["height"][rows])
    sound = known & (flags.from_reason(reason[rows]) <= flags.SUSPECT)
    last = int(rows[np.flatnonzero(sound)[-1]]) if sound.any() else int(rows[-1])
    return Step(
        float(number),
        float(column["stress"][last]),
        last,
        column["time"][rows],
        column["height"][rows],
        column["void_ratio"][rows],
        int(reason[last]),
    )


def per_test(value: Dimensional | None, unit: str, name: str, tests: list[Test]) -> np.ndarray:
    """One number for each test, from one for all or a DataArray with the coordinate ``test``."""
    numbers = units.as_floats(value, unit, name, optional=True)
    if numbers is None:
        return np.full(len(tests), np.nan)
    if not getattr(numbers, "dims", ()):
        return np.full(len(tests), float(numbers))
    if "test" not in numbers.coords:
        raise ValueError(
            f"{name} has several values and no coordinate 'test'; add the name of each test"
        )
    known = dict(zip(numbers["test"].values.astype(str), numbers.values, strict=True))
    return np.array([known.get(test.name, np.nan) for test in tests], dtype=float)


def along(table: xr.Dataset, rows: list[int], **extra: Any) -> dict[str, Any]:
    """Coordinates along ``reading`` for some rows of a table."""
    coords = {
        name: ("reading", table[name].values[rows], dict(table[name].attrs))
        for name in KEYS
        if name in table
    }
    return {**coords, **{name: ("reading", np.asarray(part)) for name, part in extra.items()}}


# --------------------------------------------------------------------------------------------------
# Void ratio and strain against effective stress: one point for each step, by branch.


_C = constants.CONSTANTS


@law("mm", dry_mass="g", diameter="cm", grain_density="g/cm^3")
def solids_height(
    dry_mass: Dimensional, diameter: Dimensional, grain_density: Dimensional = _C["grain_density"]
) -> WithUnit:
    """Height that the grains of a disc would have without pores.

    Parameters
    ----------
    dry_mass : Quantity, DataArray or str
        Mass of the grains, without the salt of the pore water [g].
    diameter : Quantity, DataArray or str
        Diameter of the disc [mm].
    grain_density : Quantity, DataArray, str or Constant
        Density of the grains [g/cm^3].

    Returns
    -------
    Quantity or DataArray
        Height of the solids [mm].

    Notes
    -----
    h = m / (rho A) with A = pi d^2 / 4: geometry.
    """
    # g, cm and g/cm^3 give cm; 10 turns them into mm.
    return 10.0 * dry_mass / (grain_density * 0.25 * np.pi * diameter**2)


def curve(
    table: xr.Dataset,
    *,
    initial_void_ratio: Dimensional | None = None,
    initial_height: Dimensional | None = None,
    height_of_solids: Dimensional | None = None,
    void_ratio_uncertainty: Scalar | None = None,
    initial_void_ratio_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Void ratio against vertical effective stress, one point for each step.

    Parameters
    ----------
    table : Dataset, (row)
        Columns ``test``, ``step``, ``stress`` [kPa] and ``void_ratio`` or ``height`` [mm]. With a
        column ``time`` [s] the latest reading of a step is its end, otherwise the last row.
    initial_void_ratio, initial_height : Quantity, str or DataArray (test), optional
        Void ratio [1] and height [mm] before the first step; the first values of the test if not
        given.
    height_of_solids : Quantity, str or DataArray (test), optional
        Height of the solids [mm], as from :func:`solids_height`; it converts heights to void ratios
        where no initial void ratio is given.
    void_ratio_uncertainty : Quantity or str, optional
        Random standard uncertainty of a point [1]; NaN if not given.
    initial_void_ratio_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of the initial void ratio [1]; NaN if not given.

    Returns
    -------
    Dataset, (reading)
        ``void_ratio`` [1], ``stress`` [kPa], ``strain`` [1], ``height`` [mm],
        ``initial_void_ratio`` [1] and ``branch``: ``loading`` above all earlier stresses,
        ``unloading`` or ``reloading``. A stress that is not positive is ``impossible_value``; a
        void ratio that rises under load is ``out_of_usual_range``. The attribute ``remarks``
        describes both, as JSON by test.

    Raises
    ------
    ValueError
        When a column is missing, or heights cannot be converted to void ratios.

    Notes
    -----
    e = (1 + e0) H / H0 - 1, or e = H / Hs - 1; strain = (e0 - e) / (1 + e0): definition, for a
    disc of constant diameter.
    """
    tests = gather(table)
    e0 = per_test(initial_void_ratio, "1", "initial_void_ratio", tests)
    h0 = per_test(initial_height, "mm", "initial_height", tests)
    solids = per_test(height_of_solids, "mm", "height_of_solids", tests)
    parts = [_points(*given) for given in zip(tests, e0, h0, solids, strict=True)]
    e, start, strain, height, reason, branch = (
        np.concatenate([part[key] for part in parts])
        for key in ("e", "e0", "strain", "height", "reason", "branch")
    )
    steps = [step for test in tests for step in test.steps]
    coords = along(
        table,
        [s.row for s in steps],
        step=[s.number for s in steps],
    )
    values = xr.DataArray(e, dims="reading", coords=coords)
    given = float(
        given_uncertainty(initial_void_ratio_uncertainty, "1", "initial_void_ratio_uncertainty")
    )
    random = float(given_uncertainty(void_ratio_uncertainty, "1", "void_ratio_uncertainty"))
    effects = {"initial_void_ratio": given * (1.0 + e) / (1.0 + start)}
    dataset = series.build(
        {"void_ratio": Measured(values, random, effects, reason)},
        steps=_STEPS,
        safety=SAFETY,
        remarks=json.dumps(_remarks(tests, parts)),
    )
    extra = (
        ("stress", np.array([s.stress for s in steps]), "kPa", "vertical effective stress"),
        ("strain", strain, "1", "vertical strain since the start of the test"),
        ("height", height, "mm", "height of the disc at the end of the step"),
        ("initial_void_ratio", start, "1", "void ratio at the start of the test"),
    )
    parts_of: dict[str, Any] = {
        name: ("reading", array, {"units": unit, "long_name": words})
        for name, array, unit, words in extra
    }
    parts_of["branch"] = ("reading", branch, {"long_name": "loading, unloading or reloading"})
    return dataset.assign(parts_of)


_STEPS = (
    "end of each step: the latest reading",
    "e = (1 + e0) H / H0 - 1, or H / Hs - 1",
    "loading is above all earlier stresses; below them are unloading and reloading",
)


def _points(test: Test, e0: float, h0: float, solids: float) -> dict[str, np.ndarray]:
    """Void ratio of every step of one test, with branch and reasons."""
    height = np.array([_last(s.height) for s in test.steps])
    e = np.array([_last(s.void_ratio) for s in test.steps])
    heights = np.concatenate([s.height for s in test.steps])
    if np.isnan(h0) and np.isfinite(heights).any():
        h0 = float(heights[np.isfinite(heights)][0])
    if np.isnan(e).all():
        if np.isnan(e0) and np.isfinite(solids):
            e0 = h0 / solids - 1.0
        if np.isnan(e0):
            raise ValueError(
                f"test {test.name!r} has heights only; give initial_void_ratio, such as '1.9 1', "
                "or height_of_solids, from consolidation.solids_height"
            )
        if not h0 > 0.0:
            raise ValueError(
                f"test {test.name!r} begins with a height of {h0:g} mm; the first height must be "
                "that of the specimen, above zero"
            )
        e = (1.0 + e0) * height / h0 - 1.0
    elif np.isnan(e0):
        first = np.concatenate([s.void_ratio for s in test.steps])
        e0 = float(first[np.isfinite(first)][0])
    stress = np.array([s.stress for s in test.steps])
    branch = branches(stress)
    reason = np.array([s.reason for s in test.steps], np.int64)
    reason[~(stress > 0)] |= flags.bit("impossible_value")
    before = np.concatenate([[np.nan], e[:-1]])
    loaded = (branch != "unloading") & (np.diff(stress, prepend=np.nan) > 0)
    reason[loaded & (e > before)] |= flags.bit("out_of_usual_range")
    return {
        "e": e,
        "e0": np.full(e.size, e0),
        "strain": (e0 - e) / (1.0 + e0),
        "height": height,
        "reason": reason,
        "branch": branch,
    }


def branches(stress: np.ndarray) -> np.ndarray:
    """``loading``, ``unloading`` or ``reloading`` of each step of a test; stress [kPa]."""
    words: list[str] = []
    highest, before = -np.inf, -np.inf
    for value in stress:
        # A load that is held over two steps is still first loading.
        held = value == highest == before and words[-1] == "loading"
        if value < before:
            words.append("unloading")
        else:
            words.append("loading" if value > highest or held else "reloading")
        highest, before = max(highest, value), value
    return np.array(words, dtype=object)


def _last(values: np.ndarray) -> float:
    """Last known value of a step, NaN without one."""
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else float("nan")


def _remarks(tests: list[Test], parts: list[dict[str, Any]]) -> dict[str, list[str]]:
    """Remarks on steps with an impossible stress or a rising void ratio, by test."""
    remarks = {}
    for test, part in zip(tests, parts, strict=True):
        words = []
        for word, text in (
            ("impossible_value", "the stress is not positive and has no logarithm"),
            (
                "out_of_usual_range",
                "the void ratio rises under load: swelling or a wrong cell",
            ),
        ):
            marked = part["reason"] & flags.bit(word) != 0
            if marked.any():
                numbers = ", ".join(
                    f"{s.number:g}" for s, m in zip(test.steps, marked, strict=True) if m
                )
                words.append(f"step {numbers}: {text}")
        if words:
            remarks[test.name] = words
    return remarks


# --------------------------------------------------------------------------------------------------
# First loading and loops of each test of a curve.


_UNITS = {"stress": "kPa", "strain": "1", "height": "mm", "initial_void_ratio": "1"}
NEAR = thresholds.count("loading_points_past_bend")


@dataclass
class Loading:
    """First loading and loops of one test.

    Parameters
    ----------
    name : str
        Name of the test.
    first : int
        First reading of the test in the curve.
    stress, void_ratio : ndarray, (n,)
        Points of first loading [kPa], [1], stress rising.
    loop_stress, loop_void_ratio, loop_number : ndarray, (m,)
        Points of unloading and reloading with the point where unloading began [kPa], [1], and the
        number of the loop; the rebound at the end of a test is included.
    initial : float
        Void ratio at the start [1].
    noise : float
        Standard uncertainty of a void ratio [1]: as given, otherwise the scatter about two lines.
    noise_given : bool
        Whether the noise was given.
    reason : int
        Bit mask of suspect reasons of all points, including those left out.
    """

    name: str
    first: int
    stress: np.ndarray
    void_ratio: np.ndarray
    loop_stress: np.ndarray
    loop_void_ratio: np.ndarray
    loop_number: np.ndarray
    initial: float
    noise: float
    noise_given: bool
    reason: int


def loadings(curve: xr.Dataset) -> list[Loading]:
    """First loading and loops of every test of a result of :func:`curve`."""
    lacking = [n for n in ("void_ratio", "stress", "branch", "test") if n not in curve]
    if lacking:
        raise ValueError(f"the curve has no {', '.join(lacking)}; make it with consolidation.curve")
    curve = companions.library_units(curve, _UNITS)
    names = curve["test"].values.astype(str)
    return [_one(curve, str(name), names == name) for name in dict.fromkeys(names)]


def _one(curve: xr.Dataset, name: str, own: np.ndarray) -> Loading:
    """First loading and loops of the test at the readings ``own``."""
    rows = np.flatnonzero(own)
    stress, e = curve["stress"].values[rows], curve["void_ratio"].values[rows]
    branch = curve["branch"].values[rows].astype(str)
    sound = (curve["void_ratio_flag"].values[rows] <= flags.SUSPECT) & (stress > 0) & np.isfinite(e)
    use = sound & (branch == "loading")
    # Of a stress held over two steps the later point counts, since it includes the creep.
    kept = use & ~np.append((stress[1:] == stress[:-1]) & use[1:] & use[:-1], False)
    away = branch != "loading"
    # Back at the greatest stress the disc creeps as on first loading, so it is not in the loop.
    back = (branch == "reloading") & (stress >= np.maximum.accumulate(stress))
    rebound = np.append((branch == "unloading")[1:], False) & ~away
    loop = sound & ((away & ~back) | rebound)
    x, y = stress[kept], e[kept]
    given = float(np.nanmax(curve["void_ratio_u_random"].values[rows], initial=-np.inf))
    noise_given = bool(np.isfinite(given))
    if not noise_given:
        given = joined_lines(np.log10(x), y, np.ones(x.size), NEAR).deviation
    # Bad points were left out, and the curve records why; for the test they are no fault. So only
    # reasons of the level suspect are passed on.
    seen = int(np.bitwise_or.reduce(curve["void_ratio_reason"].values[rows]))
    suspect = sum(flags.bit(w) for w in flags.names(seen) if flags.REASONS[w] <= flags.SUSPECT)
    if (curve["void_ratio_reason"].values[rows] & flags.bit("exact_copy")).all():
        suspect |= flags.bit("exact_copy")  # every point is a copy: the test is one
    return Loading(
        name,
        int(rows[0]),
        x,
        y,
        stress[loop],
        e[loop],
        np.cumsum(rebound)[loop],
        float(curve["initial_void_ratio"].values[rows[0]]),
        given,
        noise_given,
        suspect,
    )


def places(curve: xr.Dataset, tests: list[Loading]) -> dict[str, xr.Variable]:
    """Coordinates along ``reading``, one reading for each test."""
    rows = [test.first for test in tests]
    scales = ("depth_fitted", "offset_closed", "depth_closed")
    names = (*series.POSITION, *scales, "to", "test", "sample_id")
    return {n: curve[n].variable.isel(reading=rows) for n in names if n in curve}
