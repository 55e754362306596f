"""Generated arguments: numbers that Hypothesis draws, as the containers that users have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from hypothesis import strategies as st

from corephys.ground import flags, series, units
from corephys.ground.vocabulary import TERMS
from corephys.uncertainty import Measured

STEPS = 10**6


class Generated:
    """Whole numbers that Hypothesis draws, so that a failing example shrinks."""

    def __init__(self, data: Any) -> None:
        self._data = data

    def integers(self, low: int, high: int, count: int) -> list[int]:
        """``count`` numbers, both ends included."""
        strategy = st.lists(st.integers(low, high), min_size=count, max_size=count)
        return list(self._data.draw(strategy))


class Seeded:
    """Whole numbers of a fixed seed: shows what a case looks like, and that it is not refused."""

    def __init__(self, seed: int) -> None:
        self._generator = np.random.default_rng(seed)

    def integers(self, low: int, high: int, count: int) -> list[int]:
        """``count`` numbers, both ends included."""
        return self._generator.integers(low, high, count, endpoint=True).tolist()


class Draw:
    """Arguments of one example: all series of it lie at the same positions.

    Parameters
    ----------
    source : Generated or Seeded
        Source of all choices.
    size : int
        Number of readings.
    """

    def __init__(self, source: Generated | Seeded, size: int) -> None:
        self._source = source
        self.size = size
        self._drawn = 0
        gaps = self.numbers(0.05, 12.0)
        depth = np.cumsum(gaps)
        core = np.array([str(1 + i * 3 // max(size, 1)) for i in range(size)], dtype=object)
        self.positions = {
            "core": ("reading", core),
            "section": ("reading", np.array(["1"] * size, dtype=object)),
            "offset": ("reading", np.round(depth * 100.0 % 150.0, 3), {"units": "cm"}),
            "depth": ("reading", depth, {"units": "m"}),
        }

    def integer(self, low: int, high: int) -> int:
        """One whole number, both ends included."""
        return self._source.integers(low, high, 1)[0]

    def numbers(self, low: float, high: float, size: int | None = None) -> np.ndarray:
        """Numbers strictly between two ends; sharp limits of the library are not hit by chance."""
        count = self.size if size is None else size
        # Hypothesis begins with numbers that are all the least one. A shift of each number, by
        # multiples of the golden ratio, lets even these differ: equal ones make perfect lines and
        # flat traces, whose misfits are rounding alone.
        shifts = ((self._drawn + 1 + np.arange(count)) * 0.6180339887498949) % 1.0 * STEPS
        self._drawn += count
        drawn = np.array(self._source.integers(1, STEPS - 1, count), dtype=int)
        steps = 1 + (drawn + shifts.astype(int)) % (STEPS - 1)
        return low + (high - low) * np.array(steps, dtype=float) / STEPS

    def rising(self, low: float, high: float, size: int | None = None) -> np.ndarray:
        """Numbers between two ends that rise by at least a twentieth of their mean step."""
        steps = 0.05 + self.numbers(0.0, 1.0, (self.size if size is None else size) + 1)
        return low + (high - low) * np.cumsum(steps)[:-1] / np.sum(steps)

    def choice(self, *words: Any) -> Any:
        """One of several."""
        return words[self.integer(0, len(words) - 1)]

    def words(self, *words: str) -> np.ndarray:
        """A word for each reading."""
        return np.array([self.choice(*words) for _ in range(self.size)], dtype=object)

    def scalar(self, unit: str, low: float, high: float) -> Any:
        """One quantity, as a string or a Quantity."""
        value = float(self.numbers(low, high, 1)[0])
        return self.choice(f"{value!r} {unit}", units.quantity(value, unit))

    def series(
        self, unit: str, low: float, high: float, *, values: Any = None, dim: str = "reading"
    ) -> xr.DataArray:
        """A series with positions; along another dimension it has none."""
        numbers = self.numbers(low, high) if values is None else np.asarray(values, dtype=float)
        coords = self.positions if dim == "reading" and numbers.size == self.size else {}
        return xr.DataArray(numbers, dims=dim, coords=coords, attrs={"units": unit})

    def dataset(
        self, effects: Sequence[str] = ("core_diameter", "balance"), flagged: bool = True,
        **ranges: Any,
    ) -> xr.Dataset:  # fmt: skip
        """Quantities of the vocabulary with uncertainties, effects, flags and positions.

        A range is a pair of numbers in the unit of the vocabulary, or the values themselves.
        """
        quantities = {}
        for name, given in ranges.items():
            values = self.numbers(*given) if isinstance(given, tuple) else np.asarray(given, float)
            size = np.abs(values) + 0.02 * np.max(np.abs(values), initial=1e-30)
            reason = np.zeros(self.size, np.int64)
            if flagged and self.size > 4 and self.choice(True, False):
                reason[self.integer(0, self.size - 1)] = flags.bit("excluded_by_user")
            quantities[name] = Measured(
                xr.DataArray(values, dims="reading", coords=self.positions),
                size * self.numbers(0.002, 0.03),
                {
                    f"{source}": (1.0 if i % 2 == 0 else -1.0) * size * self.numbers(0.002, 0.02)
                    for i, source in enumerate(effects)
                },
                reason,
            )
        return series.build(quantities)

    def reasons(self, word: str = "excluded_by_user") -> xr.DataArray:
        """Reasons already found, as a caller hands them over: one reading bears one."""
        found = np.zeros(self.size, np.int64)
        found[self.integer(0, self.size - 1)] = flags.bit(word)
        return xr.DataArray(found, dims="reading", coords=self.positions)

    def table(self, dim: str = "row", **columns: Any) -> xr.Dataset:
        """A raw table: ``column=(unit, values)`` for numbers, plain arrays for text."""
        variables: dict[str, Any] = {}
        for name, given in columns.items():
            if isinstance(given, tuple):
                variables[name] = (dim, np.asarray(given[1], float), {"units": given[0]})
            else:
                variables[name] = (dim, np.asarray(given, dtype=object))
        coords = self.positions if dim == "reading" else {}
        return xr.Dataset(variables, coords=coords)


def uncertain(name: str) -> tuple[str, str]:
    """Unit of a quantity of the vocabulary, and that of its uncertainty."""
    return TERMS[name].unit, units.difference_unit(TERMS[name].unit)
