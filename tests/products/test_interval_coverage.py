"""Intervals in layered sediment: coverage must not collapse, doubtful ones must be flagged."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.products import compaction
from corephys.uncertainty import Measured
from tests.simulation import layered_coverage


# Regression with fixed seeds. Taking neighbours as independent gives 18 to 60 % in these rows.
@pytest.mark.parametrize(("thickness", "number"), [(0.0, 12), (10.0, 25), (15.0, 300)])
def test_coverage_does_not_collapse(thickness, number):
    stated, unknown = layered_coverage.count(77, thickness, number, 40)
    for way in (stated, unknown):
        assert 0.60 <= way[:, 0].mean() <= 0.92  # the compaction length
        assert 0.60 <= way[:, 2].mean() <= 0.95  # the tie


def hole(thickness, number=60, seed=3, noise=0.004):
    rng = np.random.default_rng(seed)
    z = np.sort(rng.uniform(0.0, 290.0, number))
    y = 0.7 * np.exp(-z / 800.0) + 0.02 * layered_coverage.beds(rng, thickness, z)
    y += rng.normal(0.0, noise, number)
    array = xr.DataArray(y, dims="reading", coords={"depth": ("reading", z)})
    return series.build({"porosity": Measured(array, noise, {"pycnometer": 0.003})})


@pytest.mark.parametrize("absolute", [True, False])
def test_thick_beds_leave_few_independent_readings_and_are_flagged(absolute):
    thin, thick = (
        compaction.fit(hole(beds), absolute_sigma=absolute).dataset for beds in (0.2, 60.0)
    )
    assert thick["effective_number"] < 5.0 < thin["effective_number"]
    assert thick["correlation_length"] > 10.0 > thin["correlation_length"]
    assert thick["growth_factor"].min() > 2.0 > thin["growth_factor"].max()
    few = flags.bit("few_independent_readings")
    assert int(thick["decay_length_reason"]) & few and not int(thin["decay_length_reason"]) & few
    assert int(thick["decay_length_flag"]) == flags.SUSPECT


@pytest.mark.parametrize("model", ["offset_exponential", "linear", "power"])
@pytest.mark.parametrize("robust", ["none", "huber"])
def test_the_rule_is_the_same_for_every_model(model, robust):
    fits = [
        compaction.fit(
            hole(30.0), model=model, robust=robust, absolute_sigma=True, **choice
        ).dataset
        for choice in ({}, {"excess_scatter": False})
    ]
    last = compaction.MODELS[model].names[-1]
    assert float(fits[0]["effective_number"]) < 20.0
    assert float(fits[0][f"{last}_u_random"]) > 1.3 * float(fits[1][f"{last}_u_random"])
    if robust == "none":
        assert fits[1]["growth_factor"].values == pytest.approx(1.0)


def test_the_interval_of_a_length_is_symmetric_in_its_reciprocal_and_may_be_open():
    found = compaction.fit(hole(2.0), absolute_sigma=True).dataset
    value, u = (float(found[f"decay_length{end}"]) for end in ("", "_u_random"))
    lower, upper = (float(found[f"decay_length_{end}"]) for end in ("lower", "upper"))
    assert 1.0 / lower - 1.0 / value == pytest.approx(u / value**2)
    assert 1.0 / value - 1.0 / upper == pytest.approx(u / value**2)
    z = np.linspace(0.0, 290.0, 30)
    flat = xr.DataArray(
        0.5 + 0.03 * np.sin(z), dims="reading", coords={"depth": ("reading", z)},
        attrs={"units": "1"},
    )  # fmt: skip
    open_ended = compaction.fit(flat, absolute_sigma=False).dataset
    ends = [float(open_ended[f"decay_length_{end}"]) for end in ("lower", "upper")]
    assert np.isinf(ends).any() and np.isfinite(ends).any()


def test_the_card_says_how_many_readings_count():
    text = repr(compaction.fit(hole(60.0), absolute_sigma=True))
    assert "effective number of readings" in text and "few independent readings" in text
