"""The command line on the folder of a site: files of each hole, the page, the exit status."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import pytest

import corephys as cp
from corephys import cli, report
from tests.archive_holes import write
from tests.site_folders import small_site


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small_site(tmp_path / "site")


def test_a_site_is_reduced_hole_by_hole_with_the_numbers_of_memory(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert cli.main(["reduce", str(folder), "--out", str(out), "--no-figures"]) == 0
    expected = cp.reduce(cp.read_site(folder))
    for name in ("A", "B"):
        found = cp.load(out / name / "reduced.nc")
        for path in ("properties/density", "products/porosity", "scan/gamma"):
            assert found[path].to_dataset().identical(expected[f"{name}/{path}"].to_dataset())
        assert found.attrs["settings_of_site"] == expected[name].attrs["settings_of_site"]
        assert "depth_composite [m]" in (out / name / "tables/density.csv").read_text()
        assert (out / name / "report_tables/cores.csv").is_file()
    site = cp.load(out / "site.nc")
    assert site["site/summary"].to_dataset().identical(expected["site/summary"].to_dataset())
    assert site.attrs["summary"] == expected.attrs["summary"]
    assert "scan" not in site["A"].children  # raw readings stay in the files of the holes
    assert {p.name for p in (out / "tables").glob("*.csv")} >= {"summary.csv", "core_shifts.csv"}
    assert not (out / "report.html").exists()
    printed = capsys.readouterr().out
    assert "Invented A" in printed
    assert "usable bulk density [%]" in printed


def test_the_page_of_a_site_stands_alone_and_names_what_failed(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (folder / "B/hole.toml").read_text()
    write(folder / "B/hole.toml", text.replace("[gamma]", "[gamma]\ndeadtime_x = 1"))
    out = tmp_path / "out"
    write(out / "B/reduced.nc", "of an earlier run")
    assert cli.main(["reduce", str(folder), "--out", str(out), "--no-report"]) == cli.STAGES_FAILED
    assert "hole B was not reduced: the recipe has 1 problem" in capsys.readouterr().err
    assert not (out / "B/reduced.nc").exists()
    page = html.unescape((out / "report.html").read_text(encoding="utf-8"))
    page = page.replace(' scope="col"', "").replace(' class="n"', "")
    for words in (
        "<title>Invented Bank</title>",
        "Hole B was not reduced: the recipe has 1 problem",
        "<th>hole</th><th>A</th><th>B</th>",
        "Control charts of the standards",
        "Calibrations of Invented Bank",
        "Shifts of the cores",
        "not for well control",
        "the state of a sealed source",
        "gamma.dead_time",
        "standards/gamma.csv",
    ):
        assert words in page, words
    assert 'href="A/reduced.nc"' in page
    assert 'href="B/reduced.nc"' not in page
    for link in re.findall(r'href="([^"#]+)"', page):
        assert (out / link).exists(), link
    # Nothing is fetched: every picture is inside the page.
    assert not re.findall(r"<(?:script|link|img)[^>]+(?:src|href)=[\"'](?!data:|#)[^\"']+", page)


def test_exit_status_and_messages_of_a_site(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "B/sections.csv"
    path.write_text(path.read_text().replace("length [m]", "length"))
    command = ["reduce", str(folder), "--out", str(tmp_path / "out"), "--no-figures"]
    assert cli.main(command) == 1
    assert "B/sections.csv:1" in capsys.readouterr().err
    assert cli.main([*command, "--skip-unreadable"]) == cli.STAGES_FAILED
    assert "hole B was not read: B/sections.csv:1" in capsys.readouterr().err
    assert {p.name for p in (tmp_path / "out").iterdir() if p.is_dir()} == {"A", "tables"}
    site = cp.load(tmp_path / "out/site.nc")
    assert site["site/summary"]["status"].values.tolist() == ["reduced", "not read"]
    write(tmp_path / "bad.toml", "[gamme]\n")
    assert cli.main([*command, "--skip-unreadable", "--recipe", str(tmp_path / "bad.toml")]) == 1
    assert "no stage [gamme]" in capsys.readouterr().err
    write(folder / "ties.csv", "hole,core\nA,1\n")
    assert cli.main([*command, "--skip-unreadable"]) == 1
    assert "the ties have no column" in capsys.readouterr().err


@pytest.mark.slow
def test_each_hole_has_its_report_with_the_standards_of_the_site(
    folder: Path, tmp_path: Path
) -> None:
    write(folder / "recipe.toml", '[gamma]\ndead_time = "1 us"\n')
    out = tmp_path / "out"
    site = report.write_site(folder, out, recipe={"quality": {"evaluate": False}})
    expected = cp.reduce(cp.read_site(folder), {"quality": {"evaluate": False}})
    for name in ("A", "B"):
        page = (out / name / "report.html").read_text(encoding="utf-8")
        assert f"Invented {name}" in page
        found = cp.load(out / name / "reduced.nc")
        density = expected[f"{name}/properties/density"].to_dataset()
        assert found["properties/density"].to_dataset().identical(density)
        assert json.loads(found.attrs["recipe"])["gamma"]["dead_time"] == "1 us"
    assert 'href="A/report.html"' in (out / "report.html").read_text(encoding="utf-8")
    assert json.loads(site.attrs["recipe"])["quality"]["evaluate"] is False
