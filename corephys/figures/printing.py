"""Pictures and tables of a figure as bytes: PNG, SVG and PDF with embedded font, CSV.

A figure is laid out once and each kind is printed by one drawing. The same figure gives the same
bytes in every process, whatever matplotlib is set to in the session.
"""

from __future__ import annotations

import base64
import csv
import html
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from itertools import chain, repeat
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import cbook, font_manager
from matplotlib.backends.backend_agg import FigureCanvasAgg

from corephys.figures.style import SETTINGS

if TYPE_CHECKING:
    from matplotlib.backend_bases import FigureCanvasBase

__all__ = ["DOTS", "PlateCanvas", "csv_bytes"]

_FAMILY = str(SETTINGS["font.family"][0])

#: Dots per inch of a file by its kind; those of a vector file concern points held as a picture.
DOTS = {"png": 200.0, "svg": 300.0, "pdf": 300.0}

# --------------------------------------------------------------------------------------------------
# The canvas of a figure: each kind of file by one drawing.


# Of the levels of PNG compression on figures of the package, 3 gave files at most 3 % larger than
# the usual level 6, in 0.7 of its time; 9 takes five times as long for 2 %.
_COMPRESSION = 3


class PlateCanvas(FigureCanvasAgg):
    """Canvas of a figure of the package; all files of the figure are printed here.

    ``figure.savefig``, ``figures.save`` and the display of a notebook reach these methods, so that
    all of them give the same look and embed the same font.
    """

    def print_figure(self, filename: Any, *args: Any, **options: Any) -> Any:
        """Print with the settings of the package, after the layout was fixed.

        Parameters
        ----------
        filename : path or binary stream
            Where the file goes.
        *args, **options
            Arguments of matplotlib's ``print_figure``.
        """
        with matplotlib.rc_context(SETTINGS):
            self.figure.settle()  # type: ignore[attr-defined]
            return super().print_figure(filename, *args, **options)

    def print_png(
        self,
        filename_or_obj: Any,
        *,
        metadata: Any = None,
        pil_kwargs: Any = None,
        **_options: Any,
    ) -> None:
        """Write a PNG with the caption as its text ``Description``.

        Parameters
        ----------
        filename_or_obj : path or binary stream
            Where the picture goes.
        metadata : mapping of str, optional
            Further texts of the picture.
        pil_kwargs : mapping, optional
            Arguments of Pillow's ``Image.save``.
        """
        from PIL import Image, PngImagePlugin

        self.draw()
        pixels = np.asarray(self.buffer_rgba())
        # Without transparency a picture has three quarters of the bytes and the same pixels.
        opaque = bool((pixels[..., 3] == 255).all())
        image = Image.fromarray(np.ascontiguousarray(pixels[..., :3]) if opaque else pixels)
        texts = PngImagePlugin.PngInfo()
        caption = getattr(self.figure, "caption", "")
        about = {**({"Description": caption} if caption else {}), **(metadata or {})}
        for key, words in about.items():
            if words is not None:
                texts.add_text(key, words)
        dots = self.figure.dpi
        options = {"compress_level": _COMPRESSION, "pnginfo": texts, "dpi": (dots, dots)}
        image.save(filename_or_obj, format="png", **{**options, **(pil_kwargs or {})})

    def print_svg(
        self,
        filename: Any,
        *,
        bbox_inches_restore: Any = None,
        metadata: Any = None,
        **_options: Any,
    ) -> None:
        """Write an SVG with text as text and the font of its letters.

        Parameters
        ----------
        filename : path or binary stream
            Where the file goes.
        bbox_inches_restore : tuple, optional
            Part of the figure that matplotlib prints.
        metadata : mapping, optional
            Entries of the file's description; by default without a date.
        """
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        # A date would make two files of the same figure differ.
        about = {"Date": None, "Creator": "corephys", **(metadata or {})}
        stream = io.BytesIO()
        with self._replaced(FigureCanvasSVG) as canvas:
            canvas.print_svg(stream, bbox_inches_restore=bbox_inches_restore, metadata=about)
        with cbook.open_file_cm(filename, "wb") as file:
            content = _with_font(stream.getvalue().decode("utf-8"))
            file.write(content if cbook.file_requires_unicode(file) else content.encode("utf-8"))

    def print_pdf(
        self,
        filename: Any,
        *,
        bbox_inches_restore: Any = None,
        metadata: Any = None,
        **_options: Any,
    ) -> None:
        """Write a PDF with the caption as its subject and the font of its letters.

        Parameters
        ----------
        filename : path or binary stream
            Where the file goes.
        bbox_inches_restore : tuple, optional
            Part of the figure that matplotlib prints.
        metadata : mapping, optional
            Entries of the file's description; by default without a date.
        """
        from matplotlib.backends.backend_pdf import FigureCanvasPdf

        subject = getattr(self.figure, "caption", "") or None
        about = {"Creator": "corephys", "CreationDate": None, "Subject": subject}
        with self._replaced(FigureCanvasPdf) as canvas:
            canvas.print_pdf(
                filename,
                bbox_inches_restore=bbox_inches_restore,
                metadata={**about, **(metadata or {})},
            )

    @contextmanager
    def _replaced(self, kind: type[FigureCanvasBase]) -> Iterator[Any]:
        """Canvas of another kind for the figure, with the same scale; this one is put back."""
        figure = self.figure
        dots = figure.dpi
        try:
            canvas = kind(figure)
            figure.dpi = dots  # a vector canvas sets it to 72 dots per inch
            canvas._is_saving = True  # type: ignore[attr-defined]
            yield canvas
        finally:
            figure.canvas = self
            figure.dpi = dots


# --------------------------------------------------------------------------------------------------
# The font of an SVG: only the letters that its words use.


# Tables without effect on the words of a figure: feature tables, whose features are left out, and
# dates. To read the feature tables alone took two thirds of the time.
_UNUSED = ("FFTM", "GDEF", "GPOS", "GSUB", "MATH", "kern")
# Letters that figures are likely to use. The font of one figure is taken from a font of these,
# which is read in a tenth of the time; other letters come from the file of the font.
_USUAL = frozenset(
    map(
        chr,
        (
            *range(0x20, 0x7F),  # Latin, with its accents in the next line
            *range(0xA0, 0x180),
            *range(0x370, 0x400),  # Greek
            *range(0x2000, 0x20A0),  # dashes, dots, raised and lowered figures
            *range(0x2190, 0x2194),  # arrows
            *range(0x2200, 0x2270),  # signs of formulas, the minus among them
        ),
    )
)
_WORDS = re.compile(r"<t(?:ext|span)[^>]*>([^<]*)")


def _with_font(text: str) -> str:
    """SVG with the font of its words embedded."""
    letters = frozenset(chain.from_iterable(map(html.unescape, _WORDS.findall(text))))
    if not letters:
        return text
    font = base64.b64encode(_letters(letters)).decode("ascii")
    style = (
        f'<style type="text/css">@font-face{{font-family:"{_FAMILY}";'
        f'src:url("data:font/ttf;base64,{font}") format("truetype")}}</style>\n'
    )
    return text.replace("<defs>\n", f"<defs>\n  {style}", 1)


@cache
def _usual_letters() -> bytes:
    """Font of the usual letters, read once in a process."""
    return _subset(font_manager.findfont(_FAMILY), _USUAL)


def _letters(letters: frozenset[str]) -> bytes:
    """Font of the figures with these letters only, as the bytes of a TrueType file.

    The way depends on the letters alone, so that every process gives the same bytes.
    """
    # A line break is no letter; the words of a vector file hold some between their tags.
    letters = letters - {"\n"}
    if letters <= _USUAL:
        return _subset(io.BytesIO(_usual_letters()), letters)
    return _subset(font_manager.findfont(_FAMILY), letters)


def _subset(file: Any, letters: frozenset[str]) -> bytes:
    """Font of some letters of a font file."""
    from fontTools import subset, ttLib

    font = ttLib.TTFont(file, recalcTimestamp=False)
    options = subset.Options(layout_features=[], hinting=False, notdef_outline=True)
    options.drop_tables += _UNUSED
    worker = subset.Subsetter(options)
    worker.populate(text="".join(sorted(letters)))
    worker.subset(font)
    stream = io.BytesIO()
    font.save(stream, reorderTables=True)
    return stream.getvalue()


# --------------------------------------------------------------------------------------------------
# The table beside a picture.


_FORMAT = "%.10g"


def csv_bytes(tables: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    """Tables of the same columns below each other, as a CSV file.

    Parameters
    ----------
    tables : sequence of mapping
        Values of ``columns`` by row: arrays or lists of floats, integers or text, or one text for
        all rows. One column at least is an array.
    columns : sequence of str
        Columns of the file.

    Returns
    -------
    bytes
        What ``DataFrame.to_csv`` writes of the joined table, with floats in ten digits and a
        missing value as an empty cell, in a quarter of its time: all rows of a table are formatted
        in one step.
    """
    filled = [one for one in map(_arrays, tables, repeat(columns)) if _rows(one)]
    kinds = [{_kind(one[name]) for one in filled} for name in columns]
    if any("other" in kind or (len(kind) > 1 and "text" in kind) for kind in kinds):
        frames = [pd.DataFrame(one) for one in filled]  # times, or a mixture
        joined = pd.concat(frames, ignore_index=True)[list(columns)]
        return joined.to_csv(index=False, float_format=_FORMAT, lineterminator="\n").encode()
    parts = [",".join(map(_cell, columns)) + "\n"]
    for one in filled:
        pattern: list[str] = []
        cells: list[list[Any]] = []
        for name, kind in zip(columns, kinds, strict=True):
            form, values = _formatted(one[name], "float" in kind)
            pattern.append(form)
            cells += values
        row = ",".join(pattern) + "\n"
        values = chain.from_iterable(zip(*cells, strict=True))
        parts.append((row * _rows(one)) % tuple(values))
    return "".join(parts).encode()


def _arrays(table: Mapping[str, Any], columns: Sequence[str]) -> dict[str, Any]:
    """Columns as arrays; one text for all rows stays one."""
    return {
        name: table[name] if isinstance(table[name], str) else np.asarray(table[name])
        for name in columns
    }


def _rows(table: Mapping[str, Any]) -> int:
    """Number of rows of a table."""
    return next(len(one) for one in table.values() if not isinstance(one, str))


def _kind(column: Any) -> str:
    """Kind of the values of a column: float, whole, text or other."""
    if isinstance(column, str):
        return "text"
    return {"f": "float", "i": "whole", "u": "whole", "U": "text"}.get(column.dtype.kind, "other")


def _formatted(column: Any, as_float: bool) -> tuple[str, list[list[Any]]]:
    """Part of the pattern of a row for a column, and its values where they differ by row."""
    if isinstance(column, str):
        return _cell(column).replace("%", "%%"), []
    if column.dtype.kind == "U":
        words = column.tolist()
        quoted = {word: _cell(word) for word in set(words)}
        return "%s", [[quoted[word] for word in words]]
    if not as_float:
        return "%s", [column.tolist()]
    known = ~np.isnan(column.astype(float))
    if not known.any():
        return "", []
    values = column.tolist()
    if known.all():
        return _FORMAT, [values]
    return "%s", [[_FORMAT % one if one == one else "" for one in values]]


def _cell(value: Any) -> str:
    """One cell as the module ``csv`` writes it."""
    stream = io.StringIO()
    # An only cell would be quoted where it is empty.
    csv.writer(stream, lineterminator="\n").writerow(["", value])
    return stream.getvalue()[1:-1]
