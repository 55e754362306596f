"""Fit of one record of a cooling probe, effects of its inputs by refitting, and late cooling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from corephys.downhole.temperature.responses import Response
from corephys.ground import thresholds, units
from corephys.numerics import cylinder

if TYPE_CHECKING:
    import pint
    import xarray as xr

__all__ = ["late_decay_function", "late_time_temperature"]

# --------------------------------------------------------------------------------------------------
# Least squares of the decay of a cylinder, and the window for it.


# Trial windows, as fractions of the record. The friction pulse is over before the first start;
# the record is shortened only where no window to its end has white residuals.
STARTS = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3)
ENDS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4)
_REAL = thresholds.value("neighbour_correlation_errors")
HARMLESS = thresholds.value("decay_harmless_scatter")
FEWEST = thresholds.count("decay_window_samples")
_ROUNDS = 40  # at most; the best start found until then is kept


@dataclass(frozen=True)
class Probe:
    """Probe and sediment of one station, which set its decay.

    Parameters
    ----------
    radius : float
        Radius of the probe [m].
    heat_capacity : float
        Heat capacity of the probe per length [J/(m K)].
    conductivity : float
        Thermal conductivity of the sediment [W/(m K)].
    sediment_heat_capacity : float
        Heat capacity of the sediment per volume [J/(m^3 K)].
    response : Response, optional
        Response table that replaces the cylinder.
    """

    radius: float
    heat_capacity: float
    conductivity: float
    sediment_heat_capacity: float
    response: Response | None = None

    @property
    def alpha(self) -> float:
        """Twice the heat capacity of the displaced sediment over that of the probe."""
        return float(
            2.0 * np.pi * self.radius**2 * self.sediment_heat_capacity / self.heat_capacity
        )

    @property
    def rate(self) -> float:
        """Diffusivity over radius squared, kappa / a^2 [1/s]."""
        return float(self.conductivity / (self.sediment_heat_capacity * self.radius**2))

    @property
    def follows_heat(self) -> bool:
        """Whether the decay depends on the heat capacities; a table by conductivity does not."""
        return self.response is None or self.response.by == "alpha"

    def shape(self, since: np.ndarray) -> Shape:
        """Fraction left and its derivatives at times [s] since the start of the decay."""
        if self.response is not None and self.response.by == "alpha":
            value, by_x, by_alpha = self.response.evaluate(self.alpha, self.rate * since)
            return Shape(value, by_x / since, by_x, by_alpha - by_x, -by_alpha)
        value, slope, per_alpha = (
            np.asarray(part)
            for part in cylinder.decay_with_derivatives(self.alpha, self.rate * since)
        )
        by_x, by_alpha = self.rate * since * slope, self.alpha * per_alpha
        found = Shape(value, self.rate * slope, by_x, by_alpha - by_x, -by_alpha)
        if self.response is None:
            return found
        # A table by conductivity has no derivatives by the heat capacities; those of the cylinder
        # are kept, so that the errors of heat capacities are not taken as zero.
        value, by_x, by_k = self.response.evaluate(self.conductivity, self.conductivity * since)
        return Shape(value, by_x / since, by_x + by_k, found.by_sediment, found.by_probe)

    def within(self, since: np.ndarray) -> bool:
        """Whether the response table, if any, covers these times [s]."""
        if self.response is None:
            return True
        if self.response.by == "alpha":
            return self.response.within(self.alpha, self.rate * np.asarray(since))
        return self.response.within(self.conductivity, self.conductivity * np.asarray(since))


@dataclass(frozen=True)
class Shape:
    """Decay from one at time zero, with derivatives.

    Parameters
    ----------
    value, by_time : ndarray
        Fraction left [1] and its derivative by time [1/s].
    by_conductivity, by_sediment, by_probe : ndarray
        Derivatives by the logarithms of conductivity and of the heat capacities of sediment and
        probe [1].
    """

    value: np.ndarray
    by_time: np.ndarray
    by_conductivity: np.ndarray
    by_sediment: np.ndarray
    by_probe: np.ndarray


@dataclass(frozen=True)
class Decay:
    """Fitted decay of one record.

    Parameters
    ----------
    temperature, amplitude, shift : float
        Equilibrium temperature [degC], first excess [K], and true less recorded start [s].
    variance : float
        Variance of the temperature [K^2], including the autocorrelation of the residuals.
    deviation, noise : float
        Scatter of the residuals, and scatter by the differences of neighbouring residuals [K].
    first, last : int
        First and last sample of the window, both included.
    remaining : float
        Fraction of the first excess that is left at the last sample [1].
    by_conductivity, by_sediment, by_probe : float
        Derivatives of the temperature by the conductivity [K/(W/(m K))] and by the logarithms of
        the heat capacities of sediment and probe [K].
    """

    temperature: float
    amplitude: float
    shift: float
    variance: float
    deviation: float
    noise: float
    first: int
    last: int
    remaining: float
    by_conductivity: float
    by_sediment: float
    by_probe: float

    @property
    def white(self) -> bool:
        """Whether residuals are independent of their neighbours, or too small to matter."""
        n = self.last - self.first + 1
        if self.deviation <= HARMLESS * abs(self.amplitude):
            return True
        return bool(self.deviation**2 <= self.noise**2 * (1.0 + 4.0 * np.sqrt(1.5 / n)))


def fit(time: np.ndarray, values: np.ndarray, probe: Probe, first: int, last: int) -> Decay | None:
    """Fit T = Ta + A F(alpha, kappa (t - s) / a^2) to the samples from ``first`` to ``last``.

    Time since the recorded penetration [s], values [degC]. For each s the model is linear in Ta
    and A; s is found by Gauss-Newton on what that leaves (variable projection, Golub and Pereyra
    1973). None where the samples cannot fix the three.
    """
    t, y = time[first : last + 1], values[first : last + 1]
    if t.size < FEWEST or not np.ptp(y) > 0:
        return None
    latest = float(t[0]) - 1e-3 / probe.rate
    shift, best = min(0.0, latest), np.inf
    previous, step = shift, 0.0
    for _ in range(_ROUNDS):
        model = _model(t, y, probe, shift)
        if model is None:
            return None
        if model.squares > best and abs(step) > 1e-6:
            step *= 0.5
            shift = previous + step
            continue
        settled = best - model.squares <= 1e-12 * model.squares
        best, previous = model.squares, shift
        step = model.newton
        if settled and abs(step) < 1e-3:
            break
        step = min(step, 0.5 * (latest - shift))
        shift = shift + step
    return _result(_model(t, y, probe, previous), t, probe, previous, first, last)


@dataclass
class _Model:
    """Linear fit at one start of the decay."""

    level: float
    amplitude: float
    squares: float
    newton: float
    residual: np.ndarray
    jacobian: np.ndarray
    shape: Shape


def _model(t: np.ndarray, y: np.ndarray, probe: Probe, shift: float) -> _Model | None:
    """Linear fit of level and amplitude at a given start, and the Newton step of the start."""
    shape = probe.shape(t - shift)
    linear = np.stack([np.ones_like(t), shape.value], axis=1)
    (level, amplitude), *_ = np.linalg.lstsq(linear, y, rcond=None)
    residual = y - linear @ np.array([level, amplitude])
    jacobian = np.column_stack([linear, -amplitude * shape.by_time])
    answer, _, rank, _ = np.linalg.lstsq(jacobian, residual, rcond=1e-13)
    if rank < 3 or not np.isfinite(answer).all():
        return None
    return _Model(
        float(level),
        float(amplitude),
        float(residual @ residual),
        float(answer[2]),
        residual,
        jacobian,
        shape,
    )


def _result(
    model: _Model | None, t: np.ndarray, probe: Probe, shift: float, first: int, last: int
) -> Decay | None:
    """Decay with its variance and derivatives from the model at the best start."""
    if model is None:
        return None
    residual, n = model.residual, t.size
    inverse = np.linalg.pinv(model.jacobian)
    variance = model.squares / (n - 3)
    # A change D of the model at fixed data is absorbed by the free parameters: the temperature
    # changes by minus the fit of D.
    by_k, by_sediment, by_probe = (
        -model.amplitude * float(inverse[0] @ part)
        for part in (model.shape.by_conductivity, model.shape.by_sediment, model.shape.by_probe)
    )
    return Decay(
        temperature=model.level,
        amplitude=model.amplitude,
        shift=shift,
        variance=variance * float(inverse[0] @ inverse[0]) * _inflation(residual),
        deviation=float(np.sqrt(variance)),
        noise=float(np.sqrt(np.mean(np.diff(residual) ** 2) / 2.0)),
        first=first,
        last=last,
        remaining=float(model.shape.value[-1]),
        by_conductivity=by_k / probe.conductivity,
        by_sediment=by_sediment,
        by_probe=by_probe,
    )


def _inflation(residual: np.ndarray) -> float:
    """Factor (1 + r) / (1 - r) of the variance, for a significant lag-one correlation r."""
    r = float(residual[1:] @ residual[:-1] / (residual @ residual))
    if r <= _REAL / np.sqrt(residual.size):
        return 1.0
    r = min(r, 0.95)  # keeps the factor finite for residuals of a few slow waves
    return (1.0 + r) / (1.0 - r)


def choose(time: np.ndarray, values: np.ndarray, probe: Probe) -> tuple[Decay | None, bool]:
    """Fit over the longest window with white residuals, and whether it reaches the end.

    The window starts at the earliest of ``STARTS`` from which the residuals to the end of the
    record are white. Without one the record is shortened to the longest of ``ENDS`` with white
    residuals. Without that the complete record is fitted; the second value is False then too.
    """
    duration = float(time[-1])
    widest = None
    for end in ENDS:
        last = int(np.searchsorted(time, end * duration, side="right")) - 1
        for start in STARTS:
            first = int(np.searchsorted(time, start * duration))
            if last - first + 1 < FEWEST:
                continue
            found = fit(time, values, probe, first, last)
            widest = widest or found
            if found is not None and found.white:
                return found, end == 1.0
    return widest, False


# --------------------------------------------------------------------------------------------------
# Effects of the errors of conductivity and heat capacities on the temperature, by refitting.


_SMALL = 1e-6  # relative error below which the difference of two refits is rounding


@dataclass(frozen=True)
class Moved:
    """Effect of one sigma of one input.

    Parameters
    ----------
    effect : float
        Signed change of the temperature for one sigma upwards [K].
    bend : float
        Twice the mean of both refits less the fit [K]: zero where the effect is linear.
    """

    effect: float
    bend: float


def moved(
    time: np.ndarray,
    values: np.ndarray,
    decay: Decay,
    change: Callable[[float], Probe],
    sigma: float,
    slope: float,
    *,
    follows: bool = True,
) -> Moved:
    """Refit the window with an input one relative sigma higher and lower.

    ``change`` gives the probe with the input times a factor; ``slope`` is the derivative of the
    temperature by the logarithm of the input [K]. It is used where sigma is tiny, a refit fails,
    or the decay comes from a table that does not depend on the input. The lower value of an input
    is at least a tenth of the input, since these inputs are positive.
    """
    if not np.isfinite(sigma):
        return Moved(float("nan"), 0.0)
    if sigma < _SMALL or not follows:
        return Moved(slope * sigma, 0.0)
    ends = []
    for factor in (1.0 + sigma, max(1.0 - sigma, 0.1)):
        again = fit(time, values, change(factor), decay.first, decay.last)
        if again is None:
            return Moved(slope * sigma, 0.0)
        ends.append(again.temperature)
    return Moved(0.5 * (ends[0] - ends[1]), ends[0] + ends[1] - 2.0 * decay.temperature)


def scaled(probe: Probe, name: str) -> Callable[[float], Probe]:
    """Function of a factor that gives the probe with one number multiplied by it."""
    return lambda factor: replace(probe, **{name: getattr(probe, name) * factor})


# --------------------------------------------------------------------------------------------------
# Late cooling, where the excess goes as one over time: a check, never a result.


PART = thresholds.value("formation_late_part")
_EULER = float(np.euler_gamma)


def late_decay_function(
    alpha: float | np.ndarray, tau: float | np.ndarray, *, terms: int = 1
) -> float | np.ndarray:
    """Fraction of the first excess that a cooling cylinder still has at late time.

    Parameters
    ----------
    alpha : float or ndarray
        Ratio of heat capacities as in :func:`corephys.downhole.temperature.decay_function`,
        dimensionless.
    tau : float or ndarray
        Time kappa t / a^2, dimensionless.
    terms : {1, 2}
        Order of the expansion.

    Returns
    -------
    float or ndarray
        Fraction of the first excess, dimensionless.

    Raises
    ------
    ValueError
        When terms is not 1 or 2, or alpha or tau is not positive.

    Notes
    -----
    F ~ 1 / (2 alpha tau) - 1 / (4 alpha tau^2) + (2 - alpha) / (4 alpha^2 tau^2) (ln 4 tau -
    gamma - 1): expansion of the Laplace image of Bullard (1954), Proceedings of the Royal Society
    A 222, 408, for small p. The first term is within 5 % from tau 10 for alpha 1 to 2.

    Examples
    --------
    >>> late_decay_function(2.0, 20.0)
    0.0125
    """
    alpha, tau = np.asarray(alpha, dtype=float), np.asarray(tau, dtype=float)
    if terms not in (1, 2):
        raise ValueError(f"terms is {terms}; it must be 1 or 2")
    if np.any(~(alpha > 0)) or np.any(~(tau > 0)):
        raise ValueError(
            f"alpha is {np.min(alpha):g} and tau {np.min(tau):g} at least; both must be positive"
        )
    value = 1.0 / (2.0 * alpha * tau)
    if terms == 2:
        logarithm = np.log(4.0 * tau) - _EULER - 1.0
        value = value - 0.25 / (alpha * tau**2)
        value = value + (2.0 - alpha) / (4.0 * alpha**2 * tau**2) * logarithm
    return value if value.ndim else float(value)


def late_time_temperature(
    time: pint.Quantity | xr.DataArray, temperature: pint.Quantity | xr.DataArray
) -> pint.Quantity:
    """Temperature at infinite time of a straight line against one over time.

    Parameters
    ----------
    time : Quantity or DataArray
        Time since penetration [s].
    temperature : Quantity or DataArray
        Temperature of the probe [degC].

    Returns
    -------
    Quantity
        Temperature [degC]. It is a check only: the line holds where the excess goes as 1 / t, for
        tau above 10.

    Raises
    ------
    ValueError
        For fewer than three samples, or a time that is not positive.

    Notes
    -----
    T = Ta + b / t, the first term of :func:`late_decay_function`: Bullard (1954), Proceedings of
    the Royal Society A 222, 408.
    """
    t = np.ravel(np.asarray(units.as_floats(time, "s", "time"), dtype=float))
    y = np.ravel(np.asarray(units.as_floats(temperature, "degC", "temperature"), dtype=float))
    if t.size != y.size or t.size < 3 or not np.all(t > 0):
        raise ValueError(
            f"{t.size} times and {y.size} temperatures are given; give three or more pairs, all "
            "after penetration"
        )
    return units.quantity(_line(t, y), "degC")


def _line(time: np.ndarray, values: np.ndarray) -> float:
    """Intercept of values against one over time [s]."""
    inverse = 1.0 / time
    apart = inverse - inverse.mean()
    slope = float(apart @ values) / float(apart @ apart)
    return float(values.mean() - slope * inverse.mean())


def check(time: np.ndarray, values: np.ndarray, shift: float, rate: float) -> tuple[float, float]:
    """Temperature of the line over the last third of a window, and tau at its start.

    Time since penetration [s], values [degC], shift of the start [s] and kappa / a^2 [1/s].
    """
    late = time - shift > (1.0 - PART) * float(time[-1] - shift)
    t = time[late] - shift
    if t.size < 3 or not np.ptp(t) > 0:
        return float("nan"), float("nan")
    return _line(t, values[late]), float(rate * t[0])
