"""Interval coverage over many simulated holes, printed per quantity.

Run on demand: ``python tests/simulation/coverage.py [holes] [first seed] [processes]``. Every hole
draws its systematic errors and its noise anew; one value a hole and quantity is compared with the
truth, which comes from physics that shares nothing with the reduction.
"""

from __future__ import annotations

import json
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import corephys as cp
from corephys.ground import series
from data_demo.simulator.hole import simulate_hole

QUANTITIES = (
    "bulk density",
    "bulk density, one reading",
    "velocity",
    "velocity, one reading",
    "resistivity",
    "resistivity, one reading",
    "formation factor",
    "cementation exponent",
    "susceptibility",
    "susceptibility, one reading",
    "natural gamma rate",
    "natural gamma, one reading",
    "potassium",
    "uranium",
    "thorium",
    "heat production",
    "porosity of the scan",
    "porosity of the samples",
    "porosity of resistivity",
    "conductivity",
    "conductivity, one run",
    "equilibrium temperature",
    "temperature, one station",
    "heat flow",
    "surface porosity",
    "e-folding depth",
)


# The made sediment conducts alike in all directions, in the laboratory as below.
ALIKE = {
    "needle": {"anisotropy": 1.0, "anisotropy_uncertainty": 0.0, "conditions": "in_situ"},
}


def _mean(dataset, name, truth, use):
    """Mean error over the readings in use and its standard uncertainty."""
    error = (dataset[name].values - truth)[use]
    n = error.size
    if n == 0:
        return None
    random = dataset[f"{name}_u_random"].values[use]
    variance = float(np.sum(random**2)) / n**2
    if f"{name}_effects" in dataset:
        effects = dataset[f"{name}_effects"].values[:, use].mean(axis=1)
        variance += float(np.sum(effects**2))
    return float(error.mean()), float(np.sqrt(variance))


def _one(dataset, name, truth, use):
    """Error of the middle reading in use and its standard uncertainty."""
    found = np.flatnonzero(use)
    if not found.size:
        return None
    i = found[found.size // 2]
    u = np.hypot(dataset[f"{name}_u_random"].values[i], dataset[f"{name}_u_systematic"].values[i])
    return float(dataset[name].values[i] - truth[i]), float(u)


def _good(dataset, name):
    return dataset[f"{name}_flag"].values == cp.flags.GOOD


def _truth(folder, table):
    return pd.read_csv(folder / "truth" / f"{table}.csv", dtype={"core": str, "section": str})


def compare(tree, folder):
    """Error and uncertainty of every quantity of one reduced hole."""
    found = {}
    facts = json.loads((folder / "truth" / "truth.json").read_text())

    def both(path, name, truth, label, single=None):
        data = series.leaf(tree, path)
        if data is not None:
            use = _good(data, name)
            found[label] = _mean(data, name, truth, use)
            if single:
                found[single] = _one(data, name, truth, use)

    scan, waves = _truth(folder, "scan_gamma"), _truth(folder, "scan_pwave")
    both(
        "properties/density",
        "bulk_density",
        scan["bulk_density [g/cm^3]"].to_numpy(),
        "bulk density",
        "bulk density, one reading",
    )
    both(
        "properties/velocity",
        "p_wave_velocity",
        waves["p_wave_velocity [m/s]"].to_numpy(),
        "velocity",
        "velocity, one reading",
    )
    both("products/porosity", "porosity", scan["porosity"].to_numpy(), "porosity of the scan")
    _other_sensors(both, folder)
    _archie(tree, facts, found)
    both(
        "properties/index_properties",
        "porosity",
        _truth(folder, "index_properties")["porosity"].to_numpy(),
        "porosity of the samples",
    )
    runs = _truth(folder, "needle")["thermal_conductivity [W/(m K)]"].to_numpy()
    both(
        "properties/heating_runs",
        "thermal_conductivity",
        runs,
        "conductivity",
        "conductivity, one run",
    )
    stations = _truth(folder, "stations")["temperature [degC]"].to_numpy()
    both(
        "properties/formation_temperature",
        "equilibrium_temperature",
        stations,
        "equilibrium temperature",
        "temperature, one station",
    )
    for path, name, key, label in (
        ("products/heat_flow", "heat_flow", "heat_flow_mW_m2", "heat flow"),
        ("products/compaction", "surface_porosity", "surface_porosity", "surface porosity"),
        ("products/compaction", "decay_length", "decay_length_m", "e-folding depth"),
    ):
        data = series.leaf(tree, path)
        if data is not None:
            u = float(np.hypot(data[f"{name}_u_random"], data[f"{name}_u_systematic"]))
            found[label] = float(data[name]) - facts[key], u
    return found


def _other_sensors(both, folder):
    """Resistivity, susceptibility and natural gamma against what their responses see.

    A filled response is asked for: near an end the truth of natural gamma is what a full liner
    would have given.
    """
    truth = _truth(folder, "scan_resistivity")
    for path, name, column, label in (
        ("resistivity", "electrical_resistivity", "electrical_resistivity_seen [ohm m]",
         "resistivity"),
        ("formation_factor", "formation_factor", "formation_factor", "formation factor"),
    ):  # fmt: skip
        one = f"{label}, one reading" if path == "resistivity" else None
        both(f"properties/{path}", name, truth[column].to_numpy(), label, one)
    both("products/porosity_from_resistivity", "porosity", truth["porosity"].to_numpy(),
         "porosity of resistivity")  # fmt: skip
    truth = _truth(folder, "scan_susceptibility")["magnetic_susceptibility_seen"].to_numpy()
    both("properties/susceptibility", "magnetic_susceptibility", truth, "susceptibility",
         "susceptibility, one reading")  # fmt: skip
    truth = _truth(folder, "scan_natural_gamma")
    rate = truth["natural_gamma_rate_seen [1/s]"] / truth["filled_share"]
    both("properties/natural_gamma", "natural_gamma_rate", rate.to_numpy(), "natural gamma rate",
         "natural gamma, one reading")  # fmt: skip
    for element, unit in (("potassium", "%"), ("uranium", "mg/kg"), ("thorium", "mg/kg")):
        both("properties/radioelements", element, truth[f"{element} [{unit}]"].to_numpy(), element)
    heat = 9.52e-5 * 1e-6 * truth["uranium [mg/kg]"] + 2.56e-5 * 1e-6 * truth["thorium [mg/kg]"]
    heat = 1e9 * true_density(folder) * (heat + 3.48e-9 * 1e-2 * truth["potassium [%]"])
    both("products/heat_production", "heat_production", heat.to_numpy(), "heat production")


def true_density(folder):
    """True bulk density at the readings of natural gamma [g/cm^3]."""
    here, scan = _truth(folder, "scan_natural_gamma"), _truth(folder, "scan_gamma")
    order = np.argsort(scan["depth_fitted [m]"].to_numpy(), kind="stable")
    return np.interp(
        here["depth_fitted [m]"], scan["depth_fitted [m]"].to_numpy()[order],
        scan["bulk_density [g/cm^3]"].to_numpy()[order],
    )  # fmt: skip


def _archie(tree, facts, found):
    """Cementation exponent of the layer with most readings."""
    table = series.leaf(tree, "properties/archie")
    if table is not None:
        i = int(np.argmax(table["points"].values))
        row = int(str(table["layer_name"].values[i]).split()[-1]) - 1
        error = float(table["cementation_exponent"].values[i]) - facts["archie_m"][row]
        found["cementation exponent"] = error, float(table["cementation_exponent_u_random"][i])


def one_hole(seed):
    """Simulate, reduce and compare one hole."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulate_hole(folder, seed, small=True)
        return compare(cp.reduce(cp.read_hole(folder), ALIKE), folder)


def table(results):
    """Coverage, width against scatter, and bias of every quantity."""
    print(
        f"{'quantity':<28}{'holes':>6}{'inside':>8}{'width/scatter':>15}{'bias/scatter':>14}"
        f"{'scatter':>12}"
    )
    for quantity in QUANTITIES:
        pairs = [r[quantity] for r in results if r.get(quantity) is not None]
        if not pairs:
            print(f"{quantity:<28}{0:>6}")
            continue
        error, u = np.array(pairs).T
        scatter = np.sqrt(np.mean(error**2))
        print(
            f"{quantity:<28}{error.size:>6}{100 * np.mean(np.abs(error) <= u):>7.1f}%"
            f"{np.mean(u) / scatter:>15.3f}{error.mean() / scatter:>14.2f}{scatter:>12.4g}"
        )


def main(holes, first, processes):
    """Run the holes and print the table."""
    seeds = range(first, first + holes)
    if processes == 1:
        results = [one_hole(seed) for seed in seeds]
    else:
        with ProcessPoolExecutor(processes) as pool:
            results = list(pool.map(one_hole, seeds, chunksize=4))
    table(results)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [400, 1, 2][len(given) :]))
