"""Outliers among samples, and the single input whose error would explain each of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, seawater, series, thresholds, units
from corephys.ground.provenance import constants_attribute
from corephys.samples.index_properties.phases import PROPERTIES, phases_with_partials
from corephys.uncertainty import without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional

__all__ = ["likely_culprit"]

# --------------------------------------------------------------------------------------------------
# Samples far from their neighbours: lost grains, swapped cells, mistyped masses.


NEIGHBOURS = thresholds.count("outlier_neighbours")
FEWEST = thresholds.count("outlier_samples")
SCALE = 1.4826  # standard deviation over median absolute deviation, of normal data
# Smallest scatter that is assumed: the repeatability of grain density and porosity between
# laboratories. Without it a series of nearly equal samples would flag ordinary differences.
GRAIN_DENSITY_FLOOR = thresholds.value("grain_density_floor")  # g/cm^3
POROSITY_FLOOR = thresholds.value("porosity_floor")


def far_from_neighbours(
    values: np.ndarray,
    valid: np.ndarray,
    *,
    depth: np.ndarray | None,
    floor: float,
    threshold: float,
) -> np.ndarray:
    """Where values (n,) lie far from a robust line through their neighbours.

    True for |x - local line| > threshold max(1.4826 MAD, floor), with the MAD of all deviations
    and ``floor`` in the unit of the values. The line is that of Theil (1950) and Sen (1968): it
    holds while up to half of the neighbours are wrong, and follows a trend with depth. Only
    ``valid`` samples are neighbours. They are sorted by ``depth`` [m], or kept in the order of the
    table without it.
    """
    x = np.asarray(values, dtype=float)
    far = np.zeros(x.shape, dtype=bool)
    use = np.isfinite(x) & np.broadcast_to(np.asarray(valid), x.shape)
    if x.ndim != 1 or use.sum() < FEWEST:
        return far
    chosen = np.flatnonzero(use)
    place = np.arange(x.size, dtype=float)
    if depth is not None and np.isfinite(np.asarray(depth, dtype=float)[chosen]).all():
        place = np.asarray(depth, dtype=float)
        chosen = chosen[np.argsort(place[chosen], kind="stable")]
    deviation = from_local_line(place[chosen], x[chosen])
    scale = max(SCALE * float(np.median(np.abs(deviation))), floor)
    far[chosen] = np.abs(deviation) > threshold * scale
    return far


def from_local_line(place: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values less a robust line through their neighbours."""
    size = values.size
    width = min(NEIGHBOURS, size - (size + 1) % 2)
    half = width // 2
    # The first and the last samples share one full window, so that every line has as many points.
    window = np.clip(np.arange(size), half, size - 1 - half) - half
    x = np.lib.stride_tricks.sliding_window_view(place, width)
    y = np.lib.stride_tricks.sliding_window_view(values, width)
    one, other = np.triu_indices(width, 1)
    run = x[:, other] - x[:, one]
    rise = y[:, other] - y[:, one]
    level = run == 0  # two samples at one depth have no slope
    slopes = np.where(level, np.nan, rise / np.where(level, 1.0, run))
    some = ~level.all(axis=1)
    slope = np.zeros(x.shape[0])
    slope[some] = np.nanmedian(slopes[some], axis=1)
    intercept = np.median(y - slope[:, None] * x, axis=1)
    return np.asarray(values - slope[window] * place - intercept[window])


# --------------------------------------------------------------------------------------------------
# The single input whose change would bring a sample back to its neighbours.


_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_JUDGED = ("bulk_density", "grain_density", "porosity")
# Smallest scatter that is assumed, for each of these properties.
_FLOORS = (
    thresholds.value("culprit_bulk_density_floor"),
    GRAIN_DENSITY_FLOOR,
    POROSITY_FLOOR,
)
_BACK = thresholds.value("culprit_back")
_CLEAR = thresholds.value("culprit_clear")
_STEPS = 6  # of Gauss-Newton; the remaining error is squared at each step
# Culprit in words: unit of the change, and reason that is set.
CULPRITS = {
    "wet_mass": ("g", "likely_mass_error"),
    "dry_mass": ("g", "likely_mass_error"),
    "dry_volume": ("cm^3", "likely_volume_error"),
    "grains_lost_before_drying": ("g", "likely_mass_error"),
    "water_lost_before_weighing": ("g", "likely_water_loss"),
    "wet_mass_or_grains_lost": ("g", "likely_mass_error"),
}


def likely_culprit(
    wet_mass: Dimensional,
    dry_mass: Dimensional,
    dry_volume: Dimensional,
    *,
    salinity: Dimensional = _C["pore_water_salinity"],
    pore_water_density: Dimensional = _C["pore_water_density"],
    salt_density: Dimensional = _C["salt_density"],
    threshold: float = _T["outlier_threshold"],
) -> xr.Dataset:
    """Find the mass, volume or water loss that most likely explains an outlier.

    Parameters
    ----------
    wet_mass, dry_mass : DataArray, (reading)
        Net masses [g]; neighbours are sorted by the coordinate ``depth`` where it exists.
    dry_volume : DataArray, (reading)
        Net volume of the dried sample [cm^3].
    salinity, pore_water_density, salt_density
        As for :func:`corephys.index_properties.phase_relations` [g/kg], [g/cm^3].
    threshold : float
        Distance from the neighbours, in standard deviations (dimensionless), above which a sample
        is examined.

    Returns
    -------
    Dataset, (reading)
        ``likely_culprit``, one word: empty for a sample that is no outlier, and ``not_told`` where
        no single input explains it or two do; ``suggested_change``, to be added to the input as
        read [g] or [cm^3]; ``misfit`` and ``misfit_left`` [1], the distance before and after that
        change in standard deviations; ``reason`` with ``likely_mass_error``,
        ``likely_volume_error`` or ``likely_water_loss``. No value is corrected.

    Raises
    ------
    PositionError
        When the series have different positions.

    Notes
    -----
    Bulk density, grain density and porosity of a sample are compared with robust lines through
    its neighbours (Theil 1950, Sen 1968). For each input the change is found that brings the three
    nearest to the lines (Gauss-Newton with exact derivatives). The culprit is the input whose
    change leaves less than two standard deviations, and clearly less than that of the next input.
    A wet mass that is too low has the same effect as water lost on the bench, the more common
    cause, which is named. One that is too high has nearly the effect of grains lost before drying.
    """
    series.require_same_positions(wet_mass=wet_mass, dry_mass=dry_mass, dry_volume=dry_volume)
    net = [
        np.atleast_1d(np.asarray(without_coords(units.as_floats(value, unit, name)), dtype=float))
        for value, unit, name in (
            (wet_mass, "g", "wet_mass"),
            (dry_mass, "g", "dry_mass"),
            (dry_volume, "cm^3", "dry_volume"),
        )
    ]
    fluid = [
        np.asarray(without_coords(seawater.salinity_floats(salinity)), dtype=float) / 1e3,
        np.asarray(
            without_coords(units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"))
        ),
        np.asarray(without_coords(units.as_floats(salt_density, "g/cm^3", "salt_density"))),
    ]
    inputs = np.stack(np.broadcast_arrays(*net, *fluid), axis=-1).astype(float)
    like = wet_mass if isinstance(wet_mass, xr.DataArray) else xr.DataArray(net[0], dims="reading")
    like = units.position_in_library_units(like)
    depth = like["depth"].values if "depth" in like.coords else None
    columns = [PROPERTIES.index(name) for name in _JUDGED]
    values = phases_with_partials(*inputs.T, route="dry_volume")[0][:, columns]
    target, scatter, usable = _neighbours(values, depth)
    off = (values - target) / scatter
    apart = usable & (np.abs(off) > threshold).any(axis=1)
    word, change, left = _explain(inputs, target, scatter, columns, np.flatnonzero(apart))
    size = inputs.shape[0]
    reason = np.zeros(size, np.int64)
    for name, (_, bit) in CULPRITS.items():
        reason[word == name] |= flags.bit(bit)
    found = xr.Dataset(
        coords=like.coords,
        attrs={
            "constants": constants_attribute(
                {
                    "salinity": salinity,
                    "pore_water_density": pore_water_density,
                    "salt_density": salt_density,
                    "threshold": threshold,
                }
            )
        },
    )
    before = np.sqrt(np.mean(off * off, axis=1))
    columns_out: dict[str, tuple[np.ndarray, dict[str, object]]] = {
        "likely_culprit": (word, {"long_name": "input that is most likely wrong"}),
        "suggested_change": (
            change,
            {
                "units": "1",
                "long_name": "change to be added to that input, in g or cm^3",
                "comment": "g for masses, cm^3 for the volume",
            },
        ),
        "misfit": (before, {"units": "1", "long_name": "distance from the neighbours"}),
        "misfit_left": (left, {"units": "1", "long_name": "distance left after the change"}),
        "reason": (reason, flags.reason_attributes("the sample")),
    }
    for name, (array, attributes) in columns_out.items():
        found[name] = ("reading", array, attributes)
    return found


def _neighbours(
    values: np.ndarray, depth: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Properties expected from the neighbours, their scatter, and the samples that have both."""
    usable = np.isfinite(values).all(axis=1) & (values[:, 1] > 0.0)
    target = np.full(values.shape, np.nan)
    scatter = np.array(_FLOORS)
    if usable.sum() < FEWEST:
        return target, scatter, np.zeros_like(usable)
    place = np.arange(values.shape[0], dtype=float)
    if depth is not None and np.isfinite(np.asarray(depth, float)[usable]).all():
        place = np.asarray(depth, dtype=float)
    chosen = np.flatnonzero(usable)
    chosen = chosen[np.argsort(place[chosen], kind="stable")]
    for j in range(values.shape[1]):
        deviation = from_local_line(place[chosen], values[chosen, j])
        target[chosen, j] = values[chosen, j] - deviation
        scatter[j] = max(SCALE * float(np.median(np.abs(deviation))), scatter[j])
    return target, scatter, usable


def _explain(
    inputs: np.ndarray,
    target: np.ndarray,
    scatter: np.ndarray,
    columns: list[int],
    rows: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Culprit, change and remaining misfit of the outliers ``rows``."""
    word = np.full(inputs.shape[0], "", dtype=object)
    change, left = np.full(inputs.shape[0], np.nan), np.full(inputs.shape[0], np.nan)
    if not rows.size:
        return word, change, left
    grain = target[rows, 1]
    directions = {
        name: np.zeros((rows.size, inputs.shape[1]))
        for name in ("wet_mass", "dry_mass", "dry_volume", "grains_lost_before_drying")
    }
    directions["wet_mass"][:, 0] = 1.0
    directions["dry_mass"][:, 1] = 1.0
    directions["dry_volume"][:, 2] = 1.0
    directions["grains_lost_before_drying"][:, 1] = 1.0
    directions["grains_lost_before_drying"][:, 2] = 1.0 / grain
    names = list(directions)
    results = [_best(inputs[rows], directions[n], target[rows], scatter, columns) for n in names]
    misfits = np.stack([misfit for _, misfit in results])
    changes = np.stack([t for t, _ in results])
    # Grains can be lost but not gained; a change of the other sign is an error of a mass.
    lost = names.index("grains_lost_before_drying")
    misfits[lost, changes[lost] <= 0.0] = np.inf
    order = np.argsort(misfits, axis=0)
    first, second = order[0], order[1]
    pick = np.arange(rows.size)
    best = misfits[first, pick]
    told = (best < _BACK) & (misfits[second, pick] > _CLEAR * np.maximum(best, 0.2))
    shift = changes[first, pick]
    chosen = np.array(names, dtype=object)[first]
    chosen[(chosen == "wet_mass") & (shift > 0.0)] = "water_lost_before_weighing"
    # A high wet mass and lost grains both raise the porosity and leave the grain density, so they
    # cannot be separated; the change is given for the wet mass.
    pair = {names.index("wet_mass"), lost}
    both = np.array([{int(a), int(b)} == pair for a, b in zip(first, second, strict=True)])
    third = misfits[order[2], pick]
    either = ~told & both & (best < _BACK) & (third > _CLEAR * np.maximum(best, 0.2))
    either &= np.isfinite(misfits[second, pick])
    chosen[~told] = "not_told"
    chosen[either] = "wet_mass_or_grains_lost"
    shift = np.where(either, changes[names.index("wet_mass")], shift)
    word[rows], left[rows] = chosen, best
    change[rows] = np.where(told | either, shift, np.nan)
    return word, change, left


def _best(
    inputs: np.ndarray,
    direction: np.ndarray,
    target: np.ndarray,
    scatter: np.ndarray,
    columns: list[int],
) -> tuple[np.ndarray, np.ndarray]:
    """Change along a direction that comes nearest to the neighbours, and the remaining misfit."""
    t = np.zeros(inputs.shape[0])
    # Half of the smallest input at most: beyond it a volume or mass could become negative.
    largest = 0.5 * np.abs(inputs[:, :3]).min(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_STEPS):
            moved = inputs + t[:, None] * direction
            values, partials = phases_with_partials(*moved.T, route="dry_volume")
            off = (values[:, columns] - target) / scatter
            slope = np.einsum("rpi,ri->rp", partials[:, columns], direction) / scatter
            step = (off * slope).sum(axis=1) / (slope * slope).sum(axis=1)
            t = np.clip(t - np.where(np.isfinite(step), step, 0.0), -largest, largest)
        values, _ = phases_with_partials(*(inputs + t[:, None] * direction).T, route="dry_volume")
        off = (values[:, columns] - target) / scatter
        misfit = np.sqrt(np.mean(off * off, axis=1))
    return t, np.where(np.isfinite(misfit), misfit, np.inf)
