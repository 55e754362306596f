"""Tie of the scan's density to the samples: an explicit factor for each coring method."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.ground.cards import SEALED_SOURCE
from corephys.ground.constants import get
from corephys.numerics.correlated import correlated, student_factor
from corephys.uncertainty import Measured, without_coords

__all__ = ["tie_factor", "tied_density"]

_FEW = thresholds.count("tie_pairs")
_BLOCKS = thresholds.count("interval_blocks")
_FREEDOM = thresholds.count("interval_freedom")
_FEWEST = thresholds.value("interval_fewest")
_SHARE = thresholds.value("interval_share")


def tie_factor(
    scan: xr.Dataset,
    samples: xr.Dataset,
    *,
    coring_method: Sequence[str] | np.ndarray,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Factor from scan density to sample density, by coring method.

    Parameters
    ----------
    scan : Dataset, (reading)
        ``bulk_density`` of the scan at the positions of the samples, from
        ``depth.match(density, to=samples, how="mean_over_footprint")``.
    samples : Dataset, (reading)
        ``bulk_density`` of the samples at the same positions.
    coring_method : sequence of str, (reading)
        Coring method of each sample; empty texts form a group as well.
    allow : tuple of str
        Flag levels that may be used.

    Returns
    -------
    Dataset
        Along ``coring_method``: ``tie_factor`` with uncertainty and effects, ``pairs`` used,
        ``pairs_weighed_down`` by more than half, ``excess_scatter`` [g/cm^3] beyond the given
        uncertainties (NaN where one of them is unknown), ``effective_number`` of the pairs,
        ``correlation_length`` [m] of their differences, and ``growth_factor``, the random
        uncertainty over that of independent pairs. The factor of a method with fewer than three
        pairs is NaN.

    Raises
    ------
    PositionError
        When scan and samples lie at different positions.
    ValueError
        When the number of methods differs from the number of samples.

    Notes
    -----
    samples = f scan with errors in both axes: f is the straight line of York (1969), Earth and
    Planetary Science Letters 5, 320, through the origin, with weights w / (u_y^2 + f^2 u_x^2 +
    s^2). s^2, the natural difference of the two, brings the median absolute standardised residual,
    over its value for normal errors, down to one where it is above. w are Tukey's weights at 85 %
    efficiency: samples that lost water or were squeezed deviate to one side, and far from the
    others their weight is zero. The differences of neighbours are correlated. The random
    uncertainty comes from at most fifteen block means of the differences, an exponential covariance
    of restricted maximum likelihood, and Student's t with the effective number of pairs, as in
    ``compaction.fit``; where a given uncertainty is unknown, from the scatter alone. Fewer than
    five effective pairs, or a correlation over more than a fifth of the depths, give the reason
    ``few_independent_readings``. Systematic effects move f to first order:
    df = (sum w (dy - f dx)) / sum w x.
    """
    series.require_same_positions(scan=scan, samples=samples)
    x, y = series.unpack(scan, "bulk_density"), series.unpack(samples, "bulk_density")
    methods = np.asarray(coring_method, dtype=object).astype(str)
    xv, yv = (np.asarray(without_coords(part.values), dtype=float) for part in (x, y))
    if methods.shape != xv.shape:
        raise ValueError(
            f"{methods.size} coring methods for {xv.size} samples; give one for each sample"
        )
    usable = np.isfinite(xv) & np.isfinite(yv) & (xv > 0.0) & (yv > 0.0)
    for part in (x, y):
        usable &= flags.usable(flags.from_reason(np.asarray(part.reason)), allow)
    names = sorted(set(methods))
    depth = _depths(x, xv.size)
    rows = [_one(x, y, depth, usable & (methods == name)) for name in names]
    sources = sorted({*x.effects, *y.effects})
    factor = Measured(
        xr.DataArray([row["factor"] for row in rows], dims="coring_method"),
        np.array([row["u"] for row in rows]),
        {s: np.array([row["effects"].get(s, np.nan) for row in rows]) for s in sources},
        np.array([flags.bit("few_independent_readings") if row["few"] else 0 for row in rows]),
    )
    result = series.build({"tie_factor": factor}, steps=_STEPS, safety=SEALED_SOURCE)
    words = {"long_name": "coring method"}
    result = result.assign_coords(coring_method=("coring_method", names, words))
    for name, (unit, text) in _BESIDE.items():
        attributes = {"units": unit, "long_name": text}
        result[name] = ("coring_method", [row[name] for row in rows], attributes)
    return result


_STEPS = (
    "sample density = f times scan density, errors in both axes (York 1969), robust weights "
    "(Tukey), by coring method",
)
_BESIDE = {
    "pairs": ("1", "pairs used"),
    "pairs_weighed_down": ("1", "pairs that count by less than half"),
    "excess_scatter": ("g/cm^3", "scatter beyond the given uncertainties"),
    "effective_number": ("1", "number of independent pairs"),
    "correlation_length": ("m", "e-folding length of correlated differences"),
    "growth_factor": ("1", "random uncertainty over that of independent pairs"),
}


def _depths(scan: Measured, size: int) -> np.ndarray:
    """Depths of the pairs [m]; their order of rows where one depth is unknown."""
    depth = getattr(scan.values, "coords", {}).get("depth")
    if depth is None or not np.isfinite(depth.values).all():
        return np.arange(size, dtype=float)
    return np.asarray(depth.values, dtype=float)


def _one(x: Measured, y: Measured, depth: np.ndarray, here: np.ndarray) -> dict[str, Any]:
    """Factor, uncertainty and further columns of one group of pairs."""
    nan = float("nan")
    number = int(here.sum())
    row: dict[str, Any] = {
        "factor": nan,
        "u": nan,
        "effects": {},
        "few": False,
        "pairs": number,
        "pairs_weighed_down": 0,
        "excess_scatter": nan,
        "effective_number": nan,
        "correlation_length": nan,
        "growth_factor": nan,
    }
    if number < _FEW:
        return row
    a, b = series.take(x, here), series.take(y, here)
    # A floor of one part in a million: the weight of an exact value would be infinite.
    ux, uy = (
        np.broadcast_to(np.fmax(np.nan_to_num(np.asarray(p.u_random)), 1e-6 * p.values), number)
        for p in (a, b)
    )
    f, s, robust, slope = _fit(a.values, b.values, ux, uy)
    given = np.sqrt(uy**2 + f**2 * ux**2)
    w = robust / (given**2 + s**2)
    scale = float(w @ a.values**2)
    for source in sorted({*a.effects, *b.effects}):
        dx, dy = (np.asarray(p.effects.get(source, 0.0)) for p in (a, b))
        shift = np.broadcast_to(dy - f * dx, number)
        row["effects"][source] = float((w * a.values) @ shift) / scale
    known = np.isfinite(np.asarray(a.u_random)).all() and np.isfinite(np.asarray(b.u_random)).all()
    row |= {"factor": f, "pairs_weighed_down": int((robust < 0.5).sum())}
    row |= {"excess_scatter": s if known else nan}
    return row | _uncertainty(
        depth[here],
        a.values,
        b.values - f * a.values,
        w,
        slope * w / np.fmax(robust, 1e-300),
        given if known else None,
    )


def _uncertainty(
    z: np.ndarray,
    x: np.ndarray,
    residual: np.ndarray,
    weight: np.ndarray,
    slope: np.ndarray,
    given: np.ndarray | None,
) -> dict[str, Any]:
    """Random uncertainty of the factor of pairs whose differences are correlated."""
    scale = float(weight @ x**2)
    # The influence of a pair falls faster than its weight (Huber 1981, Robust Statistics, 7.6).
    steeper = scale / max(float(slope @ x**2), 0.2 * scale)
    found = correlated(
        z, residual, weight, given, x[:, None], most_blocks=_BLOCKS, least_freedom=_FREEDOM
    )
    alone = steeper * float(np.sqrt(np.sum((weight * residual * x) ** 2))) / scale
    if found is None:
        return {"u": alone * student_factor(x.size - 1.0), "few": True}
    u = steeper * float(np.sqrt(found.covariance[0, 0])) * student_factor(found.degrees_of_freedom)
    return {
        "u": u,
        "effective_number": found.effective_number,
        "correlation_length": found.length,
        "growth_factor": u / alone if alone > 0.0 else float("nan"),
        "few": found.few(z, _FEWEST, _SHARE),
    }


def _fit(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray
) -> tuple[float, float, np.ndarray, np.ndarray]:
    """Factor, excess scatter, robust weights and the slopes of their influence."""
    tuning = get("tukey_tuning_of_ties").value
    # 1.4826 and the correction for few residuals (Croux and Rousseeuw 1992; from memory) convert
    # the median absolute residual to the standard deviation of normal errors.
    normal = 1.4826 * x.size / (x.size - 0.8)
    f, square = float(np.median(y / x)), 0.0
    for _ in range(200):
        residual, variance = y - f * x, uy**2 + f**2 * ux**2
        total = variance + square
        # One step is exact where all pairs have the same uncertainty.
        size = (normal * float(np.median(np.abs(residual) / np.sqrt(total)))) ** 2
        moved = max(square + (size - 1.0) * float(np.median(total)), 0.0)
        total = variance + moved
        t = residual**2 / total / tuning**2
        weights = np.where(t < 1.0, (1.0 - t) ** 2, 0.0)
        adjusted = (x + f * ux**2 * residual / total) * weights / total
        before, f = f, float(adjusted @ y / (adjusted @ x))
        settled = abs(moved - square) <= 1e-9 * float(np.median(total))
        square = moved
        if settled and abs(f - before) < 1e-12 * abs(f):
            break
    slope = np.where(t < 1.0, (1.0 - t) * (1.0 - 5.0 * t), 0.0)
    return f, float(np.sqrt(square)), weights, slope


def tied_density(
    density: xr.Dataset, factor: xr.Dataset, *, coring_method: Sequence[str] | np.ndarray
) -> xr.Dataset:
    """Density of the scan times the factor of its coring method; the density itself is not changed.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` of the scan.
    factor : Dataset, (coring_method)
        Result of :func:`tie_factor`.
    coring_method : sequence of str, (reading)
        Coring method of each reading.

    Returns
    -------
    Dataset
        ``bulk_density_tied`` [g/cm^3] with uncertainty, effects and flags; NaN where the method
        has no factor. The random uncertainty of the factor is one error for all readings of a
        method: the effect ``density_tie_<method>``.

    Raises
    ------
    KeyError
        When a Dataset does not hold its quantity.
    ValueError
        When the number of methods differs from the number of readings, or there is no reading.

    Notes
    -----
    rho_tied = f rho. An effect that scan and factor share (calibration, diameter) enters through
    both: d(f rho) = f d rho + rho df, so that an error which the tie removes cancels (JCGM
    100:2008, 5.2.2, correlated inputs).
    """
    rho, f = series.unpack(density, "bulk_density"), series.unpack(factor, "tie_factor")
    methods = np.asarray(coring_method, dtype=object).astype(str)
    values = np.asarray(without_coords(rho.values), dtype=float)
    if methods.shape != values.shape:
        raise ValueError(
            f"{methods.size} coring methods for {values.size} readings; give one for each reading"
        )
    if not values.size:
        raise ValueError("density holds no reading; the tie needs at least one")
    known = {str(name): i for i, name in enumerate(factor["coring_method"].values)}
    row = np.array([known.get(name, -1) for name in methods])

    def at(part: Any) -> np.ndarray:
        spread = np.broadcast_to(np.asarray(without_coords(part), dtype=float), (len(known),))
        return np.where(row >= 0, np.append(spread, np.nan)[row], np.nan)

    per = at(f.values)
    effects = {}
    for source in sorted({*rho.effects, *f.effects}):
        of_factor = at(f.effects[source]) if source in f.effects else 0.0
        of_density = np.asarray(without_coords(rho.effects.get(source, 0.0)), dtype=float)
        effects[source] = per * of_density + values * of_factor
    for name, i in known.items():
        label = f"density_tie_{name or 'unnamed'}"
        effects[label] = np.where(row == i, values * at(f.u_random), 0.0)
    here = density["bulk_density"]
    measured = Measured(
        here.copy(deep=False, data=per * values),
        per * np.asarray(without_coords(rho.u_random)),
        effects,
        np.asarray(without_coords(rho.reason)),
    )
    return series.build(
        {"bulk_density_tied": measured},
        steps=("f times the density of the scan",),
        safety=SEALED_SOURCE,
    )
