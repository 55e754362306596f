"""Figures as files: PNG, SVG and PDF, the data drawn, the caption."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from pathlib import Path

from corephys.figures.plate import COLUMNS, Plate
from corephys.figures.printing import csv_bytes
from corephys.ground.choices import choices
from corephys.ground.provenance import write_bytes

__all__ = ["save"]

PICTURES = ("png", "svg", "pdf")
KINDS = (*PICTURES, "csv", "txt")
USUAL_KINDS = ("png", "svg", "csv", "txt")


def save(
    figure: Plate,
    folder: str | os.PathLike[str],
    name: str,
    *,
    kinds: tuple[str, ...] = USUAL_KINDS,
) -> list[Path]:
    """Write a figure as PNG and SVG, with the data it draws and its caption beside it.

    Parameters
    ----------
    figure : Plate
        Figure from a function of ``cp.figures``.
    folder : path
        Folder of the figures; created if it does not exist.
    name : str
        Name of the files, without an ending.
    kinds : tuple of {"png", "svg", "pdf", "csv", "txt"}
        Kinds of files; the default is all but PDF.

    Returns
    -------
    list of Path
        The files in the order of ``kinds``: ``name.png`` (200 dots per inch), ``name.svg``,
        ``name.pdf``, ``name.csv`` (one row for each point drawn) and ``name.txt`` (the caption).
        With one version of matplotlib the same figure gives the same bytes at every run. Fonts
        are embedded.

    Raises
    ------
    ValueError
        If a kind is not one of these.
    """
    kinds = choices(kinds, KINDS, "kinds")
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    contents = printed(figure, kinds)
    return [write_bytes(out / f"{name}.{kind}", content) for kind, content in contents.items()]


def printed(figure: Plate, kinds: Sequence[str]) -> dict[str, bytes]:
    """Contents of the files of a figure by their kinds, all from one layout."""
    made: dict[str, bytes] = {}
    for kind in kinds:
        if kind == "csv":
            made[kind] = csv_bytes([record.columns for record in figure.drawn], COLUMNS)
        elif kind == "txt":
            made[kind] = f"{figure.caption}\n".encode()
        else:
            stream = io.BytesIO()
            figure.savefig(stream, format=kind)
            made[kind] = stream.getvalue()
    return made
