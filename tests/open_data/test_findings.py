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


def findings(tables, settings=None, columns=None):
    hole = cp.hole_from_tables(tables, settings or SETTINGS, columns=columns)
    return cp.quality.findings(hole)


def shown(found):
    return [(row.check, int(row["count"]), row.words) for _, row in found.iterrows()]


# The second row of two files holds units, which the archive puts below its header.
UNIT_ROWS = {"HER42PB": [], "LP08": [3], "LP16": [5]}


@pytest.mark.parametrize("name", list(COLUMNS))
def test_scans_of_lake_cores(open_data, name):
    path = open_data / "lake_core_scans" / f"{name}.csv"
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    found = findings({"scan/reduced": frame}, columns={"scan/reduced": COLUMNS[name]})
    assert found["check"].tolist() == ["columns that cannot be read"] * len(UNIT_ROWS[name])
    assert found["count"].tolist() == UNIT_ROWS[name]
    assert (found["likely_slip"] == "the row below the header holds units or words").all()
    assert (found["flagged"] == 0).all()


# Blunders at source, as the archive's notes state. In half of the rows of the first site dry mass
# over dry volume is that of water, and the densities beside the masses do not follow from them.
BLUNDERS = {
    "U1334": ("grain density", 301, "half of the samples have 1.089 g/cm^3"),
    "U1337": None,
    "U1418": ("masses", 1, "dry_mass is 6.857 g and wet_mass 6.242 g"),
    "U1431": ("grain density", 1, "dry mass over dry volume is 0.6055 g/cm^3"),
    "U1438": ("grain density", 2, "dry mass over dry volume is 0.4091 g/cm^3"),
}


@pytest.mark.parametrize("site", list(BLUNDERS))
def test_masses_of_deep_sea_samples(open_data, site):
    frame = pd.read_csv(open_data / "deep_sea_samples" / f"{site}.csv")
    frame = frame[list(MASSES)].rename(columns=MASSES)
    frame["run"] = np.arange(1.0, len(frame) + 1.0)
    found = findings({"samples/index_properties": frame})
    expected = BLUNDERS[site]
    assert len(found) == (expected is not None)
    if expected is not None:
        check, count, words = expected
        assert found["check"].tolist() == [check]
        assert found["count"].tolist() == [count]
        assert words in found["words"][0]


def test_older_samples(open_data):
    """Sites whose table holds several holes are found by the depths that begin again."""
    frame = pd.read_csv(open_data / "legacy_samples" / "samples.csv", dtype={"site": str})
    columns = {
        "sample depth (m)": "depth [m]",
        "porosity": "porosity [%]",
        "wet bulk density (g/cc)": "bulk_density [g/cm^3]",
        "grain density (g/cc)": "grain_density [g/cm^3]",
    }
    several = 0
    for site, part in frame.groupby("site"):
        table = part[list(columns)].apply(pd.to_numeric, errors="coerce").rename(columns=columns)
        found = findings({"scan/reduced": table.reset_index(drop=True)})
        assert set(found["check"]) <= {"depths begin again"}, (site, shown(found))
        if len(found):
            several += 1
            assert part[["leg", "hole"]].astype(str).drop_duplicates().shape[0] > 1, site
    assert several > 20


def test_spectra_of_natural_gamma(open_data):
    columns = {
        "Core": "core",
        "m CSF-A": "depth [m]",
        "K [wt.%]": "potassium [%]",
        "U [mg/kg]": "uranium [mg/kg]",
        "Th [mg/kg]": "thorium [mg/kg]",
        "GRA bulk density [g/cm^3]": "bulk_density [g/cm^3]",
    }
    files = sorted((open_data / "natural_gamma_spectra").glob("*.csv"))
    assert files
    for file in files:
        frame = pd.read_csv(file, dtype={"Core": str, "Section": str})
        table = frame[list(columns)].rename(columns=columns)
        assert shown(findings({"scan/reduced": table})) == []


def test_a_heating_test_of_days_in_sand(open_data):
    frame = pd.read_csv(open_data / "line_source_test" / "sandbox.csv")
    warm = frame[["T_inlet_degC", "T_outlet_degC"]].mean(axis=1)
    table = pd.DataFrame({"time [s]": frame["time_s"], "temperature [degC]": warm})
    table = table.assign(run="sand", geometry="full_space", direction="across")
    table["depth [m]"], table["heating_power [W/m]"] = 1.0, 1056.0 / 18.3
    assert shown(findings({"samples/needle": table})) == []


def test_a_log(open_data, tmp_path):
    (file,) = (open_data / "well_log").glob("*.las")
    (tmp_path / "downhole" / "logs").mkdir(parents=True)
    shutil.copy(file, tmp_path / "downhole" / "logs" / "run.las")
    (tmp_path / "hole.toml").write_text(
        '[hole]\nname = "open data"\nwater_depth = "100 m"\n'
        '[logs.files."run.las"]\ndepth_datum = "rig_floor"\nseafloor_depth = "120 m"\n'
        'curves = { RHOB = "bulk_density" }\n'
    )
    assert shown(cp.quality.findings(cp.read_hole(tmp_path))) == []
