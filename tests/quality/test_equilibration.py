"""A core that warms: the series against heat conduction step by step, and what is flagged."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import quantity
from corephys.ground import flags
from corephys.ground.series import PositionError
from corephys.ground.units import UnitError
from corephys.quality.equilibration import axis_departure, settled

BIT = flags.bit("temperature_not_settled")
ROOM = "20 degC"


def conducted(fourier: float, biot: float, rings: int = 200, steps: int = 1000) -> float:
    """Axis of a cylinder in unit time by rings of finite volume, Crank and Nicolson (1947)."""
    edge = np.linspace(0.0, 1.0, rings + 1)
    volume = np.diff(edge**2) / 2.0
    width = 1.0 / rings
    pass_on = np.append(0.0, edge[1:-1] / width)  # radius over distance, between neighbours
    last = 1.0 / (0.5 * width + (0.0 if np.isinf(biot) else 1.0 / biot))
    flow = np.diag(-pass_on - np.append(pass_on[1:], last))
    flow += np.diag(pass_on[1:], 1) + np.diag(pass_on[1:], -1)
    flow /= volume[:, np.newaxis]
    one, theta = np.eye(rings), np.ones(rings)
    # A few implicit steps first: they take the jump at the surface away.
    early = np.linalg.inv(one - fourier / steps / 4.0 * flow)
    for _ in range(4):
        theta = early @ theta
    half = 0.5 * fourier / steps * flow
    step = np.linalg.solve(one - half, one + half)
    for _ in range(steps - 1):
        theta = step @ theta
    return float(theta[0] + (theta[0] - theta[1]) / 8.0)


@pytest.mark.parametrize(
    ("fourier", "biot"),
    [(0.05, np.inf), (0.2, np.inf), (0.6, np.inf), (0.5, 0.3), (3.0, 0.3), (0.3, 5.0)],
)
def test_the_series_is_what_conduction_gives(fourier: float, biot: float) -> None:
    assert float(axis_departure(fourier, biot)) == pytest.approx(conducted(fourier, biot), abs=3e-5)


def test_start_end_and_unknown_times() -> None:
    theta = axis_departure(np.array([0.0, 0.01, 0.010001, 50.0, -0.1, np.nan]))
    np.testing.assert_allclose(theta, [1.0, 1.0, 1.0, 0.0, np.nan, np.nan], atol=2e-9)
    assert (np.diff(axis_departure(np.geomspace(0.02, 3.0, 300))) < 0.0).all()
    # a film so thin that it is none
    assert float(axis_departure(0.2, 1e9)) == pytest.approx(float(axis_departure(0.2)), rel=1e-6)


def test_a_film_no_better_than_none_is_refused() -> None:
    with pytest.raises(ValueError, match=r"biot is 0\.0; expected a number above 0"):
        axis_departure(0.1, 0.0)


def look(hours: object, **given: object) -> xr.Dataset:
    time = quantity(3600.0 * np.asarray(hours, dtype=float), "s")
    settings: dict = {"laboratory_temperature": ROOM, "core_diameter": "66 mm", **given}
    return settled("0 s", time, **settings)


def test_cold_cores_settle_in_the_time_that_practice_gives_them() -> None:
    """Three to four hours leave 2 of 16 K in air that takes 10 W/(m^2 K), half an hour at best."""
    hours = np.linspace(0.0, 12.0, 721)
    first = {}
    for air in (None, "10 W/(m^2 K)"):
        out = look(hours, deck_temperature="4 degC", tolerance="2 K", surface_conductance=air)
        first[air] = hours[np.flatnonzero(out.settled)[0]]
        assert (np.diff(out.settled.values.astype(int)) >= 0).all()
        np.testing.assert_array_equal(out.reason.values == BIT, ~out.settled.values)
    assert 0.3 < first[None] < 0.6
    assert 3.0 < first["10 W/(m^2 K)"] < 4.0


def test_expected_or_measured_departure_is_enough_to_doubt() -> None:
    core = xr.DataArray([20.2, 18.0, 20.2, 18.0, np.nan, np.nan], dims="reading")
    core.attrs["units"] = "degC"
    out = look([9, 9, 0.1, 0.1, 9, 0.1], deck_temperature="4 degC", core_temperature=core)
    np.testing.assert_array_equal(out.settled, [True, False, False, False, True, False])
    np.testing.assert_array_equal(out.reason, [0, BIT, BIT, BIT, 0, BIT])
    np.testing.assert_allclose(out.measured_departure[:4], [0.2, -2.0, 0.2, -2.0])
    # measured alone, a warm core too
    alone = look([9.0, 0.1], core_temperature=quantity(np.array([20.4, 21.0]), "degC"))
    np.testing.assert_array_equal(alone.reason, [0, BIT])
    assert np.isnan(alone.expected_departure).all()
    np.testing.assert_array_equal(look([0.1], deck_temperature="35 degC").reason, [BIT])


def test_what_cannot_be_known_is_neither_settled_nor_doubted() -> None:
    out = look([-1.0, np.nan], deck_temperature="4 degC")
    assert not out.settled.any() and not out.reason.any()
    assert np.isnan(out.expected_departure).all()


def test_a_thicker_core_takes_longer_and_each_has_its_diameter() -> None:
    size = xr.DataArray([40.0, 66.0, 90.0, np.nan], dims="reading", attrs={"units": "mm"})
    out = look([0.5] * 4, deck_temperature="4 degC", core_diameter=size)
    off = np.abs(out.expected_departure.values)
    assert off[0] < off[1] < off[2] and np.isnan(off[3])
    expected = 16.0 * axis_departure(3e-7 * 1800.0 / 0.033**2)
    assert off[1] == pytest.approx(float(expected))


def test_calendar_times() -> None:
    deck = np.array(["2031-05-02T06:00:00"] * 2, dtype="datetime64[s]")
    read = deck + np.array([600, 36_000], dtype="timedelta64[s]")
    out = settled(
        deck, xr.DataArray(read, dims="reading"), laboratory_temperature=ROOM,
        core_diameter="66 mm", deck_temperature="4 degC",
    )  # fmt: skip
    np.testing.assert_array_equal(out.settled, [False, True])


def test_errors() -> None:
    with pytest.raises(ValueError, match=r"give core_temperature.*or deck_temperature"):
        look([1.0])
    with pytest.raises(UnitError, match="difference of temperatures is given in K"):
        look([1.0], deck_temperature="4 degC", tolerance="0.5 degC")
    with pytest.raises(UnitError, match="time_on_deck and time are of two kinds"):
        settled(
            "0 s", np.array(["2031-05-02"], dtype="datetime64[s]"), laboratory_temperature=ROOM,
            core_diameter="66 mm", deck_temperature="4 degC",
        )  # fmt: skip
    one, two = (
        xr.DataArray([v], dims="reading", coords={"offset": ("reading", [v])}, attrs={"units": "s"})
        for v in (1.0, 2.0)
    )
    with pytest.raises(PositionError, match="different positions"):
        settled(one, two, laboratory_temperature=ROOM, core_diameter="6 cm", deck_temperature="4 K")
