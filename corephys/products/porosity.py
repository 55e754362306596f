"""Porosity of a scan from its density and the grain density of samples."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.companions import library_units
from corephys.numerics.rolling import rolling_median
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = ["from_density", "grain_density_at", "grain_density_of_hole"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_MOST_STRETCHES = thresholds.count("grain_density_stretches")


def _porosity(density: Any, grain: Any, fluid: Any) -> tuple[Any, Any, Any, Any]:
    """Porosity and its derivatives with respect to density, grain density and pore water.

    Floats or arrays in g/cm^3; the derivatives in cm^3/g.
    """
    span = grain - fluid
    porosity = (grain - density) / span
    one = np.ones_like(porosity)
    return porosity, -one / span, (1.0 - porosity) / span, porosity / span


def from_density(
    density: Measurement | Scalar,
    *,
    grain_density: Measurement | Scalar = _C["grain_density"],
    grain_density_uncertainty: Scalar | None = None,
    pore_water_density: Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Porosity of a saturated sediment from its bulk density.

    Parameters
    ----------
    density : Dataset or DataArray, (reading)
        ``bulk_density`` [g/cm^3]; a Dataset holds its uncertainties, effects and reasons.
    grain_density : Dataset, DataArray, Quantity, str or Constant
        Grain density [g/cm^3]; a Dataset from :func:`grain_density_at` at the same positions.
    grain_density_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/cm^3] of a grain density that is not a Dataset.
    pore_water_density : Quantity, str or Constant
        Density of the pore water [g/cm^3].
    pore_water_density_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/cm^3]; that of the constant where not given.

    Returns
    -------
    Dataset
        ``porosity`` [1] with uncertainty, effects and flags. The effects of the density and of
        the grain density that have the same source add with their signs.

    Raises
    ------
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
        grain_density,
        "grain_density",
        uncertainty_given=grain_density_uncertainty,
        source="grain_density",
    )
    fluid = _fluid(pore_water_density, pore_water_density_uncertainty)
    values, by_density, by_grain, by_fluid = series.apply(
        _porosity, rho.values, grain.values, fluid.values, outputs=4
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
    )


def _fluid(value: Any, given: Any) -> Measured:
    """Density of the pore water with its systematic uncertainty, NaN if not given."""
    number = units.as_floats(value, "g/cm^3", "pore_water_density")
    u = units.as_floats(given, "g/cm^3", "pore_water_density_uncertainty", optional=True)
    if u is None:
        u = value.uncertainty if isinstance(value, constants.Constant) else float("nan")
    return Measured(number, 0.0, {"pore_water_density": u})


def grain_density_at(
    samples: xr.Dataset,
    *,
    to: xr.Dataset,
    neighbours: int = _T["grain_density_neighbours"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    sample_layer: np.ndarray | Sequence[str] | None = None,
    layer: np.ndarray | Sequence[str] | None = None,
) -> xr.Dataset:
    """Grain density of samples, interpolated to the positions of a series.

    Parameters
    ----------
    samples : Dataset, (reading)
        ``grain_density`` [g/cm^3] with flags, and the coordinate ``depth`` [m].
    to : Dataset, (reading)
        Series with the coordinate ``depth`` [m].
    neighbours : int
        Number of usable samples in the running median before the interpolation, odd.
    allow : tuple of str
        Flag levels of samples that are used.
    sample_layer, layer : array of str, (reading), optional
        Name of the layer of each sample and of each position, both or neither. Samples of one layer
        are not used in another, except in a layer without a usable sample.

    Returns
    -------
    Dataset
        ``grain_density`` [g/cm^3] at the positions of ``to``, flagged ``interpolated_input``. The
        error of the interpolated value is the effect ``grain_density_1``, ``grain_density_2`` and
        so on, one for each stretch of depth with its samples: its readings share the error, the
        next stretch has another. With one stretch its name is ``grain_density``, and
        ``grain_density_unsampled`` in layers without a usable sample. Effects of the samples, such
        as ``balance``, are kept. The attribute ``layers_without_samples`` lists layers that take
        the grain density of the complete hole, separated by commas.

    Raises
    ------
    ValueError
        When no sample is usable, or the layers are not given for each sample and position.

    Notes
    -----
    Running median over the nearest usable samples, linear between them, constant beyond the ends,
    separately in each layer. Its error has two parts: the scatter of the samples about that line
    (1.4826 times the median absolute deviation, for a normal law: Hampel 1974, Journal of the
    American Statistical Association 69, 383) in excess of their random errors and of the sampling
    error of that deviation, and the error of the line. A layer of fewer than three samples takes
    the scatter of the hole, which is unknown with fewer than three samples in all. The error of a
    layer without samples is the standard deviation of all samples about their median.
    """
    samples, to = library_units(samples), library_units(to)
    measured = series.unpack(samples, "grain_density")
    good = flags.usable(samples["grain_density_flag"].values, allow)
    good &= np.isfinite(np.asarray(measured.values, dtype=float))
    if not good.any():
        raise ValueError("no sample has a usable grain density; give grain_density as a constant")
    places, of_sample = _layers(samples, to, sample_layer, layer)
    rows = np.flatnonzero(good)
    # Samples at one depth are sorted by value, so that the order of the rows has no influence.
    rows = rows[np.lexsort((np.asarray(measured.values)[rows], samples["depth"].values[rows]))]
    depth, of_sample = samples["depth"].values[rows], of_sample[rows]
    picked = series.take(measured, rows)
    target = np.asarray(to["depth"].values, dtype=float)
    values = np.asarray(picked.values, dtype=float)
    hole = _scatter(picked, _running_median(values, neighbours), neighbours)
    carried = np.empty(target.shape)
    effects = {source: np.empty(target.shape) for source in picked.effects}
    # Stretches are numbered by the samples alone, from the top down: a name then means the same
    # error at all positions for which the function is called.
    sampled = list(dict.fromkeys(of_sample.tolist()))
    errors: list[np.ndarray] = []
    for name in sampled:
        own, here = np.flatnonzero(of_sample == name), np.flatnonzero(places == name)
        smooth = _running_median(values[own], neighbours)
        part = series.take(picked, own)
        scatter = _scatter(part, smooth, neighbours) if own.size >= 3 else hole
        count, stretch = _stretches(depth[own], target[here], neighbours)
        for k in range(count):
            error = np.zeros(target.shape)
            error[here[stretch == k]] = scatter
            errors.append(error)
        carried[here] = np.interp(target[here], depth[own], smooth)
        for source, effect in part.effects.items():
            effects[source][here] = np.interp(target[here], depth[own], np.asarray(effect))
    names = [f"grain_density_{k + 1}" for k in range(len(errors))]
    named = dict(zip(["grain_density"] if len(errors) == 1 else names, errors, strict=True))
    without = [str(n) for n in dict.fromkeys(places.tolist()) if n not in sampled]
    if without:
        here = np.flatnonzero(np.isin(places, without))
        smooth = _running_median(values, neighbours)
        carried[here] = np.interp(target[here], depth, smooth)
        for source, effect in picked.effects.items():
            effects[source][here] = np.interp(target[here], depth, np.asarray(effect))
        spread = _deviation(values, np.median(values))
        error = np.zeros(target.shape)
        error[here] = np.hypot(spread, hole) if depth.size >= 3 else float("nan")
        named["grain_density_unsampled"] = error
    positions = to["depth"]
    result = Measured(
        positions.copy(deep=False, data=carried),
        0.0,
        {k: positions.copy(deep=False, data=v) for k, v in {**effects, **named}.items()},
        flags.bit("interpolated_input"),
    )
    words = ", each layer by itself" if layer is not None else ""
    return series.build(
        {"grain_density": result},
        steps=(
            f"grain density of {depth.size} samples, running median of {neighbours}, linear{words}",
        ),
        constants={"neighbours": neighbours},
        layers_without_samples=", ".join(without),
    )


def grain_density_of_hole(
    samples: xr.Dataset, *, allow: tuple[str, ...] = ("good", "not_evaluated")
) -> constants.Constant | None:
    """One grain density for a hole: the median of its samples.

    Parameters
    ----------
    samples : Dataset, (reading)
        ``grain_density`` [g/cm^3] with flags.
    allow : tuple of str
        Flag levels of samples that are used.

    Returns
    -------
    Constant or None
        Median [g/cm^3] with the scatter of the samples as its standard uncertainty, for use
        wherever a quantity is. None with fewer than three usable samples: the median of two is
        little better than chance, and their scatter is not known.

    Notes
    -----
    The scatter is 1.4826 times the median absolute deviation, the standard deviation of a normal
    law (Hampel 1974, Journal of the American Statistical Association 69, 383), so that one foreign
    grain density does not set it. It is not divided by the root of the number: a single sediment
    of the hole differs from the median by all of it.

    Examples
    --------
    >>> import corephys as cp
    >>> import numpy as np
    >>> import xarray as xr
    >>> unit = {"units": "g/cm^3"}
    >>> measured = xr.Dataset(
    ...     {"grain_density": ("reading", [2.68, 2.71, 2.70, 2.90], unit)}
    ... ).assign(grain_density_flag=("reading", np.ones(4, dtype="int8")))
    >>> value = cp.porosity.grain_density_of_hole(measured)
    >>> round(value.value, 3), round(value.uncertainty, 3)
    (2.705, 0.022)
    """
    samples = library_units(samples)
    values = np.asarray(series.unpack(samples, "grain_density").values, dtype=float)
    good = flags.usable(samples["grain_density_flag"].values, allow) & np.isfinite(values)
    if good.sum() < 3:
        return None
    values = values[good]
    middle = float(np.median(values))
    # Several equal values say nothing about the scatter of the sediment.
    spread = _deviation(values, middle) or float("nan")
    words = f"median of {values.size} samples"
    return constants.Constant("grain_density", middle, "g/cm^3", spread, words, "", "calculated")


def _deviation(values: np.ndarray, line: np.ndarray | float) -> float:
    """Standard deviation about a line by the median of the distances, for a normal law."""
    return 1.4826 * float(np.median(np.abs(values - line)))


def _layers(
    samples: xr.Dataset, to: xr.Dataset, of_sample: Any, of_place: Any
) -> tuple[np.ndarray, np.ndarray]:
    """Names of the layers of positions and samples; one layer where none are given."""
    sizes = (to["depth"].size, samples["depth"].size)
    if of_sample is None and of_place is None:
        return np.full(sizes[0], "all", dtype=object), np.full(sizes[1], "all", dtype=object)
    found = [np.atleast_1d(np.asarray(part, dtype=object)) for part in (of_place, of_sample)]
    given = tuple(part.size for part in found)
    if of_sample is None or of_place is None or given != sizes:
        raise ValueError(
            f"there are {sizes[1]} samples and {sizes[0]} positions; give sample_layer and layer "
            "with a name for each of them, or neither"
        )
    return found[0], found[1]


def _scatter(samples: Measured, smooth: np.ndarray, neighbours: int) -> float:
    """Error of an interpolated value: natural scatter about the line, and error of the line."""
    values = np.asarray(samples.values, dtype=float)
    if values.size < 3:
        return float("nan")
    # Scatter in excess of the random errors of the samples is natural. The line through a few
    # samples has the random error of their mean.
    seen = _deviation(values, smooth)
    stated = np.asarray(samples.u_random)[np.isfinite(samples.u_random)]
    own = float(np.median(stated)) if stated.size else 0.0
    # A median absolute deviation of n values is itself uncertain by 1.16 / sqrt(n).
    real = seen > own * (1.0 + 1.16 / np.sqrt(values.size))
    natural = np.sqrt(seen**2 - own**2) if real else 0.0
    return float(np.hypot(natural, own / np.sqrt(neighbours)))


def _stretches(depth: np.ndarray, target: np.ndarray, neighbours: int) -> tuple[int, np.ndarray]:
    """Number of stretches, and the stretch of each position.

    Medians that share no sample have independent errors.
    """
    count = int(np.clip(depth.size // neighbours, 1, _MOST_STRETCHES))
    groups = np.array_split(depth, count)
    ends = [0.5 * (a[-1] + b[0]) for a, b in pairwise(groups)]
    return count, np.searchsorted(ends, target)


def _running_median(values: np.ndarray, window: int) -> np.ndarray:
    """Running median; the window shrinks to an odd number of samples where there are few."""
    window = min(window, values.size if values.size % 2 else values.size - 1)
    return rolling_median(values, np.array([0]), max(window, 1))
