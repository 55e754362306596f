"""A law takes units at its door, hands floats to its arithmetic and puts a unit on the result."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import units
from corephys.ground.laws import law, with_unit


@law("ohm m", resistivity="positive ohm m", porosity="fraction", exponent="1")
def rock_resistivity(resistivity, porosity, exponent=2.0, word="as it is"):
    """Archie's law."""
    assert word == "as it is"
    return resistivity * porosity**-exponent


def test_numbers_with_units_give_a_quantity():
    found = rock_resistivity("20 ohm cm", "50 %")
    assert found.to("ohm m").magnitude == pytest.approx(0.8)
    assert rock_resistivity.kernel(0.2, 0.5) == pytest.approx(0.8)
    assert rock_resistivity.__doc__ == "Archie's law."
    assert rock_resistivity.units == {"resistivity": "ohm m", "porosity": "1", "exponent": "1"}


def test_a_series_gives_a_series_with_its_unit_and_positions():
    porosity = xr.DataArray(
        [0.5, 0.25], dims="reading", coords={"depth": ("reading", [1.0, 2.0], {"units": "m"})},
        attrs={"units": "1", "long_name": "porosity"},
    )  # fmt: skip
    found = rock_resistivity("0.2 ohm m", porosity)
    np.testing.assert_allclose(found.values, [0.8, 3.2])
    assert found.attrs == {"units": "ohm m"}
    assert found["depth"].values.tolist() == [1.0, 2.0]
    # What comes back may be given to the next function as it is.
    again = rock_resistivity(found, 0.5)
    assert again.attrs == {"units": "ohm m"}


def test_series_at_different_positions_do_not_meet():
    def at(depths):
        coords = {"depth": ("reading", depths, {"units": "m"})}
        return xr.DataArray([0.5, 0.5], dims="reading", coords=coords, attrs={"units": "1"})

    with pytest.raises(cp.PositionError, match="porosity"):
        rock_resistivity("0.2 ohm m", at([1.0, 2.0]), at([1.0, 2.5]))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((0.2, 0.5), "resistivity: expected a quantity in ohm m, got the bare value 0.2"),
        (("0.2 m", 0.5), "resistivity: expected ohm m"),
        (("0.2 ohm m", 50.0), "porosity is 50"),
        (("-0.2 ohm m", 0.5), "resistivity is -0.2 ohm m; it has to be above zero"),
    ],
)
def test_an_argument_that_cannot_be_is_refused_by_name(arguments, words):
    with pytest.raises(ValueError, match=words):
        rock_resistivity(*arguments)


def test_a_misspelt_unit_or_argument_fails_when_it_is_written():
    with pytest.raises(units.UnitError, match="ohmm"):
        law("ohmm")
    with pytest.raises(units.UnitError, match="metre_s"):
        law("m", depth="positive metre_s")
    with pytest.raises(TypeError, match="has no argument depht"):
        law("m", depht="m")(lambda depth: depth)


def test_optional_and_differences():
    @law("K", warming="difference K", start="optional degC")
    def final(warming, start=None):
        return warming if start is None else warming + start

    assert final("2 K").magnitude == 2.0
    assert final("2 K", "1 degC").magnitude == 3.0
    with pytest.raises(units.UnitError, match="given in K, not degC"):
        final("2 degC")


def test_pure_numbers_stay_plain():
    assert with_unit(0.5, "1") == 0.5
    assert with_unit(np.ones(2), "m").magnitude.tolist() == [1.0, 1.0]
    assert with_unit(xr.DataArray([1.0], attrs={"old": "x"}), "1").attrs == {"units": "1"}
