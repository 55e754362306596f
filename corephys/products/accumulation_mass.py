"""Mass accumulation: sedimentation rate times dry density, whole or by component."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, flags, series, units
from corephys.ground.arguments import fraction as fraction_of
from corephys.ground.arguments import positive
from corephys.uncertainty import Measured, bare, combine, stated

__all__ = [
    "component_accumulation_rate", "interval_density", "mass_accumulation_of_phases",
    "mass_accumulation_rate",
]  # fmt: skip

_C = constants.CONSTANTS
_RATE, _MASS = "sedimentation_rate", "mass_accumulation_rate"
# Units of what bounds the intervals between ages, and of what their rates share.
INTERVALS = {
    "top": "m", "bottom": "m", "age_top": "kyr", "age_bottom": "kyr",
    f"{_RATE}_covariance": "m^2/Myr^2",
}  # fmt: skip
_PER_RATE = 0.1  # g/(cm^2 kyr) of 1 g/cm^3 at 1 m/Myr: units


def interval_density(
    dry_density: xr.Dataset, rate: xr.Dataset, *,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:  # fmt: skip
    """Mean dry density of the intervals between ages.

    Parameters
    ----------
    dry_density : Dataset, (reading)
        ``dry_density`` [g/cm^3] of samples with the coordinate ``depth`` [m].
    rate : Dataset, (interval)
        From ``sedimentation_rate``: its ``top`` and ``bottom`` [m] bound the intervals.
    allow : tuple of str
        Flag levels of the densities that may be used.

    Returns
    -------
    Dataset, (interval)
        ``dry_density`` [g/cm^3] with uncertainty, effects and flags, and ``samples``, the number
        in each interval. An interval without any takes the line between its neighbours
        (``interpolated_input``), and NaN outside all samples.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When the densities have no depth, or none is usable.

    Notes
    -----
    The plain mean, definition: samples are taken to lie anywhere in their interval. Its random
    variance is s^2 / n with the scatter s of the samples about their intervals' means, pooled
    over the intervals with two and more (JCGM 100:2008, 4.2); s holds the samples' own random
    errors. With no such interval the samples' own errors are all there is, and too little.
    """
    rate = companions.library_units(rate, INTERVALS)
    rho = series.unpack(dry_density, "dry_density")
    if "depth" not in dry_density.coords:
        raise ValueError("the dry densities have no depth; give samples with that coordinate")
    z = np.asarray(units.as_floats(dry_density["depth"], "m", "depth"), dtype=float)
    values = np.asarray(bare(rho.values), dtype=float)
    use = np.isfinite(values) & np.isfinite(z)
    use &= flags.usable(flags.from_reason(np.asarray(bare(rho.reason))), allow)
    if not use.any():
        raise ValueError("no dry density of these samples is usable; their flags say why")
    picked = series.take(Measured(values, rho.u_random, rho.effects, rho.reason), use)
    top, bottom = rate["top"].values, rate["bottom"].values
    weights, number, alone = _interval_weights(z[use], top, bottom)
    variance = _mean_variance(picked, weights, number)
    # A sample without a known effect makes the effect of its own intervals unknown, of no other.
    effects = {
        source: np.where(weights == 0.0, 0.0, weights * effect).sum(axis=1)
        for source, effect in picked.effects.items()
    }
    reason = np.where(alone, flags.bit("interpolated_input"), 0).astype(np.int64)
    mean = rate[_RATE].copy(deep=False, data=weights @ picked.values).drop_attrs(deep=False)
    mean.name = None
    found = series.build(
        {"dry_density": Measured(mean, np.sqrt(variance), effects, reason)},
        steps=("mean dry density of the samples of every interval",),
    )
    found["samples"] = ("interval", number, {"units": "1", "long_name": "samples in the interval"})
    return found


def _interval_weights(z: Any, top: Any, bottom: Any) -> tuple[Any, Any, Any]:
    """Weights (interval, sample) of the means, numbers of samples, and who has none."""
    inside = (z >= top[:, None]) & (z < bottom[:, None])
    # The lowest interval holds the sample at its end.
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


def _mean_variance(picked: Measured, weights: Any, number: Any) -> Any:
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


def mass_accumulation_rate(dry_density: Any, rate: Any) -> xr.Dataset:
    """Mass that settles on an area in a time.

    Parameters
    ----------
    dry_density : Dataset, Quantity or str
        ``dry_density`` [g/cm^3] of the same intervals, from :func:`interval_density`, or one for
        all.
    rate : Dataset, Quantity or str
        ``sedimentation_rate`` [m/Myr].

    Returns
    -------
    Dataset
        ``mass_accumulation_rate`` [g/(cm^2 kyr)] with uncertainty, effects and flags, and where
        the rate brings its covariance ``mass_accumulation_rate_covariance`` and
        ``mass_accumulation_rate_u_ages``, the part of the random uncertainty that the ages bring.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the intervals are not the same.

    Notes
    -----
    MAR = rho_d r, definition; with rho_d in g/cm^3 and r in m/Myr a tenth of the product. Errors
    go by JCGM 100:2008, 5.2; dry density has to be without the salt of the pore water.
    """
    series.require_same_positions(dry_density=dry_density, rate=rate)
    dry_density, rate = (companions.library_units(d, INTERVALS) for d in (dry_density, rate))
    rho, r = series.unpack(dry_density, "dry_density"), series.unpack(rate, _RATE)
    # The intervals are those of the rate: of two equal ones xarray drops what differs by a bit.
    many = isinstance(r.values, xr.DataArray) and r.values.dims
    values = _PER_RATE * (bare(rho.values) * r.values if many else rho.values * bare(r.values))
    by_rho, by_rate = _PER_RATE * bare(r.values), _PER_RATE * bare(rho.values)
    random, effects = combine([(by_rho, rho), (by_rate, r)])
    reason = series.joined_reasons(bare(rho.reason), bare(r.reason))
    found = series.build(
        {_MASS: Measured(values, random, effects, reason)},
        steps=("MAR = rho_d r (definition)",),
    )
    if not (isinstance(rate, xr.Dataset) and f"{_RATE}_covariance" in rate):
        return found
    across = np.broadcast_to(np.asarray(by_rate, dtype=float), values.shape)
    shared = across[:, None] * rate[f"{_RATE}_covariance"].values * across[None, :]
    own = np.broadcast_to(np.asarray(by_rho * bare(rho.u_random), dtype=float), values.shape)
    squared = {"units": "g^2/(cm^4 kyr^2)", "long_name": "random covariance of the rates"}
    found[f"{_MASS}_covariance"] = (
        ("interval", "interval_2"), shared + np.diag(own**2), squared,
    )  # fmt: skip
    words = {"units": "g/(cm^2 kyr)", "long_name": "random uncertainty that the ages bring"}
    found[f"{_MASS}_u_ages"] = ("interval", np.sqrt(np.diag(shared)), words)
    return found


def mass_accumulation_of_phases(
    thickness: Any, duration: Any, *, bulk_density: Any, porosity: Any,
    pore_water_density: Any = _C["pore_water_density"],
) -> Any:  # fmt: skip
    """Mass accumulation rate of a layer from its bulk density and porosity.

    Parameters
    ----------
    thickness : Quantity, DataArray or str
        [m].
    duration : Quantity, DataArray or str
        [kyr].
    bulk_density : Quantity, DataArray or str
        Of the wet sediment [g/cm^3].
    porosity : float, Quantity or DataArray
        [1].
    pore_water_density : Quantity, str or Constant
        [g/cm^3].

    Returns
    -------
    float, ndarray or DataArray
        [g/(cm^2 kyr)], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a thickness or a duration that is not above zero, a porosity outside 0 to 1, or a bulk
        density below that of the water in the pores.

    Notes
    -----
    MAR = T (rho - phi rho_w) / t: the grains are what is not pore water (definition). The same as
    dry density times rate where all three densities are of one sample.
    """
    phi = units.as_floats(porosity, "1", "porosity")
    plain = np.asarray(phi, dtype=float)
    if plain.ndim == 0:
        fraction_of(phi, "porosity")
    if ((plain < 0.0) | (plain > 1.0)).any():
        raise ValueError(
            f"porosity reaches from {np.nanmin(plain):g} to {np.nanmax(plain):g}; it has to lie "
            "between 0 and 1. Per cent are given with their unit '%'"
        )
    layers = {
        "thickness": positive(thickness, "m", "thickness"),
        "duration": positive(duration, "kyr", "duration"),
        "bulk_density": units.as_floats(bulk_density, "g/cm^3", "bulk_density"),
        "porosity": phi,
        "pore_water_density": positive(pore_water_density, "g/cm^3", "pore_water_density"),
    }
    series.require_same_positions(**layers)
    if (series.apply(_grains, *(bare(layers[n]) for n in _OF_GRAINS)) < 0.0).any():
        raise ValueError(
            "a bulk density is less than that of the pore water in its porosity alone; the two "
            "are not of one sediment"
        )

    def kernel(thick: Any, time: Any, *of_grains: Any) -> Any:
        # 1 m of 1 g/cm^3 is 100 g/cm^2.
        return 1e2 * thick * _grains(*of_grains) / time

    return series.apply(kernel, *layers.values())


_OF_GRAINS = ("bulk_density", "porosity", "pore_water_density")


def _grains(bulk_density: Any, porosity: Any, water: Any) -> Any:
    """Mass of grains in a volume [g/cm^3]."""
    return np.asarray(bulk_density - porosity * water)


def component_accumulation_rate(
    rate: Any, *, fraction: Any, fraction_uncertainty: Any = None, component: str = "component"
) -> xr.Dataset:
    """Mass accumulation rate of one component.

    Parameters
    ----------
    rate : Dataset, Quantity or str
        ``mass_accumulation_rate`` [g/(cm^2 kyr)].
    fraction : Quantity, DataArray or str
        Of the dry mass [1]; weight per cent are given with their unit, such as ``"12 %"``.
    fraction_uncertainty : Quantity, DataArray or str, optional
        Random standard uncertainty [1]; unknown gives NaN.
    component : str
        What it is, for the attributes.

    Returns
    -------
    Dataset
        ``component_accumulation_rate`` [g/(cm^2 kyr)] with uncertainty, effects and flags.

    Raises
    ------
    UnitError
        For a bare number of a rate or a wrong unit.
    ValueError
        For a fraction outside 0 to 1, or another number of fractions than of rates.

    Notes
    -----
    MAR w, definition. The components of one sample share all errors of its rate.
    """
    total = series.unpack(rate, _MASS)
    share = units.as_floats(fraction, "1", "fraction")
    plain = np.asarray(share, dtype=float)
    if plain.ndim == 0:
        fraction_of(share, "fraction")
    if ((plain < 0.0) | (plain > 1.0)).any():
        worst = float(plain.flat[int(np.nanargmax(np.abs(plain - 0.5)))])
        raise ValueError(
            f"fraction is {worst:g}; it has to lie between 0 and 1. Weight per cent are given "
            "with their unit '%'"
        )
    held = np.shape(np.asarray(bare(total.values)))
    if plain.ndim and held and plain.shape != held:
        raise ValueError(
            f"{plain.size} fractions and {int(np.prod(held))} rates do not make pairs; give one "
            "fraction each, or one for all"
        )
    u = stated(fraction_uncertainty, "1", "fraction_uncertainty")
    random, effects = combine([(share, total), (bare(total.values), Measured(share, u))])
    values = total.values * bare(share)
    return series.build(
        {"component_accumulation_rate": Measured(values, random, effects, total.reason)},
        steps=("mass accumulation rate times the fraction of the dry mass (definition)",),
        component=component,
    )
