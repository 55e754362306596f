"""What the page of a hole and that of a site share: templates, tables, pictures, one file."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from PIL import Image

from corephys.export.table import ReportTable
from corephys.ground.provenance import write_bytes

__all__: list[str] = []

_TEMPLATES = Path(__file__).with_name("templates")
_DOTS_A_PIXEL = 1.6  # letters of eight points at 200 dots per inch are then 14 pixels high
_COLOURS = 256  # of a picture in a page; twice as many need three times the room


@dataclass(frozen=True)
class Table:
    """A table of the page: texts that the template escapes.

    Parameters
    ----------
    title : str
        Title, which is shown while the table is folded.
    header : tuple of str
        Headings of the columns.
    rows : tuple of tuple of str
        Cells.
    numbers : tuple of bool
        Whether each column holds numbers, which stand on the right.
    notes : tuple of str
        Lines below the table.
    """

    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[bool, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A figure of the page.

    Parameters
    ----------
    name : str
        Name of the figure, its anchor.
    title : str
        Words for the figure.
    caption : str
        Caption below the picture.
    png : bytes
        Picture.
    link : str
        Address of a file beside the page; empty for none.
    """

    name: str
    title: str
    caption: str
    png: bytes
    link: str = ""

    @property
    def caption_parts(self) -> tuple[str, str]:
        """First sentence of the caption, and the rest."""
        first, dot, rest = self.caption.partition(". ")
        return f"{first}{dot.strip()}", rest

    @property
    def alternative(self) -> str:
        """Text for readers who do not see the picture: the caption stands below in full."""
        first = self.caption_parts[0].rstrip(".")
        return f"Figure: {first or self.title}. The caption below describes it."

    @property
    def size(self) -> tuple[int, int]:
        """Width and height on the screen, where the picture has more dots than pixels."""
        with Image.open(io.BytesIO(self.png)) as image:
            return round(image.width / _DOTS_A_PIXEL), round(image.height / _DOTS_A_PIXEL)

    @property
    def source(self) -> str:
        """The picture as an address that needs no other file."""
        return f"data:image/png;base64,{base64.b64encode(self.png).decode('ascii')}"


def table(
    title: str,
    header: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numbers: Iterable[int] = (),
    notes: Sequence[str] = (),
) -> Table:
    """Table from cells of any kind; ``numbers`` are the places of columns with numbers."""
    held = tuple(tuple(str(cell) for cell in row) for row in rows)
    right = set(numbers)
    return Table(
        title, tuple(header), held, tuple(i in right for i in range(len(header))), tuple(notes)
    )


def of_report(given: ReportTable) -> Table:
    """Table from one of the report, letters of footnotes behind the cells."""
    rows = (
        tuple(
            f"{one.cells[row]} {one.mark(row)}".strip() if one.marks else one.cells[row]
            for one in given.columns
        )
        for row in range(len(given))
    )
    return Table(
        given.title,
        tuple(one.label for one in given.columns),
        tuple(rows),
        tuple(one.number for one in given.columns),
        given.notes,
    )


def for_the_screen(png: bytes) -> bytes:
    """A picture with 256 colours of its own, about a third of the size.

    The figures have few colours and soft edges, so that no eye sees a difference; those beside
    the page keep all colours.
    """
    with Image.open(io.BytesIO(png)) as image:
        plain = image.convert("RGB")
    small = plain.quantize(_COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    # The octree moves white a little; the page is white.
    palette = small.getpalette() or []
    corner = small.tobytes()[0]  # place in the palette of the first dot, the ground of a figure
    if plain.getpixel((0, 0)) == (255, 255, 255):
        palette[3 * corner : 3 * corner + 3] = [255, 255, 255]
        small.putpalette(palette)
    stream = io.BytesIO()
    small.save(stream, format="png")
    return stream.getvalue()


@cache
def _environment() -> Environment:
    """Templates of the package; text from data is escaped, an unknown name is an error."""
    found = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.globals["style"] = (_TEMPLATES / "page.css").read_text(encoding="utf-8")
    return found


def write(template: str, out: Path, values: Mapping[str, Any]) -> Path:
    """Fill a template and write ``out/report.html``."""
    text = _environment().get_template(template).render(**values)
    return write_bytes(out / "report.html", text.encode("utf-8"))
