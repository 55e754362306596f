"""Exports by others carried in by a mapping: the same numbers as read by hand.

The archive's headers are mapped here and nowhere else.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from corephys.ground import series
from tests.importing.exports import assert_balanced


def carry_in(path: Path, data: Path, mapping: str, name: str = "A"):
    """Import files of the open data into a new hole folder."""
    path.mkdir(parents=True, exist_ok=True)
    (path / "hole.toml").write_text(f'[hole]\nname = "{name}"\n', encoding="utf-8")
    text = mapping.replace("DATA", data.as_posix())
    (path / "import.toml").write_text(text, encoding="utf-8")
    report = cp.importing.run(path)
    assert_balanced(report)
    return report


def numbers(frame: pd.DataFrame, header: str) -> np.ndarray:
    return pd.to_numeric(frame[header], errors="coerce").to_numpy(float)


def text_frame(file: Path) -> pd.DataFrame:
    return pd.read_csv(file, dtype=str, keep_default_na=False, encoding="utf-8-sig")


# Samples ----------------------------------------------------------------------------------------

MASSES = """
[[source]]
files = "DATA/SITE.csv"
table = "samples/index_properties"
[source.columns]
depth = "Depth CSF-A (m)"
wet_mass = "Mass wet sample (g)"
dry_mass = "Mass dried sample (g)"
dry_volume = "Vol dried sample (cm³)"
sample_id = "Proceedings label"
"""


@pytest.mark.parametrize("site", ["U1334", "U1337", "U1418", "U1431", "U1438"])
def test_masses_and_volumes(open_data, tmp_path, site):
    folder = open_data / "deep_sea_samples"
    report = carry_in(tmp_path, folder, MASSES.replace("SITE", site), site)
    frame = text_frame(folder / f"{site}.csv")
    assert report.total("added") == len(frame)
    assert report.refused == []
    table = cp.read_hole(tmp_path)["samples/index_properties"]
    # The rows of one depth that come twice with other values are the second run of that depth.
    order = ["depth", "wet_mass", "dry_mass", "dry_volume"]
    headers = [
        "Depth CSF-A (m)",
        "Mass wet sample (g)",
        "Mass dried sample (g)",
        "Vol dried sample (cm³)",
    ]
    ours = pd.DataFrame({name: table[name].values for name in order})
    theirs = pd.DataFrame({n: numbers(frame, h) for n, h in zip(order, headers, strict=True)})
    pd.testing.assert_frame_equal(
        ours.sort_values(order, ignore_index=True),
        theirs.sort_values(order, ignore_index=True),
        check_exact=True,
    )
    assert set(table["sample_id"].values) == set(frame["Proceedings label"])


LEGACY = """
[[source]]
files = "DATA/samples.csv"
table = "scan/reduced"
where = { site = "289" }
[source.columns]
depth = "sample depth (m)"
bulk_density = "wet bulk density (g/cc)"
grain_density = "grain density (g/cc)"
porosity = { column = "porosity", unit = "%" }
water_content_wet = { column = "wet water content (no units)", unit = "%" }
sample_id = ["leg", "site", "hole", "core", "section"]
"""


def test_samples_of_one_site_out_of_many(open_data, tmp_path):
    folder = open_data / "legacy_samples"
    report = carry_in(tmp_path, folder, LEGACY)
    frame = text_frame(folder / "samples.csv")
    site = frame[frame["site"] == "289"]
    counts = report.files[0].tables[0]
    assert counts.added + counts.empty == len(site)
    assert counts.left_out == len(frame) - len(site)
    table = cp.read_hole(tmp_path)["scan/reduced"]
    pairs = (("bulk_density", "wet bulk density (g/cc)", 1.0), ("porosity", "porosity", 100.0))
    for name, header, scale in pairs:
        theirs = numbers(site, header) / scale
        ours = table[name].values
        assert np.isfinite(ours).sum() == np.isfinite(theirs).sum()
        np.testing.assert_allclose(
            np.sort(ours[np.isfinite(ours)]), np.sort(theirs[np.isfinite(theirs)]), rtol=1e-15
        )


# Scans ------------------------------------------------------------------------------------------

SPECTRA = """
[[source]]
files = "DATA/HOLE.csv"
table = "scan/reduced"
[source.columns]
core = "Core"
section = "Section"
offset = "Offset [cm]"
given_depth = { column = "m CSF-A", unit = "m" }
bulk_density = "GRA bulk density [g/cm^3]"
[deduce]
"""


@pytest.mark.parametrize("hole", ["U1447A", "U1482C"])
def test_cores_are_deduced_from_a_scan(open_data, tmp_path, hole):
    folder = open_data / "natural_gamma_spectra"
    report = carry_in(tmp_path, folder, SPECTRA.replace("HOLE", hole), hole)
    frame = text_frame(folder / f"{hole}.csv")
    counts = report.files[0].tables[0]
    assert counts.added + counts.empty == len(frame)
    table = cp.read_hole(tmp_path)["scan/reduced"]
    kept = frame[frame["GRA bulk density [g/cm^3]"] != ""]
    np.testing.assert_array_equal(
        np.sort(table["bulk_density"].values), np.sort(numbers(kept, "GRA bulk density [g/cm^3]"))
    )
    cores = pd.read_csv(tmp_path / "cores.csv", dtype=str)
    assert sorted(cores["core"]) == sorted(set(kept["Core"]))
    assert cores["deduced"].str.startswith("top: depth less offset").all()
    # The archive's own depths come back within its rounding in nearly every row.
    apart = np.abs(table["depth"].values - table["given_depth"].values)
    assert np.median(apart) < 0.011, np.median(apart)
    assert len(report.disagreements) == 1


LAKE = {
    "HER42PB": """
core = "SECTION_ID"
depth = "Strat_depth [cm]"
bulk_density = "Den1_SAT [g/cm^3]"
p_wave_velocity = "PWVel_SAT [m/s]"
amplitude = "PWAmp_SAT"
electrical_resistivity = "RES_SAT [ohm m]"
""",
    "LP08": """
core = "Section"
depth = "Strat_depth"
bulk_density = "Gamma_Ray_Density _GRD"
electrical_resistivity = "Resitivity"
""",
    "LP16": """
core = "Core"
depth = "Strat_depth"
bulk_density = "GRD_Gamma_Ray_Density__SAT_cal"
p_wave_velocity = "PWVel"
amplitude = { column = "PWAmp", unit = "1" }
electrical_resistivity = "Resitivity"
""",
}
# The row of units of LP08 and LP16 states kg/m^3 and the numbers are g/cm^3.
CORRECTION = """
[[correct]]
column = "COLUMN"
unit = "g/cm^3"
reason = "the row of units states kg/m3; the numbers lie between 0.02 and 2.7"
"""
DENSITY = {"LP08": "Gamma_Ray_Density _GRD", "LP16": "GRD_Gamma_Ray_Density__SAT_cal"}
HEADERS = {
    "HER42PB": ("Strat_depth", "Den1_SAT", "RES_SAT"),
    "LP08": ("Strat_depth", "Gamma_Ray_Density _GRD", "Resitivity"),
    "LP16": ("Strat_depth", "GRD_Gamma_Ray_Density__SAT_cal", "Resitivity"),
}


@pytest.mark.parametrize("name", LAKE)
def test_lake_cores(open_data, tmp_path, name):
    folder = open_data / "lake_core_scans"
    mapping = f'[[source]]\nfiles = "DATA/{name}.csv"\ntable = "scan/reduced"\ncomplete = true\n'
    if name in DENSITY:
        mapping += "units_row = true\n"
    mapping += f"[source.columns]{LAKE[name]}"
    if name in DENSITY:
        mapping += CORRECTION.replace("COLUMN", DENSITY[name])
    report = carry_in(tmp_path, folder, mapping, name)
    frame = text_frame(folder / f"{name}.csv")
    if name in DENSITY:
        frame = frame.iloc[1:]
        assert report.corrections[0].endswith("the numbers lie between 0.02 and 2.7")
    counts = report.files[0].tables[0]
    assert counts.added + counts.empty == len(frame)
    table = cp.read_hole(tmp_path)["scan/reduced"]
    depth, density, resistivity = HEADERS[name]
    if not counts.empty:
        np.testing.assert_allclose(
            table["depth"].values, numbers(frame, depth) / 100, rtol=1e-15, atol=1e-15
        )
    for column, header in (("bulk_density", density), ("electrical_resistivity", resistivity)):
        ours, theirs = table[column].values, numbers(frame, header)
        np.testing.assert_array_equal(
            ours[np.isfinite(ours)], theirs[np.isfinite(theirs)], err_msg=column
        )


def test_a_wrong_row_of_units_is_not_taken_against_the_mapping(open_data, tmp_path):
    folder = open_data / "lake_core_scans"
    columns = LAKE["LP16"].replace(f'"{DENSITY["LP16"]}"', f'"{DENSITY["LP16"]} [g/cm^3]"')
    mapping = (
        '[[source]]\nfiles = "DATA/LP16.csv"\ntable = "scan/reduced"\ncomplete = true\n'
        f"units_row = true\n[source.columns]{columns}"
    )
    report = carry_in(tmp_path, folder, mapping)
    assert "states 'kg/m^3'" in report.refused_files[0].fault


# Heat flow --------------------------------------------------------------------------------------

BOREHOLE = """
[[source]]
files = "DATA/temperature.csv"
table = "downhole/stations"
[source.columns]
station = "depth_m"
tool = { value = "probe" }
depth = "depth_m [m]"

[[source]]
files = "DATA/thermal_conductivity.csv"
table = "scan/reduced"
[source.columns]
depth = "depth_m [m]"
thermal_conductivity = "thermal_conductivity_W_mK [W/(m K)]"
"""


def test_a_borehole_of_temperatures_and_conductivities(open_data, tmp_path):
    folder = open_data / "borehole_heat_flow"
    report = carry_in(tmp_path, folder, BOREHOLE)
    assert [file.tables[0].added for file in report.files] == [34, 30]
    hole = cp.read_hole(tmp_path)
    frame = text_frame(folder / "thermal_conductivity.csv")
    table = hole["scan/reduced"]
    np.testing.assert_array_equal(table["depth"].values, numbers(frame, "depth_m"))
    np.testing.assert_array_equal(
        table["thermal_conductivity"].values, numbers(frame, "thermal_conductivity_W_mK")
    )
    stations = text_frame(folder / "temperature.csv")
    np.testing.assert_array_equal(
        hole["downhole/stations"]["depth"].values, numbers(stations, "depth_m")
    )


# A calibration and a heating test ---------------------------------------------------------------

OTHERS = """
[[source]]
files = "DATA/gamma_gauge/gain_density.csv"
table = "standards/pycnometer"
[source.columns]
value = { column = "density", unit = "g/cm^3" }
reading = "gain"

[[source]]
files = "DATA/line_source_test/sandbox.csv"
table = "samples/needle"
[source.columns]
run = { value = "box" }
depth = { value = "0 m" }
geometry = { value = "full_space" }
direction = { value = "across" }
heating_power = { value = "57.7 W/m" }
time = "time_s [s]"
temperature = "T_inlet_degC [degC]"
"""


def test_a_gauge_and_a_heating_test(open_data, tmp_path):
    """The gauge has no table of its own: any table of standards holds its two columns."""
    report = carry_in(tmp_path, open_data, OTHERS)
    assert [file.tables[0].added for file in report.files] == [90, 2832]
    hole = cp.read_hole(tmp_path)
    frame = text_frame(open_data / "gamma_gauge" / "gain_density.csv")
    ours = hole["standards/pycnometer"]
    np.testing.assert_array_equal(ours["value"].values, numbers(frame, "density"))
    np.testing.assert_array_equal(ours["reading"].values, numbers(frame, "gain"))
    box = series.leaf(hole, "samples/needle")
    assert box.sizes["row"] == 2832
    assert json.loads(box.attrs["bad_cells"]) == []
