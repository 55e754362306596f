"""The cylinder against inverted Laplace images, a plain sum, limits and heat balance."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from corephys.numerics import cylinder

EULER = 0.5772156649015329


NODES = 18  # of the contour: more of them lose digits of doubles to cancellation


def _image(kind, alpha, contact, p):
    """Laplace image of F, of 4 pi k T / Q or of a slope of F, from the heat balance."""
    root = np.sqrt(p)
    # Scaled functions: the factor exp(root) leaves every ratio below as it is.
    flux = root * special.kve(1, root)
    surface = special.kve(0, root) + contact * flux
    return _from_balance(kind, alpha, p, surface, flux)


def _from_balance(kind, alpha, p, surface, flux):
    """The images from temperature and flux at the surface, in any arithmetic."""
    balance = p * surface + alpha * flux
    return {
        "decay": surface / balance,
        "heating": 2 * alpha * surface / balance / p,
        "by tau": p * surface / balance - 1,
        "by alpha": -surface * flux / balance**2,
    }[kind]


def _talbot(kind, alpha, tau, contact=0.0):
    """Inverse Laplace transform on Talbot's contour: Abate and Valko (2004), to 1e-9 or so."""
    r = 2.0 * NODES / (5.0 * tau)
    theta = np.arange(1, NODES) * np.pi / NODES
    cot = 1.0 / np.tan(theta)
    p = r * theta * (cot + 1j)
    turn = 1.0 + 1j * (theta + (theta * cot - 1.0) * cot)
    terms = (np.exp(tau * p) * _image(kind, alpha, contact, p) * turn).real
    first = 0.5 * np.exp(r * tau) * _image(kind, alpha, contact, r)
    return r / NODES * float(first + terms.sum())


@pytest.mark.parametrize("contact", [0.0, 0.02, 0.5, 10.0])
@pytest.mark.parametrize("alpha", [0.01, 0.09, 0.5, 2.0, 4.0, 50.0])
def test_decay_and_heating_invert_the_laplace_image(alpha, contact):
    for tau in (1e-3, 0.03, 1.0, 30.0, 1e3, 1e6):
        found = cylinder.decay(alpha, tau, contact)
        assert found == pytest.approx(_talbot("decay", alpha, tau, contact), rel=1e-7, abs=1e-9)
        found = cylinder.heating(alpha, tau, contact)
        assert found == pytest.approx(_talbot("heating", alpha, tau, contact), rel=1e-7)


@pytest.mark.parametrize("alpha", [0.5, 2.0, 4.0])
@pytest.mark.parametrize("tau", [1e-12, 1e-10, 3e-9, 1e-7])
def test_early_time(alpha, tau):
    assert cylinder.decay(alpha, tau) == pytest.approx(_talbot("decay", alpha, tau), rel=1e-8)
    assert cylinder.heating(alpha, tau) == pytest.approx(_talbot("heating", alpha, tau), rel=1e-7)


@pytest.mark.parametrize("alpha", [0.5, 2.0, 4.0, 50.0])
def test_series_and_integral_meet(alpha):
    """The first times that the integral takes continue the series."""
    edge = cylinder._SOON / (1.0 + alpha) ** 2
    tau = edge * np.array([1.0 - 1e-9, 1.0 + 1e-9])
    for function in (cylinder.decay, cylinder.heating):
        series, integral = function(alpha, tau)
        assert integral == pytest.approx(series, rel=1e-8)


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


@pytest.mark.parametrize("contact", [0.0, 0.1])
def test_derivatives_are_those_of_the_laplace_image(contact):
    alpha, tau = 1.7, np.array([1e-3, 0.05, 0.5, 5.0, 500.0])
    value, by_tau, by_alpha = cylinder.decay_with_derivatives(alpha, tau, contact)
    np.testing.assert_allclose(value, cylinder.decay(alpha, tau, contact), rtol=1e-13)
    for i, t in enumerate(tau):
        assert by_alpha[i] == pytest.approx(_talbot("by alpha", alpha, t, contact), rel=1e-6)
        assert by_tau[i] == pytest.approx(_talbot("by tau", alpha, t, contact), rel=1e-6)


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
        (1.0, 1.0, 1e4, "contact is 10000.0 and alpha 1.0"),
    ],
)
def test_cylinder_refuses_what_has_no_meaning(alpha, tau, contact, message):
    for function in (cylinder.decay, cylinder.heating, cylinder.decay_with_derivatives):
        with pytest.raises(ValueError, match=message):
            function(alpha, tau, contact)


@pytest.mark.parametrize("alpha", [0.5, 1.0, 1.7, 2.0, 3.0, 4.0])
def test_decay_to_ten_digits_against_gauss(alpha):
    """Bullard's integral by Gauss and Legendre's rule on short panels of ln u."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    edges = np.linspace(-20.0, 8.0, 561)
    half = 0.5 * np.diff(edges)[:, None]
    u = np.exp(0.5 * (edges[1:] + edges[:-1])[:, None] + half * nodes)
    delta = (u * special.j0(u) - alpha * special.j1(u)) ** 2
    delta += (u * special.y0(u) - alpha * special.y1(u)) ** 2
    for tau in np.geomspace(1e-3, 1e3, 12):
        exact = 4 * alpha / np.pi**2 * np.sum(half * weights * np.exp(-tau * u * u) / delta)
        assert cylinder.decay(alpha, float(tau)) == pytest.approx(exact, rel=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize("alpha", [0.5, 4.0])
def test_decay_to_ten_digits_with_other_bessel_functions(alpha):
    """The same integral by mpmath, its Bessel functions and its rule."""

    def integrand(x, tau):
        u = mpmath.exp(x)
        real = u * mpmath.besselj(0, u) - alpha * mpmath.besselj(1, u)
        imaginary = u * mpmath.bessely(0, u) - alpha * mpmath.bessely(1, u)
        return mpmath.exp(-tau * u * u) / (real**2 + imaginary**2)

    with mpmath.workdps(16):
        for tau in (1e-3, 0.1, 1e3):
            points = np.linspace(-16.0, np.log(np.sqrt(40.0 / tau)), 14).tolist()
            total = mpmath.quad(lambda x: integrand(x, tau), points)  # noqa: B023
            exact = float(4 * alpha / np.pi**2 * total)
            assert cylinder.decay(alpha, tau) == pytest.approx(exact, rel=1e-10)


@pytest.mark.parametrize("alpha", [0.3, 2.0, 50.0])
@pytest.mark.parametrize("share", [0.01, 0.9])
def test_series_of_early_time_against_the_image_in_thirty_digits(alpha, share):
    """The terms left out are of the order of the three-halves power of tau (1 + alpha)^2."""
    tau = share * cylinder._SOON / (1.0 + alpha) ** 2

    def image(kind, p):
        root = mpmath.sqrt(p)
        surface, flux = mpmath.besselk(0, root), root * mpmath.besselk(1, root)
        return _from_balance(kind, alpha, p, surface, flux)

    with mpmath.workdps(30):
        exact = {
            kind: float(mpmath.invertlaplace(lambda p: image(kind, p), tau, method="talbot"))  # noqa: B023
            for kind in ("decay", "heating", "by tau", "by alpha")
        }
    value, by_tau, by_alpha = cylinder.decay_with_derivatives(alpha, tau)
    assert value == cylinder.decay(alpha, tau) == pytest.approx(exact["decay"], rel=1e-12)
    assert cylinder.heating(alpha, tau) == pytest.approx(exact["heating"], rel=1e-12)
    # One power of the root of tau is lost to a derivative.
    assert by_tau == pytest.approx(exact["by tau"], rel=1e-8)
    assert by_alpha == pytest.approx(exact["by alpha"], rel=1e-8)
