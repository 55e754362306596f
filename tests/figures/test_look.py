"""Figures adapt to what an author asks for, and caption, counts and table follow."""

from __future__ import annotations

import io
import re
from collections import defaultdict
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import xarray as xr
from matplotlib import colors, pyplot
from matplotlib.container import ErrorbarContainer
from matplotlib.lines import Line2D

import corephys as cp
from corephys import figures
from corephys.figures import plate as drawing
from corephys.figures.style import COLOURS, FLAGGED
from corephys.figures.summaries import TRACKS
from corephys.ground.cards import RESEARCH_ONLY
from data_demo.simulator.hole import simulate_tables


@pytest.fixture(scope="module")
def tree() -> xr.DataTree:
    """A small simulated hole with everything that the split core gives."""
    tables, settings, _ = simulate_tables(47, small=True)
    return cp.reduce(cp.hole_from_tables(tables, settings))


@pytest.fixture(scope="module")
def plates(tree: xr.DataTree) -> dict[str, figures.Plate]:
    made = {}
    for name, draw in figures.FIGURES.items():
        try:
            made[name] = draw(tree)
        except figures.NothingToDraw:
            continue
    made["core_page"] = figures.core_page(tree, str(tree["cores"]["core"].values[0]))
    made["all_tracks"] = figures.summary(tree, quantities=tuple(TRACKS), size=(300.0, 236.0))
    assert len(made) >= 25
    return made


@pytest.fixture
def host() -> Any:
    figure, axes = pyplot.subplots()
    yield axes
    pyplot.close(figure)


def line_of(record: drawing.Drawn) -> Line2D:
    artist = record.artist
    return artist.lines[0] if isinstance(artist, ErrorbarContainer) else artist  # type: ignore[return-value]


def records_of(figure: figures.Plate, series: str) -> list[drawing.Drawn]:
    return [one for one in figure.drawn if one.columns["series"] == series]


# --------------------------------------------------------------------------------------------------
# Every figure takes the options.


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(figures.FIGURES))
def test_every_figure_takes_size_title_legend_and_decimal(tree: xr.DataTree, name: str) -> None:
    try:
        figure = figures.FIGURES[name](
            tree, size=(190.0, 120.0), title="Another title", legend=False, decimal=","
        )
    except figures.NothingToDraw:
        pytest.skip("the hole lacks the data of this figure")
    np.testing.assert_allclose(25.4 * figure.get_size_inches(), (190.0, 120.0))
    assert figure.get_suptitle() == "Another title"
    assert not figure.legends and not any(axes.get_legend() for axes in figure.axes)
    figure.settle()
    ticks = [
        text.get_text()
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for text in axis.get_ticklabels()
    ]
    assert not [words for words in ticks if re.search(r"\d\.\d", words)]
    assert figures.FIGURES[name](tree, title=None).get_suptitle() == ""


def test_panels_are_reached_by_name(plates: dict[str, figures.Plate]) -> None:
    for name, plate in plates.items():
        assert len(plate.panels) == len(plate.axes), name
        for panel, axes in plate.panels.items():
            assert plate.panel(panel) is axes
    summary = plates["summary"]
    assert summary.panel("bulk_density").get_label() == "bulk_density"
    assert summary.panel("bulk_density").get_xlabel().startswith("bulk density")
    with pytest.raises(KeyError, match=r"name is 'mass'; this figure has the panels cores, "):
        summary.panel("mass")


def test_labels_stand_on_axes_with_their_unit(tree: xr.DataTree) -> None:
    words = {"bulk_density": "Dichte", "porosity": "Porosität [als Anteil]"}
    plate = figures.summary(tree, labels=words)
    assert plate.panel("bulk_density").get_xlabel() == "Dichte\n[g/cm³]"
    assert plate.panel("porosity").get_xlabel() == "Porosität\n[als Anteil]"
    assert "Dichte: scan" in plate.caption
    assert figures.summary(tree).panel("bulk_density").get_xlabel() == "bulk density\n[g/cm³]"


def test_colours_hold_for_quantities_and_series_and_for_this_call_only(tree: xr.DataTree) -> None:
    plate = figures.porosity_depth(tree, colours={"porosity": "#0072B2", "fit": "#D55E00"})
    assert line_of(records_of(plate, "scan")[0]).get_color() == "#0072B2"
    assert line_of(records_of(plate, "fit")[0]).get_color() == "#D55E00"
    again = figures.porosity_depth(tree)
    assert line_of(records_of(again, "scan")[0]).get_color() == COLOURS["porosity"] != "#0072B2"


def test_a_legend_stands_outside_or_is_made(tree: xr.DataTree) -> None:
    plate = figures.compaction_models(tree, legend="outside")
    before = figures.compaction_models(tree).axes[0].get_legend()
    assert plate.axes[0].get_legend() is None and before is not None
    words = [text.get_text() for text in plate.legends[0].get_texts()]
    assert words == [text.get_text() for text in before.get_texts()]
    made = figures.porosity_depth(tree, legend=True)
    assert {"scan", "samples", "fit"} <= {t.get_text() for t in made.legends[0].get_texts()}


# --------------------------------------------------------------------------------------------------
# Flagged points.


def test_hidden_points_are_counted_and_leave_the_table(tree: xr.DataTree) -> None:
    usual, hidden = figures.summary(tree), figures.summary(tree, flagged="hide")
    table = usual.table()
    rows = table["series"].str.endswith(", flagged")
    assert rows.any()
    good = table[~rows].reset_index(drop=True)
    assert hidden.table().equals(good)
    scan = table["panel"].str.startswith("bulk density") & (table["series"] == "scan, flagged")
    assert f"({int(scan.sum())} flagged, not drawn)" in hidden.caption
    assert "drawn grey" not in hidden.caption
    assert "off axis" not in "".join(axes.get_title() for axes in hidden.axes)


def test_edges_have_the_colour_of_their_series(tree: xr.DataTree) -> None:
    changed = tree.copy()
    data = tree["properties/index_properties"].to_dataset(inherit=False).copy(deep=True)
    data["grain_density_flag"].values[2] = cp.flags.BAD
    changed["properties/index_properties"] = xr.DataTree(data)
    plate = figures.index_properties_depth(changed, flagged="edge")
    flagged = [r for r in plate.drawn if str(r.columns["series"]).endswith(", flagged")]
    assert flagged and "flagged, drawn open" in plate.caption
    for record in flagged:
        name = str(record.columns["series"]).removesuffix(", flagged")
        (good,) = [
            one for one in records_of(plate, name)
            if one.columns["panel"] == record.columns["panel"]
        ]  # fmt: skip
        assert line_of(record).get_color() == line_of(good).get_color()
        assert line_of(record).get_markerfacecolor() == "white"
        assert line_of(good).get_markerfacecolor() == line_of(good).get_color()


def contrast(colour: Any) -> float:
    """Contrast to white after WCAG 2.2: relative luminance of sRGB, offset 0.05."""
    code = np.array(colors.to_rgb(colour))
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return float(1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05))


def test_the_measure_of_contrast_is_that_of_the_standard() -> None:
    assert contrast("black") == pytest.approx(21.0) and contrast("white") == pytest.approx(1.0)
    assert contrast("#949494") == pytest.approx(3.03, abs=0.005)  # from memory


def test_flagged_points_can_be_seen_in_print_and_in_greyscale(
    plates: dict[str, figures.Plate],
) -> None:
    assert contrast(FLAGGED) >= 3.0 > contrast("0.78")  # the second is the grey of before
    seen = 0
    for name, plate in plates.items():
        shapes: dict[tuple[str, str], Line2D] = {}
        for record in plate.drawn:
            if record.kind == "points":
                key = str(record.columns["panel"]), str(record.columns["series"])
                shapes[key] = line_of(record)
        for (panel, series), line in shapes.items():
            if not series.endswith(", flagged"):
                continue
            seen += 1
            assert contrast(line.get_markeredgecolor()) >= 3.0, (name, series)
            good = shapes.get((panel, series.removesuffix(", flagged")))
            if good is not None:
                looks = [(one.get_marker(), one.get_markerfacecolor()) for one in (line, good)]
                assert looks[0] != looks[1], (name, series)
    assert seen >= 20


# --------------------------------------------------------------------------------------------------
# Colours of quantities.


def shared_colours(plate: figures.Plate) -> list[tuple[str, set[str]]]:
    """Colours of two quantities of one figure, unless they mark one series in both panels."""
    held: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for record in plate.drawn:
        if record.kind not in ("points", "curve"):
            continue
        rgb = colors.to_rgb(line_of(record).get_color())
        if max(rgb) - min(rgb) < 0.05:  # greys and black mark samples, models and flags
            continue
        panel = re.split(r" \[| against ", str(record.columns["panel"]))[0]
        held[colors.to_hex(rgb)].append((panel, str(record.columns["series"])))
    found = []
    for ink, rows in held.items():
        for panel, series in rows:
            for other, word in rows:
                # The colour of a model, method or test is that of the series in every panel.
                alike = series in word or word in series or series.split()[-1] == word.split()[-1]
                if panel != other and not alike:
                    found.append((ink, {panel, other}))
    return found


def test_no_two_quantities_share_a_colour(plates: dict[str, figures.Plate]) -> None:
    faults = {name: found for name, plate in plates.items() if (found := shared_colours(plate))}
    assert faults == {}
    inks = [COLOURS[name] for name in TRACKS]
    assert len(set(inks)) == len(inks)


def test_a_shared_colour_is_found() -> None:
    plate = figures.Plate(85.0, 60.0)
    left, right = plate.subplots(1, 2)
    drawing.curve(left, "density [g/cm^3] against depth [m]", "scan", [0, 1], [0, 1], colour="red")
    drawing.curve(right, "velocity [m/s] against depth [m]", "log", [0, 1], [0, 1], colour="red")
    assert shared_colours(plate)


# --------------------------------------------------------------------------------------------------
# Scales.


def test_scales_of_the_caller_and_counts_off_the_axis(tree: xr.DataTree) -> None:
    plate = figures.summary(tree, scale={"bulk_density": "log"})
    assert plate.panel("bulk_density").get_xscale() == "log"
    assert plate.panel("porosity").get_xscale() == "linear"
    every = figures.summary(tree, scale="log")
    assert {every.panel(name).get_xscale() for name in ("bulk_density", "porosity")} == {"log"}
    assert {axes.get_yscale() for axes in every.axes} == {"linear"}
    for axes in (every.panel("bulk_density"), every.panel("p_wave_velocity")):
        every.settle()
        low, high = axes.get_xlim()
        shown = [t for t in axes.get_xticks() if low <= t <= high]
        assert len(shown) >= 2
    names = ("magnetic_susceptibility",)
    assert figures.summary(tree, quantities=names).panel(*names).get_xscale() == "log"
    straight = figures.summary(tree, quantities=names, scale={names[0]: "linear"})
    assert straight.panel(*names).get_xscale() == "linear"


def spread(tree: xr.DataTree, path: str, name: str, low: float, high: float) -> xr.DataTree:
    """The hole with usable values of a quantity between two ends."""
    changed = tree.copy()
    data = tree[path].to_dataset(inherit=False).copy(deep=True)
    size = data[name].size
    data[name].values[:] = np.geomspace(low, high, size)
    data[f"{name}_flag"].values[:] = cp.flags.GOOD
    changed[path] = xr.DataTree(data)
    return changed


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("properties/resistivity", "electrical_resistivity"),
        ("properties/formation_factor", "formation_factor"),
    ],
)
def test_resistivity_and_formation_factor_are_logarithmic_over_decades(
    tree: xr.DataTree, path: str, name: str
) -> None:
    for high, scale in ((100.0, "log"), (2.0, "linear")):
        held = spread(tree, path, name, 1.0, high)
        assert figures.holes({"one": held}, name).panel(name).get_xscale() == scale
        if name in TRACKS:
            plate = figures.summary(held, quantities=(name,))
            assert plate.panel(name).get_xscale() == scale


# --------------------------------------------------------------------------------------------------
# Notes and verdicts.


def test_notes_move_into_the_caption(tree: xr.DataTree) -> None:
    def words(plate: figures.Plate) -> str:
        return " ".join(text.get_text() for axes in plate.axes for text in axes.texts)

    usual, bare = figures.porosity_depth(tree), figures.porosity_depth(tree, notes=False)
    assert "φ₀" in words(usual) and "φ₀" not in usual.caption
    assert "φ₀" not in words(bare) and "φ₀" in bare.caption
    comma = words(figures.porosity_depth(tree, decimal=","))
    assert re.search(r"φ₀ = 0,\d", comma) and not re.search(r"\d\.\d", comma)


# --------------------------------------------------------------------------------------------------
# Axes of the caller.


def test_a_figure_is_drawn_into_axes_of_the_caller(
    tree: xr.DataTree, host: Any, tmp_path: Path
) -> None:
    own = figures.porosity_depth(tree)
    plate = figures.porosity_depth(tree, ax=host)
    assert plate.axes == [host] and plate.panel("porosity") is host
    assert plate.table().equals(own.table()) and plate.caption == own.caption
    assert len(host.lines) == len(own.axes[0].lines)
    assert host.get_title(loc="left") == ""
    assert host.get_xlim() == own.axes[0].get_xlim() and host.get_ylim() == own.axes[0].get_ylim()
    paths = figures.save(plate, tmp_path, "hosted", kinds=("png", "csv", "txt"))
    assert all(path.stat().st_size > 100 for path in paths)
    pixels = pyplot.imread(paths[0])
    assert float(pixels.std()) > 0.01  # the picture of the caller, and not an empty one


def test_panels_go_into_a_row_of_axes_and_other_numbers_are_refused(tree: xr.DataTree) -> None:
    figure, row = pyplot.subplots(1, 3)
    plate = figures.index_properties_depth(tree, axes=row)
    assert plate.axes == list(row)
    assert len({axes.get_ylim() for axes in row}) == 1
    with pytest.raises(ValueError, match="3 Axes were given, and the figure has 1 panel"):
        figures.porosity_depth(tree, axes=row)
    with pytest.raises(ValueError, match="this one has 2 rows"):
        figures.gamma_calibration(tree, ax=row[0])
    pyplot.close(figure)


def test_a_caution_is_written_into_axes_of_the_caller(tree: xr.DataTree, host: Any) -> None:
    plate = figures.velocity_porosity(tree, ax=host, notes=False, legend=False, title=None)
    assert RESEARCH_ONLY in plate.caption
    written = " ".join(" ".join(text.get_text().split()) for text in host.texts)
    assert RESEARCH_ONLY in written


def test_a_series_of_a_result_draws_itself_on_axes(tree: xr.DataTree, host: Any) -> None:
    leaf = tree["properties/density"].to_dataset()
    plate = leaf.corephys.plot("bulk_density", ax=host, flagged="hide")
    assert plate.axes == [host] and host.get_xlabel().startswith("bulk density")


# --------------------------------------------------------------------------------------------------
# Several holes, fonts, and refusals.


def test_several_holes_against_depth(tree: xr.DataTree) -> None:
    names = ("bulk_density", "p_wave_velocity")
    plate = figures.holes({"A": tree, "B": tree}, quantities=names, on="depth", size=(120.0, 90.0))
    assert tuple(plate.panels) == names
    assert "holes A, B against depth below seafloor" in plate.caption
    table = plate.table()
    assert set(table["series"]) == {"hole A", "hole B"}
    red = figures.holes({"A": tree, "B": tree}, names, colours={"hole B": "red"})
    assert {line_of(one).get_color() for one in records_of(red, "hole B")} == {"red"}
    assert red.legends[0].get_lines()[1].get_color() == "red"


def fonts(data: bytes) -> set[bytes]:
    return set(re.findall(rb"/FontName /\w+\+([\w-]+)|/BaseFont /\w+\+([\w-]+)", data)[0]) - {b""}


def test_savefig_and_save_embed_the_same_fonts(tree: xr.DataTree, tmp_path: Path) -> None:
    plate = figures.porosity_depth(tree)
    figures.save(plate, tmp_path, "one", kinds=("pdf", "svg"))
    with matplotlib.rc_context({"pdf.fonttype": 3, "svg.fonttype": "path"}):
        for kind in ("pdf", "svg"):
            plate.savefig(tmp_path / f"two.{kind}")
    for kind in ("pdf", "svg"):
        one, two = ((tmp_path / f"{name}.{kind}").read_bytes() for name in ("one", "two"))
        assert one == two
    assert fonts(one := (tmp_path / "two.pdf").read_bytes()) == {b"DejaVuSans"}
    assert b"/FontFile2" in one and b"/Type3" not in one
    svg = (tmp_path / "two.svg").read_text(encoding="utf-8")
    assert "data:font/ttf;base64," in svg
    stream = io.BytesIO()
    plate.savefig(stream, format="svg")
    assert stream.getvalue() == (tmp_path / "one.svg").read_bytes()


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"size": (3, 4)}, ValueError, "in millimetres, each from 20 to 2000"),
        ({"size": "wide"}, ValueError, "give width and height in millimetres"),
        ({"title": 3}, ValueError, "give a text, or None"),
        (
            {"legend": "left"},
            ValueError,
            "expected one of True, False, 'outside'",
        ),
        ({"flagged": "grey"}, ValueError, "expected one of 'show', 'hide', 'edge'"),
        ({"scale": "ln"}, ValueError, "scale is 'ln'"),
        ({"scale": {"bulk_density": "log"}}, ValueError, "names that it has: porosity"),
        ({"colours": {"porosity": "grun"}}, ValueError, "give a colour of matplotlib"),
        ({"colours": {"porositi": "red"}}, ValueError, "which this figure does not have"),
        ({"colours": "red"}, ValueError, "give a mapping"),
        ({"labels": {"bulk_density": "x"}}, ValueError, "names that it has: depth, porosity"),
        ({"labels": {"porosity": ""}}, ValueError, "give a text"),
        ({"ax": 3}, ValueError, "give Axes of matplotlib"),
        ({"ax": 3, "axes": 4}, ValueError, "give only one of them"),
        ({"lables": {}}, TypeError, "has no argument 'lables'; give one of tree, core, depth"),
    ],
)
def test_an_option_that_cannot_be_used_is_refused(
    tree: xr.DataTree, options: Any, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=re.escape(words)):
        figures.porosity_depth(tree, **options)
