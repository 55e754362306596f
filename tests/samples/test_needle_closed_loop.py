"""Conductivities come back from exact curves with contact and noise; intervals cover them."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, units
from corephys.samples import needle
from corephys.samples.needle import window_choice
from data_demo.simulator import needle as simulated
from tests.samples.test_needle import NAME, _simulated, _table

TIME = np.arange(-60.0, 241.0, 2.0)


def _runs(k, contact, noise, half, runs, seed):
    """Runs of one sediment, heated so that the slope is some 0.24 K, as one does."""
    rng = np.random.default_rng(seed)
    power = 3.0 * k * (0.5 if half else 1.0)
    conductance = k / (max(contact, 1e-9) * simulated.RADIUS)
    rise = simulated.rise(TIME, k, 3.3e6, power, conductance, half)
    curves = 20 + rise + rng.normal(0, 2e-5, (runs, 1)) * TIME
    curves = curves + rng.normal(0, noise, (runs, TIME.size))
    return _table(curves, TIME, geometry="half_space" if half else "full_space", power=power)


@pytest.mark.parametrize("half", [False, True])
def test_conductivity_comes_back_and_intervals_cover_it(half):
    """Mean within 1 % for each sediment, contact and noise; 68 % inside one standard error."""
    inside, worst, worst_cylinder = [], 0.0, 0.0
    for k in (0.7, 1.5, 4.0):
        for contact in (0.0, 0.2, 0.5):
            for noise in (1e-3, 3e-3):
                table = _runs(
                    k,
                    contact,
                    noise,
                    half,
                    40,
                    [int(10 * k), int(10 * contact), int(1e3 * noise), half],
                )
                found = needle.thermal_conductivity(table)
                error = found[NAME].values / k - 1
                u = found[f"{NAME}_u_random"].values / k
                # The mean of 40 runs has an error of its own.
                allowance = 3 * np.sqrt(np.mean(u**2) / error.size) if noise > 2e-3 else 0.0
                assert abs(error.mean()) < 0.01 + allowance
                whole = found["conductivity_by_cylinder"].values / k - 1
                assert abs(whole.mean()) < 0.01
                inside.extend(np.abs(error) < u)
                worst = max(worst, abs(error.mean()))
                worst_cylinder = max(worst_cylinder, abs(whole.mean()))
                reason = found[f"{NAME}_reason"].values
                for word in ("convection", "lost_contact", "models_disagree"):
                    assert ((reason & flags.bit(word)) != 0).mean() <= 0.05
    coverage = np.mean(inside)
    print(f"half {half}: {len(inside)} runs, coverage {coverage:.3f}, largest mean error "
          f"{worst:.4f}, by the cylinder {worst_cylinder:.4f}")  # fmt: skip
    # 0.683 and three binomial errors of 720 runs, 0.052, and what one more model costs.
    assert 0.60 <= coverage <= 0.76
    assert len(inside) >= 300


def _walled(distance, k=1.0, runs=20, seed=4):
    """Images of the line source in an insulated wall: the curve and one twice as far away."""
    from scipy.special import exp1

    rng = np.random.default_rng(seed)
    kappa = k / 3.3e6
    t = np.maximum(TIME, 1e-9)
    rise = simulated.rise(TIME, k, 3.3e6, 3.0, k / (0.1 * simulated.RADIUS), False)
    image = 3.0 / (4 * np.pi * k) * exp1((2 * distance) ** 2 / (4 * kappa * t))
    curves = 20 + rise + image + rng.normal(0, 1e-3, (runs, TIME.size))
    return _table(curves, TIME)


def test_windows_end_before_heat_has_come_back_from_the_boundary():
    table = _walled(0.010)
    found = needle.thermal_conductivity(table, boundary_distance="10 mm")
    expected = 0.010**2 / (8 * 1.0 / 3.3e6)
    np.testing.assert_allclose(found["latest_time"], expected, rtol=0.2)
    assert (found["window_end"] <= found["latest_time"]).all()
    assert np.isnan(needle.thermal_conductivity(table)["latest_time"]).all()
    by_geometry = needle.thermal_conductivity(table, boundary_distance={"full_space": "1 cm"})
    xr.testing.assert_equal(found, by_geometry)
    other = needle.thermal_conductivity(table, boundary_distance={"half_space": "1 cm"})
    assert np.isnan(other["latest_time"]).all()
    column = np.full(table.sizes["row"], 10.0)
    table["boundary_distance"] = ("row", column, {"units": "mm"})
    xr.testing.assert_equal(needle.thermal_conductivity(table), found)
    with pytest.raises(ValueError, match="above zero"):
        needle.thermal_conductivity(table, boundary_distance="0 mm")
    with pytest.raises(ValueError, match="is given for ring"):
        needle.thermal_conductivity(table, boundary_distance={"ring": "3 mm"})
    with pytest.raises(ValueError, match="give one"):
        needle.thermal_conductivity(table, boundary_distance=units.quantity(np.ones(3), "mm"))
    with pytest.raises(units.UnitError, match="boundary_distance"):
        needle.thermal_conductivity(table, boundary_distance=10.0)


def test_boundary_so_near_that_nothing_is_left_has_a_reason():
    found = needle.thermal_conductivity(_walled(0.002, runs=2), boundary_distance="2 mm")
    assert np.isnan(found[NAME]).all()
    assert "no_window" in flags.names(found[f"{NAME}_reason"][0])


def test_list_of_windows_holds_the_chosen_one():
    table, truth = _simulated(3, 31)
    found = needle.thermal_conductivity(table, boundary_distance="18 mm")
    listed = needle.windows(table, run="2", boundary_distance="18 mm")
    assert set(listed["run"].values) == {"2"}
    assert int(listed["accepted"].sum()) == int(found["windows_accepted"][1])
    chosen = (listed["start"] == found["window_start"][1]) & (
        listed["end"] == found["window_end"][1]
    )
    assert int(chosen.sum()) == 1
    assert bool(listed["accepted"].values[chosen.values][0])
    k = float(listed["conductivity"].values[chosen.values][0])
    assert k == pytest.approx(truth[1], rel=0.05)
    late = listed["end"].values > float(found["latest_time"][1])
    assert late.any()
    assert all("boundary" in word for word in listed["reason"].values[late])
    assert not listed["accepted"].values[late].any()
    with pytest.raises(ValueError, match="has no run '7'; give one of 1, 2, 3"):
        needle.windows(table, run=7)


def test_share_of_the_drift_is_given_and_judged():
    table, _ = _simulated(3, 32, drift=0.0, noise=2e-4)
    drifting = table.copy()
    drifting["temperature"] = table["temperature"] + 1e-4 * table["time"].values
    drifting["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(drifting)
    for i in range(3):
        t = np.arange(float(found["window_start"][i]), float(found["window_end"][i]) + 1, 2)
        warm = found[NAME].values[i : i + 1] / 3.3
        contact = found["contact_resistance"].values[i : i + 1]
        line, early = window_choice.regressors(t[None], warm, contact)
        design = np.column_stack([np.ones(t.size), line[0], early[0]])
        left_in = np.linalg.lstsq(design, float(found["drift"][i]) * t, rcond=None)[0][1]
        expected = left_in / float(found["slope"][i])
        assert float(found["drift_share"][i]) == pytest.approx(expected, rel=0.02)
    np.testing.assert_allclose(found["drift"], 1e-4, atol=8e-6)
    strict = needle.thermal_conductivity(drifting, largest_drift=1e-4)
    assert ((strict[f"{NAME}_reason"].values & flags.bit("drift")) != 0).all()
    loose = needle.thermal_conductivity(drifting, largest_drift=0.5)
    assert ((loose[f"{NAME}_reason"].values & flags.bit("drift")) == 0).all()


def test_cylinder_and_window_disagree_where_the_early_curve_is_not_that_of_a_cylinder():
    table, _ = _simulated(5, 33, noise=3e-4)
    time = table["time"].values
    slow = 0.4 * np.exp(-np.clip(time, 0, None) / 6.0) * (time > 0)
    table["temperature"] = table["temperature"] - slow
    table["temperature"].attrs["units"] = "degC"
    found = needle.thermal_conductivity(table)
    assert ((found[f"{NAME}_reason"].values & flags.bit("models_disagree")) != 0).any()
    off = needle.thermal_conductivity(table, cross_check=False)
    assert "conductivity_by_cylinder" not in off
    np.testing.assert_array_equal(off[NAME], found[NAME])
    with pytest.raises(ValueError, match="above zero"):
        needle.thermal_conductivity(table, needle_heat_capacity="0 MJ/(m^3 K)")


def test_no_run_is_without_value_and_without_reason():
    table, _ = _simulated(4, 34)
    broken = table["temperature"].values.copy().reshape(4, -1)
    broken[0] = np.nan
    broken[1, 40:] = np.nan
    table["temperature"] = ("row", broken.ravel(), {"units": "degC"})
    table["time"] = ("row", np.where(np.arange(table.sizes["row"]) // broken.shape[1] == 2,
                                     np.nan, table["time"].values), {"units": "s"})  # fmt: skip
    found = needle.thermal_conductivity(table)
    lost = np.isnan(found[NAME].values)
    assert lost.tolist() == [True, True, True, False]
    for mask in found[f"{NAME}_reason"].values[lost]:
        assert "no_window" in flags.names(mask)
