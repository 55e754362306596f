"""Kernels where they just do or just do not work: too few points, one place, no spread."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corephys.numerics.line import estimating_rows, lines_from_sums
from corephys.numerics.polynomial import akaike_corrected, fit_polynomial


def test_information_needs_two_points_more_than_parameters():
    # chi^2 + 2 k + 2 k (k + 1) / (n - k - 1), Hurvich and Tsai (1989), by hand
    assert akaike_corrected(3.0, 4, 2) == 3.0 + 4.0 + 12.0 / 1.0
    assert akaike_corrected(3.0, 3, 2) == math.inf
    assert akaike_corrected(3.0, 2, 2) == math.inf
    assert akaike_corrected(3.0, 10**9, 2) == pytest.approx(7.0)


def test_two_points_make_a_line():
    rows = estimating_rows(np.array([1.0, 3.0]), np.diag([0.1, 0.4]))
    assert rows.sum(axis=1) == pytest.approx([1.0, 0.0])
    x, y = np.array([1.0, 3.0]), np.array([5.0, 1.0])
    intercept, slope = lines_from_sums((rows @ x)[None], (rows @ y)[None])
    assert (float(intercept[0]), float(slope[0])) == (pytest.approx(7.0), pytest.approx(-2.0))
    for places in ([1.0], [2.0, 2.0]):
        with pytest.raises(ValueError, match="two points at different places"):
            estimating_rows(np.array(places), np.eye(len(places)))


def test_a_polynomial_goes_through_as_many_points_as_it_has_coefficients():
    x, y = np.array([0.0, 1.0, 3.0]), np.array([2.0, 1.0, 5.0])
    coefficients, _, chi_square = fit_polynomial(x, y, np.ones(3), 2)
    assert np.polynomial.polynomial.polyval(x, coefficients) == pytest.approx(y)
    assert chi_square == pytest.approx(0.0, abs=1e-20)
    for size in (1, 2):
        with pytest.raises(ValueError, match=f"{size} points cannot fix the 3 coefficients"):
            fit_polynomial(x[:size], y[:size], np.ones(size), 2)


def test_a_constant_needs_no_spread_of_places():
    sigma = np.array([1.0, 2.0])
    coefficients, covariance, _ = fit_polynomial(np.full(2, 7.0), np.array([1.0, 2.0]), sigma, 0)
    weights = 1 / sigma**2
    assert coefficients[0] == pytest.approx((1.0 * 1 + 2.0 / 4) / weights.sum())
    assert covariance[0, 0] == pytest.approx(1 / weights.sum())


def test_a_cubic_far_from_the_origin_keeps_its_digits():
    """The centred and scaled variable: in the powers of x themselves six digits would be lost."""
    x = np.linspace(1.0e6, 1.0e6 + 3.0e3, 40)
    u = (x - x.mean()) / 1.0e3
    y = 4.0 + 3.0 * u - 2.0 * u**2 + 0.5 * u**3
    coefficients, covariance, chi_square = fit_polynomial(x, y, np.full(40, 1e-6), 3)
    assert coefficients[3] == pytest.approx(0.5e-9, rel=1e-9)
    assert chi_square < 1e-3
    assert np.all(np.diag(covariance) > 0)
