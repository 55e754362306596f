"""Compaction fits: recovery, coverage, effects, and verdicts that do not flatter."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series, units
from corephys.products import compaction
from corephys.uncertainty import Measured


def _samples(n=60, scatter=0.0, u=0.01, seed=1, effects=None, a=0.7, length=900.0, reason=0):
    rng = np.random.default_rng(seed)
    depth = np.sort(rng.uniform(0, 400, n))
    values = a * np.exp(-depth / length) + rng.normal(0, np.hypot(scatter, u), n)
    array = xr.DataArray(values, dims="reading", coords={"depth": ("reading", depth)})
    mask = xr.zeros_like(array, dtype=np.int64) + reason
    return series.build({"porosity": Measured(array, u, effects or {}, mask)})


def test_natural_scatter_is_found_and_covered():
    pulls, scatters = [], []
    for seed in range(120):
        data = compaction.fit(_samples(scatter=0.03, seed=seed), absolute_sigma=True).dataset
        pulls.append((float(data.decay_length) - 900.0) / float(data.decay_length_u_random))
        scatters.append(data.attrs["excess_scatter"])
    # Four standard errors of a coverage over 120 holes are 17 %.
    assert 0.51 < np.mean(np.abs(pulls) < 1) < 0.85
    assert np.mean(scatters) == pytest.approx(0.03, rel=0.1)


def test_without_natural_scatter_the_stated_uncertainties_stand():
    fit = compaction.fit(_samples(), absolute_sigma=True, excess_scatter=False)
    wider = compaction.fit(_samples(u=0.02), absolute_sigma=True, excess_scatter=False)
    assert np.isnan(fit.dataset.attrs["excess_scatter"])
    ratio = float(wider.dataset.decay_length_u_random / fit.dataset.decay_length_u_random)
    assert ratio == pytest.approx(2.0, rel=0.2)


def test_effects_are_what_a_shifted_porosity_does():
    base = _samples(effects={"pycnometer": 0.004})
    shifted = _samples()
    shifted["porosity"] = shifted["porosity"] + 0.004
    shifted["porosity"].attrs["units"] = "1"
    one = compaction.fit(base, absolute_sigma=True).dataset
    two = compaction.fit(shifted, absolute_sigma=True).dataset
    for name in ("surface_porosity", "decay_length"):
        effect = float(one[f"{name}_effects"].sel(source="pycnometer"))
        assert effect == pytest.approx(float(two[name] - one[name]), rel=0.03)


def test_flagged_porosities_are_left_out_and_counted():
    reason = np.zeros(60, dtype=np.int64)
    reason[:7] = flags.bit("inconsistent_masses")
    fit = compaction.fit(_samples(reason=reason), absolute_sigma=True)
    assert fit.dataset.attrs["points_used"] == 53
    assert fit.dataset.attrs["points_left_out"] == 7


def test_a_good_fit_breaks_no_rule_and_a_poor_one_does():
    assert compaction.fit(_samples(), absolute_sigma=True).verdict == ()
    flat = _samples(a=0.6, length=1e5, scatter=0.05)
    verdict = compaction.fit(flat, absolute_sigma=True).verdict
    assert any("predicts little" in trouble for trouble in verdict)
    wave = _samples()
    wave["porosity"] = wave["porosity"] + 0.08 * np.sin(wave["depth"] / 30)
    wave["porosity"].attrs["units"] = "1"
    assert any("trend" in t for t in compaction.fit(wave, absolute_sigma=True).verdict)


def test_a_bound_is_named_and_leaves_no_false_error():
    depth = np.linspace(0, 100, 30)
    steep = xr.DataArray(
        np.clip(1.5 * np.exp(-depth / 40), None, 0.99), dims="reading",
        coords={"depth": ("reading", depth)}, attrs={"units": "1"},
    )  # fmt: skip
    fit = compaction.fit(steep, absolute_sigma=False)
    assert any("bound reached" in trouble for trouble in fit.verdict)
    assert np.isnan(float(fit.dataset.surface_porosity_u_random))
    assert int(fit.dataset.surface_porosity_flag) == flags.SUSPECT


def test_band_widens_with_effects_and_holds_the_curve():
    fit = compaction.fit(_samples(effects={"pycnometer": 0.01}), absolute_sigma=True)
    bare = compaction.fit(_samples(), absolute_sigma=True)
    grid = units.quantity(np.array([0.0, 200.0, 400.0]), "m")
    wide, narrow = fit.predict(grid), bare.predict(grid)
    assert ((wide.upper - wide.lower) > (narrow.upper - narrow.lower)).all()
    np.testing.assert_allclose(wide.porosity, 0.7 * np.exp(-wide.depth / 900.0), atol=0.02)


def test_errors_teach():
    data = _samples()
    with pytest.raises(ValueError, match="outside 0 to 1; if the values are in per cent"):
        compaction.fit(
            xr.DataArray(np.full(9, 55.0), dims="reading",
                         coords={"depth": ("reading", np.arange(9.0))}, attrs={"units": "1"}),
            absolute_sigma=False,
        )  # fmt: skip
    with pytest.raises(ValueError, match="too few for a fit"):
        compaction.fit(data.isel(reading=slice(0, 4)), absolute_sigma=True)
    with pytest.raises(ValueError, match="model is 'cubic'; expected one of exponential, offset"):
        compaction.fit(data, model="cubic", absolute_sigma=True)
    with pytest.raises(
        ValueError, match="robust is 'bisquare'; expected one of none, huber, tukey"
    ):
        compaction.fit(data, robust="bisquare", absolute_sigma=True)
    with pytest.raises(ValueError, match="needs the vertical effective stress at the porosities"):
        compaction.fit(data, model="exponential_in_stress", absolute_sigma=True)
    with pytest.raises(ValueError, match="60 porosities and 7 stresses do not make pairs"):
        compaction.fit(data, stress=units.quantity(np.arange(7.0), "kPa"), absolute_sigma=True)
    with pytest.raises(ValueError, match="no parameter 'decay'; it has surface_porosity, decay_"):
        compaction.fit(data, fixed={"decay": "900 m"}, absolute_sigma=True)
    with pytest.raises(ValueError, match=r"fixed at 1\.2; it has to lie between 0 and 1"):
        compaction.fit(data, fixed={"surface_porosity": 1.2}, absolute_sigma=True)
    with pytest.raises(ValueError, match="decay_length is fixed at zero"):
        compaction.fit(data, fixed={"decay_length": "0 m"}, absolute_sigma=True)
    with pytest.raises(ValueError, match="bed_thickness is -1 m; it has to be zero or more"):
        compaction.fit(data, bed_thickness="-1 m", absolute_sigma=True)
    level = data.assign_coords(depth=("reading", np.full(60, 10.0), {"units": "m"}))
    with pytest.raises(ValueError, match="all 60 usable porosities lie at one depth, 10 m"):
        compaction.fit(level, absolute_sigma=True)
    load = units.quantity(np.full(60, 80.0), "kPa")
    with pytest.raises(ValueError, match="lie at one effective stress, 80 kPa"):
        compaction.fit(data, stress=load, model="void_ratio_in_log_stress", absolute_sigma=True)
    with pytest.raises(ValueError, match="fixed names every parameter"):
        both = {"surface_porosity": 0.7, "decay_length": "900 m"}
        compaction.fit(data, fixed=both, absolute_sigma=True)
    with pytest.raises(ValueError, match="have no depth"):
        compaction.fit(units.quantity(np.full(9, 0.5), "1"), absolute_sigma=False)
    bare = xr.DataArray(data.porosity.values, dims="reading",
                        coords={"depth": data.depth}, attrs={"units": "1"})  # fmt: skip
    with pytest.raises(ValueError, match=r"60 of 60 .* missing.*use absolute_sigma=False"):
        compaction.fit(bare, absolute_sigma=True)


def test_the_fit_reads_well():
    text = repr(compaction.fit(_samples(), absolute_sigma=True))
    assert "exp(-z / " in text and "no rule is broken" in text


def test_depths_in_centimetres_are_depths_in_metres():
    data = _samples()
    z = data["depth"].values
    fine = data.assign_coords(depth=("reading", z * 100.0, {"units": "cm"}))
    expected = compaction.fit(data, absolute_sigma=True).values
    np.testing.assert_allclose(compaction.fit(fine, absolute_sigma=True).values, expected)
    given = compaction.fit(
        data.drop_vars("depth"), depth=units.quantity(z * 100.0, "cm"), absolute_sigma=True
    )
    np.testing.assert_allclose(given.values, expected)
