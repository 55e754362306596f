"""Calibration of a contactless resistivity sensor: its reading in air, and brines in the liner
of the core."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import Card, Shown, fit_worries, with_uncertainty
from corephys.ground.provenance import UsedConstant, records
from corephys.numerics import polynomial as information
from corephys.sensors.resistivity.pore_water import brine_conductivity, mass_fraction

__all__ = ["Baseline", "Calibration", "air_baseline", "calibrate"]

# --------------------------------------------------------------------------------------------------
# What a contactless sensor reads in air, between the times when it was read.


_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Baseline:
    """Baseline at the times of readings.

    Parameters
    ----------
    values : DataArray or ndarray, (reading)
        [mV].
    uncertainty : DataArray or ndarray, (reading)
        Standard uncertainty [mV]; NaN where it is not known.
    reason : DataArray or ndarray of int, (reading)
        ``no_baseline`` where no reading in air lies near enough.
    wander : float
        Growth of the variance of the baseline in time [mV^2/s].
    """

    values: Any
    uncertainty: Any
    reason: Any
    wander: float


def baseline_kernel(
    when: Any, time: np.ndarray, response: np.ndarray, *, noise: float, wander: float, span: float
) -> tuple[Any, Any, Any]:
    """Baseline, its uncertainty and reasons.

    Parameters
    ----------
    when : ndarray
        Times of readings [s].
    time, response : ndarray, (air)
        Rising times [s] and responses in air [mV].
    noise, wander : float
        Standard uncertainty of one reading in air [mV]; growth of variance [mV^2/s].
    span : float
        Farthest that a reading may lie outside the readings in air, and half the longest gap
        between two of them [s].

    Returns
    -------
    tuple of ndarray
        [mV], [mV], int64 reasons.

    Notes
    -----
    b = (1 - w) b_1 + w b_2; variance ((1 - w)^2 + w^2) u^2 + q (t - t_1) (t_2 - t) / (t_2 - t_1),
    a random walk tied at both ends; outside u^2 + q |t - t_1| (Brownian bridge, a definition).
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
    time: Any,
    reading_time: Any,
    response: Any,
    *,
    response_uncertainty: Any = None,
    span: Any = _T["baseline_span"],
) -> Baseline:
    """Baseline at the times of readings from readings in air before, between and after.

    Parameters
    ----------
    time : Quantity or DataArray, (air)
        When the sensor was read in air: [s], or calendar times.
    reading_time : Quantity or DataArray, (reading)
        Of the readings on the core, of the same kind.
    response : Quantity or DataArray, (air)
        In air [mV].
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response in air [mV]; unknown gives NaN.
    span : Quantity or str
        A reading farther than this from every reading in air is given the reason
        ``no_baseline`` [s].

    Returns
    -------
    Baseline
        Values, uncertainty and reasons [mV].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, or where one time is a calendar time and one is not.
    ValueError
        When no reading in air has both time and response.

    Notes
    -----
    Linear in time between readings in air, held constant outside: common practice. The baseline
    is taken to wander as a random walk, at a rate found from how far each reading in air lies
    from the line between its neighbours (from the two of them where there are only two).
    """
    t, when = series.seconds(time=time, reading_time=reading_time)
    b = np.atleast_1d(np.asarray(units.as_floats(response, "mV", "response"), dtype=float))
    t = np.broadcast_to(np.asarray(t, dtype=float), b.shape)
    usable = np.isfinite(t) & np.isfinite(b)
    if not usable.any():
        raise ValueError("no reading in air has both a time and a response")
    # Readings of one time are one reading.
    t, where = np.unique(t[usable], return_inverse=True)
    counts = np.bincount(where)
    b = np.bincount(where, weights=b[usable]) / counts
    u = units.as_floats(
        response_uncertainty, "mV", "response_uncertainty", difference=True, optional=True
    )
    noise = float("nan") if u is None else float(u) / np.sqrt(counts.min())
    wander = _wander(t, b, 0.0 if np.isnan(noise) else noise)
    values, sigma, reason = series.apply(
        baseline_kernel,
        when,
        outputs=3,
        dtypes=[float, float, np.int64],
        time=t,
        response=b,
        noise=noise,
        wander=wander,
        span=positive(span, "s", "span", zero=True),
    )
    return Baseline(_stamped(values), _stamped(sigma), reason, wander)


def _wander(t: np.ndarray, b: np.ndarray, noise: float) -> float:
    """Rate at which the variance grows; NaN for one reading in air."""
    if t.size < 2:
        return float("nan")
    if t.size == 2:
        return max(float(((b[1] - b[0]) ** 2 - 2.0 * noise**2) / (t[1] - t[0])), 0.0)
    before, after = t[1:-1] - t[:-2], t[2:] - t[1:-1]
    w = before / (before + after)
    off = b[1:-1] - (1.0 - w) * b[:-2] - w * b[2:]
    excess = off**2 - noise**2 * (1.0 + w**2 + (1.0 - w) ** 2)
    return max(float(np.mean(excess / (before * after / (before + after)))), 0.0)


def _stamped(values: Any) -> Any:
    return values.assign_attrs(units="mV") if isinstance(values, xr.DataArray) else values


# --------------------------------------------------------------------------------------------------
# Calibration of a contactless resistivity sensor with brines in the liner of the core.


_C = constants.CONSTANTS
LEAST = thresholds.value("brine_least_conductivity")  # S/m
MOST = thresholds.value("brine_greatest_conductivity")  # S/m
ONE_SIGMA = 0.8413447  # of the normal distribution, one-sided
SAME_BRINE = thresholds.value("same_brine")


@dataclass(frozen=True)
class Calibration(Shown):
    """log10(resistivity) = c0 + c1 x + c2 x^2 with x = log10(response less baseline).

    Parameters
    ----------
    coefficients : (3,) ndarray
        Of rising powers of x, resistivity in ohm m and response in mV; c2 is zero for a line.
    covariance : (k, k) ndarray
        Of the k coefficients that were fitted, widened by the reduced chi-square.
    other : (3,) ndarray
        Coefficients of the order that was not chosen; NaN where there was no choice.
    other_weight : float
        Share of belief that the other order keeps, 1.
    domain : tuple of float
        x that the brines span, widened by a tenth.
    brine_uncertainty : float
        Relative standard uncertainty that the conductivities of all brines share, 1.
    log_response, log_resistivity, residual, conductivity : ndarray, (standard)
        The standards as they entered the fit; conductivity in S/m.
    criterion : dict of int to float
        AICc by order.
    reduced_chi_square : float
        Of the chosen fit; one by construction where no uncertainty of the response was given.
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

    def describe(self) -> str:
        """Coefficients and order in one line."""
        c = ", ".join(f"c{i} = {value:.6g}" for i, value in enumerate(self.coefficients))
        return (
            f"log10(resistivity / (ohm m)) = c0 + c1 x + c2 x^2, x = log10(net response / mV), "
            f"{c}; {self.log_response.size} readings of brines"
        )

    def card(self) -> Card:
        """Coefficients with uncertainties, scatter, and what speaks against the calibration.

        Returns
        -------
        Card
            Shows itself as text or HTML.
        """
        u = np.sqrt(np.diag(self.covariance))
        rows = [
            (f"c{i}", with_uncertainty(float(value), float(error)))
            for i, (value, error) in enumerate(zip(self.coefficients, u, strict=False))
        ]
        low, high = (10.0**edge for edge in self.domain)
        rows += [
            ("readings of brines", f"{self.log_response.size}"),
            ("holds for", f"net responses of {low:.3g} to {high:.3g} mV"),
            ("reduced chi-square", f"{self.reduced_chi_square:.2f}"),
        ]
        return Card(
            "Resistivity calibration, log10(R) = c0 + c1 x + c2 x^2",
            tuple(rows),
            fit_worries(self.reduced_chi_square, self.residual, "1"),
            ("look at the residual of each brine: one that stands apart was diluted or mistyped",),
        )


def calibrate(
    response: Any,
    *,
    conductivity: Any = None,
    temperature: Any = None,
    salinity: Any = None,
    brine: Any = None,
    baseline: Any = "0 mV",
    order: int | None = None,
    response_uncertainty: Any = None,
    brine_uncertainty: Any = _C["brine_uncertainty"],
) -> Calibration:
    """Fit resistivity against the response to brines in the same liner.

    Parameters
    ----------
    response : Quantity or DataArray, (standard)
        Of the sensor [mV].
    conductivity : Quantity or DataArray, (standard), optional
        Measured in each brine at its own temperature [S/m]; NaN where the salinity is to be used.
    temperature, salinity : Quantity, DataArray or str, optional
        Of each brine [degC], [g/kg], where its conductivity was not measured.
    brine : str or sequence of str, (standard), optional
        ``sodium_chloride`` or ``sea``, for the same brines.
    baseline : Quantity, DataArray or str
        Response in air [mV], a scalar or one a standard.
    order : {1, 2}, optional
        Degree of the fit; the smaller AICc decides where it is not given.
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response [mV]; without it the scatter about the fit is
        taken, relative to the response.
    brine_uncertainty : Quantity, str or Constant
        Relative, shared by all brines [1].

    Returns
    -------
    Calibration
        Coefficients, covariance, domain and residuals.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three different brines, a brine without conductivity, conductivities that
        no brine has, a response that is not above its baseline or does not rise with
        conductivity.

    Notes
    -----
    Least squares of log10(rho) on log10(S - S0): common practice for contactless sensors, whose
    response is close to a power of the conductivity. Covariance widened by the reduced chi-square
    where that exceeds one; where the scatter alone sets it, also by Student's factor for the few
    readings (JCGM 100:2008, annex G). Order by AICc (Hurvich and Tsai 1989); the order that was
    not chosen keeps the share exp(-d / 2) / (1 + exp(-d / 2)), d the difference in AIC (Burnham
    and Anderson 2002, from memory), with which it enters the uncertainty of readings.
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
    shape: tuple[int, ...], measured: Any, temperature: Any, salinity: Any, brine: Any
) -> np.ndarray:
    """Measured conductivities, and those of the brines that were only weighed [S/m]."""
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
        known[here] = brine_conductivity(
            units.quantity(salt[here], "g/kg"), units.quantity(warm[here], "degC"), brine=word
        )
    if np.isnan(known).any():
        first = int(np.flatnonzero(np.isnan(known))[0])
        raise ValueError(f"standard {first} has neither conductivity nor salinity and temperature")
    return known


def _plain(values: Any) -> Any:
    return values.values if hasattr(values, "dims") else values


def _check_conductivity(sigma: np.ndarray) -> None:
    strange = np.flatnonzero((sigma < LEAST) | (sigma > MOST))
    if strange.size:
        first = int(strange[0])
        raise ValueError(
            f"standard {first} has a conductivity of {sigma[first]:g} S/m; brines have "
            f"{LEAST:g} to {MOST:g} S/m, sea water about 5. Was it in mS/cm (a tenth of a S/m), in "
            "mS/m or in uS/cm? Give the numbers with the unit they were read in"
        )


def _check_response(net: np.ndarray, sigma: np.ndarray) -> None:
    low = np.flatnonzero(~(net > 0))
    if low.size:
        first = int(low[0])
        raise ValueError(
            f"standard {first} responds {net[first]:g} mV above its baseline; every brine must "
            "respond more than air. Check the baseline, or leave the standard out"
        )
    order = np.argsort(sigma, kind="stable")
    steps = np.diff(np.log(sigma[order])) > SAME_BRINE
    groups = np.split(order, np.flatnonzero(steps) + 1)
    if len(groups) < 3:
        raise ValueError(
            f"the standards are {len(groups)} different brines (more than {SAME_BRINE:.0%} apart "
            "in conductivity); a calibration needs at least three, since two points fit any line"
        )
    means = [float(net[group].mean()) for group in groups]
    for before, group, lower, higher in zip(groups, groups[1:], means, means[1:], strict=False):
        if higher <= lower:
            raise ValueError(
                f"standard {int(group[0])} of {sigma[group].mean():.3g} S/m responds "
                f"{higher:.4g} mV, no more than standard {int(before[0])} of "
                f"{sigma[before].mean():.3g} S/m with {lower:.4g} mV; the response must rise with "
                "conductivity. The standards may stand in the wrong order, or a conductivity in "
                "another unit than S/m"
            )


def _fit(
    net: np.ndarray, sigma: np.ndarray, u: Any, order: int | None, u_brine: float
) -> Calibration:
    x, y = np.log10(net), -np.log10(sigma)
    slope = abs(information.fit_polynomial(x, y, np.ones_like(x), 1)[0][1])
    known = u is not None
    weights = slope * np.asarray(u) / (net * np.log(10.0)) if known else np.ones_like(x)
    weights = np.broadcast_to(weights, x.shape)
    fits = {
        degree: information.fit_polynomial(x, y, weights, degree)
        for degree in ((order,) if order else (1, 2) if x.size > 3 else (1,))
    }
    # Without sigmas the scatter is a parameter too, and the likelihood its logarithm.
    deviance = {
        degree: fit[2] if known else x.size * np.log(max(fit[2], 1e-300) / x.size)
        for degree, fit in fits.items()
    }
    extra = 1 if known else 2
    criterion = {
        degree: information.akaike_corrected(value, x.size, degree + extra)
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
            "the fitted resistivity does not fall with the response everywhere between the brines; "
            "give order=1, or more brines"
        )
    other, share = np.full(3, np.nan), 0.0
    if len(fits) == 2:
        other = _three(fits[3 - degree][0])
        step = deviance[3 - degree] - deviance[degree] + 2.0 * (3 - 2 * degree)
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
    return np.pad(coefficients, (0, 3 - coefficients.size))


def _widening(reduced: float, spare: int, known: bool) -> float:
    """Factor on the covariance; NaN where nothing tells the scatter."""
    if known:
        return max(reduced, 1.0) if spare else 1.0
    if not spare:
        return float("nan")
    from scipy.special import stdtrit

    return reduced * float(stdtrit(spare, ONE_SIGMA)) ** 2
