"""The name of a sample reaches every result of it and every table."""

from __future__ import annotations

import csv

import pandas as pd
import pytest

import corephys as cp
from corephys.ground import series
from data_demo.simulator.hole import simulate_tables

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
KEYS = ("core", "section", "offset [cm]", "run", "test", "station")
# Results that are of no sample: calibrations, profiles and fits of the whole hole.
OF_THE_HOLE = (
    "gamma_calibration", "resistivity_calibration", "control_", "archie", "velocity_models",
    "reflection_coefficient", "two_way_time", "seismic_profile", "averaged_profile", "synthetic",
    "reflectivity", "time_depth", "check_shot_times", "times_compared", "compaction",
    "stress_profile", "heat_flow", "accumulation", "pycnometer_cells",
)  # fmt: skip


@pytest.fixture(scope="module")
def named():
    """Tables in which every row bears the name of its sample, and their reduction."""
    tables, settings, _ = simulate_tables(3001, small=True)
    for table, frame in tables.items():
        if not table.startswith(("samples/", "scan/", "downhole/")):
            continue
        keys = [c for c in frame.columns if c in KEYS]
        places = frame[keys].astype(str).agg("-".join, axis=1)
        # Names that a careless reader would take for numbers.
        number = {place: f"{i:04d}" for i, place in enumerate(dict.fromkeys(places))}
        tables[table] = frame.assign(sample_id=[number[place] for place in places])
    return tables, cp.reduce(cp.hole_from_tables(tables, settings), LEAN)


def test_every_result_of_a_sample_bears_its_name(named):
    _, reduced = named
    without = []
    for node in reduced.leaves:
        group, _, name = node.path.strip("/").partition("/")
        if group in ("properties", "products") and not name.startswith(OF_THE_HOLE):
            without += [] if "sample_id" in node.to_dataset().coords else [name]
    assert not without


def test_names_stay_beside_their_own_values(named):
    tables, reduced = named
    given = tables["samples/index_properties"]
    found = series.leaf(reduced, "properties/index_properties")
    assert found["sample_id"].values.tolist() == given["sample_id"].tolist()
    wet = given["wet_mass [g]"].to_numpy()
    raw = series.leaf(reduced, "samples/index_properties")
    assert raw["sample_id"].values.tolist() == given["sample_id"].tolist()
    assert (raw["wet_mass"].values == wet).all()


def test_runs_of_one_sample_share_its_name_and_others_are_named_together(named):
    _, reduced = named
    runs = series.leaf(reduced, "properties/heating_runs")
    combined = series.leaf(reduced, "properties/thermal_conductivity")
    # Every run was named apart, so a mean of repeats bears the names of all of them.
    assert combined.sizes["reading"] < runs.sizes["reading"]
    joined = [name for names in combined["sample_id"].values for name in names.split("; ")]
    assert sorted(joined) == sorted(runs["sample_id"].values)


def test_the_name_stands_in_the_tables(named, tmp_path):
    tables, reduced = named
    cp.export.write_tables(reduced, tmp_path / "tables")
    frame = pd.read_csv(tmp_path / "tables" / "index_properties.csv", dtype=str)
    assert frame["sample_id"].tolist() == tables["samples/index_properties"]["sample_id"].tolist()
    cp.export.write_report_tables(reduced, tmp_path / "report", kinds=("csv",))
    for name in ("index_properties", "thermal_conductivity", "sample_velocity", "strength",
                 "consolidation", "formation_temperature"):  # fmt: skip
        with (tmp_path / "report" / f"{name}.csv").open(encoding="utf-8") as file:
            assert next(csv.reader(file))[0] == "sample id", name


def test_the_name_is_text_and_survives_a_file(named, tmp_path):
    _, reduced = named
    cp.save(reduced, tmp_path / "reduced.nc")
    back = cp.load(tmp_path / "reduced.nc")
    names = series.leaf(back, "properties/index_properties")["sample_id"].values
    assert names[0] == "0000" and names.dtype == object
