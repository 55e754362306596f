"""Errors through any function: against closed forms and against draws made here."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.ground import flags
from corephys.uncertainty import (
    Measured,
    combine,
    correlated,
    correlation,
    effective_degrees_of_freedom,
    monte_carlo,
    norm,
    propagate,
    second_order,
    simultaneous,
)


def product(a, b):
    return a * b


def test_first_order_is_the_law_with_exact_derivatives() -> None:
    a = Measured(np.array([2.0, 3.0]), np.array([0.1, 0.2]), {"ruler": 0.02}, flags.bit("spike"))
    b = Measured(np.array([5.0, 7.0]), 0.3, {"ruler": -0.01, "clock": 0.04}, flags.bit("void"))
    found = propagate(product, {"a": a, "b": b})
    u, effects = combine([(b.values, a), (a.values, b)])
    np.testing.assert_allclose(found.u_random, u, rtol=1e-12)
    assert set(found.effects) == {"ruler", "clock"}
    for source, effect in effects.items():
        np.testing.assert_allclose(found.effects[source], effect, rtol=1e-11)
    assert flags.names(int(found.reason)) == ["void", "spike"]


def test_unknown_stays_unknown_and_certain_adds_nothing() -> None:
    a, b = Measured(2.0), Measured(5.0, 0.0)
    found = propagate(product, {"a": a, "b": b})
    assert np.isnan(found.u_random)
    assert propagate(product, {"a": Measured(2.0, 0.0), "b": b}).u_random == 0.0
    with pytest.raises(ValueError, match="inputs is empty; give a mapping"):
        propagate(product, {})


def test_second_order_of_a_product_and_a_square() -> None:
    """u^2(ab) = b^2 u_a^2 + a^2 u_b^2 + u_a^2 u_b^2; the square of a normal: 4 x^2 u^2 + 2 u^4."""
    a, b = Measured(2.0, 0.5), Measured(-1.0, 0.4)
    assert second_order(product, {"a": a, "b": b}) ** 2 == pytest.approx(
        0.25 + 0.64 + 0.04, rel=1e-10
    )
    square = second_order(lambda a: a**2, {"a": a})
    assert square**2 == pytest.approx(4 * 4 * 0.25 + 2 * 0.0625, rel=1e-10)


def test_second_order_of_a_cube_has_its_third_derivative() -> None:
    """f_i^2 + f_ij^2 / 2 + f_i f_ijj of x^3 at x = 2, u = 0.3: 144 u^2 + 72 u^4 + 72 u^4."""
    u = 0.3
    found = second_order(lambda a: a**3, {"a": Measured(2.0, u)})
    assert found**2 == pytest.approx(144 * u**2 + 144 * u**4, rel=1e-9)


def test_second_order_moves_a_shared_source_together() -> None:
    """Two lengths by one ruler: the product is a square of one normal variable."""
    a = Measured(2.0, 0.0, {"ruler": 0.5})
    found = second_order(product, {"a": a, "b": a})
    assert found**2 == pytest.approx(4 * 4 * 0.25 + 2 * 0.0625, rel=1e-10)


def test_draws_move_shared_sources_together() -> None:
    a, b = Measured(2.0, 0.0, {"ruler": 0.1}), Measured(3.0, 0.0, {"ruler": -0.1})
    assert monte_carlo(lambda a, b: a + b, {"a": a, "b": b}).standard_uncertainty < 1e-12
    apart = Measured(3.0, 0.0, {"clock": -0.1})
    found = monte_carlo(lambda a, b: a + b, {"a": a, "b": apart}, draws=40_000, seed=3)
    assert found.standard_uncertainty == pytest.approx(0.1 * 2**0.5, rel=0.015)


def test_random_parts_are_drawn_for_each_reading_and_effects_for_all() -> None:
    readings = Measured(np.zeros(50), 1.0, {"zero": 1.0})
    found = monte_carlo(lambda a: a, {"a": readings}, draws=4000, seed=5)
    assert found.values.shape == (4000, 50)
    np.testing.assert_allclose(found.standard_uncertainty, 2**0.5, rtol=0.06)
    together = found.values.mean(axis=1).std()
    assert together == pytest.approx((1 + 1 / 50) ** 0.5, rel=0.04)


def test_a_line_agrees_with_the_first_order_and_a_bend_is_said() -> None:
    straight = monte_carlo(lambda a: 3 * a, {"a": Measured(2.0, 0.5)}, seed=1)
    assert not straight.bends
    assert "the first order agrees" in str(straight)
    bent = monte_carlo(lambda a: 1 / a, {"a": Measured(2.0, 0.5)}, seed=1)
    assert bent.bends
    assert "take the drawn interval" in str(bent)
    assert bent.upper - 0.5 > 1.5 * (0.5 - bent.lower)  # the tail lies on the far side
    two = monte_carlo(lambda a: np.exp(a), {"a": Measured(np.zeros(2), np.array([0.01, 1.0]))})
    assert two.bends.tolist() == [False, True]
    assert "bends in 1 of 2" in str(two)


def test_the_end_gauge_is_bent_as_its_second_order_says() -> None:
    """Draws, the formula of second order and the first order of one example."""
    gauge = {
        "l_s": Measured(50000623.0, 25.0), "d": Measured(215.0, 9.7),
        "alpha": Measured(1.15e-5, 1.2e-6), "theta": Measured(-0.1, 0.41),
        "delta_alpha": Measured(0.0, 5.8e-7), "delta_theta": Measured(0.0, 0.029),
    }  # fmt: skip

    def length(l_s, d, alpha, theta, delta_alpha, delta_theta):
        return l_s + d - l_s * (delta_alpha * theta + alpha * delta_theta)

    found = monte_carlo(length, gauge, draws=200_000, seed=11)
    assert found.standard_uncertainty == pytest.approx(second_order(length, gauge), rel=0.01)
    assert found.bends


def test_a_function_that_takes_one_draw_at_a_time() -> None:
    x = np.arange(5.0)
    given = {"y": Measured(2 * x + 1, 0.1)}

    def slope(y):
        return np.polyfit(x, y, 1)[0]

    found = monte_carlo(slope, given, draws=3000, seed=2, at_once=False)
    assert found.standard_uncertainty == pytest.approx(0.1 / 10**0.5, rel=0.05)


def test_draws_are_the_same_for_one_seed_and_too_few_are_refused() -> None:
    given = {"a": Measured(1.0, 0.1)}
    one, two, other = (monte_carlo(lambda a: a, given, seed=seed).values for seed in (4, 4, 5))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)
    with pytest.raises(ValueError, match="9 draws are too few for a standard deviation"):
        monte_carlo(lambda a: a, given, draws=9)


def test_correlated_inputs_keep_their_covariance() -> None:
    r = np.array([[1.0, 0.6], [0.6, 1.0]])
    pair = correlated({"a": 1.0, "b": 2.0}, {"a": 0.1, "b": 0.3}, r, "bath")
    assert float(norm(pair["a"].effects)) == pytest.approx(0.1)
    assert float(norm(pair["b"].effects)) == pytest.approx(0.3)
    assert correlation(pair["a"], pair["b"]) == pytest.approx(0.6)
    assert correlation(pair["a"], Measured(0.0, 1.0)) == 0.0


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.eye(3), "have the shape"),
        ([[1.0, 0.5], [0.2, 1.0]], "must be symmetric"),
        ([[2.0, 0.5], [0.5, 1.0]], "have 1 to 2 on the diagonal"),
        ([[1.0, 1.5], [1.5, 1.0]], "contradict each other"),
    ],
)
def test_matrices_that_are_no_correlations(matrix, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        correlated({"a": 1.0, "b": 2.0}, {"a": 0.1, "b": 0.3}, matrix, "bath")
    with pytest.raises(ValueError, match="give one of each"):
        correlated({"a": 1.0}, {"b": 0.1}, [[1.0]], "bath")


def test_observations_that_do_not_pair() -> None:
    with pytest.raises(ValueError, match="give two or more, the same number of each"):
        simultaneous({"a": [1.0, 2.0], "b": [1.0]}, "bath")
    with pytest.raises(ValueError, match="1 of a"):
        simultaneous({"a": [1.0]}, "bath")


def test_degrees_of_freedom() -> None:
    assert effective_degrees_of_freedom([1.0, 1.0], [5, 5]) == pytest.approx(10.0)
    assert effective_degrees_of_freedom([1.0, 2.0], [np.inf, np.inf]) == np.inf
    assert np.isnan(effective_degrees_of_freedom([1.0, np.nan], [5, 5]))
    with pytest.raises(ValueError, match="give one of each"):
        effective_degrees_of_freedom([1.0], [5, 5])
    with pytest.raises(ValueError, match="degrees of freedom of 0 are not possible"):
        effective_degrees_of_freedom([1.0], [0])
