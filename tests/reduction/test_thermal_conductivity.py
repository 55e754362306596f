"""Needle conductivities in situ, by direction, and against mixing laws; heat from the current."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.integrate import quad

from corephys.ground import flags, series, units
from corephys.samples import needle
from corephys.uncertainty import Measured

NAME = "thermal_conductivity"


def _runs(values, directions, depths, u=0.005, effects=None):
    coords = {
        "depth": ("reading", np.asarray(depths, dtype=float), {"units": "m"}),
        "direction": ("reading", np.asarray(directions, dtype=object)),
    }
    array = xr.DataArray(np.asarray(values, dtype=float), dims="reading", coords=coords)
    given = {"heating_power": 0.02 * array.variable} if effects is None else effects
    return series.build({NAME: Measured(array, u, given)})


def test_power_of_a_single_wire_and_its_errors():
    power = needle.heating_power("150 mA", "60 ohm/m", wires=1)
    assert power.to("W/m").magnitude == pytest.approx(1.35)
    with pytest.raises(ValueError, match="strands"):
        needle.heating_power("0.15 A", "60 ohm/m", wires=0)
    with pytest.raises(units.UnitError, match="current"):
        needle.heating_power(0.15, "60 ohm/m")


def _in_situ(runs, **more):
    keys = {"water_depth": "2500 m", "depth": None, "temperature": "2 degC",
            "laboratory_temperature": "25 degC", "density": "1.5 g/cm^3"}  # fmt: skip
    return needle.in_situ(runs, **{**keys, **more})


def test_in_situ_keeps_the_measured_values_and_says_what_is_doubtful():
    runs = _runs([0.95, 1.2], ["along"] * 2, [0.0, 200.0])
    found = _in_situ(
        runs, temperature_uncertainty="0.5 K", laboratory_temperature_uncertainty="2 K",
        density_uncertainty="0.1 g/cm^3",
    )  # fmt: skip
    np.testing.assert_array_equal(found[NAME], runs[NAME])
    carried = found[f"{NAME}_in_situ"]
    assert float(carried[0]) == pytest.approx(0.908360238, abs=1e-9)
    # 300 m of water more: 0.164 per cent.
    assert float(carried[1] / 1.2 - carried[0] / 0.95) == pytest.approx(300 / 182900, rel=1e-6)
    assert carried.attrs["status"] == "memory"
    assert "does not reproduce" in carried.attrs["comment"]
    effects = found[f"{NAME}_in_situ_effects"]
    np.testing.assert_allclose(effects.sel(source="laboratory_temperature"), -runs[NAME] * 2 / 400)
    np.testing.assert_allclose(effects.sel(source="in_situ_temperature"), runs[NAME] * 0.5 / 400)
    np.testing.assert_allclose(effects.sel(source="in_situ_form"), 0.5 * (carried - runs[NAME]))
    assert float(effects.sel(source="density")[1]) == pytest.approx(1.2 * 200 * 0.1 / 182900)
    unknown = _in_situ(runs)
    assert np.isnan(unknown[f"{NAME}_in_situ_u_systematic"]).all()


def test_in_situ_refuses_what_it_cannot_use():
    runs = _runs([0.95], ["along"], [10.0])
    with pytest.raises(ValueError, match="no coordinate depth"):
        _in_situ("1.0 W/(m K)")
    with pytest.raises(ValueError, match="water_depth is -5"):
        _in_situ(runs, water_depth="-5 m")
    with pytest.raises(units.UnitError, match="laboratory_temperature"):
        _in_situ(runs, laboratory_temperature=22.0)
    other = _runs([1.0, 1.0], ["along"] * 2, [10.0, 11.0])["depth"]
    with pytest.raises(series.PositionError):
        _in_situ(runs, temperature=other.assign_attrs(units="degC"))


def test_line_source_between_two_conductivities_reads_the_root_of_their_product():
    """The slope from heat kernels of an anisotropic medium, and back through the pair of runs."""
    horizontal, vertical, heat, power = 1.3, 0.95, 3.3e6, 3.0

    def slope(kx, ky):
        def rise(t):
            def kernel(log_age):
                age = np.exp(log_age)
                spread = np.exp(-((1e-3) ** 2) * heat / (4 * kx * age))
                return power / (4 * np.pi * np.sqrt(kx * ky)) * spread

            return quad(kernel, np.log(1e-4), np.log(t), epsabs=1e-12, limit=200)[0]

        return (rise(4000.0) - rise(1000.0)) / np.log(4.0)

    read = [
        needle.conductivity_from_slope.kernel(float(s), 3.0)
        for s in (slope(horizontal, horizontal), slope(horizontal, vertical))
    ]
    found = needle.anisotropy(_runs(read, ["along", "across"], [5.0, 5.1]))
    assert float(found[f"{NAME}_horizontal"][0]) == pytest.approx(horizontal, rel=1e-3)
    assert float(found[f"{NAME}_vertical"][0]) == pytest.approx(vertical, rel=1e-3)
    assert float(found["anisotropy"][0]) == pytest.approx(horizontal / vertical, rel=1e-3)
    assert bool(found["significant"][0])
    assert float(found["distance"][0]) == pytest.approx(10.0)


def test_uncertainty_of_the_split_is_that_of_drawn_pairs_and_shared_power_cancels():
    rng = np.random.default_rng(3)
    along, across = (k + rng.normal(0, 0.01, 40000) for k in (1.2, 1.1))
    found = needle.anisotropy(_runs([1.2, 1.1], ["along", "across"], [5.0, 5.0], u=0.01))
    drawn = np.std(across**2 / along)
    assert float(found[f"{NAME}_vertical_u_random"][0]) == pytest.approx(drawn, rel=0.03)
    ratio = np.std((along / across) ** 2)
    assert float(found["anisotropy_uncertainty"][0]) == pytest.approx(ratio, rel=0.03)
    effect = found[f"{NAME}_vertical_effects"].sel(source="heating_power")
    assert float(effect[0]) == pytest.approx(0.02 * float(found[f"{NAME}_vertical"][0]))


def test_isotropic_pairs_are_seldom_significant():
    rng = np.random.default_rng(4)
    number = 400
    values = 1.1 + rng.normal(0, 0.01, 2 * number)
    directions = ["along", "across"] * number
    found = needle.anisotropy(_runs(values, directions, np.repeat(np.arange(number), 2), u=0.01))
    share = float(found["significant"].mean())
    assert found.sizes["reading"] == number
    assert 0.02 <= share <= 0.08  # 4.6 % beyond two, and three binomial errors of 400


def test_only_near_runs_pair_and_bad_input_is_refused():
    far = _runs([1.2, 1.1], ["along", "across"], [5.0, 6.0])
    assert needle.anisotropy(far).sizes["reading"] == 0
    assert needle.anisotropy(far, within="2 m").sizes["reading"] == 1
    with pytest.raises(ValueError, match="direction is 'askew'; expected one of along, across"):
        needle.anisotropy(_runs([1.0], ["askew"], [5.0]))
    with pytest.raises(ValueError, match="no coordinate 'direction'; add it"):
        needle.anisotropy(far.drop_vars("direction"))
    with pytest.raises(ValueError, match="neither depth nor offset"):
        needle.anisotropy(far.drop_vars("depth"))
    doubtful = _runs([1.2, 9.0, 1.1], ["along", "across", "across"], [5.0, 5.0, 5.1])
    assert float(needle.anisotropy(doubtful)["anisotropy"][0]) == pytest.approx((1.2 / 1.1) ** 2)


def test_mixing_laws_are_in_order_and_outside_is_told():
    phi = xr.DataArray(np.linspace(0, 1, 11), dims="reading", attrs={"units": "1"})
    found = needle.mixing_bounds(phi, "3 W/(m K)", "0.6 W/(m K)")
    order = ("harmonic_mean", "isotropic_lower", "geometric_mean", "isotropic_upper",
             "arithmetic_mean")  # fmt: skip
    for low, high in zip(order[:1] + order[1:2], order[1:2] + order[3:4], strict=True):
        assert (found[low] <= found[high] + 1e-12).all()
    assert (found["isotropic_upper"] <= found["arithmetic_mean"] + 1e-12).all()
    assert (found["geometric_mean"] >= found["harmonic_mean"] - 1e-12).all()
    for name in order:
        np.testing.assert_allclose(found[name].values[[0, -1]], [3.0, 0.6])
    assert found["harmonic_mean"].attrs["bound"] == "lower"
    assert found["arithmetic_mean"].attrs["bound"] == "upper"
    half = xr.DataArray(np.full(4, 0.5), dims="reading", attrs={"units": "1"})
    array = xr.DataArray([0.8, 1.2, 1.81, 2.0], dims="reading")
    measured = series.build({NAME: Measured(array, 0.01, {})})
    found = needle.mixing_bounds(half, "3 W/(m K)", "0.6 W/(m K)", measured=measured)
    assert found["outside"].values.tolist() == [-1, 0, 1, 1]
    assert found["outside_for_certain"].values.tolist() == [True, False, False, True]
    with pytest.raises(ValueError, match="fraction from 0 to 1"):
        needle.mixing_bounds("1.2 1")
    with pytest.raises(series.PositionError):
        needle.mixing_bounds(half, "3 W/(m K)", measured=measured.isel(reading=[0, 1]))
    assert flags.SUSPECT
