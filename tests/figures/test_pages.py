"""The page of one core: its readings, its numbers, and what was left out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from matplotlib.lines import Line2D

import corephys as cp
from corephys import figures
from corephys.figures import NothingToDraw
from corephys.figures.style import PAGE
from corephys.ground import flags
from data_demo.simulator.hole import simulate_hole
from tests.figure_looks import told_by_colour_alone, words_off_the_page, words_that_collide
from tests.reduced_tree import reduced_tree

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("pages") / "hole"
    simulate_hole(home, 47, small=True)
    return home


@pytest.fixture(scope="module")
def tree(folder: Path) -> xr.DataTree:
    (folder / "exclusions.csv").write_text(
        "core,section,from [cm],to [cm],reason,sensor,who\n"
        f"{_first(folder)},1,20,30,cracked liner,gamma,night shift\n",
        encoding="utf-8",
    )
    return cp.reduce(cp.read_hole(folder), LEAN)


def _first(folder: Path) -> str:
    return (folder / "cores.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]


def clean(plate: figures.Plate) -> None:
    assert words_off_the_page(plate) == []
    assert words_that_collide(plate) == []
    assert told_by_colour_alone(plate) == []


def names_of(tree: xr.DataTree) -> list[str]:
    return [str(name) for name in tree["cores"]["core"].values]


def without(tree: xr.DataTree, *paths: str) -> xr.DataTree:
    """Tree without some leaves."""
    held = {
        leaf.path: leaf.to_dataset(inherit=False)
        for leaf in tree.leaves
        if not any(leaf.path.strip("/").startswith(path) for path in paths)
    }
    found = xr.DataTree.from_dict(held)
    found.attrs = dict(tree.attrs)
    return found


def texts(plate: figures.Plate) -> list[str]:
    return [t.get_text() for axes in plate.axes for t in axes.texts]


@pytest.mark.slow
def test_every_page_is_readable_and_fits_on_paper(tree: xr.DataTree) -> None:
    drawn = 0
    for name in names_of(tree):
        plate = figures.core_page(tree, name)
        assert 25.4 * plate.get_size_inches() == pytest.approx(PAGE)
        assert PAGE[0] <= 210 and PAGE[1] <= 279  # A4 is 210 mm wide, letter 279 mm high
        clean(plate)
        drawn += 1
    assert drawn > 3


def test_readings_are_those_of_the_core_at_their_depths(tree: xr.DataTree) -> None:
    name = names_of(tree)[1]
    table = figures.core_page(tree, name).table()
    for path, quantity, words in (
        ("properties/density", "bulk_density", "bulk density"),
        ("properties/velocity", "p_wave_velocity", "P-wave velocity"),
        ("properties/susceptibility", "magnetic_susceptibility", "volume magnetic"),
    ):
        leaf = tree[path].to_dataset()
        here = leaf.isel(reading=leaf["core"].values == name)
        known = np.isfinite(here[quantity].values)
        rows = table[table["panel"].str.startswith(words) & table["series"].str.startswith("scan")]
        wanted = sorted(zip(here["depth"].values[known], here[quantity].values[known], strict=True))
        assert sorted(zip(rows["y"], rows["x"], strict=True)) == wanted
        flagged = rows["series"] == "scan, flagged"
        off = ~flags.usable(here[f"{quantity}_flag"].values[known])
        assert int(flagged.sum()) == int(off.sum())


def test_numbers_add_up_and_the_median_is_that_of_the_kept(tree: xr.DataTree) -> None:
    name = names_of(tree)[1]
    words = texts(figures.core_page(tree, name))
    start = words.index("bulk density [g/cm³], scan")
    median, scatter, kept, flagged, missing = words[start + 1 : start + 6]
    leaf = tree["properties/density"].to_dataset()
    leaf = leaf.isel(reading=leaf["core"].values == name)
    values = leaf["bulk_density"].values
    good = np.isfinite(values) & flags.usable(leaf["bulk_density_flag"].values)
    assert int(kept) == int(good.sum()) > 0
    assert int(missing) == int(np.isnan(values).sum())
    assert int(kept) + int(flagged) + int(missing) == values.size
    ordered = np.sort(values[good])
    assert float(median) == pytest.approx(float(np.median(ordered)), abs=0.51e-3)
    half = (np.interp(0.84, np.linspace(0, 1, ordered.size), ordered)
            - np.interp(0.16, np.linspace(0, 1, ordered.size), ordered)) / 2  # fmt: skip
    assert float(scatter) == pytest.approx(half, rel=0.06)


@pytest.mark.slow
def test_facts_of_the_core(tree: xr.DataTree) -> None:
    table = tree["cores"].to_dataset()
    for row in range(table.sizes["row"]):
        one = table.isel(row=row)
        name = str(one["core"].item())
        caption = figures.core_page(tree, name).caption
        recovered, advance = float(one["recovered"]), float(one["advance"])
        assert f"top {float(one['top']):.2f} m, advance {advance:.2f} m" in caption
        share = 100 * recovered / advance
        assert f"recovered {recovered:.2f} m ({share:.0f} %)" in caption
        sections = int((tree["sections"]["core"].values == name).sum())
        assert f"{sections} section" in caption
        moment = str(one["time_on_deck"].values.astype("datetime64[m]")).replace("T", " ")
        assert f"on deck {moment} UTC" in caption


def test_flagged_readings_off_the_track_are_arrows_at_its_edge(tree: xr.DataTree) -> None:
    seen = 0
    for name in names_of(tree)[:3]:
        plate = figures.core_page(tree, name)
        table = plate.table()
        for axes in plate.axes:
            marks = [line for line in axes.get_lines()
                     if isinstance(line, Line2D) and line.get_marker() in ("<", ">")]  # fmt: skip
            if not axes.get_title():
                assert not marks
                continue
            low, high = axes.get_xlim()
            at = np.sort(np.concatenate([np.asarray(line.get_ydata()) for line in marks]))
            assert axes.get_title() == f"{at.size} off axis"
            panels = {
                str(r.table["panel"].iloc[0]) for r in plate.drawn
                if r.kind == "points" and r.axes is axes
            }  # fmt: skip
            rows = table[table["panel"].isin(panels)]
            off = rows[(rows["x"] < low) | (rows["x"] > high)]
            np.testing.assert_allclose(at, np.sort(off["y"]))
            assert not off["flag"].isin(["good", "not evaluated"]).any()
            seen += at.size
    assert seen > 10


def test_flagged_samples_differ_by_their_symbol(tree: xr.DataTree) -> None:
    found = tree.copy()
    leaf = found["properties/thermal_conductivity"].to_dataset(inherit=False).copy(deep=True)
    name = str(leaf["core"].values[0])
    leaf["thermal_conductivity_flag"].values[0] = flags.SUSPECT
    found["properties/thermal_conductivity"] = xr.DataTree(leaf)
    plate = figures.core_page(found, name, quantities=("thermal_conductivity",))
    clean(plate)
    rows = plate.table()[lambda t: t["series"] == "samples, flagged"]
    assert list(rows["y"]) == [float(leaf["depth"].values[0])]
    assert list(rows["flag"]) == ["suspect"]


def test_offsets_at_the_left_are_depths_at_the_right(tree: xr.DataTree) -> None:
    name = names_of(tree)[0]
    plate = figures.core_page(tree, name)
    plate.settle()
    first = plate.axes[0]
    ends = cp.depth.section_tops(
        sections=tree["sections"], cores=tree["cores"], removed=tree["removed"]
    )
    mine = ends.isel(row=ends["core"].values == name)
    tops, bottoms = mine["top"].values, mine["bottom"].values
    marks = first.get_yticks()
    written = [text.get_text() for text in first.get_yticklabels()]
    assert len(marks) == len(written) > 3
    for mark, words in zip(marks, written, strict=True):
        section = int(np.flatnonzero((tops <= mark) & (mark <= bottoms))[0])
        assert mark == pytest.approx(tops[section] + float(words) / 100.0)
    lines = {float(line.get_ydata()[0]) for line in first.get_lines()}  # type: ignore[index]
    assert {round(x, 9) for x in [*tops, *bottoms]} <= {round(x, 9) for x in lines}


@pytest.mark.slow
def test_what_was_left_out_is_listed_with_its_reason(tree: xr.DataTree) -> None:
    name = names_of(tree)[0]
    caption = figures.core_page(tree, name).caption
    assert "Excluded for gamma: section 1, 20 to 30 cm, cracked liner (night shift)." in caption
    leaf = tree["properties/density"].to_dataset()
    leaf = leaf.isel(reading=leaf["core"].values == name)
    excluded = (leaf["bulk_density_reason"].values & flags.bit("excluded_by_user")) != 0
    assert f"excluded by user {int(excluded.sum())}" in caption and excluded.any()
    other = figures.core_page(tree, names_of(tree)[2]).caption
    assert "cracked liner" not in other
    removed = tree["removed"].to_dataset()
    for row in range(removed.sizes["row"]):
        words = str(removed["kind"].values[row]).replace("_", " ")
        page = figures.core_page(tree, str(removed["core"].values[row]))
        assert f"Removed: section {removed['section'].values[row]}, " in page.caption
        assert f"cm, {words}" in page.caption


def test_findings_of_the_core_are_on_its_page(tree: xr.DataTree) -> None:
    names = names_of(tree)
    found = tree.copy()
    found.attrs["findings"] = json.dumps(
        [{"core": names[1], "sentence": "cores.csv, core: lengths contradict."}]
    )
    assert (
        "Finding: cores.csv, core: lengths contradict."
        in figures.core_page(found, names[1]).caption
    )
    assert "lengths contradict" not in figures.core_page(found, names[0]).caption


@pytest.mark.parametrize(
    "lacking",
    [
        ("images",),
        ("description",),
        ("images", "description", "layers", "removed"),
        ("sections",),
        ("sections", "cores", "removed"),
        ("properties/index_properties", "properties/sample_velocity", "samples"),
        ("properties/velocity", "properties/resistivity", "properties/susceptibility",
         "properties/natural_gamma", "products/porosity"),
        ("properties", "products", "samples", "scan", "downhole"),
    ],
    ids=lambda paths: "_".join(path.rpartition("/")[2] for path in paths),
)  # fmt: skip
def test_a_core_that_lacks_something_has_a_page(tree: xr.DataTree, lacking: Any) -> None:
    plate = figures.core_page(without(tree, *lacking), names_of(tree)[0])
    clean(plate)
    kinds = {record.kind for record in plate.drawn}
    assert ("picture" in kinds) == ("images" not in lacking)
    panels = set(plate.table()["panel"])
    assert ("description" in panels) == ("description" not in lacking)


def test_a_core_of_one_section_and_one_sensor(tree: xr.DataTree) -> None:
    name = names_of(tree)[0]
    held = {}
    for leaf in without(tree, "properties/velocity", "properties/resistivity", "images",
                        "properties/susceptibility", "properties/natural_gamma",
                        "products").leaves:  # fmt: skip
        table = leaf.to_dataset(inherit=False)
        if "section" in table.variables and "core" in table.variables:
            other = (table["core"].values == name) & (table["section"].values != "1")
            table = table.isel({table["core"].dims[0]: ~other})
        held[leaf.path] = table
    one = xr.DataTree.from_dict(held)
    one.attrs = dict(tree.attrs)
    plate = figures.core_page(one, name)
    clean(plate)
    assert "1 section of" in plate.caption
    first = plate.axes[0].get_yticklabels()[0].get_text()
    assert float(first) <= 10.0  # a short core has finer labels


def test_recovery_above_all_of_the_advance_is_drawn_in_full(tree: xr.DataTree) -> None:
    table = tree["cores"].to_dataset()
    over = table["core"].values[table["recovered"].values > table["advance"].values]
    name = str(over[0]) if over.size else names_of(tree)[0]
    longer = tree.copy()
    cores = table.copy(deep=True)
    row = int(np.flatnonzero(cores["core"].values == name)[0])
    if not over.size:
        cores["advance"].values[row] = 0.8 * float(cores["recovered"].values[row])
    longer["cores"] = xr.DataTree(cores)
    plate = figures.core_page(longer, name)
    clean(plate)
    leaf = longer["properties/density"].to_dataset()
    deepest = float(np.nanmax(leaf["depth"].values[leaf["core"].values == name]))
    assert plate.axes[0].get_ylim()[0] >= deepest
    share = 100 * cores["recovered"].values[row] / cores["advance"].values[row]
    assert share > 100 and f"({share:.0f} %)" in plate.caption


def test_readings_by_depth_alone_belong_to_the_core_at_that_depth() -> None:
    tree = reduced_tree(200)
    held = {}
    for leaf in tree.leaves:
        table = leaf.to_dataset(inherit=False)
        if leaf.path.startswith(("/properties", "/products")) and "core" in table.coords:
            blank = np.full(table["core"].shape, "", dtype=object)
            table = table.assign_coords(core=(table["core"].dims, blank))
        held[leaf.path] = table
    loose = xr.DataTree.from_dict(held)
    loose.attrs = dict(tree.attrs)
    name = str(loose["cores"]["core"].values[1])
    cores = loose["cores"].to_dataset().isel(row=1)
    table = figures.core_page(loose, name).table()
    scan = table[table["series"].str.startswith("scan")]
    assert len(scan)
    bottom = float(cores["top"] + max(float(cores["advance"]), float(cores["recovered"])))
    assert scan["y"].between(float(cores["top"]), bottom).all()


def test_what_cannot_be_drawn_is_refused_in_words(tree: xr.DataTree) -> None:
    name = names_of(tree)[0]
    with pytest.raises(ValueError, match="give a core of this hole"):
        figures.core_page(tree, "no such core")
    with pytest.raises(ValueError, match="tracks exist for"):
        figures.core_page(tree, name, quantities=("colour",))
    with pytest.raises(ValueError, match="readable tracks"):
        figures.core_page(
            tree, name, quantities=("bulk_density", "p_wave_velocity"), size=(70, 200)
        )
    chosen = figures.core_page(tree, name, quantities=("p_wave_velocity",))
    panels = [p for p in chosen.table()["panel"].unique() if "against" in p]
    assert [p.partition(" [")[0] for p in panels] == ["P-wave velocity"]


def test_pages_of_all_cores_are_written(tree: xr.DataTree, tmp_path: Path) -> None:
    names = names_of(tree)
    made = figures.core_pages(tree, tmp_path, cores=names[:2], kinds=("png", "txt"))
    assert [path.name for path in made] == [
        f"core_{name}.{kind}" for name in names[:2] for kind in ("png", "txt")
    ]
    assert (tmp_path / f"core_{names[0]}.txt").read_text(encoding="utf-8").startswith("Sections")
    again = tmp_path / "again"
    figures.core_pages(tree, again, cores=names[:1], kinds=("png",))
    file = f"core_{names[0]}.png"
    assert (again / file).read_bytes() == (tmp_path / file).read_bytes()
    with pytest.raises(NothingToDraw, match="table of cores"):
        figures.core_pages(without(tree, "cores"), tmp_path)


def test_names_of_cores_make_different_files(tmp_path: Path) -> None:
    tree = reduced_tree(60)
    held = {}
    for leaf in tree.leaves:
        table = leaf.to_dataset(inherit=False)
        if "core" in table.variables:
            renamed = np.array([{"01": "1/a", "02": "1/A"}.get(str(c), str(c))
                                for c in table["core"].values], dtype=object)  # fmt: skip
            table = table.assign({"core": (table["core"].dims, renamed)})
        held[leaf.path] = table
    odd = xr.DataTree.from_dict(held)
    odd.attrs = dict(tree.attrs)
    made = figures.core_pages(odd, tmp_path, cores=("1/a", "1/A"), kinds=("txt",))
    assert [path.name for path in made] == ["core_1_a.txt", "core_1_A_.txt"]
