"""P- and S-wave velocity of discrete samples between two transducers, along three axes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import companions, fits, flags, moduli, series, thresholds, units
from corephys.ground.choices import choice, choice_column
from corephys.ground.provenance import SourcedText
from corephys.numerics.line import Line, ordinary_line
from corephys.uncertainty import Measured, covariance_effects, given_uncertainty

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Fraction, Measurement, Numbers, Scalar

__all__ = [
    "Calibration",
    "anisotropy",
    "calibrate",
    "elastic_moduli",
    "reduce_table",
    "velocity",
]

# --------------------------------------------------------------------------------------------------
# Calibration of a velocity bench with standards of several lengths.


@dataclass(frozen=True)
class Calibration(fits.FitResult):
    """Calibration of a bench: t = delay + length_factor length / velocity of the standard.

    Parameters
    ----------
    delay : float
        Delay of transducers and electronics [us].
    length_factor : float
        True length over length as read, a pure number.
    covariance : (2, 2) ndarray
        Covariance of delay [us] and length factor [1]; NaN where unknown.
    standard_velocity : float
        Velocity of the standards [m/s] if it was fitted, otherwise NaN.
    length, travel_time, residual : ndarray, (standard)
        Lengths [mm] and travel times [us] of the standards, and measured less fitted time [us].
    residual_deviation : float
        Standard deviation of the residuals [us], by the degrees of freedom of the fit.
    line_covariance : (2, 2) ndarray, optional
        Covariance of the line alone, without the error that the velocities of all standards share.
    """

    delay: float
    length_factor: float
    covariance: np.ndarray
    standard_velocity: float = float("nan")
    length: np.ndarray = field(default_factory=lambda: np.empty(0))
    travel_time: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual_deviation: float = float("nan")
    line_covariance: np.ndarray | None = field(default=None, repr=False)

    _TITLE = "Calibration of a velocity bench, t = delay + length factor length / velocity"

    @property
    def dataset(self) -> xr.Dataset:
        """Delay and length factor with uncertainties, and a fitted velocity of the standards."""
        line = self.covariance if self.line_covariance is None else self.line_covariance
        random = np.sqrt(np.diag(line))
        shared = float("nan")
        if self.line_covariance is not None:
            shared = float(np.sqrt(self.covariance[1, 1] - line[1, 1]))
        factor = (self.length_factor, "1", "true length over length as read", random[1], {}, shared)
        rows = [
            fits.Parameter("delay", self.delay, "us", "delay of transducers", random[0]),
            fits.Parameter("length_factor", *factor),
        ]
        if np.isfinite(self.standard_velocity):
            words = "velocity of the standards"
            rows.append(fits.Parameter("standard_velocity", self.standard_velocity, "m/s", words))
        return fits.parameters(
            rows,
            equation="t = delay + length_factor length / velocity of the standard",
            covariance=self.covariance,
            residual_deviation=self.residual_deviation,
            standards=self.length.size,
        )

    def _draw(self, ax: Axes) -> None:
        """Travel time of the standards against their length."""
        order = np.argsort(self.length, kind="stable")
        x, t = self.length[order], self.travel_time[order]
        fits.draw_points(ax, x, t, u_y=self.residual_deviation, label="standards")
        if x.size:
            fits.draw_curve(ax, x, t - self.residual[order])
        else:  # a delay that was given, without standards
            fits.draw_curve(ax, [0.0, 0.0], [0.0, self.delay], label="delay")
        ax.set_xlabel("length as read [mm]")
        ax.set_ylabel("travel time [us]")

    @property
    def delay_uncertainty(self) -> float:
        """Standard uncertainty of the delay [us]."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def length_factor_uncertainty(self) -> float:
        """Standard uncertainty of the length factor, a pure number."""
        return float(np.sqrt(self.covariance[1, 1]))

    def describe(self) -> str:
        """Return delay, length factor and number of standards in one line of text."""
        return (
            f"delay {self.delay:.4g} +- {self.delay_uncertainty:.2g} us, length factor "
            f"{self.length_factor:.5g} +- {self.length_factor_uncertainty:.2g}; "
            f"{self.length.size} standards"
        )


def calibrate(
    length: Dimensional,
    travel_time: Dimensional,
    *,
    velocity: Dimensional | None = None,
    velocity_uncertainty: Scalar | None = None,
    travel_time_uncertainty: Dimensional | None = None,
) -> Calibration:
    """Delay of the transducers and scale of the calliper, from standards of several lengths.

    Parameters
    ----------
    length, travel_time : DataArray or Quantity, (standard)
        Length [mm] and travel time [us] as read on the bench; standards with a missing cell are
        left out.
    velocity : Quantity, DataArray or str, optional
        Velocity of the standards [m/s]. If not given, all standards are assumed to be of one
        material; its velocity is then fitted, and the calliper is assumed to be right.
    velocity_uncertainty : Quantity or str, optional
        Error that the velocities of all standards share [m/s]. If not given, the uncertainty of
        the length factor is NaN. Not used without ``velocity``.
    travel_time_uncertainty : Quantity, DataArray or str, optional
        Uncertainty of the travel times [us], which weights the line. If not given, the scatter
        about the line gives the errors.

    Returns
    -------
    Calibration
        Delay [us], length factor [1], their covariance and the residuals.

    Raises
    ------
    ValueError
        When there are too few standards, or all have the same length.

    Notes
    -----
    Weighted line of t on L / v: its intercept is the delay and its slope the length factor; of t
    on L where v is unknown, whose slope is 1 / v (blocks of several lengths: Boyce 1976, from
    memory). An error of v that all standards share scales the slope and leaves the intercept.
    """
    x = np.ravel(np.asarray(units.as_floats(length, "mm", "length"), dtype=float))
    t = np.ravel(np.asarray(units.as_floats(travel_time, "us", "travel_time"), dtype=float))
    sigma = units.as_floats(
        travel_time_uncertainty, "us", "travel_time_uncertainty", difference=True, optional=True
    )
    v = np.nan if velocity is None else units.as_floats(velocity, "m/s", "velocity")
    v = np.broadcast_to(np.ravel(np.asarray(v, dtype=float)), x.shape)
    known = np.isfinite(x) & np.isfinite(t) & (np.isfinite(v) | (velocity is None))
    if sigma is not None:
        sigma = np.broadcast_to(np.ravel(np.asarray(sigma, dtype=float)), x.shape)[known]
    x, t, v = x[known], t[known], v[known]
    if velocity is not None and np.any(v <= 0.0):
        raise ValueError(f"velocity of a standard is {v.min():g} m/s; it must be positive")
    # Two standards give a line but no scatter, so they need a given uncertainty.
    least = 2 if sigma is not None else 3
    if np.unique(x).size < 2 or x.size < least:
        raise ValueError(
            f"{x.size} standards of {np.unique(x).size} lengths do not fix delay and slope; give "
            f"{least} or more standards, of two lengths at least"
        )
    across = x if velocity is None else 1e3 * x / v  # mm over m/s is 1e3 us
    line = ordinary_line(across, t, sigma)
    residual = t - line.intercept - line.slope * across
    freedom = x.size - 2
    spread = float(np.sqrt(residual @ residual / freedom)) if freedom else float("nan")
    return _calibration(
        line,
        velocity is None,
        _share(v, velocity_uncertainty),
        (
            x,
            t,
            residual,
            spread,
        ),
    )


def _share(v: np.ndarray, uncertainty: Scalar | None) -> float:
    """Relative error that all standards share [1], NaN where unknown."""
    u = units.as_floats(uncertainty, "m/s", "velocity_uncertainty", difference=True, optional=True)
    return float("nan") if u is None else float(np.mean(np.asarray(u) / v))


def _calibration(line: Line, free: bool, share: float, rest: tuple[object, ...]) -> Calibration:
    """Calibration from the line; ``free`` where the velocity of the standards was fitted."""
    if free:
        alone = np.diag([line.covariance[0, 0], 0.0])
        return Calibration(line.intercept, 1.0, alone, 1e3 / line.slope, *rest)
    covariance = np.array(line.covariance, dtype=float)
    covariance[1, 1] += (line.slope * share) ** 2
    alone = np.array(line.covariance, dtype=float)
    return Calibration(line.intercept, line.slope, covariance, float("nan"), *rest, alone)


# --------------------------------------------------------------------------------------------------
# P- and S-wave velocity.
#
# The order of the work: subtract the delay of the transducers, correct zero and scale of the
# calliper, divide length by time. Then two axes at one place give the anisotropy, and two waves
# give the elastic moduli. At 1600 m/s and 25 mm, an error of 0.1 us in the delay is 10 m/s, and one
# of 0.1 mm in the length is 6 m/s.


QUANTITIES = {"P": "p_wave_velocity", "S": "s_wave_velocity"}
_AXES = ("along", "across", "normal")


def _velocity_kernel(
    length: np.ndarray, travel_time: np.ndarray, *, delay: float, offset: float, factor: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Velocity [m/s], path [mm], time in the sample [us] and reasons, from mm and us.

    V = path / (t - t0), path = offset + factor length: geometry of a straight ray. The velocity is
    NaN where path or time is not positive.
    """
    path, net = np.broadcast_arrays(
        np.asarray(offset + factor * length, dtype=float),
        np.asarray(travel_time - delay, dtype=float),
    )
    refused = (net <= 0.0) | (path <= 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.where(refused, np.nan, 1e3 * path / net)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return speed, path, net, reason


def velocity(
    length: Dimensional,
    travel_time: Dimensional,
    *,
    wave: str = "P",
    calibration: Calibration | None = None,
    delay: Scalar | None = None,
    delay_uncertainty: Scalar | None = None,
    length_offset: Scalar = "0 mm",
    length_factor: Fraction = 1.0,
    length_systematic: Scalar | None = None,
    length_uncertainty: Dimensional | None = None,
    travel_time_uncertainty: Dimensional | None = None,
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Velocity of samples from length and travel time.

    Parameters
    ----------
    length : DataArray, Quantity or str, (reading)
        Distance between the faces of the transducers as read [mm].
    travel_time : DataArray, Quantity or str, (reading)
        Travel time as picked, delay included [us].
    wave : {"P", "S"}
        Wave that was sent. The transducers of each wave have their own delay and its error.
    calibration : Calibration, optional
        Result of :func:`calibrate`: delay and scale of length with their covariance. It takes
        precedence over ``delay`` and ``length_factor``.
    delay : Quantity or str, optional
        Delay of transducers and electronics [us], used without a calibration.
    delay_uncertainty : Quantity or str, optional
        Systematic uncertainty of the delay [us]; effect ``sample_velocity_delay``. NaN if not
        given.
    length_offset : Quantity or str
        Zero of the calliper [mm]: path = offset + factor length.
    length_factor : float
        Scale of the calliper, a pure number.
    length_systematic : Quantity or str, optional
        Error that all lengths share [mm]; effect ``sample_length``. NaN if not given.
    length_uncertainty, travel_time_uncertainty : Quantity, DataArray or str, optional
        Random standard uncertainties of one reading [mm], [us]; NaN if not given.
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` or ``s_wave_velocity`` [m/s] with uncertainty, effects and flags. A
        path or net time that is not positive gives NaN and ``impossible_value``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When the wave is unknown, or neither calibration nor delay is given.

    Notes
    -----
    V = (a + b L) / (t - t0): geometry of a straight ray. dV/dt0 = V / (t - t0) and
    dV/da = V / path; uncertainties by JCGM 100:2008, 5.1. The effects of an S-wave's delay end in
    ``_s_wave``, since it has other transducers; the calliper is the same.
    """
    wave = choice(wave, QUANTITIES, "wave")
    quantity = QUANTITIES[wave]
    series.require_same_positions(length=length, travel_time=travel_time)
    used = calibration or _given_delay(delay, delay_uncertainty, length_factor, wave)
    offset = float(units.as_floats(length_offset, "mm", "length_offset"))
    speed, path, net, found = series.apply(
        _velocity_kernel,
        units.as_floats(length, "mm", "length"),
        units.as_floats(travel_time, "us", "travel_time"),
        outputs=4,
        dtypes=[float, float, float, np.int64],
        delay=used.delay,
        offset=offset,
        factor=used.length_factor,
    )
    u_length = used.length_factor * given_uncertainty(
        length_uncertainty, "mm", "length_uncertainty"
    )
    u_time = given_uncertainty(travel_time_uncertainty, "us", "travel_time_uncertainty")
    random = ((speed / path * u_length) ** 2 + (speed / net * u_time) ** 2) ** 0.5
    effects = {
        "sample_length": speed
        / path
        * given_uncertainty(length_systematic, "mm", "length_systematic")
    }
    effects.update(_delay_effects(used, speed, net, wave, joined=calibration is not None))
    return series.build(
        {quantity: Measured(speed, random, effects, series.joined_reasons(found, reason))},
        steps=_STEPS,
        constants={
            **(
                {"calibration": SourcedText(used.describe(), "fitted")}
                if calibration
                else {
                    "delay": (delay, delay_uncertainty),
                    "length_factor": None if used.length_factor == 1.0 else length_factor,
                }
            ),
            "length_offset": length_offset if offset else None,
        },
    )


_STEPS = (
    "path = offset + factor length, of the calliper",
    "time in the sample = travel time - delay of the transducers",
    "V = path / time in the sample",
)


def _given_delay(
    delay: Scalar | None, uncertainty: Scalar | None, factor: Fraction, wave: str
) -> Calibration:
    """Calibration from a given delay and length factor."""
    if delay is None:
        raise ValueError(
            f"the delay of the {wave}-wave transducers is unknown; give a calibration from "
            "sample_velocity.calibrate, or the delay, such as '4.2 us'"
        )
    variance = given_uncertainty(uncertainty, "us", "delay_uncertainty") ** 2
    return Calibration(
        float(units.as_floats(delay, "us", "delay")),
        float(units.as_floats(factor, "1", "length_factor")),
        np.diag([variance, 0.0]),
    )


def _delay_effects(
    used: Calibration, speed: Numbers, net: Numbers, wave: str, *, joined: bool
) -> dict[str, Numbers]:
    """Effects of the delay, or of delay and length factor of a calibration together.

    They are positive: with a longer delay less time is left in the sample, which then is faster.
    """
    end = "" if wave == "P" else "_s_wave"
    per_delay = speed / net
    if not joined:
        return {f"sample_velocity_delay{end}": per_delay * used.delay_uncertainty}
    return covariance_effects(
        [per_delay, speed / used.length_factor],
        used.covariance,
        f"sample_velocity_calibration{end}",
    )


def reduce_table(
    table: xr.Dataset,
    *,
    calibration: Calibration | None = None,
    delay: Scalar | None = None,
    delay_uncertainty: Scalar | None = None,
    s_calibration: Calibration | None = None,
    s_delay: Scalar | None = None,
    s_delay_uncertainty: Scalar | None = None,
    length_offset: Scalar = "0 mm",
    length_factor: Fraction = 1.0,
    length_systematic: Scalar | None = None,
    length_uncertainty: Dimensional | None = None,
    travel_time_uncertainty: Dimensional | None = None,
    s_travel_time_uncertainty: Dimensional | None = None,
) -> dict[str, xr.Dataset]:
    """Velocities of a table of samples, one Dataset for each wave in the table.

    Parameters
    ----------
    table : Dataset, (reading)
        Columns ``length`` [mm], ``travel_time`` [us] and ``axis`` (``along`` the core, ``across``
        it in the split face, or ``normal`` to that face), and ``wave`` for a table with S-waves; an
        empty wave is P. Reasons in the column ``reason`` are kept.
    calibration, s_calibration : Calibration, optional
        Calibrations of the P-wave and of the S-wave transducers.
    delay, delay_uncertainty, s_delay, s_delay_uncertainty : Quantity or str, optional
        Delays and their uncertainties [us], used without a calibration; those of S are needed only
        for a table with S-waves.
    length_offset, length_factor, length_systematic, length_uncertainty : Quantity, str or float
        Zero, scale and errors of the calliper as in :func:`velocity` [mm], the scale a pure number.
    travel_time_uncertainty, s_travel_time_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of one P and of one S pick [us]; S onsets are picked less precisely.

    Returns
    -------
    dict of str to Dataset
        ``p_wave_velocity`` and ``s_wave_velocity``, each with the rows of its wave in their order
        and the quantity of that name [m/s]; ``axis``, ``wave`` and, where given, ``temperature``
        as coordinates. Together they have all rows of the table.

    Raises
    ------
    ValueError
        When a column is missing, an axis or a wave is unknown, or the delay of a wave is not given.

    Notes
    -----
    V = (a + b L) / (t - t0) by :func:`velocity`: geometry.
    """
    lacking = [name for name in ("length", "travel_time", "axis") if name not in table]
    if lacking:
        raise ValueError(
            f"the table of sample velocities has {table.sizes.get('reading', 0)} rows and no "
            f"column {lacking[0]!r}; it needs length [mm], travel_time [us] and axis"
        )
    waves = choice_column(_words(table, "wave", "P"), (*QUANTITIES, ""), "wave")
    waves[waves == ""] = "P"
    axes = choice_column(_words(table, "axis", ""), _AXES, "axis")
    of_wave = {
        "P": (calibration, delay, delay_uncertainty, travel_time_uncertainty),
        "S": (s_calibration, s_delay, s_delay_uncertainty, s_travel_time_uncertainty),
    }
    placed = _placed(table, axes, waves)
    found: dict[str, xr.Dataset] = {}
    for wave, quantity in QUANTITIES.items():
        rows = np.flatnonzero(waves == wave)
        if rows.size:
            part = placed.isel(reading=rows)
            fitted, late, u_late, u_time = of_wave[wave]
            found[quantity] = velocity(
                part["length"],
                part["travel_time"],
                wave=wave,
                calibration=fitted,
                delay=late,
                delay_uncertainty=u_late,
                length_offset=length_offset,
                length_factor=length_factor,
                length_systematic=length_systematic,
                length_uncertainty=series.at_rows(length_uncertainty, rows, waves.size),
                travel_time_uncertainty=series.at_rows(u_time, rows, waves.size),
                reason=part["reason"],
            )
            if "temperature" in table:
                warm = units.as_floats(table["temperature"], "degC", "temperature")
                found[quantity].coords["temperature"] = (
                    "reading",
                    warm.values[rows],
                    {"units": "degC", "long_name": "temperature of the sample"},
                )
    return found


def _words(table: xr.Dataset, name: str, default: str) -> np.ndarray:
    """Column of words, or the default in every row."""
    size = table.sizes["reading"]
    return table[name].values if name in table else np.full(size, default, dtype=object)


def _placed(table: xr.Dataset, axes: np.ndarray, waves: np.ndarray) -> xr.Dataset:
    """Readings and reasons, with axis and wave as coordinates."""
    extra: dict[str, Any] = {"axis": ("reading", axes), "wave": ("reading", waves)}
    reason = (
        table["reason"].variable if "reason" in table else ("reading", np.zeros(axes.size, int))
    )
    kept = table[["length", "travel_time"]].assign(reason=reason)
    return kept.assign_coords(extra)


# --------------------------------------------------------------------------------------------------
# Anisotropy of the P-wave velocity, from two or three axes at one place.


_T = thresholds.DEFAULTS
_NAME = "p_wave_velocity"
_HORIZONTAL = {"mean": ("across", "normal"), "across": ("across",), "normal": ("normal",)}
_PLACE = ("core", "section", "offset", "depth", "depth_fitted", "offset_closed", "depth_closed")


def _by_horizontal(
    horizontal: np.ndarray, along: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Anisotropy A and its derivatives by the horizontal and by the along-core velocity."""
    both = horizontal + along
    return 2.0 * (horizontal - along) / both, 4.0 * along / both**2, -4.0 * horizontal / both**2


def _places(
    core: np.ndarray, section: np.ndarray, offset: np.ndarray, within: float
) -> list[np.ndarray]:
    """Readings by place: in one section, each within ``within`` [cm] below the first one."""
    order = np.lexsort((offset, section, core))
    places: list[list[int]] = []
    start = np.nan
    for row in order:
        last = places[-1][0] if places else row
        same = bool(places) and core[row] == core[last] and section[row] == section[last]
        # 1e-9 cm, so that a distance equal to the limit counts whatever its rounding.
        if same and offset[row] - start <= within + 1e-9:
            places[-1].append(int(row))
        else:
            places.append([int(row)])
            start = offset[row]
    return [np.sort(place) for place in places]


def anisotropy(
    velocity: xr.Dataset,
    *,
    within: Scalar = _T["match_reach"],
    horizontal: str = "mean",
    least_ratio: float = _T["velocity_anisotropy_errors"],
    allow: tuple[str, ...] = ("good", "not_evaluated", "suspect"),
) -> xr.Dataset:
    """Anisotropy: horizontal against along-core P-wave velocity at places with both.

    Parameters
    ----------
    velocity : Dataset, (reading)
        ``p_wave_velocity`` [m/s], as from :func:`corephys.sample_velocity.reduce_table`, with the
        coordinates core, section, offset [cm] and axis.
    within : Quantity or str
        Largest distance of the readings of one place [cm].
    horizontal : {"mean", "across", "normal"}
        Horizontal velocity to use: the mean of the two directions, of which one may be missing, or
        one of them alone.
    least_ratio : float
        Number of standard uncertainties (dimensionless) above which an anisotropy is significant.
    allow : tuple of str
        Flag levels of the readings that are paired.

    Returns
    -------
    Dataset, (reading)
        One row for each place with both directions, from the top: ``p_wave_anisotropy`` [1] with
        uncertainty, effects and flags; ``ratio_to_uncertainty`` [1]; ``significant``; the numbers
        of readings along the core and horizontally. Attributes count ``pairs``,
        ``unpaired_places``, ``unpaired_readings``, and ``readings_left_out`` because of their flag
        or a missing position.

    Raises
    ------
    KeyError
        When the Dataset does not have ``p_wave_velocity``.
    ValueError
        When a coordinate is missing or ``horizontal`` is unknown.

    Notes
    -----
    A = 2 (V_h - V_along) / (V_h + V_along): the definition of horizontal against along-core, as a
    fraction of their mean; positive in mud with beds across the core. Repeats and the two
    horizontal directions are averaged. Errors that all axes share (delay, calliper) enter with
    their signs and nearly cancel. Random errors of 1 % in each axis leave 1.2 to 1.4 % in A, so
    most values near zero are noise (JCGM 100:2008, 5.1 and 5.2).
    """
    horizontal = choice(horizontal, _HORIZONTAL, "horizontal")
    lacking = [c for c in ("core", "section", "offset", "axis") if c not in velocity.coords]
    if lacking:
        raise ValueError(
            f"the velocities have no coordinate {lacking[0]!r}, which pairing needs; give the "
            "result of sample_velocity.reduce_table"
        )
    velocity = companions.library_units(velocity)
    measured = series.unpack(velocity, _NAME)
    usable = _usable(velocity, np.asarray(measured.values), allow)
    rows = np.flatnonzero(usable)
    reach = float(units.as_floats(within, "cm", "within"))
    core, section, offset = (velocity[c].values[rows] for c in ("core", "section", "offset"))
    axis = velocity["axis"].values[rows]
    sides = []
    places = _places(core.astype(str), section.astype(str), offset.astype(float), reach)
    for place in places:
        level = [place[axis[place] == name] for name in _HORIZONTAL[horizontal]]
        sides.append((place[axis[place] == "along"], [side for side in level if side.size]))
    pairs = [(rows[a], [rows[side] for side in h]) for a, h in sides if a.size and h]
    pairs.sort(
        key=lambda pair: (
            float(velocity["depth"].values[pair[0]].mean()) if "depth" in velocity.coords else 0.0
        )
    )
    paired = sum(a.size + sum(side.size for side in h) for a, h in pairs)
    used = {"within": within, "least_ratio": least_ratio}
    return _result(
        velocity,
        measured,
        pairs,
        least_ratio,
        used,
        {
            "pairs": len(pairs),
            "unpaired_places": len(places) - len(pairs),
            "unpaired_readings": rows.size - paired,
            "readings_left_out": usable.size - rows.size,
            "within": f"{reach:g} cm",
            "horizontal": horizontal,
            "least_ratio": float(least_ratio),
            "definition": "2 (V_h - V_along) / (V_h + V_along), horizontal against along-core",
        },
    )


def _usable(velocity: xr.Dataset, values: np.ndarray, allow: tuple[str, ...]) -> np.ndarray:
    """Readings with an allowed flag, a value and an offset."""
    flag = velocity[f"{_NAME}_flag"].values if f"{_NAME}_flag" in velocity else flags.GOOD
    offset = velocity["offset"].values.astype(float)
    return np.asarray(flags.usable(flag, allow) & np.isfinite(values) & np.isfinite(offset))


def _mean(measured: Measured, groups: list[list[np.ndarray]]) -> Measured:
    """Mean over the groups of each pair, with reasons joined; effects keep their signs."""

    def average(part: float | np.ndarray) -> np.ndarray:
        full = np.broadcast_to(np.asarray(part, dtype=float), np.shape(measured.values))
        return np.array([np.mean([full[g].mean() for g in pair]) for pair in groups], dtype=float)

    variance = np.broadcast_to(
        np.asarray(measured.u_random, dtype=float) ** 2, np.shape(measured.values)
    )
    random = [
        np.sqrt(sum(variance[g].sum() / g.size**2 for g in pair)) / len(pair) for pair in groups
    ]
    masks = np.broadcast_to(np.asarray(measured.reason), np.shape(measured.values))
    joined = [np.bitwise_or.reduce(masks[np.concatenate(pair)]) for pair in groups]
    return Measured(
        average(measured.values),
        np.array(random, dtype=float),
        {source: average(effect) for source, effect in measured.effects.items()},
        np.array(joined, dtype=np.int64),
    )


def _result(
    velocity: xr.Dataset,
    measured: Measured,
    pairs: list[tuple[np.ndarray, list[np.ndarray]]],
    least_ratio: float,
    used: dict[str, object],
    attributes: dict[str, object],
) -> xr.Dataset:
    """Anisotropy of the pairs, with positions, significance and counts."""
    along = _mean(measured, [[a] for a, _ in pairs])
    level = _mean(measured, [h for _, h in pairs])
    values, by_level, by_along = _by_horizontal(level.values, along.values)
    random, effects = uncertainty.combine([(by_level, level), (by_along, along)])
    # A pair has the position of its along-core readings.
    where = {}
    for name in _PLACE:
        if name in velocity.coords:
            held = velocity[name].values
            picked = [held[a[0]] if held.dtype == object else held[a].mean() for a, _ in pairs]
            where[name] = ("reading", np.array(picked, dtype=held.dtype))
    if "sample_id" in velocity.coords:
        rows = [np.concatenate([a, *h]) for a, h in pairs]
        where["sample_id"] = ("reading", series.joined_names(velocity["sample_id"].values, rows))
    array = xr.DataArray(values, dims="reading", coords=where)
    result = series.build(
        {"p_wave_anisotropy": Measured(array, random, effects, along.reason | level.reason)},
        steps=(
            "mean of repeats and of the horizontal directions at one place",
            "A = 2 (V_h - V_along) / (V_h + V_along)",
        ),
        constants=used,
        **attributes,
    )
    total = uncertainty.total(result, "p_wave_anisotropy")
    # Without an uncertainty the ratio is infinite, or NaN for equal velocities; both are intended.
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(values) / total.values
    result["ratio_to_uncertainty"] = (
        "reading",
        ratio,
        {
            "units": "1",
            "long_name": "size of the anisotropy over its standard uncertainty",
        },
    )
    result["significant"] = (
        "reading",
        ratio > least_ratio,
        {
            "long_name": f"anisotropy above {least_ratio:g} standard uncertainties",
            "comment": "false where the uncertainty is not known",
        },
    )
    counts = {
        "readings_along": [a.size for a, _ in pairs],
        "readings_horizontal": [sum(side.size for side in h) for _, h in pairs],
    }
    for name, count in counts.items():
        words = {"units": "1", "long_name": name.replace("_", " ")}
        result[name] = ("reading", np.array(count, dtype=np.int64), words)
    return result


# --------------------------------------------------------------------------------------------------
# Elastic moduli of an isotropic sample from its two velocities and its density.


_INPUTS = ("p_wave_velocity", "s_wave_velocity", "bulk_density")


def elastic_moduli(
    p_wave_velocity: Measurement | str,
    s_wave_velocity: Measurement | str,
    bulk_density: Measurement | str,
    *,
    p_wave_velocity_uncertainty: Dimensional | None = None,
    s_wave_velocity_uncertainty: Dimensional | None = None,
    bulk_density_uncertainty: Dimensional | None = None,
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Shear, bulk, Young's and P-wave modulus, Lamé's first parameter and Poisson's ratio.

    Parameters
    ----------
    p_wave_velocity, s_wave_velocity : Dataset, DataArray, Quantity or str
        Velocities [m/s] at the same positions and along the same axis; the uncertainties of a
        Dataset are used.
    bulk_density : Dataset, DataArray, Quantity or str
        Bulk density [g/cm^3].
    p_wave_velocity_uncertainty, s_wave_velocity_uncertainty : Quantity, DataArray, optional
        Random uncertainty of a velocity that is not a Dataset [m/s].
    bulk_density_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of a density that is not a Dataset [g/cm^3].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``shear_modulus``, ``bulk_modulus``, ``young_modulus``, ``p_wave_modulus``,
        ``lame_parameter`` [GPa] and ``poisson_ratio`` [1] with uncertainties and effects; an effect
        that two inputs share, such as that of the calliper, enters once with its sign. An S-wave
        too fast for the P-wave (V_p^2 <= 4/3 V_s^2) is ``impossible_value``.

    Raises
    ------
    KeyError
        When a Dataset does not have its quantity.
    PositionError
        When the series have different positions.

    Notes
    -----
    G = rho V_s^2, M = rho V_p^2, K = M - 4 G / 3, E = G (3 M - 4 G) / (M - G),
    nu = (M - 2 G) / (2 (M - G)): Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009).
    They hold for an isotropic body; the moduli of an anisotropic sample depend on direction. In
    soft mud G is small, nu is near 0.5 and the errors of M dominate those of K. Uncertainty by
    JCGM 100:2008, 5.1.
    """
    given = dict(zip(_INPUTS, (p_wave_velocity, s_wave_velocity, bulk_density), strict=True))
    series.require_same_positions(**given)
    random = (p_wave_velocity_uncertainty, s_wave_velocity_uncertainty, bulk_density_uncertainty)
    inputs = [
        series.unpack(value, name, uncertainty_given=u)
        for (name, value), u in zip(given.items(), random, strict=True)
    ]
    known = series.joined_reasons(*(_input_reason(part.reason) for part in inputs), reason)
    return series.build(
        moduli.isotropic(inputs, known),
        steps=("G = rho V_s^2, M = rho V_p^2", "K = M - 4 G / 3, E, nu of an isotropic body"),
    )


def _input_reason(reason: int | np.ndarray | xr.DataArray) -> int | xr.Variable:
    """Reason ``input_bad`` where the flag of an input is bad; its other reasons are its own."""
    worst = flags.from_reason(np.asarray(reason))
    bits = np.where(worst >= flags.BAD, flags.bit("input_bad"), 0).astype(np.int64)
    return xr.Variable("reading", bits) if bits.ndim else int(bits)
