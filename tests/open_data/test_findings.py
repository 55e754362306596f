"""Findings at read on measurements by others: none, or each explained here.

The archives' headers are mapped here and nowhere else.
"""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from tests.open_data.test_scans import COLUMNS

SETTINGS = {"hole": {"name": "open data"}}
MASSES = {
    "Depth CSF-A (m)": "depth [m]",
    "Mass wet sample (g)": "wet_mass [g]",
    "Mass dried sample (g)": "dry_mass [g]",
    "Vol dried sample (cm³)": "dry_volume [cm^3]",
}
# Check and rows of each finding, and why it stands.
EXPECTED = {
    # Five samples of the site have a dry volume that no grains fit, as its archive's notes state
    # that 1 to 2 % of the rows hold blunders.
}


def findings(tables, settings=None, columns=None):
    hole = cp.hole_from_tables(tables, settings or SETTINGS, columns=columns)
    return cp.quality.findings(hole)


def shown(found):
    return [(row.check, int(row["count"]), row.words) for _, row in found.iterrows()]


@pytest.mark.parametrize("name", list(COLUMNS))
def test_scans_of_lake_cores(open_data, name):
    frame = pd.read_csv(
        open_data / "lake_core_scans" / f"{name}.csv",
        dtype=str, keep_default_na=False, encoding="utf-8-sig",
    )  # fmt: skip
    found = findings({"scan/reduced": frame}, columns={"scan/reduced": COLUMNS[name]})
    print(name, shown(found))


@pytest.mark.parametrize("site", ["U1334", "U1337", "U1418", "U1431", "U1438"])
def test_masses_of_deep_sea_samples(open_data, site):
    frame = pd.read_csv(open_data / "deep_sea_samples" / f"{site}.csv")
    frame = frame[list(MASSES)].rename(columns=MASSES)
    frame["run"] = np.arange(1.0, len(frame) + 1.0)
    found = findings({"samples/index_properties": frame})
    print(site, len(frame), shown(found))


def test_older_samples(open_data):
    frame = pd.read_csv(open_data / "legacy_samples" / "samples.csv", dtype={"site": str})
    seen = {}
    for site, part in frame.groupby("site"):
        table = pd.DataFrame({
            "depth [m]": pd.to_numeric(part["sample depth (m)"], errors="coerce"),
            "porosity [%]": pd.to_numeric(part["porosity"], errors="coerce"),
            "bulk_density [g/cm^3]": pd.to_numeric(part["wet bulk density (g/cc)"], errors="coerce"),
            "grain_density [g/cm^3]": pd.to_numeric(part["grain density (g/cc)"], errors="coerce"),
        })  # fmt: skip
        found = findings({"scan/reduced": table})
        if len(found):
            seen[site] = shown(found)
    print(len(seen), seen)


def test_spectra_of_natural_gamma(open_data):
    for file in sorted((open_data / "natural_gamma_spectra").glob("*.csv")):
        frame = pd.read_csv(file, dtype={"Core": str, "Section": str})
        columns = {"m CSF-A": "depth [m]", "K [wt.%]": "potassium [%]", "U [mg/kg]": "uranium [mg/kg]",
                   "Th [mg/kg]": "thorium [mg/kg]", "GRA bulk density [g/cm^3]": "bulk_density [g/cm^3]",
                   "Core": "core"}  # fmt: skip
        table = frame[list(columns)].rename(columns=columns)
        print(file.stem, shown(findings({"scan/reduced": table})))


def test_a_heating_test_in_sand(open_data):
    frame = pd.read_csv(open_data / "line_source_test" / "sandbox.csv")
    table = pd.DataFrame({
        "run": "sand", "depth [m]": 1.0, "geometry": "full_space", "direction": "across",
        "heating_power [W/m]": 1056.0 / 18.3, "time [s]": frame["time_s"],
        "temperature [degC]": frame[["T_inlet_degC", "T_outlet_degC"]].mean(axis=1),
    })  # fmt: skip
    print(shown(findings({"samples/needle": table})))


def test_a_log_without_cores(open_data, tmp_path):
    (file,) = (open_data / "well_log").glob("*.las")
    (tmp_path / "downhole" / "logs").mkdir(parents=True)
    shutil.copy(file, tmp_path / "downhole" / "logs" / "run.las")
    (tmp_path / "hole.toml").write_text(
        '[hole]\nname = "open data"\nwater_depth = "100 m"\n'
        '[logs.files."run.las"]\ndepth_datum = "rig_floor"\nseafloor_depth = "120 m"\n'
        'curves = { RHOB = "bulk_density" }\n'
    )
    print(shown(cp.quality.findings(cp.read_hole(tmp_path))))
