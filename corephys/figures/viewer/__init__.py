"""The viewer: all tracks of a reduced hole on one depth axis, in a page or a notebook.

:func:`payload` packs what a reduced hole holds, :func:`page_fragment` puts it into a page together
with the script ``viewer.js`` that draws it. The page needs no network and no further file.
"""

from __future__ import annotations

import base64
import hashlib
import html
import os
from pathlib import Path

import xarray as xr

from corephys.figures.viewer.content import head_of
from corephys.figures.viewer.packing import Packer

__all__ = ["SCRIPT", "STYLES", "page_fragment", "payload"]

#: The script and the style sheet of the viewer.
SCRIPT = Path(__file__).with_name("viewer.js")
STYLES = Path(__file__).with_name("viewer.css")


def payload(
    reduced: xr.DataTree,
    *,
    depth_scale: str = "depth",
    pictures: bool | str | os.PathLike[str] = True,
) -> bytes:
    """Pack a reduced hole for the viewer.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole, also one of ``cp.load``.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    pictures : bool or path
        Whether pictures of the cores are packed, as small copies; or the hole folder, for a hole
        whose folder is not known, such as one of ``cp.load``.

    Returns
    -------
    bytes
        Package in zlib format: the length of the head, the head as JSON, arrays and pictures.

    Raises
    ------
    NothingToDraw
        If the hole has no quantity against depth, or the tree is a site.
    ValueError
        If the depth scale is unknown.

    Notes
    -----
    Values are rounded to at least the digits that their uncertainties allow, and uncertainties to
    two significant digits (common practice). All readings are packed. A reading without a depth
    cannot be drawn and is counted.
    """
    packer = Packer()
    return packer.close(head_of(reduced, packer, depth_scale, pictures))


def page_fragment(
    reduced: xr.DataTree,
    *,
    depth_scale: str = "depth",
    pictures: bool | str | os.PathLike[str] = True,
) -> str:
    """HTML of the viewer, with script, styles and data inline.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole, also one of ``cp.load``.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    pictures : bool or path
        Whether pictures of the cores are shown, or the hole folder, see :func:`payload`.

    Returns
    -------
    str
        One ``<div>`` for the body of any page. It works from a file and without a network. A page
        may hold several.

    Raises
    ------
    NothingToDraw
        If the hole has no quantity against depth, or the tree is a site.
    ValueError
        If the depth scale is unknown.
    """
    packed = payload(reduced, depth_scale=depth_scale, pictures=pictures)
    name = f"corephys-viewer-{hashlib.sha256(packed).hexdigest()[:12]}"
    label = html.escape(f"Viewer of {reduced.attrs.get('title', 'the hole')}")
    return (
        f"<style>{STYLES.read_text(encoding='utf-8')}</style>\n"
        f'<div id="{name}" class="corephys-viewer" data-label="{label}">\n'
        "<noscript>The viewer needs JavaScript. The figures and tables hold the same "
        "readings.</noscript>\n"
        f'<script type="text/plain" class="corephys-viewer-data">'
        f"{base64.b64encode(packed).decode('ascii')}</script>\n</div>\n"
        f'<script type="module">\n{SCRIPT.read_text(encoding="utf-8")}\n'
        f'mountPage("{name}");\n</script>\n'
    )
