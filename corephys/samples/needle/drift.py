"""Drift of the temperature of a needle: linear or exponential, and the error that it leaves.

After a needle is pushed into a core, its temperature approaches that of the core, and the core that
of the room. Both differences decay exponentially. The drift has a rate before heating and, where it
is curved, a settling time. The samples before heating and those of the window both constrain it.
Therefore a linear drift and exponential ones of all settling times are compared on both sets.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from corephys.ground import thresholds
from corephys.samples.needle.runs import FEWEST_BEFORE

SHORTEST = thresholds.value("needle_shortest_settling")  # s
LONGEST = thresholds.value("needle_longest_settling")  # s
SUPPORTED = thresholds.value("needle_settling_probability")  # with prior odds of one to one
CERTAIN = thresholds.value("needle_settling_errors")
_NODES = 25  # settling times that are compared in each zoom
_ZOOMS = 3
_FAR = 8.0  # log-likelihood below the best at which a settling time no longer matters
_BLOCK = 64  # runs at a time


@dataclass
class Drift:
    """Drift of each run, (runs,).

    Parameters
    ----------
    rate : ndarray
        Rate at the start of heating, from the samples before it [K/s]; zero where unknown.
    settling : ndarray
        Settling time [s]; infinite for a linear drift.
    """

    rate: np.ndarray
    settling: np.ndarray

    def of(self, rows: np.ndarray) -> Drift:
        """Drift of some runs."""
        return Drift(self.rate[rows], self.settling[rows])

    def curve(self, time: np.ndarray) -> np.ndarray:
        """Change of temperature since heating began [K], (runs, samples)."""
        return np.asarray(self.rate[:, None] * clock(time, self.settling))


@dataclass
class Weighed:
    """Comparison of linear and exponential drifts for each run, (runs,).

    Parameters
    ----------
    drift : Drift
        Linear drift, or the best exponential where the samples support it.
    shift : ndarray
        Mean of the slope over the possible shapes, less the slope with the chosen drift [K]; zero
        for a rate that is not significant, since its shape is then unknown.
    shape_error : ndarray
        Standard deviation of the slope over the possible shapes [K], with the sign of the change
        to a shorter settling time; NaN where nothing was measured before heating.
    rate_error : ndarray
        Standard error of the slope from that of the rate [K]; the fit includes it as random.
    """

    drift: Drift
    shift: np.ndarray
    shape_error: np.ndarray
    rate_error: np.ndarray


def clock(time: np.ndarray, settling: np.ndarray) -> np.ndarray:
    """Change of a drift with unit rate, tau (1 - exp(-t / tau)) [s]; the time itself for a line.

    ``time`` is (runs, samples), ``settling`` (runs,) and infinite for a linear drift.
    """
    straight = ~np.isfinite(settling)[:, None]
    tau = np.where(straight, 1.0, settling[:, None])
    # 200 keeps the exponential finite; a run beyond it settled long before its first sample.
    return np.where(straight, time, -tau * np.expm1(np.minimum(-time / tau, 200.0)))


def weigh(
    time: np.ndarray,
    temperature: np.ndarray,
    before_time: np.ndarray,
    before_temperature: np.ndarray,
    inside: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    taken: Drift | None = None,
) -> Weighed:
    """Compare drifts on the samples before heating and in the window.

    Arguments are those of :func:`fit_curves`. With ``taken`` that drift is kept, and only its
    shift and errors are computed.
    """
    size = inside.shape[0]
    before = np.isfinite(before_time) & np.isfinite(before_temperature)
    enough = (before.sum(axis=1) >= FEWEST_BEFORE) & (inside.sum(axis=1) >= FEWEST_BEFORE + 1)
    drift = Drift(np.zeros(size), np.full(size, np.inf))
    shift = np.zeros(size)
    by_shape, by_rate = np.full((2, size), np.nan)
    rows = np.flatnonzero(enough)
    for first in range(0, rows.size, _BLOCK):
        block = rows[first : first + _BLOCK]
        arrays = (time, temperature, before_time, before_temperature, inside, line, early, before)
        run = _Runs(*(array[block] for array in arrays))
        kept = None if taken is None else taken.settling[block]
        drift.rate[block], drift.settling[block], *found = run.weigh(kept)
        shift[block], by_shape[block], by_rate[block] = found
    return Weighed(drift if taken is None else taken, shift, by_shape, by_rate)


@dataclass
class _Fits:
    """Fits of several drifts to each run, (runs, n).

    ``rate`` is in K/s, ``slope`` in K, ``squares`` (sum of squared residuals) in K^2. ``by_rate``
    is the standard error of the slope from that of the rate, over the deviation of the samples.
    """

    rate: np.ndarray
    slope: np.ndarray
    squares: np.ndarray
    by_rate: np.ndarray


class _Runs:
    """Samples of some runs, with all terms of the model except the drift projected out.

    The projection is done once; after it every trial drift is a fit with one free parameter.
    """

    def __init__(
        self,
        time: np.ndarray,
        temperature: np.ndarray,
        before_time: np.ndarray,
        before_temperature: np.ndarray,
        inside: np.ndarray,
        line: np.ndarray,
        early: np.ndarray,
        before: np.ndarray,
    ) -> None:
        self.use = np.concatenate([before, inside], axis=1)
        times = np.concatenate([before_time, time], axis=1)
        values = np.concatenate([before_temperature, temperature], axis=1)
        self.time = np.where(self.use, times, 0.0)
        count = self.use.sum(axis=1)
        self.freedom = np.maximum(count - 6, 1)
        mean = np.where(self.use, values, 0.0).sum(axis=1) / count
        y = np.where(self.use, values - mean[:, None], 0.0)
        late = np.log(np.maximum(np.max(np.where(inside, time, 1.0), axis=1), 1.0))
        fading = np.where(inside, early, 0.0)
        largest = np.abs(fading).max(axis=1, keepdims=True)
        zero = np.zeros(before.shape)
        columns = [
            np.concatenate([before, np.zeros(inside.shape)], axis=1),
            np.concatenate([zero, inside], axis=1),
            np.concatenate([zero, np.where(inside, line - late[:, None], 0.0)], axis=1),
            np.concatenate([zero, fading / np.where(largest > 0.0, largest, 1.0)], axis=1),
        ]
        self.q, r = np.linalg.qr(np.stack(columns, axis=2))
        # Row of the inverse for the slope: its product with the samples is dT / d ln t.
        self.to_slope = np.einsum("rsi,ri->rs", self.q, np.linalg.inv(r)[:, 2, :])
        self.y = self._left(y[:, :, None])[:, :, 0]
        self.squares = (self.y**2).sum(axis=1)
        self.slope = np.einsum("rs,rs->r", self.to_slope, y)
        self.before, self.before_y = before, y[:, : before.shape[1]]

    def rate_before(self, settling: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rate from the samples before heating alone, and its error over their deviation."""
        t = clock(self.time[:, : self.before.shape[1]], settling)
        number = self.before.sum(axis=1)
        mean = np.where(self.before, t, 0.0).sum(axis=1) / number
        t = np.where(self.before, t - mean[:, None], 0.0)
        squares = np.maximum((t**2).sum(axis=1), np.finfo(float).tiny)
        return (t * self.before_y).sum(axis=1) / squares, 1.0 / np.sqrt(squares)

    def _left(self, table: np.ndarray) -> np.ndarray:
        """Columns (runs, samples, n) less their projection on the other terms of the model."""
        return np.asarray(table - self.q @ (self.q.transpose(0, 2, 1) @ table))

    def fits(self, settling: np.ndarray) -> _Fits:
        """Fits with given settling times, (runs, n)."""
        clocks = np.stack(
            [np.where(self.use, clock(self.time, tau), 0.0) for tau in settling.T], axis=2
        )
        scale = np.maximum(np.abs(clocks).max(axis=1), np.finfo(float).tiny)
        clocks = clocks / scale[:, None]
        moved = np.einsum("rs,rsn->rn", self.to_slope, clocks)
        left = self._left(clocks)
        norm = np.maximum((left**2).sum(axis=1), 1e-30)
        product = np.einsum("rs,rsn->rn", self.y, left)
        rate = product / norm
        squares = np.maximum(self.squares[:, None] - product * rate, 0.0)
        slope = self.slope[:, None] - rate * moved
        return _Fits(rate / scale, slope, squares, np.abs(moved) / np.sqrt(norm))

    def residual(self, settling: np.ndarray, rate: np.ndarray) -> np.ndarray:
        """Residuals of the samples for a given drift [K]."""
        curve = np.where(self.use, rate[:, None] * clock(self.time, settling), 0.0)
        return self.y - self._left(curve[:, :, None])[:, :, 0]

    def weigh(self, kept: np.ndarray | None) -> tuple[np.ndarray, ...]:
        """Rate [K/s], settling time [s], shift of the slope and its errors [K]."""
        number = self.squares.size
        rows = np.arange(number)
        straight = self.fits(np.full((number, 1), np.inf))
        low, high = np.full(number, np.log(SHORTEST)), np.full(number, np.log(LONGEST))
        for zoom in range(_ZOOMS):
            nodes = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _NODES)
            bent = self.fits(np.exp(nodes))
            best = bent.squares.argmin(axis=1)
            least = np.minimum(bent.squares[rows, best], straight.squares[:, 0])
            better = bent.squares[rows, best] < straight.squares[:, 0]
            noise = self._noise(
                np.where(better, np.exp(nodes[rows, best]), np.inf),
                np.where(better, bent.rate[rows, best], straight.rate[:, 0]),
                least,
            )
            depth = -0.5 * (bent.squares - least[:, None]) / noise[:, None]
            # Each zoom narrows the settling times to the likely ones.
            if zoom < _ZOOMS - 1:
                low, high = _nearer(nodes, depth)
        # Prior: uniform in the logarithm of the settling time, so each node has its share of that
        # range; a linear drift is given the same weight as all exponentials together.
        share = (high - low) / np.log(LONGEST / SHORTEST) / _NODES
        likely = np.exp(depth) * share[:, None]
        flat = np.exp(-0.5 * (straight.squares[:, 0] - least) / noise)
        total = likely.sum(axis=1) + flat
        level, error = self.rate_before(np.full(number, np.inf))
        certain = np.abs(level) > CERTAIN * error * np.sqrt(noise)
        if kept is None:
            supported = certain & (likely.sum(axis=1) > SUPPORTED * total)
            kept = np.where(supported, np.exp(nodes[rows, best]), np.inf)
        taken = self.fits(kept[:, None])
        away, straight_away = bent.slope - taken.slope, (straight.slope - taken.slope)[:, 0]
        shift = ((likely * away).sum(axis=1) + flat * straight_away) / total
        shift = np.where(certain, shift, 0.0)
        square = (likely * (away - shift[:, None]) ** 2).sum(axis=1)
        square = (square + flat * (straight_away - shift) ** 2) / total
        sooner = self.fits(np.minimum(kept, LONGEST)[:, None] / 1.1).slope - taken.slope
        sign = np.where(sooner[:, 0] < 0.0, -1.0, 1.0)
        by_rate = taken.by_rate[:, 0] * np.sqrt(noise)
        return self.rate_before(kept)[0], kept, shift, sign * np.sqrt(square), by_rate

    def _noise(self, settling: np.ndarray, rate: np.ndarray, squares: np.ndarray) -> np.ndarray:
        """Variance of the samples about the model [K^2], including correlation of neighbours."""
        factor = inflation(self.residual(settling, rate), self.use)
        return np.maximum(squares / self.freedom * factor, np.finfo(float).tiny)


def _nearer(nodes: np.ndarray, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper end of the likely nodes, for the next zoom, (runs,)."""
    near = depth > depth.max(axis=1, keepdims=True) - _FAR
    rows, step = np.arange(nodes.shape[0]), nodes[:, 1] - nodes[:, 0]
    first, last = near.argmax(axis=1), nodes.shape[1] - 1 - near[:, ::-1].argmax(axis=1)
    return (
        np.maximum(nodes[rows, first] - step, nodes[:, 0]),
        np.minimum(nodes[rows, last] + step, nodes[:, -1]),
    )


# --------------------------------------------------------------------------------------------------
# Final fit of a heating curve: drift before heating and curve in the window, together.


_REAL = thresholds.value("neighbour_correlation_errors")
FEWEST_INSIDE = thresholds.count("needle_fit_samples")


@dataclass
class Fit:
    """Result of the fit for each run, (runs,).

    Parameters
    ----------
    slope : ndarray
        Slope dT / d ln t [K].
    variance : ndarray
        Variance of the slope [K^2], including the autocorrelation of the residuals.
    rise_constant : ndarray
        Constant of the rise less the temperature before heating [K].
    level : ndarray
        Temperature before heating, extrapolated to time zero [degC]; NaN where not measured.
    drift, drift_error : ndarray
        Rate of the drift and its standard error [K/s]; NaN without samples before heating.
    drift_share : ndarray
        Change of the slope by removing the drift, over the slope [1].
    deviation : ndarray
        Standard deviation of the residuals in the window [K].
    """

    slope: np.ndarray
    variance: np.ndarray
    rise_constant: np.ndarray
    level: np.ndarray
    drift: np.ndarray
    drift_error: np.ndarray
    drift_share: np.ndarray
    deviation: np.ndarray


def fit_curves(
    time: np.ndarray,
    temperature: np.ndarray,
    before_time: np.ndarray,
    before_temperature: np.ndarray,
    inside: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
) -> Fit:
    """Least squares of T = a + d g before and T = c + d g + s x + e z in the window.

    Times are those g of :func:`clock` since heating began [s], with temperatures [degC], (runs,
    samples), NaN outside. ``inside`` (runs, samples) marks the samples in the window. x is ``line``
    and z is ``early``, from :func:`corephys.samples.needle.window_choice.regressors`. Runs without
    samples before heating keep a drift of zero; runs with an empty window give NaN.
    """
    some = inside.sum(axis=1) >= FEWEST_INSIDE
    arrays = (time, temperature, before_time, before_temperature, inside, line, early)
    results = {item.name: np.full(some.size, np.nan) for item in fields(Fit)}
    if some.any():
        part = _fit_all(*(array[some] for array in arrays))
        for name, values in results.items():
            values[some] = getattr(part, name)
    return Fit(**results)


def _fit_all(
    time: np.ndarray,
    temperature: np.ndarray,
    before_time: np.ndarray,
    before_temperature: np.ndarray,
    inside: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
) -> Fit:
    """Fit of the runs that have samples in their window."""
    before = np.isfinite(before_time) & np.isfinite(before_temperature)
    measured = before.sum(axis=1) >= FEWEST_BEFORE
    t = np.where(inside, time, 1.0)
    t0 = np.where(before, before_time, 0.0)
    late = np.maximum(np.max(np.where(inside, time, 0.0), axis=1), 1.0)[:, None]
    logs = np.where(inside, line, 0.0) - np.log(late)
    fading = np.where(inside, early, 0.0)
    largest = np.abs(fading).max(axis=1, keepdims=True)
    fading = np.where(inside, fading / np.where(largest > 0, largest, 1.0), 0.0)
    nought, one, nought0 = np.zeros_like(t), np.ones_like(t), np.zeros_like(t0)
    curve = np.stack([nought, one, t / late, logs, fading], axis=2) * inside[:, :, None]
    level = np.stack([np.ones_like(t0), nought0, t0 / late, nought0, nought0], axis=2)
    level = level * before[:, :, None]
    # Two more rows, which fix level and drift at zero where nothing was measured before heating.
    hold = np.zeros((t.shape[0], 2, 5))
    hold[:, 0, 0] = ~before.any(axis=1)
    hold[:, 1, 2] = ~measured
    design = np.concatenate([curve, level, hold], axis=1)
    # Temperatures are taken from the mean of each run, to keep digits in the sums of squares.
    zero = np.where(inside, temperature, 0.0).sum(axis=1) / inside.sum(axis=1)
    zero = zero[:, None]
    values = np.concatenate(
        [
            np.where(inside, temperature - zero, 0.0),
            np.where(before, before_temperature - zero, 0.0),
            np.zeros((t.shape[0], 2)),
        ],
        axis=1,
    )
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    found = np.einsum("rij,rj->ri", inverse, np.einsum("rsi,rs->ri", q, values))
    residual = values - np.einsum("rsi,ri->rs", design, found)
    rows = inside.sum(axis=1) + before.sum(axis=1)
    freedom = np.maximum(rows - 5 + hold.sum(axis=(1, 2)), 1)
    variance = (residual**2).sum(axis=1) / freedom
    unit = np.einsum("rij,rkj->rik", inverse, inverse)
    drift = found[:, 2] / late[:, 0]
    window = residual[:, : t.shape[1]]
    return Fit(
        slope=found[:, 3],
        variance=variance * unit[:, 3, 3] * inflation(window, inside),
        rise_constant=found[:, 1] - found[:, 3] * np.log(late[:, 0]) - found[:, 0],
        level=np.where(before.any(axis=1), found[:, 0] + zero[:, 0], np.nan),
        drift=np.where(measured, drift, np.nan),
        drift_error=np.where(measured, np.sqrt(variance * unit[:, 2, 2]) / late[:, 0], np.nan),
        drift_share=np.where(measured, _drift_share(curve, found), np.nan),
        deviation=np.sqrt((window**2).sum(axis=1) / np.maximum(inside.sum(axis=1) - 3, 1)),
    )


def _drift_share(curve: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Relative change of the slope if the drift were not removed."""
    kept = curve[:, :, [1, 3, 4]]
    q, r = np.linalg.qr(kept)
    moved = np.linalg.solve(r, np.einsum("rsi,rs->ri", q, curve[:, :, 2])[:, :, None])[:, 1, 0]
    rises = found[:, 3] != 0.0  # a constant temperature has no slope to divide by
    return np.where(rises, moved * found[:, 2] / np.where(rises, found[:, 3], 1.0), np.nan)


def inflation(residual: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Factor (1 + r) / (1 - r) of the variance, for a significant lag-one correlation r."""
    pairs = inside[:, 1:] & inside[:, :-1]
    products = np.where(pairs, residual[:, 1:] * residual[:, :-1], 0.0).sum(axis=1)
    squares = np.maximum((residual**2).sum(axis=1), np.finfo(float).tiny)
    r = products / squares
    certain = r > _REAL / np.sqrt(np.maximum(inside.sum(axis=1), 1))
    r = np.where(certain, np.clip(r, 0.0, 0.95), 0.0)
    return np.asarray((1.0 + r) / (1.0 - r))
