"""Archie's relation between formation factor and porosity, by layer, and conduction along the
surfaces of grains."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import fits, fitting, flags, series, thresholds, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.ground.cards import Card, with_uncertainty
from corephys.ground.laws import law
from corephys.ground.provenance import SourcedText
from corephys.numerics import exponential, line
from corephys.uncertainty import (
    Measured,
    combine,
    covariance_effects,
    given_uncertainty,
    without_coords,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Floats, Measurement, Scalar

__all__ = [
    "Archie",
    "SurfaceConduction",
    "archie_fit",
    "archie_formation_factor",
    "porosity_from_formation_factor",
    "surface_conduction_fit",
]

# --------------------------------------------------------------------------------------------------
# The line of ln F on ln phi, with the scatter in excess of the given uncertainties.


_FAR = thresholds.value("archie_far")
_FEW = thresholds.count("archie_few")


class _Fit:
    """Line of ln F on ln phi, with the scatter in excess of the given uncertainties.

    The excess is added to ln F: the two sensors measure different lengths of core, and excess
    scatter in the porosity would make the line too steep.
    """

    def __init__(
        self,
        x: np.ndarray,
        y: np.ndarray,
        ux: np.ndarray,
        uy: np.ndarray,
        fixed_a: float | None,
    ) -> None:
        self.x, self.y, self.ux, self.uy, self.fixed_a = x, y, ux, uy, fixed_a
        self.known = bool(np.all(ux > 0) and np.all(uy > 0))
        first = self.line(0.0, 0.0)
        spare = first.degrees_of_freedom
        self.reduced = first.chi_square / spare if self.known and spare else float("nan")
        if self.reduced > 1.0:
            self.uy = np.hypot(uy, self._excess(spare))
            first = self.line(0.0, 0.0)
        self.best = first

    def _excess(self, spare: int) -> float:
        """Scatter of ln F that brings the reduced chi-square to one."""
        # Imported where needed: the package is imported without SciPy.
        from scipy.optimize import brentq

        given = self.uy

        def above(excess: float) -> float:
            self.uy = np.hypot(given, excess)
            return self.line(0.0, 0.0).chi_square - spare

        high = float(np.ptp(self.y)) + float(given.max())
        found = high  # where a fixed intercept lies farther from the data than they spread
        if above(high) < 0.0:
            # The smallest relative step that floats allow; chi-square falls as the excess rises.
            least = 4.0 * np.finfo(float).eps
            found = float(brentq(above, 0.0, high, xtol=1e-18 * high, rtol=least))
        self.uy = given
        return found

    def line(self, dx: float | np.ndarray, dy: float | np.ndarray) -> line.Line:
        """The line with the points moved by ``dx`` and ``dy``."""
        x, y = self.x + dx, self.y + dy
        if self.fixed_a is not None:
            intercept = float(np.log(self.fixed_a))
            return _through(x, y, self.ux, self.uy, intercept, self.known)
        if not self.known:
            return line.ordinary_line(x, y)
        return line.york(x, y, self.ux, self.uy)

    def repeated(self) -> float:
        """Readings per independent reading, from the correlation of neighbouring residuals."""
        pulls = self.pulls()
        if pulls.size < _FEW:
            return 1.0
        lag = exponential.lag_correlation(pulls - pulls.mean())
        # The limit of 0.9 keeps the factor below 20: a stronger correlation is a trend.
        return max(1.0, (1.0 + lag) / (1.0 - min(lag, 0.9)))

    def pulls(self) -> np.ndarray:
        """Distance of each point from the line, over its uncertainty where that is known."""
        best = self.best
        away = self.y - best.intercept - best.slope * self.x
        if not self.known:
            return np.asarray(away)
        return np.asarray(away / np.hypot(self.uy, best.slope * self.ux))


def _kept_and_fit(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray, fixed_a: float | None
) -> tuple[np.ndarray, _Fit]:
    """Readings that lie within five robust standard deviations of the line, and their fit."""
    kept = np.ones(x.size, dtype=bool)

    def fitted() -> _Fit:
        return _Fit(x[kept], y[kept], ux[kept], uy[kept], fixed_a)

    for _ in range(3):
        fit = fitted()
        pulls = fit.pulls()
        far = np.abs(pulls) > _FAR * 1.4826 * np.median(np.abs(pulls))
        if kept.sum() < _FEW or not far.any():
            return kept, fit
        kept[np.flatnonzero(kept)[far]] = False
    return kept, fitted()


def _through(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray, intercept: float, known: bool
) -> line.Line:
    """Line with a fixed intercept: York's solution with one unknown."""
    rest = y - intercept
    slope = float(x @ rest / (x @ x))
    if not known:
        residual = rest - slope * x
        scatter = float(residual @ residual) / max(x.size - 1, 1)
        return _line(intercept, slope, scatter / float(x @ x), float(residual @ residual), x.size)
    for _ in range(200):
        weight = 1.0 / (uy**2 + slope**2 * ux**2)
        adjusted = x + slope * ux**2 * weight * (rest - slope * x)
        before, slope = slope, float((weight * adjusted) @ rest / ((weight * adjusted) @ x))
        if abs(slope - before) <= 1e-14 * abs(slope):
            break
    weight = 1.0 / (uy**2 + slope**2 * ux**2)
    chi_square = float(weight @ (rest - slope * x) ** 2)
    return _line(intercept, slope, 1.0 / float(weight @ adjusted**2), chi_square, x.size)


def _line(
    intercept: float, slope: float, variance: float, chi_square: float, size: int
) -> line.Line:
    """Line whose intercept is exact."""
    return line.Line(intercept, slope, np.diag([0.0, variance]), chi_square, size - 1)


# --------------------------------------------------------------------------------------------------
# Archie's relation between formation factor and porosity, by layer, and its inverse.


@dataclass(frozen=True)
class Archie(fits.FitResult):
    """Parameters of Archie's relation F = a phi^-m.

    Parameters
    ----------
    a, m : float
        Factor and cementation exponent, 1.
    covariance : (2, 2) ndarray
        Covariance of ln a and m; zero for a fixed ``a``, NaN where unknown.
    points : int
        Number of readings in the fit.
    reduced_chi_square : float
        Reduced chi-square; where above one, ``covariance`` is widened.
    note : str
        Remarks on the fit; empty where there are none.
    shared : dict of str to (2,) ndarray
        Part of ``covariance`` as signed one-sigma shifts of ln a and m, by source: errors that all
        readings share, and that a porosity computed with these parameters has as well.
    porosity, formation_factor : Measured, (reading)
        Readings of the fit, in downhole order; None for parameters without a fit.
    used : ndarray of bool, (reading)
        Readings that entered the fit; the others lie far off the line.
    """

    a: float
    m: float
    covariance: np.ndarray
    points: int = 0
    reduced_chi_square: float = float("nan")
    note: str = ""
    shared: dict[str, np.ndarray] = field(default_factory=dict)
    porosity: Measured | None = field(default=None, repr=False)
    formation_factor: Measured | None = field(default=None, repr=False)
    used: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=bool), repr=False)

    @property
    def dataset(self) -> xr.Dataset:
        """Factor and exponent with uncertainties and effects."""
        random = np.sqrt(np.diag(self.own_covariance))
        effects = [
            {source: float(scale * shift[i]) for source, shift in self.shared.items()}
            for i, scale in enumerate((self.a, 1.0))
        ]
        return fits.parameters(
            [
                fits.Parameter("a", self.a, "1", "factor a", self.a * random[0], effects[0]),
                fits.Parameter("m", self.m, "1", "cementation exponent m", random[1], effects[1]),
            ],
            equation="F = a phi^-m (Archie 1942)",
            points=self.points,
            reduced_chi_square=self.reduced_chi_square,
            note=self.note,
        )

    def _draw(self, ax: Axes) -> None:
        """Formation factor against porosity on logarithmic axes."""
        phi = np.array([0.2, 0.8])
        if self.porosity is not None and self.formation_factor is not None:
            phi = np.asarray(self.porosity.values, dtype=float)
            fits.draw_points(
                ax,
                phi,
                self.formation_factor.values,
                u_x=self.porosity.u_random,
                u_y=self.formation_factor.u_random,
                left_out=~self.used,
                label="readings",
            )
        if np.isfinite(self.m) and phi.size:
            x = np.geomspace(phi.min(), phi.max(), 100)
            fits.draw_curve(ax, x, self.a * x**-self.m)
        ax.set_xscale("log")
        ax.set_yscale("log")
        ax.set_xlabel("porosity")
        ax.set_ylabel("formation factor")

    @property
    def own_covariance(self) -> np.ndarray:
        """Covariance of ln a and m without the shared errors."""
        parts = [np.outer(shift, shift) for shift in self.shared.values()]
        return np.asarray(self.covariance - sum(parts, np.zeros((2, 2))))

    @property
    def a_uncertainty(self) -> float:
        """Standard uncertainty of a."""
        return float(self.a * np.sqrt(self.covariance[0, 0]))

    @property
    def m_uncertainty(self) -> float:
        """Standard uncertainty of m."""
        return float(np.sqrt(self.covariance[1, 1]))

    def describe(self) -> str:
        """Both parameters in one line."""
        return (
            f"F = a phi^-m, a = {self.a:.4g} +- {self.a_uncertainty:.2g}, "
            f"m = {self.m:.4g} +- {self.m_uncertainty:.2g}; {self.points} readings"
        )

    def card(self) -> Card:
        """Both parameters with uncertainties.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        rows = (
            ("a", with_uncertainty(self.a, self.a_uncertainty)),
            ("cementation exponent m", with_uncertainty(self.m, self.m_uncertainty)),
            ("readings", str(self.points)),
        )
        return Card("Archie's law, F = a phi^-m", rows)


@law("1", porosity="fraction", a="positive 1", m="positive 1")
def archie_formation_factor(porosity: Floats, *, a: Floats = 1.0, m: Floats) -> Floats:
    """Formation factor of a porosity.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Fraction, 1.
    a, m : float
        Factor and cementation exponent, 1.

    Returns
    -------
    float, ndarray or DataArray
        Formation factor, dimensionless.

    Raises
    ------
    ValueError
        For a porosity that is not above 0 and at most 1 (in a series, such a reading gives NaN), or
        for an ``a`` or ``m`` that is not positive.

    Notes
    -----
    F = a phi^-m: Archie (1942) Trans. AIME 146, 54; a by Winsauer and others (1952).

    Examples
    --------
    >>> round(archie_formation_factor(0.2, m=2.0), 6)
    25.0
    """
    phi: Any = porosity
    if np.ndim(phi) == 0 and float(phi) == 0.0:
        raise ValueError("porosity is 0; it must be above 0 and at most 1 in Archie's relation")
    # A reading without pores has no formation factor.
    if np.ndim(phi):
        phi = phi.where(phi > 0.0) if hasattr(phi, "where") else np.where(phi > 0.0, phi, np.nan)
    return a * phi ** (-m)


def archie_fit(
    formation_factor: Measurement,
    porosity: Measurement,
    layer: Sequence[str] | np.ndarray | xr.DataArray | None = None,
    *,
    fixed_a: float | None = None,
    formation_factor_uncertainty: Dimensional | None = None,
    porosity_uncertainty: Dimensional | None = None,
) -> dict[str, Archie]:
    """Fit a and m to readings of formation factor and porosity, layer by layer.

    Parameters
    ----------
    formation_factor, porosity : Dataset, DataArray or Quantity, (reading)
        Pure numbers [1]; a Dataset includes its uncertainty, effects and reasons.
    layer : sequence of str or DataArray, (reading), optional
        Name of the layer of each reading; if not given, all readings form one layer ``all``.
    fixed_a : float, optional
        Fixed value of a; 1 gives Archie's original form.
    formation_factor_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random standard uncertainties of arguments that are not a Dataset [1].

    Returns
    -------
    dict of str to Archie
        One fit for each layer, in downhole order. A layer with too few readings has NaN and a
        note.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When no layer has enough readings: three different porosities, or two with ``fixed_a``.

    Notes
    -----
    ln F = ln a - m ln phi with errors in both axes (York and others 2004), F and phi as Archie
    (1942). A systematic effect shifts all points together: the fit is repeated with each, and the
    change of the parameters is added to the covariance. Readings flagged bad or missing are left
    out. Without random uncertainties on both axes the scatter of ln F gives the uncertainties.
    Otherwise the excess scatter is added to ln F. Neighbours in depth with correlated residuals
    count as fewer readings (lag-one correlation, from memory: Bayley and Hammersley 1946); where no
    depth is given, rows are assumed to be in order of depth. Readings beyond five robust standard
    deviations are left out and counted in the note.
    """
    f = series.unpack(
        formation_factor, "formation_factor", uncertainty_given=formation_factor_uncertainty
    )
    phi = measured_fraction(
        series.unpack(porosity, "porosity", uncertainty_given=porosity_uncertainty), "porosity"
    )
    series.require_same_positions(formation_factor=f.values, porosity=phi.values, layer=layer)
    size = np.size(f.values)
    good = _good(f, size) & _good(phi, size) & (_row(phi.values, size) < 1.0)
    words = np.full(size, "all", dtype=object)
    if layer is not None:
        words = np.asarray(getattr(layer, "values", layer), dtype=object)
    order = _downhole(f, phi, size)
    fits = {
        str(word): _fit_layer(f, phi, order[(good & (words == word))[order]], fixed_a)
        for word in dict.fromkeys(words[order])
    }
    if not any(np.isfinite(found.m) for found in fits.values()):
        raise ValueError(
            "no layer has enough readings for Archie's parameters: "
            f"{', '.join(f'{word} has {found.points}' for word, found in fits.items())}; at least "
            "three different porosities are needed, or two with fixed_a"
        )
    return fits


def _row(part: Any, size: int) -> np.ndarray:
    """Plain floats, one for each reading."""
    return np.broadcast_to(np.asarray(part, dtype=float), (size,))


def _downhole(f: Measured, phi: Measured, size: int) -> np.ndarray:
    """Readings in order of depth, or of their rows where no depth is known.

    Residuals of neighbours in depth are correlated; a table may be in any order.
    """
    for part in (f.values, phi.values):
        if isinstance(part, xr.DataArray) and "depth" in part.coords:
            depth = _row(part["depth"], size)
            return np.lexsort((_row(phi.values, size), _row(f.values, size), depth))
    return np.arange(size)


def _good(measured: Measured, size: int) -> np.ndarray:
    """Readings that have a logarithm and are not flagged bad or missing."""
    values = _row(measured.values, size)
    flag = flags.from_reason(np.broadcast_to(np.asarray(without_coords(measured.reason)), (size,)))
    return (values > 0.0) & (flag != flags.BAD) & (flag != flags.MISSING)


def _fit_layer(f: Measured, phi: Measured, index: np.ndarray, fixed_a: float | None) -> Archie:
    """Parameters of the readings of one layer."""
    f, phi = series.take(f, index), series.take(phi, index)
    x, y = np.log(phi.values), np.log(f.values)
    least = 3 if fixed_a is None else 2
    if np.unique(np.round(x, 9)).size < least:
        note = f"{index.size} readings with fewer than {least} different porosities"
        unknown = np.full((2, 2), np.nan)
        none = np.zeros(index.size, dtype=bool)
        return Archie(
            np.nan, np.nan, unknown, int(index.size), float("nan"), note, {}, phi, f, none
        )
    kept, fit = _kept_and_fit(x, y, phi.u_random / phi.values, f.u_random / f.values, fixed_a)
    reduced, best = fit.reduced, fit.best
    signs = np.diag([1.0, -1.0])
    covariance = signs @ best.covariance @ signs * fit.repeated()
    shared: dict[str, np.ndarray] = {}
    for source in sorted({*f.effects, *phi.effects}):
        moved = [m.effects.get(source, np.zeros(x.size)) / m.values for m in (phi, f)]
        if not all(np.isfinite(part).all() for part in moved):
            covariance, shared = covariance * np.nan, {}
            break
        other = fit.line(*(part[kept] for part in moved))
        shift = np.array([other.intercept - best.intercept, best.slope - other.slope])
        shared[source] = shift
        covariance = covariance + np.outer(shift, shift)
    note = "" if fit.known else "random uncertainties unknown: from the scatter of ln F"
    if not kept.all():
        note += f"{'; ' if note else ''}{int((~kept).sum())} readings far off the line left out"
    return Archie(
        float(np.exp(best.intercept)),
        -best.slope,
        covariance,
        int(kept.sum()),
        reduced,
        note,
        shared,
        phi,
        f,
        kept,
    )


def _inverse_kernel(
    factor: np.ndarray, a: float, m: float, surface: float | np.ndarray, water: float | np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Porosity, factor without surface conduction, share of the current in the pores, reasons.

    ``surface`` is the conductivity of the surfaces [S/m], ``water`` the resistivity of the pore
    water [ohm m]; 1 / F* = 1 / F - sigma_s rho_w and phi = (a / F*)^(1 / m).
    """
    factor, surface, water = np.broadcast_arrays(factor, surface, water)
    share = 1.0 - factor * surface * water
    impossible = (factor <= 0.0) | (share <= 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        pore = np.where(impossible, np.nan, factor / share)
        phi = (a / pore) ** (1.0 / m)
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    return phi, pore, share, reason


def porosity_from_formation_factor(
    formation_factor: Measurement | str,
    *,
    archie: Archie | None = None,
    a: float | Scalar | None = None,
    m: float | Scalar | None = None,
    a_uncertainty: float | Scalar | None = None,
    m_uncertainty: float | Scalar | None = None,
    surface_conductivity: Dimensional | None = None,
    surface_conductivity_uncertainty: Dimensional | None = None,
    pore_water_resistivity: Dimensional | None = None,
    formation_factor_uncertainty: Dimensional | None = None,
) -> xr.Dataset:
    """Porosity from a formation factor.

    Parameters
    ----------
    formation_factor : Dataset, DataArray, Quantity or str
        Formation factor [1]; a Dataset includes its uncertainty and reasons.
    archie : Archie, optional
        Result of :func:`archie_fit`, with its covariance.
    a, m : float, optional
        Factor and exponent [1] where there is no fit.
    a_uncertainty, m_uncertainty : float, optional
        Systematic standard uncertainties [1]; NaN if not given.
    surface_conductivity, surface_conductivity_uncertainty : Quantity or str, optional
        Conductivity along the surfaces of grains and its systematic uncertainty [S/m]; needs
        ``pore_water_resistivity``.
    pore_water_resistivity : Quantity, DataArray or str, optional
        Resistivity of the pore water at the temperature of the core [ohm m].
    formation_factor_uncertainty : Quantity or DataArray, optional
        Random standard uncertainty of a factor that is not a Dataset [1].

    Returns
    -------
    Dataset
        ``porosity`` [1] with the effects ``archie_1`` and ``archie_2``, and the signed effects that
        fit and readings share. Where surface conduction alone would explain the factor, NaN and
        ``impossible_value``.

    Raises
    ------
    ValueError
        When neither ``archie`` nor a and m are given, or a surface conductivity without the pore
        water.

    Notes
    -----
    phi = (a / F*)^(1 / m) with 1 / F* = 1 / F - sigma_s rho_w: Archie (1942) Trans. AIME 146, 54;
    one surface term in parallel, as Waxman and Smits (1968), from memory.
    """
    used = archie or _given_parameters(a, m, a_uncertainty, m_uncertainty)
    if surface_conductivity is not None and pore_water_resistivity is None:
        raise ValueError("surface_conductivity needs pore_water_resistivity, such as '0.21 ohm m'")
    f = series.unpack(
        formation_factor, "formation_factor", uncertainty_given=formation_factor_uncertainty
    )
    surface, rho_w, u_surface = 0.0, 0.0, 0.0
    if surface_conductivity is not None:
        surface = units.as_floats(surface_conductivity, "S/m", "surface_conductivity")
        rho_w = positive(pore_water_resistivity, "ohm m", "pore_water_resistivity")
        u_surface = given_uncertainty(
            surface_conductivity_uncertainty, "S/m", "surface_conductivity_uncertainty"
        )
    series.require_same_positions(
        formation_factor=f.values, pore_water=rho_w, surface_conductivity=surface
    )
    phi, pore, share, found = series.apply(
        _inverse_kernel,
        f.values,
        used.a,
        used.m,
        surface,
        rho_w,
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    plain = without_coords(phi)
    # d ln F* / dF = 1 / (F share) and d ln F* / d sigma_s = F* rho_w.
    u_random, effects = combine(
        [(-plain / (used.m * without_coords(f.values) * without_coords(share)), f)]
    )
    partials = [plain / used.m, -plain * np.log(plain) / used.m]
    effects.update(covariance_effects(partials, used.own_covariance, "archie"))
    for source, (of_a, of_m) in used.shared.items():
        # An effect that moves the readings moves the parameters fitted to them: most of it cancels.
        effects[source] = effects.get(source, 0.0) + partials[0] * of_a + partials[1] * of_m
    if surface_conductivity is not None:
        effects["surface_conductivity"] = (
            -plain
            / used.m
            * without_coords(pore)
            * without_coords(rho_w)
            * without_coords(u_surface)
        )
    reason = np.bitwise_or(without_coords(found), without_coords(f.reason))
    return series.build(
        {"porosity": Measured(phi, u_random, effects, reason)},
        steps=("1 / F* = 1 / F - sigma_s rho_w", "phi = (a / F*)^(1 / m) (Archie 1942)"),
        constants=(
            {"archie": SourcedText(used.describe(), "fitted")}
            if archie
            else {"a": (a, a_uncertainty), "m": (m, m_uncertainty)}
        )
        | {"surface_conductivity": (surface_conductivity, surface_conductivity_uncertainty)},
    )


def _given_parameters(
    a: float | Scalar | None,
    m: float | Scalar | None,
    u_a: float | Scalar | None,
    u_m: float | Scalar | None,
) -> Archie:
    """Archie's parameters that the caller gives in place of a fit."""
    if a is None or m is None:
        lacking = " and ".join(name for name, one in (("a", a), ("m", m)) if one is None)
        raise ValueError(
            f"archie is not given and {lacking} is missing; give archie from "
            "resistivity.archie_fit, or both a and m"
        )
    factor, exponent = float(positive(a, "1", "a")), float(positive(m, "1", "m"))
    relative = float(given_uncertainty(u_a, "1", "a_uncertainty")) / factor
    deviation = float(given_uncertainty(u_m, "1", "m_uncertainty"))
    return Archie(factor, exponent, np.diag([relative**2, deviation**2]), note="given")


# --------------------------------------------------------------------------------------------------
# Conduction along the surfaces of grains, parallel to that of the pore water, from many readings.


# Brun, Reichert and Kuensch (2001), from memory: above an index of 10 to 20 the parameters cannot
# be determined separately.
_MOST_COLLINEAR = thresholds.value("surface_collinearity")


@dataclass(frozen=True)
class SurfaceConduction(fits.FitResult):
    """Parameters of sigma = sigma_w phi^m / a + sigma_s.

    Parameters
    ----------
    a, m : float
        Factor and exponent of the pores, 1.
    surface_conductivity : float
        Conductivity along the surfaces of grains, sigma_s [S/m].
    a_uncertainty, m_uncertainty, surface_conductivity_uncertainty : float
        Standard uncertainties [1], [1], [S/m]; zero for a fixed parameter, NaN where the readings
        do not separate the parameters.
    collinearity : float
        Collinearity index: 1 where the parameters have independent effects on the readings, large
        where a change of one can be compensated by another.
    points : int
        Number of readings in the fit.
    reduced_chi_square : float
        Reduced chi-square; where above one, the uncertainties are widened.
    note : str
        Reason for an uncertainty of NaN; empty otherwise.
    pore_conductivity, conductivity, conductivity_uncertainty : ndarray, (reading)
        Conductivity of the pores by the fit, of the core as measured, and the random uncertainty
        of their difference [S/m], NaN where unknown.
    """

    a: float
    m: float
    surface_conductivity: float
    a_uncertainty: float
    m_uncertainty: float
    surface_conductivity_uncertainty: float
    collinearity: float
    points: int
    reduced_chi_square: float
    note: str = ""
    pore_conductivity: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    conductivity: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    conductivity_uncertainty: Any = field(default=float("nan"), repr=False)

    _TITLE = "Surface conduction, sigma = sigma_w phi^m / a + sigma_s"

    @property
    def dataset(self) -> xr.Dataset:
        """Parameters with their uncertainties."""
        words = "conductivity along the surfaces of grains"
        names = ("a", "m", "surface_conductivity")
        given = zip(names, ("1", "1", "S/m"), ("factor a", "exponent m", words), strict=True)
        return fits.parameters(
            [
                fits.Parameter(
                    name, getattr(self, name), unit, text, getattr(self, f"{name}_uncertainty")
                )
                for name, unit, text in given
            ],
            equation="sigma = sigma_w phi^m / a + sigma_s",
            collinearity=self.collinearity,
            points=self.points,
            reduced_chi_square=self.reduced_chi_square,
            note=self.note,
        )

    def _draw(self, ax: Axes) -> None:
        """Conductivity of the core against that of its pores; the surfaces are the intercept."""
        x = self.pore_conductivity
        u = self.conductivity_uncertainty
        fits.draw_points(ax, x, self.conductivity, u_y=u, label="readings")
        edge = np.array([0.0, float(x.max()) if x.size else 1.0])
        fits.draw_curve(ax, edge, edge + self.surface_conductivity)
        ax.set_xlabel("conductivity of the pores by the fit [S/m]")
        ax.set_ylabel("conductivity of the core [S/m]")


def _model(x: np.ndarray, inverse_a: float, m: float, surface: float) -> np.ndarray:
    """Conductivity of a core [S/m]; ``x`` holds that of the pore water [S/m] and the porosity."""
    return inverse_a * x[0] * x[1] ** m + surface


def surface_conduction_fit(
    resistivity: Measurement,
    pore_water_resistivity: Measurement,
    porosity: Measurement,
    *,
    fixed_a: float | None = 1.0,
    fixed_m: float | None = None,
    resistivity_uncertainty: Dimensional | None = None,
    porosity_uncertainty: Dimensional | None = None,
) -> SurfaceConduction:
    """Fit the conduction along the surfaces of grains, parallel to that of the pores.

    Parameters
    ----------
    resistivity, pore_water_resistivity : DataArray, Dataset or Quantity, (reading)
        Resistivities of core and pore water at one temperature [ohm m].
    porosity : DataArray, Dataset or Quantity, (reading)
        Fraction [1].
    fixed_a, fixed_m : float, optional
        Fixed values [1]; with None the parameter is fitted.
    resistivity_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random standard uncertainties [ohm m], [1]; if not given, those of a Dataset. Without both,
        the scatter gives the uncertainties.

    Returns
    -------
    SurfaceConduction
        Parameters with uncertainties, surface conductivity in S/m.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When the number of readings is not above the number of parameters.

    Notes
    -----
    sigma = sigma_w phi^m / a + sigma_s: Waxman and Smits (1968), from memory, with one surface
    conductivity for all readings. Readings that differ in pore water, or widely in porosity,
    separate it from m. In cores with one pore water and similar porosity, every sigma_s has an m
    that fits as well: the uncertainties are then NaN, with a note. Errors in porosity by effective
    variance.
    """
    rho, rho_w, phi = (
        series.unpack(value, name, uncertainty_given=u)
        for value, name, u in (
            (resistivity, "electrical_resistivity", resistivity_uncertainty),
            (pore_water_resistivity, "pore_water_resistivity", None),
            (porosity, "porosity", porosity_uncertainty),
        )
    )
    phi = measured_fraction(phi, "porosity")
    series.require_same_positions(resistivity=rho.values, pore=rho_w.values, porosity=phi.values)
    shape = np.broadcast_shapes(*(np.shape(part.values) for part in (rho, rho_w, phi)))
    rows = [
        np.ravel(np.broadcast_to(np.asarray(part, dtype=float), shape))
        for part in (rho.values, rho_w.values, phi.values, rho.u_random, phi.u_random)
    ]
    usable = np.all([np.isfinite(row) & (row > 0) for row in rows[:3]], axis=0)
    rho_c, water, share, u_rho, u_phi = (row[usable] for row in rows)
    return _fit(rho_c, water, share, u_rho, u_phi, fixed_a, fixed_m)


def _fit(
    rho: np.ndarray,
    water: np.ndarray,
    phi: np.ndarray,
    u_rho: np.ndarray,
    u_phi: np.ndarray,
    fixed_a: float | None,
    fixed_m: float | None,
) -> SurfaceConduction:
    """Least squares of conductivities, with effective variances where uncertainties are known."""
    x, y = np.vstack([1.0 / water, phi]), 1.0 / rho
    held = {
        name: value
        for name, value in (
            ("inverse_a", None if fixed_a is None else 1.0 / fixed_a),
            ("m", fixed_m),
        )
        if value is not None
    }
    start = {
        name: value
        for name, value in (("inverse_a", 1.0), ("m", 2.0), ("surface", 0.0))
        if name not in held
    }
    if y.size <= len(start):
        raise ValueError(
            f"{y.size} readings for {len(start)} parameters; more readings than parameters are "
            "needed. Give fixed_a or fixed_m, or add readings"
        )

    def free(at: np.ndarray, **values: float) -> np.ndarray:
        return _model(at, **held, **values)

    known = bool(np.all(u_rho > 0) and np.all(u_phi >= 0))
    sigma = np.full(y.shape, np.nan)
    found = fitting.fit(free, x, y, start=start, absolute_sigma=False)
    # The effective variance depends on the parameters: three rounds settle both.
    for _ in range(3 if known else 0):
        m = found.values.get("m", fixed_m)
        pores = found.values.get("inverse_a", held.get("inverse_a")) * x[0] * phi**m
        sigma = np.hypot(u_rho / rho**2, m * pores / phi * u_phi)
        found = fitting.fit(free, x, y, sigma, start=found.values, absolute_sigma=True)
    made = _with_collinearity(found, x, held, known)
    pores = x[0] * phi**made.m / made.a
    return replace(made, pore_conductivity=pores, conductivity=y, conductivity_uncertainty=sigma)


def _with_collinearity(
    found: fitting.Fit, x: np.ndarray, held: dict[str, float], known: bool
) -> SurfaceConduction:
    """Result of the fit; uncertainties are NaN where the parameters are nearly collinear."""
    values = {**held, **found.values}
    pores = x[0] * x[1] ** values["m"]
    columns = {
        "inverse_a": pores,
        "m": values["inverse_a"] * pores * np.log(x[1]),
        "surface": np.ones_like(pores),
    }
    design = np.column_stack([columns[name] for name in found.values])
    design = design / np.linalg.norm(design, axis=0)
    smallest = float(np.linalg.svd(design, compute_uv=False)[-1])
    collinearity = 1.0 / max(smallest, 1e-300)
    note = ""
    widening = np.sqrt(max(found.reduced_chi_square, 1.0)) if known else 1.0
    errors = {name: error * widening for name, error in found.errors.items()}
    if collinearity > _MOST_COLLINEAR:
        note = (
            "the readings do not separate the parameters; add readings with another pore water or "
            "a wider range of porosity, or give fixed_m"
        )
        errors = dict.fromkeys(errors, float("nan"))
    a = 1.0 / values["inverse_a"]
    return SurfaceConduction(
        a,
        values["m"],
        values["surface"],
        errors.get("inverse_a", 0.0) * a**2,
        errors.get("m", 0.0),
        errors.get("surface", 0.0),
        collinearity,
        x.shape[1],
        found.reduced_chi_square if known else float("nan"),
        note,
    )
