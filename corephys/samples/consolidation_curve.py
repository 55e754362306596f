"""Void ratio and strain against effective stress: one point a step, branch by branch."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, units
from corephys.samples.consolidation_table import SAFETY, Test, along, gather, per_test
from corephys.uncertainty import Measured, stated

__all__ = ["curve", "solids_height"]

_C = constants.CONSTANTS


def solids_height(
    dry_mass: Any, diameter: Any, grain_density: Any = _C["grain_density"]
) -> Any:  # fmt: skip
    """Height that the grains of a disc would have without pores.

    Parameters
    ----------
    dry_mass : Quantity, DataArray or str
        Of the grains, without the salt of the pore water [g].
    diameter : Quantity, DataArray or str
        Of the disc [mm].
    grain_density : Quantity, DataArray, str or Constant
        [g/cm^3].

    Returns
    -------
    float or DataArray
        [mm], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    h = m / (rho A) with A = pi d^2 / 4: geometry.
    """
    mass, width, density = series.at_same_positions(
        dry_mass=units.as_floats(dry_mass, "g", "dry_mass"),
        diameter=units.as_floats(diameter, "cm", "diameter"),
        grain_density=units.as_floats(grain_density, "g/cm^3", "grain_density"),
    )
    return 10.0 * mass / (density * 0.25 * np.pi * width**2)


def curve(
    table: xr.Dataset, *, initial_void_ratio: Any = None, initial_height: Any = None,
    height_of_solids: Any = None, void_ratio_uncertainty: Any = None,
    initial_void_ratio_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Void ratio against vertical effective stress, one point a step.

    Parameters
    ----------
    table : Dataset, (row)
        ``test``, ``step``, ``stress`` [kPa] and ``void_ratio`` or ``height`` [mm]; where there is
        a ``time`` [s] the latest reading of a step is its end, otherwise the last row.
    initial_void_ratio, initial_height : Quantity, str or DataArray (test), optional
        Before the first step [1], [mm]; the first value of the test where not given.
    height_of_solids : Quantity, str or DataArray (test), optional
        As :func:`solids_height` gives it [mm]; turns heights into void ratios where there is no
        initial void ratio.
    void_ratio_uncertainty : Quantity or str, optional
        Random standard uncertainty of a point [1]; unknown gives NaN.
    initial_void_ratio_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of the initial void ratio [1]; unknown gives NaN.

    Returns
    -------
    Dataset, (reading)
        ``void_ratio`` [1], ``stress`` [kPa], ``strain`` [1], ``height`` [mm],
        ``initial_void_ratio`` [1] and ``branch``: ``loading`` beyond every stress before,
        ``unloading``, ``reloading``. A stress that is not positive is ``impossible_value``; a void
        ratio that rises under load is ``out_of_usual_range``. Remarks in words.

    Raises
    ------
    ValueError
        When a column is missing, or heights cannot become void ratios.

    Notes
    -----
    e = (1 + e0) H / H0 - 1, or e = H / Hs - 1; strain = (e0 - e) / (1 + e0): definition, for a
    disc that cannot widen.
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
        table, [s.row for s in steps], step=[s.number for s in steps],
    )  # fmt: skip
    values = xr.DataArray(e, dims="reading", coords=coords)
    given = float(stated(initial_void_ratio_uncertainty, "1", "initial_void_ratio_uncertainty"))
    random = float(stated(void_ratio_uncertainty, "1", "void_ratio_uncertainty"))
    effects = {"initial_void_ratio": given * (1.0 + e) / (1.0 + start)}
    dataset = series.build(
        {"void_ratio": Measured(values, random, effects, reason)},
        steps=_STEPS, safety=SAFETY, remarks=json.dumps(_remarks(tests, parts)),
    )  # fmt: skip
    for name, array, unit, words in (
        ("stress", np.array([s.stress for s in steps]), "kPa", "vertical effective stress"),
        ("strain", strain, "1", "vertical strain since the start of the test"),
        ("height", height, "mm", "height of the disc at the end of the step"),
        ("initial_void_ratio", start, "1", "void ratio at the start of the test"),
    ):
        dataset[name] = ("reading", array, {"units": unit, "long_name": words})
    dataset["branch"] = ("reading", branch, {"long_name": "loading, unloading or reloading"})
    return dataset


_STEPS = (
    "end of each step: the latest reading",
    "e = (1 + e0) H / H0 - 1, or H / Hs - 1",
    "loading lies beyond every stress before it; below, unloading and reloading",
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
                "or height_of_solids from consolidation.solids_height"
            )
        if not h0 > 0.0:
            raise ValueError(
                f"test {test.name!r} begins with a height of {h0:g} mm; the first height of a test "
                "is that of the specimen, above zero"
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
        "e": e, "e0": np.full(e.size, e0), "strain": (e0 - e) / (1.0 + e0), "height": height,
        "reason": reason, "branch": branch,
    }  # fmt: skip


def branches(stress: np.ndarray) -> np.ndarray:
    """``loading``, ``unloading`` or ``reloading`` of each step of a test; stress [kPa]."""
    words: list[str] = []
    highest, before = -np.inf, -np.inf
    for value in stress:
        held = value == highest == before and words[-1] == "loading"
        if value < before:
            words.append("unloading")
        else:
            words.append("loading" if value > highest or held else "reloading")
        highest, before = max(highest, value), value
    return np.array(words, dtype=object)


def _last(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else float("nan")


def _remarks(tests: list[Test], parts: list[dict[str, Any]]) -> dict[str, list[str]]:
    said = {}
    for test, part in zip(tests, parts, strict=True):
        words = []
        for word, text in (
            ("impossible_value", "a stress that is not positive: no place on a logarithmic axis"),
            ("out_of_usual_range", "the void ratio rises under load: swelling, or a slip"),
        ):
            marked = part["reason"] & flags.bit(word) != 0
            if marked.any():
                numbers = ", ".join(
                    f"{s.number:g}" for s, m in zip(test.steps, marked, strict=True) if m
                )
                words.append(f"step {numbers}: {text}")
        if words:
            said[test.name] = words
    return said
