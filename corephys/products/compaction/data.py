"""Data of a fit of compaction, the solvers of all fits, robust weights, and errors of correlated
readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import fitting, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.constants import get
from corephys.numerics import exponential as numerics
from corephys.numerics.correlated import correlated, student_factor
from corephys.products.compaction.models import MODELS, Model

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = [
    "Choices",
    "Data",
    "Spread",
]

# --------------------------------------------------------------------------------------------------
# Robust fits: outliers have less weight.


KINDS = ("none", "huber", "tukey")


def _huber(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    """Weight of a standardised residual, and the slope of its influence."""
    size = np.maximum(np.abs(u), 1e-300)
    return np.minimum(1.0, k / size), (size <= k).astype(float)


def _tukey(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    """Weight of a standardised residual, zero beyond k, and the slope of its influence."""
    t = (u / k) ** 2
    inside = t < 1.0
    return np.where(inside, (1.0 - t) ** 2, 0.0), np.where(inside, (1 - t) * (1 - 5 * t), 0.0)


_WEIGHTS: dict[str, Callable[[np.ndarray, float], tuple[np.ndarray, np.ndarray]]] = {
    "huber": _huber,
    "tukey": _tukey,
}


def fit_robust(
    model: Model,
    x: np.ndarray,
    data: Data,
    kind: str,
    start: dict[str, float],
    forced: dict[str, float],
) -> tuple[fitting.Fit, np.ndarray]:
    """Iteratively reweighted least squares.

    Parameters
    ----------
    model : Model
        Model to be fitted.
    x : ndarray, (n,)
        Abscissa of the model.
    data : Data
        Porosities and their uncertainties.
    kind : {"huber", "tukey"}
        Weight function.
    start, forced : dict of str to float
        Start values, and values of parameters that are not fitted.

    Returns
    -------
    tuple of Fit and ndarray, (n,)
        Fit, and the weights of the squares between zero and one.

    Notes
    -----
    Scale: 1.4826 times the median absolute residual at each step; with given uncertainties at least
    one of them. Tukey's weights start from Huber's solution, because their misfit has several
    minima. Covariance: s^2 [sum psi^2 / (n - k)] / mean(psi')^2 (J' J)^-1, Huber (1981), Robust
    Statistics, section 7.6 (from memory): errors of the robust scatter, asymptotic, no likelihood.
    """
    sigma = np.ones(x.size) if data.sigma is None else np.asarray(data.sigma)
    if np.any(~(sigma > 0)):
        raise ValueError(
            f"{int(np.sum(~(sigma > 0)))} of {x.size} uncertainties are missing or not positive; "
            "give them, or use absolute_sigma=False and let the scatter set the scale"
        )
    least = 0.0 if data.sigma is None else 1.0
    p = solve(model, x, data.porosity, 1.0 / sigma, start={**start, **forced}, fixed=forced)
    for step in ("huber", "tukey") if kind == "tukey" else ("huber",):
        p, scale, weights, slope = _reweigh(model, x, data.porosity, sigma, step, p, forced, least)
    return _finished(model, x, data, sigma, p, scale, weights, slope, forced), weights


def _reweigh(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    sigma: np.ndarray,
    kind: str,
    p: np.ndarray,
    forced: dict[str, float],
    least: float,
) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    """Parameters, scale, weights and slopes of the influence, once the weights settle."""
    tuning = get(f"{kind}_tuning").value
    scale, weights, slope = 1.0, np.ones(x.size), np.ones(x.size)
    for _ in range(100):
        residual = (y - model.curve(x, *p)) / sigma
        scale = max(1.4826 * float(np.median(np.abs(residual))), least, 1e-12)
        weights, slope = _WEIGHTS[kind](residual / scale, tuning)
        before = p
        start = dict(zip(model.names, p, strict=True))
        p = solve(model, x, y, np.sqrt(weights) / sigma, start=start, fixed=forced)
        if not np.any(np.abs(p - before) > 1e-9 * np.abs(before)):
            break
    return p, scale, weights, slope


def _finished(
    model: Model,
    x: np.ndarray,
    data: Data,
    sigma: np.ndarray,
    p: np.ndarray,
    scale: float,
    weights: np.ndarray,
    slope: np.ndarray,
    forced: dict[str, float],
) -> fitting.Fit:
    """Errors of the robust solution."""
    values = {name: float(value) for name, value in zip(model.names, p, strict=True)}
    free = np.array([name not in forced for name in model.names])
    count = int(free.sum())
    residual = data.porosity - model.curve(x, *p)
    u = residual / sigma / scale
    spread = float(np.sum((weights * u) ** 2)) / max(x.size - count, 1)
    jacobian = model.jacobian(x, *p)[:, free] / sigma[:, None]
    covariance = np.full((p.size, p.size), np.nan)
    bounds = model.bounds
    at_bound = tuple(
        n
        for n in values
        if n in bounds and n not in forced and min(np.abs(np.subtract(bounds[n], values[n]))) < 1e-6
    )
    if not at_bound and np.linalg.matrix_rank(jacobian) == count and np.mean(slope) > 0:
        inverse = np.linalg.inv(jacobian.T @ jacobian)
        covariance[np.ix_(free, free)] = scale**2 * spread / np.mean(slope) ** 2 * inverse
    chi_square = float(np.sum((residual / sigma) ** 2))
    freedom = x.size - count
    with np.errstate(invalid="ignore"):
        errors = dict(zip(values, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    return fitting.Fit(
        values,
        errors,
        covariance,
        residual,
        chi_square,
        chi_square / max(freedom, 1),
        x.size,
        freedom,
        float("nan"),
        at_bound,
        bool(np.isfinite(p).all()),
        "iteratively reweighted least squares",
        data.sigma is not None,
    )


# --------------------------------------------------------------------------------------------------
# Usable pairs with their weights, and the solvers: one for a single fit, one for many.


@dataclass(frozen=True)
class Choices:
    """Options of a fit.

    Parameters
    ----------
    absolute_sigma, excess_scatter : bool
        Options of ``compaction.fit``.
    robust : str
        Option of ``compaction.fit``.
    scatter : float, optional
        Known natural scatter [1]; estimated from the data where not given.
    """

    absolute_sigma: bool
    excess_scatter: bool = True
    robust: str = "none"
    scatter: float | None = None


@dataclass(frozen=True)
class Data:
    """Usable porosities with their depths, stresses and uncertainties.

    Parameters
    ----------
    depth : ndarray, (n,)
        Depth below seafloor [m].
    stress : ndarray, (n,), or None
        Vertical effective stress [kPa].
    porosity : ndarray, (n,)
        Porosity [1].
    sigma : ndarray, (n,), or None
        Random standard uncertainty [1]; None for equal weights.
    near : ndarray, (n,)
        Number of samples in the bed of each sample.
    effects, stress_effects : dict of str to ndarray, (n,)
        Systematic effects on porosity [1] and on stress [kPa] by source.
    left_out : int
        Number of readings that are not used.
    bed_thickness : Quantity or str, optional
        Thickness of a bed, as given.
    excluded : tuple of ndarray
        Depth [m], stress [kPa] and porosity [1] of the readings that are not used, NaN where one
        has none.
    """

    depth: np.ndarray
    stress: np.ndarray | None
    porosity: np.ndarray
    sigma: np.ndarray | None
    near: np.ndarray
    effects: dict[str, np.ndarray]
    stress_effects: dict[str, np.ndarray]
    left_out: int
    bed_thickness: Any = None
    excluded: tuple[np.ndarray, np.ndarray, np.ndarray] = (np.empty(0),) * 3

    def abscissa(self, model: Model) -> np.ndarray:
        """Depths [m] or stresses [kPa], whichever the model depends on."""
        if model.abscissa == "depth":
            return self.depth
        if self.stress is None:
            raise ValueError(
                f"the model {model.name!r} needs the vertical effective stress at the porosities: "
                "give stress="
            )
        return self.stress

    def repeats(self) -> int:
        """Points that equal an earlier one in depth, porosity and uncertainty to every digit."""
        columns = [self.depth, self.porosity, *([] if self.sigma is None else [self.sigma])]
        if not self.depth.size:
            return 0
        points = np.column_stack(columns)
        return int(points.shape[0] - np.unique(points, axis=0, equal_nan=True).shape[0])

    def only(self, chosen: np.ndarray) -> Data:
        """Chosen part of the data; the rest is not counted as left out."""
        return Data(
            self.depth[chosen],
            None if self.stress is None else self.stress[chosen],
            self.porosity[chosen],
            None if self.sigma is None else self.sigma[chosen],
            self.near[chosen],
            {k: v[chosen] for k, v in self.effects.items()},
            {k: v[chosen] for k, v in self.stress_effects.items()},
            self.left_out,
            self.bed_thickness,
        )


def gather(
    porosity: Measurement,
    depth: Dimensional | None,
    stress: Measurement | None,
    models: tuple[Model, ...],
    absolute_sigma: bool | None,
    bed_thickness: Scalar,
    allow: tuple[str, ...],
) -> tuple[Data, np.ndarray]:
    """Convert the arguments of a fit to plain floats.

    Parameters
    ----------
    porosity, depth, stress, absolute_sigma, bed_thickness, allow
        Arguments of ``compaction.fit``.
    models : tuple of Model
        Models to be fitted: a pair is used where all of them are defined.

    Returns
    -------
    tuple of Data and ndarray of bool, (reading)
        Usable pairs, and which readings they are. Without ``absolute_sigma``, the uncertainties are
        used if the usable porosities have them.

    Raises
    ------
    ValueError
        Where depth or a required stress is missing, sizes differ, a porosity is impossible, too few
        pairs are left, or all pairs lie at one depth or stress.
    """
    measured = series.unpack(porosity, "porosity")
    values = np.asarray(measured.values, dtype=float)
    z = _depth(porosity, depth, values)
    use = np.isfinite(values) & np.isfinite(z)
    if isinstance(porosity, xr.Dataset) and "porosity_flag" in porosity:
        use &= flags.usable(porosity["porosity_flag"].values, allow)
    load: np.ndarray | None = None
    shifts: dict[str, Any] = {}
    if stress is not None:
        load, shifts, good = _stress(stress, porosity, values.shape, allow)
        if any(model.abscissa != "depth" for model in models):
            use &= good
        if any(model.positive for model in models):
            use &= load > 0.0
    picked = series.take(measured, np.flatnonzero(use))
    y = np.asarray(picked.values, dtype=float)
    u = np.broadcast_to(np.asarray(picked.u_random, dtype=float), y.shape)
    absolute = _all_known(u) if absolute_sigma is None else absolute_sigma
    _check(y, max(5, 1 + max(len(model.parameters) for model in models)))
    reach = float(positive(bed_thickness, "m", "bed_thickness", zero=True))
    data = Data(
        z[use],
        None if load is None else load[use],
        y,
        np.array(u) if absolute else None,
        numerics.neighbours(z[use], reach),
        {source: _along(effect, y) for source, effect in picked.effects.items()},
        {source: _along(effect, y, use) for source, effect in shifts.items()},
        int((~use).sum()),
        bed_thickness,
        (z[~use], np.full(int((~use).sum()), np.nan) if load is None else load[~use], values[~use]),
    )
    for model in models:
        _check_range(data.abscissa(model), model)
    return data, use


def _all_known(u: np.ndarray) -> bool:
    """Whether the uncertainties are known; refused where some are and some are not."""
    known = np.isfinite(u)
    if known.any() and not known.all():
        raise ValueError(
            f"{int(known.sum())} of {u.size} usable porosities have a random uncertainty; give all "
            "of them one, or set absolute_sigma=False for equal weights"
        )
    return bool(u.size and known.all())


def _check_range(x: np.ndarray, model: Model) -> None:
    """Refuse porosities at one depth or stress, which do not determine a curve."""
    if not np.ptp(x) > 1e-9 * np.max(np.abs(x)):
        what, unit = ("depth", "m") if model.abscissa == "depth" else ("effective stress", "kPa")
        raise ValueError(
            f"all {x.size} usable porosities lie at one {what}, {x[0]:g} {unit}; the model "
            f"{model.name!r} needs a range; give porosities at other values of {what}"
        )


def _depth(porosity: Any, depth: Any, values: np.ndarray) -> np.ndarray:
    """Depths [m] of the porosities: those given, else the coordinate."""
    if depth is None:
        depth = getattr(porosity, "coords", {}).get("depth")
        if depth is not None and "units" not in depth.attrs:  # the coordinate of a series is in m
            depth = depth.assign_attrs(units="m")
    if depth is None:
        raise ValueError(
            "the porosities have no depth; give depth=, or a series with the coordinate depth"
        )
    z = np.asarray(units.as_floats(depth, "m", "depth"), dtype=float)
    held = z[np.isfinite(z)]
    if held.size and np.median(held) < 0.0:
        raise ValueError(
            f"the depths are negative ({held.max():g} to {held.min():g} m); depths below the "
            "seafloor count downwards: give them with the opposite sign"
        )
    if z.shape != values.shape:
        raise ValueError(
            f"{values.size} porosities and {z.size} depths do not make pairs; give one each"
        )
    return z


def _stress(
    stress: Any, porosity: Any, shape: tuple[int, ...], allow: tuple[str, ...]
) -> tuple[np.ndarray, dict[str, Any], np.ndarray]:
    """Stress [kPa], its effects, and where it may be used."""
    series.require_same_positions(porosity=porosity, stress=stress)
    measured = series.unpack(stress, "vertical_effective_stress")
    load = np.asarray(measured.values, dtype=float)
    if load.shape != shape:
        count = int(np.prod(shape))
        raise ValueError(
            f"{count} porosities and {load.size} stresses do not make pairs; give one each"
        )
    good = np.isfinite(load) & (load >= 0.0)
    name = "vertical_effective_stress_flag"
    if isinstance(stress, xr.Dataset) and name in stress:
        good &= flags.usable(stress[name].values, (*allow, "suspect"))
    return load, measured.effects, good


def _along(effect: Any, y: np.ndarray, use: np.ndarray | None = None) -> np.ndarray:
    """Effect at each usable porosity."""
    array = np.asarray(effect, dtype=float)
    if array.ndim and use is not None:
        array = array[use]
    return np.array(np.broadcast_to(array, y.shape))


def _check(y: np.ndarray, needed: int) -> None:
    """Refuse too few porosities, and porosities outside 0 to 1."""
    if y.size < needed:
        words = {5: "five", 4: "four"}.get(needed, str(needed))
        raise series.TooFewError(
            f"{y.size} usable porosities are too few for a fit; at least {words} are needed"
        )
    if np.any((y < 0) | (y > 1)):
        worst = float(y[np.argmax(np.abs(y - 0.5))])
        raise ValueError(
            f"a porosity of {worst:g} lies outside 0 to 1; if the values are in per cent, give "
            "their unit as '%'"
        )


def solve(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    weight: np.ndarray | float = 1.0,
    *,
    start: Mapping[str, float],
    fixed: Mapping[str, float] | None = None,
    bounded: bool = True,
    differences: bool = False,
) -> np.ndarray:
    """Parameters of a least-squares fit of any model, without errors.

    Parameters
    ----------
    model : Model
        Model to be fitted.
    x, y : ndarray, (n,)
        Abscissa [m] or [kPa], and porosity [1].
    weight : ndarray, (n,), or float
        Factors of the residuals.
    start, fixed : mapping of str to float
        Start values of all parameters, and values of parameters that are not fitted.
    bounded : bool
        Keep to the bounds of the model.
    differences : bool
        Take derivatives by differences: those of a kinked model do not follow the kink.

    Returns
    -------
    ndarray, (k,)
        Parameters; NaN where the iteration fails.

    Notes
    -----
    Levenberg-Marquardt without bounds. The parameter that passes its bound farthest is held there
    and the others are solved again, until none passes.
    """
    held = dict(fixed or {})
    while True:
        found = _free(model, x, y, weight, {**start, **held}, held, differences)
        if not bounded or not np.isfinite(found).all():
            return found
        low = np.array([p.low for p in model.parameters]) - found
        high = found - np.array([p.high for p in model.parameters])
        past = np.maximum(low, high)
        worst = int(np.argmax(past))
        if not past[worst] > 0.0:
            return found
        parameter = model.parameters[worst]
        held[parameter.name] = parameter.low if low[worst] > 0.0 else parameter.high


def solve_rows(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    weights: np.ndarray,
    *,
    start: Mapping[str, float],
    fixed: Mapping[str, float] | None = None,
    bounded: bool = True,
) -> np.ndarray:
    """Parameters of least squares for many rows of weights, (m, n) to (m, k).

    The exponential is solved for all rows at once. Rows that the batch leaves without a solution
    or outside the bounds, and all other models, are solved one by one. NaN where a row has too few
    points or no solution.
    """
    out = np.full((weights.shape[0], len(model.names)), np.nan)
    alone = np.ones(weights.shape[0], dtype=bool)
    if model.curve is MODELS["exponential"].curve and not fixed:
        porosity, length = model.parameters
        a, rate = numerics.solve_batch(x, y, weights, 1.0 / start[length.name])
        with np.errstate(divide="ignore"):
            out[:, 0], out[:, 1] = a, 1.0 / rate
        alone = ~((a >= porosity.low) & (a <= porosity.high)) if bounded else ~np.isfinite(a)
    for i in np.flatnonzero(alone):
        there = weights[i] > 0
        if int(there.sum()) < len(model.names) + 1:
            out[i] = np.nan
            continue
        out[i] = solve(
            model,
            x[there],
            y[there],
            np.sqrt(weights[i, there]),
            start=start,
            fixed=fixed,
            bounded=bounded,
        )
    return out


def _free(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    weight: np.ndarray | float,
    start: Mapping[str, float],
    held: Mapping[str, float],
    differences: bool,
) -> np.ndarray:
    """Least-squares fit without bounds of the parameters that are not held."""
    from scipy.optimize import least_squares

    values = np.array([start[name] for name in model.names])
    free = np.array([name not in held for name in model.names])
    if not free.any():
        return values

    def full(part: np.ndarray) -> np.ndarray:
        whole = values.copy()
        whole[free] = part
        return whole

    def residual(part: np.ndarray) -> np.ndarray:
        return np.asarray((model.curve(x, *full(part)) - y) * weight)

    def slopes(part: np.ndarray) -> np.ndarray:
        jacobian = model.jacobian(x, *full(part))[:, free]
        return np.asarray(jacobian * np.reshape(weight, (-1, 1)))

    derivatives = "2-point" if differences else slopes
    tight = {"xtol": 1e-12, "ftol": 1e-12, "gtol": 1e-12}
    with np.errstate(all="ignore"):
        try:
            found = least_squares(
                residual, values[free], derivatives, method="lm", x_scale="jac", **tight
            ).x
        except (ValueError, np.linalg.LinAlgError):
            return np.full(values.size, np.nan)
    return full(found)


# --------------------------------------------------------------------------------------------------
# Errors of a fit whose readings are correlated along depth.


_BLOCKS = thresholds.count("interval_blocks")
_FREEDOM = thresholds.count("interval_freedom")
_FEWEST = thresholds.value("interval_fewest")
_SHARE = thresholds.value("interval_share")


@dataclass(frozen=True)
class Spread:
    """Independence of the readings of a fit.

    Parameters
    ----------
    growth : ndarray, (k,)
        Random uncertainty of each parameter over that of independent readings; NaN where unknown.
    effective_number : float
        Number of independent readings.
    length : float
        e-folding length of the correlation of the residuals [m]; NaN where not estimated.
    degrees_of_freedom : float
        Degrees of freedom of Student's t; infinite for the normal distribution.
    factor : float
        Factor of Student's t that the uncertainties include.
    few : bool
        True where the readings are too few, or correlated too far, for a reliable interval.
    """

    growth: np.ndarray
    effective_number: float
    length: float
    degrees_of_freedom: float
    factor: float
    few: bool


def independent(found: fitting.Fit) -> Spread:
    """Spread of readings that are taken as independent: a growth of one."""
    growth = np.where(np.isfinite(np.diag(found.covariance)), 1.0, np.nan)
    freedom = np.inf if found.absolute_sigma else float(max(found.degrees_of_freedom, 1))
    return Spread(growth, float(found.points), float("nan"), freedom, 1.0, False)


def widen(
    z: np.ndarray,
    found: fitting.Fit,
    weight: np.ndarray,
    u: np.ndarray | None,
    jacobian: np.ndarray,
    free: np.ndarray,
    robust: np.ndarray | None = None,
) -> tuple[fitting.Fit, Spread]:
    """Replace the errors of a fit by those of correlated readings.

    Parameters
    ----------
    z : ndarray, (n,)
        Depths [m].
    found : Fit
        Fit with the errors of independent readings.
    weight : ndarray, (n,)
        Weights of the squares.
    u : ndarray, (n,), or None
        Random uncertainties as given.
    jacobian : ndarray, (n, k)
        Derivatives with respect to all parameters.
    free : ndarray of bool, (k,)
        Parameters that are not forced.
    robust : ndarray, (n,), optional
        Robust weights, which are a factor of ``weight``: the covariance is then scaled to that of
        the robust fit.

    Returns
    -------
    tuple of Fit and Spread
        Errors in the units of the parameters, growth [1] and length [m]; the unchanged fit where
        its errors are unknown or the depths are too few.

    Notes
    -----
    ``numerics.correlated`` (Patterson and Thompson 1971, Biometrika 58, 545; from memory). The
    covariance includes the square of the factor of Student's t, so that one standard uncertainty
    to either side of the value is an interval of 68 %.
    """
    plain = independent(found)
    alone = found.covariance[np.ix_(free, free)]
    if not np.isfinite(alone).all():
        return found, plain
    slopes = jacobian[:, free]
    result = correlated(
        z, found.residual, weight, u, slopes, most_blocks=_BLOCKS, least_freedom=_FREEDOM
    )
    if result is None:
        return found, replace(plain, few=True)
    covariance = result.covariance
    if robust is not None:
        # The covariance of a robust fit is larger than that of its weights alone, because the
        # influence of a reading falls faster than its weight (Huber 1981, section 7.6).
        inverse = np.linalg.inv((slopes * weight[:, None]).T @ slopes)
        middle = (slopes * ((weight * found.residual) ** 2)[:, None]).T @ slopes
        covariance = covariance * np.mean(np.diag(alone) / np.diag(inverse @ middle @ inverse))
    factor = student_factor(result.degrees_of_freedom)
    full = np.full_like(found.covariance, np.nan)
    full[np.ix_(free, free)] = covariance * factor**2
    with np.errstate(invalid="ignore", divide="ignore"):
        errors = dict(zip(found.errors, np.sqrt(np.diag(full)).tolist(), strict=True))
        growth = np.sqrt(np.diag(full) / np.diag(found.covariance))
    spread = Spread(
        growth,
        result.effective_number,
        result.length,
        result.degrees_of_freedom,
        factor,
        result.few(z, _FEWEST, _SHARE),
    )
    return replace(found, covariance=full, errors=errors), spread
