"""Stripping: what bad readings, density and diameter do to concentrations and to heat."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import natural_gamma
from corephys.ground import flags, series
from corephys.uncertainty import Measured

S = np.array([[0.06, 0.011, 0.0045], [0.0, 0.0092, 0.0021], [0.0, 0.0002, 0.0043]])
STRIPPING = natural_gamma.Stripping(
    ("k", "u", "t"), S, np.zeros((3, 3, 3)), np.array([0.7, 0.35, 0.2]), np.full(3, 0.002)
)


def line(values, unit):
    return xr.DataArray(np.asarray(values, dtype=float), dims="reading", attrs={"units": unit})


def table(counts, time):
    counts = np.asarray(counts, dtype=float)
    columns = {f"counts_{w}": line(counts[:, i], "count") for i, w in enumerate("kut")}
    return xr.Dataset({**columns, "live_time": line(time, "s")})


def density(size, effect=0.016):
    measured = Measured(line(np.full(size, 1.6), "g/cm^3"), 0.0, {"core_diameter": effect})
    return series.build({"bulk_density": measured})


def test_bad_readings_stay_as_rows_without_a_concentration():
    good = [9000.0, 2000.0, 900.0]
    counts = [good, good, [-1.0, 5.0, 5.0], [np.nan, 5.0, 5.0], good]
    found = natural_gamma.strip(
        table(counts, [600, 0, 600, 600, 600]), stripping=STRIPPING, density=density(5),
        core_diameter="6.6 cm", core_diameter_uncertainty="0.05 cm",
        filled_share=np.array([1.0, 1.0, 1.0, 1.0, np.nan]),
    )  # fmt: skip
    bad = np.array([False, True, True, True, True])
    reason = found["potassium_reason"].values
    for name in ("potassium", "uranium", "thorium"):
        np.testing.assert_array_equal(np.isnan(found[name].values), bad)
    impossible = (reason & flags.bit("impossible_value")) != 0
    np.testing.assert_array_equal(impossible, [False, True, True, False, False])
    assert found["potassium_flag"].values.tolist()[3:] == [9, 9]
    assert np.isnan(found["misfit"].values).all()  # three windows leave nothing over


def test_an_element_far_below_zero_is_held_there_and_says_so():
    # 1000 counts in the thorium window, where the background alone gives 2000
    found = natural_gamma.strip(
        table([[1e5, 2e4, 1000.0]], [10000.0]), stripping=STRIPPING, density=density(1),
        core_diameter="6.6 cm", core_diameter_uncertainty="0 cm",
    )  # fmt: skip
    assert found["thorium"].item() == 0.0
    assert found["held_at_zero"].sel(element="thorium").item() == 1
    assert found["thorium_reason"].item() & flags.bit("negative_net")
    assert not found["potassium_reason"].item() & flags.bit("negative_net")
    assert found["thorium_u_random"].item() > 0.0


@pytest.mark.parametrize(("calliper", "rho"), [(0.05, 0.0), (0.0, 0.016), (0.05, 0.016)])
def test_effects_of_diameter_and_density_are_those_of_a_changed_input(calliper, rho):
    counts = table([[9000.0, 2000.0, 900.0]], [600.0])

    def strip(diameter, dense):
        return natural_gamma.strip(
            counts, stripping=STRIPPING, density=dense, core_diameter=f"{diameter} cm",
            core_diameter_uncertainty=f"{calliper} cm",
        )  # fmt: skip

    base = strip(6.6, density(1, rho))
    step = 1e-3
    moved = density(1, rho)
    moved["bulk_density"] = moved["bulk_density"] + step * rho
    moved["bulk_density"].attrs["units"] = "g/cm^3"
    after = strip(6.6 + step * calliper, moved)
    for name in ("potassium", "uranium", "thorium"):
        effect = base[f"{name}_effects"].sel(source="core_diameter").item()
        assert effect == pytest.approx((after[name] - base[name]).item() / step, rel=2e-3)


def test_an_error_of_density_leaves_no_heat_behind():
    """Concentrations fall as density rises, so that heat a volume does not know of it."""
    rho = density(1)
    found = natural_gamma.strip(
        table([[9000.0, 2000.0, 900.0]], [600.0]), stripping=STRIPPING, density=rho,
        core_diameter="6.6 cm", core_diameter_uncertainty="0 cm",
    )  # fmt: skip
    heat = natural_gamma.heat_production(found, found, found, rho, mass_basis="wet")
    effect = heat["heat_production_effects"].sel(source="core_diameter").item()
    assert abs(effect) < 1e-12 < abs(found["thorium_effects"].sel(source="core_diameter").item())
