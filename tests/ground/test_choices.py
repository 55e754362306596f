"""Choice words: which spellings are read, and what is said of a word that is none."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.ground.choices import choice, choice_column, choices, matching, plain_words
from corephys.ground.provenance import SourcedText

HOW = ("nearest", "mean_over_footprint")


@pytest.mark.parametrize(
    "word",
    [
        "mean_over_footprint",
        "mean over footprint",
        "mean-over-footprint",
        "Mean over Footprint",
        " MEAN_OVER  FOOTPRINT ",
    ],
)
def test_every_spelling_is_the_one_option(word: str) -> None:
    assert choice(word, HOW, "how") == "mean_over_footprint"
    assert matching(word, HOW) == "mean_over_footprint"


def test_a_word_that_is_none_is_refused_with_the_options_and_the_nearest() -> None:
    with pytest.raises(ValueError) as raised:
        choice("mean over foot", HOW, "how")
    assert str(raised.value) == (
        "how is 'mean over foot'; expected one of nearest, mean_over_footprint; "
        "did you mean 'mean_over_footprint'?"
    )
    with pytest.raises(ValueError, match="how is 'cubic'; expected one of nearest, mean_over_foot"):
        choice("cubic", HOW, "how")


@pytest.mark.parametrize("value", [None, 3, ("nearest",), np.array(["nearest"]), ""])
def test_what_is_no_word_is_none_of_the_options(value: object) -> None:
    assert matching(value, HOW) is None
    with pytest.raises(ValueError, match="expected one of nearest"):
        choice(value, HOW, "how")


def test_an_option_may_have_capitals_and_spaces_itself() -> None:
    units = ("1e-5 SI", "SI")
    assert choice("1e-5_si", units, "unit") == "1e-5 SI"
    assert choice("p", ("P", "S"), "wave") == "P"


def test_an_exact_word_keeps_its_origin() -> None:
    word = SourcedText("nearest", "recipe")
    assert choice(word, HOW, "how") is word


def test_the_error_may_be_of_another_class() -> None:
    class OtherError(ValueError):
        """An error of the caller."""

    with pytest.raises(OtherError, match="how is 'cubic'"):
        choice("cubic", HOW, "how", OtherError)


def test_several_words_or_one_alone() -> None:
    levels = ("good", "not_evaluated", "suspect")
    assert choices(("good", "not evaluated"), levels, "allow") == ("good", "not_evaluated")
    assert choices("Not-evaluated", levels, "allow") == ("not_evaluated",)
    assert choices((), levels, "allow") == ()
    with pytest.raises(ValueError, match=r"allow has 'god'; expected some of good, .* 'good'\?"):
        choices(("suspect", "god"), levels, "allow")


def test_a_column_of_words() -> None:
    cells = np.array(["full space", "half_space", "Full_Space"], dtype=object)
    found = choice_column(cells, ("full_space", "half_space"), "geometry")
    assert found.tolist() == ["full_space", "half_space", "full_space"]
    assert cells[0] == "full space"  # what was given stays
    assert choice_column("Half", ("full", "half", ""), "liner").item() == "half"
    assert choice_column(["", "half"], ("full", "half", ""), "liner").tolist() == ["", "half"]
    with pytest.raises(ValueError) as raised:
        choice_column(["full", "split", "", "split"], ("full", "half", ""), "liner")
    assert str(raised.value) == (
        "liner is 'split' in 2 rows, first in reading 1; expected one of full, half"
    )
    with pytest.raises(ValueError, match="liner is ''; expected one of full, half"):
        choice_column("", ("full", "half"), "liner")


def test_readers_see_plain_words() -> None:
    assert plain_words("mean_over_footprint") == "mean over footprint"
