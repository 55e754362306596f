"""What the viewer leaves in a notebook equals the library's own call."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import pytest
import xarray as xr

import corephys as cp
from corephys.figures import viewer as pages
from corephys.notebook.panels import PanelError

ROWS = (
    ("1", "2", 20.0, 41.5, 'slumped, "soft"', "", "A. N."),
    ("19", "1", 0.0, 3.0, "cracked", "gamma", ""),
)


@pytest.fixture(scope="module")
def reduced(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


@pytest.fixture
def shown(reduced: xr.DataTree) -> Any:
    return cp.viewer(reduced, pictures=False)


def marked(target: Any, call: str) -> Any:
    for core, section, from_, to, reason, sensor, who in ROWS:
        ends = (cp.quantity(from_, "cm"), cp.quantity(to, "cm"))
        getattr(target, call)(core, section, *ends, reason, sensor=sensor, who=who)
    return target


def test_marked_rows_equal_those_of_the_panel(
    shown: Any, reduced: xr.DataTree, tmp_path: Path
) -> None:
    panel = marked(cp.panels.exclusions(reduced), "set")
    marked(shown, "exclude")
    assert shown.exclusions.to_csv(index=False) == panel.table.to_csv(index=False)
    for name, one in (("viewer", shown.save), ("panel", panel.write)):
        (tmp_path / name).mkdir()
        one(tmp_path / name)
    left = [(tmp_path / name / "exclusions.csv").read_bytes() for name in ("viewer", "panel")]
    assert left[0] == left[1] and b"slumped" in left[0]


def test_rows_of_the_browser_come_back(shown: Any, tmp_path: Path) -> None:
    pytest.importorskip("anywidget")
    widget = shown.widget
    # What a browser sends: whole numbers have no decimals there.
    widget.rows = [
        {
            "core": "1",
            "section": "2",
            "from": 20,
            "to": 41.5,
            "reason": "slumped",
            "sensor": "",
            "who": "",
        },
    ]
    assert shown.exclusions["from [cm]"].tolist() == [20.0]
    shown.exclude("1", "3", "1 cm", "2 cm", "cracked")
    assert [row["section"] for row in widget.rows] == ["2", "3"]
    shown.remove(0)
    assert [row["section"] for row in widget.rows] == ["3"]
    shown.save(tmp_path)
    assert (tmp_path / "exclusions.csv").read_text().count("\n") == 2


def test_saved_rows_exclude_readings(demo_hole: Path, tmp_path: Path, reduced: xr.DataTree) -> None:
    import shutil

    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    cp.viewer(reduced, pictures=False).exclude("1", "2", "20 cm", "41.5 cm", "slumped").save(folder)
    again = cp.reduce(cp.read_hole(folder))["properties/density"]
    here = (again["core"] == "1") & (again["section"] == "2")
    here &= (again["offset"] >= 20.0) & (again["offset"] <= 41.5)
    excluded = (again["bulk_density_reason"] & cp.flags.bit("excluded_by_user")) != 0
    assert bool((excluded == here).all()) and int(here.sum()) > 5


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (("1", "2", "20 cm", "10 cm", "x"), "its end has to lie below its start"),
        (("1", "2", "20 cm", "900 cm", "x"), "has to end within the section"),
        (("1", "2", "20 cm", "30 cm", " "), "reason is empty"),
        (("77", "2", "20 cm", "30 cm", "x"), "has no reading of a scan"),
    ],
)
def test_a_row_that_does_not_fit_is_refused(shown: Any, wrong: Any, words: str) -> None:
    with pytest.raises(PanelError, match=words):
        shown.exclude(*wrong)
    assert shown.exclusions.empty


def test_a_bare_number_is_refused(shown: Any) -> None:
    with pytest.raises(cp.UnitError, match="cm"):
        shown.exclude("1", "2", 20.0, 30.0, "x")


def test_a_row_of_the_browser_that_does_not_fit_leaves_the_file(shown: Any, tmp_path: Path) -> None:
    pytest.importorskip("anywidget")
    row = {
        "core": "1",
        "section": "2",
        "from": 20,
        "to": 41.5,
        "reason": "slumped",
        "sensor": "",
        "who": "",
    }
    shown.widget.rows = [row, {**row, "to": 1e4}]
    with pytest.raises(PanelError, match="has to end within the section"):
        shown.save(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_nothing_marked_is_not_saved(shown: Any, tmp_path: Path) -> None:
    with pytest.raises(PanelError, match="there is no interval to add to"):
        shown.save(tmp_path)
    with pytest.raises(PanelError, match="there is no row 0"):
        shown.remove(0)


def test_show_sends_depths_to_the_browser(shown: Any) -> None:
    pytest.importorskip("anywidget")
    assert shown.show(core="3").widget.wanted == [18.0, 27.0]
    assert shown.show(depth=("12 m", "1350 cm")).widget.wanted == [12.0, 13.5]
    for wrong, words in (
        ({"core": "77"}, "there is no core '77'"),
        ({"core": "3", "depth": ("1 m", "2 m")}, "give one of them"),
        ({"depth": ("2 m", "1 m")}, "has to lie below its start"),
    ):
        with pytest.raises(PanelError, match=words):
            shown.show(**wrong)


def test_the_page_is_written_whole(shown: Any, reduced: xr.DataTree, tmp_path: Path) -> None:
    text = shown.write(tmp_path / "viewer.html").read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>") and text.endswith("</html>\n")
    assert pages.page_fragment(reduced, pictures=False) in text


def test_without_the_widget_a_notebook_shows_the_page(
    shown: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = builtins.__import__

    def refuse(name: str, *rest: Any, **more: Any) -> Any:
        if name == "anywidget":
            raise ImportError(name)
        return given(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(PanelError, match=r"corephys\[notebook\]"):
        _ = shown.widget
    bundle = shown._repr_mimebundle_()
    assert bundle["text/html"].startswith("<iframe srcdoc=")
    assert bundle["text/plain"] == repr(shown)


def test_the_import_of_the_package_loads_no_widget() -> None:
    import subprocess
    import sys

    names = "'anywidget', 'ipywidgets', 'matplotlib'"
    code = f"import sys, corephys; print([m for m in ({names}) if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
