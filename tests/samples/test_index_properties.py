"""Index properties: published rows, exact derivatives, uncertainty by simulation, and blunders."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, units
from corephys.ground.series import PositionError
from corephys.samples import index_properties as index
from corephys.samples.index_properties import outliers
from corephys.samples.index_properties.phases import PROPERTIES, phases, phases_with_partials

FLUID = {
    "salinity": "35 g/kg", "pore_water_density": "1.024 g/cm^3", "salt_density": "2.20 g/cm^3",
}  # fmt: skip


def _series(values, unit, depth=None):
    values = np.asarray(values, dtype=float)
    coords = {"depth": ("reading", np.arange(values.size, dtype=float) if depth is None else depth)}
    return xr.DataArray(values, dims="reading", coords=coords, attrs={"units": unit})


def _samples(number=40, seed=1, grain=2.70, scatter=0.01):
    """Masses and dry volumes of samples with known phases, written out from the definition."""
    rng = np.random.default_rng(seed)
    volume = rng.uniform(8.0, 11.0, number)
    porosity = 0.6 + rng.normal(0.0, scatter, number)
    grains = volume * (1.0 - porosity)
    brine = volume * porosity * 1.024
    salt = 0.035 * brine
    wet, dry = grains * grain + brine, grains * grain + salt
    return wet, dry, grains + salt / 2.20, porosity


def _relations(wet, dry, dry_volume, **keywords):
    return index.phase_relations(
        _series(wet, "g"), _series(dry, "g"), _series(dry_volume, "cm^3"), **FLUID, **keywords
    )


def test_full_row_with_salt():
    """Mt 20 g, Md 13 g, Vd 4.80 cm^3, salt 2.22 g/cm^3: evaluated by hand from Blum (1997)."""
    row = index.phase_relations(
        "20 g", "13 g", "4.80 cm^3", salinity="35 g/kg", pore_water_density="1.024 g/cm^3",
        salt_density="2.22 g/cm^3",
    )  # fmt: skip
    expected = {
        "bulk_density": 1.6993, "dry_density": 1.0830, "grain_density": 2.7203,
        "porosity": 0.6019, "void_ratio": 1.5118,
    }  # fmt: skip
    for name, value in expected.items():
        assert float(row[name]) == pytest.approx(value, abs=5e-5)


def test_known_phases_come_back():
    wet, dry, dry_volume, porosity = _samples()
    found = _relations(wet, dry, dry_volume)
    np.testing.assert_allclose(found["porosity"], porosity, rtol=1e-12)
    np.testing.assert_allclose(found["grain_density"], 2.70, rtol=1e-12)
    np.testing.assert_allclose(
        found["bulk_density"], 1.024 * porosity + 2.70 * (1 - porosity), rtol=1e-12
    )
    np.testing.assert_allclose(found["void_ratio"], porosity / (1 - porosity), rtol=1e-12)


def test_wet_volume_gives_the_same_where_the_pores_are_full():
    wet, dry, dry_volume, porosity = _samples()
    total = dry_volume - (wet - dry) / 0.965 * 0.035 / 2.20 + (wet - dry) / 0.965 / 1.024
    found = index.phase_relations(
        _series(wet, "g"), _series(dry, "g"), wet_volume=_series(total, "cm^3"), **FLUID
    )
    np.testing.assert_allclose(found["porosity"], porosity, rtol=1e-10)
    both = index.phase_relations(
        _series(wet, "g"), _series(dry, "g"), _series(dry_volume, "cm^3"),
        _series(total, "cm^3"), **FLUID,
    )  # fmt: skip
    np.testing.assert_allclose(both["saturation"], 1.0, rtol=1e-10)
    assert (both["bulk_density_flag"] == flags.GOOD).all()
    total[3] *= 1.08
    both = index.phase_relations(
        _series(wet, "g"), _series(dry, "g"), _series(dry_volume, "cm^3"),
        _series(total, "cm^3"), **FLUID,
    )  # fmt: skip
    assert "repeats_disagree" in flags.names(both["bulk_density_reason"][3])


def test_container_is_taken_off():
    wet, dry, dry_volume, porosity = _samples()
    tare = np.linspace(10.0, 12.0, wet.size)
    found = _relations(wet + tare, dry + tare, dry_volume, container_mass=_series(tare, "g"))
    np.testing.assert_allclose(found["porosity"], porosity, rtol=1e-10)


@pytest.mark.parametrize("route", ["dry_volume", "wet_volume"])
def test_partials_are_exact(route):
    """Against central differences in long double, whose own error is below 1e-10."""
    point = [16.3, 9.4, 3.6 if route == "dry_volume" else 10.1, 0.035, 1.024, 2.2]
    _, partials = phases_with_partials(*point, route=route)
    for column, value in enumerate(point):
        step = np.longdouble(1e-6 * value)
        up, down = ([np.longdouble(p) for p in point] for _ in range(2))
        up[column] += step
        down[column] -= step
        high, low = phases(*up, route=route), phases(*down, route=route)
        differences = [float((a - b) / (2 * step)) for a, b in zip(high, low, strict=True)]
        np.testing.assert_allclose(partials[:, column], differences, rtol=1e-8, atol=1e-9)


def test_random_uncertainty_and_correlation_by_simulation():
    wet, dry, volume = 16.3, 9.4, 3.6
    rng = np.random.default_rng(7)
    draws = phases(
        wet + rng.normal(0, 0.01, 200_000), dry + rng.normal(0, 0.01, 200_000),
        volume + rng.normal(0, 0.02, 200_000), 0.035, 1.024, 2.2, route="dry_volume",
    )  # fmt: skip
    row = index.phase_relations(
        f"{wet} g", f"{dry} g", f"{volume} cm^3", **FLUID, mass_uncertainty="0.01 g",
        volume_uncertainty="0.02 cm^3",
    )  # fmt: skip
    for name, values in zip(PROPERTIES, draws, strict=True):
        assert float(row[f"{name}_u_random"]) == pytest.approx(values.std(), rel=0.01)
    correlation = np.corrcoef(draws[3], draws[2])[0, 1]
    assert float(row["correlation_porosity_grain_density"]) == pytest.approx(correlation, abs=0.01)


def test_effects_carry_the_names_and_sizes_of_their_sources():
    wet, dry, dry_volume, _ = _samples(6)
    found = _relations(
        wet, dry, dry_volume, mass_systematic="0.005 g", volume_systematic="0.01 cm^3",
        salinity_uncertainty="0.2 g/kg", pore_water_density_uncertainty="0.002 g/cm^3",
        salt_density_uncertainty="0.02 g/cm^3",
    )  # fmt: skip
    assert sorted(found["source"].values) == [
        "balance", "pore_water_density", "pore_water_salinity", "pycnometer", "salt_density",
    ]  # fmt: skip
    shifted = _relations(wet + 0.005, dry + 0.005, dry_volume)
    for name in PROPERTIES:
        effect = found[f"{name}_effects"].sel(source="balance")
        np.testing.assert_allclose(effect, shifted[name] - found[name], rtol=0.02, atol=1e-9)


def test_unknown_uncertainty_is_nan_and_constants_bring_their_own():
    wet, dry, dry_volume, _ = _samples(6)
    found = index.phase_relations(_series(wet, "g"), _series(dry, "g"), _series(dry_volume, "cm^3"))
    assert np.isnan(found["porosity_u_random"]).all()
    assert np.isnan(found["porosity_u_systematic"]).all()
    assert np.isfinite(found["porosity_effects"].sel(source="salt_density")).all()
    assert np.isnan(found["porosity_effects"].sel(source="balance")).all()


@pytest.mark.parametrize(
    ("column", "value"),
    [(0, -3.0), (1, 0.0), (1, 40.0), (2, -5e5), (2, 0.0), (2, 0.01)],
)
def test_impossible_masses_and_volumes_are_bad_and_kept(column, value):
    inputs = [part.copy() for part in _samples(20)[:3]]
    inputs[column][4] = value
    found = _relations(*inputs)
    assert "inconsistent_masses" in flags.names(found["porosity_reason"][4])
    assert found["porosity_flag"][4] == flags.BAD
    others = np.delete(found["porosity_flag"].values, 4)
    assert (others == flags.GOOD).all()
    assert found.sizes["reading"] == 20


def test_missing_mass_is_missing_not_inconsistent():
    wet, dry, dry_volume, _ = _samples(20)
    wet[2] = np.nan
    found = _relations(wet, dry, dry_volume)
    assert flags.names(found["porosity_reason"][2]) == ["missing_value"]


@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_mistyped_factor_is_flagged(factor):
    for column in range(3):
        inputs = [part.copy() for part in _samples(30)[:3]]
        inputs[column][11] *= factor
        found = _relations(*inputs)
        assert found["porosity_flag"][11] != flags.GOOD, column
        assert (np.delete(found["porosity_flag"].values, 11) == flags.GOOD).mean() > 0.9


def test_swapped_digits_are_flagged_among_neighbours():
    """A wet mass too high by 2.7 g leaves the grain density almost as it was: porosity tells."""
    wet, dry, dry_volume, _ = _samples(30)
    wet[11] += 2.7
    found = _relations(wet, dry, dry_volume)
    assert "outlier_among_samples" in flags.names(found["porosity_reason"][11])
    dry_volume[20] *= 1.09
    found = _relations(wet, dry, dry_volume)
    assert "grain_density_outlier" in flags.names(found["grain_density_reason"][20])


def test_a_change_of_layer_is_no_outlier():
    wet, dry, dry_volume, _ = _samples(30, grain=2.62)
    other = _samples(30, seed=2, grain=2.80)
    pairs = zip((wet, dry, dry_volume), other[:3], strict=True)
    joined = [np.concatenate(pair) for pair in pairs]
    found = _relations(*joined)
    assert (found["grain_density_flag"] == flags.GOOD).mean() > 0.95


def test_outliers_against_a_plain_loop():
    """Theil and Sen by scipy, window by window; the trend with depth is no deviation."""
    from scipy.stats import theilslopes

    rng = np.random.default_rng(3)
    depth = np.sort(rng.uniform(0.0, 300.0, 25))
    values = 0.7 - 1e-3 * depth + rng.normal(0, 0.012, 25)
    values[9] += 0.2
    far = outliers.far_from_neighbours(
        values, np.ones(25, dtype=bool), depth=depth, floor=0.012, threshold=3.5
    )
    deviation = np.empty(25)
    for i in range(25):
        window = slice(min(max(i - 5, 0), 14), min(max(i - 5, 0), 14) + 11)
        slope = theilslopes(values[window], depth[window])[0]
        level = np.median(values[window] - slope * depth[window])
        deviation[i] = abs(values[i] - slope * depth[i] - level)
    limit = 3.5 * max(1.4826 * np.median(deviation), 0.012)
    np.testing.assert_array_equal(far, deviation > limit)
    np.testing.assert_array_equal(np.flatnonzero(far), [9])
    turned = outliers.far_from_neighbours(
        values[::-1], np.ones(25, dtype=bool), depth=depth[::-1], floor=0.012, threshold=3.5
    )
    np.testing.assert_array_equal(turned[::-1], far)


def test_water_content_and_grain_density_give_the_printed_row():
    """Water content 30.1 %, grains 2.784: 1.835, 1.283, 53.9 % (shipboard table of Leg 202)."""
    row = index.phase_relations_from_water_content(0.301, "2.784 g/cm^3")
    assert float(row["bulk_density"]) == pytest.approx(1.835, abs=0.0005)
    assert float(row["dry_density"]) == pytest.approx(1.283, abs=0.001)
    assert float(row["porosity"]) == pytest.approx(0.539, abs=0.0005)
    assert float(row["water_content_dry"]) == pytest.approx(0.430, abs=0.001)


def test_consistency_marks_only_what_disagrees():
    wet, dry, dry_volume, _ = _samples(20)
    found = _relations(wet, dry, dry_volume)
    bulk = _series(np.round(found["bulk_density"].values, 3), "g/cm^3")
    percent = _series(np.round(100 * found["porosity"].values, 1), "%")
    bulk[5] += 0.02
    checked = index.consistency(found, bulk_density=bulk, porosity=percent)
    marked = (checked["porosity_reason"] & flags.bit("inconsistent_masses")) != 0
    np.testing.assert_array_equal(np.flatnonzero(marked), [5])
    assert checked["bulk_density_flag"][5] == flags.BAD
    assert found["bulk_density_flag"][5] == flags.GOOD
    assert float(checked["bulk_density_difference"][5]) == pytest.approx(0.02, abs=6e-4)
    with pytest.raises(KeyError, match="no tolerance"):
        index.consistency(found, colour=bulk)
    with pytest.raises(ValueError, match="no reported values"):
        index.consistency(found)


def test_bare_numbers_missing_volume_and_foreign_positions_are_refused():
    wet, dry, dry_volume, _ = _samples(5)
    with pytest.raises(units.UnitError, match="wet_mass"):
        index.phase_relations(20.0, "13 g", "4.8 cm^3")
    with pytest.raises(ValueError, match="neither dry_volume nor wet_volume"):
        index.phase_relations("20 g", "13 g")
    with pytest.raises(PositionError):
        index.phase_relations(
            _series(wet, "g"), _series(dry, "g", depth=np.arange(5) + 0.5),
            _series(dry_volume, "cm^3"),
        )  # fmt: skip


def test_dask_arrays_stay_lazy_and_agree():
    wet, dry, dry_volume, _ = _samples(24)
    plain = _relations(wet, dry, dry_volume, mass_uncertainty="0.01 g")
    inputs = [_series(v, u).chunk(reading=8) for v, u in
              ((wet, "g"), (dry, "g"), (dry_volume, "cm^3"))]  # fmt: skip
    lazy = index.phase_relations(*inputs, **FLUID, mass_uncertainty="0.01 g")
    assert lazy["porosity_reason"].chunks
    xr.testing.assert_allclose(lazy.compute(), plain)
