"""Thermal conductivity at the pressure and temperature in the formation."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, provenance, series, thresholds, units
from corephys.uncertainty import Measured, bare, combine, stated

__all__ = ["in_situ"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_DOUBT = (
    "the form is from memory, and of two published uses one is not reproduced by it: "
    "where 1.1 per cent is reported it gives some 2.5 per cent"
)


def in_situ(
    conductivity: Any, water_depth: Any, depth: Any, temperature: Any,
    laboratory_temperature: Any, density: Any, *, temperature_uncertainty: Any = None,
    laboratory_temperature_uncertainty: Any = None, density_uncertainty: Any = None,
    form_uncertainty: Any = _T["in_situ_form_uncertainty"],
    water_per_cent: Any = _C["conductivity_water_per_cent"],
    warming_per_cent: Any = _C["conductivity_warming_per_cent"],
) -> xr.Dataset:  # fmt: skip
    """Bring conductivities to the pressure and temperature in the formation.

    Parameters
    ----------
    conductivity : Dataset, DataArray or str
        ``thermal_conductivity`` as measured [W/(m K)].
    water_depth : Quantity or str
        Depth of the seafloor below the sea [m].
    depth : Quantity, DataArray, str or None
        Below seafloor [m]; None takes the coordinate ``depth`` of the conductivities.
    temperature, laboratory_temperature : Quantity, DataArray or str
        In the formation, and of the core when it was measured [degC].
    density : Dataset, Quantity, DataArray or str
        ``bulk_density`` of the sediment, mean down to the depth [g/cm^3].
    temperature_uncertainty, laboratory_temperature_uncertainty : Quantity or str, optional
        Systematic [K]: effects ``in_situ_temperature`` and ``laboratory_temperature``. Unknown
        gives NaN.
    density_uncertainty : Quantity or str, optional
        Systematic [g/cm^3], of a density that brings none of its own; unknown gives NaN.
    form_uncertainty : Quantity or str
        Of the whole change, relative: effect ``in_situ_form``.
    water_per_cent, warming_per_cent : Quantity, str or Constant
        Depth of water [m] and warming [K] that raise the conductivity by one per cent.

    Returns
    -------
    Dataset
        ``thermal_conductivity`` as it was and ``thermal_conductivity_in_situ`` [W/(m K)], which
        carries the attributes ``status`` and ``comment``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When no depth is given and the conductivities have none, or a water depth is negative.

    Notes
    -----
    k_is = k [1 + (z_w + rho z) / (1829 m 100) + (T - T_lab) / (4 K 100)], rho in g/cm^3 as the
    weight of sediment over that of water: Hyndman, Erickson and Von Herzen (1974), from memory.
    One published use of it is not reproduced: where the values in situ are said to be 1.1 % below
    those of the laboratory the form gives about 2.5 %; another, 2.2 %, it gives as 2.1 %. Hence
    ``form_uncertainty``. The uncorrected values stay beside the corrected ones.
    """
    measured = series.unpack(conductivity, "thermal_conductivity")
    heavy = series.unpack(density, "bulk_density")
    if not isinstance(density, xr.Dataset):
        u = stated(density_uncertainty, "g/cm^3", "density_uncertainty", density)
        heavy = Measured(heavy.values, 0.0, {"density": u})
    below = _depth(depth, measured.values)
    series.require_same_positions(
        conductivity=measured.values, depth=below, density=heavy.values, temperature=temperature,
        laboratory_temperature=laboratory_temperature,
    )  # fmt: skip
    sea = units.as_floats(water_depth, "m", "water_depth")
    if np.any(np.asarray(sea) < 0):
        raise ValueError(
            f"water_depth is {np.min(sea):g} m; give the depth below the sea, positive"
        )
    per_water = 100.0 * units.as_floats(water_per_cent, "m", "water_per_cent")
    per_kelvin = 100.0 * units.as_floats(warming_per_cent, "K", "warming_per_cent", difference=True)
    warm = bare(units.as_floats(temperature, "degC", "temperature")) - bare(
        units.as_floats(laboratory_temperature, "degC", "laboratory_temperature")
    )
    k, z = bare(measured.values), bare(below)
    factor = 1.0 + (bare(sea) + bare(heavy.values) * z) / per_water + warm / per_kelvin
    values = measured.values * factor
    u_in_situ = stated(temperature_uncertainty, "K", "temperature_uncertainty")
    u_laboratory = stated(
        laboratory_temperature_uncertainty, "K", "laboratory_temperature_uncertainty"
    )
    doubt = stated(form_uncertainty, "1", "form_uncertainty")
    random, effects = combine([
        (factor, measured),
        (k * z / per_water, heavy),
        (k / per_kelvin, Measured(0.0, 0.0, {"in_situ_temperature": u_in_situ})),
        (-k / per_kelvin, Measured(0.0, 0.0, {"laboratory_temperature": u_laboratory})),
        (k * (factor - 1.0), Measured(0.0, 0.0, {"in_situ_form": doubt})),
    ])  # fmt: skip
    reason = series.joined_reasons(bare(measured.reason), _bad(heavy))
    return _result(conductivity, measured, Measured(values, random, effects, reason),
                   {"water_depth": water_depth, "density": density,
                    "water_per_cent": water_per_cent,
                    "warming_per_cent": warming_per_cent,
                    "form_uncertainty": form_uncertainty})  # fmt: skip


def _depth(depth: Any, values: Any) -> Any:
    if depth is not None:
        return units.as_floats(depth, "m", "depth")
    if not isinstance(values, xr.DataArray) or "depth" not in values.coords:
        raise ValueError("depth is None and the conductivities have no coordinate depth; give it")
    return units.as_floats(values["depth"], "m", "depth")


def _bad(density: Measured) -> Any:
    level = flags.from_reason(np.asarray(bare(density.reason)))
    return np.where(np.isin(level, (flags.BAD, flags.MISSING)), flags.bit("input_bad"), 0)[()]


def _result(given: Any, measured: Measured, found: Measured, numbers: dict[str, Any]) -> xr.Dataset:
    attributes = given.attrs if isinstance(given, xr.Dataset) else {}
    steps = json.loads(attributes.get("steps", "[]"))
    dataset = series.build(
        {"thermal_conductivity": measured, "thermal_conductivity_in_situ": found},
        steps=(*steps,
               "in situ, k [1 + (z_w + rho z) / 1829 m % + (T - T_lab) / 4 K %], from memory"),
        constants={**provenance.used_constants(attributes), **numbers},
    )  # fmt: skip
    dataset["thermal_conductivity_in_situ"].attrs.update(status="memory", comment=_DOUBT)
    return dataset
