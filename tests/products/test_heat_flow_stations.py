"""Errors of depth, and what the random uncertainty of a heat flow is made of."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import series
from corephys.products import heat_flow
from corephys.uncertainty import Measured

WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.02 K",
}  # fmt: skip


def _series(name, depth, values, u=0.01):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u)})


def _hole(seed=1, noise=0.02, scatter=0.06):
    """Layered sediment of rising conductivity with scatter, six stations, 60 mW/m^2."""
    rng = np.random.default_rng(seed)
    depth = np.linspace(4, 205, 16)
    needles = _series(
        "thermal_conductivity", depth,
        (0.9 + 0.002 * depth) * (1 + rng.normal(0, scatter, depth.size)), 0.015,
    )  # fmt: skip
    at = np.linspace(30, 190, 6)
    rise = 0.06 * np.log1p(at / 450.0) / 0.002
    warm = _series("equilibrium_temperature", at, 2.0 + rise + rng.normal(0, noise, 6), 0.01)
    return warm, needles


@pytest.mark.parametrize("water", [{}, WATER])
@pytest.mark.parametrize("how", heat_flow.CARRIERS)
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_squares_of_the_parts_add_up(how, water, noise):
    warm, needles = _hole(noise=noise)
    resistance = heat_flow.thermal_resistance(needles, at=warm, how=how, depth_uncertainty="0.3 m")
    found = heat_flow.bullard(warm, resistance, **water)
    parts = found["heat_flow_random_parts"]
    assert float((parts**2).sum()) == pytest.approx(float(found["heat_flow_u_random"]) ** 2)
    assert ("bottom water" in parts["part"].values) is bool(water)
    assert parts.attrs["units"] == "mW/m^2"


def test_a_part_that_is_not_carried_is_not_there_and_said():
    warm, needles = _hole()
    resistance = heat_flow.thermal_resistance(needles, at=warm)
    found = heat_flow.bullard(warm, resistance)
    assert "depth" not in found["part"].values
    assert found.attrs["depth_uncertainty"] == "not given, not carried"
    assert resistance.attrs["datum_uncertainty"] == "not given, not carried"


def test_each_part_is_what_is_lost_without_it():
    """A part is the square that the uncertainty loses when its cause is taken away."""
    # Points on their line need no excess scatter, and an error so small moves no weights.
    at, known = np.linspace(30, 190, 6), np.linspace(4, 205, 16)
    needles = _series("thermal_conductivity", known, np.full(16, 1.2))
    warm = _series("equilibrium_temperature", at, 2.0 + 0.06 * at / 1.2)
    options = {"at": warm, "depth_uncertainty": "0.02 m"}
    whole = heat_flow.bullard(warm, heat_flow.thermal_resistance(needles, **options))
    calm = heat_flow.bullard(warm, heat_flow.thermal_resistance(needles, at=warm))
    parts = whole["heat_flow_random_parts"].to_series()
    lost = float(whole["heat_flow_u_random"]) ** 2 - float(calm["heat_flow_u_random"]) ** 2
    assert parts["depth"] ** 2 == pytest.approx(lost, rel=0.02)


@pytest.mark.slow
def test_depths_drawn_anew_scatter_the_heat_flow_as_said():
    warm, needles = _hole(noise=0.0, scatter=0.0)
    at = np.asarray(warm["depth"].values)
    rng = np.random.default_rng(5)
    exact = warm.copy(deep=True)
    exact["equilibrium_temperature_u_random"][:] = 1e-6
    resistance = heat_flow.thermal_resistance(needles, at=exact, depth_uncertainty="1.0 m")
    resistance["thermal_resistance_covariance"] = (
        xr.zeros_like(resistance["thermal_resistance_covariance"])
        + resistance["thermal_resistance_covariance_parts"].sel(part="depth").values
    )
    said = float(heat_flow.bullard(exact, resistance)["heat_flow_u_random"])
    flows = []
    for _ in range(2000):
        moved = _series("equilibrium_temperature", at + rng.normal(0, 1.0, 6),
                        exact["equilibrium_temperature"].values, 1e-6)  # fmt: skip
        r = heat_flow.thermal_resistance(needles, at=moved)["thermal_resistance"].values
        flows.append(1e3 * np.polyfit(r, exact["equilibrium_temperature"].values, 1)[0])
    # 2,000 draws know a deviation to 1.6 %; plain weights cost a few per cent more.
    assert np.std(flows) == pytest.approx(said, rel=0.08)


@pytest.mark.parametrize("how", heat_flow.CARRIERS)
def test_a_shared_datum_moves_every_depth_together(how):
    warm, needles = _hole()
    one = heat_flow.thermal_resistance(needles, at=warm, how=how, datum_uncertainty="0.01 m")
    moved = warm.assign_coords(depth=warm["depth"] + 0.01)
    moved["depth"].attrs["units"] = "m"
    two = heat_flow.thermal_resistance(needles, at=moved, how=how)
    effect = one["thermal_resistance_effects"].sel(source="depth").values
    change = two["thermal_resistance"].values - one["thermal_resistance"].values
    np.testing.assert_allclose(effect, change, rtol=2e-3)


def test_a_shared_datum_goes_through_the_line():
    """Points exactly on their line, so that weights that change with depth move nothing."""
    at, known = np.linspace(30, 190, 6), np.linspace(4, 205, 16)
    needles = _series("thermal_conductivity", known, np.full(16, 1.2))
    warm = _series("equilibrium_temperature", at, 2.0 + 0.06 * at / 1.2)
    one = heat_flow.thermal_resistance(needles, at=warm, datum_uncertainty="0.01 m")
    moved = _series("equilibrium_temperature", at + 0.01, 2.0 + 0.06 * at / 1.2)
    flow = heat_flow.bullard(warm, one, **WATER)
    again = heat_flow.bullard(moved, heat_flow.thermal_resistance(needles, at=moved), **WATER)
    assert float(flow["heat_flow_effects"].sel(source="depth")) == pytest.approx(
        float(again["heat_flow"] - flow["heat_flow"]), rel=0.02
    )


def test_errors_of_depth_that_cannot_be_are_refused():
    warm, needles = _hole()
    with pytest.raises(ValueError, match="depth_uncertainty is -1 m; it has to be zero or more"):
        heat_flow.thermal_resistance(needles, at=warm, depth_uncertainty="-1 m")
    with pytest.raises(ValueError, match="datum_uncertainty"):
        heat_flow.thermal_resistance(needles, at=warm, datum_uncertainty=0.3)
