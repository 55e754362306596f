"""Choice words: one of a fixed list, such as ``mean_over_footprint``, in any spelling of it.

A choice word is lower-case words joined by underscores. Spaces, hyphens and capitals are read as
well, since recipes, tables and scripts of older releases hold them.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

__all__ = ["choice", "choice_column", "choices", "matching", "plain_words"]


def matching(value: object, options: Iterable[str]) -> str | None:
    """The option that a word means, or None.

    Parameters
    ----------
    value : object
        Word as given; only a text can match.
    options : iterable of str
        Words of the list.

    Returns
    -------
    str or None
        The option itself, or the one that differs from the word only by capitals, and by spaces or
        hyphens in place of underscores.
    """
    if not isinstance(value, str):
        return None
    known = tuple(options)
    if value in known:
        return value  # itself, since a text may carry its origin
    return {_folded(option): option for option in known}.get(_folded(value))


def choice(
    value: object, options: Iterable[str], name: str, error: type[ValueError] = ValueError
) -> str:
    """The option that an argument names.

    Parameters
    ----------
    value : object
        Word as the caller gave it; see :func:`matching` for the spellings.
    options : iterable of str
        Words of the list, in the order of the message.
    name : str
        Name of the argument, for the message.
    error : type
        Class of the error.

    Returns
    -------
    str
        One of the options.

    Raises
    ------
    ValueError
        When the value is none of the options.

    Examples
    --------
    >>> choice("mean over footprint", ("nearest", "mean_over_footprint"), "how")
    'mean_over_footprint'
    """
    known = tuple(options)
    found = matching(value, known)
    if found is None:
        raise error(
            f"{name} is {value!r}; expected one of {', '.join(known)}{_nearest(value, known)}"
        )
    return found


def choices(values: str | Iterable[str], options: Iterable[str], name: str) -> tuple[str, ...]:
    """The options that an argument names; a single word may stand alone.

    Parameters
    ----------
    values : str or iterable of str
        Words as the caller gave them.
    options : iterable of str
        Words of the list, in the order of the message.
    name : str
        Name of the argument, for the message.

    Returns
    -------
    tuple of str
        Options, in the order of the values.

    Raises
    ------
    ValueError
        When one of the values is none of the options.
    """
    known = tuple(options)
    found = []
    for word in (values,) if isinstance(values, str) else values:
        option = matching(word, known)
        if option is None:
            raise ValueError(
                f"{name} has {word!r}; expected some of {', '.join(known)}{_nearest(word, known)}"
            )
        found.append(option)
    return tuple(found)


def choice_column(values: Any, options: Iterable[str], name: str) -> np.ndarray:
    """The options that the cells of a column name.

    Parameters
    ----------
    values : array_like of str
        Words as they stand in the column, of any shape.
    options : iterable of str
        Words of the list, in the order of the message; an empty text where cells may be empty.
    name : str
        Name of the column, for the message.

    Returns
    -------
    ndarray of object
        Options, in the shape of the values.

    Raises
    ------
    ValueError
        When a cell is none of the options; the message gives its place.
    """
    known = tuple(options)
    words = np.array(values, dtype=object)
    texts = words.astype(str)
    for word in np.unique(texts).tolist():
        here = texts == word
        option = matching(word, known)
        if option is None:
            rows = np.flatnonzero(here)
            more = f" in {rows.size} rows, first in reading {rows[0]}" if words.size > 1 else ""
            raise ValueError(
                f"{name} is {word!r}{more}; expected one of {', '.join(filter(None, known))}"
                f"{_nearest(word, known)}"
            )
        words[here] = option
    return words


def plain_words(word: object) -> str:
    """A choice word as readers see it: ``mean over footprint``."""
    return str(word).replace("_", " ")


def _nearest(value: object, options: Sequence[str]) -> str:
    """The nearest option as a question, or nothing."""
    by_spelling = {_folded(option): option for option in options}
    close = difflib.get_close_matches(_folded(str(value)), list(by_spelling), n=1, cutoff=0.6)
    return f"; did you mean {by_spelling[close[0]]!r}?" if close else ""


def _folded(word: str) -> str:
    """A word without capitals, and with one underscore between its parts."""
    return "_".join(word.replace("-", " ").replace("_", " ").lower().split())
