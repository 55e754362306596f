"""Calibration of a contactless resistivity sensor: its response in air, and to brines in the
liner of the core."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, fits, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import Card, fit_warnings, with_uncertainty
from corephys.ground.provenance import UsedConstant, records
from corephys.numerics import polynomial
from corephys.sensors.resistivity.pore_water import conductivity_of_brine, mass_fraction

if TYPE_CHECKING:
    import pint
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Scalar

__all__ = ["Baseline", "Calibration", "air_baseline", "calibrate"]

# --------------------------------------------------------------------------------------------------
# Response of a contactless sensor in air, interpolated in time.


_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Baseline(fits.FitResult):
    """Response in air at the times of readings.

    Parameters
    ----------
    values : DataArray or ndarray, (reading)
        Response in air [mV].
    uncertainty : DataArray or ndarray, (reading)
        Standard uncertainty [mV]; NaN where unknown.
    reason : DataArray or ndarray of int, (reading)
        ``no_baseline`` where no reading in air is close enough in time.
    wander : float
        Growth of the variance of the baseline in time [mV^2/s].
    air_time, air_response : ndarray, (air)
        Times [s] and responses [mV] of the readings in air.
    time : DataArray or ndarray, (reading)
        Times of the readings since the same moment [s].
    """

    values: Any
    uncertainty: Any
    reason: Any
    wander: float
    air_time: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    air_response: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    time: Any = field(default=None, repr=False)

    _TITLE = "Response of the resistivity sensor in air"

    @property
    def dataset(self) -> xr.Dataset:
        """Response in air at each reading, with its uncertainty and reasons."""
        words = "response in air at the time of the reading"
        rows = [
            fits.Parameter("air_response", self.values, "mV", words, self._known_uncertainty),
            fits.Parameter("wander", self.wander, "mV^2/s", "growth of its variance in time"),
        ]
        return fits.baseline_parameters(rows, self.reason, self.air_time.size)

    @property
    def _known_uncertainty(self) -> Any:
        return float("nan") if self.uncertainty is None else self.uncertainty

    def _draw(self, ax: Axes) -> None:
        """Responses in air, and the baseline at the times of the readings."""
        air = (self.air_time, self.air_response, None)
        fits.draw_baseline(ax, self.values, self._known_uncertainty, self.reason, self.time, air)
        ax.set_ylabel("response in air [mV]")


def _baseline_kernel(
    when: np.ndarray,
    time: np.ndarray,
    response: np.ndarray,
    *,
    noise: float,
    wander: float,
    span: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Baseline [mV], its uncertainty [mV] and reasons, at the times ``when`` [s].

    b = (1 - w) b_1 + w b_2; variance ((1 - w)^2 + w^2) u^2 + q (t - t_1) (t_2 - t) / (t_2 - t_1),
    a random walk with fixed ends (Brownian bridge); outside the readings in air u^2 + q |t - t_1|.
    """
    when = np.asarray(when, dtype=float)
    after = np.clip(np.searchsorted(time, when, side="right"), 1, max(time.size - 1, 1))
    first = time[after - 1]
    last = time[np.minimum(after, time.size - 1)]
    length = np.where(last > first, last - first, 1.0)
    w = np.clip((when - first) / length, 0.0, 1.0)
    values = (1.0 - w) * response[after - 1] + w * response[np.minimum(after, time.size - 1)]
    away = np.maximum(np.maximum(time[0] - when, when - time[-1]), 0.0)
    inside = (when - first) * (last - when) / length
    variance = ((1.0 - w) ** 2 + w**2) * noise**2 + wander * np.where(away > 0, away, inside)
    nearest = np.where(away > 0, away, np.minimum(when - first, last - when))
    reason = np.where(nearest <= span, 0, flags.bit("no_baseline")).astype(np.int64)
    return values, np.sqrt(variance), reason


def air_baseline(
    time: pint.Quantity | np.ndarray | xr.DataArray,
    reading_time: pint.Quantity | np.ndarray | xr.DataArray,
    response: Dimensional,
    *,
    response_uncertainty: Scalar | None = None,
    span: Scalar = _T["baseline_span"],
) -> Baseline:
    """Baseline at the times of readings from readings in air before, between and after.

    Parameters
    ----------
    time : Quantity or DataArray, (air)
        Times of the readings in air: [s], or calendar times.
    reading_time : Quantity or DataArray, (reading)
        Times of the readings on the core, of the same kind.
    response : Quantity or DataArray, (air)
        Response in air [mV].
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response in air [mV]; NaN if not given.
    span : Quantity or str
        A reading farther than this from every reading in air gets the reason ``no_baseline`` [s].

    Returns
    -------
    Baseline
        Values, uncertainty and reasons [mV].

    Raises
    ------
    UnitError
        When one time is a calendar time and the other is not.
    ValueError
        When no reading in air has both time and response.

    Notes
    -----
    Linear in time between readings in air, constant outside: common practice. The baseline is
    assumed to wander as a random walk, at a rate estimated from the distance of each reading in air
    from the line between its neighbours (from the difference where there are only two).
    """
    t, when = series.seconds(time=time, reading_time=reading_time)
    b = np.atleast_1d(np.asarray(units.as_floats(response, "mV", "response"), dtype=float))
    t = np.broadcast_to(np.asarray(t, dtype=float), b.shape)
    usable = np.isfinite(t) & np.isfinite(b)
    if not usable.any():
        raise ValueError(
            f"none of {b.size} readings in air has both a time and a response; give at least one, "
            "or leave the baseline out"
        )
    # Readings at one time are averaged: between them there is no time to interpolate.
    t, where = np.unique(t[usable], return_inverse=True)
    counts = np.bincount(where)
    b = np.bincount(where, weights=b[usable]) / counts
    u = units.as_floats(
        response_uncertainty, "mV", "response_uncertainty", difference=True, optional=True
    )
    noise = float("nan") if u is None else float(u) / np.sqrt(counts.min())
    wander = _wander(t, b, 0.0 if np.isnan(noise) else noise)
    values, sigma, reason = series.apply(
        _baseline_kernel,
        when,
        outputs=3,
        dtypes=[float, float, np.int64],
        time=t,
        response=b,
        noise=noise,
        wander=wander,
        span=positive(span, "s", "span", zero=True),
    )
    return Baseline(_stamped(values), _stamped(sigma), reason, wander, t, b, when)


def _wander(t: np.ndarray, b: np.ndarray, noise: float) -> float:
    """Growth of the variance of the baseline [mV^2/s]; NaN for one reading in air."""
    if t.size < 2:
        return float("nan")
    if t.size == 2:
        return max(float(((b[1] - b[0]) ** 2 - 2.0 * noise**2) / (t[1] - t[0])), 0.0)
    before, after = t[1:-1] - t[:-2], t[2:] - t[1:-1]
    w = before / (before + after)
    off = b[1:-1] - (1.0 - w) * b[:-2] - w * b[2:]
    # The noise of three readings is part of the distance; only the excess is wander.
    excess = off**2 - noise**2 * (1.0 + w**2 + (1.0 - w) ** 2)
    return max(float(np.mean(excess / (before * after / (before + after)))), 0.0)


def _stamped(values: Any) -> Any:
    """A series with its unit."""
    return values.assign_attrs(units="mV") if isinstance(values, xr.DataArray) else values


# --------------------------------------------------------------------------------------------------
# Calibration of a contactless resistivity sensor with brines in the liner of the core.


_C = constants.CONSTANTS
_LEAST = thresholds.value("brine_least_conductivity")  # S/m
_MOST = thresholds.value("brine_greatest_conductivity")  # S/m
_ONE_SIGMA = 0.8413447  # of the normal distribution, one-sided
_SAME_BRINE = thresholds.value("same_brine")


@dataclass(frozen=True)
class Calibration(fits.FitResult):
    """Calibration log10(resistivity) = c0 + c1 x + c2 x^2, x = log10(response less baseline).

    Parameters
    ----------
    coefficients : (3,) ndarray
        c0, c1, c2, with resistivity in ohm m and response in mV; c2 is zero for a line.
    covariance : (k, k) ndarray
        Covariance of the k fitted coefficients, widened by the reduced chi-square.
    other : (3,) ndarray
        Coefficients of the order that was not chosen; NaN where there was no choice.
    other_weight : float
        Weight of the order that was not chosen, 0 to 0.5.
    domain : tuple of float
        Range of x that the brines span, widened by a tenth.
    brine_uncertainty : float
        Relative standard uncertainty that the conductivities of all brines share, 1.
    log_response, log_resistivity, residual, conductivity : ndarray, (standard)
        The standards as they entered the fit; conductivity in S/m.
    criterion : dict of int to float
        AICc by order.
    reduced_chi_square : float
        Reduced chi-square of the chosen fit; one by construction where no uncertainty of the
        response was given.
    used : dict of str to UsedConstant
        Constants that the fit used.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    domain: tuple[float, float]
    brine_uncertainty: float = float("nan")
    other: np.ndarray = field(default_factory=lambda: np.full(3, np.nan))
    other_weight: float = 0.0
    log_response: np.ndarray = field(default_factory=lambda: np.empty(0))
    log_resistivity: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    conductivity: np.ndarray = field(default_factory=lambda: np.empty(0))
    criterion: dict[int, float] = field(default_factory=dict)
    reduced_chi_square: float = float("nan")
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)

    @property
    def dataset(self) -> xr.Dataset:
        """Coefficients with uncertainties and effects."""
        # Brines that conduct more than stated lower every resistivity by the same share.
        effects = {"brine_conductivity": -self.brine_uncertainty / np.log(10.0)}
        known = {"brine_conductivity": 0.0}
        rows = [
            fits.Parameter(
                f"c{i}",
                self.coefficients[i],
                "1",
                f"coefficient c{i} of the resistivity calibration",
                np.sqrt(self.covariance[i, i]),
                known if i else effects,
            )
            for i in range(len(self.covariance))
        ]
        return fits.parameters(
            rows,
            equation="log10(resistivity / (ohm m)) = c0 + c1 x + c2 x^2, "
            "x = log10(net response / mV)",
            covariance=self.covariance,
            constants=self.used,
            reduced_chi_square=self.reduced_chi_square,
            standards=self.log_response.size,
        )

    def _draw(self, ax: Axes) -> None:
        """Resistivity of the brines against their response, both as logarithms."""
        x = np.linspace(*self.domain, 100)
        fits.draw_points(ax, self.log_response, self.log_resistivity, label="brines")
        fits.draw_curve(ax, x, np.polynomial.polynomial.polyval(x, self.coefficients))
        ax.set_xlabel("log10(net response / mV)")
        ax.set_ylabel("log10(resistivity / (ohm m))")

    def describe(self) -> str:
        """Coefficients and order in one line."""
        c = ", ".join(f"c{i} = {value:.6g}" for i, value in enumerate(self.coefficients))
        return (
            f"log10(resistivity / (ohm m)) = c0 + c1 x + c2 x^2, x = log10(net response / mV), "
            f"{c}; {self.log_response.size} readings of brines"
        )

    def card(self) -> Card:
        """Coefficients with uncertainties, scatter, and warnings of the calibration.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        u = np.sqrt(np.diag(self.covariance))
        rows = [
            (f"c{i}", with_uncertainty(float(value), float(error)))
            for i, (value, error) in enumerate(zip(self.coefficients, u, strict=False))
        ]
        low, high = (10.0**edge for edge in self.domain)
        rows += [
            ("readings of brines", f"{self.log_response.size}"),
            ("domain", f"net responses of {low:.3g} to {high:.3g} mV"),
            ("reduced chi-square", f"{self.reduced_chi_square:.2f}"),
        ]
        return Card(
            "Resistivity calibration, log10(R) = c0 + c1 x + c2 x^2",
            tuple(rows),
            fit_warnings(self.reduced_chi_square, self.residual, "1"),
            ("look at the residual of each brine: an outlier was diluted or mistyped",),
        )


def calibrate(
    response: Dimensional,
    *,
    conductivity: Dimensional | None = None,
    temperature: Dimensional | None = None,
    salinity: Dimensional | None = None,
    brine: str | Sequence[str] | xr.DataArray | None = None,
    baseline: Dimensional = "0 mV",
    order: int | None = None,
    response_uncertainty: Scalar | None = None,
    brine_uncertainty: Scalar = _C["brine_uncertainty"],
) -> Calibration:
    """Fit resistivity against the response to brines in the same liner.

    Parameters
    ----------
    response : Quantity or DataArray, (standard)
        Response of the sensor to each brine [mV].
    conductivity : Quantity or DataArray, (standard), optional
        Measured conductivity of each brine at its temperature [S/m]; NaN for brines whose
        conductivity is to be computed from the salinity.
    temperature, salinity : Quantity, DataArray or str, optional
        Temperature [degC] and salinity [g/kg] of brines whose conductivity was not measured.
    brine : str or sequence of str, (standard), optional
        Salt of these brines, ``sodium_chloride`` or ``sea``.
    baseline : Quantity, DataArray or str
        Response in air [mV], a scalar or one value for each standard.
    order : {1, 2}, optional
        Degree of the fit; if not given, the degree with the smaller AICc.
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response [mV]; if not given, the scatter about the fit,
        relative to the response.
    brine_uncertainty : Quantity, str or Constant
        Relative standard uncertainty that all brines share [1].

    Returns
    -------
    Calibration
        Coefficients, covariance, domain and residuals.

    Raises
    ------
    ValueError
        With fewer than three different brines, a brine without conductivity, a conductivity
        outside the range of brines, or a response that is not above its baseline or does not rise
        with conductivity.

    Notes
    -----
    Least squares of log10(rho) on log10(S - S0): common practice for contactless sensors, whose
    response is close to a power of the conductivity. Covariance widened by the reduced chi-square
    where that exceeds one; where it comes from the scatter alone, also by Student's factor for few
    readings (JCGM 100:2008, annex G). Order by AICc (Hurvich and Tsai 1989). The order that was
    not chosen has the weight exp(-d / 2) / (1 + exp(-d / 2)), d the difference in AIC (Burnham
    and Anderson 2002, from memory), and enters the uncertainty of readings with this weight.
    """
    total = np.atleast_1d(np.asarray(units.as_floats(response, "mV", "response"), dtype=float))
    net = total - np.asarray(units.as_floats(baseline, "mV", "baseline"), dtype=float)
    sigma = _conductivity(total.shape, conductivity, temperature, salinity, brine)
    _check_conductivity(sigma)
    _check_response(net, sigma)
    u = units.as_floats(
        response_uncertainty, "mV", "response_uncertainty", difference=True, optional=True
    )
    u_brine = units.as_floats(brine_uncertainty, "1", "brine_uncertainty", difference=True)
    found = _fit(net, sigma, u, order, float(u_brine))
    return replace(found, used=records(brine_uncertainty=brine_uncertainty))


def _conductivity(
    shape: tuple[int, ...],
    measured: Dimensional | None,
    temperature: Dimensional | None,
    salinity: Dimensional | None,
    brine: str | Sequence[str] | xr.DataArray | None,
) -> np.ndarray:
    """Conductivities [S/m]: measured, or computed from salinity and temperature."""
    known = np.full(shape, np.nan)
    if measured is not None:
        known[:] = np.asarray(units.as_floats(measured, "S/m", "conductivity"), dtype=float)
    missing = np.isnan(known)
    if not missing.any():
        return known
    if salinity is None or temperature is None or brine is None:
        raise ValueError(
            f"standard {int(np.flatnonzero(missing)[0])} has no conductivity; give its "
            "conductivity in S/m, or temperature, salinity and brine together"
        )
    warm = np.broadcast_to(_plain(units.as_floats(temperature, "degC", "temperature")), shape)
    words = np.broadcast_to(np.asarray(_plain(brine), dtype=object), shape)
    salt = np.broadcast_to(_plain(mass_fraction(salinity)), shape)
    for word in dict.fromkeys(words[missing]):
        here = missing & (words == word)
        known[here] = conductivity_of_brine(salt[here], warm[here], word)
    if np.isnan(known).any():
        first = int(np.flatnonzero(np.isnan(known))[0])
        raise ValueError(
            f"standard {first} has neither conductivity nor salinity and temperature; give one or "
            "the other, or leave the standard out"
        )
    return known


def _plain(values: Any) -> Any:
    """Values without coordinates."""
    return values.values if hasattr(values, "dims") else values


def _check_conductivity(sigma: np.ndarray) -> None:
    """Refuse conductivities [S/m] outside the range of brines: a unit was mistaken."""
    strange = np.flatnonzero((sigma < _LEAST) | (sigma > _MOST))
    if strange.size:
        first = int(strange[0])
        raise ValueError(
            f"standard {first} has a conductivity of {sigma[first]:g} S/m; expected "
            f"{_LEAST:g} to {_MOST:g} S/m, sea water has about 5. Was it in mS/cm (a tenth of a "
            "S/m), in mS/m or in uS/cm? Give the numbers with the unit of the conductivity meter"
        )


def _check_response(net: np.ndarray, sigma: np.ndarray) -> None:
    """Refuse net responses [mV] that are not positive, too few brines, or a response that falls."""
    low = np.flatnonzero(~(net > 0))
    if low.size:
        first = int(low[0])
        raise ValueError(
            f"standard {first} has a response of {net[first]:g} mV above its baseline; every brine "
            "must have a response above that of air. Check the baseline, or leave the standard out"
        )
    order = np.argsort(sigma, kind="stable")
    steps = np.diff(np.log(sigma[order])) > _SAME_BRINE
    groups = np.split(order, np.flatnonzero(steps) + 1)
    if len(groups) < 3:
        raise ValueError(
            f"the standards hold {len(groups)} different brines (more than {_SAME_BRINE:.0%} apart "
            "in conductivity); a calibration needs at least three, because two points fit any line"
        )
    means = [float(net[group].mean()) for group in groups]
    for before, group, lower, higher in zip(groups, groups[1:], means, means[1:], strict=False):
        if higher <= lower:
            raise ValueError(
                f"standard {int(group[0])} of {sigma[group].mean():.3g} S/m has a response of "
                f"{higher:.4g} mV, no more than standard {int(before[0])} of "
                f"{sigma[before].mean():.3g} S/m with {lower:.4g} mV; the response must rise with "
                "conductivity. Check the order of the standards and the units of the conductivities"
            )


def _fit(
    net: np.ndarray,
    sigma: np.ndarray,
    u: float | np.ndarray | None,
    order: int | None,
    u_brine: float,
) -> Calibration:
    """Calibration from net responses [mV] and conductivities [S/m]."""
    x, y = np.log10(net), -np.log10(sigma)
    # The uncertainty of a response becomes one of log10(rho) through the slope of the line.
    slope = abs(polynomial.fit_polynomial(x, y, np.ones_like(x), 1)[0][1])
    known = u is not None
    weights = slope * np.asarray(u) / (net * np.log(10.0)) if known else np.ones_like(x)
    weights = np.broadcast_to(weights, x.shape)
    fits = {
        degree: polynomial.fit_polynomial(x, y, weights, degree)
        for degree in ((order,) if order else (1, 2) if x.size > 3 else (1,))
    }
    # Without uncertainties the scatter is one more parameter, and the deviance its logarithm.
    deviance = {
        degree: fit[2] if known else x.size * np.log(max(fit[2], 1e-300) / x.size)
        for degree, fit in fits.items()
    }
    extra = 1 if known else 2
    criterion = {
        degree: polynomial.akaike_corrected(value, x.size, degree + extra)
        for degree, value in deviance.items()
    }
    degree = min(criterion, key=lambda key: criterion[key])
    c, covariance, chi_square = fits[degree]
    spare = x.size - degree - 1
    reduced = chi_square / spare if spare else float("nan")
    full = _three(c)
    margin = 0.1 * float(np.ptp(x))
    domain = (float(x.min()) - margin, float(x.max()) + margin)
    if np.any(full[1] + 2.0 * full[2] * np.array(domain) >= 0):
        raise ValueError(
            f"the polynomial of degree {degree} through {x.size} brines does not fall with the "
            "response everywhere between them, as resistivity must; give order=1, or add brines"
        )
    other, share = np.full(3, np.nan), 0.0
    if len(fits) == 2:
        other = _three(fits[3 - degree][0])
        step = deviance[3 - degree] - deviance[degree] + 2.0 * (3 - 2 * degree)
        # The limit of 700 keeps the exponential below the largest float.
        share = float(1.0 / (1.0 + np.exp(min(0.5 * step, 700.0))))
    return Calibration(
        full,
        covariance * _widening(reduced, spare, known),
        domain,
        u_brine,
        other,
        share,
        x,
        y,
        y - np.polynomial.polynomial.polyval(x, full),
        sigma,
        criterion,
        float(reduced if known else 1.0),
    )


def _three(coefficients: np.ndarray) -> np.ndarray:
    """Coefficients of a parabola; c2 is zero for a line."""
    return np.pad(coefficients, (0, 3 - coefficients.size))


def _widening(reduced: float, spare: int, known: bool) -> float:
    """Factor on the covariance; NaN where neither uncertainties nor scatter are known."""
    if known:
        return max(reduced, 1.0) if spare else 1.0
    if not spare:
        return float("nan")
    from scipy.special import stdtrit

    return reduced * float(stdtrit(spare, _ONE_SIGMA)) ** 2
