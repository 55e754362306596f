"""Score of the flags on simulated holes with planted flaws, on demand.

``python tests/simulation/score_flags.py --seeds 1 2 --scales 1 0.5`` prints, for each sensor and
kind of flaw, how many readings are flagged of those whose value is off by more than three
standard uncertainties, and how many good readings are flagged. Densities, velocities and flags
come from the package alone; the simulator shares no code with it.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from corephys import quality
from corephys.ground import units
from corephys.hole import hole_from_tables
from corephys.sensors import gamma, pwave
from data_demo.simulator import simulate_tables

SIGMAS = 3.0


def series_like(series, values, unit):
    return series.copy(data=np.asarray(values, dtype=float)).assign_attrs(units=unit)


def seconds_since(times, reference):
    start = pd.Timestamp(reference).tz_convert(None).to_datetime64()
    return (times - start) / np.timedelta64(1, "s")


def of_section(hole, table, column):
    """A column of the sections at each reading."""
    sections = hole["sections"].to_dataset()
    keys = pd.MultiIndex.from_arrays([sections["core"].values, sections["section"].values])
    wanted = pd.MultiIndex.from_arrays([table["core"].values, table["section"].values])
    return sections[column].values[keys.get_indexer(wanted)]


def density(hole, settings):
    """Bulk density with the truth's nominal grain density, as the first pass of a reduction."""
    standards = hole["standards/gamma"].to_dataset()
    standards = standards.isel(row=standards["kind"].values == "standard")
    keys, reference = settings["gamma"], settings["gamma"]["reference_time"]
    calibration = gamma.calibrate(
        standards["counts"].assign_attrs(units="count"), standards["real_time"],
        standards["aluminium_thickness"], standards["bore"],
        dead_time=keys["dead_time"], dead_time_uncertainty=keys["dead_time_uncertainty"],
        background_rate=keys["background_rate"],
        background_rate_uncertainty=keys["background_rate_uncertainty"],
        decay=2.0 ** (seconds_since(standards["time"].values, reference) / (30.05 * 31557600.0)),
    )  # fmt: skip
    table = hole["scan/gamma"].to_dataset()
    diameter, bore = diameters(hole, table, settings)
    annulus = of_section(hole, table, "annulus")
    here = table["counts"]
    return gamma.bulk_density(
        here.assign_attrs(units="count"), table["real_time"], calibration=calibration,
        core_diameter=series_like(here, diameter, "mm"), bore=series_like(here, bore, "mm"),
        annulus_density=series_like(here, np.where(annulus == "water", 1.024, 0.0), "g/cm^3"),
        elapsed=series_like(here, seconds_since(table["time"].values, reference), "s"),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        grain_density="2.70 g/cm^3", grain_density_uncertainty="0.05 g/cm^3",
        reason=table["reason"],
    )  # fmt: skip


def diameters(hole, table, settings):
    nominal = units.as_floats(settings["liner"]["bore"], "mm", "bore")
    diameter = of_section(hole, table, "core_diameter")
    full = of_section(hole, table, "annulus") == "none"
    return diameter, np.where(full, diameter, np.maximum(nominal, diameter))


def velocity(hole, settings):
    standards = hole["standards/pwave"].to_dataset()
    calibration = pwave.calibrate(
        standards["length"], standards["travel_time"], temperature=standards["temperature"],
        medium=standards["medium"], liner=standards["liner"], wall=settings["liner"]["wall"],
        liner_velocity=settings["liner"]["velocity"],
        liner_velocity_uncertainty=settings["liner"]["velocity_uncertainty"],
    )  # fmt: skip
    table = hole["scan/pwave"].to_dataset()
    diameter, _ = diameters(hole, table, settings)
    full = of_section(hole, table, "annulus") == "none"
    wall = units.as_floats(settings["liner"]["wall"], "mm", "wall")
    gap = np.where(full, 0.0, np.maximum(table["thickness"].values - 2.0 * wall - diameter, 0.0))
    return pwave.velocity(
        table["travel_time"], table["thickness"], calibration=calibration,
        wall=settings["liner"]["wall"], gap=series_like(table["thickness"], gap, "mm"),
        core_diameter_uncertainty=settings["pwave"]["core_diameter_uncertainty"],
        thickness_uncertainty=settings["pwave"]["thickness_uncertainty"],
        travel_time_uncertainty=settings["pwave"]["travel_time_uncertainty"],
        reason=table["reason"],
    )  # fmt: skip


def reduced(seed, scale, small, planted=True):
    """Flagged density and velocity of one simulated hole with their truth tables."""
    tables, settings, truth = simulate_tables(
        seed, small=small, flaw_scale=scale, flaws_planted=planted
    )
    hole = hole_from_tables(tables, settings)
    sections, removed = hole["sections"].to_dataset(), hole["removed"].to_dataset()
    amplitude = hole["scan/pwave"].to_dataset()["amplitude"]
    rho = quality.flag(
        density(hole, settings), "bulk_density", sections=sections, removed=removed,
        companions={"p_wave_amplitude": amplitude},
    )  # fmt: skip
    speed = quality.flag(
        velocity(hole, settings), "p_wave_velocity", sections=sections, removed=removed,
        amplitude=amplitude, companions={"bulk_density": rho},
    )  # fmt: skip
    return {
        "bulk_density": (rho, truth["scan_gamma"]),
        "p_wave_velocity": (speed, truth["scan_pwave"]),
    }


def count(result, tally, systematic=True):
    """Add flagged and all readings of every kind to ``tally``."""
    for name, (dataset, truth) in result.items():
        unit = {"bulk_density": "g/cm^3", "p_wave_velocity": "m/s"}[name]
        true = truth[f"{name} [{unit}]"].to_numpy(float)
        value = dataset[name].values
        u = dataset[f"{name}_u_random"].values
        if systematic:
            u = np.hypot(u, dataset[f"{name}_u_systematic"].values)
        kind = truth["flaw"].to_numpy(str)
        off = ~(np.abs(value - true) <= SIGMAS * u) if kind.size else value
        flagged = dataset[f"{name}_flag"].values > 2
        for word in np.unique(kind):
            of_kind = kind == word if word == "" else (kind == word) & off
            tally[name, word or "good"] += [np.sum(flagged & of_kind), np.sum(of_kind)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--scales", type=float, nargs="+", default=[0.5, 1.0, 2.0])
    parser.add_argument("--small", action="store_true", help="the small hole")
    parser.add_argument("--random-only", action="store_true", help="three random uncertainties")
    arguments = parser.parse_args()
    for scale in arguments.scales:
        tally = defaultdict(lambda: np.zeros(2, dtype=int))
        for seed in arguments.seeds:
            count(reduced(seed, scale, arguments.small), tally, not arguments.random_only)
        print(f"size of flaws x {scale:g}, {len(arguments.seeds)} holes")
        for (name, kind), (flagged, total) in sorted(tally.items()):
            share = flagged / max(total, 1)
            print(f"  {name:16} {kind:14} {flagged:6d} of {total:6d} {share:7.2%}")


if __name__ == "__main__":
    main()
