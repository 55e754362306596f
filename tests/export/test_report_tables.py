"""Tables of a report: the tree's numbers, digits by hand, footnotes, hostile text, same bytes."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import lasio
import numpy as np
import openpyxl
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.export import REPORT_TABLES, report_table
from corephys.export.table import Column, NothingToTabulate, ReportTable, workbook
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, digits
from corephys.ground.provenance import ORIGINS, used_constants


@pytest.fixture(scope="module")
def reduced(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


# Worked by hand: the uncertainty to two significant digits, the value to the same place.
@pytest.mark.parametrize(
    ("value", "u", "cells"),
    [
        (1.23456, 0.0994, ("1.235", "0.099")),
        (1.23456, 0.0996, ("1.23", "0.10")),
        (9.96, 0.996, ("10.0", "1.0")),
        (12.3456, 9.96, ("12", "10")),
        (123456.0, 2345.0, ("123500", "2300")),
        (-5.4321, 0.0123, ("-5.432", "0.012")),
        (0.0, 0.5, ("0.00", "0.50")),
        (1.5e-7, 2.2e-9, ("1.500e-07", "2.2e-09")),
        (2.7, float("nan"), ("2.700", "")),
        (2.7, 0.0, ("2.700", "")),
        (2.7, float("inf"), ("2.700", "")),
        (float("nan"), 0.1, ("", "")),
        (float("inf"), 0.1, ("", "")),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float, cells: tuple[str, str]) -> None:
    assert digits(value, u) == cells


@pytest.mark.slow
@pytest.mark.parametrize("name", list(cp.export.REPORT_TABLES))
def test_every_table_is_written_in_four_formats(reduced: xr.DataTree, name: str) -> None:
    table = cp.export.report_table(reduced, name)
    rows = list(csv.reader(io.StringIO(table.to_csv())))
    assert len(rows) == len(table) + 1 > 1 and len({len(row) for row in rows}) == 1
    markdown = [line for line in table.to_markdown().splitlines() if line.startswith("|")]
    assert len(markdown) == len(table) + 2
    assert len({len(re.findall(r"(?<!\\)\|", line)) for line in markdown}) == 1
    latex = table.to_latex()
    assert latex.count("\\\\\n") == len(table) + 2
    assert latex.count("{") == latex.count("}")
    body = latex.split("\\endfoot\n")[1].split("\\end{longtable}")[0].strip().splitlines()
    assert {len(re.findall(r"(?<!\\)&", line)) for line in body} == {len(table.columns) - 1}
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan", "", table.to_csv())
    assert table._repr_html_().count("<tr>") == len(table) + 1


def test_cells_are_the_numbers_of_the_tree(reduced: xr.DataTree) -> None:
    found = cp.export.report_table(reduced, "thermal_conductivity").frame
    leaf = reduced["properties/thermal_conductivity"].to_dataset()
    order = np.argsort(leaf["depth"].values, kind="stable")
    k = leaf["thermal_conductivity"].values[order]
    np.testing.assert_array_equal(found["thermal conductivity [W/(m K)]"].astype(float), k)
    u = cp.uncertainty.total(leaf, "thermal_conductivity").values[order]
    np.testing.assert_array_equal(found["± of thermal conductivity [W/(m K)]"].astype(float), u)
    samples = cp.export.report_table(reduced, "index_properties").frame
    phi = reduced["properties/index_properties"]["porosity"].values
    np.testing.assert_allclose(np.sort(samples["porosity [%]"]), np.sort(100.0 * phi))
    flow = cp.export.report_table(reduced, "heat_flow").frame
    assert flow["value"][0] == float(reduced["products/heat_flow"]["heat_flow"])


def test_recovery_is_recovered_over_advance(reduced: xr.DataTree) -> None:
    frame = cp.export.report_table(reduced, "cores").frame
    share = 100.0 * frame["recovered [m]"] / frame["advance [m]"]
    np.testing.assert_allclose(frame["recovery [%]"], share)
    sections = reduced["sections"]["core"].values.astype(str)
    assert list(frame["sections"]) == [float((sections == c).sum()) for c in frame["core"]]


def test_values_not_used_have_a_footnote_for_each_reason(reduced: xr.DataTree) -> None:
    table = cp.export.report_table(reduced, "thermal_conductivity")
    leaf = reduced["properties/thermal_conductivity"]
    rejected = int((~cp.flags.usable(leaf["thermal_conductivity_flag"].values)).sum())
    column = next(c for c in table.columns if c.label.startswith("thermal"))
    assert sum(bool(mark) for mark in column.marks) == rejected > 0
    assert all(column.cells)  # a value that is not used is still told
    notes = [note for note in table.notes if "not used" in note]
    assert sum(int(re.findall(r"(\d+) value", note)[0]) for note in notes) >= rejected
    assert {note[0] for note in notes} == {m for mark in column.marks for m in mark.split(",") if m}


def test_a_planted_reason_is_counted(reduced: xr.DataTree) -> None:
    tree = reduced.copy(deep=True)
    leaf = tree["properties/thermal_conductivity"].to_dataset(inherit=False)
    leaf["thermal_conductivity_flag"][3:5] = 4
    leaf["thermal_conductivity_reason"][3:5] = cp.flags.bit("spike")
    leaf["thermal_conductivity"][4] = np.nan
    tree["properties/thermal_conductivity"] = xr.DataTree(leaf)
    table = cp.export.report_table(tree, "thermal_conductivity")
    assert any("2 values not used: spike" in note for note in table.notes)
    assert "1 values are missing." in table.notes


def test_constants_of_the_calibration_are_those_of_the_leaf(reduced: xr.DataTree) -> None:
    frame = cp.export.report_table(reduced, "calibration").frame
    gamma = frame[frame["sensor"] == "gamma"]
    stated = reduced["properties/gamma_calibration"].attrs["coefficients"]
    assert list(gamma["value"]) == list(stated[: len(gamma)])
    assert (gamma["±"].astype(float) > 0).all()
    assert set(frame["sensor"]) == {"gamma", "P-wave", "resistivity", "natural gamma"}


def test_tables_of_stress_and_source_carry_the_caution(reduced: xr.DataTree) -> None:
    warned = {
        name: line
        for name in cp.export.REPORT_TABLES for line in (RESEARCH_ONLY, SEALED_SOURCE)
        if line in cp.export.report_table(reduced, name).notes
    }  # fmt: skip
    assert warned == {
        "strength": RESEARCH_ONLY, "consolidation": RESEARCH_ONLY, "calibration": SEALED_SOURCE,
    }  # fmt: skip


HOSTILE = "=HYPERLINK(1)|<i>&_%\\x"


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    words = (HOSTILE, "-1+2", "plain")
    table = ReportTable("x", HOSTILE, (
        Column("a_b", words, words),
        Column("n", ("-1.50", "", "2"), (-1.5, None, 2.0), ("a", "", "")),
    ), (HOSTILE,))  # fmt: skip
    rows = list(csv.reader(io.StringIO(table.to_csv())))
    assert [row[0] for row in rows[1:]] == ["'" + HOSTILE, "'-1+2", "plain"]
    assert rows[1][1:] == ["-1.50", "a"]  # a negative number is no formula
    assert "<i>" not in table._repr_html_() and r"\|\<i\>" in table.to_markdown()
    assert r"\textbar{}\textless{}i\textgreater{}\&\_\%\textbackslash{}x" in table.to_latex()
    path = tmp_path / "x.xlsx"
    path.write_bytes(workbook([table], path))
    sheet = openpyxl.load_workbook(path)["x"]
    assert sheet["A3"].value == HOSTILE and sheet["A3"].data_type == "s"
    assert sheet["B3"].value == -1.5 and sheet["B3"].number_format == "0.00"
    assert sheet["C3"].value == "a" and sheet["B4"].value is None


def test_files_are_the_same_at_every_run_and_hold_the_cells(
    reduced: xr.DataTree, tmp_path: Path
) -> None:
    written = [cp.export.write_report_tables(reduced, tmp_path / run) for run in "ab"]
    assert [p.name for p in written[0]] == [p.name for p in written[1]]
    assert len(written[0]) == 3 * len(cp.export.REPORT_TABLES) + 1
    assert all(
        a.read_bytes() == b.read_bytes() for a, b in zip(*written, strict=True)
    )  # fmt: skip
    book = openpyxl.load_workbook(tmp_path / "a" / "report_tables.xlsx")
    assert book.sheetnames == list(cp.export.REPORT_TABLES)
    cores = cp.export.report_table(reduced, "cores")
    sheet = book["cores"]
    assert sheet["D3"].value == float(cores.columns[3].cells[0])
    with pytest.raises(ValueError, match="kinds has 'doc'; expected some of"):
        cp.export.write_report_tables(reduced, tmp_path, kinds=("doc",))


def test_an_unfinished_hole_has_fewer_tables(tmp_path: Path) -> None:
    tables = {"cores": {"core": ["1"], "coring_method": ["piston"], "top [m]": [0.0],
                        "advance [m]": [9.5], "recovered [m]": [9.0]}}  # fmt: skip
    tree = cp.reduce(
        cp.hole_from_tables({"cores": pd.DataFrame(tables["cores"])}, {"hole": {"name": "x"}})
    )
    assert [p.name for p in cp.export.write_report_tables(tree, tmp_path, kinds=("md",))] == [
        "cores.md"
    ]
    with pytest.raises(NothingToTabulate, match="which this hole does not have"):
        cp.export.report_table(tree, "strength")
    with pytest.raises(KeyError, match="the tables are cores, index_properties"):
        cp.export.report_table(tree, "nothing")


def test_tables_of_a_site(project_root: Path) -> None:
    site = cp.composite.read_site(project_root / "data_demo" / "site")
    ties = pd.DataFrame({
        "hole": ["B"], "core": ["1"], "depth [m]": [5.0], "to_hole": ["A"], "to_core": ["1"],
        "to_depth [m]": [5.4], "uncertainty [m]": [0.05],
    })  # fmt: skip
    shifts = cp.composite.shifts(ties, site.cores, reference="A")
    table = cp.export.shift_table(shifts)
    assert len(table) == shifts["shift"].size
    np.testing.assert_array_equal(table.frame["shift [m]"].astype(float), shifts["shift"].values)
    row = int(np.flatnonzero((shifts["hole"].values == "B") & (shifts["core"].values == "1"))[0])
    assert (table.columns[3].cells[row], table.columns[4].cells[row]) == ("0.400", "0.050")
    with pytest.raises(NothingToTabulate, match=r"cp\.composite\.shifts"):
        cp.export.shift_table(xr.Dataset())
    with pytest.raises(NothingToTabulate, match="checked_sequence"):
        cp.export.sequence_table(shifts)


def test_las_holds_usable_values_only(reduced: xr.DataTree, tmp_path: Path) -> None:
    path = cp.export.write_las(reduced["properties/density"], tmp_path / "d.las", well="hole 1")
    las = lasio.read(path)
    leaf = reduced["properties/density"].to_dataset()
    use = cp.flags.usable(leaf["bulk_density_flag"].values)
    order = np.argsort(leaf["depth"].values, kind="stable")
    np.testing.assert_allclose(las["DEPT"], leaf["depth"].values[order], atol=1e-5)
    np.testing.assert_array_equal(np.isfinite(las["BULK_DENSITY"]), use[order])
    held = leaf["bulk_density"].values[order]
    np.testing.assert_allclose(
        las["BULK_DENSITY"][use[order]], held[use[order]], rtol=1e-9
    )  # ten digits are written
    np.testing.assert_array_equal(las["BULK_DENSITY_FLAG"], leaf["bulk_density_flag"].values[order])
    with pytest.raises(ValueError, match="a LAS file needs a quantity with flags"):
        cp.export.write_las(xr.Dataset(), tmp_path / "x.las")


def test_column_names_are_unique_in_files(reduced: xr.DataTree) -> None:
    for name in REPORT_TABLES:
        table = report_table(reduced, name)
        assert table.frame.shape == (len(table), len(table.columns)), name
        header = table.to_csv().splitlines()[0].split(",")
        assert len(set(header)) == len(header), name
    samples = reduced["properties/index_properties"].to_dataset()
    frame = report_table(reduced, "index_properties").frame
    u = cp.uncertainty.total(samples, "bulk_density").values[np.argsort(samples["depth"].values)]
    np.testing.assert_array_equal(frame["± of bulk density [g/cm^3]"].astype(float), u)


def test_a_random_part_alone_is_labelled_random(reduced: xr.DataTree) -> None:
    table = report_table(reduced, "consolidation")
    labels = [one.label for one in table.columns]
    place = labels.index("compression index")
    assert labels[place + 1] == "± (random)"
    assert any("systematic part is not known" in note for note in table.notes)


@pytest.mark.slow
def test_levels_of_the_recipe_decide_what_is_not_used(demo_hole: Path) -> None:
    hole = cp.read_hole(demo_hole)
    every = cp.reduce(hole, {"quality": {"use": "good, not_evaluated, suspect"}})
    assert every["products/heat_flow"].attrs["temperatures_left_out"] == 0
    notes = " ".join(report_table(every, "formation_temperature").notes)
    assert "not used" not in notes
    assert "8 of 8 usable" in str(cp.overview(every["properties/formation_temperature"]))


def test_every_constant_has_a_row(reduced: xr.DataTree) -> None:
    frame = report_table(reduced, "constants").frame
    held = {
        (name.replace("_", " ").replace(".", " "), one.shown(), ORIGINS[one.origin])
        for node in reduced.leaves
        for name, one in used_constants(node).items()
    }
    assert set(zip(frame["constant"], frame["value"], frame["from"], strict=True)) == held
    fitted = frame[frame["constant"] == "calibration"]
    assert len(fitted) == 3 and set(fitted["from"]) == {"fitted"}
    cited = frame["source"][frame["from"] == "table of constants"]
    standing = r".+ \((published|definition|library|memory|common practice)\)"
    assert cited.str.fullmatch(standing).all()
    judged = frame["source"][frame["from"] == "table of thresholds"]
    standing = r".+ \((definition|memory|common practice|simulated|choice)\)"
    assert len(judged) > 10 and judged.str.fullmatch(standing).all()
    assert set(frame["source"][frame["from"] == "hole"]) == {""}


def test_special_characters_of_latex_and_markdown_are_escaped() -> None:
    cells = ("[A]", "*B", "a--b", "`c`", "$1$ ~~x~~ &lt;")
    table = ReportTable("t", "T", (Column("name", cells, cells),))
    latex = table.to_latex()
    assert "{}[A]" in latex and "{}*B" in latex and "a-{}-b" in latex
    assert "\\textasciigrave{}c" in latex
    assert r"\$1\$ \~\~x\~\~ &amp;lt;" in table.to_markdown()
    assert f"corephys {cp.__version__}" in latex and f"corephys {cp.__version__}" in repr(table)


def test_a_spreadsheet_shows_the_digits_of_small_numbers(tmp_path: Path) -> None:
    column = Column("x", ("1.23457e-09", "2.500"), (1.23457e-9, 2.5))
    table = ReportTable("t", "T", (column,))
    path = tmp_path / "t.xlsx"
    path.write_bytes(workbook([table], path))
    sheet = openpyxl.load_workbook(path).active
    assert [sheet.cell(r, 1).number_format for r in (3, 4)] == ["0.00000E+00", "0.000"]


def test_las_states_depth_scale_program_and_well(reduced: xr.DataTree, tmp_path: Path) -> None:
    leaf = reduced["properties/density"]
    one, other = (
        cp.export.write_las(leaf, tmp_path / f"{scale}.las", depth_scale=scale).read_text()
        for scale in ("depth", "depth_fitted")
    )
    assert "as laid out" in one and "fitted into the advance" in other
    assert f"corephys {cp.__version__}" in one and str(reduced.attrs["title"]) in one
    path = cp.export.write_las(leaf, tmp_path / "x.las", well="Hole\n~A\n 1 2 3")
    assert cp.logs.read(path)["depth"].size == leaf.sizes["reading"]
    with pytest.raises(ValueError, match="depth_scale is 'offset'"):
        cp.export.write_las(leaf, tmp_path / "y.las", depth_scale="offset")
