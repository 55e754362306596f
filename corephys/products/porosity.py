"""Porosity of the scan from its density and the grain density of the samples."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import xarray as xr

from corephys import constants, flags, series, thresholds, uncertainty, units
from corephys.numerics.rolling import rolling_median
from corephys.uncertainty import Measured

__all__ = ["from_density", "grain_density_at"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
MOST_STRETCHES = thresholds.count("grain_density_stretches")


def porosity_kernel(density: Any, grain: Any, fluid: Any) -> tuple[Any, Any, Any, Any]:
    """Porosity and its derivatives with respect to density, grain density and pore water.

    Floats or arrays in g/cm^3; the derivatives in cm^3/g.
    """
    span = grain - fluid
    porosity = (grain - density) / span
    one = np.ones_like(porosity)
    return porosity, -one / span, (1.0 - porosity) / span, porosity / span


def from_density(
    density: Any, *, grain_density: Any = _C["grain_density"],
    grain_density_uncertainty: Any = None, pore_water_density: Any = _C["pore_water_density"],
    pore_water_density_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Porosity of a saturated sediment from its bulk density.

    Parameters
    ----------
    density : Dataset or DataArray, (reading)
        ``bulk_density`` [g/cm^3]; a Dataset brings its uncertainties, effects and reasons.
    grain_density : Dataset, DataArray, Quantity, str or Constant
        [g/cm^3]; a Dataset from :func:`grain_density_at` at the same positions.
    grain_density_uncertainty : Quantity or str, optional
        Systematic, of a grain density that is not a Dataset.
    pore_water_density : Quantity, str or Constant
        [g/cm^3].
    pore_water_density_uncertainty : Quantity or str, optional
        Systematic; that of the constant where it is not given.

    Returns
    -------
    Dataset
        ``porosity`` [1] with uncertainty, effects and flags. The effects of the density and of
        the grain density that have the same source add with their signs.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When density and grain density lie at different positions.

    Notes
    -----
    phi = (rho_g - rho) / (rho_g - rho_f): volumes of grains and water add up (Blum 1997, ODP
    Technical Note 26, chapter 2). Propagation is linear (JCGM 100:2008).

    Examples
    --------
    >>> import corephys as cp
    >>> float(cp.porosity.from_density("1.862 g/cm^3")["porosity"].round(3))
    0.5
    """
    series.require_same_positions(density=density, grain_density=grain_density)
    rho = series.unpack(density, "bulk_density")
    grain = series.unpack(
        grain_density, "grain_density", uncertainty_given=grain_density_uncertainty,
        source="grain_density",
    )  # fmt: skip
    fluid = _fluid(pore_water_density, pore_water_density_uncertainty)
    values, by_density, by_grain, by_fluid = series.apply(
        porosity_kernel, rho.values, grain.values, fluid.values, outputs=4
    )
    u_random, effects = uncertainty.combine(
        [(by_density, rho), (by_grain, grain), (by_fluid, fluid)]
    )
    measured = Measured(values, u_random, effects, series.joined_reasons(rho.reason, grain.reason))
    return series.build(
        {"porosity": measured},
        steps=("porosity (rho_g - rho) / (rho_g - rho_f) (Blum 1997)",),
        constants={
            "grain_density": (grain_density, grain_density_uncertainty),
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
        },
    )  # fmt: skip


def _fluid(value: Any, given: Any) -> Measured:
    number = units.as_floats(value, "g/cm^3", "pore_water_density")
    u = units.as_floats(given, "g/cm^3", "pore_water_density_uncertainty", optional=True)
    if u is None:
        u = value.uncertainty if isinstance(value, constants.Constant) else float("nan")
    return Measured(number, 0.0, {"pore_water_density": u})


def grain_density_at(
    samples: xr.Dataset, *, to: xr.Dataset, neighbours: int = _T["grain_density_neighbours"]
) -> xr.Dataset:
    """Grain density of the samples, carried to the positions of a series.

    Parameters
    ----------
    samples : Dataset, (reading)
        Holds ``grain_density`` with flags, and the coordinate ``depth`` [m].
    to : Dataset, (reading)
        Series with the coordinate ``depth``.
    neighbours : int
        Good samples in the running median that goes before the interpolation, odd.

    Returns
    -------
    Dataset
        ``grain_density`` [g/cm^3] at the positions of ``to``, flagged ``interpolated_input``. The
        error of the carried value is the effect ``grain_density_1`` to ``grain_density_8``, one a
        stretch of depth with samples of its own: shared by its readings, another error in the
        next stretch. The effects of the samples, such as ``balance``, go along.

    Raises
    ------
    ValueError
        When no sample is good.

    Notes
    -----
    Running median over the nearest good samples, straight lines between, the last value beyond
    the ends. Its error is what the samples scatter about that line (1.4826 times the median
    absolute deviation, for a normal law: Hampel 1974, Journal of the American Statistical
    Association 69, 383) beyond their own errors and the sampling error of that deviation, and the
    error of the line itself; it is not known with fewer than three samples.
    """
    measured = series.unpack(samples, "grain_density")
    good = flags.usable(samples["grain_density_flag"].values)
    if not good.any():
        raise ValueError("no sample has a good grain density; give a constant instead")
    depth = samples["depth"].values[good]
    order = np.argsort(depth, kind="stable")
    depth = depth[order]
    picked = series.take(measured, np.flatnonzero(good)[order])
    smooth = _running_median(np.asarray(picked.values), neighbours)
    target = to["depth"].values
    scatter = float("nan")
    if depth.size >= 3:
        # What the samples scatter beyond their own errors is the sediment's; the line through
        # a few of them is as uncertain as their own errors allow.
        seen = 1.4826 * float(np.median(np.abs(picked.values - smooth)))
        stated = np.asarray(picked.u_random)[np.isfinite(picked.u_random)]
        own = float(np.median(stated)) if stated.size else 0.0
        # A median absolute deviation of n values is itself uncertain by 1.16 / sqrt(n).
        real = seen > own * (1.0 + 1.16 / np.sqrt(depth.size))
        natural = np.sqrt(seen**2 - own**2) if real else 0.0
        scatter = float(np.hypot(natural, own / np.sqrt(neighbours)))
    positions = to["depth"]

    def carry(values: Any) -> xr.DataArray:
        return positions.copy(deep=False, data=np.interp(target, depth, np.asarray(values)))

    effects: dict[str, Any] = {source: carry(e) for source, e in picked.effects.items()}
    effects.update(_by_stretch(scatter, depth, positions, neighbours))
    result = Measured(carry(smooth), 0.0, effects, flags.bit("interpolated_input"))
    return series.build(
        {"grain_density": result},
        steps=(f"grain density of {depth.size} samples, running median of {neighbours}, linear",),
        constants={"neighbours": neighbours},
    )


def _by_stretch(
    scatter: float, depth: np.ndarray, positions: xr.DataArray, neighbours: int
) -> dict[str, Any]:
    """One effect a stretch of depth: medians that share no sample err independently."""
    stretches = int(np.clip(depth.size // neighbours, 1, MOST_STRETCHES))
    if stretches == 1:
        return {"grain_density": scatter}
    groups = np.array_split(depth, stretches)
    ends = [0.5 * (a[-1] + b[0]) for a, b in pairwise(groups)]
    here = np.searchsorted(ends, positions.values)
    return {
        f"grain_density_{k + 1}": positions.copy(deep=False, data=np.where(here == k, scatter, 0.0))
        for k in range(stretches)
    }


def _running_median(values: np.ndarray, window: int) -> np.ndarray:
    window = min(window, values.size if values.size % 2 else values.size - 1)
    return rolling_median(values, np.array([0]), max(window, 1))
