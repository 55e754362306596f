"""Vertical effective stress: closed forms, the seafloor, gaps, and how errors add up."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products import stress
from corephys.uncertainty import Measured

G = 9.80665


def profile(depth, density, random=0.02, **effects):
    values = xr.DataArray(
        np.asarray(density, dtype=float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, dtype=float), {"units": "m"})},
    )  # fmt: skip
    sizes = {name: xr.full_like(values, e) for name, e in effects.items()}
    return series.build({"bulk_density": Measured(values, xr.full_like(values, random), sizes)})


def at(*depth):
    values = np.asarray(depth, dtype=float)
    where = ("reading", values, {"units": "m"})
    return xr.DataArray(np.zeros(values.size), dims="reading", coords={"depth": where})


def stress_at(density, where, **given):
    given.setdefault("pore_water_density", "1.024 g/cm^3")
    given.setdefault("pore_water_density_uncertainty", "0.001 g/cm^3")
    return stress.vertical_effective_stress(density, at=where, **given)


def whole(density, where=None, **given):
    given.setdefault("pore_water_density", "1.024 g/cm^3")
    given.setdefault("pore_water_density_uncertainty", "0.001 g/cm^3")
    return stress.profile(density, at=where, **given)


def test_a_density_that_grows_linearly_has_a_closed_form():
    z = np.linspace(0.0, 200.0, 41)
    found = stress_at(profile(z, 1.5 + 0.001 * z), at(10.0, 77.3, 200.0))
    exact = [G * ((1.5 - 1.024) * d + 0.0005 * d * d) for d in (10.0, 77.3, 200.0)]
    np.testing.assert_allclose(found["vertical_effective_stress"].values, exact, rtol=1e-12)
    assert found["vertical_effective_stress"].attrs["units"] == "kPa"
    assert found.attrs["safety"] == RESEARCH_ONLY


def test_readings_in_any_order_and_twice_at_a_depth():
    depth, density = [30.0, 10.0, 20.0, 20.0], [1.7, 1.5, 1.5, 1.7]
    found = stress_at(profile(depth, density), at(30.0))["vertical_effective_stress"].item()
    # 1.5 down to 10 m, then on a line through the mean of the two readings at 20 m.
    expected = G * (10.0 * 1.5 + 10.0 * 1.55 + 10.0 * 1.65 - 30.0 * 1.024)
    assert found == pytest.approx(expected, rel=1e-9)


def test_errors_add_as_draws_of_the_densities_say():
    rng = np.random.default_rng(4)
    z = np.sort(rng.uniform(0.0, 100.0, 30))
    rho = np.full(30, 1.6)
    found = stress_at(profile(z, rho, 0.05, gamma_calibration=0.01), at(20.0, 95.0))
    draws = np.array([
        stress_at(profile(z, rho + rng.normal(0.0, 0.05, 30)), at(20.0, 95.0))
        ["vertical_effective_stress"].values for _ in range(400)
    ])  # fmt: skip
    random = found["vertical_effective_stress_u_random"].values
    np.testing.assert_allclose(draws.std(axis=0), random, rtol=4 / np.sqrt(800))
    effects = found["vertical_effective_stress_effects"]
    np.testing.assert_allclose(
        effects.sel(source="gamma_calibration"), G * 0.01 * np.array([20, 95])
    )
    np.testing.assert_allclose(effects.sel(source="pore_water_density"),
                               -G * 0.001 * np.array([20, 95]))  # fmt: skip


def test_a_doubtful_density_is_left_out_and_far_depths_are_marked():
    density = profile([5.0, 10.0, 15.0], [1.5, 9.0, 1.5])
    density["bulk_density_reason"][1] = flags.bit("impossible_value")
    found = stress_at(density, at(12.0, 40.0, 60.0, -1.0))
    values = found["vertical_effective_stress"].values
    assert values[0] == pytest.approx(G * 12.0 * (1.5 - 1.024))
    assert np.isfinite(values).tolist() == [True, True, False, False]
    doubt = found["vertical_effective_stress_reason"].values
    assert "interpolated_input" not in flags.names(doubt[0])
    assert "missing_value" in flags.names(doubt[2])


def test_one_density_and_thin_air_are_refused():
    with pytest.raises(ValueError, match="1 usable densities; a profile needs two"):
        stress_at(profile([5.0], [1.5]), at(5.0))
    with pytest.raises(ValueError, match="thickness has 2 values and bulk_density 1"):
        stress.effective_stress_of_layers(
            units.quantity(np.array([1.0, 2.0]), "m"), units.quantity(np.array([1.5]), "g/cm^3")
        )
    with pytest.raises(units.UnitError, match="bare value"):
        stress.effective_stress_of_layers(3.0, "1.5 g/cm^3")
