"""LAS files of a hole folder: read as the recipe says, laid beside the cores, and never guessed."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.cli import main
from corephys.downhole import logs
from corephys.export import save, write_summaries, write_tables
from corephys.ground import series
from data_demo.simulator.hole import simulate_hole
from tests.export.test_cf import faults

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

SEAFLOOR = 2441.3  # of the seafloor in the log's own depths [m]
SHIFT = 1.40  # of the cores against the log [m]
DENSITY_BIAS = 0.05  # core less log [g/cm^3]
SLOWER = 1.02  # velocity of the log over that of the core
PLAN = {
    "depth_datum": "rig_floor", "seafloor_depth": f"{SEAFLOOR} m",
    "seafloor_depth_uncertainty": "0.5 m",
    "curves": {"RHOB": "bulk_density", "DT": "p_wave_velocity"},
}  # fmt: skip
RECIPE = {"logs": {"files": {"first run.las": PLAN}}}


@pytest.fixture(scope="module")
def bare(demo_reduced):
    """The demo hole reduced without a log."""
    return demo_reduced


def _usable(dataset, name):
    good = (dataset[f"{name}_flag"] == 1).values & np.isfinite(dataset[name].values)
    order = np.argsort(dataset["depth"].values[good], kind="stable")
    return dataset["depth"].values[good][order], dataset[name].values[good][order]


def _seen(z, depth, values, aperture=0.5):
    """What a tool of that aperture reads at z, of values that lie along depth."""
    around = z[:, None] + np.linspace(-aperture / 2, aperture / 2, 41)[None, :]
    return np.interp(around.ravel(), depth, values).reshape(around.shape).mean(axis=1)


def las_text(reduced):
    """A log of the hole that the cores came from, deeper by SHIFT and counted from a rig floor."""
    depth, density = _usable(series.leaf(reduced, "properties/density"), "bulk_density")
    z_velocity, velocity = _usable(series.leaf(reduced, "properties/velocity"), "p_wave_velocity")
    z = np.arange(2.0, depth.max() - 2.0, 0.15)
    rhob = _seen(z - SHIFT, depth, density) - DENSITY_BIAS
    slowness = _seen(z - SHIFT, z_velocity, 1.0 / velocity) / SLOWER
    rows = [
        f"{a + SEAFLOOR:.4f} {b:.5f} {c * 1e6:.4f} {60 + i % 7}"
        for i, (a, b, c) in enumerate(zip(z, rhob, slowness, strict=True))
    ]
    rows[3] = f"{z[3] + SEAFLOOR:.4f} -999.25 -999.25 61"
    head = f"""~VERSION
 VERS.  2.0 : LAS
 WRAP.  NO  : one line
~WELL
 STRT.M {z[0] + SEAFLOOR:.4f} : first
 STOP.M {z[-1] + SEAFLOOR:.4f} : last
 STEP.M 0.15 : step
 NULL.  -999.25 : null
~CURVE
 DEPT.M : depth
 RHOB.G/C3 : bulk density
 DT.US/M : slowness
 GR.GAPI : natural gamma
~A
"""
    return head + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def folder(demo_hole, bare, tmp_path_factory):
    """A copy of the demo hole with a log."""
    where = tmp_path_factory.mktemp("logged") / "hole"
    shutil.copytree(demo_hole, where)
    (where / "downhole" / "logs").mkdir(parents=True)
    (where / "downhole" / "logs" / "first run.las").write_text(las_text(bare))
    return where


@pytest.fixture(scope="module")
def reduced(folder):
    return cp.reduce(cp.read_hole(folder), RECIPE)


def notes(tree):
    return json.loads(tree.attrs["summary"])["notes"]


def failed(tree):
    """One line a stage that failed: its name and its error."""
    return [f"{k}: {v}" for k, v in json.loads(tree.attrs["summary"])["failed"].items()]


def skipped(tree):
    return json.loads(tree.attrs["summary"])["skipped"]


def of_core(table, place):
    (row,) = np.flatnonzero(table["core_series"].values == place)
    return table.isel(window=row)


def test_the_planted_shift_and_bias_of_density_are_recovered(reduced):
    table = series.leaf(reduced, "products/log_comparison_bulk_density")
    row = of_core(table, "properties/density")
    assert float(row["shift"]) == pytest.approx(SHIFT, abs=0.05)
    assert float(row["bias"]) == pytest.approx(DENSITY_BIAS, abs=0.005)
    assert float(row["correlation"]) > max(0.99, float(row["correlation_before"]))
    assert abs(float(row["bias_before"]) - DENSITY_BIAS) > abs(float(row["bias"]) - DENSITY_BIAS)
    assert float(row["at_limit"]) == 0.0
    assert float(row["datum_uncertainty"]) == 0.5
    assert str(row["log"].values) == "properties/log_first_run"
    assert table["bias"].attrs["units"] == "g/cm^3"


def test_the_planted_shift_and_bias_of_velocity_are_recovered(reduced):
    table = series.leaf(reduced, "products/log_comparison_p_wave_velocity")
    row = of_core(table, "properties/velocity")
    _, velocity = _usable(series.leaf(reduced, "properties/velocity"), "p_wave_velocity")
    assert float(row["shift"]) == pytest.approx(SHIFT, abs=0.05)
    assert float(row["bias"]) == pytest.approx((1.0 - SLOWER) * velocity.mean(), abs=3.0)


def test_the_log_is_kept_with_units_flags_and_where_it_lies(reduced, bare):
    log = series.leaf(reduced, "properties/log_first_run")
    depth, _ = _usable(series.leaf(bare, "properties/density"), "bulk_density")
    np.testing.assert_allclose(log["depth_in_the_file"] - log["depth"], SEAFLOOR, rtol=1e-12)
    assert float(log["depth"].min()) > 1.9 and float(log["depth"].max()) < depth.max()
    assert log["bulk_density"].attrs["units"] == "g/cm^3"
    assert log["p_wave_velocity"].attrs["units"] == "m/s"
    assert log["bulk_density_flag"].values[3] == 9 and np.isnan(log["bulk_density"].values[3])
    assert np.isnan(log["bulk_density_u_random"].values).all()  # nobody said it
    assert float(log["seafloor_depth"]) == SEAFLOOR
    assert log.attrs["file"] == "downhole/logs/first run.las"
    assert "GR" not in log
    assert "curve RHOB of first run.las as bulk_density" in cp.explain(log)


def test_the_file_itself_stays_in_the_result_byte_by_byte(folder, reduced, tmp_path):
    cp.save(reduced, tmp_path / "reduced.nc")
    held = series.leaf(cp.load(tmp_path / "reduced.nc"), "downhole/logs/first_run")
    given = (folder / "downhole" / "logs" / "first run.las").read_bytes()
    assert held["content"].values.tobytes() == given


def test_nothing_else_of_the_hole_changes(reduced, bare):
    found = cp.export.compare(bare, reduced)
    assert found.inputs.values.tolist() == [["downhole/logs/first run.las", "added"]]
    assert {g.partition("/")[2][:3] for g in found.numbers["group"]} == {"log"}
    assert set(found.numbers["old"]) == {0}


def test_a_result_is_reduced_again_from_its_own_recipe(folder, reduced, tmp_path):
    cp.save(reduced, tmp_path / "reduced.nc")
    loaded = cp.load(tmp_path / "reduced.nc")
    again = cp.reduce(cp.read_hole(folder), cp.Recipe.from_json(loaded.attrs["recipe"]))
    assert again.attrs["recipe"] == loaded.attrs["recipe"]
    assert again.attrs["input_sha256"] == loaded.attrs["input_sha256"]
    for node in loaded.leaves:
        xr.testing.assert_equal(
            node.to_dataset(inherit=False), series.leaf(again, node.path.strip("/"))
        )


def test_the_groups_pass_a_cf_checker(reduced, tmp_path):
    few = {
        path: series.leaf(reduced, path)
        for path in (
            "downhole/logs/first_run", "properties/log_first_run",
            "products/log_comparison_bulk_density", "products/log_comparison_p_wave_velocity",
        )
    }  # fmt: skip
    tree = xr.DataTree.from_dict({"/": xr.Dataset(), **few})
    tree.attrs = reduced.attrs
    assert faults(save(tree, tmp_path / "few.nc"), tmp_path) == {}


def test_tables_are_written(reduced, tmp_path):
    write_tables(reduced, tmp_path)
    write_summaries(reduced, tmp_path)
    lines = (tmp_path / "log_comparison_bulk_density.csv").read_text().splitlines()
    assert lines[0].startswith("top [m],bottom [m],log,core_series,shift [m],correlation_before")
    assert "properties/log_first_run,properties/density" in lines[1]
    assert "bulk_density [g/cm^3]" in (tmp_path / "log_first_run.csv").read_text()
    assert "properties/log_first_run" in (tmp_path / "property_summary.csv").read_text()


def test_the_comparison_is_said_in_the_notes(reduced):
    (text,) = [n for n in notes(reduced) if n.startswith("properties/density beside")]
    found = re.search(r"shifted by ([+-]\d\.\d\d) m, the log's seafloor known to 0.5 m", text)
    assert float(found[1]) == pytest.approx(SHIFT, abs=0.05)


def test_a_changed_log_is_named_with_what_it_feeds(folder, reduced, tmp_path, capsys):
    other = tmp_path / "hole"
    shutil.copytree(folder, other)
    path = other / "downhole" / "logs" / "first run.las"
    lines = path.read_text().splitlines()
    lines[-1] = lines[-1].replace(lines[-1].split()[1], "1.99999")
    path.write_text("\n".join(lines) + "\n")
    old, new = tmp_path / "old.nc", tmp_path / "new.nc"
    cp.save(reduced, old)
    cp.save(cp.reduce(cp.read_hole(other), RECIPE), new)
    assert main(["compare", str(old), str(new)]) == 0
    text = capsys.readouterr().out
    assert "downhole/logs/first run.las: changed" in text
    line = next(t for t in text.splitlines() if "properties/log_first_run bulk_density" in t)
    assert "1 of" in line and line.endswith("Because: downhole/logs/first run.las")
    assert "properties/density" not in text


def small(tmp_path, files):
    """A small simulated hole with files in its folder of logs."""
    where = tmp_path / "hole"
    simulate_hole(where, 31, small=True)
    (where / "downhole" / "logs").mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (where / "downhole" / "logs" / name).write_bytes(content)
    return where


def test_a_file_without_a_mapping_is_listed_and_the_note_says_what_to_write(bare, tmp_path):
    where = small(tmp_path, {"first run.las": las_text(bare).encode()})
    result = cp.reduce(cp.read_hole(where))
    (text,) = [n for n in notes(result) if "first run.las" in n]
    for words in ('[logs.files."first run.las"]', "depth_datum", "seafloor_depth", "curves = {",
                  "RHOB [g/cm^3]", "DT [us/m]", "GR [GAPI]"):  # fmt: skip
        assert words in text
    assert "downhole logs" in skipped(result) and "cores beside logs" in skipped(result)
    assert series.leaf(result, "properties/log_first_run") is None
    assert "downhole/logs/first run.las" in json.loads(result.attrs["input_sha256"])


def test_broken_files_are_reported_and_the_rest_of_the_hole_finishes(bare, tmp_path):
    good = las_text(bare).encode()
    where = small(tmp_path, {
        "empty.las": b"", "table.LAS": b"depth,density\n1,2\n", "cut.las": good[:60],
        "no curve.las": good, "first run.las": good.replace(b"STRT.M 24", b"STRT.M 14"),
    })  # fmt: skip
    plan = {"depth_datum": "seafloor", "curves": {"RHOZ": "bulk_density"}}
    names = ("empty.las", "table.LAS", "cut.las", "no curve.las", "gone.las")
    result = cp.reduce(
        cp.read_hole(where),
        {"logs": {"files": {"first run.las": PLAN, **dict.fromkeys(names, plan)}}},
    )
    wrong, said = "\n".join(failed(result)), "\n".join(notes(result))
    assert "logs/empty.las: empty.las does not begin like a LAS file" in wrong
    assert "logs/table.LAS: table.LAS does not begin like a LAS file" in wrong
    assert "logs/cut.las: " in wrong
    assert "no curve.las has no curve 'RHOZ'; columns= may name RHOB, DT, GR" in wrong
    assert "[logs] files names gone.las, which downhole/logs does not hold" in said
    assert re.search(r"first run\.las: the header states STRT 14\d\d\.3 m; the data have 24", said)
    assert series.leaf(result, "properties/density") is not None
    assert series.leaf(result, "properties/log_first_run") is not None
    groups = [n.path for n in result.leaves if "/log_" in n.path]
    assert not [g for g in groups if "empty" in g or "table" in g or "cut" in g]


def test_a_log_on_another_datum_is_no_neighbour_and_said(bare, tmp_path):
    where = small(tmp_path, {"first run.las": las_text(bare).encode()})
    plan = {"depth_datum": "seafloor", "curves": {"RHOB": "bulk_density"}}  # it is not
    logs_of = {"logs": {"files": {"first run.las": plan}}}
    result = cp.reduce(cp.read_hole(where), logs_of)
    words = next(n for n in failed(result) if "the depths begin 24" in n)
    assert "at the depth of the water (2430 m). Do they count from the rig floor" in words
    assert series.leaf(result, "properties/log_first_run") is None
    # Where the water depth is not known, only the cores show it.
    result = cp.reduce(cp.read_hole(where), {**logs_of, "hole": {"water_depth": None}})
    assert any("bring both to one datum" in n for n in failed(result))
    assert "cores beside logs" in skipped(result)
    assert np.isnan(
        float(series.leaf(result, "properties/log_first_run")["seafloor_depth_uncertainty"])
    )


def test_the_mapping_may_stand_in_the_settings_and_cores_shift_by_windows(
    folder, reduced, tmp_path
):
    other = tmp_path / "hole"
    shutil.copytree(folder, other)
    with (other / "hole.toml").open("a", encoding="utf-8") as file:
        file.write(
            '\n[logs]\nwindow = "30 m"\n\n[logs.files."first run.las"]\n'
            f'depth_datum = "rig_floor"\nseafloor_depth = "{SEAFLOOR} m"\n'
            'seafloor_depth_uncertainty = "0.5 m"\n'
            'curves = { rhob = "bulk_density", DT = "p_wave_velocity" }\n'
        )
    result = cp.reduce(cp.read_hole(other))
    place = "properties/log_first_run"
    xr.testing.assert_equal(series.leaf(result, place), series.leaf(reduced, place))
    table = series.leaf(result, "products/log_comparison_bulk_density")
    assert table.sizes["window"] == 10
    np.testing.assert_allclose(table["shift"], SHIFT, atol=0.05)
    np.testing.assert_allclose(table["bias"], DENSITY_BIAS, atol=0.005)
    # Without the trend of the whole hole the shift shows in the correlation.
    assert (table["correlation_before"] < 0.8).all() and (table["correlation"] > 0.95).all()


def test_a_velocity_corrected_to_in_situ_is_laid_beside_the_log_too(folder):
    result = cp.reduce(cp.read_hole(folder), {**RECIPE, "pwave": {"in_situ": "ratio"}})
    table = series.leaf(result, "products/log_comparison_p_wave_velocity")
    before = of_core(table, "properties/velocity")
    after = of_core(table, "properties/velocity_in_situ")
    found = series.leaf(result, "properties/velocity_in_situ")
    core = series.leaf(result, "properties/velocity")
    change = (found["p_wave_velocity_in_situ"] - core["p_wave_velocity"]).values
    good = (core["p_wave_velocity_flag"] == 1).values & np.isfinite(change)
    assert float(after["shift"]) == pytest.approx(SHIFT, abs=0.05)
    assert abs(change[good].mean()) > 2.0  # there is something to see
    assert float(after["bias"] - before["bias"]) == pytest.approx(change[good].mean(), abs=1.0)


def test_cores_too_sparse_for_the_aperture_give_no_shift_and_say_so(bare, tmp_path):
    where = small(tmp_path, {"first run.las": las_text(bare).encode()})
    result = cp.reduce(cp.read_hole(where), RECIPE)
    table = series.leaf(result, "products/log_comparison_bulk_density")
    assert np.isnan(table["shift"]).all() and (table["pairs"] == 0).all()
    said = "properties/density beside first run.las: too few readings of both to look for a shift"
    assert said in notes(result)


def test_choices_that_cannot_be_are_said_and_the_hole_finishes(bare, tmp_path):
    where = small(tmp_path, {"first run.las": las_text(bare).encode()})
    hole = cp.read_hole(where)
    assert ("downhole/logs/first_run", f"{len(las_text(bare))} bytes") in cp.overview(hole).more
    negative = {**PLAN, "seafloor_depth_uncertainty": "-1 m"}
    with pytest.raises(cp.RecipeError, match="seafloor_depth_uncertainty is -1 m, below zero"):
        cp.reduce(hole, {"logs": {"files": {"first run.las": negative}}})
    result = cp.reduce(hole, {"logs": {"files": {"first run.las": PLAN}, "largest_shift": "0 m"}})
    said = "properties/density beside first run.las: largest_shift is 0 m"
    assert any(said in n for n in failed(result))
    assert "cores beside logs" in skipped(result)


def changed(**keys):
    plan = {key: value for key, value in (PLAN | keys).items() if value is not None}
    return {"logs": {"files": {"a.las": plan}}}


@pytest.mark.parametrize(
    "recipe, words",
    [
        (changed(depth_datum=None), "does not state its depth datum"),
        (changed(depth_datum="kelly"), "depth_datum is 'kelly'; there are seafloor"),
        (changed(seafloor_depth=None), "needs seafloor_depth"),
        (changed(depth_datum="seafloor"), "leave seafloor_depth out"),
        (changed(seafloor_depth=2441.3), 'needs a unit: write "2441.3 m"'),
        (changed(seafloor_depth="3 kg"), "expected m, got 'kg'"),
        (changed(curves=None), "has no curves"),
        (changed(curves={"RHOB": "bulk_densty"}), "did you mean 'bulk_density'"),
        (changed(curves={"RHOB": "depth"}), "'depth', which is not a known quantity"),
        (changed(curves={"A": "porosity", "B": "porosity"}), "the quantity 'porosity' twice"),
        (changed(curves={"DT": "porosity", "dt": "bulk_density"}), "the curve 'DT' twice"),
        (changed(offset="3 m"), "has no key 'offset'"),
        ({"logs": {"files": {"a.las": 3}}}, "must be a table of keys, got 3"),
        ({"logs": {"files": ["a.las"]}}, "files must be a table"),
        ({"logs": {"curves": {}}}, "has no key 'curves'"),
    ],
)
def test_a_mapping_that_is_wrong_is_refused_in_words(recipe, words):
    with pytest.raises(cp.RecipeError, match=re.escape(words)):
        cp.Recipe(recipe)


def test_a_recipe_keeps_its_own_copy_of_the_mapping():
    given = changed()
    recipe = cp.Recipe(given)
    given["logs"]["files"]["a.las"]["curves"]["RHOB"] = "porosity"
    assert recipe["logs"]["files"]["a.las"]["curves"]["RHOB"] == "bulk_density"
    assert cp.Recipe.from_json(recipe.to_json()) == recipe


def test_two_files_with_one_name_in_a_path_stay_two(tmp_path):
    where = small(tmp_path, {"a b.las": b"1", "a_b.las": b"22", "é.las": b"333", "note.txt": b"4"})
    (where / "downhole" / "logs" / "folder.las").mkdir()
    hole = cp.read_hole(where)
    held = {
        name: child["content"].values.tobytes()
        for name, child in hole["downhole/logs"].children.items()
    }
    assert held == {"a_b": b"1", "a_b_2": b"22", "log": b"333"}
    assert [f for f in json.loads(hole.attrs["source_files"]) if f.endswith(".las")] == [
        "downhole/logs/a b.las", "downhole/logs/a_b.las", "downhole/logs/é.las",
    ]  # fmt: skip


def test_depths_that_only_repeat_are_no_step():
    def of(depth):
        along = xr.DataArray(
            np.linspace(1.5, 1.9, len(depth)), dims="reading",
            coords={"depth": ("reading", np.asarray(depth, dtype=float), {"units": "m"})},
        )  # fmt: skip
        return series.build({"bulk_density": cp.uncertainty.Measured(along, 0.01)})

    core = of(np.arange(0.0, 10.0, 0.1))
    for depth in ([5.0] * 4, [5.0, 5.0 + 1e-9, 5.0 + 2e-9, 5.0 + 3e-9]):
        with pytest.raises(ValueError, match=r"steps of .* too fine"):
            logs.compare_with_core(core, of(depth), "bulk_density")
