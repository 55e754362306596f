"""Columns of exports become columns of tables: units, words, times, labels, offsets, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest

import corephys as cp
from corephys.ground import units
from corephys.hole import HoleError
from corephys.importing import convert
from corephys.importing.files import Layout, read_file
from corephys.importing.mapping import parse_mapping
from tests.importing.exports import GAMMA, Folder, assert_balanced, counts_of, gamma

LABELS = GAMMA.replace('core = "Core"\nsection = "Sect"\n', "").replace(
    "[source.columns]",
    "[source.parts]\nLabel = '^(?P<hole>[A-Z])-(?P<core>\\d+)-(?P<section>\\w+)$'\n"
    "[source.columns]",
)


def imported(tmp_path, export, mapping=GAMMA, name="exports/a.csv", **options):
    folder = Folder(tmp_path, mapping, **options)
    folder.write(name, export)
    report = folder.run()
    assert_balanced(report)
    return folder, report


def fault(report):
    assert len(report.refused_files) == 1
    return report.refused_files[0].fault


# Units and numbers ------------------------------------------------------------------------------


def test_values_in_the_same_unit_keep_their_digits(tmp_path):
    text = "Core,Sect,Pos (cm),Counts,Live (s)\n1,1,0.50,1000,4.0\n1,1,1.0e1,1001,4.000\n"
    folder, _ = imported(tmp_path, text, GAMMA.replace("Pos (mm)", "Pos (cm)"))
    assert folder.column("scan/gamma", "offset [cm]") == ["0.50", "1.0e1"]
    assert folder.column("scan/gamma", "live_time [s]") == ["4.0", "4.000"]


@pytest.mark.parametrize(
    ("header", "line", "written"),
    [
        ("Pos (mm)", "Pos (mm)", ["12.3", "0.1"]),
        ("Pos [m]", "Pos [m]", ["12300", "100"]),
        ("Pos", "Pos [mm]", ["12.3", "0.1"]),
        ("Pos (along) (inch)", "Pos (along) (inch)", ["312.42", "2.54"]),
    ],
)
def test_offsets_of_any_unit_are_written_in_cm(tmp_path, header, line, written):
    text = f"Core,Sect,{header},Counts,Live (s)\n1,1,123,1000,4\n1,1,1,1001,4\n"
    folder, _ = imported(tmp_path, text, GAMMA.replace("Pos (mm)", line))
    assert folder.column("scan/gamma", "offset [cm]") == written


def test_the_bracket_on_the_left_sets_the_written_unit(tmp_path):
    mapping = GAMMA.replace("live_time =", '"live_time [ms]" =')
    folder, _ = imported(tmp_path, gamma([(1, 1)]), mapping)
    assert folder.column("scan/gamma", "live_time [ms]") == ["4000"] * 3
    hole = cp.read_hole(folder.path)
    assert hole["scan/gamma"]["live_time"].values.tolist() == [4.0] * 3


def test_a_row_of_units_serves(tmp_path):
    text = "Core,Sect,Pos,Counts,Live\n,,mm,,s\n1,1,123,1000,4\n"
    mapping = GAMMA.replace(" (mm)", "").replace(" (s)", "")
    mapping = mapping.replace("table =", "units_row = true\ntable =")
    folder, _ = imported(tmp_path, text, mapping)
    assert folder.column("scan/gamma", "offset [cm]") == ["12.3"]


@pytest.mark.parametrize(
    ("cell", "written"), [("(mm)", "12.3"), ("[mm]", "12.3"), ("(in)", "312.42")]
)
def test_a_row_of_units_in_brackets_serves(tmp_path, cell, written):
    text = f"Core,Sect,Pos,Counts,Live\n,,{cell},,(s)\n1,1,123,1000,4\n"
    mapping = GAMMA.replace(" (mm)", "").replace(" (s)", "")
    mapping = mapping.replace("table =", "units_row = true\ntable =")
    folder, _ = imported(tmp_path, text, mapping)
    assert folder.column("scan/gamma", "offset [cm]") == [written]


def test_brackets_inside_a_unit_stay():
    layout = Layout(units_row=True)
    raw = b"a,b,c\n(W/(m K)),(kg)/(m^3),m\n1,2,3\n"
    assert read_file("a.csv", layout, raw=raw).units == ["W/(m K)", "(kg)/(m^3)", "m"]


@pytest.mark.parametrize(("foreign", "spelled"), [("lb/ft3", "lb/ft^3"), ("µs/ft", "us/ft")])
def test_units_in_feet_are_spelled_in_the_one_way(foreign, spelled):
    assert units.canonical(foreign) == spelled


@pytest.mark.parametrize("unit", ["1e-5 SI", "SI E-5", "10^-5 SI", "SI*1e-5"])
@pytest.mark.parametrize(
    ("table", "name", "end"),
    [
        ("scan/reduced", "magnetic_susceptibility", ', unit = "1", factor = 1e-5 }'),
        ("scan/susceptibility", "reading", ', unit = "1" }, and state it as [susceptibility]'),
    ],
)
def test_a_power_of_ten_in_a_unit_is_shown_as_a_factor(tmp_path, unit, table, name, end):
    text = f"Core,Sect,Pos (mm),MS [{unit}]\n1,1,10,12.5\n"
    mapping = GAMMA.replace("scan/gamma", table).replace('live_time = "Live (s)"\n', "")
    mapping = mapping.replace('counts = "Counts"', f'{name} = "MS [{unit}]"')
    _, report = imported(tmp_path, text, mapping)
    assert f"{name} = {{ column = 'MS [{unit}]'{end}" in fault(report)
    stated = mapping.replace(f'"MS [{unit}]"', f'{{ column = "MS [{unit}]", unit = "{unit}" }}')
    with pytest.raises(HoleError, match="holds a power of ten") as caught:
        parse_mapping(stated)
    assert ("factor = 1e-5" in str(caught.value)) == (name != "reading")


def test_a_unit_stated_nowhere_is_refused_and_names_the_column(tmp_path):
    text = gamma([(1, 1)]).replace("Pos (mm)", "Pos")
    folder, report = imported(tmp_path, text, GAMMA.replace("Pos (mm)", "Pos"))
    assert "states no unit for 'Pos'" in fault(report)
    assert 'write offset = "Pos [cm]" with its own unit' in fault(report)
    assert not (folder.path / "scan/gamma.csv").exists()


def test_a_bracket_that_is_no_unit_counts_as_none(tmp_path):
    text = gamma([(1, 1)]).replace("Pos (mm)", "Pos (along core)")
    _, report = imported(tmp_path, text, GAMMA.replace("Pos (mm)", "Pos (along core)"))
    assert "('along core' is not a unit that is known)" in fault(report)


def test_two_statements_of_a_unit_must_agree(tmp_path):
    mapping = GAMMA.replace('"Pos (mm)"', '{ column = "Pos (mm)", unit = "cm" }')
    _, report = imported(tmp_path, gamma([(1, 1)]), mapping)
    assert "states 'mm' for 'Pos (mm)' and 'cm' is set in the mapping" in fault(report)


def test_a_unit_of_another_dimension_is_refused(tmp_path):
    text = gamma([(1, 1)]).replace("Counts", "Counts (cps)")
    _, report = imported(tmp_path, text, GAMMA.replace('"Counts"', '"Counts (cps)"'))
    assert "'1/s' cannot be converted to '1'" in fault(report)


def test_a_factor_and_its_unit(tmp_path):
    mapping = """
[[source]]
files = "exports/*.csv"
table = "scan/reduced"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (cm)"
magnetic_susceptibility = { column = "MS (SI E-5)", unit = "1", factor = 1e-5 }
"bulk_density [kg/m^3]" = "Density (g/cc)"
"""
    text = "Core,Sect,Pos (cm),MS (SI E-5),Density (g/cc)\n1,1,1,12.5,1.8\n"
    folder, _ = imported(tmp_path, text, mapping)
    row = folder.rows("scan/reduced")[0]
    assert row["magnetic_susceptibility"] == "0.000125"
    assert row["bulk_density [kg/m^3]"] == "1800"


def test_decimal_commas_become_points(tmp_path):
    text = gamma([(1, 1)]).replace(".0", ",0").replace(",4,0", ";4,0")
    text = "Core;Sect;Pos (mm);Counts;Live (s)\n1;1;12,30;1000;4,0\n"
    folder, _ = imported(tmp_path, text, GAMMA.replace("table =", 'decimal = ","\ntable ='))
    assert folder.column("scan/gamma", "offset [cm]") == ["1.23"]
    assert folder.column("scan/gamma", "live_time [s]") == ["4.0"]


def test_decimal_commas_that_are_not_stated_are_refused(tmp_path):
    text = "Core;Sect;Pos (mm);Counts;Live (s)\n1;1;12,30;1000;4,0\n1;1;13,30;1000;4,0\n"
    _, report = imported(tmp_path, text)
    assert "no cell of 'Pos (mm)' is a number, such as '12,30'" in fault(report)


@pytest.mark.parametrize(
    ("keys", "cells", "written", "misplaced"),
    [
        (
            'thousands = ","',
            ["1,037.5", "-1,234,567", "950", "1037"],
            ["1037.5", "-1234567", "950", "1037"],
            0,
        ),
        ('thousands = ","', ["1,0370", "12,34", "0,123", "1,,037", "1,037,5", "7"], None, 5),
        (
            'thousands = "."\ndecimal = ","',
            ["1.037,5", "2.500", "3,25"],
            ["1037.5", "2500", "3.25"],
            0,
        ),
        ('thousands = "."\ndecimal = ","', ["1.5", "1.2345", "1.037.25", "7"], None, 3),
        ('thousands = " "', ["1 037.5", "1\u00a0037", "1\u202f037"], ["1037.5", "1037", "1037"], 0),
        ('thousands = "\'"', ["1'037.5", "1\u2019037", "10'37"], ["1037.5", "1037", "10'37"], 1),
    ],
)
def test_marks_between_thousands(tmp_path, keys, cells, written, misplaced):
    lines = [f"1;1;{10 * n};{cell};4" for n, cell in enumerate(cells)]
    text = "Core;Sect;Pos (mm);Counts;Live (s)\n" + "\n".join(lines) + "\n"
    mapping = GAMMA.replace("table =", keys + "\ntable =")
    folder, report = imported(tmp_path, text, mapping)
    kept = folder.column("scan/gamma", "counts")
    if written:
        assert kept == written
    else:
        assert cp.read_hole(folder.path)["scan/gamma"]["counts"].notnull().sum() == 1
        assert [cell.removesuffix(" (as exported)") for cell in kept] == cells
    said = [note for note in report.files[0].notes if "sets no thousands apart" in note]
    assert [int(note.split()[0]) for note in said] == ([misplaced] if misplaced else [])
    assert not any("are not numbers" in note for note in report.files[0].notes)


def test_a_mark_between_thousands_of_one_column_counts_everywhere(tmp_path):
    text = "Core;Sect;Pos (mm);Counts;Live (s)\n1;1;0;1,037;4\n1;1;10;950;4\n1;1;20;9,999;4\n"
    line = 'counts = { column = "Counts", thousands = ",", null = "9999" }'
    mapping = GAMMA.replace('counts = "Counts"', line)
    mapping = mapping.replace("table =", 'where = { Counts = ">= 1000" }\ntable =')
    folder, _ = imported(tmp_path, text, mapping + CORRECTION + 'column = "Counts"\nadd = 1')
    assert folder.column("scan/gamma", "counts") == ["1038", ""]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("table =", 'thousands = "."\ntable ='),
        ("table =", 'thousands = ","\ndecimal = ","\ntable ='),
        ('counts = "Counts"', 'counts = { column = "Counts", thousands = "." }'),
        ('counts = "Counts"', 'counts = { column = "Counts", decimal = ",", thousands = "," }'),
    ],
)
def test_one_mark_for_decimals_and_thousands_is_refused(old, new):
    with pytest.raises(HoleError, match="as decimal mark and between thousands"):
        parse_mapping(GAMMA.replace(old, new))


def test_codes_of_missing_values_become_empty_and_are_counted(tmp_path):
    text = gamma([(1, 1)]).replace("1001", "-999.2500").replace("1002", "N/A")
    mapping = GAMMA.replace("table =", 'null = ["-999.25", "N/A"]\ntable =')
    folder, report = imported(tmp_path, text, mapping)
    assert folder.column("scan/gamma", "counts") == ["1000", "", ""]
    assert "2 cells of counts are codes of a missing value" in report.files[0].notes


def test_a_bad_cell_is_kept_and_counted(tmp_path):
    folder, report = imported(tmp_path, gamma([(1, 1)]).replace("1001", "over"))
    assert folder.column("scan/gamma", "counts") == ["1000", "over", "1002"]
    assert "1 cells of counts are not numbers and are kept as they are" in report.files[0].notes
    bad = json.loads(cp.read_hole(folder.path)["scan/gamma"].attrs["bad_cells"])
    assert bad == [[1, "counts", "over"]]


def test_a_number_with_the_other_decimal_mark_does_not_become_one(tmp_path):
    """With a decimal comma "1.234" may be 1234: the cell stays and is no number of the hole."""
    text = "Core;Sect;Pos (mm);Counts;Live (s)\n1;1;0;1.234;4\n1;1;10;1234;4\n"
    folder, _ = imported(tmp_path, text, GAMMA.replace("table =", 'decimal = ","\ntable ='))
    assert folder.column("scan/gamma", "counts") == ["1.234 (as exported)", "1234"]
    counts = cp.read_hole(folder.path)["scan/gamma"]["counts"].values
    assert np.isnan(counts[0]) and counts[1] == 1234.0


@pytest.mark.parametrize("cell", ["45.5%", "45.5 %", "45.5"])
def test_a_sign_of_per_cent_in_a_cell_needs_the_unit(tmp_path, cell):
    mapping = """
[[source]]
files = "exports/*.csv"
table = "scan/reduced"
[source.columns]
depth = "Depth (m)"
porosity = "Porosity (UNIT)"
"""
    text = f"Depth (m),Porosity (UNIT)\n1,{cell}\n"
    good, _ = imported(tmp_path / "a", text.replace("UNIT", "%"), mapping.replace("UNIT", "%"))
    assert good.column("scan/reduced", "porosity") == ["0.455"]
    if "%" in cell:
        _, report = imported(
            tmp_path / "b", text.replace("UNIT", "fraction"), mapping.replace("UNIT", "fraction")
        )
        assert f"is a number, such as {cell!r}" in fault(report)


# Texts, words, constants ------------------------------------------------------------------------


def test_keys_stay_text(tmp_path):
    folder, _ = imported(tmp_path, gamma([("01", "NA")]), lists=False)
    assert folder.column("scan/gamma", "core") == ["01"] * 3
    assert folder.column("scan/gamma", "section") == ["NA"] * 3


LISTS = """
[[source]]
files = "exports/*.csv"
table = "cores"
[source.columns]
core = "Core"
coring_method = { column = "Kind", map = { H = "piston", R = "Rotary" } }
top = "Top (m)"
advance = "Adv (m)"
recovered = { column = "Rec (%)", unit = "m", factor = 0.01 }
"""


def test_words_are_replaced_and_checked(tmp_path):
    mapping = LISTS.replace('{ column = "Rec (%)", unit = "m", factor = 0.01 }', '"Rec (m)"')
    text = "Core,Kind,Top (m),Adv (m),Rec (m)\n1,H,0,9,9\n2,R,9,9,8\n3,X,18,9,8\n4,H,,9,8\n"
    folder, report = imported(tmp_path, text, mapping, lists=False)
    assert folder.column("cores", "coring_method") == ["piston", "rotary"]
    reasons = [row[3] for row in report.refused]
    assert reasons == [
        "coring_method 'X' is not one of piston, extended_inner_tube, rotary, push, percussion, "
        "other",
        "top '' is not a number, and the depths need it",
    ]
    assert [row[1] for row in report.refused] == [4, 5]
    assert folder.column("import_refused", "row") == ["4", "5"]


def test_a_constant_and_a_name_of_a_file(tmp_path):
    mapping = GAMMA.replace('core = "Core"', 'set = { value = "may" }').replace(
        "[source.columns]",
        "[source.parts]\n\"file name\" = 'core(?P<core>\\d+)_'\n[source.columns]",
    )
    folder, _ = imported(tmp_path, gamma([(9, 1)]), mapping, name="exports/core1_a.csv")
    assert folder.column("scan/gamma", "core") == ["1"] * 3
    assert folder.column("scan/gamma", "set") == ["may"] * 3


def test_a_file_whose_name_does_not_match_is_refused(tmp_path):
    mapping = GAMMA.replace(
        "[source.columns]", "[source.parts]\n\"file name\" = 'core(?P<run>\\d+)_'\n[source.columns]"
    )
    _, report = imported(tmp_path, gamma([(1, 1)]), mapping)
    assert "the name 'exports/a.csv' does not match 'core(?P<run>" in fault(report)


def test_a_label_is_taken_apart_and_the_hole_is_chosen(tmp_path):
    text = "Label,Pos (mm),Counts,Live (s)\nA-1-1,0,1000,4\nB-1-1,0,900,4\nend of file,,,\n"
    mapping = LABELS.replace("table =", 'where = { hole = ["A", ""] }\ntable =')
    folder, report = imported(tmp_path, text, mapping)
    assert folder.rows("scan/gamma") == [
        {
            "core": "1",
            "section": "1",
            "offset [cm]": "0",
            "run": "1",
            "counts": "1000",
            "live_time [s]": "4",
        },
    ]
    assert counts_of(report.files[0])["scan/gamma"] == {"added": 1, "left_out": 1, "refused": 1}
    assert report.refused[0][3] == "Label 'end of file' does not match its pattern"


@pytest.mark.parametrize(
    ("where", "kept"),
    [
        ('Counts = "1001"', ["1001"]),
        ('Counts = ["1000", "1002"]', ["1000", "1002"]),
        ('Counts = "!= 1001"', ["1000", "1002"]),
        ('"Pos (mm)" = ">= 10"', ["1001", "1002"]),
        ('"Pos (mm)" = "< 10"', ["1000"]),
    ],
)
def test_rows_to_keep(tmp_path, where, kept):
    mapping = GAMMA.replace("table =", f"where = {{ {where} }}\ntable =")
    folder, report = imported(tmp_path, gamma([(1, 1)]), mapping)
    assert folder.column("scan/gamma", "counts") == kept
    assert report.total("left_out") == 3 - len(kept)


def test_an_empty_key_is_refused(tmp_path):
    _, report = imported(tmp_path, gamma([("", 1), (1, 1)]))
    assert {row[3] for row in report.refused} == {"core is empty"}
    assert report.total("added") == 3


def test_columns_are_kept_on_request(tmp_path):
    text = gamma([(1, 1)]).replace("Live (s)\n", "Live (s),Box [old],time\n")
    text = text.replace(",4.0\n", ",4.0,b7,noon\n")
    folder, _ = imported(tmp_path, text, GAMMA.replace("table =", 'keep = "all"\ntable ='))
    row = folder.rows("scan/gamma")[0]
    assert row["Box (old)"] == "b7"
    # A header that the table uses itself is marked, for it was not mapped.
    assert row["time (as exported)"] == "noon"
    cp.read_hole(folder.path)


def test_one_column_goes_to_two_tables_and_blanks_are_absent(tmp_path):
    mapping = """
[[source]]
files = "exports/*.csv"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (mm)"
[source.tables."scan/gamma"]
counts = "Counts"
live_time = "Live (s)"
[source.tables."scan/susceptibility"]
where = { Sect = "1" }
reading = "MS"
[source.tables."scan/reduced"]
natural_gamma_rate = { column = "Counts", unit = "1/s" }
"""
    text = "Core,Sect,Pos (mm),Counts,Live (s),MS\n1,1,0,10,4,5\n1,1,10,,,6\n1,2,0,11,4,7\n"
    folder, report = imported(tmp_path, text, mapping)
    assert folder.column("scan/gamma", "counts") == ["10", "11"]
    assert folder.column("scan/susceptibility", "reading") == ["5", "6"]
    assert folder.column("scan/reduced", "natural_gamma_rate [1/s]") == ["10", "11"]
    counts = counts_of(report.files[0])
    assert counts["scan/gamma"] == {"added": 2, "empty": 1}
    assert counts["scan/susceptibility"] == {"added": 2, "left_out": 1}


def test_units_in_cells_are_spelled_in_the_one_way(tmp_path):
    mapping = """
[[source]]
files = "exports/*.csv"
table = "scan/reduced"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (cm)"
quantity = { column = "Parameter", map = { "Wet density" = "bulk_density" } }
value = "Value"
unit = "Unit"
"""
    text = "Core,Sect,Pos (cm),Parameter,Value,Unit\n1,1,0,Wet density,1.8,g/cc\n"
    folder, _ = imported(tmp_path, text, mapping)
    assert folder.rows("scan/reduced")[0]["unit"] == "g/cm^3"
    assert folder.rows("scan/reduced")[0]["quantity"] == "bulk_density"


# Times ------------------------------------------------------------------------------------------


def timed(tmp_path, cells, more=""):
    text = "Core,Sect,Pos (mm),Counts,Live (s),Date,Clock\n"
    text += "".join(f"1,1,{i},10,4,{d},{c}\n" for i, (d, c) in enumerate(cells))
    mapping = GAMMA.replace("table =", f"{more}\ntable =") + 'time = ["Date", "Clock"]\n'
    return imported(tmp_path, text, mapping)


def test_times_of_a_format_and_a_zone_become_utc(tmp_path):
    more = 'time_format = "%d.%m.%Y %H:%M"\ntime_zone = "Europe/Oslo"'
    folder, _ = timed(tmp_path, [("03.07.2031", "10:30"), ("03.01.2031", "10:30")], more)
    assert folder.column("scan/gamma", "time") == ["2031-07-03T08:30:00Z", "2031-01-03T09:30:00Z"]


def test_a_date_that_ends_in_its_year_has_no_zone(tmp_path):
    folder, _ = timed(tmp_path, [("03-07-2031", "")], 'time_format = "%d-%m-%Y"')
    assert folder.column("scan/gamma", "time") == ["2031-07-03T00:00:00"]
    more = 'time_format = "%d-%m-%Y"\ntime_zone = "Europe/Oslo"'
    folder, _ = timed(tmp_path / "zone", [("03-07-2031", "")], more)
    assert folder.column("scan/gamma", "time") == ["2031-07-02T22:00:00Z"]


def test_a_zone_in_the_cell_counts_before_that_of_the_mapping(tmp_path):
    more = 'time_zone = "Europe/Oslo"'
    cells = [("2031-07-03", "10:30+00:00"), ("2031-07-03", "10:30")]
    folder, _ = timed(tmp_path, cells, more)
    assert folder.column("scan/gamma", "time") == ["2031-07-03T10:30:00Z", "2031-07-03T08:30:00Z"]


def test_times_without_a_zone_stay_local(tmp_path):
    folder, _ = timed(tmp_path, [("03.07.2031", "10:30")], 'time_format = "%d.%m.%Y %H:%M"')
    assert folder.column("scan/gamma", "time") == ["2031-07-03T10:30:00"]


def test_iso_times_are_written_as_they_are(tmp_path):
    folder, _ = timed(tmp_path, [("2031-07-03", "10:30")])
    assert folder.column("scan/gamma", "time") == ["2031-07-03 10:30"]


def test_times_of_no_known_format_are_refused(tmp_path):
    _, report = timed(tmp_path, [("03/07/2031", "10:30")])
    assert "no cell of 'Date' is a time by 'ISO 8601', such as '03/07/2031 10:30'" in fault(report)


def test_a_time_that_a_change_of_clocks_repeats_is_not_one_time(tmp_path):
    more = 'time_format = "%Y-%m-%d %H:%M"\ntime_zone = "Europe/Oslo"'
    folder, report = timed(tmp_path, [("2031-10-26", "02:30"), ("2031-10-26", "04:30")], more)
    assert folder.column("scan/gamma", "time") == ["2031-10-26 02:30", "2031-10-26T03:30:00Z"]
    assert any("skipped or repeated by a change of clocks" in n for n in report.files[0].notes)


# Offsets from another end -----------------------------------------------------------------------


def test_offsets_from_the_bottom_of_the_section(tmp_path):
    mapping = GAMMA.replace("table =", 'offset_from = "section bottom"\ntable =')
    folder, report = imported(tmp_path, gamma([(1, 2), (1, 9)], n=2), mapping)
    assert folder.column("scan/gamma", "offset [cm]") == ["140", "139"]
    assert {row[3] for row in report.refused} == {
        "the length of section '9' of core '1' is not known"
    }


def test_offsets_from_the_top_of_the_core_find_their_section(tmp_path):
    mapping = GAMMA.replace("table =", 'offset_from = "core top"\ntable =')
    mapping = mapping.replace('section = "Sect"\n', "")
    text = (
        "Core,Pos (mm),Counts,Live (s)\n1,0,1,4\n1,1499,1,4\n1,1500,1,4\n1,2900,1,4\n1,9000,1,4\n"
    )
    folder, report = imported(tmp_path, text, mapping)
    rows = [(r["section"], r["offset [cm]"]) for r in folder.rows("scan/gamma")]
    assert rows == [("1", "0"), ("1", "149.9"), ("2", "0"), ("3", "0")]
    assert report.refused[0][3].startswith("no section of core '1' is known at this offset")


def test_a_section_beside_an_offset_from_the_core_is_compared(tmp_path):
    mapping = GAMMA.replace("table =", 'offset_from = "core top"\ntable =')
    text = "Core,Sect,Pos (mm),Counts,Live (s)\n1,1,0,1,4\n1,1,1600,1,4\n"
    folder, report = imported(tmp_path, text, mapping)
    assert folder.column("scan/gamma", "section") == ["1", "2"]
    assert any("1 rows name another section" in note for note in report.files[0].notes)


def test_offsets_are_converted_again_when_a_section_becomes_longer(tmp_path):
    mapping = GAMMA.replace("table =", 'offset_from = "section bottom"\ntable =')
    folder, _ = imported(tmp_path, gamma([(1, 2)], n=2), mapping)
    folder.write("sections.csv", folder.text("sections.csv").replace("1,2,1.4", "1,2,1.45"))
    report = folder.run()
    assert folder.column("scan/gamma", "offset [cm]") == ["145", "144"]
    assert report.files[0].status == "mapping changed"


# Corrections ------------------------------------------------------------------------------------

CORRECTION = '[[correct]]\nreason = "seen on the core"\n'


@pytest.mark.parametrize(
    ("lines", "header", "expected", "rows"),
    [
        ('column = "Pos (mm)"\nunit = "cm"', "offset [cm]", ["0", "10", "20"], 3),
        ('column = "Counts"\nfactor = 10', "counts", ["10000", "10010", "10020"], 3),
        ('column = "Counts"\nadd = -1', "counts", ["999", "1000", "1001"], 3),
        ('column = "Sect"\nreplace = { "1" = "2" }', "section", ["2", "2", "2"], 3),
        (
            'column = "Counts"\nfactor = 2\nwhere = { "Pos (mm)" = "> 0" }',
            "counts",
            ["1000", "2002", "2004"],
            2,
        ),
        (
            'column = "Counts"\nfactor = 10\nfiles = "other/*"',
            "counts",
            ["1000", "1001", "1002"],
            0,
        ),
    ],
)
def test_a_line_of_the_mapping_corrects_and_is_recorded(tmp_path, lines, header, expected, rows):
    folder, report = imported(tmp_path, gamma([(1, 1)]), GAMMA + CORRECTION + lines)
    assert folder.column("scan/gamma", header) == expected
    assert len(report.corrections) == 1
    assert report.corrections[0].endswith(f"({rows} rows): seen on the core")
    assert [w for w in report.warnings if "a correction changes nothing" in w] == (
        [] if rows else [report.warnings[0]]
    )
    kept = json.loads(cp.read_hole(folder.path).attrs["import_corrections"])
    assert kept[0]["reason"] == "seen on the core"


PLACED = GAMMA.replace('offset = "Pos (mm)"', 'offset = "pos [mm]"').replace(
    "[source.columns]", "[source.parts]\n'Pos (mm)' = '^(?P<pos>[0-9]+)$'\n[source.columns]"
)


def test_a_group_of_a_label_is_corrected(tmp_path):
    lines = 'column = "pos"\nadd = 1000\nwhere = { pos = ">= 10" }'
    folder, report = imported(tmp_path, gamma([(1, 1)]), PLACED + CORRECTION + lines)
    assert folder.column("scan/gamma", "offset [cm]") == ["0", "101", "102"]
    assert "(2 rows)" in report.corrections[0]
    assert "in files that did not change" in folder.run().corrections[0]


def test_a_correction_without_effect_is_a_doubt_of_every_report(tmp_path):
    lines = 'column = "Sect"\nreplace = { "7" = "8" }'
    folder, report = imported(tmp_path, gamma([(1, 1)]), GAMMA + CORRECTION + lines)
    for one in (report, folder.run()):
        assert one.corrections[0].endswith("(0 rows): seen on the core")
        assert "a correction changes nothing: column 'Sect'" in str(one)


@pytest.mark.parametrize("mapping", [GAMMA, PLACED])
def test_a_correction_of_a_column_that_is_nowhere_is_refused(tmp_path, mapping):
    folder = Folder(tmp_path, mapping + CORRECTION + 'column = "Cuonts"\nfactor = 2')
    folder.write("exports/a.csv", gamma([(1, 1)]))
    with pytest.raises(HoleError, match="'Cuonts', which no file has") as caught:
        folder.run()
    assert "Did you mean 'Counts'?" in str(caught.value)
    assert not (folder.path / "scan/gamma.csv").exists()


def test_a_correction_that_is_added_later_changes_what_was_imported(tmp_path):
    folder, _ = imported(tmp_path, gamma([(1, 1)]))
    lines = 'column = "Sect"\nreplace = { "1" = "2" }'
    folder.write("import.toml", GAMMA + CORRECTION + lines)
    report = folder.run()
    assert folder.column("scan/gamma", "section") == ["2"] * 3
    assert report.total("replaced") == 3
    folder.run()
    folder.write("import.toml", GAMMA)
    folder.run()
    assert folder.column("scan/gamma", "section") == ["1"] * 3


def test_a_corrected_length_of_a_section(tmp_path):
    lines = 'core = "1"\nsection = "2"\nlength = "148 cm"'
    folder, report = imported(tmp_path, gamma([(1, 1)]), GAMMA + CORRECTION + lines)
    assert folder.column("sections", "length [m]") == ["1.5", "1.48", "1.5", "1.5"]
    assert report.corrections == [
        "section '2' of core '1' is 1.48 m long (1 rows): seen on the core"
    ]


# Faults of the mapping --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("scan/gamma", "scan/gama"), "Did you mean 'scan/gamma'?"),
        (('counts = "Counts"', 'count = "Counts"'), "scan/gamma has no column 'count'"),
        (('files = "exports/*.csv"', ""), "names no files"),
        (("table =", "tabel ="), "Did you mean 'table'?"),
        (("table =", 'decimal = ";"\ntable ='), "Write one of '.', ','"),
        (("table =", 'time_zone = "Mars"\ntable ='), "is not a known zone"),
        (('counts = "Counts"', "counts = 5"), "counts is 5, not a header of the export"),
        (('counts = "Counts"', 'counts = { unit = "1" }'), "counts needs either a column or a"),
        (('core = "Core"\n', ""), "no line gives scan/gamma its 'core'"),
        (('offset = "Pos (mm)"', '"offset [s]" = "Pos (mm)"'), "Write 'offset [cm]'"),
        (('core = "Core"', '"core [m]" = "Core"'), "core is a text and has no unit"),
        (("table =", "where = { Counts = '> x' }\ntable ="), "which is not a number"),
        (("[source.columns]", "[source.parts]\nLabel = '('\n[source.columns]"), "cannot be read"),
        (("[source.columns]", "[source.parts]\nLabel = 'x'\n[source.columns]"), "names no group"),
        (("table =", 'rerun = "guess"\ntable ='), "Write one of 'number', 'replace', 'refuse'"),
        (('live_time = "Live (s)"', 'live_time = { value = "4" }'), "Write live_time = { value ="),
        (("[[source]]", "[[source"), "the TOML cannot be read"),
    ],
)
def test_a_fault_of_the_mapping_is_named_with_its_cure(change, expected):
    with pytest.raises(HoleError, match=r"import\.toml cannot be used") as caught:
        parse_mapping(GAMMA.replace(*change))
    assert expected in str(caught.value)


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ('[[correct]]\ncolumn = "a"\nfactor = 2', "a correction has no reason"),
        ('[[correct]]\nreason = "r"\ncolumn = "a"', "a correction changes nothing"),
        ('[[correct]]\nreason = "r"\nlength = "1 m"', "has no core and section"),
        ('[[correct]]\nreason = "r"\ncore = "1"\nsection = "1"\nlength = "1"', "not a length"),
        ('[deduce]\ncoring_method = "pistn"', "Write one of 'piston'"),
    ],
)
def test_faults_of_corrections_and_deductions(lines, expected):
    with pytest.raises(HoleError) as caught:
        parse_mapping(GAMMA + lines)
    assert expected in str(caught.value)


def test_all_faults_are_listed_at_once():
    wrong = GAMMA.replace("counts =", "cuonts =").replace("live_time =", "livetime =")
    with pytest.raises(HoleError) as caught:
        parse_mapping(wrong)
    assert len(caught.value.problems) >= 2


def test_a_missing_mapping_and_a_missing_column(tmp_path):
    with pytest.raises(FileNotFoundError, match="write the mapping there"):
        cp.importing.run(tmp_path)
    _, report = imported(tmp_path, gamma([(1, 1)]).replace("Counts", "Cuonts"))
    assert fault(report) == "exports/a.csv has no column 'Counts': did you mean 'Cuonts'?"


def test_a_header_that_is_there_twice_is_refused(tmp_path):
    _, report = imported(tmp_path, gamma([(1, 1)]).replace("Live (s)", "Counts"))
    assert "has 2 columns 'Counts'; rename one of them" in fault(report)


# Supplied values --------------------------------------------------------------------------------

SUPPLIED = """
[[source]]
files = "exports/*.csv"
table = "scan/reduced"
[source.columns]
depth = "Depth (m)"
porosity = "Porosity (%)"
u_porosity = "sd (%)"
porosity_flag = "Flag"
equilibrium_temperature = "T (degF)"
u_equilibrium_temperature = "sT (degF)"
"""


def test_uncertainties_and_flags_stand_beside_a_quantity(tmp_path):
    text = "Depth (m),Porosity (%),sd (%),Flag,T (degF),sT (degF)\n1,45,1.5,3,212,1.8\n"
    folder, _ = imported(tmp_path, text, SUPPLIED)
    row = folder.rows("scan/reduced")[0]
    assert (row["porosity"], row["u_porosity"], row["porosity_flag"]) == ("0.45", "0.015", "3")
    assert row["equilibrium_temperature [degC]"] == "100"
    # A difference of 1.8 degF is one of 1 K: no zero of the scale is taken off.
    assert row["u_equilibrium_temperature [K]"] == "1"


# Cells that stand once for several rows ---------------------------------------------------------

FILL = GAMMA.replace('table = "scan/gamma"', 'table = "scan/gamma"\nfill = ["Core", "Sect"]')


def filled(tmp_path, rows):
    export = "Core,Sect,Pos (mm),Counts,Live (s)\n" + rows
    folder, report = imported(tmp_path, export, FILL)
    written = [(r["core"], r["section"], r["counts"]) for r in folder.rows("scan/gamma")]
    return written, report


def test_an_empty_cell_takes_the_one_above_and_is_counted(tmp_path):
    written, report = filled(tmp_path, "1,1,0,10,4\n,,10,11,4\n,2,0,12,4\n2,1,0,13,4\n,,10,14,4\n")
    assert written == [
        *[("1", "1", "10"), ("1", "1", "11"), ("1", "2", "12")],
        *[("2", "1", "13"), ("2", "1", "14")],
    ]
    notes = report.files[0].notes
    assert "3 empty cells of Core are filled with the cell above" in notes
    assert "2 empty cells of Sect are filled with the cell above" in notes


def test_a_section_is_not_carried_into_the_next_core(tmp_path):
    written, report = filled(tmp_path, ",1,0,9,4\n1,2,0,10,4\n2,,0,11,4\n,,10,12,4\n,1,0,13,4\n")
    assert written == [("1", "2", "10"), ("2", "1", "13")]
    reasons = [(line, reason) for _, line, _, reason, _ in report.refused]
    assert reasons == [(2, "core is empty"), (4, "section is empty"), (5, "section is empty")]


def test_a_cell_below_a_refused_row_is_not_filled(tmp_path):
    written, report = filled(tmp_path, "1,1,0,10,4\n2,1,0,11\n,,10,12,4\n2,1,20,13,4\n,,30,14,4\n")
    assert written == [("1", "1", "10"), ("2", "1", "13"), ("2", "1", "14")]
    words = "1 empty cells of Core are not filled, for a refused row stands above them"
    assert words in report.files[0].notes


def test_a_column_to_fill_that_no_file_has_is_refused(tmp_path):
    text = FILL.replace('fill = ["Core", "Sect"]', 'fill = ["Kern"]')
    _, report = imported(tmp_path, gamma([(1, 1)]), text)
    assert "has no column 'Kern'" in fault(report)


def test_merged_cells_of_a_workbook_are_filled(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    rows = [("Core", "Sect", "Pos (mm)", "Counts", "Live (s)"), (1, 1, 0, 10, 4)]
    for row in [*rows, (None, None, 10, 11, 4), (None, 2, 0, 12, 4)]:
        book.active.append(row)
    book.active.merge_cells("A2:A4")
    book.active.merge_cells("B2:B3")
    folder = Folder(tmp_path, FILL.replace("*.csv", "*.xlsx"))
    (tmp_path / "exports").mkdir()
    book.save(tmp_path / "exports" / "a.xlsx")
    assert_balanced(folder.run())
    assert folder.column("scan/gamma", "core") == ["1"] * 3
    assert folder.column("scan/gamma", "section") == ["1", "1", "2"]


# One over a number ------------------------------------------------------------------------------


def reduced(line):
    return (
        '[[source]]\nfiles = "exports/*.csv"\ntable = "samples/reduced"\n[source.columns]\n'
        f'core = "C"\nsection = "S"\noffset = "O (cm)"\n{line}\n'
    )


def with_reciprocal(tmp_path, line, cells):
    rows = "".join(f"1,1,{n},{cell}\n" for n, cell in enumerate(cells))
    return imported(tmp_path, f"C,S,O (cm),DT (us/ft)\n{rows}", reduced(line))


def test_a_velocity_from_a_slowness(tmp_path):
    line = 'p_wave_velocity = { column = "DT (us/ft)", reciprocal = true }'
    folder, report = with_reciprocal(tmp_path, line, ["200", "152.4", "0", "-5", "", "x"])
    written = folder.column("samples/reduced", "p_wave_velocity [m/s]")
    assert [float(v) for v in written[:2]] == pytest.approx([1524.0, 2000.0], rel=1e-14)
    assert written[2:] == ["x"]
    words = "cells of p_wave_velocity are zero or negative, which has no reciprocal here"
    assert any(note.startswith(f"2 {words}") for note in report.files[0].notes)
    assert counts_of(report.files[0])["samples/reduced"] == {"added": 3, "empty": 3}


def test_the_factor_counts_before_the_reciprocal(tmp_path):
    line = (
        'p_wave_velocity = { column = "DT (us/ft)", factor = 10, reciprocal = true, null = ["-5"] }'
    )
    folder, report = with_reciprocal(tmp_path, line, ["20", "-5"])
    written = folder.column("samples/reduced", "p_wave_velocity [m/s]")
    assert [float(v) for v in written] == pytest.approx([1524.0], rel=1e-14)
    assert report.files[0].notes == ["1 cells of p_wave_velocity are codes of a missing value"]


def test_a_reciprocal_of_another_dimension_is_refused(tmp_path):
    line = 'electrical_resistivity = { column = "DT (us/ft)", reciprocal = true }'
    _, report = with_reciprocal(tmp_path, line, ["200"])
    assert "'us/ft' cannot be converted to '1/(ohm m)'" in fault(report)


def test_a_resistivity_from_a_conductivity(tmp_path):
    line = 'electrical_resistivity = { column = "EC (mS/cm)", reciprocal = true }'
    folder, _ = imported(tmp_path, "C,S,O (cm),EC (mS/cm)\n1,1,0,32\n", reduced(line))
    assert folder.column("samples/reduced", "electrical_resistivity [ohm m]") == ["0.3125"]


@pytest.mark.parametrize("key", ["direction", "u_p_wave_velocity"])
def test_a_text_or_an_uncertainty_has_no_reciprocal(key):
    line = f'{key} = {{ column = "X", reciprocal = true }}'
    with pytest.raises(HoleError, match=f"{key} cannot be one over a number"):
        parse_mapping(reduced(line))


@pytest.mark.parametrize(
    ("unit", "inverse"),
    [("m/s", "s/m"), ("W/(m K)", "m K/W"), ("ohm m", "1/(ohm m)"), ("1", "1"), ("1/m", "m")],
)
def test_inverse_units(unit, inverse):
    assert convert._inverse(unit) == inverse
    assert convert._inverse(inverse) == unit


# Texts above the header -------------------------------------------------------------------------

HEATING = r"""
[[source]]
files = "exports/*.heat"
decimal = ","
skip_lines = 4
table = "samples/needle"
[source.preamble]
place = '^where: (.*)$'
power = 'power: (\S+) W/m'
start = 'start: (\S+)'
[source.parts]
place = 'K(?P<core>\d+) / (?P<section>\w+) at (?P<offset>[\d,]+) m'
"file name" = '(?P<run>\d+)'
[source.columns]
offset = "offset [m]"
geometry = { value = "full_space" }
direction = { value = "across" }
heating_power = "power [W/m]"
time = "t [s]"
temperature = "T [degC]"
"""


def heating(place="K4 / 1 at 0,225 m", power="power: 3,5 W/m", mark=""):
    above = f'{mark}Run "no 1\n{mark}where: {place}\n{mark}heater {power}\n{mark}***\n'
    return above + "t [s];T [degC]\n1,0;20,5\n2,0;20,75\n"


@pytest.mark.parametrize(
    ("mark", "lines"),
    [
        ("", "skip_lines = 4"),
        ("", 'skip_to = "t [s]"'),
        ("# ", 'comment = "#"'),
        ("", 'skip_lines = 4\ndelimiter = ";"\nencoding = "latin-1"'),
    ],
)
def test_values_above_the_header_become_columns(tmp_path, mark, lines):
    text = HEATING.replace("skip_lines = 4", lines)
    if mark:
        text = text.replace("'^where", "'^# where")
    folder = Folder(tmp_path, text)
    folder.write("exports/7.heat", heating(mark=mark))
    folder.write("exports/8.heat", heating("K2 / 1 at 0,5 m", "power: 2,75 W/m", mark=mark))
    report = folder.run()
    assert_balanced(report)
    assert report.refused_files == []
    names = ("core", "section", "offset [cm]", "run", "heating_power [W/m]")
    written = [tuple(row[name] for name in names) for row in folder.rows("samples/needle")]
    assert written == [("4", "1", "22.5", "7", "3.5")] * 2 + [("2", "1", "50", "8", "2.75")] * 2


def test_a_file_without_a_mapped_preamble_is_refused_by_name(tmp_path):
    folder = Folder(tmp_path, HEATING)
    folder.write("exports/7.heat", heating())
    folder.write("exports/8.heat", heating(power="cold"))
    folder.write("exports/9.heat", heating().replace("***", "heater power: 4,5 W/m"))
    report = folder.run()
    assert [one.file for one in report.refused_files] == ["exports/8.heat", "exports/9.heat"]
    first, second = [one.fault for one in report.refused_files]
    assert "exports/8.heat has no 'power' by the pattern" in first
    assert "none of the 4 lines above the header matches" in first
    assert "several lines above the header match, with '3,5', '4,5'" in second
    assert folder.column("samples/needle", "run") == ["7", "7"]


def test_rows_are_chosen_by_a_text_above_the_header(tmp_path):
    text = HEATING.replace("skip_lines", 'where = { place = "!= standard piece" }\nskip_lines')
    folder = Folder(tmp_path, text)
    folder.write("exports/1.heat", heating("standard piece"))
    folder.write("exports/7.heat", heating())
    report = folder.run()
    assert_balanced(report)
    assert [one.tables[0].left_out for one in report.files] == [2, 0]
    assert folder.column("samples/needle", "run") == ["7", "7"]


def test_a_preamble_of_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in [("Core:", 2), (), ("Sect", "Pos (mm)", "Counts", "Live (s)"), (1, 0, 10, 4)]:
        book.active.append(row)
    text = GAMMA.replace("*.csv", "*.xlsx").replace('core = "Core"\n', "")
    text = text.replace(
        "[source.columns]",
        "skip_to = 'Sect'\n[source.preamble]\ncore = 'Core: (\\d+)'\n[source.columns]",
    )
    folder = Folder(tmp_path, text)
    (tmp_path / "exports").mkdir()
    book.save(tmp_path / "exports" / "a.xlsx")
    assert_balanced(folder.run())
    assert folder.column("scan/gamma", "core") == ["2"]


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("'power (W)(m)'", "has 2 groups"),
        ("'power'", "has 0 groups"),
        ("'('", "cannot be read"),
        ("3", "cannot be read"),
    ],
)
def test_a_pattern_of_the_preamble_has_one_group(pattern, words):
    text = HEATING.replace("'power: (\\S+) W/m'", pattern)
    assert text != HEATING
    with pytest.raises(HoleError, match=f"the pattern of 'power' {words}"):
        parse_mapping(text)


def test_a_name_of_the_preamble_is_no_header_and_no_group(tmp_path):
    with pytest.raises(HoleError, match="'core' is a group of"):
        parse_mapping(HEATING.replace("power = 'power", "core = 'power"))
    text = HEATING.replace("start = ", "'t [s]' = ")
    folder = Folder(tmp_path, text)
    folder.write("exports/7.heat", heating())
    assert "has a column 't [s]', which is a name of [source.preamble]" in fault(folder.run())
