"""The valley of conductivity and temperature, the late-time check, and tables of response."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.downhole import temperature as formation
from corephys.downhole.temperature.responses import response
from corephys.ground import flags, units
from data_demo.simulator import cylinder as independent
from tests.downhole.test_temperature import (
    HEAT,
    NAME,
    OWN,
    RADIUS,
    STATED,
    _record,
    _tables,
    _text,
)

TIMES = np.geomspace(1.0, 3000.0, 80)


def _fraction(conductivity, times=TIMES):
    alpha = 2 * np.pi * RADIUS**2 * HEAT / OWN
    return independent.decay(conductivity / HEAT / RADIUS**2 * times, alpha)


def _frame(*conductivities):
    parts = [
        pd.DataFrame(
            {"conductivity [W/(m K)]": k, "time [s]": TIMES, "fraction": _fraction(k)}
        )
        for k in conductivities
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def _dimensionless(*alphas):
    tau = np.geomspace(1e-3, 1e2, 100)
    return pd.DataFrame(
        {
            "alpha": np.repeat(alphas, tau.size),
            "tau": np.tile(tau, len(alphas)),
            "fraction": np.concatenate([independent.decay(tau, a) for a in alphas]),
        }
    )


def _with_table(record, table, conductivity="1.1 W/(m K)", name="shoe"):
    stations_and_all = _tables([record])
    tools = stations_and_all[2].assign(response_table=_text([name]))
    return formation.equilibrium_temperature(
        *stations_and_all[:2], tools, conductivity=conductivity, responses={"shoe": table}, **STATED
    )


@pytest.mark.parametrize("kind", ["frame", "one curve", "csv", "file", "dataset", "dimensionless"])
def test_table_of_the_exact_cylinder_gives_the_same_temperature(kind, tmp_path):
    time, value = _record()
    record = (time, value + np.random.default_rng(1).normal(0, 1e-3, value.size))
    frame = _frame(0.9, 1.0, 1.2, 1.4)
    (tmp_path / "shoe.csv").write_text(frame.to_csv(index=False))
    table = {
        "frame": frame, "one curve": _frame(1.1), "csv": frame.to_csv(index=False),
        "file": tmp_path / "shoe.csv", "dimensionless": _dimensionless(1.0, 1.5, 2.0, 3.0),
        "dataset": xr.Dataset(
            {
                "conductivity": ("row", np.full(80, 1.1), {"units": "W/(m K)"}),
                "time": ("row", TIMES / 60.0, {"units": "min"}),
                "fraction": ("row", _fraction(1.1), {"units": "1"}),
            }
        ),
    }[kind]  # fmt: skip
    plain = formation.equilibrium_temperature(
        *_tables([record]), conductivity="1.1 W/(m K)", **STATED
    )
    found = _with_table(record, table)
    assert float(found[NAME][0]) == pytest.approx(float(plain[NAME][0]), abs=1e-3)
    assert found[f"{NAME}_flag"][0] == flags.GOOD
    for variable in (f"{NAME}_u_random", f"{NAME}_u_systematic", "conductivity_sensitivity"):
        assert float(found[variable][0]) == pytest.approx(float(plain[variable][0]), rel=0.05)


def test_tool_that_is_no_cylinder_needs_its_table():
    """A probe that keeps a tenth of its heat longer: its table is right, the cylinder is not."""
    rate = 1.1 / HEAT / RADIUS**2
    alpha = 2 * np.pi * RADIUS**2 * HEAT / OWN

    def cooling(since):
        return 0.9 * independent.decay(rate * since, alpha) + 0.1 * independent.decay(
            0.1 * rate * since, alpha
        )

    time = np.arange(5.0, 900.0, 5.0)
    value = 12.0 + 3.0 * cooling(time) + np.random.default_rng(2).normal(0, 1e-3, time.size)
    table = pd.DataFrame(
        {"conductivity [W/(m K)]": 1.1, "time [s]": TIMES, "fraction": cooling(TIMES)}
    )
    found = _with_table((time, value), table)
    plain = formation.equilibrium_temperature(
        *_tables([(time, value)]), conductivity="1.1 W/(m K)", **STATED
    )
    assert float(found[NAME][0]) == pytest.approx(12.0, abs=0.01)
    assert abs(float(plain[NAME][0]) - 12.0) > 0.03


def test_station_outside_its_table_is_flagged():
    found = _with_table(_record(conductivity=1.6), _frame(0.9, 1.2), "1.6 W/(m K)")
    assert "beyond_method_range" in flags.names(found[f"{NAME}_reason"][0])
    assert found["grade"].values[0] == "fair"
    short = _frame(1.1)
    found = _with_table(_record(), short[short["time [s]"] < 500.0])
    assert "beyond_method_range" in flags.names(found[f"{NAME}_reason"][0])


def test_tool_without_a_name_keeps_the_cylinder_and_a_missing_table_is_refused():
    plain = formation.equilibrium_temperature(
        *_tables([_record()]), conductivity="1.1 W/(m K)", **STATED
    )
    found = _with_table(_record(), _frame(1.1), name="")
    assert float(found[NAME][0]) == float(plain[NAME][0])
    with pytest.raises(
        ValueError, match="has the response table 'other', and responses= holds sho"
    ):
        _with_table(_record(), _frame(1.1), name="other")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.drop(columns="fraction"), "has no fraction"),
        (lambda f: f.drop(columns="conductivity [W/(m K)]"), "has no conductivity"),
        (lambda f: f.head(4), "has 4 rows"),
        (lambda f: pd.concat([f, f.head(1)]), "same time twice"),
        (lambda f: f.assign(fraction=1.0 - f["fraction"]), "must not rise"),
        (lambda f: f.assign(fraction=2.0 * f["fraction"]), "between 0 and 1"),
        (lambda f: f.assign(fraction=np.nan), "has a missing number or a negative time"),
        (lambda f: f.assign(**{"conductivity [W/(m K)]": -1.0}), "must be positive"),
        (lambda f: 3.0, "give a Dataset"),
        (lambda f: f.rename(columns={"time [s]": "time"}), "unit"),
        (lambda f: _dimensionless(1.0).drop(columns="alpha"), "has the column tau and no alpha"),
    ],
)
def test_bad_tables_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        response(change(_frame(1.1)), "shoe")


def test_valley_slope_is_the_sensitivity_and_its_floor_is_flat():
    rng = np.random.default_rng(3)
    records = [_record(), _record(20.0, conductivity=1.3)]
    records = [(t, v + rng.normal(0, 2e-3, v.size)) for t, v in records]
    tables = _tables(records, conductivity=xr.DataArray([1.1, 1.3], dims="row",
                                                        attrs={"units": "W/(m K)"}))  # fmt: skip
    given = "3.3 MJ/(m^3 K)"
    found = formation.valley(*tables, volumetric_heat_capacity=given)
    fit = formation.equilibrium_temperature(*tables, **STATED)
    assert found["temperature"].dims == ("station", "trial")
    assert found["conductivity"].shape == (2, 21)
    np.testing.assert_allclose(found["conductivity"][0, [0, -1]], [0.99, 1.21])
    np.testing.assert_allclose(found["temperature"][:, 10], fit[NAME], atol=1e-6)
    np.testing.assert_allclose(found["time_shift"][:, 10], fit["time_shift"], atol=1e-3)
    np.testing.assert_allclose(
        found["conductivity_sensitivity"], fit["conductivity_sensitivity"], rtol=0.03
    )
    # A tenth of conductivity moves the temperature by more than the noise of a reading and the
    # scatter by less than a third of it.
    assert (np.ptp(found["temperature"].values, axis=1) > 5e-3).all()
    assert (found["residual_deviation_range"] < 2e-3 / 3).all()


def test_valley_of_given_trials_and_of_stations_without_a_fit():
    time, value = _record()
    tables = _tables([(time, value), (time[:4], value[:4])])
    found = formation.valley(
        *tables, conductivity="1.1 W/(m K)", volumetric_heat_capacity="3.3 MJ/(m^3 K)",
        conductivities=units.quantity(np.array([1.2, 1.0, 1.1]), "W/(m K)"),
    )  # fmt: skip
    np.testing.assert_array_equal(found["conductivity"][0], [1.0, 1.1, 1.2])
    assert float(found["temperature"][0, 1]) == pytest.approx(12.0, abs=1e-3)
    assert np.isnan(found["temperature"][1]).all()
    assert np.isnan(found["conductivity_sensitivity"][1])
    with pytest.raises(ValueError, match="all must be positive"):
        formation.valley(
            *tables, conductivity="1.1 W/(m K)",
            conductivities=units.quantity(np.array([0.0, 1.0]), "W/(m K)"),
        )  # fmt: skip
    with pytest.raises(units.UnitError, match="conductivities"):
        formation.valley(*tables, conductivity="1.1 W/(m K)", conductivities=[1.0, 1.1])


def test_late_line_agrees_at_late_time_and_is_never_the_result():
    """At tau above 10 the line is right within its 5 %; early it is off, and only the check is."""
    late, early = _record(duration=20000.0, step=50.0), _record()
    found = formation.equilibrium_temperature(
        *_tables([late, early]), conductivity="1.1 W/(m K)", **STATED
    )
    tau, difference = found["late_time_tau"].values, found["late_time_difference"].values
    assert tau[0] > 10.0 > tau[1]
    assert abs(difference[0]) < 2e-3 < abs(difference[1])
    np.testing.assert_allclose(found[NAME], 12.0, atol=1e-3)


@pytest.mark.parametrize("tau", [10.0, 20.0, 30.0, 50.0])
@pytest.mark.parametrize("alpha", [1.0, 2.0])
def test_late_function_is_within_a_twentieth_from_tau_ten(alpha, tau):
    exact = float(independent.decay(np.array([tau]), alpha)[0])
    first = formation.late_decay_function(alpha, tau)
    second = formation.late_decay_function(alpha, tau, terms=2)
    assert first == pytest.approx(exact, rel=0.055)
    assert abs(second - exact) < abs(first - exact)


def test_late_functions_refuse_what_has_no_meaning():
    with pytest.raises(ValueError, match="terms is 3"):
        formation.late_decay_function(1.0, 10.0, terms=3)
    with pytest.raises(ValueError, match="must be positive"):
        formation.late_decay_function(1.0, 0.0)
    seconds = units.quantity(np.array([0.0, 1.0, 2.0]), "s")
    degrees = units.quantity(np.array([3.0, 2.0, 1.0]), "degC")
    with pytest.raises(ValueError, match="after penetration"):
        formation.late_time_temperature(seconds, degrees)
    with pytest.raises(units.UnitError, match="time"):
        formation.late_time_temperature([1.0, 2.0, 3.0], degrees)
