"""One-dimensional compression tests: a disc that creeps, loaded by doublings, with one loop.

The physics is a creep law, not two lines: the void ratio falls elastically with stress and creeps
at a rate that falls with the distance from a reference line which is reached after a day of
loading (lines of equal rate). The readings in a step follow Terzaghi's series and the creep.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

HEIGHT = 20.0  # mm
HEIGHT_NOISE = 0.003  # mm
BEDDING = 0.01  # mm, at the start of a step
DAY = 86400.0  # s
READINGS = np.array([6, 15, 30, 60, 120, 240, 480, 900, 1800, 3600, 7200, 14400, 28800, DAY])


def settled(stress, initial, yield_stress, compression, recompression, creep):
    """Void ratio at the end of each day-long step at `stress` [kPa]; indices per tenfold.

    Under constant stress the creep law integrates in closed form.
    """
    elastic, slow = recompression / np.log(10.0), creep / np.log(10.0)
    power = (compression - recompression) / creep
    crept, e = 0.0, []
    for load in stress:
        crept = slow * np.logaddexp(crept / slow, power * np.log(load / yield_stress))
        e.append(initial - elastic * np.log(load / stress[0]) - crept)
    return np.array(e)


def consolidated(time_factor):
    """Share of consolidation (Terzaghi's series, load uniform over the height)."""
    m = np.pi / 2.0 * (2.0 * np.arange(400) + 1.0)
    decay = np.exp(-np.outer(np.atleast_1d(time_factor), m**2))
    return 1.0 - (2.0 / m**2 * decay).sum(axis=1)


def schedule(yield_stress, rng):
    """Doublings from well below yield to well beyond, with a loop past the yield [kPa]."""
    first = yield_stress / 2.0 ** rng.uniform(2.6, 4.0)
    loads = first * 2.0 ** np.arange(8)
    return np.concatenate([loads[:6], loads[4:2:-1], loads[4:6], loads[6:], [loads[4], loads[2]]])


def tests(rng, places, *, timed=2):
    """Tables of compression tests and their truth.

    `places` holds core, section, offset [cm], depth [m], void_ratio, effective_stress [kPa] and
    overconsolidation_ratio of every sample; the true yield stress is their product. The first
    `timed` loading steps past the yield carry readings in time.
    """
    rows, truth = [], []
    for number, place in enumerate(places.itertuples(), start=1):
        yield_stress = place.effective_stress * place.overconsolidation_ratio
        compression = rng.uniform(0.25, 0.45) * place.void_ratio
        recompression = compression * rng.uniform(0.10, 0.18)
        creep = compression * rng.uniform(0.025, 0.045)
        stress = schedule(yield_stress, rng)
        e = settled(stress, place.void_ratio, yield_stress, compression, recompression, creep)
        height = HEIGHT * (1.0 + e) / (1.0 + place.void_ratio)
        coefficient = 10.0 ** rng.uniform(-7.8, -6.8)
        keys = {"core": place.core, "section": place.section, "offset [cm]": place.offset,
                "test": f"C{number}"}  # fmt: skip
        past = [
            i for i in range(1, stress.size)
            if stress[i] > max(stress[:i].max(), yield_stress)
        ][:timed]  # fmt: skip
        for i, load in enumerate(stress):
            times, heights = np.array([DAY]), height[i : i + 1]
            if i in past:
                times = READINGS
                heights = _within(times, height[i - 1], height[i], coefficient)
            noisy = np.round(heights + rng.normal(0.0, HEIGHT_NOISE, times.size), 3)
            rows.append(
                pd.DataFrame(
                    {**keys, "step": i + 1, "stress [kPa]": round(float(load), 2),
                     "height [mm]": noisy, "time [s]": times}
                )
            )  # fmt: skip
        truth.append({**keys, "depth [m]": place.depth,
                      "initial_void_ratio": round(float(place.void_ratio), 4),
                      "yield_stress [kPa]": round(float(yield_stress), 2),
                      "compression_index": round(float(compression), 5),
                      "recompression_index": round(float(recompression), 5),
                      "coefficient_of_consolidation [m^2/s]": coefficient})  # fmt: skip
    return pd.concat(rows, ignore_index=True), pd.DataFrame(truth)


def _within(time, before, after, coefficient):
    """Heights [mm] in a step: bedding, consolidation, and creep that grows with log time."""
    path = 0.25e-3 * (before + after)  # m, half the height
    share = consolidated(coefficient * time / path**2)
    shape = share + 0.03 * np.log10(1.0 + coefficient * time / (1.8 * path**2))
    return before - BEDDING - (before - BEDDING - after) * shape / shape[-1]
