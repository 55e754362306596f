"""Rebound: apart, signed, with the errors of two computations, and never above its stress."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.products.compaction.rebounds import rebound, rebound_by_depth, rebound_density
from corephys.uncertainty import Measured
from tests.adapters.registry import array

DEPTH = [1.0, 50.0, 200.0, 600.0]


def quantity(name: str, values: list[float], u: float = 0.0, **effects: Any) -> xr.Dataset:
    placed = array(values, "1").assign_coords(depth=array(DEPTH, "m"))
    return series.build({name: Measured(placed, u, effects)})


POROSITY = quantity("porosity", [0.75, 0.65, 0.60, 0.50], 0.004, pore_water_density=0.002)
STRESS = quantity(
    "vertical_effective_stress", [2.0, 250.0, 1200.0, 4200.0], 3.0, pore_water_density=-20.0
)


def corrected(porosity: Any = POROSITY, stress: Any = STRESS, **options: Any) -> xr.Dataset:
    given: dict[str, Any] = {
        "swelling_index": 0.08, "swelling_index_uncertainty": 0.02,
        "reference_stress": "5 kPa", "reference_stress_uncertainty": "3 kPa",
    }  # fmt: skip
    return rebound(porosity, stress=stress, **{**given, **options})


def test_the_correction_stands_apart_and_the_measured_value_stays() -> None:
    found = corrected()
    np.testing.assert_array_equal(found["porosity"], POROSITY["porosity"])
    np.testing.assert_array_equal(found["porosity_u_random"], POROSITY["porosity_u_random"])
    lost = found["porosity"] - found["porosity_in_situ"]
    np.testing.assert_allclose(lost, found["porosity_rebound"], atol=1e-15)
    assert (found["porosity_rebound"].values[1:] > 0.0).all()
    e = found["void_ratio_in_situ"].values
    np.testing.assert_allclose(e / (1 + e), found["porosity_in_situ"])
    assert "swelled along one line" in found.attrs["assumptions"]
    assert "Research estimate" in found.attrs["safety"]
    assert "0.08" in found.attrs["constants"]


def test_a_sample_is_loaded_back_along_its_swelling_line() -> None:
    """Simulated: unload a known in-situ porosity step by step, then correct what is left."""
    true = np.array([0.70, 0.60, 0.55, 0.45])
    stress = np.array([20.0, 300.0, 1500.0, 5000.0])
    e = true / (1 - true)
    steps = 20000  # of the logarithm of stress
    for _ in range(steps):
        e = e + 0.08 / np.log(10.0) * np.log(stress / 5.0) / steps
    found = corrected(
        quantity("porosity", list(e / (1 + e))),
        quantity("vertical_effective_stress", list(stress)),
    )
    np.testing.assert_allclose(found["porosity_in_situ"], true, rtol=1e-10)


def test_below_the_reference_stress_nothing_is_taken_off() -> None:
    found = corrected()
    assert found["porosity_rebound"].values[0] == 0.0
    assert found["porosity_rebound_u_systematic"].values[0] == 0.0
    assert found["porosity_in_situ_u_random"].values[0] == pytest.approx(0.004)


@pytest.mark.parametrize("name", ["porosity_in_situ", "void_ratio_in_situ", "porosity_rebound"])
def test_effects_are_differences_of_whole_computations(name: str) -> None:
    """A shared source moves porosity and stress together, each with its sign."""
    effects = corrected()[f"{name}_effects"]
    small = 1e-3

    def moved(sign: float) -> dict[str, Any]:
        porosity = POROSITY["porosity"].values + sign * small * 0.002
        stress = STRESS["vertical_effective_stress"].values - sign * small * 20.0
        stress = np.maximum(stress, 1.0)
        return {
            "pore_water_density": corrected(
                quantity("porosity", list(porosity)),
                quantity("vertical_effective_stress", list(stress)),
            ),
            "swelling_index": corrected(swelling_index=0.08 + sign * small * 0.02),
            "rebound_reference_stress": corrected(
                reference_stress=f"{5.0 + sign * small * 3.0!r} kPa"
            ),
        }

    up, down = moved(1.0), moved(-1.0)
    for source in up:
        expected = (up[source][name] - down[source][name]).values / (2 * small)
        np.testing.assert_allclose(
            effects.sel(source=source).values, expected, rtol=1e-5, atol=1e-9, err_msg=source
        )


def test_random_errors_against_draws() -> None:
    rng = np.random.default_rng(3)
    values = {"porosity": POROSITY["porosity"].values,
              "vertical_effective_stress": STRESS["vertical_effective_stress"].values}  # fmt: skip
    size = 20000
    drawn = {
        name: np.concatenate([value + u * rng.standard_normal(size) for value in values[name]])
        for name, u in (("porosity", 0.004), ("vertical_effective_stress", 3.0))
    }
    found = corrected(
        *(
            array(v, unit).to_dataset(name=n)
            for (n, v), unit in zip(drawn.items(), ("1", "kPa"), strict=True)
        )
    )
    spread = found["porosity_rebound"].values.reshape(4, size).std(axis=1)[1:]
    stated = corrected()["porosity_rebound_u_random"].values[1:]
    np.testing.assert_allclose(spread, stated, rtol=0.03)


def test_what_is_not_known_is_not_zero() -> None:
    found = corrected(swelling_index_uncertainty=None)
    assert np.isnan(found["porosity_in_situ_u_systematic"].values[1:]).all()
    default = rebound(POROSITY, stress=STRESS, swelling_index=0.08, swelling_index_uncertainty=0.02)
    effect = default["porosity_rebound_effects"].sel(source="rebound_reference_stress").values[1:]
    # 1 to 10 kPa, even by the logarithm: 0.289 of a tenfold.
    e = default["void_ratio_in_situ"].values[1:]
    np.testing.assert_allclose(np.abs(effect), 0.08 * 0.289 / (1 + e) ** 2, rtol=0.02)


def test_a_curve_by_depth_is_marked_as_recalled_and_has_no_known_error() -> None:
    found = rebound_by_depth(POROSITY, kind="terrigenous")
    np.testing.assert_allclose(
        found["porosity_rebound"], [0.04 / 300, 0.04 / 6, 0.08 / 3, 0.07], rtol=1e-12
    )
    assert np.isnan(found["porosity_in_situ_u_systematic"]).all()
    assert "from memory" in found.attrs["constants"]
    far = rebound_by_depth(POROSITY, kind="carbonate", depth=array([1.0, -1.0, 1001.0, 600.0], "m"))
    np.testing.assert_array_equal(np.isnan(far["porosity_in_situ"]), [False, True, True, False])
    assert "beyond_method_range" in flags.names(far["porosity_in_situ_reason"].values[2])


def test_density_follows_the_porosity_at_constant_grains() -> None:
    """Both densities by two phases: what the porosity was and what it became."""
    water, grains = 1.03, 2.71
    phi = POROSITY["porosity"].values
    found = corrected()
    bulk = quantity("bulk_density", list(phi * water + (1 - phi) * grains), 0.002)
    dense = rebound_density(
        bulk, rebound=found, grain_density=f"{grains} g/cm^3", pore_water_density=f"{water} g/cm^3",
        pore_water_density_uncertainty="0.001 g/cm^3",
    )  # fmt: skip
    inside = found["porosity_in_situ"].values
    np.testing.assert_allclose(
        dense["bulk_density_in_situ"], inside * water + (1 - inside) * grains, rtol=1e-12
    )
    np.testing.assert_array_equal(dense["bulk_density"], bulk["bulk_density"])
    assert (dense["bulk_density_in_situ"].values[1:] > bulk["bulk_density"].values[1:]).all()
    index = dense["bulk_density_in_situ_effects"].sel(source="swelling_index").values
    moved = found["porosity_rebound_effects"].sel(source="swelling_index").values
    np.testing.assert_allclose(index, (grains - water) * moved)


def test_bad_input_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"swelling_index is -0\.1; it has to be zero or more"):
        corrected(swelling_index=-0.1)
    mixed = array([0.1, -0.1, 0.1, 0.1], "1").assign_coords(depth=array(DEPTH, "m"))
    with pytest.raises(ValueError, match=r"swelling_index holds -0\.1; it has to be zero or more"):
        corrected(swelling_index=mixed)
    with pytest.raises(ValueError, match="reference_stress is 0 kPa"):
        corrected(reference_stress="0 kPa")
    with pytest.raises(cp.UnitError, match="reference_stress"):
        corrected(reference_stress=5.0)
    other = STRESS.assign_coords(depth=array([1.0, 50.0, 200.0, 601.0], "m"))
    with pytest.raises(cp.PositionError, match="lie at different positions"):
        corrected(stress=other)
    with pytest.raises(ValueError, match="kind is 'clay'; expected one of terrigenous, carbonate"):
        rebound_by_depth(POROSITY, kind="clay")
    with pytest.raises(ValueError, match="the porosity has no depth"):
        rebound_by_depth(POROSITY.drop_vars("depth"), kind="carbonate")
    with pytest.raises(ValueError, match="4 porosities and 2 depths"):
        rebound_by_depth(POROSITY, kind="carbonate", depth=array([1.0, 2.0], "m"))
