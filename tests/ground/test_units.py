"""The unit boundary: what passes the door and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import companions, constants, units, vocabulary


def test_bare_number_is_refused_with_the_expected_unit():
    with pytest.raises(
        units.UnitError, match=r"velocity: expected a quantity in m/s, got the bare"
    ):
        units.as_floats(1500.0, "m/s", "velocity")


def test_expression_is_refused():
    with pytest.raises(units.UnitError, match="expressions are not evaluated"):
        units.as_floats("3*4 m", "m", "length")


@pytest.mark.parametrize("text", ["2.70", "2.70g/cm^3", "g/cm^3", "", "1e g", "2 3 m/s"])
def test_malformed_scalars_are_refused(text):
    with pytest.raises(units.UnitError):
        units.as_floats(text, "g/cm^3", "density")


@pytest.mark.parametrize(
    ("given", "unit", "expected"),
    [
        ("2700 kg/m^3", "g/cm^3", 2.7),
        ("2.70 g/cm^3", "kg/m^3", 2700.0),
        ("1.9 degC", "K", 275.05),
        ("66 mm", "m", 0.066),
        ("5 us", "s", 5e-6),
    ],
)
def test_scalars_are_converted(given, unit, expected):
    assert units.as_floats(given, unit, "x") == pytest.approx(expected, rel=1e-14)


def test_quantity_and_data_array_agree():
    values = np.array([1.0, 2.0])
    by_quantity = units.as_floats(units.quantity(values, "g/cm^3"), "kg/m^3", "x")
    by_array = units.as_floats(
        xr.DataArray(values, dims="reading", attrs={"units": "g/cm^3"}), "kg/m^3", "x"
    )
    np.testing.assert_array_equal(by_quantity, [1000.0, 2000.0])
    np.testing.assert_array_equal(by_array.values, by_quantity)
    assert by_array.attrs == {}


def test_the_callers_array_stays_as_it_was():
    array = xr.DataArray([1.0, 2.0], dims="reading", attrs={"units": "g/cm^3"}, name="rho")
    units.as_floats(array, "kg/m^3", "x")
    np.testing.assert_array_equal(array.values, [1.0, 2.0])
    assert array.attrs == {"units": "g/cm^3"}


def test_data_array_without_units_is_refused():
    with pytest.raises(units.UnitError, match="no 'units' attribute"):
        units.as_floats(xr.DataArray([1.0]), "m", "depth")


def test_wrong_dimension_names_both_units():
    with pytest.raises(units.UnitError, match="expected g/cm\\^3, got 'm/s'"):
        units.as_floats("3 m/s", "g/cm^3", "density")


def test_temperature_difference_refuses_an_offset_scale():
    with pytest.raises(units.UnitError, match="given in K"):
        units.as_floats("0.5 degC", "K", "uncertainty", difference=True)
    assert units.as_floats("0.5 K", "K", "uncertainty", difference=True) == 0.5


@pytest.mark.parametrize(
    "given",
    ["1.8 delta_degF", units.quantity(1.8, "delta_degF"), units.quantity(1.0, "delta_degC")],
)
def test_a_difference_of_temperatures_is_taken_as_one(given):
    assert units.as_floats(given, "K", "uncertainty", difference=True) == pytest.approx(1.0)
    with pytest.raises(units.UnitError, match="difference of temperatures"):
        units.as_floats(given, "degC", "temperature")


def test_fahrenheit_has_no_finite_difference_error():
    assert units.convert(1.0, "degF", "K") == pytest.approx(255.9277777777778, rel=1e-15)


def test_differences_in_fahrenheit_are_read():
    # 1.8 degF are one kelvin by definition.
    assert units.convert(1.8, "delta_degF", "K") == pytest.approx(1.0, rel=1e-15)
    assert units.canonical(units.difference_unit("degF")) == "delta_degF"


@pytest.mark.parametrize("written", [None, "degF", "delta_degF"])
def test_uncertainty_of_a_temperature_in_fahrenheit_has_no_zero(written):
    given = xr.Dataset(
        {
            "equilibrium_temperature": ("reading", [50.0], {"units": "degF"}),
            "equilibrium_temperature_u_random": (
                "reading", [1.8], {} if written is None else {"units": written},
            ),
        }
    )  # fmt: skip
    found = companions.library_units(given)
    assert found["equilibrium_temperature"].item() == pytest.approx(10.0)
    assert found["equilibrium_temperature_u_random"].item() == pytest.approx(1.0)
    assert found["equilibrium_temperature_u_random"].attrs["units"] == "K"


def test_foreign_spellings_become_the_one_spelling():
    assert units.canonical("g/cc") == "g/cm^3"
    assert units.canonical("W/m/K") == "W/(m K)"
    with pytest.raises(units.UnitError, match="Did you mean"):
        units.canonical("g/cm^^3")


def _other(unit: str) -> str:
    """A second spelling of the same dimension, so that the factor is not one."""
    return {
        "g/cm^3": "kg/m^3", "m/s": "km/s", "m": "mm", "cm": "m", "degC": "K", "mW/m^2": "W/m^2",
        "1/s": "1/ms", "K/km": "K/m", "MPa s/m": "kPa s/m", "ohm m": "ohm mm",
    }.get(unit, unit)  # fmt: skip


@pytest.mark.parametrize("unit", sorted({t.unit for t in vocabulary.TERMS.values()}))
def test_every_unit_is_read_alike_by_pint_and_udunits(unit):
    cf_units = pytest.importorskip("cf_units", reason="cf-units reads units as UDUNITS does")
    assert units.canonical(unit) == unit
    theirs = cf_units.Unit(unit).convert(1.0, cf_units.Unit(_other(unit)))
    assert units.convert(1.0, unit, _other(unit)) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("name", sorted(constants.CONSTANTS))
def test_every_constant_has_a_unit_and_a_source(name):
    constant = constants.get(name)
    assert units.canonical(constant.unit) == constant.unit
    assert len(constant.citation) > 10
    assert constant.status in {
        "published", "definition", "library", "memory", "common practice",
    }  # fmt: skip


def test_quantities_in_pints_own_units_are_read():
    import pint

    registry = pint.get_application_registry()
    assert units.as_floats(registry.Quantity(1.2, "W/m/K"), "W/(m K)", "k") == pytest.approx(1.2)
    assert units.as_floats(registry.Quantity(3.0, "degC"), "K", "T") == pytest.approx(276.15)
    assert units.as_floats(registry.Quantity(3.0, "microsecond"), "s", "t") == pytest.approx(3e-6)
    assert units.as_floats(registry.Quantity(30.0, "percent"), "1", "phi") == pytest.approx(0.3)


def test_two_terms_of_one_name_are_refused():
    row = ("bulk_density", "g/cm^3", "bulk density", (1.0, 3.0), (0.0, 5.0))
    assert set(vocabulary._terms((row,))) == {"bulk_density"}
    with pytest.raises(ValueError, match="two rows of the vocabulary are named 'bulk_density'"):
        vocabulary._terms((row, row))
