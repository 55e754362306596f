"""Readings of disturbed core are flagged where the recipe asks for it, and nowhere else."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from data_demo.simulator.hole import simulate_tables

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
BIT = flags.bit("disturbed_sample")
# Results of the samples and the scan along their own positions.
OF_THE_CORE = (
    "index_properties", "density", "velocity", "resistivity", "susceptibility", "natural_gamma",
    "sample_velocity", "sample_s_wave_velocity", "strength", "consolidation_curve",
    "heating_runs", "thermal_conductivity",
)  # fmt: skip


@pytest.fixture(scope="module")
def hole() -> xr.DataTree:
    """A hole whose first five cores are undisturbed, and the others in four degrees."""
    tables, settings, _ = simulate_tables(47, small=True)
    degrees = {"6": "slight", "7": "severe", "8": "flow_in"}
    words = tables["description"]["core"].map(degrees).fillna("none")
    tables["description"] = tables["description"].assign(disturbance=words)
    return cp.hole_from_tables(tables, settings)


@pytest.fixture(scope="module")
def reduced(hole: xr.DataTree) -> dict[str, xr.DataTree]:
    return {
        least: cp.reduce(hole, {**LEAN, "quality": {"disturbance": least}})
        for least in ("none", "slight", "severe")
    }


def flagged_cores(tree: xr.DataTree, name: str) -> set[str]:
    """Cores of a property that have a reading flagged for disturbance."""
    leaf = series.leaf(tree, f"properties/{name}")
    found: set[str] = set()
    for variable in map(str, leaf.data_vars):
        reason = leaf.get(f"{variable}_reason")
        if reason is not None and reason.dims == ("reading",) and reason.dtype.kind == "i":
            found |= set(leaf["core"].values[(reason.values & BIT) != 0])
    return found


@pytest.mark.parametrize("name", OF_THE_CORE)
def test_every_property_is_flagged_in_core_of_that_degree(
    reduced: dict[str, xr.DataTree], name: str
) -> None:
    here = set(series.leaf(reduced["none"], f"properties/{name}")["core"].values)
    assert flagged_cores(reduced["none"], name) == set()
    assert flagged_cores(reduced["slight"], name) == here & {"6", "7", "8"}
    assert flagged_cores(reduced["severe"], name) == here & {"7", "8"}


def test_values_and_raw_tables_stay(hole: xr.DataTree, reduced: dict[str, xr.DataTree]) -> None:
    for least in ("slight", "severe"):
        raw = reduced[least]["scan/gamma"].to_dataset()
        xr.testing.assert_identical(raw, hole["scan/gamma"].to_dataset())
    one, other = (
        series.leaf(reduced[k], "properties/index_properties") for k in ("none", "slight")
    )
    np.testing.assert_array_equal(one["bulk_density"], other["bulk_density"])
    level = other["bulk_density_flag"].values[(other["bulk_density_reason"].values & BIT) != 0]
    assert level.size and (level >= flags.SUSPECT).all()


def test_products_follow_the_levels_of_the_recipe(
    hole: xr.DataTree, reduced: dict[str, xr.DataTree]
) -> None:
    def used(tree: xr.DataTree) -> int:
        return int(tree["products/compaction"].attrs["points_used"])

    samples = series.leaf(reduced["none"], "properties/index_properties")
    disturbed = int(np.isin(samples["core"].values, ["6", "7", "8"]).sum())
    assert used(reduced["none"]) - used(reduced["slight"]) == disturbed > 0
    allowed = {"disturbance": "slight", "use": "good, not_evaluated, suspect"}
    assert used(cp.reduce(hole, {**LEAN, "quality": allowed})) == used(reduced["none"])


def test_the_summary_notes_what_was_flagged(reduced: dict[str, xr.DataTree]) -> None:
    notes = json.loads(reduced["severe"].attrs["summary"])["notes"]
    assert any("scan/gamma" in n and "at least severe disturbance" in n for n in notes)
    notes = json.loads(reduced["none"].attrs["summary"])["notes"]
    assert not any("disturbance" in note for note in notes)
    lineage = json.loads(reduced["severe"].attrs["lineage"])["density"]
    assert "description" in lineage["tables"] and "quality.disturbance" in lineage["keys"]


def test_a_degree_without_a_description_changes_nothing() -> None:
    tables, settings, _ = simulate_tables(47, small=True)
    del tables["description"]
    hole = cp.hole_from_tables(tables, settings)
    tree = cp.reduce(hole, {**LEAN, "quality": {"disturbance": "slight"}})
    assert flagged_cores(tree, "density") == set()


def test_a_degree_that_is_no_option_is_refused(hole: xr.DataTree) -> None:
    with pytest.raises(ValueError, match=r"none.*slight.*moderate.*severe"):
        cp.reduce(hole, {"quality": {"disturbance": "awful"}})


# --------------------------------------------------------------------------------------------------
# Groups by lithology.


@pytest.fixture(scope="module")
def two_muds() -> dict[str, pd.DataFrame]:
    """Tables of a hole that is described as two lithologies, one of them rare."""
    tables, settings, _ = simulate_tables(47, small=True)
    core = tables["description"]["core"].astype(int)
    words = np.where(core <= 4, "upper mud", np.where(core <= 7, "lower mud", "chalk"))
    tables["description"] = tables["description"].assign(lithology=words)
    return {"tables": tables, "settings": settings}


def test_a_fit_for_each_lithology(two_muds: dict[str, pd.DataFrame]) -> None:
    hole = cp.hole_from_tables(**two_muds)
    tree = cp.reduce(hole, {**LEAN, "compaction": {**LEAN["compaction"], "by_lithology": True}})
    found = tree["products/compaction_by_lithology"]
    samples = tree["properties/index_properties"].to_dataset()
    words = cp.depth.lithology(samples, description=hole["description"])
    alone = cp.compaction.fit_by_layer(samples, words, absolute_sigma=True)
    assert found["lithology"].values.tolist() == list(alone.fits)
    np.testing.assert_allclose(
        found["surface_porosity"], alone.dataset["surface_porosity"], rtol=1e-9
    )
    assert found.attrs["lithology_from"] == "description.csv"
    # Too few samples for a fit are named with their number.
    small = {name: int((words == name).sum()) for name in ("upper mud", "lower mud", "chalk")}
    for name, count in small.items():
        if name not in alone.fits:
            assert f"{name} ({count} points)" in found.attrs["too_small"]
    assert set(alone.fits) | set(alone.too_small) == set(small)


def test_off_unless_chosen_and_skipped_without_a_lithology(
    two_muds: dict[str, pd.DataFrame],
) -> None:
    skipped = json.loads(cp.reduce(cp.hole_from_tables(**two_muds), LEAN).attrs["summary"])[
        "skipped"
    ]
    assert "by_lithology is off" in skipped["compaction by lithology"]
    bare = {k: v for k, v in two_muds["tables"].items() if k not in ("description", "layers")}
    hole = cp.hole_from_tables(bare, two_muds["settings"])
    tree = cp.reduce(hole, {**LEAN, "compaction": {**LEAN["compaction"], "by_lithology": True}})
    skipped = json.loads(tree.attrs["summary"])["skipped"]
    assert "no lithology in description.csv or layers.csv" in skipped["compaction by lithology"]


def test_statistics_by_described_lithology(two_muds: dict[str, pd.DataFrame]) -> None:
    hole = cp.hole_from_tables(**two_muds)
    tree = cp.reduce(hole, LEAN)
    table = cp.export.property_table(tree, by=("lithology",))
    density = table[
        (table["property"] == "properties/density") & (table["quantity"] == "bulk_density")
    ].set_index("lithology")
    leaf = tree["properties/density"].to_dataset()
    words = cp.depth.lithology(leaf, description=hole["description"]).values
    use = flags.usable(leaf["bulk_density_flag"].values)
    for word in ("upper mud", "lower mud", "chalk", ""):
        mine = leaf["bulk_density"].values[(words == word) & use]
        row = word or "not described"
        if (words == word).any():
            assert density.loc[row, "readings"] == (words == word).sum()
            assert density.loc[row, "n"] == mine.size
            if mine.size:
                assert density.loc[row, "mean"] == pytest.approx(mine.mean())
    assert density["readings"].sum() == leaf.sizes["reading"]


@pytest.mark.parametrize(
    ("columns", "words"),
    [(None, "no description.csv"), ("lithology", "no disturbance in description.csv")],
)
def test_a_hole_that_does_not_describe_the_disturbance_has_a_note(columns, words) -> None:
    tables = {"scan/susceptibility": pd.DataFrame({"depth [m]": [1.0, 2.0], "reading": [1.0, 2.0]})}
    if columns:
        described = {"top [m]": [0.0], "bottom [m]": [3.0], columns: ["mud"]}
        tables["description"] = pd.DataFrame(described)
    hole = cp.hole_from_tables(tables, {"hole": {"name": "x"}})
    for least, expected in (("moderate", 1), ("none", 0)):
        tree = cp.reduce(hole, {"quality": {"disturbance": least}})
        notes = json.loads(tree.attrs["summary"])["notes"]
        found = [note for note in notes if "[quality] disturbance" in note]
        assert len(found) == expected
        assert all(f"is {least!r}, and the hole has {words}" in note for note in found)
