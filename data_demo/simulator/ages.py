"""Ages: grains settle at a rate of each layer's own, one surface is a hiatus, data have errors."""

from __future__ import annotations

import numpy as np
import pandas as pd

GRID = 0.05  # m
EVERY = 22.0  # m, about, between data
MASS_RATES = (3.0, 14.0)  # g/(cm^2 kyr)
HIATUS = (150.0, 500.0)  # kyr
FIRST_ERROR, ERROR_GROWTH = 3.0, 0.012  # kyr, and share of the age


def data(rng, ground, bottom):
    """Table of dated depths and its truth: age [kyr] and mass of grains above [g/cm^2].

    The mass that settles in a time is what the ground is made of: ages follow from porosity and
    grain density. Two data enclose the hiatus, at the boundary in the middle of the layers.
    """
    edges = np.arange(0.0, bottom + GRID / 2.0, GRID)
    middle = 0.5 * (edges[1:] + edges[:-1])
    dry = (1.0 - ground.porosity(middle)) * ground.grain_density(middle)
    mass = np.concatenate([[0.0], np.cumsum(dry * GRID * 100.0)])
    number = len(ground.layers)
    rates = np.exp(rng.uniform(*np.log(MASS_RATES), number))[ground.layer_index(middle)]
    age = np.concatenate([[0.0], np.cumsum(np.diff(mass) / rates)])
    gap, at = rng.uniform(*HIATUS), float(ground.layers["top"].iloc[number // 2])
    count = max(round(bottom / EVERY), 4)
    steps = bottom / count
    depth = (np.arange(count) + 0.5) * steps + rng.uniform(-0.3, 0.3, count) * steps
    depth = np.round(np.sort(np.append(depth, [at, at])), 2)
    below = (depth > at) | ((depth == at) & np.append(False, np.diff(depth) == 0.0))
    true = np.interp(depth, edges, age) + gap * below
    error = np.round(FIRST_ERROR + ERROR_GROWTH * true, 1)
    seen = np.round(true + error * rng.normal(0.0, 1.0, depth.size), 1)
    table = pd.DataFrame({"depth [m]": depth, "age [kyr]": seen, "age_uncertainty [kyr]": error})
    truth = pd.DataFrame({
        "depth [m]": depth, "age [kyr]": np.round(true, 3),
        "mass_above [g/cm^2]": np.round(np.interp(depth, edges, mass), 3),
    })  # fmt: skip
    # The seafloor is of today, and nobody has to date it.
    first = {"depth [m]": [0.0], "age [kyr]": [0.0]}
    table = pd.concat([pd.DataFrame(first | {"age_uncertainty [kyr]": [0.0]}), table])
    truth = pd.concat([pd.DataFrame(first | {"mass_above [g/cm^2]": [0.0]}), truth])
    # A second age at one depth is a second run there.
    table.insert(1, "run", 1 + table["depth [m]"].duplicated().astype(int))
    return table.reset_index(drop=True), truth.reset_index(drop=True)
