"""Check shots: the time that a pulse from the sea takes through the ground to a clamped phone."""

from __future__ import annotations

import numpy as np
import pandas as pd

SPACING = 25.0  # m
NOISE = 0.15e-3  # s, of one one-way time
GRID = 0.05  # m


def shots(rng, ground, bottom):
    """Table of one-way times below the seafloor, already brought to the vertical."""
    edges = np.arange(0.0, bottom + GRID / 2.0, GRID)
    slowness = 1.0 / ground.velocity(0.5 * (edges[1:] + edges[:-1]))
    time = np.concatenate([[0.0], np.cumsum(np.diff(edges) * slowness)])
    depth = np.arange(0.0, bottom, SPACING)
    seen = np.interp(depth, edges, time) + rng.normal(0.0, NOISE, depth.size)
    seen[0] = 0.0  # the seafloor itself, from which the times are counted
    return pd.DataFrame({"depth [m]": depth, "one_way_time [s]": np.round(seen, 5)})
