"""From counts to density: the arithmetic on plain arrays, the single steps, and the whole chain."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from corephys.ground import constants, flags, series, thresholds, units
from corephys.sensors.gamma.calibration import Calibration
from corephys.uncertainty import bare, covariance_effects

__all__ = [
    "Chain",
    "Sediment",
    "annulus_step",
    "apparent_density",
    "density_kernel",
    "electron_scale",
    "electron_step",
    "fluid_reading",
    "hydrogen_scale",
    "hydrogen_step",
    "true_scale",
]

# --------------------------------------------------------------------------------------------------
# The arithmetic of gamma density on plain arrays, in blocks that stay in the processor's cache.


BLOCK = 32768  # readings; the scratch arrays of a block stay in the processor's cache


def density_kernel(
    counts: Any,
    time: Any,
    elapsed: Any,
    diameter: Any,
    bore: Any,
    fluid: Any,
    intercept: Any,
    slope: Any,
    c0: Any,
    c1: Any,
    c2: Any,
    *,
    dead_time: float,
    background: float,
    real_time: bool,
    domain: tuple[float, float],
    decay_constant: float = 0.0,
    path: bool = True,
) -> tuple[Any, ...]:
    """Density, its counting uncertainty and reasons, in blocks; the beam's path where asked.

    Parameters
    ----------
    counts, time, elapsed : float or ndarray, (n,)
        Counts, counting time [s] and time since the calibration's reference [s].
    diameter, bore : float or ndarray, (n,)
        Of core and liner [cm].
    fluid, intercept, slope : float or ndarray, (n,)
        Reading of the annulus [g/cm^3], and the electron scale [g/cm^3], [1].
    c0, c1, c2 : float or ndarray, (n,)
        Of ln I in areal density; one a reading where the calibration changes in time.
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
    for start in range(0, size, BLOCK):
        part = slice(start, min(start + BLOCK, size))
        inside = part if path else slice(0, part.stop - start)
        _density_block(
            *(a[part] if isinstance(a, np.ndarray) else a for a in flat),
            rho[part],
            u[part],
            reason[part],
            x[inside],
            root[inside],
            scratch[:, : part.stop - start],
            dead_time if real_time else 0.0,
            background,
            domain,
            decay_constant,
            path,
        )
    found = (rho, u, reason, x, root) if path else (rho, u, reason)
    return tuple(part.reshape(shape) for part in found)


def _density_block(
    n,
    t,
    elapsed,
    d,
    bore,
    fluid,
    intercept,
    slope,
    c0,
    c1,
    c2,
    rho,
    u,
    reason,
    x,
    root,
    scratch,
    tau,
    background,
    domain,
    decay_constant,
    path,
) -> None:
    """One block, every step into memory that is already in the cache."""
    rate, work = scratch
    per_x = slope / d
    offset = intercept - slope * fluid * (bore / d - 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        np.multiply(n, -tau, out=work)
        work += t  # the live time
        np.divide(n, work, out=rate)
        # Dead time narrows the spread of counts by its own factor (renewal process), so that the
        # relative uncertainty of the true rate is 1 / sqrt(N) and not larger.
        np.sqrt(n, out=u)
        np.divide(u, work, out=u)
        rate -= background
        np.divide(u, rate, out=u)  # standard uncertainty of ln I
        np.log(rate, out=rate)
        # The logarithm of the decay is a product; the factor itself would cost a power a reading.
        np.multiply(elapsed, decay_constant, out=work)
        rate += work
        # x = 2 (c0 - y) / (s - c1), s = sqrt(c1^2 - 4 c2 (c0 - y)) = -d ln I/dx: no limit at c2=0.
        np.subtract(c0, rate, out=rate)
        np.multiply(rate, -4.0 * c2, out=root)
        root += c1 * c1
        np.sqrt(root, out=root)
        np.subtract(root, c1, out=work)
        np.divide(rate, work, out=x)  # half of x
        np.multiply(x, 2.0 * per_x, out=rho)
        rho += offset
        np.divide(u, root, out=u)
        u *= np.abs(per_x)
        outside = not (2.0 * x.min() >= domain[0] and 2.0 * x.max() <= min(domain[1], 1e300))
        if path:
            x *= 2.0
    if not outside:
        return
    # Only a block that leaves the calibration can hold a rate or a live time that is not positive.
    with np.errstate(divide="ignore", invalid="ignore"):
        areal = x if path else 2.0 * x
        reason[(areal < domain[0]) | (areal > domain[1])] = flags.bit("beyond_calibration")
        live = t - tau * n
        lost = ~((live > 0.0) & (n / live - background > 0.0))
        absent = np.isnan(n) | np.isnan(t)  # no number is another thing than too many counts
        reason[lost & ~absent] = flags.bit("counter_saturated")
        reason[absent] = flags.bit("missing_value")
        reason[(n <= 0.0) | (t <= 0.0)] = flags.bit("impossible_value")
        rho[lost] = np.nan
        u[lost] = np.nan


# --------------------------------------------------------------------------------------------------
# From the reading of an aluminium-and-water scale to a sediment: annulus and electrons.


_CONTRAST = thresholds.value("grain_to_water_contrast")


def _standards_line(calibration: Calibration) -> tuple[float, float]:
    """Electrons of the water [mol/cm^3], and electrons per unit of reading above it [mol/g]."""
    water = calibration.water_density * calibration.water_ratio
    aluminium = calibration.aluminium_density * calibration.aluminium_ratio
    slope = (aluminium - water) / (calibration.aluminium_density - calibration.water_density)
    return water, slope


def electron_scale(
    calibration: Calibration,
    grain_density: Any,
    fluid_density: Any,
    grain_ratio: Any,
    fluid_ratio: float,
) -> tuple[Any, Any]:
    """Intercept and slope of true density on the reading of an aluminium-and-water scale.

    Parameters
    ----------
    calibration : Calibration
        Densities and electron ratios of water and aluminium.
    grain_density, fluid_density : float or ndarray
        Of the sediment [g/cm^3].
    grain_ratio, fluid_ratio : float or ndarray
        Electron ratios [mol/g].

    Returns
    -------
    tuple of float or ndarray
        Intercept [g/cm^3] and slope [1].

    Notes
    -----
    The electron density n is linear in the reading, porosity linear in n, and density linear in
    porosity; source at :func:`electron_step`.
    """
    water, slope_n = _standards_line(calibration)
    at_zero = water - slope_n * calibration.water_density
    grain, fluid = grain_density * grain_ratio, fluid_density * fluid_ratio
    per_n = (grain_density - fluid_density) / (grain - fluid)
    return grain_density - (grain - at_zero) * per_n, slope_n * per_n


def hydrogen_scale(grain_density: Any, fluid_density: Any, ratio: Any) -> tuple[Any, Any]:
    """Intercept and slope of true density on the reading of a grain-equivalent scale.

    Parameters
    ----------
    grain_density, fluid_density : float or ndarray
        Of the sediment [g/cm^3].
    ratio : float or ndarray
        Mass attenuation of the pore water over that of the grains [1].

    Returns
    -------
    tuple of float or ndarray
        Intercept [g/cm^3] and slope [1].

    Notes
    -----
    Source at :func:`hydrogen_step`.
    """
    slope = (grain_density - fluid_density) / (grain_density - ratio * fluid_density)
    return fluid_density * (1.0 - ratio * slope), slope


def true_scale(
    calibration: Calibration,
    grain_density: Any,
    fluid_density: Any,
    grain_ratio: Any,
    fluid_ratio: Any,
    attenuation_ratio: Any,
) -> tuple[Any, Any]:
    """Intercept and slope of true density on the reading, whatever the calibration's scale.

    Parameters
    ----------
    calibration : Calibration
        Says which of the two scales its readings are on; the other step is never made.
    grain_density, fluid_density, grain_ratio, fluid_ratio
        As in :func:`electron_scale`.
    attenuation_ratio
        As ``ratio`` in :func:`hydrogen_scale`.

    Returns
    -------
    tuple of float or ndarray
        Intercept [g/cm^3] and slope [1].

    Notes
    -----
    Sources at :func:`electron_step` and :func:`hydrogen_step`.
    """
    if calibration.scale == "grain equivalent":
        return hydrogen_scale(grain_density, fluid_density, attenuation_ratio)
    return electron_scale(calibration, grain_density, fluid_density, grain_ratio, fluid_ratio)


def hydrogen_step(
    reading: Any,
    *,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    attenuation_ratio: Any = constants.CONSTANTS["sea_water_to_grain_attenuation"],
) -> Any:
    """True bulk density of a saturated sediment from the reading of a grain-equivalent scale.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Attenuation over that of a gram of grains, as a density [g/cm^3].
    grain_density, pore_water_density : Quantity, DataArray, str or Constant
        Of the sediment [g/cm^3].
    attenuation_ratio : Quantity, str or Constant
        Mass attenuation of the pore water over that of the grains, at the energy of the source
        [1]: near 1.105 for caesium; legacy work with barium took 1.10.

    Returns
    -------
    float or DataArray
        Bulk density [g/cm^3], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When the grains are hardly denser than the water.

    Notes
    -----
    rho = rf + (ra - r rf)(rg - rf)/(rg - r rf), the correction for the hydrogen of the water:
    Boyce (1976), Initial Reports of the Deep Sea Drilling Project 33. Exact for a mixture of
    grains and pore water. It replaces :func:`electron_step` and is never made together with it.

    Examples
    --------
    >>> legacy = {"grain_density": "2.70 g/cm^3", "pore_water_density": "1.025 g/cm^3"}
    >>> round(hydrogen_step("1.6 g/cm^3", attenuation_ratio="1.1 1", **legacy), 3)
    1.528
    """
    grain = units.as_floats(grain_density, "g/cm^3", "grain_density")
    fluid = units.as_floats(pore_water_density, "g/cm^3", "pore_water_density")
    ratio = units.as_floats(attenuation_ratio, "1", "attenuation_ratio")
    if np.any(np.asarray(grain) <= _CONTRAST * np.asarray(ratio) * np.asarray(fluid)):
        raise ValueError(
            "grain_density is hardly above that of the pore water; grains and water must differ "
            "for the step to tell them apart"
        )
    intercept, slope = hydrogen_scale(grain, fluid, ratio)
    return intercept + slope * units.as_floats(reading, "g/cm^3", "reading")


def _scale(
    calibration: Calibration | None,
    grain_density: Any,
    pore_water_density: Any,
    grain_electron_ratio: Any,
    pore_water_electron_ratio: Any,
) -> tuple[Any, Any]:
    """The scale of arguments that still carry their units."""
    return electron_scale(
        calibration or Calibration.nominal(),
        units.as_floats(grain_density, "g/cm^3", "grain_density"),
        units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"),
        units.as_floats(grain_electron_ratio, "mol/g", "grain_electron_ratio"),
        units.as_floats(pore_water_electron_ratio, "mol/g", "pore_water_electron_ratio"),
    )


def electron_step(
    reading: Any,
    *,
    calibration: Calibration | None = None,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Any = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Any = constants.CONSTANTS["sea_water_electron_ratio"],
) -> Any:
    """True bulk density of a saturated sediment from the reading of an aluminium-and-water scale.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Density on the scale of the standards [g/cm^3].
    calibration : Calibration, optional
        Whose densities and electron ratios of water and aluminium to use; the defaults otherwise.
    grain_density, pore_water_density : Quantity, DataArray, str or Constant
        Of the sediment [g/cm^3].
    grain_electron_ratio, pore_water_electron_ratio : Quantity, str or Constant
        Electrons per unit molar mass, Z/A [mol/g]; mass attenuation coefficients serve as well
        when all four are given on that scale.

    Returns
    -------
    float or DataArray
        Bulk density [g/cm^3], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    n = rw Zw + (ra - rw)(rAl ZAl - rw Zw)/(rAl - rw); phi = (Zg rg - n)/(Zg rg - Zf rf);
    rho = rg - phi (rg - rf). Derived from the additivity of electrons (Compton attenuation,
    Evans 1955, The Atomic Nucleus, chapter 23) for the two standards; exact for a mixture of
    grains and pore water.
    """
    intercept, slope = _scale(
        calibration,
        grain_density,
        pore_water_density,
        grain_electron_ratio,
        pore_water_electron_ratio,
    )
    return intercept + slope * units.as_floats(reading, "g/cm^3", "reading")


def apparent_density(
    bulk_density: Any,
    *,
    calibration: Calibration | None = None,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Any = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Any = constants.CONSTANTS["sea_water_electron_ratio"],
) -> Any:
    """What an aluminium-and-water scale reads for a sediment of known bulk density.

    Parameters
    ----------
    bulk_density : Quantity, DataArray or str
        True bulk density [g/cm^3].
    calibration, grain_density, pore_water_density, grain_electron_ratio, pore_water_electron_ratio
        As in :func:`electron_step`.

    Returns
    -------
    float or DataArray
        Reading [g/cm^3], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    Inverse of :func:`electron_step`, same source.
    """
    intercept, slope = _scale(
        calibration,
        grain_density,
        pore_water_density,
        grain_electron_ratio,
        pore_water_electron_ratio,
    )
    return (units.as_floats(bulk_density, "g/cm^3", "bulk_density") - intercept) / slope


def fluid_reading(
    density: Any, *, calibration: Calibration, fluid_ratio: float, attenuation_ratio: float
) -> Any:
    """What a scale reads in water of a true density.

    Parameters
    ----------
    density : float or array
        [g/cm^3]; zero for air, which reads zero.
    calibration : Calibration
        Says which scale.
    fluid_ratio : float
        Electrons per unit molar mass of the water, Z/A [mol/g].
    attenuation_ratio : float
        Mass attenuation of the water over that of grains [1].

    Returns
    -------
    float or array
        [g/cm^3].

    Notes
    -----
    Sources at :func:`electron_step` and :func:`hydrogen_step`.
    """
    if calibration.scale == "grain equivalent":
        return density * attenuation_ratio
    water, slope = _standards_line(calibration)
    reading = calibration.water_density + (density * fluid_ratio - water) / slope
    return reading * (density > 0.0)


def annulus_step(reading: Any, *, core_diameter: Any, bore: Any, fluid_reading: Any) -> Any:
    """Density of a core thinner than its liner from the mean over the bore.

    Parameters
    ----------
    reading : Quantity, DataArray or str
        Mean density along the beam inside the liner, on the scale of the standards [g/cm^3].
    core_diameter, bore : Quantity, DataArray or str
        Of the core and of the liner [cm].
    fluid_reading : Quantity, DataArray or str
        What the scale reads in the fluid of the annulus [g/cm^3]; zero for air.

    Returns
    -------
    float or DataArray
        Reading in the core alone [g/cm^3], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    rho = (rho_m D - rho_f (D - d)) / d: areal densities along a diameter add up (geometry).
    """
    rm = units.as_floats(reading, "g/cm^3", "reading")
    d = units.as_floats(core_diameter, "cm", "core_diameter")
    wide = units.as_floats(bore, "cm", "bore")
    fluid = units.as_floats(fluid_reading, "g/cm^3", "fluid_reading")
    return (rm * wide - fluid * (wide - d)) / d


# --------------------------------------------------------------------------------------------------
# The chain from counts to density as a whole, and how it answers to each of its inputs.


@dataclass(frozen=True)
class Sediment:
    """What the beam meets in the core.

    Parameters
    ----------
    grain_density : float or array
        [g/cm^3].
    fluid_density : float or array
        Of the pore water [g/cm^3].
    grain_ratio, fluid_ratio : float
        Electrons per unit molar mass, Z/A [mol/g].
    attenuation_ratio : float
        Mass attenuation of the pore water over that of the grains [1].
    """

    grain_density: Any
    fluid_density: Any
    grain_ratio: float
    fluid_ratio: float
    attenuation_ratio: float

    def scale(self, calibration: Calibration) -> tuple[Any, Any]:
        """Intercept [g/cm^3] and slope [1] of true density on the reading."""
        return true_scale(
            calibration,
            self.grain_density,
            self.fluid_density,
            self.grain_ratio,
            self.fluid_ratio,
            self.attenuation_ratio,
        )


@dataclass(frozen=True)
class Chain:
    """Readings that one calibration after the other can be laid over.

    Parameters
    ----------
    readings : list of float or array
        Counts, counting time [s], elapsed time [s], diameter and bore [cm].
    annulus : float or array
        True density of what fills the annulus [g/cm^3]; zero for air.
    decay_constant : float
        [1/s].
    """

    readings: list[Any]
    annulus: Any
    decay_constant: float

    def density(self, calibration: Calibration, sediment: Sediment) -> tuple[Any, ...]:
        """Density, counting uncertainty, reasons, areal density and -d ln I/dx."""
        intercept, slope = sediment.scale(calibration)
        return series.apply(
            density_kernel,
            *self.readings,
            self.fluid(calibration, sediment),
            intercept,
            slope,
            *(calibration.coefficients[i] for i in range(3)),
            outputs=5,
            dtypes=[float, float, np.int64, float, float],
            dead_time=calibration.dead_time,
            background=calibration.background_rate,
            real_time=calibration.real_time,
            domain=calibration.domain,
            decay_constant=self.decay_constant,
        )

    def fluid(self, calibration: Calibration, sediment: Sediment) -> Any:
        """What the scale reads in the annulus; air is zero and stays zero."""
        return fluid_reading(
            self.annulus,
            calibration=calibration,
            fluid_ratio=sediment.fluid_ratio,
            attenuation_ratio=sediment.attenuation_ratio,
        )

    def diameter_effect(
        self, calibration: Calibration, sediment: Sediment, x: Any, u_d: Any
    ) -> dict[str, Any]:
        """Effect of one sigma of the core's diameter."""
        diameter, bore = self.readings[3], self.readings[4]
        slope = sediment.scale(calibration)[1]
        partial = slope * (self.fluid(calibration, sediment) * bore - x) / diameter**2
        return {"core_diameter": partial * (float("nan") if u_d is None else u_d)}

    def coefficient_effects(
        self, calibration: Calibration, sediment: Sediment, x: Any, root: Any
    ) -> dict[str, Any]:
        """Effects of the fitted coefficients: d rho/d c_j = (slope / d) x^j / (-d ln I/dx)."""
        slope = sediment.scale(calibration)[1]
        per_c0 = slope / (self.readings[3] * root)
        powers = [per_c0, per_c0 * x, per_c0 * x * x]
        if not calibration.parts:
            covariance = calibration.covariance
            return covariance_effects(
                powers[: covariance.shape[0]], covariance, "gamma_calibration"
            )
        effects: dict[str, Any] = {}
        for label, weight, part in calibration.parts:
            partials = [weight * power for power in powers[: part.covariance.shape[0]]]
            name = f"gamma_calibration_{label}"
            effects.update(covariance_effects(partials, part.covariance, name))
        return effects

    def shared_effects(
        self,
        calibration: Calibration,
        sediment: Sediment,
        rho: Any,
        grain_effects: dict[str, Any],
        sigmas: dict[str, float],
    ) -> dict[str, Any]:
        """Effects of what standards and readings share: the whole chain is done again."""

        def change(cal: Calibration, sed: Sediment) -> Any:
            return self.density(cal, sed)[0] - rho

        effects = {source: change(other, sediment) for source, other in calibration.shifted.items()}
        if calibration.scale == "aluminium and water":
            ratio = sediment.grain_ratio + sigmas["grain_electron_ratio"]
            effects["grain_electron_ratio"] = change(
                calibration, replace(sediment, grain_ratio=ratio)
            )
        else:
            # Grains that weaken less make every reading, and the water's ratio, larger alike.
            factor = 1.0 + sigmas["grain_attenuation"] / sediment.attenuation_ratio
            c = calibration.coefficients
            scaled = [c[0], c[1] / factor, c[2] / factor**2]
            low, high = calibration.domain
            effects["grain_attenuation"] = change(
                replace(calibration, coefficients=scaled, domain=(low, high * factor)),
                replace(sediment, attenuation_ratio=sediment.attenuation_ratio * factor),
            )
        step = 0.01
        heavier = replace(sediment, grain_density=sediment.grain_density + step)
        per_grain = change(calibration, heavier) / step
        for source, effect in grain_effects.items():
            effects[source] = effects.get(source, 0.0) + per_grain * bare(effect)
        return effects
