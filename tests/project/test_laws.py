"""Laws that hold for any readings: units, order, joins, gaps and limits, over made-up numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import corephys as cp
from corephys.ground import units
from data_demo.simulator.hole import simulate_tables

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

settings.register_profile("laws", deadline=None, max_examples=25)
settings.load_profile("laws")


def column(low, high, size=8):
    return hnp.arrays(float, size, elements=st.floats(low, high, allow_nan=False, width=64))


def along(values, unit, depth=None):
    coordinates = {} if depth is None else {"depth": ("reading", depth, {"units": "m"})}
    return xr.DataArray(values, dims="reading", coords=coordinates, attrs={"units": unit})


def same(a, b, rtol=1e-11):
    """Two results, number by number; flags and reasons to the bit."""
    assert set(a.data_vars) == set(b.data_vars)
    for name in a.data_vars:
        x, y = a[name].values, b[name].values
        if x.dtype.kind in "iu":
            np.testing.assert_array_equal(x, y, err_msg=name)
        elif x.dtype.kind == "f":
            scale = np.nanmax(np.abs(x), initial=1e-300)
            np.testing.assert_allclose(x, y, rtol=rtol, atol=rtol * scale, err_msg=name)


# Units -------------------------------------------------------------------------------------------


@given(column(2.0, 60.0), column(0.3, 0.95), column(2.2, 3.0))
def test_samples_weigh_the_same_in_any_unit(wet, share, grain):
    dry = wet * share
    volume = dry / grain
    gram = cp.index_properties.phase_relations(
        along(wet, "g"), along(dry, "g"), along(volume, "cm^3"), mass_uncertainty="0.01 g"
    )
    kilogram = cp.index_properties.phase_relations(
        along(wet * 1e-3, "kg"), along(dry * 1e6, "ug"), along(volume * 1e-6, "m^3"),
        mass_uncertainty="10 mg",
    )  # fmt: skip
    same(gram, kilogram)


@given(column(1.1, 2.9), column(1450.0, 6000.0))
def test_impedance_is_the_same_in_any_unit(density, velocity):
    one = cp.seismic.acoustic_impedance(along(density, "g/cm^3"), along(velocity, "m/s"))
    other = cp.seismic.acoustic_impedance(
        along(density * 1e3, "kg/m^3"), along(velocity * 1e-3, "km/s")
    )
    same(one, other)


@given(column(-2.0, 40.0))
def test_temperatures_go_through_every_scale(celsius):
    kelvin = units.convert(celsius, "degC", "K")
    np.testing.assert_allclose(units.convert(kelvin, "K", "degC"), celsius, atol=1e-11)


# Limits and round trips --------------------------------------------------------------------------


@given(st.floats(0.0, 1.0), st.floats(2.2, 3.2), st.floats(1.0, 1.05))
def test_porosity_and_density_undo_each_other(porosity, grain, water):
    density = porosity * water + (1.0 - porosity) * grain
    found = cp.porosity.from_density(
        along([density], "g/cm^3"), grain_density=f"{grain!r} g/cm^3",
        pore_water_density=f"{water!r} g/cm^3",
    )  # fmt: skip
    assert float(found["porosity"][0]) == pytest.approx(porosity, abs=1e-12)


@given(column(1.1, 2.5, 2))
def test_a_denser_sediment_has_fewer_pores(density):
    low, high = np.sort(density)
    found = cp.porosity.from_density(along([low, high], "g/cm^3"), grain_density="2.7 g/cm^3")
    assert found["porosity"][0] >= found["porosity"][1]


@given(st.floats(5.0, 50.0), st.floats(0.35, 0.9), st.floats(2.3, 3.0))
def test_the_parts_of_a_sample_make_up_the_whole(wet, share, grain):
    dry = wet * share
    found = cp.index_properties.phase_relations(f"{wet!r} g", f"{dry!r} g", f"{dry / grain!r} cm^3")
    phi, rho, solid = (float(found[n]) for n in ("porosity", "bulk_density", "grain_density"))
    water = 1.024
    assert rho == pytest.approx(phi * water + (1.0 - phi) * solid, rel=1e-9)
    assert float(found["void_ratio"]) == pytest.approx(phi / (1.0 - phi), rel=1e-9)
    assert float(found["dry_density"]) == pytest.approx((1.0 - phi) * solid, rel=1e-9)


@given(column(1450.0, 6000.0, 6))
def test_time_through_a_column_is_the_sum_of_its_parts(velocity):
    depth = np.arange(6.0)
    whole = cp.seismic.two_way_time(along(velocity, "m/s", depth))["two_way_time"].values
    upper = cp.seismic.two_way_time(along(velocity[:4], "m/s", depth[:4]))["two_way_time"].values
    lower = cp.seismic.two_way_time(along(velocity[3:], "m/s", depth[3:]))["two_way_time"].values
    assert whole[-1] == pytest.approx(upper[-1] + lower[-1], rel=1e-12)


# Gaps and flags ----------------------------------------------------------------------------------


@given(column(1.1, 2.5), hnp.arrays(bool, 8))
def test_a_missing_reading_touches_no_other(density, missing):
    whole = cp.porosity.from_density(along(density, "g/cm^3"))
    gaps = cp.porosity.from_density(along(np.where(missing, np.nan, density), "g/cm^3"))
    for name in whole.data_vars:
        if "reading" not in whole[name].dims:
            continue
        x, y = (d[name].transpose("reading", ...).values for d in (whole, gaps))
        np.testing.assert_array_equal(x[~missing], y[~missing], err_msg=name)
    assert (gaps["porosity_flag"].values[missing] == 9).all()
    assert np.isnan(gaps["porosity"].values[missing]).all()


@given(column(1.1, 2.5), st.permutations(range(8)))
def test_the_order_of_readings_does_not_matter(density, order):
    one = cp.porosity.from_density(along(density, "g/cm^3")).isel(reading=list(order))
    same(one, cp.porosity.from_density(along(density[list(order)], "g/cm^3")), rtol=0.0)


# A whole hole ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tables():
    return simulate_tables(47, small=True)[:2]


@pytest.fixture(scope="module")
def reduced(tables):
    return cp.reduce(cp.hole_from_tables(*tables))


SCANS = {"scan/gamma": "properties/density", "scan/pwave": "properties/velocity"}


@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**31))
def test_rows_of_the_scan_may_come_in_any_order(tables, reduced, seed):
    held, given_settings = tables
    rng = np.random.default_rng(seed)
    moved = dict(held)
    orders = {}
    for name in SCANS:
        orders[name] = rng.permutation(len(held[name]))
        moved[name] = held[name].iloc[orders[name]].reset_index(drop=True)
    other = cp.reduce(cp.hole_from_tables(moved, given_settings))
    for name, result in SCANS.items():
        a = reduced[result].to_dataset().isel(reading=orders[name])
        same(a, other[result].to_dataset(), rtol=1e-9)


def test_a_section_cut_in_two_is_the_same_core(tables, reduced):
    """The second section of every core becomes two of half its length; offsets follow."""
    held, given_settings = tables
    sections = held["sections"]
    length = next(c for c in sections.columns if c.startswith("length"))
    rows, halves = [], {}
    for row in sections.to_dict("records"):
        if row["section"] != "2":
            rows.append(row)
            continue
        half = round(float(row[length]) / 2.0, 4)
        halves[row["core"]] = half
        rows.append({**row, length: half})
        rows.append({**row, length: float(row[length]) - half, "section": "2 lower"})
    moved = {**held, "sections": pd.DataFrame(rows)}
    for name in ("scan/gamma", "samples/index_properties"):
        table = held[name].copy()
        offset = next(c for c in table.columns if c.startswith("offset"))
        cut = table["core"].map(halves).fillna(np.inf) * 100.0
        below = (table["section"] == "2") & (table[offset].astype(float) > cut)
        table.loc[below, offset] = table.loc[below, offset].astype(float) - cut[below]
        table.loc[below, "section"] = "2 lower"
        moved[name] = table
    placed = cp.hole_from_tables({k: moved[k] for k in ("cores", "sections", "scan/gamma")},
                                 given_settings)  # fmt: skip
    whole = cp.hole_from_tables({k: held[k] for k in ("cores", "sections", "scan/gamma")},
                                given_settings)  # fmt: skip
    a, b = (t["scan/gamma"]["depth"].values for t in (whole, placed))
    np.testing.assert_allclose(a, b, atol=1e-9)
    assert (placed["scan/gamma"]["section"].values == "2 lower").any()
