"""Calibration of a gamma densiometer: standards of aluminium in water, calibrations that change
in time, and the dead time of the counter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from scipy import optimize

from corephys.ground import constants, fits, seawater, series, thresholds, units
from corephys.ground.cards import SEALED_SOURCE, Card, fit_warnings, with_uncertainty
from corephys.ground.choices import choice, plain_words
from corephys.ground.laws import law
from corephys.ground.provenance import UsedConstant, records
from corephys.numerics import polynomial
from corephys.uncertainty import given_uncertainty, without_coords

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Floats, Scalar

__all__ = [
    "Calibration",
    "DeadTime",
    "calibrate",
    "dead_time_from_standards",
    "interpolate_calibrations",
    "standard_density",
]

# --------------------------------------------------------------------------------------------------
# Calibration of a gamma densiometer with standards of aluminium in water.


_C = constants.CONSTANTS
# By scale: mass of grains that attenuates the beam as much as a gram of aluminium, of water.
SCALES = {
    "aluminium_and_water": (1.0, 1.0),
    "grain_equivalent": (
        _C["aluminium_to_grain_attenuation"].value,
        _C["water_to_grain_attenuation"].value,
    ),
}
_BY_SCALE = {
    "aluminium_and_water": ("aluminium_electron_ratio", "water_electron_ratio"),
    "grain_equivalent": ("aluminium_to_grain_attenuation", "water_to_grain_attenuation"),
}


_UNITS = ("1", "cm^2/g", "cm^4/g^2")
_DEEPEST = 20.0  # g/cm^2, end of the drawn curve of a calibration without standards


@dataclass(frozen=True)
class Calibration(fits.FitResult):
    """Calibration ln I = c0 + c1 x + c2 x^2 with x the areal density inside the liner.

    Parameters
    ----------
    coefficients : (3,) ndarray
        c0 [1], c1 [cm^2/g], c2 [cm^4/g^2]; c2 is zero for a straight line.
    covariance : (k, k) ndarray
        Covariance of the k fitted coefficients.
    domain : tuple of float
        Areal densities that the standards span, widened by a tenth [g/cm^2].
    dead_time, background_rate : float
        Dead time [s] and rate without the beam [1/s]; the same for standards and readings.
    real_time : bool
        Whether counting times are real times.
    water_density, aluminium_density : float
        Densities of the standards [g/cm^3].
    water_ratio, aluminium_ratio : float
        Electrons per unit molar mass, Z/A [mol/g].
    areal_density, log_rate, log_rate_uncertainty, residual : ndarray, (standard)
        The standards as they entered the fit.
    scale : {"aluminium_and_water", "grain_equivalent"}
        Meaning of a reading: density on the line of water and aluminium, or attenuation over
        that of a gram of grains. Readings on the first need the electron step, readings on the
        second the hydrogen step.
    criterion : dict of int to float
        AICc by order.
    reduced_chi_square : float
        Reduced chi-square of the chosen fit; where above one, ``covariance`` is widened by it.
    shifted : dict of str to Calibration
        Calibrations fitted again with one input shifted by one sigma, by source.
    parts : tuple of (str, ndarray, Calibration)
        Label, weight of each reading and calibration of each set of standards; empty for a
        calibration that does not change in time.
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
    scale: str = "aluminium_and_water"
    criterion: dict[int, float] = field(default_factory=dict)
    reduced_chi_square: float = float("nan")
    shifted: dict[str, Calibration] = field(default_factory=dict)
    parts: tuple[tuple[str, Any, Calibration], ...] = ()
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        # Stores of older releases hold another spelling of the scale.
        object.__setattr__(self, "scale", choice(self.scale, SCALES, "scale"))

    @classmethod
    def nominal(cls, **changes: Any) -> Calibration:
        """Scale of pure water and aluminium without a fit, for the electron step alone.

        Parameters
        ----------
        **changes
            Fields of the calibration that differ from those of pure water and aluminium.

        Returns
        -------
        Calibration
            Calibration with unknown covariance and an unlimited domain.
        """
        unknown = np.full((2, 2), np.nan)
        return cls(np.array([0.0, -0.0746, 0.0]), unknown, (0.0, np.inf), **changes)

    @property
    def dataset(self) -> xr.Dataset:
        """Coefficients with uncertainties and effects; along ``set`` where they change in time."""
        if self.parts:
            return fits.along("set", {label: part.dataset for label, _, part in self.parts})
        rows = [
            fits.Parameter(
                f"c{i}",
                self.coefficients[i],
                unit,
                f"coefficient c{i} of the gamma calibration",
                np.sqrt(self.covariance[i, i]),
                {
                    source: other.coefficients[i] - self.coefficients[i]
                    for source, other in self.shifted.items()
                },
            )
            for i, unit in enumerate(_UNITS[: len(self.covariance)])
        ]
        return fits.parameters(
            rows,
            equation="ln I = c0 + c1 x + c2 x^2, x the areal density inside the liner [g/cm^2]",
            covariance=self.covariance,
            constants=self.used,
            scale=self.scale,
            reduced_chi_square=self.reduced_chi_square,
            standards=self.areal_density.size,
            safety=SEALED_SOURCE,
        )

    def _draw(self, ax: Axes) -> None:
        """Logarithm of the rate of the standards against their areal density."""
        for i, (label, one) in enumerate(
            [(f"set {name}, ", part) for name, _, part in self.parts] or [("", self)]
        ):
            low, high = (edge if np.isfinite(edge) else _DEEPEST for edge in one.domain)
            x = np.linspace(low, high, 100)
            colour = f"C{i}" if self.parts else "black"
            fits.draw_points(
                ax,
                one.areal_density,
                one.log_rate,
                u_y=one.log_rate_uncertainty,
                label=f"{label}standards",
                colour=colour,
            )
            curve = np.polynomial.polynomial.polyval(x, one.coefficients)
            fits.draw_curve(ax, x, curve, label=f"{label}fit", colour=f"C{i}")
        ax.set_xlabel("areal density [g/cm^2]")
        ax.set_ylabel("ln(count rate / (1/s))")

    def describe(self) -> str:
        """Coefficients and order in one line."""
        if self.parts:
            return "; ".join(f"set {label}: {part.describe()}" for label, _, part in self.parts)
        c = ", ".join(f"c{i} = {value:.6g}" for i, value in enumerate(self.coefficients))
        words = f"{self.areal_density.size} standards; {plain_words(self.scale)}"
        return f"ln I = c0 + c1 x + c2 x^2, {c}; {words}"

    def card(self) -> Card:
        """Coefficients with uncertainties, scatter, and warnings of the calibration.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        if self.parts:
            rows = [(f"set {label}", part.describe()) for label, _, part in self.parts]
            warnings = [words for _, _, part in self.parts for words in part.card().warnings]
            warnings = list(dict.fromkeys(warnings))
            return Card("Gamma calibration that changes in time", tuple(rows), tuple(warnings))
        u = np.zeros(3)
        u[: len(self.covariance)] = np.sqrt(np.diag(self.covariance))
        rows = [
            (f"c{i}", with_uncertainty(float(value), float(error), unit))
            for i, (value, error, unit) in enumerate(zip(self.coefficients, u, _UNITS, strict=True))
            if value != 0.0 or i < len(self.covariance)
        ]
        scale = plain_words(self.scale)
        rows.append(("standards", f"{self.areal_density.size}, on the scale {scale}"))
        rows.append(("domain", "areal densities of {:.3g} to {:.3g} g/cm^2".format(*self.domain)))
        if np.isfinite(self.reduced_chi_square):
            rows.append(("reduced chi-square", f"{self.reduced_chi_square:.2f}"))
        return Card(
            "Gamma calibration, ln I = c0 + c1 x + c2 x^2",
            tuple(rows),
            (*fit_warnings(self.reduced_chi_square, self.residual, "1"), SEALED_SOURCE),
            ("look at the residuals: a trend means trapped air, a wrong thickness or dead time",),
        )


@law(
    "g/cm^3",
    aluminium_thickness="cm",
    bore="cm",
    water_density="g/cm^3",
    aluminium_density="g/cm^3",
)
def standard_density(
    aluminium_thickness: Floats,
    bore: Floats,
    *,
    water_density: Floats,
    aluminium_density: Floats = _C["aluminium_density"],
) -> Floats:
    """Mean density along the beam through a step of aluminium in water.

    Parameters
    ----------
    aluminium_thickness, bore : Quantity, DataArray or str
        Thickness of aluminium and bore of the liner [cm].
    water_density, aluminium_density : Quantity, str or Constant
        Densities of water and aluminium [g/cm^3].

    Returns
    -------
    Quantity or DataArray
        Mean density [g/cm^3].

    Raises
    ------
    ValueError
        When a step is thicker than the bore.

    Notes
    -----
    (rho_Al d_Al + rho_w (D - d_Al)) / D: areal densities add up (geometry).
    """
    _check_thickness(np.asarray(aluminium_thickness), np.asarray(bore))
    metal = aluminium_density * aluminium_thickness
    return (metal + water_density * (bore - aluminium_thickness)) / bore


def _check_thickness(thickness: np.ndarray, bore: np.ndarray) -> None:
    """Refuse a thickness of aluminium that does not fit into its bore, both in cm."""
    bad = np.flatnonzero(np.ravel((thickness > bore) | (thickness < 0.0)))
    if bad.size:
        d, wide = (
            np.ravel(np.broadcast_to(a, np.broadcast(thickness, bore).shape))[bad[0]]
            for a in (thickness, bore)
        )
        raise ValueError(
            f"aluminium_thickness is {10.0 * d:g} mm in a bore of {10.0 * wide:g} mm; it must lie "
            "between zero and the bore. Check the units of both"
        )


def calibrate(
    counts: Dimensional,
    time: Dimensional,
    aluminium_thickness: Dimensional,
    bore: Dimensional,
    *,
    dead_time: Scalar = "0 s",
    dead_time_uncertainty: Scalar | None = None,
    background_rate: Scalar = "0 1/s",
    background_rate_uncertainty: Scalar | None = None,
    time_kind: str = "real",
    decay: float | np.ndarray = 1.0,
    water_temperature: Scalar = "20 degC",
    aluminium_density: constants.Constant = _C["aluminium_density"],
    order: int | None = None,
    scale: str = "aluminium_and_water",
) -> Calibration:
    """Fit ln I against areal density of standards of aluminium in fresh water.

    Parameters
    ----------
    counts, time : Quantity or DataArray, (standard)
        Counts [count] and counting time [s].
    aluminium_thickness, bore : Quantity or DataArray, (standard)
        Thickness of aluminium and bore of the liner [cm].
    dead_time, background_rate : Quantity or str
        Dead time of the counter [s] and rate without the beam [1/s].
    dead_time_uncertainty, background_rate_uncertainty : Quantity or str, optional
        Systematic standard uncertainties [s], [1/s]: one error for standards and readings. NaN if
        not given.
    time_kind : {"real", "live"}
        Kind of counting time.
    decay : float or ndarray
        Factor that converts the rate of each standard to the reference time, from
        :func:`corephys.sensors.gamma.decay_factor`.
    water_temperature : Quantity or str
        Temperature of the water in the standards [degC]; gives its density by TEOS-10.
    aluminium_density : Constant
        Density of aluminium with its uncertainty [g/cm^3].
    order : {1, 2}, optional
        Degree of the fit; if not given, the degree with the smaller AICc.
    scale : {"aluminium_and_water", "grain_equivalent"}
        Density convention of the readings, kept with all results.

    Returns
    -------
    Calibration
        Coefficients, covariance, residuals, and the calibrations with one input shifted by one
        sigma.

    Raises
    ------
    ValueError
        With fewer than three different thicknesses, counts or times that are not positive, a fit
        whose rate rises with density, or an unknown scale.

    Notes
    -----
    Weighted least squares, weights from Poisson counts; covariance widened by the reduced
    chi-square where that exceeds one. Order by AICc (Hurvich and Tsai 1989).
    """
    scale = choice(scale, SCALES, "scale")
    time_kind = choice(time_kind, ("real", "live"), "time_kind")
    n = np.asarray(units.as_floats(counts, "count", "counts"), dtype=float)
    t = np.broadcast_to(units.as_floats(time, "s", "time"), n.shape)
    nuisances = {
        "dead_time": units.as_floats(dead_time, "s", "dead_time"),
        "background_rate": units.as_floats(background_rate, "1/s", "background_rate"),
        "aluminium_density": aluminium_density.value,
    }
    sigmas = {
        "dead_time": float(given_uncertainty(dead_time_uncertainty, "s", "dead_time_uncertainty")),
        "background_rate": float(
            given_uncertainty(background_rate_uncertainty, "1/s", "background_rate_uncertainty")
        ),
        "aluminium_density": aluminium_density.uncertainty,
    }
    water_density = seawater.density("0 g/kg", water_temperature, "0 dbar")
    water = float(units.as_floats(water_density, "g/cm^3", "density of water"))
    wide = np.broadcast_to(units.as_floats(bore, "cm", "bore"), n.shape)
    thickness = np.broadcast_to(
        units.as_floats(aluminium_thickness, "cm", "aluminium_thickness"), n.shape
    )
    _check_standards(n, t, thickness, wide)
    fixed: dict[str, Any] = {
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
    # The shifted fits keep the degree of the best one: a change of degree is no effect of a source.
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


def _check_standards(n: np.ndarray, t: np.ndarray, thickness: np.ndarray, bore: np.ndarray) -> None:
    """Refuse standards without counts or time, thicker than the bore, or of too few thicknesses."""
    for values, what in ((n, "counts"), (t, "s of counting time")):
        bad = np.flatnonzero(~(values > 0))
        if bad.size:
            first = int(bad[0])
            raise ValueError(
                f"standard {first} has {values[first]:g} {what}; standards need positive counts "
                "and times. Correct the row, or leave it out"
            )
    _check_thickness(thickness, bore)
    # Thicknesses in cm; equal to a micrometre is equal.
    steps = np.unique(np.round(thickness, 4)).size
    if steps < 3:
        raise ValueError(
            f"the standards have {steps} different thicknesses of aluminium; a calibration needs "
            "at least three, including water alone"
        )


def _fit(
    *,
    n: np.ndarray,
    t: np.ndarray,
    thickness: np.ndarray,
    bore: np.ndarray,
    decay: float | np.ndarray,
    real: bool,
    water: float,
    scale: str,
    dead_time: float,
    background_rate: float,
    aluminium_density: float,
    order: int | None,
) -> Calibration:
    """Calibration from arrays, of the given degree or of the degree with the smaller AICc."""
    with np.errstate(all="ignore"):  # values that are not finite are refused below
        rate = n / t
        live = 1.0 - rate * dead_time if real else np.ones_like(rate)
        net = rate / live - background_rate
    if not np.isfinite([rate, live, net, thickness, bore]).all():
        bad = ~np.isfinite([rate, live, net, thickness, bore]).all(axis=0)
        raise ValueError(
            f"standard {int(np.flatnonzero(bad)[0])} has a count, time, thickness or bore that is "
            "not finite; correct the row, or leave it out"
        )
    if np.any(~(net > 0)) or np.any(live <= 0) or np.any(n < 1.0):
        raise ValueError(
            "a standard has no net count rate left; check dead_time and background_rate"
        )
    # Standard uncertainty of ln I: dead time does not enlarge 1 / sqrt(N), a background does.
    sigma = np.sqrt(n) / t / live / net
    y = np.log(net * decay)
    # On the grain-equivalent scale a gram of a standard counts as the mass of grains that
    # attenuates as much.
    per_aluminium, per_water = SCALES[scale]
    x = per_aluminium * aluminium_density * thickness + per_water * water * (bore - thickness)
    fits, criterion = {}, {}
    # Three thicknesses fit any parabola: a choice of degree needs a fourth.
    orders = (order,) if order else (1, 2) if np.unique(np.round(thickness, 4)).size > 3 else (1,)
    for degree in orders:
        c, covariance, chi_square = polynomial.fit_polynomial(x, y, sigma, degree)
        fits[degree] = (c, covariance, chi_square)
        if len(orders) > 1:
            criterion[degree] = polynomial.akaike_corrected(chi_square, x.size, degree + 1)
    degree = min(criterion, key=lambda key: criterion[key]) if criterion else orders[0]
    c, covariance, chi_square = fits[degree]
    reduced = chi_square / max(x.size - degree - 1, 1)
    fitted = np.polynomial.polynomial.polyval(x, c)
    full = np.zeros(3)
    full[: degree + 1] = c
    if np.any(full[1] + 2.0 * full[2] * x >= 0):
        raise ValueError(
            "the fitted count rate does not fall with density at every standard; check the order "
            "of the standards and the thickness of aluminium at the largest residual. Residuals "
            f"of ln I: {np.array2string(y - fitted, precision=3, threshold=12)}"
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
# A gamma calibration that changes in time: linear interpolation between sets of standards.


def interpolate_calibrations(
    calibrations: Mapping[str, Calibration], times: Dimensional, elapsed: Dimensional
) -> Calibration:
    """Calibration at the time of each reading, linear between sets of standards.

    Parameters
    ----------
    calibrations : mapping of str to Calibration
        Calibration by label of the set of standards; all of one degree and one scale.
    times : Quantity or DataArray, (set)
        Time of each set since the reference of the decay [s], in the order of the mapping.
    elapsed : Quantity, DataArray or str, (reading)
        Time of each reading since the same reference [s].

    Returns
    -------
    Calibration
        Calibration with coefficients of shape (3, reading). Before the first and after the last
        set, the nearest set is used. Errors of the sets are independent: the effects are named
        ``gamma_calibration_<set>_1`` and so on, and have the weights of the coefficients.

    Raises
    ------
    TypeError
        When ``calibrations`` is not a mapping.
    ValueError
        When there is no calibration, when the number of times differs from that of the
        calibrations, when a time is unknown or given twice, or when the sets differ in degree,
        scale, dead time or background.

    Notes
    -----
    c(t) = (1 - w) c_k + w c_k+1 with w = (t - t_k) / (t_k+1 - t_k): linear drift (definition).
    """
    if not isinstance(calibrations, Mapping):
        raise TypeError(
            f"calibrations is of type {type(calibrations).__name__}; expected a mapping of the "
            "label of each set to its calibration, such as {'A': first, 'B': second}"
        )
    labels = list(calibrations)
    at = np.atleast_1d(np.asarray(units.as_floats(times, "s", "times"), dtype=float))
    _check(calibrations, at)
    order = np.argsort(at)
    labels, at = [labels[i] for i in order], at[order]
    sets = [calibrations[label] for label in labels]
    if len(sets) == 1:
        return sets[0]
    now = without_coords(units.as_floats(elapsed, "s", "elapsed"))
    # The weight of a set is 1 at its own time, 0 at those of the others, and linear between.
    weights = [
        series.apply(np.interp, now, xp=at, fp=np.eye(len(sets))[i]) for i in range(len(sets))
    ]
    # The errors of the sets are kept in ``parts``; a joint covariance does not exist.
    mean = replace(
        _blend(sets, weights),
        covariance=sets[0].covariance * np.nan,
        parts=tuple(zip(labels, weights, sets, strict=True)),
    )
    sources = sets[0].shifted
    shifted = {source: _blend([c.shifted[source] for c in sets], weights) for source in sources}
    return replace(mean, shifted=shifted)


def _check(calibrations: Mapping[str, Calibration], at: np.ndarray) -> None:
    """Refuse sets that cannot be interpolated: no time, a shared time, or another kind of fit."""
    if not calibrations or at.size != len(calibrations):
        raise ValueError(
            f"{len(calibrations)} calibrations and {at.size} times; give one time for each set of "
            "standards, and at least one set"
        )
    if not np.isfinite(at).all() or np.unique(at).size != at.size:
        raise ValueError(
            f"{at.size} sets of standards have {np.unique(at[np.isfinite(at)]).size} different "
            "times; interpolation needs a different time for each set. Give the column time, or "
            "fit all standards together"
        )
    kinds = {
        (c.covariance.shape[0], c.scale, c.dead_time, c.background_rate, c.real_time)
        for c in calibrations.values()
    }
    if len(kinds) > 1:
        raise ValueError(
            f"the sets of standards were fitted in {len(kinds)} ways, with different degree, "
            "scale, dead time or background; fit all of them with the same arguments and the same "
            "order, 1 or 2"
        )


def _blend(sets: list[Calibration], weights: list[Any]) -> Calibration:
    """Weighted mean of the coefficients and of the density of the water in the standards."""
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
class DeadTime(fits.FitResult):
    """Dead time estimated from standards.

    Parameters
    ----------
    value, uncertainty : float
        Dead time and its standard uncertainty [s].
    reduced_chi_square : float
        Reduced chi-square of ln I against areal density with that dead time; well above one means
        that the line is bent by something other than dead time.
    standards : int
        Number of standards used.
    used : dict of str to UsedConstant
        Constants that the estimate used.
    areal_density, log_rate, log_rate_uncertainty : ndarray, (standard)
        The standards, their rates corrected for the dead time [g/cm^2], [1].
    counted_log_rate : ndarray, (standard)
        Logarithm of the rates as counted [1].
    """

    value: float
    uncertainty: float
    reduced_chi_square: float
    standards: int
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)
    areal_density: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    log_rate: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    log_rate_uncertainty: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    counted_log_rate: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)

    _TITLE = "Dead time of the gamma counter"

    @property
    def dataset(self) -> xr.Dataset:
        """Dead time with its uncertainty."""
        words = "dead time of the counter"
        return fits.parameters(
            [fits.Parameter("dead_time", self.value, "s", words, self.uncertainty)],
            equation="m = I / (1 + I tau), ln I a straight line in areal density",
            constants=self.used,
            reduced_chi_square=self.reduced_chi_square,
            standards=self.standards,
            safety=SEALED_SOURCE,
        )

    def _draw(self, ax: Axes) -> None:
        """Rates of the standards with and without the dead time, and the line."""
        x = self.areal_density
        ax.plot(x, self.counted_log_rate, "x", color="0.5", label="standards, as counted")
        fits.draw_points(
            ax, x, self.log_rate, u_y=self.log_rate_uncertainty, label="standards, corrected"
        )
        if x.size > 1:
            c = polynomial.fit_polynomial(x, self.log_rate, self.log_rate_uncertainty, 1)[0]
            edge = np.array([x.min(), x.max()])
            words = f"line with a dead time of {1e6 * self.value:.3g} us"
            fits.draw_curve(ax, edge, c[0] + c[1] * edge, label=words)
        ax.set_xlabel("areal density [g/cm^2]")
        ax.set_ylabel("ln(count rate / (1/s))")

    def __str__(self) -> str:
        return f"{self.value * 1e6:.3g} us +- {self.uncertainty * 1e6:.2g} us"


def dead_time_from_standards(
    counts: Dimensional,
    real_time: Dimensional,
    aluminium_thickness: Dimensional,
    bore: Dimensional,
    *,
    background_rate: Scalar = "0 1/s",
    decay: float | np.ndarray = 1.0,
    water_temperature: Scalar = "20 degC",
    aluminium_density: Scalar = constants.CONSTANTS["aluminium_density"],
) -> DeadTime:
    """Dead time that makes ln I a straight line in areal density.

    Parameters
    ----------
    counts, real_time : Quantity or DataArray, (standard)
        Counts [count] and real counting time [s]; a live time is already free of dead time.
    aluminium_thickness, bore : Quantity or DataArray, (standard)
        Thickness of aluminium and bore of the liner [cm].
    background_rate : Quantity or str
        Rate without the beam [1/s].
    decay : float or ndarray
        Factor that converts the rate of each standard to the reference time.
    water_temperature : Quantity or str
        Temperature of the water in the standards [degC].
    aluminium_density : Quantity, str or Constant
        Density of aluminium [g/cm^3].

    Returns
    -------
    DeadTime
        Dead time, zero or more; its uncertainty is widened where the line does not fit.

    Raises
    ------
    ValueError
        With fewer than four different thicknesses, or when the rates of the standards differ too
        little to determine a dead time.

    Notes
    -----
    m = I / (1 + I tau), the non-paralysable counter of Knoll (2010), Radiation Detection and
    Measurement, section 4.VII; I = exp(c0 + c1 x). Weighted least squares over tau, with c0 and
    c1 in closed form. Anything else that bends ln I (scatter into a wide beam, a liner with another
    wall) is attributed to dead time: use it only for a narrow beam, and prefer a dead time from
    the maker of the counter.
    """
    n = np.asarray(units.as_floats(counts, "count", "counts"), dtype=float)
    t = np.broadcast_to(units.as_floats(real_time, "s", "real_time"), n.shape)
    thick = np.broadcast_to(
        units.as_floats(aluminium_thickness, "cm", "aluminium_thickness"), n.shape
    )
    wide = np.broadcast_to(units.as_floats(bore, "cm", "bore"), n.shape)
    background = float(units.as_floats(background_rate, "1/s", "background_rate"))
    if np.isinf(n).any() or np.isnan(thick).any():
        first = int(np.flatnonzero(np.isinf(n) | np.isnan(thick))[0])
        raise ValueError(
            f"standard {first} has {n.flat[first]:g} counts and a thickness of "
            f"{10.0 * thick.flat[first]:g} mm; standards need positive counts and times, and a "
            "known thickness. Correct the row, or leave it out"
        )
    _check_standards(n, t, thick, wide)
    if background < 0:
        raise ValueError(f"background_rate is {background:g} 1/s; it must be zero or more")
    if np.unique(np.round(thick, 4)).size < 4:
        raise ValueError(
            "a dead time needs standards of at least four different thicknesses; give dead_time "
            "instead"
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
            f"the count rate of {n.size} standards does not fall with density; check the order of "
            "the standards and their thicknesses"
        )
    return (y - np.polynomial.polynomial.polyval(x, c)) / sigma, chi_square


def _fit_dead_time(
    n: np.ndarray, t: np.ndarray, x: np.ndarray, background: float, decay: np.ndarray
) -> DeadTime:
    """Dead time [s] that minimises the chi-square of the line, with its uncertainty."""
    given = (n, t, x, background, decay)
    # Above this share of dead time no counter is usable.
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
            "no dead time below half of the counting time makes ln I a straight line; check the "
            "thicknesses of the standards, or give dead_time"
        )
    # Curvature of the profile by the change of the residuals (Gauss and Newton).
    step = 1e-4 * highest
    low = max(tau - step, 0.0)
    slope = (_line(low + 2.0 * step, *given)[0] - _line(low, *given)[0]) / (2.0 * step)
    size = float(slope @ slope)
    if not size > 0.0 or 1.0 / np.sqrt(size) > highest:
        raise ValueError(
            "the rates of the standards are too alike to determine a dead time; add standards of "
            "other thicknesses, or give dead_time"
        )
    reduced = chi_square / (n.size - 3) if n.size > 3 else float("nan")
    net = n / (t - n * tau) - background
    return DeadTime(
        tau,
        float(np.sqrt(max(reduced, 1.0) / size)),
        reduced,
        n.size,
        areal_density=x,
        log_rate=np.log(net * decay),
        log_rate_uncertainty=np.sqrt(n) / (t - n * tau) / net,
        counted_log_rate=np.log((n / t - background) * decay),
    )
