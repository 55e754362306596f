"""Positions never meet by accident; results carry fresh names, units, effects and flags."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, units
from corephys.uncertainty import Measured


def _series(depth, units="g/cm^3"):
    n = len(depth)
    coords = {
        "core": ("reading", np.array(["1"] * n, dtype=object)),
        "section": ("reading", np.array(["1"] * n, dtype=object)),
        "offset": ("reading", np.asarray(depth) * 100.0),
        "depth": ("reading", np.asarray(depth)),
    }
    return xr.DataArray(np.ones(n), dims="reading", coords=coords, attrs={"units": units})


def test_a_nanometre_between_two_depths_is_refused():
    a = _series(np.array([0.0, 0.5, 1.0]))
    b = _series(np.array([0.0, 0.5, 1.0]))
    b = b.assign_coords(depth=("reading", a.depth.values + np.array([0, 1e-9, 0])))
    with pytest.raises(series.PositionError, match=r"depth differs for 1 readings, 1e-09 at most"):
        series.require_same_positions(density=a, velocity=b)


def test_different_sizes_point_to_match():
    with pytest.raises(series.PositionError, match=r"depth\.match"):
        series.require_same_positions(a=_series(np.arange(3.0)), b=_series(np.arange(4.0)))


def test_equal_positions_pass():
    series.require_same_positions(a=_series(np.arange(3.0)), b=_series(np.arange(3.0)))


def test_equal_positions_in_two_units_pass_and_others_do_not():
    a = _series(np.array([0.123, 0.5, 1.7]))
    b = a.assign_coords(depth=("reading", a.depth.values * 1e3, {"units": "mm"}))
    series.require_same_positions(density=a, velocity=b)
    c = a.assign_coords(depth=("reading", a.depth.values, {"units": "mm"}))
    with pytest.raises(series.PositionError, match="depth differs for 3 readings"):
        series.require_same_positions(density=a, velocity=c)


def test_build_stamps_names_units_flags_and_effects():
    values = _series(np.arange(4.0)).copy(data=np.array([1.8, np.nan, 0.5, 3.2]))
    measured = Measured(values, 0.01, {"core_diameter": -0.02}, 0)
    ds = series.build({"bulk_density": measured})
    assert ds.bulk_density.attrs["units"] == "g/cm^3"
    assert list(ds.bulk_density_flag.values) == [
        flags.GOOD,
        flags.MISSING,
        flags.BAD,
        flags.SUSPECT,
    ]
    assert flags.names(int(ds.bulk_density_reason[1])) == ["missing_value"]
    assert ds.bulk_density_effects.dims == ("source", "reading")
    # A missing value has no uncertainty: unknown is NaN.
    there = np.array([1.0, np.nan, 1.0, 1.0])
    np.testing.assert_allclose(ds.bulk_density_u_random, 0.01 * there)
    np.testing.assert_allclose(ds.bulk_density_u_systematic, 0.02 * there)
    np.testing.assert_allclose(uncertainty.total(ds, "bulk_density"), np.hypot(0.01, 0.02) * there)
    back = series.unpack(ds, "bulk_density")
    np.testing.assert_allclose(back.effects["core_diameter"], -0.02 * there)


def test_a_source_of_another_quantity_is_zero_where_effects_are_known_and_unknown_otherwise():
    values = _series(np.arange(2.0)).copy(data=np.array([1.8, 1.9]))
    known, unknown = Measured(values, 0.01, {"balance": 0.02}), Measured(values * 1000.0, 5.0)
    other = Measured(values * 0.3, 0.01, {"core_diameter": 0.01})
    ds = series.build({"bulk_density": known, "p_wave_velocity": unknown, "porosity": other})
    assert ds["source"].values.tolist() == ["balance", "core_diameter"]
    assert ds["porosity_effects"].values[0].tolist() == [0.0, 0.0]
    assert np.isnan(ds["p_wave_velocity_effects"].values).all()
    back = series.unpack(ds, "p_wave_velocity")
    assert np.isnan(uncertainty.norm(back.effects)).all()


def test_companions_are_read_in_the_units_that_they_bear():
    values = _series(np.arange(2.0)).copy(data=np.array([0.5, 0.6]))
    ds = series.build({"porosity": Measured(values, 0.01, {"scale": 0.02})})
    percent = ds.copy()
    percent["porosity"] = (ds["porosity"] * 100.0).assign_attrs(units="%")
    for units_of_companions in ("kept", "converted", "none"):
        given = percent.copy()
        if units_of_companions != "kept":
            for name in ("porosity_u_random", "porosity_u_systematic", "porosity_effects"):
                attrs = {} if units_of_companions == "none" else {"units": "%"}
                given[name] = (ds[name].dims, ds[name].values * 100.0, attrs)
        back = series.unpack(given, "porosity")
        np.testing.assert_allclose(back.values, [0.5, 0.6])
        np.testing.assert_allclose(back.u_random, 0.01)
        np.testing.assert_allclose(back.effects["scale"], 0.02)


def test_a_companion_of_another_dimension_is_refused_by_name():
    ds = series.build({"bulk_density": Measured(_series(np.array([1.5, 1.6])), 0.01)})
    ds["bulk_density_u_random"].attrs["units"] = "%"
    with pytest.raises(units.UnitError, match=r"bulk_density_u_random: expected g/cm\^3, got '%'"):
        series.unpack(ds, "bulk_density")


def test_positions_in_other_units_are_converted_with_their_series():
    given = _series(np.arange(3.0))
    feet = given.assign_coords(depth=("reading", given["depth"].values * 100.0, {"units": "cm"}))
    ds = series.build({"porosity": series.unpack(feet.assign_attrs(units="%"), "porosity")})
    np.testing.assert_allclose(ds["depth"], given["depth"])
    assert ds["depth"].attrs["units"] == "m"


def test_unknown_uncertainty_stays_nan():
    ds = series.build({"bulk_density": Measured(_series(np.arange(2.0)))})
    assert np.isnan(ds.bulk_density_u_random).all()
    assert np.isnan(ds.bulk_density_u_systematic).all()


def test_the_same_source_cancels_in_a_product():
    density = Measured(2.0, 0.0, {"core_diameter": -0.02})
    velocity = Measured(1600.0, 0.0, {"core_diameter": 16.0})
    _, effects = uncertainty.combine([(1600.0, density), (2.0, velocity)])
    assert effects["core_diameter"] == pytest.approx(0.0, abs=1e-12)


def test_covariance_effects_reproduce_the_variance():
    covariance = np.array([[4.0, -1.0], [-1.0, 0.5]])
    partials = [np.array([1.0, 2.0]), np.array([3.0, -1.0])]
    effects = uncertainty.covariance_effects(partials, covariance, "calibration")
    expected = [
        np.array([p, q]) @ covariance @ np.array([p, q]) for p, q in zip(*partials, strict=True)
    ]
    np.testing.assert_allclose(uncertainty.norm(effects) ** 2, expected, rtol=1e-12)


def test_flag_is_the_worst_reason():
    mask = flags.bit("spike") | flags.bit("void")
    assert flags.from_reason(np.array([0, flags.bit("spike"), mask])).tolist() == [1, 3, 4]
    with pytest.raises(ValueError, match="allow has 'fine'; expected some of good"):
        flags.usable(np.array([1]), allow=("fine",))


def test_a_quantity_is_not_asked_for_what_it_lacks(monkeypatch):
    """Pint formats all the numbers of a Quantity before it says that an attribute is missing."""
    quantity = units.quantity(np.ones(4), "g/cm^3")
    asked = []
    original = type(quantity).__getattr__

    def record(self, name):
        asked.append(name)
        return original(self, name)

    monkeypatch.setattr(type(quantity), "__getattr__", record)
    series.require_same_positions(a=quantity, b=quantity)
    series.unpack(quantity, "bulk_density")
    units.as_floats(quantity, "kg/m^3", "density")
    assert asked == []


def test_a_systematic_part_without_its_sources_is_carried_as_one_error():
    place = xr.DataArray([1.5, 1.6], dims="reading")
    whole = series.build({"bulk_density": Measured(place, 0.01, {"core_diameter": 0.04})})
    bare = whole.drop_vars(["bulk_density_effects", "source"])
    found = series.unpack(bare, "bulk_density")
    assert list(found.effects) == ["bulk_density_systematic"]
    np.testing.assert_allclose(found.effects["bulk_density_systematic"].values, 0.04)
    for given in (bare, bare.chunk({"reading": 1})):
        again = series.build({"bulk_density": series.unpack(given, "bulk_density")})
        np.testing.assert_allclose(again["bulk_density_u_systematic"].values, 0.04)
    none = series.unpack(bare.drop_vars("bulk_density_u_systematic"), "bulk_density")
    assert none.effects == {}
