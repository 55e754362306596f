"""Numbers that results rest on: each says what it is and where it came from."""

from __future__ import annotations

import copy
import importlib
import inspect
import json
import pickle
import pkgutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.archive import readings
from corephys.ground import provenance, series
from corephys.ground.constants import CONSTANTS, Constant, add_table, is_tabled
from corephys.ground.provenance import (
    SourcedNumber,
    SourcedText,
    UsedConstant,
    records,
    used_constants,
)
from corephys.products import elastic
from corephys.reduction.recipe import Recipe
from corephys.sensors import gamma as gamma_sensor
from corephys.sensors import pwave as pwave_sensor
from corephys.sensors import resistivity as resistivity_sensor
from corephys.uncertainty import Measured
from data_demo.simulator.hole import simulate_tables

OLD = Path(__file__).parents[1] / "written" / "format_1" / "reduced.nc"


def along(values: Any, unit: str, depth: Any = None) -> xr.DataArray:
    coords = {} if depth is None else {"depth": ("reading", np.asarray(depth, float))}
    return xr.DataArray(
        np.asarray(values, dtype=float), dims="reading", coords=coords, attrs={"units": unit}
    )


# The record --------------------------------------------------------------------------------------


def one(value: Any) -> UsedConstant:
    (found,) = records(number=value).values()
    return found


def test_a_constant_brings_its_row():
    row = CONSTANTS["grain_density"]
    found = one(row)
    assert (found.origin, found.constant) == ("constant", "grain_density")
    assert (found.value, found.unit, found.uncertainty) == (2.70, "g/cm^3", 0.05)
    assert found.source() == f"{row.citation} ({row.status})"
    assert found.shown() == "2.7 ± 0.05 g/cm^3"


@pytest.mark.parametrize(
    "value",
    [
        "2.70 g/cm^3",
        "2700 kg/m^3",
        cp.quantity(2.70, "g/cm^3"),
        xr.DataArray(2.70, attrs={"units": "g/cm^3"}),
    ],
)
def test_a_value_equal_to_a_constant_is_given_and_has_no_citation(value: Any):
    found = one(value)
    assert found.in_unit("g/cm^3") == pytest.approx(2.70, rel=1e-15)
    assert (found.origin, found.constant, found.citation, found.status) == ("given", "", "", "")
    assert found.source() == "given"


def test_a_row_that_was_changed_by_hand_loses_its_citation():
    changed = replace(CONSTANTS["grain_density"], value=2.65)
    assert not is_tabled(changed)
    assert (one(changed).origin, one(changed).citation) == ("given", "")
    mine = Constant("grain_density", 2.65, "g/cm^3", 0.01, "weighed by the author", "memory")
    assert one(mine).source() == "given: weighed by the author (memory)"
    copied = pickle.loads(pickle.dumps(CONSTANTS["salt_density"]))
    assert one(copied).origin == "constant"


def test_a_name_stands_in_one_table_only():
    with pytest.raises(ValueError, match="'gravity' is in a table already"):
        add_table([CONSTANTS["gravity"]])
    assert is_tabled(elastic.material("quartz").bulk_modulus)


def test_numbers_words_and_ranges():
    assert records(none=None) == {}
    assert (one(0.6).value, one(0.6).unit, one(3).value) == (0.6, "1", 3.0)
    assert (one("both").words, one("both").origin) == ("both", "method")
    assert one(along([1.0, 2.5, np.nan], "mm")).shown() == "1 to 2.5 mm"
    assert one(along([2.0, 2.0], "mm")).shown() == "2 mm"
    assert records(empty=along([np.nan], "mm")) == {}
    assert one(("2.70 g/cm^3", "30 kg/m^3")).shown() == "2.7 ± 0.03 g/cm^3"
    assert one(("4 degC", "0.1 K")).shown() == "4 ± 0.1 degC"
    assert one((CONSTANTS["gravity"], None)).uncertainty == 0.03
    assert records(none=(None, "1 m")) == {}
    lazy = one(along([1.0, 2.0], "mm").chunk({"reading": 1}))
    assert lazy.words == "one value for each reading"
    grains = cp.index_properties.phase_relations_from_water_content(
        along([0.4, 0.5], "1"), "2.7 g/cm^3"
    )
    found = records(grain_density=grains)["grain_density"]
    assert (found.shown(), found.origin) == ("2.7 g/cm^3", "calculated")
    assert found.citation == json.loads(grains.attrs["steps"])[-1]


def test_a_text_that_carries_its_origin_is_that_text():
    text = SourcedText("1.02 g/cm^3", "calculated", "TEOS-10")
    assert text == "1.02 g/cm^3" and json.dumps(text) == '"1.02 g/cm^3"'
    number = SourcedNumber(0.6, "hole")
    assert number == 0.6 and json.dumps(number) == "0.6"
    for value in (text, number):
        for again in (copy.deepcopy(value), pickle.loads(pickle.dumps(value))):
            assert again == value and one(again) == one(value)
    assert one(text).source() == "calculated: TEOS-10"
    assert (one(number).value, one(number).origin) == (0.6, "hole")
    assert one(SourcedText("2 %", "constant", constant=CONSTANTS["loop_factor_uncertainty"])) == (
        one(CONSTANTS["loop_factor_uncertainty"])
    )


def test_the_attribute_reads_back_as_it_was():
    given = records(a=CONSTANTS["gravity"], b="2 mm", c="both", d=along([1.0, 3.0], "K"))
    built = series.build({"porosity": Measured(0.5)}, constants=given)
    again = used_constants(built)
    assert {name: record.to_dict() for name, record in again.items()} == {
        name: record.to_dict() for name, record in given.items()
    }
    assert "NaN" not in built.attrs["constants"]
    more = provenance.with_constants(built, e="4 m", b="3 mm")
    assert [used_constants(more)[key].shown() for key in "be"] == ["3 mm", "4 m"]


def test_a_file_of_format_1_shows_its_texts_without_an_origin():
    tree = cp.load(OLD)
    assert tree.attrs["format_version"] == "1"
    density = used_constants(tree["properties/density"])
    assert density["half_life"].shown() == "30.05 yr"
    assert density["half_life"].in_unit("yr") == 30.05
    assert {record.origin for record in density.values()} == {"unrecorded"}
    text = cp.explain(tree["properties/density"])
    assert "half life: 30.05 yr (origin not recorded: the file has format 1)" in text
    frame = cp.export.report_table(tree, "constants").frame
    assert set(frame["from"]) == {"origin not recorded: the file has format 1"}
    assert "Decay Data" not in text and "Decay Data" not in str(frame.to_csv())


# What a reader sees ------------------------------------------------------------------------------


def test_explain_tells_a_default_from_a_value_given():
    default = cp.explain(cp.porosity.from_density("1.862 g/cm^3"))
    row = CONSTANTS["grain_density"]
    assert f"grain density: 2.7 ± 0.05 g/cm^3 ({row.citation}; {row.status})" in default
    given = cp.explain(cp.porosity.from_density("1.862 g/cm^3", grain_density="2.70 g/cm^3"))
    assert "grain density: 2.7 g/cm^3 (given)" in given
    assert row.citation not in given


# Every function hands its constants on -----------------------------------------------------------

DENSITY = series.build(
    {"bulk_density": Measured(along([1.6, 1.7, 1.8], "g/cm^3", [1.0, 5.0, 9.0]).drop_attrs(), 0.01)}
)
POROSITY = series.build(
    {"porosity": Measured(along([0.70, 0.65, 0.60], "1", [1.0, 5.0, 9.0]).drop_attrs(), 0.01)}
)
VELOCITY = series.build(
    {"p_wave_velocity": Measured(along([1520.0, 1600.0], "m/s", [1.0, 5.0]).drop_attrs(), 5.0)}
)
RESISTIVITY = series.build(
    {"electrical_resistivity": Measured(along([0.5, 0.6], "ohm m").drop_attrs(), 0.01)}
)
STRESS = series.build(
    {"vertical_effective_stress": Measured(
        along([20.0, 60.0, 90.0], "kPa", [1.0, 5.0, 9.0]).drop_attrs(), 1.0)}
)  # fmt: skip
CONDUCTIVITY = series.build(
    {"thermal_conductivity": Measured(along([1.0, 1.1], "W/(m K)", [1.0, 5.0]).drop_attrs(), 0.02)}
)


def _gamma_calibration(scale: str) -> Any:
    thickness = np.array([0.0, 2.0, 4.0, 6.0])
    x = 2.699 * thickness + 0.998 * (6.6 - thickness)
    counts = np.round(2e5 * np.exp(-0.075 * x))
    return gamma_sensor.calibrate(
        along(counts, "count"), along(np.full(4, 10.0), "s"), along(thickness, "cm"), "6.6 cm",
        dead_time="0 s", scale=scale,
    )  # fmt: skip


def _gamma(scale: str) -> xr.Dataset:
    return gamma_sensor.bulk_density(
        along([60000.0, 62000.0], "count"), "10 s", core_diameter="6.6 cm", bore="6.6 cm",
        calibration=_gamma_calibration(scale), annulus_density="1 g/cm^3",
    )  # fmt: skip


def _pwave_calibration() -> Any:
    return pwave_sensor.calibrate(
        along([60.0, 70.0, 80.0], "mm"), along([49.1, 55.9, 62.7], "us"),
        temperature="20 degC", medium=["water"] * 3, liner=["full"] * 3, wall="2.5 mm",
    )  # fmt: skip


def _resistivity() -> xr.Dataset:
    calibration = resistivity_sensor.calibrate(
        along([20.0, 60.0, 180.0, 400.0], "mV"), conductivity=along([0.5, 1.5, 4.0, 9.0], "S/m")
    )
    return resistivity_sensor.electrical_resistivity(
        along([100.0], "mV"), calibration=calibration, temperature="20 degC"
    )


def _heating() -> xr.Dataset:
    time = np.concatenate([np.arange(-20.0, 0.0, 2.0), np.arange(1.0, 160.0, 1.0)])
    rise = np.where(time > 0, 2.0 / (4 * np.pi) * np.log(np.maximum(time, 1.0)) + 0.3, 0.0)
    noise = np.random.default_rng(5).normal(0.0, 5e-4, time.size)
    columns = {
        "run": np.full(time.size, "a"), "geometry": np.full(time.size, "full_space"),
        "heating_power": np.full(time.size, 2.0), "time": time, "radius": np.full(time.size, 1.0),
        "temperature": 20.0 + rise + noise,
    }  # fmt: skip
    unit = {"heating_power": "W/m", "time": "s", "temperature": "degC", "radius": "mm"}
    return xr.Dataset({
        name: ("row", values, {"units": unit[name]} if name in unit else {})
        for name, values in columns.items()
    })  # fmt: skip


def _consolidation() -> xr.Dataset:
    t = np.geomspace(6.0, 80000.0, 24)
    height, rows = 20.0, []
    for number, (load, fall) in enumerate([(25.0, 0.3), (50.0, 0.5), (100.0, 0.8), (200.0, 1.0)]):
        share = 1.0 - np.exp(-t / 2000.0)
        rows += [(number, load, height - fall * s, at) for s, at in zip(share, t, strict=True)]
        height -= fall
    step, load, tall, at = (np.array(column) for column in zip(*rows, strict=True))
    return xr.Dataset({
        "test": ("row", np.full(step.size, "t")), "step": ("row", step.astype(float)),
        "stress": ("row", load, {"units": "kPa"}), "height": ("row", tall, {"units": "mm"}),
        "time": ("row", at, {"units": "s"}),
    })  # fmt: skip


def _curve() -> xr.Dataset:
    return cp.consolidation.curve(_consolidation(), initial_void_ratio="2.5 1")


MASSES = (along([20.0, 21.0], "g"), along([11.0, 12.0], "g"), along([4.1, 4.5], "cm^3"))
_WATER = {"salinity", "pore_water_density", "salt_density"}
_SAND = {"mineral": "quartz"}
_WET = {**_SAND, "fluid": "sea_water"}
_PRESSED = {**_WET, "effective_pressure": "1 MPa"}


def _at_places(name: str, unit: str, values: Any, **labels: Any) -> xr.Dataset:
    """Readings of core 1, section 1, one below the other unless offsets say otherwise."""
    size = len(values)
    offset = labels.pop("offset", np.arange(1.0, size + 1.0))
    columns = {"core": ["1"] * size, "section": ["1"] * size, **labels}
    coords = {key: ("reading", np.array(words, dtype=object)) for key, words in columns.items()}
    coords["offset"] = ("reading", np.asarray(offset, dtype=float), {"units": "cm"})
    array = along(values, unit, np.asarray(offset) / 100.0).assign_coords(coords)
    u = 0.01 * np.asarray(values)
    return series.build({name: Measured(array.drop_attrs(), u, {"sensor": u})})


def _porosities() -> xr.Dataset:
    depth = np.arange(5.0, 205.0, 5.0)
    noise = np.random.default_rng(2).normal(0.0, 0.01, depth.size)
    values = along(0.7 * np.exp(-depth / 800.0) + noise, "1", depth).drop_attrs()
    return series.build({"porosity": Measured(values, 0.01)})


def _wave() -> xr.DataArray:
    time = np.arange(0.0, 100.0, 0.5)
    pulse = np.exp(-(((time - 42.0) / 6.0) ** 2)) * np.sin((time - 40.0) / 2.0)
    pulse = np.where(time < 40.0, 0.0, pulse)
    noise = np.random.default_rng(4).normal(0.0, 0.005, (2, time.size))
    return xr.DataArray(
        pulse + noise, dims=("reading", "time"), coords={"time": ("time", time, {"units": "us"})}
    )


def _traces() -> xr.DataArray:
    time = np.arange(0.0, 0.3, 0.0005)
    pulse = np.exp(-(((time - 0.1) / 0.008) ** 2)) * np.cos((time - 0.1) / 0.005)
    noise = np.random.default_rng(6).normal(0.0, 0.01, (3, time.size))
    return xr.DataArray(
        pulse + noise, dims=("trace", "time"), coords={"time": ("time", time, {"units": "s"})}
    )


def _trace(name: str) -> xr.DataArray:
    values = np.random.default_rng(7).normal(0.0, 1.0, 120)
    time = ("two_way_time", np.arange(120) * 1e-3, {"units": "s"})
    return xr.DataArray(values, dims="two_way_time", coords={"two_way_time": time}, name=name)


def _log() -> xr.Dataset:
    depth = np.arange(0.0, 60.0, 0.1)
    values = along(1.7 + 0.1 * np.sin(depth) + 0.05 * np.sin(2.7 * depth), "g/cm^3", depth)
    values["depth"].attrs["units"] = "m"
    return series.build({"bulk_density": Measured(values.drop_attrs(deep=False), 0.01)})


def _profile() -> xr.Dataset:
    places = [0.0, 1.0, 5.0, 6.0]
    density, velocity = (
        series.build({name: Measured(along(values, unit, places).drop_attrs(), 0.01)})
        for name, values, unit in (
            ("bulk_density", [1.5, 1.6, 1.7, 1.8], "g/cm^3"),
            ("p_wave_velocity", [1500.0, 1520.0, 1540.0, 1560.0], "m/s"),
        )
    )
    return cp.seismic.profile(density, velocity)


# Function -> results that together use all its constants.
CALLS: dict[str, list[Callable[[], xr.Dataset]]] = {
    "products.compaction.rebounds.rebound": [
        lambda: cp.compaction.rebound(POROSITY, stress=STRESS, swelling_index=0.05)],
    "products.compaction.rebounds.rebound_density": [
        lambda: cp.compaction.rebound_density(
            DENSITY, grain_density="2.7 g/cm^3",
            rebound=cp.compaction.rebound(POROSITY, stress=STRESS, swelling_index=0.05))],
    "products.compaction.column.column_effective_stress": [
        lambda: cp.compaction.column_effective_stress(
            "100 m", surface_porosity=0.7, decay_length="1000 m")],
    "downhole.logs.comparison.compare_with_core": [
        lambda: cp.logs.compare_with_core(_log(), _log(), "bulk_density")],
    "downhole.logs.comparison.to_aperture": [
        lambda: cp.logs.to_aperture(_log(), "bulk_density", at=cp.quantity([5.0], "m"))],
    "hole.placing.match.match": [lambda: cp.depth.match(DENSITY, to=POROSITY)],
    "products.compaction.comparison.compare_models": [
        lambda: cp.compaction.compare_models(_porosities(), absolute_sigma=False).dataset],
    "products.compaction.fits.fit": [
        lambda: cp.compaction.fit(_porosities(), absolute_sigma=False).dataset],
    "products.compaction.fits.fit_by_layer": [
        lambda: cp.compaction.fit_by_layer(
            _porosities(), {"a": ("0 m", "300 m")}, absolute_sigma=False).dataset],
    "products.elastic.models.bounds_check": [
        lambda: elastic.bounds_check("1600 m/s", 0.6, **_WET)],
    "products.elastic.frames.contact_cement": [
        lambda: elastic.contact_cement(0.35, cement="quartz", **_SAND)],
    "products.elastic.velocities.gardner": [lambda: elastic.gardner("3000 m/s")],
    "products.elastic.velocities.castagna": [lambda: elastic.castagna("3000 m/s")],
    "products.elastic.velocities.han": [lambda: elastic.han(0.2, 0.1)],
    "products.elastic.frames.critical_porosity": [lambda: elastic.critical_porosity(0.2, **_SAND)],
    "products.elastic.frames.hertz_mindlin": [lambda: elastic.hertz_mindlin("1 MPa", **_SAND)],
    "products.elastic.frames.soft_sand": [lambda: elastic.soft_sand(0.3, "1 MPa", **_SAND)],
    "products.elastic.frames.stiff_sand": [lambda: elastic.stiff_sand(0.3, "1 MPa", **_SAND)],
    "products.elastic.models.velocity_models": [lambda: elastic.velocity_models(0.3, **_PRESSED)],
    "products.elastic.models.porosity_from_velocity": [
        lambda: elastic.porosity_from_velocity("2000 m/s", **_PRESSED)],
    "products.heat_flow.bend.curvature": [lambda: cp.heat_flow.curvature(*_stations())],
    "products.heat_flow.expected.heat_flow_of_age": [
        lambda: cp.heat_flow.heat_flow_of_age("60 Myr", cooling="half_space")],
    "products.heat_flow.transients.bottom_water_anomaly": [
        lambda: cp.heat_flow.bottom_water_anomaly(DENSITY, change="1 K", since="10 yr")],
    "products.heat_flow.transients.seasonal_anomaly": [
        lambda: cp.heat_flow.seasonal_anomaly(
            DENSITY, amplitude="1 K", period="1 yr", since_maximum="0.2 yr")],
    "products.heat_flow.transients.sedimentation": [
        lambda: cp.heat_flow.sedimentation(DENSITY, rate="1 mm/yr", duration="1e6 yr")],
    "products.porosity.grain_density_at": [
        lambda: cp.porosity.grain_density_at(
            cp.index_properties.phase_relations(*MASSES).assign_coords(
                depth=("reading", [1.0, 5.0])), to=DENSITY)],
    "products.seismic.averaging.backus": [
        lambda: cp.seismic.backus(_profile(), frequency="100 Hz")],
    "products.seismic.profiles.profile": [_profile],
    "products.seismic.ties.tie": [
        lambda: cp.seismic.tie(
            _trace("synthetic_trace").isel(two_way_time=slice(30, 90)), _trace("trace"))],
    "products.seismic.traces.average_wavelet": [
        lambda: xr.Dataset(attrs=cp.seismic.average_wavelet(_traces()).attrs)],
    "products.porosity.from_density": [lambda: cp.porosity.from_density(DENSITY)],
    "products.stress.vertical_effective_stress": [
        lambda: cp.stress.vertical_effective_stress(DENSITY, at=DENSITY)],
    "products.stress.comparison.with_in_situ_water": [
        lambda: cp.stress.with_in_situ_water(
            DENSITY, "1.03 g/cm^3", laboratory_water_density="1.02 g/cm^3")],
    "products.stress.gaps.density_of_porosity": [lambda: cp.stress.density_of_porosity(POROSITY)],
    "products.stress.fluids.in_situ_water_density": [
        lambda: cp.stress.in_situ_water_density(
            DENSITY, salinity="35 g/kg", seafloor_temperature="2 degC", water_depth="2000 m")],
    "products.stress.fluids.fluid_column_pressure": [
        lambda: cp.stress.fluid_column_pressure(
            DENSITY, drilling_fluid_density="1.2 g/cm^3", water_depth="2000 m",
            column_from="seafloor")],
    "products.stress.fluids.equivalent_density": [
        lambda: cp.stress.equivalent_density(
            "21 MPa", DENSITY, datum="seafloor", water_depth="2000 m")],
    "products.stress.profiles.profile": [
        lambda: cp.stress.profile(DENSITY, step="2 m", water_depth="2000 m")],
    "quality.equilibration.settled": [
        lambda: cp.quality.settled(
            "0 s", along([3600.0], "s"), laboratory_temperature="20 degC", core_diameter="66 mm",
            deck_temperature="4 degC", surface_conductance=CONSTANTS["surface_conductance"])],
    "samples.consolidation.rates.consolidation_rate": [
        lambda: cp.consolidation.consolidation_rate(_consolidation(), initial_void_ratio="2.5 1")],
    "samples.consolidation.yield_stresses.indices": [lambda: cp.consolidation.indices(_curve())],
    "samples.index_properties.volumes.mean_of_repeats": [
        lambda: cp.index_properties.mean_of_repeats(along([4.0, 4.1], "cm^3"), ["a", "a"])],
    "samples.index_properties.volumes.pycnometer_cells": [
        lambda: cp.index_properties.pycnometer_cells(
            along([4.0, 8.0], "cm^3"), along([4.01, 8.02], "cm^3"))],
    "samples.needle.combining.anisotropy": [
        lambda: cp.needle.anisotropy(_at_places(
            "thermal_conductivity", "W/(m K)", [1.0, 1.1], direction=["along", "across"]))],
    "samples.velocity.anisotropy": [
        lambda: cp.sample_velocity.anisotropy(_at_places(
            "p_wave_velocity", "m/s", [1500.0, 1520.0], axis=["along", "across"]))],
    "samples.strength.ratios.sensitivity": [
        lambda: cp.strength.sensitivity(_at_places(
            "undrained_shear_strength", "kPa", [20.0, 5.0], state=["peak", "remoulded"],
            method=["vane", "vane"]))],
    "samples.index_properties.phase_relations": [
        lambda: cp.index_properties.phase_relations(*MASSES)],
    "samples.index_properties.phase_relations_from_water_content": [
        lambda: cp.index_properties.phase_relations_from_water_content(0.4, "2.7 g/cm^3")],
    "samples.index_properties.water.porosity_without_interlayer_water": [
        lambda: cp.index_properties.porosity_without_interlayer_water(
            "0.6 1", "1.0 g/cm^3", interlayer_water=0.05)],
    "samples.index_properties.phases.joint_uncertainty": [
        lambda: cp.index_properties.joint_uncertainty(
            *MASSES, mass_uncertainty="0.01 g", volume_uncertainty="0.02 cm^3")],
    "samples.index_properties.outliers.likely_culprit": [
        lambda: cp.index_properties.likely_culprit(*MASSES)],
    "samples.needle.formation.formation_conductivity": [
        lambda: cp.needle.formation_conductivity(CONDUCTIVITY)],
    "samples.needle.formation.in_situ": [
        lambda: cp.needle.in_situ(
            CONDUCTIVITY, "2000 m", "100 m", "5 degC", "20 degC", "1.7 g/cm^3")],
    "samples.needle.formation.mixing_bounds": [lambda: cp.needle.mixing_bounds("0.6 1")],
    "samples.needle.thermal_conductivity": [
        lambda: cp.needle.thermal_conductivity(_heating())],
    "samples.needle.windows": [lambda: cp.needle.windows(_heating())],
    "samples.strength.methods.penetrometer": [
        lambda: cp.strength.penetrometer(along([40.0], "kPa"))],
    "samples.strength.methods.unconfined": [
        lambda: cp.strength.unconfined(
            along([40.0], "N"), along([5.0], "mm"), diameter="38 mm", height="80 mm")],
    "samples.strength.methods.fall_cone": [
        lambda: cp.strength.fall_cone(along([8.0, 9.0], "mm"), "80 g", "30 degree")],
    "samples.strength.ratios.expected_strength_ratio": [
        lambda: cp.strength.expected_strength_ratio(2.0)],
    "samples.strength.methods.vane": [
        lambda: cp.strength.vane(along([0.02], "N m"), diameter="12.7 mm", height="12.7 mm")],
    "sensors.gamma.bulk_density": [
        lambda: _gamma("aluminium_and_water"), lambda: _gamma("grain_equivalent")],
    "sensors.natural_gamma.stripping.heat_production": [
        lambda: cp.natural_gamma.heat_production(
            "2 %", "3 mg/kg", "10 mg/kg", "1.7 g/cm^3", mass_basis="wet")],
    "sensors.natural_gamma.edges.edge_correct": [
        lambda: cp.natural_gamma.edge_correct(
            _at_places("natural_gamma_rate", "1/s", [40.0, 30.0]), np.array([1.0, 0.7]))],
    "sensors.pwave.picking.pick": [lambda: cp.pwave.pick(_wave())],
    "sensors.susceptibility.suggest_unwrapping": [
        lambda: cp.susceptibility.suggest_unwrapping(
            np.array([9.0, 1.0, 9.0]), counter_range=10.0)],
    "sensors.pwave.velocity": [
        lambda: cp.pwave.velocity(
            along([50.0], "us"), along([70.0], "mm"), calibration=_pwave_calibration(),
            wall="2.5 mm", gap="1 mm")],
    "sensors.pwave.conditions.in_situ_velocity": [
        lambda: cp.pwave.in_situ_velocity(
            VELOCITY, laboratory_temperature="20 degC", in_situ_temperature="5 degC",
            water_depth="2000 m")],
    "sensors.resistivity.pore_water.to_reference_temperature": [
        lambda: cp.resistivity.to_reference_temperature(RESISTIVITY, "21 degC")],
    "sensors.resistivity.pore_water.in_situ": [
        lambda: cp.resistivity.in_situ(
            RESISTIVITY, "21 degC", in_situ_temperature="5 degC", in_situ_pressure="2000 dbar")],
    "sensors.susceptibility.magnetic_susceptibility": [
        lambda: cp.susceptibility.magnetic_susceptibility(
            along([50.0], "1"), unit="1e-5 SI", core_diameter="66 mm", loop_diameter="80 mm")],
}  # fmt: skip

# Results of another kind: what they hold is read from their field ``used``.
OBJECTS: dict[str, Callable[[], Any]] = {
    "sensors.gamma.calibration.calibrate": lambda: _gamma_calibration("aluminium_and_water"),
    "sensors.gamma.calibration.dead_time_from_standards": lambda: (
        gamma_sensor.dead_time_from_standards(
            along([99000.0, 66000.0, 44000.0, 29000.0, 19000.0], "count"), "10 s",
            along([0.0, 2.0, 4.0, 6.0, 6.5], "cm"), "6.6 cm")
    ),
    "sensors.pwave.calibration.calibrate": _pwave_calibration,
    "sensors.resistivity.calibration.calibrate": lambda: resistivity_sensor.calibrate(
        along([20.0, 60.0, 180.0, 400.0], "mV"), conductivity=along([0.5, 1.5, 4.0, 9.0], "S/m")
    ),
}  # fmt: skip

# Functions that return bare numbers, which carry nothing: who calls them names the constants.
_NUMBERS = "returns plain numbers"
_WITH_UNIT = "returns a number or a series with its unit"
_BASELINE = "returns a Baseline: numbers and, for each reading, whether one in air is near"
BARE = {
    "hole.composite.sequences.suggest_sequence": "returns a table that is written as a file",
    "hole.composite.suggestions.suggest": "returns a table that is written as a file",
    "products.seismic.water_two_way_time": "returns a Quantity",
    "sensors.resistivity.calibration.air_baseline": _BASELINE,
    "sensors.susceptibility.drift_baseline": _BASELINE,
    "ground.mixing.hashin_shtrikman_conductivity": _NUMBERS,
    "ground.mixing.volumetric_heat_capacity": _NUMBERS,
    "products.elastic.frames.contacts_of_porosity": (
        "returns a Constant, which says how it was found"
    ),
    "ground.mixing.heat_capacity_from_conductivity": _NUMBERS,
    "ground.mixing.suspension_velocity": _NUMBERS,
    "products.accumulation.mass_accumulation_of_phases": _NUMBERS,
    "products.stress.effective_stress_of_layers": _NUMBERS,
    "quality.checks.below_bound": "returns an array of True and False, a test of the quality stage",
    "samples.consolidation.curves.solids_height": _NUMBERS,
    "samples.consolidation.rates.hydraulic_conductivity": _NUMBERS,
    "samples.consolidation.rates.permeability": _NUMBERS,
    "samples.index_properties.water.water_by_exchange_capacity": _NUMBERS,
    "sensors.gamma.decay_factor": _NUMBERS,
    "sensors.gamma.calibration.standard_density": _WITH_UNIT,
    "sensors.gamma.chain.hydrogen_step": _WITH_UNIT,
    "sensors.gamma.chain.electron_step": _WITH_UNIT,
    "sensors.gamma.chain.apparent_density": _WITH_UNIT,
    "sensors.susceptibility.volume_factor": _NUMBERS,
    "sensors.susceptibility.volume_factor_quadratic": _NUMBERS,
}


def _stations() -> tuple[xr.Dataset, xr.Dataset]:
    depth = np.array([10.0, 40.0, 80.0, 120.0, 160.0])
    warm = series.build({"equilibrium_temperature": Measured(
        along(2.0 + 0.05 * depth + [0.01, -0.01, 0.01, -0.01, 0.01], "degC", depth).drop_attrs(),
        0.02)})  # fmt: skip
    conductivity = series.build({"thermal_conductivity": Measured(
        along(np.full(5, 1.0), "W/(m K)", depth).drop_attrs(), 0.02)})  # fmt: skip
    return warm, cp.heat_flow.thermal_resistance(conductivity, at=warm)


def public_functions() -> Iterator[tuple[str, Callable[..., Any]]]:
    for info in pkgutil.walk_packages(cp.__path__, "corephys."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        for name in getattr(module, "__all__", ()):
            function = getattr(module, name)
            if inspect.isfunction(function) and function.__module__ == info.name:
                yield f"{info.name.removeprefix('corephys.')}.{name}", function


def defaults_of(function: Callable[..., Any]) -> set[str]:
    """Rows of constants and thresholds that a function takes as the default of an argument."""
    found = set()
    for parameter in inspect.signature(function).parameters.values():
        default = parameter.default
        for one in default if isinstance(default, tuple) else (default,):
            row = one if isinstance(one, Constant) else getattr(one, "constant", None)
            found |= set() if row is None else {row.name}
    return found


def missing(wanted: set[str], results: list[Any]) -> set[str]:
    """Rows that no result names."""
    held: set[str] = set()
    for result in results:
        used = used_constants(result) if isinstance(result, xr.Dataset) else result.used
        held |= {record.constant for record in used.values()}
    return wanted - held


FUNCTIONS = {name: function for name, function in public_functions() if defaults_of(function)}


def test_the_lists_name_every_function_that_has_a_constant_as_default():
    assert len(FUNCTIONS) > 60
    listed = [*CALLS, *OBJECTS, *BARE]
    assert sorted(listed) == sorted(set(listed))
    assert set(FUNCTIONS) == set(listed)


@pytest.mark.parametrize("name", [*CALLS, *OBJECTS])
def test_a_function_hands_its_constants_to_its_result(name: str):
    made = [call() for call in CALLS.get(name, [])] or [OBJECTS[name]()]
    assert missing(defaults_of(FUNCTIONS[name]), made) == set()


def test_a_constant_that_a_function_keeps_to_itself_is_found():
    silent = series.build({"porosity": Measured(0.5)}, constants={"gravity": CONSTANTS["gravity"]})
    assert missing({"gravity", "grain_density"}, [silent]) == {"grain_density"}


def test_functions_that_are_exempt_return_no_result():
    for name in BARE:
        returns = str(inspect.signature(FUNCTIONS[name]).return_annotation)
        assert "Dataset" not in returns and "Calibration" not in returns, name


# Rows that a function uses without an argument for them.
INSIDE: list[Callable[[], xr.Dataset]] = [
    lambda: cp.heat_flow.heat_flow_of_age("60 Myr"),
    lambda: cp.heat_flow.conductivity_of_water_content("0.45 1", conditions="laboratory"),
    lambda: cp.heat_flow.conductivity_at_temperature("2 W/(m K)", "80 degC"),
    lambda: elastic.raymer(
        0.2, grain_velocity="5500 m/s", fluid_velocity="1500 m/s", grain_density="2.65 g/cm^3",
        fluid_density="1.02 g/cm^3"),
    lambda: cp.strength.fall_cone(along([8.0, 9.0], "mm"), "60 g", along([30.0, 60.0], "degree")),
    lambda: cp.consolidation.sample_quality(_curve(), "60 kPa"),
    lambda: cp.pwave.velocity(
        along([50.0], "us"), along([70.0], "mm"), calibration=_pwave_calibration(), wall="2.5 mm"),
    lambda: _resistivity(),
    lambda: _formation(),
    lambda: _needles_in_the_hole(),
]  # fmt: skip

# Rows that reach no result of this package, and why.
NO_RESULT = {
    "calcite_electron_ratio": "for a user's own mean of grains",
    "quartz_electron_ratio": "for a user's own mean of grains",
    "kaolinite_electron_ratio": "for a user's own mean of grains",
    "illite_electron_ratio": "for a user's own mean of grains",
    "water_mass_attenuation": "for a user's own prediction of count rates",
    "aluminium_mass_attenuation": "for a user's own prediction of count rates",
    "barium_133_half_life": "for a source of Ba-133, given as half_life",
    "heat_per_uranium_2020": "an alternative that a user passes",
    "heat_per_thorium_2020": "an alternative that a user passes",
    "heat_per_potassium_2020": "an alternative that a user passes",
    "half_space_heat_flow_2013": "an alternative that a user passes",
    "oceanic_mean_heat_flow": "to compare with, in no formula",
    "global_mean_heat_flow": "to compare with, in no formula",
    "quartz_conductivity": "for a user's own mean of grains",
    "calcite_conductivity": "for a user's own mean of grains",
    "dolomite_conductivity": "for a user's own mean of grains",
    "illite_conductivity": "for a user's own mean of grains",
    "chlorite_conductivity": "for a user's own mean of grains",
    "huber_tuning": "tuning of robust weights; the fit names its weights",
    "tukey_tuning": "tuning of robust weights; the fit names its weights",
    "tukey_tuning_of_ties": "the same of ties of scan and samples; the steps name them",
    "reference_salinity": "of seawater.absolute_salinity, which returns plain numbers",
    "sea_salt_limit": "a limit of arguments and tables, in no formula",
    "sodium_chloride_molar_mass": "inside brine_conductivity, which returns a quantity",
    "heat_capacity_c0": "of mixing.heat_capacity_from_conductivity, which returns plain numbers",
    "heat_capacity_c1": "of mixing.heat_capacity_from_conductivity, which returns plain numbers",
    "heat_capacity_c2": "of mixing.heat_capacity_from_conductivity, which returns plain numbers",
    "contacts_c0": "of elastic.contacts_of_porosity, which returns a Constant",
    "contacts_c1": "of elastic.contacts_of_porosity, which returns a Constant",
    "contacts_c2": "of elastic.contacts_of_porosity, which returns a Constant",
    "softest_grain_modulus": "of quality.below_bound, which returns True and False",
    "loop_quadratic_c0": "of volume_factor_quadratic, which returns plain numbers",
    "loop_quadratic_c1": "of volume_factor_quadratic, which returns plain numbers",
    "loop_quadratic_c2": "of volume_factor_quadratic, which returns plain numbers",
    "interlayer_water_per_charge": "of water_by_exchange_capacity, which returns plain numbers",
    "water_molar_mass": "of water_by_exchange_capacity, which returns plain numbers",
    "water_column_sound_speed": "of seismic.water_two_way_time, which returns a Quantity",
}


def _needles_in_the_hole() -> xr.Dataset:
    """Conductivity of a hole without formation temperatures, with its effect in situ."""
    tables, settings, _ = simulate_tables(3001, small=True)
    needles = {n: tables[n] for n in ("cores", "sections", "samples/needle")}
    given = {"hole": settings["hole"]}
    return cp.reduce(cp.hole_from_tables(needles, given))[
        "properties/thermal_conductivity"
    ].to_dataset()


def _formation() -> xr.Dataset:
    time = np.arange(0.0, 900.0, 5.0)
    a, k, rho_c = 0.004, 1.0, 3.3e6
    alpha = 2.0 * np.pi * a**2 * rho_c / 200.0
    tau = k / rho_c * np.maximum(time, 1.0) / a**2
    warm = 5.0 + 3.0 * cp.formation_temperature.decay_function(alpha, tau)
    warm = warm + np.random.default_rng(3).normal(0.0, 0.001, time.size)
    table = xr.Dataset({
        "station": ("row", np.full(time.size, "s")), "time": ("row", time, {"units": "s"}),
        "temperature": ("row", warm, {"units": "degC"}),
    })  # fmt: skip
    stations = xr.Dataset({
        "station": ("row", np.array(["s"])), "tool": ("row", np.array(["probe"])),
        "depth": ("row", [50.0], {"units": "m"}),
        "penetration_time": ("row", [0.0], {"units": "s"}),
    })  # fmt: skip
    tools = xr.Dataset({
        "tool": ("row", np.array(["probe"])), "radius": ("row", [4.0], {"units": "mm"}),
        "heat_capacity": ("row", [200.0], {"units": "J/(m K)"}),
    })  # fmt: skip
    return cp.formation_temperature.equilibrium_temperature(
        table, stations, tools, conductivity="1 W/(m K)"
    )


def test_every_row_of_the_table_reaches_a_result():
    made = [call() for calls in CALLS.values() for call in calls]
    made += [call() for call in INSIDE]
    assert missing(set(CONSTANTS), made) == set(NO_RESULT)


def test_contacts_that_follow_the_porosity_say_so():
    contacts = elastic.contacts_of_porosity(0.65)
    found = elastic.soft_sand(0.6, "1 MPa", critical=0.65, contacts=contacts, **_SAND)
    used = used_constants(found)["contacts"]
    assert (used.origin, used.status) == ("calculated", "memory")
    assert used.citation.endswith("at a porosity of 0.65 (Murphy 1982)")
    with pytest.raises(
        ValueError, match="porosity is 1\\.2; the porosity of a pack must be between 0"
    ):
        elastic.contacts_of_porosity(1.2)


def test_minerals_are_constants_too():
    used = used_constants(elastic.velocity_models(0.3, **_WET))
    assert used["mineral_bulk_modulus"].constant == "quartz_bulk_modulus"
    assert used["fluid_density"].constant == "sea_water_density"
    grains = elastic.mineral_mixture({"quartz": 0.3, "clay": 0.7})
    mixed = used_constants(elastic.velocity_models(0.3, mineral=grains, fluid="sea_water"))
    assert mixed["mineral_density"].origin == "calculated"
    assert mixed["mineral_density"].citation == "Hill average of 0.3 quartz, 0.7 clay"


def test_a_calibration_in_a_store_of_readings_keeps_what_it_used():
    for made in (_gamma_calibration("aluminium_and_water"), _pwave_calibration()):
        plain = json.loads(json.dumps(readings._plain_calibration(made)))
        again = readings._calibration(type(made), plain)
        held, read = ({n: r.to_dict() for n, r in one.used.items()} for one in (made, again))
        assert held == read and any("citation" in record for record in read.values())


# A reduction -------------------------------------------------------------------------------------


def test_a_recipe_tells_a_default_from_what_was_stated():
    default = Recipe()["gamma"]["grain_density"]
    assert one(default).constant == "grain_density"
    stated = Recipe({"gamma": {"grain_density": "2.7 g/cm^3"}})
    assert stated == Recipe() and one(stated["gamma"]["grain_density"]).origin == "given"
    kept = stated.with_changes({"liner": {"wall": "3 mm"}})
    assert one(kept["gamma"]["grain_density"]).origin == "given"
    assert one(kept["gamma"]["half_life"]).constant == "caesium_137_half_life"
    assert one(Recipe()["liner"]["wall"]).origin == "default"
    again = Recipe.from_json(Recipe({"liner": {"wall": "3 mm"}}).to_json())
    assert one(again["gamma"]["grain_density"]).constant == "grain_density"
    assert one(again["liner"]["wall"]).origin == "given"


@pytest.fixture(scope="module")
def demo(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


@pytest.fixture(scope="module")
def asked(demo_hole: Path) -> xr.DataTree:
    changes = {
        "index_properties": {"salt_density": "2.22 g/cm^3"},
        "porosity": {"grain_density": "constant"},
        "natural_gamma": {"least_fill": 0.7},
    }  # fmt: skip
    return cp.reduce(cp.read_hole(demo_hole), changes)


@pytest.mark.slow
def test_a_reduction_says_default_hole_or_recipe(demo: xr.DataTree, asked: xr.DataTree):
    density = used_constants(demo["properties/density"])
    assert (density["half_life"].origin, density["half_life"].citation) == ("hole", "")
    samples = used_constants(demo["properties/index_properties"])
    assert samples["salt_density"].constant == "salt_density"
    assert (density["dead_time"].origin, density["dead_time"].shown()) == ("hole", "5 ± 0.2 us")
    assert density["pore_water_density"].origin == "calculated"
    assert "TEOS-10" in density["pore_water_density"].citation
    same = used_constants(asked["properties/index_properties"])["salt_density"]
    assert (same.origin, same.citation) == ("recipe", "")
    assert same.value == samples["salt_density"].value
    assert used_constants(asked["properties/density"])["grain_density"].constant == "grain_density"
    assert used_constants(asked["properties/natural_gamma"])["least_fill"].origin == "recipe"


@pytest.mark.slow
def test_the_recipe_of_an_output_gives_the_same_origins(demo: xr.DataTree, demo_hole: Path):
    recipe = Recipe.from_json(demo.attrs["recipe"])
    again = cp.reduce(cp.read_hole(demo_hole), recipe)
    xr.testing.assert_identical(again, demo)


def test_no_number_of_a_reduction_is_of_unknown_origin(demo: xr.DataTree):
    found = [
        (node.path, name, record.origin)
        for node in demo.leaves
        for name, record in used_constants(node).items()
        if record.origin in ("given", "unrecorded")
    ]
    assert found == []
