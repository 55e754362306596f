"""Repeated heating runs at one position, combined into one value."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, flags, series, thresholds
from corephys.uncertainty import Measured

__all__ = ["combine_repeats"]

_FAR = thresholds.value("needle_repeat_errors")
_NAME = "thermal_conductivity"
LARGEST_SPREAD = thresholds.value("needle_repeat_spread")


def combine_repeats(
    dataset: xr.Dataset, *, allow: tuple[str, ...] = ("good", "not_evaluated")
) -> xr.Dataset:
    """One conductivity for the runs at each position and direction.

    Parameters
    ----------
    dataset : Dataset, (reading)
        From :func:`~corephys.samples.needle.thermal_conductivity`.
    allow : tuple of str
        Flag levels of the runs that go into a mean.

    Returns
    -------
    Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)], the mean of the usable runs weighted by their random
        variances, of all runs where none is usable; ``repeats``, how many runs there were, and
        ``repeats_used``. Effects are averaged with the same weights.

    Notes
    -----
    Inverse-variance mean (JCGM 100:2008), its random uncertainty widened by the reduced
    chi-square where that exceeds one (Birge 1932). Repeats that scatter by more than three
    standard uncertainties and five per cent get ``repeats_disagree``.
    """
    dataset = companions.library_units(dataset)
    value = dataset[_NAME].values
    names = [n for n in ("core", "section", "offset", "depth", "direction") if n in dataset.coords]
    if names:
        keys = pd.DataFrame({name: dataset[name].values for name in names})
        group = keys.groupby(names, sort=False, dropna=False).ngroup().to_numpy()
    else:
        group = np.arange(value.size)
    number = int(group.max(initial=-1)) + 1
    # The position goes by its lowest run, whatever the order of the rows.
    named = "run" in dataset.coords
    rows = np.argsort(dataset["run"].values, kind="stable") if named else np.arange(value.size)
    first = rows[np.unique(group[rows], return_index=True)[1]]
    good = flags.usable(dataset[f"{_NAME}_flag"].values, allow) & np.isfinite(value)
    any_good = np.bincount(group[good], minlength=number) > 0
    use = np.where(any_good[group], good, np.isfinite(value))
    random = dataset[f"{_NAME}_u_random"].values
    weight = _weights(random, use, group, number)

    def mean(array: np.ndarray) -> np.ndarray:
        return np.bincount(group, np.where(use, weight * array, 0.0), minlength=number)

    used = np.bincount(group[use], minlength=number)
    combined = np.where(used > 0, mean(value), np.nan)
    deviation = np.where(use, value - combined[group], 0.0)
    u, disagree = _uncertainty(random, deviation, weight, use, group, used, combined)
    reason = np.zeros(number, np.int64)
    # The reasons of the runs that went in; of all runs where none could.
    np.bitwise_or.at(reason, group, np.where(use | (used == 0)[group],
                                             dataset[f"{_NAME}_reason"].values, 0))  # fmt: skip
    reason[disagree] |= flags.bit("repeats_disagree")
    coords = {
        name: ("reading", coordinate.values[first], dict(coordinate.attrs))
        for name, coordinate in dataset.coords.items()
        if coordinate.dims == ("reading",)
    }
    if "sample_id" in coords:
        members = [np.flatnonzero(group == k) for k in range(number)]
        coords["sample_id"] = (
            "reading", series.joined_names(dataset["sample_id"].values, members),
            dict(dataset["sample_id"].attrs),
        )  # fmt: skip
    # A position without a value has no effect that is known, rather than one of zero.
    effects = {
        str(source): np.where(used > 0, mean(dataset[f"{_NAME}_effects"].values[i]), np.nan)
        for i, source in enumerate(dataset["source"].values)
    }
    values = xr.DataArray(combined, dims="reading", coords=coords)
    found = series.build(
        {_NAME: Measured(values, u, effects, reason)},
        steps=("weighted mean of the runs at a position",),
    )
    runs = np.bincount(group, minlength=number)
    for name, counts, words in (("repeats", runs, "runs at the position"),
                                ("repeats_used", used, "runs in the mean")):  # fmt: skip
        found[name] = ("reading", counts.astype(np.int32), {"units": "1", "long_name": words})
    return found


def _weights(random: np.ndarray, use: np.ndarray, group: np.ndarray, number: int) -> np.ndarray:
    """Inverse variances that add to one in a group; equal where an uncertainty is unknown."""
    known = np.isfinite(random) & (random > 0)
    all_known = np.bincount(group[use & ~known], minlength=number) == 0
    raw = np.where(all_known[group] & known, 1.0 / np.where(known, random, 1.0) ** 2, 1.0)
    raw = np.where(use, raw, 0.0)
    total = np.bincount(group, raw, minlength=number)[group]
    return np.asarray(raw / np.where(total > 0, total, 1.0))


def _uncertainty(
    random: np.ndarray, deviation: np.ndarray, weight: np.ndarray, use: np.ndarray,
    group: np.ndarray, used: np.ndarray, combined: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    number = used.size
    variance = np.bincount(group, np.where(use, (weight * random) ** 2, 0.0), minlength=number)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(use, (deviation / random) ** 2, 0.0)
        chi = np.bincount(group, score, minlength=number) / np.maximum(used - 1, 1)
        widened = np.sqrt(variance * np.where(used > 1, np.maximum(chi, 1.0), 1.0))
        far = use & (np.abs(deviation) > LARGEST_SPREAD * combined[group])
        far &= ~(np.abs(deviation) <= _FAR * random)
    disagree = np.bincount(group[far], minlength=number) > 0
    return np.where(used > 0, widened, np.nan), disagree
