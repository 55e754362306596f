"""Conductivity of brines and pore water, the formation factor, and resistivity at another
temperature."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, provenance, seawater, series, units
from corephys.ground.arguments import measured_fraction
from corephys.ground.choices import choice
from corephys.ground.laws import with_unit
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Numbers, Scalar, WithUnit

__all__ = [
    "brine_conductivity",
    "cementation_exponent",
    "conductivity_of_brine",
    "formation_factor",
    "in_situ",
    "pore_water_resistivity",
    "to_reference_temperature",
]

# --------------------------------------------------------------------------------------------------
# Electrical conductivity of the brines with which a resistivity sensor is calibrated.
#
# Sodium chloride is not sea water: with the equation of sea water, the conductivity of 35 g NaCl
# in a litre comes out 5 % too low. Each brine has its own equation, and neither is used outside
# its range.


_C = constants.CONSTANTS
_BRINES = ("sodium_chloride", "sea")

# Molar conductivity of NaCl at 25 degC [S cm^2/mol] by concentration [mol/L]: Robinson and Stokes
# (1959) Electrolyte Solutions, appendices 6.1 to 6.3, from memory. A saturated solution of 251.3
# mS/cm (from memory) is reproduced within 0.5 %.
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
# A sixth-degree polynomial in the root of concentration (Kohlrausch's variable) reproduces every
# entry within 0.07 %.
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


def _sodium_chloride_kernel(
    mass_fraction: float | np.ndarray, temperature: float | np.ndarray, *, molar_mass: float
) -> Any:
    """Conductivity of a solution of sodium chloride [S/m].

    The mass fraction is in g/kg, the temperature in degC, the molar mass in g/mol. The equation is
    c Lambda(sqrt c) r(T), with Lambda at 25 degC and the conductivity ratio r(T) given above.
    """
    evaluate = np.polynomial.polynomial.polyval
    w = np.asarray(mass_fraction, dtype=float) / 1e3
    concentration = 1e3 * w * evaluate(w, _DENSITY_FIT) / molar_mass
    molar = evaluate(np.sqrt(concentration), _MOLAR_FIT)
    # 1 mol/L times 1 S cm^2/mol is 1 mS/cm, a tenth of a S/m.
    return 0.1 * concentration * molar * evaluate(np.asarray(temperature, float), _RATIO_FIT)


def _sea_water_kernel(
    salinity: float | np.ndarray,
    temperature: float | np.ndarray,
    pressure: float | np.ndarray,
) -> Any:
    """Conductivity of sea water [S/m] by PSS-78, from g/kg, degC and dbar."""
    return seawater.conductivity.kernel(salinity, temperature, pressure)


def brine_conductivity(salinity: Dimensional, temperature: Dimensional, *, brine: str) -> WithUnit:
    """Electrical conductivity of a calibration brine at the surface.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Mass of salt in the mass of solution [g/kg]; absolute salinity for sea water.
    temperature : Quantity, DataArray or str
        Temperature of the brine [degC].
    brine : {"sodium_chloride", "sea"}
        Salt in the solution.

    Returns
    -------
    Quantity or DataArray
        Electrical conductivity [S/m].

    Raises
    ------
    UnitError
        For grams in a litre, or a practical salinity of sodium chloride.
    PositionError
        When the series lie at different positions.
    ValueError
        For another brine, or outside its range: sodium chloride 0 to 250 g/kg and 0 to 50 degC,
        sea water 0 to 42.2 g/kg and -2 to 35 degC.

    Notes
    -----
    Sodium chloride: molar conductivity at 25 degC of Robinson and Stokes (1959), from memory, times
    the temperature ratio of IEC 60746-3; uncertainty about 1 % (the ratio depends on concentration,
    which is neglected: 0.4 % between a dilute and a saturated solution at 15 and 35 degC).
    Sea water: PSS-78 (UNESCO 1983),
    :func:`corephys.ground.seawater.conductivity`.
    """
    brine = choice(brine, _BRINES, "brine")
    series.require_same_positions(salinity=salinity, temperature=temperature)
    salt = mass_fraction(salinity)
    if brine != "sea" and _is_practical(salinity):
        raise units.UnitError(
            "salinity: practical salinity (psu) is defined for sea water; give the mass of sodium "
            "chloride in a kilogram of solution, such as '35 g/kg'"
        )
    warm = units.as_floats(temperature, "degC", "temperature")
    return with_unit(conductivity_of_brine(salt, warm, brine), "S/m")


def conductivity_of_brine(salt: Numbers, warm: Numbers, brine: str) -> Any:
    """Conductivity [S/m] of a brine from floats in g/kg and degC; refused outside its range."""
    brine = choice(brine, _BRINES, "brine")
    for name, values, unit, (low, high) in zip(
        ("salinity", "temperature"), (salt, warm), ("g/kg", "degC"), _RANGES[brine], strict=True
    ):
        outside = np.ravel(np.asarray((values < low) | (values > high)))
        if outside.any():
            first = float(np.ravel(np.asarray(values))[np.flatnonzero(outside)[0]])
            raise ValueError(
                f"{name} is {first:g} {unit}, outside {low:g} to {high:g} {unit}, the range of the "
                f"equation for the brine {brine!r}; measure the conductivity and give it instead"
            )
    if brine == "sea":
        return series.apply(_sea_water_kernel, salt, warm, 0.0)
    molar_mass = _C["sodium_chloride_molar_mass"].value
    return series.apply(_sodium_chloride_kernel, salt, warm, molar_mass=molar_mass)


def _is_practical(salinity: Dimensional) -> bool:
    """Whether a salinity is marked as practical salinity."""
    if isinstance(salinity, str):
        return units.read_scalar(salinity)[1] == units.PRACTICAL_SALINITY
    given = str(getattr(salinity, "attrs", {}).get("units", "g/kg"))
    return units.canonical(given) == units.PRACTICAL_SALINITY


def mass_fraction(salinity: Dimensional) -> Any:
    """Salinity of a calibration brine as floats in g/kg; grams in a litre are refused."""
    return seawater.salinity_floats(salinity, brine=True)


# --------------------------------------------------------------------------------------------------
# Resistivity of a core at another temperature and pressure, through that of its pore water.
#
# Sea water has its own equation: the rule for sodium chloride in reservoirs is wrong by 12 %
# between 25 and 4 degC.


_SALT = constants.CONSTANTS["pore_water_salinity"]


def to_reference_temperature(
    dataset: xr.Dataset,
    temperature: Dimensional,
    *,
    reference: Scalar = "20 degC",
    salinity: Dimensional = _SALT,
    temperature_uncertainty: Scalar | None = None,
    salinity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Convert resistivities to one temperature.

    Parameters
    ----------
    dataset : Dataset
        Holds ``electrical_resistivity`` at the temperature of the core.
    temperature : Quantity, DataArray or str
        Temperature of the core when it was measured [degC].
    reference : Quantity or str
        Temperature of the result [degC].
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity of the pore water [g/kg].
    temperature_uncertainty : Quantity or str, optional
        Standard uncertainty [K]: random where each reading has its own temperature, effect
        ``laboratory_temperature`` where all readings share one. NaN if not given.
    salinity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/kg]; if not given, that of a Constant, otherwise NaN.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` as it was and ``electrical_resistivity_at_reference`` [ohm m].

    Raises
    ------
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho_r = rho sigma_w(S, T) / sigma_w(S, T_r), PSS-78 (UNESCO 1983). The formation factor is
    assumed constant, and the grains are assumed not to conduct.
    """
    return _converted(
        dataset,
        "electrical_resistivity_at_reference",
        (temperature, "0 dbar"),
        (reference, "0 dbar"),
        salinity,
        salinity_uncertainty,
        (given_uncertainty(temperature_uncertainty, "K", "temperature_uncertainty"), 0.0),
        "at the reference temperature, rho sigma_w(T) / sigma_w(T_r), PSS-78 (UNESCO 1983)",
        {"reference": reference},
    )


def in_situ(
    dataset: xr.Dataset,
    temperature: Dimensional,
    *,
    in_situ_temperature: Dimensional,
    in_situ_pressure: Dimensional,
    salinity: Dimensional = _SALT,
    temperature_uncertainty: Scalar | None = None,
    in_situ_temperature_uncertainty: Scalar | None = None,
    salinity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Convert resistivities to the temperature and pressure in the formation.

    Parameters
    ----------
    dataset : Dataset
        Holds ``electrical_resistivity`` at the temperature of the core.
    temperature : Quantity, DataArray or str
        Temperature of the core when it was measured [degC].
    in_situ_temperature, in_situ_pressure : Quantity, DataArray or str
        Temperature in the formation [degC], and pressure of the pore water above that of the air
        [dbar].
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity of the pore water [g/kg].
    temperature_uncertainty, in_situ_temperature_uncertainty : Quantity or str, optional
        Standard uncertainties [K]: random where each reading has its own temperature, effects
        ``laboratory_temperature`` and ``in_situ_temperature`` where all readings share one. NaN if
        not given.
    salinity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/kg]; if not given, that of a Constant, otherwise NaN.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` as it was and ``electrical_resistivity_in_situ`` [ohm m]; flagged
        ``beyond_calibration`` above 35 degC, the highest temperature of PSS-78.

    Raises
    ------
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho_i = rho sigma_w(S, T, 0) / sigma_w(S, T_i, p_i), PSS-78 (UNESCO 1983). The pores are assumed
    to keep their shape: the rebound of the core is not corrected. The error of the pressure is
    neglected: 10 dbar change the conductivity by 0.01 %.
    """
    return _converted(
        dataset,
        "electrical_resistivity_in_situ",
        (temperature, "0 dbar"),
        (in_situ_temperature, in_situ_pressure),
        salinity,
        salinity_uncertainty,
        (
            given_uncertainty(temperature_uncertainty, "K", "temperature_uncertainty"),
            given_uncertainty(
                in_situ_temperature_uncertainty, "K", "in_situ_temperature_uncertainty"
            ),
        ),
        "in situ, rho sigma_w(T, 0) / sigma_w(T_i, p_i), PSS-78 (UNESCO 1983)",
        {},
    )


def _converted(
    dataset: xr.Dataset,
    name: str,
    here: tuple[Dimensional, Dimensional],
    there: tuple[Dimensional, Dimensional],
    salinity: Dimensional,
    u_salinity: Scalar | None,
    u_temperature: tuple[Any, Any],
    step: str,
    used: dict[str, Any],
) -> xr.Dataset:
    """The measured and the converted resistivity in one Dataset.

    ``here`` and ``there`` are temperature and pressure of the measurement and of the result.
    """
    measured = series.unpack(dataset, "electrical_resistivity")
    series.require_same_positions(
        dataset=measured.values,
        temperature=here[0],
        in_situ_temperature=there[0],
        in_situ_pressure=there[1],
        salinity=salinity,
    )
    u_salt = given_uncertainty(u_salinity, "g/kg", "salinity_uncertainty", salinity)
    now, salt_now = _water(salinity, *here, u_salt, u_temperature[0])
    then, salt_then = _water(salinity, *there, u_salt, u_temperature[1], "in_situ_temperature")
    factor = without_coords(now.values) / without_coords(then.values)
    values = measured.values * factor
    relative: dict[str, Any] = {
        # The salinity is in numerator and denominator: only the difference of the slopes remains.
        "pore_water_salinity": (without_coords(salt_now) - without_coords(salt_then))
        * without_coords(u_salt)
    }
    ends = ((now, "laboratory_temperature", 1.0), (then, "in_situ_temperature", -1.0))
    for (end, source, sign), u in zip(ends, u_temperature, strict=True):
        # A reference temperature is exact.
        if source in end.effects and np.any(u != 0.0):
            relative[source] = (
                sign * without_coords(end.effects[source]) / without_coords(end.values)
            )
    effects = {source: without_coords(part) * factor for source, part in measured.effects.items()}
    for source, part in relative.items():
        effects[source] = effects.get(source, 0.0) + without_coords(values) * part
    random = (
        (without_coords(measured.u_random) * factor) ** 2
        + (without_coords(values) * now.u_random / without_coords(now.values)) ** 2
        + (without_coords(values) * then.u_random / without_coords(then.values)) ** 2
    ) ** 0.5
    reason = np.bitwise_or(np.bitwise_or(without_coords(measured.reason), now.reason), then.reason)
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
# Resistivity of pore water, and the formation factor of a core.


# Range of PSS-78: absolute salinity [g/kg], temperature [degC], pressure [dbar].
_RANGE = ((2.0, 42.2), (-2.0, 35.0), (0.0, 10000.0))
_STEP = 0.01  # of the central differences of a smooth equation, in g/kg and K


def _water_kernel(
    salinity: float | np.ndarray,
    temperature: float | np.ndarray,
    pressure: float | np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Conductivity of pore water [S/m] from g/kg, degC and dbar, its slopes and reasons.

    The slopes are d ln sigma / d salinity [kg/g] and d ln sigma / d temperature [1/K], by central
    differences. The reason is ``beyond_calibration`` outside PSS-78.
    """
    salinity, temperature, pressure = np.broadcast_arrays(salinity, temperature, pressure)
    sigma = np.asarray(_sea_water_kernel(salinity, temperature, pressure), dtype=float)
    # The conductivity of pure water is zero by PSS-78: a slope relative to it does not exist.
    known = np.where(sigma > 0.0, sigma, np.nan)
    by_salt = (
        _sea_water_kernel(salinity + _STEP, temperature, pressure)
        - _sea_water_kernel(np.maximum(salinity - _STEP, 0.0), temperature, pressure)
    ) / (known * (np.minimum(salinity, _STEP) + _STEP))
    by_warmth = (
        _sea_water_kernel(salinity, temperature + _STEP, pressure)
        - _sea_water_kernel(salinity, temperature - _STEP, pressure)
    ) / (2.0 * _STEP * known)
    outside = np.zeros(sigma.shape, dtype=bool)
    for values, (low, high) in zip((salinity, temperature, pressure), _RANGE, strict=True):
        outside = outside | (values < low) | (values > high)
    reason = np.where(outside, flags.bit("beyond_calibration"), 0).astype(np.int64)
    return sigma, by_salt, by_warmth, reason


def _water(
    salinity: Dimensional,
    temperature: Dimensional,
    pressure: Dimensional,
    u_salinity: Any,
    u_temperature: Any,
    source: str = "laboratory_temperature",
) -> tuple[Measured, Any]:
    """Conductivity of pore water [S/m] with its uncertainty, and d ln sigma / d salinity [kg/g].

    The error of a temperature that all readings share is systematic, with the name ``source``;
    where each reading has its own temperature, the error is random.
    """
    series.require_same_positions(salinity=salinity, temperature=temperature, pressure=pressure)
    salt = seawater.salinity_floats(salinity)
    warm = units.as_floats(temperature, "degC", "temperature")
    sigma, by_salt, by_warmth, reason = series.apply(
        _water_kernel,
        salt,
        warm,
        units.as_floats(pressure, "dbar", "pressure"),
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    slope_s, slope_t = (
        without_coords(sigma) * without_coords(by_salt),
        without_coords(sigma) * without_coords(by_warmth),
    )
    effects = {"pore_water_salinity": slope_s * without_coords(u_salinity)}
    random: Any = 0.0
    if np.ndim(warm):
        random = abs(slope_t * without_coords(u_temperature))
    else:
        effects[source] = slope_t * without_coords(u_temperature)
    return Measured(sigma, random, effects, without_coords(reason)), by_salt


def pore_water_resistivity(
    salinity: Dimensional,
    temperature: Dimensional,
    pressure: Dimensional = "0 dbar",
    *,
    salinity_uncertainty: Scalar | None = None,
    temperature_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Electrical resistivity of pore water that has the composition of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity [g/kg].
    temperature : Quantity, DataArray or str
        Temperature of the pore water [degC].
    pressure : Quantity, DataArray or str
        Pressure of the sea, zero at the surface [dbar].
    salinity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty, effect ``pore_water_salinity`` [g/kg]. If not given, that
        of a Constant, otherwise NaN.
    temperature_uncertainty : Quantity or str, optional
        Standard uncertainty [K]: random where each reading has its own temperature, effect
        ``laboratory_temperature`` where all readings share one. NaN if not given.

    Returns
    -------
    Dataset
        ``pore_water_resistivity`` [ohm m]; outside the range of PSS-78 (2 to 42 g/kg, -2 to
        35 degC, up to 10 000 dbar) flagged ``beyond_calibration``.

    Raises
    ------
    PositionError
        When the series lie at different positions.

    Notes
    -----
    One over the conductivity of PSS-78 (UNESCO 1983),
    :func:`corephys.ground.seawater.conductivity`.
    """
    found, _ = _water(
        salinity,
        temperature,
        pressure,
        given_uncertainty(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
        given_uncertainty(temperature_uncertainty, "K", "temperature_uncertainty"),
    )
    return series.build(
        {"pore_water_resistivity": _reciprocal(found)},
        steps=("rho_w = 1 / sigma_w, PSS-78 (UNESCO 1983)",),
        constants={"salinity": (salinity, salinity_uncertainty)},
    )


def _reciprocal(found: Measured) -> Measured:
    """Resistivity from conductivity, or conductivity from resistivity."""
    slope = -1.0 / without_coords(found.values) ** 2
    u_random, effects = combine([(slope, found)])
    return Measured(1.0 / found.values, u_random, effects, found.reason)


def formation_factor(
    resistivity: Measurement | str,
    *,
    pore_water_resistivity: Measurement | str | None = None,
    salinity: Dimensional | None = None,
    temperature: Dimensional | None = None,
    resistivity_uncertainty: Dimensional | None = None,
    pore_water_resistivity_uncertainty: Scalar | None = None,
    salinity_uncertainty: Scalar | None = None,
    temperature_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Formation factor, the resistivity of a core over that of its pore water.

    Parameters
    ----------
    resistivity : Dataset, DataArray, Quantity or str
        ``electrical_resistivity`` of the core at its temperature [ohm m]; a Dataset includes its
        uncertainty and reasons.
    pore_water_resistivity : Dataset, DataArray, Quantity or str, optional
        Resistivity of the pore water at the same temperature [ohm m].
    salinity, temperature : Quantity, DataArray or str, optional
        Absolute salinity of the pore water [g/kg] and temperature of the core when it was measured
        [degC], where the resistivity of the pore water is not given.
    resistivity_uncertainty : Quantity or DataArray, optional
        Random standard uncertainty of a resistivity that is not a Dataset [ohm m].
    pore_water_resistivity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of a pore water that is not a Dataset [ohm m].
    salinity_uncertainty, temperature_uncertainty : Quantity or str, optional
        Standard uncertainties [g/kg], [K], as in :func:`pore_water_resistivity`.

    Returns
    -------
    Dataset
        ``formation_factor`` [1].

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When neither the resistivity of the pore water nor salinity and temperature are given.

    Notes
    -----
    F = rho / rho_w at one temperature: Archie (1942) Trans. AIME 146, 54. Where the grains conduct,
    this apparent factor is too low; see :func:`surface_conduction_fit`.
    """
    if pore_water_resistivity is None:
        if salinity is None or temperature is None:
            raise ValueError(
                f"{'salinity' if salinity is None else 'temperature'} is missing; give "
                "pore_water_resistivity, or salinity of the pore water and temperature of the core "
                "when it was measured"
            )
        found, _ = _water(
            salinity,
            temperature,
            "0 dbar",
            given_uncertainty(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
            given_uncertainty(temperature_uncertainty, "K", "temperature_uncertainty"),
        )
        pore = _reciprocal(found)
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
        # One pore water for all readings: its unknown error is a systematic one.
        pore.u_random, pore.effects = 0.0, {"pore_water_resistivity": float("nan")}
    core.values, pore.values = series.at_one_place(core.values, pore.values)
    factor = core.values / pore.values
    u_random, effects = combine(
        [(1.0 / pore.values, core), (-without_coords(factor) / without_coords(pore.values), pore)]
    )
    reason = np.bitwise_or(without_coords(core.reason), without_coords(pore.reason))
    return series.build(
        {"formation_factor": Measured(factor, u_random, effects, reason)},
        steps=("F = rho / rho_w at the temperature of the core (Archie 1942)",),
    )


def _exponent_kernel(
    factor: float | np.ndarray, porosity: float | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cementation exponent of each reading, NaN where it does not exist, and reasons."""
    factor, porosity = np.broadcast_arrays(factor, porosity)
    impossible = (factor <= 0.0) | (porosity <= 0.0) | (porosity >= 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        m = -np.log(factor) / np.log(porosity)
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    return np.where(impossible, np.nan, m), reason


def _logarithm(porosity: float | np.ndarray) -> Any:
    """Logarithm of a porosity, NaN where it is not positive."""
    return np.log(np.where(np.asarray(porosity) > 0.0, porosity, np.nan))


def cementation_exponent(
    formation_factor: Measurement | str,
    porosity: Measurement | str,
    *,
    formation_factor_uncertainty: Dimensional | None = None,
    porosity_uncertainty: Dimensional | None = None,
) -> xr.Dataset:
    """Cementation exponent of each reading, with a = 1.

    Parameters
    ----------
    formation_factor, porosity : Dataset, DataArray, Quantity or str
        Pure numbers [1]; a Dataset includes its uncertainty and reasons.
    formation_factor_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random standard uncertainties of arguments that are not a Dataset [1].

    Returns
    -------
    Dataset
        ``cementation_exponent`` [1]; NaN and ``impossible_value`` for a porosity of 0 or below, or
        of 1 or above.

    Raises
    ------
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
        _exponent_kernel, f.values, phi.values, outputs=2, dtypes=[float, np.int64]
    )
    log_phi = series.apply(_logarithm, without_coords(phi.values))
    u_random, effects = combine(
        [
            (-1.0 / (without_coords(f.values) * log_phi), f),
            (-without_coords(m) / (without_coords(phi.values) * log_phi), phi),
        ]
    )
    reason = np.bitwise_or(
        np.bitwise_or(without_coords(found), without_coords(f.reason)), without_coords(phi.reason)
    )
    return series.build(
        {"cementation_exponent": Measured(m, u_random, effects, reason)},
        steps=("m = -ln F / ln phi, a = 1 (Archie 1942)",),
    )
