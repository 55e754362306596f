"""Resistivity of a core at another temperature and pressure, through that of its pore water.

Sea water follows its own equation: the rule for sodium chloride of reservoirs is 12 % off between
25 and 4 degC.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, provenance, series
from corephys.sensors.resistivity_pore_water import water
from corephys.uncertainty import Measured, bare, stated

__all__ = ["in_situ", "to_reference_temperature"]

_SALT = constants.CONSTANTS["pore_water_salinity"]


def to_reference_temperature(
    dataset: xr.Dataset, temperature: Any, *, reference: Any = "20 degC", salinity: Any = _SALT,
    temperature_uncertainty: Any = None, salinity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
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
        dataset, "electrical_resistivity_at_reference", (temperature, "0 dbar"),
        (reference, "0 dbar"), salinity, salinity_uncertainty,
        (stated(temperature_uncertainty, "K", "temperature_uncertainty"), 0.0),
        "at the reference temperature, rho sigma_w(T) / sigma_w(T_r), PSS-78 (UNESCO 1983)",
        {"reference": reference},
    )  # fmt: skip


def in_situ(
    dataset: xr.Dataset, temperature: Any, *, in_situ_temperature: Any, in_situ_pressure: Any,
    salinity: Any = _SALT, temperature_uncertainty: Any = None,
    in_situ_temperature_uncertainty: Any = None, salinity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
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
        dataset, "electrical_resistivity_in_situ", (temperature, "0 dbar"),
        (in_situ_temperature, in_situ_pressure), salinity, salinity_uncertainty,
        (
            stated(temperature_uncertainty, "K", "temperature_uncertainty"),
            stated(in_situ_temperature_uncertainty, "K", "in_situ_temperature_uncertainty"),
        ),
        "in situ, rho sigma_w(T, 0) / sigma_w(T_i, p_i), PSS-78 (UNESCO 1983)",
        {},
    )  # fmt: skip


def _carried(
    dataset: xr.Dataset, name: str, here: tuple[Any, Any], there: tuple[Any, Any], salinity: Any,
    u_salinity: Any, u_temperature: tuple[Any, Any], step: str, used: dict[str, Any],
) -> xr.Dataset:  # fmt: skip
    """Both quantities side by side."""
    measured = series.unpack(dataset, "electrical_resistivity")
    series.require_same_positions(
        dataset=measured.values, temperature=here[0], in_situ_temperature=there[0],
        in_situ_pressure=there[1], salinity=salinity,
    )  # fmt: skip
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
            **provenance.used_constants(dataset), "salinity": (salinity, u_salinity), **used,
        },
    )  # fmt: skip
