"""Loading history: overconsolidation, a lower bound of overpressure, and sample quality."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, series, thresholds
from corephys.samples.consolidation.curves import SAFETY, loadings, places
from corephys.uncertainty import Measured, combine, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = ["overconsolidation_ratio", "overpressure_bound", "sample_quality"]

CLASSES = ("very_good_to_excellent", "good_to_fair", "poor", "very_poor")
_BOUNDS = tuple(f"quality_{r}_{word}" for r in ("low", "high") for word in ("good", "fair", "poor"))
_LOW = tuple(thresholds.value(row) for row in _BOUNDS[:3])
_HIGH = tuple(thresholds.value(row) for row in _BOUNDS[3:])
BOUND = (
    "lower bound of the overpressure: present effective stress cannot exceed the yield stress; "
    "disturbance and slow loading lower the yield stress and raise the bound; ageing and cement "
    "raise the yield stress and hide overpressure; a bound of zero gives no information"
)


def _stress(value: Measurement | str, name: str, uncertainty: Scalar | None) -> Measured:
    """Stress with uncertainties; one given apart is systematic, except that of a yield stress."""
    return series.unpack(
        value,
        name,
        uncertainty_given=uncertainty,
        source=None if name == "yield_stress" else name,
    )


def _bounds(value: Measurement | str, stress: Measured) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest yield stress, of the methods or at one standard uncertainty."""
    if isinstance(value, xr.Dataset) and "yield_stress_low" in value:
        value = companions.library_units(
            value, {"yield_stress_low": "kPa", "yield_stress_high": "kPa"}
        )
        return value["yield_stress_low"].variable.data, value["yield_stress_high"].variable.data
    u = np.asarray(without_coords(stress.u_random))
    return np.asarray(without_coords(stress.values)) - u, np.asarray(
        without_coords(stress.values)
    ) + u


def overconsolidation_ratio(
    yield_stress: Measurement | str,
    vertical_effective_stress: Measurement | str,
    *,
    yield_stress_uncertainty: Scalar | None = None,
    vertical_effective_stress_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Yield stress over present vertical effective stress.

    Parameters
    ----------
    yield_stress : Dataset, Quantity, DataArray or str
        Yield stress [kPa], as from
        :func:`corephys.samples.consolidation.yield_stresses.yield_stress`.
    vertical_effective_stress : Dataset, Quantity, DataArray or str
        Vertical effective stress under hydrostatic pressure, at the same positions [kPa].
    yield_stress_uncertainty, vertical_effective_stress_uncertainty : Quantity or str, optional
        Standard uncertainties of arguments that are not Datasets [kPa]; NaN if not given.

    Returns
    -------
    Dataset
        ``overconsolidation_ratio`` [1] with ``overconsolidation_ratio_low`` and ``_high`` from the
        least and greatest yield stress. A ratio below one means that the sediment is not yet
        consolidated under its load, or that the sample is disturbed.

    Raises
    ------
    PositionError
        When the two series have different positions.
    ValueError
        For a vertical effective stress that is not positive.

    Notes
    -----
    OCR = yield stress over vertical effective stress: definition.
    """
    series.require_same_positions(
        yield_stress=yield_stress, vertical_effective_stress=vertical_effective_stress
    )
    top = _stress(yield_stress, "yield_stress", yield_stress_uncertainty)
    load = _load(vertical_effective_stress, vertical_effective_stress_uncertainty)
    top.values, load.values = series.at_same_positions(yield_stress=top.values, load=load.values)
    ratio = top.values / load.values
    u, effects = combine(
        [
            (1.0 / without_coords(load.values), top),
            (-without_coords(ratio) / without_coords(load.values), load),
        ]
    )
    low, high = _bounds(yield_stress, top)
    reason = series.joined_reasons(without_coords(top.reason), without_coords(load.reason))
    dataset = series.build(
        {"overconsolidation_ratio": Measured(ratio, u, effects, reason)},
        steps=("OCR = yield stress / vertical effective stress",),
        safety=SAFETY,
    )
    below = np.asarray(without_coords(load.values))
    _attach(dataset, "overconsolidation_ratio", low / below, high / below, "1")
    return dataset


def overpressure_bound(
    yield_stress: Measurement | str,
    vertical_effective_stress: Measurement | str,
    *,
    yield_stress_uncertainty: Scalar | None = None,
    vertical_effective_stress_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Lower bound of the overpressure from a yield stress below the hydrostatic effective stress.

    Parameters
    ----------
    yield_stress : Dataset, Quantity, DataArray or str
        Yield stress [kPa], as from
        :func:`corephys.samples.consolidation.yield_stresses.yield_stress`.
    vertical_effective_stress : Dataset, Quantity, DataArray or str
        Vertical effective stress under hydrostatic pressure, at the same positions [kPa].
    yield_stress_uncertainty, vertical_effective_stress_uncertainty : Quantity or str, optional
        Standard uncertainties of arguments that are not Datasets [kPa]; NaN if not given.

    Returns
    -------
    Dataset
        ``overpressure_bound`` [kPa], never negative: zero gives no information on the pressure.
        ``overpressure_bound_low`` and ``_high`` from the greatest and least yield stress;
        ``overpressure_difference`` [kPa] is the bound before negative values are set to zero,
        ``overpressure_ratio`` [1] the bound over the effective stress. Attribute ``bound`` is
        ``lower``.

    Raises
    ------
    PositionError
        When the two series have different positions.
    ValueError
        For a vertical effective stress that is not positive.

    Notes
    -----
    Present effective stress, sigma'vh - P*, cannot exceed the yield stress, hence P* >= sigma'vh -
    sigma'p: definition of the yield stress as the greatest effective stress of the past. Research
    estimate; not for well control, mud weight, casing, slope or structural decisions.
    """
    series.require_same_positions(
        yield_stress=yield_stress, vertical_effective_stress=vertical_effective_stress
    )
    top = _stress(yield_stress, "yield_stress", yield_stress_uncertainty)
    load = _load(vertical_effective_stress, vertical_effective_stress_uncertainty)
    top.values, load.values = series.at_same_positions(yield_stress=top.values, load=load.values)
    difference = load.values - top.values
    u, effects = combine([(-1.0, top), (1.0, load)])
    low, high = _bounds(yield_stress, top)
    below = np.asarray(without_coords(load.values))
    bound = np.maximum(difference, 0.0)
    reason = series.joined_reasons(without_coords(top.reason), without_coords(load.reason))
    dataset = series.build(
        {"overpressure_bound": Measured(bound, u, effects, reason)},
        steps=("P* >= vertical effective stress under hydrostatic pressure - yield stress",),
        safety=SAFETY,
        bound="lower",
        bound_in_words=BOUND,
    )
    dataset["overpressure_bound"].attrs["bound"] = "lower"
    _attach(
        dataset,
        "overpressure_bound",
        np.maximum(below - high, 0.0),
        np.maximum(below - low, 0.0),
        "kPa",
    )
    dims = dataset["overpressure_bound"].dims
    for name, array, unit, words in (
        (
            "overpressure_difference",
            np.asarray(without_coords(difference)),
            "kPa",
            "effective stress less yield stress, negative where it gives no bound",
        ),
        (
            "overpressure_ratio",
            np.asarray(without_coords(bound)) / below,
            "1",
            "lower bound of the overpressure over the vertical effective stress",
        ),
    ):
        dataset[name] = (dims, array, {"units": unit, "long_name": words})
    return dataset


def _load(value: Measurement | str, uncertainty: Scalar | None) -> Measured:
    """Vertical effective stress; an error where it is not positive."""
    load = _stress(value, "vertical_effective_stress", uncertainty)
    if np.any(np.asarray(load.values) <= 0):
        raise ValueError(
            "vertical_effective_stress must be positive; leave out readings at the seafloor"
        )
    return load


def _attach(dataset: xr.Dataset, name: str, low: np.ndarray, high: np.ndarray, unit: str) -> None:
    """Add the low and the high end of a quantity."""
    words = dataset[name].attrs["long_name"]
    for end, array in (("low", low), ("high", high)):
        attrs = {"units": unit, "long_name": f"{words}, {end} end"}
        dataset[f"{name}_{end}"] = (dataset[name].dims, np.asarray(array), attrs)


def sample_quality(
    curve: xr.Dataset,
    vertical_effective_stress: Measurement | str,
    overconsolidation_ratio: Measurement | str = "1 1",
) -> xr.Dataset:
    """Disturbance of samples from the loss of void ratio up to the effective stress in situ.

    Parameters
    ----------
    curve : Dataset, (reading)
        Curve as from :func:`corephys.samples.consolidation.curves.curve`, stress in kPa.
    vertical_effective_stress : Dataset, Quantity, DataArray or str
        Vertical effective stress in situ [kPa], one value or one for each test in the order of the
        curve.
    overconsolidation_ratio : Dataset, Quantity, DataArray or str
        Overconsolidation ratio [1], one value or one for each test; above two the limits are
        tighter.

    Returns
    -------
    Dataset, (reading)
        One reading for each test: ``void_ratio`` [1] at the effective stress in situ on first
        loading, ``void_ratio_change`` [1] over the initial void ratio, and the class
        ``sample_quality``; ``disturbed_sample`` for poor and very poor, ``missing_value`` where the
        loading does not reach the stress.

    Notes
    -----
    Lunne, Berre and Strandvik (1997), de/e0 below 0.04 very good to excellent, to 0.07 good to
    fair, to 0.14 poor, at OCR 1 to 2; 0.03, 0.05 and 0.10 at OCR 2 to 4 (from memory).
    """
    tests = loadings(curve)
    size = len(tests)
    load = series.unpack(vertical_effective_stress, "vertical_effective_stress")
    past = series.unpack(overconsolidation_ratio, "overconsolidation_ratio")
    stress, ratio = (np.broadcast_to(np.asarray(m.values, float), (size,)) for m in (load, past))
    e = np.full(size, np.nan)
    for i, test in enumerate(tests):
        if test.stress.size >= 2:
            x = np.log10(test.stress)
            e[i] = np.interp(np.log10(stress[i]), x, test.void_ratio, left=np.nan, right=np.nan)
    initial = np.array([test.initial for test in tests])
    change = (initial - e) / initial
    limits = np.where(ratio[:, None] > 2.0, _HIGH, _LOW)
    known = np.isfinite(change)
    grade = (change[:, None] >= limits).sum(axis=1)
    reason = np.array([test.reason for test in tests], np.int64)
    reason[known & (grade >= 2)] |= flags.bit("disturbed_sample")
    values = xr.DataArray(e, dims="reading", coords=places(curve, tests))
    u = np.array([test.noise if test.noise_given else np.nan for test in tests])
    dataset = series.build(
        {"void_ratio": Measured(values, u, {}, reason)},
        steps=("e at the effective stress in situ, along log stress", "(e0 - e) / e0"),
        constants={row: thresholds.get(row) for row in _BOUNDS},
        safety=SAFETY,
    )
    words = "loss of void ratio up to the effective stress in situ, over the initial void ratio"
    dataset["void_ratio_change"] = ("reading", change, {"units": "1", "long_name": words})
    classes = [CLASSES[g] if k else "unknown" for g, k in zip(grade, known, strict=True)]
    dataset["sample_quality"] = (
        "reading",
        np.array(classes, dtype=object),
        {"long_name": "quality of the sample"},
    )
    return dataset
