"""Tie of the scan's density to the samples: an explicit factor, one a coring method."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from scipy import optimize

from corephys import flags, series, thresholds
from corephys.uncertainty import Measured, bare

__all__ = ["tie_factor", "tied_density"]

_FEW = thresholds.count("tie_pairs")


def tie_factor(
    scan: xr.Dataset, samples: xr.Dataset, *, coring_method: Any,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:  # fmt: skip
    """Factor from scan density to sample density, by coring method.

    Parameters
    ----------
    scan : Dataset, (reading)
        ``bulk_density`` of the scan at the positions of the samples, as
        ``depth.match(density, to=samples, how="mean over footprint")`` gives it.
    samples : Dataset, (reading)
        ``bulk_density`` of the samples at the same positions.
    coring_method : sequence of str, (reading)
        Of each sample; empty texts make a group of their own.
    allow : tuple of str
        Flag levels that may be used.

    Returns
    -------
    Dataset
        Along ``coring_method``: ``tie_factor`` with uncertainty and effects, ``pairs`` used and
        ``excess_scatter`` [g/cm^3] that the stated uncertainties leave over, NaN where one of them
        is unknown. A method with fewer
        than three pairs has the factor NaN.

    Raises
    ------
    PositionError
        When scan and samples lie at different positions.
    ValueError
        When the methods are not one a sample.

    Notes
    -----
    samples = f scan with errors in both axes: f minimises sum (y - f x)^2 / (u_y^2 + f^2 u_x^2 +
    s^2), the straight line of York (1969), Earth and Planetary Science Letters 5, 320, through
    the origin; s^2, the natural difference of the two, makes the reduced chi-square one where it
    is above. Systematic effects move f to first order: df = (sum w (dy - f dx)) / sum w x.
    """
    series.require_same_positions(scan=scan, samples=samples)
    x, y = series.unpack(scan, "bulk_density"), series.unpack(samples, "bulk_density")
    methods = np.asarray(coring_method, dtype=object).astype(str)
    xv, yv = (np.asarray(bare(part.values), dtype=float) for part in (x, y))
    if methods.shape != xv.shape:
        raise ValueError(f"{methods.size} coring methods for {xv.size} samples; give one each")
    usable = np.isfinite(xv) & np.isfinite(yv) & (xv > 0.0) & (yv > 0.0)
    for part in (x, y):
        usable &= flags.usable(flags.from_reason(np.asarray(part.reason)), allow)
    names = sorted(set(methods))
    rows = [_one(x, y, usable & (methods == name)) for name in names]
    sources = sorted({*x.effects, *y.effects})
    factor = Measured(
        xr.DataArray([row[0] for row in rows], dims="coring_method"),
        np.array([row[1] for row in rows]),
        {s: np.array([row[2].get(s, np.nan) for row in rows]) for s in sources},
    )
    result = series.build({"tie_factor": factor}, steps=_STEPS)
    words = {"long_name": "coring method"}
    result = result.assign_coords(coring_method=("coring_method", names, words))
    result["pairs"] = ("coring_method", [row[3] for row in rows], _words("1", "pairs used"))
    result["excess_scatter"] = (
        "coring_method", [row[4] for row in rows], _words("g/cm^3", "scatter beyond what is stated")
    )  # fmt: skip
    return result


_STEPS = (
    "sample density = f times scan density, errors in both axes (York 1969), by coring method",
)


def _words(unit: str, words: str) -> dict[str, str]:
    return {"units": unit, "long_name": words}


def _one(x: Measured, y: Measured, here: np.ndarray) -> tuple[Any, ...]:
    """Factor, random uncertainty, effects, pairs and excess scatter of one group."""
    nan = float("nan")
    number = int(here.sum())
    if number < _FEW:
        return nan, nan, {}, number, nan
    a, b = series.take(x, here), series.take(y, here)
    # A floor of one part in a million: exact values would weigh without end.
    ux, uy = (
        np.broadcast_to(np.fmax(np.nan_to_num(np.asarray(p.u_random)), 1e-6 * p.values), number)
        for p in (a, b)
    )
    f, s = _fit(a.values, b.values, ux, uy)
    w = 1.0 / (uy**2 + f**2 * ux**2 + s**2)
    scale = float(w @ a.values**2)
    effects = {}
    for source in sorted({*a.effects, *b.effects}):
        dx, dy = (np.asarray(p.effects.get(source, 0.0)) for p in (a, b))
        effects[source] = float((w * a.values) @ np.broadcast_to(dy - f * dx, number)) / scale
    known = np.isfinite(np.asarray(a.u_random)).all() and np.isfinite(np.asarray(b.u_random)).all()
    return f, 1.0 / np.sqrt(scale) if known else nan, effects, number, s if known else nan


def _fit(x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray) -> tuple[float, float]:
    """Factor, and the excess scatter that brings the reduced chi-square to one."""
    first = float((x @ y) / (x @ x))
    residual = y - first * x
    widest = 10.0 * float(np.sqrt(residual @ residual)) + 1e-6

    def best(s: float) -> tuple[float, float]:
        def chi(f: float) -> float:
            return float(np.sum((y - f * x) ** 2 / (uy**2 + f**2 * ux**2 + s**2)))

        found = optimize.minimize_scalar(
            chi, bounds=(0.5 * first, 2.0 * first), method="bounded", options={"xatol": 1e-9}
        )
        return float(found.x), float(found.fun) / (x.size - 1) - 1.0

    nothing = 1e-9
    if best(nothing)[1] <= 0.0:
        return best(nothing)[0], 0.0
    s = float(optimize.brentq(lambda value: best(value)[1], nothing, widest))
    return best(s)[0], s


def tied_density(density: xr.Dataset, factor: xr.Dataset, *, coring_method: Any) -> xr.Dataset:
    """Density of the scan times the factor of its coring method; the density itself stays.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` of the scan.
    factor : Dataset, (coring_method)
        From :func:`tie_factor`.
    coring_method : sequence of str, (reading)
        Of each reading.

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
        When the methods are not one a reading.

    Notes
    -----
    rho_tied = f rho. An effect that scan and factor share (calibration, diameter) enters with
    both: d(f rho) = f d rho + rho df, so that what the tie takes out cancels (JCGM 100:2008,
    5.2.2, correlated inputs).
    """
    rho, f = series.unpack(density, "bulk_density"), series.unpack(factor, "tie_factor")
    methods = np.asarray(coring_method, dtype=object).astype(str)
    values = np.asarray(bare(rho.values), dtype=float)
    if methods.shape != values.shape:
        raise ValueError(f"{methods.size} coring methods for {values.size} readings; give one each")
    if not values.size:
        raise ValueError("density holds no reading")
    known = {str(name): i for i, name in enumerate(factor["coring_method"].values)}
    row = np.array([known.get(name, -1) for name in methods])

    def at(part: Any) -> np.ndarray:
        spread = np.broadcast_to(np.asarray(bare(part), dtype=float), (len(known),))
        return np.where(row >= 0, np.append(spread, np.nan)[row], np.nan)

    per = at(f.values)
    effects = {}
    for source in sorted({*rho.effects, *f.effects}):
        of_factor = at(f.effects[source]) if source in f.effects else 0.0
        of_density = np.asarray(bare(rho.effects.get(source, 0.0)), dtype=float)
        effects[source] = per * of_density + values * of_factor
    for name, i in known.items():
        label = f"density_tie_{name or 'unnamed'}"
        effects[label] = np.where(row == i, values * at(f.u_random), 0.0)
    here = density["bulk_density"]
    measured = Measured(
        here.copy(deep=False, data=per * values), per * np.asarray(bare(rho.u_random)), effects,
        np.asarray(bare(rho.reason)),
    )  # fmt: skip
    return series.build({"bulk_density_tied": measured}, steps=("f times the density of the scan",))
