"""The bend of temperature against resistance: false alarms, planted bends, planted flow."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import series, units
from corephys.products import heat_flow
from corephys.uncertainty import Measured

# Simulated truth or whole series: the file takes long.
pytestmark = pytest.mark.slow

KNOWN = np.linspace(0, 205, 60)
YEAR = 31557600.0


def _series(name, depth, values, u=0.01):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u)})


def _needles(k):
    return _series("thermal_conductivity", KNOWN, k, 0.005)


def _flowing(depth, velocity, k, top=2.0, flux=0.06):
    """Steady temperatures under flow [m/s, downward], through layers of k.

    d/dz (k dT/dz) = rho c v dT/dz is integrated as two first-order equations from the seafloor,
    which shares nothing with the exponential of the reduction.
    """
    from scipy.integrate import solve_ivp

    def slopes(z, state):
        inverse = np.interp(z, KNOWN, 1.0 / k)
        return [state[1] * inverse, 4.09e6 * velocity * state[1] * inverse]

    solved = solve_ivp(slopes, (0.0, 210.0), [top, flux], max_step=2.0, rtol=1e-9, atol=1e-12,
                       dense_output=True)  # fmt: skip
    return solved.sol(depth)[0]


def _curvature(at, t, u, k=None):
    warm = _series("equilibrium_temperature", at, t, u)
    needles = _needles(np.full(KNOWN.size, 1.1) if k is None else k)
    return heat_flow.curvature(warm, heat_flow.thermal_resistance(needles, at=warm))


@pytest.mark.parametrize("number", [5, 20])
def test_straight_profiles_are_rarely_called_curved(number):
    """Straight profiles whose scatter is not even stated rightly."""
    rng = np.random.default_rng(number)
    at = np.linspace(10, 200, number)
    warm = _series("equilibrium_temperature", at, 2.0 + 0.06 * at / 1.1, 0.01)
    resistance = heat_flow.thermal_resistance(_needles(np.full(KNOWN.size, 1.1)), at=warm)
    straight = warm["equilibrium_temperature"].values.copy()
    called, holes = 0, 200
    for _ in range(holes):
        warm["equilibrium_temperature"].values[:] = straight + rng.normal(0, 0.03, number)
        called += heat_flow.curvature(warm, resistance).attrs["shape"] == "curved"
    # Four standard deviations of 5 % among 200.
    assert abs(called / holes - 0.05) < 4 * np.sqrt(0.05 * 0.95 / holes)


@pytest.mark.parametrize("velocity", [-20e-3, -4e-3, 4e-3, 20e-3])
@pytest.mark.parametrize("layered", [False, True])
def test_planted_flow_of_pore_water_is_found(velocity, layered):
    at = np.linspace(10, 200, 12)
    k = np.where((KNOWN // 40) % 2 == 0, 0.9, 1.5) if layered else np.full(KNOWN.size, 1.1)
    t = _flowing(at, velocity / YEAR, k)
    found = _curvature(at, t, 1e-3, k)
    assert found.attrs["shape"] == "curved"
    direction = "downward" if velocity > 0 else "upward"
    assert f"flows {direction}" in found.attrs["candidates"]
    assert found.attrs["candidates"].count(";") >= 4  # never one cause
    assert float(found["pore_water_velocity"]) == pytest.approx(1e3 * velocity, rel=0.01)
    r = heat_flow.thermal_resistance(_needles(k), at=_series("equilibrium_temperature", at, t))
    span = float(np.ptp(r["thermal_resistance"].values))
    assert float(found["peclet_number"]) == pytest.approx(4.09e6 * velocity / YEAR * span, rel=0.01)
    flow = found["residual"].sel(model="flow").values
    assert (
        np.abs(flow).max() < 0.01 * np.abs(found["residual"].sel(model="line").values).max() + 1e-6
    )


def test_stated_errors_have_a_probability_of_their_own():
    """Closed form: a bend of a known number of its standard uncertainties."""
    at = np.linspace(10, 200, 10)
    t = 2.0 + 0.06 * at / 1.1 + 2e-5 * (at / 1.1) ** 2
    found = _curvature(at, t, 0.05)
    size = float(found["bend"]) / float(found["bend_u_random"])
    from scipy.stats import norm

    assert float(found["probability_by_stated_errors"]) == pytest.approx(
        2 * norm.sf(size), rel=1e-6
    )


def test_the_uncertainty_of_the_bend_holds():
    rng = np.random.default_rng(9)
    at = np.linspace(10, 200, 10)
    r = at / 1.1
    inside = []
    for _ in range(150):
        t = 2.0 + 0.06 * r + 0.5 * 1e-4 * r**2 + rng.normal(0, 0.02, 10)
        found = _curvature(at, t, 0.02)
        inside.append(abs(float(found["bend"]) - 1e-4) <= float(found["bend_u_random"]))
    # The stated errors of conductivity are part of it, so that it may be a little wide.
    assert 0.57 < np.mean(inside) < 0.85


@pytest.mark.parametrize(
    ("cause", "sign"), [("warmer", 1), ("colder", -1), ("heat production", -1)]
)
def test_other_causes_bend_the_way_they_are_listed(cause, sign):
    at = np.linspace(5, 200, 14)
    t = 2.0 + 0.06 * at / 1.1
    where = units.quantity(at, "m")
    if cause == "heat production":
        t = t - 4e-6 * at**2 / 2.2
    else:
        step = "0.5 K" if sign > 0 else "-0.5 K"
        t = t + heat_flow.bottom_water_anomaly(where, change=step, since="60 yr")[
            "temperature_anomaly"].values  # fmt: skip
    found = _curvature(at, t, 1e-3)
    assert np.sign(float(found["bend"])) == sign
    assert cause in found.attrs["candidates"]


def test_four_points_are_enough_and_three_are_not():
    at = np.array([10.0, 60.0, 120.0, 200.0])
    t = 2.0 + 0.06 * at / 1.1 + np.array([0.0, 0.01, -0.01, 0.0])
    assert _curvature(at, t, 0.01).attrs["points_used"] == 4
    with pytest.raises(ValueError, match="3 usable points cannot show a bend; it needs four"):
        _curvature(at[:3], t[:3], 0.01)
    warm = _series("equilibrium_temperature", at, t)
    resistance = heat_flow.thermal_resistance(_needles(np.full(60, 1.1)), at=warm)
    with pytest.raises(ValueError, match="significance is 5; it must be between 0 and 1"):
        heat_flow.curvature(warm, resistance, significance=5.0)


def test_residuals_stand_at_their_stations():
    at = np.linspace(10, 200, 8)
    t = 2.0 + 0.06 * at / 1.1
    t[3] = np.nan
    found = _curvature(at, t + 0.001 * np.sin(at), 0.01)
    assert found["residual"].shape == (3, 8)
    assert np.isnan(found["residual"].values[:, 3]).all()
    np.testing.assert_allclose(found["depth"], at)
