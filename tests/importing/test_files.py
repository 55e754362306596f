"""Foreign files as text: encodings, delimiters, headers, line numbers, what is not a row."""

from __future__ import annotations

import datetime
import sys

import pytest

from corephys.importing.files import FileFault, Layout, read_file, split_unit

ROWS = "core;offset (mm)\n1;0,5\n2;10\n"


def read(tmp_path, content, name="export.csv", **layout):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return read_file(path, Layout(**layout))


@pytest.mark.parametrize(
    ("encoding", "stated"),
    [
        ("utf-8", ""),
        ("utf-8-sig", ""),
        ("utf-16", ""),
        ("utf-16-le", "utf-16-le"),
        ("latin-1", "latin-1"),
        ("cp1252", "cp1252"),
    ],
)
def test_every_encoding_gives_the_same_cells(tmp_path, encoding, stated):
    text = "Kern;Tiefe µm\nÄ;1\n"
    found = read(tmp_path, text.encode(encoding), encoding=stated)
    assert found.header == ["Kern", "Tiefe µm"]
    assert found.columns == [["Ä"], ["1"]]


def test_bytes_that_are_not_utf_8_are_refused_with_their_line(tmp_path):
    with pytest.raises(FileFault, match=r"export.csv:2: the byte 0xe4 .* set encoding"):
        read(tmp_path, "a,b\nä,1\n".encode("latin-1"))


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(tmp_path, delimiter):
    found = read(tmp_path, ROWS.replace(",", ".").replace(";", delimiter))
    assert found.delimiter == delimiter
    assert found.columns == [["1", "2"], ["0.5", "10"]]


def test_decimal_commas_do_not_pass_for_delimiters(tmp_path):
    found = read(tmp_path, "a,b;c,d;e\n1,5;2,5;3\n4,5;5,5;6\n")
    assert found.header == ["a,b", "c,d", "e"]


def test_white_space_is_a_delimiter_on_request(tmp_path):
    text = "core   offset\n 1   0.5\n 2\t10\n"
    with pytest.raises(FileFault, match="no delimiter was found"):
        read(tmp_path, "core   offset\n 1   0.5\n")
    assert read(tmp_path, text, delimiter="space").columns == [["1", "2"], ["0.5", "10"]]


def test_lines_before_the_header_and_comments(tmp_path):
    text = 'made on a "bench\nsecond\n# words, more\ncore,offset\n1,0\n# end\n2,5\n'
    found = read(tmp_path, text, skip_lines=2, comment="#")
    assert found.header == ["core", "offset"]
    assert list(found.rows) == [5, 7]
    assert found.comments == 2
    by_text = read(tmp_path, text, skip_to="core", comment="#")
    assert (by_text.header, list(by_text.rows)) == (found.header, [5, 7])


def test_two_lines_of_header_and_a_row_of_units(tmp_path):
    text = "Wave,,Core\nspeed,amp,no\nm/s,,\n1500,3,1\n"
    found = read(tmp_path, text, header_lines=2, units_row=True)
    assert found.header == ["Wave speed", "amp", "Core no"]
    assert found.units == ["m/s", "", ""]
    assert list(found.rows) == [4]


def test_without_a_header_columns_have_numbers(tmp_path):
    found = read(tmp_path, "1,0.5\n2,1.5\n", header_lines=0)
    assert found.header == ["1", "2"]
    assert found.columns == [["1", "2"], ["0.5", "1.5"]]


def test_a_row_with_other_fields_is_refused_with_its_line(tmp_path):
    found = read(tmp_path, "a,b\n1,2\n3\n4,5,6\n7,8,\n9,10\n")
    assert found.columns == [["1", "7", "9"], ["2", "8", "10"]]
    assert [row[:2] for row in found.refused] == [
        (3, "1 fields, fewer than the 2 of the header"),
        (4, "3 fields, more than the 2 of the header"),
    ]
    assert list(found.rows) == [2, 5, 6]


def test_a_regular_file_reads_as_an_irregular_one(tmp_path):
    """Two ways through the reader: by blocks, and row by row where something is irregular."""
    text = "a,b\n" + "".join(f"{n},x{n % 7}\n" for n in range(1000))
    regular, irregular = read(tmp_path, text), read(tmp_path, text + "\n")
    assert regular.columns == irregular.columns
    assert list(regular.rows) == list(irregular.rows)
    assert regular.header == irregular.header


@pytest.mark.parametrize("tail", ["3,", "3,4", '3,"four'])
def test_the_last_line_without_a_line_end_is_not_taken(tmp_path, tail):
    found = read(tmp_path, "a,b\n1,2\n" + tail)
    assert found.columns == [["1"], ["2"]]
    assert found.unfinished == tail


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_character_that_is_half_written_is_not_taken(tmp_path, encoding):
    text = "a,b\n1,µ\n2,µ"
    cut = text.encode(encoding)[:-1]
    found = read(tmp_path, cut)
    assert found.columns == [["1"], ["µ"]]
    assert found.unfinished == "2,\N{REPLACEMENT CHARACTER}"
    assert read(tmp_path, text.encode(encoding)).unfinished == "2,µ"


def test_a_complete_file_may_lack_the_last_line_end(tmp_path):
    found = read(tmp_path, "a,b\n1,2\n3,4", complete=True)
    assert found.columns == [["1", "3"], ["2", "4"]]
    assert found.unfinished == ""


def test_quoted_texts_keep_delimiters_and_line_ends(tmp_path):
    found = read(tmp_path, 'a,b\n"x, ""y""\nz",1\nw,2\n')
    assert found.columns == [['x, "y"\nz', "w"], ["1", "2"]]
    assert list(found.rows) == [3, 4]


def test_an_open_quotation_mark_is_refused(tmp_path):
    with pytest.raises(FileFault, match=r"export.csv:3: .* close every quotation mark"):
        read(tmp_path, 'a,b\n1,2\n"x"y,3\n4,5\n')


def test_a_file_without_rows_or_header(tmp_path):
    assert len(read(tmp_path, "a,b\n")) == 0
    with pytest.raises(FileFault, match="a header was not found"):
        read(tmp_path, "")
    with pytest.raises(FileFault, match="a line that begins with 'Core' was not found"):
        read(tmp_path, "a,b\n1,2\n", skip_to="Core")


def test_an_empty_column_without_a_name_is_left_out(tmp_path):
    found = read(tmp_path, "a,b,\n1,2,\n")
    assert found.header == ["a", "b"]
    assert read(tmp_path, "a,b,\n1,2,3\n").header == ["a", "b", "column 3"]


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("Density (g/cc)", ("Density", "g/cc")),
        ("Depth [m]", ("Depth", "m")),
        ("Depth (below floor) (m)", ("Depth (below floor)", "m")),
        ("Conductivity (W/(m K))", ("Conductivity", "W/(m K)")),
        ("Counts", ("Counts", "")),
        ("(m)", ("(m)", "")),
    ],
)
def test_the_bracket_of_a_header(header, expected):
    assert split_unit(header) == expected


# Workbooks and parquet --------------------------------------------------------------------------


@pytest.fixture
def workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Data"
    sheet.append(["logger 4"])
    sheet.append(["Core", "Offset (mm)", "When", "Note"])
    sheet.append(["01", 10, datetime.datetime(2031, 5, 1, 10, 30), None])
    sheet.append([2, 0.1, None, "end"])
    path = tmp_path / "export.xlsx"
    book.save(path)
    return path


def test_a_workbook_is_read_cell_by_cell(workbook):
    found = read_file(workbook, Layout(skip_lines=1))
    assert found.header == ["Core", "Offset (mm)", "When", "Note"]
    assert found.columns == [
        ["01", "2"],
        ["10", "0.1"],
        ["2031-05-01T10:30:00", ""],
        ["", "end"],
    ]
    assert list(found.rows) == [3, 4]


def test_a_cell_that_is_shown_in_per_cent_is_read_so(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["Porosity", "Other"])
    book.active.append([0.455, 0.455])
    book.active["A2"].number_format = "0.0%"
    book.save(tmp_path / "export.xlsx")
    assert read_file(tmp_path / "export.xlsx").columns == [["45.5%"], ["0.455"]]


def test_several_sheets_need_a_name(workbook):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.load_workbook(workbook)
    book.create_sheet("Notes")
    book.save(workbook)
    with pytest.raises(FileFault, match="several sheets; set sheet to one of 'Data', 'Notes'"):
        read_file(workbook)
    assert len(read_file(workbook, Layout(sheet="Data", skip_lines=1))) == 2
    with pytest.raises(FileFault, match="no sheet 'Dta'"):
        read_file(workbook, Layout(sheet="Dta"))


def test_a_half_written_workbook_is_refused(tmp_path, workbook):
    path = tmp_path / "half.xlsx"
    path.write_bytes(workbook.read_bytes()[:500])
    with pytest.raises(FileFault, match="cannot be read as a workbook"):
        read_file(path)


def test_a_parquet_file_is_read_with_its_units(tmp_path):
    arrow = pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    parquet = pytest.importorskip("pyarrow.parquet")
    fields = [
        arrow.field("Core", arrow.string()),
        arrow.field("Offset", arrow.float64(), metadata={"units": "mm"}),
        arrow.field("Single", arrow.float32()),
        arrow.field("Counts", arrow.int64()),
    ]
    rows = [["01", None], [0.1, None], [0.1, None], [12345678901, None]]
    table = arrow.table(
        [arrow.array(c, f.type) for c, f in zip(rows, fields, strict=True)],
        schema=arrow.schema(fields),
    )
    parquet.write_table(table, tmp_path / "export.parquet")
    found = read_file(tmp_path / "export.parquet")
    assert found.header == ["Core", "Offset", "Single", "Counts"]
    assert found.units == ["", "mm", "", ""]
    assert found.columns == [["01", ""], ["0.1", ""], ["0.1", ""], ["12345678901", ""]]


@pytest.mark.parametrize(
    ("module", "extra", "name"),
    [("openpyxl", "excel", "export.xlsx"), ("pyarrow.parquet", "parquet", "export.parquet")],
)
def test_a_missing_package_names_its_extra(tmp_path, monkeypatch, module, extra, name):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(FileFault, match=rf"pip install 'corephys\[{extra}\]'"):
        read(tmp_path, b"", name)
