"""Checks of copies: runs of readings, and samples, that stand twice with the same numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.finding import Check, Finding, Tables

__all__ = ["CHECKS"]

_RUN = thresholds.count("slip_copied_readings")
_CHANCE = thresholds.value("slip_copied_chance")
_SAMPLES = thresholds.count("slip_copied_samples")
# Channels whose noise makes equal runs of readings impossible.
_CHANNELS = (
    ("scan/gamma", "counts"),
    ("scan/natural_gamma", "counts"),
    ("scan/pwave", "travel_time"),
    ("scan/resistivity", "response"),
)

# --------------------------------------------------------------------------------------------------
# Runs of readings.


def _length_of_runs(values: np.ndarray, least: int) -> int:
    """Readings in a row that do not agree with others by chance.

    A step from one reading to the next has the chance p to be that of another place. Among n
    readings there are n^2/2 pairs of places, so that runs of k readings agree by chance in
    n^2/2 p^(k-1) pairs.
    """
    step = np.diff(values)
    _, count = np.unique(np.round(step[np.isfinite(step)], 6), return_counts=True)
    total = int(count.sum())
    if total < 2:
        return values.size
    chance = float((count.astype(float) ** 2).sum() / total**2)
    if chance >= 0.5:
        return values.size
    pairs = 0.5 * float(values.size) ** 2
    return max(least, 1 + math.ceil(math.log(_CHANCE / pairs) / math.log(chance)))


def _equal_runs(tables: Tables) -> Iterator[Finding]:
    """Readings in a row that are equal to those of another section."""
    for name, header in _CHANNELS:
        groups, values = tables.sections(name), tables.number(name, header)
        if groups is None or values is None or tables.columns[name].table.supplied:
            continue
        least = min(_RUN, 6) if name == "scan/natural_gamma" else _RUN
        held, code = values[groups.order], np.repeat(groups.code, groups.size)
        length = _length_of_runs(held, least)
        if length >= held.size:
            continue
        pair = _first_pair(held, code, length)
        if pair is None:
            continue
        equal, first, second = pair
        rows = np.sort(groups.order[equal])
        core, section = tables.key(int(code[second]))
        other_core, other = tables.key(int(code[first]))
        sections = np.unique(code[equal]).size
        yield Finding(
            "equal readings",
            tables.file(name),
            f"{length} readings of {header} in a row are equal to those of section "
            f"{other!r} of core {other_core!r} to the last digit; {rows.size} readings in "
            f"{sections} sections stand twice",
            "readings of one section were pasted over those of another",
            "Compare both with the files of the scan, and correct the one that is a copy",
            f"{length} readings",
            core,
            section,
            tables.line(name, int(groups.order[second])),
            int(rows.size),
            {name: rows},
        )


def _first_pair(
    held: np.ndarray, code: np.ndarray, length: int
) -> tuple[np.ndarray, int, int] | None:
    """Places of all equal runs, and where the first two of them begin; None without any."""
    size = held.size - length + 1
    bits = np.ascontiguousarray(held + 0.0).view(np.uint64)
    mark = np.zeros(size, dtype=np.uint64)
    for k in range(length):  # a hash of each run; what has the same one is compared in full
        mark = mark * np.uint64(6364136223846793005) + (bits[k : k + size] >> np.uint64(7))
        mark ^= mark >> np.uint64(29)
    whole = code[length - 1 :] == code[:size]
    # A channel that stood still has a finding of its own: most readings must differ.
    change = np.append(0, np.cumsum(held[1:] != held[:-1]))
    whole &= change[length - 1 :] - change[:size] >= 0.7 * (length - 1)
    missing = np.append(0, np.cumsum(~np.isfinite(held)))
    whole &= missing[length:] - missing[:size] == 0
    start = np.flatnonzero(whole)
    order = start[np.argsort(mark[start], kind="stable")]
    upper, lower = order[:-1], order[1:]
    same = (mark[upper] == mark[lower]) & (code[upper] != code[lower])
    upper, lower = upper[same], lower[same]
    span = np.arange(length)
    keep = (held[upper[:, None] + span] == held[lower[:, None] + span]).all(axis=1)
    keep &= np.array(
        [np.unique(held[one + span]).size > 0.5 * length for one in upper.tolist()], dtype=bool
    )
    upper, lower = upper[keep], lower[keep]
    if not upper.size:
        return None
    places = np.unique(np.concatenate([upper[:, None] + span, lower[:, None] + span]))
    k = int(np.argmin(lower))
    return places, int(upper[k]), int(lower[k])


# --------------------------------------------------------------------------------------------------
# Samples.

_INDEX = "samples/index_properties"


def _equal_masses(tables: Tables) -> Iterator[Finding]:
    """Two samples with the same wet mass, dry mass and volume."""
    found = [tables.number(_INDEX, header) for header in ("wet_mass", "dry_mass")]
    volumes = [tables.number(_INDEX, header) for header in ("dry_volume", "wet_volume")]
    given = [v for v in (*found, *volumes) if v is not None]
    if found[0] is None or found[1] is None or len(given) < 3:
        return
    table, where = tables.columns[_INDEX], tables.positions.get(_INDEX)
    held = np.column_stack(given)
    known = np.flatnonzero(np.isfinite(held).all(axis=1))
    if known.size < _SAMPLES or where is None:
        return
    # Expected number of pairs that agree by chance in every column, masses of one sample being
    # related.
    pairs = 0.5 * known.size * (known.size - 1)
    expected = pairs
    for k in range(held.shape[1]):
        _, count = np.unique(held[known, k], return_counts=True)
        alike = (0.5 * float((count * (count - 1.0)).sum()) + 1.0) / pairs
        expected *= min(1.0, (1.0 if k == 0 else 20.0) * alike)
    if expected > 0.01:
        return
    _, inverse, count = np.unique(held[known], axis=0, return_inverse=True, return_counts=True)
    rows = known[count[inverse.ravel()] > 1]
    if not rows.size:
        return
    first = int(rows[0])
    second = int(next(r for r in rows[1:].tolist() if (held[r] == held[first]).all()))
    if where.depth[first] == where.depth[second]:
        return  # one sample entered twice has no other place
    key = [str(table[h][first]) if h in table else "" for h in ("core", "section")]
    place = [str(table[h][second]) if h in table else "" for h in ("core", "section")]
    other = f"of core {key[0]!r}, section {key[1]!r}" if key[0] else f"at line {table.line(first)}"
    yield Finding(
        "equal masses",
        table.file,
        f"wet mass {held[second, 0]:g} g, dry mass {held[second, 1]:g} g and volume are those of "
        f"the sample {other}; {rows.size} samples stand twice",
        "the masses of one sample were copied into another row",
        "Compare both with the list of the balance, and correct the one that is a copy",
        f"{held[second, 0]:g} g",
        place[0],
        place[1],
        table.line(second),
        int(rows.size),
        {_INDEX: rows},
    )


CHECKS = (
    Check(
        "equal readings",
        "readings in a row with those of every other section",
        ("slip_copied_readings", "slip_copied_chance"),
        _equal_runs,
    ),
    Check(
        "equal masses",
        "masses and volume of a sample with those of every other sample",
        ("slip_copied_samples",),
        _equal_masses,
    ),
)
