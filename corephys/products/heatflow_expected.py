"""What is expected where nothing was measured: heat flow of an age, conductivity of a mud."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.uncertainty import Measured, bare

__all__ = ["conductivity_at_temperature", "conductivity_of_water_content", "heat_flow_of_age"]

_C = constants.CONSTANTS
_DRIEST = thresholds.value("mud_least_water")
_WETTEST = thresholds.value("mud_greatest_water")
_PLATE = (
    "young_ocean_heat_flow", "old_ocean_heat_flow", "old_ocean_excess", "old_ocean_decay",
    "plate_onset_age",
)  # fmt: skip
_MUD: tuple[str, ...] = (
    "mud_resistivity_dry",
    "mud_resistivity_of_water",
    "mud_resistivity_scatter",
)


def heat_flow_of_age(
    age: Any, *, cooling: str = "plate", half_space: Any = _C["half_space_heat_flow"]
) -> xr.Dataset:
    """Heat flow that ocean floor of an age should have by conductive cooling.

    Parameters
    ----------
    age : Quantity, DataArray or str
        Of the ocean floor [Myr].
    cooling : {"plate", "half-space"}
        A plate that stops cooling, or a half-space that never does.
    half_space : Quantity, str or Constant
        Heat flow of the half-space at 1 Myr [mW/m^2].

    Returns
    -------
    Dataset
        ``heat_flow_of_age`` [mW/m^2]; its uncertainty is not known. Floor younger than some
        65 Myr mostly measures less, since sea water carries part of the heat.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an unknown way of cooling or an age that is not positive.

    Notes
    -----
    510 / sqrt(t) up to 55 Myr and 48 + 96 exp(-0.0278 t) beyond (Stein and Stein 1992, Nature
    359, 123); C / sqrt(t) for the half-space (Parsons and Sclater 1977, Journal of Geophysical
    Research 82, 803, from memory). The two branches of the plate differ by 0.04 mW/m^2 where
    they meet.

    Examples
    --------
    >>> float(heat_flow_of_age("4 Myr")["heat_flow_of_age"])
    255.0
    """
    if cooling not in ("plate", "half-space"):
        raise ValueError(f"cooling is {cooling!r}; there is 'plate' and 'half-space'")
    t = positive(age, "Myr", "age")
    if cooling == "half-space":
        at_one = float(positive(half_space, "mW/m^2", "half_space"))
        found = series.apply(lambda years: at_one / np.sqrt(years), t)
    else:
        young, old, more, decay, bend = (_C[name].value for name in _PLATE)
        found = series.apply(
            lambda years: np.where(
                years <= bend, young / np.sqrt(years), old + more * np.exp(-decay * years)
            ),
            t,
        )
    used = {"half_space": half_space} if cooling == "half-space" else {r: _C[r] for r in _PLATE}
    return series.build(
        {"heat_flow_of_age": Measured(found)},
        steps=(f"heat flow of {cooling} cooling at the age of the ocean floor",),
        constants=used,
    )


def conductivity_of_water_content(
    water_content: Any, *, conditions: str = "seafloor"
) -> xr.Dataset:
    """Thermal conductivity of mud from its water content alone.

    Parameters
    ----------
    water_content : Dataset, DataArray, Quantity or str
        ``water_content_wet``, mass of water over wet mass [1].
    conditions : {"seafloor", "laboratory"}
        Where the conductivity is wanted; in the laboratory it is 4 % more.

    Returns
    -------
    Dataset
        ``thermal_conductivity`` [W/(m K)] with 4 % of scatter as its random uncertainty and that
        of the water content, unknown where that is; water below 0.2 or above 0.8 is flagged
        ``beyond_calibration``.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        For unknown conditions, or when no water content lies between 0 and 1.

    Notes
    -----
    1 / k = (168 + 678 w) cm s K/cal (Bullard 1963, The Sea 3, 224). An estimate for holes without
    a needle: quartz and carbonate are beyond it.

    Examples
    --------
    >>> round(float(conductivity_of_water_content("0.45 1")["thermal_conductivity"]), 3)
    0.884
    """
    if conditions not in ("seafloor", "laboratory"):
        raise ValueError(f"conditions is {conditions!r}; there is 'seafloor' and 'laboratory'")
    water = measured_fraction(series.unpack(water_content, "water_content_wet"), "water_content")
    share = np.asarray(water.values, dtype=float)
    if not np.any((share > 0.0) & (share < 1.0)):
        raise ValueError(
            f"water_content is {share.flat[0]:g}; a share of the wet mass lies between 0 and 1"
        )
    dry, wet = (units.as_floats(_C[name], "m K/W", name) for name in _MUD[:2])
    factor, used = 1.0, _MUD
    if conditions == "laboratory":
        used = (*_MUD, "laboratory_to_seafloor_conductivity")
        factor = 1.0 / (1.0 + _C["laboratory_to_seafloor_conductivity"].value / 100.0)
    resistivity = (dry + wet * water.values) / factor
    k = xr.where((share >= 0.0) & (share <= 1.0), 1.0 / resistivity, np.nan)
    slope = -wet / factor * np.asarray(k) ** 2
    own = np.asarray(water.u_random, dtype=float)
    random = np.hypot(_C["mud_resistivity_scatter"].value * np.asarray(k), slope * own)
    reason = np.where((share < _DRIEST) | (share > _WETTEST), flags.bit("beyond_calibration"), 0)
    effects = {source: slope * np.asarray(effect) for source, effect in water.effects.items()}
    values = water.values * 0.0 + k if isinstance(water.values, xr.DataArray) else float(k)
    return series.build(
        {
            "thermal_conductivity": Measured(
                values,
                random,
                effects,
                series.joined_reasons(bare(water.reason), reason.astype(np.int64)),
            )
        },
        steps=(f"conductivity of water content at {conditions} conditions (Bullard 1963)",),
        constants={row: _C[row] for row in used},
    )


def conductivity_at_temperature(conductivity: Any, temperature: Any) -> xr.Dataset:
    """Thermal conductivity of sedimentary rock at a temperature from that at 25 degC.

    Parameters
    ----------
    conductivity : Quantity, DataArray or str
        At 25 degC [W/(m K)].
    temperature : Quantity, DataArray or str
        Wanted [degC].

    Returns
    -------
    Dataset
        ``thermal_conductivity`` [W/(m K)]; its uncertainty is not known.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When no conductivity is positive.

    Notes
    -----
    k = k0 / (0.99 + T (a - b / k0)), k0 = 0.54 k25 + sqrt(1.16 k25^2 - 0.39 k25) / 2, T in degC
    (Vosteen and Schellschmidt 2003, Physics and Chemistry of the Earth 28, 499, sedimentary rock;
    the relation and its numbers are from memory and doubtful). Soft mud follows its water: see
    ``needle.in_situ``.
    """
    series.require_same_positions(conductivity=conductivity, temperature=temperature)
    k25 = positive(conductivity, "W/(m K)", "conductivity")
    warm = units.as_floats(temperature, "degC", "temperature")
    a, b = _C["warm_rock_a"].value, _C["warm_rock_b"].value

    def kernel(k: Any, t: Any) -> Any:
        k0 = 0.54 * k + 0.5 * np.sqrt(np.maximum(1.16 * k**2 - 0.39 * k, 0.0))
        return k0 / (0.99 + t * (a - b / k0))

    return series.build(
        {"thermal_conductivity": Measured(series.apply(kernel, k25, warm))},
        steps=("conductivity at temperature (Vosteen and Schellschmidt 2003, from memory)",),
        constants={row: _C[row] for row in ("warm_rock_a", "warm_rock_b")},
    )
