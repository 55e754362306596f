"""All figures share sizes, labels, greyscale looks, captions and reproducible files."""

from __future__ import annotations

import base64
import html
import io
import os
import re
import subprocess
import sys
from pathlib import Path

import matplotlib
import numpy as np
import pytest
import xarray as xr
from fontTools import ttLib
from matplotlib import pyplot
from matplotlib.testing.compare import compare_images

import corephys as cp
from corephys import figures
from corephys.figures import plate as drawn
from corephys.figures.style import SETTINGS
from corephys.ground.cards import RESEARCH_ONLY
from data_demo.simulator.hole import simulate_tables
from tests.figure_looks import (
    VISIONS,
    lightness,
    told_by_colour_alone,
    words_off_the_page,
    words_that_collide,
)
from tests.reduced_tree import reduced_tree

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

BASELINES = Path(__file__).parents[1] / "baselines"
# Figures of pressure and strength, whose caption carries the line of caution; the line on sealed
# sources is held by the tests of cautions.
CAUTION = {"consolidation_curves", "strength_depth", "stress_depth", "velocity_porosity"}


@pytest.fixture(scope="module")
def demo(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


@pytest.fixture(scope="module")
def plates(demo: xr.DataTree) -> dict[str, figures.Plate]:
    """Every figure of the demo hole, which has the data for all of them."""
    made = {}
    for name, draw in figures.FIGURES.items():
        try:
            made[name] = draw(demo)
        except figures.NothingToDraw as error:
            assert name in LACKING, f"{name}: {error}"
    return made


# What the demo hole has no data for; each has a test of its own elsewhere.
LACKING: set[str] = {"log_comparison", "reported_values"}


@pytest.mark.parametrize("name", sorted(set(figures.FIGURES) - LACKING))
def test_a_figure_can_be_read_in_print(plates: dict[str, figures.Plate], name: str) -> None:
    plate = plates[name]
    width, height = (25.4 * float(side) for side in plate.get_size_inches())
    assert width == pytest.approx(figures.ONE_COLUMN) or width == pytest.approx(figures.TWO_COLUMNS)
    assert height <= figures.PAGE[1] + 1e-9
    assert words_off_the_page(plate) == []
    assert words_that_collide(plate) == []
    assert told_by_colour_alone(plate) == []
    sizes = [
        text.get_size() for text in plate.findobj(matplotlib.text.Text) if text.get_text().strip()
    ]
    assert min(sizes) >= 4.5  # points


@pytest.mark.parametrize("name", sorted(set(figures.FIGURES) - LACKING))
def test_a_caption_states_n_and_depth_scale(plates: dict[str, figures.Plate], name: str) -> None:
    plate = plates[name]
    caption = plate.caption
    assert len(caption.split()) >= 8 and "nan" not in caption and "  " not in caption
    assert (RESEARCH_ONLY in caption) == (name in CAUTION)
    labels = " ".join(axes.get_ylabel() for axes in plate.axes)
    if "depth below seafloor" in labels:
        assert "Depth scale: depth below seafloor" in caption or name in ("station",)
    first = next((r for r in plate.drawn if r.kind == "points"), None)
    if first is not None and ". n, " in caption:
        series = str(first.table["series"].iloc[0]).removesuffix(", flagged")
        panel = first.table["panel"].iloc[0]
        table = plate.table()
        here = table[(table["panel"] == panel) & table["flag"].notna()]
        n = here["series"].isin([series, f"{series}, flagged"]).sum()
        assert re.search(rf"{re.escape(series)} {n}\b", caption)


def test_a_caption_names_method_and_constants(demo: xr.DataTree) -> None:
    caption = figures.heating_run(demo).caption
    assert "Carslaw and Jaeger 1959" in caption
    assert "minimum window 20 s" in caption
    assert "one standard uncertainty" in figures.porosity_depth(demo).caption


def test_planted_faults_of_print_are_found() -> None:
    """Words on words, words off the page and two colours of one darkness."""
    plate = figures.Plate(figures.ONE_COLUMN, 60.0)
    axes = plate.add_subplot()
    axes.text(0.5, 0.5, "one word", transform=axes.transAxes)
    axes.text(0.52, 0.5, "another", transform=axes.transAxes)
    plate.text(0.97, 0.5, "beyond the edge")
    drawn.curve(axes, "panel", "red", [0, 1], [0, 1], colour="#D55E00")
    drawn.curve(axes, "panel", "green", [0, 1], [1, 0], colour="#009E73")
    assert words_that_collide(plate) == [("one word", "another")]
    assert words_off_the_page(plate) == ["beyond the edge"]
    assert {pair[:2] for pair in told_by_colour_alone(plate)} == {("red", "green")}
    other = figures.Plate(figures.ONE_COLUMN, 60.0)
    axes = other.add_subplot()
    drawn.curve(axes, "panel", "red", [0, 1], [0, 1], colour="#D55E00")
    drawn.curve(axes, "panel", "green", [0, 1], [1, 0], colour="#009E73", style="--")
    assert told_by_colour_alone(other) == []


def test_simulated_colour_vision_keeps_grey_and_lightness_follows_the_standard() -> None:
    for matrix in VISIONS.values():  # white stays white: each row sums to one
        np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=2e-6)
    assert lightness("white") == pytest.approx(100.0)
    assert lightness("black") == 0.0
    assert lightness("0.5") == pytest.approx(
        53.4, abs=0.2
    )  # sRGB 127.5; CIE L* 53.39 of 119 to 128


def test_the_style_file_holds_the_settings_and_loads() -> None:
    with pyplot.style.context(figures.STYLE):
        for name, value in SETTINGS.items():
            assert matplotlib.rcParams[name] == value, name
        inks = matplotlib.rcParams["axes.prop_cycle"].by_key()
    assert len(set(inks["linestyle"])) == len(inks["color"]) == 5


@pytest.fixture(scope="module")
def saved(demo: xr.DataTree, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("figures")
    for name in ("porosity_depth", "heat_flow"):
        figures.save(figures.FIGURES[name](demo), folder, name, kinds=("svg", "pdf", "txt"))
    return folder


def test_fonts_are_in_the_vector_files(saved: Path) -> None:
    text = (saved / "porosity_depth.svg").read_text(encoding="utf-8")
    assert set(re.findall(r"font-family: *'([^']*)'", text)) == {"DejaVu Sans"}
    assert not re.search(r"font: ", text)
    data = re.search(r"data:font/ttf;base64,([A-Za-z0-9+/=]+)", text)
    assert data is not None
    font = ttLib.TTFont(io.BytesIO(base64.b64decode(data[1])))
    held = {chr(code) for code in font.getBestCmap()}
    words = "".join(html.unescape(part) for part in re.findall(r"<text[^>]*>([^<]*)", text))
    assert set(words) - {"\n"} <= held and len(words) > 30
    pdf = (saved / "porosity_depth.pdf").read_bytes()
    assert b"/FontFile2" in pdf and b"+DejaVuSans" in pdf
    assert b"/Type3" not in pdf


def test_the_caption_is_written_beside_the_figure(demo: xr.DataTree, saved: Path) -> None:
    words = (saved / "porosity_depth.txt").read_text(encoding="utf-8").strip()
    assert words == figures.porosity_depth(demo).caption


def test_an_unknown_kind_of_file_is_refused(demo: xr.DataTree, tmp_path: Path) -> None:
    plate = figures.gamma_calibration(demo)
    with pytest.raises(ValueError, match="kinds has 'gif'; expected some of"):
        figures.save(plate, tmp_path, "x", kinds=("gif",))
    assert [p.name for p in figures.save(plate, tmp_path, "x", kinds=("pdf",))] == ["x.pdf"]


RUN = """
import sys, corephys as cp
from corephys import figures
from tests.reduced_tree import reduced_tree
tree = reduced_tree(500)
for name in ("summary", "porosity_depth"):
    figures.save(figures.FIGURES[name](tree), sys.argv[1], name)
"""


@pytest.mark.slow
def test_another_process_writes_the_same_bytes(tmp_path: Path, project_root: Path) -> None:
    for seed in ("1", "2"):
        subprocess.run(
            [sys.executable, "-c", RUN, str(tmp_path / seed)],
            check=True, cwd=project_root, env={**os.environ, "PYTHONHASHSEED": seed},
        )  # fmt: skip
    first, second = (
        {path.name: path.read_bytes() for path in sorted((tmp_path / seed).iterdir())}
        for seed in ("1", "2")
    )
    assert len(first) == 8
    assert first == second


# Pixels depend on the version of matplotlib and of the font engine in it; a rim of grey levels is
# allowed, and a test that draws one curve elsewhere shows that it is narrow enough.
BASELINE = {"porosity_depth": figures.porosity_depth, "heat_flow": figures.heat_flow}
LEVELS = 6.0


def _compared(plate: figures.Plate, name: str, folder: Path) -> str | None:
    path = folder / f"{name}.png"
    path.write_bytes(plate.picture(100.0))
    return compare_images(str(BASELINES / f"{name}.png"), str(path), tol=LEVELS)


@pytest.mark.parametrize("name", sorted(BASELINE))
def test_pixels_are_those_of_the_baseline(name: str, tmp_path: Path) -> None:
    assert _compared(BASELINE[name](reduced_tree(500)), name, tmp_path) is None


def test_a_wrong_picture_fails(tmp_path: Path) -> None:
    tree = reduced_tree(500)
    moved = tree["products/compaction_curve"].to_dataset(inherit=False)
    for part in ("porosity", "lower", "upper"):
        moved[part] = moved[part] + 0.05
    tree["products/compaction_curve"] = xr.DataTree(moved)
    difference = _compared(figures.porosity_depth(tree), "porosity_depth", tmp_path)
    assert difference is not None and "RMS" in difference


def test_an_unknown_uncertainty_is_labelled_unknown(demo: xr.DataTree) -> None:
    blind = demo.copy(deep=True)
    for leaf in blind.leaves:
        for name in map(str, leaf.data_vars):
            if ("_u_" in name or name.endswith("_effects")) and leaf[name].dtype.kind == "f":
                leaf[name].values[...] = np.nan
    for name, draw in figures.FIGURES.items():
        if name in LACKING:
            continue
        plate = draw(blind)
        texts = [text.get_text() for text in plate.findobj(matplotlib.text.Text)]
        texts.append(str(plate.caption))
        assert [text for text in texts if re.search(r"\b(nan|inf)\b", text)] == [], name


@pytest.mark.slow
def test_a_simulated_hole_of_another_shape_can_be_read_in_print() -> None:
    tables, settings, _ = simulate_tables(48, small=True)
    tree = cp.reduce(cp.hole_from_tables(tables, settings))
    faults = {}
    for name, draw in figures.FIGURES.items():
        try:
            plate = draw(tree)
        except figures.NothingToDraw:
            continue
        found = [words_off_the_page(plate), words_that_collide(plate), told_by_colour_alone(plate)]
        if any(found):
            faults[name] = found
    assert faults == {}
