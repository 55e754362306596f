"""Certainty of the parameters of a fit: likelihood profiles, and a bootstrap of blocks of depth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import thresholds, vocabulary
from corephys.ground.arguments import positive
from corephys.numerics import exponential as numerics
from corephys.products.compaction.data import solve, solve_rows
from corephys.products.compaction.fits import fit
from corephys.products.compaction.results import CompactionFit

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = ["bootstrap", "likelihood_profile"]

# --------------------------------------------------------------------------------------------------
# Profile-likelihood intervals of the parameters, compared with those of the covariance.


LEVELS = (0.6827, 0.9545)
_APART = thresholds.value("profile_apart")


def likelihood_profile(
    porosity: CompactionFit | Measurement, *, levels: tuple[float, ...] = LEVELS, **choices: Any
) -> xr.Dataset:
    """Likelihood-profile interval of each parameter of a fit.

    Parameters
    ----------
    porosity : CompactionFit, Dataset, DataArray or Quantity
        Finished fit, or porosities with the keywords of ``compaction.fit`` in ``choices``.
    levels : tuple of float
        Probabilities of the intervals, between 0 and 1.
    **choices
        Keywords of ``compaction.fit``; none with a finished fit.

    Returns
    -------
    Dataset
        For each free parameter along ``level``: ``<name>_lower`` and ``<name>_upper``, infinite
        or the bound of the model where the interval is open; ``<name>_open`` (0 closed, 1 below,
        2 above, 3 both); and the symmetric interval of the covariance. The attribute ``verdict``
        lists open ends and parameters whose covariance is unreliable.

    Raises
    ------
    ValueError
        As for ``compaction.fit``; for a robust fit, whose misfit is not a likelihood; for levels
        outside 0 to 1.

    Notes
    -----
    Each parameter is held at a value and the others are fitted again; the ends are where
    chi-square has risen by the square of the quantile of Student's t that the fit uses (of the
    normal distribution for independent readings with absolute uncertainties): Venzon and Moolgavkar
    (1988), Applied Statistics 37, 87. Where residuals of neighbours are correlated, the rise is
    multiplied by the same factor as the variance of the parameter. The covariance is unreliable
    where one side of the interval at the first level differs from its symmetric side by more than a
    fifth, this library's choice.
    """
    made = porosity if isinstance(porosity, CompactionFit) else fit(porosity, **choices)
    if made.choices.robust != "none":
        raise ValueError(
            f"a profile needs a likelihood, which a robust fit ({made.choices.robust}) does not "
            "have; fit with robust='none'"
        )
    if not levels or not all(0.0 < level < 1.0 for level in levels):
        raise ValueError(f"levels is {levels}; each level has to lie between 0 and 1")
    out = xr.Dataset(
        coords={
            "level": ("level", np.array(levels), {"units": "1", "long_name": "level of confidence"})
        }
    )
    words: list[str] = []
    for name in made.model.names:
        if name in made.forced:
            words.append(f"{_words(name)} was forced: no interval")
            continue
        rises = np.array([_rise(made, name, level) for level in levels])
        ends = np.array([[_end(made, name, rise, side) for side in (-1, 1)] for rise in rises])
        words += _write(out, made, name, ends, np.array(levels))
    words = words or ["every interval is closed and near that of the covariance: either will do"]
    out.attrs = {"model": made.model.name, "verdict": "; ".join(words)}
    return out


def profiles(made: CompactionFit, name: str, values: np.ndarray) -> np.ndarray:
    """Rise of chi-square with one parameter held at values in its unit; 1 is one standard error."""
    return np.array([_excess(made, name, float(v), {})[0] for v in values]) / _scale(made, name)


def _scale(made: CompactionFit, name: str) -> float:
    """Rise of the unscaled chi-square that corresponds to one standard error of a parameter."""
    unit = 1.0 if made.choices.absolute_sigma else made.found.reduced_chi_square
    return unit * _growth(made, name) ** 2


def _growth(made: CompactionFit, name: str) -> float:
    """Factor by which correlated neighbours widened the error of a parameter."""
    if made.spread is None:
        return 1.0
    growth = float(made.spread.growth[made.model.names.index(name)])
    return growth if np.isfinite(growth) else 1.0


def _quantile(made: CompactionFit, level: np.ndarray | float) -> np.ndarray:
    """Half width of the interval of a level, in standard errors."""
    from scipy.special import stdtrit

    freedom = np.inf if made.spread is None else made.spread.degrees_of_freedom
    factor = 1.0 if made.spread is None else made.spread.factor
    return np.asarray(stdtrit(freedom, 0.5 + np.asarray(level) / 2) / factor)


def _weight(made: CompactionFit) -> np.ndarray:
    """Factors of the residuals, with the natural scatter in the variances."""
    data = made.data
    if data.sigma is None:
        return np.ones(data.porosity.size)
    scatter = made.dataset.attrs["excess_scatter"]
    extra = data.near * scatter**2 if scatter == scatter else 0.0
    return np.asarray(1.0 / np.sqrt(data.sigma**2 + extra))


def _rise(made: CompactionFit, name: str, level: float) -> float:
    """Rise of chi-square at the ends of the interval of a level."""
    return float(_quantile(made, level) ** 2 * _scale(made, name))


def _excess(
    made: CompactionFit, name: str, value: float, start: dict[str, float]
) -> tuple[float, dict[str, float]]:
    """Rise of chi-square with one parameter held, and the other parameters there."""
    model, data = made.model, made.data
    x, weight = data.abscissa(model), _weight(made)
    held = {**made.forced, name: value}
    first = {**made.found.values, **start}
    p = solve(model, x, data.porosity, weight, start=first, fixed=held)
    with np.errstate(all="ignore"):
        chi_square = float(np.sum(((data.porosity - model.curve(x, *p)) * weight) ** 2))
    least = float(np.sum((made.found.residual * weight) ** 2))
    there = dict(zip(model.names, p.tolist(), strict=True)) if np.isfinite(p).all() else {}
    return (chi_square - least if np.isfinite(chi_square) else np.inf), there


def _end(made: CompactionFit, name: str, rise: float, side: int) -> float:
    """Value at which the rise is reached; a bound or infinity where it is not reached."""
    best, parameter = made.found.values[name], made.model.parameters[made.model.names.index(name)]
    limit = parameter.low if side < 0 else parameter.high
    u = made.found.errors[name]
    width = parameter.high - parameter.low
    step = u if u > 0 else 0.05 * (width if np.isfinite(width) else abs(best) or 1.0)
    inner = best
    start: dict[str, float] = {}
    for _ in range(60):
        outer = best + side * step
        if side * (outer - limit) >= 0:
            outer = limit
        if name.startswith("decay_") and best > 0 and outer <= 0:
            outer = 0.5 * inner  # a length of zero has no curve: halve it and never pass zero
        above, there = _lowest(made, name, outer, (start,))
        if above >= rise:
            found = _crossing(made, name, rise, (inner, outer), (there, start))
            if found is not None:
                return found
            _, there = _lowest(made, name, outer, ({}, there, start))  # a lower misfit: go on
        start = there
        if outer == limit:
            return float(limit)
        if name.startswith("decay_") and abs(outer) > 1e4 * float(
            np.ptp(made.data.abscissa(made.model))
        ):
            break
        inner, step = outer, 1.6 * step
    return float(side * np.inf)


def _crossing(
    made: CompactionFit,
    name: str,
    rise: float,
    ends: tuple[float, float],
    starts: tuple[dict[str, float], dict[str, float]],
) -> float | None:
    """Value between two ends at which the rise is reached; None where it is not reached.

    ``starts`` are the other parameters at the outer end and at the inner one. Where a search from
    the outer end misses the lower misfit at the inner end, those from the fit and from both ends
    are compared.
    """
    from scipy.optimize import brentq

    for tried in (starts[:1], ({}, *starts)):

        def above(value: float, tried: tuple[dict[str, float], ...] = tried) -> float:
            return _lowest(made, name, value, tried)[0] - rise

        if above(ends[0]) < 0.0 <= above(ends[1]):
            step = 1e-6 * abs(ends[1] - ends[0]) + 1e-12
            return float(brentq(above, *ends, xtol=step))
    return None


def _lowest(
    made: CompactionFit, name: str, value: float, starts: tuple[dict[str, float], ...]
) -> tuple[float, dict[str, float]]:
    """Lowest rise of chi-square of searches from several starts, and the parameters there.

    A model with a kink has several minima; for it a scan finds one more start.
    """
    if made.model.kinked:
        starts = (*starts, _scan(made, name, value))
    return min((_excess(made, name, value, one) for one in starts), key=lambda pair: pair[0])


def _scan(made: CompactionFit, name: str, value: float) -> dict[str, float]:
    """Parameters of a model of two with the least misfit, the free one within twelve errors."""
    free = next(other for other in made.model.names if other != name)
    x, weight = made.data.abscissa(made.model), _weight(made)
    best, u = made.found.values[free], made.found.errors[free]
    steps = np.linspace(-12.0, 12.0, 241) * (u if u > 0 else abs(best))
    tried = [{**made.found.values, name: value, free: best + float(step)} for step in steps]
    misfits = [
        np.sum(((made.data.porosity - made.model.curve(x, *one.values())) * weight) ** 2)
        for one in tried
    ]
    return tried[int(np.argmin(misfits))]


def _write(
    out: xr.Dataset, made: CompactionFit, name: str, ends: np.ndarray, levels: np.ndarray
) -> list[str]:
    """Write the intervals of a parameter into the Dataset; return their warnings."""
    entry, parameter = vocabulary.term(name), made.model.parameters[made.model.names.index(name)]
    best, u = made.found.values[name], made.found.errors[name]
    quantile = _quantile(made, levels)
    is_open = np.array(
        [
            [not np.isfinite(a) or a == parameter.low, not np.isfinite(b) or b == parameter.high]
            for a, b in ends
        ]
    )
    unit = {"units": entry.unit}
    out[name] = ((), best, {**unit, "long_name": entry.long_name})
    for i, side in enumerate(("lower", "upper")):
        words = f"{side} end of the profile of {entry.long_name}"
        out[f"{name}_{side}"] = ("level", ends[:, i], {**unit, "long_name": words})
        words = f"{side} end of {entry.long_name} by its covariance"
        sign = 1.0 if i else -1.0
        out[f"{name}_{side}_symmetric"] = (
            "level",
            best + sign * quantile * u,
            {**unit, "long_name": words},
        )
    out[f"{name}_open"] = (
        "level",
        is_open @ np.array([1, 2]),
        {
            "units": "1",
            "long_name": f"open ends of the interval of {entry.long_name}: 1 below, 2 above",
        },
    )
    return _warnings(name, best, quantile * u, ends, is_open, levels)


def _warnings(
    name: str,
    best: float,
    arm: np.ndarray,
    ends: np.ndarray,
    is_open: np.ndarray,
    levels: np.ndarray,
) -> list[str]:
    """Warnings of open ends, and of intervals unlike those of the covariance."""
    words = []
    for level, pair, (below, above) in zip(levels, ends, is_open, strict=True):
        sides = [
            f"{side} at {end:g}" if np.isfinite(end) else side
            for side, end, at in (("below", pair[0], below), ("above", pair[1], above))
            if at
        ]
        if sides:
            words.append(f"{_words(name)} at {100 * level:.2f} %: open {' and '.join(sides)}")
    if not arm[0] > 0:
        words.append(f"{_words(name)}: the covariance is unknown, take the profile")
    elif not is_open[0].any():
        arms = np.abs(ends[0] - best)
        if np.any(np.abs(arms / arm[0] - 1.0) > _APART):
            words.append(
                f"{_words(name)}: -{arms[0]:.3g} +{arms[1]:.3g} by the profile against "
                f"±{arm[0]:.3g} by the covariance: take the profile"
            )
    else:
        words.append(f"{_words(name)}: a symmetric error has no open end, take the profile")
    return words


def _words(name: str) -> str:
    """Description of a parameter, without the words that name the fit."""
    return vocabulary.term(name).long_name.removesuffix(" of the fit").removesuffix(", of the fit")


# --------------------------------------------------------------------------------------------------
# Bootstrap by moving blocks of depth.


_FEWEST = thresholds.count("bootstrap_blocks")
_DRAWS = thresholds.count("bootstrap_draws")
_NARROW, _WIDE = thresholds.value("bootstrap_narrow"), thresholds.value("bootstrap_wide")
_SURE = thresholds.value("one_sided_errors")


def bootstrap(
    porosity: CompactionFit | Measurement,
    *,
    replicates: int = 1000,
    block: Scalar | None = None,
    seed: int = 0,
    levels: tuple[float, ...] = LEVELS,
    **choices: Any,
) -> xr.Dataset:
    """Scatter of the parameters over fits of randomly drawn blocks of depth.

    Parameters
    ----------
    porosity : CompactionFit, Dataset, DataArray or Quantity
        Finished fit, or porosities with the keywords of ``compaction.fit`` in ``choices``.
    replicates : int
        Number of draws.
    block : Quantity or str, optional
        Length of a block [m]; where not given, it follows from the spacing of the samples and the
        correlation of their residuals, see Notes.
    seed : int
        Seed of the random numbers.
    levels : tuple of float
        Probabilities of the intervals.
    **choices
        Keywords of ``compaction.fit``; none with a finished fit.

    Returns
    -------
    Dataset
        Each free parameter along ``replicate`` (NaN where a draw could not be fitted),
        ``<name>_lower`` and ``<name>_upper`` along ``level`` (percentiles), ``<name>_deviation``
        the standard deviation; block length, failed draws and a verdict as attributes.

    Raises
    ------
    ValueError
        As for ``compaction.fit``; for a block longer than a quarter of the sampled depths, fewer
        than 50 replicates, or a level outside 0 to 1.

    Notes
    -----
    Moving blocks (Kunsch 1989, Annals of Statistics 17, 1217) of pairs of depth and porosity, laid
    around a ring of depth so that every sample is drawn equally often. Without ``block`` the length
    is the share n^(-2/3) of the sampled depths, or twice the distance over which the correlation of
    neighbouring residuals falls e-fold if that is longer, at most a quarter; this library's choice.
    The points keep their weights of the fit. The exponential is solved by variable projection for
    all draws at once (``numerics.exponential.solve_batch``); draws whose surface porosity leaves 0
    to 1 and other models are fitted one by one. Systematic effects are common to all samples and
    do not scatter; they have to be added.
    """
    made = porosity if isinstance(porosity, CompactionFit) else fit(porosity, **choices)
    if made.choices.robust != "none":
        raise ValueError(
            f"the bootstrap needs a least-squares fit; this fit is robust "
            f"({made.choices.robust}): fit with robust='none'"
        )
    if replicates != int(replicates):
        raise ValueError(f"replicates is {replicates:g}; it has to be an integer")
    replicates = int(replicates)
    for level in levels:
        if not 0.0 < level < 1.0:
            raise ValueError(f"levels holds {level:g}; each level has to lie between 0 and 1")
    if replicates < _DRAWS:
        raise ValueError(f"replicates is {replicates}; an interval needs at least {_DRAWS}")
    length = default_block(made) if block is None else float(positive(block, "m", "block"))
    span = float(np.ptp(made.data.depth))
    if not length <= span / _FEWEST * (1 + 1e-9):
        raise ValueError(
            f"block is {length:g} m and the samples span {span:g} m; a block can be "
            "at most a quarter of that"
        )
    weights = block_weights(made.data.depth, length, replicates, np.random.default_rng(seed))
    drawn = _fit_all(made, weights)
    return _dataset(made, drawn, length, levels, seed)


def default_block(made: CompactionFit) -> float:
    """Length of a block [m] from the spacing and the correlation of neighbouring residuals."""
    z = np.sort(made.data.depth)
    span = float(np.ptp(z))
    residual = made.found.residual[np.argsort(made.data.depth, kind="stable")]
    r = numerics.lag_correlation(residual)
    reach = 0.0
    if r > _SURE / np.sqrt(z.size):
        reach = -2.0 * span / (z.size - 1) / np.log(min(r, 0.99))
    return float(min(max(span * z.size ** (-2.0 / 3.0), reach), span / _FEWEST))


def block_weights(
    depth: np.ndarray, length: float, replicates: int, rng: np.random.Generator
) -> np.ndarray:
    """Counts (replicates, n) of how often each sample is drawn in blocks of a length [m]."""
    order = np.argsort(depth, kind="stable")
    z = depth[order]
    # The ring closes with one mean spacing between the deepest sample and the first.
    ring = float(np.ptp(z)) * z.size / max(z.size - 1, 1)
    count = max(int(np.ceil(ring / length)), 1)
    start = z[0] + ring * rng.random((replicates, count))
    first = np.searchsorted(z, start)
    end = start + length
    past = end >= z[0] + ring
    last = np.searchsorted(z, np.where(past, end - ring, end))
    steps = np.zeros((replicates, z.size + 1))
    rows = np.repeat(np.arange(replicates), count) * (z.size + 1)
    flat = steps.ravel()
    size = flat.size
    flat += np.bincount(rows + first.ravel(), minlength=size)
    flat -= np.bincount(rows + last.ravel(), minlength=size)
    # A block across the seam of the ring covers the depths below its start and above its end.
    steps[:, 0] += past.sum(axis=1)
    weights = np.empty((replicates, z.size))
    weights[:, order] = np.cumsum(steps[:, :-1], axis=1)
    return weights


def _fit_all(made: CompactionFit, weights: np.ndarray) -> np.ndarray:
    """Parameters of each draw, (replicates, k)."""
    model, data = made.model, made.data
    x, y = data.abscissa(model), data.porosity
    inverse = np.ones(x.size) if data.sigma is None else 1.0 / _sigma(made)
    return solve_rows(model, x, y, weights * inverse**2, start=made.found.values, fixed=made.forced)


def _sigma(made: CompactionFit) -> np.ndarray:
    """Random uncertainties with the natural scatter."""
    scatter = made.dataset.attrs["excess_scatter"]
    extra = made.data.near * scatter**2 if scatter == scatter else 0.0
    return np.asarray(np.sqrt(np.asarray(made.data.sigma) ** 2 + extra))


def _dataset(
    made: CompactionFit, drawn: np.ndarray, length: float, levels: tuple[float, ...], seed: int
) -> xr.Dataset:
    """Draws, their percentiles and deviations, compared with the errors of the fit."""
    number = np.arange(drawn.shape[0])
    out = xr.Dataset(
        coords={
            "replicate": ("replicate", number, {"units": "1", "long_name": "number of the draw"}),
            "level": ("level", np.array(levels), {"units": "1", "long_name": "probability"}),
        }
    )
    good = np.isfinite(drawn).all(axis=1)
    tails = np.array([(1.0 - level) / 2.0 for level in levels])
    words = []
    for i, name in enumerate(made.model.names):
        if name in made.forced:
            continue
        entry, values = vocabulary.term(name), drawn[good, i]
        unit = {"units": entry.unit}
        out[name] = (
            "replicate",
            np.where(good, drawn[:, i], np.nan),
            {**unit, "long_name": f"{entry.long_name}, drawn"},
        )
        for side, share in (("lower", tails), ("upper", 1.0 - tails)):
            ends = np.quantile(values, share) if values.size else np.full(len(levels), np.nan)
            text = f"{side} percentile of {entry.long_name}"
            out[f"{name}_{side}"] = ("level", ends, {**unit, "long_name": text})
        deviation = float(values.std(ddof=1)) if values.size > 1 else float("nan")
        out[f"{name}_deviation"] = (
            (),
            deviation,
            {**unit, "long_name": f"standard deviation of {entry.long_name}, drawn"},
        )
        u = made.found.errors[name]
        ratio = float(out[f"{name}_upper"][0] - out[f"{name}_lower"][0]) / (2.0 * u)
        if not _NARROW < ratio < _WIDE:
            size = f"{ratio:.1f} times as wide as" if ratio == ratio else "in place of"
            words.append(f"{entry.long_name}: drawn interval {size} the error of the fit")
    failed = int((~good).sum())
    if failed:
        words.append(f"{failed} of {drawn.shape[0]} draws could not be fitted")
    out.attrs = {
        "model": made.model.name,
        "block": f"{length:.6g} m",
        "seed": seed,
        "failed": failed,
        "verdict": "; ".join(words) or "the drawn intervals agree with the errors of the fit",
    }
    return out
