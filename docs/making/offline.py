"""Finds what a built page would fetch from elsewhere: scripts, styles, fonts, pictures."""

from __future__ import annotations

import re
from pathlib import Path

__all__ = ["fetched", "pages_that_fetch"]

_TAG = re.compile(
    r"<(?:script|img|iframe|source|video|audio|embed|object|track|input)\b[^>]*?"
    r"\s(?:src|srcset|data|poster)\s*=\s*[\"']?((?:https?:)?//[^\"'\s>]+)",
    re.IGNORECASE,
)
# A link to read is no fetch; a canonical address or an author neither.
_LINK = re.compile(r"<link\b[^>]*>", re.IGNORECASE)
_FETCHING = re.compile(r"rel\s*=\s*[\"']?[^\"'>]*(?:stylesheet|icon|preload|preconnect|prefetch)")
_HREF = re.compile(r"href\s*=\s*[\"']?((?:https?:)?//[^\"'\s>]+)", re.IGNORECASE)
_STYLE = re.compile(r"(?:url\(\s*[\"']?|@import\s+[\"'])((?:https?:)?//[^\"')\s]+)", re.IGNORECASE)


def fetched(text: str) -> list[str]:
    """Addresses that a page or a style sheet would fetch by itself.

    Parameters
    ----------
    text : str
        HTML or CSS.

    Returns
    -------
    list of str
        In the order in which they stand.
    """
    found = _TAG.findall(text) + _STYLE.findall(text)
    for link in _LINK.findall(text):
        if _FETCHING.search(link):
            found += _HREF.findall(link)
    return found


def pages_that_fetch(folder: Path) -> dict[str, list[str]]:
    """Pages and style sheets of a build that fetch something, with what they fetch.

    Parameters
    ----------
    folder : Path
        Of the build.

    Returns
    -------
    dict of str to list of str
        By path in the folder; empty where the build needs no network.
    """
    found = {}
    for file in sorted([*folder.rglob("*.html"), *folder.rglob("*.css")]):
        addresses = fetched(file.read_text(encoding="utf-8"))
        if addresses:
            found[file.relative_to(folder).as_posix()] = addresses
    return found
