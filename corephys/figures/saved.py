"""Figures as files: SVG and PDF with their font inside, PNG, the data drawn, the caption."""

from __future__ import annotations

import base64
import html
import io
import os
import re
from pathlib import Path

import matplotlib
from matplotlib import font_manager

from corephys.figures.drawn import Plate
from corephys.figures.style import SETTINGS
from corephys.ground.provenance import write_bytes

__all__ = ["KINDS", "save"]

KINDS = ("svg", "pdf", "png", "csv", "txt")
_FAMILY = str(SETTINGS["font.family"][0])
_DOTS = 300  # of what a vector file holds as a picture


def save(
    figure: Plate, folder: str | os.PathLike[str], name: str, *, kinds: tuple[str, ...] = KINDS
) -> list[Path]:
    """Write a figure as SVG, PDF and PNG, with the data it draws and its caption beside it.

    Parameters
    ----------
    figure : Plate
        From a function of this module.
    folder : path
        Folder of the figures; made where it does not exist.
    name : str
        Of the files, without an ending.
    kinds : tuple of {"svg", "pdf", "png", "csv", "txt"}
        Which files; all where not given.

    Returns
    -------
    list of Path
        ``name.svg``, ``name.pdf``, ``name.png`` (200 dots an inch), ``name.csv`` (one row a point
        drawn) and ``name.txt`` (the caption). The same figure gives the same bytes at every run
        with one version of matplotlib. Fonts are inside the files.

    Raises
    ------
    ValueError
        For another kind of file.
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise ValueError(
            f"no figure is written as {unknown[0]!r}; the kinds are {', '.join(KINDS)}"
        )
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    figure.settle()
    made = {
        "svg": _svg,
        "pdf": _pdf,
        "png": Plate.picture,
        "csv": lambda one: (
            one.table().to_csv(index=False, float_format="%.10g", lineterminator="\n").encode()
        ),
        "txt": lambda one: f"{one.caption}\n".encode(),
    }
    return [write_bytes(out / f"{name}.{kind}", made[kind](figure)) for kind in kinds]


def _svg(figure: Plate) -> bytes:
    """Vector picture whose words are words and whose font is inside."""
    metadata = {"Date": None, "Creator": "corephys"}
    text = _printed(figure, "svg", metadata).decode("utf-8")
    letters = {c for part in re.findall(r"<text[^>]*>([^<]*)", text) for c in html.unescape(part)}
    letters |= {c for part in re.findall(r"<tspan[^>]*>([^<]*)", text) for c in html.unescape(part)}
    if letters:
        font = base64.b64encode(_letters(letters)).decode("ascii")
        style = (
            f'<style type="text/css">@font-face{{font-family:"{_FAMILY}";'
            f'src:url("data:font/ttf;base64,{font}") format("truetype")}}</style>\n'
        )
        text = text.replace("<defs>\n", f"<defs>\n  {style}", 1)
    return text.encode("utf-8")


def _pdf(figure: Plate) -> bytes:
    metadata = {"Creator": "corephys", "CreationDate": None, "Subject": figure.caption or None}
    return _printed(figure, "pdf", metadata)


def _printed(figure: Plate, kind: str, metadata: dict[str, str | None]) -> bytes:
    stream = io.BytesIO()
    with matplotlib.rc_context(SETTINGS):
        figure.savefig(stream, format=kind, dpi=_DOTS, metadata=metadata)
    return stream.getvalue()


def _letters(letters: set[str]) -> bytes:
    """The font of the figures with these letters only, as the bytes of a TrueType file."""
    from fontTools import subset, ttLib

    font = ttLib.TTFont(font_manager.findfont(_FAMILY), recalcTimestamp=False)
    options = subset.Options(layout_features=[], hinting=False, notdef_outline=True)
    options.drop_tables += ["FFTM"]  # dates of the font's maker, nothing that is drawn
    worker = subset.Subsetter(options)
    worker.populate(text="".join(sorted(letters)))
    worker.subset(font)
    stream = io.BytesIO()
    font.save(stream, reorderTables=True)
    return stream.getvalue()
