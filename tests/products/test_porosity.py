"""Porosity from density, and the grain density of the samples at the scan."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.products import porosity
from corephys.uncertainty import Measured


def _density(values=(1.5, 1.8, 2.1), effects=None, reason=0):
    n = len(values)
    array = xr.DataArray(
        np.asarray(values, float), dims="reading", coords={"depth": ("reading", np.arange(n) * 1.0)}
    )
    return series.build({"bulk_density": Measured(array, 0.01, effects or {}, reason)})


def test_closed_form_and_its_inverse():
    phi = np.array([0.2, 0.5, 0.8])
    rho = 2.7 * (1 - phi) + 1.024 * phi
    result = porosity.from_density(
        _density(rho), grain_density="2.70 g/cm^3", pore_water_density="1.024 g/cm^3"
    )
    np.testing.assert_allclose(result.porosity, phi, rtol=1e-12)


def test_uncertainty_is_that_of_a_shifted_input():
    density = _density(effects={"core_diameter": -0.02})
    keywords = {"grain_density": "2.70 g/cm^3", "pore_water_density": "1.024 g/cm^3"}
    base = porosity.from_density(
        density, grain_density_uncertainty="0.05 g/cm^3",
        pore_water_density_uncertainty="0.002 g/cm^3", **keywords,
    )  # fmt: skip
    shifted = porosity.from_density(_density(np.array([1.5, 1.8, 2.1]) - 0.02), **keywords)
    effect = base.porosity_effects.sel(source="core_diameter")
    np.testing.assert_allclose(effect, shifted.porosity - base.porosity, rtol=1e-9)
    grain = porosity.from_density(density, **{**keywords, "grain_density": "2.701 g/cm^3"})
    per_grain = (grain.porosity - base.porosity) / 0.001 * 0.05
    np.testing.assert_allclose(
        base.porosity_effects.sel(source="grain_density"), per_grain, rtol=2e-3
    )
    np.testing.assert_allclose(base.porosity_u_random, 0.01 / (2.7 - 1.024), rtol=1e-12)


def test_the_grain_density_of_the_density_is_the_same_error():
    density = _density(effects={"grain_density": -0.002})
    result = porosity.from_density(density, grain_density="2.70 g/cm^3",
                                   grain_density_uncertainty="0.05 g/cm^3")  # fmt: skip
    phi = result.porosity
    expected = (-1 / (2.7 - 1.024)) * -0.002 + (1 - phi) / (2.7 - 1.024) * 0.05
    np.testing.assert_allclose(result.porosity_effects.sel(source="grain_density"), expected)


def test_reasons_are_handed_on():
    result = porosity.from_density(_density(reason=flags.bit("void")))
    assert (result.porosity_flag == flags.BAD).all()


def test_positions_must_agree():
    other = porosity.grain_density_at(_samples(), to=_density((1.5, 1.6)))
    with pytest.raises(series.PositionError, match=r"depth\.match"):
        porosity.from_density(_density(), grain_density=other)


def _samples(n=21, bad=None):
    depth = np.linspace(0, 2, n)
    values = xr.DataArray(2.70 + 0.01 * depth, dims="reading", coords={"depth": ("reading", depth)})
    reason = np.zeros(n, dtype=np.int64)
    if bad is not None:
        values[bad] = 3.6
        reason[bad] = flags.bit("grain_density_outlier")
    mask = xr.zeros_like(values, np.int64) + reason
    return series.build({"grain_density": Measured(values, 0.005, {"balance": 0.003}, mask)})


def test_grain_density_is_carried_with_its_effects():
    result = porosity.grain_density_at(_samples(bad=7), to=_density())
    np.testing.assert_allclose(result.grain_density, [2.70, 2.71, 2.72], atol=0.002)
    np.testing.assert_allclose(result.grain_density_effects.sel(source="balance"), 0.003)
    ours = [s for s in result.source.values if s.startswith("grain_density")]
    own = (result.grain_density_effects.sel(source=ours) ** 2).sum("source")
    assert (own > 0).all()  # every reading lies in one stretch
    assert ours == ["grain_density_1", "grain_density_2", "grain_density_3", "grain_density_4"]
    assert flags.names(int(result.grain_density_reason[0])) == ["interpolated_input"]


def test_too_few_samples():
    two = porosity.grain_density_at(_samples(n=2), to=_density())
    assert np.isnan(two.grain_density_u_systematic).all()
    with pytest.raises(ValueError, match="give grain_density as a constant"):
        porosity.grain_density_at(_samples(n=2).assign(
            grain_density_flag=("reading", np.array([4, 4], np.int8))), to=_density())  # fmt: skip


def test_one_grain_density_for_a_hole_is_the_median_and_the_scatter_of_its_samples():
    values = [2.68, 2.71, 2.70, 2.90, 2.72, 9.9]
    flag = np.array([1, 1, 1, 1, 1, 4], np.int8)
    array = xr.DataArray(values, dims="reading", attrs={"units": "g/cm^3"})
    samples = xr.Dataset({"grain_density": array}).assign(grain_density_flag=("reading", flag))
    found = porosity.grain_density_of_hole(samples)
    # By hand: median of 2.68 2.70 2.71 2.72 2.90; distances 0.03 0.01 0 0.01 0.19, their median.
    assert found.value == pytest.approx(2.71, abs=1e-12)
    assert found.uncertainty == pytest.approx(1.4826 * 0.01, abs=1e-12)
    assert "median of 5 samples" in found.citation
    assert porosity.grain_density_of_hole(samples.isel(reading=[0, 1, 5])) is None
    equal = samples.isel(reading=[0, 0, 0])
    assert np.isnan(porosity.grain_density_of_hole(equal).uncertainty)


def _layered():
    """Samples every metre, light above 10 m and heavy below."""
    depth = np.arange(0.5, 20.0)
    scatter = 0.01 * np.cos(3.0 * depth)
    values = np.where(depth < 10.0, 2.6, 2.8) + scatter
    coords = {"depth": ("reading", depth, {"units": "m"})}
    array = xr.DataArray(values, dims="reading", coords=coords)
    return series.build({"grain_density": Measured(array, 0.002, {"balance": 0.001}, 0)})


def _at(depth):
    return xr.Dataset(coords={"depth": ("reading", np.asarray(depth, float), {"units": "m"})})


def _layer(depth):
    return np.where(np.asarray(depth) < 10.0, "mud", "chalk").astype(object)


def test_grain_density_is_not_carried_over_the_top_of_a_layer():
    samples, at = _layered(), [2.0, 9.9, 10.1, 18.0]
    plain = porosity.grain_density_at(samples, to=_at(at))
    bounded = porosity.grain_density_at(
        samples, to=_at(at), sample_layer=_layer(samples["depth"]), layer=_layer(at)
    )
    # Interpolated over the boundary, both neighbours of it are half-way between the layers.
    assert abs(float(plain["grain_density"][1]) - 2.7) < 0.05
    np.testing.assert_allclose(bounded["grain_density"], [2.6, 2.6, 2.8, 2.8], atol=0.012)
    np.testing.assert_allclose(
        bounded["grain_density"][[0, 3]], plain["grain_density"][[0, 3]], rtol=1e-12
    )
    shared = bounded["grain_density_effects"].sel(
        source=[s for s in bounded["source"].values if s.startswith("grain_density_")]
    )
    assert (np.abs(shared.values) > 0).sum(axis=0).tolist() == [1, 1, 1, 1]
    assert (shared.values[:, 1] * shared.values[:, 2] == 0).all(), "layers share an error"


def test_a_layer_without_a_sample_takes_the_hole_with_its_spread():
    samples, at = _layered(), [5.0, 15.0, 30.0]
    names = np.array(["mud", "chalk", "basalt"], dtype=object)
    found = porosity.grain_density_at(
        samples, to=_at(at), sample_layer=_layer(samples["depth"]), layer=names
    )
    assert found.attrs["layers_without_samples"] == "basalt"
    u = found["grain_density_u_systematic"].values
    assert u[2] > 0.1 > 10 * u[0]


def test_layers_are_given_for_all_or_for_none():
    with pytest.raises(ValueError, match="give sample_layer and layer with a name for each"):
        porosity.grain_density_at(_layered(), to=_at([1.0]), layer=_layer([1.0]))


def test_the_order_of_repeats_at_one_depth_does_not_matter():
    samples = _layered().isel(reading=[0, 0, 1, 1, 2, 3, 4])
    samples["grain_density"][:] = [2.6, 2.7, 2.65, 2.75, 2.7, 2.68, 2.66]
    turned = samples.isel(reading=[1, 0, 3, 2, 4, 6, 5])
    for name in ("grain_density", "grain_density_u_systematic"):
        np.testing.assert_array_equal(
            porosity.grain_density_at(samples, to=_at([0.5, 1.2, 3.0]))[name],
            porosity.grain_density_at(turned, to=_at([0.5, 1.2, 3.0]))[name],
        )
