"""From heating curves to one conductivity a run: drift and curve fitted together in the chosen
window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import arguments as windows_by_name
from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.provenance import constants_attribute
from corephys.samples.needle import cylinder as needle_cylinder
from corephys.samples.needle import drift as needle_drift
from corephys.samples.needle import runs as needle_runs
from corephys.samples.needle import window_choice
from corephys.samples.needle.drift import Fit, fit_curves
from corephys.uncertainty import Measured

__all__ = ["thermal_conductivity", "windows"]

# --------------------------------------------------------------------------------------------------
# From the table of heating curves to one conductivity a run, or to the windows of a run.


_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
USUAL_CONTACT = 0.2  # k / (a H), where the search begins; the fit moves it
POOR_CONTACT = thresholds.value("needle_poor_contact")
LARGE_DRIFT = thresholds.value("needle_large_drift")
DISAGREE = thresholds.value("needle_models_disagree")
ERRORS = thresholds.value("needle_models_errors")


def thermal_conductivity(
    table: xr.Dataset,
    *,
    heating_power_uncertainty: Any = None,
    minimum_window: Any = _T["needle_minimum_window"],
    flatness: float = _T["needle_flatness"],
    volumetric_heat_capacity: Any = _C["sediment_heat_capacity"],
    heat_capacity_uncertainty: Any = None,
    boundary_distance: Any = None,
    largest_drift: float = _T["needle_large_drift"],
    cross_check: bool = True,
    needle_heat_capacity: Any = _C["needle_heat_capacity"],
    chosen_windows: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Thermal conductivity of every heating run of a table.

    Parameters
    ----------
    table : Dataset, (row)
        Columns run, geometry, heating_power [W/m], time [s] (negative before heating),
        temperature [degC]; where there are core, section, offset, depth, direction, radius and
        boundary_distance [mm], they are used.
    heating_power_uncertainty : Quantity or str, optional
        Systematic, relative, such as ``"1 %"``: effect ``heating_power``. Unknown gives NaN.
    minimum_window : Quantity or str
        Shortest window [s].
    flatness : float
        Largest difference, as a fraction, between the slope of a window and of its halves.
    volumetric_heat_capacity : Quantity, str or Constant
        Of the sediment [MJ/(m^3 K)]; says when the needle has warmed through, when heat reaches
        the boundary and how early terms fall.
    heat_capacity_uncertainty : Quantity or str, optional
        Relative, such as ``"9 %"``: effect ``heat_capacity``. A Constant brings its own.
    boundary_distance : Quantity, str or dict, optional
        From the needle to the nearest boundary [mm], one for all or one by geometry; goes before
        the column. Without either nothing is cut off late.
    largest_drift : float
        Share of the conductivity that the drift may leave as a standard error once it is taken
        off; a run beyond it is flagged. How large the drift itself is does not matter.
    cross_check : bool
        Whether the whole curve of a heated cylinder is fitted too.
    needle_heat_capacity : Quantity, str or Constant
        Of the needle's own volume [MJ/(m^3 K)], for the cross-check.
    chosen_windows : mapping of str to str, optional
        Run to the window somebody chose, such as ``"25 s to 90 s"`` since heating began; the
        other runs keep the one found. Such runs are marked in ``window_by_hand``.

    Returns
    -------
    Dataset, (reading)
        One reading a run: ``thermal_conductivity`` [W/(m K)] with uncertainty, effects and flags;
        ``window_start``, ``window_end``, ``earliest_time``, ``latest_time`` [s], ``slope`` [K],
        ``windows_accepted``, ``window_spread`` [W/(m K)], ``drift`` [K/s], ``drift_share`` [1],
        ``drift_error`` [1], ``drift_settling_time`` [s],
        ``residual_deviation`` [K], ``contact_resistance``, k / (a H) [1], and
        ``conductivity_by_cylinder`` [W/(m K)] where asked for, ``window_by_hand`` (bool) where a
        window was chosen.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When a column is missing, a geometry is not known, a distance is not above zero, or a
        chosen window is of no run, is no window or holds too few samples after the needle has
        warmed through.

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
    ``convection`` and ``lost_contact`` are marked over the whole admissible curve, also where the
    window avoids them; a boundary that stays cold looks like convection. The cylinder is that of
    Carslaw and Jaeger (1959), section 13.7, from kappa t / a^2 = 1 to the end of the window;
    ``models_disagree`` when it differs by more than three standard errors and 2 %.
    """
    curves = _gather(table, volumetric_heat_capacity, boundary_distance)
    relative = units.as_floats(
        heating_power_uncertainty, "1", "heating_power_uncertainty", optional=True
    )
    shortest = float(units.as_floats(minimum_window, "s", "minimum_window"))
    u_capacity = _relative(heat_capacity_uncertainty, volumetric_heat_capacity)
    own = _own_heat(needle_heat_capacity, curves.capacity) if cross_check else None
    names = np.asarray(table["run"].values[curves.runs.first]).astype(str)
    chosen = windows_by_name.of_known(chosen_windows, names, "run")
    found = _reduce(curves, shortest, flatness, u_capacity, own, (names, chosen))
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


def windows(
    table: xr.Dataset,
    *,
    run: Any = None,
    minimum_window: Any = _T["needle_minimum_window"],
    flatness: float = _T["needle_flatness"],
    volumetric_heat_capacity: Any = _C["sediment_heat_capacity"],
    boundary_distance: Any = None,
) -> xr.Dataset:
    """Every window of the heating curves and what speaks against it.

    Parameters
    ----------
    table : Dataset, (row)
        As for :func:`thermal_conductivity`.
    run : str or int, optional
        The run, or all of that name; a few thousand windows each. All runs where not given.
    minimum_window, flatness, volumetric_heat_capacity, boundary_distance
        As for :func:`thermal_conductivity` [s], [1], [MJ/(m^3 K)], [mm].

    Returns
    -------
    Dataset, (window)
        ``run``, ``start``, ``end`` [s], ``conductivity`` and ``conductivity_u_random``
        [W/(m K)] by the window alone, ``accepted`` (bool) and ``reason``: empty, or words joined
        by commas.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When a column is missing, a geometry is not known, or there is no such run.

    Notes
    -----
    The windows that :func:`thermal_conductivity` chooses from, with the contact it begins with
    (Blackwell 1954); its final conductivity differs by what the contact and the drift then say.
    """
    if run is not None and "run" in table:
        own = table["run"].values.astype(str) == str(run)
        if not own.any():
            names = ", ".join(dict.fromkeys(table["run"].values.astype(str)))
            raise ValueError(f"there is no run {str(run)!r}; the runs are {names}")
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
        "conductivity_u_random": (error, "W/(m K)", "random standard uncertainty of it"),
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
    dataset["reason"] = ("window", columns["words"], {"long_name": "what speaks against it"})
    return dataset


_STEPS = (
    "drift from the samples before heating",
    "all windows of T against x and z; the longest flat one with white residuals",
    "T = c + d t + s x + e z with the samples before heating (Blackwell 1954)",
    "k = q / (4 pi s) in a full space, q / (2 pi s) on a half-space (Carslaw and Jaeger 1959)",
)


@dataclass
class _Curves:
    """What both public functions begin with; ``scale`` is q / (4 pi) in a full space [W/m]."""

    runs: needle_runs.Runs
    late: needle_runs.Late
    scale: np.ndarray
    capacity: float
    drift: needle_drift.Drift

    @property
    def rise(self) -> np.ndarray:
        return np.asarray(self.late.temperature - self.drift.curve(self.late.time))

    def regressors(self) -> tuple[np.ndarray, np.ndarray]:
        contact = np.full(self.scale.size, USUAL_CONTACT)
        return window_choice.regressors(self.late.time, self.late.warm, contact)


@dataclass
class _Found:
    """The answer for each run, (runs,)."""

    choice: window_choice.Choice
    fit: Fit
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
        return np.asarray(self.choice.length == 0)

    @property
    def by_drift(self) -> np.ndarray:
        """One-sigma effect on the conductivity of the shape of the drift [W/(m K)]."""
        return -self.k * self._relative(self.weighed.shape_error)

    @property
    def drift_error(self) -> np.ndarray:
        """Share of the conductivity by which rate and shape of the drift may leave it off [1]."""
        return self._relative(np.hypot(self.weighed.shape_error, self.weighed.rate_error))

    def _relative(self, error: np.ndarray) -> np.ndarray:
        """Errors of the slope over the slope, NaN where there is no conductivity."""
        found = np.isfinite(self.k)
        return np.where(found, error / np.where(found, self.fit.slope, 1.0), np.nan)


def _gather(table: xr.Dataset, volumetric_heat_capacity: Any, boundary_distance: Any) -> _Curves:
    runs = needle_runs.gather(table)
    capacity = float(
        units.as_floats(volumetric_heat_capacity, "J/(m^3 K)", "volumetric_heat_capacity")
    )
    distance = needle_runs.boundary(table, runs, boundary_distance)
    scale = runs.power / np.where(runs.half_space, 2.0 * np.pi, 4.0 * np.pi)
    straight = needle_runs.drift_before(runs)
    drift = needle_drift.Drift(straight, np.full(straight.size, np.inf))
    # A drift that settles shows in the whole curve; the limits are looked for again without it.
    for again in (True, False):
        taken_off = drift.curve(runs.time)
        late = needle_runs.after_warming(runs, scale, capacity, taken_off, distance)
        curves = _Curves(runs, late, scale, capacity, drift)
        if again:
            whole = np.isfinite(late.time) & (late.time <= late.latest[:, None])
            drift = _weighed(curves, whole, curves.regressors()).drift
    return curves


def _weighed(
    curves: _Curves,
    inside: np.ndarray,
    regressors: tuple[np.ndarray, np.ndarray],
    taken: needle_drift.Drift | None = None,
) -> needle_drift.Weighed:
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
    # Runs without samples enough to compare drifts keep what they had.
    known = np.isfinite(found.shape_error)
    found.drift.rate = np.where(known, found.drift.rate, curves.drift.rate)
    found.drift.settling = np.where(known, found.drift.settling, curves.drift.settling)
    return found


def _relative(given: Any, owner: Any) -> float:
    """A relative uncertainty as given, else that of the constant, else unknown."""
    stated = units.as_floats(given, "1", "heat_capacity_uncertainty", optional=True)
    if stated is not None:
        return float(stated)
    known = isinstance(owner, constants.Constant)
    return float(owner.uncertainty / owner.value) if known else float("nan")


def _own_heat(given: Any, capacity: float) -> tuple[float, float]:
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
    whole = None
    if own is not None:
        whole = needle_cylinder.fit(
            runs,
            _end(late.time, choice),
            fit.level,
            scale,
            capacity,
            own,
            (k, contact),
            curves.drift,
        )
    convection, lost = window_choice.look(
        runs,
        late.time,
        late.temperature,
        *regressors,
        curves.drift,
        fit.slope,
        window_choice.samples_until(late.time, late.latest),
        # The expansion needs the longer the worse the contact is.
        late.earliest * (1.0 + 2.0 * np.nan_to_num(contact, nan=0.0)),
    )
    return _Found(
        choice, fit, contact, k, random, by_capacity, whole, convection, lost, by_hand, weighed
    )


def _conductivity(scale: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """k of slopes [W/(m K)]; NaN for a curve that does not rise with ln t."""
    rises = slope > 0.0
    return np.asarray(np.where(rises, scale / np.where(rises, slope, 1.0), np.nan))


def _regressors(
    curves: _Curves, k: np.ndarray, contact: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Regressors of the final conductivities [W/(m K)] and contacts."""
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
) -> tuple[Fit, np.ndarray]:
    """The fit with the diffusivity and the contact that it finds itself."""
    runs, late, settling = curves.runs, curves.late, curves.drift.settling
    after, before = (needle_drift.clock(t, settling) for t in (late.time, runs.before_time))
    # A fixed number, so that a run's result does not hang on the runs beside it.
    for _ in range(rounds):
        fit = fit_curves(
            after,
            late.temperature,
            before,
            runs.before_temperature,
            inside,
            *window_choice.regressors(late.time, warm, contact),
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            k = np.clip(curves.scale / fit.slope, 0.1, 20.0)
            warm = k / (capacity * runs.radius**2)
            found = 0.5 * (fit.rise_constant / fit.slope - np.log(4.0 * warm) + np.euler_gamma)
            contact = np.clip(np.where(np.isfinite(found), found, USUAL_CONTACT), 0.0, 10.0)
    return fit, np.where(np.isfinite(found), found, np.nan)


def _reasons(curves: _Curves, found: _Found, largest_drift: float) -> np.ndarray:
    reason = curves.runs.reason.copy()
    fit, empty = found.fit, found.empty
    with np.errstate(invalid="ignore"):
        marks = {
            "no_window": empty | ~(fit.slope > 0),
            "poor_fit": ~empty & (found.choice.accepted == 0),
            "poor_contact": ~empty & (found.contact > POOR_CONTACT),
            # A drift that could not be measured is as doubtful as one that leaves a large error.
            "beyond_method_range": found.by_hand
            & (_end(curves.late.time, found.choice) > curves.late.latest),
            "drift": np.isfinite(found.k) & ~(found.drift_error <= largest_drift),
            "convection": ~empty & found.convection,
            "lost_contact": ~empty & found.lost,
        }
        if found.cylinder is not None:
            apart = np.abs(found.cylinder.conductivity - found.k)
            errors = np.hypot(found.random, found.cylinder.uncertainty)
            marks["models_disagree"] = apart > np.maximum(ERRORS * errors, DISAGREE * found.k)
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
    stop = np.maximum(choice.start + choice.length - 1, 0)
    return np.asarray(time[np.arange(stop.size), stop])


def _attach(dataset: xr.Dataset, curves: _Curves, found: _Found) -> xr.Dataset:
    time, fit, choice, k = curves.late.time, found.fit, found.choice, found.k
    start = time[np.arange(k.size), choice.start]
    latest = np.where(np.isfinite(curves.late.latest), curves.late.latest, np.nan)
    settling = np.where(np.isfinite(curves.drift.settling), curves.drift.settling, np.nan)
    extra = {
        "window_start": (start, "s", "start of the window since heating began"),
        "window_end": (_end(time, choice), "s", "end of the window since heating began"),
        "slope": (fit.slope, "K", "slope of temperature against ln t"),
        "windows_accepted": (choice.accepted.astype(float), "1", "windows that are flat and white"),
        "window_spread": (
            k * choice.spread / fit.slope,
            "W/(m K)",
            "standard deviation of the conductivity over the accepted windows",
        ),
        "drift": (fit.drift, "K/s", "drift of the temperature before heating"),
        "drift_share": (fit.drift_share, "1", "share of the slope that the drift made up"),
        "drift_error": (found.drift_error, "1", "relative error that the drift can leave"),
        "drift_settling_time": (
            settling,
            "s",
            "time in which the drift settles; none where it is a line",
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
    for name, (values, unit, words) in extra.items():
        always = name in ("windows_accepted", "earliest_time", "latest_time")
        shown = values if always else np.where(found.empty, np.nan, values)
        dataset[name] = ("reading", shown, {"units": unit, "long_name": words})
    return dataset
