"""Correlated residuals: likelihood and covariance against dense algebra, and coverage of draws."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.numerics import correlated as kernel


def test_blocks_hold_equal_counts_and_never_part_a_depth():
    assert kernel.blocks(np.arange(6.0), 15).tolist() == [0, 1, 2, 3, 4, 5]
    assert kernel.blocks(np.arange(6.0)[::-1], 3).tolist() == [2, 2, 1, 1, 0, 0]
    assert kernel.blocks(np.array([1.0, 1.0, 1.0, 2.0, 3.0, 4.0]), 2).tolist() == [0, 0, 0, 0, 1, 1]


# Student factors k_68.27 of JCGM 100:2008, table G.2.
@pytest.mark.parametrize(
    ("freedom", "factor"), [(1, 1.84), (2, 1.32), (3, 1.20), (5, 1.11), (10, 1.05), (np.inf, 1.00)]
)
def test_student_factor_is_that_of_the_guide(freedom, factor):
    assert kernel.student_factor(freedom) == pytest.approx(factor, abs=0.005)


def restricted(z, y, u, design, length, scatter):
    """Restricted log-likelihood in its textbook form, with dense matrices."""
    v = np.diag(u**2) + scatter**2 * np.exp(-np.abs(z[:, None] - z[None, :]) / length)
    inverse = np.linalg.inv(v)
    normal = design.T @ inverse @ design
    left = y - design @ np.linalg.solve(normal, design.T @ inverse @ y)
    return -0.5 * (
        np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + float(left @ inverse @ left)
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_maximum_is_that_of_the_textbook_likelihood(seed):
    rng = np.random.default_rng(seed)
    z = np.sort(rng.uniform(0.0, 290.0, 15))
    kernel_of = np.exp(-np.abs(z[:, None] - z[None, :]) / 25.0)
    y = 0.02 * np.linalg.cholesky(kernel_of) @ rng.normal(size=15) + rng.normal(0, 0.004, 15)
    u, design = np.full(15, 0.004), np.column_stack([np.ones(15), z])
    length, scatter = kernel.restricted_maximum(z, y, u, design)
    found = restricted(z, y, u, design, length, scatter)
    spacing = 290.0 / 14
    best = max(
        restricted(z, y, u, design, one, other)
        for one in np.geomspace(spacing / 30, 870, 40)
        for other in np.geomspace(0.002, 0.3, 40)
    )
    # The search is a grid: what a hundredth in the likelihood tells apart is the same.
    assert found > best - 0.02


def test_nothing_is_added_where_stated_errors_say_all_or_the_trend_leaves_nothing():
    z, design = np.arange(10.0), np.column_stack([np.ones(10), np.arange(10.0)])
    assert kernel.restricted_maximum(z, 3.0 - z, np.zeros(10), design) == (0.0, 0.0)
    y = 0.1 * np.array([1, -1, 0.5, -1, 1, 0, -1, 1, -0.5, 0.2])
    assert kernel.restricted_maximum(z, y, np.full(10, 1.0), design) == (0.0, 0.0)


def whole(z, residual, u, jacobian, most=15):
    return kernel.correlated(
        z, residual, np.ones(z.size), u, jacobian, most_blocks=most, least_freedom=3
    )


def test_the_covariance_is_that_of_the_fit_under_the_found_covariance():
    rng = np.random.default_rng(5)
    z = np.sort(rng.uniform(0.0, 290.0, 12))
    design, u = np.column_stack([np.ones(12), z]), np.full(12, 0.01)
    y = rng.normal(0, 0.02, 12).cumsum()
    hat = np.linalg.inv(design.T @ design) @ design.T
    found = whole(z, y - design @ hat @ y, u, design)
    v = np.diag(u**2) + found.scatter**2 * np.exp(-np.abs(z[:, None] - z) / found.length)
    np.testing.assert_allclose(found.covariance, hat @ v @ hat.T, rtol=1e-8)
    assert 3.0 <= found.degrees_of_freedom <= 11.0


def test_order_and_scale_change_nothing():
    rng = np.random.default_rng(6)
    z = rng.uniform(0.0, 290.0, 60)
    design, y = np.column_stack([np.ones(60), z]), rng.normal(0, 0.02, 60)
    one, order = whole(z, y, None, design), rng.permutation(60)
    two = whole(100.0 * z[order], 5.0 * y[order], None, design[order] * [1.0, 100.0])
    assert two.length == pytest.approx(100.0 * one.length)
    assert two.scatter == pytest.approx(5.0 * one.scatter)
    assert two.effective_number == pytest.approx(one.effective_number)
    np.testing.assert_allclose(
        two.covariance * np.array([[1, 100], [100, 1e4]]) / 25, one.covariance, rtol=1e-6
    )


def test_readings_without_a_weight_change_nothing_and_too_few_places_give_none():
    rng = np.random.default_rng(7)
    z, y = np.arange(20.0), rng.normal(size=20)
    design, weight = np.ones((20, 1)), np.where(np.arange(20) < 15, 1.0, 0.0)
    settings = {"most_blocks": 15, "least_freedom": 3}
    found = kernel.correlated(z, y, weight, None, design, **settings)
    alone = kernel.correlated(z[:15], y[:15], weight[:15], None, design[:15], **settings)
    np.testing.assert_allclose(found.covariance, alone.covariance)
    assert kernel.correlated(np.zeros(20), y, weight, None, design, **settings) is None
    assert kernel.correlated(z, y, 0.0 * weight, None, design, **settings) is None
    twice = np.column_stack([design, design])
    assert kernel.correlated(z, y, weight, None, twice, **settings) is None


@pytest.mark.slow
@pytest.mark.parametrize(("length", "stated"), [(0.01, True), (0.01, False), (12.0, False)])
def test_intervals_of_a_slope_hold_the_truth(length, stated):
    rng = np.random.default_rng(8)
    z = np.linspace(0.0, 290.0, 60)
    design = np.column_stack([np.ones(60), z])
    root = np.linalg.cholesky(np.exp(-np.abs(z[:, None] - z) / length))
    hat, inside, naive = np.linalg.pinv(design), [], []
    for _ in range(200):
        y = 0.02 * root @ rng.normal(size=60) + rng.normal(0.0, 0.004, 60)
        value = hat @ y
        residual = y - design @ value
        found = whole(z, residual, np.full(60, 0.004) if stated else None, design)
        u = np.sqrt(found.covariance[1, 1]) * kernel.student_factor(found.degrees_of_freedom)
        inside.append(abs(value[1]) <= u)
        naive.append(abs(value[1]) <= np.sqrt(residual @ residual / 58 * (hat @ hat.T)[1, 1]))
    # Four standard errors of a coverage over 200 draws are 13 %.
    assert 0.60 < np.mean(inside) < 0.86
    assert length < 1.0 or np.mean(naive) < 0.55
