"""The report runs a notebook on a hole and writes one page that needs no other files."""

from __future__ import annotations

import builtins
import html
import re
from pathlib import Path
from typing import Any

import nbformat
import pytest

import corephys as cp
from corephys import report
from corephys.ground.cards import picture_html, table_html
from tests.archive_holes import small_hole

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

READS = "import os, pathlib; out = pathlib.Path(os.environ['COREPHYS_OUT'])"


def notebook(folder: Path, *cells: str) -> Path:
    page = nbformat.v4.new_notebook()
    page.cells = [nbformat.v4.new_code_cell(cell) for cell in cells]
    page.metadata["title"] = "A small page"
    path = folder / "page.ipynb"
    nbformat.write(page, path)
    return path


def test_the_notebook_runs_on_the_hole(tmp_path: Path) -> None:
    hole = tmp_path / "hole with a space"
    hole.mkdir()
    changes = tmp_path / "changes.toml"
    changes.touch()
    page = notebook(
        tmp_path,
        READS,
        "import corephys.report; (out / 'seen.txt').write_text(os.environ['COREPHYS_HOLE'])",
        "print('changes:', pathlib.Path(os.environ['COREPHYS_RECIPE']).name)",
        "from IPython.display import Image\n"
        "from corephys.figures.plate import Plate\n"
        "Image(data=Plate(20.0, 20.0).picture())",
        "from IPython.display import HTML\nHTML('<b id=\"mark\">x² &lt; 1</b>')",
    )
    before = page.read_bytes()
    made = report.write_report(hole, tmp_path / "out" / "deep", recipe=changes, notebook=page)
    assert made == (tmp_path / "out" / "deep").resolve() / "report.html"
    assert (made.parent / "seen.txt").read_text() == str(hole.resolve())
    text = made.read_text(encoding="utf-8")
    assert "changes: changes.toml" in text
    assert '<b id="mark">x² &lt; 1</b>' in text
    assert "data:image/png;base64," in text
    assert "<title>A small page</title>" in text
    assert page.read_bytes() == before
    # Nothing is fetched: no script, style or picture from elsewhere.
    assert not re.findall(r"<(?:script|link|img)[^>]+(?:src|href)=[\"'](?!data:|#)[^\"']+", text)
    assert not re.findall(r"@import|url\([\"']?https?:", text)


def test_cells_without_data_leave_a_line_of_text(tmp_path: Path, monkeypatch) -> None:
    page = notebook(
        tmp_path,
        "import corephys as cp, xarray as xr\ntree = xr.DataTree()\nprint('before')",
        "calibration = cp.figures.gamma_calibration(tree)",
        "tree['products/heat_flow']",
        "calibration",
        "print('behind')",
    )
    monkeypatch.setattr(report.hole, "_main_notebook", lambda: page)
    text = html.unescape(report.write_report(tmp_path, tmp_path / "out").read_text("utf-8"))
    assert "before" in text and "behind" in text and "Traceback (most" not in text
    assert text.count("Not shown, since the hole lacks the data of this cell") == 3
    assert "the figure gamma_calibration needs /properties/gamma_calibration" in text
    # Anything else is a fault of the notebook, and a notebook of one's own lacks nothing unseen.
    for cell, own in (("1 / 0", None), ("tree['products/heat_flow']", page)):
        broken = notebook(tmp_path, "import xarray as xr\ntree = xr.DataTree()", cell)
        with pytest.raises(report.ReportError, match=r"a cell of page\.ipynb failed"):
            report.write_report(tmp_path, tmp_path / "out", notebook=own and broken)


def test_a_failed_cell_is_reported_and_the_old_page_stays(tmp_path: Path) -> None:
    page = notebook(tmp_path, "raise ValueError('no gamma standards')")
    (tmp_path / "report.html").write_text("old")
    with pytest.raises(report.ReportError, match="ValueError: no gamma standards"):
        report.write_report(tmp_path, tmp_path, notebook=page)
    assert (tmp_path / "report.html").read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["page.ipynb", "report.html"]


def test_missing_notebook_and_missing_tools_are_reported_with_the_cure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(report.ReportError, match="there is no notebook"):
        report.write_report(tmp_path, tmp_path, notebook=tmp_path / "none.ipynb")
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("nbconvert"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(report.ReportError, match=r"needs nbconvert.*pip install nbclient"):
        report.write_report(tmp_path, tmp_path, notebook=notebook(tmp_path, "1"))


def test_tables_hold_only_text() -> None:
    text = table_html([("<script>", 1.5), ("a & 'b'", '"c"')], header=["<i>", "x"])
    assert "<script>" not in text and "<i>" not in text
    assert "&lt;script&gt;" in text and "a &amp; &#x27;b&#x27;" in text
    assert text.count("<tr>") == 3 and text.count("<td>") == 4 and text.count("<th>") == 2


def test_pictures_stand_in_the_page() -> None:
    png = b"\x89PNG\r\n\x1a\n123"
    assert picture_html(png, 'a "figure"') == (
        '<img src="data:image/png;base64,iVBORw0KGgoxMjM=" alt="a &quot;figure&quot;">'
    )
    with pytest.raises(ValueError, match="is no PNG picture; give the bytes"):
        picture_html(b"GIF89a", "x")


def test_a_report_of_another_hole_leaves_out_the_demo_cells(tmp_path: Path) -> None:
    """The main notebook on a hole with one scan, by a recipe from a file."""
    hole = small_hole(tmp_path / "hole", 5)
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('[quality]\nuse = "good"\n')
    made = report.write_report(hole, tmp_path / "out", recipe=recipe)
    text = html.unescape(made.read_text(encoding="utf-8"))
    assert "demo hole" not in text and "0 intervals with 0 readings" in text
    assert "the hole lacks the data of this cell: there is no products/impedance" in text
    assert "n, bulk density: scan 120" in text  # the caption of the summary
    assert "TCP" not in text
    reduced = cp.load(tmp_path / "out" / "reduced.nc")
    assert cp.Recipe.from_json(reduced.attrs["recipe"])["quality"]["use"] == "good"
    assert {"about.txt", "property_summary.csv", "uncertainty_budget.csv"} <= {
        path.name for path in (tmp_path / "out" / "tables").iterdir()
    }


def test_cells_about_the_demo_hole_stay_with_an_invented_hole(tmp_path: Path) -> None:
    page = notebook(tmp_path, "print('of any hole')", "print('of the demo hole')")
    document = nbformat.read(page, as_version=4)
    document.cells[1].metadata["tags"] = ["demo"]
    nbformat.write(document, page)
    hole = tmp_path / "hole"
    hole.mkdir()
    plain = report.write_report(hole, tmp_path / "one", notebook=page).read_text("utf-8")
    (hole / "truth").mkdir()
    invented = report.write_report(hole, tmp_path / "two", notebook=page).read_text("utf-8")
    assert "of any hole" in plain and "of the demo hole" not in plain
    assert "of any hole" in invented and "of the demo hole" in invented


def test_a_picture_stands_above_its_caption(tmp_path: Path) -> None:
    page = notebook(
        tmp_path,
        "from corephys.figures.plate import Plate\n"
        "plate = Plate(20.0, 20.0)\nplate.caption = 'φ < 1 & so on'\nplate",
    )
    hole = tmp_path / "hole"
    hole.mkdir()
    text = report.write_report(hole, tmp_path / "out", notebook=page).read_text("utf-8")
    # In the cell, below the picture, and in its place for those who do not see it.
    assert text.count("φ &lt; 1 &amp; so on") == 3
    assert text.count('src="data:image/png;base64,') == 1
