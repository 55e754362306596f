"""Readings of velocity against what grains and water of that porosity can have at all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, thresholds
from corephys.products import elastic_carry as carry
from corephys.products.elastic_velocity import bounds_kernel, of_phases
from corephys.uncertainty import Measured, bare

__all__ = ["MEANINGS", "bounds_check"]

_T = thresholds.DEFAULTS
# Reason -> what it usually means.
MEANINGS = {
    "below_elastic_bounds": (
        "slower than grains that float in water: gas in the pores, cracks, a pick that is late, a "
        "porosity that is too low, or grains softer than the mineral chosen"
    ),
    "above_elastic_bounds": (
        "faster than any mixture of this mineral and water: a porosity that is too high, a mineral "
        "stiffer than the one chosen, such as a carbonate or pyrite nodule, or a pick that is early"
    ),
}
_UNKNOWN = thresholds.value("bound_unknown_velocity")


@carry.names_checked
def bounds_check(
    p_wave_velocity: Any, porosity: Any, *, mineral: Any, fluid: Any,
    margin: float = _T["bound_margin"], soft_mineral: Any = None,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Flag velocities that no mixture of these grains and this fluid has at their porosity.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s]; a Dataset brings its uncertainties, effects and reasons.
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1] at the same positions.
    mineral : Material or str
        The stiffest grains that the sediment may hold: the upper bound is theirs.
    fluid : Material, str or Dataset
        What fills the pores.
    margin : float
        Standard uncertainties that a reading may miss a bound by.
    soft_mineral : Material or str, optional
        The softest grains, whose suspension is the lower bound; ``mineral`` where not given.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], ``porosity`` [1], random;
        ``mineral_bulk_modulus``, ``mineral_shear_modulus`` [GPa], ``mineral_density`` [g/cm^3] ...

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] as it was, with ``below_elastic_bounds`` or
        ``above_elastic_bounds`` added to its reasons; ``lowest_velocity`` and ``highest_velocity``
        [m/s] with uncertainties; ``place_between_bounds`` [1], zero at the lower and one at the
        upper; ``departure`` [1], standard uncertainties beyond the nearer bound, zero between
        them. The attribute ``meanings`` says what a reason usually means.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, a porosity outside 0 to 1, a margin below zero.
    PositionError
        When velocity and porosity lie at different positions.

    Notes
    -----
    Suspension of Wood (1941) below, Hashin-Shtrikman upper bound in the form of Walpole (1966)
    above. The uncertainty is that of the difference: an error that velocity and porosity share, as
    the core diameter, enters with its signs. A velocity of unknown uncertainty counts as known to
    one per cent, another unknown uncertainty as zero (common practice); the attribute
    ``unknown_uncertainties`` names them. Isotropic, one fluid, no gas; the velocity at hundreds of
    kHz may lie a little above that of the bounds' low frequency.
    """
    if not margin >= 0.0:
        raise ValueError(
            f"margin is {margin:g}; it is a number of standard uncertainties, 0 or more"
        )
    carry.same_positions(p_wave_velocity=p_wave_velocity, porosity=porosity)
    speed = carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties)
    phi = carry.fraction(porosity, "porosity", uncertainties)
    if not np.ndim(speed.values) and isinstance(phi.values, xr.DataArray):
        speed.values = xr.full_like(phi.values, float(speed.values))
    found = _bounds(phi, mineral, soft_mineral, fluid, uncertainties)
    low, high = found["lowest_velocity"], found["highest_velocity"]
    u_low, u_high = _of_difference(speed, low), _of_difference(speed, high)
    shape = [bare(part) for part in (speed.values, low.values, high.values, u_low, u_high)]
    place, departure, mask = series.apply(
        _judged, *shape, outputs=3, dtypes=[float, float, np.int64], margin=margin
    )
    known = series.joined_reasons(bare(speed.reason), mask)
    checked = Measured(speed.values, speed.u_random, speed.effects, known)
    dataset = _told({"p_wave_velocity": checked, **found}, margin)
    dataset.attrs["unknown_uncertainties"] = ", ".join(_unknown(speed, phi, found)) or "none"
    dims = dataset["p_wave_velocity"].dims
    for name, values, words in (
        ("place_between_bounds", place, "place of the velocity between bounds, 0 lower, 1 upper"),
        ("departure", departure, "standard uncertainties beyond the nearer bound"),
    ):
        dataset[name] = (dims, np.asarray(values), {"units": "1", "long_name": words})
    return dataset


def _told(quantities: Mapping[str, Measured], margin: float) -> xr.Dataset:
    return series.build(
        quantities,
        steps=("suspension below (Wood 1941), Hashin-Shtrikman bound above (Walpole 1966)",
               f"flagged beyond {margin:g} standard uncertainties of the difference"),
        constants={"margin": margin},
        bound="both: lowest_velocity from below, highest_velocity from above",
        meanings="; ".join(f"{reason}: {words}" for reason, words in MEANINGS.items()),
    )  # fmt: skip


def _bounds(
    phi: Measured, mineral: Any, soft: Any, fluid: Any, uncertainties: Mapping[str, Any] | None
) -> dict[str, Measured]:
    stiff = of_phases(mineral, fluid, uncertainties)
    other = of_phases(soft, fluid, uncertainties) if soft is not None else stiff
    inputs = {"porosity": phi, **stiff, "k_s": other["k_m"], "rho_s": other["rho_m"]}
    if soft is None:
        del inputs["k_s"], inputs["rho_s"]

    def kernel(
        porosity: Any, k_m: Any, g_m: Any, rho_m: Any, k_f: Any, rho_f: Any, k_s: Any = None,
        rho_s: Any = None,
    ) -> tuple[Any, ...]:  # fmt: skip
        low, high = bounds_kernel(porosity, k_m, g_m, rho_m, k_f, rho_f)
        if k_s is not None:
            low = bounds_kernel(porosity, k_s, g_m, rho_s, k_f, rho_f)[0]
        return low, high

    return carry.propagate(kernel, ("lowest_velocity", "highest_velocity"), inputs)


def _of_difference(speed: Measured, bound: Measured) -> Any:
    """Standard uncertainty of velocity less bound; what is not known counts as nothing here."""
    u_random, effects = uncertainty.combine([(1.0, _known(speed, _UNKNOWN)), (-1.0, _known(bound))])
    parts = u_random**2
    for effect in effects.values():
        parts = parts + bare(effect) ** 2
    return parts**0.5


def _known(measured: Measured, share: float = 0.0) -> Measured:
    """Unknown parts as zero; a velocity of which nothing is known as a share of itself."""

    def zeroed(u: Any) -> Any:
        return series.apply(lambda part: np.nan_to_num(part, nan=0.0), bare(u))

    random = zeroed(measured.u_random)
    effects = {source: zeroed(effect) for source, effect in measured.effects.items()}
    if share:
        missing = series.apply(lambda u: np.isnan(u) * share, bare(measured.u_random))
        random = random + missing * bare(measured.values)
    return Measured(measured.values, random, effects)


def _unknown(speed: Measured, phi: Measured, found: Mapping[str, Measured]) -> list[str]:
    """Names of the sources of error whose size nobody gave."""
    names = [
        name for name, part in (("p_wave_velocity", speed), ("porosity", phi))
        if np.isnan(np.asarray(bare(part.u_random), dtype=float)).all()
    ]  # fmt: skip
    for part in (speed, *found.values()):
        names += [
            source for source, effect in part.effects.items()
            if np.isnan(np.asarray(bare(effect), dtype=float)).all()
        ]  # fmt: skip
    return sorted(set(names))


def _judged(
    speed: Any, low: Any, high: Any, u_low: Any, u_high: Any, *, margin: float
) -> tuple[Any, ...]:
    with np.errstate(all="ignore"):
        place = (speed - low) / (high - low)
        under, over = (low - speed) / u_low, (speed - high) / u_high
        departure = np.maximum(np.maximum(under, over), 0.0)
        mask = np.where(
            low - speed > margin * u_low, flags.bit("below_elastic_bounds"), 0
        ) | np.where(speed - high > margin * u_high, flags.bit("above_elastic_bounds"), 0)
    return place, departure, mask.astype(np.int64)
