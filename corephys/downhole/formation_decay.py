"""One record of a cooling probe: least squares of the cylinder's decay, and the window for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.downhole.formation_response import Response
from corephys.ground import thresholds
from corephys.numerics import cylinder

STARTS = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3)  # of the record: the friction pulse is over by then
ENDS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4)  # of the record, where its whole is disturbed
_REAL = thresholds.value("neighbour_correlation_errors")
HARMLESS = thresholds.value("decay_harmless_scatter")
FEWEST = thresholds.count("decay_window_samples")
_ROUNDS = 40  # at most; the best found until then is taken


@dataclass(frozen=True)
class Probe:
    """What sets the decay of one station.

    Parameters
    ----------
    radius : float
        [m].
    heat_capacity : float
        Of the probe per length [J/(m K)].
    conductivity : float
        Of the sediment [W/(m K)].
    sediment_heat_capacity : float
        [J/(m^3 K)].
    response : Response, optional
        Table that takes the place of the cylinder.
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
        """kappa / a^2 [1/s]."""
        return float(self.conductivity / (self.sediment_heat_capacity * self.radius**2))

    @property
    def follows_heat(self) -> bool:
        """Whether the decay itself depends on the heat capacities: not in a table without them."""
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
        # A table by conductivity says nothing of heat capacities: those stay the cylinder's.
        value, by_x, by_k = self.response.evaluate(self.conductivity, self.conductivity * since)
        return Shape(value, by_x / since, by_x + by_k, found.by_sediment, found.by_probe)

    def within(self, since: Any) -> bool:
        """Whether the response table, where there is one, reaches these times [s]."""
        if self.response is None:
            return True
        if self.response.by == "alpha":
            return self.response.within(self.alpha, self.rate * np.asarray(since))
        return self.response.within(self.conductivity, self.conductivity * np.asarray(since))


@dataclass(frozen=True)
class Shape:
    """A decay from one, with derivatives.

    Parameters
    ----------
    value, by_time : ndarray
        Fraction left [1] and its slope [1/s].
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
    """A fitted decay.

    Parameters
    ----------
    temperature, amplitude, shift : float
        Equilibrium temperature [degC], first excess [K], and true less recorded start [s].
    variance : float
        Of the temperature [K^2], with the residuals' autocorrelation.
    deviation, noise : float
        Scatter of the residuals and of neighbouring residuals [K].
    first, last : int
        Samples of the window, the last one included.
    remaining : float
        Part of the first excess that is left at the last sample [1].
    by_conductivity, by_sediment, by_probe : float
        Derivative of the temperature by the conductivity [K/(W/(m K))] and by the logarithms of
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
        """Whether neighbouring residuals differ as much as any two, or the scatter is harmless."""
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
    level: float
    amplitude: float
    squares: float
    newton: float
    residual: np.ndarray
    jacobian: np.ndarray
    shape: Shape


def _model(t: np.ndarray, y: np.ndarray, probe: Probe, shift: float) -> _Model | None:
    shape = probe.shape(t - shift)
    linear = np.stack([np.ones_like(t), shape.value], axis=1)
    (level, amplitude), *_ = np.linalg.lstsq(linear, y, rcond=None)
    residual = y - linear @ np.array([level, amplitude])
    jacobian = np.column_stack([linear, -amplitude * shape.by_time])
    answer, _, rank, _ = np.linalg.lstsq(jacobian, residual, rcond=1e-13)
    if rank < 3 or not np.isfinite(answer).all():
        return None
    return _Model(
        float(level), float(amplitude), float(residual @ residual), float(answer[2]), residual,
        jacobian, shape,
    )  # fmt: skip


def _result(
    model: _Model | None, t: np.ndarray, probe: Probe, shift: float, first: int, last: int
) -> Decay | None:
    if model is None:
        return None
    residual, n = model.residual, t.size
    inverse = np.linalg.pinv(model.jacobian)
    variance = model.squares / (n - 3)
    # A change of the model by D moves the temperature by minus the fit of D.
    by_k, by_sediment, by_probe = (
        -model.amplitude * float(inverse[0] @ part)
        for part in (
            model.shape.by_conductivity, model.shape.by_sediment, model.shape.by_probe
        )
    )  # fmt: skip
    return Decay(
        temperature=model.level, amplitude=model.amplitude, shift=shift,
        variance=variance * float(inverse[0] @ inverse[0]) * _inflation(residual),
        deviation=float(np.sqrt(variance)),
        noise=float(np.sqrt(np.mean(np.diff(residual) ** 2) / 2.0)),
        first=first, last=last, remaining=float(model.shape.value[-1]),
        by_conductivity=by_k / probe.conductivity, by_sediment=by_sediment, by_probe=by_probe,
    )  # fmt: skip


def _inflation(residual: np.ndarray) -> float:
    """(1 + r) / (1 - r) of the residuals' lag-one correlation r where that is real."""
    r = float(residual[1:] @ residual[:-1] / (residual @ residual))
    if r <= _REAL / np.sqrt(residual.size):
        return 1.0
    r = min(r, 0.95)
    return (1.0 + r) / (1.0 - r)


def choose(time: np.ndarray, values: np.ndarray, probe: Probe) -> tuple[Decay | None, bool]:
    """The fit over the longest window with white residuals, and whether the record is whole.

    The window starts at the earliest of ``STARTS`` from which the residuals to the end of the
    record are white. Where there is none the record is cut at the latest of ``ENDS`` before which
    they are, and the record is not whole; failing that the whole record is fitted.
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
