"""Thermal conductivity from the heating curves of a needle probe.

The file reads in the order of the work:

1. the laws: heating power, temperature rise of a line source and of a needle of finite width,
   conductivity from the slope of temperature against ln t;
2. :func:`thermal_conductivity`, the evaluation of a table of heating runs: fit the drift before
   heating, fit all windows of the curve, choose the longest window in which the conductivity does
   not depend on the window, fit drift and curve together, and compare with the complete curve of a
   heated cylinder;
3. the steps of that evaluation, in the order in which they are called;
4. :func:`windows`, which lists every window and why it was rejected.

The slope of temperature against ln t is that of a line source. A second term, which falls as
1 / t, holds the effects of the width, the heat capacity and the contact of the needle.

Repeats are combined in ``combining``; corrections to the formation are in ``formation``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import arguments, constants, flags, series, thresholds, units
from corephys.ground.choices import choice
from corephys.ground.laws import law
from corephys.ground.provenance import constants_attribute
from corephys.numerics.cylinder import heating as cylinder_heating
from corephys.samples.needle import cylinder as needle_cylinder
from corephys.samples.needle import drift as needle_drift
from corephys.samples.needle import runs as needle_runs
from corephys.samples.needle import window_choice
from corephys.samples.needle.combining import anisotropy, combine_repeats
from corephys.samples.needle.formation import formation_conductivity, in_situ, mixing_bounds
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar, WithUnit

__all__ = [
    "anisotropy",
    "combine_repeats",
    "conductivity_from_slope",
    "conductivity_from_two_times",
    "cylinder_rise",
    "formation_conductivity",
    "heating_power",
    "in_situ",
    "line_source_rise",
    "mixing_bounds",
    "thermal_conductivity",
    "windows",
]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
# Contact resistance k / (a H) with which the iteration starts. The fit replaces it, so the result
# does not depend on it.
USUAL_CONTACT = 0.2
_POOR_CONTACT = thresholds.value("needle_poor_contact")
_DISAGREE = thresholds.value("needle_models_disagree")
_ERRORS = thresholds.value("needle_models_errors")


# --------------------------------------------------------------------------------------------------
# 1. The laws: heating power, rise of a line source and of a needle, conductivity from a slope.


@law("W/m", current="A", resistance_per_length="ohm/m")
def heating_power(
    current: Dimensional, resistance_per_length: Dimensional, *, wires: int = 2
) -> WithUnit:
    """Heat per length of needle from the current through its heating wire.

    Parameters
    ----------
    current : Quantity, DataArray or str
        Current through the wire [A].
    resistance_per_length : Quantity, DataArray or str
        Resistance of one strand of the wire per length [ohm/m].
    wires : int
        Number of strands side by side in the needle; a loop of wire has two.

    Returns
    -------
    Quantity or DataArray
        Heating power [W/m].

    Raises
    ------
    ValueError
        For a number of strands below one.

    Notes
    -----
    q = n I^2 R / L: Blum (1997), chapter 8, with n = 2.

    Examples
    --------
    >>> round(heating_power("0.15 A", "60 ohm/m").to("W/m").magnitude, 6)
    2.7
    """
    if not (isinstance(wires, int) and wires >= 1):
        raise ValueError(
            f"wires is {wires!r}; give the number of strands in the needle, 1 or more, such as 2"
        )
    return wires * current**2 * resistance_per_length


@law(
    "K",
    time="s",
    heating_power="W/m",
    conductivity="W/(m K)",
    diffusivity="m^2/s",
    radius="m",
)
def line_source_rise(
    time: Dimensional,
    *,
    heating_power: Dimensional,
    conductivity: Dimensional,
    diffusivity: Dimensional,
    radius: Dimensional,
) -> WithUnit:
    """Temperature rise near a line source that is switched on.

    Parameters
    ----------
    time : Quantity, DataArray or str
        Time since heating began [s].
    heating_power : Quantity, DataArray or str
        Heat per length of the line [W/m].
    conductivity : Quantity, DataArray or str
        Thermal conductivity of the sediment [W/(m K)].
    diffusivity : Quantity, DataArray or str
        Thermal diffusivity of the sediment [m^2/s].
    radius : Quantity, DataArray or str
        Distance from the line [m].

    Returns
    -------
    Quantity or DataArray
        Temperature rise [K].

    Notes
    -----
    q / (4 pi k) E1(r^2 / (4 kappa t)): Carslaw and Jaeger (1959), section 10.4.

    Examples
    --------
    >>> rise = line_source_rise("60 s", heating_power="3 W/m", conductivity="1 W/(m K)",
    ...                         diffusivity="3e-7 m^2/s", radius="1 mm")
    >>> round(float(rise.to("K").magnitude), 9)
    0.88648299
    """
    from scipy.special import exp1

    per_slope = heating_power / (4.0 * np.pi * conductivity)
    return per_slope * exp1(radius * radius / (4.0 * diffusivity * time))


@law(
    "K",
    time="s",
    heating_power="W/m",
    conductivity="W/(m K)",
    volumetric_heat_capacity="J/(m^3 K)",
    radius="m",
    needle_heat_capacity="J/(m K)",
)
def cylinder_rise(
    time: Dimensional,
    *,
    heating_power: Dimensional,
    conductivity: Dimensional,
    volumetric_heat_capacity: Dimensional,
    radius: Dimensional,
    needle_heat_capacity: Dimensional,
) -> WithUnit:
    """Temperature rise of a heated needle of finite width in perfect contact.

    Parameters
    ----------
    time : Quantity or str
        Time since heating began [s].
    heating_power, conductivity : Quantity or str
        Heat per length of the needle [W/m] and conductivity of the sediment [W/(m K)].
    volumetric_heat_capacity : Quantity or str
        Heat capacity of the sediment [J/(m^3 K)].
    radius : Quantity or str
        Radius of the needle [m].
    needle_heat_capacity : Quantity or str
        Heat capacity of the needle per length [J/(m K)].

    Returns
    -------
    Quantity
        Temperature rise [K].

    Notes
    -----
    q / (4 pi k) 2 alpha int F dtau with alpha = 2 pi a^2 rho c / S and tau = k t / (rho c a^2):
    Carslaw and Jaeger (1959), section 13.7.
    """
    alpha = 2.0 * np.pi * radius * radius * volumetric_heat_capacity / needle_heat_capacity
    tau = conductivity * time / (volumetric_heat_capacity * radius * radius)
    return heating_power / (4.0 * np.pi * conductivity) * cylinder_heating(alpha, tau)


def _factor(geometry: str) -> float:
    """4 pi for a needle inside the sediment, 2 pi for one on its face."""
    factors = {"full_space": 4.0 * np.pi, "half_space": 2.0 * np.pi}
    return factors[choice(geometry, factors, "geometry")]


@law("W/(m K)", slope="difference K", heating_power="W/m")
def conductivity_from_slope(
    slope: Dimensional, heating_power: Dimensional, geometry: str = "full_space"
) -> WithUnit:
    """Conductivity from the slope of temperature against ln t.

    Parameters
    ----------
    slope : Quantity, DataArray or str
        Slope dT / d ln t [K].
    heating_power : Quantity, DataArray or str
        Heat per length of needle [W/m].
    geometry : {"full_space", "half_space"}
        Needle inside the sediment, or on its face under an insulator.

    Returns
    -------
    Quantity or DataArray
        Thermal conductivity [W/(m K)].

    Raises
    ------
    ValueError
        For another geometry.

    Notes
    -----
    k = q / (4 pi slope): Carslaw and Jaeger (1959), Conduction of Heat in Solids, section 10.4; on
    an insulated half-space q / (2 pi slope), by the image of the source (Vacquier 1985).

    Examples
    --------
    >>> round(conductivity_from_slope("0.2149 K", "2.7 W/m").to("W/(m K)").magnitude, 6)
    0.99981
    """
    return heating_power / (_factor(geometry) * slope)


@law(
    "W/(m K)",
    first_time="s",
    second_time="s",
    first_temperature="degC",
    second_temperature="degC",
    heating_power="W/m",
)
def conductivity_from_two_times(
    first_time: Dimensional,
    second_time: Dimensional,
    first_temperature: Dimensional,
    second_temperature: Dimensional,
    heating_power: Dimensional,
    geometry: str = "full_space",
) -> WithUnit:
    """Conductivity from the temperatures at two times.

    Parameters
    ----------
    first_time, second_time : Quantity, DataArray or str
        Times since heating began [s].
    first_temperature, second_temperature : Quantity, DataArray or str
        Temperatures at these times [degC].
    heating_power, geometry
        As in :func:`conductivity_from_slope`, [W/m].

    Returns
    -------
    Quantity or DataArray
        Thermal conductivity [W/(m K)].

    Raises
    ------
    ValueError
        For another geometry.

    Notes
    -----
    k = q ln(t2 / t1) / (4 pi (T2 - T1)): Blum (1997), chapter 8.

    Examples
    --------
    >>> two = conductivity_from_two_times("20 s", "80 s", "22.1 degC", "22.431 degC", "3 W/m")
    >>> round(float(two.to("W/(m K)").magnitude), 6)
    0.999859
    """
    warming = second_temperature - first_temperature
    return heating_power * np.log(second_time / first_time) / (_factor(geometry) * warming)


# --------------------------------------------------------------------------------------------------
# 2. From a table of heating curves to one conductivity for each run.


def thermal_conductivity(
    table: xr.Dataset,
    *,
    heating_power_uncertainty: Scalar | None = None,
    minimum_window: Scalar = _T["needle_minimum_window"],
    flatness: float = _T["needle_flatness"],
    volumetric_heat_capacity: Scalar = _C["sediment_heat_capacity"],
    heat_capacity_uncertainty: Scalar | None = None,
    boundary_distance: Scalar | dict[str, Scalar] | None = None,
    largest_drift: float = _T["needle_large_drift"],
    cross_check: bool = True,
    needle_heat_capacity: Scalar = _C["needle_heat_capacity"],
    chosen_windows: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Thermal conductivity of every heating run of a table.

    Parameters
    ----------
    table : Dataset, (row)
        Columns run, geometry, heating_power [W/m], time [s] (negative before heating) and
        temperature [degC]. The columns core, section, offset, depth, direction, radius and
        boundary_distance [mm] are used where the table has them.
    heating_power_uncertainty : Quantity or str, optional
        Relative systematic uncertainty of the heating power, such as ``"1 %"``: effect
        ``heating_power``. NaN if not given.
    minimum_window : Quantity or str
        Duration of the shortest window [s].
    flatness : float
        Largest difference, as a fraction, between the slope of a window and of its halves.
    volumetric_heat_capacity : Quantity, str or Constant
        Heat capacity of the sediment [MJ/(m^3 K)]. It sets the earliest start of a window, the
        time at which heat reaches the boundary, and the size of the early terms.
    heat_capacity_uncertainty : Quantity or str, optional
        Relative uncertainty of the heat capacity, such as ``"9 %"``: effect ``heat_capacity``.
        The uncertainty of the Constant if not given.
    boundary_distance : Quantity, str or dict, optional
        Distance from the needle to the nearest boundary [mm]: one value for all runs or one for
        each geometry. It takes precedence over the column of that name. Without both, windows have
        no late limit.
    largest_drift : float
        Largest relative standard error of the conductivity that may remain after the drift has
        been removed; a run with a larger one is flagged. The size of the drift itself does not
        matter.
    cross_check : bool
        Whether the complete curve of a heated cylinder is fitted as well.
    needle_heat_capacity : Quantity, str or Constant
        Heat capacity of the needle per volume [MJ/(m^3 K)], for the cross-check.
    chosen_windows : mapping of str to str, optional
        Windows that the user chose, by run, such as ``"25 s to 90 s"`` since heating began. The
        other runs keep the window that the search found. ``window_by_hand`` marks the chosen ones.

    Returns
    -------
    Dataset, (reading)
        One reading for each run: ``thermal_conductivity`` [W/(m K)] with uncertainty, effects and
        flags; ``window_start``, ``window_end``, ``earliest_time``, ``latest_time`` [s],
        ``slope`` [K], ``windows_accepted``, ``window_spread`` [W/(m K)], ``drift`` [K/s],
        ``drift_share`` [1], ``drift_error`` [1], ``drift_settling_time`` [s],
        ``residual_deviation`` [K], ``contact_resistance``, k / (a H) [1], and
        ``conductivity_by_cylinder`` [W/(m K)] with ``cross_check``, ``window_by_hand`` (bool)
        with ``chosen_windows``, and ``samples_in_mean`` [1] where a run has more than 2,000
        samples.

    Raises
    ------
    ValueError
        When a column is missing, a geometry is unknown or a distance is not above zero. Also when
        a chosen window names an unknown run, cannot be read as two times, or holds too few samples
        after the earliest start of a window.

    Notes
    -----
    T = c + d g + s x + e z, x = ln t + (1 + L) a^2 / (2 kappa t), z = (L + 2 h) / t with L =
    ln(4 kappa t / a^2) - gamma, the drift d g fixed by the samples before heating, the contact
    h = k / (a H) by c; s gives k as the slope of a line source does. The expansion for late times
    is that of Blackwell (1954), Journal of Applied Physics 25, 137, and Jaeger (1956), Australian
    Journal of Physics 9, 167; e leaves the heat capacity of the needle free. Without a radius x is
    ln t and z is 1 / t, and ``heat_capacity`` is unknown. Windows begin after 5 a^2 / kappa (20 s
    without a radius) and end before R^2 / (8 kappa), R the distance to the boundary (both from
    memory). The drift is a line, g = t, or where the samples before heating and in the window make
    it twice as likely, an exponential, g = tau (1 - exp(-t / tau)). k is the mean over the line
    and all tau from 30 s to 20000 s, as likely as the samples make them, and the effect ``drift``
    their standard deviation. A rate d within four standard errors of zero leaves the line; its
    error is part of the random uncertainty. Without five
    samples before heating the drift is taken to be zero and its effect is unknown.
    ``convection`` and ``lost_contact`` are flagged anywhere in the admissible curve, also outside
    the window; a boundary that stays cold looks like convection. The cylinder is that of
    Carslaw and Jaeger (1959), section 13.7, from kappa t / a^2 = 1 to the end of the window;
    ``models_disagree`` when it differs by more than three standard errors and 2 %.

    Of a run with more than 2,000 samples, means of neighbouring samples are used, at most 2,000
    before heating and 2,000 after its start; ``samples_in_mean`` holds how many are in each. A
    mean stands at the mean of ln t, so that a line in ln t stays that line. All means of a run are
    of equally many samples, so that they have the same noise, and their scatter gives the random
    uncertainty: noise that neighbours share is not averaged away in it. The table keeps all rows.
    """
    # Group the rows into runs, remove a first drift, and find the limits in time of each run.
    curves = _gather(table, volumetric_heat_capacity, boundary_distance)
    relative = units.as_floats(
        heating_power_uncertainty, "1", "heating_power_uncertainty", optional=True
    )
    shortest = float(units.as_floats(minimum_window, "s", "minimum_window"))
    u_capacity = _relative(heat_capacity_uncertainty, volumetric_heat_capacity)
    own = _own_heat(needle_heat_capacity, curves.capacity) if cross_check else None
    names = np.asarray(table["run"].values[curves.runs.first]).astype(str)
    chosen = arguments.windows_by_name(chosen_windows, names, "run")
    # Choose the windows; fit drift, contact and conductivity together; fit the complete cylinder.
    found = _reduce(curves, shortest, flatness, u_capacity, own, (names, chosen))
    # The power is a factor of the conductivity, so its relative error is that of the conductivity.
    effects = {
        "heating_power": found.k * (float("nan") if relative is None else relative),
        "heat_capacity": found.by_capacity,
        "drift": found.by_drift,
    }
    reason = _reasons(curves, found, largest_drift)
    measured = Measured(_along(found.k, curves.runs, table), found.random, effects, reason)
    dataset = series.build(
        {"thermal_conductivity": measured},
        steps=(*_STEPS, *(f"window of run {n} chosen: {chosen_windows[n]}" for n in chosen)),
        constants={
            "minimum_window": minimum_window,
            "flatness": flatness,
            "largest_drift": largest_drift,
            "volumetric_heat_capacity": volumetric_heat_capacity,
            "needle_heat_capacity": needle_heat_capacity if cross_check else None,
        },
    )
    return _attach(dataset, curves, found)


_STEPS = (
    "drift from the samples before heating",
    "all windows of T against x and z; the longest flat one with white residuals",
    "T = c + d t + s x + e z with the samples before heating (Blackwell 1954)",
    "k = q / (4 pi s) in a full space, q / (2 pi s) on a half-space (Carslaw and Jaeger 1959)",
)


# --------------------------------------------------------------------------------------------------
# 3. The steps, in the order in which they are called.


@dataclass
class _Curves:
    """Runs with their drift and early limit; ``scale`` is q / (4 pi) in a full space [W/m]."""

    runs: needle_runs.Runs
    late: needle_runs.Late
    scale: np.ndarray
    capacity: float
    drift: needle_drift.Drift

    @property
    def rise(self) -> np.ndarray:
        """Temperature less the drift [K], (runs, samples)."""
        return np.asarray(self.late.temperature - self.drift.curve(self.late.time))

    def regressors(self) -> tuple[np.ndarray, np.ndarray]:
        """Regressors x and z for the contact resistance of the start."""
        contact = np.full(self.scale.size, USUAL_CONTACT)
        return window_choice.regressors(self.late.time, self.late.warm, contact)


@dataclass
class _Found:
    """Results of each run, (runs,), before they are laid out as a Dataset."""

    choice: window_choice.Choice
    fit: needle_drift.Fit
    contact: np.ndarray
    k: np.ndarray
    random: np.ndarray
    by_capacity: np.ndarray
    cylinder: needle_cylinder.CylinderFit | None
    convection: np.ndarray
    lost: np.ndarray
    by_hand: np.ndarray
    weighed: needle_drift.Weighed

    @property
    def empty(self) -> np.ndarray:
        """Runs in which no window fits."""
        return np.asarray(self.choice.length == 0)

    @property
    def by_drift(self) -> np.ndarray:
        """One-sigma effect on the conductivity of the shape of the drift [W/(m K)]."""
        return -self.k * self._relative(self.weighed.shape_error)

    @property
    def drift_error(self) -> np.ndarray:
        """Relative error of the conductivity from the rate and the shape of the drift [1]."""
        return self._relative(np.hypot(self.weighed.shape_error, self.weighed.rate_error))

    def _relative(self, error: np.ndarray) -> np.ndarray:
        """Errors of the slope over the slope, NaN where there is no conductivity."""
        found = np.isfinite(self.k)
        return np.where(found, error / np.where(found, self.fit.slope, 1.0), np.nan)


def _gather(
    table: xr.Dataset,
    volumetric_heat_capacity: Scalar,
    boundary_distance: Scalar | dict[str, Scalar] | None,
) -> _Curves:
    """Group the rows into runs and remove a first estimate of the drift."""
    runs = needle_runs.gather(table)
    capacity = float(
        units.as_floats(volumetric_heat_capacity, "J/(m^3 K)", "volumetric_heat_capacity")
    )
    distance = needle_runs.boundary(table, runs, boundary_distance)
    scale = runs.power / np.where(runs.half_space, 2.0 * np.pi, 4.0 * np.pi)
    straight = needle_runs.drift_before(runs)
    drift = needle_drift.Drift(straight, np.full(straight.size, np.inf))
    # A settling drift bends the complete curve, and the rough conductivity that sets the time
    # limits with it. So the limits are found twice: with a straight drift, then with the drift that
    # the complete curve supports.
    for again in (True, False):
        taken_off = drift.curve(runs.time)
        late = needle_runs.after_warming(runs, scale, capacity, taken_off, distance)
        curves = _Curves(runs, late, scale, capacity, drift)
        if again:
            admissible = np.isfinite(late.time) & (late.time <= late.latest[:, None])
            drift = _weighed(curves, admissible, curves.regressors()).drift
    return curves


def _weighed(
    curves: _Curves,
    inside: np.ndarray,
    regressors: tuple[np.ndarray, np.ndarray],
    taken: needle_drift.Drift | None = None,
) -> needle_drift.Weighed:
    """Compare drifts on the samples before heating and those of ``inside``."""
    runs, late = curves.runs, curves.late
    found = needle_drift.weigh(
        late.time,
        late.temperature,
        runs.before_time,
        runs.before_temperature,
        inside,
        *regressors,
        taken,
    )
    # NaN marks runs with too few samples to compare drifts; they keep their earlier drift.
    known = np.isfinite(found.shape_error)
    found.drift.rate = np.where(known, found.drift.rate, curves.drift.rate)
    found.drift.settling = np.where(known, found.drift.settling, curves.drift.settling)
    return found


def _relative(given: Scalar | None, owner: Scalar) -> float:
    """Relative uncertainty as given, otherwise that of the constant, otherwise NaN."""
    value = units.as_floats(given, "1", "heat_capacity_uncertainty", optional=True)
    if value is not None:
        return float(value)
    known = isinstance(owner, constants.Constant)
    return float(owner.uncertainty / owner.value) if known else float("nan")


def _own_heat(given: Scalar, capacity: float) -> tuple[float, float]:
    """Heat capacity of the needle over that of the sediment, and its relative uncertainty."""
    own = float(units.as_floats(given, "J/(m^3 K)", "needle_heat_capacity"))
    if not own > 0:
        raise ValueError(f"needle_heat_capacity is {given}; it has to be above zero")
    constant = isinstance(given, constants.Constant)
    usual = given if constant else _C["needle_heat_capacity"]
    return own / capacity, float(usual.uncertainty / usual.value)


def _reduce(
    curves: _Curves,
    shortest: float,
    flatness: float,
    u_capacity: float,
    own: tuple[float, float] | None,
    chosen: tuple[np.ndarray, dict[str, tuple[float, float]]],
) -> _Found:
    """Choose the windows and fit conductivity, contact and drift of all runs."""
    runs, late, scale, capacity = curves.runs, curves.late, curves.scale, curves.capacity
    contact = np.full(scale.size, USUAL_CONTACT)
    line, early = curves.regressors()
    choice = window_choice.choose(
        late.time, curves.rise, line, early, shortest, flatness=flatness, latest=late.latest
    )
    by_hand = window_choice.choose_by_hand(choice, late.time, *chosen)
    index = np.arange(late.time.shape[1])
    inside = (index >= choice.start[:, None]) & (index < (choice.start + choice.length)[:, None])
    curves.drift = _weighed(curves, inside, curves.regressors()).drift
    fit, contact = _solve(curves, inside, capacity, late.warm, contact, rounds=7)
    # The effect of the heat capacity is found by a second fit with it one sigma higher; the formula
    # has no closed derivative, since the contact is fitted as well.
    moved = capacity * (1.0 + u_capacity)
    start = _conductivity(scale, fit.slope) / (moved * runs.radius**2)
    other, _ = _solve(curves, inside, moved, start, contact, rounds=3)
    empty = choice.length == 0
    regressors = _regressors(curves, _conductivity(scale, fit.slope), contact)
    weighed = _weighed(curves, inside, regressors, curves.drift)
    fit.slope = fit.slope + weighed.shift
    k = np.where(empty, np.nan, _conductivity(scale, fit.slope))
    with np.errstate(divide="ignore", invalid="ignore"):
        random = k * np.sqrt(fit.variance + choice.excess) / fit.slope
    known = np.isfinite(runs.radius) & np.isfinite(u_capacity)
    by_capacity = np.where(known, _conductivity(scale, other.slope + weighed.shift) - k, np.nan)
    by_cylinder = None
    if own is not None:
        by_cylinder = needle_cylinder.fit(
            runs,
            _end(late.time, choice),
            fit.level,
            scale,
            capacity,
            own,
            (k, contact),
            curves.drift,
        )
    convection, lost = window_choice.find_faults(
        runs,
        late.time,
        late.temperature,
        *regressors,
        curves.drift,
        fit.slope,
        window_choice.samples_until(late.time, late.latest),
        # A poor contact delays the time from which the late-time expansion holds.
        late.earliest * (1.0 + 2.0 * np.nan_to_num(contact, nan=0.0)),
    )
    return _Found(
        choice,
        fit,
        contact,
        k,
        random,
        by_capacity,
        by_cylinder,
        convection,
        lost,
        by_hand,
        weighed,
    )


def _conductivity(scale: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Conductivity from slopes [W/(m K)]; NaN for a curve that does not rise with ln t."""
    rises = slope > 0.0
    return np.asarray(np.where(rises, scale / np.where(rises, slope, 1.0), np.nan))


def _regressors(
    curves: _Curves, k: np.ndarray, contact: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Regressors x and z for given conductivities [W/(m K)] and contacts."""
    warm = k / (curves.capacity * curves.runs.radius**2)
    known = np.nan_to_num(contact, nan=USUAL_CONTACT)
    return window_choice.regressors(curves.late.time, warm, known)


def _solve(
    curves: _Curves,
    inside: np.ndarray,
    capacity: float,
    warm: np.ndarray,
    contact: np.ndarray,
    *,
    rounds: int,
) -> tuple[needle_drift.Fit, np.ndarray]:
    """Fit with diffusivity and contact updated from the fit itself, ``rounds`` times."""
    runs, late, settling = curves.runs, curves.late, curves.drift.settling
    after, before = (needle_drift.clock(t, settling) for t in (late.time, runs.before_time))
    # A fixed number of rounds: a common test of convergence would make the result of a run depend
    # on the other runs of the table.
    for _ in range(rounds):
        fit = needle_drift.fit_curves(
            after,
            late.temperature,
            before,
            runs.before_temperature,
            inside,
            *window_choice.regressors(late.time, warm, contact),
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            # Limits in W/(m K), far outside any sediment: they only keep a bad run from diverging.
            k = np.clip(curves.scale / fit.slope, 0.1, 20.0)
            warm = k / (capacity * runs.radius**2)
            found = 0.5 * (fit.rise_constant / fit.slope - np.log(4.0 * warm) + np.euler_gamma)
            contact = np.clip(np.where(np.isfinite(found), found, USUAL_CONTACT), 0.0, 10.0)
    return fit, np.where(np.isfinite(found), found, np.nan)


def _reasons(curves: _Curves, found: _Found, largest_drift: float) -> np.ndarray:
    """Reasons to doubt each run."""
    reason = curves.runs.reason.copy()
    fit, empty = found.fit, found.empty
    with np.errstate(invalid="ignore"):
        marks = {
            "no_window": empty | ~(fit.slope > 0),
            "poor_fit": ~empty & (found.choice.accepted == 0),
            "poor_contact": ~empty & (found.contact > _POOR_CONTACT),
            "beyond_method_range": found.by_hand
            & (_end(curves.late.time, found.choice) > curves.late.latest),
            # Written with ~ so that NaN counts: a drift that was not measured is doubtful too.
            "drift": np.isfinite(found.k) & ~(found.drift_error <= largest_drift),
            "convection": ~empty & found.convection,
            "lost_contact": ~empty & found.lost,
        }
        if found.cylinder is not None:
            apart = np.abs(found.cylinder.conductivity - found.k)
            errors = np.hypot(found.random, found.cylinder.uncertainty)
            marks["models_disagree"] = apart > np.maximum(_ERRORS * errors, _DISAGREE * found.k)
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


def _end(time: np.ndarray, choice: window_choice.Choice) -> np.ndarray:
    """Time of the last sample of each window [s]."""
    stop = np.maximum(choice.start + choice.length - 1, 0)
    return np.asarray(time[np.arange(stop.size), stop])


def _attach(dataset: xr.Dataset, curves: _Curves, found: _Found) -> xr.Dataset:
    """Add the window, the drift, the contact and the cross-check of each run."""
    time, fit, choice, k = curves.late.time, found.fit, found.choice, found.k
    start = time[np.arange(k.size), choice.start]
    latest = np.where(np.isfinite(curves.late.latest), curves.late.latest, np.nan)
    settling = np.where(np.isfinite(curves.drift.settling), curves.drift.settling, np.nan)
    extra = {
        "window_start": (start, "s", "start of the window since heating began"),
        "window_end": (_end(time, choice), "s", "end of the window since heating began"),
        "slope": (fit.slope, "K", "slope of temperature against ln t"),
        "windows_accepted": (
            choice.accepted.astype(float),
            "1",
            "windows that are flat and white",
        ),
        "window_spread": (
            k * choice.spread / fit.slope,
            "W/(m K)",
            "standard deviation of the conductivity over the accepted windows",
        ),
        "drift": (fit.drift, "K/s", "drift of the temperature before heating"),
        "drift_share": (fit.drift_share, "1", "share of the slope that the drift caused"),
        "drift_error": (
            found.drift_error,
            "1",
            "relative error that the drift leaves",
        ),
        "drift_settling_time": (
            settling,
            "s",
            "settling time of the drift; NaN for a linear drift",
        ),
        "residual_deviation": (fit.deviation, "K", "standard deviation of the residuals"),
        "contact_resistance": (found.contact, "1", "contact resistance, k / (a H)"),
        "earliest_time": (curves.late.earliest, "s", "time before which no window begins"),
        "latest_time": (latest, "s", "time at which heat reaches the nearest boundary"),
    }
    if found.by_hand.any():
        words = {"long_name": "window was chosen by hand"}
        dataset["window_by_hand"] = ("reading", found.by_hand, words)
    if found.cylinder is not None:
        extra["conductivity_by_cylinder"] = (
            found.cylinder.conductivity,
            "W/(m K)",
            "thermal conductivity by the heated cylinder",
        )
    taken = curves.runs.taken
    if (taken > 1).any():
        words = "samples in each mean that the fits use in place of samples"
        extra["samples_in_mean"] = (taken.astype(float), "1", words)
    # These describe the curve, so they hold without a window as well.
    always = ("windows_accepted", "earliest_time", "latest_time", "samples_in_mean")
    return dataset.assign(
        {
            name: (
                "reading",
                values if name in always else np.where(found.empty, np.nan, values),
                {"units": unit, "long_name": words},
            )
            for name, (values, unit, words) in extra.items()
        }
    )


# --------------------------------------------------------------------------------------------------
# 4. Every window of a curve, to see why one was chosen.


def windows(
    table: xr.Dataset,
    *,
    run: str | int | None = None,
    minimum_window: Scalar = _T["needle_minimum_window"],
    flatness: float = _T["needle_flatness"],
    volumetric_heat_capacity: Scalar = _C["sediment_heat_capacity"],
    boundary_distance: Scalar | dict[str, Scalar] | None = None,
) -> xr.Dataset:
    """List every window of the heating curves and why it was rejected.

    Parameters
    ----------
    table : Dataset, (row)
        Heating curves, as for :func:`thermal_conductivity`.
    run : str or int, optional
        Name of the run, or of several runs; each has a few thousand windows. All runs if not
        given.
    minimum_window, flatness, volumetric_heat_capacity, boundary_distance
        As for :func:`thermal_conductivity` [s], [1], [MJ/(m^3 K)], [mm].

    Returns
    -------
    Dataset, (window)
        ``run``, ``start``, ``end`` [s], ``conductivity`` and ``conductivity_u_random``
        [W/(m K)] by the window alone, ``accepted`` (bool) and ``reason``: empty for an accepted
        window, otherwise the reasons of rejection joined by commas.

    Raises
    ------
    ValueError
        When a column is missing, a geometry is unknown, or no run has the given name.

    Notes
    -----
    These are the windows from which :func:`thermal_conductivity` chooses, with the contact
    resistance with which it starts (Blackwell 1954). Its final conductivity differs, because it
    fits contact and drift as well.
    """
    if run is not None and "run" in table:
        own = table["run"].values.astype(str) == str(run)
        if not own.any():
            names = ", ".join(dict.fromkeys(table["run"].values.astype(str)))
            raise ValueError(f"the table has no run {str(run)!r}; give one of {names}")
        table = table.isel({table["run"].dims[0]: own})
    curves = _gather(table, volumetric_heat_capacity, boundary_distance)
    shortest = float(units.as_floats(minimum_window, "s", "minimum_window"))
    columns = window_choice.listing(
        curves.late.time,
        curves.rise,
        *curves.regressors(),
        shortest,
        flatness=flatness,
        latest=curves.late.latest,
    )
    row, slope = columns["row"], columns["slope"]
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(slope > 0, curves.scale[row] / slope, np.nan)
        error = k * columns["slope_error"] / slope
    name = table["run"].values[curves.runs.first][row]
    shown: dict[str, tuple[np.ndarray, str, str]] = {
        "start": (columns["start"], "s", "start of the window since heating began"),
        "end": (columns["end"], "s", "end of the window since heating began"),
        "conductivity": (k, "W/(m K)", "thermal conductivity by the window"),
        "conductivity_u_random": (
            error,
            "W/(m K)",
            "random standard uncertainty of conductivity",
        ),
    }
    used = {
        "minimum_window": minimum_window,
        "flatness": flatness,
        "volumetric_heat_capacity": volumetric_heat_capacity,
    }
    dataset = xr.Dataset(
        coords={"run": ("window", name)}, attrs={"constants": constants_attribute(used)}
    )
    for key, (values, unit, words) in shown.items():
        dataset[key] = ("window", values, {"units": unit, "long_name": words})
    dataset["accepted"] = ("window", columns["words"] == "", {"long_name": "window is admissible"})
    dataset["reason"] = ("window", columns["words"], {"long_name": "why the window was rejected"})
    return dataset
