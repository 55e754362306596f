"""Closed forms of an unsteady seafloor against a numerical solution of the heat equation.

The solution is Crank and Nicolson's on a stretched grid, written here and sharing nothing with
the closed forms: tridiagonal solves, the seafloor as a boundary value, sediment that moves down.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_banded

from corephys.ground import units
from corephys.products import heat_flow

YEAR = 31557600.0
KAPPA = 3e-7


def conduct(depth, duration, surface, steps, *, rate=0.0, start=0.0, slope=0.0):
    """Temperature after ``duration`` [s]: dT/dt = kappa d2T/dz2 - rate dT/dz on a grid.

    ``surface(t)`` is the temperature of the seafloor; the bottom keeps the starting slope.
    """
    t = start + slope * depth
    dt = duration / steps
    down, up = depth[1:-1] - depth[:-2], depth[2:] - depth[1:-1]
    lower = 2.0 * KAPPA / (down * (down + up)) + rate * up / (down * (down + up))
    upper = 2.0 * KAPPA / (up * (down + up)) - rate * down / (up * (down + up))
    middle = -(lower + upper)
    band = np.zeros((3, depth.size))
    band[0, 2:] = -0.5 * dt * upper
    band[1, 1:-1] = 1.0 - 0.5 * dt * middle
    band[2, :-2] = -0.5 * dt * lower
    band[1, 0] = band[1, -1] = 1.0
    band[2, -2] = -1.0
    for i in range(steps):
        right = t.copy()
        right[1:-1] += 0.5 * dt * (lower * t[:-2] + middle * t[1:-1] + upper * t[2:])
        right[0] = surface((i + 1) * dt)
        right[-1] = slope * (depth[-1] - depth[-2])
        t = solve_banded((1, 1), band, right)
    return t


def stretched(bottom, number):
    """Depths from zero to bottom, thin at the top."""
    power = np.linspace(0.0, 1.0, number)
    return bottom * (np.expm1(power * 5.0) / np.expm1(5.0))


def at(depth):
    return units.quantity(np.asarray(depth, float), "m")


@pytest.mark.parametrize("years", [1.0, 10.0, 100.0])
def test_a_step_of_the_bottom_water(years):
    reach = np.sqrt(KAPPA * years * YEAR)
    grid = stretched(14 * reach, 900)
    numerical = conduct(grid, years * YEAR, lambda t: 1.0, 4000)
    want = np.array([0.3, 1.0, 2.0, 3.0]) * reach
    found = heat_flow.bottom_water_anomaly(at(want), change="1 K", since=f"{years} yr")
    # The grid and the first steps after the jump leave 2e-4 of the step.
    np.testing.assert_allclose(
        found["temperature_anomaly"], np.interp(want, grid, numerical), atol=5e-4
    )
    assert float(found["seafloor_temperature_anomaly"]) == 1.0


def test_several_steps_are_a_history():
    reach = np.sqrt(KAPPA * 60 * YEAR)
    grid = stretched(14 * reach, 900)

    def surface(t):
        ago = 60 * YEAR - t
        return (0.4 if ago <= 60 * YEAR else 0.0) + (-0.9 if ago <= 25 * YEAR else 0.0)

    numerical = conduct(grid, 60 * YEAR, surface, 6000)
    want = np.array([2.0, 8.0, 20.0, 40.0])
    found = heat_flow.bottom_water_anomaly(
        at(want), change=units.quantity(np.array([0.4, -0.9]), "K"),
        since=units.quantity(np.array([60.0, 25.0]), "yr"),
    )  # fmt: skip
    np.testing.assert_allclose(
        found["temperature_anomaly"], np.interp(want, grid, numerical), atol=5e-4
    )


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.7])
def test_a_season(phase):
    """Thirty swings from rest; what is left of the beginning is far below the tolerance."""
    duration = (30.0 + phase) * YEAR
    grid = stretched(60.0, 800)
    numerical = conduct(grid, duration, lambda t: np.cos(2 * np.pi * t / YEAR), 30 * 240)
    want = np.array([0.5, 1.5, 3.0, 5.0])
    found = heat_flow.seasonal_anomaly(
        at(want), amplitude="1 K", period="1 yr", since_maximum=f"{phase} yr"
    )
    # The swing from rest leaves an erfc of the first cosine, 2e-3 of it after thirty years.
    np.testing.assert_allclose(
        found["temperature_anomaly"], np.interp(want, grid, numerical), atol=4e-3
    )


@pytest.mark.parametrize(("rate", "years"), [(0.1e-3, 1e6), (1e-3, 1e5), (0.02e-3, 5e6)])
def test_sedimentation_in_a_frame_that_moves(rate, years):
    duration, speed = years * YEAR, rate / YEAR
    reach = np.sqrt(KAPPA * duration)
    grid = stretched(14 * reach + speed * duration, 1200)
    numerical = conduct(grid, duration, lambda t: 0.0, 4000, rate=speed, slope=1.0)
    want = np.array([0.02, 0.2, 1.0, 2.0]) * reach
    found = heat_flow.sedimentation(at(want), rate=f"{rate} m/yr", duration=f"{years} yr")
    rise = np.interp(want, grid, numerical) / want
    np.testing.assert_allclose(found["temperature_rise_ratio"], rise, atol=1e-3)
    # A one-sided slope of second order at the seafloor.
    a, b = grid[1], grid[2]
    slope = (numerical[1] * b**2 - numerical[2] * a**2) / (a * b * (b - a))
    assert float(found["heat_flow_ratio"]) == pytest.approx(slope, abs=1e-3)


def test_effects_are_changes_of_the_argument():
    where = at([5.0, 15.0])
    found = heat_flow.bottom_water_anomaly(
        where, change="0.5 K", since="10 yr", change_uncertainty="0.1 K", since_uncertainty="2 yr"
    )
    effects = found["temperature_anomaly_effects"]
    np.testing.assert_allclose(
        effects.sel(source="bottom_water_change"), 0.2 * found["temperature_anomaly"], rtol=1e-6
    )
    later, sooner = (
        heat_flow.bottom_water_anomaly(where, change="0.5 K", since=f"{years} yr")
        for years in (10.2, 9.8)
    )
    change = (later["temperature_anomaly"] - sooner["temperature_anomaly"]).values * 5
    np.testing.assert_allclose(effects.sel(source="bottom_water_time"), change, rtol=1e-3)
    assert np.isfinite(effects.sel(source="diffusivity")).all()
    unknown = heat_flow.bottom_water_anomaly(where, change="0.5 K", since="10 yr")
    assert np.isnan(unknown["temperature_anomaly_u_systematic"]).all()


def test_what_cannot_be_is_refused():
    where = at([5.0])
    with pytest.raises(ValueError, match="2 changes and 1 times"):
        heat_flow.bottom_water_anomaly(
            where, change=units.quantity(np.array([1.0, 2.0]), "K"), since="3 yr"
        )
    with pytest.raises(ValueError, match="since is 0 s; it has to be above zero"):
        heat_flow.bottom_water_anomaly(where, change="1 K", since="0 yr")
    with pytest.raises(units.UnitError, match="since"):
        heat_flow.bottom_water_anomaly(where, change="1 K", since="3 m")
    with pytest.raises(units.UnitError, match="given in K"):
        heat_flow.bottom_water_anomaly(where, change="1 degC", since="3 yr")
    with pytest.raises(ValueError, match="rate is -1 m/yr; it has to be above zero"):
        heat_flow.sedimentation(where, rate="-1 m/yr", duration="3 yr")
    with pytest.raises(ValueError, match="diffusivity is 0"):
        heat_flow.sedimentation(where, rate="1 m/yr", duration="3 yr", diffusivity="0 m^2/s")
    with pytest.raises(ValueError, match="-2 m lies above the seafloor"):
        heat_flow.seasonal_anomaly(at([-2.0]), amplitude="1 K", period="1 yr", since_maximum="0 yr")
