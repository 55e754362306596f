"""Archie's relation between formation factor and porosity, by layer, and conduction along the
grains."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import fitting, flags, series, thresholds, units
from corephys.ground.arguments import fraction, measured_fraction, positive
from corephys.ground.cards import Card, Shown, with_uncertainty
from corephys.ground.provenance import SourcedText
from corephys.numerics import exponential, line
from corephys.uncertainty import Measured, bare, combine, covariance_effects, stated

__all__ = [
    "Archie",
    "SurfaceConduction",
    "archie_fit",
    "archie_formation_factor",
    "kept_and_fit",
    "porosity_from_formation_factor",
    "surface_conduction_fit",
]

# --------------------------------------------------------------------------------------------------
# The line of ln F on ln phi, with the scatter that the stated uncertainties leave over.


_FAR = thresholds.value("archie_far")
_FEW = thresholds.count("archie_few")


class Fit:
    """Line of ln F on ln phi, with the scatter that the stated uncertainties leave over.

    The excess goes to ln F: the two sensors see different lengths of core, and a line that blamed
    the porosity for it would be too steep.
    """

    def __init__(self, x: Any, y: Any, ux: Any, uy: Any, fixed_a: float | None) -> None:
        self.x, self.y, self.ux, self.uy, self.fixed_a = x, y, ux, uy, fixed_a
        self.known = bool(np.all(ux > 0) and np.all(uy > 0))
        first = self.line(0.0, 0.0)
        spare = first.degrees_of_freedom
        self.reduced = first.chi_square / spare if self.known and spare else float("nan")
        if self.reduced > 1.0:
            self.uy = np.hypot(uy, self._excess(spare))

    def _excess(self, spare: int) -> float:
        """Scatter of ln F that brings the reduced chi-square to one."""
        stated = self.uy
        low, high = 0.0, float(np.ptp(self.y)) + float(stated.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            self.uy = np.hypot(stated, middle)
            if self.line(0.0, 0.0).chi_square > spare:
                low = middle
            else:
                high = middle
        self.uy = stated
        return 0.5 * (low + high)

    def line(self, dx: Any, dy: Any) -> line.Line:
        """The line with the points moved."""
        x, y = self.x + dx, self.y + dy
        if self.fixed_a is not None:
            intercept = float(np.log(self.fixed_a))
            return _through(x, y, self.ux, self.uy, intercept, self.known)
        if not self.known:
            return line.ordinary_line(x, y)
        return line.york(x, y, self.ux, self.uy)

    def repeated(self) -> float:
        """Readings that say what one independent reading says, from neighbouring residuals."""
        pulls = self.pulls()
        if pulls.size < _FEW:
            return 1.0
        lag = exponential.lag_correlation(pulls - pulls.mean())
        return max(1.0, (1.0 + lag) / (1.0 - min(lag, 0.9)))

    def pulls(self) -> np.ndarray:
        """Distance of each point from the line, over its uncertainty where that is known."""
        best = self.line(0.0, 0.0)
        away = self.y - best.intercept - best.slope * self.x
        if not self.known:
            return np.asarray(away)
        return np.asarray(away / np.hypot(self.uy, best.slope * self.ux))


def kept_and_fit(x: Any, y: Any, ux: Any, uy: Any, fixed_a: float | None) -> tuple[np.ndarray, Fit]:
    """Readings that lie within five robust standard deviations of the line, and their fit."""
    kept = np.ones(x.size, dtype=bool)

    def fitted() -> Fit:
        return Fit(x[kept], y[kept], ux[kept], uy[kept], fixed_a)

    for _ in range(3):
        pulls = fitted().pulls()
        far = np.abs(pulls) > _FAR * 1.4826 * np.median(np.abs(pulls))
        if kept.sum() < _FEW or not far.any():
            break
        kept[np.flatnonzero(kept)[far]] = False
    return kept, fitted()


def _through(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray, intercept: float, known: bool
) -> line.Line:
    """Line of a fixed intercept: York's solution with one unknown."""
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
    return line.Line(intercept, slope, np.diag([0.0, variance]), chi_square, size - 1)


# --------------------------------------------------------------------------------------------------
# Archie's relation between formation factor and porosity, by layer, and back to porosity.


@dataclass(frozen=True)
class Archie(Shown):
    """F = a phi^-m.

    Parameters
    ----------
    a, m : float
        Factor and cementation exponent, 1.
    covariance : (2, 2) ndarray
        Of ln a and m; zero for an ``a`` that was fixed, NaN where it is not known.
    points : int
        Readings in the fit.
    reduced_chi_square : float
        Above one it has widened ``covariance``.
    note : str
        What to know about the fit; empty when there is nothing.
    shared : dict of str to (2,) ndarray
        Part of ``covariance`` as signed one-sigma shifts of ln a and m, by source: what readings
        of both sensors have in common, and a porosity found back has again.
    """

    a: float
    m: float
    covariance: np.ndarray
    points: int = 0
    reduced_chi_square: float = float("nan")
    note: str = ""
    shared: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def own_covariance(self) -> np.ndarray:
        """Covariance of ln a and m without what is shared."""
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
            Shows itself as text or HTML.
        """
        rows = (
            ("a", with_uncertainty(self.a, self.a_uncertainty)),
            ("cementation exponent m", with_uncertainty(self.m, self.m_uncertainty)),
            ("readings", str(self.points)),
        )
        return Card("Archie's law, F = a phi^-m", rows)


def archie_formation_factor(porosity: Any, *, a: Any = 1.0, m: Any) -> Any:
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
    UnitError
        For a wrong unit.
    ValueError
        For a porosity that is not above 0 and at most 1 (one reading of a series gives NaN), or an
        a or m that is not above zero.

    Notes
    -----
    F = a phi^-m: Archie (1942) Trans. AIME 146, 54; a by Winsauer and others (1952).

    Examples
    --------
    >>> round(archie_formation_factor(0.2, m=2.0), 6)
    25.0
    """
    phi = fraction(porosity, "porosity")
    if np.ndim(phi) == 0 and float(phi) == 0.0:
        raise ValueError("porosity is 0; Archie's law needs pores, a porosity above 0 up to 1")
    # A reading without pores has no formation factor.
    if np.ndim(phi):
        phi = phi.where(phi > 0.0) if hasattr(phi, "where") else np.where(phi > 0.0, phi, np.nan)
    return positive(a, "1", "a") * phi ** (-positive(m, "1", "m"))


def archie_fit(
    formation_factor: Any,
    porosity: Any,
    layer: Any = None,
    *,
    fixed_a: float | None = None,
    formation_factor_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> dict[str, Archie]:
    """Fit a and m to readings of formation factor and porosity, layer by layer.

    Parameters
    ----------
    formation_factor, porosity : Dataset, DataArray or Quantity, (reading)
        Pure numbers [1]; a Dataset brings its uncertainty, effects and reasons.
    layer : sequence of str or DataArray, (reading), optional
        Name of the layer of each reading; without it all readings are one, called ``all``.
    fixed_a : float, optional
        Hold a at this value, 1 for Archie's own form.
    formation_factor_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random, of what is not a Dataset [1].

    Returns
    -------
    dict of str to Archie
        One fit a layer, in the order in which the layers come downhole. A layer with too few
        readings has NaN and a note.

    Raises
    ------
    UnitError
        For a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When no layer has readings enough: three porosities, two with a fixed a.

    Notes
    -----
    ln F = ln a - m ln phi with errors in both axes (York and others 2004), F and phi as Archie
    (1942) has them. Effects that readings share shift all points together: the fit is made again
    with each, and what moves joins the covariance. Readings flagged bad or missing are left out.
    Without random uncertainties on both axes the scatter of ln F sets the errors; with them, what
    they leave over is added to ln F, and neighbours in depth whose residuals go together count as
    fewer (lag-one correlation, from memory: Bayley and Hammersley 1946); rows are taken to be in
    order of depth where no depth is given. Readings beyond five robust standard deviations are left
    out and counted in the note.
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
            f"no layer has enough readings for Archie's parameters: "
            f"{', '.join(f'{word} has {found.points}' for word, found in fits.items())}; three "
            "different porosities are needed, two with fixed_a"
        )
    return fits


def _row(part: Any, size: int) -> np.ndarray:
    return np.broadcast_to(np.asarray(part, dtype=float), (size,))


def _downhole(f: Measured, phi: Measured, size: int) -> np.ndarray:
    """Readings in order of depth, in that of their rows where no depth is known.

    Neighbours in depth may have residuals that go together; neighbours in a table need not.
    """
    for part in (f.values, phi.values):
        if isinstance(part, xr.DataArray) and "depth" in part.coords:
            depth = _row(part["depth"], size)
            return np.lexsort((_row(phi.values, size), _row(f.values, size), depth))
    return np.arange(size)


def _good(measured: Measured, size: int) -> np.ndarray:
    """Readings that have a logarithm and are not flagged bad or missing."""
    values = _row(measured.values, size)
    flag = flags.from_reason(np.broadcast_to(np.asarray(bare(measured.reason)), (size,)))
    return (values > 0.0) & (flag != flags.BAD) & (flag != flags.MISSING)


def _fit_layer(f: Measured, phi: Measured, index: np.ndarray, fixed_a: float | None) -> Archie:
    f, phi = series.take(f, index), series.take(phi, index)
    x, y = np.log(phi.values), np.log(f.values)
    least = 3 if fixed_a is None else 2
    if np.unique(np.round(x, 9)).size < least:
        note = f"{index.size} readings with fewer than {least} different porosities"
        return Archie(np.nan, np.nan, np.full((2, 2), np.nan), int(index.size), note=note)
    kept, fit = kept_and_fit(x, y, phi.u_random / phi.values, f.u_random / f.values, fixed_a)
    reduced, best = fit.reduced, fit.line(0.0, 0.0)
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
    note = "" if fit.known else "random uncertainties not known: scatter of ln F about ln phi"
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
    )


def inverse_kernel(
    factor: Any, a: Any, m: Any, surface: Any, water: Any
) -> tuple[Any, Any, Any, Any]:
    """Porosity of a formation factor.

    Parameters
    ----------
    factor, a, m : float or ndarray
        Pure numbers.
    surface, water : float or ndarray
        Conductivity of the surfaces [S/m] and resistivity of the pore water [ohm m].

    Returns
    -------
    tuple of ndarray
        Porosity, factor without surface conduction, share of the current in the pores (all 1),
        int64 reasons.

    Notes
    -----
    1 / F* = 1 / F - sigma_s rho_w; phi = (a / F*)^(1 / m): Archie (1942), Waxman and Smits (1968)
    with one surface term.
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
    formation_factor: Any,
    *,
    archie: Archie | None = None,
    a: Any = None,
    m: Any = None,
    a_uncertainty: Any = None,
    m_uncertainty: Any = None,
    surface_conductivity: Any = None,
    surface_conductivity_uncertainty: Any = None,
    pore_water_resistivity: Any = None,
    formation_factor_uncertainty: Any = None,
) -> xr.Dataset:
    """Porosity that a formation factor shows.

    Parameters
    ----------
    formation_factor : Dataset, DataArray, Quantity or str
        [1]; a Dataset brings its uncertainty and reasons.
    archie : Archie, optional
        From :func:`archie_fit`, with its covariance.
    a, m : float, optional
        Factor and exponent [1] where there is no fit.
    a_uncertainty, m_uncertainty : float, optional
        Systematic [1]; unknown gives NaN.
    surface_conductivity, surface_conductivity_uncertainty : Quantity or str, optional
        Conductivity along the grains [S/m], systematic; needs ``pore_water_resistivity``.
    pore_water_resistivity : Quantity, DataArray or str, optional
        At the temperature of the core [ohm m].
    formation_factor_uncertainty : Quantity or DataArray, optional
        Random, of a factor that is not a Dataset [1].

    Returns
    -------
    Dataset
        ``porosity`` [1] with the effects ``archie_1`` and ``archie_2``, and those that the fit
        shares with the readings, with their signs. A factor that surface
        conduction alone would explain gives NaN and ``impossible_value``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When neither ``archie`` nor a and m are given, or a surface conductivity without the pore
        water.

    Notes
    -----
    phi = (a / F*)^(1 / m) with 1 / F* = 1 / F - sigma_s rho_w: Archie (1942) Trans. AIME 146, 54;
    one surface term in parallel, as Waxman and Smits (1968), from memory.
    """
    used = archie or _stated(a, m, a_uncertainty, m_uncertainty)
    if surface_conductivity is not None and pore_water_resistivity is None:
        raise ValueError("surface_conductivity needs pore_water_resistivity, such as '0.21 ohm m'")
    f = series.unpack(
        formation_factor, "formation_factor", uncertainty_given=formation_factor_uncertainty
    )
    surface, rho_w, u_surface = 0.0, 0.0, 0.0
    if surface_conductivity is not None:
        surface = units.as_floats(surface_conductivity, "S/m", "surface_conductivity")
        rho_w = positive(pore_water_resistivity, "ohm m", "pore_water_resistivity")
        u_surface = stated(
            surface_conductivity_uncertainty, "S/m", "surface_conductivity_uncertainty"
        )
    series.require_same_positions(
        formation_factor=f.values, pore_water=rho_w, surface_conductivity=surface
    )
    phi, pore, share, found = series.apply(
        inverse_kernel,
        f.values,
        used.a,
        used.m,
        surface,
        rho_w,
        outputs=4,
        dtypes=[float, float, float, np.int64],
    )
    plain = bare(phi)
    # d ln F* / dF = 1 / (F share) and d ln F* / d sigma_s = F* rho_w.
    u_random, effects = combine([(-plain / (used.m * bare(f.values) * bare(share)), f)])
    partials = [plain / used.m, -plain * np.log(plain) / used.m]
    effects.update(covariance_effects(partials, used.own_covariance, "archie"))
    for source, (of_a, of_m) in used.shared.items():
        # What moved the readings moved the parameters fitted to them: most of it cancels.
        effects[source] = effects.get(source, 0.0) + partials[0] * of_a + partials[1] * of_m
    if surface_conductivity is not None:
        effects["surface_conductivity"] = (
            -plain / used.m * bare(pore) * bare(rho_w) * bare(u_surface)
        )
    reason = np.bitwise_or(bare(found), bare(f.reason))
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


def _stated(a: Any, m: Any, u_a: Any, u_m: Any) -> Archie:
    if a is None or m is None:
        raise ValueError("give archie from resistivity.archie_fit, or both a and m")
    factor, exponent = float(positive(a, "1", "a")), float(positive(m, "1", "m"))
    relative = float(stated(u_a, "1", "a_uncertainty")) / factor
    deviation = float(stated(u_m, "1", "m_uncertainty"))
    return Archie(factor, exponent, np.diag([relative**2, deviation**2]), note="given")


# --------------------------------------------------------------------------------------------------
# Conduction along the grains beside that of the pore water, from many readings.


# Brun, Reichert and Kuensch (2001), from memory: indices above 10 to 20 are not to be told apart.
MOST_COLLINEAR = thresholds.value("surface_collinearity")


@dataclass(frozen=True)
class SurfaceConduction:
    """sigma = sigma_w phi^m / a + sigma_s.

    Parameters
    ----------
    a, m : float
        Factor and exponent of the pores, 1.
    surface_conductivity : float
        sigma_s [S/m].
    a_uncertainty, m_uncertainty, surface_conductivity_uncertainty : float
        Standard; zero for what was fixed, NaN where the readings do not tell the parameters apart.
    collinearity : float
        One where every parameter leaves its own trace in the readings, large where one can make
        up for another.
    points : int
        Readings in the fit.
    reduced_chi_square : float
        Above one it has widened the uncertainties.
    note : str
        Why an uncertainty is NaN; empty otherwise.
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


def model(x: np.ndarray, inverse_a: float, m: float, surface: float) -> np.ndarray:
    """Conductivity of a core [S/m]; ``x`` holds that of the pore water [S/m] and the porosity."""
    return inverse_a * x[0] * x[1] ** m + surface


def surface_conduction_fit(
    resistivity: Any,
    pore_water_resistivity: Any,
    porosity: Any,
    *,
    fixed_a: float | None = 1.0,
    fixed_m: float | None = None,
    resistivity_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> SurfaceConduction:
    """Fit the conduction of grain surfaces beside that of the pores.

    Parameters
    ----------
    resistivity, pore_water_resistivity : DataArray, Dataset or Quantity, (reading)
        Of core and pore water at one temperature [ohm m].
    porosity : DataArray, Dataset or Quantity, (reading)
        Fraction [1].
    fixed_a, fixed_m : float, optional
        Hold these; None lets them be fitted [1].
    resistivity_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random [ohm m], [1]; those of a Dataset where not given. Without both the scatter sets the
        errors.

    Returns
    -------
    SurfaceConduction
        Parameters with uncertainties, surface conductivity in S/m.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        With no more readings than parameters.

    Notes
    -----
    sigma = sigma_w phi^m / a + sigma_s: Waxman and Smits (1968), from memory, with one surface
    conductivity for all readings. It is told from m by readings that differ in pore water or widely
    in porosity; in cores of one pore water and like porosity any sigma_s has an m that fits as
    well, and the uncertainties are NaN with a note. Errors in porosity by effective variance.
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
            "needed. Fix a or m, or bring more readings"
        )

    def free(at: np.ndarray, **values: float) -> np.ndarray:
        return model(at, **held, **values)

    known = bool(np.all(u_rho > 0) and np.all(u_phi >= 0))
    found = fitting.fit(free, x, y, start=start, absolute_sigma=False)
    for _ in range(3 if known else 0):
        m = found.values.get("m", fixed_m)
        pores = found.values.get("inverse_a", held.get("inverse_a")) * x[0] * phi**m
        sigma = np.hypot(u_rho / rho**2, m * pores / phi * u_phi)
        found = fitting.fit(free, x, y, sigma, start=found.values, absolute_sigma=True)
    return _told(found, x, held, known)


def _told(
    found: fitting.Fit, x: np.ndarray, held: dict[str, float], known: bool
) -> SurfaceConduction:
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
    if collinearity > MOST_COLLINEAR:
        note = (
            "the readings do not tell the parameters apart: bring readings with other pore water "
            "or a wider range of porosity, or fix m"
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
