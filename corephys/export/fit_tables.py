"""The result of a fit or of a comparison as a table for print."""

from __future__ import annotations

import os
import string
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from corephys.export.table import (
    Column,
    ReportTable,
    fixed_column,
    text_column,
    values_of,
    write_as,
)
from corephys.ground.cards import digits
from corephys.ground.choices import plain_words
from corephys.ground.fits import FitResult
from corephys.ground.vocabulary import TERMS

__all__ = ["fit_table", "write_fit_tables"]

_PARTS = ("u_random", "u_systematic")
_NOTE = (
    "random and systematic are standard uncertainties, k = 1; total is both together; an empty "
    "cell is not known."
)


def fit_table(result: FitResult, *, name: str = "fit", title: str | None = None) -> ReportTable:
    """The numbers of a fit or a comparison of fits, with digits by their uncertainties.

    Parameters
    ----------
    result : FitResult
        Result of a fit, such as ``cp.compaction.fit`` and ``cp.compaction.compare_models``.
    name : str
        Name of the files that are written.
    title : str, optional
        Title over the table; the default is that of the result.

    Returns
    -------
    ReportTable
        ``frame`` has all digits; ``to_csv``, ``to_markdown`` and ``to_latex`` give text.

    Raises
    ------
    TypeError
        If the result is not that of a fit.
    """
    if not isinstance(result, FitResult):
        raise TypeError(
            f"the table of a fit was asked of {type(result).__name__}; give the result of a fit, "
            "such as cp.compaction.fit(...)"
        )
    frame = result.table()
    shown, notes = (
        (_parameters(frame), _notes_of_fit(result))
        if {"parameter", "value"} <= set(frame)
        else (_models(result, frame), _notes_of_comparison(result, frame))
    )
    caution = [str(result.dataset.attrs["safety"])] if "safety" in result.dataset.attrs else []
    return ReportTable(name, title or result._TITLE, tuple(shown), (*notes, *caution))


def write_fit_tables(
    result: FitResult,
    folder: str | os.PathLike[str],
    *,
    name: str = "fit",
    title: str | None = None,
) -> list[Path]:
    """Write the table of a fit as CSV, Markdown, LaTeX and XLSX.

    Parameters
    ----------
    result : FitResult
        Result of a fit or of a comparison.
    folder : path
        Folder of the files; created if it does not exist.
    name, title : str
        As for :func:`fit_table`.

    Returns
    -------
    list of Path
        The four files.

    Raises
    ------
    TypeError
        If the result is not that of a fit.
    """
    table = fit_table(result, name=name, title=title)
    return write_as([table], Path(folder), ("csv", "md", "tex", "xlsx"), f"{name}.xlsx")


def _parameters(frame: pd.DataFrame) -> list[Column]:
    """Columns of a fit: parameter, value and uncertainties."""
    about = [c for c in frame.columns if c not in ("parameter", "value", "unit", *_PARTS)]
    random, systematic = (frame[part].to_numpy(float) for part in _PARTS)
    # The total is known where both parts are. The digits of the value follow it, or the part that
    # is known.
    total = np.hypot(random, systematic)
    known = np.fmax(random, systematic)
    values = frame["value"].to_numpy(float)
    pairs = [
        digits(v, t if np.isfinite(t) else u) for v, u, t in zip(values, known, total, strict=True)
    ]
    columns = [
        text_column("parameter", [_words(one) for one in frame["parameter"]]),
        *(text_column(str(c), frame[c]) for c in about),
        Column("value", tuple(p[0] for p in pairs), values_of(values)),
    ]
    for label, u in (("random", random), ("systematic", systematic), ("total", total)):
        cells = tuple(digits(v, one)[1] for v, one in zip(values, u, strict=True))
        columns.append(Column(label, cells, values_of(u)))
    return [*columns, text_column("unit", ["" if u == "1" else u for u in frame["unit"]])]


def _words(name: str) -> str:
    """Words of the vocabulary for a parameter; its name where it has none."""
    return TERMS[name].long_name if name in TERMS else plain_words(name)


def _models(result: FitResult, frame: pd.DataFrame) -> list[Column]:
    """Columns of a comparison, one row a model; its texts become footnotes."""
    index = str(frame.index.name or "row")
    names = tuple(plain_words(str(one)) for one in frame.index)
    letters = tuple(string.ascii_lowercase[: len(names)])
    columns = [Column(index, names, names, letters)]
    fits = getattr(result, "fits", None)
    if isinstance(fits, dict) and all(hasattr(one, "found") for one in fits.values()):
        measures = [_measures(one) for one in fits.values()]
        for label, places in (("R²", 3), ("rmse", 4)):
            columns.append(fixed_column(label, [m[label] for m in measures], places))
        columns.append(fixed_column("n", [m["n"] for m in measures], 0))
    for name in frame.columns:
        values = frame[name]
        if values.dtype.kind in "fiu" and name not in _LEFT_OUT:
            columns.append(
                fixed_column(
                    _LABELS.get(str(name), plain_words(str(name))), values, _places(values)
                )
            )
    return columns


# Columns of a comparison that depend on the unit of the weights, and mean nothing in print.
_LEFT_OUT = ("chi_square", "reduced_chi_square", "aicc")
_LABELS = {
    "aicc_difference": "AICc difference",
    "aicc_weight": "AICc weight",
    "cross_validation_error": "cross-validation error",
}


def _measures(fit: Any) -> dict[str, float]:
    """R², root mean square error and number of points of a fit of porosity, unweighted."""
    y = fit.data.porosity
    residual = y - fit.model.curve(fit.data.abscissa(fit.model), *fit.values)
    about_mean = float(np.sum((y - y.mean()) ** 2))
    return {
        "R²": 1.0 - float(residual @ residual) / about_mean if about_mean > 0.0 else float("nan"),
        "rmse": float(np.sqrt(np.mean(residual**2))),
        "n": float(y.size),
    }


def _places(values: Any) -> int:
    """Decimals that show three digits of the middle number of a column; none for whole numbers."""
    held = np.abs(np.asarray(values, float))
    held = held[np.isfinite(held) & (held > 0.0)]
    if not held.size or np.all(held == np.round(held)):
        return 0
    return int(np.clip(2 - np.floor(np.log10(np.median(held))), 1, 4))


def _notes_of_fit(result: FitResult) -> list[str]:
    """Footnotes of a fit: uncertainties, curve, quality of the fit, what to beware."""
    attrs, notes = result.dataset.attrs, [_NOTE]
    if "curve" in attrs:
        notes.append(f"Fitted curve: {attrs['curve']}.")
    if hasattr(result, "found") and hasattr(getattr(result, "data", None), "porosity"):
        of = _measures(result)
        notes.append(
            f"{of['n']:.0f} points used, {attrs['points_left_out']} left out; R² {of['R²']:.3f}, "
            f"root mean square error {of['rmse']:.4f}."
        )
    return [*notes, *(f"Beware: {words}." for words in _beware(result))]


def _notes_of_comparison(result: FitResult, frame: pd.DataFrame) -> list[str]:
    """Footnotes of a comparison: curve and verdict of each model, then the conclusions."""
    notes = []
    for letter, (_, row) in zip(string.ascii_lowercase, frame.iterrows(), strict=False):
        words = [str(row[name]) for name in ("curve", "verdict") if name in row]
        notes.append(f"({letter}) {'; '.join(words)}.")
    return [*notes, *(f"{words[:1].upper()}{words[1:]}." for words in _beware(result))]


def _beware(result: FitResult) -> tuple[str, ...]:
    """Warnings of a result, or the conclusions of a comparison."""
    warnings = getattr(result, "_warnings", None)
    return (
        tuple(warnings()) if warnings is not None else tuple(getattr(result, "verdict", ()) or ())
    )
