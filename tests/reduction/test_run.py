"""The whole job: reduce, reduce half a hole, reduce again from the result, and the command line."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import cli as command
from corephys.ground import flags, series
from corephys.reduction.context import Skipped
from corephys.reduction.stages import sediment
from data_demo.simulator.hole import simulate_hole, simulate_tables


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A small simulated hole."""
    where = tmp_path_factory.mktemp("hole")
    simulate_hole(where, 31, small=True)
    return where


@pytest.fixture(scope="module")
def reduced(folder):
    return cp.reduce(cp.read_hole(folder))


EXPECTED = (
    "properties/density", "properties/velocity", "properties/index_properties",
    "properties/thermal_conductivity", "properties/formation_temperature", "products/porosity",
    "products/impedance", "products/compaction", "products/thermal_resistance",
    "products/heat_flow",
)  # fmt: skip


# Stages that the default recipe leaves out: nothing supplied, no log, and what a user has to ask
# for.
OPTIONAL = {
    "supplied values", "corrections of heat flow", "heat flow drawn",
    "temperature below the stations", "downhole logs", "cores beside logs", "uncertainty of depth",
    "compaction by lithology",
}  # fmt: skip


def test_every_stage_leaves_its_result(reduced):
    for path in EXPECTED:
        assert series.leaf(reduced, path) is not None, path
    summary = json.loads(reduced.attrs["summary"])
    assert set(summary["skipped"]) == OPTIONAL
    assert reduced.attrs["format_version"] == "2"


def test_only_leaves_hold_data_and_raw_tables_stay(folder, reduced):
    for node in reduced.subtree:
        if not node.is_leaf:
            assert not node.dataset.data_vars
    hole = cp.read_hole(folder)
    for node in hole.leaves:
        xr.testing.assert_identical(
            node.to_dataset(inherit=False), series.leaf(reduced, node.path.strip("/"))
        )


def test_rows_in_are_rows_out(folder, reduced):
    for table, path in (("gamma", "density"), ("pwave", "velocity")):
        rows = len(pd.read_csv(folder / "scan" / f"{table}.csv"))
        data = series.leaf(reduced, f"properties/{path}")
        assert data.sizes["reading"] == rows


@pytest.mark.slow
def test_a_result_is_reduced_again_from_its_own_recipe(folder, reduced, tmp_path):
    cp.save(reduced, tmp_path / "reduced.nc")
    loaded = cp.load(tmp_path / "reduced.nc")
    again = cp.reduce(cp.read_hole(folder), cp.Recipe.from_json(loaded.attrs["recipe"]))
    for node in loaded.leaves:
        xr.testing.assert_equal(
            node.to_dataset(inherit=False), series.leaf(again, node.path.strip("/"))
        )
    assert loaded.attrs["input_sha256"] == again.attrs["input_sha256"]


def test_half_a_hole_without_samples_reduces(folder, tmp_path):
    half = tmp_path / "half"
    shutil.copytree(folder, half)
    for name in ("samples", "downhole", "truth"):
        shutil.rmtree(half / name)
    cut = ("cores", "sections", "removed", "description", "images", "scan/gamma", "scan/pwave")
    for table in cut:
        frame = pd.read_csv(half / f"{table}.csv", dtype=str)
        frame[frame["core"].astype(int) <= 4].to_csv(half / f"{table}.csv", index=False)
    for table in ("resistivity", "susceptibility", "natural_gamma"):
        (half / "scan" / f"{table}.csv").unlink()
    result = cp.reduce(cp.read_hole(half))
    summary = json.loads(result.attrs["summary"])
    assert series.leaf(result, "products/porosity") is not None
    assert "no table samples/needle.csv" in summary["skipped"]["thermal conductivity"]
    assert series.leaf(result, "products/compaction") is not None
    assert any("no samples" in note for note in summary["notes"])


def test_a_bare_hole_reduces_to_nothing_but_says_so():
    hole = cp.hole_from_tables({}, {"hole": {"name": "bare"}})
    result = cp.reduce(hole)
    summary = json.loads(result.attrs["summary"])
    assert summary["quantities"] == []
    assert summary["skipped"]["density"]


def _gamma_with_live_times(folder, out):
    """Cores, sections and gamma tables of a hole, with live times where it has real ones."""
    out.mkdir()
    for name in ("cores.csv", "sections.csv"):
        shutil.copy(folder / name, out / name)
    (out / "hole.toml").write_text('[hole]\nname = "live times"\n')
    for name in ("scan/gamma.csv", "standards/gamma.csv"):
        (out / name).parent.mkdir()
        text = (folder / name).read_text()
        (out / name).write_text(text.replace("real_time [s]", "live_time [s]", 1))
    return out


def test_a_hole_that_gives_nothing_is_status_one_with_the_words_of_its_stages(
    folder, tmp_path, capsys
):
    hole, out = _gamma_with_live_times(folder, tmp_path / "hole"), tmp_path / "out"
    assert command.main(["reduce", str(hole), "--out", str(out), "--no-report"]) == 1
    said = capsys.readouterr().err
    assert "skipped gamma calibration: [gamma] time is 'real'" in said
    assert "it has live_time. Set [gamma] time = 'live' if the scan and the standards" in said
    assert "skipped density: no gamma calibration" in said
    assert f"nothing was reduced from {hole}: its tables scan/gamma lack what their stages" in said
    assert "neither /properties" not in said
    assert not (out / "reduced.nc").exists() and not (out / "tables").exists()
    (hole / "hole.toml").write_text('[hole]\nname = "live"\n[gamma]\ntime = "live"\n')
    assert command.main(["reduce", str(hole), "--out", str(out), "--no-figures"]) == 0
    assert (out / "reduced.nc").exists()


@pytest.mark.slow
def test_a_report_of_a_hole_that_gives_nothing_says_why(folder, tmp_path, capsys):
    hole, out = _gamma_with_live_times(folder, tmp_path / "hole"), tmp_path / "out"
    assert command.main(["report", str(hole), "--out", str(out)]) == 1
    said = capsys.readouterr().err
    assert "skipped gamma calibration: [gamma] time is 'real'" in said
    assert f"nothing was reduced from {hole}" in said
    assert not (out / "reduced.nc").exists() and not (out / "report.html").exists()


def test_supplied_values_are_kept_and_marked():
    frame = pd.DataFrame(
        {
            "depth [m]": [1.0, 2.0],
            "quantity": ["bulk_density", "bulk_density"],
            "value": [1500.0, 1.6],
            "unit": ["kg/m^3", "g/cm^3"],
        }
    )
    result = cp.reduce(cp.hole_from_tables({"scan/reduced": frame}, {"hole": {"name": "bare"}}))
    density = series.leaf(result, "properties/density")
    np.testing.assert_allclose(density["bulk_density"], [1.5, 1.6])
    assert (density["bulk_density_flag"] == cp.flags.NOT_EVALUATED).all()
    summary = json.loads(result.attrs["summary"])
    assert summary["quantities"][0]["supplied"] == 2
    frame.loc[1, "quantity"] = "magic"
    with pytest.raises(cp.HoleError, match="no quantity 'magic'"):
        cp.hole_from_tables({"scan/reduced": frame}, {"hole": {"name": "bare"}})


def test_impedance_knows_the_wrong_diameter(reduced):
    """A wrong calliper moves density and velocity oppositely; impedance keeps little of it."""
    impedance = series.leaf(reduced, "products/impedance")
    density = series.leaf(reduced, "properties/density")
    velocity = series.leaf(reduced, "properties/velocity")

    def relative(data, name):
        good = data[f"{name}_flag"] == cp.flags.GOOD
        return float((data[f"{name}_u_systematic"] / data[name]).where(good).median())

    both = np.hypot(relative(density, "bulk_density"), relative(velocity, "p_wave_velocity"))
    assert relative(impedance, "acoustic_impedance") < 0.5 * both


@pytest.mark.slow
def test_a_chosen_wrong_diameter_stays_within_the_uncertainty_of_impedance():
    errors = []
    for shift in (-0.9, 0.9):  # mm, three standard uncertainties
        tables, settings, _ = simulate_tables(77, small=True, wrong_diameter=shift)
        result = cp.reduce(cp.hole_from_tables(tables, settings))
        data = series.leaf(result, "products/impedance")
        good = data["acoustic_impedance_flag"] == cp.flags.GOOD
        errors.append(float(data["acoustic_impedance"].where(good).mean()))
    spread = abs(errors[1] - errors[0]) / np.mean(errors)
    # Density or velocity alone moves by 2.7 %; in an annulus of water not all of it cancels.
    assert spread < 0.4 * 2 * 0.9 / 66


def test_recipe_changes_reach_the_result(folder, reduced):
    hole = cp.read_hole(folder)
    other = cp.reduce(hole, {"heat_flow": {"carrier": "steps"}})
    assert cp.Recipe.from_json(other.attrs["recipe"])["heat_flow"]["carrier"] == "steps"
    with pytest.raises(cp.RecipeError, match="did you mean 'carrier'"):
        cp.reduce(hole, {"heat_flow": {"carriers": "steps"}})


def test_progress_names_every_stage(folder):
    seen = []
    cp.reduce(cp.read_hole(folder), progress=lambda name, i, n: seen.append((name, i, n)))
    assert seen[0][0] == "index properties" and seen[-1][0] == "done"
    assert seen[-1][1] == seen[-1][2]


def test_explain_and_overview_read_well(reduced):
    text = cp.explain(reduced["properties/density"])
    assert "electron step" in text and "core diameter" in text
    assert "heat flow" in repr(cp.overview(reduced))
    with pytest.raises(TypeError, match="overview got int; give a hole"):
        cp.overview(3)


def test_overview_escapes_what_the_data_say():
    hole = cp.hole_from_tables({}, {"hole": {"name": "<script>alert(1)</script>"}})
    assert "<script>" not in cp.overview(hole)._repr_html_()


@pytest.mark.slow
def test_command_line_leaves_everything_and_says_where(folder, tmp_path, capsys):
    out = tmp_path / "out"
    assert command.main(["reduce", str(folder), "--out", str(out), "--no-report"]) == 0
    said = capsys.readouterr().out
    assert "bulk density" in said and str(out / "reduced.nc") in said
    assert (out / "tables" / "density.csv").exists()
    assert (out / "figures" / "summary.svg").exists() and (out / "figures" / "summary.png").exists()


def test_command_line_exit_status(folder, tmp_path, capsys):
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    (broken / "cores.csv").write_text("core,top [furlong]\n1,0\n")
    assert command.main(["reduce", str(broken), "--out", str(tmp_path / "o")]) == 1
    assert "cores.csv" in capsys.readouterr().err
    with pytest.raises(SystemExit) as usage:
        command.main(["reduce", str(tmp_path / "nowhere"), "--out", str(tmp_path / "o")])
    assert usage.value.code == 2
    done = subprocess.run(
        [sys.executable, "-m", "corephys", "shorten", "x"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2 and "reduce" in done.stderr


def test_a_wrong_recipe_file_is_status_one(folder, tmp_path, capsys):
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('[gamma]\ndeadtime = "5 us"\n')
    arguments = ["reduce", str(folder), "--out", str(tmp_path / "o"), "--recipe", str(recipe)]
    assert command.main([*arguments, "--no-report"]) == 1
    assert "did you mean 'dead_time'" in capsys.readouterr().err


def _without(table, start):
    def change(tables):
        frame = tables[table]
        tables[table] = frame.drop(columns=[c for c in frame.columns if c.startswith(start)])

    return change


def _set(table, start, value):
    def change(tables):
        frame = tables[table]
        column = next(c for c in frame.columns if c.startswith(start))
        tables[table] = frame.assign(**{column: value(frame[column])})

    return change


HARD = {
    "no radius of the needle": (_without("samples/needle", "radius"), None),
    "no amplitudes": (_without("scan/pwave", "amplitude"), None),
    "no counting dates": (_without("scan/gamma", "time"), None),
    "no tools": (lambda tables: tables.pop("downhole/tools"), "formation temperature"),
    "samples at one depth": (
        lambda tables: tables.update({"samples/index_properties": pd.concat(
            [tables["samples/index_properties"].iloc[[0]].assign(repeat=i) for i in range(8)],
            ignore_index=True)}), "compaction",
    ),
    "counts of zero": (_set("scan/gamma", "counts", lambda v: v * 0), "seismic"),
    "negative travel times": (_set("scan/pwave", "travel_time", lambda v: v * 0 - 5.0), "seismic"),
    "dry above wet": (_set("samples/index_properties", "dry_mass", lambda v: v * 3), "compaction"),
    "a station that never cools": (
        _set("downhole/formation_temperature", "temperature", lambda v: v * 0 + 5.0), "heat flow",
    ),
    "time that runs backwards": (
        _set("samples/needle", "time", lambda v: v.to_numpy()[::-1]), "formation temperature",
    ),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("fault", list(HARD))
def test_a_hole_with_a_bad_table_still_reduces_and_says_what_is_missing(fault):
    change, skipped = HARD[fault]
    tables, settings, _ = simulate_tables(3001, small=True)
    change(tables)
    result = cp.reduce(cp.hole_from_tables(tables, settings))
    summary = json.loads(result.attrs["summary"])
    left_out = {*summary["skipped"], *summary["failed"]}
    assert left_out >= ({skipped} if skipped else set())
    if (
        skipped is None
    ):  # three small layers of 7, 8 and 11 samples are too few for fits of their own
        assert set(summary["skipped"]) == OPTIONAL | {"compaction by layer"}
    for entry in summary["quantities"]:
        data = series.leaf(result, entry["path"])
        assert entry["readings"] == np.size(data[f"{entry['name']}_flag"])


def test_porosities_without_a_known_uncertainty_are_left_out_of_the_fit_and_said(reduced):
    samples = series.leaf(reduced, "properties/index_properties").copy(deep=True)
    samples["porosity_u_random"][:3] = np.nan
    context = SimpleNamespace(levels=("good", "not_evaluated"), notes=[])
    weighed = sediment._with_uncertainty(context, samples)
    assert (samples["porosity_flag"].values[:3] == 1).all()
    assert weighed.sizes["reading"] == samples.sizes["reading"] - 3
    assert context.notes[0].startswith("3 porosities without a known uncertainty have no weight")
    samples["porosity_u_random"][:] = np.nan
    with pytest.raises(Skipped, match="no porosity has a known uncertainty"):
        sediment._with_uncertainty(context, samples)


def test_a_porosity_takes_the_doubt_of_the_exponent_it_is_made_with(demo_hole, tmp_path):
    """Standards with half their counting time give exponents that cannot be, if they are used."""
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    table = pd.read_csv(folder / "standards/gamma.csv", dtype=str, keep_default_na=False)
    table.loc[table["kind"] == "standard", "real_time [s]"] = "30"
    table.to_csv(folder / "standards/gamma.csv", index=False)
    levels = "good, not_evaluated, suspect"
    reduced = cp.reduce(cp.read_hole(folder), {"quality": {"use": levels}})
    exponents = reduced["properties/archie"].to_dataset(inherit=False)
    assert (exponents["cementation_exponent_flag"] == flags.BAD).all()
    found = reduced["products/porosity_from_resistivity"].to_dataset(inherit=False)
    assert np.isfinite(found["porosity"]).any()
    assert (found["porosity_flag"] >= flags.BAD).all()
    assert ((found["porosity_reason"].values & flags.bit("input_bad")) != 0).all()
