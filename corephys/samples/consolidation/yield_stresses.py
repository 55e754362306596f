"""Indices of a compression curve, and its yield stress by three constructions."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.numerics.line import ordinary_line
from corephys.numerics.yield_point import (
    bisector_crossing,
    joined_lines,
    joined_lines_of_many,
    largest_curvature,
)
from corephys.samples.consolidation.curves import (
    FEWEST_STEPS,
    NEAR,
    SAFETY,
    Loading,
    loadings,
    places,
)
from corephys.uncertainty import Measured

__all__ = ["indices", "yield_stress"]

# --------------------------------------------------------------------------------------------------
# Compression index of the virgin line and recompression index of a loop or the first branch.


_T = thresholds.DEFAULTS


class Slope:
    """Line through a part of e against log10(stress), with standard error and ends [kPa]."""

    def __init__(
        self, stress: np.ndarray, void_ratio: np.ndarray, noise: float = float("nan")
    ) -> None:
        x = np.log10(stress)
        line = ordinary_line(x, void_ratio)
        self.slope, self.intercept = line.slope, line.intercept
        scatter = float("nan")
        if line.degrees_of_freedom:
            scatter = float(np.sqrt(line.chi_square / line.degrees_of_freedom))
        # A few points can lie on a line by chance, so the larger of scatter and noise counts.
        used = float(np.fmax(scatter, noise))
        self.error = used / float(np.sqrt(np.sum((x - x.mean()) ** 2)))
        self.low, self.high = float(stress[0]), float(stress[-1])


def steepest(
    stress: np.ndarray,
    void_ratio: np.ndarray,
    points: int = _T["compression_index_points"],
    noise: float = float("nan"),
) -> Slope:
    """Virgin line: the steepest straight part of the first loading, stress [kPa] rising.

    Least squares through each ``points`` neighbouring points; the steepest line is the virgin
    line: common practice. ``noise`` is the standard uncertainty of a void ratio [1].
    """
    if stress.size < points or points < 2:
        raise ValueError(
            f"{stress.size} points of first loading; a straight part needs {points}, two at least"
        )
    parts = [
        Slope(stress[i : i + points], void_ratio[i : i + points], noise)
        for i in range(stress.size - points + 1)
    ]
    least = min(part.slope for part in parts)
    # Of parts that are equally steep within rounding the first is used; otherwise the unit of the
    # stress, through its rounding, would decide between them.
    return next(part for part in parts if part.slope <= least + 1e-9 * abs(least))


def indices(curve: xr.Dataset, *, points: int = _T["compression_index_points"]) -> xr.Dataset:
    """Compression and recompression index of every test.

    Parameters
    ----------
    curve : Dataset, (reading)
        Curve as from :func:`corephys.samples.consolidation.curves.curve`; stress [kPa].
    points : int
        Number of neighbouring points of a straight part of first loading; 3 by default. With two
        points the index follows noise.

    Returns
    -------
    Dataset, (reading)
        One reading for each test: ``compression_index`` [1] and ``recompression_index`` [1] with
        the standard errors of their lines. ``recompression_from`` is ``loop`` or ``first branch``;
        disturbance steepens the first branch, which is flagged ``disturbed_sample``. Fewer than
        five loading steps give ``yield_not_bracketed``.

    Raises
    ------
    ValueError
        When the curve lacks a variable.

    Notes
    -----
    Cc = -de / d log10(stress) of the steepest straight part of first loading; Cr the same of all
    points of unloading and reloading, otherwise of the points below the bend: definition of the
    indices, rules of common practice.
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
        steps=_STEPS,
        constants={"points": points},
        safety=SAFETY,
    )
    dataset["recompression_from"] = ("reading", np.array([p["from"] for p in found], dtype=object))
    for name, key in (("virgin_line_from", "low"), ("virgin_line_to", "high")):
        dataset[name] = (
            "reading",
            np.array([p[key] for p in found]),
            {"units": "kPa", "long_name": name.replace("_", " ")},
        )
    return dataset


_STEPS = (
    "Cc = -de / d log10(stress), steepest straight part of first loading",
    "Cr = -de / d log10(stress), loop of unloading and reloading, or first branch",
)


def _common_slope(test: Loading, noise: float) -> tuple[float, float]:
    """Common slope of all loops, each with its own level, and its standard error.

    A later loop lies lower because of the compression in between. One line through all loops would
    count this compression as rebound.
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
    """Indices of one test as value, error and reasons, with the ends of its virgin line [kPa]."""
    nan, reason = float("nan"), test.reason
    noise = test.noise if test.noise_given else nan
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


# --------------------------------------------------------------------------------------------------
# Yield stress by three constructions: the middle one, and the least and the greatest as bounds.
#
# All three take first loading, stress [kPa] and void ratio [1], the void ratio at the start and one
# choice of the construction, which yield_kernel varies to find the uncertainty. Each returns kPa.


SPACING_SHARE = thresholds.value("yield_spacing_share")
STEEPENS = thresholds.value("yield_steepens")
AGREE = thresholds.value("yield_methods_agree")


def by_curvature(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choice: float = 1.0
) -> float:
    """Yield stress by the point of largest curvature and its bisector.

    Casagrande (1936), Proceedings of the First International Conference on Soil Mechanics, 60
    (from memory): at the point of largest curvature of e against log stress the angle between
    horizontal and tangent is halved; the bisector meets the virgin line at the yield stress. The
    curve is a natural cubic spline through the steps, drawn so that both axes span the data.
    ``choice`` is the height of that drawing over its width; ``initial`` is not used.
    """
    x = np.log10(stress)
    scale = choice * np.ptp(x) / np.ptp(void_ratio)
    line = steepest(stress, void_ratio)
    point = largest_curvature(x, void_ratio, choice)
    return float(10.0 ** bisector_crossing(point, line.slope, line.intercept, scale))


def by_work(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choice: float | None = NEAR
) -> float:
    """Yield stress by the work of compression.

    Work per volume W = sum of mean stress times increment of strain [kJ/m^3] against stress; two
    straight lines meet at the yield stress: Becker, Crooks, Been and Jefferies (1987), Canadian
    Geotechnical Journal 24, 549 (from memory). Both lines are fitted together, each point weighted
    with the inverse of its stress, because an error of the strain gives an error of the work in
    proportion to the stress. ``choice`` is the number of points used beyond the yield; None uses
    all.
    """
    return _by_work(stress, void_ratio[None], initial, [choice])[0]


def _by_work(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choices: Sequence[float | None]
) -> list[float]:
    """Yield stress by the work of compression of many curves, (curves, n), with a choice each."""
    strain = (void_ratio[:, :1] - void_ratio) / (1.0 + initial)
    parts = np.cumsum(0.5 * (stress[1:] + stress[:-1]) * np.diff(strain, axis=1), axis=1)
    work = np.concatenate([np.zeros((void_ratio.shape[0], 1)), parts], axis=1)
    bends = joined_lines_of_many(stress, work, 1.0 / stress, _counts(choices))
    return [bend.place for bend in bends]


def _counts(choices: Sequence[float | None]) -> list[int | None]:
    """Choices as numbers of points beyond the yield."""
    return [None if choice is None else int(choice) for choice in choices]


def by_specific_volume(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choice: float | None = NEAR
) -> float:
    """Yield stress by two lines in the logarithms of specific volume and stress.

    ln(1 + e) is straight in ln(stress) on both sides: Butterfield (1979), Geotechnique 29, 469
    (from memory). ``choice`` is as for :func:`by_work`; ``initial`` is not used.
    """
    return _by_specific_volume(stress, void_ratio[None], initial, [choice])[0]


def _by_specific_volume(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choices: Sequence[float | None]
) -> list[float]:
    """Yield stress by two lines in logarithms of many curves, (curves, n), with a choice each."""
    x, y = np.log(stress), np.log1p(void_ratio)
    bends = joined_lines_of_many(x, y, np.ones(x.size), _counts(choices))
    return [float(np.exp(bend.place)) for bend in bends]


def _by_curvature(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choices: Sequence[float]
) -> list[float]:
    """Yield stress by the largest curvature of many curves, (curves, n), with a choice each."""
    return [
        by_curvature(stress, one, initial, choice)
        for one, choice in zip(void_ratio, choices, strict=True)
    ]


# By method: many curves at once, the usual choice, and the choices that are tried beside it.
METHODS: dict[str, tuple[Callable[..., list[float]], float, tuple[float, ...]]] = {
    "curvature": (_by_curvature, 1.0, (0.5, 2.0)),
    "work": (_by_work, NEAR, (NEAR - 1, NEAR + 1)),
    "specific_volume": (_by_specific_volume, NEAR, (NEAR - 1, NEAR + 1)),
}


def yield_kernel(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, noise: float
) -> dict[str, tuple[float, float, float]]:
    """Yield stress by method: value, random and systematic standard uncertainty [kPa].

    ``noise`` is the standard uncertainty of a void ratio [1]. The systematic part comes from the
    choices of the construction and from the distance of the steps.
    """
    found = {}
    # The curve itself, for each choice, and with each void ratio moved up and down.
    shifts = noise * np.eye(stress.size)
    for name, (method, usual, choices) in METHODS.items():
        (value,) = method(stress, void_ratio[None], initial, [usual])
        if not (np.isfinite(value) and value > 0):
            found[name] = (float("nan"),) * 3
            continue
        same = np.broadcast_to(void_ratio, (len(choices), stress.size))
        curves = np.concatenate([same, void_ratio + shifts, void_ratio - shifts])
        tried = [*choices, *[usual] * (2 * stress.size)]
        places = [max(place, 1e-12) for place in method(stress, curves, initial, tried)]
        others = np.log(places[: len(choices)])
        choice = np.sqrt(np.mean((others - np.log(value)) ** 2))
        up, down = np.reshape(places[len(choices) :], (2, stress.size))
        moved = sum(((0.5 * np.log(up / down)) ** 2).tolist())
        i = int(np.clip(np.searchsorted(stress, value), 1, stress.size - 1))
        spacing = SPACING_SHARE * np.log(stress[i] / stress[i - 1])
        found[name] = (value, value * np.sqrt(moved), value * np.hypot(choice, spacing))
    return found


def yield_stress(curve: xr.Dataset) -> xr.Dataset:
    """Yield stress of every test by three methods.

    Parameters
    ----------
    curve : Dataset, (reading)
        Curve as from :func:`corephys.samples.consolidation.curves.curve`; stress [kPa].

    Returns
    -------
    Dataset, (reading)
        One reading for each test: ``yield_stress`` [kPa] is the middle one of the methods,
        ``yield_stress_low`` and ``yield_stress_high`` the least less, and the greatest plus, its
        standard uncertainty; ``yield_stress_by_method`` and its uncertainty (construction,
        reading). ``yield_not_bracketed`` where the curve does not pass the yield, with NaN below
        five loading steps; ``models_disagree`` where the methods differ by more than a quarter.

    Raises
    ------
    ValueError
        When the curve lacks a variable.

    Notes
    -----
    Casagrande (1936), Becker and others (1987) and Butterfield (1979), as in ``by_curvature``,
    ``by_work`` and ``by_specific_volume`` (all from memory). The systematic part includes the
    spread of the methods, the choices of the constructions and the distance of the steps.
    """
    tests = loadings(curve)
    table = np.full((len(METHODS), 3, len(tests)), np.nan)
    reason = np.array([test.reason for test in tests], np.int64)
    remarks: dict[str, list[str]] = {}
    for i, test in enumerate(tests):
        if test.stress.size < FEWEST_STEPS:
            reason[i] |= flags.bit("yield_not_bracketed")
            text = f"{test.stress.size} loading steps; a construction needs {FEWEST_STEPS}"
            remarks[test.name] = [text]
            continue
        kernel = yield_kernel(test.stress, test.void_ratio, test.initial, test.noise)
        table[:, :, i] = list(kernel.values())
        reason[i] |= _method_reasons(test, table[:, 0, i], remarks.setdefault(test.name, []))
    value, random, system = (table[:, k] for k in range(3))
    return _result(curve, tests, value, random, system, reason, remarks)


def _method_reasons(test: Loading, value: np.ndarray, words: list[str]) -> int:
    """Reasons to doubt the yield stress of one test; ``words`` receives them in words."""
    best = _middle(value[:, None])[0]
    bend = joined_lines(np.log10(test.stress), test.void_ratio, np.ones(test.stress.size), NEAR)
    around = min(int(np.sum(test.stress < best)), int(np.sum(test.stress > best)))
    reason = 0
    if not around >= 2 or not bend.after <= STEEPENS * min(bend.before, 0.0):
        reason |= flags.bit("yield_not_bracketed")
        words.append("the curve does not pass from a flat to a steep part with two steps on each")
    if not np.nanmax(value) / np.nanmin(value) <= 1.0 + AGREE:
        reason |= flags.bit("models_disagree")
        words.append("the methods disagree; inspect the curve")
    return reason


def _middle(value: np.ndarray) -> np.ndarray:
    """Median along methods; NaN where no method gave a value."""
    known = np.isfinite(value).any(axis=0)
    return np.where(known, np.nanmedian(np.where(known, value, 0.0), axis=0), np.nan)


def _result(
    curve: xr.Dataset,
    tests: list[Loading],
    value: np.ndarray,
    random: np.ndarray,
    system: np.ndarray,
    reason: np.ndarray,
    remarks: dict[str, list[str]],
) -> xr.Dataset:
    """Yield stress of all tests with its bounds and the values by method."""
    own = np.hypot(random, system)
    best = _middle(value)
    spread = best * np.where(
        np.isfinite(best), np.std(np.log(np.where(np.isfinite(value), value, best)), axis=0), np.nan
    )
    total = np.sqrt(_middle(system) ** 2 + spread**2)
    values = xr.DataArray(best, dims="reading", coords=places(curve, tests))
    dataset = series.build(
        {"yield_stress": Measured(values, _middle(random), {"yield_construction": total}, reason)},
        steps=_STEPS_YIELD,
        safety=SAFETY,
        remarks=json.dumps({name: words for name, words in remarks.items() if words}),
    )
    empty = ~np.isfinite(value).any(axis=0)
    low = np.where(empty, np.nan, np.nanmin(np.where(empty, 0.0, value - own), axis=0))
    high = np.where(empty, np.nan, np.nanmax(np.where(empty, 0.0, value + own), axis=0))
    dataset = dataset.assign_coords(construction=np.array(list(METHODS), dtype=object))
    for name, dims, array, words in (
        (
            "yield_stress_low",
            "reading",
            np.maximum(low, 0.0),
            "least of the methods less its u",
        ),
        ("yield_stress_high", "reading", high, "greatest of the methods plus its u"),
        ("yield_stress_by_method", ("construction", "reading"), value, "yield stress by method"),
        (
            "yield_stress_by_method_u",
            ("construction", "reading"),
            own,
            "standard uncertainty of the yield stress by method",
        ),
    ):
        dataset[name] = (dims, array, {"units": "kPa", "long_name": words})
    return dataset


_STEPS_YIELD = (
    "first loading, without loops",
    "largest curvature and its bisector against the steepest part (Casagrande 1936)",
    "two lines in work per volume against stress (Becker and others 1987)",
    "two lines in ln(1 + e) against ln(stress) (Butterfield 1979)",
    "the middle one of the methods; low and high: least and greatest with their uncertainty",
)
