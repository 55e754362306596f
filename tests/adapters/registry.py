"""How a row of ``tests/reference/values*.csv`` is handed to the function it checks.

An adapter takes the row's inputs as a dict and returns a number, or a mapping from which the
row's ``result`` is read. ``COVERS`` says which public function a row stands for.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

FOLDER = Path(__file__).resolve().parents[1] / "reference"
Inputs = dict[str, Any]
Adapter = Callable[[Inputs], Any]

ADAPTERS: dict[str, Adapter] = {}
COVERS: dict[str, str] = {}


def adapter(name: str, covers: str) -> Callable[[Adapter], Adapter]:
    """Register an adapter under the name that rows use."""

    def register(function: Adapter) -> Adapter:
        ADAPTERS[name] = function
        COVERS[name] = covers
        return function

    return register


def straight(name: str, covers: str, *positional: str) -> None:
    """Register a function whose scalar inputs are taken as they stand in the row."""
    module, function = covers.rsplit(".", 1)

    def call(inputs: Inputs) -> Any:
        arguments = [inputs[key] for key in positional]
        keywords = {key: value for key, value in inputs.items() if key not in positional}
        return getattr(import_module(module), function)(*arguments, **keywords)

    adapter(name, covers)(call)


def array(values: Any, unit: str, dimension: str = "reading") -> xr.DataArray:
    """Values along one dimension with their unit."""
    return xr.DataArray(np.asarray(values, dtype=float), dims=dimension, attrs={"units": unit})


def table(file: str) -> dict[str, np.ndarray]:
    """Columns of a small data file; its first line names the source."""
    with (FOLDER / file).open(newline="", encoding="utf-8") as handle:
        handle.readline()
        rows = list(csv.DictReader(handle))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}
