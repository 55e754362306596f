"""Many temperatures: means against all of them, no bias, and cost in proportion to their number."""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.hole.placing import depth as hole_depth
from corephys.numerics.line import york
from corephys.products import heat_flow
from corephys.products.heat_flow import carriers, stations
from corephys.products.heat_flow.carriers import CARRIERS, Points, smooth_resistivity
from corephys.uncertainty import Measured
from tests.simulation import dense_temperatures as dense

# Simulated truth or whole series: the file takes long.
pytestmark = pytest.mark.slow

WATER = {
    "bottom_water_temperature": "2.0 degC", "bottom_water_temperature_uncertainty": "0.005 K",
}  # fmt: skip
BOTTOM, FLOW = 400.0, 40.0


def _series(name, depth, values, u=0.01, effects=None):
    array = xr.DataArray(
        np.asarray(values, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})},
    )  # fmt: skip
    return series.build({name: Measured(array, u, effects or {})})


def _hole(rng, size, scatter=0.12, bed=0.5, u=0.005, needles=40):
    """Beds of lognormal thickness and conductivity; what was measured in them."""
    thick = bed * np.exp(rng.normal(0.0, 0.4, int(2 * BOTTOM / bed)))
    edge = np.append(0.0, np.cumsum(thick))
    middle = 0.5 * (edge[1:] + edge[:-1])
    k = (0.9 + 0.001 * middle) * np.exp(scatter * rng.normal(size=middle.size))
    resistance = np.append(0.0, np.cumsum(np.diff(edge) / k))
    at = np.linspace(BOTTOM / size, BOTTOM, size)
    warm = 2.0 + 1e-3 * FLOW * np.interp(at, edge, resistance) + u * rng.normal(size=size)
    known = np.linspace(3.0, BOTTOM - 1.0, needles)
    read = k[np.searchsorted(edge, known) - 1] * (1.0 + 0.02 * rng.normal(size=needles))
    power = xr.DataArray(0.01 * read, dims="reading")
    return (
        _series("equilibrium_temperature", at, warm, u, {"thermometer": 0.002}),
        _series("thermal_conductivity", known, read, 0.02 * read, {"heating_power": power}),
    )


def _line(warm, needles, **options):
    resistance = heat_flow.thermal_resistance(needles, at=warm, **options)
    return heat_flow.bullard(warm, resistance, **WATER)


@pytest.mark.slow
@pytest.mark.parametrize("size", [20, 200, 2000])
def test_dense_temperatures_do_not_bias_the_heat_flow(size):
    """Weights at each reading's own conductivity gave 41 at 20 and 42 at 200 temperatures."""
    rng = np.random.default_rng([size, 3])
    found = [_line(*_hole(rng, size)) for _ in range(40)]
    flow = np.array([float(one["heat_flow"]) for one in found])
    error = flow.std() / np.sqrt(flow.size)
    assert abs(flow.mean() - FLOW) < 3.0 * error + 0.05
    inside = [
        abs(float(one["heat_flow"]) - FLOW) <= float(one["heat_flow_u_random"]) for one in found
    ]
    # Three binomial standard deviations of 68 % among 40.
    assert 0.46 < np.mean(inside) < 0.90
    assert all(int(one["heat_flow_flag"]) == flags.GOOD for one in found)


@pytest.mark.parametrize("how", CARRIERS)
def test_means_give_the_line_of_all_temperatures(how, monkeypatch):
    warm, needles = _hole(np.random.default_rng(5), 450)
    options = {"how": how, "depth_uncertainty": "0.2 m", "datum_uncertainty": "0.1 m"}
    means = _line(warm, needles, **options)
    assert means.attrs["points_used"] == 201 and means.attrs["temperature_means"] == 200
    assert means.attrs["temperatures_used"] == 450
    monkeypatch.setattr(stations, "FEW", 1000)
    monkeypatch.setattr("corephys.products.heat_flow.resistance.FEW", 1000)
    every = _line(warm, needles, **options)
    assert every.attrs["points_used"] == 451
    u = float(every["heat_flow_u_random"])
    assert float(means["heat_flow"]) == pytest.approx(float(every["heat_flow"]), abs=0.15 * u)
    # The scatter that is added is found from another chi-square, of 199 in place of 449.
    assert float(means["heat_flow_u_random"]) == pytest.approx(u, rel=0.05)
    np.testing.assert_allclose(
        means["heat_flow_effects"], every["heat_flow_effects"], rtol=0.01, atol=0.01
    )


@pytest.mark.slow
def test_errors_of_depth_that_are_not_there_do_not_bias_the_heat_flow():
    """Weights that follow the data mistake beds for errors of depth: 43 at 450 temperatures."""
    rng = np.random.default_rng(4)
    flow = np.array([
        float(_line(*_hole(rng, 450), depth_uncertainty="0.3 m")["heat_flow"]) for _ in range(30)
    ])  # fmt: skip
    assert abs(flow.mean() - FLOW) < 3.0 * flow.std() / np.sqrt(flow.size) + 0.05


def test_means_are_weighted_by_their_variances():
    depth = np.linspace(0.0, 10.0, 400)
    variance = np.where(np.arange(400) % 2, 1.0, 4.0)
    means = stations.Means.over_cells(np.arange(400), depth, variance)
    values = np.random.default_rng(1).normal(size=400)
    first = means.cell == 0
    expected = np.average(values[first], weights=1.0 / variance[first])
    assert means.of(values)[0] == pytest.approx(expected)
    assert means.variance(variance)[0] == pytest.approx(1.0 / np.sum(1.0 / variance[first]))
    unknown = stations.Means.over_cells(np.arange(400), depth, np.full(400, np.nan))
    assert unknown.of(values)[0] == pytest.approx(values[unknown.cell == 0].mean())


@pytest.mark.parametrize("how", CARRIERS)
def test_covariance_of_means_is_that_of_the_readings_averaged(how):
    """The matrix between all depths, averaged by hand, against what is computed from the points."""
    warm, needles = _hole(np.random.default_rng(6), 300)
    carried = carriers.carry(needles, how, ("good",))
    depth = warm["depth"].values
    carrier = carried.carrier
    errors = stations.DepthErrors(np.full(300, 0.2), np.full((1, 300), 0.1), np.arange(300) // 7)
    means = stations.Means.over_cells(np.arange(300), depth, np.full(300, 1e-4))
    parts = stations.resistance_covariances(carrier, depth, errors, means)
    weights, average = carrier.weights(depth), np.zeros((means.size, 300))
    average[means.cell, np.arange(300)] = means.share
    whole = (weights * (carrier.own + carrier.spread)) @ weights.T
    np.testing.assert_allclose(
        parts["conductivity"] + parts["natural scatter of conductivity"],
        average @ whole @ average.T, rtol=1e-9,
    )  # fmt: skip
    same = errors.group[:, None] == errors.group[None, :]
    shaky = 0.04 * np.eye(300) + np.where(same, 0.01, 0.0)
    local = carrier.local(depth)
    expected = average @ (np.outer(local, local) * shaky) @ average.T
    np.testing.assert_allclose(parts["depth"], expected, rtol=1e-9, atol=1e-12)


def test_depths_that_share_an_error_are_carried_for_many_temperatures(monkeypatch):
    warm, needles = _hole(np.random.default_rng(7), 260)
    station = np.array([f"{i // 20}" for i in range(260)], dtype=object)
    warm = warm.assign_coords(station=("reading", station))
    errors = hole_depth.uncertainty(warm, tide="1 m", heave="0.3 m", drill_string="0 m")
    few = warm.isel(reading=slice(0, 180))
    options = {"depth_uncertainty": errors}
    resistance = heat_flow.thermal_resistance(needles, at=warm, **options)
    assert "thermal_resistance_covariance" not in resistance
    again = heat_flow.thermal_resistance(
        needles, at=few, depth_uncertainty=errors.isel(reading=slice(0, 180))
    )
    # The readings that both hold, once from the matrix and once from the compact form.
    monkeypatch.setattr(stations, "FEW", 1000)
    bad = warm.copy(deep=True)
    bad["equilibrium_temperature_flag"][180:] = flags.BAD
    one, two = heat_flow.bullard(bad, resistance), heat_flow.bullard(few, again)
    assert float(one["heat_flow"]) == pytest.approx(float(two["heat_flow"]), rel=1e-9)
    np.testing.assert_allclose(
        one["heat_flow_random_parts"], two["heat_flow_random_parts"], rtol=1e-6
    )


def test_a_reading_high_by_chance_weighs_no_more_than_its_neighbours():
    z = np.linspace(5.0, 200.0, 14)
    k = np.full(14, 1.0)
    k[6] = 1.5
    smooth = smooth_resistivity(Points(z, k, 0.02 * k, {}), "linear")
    assert np.ptp(smooth) < 0.05
    carrier = carriers.carry(
        _series("thermal_conductivity", z, k, 0.02 * k), "linear", ("good",)
    ).carrier
    assert np.ptp(carrier.spread) < 0.2 * carrier.spread.mean()
    assert np.ptp(carrier.own) < 0.2 * carrier.own.mean()


@pytest.mark.slow
def test_simulated_holes_of_few_and_of_many_temperatures():
    """The program of docs/accuracy.md with a few holes."""
    for size in (7, 1000):
        row = dense.score(40, 21, size, 2.0)
        assert abs(row["bias"]) < 3.5 * row["of_bias"]
        # 68 % and three binomial standard deviations of 40 holes, and some width beyond.
        assert 0.46 < row["inside"] < 0.96
        assert row["good"] > 0.9


@pytest.mark.slow
def test_needles_in_the_laboratory_are_covered_and_corrected():
    plain = dense.score(60, 22, 14, 2.0, dense.WAYS[1])
    corrected = dense.score(60, 22, 14, 2.0, dense.WAYS[2])
    assert plain["bias"] > corrected["bias"] + 0.01
    assert abs(corrected["bias"]) < 3.5 * corrected["of_bias"]
    for row in (plain, corrected):
        assert 0.50 < row["inside"] < 0.95
    assert plain["stated"] > corrected["stated"]


def _everything(warm, needles):
    depths = {"depth_uncertainty": "0.3 m", "datum_uncertainty": "0.3 m"}
    resistance = heat_flow.thermal_resistance(needles, at=warm, **depths)
    late = heat_flow.bottom_water_anomaly(
        warm, change="0.1 K", since="20 yr", change_uncertainty="0.05 K"
    )
    made = heat_flow.heat_production_correction(
        "1 uW/m^3", needles, at=warm, heat_production_uncertainty="0.3 uW/m^3"
    )
    where = units.quantity(np.linspace(0.0, 600.0, 101), "m")
    heat_flow.bullard(warm, resistance, **WATER)
    heat_flow.compare_carriers(warm, needles, **WATER, **depths)
    heat_flow.intervals(warm, resistance, **WATER)
    heat_flow.curvature(warm, resistance, **WATER)
    heat_flow.monte_carlo(warm, needles, **WATER, **depths)
    heat_flow.corrections(warm, resistance, anomalies={"water": late, "heat": made}, **WATER)
    heat_flow.temperature_at(where, warm, needles, **WATER, **depths)


def test_everything_for_25000_temperatures_takes_seconds_and_little_memory():
    """One matrix between all of them would hold 4.9 GB."""
    warm, needles = _hole(np.random.default_rng(8), 24833)
    _everything(*_hole(np.random.default_rng(8), 50))  # imports
    start = time.process_time()
    tracemalloc.start()
    _everything(warm, needles)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert time.process_time() - start < 30.0
    assert peak < 200e6


def test_residuals_stand_at_every_temperature():
    warm, needles = _hole(np.random.default_rng(9), 600)
    warm["equilibrium_temperature_flag"][17] = flags.BAD
    found = heat_flow.curvature(warm, heat_flow.thermal_resistance(needles, at=warm))
    assert found["residual"].shape == (3, 600)
    left_out = np.isnan(found["residual"].sel(model="line").values)
    assert np.flatnonzero(left_out).tolist() == [17]
    assert np.nanstd(found["residual"].sel(model="line")) < 0.5


def test_a_covariance_that_is_given_is_taken_for_any_number_of_temperatures():
    warm, needles = _hole(np.random.default_rng(11), 250)
    resistance = heat_flow.thermal_resistance(needles, at=warm)
    own = resistance.drop_vars([n for n in resistance if n.startswith("carried_")])
    matrix = np.diag(resistance["thermal_resistance_u_random"].values ** 2)
    own["thermal_resistance_covariance"] = (("reading", "reading_2"), matrix)
    found = heat_flow.bullard(warm, own)
    assert found.attrs["points_used"] == 250
    # Independent errors and no guide: the line of York.
    line = york(
        own["thermal_resistance"].values, warm["equilibrium_temperature"].values,
        resistance["thermal_resistance_u_random"].values, np.full(250, 0.005),
    )  # fmt: skip
    assert found.attrs["chi_square"] == pytest.approx(line.chi_square, rel=1e-6)


def test_what_the_functions_of_heat_flow_cannot_use_is_refused():
    warm, needles = _hole(np.random.default_rng(10), 300)
    resistance = heat_flow.thermal_resistance(needles, at=warm)
    with pytest.raises(ValueError, match="compute them with thermal_resistance"):
        heat_flow.bullard(warm, resistance.drop_vars("carried_resistivity"))
    same = _series("equilibrium_temperature", np.full(300, 50.0), np.full(300, 4.0))
    with pytest.raises(ValueError, match="1 usable points make no line"):
        heat_flow.bullard(same, heat_flow.thermal_resistance(needles, at=same))
