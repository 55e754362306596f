"""P-wave velocity at the pressure and temperature in the formation, through that of its water."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, provenance, seawater, series, units
from corephys.ground.choices import choice
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["in_situ_velocity"]

_FORMS = ("ratio", "slowness")
_SALT = constants.CONSTANTS["pore_water_salinity"]
_GRAVITY = constants.CONSTANTS["gravity"]
# Half the steps of the central differences: small beside the curvature of the equation of state,
# large beside the rounding of its polynomials.
_STEPS = {"g/kg": 0.01, "degC": 0.01, "dbar": 1.0}


def in_situ_velocity(
    velocity: Measurement | str,
    *,
    laboratory_temperature: Dimensional,
    in_situ_temperature: Dimensional,
    in_situ_pressure: Dimensional | None = None,
    water_depth: Scalar | None = None,
    form: str = "ratio",
    porosity: Measurement | str | None = None,
    salinity: Dimensional = _SALT,
    laboratory_temperature_uncertainty: Scalar | None = None,
    in_situ_temperature_uncertainty: Scalar | None = None,
    in_situ_pressure_uncertainty: Scalar | None = None,
    salinity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Convert velocities to the temperature and pressure in the formation.

    Parameters
    ----------
    velocity : Dataset, DataArray or str
        ``p_wave_velocity`` at the temperature of the core [m/s].
    laboratory_temperature, in_situ_temperature : Quantity, DataArray or str
        Temperature of the core when it was measured, and in the formation [degC].
    in_situ_pressure : Quantity, DataArray or str, optional
        Pressure of the pore water above that of the air [dbar].
    water_depth : Quantity or str, optional
        Depth of the seafloor [m], in place of the pressure. The pressure is then that of a column
        of water down to the coordinate ``depth`` of the velocities.
    form : {"ratio", "slowness"}
        With ``ratio`` the velocity of the core changes by the same factor as that of its water;
        with ``slowness`` only the travel time in the pores changes.
    porosity : Dataset, DataArray or str, optional
        Fraction at the same positions, needed for ``slowness``.
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity of the pore water [g/kg].
    laboratory_temperature_uncertainty, in_situ_temperature_uncertainty : Quantity or str, optional
        Standard uncertainties [K]. They are random where each reading has its own temperature,
        and effects of these names where all readings share one. NaN if not given.
    in_situ_pressure_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [dbar]; NaN if not given.
    salinity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/kg]; if not given, that of a Constant, otherwise NaN.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` as it was and ``p_wave_velocity_in_situ`` [m/s].

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        For an unknown form, ``slowness`` without porosity, both or neither of pressure and water
        depth, or a porosity, pressure or salinity outside its possible range.

    Notes
    -----
    ratio: V_is = V c_is / c_lab (Hamilton 1971, Journal of Geophysical Research 76, 579; from
    memory); slowness: 1 / V_is = 1 / V + phi (1 / c_is - 1 / c_lab), common practice; c is the
    velocity of the pore water (TEOS-10, 2010). Pressure from depth: rho g (water depth + depth),
    rho that of the water halfway down. Neither form corrects the rebound of the core, whose pores
    have opened: at depth it is often the larger correction.
    """
    form = choice(form, _FORMS, "form")
    measured = series.unpack(velocity, "p_wave_velocity")
    holes = _porosity(form, porosity)
    series.require_same_positions(
        velocity=measured.values,
        porosity=holes and holes.values,
        salinity=salinity,
        laboratory_temperature=laboratory_temperature,
        in_situ_temperature=in_situ_temperature,
        in_situ_pressure=in_situ_pressure,
    )
    pressure = _pressure(
        in_situ_pressure, water_depth, measured.values, salinity, in_situ_temperature
    )
    u = [
        given_uncertainty(salinity_uncertainty, "g/kg", "salinity_uncertainty", salinity),
        given_uncertainty(
            laboratory_temperature_uncertainty, "K", "laboratory_temperature_uncertainty"
        ),
        given_uncertainty(in_situ_temperature_uncertainty, "K", "in_situ_temperature_uncertainty"),
        given_uncertainty(in_situ_pressure_uncertainty, "dbar", "in_situ_pressure_uncertainty"),
    ]
    here = _water(salinity, laboratory_temperature, "0 dbar", (u[0], u[1], 0.0), "laboratory")
    there = _water(salinity, in_situ_temperature, pressure, (u[0], *u[2:]), "in_situ")
    _possible(holes, pressure)
    values, terms = _carried(measured, here, there, holes)
    random, effects = combine(terms)
    reason = without_coords(measured.reason)
    if holes is not None:
        bad = np.isin(
            flags.from_reason(np.asarray(without_coords(holes.reason))), (flags.BAD, flags.MISSING)
        )
        # The measured velocity keeps its flag; only the converted one depends on the porosity.
        reason = reason | np.where(bad, flags.bit("input_bad"), 0)
    used: dict[str, Any] = {"form": form, "salinity": (salinity, salinity_uncertainty)}
    if water_depth is not None:
        used.update(water_depth=water_depth, gravity=_GRAVITY)
    return _result(velocity, measured, Measured(values, random, effects, reason), used)


def _possible(holes: Measured | None, pressure: Dimensional) -> None:
    """Refuse a porosity outside 0 to 1 and a negative pressure."""
    phi = None if holes is None else np.asarray(without_coords(holes.values), dtype=float)
    if phi is not None and np.any((phi < 0.0) | (phi > 1.0)):
        raise ValueError(
            f"porosity is {np.nanmin(phi):g} to {np.nanmax(phi):g}; expected a fraction from 0 to "
            "1. Divide per cent by 100, and set impossible values to NaN"
        )
    deep = units.as_floats(pressure, "dbar", "in_situ_pressure")
    if np.any(np.asarray(without_coords(deep), dtype=float) < 0.0):
        raise ValueError(
            "in_situ_pressure is below zero; give the pressure above that of the air, in dbar"
        )


_STEP = {
    "ratio": "in situ, V c_is / c_lab; rebound not included",
    "slowness": "in situ, 1 / V_is = 1 / V + phi (1 / c_is - 1 / c_lab); rebound not included",
}


def _result(
    velocity: object, measured: Measured, found: Measured, used: dict[str, Any]
) -> xr.Dataset:
    """Both velocities in one Dataset, with the steps and constants of the first."""
    attributes = velocity.attrs if isinstance(velocity, xr.Dataset) else {}
    steps = json.loads(attributes.get("steps", "[]"))
    return series.build(
        {"p_wave_velocity": measured, "p_wave_velocity_in_situ": found},
        steps=(*steps, _STEP[used["form"]]),
        constants={**provenance.used_constants(attributes), **used},
    )


def _porosity(form: str, porosity: Measurement | str | None) -> Measured | None:
    """Porosity where the form needs it."""
    if form == "ratio":
        return None
    if porosity is None:
        raise ValueError("form='slowness' needs the porosity at the same positions; give porosity")
    return series.unpack(porosity, "porosity")


def _pressure(
    given: Dimensional | None,
    water_depth: Scalar | None,
    velocity: Any,
    salinity: Dimensional,
    warmth: Dimensional,
) -> Dimensional:
    """Pressure of the pore water with its unit, as given or from the depth."""
    if given is not None and water_depth is not None:
        raise ValueError("in_situ_pressure and water_depth are both given; give one of them")
    if given is None and water_depth is None:
        raise ValueError(
            "no pressure is given: give in_situ_pressure, such as '4100 dbar', or water_depth"
        )
    if given is not None:
        return given
    if "depth" not in getattr(velocity, "coords", {}):
        raise ValueError(
            "water_depth needs the coordinate 'depth' of the velocities, which is missing; give "
            "in_situ_pressure instead"
        )
    below = units.as_floats(velocity["depth"], "m", "depth")
    column = below + float(units.as_floats(water_depth, "m", "water_depth"))
    halfway = (0.5 * column).assign_attrs(units="dbar")  # some 1 % beside the true pressure
    density = seawater.density_si(*seawater.state_floats(salinity, warmth, halfway))
    return (density * _GRAVITY.value * column * 1e-4).assign_attrs(units="dbar")


def _water(salinity: Any, warmth: Any, pressure: Any, u: tuple[Any, ...], place: str) -> Measured:
    """Velocity of the pore water [m/s] with its uncertainty.

    The error of a temperature that all readings share is systematic; where each reading has its
    own temperature, the error is random.
    """
    at = {
        "g/kg": seawater.salinity_floats(salinity),
        "degC": units.as_floats(warmth, "degC", f"{place}_temperature"),
        "dbar": units.as_floats(pressure, "dbar", f"{place}_pressure"),
    }
    # A step below fresh water would leave the range of the equation.
    around = {**at, "g/kg": np.maximum(at["g/kg"], _STEPS["g/kg"])}
    slopes = [
        without_coords(_speed(around, unit, step) - _speed(around, unit, -step)) / (2.0 * step)
        for unit, step in _STEPS.items()
    ]
    parts = [slope * without_coords(sigma) for slope, sigma in zip(slopes, u, strict=True)]
    effects = {"pore_water_salinity": parts[0]}
    if place == "in_situ":
        effects["in_situ_pressure"] = parts[2]
    random: Any = 0.0
    if np.ndim(at["degC"]):
        random = abs(parts[1])
    else:
        effects[f"{place}_temperature"] = parts[1]
    return Measured(_speed(at), random, effects)


def _speed(at: dict[str, Any], moved: str = "", by: float = 0.0) -> Any:
    """Velocity of water [m/s], with the variable of one unit moved by a step."""
    values = {unit: value + by if unit == moved else value for unit, value in at.items()}
    return series.apply(_sound, values["g/kg"], values["degC"], values["dbar"])


def _sound(salinity: Any, warmth: Any, pressure: Any) -> Any:
    return seawater.sound_speed.kernel(salinity, warmth, pressure)


def _carried(
    measured: Measured, here: Measured, there: Measured, holes: Measured | None
) -> tuple[Any, list[tuple[Any, Measured]]]:
    """Velocity in the formation, and its derivatives paired with their inputs."""
    v, lab, far = (without_coords(part.values) for part in (measured, here, there))
    if holes is None:
        # The ratio needs no porosity: all of the core changes like its water.
        values = measured.values * (far / lab)
        found = without_coords(values)
        return values, [(far / lab, measured), (found / far, there), (-found / lab, here)]
    phi = without_coords(holes.values)
    change = 1.0 / far - 1.0 / lab
    values = 1.0 / (1.0 / measured.values + phi * change)
    square = without_coords(values) ** 2
    return values, [
        (square / v**2, measured),
        (-square * change, holes),
        (square * phi / far**2, there),
        (-square * phi / lab**2, here),
    ]
