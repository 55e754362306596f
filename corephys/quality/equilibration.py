"""Test whether a core had reached room temperature when it was scanned.

The departure is expected from the time on deck, or measured. By common practice a cold core is
scanned after three to four hours. The axis of a cylinder warms up last.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import constants_attribute

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Dimensional, Scalar

__all__ = ["axis_departure", "settled"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_TERMS = 24  # of the series; the rest is below 1e-9 from _SOON on
_SOON = 0.01  # kappa t / a^2 below which the axis keeps its temperature to 1e-9


@lru_cache(maxsize=1)
def _zeros() -> tuple[np.ndarray, np.ndarray]:
    """Zeros of J0, and those of J1 from b = 0 on: a root of the series lies between each pair."""
    # Imported where needed: the package is imported without SciPy.
    from scipy.special import jn_zeros

    return jn_zeros(0, _TERMS), np.append(0.0, jn_zeros(1, _TERMS - 1))


# A hole has one Biot number for each core diameter, and every sensor asks for all of them.
@lru_cache(maxsize=4096)
def _terms(biot: float) -> tuple[np.ndarray, np.ndarray]:
    """Roots b and weights of the series at the axis."""
    from scipy.optimize import brentq
    from scipy.special import j0, j1

    zeros, below = _zeros()
    if np.isinf(biot):
        return zeros, 2.0 / (zeros * j1(zeros))
    roots = np.array(
        [
            brentq(lambda b: b * j1(b) - biot * j0(b), low, high, xtol=1e-14)
            for low, high in zip(below, zeros, strict=True)
        ]
    )
    return roots, 2.0 * biot / ((roots**2 + biot**2) * j0(roots))


def axis_departure(fourier: float | np.ndarray, biot: float = float("inf")) -> np.ndarray:
    """Departure of a cylinder's axis from the room, as a fraction of its first departure.

    Parameters
    ----------
    fourier : float or ndarray
        kappa t / a^2, dimensionless; NaN for unknown.
    biot : float
        H a / k, dimensionless: conductance of the surface times radius over conductivity;
        infinite where the surface is at room temperature at once.

    Returns
    -------
    ndarray
        Dimensionless, 1 at the start; NaN for a negative time.

    Raises
    ------
    ValueError
        When ``biot`` is not positive.

    Notes
    -----
    theta = sum 2 / (b J1(b)) exp(-b^2 F), J0(b) = 0; with a finite conductance theta = sum 2 B /
    ((b^2 + B^2) J0(b)) exp(-b^2 F), b J1(b) = B J0(b): Carslaw and Jaeger (1959), Conduction of
    Heat in Solids, sections 7.6 and 7.7, at r = 0. Up to F = 0.01 the axis is unchanged.

    Examples
    --------
    >>> round(float(axis_departure(0.2)), 4)
    0.5015
    """
    if not biot > 0.0:
        raise ValueError(f"biot is {biot!r}; expected a number above 0, or infinity")
    fourier = np.asarray(fourier, dtype=float)
    roots, weights = _terms(float(biot))
    late = np.where(fourier > _SOON, fourier, _SOON)
    theta = np.exp(-(roots**2) * late[..., np.newaxis]) @ weights
    theta = np.where(fourier > _SOON, theta, 1.0)
    return np.where(fourier >= 0.0, theta, np.nan)


def settled(
    time_on_deck: pint.Quantity | xr.DataArray | np.ndarray,
    time: pint.Quantity | xr.DataArray | np.ndarray,
    *,
    laboratory_temperature: Scalar,
    core_diameter: Dimensional,
    core_temperature: xr.DataArray | None = None,
    deck_temperature: Scalar | None = None,
    tolerance: Scalar = _T["settled_tolerance"],
    diffusivity: Scalar = _C["core_diffusivity"],
    surface_conductance: Scalar | None = None,
    conductivity: Scalar = _C["core_conductivity"],
) -> xr.Dataset:
    """Flag readings made before the core had reached room temperature.

    Parameters
    ----------
    time_on_deck, time : Quantity, DataArray or ndarray, (reading)
        Times on deck and of the reading: [s], or calendar times.
    laboratory_temperature : Quantity or str
        [degC].
    core_diameter : Quantity, DataArray or str
        Diameter of the core [mm]; a scalar, or one for each reading.
    core_temperature : DataArray, (reading), optional
        Temperature measured with the reading [degC].
    deck_temperature : Quantity or str, optional
        Temperature of the core on deck [degC]; without it no departure is expected.
    tolerance : Quantity or str
        Departure from the room that is allowed [K].
    diffusivity : Quantity, str or Constant
        Thermal diffusivity of the core [m^2/s].
    surface_conductance : Quantity or str, optional
        Heat transfer of liner and air around the core [W/(m^2 K)], 5 to 15 in still air. Without
        it the surface is at room temperature at once, which gives the shortest time.
    conductivity : Quantity, str or Constant
        Thermal conductivity of the core [W/(m K)], used with a conductance.

    Returns
    -------
    Dataset, (reading)
        ``expected_departure`` and ``measured_departure`` from the room [K], NaN where unknown;
        ``settled``, True where at least one of them is known and none exceeds the tolerance; and
        ``reason`` with ``temperature_not_settled`` where one exceeds it.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, or times of two kinds.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither ``core_temperature`` nor ``deck_temperature`` is given, or a diameter,
        tolerance or conductance cannot be.

    Notes
    -----
    Expected departure (T_deck - T_room) theta(kappa t / a^2) of the axis, theta of
    :func:`axis_departure` (Carslaw and Jaeger 1959). A time before the core came on deck gives NaN.
    """
    if core_temperature is None and deck_temperature is None:
        raise ValueError(
            "neither temperature is given: give core_temperature, measured beside the readings, "
            "or deck_temperature such as '4 degC', or both"
        )
    series.require_same_positions(
        time=time,
        time_on_deck=time_on_deck,
        core_temperature=core_temperature,
        core_diameter=core_diameter,
    )
    room = float(units.as_floats(laboratory_temperature, "degC", "laboratory_temperature"))
    deck = units.as_floats(deck_temperature, "degC", "deck_temperature", optional=True)
    measured = units.as_floats(core_temperature, "degC", "core_temperature", optional=True)
    parts = series.apply(
        _departures,
        _elapsed(time_on_deck, time),
        positive(core_diameter, "mm", "core_diameter") / 1e3,
        np.nan if measured is None else measured,
        outputs=4,
        dtypes=[float, float, bool, np.int64],
        room=room,
        first=np.nan if deck is None else float(deck) - room,
        allowed=float(positive(tolerance, "K", "tolerance", zero=True, difference=True)),
        diffusivity=float(positive(diffusivity, "m^2/s", "diffusivity")),
        film=_film(surface_conductance, conductivity),
    )
    used = {
        "laboratory_temperature": laboratory_temperature,
        "deck_temperature": deck_temperature,
        "tolerance": tolerance,
        "diffusivity": diffusivity,
        "surface_conductance": surface_conductance,
        "conductivity": None if surface_conductance is None else conductivity,
    }
    return _dataset(parts).assign_attrs(constants=constants_attribute(used))


def _departures(
    elapsed: Any,
    diameter: Any,
    measured: Any,
    *,
    room: float,
    first: float,
    allowed: float,
    diffusivity: float,
    film: float,
) -> tuple[Any, Any, Any, Any]:
    """Departures [K], whether settled, and reasons; film is H / k [1/m]."""
    elapsed, diameter, measured = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (elapsed, diameter, measured))
    )
    expected = np.full(elapsed.shape, np.nan)
    # A hole has few diameters; the series is evaluated once for each.
    for size in np.unique(diameter[np.isfinite(diameter) & (diameter > 0.0)]):
        here = diameter == size
        radius = 0.5 * float(size)
        fourier = diffusivity * elapsed[here] / radius**2
        expected[here] = first * axis_departure(fourier, film * radius)
    off = measured - room
    sizes = np.stack([np.abs(expected), np.abs(off)])
    beyond = (sizes > allowed).any(axis=0)
    known = np.isfinite(sizes).any(axis=0)
    reason = np.where(beyond, flags.bit("temperature_not_settled"), 0).astype(np.int64)
    return expected, off, known & ~beyond, reason


def _film(conductance: Scalar | None, conductivity: Scalar) -> float:
    if conductance is None:
        return float("inf")
    given = positive(conductance, "W/(m^2 K)", "surface_conductance", difference=True)
    return float(given) / float(positive(conductivity, "W/(m K)", "conductivity"))


def _elapsed(begin: Any, end: Any) -> Any:
    """Seconds from one time to the other."""
    start, stop = series.at_one_place(*series.seconds(time_on_deck=begin, time=end))
    return stop - start


def _dataset(parts: tuple[Any, Any, Any, Any]) -> xr.Dataset:
    words = (
        ("expected_departure", {"units": "K", "long_name": "expected departure from the room"}),
        ("measured_departure", {"units": "K", "long_name": "measured departure from the room"}),
        ("settled", {"long_name": "at room temperature within the tolerance"}),
        ("reason", flags.reason_attributes("temperature of the core")),
    )
    made: dict[str, xr.DataArray] = {}
    for (name, attributes), part in zip(words, parts, strict=True):
        array = part
        if not isinstance(array, xr.DataArray):
            array = xr.DataArray(part, dims=("reading",) if np.ndim(part) == 1 else None)
        made[name] = array.assign_attrs(attributes)
    return xr.Dataset(made)
