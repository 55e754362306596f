"""Yield stress of a compression curve by three constructions, as least, best and greatest."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.numerics.yield_point import bisector_crossing, joined_lines, largest_curvature
from corephys.samples.consolidation_indices import steepest
from corephys.samples.consolidation_loading import NEAR, Loading, loadings, places
from corephys.samples.consolidation_table import FEWEST_STEPS, SAFETY
from corephys.uncertainty import Measured

__all__ = ["by_curvature", "by_specific_volume", "by_work", "yield_stress"]

SPACING_SHARE = thresholds.value("yield_spacing_share")
STEEPENS = thresholds.value("yield_steepens")
AGREE = thresholds.value("yield_methods_agree")


def by_curvature(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choice: float = 1.0
) -> float:
    """Yield stress by the point of largest curvature and its bisector.

    Parameters
    ----------
    stress, void_ratio : ndarray, (n,)
        First loading [kPa], [1].
    initial : float
        Void ratio at the start [1]; not used.
    choice : float
        Height of the drawing over its width [1].

    Returns
    -------
    float
        [kPa]

    Notes
    -----
    Casagrande (1936), Proceedings of the First International Conference on Soil Mechanics, 60
    (from memory): at the point of largest curvature of e against log stress the angle between
    horizontal and tangent is halved; the bisector meets the virgin line at the yield stress. The
    curve is a natural cubic spline through the steps, drawn so that both axes span the data.
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

    Parameters
    ----------
    stress, void_ratio : ndarray, (n,)
        First loading [kPa], [1].
    initial : float
        Void ratio at the start [1].
    choice : int, optional
        Points past the yield that are used; all where None.

    Returns
    -------
    float
        [kPa]

    Notes
    -----
    Work per volume W = sum of mean stress times increment of strain [kJ/m^3] against stress; two
    straight lines meet at the yield stress: Becker, Crooks, Been and Jefferies (1987), Canadian
    Geotechnical Journal 24, 549 (from memory). Both lines are fitted together, each point weighted
    with the inverse of its stress, since an error of the strain becomes work in that proportion.
    """
    strain = (void_ratio[0] - void_ratio) / (1.0 + initial)
    work = np.concatenate([[0.0], np.cumsum(0.5 * (stress[1:] + stress[:-1]) * np.diff(strain))])
    return joined_lines(stress, work, 1.0 / stress, None if choice is None else int(choice)).place


def by_specific_volume(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, choice: float | None = NEAR
) -> float:
    """Yield stress by two lines in the logarithms of specific volume and stress.

    Parameters
    ----------
    stress, void_ratio : ndarray, (n,)
        First loading [kPa], [1].
    initial : float
        Void ratio at the start [1]; not used.
    choice : int, optional
        Points past the yield that are used; all where None.

    Returns
    -------
    float
        [kPa]

    Notes
    -----
    ln(1 + e) is straight in ln(stress) on both sides: Butterfield (1979), Geotechnique 29, 469
    (from memory).
    """
    x, y = np.log(stress), np.log1p(void_ratio)
    beyond = None if choice is None else int(choice)
    return float(np.exp(joined_lines(x, y, np.ones(x.size), beyond).place))


METHODS: dict[str, tuple[Callable[..., float], tuple[float | None, ...]]] = {
    "curvature": (by_curvature, (0.5, 2.0)),
    "work": (by_work, (NEAR - 1, NEAR + 1)),
    "specific_volume": (by_specific_volume, (NEAR - 1, NEAR + 1)),
}


def yield_kernel(
    stress: np.ndarray, void_ratio: np.ndarray, initial: float, noise: float
) -> dict[str, tuple[float, float, float]]:
    """Yield stress by every method with the random and the systematic part of its uncertainty.

    Parameters
    ----------
    stress, void_ratio : ndarray, (n,)
        First loading [kPa], [1].
    initial, noise : float
        Void ratio at the start and standard uncertainty of a void ratio [1].

    Returns
    -------
    dict of str to tuple of float
        Value, random and systematic standard uncertainty [kPa]; the systematic one holds the
        choices of the construction and the distance of the steps.
    """
    found = {}
    for name, (method, choices) in METHODS.items():
        value = method(stress, void_ratio, initial)
        if not (np.isfinite(value) and value > 0):
            found[name] = (float("nan"),) * 3
            continue
        others = np.log([max(method(stress, void_ratio, initial, c), 1e-12) for c in choices])
        choice = np.sqrt(np.mean((others - np.log(value)) ** 2))
        moved = 0.0
        for i in range(stress.size):
            shift = np.zeros(stress.size)
            shift[i] = noise
            up = method(stress, void_ratio + shift, initial)
            down = method(stress, void_ratio - shift, initial)
            moved += (0.5 * np.log(max(up, 1e-12) / max(down, 1e-12))) ** 2
        i = int(np.clip(np.searchsorted(stress, value), 1, stress.size - 1))
        spacing = SPACING_SHARE * np.log(stress[i] / stress[i - 1])
        found[name] = (value, value * np.sqrt(moved), value * np.hypot(choice, spacing))
    return found


def yield_stress(curve: xr.Dataset) -> xr.Dataset:
    """Yield stress of every test by three methods.

    Parameters
    ----------
    curve : Dataset, (reading)
        As :func:`corephys.samples.consolidation_curve.curve` gives it; stress [kPa].

    Returns
    -------
    Dataset, (reading)
        One reading a test: ``yield_stress`` [kPa] is the middle one of the methods,
        ``yield_stress_low`` and ``yield_stress_high`` the least and greatest of them, each moved
        by its own standard uncertainty; ``yield_stress_by_method`` and its uncertainty
        (construction, reading). ``yield_not_bracketed`` where the curve does not pass the yield,
        with NaN below five loading steps; ``models_disagree`` where the methods spread
        more than a quarter.

    Raises
    ------
    ValueError
        When the curve lacks its variables.

    Notes
    -----
    Casagrande (1936), Becker and others (1987) and Butterfield (1979), as in
    :func:`by_curvature`, :func:`by_work` and :func:`by_specific_volume` (all from memory). The
    systematic part holds the spread of the methods, the choices of the construction and the
    distance of the steps.
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
        reason[i] |= _doubt(test, table[:, 0, i], remarks.setdefault(test.name, []))
    value, random, system = (table[:, k] for k in range(3))
    return _result(curve, tests, value, random, system, reason, remarks)


def _doubt(test: Loading, value: np.ndarray, words: list[str]) -> int:
    """Reasons that the values of one test give."""
    best = _middle(value[:, None])[0]
    bend = joined_lines(np.log10(test.stress), test.void_ratio, np.ones(test.stress.size), NEAR)
    around = min(int(np.sum(test.stress < best)), int(np.sum(test.stress > best)))
    reason = 0
    if not around >= 2 or not bend.after <= STEEPENS * min(bend.before, 0.0):
        reason |= flags.bit("yield_not_bracketed")
        words.append("the curve does not pass from a flat to a steep part with two steps on each")
    if not np.nanmax(value) / np.nanmin(value) <= 1.0 + AGREE:
        reason |= flags.bit("models_disagree")
        words.append("the methods disagree: read the curve before the number")
    return reason


def _middle(value: np.ndarray) -> np.ndarray:
    """Median along methods; NaN where no method gave a value."""
    known = np.isfinite(value).any(axis=0)
    return np.where(known, np.nanmedian(np.where(known, value, 0.0), axis=0), np.nan)


def _result(
    curve: xr.Dataset, tests: list[Loading], value: np.ndarray, random: np.ndarray,
    system: np.ndarray, reason: np.ndarray, remarks: dict[str, Any],
) -> xr.Dataset:  # fmt: skip
    own = np.hypot(random, system)
    best = _middle(value)
    spread = best * np.where(
        np.isfinite(best), np.std(np.log(np.where(np.isfinite(value), value, best)), axis=0), np.nan
    )
    total = np.sqrt(_middle(system) ** 2 + spread**2)
    values = xr.DataArray(best, dims="reading", coords=places(curve, tests))
    dataset = series.build(
        {"yield_stress": Measured(values, _middle(random), {"yield_construction": total}, reason)},
        steps=_STEPS, safety=SAFETY,
        remarks=json.dumps({name: said for name, said in remarks.items() if said}),
    )  # fmt: skip
    empty = ~np.isfinite(value).any(axis=0)
    low = np.where(empty, np.nan, np.nanmin(np.where(empty, 0.0, value - own), axis=0))
    high = np.where(empty, np.nan, np.nanmax(np.where(empty, 0.0, value + own), axis=0))
    dataset = dataset.assign_coords(construction=np.array(list(METHODS), dtype=object))
    for name, dims, array, words in (
        ("yield_stress_low", "reading", np.maximum(low, 0.0), "least of the methods less its u"),
        ("yield_stress_high", "reading", high, "greatest of the methods plus its u"),
        ("yield_stress_by_method", ("construction", "reading"), value, "yield stress by method"),
        ("yield_stress_by_method_u", ("construction", "reading"), own,
         "standard uncertainty of the yield stress by method"),
    ):  # fmt: skip
        dataset[name] = (dims, array, {"units": "kPa", "long_name": words})
    return dataset


_STEPS = (
    "first loading, without loops",
    "largest curvature and its bisector against the steepest part (Casagrande 1936)",
    "two lines in work per volume against stress (Becker and others 1987)",
    "two lines in ln(1 + e) against ln(stress) (Butterfield 1979)",
    "best: the middle one; low and high: least and greatest with their uncertainty",
)
