"""Accumulation: ages to sedimentation rates, and with dry density to mass accumulation rates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, flags, series, thresholds, units
from corephys.ground.arguments import fraction as fraction_of
from corephys.ground.arguments import positive
from corephys.ground.laws import law
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Dimensional, Fraction, Measurement, Scalar, WithUnit

__all__ = [
    "component_accumulation_rate",
    "interval_density",
    "mass_accumulation_of_phases",
    "mass_accumulation_rate",
    "sedimentation_rate",
    "smooth_ages",
]

# --------------------------------------------------------------------------------------------------
# Ages smoothed along depth before differences are taken, and the matrix that propagates errors.


def smooth_ages(
    age: Dimensional, *, depth: Dimensional, age_uncertainty: Dimensional, length: Scalar
) -> tuple[pint.Quantity, np.ndarray]:
    """Smooth ages by a line through the neighbours of each datum.

    Parameters
    ----------
    age : DataArray or Quantity, (n,)
        Ages of the data [kyr], from the top down.
    depth : DataArray or Quantity, (n,)
        Depths of the data [m], not falling. Two data at one depth with different ages enclose a
        hiatus; ages are not smoothed across it.
    age_uncertainty : DataArray, Quantity or str, (n,)
        Standard uncertainty of each age [kyr], or one for all. Weights are equal where one is
        unknown or zero.
    length : Quantity or str
        Standard deviation of the Gaussian weight along depth [m].

    Returns
    -------
    tuple of Quantity and ndarray
        Smoothed ages [kyr], (n,), and the matrix (n, n) that gives them from the ages before
        smoothing; the same matrix propagates their errors.

    Raises
    ------
    ValueError
        For a length that is not above zero, or another number of depths or uncertainties.

    Notes
    -----
    Weighted local linear regression (Cleveland 1979, Journal of the American Statistical
    Association 74, 829) with a Gaussian weight. Ages on a straight line do not change. Where the
    true rate changes within the length, the smoothed rate lags; no uncertainty includes that.
    """
    reach = float(positive(length, "m", "length"))
    a, z, u = (
        np.asarray(without_coords(units.as_floats(value, unit, name)), dtype=float)
        for value, unit, name in (
            (age, "kyr", "age"),
            (depth, "m", "depth"),
            (age_uncertainty, "kyr", "age_uncertainty"),
        )
    )
    if a.ndim != 1 or z.shape != a.shape or u.shape not in ((), a.shape):
        raise ValueError(
            f"age has {a.size} values, depth {z.size} and age_uncertainty {u.size}; give one depth "
            "for each age, and one uncertainty for each or one for all"
        )
    smoothed, matrix = _smoothed(a, z, np.broadcast_to(u, a.shape), reach)
    return units.quantity(smoothed, "kyr"), matrix


def _smoothed(
    age: np.ndarray, depth: np.ndarray, u: np.ndarray, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """Ages [kyr] smoothed over ``reach`` [m], and the matrix of smoothing; see smooth_ages."""
    known = np.isfinite(u).all() and (u > 0.0).all()
    weight = 1.0 / u**2 if known else np.ones(age.size)
    matrix = np.zeros((age.size, age.size))
    breaks = np.flatnonzero((np.diff(depth) == 0.0) & (np.diff(age) != 0.0)) + 1
    for part in np.split(np.arange(age.size), breaks):
        z = depth[part]
        for row in part:
            away = (z - depth[row]) / reach
            share = weight[part] * np.exp(-0.5 * away**2)
            # Far neighbours keep a least weight: a line through a lone datum has no slope.
            root = np.sqrt(np.maximum(share / share.max(), 1e-14))
            design = np.column_stack([np.ones(part.size), away]) * root[:, None]
            matrix[row, part] = np.linalg.pinv(design, rcond=1e-9)[0] * root
    return matrix @ age, matrix


# --------------------------------------------------------------------------------------------------
# Accumulation: ages to sedimentation rates, rates and dry density to mass accumulation rates.
#
# The errors of ages belong to the data and not to the intervals: two neighbouring intervals share
# the datum between them, and its error raises the rate of one and lowers that of the other.


_LEAST = thresholds.value("least_sedimentation_rate")  # m/Myr
_GREATEST = thresholds.value("greatest_sedimentation_rate")  # m/Myr
_OLDEST = thresholds.value("greatest_sediment_age")  # kyr
_UNRESOLVED = thresholds.value("unresolved_rate")
_NAME = "sedimentation_rate"
_HIATUS, _REVERSED, _SAME, _RATE = "hiatus", "reversed ages", "same age", "rate"


def sedimentation_rate(
    age: Dimensional,
    *,
    depth: Dimensional | None = None,
    age_uncertainty: Dimensional | None = None,
    depth_uncertainty: Dimensional = "0 m",
    growth_factor: float | Scalar | None = None,
    growth_factor_uncertainty: float | Scalar | None = None,
    age_scale_uncertainty: float | Scalar | None = None,
    smoothing: Scalar | None = None,
) -> xr.Dataset:
    """Sedimentation rates between neighbouring ages.

    Parameters
    ----------
    age : DataArray or Quantity, (reading)
        Ages of the data [kyr]; a datum without age or depth is left out and counted.
    depth : DataArray or Quantity, (reading), optional
        Depths of the data [m]; the coordinate ``depth`` of the ages where not given.
    age_uncertainty : Quantity, DataArray or str, optional
        Standard uncertainty of each datum [kyr], independent from datum to datum; unknown gives
        NaN.
    depth_uncertainty : Quantity, DataArray or str
        Standard uncertainty of the depth of each datum [m].
    growth_factor : float, optional
        Factor by which the depths are too long: composite depth over depth drilled [1]. Rates are
        divided by it. None for depths that are not composite.
    growth_factor_uncertainty : float, optional
        Standard uncertainty [1], effect ``growth_factor``; unknown gives NaN.
    age_scale_uncertainty : Quantity or str, optional
        Relative standard uncertainty that all durations share [1], effect ``ages``: that of a
        calibration to which every datum was tied. Unknown gives NaN; write ``"0 %"`` where each
        datum was dated independently.
    smoothing : Quantity or str, optional
        Length [m] over which ages are smoothed before the differences are taken, see
        :func:`smooth_ages`. None takes the ages as they are.

    Returns
    -------
    Dataset, (interval)
        ``sedimentation_rate`` [m/Myr] with uncertainty, effects and flags. Its random part is that
        of the data at both ends; ``sedimentation_rate_covariance`` holds the part that intervals
        share. Coordinates ``top``, ``bottom``, ``depth`` (the middle) [m], ``age_top``,
        ``age_bottom`` [kyr] and ``kind``: ``rate``, ``hiatus`` (ages apart at one depth: the rate
        is zero), ``reversed ages`` (the rate is negative, kept and flagged
        ``impossible_value``) or ``same age`` (NaN). Rates outside 0.1 to 100 000 m/Myr and ages
        above 200 Myr are flagged ``out_of_usual_range``, and the attribute ``unlikely_rates`` names
        them: the usual cause is a column of years or Myr with a header in kyr.

    Raises
    ------
    ValueError
        For fewer than two usable ages, no depth, another number of depths, or a growth factor
        that is not above zero.

    Notes
    -----
    r = (z2 - z1) / (a2 - a1) / G, definition. An error of a datum moves the rates of its two
    intervals in opposite directions:
    C = J diag(u^2) J' with dr_i/da_i = r_i / (a_i+1 - a_i) = -dr_i/da_i+1 (JCGM 100:2008, 5.2).
    The attribute ``unresolved`` names intervals whose uncertainty exceeds half of their rate:
    there the linear propagation through 1 / (a2 - a1) fails, and intervals should be joined.
    Division of composite depths by the growth factor is common practice.
    """
    z, a, u_age, u_depth, left_out = _data(age, depth, age_uncertainty, depth_uncertainty)
    factor, u_factor = _growth(growth_factor, growth_factor_uncertainty)
    carried = np.eye(z.size)
    if smoothing is not None:
        a, carried = _smoothed(a, z, u_age, float(positive(smoothing, "m", "smoothing")))
    dz, da = np.diff(z) / factor, np.diff(a) * 1e-3  # m, Myr
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(da != 0.0, dz / da, np.nan)
    kind = np.select([da == 0.0, da < 0.0, dz == 0.0], [_SAME, _REVERSED, _HIATUS], _RATE)
    covariance = _covariance(rate, da, factor, carried, u_age, u_depth)
    effects = {
        "ages": -rate * given_uncertainty(age_scale_uncertainty, "1", "age_scale_uncertainty")
    }
    if growth_factor is not None:
        effects["growth_factor"] = -rate / factor * u_factor
    reason = np.where(kind == _SAME, flags.bit("impossible_value"), 0).astype(np.int64)
    with np.errstate(invalid="ignore"):
        odd = (kind == _RATE) & ((rate < _LEAST) | (rate > _GREATEST))
    odd |= np.maximum(np.abs(a[1:]), np.abs(a[:-1])) > _OLDEST
    reason[odd] |= flags.bit("out_of_usual_range")
    values = xr.DataArray(rate, dims="interval", coords=_coordinates(z, a, kind))
    random = np.sqrt(np.diag(covariance))
    found = series.build(
        {_NAME: Measured(values, random, effects, reason)},
        steps=_steps(smoothing, growth_factor),
        constants={
            "growth_factor": (growth_factor, growth_factor_uncertainty),
            "age_scale_uncertainty": age_scale_uncertainty,
        },
        points_used=z.size,
        points_left_out=left_out,
        smoothing="none" if smoothing is None else str(smoothing),
        hiatuses=_places(kind == _HIATUS, z),
        reversed_ages=_places(kind == _REVERSED, z),
        unlikely_rates=_places(odd, z),
        unresolved=_places(random > _UNRESOLVED * np.abs(rate), z),
    )
    found[f"{_NAME}_covariance"] = (
        ("interval", "interval_2"),
        covariance,
        {"units": "m^2/Myr^2", "long_name": "random covariance of sedimentation rates"},
    )
    return found


def _data(
    age: Any, depth: Any, u_age: Any, u_depth: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, int]:
    """Depths [m], ages [kyr] and their uncertainties from the top down, and the number left out."""
    ages = units.as_floats(age, "kyr", "age")
    if depth is None:
        if "depth" not in getattr(ages, "coords", {}):
            raise ValueError(
                "age has no coordinate depth; give depth=, or ages with that coordinate"
            )
        depth = age["depth"]
    z = np.atleast_1d(np.asarray(units.as_floats(depth, "m", "depth"), dtype=float))
    a = np.atleast_1d(np.asarray(ages, dtype=float))
    if z.shape != a.shape or a.ndim > 1:
        raise ValueError(
            f"{a.size} ages and {z.size} depths do not make pairs; give one depth for each age, in "
            "one dimension"
        )
    parts = []
    for value, unit, name in (
        (u_age, "kyr", "age_uncertainty"),
        (u_depth, "m", "depth_uncertainty"),
    ):
        u = np.asarray(given_uncertainty(value, unit, name), dtype=float)
        if u.ndim and u.shape != a.shape:
            raise ValueError(
                f"{a.size} ages and {u.size} values of {name} do not make pairs; give one for "
                "each age, or one for all"
            )
        if (u < 0.0).any():
            raise ValueError(f"{name} is {np.nanmin(u):g} {unit}; it has to be zero or more")
        parts.append(np.broadcast_to(u, a.shape))
    use = np.isfinite(z) & np.isfinite(a)
    if use.sum() < 2:
        raise ValueError(f"{int(use.sum())} usable ages; at least two are needed for a rate")
    # Sorted by depth, at one depth by age: two ages at one depth then enclose a hiatus.
    order = np.flatnonzero(use)[np.lexsort((a[use], z[use]))]
    return z[order], a[order], parts[0][order], parts[1][order], int((~use).sum())


def _growth(factor: Any, u: Any) -> tuple[float, float]:
    """Growth factor and its uncertainty; 1 and 0 for depths that are not composite."""
    if factor is None:
        return 1.0, 0.0
    return float(positive(factor, "1", "growth_factor")), float(
        given_uncertainty(u, "1", "growth_factor_uncertainty")
    )


def _covariance(
    rate: np.ndarray,
    da: np.ndarray,
    factor: float,
    carried: np.ndarray,
    u_age: np.ndarray,
    u_depth: np.ndarray,
) -> np.ndarray:
    """Covariance of the rates from independent errors of ages [kyr] and depths [m]."""
    number = rate.size
    difference = np.eye(number, number + 1, 1) - np.eye(number, number + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_age = (-rate / da * 1e-3)[:, None] * (difference @ carried) * u_age
        by_depth = (1.0 / (factor * da))[:, None] * difference * u_depth
    # 0 times NaN is NaN: data that do not bound an interval have no part in its error.
    by_age = np.where(difference @ carried == 0.0, 0.0, by_age)
    by_depth = np.where(difference == 0.0, 0.0, by_depth)
    return _product(by_age) + _product(by_depth)


def _product(part: np.ndarray) -> np.ndarray:
    """Matrix times its transpose; NaN only where two rows share an unknown error."""
    unknown, moved = np.isnan(part), (part != 0.0).astype(float)
    shared = unknown.astype(float) @ moved.T
    known = np.where(unknown, 0.0, part)
    return np.asarray(np.where(shared + shared.T > 0.0, np.nan, known @ known.T))


def _coordinates(z: np.ndarray, a: np.ndarray, kind: np.ndarray) -> dict[str, Any]:
    """Coordinates of the intervals between data."""
    words = {
        "top": (z[:-1], "m", "upper datum of the interval"),
        "bottom": (z[1:], "m", "lower datum of the interval"),
        "depth": (0.5 * (z[:-1] + z[1:]), "m", "middle of the interval"),
        "age_top": (a[:-1], "kyr", "age of the upper datum"),
        "age_bottom": (a[1:], "kyr", "age of the lower datum"),
    }
    found: dict[str, Any] = {
        name: ("interval", values, {"units": unit, "long_name": text})
        for name, (values, unit, text) in words.items()
    }
    found["kind"] = ("interval", kind.astype(object), {"long_name": "kind of the interval"})
    return found


def _places(which: np.ndarray, z: np.ndarray) -> str:
    """Depths of the intervals that are chosen, as text."""
    return "; ".join(f"{z[i]:g} to {z[i + 1]:g} m" for i in np.flatnonzero(which)) or "none"


def _steps(smoothing: object, growth_factor: object) -> tuple[str, ...]:
    """Steps of the calculation, for the provenance."""
    steps = ["r = (z2 - z1) / (a2 - a1) between neighbouring ages (definition)"]
    if smoothing is not None:
        steps.insert(0, "ages smoothed by local lines before the differences (Cleveland 1979)")
    if growth_factor is not None:
        steps.append("divided by the growth factor of the depths (common practice)")
    return tuple(steps)


# --------------------------------------------------------------------------------------------------
# Mass accumulation: sedimentation rate times dry density, of all grains or of one component.


_C = constants.CONSTANTS
_RATE_MASS, _MASS = "sedimentation_rate", "mass_accumulation_rate"
# Units of the coordinates of the intervals between ages, and of the covariance of their rates.
_INTERVALS = {
    "top": "m",
    "bottom": "m",
    "age_top": "kyr",
    "age_bottom": "kyr",
    f"{_RATE_MASS}_covariance": "m^2/Myr^2",
}
_PER_RATE = 0.1  # g/(cm^2 kyr) of 1 g/cm^3 at 1 m/Myr: units


def interval_density(
    dry_density: xr.Dataset,
    rate: xr.Dataset,
    *,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Mean dry density of each interval between ages.

    Parameters
    ----------
    dry_density : Dataset, (reading)
        ``dry_density`` [g/cm^3] of samples with the coordinate ``depth`` [m].
    rate : Dataset, (interval)
        Result of ``sedimentation_rate``: its ``top`` and ``bottom`` [m] bound the intervals.
    allow : tuple of str
        Flag levels of the densities that may be used.

    Returns
    -------
    Dataset, (interval)
        ``dry_density`` [g/cm^3] with uncertainty, effects and flags, and ``samples``, the number
        in each interval. An interval without samples is interpolated linearly between the nearest
        samples above and below, and flagged ``interpolated_input``; it is NaN outside all samples.

    Raises
    ------
    ValueError
        When the densities have no depth, or none is usable.

    Notes
    -----
    Arithmetic mean, definition: samples are assumed to lie anywhere in their interval. Its random
    variance is s^2 / n with the scatter s of the samples about the means of their intervals, pooled
    over the intervals with two or more samples (JCGM 100:2008, 4.2); s includes the random errors
    of the samples. Where no interval has two samples, only the random errors of the samples remain,
    and the uncertainty is too small.
    """
    rate = companions.library_units(rate, _INTERVALS)
    rho = series.unpack(dry_density, "dry_density")
    if "depth" not in dry_density.coords:
        raise ValueError("dry_density has no coordinate depth; give samples with that coordinate")
    z = np.asarray(units.as_floats(dry_density["depth"], "m", "depth"), dtype=float)
    values = np.asarray(without_coords(rho.values), dtype=float)
    use = np.isfinite(values) & np.isfinite(z)
    use &= flags.usable(flags.from_reason(np.asarray(without_coords(rho.reason))), allow)
    if not use.any():
        raise ValueError(
            "dry_density has no usable value; look at dry_density_reason, or allow more flag levels"
        )
    picked = series.take(Measured(values, rho.u_random, rho.effects, rho.reason), use)
    top, bottom = rate["top"].values, rate["bottom"].values
    weights, number, alone = _interval_weights(z[use], top, bottom)
    variance = _mean_variance(picked, weights, number)
    # A sample with an unknown effect makes the effect unknown only in the intervals that use it.
    effects = {
        source: np.where(weights == 0.0, 0.0, weights * effect).sum(axis=1)
        for source, effect in picked.effects.items()
    }
    reason = np.where(alone, flags.bit("interpolated_input"), 0).astype(np.int64)
    mean = rate[_RATE_MASS].copy(deep=False, data=weights @ picked.values).drop_attrs(deep=False)
    mean.name = None
    found = series.build(
        {"dry_density": Measured(mean, np.sqrt(variance), effects, reason)},
        steps=("mean dry density of the samples of each interval",),
    )
    found["samples"] = ("interval", number, {"units": "1", "long_name": "samples in the interval"})
    return found


def _interval_weights(
    z: np.ndarray, top: np.ndarray, bottom: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights (interval, sample) of the means, numbers of samples, and intervals without any."""
    inside = (z >= top[:, None]) & (z < bottom[:, None])
    # A sample at the lower end of the lowest interval counts in it.
    inside |= (z == bottom[:, None]) & (bottom == bottom.max())[:, None] & (top < bottom)[:, None]
    number = inside.sum(axis=1)
    weights = inside / np.maximum(number, 1)[:, None]
    levels, group, many = np.unique(z, return_inverse=True, return_counts=True)
    for row in np.flatnonzero(number == 0):
        middle = 0.5 * (top[row] + bottom[row])
        if not levels[0] <= middle <= levels[-1]:
            weights[row] = np.nan
            continue
        line = np.array([np.interp(middle, levels, e) for e in np.eye(levels.size)])
        weights[row] = line[group] / many[group]
    return weights, number, number == 0


def _mean_variance(picked: Measured, weights: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Random variance of the means: pooled scatter, else the random errors of the samples."""
    own = np.nansum(np.where(weights == 0.0, 0.0, weights**2 * picked.u_random**2), axis=1)
    unknown = (weights != 0.0) & np.isnan(weights * picked.u_random)
    own = np.where(unknown.any(axis=1), np.nan, own)
    apart, freedom = 0.0, 0
    for row in np.flatnonzero(number >= 2):
        part = picked.values[weights[row] > 0.0]
        apart += float(((part - part.mean()) ** 2).sum())
        freedom += part.size - 1
    if not freedom:
        return own
    return (apart / freedom) * (weights**2).sum(axis=1)


def mass_accumulation_rate(
    dry_density: Measurement | Scalar, rate: Measurement | Scalar
) -> xr.Dataset:
    """Mass accumulation rate: mass that settles on an area in a time.

    Parameters
    ----------
    dry_density : Dataset, Quantity or str
        ``dry_density`` [g/cm^3] of the same intervals, from :func:`interval_density`, or one
        density for all.
    rate : Dataset, Quantity or str
        ``sedimentation_rate`` [m/Myr].

    Returns
    -------
    Dataset
        ``mass_accumulation_rate`` [g/(cm^2 kyr)] with uncertainty, effects and flags. Where the
        rate has a covariance: also ``mass_accumulation_rate_covariance``, and
        ``mass_accumulation_rate_u_ages``, the part of the random uncertainty due to the ages.

    Raises
    ------
    PositionError
        When the intervals are not the same.

    Notes
    -----
    MAR = rho_d r, definition; with rho_d in g/cm^3 and r in m/Myr it is a tenth of the product.
    Errors are propagated by JCGM 100:2008, 5.2. Dry density must exclude the salt of the pore
    water.
    """
    series.require_same_positions(dry_density=dry_density, rate=rate)
    dry_density, rate = (companions.library_units(d, _INTERVALS) for d in (dry_density, rate))
    rho, r = series.unpack(dry_density, "dry_density"), series.unpack(rate, _RATE_MASS)
    # Only the rate brings coordinates: xarray drops those of two that differ in the last digit.
    many = isinstance(r.values, xr.DataArray) and r.values.dims
    values = _PER_RATE * (
        without_coords(rho.values) * r.values if many else rho.values * without_coords(r.values)
    )
    by_rho, by_rate = _PER_RATE * without_coords(r.values), _PER_RATE * without_coords(rho.values)
    random, effects = combine([(by_rho, rho), (by_rate, r)])
    reason = series.joined_reasons(without_coords(rho.reason), without_coords(r.reason))
    found = series.build(
        {_MASS: Measured(values, random, effects, reason)},
        steps=("MAR = rho_d r (definition)",),
    )
    if not (isinstance(rate, xr.Dataset) and f"{_RATE_MASS}_covariance" in rate):
        return found
    across = np.broadcast_to(np.asarray(by_rate, dtype=float), values.shape)
    shared = across[:, None] * rate[f"{_RATE_MASS}_covariance"].values * across[None, :]
    own = np.broadcast_to(
        np.asarray(by_rho * without_coords(rho.u_random), dtype=float), values.shape
    )
    squared = {"units": "g^2/(cm^4 kyr^2)", "long_name": "random covariance of the rates"}
    found[f"{_MASS}_covariance"] = (
        ("interval", "interval_2"),
        shared + np.diag(own**2),
        squared,
    )
    words = {"units": "g/(cm^2 kyr)", "long_name": "random uncertainty due to the ages"}
    found[f"{_MASS}_u_ages"] = ("interval", np.sqrt(np.diag(shared)), words)
    return found


@law(
    "g/(cm^2 kyr)",
    thickness="positive m",
    duration="positive kyr",
    bulk_density="g/cm^3",
    porosity="fraction",
    pore_water_density="positive g/cm^3",
)
def mass_accumulation_of_phases(
    thickness: Dimensional,
    duration: Dimensional,
    *,
    bulk_density: Dimensional,
    porosity: Fraction,
    pore_water_density: Dimensional = _C["pore_water_density"],
) -> WithUnit:
    """Mass accumulation rate of a layer from its bulk density and porosity.

    Parameters
    ----------
    thickness : Quantity, DataArray or str
        Thickness of the layer [m].
    duration : Quantity, DataArray or str
        Time in which it settled [kyr].
    bulk_density : Quantity, DataArray or str
        Density of the wet sediment [g/cm^3].
    porosity : float, Quantity or DataArray
        Porosity [1].
    pore_water_density : Quantity, str or Constant
        Density of the pore water [g/cm^3].

    Returns
    -------
    Quantity or DataArray
        Mass accumulation rate [g/(cm^2 kyr)].

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        For a thickness or a duration that is not above zero, a porosity outside 0 to 1, or a bulk
        density below that of the water in the pores.

    Notes
    -----
    MAR = T (rho - phi rho_w) / t: the grains are all that is not pore water (definition). It equals
    dry density times rate where all three densities are of one sample.
    """
    return _mass_of_grains(thickness, duration, bulk_density, porosity, pore_water_density)


def _mass_of_grains(thick: Any, time: Any, bulk_density: Any, porosity: Any, water: Any) -> Any:
    """Mass of grains for each area and time [g/(cm^2 kyr)]."""
    grains = bulk_density - porosity * water  # g/cm^3
    if (np.asarray(grains) < 0.0).any():
        raise ValueError(
            "bulk_density is less than porosity times pore_water_density; they cannot be of one "
            "sediment. Give bulk density and porosity of the same layer"
        )
    return 1e2 * thick * grains / time  # 1 m of 1 g/cm^3 is 100 g/cm^2


def component_accumulation_rate(
    rate: Measurement | Scalar,
    *,
    fraction: Fraction,
    fraction_uncertainty: Fraction | None = None,
    component: str = "component",
) -> xr.Dataset:
    """Mass accumulation rate of one component.

    Parameters
    ----------
    rate : Dataset, Quantity or str
        ``mass_accumulation_rate`` [g/(cm^2 kyr)].
    fraction : Quantity, DataArray or str
        Fraction of the dry mass [1]; give weight per cent with their unit, such as ``"12 %"``.
    fraction_uncertainty : Quantity, DataArray or str, optional
        Random standard uncertainty of the fraction [1]; unknown gives NaN.
    component : str
        Name of the component, for the attributes.

    Returns
    -------
    Dataset
        ``component_accumulation_rate`` [g/(cm^2 kyr)] with uncertainty, effects and flags.

    Raises
    ------
    ValueError
        For a fraction outside 0 to 1, or another number of fractions than of rates.

    Notes
    -----
    MAR w with the fraction w of the dry mass, definition. The components of one sample share all
    errors of its rate.
    """
    total = series.unpack(rate, _MASS)
    share = units.as_floats(fraction, "1", "fraction")
    plain = np.asarray(share, dtype=float)
    if plain.ndim == 0:
        fraction_of(share, "fraction")
    if ((plain < 0.0) | (plain > 1.0)).any():
        worst = float(plain.flat[int(np.nanargmax(np.abs(plain - 0.5)))])
        raise ValueError(
            f"fraction is {worst:g}; it has to lie between 0 and 1. Give weight per cent with "
            "their unit '%'"
        )
    held = np.shape(np.asarray(without_coords(total.values)))
    if plain.ndim and held and plain.shape != held:
        raise ValueError(
            f"{plain.size} fractions and {int(np.prod(held))} rates do not make pairs; give one "
            "fraction each, or one for all"
        )
    u = given_uncertainty(fraction_uncertainty, "1", "fraction_uncertainty")
    random, effects = combine([(share, total), (without_coords(total.values), Measured(share, u))])
    values = total.values * without_coords(share)
    return series.build(
        {"component_accumulation_rate": Measured(values, random, effects, total.reason)},
        steps=("mass accumulation rate times the fraction of the dry mass (definition)",),
        component=component,
    )
