"""Columns without their load: closed loops, quadrature, draws and layers that cannot be."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

import corephys as cp
from corephys.products.compaction import column
from corephys.products.compaction.column import burial_history, column_effective_stress
from tests.adapters.registry import array


def layers(values: Any, unit: str) -> Any:
    return array(values, unit, "layer")


def random_column(rng: np.random.Generator) -> dict[str, Any]:
    edges = np.concatenate([[0.0], np.cumsum(10.0 ** rng.uniform(-1.0, 3.0, rng.integers(1, 9)))])
    size = edges.size - 1
    return {
        "top": edges[:-1], "bottom": edges[1:], "surface_porosity": rng.uniform(0.05, 0.97, size),
        "decay_length": 10.0 ** rng.uniform(1.5, 4.0, size),
    }  # fmt: skip


def given(one: dict[str, Any]) -> dict[str, Any]:
    return {
        "top": layers(one["top"], "m"), "bottom": layers(one["bottom"], "m"),
        "surface_porosity": layers(one["surface_porosity"], "1"),
        "decay_length": layers(one["decay_length"], "m"),
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(25))
def test_a_column_decompacted_and_loaded_again_is_as_it_was(seed: int) -> None:
    """Each layer is taken to the seafloor and back; the way back starts from its new edges."""
    rng = np.random.default_rng(seed)
    one = random_column(rng)
    curve = {key: given(one)[key] for key in ("surface_porosity", "decay_length")}
    thick = one["bottom"] - one["top"]
    alone = column.original_thickness(**given(one))["layer_thickness"].values
    assert (alone >= thick * (1 - 1e-12)).all()
    for i in range(thick.size):
        own = {key: layers([one[key][i]], unit) for key, unit in
               (("surface_porosity", "1"), ("decay_length", "m"))}  # fmt: skip
        back = column.decompact(
            "0 m", f"{float(alone[i])!r} m", new_top=f"{float(one['top'][i])!r} m", **own
        )
        np.testing.assert_allclose(back["layer_thickness"].values, thick[i], rtol=1e-9)
    start = rng.uniform(0.0, 3000.0)
    moved = column.decompact(**given(one), new_top=f"{float(start)!r} m")
    back = column.decompact(
        layers(moved["new_top"].values, "m"), layers(moved["new_bottom"].values, "m"), **curve
    )
    np.testing.assert_allclose(back["layer_thickness"].values, thick, rtol=1e-9)
    np.testing.assert_allclose(back["new_bottom"].values, one["bottom"], rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_solids_and_thickness_against_quadrature_and_bisection(seed: int) -> None:
    """Porosity integrated by quadrature, the root bracketed: neither uses the closed form."""
    one = random_column(np.random.default_rng(100 + seed))
    solids = column.solid_thickness(**given(one))["solid_thickness"].values
    moved = column.original_thickness(**given(one))["layer_thickness"].values
    for i, top in enumerate(one["top"]):
        phi0, length = one["surface_porosity"][i], one["decay_length"][i]

        def grains(a: float, b: float, phi0: float = phi0, length: float = length) -> float:
            breaks = np.linspace(a, b, 9)
            return sum(
                quad(lambda z: 1.0 - phi0 * np.exp(-z / length), x, y, epsabs=0, epsrel=1e-11)[0]
                for x, y in pairwise(breaks)
            )

        expected = grains(top, one["bottom"][i])
        assert solids[i] == pytest.approx(expected, rel=1e-9)
        root = brentq(lambda h, s=expected: grains(0.0, h) - s, 1e-9, 1e6, rtol=1e-12)
        assert moved[i] == pytest.approx(root, rel=1e-8)


def test_thin_deep_layers_keep_their_digits() -> None:
    """One millimetre at five kilometres: the solids are 1 - phi of it to first order."""
    found = column.solid_thickness(
        "5000 m", "5000.001 m", surface_porosity=0.63, decay_length="1960 m"
    )
    expected = (5000.001 - 5000.0) * (1.0 - 0.63 * np.exp(-5000.0005 / 1960.0))
    assert float(found["solid_thickness"][0]) == pytest.approx(expected, rel=1e-11)


def test_a_measured_porosity_takes_the_place_of_the_curve_and_closes_too() -> None:
    thick, porosity = np.array([50.0, 80.0]), np.array([0.70, np.nan])
    found = column.solid_thickness(
        layers([0.0, 50.0], "m"), layers([50.0, 130.0], "m"), surface_porosity=0.63,
        decay_length="1960 m", porosity=layers(porosity, "1"), porosity_uncertainty=0.01,
    )  # fmt: skip
    assert found["solid_thickness"].values[0] == pytest.approx(50.0 * 0.30, rel=1e-12)
    assert found["surface_porosity_used"].values[1] == 0.63
    np.testing.assert_allclose(found["solid_thickness_u_random"], [50.0 * 0.01, 0.0], rtol=1e-6)
    deep = column.decompact(
        layers([400.0, 450.0], "m"), layers([450.0, 530.0], "m"), surface_porosity=0.63,
        decay_length="1960 m", porosity=0.4, new_top="400 m",
    )  # fmt: skip
    np.testing.assert_allclose(deep["layer_thickness"], thick, rtol=1e-9)


def test_the_errors_of_the_curve_against_columns_computed_again() -> None:
    """The effect of one standard error is the difference of two whole computations, halved."""
    args = {"top": layers([100.0, 300.0], "m"), "bottom": layers([300.0, 900.0], "m")}
    errors = {"surface_porosity_uncertainty": 0.002, "decay_length_uncertainty": "20 m"}
    found = column.decompact(
        **args, surface_porosity=0.6, decay_length="1200 m", **errors
    )["layer_thickness_effects"]  # fmt: skip

    def thickness(phi0: float, length: float) -> np.ndarray:
        again = column.decompact(**args, surface_porosity=phi0, decay_length=f"{length} m")
        return np.asarray(again["layer_thickness"].values)

    by_phi = (thickness(0.602, 1200.0) - thickness(0.598, 1200.0)) / 2
    by_length = (thickness(0.6, 1220.0) - thickness(0.6, 1180.0)) / 2
    np.testing.assert_allclose(found.sel(source="surface_porosity"), by_phi, rtol=1e-3)
    np.testing.assert_allclose(found.sel(source="decay_length"), by_length, rtol=1e-3)
    unknown = column.decompact(**args, surface_porosity=0.6, decay_length="1200 m")
    assert np.isnan(unknown["layer_thickness_u_systematic"]).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"bottom": [100.0, 90.0]},
            r"layer 2 .* ends at 90 m and begins at 100 m; the bottom has to be deeper",
        ),
        ({"top": [0.0, 80.0]}, "layers 1 and 2 overlap: one ends at 100 m and the other begins at"),
        ({"top": [120.0, 100.0], "bottom": [130.0, 200.0]}, "from the top downward"),
        ({"top": [-1.0, 100.0]}, "layer 1 .* begins at -1 m; a top has to be at 0 m or deeper"),
        ({"surface_porosity": [0.6, 1.0]}, "layer 2 .* surface porosity of 1; .* between 0 and 1"),
        ({"surface_porosity": [63.0, 0.5]}, "Give per cent with their unit '%'"),
        ({"decay_length": [0.0, 900.0]}, "layer 1 .* decay length of 0 m; it has to be above 0"),
        ({"porosity": [0.5, 1.2]}, "porosity holds 1.2; it has to lie between 0 and 1"),
        ({"porosity": [0.5, 0.9], "decay_length": [900.0, 50.0]}, "implies .* at the seafloor"),
        ({"surface_porosity": [0.6, 0.6, 0.6]}, "have 2, 3 values; give one value for each layer"),
    ],
)
def test_layers_that_cannot_be_are_refused(change: dict[str, Any], words: str) -> None:
    unit = {"surface_porosity": "1", "porosity": "1"}
    good = {
        "top": [0.0, 100.0], "bottom": [100.0, 200.0], "surface_porosity": [0.6, 0.6],
        "decay_length": [900.0, 900.0],
    }  # fmt: skip
    values = {key: layers(v, unit.get(key, "m")) for key, v in {**good, **change}.items()}
    with pytest.raises(ValueError, match=words):
        column.decompact(**values)


def test_units_and_new_tops_are_asked_for() -> None:
    with pytest.raises(cp.UnitError, match="top: expected a quantity in m"):
        column.solid_thickness(0.0, "10 m", surface_porosity=0.6, decay_length="900 m")
    with pytest.raises(cp.UnitError, match="bottom: expected m"):
        column.solid_thickness("0 m", "10 s", surface_porosity=0.6, decay_length="900 m")
    with pytest.raises(ValueError, match="new_top is -5 m; it has to be zero or more"):
        column.decompact("0 m", "9 m", surface_porosity=0.6, decay_length="900 m", new_top="-5 m")


# Burial -------------------------------------------------------------------------------------------

COLUMN = {
    "top": layers([0.0, 50.0, 120.0], "m"), "bottom": layers([50.0, 120.0, 300.0], "m"),
    "surface_porosity": layers([0.63, 0.70, 0.49], "1"),
    "decay_length": layers([1960.0, 1408.0, 3700.0], "m"),
    "top_age": layers([0.0, 200.0, 700.0], "kyr"),
    "bottom_age": layers([200.0, 500.0, 2000.0], "kyr"),
}  # fmt: skip


def test_the_column_of_today_is_the_column_given_and_the_past_its_decompaction() -> None:
    found = burial_history(**COLUMN)
    np.testing.assert_array_equal(found["age"], [0.0, 200.0, 500.0, 700.0, 2000.0])
    np.testing.assert_allclose(found["depth_bottom"][0], [50.0, 120.0, 300.0], rtol=1e-12)
    rest = {key: COLUMN[key][1:] for key in ("top", "bottom", "surface_porosity", "decay_length")}
    expected = column.decompact(**rest)
    np.testing.assert_allclose(found["depth_bottom"][1, 1:], expected["new_bottom"], rtol=1e-12)
    np.testing.assert_allclose(found["depth_top"][1, 1:], expected["new_top"], atol=1e-9)
    assert np.isnan(found["depth_bottom"].values[1, 0])
    assert np.isnan(found["depth_bottom"].values[4]).all()
    assert np.isnan(found["depth_bottom_lower"]).all()
    assert found.attrs["errors_drawn"] == "none"


def test_during_a_hiatus_the_column_stands_still() -> None:
    found = burial_history(**COLUMN, at=cp.quantity(np.array([500.0, 555.0, 640.0, 700.0]), "kyr"))
    depth = found["depth_bottom"].values
    np.testing.assert_array_equal(depth, np.broadcast_to(depth[0], depth.shape))


def test_grains_are_kept_at_every_age_and_settle_evenly() -> None:
    ages = cp.quantity(np.array([0.0, 50.0, 100.0, 150.0]), "kyr")
    found = burial_history(**COLUMN, at=ages)
    solids = (found["depth_bottom"] - found["depth_top"]) * (1.0 - found["porosity"])
    present = column.solid_thickness(
        *(COLUMN[k] for k in ("top", "bottom")),
        **{k: COLUMN[k] for k in ("surface_porosity", "decay_length")},
    )["solid_thickness"].values
    expected = np.outer([1.0, 1.0, 1.0, 1.0], present)
    expected[:, 0] *= [1.0, 0.75, 0.5, 0.25]
    np.testing.assert_allclose(solids, expected, rtol=1e-9)


def test_the_interval_holds_truths_drawn_from_the_stated_errors() -> None:
    """True columns with other curves and ages; what is observed is today's depths alone."""
    rng = np.random.default_rng(11)
    edges, held, number = np.array([0.0, 60.0, 150.0, 320.0]), 0, 300
    ages = np.array([0.0, 300.0, 900.0, 2500.0])
    at = cp.quantity(np.array([450.0]), "kyr")

    def history(phi0: float, length: float, age: np.ndarray, **more: Any) -> Any:
        return burial_history(
            layers(edges[:-1], "m"), layers(edges[1:], "m"), surface_porosity=phi0,
            decay_length=f"{length!r} m", top_age=layers(age[:-1], "kyr"),
            bottom_age=layers(age[1:], "kyr"), at=at, **more,
        )  # fmt: skip

    for _ in range(number):
        true_age = ages + np.array([0.0, 20.0, 30.0, 60.0]) * rng.standard_normal(4)
        truth = history(
            0.65 + 0.02 * rng.standard_normal(), 900 + 60 * rng.standard_normal(), true_age
        )
        seen = history(
            0.65, 900.0, ages, draws=400, seed=int(rng.integers(1 << 30)),
            surface_porosity_uncertainty=0.02, decay_length_uncertainty="60 m",
            age_uncertainty=layers([0.0, 20.0, 30.0, 60.0], "kyr"),
        )  # fmt: skip
        value = float(truth["depth_bottom"][0, 2])
        held += bool(seen["depth_bottom_lower"][0, 2] <= value <= seen["depth_bottom_upper"][0, 2])
    # 0.6827 of 300 with a standard error of 0.027
    assert 0.60 <= held / number <= 0.76


def test_draws_know_that_the_seafloor_is_there_and_equal_ages_are_one_datum() -> None:
    found = burial_history(**COLUMN, age_uncertainty="30 kyr", draws=300)
    np.testing.assert_allclose(found["depth_bottom_lower"][0], [50.0, 120.0, 300.0], rtol=1e-12)
    np.testing.assert_allclose(found["depth_bottom_upper"][0], [50.0, 120.0, 300.0], rtol=1e-12)
    assert found.attrs["errors_drawn"] == "age"
    assert (found["depth_bottom_lower"][2, 2] <= found["depth_bottom"][2, 2]).item()
    joined = {**COLUMN, "bottom_age": layers([200.0, 700.0, 2000.0], "kyr")}
    with pytest.raises(ValueError, match="age_uncertainty has 3 values for 4 different ages"):
        burial_history(**joined, age_uncertainty=layers([1.0, 1.0, 1.0], "kyr"))
    with pytest.raises(ValueError, match="draws is 0; an interval needs at least two"):
        burial_history(**COLUMN, age_uncertainty="30 kyr", draws=0)
    with pytest.raises(ValueError, match="of 1000 draws have ages in order"):
        burial_history(**joined, age_uncertainty=layers([1e5, 1e5, 1e5, 1.0], "kyr"))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"top": [10.0, 50.0, 120.0]}, "the uppermost layer begins at 10 m"),
        ({"top": [0.0, 60.0, 120.0]}, "between layers 1 and 2, from 50 to 60 m, there is no layer"),
        ({"bottom_age": [200.0, 500.0, 600.0]}, "layer 3 is 700 kyr old at its top and 600 kyr at"),
        ({"top_age": [0.0, 150.0, 700.0]}, "younger than the bottom of the layer above at 200 kyr"),
        ({"top_age": [0.0, 200.0]}, "top_age has 2 values for 3 layers"),
    ],
)
def test_histories_that_cannot_be_are_refused(change: dict[str, Any], words: str) -> None:
    unit = {"top": "m", "top_age": "kyr", "bottom_age": "kyr"}
    values = {**COLUMN, **{key: layers(v, unit[key]) for key, v in change.items()}}
    with pytest.raises(ValueError, match=words):
        burial_history(**values)
    with pytest.raises(ValueError, match=r"coverage is 1\.2"):
        burial_history(**COLUMN, coverage=1.2)


# Stress -------------------------------------------------------------------------------------------


def test_stress_of_a_column_against_quadrature_and_its_errors() -> None:
    depth = array([0.0, 100.0, 700.0], "m")
    options = {"decay_length": "900 m", "grain_density": "2.7 g/cm^3", "gravity": "9.8 m/s^2",
               "pore_water_density": "1.02 g/cm^3"}  # fmt: skip
    found = column_effective_stress(
        depth, surface_porosity=0.6, surface_porosity_uncertainty=0.01,
        decay_length_uncertainty="30 m", grain_density_uncertainty="0.02 g/cm^3",
        pore_water_density_uncertainty="0.001 g/cm^3", **options,
    )  # fmt: skip
    stress = found["vertical_effective_stress"].values
    expected = [
        quad(lambda z: (1 - 0.6 * np.exp(-z / 900.0)) * 1.68 * 9.8, 0.0, z)[0] for z in depth.values
    ]
    np.testing.assert_allclose(stress, expected, rtol=1e-12, atol=1e-9)
    effects = found["vertical_effective_stress_effects"]
    again = column_effective_stress(depth, surface_porosity=0.61, **options)
    shift = again["vertical_effective_stress"].values - stress
    np.testing.assert_allclose(effects.sel(source="surface_porosity"), shift, atol=1e-9)
    longer, shorter = (
        column_effective_stress(depth, surface_porosity=0.6, **{**options, "decay_length": length})
        for length in ("930 m", "870 m")
    )
    shift = (longer - shorter)["vertical_effective_stress"].values / 2
    np.testing.assert_allclose(effects.sel(source="decay_length"), shift, rtol=2e-3, atol=1e-9)
    again = column_effective_stress(
        depth, surface_porosity=0.6, **{**options, "grain_density": "2.72 g/cm^3"}
    )
    shift = again["vertical_effective_stress"].values - stress
    np.testing.assert_allclose(effects.sel(source="grain_density"), shift, rtol=1e-9, atol=1e-9)
    assert "Research estimate" in found.attrs["safety"]
    for bad, words in (
        ({"surface_porosity": 1.0}, "surface_porosity is 1; it has to lie between 0 and 1"),
        ({"surface_porosity": 0.6, "decay_length": "0 m"}, "decay_length is 0 m"),
    ):
        with pytest.raises(ValueError, match=words):
            column_effective_stress(depth, **{**options, **bad})
    with pytest.raises(ValueError, match="depth is -1 m; give depths below the seafloor"):
        column_effective_stress("-1 m", surface_porosity=0.6, decay_length="900 m")
