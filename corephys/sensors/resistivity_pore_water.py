"""Pore water, and the formation factor that a core has in it."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, seawater, series, units
from corephys.ground.arguments import measured_fraction
from corephys.sensors.resistivity_brine import sea_water_kernel
from corephys.uncertainty import Measured, bare, combine, stated

__all__ = ["cementation_exponent", "formation_factor", "pore_water_resistivity"]

# Where PSS-78 holds: absolute salinity [g/kg], temperature [degC], pressure [dbar].
_RANGE = ((2.0, 42.2), (-2.0, 35.0), (0.0, 10000.0))
_STEP = 0.01  # of the central differences of a smooth equation, in g/kg and K


def water_kernel(salinity: Any, temperature: Any, pressure: Any) -> tuple[Any, Any, Any, Any]:
    """Conductivity of pore water, its slopes and reasons.

    Parameters
    ----------
    salinity, temperature, pressure : float or ndarray
        [g/kg], [degC], [dbar].

    Returns
    -------
    tuple of ndarray
        [S/m], d ln sigma / d salinity [kg/g], d ln sigma / d temperature [1/K], int64 reasons:
        ``beyond_calibration`` outside PSS-78.

    Notes
    -----
    PSS-78 (UNESCO 1983); slopes by central differences.
    """
    salinity, temperature, pressure = np.broadcast_arrays(salinity, temperature, pressure)
    sigma = np.asarray(sea_water_kernel(salinity, temperature, pressure), dtype=float)
    # Pure water has no slope that is relative to its conductivity.
    known = np.where(sigma > 0.0, sigma, np.nan)
    by_salt = (
        sea_water_kernel(salinity + _STEP, temperature, pressure)
        - sea_water_kernel(np.maximum(salinity - _STEP, 0.0), temperature, pressure)
    ) / (known * (np.minimum(salinity, _STEP) + _STEP))
    by_warmth = (
        sea_water_kernel(salinity, temperature + _STEP, pressure)
        - sea_water_kernel(salinity, temperature - _STEP, pressure)
    ) / (2.0 * _STEP * known)
    outside = np.zeros(sigma.shape, dtype=bool)
    for values, (low, high) in zip((salinity, temperature, pressure), _RANGE, strict=True):
        outside = outside | (values < low) | (values > high)
    reason = np.where(outside, flags.bit("beyond_calibration"), 0).astype(np.int64)
    return sigma, by_salt, by_warmth, reason


def water(
    salinity: Any, temperature: Any, pressure: Any, u_salinity: Any, u_temperature: Any,
    source: str = "laboratory_temperature",
) -> tuple[Measured, Any, Any]:  # fmt: skip
    """Conductivity of pore water [S/m] with its errors, and the relative slopes.

    A temperature that all readings share errs for all alike, under the name ``source``; one of
    its own for each reading errs at random.
    """
    series.require_same_positions(salinity=salinity, temperature=temperature, pressure=pressure)
    salt = seawater.absolute_salinity(salinity)
    warm = units.as_floats(temperature, "degC", "temperature")
    sigma, by_salt, by_warmth, reason = series.apply(
        water_kernel, salt, warm, units.as_floats(pressure, "dbar", "pressure"), outputs=4,
        dtypes=[float, float, float, np.int64],
    )  # fmt: skip
    slope_s, slope_t = bare(sigma) * bare(by_salt), bare(sigma) * bare(by_warmth)
    effects = {"pore_water_salinity": slope_s * bare(u_salinity)}
    random: Any = 0.0
    if np.ndim(warm):
        random = abs(slope_t * bare(u_temperature))
    else:
        effects[source] = slope_t * bare(u_temperature)
    return Measured(sigma, random, effects, bare(reason)), by_salt, by_warmth


def pore_water_resistivity(
    salinity: Any, temperature: Any, pressure: Any = "0 dbar", *, salinity_uncertainty: Any = None,
    temperature_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Electrical resistivity of pore water that has the composition of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity [g/kg].
    temperature : Quantity, DataArray or str
        [degC].
    pressure : Quantity, DataArray or str
        Of the sea, zero at the surface [dbar].
    salinity_uncertainty : Quantity or str, optional
        Systematic, effect ``pore_water_salinity`` [g/kg]. A Constant brings its own; unknown gives
        NaN.
    temperature_uncertainty : Quantity or str, optional
        [K]. Random where each reading has its own temperature, effect ``laboratory_temperature``
        where they share one; unknown gives NaN.

    Returns
    -------
    Dataset
        ``pore_water_resistivity``; outside PSS-78 (2 to 42 g/kg, -2 to 35 degC, to 10 000 dbar)
        flagged ``beyond_calibration``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    One over the conductivity of PSS-78 (UNESCO 1983), :func:`corephys.ground.seawater.conductivity`.
    """
    found, _, _ = water(
        salinity, temperature, pressure,
        stated(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
        stated(temperature_uncertainty, "K", "temperature_uncertainty"),
    )  # fmt: skip
    return series.build(
        {"pore_water_resistivity": reciprocal(found)},
        steps=("rho_w = 1 / sigma_w, PSS-78 (UNESCO 1983)",),
        constants={"salinity": (salinity, salinity_uncertainty)},
    )


def reciprocal(found: Measured) -> Measured:
    """Resistivity from conductivity or back."""
    slope = -1.0 / bare(found.values) ** 2
    u_random, effects = combine([(slope, found)])
    return Measured(1.0 / found.values, u_random, effects, found.reason)


def formation_factor(
    resistivity: Any, *, pore_water_resistivity: Any = None, salinity: Any = None,
    temperature: Any = None, resistivity_uncertainty: Any = None,
    pore_water_resistivity_uncertainty: Any = None, salinity_uncertainty: Any = None,
    temperature_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Formation factor, the resistivity of a core over that of its pore water.

    Parameters
    ----------
    resistivity : Dataset, DataArray, Quantity or str
        ``electrical_resistivity`` of the core at its temperature [ohm m]; a Dataset brings its
        uncertainty and reasons.
    pore_water_resistivity : Dataset, DataArray, Quantity or str, optional
        At the same temperature [ohm m].
    salinity, temperature : Quantity, DataArray or str, optional
        Of sea water in the pores [g/kg], [degC], where its resistivity is not given. The
        temperature is that at which the core was measured.
    resistivity_uncertainty : Quantity or DataArray, optional
        Random, of a resistivity that is not a Dataset [ohm m].
    pore_water_resistivity_uncertainty : Quantity or str, optional
        Systematic, of a pore water that is not a Dataset [ohm m].
    salinity_uncertainty, temperature_uncertainty : Quantity or str, optional
        As in :func:`pore_water_resistivity` [g/kg], [K].

    Returns
    -------
    Dataset
        ``formation_factor`` [1].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither the resistivity of the pore water nor salinity and temperature are given.

    Notes
    -----
    F = rho / rho_w at one temperature: Archie (1942) Trans. AIME 146, 54. Where grains conduct,
    this apparent factor is too low; see :func:`surface_conduction_fit`.
    """
    if pore_water_resistivity is None:
        if salinity is None or temperature is None:
            raise ValueError(
                "give pore_water_resistivity, or salinity and temperature of the pore water at "
                "which the core was measured"
            )
        found, _, _ = water(
            salinity, temperature, "0 dbar",
            stated(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
            stated(temperature_uncertainty, "K", "temperature_uncertainty"),
        )  # fmt: skip
        pore = reciprocal(found)
    else:
        pore = series.unpack(
            pore_water_resistivity, "pore_water_resistivity",
            uncertainty_given=pore_water_resistivity_uncertainty, source="pore_water_resistivity",
        )  # fmt: skip
    core = series.unpack(
        resistivity, "electrical_resistivity", uncertainty_given=resistivity_uncertainty
    )
    series.require_same_positions(resistivity=core.values, pore_water=pore.values)
    if not pore.effects and not np.ndim(pore.values):
        pore.u_random, pore.effects = 0.0, {"pore_water_resistivity": float("nan")}
    core.values, pore.values = series.at_one_place(core.values, pore.values)
    factor = core.values / pore.values
    u_random, effects = combine(
        [(1.0 / pore.values, core), (-bare(factor) / bare(pore.values), pore)]
    )
    reason = np.bitwise_or(bare(core.reason), bare(pore.reason))
    return series.build(
        {"formation_factor": Measured(factor, u_random, effects, reason)},
        steps=("F = rho / rho_w at the temperature of the core (Archie 1942)",),
    )


def exponent_kernel(factor: Any, porosity: Any) -> tuple[Any, Any]:
    """Exponent of one reading and its reasons.

    Parameters
    ----------
    factor, porosity : float or ndarray
        Pure numbers.

    Returns
    -------
    tuple of ndarray
        m [1], NaN where it does not exist, and int64 reasons.

    Notes
    -----
    m = -ln F / ln phi, Archie (1942) with a = 1.
    """
    factor, porosity = np.broadcast_arrays(factor, porosity)
    impossible = (factor <= 0.0) | (porosity <= 0.0) | (porosity >= 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        m = -np.log(factor) / np.log(porosity)
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    return np.where(impossible, np.nan, m), reason


def _logarithm(porosity: Any) -> Any:
    return np.log(np.where(np.asarray(porosity) > 0.0, porosity, np.nan))


def cementation_exponent(
    formation_factor: Any, porosity: Any, *, formation_factor_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Cementation exponent of each reading, with a = 1.

    Parameters
    ----------
    formation_factor, porosity : Dataset, DataArray, Quantity or str
        Pure numbers [1]; a Dataset brings its uncertainty and reasons.
    formation_factor_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random, of what is not a Dataset [1].

    Returns
    -------
    Dataset
        ``cementation_exponent`` [1]; NaN and ``impossible_value`` where the porosity does not lie
        between zero and one.

    Raises
    ------
    UnitError
        For a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    m = -ln F / ln phi: Archie (1942) Trans. AIME 146, 54.
    """
    f = series.unpack(
        formation_factor, "formation_factor", uncertainty_given=formation_factor_uncertainty
    )
    phi = measured_fraction(
        series.unpack(porosity, "porosity", uncertainty_given=porosity_uncertainty), "porosity"
    )
    series.require_same_positions(formation_factor=f.values, porosity=phi.values)
    m, found = series.apply(
        exponent_kernel, f.values, phi.values, outputs=2, dtypes=[float, np.int64]
    )
    log_phi = series.apply(_logarithm, bare(phi.values))
    u_random, effects = combine(
        [(-1.0 / (bare(f.values) * log_phi), f), (-bare(m) / (bare(phi.values) * log_phi), phi)]
    )
    reason = np.bitwise_or(np.bitwise_or(bare(found), bare(f.reason)), bare(phi.reason))
    return series.build(
        {"cementation_exponent": Measured(m, u_random, effects, reason)},
        steps=("m = -ln F / ln phi, a = 1 (Archie 1942)",),
    )
