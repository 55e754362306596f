"""What holds in every result: a value or an uncertainty that is not known is NaN, never zero."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from corephys.ground import series

UNCERTAINTIES = ("_u_random", "_u_systematic", "_u_total", "_u", "_uncertainty")


def broken(dataset: xr.Dataset, where: str = "") -> Iterator[str]:
    """Places of a Dataset where something unknown has an uncertainty of zero."""
    for name in map(str, dataset.data_vars):
        values = dataset[name]
        if values.dtype.kind != "f":
            continue
        missing = np.isnan(values.values)
        for end in UNCERTAINTIES:
            beside = f"{name}{end}"
            if beside in dataset and dataset[beside].dims == values.dims:
                u = dataset[beside].values
                if (missing & (u == 0.0)).any():
                    yield f"{where}{beside} is 0 where {name} is NaN"
                if (u < 0.0).any():
                    yield f"{where}{beside} is below 0"
        effects = dataset.get(f"{name}_effects")
        if effects is None or effects.dims != ("source", *values.dims):
            continue
        if (missing & (effects.values == 0.0)).any():
            yield f"{where}{name}_effects is 0 where {name} is NaN"
        systematic = dataset[f"{name}_u_systematic"].values
        not_stated = np.isnan(effects.values).any(axis=0)
        if (not_stated & (systematic == 0.0)).any():
            yield f"{where}{name}_u_systematic is 0 where an effect is NaN"


def unknown_is_nan(tree: xr.DataTree) -> None:
    """Assert it of every result of a hole; raw tables stay as they were given."""
    found = [words for path, dataset in results(tree) for words in broken(dataset, f"{path}: ")]
    assert not found, found


def results(tree: xr.DataTree) -> Iterator[tuple[str, xr.Dataset]]:
    """Paths and Datasets of the results of a reduced hole."""
    for node in tree.leaves:
        if node.path.startswith(("/properties", "/products")):
            dataset = series.leaf(tree, node.path)
            if dataset is not None:
                yield node.path, dataset
