"""Tests of undrained strength: what each instrument shows in mud of known strength."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

GRAVITY = 9.81  # m/s^2
RATIO, RATIO_SCATTER = 0.24, 0.08  # strength over effective stress; relative scatter of the mud
SENSITIVITY = (2.5, 7.0)  # peak over remoulded strength, least and greatest
VANE = (12.7, 12.7)  # mm, diameter and height as stated
VANE_UNCERTAINTY = 0.06  # mm, of diameter and of height
SPRING_UNCERTAINTY, TORQUE_NOISE = 0.02, 1e-4  # relative; N m
CONE_FACTOR, CONE_FACTOR_UNCERTAINTY = 0.85, 0.08
CONE_ANGLE, CONE_NOISE = 30.0, 0.15  # degree; mm
CONE_MASSES = (80.0, 100.0, 400.0)  # g
FOOT, FOOT_SPRING_UNCERTAINTY, FOOT_NOISE = 6.4, 0.04, 0.4  # mm, relative, N
LOAD_CELL_UNCERTAINTY, LOAD_NOISE = 0.01, 0.4  # relative, N
SPECIMEN, SPECIMEN_NOISE = (38.0, 82.0), 0.25  # mm, diameter and height; of the diameter
LEAST_STRENGTH = 1.0  # kPa: mud at the sea floor does not vanish


@dataclass(frozen=True)
class StrengthBench:
    """True state of the instruments: the vane's blades [mm], relative errors of the scales and
    the true factor of the cone."""

    vane_diameter: float
    vane_height: float
    spring_error: float
    cone_factor: float
    foot_error: float
    load_cell_error: float


def draw_bench(rng) -> StrengthBench:
    """Instruments whose true state differs from the stated one as stated."""
    return StrengthBench(
        vane_diameter=VANE[0] + VANE_UNCERTAINTY * rng.normal(),
        vane_height=VANE[1] + VANE_UNCERTAINTY * rng.normal(),
        spring_error=SPRING_UNCERTAINTY * rng.normal(),
        cone_factor=CONE_FACTOR + CONE_FACTOR_UNCERTAINTY * rng.normal(),
        foot_error=FOOT_SPRING_UNCERTAINTY * rng.normal(),
        load_cell_error=LOAD_CELL_UNCERTAINTY * rng.normal(),
    )


def effective_stress(ground, depth):
    """True vertical effective stress [kPa] under hydrostatic pressure, by summed slices."""
    edges = np.arange(0.0, float(np.max(depth)) + 0.5, 0.1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    slices = (ground.density(middle) - ground.water_density()) * GRAVITY * np.diff(edges)
    return np.interp(depth, edges, np.concatenate([[0.0], np.cumsum(slices)]))


def vane_torque(strength, diameter, height):
    """Torque [N m] that turns a vane (mm) in mud (kPa): arm times shear summed over thin rings of
    side and ends."""
    radius = 0.5e-3 * diameter
    side = 2.0 * np.pi * radius * 1e-3 * height * radius
    edges = np.linspace(0.0, radius, 401)
    middle = 0.5 * (edges[1:] + edges[:-1])
    ends = 2.0 * np.sum(2.0 * np.pi * middle * middle * np.diff(edges))
    return 1e3 * strength * (side + ends)


def draw_mud(rng, ground, own):
    """True peak, residual and remoulded strength [kPa] and effective stress [kPa] at depths."""
    number = len(own)
    stress = effective_stress(ground, own)
    peak = np.maximum(
        RATIO * stress * np.exp(RATIO_SCATTER * rng.normal(size=number)), LEAST_STRENGTH
    )
    remoulded = peak / rng.uniform(*SENSITIVITY, number)
    residual = remoulded + rng.uniform(0.2, 0.6, number) * (peak - remoulded)
    return peak, residual, remoulded, stress


def measure(rng, bench, ground, layout, positions, unconfined_every=4):
    """Table and truth at `positions` (row, offset [cm]): vane in three states, fall cone,
    penetrometer, and at every `unconfined_every`-th position an unconfined compression."""
    rows = positions["row"].to_numpy()
    offset = positions["offset"].to_numpy(dtype=float)
    depth, own = layout.depths(rows, offset)
    keys = layout.sections[["core", "section"]].iloc[rows].reset_index(drop=True)
    keys = keys.assign(**{"offset [cm]": offset})
    peak, residual, remoulded, stress = draw_mud(rng, ground, own)
    tests = [_vane(rng, bench, state, mud) for state, mud in
             (("peak", peak), ("residual", residual), ("remoulded", remoulded))]  # fmt: skip
    tests += [_cone(rng, bench, peak), _foot(rng, bench, peak)]
    picked = np.arange(0, len(own), unconfined_every)
    tests.append(_compress(rng, bench, peak[picked]))
    places = [np.arange(len(own))] * 5 + [picked]
    strengths = [peak, residual, remoulded, peak, peak, peak[picked]]
    tables, truths = [], []
    for test, place, mud in zip(tests, places, strengths, strict=True):
        here = keys.iloc[place].reset_index(drop=True)
        tables.append(pd.concat([here, test], axis=1))
        truths.append(
            here.assign(
                **{
                    "method": test["method"],
                    "state": test["state"],
                    "depth [m]": np.round(depth[place], 3),
                    "undrained_shear_strength [kPa]": np.round(mud, 5),
                    "sensitivity": np.round((peak / remoulded)[place], 5),
                    "vertical_effective_stress [kPa]": np.round(stress[place], 4),
                }
            )
        )
    return pd.concat(tables, ignore_index=True), pd.concat(truths, ignore_index=True)


def _frame(method, state, number, **columns):
    words = {"method": [method] * number, "state": [state] * number}
    return pd.DataFrame({**words, **columns})


def _vane(rng, bench, state, mud):
    """The spring shows a torque that is wrong by its one share; the blades are not as stated."""
    torque = vane_torque(mud, bench.vane_diameter, bench.vane_height)
    shown = torque * (1.0 + bench.spring_error) + rng.normal(0.0, TORQUE_NOISE, len(mud))
    columns = {"torque [N m]": np.round(shown, 6), "diameter [mm]": VANE[0], "height [mm]": VANE[1]}
    return _frame("vane", state, len(mud), **columns)


def _cone(rng, bench, mud):
    """The lightest cone that falls 5 mm deep at least, else the heaviest."""
    falls = [np.sqrt(bench.cone_factor * mass * GRAVITY / mud) for mass in CONE_MASSES]
    which = np.argmax(np.vstack(falls) >= 5.0, axis=0)
    which[np.vstack(falls).max(axis=0) < 5.0] = len(CONE_MASSES) - 1
    deep = np.choose(which, falls) + rng.normal(0.0, CONE_NOISE, len(mud))
    return _frame(
        "fall_cone", "peak", len(mud),
        **{"cone_angle [degree]": CONE_ANGLE, "cone_mass [g]": np.array(CONE_MASSES)[which],
           "penetration [mm]": np.round(deep, 2)},
    )  # fmt: skip


def _foot(rng, bench, mud):
    """A foot that goes in when the stress under it is twice the strength."""
    load = 2.0 * mud * 1e-3 * np.pi * (0.5 * FOOT) ** 2 * (1.0 + bench.foot_error)
    load = np.maximum(load + rng.normal(0.0, FOOT_NOISE, len(mud)), 0.0)
    columns = {"axial_load [N]": np.round(load, 3), "diameter [mm]": FOOT}
    return _frame("penetrometer", "peak", len(mud), **columns)


def _compress(rng, bench, mud):
    """A cylinder that keeps its volume and fails at 3 to 12 % of strain."""
    number = len(mud)
    strain = rng.uniform(0.03, 0.12, number)
    wide, tall = (
        SPECIMEN[0] + rng.normal(0.0, 0.4, number),
        SPECIMEN[1] + rng.normal(0.0, 1.0, number),
    )
    volume = np.pi * (0.5 * wide) ** 2 * tall
    area = volume / (tall * (1.0 - strain))
    load = 2.0 * mud * 1e-3 * area * (1.0 + bench.load_cell_error) + rng.normal(
        0, LOAD_NOISE, number
    )
    return _frame(
        "unconfined", "peak", number,
        **{"axial_load [N]": np.round(load, 3), "shortening [mm]": np.round(strain * tall, 3),
           "diameter [mm]": np.round(wide + rng.normal(0.0, SPECIMEN_NOISE, number), 2),
           "height [mm]": np.round(tall, 2)},
    )  # fmt: skip
