"""Volumes of samples: by calliper, corrected cells of a pycnometer, and means of repeats."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, flags, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.laws import law
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar, WithUnit

__all__ = [
    "block_volume",
    "corrected_volume",
    "cylinder_volume",
    "mean_of_repeats",
    "pycnometer_cells",
]

_T = thresholds.DEFAULTS


@law("cm^3", diameter="positive cm", length="positive cm")
def cylinder_volume(diameter: Dimensional, length: Dimensional) -> WithUnit:
    """Volume of a cylinder measured by calliper.

    Parameters
    ----------
    diameter, length : Quantity, DataArray or str
        Diameter and length of the cylinder [mm].

    Returns
    -------
    Quantity or DataArray
        Volume [cm^3].

    Notes
    -----
    V = pi d^2 l / 4 (geometry).
    """
    return 0.25 * np.pi * diameter * diameter * length


@law("cm^3", length="positive cm", width="positive cm", height="positive cm")
def block_volume(length: Dimensional, width: Dimensional, height: Dimensional) -> WithUnit:
    """Volume of a block measured by calliper.

    Parameters
    ----------
    length, width, height : Quantity, DataArray or str
        Sides of the block [mm].

    Returns
    -------
    Quantity or DataArray
        Volume [cm^3].

    Notes
    -----
    V = l w h (geometry).
    """
    return length * width * height


def pycnometer_cells(
    value: Dimensional,
    reading: Dimensional,
    *,
    cell: str | Sequence[str] | xr.DataArray = "",
    limit: Scalar = _T["pycnometer_limit"],
) -> xr.Dataset:
    """Scale factor of every cell of a pycnometer, from spheres of known volume.

    Parameters
    ----------
    value, reading : Quantity or DataArray, (standard)
        Known volume of the sphere, and its volume as read with the cell [cm^3].
    cell : str or sequence of str, (standard)
        Name of the cell.
    limit : Quantity or str
        Largest accepted error of a corrected standard [cm^3].

    Returns
    -------
    Dataset, (cell)
        ``factor`` [1] and ``factor_u_random`` [1], known over read volume; ``deviation`` [cm^3] of
        the corrected standards; ``largest_error`` [cm^3], ``standards`` and ``within_limit``.

    Raises
    ------
    ValueError
        When no standard has a volume above zero, or names and standards differ in number.

    Notes
    -----
    Least squares through the origin, value = f reading (definition of a scale), because an empty
    cell reads zero. With one sphere the uncertainty is NaN. The limit is common practice, no
    source.
    """
    known = np.atleast_1d(np.asarray(without_coords(positive(value, "cm^3", "value")), dtype=float))
    read = np.atleast_1d(
        np.asarray(without_coords(positive(reading, "cm^3", "reading")), dtype=float)
    )
    words = cell.values if hasattr(cell, "dims") else np.asarray(cell, dtype=object)
    try:
        names = np.broadcast_to(words, known.shape).astype(str)
    except ValueError:
        raise ValueError(
            f"{np.size(words)} names of cells for {known.size} standards; give one for each"
        ) from None
    most = float(positive(limit, "cm^3", "limit"))
    cells = list(dict.fromkeys(names))
    rows = []
    for name in cells:
        use = (names == name) & (known > 0.0) & (read > 0.0)
        x, y = read[use], known[use]
        factor = float(x @ y / (x @ x)) if x.size else np.nan
        left = y - factor * x
        scatter = float(np.sqrt(left @ left / (x.size - 1))) if x.size > 1 else np.nan
        worst = float(np.abs(left).max()) if x.size else np.nan
        u = scatter / np.sqrt(float(x @ x)) if x.size else np.nan
        # After the correction one sphere has no error, so its error before the correction is used.
        judged = worst if x.size > 1 else float(np.abs(y - x).max(initial=0.0))
        rows.append((factor, u, scatter, worst, x.size, bool(x.size and judged <= most)))
    columns = list(zip(*rows, strict=True))
    named = (
        ("factor", "1", "known over read volume"),
        ("factor_u_random", "1", "uncertainty of the factor"),
        ("deviation", "cm^3", "standard deviation of the corrected standards"),
        ("largest_error", "cm^3", "largest error of a corrected standard"),
        ("standards", "1", "standards used"),
        ("within_limit", None, "standards within the limit"),
    )
    found = xr.Dataset(
        coords={"cell": ("cell", np.array(cells, dtype=object))},
        attrs={"constants": constants_attribute({"limit": limit})},
    )
    for (name, unit, text), column in zip(named, columns, strict=True):
        attributes = {"long_name": text} | ({} if unit is None else {"units": unit})
        found[name] = ("cell", np.array(column), attributes)
    return found


def corrected_volume(
    volume: Dimensional, cell: Sequence[str] | xr.DataArray, cells: xr.Dataset
) -> xr.Dataset:
    """Volumes of samples, corrected with the factors of their cells.

    Parameters
    ----------
    volume : DataArray, (reading)
        Volume as read with the cell [cm^3].
    cell : sequence of str, (reading)
        Name of the cell of each sample.
    cells : Dataset, (cell)
        Factors from :func:`pycnometer_cells`.

    Returns
    -------
    Dataset, (reading)
        ``volume`` and ``volume_u_random`` [cm^3]; ``reason`` with ``standard_out_of_control``
        where the standards of the cell are outside their limit, and ``no_baseline`` where the
        cell has no standard; such a volume is not corrected.

    Raises
    ------
    ValueError
        When there is not one name for each sample.

    Notes
    -----
    V = f V_read (definition), with the factor of :func:`pycnometer_cells`.
    """
    read = units.as_floats(volume, "cm^3", "volume")
    names = np.asarray(cell.values if hasattr(cell, "dims") else cell, dtype=object).astype(str)
    plain = np.atleast_1d(np.asarray(without_coords(read), dtype=float))
    if names.shape != plain.shape:
        raise ValueError(f"{names.size} names of cells for {plain.size} samples; give one for each")
    cells = companions.library_units(cells, {"factor": "1"})
    known = {str(name): i for i, name in enumerate(cells["cell"].values)}
    row = np.array([known.get(name, -1) for name in names])

    def of(part: str, otherwise: float) -> np.ndarray:
        # Row -1, of a cell without standards, is the value appended here.
        return np.append(cells[part].values.astype(float), otherwise)[row]

    factor = of("factor", 1.0)
    reason = np.where(of("within_limit", 1.0) == 0.0, flags.bit("standard_out_of_control"), 0)
    reason = reason | np.where(row < 0, flags.bit("no_baseline"), 0)
    coords = read.coords if isinstance(read, xr.DataArray) else None
    found = xr.Dataset(coords=coords)
    found["volume"] = ("reading", factor * plain, {"units": "cm^3", "long_name": "volume"})
    found["volume_u_random"] = (
        "reading",
        plain * of("factor_u_random", np.nan),
        {"units": "cm^3", "long_name": "uncertainty of the volume by the cell's factor"},
    )
    found["reason"] = (
        "reading",
        reason.astype(np.int64),
        flags.reason_attributes("the volume"),
    )
    return found


def mean_of_repeats(
    volume: Dimensional,
    sample: Sequence[str] | Sequence[int] | np.ndarray | xr.DataArray,
    *,
    limit: Scalar = _T["pycnometer_repeat_limit"],
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """Mean of the repeated volumes of every sample.

    Parameters
    ----------
    volume : DataArray or Quantity, (reading)
        Volumes of all repeats [cm^3].
    sample : sequence of str or int, (reading)
        Name or number of the sample of each repeat.
    limit : Quantity or str
        Range of the repeats of one sample above which they disagree [cm^3].
    reason : int or ndarray of int, (reading)
        Bit mask of reasons already found; bad repeats are left out where a good one exists.

    Returns
    -------
    Dataset, (sample)
        ``volume`` [cm^3], ``volume_u_random`` [cm^3] of the mean, ``repeats``, ``repeats_used``,
        ``range`` [cm^3], and ``reason`` with ``repeats_disagree``.

    Raises
    ------
    ValueError
        When there is not one name for each volume.

    Notes
    -----
    Mean and its standard deviation s / sqrt(n). s is pooled over all samples with repeats, since
    two or three repeats fix their scatter poorly (JCGM 100:2008, 4.2). NaN where no sample was
    repeated.
    """
    plain = np.atleast_1d(
        np.asarray(without_coords(units.as_floats(volume, "cm^3", "volume")), dtype=float)
    )
    names = np.asarray(sample.values if hasattr(sample, "dims") else sample, dtype=object)
    if names.shape != plain.shape:
        raise ValueError(
            f"{names.size} names of samples for {plain.size} volumes; give one for each"
        )
    group, labels = pd.factorize(names)
    bits = np.broadcast_to(np.asarray(without_coords(reason), dtype=np.int64), plain.shape)
    fine = np.isfinite(plain) & (flags.from_reason(bits) <= flags.SUSPECT)
    any_fine = np.bincount(group, fine, minlength=labels.size) > 0
    use = np.where(any_fine[group], fine, np.isfinite(plain))
    number = np.bincount(group, use, minlength=labels.size)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(group, np.where(use, plain, 0.0), minlength=labels.size) / number
    off = np.where(use, plain - mean[group], 0.0)
    freedom = float(np.maximum(number - 1, 0).sum())
    pooled = np.sqrt(float(off @ off) / freedom) if freedom else np.nan
    low, high = np.full(labels.size, np.inf), np.full(labels.size, -np.inf)
    np.minimum.at(low, group[use], plain[use])
    np.maximum.at(high, group[use], plain[use])
    spread = np.where(number > 0, high - low, np.nan)
    marks = np.zeros(labels.size, np.int64)
    np.bitwise_or.at(marks, group, np.where(use, bits, 0))
    marks[number == 0] |= flags.bit("missing_value")
    marks[spread > float(positive(limit, "cm^3", "limit"))] |= flags.bit("repeats_disagree")
    found = xr.Dataset(
        coords={"sample": ("sample", np.asarray(labels, dtype=object))},
        attrs={"constants": constants_attribute({"limit": limit})},
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.where(number > 0, pooled / np.sqrt(number), np.nan)
    columns = {
        "volume": (mean, "cm^3", "mean volume"),
        "volume_u_random": (u, "cm^3", "uncertainty of the mean"),
        "repeats": (np.bincount(group, minlength=labels.size), "1", "repeats"),
        "repeats_used": (number.astype(int), "1", "repeats in the mean"),
        "range": (spread, "cm^3", "range of the repeats"),
    }
    for name, (array, unit, words) in columns.items():
        found[name] = ("sample", array, {"units": unit, "long_name": words})
    found["reason"] = ("sample", marks, flags.reason_attributes("the volume"))
    return found
