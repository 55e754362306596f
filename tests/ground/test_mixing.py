"""Mixing laws: closed forms, order of the means and bounds, limits, bad input."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as some

from corephys.ground import mixing, units

GRAIN, WATER = "3 W/(m K)", "0.6 W/(m K)"


def test_hashin_shtrikman_lower_bound_is_maxwell():
    """0.6 + 0.4 / (1/2.4 + 0.6/1.8) = 1.13333: Hashin and Shtrikman (1962), Maxwell (1873)."""
    lower, upper = mixing.hashin_shtrikman_conductivity(0.6, GRAIN, WATER)
    assert units.spelling(lower) == units.spelling(upper) == "W/(m K)"
    assert lower.magnitude == pytest.approx(1.133333333, abs=1e-9)
    assert upper.magnitude == pytest.approx(3.0 + 0.6 / (1 / (0.6 - 3.0) + 0.4 / 9.0), abs=1e-12)


@given(some.floats(0.0, 1.0), some.floats(0.1, 10.0), some.floats(0.1, 10.0))
def test_means_and_bounds_stand_in_order(porosity, water, grain):
    phases = ([porosity, 1 - porosity], [f"{water!r} W/(m K)", f"{grain!r} W/(m K)"])
    bounds = mixing.hashin_shtrikman_conductivity(porosity, phases[1][1], phases[1][0])
    lower, upper = (bound.magnitude for bound in bounds)
    harmonic, geometric, arithmetic = (
        mean(*phases).magnitude
        for mean in (mixing.harmonic_mean, mixing.geometric_mean, mixing.arithmetic_mean)
    )
    slack = 1e-9 * max(water, grain)
    assert harmonic <= lower + slack
    assert lower <= upper + slack
    assert upper <= arithmetic + slack
    assert harmonic <= geometric + slack
    assert geometric <= arithmetic + slack


@pytest.mark.parametrize(("porosity", "expected"), [(0.0, 3.0), (1.0, 0.6)])
def test_pure_phases_give_themselves(porosity, expected):
    for name in ("arithmetic_mean", "geometric_mean", "harmonic_mean"):
        value = getattr(mixing, name)([porosity, 1 - porosity], [WATER, GRAIN])
        assert value.magnitude == pytest.approx(expected, rel=1e-14)
    for bound in mixing.hashin_shtrikman_conductivity(porosity, GRAIN, WATER):
        assert bound.magnitude == pytest.approx(expected, rel=1e-14)
    both = mixing.hashin_shtrikman_conductivity(0.5, WATER, WATER)
    assert [bound.magnitude for bound in both] == [0.6, 0.6]


def test_heat_capacity_of_water_and_of_the_parabola():
    assert mixing.volumetric_heat_capacity(1.0).magnitude == pytest.approx(4.09)
    found = mixing.heat_capacity_from_conductivity(units.quantity([0.7, 1.0, 1.5, 1.8], "W/(m K)"))
    np.testing.assert_allclose(found.magnitude, [np.nan, 3.136, 2.571, np.nan], rtol=1e-12)


def test_data_arrays_keep_their_positions():
    porosity = xr.DataArray([0.8, 0.4], dims="reading", coords={"depth": ("reading", [1.0, 2.0])},
                            attrs={"units": "1"})  # fmt: skip
    water = porosity.copy(data=[0.2, 0.6])
    found = mixing.geometric_mean([porosity, water], [WATER, GRAIN])
    np.testing.assert_allclose(found, [0.6**0.8 * 3**0.2, 0.6**0.4 * 3**0.6], rtol=1e-14)
    assert found.attrs == {"units": "W/(m K)"}
    assert found["depth"].attrs["units"] == "m"


def test_a_heat_capacity_is_in_its_own_unit_and_its_kernel_has_float_defaults():
    found = mixing.volumetric_heat_capacity("50 %", water_heat_capacity="4.1e6 J/(m^3 K)")
    assert found.to("MJ/(m^3 K)").magnitude == pytest.approx(0.5 * 4.1 + 0.5 * 2.2)
    assert mixing.volumetric_heat_capacity.kernel(1.0) == 4.09


def test_bad_fractions_and_units_are_refused():
    with pytest.raises(ValueError, match=r"must add up to 1"):
        mixing.arithmetic_mean([0.5, 0.6], [WATER, GRAIN])
    with pytest.raises(ValueError, match="it is a fraction from 0 to 1"):
        mixing.harmonic_mean([-0.1, 1.1], [WATER, GRAIN])
    with pytest.raises(ValueError, match="one of each"):
        mixing.geometric_mean([1.0], [WATER, GRAIN])
    with pytest.raises(units.UnitError, match="values"):
        mixing.arithmetic_mean([0.5, 0.5], [0.6, 3.0])
