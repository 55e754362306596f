"""What a fit of compaction works on: usable pairs, weights, a quick solver, and errors that
neighbours share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import fitting, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.constants import get
from corephys.numerics import exponential as numerics
from corephys.numerics.correlated import correlated, student_factor
from corephys.products.compaction.models import MODELS, Model

__all__ = [
    "KINDS",
    "Choices",
    "Data",
    "Spread",
    "fit",
    "gather",
    "independent",
    "solve",
    "solve_rows",
    "widen",
]

# --------------------------------------------------------------------------------------------------
# Robust fits of compaction: residuals that stand off count for less.


KINDS = ("none", "huber", "tukey")


def _huber(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    """Weight of a standardised residual, and the slope of its influence."""
    size = np.maximum(np.abs(u), 1e-300)
    return np.minimum(1.0, k / size), (size <= k).astype(float)


def _tukey(u: np.ndarray, k: float) -> tuple[np.ndarray, np.ndarray]:
    t = (u / k) ** 2
    inside = t < 1.0
    return np.where(inside, (1.0 - t) ** 2, 0.0), np.where(inside, (1 - t) * (1 - 5 * t), 0.0)


_WEIGHTS: dict[str, Callable[[np.ndarray, float], tuple[np.ndarray, np.ndarray]]] = {
    "huber": _huber,
    "tukey": _tukey,
}


def fit(
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
        What is fitted.
    x : ndarray, (n,)
        Its abscissa.
    data : Data
        Porosities and their uncertainties.
    kind : {"huber", "tukey"}
        Weight function.
    start, forced : dict of str to float
        First values, and parameters that stay.

    Returns
    -------
    tuple of Fit and ndarray, (n,)
        The fit, and the weights of the squares between zero and one.

    Notes
    -----
    Scale: 1.4826 times the median absolute residual, at each step; with stated uncertainties never
    below one of them. Tukey's weights start from Huber's solution, as their misfit has several
    lows. Covariance: s^2 [sum psi^2 / (n - k)] / mean(psi')^2 (J' J)^-1, Huber (1981), Robust
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
# What a fit of compaction works on: usable pairs, their weights, and a quick solver.


@dataclass(frozen=True)
class Choices:
    """How data are fitted.

    Parameters
    ----------
    absolute_sigma, excess_scatter : bool
        As for ``compaction.fit``.
    robust : str
        As for ``compaction.fit``.
    scatter : float, optional
        Natural scatter that is taken as known [1]; found from the data without it.
    """

    absolute_sigma: bool
    excess_scatter: bool = True
    robust: str = "none"
    scatter: float | None = None


@dataclass(frozen=True)
class Data:
    """Usable porosities with what they depend on.

    Parameters
    ----------
    depth : ndarray, (n,)
        Below seafloor [m].
    stress : ndarray, (n,), or None
        Vertical effective stress [kPa].
    porosity : ndarray, (n,)
        [1].
    sigma : ndarray, (n,), or None
        Random standard uncertainty; None for equal weights.
    near : ndarray, (n,)
        Number of samples in the bed of each.
    effects, stress_effects : dict of str to ndarray, (n,)
        Systematic effects on porosity [1] and on stress [kPa] by source.
    left_out : int
        Readings that are not used.
    bed_thickness : Quantity or str, optional
        As it was given.
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

    def abscissa(self, model: Model) -> np.ndarray:
        """What a model depends on.

        Parameters
        ----------
        model : Model
            Of depth or of stress.

        Returns
        -------
        ndarray, (n,)
            [m] or [kPa].

        Raises
        ------
        ValueError
            When the model needs a stress and there is none.
        """
        if model.abscissa == "depth":
            return self.depth
        if self.stress is None:
            raise ValueError(
                f"the model {model.name!r} needs the vertical effective stress at the porosities: "
                "give stress="
            )
        return self.stress

    def only(self, chosen: np.ndarray) -> Data:
        """A part of the data.

        Parameters
        ----------
        chosen : ndarray of bool or int
            Which of the usable porosities.

        Returns
        -------
        Data
            With their uncertainties; what is not chosen is not counted as left out.
        """
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
    porosity: Any,
    depth: Any,
    stress: Any,
    models: tuple[Model, ...],
    absolute_sigma: bool,
    bed_thickness: Any,
    allow: tuple[str, ...],
) -> tuple[Data, np.ndarray]:
    """Take the arguments of a fit through the door.

    Parameters
    ----------
    porosity, depth, stress, absolute_sigma, bed_thickness, allow
        As for ``compaction.fit``.
    models : tuple of Model
        What is to be fitted: a pair is used where all of them are defined.

    Returns
    -------
    tuple of Data and ndarray of bool, (reading)
        The usable pairs, and which readings they are.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        Where depth or a stress that is needed is missing, sizes differ, a porosity is impossible,
        too few pairs are left, or all lie at one depth or stress.
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
    _check(y, max(5, 1 + max(len(model.parameters) for model in models)))
    reach = float(positive(bed_thickness, "m", "bed_thickness", zero=True))
    data = Data(
        z[use],
        None if load is None else load[use],
        y,
        np.asarray(picked.u_random, dtype=float) if absolute_sigma else None,
        numerics.neighbours(z[use], reach),
        {source: _along(effect, y) for source, effect in picked.effects.items()},
        {source: _along(effect, y, use) for source, effect in shifts.items()},
        int((~use).sum()),
        bed_thickness,
    )
    for model in models:
        _check_range(data.abscissa(model), model)
    return data, use


def _check_range(x: np.ndarray, model: Model) -> None:
    """Refuse porosities that all lie at one place: no curve is told by them."""
    if not np.ptp(x) > 1e-9 * np.max(np.abs(x)):
        what, unit = ("depth", "m") if model.abscissa == "depth" else ("effective stress", "kPa")
        raise ValueError(
            f"all {x.size} usable porosities lie at one {what}, {x[0]:g} {unit}; the model "
            f"{model.name!r} needs a range of it"
        )


def _depth(porosity: Any, depth: Any, values: np.ndarray) -> np.ndarray:
    if depth is None:
        depth = getattr(porosity, "coords", {}).get("depth")
        if depth is not None and "units" not in depth.attrs:  # the coordinate of a series is in m
            depth = depth.assign_attrs(units="m")
    if depth is None:
        raise ValueError("the fit needs a depth: give depth= or a series with that coordinate")
    z = np.asarray(units.as_floats(depth, "m", "depth"), dtype=float)
    if z.shape != values.shape:
        raise ValueError(f"{values.size} porosities and {z.size} depths do not make pairs")
    return z


def _stress(
    stress: Any, porosity: Any, shape: tuple[int, ...], allow: tuple[str, ...]
) -> tuple[np.ndarray, dict[str, Any], np.ndarray]:
    """Stress, its effects, and where it may be used."""
    series.require_same_positions(porosity=porosity, stress=stress)
    measured = series.unpack(stress, "vertical_effective_stress")
    load = np.asarray(measured.values, dtype=float)
    if load.shape != shape:
        count = int(np.prod(shape))
        raise ValueError(f"{count} porosities and {load.size} stresses do not make pairs")
    good = np.isfinite(load) & (load >= 0.0)
    name = "vertical_effective_stress_flag"
    if isinstance(stress, xr.Dataset) and name in stress:
        good &= flags.usable(stress[name].values, (*allow, "suspect"))
    return load, measured.effects, good


def _along(effect: Any, y: np.ndarray, use: np.ndarray | None = None) -> np.ndarray:
    array = np.asarray(effect, dtype=float)
    if array.ndim and use is not None:
        array = array[use]
    return np.array(np.broadcast_to(array, y.shape))


def _check(y: np.ndarray, needed: int) -> None:
    if y.size < needed:
        words = {5: "five", 4: "four"}.get(needed, str(needed))
        raise series.TooFewError(
            f"{y.size} usable porosities are too few for a fit; it needs {words}"
        )
    if np.any((y < 0) | (y > 1)):
        worst = float(y[np.argmax(np.abs(y - 0.5))])
        raise ValueError(
            f"a porosity of {worst:g} lies outside 0 to 1; are the values in per cent? Give their "
            "unit as '%'"
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
    """Parameters of least squares, without errors.

    Parameters
    ----------
    model : Model
        What is fitted.
    x, y : ndarray, (n,)
        Data.
    weight : ndarray, (n,), or float
        Factors of the residuals.
    start, fixed : mapping of str to float
        First values of all parameters, and values that stay.
    bounded : bool
        Keep to the bounds of the model.
    differences : bool
        Derivatives by differences in place of the model's, which pass over a kink.

    Returns
    -------
    ndarray, (k,)
        NaN where the iteration fails.
    """
    held = dict(fixed or {})
    while True:
        found = _free(model, x, y, weight, {**start, **held}, held, differences)
        if not bounded or not np.isfinite(found).all():
            return found
        # The bound that is passed farthest becomes a value that stays, and the rest is solved anew.
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
    """Least squares without bounds in the parameters that are not held."""
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
# Errors of a fit of compaction that admit what neighbours in depth know of each other.


_BLOCKS = thresholds.count("interval_blocks")
_FREEDOM = thresholds.count("interval_freedom")
_FEWEST = thresholds.value("interval_fewest")
_SHARE = thresholds.value("interval_share")


@dataclass(frozen=True)
class Spread:
    """How far the readings of a fit are independent.

    Parameters
    ----------
    growth : ndarray, (k,)
        Random uncertainty of each parameter over that of independent readings; NaN where it is not
        known.
    effective_number : float
        Number of independent readings.
    length : float
        e-folding length of the correlation of the residuals [m]; NaN where it was not looked for.
    degrees_of_freedom : float
        Of Student's t, whose factor the uncertainties hold; infinite for the normal distribution.
    factor : float
        That factor.
    few : bool
        The readings are too few, or correlated too far, for an interval that can be trusted.
    """

    growth: np.ndarray
    effective_number: float
    length: float
    degrees_of_freedom: float
    factor: float
    few: bool


def independent(found: fitting.Fit) -> Spread:
    """Readings that are taken as independent.

    Parameters
    ----------
    found : Fit
        With the errors of independent readings, in the units of its parameters.

    Returns
    -------
    Spread
        Growth of one [1].
    """
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
        With the errors of independent readings.
    weight : ndarray, (n,)
        Weights of the squares.
    u : ndarray, (n,), or None
        Stated random uncertainties.
    jacobian : ndarray, (n, k)
        Derivatives by all parameters.
    free : ndarray of bool, (k,)
        Parameters that are not forced.
    robust : ndarray, (n,), optional
        Robust weights, which are a factor of ``weight``: the covariance is then scaled to that of
        the robust fit.

    Returns
    -------
    tuple of Fit and Spread
        Errors in the units of the parameters, growth [1] and length [m]; the fit as it was given
        where its errors are unknown or the depths are too few.

    Notes
    -----
    ``numerics.correlated`` (Patterson and Thompson 1971, Biometrika 58, 545; from memory). The
    covariance holds the square of the factor of Student's t, so that value and standard uncertainty
    make an interval of 68 %.
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
        # The influence of a reading falls faster than its weight (Huber 1981, section 7.6).
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
