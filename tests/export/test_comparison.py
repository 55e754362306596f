"""Two reductions of one hole: differences are found with the inputs and choices that cause them."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.cli import main
from data_demo.simulator.hole import simulate_tables

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def tables():
    return simulate_tables(47, small=True)[:2]


@pytest.fixture(scope="module")
def reduced(tables):
    return cp.reduce(cp.hole_from_tables(*tables))


def groups(comparison):
    return set(comparison.numbers["group"])


def test_the_same_reduction_twice_is_the_same(tables, reduced):
    found = cp.export.compare(reduced, cp.reduce(cp.hole_from_tables(*tables)))
    assert found.same and found.unchanged > 50
    assert "numbers: the same" in repr(found)


def test_a_choice_changes_only_dependent_results(tables, reduced):
    changed = cp.reduce(cp.hole_from_tables(*tables), {"needle": {"minimum_window": "60 s"}})
    found = cp.export.compare(reduced, changed)
    assert found.choices["key"].tolist() == ["needle.minimum_window"]
    assert found.choices[["old", "new"]].values.tolist() == [["20 s", "60 s"]]
    assert "properties/heating_runs" in groups(found)
    assert not groups(found) & {"properties/density", "properties/velocity", "products/compaction"}
    assert (found.numbers["because"] == "[needle] minimum_window").all()


def test_a_choice_is_followed_through_the_stages(tables, reduced):
    """Salt density goes into the samples, their grains into the porosity of the scan."""
    changed = cp.reduce(
        cp.hole_from_tables(*tables), {"index_properties": {"salt_density": "2.0 g/cm^3"}}
    )
    found = cp.export.compare(reduced, changed)
    assert {"properties/index_properties", "products/porosity", "products/compaction"} <= groups(
        found
    )
    row = found.numbers[found.numbers["quantity"] == "grain_density"].iloc[0]
    assert row["because"] == "[index_properties] salt_density"
    assert row["unit"] == "g/cm^3" and 0.0 < row["largest"] < 0.1
    assert row["in_uncertainties"] > 0.0


def test_a_moved_core_is_reported_although_its_values_stay(tables, reduced):
    moved = xr.DataTree.from_dict({n.path: n.to_dataset() for n in reduced.subtree})
    density = moved["properties/density"].to_dataset()
    depth = density["depth"].copy(deep=True)
    depth[:7] += 0.1
    moved["properties/density"] = density.assign_coords(depth=depth)
    found = cp.export.compare(reduced, moved)
    rows = found.table()
    assert rows.equals(found.numbers)
    assert rows[["group", "quantity", "changed"]].values.tolist() == [
        ["properties/density", "depth", 7]
    ]
    assert rows["largest"].iloc[0] == pytest.approx(0.1) and rows["unit"].iloc[0] == "m"


def test_missing_values_and_unknown_uncertainties_are_reported(reduced):
    old = xr.DataTree.from_dict({n.path: n.to_dataset() for n in reduced.subtree})
    new = xr.DataTree.from_dict({n.path: n.to_dataset() for n in reduced.subtree})
    density = reduced["properties/density"].to_dataset()
    name = "bulk_density"
    good = np.flatnonzero(np.isfinite(density[name].values))[:3]
    lost = density[name].copy(deep=True)
    lost[good] = np.nan
    new["properties/density"] = density.assign({name: lost})
    text = repr(cp.export.compare(old, new))
    assert "3 of" in text and "3 of them missing on one side" in text and "nan" not in text
    raised = density.assign({name: density[name] + 0.1})
    new["properties/density"] = raised
    assert cp.export.compare(old, new).numbers["in_uncertainties"].iloc[0] > 0.0
    unknown = xr.full_like(density[f"{name}_u_systematic"], np.nan)
    old["properties/density"] = density.assign({f"{name}_u_systematic": unknown})
    assert np.isnan(cp.export.compare(old, new).numbers["in_uncertainties"].iloc[0])


@pytest.mark.parametrize("kept", [0, 8, 20_000])
def test_a_damaged_file_is_named(reduced, tmp_path, capsys, kept):
    good, bad = tmp_path / "good.nc", tmp_path / "bad.nc"
    cp.save(reduced, good)
    bad.write_bytes(good.read_bytes()[:kept])
    assert main(["compare", str(good), str(bad)]) == 1
    said = capsys.readouterr().err
    assert "bad.nc cannot be read as a netCDF file" in said and "reduce the hole again" in said


def test_lost_and_changed_readings_are_counted(tables, reduced):
    held, settings = tables
    gamma = held["scan/gamma"].copy()
    column = next(c for c in gamma.columns if c.startswith("counts"))
    gamma[column] = gamma[column].astype(float)
    gamma.loc[5, column] *= 1.05
    fewer = gamma.drop(index=[20, 21]).reset_index(drop=True)
    changed = cp.reduce(cp.hole_from_tables({**held, "scan/gamma": fewer}, settings))
    found = cp.export.compare(reduced, changed)
    row = found.numbers[
        (found.numbers["group"] == "properties/density")
        & (found.numbers["quantity"] == "bulk_density")
    ].iloc[0]
    assert (row["only_old"], row["only_new"]) == (2, 0)
    assert row["changed"] >= 1 and row["new"] == row["old"] - 2


def test_a_changed_file_is_named_on_the_command_line(tables, tmp_path, capsys):
    trees = []
    for number in (1, 2):
        tree = cp.reduce(
            cp.hole_from_tables(*tables),
            {"porosity": {"grain_density": "constant"}} if number == 2 else None,
        )
        tree.attrs["input_sha256"] = f'{{"scan/gamma.csv": "{number}", "cores.csv": "0"}}'
        path = cp.save(tree, tmp_path / f"{number}.nc")
        trees.append(path)
    assert main(["compare", str(trees[0]), str(trees[1])]) == 0
    text = capsys.readouterr().out
    assert "scan/gamma.csv: changed" in text and "cores.csv" not in text
    assert "porosity.grain_density: from_samples -> constant" in text
    assert "products/porosity porosity:" in text
    assert "Because: scan/gamma.csv, [porosity] grain_density" in text
    assert main(["compare", str(trees[0]), str(tmp_path / "no.nc")]) == 1
    assert "there is no file" in capsys.readouterr().err


def test_a_tree_that_is_not_reduced_is_refused(reduced):
    with pytest.raises(ValueError, match="new has no recipe, so it is not a reduced hole"):
        cp.export.compare(reduced, xr.DataTree())


def test_reductions_of_two_holes_are_refused(reduced):
    other = reduced.copy()
    other.name = "another"
    mine = reduced.copy()
    mine.name = "this"
    with pytest.raises(ValueError, match="old is of hole 'this' and new of hole 'another'"):
        cp.export.compare(mine, other)


def test_a_key_that_was_renamed_is_no_change(reduced):
    """An older file has the old key; its value did not change."""
    older, changed = reduced.copy(), reduced.copy()
    recipe = json.loads(reduced.attrs["recipe"])
    recipe["stress"]["fluid_density"] = recipe["stress"].pop("pore_water_density")
    older.attrs["recipe"] = json.dumps(recipe)
    assert cp.export.compare(older, reduced).choices.empty
    recipe["stress"]["fluid_density"] = "1.03 g/cm^3"
    changed.attrs["recipe"] = json.dumps(recipe)
    found = cp.export.compare(changed, reduced).choices
    assert found["key"].tolist() == ["stress.pore_water_density"]
