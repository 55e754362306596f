"""Index properties of many samples with uncertainty, and who is to blame; printed on demand.

Run: ``python -m tests.benchmarks.samples [samples]``. The ratio is to the same arithmetic in pandas
columns without uncertainty, effects, flags or neighbours.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd
import xarray as xr

from corephys.samples import index_properties as index
from tests.benchmarks.row import Row


def main(number: int = 25_000) -> list[Row]:
    """Print times and the ratio; return them for the table."""
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"wet": rng.uniform(14, 18, number), "dry": rng.uniform(8, 10, number),
                          "volume": rng.uniform(2.9, 3.6, number)})  # fmt: skip
    depth = np.sort(rng.uniform(0, 500, number))

    def column(name, unit):
        return xr.DataArray(
            frame[name].to_numpy(), dims="reading", attrs={"units": unit},
            coords={"depth": ("reading", depth, {"units": "m"})},
        )  # fmt: skip

    given = (column("wet", "g"), column("dry", "g"), column("volume", "cm^3"))
    stated = {"mass_uncertainty": "0.01 g", "mass_systematic": "0.005 g",
              "volume_uncertainty": "0.02 cm^3", "volume_systematic": "0.01 cm^3"}  # fmt: skip
    index.phase_relations(*(part[:50] for part in given), **stated)
    times, plain = [], []
    for _ in range(5):
        start = time.perf_counter()
        index.phase_relations(*given, **stated)
        times.append(time.perf_counter() - start)
        start = time.perf_counter()
        water = (frame.wet - frame.dry) / 0.965
        pores = water / 1.024
        grains = frame.volume - water * 0.035 / 2.2
        pd.DataFrame({"rho": frame.wet / (grains + pores), "phi": pores / (grains + pores),
                      "grain": (frame.wet - water) / grains, "e": pores / grains})  # fmt: skip
        plain.append(time.perf_counter() - start)
    start = time.perf_counter()
    index.likely_culprit(*given)
    blame = time.perf_counter() - start
    ratio = np.median(times) / np.median(plain)
    print(
        f"{number:,} samples: {np.median(times):.2f} s with uncertainty, effects and flags, "
        f"{ratio:.0f} times bare pandas columns; culprits {blame:.2f} s"
    )
    size = f"{number:,} samples"
    return [
        Row("index properties, beside bare columns", size, float(np.median(times)),
            float(np.median(plain))),
        Row("who is to blame", size, blame),
    ]  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
