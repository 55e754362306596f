"""The page of a hole: made of its reduced tree, one file, in a fixed order, safe and honest."""

from __future__ import annotations

import io
import itertools
import json
import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import xarray as xr
from PIL import Image

import corephys as cp
from corephys import cli, report
from corephys.figures import FIGURES, NothingToDraw
from corephys.figures.plate import Plate
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from corephys.report import hole as hole_page
from corephys.report import page
from corephys.report.numbers import _in_print, key_numbers
from data_demo.simulator.hole import simulate_tables
from tests.archive_holes import small_hole

# --------------------------------------------------------------------------------------------------
# A page as its reader meets it: headings, addresses, pictures and rows.


class Read(HTMLParser):
    """What a test asks of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.headings: list[tuple[int, str]] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.alternatives: list[str | None] = []
        self.tags: list[str] = []
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        self.tags.append(tag)
        if "id" in held:
            self.ids.append(str(held["id"]))
        if tag == "a":
            self.links.append(str(held["href"]))
        if tag in ("script", "link", "img", "iframe", "object", "source"):
            self.fetched += [str(held[key]) for key in ("src", "href", "srcset") if key in held]
        if tag == "img":
            self.alternatives.append(held.get("alt"))
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in ("meta", "img", "link", "br", "input"):
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] in ("style", "script"):
            return
        self.words.append(data)
        if self._open and re.fullmatch("h[1-6]", self._open[-1]):
            level, text = self.headings[-1]
            self.headings[-1] = level, text + data
        if any(tag in ("td", "th") for tag in self._open):
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def row(self, label: str) -> list[str]:
        """The row of a table that begins with these words."""
        found = [row for row in self.rows if row and row[0] == label]
        assert found, f"no row {label}"
        return found[0]


CHANGES = {"quality": {"evaluate": True}, "hole": {"water_depth": "2500 m"}}


@pytest.fixture(scope="module")
def reduced() -> xr.DataTree:
    tables, settings, _ = simulate_tables(3001, small=True)
    settings = {**settings, "hole": {**settings["hole"], "latitude": -38.5, "longitude": 209.75}}
    return cp.reduce(cp.hole_from_tables(tables, settings), CHANGES)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two figures as write_figures leaves them."""
    folder = tmp_path_factory.mktemp("pictures")
    for name in ("scan", "heat_flow"):
        plate = Plate(40.0, 20.0)
        plate.add_subplot().plot([0, 1], [1, 0])
        (folder / f"{name}.png").write_bytes(plate.picture())
        (folder / f"{name}.txt").write_text(f"What {name} shows < & >. More of it.\n")
    return folder


@pytest.fixture(scope="module")
def made(reduced: xr.DataTree, pictures: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return report.write_report(reduced, tmp_path_factory.mktemp("out") / "new", pictures=pictures)


@pytest.fixture(scope="module")
def read(made: Path) -> Read:
    return Read(made.read_text(encoding="utf-8"))


def test_the_page_is_one_file_that_fetches_nothing(made: Path, read: Read) -> None:
    assert made.name == "report.html"
    assert [path.name for path in made.parent.iterdir()] == ["report.html"]
    assert read.fetched and all(one.startswith("data:image/png;base64,") for one in read.fetched)
    assert not re.findall(r"@import|url\(|https?://", made.read_text(encoding="utf-8"))


def test_sections_stand_in_their_order_and_contents_lead_to_them(read: Read) -> None:
    sections = [words for level, words in read.headings if level == 2]
    assert sections == [
        "Results", "What to beware of", "Readings along the hole", "Figures", "Tables", "Recipe",
        "Provenance", "Safety",
    ]  # fmt: skip
    levels = [level for level, _ in read.headings]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels)), "a level is skipped"
    assert len(read.ids) == len(set(read.ids))
    inside = {link[1:] for link in read.links if link.startswith("#")}
    assert inside and inside <= set(read.ids)
    assert {f"results-{i}" for i in (1, 2, 3)} <= inside


def test_a_skipped_level_of_headings_would_be_seen() -> None:
    levels = [level for level, _ in Read("<h1>a</h1><h3>b</h3>").headings]
    assert not all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_the_head_has_position_dates_versions_and_digests(reduced: xr.DataTree, read: Read) -> None:
    text = read.text
    assert read.headings[0][1] == reduced.attrs["title"]
    for words in (
        "Position 38.5° S, 150.25° W",
        f"corephys {reduced.attrs['corephys_version']}, file format",
        "Depth datum not given",
    ):
        assert words in text, words
    first = np.datetime_as_string(reduced["scan/gamma"]["time"].values.min(), unit="m")
    assert f"Scanned {first.replace('T', ' ')} to" in text


def test_results_stand_with_both_uncertainties_and_a_verdict(
    reduced: xr.DataTree, read: Read
) -> None:
    flow = reduced["products/heat_flow"].to_dataset()
    row = read.row("heat flow")
    for cell, name in zip(row[1:4], ("", "_u_random", "_u_systematic"), strict=True):
        number = re.sub(r"[^0-9.]", "", cell.partition(" mW")[0])
        half = 0.5 * 10.0 ** -len(number.partition(".")[2])  # of the last printed digit
        assert float(number) == pytest.approx(float(flow[f"heat_flow{name}"]), abs=half)
    assert row[1].endswith("mW/m²")
    assert "without the uncertainty of depths and depth datum" in row[6]
    stress = reduced["products/stress_profile"].to_dataset()
    base = float(stress["depth"].max())
    words = f"vertical effective stress under hydrostatic pressure at {base:.1f} m"
    at_base = stress["vertical_effective_stress"].values[np.argmax(stress["depth"].values)]
    assert float(read.row(words)[1].removesuffix(" kPa")) == pytest.approx(at_base, rel=0.01)


def test_readings_that_are_not_usable_are_in_no_result(reduced: xr.DataTree, read: Read) -> None:
    density = reduced["properties/density"].to_dataset()
    flag = density["bulk_density_flag"].values
    good = np.isin(flag, (1, 2)) & np.isfinite(density["bulk_density"].values)
    assert 0 < good.sum() < good.size
    row = read.row("bulk density")
    assert row[5] == f"{good.sum():,} of {good.size:,}"
    low, high = (float(cell) for cell in row[4].split(" to "))
    held = density["bulk_density"].values[good]
    assert low == pytest.approx(held.min(), rel=1e-3)
    assert high == pytest.approx(held.max(), rel=1e-3)
    middle = float(row[1].removeprefix("median ").partition(" ")[0])
    assert middle == pytest.approx(np.median(held), abs=0.01)


def test_lines_of_caution_stand_at_the_top_and_beside_what_they_concern(made: Path) -> None:
    text = made.read_text(encoding="utf-8").replace("&#39;", "'")
    head = text.partition('<section aria-labelledby="results"')[0]
    assert RESEARCH_ONLY in head and SEALED_SOURCE in head
    scan = text.partition(">Scan of the cores</h3>")[2].partition("<h3")[0]
    assert SEALED_SOURCE in scan
    stress = text.partition(">Stress and strength</h3>")[2].partition("<h3")[0]
    assert RESEARCH_ONLY in stress
    for title, line in (
        ("Undrained shear strength", RESEARCH_ONLY),
        ("Calibration", SEALED_SOURCE),
    ):
        table = text.partition(f"<summary>{title}")[2].partition("</details>")[0]
        assert line in table, title


def test_each_picture_has_its_caption_and_other_words(read: Read, made: Path) -> None:
    assert len(read.alternatives) == 2
    assert read.alternatives[0] == (
        "Figure: What scan shows < & >. The caption below describes it."
    )
    assert "What scan shows < & >. More of it." in read.text
    assert "shows < & >" not in made.read_text(encoding="utf-8")
    assert {"figure-scan", "figure-heat_flow"} <= set(read.ids)


def test_tables_fold_and_hold_every_quantity(reduced: xr.DataTree, read: Read) -> None:
    summary = json.loads(reduced.attrs["summary"])
    for entry in summary["quantities"]:
        counts = [f"{entry[key]:,}" for key in ("readings", "kept", "flagged", "missing")]
        name = entry["name"].replace("_", " ")
        place = entry["path"].split("/", 1)[1].replace("_", " ")
        rows = [row for row in read.rows if row[:2] == [name, place]]
        assert rows and rows[0][2:6] == counts
    for stage, why in summary["skipped"].items():
        assert read.row(stage)[1] == why
    assert read.tags.count("details") == read.tags.count("summary") > 10


def test_the_recipe_lists_who_set_a_choice(reduced: xr.DataTree, read: Read) -> None:
    assert read.row("hole.water_depth")[2] == "call"
    assert read.row("gamma.dead_time")[2] == "hole.toml"
    every = json.loads(reduced.attrs["recipe"])
    shown = {row[0] for row in read.rows if len(row) == 2}
    assert {key for keys in every.values() for key in keys} <= shown


def test_a_recipe_of_another_release_is_shown_without_differences(
    reduced: xr.DataTree, pictures: Path, tmp_path: Path
) -> None:
    tree = reduced.copy()
    held = {**json.loads(tree.attrs["recipe"]), "sonar": {"gain": 3}}
    tree.attrs["recipe"] = json.dumps(held)
    text = Read(report.write_report(tree, tmp_path, pictures=pictures).read_text("utf-8")).text
    assert "Its differences from the defaults are not listed" in text
    assert "no stage [sonar]" in text and "[sonar]" in text


def test_provenance_holds_digests_in_full_and_the_steps(reduced: xr.DataTree, read: Read) -> None:
    files = json.loads(reduced.attrs["input_sha256"])
    for name, digest in files.items():
        assert read.row(name)[1] == digest
    steps = json.loads(reduced["products/heat_flow"].attrs["steps"])
    assert all(step in read.text for step in steps)


def test_the_same_tree_gives_the_same_bytes(
    reduced: xr.DataTree, made: Path, pictures: Path, tmp_path: Path
) -> None:
    again = report.write_report(reduced, tmp_path, pictures=pictures)
    assert again.read_bytes() == made.read_bytes()


def test_a_stage_that_failed_stands_first_among_the_doubts(
    reduced: xr.DataTree, pictures: Path, tmp_path: Path
) -> None:
    tree = reduced.copy()
    summary = json.loads(tree.attrs["summary"])
    summary["failed"] = {"heat flow": "no two temperatures differ"}
    tree.attrs["summary"] = json.dumps(summary)
    read = Read(report.write_report(tree, tmp_path, pictures=pictures).read_text("utf-8"))
    names = [words for _, words in read.headings]
    assert names[names.index("What to beware of") + 1] == "Stages that failed"
    assert "the stage heat flow failed: no two temperatures differ" in read.text


# --------------------------------------------------------------------------------------------------
# Holes with little in them, and with odd names.


def test_a_hole_with_one_scan_and_names_of_markup(tmp_path: Path) -> None:
    folder = small_hole(tmp_path / "hole", 5)
    for name in ("cores.csv", "sections.csv", "scan/gamma.csv"):
        text = (folder / name).read_text()
        (folder / name).write_text(re.sub(r"^1,", "<script>alert(1)</script>,", text, flags=re.M))
    toml = (folder / "hole.toml").read_text()
    (folder / "hole.toml").write_text(toml.replace("Invented hole", "<b>Hole</b> & {{ 7 * 6 }}"))
    made = report.write_report(cp.reduce(cp.read_hole(folder)), tmp_path, pictures=tmp_path)
    read = Read(made.read_text(encoding="utf-8"))
    assert read.headings[0][1] == "<b>Hole</b> & {{ 7 * 6 }}"
    # Those of the page and of the viewer: none comes from the names.
    assert read.tags.count("script") == 3
    assert read.row("<script>alert(1)</script>")
    headings = [words for _, words in read.headings]
    assert "Scan of the cores" in headings
    assert not {"Heat", "Figures"} & set(headings)
    # The hole states no uncertainty of its diameters: unknown is not zero.
    assert read.row("bulk density")[3] == "not known"


@pytest.mark.parametrize("seed", range(6))
def test_any_part_of_a_hole_has_its_page(seed: int, tmp_path: Path) -> None:
    tables, settings, _ = simulate_tables(3001, small=True)
    rng = np.random.default_rng(seed)
    others = sorted(set(tables) - {"cores", "sections"})
    kept = {"cores", "sections", *rng.choice(others, size=int(rng.integers(0, 6)), replace=False)}
    settings = settings if seed % 2 else {"hole": {"name": "Half a hole"}}
    tree = cp.reduce(cp.hole_from_tables({n: t for n, t in tables.items() if n in kept}, settings))
    read = Read(report.write_report(tree, tmp_path, pictures=tmp_path).read_text("utf-8"))
    assert {link[1:] for link in read.links} <= set(read.ids)
    assert "nan" not in [cell.lower() for row in read.rows for cell in row]
    for entry in json.loads(tree.attrs["summary"])["quantities"]:
        assert read.row(entry["name"].replace("_", " "))


def test_a_hole_that_is_not_reduced_and_a_site_are_refused(tmp_path: Path) -> None:
    folder = small_hole(tmp_path / "hole", 5)
    with pytest.raises(ValueError, match=r"is not reduced; give the result of cp\.reduce"):
        report.write_report(cp.read_hole(folder), tmp_path / "out")
    site = xr.DataTree(xr.Dataset(attrs={"holes": '["A"]'}))
    with pytest.raises(ValueError, match="A"):
        report.write_report(site, tmp_path / "out")
    assert not (tmp_path / "out").exists()


# --------------------------------------------------------------------------------------------------
# Pictures and the viewer.


def test_figures_are_drawn_once_without_a_folder(
    reduced: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def draw(tree: xr.DataTree) -> Plate:
        plate = Plate(30.0, 20.0)
        plate.add_subplot()
        plate.caption = "Drawn here."
        return plate

    def nothing(tree: xr.DataTree) -> Plate:
        raise NothingToDraw("no data")

    for name in list(FIGURES):
        monkeypatch.setitem(FIGURES, name, draw if name == "station" else nothing)
    read = Read(report.write_report(reduced, tmp_path).read_text(encoding="utf-8"))
    assert read.alternatives == ["Figure: Drawn here. The caption below describes it."]
    # A picture in three sizes would be three times the page.
    assert len(read.fetched) == 1


def test_every_figure_has_its_subject() -> None:
    held = [name for names in hole_page.SUBJECTS.values() for name in names]
    assert sorted(held) == sorted(FIGURES)


def test_the_viewer_stands_behind_the_doubts(
    reduced: xr.DataTree, pictures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stub = ModuleType("corephys.figures.viewer")
    stub.page_fragment = lambda tree: f'<div id="tracks">{len(list(tree.leaves))}</div>'  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "corephys.figures.viewer", stub)
    read = Read(report.write_report(reduced, tmp_path, pictures=pictures).read_text("utf-8"))
    sections = [words for level, words in read.headings if level == 2]
    assert sections[:4] == ["Results", "What to beware of", "Readings along the hole", "Figures"]
    assert "tracks" in read.ids and "#viewer" in read.links

    def nothing(tree: xr.DataTree) -> str:
        raise NothingToDraw("no series")

    stub.page_fragment = nothing  # type: ignore[attr-defined]
    read = Read(report.write_report(reduced, tmp_path, pictures=pictures).read_text("utf-8"))
    assert "#viewer" not in read.links


def test_a_picture_for_the_screen_is_smaller_and_keeps_its_white() -> None:
    plate = Plate(80.0, 60.0)
    axes = plate.add_subplot()
    axes.scatter(np.linspace(0, 1, 400), np.random.default_rng(1).normal(size=400), s=4)
    whole = plate.picture()
    small = page.for_the_screen(whole)
    assert len(small) < 0.6 * len(whole)
    before, after = (
        np.asarray(Image.open(io.BytesIO(one)).convert("RGB")).astype(int) for one in (whole, small)
    )
    white = (before == 255).all(axis=2)
    assert white.mean() > 0.5 and (after[white] == 255).all()
    assert np.abs(after - before).max() < 48


def test_the_command_writes_the_page_and_no_bar_into_a_pipe(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in list(FIGURES):
        if name not in ("audit", "gamma_calibration"):
            monkeypatch.delitem(FIGURES, name)
    folder = small_hole(tmp_path / "hole", 5)
    out = tmp_path / "out"
    assert cli.main(["report", str(folder), "--out", str(out)]) == 0
    said = capfd.readouterr()
    assert said.err == "" and str(out / "report.html") in said.out
    read = Read((out / "report.html").read_text(encoding="utf-8"))
    assert len(read.alternatives) == 2
    assert (out / "reduced.nc").is_file() and (out / "tables" / "density.csv").is_file()


# --------------------------------------------------------------------------------------------------
# Numbers in print.


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ((50.661, 0.324, 1.946, "mW/m^2"), ("50.7 mW/m²", "± 0.3", "± 1.9")),
        ((958.7, 301.2, 0.3, "m"), ("960 m", "± 300", "± 0.3")),
        ((2.7, float("nan"), float("nan"), "g/cm^3"), ("2.7 g/cm³", "not known", "not known")),
        ((2.71, 0.02, float("nan"), "g/cm^3"), ("2.710 g/cm³", "± 0.020", "not known")),
        ((2.7, 0.0, 0.0, "g/cm^3"), ("2.7 g/cm³", "0", "0")),
        ((64.8, 8.6, 0.0, "m/Myr"), ("64.8 m/Myr", "± 8.6", "0")),
        ((0.3322, 4e-6, 0.0017, "s"), ("0.3322 s", "± 4 × 10⁻⁶", "± 0.0017")),
        ((1.169e-4, 2.6e-6, 2.8e-6, "1"), ("1.169 × 10⁻⁴", "± 0.026 × 10⁻⁴", "± 0.028 × 10⁻⁴")),
        ((0.41, 0.026, 0.004, "uW/m^3"), ("0.410 µW/m³", "± 0.026", "± 0.004")),
        ((float("nan"), 1.0, 1.0, "m"), ("no number", "", "")),
    ],
)
def test_value_and_uncertainties_have_the_same_digit(given, expected) -> None:
    found = tuple(text.replace("\u202f", " ") for text in _in_print(*given))
    assert found == expected


def test_a_flagged_fit_is_called_so(reduced: xr.DataTree) -> None:
    tree = reduced.copy()
    fit = tree["products/compaction"].to_dataset()
    fit["decay_length_flag"] = xr.zeros_like(fit["decay_length_flag"]) + 3
    tree["products/compaction"].dataset = fit
    rows = [row for group in key_numbers(tree) for row in group.rows]
    found = {(row.path, row.label): row for row in rows}[
        ("products/compaction", "e-folding depth of the fit")
    ]
    assert found.verdict.startswith("suspect") and not found.sound


def test_an_uncertainty_that_is_not_known_is_no_good_verdict(reduced: xr.DataTree) -> None:
    tree = reduced.copy()
    flow = tree["products/heat_flow"].to_dataset()
    flow = flow.drop_attrs(deep=False).drop_vars("heat_flow_u_systematic")
    assert int(flow["heat_flow_flag"]) == 1
    tree["products/heat_flow"].dataset = flow
    row = next(r for g in key_numbers(tree) for r in g.rows if r.label == "heat flow")
    assert row.systematic == "not known" and not row.sound
    assert row.verdict == "good; part of the uncertainty is not known"


@pytest.mark.slow
def test_the_page_of_the_demo_hole_is_small_and_quick(project_root: Path, tmp_path: Path) -> None:
    import time

    tree = cp.reduce(cp.read_hole(project_root / "data_demo/hole"))
    begin = time.process_time()
    report.write_report(tree, tmp_path, pictures=tmp_path)
    # Two seconds of one core from the tree, pictures aside.
    assert time.process_time() - begin < 2.0
    made = report.write_report(tree, tmp_path)
    assert made.stat().st_size < 7e6
    read = Read(made.read_text(encoding="utf-8"))
    assert len(read.alternatives) >= 27 and all(read.alternatives)
