"""Bootstrap of a fit of compaction by moving blocks of depth."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import thresholds, vocabulary
from corephys.ground.arguments import positive
from corephys.numerics import exponential as numerics
from corephys.numerics.exponential import solve_batch
from corephys.products.compaction_data import solve
from corephys.products.compaction_fit import fit
from corephys.products.compaction_models import MODELS
from corephys.products.compaction_result import CompactionFit

__all__ = ["block_weights", "bootstrap", "default_block"]

LEVELS = (0.6827, 0.9545)
_FEWEST = thresholds.count("bootstrap_blocks")
_DRAWS = thresholds.count("bootstrap_draws")
_NARROW, _WIDE = thresholds.value("bootstrap_narrow"), thresholds.value("bootstrap_wide")
_SURE = thresholds.value("one_sided_errors")


def bootstrap(
    porosity: Any, *, replicates: int = 1000, block: Any = None, seed: int = 0,
    levels: tuple[float, ...] = LEVELS, **choices: Any,
) -> xr.Dataset:  # fmt: skip
    """Scatter of the parameters when blocks of depth are drawn again and again.

    Parameters
    ----------
    porosity : CompactionFit, or what ``compaction.fit`` takes
        A finished fit, or porosities with the keywords of ``compaction.fit`` in ``choices``.
    replicates : int
        How often.
    block : Quantity or str, optional
        Length of a block [m]; found from the spacing and from how far neighbours scatter together
        without it, see Notes.
    seed : int
        Of the random numbers.
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
    UnitError, ValueError
        As ``compaction.fit``; for a block longer than a quarter of the sampled depths, fewer than
        50 replicates, or a level that is no probability.

    Notes
    -----
    Moving blocks (Kunsch 1989, Annals of Statistics 17, 1217) of pairs of depth and porosity, laid
    around a ring of depth so that every sample is drawn equally often. Length without ``block``:
    the share n^(-2/3) of the sampled depths, or twice the distance over which the correlation of
    neighbouring residuals falls e-fold if that is longer, at most a quarter; this library's choice.
    Weights of the fit stay those of its points. The exponential goes by variable projection for
    all draws at once (``numerics.exponential_batch``); draws whose surface porosity leaves 0 to 1
    and other models are fitted one by one. What all samples share, their systematic effects, does
    not scatter: add it.
    """
    made = porosity if isinstance(porosity, CompactionFit) else fit(porosity, **choices)
    if made.choices.robust != "none":
        raise ValueError(
            f"the bootstrap draws least-squares fits; this one is robust "
            f"({made.choices.robust}): fit with robust='none'"
        )
    if replicates != int(replicates):
        raise ValueError(f"replicates is {replicates:g}; it is a whole number of draws")
    replicates = int(replicates)
    for level in levels:
        if not 0.0 < level < 1.0:
            raise ValueError(f"a level is {level:g}; a probability lies between 0 and 1")
    if replicates < _DRAWS:
        raise ValueError(f"{replicates} replicates say nothing of an interval; it needs {_DRAWS}")
    length = default_block(made) if block is None else float(positive(block, "m", "block"))
    span = float(np.ptp(made.data.depth))
    if not length <= span / _FEWEST * (1 + 1e-9):
        raise ValueError(
            f"block is {length:g} m and the samples span {span:g} m: at most a quarter of that "
            "can be one block"
        )
    weights = block_weights(made.data.depth, length, replicates, np.random.default_rng(seed))
    drawn = _fit_all(made, weights)
    return _dataset(made, drawn, length, levels, seed)


def default_block(made: CompactionFit) -> float:
    """Length of a block.

    Parameters
    ----------
    made : CompactionFit
        Its residuals say how far neighbours scatter together.

    Returns
    -------
    float
        [m].
    """
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
    """How often each sample is drawn.

    Parameters
    ----------
    depth : ndarray, (n,)
        [m].
    length : float
        Of a block [m].
    replicates : int
        Number of draws.
    rng : Generator
        Random numbers.

    Returns
    -------
    ndarray, (replicates, n)
        Counts.
    """
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
    # A block across the seam holds what lies below its start and what lies above its end.
    steps[:, 0] += past.sum(axis=1)
    weights = np.empty((replicates, z.size))
    weights[:, order] = np.cumsum(steps[:, :-1], axis=1)
    return weights


def _fit_all(made: CompactionFit, weights: np.ndarray) -> np.ndarray:
    """Parameters of every draw, (replicates, k)."""
    model, data = made.model, made.data
    x, y = data.abscissa(model), data.porosity
    inverse = np.ones(x.size) if data.sigma is None else 1.0 / _sigma(made)
    out = np.full((weights.shape[0], len(model.names)), np.nan)
    alone = np.ones(weights.shape[0], dtype=bool)
    if model.curve is MODELS["exponential"].curve and not made.forced:
        a, rate = solve_batch(x, y, weights * inverse**2, 1.0 / made.values[1])
        with np.errstate(divide="ignore"):
            out[:, 0], out[:, 1] = a, 1.0 / rate
        alone = ~((a >= 0.0) & (a <= 1.0))
    for i in np.flatnonzero(alone):
        there = weights[i] > 0
        if int(there.sum()) < len(model.names) + 1:
            out[i] = np.nan
            continue
        factor = np.sqrt(weights[i, there]) * inverse[there]
        out[i] = solve(
            model, x[there], y[there], factor, start=made.found.values, fixed=made.forced
        )
    return out


def _sigma(made: CompactionFit) -> np.ndarray:
    scatter = made.dataset.attrs["excess_scatter"]
    extra = made.data.near * scatter**2 if scatter == scatter else 0.0
    return np.asarray(np.sqrt(np.asarray(made.data.sigma) ** 2 + extra))


def _dataset(
    made: CompactionFit, drawn: np.ndarray, length: float, levels: tuple[float, ...], seed: int
) -> xr.Dataset:
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
        out[name] = ("replicate", np.where(good, drawn[:, i], np.nan),
                     {**unit, "long_name": f"{entry.long_name}, drawn"})  # fmt: skip
        for side, share in (("lower", tails), ("upper", 1.0 - tails)):
            ends = np.quantile(values, share) if values.size else np.full(len(levels), np.nan)
            text = f"{side} percentile of {entry.long_name}"
            out[f"{name}_{side}"] = ("level", ends, {**unit, "long_name": text})
        deviation = float(values.std(ddof=1)) if values.size > 1 else float("nan")
        out[f"{name}_deviation"] = (
            (), deviation, {**unit, "long_name": f"standard deviation of {entry.long_name}, drawn"}
        )  # fmt: skip
        u = made.found.errors[name]
        ratio = float(out[f"{name}_upper"][0] - out[f"{name}_lower"][0]) / (2.0 * u)
        if not _NARROW < ratio < _WIDE:
            size = f"{ratio:.1f} times as wide as" if ratio == ratio else "in place of"
            words.append(f"{entry.long_name}: drawn interval {size} the error of the fit")
    failed = int((~good).sum())
    if failed:
        words.append(f"{failed} of {drawn.shape[0]} draws could not be fitted")
    out.attrs = {
        "model": made.model.name, "block": f"{length:.6g} m", "seed": seed, "failed": failed,
        "verdict": "; ".join(words) or "the drawn intervals agree with the errors of the fit",
    }  # fmt: skip
    return out
