"""Columns of water and of drilling fluid: density in situ, and pressure at their base."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, seawater, series, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import choice, plain_words
from corephys.products.stress.column import inside, integral
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = [
    "equivalent_density",
    "fluid_column_pressure",
    "in_situ_water_density",
]

_C = constants.CONSTANTS
_DATUMS = ("sea_level", "seafloor")
_MEAN_WATER = 1.04  # g/cm^3, see the notes of in_situ_water_density


def places(at: xr.Dataset | Dimensional) -> xr.DataArray:
    """Series of zeros at the positions of ``at``, or at depths [m], with the coordinate depth."""
    if isinstance(at, (xr.Dataset, xr.DataArray)) and "depth" in at.coords:
        found = at["depth"].astype(float)
        z = np.asarray(units.as_floats(at["depth"], "m", "depth"), dtype=float)
        kept = found.copy(deep=False, data=np.zeros(z.shape)).drop_attrs(deep=False)
        kept.name = None
        return kept.assign_coords(depth=(found.dims, z, {"units": "m"}))
    z = np.atleast_1d(np.asarray(without_coords(units.as_floats(at, "m", "depth")), dtype=float))
    where = ("reading", z, {"units": "m"})
    return xr.DataArray(np.zeros(z.size), dims="reading", coords={"depth": where})


def pressure_of_column(density: float, gravity: float, height: Any) -> Any:
    """Pressure [dbar] below a column of one density, above that at its upper end.

    Density in g/cm^3, gravity in m/s^2, height in m. Hydrostatics, p = rho g h (definition).
    """
    # g/cm^3 x 1e3 is kg/m^3, 1 dbar is 1e4 Pa.
    return density * 1e3 * gravity * height / 1e4


def in_situ_water_density(
    at: xr.Dataset | Dimensional,
    *,
    salinity: Scalar,
    seafloor_temperature: Scalar,
    water_depth: Scalar,
    temperature_gradient: Scalar = "0 K/km",
    salinity_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
) -> xr.Dataset:
    """Density of pore water in situ, from salinity, temperature and pressure.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity, (reading)
        Depths below seafloor [m], increasing.
    salinity : Quantity or str
        Absolute salinity [g/kg].
    seafloor_temperature : Quantity or str
        Temperature at the seafloor [degC].
    water_depth : Quantity or str
        Water depth [m].
    temperature_gradient : Quantity or str
        Temperature gradient below the seafloor [K/km].
    salinity_uncertainty : Quantity or str, optional
        Standard uncertainty of the salinity [g/kg], effect ``pore_water_density``; unknown gives
        NaN.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].

    Returns
    -------
    Dataset, (reading)
        ``pore_water_density`` [g/cm^3] by depth.

    Raises
    ------
    ValueError
        For depths that do not increase, or lie above the seafloor.

    Notes
    -----
    TEOS-10 (IOC, SCOR and IAPSO 2010) with the hydrostatic pressure of water of a mean density of
    1.04 g/cm^3: a pressure wrong by one per cent moves the density by 0.02 % at 5 km.
    """
    where = places(at)
    z = where["depth"].values
    if np.any(np.diff(z) <= 0.0) or np.any(z < 0.0):
        raise ValueError(
            f"the {z.size} depths of at run from {z.flat[0]:g} to {z.flat[-1]:g} m; they have to "
            "increase from the seafloor: sort them, and give each depth once"
        )
    salt = seawater.salinity_floats(salinity)
    g = float(positive(gravity, "m/s^2", "gravity"))
    above = float(positive(water_depth, "m", "water_depth", zero=True))
    slope = float(units.as_floats(temperature_gradient, "K/km", "temperature_gradient"))
    warm = float(units.as_floats(seafloor_temperature, "degC", "seafloor_temperature"))
    pressure = pressure_of_column(_MEAN_WATER, g, above + z)
    state = (warm + slope * z / 1000.0, pressure)  # degC, dbar
    found = seawater.density.kernel(salt, *state)
    more = seawater.density.kernel(salt + 1.0, *state)
    u = (more - found) * given_uncertainty(salinity_uncertainty, "g/kg", "salinity_uncertainty")
    return series.build(
        {"pore_water_density": Measured(where.copy(data=found), 0.0, {"pore_water_density": u})},
        steps=("density of sea water (TEOS-10) at hydrostatic pressure",),
        constants={
            "salinity": (salinity, salinity_uncertainty),
            "water_depth": water_depth,
            "seafloor_temperature": seafloor_temperature,
            "gravity": gravity,
            "temperature_gradient": temperature_gradient,
        },
    )


def pressure_halfway(water_depth: float) -> float:
    """Pressure [dbar] of the sea halfway from its surface to the seafloor, depth in m.

    With 1.02 g/cm^3 and 9.81 m/s^2: it serves the density of the water alone, which a pressure
    wrong by one per cent moves by 0.02 % at 5 km.
    """
    return pressure_of_column(1.02, 9.81, 0.5 * water_depth)


def water_above(
    pore_water_density: xr.Dataset | Scalar, target: np.ndarray, uncertainty: Scalar | None = None
) -> tuple[np.ndarray, dict[str, np.ndarray], float]:
    """Mass of pore water above each depth [m] for each area, its effects, and the density on top.

    Mass and effects in g/cm^3 m, density in g/cm^3. A Dataset has ``pore_water_density`` by depth.
    """
    if not isinstance(pore_water_density, xr.Dataset):
        rho = float(positive(pore_water_density, "g/cm^3", "pore_water_density", zero=True))
        u = float(
            given_uncertainty(
                uncertainty, "g/cm^3", "pore_water_density_uncertainty", pore_water_density
            )
        )
        return rho * target, {"pore_water_density": u * target}, rho
    water = series.unpack(pore_water_density, "pore_water_density")
    z = np.asarray(units.as_floats(pore_water_density["depth"], "m", "depth"), dtype=float)
    if np.any(np.diff(z) <= 0.0):
        raise ValueError(
            "the depths of pore_water_density have to increase; sort them, and give each once"
        )
    at = inside(z, target)
    values = np.asarray(without_coords(water.values), dtype=float)

    def whole(part: Any) -> np.ndarray:
        return integral(
            z, np.broadcast_to(np.asarray(without_coords(part), dtype=float), z.shape), at
        )

    effects = {source: whole(effect) for source, effect in water.effects.items()}
    return integral(z, values, at), effects, float(values[0])


def fluid_column_pressure(
    at: xr.Dataset | Dimensional,
    *,
    drilling_fluid_density: Scalar,
    water_depth: Scalar,
    column_from: str,
    drilling_fluid_density_uncertainty: Scalar | None = None,
    water_depth_uncertainty: Scalar | None = None,
    sea_water_density: Scalar = _C["sea_water_column_density"],
    sea_water_density_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
    gravity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Pressure at the bottom of a column of drilling fluid at rest.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity, (reading)
        Depths below seafloor [m].
    drilling_fluid_density : Quantity or str
        Density of the drilling fluid [g/cm^3].
    water_depth : Quantity or str
        Water depth [m].
    column_from : {"seafloor", "sea_level"}
        Top of the column of fluid: the seafloor for an open hole with sea water above it, or sea
        level for a pipe that reaches sea level.
    drilling_fluid_density_uncertainty, water_depth_uncertainty : Quantity or str, optional
        Effects ``drilling_fluid_density`` [g/cm^3] and ``water_depth`` [m]; unknown gives NaN.
    sea_water_density : Quantity, str or Constant
        Mean density of the water column [g/cm^3].
    sea_water_density_uncertainty, gravity_uncertainty : Quantity or str, optional
        Effects ``sea_water_density`` [g/cm^3] and ``gravity`` [m/s^2]; those of the constants,
        else NaN.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].

    Returns
    -------
    Dataset, (reading)
        ``fluid_column_pressure`` [kPa] above air pressure; NaN above the top of the column.
        Research estimate; not for well control, mud weight, casing, slope or structural decisions;
        follow local codes and licensed practice.

    Raises
    ------
    ValueError
        For another top of the column, or a density that is not above zero.

    Notes
    -----
    P = g (rho_sw z_w + rho_f z) from the seafloor, g rho_f (z_w + z) from sea level: hydrostatics
    (definition). Flow, cuttings and the circulation of the fluid are not included.
    """
    column_from = choice(column_from, _DATUMS, "column_from")
    where = places(at)
    z = where["depth"].values
    rho = float(positive(drilling_fluid_density, "g/cm^3", "drilling_fluid_density"))
    sea = float(positive(sea_water_density, "g/cm^3", "sea_water_density"))
    above = float(positive(water_depth, "m", "water_depth", zero=True))
    g = float(positive(gravity, "m/s^2", "gravity"))
    riser = column_from == "sea_level"
    length = z + above if riser else z
    length = np.where(length >= 0.0, length, np.nan)
    pressure = g * (rho * length + (0.0 if riser else sea * above))
    effects = {
        "drilling_fluid_density": g
        * length
        * given_uncertainty(
            drilling_fluid_density_uncertainty,
            "g/cm^3",
            "drilling_fluid_density_uncertainty",
            drilling_fluid_density,
        ),
        "water_depth": np.full(
            z.shape,
            g
            * (rho if riser else sea)
            * given_uncertainty(water_depth_uncertainty, "m", "water_depth_uncertainty"),
        ),
        "gravity": pressure
        / g
        * given_uncertainty(gravity_uncertainty, "m/s^2", "gravity_uncertainty", gravity),
    }
    if not riser:
        u_sea = given_uncertainty(
            sea_water_density_uncertainty,
            "g/cm^3",
            "sea_water_density_uncertainty",
            sea_water_density,
        )
        effects["sea_water_density"] = np.full(z.shape, g * above * u_sea)
    return series.build(
        {"fluid_column_pressure": Measured(where.copy(data=pressure), 0.0, effects)},
        steps=(f"weight of a column of fluid at rest, from {plain_words(column_from)}",),
        constants={
            "drilling_fluid_density": (drilling_fluid_density, drilling_fluid_density_uncertainty),
            "water_depth": (water_depth, water_depth_uncertainty),
            "gravity": (gravity, gravity_uncertainty),
            **(
                {}
                if riser
                else {"sea_water_density": (sea_water_density, sea_water_density_uncertainty)}
            ),
        },
        column_from=column_from,
        safety=RESEARCH_ONLY,
    )


def equivalent_density(
    pressure: Measurement,
    at: xr.Dataset | Dimensional | None = None,
    *,
    datum: str,
    quantity: str = "fluid_column_pressure",
    water_depth: Scalar,
    pressure_uncertainty: Scalar | None = None,
    water_depth_uncertainty: Scalar | None = None,
    sea_water_density: Scalar = _C["sea_water_column_density"],
    sea_water_density_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
    gravity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Density of a column of fluid that would have a given pressure at its base.

    Parameters
    ----------
    pressure : Dataset, DataArray or Quantity, (reading)
        Pressure from sea level, above air pressure [kPa].
    at : Dataset, DataArray or Quantity, optional
        Depths below seafloor [m]; those of ``pressure`` where not given.
    datum : {"sea_level", "seafloor"}
        Top of the column: one pressure has two equivalent densities.
    quantity : str
        Name of the pressure in a Dataset.
    water_depth : Quantity or str
        Water depth [m].
    pressure_uncertainty, water_depth_uncertainty : Quantity or str, optional
        Random [kPa]; effect ``water_depth`` [m]; unknown gives NaN.
    sea_water_density : Quantity, str or Constant
        Mean density of the water column [g/cm^3], for the datum at the seafloor.
    sea_water_density_uncertainty, gravity_uncertainty : Quantity or str, optional
        Effects ``sea_water_density`` [g/cm^3] and ``gravity`` [m/s^2].
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].

    Returns
    -------
    Dataset, (reading)
        ``equivalent_density`` [g/cm^3], NaN where the column has no length. Research estimate;
        not for well control, mud weight, casing, slope or structural decisions.

    Raises
    ------
    ValueError
        For another datum, or another number of depths than of pressures.

    Notes
    -----
    rho = P / (g (z_w + z)) from sea level and (P - rho_sw g z_w) / (g z) from the seafloor:
    hydrostatics (definition). Errors that the pressure shares with the water column cancel.
    """
    datum = choice(datum, _DATUMS, "datum")
    where = places(pressure if at is None else at)
    z = where["depth"].values
    named = quantity if isinstance(pressure, xr.Dataset) else "fluid_column_pressure"
    p = series.unpack(pressure, named, uncertainty_given=pressure_uncertainty)
    sea = float(positive(sea_water_density, "g/cm^3", "sea_water_density"))
    above = float(positive(water_depth, "m", "water_depth", zero=True))
    g = float(positive(gravity, "m/s^2", "gravity"))
    from_sea = datum == "sea_level"
    length = z + above if from_sea else z
    length = np.where(length > 0.0, length, np.nan)
    water = 0.0 if from_sea else sea * above
    values = np.asarray(without_coords(p.values), dtype=float)
    if values.shape not in ((), z.shape):
        raise ValueError(
            f"{values.size} pressures and {z.size} depths do not make pairs; give one each"
        )
    found = (values / g - water) / length
    u_water = given_uncertainty(water_depth_uncertainty, "m", "water_depth_uncertainty")
    u_sea = given_uncertainty(
        sea_water_density_uncertainty, "g/cm^3", "sea_water_density_uncertainty", sea_water_density
    )
    u_g = given_uncertainty(gravity_uncertainty, "m/s^2", "gravity_uncertainty", gravity)
    shift = -found / length if from_sea else -sea / length
    terms = [
        (1.0 / (g * length), p),
        (shift, Measured(above, 0.0, {"water_depth": u_water})),
        (-values / g**2 / length, Measured(g, 0.0, {"gravity": u_g})),
    ]
    if not from_sea:
        terms.append((-above / length, Measured(sea, 0.0, {"sea_water_density": u_sea})))
    random, effects = combine(terms)
    return series.build(
        {
            "equivalent_density": Measured(
                where.copy(data=found), random, effects, without_coords(p.reason)
            )
        },
        steps=(f"density of a column of fluid at rest, from {plain_words(datum)}",),
        constants={
            "water_depth": (water_depth, water_depth_uncertainty),
            "gravity": (gravity, gravity_uncertainty),
            **(
                {}
                if from_sea
                else {"sea_water_density": (sea_water_density, sea_water_density_uncertainty)}
            ),
        },
        datum=datum,
        safety=RESEARCH_ONLY,
    )
