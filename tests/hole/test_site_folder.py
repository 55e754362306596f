"""The folder of a site as one tree: shared settings and standards, ties, ages and faults."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import corephys as cp
from tests.archive_holes import write
from tests.site_folders import small_site


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small_site(tmp_path / "site")


def problems(error: pytest.ExceptionInfo[cp.HoleError]) -> list[str]:
    return [str(problem) for problem in error.value.problems]


def test_every_hole_is_that_of_read_hole_with_its_site(folder: Path) -> None:
    site = cp.read_site(folder)
    assert cp.composite.hole_names(site) == ["A", "B"]
    for name in ("A", "B"):
        assert cp.composite.hole_of(site, name).identical(cp.read_hole(folder / name, site=folder))
    assert list(site["site"].children) == ["ages", "ties"]
    assert site.attrs["title"] == "Invented Bank"
    assert site.attrs["reference"] == "A"


def test_a_hole_takes_settings_of_the_site_and_its_own_win(folder: Path) -> None:
    toml = (folder / "B/hole.toml").read_text()
    assert "[gamma]" in toml
    write(folder / "B/hole.toml", toml.replace("[gamma]", '[gamma]\ndead_time = "3 us"'))
    site = cp.read_site(folder)
    held = {name: json.loads(site[name].attrs["settings"]) for name in ("A", "B")}
    taken = {name: json.loads(site[name].attrs["settings_of_site"]) for name in ("A", "B")}
    assert held["A"]["gamma"]["dead_time"] == "0 s"
    assert held["B"]["gamma"]["dead_time"] == "3 us"
    assert "gamma.dead_time" in taken["A"]
    assert "gamma.dead_time" not in taken["B"]
    assert "gamma.background_rate" in taken["B"]
    assert held["A"]["hole"]["site"] == "Invented Bank"
    assert held["A"]["hole"]["latitude"] == -40.5
    assert held["A"]["hole"]["name"] == "Invented A"
    files = json.loads(site["A"].attrs["input_sha256"])
    assert {"../site.toml", "../standards/gamma.csv"} <= set(files)


def test_standards_of_the_site_stand_before_those_of_the_hole(folder: Path) -> None:
    shared = (folder / "standards/gamma.csv").read_text().splitlines()
    own = shared[1].replace("first,2031-05-01T00:00:00Z", "second,2031-05-09T00:00:00Z")
    header = shared[0].replace("temperature [degC]", "temperature [K]") + ",operator"
    row = own.replace(",20,", ",293.15,") + ",them"
    write(folder / "B/standards/gamma.csv", f"{header}\n{row}\n")
    site = cp.read_site(folder)
    table = site["B/standards/gamma"].to_dataset()
    assert table.sizes["row"] == len(shared)  # its header less, one row more
    assert table.attrs["rows_of_site"] == len(shared) - 1
    assert table["set"].values[-1] == "second"
    assert table["operator"].values.tolist() == [""] * (len(shared) - 1) + ["them"]
    assert table["temperature"].values[-1] == pytest.approx(20.0)
    assert site["A/standards/gamma"].sizes["row"] == len(shared) - 1


def test_a_standard_in_both_places_is_refused(folder: Path) -> None:
    lines = (folder / "standards/gamma.csv").read_text().splitlines()
    write(folder / "A/standards/gamma.csv", "\n".join([lines[0], lines[4]]) + "\n")
    with pytest.raises(cp.HoleError) as error:
        cp.read_site(folder)
    assert len(error.value.problems) == 1
    problem = error.value.problems[0]
    assert (problem.file, problem.row, problem.column) == ("A/standards/gamma.csv", 2, "set")
    assert "set 'first' and time 2031-05-01T00:03:00" in problem.what


def test_standards_without_set_and_time_do_not_mix(folder: Path) -> None:
    lines = (folder / "standards/gamma.csv").read_text().splitlines()
    bare = [",".join(line.split(",")[:6]) for line in lines]
    write(folder / "standards/gamma.csv", "\n".join(bare[:13]) + "\n")
    write(folder / "A/standards/gamma.csv", "\n".join(bare[:4]) + "\n")
    with pytest.raises(cp.HoleError, match="no set and no time \\(and in 2 more rows\\)"):
        cp.read_site(folder)


def test_another_time_zone_than_that_of_the_standards_is_refused(folder: Path) -> None:
    toml = (folder / "B/hole.toml").read_text()
    write(folder / "B/hole.toml", toml.replace("[hole]", '[hole]\ntime_zone = "Etc/GMT-9"'))
    with pytest.raises(cp.HoleError, match=r"standards under \[hole\] in site\.toml"):
        cp.read_site(folder)
    # The zone of the site holds for its holes and its standards.
    write(folder / "B/hole.toml", toml)
    text = (folder / "standards/gamma.csv").read_text().replace("00Z", "00")
    write(folder / "standards/gamma.csv", text)
    site = (folder / "site.toml").read_text()
    write(folder / "site.toml", site + '\n[hole]\ntime_zone = "Etc/GMT-9"\n')
    time = cp.read_site(folder)["B/standards/gamma"]["time"].values[0]
    assert time == np.datetime64("2031-04-30T15:00:00")


def test_a_hole_read_without_its_site_notes_what_was_not_used(folder: Path) -> None:
    hole = cp.read_hole(folder / "A")
    assert hole.attrs["site_not_used"] == "site.toml, standards/gamma.csv"
    assert "site.toml, standards/gamma.csv of the site not used" in str(cp.overview(hole))
    notes = json.loads(cp.reduce(hole).attrs["summary"])["notes"]
    assert any("holds site.toml, standards/gamma.csv, not used" in note for note in notes)
    assert "site_not_used" not in cp.read_hole(folder / "A", site=folder).attrs
    # A site that shares nothing but its name changes no number.
    (folder / "standards/gamma.csv").unlink()
    write(folder / "site.toml", '[site]\nname = "Invented Bank"\n')
    assert "site_not_used" not in cp.read_hole(folder / "A").attrs


def test_faults_of_all_holes_are_listed_or_left_out(folder: Path) -> None:
    whole = cp.read_site(folder)
    for name in ("A", "B"):
        path = folder / name / "sections.csv"
        path.write_text(path.read_text().replace("length [m]", "length"))
    with pytest.raises(cp.HoleError) as error:
        cp.read_site(folder)
    assert {text.split("/")[0] for text in problems(error)} == {"A", "B"}
    with pytest.raises(cp.HoleError):  # no hole is left
        cp.read_site(folder, skip_unreadable=True)
    path = folder / "A" / "sections.csv"
    path.write_text(path.read_text().replace("length,", "length [m],"))
    left = cp.read_site(folder, skip_unreadable=True)
    assert cp.composite.hole_names(left) == ["A"]
    (problem,) = json.loads(left.attrs["unreadable"])["B"]
    assert problem.startswith("B/sections.csv:1")
    assert left.attrs["ties_left_out"] == 1
    assert left["A"].identical(whole["A"])


def test_a_hole_and_a_site_are_told_apart(folder: Path) -> None:
    with pytest.raises(cp.HoleError, match=r"cp\.read_hole"):
        cp.read_site(folder / "A")
    with pytest.raises(cp.HoleError, match=r"site with the holes A, B.*cp\.read_site"):
        cp.read_hole(folder)
    with pytest.raises(FileNotFoundError):
        cp.read_site(folder / "nowhere")
    with pytest.raises(FileNotFoundError):
        cp.read_hole(folder / "A", site=folder / "nowhere")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "Invented Bank"', 'nam = "Invented Bank"', "no setting 'nam'"),
        ("[gamma]", '[hole]\nname = "x"\n\n[gamma]', "every hole needs its own"),
        ('reference = "A"', 'reference = "D"', "is not a hole of the site"),
        ('reference = "A"', 'holes = ["A", "D"]', "no folder of such a hole"),
        ('reference = "A"', 'holes = ["A", "A"]', "names a hole twice"),
        ('reference = "A"', 'holes = "A"', "not a list of names"),
        ('dead_time = "0 s"', "dead_time = 0", "without a unit"),
        ("latitude = -40.5", "latitude = -400", "not a number of degrees"),
        ("[site]", "[site", "the TOML cannot be read"),
    ],
)
def test_faults_of_site_toml_are_reported_once(
    folder: Path, old: str, new: str, words: str
) -> None:
    text = (folder / "site.toml").read_text()
    assert old in text
    write(folder / "site.toml", text.replace(old, new))
    with pytest.raises(cp.HoleError) as error:
        cp.read_site(folder)
    found = [text for text in problems(error) if words in text]
    assert len(found) == 1
    assert found[0].startswith("site.toml")


def test_the_list_of_holes_sets_the_order_and_names_the_others(folder: Path) -> None:
    shutil.copytree(folder / "A", folder / "C")
    text = (folder / "site.toml").read_text()
    write(folder / "site.toml", text.replace("reference", 'holes = ["B", "A"]\nreference'))
    site = cp.read_site(folder)
    assert cp.composite.hole_names(site) == ["B", "A"]
    assert json.loads(site.attrs["holes_not_listed"]) == ["C"]
    assert "site.toml does not list hole C" in str(cp.overview(site))


def test_other_faults_of_the_site(folder: Path) -> None:
    write(folder / "standards/gama.csv", "x\n1\n")
    write(folder / "recipe.toml", "[gamma\n")
    shutil.copytree(folder / "A", folder / "site")
    write(folder / "ages.csv", "depth_composite [m],age [kyr]\n0,10\n1,5\n")
    with pytest.raises(cp.HoleError) as error:
        cp.read_site(folder)
    text = "\n".join(problems(error))
    for words in (
        "Did you mean gamma.csv?",
        "recipe.toml",
        "a hole is called 'site'",
        "ages.csv:3",
    ):
        assert words in text
    with pytest.raises(cp.HoleError, match="no hole folder is there"):
        cp.read_site(folder / "standards")
    with pytest.raises(KeyError, match="no hole 'D'"):
        cp.composite.hole_of(cp.read_site(small_site(folder.parent / "other")), "D")


def test_a_site_goes_through_a_file(folder: Path) -> None:
    site = cp.read_site(folder)
    cp.save(site, folder / "site.nc")
    again = cp.load(folder / "site.nc")
    assert again.identical(site)
    assert cp.composite.ties_of(again).equals(cp.composite.ties_of(site))
