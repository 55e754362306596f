"""A hundred thousand values of the cylinder's decay, and its derivatives.

Run on demand: ``python -m tests.benchmarks.cylinder [values]``. The first call of an alpha also
finds its weights; it is timed apart.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from corephys.numerics import cylinder
from tests.benchmarks.row import Row


def main(number: int = 100_000) -> list[Row]:
    """Print the time of each; return those of the slowest alpha for the table."""
    tau = np.random.default_rng(1).permutation(np.geomspace(1e-3, 1e3, number))
    times: dict[str, list[float]] = {}
    for alpha in (0.5, 1.3, 4.0):
        for words, function in (
            ("first call", cylinder.decay),
            ("decay", cylinder.decay),
            ("with derivatives", cylinder.decay_with_derivatives),
        ):
            start = time.perf_counter()
            function(alpha, tau)
            times.setdefault(words, []).append(time.perf_counter() - start)
            print(f"alpha {alpha}: {number:,} values, {words}: {times[words][-1]:.3f} s")
    size = f"{number:,} values"
    return [Row(f"cooling cylinder, {words}", size, max(took)) for words, took in times.items()]


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
