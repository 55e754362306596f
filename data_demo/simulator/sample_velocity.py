"""Travel times of P- and S-waves through samples along three axes of a core that lies in beds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

TIME_NOISE, S_TIME_NOISE, LENGTH_NOISE = 0.03, 0.8, 0.03  # us, us, mm: one standard deviation
DELAY_UNCERTAINTY, S_DELAY_UNCERTAINTY = 0.06, 0.5  # us
LENGTH_UNCERTAINTY = 0.04  # mm, of the calliper's zero
STATED_DELAY, STATED_S_DELAY = 4.30, 7.10  # us
GREATEST_ANISOTROPY, ANISOTROPY_LENGTH = 0.10, 250.0  # and m: beds form while mud compacts
AXES = ("along", "across", "normal")


@dataclass(frozen=True)
class SampleBench:
    """True state of the bench: delays [us] and what the calliper reads too much [mm]."""

    delay: float
    s_delay: float
    length_error: float
    laboratory_temperature: float = 20.0


def draw_bench(rng) -> SampleBench:
    """A bench whose true delays and calliper differ from the stated ones as stated."""
    return SampleBench(
        delay=STATED_DELAY + DELAY_UNCERTAINTY * rng.normal(),
        s_delay=STATED_S_DELAY + S_DELAY_UNCERTAINTY * rng.normal(),
        length_error=LENGTH_UNCERTAINTY * rng.normal(),
    )


def anisotropy(depth):
    """True share by which sound runs faster in the beds than across them."""
    return GREATEST_ANISOTROPY * (1.0 - np.exp(-np.asarray(depth, float) / ANISOTROPY_LENGTH))


def shear_velocity(speed):
    """True S-wave velocity [m/s] by the mudrock line (Castagna and others 1985, from memory)."""
    return np.maximum((speed - 1360.0) / 1.16, 60.0)


def measure(rng, bench, ground, layout, positions, shear_every=4):
    """Table and truth at `positions` (row, offset [cm]): three axes of P, and S along the core
    at every `shear_every`-th position.

    The ground's velocity is that in the beds. The two directions in the beds see the same speed;
    the axis along the core is slower.
    """
    rows = positions["row"].to_numpy()
    offset = positions["offset"].to_numpy(dtype=float)
    depth, own = layout.depths(rows, offset)
    keys = layout.sections[["core", "section"]].iloc[rows].reset_index(drop=True)
    share = anisotropy(own)
    level = ground.velocity(own)
    steep = level * (2.0 - share) / (2.0 + share)
    tables, truths = [], []
    plan = [(axis, "P", slice(None)) for axis in AXES] + [
        ("along", "S", slice(0, None, shear_every))
    ]
    for axis, wave, picked in plan:
        speed = (steep if axis == "along" else level)[picked]
        if wave == "S":
            speed = shear_velocity(speed)
        number = len(speed)
        length = rng.uniform(20.0, 30.0, number)
        delay, noise = (bench.delay, TIME_NOISE) if wave == "P" else (bench.s_delay, S_TIME_NOISE)
        time = delay + 1e3 * length / speed + rng.normal(0.0, noise, number)
        read = length + bench.length_error + rng.normal(0.0, LENGTH_NOISE, number)
        warm = bench.laboratory_temperature + rng.normal(0.0, 0.3, number)
        place = keys.iloc[picked].assign(
            **{"offset [cm]": offset[picked], "axis": axis, "wave": wave}
        )
        tables.append(
            place.assign(
                **{
                    "length [mm]": np.round(read, 3),
                    "travel_time [us]": np.round(time, 3),
                    "temperature [degC]": np.round(warm, 1),
                }
            )
        )
        truths.append(
            place.assign(
                **{
                    "depth [m]": np.round(depth[picked], 3),
                    "velocity [m/s]": np.round(speed, 3),
                    "p_wave_anisotropy": np.round(share[picked], 6),
                }
            )
        )
    return pd.concat(tables, ignore_index=True), pd.concat(truths, ignore_index=True)
