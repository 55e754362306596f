"""The same command again: new, grown and changed files, reruns, hand edits, stopped runs."""

from __future__ import annotations

import json
import os
import shutil

import pytest

import corephys as cp
from corephys.cli import main
from corephys.hole import HoleError
from corephys.importing import replay as replay_module
from corephys.importing import state as states
from tests.importing.exports import GAMMA, Folder, assert_balanced, counts_of, gamma


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)


def replay(folder, **options):
    report = folder.run(**options)
    assert_balanced(report)
    return report


def everything(folder):
    """Bytes of all files below the folder."""
    return {
        p.relative_to(folder.path): p.read_bytes() for p in folder.path.rglob("*") if p.is_file()
    }


def test_two_exports_become_one_table_that_a_hole_reads(folder):
    folder.write("exports/core1.csv", gamma([(1, 1), (1, 2)]))
    folder.write("exports/core2.csv", gamma([(2, 1)], counts=2000))
    report = replay(folder)
    assert [file.status for file in report.files] == ["new", "new"]
    assert report.tables == {"scan/gamma": 9}
    hole = cp.read_hole(folder.path)
    assert hole["scan/gamma"]["counts"].values.tolist() == [
        1000,
        1001,
        1002,
        1000,
        1001,
        1002,
        2000,
        2001,
        2002,
    ]
    digests = json.loads(hole.attrs["input_sha256"])
    assert digests["import.toml"] == report.mapping_sha256


def test_the_same_command_again_changes_no_byte(folder):
    folder.write("exports/core1.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    before = everything(folder)
    report = replay(folder)
    assert [file.status for file in report.files] == ["unchanged"]
    assert report.total("added") == 0
    assert everything(folder) == before


def test_a_dry_run_writes_nothing_and_reports_the_same(folder):
    folder.write("exports/core1.csv", gamma([(1, 1), ("", 2)]))
    before = everything(folder)
    dry = replay(folder, dry_run=True)
    assert everything(folder) == before
    assert "nothing was written" in str(dry)
    real = replay(folder)
    assert counts_of(dry.files[0]) == counts_of(real.files[0])
    assert dry.refused == real.refused


def test_a_new_file_is_appended(folder):
    folder.write("exports/core1.csv", gamma([(1, 1)]))
    replay(folder)
    before = folder.text("scan/gamma.csv")
    folder.write("exports/core2.csv", gamma([(2, 1)]))
    report = replay(folder)
    assert [file.status for file in report.files] == ["unchanged", "new"]
    assert folder.text("scan/gamma.csv").startswith(before)
    assert len(folder.rows("scan/gamma")) == 6


def test_the_same_file_under_another_name_is_not_appended(folder):
    folder.write("exports/core1.csv", gamma([(1, 1)]))
    replay(folder)
    shutil.copy(folder.path / "exports/core1.csv", folder.path / "exports/copy.csv")
    report = replay(folder)
    assert {file.status for file in report.files} == {"unchanged", "copy"}
    assert len(folder.rows("scan/gamma")) == 3


def test_an_export_that_repeats_an_earlier_one_adds_only_what_is_new(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/b.csv", gamma([(1, 1), (1, 2)]))
    report = replay(folder)
    assert counts_of(report.files[1])["scan/gamma"] == {"added": 3, "already": 3}
    assert len(folder.rows("scan/gamma")) == 6
    folder.write("exports/b.csv", gamma([(1, 1), (1, 2), (1, 3)]))
    report = replay(folder)
    assert counts_of(report.files[1])["scan/gamma"] == {"added": 3, "already": 6}
    assert set(folder.column("scan/gamma", "run")) == {"1"}


def test_a_section_that_goes_on_in_another_file_stays_one_run(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    later = "Core,Sect,Pos (mm),Counts,Live (s)\n1,1,30,1003,4.0\n1,1,40,1004,4.0\n"
    folder.write("exports/b.csv", later)
    replay(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 5


def test_a_renamed_file_keeps_its_rows(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    (folder.path / "exports/a.csv").rename(folder.path / "exports/b.csv")
    report = replay(folder)
    assert any("renamed" in words for words in report.warnings)
    assert len(folder.rows("scan/gamma")) == 3
    assert [file.status for file in replay(folder).files] == ["unchanged"]


def test_a_file_that_is_gone_leaves_its_rows(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    folder.write("exports/b.csv", gamma([(1, 2)]))
    replay(folder)
    (folder.path / "exports/a.csv").unlink()
    report = replay(folder)
    assert "exports/a.csv is gone; the rows that it gave stay" in report.warnings
    assert len(folder.rows("scan/gamma")) == 6


# Files that grow --------------------------------------------------------------------------------


def test_a_file_that_grows_gives_its_new_rows_alone(folder):
    whole = gamma([(1, 1), (1, 2)], n=4)
    lines = whole.splitlines(keepends=True)
    folder.write("exports/a.csv", "".join(lines[:3]) + lines[3][:7])
    report = replay(folder)
    assert report.total("added") == 2
    assert any(
        "has no line end and is not taken yet: '1,1,20,'" in n for n in report.files[0].notes
    )
    first = folder.text("scan/gamma.csv")
    folder.write("exports/a.csv", "".join(lines[:7]))
    report = replay(folder)
    assert report.files[0].status == "grown"
    assert counts_of(report.files[0])["scan/gamma"] == {"added": 4, "already": 2}
    assert folder.text("scan/gamma.csv").startswith(first)
    folder.write("exports/a.csv", whole)
    replay(folder)
    fresh = Folder(folder.path / "fresh")
    fresh.write("exports/a.csv", whole)
    replay(fresh)
    assert folder.text("scan/gamma.csv") == fresh.text("scan/gamma.csv")


def test_every_cut_of_a_growing_file_ends_in_the_same_table(tmp_path):
    """Whatever the moments at which it is imported, no row is lost, doubled or cut."""
    whole = gamma([(1, 1), (1, 2)], n=3)
    fresh = Folder(tmp_path / "fresh")
    fresh.write("exports/a.csv", whole)
    replay(fresh)
    for step in (7, 23, 41):
        folder = Folder(tmp_path / f"step{step}")
        for end in [*range(step, len(whole), step), len(whole)]:
            folder.write("exports/a.csv", whole[:end])
            folder.run()
        assert folder.text("scan/gamma.csv") == fresh.text("scan/gamma.csv")


def test_a_value_that_changed_inside_replaces_its_section(folder):
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    folder.write("exports/a.csv", gamma([(1, 1)], counts=500) + gamma([(1, 2)], head=False))
    report = replay(folder)
    assert report.files[0].status == "changed"
    counts = counts_of(report.files[0])["scan/gamma"]
    assert counts == {"added": 3, "already": 3, "replaced": 3}
    assert folder.column("scan/gamma", "counts") == ["500", "501", "502", "1000", "1001", "1002"]


def test_a_file_that_was_written_over_loses_no_rows(folder):
    folder.write("exports/latest.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/latest.csv", gamma([(1, 2)]))
    report = replay(folder)
    assert folder.column("scan/gamma", "section") == ["1"] * 3 + ["2"] * 3
    assert any("are in the file no more; they stay" in note for note in report.files[0].notes)


# Reruns -----------------------------------------------------------------------------------------


def again(folder, rerun="", table=GAMMA):
    folder.write("import.toml", (f'rerun = "{rerun}"\n' if rerun else "") + table)
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    folder.write("exports/b.csv", gamma([(1, 1)], counts=1500))
    return replay(folder)


def test_a_section_that_comes_again_is_the_next_run(folder):
    report = again(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 6 + ["2"] * 3
    words = "section '1' of core '1': in exports/a.csv already, numbered run 2"
    assert any(words in note for note in report.files[1].notes)
    folder.write("exports/c.csv", gamma([(1, 1)], counts=1700))
    replay(folder)
    assert folder.column("scan/gamma", "run")[-3:] == ["3"] * 3
    cp.read_hole(folder.path)


def test_a_rerun_that_grows_stays_its_run(folder):
    again(folder)
    folder.write("exports/b.csv", gamma([(1, 1)], n=5, counts=1500))
    report = replay(folder)
    assert counts_of(report.files[1])["scan/gamma"] == {"added": 2, "already": 3}
    assert folder.column("scan/gamma", "run") == ["1"] * 6 + ["2"] * 5


def test_a_rerun_replaces_on_request(folder):
    report = again(folder, "replace")
    assert counts_of(report.files[1])["scan/gamma"] == {"added": 3, "replaced": 3}
    counts = folder.column("scan/gamma", "counts")
    assert sorted(counts) == ["1000", "1001", "1002", "1500", "1501", "1502"]
    assert [file.status for file in replay(folder).files] == ["unchanged"] * 2


def test_a_rerun_is_refused_on_request(folder):
    report = again(folder, "refuse")
    assert report.total("refused") == 3
    assert report.refused[0][3] == (
        "section '1' of core '1': in exports/a.csv already with other values"
    )
    assert len(folder.rows("scan/gamma")) == 6
    # Refused rows of a file that did not change stay on the list.
    assert len(replay(folder).refused) == 3
    assert len(folder.rows("import_refused")) == 3


def test_a_second_pass_in_one_file_is_a_run(folder):
    folder.write(
        "exports/a.csv", gamma([(1, 1), (1, 2), (1, 1)]).replace("1,1,10,1001", "1,1,10,7", 1)
    )
    report = replay(folder)
    runs = [(r["section"], r["run"]) for r in folder.rows("scan/gamma")]
    assert runs == [("1", "1")] * 3 + [("2", "1")] * 3 + [("1", "2")] * 3
    assert "section '1' of core '1' comes 2 times in the file: runs 1 to 2" in report.files[0].notes


@pytest.mark.parametrize("rerun", ["replace", "refuse", "number"])
def test_a_rerun_in_one_file_is_numbered_and_the_report_says_so(folder, rerun):
    folder.write("import.toml", f'rerun = "{rerun}"\n' + GAMMA)
    folder.write("exports/a.csv", gamma([(1, 1)]) + gamma([(1, 1)], counts=7, head=False))
    report = replay(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 3 + ["2"] * 3
    said = f"rerun = '{rerun}' is not applied to a section that comes again in the same file: 3"
    assert (said in str(report)) == (rerun != "number")


def test_a_second_pass_between_the_first_readings_is_a_run(folder):
    """No position comes twice, and the passes must not be mixed."""
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    between = gamma([(1, 1)]).replace("1,1,0,", "1,1,5,").replace("1,1,10,", "1,1,15,")
    folder.write("exports/b.csv", between)
    replay(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 3 + ["2"] * 3
    inside = Folder(folder.path / "inside")
    inside.write("exports/a.csv", gamma([(1, 1)]) + between.partition("\n")[2])
    replay(inside)
    assert inside.column("scan/gamma", "run") == ["1"] * 3 + ["2"] * 3


def test_a_section_that_was_measured_from_its_bottom_is_one_run(folder):
    lines = gamma([(1, 1)], n=6).splitlines()
    folder.write("exports/a.csv", "\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    replay(folder)
    assert set(folder.column("scan/gamma", "run")) == {"1"}


def test_samples_between_earlier_ones_are_no_second_run(tmp_path):
    mapping = """
[[source]]
files = "exports/*.csv"
table = "samples/index_properties"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (cm)"
wet_mass = "Wet (g)"
dry_mass = "Dry (g)"
dry_volume = "Vol (cc)"
"""
    folder = Folder(tmp_path, mapping)
    head = "Core,Sect,Pos (cm),Wet (g),Dry (g),Vol (cc)\n"
    folder.write("exports/a.csv", head + "1,1,10,9,4,2\n1,1,90,9,4,2\n")
    folder.write("exports/b.csv", head + "1,1,50,9,4,2\n1,1,90,8,4,2\n")
    replay(folder)
    rows = [(r["offset [cm]"], r["run"]) for r in folder.rows("samples/index_properties")]
    assert rows == [("10", "1"), ("90", "1"), ("50", "2"), ("90", "2")]


def test_rows_written_twice_are_no_second_run(folder):
    folder.write("exports/a.csv", gamma([(1, 1), (1, 1)]))
    replay(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 6
    hole = cp.read_hole(folder.path)
    assert json.loads(hole["scan/gamma"].attrs["duplicate_rows"]) == [3, 4, 5]


def test_a_reading_that_was_repeated_at_once_is_a_second_run(folder):
    text = gamma([(1, 1)]).replace("1,1,10,1001,4.0\n", "1,1,10,1001,4.0\n1,1,10,1009,4.0\n")
    folder.write("exports/a.csv", text)
    replay(folder)
    rows = [(r["offset [cm]"], r["run"]) for r in folder.rows("scan/gamma")]
    assert rows == [("0", "1"), ("1", "1"), ("2", "1"), ("1", "2")]


def test_all_tables_of_a_file_agree_on_a_rerun(folder):
    """The second pass has the same susceptibility by chance: it is still the second pass."""
    folder.write(
        "import.toml",
        """
[[source]]
files = "exports/*.csv"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (mm)"
[source.tables."scan/gamma"]
counts = "Counts"
[source.tables."scan/susceptibility"]
reading = "Live (s)"
""".replace('counts = "Counts"', 'counts = "Counts"\nlive_time = { value = "4 s" }')
        .replace('"Live (s)"', '{ column = "Live (s)", unit = "1" }')
        .replace("(s)", "(s)"),
    )
    for name, first in (("a", 1000), ("b", 1500)):
        text = gamma([(1, 1)], counts=first).replace("Live (s)", "Live")
        folder.write(f"exports/{name}.csv", text)
    folder.write("import.toml", folder.text("import.toml").replace("Live (s)", "Live"))
    replay(folder)
    assert folder.column("scan/gamma", "run") == ["1"] * 3 + ["2"] * 3
    assert folder.column("scan/susceptibility", "run") == ["1"] * 3 + ["2"] * 3


def test_a_list_of_cores_that_is_exported_again(tmp_path):
    mapping = """
[[source]]
files = "exports/cores*.csv"
table = "cores"
[source.columns]
core = "Core"
coring_method = { value = "piston" }
top = "Top (m)"
advance = "Adv (m)"
recovered = "Adv (m)"
"""
    folder = Folder(tmp_path, mapping, lists=False)
    folder.write("exports/cores1.csv", "Core,Top (m),Adv (m)\n1,0,9\n")
    replay(folder)
    folder.write("exports/cores2.csv", "Core,Top (m),Adv (m)\n1,0,9\n2,9,9\n")
    replay(folder)
    assert folder.column("cores", "core") == ["1", "2"]
    folder.write("exports/cores3.csv", "Core,Top (m),Adv (m)\n2,9.5,9\n3,18,9\n")
    report = replay(folder)
    assert folder.column("cores", "core") == ["1", "2", "3"]
    assert 'set rerun = "replace" to take these' in report.refused[0][3]
    folder.write("import.toml", 'rerun = "replace"\n' + mapping)
    replay(folder)
    assert ("2", "9.5") in [(r["core"], r["top [m]"]) for r in folder.rows("cores")]


STATIONS = """
[[source]]
files = "exports/*.csv"
table = "downhole/stations"
[source.columns]
station = "Station"
depth = "Depth (m)"
tool = "Tool"
"""
READINGS = "Station,Depth (m),Tool,T\nA,10,t1,4\nA,10.0,t1,5\nB,20,t1,4\nA,10,t1,6\nB,21,t1,6\n"


@pytest.mark.parametrize(
    ("rerun", "kept", "again", "refused"),
    [
        ("number", [("A", "10"), ("B", "20")], 2, 1),
        ("refuse", [("A", "10"), ("B", "20")], 2, 1),
        ("replace", [("A", "10"), ("B", "21")], 2, 1),
    ],
)
def test_a_name_of_a_list_comes_once(tmp_path, rerun, kept, again, refused):
    folder = Folder(tmp_path, f'rerun = "{rerun}"\n' + STATIONS)
    folder.write("exports/a.csv", READINGS)
    report = replay(folder)
    rows = folder.rows("downhole/stations")
    assert [(r["station"], r["depth [m]"]) for r in rows] == kept
    assert counts_of(report.files[0])["downhole/stations"] == {
        "added": 2,
        "already": again,
        "refused": refused,
    }
    assert "station 'B': comes again in the file with other values" in report.refused[0][3]
    folder.write("exports/a.csv", READINGS + "C,30,t1,4\nC,30,t1,5\n")
    replay(folder)
    assert folder.column("downhole/stations", "station") == ["A", "B", "C"]


def test_a_list_of_sections_from_a_file_of_readings(tmp_path):
    mapping = STATIONS.replace("downhole/stations", "sections").partition("station =")[0]
    mapping += 'core = "Core"\nsection = "Sect"\nlength = "Len (m)"\n'
    mapping += 'core_diameter = { value = "66 mm" }\n'
    folder = Folder(tmp_path, mapping, lists=False)
    folder.write("exports/a.csv", "Core,Sect,Len (m)\n" + "1,1,1.5\n1,2,1.4\n1,1,1.50\n1,2,1.3\n")
    report = replay(folder)
    assert folder.column("sections", "length [m]") == ["1.5", "1.4"]
    assert "core '1', section '2': comes again" in report.refused[0][3]


# Hand edits -------------------------------------------------------------------------------------


def edit(folder, old, new, name="scan/gamma.csv"):
    text = folder.text(name)
    assert old in text
    folder.write(name, text.replace(old, new, 1))


def test_hand_edits_stay_and_are_reported(folder):
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    edit(folder, "1,1,1,1,1001,4.0\n", "1,1,1,1,999,4.0\n")
    edited = folder.text("scan/gamma.csv")
    report = replay(folder)
    assert report.hand_edits == [
        "scan/gamma.csv: rows of 1 section were edited or taken out by hand"
    ]
    assert folder.text("scan/gamma.csv") == edited
    folder.write("exports/b.csv", gamma([(2, 1)]))
    report = replay(folder)
    assert folder.text("scan/gamma.csv").startswith(edited)
    assert len(report.hand_edits) == 1
    assert len(replay(folder).hand_edits) == 1


def test_a_changed_export_does_not_overwrite_an_edited_section(folder):
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    edit(folder, "1,1,1,1,1001,4.0\n", "1,1,1,1,999,4.0\n")
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)], counts=500))
    report = replay(folder)
    assert folder.column("scan/gamma", "counts") == ["1000", "999", "1002", "500", "501", "502"]
    assert counts_of(report.files[0])["scan/gamma"] == {"added": 3, "kept_out": 3, "replaced": 3}
    assert any("was edited by hand" in note for note in report.files[0].notes)


def test_a_row_taken_out_by_hand_does_not_come_back(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    edit(folder, "1,1,1,1,1001,4.0\n", "")
    replay(folder)
    folder.write("exports/b.csv", gamma([(1, 2)]))
    replay(folder)
    assert folder.column("scan/gamma", "counts") == ["1000", "1002", "1000", "1001", "1002"]


def test_rows_and_columns_added_by_hand_stay(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    lines = folder.text("scan/gamma.csv").splitlines()
    lines = [lines[0] + ",note", *(line + ",mine" for line in lines[1:]), "1,3,5,1,7,4,by hand"]
    folder.write("scan/gamma.csv", "\n".join(lines) + "\n")
    folder.write("exports/b.csv", gamma([(1, 2), (1, 3)]))
    report = replay(folder)
    assert report.hand_edits == ["scan/gamma.csv: 1 rows were added by hand"]
    assert folder.column("scan/gamma", "note") == ["mine"] * 3 + ["by hand"] + [""] * 6


def test_a_table_that_was_written_by_hand_is_added_to_in_its_units(folder):
    folder.write("scan/gamma.csv", "core,section,offset [mm],counts,live_time [ms]\n1,3,0,7,4000\n")
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    rows = folder.rows("scan/gamma")
    assert [row["offset [mm]"] for row in rows] == ["0", "0", "10", "20"]
    assert [row["live_time [ms]"] for row in rows] == ["4000"] * 4
    assert [row["run"] for row in rows] == ["", "1", "1", "1"]
    cp.read_hole(folder.path)


def test_a_row_by_hand_is_met_like_one_of_another_file(folder):
    folder.write("scan/gamma.csv", "core,section,offset [cm],counts,live_time [s]\n1,1,1.0,7,4\n")
    folder.write("exports/a.csv", gamma([(1, 1)]))
    report = replay(folder)
    assert any("the table itself already, numbered run 2" in n for n in report.files[0].notes)


def test_exclusions_are_never_touched(folder):
    text = "core,section,from [cm],to [cm],reason\n1,1,0,1,cracked\n"
    folder.write("exclusions.csv", text)
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/a.csv", gamma([(1, 1)], counts=5))
    replay(folder)
    assert folder.text("exclusions.csv") == text


def test_a_table_that_was_deleted_is_imported_anew(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    first = folder.text("scan/gamma.csv")
    (folder.path / "scan/gamma.csv").unlink()
    report = replay(folder)
    assert "scan/gamma.csv is gone" in report.warnings[0]
    assert folder.text("scan/gamma.csv") == first


def test_a_table_that_cannot_be_read_is_not_written_to(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("scan/gamma.csv", folder.text("scan/gamma.csv") + '1,1,"2\n')
    broken = folder.text("scan/gamma.csv")
    folder.write("exports/b.csv", gamma([(1, 2)]))
    with pytest.raises(HoleError, match="Close every quotation mark"):
        folder.run()
    assert folder.text("scan/gamma.csv") == broken


def test_a_table_that_changes_while_the_import_runs_is_not_overwritten(folder, monkeypatch):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/b.csv", gamma([(1, 2)]))
    one = replay_module._Import(folder.path, False)
    whole = one.write

    def edited_before_writing():
        edit(folder, "1,1,1,1,1001,4.0\n", "1,1,1,1,999,4.0\n")
        whole()

    monkeypatch.setattr(one, "write", edited_before_writing)
    with pytest.raises(HoleError, match="was changed while the import ran"):
        one.run()
    assert folder.column("scan/gamma", "counts") == ["1000", "999", "1002"]
    replay(folder)
    assert len(folder.rows("scan/gamma")) == 6


# Files that cannot be read ----------------------------------------------------------------------


def test_one_bad_file_does_not_stop_the_others(folder, capsys):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    folder.write("exports/b.csv", "ä\n".encode("latin-1"))
    folder.write("exports/c.csv", "")
    report = replay(folder)
    assert [file.status for file in report.files] == ["new", "refused", "refused"]
    assert report.total("added") == 3
    assert main(["import", str(folder.path)]) == 3
    shown = capsys.readouterr().out
    assert "exports/b.csv was not imported: exports/b.csv:1: the byte 0xe4 is not UTF-8" in shown


def test_the_mapping_may_change(folder):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("import.toml", GAMMA + 'set = { value = "may" }\n')
    report = replay(folder)
    assert report.files[0].status == "mapping changed"
    assert folder.column("scan/gamma", "set") == ["may"] * 3
    assert len(folder.rows("scan/gamma")) == 3


def test_names_of_files_are_ordered_by_their_numbers(folder):
    for number in (10, 2, 1):
        folder.write(f"exports/r{number}.csv", gamma([(1, 1)], counts=100 * number))
    report = replay(folder)
    assert [file.file for file in report.files] == [f"exports/r{n}.csv" for n in (1, 2, 10)]
    assert folder.column("scan/gamma", "run") == ["1"] * 3 + ["2"] * 3 + ["3"] * 3


def test_two_sources_may_read_one_file(tmp_path):
    second = GAMMA.replace("table =", 'name = "again"\ntable =').replace("gamma", "natural_gamma")
    folder = Folder(tmp_path, GAMMA + second)
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    replay(folder)
    assert len(folder.rows("scan/gamma")) == len(folder.rows("scan/natural_gamma")) == 6


# Stopped in the middle --------------------------------------------------------------------------

WIDE = (
    GAMMA.replace('table = "scan/gamma"\n', "")
    .replace('counts = "Counts"\n', "")
    .replace(
        'live_time = "Live (s)"\n',
        '[source.tables."scan/gamma"]\ncounts = "Counts"\nlive_time = "Live (s)"\n'
        '[source.tables."scan/natural_gamma"]\ncounts = "Counts"\nlive_time = "Live (s)"\n',
    )
)


@pytest.mark.parametrize("stop", range(1, 6))
def test_an_import_that_was_stopped_is_finished_by_the_next(tmp_path, monkeypatch, stop):
    """Stopped at every renaming of a file: the table and state of the next import are whole."""
    folder = Folder(tmp_path / "a", WIDE)
    folder.write("exports/a.csv", gamma([(1, 1)]))
    replay(folder)
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)], counts=50))
    folder.write("exports/b.csv", gamma([(2, 1)]))
    clean = Folder(tmp_path / "b", WIDE)
    shutil.copytree(folder.path, clean.path, dirs_exist_ok=True)
    replay(clean)
    done, real = [], os.replace

    def killed(source, target):
        if len(done) == stop - 1:
            raise KeyboardInterrupt
        done.append(target)
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", killed)
        try:
            folder.run()
            stopped = False
        except KeyboardInterrupt:
            stopped = True
    assert stopped == (stop <= 4)  # the next state, two tables, the state
    replay(folder)
    for table in ("scan/gamma", "scan/natural_gamma"):
        assert folder.rows(table) == clean.rows(table)
    assert not (folder.path / states.NEXT).exists()
    assert not [p for p in folder.path.rglob(".*") if p.is_file()]
    before = everything(folder)
    report = replay(folder)
    assert report.hand_edits == []
    assert everything(folder) == before


def test_the_state_reads_back_as_written(folder):
    folder.write("exports/a.csv", gamma([(1, 1), (1, 2)]))
    folder.write("exports/b.csv", gamma([(1, 1)], counts=7))
    replay(folder)
    text = folder.text(states.FILE)
    assert states.State.from_json(text).to_json() == text
    with pytest.raises(ValueError, match="has the format 99 and this version reads 1"):
        states.State.from_json(text.replace('"format":1', '"format":99'))


# Command line and report ------------------------------------------------------------------------


def test_the_command_line(folder, capsys):
    folder.write("exports/a.csv", gamma([(1, 1)]))
    assert main(["import", str(folder.path), "--dry-run"]) == 0
    assert "dry run" in capsys.readouterr().out
    assert not (folder.path / "scan/gamma.csv").exists()
    assert main(["import", str(folder.path)]) == 0
    assert "scan/gamma 3" in capsys.readouterr().out
    (folder.path / "import.toml").unlink()
    assert main(["import", str(folder.path)]) == 1
    assert "write the mapping there" in capsys.readouterr().err


def test_the_report_is_a_card_and_a_table(folder):
    folder.write("exports/a.csv", gamma([(1, 1), ("", 1)]))
    report = replay(folder)
    row = report.table().iloc[0]
    assert (row["file"], row["rows"], row["added"], row["refused"]) == ("exports/a.csv", 6, 3, 3)
    assert list(report.refused_rows()["row"]) == [5, 6, 7]
    assert "import_refused.csv" in report._repr_html_()
    assert "3 x core is empty (first in exports/a.csv:5)" in str(report)
