"""A law takes units at its door, hands floats to its arithmetic and puts a unit on the result."""

from __future__ import annotations

import inspect

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import constants, units
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


def test_several_results_have_a_unit_each():
    @law(("m", "1"), length="m", share="fraction")
    def split(length, share):
        return length * share, share

    part, share = split("2 m", "25 %")
    assert part.to("cm").magnitude == pytest.approx(50.0)
    assert share == 0.25


def test_a_door_may_be_a_function_that_returns_floats():
    def even(value, name):
        found = units.as_floats(value, "mm", name)
        if found % 2:
            raise ValueError(f"{name} is {found:g} mm; give an even number")
        return found

    @law("mm", width=("mm", even))
    def half(width):
        return width / 2

    assert half("4 mm").magnitude == 2.0
    assert half.units == {"width": "mm"}
    with pytest.raises(ValueError, match="width is 3 mm"):
        half("3 mm")


def test_defaults_with_a_unit_are_floats_in_the_kernel_and_shown_as_written():
    @law("Pa", depth="m", gravity="m/s^2", atmosphere="kPa", name="optional m")
    def load(depth, gravity=constants.CONSTANTS["gravity"], *, atmosphere="1 bar", name=None):
        return 1000.0 * depth * gravity + 1000.0 * atmosphere

    assert load.kernel(0.0) == pytest.approx(1e5)
    assert load("0 m").magnitude == pytest.approx(1e5)
    shown = inspect.signature(load).parameters
    assert shown["atmosphere"].default == "1 bar"
    assert shown["depth"].annotation == "Dimensional"
    assert shown["name"].annotation == "Dimensional | None"
    assert inspect.signature(load).return_annotation == "WithUnit"
    assert load.__annotations__["return"] == "WithUnit"


def test_positions_have_their_unit_on_the_result():
    depth = ("reading", [100.0, 200.0], {"units": "cm"})
    porosity = xr.DataArray(
        [0.5, 0.25], dims="reading", coords={"depth": depth}, attrs={"units": "1"}
    )
    found = rock_resistivity("0.2 ohm m", porosity)
    assert found["depth"].values.tolist() == [1.0, 2.0]
    assert found["depth"].attrs["units"] == "m"
    assert porosity["depth"].attrs["units"] == "cm"
