"""Tables of fits: numbers, digits, unknown parts, and files that other programs read."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import corephys as cp

Z = np.linspace(2.0, 300.0, 40)
PHI = 0.7 * np.exp(-Z / 800.0) + np.random.default_rng(1).normal(0.0, 0.01, Z.size)


@pytest.fixture(scope="module")
def fit() -> cp.compaction.CompactionFit:
    return cp.compaction.fit(PHI, cp.quantity(Z, "m"))


def test_the_table_has_the_numbers_of_the_fit(fit: cp.compaction.CompactionFit) -> None:
    frame = cp.export.fit_table(fit).frame
    np.testing.assert_array_equal(frame["value"].to_numpy(float), fit.values)
    table = fit.table()
    np.testing.assert_array_equal(frame["random"].to_numpy(float), table["u_random"])
    # A part that is not known leaves its cell and that of the total empty.
    assert frame["systematic"].isnull().all() and frame["total"].isnull().all()
    text = cp.export.fit_table(fit).to_markdown()
    about = float(((PHI - PHI.mean()) ** 2).sum())
    left = PHI - fit.values[0] * np.exp(-Z / fit.values[1])
    assert f"R² {1 - float(left @ left) / about:.3f}" in text
    assert f"root mean square error {np.sqrt(np.mean(left**2)):.4f}" in text


def test_both_parts_make_the_total() -> None:
    table = pd.DataFrame({"depth [m]": Z, "porosity [1]": PHI, "u": 0.01})
    data = cp.series_from_table(table, "porosity", uncertainty="u")
    data["porosity_effects"][:] = 0.02
    data["porosity_u_systematic"][:] = 0.02
    frame = cp.export.fit_table(cp.compaction.fit(data)).frame
    parts = frame[["random", "systematic"]].to_numpy(float)
    np.testing.assert_allclose(frame["total"].to_numpy(float), np.hypot(*parts.T), rtol=1e-12)


def test_a_comparison_has_one_row_a_model(fit: cp.compaction.CompactionFit) -> None:
    models = cp.compaction.compare_models(PHI, cp.quantity(Z, "m"))
    table = cp.export.fit_table(models)
    assert len(table) == len(models.fits) == 4
    assert list(table.frame["n"]) == [40.0] * 4
    assert sum(note.startswith("(") for note in table.notes) == 4
    for name, row in zip(models.fits, table.frame["rmse"], strict=True):
        one = models.fits[name]
        left = PHI - one.model.curve(Z, *one.values)
        assert row == pytest.approx(float(np.sqrt(np.mean(left**2))), rel=1e-12)


def test_files_are_read_by_other_programs(fit: cp.compaction.CompactionFit, tmp_path: Path) -> None:
    files = cp.export.write_tables(fit, tmp_path / "thesis")
    assert [path.suffix for path in files] == [".csv", ".md", ".tex", ".xlsx"]
    csv = pd.read_csv(files[0])
    assert list(csv["parameter"]) == [
        "surface porosity of the fit", "e-folding depth of the fit",
    ]  # fmt: skip
    np.testing.assert_allclose(csv["value"], fit.values, rtol=2e-3)
    book = pytest.importorskip("openpyxl", reason="openpyxl is not installed")
    sheet = book.load_workbook(files[3])["fit"]
    assert sheet["B3"].value == pytest.approx(fit.values[0], rel=2e-3)
    with pytest.raises(TypeError, match="give the result of a fit"):
        cp.export.fit_table(PHI)  # type: ignore[arg-type]


@pytest.mark.skipif(shutil.which("pdflatex") is None, reason="pdflatex is not installed")
def test_latex_compiles(fit: cp.compaction.CompactionFit, tmp_path: Path) -> None:
    models = cp.compaction.compare_models(PHI, cp.quantity(Z, "m"))
    for result, name in ((fit, "fit"), (models, "models")):
        cp.export.write_fit_tables(result, tmp_path, name=name)
    (tmp_path / "page.tex").write_text(
        "\\documentclass{article}\\usepackage{booktabs,longtable,textcomp}\\begin{document}\n"
        "\\input{fit}\\input{models}\n\\end{document}\n"
    )
    done = subprocess.run(
        ["pdflatex", "-halt-on-error", "-interaction=nonstopmode", "page"],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-2000:]


def test_powers_of_units_are_set_high_in_latex() -> None:
    from corephys.export.table import ReportTable, text_column

    column = text_column("flow [mW/m^2]", ["1/s^-1", "a^b", "10^3"])
    text = ReportTable("t", "units", (column,)).to_latex()
    assert "flow [mW/m$^{2}$]" in text and "1/s$^{-1}$" in text
    assert r"a\textasciicircum{}b" in text and r"10\textasciicircum{}3" in text
