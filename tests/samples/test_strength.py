"""Undrained strength: each method by hand, bad input, whole tables of simulated mud."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.samples import strength as lab
from data_demo.simulator import strength as simulator
from data_demo.simulator.ground import make_ground
from data_demo.simulator.layout import build

NAME = "undrained_shear_strength"
BLADES = {"diameter": "12.7 mm", "height": "12.7 mm"}
STATED = {
    "vane": {
        "torque_uncertainty": f"{simulator.TORQUE_NOISE} N m",
        "torque_scale_uncertainty": simulator.SPRING_UNCERTAINTY,
        "diameter_uncertainty": f"{simulator.VANE_UNCERTAINTY} mm",
        "height_uncertainty": f"{simulator.VANE_UNCERTAINTY} mm",
    },
    "fall_cone": {
        "factor": simulator.CONE_FACTOR,
        "factor_uncertainty": simulator.CONE_FACTOR_UNCERTAINTY,
        "penetration_uncertainty": f"{simulator.CONE_NOISE} mm",
    },
    "penetrometer": {
        "load_uncertainty": f"{simulator.FOOT_NOISE} N",
        "scale_uncertainty": simulator.FOOT_SPRING_UNCERTAINTY,
    },
    "unconfined": {
        "load_uncertainty": f"{simulator.LOAD_NOISE} N",
        "load_scale_uncertainty": simulator.LOAD_CELL_UNCERTAINTY,
        "diameter_uncertainty": f"{simulator.SPECIMEN_NOISE} mm",
    },
}


def _series(values, unit):
    return xr.DataArray(np.atleast_1d(np.asarray(values, float)), dims="reading",
                        attrs={"units": unit})  # fmt: skip


def _read(frame):
    """A simulated table as a Dataset along its readings."""
    table = xr.Dataset()
    for header in frame.columns:
        name, unit = units.split_header(header)
        table[name] = ("reading", frame[header].to_numpy(), {"units": unit} if unit else {})
    return table.set_coords([c for c in series.POSITION if c in table])


def _table(method=("vane", "vane"), state=("peak", "remoulded"), offset=None, **columns):
    size = len(method)
    one = np.full(size, "1", dtype=object)
    cells = {"torque": ("N m", np.linspace(0.05, 0.01, size)), "diameter": ("mm", 12.7),
             "height": ("mm", 12.7), **columns}  # fmt: skip
    table = xr.Dataset(
        {
            name: _series(np.broadcast_to(values, size), unit)
            for name, (unit, values) in cells.items()
        }
    )
    table["method"] = ("reading", np.array(method, dtype=object))
    table["state"] = ("reading", np.array(state, dtype=object))
    where = np.full(size, 10.0) if offset is None else np.asarray(offset, float)
    return table.assign_coords(
        core=("reading", one), section=("reading", one), offset=("reading", where, {"units": "cm"})
    )


def _names(found, name=NAME):
    return [flags.names(mask) for mask in np.atleast_1d(found[f"{name}_reason"].values)]


@pytest.fixture(scope="module")
def world():
    """One ground and two cores of six metres in it."""
    rng = np.random.default_rng(6)
    ground = make_ground(rng, [0.0, 60.0, 120.0], layer_scatter=0.01, salinity=35.0,
                         laboratory_temperature=20.0)  # fmt: skip
    plans = [
        {"core": core, "coring_method": "piston", "top": top, "advance": 9.5, "recovered": 6.0,
         "annulus": "none", "time_on_deck": 0.0}
        for core, top in (("1", 12.0), ("2", 45.0))
    ]  # fmt: skip
    layout = build(rng, plans, [])
    rows = np.repeat(np.arange(len(layout.sections)), 2)
    where = pd.DataFrame({"row": rows, "offset": np.tile([40.0, 110.0], len(rows) // 2)})
    return ground, layout, where


# Vane --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("d", "h"), [(12.7, 12.7), (12.7, 25.4), (20.0, 8.8)])
def test_torque_summed_over_rings_is_the_vane_constant_times_strength(d, h):
    """The simulator sums thin rings; the reduction has the closed form."""
    summed = simulator.vane_torque(25.0, d, h)
    assert summed == pytest.approx(25e3 * lab.vane_constant.kernel(d, h), rel=2e-6)


def test_the_bare_top_takes_the_moment_of_one_disc():
    """One disc: pi D^3 / 12."""
    both = lab.vane_constant("20 mm", "30 mm")
    one = lab.vane_constant("20 mm", "30 mm", ends=1)
    assert (both - one).to("m^3").magnitude == pytest.approx(np.pi * 0.02**3 / 12, rel=1e-12)


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({"diameter": "0 mm"}, ValueError, "diameter is 0 mm; it has to be above zero"),
        ({"height": "-3 mm"}, ValueError, "height is -3 mm; it has to be above zero"),
        ({"height": 12.7}, units.UnitError, "expected a quantity in mm"),
        ({"ends": 3}, ValueError, "ends is 3; it must be 2 for a buried vane"),
    ],
)
def test_a_vane_that_cannot_be_is_refused(given, error, words):
    with pytest.raises(error, match=words):
        lab.vane_constant(**{**BLADES, **given})
    with pytest.raises(error, match=words):
        lab.vane("0.01 N m", **{**BLADES, **given})


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"torque": "-0.01 N m"}, "torque is -0.01 N m; it has to be zero or more"),
        ({}, "neither torque nor rotation is given"),
        ({"rotation": "20 degree"}, "rotation needs spring"),
        ({"rotation": "20 degree", "torque": "0.01 N m", "spring": "1 N m/degree"},
         "and excludes torque"),
    ],
)  # fmt: skip
def test_a_torque_that_cannot_be_is_refused(given, words):
    with pytest.raises(ValueError, match=words):
        lab.vane(**given, **BLADES)


def test_bad_readings_of_a_vane_are_flagged_and_stay_in_their_rows():
    found = lab.vane(
        _series([0.02, -0.01, np.nan, 0.02, 1.0], "N m"), height="12.7 mm",
        diameter=_series([12.7, 12.7, 12.7, 0.0, 12.7], "mm"), reason=flags.bit("crack"),
    )  # fmt: skip
    good, negative, missing, flat, strong = _names(found)
    assert good == ["crack"]
    assert "impossible_value" in negative and found[NAME].values[1] < 0.0
    assert missing == ["missing_value", "crack"]
    assert "impossible_value" in flat and np.isnan(found[NAME].values[3])
    assert "beyond_method_range" in strong
    assert list(found[f"{NAME}_flag"].values[[0, 1, 2, 4]]) == [3, 4, 9, 3]
    assert np.isnan(found[f"{NAME}_u_random"].values).all()


def test_effects_of_a_vane_are_those_of_a_finite_change():
    given = {"diameter_uncertainty": "0.02 mm", "height_uncertainty": "0 mm",
             "torque_scale_uncertainty": 0.01, "torque_uncertainty": "0.0001 N m"}  # fmt: skip
    base = lab.vane("0.02 N m", **BLADES, **given)
    wider = lab.vane("0.02 N m", diameter="12.72 mm", height="12.7 mm")[NAME].item()
    more = lab.vane("0.0202 N m", **BLADES)[NAME].item()
    effects = base[f"{NAME}_effects"]
    change = wider - base[NAME].item()
    assert effects.sel(source="vane_constant").item() == pytest.approx(change, rel=5e-3)
    assert effects.sel(source="spring").item() == pytest.approx(more - base[NAME].item(), rel=1e-9)
    assert base[f"{NAME}_u_random"].item() == pytest.approx(base[NAME].item() * 0.005, rel=1e-9)


def test_a_spring_is_found_and_its_errors_are_propagated():
    rng = np.random.default_rng(8)
    turned = np.array([10.0, 20.0, 40.0, 60.0, 90.0])
    exact = lab.calibrate_spring(_series(turned, "degree"), _series(5e-4 + 1.2e-3 * turned, "N m"))
    assert (exact.constant, exact.zero) == pytest.approx((1.2e-3, 5e-4), abs=1e-12)
    strengths, stated = [], []
    for _ in range(500):
        torque = 5e-4 + 1.2e-3 * turned + rng.normal(0, 4e-4, turned.size)
        spring = lab.calibrate_spring(_series(turned, "degree"), _series(torque, "N m"),
                                      torque_uncertainty="0.0004 N m")  # fmt: skip
        found = lab.vane(
            rotation="50 degree", spring=spring, diameter_uncertainty="0 mm",
            height_uncertainty="0 mm", rotation_uncertainty="0 degree", **BLADES,
        )  # fmt: skip
        strengths.append(found[NAME].item())
        stated.append(found[f"{NAME}_u_systematic"].item())
    assert np.std(strengths) == pytest.approx(np.mean(stated), rel=0.08)
    with pytest.raises(ValueError, match="2 standards at 2 rotations do not fix"):
        lab.calibrate_spring(_series([1, 2], "degree"), _series([1, 2], "N m"))


# Fall cone ---------------------------------------------------------------------------------------


def test_the_published_spread_of_the_factor_is_in_the_effect():
    """0.5 to 1.33 as a rectangle: 0.83 / sqrt(12) = 0.24 of 0.80."""
    found = lab.fall_cone("10 mm", "100 g", "30 degree")
    share = found[f"{NAME}_u_systematic"].item() / found[NAME].item()
    assert share == pytest.approx(0.83 / np.sqrt(12) / 0.80, abs=0.001)
    own = lab.fall_cone("10 mm", "100 g", "30 degree", factor=0.9)
    assert np.isnan(own[f"{NAME}_u_systematic"].item())


def test_a_cone_outside_its_range_is_flagged_and_its_depth_counts_twice():
    found = lab.fall_cone(_series([3.9, 4.0, 20.0, 20.1, 0.0], "mm"), "100 g", "30 degree",
                          penetration_uncertainty="0.1 mm")  # fmt: skip
    names = _names(found)
    assert ["beyond_method_range" in n for n in names] == [True, False, False, True, True]
    assert "impossible_value" in names[4] and np.isnan(found[NAME].values[4])
    share = found[f"{NAME}_u_random"].values[1] / found[NAME].values[1]
    assert share == pytest.approx(2 * 0.1 / 4.0, rel=1e-9)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"penetration": "10 mm", "cone_mass": "100 g"}, "neither cone_angle nor factor is given"),
        ({"penetration": "10 mm", "cone_mass": "100 g", "cone_angle": "45 degree"},
         "no cone factor is known for 45 degree"),
        ({"penetration": "0 mm", "cone_mass": "100 g", "cone_angle": "30 degree"},
         "penetration is 0 mm; it has to be above zero"),
        ({"penetration": "5 mm", "cone_mass": "-1 g", "cone_angle": "30 degree"},
         "cone_mass is -1 g; it has to be above zero"),
    ],
)  # fmt: skip
def test_a_cone_that_cannot_be_is_refused(given, words):
    with pytest.raises(ValueError, match=words):
        lab.fall_cone(**given)


# Compression -------------------------------------------------------------------------------------


def test_the_penetrometer_ends_at_its_scale():
    found = lab.penetrometer(_series([100.0, 440.0], "kPa"), scale_uncertainty=0.05)
    assert _names(found) == [[], ["beyond_method_range"]]
    assert found[f"{NAME}_effects"].sel(source="penetrometer_spring").values[0] == 2.5
    by_load = lab.penetrometer(axial_load="10 N", diameter="6.4 mm", load_uncertainty="1 N")
    assert by_load[f"{NAME}_u_random"].item() == pytest.approx(0.1 * by_load[NAME].item())
    with pytest.raises(ValueError, match="give either reading"):
        lab.penetrometer("40 kPa", axial_load="10 N", diameter="6 mm")
    with pytest.raises(ValueError, match="diameter is 0 mm"):
        lab.penetrometer(axial_load="10 N", diameter="0 mm")


def test_what_an_unconfined_test_cannot_say_is_flagged():
    """Past 15 % of strain; a squat sample; one that grew; one without height."""
    found = lab.unconfined(
        _series([40] * 5, "N"), _series([8, 13, 8, -1, 8], "mm"), diameter="36 mm",
        height=_series([80, 80, 60, 80, 0], "mm"),
    )  # fmt: skip
    names = _names(found)
    assert names[0] == []
    assert names[1] == names[2] == ["beyond_method_range"]
    assert "impossible_value" in names[3] and "impossible_value" in names[4]


def _curve(strain, stress, height=80.0, diameter=36.0):
    load = stress * 1e-3 * np.pi * diameter**2 / 4 / (1 - strain)
    return _series(load, "N"), _series(strain * height, "mm")


def test_the_peak_of_a_curve_is_of_stress_and_up_to_15_percent():
    """A parabola of stress with its top at 8 % and 30 kPa; the load is greatest later."""
    strain = np.linspace(0.0, 0.2, 201)
    load, short = _curve(strain, 30.0 * (1 - ((strain - 0.08) / 0.3) ** 2))
    found = lab.unconfined_peak(load, short, diameter="36 mm", height="80 mm")
    assert found[NAME].item() == pytest.approx(15.0, abs=1e-9)
    assert found.attrs["peak"] == "reached"
    assert found.attrs["peak_strain"] == pytest.approx(0.08, abs=1e-9)


def test_a_curve_that_still_rises_says_so():
    strain = np.array([0.0, 0.04, 0.08, 0.14, 0.16, 0.2])
    load, short = _curve(strain, 100.0 * strain)
    ended = lab.unconfined_peak(load[:3], short[:3], diameter="36 mm", height="80 mm")
    assert ended.attrs["peak"] == "not reached" and "lower bound" in ended.attrs["bound"]
    assert _names(ended) == [["beyond_method_range"]]
    whole = lab.unconfined_peak(load, short, diameter="36 mm", height="80 mm")
    assert whole.attrs["peak"] == "at the strain limit" and "bound" not in whole.attrs
    assert whole[NAME].item() == pytest.approx(7.5, abs=0.01)
    with pytest.raises(ValueError, match=r"2 points, 2 of them up to a strain of 0\.15, show no"):
        lab.unconfined_peak(load[:2], short[:2], diameter="36 mm", height="80 mm")
    with pytest.raises(ValueError, match="axial_load has 6 points and shortening 5"):
        lab.unconfined_peak(load, short[:5], diameter="36 mm", height="80 mm")


# Table -------------------------------------------------------------------------------------------


def test_every_row_goes_to_its_method_and_stays_in_its_place():
    table = _table(
        ("fall_cone", "vane", "unconfined", "penetrometer", "vane"),
        ("peak", "peak", "peak", "peak", "remoulded"),
        torque=("N m", [np.nan, 0.05, np.nan, np.nan, 0.01]),
        diameter=("mm", [np.nan, 12.7, 36.0, 6.4, 12.7]),
        height=("mm", [np.nan, 12.7, 80.0, np.nan, 12.7]),
        cone_angle=("degree", [30.0] + [np.nan] * 4), cone_mass=("g", [100.0] + [np.nan] * 4),
        penetration=("mm", [8.0] + [np.nan] * 4), shortening=("mm", [np.nan, np.nan, 8.0, 1, 1]),
        axial_load=("N", [np.nan, np.nan, 40.0, 2.0, np.nan]),
    )  # fmt: skip
    table["reason"] = ("reading", np.array([0, 0, 0, 0, flags.bit("crack")]))
    found = lab.undrained_shear_strength(table, **STATED | {"fall_cone": {}})
    alone = [
        lab.fall_cone("8 mm", "100 g", "30 degree"), lab.vane("0.05 N m", **BLADES),
        lab.unconfined("40 N", "8 mm", diameter="36 mm", height="80 mm"),
        lab.penetrometer(axial_load="2 N", diameter="6.4 mm"), lab.vane("0.01 N m", **BLADES),
    ]  # fmt: skip
    assert found[NAME].values == pytest.approx([a[NAME].item() for a in alone], rel=1e-12)
    assert list(found["method"].values) == list(table["method"].values)
    assert list(found["state"].values) == list(table["state"].values)
    assert _names(found)[4] == ["crack"]
    effects = found[f"{NAME}_effects"]
    assert effects.sel(source="cone_factor").values[1:] == pytest.approx(np.zeros(4))
    assert effects.sel(source="vane_constant").values[0] == 0.0
    assert "not for well control" in found.attrs["safety"]


def test_a_single_row_with_an_empty_cell_is_flagged_not_refused():
    found = lab.undrained_shear_strength(_table(("vane",), ("peak",), torque=("N m", np.nan)))
    assert _names(found) == [["missing_value"]]
    turned = _table(rotation=("degree", [40.0, 8.0])).drop_vars("torque")
    spun = lab.undrained_shear_strength(turned, vane={"spring": "0.0012 N m/degree"})
    assert spun[NAME].values[0] == pytest.approx(5 * spun[NAME].values[1])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.drop_vars("torque"),
         r"has 2 rows of the method 'vane' and no column 'torque' \[N m\]"),
        (lambda t: t.assign(method=("reading", ["fall_cone", "vane"])),
         r"has 1 rows of the method 'fall_cone' and no column 'penetration' \[mm\]"),
        (lambda t: t.assign(method=("reading", ["vane", "thumb"])), "method is 'thumb' in 1 rows"),
        (lambda t: t.assign(state=("reading", ["soft", "soft"])),
         "state is 'soft' in 2 rows, first in reading 0"),
        (lambda t: t.drop_vars("state"), "has 2 rows and no column 'state'"),
        (lambda t: t.assign(torque=t["torque"].drop_attrs()), "no 'units' attribute"),
    ],
)  # fmt: skip
def test_a_wrong_table_is_refused(change, words):
    with pytest.raises(ValueError, match=words):
        lab.undrained_shear_strength(change(_table()))


def test_options_of_no_method_are_refused():
    with pytest.raises(ValueError, match="options are given for 'thumb'"):
        lab.undrained_shear_strength(_table(), thumb={})
    with pytest.raises(TypeError, match="colour"):
        lab.undrained_shear_strength(_table(), vane={"colour": "red"})


# Ratios ------------------------------------------------------------------------------------------


def test_what_the_vane_does_to_both_cancels_in_the_sensitivity():
    found = lab.undrained_shear_strength(_table(), vane=STATED["vane"])
    ratio = lab.sensitivity(found)
    assert ratio["sensitivity"].item() == pytest.approx(5.0, rel=1e-12)
    assert ratio["sensitivity_u_systematic"].item() == pytest.approx(0.0, abs=1e-12)
    torque = simulator.TORQUE_NOISE * np.hypot(1 / 0.01, 0.05 / 0.01**2)
    assert ratio["sensitivity_u_random"].item() == pytest.approx(torque, rel=1e-9)


def test_only_one_method_at_one_place_makes_a_pair():
    """A remoulded value 5 cm away, a peak of another method, a residual without remoulding."""
    table = _table(
        ("vane", "vane", "vane", "vane", "penetrometer"),
        ("peak", "residual", "remoulded", "peak", "peak"), (10, 10, 10, 15, 10),
        torque=("N m", [0.05, 0.03, 0.01, 0.04, np.nan]), axial_load=("N", 2.0),
    )  # fmt: skip
    ratio = lab.sensitivity(lab.undrained_shear_strength(table))
    assert ratio["sensitivity"].values == pytest.approx([5.0])
    assert ratio["residual_ratio"].values == pytest.approx([0.6])
    counts = {k: ratio.attrs[k] for k in ("pairs", "unpaired_places", "unpaired_readings")}
    assert counts == {"pairs": 1, "unpaired_places": 2, "unpaired_readings": 2}
    assert "not for well control" in ratio.attrs["safety"]
    only = lab.undrained_shear_strength(table.isel(reading=[0, 1]))
    left = lab.sensitivity(only)
    assert left.attrs["pairs"] == 0 and _names(left, "sensitivity") == [["missing_value"]]
    none = lab.sensitivity(lab.undrained_shear_strength(table.isel(reading=[3, 4])))
    assert none.sizes["reading"] == 0
    with pytest.raises(ValueError, match="no coordinate 'state'"):
        lab.sensitivity(only.drop_vars("state"))


def test_strength_over_stress_carries_the_errors_of_both():
    found = lab.strength_ratio(
        _series([20.0, 20.0, np.nan], "kPa"), _series([80.0, 0.0, 50.0], "kPa"),
        strength_uncertainty="2 kPa", vertical_effective_stress_uncertainty="4 kPa",
    )  # fmt: skip
    assert found["strength_ratio"].values[0] == 0.25
    share = np.hypot(2 / 20, 4 / 80)
    assert found["strength_ratio_u_random"].values[0] == pytest.approx(0.25 * share, rel=1e-9)
    assert "impossible_value" in _names(found, "strength_ratio")[1]
    assert "0.2 to 0.3" in found.attrs["usual"] and "relative profile" in found.attrs["use"]
    assert "not for well control" in found.attrs["safety"]
    bad = lab.vane(_series([0.01, -0.01], "N m"), **BLADES)
    carried = lab.strength_ratio(bad, "50 kPa")
    assert "input_bad" in _names(carried, "strength_ratio")[1]
    with pytest.raises(series.PositionError, match="2 values along reading"):
        lab.strength_ratio(bad, _series([1.0], "kPa"))


def test_expected_ratio_moves_as_its_constants_do():
    base = lab.expected_strength_ratio(4.0)
    effects = base["strength_ratio_effects"]
    for keyword, value, source in (
        ("normally_consolidated", 0.25, "normally_consolidated_strength_ratio"),
        ("exponent", 0.9, "overconsolidation_strength_exponent"),
    ):
        moved = lab.expected_strength_ratio(4.0, **{keyword: value})["strength_ratio"].item()
        change = moved - base["strength_ratio"].item()
        assert effects.sel(source=source).item() == pytest.approx(change, rel=0.08)
    with pytest.raises(ValueError, match="no value above zero"):
        lab.expected_strength_ratio(0.0)


# Whole benches -----------------------------------------------------------------------------------


@pytest.mark.slow
def test_intervals_of_simulated_benches_hold_the_truth_as_often_as_they_say(world):
    """One reading a bench of each method, 400 benches: 68 +- 8 % is 3.4 binomial deviations."""
    ground, layout, positions = world
    frames, truths = [], []
    for seed in range(400):
        rng = np.random.default_rng(20_000 + seed)
        here = positions.iloc[[seed % len(positions)]]
        pair = simulator.measure(rng, simulator.draw_bench(rng), ground, layout, here)
        frames.append(pair[0].assign(core=f"{seed:03d}"))  # benches are never paired
        truths.append(pair[1].assign(core=f"{seed:03d}"))
    truth = pd.concat(truths, ignore_index=True)
    found = lab.undrained_shear_strength(_read(pd.concat(frames)), **STATED)
    assert found.sizes["reading"] == len(truth)
    u = np.hypot(found[f"{NAME}_u_random"].values, found[f"{NAME}_u_systematic"].values)
    hit = np.abs(found[NAME].values - truth[f"{NAME} [kPa]"].to_numpy()) <= u
    for method, state in (("vane", "peak"), ("vane", "remoulded"), ("fall_cone", "peak"),
                          ("penetrometer", "peak"), ("unconfined", "peak")):  # fmt: skip
        rows = ((truth["method"] == method) & (truth["state"] == state)).to_numpy()
        assert rows.sum() == 400 and 0.60 < hit[rows].mean() < 0.76, (
            method,
            state,
            hit[rows].mean(),
        )
    ratio = lab.sensitivity(found)
    expected = truth[(truth["method"] == "vane") & (truth["state"] == "peak")]["sensitivity"]
    total = np.hypot(ratio["sensitivity_u_random"], ratio["sensitivity_u_systematic"]).values
    held = np.abs(ratio["sensitivity"].values - expected.to_numpy()) <= total
    assert held.size == 400 and 0.60 < held.mean() < 0.76, held.mean()


def test_simulated_mud_lies_near_its_ratio(world):
    ground, layout, positions = world
    rng = np.random.default_rng(1)
    frame, truth = simulator.measure(rng, simulator.draw_bench(rng), ground, layout, positions)
    found = lab.undrained_shear_strength(_read(frame), **STATED)
    stress = _series(truth["vertical_effective_stress [kPa]"], "kPa").assign_coords(
        {c: found[c].variable for c in ("core", "section", "offset")}
    )
    ratio = lab.strength_ratio(found, stress)["strength_ratio"]
    peak = ratio.values[(found["state"] == "peak").values & (found["method"] == "vane").values]
    assert np.median(peak) == pytest.approx(simulator.RATIO, rel=0.1)
