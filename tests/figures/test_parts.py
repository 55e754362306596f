"""Cores by name and ranges of depth in the figures: what is drawn is what the caption counts."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import figures
from corephys.figures import FIGURES, NothingToDraw
from corephys.figures.part import cut, part_of
from data_demo.simulator.hole import simulate_hole
from tests.reduced_tree import reduced_tree

LEAN = {
    "compaction": {"bootstrap": 0},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
# Figures without a depth axis and without readings of cores: standards, single records, budgets.
COMPLETE = {
    "gamma_calibration", "heating_run", "station", "temperature_records", "audit",
    "uncertainty_budget", "control_charts",
}  # fmt: skip
CUT = sorted(set(FIGURES) - COMPLETE)
# Panels of these are no plain copy of readings: cross-plots have other axes than depth.
CROSS = {"density_comparison", "velocity_porosity", "velocity_density", "formation_factor"}


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> xr.DataTree:
    home = tmp_path_factory.mktemp("parts") / "hole"
    simulate_hole(home, 47, small=True)
    return cp.reduce(cp.read_hole(home), LEAN)


def middle(tree: xr.DataTree) -> tuple[float, float]:
    """Depths around the middle of the hole that hold samples, stations and ages."""
    depth = tree["properties/density"]["depth"].values
    low, high = float(np.nanmin(depth)), float(np.nanmax(depth))
    return low + 0.2 * (high - low), low + 0.8 * (high - low)


def in_metres(ends: tuple[float, float]) -> tuple[str, str]:
    return f"{ends[0]!r} m", f"{ends[1]!r} m"


def points_of(plate: figures.Plate) -> pd.DataFrame:
    tables = [r.table for r in plate.drawn if r.kind == "points"]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def test_every_figure_draws_parts_or_is_listed() -> None:
    for name, draw in FIGURES.items():
        held = set(inspect.signature(draw).parameters)
        assert ({"core", "depth"} <= held) == (name in CUT), name


@pytest.mark.parametrize(
    "name", [n for n in CUT if n not in CROSS | {"core_description", "stress_depth"}]
)
def test_points_are_those_of_the_complete_figure_in_the_range(tree: xr.DataTree, name: str) -> None:
    low, high = middle(tree)
    try:
        whole = points_of(FIGURES[name](tree))
    except NothingToDraw:
        pytest.skip("the hole lacks the data of this figure")
    plate = FIGURES[name](tree, depth=in_metres((low, high)))
    part = points_of(plate)
    assert "Drawn: " in plate.caption and " m." in plate.caption
    down = whole["panel"].str.contains("against depth|against age|porosity against", regex=True)
    if name == "accumulation":  # intervals that reach into the range are drawn in full
        down &= whole["series"] == "ages"
    if name == "seismic_tie":  # against time; the depth of each point is not in the table
        assert 0 < len(part) < len(whole)
        return
    if name == "heat_flow_tests":
        assert set(part["x"]) < set(whole["x"])
        return
    key = ["panel", "series", "x", "y", "flag"]
    wanted = whole[down & whole["y"].between(low, high)]
    found = part[part["panel"].isin(set(whole["panel"][down]))]
    if name == "accumulation":
        found = found[found["series"] == "ages"]
    pd.testing.assert_frame_equal(
        found[key].sort_values(key, ignore_index=True),
        wanted[key].sort_values(key, ignore_index=True),
    )


@pytest.mark.parametrize("name", ["summary", "scan", "velocity_axes", "porosity_depth"])
def test_counts_of_a_core_are_its_rows(tree: xr.DataTree, name: str) -> None:
    core = str(tree["cores"]["core"].values[1])
    plate = FIGURES[name](tree, core=core)
    path, quantity = {
        "summary": ("properties/density", "bulk_density"),
        "scan": ("properties/density", "bulk_density"),
        "velocity_axes": ("properties/velocity", "p_wave_velocity"),
        "porosity_depth": ("products/porosity", "porosity"),
    }[name]
    leaf = tree[path].to_dataset()
    here = (leaf["core"].values == core) & np.isfinite(leaf[quantity].values)
    words = re.search(r"scan (\d+)", plate.caption)
    assert words is not None and int(words.group(1)) == int(here.sum()) > 0
    rows = points_of(plate)
    drawn = rows[rows["series"].str.startswith("scan") & rows["panel"].str.startswith(
        figures.style.label(quantity).partition(" [")[0])]  # fmt: skip
    np.testing.assert_array_equal(np.sort(drawn["y"]), np.sort(leaf["depth"].values[here]))
    assert f"Drawn: core {core}." in plate.caption
    assert plate._suptitle.get_text().endswith(f"core {core}")  # type: ignore[attr-defined]


def test_limits_are_those_of_what_is_drawn(tree: xr.DataTree) -> None:
    low, high = middle(tree)
    for name in CUT:
        if name in CROSS | {"accumulation", "seismic_tie", "heat_flow_tests", "time_depth"}:
            continue
        try:
            plate = FIGURES[name](tree, depth=in_metres((low, high)))
        except NothingToDraw:
            continue
        downward = [a for a in plate.axes if a.get_ylim()[0] > a.get_ylim()[1] and a.axison]
        for axes in downward:
            if "resistance" in axes.get_ylabel():
                continue
            bottom, top = axes.get_ylim()
            room = 0.1 * (high - low)
            assert low - room <= top < bottom <= high + room, (name, top, bottom)
            drawn = [r.table["y"] for r in plate.drawn if r.kind == "points" and r.axes is axes]
            for y in drawn:
                assert y.between(top, bottom).all(), name


def test_fits_keep_the_complete_hole(tree: xr.DataTree) -> None:
    ends = in_metres(middle(tree))
    whole, part = (figures.porosity_depth(tree, **kw) for kw in ({}, {"depth": ends}))
    curves = [p.table()[p.table()["series"] == "fit"][["x", "y"]] for p in (whole, part)]
    held = set(map(tuple, curves[0].to_numpy()))
    assert 1 < len(curves[1]) < len(curves[0])
    assert set(map(tuple, curves[1].to_numpy())) <= held
    note = [p.axes[0].texts[-1].get_text() for p in (whole, part)]
    assert note[0] == note[1] and "The fit is that of the complete hole." in part.caption
    compared = [figures.compaction_models(tree, **kw).table() for kw in ({}, {"depth": ends})]
    rest = [set(map(tuple, t[t["series"].str.startswith("porosity less")][["x", "y"]].to_numpy()))
            for t in compared]  # fmt: skip
    assert rest[1] and rest[1] < rest[0]


def test_profiles_of_stress_are_cut_and_not_changed(tree: xr.DataTree) -> None:
    low, high = middle(tree)
    ways = ({}, {"depth": in_metres((low, high))})
    tables = [figures.stress_depth(tree, **way).table() for way in ways]
    # The limits of the last panel have the same name and reach over the room around the profile.
    here = [
        t["series"].isin(["overburden", "hydrostatic"]) & t["panel"].str.startswith("stress")
        for t in tables
    ]
    rows = [t[mask][["series", "x", "y"]] for t, mask in zip(tables, here, strict=True)]
    wanted = rows[0][rows[0]["y"].between(low, high)].reset_index(drop=True)
    pd.testing.assert_frame_equal(rows[1].reset_index(drop=True), wanted)
    assert len(wanted) > 2


def test_partners_just_outside_the_range_still_count(tree: xr.DataTree) -> None:
    samples = tree["properties/index_properties"].to_dataset()
    whole = points_of(figures.density_comparison(tree))
    depth = np.sort(samples["depth"].values)
    # The range ends at a sample: half of the readings that are averaged lie outside.
    ends = (float(depth[depth.size // 3]), float(depth[2 * depth.size // 3]))
    part = points_of(figures.density_comparison(tree, depth=in_metres(ends)))
    assert 0 < len(part) < len(whole)
    found, held = (set(map(tuple, t[["x", "y"]].to_numpy())) for t in (part, whole))
    assert found < held


@pytest.mark.parametrize("name", sorted(CROSS))
def test_cross_plots_draw_the_points_of_a_core(tree: xr.DataTree, name: str) -> None:
    whole = FIGURES[name](tree)
    drawn = 0
    for core in tree["cores"]["core"].values:
        try:
            plate = FIGURES[name](tree, core=str(core))
        except NothingToDraw as error:
            assert f"core {core}" in str(error)
            continue
        assert f"Drawn: core {core}." in plate.caption
        drawn += len(points_of(plate)[lambda t: t["series"].str.match("scan|piston|rotary|sampl")])
    all_of_it = points_of(whole)[lambda t: t["series"].str.match("scan|piston|rotary|sampl")]
    # A core without a usable pair has no figure; its flagged points are missing from the sum.
    assert 0.8 * len(all_of_it) <= drawn <= len(all_of_it)


def test_several_cores_and_both_ends(tree: xr.DataTree) -> None:
    names = [str(name) for name in tree["cores"]["core"].values[:3]]
    density = tree["properties/density"].to_dataset()
    part = cut(tree, [names[0], names[2]], None)
    assert set(part["properties/density"]["core"].values) == {names[0], names[2]}
    rows = np.isin(density["core"].values, [names[0], names[2]])
    assert part["properties/density"].sizes["reading"] == int(rows.sum())
    middle_of = float(np.nanmedian(density["depth"].values[density["core"].values == names[0]]))
    half = cut(tree, names[0], (None, f"{middle_of!r} m"))
    held = half["properties/density"]["depth"].values
    assert held.max() <= middle_of
    assert 0 < held.size < int((density["core"].values == names[0]).sum())
    found = part_of(half)
    assert found is not None and found.words.startswith(f"core {names[0]}, above")
    assert cut(tree, None, None) is tree


def test_rows_are_cut_once_and_all_of_them(tree: xr.DataTree) -> None:
    """Cores share out the rows that name a core: none is lost and none is counted twice."""
    for path in ("properties/density", "scan/gamma", "samples/index_properties", "description"):
        leaf = tree[path].to_dataset(inherit=False)
        dim = leaf["core"].dims[0]
        counts = 0
        for core in tree["cores"]["core"].values:
            if (leaf["core"].values == core).any():
                counts += cut(tree, str(core), None)[path].sizes[dim]
        assert counts == leaf.sizes[dim], path


def test_covariances_keep_both_sides(tree: xr.DataTree) -> None:
    part = cut(tree, None, in_metres(middle(tree)))
    for path in ("products/heat_flow_intervals", "products/accumulation"):
        if path.rpartition("/")[2] not in part["products"].children:
            continue
        sizes = part[path].sizes
        assert sizes["interval"] == sizes["interval_2"] > 0


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({"depth": (20, 60)}, (TypeError, ValueError), "m"),
        ({"depth": ("20 m", 60.0)}, (TypeError, ValueError), "m"),
        ({"depth": ("60 m", "20 m")}, ValueError, "the first must be smaller"),
        ({"depth": "20 m"}, ValueError, "top and bottom with units"),
        ({"depth": ("20 m",)}, ValueError, "top and bottom with units"),
        ({"depth": ("20 s", "60 s")}, ValueError, "m"),
        ({"core": "no such core"}, ValueError, "give a core of this hole"),
        ({"core": 1}, (TypeError, ValueError), "as text"),
        ({"core": ()}, ValueError, "as text"),
        ({"depth": ("9000 m", "9010 m")}, NothingToDraw, "choose other cores or depths"),
    ],
)
def test_what_cannot_be_drawn_is_refused_in_words(
    tree: xr.DataTree, given: dict[str, Any], error: Any, words: str
) -> None:
    for draw in (figures.summary, figures.strength_depth, figures.velocity_density):
        with pytest.raises(error, match=words):
            draw(tree, **given)


def test_a_part_without_the_data_of_a_figure_is_named(tree: xr.DataTree) -> None:
    top = float(np.nanmin(tree["properties/density"]["depth"].values))
    with pytest.raises(NothingToDraw, match=r"this part of the hole \("):
        figures.strength_depth(tree, depth=(f"{top!r} m", f"{top + 0.05!r} m"))


def test_centimetres_and_quantities_are_the_same_range() -> None:
    tree = reduced_tree(200)
    ways = [("5 m", "15 m"), ("500 cm", "1500 cm"),
            (cp.quantity(5, "m"), cp.quantity(0.015, "km"))]  # fmt: skip
    tables = [figures.summary(tree, depth=way).table() for way in ways]
    pd.testing.assert_frame_equal(tables[0], tables[1])
    pd.testing.assert_frame_equal(tables[0], tables[2])


def test_the_fitted_scale_cuts_by_its_own_depths() -> None:
    tree = reduced_tree(200)
    plate = figures.scan_tracks(tree, depth=("5 m", "15 m"), depth_scale="depth_fitted")
    fitted = tree["properties/density"]["depth_fitted"].values
    drawn = points_of(plate)
    drawn = drawn[drawn["panel"].str.startswith("bulk") & drawn["series"].str.startswith("scan")]
    assert len(drawn) == int(((fitted >= 5) & (fitted <= 15)).sum()) > 0


def test_the_file_beside_the_figure_is_the_part(tmp_path: Path) -> None:
    plate = figures.summary(reduced_tree(200), core="01")
    figures.save(plate, tmp_path, "one", kinds=("csv", "txt"))
    table = pd.read_csv(tmp_path / "one.csv")
    points = table[table["panel"].str.contains("against depth")]
    assert points["y"].max() < 10.0 and len(points)
    assert "Drawn: core 01." in (tmp_path / "one.txt").read_text(encoding="utf-8")
