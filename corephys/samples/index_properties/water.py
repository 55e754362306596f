"""Pore water at the samples, and the correction for water between clay layers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, seawater, series, units
from corephys.ground.arguments import measured_fraction
from corephys.ground.laws import law
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Measurement, Numbers, Scalar

__all__ = ["pore_water_at", "porosity_without_interlayer_water", "water_by_exchange_capacity"]

# --------------------------------------------------------------------------------------------------
# Salinity of the pore water at samples, from a table by depth.


def pore_water_at(
    depth: Dimensional,
    table_depth: Dimensional,
    salinity: Dimensional,
    *,
    temperature: Dimensional = "20 degC",
    salinity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Salinity and density of the pore water at the depths of samples.

    Parameters
    ----------
    depth : DataArray or Quantity, (reading)
        Depth of the samples [m].
    table_depth, salinity : DataArray or Quantity, (row)
        Depth of the pore-water samples [m] and their absolute salinity [g/kg]; rows with a missing
        number are left out.
    temperature : Quantity, DataArray or str
        Temperature at which the samples were weighed [degC].
    salinity_uncertainty : Quantity or str, optional
        Standard uncertainty of one salinity [g/kg]; NaN if not given.

    Returns
    -------
    Dataset, (reading)
        ``salinity`` [g/kg], ``pore_water_density`` [g/cm^3], ``salinity_uncertainty`` [g/kg] and
        ``reason``: ``interpolated_input`` above the first and below the last row, where the value
        of that row is used. The first two are arguments of
        :func:`corephys.index_properties.phase_relations`.

    Raises
    ------
    ValueError
        When no row has both numbers.

    Notes
    -----
    Linear in depth between rows, with the uncertainty of the two rows by their weights; density of
    TEOS-10 at the surface (:func:`corephys.ground.seawater.density`).
    """
    at = np.atleast_1d(
        np.asarray(without_coords(units.as_floats(depth, "m", "depth")), dtype=float)
    )
    z, salt = (
        np.atleast_1d(np.asarray(without_coords(values), dtype=float))
        for values in (
            units.as_floats(table_depth, "m", "table_depth"),
            seawater.salinity_floats(salinity),
        )
    )
    known = np.isfinite(z) & np.isfinite(salt)
    if not known.any():
        raise ValueError(
            f"none of {z.size} rows of the table of pore water has both depth and salinity; give "
            "one or more"
        )
    order = np.argsort(z[known], kind="stable")
    z, salt = z[known][order], salt[known][order]
    found = np.interp(at, z, salt)
    u = units.as_floats(salinity_uncertainty, "g/kg", "salinity_uncertainty", optional=True)
    weight = np.ones(at.shape)
    if z.size > 1:
        right = np.clip(np.searchsorted(z, at), 1, z.size - 1)
        gap = z[right] - z[right - 1]
        share = np.clip((at - z[right - 1]) / np.where(gap > 0, gap, 1.0), 0.0, 1.0)
        weight = np.sqrt(share**2 + (1.0 - share) ** 2)
    reason = np.where((at < z[0]) | (at > z[-1]), flags.bit("interpolated_input"), 0)
    warm = np.asarray(
        without_coords(units.as_floats(temperature, "degC", "temperature")), dtype=float
    )
    water = seawater.density(
        units.quantity(found, "g/kg"), units.quantity(np.broadcast_to(warm, at.shape), "degC")
    )
    like = depth if isinstance(depth, xr.DataArray) else xr.DataArray(at, dims="reading")
    result = xr.Dataset(coords=units.position_in_library_units(like).coords)
    columns = {
        "salinity": (found, "g/kg", "absolute salinity of the pore water"),
        "pore_water_density": (water.magnitude, "g/cm^3", "density of the pore water"),
        "salinity_uncertainty": (
            weight * (np.nan if u is None else float(u)),
            "g/kg",
            "uncertainty of the salinity",
        ),
    }
    for name, (values, unit, words) in columns.items():
        result[name] = ("reading", values, {"units": unit, "long_name": words})
    result["reason"] = (
        "reading",
        reason.astype(np.int64),
        flags.reason_attributes("the pore water"),
    )
    return result


# --------------------------------------------------------------------------------------------------
# Water between clay layers, which drying removes with the pore water: an opt-in correction.


_C = constants.CONSTANTS


@law("1", exchange_capacity="mol/kg", water_per_charge="1")
def water_by_exchange_capacity(
    exchange_capacity: Dimensional,
    *,
    water_per_charge: Fraction = _C["interlayer_water_per_charge"],
) -> Numbers:
    """Interlayer water per mass of dried solids from the cation exchange capacity.

    Parameters
    ----------
    exchange_capacity : Quantity, DataArray or str
        Moles of charge per mass of dried solids [mol/kg]; 100 milliequivalents in 100 g are
        1 mol/kg.
    water_per_charge : float or Constant
        Number of water molecules per charge, dimensionless.

    Returns
    -------
    float, ndarray or DataArray
        Mass of water per mass of dried solids, dimensionless.

    Notes
    -----
    n M C with M = 18.015 g/mol and n = 15: the relation used by Henry (1997) for smectites of deep
    boreholes, from memory.

    Examples
    --------
    >>> round(water_by_exchange_capacity("0.3 mol/kg"), 5)
    0.08107
    """
    # The molar mass is in g/mol, the capacity in mol/kg: 1000 turns g into kg.
    return exchange_capacity * water_per_charge * _C["water_molar_mass"].value / 1000.0


def porosity_without_interlayer_water(
    porosity: Measurement | str,
    dry_density: Measurement | str,
    *,
    interlayer_water: Fraction,
    interlayer_water_uncertainty: Fraction | None = None,
    interlayer_water_density: Scalar = _C["interlayer_water_density"],
) -> xr.Dataset:
    """Porosity without the volume of water between clay layers, beside the given porosity.

    Parameters
    ----------
    porosity, dry_density : Dataset, DataArray, Quantity or str, (reading)
        Porosity [1] and dry density [g/cm^3], as from
        :func:`corephys.index_properties.phase_relations`; the uncertainties of a Dataset are used.
    interlayer_water : float, DataArray or Quantity
        Mass of interlayer water per mass of dried solids, dimensionless: share of smectite times
        water per mass of smectite, or from :func:`water_by_exchange_capacity`.
    interlayer_water_uncertainty : float, DataArray or Quantity, optional
        Systematic uncertainty of that mass, dimensionless; effect ``interlayer_water``. NaN if not
        given.
    interlayer_water_density : Quantity, str or Constant
        Density of the interlayer water [g/cm^3].

    Returns
    -------
    Dataset, (reading)
        ``porosity``, as given, and ``porosity_without_interlayer_water`` [1] with uncertainties,
        effects and flags, and ``interlayer_share`` [1], their difference.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        For interlayer water below zero.

    Notes
    -----
    phi' = phi - b rho_d / rho_b, b the water per solids, rho_d the dry density: volumes of the
    sample (Brown and Ransom 1996 and Henry 1997 for method and magnitudes, from memory). The
    correction can reach a fifth of the porosity (Blum 1997, chapter 2). The grain density is that
    of dried clay and is not changed.
    """
    phi = measured_fraction(series.unpack(porosity, "porosity"), "porosity")
    rho = series.unpack(dry_density, "dry_density")
    share = units.as_floats(interlayer_water, "1", "interlayer_water")
    if np.any(np.asarray(without_coords(share)) < 0.0):
        raise ValueError(
            "interlayer_water is below zero; give the mass of water per mass of dried solids"
        )
    series.require_same_positions(porosity=phi.values, dry_density=rho.values, water=share)
    density = float(units.as_floats(interlayer_water_density, "g/cm^3", "interlayer_water_density"))
    b, d = without_coords(share), without_coords(rho.values)
    taken = b * d / density
    u, effects = combine([(1.0, phi), (-b / density, rho)])
    sigma = given_uncertainty(interlayer_water_uncertainty, "1", "interlayer_water_uncertainty")
    effects["interlayer_water"] = -d / density * sigma
    reason = series.joined_reasons(without_coords(phi.reason), without_coords(rho.reason))
    result = series.build(
        {
            "porosity": phi,
            "porosity_without_interlayer_water": Measured(phi.values - taken, u, effects, reason),
        },
        steps=("phi' = phi - b rho_d / rho_b, water between clay layers (Brown and Ransom 1996)",),
        constants={
            "interlayer_water": (interlayer_water, interlayer_water_uncertainty),
            "interlayer_water_density": interlayer_water_density,
        },
    )
    like = result["porosity"]
    result["interlayer_share"] = like.copy(data=np.broadcast_to(taken, like.shape)).assign_attrs(
        units="1", long_name="volume of interlayer water over that of the sample"
    )
    # The copy of porosity carries these attributes, which do not hold for the share.
    for name in ("standard_name", "ancillary_variables"):
        result["interlayer_share"].attrs.pop(name, None)
    return result
