"""Thermal conductivity from the heating curves of a needle probe.

The order of the work: drift before heating, all windows of the curve, the longest in which the
conductivity does not depend on the window, slope against ln t beside a term that dies away with
1 / t, conductivity. The slope is that of a line source; the term with 1 / t is what the needle's
own width, its heat capacity and its contact add early on.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import constants, flags, series, units
from corephys.numerics import cylinder
from corephys.samples import needle_fit, needle_runs, needle_windows
from corephys.samples.needle_repeats import combine_repeats
from corephys.uncertainty import Measured

__all__ = [
    "combine_repeats", "conductivity_from_slope", "conductivity_from_two_times", "cylinder_rise",
    "line_source_rise", "thermal_conductivity",
]  # fmt: skip

_C = constants.CONSTANTS
USUAL_CONTACT = 0.2  # k / (a H) to start from
POOR_CONTACT = 1.0  # k / (a H): a film of water half a needle's radius thick (no source)
LARGE_DRIFT = 0.05  # of the slope (common practice, no source)


def _factor(geometry: str) -> float:
    factors = {"full_space": 4.0 * np.pi, "half_space": 2.0 * np.pi}
    if geometry not in factors:
        raise ValueError(f"geometry is full_space or half_space, not {geometry!r}")
    return factors[geometry]


def conductivity_from_slope(slope: Any, heating_power: Any, geometry: str = "full_space") -> Any:
    """Conductivity from the slope of temperature against ln t.

    Parameters
    ----------
    slope : Quantity, DataArray or str
        dT / d ln t [K].
    heating_power : Quantity, DataArray or str
        Heat per length of needle [W/m].
    geometry : {"full_space", "half_space"}
        Needle inside the sediment, or on its face under an insulator.

    Returns
    -------
    float or DataArray
        [W/(m K)], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For another geometry.

    Notes
    -----
    k = q / (4 pi slope): Carslaw and Jaeger (1959), Conduction of Heat in Solids, section 10.4; on
    an insulated half-space q / (2 pi slope), by the image of the source (Vacquier 1985).

    Examples
    --------
    >>> round(conductivity_from_slope("0.2149 K", "2.7 W/m"), 6)
    0.99981
    """
    s = units.as_floats(slope, "K", "slope", difference=True)
    return units.as_floats(heating_power, "W/m", "heating_power") / (_factor(geometry) * s)


def conductivity_from_two_times(
    first_time: Any, second_time: Any, first_temperature: Any, second_temperature: Any,
    heating_power: Any, geometry: str = "full_space",
) -> Any:  # fmt: skip
    """Conductivity from the temperatures at two times.

    Parameters
    ----------
    first_time, second_time : Quantity, DataArray or str
        Since heating began [s].
    first_temperature, second_temperature : Quantity, DataArray or str
        [degC].
    heating_power, geometry
        As in :func:`conductivity_from_slope`, [W/m].

    Returns
    -------
    float or DataArray
        [W/(m K)], plain floats.

    Raises
    ------
    UnitError, ValueError
        As in :func:`conductivity_from_slope`.

    Notes
    -----
    k = q ln(t2 / t1) / (4 pi (T2 - T1)): Blum (1997), chapter 8.

    Examples
    --------
    >>> two = conductivity_from_two_times("20 s", "80 s", "22.1 degC", "22.431 degC", "3 W/m")
    >>> round(float(two), 6)
    0.999859
    """
    t1 = units.as_floats(first_time, "s", "first_time")
    t2 = units.as_floats(second_time, "s", "second_time")
    rise = units.as_floats(second_temperature, "degC", "second_temperature") - units.as_floats(
        first_temperature, "degC", "first_temperature"
    )
    power = units.as_floats(heating_power, "W/m", "heating_power")
    return power * np.log(t2 / t1) / (_factor(geometry) * rise)


def line_source_rise(
    time: Any, *, heating_power: Any, conductivity: Any, diffusivity: Any, radius: Any
) -> Any:
    """Temperature rise near a line source that is switched on.

    Parameters
    ----------
    time : Quantity, DataArray or str
        Since heating began [s].
    heating_power : Quantity, DataArray or str
        Heat per length [W/m].
    conductivity : Quantity, DataArray or str
        [W/(m K)].
    diffusivity : Quantity, DataArray or str
        [m^2/s].
    radius : Quantity, DataArray or str
        Distance from the line [m].

    Returns
    -------
    float, ndarray or DataArray
        Rise [K], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    q / (4 pi k) E1(r^2 / (4 kappa t)): Carslaw and Jaeger (1959), section 10.4.

    Examples
    --------
    >>> rise = line_source_rise("60 s", heating_power="3 W/m", conductivity="1 W/(m K)",
    ...                         diffusivity="3e-7 m^2/s", radius="1 mm")
    >>> round(float(rise), 9)
    0.88648299
    """
    from scipy.special import exp1

    t = units.as_floats(time, "s", "time")
    power = units.as_floats(heating_power, "W/m", "heating_power")
    k = units.as_floats(conductivity, "W/(m K)", "conductivity")
    kappa = units.as_floats(diffusivity, "m^2/s", "diffusivity")
    r = units.as_floats(radius, "m", "radius")
    return power / (4.0 * np.pi * k) * exp1(r * r / (4.0 * kappa * t))


def cylinder_rise(
    time: Any, *, heating_power: Any, conductivity: Any, volumetric_heat_capacity: Any,
    radius: Any, needle_heat_capacity: Any,
) -> Any:  # fmt: skip
    """Temperature rise of a heated needle of finite width in perfect contact.

    Parameters
    ----------
    time : Quantity or str
        Since heating began [s].
    heating_power, conductivity : Quantity or str
        [W/m], [W/(m K)].
    volumetric_heat_capacity : Quantity or str
        Of the sediment [J/(m^3 K)].
    radius : Quantity or str
        Of the needle [m].
    needle_heat_capacity : Quantity or str
        Per length of the needle [J/(m K)].

    Returns
    -------
    float or ndarray
        Rise [K], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    q / (4 pi k) 2 alpha int F dtau with alpha = 2 pi a^2 rho c / S and tau = k t / (rho c a^2):
    Carslaw and Jaeger (1959), section 13.7.
    """
    t = units.as_floats(time, "s", "time")
    power = units.as_floats(heating_power, "W/m", "heating_power")
    k = units.as_floats(conductivity, "W/(m K)", "conductivity")
    capacity = units.as_floats(volumetric_heat_capacity, "J/(m^3 K)", "volumetric_heat_capacity")
    a = units.as_floats(radius, "m", "radius")
    own = units.as_floats(needle_heat_capacity, "J/(m K)", "needle_heat_capacity")
    alpha = 2.0 * np.pi * a * a * capacity / own
    return power / (4.0 * np.pi * k) * cylinder.heating(alpha, k * t / (capacity * a * a))


def thermal_conductivity(
    table: xr.Dataset, *, heating_power_uncertainty: Any = None, minimum_window: Any = "20 s",
    flatness: float = needle_windows.FLATNESS,
    volumetric_heat_capacity: Any = _C["sediment_heat_capacity"],
    heat_capacity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Thermal conductivity of every heating run of a table.

    Parameters
    ----------
    table : Dataset, (row)
        Columns run, geometry, heating_power [W/m], time [s] (negative before heating),
        temperature [degC]; where there are core, section, offset, depth, direction and radius
        [mm], they are used.
    heating_power_uncertainty : Quantity or str, optional
        Systematic, relative, such as ``"1 %"``: effect ``heating_power``. Unknown gives NaN.
    minimum_window : Quantity or str
        Shortest window [s].
    flatness : float
        Largest difference, as a fraction, between the slope of a window and of its halves.
    volumetric_heat_capacity : Quantity, str or Constant
        Of the sediment [MJ/(m^3 K)]; says when the needle has warmed through and how early terms
        fall.
    heat_capacity_uncertainty : Quantity or str, optional
        Relative, such as ``"9 %"``: effect ``heat_capacity``. A Constant brings its own.

    Returns
    -------
    Dataset, (reading)
        One reading a run: ``thermal_conductivity`` [W/(m K)] with uncertainty, effects and flags;
        ``window_start``, ``window_end`` [s], ``slope`` [K], ``windows_accepted``,
        ``window_spread`` [W/(m K)], ``drift`` [K/s], ``residual_deviation`` [K] and
        ``contact_resistance``, k / (a H) [1].

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When a column is missing or a geometry is not known.

    Notes
    -----
    T = c + d t + s x + e z, x = ln t + (1 + L) a^2 / (2 kappa t), z = (L + 2 h) / t with L =
    ln(4 kappa t / a^2) - gamma, the drift d fixed by the samples before heating, the contact h =
    k / (a H) by c; s gives k as in :func:`conductivity_from_slope`. The expansion for late times
    is that of Blackwell (1954), Journal of Applied Physics 25, 137, and Jaeger (1956), Australian
    Journal of Physics 9, 167; e leaves the heat capacity of the needle free. Without a radius x is
    ln t and z is 1 / t, and ``heat_capacity`` is unknown.
    """
    runs = needle_runs.gather(table)
    relative = units.as_floats(
        heating_power_uncertainty, "1", "heating_power_uncertainty", optional=True
    )
    shortest = float(units.as_floats(minimum_window, "s", "minimum_window"))
    capacity = float(
        units.as_floats(volumetric_heat_capacity, "J/(m^3 K)", "volumetric_heat_capacity")
    )
    scale = runs.power / np.where(runs.half_space, 2.0 * np.pi, 4.0 * np.pi)
    drift = needle_runs.drift_before(runs)[:, None]
    late, warm = needle_runs.after_warming(runs, scale, capacity, drift)
    contact = np.full(warm.size, USUAL_CONTACT)
    level = drift * np.where(np.isfinite(late[0]), late[0], 0.0)
    choice = needle_windows.choose(
        late[0], late[1] - level, *needle_windows.regressors(late[0], warm, contact), shortest,
        flatness=flatness,
    )  # fmt: skip
    index = np.arange(late[0].shape[1])
    inside = (index >= choice.start[:, None]) & (index < (choice.start + choice.length)[:, None])
    fit, contact = _solve(runs, late, inside, scale, capacity, warm, contact, rounds=7)
    u_capacity = _relative(heat_capacity_uncertainty, volumetric_heat_capacity)
    moved = capacity * (1.0 + u_capacity)
    start = scale / fit.slope / (moved * runs.radius**2)
    other, _ = _solve(runs, late, inside, scale, moved, start, contact, rounds=3)
    empty = choice.length == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(empty | ~(fit.slope > 0), np.nan, scale / fit.slope)
        random = k * np.sqrt(fit.variance + choice.excess) / fit.slope
        known = np.isfinite(runs.radius) & np.isfinite(u_capacity)
        by_capacity = np.where(known, scale / other.slope - k, np.nan)
    effects = {
        "heating_power": k * (float("nan") if relative is None else relative),
        "heat_capacity": by_capacity,
    }
    reason = _reasons(runs, choice, fit, contact, empty)
    measured = Measured(_along(k, runs, table), random, effects, reason)
    dataset = series.build(
        {"thermal_conductivity": measured}, steps=_STEPS,
        constants={
            "minimum_window": str(minimum_window),
            "volumetric_heat_capacity": str(volumetric_heat_capacity),
        },
    )  # fmt: skip
    return _attach(dataset, late[0], choice, fit, contact, k, empty)


_STEPS = (
    "drift from the samples before heating",
    "all windows of T against x and z; the longest flat one with white residuals",
    "T = c + d t + s x + e z with the samples before heating (Blackwell 1954)",
    "k = q / (4 pi s) in a full space, q / (2 pi s) on a half-space (Carslaw and Jaeger 1959)",
)


def _relative(given: Any, owner: Any) -> float:
    """A relative uncertainty as given, else that of the constant, else unknown."""
    stated = units.as_floats(given, "1", "heat_capacity_uncertainty", optional=True)
    if stated is not None:
        return float(stated)
    known = isinstance(owner, constants.Constant)
    return float(owner.uncertainty / owner.value) if known else float("nan")


def _solve(
    runs: needle_runs.Runs, late: tuple[np.ndarray, np.ndarray], inside: np.ndarray,
    scale: np.ndarray, capacity: float, warm: np.ndarray, contact: np.ndarray, *, rounds: int,
) -> tuple[needle_fit.Fit, np.ndarray]:  # fmt: skip
    """The fit with the diffusivity and the contact that it finds itself."""
    # A fixed number, so that a run's result does not hang on the runs beside it.
    for _ in range(rounds):
        fit = needle_fit.fit(
            *late, runs.before_time, runs.before_temperature, inside,
            *needle_windows.regressors(late[0], warm, contact),
        )  # fmt: skip
        with np.errstate(divide="ignore", invalid="ignore"):
            k = np.clip(scale / fit.slope, 0.1, 20.0)
            warm = k / (capacity * runs.radius**2)
            found = 0.5 * (fit.rise_constant / fit.slope - np.log(4.0 * warm) + np.euler_gamma)
            contact = np.clip(np.where(np.isfinite(found), found, USUAL_CONTACT), 0.0, 10.0)
    return fit, np.where(np.isfinite(found), found, np.nan)


def _reasons(
    runs: needle_runs.Runs, choice: needle_windows.Choice, fit: needle_fit.Fit,
    contact: np.ndarray, empty: np.ndarray,
) -> np.ndarray:  # fmt: skip
    reason = runs.reason.copy()
    with np.errstate(invalid="ignore"):
        marks = {
            "no_window": empty | ~(fit.slope > 0),
            "poor_fit": ~empty & (choice.accepted == 0),
            "poor_contact": ~empty & (contact > POOR_CONTACT),
            # A drift that could not be measured is as doubtful as a large one.
            "drift": ~empty & ~(np.abs(fit.drift_share) <= LARGE_DRIFT),
        }
    for word, mask in marks.items():
        reason[mask] |= flags.bit(word)
    return reason


def _along(values: np.ndarray, runs: needle_runs.Runs, table: xr.Dataset) -> xr.DataArray:
    """Values along ``reading`` at the positions of the runs."""
    names = [name for name in (*needle_runs.KEYS, "direction", "geometry") if name in table]
    coords = {
        name: ("reading", table[name].values[runs.first], dict(table[name].attrs)) for name in names
    }
    return xr.DataArray(values, dims="reading", coords=coords)


def _attach(
    dataset: xr.Dataset, time: np.ndarray, choice: needle_windows.Choice, fit: needle_fit.Fit,
    contact: np.ndarray, k: np.ndarray, empty: np.ndarray,
) -> xr.Dataset:  # fmt: skip
    rows = np.arange(k.size)
    stop = np.maximum(choice.start + choice.length - 1, 0)
    extra = {
        "window_start": (time[rows, choice.start], "s", "start of the window since heating began"),
        "window_end": (time[rows, stop], "s", "end of the window since heating began"),
        "slope": (fit.slope, "K", "slope of temperature against ln t"),
        "windows_accepted": (choice.accepted.astype(float), "1", "windows that are flat and white"),
        "window_spread": (k * choice.spread / fit.slope, "W/(m K)",
                          "standard deviation of the conductivity over the accepted windows"),
        "drift": (fit.drift, "K/s", "drift of the temperature before heating"),
        "residual_deviation": (fit.deviation, "K", "standard deviation of the residuals"),
        "contact_resistance": (contact, "1", "contact resistance, k / (a H)"),
    }  # fmt: skip
    for name, (values, unit, words) in extra.items():
        shown = values if name == "windows_accepted" else np.where(empty, np.nan, values)
        dataset[name] = ("reading", shown, {"units": unit, "long_name": words})
    return dataset
