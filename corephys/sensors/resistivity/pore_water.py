"""Brines and pore water: their conductivity, the formation factor, and resistivity at another
temperature."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, provenance, seawater, series, units
from corephys.ground.arguments import measured_fraction
from corephys.uncertainty import Measured, bare, combine, stated

__all__ = [
    "BRINES",
    "brine_conductivity",
    "cementation_exponent",
    "formation_factor",
    "in_situ",
    "pore_water_resistivity",
    "to_reference_temperature",
]

# --------------------------------------------------------------------------------------------------
# Electrical conductivity of the brines that a resistivity sensor is calibrated with.
#
# Sodium chloride is not sea water: taken for sea salt, a solution of 35 g NaCl a litre reads 5 %
# low.
# Each brine has its own equation, and neither is used outside the range it was made for.


_C = constants.CONSTANTS
BRINES = ("sodium_chloride", "sea")

# Molar conductivity of NaCl at 25 degC [S cm^2/mol] by concentration [mol/L]: Robinson and Stokes
# (1959) Electrolyte Solutions, appendices 6.1 to 6.3, from memory. A saturated solution of 251.3
# mS/cm (from memory) is met within 0.5 %.
_CONCENTRATION = (0, 0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 3, 4, 5)
_MOLAR = (
    126.45,
    123.74,
    120.64,
    118.53,
    115.76,
    111.06,
    106.74,
    101.71,
    93.62,
    85.76,
    74.71,
    65.57,
    57.23,
    49.46,
)
# A sixth-degree polynomial in the root of concentration (Kohlrausch's variable) meets every entry
# within 0.07 %.
_MOLAR_FIT = np.polynomial.polynomial.polyfit(
    np.sqrt(_CONCENTRATION), _MOLAR, 6, w=1.0 / np.array(_MOLAR)
)
# Density at 25 degC [kg/L] by mass fraction 0 to 0.26: cubic within 0.0001 of the table of
# Poradnik fizykochemiczny (1974), 20 degC brought to 25 degC by its own column of coefficients.
_DENSITY_FIT = (0.99713, 0.70196, 0.11657, 0.39496)
# Conductivity over that at 25 degC at 0, 25, 50 and 75 degC: sodium chloride ratios of IEC 60746-3
# (from memory). A cubic goes through the four.
_RATIO_FIT = np.polynomial.polynomial.polyfit((0, 25, 50, 75), (0.542, 1.0, 1.531, 2.103), 3)
_RANGES = {
    "sodium_chloride": ((0.0, 250.0), (0.0, 50.0)),
    "sea": ((0.0, 42.2), (-2.0, 35.0)),
}


def sodium_chloride_kernel(mass_fraction: Any, temperature: Any, *, molar_mass: float) -> Any:
    """Conductivity of a solution of sodium chloride.

    Parameters
    ----------
    mass_fraction : float or ndarray
        Salt over solution [g/kg].
    temperature : float or ndarray
        [degC].
    molar_mass : float
        [g/mol].

    Returns
    -------
    float or ndarray
        [S/m].

    Notes
    -----
    c Lambda(sqrt c) r(T), Lambda from Robinson and Stokes (1959, from memory) at 25 degC and r(T)
    the conductivity ratio of IEC 60746-3.
    """
    evaluate = np.polynomial.polynomial.polyval
    w = np.asarray(mass_fraction, dtype=float) / 1e3
    concentration = 1e3 * w * evaluate(w, _DENSITY_FIT) / molar_mass
    molar = evaluate(np.sqrt(concentration), _MOLAR_FIT)
    # 1 mol/L times 1 S cm^2/mol is 1 mS/cm, a tenth of a S/m.
    return 0.1 * concentration * molar * evaluate(np.asarray(temperature, float), _RATIO_FIT)


def sea_water_kernel(salinity: Any, temperature: Any, pressure: Any) -> Any:
    """Conductivity of sea water, plain arrays in and out.

    Parameters
    ----------
    salinity, temperature, pressure : float or ndarray
        [g/kg], [degC], [dbar].

    Returns
    -------
    float or ndarray
        [S/m].

    Notes
    -----
    PSS-78 (UNESCO 1983),
    :func:`corephys.ground.seawater.conductivity`.
    """
    return seawater.conductivity.kernel(salinity, temperature, pressure)


def brine_conductivity(salinity: Any, temperature: Any, *, brine: str) -> Any:
    """Electrical conductivity of a calibration brine at the surface.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Mass of salt in the mass of solution [g/kg]; absolute salinity for sea water.
    temperature : Quantity, DataArray or str
        [degC].
    brine : {"sodium_chloride", "sea"}
        What was dissolved.

    Returns
    -------
    float, ndarray or DataArray
        [S/m].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, grams a litre among them.
    ValueError
        For another brine, or outside its range: sodium chloride 0 to 250 g/kg and 0 to 50 degC,
        sea water 0 to 42.2 g/kg and -2 to 35 degC.

    Notes
    -----
    Sodium chloride: molar conductivity at 25 degC of Robinson and Stokes (1959), from memory, times
    the temperature ratio of IEC 60746-3; about 1 % (the ratio depends a little on concentration,
    which it leaves out: 0.4 % between a dilute and a saturated solution at 15 and 35 degC).
    Sea water: PSS-78 (UNESCO 1983),
    :func:`corephys.ground.seawater.conductivity`.
    """
    if brine not in BRINES:
        raise ValueError(f"brine is {brine!r}; it is one of {', '.join(map(repr, BRINES))}")
    series.require_same_positions(salinity=salinity, temperature=temperature)
    salt = mass_fraction(salinity)
    if brine != "sea" and _is_practical(salinity):
        raise units.UnitError(
            "salinity: practical salinity (psu) is defined for sea water; give the sodium chloride "
            "in a kilogram of solution, such as '35 g/kg'"
        )
    warm = units.as_floats(temperature, "degC", "temperature")
    for name, values, unit, (low, high) in zip(
        ("salinity", "temperature"), (salt, warm), ("g/kg", "degC"), _RANGES[brine], strict=True
    ):
        outside = np.ravel(np.asarray((values < low) | (values > high)))
        if outside.any():
            first = float(np.ravel(np.asarray(values))[np.flatnonzero(outside)[0]])
            raise ValueError(
                f"{name} {first:g} {unit} is outside {low:g} to {high:g} {unit}, where the "
                f"conductivity of the brine {brine!r} is known; measure the conductivity and give "
                "that instead"
            )
    if brine == "sea":
        return series.apply(sea_water_kernel, salt, warm, 0.0)
    molar_mass = _C["sodium_chloride_molar_mass"].value
    return series.apply(sodium_chloride_kernel, salt, warm, molar_mass=molar_mass)


def _is_practical(salinity: Any) -> bool:
    """Whether a salinity is marked as practical salinity."""
    if isinstance(salinity, str):
        return units.read_scalar(salinity)[1] == units.PRACTICAL_SALINITY
    given = str(getattr(salinity, "attrs", {}).get("units", "g/kg"))
    return units.canonical(given) == units.PRACTICAL_SALINITY


def mass_fraction(salinity: Any) -> Any:
    """Salinity of a calibration brine in g/kg; grams a litre are refused."""
    return seawater.salinity_floats(salinity, brine=True)


# --------------------------------------------------------------------------------------------------
# Resistivity of a core at another temperature and pressure, through that of its pore water.
#
# Sea water follows its own equation: the rule for sodium chloride of reservoirs is 12 % off between
# 25 and 4 degC.


_SALT = constants.CONSTANTS["pore_water_salinity"]


def to_reference_temperature(
    dataset: xr.Dataset,
    temperature: Any,
    *,
    reference: Any = "20 degC",
    salinity: Any = _SALT,
    temperature_uncertainty: Any = None,
    salinity_uncertainty: Any = None,
) -> xr.Dataset:
    """Bring resistivities to one temperature.

    Parameters
    ----------
    dataset : Dataset
        With ``electrical_resistivity`` at the temperature of the core.
    temperature : Quantity, DataArray or str
        Of the core when it was measured [degC].
    reference : Quantity or str
        Temperature wanted [degC].
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity of the pore water [g/kg].
    temperature_uncertainty : Quantity or str, optional
        [K]. Random where each reading has its own temperature, effect ``laboratory_temperature``
        where they share one; unknown gives NaN.
    salinity_uncertainty : Quantity or str, optional
        Systematic [g/kg]; a Constant brings its own, unknown gives NaN.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` as it was and ``electrical_resistivity_at_reference``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho_r = rho sigma_w(S, T) / sigma_w(S, T_r), PSS-78 (UNESCO 1983): the formation factor is
    taken to stay and grains to conduct nothing.
    """
    return _carried(
        dataset,
        "electrical_resistivity_at_reference",
        (temperature, "0 dbar"),
        (reference, "0 dbar"),
        salinity,
        salinity_uncertainty,
        (stated(temperature_uncertainty, "K", "temperature_uncertainty"), 0.0),
        "at the reference temperature, rho sigma_w(T) / sigma_w(T_r), PSS-78 (UNESCO 1983)",
        {"reference": reference},
    )


def in_situ(
    dataset: xr.Dataset,
    temperature: Any,
    *,
    in_situ_temperature: Any,
    in_situ_pressure: Any,
    salinity: Any = _SALT,
    temperature_uncertainty: Any = None,
    in_situ_temperature_uncertainty: Any = None,
    salinity_uncertainty: Any = None,
) -> xr.Dataset:
    """Bring resistivities to the temperature and pressure in the formation.

    Parameters
    ----------
    dataset : Dataset
        With ``electrical_resistivity`` at the temperature of the core.
    temperature : Quantity, DataArray or str
        Of the core when it was measured [degC].
    in_situ_temperature, in_situ_pressure : Quantity, DataArray or str
        In the formation [degC], and the pressure of the pore water over that of the air [dbar].
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity of the pore water [g/kg].
    temperature_uncertainty, in_situ_temperature_uncertainty : Quantity or str, optional
        [K]. Random where each reading has its own temperature; effects
        ``laboratory_temperature`` and ``in_situ_temperature`` where they share one. Unknown gives
        NaN.
    salinity_uncertainty : Quantity or str, optional
        Systematic [g/kg]; a Constant brings its own, unknown gives NaN.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` as it was and ``electrical_resistivity_in_situ``; flagged
        ``beyond_calibration`` above 35 degC, where PSS-78 was not measured.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho_i = rho sigma_w(S, T, 0) / sigma_w(S, T_i, p_i), PSS-78 (UNESCO 1983). The pores are taken
    to keep their shape: the rebound of the core is not undone. The error of the pressure is left
    out: 10 dbar change the conductivity by 0.01 %.
    """
    return _carried(
        dataset,
        "electrical_resistivity_in_situ",
        (temperature, "0 dbar"),
        (in_situ_temperature, in_situ_pressure),
        salinity,
        salinity_uncertainty,
        (
            stated(temperature_uncertainty, "K", "temperature_uncertainty"),
            stated(in_situ_temperature_uncertainty, "K", "in_situ_temperature_uncertainty"),
        ),
        "in situ, rho sigma_w(T, 0) / sigma_w(T_i, p_i), PSS-78 (UNESCO 1983)",
        {},
    )


def _carried(
    dataset: xr.Dataset,
    name: str,
    here: tuple[Any, Any],
    there: tuple[Any, Any],
    salinity: Any,
    u_salinity: Any,
    u_temperature: tuple[Any, Any],
    step: str,
    used: dict[str, Any],
) -> xr.Dataset:
    """Both quantities side by side."""
    measured = series.unpack(dataset, "electrical_resistivity")
    series.require_same_positions(
        dataset=measured.values,
        temperature=here[0],
        in_situ_temperature=there[0],
        in_situ_pressure=there[1],
        salinity=salinity,
    )
    u_salt = stated(u_salinity, "g/kg", "salinity_uncertainty", salinity)
    now, salt_now, _ = water(salinity, *here, u_salt, u_temperature[0])
    then, salt_then, _ = water(salinity, *there, u_salt, u_temperature[1], "in_situ_temperature")
    factor = bare(now.values) / bare(then.values)
    values = measured.values * factor
    relative: dict[str, Any] = {
        # The same salinity stands above and below: only the difference of the slopes is left.
        "pore_water_salinity": (bare(salt_now) - bare(salt_then)) * bare(u_salt)
    }
    ends = ((now, "laboratory_temperature", 1.0), (then, "in_situ_temperature", -1.0))
    for (end, source, sign), u in zip(ends, u_temperature, strict=True):
        # A reference temperature is exact.
        if source in end.effects and np.any(u != 0.0):
            relative[source] = sign * bare(end.effects[source]) / bare(end.values)
    effects = {source: bare(part) * factor for source, part in measured.effects.items()}
    for source, part in relative.items():
        effects[source] = effects.get(source, 0.0) + bare(values) * part
    random = (
        (bare(measured.u_random) * factor) ** 2
        + (bare(values) * now.u_random / bare(now.values)) ** 2
        + (bare(values) * then.u_random / bare(then.values)) ** 2
    ) ** 0.5
    reason = np.bitwise_or(np.bitwise_or(bare(measured.reason), now.reason), then.reason)
    steps = json.loads(dataset.attrs.get("steps", "[]"))
    return series.build(
        {
            "electrical_resistivity": measured,
            name: Measured(values, random, effects, reason),
        },
        steps=(*steps, step),
        constants={
            **provenance.used_constants(dataset),
            "salinity": (salinity, u_salinity),
            **used,
        },
    )


# --------------------------------------------------------------------------------------------------
# Pore water, and the formation factor that a core has in it.


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
    salinity: Any,
    temperature: Any,
    pressure: Any,
    u_salinity: Any,
    u_temperature: Any,
    source: str = "laboratory_temperature",
) -> tuple[Measured, Any, Any]:
    """Conductivity of pore water [S/m] with its errors, and the relative slopes.

    A temperature that all readings share errs for all alike, under the name ``source``; one of
    its own for each reading errs at random.
    """
    series.require_same_positions(salinity=salinity, temperature=temperature, pressure=pressure)
    salt = seawater.salinity_floats(salinity)
    warm = units.as_floats(temperature, "degC", "temperature")
    sigma, by_salt, by_warmth, reason = series.apply(
        water_kernel,
        salt,
        warm,
        units.as_floats(pressure, "dbar", "pressure"),
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    slope_s, slope_t = bare(sigma) * bare(by_salt), bare(sigma) * bare(by_warmth)
    effects = {"pore_water_salinity": slope_s * bare(u_salinity)}
    random: Any = 0.0
    if np.ndim(warm):
        random = abs(slope_t * bare(u_temperature))
    else:
        effects[source] = slope_t * bare(u_temperature)
    return Measured(sigma, random, effects, bare(reason)), by_salt, by_warmth


def pore_water_resistivity(
    salinity: Any,
    temperature: Any,
    pressure: Any = "0 dbar",
    *,
    salinity_uncertainty: Any = None,
    temperature_uncertainty: Any = None,
) -> xr.Dataset:
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
    One over the conductivity of PSS-78 (UNESCO 1983),
    :func:`corephys.ground.seawater.conductivity`.
    """
    found, _, _ = water(
        salinity,
        temperature,
        pressure,
        stated(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
        stated(temperature_uncertainty, "K", "temperature_uncertainty"),
    )
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
    resistivity: Any,
    *,
    pore_water_resistivity: Any = None,
    salinity: Any = None,
    temperature: Any = None,
    resistivity_uncertainty: Any = None,
    pore_water_resistivity_uncertainty: Any = None,
    salinity_uncertainty: Any = None,
    temperature_uncertainty: Any = None,
) -> xr.Dataset:
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
            salinity,
            temperature,
            "0 dbar",
            stated(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
            stated(temperature_uncertainty, "K", "temperature_uncertainty"),
        )
        pore = reciprocal(found)
    else:
        pore = series.unpack(
            pore_water_resistivity,
            "pore_water_resistivity",
            uncertainty_given=pore_water_resistivity_uncertainty,
            source="pore_water_resistivity",
        )
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
    formation_factor: Any,
    porosity: Any,
    *,
    formation_factor_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> xr.Dataset:
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
