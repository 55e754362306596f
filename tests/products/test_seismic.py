"""Impedance, reflection coefficients and two-way time against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.products import seismic
from corephys.uncertainty import Measured


def _series(name, values, u=0.0, effects=None, depth=None, reason=0):
    depth = np.arange(len(values)) * 1.0 if depth is None else np.asarray(depth)
    array = xr.DataArray(
        np.asarray(values, float), dims="reading", coords={"depth": ("reading", depth)}
    )
    reason = xr.zeros_like(array, dtype=np.int64) + reason
    return series.build({name: Measured(array, u, effects or {}, reason)})


def test_a_wrong_diameter_cancels_in_impedance():
    """Density falls and velocity rises with the diameter by the same fraction."""
    density = _series("bulk_density", [2.0, 2.0], 0.001, {"core_diameter": -0.02})
    velocity = _series("p_wave_velocity", [1600.0, 1600.0], 0.5, {"core_diameter": 16.0})
    z = seismic.acoustic_impedance(density, velocity)
    quadrature = np.hypot(0.02 / 2.0, 16.0 / 1600.0)
    relative = (z.acoustic_impedance_u_systematic / z.acoustic_impedance).values
    assert np.all(relative < 1e-3 * quadrature)
    assert z.acoustic_impedance.attrs["units"] == "MPa s/m"
    np.testing.assert_allclose(z.acoustic_impedance, 3.2)


def test_random_errors_of_impedance_add_in_quadrature():
    z = seismic.acoustic_impedance(
        _series("bulk_density", [2.0], 0.02), _series("p_wave_velocity", [1600.0], 16.0)
    )
    assert float(z.acoustic_impedance_u_random[0]) == pytest.approx(3.2 * np.hypot(0.01, 0.01))


def test_reflection_coefficient_of_a_step_and_of_a_common_scale():
    z = _series("acoustic_impedance", [3.0, 3.0, 3.6], 0.01, {"scale": 0.0})
    r = seismic.reflection_coefficient(z)
    np.testing.assert_allclose(r.reflection_coefficient, [0.0, 0.6 / 6.6])
    np.testing.assert_allclose(r.depth, [0.5, 1.5])
    scaled = z.copy()
    common = 0.05 * z["acoustic_impedance"].values[None]
    scaled["acoustic_impedance_effects"] = ("source", "reading"), common
    effects = seismic.reflection_coefficient(scaled).reflection_coefficient_effects
    np.testing.assert_allclose(effects, 0.0, atol=1e-15)  # a common factor does not reflect


def test_flagged_readings_are_left_out_and_counted():
    reason = np.array([0, flags.bit("void"), 0], dtype=np.int64)
    z = _series("acoustic_impedance", [3.0, 9.0, 3.0], reason=reason)
    r = seismic.reflection_coefficient(z)
    np.testing.assert_allclose(r.reflection_coefficient, [0.0])
    assert r.attrs["readings_left_out"] == 1


def test_two_way_time_of_a_constant_velocity_with_repeats_and_overlap():
    depth = [0.0, 10.0, 10.0, 9.0, 20.0]
    t = seismic.two_way_time(_series("p_wave_velocity", [1600.0] * 5, depth=depth))
    np.testing.assert_allclose(t.depth, [0, 9, 10, 20])
    np.testing.assert_allclose(t.two_way_time, 2 * t.depth / 1600.0)
    assert float(t.gap_time[-1]) == pytest.approx(2 * 19 / 1600.0)


def test_uncertainty_of_the_time_is_that_of_a_simulation():
    rng = np.random.default_rng(5)
    depth = np.cumsum(rng.uniform(0.5, 2.0, 30))
    true = rng.uniform(1500, 1900, 30)
    u = rng.uniform(5, 15, 30)
    array = _series("p_wave_velocity", true, xr.DataArray(u, dims="reading"), depth=depth)
    stated = seismic.two_way_time(array).two_way_time_u_random.values
    draws = [
        seismic.two_way_time(_series("p_wave_velocity", true + rng.normal(0, u), depth=depth))
        .two_way_time.values for _ in range(600)
    ]  # fmt: skip
    np.testing.assert_allclose(np.std(draws, axis=0)[1:], stated[1:], rtol=0.12)


def test_what_cannot_be_done_is_said():
    with pytest.raises(ValueError, match="1 usable velocities"):
        seismic.two_way_time(_series("p_wave_velocity", [1500.0]))
    with pytest.raises(ValueError, match="needs a depth"):
        seismic.two_way_time(units.quantity(np.array([1500.0, 1600.0]), "m/s"))
    with pytest.raises(series.PositionError):
        seismic.acoustic_impedance(
            _series("bulk_density", [2.0, 2.0]),
            _series("p_wave_velocity", [1600.0, 1600.0], depth=[0.0, 1.0 + 1e-9]),
        )


def test_water():
    assert seismic.water_two_way_time("3000 m", sound_speed="1500 m/s").magnitude == pytest.approx(
        4.0
    )
