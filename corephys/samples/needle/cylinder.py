"""Fit of a heated cylinder with contact resistance to complete heating curves, as a cross-check.

The window regression uses the expansion of this model for late times. Here the exact curve is
fitted, from soon after the start of heating, by a few Gauss-Newton steps. The curve is interpolated
in a table, since the exact one is an integral for every sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from corephys.ground import thresholds
from corephys.numerics import cylinder
from corephys.samples.needle.drift import Drift, clock
from corephys.samples.needle.runs import Runs

SOON = thresholds.value("needle_cylinder_time")
ROUNDS = 5  # a fixed number, so that the result of a run does not depend on the other runs
# Nodes of the table: contact resistance k / (a H), ln(kappa t / a^2) and heat of the needle.
_CONTACTS = np.array([0.0, 0.03, 0.07, 0.12, 0.2, 0.3, 0.45, 0.65, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0])
_LOW, _STEP, _NODES = float(np.log(0.2)), 0.1, 132  # kappa t / a^2 from 0.2 to 1e5
_SPREAD = 0.25  # step of ln(heat capacity of needle / sediment) between the three sheets
_BLOCK = 256  # runs at a time


@dataclass
class CylinderFit:
    """Result of each run, (runs,), NaN where radius or temperature before heating is unknown.

    Parameters
    ----------
    conductivity, uncertainty : ndarray
        Thermal conductivity and its random standard uncertainty [W/(m K)].
    contact : ndarray
        Contact resistance k / (a H) [1].
    """

    conductivity: np.ndarray
    uncertainty: np.ndarray
    contact: np.ndarray


@dataclass
class _State:
    """Parameters of each run: ln k, contact, ln of the needle heat, rate of the drift."""

    log_k: np.ndarray
    contact: np.ndarray
    own: np.ndarray
    drift: np.ndarray


def fit(
    runs: Runs,
    end: np.ndarray,
    level: np.ndarray,
    scale: np.ndarray,
    capacity: float,
    own: tuple[float, float],
    start: tuple[np.ndarray, np.ndarray],
    drift: Drift,
) -> CylinderFit:
    """Fit conductivity, contact, heat of the needle and drift to the samples up to ``end`` [s].

    ``level`` is the temperature before heating [degC], ``scale`` is q / (4 pi) in a full space
    [W/m], ``capacity`` that of the sediment [J/(m^3 K)]. ``own`` is the heat capacity of the needle
    over that of the sediment and its relative uncertainty, both [1]; ``start`` are the first
    conductivity and contact. ``drift`` is subtracted first. The samples before heating constrain
    the rest of the drift around zero, and its uncertainty constrains the heat of the needle.
    """
    k, contact = start
    good = np.isfinite(k) & np.isfinite(runs.radius) & np.isfinite(level) & np.isfinite(scale)
    found = CylinderFit(*(np.full(k.shape, np.nan) for _ in range(3)))
    table = _table(round(own[0], 6)) if good.any() else np.empty(0)
    rows = np.flatnonzero(good)
    for first in range(0, rows.size, _BLOCK):
        block = rows[first : first + _BLOCK]
        warm = k[block] / (capacity * runs.radius[block] ** 2)
        use = runs.time[block] * warm[:, None] >= SOON
        use &= runs.time[block] <= end[block, None]
        width = int(np.max(np.where(use.any(axis=0), np.arange(1, use.shape[1] + 1), 0)))
        if not width:
            continue
        # Unused samples get a time inside the table; their residuals are set to zero.
        time = np.where(use, runs.time[block], 1.0 / warm[:, None])[:, :width]
        settled = level[block, None] + drift.of(block).curve(runs.time[block])
        rise = np.where(use, runs.temperature[block] - settled, 0.0)[:, :width]
        answer = _solve(
            table,
            time,
            rise,
            use[:, :width],
            scale[block],
            capacity * runs.radius[block] ** 2,
            own[1],
            (clock(time, drift.settling[block]), _hold(runs, block, drift.settling)),
            (np.log(k[block]), np.nan_to_num(contact[block], nan=0.2)),
        )
        found.conductivity[block], found.uncertainty[block], found.contact[block] = answer
    return found


def _hold(runs: Runs, block: np.ndarray, settling: np.ndarray) -> np.ndarray:
    """Root of the sum of squared times of the drift before heating about their mean [s]."""
    t = clock(runs.before_time[block], settling[block])
    known = np.isfinite(t)
    mean = np.where(known, t, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    squares = np.where(known, (t - mean[:, None]) ** 2, 0.0).sum(axis=1)
    return np.asarray(np.sqrt(squares))


def _solve(
    table: np.ndarray,
    time: np.ndarray,
    rise: np.ndarray,
    use: np.ndarray,
    scale: np.ndarray,
    heat: np.ndarray,
    own_uncertainty: float,
    drifting: tuple[np.ndarray, np.ndarray],
    start: tuple[np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Conductivity, its uncertainty [W/(m K)] and contact [1] by Gauss-Newton steps."""
    runs = scale.size
    clocks, hold = drifting
    state = _State(start[0], np.clip(start[1], 0.0, 4.0), np.zeros(runs), np.zeros(runs))
    unit = np.full(runs, np.nan)
    noise = np.full(runs, 1e-3)
    freedom = np.maximum(use.sum(axis=1) - 4, 1)
    slow = np.maximum(np.max(np.where(use, clocks, 0.0), axis=1), 1.0)
    for _ in range(ROUNDS):
        value, by_tau, by_contact, by_own = _curve(table, time, heat, state)
        amplitude = (scale * np.exp(-state.log_k))[:, None]
        residual = np.where(use, rise - amplitude * value - state.drift[:, None] * clocks, 0.0)
        columns = [
            amplitude * (by_tau - value),
            amplitude * by_contact,
            amplitude * by_own,
            clocks / slow[:, None],
        ]
        jacobian = np.where(use[:, :, None], np.stack(columns, axis=2), 0.0)
        normal = np.einsum("rsi,rsj->rij", jacobian, jacobian)
        right = np.einsum("rsi,rs->ri", jacobian, residual)
        noise = np.maximum(np.sqrt((residual**2).sum(axis=1) / freedom), 1e-5)
        # Two more rows for what is known besides the curve, in units of the scatter: the heat of
        # the needle within its uncertainty, and the drift by the samples before heating.
        weight = (noise / own_uncertainty) ** 2
        normal[:, 2, 2] += weight
        right[:, 2] -= weight * state.own
        normal[:, 3, 3] += (hold / slow) ** 2
        right[:, 3] -= (hold / slow) ** 2 * state.drift * slow
        diagonal = np.sqrt(np.einsum("rii->ri", normal)) + np.finfo(float).tiny
        scaled = normal / (diagonal[:, :, None] * diagonal[:, None, :])
        scaled[:, np.arange(4), np.arange(4)] += 1e-10  # keeps a singular matrix invertible
        inverse = np.linalg.inv(scaled) / (diagonal[:, :, None] * diagonal[:, None, :])
        step = np.einsum("rij,rj->ri", inverse, right)
        # The limits on the steps keep a bad run from leaving the table.
        state = _State(
            state.log_k + np.clip(step[:, 0], -0.3, 0.3),
            np.clip(state.contact + np.clip(step[:, 1], -1.0, 1.0), 0.0, _CONTACTS[-1]),
            np.clip(state.own + step[:, 2], -2.0 * _SPREAD, 2.0 * _SPREAD),
            state.drift + step[:, 3] / slow,
        )
        unit = inverse[:, 0, 0]
    k = np.exp(state.log_k)
    few = use.sum(axis=1) < 8
    k = np.where(few, np.nan, k)
    return k, k * noise * np.sqrt(np.maximum(unit, 0.0)), np.where(few, np.nan, state.contact)


def _curve(
    table: np.ndarray, time: np.ndarray, heat: np.ndarray, state: _State
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """4 pi k T / q of each sample, and its derivatives by ln tau, contact and ln of needle heat.

    Contact and heat of the needle are constant in a run. So the table is first interpolated to one
    curve for each run, and this curve then at the samples.
    """
    quadratic, by_own = _three(state.own / _SPREAD)
    near, weight, by_contact = _four(state.contact)
    sheets = table[near]  # (runs, 4, 3, nodes)
    curves = np.stack(
        [
            np.einsum("rc,ro,rcon->rn", weight, quadratic, sheets),
            np.einsum("rc,ro,rcon->rn", by_contact, quadratic, sheets),
            np.einsum("rc,ro,rcon->rn", weight, by_own / _SPREAD, sheets),
        ]
    )
    curves[0] += 2.0 * state.contact[:, None]
    curves[1] += 2.0
    place = (np.log(time) + (state.log_k - np.log(heat))[:, None] - _LOW) / _STEP
    node = np.clip(place.astype(int), 1, _NODES - 3)
    f = np.clip(place - node, -1.0, 2.0)
    value, along, across, own = (np.zeros(time.shape) for _ in range(4))
    weights, slopes = _cubic(f)
    for i in range(4):
        at = node + i - 1
        read = np.take_along_axis(curves, np.broadcast_to(at, (3, *at.shape)), axis=2)
        value += weights[i] * read[0]
        along += slopes[i] * read[0]
        across += weights[i] * read[1]
        own += weights[i] * read[2]
    return value, along / _STEP, across, own


def _cubic(f: np.ndarray) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """Weights of the nodes -1, 0, 1, 2 of a Lagrange cubic at f, and their derivatives."""
    g = f * f
    weights = (
        -f * (f - 1) * (f - 2) / 6,
        (g - 1) * (f - 2) / 2,
        -f * (f + 1) * (f - 2) / 2,
        f * (g - 1) / 6,
    )
    slopes = (
        -(3 * g - 6 * f + 2) / 6,
        (3 * g - 4 * f - 1) / 2,
        -(3 * g - 2 * f - 2) / 2,
        (3 * g - 1) / 6,
    )
    return weights, slopes


def _three(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weights of the nodes -1, 0, 1 of a parabola at x, and their derivatives."""
    weights = np.stack([x * (x - 1) / 2, 1 - x * x, x * (x + 1) / 2], axis=1)
    return weights, np.stack([x - 0.5, -2 * x, x + 0.5], axis=1)


def _four(contact: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Indices of the four nearest contacts of the table, their weights and derivatives."""
    first = np.clip(np.searchsorted(_CONTACTS, contact, side="right") - 2, 0, _CONTACTS.size - 4)
    near = first[:, None] + np.arange(4)
    nodes = _CONTACTS[near]
    weight, slope = np.ones(nodes.shape), np.zeros(nodes.shape)
    for i in range(4):
        for j in (j for j in range(4) if j != i):
            gap = nodes[:, i] - nodes[:, j]
            slope[:, i] = (slope[:, i] * (contact - nodes[:, j]) + weight[:, i]) / gap
            weight[:, i] *= (contact - nodes[:, j]) / gap
    return near, weight, slope


@lru_cache(maxsize=8)
def _table(own: float) -> np.ndarray:
    """Rise less twice the contact, (contacts, needle heats, nodes of ln tau).

    The contact adds exactly twice its value at late times; without it the table is smooth enough
    for cubic interpolation.
    """
    tau = np.exp(_LOW + _STEP * np.arange(_NODES))
    sheets = [
        [cylinder.heating(2.0 / (own * np.exp(j * _SPREAD)), tau, h) - 2.0 * h for j in (-1, 0, 1)]
        for h in _CONTACTS
    ]
    return np.array(sheets)
