"""From counts to density: the kernel on plain arrays, the single steps, and the complete chain."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds
from corephys.ground.laws import law
from corephys.sensors.gamma.calibration import Calibration
from corephys.uncertainty import covariance_effects, without_coords

if TYPE_CHECKING:
    from collections.abc import Mapping

    from corephys.ground.types import Floats

    #: Numbers inside the chain: positions were compared at the door and left behind.
    Values: TypeAlias = float | np.ndarray | xr.Variable

__all__ = [
    "Chain",
    "Sediment",
    "annulus_step",
    "apparent_density",
    "check_geometry",
    "density_kernel",
    "electron_step",
    "hydrogen_step",
]

_C = constants.CONSTANTS

# --------------------------------------------------------------------------------------------------
# The arithmetic of gamma density on plain arrays.


# Readings in a block: its scratch arrays stay in the cache of the processor.
BLOCK = 32768


def density_kernel(
    counts: float | np.ndarray,
    time: float | np.ndarray,
    elapsed: float | np.ndarray,
    diameter: float | np.ndarray,
    bore: float | np.ndarray,
    fluid: float | np.ndarray,
    intercept: float | np.ndarray,
    slope: float | np.ndarray,
    c0: float | np.ndarray,
    c1: float | np.ndarray,
    c2: float | np.ndarray,
    *,
    dead_time: float,
    background: float,
    real_time: bool,
    domain: tuple[float, float],
    decay_constant: float = 0.0,
    path: bool = True,
) -> tuple[np.ndarray, ...]:
    """Density, its counting uncertainty and reasons, in blocks; with ``path`` also the beam's path.

    Parameters
    ----------
    counts, time, elapsed : float or ndarray, (n,)
        Counts, counting time [s] and time since the calibration's reference [s].
    diameter, bore : float or ndarray, (n,)
        Diameter of the core and bore of the liner [cm].
    fluid, intercept, slope : float or ndarray, (n,)
        Reading of the annulus [g/cm^3], and the electron scale [g/cm^3], [1].
    c0, c1, c2 : float or ndarray, (n,)
        Coefficients of ln I in areal density; one for each reading where the calibration changes
        in time.
    dead_time, background, decay_constant : float
        [s], [1/s], [1/s].
    real_time : bool
        Whether the times are real times.
    domain : tuple of float
        Areal densities that the calibration spans [g/cm^2].
    path : bool
        Whether to return the path of the beam as well.

    Returns
    -------
    tuple of ndarray, (n,)
        rho and u_random [g/cm^3] and int64 reasons, then with ``path`` the areal density x
        [g/cm^2] and -d ln I/dx [cm^2/g].

    Notes
    -----
    Sources at :func:`corephys.sensors.gamma.bulk_density`.
    """
    arrays = (counts, time, elapsed, diameter, bore, fluid, intercept, slope, c0, c1, c2)
    shape = np.broadcast_shapes(*(np.shape(a) for a in arrays))
    flat = [np.ravel(np.broadcast_to(a, shape)) if np.ndim(a) else float(a) for a in arrays]
    size = int(np.prod(shape))
    rho, u = np.empty(size), np.empty(size)
    reason = np.zeros(size, dtype=np.int64)
    length = min(BLOCK, size)
    x = np.empty(size if path else length)
    root = np.empty(size if path else length)
    scratch = np.empty((2, length))
    tau = dead_time if real_time else 0.0
    for start in range(0, size, BLOCK):
        part = slice(start, min(start + BLOCK, size))
        n, t, since, d, wide, f, i, s, k0, k1, k2 = (
            a[part] if isinstance(a, np.ndarray) else a for a in flat
        )
        inside = part if path else slice(0, part.stop - start)
        areal, steepness = x[inside], root[inside]
        rate, work = scratch[:, : part.stop - start]
        density, sigma, why = rho[part], u[part], reason[part]
        per_x = s / d
        # Every step writes into memory that is already in the cache.
        with np.errstate(divide="ignore", invalid="ignore"):
            np.multiply(n, -tau, out=work)
            work += t  # the live time
            np.divide(n, work, out=rate)
            # Dead time narrows the spread of counts by its own factor (renewal process), so that
            # the relative uncertainty of the true rate is 1 / sqrt(N) and not larger.
            np.sqrt(n, out=sigma)
            np.divide(sigma, work, out=sigma)
            rate -= background
            np.divide(sigma, rate, out=sigma)  # standard uncertainty of ln I
            np.log(rate, out=rate)
            # The logarithm of the decay is a product; the factor itself would cost a power for
            # each reading.
            np.multiply(since, decay_constant, out=work)
            rate += work
            # x = 2 (c0 - y) / (r - c1), r = sqrt(c1^2 - 4 c2 (c0 - y)) = -d ln I/dx. This form of
            # the root holds for c2 = 0 as well.
            np.subtract(k0, rate, out=rate)
            np.multiply(rate, -4.0 * k2, out=steepness)
            steepness += k1 * k1
            np.sqrt(steepness, out=steepness)
            np.subtract(steepness, k1, out=work)
            np.divide(rate, work, out=areal)  # half of x
            np.multiply(areal, 2.0 * per_x, out=density)
            density += i - s * f * (wide / d - 1.0)
            np.divide(sigma, steepness, out=sigma)
            sigma *= np.abs(per_x)
            areal *= 2.0
            if areal.min() >= domain[0] and areal.max() <= min(domain[1], 1e300):
                continue
            # Only a block that leaves the calibration (or holds NaN, for which both comparisons
            # are false) can have a rate or a live time that is not positive.
            why[(areal < domain[0]) | (areal > domain[1])] = flags.bit("beyond_calibration")
            live = t - tau * n
            lost = ~((live > 0.0) & (n / live - background > 0.0))
            absent = np.isnan(n) | np.isnan(t)  # a missing count is not a saturated counter
            why[lost & ~absent] = flags.bit("counter_saturated")
            why[absent] = flags.bit("missing_value")
            why[(n <= 0.0) | (t <= 0.0)] = flags.bit("impossible_value")
            density[lost] = np.nan
            sigma[lost] = np.nan
    found = (rho, u, reason, x, root) if path else (rho, u, reason)
    return tuple(part.reshape(shape) for part in found)


# --------------------------------------------------------------------------------------------------
# From the reading of a scale to the density of a sediment: annulus, electrons, hydrogen.


_CONTRAST = thresholds.value("grain_to_water_contrast")


def _standards_line(calibration: Calibration) -> tuple[float, float]:
    """Electrons of the water [mol/cm^3], and electrons per unit of reading above it [mol/g]."""
    water = calibration.water_density * calibration.water_ratio
    aluminium = calibration.aluminium_density * calibration.aluminium_ratio
    slope = (aluminium - water) / (calibration.aluminium_density - calibration.water_density)
    return water, slope


def _electron_scale(
    calibration: Calibration,
    grain_density: Values,
    pore_water_density: Values,
    grain_ratio: Values,
    pore_water_ratio: Values,
) -> tuple[Any, Any]:
    """Intercept [g/cm^3] and slope [1] of true density on an aluminium-and-water reading.

    The electron density n is linear in the reading, porosity in n, and density in porosity.
    """
    water, slope_n = _standards_line(calibration)
    at_zero = water - slope_n * calibration.water_density
    grain, fluid = grain_density * grain_ratio, pore_water_density * pore_water_ratio
    per_n = (grain_density - pore_water_density) / (grain - fluid)
    return grain_density - (grain - at_zero) * per_n, slope_n * per_n


def _hydrogen_scale(
    grain_density: Values, pore_water_density: Values, ratio: Values
) -> tuple[Any, Any]:
    """Intercept [g/cm^3] and slope [1] of true density on a grain-equivalent reading."""
    slope = (grain_density - pore_water_density) / (grain_density - ratio * pore_water_density)
    return pore_water_density * (1.0 - ratio * slope), slope


@law(
    "g/cm^3",
    reading="g/cm^3",
    grain_density="g/cm^3",
    pore_water_density="g/cm^3",
    attenuation_ratio="1",
)
def hydrogen_step(
    reading: Floats,
    *,
    grain_density: Floats = _C["grain_density"],
    pore_water_density: Floats = _C["pore_water_density"],
    attenuation_ratio: Floats = _C["sea_water_to_grain_attenuation"],
) -> Floats:
    """True bulk density of a saturated sediment from the reading of a grain-equivalent scale.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Attenuation over that of a gram of grains, as a density [g/cm^3].
    grain_density, pore_water_density : Quantity, DataArray, str or Constant
        Densities of the grains and of the pore water [g/cm^3].
    attenuation_ratio : Quantity, str or Constant
        Mass attenuation of the pore water over that of the grains, at the energy of the source
        [1]: near 1.105 for caesium; legacy work with barium took 1.10.

    Returns
    -------
    Quantity or DataArray
        Bulk density [g/cm^3].

    Raises
    ------
    ValueError
        When the density of the grains is too close to that of the water.

    Notes
    -----
    rho = rf + (ra - r rf)(rg - rf)/(rg - r rf), the correction for the hydrogen of the water:
    Boyce (1976), Initial Reports of the Deep Sea Drilling Project 33. Exact for a mixture of
    grains and pore water. It replaces :func:`electron_step` and is never made together with it.

    Examples
    --------
    >>> legacy = {"grain_density": "2.70 g/cm^3", "pore_water_density": "1.025 g/cm^3"}
    >>> step = hydrogen_step("1.6 g/cm^3", attenuation_ratio="1.1 1", **legacy)
    >>> round(step.magnitude, 3)
    1.528
    """
    grain, ratio, fluid = map(np.asarray, (grain_density, attenuation_ratio, pore_water_density))
    # The step divides by the difference between grains and water.
    if np.any(grain <= _CONTRAST * ratio * fluid):
        raise ValueError(
            f"grain_density is {grain.flat[0]:g} g/cm^3 and pore_water_density "
            f"{fluid.flat[0]:g} g/cm^3; the hydrogen step needs grains that are at least "
            f"{_CONTRAST:g} times as dense as attenuation_ratio times the water. Check both "
            "densities"
        )
    intercept, slope = _hydrogen_scale(grain_density, pore_water_density, attenuation_ratio)
    return intercept + slope * reading


_ELECTRON_UNITS = {
    "grain_density": "g/cm^3",
    "pore_water_density": "g/cm^3",
    "grain_electron_ratio": "mol/g",
    "pore_water_electron_ratio": "mol/g",
}


@law("g/cm^3", reading="g/cm^3", **_ELECTRON_UNITS)
def electron_step(
    reading: Floats,
    *,
    calibration: Calibration | None = None,
    grain_density: Floats = _C["grain_density"],
    pore_water_density: Floats = _C["pore_water_density"],
    grain_electron_ratio: Floats = _C["grain_electron_ratio"],
    pore_water_electron_ratio: Floats = _C["sea_water_electron_ratio"],
) -> Floats:
    """True bulk density of a saturated sediment from the reading of an aluminium-and-water scale.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Density on the scale of the standards [g/cm^3].
    calibration : Calibration, optional
        Source of the densities and electron ratios of water and aluminium; pure water and
        aluminium where not given.
    grain_density, pore_water_density : Quantity, DataArray, str or Constant
        Densities of the grains and of the pore water [g/cm^3].
    grain_electron_ratio, pore_water_electron_ratio : Quantity, str or Constant
        Electrons per unit molar mass, Z/A [mol/g]; mass attenuation coefficients serve as well
        when all four are given on that scale.

    Returns
    -------
    Quantity or DataArray
        Bulk density [g/cm^3].

    Notes
    -----
    n = rw Zw + (ra - rw)(rAl ZAl - rw Zw)/(rAl - rw); phi = (Zg rg - n)/(Zg rg - Zf rf);
    rho = rg - phi (rg - rf). Derived from the additivity of electrons (Compton attenuation,
    Evans 1955, The Atomic Nucleus, chapter 23) for the two standards; exact for a mixture of
    grains and pore water.
    """
    intercept, slope = _electron_scale(
        calibration or Calibration.nominal(),
        grain_density,
        pore_water_density,
        grain_electron_ratio,
        pore_water_electron_ratio,
    )
    return intercept + slope * reading


@law("g/cm^3", bulk_density="g/cm^3", **_ELECTRON_UNITS)
def apparent_density(
    bulk_density: Floats,
    *,
    calibration: Calibration | None = None,
    grain_density: Floats = _C["grain_density"],
    pore_water_density: Floats = _C["pore_water_density"],
    grain_electron_ratio: Floats = _C["grain_electron_ratio"],
    pore_water_electron_ratio: Floats = _C["sea_water_electron_ratio"],
) -> Floats:
    """Reading of an aluminium-and-water scale for a sediment of known bulk density.

    Parameters
    ----------
    bulk_density : Quantity, DataArray or str
        True bulk density [g/cm^3].
    calibration, grain_density, pore_water_density, grain_electron_ratio, pore_water_electron_ratio
        The same as in :func:`electron_step`.

    Returns
    -------
    Quantity or DataArray
        Reading [g/cm^3].

    Notes
    -----
    Inverse of :func:`electron_step`, same source.
    """
    intercept, slope = _electron_scale(
        calibration or Calibration.nominal(),
        grain_density,
        pore_water_density,
        grain_electron_ratio,
        pore_water_electron_ratio,
    )
    return (bulk_density - intercept) / slope


@law("g/cm^3", reading="g/cm^3", core_diameter="cm", bore="cm", fluid_reading="g/cm^3")
def annulus_step(
    reading: Floats, *, core_diameter: Floats, bore: Floats, fluid_reading: Floats
) -> Floats:
    """Density of a core thinner than its liner from the mean over the bore.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Mean density along the beam inside the liner, on the scale of the standards [g/cm^3].
    core_diameter, bore : Quantity, DataArray or str
        Diameter of the core and bore of the liner [cm].
    fluid_reading : Quantity, DataArray or str
        Reading of the scale in the fluid of the annulus [g/cm^3]; zero for air.

    Returns
    -------
    Quantity or DataArray
        Reading in the core alone [g/cm^3].

    Notes
    -----
    rho = (rho_m D - rho_f (D - d)) / d: areal densities along a diameter add up (geometry).
    """
    return (reading * bore - fluid_reading * (bore - core_diameter)) / core_diameter


# --------------------------------------------------------------------------------------------------
# The complete chain from counts to density, and the effect of each input on its result.


def check_geometry(diameter: Values, bore: Values) -> None:
    """Refuse a core diameter that is not positive or far above the bore, both in cm."""
    if any(hasattr(getattr(part, "data", part), "dask") for part in (diameter, bore)):
        return  # a check would compute what is meant to stay lazy
    d, wide = np.asarray(diameter, dtype=float), np.asarray(bore, dtype=float)
    # A calliper errs: a core measured a little wider than its bore fills the liner.
    if np.any(d <= 0.0) or np.any(d > 1.05 * wide):
        raise ValueError(
            f"core_diameter is {10.0 * np.nanmin(d):g} to {10.0 * np.nanmax(d):g} mm and the "
            f"smallest bore {10.0 * np.nanmin(wide):g} mm; core_diameter must be positive and at "
            "most 1.05 times bore. Check the units and the columns of both"
        )


@dataclass(frozen=True)
class Sediment:
    """Properties of a sediment that the density of a reading depends on.

    Parameters
    ----------
    grain_density, pore_water_density : float, ndarray or Variable
        Densities of the grains and of the pore water [g/cm^3].
    grain_ratio, pore_water_ratio : float
        Electrons per unit molar mass, Z/A [mol/g].
    attenuation_ratio : float
        Mass attenuation of the pore water over that of the grains [1].
    """

    grain_density: Values
    pore_water_density: Values
    grain_ratio: float
    pore_water_ratio: float
    attenuation_ratio: float

    def scale(self, calibration: Calibration) -> tuple[Any, Any]:
        """Intercept [g/cm^3] and slope [1] of true density on the reading.

        The scale of the calibration decides between the electron and the hydrogen step.
        """
        if calibration.scale == "grain_equivalent":
            return _hydrogen_scale(
                self.grain_density, self.pore_water_density, self.attenuation_ratio
            )
        return _electron_scale(
            calibration,
            self.grain_density,
            self.pore_water_density,
            self.grain_ratio,
            self.pore_water_ratio,
        )

    def fluid_reading(self, calibration: Calibration, density: Values) -> Any:
        """Reading of the scale [g/cm^3] in a fluid of a true density [g/cm^3]; zero for air.

        The fluid of the annulus has the electron ratio of the pore water.
        """
        if calibration.scale == "grain_equivalent":
            return density * self.attenuation_ratio
        water, slope = _standards_line(calibration)
        reading = calibration.water_density + (density * self.pore_water_ratio - water) / slope
        # The line does not go through zero, but an annulus of air attenuates nothing.
        return reading * (density > 0.0)


@dataclass(frozen=True)
class Chain:
    """Readings whose density can be computed with one calibration after the other.

    Parameters
    ----------
    readings : list of float, ndarray or Variable
        Counts, counting time [s], elapsed time [s], diameter and bore [cm].
    annulus : float, ndarray or Variable
        True density of the fluid in the annulus [g/cm^3]; zero for air.
    decay_constant : float
        ln 2 over the half-life of the source [1/s].
    """

    readings: list[Any]
    annulus: Values
    decay_constant: float

    def density(self, calibration: Calibration, sediment: Sediment) -> tuple[Any, ...]:
        """Density, counting uncertainty, reasons, areal density and -d ln I/dx."""
        return series.apply(
            density_kernel,
            *self.readings,
            sediment.fluid_reading(calibration, self.annulus),
            *sediment.scale(calibration),
            *(calibration.coefficients[i] for i in range(3)),
            outputs=5,
            dtypes=[float, float, np.int64, float, float],
            dead_time=calibration.dead_time,
            background=calibration.background_rate,
            real_time=calibration.real_time,
            domain=calibration.domain,
            decay_constant=self.decay_constant,
        )

    def effects(
        self,
        calibration: Calibration,
        sediment: Sediment,
        found: tuple[Any, ...],
        *,
        u_diameter: float | None,
        grain_effects: Mapping[str, Any],
        u_electron_ratio: float,
        u_attenuation_ratio: float,
    ) -> dict[str, Any]:
        """Signed one-sigma effects on the density by source; ``found`` is that of :meth:`density`.

        Diameter and fitted coefficients have closed forms. What standards and readings share
        (dead time, background, aluminium) and the sediment change the chain at several places:
        it is computed again with each of them shifted.
        """
        rho, _, _, x, root = found
        diameter, bore = self.readings[3], self.readings[4]
        slope = sediment.scale(calibration)[1]
        fluid = sediment.fluid_reading(calibration, self.annulus)
        partial = slope * (fluid * bore - x) / diameter**2
        effects = {"core_diameter": partial * (float("nan") if u_diameter is None else u_diameter)}
        # d rho / d c_j = (slope / d) x^j / (-d ln I/dx)
        per_c0 = slope / (diameter * root)
        powers = [per_c0, per_c0 * x, per_c0 * x * x]
        # Sets of standards have independent errors: each keeps effects under its own label.
        for label, weight, part in calibration.parts or ((None, 1.0, calibration),):
            partials = [weight * power for power in powers[: part.covariance.shape[0]]]
            source = "gamma_calibration" if label is None else f"gamma_calibration_{label}"
            effects.update(covariance_effects(partials, part.covariance, source))

        if calibration.scale == "aluminium_and_water":
            ratio = sediment.grain_ratio + u_electron_ratio
            grains = ("grain_electron_ratio", calibration, replace(sediment, grain_ratio=ratio))
        else:
            # Grains that attenuate less raise every reading and the ratio of the water alike.
            factor = 1.0 + u_attenuation_ratio / sediment.attenuation_ratio
            c, (low, high) = calibration.coefficients, calibration.domain
            scaled = replace(
                calibration,
                coefficients=[c[0], c[1] / factor, c[2] / factor**2],
                domain=(low, high * factor),
            )
            ratio = sediment.attenuation_ratio * factor
            grains = ("grain_attenuation", scaled, replace(sediment, attenuation_ratio=ratio))
        standards = [(source, other, sediment) for source, other in calibration.shifted.items()]
        for source, other, changed in (*standards, grains):
            effects[source] = self.density(other, changed)[0] - rho
        step = 0.01  # g/cm^3; density is nearly linear in the grain density
        heavier = replace(sediment, grain_density=sediment.grain_density + step)
        per_grain = (self.density(calibration, heavier)[0] - rho) / step
        for source, effect in grain_effects.items():
            effects[source] = effects.get(source, 0.0) + per_grain * without_coords(effect)
        return effects
