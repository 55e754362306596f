"""Gamma density: each step against its own closed form, the chain against simulated counts."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.sensors import gamma
from corephys.sensors.gamma import chain
from corephys.sensors.gamma.calibration import standard_density

WATER = 0.99821  # g/cm^3 at 20 degC


def _standards(dead_time=5e-6, background=12.0, quadratic=0.0, seed=None, time=60.0):
    """Counts of aluminium steps in water by a stated law, without noise unless seeded."""
    thickness = np.repeat([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], 4)
    x = 2.699 * thickness + WATER * (6.6 - thickness)
    net = np.exp(9.8 - 0.0746 * x + quadratic * x**2)
    rate = net + background
    observed = rate / (1.0 + rate * dead_time) * time
    if seed is not None:
        observed = np.random.default_rng(seed).poisson(observed).astype(float)
    return thickness, observed, np.full(thickness.shape, time)


def _calibrate(**keywords):
    thickness, counts, time = _standards(**keywords)
    return gamma.calibrate(
        units.quantity(counts, "count"),
        units.quantity(time, "s"),
        units.quantity(thickness, "cm"),
        "66 mm",
        dead_time="5 us",
        dead_time_uncertainty="0.2 us",
        background_rate="12 1/s",
        background_rate_uncertainty="0.5 1/s",
    )


def test_calibration_recovers_the_law_of_the_standards():
    calibration = _calibrate()
    np.testing.assert_allclose(calibration.coefficients[:2], [9.8, -0.0746], atol=2e-4)
    assert abs(calibration.coefficients[2]) < 1e-5


def test_order_is_chosen_by_aicc():
    assert _calibrate(quadratic=4e-4).covariance.shape == (3, 3)
    assert _calibrate(seed=3).covariance.shape in ((2, 2), (3, 3))
    straight = [_calibrate(seed=seed).covariance.shape[0] for seed in range(20)]
    assert straight.count(2) >= 14  # AICc takes a needless term in about a tenth of the cases


@pytest.mark.parametrize(
    ("porosity", "apparent"),
    [(0.8, 1.7), (0.6, 2.6), (0.4, 3.3), (0.0, 4.1)],
)
def test_aluminium_scale_reads_high_by_the_known_percentages(porosity, apparent):
    """Percent excess for grains of 2.70 g/cm^3 by mass attenuation at 662 keV to three digits.

    Water 0.0857, aluminium 0.0746 and quartz 0.0774 cm^2/g (Hubbell and Seltzer 2004); the table's
    last digit is worth 0.1 % here.
    """
    scale = gamma.Calibration.nominal(
        water_ratio=0.0857, aluminium_ratio=0.0746, aluminium_density=2.70
    )
    true = 2.70 * (1 - porosity) + 1.024 * porosity
    reading = gamma.apparent_density(
        f"{true} g/cm^3", calibration=scale, grain_electron_ratio="0.0774 mol/g",
        pore_water_electron_ratio="0.0853 mol/g",
    )  # fmt: skip
    assert 100 * (reading.m_as("g/cm^3") / true - 1) == pytest.approx(apparent, abs=0.1)


def test_electron_step_and_its_inverse_close():
    true = units.quantity(np.linspace(1.1, 2.7, 9), "g/cm^3")
    again = gamma.electron_step(gamma.apparent_density(true))
    np.testing.assert_allclose(again.m_as("g/cm^3"), true.magnitude, rtol=1e-12)


def test_annulus_of_air_and_water():
    """A 2.5 g/cm^3 core of 58 mm in 66 mm reads about 12 % low in air, 7 % low in water."""
    in_air = 2.5 * 58 / 66
    in_water = (2.5 * 58 + 1.025 * 8) / 66
    assert 100 * (1 - in_air / 2.5) == pytest.approx(12, abs=0.5)
    assert 100 * (1 - in_water / 2.5) == pytest.approx(7, abs=0.5)
    for mean, fluid in ((in_air, "0 g/cm^3"), (in_water, "1.025 g/cm^3")):
        step = gamma.annulus_step(
            units.quantity(mean, "g/cm^3"), core_diameter="58 mm", bore="66 mm", fluid_reading=fluid
        )
        assert step.m_as("g/cm^3") == pytest.approx(2.5, rel=1e-12)


def test_live_time_is_not_corrected_twice():
    """At 10 kcps and 5 us a second correction moves the rate by 5 % (closed form)."""
    counts, time = units.quantity(np.array([1e4]), "count"), units.quantity(np.array([1.0]), "s")
    live = gamma.net_rate(counts, time, dead_time="5 us", time_kind="live")
    real = gamma.net_rate(counts, time, dead_time="5 us", time_kind="real")
    assert float(real[0] / live[0]) == pytest.approx(1 / 0.95, rel=1e-12)
    with pytest.raises(ValueError, match="expected one of real, live"):
        gamma.net_rate(counts, time, time_kind="dead")


def _reading(density, n=2000, seed=0, diameter=6.6):
    """Simulated counts of a sediment by the law of the standards; electrons make the areal part."""
    reading = gamma.apparent_density(units.quantity(density, "g/cm^3")).m_as("g/cm^3")
    rate = np.exp(9.8 - 0.0746 * reading * diameter) + 12.0
    observed = rate / (1 + rate * 5e-6) * 5.0
    counts = np.random.default_rng(seed).poisson(observed, n).astype(float)
    depth = ("reading", np.arange(n) * 0.02)
    return xr.DataArray(counts, dims="reading", coords={"depth": depth}, attrs={"units": "count"})


def _density(counts, **changes):
    keywords = {
        "calibration": _calibrate(), "core_diameter": "66 mm", "bore": "66 mm",
        "core_diameter_uncertainty": "0.3 mm", "grain_density_uncertainty": "0.05 g/cm^3",
    }  # fmt: skip
    return gamma.bulk_density(counts, "5 s", **{**keywords, **changes})


def test_density_and_counting_uncertainty():
    result = _density(_reading(1.7))
    values = result.bulk_density.values
    assert values.mean() == pytest.approx(1.7, abs=4 * values.std() / np.sqrt(values.size))
    assert result.bulk_density_u_random.values.mean() == pytest.approx(values.std(), rel=0.05)
    assert (result.bulk_density_flag == flags.GOOD).all()
    assert result.bulk_density.attrs["units"] == "g/cm^3"


@pytest.mark.parametrize(
    ("source", "change"),
    [
        ("core_diameter", {"core_diameter": "66.3 mm"}),
        ("grain_density", {"grain_density": "2.75 g/cm^3"}),
    ],
)
def test_effects_are_what_a_shifted_input_does(source, change):
    counts = _reading(1.9, n=50)
    result = _density(counts)
    other = _density(counts, **change)
    effect = result.bulk_density_effects.sel(source=source).values
    shift = (other.bulk_density - result.bulk_density).values
    # The effect is linear in the input; the shift of 0.05 g/cm^3 bends by 2.5 %.
    np.testing.assert_allclose(effect, shift, rtol=0.03, atol=1e-6)


def test_dead_time_is_the_same_error_in_standards_and_readings():
    """Shifting it in both moves the density far less than shifting it in the readings alone."""
    result = _density(_reading(1.9, n=50))
    effect = np.abs(result.bulk_density_effects.sel(source="dead_time").values).max()
    alone = 0.2e-6 * np.exp(9.8 - 0.0746 * 6.6 * 1.95) / (0.0746 * 6.6)
    assert 0 < effect < 0.5 * alone


def test_saturated_and_empty_readings_are_flagged_not_hidden():
    counts = _reading(1.7, n=4)
    counts[1], counts[2] = 0.0, 2e6
    result = _density(counts)
    assert result.bulk_density_flag.values.tolist() == [1, 9, 9, 1]
    assert "counter_saturated" in flags.names(int(result.bulk_density_reason[2]))
    assert np.isnan(result.bulk_density.values[1:3]).all()


def test_unknown_uncertainties_are_nan():
    result = _density(_reading(1.7, n=4), core_diameter_uncertainty=None)
    assert np.isnan(result.bulk_density_u_systematic).all()
    assert np.isfinite(result.bulk_density_u_random).all()


def test_blocks_do_not_change_the_numbers(monkeypatch):
    counts = _reading(1.7, n=1000)
    whole = _density(counts).bulk_density.values
    monkeypatch.setattr(chain, "BLOCK", 64)
    np.testing.assert_array_equal(_density(counts).bulk_density.values, whole)


def test_dask_and_numpy_agree():
    pytest.importorskip("dask")
    counts = _reading(1.7, n=1000)
    lazy = _density(counts.chunk({"reading": 100}))
    assert lazy.bulk_density.chunks is not None
    np.testing.assert_allclose(
        lazy.bulk_density.compute().values, _density(counts).bulk_density.values, rtol=1e-14
    )


def test_calibration_teaches_what_is_wrong():
    def standards(counts, thickness, **more):
        return gamma.calibrate(
            units.quantity(np.asarray(counts, float), "count"), "60 s",
            units.quantity(np.asarray(thickness, float), "cm"), "66 mm", **more,
        )  # fmt: skip

    with pytest.raises(ValueError, match="no net count rate left"):
        standards([5e5, 4e5, 3e2], [0, 2, 4], background_rate="12 1/s")
    with pytest.raises(ValueError, match="2 different thicknesses"):
        standards([5e5, 4e5], [0, 3])
    with pytest.raises(ValueError, match="need positive counts"):
        standards([5e5, 0, 3e5], [0, 2, 4])
    with pytest.raises(ValueError, match="between zero and the bore"):
        standards([5e5, 4e5, 3e5], [0, 3, 9])
    with pytest.raises(ValueError, match="does not fall with density"):
        standards([3e5, 4e5, 5e5], [0, 2, 4])


def test_standard_density_is_the_mean_along_the_beam():
    water = standard_density("0 cm", "66 mm", water_density="0.998 g/cm^3")
    assert water.m_as("g/cm^3") == pytest.approx(0.998)
    half = standard_density(
        "3.3 cm", "66 mm", water_density="1.0 g/cm^3", aluminium_density="2.7 g/cm^3"
    )
    assert half.m_as("g/cm^3") == pytest.approx(1.85)


@pytest.mark.parametrize("name", ["bore", "annulus_density", "grain_density", "core_diameter"])
def test_every_series_must_lie_where_the_counts_do(name):
    """A nanometre away is elsewhere, for what comes with the counts as for what is looked up."""
    counts = _reading(1.7, n=5)
    unit = {"bore": "mm", "core_diameter": "mm"}.get(name, "g/cm^3")
    moved = ("reading", counts["depth"].values + 1e-9)
    other = counts.copy(data=np.full(5, 66.0 if unit == "mm" else 2.7)).assign_coords(depth=moved)
    with pytest.raises(series.PositionError, match="1e-09 at most"):
        _density(counts, **{name: other.assign_attrs(units=unit)})
