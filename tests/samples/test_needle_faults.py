"""Water that moves and contacts that are lost, simulated by finite volumes: hits, false alarms.

The curves come from a radial scheme of backward Euler steps that shares nothing with the
reduction: a needle of one temperature, a contact that may change, rings of sediment that conduct
and, where water moves, carry more heat than that.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from corephys.ground import flags
from corephys.samples import needle
from tests.samples.test_needle import NAME, _table

RADIUS, OWN, HEAT, STEP = 1e-3, 9.6, 3.3e6, 0.1
TIME = np.arange(-60.0, 241.0, 2.0)


def _scheme(k, contact, boost, power):
    """Matrix and source of one backward step of needle and rings."""
    edges = np.geomspace(RADIUS, 0.09, 91)
    middle = np.sqrt(edges[1:] * edges[:-1])
    ring = np.pi * HEAT * (edges[1:] ** 2 - edges[:-1] ** 2)
    own_k = k * np.where(middle < 0.012, boost, 1.0)
    half = np.log(edges[1:] / middle) / own_k, np.log(middle / edges[:-1]) / own_k
    between = 2 * np.pi / (half[0][:-1] + half[1][1:])
    film = contact / k  # of ln r / k, so that contact is k / (a H)
    joint = np.concatenate([[2 * np.pi / (film + half[1][0])], between])
    capacity = np.concatenate([[OWN], ring])
    matrix = np.diag(capacity / STEP)
    for i, g in enumerate(joint):
        matrix[i : i + 2, i : i + 2] += g * np.array([[1, -1], [-1, 1]])
    inverse = np.linalg.inv(matrix)
    return inverse * (capacity / STEP), inverse[:, 0] * power


def _curve(k, power, stages):
    """Rise of the needle at TIME; stages are (from when, contact, boost)."""
    state, rises, now = np.zeros(91), [0.0], 0.0
    stages = [*stages, (np.inf, 0, 1)]
    for (_, contact, boost), (until, *_) in pairwise(stages):
        step, source = _scheme(k, contact, boost, power)
        while now < min(until, TIME[-1]) - 1e-9:
            state = step @ state + source
            now += STEP
            rises.append(state[0])
    return np.interp(np.maximum(TIME, 0.0), STEP * np.arange(len(rises)), rises)


def _found(kind, runs, seed, noise=1e-3):
    rng = np.random.default_rng(seed)
    curves, truth = [], rng.uniform(0.8, 1.6, runs)
    for k in truth:
        contact, onset = rng.uniform(0.05, 0.5), rng.uniform(70.0, 160.0)
        stages = [(0.0, contact, 1.0)]
        if kind == "convection":
            strength = rng.uniform(0.15, 0.5)
            stages += [(onset + 5 * i, contact, 1 + strength * i / 8) for i in range(1, 9)]
        elif kind == "lost_contact":
            stages += [(onset, contact + rng.uniform(0.05, 0.5), 1.0)]
        rise = _curve(k, 3.0, stages)
        noisy = 20 + rise + rng.normal(0, 2e-5) * TIME + rng.normal(0, noise, TIME.size)
        curves.append(noisy)
    return needle.thermal_conductivity(_table(np.array(curves), TIME)), truth


def _share(found, word):
    return float(((found[f"{NAME}_reason"].values & flags.bit(word)) != 0).mean())


def test_scheme_agrees_with_the_exact_cylinder():
    from data_demo.simulator import needle as simulated

    ours = _curve(1.1, 3.0, [(0.0, 0.3, 1.0)])
    exact = simulated.rise(TIME, 1.1, HEAT, 3.0, 1.1 / (0.3 * RADIUS), False)
    late = TIME > 10
    np.testing.assert_allclose(ours[late], exact[late], atol=2e-3)


def test_still_water_and_firm_contact_raise_no_alarm():
    found, truth = _found("none", 60, 1)
    rates = {word: _share(found, word) for word in ("convection", "lost_contact")}
    print("false alarms", rates)
    assert max(rates.values()) <= 1 / 60
    assert abs(np.nanmean(found[NAME].values / truth) - 1) < 0.01


@pytest.mark.parametrize(
    ("word", "other"), [("convection", "lost_contact"), ("lost_contact", "convection")]
)
def test_faults_are_named(word, other):
    found, _ = _found(word, 40, 2)
    hit, confused = _share(found, word), _share(found, other)
    print(word, "hits", hit, "taken for", other, confused)
    assert hit >= 0.8
    assert confused <= 0.1
    marked = (found[f"{NAME}_reason"].values & flags.bit(word)) != 0
    assert (found[f"{NAME}_flag"].values[marked] != flags.GOOD).all()
