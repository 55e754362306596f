"""Natural gamma against Poisson statistics, closed forms and spectra of another making."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import optimize

import corephys as cp
from corephys import natural_gamma
from corephys.ground import flags, series
from corephys.uncertainty import Measured

WINDOWS = ("potassium", "uranium", "thorium", "low")
# 1/s for one g/cm with one unit, another matrix than the package or the demo hole knows
TRUE = np.array([[0.060, 0.011, 0.0045], [0.0, 0.0092, 0.0021], [0.0, 0.0002, 0.0043],
                 [0.095, 0.070, 0.030]])  # fmt: skip
BACKGROUND = np.array([0.7, 0.35, 0.2, 5.5])


def line(values, unit, **coords):
    array = np.asarray(values, dtype=float)
    coords = {"depth": ("reading", np.arange(array.size, dtype=float)), **coords}
    return xr.DataArray(array, dims="reading", attrs={"units": unit}, coords=coords)


def has(dataset, name, reason):
    return (dataset[f"{name}_reason"].values & flags.bit(reason)) != 0


# Net rate ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_interval_of_the_net_rate_covers_the_truth():
    rng = np.random.default_rng(5)
    truth, background, inside = 12.0, 8.0, []
    for _ in range(400):
        b = rng.poisson(background * 600.0)
        n = rng.poisson((truth + background) * 60.0, 5)
        found = natural_gamma.net_rate(
            line(n, "count"), line(np.full(5, 60.0), "s"),
            background_counts=cp.quantity(float(b), "count"), background_time="600 s",
        )  # fmt: skip
        rate = found["natural_gamma_rate"].values
        u = np.hypot(found["natural_gamma_rate_u_random"], found["natural_gamma_rate_u_systematic"])
        inside.append(abs(rate[0] - truth) <= u.values[0])
    assert 0.61 <= np.mean(inside) <= 0.76  # 68 % within three standard errors


def test_the_background_is_one_error_for_all_readings():
    found = natural_gamma.net_rate(
        line([600, 6000], "count"), line([60, 60], "s"),
        background_counts="900 count", background_time="300 s",
    )  # fmt: skip
    effect = found["natural_gamma_rate_effects"].sel(source="natural_gamma_background")
    np.testing.assert_allclose(effect.values, -np.sqrt(900.0) / 300.0)


def test_bad_readings_are_flagged_and_the_others_stay():
    found = natural_gamma.net_rate(
        line([600, 600, -5, 0, np.nan, 100], "count"), line([60, 0, 60, 60, 60, 60], "s"),
        background_counts="3000 count", background_time="600 s",
    )  # fmt: skip
    name = "natural_gamma_rate"
    np.testing.assert_array_equal(
        np.isnan(found[name].values), [False, True, True, False, True, False]
    )
    np.testing.assert_array_equal(
        has(found, name, "impossible_value"), [False, True, True, False, False, False]
    )
    np.testing.assert_array_equal(
        has(found, name, "negative_net"), [False, False, False, True, False, True]
    )
    assert found[f"{name}_u_random"].values[3] == pytest.approx(1.0 / 60.0)  # one count, not zero


def test_without_a_background_nothing_is_taken_off_and_it_says_so():
    found = natural_gamma.net_rate(line([600], "count"), line([60], "s"))
    assert found["natural_gamma_rate"].item() == 10.0
    assert has(found, "natural_gamma_rate", "no_baseline").all()
    assert np.isnan(found["natural_gamma_rate_u_systematic"].item())


def test_a_background_without_time_is_no_background():
    found = natural_gamma.net_rate(
        line([600, 600], "count"), line([60, 60], "s"),
        background_counts=line([90, 90], "count"), background_time=line([30, 0], "s"),
    )  # fmt: skip
    assert found["natural_gamma_rate"].values.tolist() == [7.0, 10.0]
    assert has(found, "natural_gamma_rate", "no_baseline").tolist() == [False, True]


def test_a_whole_bad_series_and_half_a_background_are_refused():
    with pytest.raises(ValueError, match="no reading has both counts and a positive live time"):
        natural_gamma.net_rate(line([5, 6], "count"), line([0, -1], "s"))
    with pytest.raises(ValueError, match="together with background_time"):
        natural_gamma.net_rate(line([5], "count"), line([1], "s"), background_counts="5 count")
    with pytest.raises(cp.UnitError):
        natural_gamma.net_rate(line([5], "count"), line([1], "m"))


# Edge --------------------------------------------------------------------------------------------


def test_the_share_is_that_of_the_summed_response():
    offset = np.arange(0.0, 40.1, 2.5)
    x = np.linspace(-120.0, 120.0, 240001)
    w = np.exp(-4.0 * np.log(2.0) * (x / 16.0) ** 2)
    inside = [(w * ((x + at >= 0) & (x + at <= 40.0))).sum() / w.sum() for at in offset]
    found = natural_gamma.filled_share(cp.quantity(offset, "cm"), "40 cm", response_width="16 cm")
    np.testing.assert_allclose(found, inside, atol=4e-5)  # half a step of the sum
    measured = natural_gamma.filled_share(
        cp.quantity(offset, "cm"), "40 cm", response_width="16 cm", response=(x, w)
    )
    np.testing.assert_allclose(measured, inside, atol=4e-5)


def test_a_void_is_missing_from_the_share():
    whole = natural_gamma.filled_share(
        cp.quantity([75.0, 20.0], "cm"), "150 cm", response_width="15 cm",
        voids=[(cp.quantity(70.0, "cm"), cp.quantity(80.0, "cm"))],
    )  # fmt: skip
    from scipy.stats import norm

    sigma = 15.0 / np.sqrt(8.0 * np.log(2.0))
    assert whole[0] == pytest.approx(2.0 * norm.cdf(-5.0 / sigma), abs=1e-9)
    assert whole[1] == pytest.approx(norm.cdf(20.0 / sigma), abs=1e-6)
    twice = natural_gamma.filled_share(
        cp.quantity([75.0, 20.0], "cm"), "150 cm", response_width="15 cm",
        voids=[(cp.quantity(72.0, "cm"), cp.quantity(80.0, "cm")),
               (cp.quantity(70.0, "cm"), cp.quantity(76.0, "cm"))],
    )  # fmt: skip
    np.testing.assert_allclose(twice, whole, atol=1e-12)  # what overlaps is missing once
    only = natural_gamma.filled_share(
        cp.quantity([75.0, 75.0], "cm"), "150 cm", response_width="15 cm",
        voids=[(cp.quantity(70.0, "cm"), cp.quantity(80.0, "cm"), [1])],
    )  # fmt: skip
    assert only[0] == pytest.approx(1.0) and only[1] == pytest.approx(whole[0])


def test_the_edge_is_corrected_down_to_the_stated_fill():
    rate = natural_gamma.net_rate(
        line([4800, 4800, 4800, 4800], "count"), line(np.full(4, 60.0), "s"),
        background_counts="0 count", background_time="600 s",
    )  # fmt: skip
    found = natural_gamma.edge_correct(rate, np.array([1.0, 0.8, 0.55, np.nan]))
    name = "natural_gamma_rate"
    np.testing.assert_allclose(found[name].values, [80.0, 100.0, 80.0, 80.0])
    np.testing.assert_allclose(found[f"{name}_uncorrected"].values, 80.0)
    assert has(found, name, "edge_corrected").tolist() == [False, True, False, False]
    assert has(found, name, "response_not_filled").tolist() == [False, False, True, True]
    u = found[f"{name}_u_random"].values
    assert u[1] == pytest.approx(u[0] / 0.8)
    generous = natural_gamma.edge_correct(rate, np.array([1.0, 0.8, 0.55, 0.9]), least_fill=0.5)
    assert generous[name].values[2] == pytest.approx(80.0 / 0.55)
    wide = natural_gamma.edge_correct(rate, np.array([1.0, 0.8, 0.55, 0.9]), share_uncertainty=0.02)
    effect = wide[f"{name}_effects"].sel(source="natural_gamma_response").values
    np.testing.assert_allclose(effect, [0.0, -100.0 / 0.8 * 0.02, 0.0, -80.0 / 0.81 * 0.02])


@pytest.mark.parametrize("least", [0.4, 1.2])
def test_a_fill_below_one_half_is_refused(least):
    rate = natural_gamma.net_rate(line([600], "count"), line([60], "s"))
    with pytest.raises(ValueError, match=r"between 0\.5 and 1"):
        natural_gamma.edge_correct(rate, np.array([0.7]), least_fill=least)


# Stacking and stripping --------------------------------------------------------------------------


def test_a_stack_is_one_long_count():
    table = xr.Dataset({
        "counts": line([5, 7, 9, 100], "count"), "counts_low": line([1, 2, 3, 4], "count"),
        "live_time": line([10, 10, 20, 10], "s"),
    })  # fmt: skip
    found = natural_gamma.stack(table, [0, 0, 1, -1])
    assert found["counts"].values.tolist() == [12.0, 9.0]
    assert found["counts_low"].values.tolist() == [3.0, 3.0]
    assert found["live_time"].values.tolist() == [20.0, 20.0]
    assert found["depth"].values.tolist() == [0.5, 2.0]
    assert found["stacked"].values.tolist() == [2, 1]
    with pytest.raises(ValueError, match="3 stack numbers for 4 readings"):
        natural_gamma.stack(table, [0, 0, 1])
    with pytest.raises(ValueError, match="none of 4 readings has a stack number"):
        natural_gamma.stack(table, [-1] * 4)


def standards(rng, hours=8.0):
    """Counts of four blocks and of an empty liner."""
    blocks = np.array([[5.0, 0.5, 1.0], [0.1, 50.0, 1.0], [0.1, 2.0, 120.0], [2.0, 5.0, 15.0]])
    mass = np.array([55.0, 60.0, 60.0, 63.0])
    seconds = hours * 3600.0
    mean = (blocks @ TRUE.T * mass[:, None] + BACKGROUND) * seconds
    counts = rng.poisson(mean)
    empty = rng.poisson(BACKGROUND * 6.0 * 3600.0)
    return natural_gamma.calibrate(
        {w: cp.quantity(counts[:, i], "count") for i, w in enumerate(WINDOWS)},
        cp.quantity(np.full(4, seconds), "s"), mass=cp.quantity(mass, "g/cm"),
        potassium=cp.quantity(blocks[:, 0], "%"), uranium=cp.quantity(blocks[:, 1], "mg/kg"),
        thorium=cp.quantity(blocks[:, 2], "mg/kg"),
        background_counts={w: cp.quantity(float(n), "count")
                           for w, n in zip(WINDOWS, empty, strict=True)},
        background_time="21600 s",
    )  # fmt: skip


def spectra(rng, truth, number, seconds, density=1.6, diameter=6.6):
    mass = density * np.pi * diameter**2 / 4.0
    mean = (TRUE @ np.asarray(truth) * mass + BACKGROUND) * seconds
    counts = rng.poisson(mean, (number, 4))
    table = xr.Dataset({"live_time": line(np.full(number, seconds), "s")})
    for i, name in enumerate(WINDOWS):
        table[f"counts_{name}"] = line(counts[:, i], "count")
    return table


def strip(table, stripping, **keywords):
    return natural_gamma.strip(
        table, stripping=stripping, density="1.6 g/cm^3", core_diameter="6.6 cm",
        core_diameter_uncertainty="0 cm", density_uncertainty="0 g/cm^3", **keywords,
    )  # fmt: skip


@pytest.mark.slow
def test_concentrations_cover_the_truth_and_are_not_biased():
    rng = np.random.default_rng(12)
    truth = np.array([1.6, 2.0, 7.0])
    pulls = []
    for _ in range(150):
        found = strip(spectra(rng, truth, 6, 600.0), standards(rng))
        for i, name in enumerate(("potassium", "uranium", "thorium")):
            u = np.hypot(found[f"{name}_u_random"], found[f"{name}_u_systematic"]).values
            pulls.append((found[name].values[0] - truth[i]) / u[0])
    pulls = np.reshape(pulls, (150, 3))
    inside = np.mean(np.abs(pulls) <= 1.0, axis=0)
    assert np.all((inside >= 0.57) & (inside <= 0.80))  # three standard errors of 150 draws
    assert np.all(np.abs(pulls.mean(axis=0)) < 0.3)


def test_the_covariance_is_that_of_repeated_counts():
    rng = np.random.default_rng(3)
    stripping = standards(rng, hours=200.0)
    found = strip(spectra(rng, [1.6, 2.0, 7.0], 4000, 600.0), stripping)
    c = np.stack([found[name].values for name in ("potassium", "uranium", "thorium")])
    stated = found["concentration_covariance"].values.mean(axis=2)
    seen = np.cov(c)
    np.testing.assert_allclose(np.diag(stated), np.diag(seen), rtol=0.12)
    assert stated[0, 1] / np.sqrt(stated[0, 0] * stated[1, 1]) == pytest.approx(
        seen[0, 1] / np.sqrt(seen[0, 0] * seen[1, 1]), abs=0.06
    )
    assert found["misfit"].values.mean() == pytest.approx(1.0, abs=0.1)


def test_no_concentration_is_negative_and_the_answer_is_that_of_a_reference_solver():
    rng = np.random.default_rng(9)
    stripping = standards(rng)
    table = spectra(rng, [0.05, 0.1, 0.2], 40, 60.0)
    found = strip(table, stripping)
    c = np.stack([found[name].values for name in ("potassium", "uranium", "thorium")])
    assert (c >= 0.0).all() and found["held_at_zero"].values.any()
    mass = 1.6 * np.pi * 6.6**2 / 4.0
    for r in range(0, 40, 7):
        n = np.array([table[f"counts_{w}"].values[r] for w in WINDOWS])
        fitted = (stripping.sensitivity @ c[:, r] * mass + stripping.background) * 60.0
        sigma = np.sqrt(np.maximum(fitted, 1.0)) / 60.0
        reference, _ = optimize.nnls(
            stripping.sensitivity * mass / sigma[:, None],
            (n / 60.0 - stripping.background) / sigma,
        )
        # the weights come from the fitted spectrum itself, found in three rounds
        assert np.all(np.abs(c[:, r] - reference) < 0.02 * (1.0 + reference))
    held = found["held_at_zero"].values.astype(bool)
    u = np.stack([found[f"{n}_u_random"].values for n in ("potassium", "uranium", "thorium")])
    assert (u[held] > 0.0).all()


def test_the_mass_in_view_scales_the_answer():
    rng = np.random.default_rng(4)
    stripping, table = standards(rng), spectra(rng, [1.6, 2.0, 7.0], 3, 3600.0)
    whole, half = strip(table, stripping), strip(table, stripping, filled_share=0.5)
    np.testing.assert_allclose(half["thorium"].values, 2.0 * whole["thorium"].values, rtol=1e-6)


def test_standards_that_do_not_tell_the_elements_apart_are_refused():
    counts = {w: cp.quantity([100.0, 200.0, 300.0], "count") for w in WINDOWS}
    given = {
        "mass": cp.quantity([50.0, 50.0, 50.0], "g/cm"),
        "background_counts": dict.fromkeys(WINDOWS, "10 count"), "background_time": "100 s",
    }  # fmt: skip
    with pytest.raises(ValueError, match="do not separate potassium, uranium and thorium"):
        natural_gamma.calibrate(
            counts, cp.quantity([100.0] * 3, "s"), potassium=cp.quantity([1.0, 2.0, 3.0], "%"),
            uranium=cp.quantity([1.0, 2.0, 3.0], "mg/kg"),
            thorium=cp.quantity([1.0, 2.0, 3.0], "mg/kg"), **given,
        )  # fmt: skip
    given["background_counts"] = {"low": "10 count"}
    with pytest.raises(ValueError, match="without background potassium, uranium, thorium"):
        natural_gamma.calibrate(
            counts, cp.quantity([100.0] * 3, "s"), potassium=cp.quantity([5.0, 0.0, 0.0], "%"),
            uranium=cp.quantity([0.0, 5.0, 0.0], "mg/kg"),
            thorium=cp.quantity([0.0, 0.0, 5.0], "mg/kg"), **given,
        )  # fmt: skip
    with pytest.raises(KeyError, match="there is no counts_low"):
        strip(
            spectra(np.random.default_rng(1), [1, 1, 1], 2, 60.0).drop_vars("counts_low"),
            standards(np.random.default_rng(1)),
        )


# Heat --------------------------------------------------------------------------------------------


def test_the_mass_basis_is_asked_for_and_matters():
    with pytest.raises(ValueError, match=r"overstate the heat 1\.9 times"):
        natural_gamma.heat_production("2 %", "3 mg/kg", "10 mg/kg", "1.5 g/cm^3")
    # one sediment, porosity 0.7, grains 2.70 and water 1.024 g/cm^3, given both ways
    wet, dry = 0.7 * 1.024 + 0.3 * 2.70, 0.3 * 2.70
    by_dry = natural_gamma.heat_production(
        "2 %", "3 mg/kg", "10 mg/kg", f"{dry} g/cm^3", mass_basis="dry"
    )["heat_production"].item()
    share = dry / wet
    by_wet = natural_gamma.heat_production(
        f"{2 * share} %", f"{3 * share} mg/kg", f"{10 * share} mg/kg", f"{wet} g/cm^3",
        mass_basis="wet",
    )["heat_production"].item()  # fmt: skip
    assert by_dry == pytest.approx(by_wet, rel=1e-12)
    mixed = natural_gamma.heat_production(
        "2 %", "3 mg/kg", "10 mg/kg", f"{wet} g/cm^3", mass_basis="wet"
    )["heat_production"].item()
    assert mixed / by_dry == pytest.approx(1.9, abs=0.05)


def test_heat_carries_covariance_and_effects_of_the_concentrations():
    rng = np.random.default_rng(8)
    table = spectra(rng, [1.6, 2.0, 7.0], 2000, 600.0)
    stripping = standards(rng, hours=200.0)
    found = strip(table, stripping)
    rho = series.build({"bulk_density": Measured(line(np.full(2000, 1.6), "g/cm^3"), 0.0, {
        "core_diameter": np.full(2000, 0.01)})})  # fmt: skip
    heat = natural_gamma.heat_production(found, found, found, rho, mass_basis="wet")
    name = "heat_production"
    assert np.std(heat[name].values) == pytest.approx(
        heat[f"{name}_u_random"].values.mean(), rel=0.1
    )
    expected = 1e-5 * 1600.0 * (9.52 * 2.0 + 2.56 * 7.0 + 3.48 * 1.6)
    assert heat[name].values.mean() == pytest.approx(expected, rel=0.03)
    assert "natural_gamma_background_low" in heat["source"].values
    assert heat.attrs["mass_basis"] == "wet"
