"""The cylinder against Laplace images inverted at high precision, limits and heat balance."""

from __future__ import annotations

import time

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from corephys.numerics import cylinder

EULER = 0.5772156649015329


def _image(alpha, contact, heated):
    """Laplace image of the decay or of 4 pi k T / Q, from the heat balance of the cylinder."""

    def image(p):
        root = mpmath.sqrt(p)
        flux = root * mpmath.besselk(1, root)
        surface = mpmath.besselk(0, root) + contact * flux
        decay = surface / (p * surface + alpha * flux)
        return 2 * alpha * decay / p if heated else decay

    return image


def _invert(image, tau):
    """Inverse Laplace transform on Talbot's contour (Abate and Valko 2004), to some 14 digits."""
    nodes = 24
    with mpmath.workdps(nodes):
        tau = mpmath.mpf(tau)
        r = mpmath.mpf(2 * nodes) / (5 * tau)
        total = mpmath.exp(r * tau) * image(r) / 2
        for k in range(1, nodes):
            theta = k * mpmath.pi / nodes
            cot = mpmath.cot(theta)
            p = r * theta * (cot + 1j)
            turn = 1 + 1j * (theta + (theta * cot - 1) * cot)
            total += mpmath.re(mpmath.exp(tau * p) * image(p) * turn)
        return total * r / nodes


def _talbot(alpha, tau, contact=0.0, heated=False):
    return float(_invert(_image(alpha, contact, heated), tau))


# The Bessel functions of the image take about a second a case near the middle of the range.
CASES = [
    (0.01, 1e3, 0.02), (0.05, 1e-3, 0.0), (0.09, 0.03, 10.0), (0.5, 1e-3, 0.0), (0.5, 1e3, 2.0),
    (2.0, 1e-3, 0.5), (2.0, 30.0, 0.0), (4.0, 1e-3, 0.02), (4.0, 1.0, 10.0), (4.0, 1e3, 0.0),
    (50.0, 0.003, 0.5), (50.0, 30.0, 0.0), (0.5, 1e-12, 0.0), (2.0, 1e-10, 0.0), (4.0, 3e-9, 0.0),
    (2.0, 1e-7, 0.0), (2.0, 1e6, 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("alpha", "tau", "contact"), CASES)
def test_decay_and_heating_invert_the_laplace_image(alpha, tau, contact):
    found = cylinder.decay(alpha, tau, contact)
    assert found == pytest.approx(_talbot(alpha, tau, contact), rel=1e-12)
    found = cylinder.heating(alpha, tau, contact)
    assert found == pytest.approx(_talbot(alpha, tau, contact, heated=True), rel=1e-12)


@pytest.mark.parametrize("alpha", [0.01, 0.5, 4.0, 50.0])
@pytest.mark.parametrize("contact", [0.0, 0.1, 10.0])
def test_a_finer_step_without_cuts_changes_nothing(alpha, contact):
    """A plain sum over 250 times as many nodes."""
    tau = np.geomspace(1e-3, 1e6, 60)
    u = np.exp(-22.0 + 4e-4 * np.arange(75_000))
    squeeze = contact * u * u - alpha
    delta = (u * special.j0(u) + squeeze * special.j1(u)) ** 2
    delta += (u * special.y0(u) + squeeze * special.y1(u)) ** 2
    plain = [float(np.sum(np.exp(-t * u * u) / delta)) for t in tau]
    plain = 4e-4 * 4 * alpha / np.pi**2 * np.array(plain)
    np.testing.assert_allclose(cylinder.decay(alpha, tau, contact), plain, rtol=1e-12)
    for t, expected in zip(tau[::20], plain[::20], strict=True):
        assert cylinder.decay(alpha, t, contact) == pytest.approx(expected, rel=1e-12)


def test_derivatives_are_those_of_the_laplace_image():
    alpha, tau, contact = 1.7, np.array([1e-3, 0.05, 500.0]), 0.1
    for h in (0.0, contact):
        value, by_tau, by_alpha = cylinder.decay_with_derivatives(alpha, tau, h)
        np.testing.assert_allclose(value, cylinder.decay(alpha, tau, h), rtol=1e-13)
        for i, t in enumerate(tau):
            step = 1e-4
            low, high = (_talbot(alpha + s * step, t, h) for s in (-1, 1))
            assert by_alpha[i] == pytest.approx((high - low) / (2 * step), rel=1e-7)
            whole = _image(alpha, h, False)
            slope = float(_invert(lambda p, f=whole: p * f(p) - 1, t))
            assert by_tau[i] == pytest.approx(slope, rel=1e-10)


def test_derivatives_at_time_zero():
    value, by_tau, by_alpha = cylinder.decay_with_derivatives(2.0, 0.0)
    assert (value, by_tau, by_alpha) == (1.0, -np.inf, 0.0)
    # The heat that leaves through a contact is finite at once: dF/dtau = -alpha / h.
    value, by_tau, by_alpha = cylinder.decay_with_derivatives(2.0, 0.0, 0.5)
    assert value == pytest.approx(1.0, rel=1e-9)
    assert by_alpha == pytest.approx(0.0, abs=1e-9)
    _, near, _ = cylinder.decay_with_derivatives(2.0, 1e-10, 0.5)
    assert near == pytest.approx(-4.0, rel=1e-3)


def test_late_heating_is_the_line_source_with_the_drop_of_the_contact():
    for contact in (0.0, 0.4):
        tau = 1e5
        rise = cylinder.heating(2.0, tau, contact)
        assert rise == pytest.approx(np.log(4 * tau) - EULER + 2 * contact, abs=5e-5)


def test_heating_of_a_cylinder_that_keeps_its_heat():
    """Before heat leaves, 4 pi k T / Q is 2 alpha tau by heat capacity alone."""
    assert cylinder.heating(1.5, 1e-6, 10.0) == pytest.approx(3e-6, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.05, 20.0), st.lists(st.floats(0.0, 1e4), min_size=1, max_size=20),
    st.sampled_from([0.0, 0.1, 1.0]), st.integers(0, 99),
)  # fmt: skip
def test_decay_falls_and_does_not_mind_the_order_of_times(alpha, taus, contact, seed):
    tau = np.sort(np.array(taus))
    found = cylinder.decay(alpha, tau, contact)
    assert np.all(found <= 1 + 1e-9) and np.all(found > 0)
    assert np.all(np.diff(found) <= 1e-13)
    order = np.random.default_rng(seed).permutation(tau.size)
    np.testing.assert_allclose(cylinder.decay(alpha, tau[order], contact), found[order], rtol=1e-12)
    # A single value takes another stretch of nodes than the block.
    assert cylinder.decay(alpha, tau[-1], contact) == pytest.approx(found[-1], rel=1e-12)


def test_shapes():
    found = cylinder.heating(np.array([[1.0], [2.0], [4.0]]), np.linspace(0, 1, 5))
    assert found.shape == (3, 5)
    assert isinstance(cylinder.decay(1, 2), float)
    assert cylinder.decay(1.0, np.array([])).shape == (0,)


@pytest.mark.parametrize(
    ("alpha", "tau", "contact", "message"),
    [
        (0.0, 1.0, 0.0, "alpha must be positive"),
        (np.nan, 1.0, 0.0, "alpha must be positive"),
        (1.0, -1.0, 0.0, "tau must not be negative"),
        (1.0, 1.0, -0.1, "contact resistance"),
        (1.0, 1.0, np.nan, "contact resistance"),
        (1.0, 1.0, 1e4, "cuts off"),
    ],
)
def test_cylinder_refuses_what_has_no_meaning(alpha, tau, contact, message):
    for function in (cylinder.decay, cylinder.heating, cylinder.decay_with_derivatives):
        with pytest.raises(ValueError, match=message):
            function(alpha, tau, contact)


def test_a_hundred_thousand_times_take_less_than_a_second():
    tau = np.random.default_rng(1).permutation(np.geomspace(1e-3, 1e3, 100_000))
    start = time.perf_counter()
    cylinder.decay(1.3, tau)
    assert time.perf_counter() - start < 1.0
