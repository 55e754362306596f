"""Small pieces of HTML: escaped tables and inline pictures."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterable, Sequence
from typing import Any

__all__ = ["RESEARCH_ONLY", "picture_html", "table_html"]

# The one line of caution that figures, tables and reports carry.
RESEARCH_ONLY = (
    "Research estimate; not for well control, mud weight, casing, slope or structural decisions; "
    "follow local codes and licensed practice."
)


def table_html(rows: Iterable[Sequence[Any]], *, header: Sequence[Any] | None = None) -> str:
    """Rows as an HTML table in which no cell can be anything but text.

    Parameters
    ----------
    rows : iterable of sequence
        Cells; each is turned to text and escaped.
    header : sequence, optional
        Words of the columns.

    Returns
    -------
    str
        One ``<table>`` element.
    """
    lines = ["<table>"]
    if header is not None:
        lines.append("<tr>" + "".join(f"<th>{_escaped(cell)}</th>" for cell in header) + "</tr>")
    for row in rows:
        lines.append("<tr>" + "".join(f"<td>{_escaped(cell)}</td>" for cell in row) + "</tr>")
    return "\n".join([*lines, "</table>"])


def picture_html(png: bytes, description: str) -> str:
    """A picture that stands in the page itself.

    Parameters
    ----------
    png : bytes
        The picture.
    description : str
        What it shows, for those who cannot see it.

    Returns
    -------
    str
        One ``<img>`` element.

    Raises
    ------
    ValueError
        When the bytes are no PNG.
    """
    if not png.startswith(b"\x89PNG\r\n\x1a\n"):
        raise ValueError("the bytes are no PNG picture; give those of Plate.picture()")
    data = base64.b64encode(png).decode("ascii")
    return f'<img src="data:image/png;base64,{data}" alt="{_escaped(description)}">'


def _escaped(cell: Any) -> str:
    return html.escape(str(cell), quote=True)
