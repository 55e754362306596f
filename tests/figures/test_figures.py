"""Figures draw the data of their tables, for complete and partial holes, the same at every run."""

from __future__ import annotations

import re
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.container import BarContainer, ErrorbarContainer
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D

import corephys as cp
from corephys import figures
from corephys.figures.plate import COLUMNS
from corephys.figures.style import label, unit_in_print
from corephys.ground import flags
from data_demo.simulator.hole import simulate_tables
from tests.reduced_tree import TITLE, reduced_tree


@pytest.fixture(scope="module")
def tree() -> xr.DataTree:
    return reduced_tree(600)


@pytest.fixture(scope="module")
def whole() -> xr.DataTree:
    """A small simulated hole with everything that the split core gives."""
    tables, settings, _ = simulate_tables(47, small=True)
    return cp.reduce(cp.hole_from_tables(tables, settings))


# Figures that need raw tables or the split core, which the tree of plain arithmetic has not.
# Drawn from a log in test_set.py, and from supplied values in tests/reduction/test_supplied.py.
NEEDS_A_LOG = {"log_comparison", "reported_values"}
SPLIT_CORE = {
    "core_description",
    "description",
    "formation_factor",
    "temperature_records",
    "velocity_axes",
    "accumulation",
    "compaction_models",
    "consolidation_curves",
    "heat_flow_tests",
    "heating_run",
    "seismic_tie",
    "station",
    "strength_depth",
    "stress_depth",
    "time_depth",
    "velocity_porosity",
}


def without(tree: xr.DataTree, *paths: str) -> xr.DataTree:
    """The tree without some of its leaves."""
    kept = {
        node.path: node.to_dataset(inherit=False)
        for node in tree.leaves
        if not node.path.strip("/").startswith(paths)
    }
    smaller = xr.DataTree.from_dict({"/": xr.Dataset(), **kept})
    smaller.attrs = tree.attrs
    return smaller


def artist_points(artist: object) -> tuple[np.ndarray, np.ndarray]:
    """Positions as matplotlib holds them."""
    if isinstance(artist, ErrorbarContainer):
        artist = artist.lines[0]
    if isinstance(artist, Line2D):
        return np.asarray(artist.get_xdata()), np.asarray(artist.get_ydata())
    if isinstance(artist, BarContainer):
        middles = [(p.get_width() / 2, p.get_y() + p.get_height() / 2) for p in artist.patches]
        return np.array([m[0] for m in middles]), np.array([m[1] for m in middles])
    if isinstance(artist, AxesImage):
        left, right, bottom, top = artist.get_extent()
        return np.array([(left + right) / 2]), np.array([(bottom + top) / 2])
    path = artist.get_paths()[0].vertices  # a band
    half = (len(path) - 3) // 2
    one, other = path[1 : 1 + half], path[2 + half : 2 + 2 * half][::-1]
    return (one[:, 0] + other[:, 0]) / 2, one[:, 1]


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(set(figures.FIGURES) - NEEDS_A_LOG))
def test_the_table_holds_the_data_of_the_artists(
    tree: xr.DataTree, whole: xr.DataTree, name: str
) -> None:
    figure = figures.FIGURES[name](whole if name in SPLIT_CORE else tree)
    assert len(figure.drawn) >= 3
    for record in figure.drawn:
        x, y = artist_points(record.artist)
        np.testing.assert_allclose(record.table["x"], x, rtol=0, atol=1e-9)
        np.testing.assert_allclose(record.table["y"], y, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", sorted(set(figures.FIGURES) - NEEDS_A_LOG))
def test_every_line_of_an_axes_is_in_the_table(
    tree: xr.DataTree, whole: xr.DataTree, name: str
) -> None:
    """Nothing is drawn beside the record, save straight guides over the whole axes."""
    figure = figures.FIGURES[name](whole if name in SPLIT_CORE else tree)
    recorded = {
        id(r.artist.lines[0] if isinstance(r.artist, ErrorbarContainer) else r.artist)
        for r in figure.drawn
    }
    for axes in figure.axes:
        for line in axes.lines:
            guide = line.get_transform() in (
                axes.get_yaxis_transform(which="grid"), axes.get_xaxis_transform(which="grid"),
            )  # fmt: skip
            assert guide or id(line) in recorded
        for patches in axes.containers:
            assert isinstance(patches, ErrorbarContainer) or id(patches) in recorded


def test_the_summary_draws_every_reading(tree: xr.DataTree) -> None:
    table = figures.summary(tree).table()
    density = tree["properties/density"]
    panel = "bulk density [g/cm³] against depth [m]"
    scan = table[(table["panel"] == panel) & table["series"].str.startswith("scan")]
    assert len(scan) == density.sizes["reading"]
    flagged = scan[scan["series"] == "scan, flagged"]
    bad = ~flags.usable(density["bulk_density_flag"].values)
    np.testing.assert_array_equal(flagged["x"], density["bulk_density"].values[bad])
    assert set(flagged["flag"]) == {"suspect", "bad"}
    samples = table[(table["panel"] == panel) & (table["series"] == "samples")]
    half = (samples["x_upper"] - samples["x_lower"]) / 2
    np.testing.assert_allclose(half, np.hypot(0.01, 0.003))


def test_depth_goes_down_on_one_axis_and_is_named(tree: xr.DataTree) -> None:
    for scale, words in (("depth", "as laid out"), ("depth_fitted", "fitted into the advance")):
        figure = figures.summary(tree, depth_scale=scale)
        limits = {axes.get_ylim() for axes in figure.axes}
        assert len(limits) == 1
        bottom, top = limits.pop()
        assert bottom > top
        assert words in figure.axes[0].get_ylabel()
    with pytest.raises(ValueError, match="depth_scale is 'fitted'"):
        figures.summary(tree, depth_scale="fitted")


def test_axis_limits_come_from_usable_readings(tree: xr.DataTree) -> None:
    changed = tree.copy(deep=True)
    density = changed["properties/density"].to_dataset(inherit=False)
    density["bulk_density"][7] = 1e6
    density["bulk_density_flag"][7] = flags.BAD
    changed["properties/density"] = xr.DataTree(density)
    figure = figures.summary(changed, quantities=("bulk_density",))
    assert figure.axes[-1].get_xlim()[1] < 3
    assert "off axis" in figure.axes[-1].get_title()
    assert 1e6 in figure.table()["x"].values


def test_uncertainty_that_is_not_known_has_no_bar_and_no_number(tree: xr.DataTree) -> None:
    changed = tree.copy(deep=True)
    samples = changed["properties/index_properties"].to_dataset(inherit=False)
    samples["porosity_u_random"][:] = np.nan
    changed["properties/index_properties"] = xr.DataTree(samples)
    table = figures.porosity_depth(changed).table()
    assert table[table["series"] == "samples"]["x_lower"].isna().all()


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("no rule is broken", "flagged: few independent readings"),
        ("a straight line in effect", "flagged: a straight line in effect"),
    ],
)
def test_a_verdict_or_else_its_reasons_stand_in_the_caption_and_in_the_axes_on_request(
    tree: xr.DataTree, verdict: str, words: str
) -> None:
    changed = tree.copy(deep=True)
    fit = changed["products/compaction"].to_dataset(inherit=False)
    fit["surface_porosity_flag"] = xr.full_like(fit["surface_porosity_flag"], flags.SUSPECT)
    fit["surface_porosity_reason"] = xr.full_like(
        fit["surface_porosity_reason"], flags.bit("few_independent_readings")
    )
    changed["products/compaction"] = xr.DataTree(fit.assign_attrs(verdict=verdict))
    plain = figures.porosity_depth(changed)
    assert "flagged" not in plain.axes[0].texts[-1].get_text()
    assert words.capitalize() in plain.caption
    noted = figures.porosity_depth(changed, notes=True)
    assert noted.axes[0].texts[-1].get_text().endswith(words)
    assert words.capitalize() in noted.caption


@pytest.mark.slow
@pytest.mark.parametrize(
    ("absent", "tracks"),
    [
        ((), 7),
        (("cores",), 6),
        (("cores", "layers"), 5),
        (("samples", "properties/index", "properties/thermal"), 6),
        (("properties/velocity", "products/impedance"), 5),
        (("properties/density", "products", "properties/velocity"), 5),
    ],
)
def test_an_unfinished_hole_has_fewer_tracks(
    tree: xr.DataTree, tmp_path: Path, absent: tuple[str, ...], tracks: int
) -> None:
    smaller = without(tree, *absent) if absent else tree
    figure = figures.summary(smaller)
    assert len(figure.axes) == tracks
    figures.save(figure, tmp_path, "summary")


def test_a_figure_without_data_names_the_missing_leaf(tree: xr.DataTree, tmp_path: Path) -> None:
    bare = without(tree, "properties", "products")
    for draw in figures.FIGURES.values():
        with pytest.raises(figures.NothingToDraw, match=r"this hole|the hole"):
            draw(bare)
    assert figures.write_figures(bare, tmp_path / "figures") == []
    with pytest.raises(ValueError, match="quantities has 'density'; tracks exist for"):
        figures.summary(tree, quantities=("density",))


def test_heat_flow_draws_the_leaves_of_the_hole(tree: xr.DataTree) -> None:
    assert len(figures.heat_flow(tree).axes) == 3
    assert len(figures.heat_flow(without(tree, "products")).axes) == 2
    assert len(figures.heat_flow(without(tree, "products", "properties/thermal")).axes) == 1


def test_the_fitted_line_of_the_bullard_plot(tree: xr.DataTree) -> None:
    table = figures.heat_flow(tree).table()
    line = table[table["series"] == "fit"]
    slope = np.diff(line["x"]) / np.diff(line["y"]) * 1e3
    assert slope == pytest.approx([float(tree["products/heat_flow"]["heat_flow"])])


@pytest.mark.slow
def test_files_are_the_same_at_every_run(tmp_path: Path) -> None:
    def run(folder: Path) -> dict[str, bytes]:
        return {p.name: p.read_bytes() for p in figures.write_figures(reduced_tree(500), folder)}

    first, second = run(tmp_path / "a"), run(tmp_path / "b")
    assert len(first) == 4 * len(set(figures.FIGURES) - SPLIT_CORE - NEEDS_A_LOG)
    assert first == second


def test_the_csv_file_of_a_figure_is_its_table(tree: xr.DataTree, tmp_path: Path) -> None:
    figure = figures.porosity_depth(tree)
    paths = figures.save(figure, tmp_path, "porosity_depth")
    assert [p.suffix for p in paths] == [".png", ".svg", ".csv", ".txt"]
    written = pd.read_csv(paths[2], keep_default_na=True)
    assert tuple(written.columns) == COLUMNS
    np.testing.assert_allclose(written["x"], figure.table()["x"], rtol=1e-9)


def test_size_and_text_of_a_vector_file(tree: xr.DataTree, tmp_path: Path) -> None:
    figures.save(figures.summary(tree), tmp_path, "summary")
    text = (tmp_path / "summary.svg").read_text(encoding="utf-8")
    width = re.search(r'width="([\d.]+)pt"', text)
    assert width and float(width[1]) / 72 * 25.4 == pytest.approx(178, abs=0.1)
    assert TITLE in text  # words are words, not outlines
    assert "<image" in text  # the dots of a scan are one picture
    assert len(text) < 1_000_000


def test_settings_of_the_user_are_left_alone(tree: xr.DataTree) -> None:
    before = dict(matplotlib.rcParams)
    with matplotlib.rc_context({"font.size": 31.0}):
        figure = figures.gamma_calibration(tree)
        assert matplotlib.rcParams["font.size"] == 31.0
    assert figure.axes[0].yaxis.label.get_size() == 7.0
    assert dict(matplotlib.rcParams) == before


def test_the_calibration_carries_the_line_of_caution(tree: xr.DataTree) -> None:
    figure = figures.gamma_calibration(tree)
    assert "Research estimate" in figure._supxlabel.get_text()


def test_a_notebook_shows_the_picture(tree: xr.DataTree) -> None:
    assert figures.gamma_calibration(tree)._repr_png_().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("unit", "printed"),
    [("g/cm^3", "g/cm³"), ("W/(m K)", "W/(m K)"), ("us", "µs"), ("degC", "°C"), ("ohm m", "Ω m")],
)
def test_units_in_print(unit: str, printed: str) -> None:
    assert unit_in_print(unit) == printed


def test_labels_come_from_the_vocabulary() -> None:
    assert label("bulk_density") == "bulk density [g/cm³]"
    assert label("porosity") == "porosity"
