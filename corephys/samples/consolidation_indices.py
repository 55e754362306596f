"""Compression index of the virgin line and recompression index of a loop or the first branch."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.numerics.line import ordinary_line
from corephys.numerics.yield_point import joined_lines
from corephys.samples.consolidation_loading import NEAR, Loading, loadings, places
from corephys.samples.consolidation_table import FEWEST_STEPS, SAFETY
from corephys.uncertainty import Measured

__all__ = ["indices"]

_T = thresholds.DEFAULTS


class Slope:
    """A straight part of e against log10(stress): slope, intercept, standard error and ends."""

    def __init__(
        self, stress: np.ndarray, void_ratio: np.ndarray, noise: float = float("nan")
    ) -> None:
        x = np.log10(stress)
        line = ordinary_line(x, void_ratio)
        self.slope, self.intercept = line.slope, line.intercept
        scatter = float("nan")
        if line.degrees_of_freedom:
            scatter = float(np.sqrt(line.chi_square / line.degrees_of_freedom))
        # Few points can lie on a line by chance: the larger of scatter and stated noise counts.
        used = float(np.fmax(scatter, noise))
        self.error = used / float(np.sqrt(np.sum((x - x.mean()) ** 2)))
        self.low, self.high = float(stress[0]), float(stress[-1])


def steepest(
    stress: np.ndarray,
    void_ratio: np.ndarray,
    points: int = _T["compression_index_points"],
    noise: float = float("nan"),
) -> Slope:
    """Steepest straight part of the first loading: the virgin line.

    Parameters
    ----------
    stress, void_ratio : ndarray, (n,)
        First loading, stress rising [kPa], [1].
    points : int
        Neighbouring points that make a part.
    noise : float
        Standard uncertainty of a void ratio [1].

    Returns
    -------
    Slope
        Slope of e against log10(stress) [1], negative, with its standard error [1].

    Raises
    ------
    ValueError
        For fewer points than a part needs.

    Notes
    -----
    Least squares through each ``points`` neighbours; the steepest is taken: common practice.
    """
    if stress.size < points or points < 2:
        raise ValueError(f"{stress.size} points of first loading; a straight part needs {points}")
    parts = [
        Slope(stress[i : i + points], void_ratio[i : i + points], noise)
        for i in range(stress.size - points + 1)
    ]
    least = min(part.slope for part in parts)
    # Of parts that are as steep to rounding the first, so that no unit decides between them.
    return next(part for part in parts if part.slope <= least + 1e-9 * abs(least))


def indices(curve: xr.Dataset, *, points: int = _T["compression_index_points"]) -> xr.Dataset:
    """Compression and recompression index of every test.

    Parameters
    ----------
    curve : Dataset, (reading)
        As :func:`corephys.samples.consolidation_curve.curve` gives it; stress [kPa].
    points : int
        Neighbouring points of first loading that make a straight part; 3 by default. Two follow
        noise and structure alike.

    Returns
    -------
    Dataset, (reading)
        One reading a test: ``compression_index`` [1] and ``recompression_index`` [1] with the
        standard error of their lines; ``recompression_from`` says ``loop`` or ``first branch``
        (which disturbance steepens; flagged ``disturbed_sample``). Fewer than five loading steps
        give ``yield_not_bracketed``.

    Raises
    ------
    ValueError
        When the curve lacks its variables.

    Notes
    -----
    Cc = -de / d log10(stress) of the steepest straight part of first loading; Cr the same of all
    points of unloading and reloading, otherwise of the points ahead of the bend: definition of
    the indices, rules of common practice.
    """
    tests = loadings(curve)
    found = [_one(test, points) for test in tests]
    coords = places(curve, tests)

    def measured(key: str) -> Measured:
        value, error, reason = (np.array([part[key][k] for part in found]) for k in range(3))
        values = xr.DataArray(value.astype(float), dims="reading", coords=coords)
        return Measured(values, error.astype(float), {}, reason.astype(np.int64))

    dataset = series.build(
        {"compression_index": measured("cc"), "recompression_index": measured("cr")},
        steps=_STEPS, constants={"points": points}, safety=SAFETY,
    )  # fmt: skip
    dataset["recompression_from"] = ("reading", np.array([p["from"] for p in found], dtype=object))
    for name, key in (("virgin_line_from", "low"), ("virgin_line_to", "high")):
        dataset[name] = (
            "reading", np.array([p[key] for p in found]),
            {"units": "kPa", "long_name": name.replace("_", " ")},
        )  # fmt: skip
    return dataset


_STEPS = (
    "Cc = -de / d log10(stress), steepest straight part of first loading",
    "Cr = -de / d log10(stress), loop of unloading and reloading, or first branch",
)


def _common_slope(test: Loading, noise: float) -> tuple[float, float]:
    """One slope of all loops, each with a level of its own, and its standard error.

    A later loop lies lower because of what was compressed in between: one line through both
    would take that for rebound.
    """
    x, e = np.log10(test.loop_stress), test.loop_void_ratio.astype(float)
    loops = np.unique(test.loop_number)
    for loop in loops:
        own = test.loop_number == loop
        x[own], e[own] = x[own] - x[own].mean(), e[own] - e[own].mean()
    spread = float(np.sum(x**2))
    if not spread > 0.0:
        return float("nan"), float("nan")
    slope = float(np.sum(x * e)) / spread
    freedom, scatter = x.size - loops.size - 1, float("nan")
    if freedom > 0:
        scatter = float(np.sqrt(np.sum((e - slope * x) ** 2) / freedom))
    return slope, float(np.fmax(scatter, noise) / np.sqrt(spread))


def _one(test: Loading, points: int) -> dict[str, Any]:
    nan, reason = float("nan"), test.reason
    noise = test.noise if test.stated else nan
    if test.stress.size < FEWEST_STEPS:
        reason |= flags.bit("yield_not_bracketed")
    result: dict[str, Any] = {"low": nan, "high": nan, "from": "", "cc": (nan, nan, reason)}
    if test.stress.size >= points:
        line = steepest(test.stress, test.void_ratio, points, noise)
        result.update(cc=(-line.slope, line.error, reason), low=line.low, high=line.high)
    result["cr"] = (nan, nan, reason)
    if np.unique(test.loop_stress).size >= 2:
        slope, error = _common_slope(test, noise)
        result.update(cr=(-slope, error, reason))
        result["from"] = "loop"
    elif test.stress.size >= FEWEST_STEPS:
        bend = joined_lines(np.log10(test.stress), test.void_ratio, np.ones(test.stress.size), NEAR)
        ahead = np.log10(test.stress) <= bend.place
        if ahead.sum() >= 2:
            line = Slope(test.stress[ahead], test.void_ratio[ahead], test.noise)
            result.update(
                cr=(-line.slope, line.error, reason | flags.bit("disturbed_sample")),
            )
            result["from"] = "first branch"
    return result
