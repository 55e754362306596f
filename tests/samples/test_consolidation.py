"""Consolidation: curves from a creep law, Terzaghi's series, published data, and bad input."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import flags, units
from corephys.numerics.yield_point import joined_lines, natural_cubic
from corephys.samples import consolidation
from corephys.samples.consolidation.rates import logarithm_of_time, root_of_time
from data_demo.simulator import consolidation as simulated
from tests.adapters.consolidation import table as one_test

UNITS = {"stress": "kPa", "void_ratio": "1", "height": "mm", "time": "s"}


def _table(**columns):
    rows = {}
    for name, values in columns.items():
        array = np.asarray(values, dtype=object if name == "test" else float)
        rows[name] = ("row", array, {"units": UNITS[name]} if name in UNITS else {})
    return xr.Dataset(rows)


def _many(curves):
    """The long table of several tests of (stress, void ratio)."""
    return _table(
        test=np.concatenate([np.full(s.size, f"T{i:03d}") for i, (s, _) in enumerate(curves)]),
        step=np.concatenate([np.arange(1, s.size + 1) for s, _ in curves]),
        stress=np.concatenate([s for s, _ in curves]),
        void_ratio=np.concatenate([e for _, e in curves]),
    )


def _has(reason, word):
    return np.asarray(reason) & flags.bit(word) != 0


def _draw(rng, kind):
    """Stress, void ratio, yield stress and compression index of a test with doubled stresses."""
    cc = rng.uniform(0.2, 1.2)
    cr, creep = cc * rng.uniform(0.08, 0.2), cc * rng.uniform(0.02, 0.06)
    first, number = rng.uniform(8.0, 25.0), rng.integers(8, 11)
    stress = first * 2.0 ** np.arange(number)
    sigma = first * 2.0 ** rng.uniform(2.5, number - 3.5)
    e0 = rng.uniform(0.9, 2.0) + cc
    if kind == "rounded":
        x = np.log10(stress / sigma)
        e = e0 - cr * np.log10(stress / first) - (cc - cr) * 0.08 * np.logaddexp(0.0, x / 0.08)
    else:
        e = simulated.settled(stress, e0, sigma, cc, cr, creep)
        if kind == "collapsing":
            e = e - 0.15 * cc * (1.0 - np.exp(-np.maximum(np.log10(stress / sigma), 0.0) / 0.15))
    return (stress, e + rng.normal(0.0, 0.002, number)), sigma, cc


@pytest.fixture(scope="module")
def drawn():
    """Yield stresses and indices of simulated tests with their truth, by kind of curve."""
    found = {}
    for kind, seed, number in (("creep", 1, 110), ("rounded", 2, 60), ("collapsing", 3, 60)):
        rng = np.random.default_rng(seed)
        tests = [_draw(rng, kind) for _ in range(number)]
        curve = consolidation.curve(_many([t[0] for t in tests]), void_ratio_uncertainty="0.002 1")
        found[kind] = (
            consolidation.yield_stress(curve), consolidation.indices(curve),
            np.array([t[1] for t in tests]), np.array([t[2] for t in tests]),
        )  # fmt: skip
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "bias", "scatter", "one", "interval"),
    # measured: bias +0.04, +0.06, -0.12; scatter 0.03, 0.05, 0.06. A collapse within a doubling
    # past yield cannot be told from a lower yield: known limit, not covered by the interval.
    [
        ("creep", (0.0, 0.07), 0.05, 0.9, 0.95),
        ("rounded", (0.0, 0.10), 0.07, 0.6, 0.9),
        ("collapsing", (-0.17, -0.06), 0.09, 0.15, 0.2),
    ],
)
def test_yield_stress_of_simulated_curves(drawn, kind, bias, scatter, one, interval):
    found, _, truth, _ = drawn[kind]
    error = np.log(found["yield_stress"].values / truth)
    u = np.hypot(found["yield_stress_u_random"], found["yield_stress_u_systematic"]).values
    low, high = found["yield_stress_low"].values, found["yield_stress_high"].values
    assert bias[0] < error.mean() < bias[1]
    assert error.std() < scatter
    assert np.mean(np.abs(error) < u / found["yield_stress"].values) > one
    assert np.mean((low < truth) & (truth < high)) > interval
    assert np.all((low <= found["yield_stress"]) & (found["yield_stress"] <= high))
    if kind == "creep":
        assert np.mean(np.abs(error) < 0.1) > 0.95
    assert not _has(found["yield_stress_reason"], "yield_not_bracketed").any()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "bias"), [("curvature", 0.03), ("work", 0.06), ("specific_volume", 0.11)]
)
def test_each_method_alone(drawn, method, bias):
    found, _, truth, _ = drawn["creep"]
    at = list(found["construction"].values).index(method)
    error = np.log(found["yield_stress_by_method"].values[at] / truth)
    assert abs(error.mean()) < bias
    assert error.std() < 0.09


@pytest.mark.slow
def test_compression_index_and_its_error(drawn):
    _, found, _, truth = drawn["creep"]
    error = found["compression_index"].values - truth
    assert abs(np.mean(error / truth)) < 0.015
    assert np.mean(np.abs(error) < 2 * found["compression_index_u_random"].values) > 0.85


def test_textbook_yield_stress():
    # Craig, Soil Mechanics, worked example: 325 kPa by the construction, drawn (from memory).
    stress = [54, 107, 214, 429, 858, 1716, 3432]
    e = [0.866, 0.841, 0.802, 0.737, 0.653, 0.560, 0.467]
    curve = consolidation.curve(one_test({"stress_kpa": stress, "void_ratio": e}))
    found = consolidation.yield_stress(curve)
    assert found["yield_stress"].values == pytest.approx(325, rel=0.1)
    assert found["yield_stress_low"] < 325 < found["yield_stress_high"]
    assert "not for well control" in found.attrs["safety"]


def test_natural_cubic_against_scipy():
    interpolate = pytest.importorskip("scipy.interpolate")
    rng = np.random.default_rng(0)
    x, y = np.cumsum(rng.uniform(0.2, 1.0, 9)), rng.normal(size=9)
    at = np.linspace(x[0], x[-1], 50)
    spline = interpolate.CubicSpline(x, y, bc_type="natural")
    for order, values in enumerate(natural_cubic(x, y, at)):
        np.testing.assert_allclose(values, spline(at, order), atol=1e-12)


def test_joined_lines_find_a_corner_and_refuse_three_points():
    x = np.array([0.0, 1.0, 2.2, 3.0, 4.5, 5.0, 6.0])
    found = joined_lines(x, 1 + 0.2 * x + 3 * np.maximum(x - 2.5, 0), np.ones(7))
    assert (found.place, found.before, found.after) == pytest.approx((2.5, 0.2, 3.2), abs=1e-4)
    assert np.isnan(joined_lines(x[:3], x[:3], np.ones(3)).place)


def _series(factor):
    m = np.pi / 2 * (2 * np.arange(500) + 1)
    return 1 - (2 / m**2 * np.exp(-np.outer(factor, m**2))).sum(axis=1)


@pytest.mark.parametrize("creep", [0.0, 0.03])
def test_both_methods_against_terzaghi(creep):
    t = np.array([6, 15, 30, 60, 120, 240, 480, 900, 1800, 3600, 7200, 14400, 28800, 86400.0])
    for c in (2e-8, 5e-8, 1e-7):
        factor = c * t / 0.01**2
        h = 19.98 - 0.5 * (_series(factor) + creep * np.log10(1 + factor / 1.8))
        assert 0.197e-4 / logarithm_of_time(t, h) == pytest.approx(c, rel=0.06)
        assert 0.848e-4 / root_of_time(t, h) == pytest.approx(c, rel=0.03)


def test_root_of_time_worked_by_hand():
    """Taylor's construction: the line of 1.15 times the abscissae meets the curve at 5.75."""
    root = np.array([0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8])
    h = 20.0 - 0.1 * np.minimum(root, 4.0)
    h[9:] = 19.53, 19.49, 19.46, 19.45
    # 19.53 - 0.04 s = 20 - (0.1 / 1.15) (5 + s) at s = 0.75, drawn as straight lines
    assert np.sqrt(root_of_time(60 * root**2, h) / 60) == pytest.approx(5.75, rel=0.02)


@pytest.fixture(scope="module")
def made():
    places = pd.DataFrame(
        {"core": ["1", "2", "3"], "section": ["1", "2", "1"], "offset": [50.0, 40.0, 70.0],
         "depth": [3.0, 40.0, 120.0], "void_ratio": [2.5, 1.8, 1.3],
         "effective_stress": [20.0, 280.0, 900.0], "overconsolidation_ratio": [1.8, 1.1, 0.7]}
    )  # fmt: skip
    rows, truth = simulated.tests(np.random.default_rng(4), places)
    columns = {name.split(" [")[0]: rows[name].to_numpy() for name in rows}
    held = {n: ("row", v, {"units": UNITS[n]} if n in UNITS else {}) for n, v in columns.items()}
    coords = {n: held.pop(n) for n in ("core", "section", "offset")}
    e0 = xr.DataArray(
        truth["initial_void_ratio"].to_numpy(), dims="test",
        coords={"test": truth["test"].to_numpy()}, attrs={"units": "1"},
    )  # fmt: skip
    initial = {"initial_void_ratio": e0, "initial_height": "20 mm"}
    return xr.Dataset(held, coords=coords), truth, initial


def test_made_tests_whole(made):
    table, truth, initial = made
    curve = consolidation.curve(table, **initial, void_ratio_uncertainty="0.0005 1")
    assert set(curve["branch"].values) == {"loading", "unloading", "reloading"}
    assert curve.sizes["reading"] == len(table.to_dataframe()[["test", "step"]].drop_duplicates())
    found = consolidation.yield_stress(curve)
    np.testing.assert_allclose(found["yield_stress"], truth["yield_stress [kPa]"], rtol=0.1)
    lines = consolidation.indices(curve)
    assert set(lines["recompression_from"].values) == {"loop"}
    np.testing.assert_allclose(lines["compression_index"], truth["compression_index"], rtol=0.03)
    # Noise of 3 um over rebounds of two doublings: 2 to 4 %.
    np.testing.assert_allclose(
        lines["recompression_index"], truth["recompression_index"], rtol=0.05
    )
    far = np.abs(lines["recompression_index"].values - truth["recompression_index"].to_numpy())
    assert (far < 3.0 * lines["recompression_index_u_random"].values).all()
    rate = consolidation.consolidation_rate(table, **initial, height_uncertainty="0.003 mm")
    assert rate.sizes["reading"] == 6
    expected = np.repeat(truth["coefficient_of_consolidation [m^2/s]"].to_numpy(), 2)
    np.testing.assert_allclose(rate["coefficient_of_consolidation"], expected, rtol=0.15)
    assert np.isfinite(rate["coefficient_of_consolidation_u_random"]).all()
    assert ((rate["permeability"] > 1e-19) & (rate["permeability"] < 1e-14)).all()
    one = consolidation.consolidation_rate(table, **initial, drainage="one")
    ratio = one["coefficient_log_time"] / rate["coefficient_log_time"]
    np.testing.assert_allclose(ratio, 4.0)
    assert np.isnan(one["coefficient_of_consolidation_u_random"]).all()


def test_overpressure_is_a_lower_bound_and_never_negative(made):
    table, _, initial = made
    found = consolidation.yield_stress(consolidation.curve(table, **initial))
    load = xr.DataArray(
        [20.0, 280.0, 900.0], dims="reading", attrs={"units": "kPa"},
        coords={n: found[n] for n in ("core", "section", "offset")},
    )  # fmt: skip
    bound = consolidation.overpressure_bound(
        found, load, vertical_effective_stress_uncertainty="5 kPa"
    )
    assert bound.attrs["bound"] == bound["overpressure_bound"].attrs["bound"] == "lower"
    assert "zero gives no information" in bound.attrs["bound_in_words"]
    assert "not for well control" in bound.attrs["safety"]
    values = bound["overpressure_bound"].values
    assert values[0] == 0.0 and bound["overpressure_difference"].values[0] < 0.0
    assert values[2] == pytest.approx(270, abs=70)
    low, high = bound["overpressure_bound_low"], bound["overpressure_bound_high"]
    assert ((low <= values) & (values <= high)).all()
    ratio = consolidation.overconsolidation_ratio(found, load)
    np.testing.assert_allclose(ratio["overconsolidation_ratio"], [1.8, 1.1, 0.7], rtol=0.1)
    assert (ratio["overconsolidation_ratio_low"] < ratio["overconsolidation_ratio_high"]).all()
    with pytest.raises(ValueError, match="must be positive"):
        consolidation.overconsolidation_ratio("10 kPa", "0 kPa")
    with pytest.raises(units.UnitError, match="yield_stress"):
        consolidation.overpressure_bound(10.0, "20 kPa")


@pytest.mark.parametrize(
    ("at_load", "ratio", "word", "disturbed"),
    [(1.94, "1 1", "very_good_to_excellent", False), (1.9, "1 1", "good_to_fair", False),
     (1.9, "3 1", "poor", True), (1.8, "1 1", "poor", True), (1.7, "1 1", "very_poor", True)],
)  # fmt: skip
def test_sample_quality_in_words(at_load, ratio, word, disturbed):
    e = [1.98, at_load, 1.5, 1.3, 1.1]
    rows = one_test({"stress_kpa": [50, 100, 200, 400, 800], "void_ratio": e})
    curve = consolidation.curve(rows, initial_void_ratio="2 1")
    found = consolidation.sample_quality(curve, "100 kPa", ratio)
    assert found["sample_quality"].values[0] == word
    assert _has(found["void_ratio_reason"], "disturbed_sample")[0] == disturbed
    beyond = consolidation.sample_quality(curve, "5000 kPa")
    assert beyond["sample_quality"].values[0] == "unknown"
    assert _has(beyond["void_ratio_reason"], "missing_value")[0]


def test_too_few_steps_and_a_curve_without_yield():
    few = consolidation.curve(one_test({"stress_kpa": [10, 20, 40, 80],
                                        "void_ratio": [2, 1.9, 1.7, 1.4]}))  # fmt: skip
    found = consolidation.yield_stress(few)
    assert np.isnan(found["yield_stress"]).all()
    assert _has(found["yield_stress_reason"], "yield_not_bracketed").all()
    assert "needs 5" in json.loads(found.attrs["remarks"])["A"][0]
    stress = 10.0 * 2.0 ** np.arange(8)
    straight = consolidation.curve(
        one_test({"stress_kpa": stress, "void_ratio": 2 - 0.4 * np.log10(stress)})
    )
    found = consolidation.yield_stress(straight)
    assert _has(found["yield_stress_reason"], "yield_not_bracketed").all()


def test_bad_stress_and_a_rise_under_load_are_flagged():
    rows = one_test({"stress_kpa": [0, 10, 20, 40, 80, 160, 320],
                     "void_ratio": [2, 1.98, 1.99, 1.9, 1.7, 1.5, 1.3]})  # fmt: skip
    curve = consolidation.curve(rows)
    assert curve.sizes["reading"] == 7
    assert _has(curve["void_ratio_reason"], "impossible_value").tolist() == [True] + [False] * 6
    assert _has(curve["void_ratio_reason"], "out_of_usual_range")[2]
    assert len(json.loads(curve.attrs["remarks"])["A"]) == 2
    found = consolidation.yield_stress(curve)
    assert np.isfinite(found["yield_stress"]).all()
    assert _has(found["yield_stress_reason"], "out_of_usual_range").all()
    assert found["yield_stress_flag"].values[0] == flags.SUSPECT


def test_what_is_missing_is_said():
    with pytest.raises(ValueError, match="neither void_ratio nor height"):
        consolidation.curve(_table(test=["A"], step=[1], stress=[10]))
    with pytest.raises(ValueError, match="has no stress"):
        consolidation.curve(_table(test=["A"], step=[1], void_ratio=[2]))
    heights = one_test({"stress_kpa": [10, 20], "height_mm": [20, 19]})
    with pytest.raises(ValueError, match="give initial_void_ratio"):
        consolidation.curve(heights)
    with pytest.raises(ValueError, match=r"height .* and time"):
        consolidation.consolidation_rate(heights)
    with pytest.raises(ValueError, match="expected one of both, one"):
        consolidation.consolidation_rate(heights, drainage="three")
    with pytest.raises(ValueError, match="share is"):
        consolidation.coefficient_from_time("10 mm", "60 s", share=0.7)
    with pytest.raises(ValueError, match="no coordinate 'test'"):
        consolidation.curve(
            heights, initial_void_ratio=xr.DataArray([1.0, 2.0], attrs={"units": "1"})
        )
    with pytest.raises(ValueError, match=r"make it with consolidation\.curve"):
        consolidation.indices(heights)
    with pytest.raises(units.UnitError, match="drainage_path"):
        consolidation.coefficient_from_time(10.0, "60 s")
