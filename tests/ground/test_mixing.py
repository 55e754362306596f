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
    assert lower == pytest.approx(1.133333333, abs=1e-9)
    assert upper == pytest.approx(3.0 + 0.6 / (1 / (0.6 - 3.0) + 0.4 / 9.0), abs=1e-12)


@given(some.floats(0.0, 1.0), some.floats(0.1, 10.0), some.floats(0.1, 10.0))
def test_means_and_bounds_stand_in_order(porosity, water, grain):
    phases = ([porosity, 1 - porosity], [f"{water!r} W/(m K)", f"{grain!r} W/(m K)"])
    lower, upper = mixing.hashin_shtrikman_conductivity(porosity, phases[1][1], phases[1][0])
    slack = 1e-9 * max(water, grain)
    assert mixing.harmonic_mean(*phases) <= lower + slack
    assert lower <= upper + slack
    assert upper <= mixing.arithmetic_mean(*phases) + slack
    assert mixing.harmonic_mean(*phases) <= mixing.geometric_mean(*phases) + slack
    assert mixing.geometric_mean(*phases) <= mixing.arithmetic_mean(*phases) + slack


@pytest.mark.parametrize(("porosity", "expected"), [(0.0, 3.0), (1.0, 0.6)])
def test_pure_phases_give_themselves(porosity, expected):
    for name in ("arithmetic_mean", "geometric_mean", "harmonic_mean"):
        value = getattr(mixing, name)([porosity, 1 - porosity], [WATER, GRAIN])
        assert value == pytest.approx(expected, rel=1e-14)
    for bound in mixing.hashin_shtrikman_conductivity(porosity, GRAIN, WATER):
        assert bound == pytest.approx(expected, rel=1e-14)
    assert mixing.hashin_shtrikman_conductivity(0.5, WATER, WATER) == (0.6, 0.6)


def test_heat_capacity_of_water_and_of_the_parabola():
    assert mixing.volumetric_heat_capacity(1.0) == pytest.approx(4.09)
    found = mixing.heat_capacity_from_conductivity(units.quantity([0.7, 1.0, 1.5, 1.8], "W/(m K)"))
    np.testing.assert_allclose(found, [np.nan, 3.136, 2.571, np.nan], rtol=1e-12)


def test_data_arrays_keep_their_positions():
    porosity = xr.DataArray([0.8, 0.4], dims="reading", coords={"depth": ("reading", [1.0, 2.0])},
                            attrs={"units": "1"})  # fmt: skip
    water = porosity.copy(data=[0.2, 0.6])
    found = mixing.geometric_mean([porosity, water], [WATER, GRAIN])
    np.testing.assert_allclose(found, [0.6**0.8 * 3**0.2, 0.6**0.4 * 3**0.6], rtol=1e-14)
    assert "depth" in found.coords


def test_bad_fractions_and_units_are_refused():
    with pytest.raises(ValueError, match="together one"):
        mixing.arithmetic_mean([0.5, 0.6], [WATER, GRAIN])
    with pytest.raises(ValueError, match="it is a fraction from 0 to 1"):
        mixing.harmonic_mean([-0.1, 1.1], [WATER, GRAIN])
    with pytest.raises(ValueError, match="one of each"):
        mixing.geometric_mean([1.0], [WATER, GRAIN])
    with pytest.raises(units.UnitError, match="values"):
        mixing.arithmetic_mean([0.5, 0.5], [0.6, 3.0])
