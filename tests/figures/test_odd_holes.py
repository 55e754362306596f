"""Figures of unusual holes and sessions: names, settings, gaps, flags, unknown uncertainties."""

from __future__ import annotations

import warnings
from pathlib import Path

import matplotlib
import numpy as np
import pytest
import xarray as xr
from matplotlib import cbook, pyplot

import corephys as cp
from corephys import figures
from corephys.figures import NothingToDraw
from corephys.figures.style import label, plain
from tests.figure_looks import drawn_of, words_off_the_page, words_that_collide
from tests.reduced_tree import reduced_tree

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


def test_settings_of_the_session_do_not_reach_a_figure(tmp_path: Path) -> None:
    tree = reduced_tree(200)

    def written(folder: str) -> dict[str, bytes]:
        made = figures.save(figures.heat_flow(tree), tmp_path / folder, "one")
        return {path.name: path.read_bytes() for path in made}

    usual = written("usual")
    with pyplot.style.context("dark_background"), matplotlib.rc_context({
        "font.size": 30.0, "figure.dpi": 220.0, "savefig.bbox": "tight", "axes.labelweight": "bold",
        "pdf.use14corefonts": True, "xtick.top": True, "axes.formatter.limits": (-1, 1),
    }):  # fmt: skip
        before = dict(matplotlib.rcParams)
        assert written("dark") == usual
        assert dict(matplotlib.rcParams) == before


def test_a_name_has_no_meaning_to_matplotlib(demo: xr.DataTree) -> None:
    tree = demo.copy()
    tree.attrs["title"] = "Hole A_1 ($5 bit, $6 rod) " + "very long " * 30
    layers = tree["layers"].to_dataset(inherit=False)
    hidden = np.array([f"_{name}" for name in layers["name"].values], dtype=object)
    tree["layers"] = xr.DataTree(layers.assign(name=("row", hidden)))
    for draw in (figures.summary, figures.heat_flow, figures.density_comparison,
                 figures.velocity_density):  # fmt: skip
        plate = draw(tree)
        words = plate._suptitle.get_text()  # type: ignore[attr-defined]
        assert not cbook.is_math_text(words) and r"(\$5 bit, \$6 rod)" in words
        assert words.endswith("…")
        assert words_off_the_page(plate) == [] and words_that_collide(plate) == []
    assert not plain("_hidden").startswith("_") and plain("_hidden").strip() == "_hidden"
    archie = tree["properties/archie"].to_dataset(inherit=False)
    named = archie.assign_coords(layer_name=("layer", hidden))
    tree["properties/archie"] = xr.DataTree(named)
    legend = figures.formation_factor(tree).axes[0].get_legend()
    assert [text.get_text().strip()[0] for text in legend.get_texts()] == ["_"] * hidden.size


def test_layers_do_not_change_the_depth_axis(demo: xr.DataTree) -> None:
    tree = demo.copy()
    for path in ("properties/density", "properties/velocity", "products/porosity",
                 "products/impedance", "properties/index_properties",
                 "properties/thermal_conductivity"):  # fmt: skip
        leaf = tree[path].to_dataset(inherit=False)
        tree[path] = xr.DataTree(leaf.isel(reading=leaf["depth"].values < 20.0))
    tree["cores"] = xr.DataTree(tree["cores"].to_dataset(inherit=False).isel(row=slice(0, 2)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        plate = figures.summary(tree)
        plate.settle()
    assert plate.axes[0].get_ylim()[0] < 30.0
    assert words_off_the_page(plate) == [] and words_that_collide(plate) == []


def test_a_page_too_narrow_for_its_tracks_is_refused(demo: xr.DataTree) -> None:
    with pytest.raises(ValueError, match="85 mm wide, which holds 3 readable tracks, and 5 are"):
        figures.summary(demo, size=(85.0, 200.0))
    few = figures.summary(demo, size=(85.0, 200.0), quantities=("bulk_density", "porosity"))
    assert words_off_the_page(few) == [] and words_that_collide(few) == []


def test_a_probe_that_warms_up_has_no_logarithm(demo: xr.DataTree) -> None:
    tree = demo.copy()
    found = tree["properties/formation_temperature"].to_dataset(inherit=False)
    warm = found.assign(equilibrium_temperature=found["equilibrium_temperature"] + 100.0)
    tree["properties/formation_temperature"] = xr.DataTree(warm)
    with pytest.raises(NothingToDraw, match="needs readings above the equilibrium temperature"):
        figures.temperature_records(tree)


def test_stations_are_found_by_name(demo: xr.DataTree) -> None:
    tree = demo.copy()
    stations = tree["downhole/stations"].to_dataset(inherit=False)
    row = stations["station"].dims[0]
    tree["downhole/stations"] = xr.DataTree(stations.isel({row: slice(None, None, -1)}))
    one, other = (figures.station(t, "3").table() for t in (demo, tree))
    assert one.equals(other)


def test_flagged_ages_and_bounds_are_grey(demo: xr.DataTree) -> None:
    tree = demo.copy()
    ages = tree["ages"].to_dataset(inherit=False)
    flag = np.ones(ages["age"].size, dtype=np.int8)
    flag[5] = 4
    tree["ages"] = xr.DataTree(ages.assign(flag=(ages["age"].dims, flag)))
    rates = tree["products/accumulation"].to_dataset(inherit=False)
    name = "mass_accumulation_rate"
    bad = np.where(np.arange(rates[name].size) == 5, 4, rates[f"{name}_flag"].values)
    kept = rates.assign({f"{name}_flag": (rates[name].dims, bad.astype(np.int8))})
    tree["products/accumulation"] = xr.DataTree(kept)
    plate = figures.accumulation(tree)
    assert len(drawn_of(plate, "ages, flagged")) == 1
    assert "flagged intervals have no rate and are left out" in plate.caption
    bounds = tree["products/overpressure_bound"].to_dataset(inherit=False)
    all_bad = xr.full_like(bounds["overpressure_bound_flag"], 4)
    changed = bounds.assign(overpressure_bound_flag=all_bad)
    tree["products/overpressure_bound"] = xr.DataTree(changed)
    drawn = drawn_of(figures.stress_depth(tree), "overpressure at least")
    assert set(drawn["flag"]) == {"bad"} and len(drawn)


def test_an_unknown_error_has_no_band(demo: xr.DataTree) -> None:
    for path, name, draw in (
        ("products/time_depth", "two_way_time", figures.time_depth),
        ("products/synthetic", "synthetic_trace", figures.seismic_tie),
    ):
        tree = demo.copy()
        leaf = tree[path].to_dataset(inherit=False).copy(deep=True)
        leaf[f"{name}_u_systematic"].values[...] = np.nan
        tree[path] = xr.DataTree(leaf)
        before, after = draw(demo), draw(tree)
        assert "uncertainty" in before.caption
        assert not (after.table()["series"].str.contains("standard uncertaint")).any()
        assert "Bands:" not in after.caption or "standard uncert" not in after.caption


def test_a_caption_counts_points_off_the_axis(demo: xr.DataTree) -> None:
    plate = figures.porosity_depth(demo)
    table = drawn_of(plate, "scan, flagged")
    low, high = plate.axes[0].get_xlim()
    beside = int(((table["x"] < low) | (table["x"] > high)).sum())
    assert beside > 100
    assert f"({len(table)} flagged, drawn grey, {beside} off the axis)" in plate.caption


def test_the_bar_of_a_heating_run_is_its_total_uncertainty(demo: xr.DataTree) -> None:
    runs = demo["properties/heating_runs"].to_dataset()
    chosen = drawn_of(figures.heating_run(demo, 1), "chosen")
    row = list(runs["run"].values.astype(str)).index("1")
    u = float(cp.uncertainty.total(runs, "thermal_conductivity")[row])
    np.testing.assert_allclose(chosen["y_upper"] - chosen["y"], u, rtol=1e-12)


def test_gaps_of_a_profile_are_shaded_and_counted(demo: xr.DataTree) -> None:
    filled = demo["products/seismic_profile"]["filled"].values != 0
    plate = figures.seismic_tie(demo)
    assert f"({int(filled.sum())} of {filled.size} rows)" in plate.caption
    runs = int((np.diff(np.concatenate([[0], filled.astype(int)])) == 1).sum())
    assert len(plate.axes[0].patches) == runs > 0
    assert label("depth") in plate.caption


def test_usable_readings_are_seen_on_a_linear_axis_where_one_is_not_positive(
    demo: xr.DataTree,
) -> None:
    tree = demo.copy()
    leaf = tree["properties/susceptibility"].to_dataset(inherit=False).copy(deep=True)
    good = np.flatnonzero(cp.flags.usable(leaf["magnetic_susceptibility_flag"].values))[:40]
    leaf["magnetic_susceptibility"].values[good] *= -1.0
    tree["properties/susceptibility"] = xr.DataTree(leaf)
    (track,) = (axes for axes in figures.scan_tracks(tree).axes if "suscept" in axes.get_xlabel())
    assert track.get_xscale() == "linear"
    assert track.get_xlim()[0] < leaf["magnetic_susceptibility"].values[good].min()


def test_the_curve_of_a_fit_keeps_its_depth_scale(demo: xr.DataTree) -> None:
    plate = figures.porosity_depth(demo, depth_scale="depth_fitted")
    fit = drawn_of(plate, "fit")
    assert set(fit["panel"]) == {f"porosity against {label('depth')}"}
    assert f"The fit was made on {label('depth')}" in plate.caption


def test_a_line_breaks_where_readings_are_not_used(project_root: Path) -> None:
    site = cp.composite.read_site(project_root / "data_demo" / "site")
    held = {n: cp.reduce(h)["properties/density"].to_dataset() for n, h in site.holes.items()}
    ties = cp.composite.suggest(
        {n: {"bulk_density": d} for n, d in held.items()}, site.cores, spacing="5 cm"
    )
    for tie in ties["tie"]:
        ties = cp.composite.change(ties, tie, state="accepted")
    shifts = cp.composite.shifts(ties, site.cores, reference="A")
    one = held["A"].copy(deep=True)
    depth = one["depth"].values
    bad = (depth > 12.0) & (depth < 16.0) & (one["core"].values.astype(str) == "2")
    one["bulk_density_flag"].values[bad] = 4
    assert bad.sum() > 20
    plate = figures.holes_overlay({**held, "A": one}, shifts)
    drawn = drawn_of(plate, "hole A, core 2")
    steps = np.abs(np.diff(drawn["y"].to_numpy()))
    joined = np.isfinite(drawn["x"].to_numpy()[1:]) & np.isfinite(drawn["x"].to_numpy()[:-1])
    assert steps[joined].max() < 0.2
    use = int(cp.flags.usable(one["bulk_density_flag"].values).sum())
    assert f"hole A {use} of {one.sizes['reading']}" in plate.caption
