"""Intervals of wide and slim probes against exact physics with every input in error."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.downhole import temperature as formation
from corephys.ground import units
from data_demo.simulator import cylinder as independent

NAME = "equilibrium_temperature"


def _reduce(rng, number, *, radius, own, duration, error=0.10, step=10.0):
    """Errors of the temperature and stated uncertainties of simulated stations."""
    k, c = rng.uniform(0.8, 1.5, number), rng.uniform(2.9e6, 3.7e6, number)
    truth, pulse = rng.uniform(3, 30, number), rng.uniform(2, 5, number)
    shift = rng.normal(0, 3.0, number)
    t = np.arange(0.0, duration + step / 2, step)
    values = []
    for i in range(number):
        alpha = 2 * np.pi * radius**2 * c[i] / own
        tau = k[i] / c[i] / radius**2 * np.maximum(t - shift[i], 0)
        y = truth[i] + pulse[i] * independent.decay(tau, alpha)
        values.append(np.where(t < shift[i], 2.0, y + rng.normal(0, 2e-3, t.size)))
    names = np.array([f"T{i}" for i in range(number)], dtype=object)

    def column(x, unit):
        return xr.DataArray(np.asarray(x, dtype=float), dims="row", attrs={"units": unit})

    table = xr.Dataset(
        {
            "station": ("row", np.repeat(names, t.size)),
            "time": column(np.tile(t, number) + 900.0, "s"),
            "temperature": column(np.concatenate(values), "degC"),
        }
    )
    stations = xr.Dataset(
        {
            "station": ("row", names),
            "tool": ("row", np.full(number, "probe", dtype=object)),
            "depth": column(np.arange(number), "m"),
            "penetration_time": column(np.full(number, 900.0), "s"),
            "end_time": column(np.full(number, 1e6), "s"),
        }
    )
    tools = xr.Dataset(
        {
            "tool": ("row", np.array(["probe"], dtype=object)),
            "radius": column([1e3 * radius], "mm"),
            "heat_capacity": column([own], "J/(m K)"),
            "u_heat_capacity": column([0.0], "J/(m K)"),
        }
    )
    found = formation.equilibrium_temperature(
        table, stations, tools,
        conductivity=units.quantity(k * (1 + error * rng.normal(size=number)), "W/(m K)"),
        conductivity_uncertainty=f"{100 * error} %",
        volumetric_heat_capacity=units.quantity(
            c * (1 + error * rng.normal(size=number)) / 1e6, "MJ/(m^3 K)"
        ),
        heat_capacity_uncertainty=f"{100 * error} %", thermometer_uncertainty="0 K",
    )  # fmt: skip
    u = np.hypot(found[f"{NAME}_u_random"], found[f"{NAME}_u_systematic"]).values
    return found[NAME].values - truth, u, found


@pytest.mark.slow
def test_wide_probe_covers_two_thirds():
    """200 stations of a tool of 20 mm: k and heat capacity of each drawn with 10 %."""
    error, u, _ = _reduce(np.random.default_rng(5), 200, radius=20e-3, own=3500.0, duration=900.0)
    assert np.isfinite(u).all()
    assert 0.60 <= np.mean(np.abs(error) <= u) <= 0.76
    assert 0.90 <= np.mean(np.abs(error) <= 2 * u) <= 0.99


def test_slim_probe_of_ten_minutes_is_within_a_fiftieth_of_a_degree():
    error, u, found = _reduce(
        np.random.default_rng(6), 30, radius=4e-3, own=180.0, duration=600.0, step=5.0
    )
    assert np.abs(error).max() < 0.02
    assert u.max() < 0.02
    assert (found["extrapolated_fraction"] < 0.1).all()


def test_uncertainty_grows_as_the_record_shortens():
    medians = [
        np.median(
            _reduce(np.random.default_rng(7), 12, radius=20e-3, own=3500.0, duration=d)[1]
        )
        for d in (3600.0, 1800.0, 900.0, 450.0)
    ]  # fmt: skip
    assert (np.diff(medians) > 0).all()
    assert medians[-1] > 3 * medians[0]
