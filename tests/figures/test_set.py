"""The figures of samples, velocities, resistivity, stations, logs and sites, by their artists."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import figures
from corephys.figures import NothingToDraw
from tests.figure_looks import (
    drawn_of,
    told_by_colour_alone,
    words_off_the_page,
    words_that_collide,
)

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


def clean(plate: figures.Plate) -> bool:
    found = (words_off_the_page(plate), words_that_collide(plate), told_by_colour_alone(plate))
    return found == ([], [], [])


def test_density_of_scan_and_samples_pair_by_pair(demo: xr.DataTree) -> None:
    plate = figures.density_comparison(demo)
    table = plate.table()
    points = table[table["flag"] == "good"]
    samples = demo["properties/index_properties"].to_dataset()
    beside = cp.depth.match(
        demo["properties/density"].to_dataset(), to=samples, within="3 cm",
        how="mean_over_footprint", allow=("good", "not_evaluated"),
    )  # fmt: skip
    x, y = samples["bulk_density"].values, beside["bulk_density"].values
    good = np.isfinite(y) & cp.flags.usable(samples["bulk_density_flag"].values)
    np.testing.assert_array_equal(np.sort(points["x"]), np.sort(x[good]))
    np.testing.assert_array_equal(np.sort(points["y"]), np.sort(y[good]))
    words = plate.axes[0].texts[0].get_text()
    assert f"{int(good.sum())} pairs" in words
    assert f"mean {float((y - x)[good].mean()):+.4f}".replace("-", "−") in words
    equal = drawn_of(plate, "equal")
    np.testing.assert_array_equal(equal["x"], equal["y"])
    assert set(points["series"]) == {"piston", "rotary"}


def test_samples_go_down_with_their_bars(demo: xr.DataTree) -> None:
    plate = figures.index_properties_depth(demo)
    assert [axes.get_xlabel() for axes in plate.axes] == [
        "bulk density [g/cm³]", "porosity", "grain density [g/cm³]",
    ]  # fmt: skip
    bottom, top = plate.axes[0].get_ylim()
    assert bottom > top  # depth downward
    leaf = demo["properties/index_properties"].to_dataset()
    u = cp.uncertainty.total(leaf, "grain_density").values
    rows = plate.table()
    rows = rows[rows["panel"].str.startswith("grain density")]
    np.testing.assert_allclose(
        np.sort((rows["x_upper"] - rows["x_lower"]) / 2), np.sort(u), rtol=1e-9
    )
    flagged = ~cp.flags.usable(leaf["grain_density_flag"].values)
    assert int((rows["flag"] != "good").sum()) == int(flagged.sum()) == 1


def test_velocities_are_drawn_by_axis(demo: xr.DataTree) -> None:
    table = figures.velocity_axes(demo).table()
    leaf = demo["properties/sample_velocity"].to_dataset()
    for axis in ("along", "across", "normal"):
        mine = leaf["axis"].values.astype(str) == axis
        rows = table[(table["series"] == axis)]
        np.testing.assert_array_equal(
            np.sort(rows["x"]), np.sort(leaf["p_wave_velocity"].values[mine])
        )
    pairs = demo["properties/sample_anisotropy"]["p_wave_anisotropy"].values
    rows = table[table["panel"].str.contains("anisotropy")]
    np.testing.assert_array_equal(np.sort(rows["x"]), np.sort(pairs))


def test_lines_of_impedance_are_products(demo: xr.DataTree) -> None:
    table = figures.velocity_density(demo).table()
    lines = table[table["series"].str.startswith("impedance")]
    assert lines["series"].nunique() >= 3
    stated = lines["series"].str.extract(r"impedance ([\d.]+) MPa")[0].astype(float)
    # g/cm^3 times m/s is a thousandth of a MPa s/m.
    np.testing.assert_allclose(lines["x"] * lines["y"] / 1000.0, stated, rtol=1e-12)


def test_lines_of_archie_are_those_of_the_fit(demo: xr.DataTree) -> None:
    table = figures.formation_factor(demo).table()
    archie = demo["properties/archie"]
    for i, name in enumerate(archie["layer_name"].values):
        line = table[table["series"] == f"Archie, {name}"]
        slope = np.diff(np.log(line["y"])) / np.diff(np.log(line["x"]))
        np.testing.assert_allclose(slope, -float(archie["cementation_exponent"][i]), rtol=1e-9)
    assert figures.formation_factor(demo).axes[0].get_xscale() == "log"


def test_records_lie_above_their_equilibrium(demo: xr.DataTree) -> None:
    table = figures.temperature_records(demo).table()
    found = demo["properties/formation_temperature"]
    raw = demo["downhole/formation_temperature"]
    name = str(found["station"].values[0])
    line = table[table["series"] == f"station {name}"]
    start = float(demo["downhole/stations"]["penetration_time"][0])
    rows = (raw["station"].values.astype(str) == name) & (raw["kind"].values == "formation")
    time = raw["time"].values[rows] - start
    above = raw["temperature"].values[rows] - float(found["equilibrium_temperature"][0])
    low, high = float(found["window_start"][0]), float(found["window_end"][0])
    inside = (time >= low) & (time <= high) & (above > 0)
    np.testing.assert_allclose(line["y"], above[inside], atol=1e-9)


def with_log(demo: xr.DataTree) -> xr.DataTree:
    """The hole with an invented log: density of the scan in half-metres, 0.05 g/cm^3 less."""
    leaf = demo["properties/density"].to_dataset(inherit=False)
    use = cp.flags.usable(leaf["bulk_density_flag"].values)
    depth = np.arange(1.0, 280.0, 0.5)
    order = np.argsort(leaf["depth"].values[use])
    value = np.interp(
        depth, leaf["depth"].values[use][order], leaf["bulk_density"].values[use][order]
    )
    log = xr.Dataset(
        {"bulk_density": ("reading", value - 0.05, {"units": "g/cm^3"})},
        coords={"depth": ("reading", depth, {"units": "m"})},
        attrs={"steps": "[]", "constants": "{}"},
    )
    tree = demo.copy()
    tree["properties/log_first"] = xr.DataTree(log)
    return tree


def test_core_less_log_is_their_difference(demo: xr.DataTree) -> None:
    plate = figures.log_comparison(with_log(demo))
    rest = drawn_of(plate, "core less log")
    good = rest[rest["flag"] == "good"]
    assert float(good["x"].median()) == pytest.approx(0.05, abs=0.003)  # scatter of the readings
    assert plate.axes[1].get_title(loc="left") == f"median {float(good['x'].median()):+.4g}"
    assert clean(plate)
    with pytest.raises(NothingToDraw, match="this hole has no log"):
        figures.log_comparison(demo)


def test_a_log_is_not_joined_across_its_gaps(demo: xr.DataTree) -> None:
    tree = with_log(demo)
    (path,) = (leaf.path for leaf in tree.leaves if leaf.path.startswith("/properties/log_"))
    log = tree[path].to_dataset(inherit=False).copy(deep=True)
    depth = log["depth"].values
    log["bulk_density"].values[(depth > 100.0) & (depth < 140.0)] = np.nan
    tree[path] = xr.DataTree(log)
    line = drawn_of(figures.log_comparison(tree), "log")
    y = line["y"].to_numpy()
    assert np.nanmax(np.abs(np.diff(y))) < 1.0 and np.isnan(y).sum() == 1


@pytest.fixture(scope="module")
def tied(project_root: Path) -> tuple[dict[str, xr.Dataset], xr.Dataset, xr.Dataset, Any]:
    site = cp.composite.read_site(project_root / "data_demo" / "site")
    held = {
        name: {
            "bulk_density": tree["properties/density"].to_dataset(),
            "magnetic_susceptibility": tree["properties/susceptibility"].to_dataset(),
        }
        for name, tree in ((n, cp.reduce(h)) for n, h in site.holes.items())
    }
    ties = cp.composite.suggest(held, site.cores, spacing="5 cm")
    for tie in ties["tie"]:
        ties = cp.composite.change(ties, tie, state="accepted")
    shifts = cp.composite.shifts(ties, site.cores, reference="A")
    sections = {
        name: cp.depth.section_tops(sections=hole["sections"], cores=hole["cores"])
        for name, hole in site.holes.items()
    }
    sequence = cp.composite.checked_sequence(
        cp.composite.suggest_sequence(sections, shifts), shifts
    )
    return {n: h["bulk_density"] for n, h in held.items()}, shifts, sequence, site


def test_holes_lie_on_composite_depth_beside_their_sequence(tied: Any) -> None:
    held, shifts, sequence, _ = tied
    plate = figures.holes_overlay(held, shifts, sequence=sequence)
    table = plate.table()
    for hole, data in held.items():
        placed = cp.composite.place(data, hole=hole, shifts=shifts)
        use = cp.flags.usable(data["bulk_density_flag"].values)
        use &= np.isfinite(placed["depth_composite"].values)
        use &= np.isfinite(data["bulk_density"].values)
        rows = table[table["series"].str.startswith(f"hole {hole}, core")]
        rows = rows[np.isfinite(rows["x"])]  # a line has a gap where a reading is not used
        np.testing.assert_array_equal(
            np.sort(rows["y"]), np.sort(placed["depth_composite"].values[use])
        )
    strip = table[table["panel"] == "sequence"]
    np.testing.assert_array_equal(
        np.sort(strip["y_lower"]), np.sort(sequence["top_composite"].values)
    )
    assert clean(plate)
    assert "composite depth" in plate.axes[0].get_ylabel()
    with pytest.raises(NothingToDraw, match="usable natural_gamma_rate"):
        figures.holes_overlay(held, shifts, quantity="natural_gamma_rate")


def test_shifts_and_growth_are_drawn_unchanged(tied: Any) -> None:
    _, shifts, sequence, _ = tied
    growth = cp.composite.growth_factor(shifts)
    plate = figures.hole_shifts(shifts, growth=growth)
    table = plate.table()
    points = table[table["series"] != "growth"]
    np.testing.assert_array_equal(np.sort(points["y"]), np.sort(shifts["shift"].values))
    line = table[table["series"] == "growth"]
    slope = float(np.diff(line["y"])[0] / np.diff(line["x"])[0])
    assert slope + 1.0 == pytest.approx(float(growth["growth_factor"]))
    untied = points[points["series"].str.contains("untied")]
    assert len(untied) == int((~np.isin(shifts["tied"].values, ("datum", "tied"))).sum())
    assert clean(plate)
    with pytest.raises(NothingToDraw, match=r"cp\.composite\.shifts"):
        figures.hole_shifts(sequence)


@pytest.mark.parametrize(
    ("draw", "path"),
    [
        (figures.density_comparison, "properties/index_properties"),
        (figures.index_properties_depth, "properties/index_properties"),
        (figures.velocity_axes, "properties/sample_velocity"),
        (figures.velocity_density, "properties/velocity"),
        (figures.formation_factor, "properties/formation_factor"),
        (figures.temperature_records, "properties/formation_temperature"),
    ],
)
def test_a_figure_without_its_leaf_names_it(demo: xr.DataTree, draw: Any, path: str) -> None:
    leaves = {leaf.path: leaf.to_dataset(inherit=False) for leaf in demo.leaves}
    del leaves[f"/{path}"]
    tree = xr.DataTree.from_dict(leaves)
    with pytest.raises(NothingToDraw, match=path):
        draw(tree)


def test_another_law_of_compaction_is_written_with_its_parameters(demo_hole: Path) -> None:
    tree = cp.reduce(cp.read_hole(demo_hole), {"compaction": {"model": "offset_exponential"}})
    fit = tree["products/compaction"]
    plate = figures.porosity_depth(tree)
    words = plate.axes[0].texts[-1].get_text()
    assert str(fit.attrs["equation"]) in words
    assert f"{float(fit['surface_porosity']):.3f}"[:4] in words
    assert "residual porosity" in words and clean(plate)
