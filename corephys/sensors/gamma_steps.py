"""From the reading of an aluminium-and-water scale to a sediment: annulus and electrons."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import constants, thresholds, units
from corephys.sensors.gamma_calibration import Calibration

__all__ = [
    "annulus_step", "apparent_density", "electron_scale", "electron_step", "fluid_reading",
    "hydrogen_scale", "hydrogen_step", "true_scale",
]  # fmt: skip

_CONTRAST = thresholds.value("grain_to_water_contrast")


def _standards_line(calibration: Calibration) -> tuple[float, float]:
    """Electrons of the water [mol/cm^3], and electrons per unit of reading above it [mol/g]."""
    water = calibration.water_density * calibration.water_ratio
    aluminium = calibration.aluminium_density * calibration.aluminium_ratio
    slope = (aluminium - water) / (calibration.aluminium_density - calibration.water_density)
    return water, slope


def electron_scale(
    calibration: Calibration, grain_density: Any, fluid_density: Any, grain_ratio: Any,
    fluid_ratio: float,
) -> tuple[Any, Any]:  # fmt: skip
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
    calibration: Calibration, grain_density: Any, fluid_density: Any, grain_ratio: Any,
    fluid_ratio: Any, attenuation_ratio: Any,
) -> tuple[Any, Any]:  # fmt: skip
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
    reading: Any, *, grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    attenuation_ratio: Any = constants.CONSTANTS["sea_water_to_grain_attenuation"],
) -> Any:  # fmt: skip
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
    calibration: Calibration | None, grain_density: Any, pore_water_density: Any,
    grain_electron_ratio: Any, pore_water_electron_ratio: Any,
) -> tuple[Any, Any]:  # fmt: skip
    """The scale of arguments that still carry their units."""
    return electron_scale(
        calibration or Calibration.nominal(),
        units.as_floats(grain_density, "g/cm^3", "grain_density"),
        units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"),
        units.as_floats(grain_electron_ratio, "mol/g", "grain_electron_ratio"),
        units.as_floats(pore_water_electron_ratio, "mol/g", "pore_water_electron_ratio"),
    )


def electron_step(
    reading: Any, *, calibration: Calibration | None = None,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Any = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Any = constants.CONSTANTS["sea_water_electron_ratio"],
) -> Any:  # fmt: skip
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
        calibration, grain_density, pore_water_density, grain_electron_ratio,
        pore_water_electron_ratio,
    )  # fmt: skip
    return intercept + slope * units.as_floats(reading, "g/cm^3", "reading")


def apparent_density(
    bulk_density: Any, *, calibration: Calibration | None = None,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Any = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Any = constants.CONSTANTS["sea_water_electron_ratio"],
) -> Any:  # fmt: skip
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
        calibration, grain_density, pore_water_density, grain_electron_ratio,
        pore_water_electron_ratio,
    )  # fmt: skip
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
