"""Calibration of a gamma densiometer: standards of aluminium in water, sets in time, and dead
time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import optimize

from corephys.ground import constants, seawater, series, thresholds, units
from corephys.ground.cards import SEALED_SOURCE, Card, Shown, fit_worries, with_uncertainty
from corephys.ground.provenance import UsedConstant, records
from corephys.numerics import polynomial
from corephys.numerics import polynomial as information
from corephys.uncertainty import bare, stated

__all__ = [
    "Calibration",
    "DeadTime",
    "between",
    "calibrate",
    "dead_time_from_standards",
    "standard_density",
]

# --------------------------------------------------------------------------------------------------
# Calibration of a gamma densiometer with standards of aluminium in water.


_C = constants.CONSTANTS
# Grains that weaken the beam as much as a gram of aluminium and of water, by scale.
SCALES = {
    "aluminium and water": (1.0, 1.0),
    "grain equivalent": (
        _C["aluminium_to_grain_attenuation"].value,
        _C["water_to_grain_attenuation"].value,
    ),
}
_BY_SCALE = {
    "aluminium and water": ("aluminium_electron_ratio", "water_electron_ratio"),
    "grain equivalent": ("aluminium_to_grain_attenuation", "water_to_grain_attenuation"),
}


@dataclass(frozen=True)
class Calibration(Shown):
    """ln I = c0 + c1 x + c2 x^2 with x the areal density inside the liner.

    Parameters
    ----------
    coefficients : (3,) ndarray
        c0 [1], c1 [cm^2/g], c2 [cm^4/g^2]; c2 is zero for a straight line.
    covariance : (k, k) ndarray
        Of the k coefficients that were fitted.
    domain : tuple of float
        Areal densities that the standards span, widened by a tenth [g/cm^2].
    dead_time, background_rate : float
        In s and 1/s; used for standards and readings alike.
    real_time : bool
        Whether counting times are real times.
    water_density, aluminium_density : float
        Of the standards [g/cm^3].
    water_ratio, aluminium_ratio : float
        Z/A [mol/g].
    areal_density, log_rate, log_rate_uncertainty, residual : ndarray, (standard)
        The standards as they entered the fit.
    scale : {"aluminium and water", "grain equivalent"}
        What a reading means: density as of water and aluminium, or attenuation over that of a
        gram of grains. The first asks for the electron step, the second for the hydrogen step.
    criterion : dict of int to float
        AICc by order.
    reduced_chi_square : float
        Of the chosen fit; above one it has widened ``covariance``.
    shifted : dict of str to Calibration
        The calibration made again with one input shifted by one sigma, by source.
    parts : tuple of (str, ndarray, Calibration)
        Of a calibration that changes in time: label, weight of each reading and calibration.
    used : dict of str to UsedConstant
        Constants that the fit used.
    """

    coefficients: Any
    covariance: np.ndarray
    domain: tuple[float, float]
    dead_time: float = 0.0
    background_rate: float = 0.0
    real_time: bool = True
    water_density: float = 0.9982
    aluminium_density: float = _C["aluminium_density"].value
    water_ratio: float = _C["water_electron_ratio"].value
    aluminium_ratio: float = _C["aluminium_electron_ratio"].value
    areal_density: np.ndarray = field(default_factory=lambda: np.empty(0))
    log_rate: np.ndarray = field(default_factory=lambda: np.empty(0))
    log_rate_uncertainty: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    scale: str = "aluminium and water"
    criterion: dict[int, float] = field(default_factory=dict)
    reduced_chi_square: float = float("nan")
    shifted: dict[str, Calibration] = field(default_factory=dict)
    parts: tuple[tuple[str, Any, Calibration], ...] = ()
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)

    @classmethod
    def nominal(cls, **changes: Any) -> Calibration:
        """Scale of pure water and aluminium without a fit, for the electron step alone.

        Parameters
        ----------
        **changes
            Fields of the calibration that are to be otherwise.

        Returns
        -------
        Calibration
            Its covariance unknown, its span without end.
        """
        unknown = np.full((2, 2), np.nan)
        return cls(np.array([0.0, -0.0746, 0.0]), unknown, (0.0, np.inf), **changes)

    def describe(self) -> str:
        """Coefficients and order in one line."""
        if self.parts:
            return "; ".join(f"set {label}: {part.describe()}" for label, _, part in self.parts)
        c = ", ".join(f"c{i} = {value:.6g}" for i, value in enumerate(self.coefficients))
        return f"ln I = c0 + c1 x + c2 x^2, {c}; {self.areal_density.size} standards; {self.scale}"

    def card(self) -> Card:
        """Coefficients with uncertainties, scatter, and what speaks against the calibration.

        Returns
        -------
        Card
            Shows itself as text or HTML.
        """
        if self.parts:
            rows = [(f"set {label}", part.describe()) for label, _, part in self.parts]
            worries = [words for _, _, part in self.parts for words in part.card().worries]
            worries = list(dict.fromkeys(worries))
            return Card("Gamma calibration that changes in time", tuple(rows), tuple(worries))
        u = np.zeros(3)
        u[: len(self.covariance)] = np.sqrt(np.diag(self.covariance))
        rows = [
            (f"c{i}", with_uncertainty(float(value), float(error), unit))
            for i, (value, error, unit) in enumerate(
                zip(self.coefficients, u, ("1", "cm^2/g", "cm^4/g^2"), strict=True)
            )
            if value != 0.0 or i < len(self.covariance)
        ]
        rows.append(("standards", f"{self.areal_density.size}, on the scale {self.scale}"))
        rows.append(
            ("holds for", "areal densities of {:.3g} to {:.3g} g/cm^2".format(*self.domain))
        )
        if np.isfinite(self.reduced_chi_square):
            rows.append(("reduced chi-square", f"{self.reduced_chi_square:.2f}"))
        return Card(
            "Gamma calibration, ln I = c0 + c1 x + c2 x^2",
            tuple(rows),
            (*fit_worries(self.reduced_chi_square, self.residual, "1"), SEALED_SOURCE),
            ("look at the residuals: a trend means trapped air, a wrong thickness or dead time",),
        )


def standard_density(
    aluminium_thickness: Any,
    bore: Any,
    *,
    water_density: Any,
    aluminium_density: Any = _C["aluminium_density"],
) -> Any:
    """Mean density along the beam through a step of aluminium in water.

    Parameters
    ----------
    aluminium_thickness, bore : Quantity, DataArray or str
        Thickness of aluminium and bore of the liner [cm].
    water_density, aluminium_density : Quantity, str or Constant
        [g/cm^3].

    Returns
    -------
    float or array
        Mean density [g/cm^3], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When a step is thicker than the bore.

    Notes
    -----
    (rho_Al d_Al + rho_w (D - d_Al)) / D: areal densities add up (geometry).
    """
    d = units.as_floats(aluminium_thickness, "cm", "aluminium_thickness")
    wide = units.as_floats(bore, "cm", "bore")
    if np.any(np.asarray(d > wide)) or np.any(np.asarray(d < 0)):
        raise ValueError("aluminium_thickness must lie between zero and the bore")
    rw = units.as_floats(water_density, "g/cm^3", "water_density")
    ra = units.as_floats(aluminium_density, "g/cm^3", "aluminium_density")
    return (ra * d + rw * (wide - d)) / wide


def calibrate(
    counts: Any,
    time: Any,
    aluminium_thickness: Any,
    bore: Any,
    *,
    dead_time: Any = "0 s",
    dead_time_uncertainty: Any = None,
    background_rate: Any = "0 1/s",
    background_rate_uncertainty: Any = None,
    time_kind: str = "real",
    decay: Any = 1.0,
    water_temperature: Any = "20 degC",
    aluminium_density: constants.Constant = _C["aluminium_density"],
    order: int | None = None,
    scale: str = "aluminium and water",
) -> Calibration:
    """Fit ln I against areal density of standards of aluminium in fresh water.

    Parameters
    ----------
    counts, time : Quantity or DataArray, (standard)
        Counts [count] and counting time [s].
    aluminium_thickness, bore : Quantity or DataArray, (standard)
        Thickness of aluminium and bore of the liner [cm].
    dead_time, background_rate : Quantity or str
        [s] and [1/s], with their standard uncertainties.
    dead_time_uncertainty, background_rate_uncertainty : Quantity or str, optional
        Systematic: the same error in the standards and in the readings. Unknown gives NaN.
    time_kind : {"real", "live"}
        Kind of counting time.
    decay : float or ndarray
        Factor to the reference time of each standard.
    water_temperature : Quantity or str
        Of the water in the standards [degC]; its density comes from TEOS-10.
    aluminium_density : Constant
        [g/cm^3], with its uncertainty.
    order : {1, 2}, optional
        Degree of the fit; the smaller AICc decides where it is not given.
    scale : {"aluminium and water", "grain equivalent"}
        Density convention of the readings; it is kept with everything made from them.

    Returns
    -------
    Calibration
        Coefficients, covariance, residuals and the calibration shifted by each nuisance.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three different thicknesses, counts or times that are not positive, a fit
        whose rate rises with density, or an unknown scale.

    Notes
    -----
    Weighted least squares, weights from Poisson counts; covariance widened by the reduced
    chi-square where that exceeds one. Order by AICc (Hurvich and Tsai 1989).
    """
    if scale not in SCALES:
        raise ValueError(f"scale is {scale!r}; it is one of {', '.join(map(repr, SCALES))}")
    n = np.asarray(units.as_floats(counts, "count", "counts"), dtype=float)
    t = np.broadcast_to(units.as_floats(time, "s", "time"), n.shape)
    nuisances = {
        "dead_time": units.as_floats(dead_time, "s", "dead_time"),
        "background_rate": units.as_floats(background_rate, "1/s", "background_rate"),
        "aluminium_density": aluminium_density.value,
    }
    sigmas = {
        "dead_time": float(stated(dead_time_uncertainty, "s", "dead_time_uncertainty")),
        "background_rate": float(
            stated(background_rate_uncertainty, "1/s", "background_rate_uncertainty")
        ),
        "aluminium_density": aluminium_density.uncertainty,
    }
    water_density = seawater.density("0 g/kg", water_temperature, "0 dbar")
    water = float(units.as_floats(water_density, "g/cm^3", "density of water"))
    wide = np.broadcast_to(units.as_floats(bore, "cm", "bore"), n.shape)
    thickness = np.broadcast_to(
        units.as_floats(aluminium_thickness, "cm", "aluminium_thickness"), n.shape
    )
    check_standards(n, t, thickness, wide)
    fixed = {
        "n": n,
        "t": t,
        "thickness": thickness,
        "bore": wide,
        "decay": decay,
        "real": time_kind == "real",
        "water": water,
        "scale": scale,
    }
    best = _fit(order=order, **nuisances, **fixed)
    degree = best.covariance.shape[0] - 1
    shifted = {
        source: _fit(order=degree, **{**nuisances, source: nuisances[source] + sigma}, **fixed)
        for source, sigma in sigmas.items()
        if np.isfinite(sigma)
    }
    for source, sigma in sigmas.items():
        if not np.isfinite(sigma):
            shifted[source] = replace(best, coefficients=best.coefficients * np.nan)
    return replace(
        best,
        shifted=shifted,
        used=records(
            dead_time=(dead_time, dead_time_uncertainty),
            background_rate=(background_rate, background_rate_uncertainty),
            aluminium_density=aluminium_density,
            **{row: _C[row] for row in _BY_SCALE[scale]},
        ),
    )


def check_standards(n: np.ndarray, t: np.ndarray, thickness: np.ndarray, bore: np.ndarray) -> None:
    """Refuse standards without counts, time, a place in the bore, or three thicknesses."""
    for values, what in ((n, "counts"), (t, "s of counting time")):
        bad = np.flatnonzero(~(values > 0))
        if bad.size:
            first = int(bad[0])
            raise ValueError(
                f"standard {first} has {values[first]:g} {what}; standards need positive counts "
                "and times. Mend the row, or leave it out"
            )
    if np.any(thickness > bore) or np.any(thickness < 0):
        raise ValueError("aluminium_thickness must lie between zero and the bore")
    steps = np.unique(np.round(thickness, 4)).size
    if steps < 3:
        raise ValueError(
            f"the standards have {steps} different thicknesses of aluminium; a calibration needs "
            "at least three, water alone among them"
        )


def _fit(
    *,
    n: np.ndarray,
    t: np.ndarray,
    thickness: np.ndarray,
    bore: np.ndarray,
    decay: Any,
    real: bool,
    water: float,
    scale: str,
    dead_time: float,
    background_rate: float,
    aluminium_density: float,
    order: int | None,
) -> Calibration:
    with np.errstate(all="ignore"):  # what is beyond a float is refused below
        rate = n / t
        live = 1.0 - rate * dead_time if real else np.ones_like(rate)
        net = rate / live - background_rate
    if not np.isfinite([rate, live, net, thickness, bore]).all():
        raise ValueError("a standard has counts, a time, a thickness or a bore beyond any number")
    if np.any(~(net > 0)) or np.any(live <= 0) or np.any(n < 1.0):
        raise ValueError("a standard has no net count rate; check dead_time and background_rate")
    sigma = np.sqrt(n) / t / live / net
    y = np.log(net * decay)
    # On the grain-equivalent scale a gram of a standard counts as the grains that weaken as much.
    per_aluminium, per_water = SCALES[scale]
    x = per_aluminium * aluminium_density * thickness + per_water * water * (bore - thickness)
    fits, criterion = {}, {}
    orders = (order,) if order else (1, 2) if np.unique(np.round(thickness, 4)).size > 3 else (1,)
    for degree in orders:
        c, covariance, chi_square = information.fit_polynomial(x, y, sigma, degree)
        fits[degree] = (c, covariance, chi_square)
        if len(orders) > 1:
            criterion[degree] = information.akaike_corrected(chi_square, x.size, degree + 1)
    degree = min(criterion, key=lambda key: criterion[key]) if criterion else orders[0]
    c, covariance, chi_square = fits[degree]
    reduced = chi_square / max(x.size - degree - 1, 1)
    fitted = np.polynomial.polynomial.polyval(x, c)
    full = np.zeros(3)
    full[: degree + 1] = c
    if np.any(full[1] + 2.0 * full[2] * x >= 0):
        raise ValueError(
            "the count rate does not fall with density everywhere: the standards may stand in the "
            "wrong order, or one thickness of aluminium is wrong; "
            f"ln I less the fit is {np.array2string(y - fitted, precision=3, threshold=12)}"
        )
    margin = 0.1 * (x.max() - x.min())
    return Calibration(
        full,
        covariance * max(reduced, 1.0),
        (float(x.min() - margin), float(x.max() + margin)),
        dead_time,
        background_rate,
        real,
        water,
        aluminium_density,
        scale=scale,
        areal_density=x,
        log_rate=y,
        log_rate_uncertainty=sigma,
        residual=y - fitted,
        criterion=criterion,
        reduced_chi_square=float(reduced),
    )


# --------------------------------------------------------------------------------------------------
# A gamma calibration that changes in time: sets of standards, interpolated between them.


def between(calibrations: Mapping[str, Calibration], times: Any, elapsed: Any) -> Calibration:
    """Calibration at the time of each reading, linear between sets of standards.

    Parameters
    ----------
    calibrations : mapping of str to Calibration
        By label of the set of standards; all of one degree and one scale.
    times : Quantity or DataArray, (set)
        Time of each set since the reference of the decay [s], in the order of the mapping.
    elapsed : Quantity, DataArray or str, (reading)
        Time of each reading since the same reference [s].

    Returns
    -------
    Calibration
        With coefficients of shape (3, reading). Before the first and after the last set the
        nearest one holds. Each set's covariance stays its own: the effects are named
        ``gamma_calibration_<set>_1`` and so on, weighted as the coefficients are.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    TypeError
        When the calibrations are no mapping.
    ValueError
        Without a calibration, with another number of times, a time that is not known or given
        twice, or sets of different degree, scale, dead time or background.

    Notes
    -----
    c(t) = (1 - w) c_k + w c_k+1 with w = (t - t_k) / (t_k+1 - t_k): linear drift (definition).
    """
    if not isinstance(calibrations, Mapping):
        raise TypeError(
            "calibrations is a mapping of the label of each set to its calibration, such as "
            "{'A': first, 'B': second}"
        )
    labels = list(calibrations)
    at = np.atleast_1d(np.asarray(units.as_floats(times, "s", "times"), dtype=float))
    _check(calibrations, at)
    order = np.argsort(at)
    labels, at = [labels[i] for i in order], at[order]
    sets = [calibrations[label] for label in labels]
    if len(sets) == 1:
        return sets[0]
    now = bare(units.as_floats(elapsed, "s", "elapsed"))
    weights = [
        series.apply(np.interp, now, xp=at, fp=np.eye(len(sets))[i]) for i in range(len(sets))
    ]
    mean = replace(
        _blend(sets, weights),
        covariance=sets[0].covariance * np.nan,
        parts=tuple(zip(labels, weights, sets, strict=True)),
    )
    sources = sets[0].shifted
    shifted = {source: _blend([c.shifted[source] for c in sets], weights) for source in sources}
    return replace(mean, shifted=shifted)


def _check(calibrations: Mapping[str, Calibration], at: np.ndarray) -> None:
    if not calibrations or at.size != len(calibrations):
        raise ValueError(
            f"{len(calibrations)} calibrations and {at.size} times; give one time a set of "
            "standards, and at least one set"
        )
    if not np.isfinite(at).all() or np.unique(at).size != at.size:
        raise ValueError(
            "every set of standards needs a time of its own to be interpolated in time; give the "
            "column time, or fit all standards together"
        )
    kinds = {
        (c.covariance.shape[0], c.scale, c.dead_time, c.background_rate, c.real_time)
        for c in calibrations.values()
    }
    if len(kinds) > 1:
        raise ValueError(
            "the sets of standards were fitted with different degree, scale, dead time or "
            "background; fit them alike (order=1 or order=2) before they are interpolated"
        )


def _blend(sets: list[Calibration], weights: list[Any]) -> Calibration:
    """Weighted mean of coefficients and of the water that the standards stood in."""
    coefficients = [
        sum(w * c.coefficients[i] for w, c in zip(weights, sets, strict=True)) for i in range(3)
    ]
    return replace(
        sets[0],
        coefficients=coefficients,
        domain=(max(c.domain[0] for c in sets), min(c.domain[1] for c in sets)),
        water_density=sum(w * c.water_density for w, c in zip(weights, sets, strict=True)),
        shifted={},
    )


# --------------------------------------------------------------------------------------------------
# Dead time of the counter from standards of many rates.


_HIGHEST = thresholds.value("dead_time_limit")


@dataclass(frozen=True)
class DeadTime:
    """A dead time with what stands behind it.

    Parameters
    ----------
    value, uncertainty : float
        [s].
    reduced_chi_square : float
        Of ln I against areal density with that dead time; well above one means that something
        else than dead time bends the line.
    standards : int
        How many were used.
    used : dict of str to UsedConstant
        Constants that the estimate used.
    """

    value: float
    uncertainty: float
    reduced_chi_square: float
    standards: int
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)

    def __str__(self) -> str:
        return f"{self.value * 1e6:.3g} us +- {self.uncertainty * 1e6:.2g} us"


def dead_time_from_standards(
    counts: Any,
    real_time: Any,
    aluminium_thickness: Any,
    bore: Any,
    *,
    background_rate: Any = "0 1/s",
    decay: Any = 1.0,
    water_temperature: Any = "20 degC",
    aluminium_density: Any = constants.CONSTANTS["aluminium_density"],
) -> DeadTime:
    """Dead time that makes ln I a straight line in areal density.

    Parameters
    ----------
    counts, real_time : Quantity or DataArray, (standard)
        Counts [count] and real counting time [s]; a live time has lost its dead time already.
    aluminium_thickness, bore : Quantity or DataArray, (standard)
        [cm].
    background_rate : Quantity or str
        [1/s].
    decay : float or ndarray
        Factor to the reference time of each standard.
    water_temperature : Quantity or str
        Of the water in the standards [degC].
    aluminium_density : Quantity, str or Constant
        [g/cm^3].

    Returns
    -------
    DeadTime
        Zero at the least; its uncertainty is widened where the line does not fit.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than four different thicknesses, or rates too alike to tell a dead time.

    Notes
    -----
    m = I / (1 + I tau), the non-paralysable counter of Knoll (2010), Radiation Detection and
    Measurement, section 4.VII; I = exp(c0 + c1 x). Weighted least squares over tau, with c0 and
    c1 in closed form. What else bends ln I (scatter into a wide beam, a liner of another wall) is
    taken for dead time: use it only for a narrow beam, and a stated dead time where there is one.
    """
    n = np.asarray(units.as_floats(counts, "count", "counts"), dtype=float)
    t = np.broadcast_to(units.as_floats(real_time, "s", "real_time"), n.shape)
    thick = np.broadcast_to(
        units.as_floats(aluminium_thickness, "cm", "aluminium_thickness"), n.shape
    )
    wide = np.broadcast_to(units.as_floats(bore, "cm", "bore"), n.shape)
    background = float(units.as_floats(background_rate, "1/s", "background_rate"))
    if np.isinf(n).any() or np.isnan(thick).any():
        raise ValueError("standards need positive counts and times, and a known thickness")
    check_standards(n, t, thick, wide)
    if background < 0:
        raise ValueError("background_rate is below zero")
    if np.unique(np.round(thick, 4)).size < 4:
        raise ValueError(
            "a dead time needs standards of at least four different thicknesses; state it as "
            "dead_time instead"
        )
    water_density = seawater.density("0 g/kg", water_temperature, "0 dbar")
    water = float(units.as_floats(water_density, "g/cm^3", "density of water"))
    metal = units.as_floats(aluminium_density, "g/cm^3", "aluminium_density")
    x = metal * thick + water * (wide - thick)
    found = _fit_dead_time(n, t, x, background, np.asarray(decay, dtype=float))
    return replace(
        found,
        used=records(
            aluminium_density=aluminium_density,
            background_rate=background_rate,
        ),
    )


def _line(
    tau: float, n: np.ndarray, t: np.ndarray, x: np.ndarray, background: float, decay: np.ndarray
) -> tuple[np.ndarray, float]:
    """Residuals in standard uncertainties and their sum of squares, at one dead time."""
    live = t - n * tau
    net = n / live - background
    sigma = np.sqrt(n) / live / net
    y = np.log(net * decay)
    c, _, chi_square = polynomial.fit_polynomial(x, y, sigma, 1)
    if c[1] >= 0.0:
        raise ValueError(
            "the count rate does not fall with density; the standards may stand in the wrong order"
        )
    return (y - np.polynomial.polynomial.polyval(x, c)) / sigma, chi_square


def _fit_dead_time(
    n: np.ndarray, t: np.ndarray, x: np.ndarray, background: float, decay: np.ndarray
) -> DeadTime:
    given = (n, t, x, background, decay)
    highest = _HIGHEST / float(np.max(n / t))
    found = optimize.minimize_scalar(
        lambda tau: _line(tau, *given)[1],
        bounds=(0.0, highest),
        method="bounded",
        options={"xatol": 1e-6 * highest},
    )
    tau, chi_square = float(found.x), float(found.fun)
    if highest - tau < 1e-3 * highest:
        raise ValueError(
            "no dead time below half of the counting time straightens the standards; check their "
            "thicknesses, or state dead_time"
        )
    # Curvature of the profile by the change of the residuals (Gauss and Newton).
    step = 1e-4 * highest
    low = max(tau - step, 0.0)
    slope = (_line(low + 2.0 * step, *given)[0] - _line(low, *given)[0]) / (2.0 * step)
    size = float(slope @ slope)
    if not size > 0.0 or 1.0 / np.sqrt(size) > highest:
        raise ValueError("the rates of the standards are too alike to tell a dead time")
    reduced = chi_square / (n.size - 3) if n.size > 3 else float("nan")
    return DeadTime(tau, float(np.sqrt(max(reduced, 1.0) / size)), reduced, n.size)
