"""Cores and sections that no list holds, and depths beside core, section and offset."""

from __future__ import annotations

import pytest

import corephys as cp
from corephys.hole import HoleError
from tests.importing.exports import GAMMA, Folder, assert_balanced, gamma

WITH_DEPTH = GAMMA + 'depth = "Depth (m)"\n'
DEDUCE = '[deduce]\ncoring_method = "piston"\ncore_diameter = "66 mm"\n'


def with_depth(sections, *, n=4, step=0.5) -> str:
    """Rows of (core, section, depth of its top)."""
    lines = ["Core,Sect,Pos (mm),Counts,Live (s),Depth (m)"]
    for core, section, top in sections:
        for i in range(n):
            lines.append(f"{core},{section},{i * step * 1000:.0f},{100 + i},4,{top + i * step:.3f}")
    return "\n".join(lines) + "\n"


THREE = [(1, 1, 0.0), (1, 2, 1.5), (2, 1, 9.5), (2, 2, 11.0)]


def imported(path, export, mapping=WITH_DEPTH + DEDUCE, lists=False):
    folder = Folder(path, mapping, lists=lists)
    folder.write("exports/a.csv", export)
    report = folder.run()
    assert_balanced(report)
    return folder, report


def test_cores_and_sections_are_deduced_and_marked(tmp_path):
    folder, report = imported(tmp_path, with_depth(THREE))
    cores = folder.rows("cores")
    assert [(c["core"], c["top [m]"], c["advance [m]"], c["recovered [m]"]) for c in cores] == [
        ("1", "0", "3", "3"),
        ("2", "9.5", "3", "3"),
    ]
    assert {c["coring_method"] for c in cores} == {"piston"}
    assert all("recovered: last reading; advance: as recovered" in c["deduced"] for c in cores)
    sections = folder.rows("sections")
    assert [s["length [m]"] for s in sections] == ["1.5"] * 4
    assert [s["deduced"] for s in sections] == [
        "length: to the last reading",
        "length: to the last reading",
    ] * 2
    assert len(report.deductions) == 2
    hole = cp.read_hole(folder.path)
    depth = hole["scan/gamma"]["depth"].values
    assert depth == pytest.approx(hole["scan/gamma"]["depth_as_given"].values)
    assert str(hole["cores"]["deduced"].values[0]).startswith("top: depth less offset")


def test_a_core_that_is_longer_than_its_room_advances_to_the_next(tmp_path):
    folder, _ = imported(tmp_path, with_depth([(1, 1, 0.0), (1, 2, 1.5), (2, 1, 2.5)]))
    first = folder.rows("cores")[0]
    assert (first["advance [m]"], first["recovered [m]"]) == ("2.5", "3")
    assert "advance: to the top of the next core" in first["deduced"]
    cp.read_hole(folder.path)


def test_deduced_lists_grow_with_the_rows_and_keep_rows_of_the_user(tmp_path):
    folder, _ = imported(tmp_path, with_depth(THREE[:2]))
    text = folder.text("cores.csv").splitlines()
    fields = text[1].split(",")
    folder.write("cores.csv", "\n".join([text[0], ",".join([*fields[:3], "4.5", "3", ""])]) + "\n")
    folder.write("exports/b.csv", with_depth(THREE[2:]))
    report = folder.run()
    cores = folder.rows("cores")
    assert [(c["core"], c["advance [m]"], bool(c["deduced"])) for c in cores] == [
        ("1", "4.5", False),
        ("2", "3", True),
    ]
    assert [s["core"] for s in folder.rows("sections")] == ["1", "1", "2", "2"]
    assert not [words for words in report.warnings if "cores" in words]
    cp.read_hole(folder.path)


def test_a_second_import_changes_no_deduced_row(tmp_path):
    folder, _ = imported(tmp_path, with_depth(THREE))
    before = folder.text("cores.csv"), folder.text("sections.csv")
    report = folder.run()
    assert (folder.text("cores.csv"), folder.text("sections.csv")) == before
    assert report.tables == {}
    assert report.hand_edits == []


def test_nothing_is_deduced_without_the_request(tmp_path):
    folder, report = imported(tmp_path, with_depth(THREE), WITH_DEPTH)
    assert not (folder.path / "cores.csv").exists()
    assert any(
        "there is no cores.csv and sections.csv: write it, or add [deduce]" in words
        for words in report.warnings
    )


def test_without_depths_nothing_can_be_deduced(tmp_path):
    text = with_depth(THREE).replace(",Depth (m)", "")
    text = (
        "\n".join(
            line.rpartition(",")[0] if n else line for n, line in enumerate(text.splitlines())
        )
        + "\n"
    )
    folder, report = imported(tmp_path, text, GAMMA + DEDUCE)
    assert any(
        "cores 1, 2 have no depth, so that their tops cannot be deduced" in words
        for words in report.warnings
    )
    assert not (folder.path / "cores.csv").exists()


def test_a_given_list_is_not_added_to(tmp_path):
    folder, report = imported(tmp_path, with_depth([*THREE, (7, 1, 40.0)]), lists=True)
    assert folder.column("cores", "core") == ["1", "2"]
    assert any(
        "cores.csv lacks 1 of the cores that rows name (of core 7)" in words
        for words in report.warnings
    )


def test_a_corrected_length_holds_for_deduced_sections(tmp_path):
    correction = '[[correct]]\nreason = "r"\ncore = "2"\nsection = "2"\nlength = "1.6 m"\n'
    folder, _ = imported(tmp_path, with_depth(THREE), WITH_DEPTH + DEDUCE + correction)
    assert folder.column("sections", "length [m]")[-1] == "1.6"
    assert folder.column("sections", "deduced")[-1] == "length: set in the mapping"


def test_depths_that_disagree_with_the_lists_are_kept_and_reported(tmp_path):
    folder, report = imported(
        tmp_path, with_depth([(1, 1, 0.0), (1, 2, 1.5), (1, 3, 3.4)], n=3), WITH_DEPTH, lists=True
    )
    # Sections 1 and 2 are 1.5 and 1.4 m long, so that section 3 begins at 2.9 m.
    assert len(report.disagreements) == 1
    assert "differ by more than 0.02 m in 1 of 3 sections" in report.disagreements[0]
    assert (
        "section '3' of core '1' (0.500 m: top 3.4 m given, 2.9 m laid out)"
        in (report.disagreements[0])
    )
    assert folder.column("scan/gamma", "depth [m]")[-1] == "4.400"
    hole = cp.read_hole(folder.path)
    assert hole["scan/gamma"]["depth"].values[-1] == pytest.approx(3.9)
    assert hole["scan/gamma"]["depth_as_given"].values[-1] == pytest.approx(4.4)


def test_depths_that_agree_are_reported_too(tmp_path):
    sections = [(1, 1, 0.0), (1, 2, 1.5), (1, 3, 2.9)]
    _, report = imported(tmp_path, with_depth(sections, n=3), WITH_DEPTH, lists=True)
    assert report.disagreements == [
        "depths given and depths of 3 sections and offsets agree within 0.02 m (greatest "
        "difference 0.000 m)"
    ]


def test_a_jump_of_depth_inside_a_section_is_found(tmp_path):
    text = with_depth([(1, 1, 0.0)], n=3).replace(",1.000\n", ",1.300\n")
    _, report = imported(tmp_path, text, WITH_DEPTH, lists=True)
    assert "0.300 m" in report.disagreements[0]


# Lists with a top alone -------------------------------------------------------------------------

TOPS = (
    GAMMA
    + """
[[source]]
files = "lists/tops.csv"
table = "cores"
[source.columns]
core = "Core"
top = "Top (m)"
[[source]]
files = "lists/lengths.csv"
table = "sections"
[source.columns]
core = "Core"
section = "Sect"
length = "Length (cm)"
"""
)
LENGTHS = "Core,Sect,Length (cm)\n1,1,150\n1,2,140\n2,1,150\n"


def with_tops(path, tops, lengths=LENGTHS, mapping=TOPS + DEDUCE):
    folder = Folder(path, mapping, lists=False)
    folder.write("lists/tops.csv", "Core,Top (m)\n" + tops)
    folder.write("lists/lengths.csv", lengths)
    folder.write("exports/a.csv", gamma([(1, 1), (2, 1)]))
    report = folder.run()
    assert_balanced(report)
    return folder, report


def cores_of(folder):
    names = ("core", "top [m]", "advance [m]", "recovered [m]", "coring_method")
    return [tuple(core[name] for name in names) for core in folder.rows("cores")]


def test_cores_with_a_top_alone_are_completed_from_the_lengths_of_sections(tmp_path):
    folder, report = with_tops(tmp_path, "1,0\n2,9.5\n")
    assert cores_of(folder) == [
        ("1", "0", "9.5", "2.9", "piston"),
        ("2", "9.5", "1.5", "1.5", "piston"),
    ]
    assert folder.column("cores", "deduced") == [
        "top: as given; recovered: sum of the lengths of its sections; advance: to the next top; "
        "coring method: set in the mapping",
        "top: as given; recovered: sum of the lengths of its sections; advance: as recovered, "
        "last core; coring method: set in the mapping",
    ]
    assert set(folder.column("sections", "core_diameter [mm]")) == {"66.0"}
    assert "advance 9.5 m, of which 2.9 m were recovered" in report.deductions[1]
    hole = cp.read_hole(folder.path)
    assert hole["scan/gamma"]["depth"].values[-1] == pytest.approx(9.52)


def test_completed_lists_grow_and_a_second_import_changes_nothing(tmp_path):
    folder, _ = with_tops(tmp_path, "1,0\n2,9.5\n")
    before = folder.text("cores.csv"), folder.text("sections.csv")
    report = folder.run()
    assert (folder.text("cores.csv"), folder.text("sections.csv")) == before
    assert (report.tables, report.hand_edits) == ({}, [])
    folder.write("lists/tops.csv", "Core,Top (m)\n1,0\n2,9.5\n3,12.5\n")
    folder.write("lists/lengths.csv", LENGTHS + "2,2,160\n3,1,50\n")
    report = folder.run()
    assert cores_of(folder) == [
        ("1", "0", "9.5", "2.9", "piston"),
        ("2", "9.5", "3", "3.1", "piston"),
        ("3", "12.5", "0.5", "0.5", "piston"),
    ]
    assert report.hand_edits == []
    cp.read_hole(folder.path)


def test_a_completed_row_without_its_mark_is_kept(tmp_path):
    folder, _ = with_tops(tmp_path, "1,0\n2,9.5\n")
    first, second, *rest = folder.text("cores.csv").splitlines()
    fields = second.split(",")
    assert fields[0] == "1"
    names = first.split(",")
    fields[names.index("advance [m]")], fields[names.index("deduced")] = "3.0", ""
    folder.write("cores.csv", "\n".join([first, ",".join(fields), *rest]) + "\n")
    folder.run()
    assert cores_of(folder)[0] == ("1", "0", "3.0", "2.9", "piston")


def test_cores_without_sections_are_named(tmp_path):
    folder, report = with_tops(tmp_path, "1,0\n2,9.5\n3,20\n4,30\n")
    assert cores_of(folder)[2:] == [
        ("3", "20", "10", "0", "piston"),
        ("4", "30", "0", "0", "piston"),
    ]
    assert any("cores 3, 4 have no section" in words for words in report.deductions)
    assert any("core '4' is the last one and has no section" in words for words in report.warnings)


def test_a_corrected_length_counts_in_what_was_recovered(tmp_path):
    correction = '[[correct]]\nreason = "r"\ncore = "1"\nsection = "2"\nlength = "1.6 m"\n'
    folder, _ = with_tops(tmp_path, "1,0\n2,9.5\n", mapping=TOPS + DEDUCE + correction)
    assert folder.column("cores", "recovered [m]") == ["3.1", "1.5"]


def test_a_top_alone_without_deduce_is_refused_with_the_cure(tmp_path):
    with pytest.raises(HoleError, match=r"no line gives cores its 'advance \[m\]'") as raised:
        with_tops(tmp_path, "1,0\n", mapping=TOPS)
    assert "or add [deduce] to the mapping" in str(raised.value)
