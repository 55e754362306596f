"""Arguments that no instrument has: refused in words, never a whole series of NaN."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import quality
from corephys.ground import arguments, flags, units
from corephys.sensors import gamma, pwave, resistivity, susceptibility


def _series(values, unit):
    values = np.atleast_1d(np.asarray(values, dtype=float))
    return xr.DataArray(values, dims="reading", attrs={"units": unit})


def test_one_bad_value_of_a_series_passes_and_all_of_them_do_not():
    assert arguments.positive(_series([0.0, 2.0], "mm"), "mm", "length").values.tolist() == [
        0.0,
        2.0,
    ]
    with pytest.raises(ValueError, match=r"length is 0 mm and so on, 2 values of which none fits"):
        arguments.positive(_series([0.0, -1.0], "mm"), "mm", "length")
    with pytest.raises(ValueError, match="tolerance is -1 K; it has to be zero or more"):
        arguments.positive("-1 K", "K", "tolerance", zero=True)
    with pytest.raises(units.UnitError, match="bare value"):
        arguments.positive(3.0, "mm", "length")


def _blocks(time, length=(20.0, 40.0, 60.0, 80.0)):
    return pwave.calibrate(
        _series(length, "mm"), _series(time, "us"), temperature="20 degC", medium="acrylic",
        wall="2.6 mm",
    )  # fmt: skip


def test_blocks_through_which_sound_runs_backwards_are_refused():
    with pytest.raises(ValueError, match=r"'acrylic' give a velocity of -.*swapped row"):
        _blocks([37.0, 30.0, 22.0, 15.0])


def test_a_standard_without_a_number_is_left_out_and_counted():
    found = _blocks([15.2, 22.5, np.nan, 37.1])
    assert found.left_out == 1
    assert "1 without length or time left out" in found.describe()


def test_lengths_below_zero_are_refused_together():
    with pytest.raises(ValueError, match="length is -20 mm"):
        _blocks([15.2, 22.5, 30.0, 37.1], length=(-20.0, -40.0, -60.0, -80.0))


def test_cells_currents_and_exponents_of_nothing_are_refused():
    with pytest.raises(ValueError, match="spacing is 0 m"):
        resistivity.wenner_constant("0 mm")
    with pytest.raises(ValueError, match="current is 0 A"):
        resistivity.four_electrode("1 mV", "0 mA", cell_constant="0.1 m")
    with pytest.raises(ValueError, match="m is 0; it has to be above zero"):
        resistivity.porosity_from_formation_factor(_series([3.0], "1"), a=1.0, m=0.0)
    with pytest.raises(ValueError, match="pore_water_resistivity is 0 ohm m"):
        resistivity.porosity_from_formation_factor(
            _series([3.0], "1"), a=1.0, m=2.0, surface_conductivity="0.1 S/m",
            pore_water_resistivity="0 ohm m",
        )  # fmt: skip


def test_a_loop_of_no_width_is_refused():
    with pytest.raises(ValueError, match="loop_diameter is 0 mm"):
        susceptibility.magnetic_susceptibility(
            _series([10.0, 11.0], "1"), unit="1e-5 SI", core_diameter="66 mm", loop_diameter="0 mm"
        )


def test_settling_with_nothing_to_settle_is_refused():
    given = {"laboratory_temperature": "20 degC", "deck_temperature": "4 degC"}
    at = [units.quantity(np.array([0.0]), "s"), units.quantity(np.array([3600.0]), "s")]
    for words, more in (
        ("core_diameter is 0 mm", {"core_diameter": "0 mm"}),
        ("surface_conductance is 0", {"core_diameter": "66 mm",
                                      "surface_conductance": "0 W/(m^2 K)"}),
        ("tolerance is -1 K", {"core_diameter": "66 mm", "tolerance": "-1 K"}),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=words):
            quality.settled(*at, **given, **more)


def test_a_time_that_is_missing_is_no_saturated_counter():
    x = np.array([0.0, 3.0, 6.0, 9.0])
    calibration = gamma.calibrate(
        units.quantity(np.exp(11.0 - 0.2 * x) * 60.0, "count"),
        units.quantity(np.full(4, 60.0), "s"),
        units.quantity(x, "cm"), "10 cm", order=1,
    )  # fmt: skip
    found = gamma.bulk_density(
        _series([4e5, 4e5], "count"), _series([60.0, np.nan], "s"), calibration=calibration,
        core_diameter="10 cm", bore="10 cm",
    )  # fmt: skip
    assert np.isfinite(found["bulk_density"].values[0])
    assert flags.names(found["bulk_density_reason"].values[1]) == ["missing_value"]


def test_sections_without_a_unit_or_a_length_are_refused():
    density = xr.Dataset(
        {"bulk_density": ("reading", [1.6, 1.7], {"units": "g/cm^3"})},
        coords={"core": ("reading", ["1", "1"]), "section": ("reading", ["1", "1"]),
                "offset": ("reading", [10.0, 20.0], {"units": "cm"})},
    )  # fmt: skip

    def sections(length, attributes):
        return xr.Dataset({"core": ("row", ["1", "1"]), "section": ("row", ["1", "2"]),
                           "length": ("row", length, attributes)})  # fmt: skip

    with pytest.raises(units.UnitError, match="length of the sections"):
        quality.flag(density, "bulk_density", sections=sections([1.5, 1.5], {}))
    with pytest.raises(ValueError, match="1 of 2 sections have no length above zero"):
        quality.flag(density, "bulk_density", sections=sections([1.5, np.nan], {"units": "m"}))
