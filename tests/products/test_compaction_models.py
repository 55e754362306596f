"""Models of compaction: recovery, robust weights, named faults, comparison, profile, bootstrap."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import optimize, stats

from corephys.ground import series, units
from corephys.numerics import exponential
from corephys.numerics.exponential import solve_batch
from corephys.products import compaction
from corephys.products.compaction.certainty import block_weights, default_block, profiles
from corephys.uncertainty import Measured

TRUTH = {
    "exponential": {"surface_porosity": 0.7, "decay_length": 800.0},
    "offset_exponential": {
        "surface_porosity": 0.75,
        "residual_porosity": 0.35,
        "decay_length": 150.0,
    },
    "linear": {"surface_porosity": 0.7, "porosity_gradient": 0.5},
    "power": {"reference_porosity": 0.6, "solidity_exponent": 0.16},
    "exponential_in_stress": {"surface_porosity": 0.7, "decay_stress": 6000.0},
    "void_ratio_in_log_stress": {"reference_void_ratio": 2.2, "compression_index": 0.7},
}


def _stress(depth, effects=None):
    """Effective stress that grows a little faster than depth."""
    values = xr.DataArray(5.0 * depth + 0.004 * depth**2, dims="reading",
                          coords={"depth": ("reading", depth)})  # fmt: skip
    return series.build({"vertical_effective_stress": Measured(values, 0.0, effects or {})})


def _hole(model, n=150, scatter=0.01, seed=0, low=1.0, high=450.0, truth=None, effects=None):
    rng = np.random.default_rng(seed)
    depth = np.sort(rng.uniform(low, high, n))
    curve = compaction.MODELS[model]
    x = depth if curve.abscissa == "depth" else 5.0 * depth + 0.004 * depth**2
    values = curve.curve(x, *(truth or TRUTH[model]).values()) + rng.normal(0, scatter, n)
    array = xr.DataArray(values, dims="reading", coords={"depth": ("reading", depth)})
    return series.build({"porosity": Measured(array, max(scatter, 1e-3), effects or {})})


@pytest.mark.slow
@pytest.mark.parametrize("model", list(compaction.MODELS))
def test_every_model_is_recovered_within_its_errors(model):
    pulls = []
    for seed in range(30):
        hole = _hole(model, seed=seed)
        fit = compaction.fit(
            hole, stress=_stress(hole.depth.values), model=model, absolute_sigma=True,
            excess_scatter=False,
        )  # fmt: skip
        pulls += [(fit.found.values[n] - v) / fit.found.errors[n] for n, v in TRUTH[model].items()]
    # Mean square of at least 60 standardised errors: three of its standard errors is 0.55.
    assert np.mean(np.square(pulls)) == pytest.approx(1.0, abs=0.55)


@pytest.mark.parametrize("model", list(compaction.MODELS))
def test_derivatives_are_those_of_the_curve(model):
    made, values = compaction.MODELS[model], np.array(list(TRUTH[model].values()))
    x = np.linspace(2.0, 900.0, 40)
    analytic = made.jacobian(x, *values)
    for i, value in enumerate(values):
        step = np.zeros(values.size)
        step[i] = 1e-5 * value
        slope = (made.curve(x, *(values + step)) - made.curve(x, *(values - step))) / (2 * step[i])
        np.testing.assert_allclose(analytic[:, i], slope, rtol=1e-6, atol=1e-12)


def test_a_shifted_stress_shifts_the_fit_as_its_effect_says():
    hole = _hole("exponential_in_stress", scatter=0.0)
    depth = hole.depth.values
    shift = {"pore_water_density": 0.02 * (5.0 * depth + 0.004 * depth**2)}
    one = compaction.fit(
        hole, stress=_stress(depth, shift), model="exponential_in_stress", absolute_sigma=True
    )
    effect = float(one.dataset["decay_stress_effects"].sel(source="pore_water_density"))
    # The stress reads 2 % too high, and so does the e-folding stress.
    assert effect == pytest.approx(0.02 * 6000.0, rel=1e-3)


def test_huber_solves_the_problem_of_an_independent_library():
    hole = _hole("linear", n=80, scatter=0.02, seed=4)
    y = hole["porosity"].values.copy()
    y[::9] += 0.15
    porosity = hole["porosity"].copy(data=y)
    porosity.attrs = {"units": "1"}
    fit = compaction.fit(porosity, model="linear", robust="huber", absolute_sigma=False)
    a, g = fit.values
    z = hole.depth.values
    scale = 1.4826 * np.median(np.abs(y - (a - 1e-3 * g * z)))
    other = optimize.least_squares(
        lambda p: y - (p[0] - 1e-3 * p[1] * z), (0.6, 0.4), loss="huber", f_scale=1.345 * scale,
        xtol=1e-14, ftol=1e-14, gtol=1e-14,
    ).x  # fmt: skip
    np.testing.assert_allclose((a, g), other, rtol=1e-6)


def test_outliers_pull_least_squares_and_not_the_robust_fits():
    off, sizes = {"none": [], "huber": [], "tukey": []}, []
    for seed in range(25):
        hole = _hole("exponential", n=90, scatter=0.01, seed=seed)
        y = hole["porosity"].values.copy()
        y[-40::8] -= 0.2
        hole["porosity"] = hole["porosity"].copy(data=y)
        for kind in off:
            fit = compaction.fit(hole, robust=kind, absolute_sigma=True)
            off[kind].append(fit.values[1] - 800.0)
        sizes.append(off["tukey"][-1] / fit.found.errors["decay_length"])
    rms = {kind: float(np.sqrt(np.mean(np.square(v)))) for kind, v in off.items()}
    assert rms["tukey"] < rms["huber"] < 0.5 * rms["none"]
    # The errors of the robust scatter cover: four standard errors of a variance over 25 fits.
    assert 0.4 < np.mean(np.square(sizes)) < 2.1


def _verdict(hole, **choices):
    return "; ".join(compaction.fit(hole, **{"absolute_sigma": True, **choices}).verdict)


def test_each_planted_fault_is_named():
    good = _hole("exponential")
    assert _verdict(good) == ""
    rising = _hole("linear", truth={"a": 0.5, "g": -0.6})
    assert "e-folding depth is negative: porosity rises with depth" in _verdict(rising)
    assert "porosity rises with depth" in _verdict(rising, model="linear")
    short = _hole("exponential", high=60.0, scatter=0.001)
    assert "a straight line in effect" in _verdict(short)
    assert "residual porosity" in _verdict(good, model="offset_exponential")
    deep = _hole("exponential", low=4000.0, high=4500.0, scatter=0.0005)
    assert "determined only together: surface porosity" in _verdict(deep)
    forced = _verdict(good, fixed={"surface_porosity": 0.8})
    assert "forced surface porosity of 0.8: fitted, it is 0.69" in forced
    assert "standard errors away; forcing it adds" in forced


def test_a_forced_parameter_has_no_error_and_the_band_says_only_what_is_free():
    fit = compaction.fit(_hole("exponential"), fixed={"surface_porosity": 0.7}, absolute_sigma=True)
    assert np.isnan(float(fit.dataset.surface_porosity_u_random))
    grid = units.quantity(np.array([0.0, 300.0]), "m")
    band = fit.predict(grid)
    assert float(band.upper[0] - band.lower[0]) == pytest.approx(0.0, abs=1e-12)
    slope = 0.7 * np.exp(-300 / fit.values[1]) * 300 / fit.values[1] ** 2
    width = 2 * slope * fit.found.errors["decay_length"]
    assert float(band.upper[1] - band.lower[1]) == pytest.approx(width, rel=1e-6)
    assert "forced, no uncertainty" in repr(fit)


def test_a_model_of_stress_is_predicted_from_stress():
    hole = _hole("void_ratio_in_log_stress")
    fit = compaction.fit(hole, stress=_stress(hole.depth.values),
                         model="void_ratio_in_log_stress", absolute_sigma=True)  # fmt: skip
    found = fit.predict(stress=units.quantity(np.array([100.0]), "kPa"))
    assert float(found.porosity[0]) == pytest.approx(2.2 / 3.2, abs=0.01)
    with pytest.raises(ValueError, match="against vertical effective stress: give stress="):
        fit.predict(units.quantity(np.array([100.0]), "m"))


def test_layers_are_fitted_apart_and_small_ones_named():
    upper = _hole("exponential", n=40, high=200.0)
    lower = _hole("exponential", n=40, low=200.0, seed=2,
                  truth={"a": 0.6, "l": 500.0})  # fmt: skip
    both = xr.concat([upper, lower], dim="reading")
    layers = {"mud": ("0 m", "200 m"), "ooze": ("200 m", "440 m"), "ash": ("440 m", "500 m")}
    found = compaction.fit_by_layer(both, layers, absolute_sigma=True)
    assert list(found.fits) == ["mud", "ooze"] and list(found.too_small) == ["ash"]
    assert found.fits["mud"].values[0] == pytest.approx(0.7, abs=0.02)
    assert found.fits["ooze"].values[1] == pytest.approx(500.0, rel=0.2)
    assert "too few for a fit" in found.by_layer().loc["ash", "verdict"]
    assert found.dataset.sizes["layer"] == 2
    with pytest.raises(ValueError, match="no layer has the 200 usable porosities"):
        compaction.fit_by_layer(both, layers, absolute_sigma=True, least_points=200)
    with pytest.raises(ValueError, match="80 porosities and 3 layers do not make pairs"):
        compaction.fit_by_layer(both, ["a", "b", "c"], absolute_sigma=True)
    with pytest.raises(ValueError, match="its bottom has to lie deeper"):
        compaction.fit_by_layer(both, {"mud": ("9 m", "2 m")}, absolute_sigma=True)


def test_a_comparison_finds_a_strong_truth_and_leaves_a_weak_one_open():
    strong = compaction.compare_models(_hole("offset_exponential"), absolute_sigma=True)
    assert strong.dataset.attrs["first_by_aicc"] == "offset_exponential"
    assert "agree on offset exponential" in strong.dataset.attrs["verdict"]
    weak = compaction.compare_models(
        _hole("exponential", high=150.0, scatter=0.02), models=("exponential", "linear"),
        absolute_sigma=True,
    )  # fmt: skip
    assert any("AICc does not tell" in words for words in weak.verdict)
    assert any("does not tell them apart" in words for words in weak.verdict)
    assert float(weak.dataset["aicc_weight"].sum()) == pytest.approx(1.0)
    assert {"aicc", "verdict", "curve"} <= set(weak.table().columns)


def test_the_criterion_is_what_its_definition_gives():
    hole = _hole("linear", n=40)
    found = compaction.compare_models(
        hole, models=("linear", "exponential"), absolute_sigma=True, excess_scatter=False
    )
    y, z = hole["porosity"].values, hole.depth.values
    slope, level = np.polyfit(z, y, 1)
    chi_square = float(np.sum(((y - level - slope * z) / 0.01) ** 2))
    expected = chi_square + 4.0 + 12.0 / 37.0
    assert float(found.dataset["aicc"].sel(model="linear")) == pytest.approx(expected, rel=1e-7)


def test_all_models_of_a_comparison_see_the_same_points():
    hole = _hole("exponential")
    stress = _stress(hole.depth.values)
    stress["vertical_effective_stress"][:5] = np.nan
    found = compaction.compare_models(hole, stress=stress, absolute_sigma=True)
    assert {fit.data.porosity.size for fit in found.fits.values()} == {145}
    assert found.dataset.sizes["model"] == 6
    with pytest.raises(ValueError, match="a comparison needs at least two"):
        compaction.compare_models(hole, models=("linear",), absolute_sigma=True)


def test_neighbours_that_scatter_together_weaken_the_criterion_in_words():
    hole = _hole("exponential", n=200)
    hole["porosity"] = hole["porosity"] + 0.03 * np.sin(hole["depth"] / 25)
    hole["porosity"].attrs["units"] = "1"
    words = compaction.compare_models(hole, absolute_sigma=True).dataset.attrs["verdict"]
    assert "neighbours in depth scatter together" in words


def test_the_profile_of_a_straight_line_is_students_interval():
    hole = _hole("linear", n=20, scatter=0.02)
    y, z = hole["porosity"].values, hole.depth.values
    line = stats.linregress(z, y)
    bare = xr.DataArray(y, dims="reading", coords={"depth": ("reading", z)}, attrs={"units": "1"})
    found = compaction.likelihood_profile(
        bare, model="linear", absolute_sigma=False, excess_scatter=False
    )
    for i, level in enumerate((0.6827, 0.9545)):
        arm = 1e3 * line.stderr * stats.t.ppf(0.5 + level / 2, 18)
        lower, upper = (float(found[f"porosity_gradient_{s}"][i]) for s in ("lower", "upper"))
        assert (lower, upper) == pytest.approx((-1e3 * line.slope - arm, -1e3 * line.slope + arm))
    assert "either will do" in found.attrs["verdict"]


def test_profile_ends_are_where_a_grid_of_all_parameters_puts_them():
    hole = _hole("exponential", n=30, high=120.0, scatter=0.01)
    fit = compaction.fit(hole, absolute_sigma=True, excess_scatter=False)
    found = compaction.likelihood_profile(fit)
    y, z = hole["porosity"].values, hole.depth.values
    rate = np.linspace(1 / 3000, 1 / 200, 4000)
    e = np.exp(-np.outer(rate, z))
    a = np.clip((e @ y) / np.sum(e**2, axis=1), 0, 1)
    chi_square = np.sum(((y - a[:, None] * e) / 0.01) ** 2, axis=1)
    inside = 1.0 / rate[chi_square - chi_square.min() <= stats.chi2.ppf(0.6827, 1)]
    ends = (float(found["decay_length_lower"][0]), float(found["decay_length_upper"][0]))
    assert ends == pytest.approx((inside.min(), inside.max()), rel=5e-3)
    rise = profiles(fit, "decay_length", np.array(ends))
    assert rise == pytest.approx([1.0, 1.0], abs=2e-3)


@pytest.mark.parametrize("seed", [5, 8, 13, 19])
def test_profile_of_a_void_ratio_that_reaches_its_least_value_ends_where_a_grid_does(seed):
    # Exponential porosities: the best line of void ratios meets its least value, where the misfit
    # has a kink and more than one minimum.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 30))
    load = np.sort(rng.uniform(20.0, 4000.0, n))
    phi = 0.8 * np.exp(-load / rng.uniform(500.0, 5000.0))
    phi = np.clip(phi + rng.normal(0.0, rng.uniform(0.003, 0.05), n), 0.005, 0.97)
    fit = compaction.fit(
        units.quantity(phi, "1"),
        depth=units.quantity(load / 6.0, "m"),
        stress=units.quantity(load, "kPa"),
        model="void_ratio_in_log_stress",
        absolute_sigma=False,
        excess_scatter=False,
    )
    found = compaction.likelihood_profile(fit)
    log = np.log10(load / 100.0)

    def least(e, index):  # on a grid of the parameter that is not held
        ratio = np.maximum(np.ravel(e)[:, None] - np.ravel(index)[:, None] * log, 1e-9)
        return ((phi - ratio / (1.0 + ratio)) ** 2).sum(axis=1).min()

    best, variance = float((fit.found.residual**2).sum()), fit.found.reduced_chi_square
    t = stats.t.ppf(0.5 + np.array([0.6827, 0.9545]) / 2, fit.found.degrees_of_freedom)
    grid = np.linspace(-1.0, 6.0, 30001)
    every = np.ones(grid.size)
    for i, rise in enumerate(t**2 * variance):
        for side in ("lower", "upper"):
            e = float(found[f"reference_void_ratio_{side}"][i])
            index = float(found[f"compression_index_{side}"][i])
            # The many minima of a kinked misfit lie within a few per cent of the rise.
            for misfit in (least(e * every, grid), least(grid, index * every)):
                assert (misfit - best) / rise == pytest.approx(1.0, abs=0.03)


def test_open_ends_are_said_to_be_open():
    flat = _hole("exponential", n=20, high=40.0, scatter=0.04)
    found = compaction.likelihood_profile(flat, absolute_sigma=True)
    assert float(found["decay_length_upper"][1]) == np.inf
    assert int(found["decay_length_open"][1]) == 2
    assert "open above" in found.attrs["verdict"] and "take the profile" in found.attrs["verdict"]
    offset = compaction.likelihood_profile(_hole("exponential"), model="offset_exponential",
                                absolute_sigma=True)  # fmt: skip
    assert "residual" not in offset.attrs or int(offset["residual_porosity_open"][1]) & 1


def test_a_batch_equals_a_loop():
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(2, 600, 500))
    y = 0.7 * np.exp(-x / 900) + rng.normal(0, 0.03, 500)
    weights = block_weights(x, 20.0, 60, rng)
    a, rate = solve_batch(x, y, weights, 1 / exponential.start(x, y)[1])
    for i, w in enumerate(weights):
        root = np.sqrt(w)
        found = optimize.least_squares(
            lambda p, root=root: root * (y - p[0] * np.exp(-p[1] * x / 900)), (0.7, 1.0),
            xtol=1e-15, ftol=1e-15, gtol=1e-15, method="lm",
        ).x  # fmt: skip
        assert a[i] == pytest.approx(found[0], rel=1e-6)
        assert rate[i] * 900 == pytest.approx(found[1], rel=1e-6)


def test_a_batch_follows_rates_far_from_the_first_and_leaves_none_where_there_is_none():
    x = np.linspace(0, 100, 50)
    weights = np.zeros((3, 50))
    weights[0] = weights[1, :25] = 1.0
    y = np.where(x < 50, 0.8 * np.exp(-x / 10), 0.2)
    a, rate = solve_batch(x, y, weights, 1 / 300)
    assert (a[1], 1 / rate[1]) == pytest.approx((0.8, 10.0), rel=1e-9)
    assert np.isnan(a[2])


def test_every_sample_is_drawn_equally_often():
    depth = np.sort(np.random.default_rng(0).uniform(0, 400, 100))
    weights = block_weights(depth, 30.0, 20000, np.random.default_rng(1))
    mean = weights.mean(axis=0)
    # Five standard errors of a mean count near one; shuffled input gives the same counts.
    assert np.ptp(mean) < 10 * weights.std() / np.sqrt(20000)
    order = np.random.default_rng(2).permutation(100)
    again = block_weights(depth[order], 30.0, 20000, np.random.default_rng(1))
    np.testing.assert_array_equal(again, weights[:, order])


@pytest.mark.slow
def test_the_drawn_scatter_is_that_of_repeated_holes():
    lengths, deviations = [], []
    for seed in range(120):
        fit = compaction.fit(_hole("exponential", seed=seed), absolute_sigma=True)
        lengths.append(fit.values[1])
        if seed % 10 == 0:
            drawn = compaction.bootstrap(fit, replicates=400, seed=seed)
            deviations.append(float(drawn["decay_length_deviation"]))
    assert np.mean(deviations) == pytest.approx(np.std(lengths), rel=0.25)


def test_blocks_see_neighbours_that_scatter_together():
    rng = np.random.default_rng(5)
    depth = np.linspace(1, 400, 200)
    noise = np.repeat(rng.normal(0, 0.02, 20), 10)  # beds of ten samples
    bare = xr.DataArray(0.7 * np.exp(-depth / 800) + noise, dims="reading",
                        coords={"depth": ("reading", depth)}, attrs={"units": "1"})  # fmt: skip
    fit = compaction.fit(bare, absolute_sigma=False)
    assert default_block(fit) > 20.0
    blocks = compaction.bootstrap(fit, seed=1)
    single = compaction.bootstrap(fit, block="2 m", seed=1)
    ratio = float(blocks["decay_length_deviation"] / single["decay_length_deviation"])
    # Ten samples that are one: their mean scatters by the square root of ten.
    assert 1.8 < ratio < 4.0


def test_other_models_are_drawn_too_and_a_seed_repeats():
    hole = _hole("linear", n=60)
    one = compaction.bootstrap(hole, model="linear", absolute_sigma=True, replicates=80, seed=3)
    two = compaction.bootstrap(hole, model="linear", absolute_sigma=True, replicates=80, seed=3)
    xr.testing.assert_identical(one, two)
    assert one.attrs["failed"] == 0
    assert float(one["porosity_gradient_lower"][0]) < 0.5 < float(one["porosity_gradient_upper"][1])


def test_errors_of_intervals_teach():
    fit = compaction.fit(_hole("exponential"), absolute_sigma=True)
    robust = compaction.fit(_hole("exponential"), robust="huber", absolute_sigma=True)
    with pytest.raises(ValueError, match="a profile needs a likelihood"):
        compaction.likelihood_profile(robust)
    with pytest.raises(ValueError, match="fit with robust='none'"):
        compaction.bootstrap(robust)
    with pytest.raises(ValueError, match=r"replicates is 60\.5; it has to be an integer"):
        compaction.bootstrap(fit, replicates=60.5)
    with pytest.raises(
        ValueError, match=r"levels holds 1\.5; each level has to lie between 0 and 1"
    ):
        compaction.bootstrap(fit, levels=(1.5,))
    with pytest.raises(ValueError, match="each level has to lie between 0 and 1"):
        compaction.likelihood_profile(fit, levels=(68.27,))
    with pytest.raises(ValueError, match="replicates is 10; an interval needs at least"):
        compaction.bootstrap(fit, replicates=10)
    with pytest.raises(ValueError, match="at most a quarter"):
        compaction.bootstrap(fit, block="300 m")
    with pytest.raises(units.UnitError):
        compaction.bootstrap(fit, block=20.0)
    with pytest.raises(ValueError, match=r"surface_porosity is 55; it is a fraction from 0 to 1"):
        compaction.linear("3 m", surface_porosity=55.0, porosity_gradient="0.5 1/km")
    with pytest.raises(ValueError, match="decay_length is 0 m; it has to differ from zero"):
        compaction.exponential("3 m", surface_porosity=0.5, decay_length="0 m")
    with pytest.raises(ValueError, match="reference_depth is 0 m; it has to be above zero"):
        compaction.power("3 m", reference_porosity=0.5, solidity_exponent=0.2,
                         reference_depth="0 m")  # fmt: skip
