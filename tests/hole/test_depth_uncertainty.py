"""Uncertainty of depth against the physical process drawn by itself: tide, heave, placement."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from corephys.numerics.line import generalised_line

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

CORES = pd.DataFrame(
    {"core": ["1", "2", "3"], "top [m]": [0.0, 9.5, 19.0], "advance [m]": [9.5, 9.5, 9.5]}
)
# Core 1: 6 m of 9.5; core 2: 10.5 m of 9.5; core 3: 9.6 m with 0.6 m of closed void
SECTIONS = pd.DataFrame(
    [("1", str(i), 1.5) for i in range(4)]
    + [("2", str(i), 1.5) for i in range(7)]
    + [("3", str(i), 1.6) for i in range(6)],
    columns=["core", "section", "length [m]"],
)
REMOVED = pd.DataFrame(
    {
        "core": ["3", "3"], "section": ["1", "3"], "from [cm]": [20.0, 40.0],
        "to [cm]": [50.0, 70.0], "kind": ["closed_void"] * 2,
    }
)  # fmt: skip
TABLES = {"sections": SECTIONS, "cores": CORES, "removed": REMOVED}
STATED = {
    "tide": "1.2 m", "heave": "0.4 m", "drill_string_relative": "0.2 %", "offset": "1 cm",
}  # fmt: skip
AT = (["1", "1", "2", "2", "3", "3"], ["0", "3", "1", "6", "0", "5"], [10.0, 140, 30, 100, 10, 90])


def placed_at(core, section, offset):
    return cp.depth.place(core, section, cp.quantity(np.array(offset, float), "cm"), **TABLES)


def drawn(number, rng):
    """True depths less those as laid out of the readings of AT, by the physical process.

    The ship rides a tide of 1.2 m half range at any phase, and heaves; the string is longer than
    written; the material of a core is one piece anywhere in its advance, or, where more came up,
    was stretched by any share of what it is too long; closed voids were not there.
    """
    core, section, offset = AT
    before = {"1": 1.5, "2": 1.5, "3": 1.6}
    inside = np.array([before[c] * int(s) for c, s in zip(core, section, strict=True)])
    inside = inside + np.array(offset) / 100
    laid = np.array([{"1": 0.0, "2": 9.5, "3": 19.0}[c] for c in core]) + inside
    error = np.empty((number, len(core)))
    ship = 1.2 * np.sin(rng.uniform(0, 2 * np.pi, (number, 3))) + rng.normal(0, 0.4, (number, 3))
    stretch = rng.normal(0, 0.002, number)
    lies = rng.random((number, 3))
    for i, name in enumerate(core):
        row = int(name) - 1
        if name == "1":  # 3.5 m of the advance are empty
            moved = 3.5 * lies[:, row]
        elif name == "2":  # 10.5 m stand for 9.5 m at most: the offset shrinks by up to a share
            moved = -inside[i] * (1 - 9.5 / 10.5) * lies[:, row]
        else:  # 0.6 m of voids above the last reading, 9.0 m of material in 9.5 m
            moved = 0.5 * lies[:, row] - (0.6 if i == 5 else 0.0)
        error[:, i] = moved + ship[:, row] + stretch * laid[i]
    return error + rng.normal(0, 0.01, error.shape)


def test_the_moments_are_those_of_the_process():
    errors = cp.depth.uncertainty(placed_at(*AT), **TABLES, **STATED)
    rng = np.random.default_rng(71)
    found = drawn(400_000, rng)
    second = found.T @ found / len(found)
    np.testing.assert_allclose(cp.depth.covariance(errors).values, second, atol=0.03)
    assert errors["depth_u_total"].values == pytest.approx(np.sqrt(np.diag(second)), rel=0.01)
    # With the correction to the middle nothing is left on average, and the spread is smaller.
    middle = cp.depth.uncertainty(placed_at(*AT), **TABLES, **STATED, recovery_placement="middle")
    assert middle["depth_correction"].values == pytest.approx(found.mean(axis=0), abs=0.02)
    about = np.cov(found, rowvar=False)
    np.testing.assert_allclose(cp.depth.covariance(middle).values, about, atol=0.03)
    assert middle["depth_corrected"].values == pytest.approx(
        placed_at(*AT)["depth"].values + middle["depth_correction"].values
    )


def test_the_parts_by_hand():
    none = {"tide": "0 m", "heave": "0 m", "drill_string": "0 m", "offset": "0 cm"}
    errors = cp.depth.uncertainty(placed_at(*AT), **TABLES, **none)
    gap = np.array([3.5, 3.5])
    assert errors["depth_u_total"].values[:2] == pytest.approx(gap / np.sqrt(3))
    inside = np.array([1.8, 10.0])
    squeeze = inside * (1 - 9.5 / 10.5)
    assert errors["depth_u_total"].values[2:4] == pytest.approx(squeeze / np.sqrt(3))
    middle = cp.depth.uncertainty(placed_at(*AT), **TABLES, **none, recovery_placement="middle")
    assert middle["depth_u_total"].values[:2] == pytest.approx(gap / np.sqrt(12))
    assert middle["depth_correction"].values[:4] == pytest.approx([1.75, 1.75, *(-squeeze / 2)])
    tide = cp.depth.uncertainty(placed_at(*AT), **TABLES, **{**none, "tide": "1.2 m"})
    parts = dict(zip(tide["core_source"].values, tide["depth_core_effects"].values, strict=True))
    assert parts["tide"] == pytest.approx(np.full(6, 1.2 / np.sqrt(2)))
    plain = cp.depth.uncertainty(
        placed_at(*AT), **TABLES, **{**none, "tide": "1.2 m"}, tide_is="standard_uncertainty"
    )
    assert plain["depth_core_effects"].values[0] == pytest.approx(np.full(6, 1.2))
    # On the closed scale the voids above the last reading of core 3 are no error any more.
    closed = cp.depth.uncertainty(placed_at(*AT), **TABLES, **none, depth="depth_closed")
    assert closed["depth_u_total"].values[5] == pytest.approx(0.5 / np.sqrt(3))
    assert closed.attrs["depth_scale"] == "depth_closed"


def test_what_is_not_stated_is_not_known():
    errors = cp.depth.uncertainty(
        placed_at(*AT), **TABLES, tide="1 m", heave="0.3 m", offset="1 cm"
    )
    assert errors.attrs["not_stated"] == "drill_string"
    assert np.isnan(errors["depth_u_total"].values).all()
    assert np.isfinite(errors["depth_u_core"].values).all()
    errors = cp.depth.uncertainty(placed_at(*AT), **TABLES, drill_string="1 m")
    assert errors.attrs["not_stated"] == "heave, offset, tide"
    assert np.isnan(errors["depth_u_core"].values).all()
    assert np.isnan(cp.depth.covariance(errors).values[0, 1])
    cores = CORES.assign(**{"top_uncertainty [m]": [0.5, 0.6, np.nan]})
    stated = cp.depth.uncertainty(
        placed_at(*AT), sections=SECTIONS, cores=cores, drill_string="0 m", offset="0 cm",
        recovery_placement="middle",
    )  # fmt: skip
    top = stated["depth_core_effects"].sel(core_source="core_top").values
    assert top[:4].tolist() == [0.5, 0.5, 0.6, 0.6] and np.isnan(top[4:]).all()
    for name, value in (("tide", 1.0), ("offset", 2.0), ("drill_string", 0.5)):
        with pytest.raises(cp.UnitError, match=name):
            cp.depth.uncertainty(placed_at(*AT), **TABLES, **{name: value})
    with pytest.raises(ValueError, match="'bottom'; expected one of top, middle"):
        cp.depth.uncertainty(placed_at(*AT), **TABLES, recovery_placement="bottom")
    with pytest.raises(ValueError, match="give sections= and cores= of its hole as well"):
        cp.depth.uncertainty(placed_at(*AT), **STATED)


def test_intervals_hold_a_true_depth_as_often_as_they_say():
    """About the middle, one standard uncertainty; heave makes the sum near enough to normal."""
    middle = cp.depth.uncertainty(placed_at(*AT), **TABLES, **STATED, recovery_placement="middle")
    left = drawn(100_000, np.random.default_rng(72)) - middle["depth_correction"].values
    u = middle["depth_u_total"].values
    one, two = (np.mean(np.abs(left) < k * u, axis=0) for k in (1, 2))
    # Tide and placement have flat tops: one u holds less than 68 %, two hold more than 95 %.
    assert (one > 0.57).all() and (one < 0.70).all()
    assert (two > 0.95).all()


# Carried on --------------------------------------------------------------------------------------


def stations(depth):
    return cp.quantity(np.asarray(depth, float), "m")


def lowered(depth, rng):
    """Where stations truly were: every one a lowering of its own, on one string."""
    ship = 1.2 * np.sin(rng.uniform(0, 2 * np.pi, depth.size)) + rng.normal(0, 0.4, depth.size)
    return depth * (1 + rng.normal(0, 0.002)) + ship


def station_errors(depth):
    import xarray as xr

    series = xr.Dataset(coords={"depth": ("reading", depth, {"units": "m"})})
    return cp.depth.uncertainty(series, tide="1.2 m", heave="0.4 m", drill_string_relative="0.2 %")


def test_a_gradient_with_the_covariance_of_depths_holds_the_truth():
    depth = np.array([20.0, 48, 75, 103, 130, 160, 190])
    covariance = cp.depth.covariance(station_errors(depth)).values
    rng = np.random.default_rng(73)
    pulls, naive = [], []
    for _ in range(1500):
        read = 2.0 + 0.05 * lowered(depth, rng) + rng.normal(0, 0.01, depth.size)
        line = generalised_line(depth, read, covariance, np.full(depth.size, 0.01**2))
        pulls.append((line.slope - 0.05) / line.slope_uncertainty)
        line = generalised_line(depth, read, np.zeros(depth.size), np.full(depth.size, 0.01**2))
        naive.append((line.slope - 0.05) / line.slope_uncertainty)
    inside = np.mean(np.abs(pulls) < 1)
    assert 0.65 < inside < 0.72  # 68.27 % +- three of sqrt(0.68 * 0.32 / 1500)
    assert np.mean(np.abs(naive) < 1) < 0.4


def test_heat_flow_takes_the_errors_of_its_stations():
    import xarray as xr

    depth = np.array([20.0, 48, 75, 103, 130, 160, 190])
    errors = station_errors(depth)
    rng = np.random.default_rng(74)
    z = np.arange(2.0, 200, 6.0)
    k = xr.Dataset(
        {
            "thermal_conductivity": ("reading", np.full(z.size, 1.0), {"units": "W/(m K)"}),
            "thermal_conductivity_u_random": ("reading", np.full(z.size, 1e-4)),
        },
        coords={"depth": ("reading", z, {"units": "m"})},
    )
    k["thermal_conductivity"].values[:] += rng.normal(0, 1e-4, z.size)
    held = 0
    number = 100
    for _ in range(number):
        read = 2.0 + 0.05 * lowered(depth, rng) + rng.normal(0, 0.01, depth.size)
        t = xr.Dataset(
            {
                "equilibrium_temperature": ("reading", read, {"units": "degC"}),
                "equilibrium_temperature_u_random": ("reading", np.full(depth.size, 0.01)),
            },
            coords={"depth": ("reading", depth, {"units": "m"})},
        )
        flow = cp.heat_flow.bullard(
            t, cp.heat_flow.thermal_resistance(k, at=t, depth_uncertainty=errors)
        )
        low, high = flow["heat_flow_interval"].values
        held += low < 50.0 < high
    # Student's t and the excess scatter where chi-square is high make the interval a little wide.
    assert 0.58 < held / number < 0.87  # 100 of them: +- three of 4.7 %
    parts = cp.heat_flow.thermal_resistance(k, at=t, depth_uncertainty=errors)
    assert {"drill_string_relative"} <= set(parts["source"].values)
    string = parts["thermal_resistance_effects"].sel(source="drill_string_relative").values
    assert string == pytest.approx(0.002 * depth, rel=1e-3)
    assert parts.attrs["depth_uncertainty"] == "by reading"
    # A constant error of the string moves cores and stations together: what is above the first
    # station, and it alone, grows or shrinks.
    series = xr.Dataset(coords={"depth": ("reading", depth, {"units": "m"})})
    constant = cp.depth.uncertainty(series, tide="0 m", heave="0 m", drill_string="1.5 m")
    k["thermal_conductivity"].values[:] = 0.8 + 0.004 * z  # rises downward
    parts = cp.heat_flow.thermal_resistance(k, at=t, depth_uncertainty=constant)
    top = float(parts["thermal_resistance"][0])
    string = parts["thermal_resistance_effects"].sel(source="drill_string").values
    assert string == pytest.approx(np.full(7, 1.5 * top / depth[0]))
    moved = errors.assign_coords(depth=("reading", depth + 1.0))
    with pytest.raises(cp.PositionError):
        cp.heat_flow.thermal_resistance(k, at=t, depth_uncertainty=moved)


def test_a_compaction_fit_carries_the_errors_that_cores_share():
    """Twenty cores, each off by its tide, heave and recovery: the e-folding depth and its error."""
    import xarray as xr

    top = np.arange(20) * 9.5
    cores = pd.DataFrame({"core": [str(i) for i in range(20)], "top [m]": top, "advance [m]": 9.5})
    sections = pd.DataFrame(
        [(c, str(s), 1.5) for c in cores["core"] for s in range(4)],
        columns=["core", "section", "length [m]"],
    )
    core = np.repeat(cores["core"], 4).to_numpy(object)
    placed = cp.depth.place(
        core, np.tile(["0", "1", "2", "3"], 20), cp.quantity(np.full(80, 70.0), "cm"),
        sections=sections, cores=cores,
    )  # fmt: skip
    errors = cp.depth.uncertainty(
        placed, sections=sections, cores=cores, tide="6 m", heave="2 m", drill_string="0 m",
        offset="0 cm", recovery_placement="middle",
    )  # fmt: skip
    laid = errors["depth_corrected"].values
    at = errors.assign_coords(depth=("reading", laid, {"units": "m"}))
    rng = np.random.default_rng(75)
    pulls, blind = [], []
    number = np.repeat(np.arange(20), 4)
    for _ in range(120):
        ship = 6 * np.sin(rng.uniform(0, 2 * np.pi, 20)) + rng.normal(0, 2, 20)
        true = laid + (ship + 3.5 * (rng.random(20) - 0.5))[number]
        read = 0.7 * np.exp(-true / 300) + rng.normal(0, 0.002, 80)
        porosity = xr.Dataset(
            {
                "porosity": ("reading", read, {"units": "1"}),
                "porosity_u_random": ("reading", np.full(80, 0.002), {"units": "1"}),
            },
            coords=at.coords,
        )
        with_depth = cp.depth.carry(
            porosity, at, quantity="porosity",
            gradient=cp.quantity(-0.7 / 300 * np.exp(-laid / 300), "1/m"),
        )  # fmt: skip
        fit = cp.compaction.fit(
            with_depth, model="exponential", absolute_sigma=True, excess_scatter=False
        ).dataset
        off, u = float(fit["decay_length"]) - 300, float(fit["decay_length_u_random"])
        pulls.append(off / np.hypot(u, float(fit["decay_length_u_systematic"])))
        blind.append(off / u)
    pulls, blind = np.array(pulls), np.array(blind)
    # 68.3 % +- 3 * 4.2 %; the cores' errors are no normal ones, but twenty of them add up.
    assert 0.56 < np.mean(np.abs(pulls) < 1) < 0.81
    assert np.mean(np.abs(blind) < 1) < 0.4
    assert {"depth_tide_core_3", "depth_recovery_core_0"} <= set(fit["source"].values)


def test_shifts_are_held_against_what_depths_let_one_expect():
    """Two holes of cores that rode tide and heave; ties know the beds, and one tie is wrong."""
    cores = pd.DataFrame(
        {"core": [str(i) for i in range(8)], "top [m]": np.arange(8) * 9.5, "advance [m]": 9.5}
    )
    sections = pd.DataFrame(
        [(c, str(s), 1.5) for c in cores["core"] for s in range(6)],
        columns=["core", "section", "length [m]"],
    )
    rng = np.random.default_rng(76)
    error = {
        h: 1.2 * np.sin(rng.uniform(0, 6.3, 8)) + rng.normal(0, 0.4, 8) + rng.uniform(0, 0.5, 8)
        for h in "AB"
    }
    error["B"][5] += 12.0  # a wrong tie, or a wrong pipe tally
    placed = cp.depth.place(
        cores["core"].to_numpy(object), ["3"] * 8, cp.quantity(np.full(8, 50.0), "cm"),
        sections=sections, cores=cores,
    )  # fmt: skip
    errors = cp.depth.uncertainty(
        placed, sections=sections, cores=cores, tide="1.2 m", heave="0.4 m",
        drill_string_relative="0 %", offset="3 cm", recovery_placement="middle",
    )  # fmt: skip
    z = placed["depth"].values
    rows = []
    for i in range(8):
        for hole, other, step in (("B", "A", 0), ("A", "B", 1)):
            if i + step < 8:  # beds run through: true depths are the same
                rows.append({
                    "tie": str(len(rows)), "hole": hole, "core": str(i), "depth [m]": z[i],
                    "to_hole": other, "to_core": str(i + step), "state": "accepted",
                    "to_depth [m]": z[i] + error[hole][i] - error[other][i + step],
                    "uncertainty [m]": 0.04,
                })  # fmt: skip
    tables = dict.fromkeys("AB", cores)
    both = dict.fromkeys("AB", errors)
    found = cp.composite.shifts(pd.DataFrame(rows), tables, reference="A", depth_uncertainty=both)
    shift = found["shift"].values.reshape(2, 8)
    assert shift[1] - shift[1, 0] == pytest.approx(error["B"] - error["B"][0])
    one = np.sqrt(1.2**2 / 2 + 0.4**2 + 0.5**2 / 12)
    u = found["shift_expected"].values
    assert np.isnan(u[0]) and u[1:] == pytest.approx(np.sqrt(2) * one)
    over = found["shift_over_expected"].values
    assert np.flatnonzero(over > 3).tolist() == [8 + 5]
    assert "core 5 of hole B" in found.attrs["notes"] and found.attrs["notes"].count("core") == 1
    # A tie's own uncertainty and both offsets in quadrature; a chain of ties adds up.
    each = np.sqrt(0.04**2 + 2 * 0.03**2)
    assert found["shift_u_random"].values[8] == pytest.approx(each)
    assert found["shift_u_random"].values[1] == pytest.approx(np.sqrt(2) * each)
    blind = cp.composite.shifts(pd.DataFrame(rows), tables, reference="A")
    assert blind["shift_u_random"].values[8] == pytest.approx(0.04)
    assert "shift_expected" not in blind
    at = cp.composite.place(
        placed.set_coords("depth"), hole="B", shifts=found, depth_uncertainty=errors
    )
    assert at["depth_composite_u_random"].values == pytest.approx(
        np.hypot(found["shift_u_random"].values[8:], 0.03)
    )
    with pytest.raises(cp.PositionError, match="no depth_uncertainty for hole 'B'"):
        cp.composite.shifts(
            pd.DataFrame(rows), tables, reference="A", depth_uncertainty={"A": errors}
        )


# In a reduction ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hole():
    return cp.read_hole(Path(__file__).parents[2] / "data_demo" / "hole")


@pytest.fixture(scope="module")
def stated(hole):
    return cp.reduce(hole, {"depth": {**STATED, "recovery_placement": "middle"}})


@pytest.mark.slow
def test_a_reduction_says_how_well_depths_are_known(hole, stated, tmp_path):
    density = stated["properties/density"].to_dataset()
    tables = {n: hole[n].to_dataset() for n in ("sections", "cores", "removed")}
    expected = cp.depth.uncertainty(density, **tables, **STATED, recovery_placement="middle")
    for part in ("random", "core", "systematic", "total"):
        name = f"depth_u_{part}"
        assert np.isfinite(density[name].values).all()
        np.testing.assert_array_equal(density[name].values, expected[name].values)
    np.testing.assert_array_equal(density["depth_correction"], expected["depth_correction"])
    assert density["depth_u_random"].values == pytest.approx(0.01)
    assert "depth_u_total" in stated["properties/thermal_conductivity"]
    cp.save(stated, tmp_path / "reduced.nc")
    again = cp.load(tmp_path / "reduced.nc")
    recipe = cp.Recipe.from_json(again.attrs["recipe"])
    assert recipe["depth"]["tide"] == "1.2 m"


def test_heat_flow_of_a_reduction_takes_tide_heave_and_string(hole, stated):
    flow = stated["products/heat_flow"].to_dataset()
    assert flow.attrs["depth_uncertainty"] == "by reading"
    assert "drill_string_relative" in flow["source"].values
    # A string that is 0.2 % longer than written stretches depths and takes 0.2 % off the gradient.
    string = float(flow["heat_flow_effects"].sel(source="drill_string_relative"))
    assert string == pytest.approx(-0.002 * float(flow["heat_flow"]), rel=1e-3)
    first = {"depth": {"tide": "1.2 m"}, "heat_flow": {"depth_uncertainty": "0.7 m"}}
    given = cp.reduce(hole, first)
    assert given["products/heat_flow"].attrs["depth_uncertainty"] == "0.7 m"
    summary = json.loads(given.attrs["summary"])
    assert any("[depth] drill_string, heave, offset not given" in n for n in summary["notes"])
    assert np.isnan(given["properties/density"]["depth_u_total"].values).all()
