"""Checks of two measurements of one thing: velocities and strengths."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from corephys.ground import constants, thresholds
from corephys.hole.checks.finding import Check, Finding, Tables, median

__all__ = ["CHECKS"]

_LEAST = thresholds.count("slip_section_readings")
_VELOCITY = thresholds.value("slip_velocity_agrees")
_STRENGTH = thresholds.value("slip_strength_agrees")
_WEAK, _STRONG = thresholds.value("slip_weakest"), thresholds.value("slip_strongest")  # kPa
_LIGHT_CONE = thresholds.value("slip_lightest_cone")  # g
_HEAVY_CONE = thresholds.value("slip_heaviest_cone")  # g
_GRAVITY = constants.CONSTANTS["gravity"].value  # m/s^2

# --------------------------------------------------------------------------------------------------
# Velocity of samples against that of the scan.


def _delays(tables: Tables) -> Iterator[Finding]:
    """Samples that are faster than the scan until a delay is added again."""
    name, layout = "samples/velocity", tables.layout
    length, time = tables.number(name, "length"), tables.number(name, "travel_time")
    delay = tables.setting("sample_velocity", "delay", "us")
    groups, where = tables.sections("scan/pwave"), tables.positions.get(name)
    thick = tables.number("scan/pwave", "thickness")
    passed = tables.number("scan/pwave", "travel_time")
    if length is None or time is None or layout is None or groups is None or not delay > 0:
        return
    if thick is None or passed is None or where is None or where.code is None:
        return
    wave = tables.text(name, "wave")
    fits = np.ones(length.size, bool) if wave is None else np.isin(wave, ("P", ""))
    fits &= where.code >= 0
    track = groups.mean(np.where(passed > 0, thick / np.maximum(passed, 1e-9), np.nan))
    speed = np.full(layout.length.size + 1, np.nan)
    speed[groups.code] = track
    with np.errstate(invalid="ignore", divide="ignore"):
        own = np.where(fits & (time > delay), length / (time - delay), np.nan) / speed[where.code]
        mended = np.where(fits & (time > 0), length / time, np.nan) / speed[where.code]
    core = np.append(layout.core_of, -1)[where.code]
    cores = np.unique(core[np.isfinite(own)])
    own_level = np.array([median(own[core == one]) for one in cores.tolist()])
    mended_level = np.array([median(mended[core == one]) for one in cores.tolist()])
    # The delay of the scan is in its times, so that the ratio of sound cores is not quite one.
    usual = _usual(own_level)
    with np.errstate(invalid="ignore"):
        off = own_level > _VELOCITY * usual
        cured = off & (np.abs(mended_level / usual - 1.0) < 0.5 * (_VELOCITY - 1.0))
    if cured.sum() < 3 or cured.sum() < 0.8 * off.sum() or off.sum() > 0.5 * cores.size:
        return
    rows = np.flatnonzero(np.isin(core, cores[cured]) & fits)
    row, first = int(rows[0]), int(np.flatnonzero(cured)[0])
    table = tables.columns[name]
    yield Finding(
        "samples against the scan",
        table.file,
        f"the samples of {int(cured.sum())} cores are {own_level[first] / usual:.2f} times as fast "
        f"as the scan of their section, beside those of the other cores; with the delay of "
        f"{delay:g} us left in they would be {mended_level[first] / usual:.2f} times as fast",
        "the delay is taken off already in the travel times of these cores",
        f"Add the delay of {delay:g} us to these travel times, if the notes agree",
        f"{time[row]:g} us",
        str(table["core"][row]),
        str(table["section"][row]) if "section" in table else "",
        table.line(row),
        int(rows.size),
        {name: rows},
    )


def _usual(level: np.ndarray) -> float:
    """Level of the lower half of the cores, which a slip in fewer than half does not move."""
    held = np.sort(level[np.isfinite(level)])
    return median(held[: max(1, (held.size + 1) // 2 + held.size // 6)])


# --------------------------------------------------------------------------------------------------
# Strength of the vane against that of the fall cone.


def _vane_and_cone(tables: Tables) -> Iterator[Finding]:
    """Strengths of vanes and cones on the same samples that differ by a factor."""
    name = "samples/strength"
    table, where = tables.get(name), tables.positions.get(name)
    method, state = tables.text(name, "method"), tables.text(name, "state")
    factor = tables.settings.get("strength", {})
    factor = factor.get("cone_factor") if isinstance(factor, dict) else None
    if table is None or where is None or method is None or not isinstance(factor, float):
        return
    held = {
        h: tables.number(name, h)
        for h in ("torque", "diameter", "height", "cone_mass", "penetration")
    }
    if any(v is None for v in held.values()):
        return
    d, h = np.asarray(held["diameter"]), np.asarray(held["height"])
    torque, mass = np.asarray(held["torque"]), np.asarray(held["cone_mass"])
    with np.errstate(invalid="ignore", divide="ignore"):
        # N m and mm; g and mm: both give kPa.
        vane = 1e6 * torque / (np.pi * d**2 * (h / 2.0 + d / 6.0))
        as_diameter = 1e6 * torque / (np.pi * (2 * d) ** 2 * (h / 2.0 + d / 3.0))
        cone = factor * mass * _GRAVITY / np.asarray(held["penetration"]) ** 2
    first = np.ones(d.size, bool) if state is None else np.isin(state, ("peak", ""))
    depth = np.round(where.depth, 4)
    cones = {z: v for z, v in zip(depth, cone, strict=True) if np.isfinite(v)}
    rows = [
        row
        for row in np.flatnonzero((method == "vane") & first & np.isfinite(vane)).tolist()
        if depth[row] in cones and cones[depth[row]] > 0
    ]
    if len(rows) < _LEAST:
        return
    beside = np.array([cones[depth[row]] for row in rows])
    # Units of a whole column have findings of their own.
    levels = (median(vane[rows]), median(beside))
    if not all(_WEAK <= one <= _STRONG for one in levels):
        return
    if not _LIGHT_CONE <= median(mass) <= _HEAVY_CONE:
        return
    ratio, mended = median(vane[rows] / beside), median(as_diameter[rows] / beside)
    if 1.0 / _STRENGTH <= ratio <= _STRENGTH:
        return
    radius = 1.0 / 1.5 < mended < 1.5
    moved = np.flatnonzero(method == "vane")
    if not radius:
        moved = np.flatnonzero(np.isin(method, ("vane", "fall_cone")))
    row = rows[0]
    yield Finding(
        "vane against cone",
        table.file,
        f"half of the vanes are {ratio:.3g} times as strong as the fall cone in the same "
        f"{len(rows)} samples, or more",
        "the radius of the vane under diameter"
        if radius
        else "dimensions or torques of the vane, or the cone_factor of [strength], are wrong",
        "Measure the vane and the cone again, and correct diameter, height or [strength]",
        f"{d[row]:g} mm",
        str(table["core"][row]) if "core" in table else "",
        str(table["section"][row]) if "section" in table else "",
        table.line(row),
        len(rows),
        {name: moved},
    )


CHECKS = (
    Check(
        "samples against the scan",
        "velocities of samples with that of the scan of their section, core by core",
        ("slip_velocity_agrees",),
        _delays,
    ),
    Check(
        "vane against cone",
        "strengths of vanes with those of fall cones on the same samples",
        (
            "slip_strength_agrees",
            "slip_weakest",
            "slip_strongest",
            "slip_lightest_cone",
            "slip_heaviest_cone",
        ),
        _vane_and_cone,
    ),
)
