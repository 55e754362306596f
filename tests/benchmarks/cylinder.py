"""A hundred thousand values of the cylinder's decay, and its derivatives.

Run on demand: ``python tests/benchmarks/cylinder.py [values]``. The first call of an alpha also
finds its weights; it is timed apart.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from corephys.numerics import cylinder


def main(number):
    """Print the time of each."""
    tau = np.random.default_rng(1).permutation(np.geomspace(1e-3, 1e3, number))
    for alpha in (0.5, 1.3, 4.0):
        for words, function in (
            ("first call", cylinder.decay),
            ("decay", cylinder.decay),
            ("with derivatives", cylinder.decay_with_derivatives),
        ):
            start = time.perf_counter()
            function(alpha, tau)
            print(f"alpha {alpha}: {number:,} values, {words}: {time.perf_counter() - start:.3f} s")


if __name__ == "__main__":
    main(*([int(word) for word in sys.argv[1:]] or [100_000]))
