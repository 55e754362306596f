"""What happens to a heating curve while it is heated: water that moves, a contact that is lost."""

from __future__ import annotations

import numpy as np

from corephys.ground import thresholds
from corephys.samples import needle_drift, needle_runs
from corephys.samples.needle_drift import Drift
from corephys.samples.needle_runs import Runs
from corephys.samples.needle_windows import noise_variance

CERTAIN = thresholds.value("needle_fault_errors")
CONVECTION = thresholds.value("needle_convection_fall")
JUMP = thresholds.value("needle_contact_jump")
_KNOTS = 20  # instants at which a change is looked for
_EDGE = 4  # samples at either end where none can be told
_RISE_TIMES = (3.0, 20.0)  # s, of a jump: how soon the needle has its new excess
_BLOCK = 128  # runs at a time


def look(
    runs: Runs, time: np.ndarray, temperature: np.ndarray, line: np.ndarray, early: np.ndarray,
    drift: Drift, slope: np.ndarray, count: np.ndarray, begin: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Runs whose slope falls in their course, and runs whose temperature jumps up.

    The curve from ``begin`` [s] on, up to ``count`` samples of each run, is held against the model
    of one conductivity, c + d g + s x + e z with the drift of the samples before heating, and
    against that model with a bend or a jump at one of some instants. What helps most, certainly
    and by enough, is named; a bend upwards is that of an insulated boundary and is not.
    """
    convection, lost = np.zeros(slope.size, bool), np.zeros(slope.size, bool)
    before = (np.where(np.isfinite(time), time, np.inf) < begin[:, None]).sum(axis=1)
    clock, rise = needle_drift.clock(time, drift.settling), temperature - drift.curve(time)
    time, rise, clock, line, early = (
        needle_runs.from_sample(table, before, np.maximum(count, before))
        for table in (time, rise, clock, line, early)
    )
    count = np.maximum(count - before, 0)
    rows = np.flatnonzero((count >= 3 * _EDGE) & (slope > 0))
    hold = _hold(needle_drift.clock(runs.before_time, drift.settling))
    for first in range(0, rows.size, _BLOCK):
        block = rows[first : first + _BLOCK]
        width = int(count[block].max())
        part = slice(0, width)
        convection[block], lost[block] = _look(
            time[block, part], rise[block, part], clock[block, part], line[block, part],
            early[block, part], hold[block], slope[block], count[block],
        )  # fmt: skip
    return convection, lost


def _hold(t: np.ndarray) -> np.ndarray:
    known = np.isfinite(t)
    number = np.maximum(known.sum(axis=1), 1)
    mean = np.where(known, t, 0.0).sum(axis=1) / number
    return np.asarray(np.sqrt(np.where(known, (t - mean[:, None]) ** 2, 0.0).sum(axis=1)))


def _look(
    time: np.ndarray, rise: np.ndarray, clock: np.ndarray, line: np.ndarray, early: np.ndarray,
    hold: np.ndarray, slope: np.ndarray, count: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    inside = np.arange(time.shape[1]) < count[:, None]
    noise = np.sqrt(noise_variance(time, rise, count))
    t = np.where(inside, time, 1.0)
    drifting = np.where(inside, clock, 0.0)
    last = np.max(drifting, axis=1)[:, None]
    columns = [np.ones_like(t), np.where(inside, line, 0.0), np.where(inside, early, 0.0),
               drifting / last]  # fmt: skip
    base = np.where(inside[:, :, None], np.stack(columns, axis=2), 0.0)
    mean = np.where(inside, rise, 0.0).sum(axis=1) / count
    y = np.where(inside, rise - mean[:, None], 0.0)
    # One more row: the samples before heating hold what drift is left at zero.
    base = np.concatenate([base, np.zeros((base.shape[0], 1, 4))], axis=1)
    base[:, -1, 3] = hold / last[:, 0]
    q, _ = np.linalg.qr(base)
    q = q[:, :-1]
    left = y - np.einsum("rsi,ri->rs", q, np.einsum("rsi,rs->ri", q, y))
    best = {}
    for name, shapes in _shapes(t, inside, count).items():
        over = np.matmul(q.transpose(0, 2, 1), shapes)
        squares = np.einsum("rsk,rsk->rk", shapes, shapes) - (over**2).sum(axis=1)
        product = np.matmul(left[:, None, :], shapes)[:, 0]
        product = np.where(squares > 1e-9, product, 0.0)
        size = product / np.maximum(squares, 1e-9)
        score = product / np.sqrt(np.maximum(squares, 1e-9)) / noise[:, None]
        best[name] = (size / slope[:, None], score)
    up, down, jump = best["bend"][1].max(axis=1), -best["bend"][1].min(axis=1), best["jump"][1]
    rows = np.arange(slope.size)
    fall = -best["bend"][0][rows, best["bend"][1].argmin(axis=1)]
    step = best["jump"][0][rows, jump.argmax(axis=1)]
    most = jump.max(axis=1)
    convection = (down > CERTAIN) & (fall > CONVECTION) & (down >= np.maximum(up, most))
    lost = (most > CERTAIN) & (step > JUMP) & (most > np.maximum(up, down))
    return convection, lost


def _shapes(t: np.ndarray, inside: np.ndarray, count: np.ndarray) -> dict[str, np.ndarray]:
    """Bends in ln t and jumps at each of the instants, (runs, samples, shapes)."""
    part = np.linspace(0.0, 1.0, _KNOTS)
    at = np.rint(_EDGE + part * (count - 2 * _EDGE)[:, None]).astype(int)
    knot = np.take_along_axis(t, np.minimum(at, t.shape[1] - 1), axis=1)
    since = t[:, :, None] - knot[:, None, :]
    logs = np.log(t)
    bend = np.maximum(logs[:, :, None] - np.log(knot)[:, None, :], 0.0)
    jumps = [np.where(since >= 0, -np.expm1(-np.maximum(since, 0) / s), 0.0) for s in _RISE_TIMES]
    there = inside[:, :, None]
    return {
        "bend": np.where(there, bend, 0.0),
        "jump": np.where(there, np.concatenate(jumps, axis=2), 0.0),
    }
