"""Natural gamma before stripping: correction at the ends of sections, and stacking of counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from scipy import special

from corephys.ground import flags, series, thresholds, units
from corephys.uncertainty import Measured, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = ["edge_correct", "filled_share", "stack"]

# --------------------------------------------------------------------------------------------------
# The end of a section: share of the response along the core that is filled with core.


_T = thresholds.DEFAULTS
_SIGMA = 1.0 / np.sqrt(8.0 * np.log(2.0))  # of a Gaussian, in full widths at half maximum
_FULL = thresholds.value("edge_full_share")
_LEAST = thresholds.value("edge_least_share")


def filled_share(
    offset: Dimensional,
    length: Dimensional,
    *,
    response_width: Scalar,
    voids: Sequence[tuple[Any, ...]] = (),
    response: tuple[Sequence[float], Sequence[float]] | None = None,
) -> np.ndarray:
    """Share of the response that is filled with core.

    Parameters
    ----------
    offset : Quantity or DataArray, (reading)
        Distance from the top of the section [cm].
    length : Quantity, DataArray or str
        Length of the section of each reading [cm]; beyond its ends the response is empty.
    response_width : Quantity or str
        Full width at half maximum of a Gaussian response along the core [cm].
    voids : sequence of (start, end) or of (start, end, rows)
        Intervals without core [cm], as Quantities; with rows, only these readings are affected.
    response : tuple of two arrays, optional
        Distances [cm, plain numbers] and weights of a measured response, in place of the Gaussian.

    Returns
    -------
    ndarray, (reading)
        Fraction, 0 to 1 [1]; NaN where offset or length is unknown.

    Raises
    ------
    ValueError
        For a width that is not positive, a response without weight, or a void that ends above
        its start.

    Notes
    -----
    f = integral of w over the filled length, w of area one (definition). At the end of a long
    section f = 1/2 for every symmetric response.

    Examples
    --------
    >>> from corephys import quantity
    >>> share = filled_share(quantity([0.0, 75.0], "cm"), "150 cm", response_width="15 cm")
    >>> share.round(3).tolist()
    [0.5, 1.0]
    """
    x = np.asarray(units.as_floats(offset, "cm", "offset"), dtype=float)
    end = np.broadcast_to(np.asarray(units.as_floats(length, "cm", "length"), dtype=float), x.shape)
    area = _area(units.as_floats(response_width, "cm", "response_width"), response)
    share = area(end - x) - area(-x)
    reached = np.full(x.shape, 0.0)  # end of the voids so far: overlapping voids count once
    for start, stop, *rows in sorted(voids, key=_start):
        a, b = _start((start,)), float(units.as_floats(stop, "cm", "void end"))
        if b < a:
            raise ValueError(
                f"a void from {a:g} to {b:g} cm ends above its start; swap the two depths"
            )
        where = np.ones(x.shape, dtype=bool) if not rows else np.isin(np.arange(x.size), rows[0])
        inside = area(np.minimum(b, end) - x) - area(np.maximum(a, reached) - x)
        share = share - np.where(where, np.maximum(inside, 0.0), 0.0)
        reached = np.where(where, np.maximum(reached, b), reached)
    return np.clip(share, 0.0, 1.0)


def _start(void: tuple[Any, ...]) -> float:
    """Start of a void [cm]."""
    return float(units.as_floats(void[0], "cm", "void start"))


def _area(
    width: float, response: tuple[Sequence[float], Sequence[float]] | None
) -> Callable[[Any], Any]:
    """Integral of the response up to a distance [cm], as a function of the distance."""
    if response is not None:
        at, weight = (np.asarray(part, dtype=float) for part in response)
        order = np.argsort(at)
        at, weight = at[order], weight[order]
        steps = 0.5 * (weight[1:] + weight[:-1]) * np.diff(at)
        if not steps.sum() > 0.0:
            raise ValueError(
                "the weights of the response add up to zero; give distances in cm and weights "
                "above 0"
            )
        total = np.concatenate([[0.0], np.cumsum(steps)]) / steps.sum()
        return lambda x: np.where(np.isnan(x), np.nan, np.interp(x, at, total))
    sigma = float(width) * _SIGMA
    if not sigma > 0.0:
        raise ValueError(f"response_width is {width:g} cm; it must be above zero")
    return lambda x: special.ndtr(np.asarray(x) / sigma)


def edge_correct(
    dataset: xr.Dataset,
    share: Numbers | Dimensional,
    *,
    least_fill: float = _T["least_fill"],
    share_uncertainty: Numbers | Dimensional | None = None,
) -> xr.Dataset:
    """Count rate corrected to a response that is completely filled with core.

    Parameters
    ----------
    dataset : Dataset, (reading)
        Holds ``natural_gamma_rate``.
    share : ndarray, Quantity or DataArray, (reading)
        Result of :func:`filled_share` [1].
    least_fill : float
        Smallest share that is corrected [1], one half or more.
    share_uncertainty : float, ndarray, Quantity or DataArray, optional
        Systematic standard uncertainty of the share [1], for example from the width of the
        response; if not given, the effect on corrected readings is NaN.

    Returns
    -------
    Dataset
        ``natural_gamma_rate`` [1/s]: corrected readings have the reason ``edge_corrected``;
        readings with too small a share are not changed and have the reason
        ``response_not_filled``. Also ``natural_gamma_rate_uncorrected`` and ``filled_share``.

    Raises
    ------
    ValueError
        When ``least_fill`` is below one half or above one, when the number of shares differs from
        that of readings, when a share is not a fraction, or when the rate is already corrected.

    Notes
    -----
    n / f, and the same for uncertainties (definition). Below one half, more of the reading comes
    from outside the core than from the core.
    """
    if not _LEAST <= least_fill <= 1.0:
        raise ValueError(
            f"least_fill is {least_fill:g}; it must lie between 0.5 and 1. Below one half, most of "
            "the reading comes from outside the core"
        )
    if "natural_gamma_rate_uncorrected" in dataset:
        raise ValueError(
            "natural_gamma_rate is already corrected for the ends of sections; give the rate "
            "before that correction"
        )
    rate = series.unpack(dataset, "natural_gamma_rate")
    values = np.asarray(without_coords(rate.values), dtype=float)
    f = np.asarray(units.as_floats(share, "1", "share"), dtype=float)
    if f.shape != values.shape:
        raise ValueError(
            f"{f.size} filled shares for {values.size} readings; give one for each reading"
        )
    known = np.isfinite(f)
    # Shares are integrals and may exceed 1 by rounding.
    if np.any((f[known] < 0.0) | (f[known] > 1.0 + 1e-9)):
        raise ValueError(
            f"filled shares are {np.nanmin(f):g} to {np.nanmax(f):g}; expected 0 to 1, as from "
            "filled_share"
        )
    small = known & (f < least_fill)
    # A share of practically 1 is not corrected, so that its reading keeps its flag.
    corrected = known & ~small & (f < _FULL)
    by = np.where(corrected, f, 1.0)
    u_f = np.broadcast_to(given_uncertainty(share_uncertainty, "1", "share_uncertainty"), f.shape)
    effects = {name: np.asarray(without_coords(e)) / by for name, e in rate.effects.items()}
    effects["natural_gamma_response"] = np.where(corrected, -values / by**2 * u_f, 0.0)
    reason = np.asarray(without_coords(rate.reason)) | np.where(
        corrected, flags.bit("edge_corrected"), 0
    )
    # An unknown share may be a small one: the reading is not corrected and gets the same reason.
    reason = reason | np.where(small | ~known, flags.bit("response_not_filled"), 0)
    here = rate.values
    measured = Measured(
        here.copy(deep=False, data=values / by),
        np.asarray(without_coords(rate.u_random)) / by,
        effects,
        reason.astype(np.int64),
    )
    result = series.build(
        {"natural_gamma_rate": measured}, steps=_STEPS, constants={"least_fill": least_fill}
    )
    dims = here.dims
    words = {"units": "1/s", "long_name": "natural gamma rate, net, before the edge correction"}
    result["natural_gamma_rate_uncorrected"] = (dims, values, words)
    words = {"units": "1", "long_name": "share of the response filled with core"}
    result["filled_share"] = (dims, f, words)
    return result


_STEPS = (
    "net rate n = N / t - B / t_B (Poisson)",
    "end of the section n / f, f the share of the response filled with core",
)


# --------------------------------------------------------------------------------------------------
# Stacking of counts before they are stripped.


def stack(
    table: xr.Dataset, by: Sequence[int] | np.ndarray, *, counts: tuple[str, ...] | None = None
) -> xr.Dataset:
    """Sum counts and live times of groups of readings.

    Parameters
    ----------
    table : Dataset, (reading)
        Holds ``live_time`` [s] and counts [count].
    by : sequence of int, (reading)
        Number of the stack of each reading, rising; negative for readings that are left out.
    counts : tuple of str, optional
        Names of the counts; if not given, ``counts`` and all names that begin with ``counts_``.

    Returns
    -------
    Dataset, (reading)
        One reading for each stack: summed counts and ``live_time`` [s], any ``weight`` averaged by
        time, the mean of numeric coordinates, the first of other coordinates, and ``stacked``, the
        number of readings in the stack.

    Raises
    ------
    UnitError
        For a live time in a wrong unit.
    ValueError
        When the number of stack numbers differs from that of readings, or no reading is usable.

    Notes
    -----
    A sum of Poisson counts is a Poisson count (definition): a stack is equivalent to one long
    count. A reading without counts or without a positive live time is left out.
    """
    table = units.position_in_library_units(table)
    codes = np.asarray(by)
    size = table.sizes["reading"]
    if codes.shape != (size,):
        raise ValueError(
            f"{codes.size} stack numbers for {size} readings; give one for each reading"
        )
    names = counts or tuple(
        str(n) for n in table.data_vars if n == "counts" or str(n).startswith("counts_")
    )
    time = np.asarray(units.as_floats(table["live_time"], "s", "live_time"), dtype=float)
    sound = (codes >= 0) & (time > 0.0)
    for name in names:
        sound &= np.isfinite(table[name].values)
    if not sound.any():
        raise ValueError(
            f"none of {size} readings has a stack number of 0 or more in by, counts and a positive "
            "live time; give them for one reading at least"
        )
    rows = np.flatnonzero(sound)
    _, first, group = np.unique(codes[rows], return_index=True, return_inverse=True)

    def total(values: Any) -> np.ndarray:
        return np.bincount(group, weights=np.asarray(values, dtype=float)[rows])

    number = np.bincount(group)
    coordinates = {}
    for key, coordinate in table.coords.items():
        if coordinate.dims != ("reading",):
            continue
        # A mean of positions is a position; a mean of names or calendar times is not defined here.
        if coordinate.dtype.kind == "f":
            values: Any = total(coordinate.values) / number
        else:
            values = coordinate.values[rows[first]]
        coordinates[key] = ("reading", values, coordinate.attrs)
    seconds = total(time)
    data: dict[str, Any] = {
        name: ("reading", total(table[name].values), {"units": "count", "long_name": name})
        for name in names
    }
    data["live_time"] = ("reading", seconds, {"units": "s", "long_name": "live time"})
    data["stacked"] = ("reading", number, {"units": "1", "long_name": "readings in the stack"})
    for name in ("weight", "filled_share", "mass_factor"):
        if name in table:
            mean = total(table[name].values * time) / seconds
            data[name] = ("reading", mean, table[name].attrs)
    return xr.Dataset(data, coordinates)
