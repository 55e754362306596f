"""Temperature anomalies below an unsteady seafloor: closed forms for conduction in one layer.

An anomaly is the signed difference from the steady temperature; a correction subtracts it. A user
chooses the corrections; none is applied by default.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import constants, series, units
from corephys.ground.arguments import positive
from corephys.products.heat_flow.carriers import wanted
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = ["bottom_water_anomaly", "seasonal_anomaly", "sedimentation"]

_C = constants.CONSTANTS
Given = Mapping[str, tuple[np.ndarray, np.ndarray]]


def _erfc(x: np.ndarray) -> np.ndarray:
    """Complementary error function; SciPy is imported when it is needed."""
    from scipy.special import erfc

    return erfc(x)


def steps_kernel(
    depth: np.ndarray, change: np.ndarray, since: np.ndarray, diffusivity: float
) -> np.ndarray:
    """Anomaly [K] of steps at the seafloor: depth [m], change [K], since [s], diffusivity
    [m^2/s]."""
    reach = 2.0 * np.sqrt(diffusivity * since)
    return np.asarray(_erfc(depth[:, None] / reach) @ change)


def season_kernel(
    depth: np.ndarray, amplitude: float, period: float, elapsed: float, diffusivity: float
) -> np.ndarray:
    """Wave of one period [s] that had its maximum at the seafloor ``elapsed`` [s] ago [K]."""
    omega = 2.0 * np.pi / period
    decay = depth * np.sqrt(0.5 * omega / diffusivity)
    return np.asarray(amplitude * np.exp(-decay) * np.cos(omega * elapsed - decay))


def sedimentation_kernel(
    depth: np.ndarray, rate: float, duration: float, diffusivity: float
) -> np.ndarray:
    """Rise of temperature above the seafloor over its steady value; at zero depth, of gradients.

    Depth [m], rate [m/s], duration [s], diffusivity [m^2/s].
    """
    from scipy.special import erf, erfcx

    x = 0.5 * rate * np.sqrt(duration / diffusivity)
    top = 1.0 - (
        (1.0 + 2.0 * x**2) * erf(x) + 2.0 * x / np.sqrt(np.pi) * np.exp(-(x**2)) - 2.0 * x**2
    )
    reach, buried = 2.0 * np.sqrt(diffusivity * duration), rate * duration
    safe = np.where(depth > 0.0, depth, 1.0)
    down, up = (safe + buried) / reach, (safe - buried) / reach
    # exp(U z / kappa) erfc(down) without the overflow of the one and the underflow of the other.
    growth = rate * safe / diffusivity - down**2
    rise = (
        safe
        - buried
        + 0.5 * ((safe + buried) * np.exp(growth) * erfcx(down) - (safe - buried) * _erfc(up))
    )
    return np.where(depth > 0.0, rise / safe, top)


def bottom_water_anomaly(
    at: xr.Dataset | Dimensional,
    *,
    change: Dimensional,
    since: Dimensional,
    diffusivity: Scalar = _C["core_diffusivity"],
    change_uncertainty: Dimensional | None = None,
    since_uncertainty: Dimensional | None = None,
    diffusivity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Anomaly below a seafloor whose temperature changed in one or several steps.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    change : Quantity or str
        Change of temperature in each step, positive where the water became warmer [K].
    since : Quantity or str
        Time since each step [yr].
    diffusivity : Quantity, str or Constant
        Thermal diffusivity of the sediment [m^2/s].
    change_uncertainty, since_uncertainty, diffusivity_uncertainty : Quantity or str, optional
        Standard uncertainties in the same units, one for all steps or one for each; those of two
        steps are independent. Without them the uncertainty of the result is NaN.

    Returns
    -------
    Dataset
        ``temperature_anomaly`` [K] at the depths and ``seafloor_temperature_anomaly`` [K], with
        effects ``bottom_water_change``, ``bottom_water_time`` (numbered where there are several
        steps) and ``diffusivity``.

    Raises
    ------
    ValueError
        When the numbers of changes and times differ, or a time or diffusivity is not positive.

    Notes
    -----
    dT erfc(z / (2 sqrt(kappa t))), steps added (Carslaw and Jaeger 1959, Conduction of Heat in
    Solids, section 2.4). A temperature history of the climate is the same sum.
    """
    steps = np.atleast_1d(
        np.asarray(units.as_floats(change, "K", "change", difference=True), dtype=float)
    )
    ages = np.atleast_1d(np.asarray(positive(since, "s", "since"), dtype=float))
    if steps.shape != ages.shape:
        raise ValueError(
            f"{steps.size} changes and {ages.size} times; give one of each for every step"
        )
    if np.any(~(ages > 0.0)):
        raise ValueError(
            f"since is {np.nanmin(ages):g} s for a step; it must be above zero. Leave out steps in "
            "the future"
        )
    kappa = float(positive(diffusivity, "m^2/s", "diffusivity"))
    u_kappa = uncertainty.given_uncertainty(
        diffusivity_uncertainty, "m^2/s", "diffusivity_uncertainty", diffusivity
    )
    u_change = _each(change_uncertainty, "K", "change_uncertainty", steps.size)
    u_since = _each(since_uncertainty, "s", "since_uncertainty", steps.size)
    moves: dict[str, Any] = {"diffusivity": (steps, ages, kappa, float(u_kappa), 2)}
    for i in range(steps.size):
        end = f"_{i + 1}" if steps.size > 1 else ""
        one = np.eye(steps.size)[i]
        moves[f"bottom_water_change{end}"] = (steps, ages, kappa, one * u_change[i], 0)
        moves[f"bottom_water_time{end}"] = (steps, ages, kappa, one * u_since[i], 1)
    words = ", ".join(
        f"{dt:+g} K {t / 31557600:.4g} yr ago" for dt, t in zip(steps, ages, strict=True)
    )
    return _anomaly(
        at,
        steps_kernel,
        (steps, ages, kappa),
        {s: m[3:] for s, m in moves.items()},
        f"steps of the bottom water: {words} (Carslaw and Jaeger 1959, section 2.4)",
        {
            "change": (change, change_uncertainty),
            "since": (since, since_uncertainty),
            "diffusivity": (diffusivity, diffusivity_uncertainty),
        },
    )


def seasonal_anomaly(
    at: xr.Dataset | Dimensional,
    *,
    amplitude: Scalar,
    period: Scalar,
    since_maximum: Scalar,
    diffusivity: Scalar = _C["core_diffusivity"],
    amplitude_uncertainty: Scalar | None = None,
    since_maximum_uncertainty: Scalar | None = None,
    diffusivity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Anomaly below a seafloor whose temperature varies with one period.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    amplitude : Quantity or str
        Amplitude of the variation, half of its range [K].
    period, since_maximum : Quantity or str
        Period of the variation, and time since the seafloor was warmest [yr].
    diffusivity : Quantity, str or Constant
        Thermal diffusivity of the sediment [m^2/s].
    amplitude_uncertainty, since_maximum_uncertainty : Quantity or str, optional
        Standard uncertainties [K, yr]; unknown gives NaN.
    diffusivity_uncertainty : Quantity or str, optional
        Standard uncertainty [m^2/s]; that of a Constant without it.

    Returns
    -------
    Dataset
        ``temperature_anomaly`` [K] at the depths and ``seafloor_temperature_anomaly`` [K], with
        effects ``seasonal_amplitude``, ``seasonal_time`` and ``diffusivity``.

    Raises
    ------
    ValueError
        When amplitude, period or diffusivity is not positive.

    Notes
    -----
    A exp(-z sqrt(omega / 2 kappa)) cos(omega t - z sqrt(omega / 2 kappa)), after many periods
    (Carslaw and Jaeger 1959, Conduction of Heat in Solids, section 2.6).
    """
    swing = float(positive(amplitude, "K", "amplitude", difference=True))
    length = float(positive(period, "s", "period"))
    elapsed = float(units.as_floats(since_maximum, "s", "since_maximum"))
    kappa = float(positive(diffusivity, "m^2/s", "diffusivity"))
    u = {
        "seasonal_amplitude": (
            uncertainty.given_uncertainty(amplitude_uncertainty, "K", "amplitude_uncertainty"),
            0,
        ),
        "seasonal_time": (
            uncertainty.given_uncertainty(
                since_maximum_uncertainty, "s", "since_maximum_uncertainty"
            ),
            2,
        ),
        "diffusivity": (
            uncertainty.given_uncertainty(
                diffusivity_uncertainty, "m^2/s", "diffusivity_uncertainty", diffusivity
            ),
            3,
        ),
    }
    return _anomaly(
        at,
        season_kernel,
        (swing, length, elapsed, kappa),
        u,
        f"swing of {swing:g} K in {length / 31557600:.4g} yr (Carslaw and Jaeger 1959, 2.6)",
        {
            "amplitude": (amplitude, amplitude_uncertainty),
            "period": period,
            "since_maximum": (since_maximum, since_maximum_uncertainty),
            "diffusivity": (diffusivity, diffusivity_uncertainty),
        },
    )


def sedimentation(
    at: xr.Dataset | Dimensional,
    *,
    rate: Scalar,
    duration: Scalar,
    diffusivity: Scalar = _C["core_diffusivity"],
    rate_uncertainty: Scalar | None = None,
    duration_uncertainty: Scalar | None = None,
    diffusivity_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Reduction of the temperature rise below the seafloor by steady sedimentation.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    rate, duration : Quantity or str
        Rate of sedimentation [m/yr] and its duration [yr].
    diffusivity : Quantity, str or Constant
        Thermal diffusivity of the sediment [m^2/s].
    rate_uncertainty, duration_uncertainty : Quantity or str, optional
        Standard uncertainties [m/yr, yr]; unknown gives NaN.
    diffusivity_uncertainty : Quantity or str, optional
        Standard uncertainty [m^2/s]; that of a Constant without it.

    Returns
    -------
    Dataset
        ``temperature_rise_ratio``, the rise above the seafloor over its steady value, at the
        depths, and ``heat_flow_ratio``, heat flow at the seafloor over its steady value, with
        effects ``sedimentation_rate``, ``sedimentation_time`` and ``diffusivity``.

    Raises
    ------
    ValueError
        When rate, duration or diffusivity is not positive.

    Notes
    -----
    At the seafloor 1 - [(1 + 2 X^2) erf X + 2 X / sqrt(pi) exp(-X^2) - 2 X^2], X = (U/2)
    sqrt(t / kappa); below it the half-space that moves down from its surface with a steady
    gradient at the start (Carslaw and Jaeger 1959, Conduction of Heat in Solids, section 15.2).
    One conductivity for old and new sediment, no compaction and no flow of pore water.
    """
    year = 31557600.0
    speed = float(positive(rate, "m/yr", "rate")) / year
    long = float(positive(duration, "s", "duration"))
    kappa = float(positive(diffusivity, "m^2/s", "diffusivity"))
    u_rate = uncertainty.given_uncertainty(rate_uncertainty, "m/yr", "rate_uncertainty") / year
    u_long = uncertainty.given_uncertainty(duration_uncertainty, "s", "duration_uncertainty")
    u_kappa = uncertainty.given_uncertainty(
        diffusivity_uncertainty, "m^2/s", "diffusivity_uncertainty", diffusivity
    )
    arguments = (speed, long, kappa)
    u = {"sedimentation_rate": (u_rate, 0), "sedimentation_time": (u_long, 1)}
    u["diffusivity"] = (u_kappa, 2)
    return _two(
        at,
        sedimentation_kernel,
        arguments,
        u,
        ("temperature_rise_ratio", "heat_flow_ratio"),
        f"sedimentation of {speed * year:g} m/yr for {long / year:g} yr (Carslaw and Jaeger 1959, "
        "section 15.2)",
        {
            "rate": (rate, rate_uncertainty),
            "duration": (duration, duration_uncertainty),
            "diffusivity": (diffusivity, diffusivity_uncertainty),
        },
    )


def _each(value: Dimensional | None, unit: str, name: str, size: int) -> np.ndarray:
    """Standard uncertainties of all steps, from one for all or one for each."""
    found = np.asarray(uncertainty.given_uncertainty(value, unit, name), dtype=float)
    if found.ndim and found.size not in (1, size):
        raise ValueError(f"{name} has {found.size} values for {size} steps; give one or {size}")
    return np.broadcast_to(found.reshape(-1) if found.ndim else found, (size,))


def _anomaly(
    at: xr.Dataset | Dimensional,
    kernel: Callable[..., Any],
    arguments: tuple[Any, ...],
    u: dict[str, Any],
    step: str,
    used: dict[str, Any],
) -> xr.Dataset:
    names = ("temperature_anomaly", "seafloor_temperature_anomaly")
    return _two(at, kernel, arguments, u, names, step, used)


def _two(
    at: xr.Dataset | Dimensional,
    kernel: Callable[..., Any],
    arguments: tuple[Any, ...],
    u: dict[str, Any],
    names: tuple[str, str],
    step: str,
    used: dict[str, Any],
) -> xr.Dataset:
    """A kernel at the depths and at the seafloor, with its effects by central differences."""
    target, depth = wanted(at)
    # The closed forms hold below the seafloor only.
    if np.any(depth < 0.0):
        raise ValueError(
            f"a depth of {np.nanmin(depth):g} m lies above the seafloor; give depths of 0 or more"
        )
    every = np.append(depth, 0.0)
    values = kernel(every, *arguments)
    effects = {
        source: _effect(kernel, every, arguments, place, np.asarray(size))
        for source, (size, place) in u.items()
    }
    here = Measured(
        target.copy(deep=False, data=values[:-1]),
        0.0,
        {s: target.copy(deep=False, data=e[:-1]) for s, e in effects.items()},
    )
    surface = Measured(float(values[-1]), 0.0, {s: float(e[-1]) for s, e in effects.items()})
    return series.build(
        {names[0]: here, names[1]: surface},
        steps=(step,),
        constants=used,
    )


def _effect(
    kernel: Callable[..., Any],
    depth: np.ndarray,
    arguments: tuple[Any, ...],
    place: int,
    size: np.ndarray,
) -> np.ndarray:
    """One-sigma effect of an argument, from a step so small that a time stays positive."""
    if not np.isfinite(size).all():
        return np.full(depth.size, np.nan)
    if not np.any(size):
        return np.zeros(depth.size)
    given = np.asarray(arguments[place], dtype=float)
    largest = np.abs(size).max()
    # Derivatives at the full uncertainty could make a time or diffusivity negative.
    small = 1e-4 * size * max(float(np.abs(given).max()), 1e-300) / largest
    ends = []
    for sign in (1.0, -1.0):
        moved = list(arguments)
        moved[place] = given + sign * small
        ends.append(kernel(depth, *moved))
    return np.asarray((ends[0] - ends[1]) * 0.5 * largest / np.abs(small).max())
