"""Bends of curves against SciPy, plain least squares, closed forms and geometry by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import interpolate, optimize

from corephys.numerics.yield_point import (
    bisector_crossing,
    joined_lines,
    largest_curvature,
    natural_cubic,
)


def corner(x, place=2.5, before=0.2, change=3.0, level=1.5):
    return level + before * (x - place) + change * np.maximum(x - place, 0.0)


def cost(place, x, y, weight):
    """Weighted sum of squares of the best two lines that meet at a place."""
    design = np.column_stack([np.ones(x.size), x, np.maximum(x - place, 0.0)]) * weight[:, None]
    solution, *_ = np.linalg.lstsq(design, y * weight, rcond=None)
    return float(np.sum((y * weight - design @ solution) ** 2)), solution


@pytest.mark.parametrize("size", [2, 3, 4, 9])
def test_natural_cubic_is_scipys(size):
    rng = np.random.default_rng(size)
    x, y = np.cumsum(rng.uniform(0.2, 1.0, size)), rng.normal(size=size)
    at = np.sort(np.concatenate([x, rng.uniform(x[0], x[-1], 20)]))  # its own points and ends too
    if size == 2:
        slope = (y[1] - y[0]) / (x[1] - x[0])
        wanted = [y[0] + slope * (at - x[0]), np.full(22, slope), np.zeros(22)]
    else:
        spline = interpolate.CubicSpline(x, y, bc_type="natural")
        wanted = [spline(at, order) for order in range(3)]
    np.testing.assert_allclose(natural_cubic(x, y, at), wanted, atol=1e-11)


def test_a_corner_is_found_with_all_its_numbers():
    x = np.array([0.0, 1.0, 2.2, 3.0, 4.5, 5.0, 6.0])
    found = joined_lines(x, corner(x), np.ones(7))
    values = (found.place, found.before, found.after, found.level)
    assert values == pytest.approx((2.5, 0.2, 3.2, 1.5), abs=1e-4)
    assert found.deviation == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("place", [1.0, 4.0])
def test_the_joint_may_lie_at_the_second_and_at_the_last_but_one_point(place):
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    found = joined_lines(x, corner(x, place), np.ones(6))
    assert (found.place, found.after) == pytest.approx((place, 3.2), abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_joined_lines_are_the_least_squares_over_all_joints(seed):
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.3, 2.0, 10))
    weight = rng.uniform(0.5, 2.0, 10)
    y = corner(x, x[4] + 0.1) + rng.normal(0, 0.2, 10)
    found = joined_lines(x, y, weight)
    tried = np.linspace(x[1], x[-2], 801)
    best = tried[np.argmin([cost(p, x, y, weight)[0] for p in tried])]
    near = (max(best - 0.03, x[1]), min(best + 0.03, x[-2]))
    options = {"bounds": near, "method": "bounded", "options": {"xatol": 1e-9}}
    fine = optimize.minimize_scalar(lambda p: cost(p, x, y, weight)[0], **options)
    least, (level, before, change) = cost(found.place, x, y, weight)
    # The places of its search stand 1e-5 of the space of two points apart at the end.
    assert least <= fine.fun * (1 + 1e-8)
    assert found.place == pytest.approx(fine.x, abs=1e-4)
    assert (found.before, found.after) == pytest.approx((before, before + change), rel=1e-7)
    assert found.level == pytest.approx(level + before * found.place, rel=1e-7)
    # Two lines and their joint are four numbers.
    assert found.deviation == pytest.approx(np.sqrt(least / 6), rel=1e-7)


def test_four_points_leave_no_freedom_and_three_no_lines():
    x = np.array([0.0, 1.0, 2.0, 4.0])
    four = joined_lines(x, corner(x, 1.5), np.ones(4))
    assert (four.before, four.after) == pytest.approx((0.2, 3.2), abs=1e-6)
    assert np.isnan(four.deviation)
    three = joined_lines(x[:3], x[:3], np.ones(3))
    for name in ("place", "before", "after", "level", "deviation"):
        assert np.isnan(getattr(three, name))
    assert np.isnan(joined_lines(x[:3], x[:3], np.ones(3), beyond=2).place)


def test_points_far_beyond_the_joint_may_be_left_out():
    """A curve that bends twice: with three points past the joint only its first bend counts."""
    x = np.arange(13.0)
    y = corner(x, 4.4) - 2.0 * np.maximum(x - 8.0, 0.0)
    near = joined_lines(x, y, np.ones(13), beyond=3)
    assert (near.place, near.before, near.after) == pytest.approx((4.4, 0.2, 3.2), abs=1e-4)
    whole = joined_lines(x, y, np.ones(13))
    assert whole.deviation > 0.1
    assert joined_lines(x, y, np.ones(13), beyond=13) == whole


@pytest.mark.parametrize("seed", range(6))
def test_the_points_left_are_those_that_the_joint_asks_for(seed):
    """Where the iteration settles, the fit to the points up to ``beyond`` past its joint is it."""
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.5, 1.5, 14))
    y, weight = np.tanh(x / 4.0) + rng.normal(0, 0.05, 14), rng.uniform(0.5, 2.0, 14)
    found = joined_lines(x, y, weight, beyond=4)
    fits = {end: joined_lines(x[:end], y[:end], weight[:end]) for end in range(4, 15)}
    asked = {end: min(int(np.sum(x <= fit.place)) + 4, 14) for end, fit in fits.items()}
    # From all points onward, each fit asks for the next, until one has been seen.
    end, seen = 14, []
    while end not in seen:
        seen.append(end)
        end = asked[end]
    assert found.place == pytest.approx(fits[seen[-1]].place, rel=1e-9)
    assert found.deviation == pytest.approx(fits[seen[-1]].deviation, rel=1e-9)


def shoulder(x):
    """A falling curve that steepens from level to slope -1, with slope and second derivative."""
    fall = 1.0 / (1.0 + np.exp(-x))
    return -np.log1p(np.exp(x)), -fall, -fall * (1.0 - fall)


@pytest.mark.parametrize("aspect", [0.5, 1.0, 3.0])
def test_largest_curvature_is_that_of_the_drawing(aspect):
    x = np.linspace(-6.0, 5.0, 1101)
    y, *_ = shoulder(x)
    scale = aspect * (x[-1] - x[0]) / (y[0] - y[-1])
    fine = np.linspace(-6.0, 5.0, 200_001)
    _, slope, second = shoulder(fine)
    # Of the curve (x, scale y) by the textbook's formula.
    curvature = -scale * second / (1.0 + (scale * slope) ** 2) ** 1.5
    at = fine[curvature.argmax()]
    place, ordinate, tangent = largest_curvature(x, y, aspect)
    assert place == pytest.approx(at, abs=11.0 / 2000)  # the step of its search
    assert (ordinate, tangent) == pytest.approx(
        [v[0] for v in shoulder(np.array([place]))[:2]], abs=1e-4
    )
    # Square drawing where nothing is said; units of either axis do not matter.
    if aspect == 1.0:
        assert largest_curvature(x, y) == (place, ordinate, tangent)
        moved = largest_curvature(10.0 * x + 3.0, 0.2 * y - 1.0)
        wanted = (10.0 * place + 3.0, 0.2 * ordinate - 1.0, 0.02 * tangent)
        assert moved == pytest.approx(wanted, rel=1e-9, abs=1e-9)


def test_a_bend_behind_the_steepest_descent_does_not_count():
    """A gentle shoulder, the steep part, then a hook down that is far sharper but less steep."""
    x = np.linspace(0.0, 10.0, 101)
    hook = 0.4 * np.logaddexp(0.0, 20.0 * (x - 8.0)) / 20.0
    y = -np.tanh(x - 3.0) - hook
    place, *_ = largest_curvature(x, y)
    first, *_ = largest_curvature(x[:61], y[:61], aspect=np.ptp(y[:61]) / np.ptp(y) * 10.0 / 6.0)
    assert place == pytest.approx(first, abs=0.02)
    assert place < 3.0


@pytest.mark.parametrize("scale", [1.0, 2.5])
def test_the_bisector_halves_the_angle_of_the_drawing(scale):
    point = (2.0, 5.0, -0.7)
    crossing = bisector_crossing(point, -1.3, 9.0, scale)
    # In the drawing, with ordinates times scale, the direction to the crossing is halfway between
    # those of the horizontal and of the tangent.
    across, up = crossing - 2.0, scale * (-1.3 * crossing + 9.0 - 5.0)
    assert np.arctan(up / across) == pytest.approx(0.5 * np.arctan(scale * -0.7), rel=1e-12)


def test_a_level_tangent_has_a_level_bisector():
    assert bisector_crossing((1.0, 3.0, 0.0), -2.0, 11.0, 1.7) == pytest.approx(4.0)
    # Tangent of -45 degrees: tan 22.5 degrees is sqrt 2 - 1. From (0, 0) to the line y = -x - 1.
    expected = 1.0 / (np.sqrt(2.0) - 1.0 - 1.0)
    assert bisector_crossing((0.0, 0.0, -1.0), -1.0, -1.0, 1.0) == pytest.approx(expected)
