"""A quantity of one's own joins the vocabulary, and a wrong one is refused."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.ground.units import UnitError
from corephys.ground.vocabulary import TERMS, Term, add
from corephys.uncertainty import Measured

OWN = Term("own_brightness", "%", "brightness of the core's face", (2, 60), (0, 100))


@pytest.fixture(autouse=True)
def _vocabulary_as_before() -> Iterator[None]:
    before = set(TERMS)
    yield
    for name in set(TERMS) - before:
        del TERMS[name]


def test_an_added_quantity_is_built_flagged_written_and_read(tmp_path) -> None:
    add(OWN)
    values = xr.DataArray([30.0, 90.0, 120.0, np.nan], dims="reading")
    built = series.build({"own_brightness": Measured(values, 0.5, {"tile": 1.0})})
    assert built["own_brightness_flag"].values.tolist() == [
        flags.GOOD, flags.SUSPECT, flags.BAD, flags.MISSING,
    ]  # fmt: skip
    assert built["own_brightness"].attrs["long_name"] == OWN.long_name
    assert "brightness" in cp.explain(built)

    tree = xr.DataTree.from_dict({"/properties/own_brightness": built})
    cp.save(tree, tmp_path / "own.nc")
    again = cp.load(tmp_path / "own.nc")["properties/own_brightness"]
    assert again["own_brightness"].attrs["units"] == "%"
    np.testing.assert_array_equal(again["own_brightness"], values)


def test_what_is_not_added_is_refused() -> None:
    with pytest.raises(KeyError, match="no quantity named 'own_brightness'"):
        series.build({"own_brightness": Measured(1.0)})


def test_the_same_row_twice_is_one_and_another_of_its_name_is_refused() -> None:
    assert add(OWN) is add(OWN)
    with pytest.raises(ValueError, match="already is a quantity 'own_brightness'"):
        add(Term("own_brightness", "1", OWN.long_name))
    with pytest.raises(ValueError, match="already is a quantity 'porosity'"):
        add(Term("porosity", "%", "porosity"))


@pytest.mark.parametrize("name", ["Brightness", "own brightness", "own__b", "2nd", "own_flag", ""])
def test_a_name_that_is_not_plain_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="cannot be the name"):
        add(Term(name, "1", "words"))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (Term("own_a", "1", " "), "no words"),
        (Term("own_a", "1", "words", (1, 0), (0, 1)), "must rise"),
        (Term("own_a", "1", "words", (0, 2), (0, 1)), "inside the possible"),
    ],
)
def test_a_row_that_contradicts_itself_is_refused(entry: Term, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        add(entry)


@pytest.mark.parametrize(("unit", "words"), [("florps", "florps"), ("g/cc", "write it 'g/cm")])
def test_a_unit_that_does_not_exist_or_is_spelled_otherwise_is_refused(
    unit: str, words: str
) -> None:
    with pytest.raises(UnitError, match=words):
        add(Term("own_a", unit, "words"))
    assert "own_a" not in TERMS
