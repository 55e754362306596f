"""Words of the trade in headers: which quantity or position a column may hold.

The words stand in ``trade_words.toml``, in several languages and without accents, as
:func:`corephys.importing.column_facts.plain_words` gives the words of a header.
"""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

__all__ = ["Concept", "concepts", "concepts_of", "processed", "qualifier", "without_qualifier"]


class Concept(NamedTuple):
    """Something that a column may hold.

    Parameters
    ----------
    name : str
        Name of the column or quantity in this package.
    pattern : str
        Regular expression of the words of a header.
    unless : str
        Regular expression of words that exclude it.
    unit : str
        Unit that the column has in this package; "text", "time", or empty for any unit.
    weak : bool
        The words alone are not sufficient; unit and numbers must support them.
    """

    name: str
    pattern: str
    unless: str = ""
    unit: str = ""
    weak: bool = False


@lru_cache(maxsize=1)
def _tables() -> tuple[tuple[Concept, ...], dict[str, str], str]:
    """Concepts with their words written out, patterns of qualifiers, and of processed values."""
    text = Path(__file__).with_suffix(".toml").read_text(encoding="utf-8")
    given = tomllib.loads(text)

    def written_out(pattern: str) -> str:
        for name, words in given["words"].items():
            pattern = pattern.replace(f"{{{name}}}", words)
        return pattern

    found = []
    for row in given["concept"]:
        patterns = {key: written_out(row.get(key, "")) for key in ("pattern", "unless")}
        found.append(Concept(**{**row, **patterns}))
    return tuple(found), given["qualifiers"], given["processed"]["words"]


def concepts() -> tuple[Concept, ...]:
    """All concepts in the order in which they are tried."""
    return _tables()[0]


def concepts_of(words: str) -> list[Concept]:
    """Concepts whose words a header holds, strong ones first."""
    found = [
        concept
        for concept in concepts()
        if re.search(concept.pattern, words)
        and not (concept.unless and re.search(concept.unless, words))
    ]
    return sorted(found, key=lambda concept: concept.weak)


def qualifier(words: str) -> str:
    """What a qualifying word makes of a column; empty without such a word."""
    found = (kind for kind, pattern in _tables()[1].items() if re.search(pattern, words))
    return next(found, "")


def without_qualifier(words: str) -> str:
    """The words of a header without those that qualify it."""
    for pattern in _tables()[1].values():
        words = re.sub(pattern, " ", words)
    return " ".join(words.split())


def processed(words: str) -> str:
    """Word of a value that was processed after the reduction; empty without such a word."""
    match = re.search(_tables()[2], words)
    return match[0] if match else ""
