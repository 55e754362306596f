"""Inputs that once gave a wrong number marked good: refused in words, or flagged by name."""

from __future__ import annotations

import inspect
import json
from types import SimpleNamespace

import gsw
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import arguments, flags, mixing, seawater, units
from corephys.hole import HoleError, hole_from_tables
from corephys.products import accumulation, compaction, elastic, stress
from corephys.reduction.recipe import Recipe, RecipeError
from corephys.reduction.stages import logs as log_stage
from corephys.reduction.stages import samples as sample_stage
from corephys.samples import index_properties as index
from corephys.samples import needle, strength
from corephys.sensors import pwave, resistivity
from tests.formulas import public_objects


def series_of(values, unit):
    return xr.DataArray(np.atleast_1d(np.asarray(values, float)), dims="reading",
                        attrs={"units": unit})  # fmt: skip


# Temperature


@pytest.mark.parametrize("given", ["20 K", "-21 degC", "293 degC"])
@pytest.mark.parametrize("law", [seawater.density, seawater.sound_speed, seawater.conductivity])
def test_no_sea_water_where_there_is_none(law, given):
    # "20 K" once gave a density of 9.3 kg/m^3.
    with pytest.raises(ValueError, match=r"sea water lies between -20 and 150 degC"):
        law("35 psu", given)
    with pytest.raises(ValueError, match=r"sea water lies between"):
        law("35 psu", series_of([4.0, float(given.split()[0])], given.split()[1]))


def test_temperatures_of_a_table_in_kelvins_that_are_degrees_are_bad():
    table = pd.DataFrame({
        "kind": "standard", "length [mm]": [40.0, 60.0], "travel_time [us]": [28.0, 41.0],
        "temperature [K]": [20.0, 293.0],
    })  # fmt: skip
    hole = hole_from_tables({"standards/pwave": table}, {"hole": {"name": "x"}})
    read = hole["standards/pwave"].to_dataset()
    assert np.isnan(read["temperature"].values[0])
    assert read["temperature"].values[1] == pytest.approx(19.85)
    assert flags.names(read["temperature_reason"].values[0]) == ["missing_value", "bad_cell"]


# Salinity


def test_practical_salinity_becomes_absolute_salinity_by_the_reference_composition():
    # TEOS-10 (IOC, SCOR and IAPSO 2010): S_R = 35.16504 / 35 S_P, here by the library gsw.
    for practical in (0.5, 17.5, 35.0, 40.0):
        absolute = seawater.absolute_salinity(f"{practical} psu")
        assert absolute.magnitude == pytest.approx(float(gsw.SR_from_SP(practical)), rel=1e-12)
    assert seawater.absolute_salinity("35 g/kg").magnitude == 35.0
    assert seawater.density("35 psu", "20 degC").to("kg/m^3").magnitude == pytest.approx(
        float(gsw.rho_t_exact(35.16504, 20.0, 0.0)), rel=1e-12
    )
    for mark in ("psu", "PSU", "PSS-78"):
        marked = series_of([35.0, 30.0], mark)
        assert np.allclose(
            seawater.absolute_salinity(marked), [35.16504, 30.0 * 35.16504 / 35.0], rtol=1e-12
        )
    assert units.quantity(35.0, "psu").to("g/kg").magnitude == pytest.approx(35.16504)


def test_the_ratio_is_undone_on_the_way_to_conductivity():
    # C(35, 15 degC, 0) of PSS-78: 4.2914 S/m, UNESCO (1983) Technical Papers 44, by gsw.
    found = seawater.conductivity("35 psu", "14.9964 degC")
    assert found.to("S/m").magnitude == pytest.approx(4.2914, abs=2e-4)


@pytest.mark.parametrize("given", ["0.035 1", "3.5 %", "35000 mg/kg"])
def test_a_mass_fraction_is_absolute_salinity(given):
    assert seawater.absolute_salinity(given).magnitude == pytest.approx(35.0)


@pytest.mark.parametrize("given", ["35 1", "350 g/kg", "121 g/kg", "-1 g/kg", "120 psu"])
def test_a_salinity_that_no_sea_water_has_is_refused_in_words(given):
    words = "below zero" if given.startswith("-") else "sea water has 0 to 120 g/kg"
    for function in (seawater.density, seawater.sound_speed, seawater.conductivity):
        with pytest.raises(ValueError, match=words):
            function(given, "20 degC")
    with pytest.raises(ValueError, match=words):
        resistivity.pore_water_resistivity(given, "20 degC")
    with pytest.raises(ValueError, match=words):
        index.phase_relations("30 g", "20 g", "7 cm^3", salinity=given)


def test_practical_salinity_reaches_every_function_as_absolute_salinity():
    fine = {"wet_mass": "30 g", "dry_mass": "20 g", "dry_volume": "7 cm^3"}
    for function in (
        lambda s: index.phase_relations(*fine.values(), salinity=s)["porosity"],
        lambda s: resistivity.pore_water_resistivity(s, "20 degC")["pore_water_resistivity"],
        lambda s: elastic.brine(s, "20 degC", "0.1 MPa")["fluid_density"],
        lambda s: pwave.in_situ_velocity(
            series_of([1550.0], "m/s"), laboratory_temperature="20 degC",
            in_situ_temperature="4 degC", in_situ_pressure="2000 dbar", salinity=s,
        )["p_wave_velocity_in_situ"],
    ):  # fmt: skip
        practical, absolute = (np.asarray(function(s)) for s in ("35 psu", "35.16504 g/kg"))
        np.testing.assert_allclose(practical, absolute, rtol=1e-12)
        assert not np.allclose(practical, function("35 g/kg"), rtol=1e-7)


def out_of_order(functions):
    """Functions whose positional arguments are not in the order salinity, temperature, pressure."""
    wanted, found = ("salinity", "temperature", "pressure"), []
    for name, function in functions.items():
        taken = [p.name for p in inspect.signature(function).parameters.values()
                 if p.kind is p.POSITIONAL_OR_KEYWORD and p.name in wanted]  # fmt: skip
        if "salinity" in taken and taken != sorted(taken, key=wanted.index):
            found.append(name)
    return found


def test_water_is_described_by_salinity_temperature_and_pressure_in_this_order():
    functions = {k: v for k, v in public_objects().items() if inspect.isfunction(v)}
    assert len(functions) > 150 and not out_of_order(functions)
    assert out_of_order({"wrong": lambda temperature, salinity: None}) == ["wrong"]


def test_practical_salinity_is_no_other_quantity():
    for wanted in ("1", "%", "g/cm^3"):
        with pytest.raises(units.UnitError, match="psu"):
            units.as_floats("35 psu", wanted, "porosity")
    with pytest.raises(units.UnitError, match="defined for sea water"):
        resistivity.brine_conductivity("35 psu", "20 degC", brine="sodium_chloride")
    with pytest.raises(units.UnitError, match="'35 psu'"):
        seawater.density(35.0, "20 degC")


def test_the_recipe_and_the_settings_of_a_hole_name_the_key():
    assert Recipe({"hole": {"pore_water_salinity": "35 psu"}})["hole"]["pore_water_salinity"]
    for given in ("35 1", "350 g/kg", "-2 g/kg"):
        with pytest.raises(RecipeError, match=r"\[hole\] pore_water_salinity is"):
            Recipe({"hole": {"pore_water_salinity": given}})
        with pytest.raises(HoleError, match="pore_water_salinity"):
            hole_from_tables({}, {"hole": {"name": "x", "pore_water_salinity": given}})


def test_a_number_of_the_recipe_beyond_any_instrument_is_refused_by_its_key():
    for stage, key, value in (
        ("hole", "water_depth", "1e300 m"), ("gamma", "dead_time", "1e290 s"),
        ("quality", "end_trim", float("nan")), ("quality", "end_trim", 1e300),
    ):  # fmt: skip
        with pytest.raises(RecipeError, match=rf"\[{stage}\] {key} is"):
            Recipe({stage: {key: value}})


def _waters(header, values):
    frame = pd.DataFrame({"depth [m]": np.arange(len(values)) * 10.0 + 1.0, header: values})
    return hole_from_tables({"pore_water": frame}, {"hole": {"name": "x"}})["pore_water"]


def test_the_table_of_pore_water_takes_either_salinity_and_refuses_a_pure_number():
    found = _waters("salinity [psu]", [35.0, 34.0])["salinity"]
    np.testing.assert_allclose(found, np.array([35.0, 34.0]) * 35.16504 / 35.0, rtol=1e-12)
    assert found.attrs["units"] == "g/kg"
    with pytest.raises(HoleError, match=r"35.0 as a mass fraction \[1\] is 35000 g/kg"):
        _waters("salinity [1]", [35.0, 34.0])
    waters = _waters("salinity [g/kg]", [35.0, 350.0])
    assert np.isnan(waters["salinity"].values[1])
    assert flags.names(waters["reason"].values[1]) == ["bad_cell"]
    assert json.loads(waters.attrs["bad_cells"]) == [[1, "salinity", "350.0"]]


# Fractions

DEPTH = np.linspace(1.0, 200.0, 20)
ROCK = {"mineral": "quartz"}
WATER = elastic.Material("water", "2.3 GPa", "0 GPa", "1.03 g/cm^3")
FILLED = {"mineral": "quartz", "fluid": WATER}
COLUMN = {"decay_length": "1000 m"}
LAYER = ("0 m", "100 m")
REFERENCE = stress.reference_of_indices(void_ratio=2.0, compression_index=0.6)
PHASES = ["quartz", "clay"]
WARM = ["1 W/(m K)", "3 W/(m K)"]


def one(value):
    return series_of([value], "1")


def along_depth(value):
    """A porosity that falls with depth from a value."""
    values = value * (np.exp(-DEPTH / 1000.0) + 0.01 * np.sin(DEPTH))
    data = xr.DataArray(values, dims="reading", attrs={"units": "1"})
    return data.assign_coords(depth=("reading", DEPTH, {"units": "m"}))


def by_depth(value):
    return xr.Dataset({"porosity": along_depth(value)})


def loads():
    data = xr.DataArray(10.0 * DEPTH, dims="reading", attrs={"units": "kPa"})
    return xr.Dataset({"vertical_effective_stress": data.assign_coords(depth=("reading", DEPTH))})


def conducting(value):
    phi = along_depth(value)
    water = phi.copy(data=np.linspace(0.2, 0.3, DEPTH.size)).assign_attrs(units="ohm m")
    core = (water * 0.6**-2.0).assign_attrs(units="ohm m")
    return resistivity.surface_conduction_fit(core, water, phi)


# Every public function that takes a fraction, by its name, with arguments that are sound otherwise.
FRACTIONS = {
    "accumulation.component_accumulation_rate": lambda f:
        accumulation.component_accumulation_rate("2 g/(cm^2 kyr)", fraction=f),
    "accumulation.mass_accumulation_of_phases": lambda f:
        accumulation.mass_accumulation_of_phases(
            "1 m", "10 kyr", bulk_density="1.7 g/cm^3", porosity=f),
    "compaction.bootstrap": lambda f:
        compaction.bootstrap(along_depth(f), replicates=50, absolute_sigma=False),
    "compaction.burial_history": lambda f: compaction.burial_history(
        *LAYER, surface_porosity=f, top_age="0 kyr", bottom_age="10 kyr", **COLUMN),
    "compaction.column_effective_stress": lambda f:
        compaction.column_effective_stress("100 m", surface_porosity=f, **COLUMN),
    "compaction.compare_models": lambda f:
        compaction.compare_models(along_depth(f), absolute_sigma=False),
    "compaction.decompact": lambda f: compaction.decompact(*LAYER, surface_porosity=f, **COLUMN),
    "compaction.exponential": lambda f:
        compaction.exponential("100 m", surface_porosity=f, **COLUMN),
    "compaction.exponential_in_stress": lambda f:
        compaction.exponential_in_stress("100 kPa", surface_porosity=f, decay_stress="5 MPa"),
    "compaction.fit": lambda f: compaction.fit(along_depth(f), absolute_sigma=False),
    "compaction.fit_by_layer": lambda f: compaction.fit_by_layer(
        along_depth(f), xr.Dataset({
            "name": ("row", np.array(["a"], dtype=object)),
            "top": ("row", [0.0], {"units": "m"}), "bottom": ("row", [300.0], {"units": "m"}),
        }), absolute_sigma=False),
    "compaction.linear": lambda f:
        compaction.linear("100 m", surface_porosity=f, porosity_gradient="0.0001 1/m"),
    "compaction.offset_exponential": lambda f: compaction.offset_exponential(
        "100 m", surface_porosity=f, residual_porosity=0.1, **COLUMN),
    "compaction.original_thickness": lambda f:
        compaction.original_thickness(*LAYER, surface_porosity=f, **COLUMN),
    "compaction.power": lambda f:
        compaction.power("100 m", reference_porosity=f, solidity_exponent=0.1),
    "compaction.likelihood_profile": lambda f:
        compaction.likelihood_profile(along_depth(f), absolute_sigma=False),
    "compaction.rebound": lambda f: compaction.rebound(
        one(f), stress=series_of([100.0], "kPa"), swelling_index=0.1),
    "compaction.rebound_by_depth": lambda f: compaction.rebound_by_depth(
        one(f), kind="terrigenous", depth=series_of([100.0], "m")),
    "compaction.reference_depth": lambda f:
        compaction.reference_depth(f, curve="shale"),
    "compaction.solid_thickness": lambda f:
        compaction.solid_thickness(*LAYER, surface_porosity=f, **COLUMN),
    "elastic.bounds_check": lambda f: elastic.bounds_check("1600 m/s", f, **FILLED),
    "elastic.contact_cement": lambda f: elastic.contact_cement(f, **ROCK, cement="quartz"),
    "elastic.contacts_of_porosity": elastic.contacts_of_porosity,
    "elastic.critical_porosity": lambda f: elastic.critical_porosity(f, **ROCK),
    "elastic.fluid_mixture": lambda f: elastic.fluid_mixture([f, 0.4], [WATER] * 2),
    "elastic.fluid_substitution": lambda f: elastic.fluid_substitution(
        "2500 m/s", "1200 m/s", "2.0 g/cm^3", f, **FILLED, new_fluid=WATER),
    "elastic.frame_modulus": lambda f: elastic.frame_modulus("10 GPa", f, **FILLED),
    "elastic.gassmann": lambda f: elastic.gassmann("5 GPa", f, **FILLED),
    "elastic.han": lambda f: elastic.han(f, 0.2),
    "elastic.hashin_shtrikman": lambda f:
        elastic.hashin_shtrikman([f, 0.4], PHASES, bound="lower"),
    "elastic.hill": lambda f: elastic.hill([f, 0.4], PHASES),
    "elastic.krief": lambda f: elastic.krief(f, **ROCK),
    "elastic.raymer": lambda f:
        elastic.raymer(f, grain_velocity="5500 m/s", fluid_velocity="1500 m/s"),
    "elastic.reuss": lambda f: elastic.reuss([f, 0.4], PHASES),
    "elastic.s_wave_from_frame": lambda f:
        elastic.s_wave_from_frame("2500 m/s", "2.0 g/cm^3", f, **FILLED),
    "elastic.soft_sand": lambda f: elastic.soft_sand(f, "5 MPa", **ROCK, critical=0.65),
    "elastic.stiff_sand": lambda f: elastic.stiff_sand(f, "5 MPa", **ROCK, critical=0.65),
    "elastic.velocity_models": lambda f:
        elastic.velocity_models(f, **FILLED, effective_pressure="5 MPa", critical=0.65),
    "elastic.voigt": lambda f: elastic.voigt([f, 0.4], PHASES),
    "elastic.wood": lambda f: elastic.wood(f, **FILLED),
    "elastic.wyllie": lambda f:
        elastic.wyllie(f, grain_velocity="5500 m/s", fluid_velocity="1500 m/s"),
    "heat_flow.conductivity_of_water_content": cp.heat_flow.conductivity_of_water_content,
    "index_properties.phase_relations_from_water_content": lambda f:
        index.phase_relations_from_water_content(f, "2.7 g/cm^3"),
    "index_properties.porosity_without_interlayer_water": lambda f:
        index.porosity_without_interlayer_water(f, "1.0 g/cm^3", interlayer_water=0.1),
    "index_properties.recompute": lambda f:
        index.recompute(f, "1.5 g/cm^3", pore_water_density="1.024 g/cm^3"),
    "mixing.arithmetic_mean": lambda f: mixing.arithmetic_mean([f, 0.4], WARM),
    "mixing.geometric_mean": lambda f: mixing.geometric_mean([f, 0.4], WARM),
    "mixing.harmonic_mean": lambda f: mixing.harmonic_mean([f, 0.4], WARM),
    "mixing.hashin_shtrikman_conductivity": lambda f:
        mixing.hashin_shtrikman_conductivity(f, "3 W/(m K)"),
    "mixing.suspension_velocity": lambda f:
        mixing.suspension_velocity(f, fluid_modulus="2.3 GPa", grain_modulus="38 GPa"),
    "mixing.volumetric_heat_capacity": mixing.volumetric_heat_capacity,
    "needle.mixing_bounds": lambda f: needle.mixing_bounds(one(f)),
    "pwave.in_situ_velocity": lambda f: pwave.in_situ_velocity(
        series_of([1550.0], "m/s"), laboratory_temperature="20 degC",
        in_situ_temperature="4 degC", in_situ_pressure="2000 dbar", form="slowness",
        porosity=one(f)),
    "resistivity.archie_fit": lambda f: resistivity.archie_fit(
        series_of(1.0 + 0.01 * DEPTH, "1"), along_depth(f).drop_vars("depth")),
    "resistivity.archie_formation_factor": lambda f: resistivity.archie_formation_factor(f, m=2.0),
    "resistivity.cementation_exponent": lambda f:
        resistivity.cementation_exponent(one(3.0), one(f)),
    "resistivity.surface_conduction_fit": conducting,
    "stress.density_of_porosity": lambda f: stress.density_of_porosity(by_depth(f)),
    "stress.effective_stress_of_porosity": lambda f:
        stress.effective_stress_of_porosity(one(f), reference=REFERENCE),
    "stress.fit_reference": lambda f: stress.fit_reference(by_depth(f), loads()),
}  # fmt: skip
# The porosity is a result of another function of the package, or no fraction of a volume.
TAKEN_ELSEWHERE = {
    "index_properties.find_constants": "reported values, of which the median tells the constants",
    "seismic.backus": "a share of the wavelength",
    "stress.overpressure_bound": "through effective_stress_of_porosity",
    "stress.reference_of_indices": "a pair, least and greatest",
}


@pytest.mark.parametrize("law", FRACTIONS)
@pytest.mark.parametrize("wrong", [60.0, -0.2])
def test_a_law_refuses_what_is_no_fraction(law, wrong):
    with pytest.raises(ValueError):
        FRACTIONS[law](wrong)


@pytest.mark.parametrize("law", FRACTIONS)
def test_a_law_makes_no_good_number_of_none(law):
    """A single NaN is refused; in a series it stays NaN and is flagged."""
    try:
        found = FRACTIONS[law](float("nan"))
    except ValueError:
        return
    flagged = [name for name in found.data_vars if f"{name}_flag" in found]
    # These two do not depend on the porosity: the velocity as given, and a gain by depth alone.
    of_porosity = [n for n in flagged if n not in ("p_wave_velocity", "porosity_rebound")]
    assert of_porosity
    for name in of_porosity:
        assert (found[f"{name}_flag"].values != flags.GOOD).all(), name


@pytest.mark.parametrize("law", FRACTIONS)
def test_a_law_takes_a_fraction(law):
    FRACTIONS[law](0.6)


def test_one_reading_outside_is_nan_and_the_others_stay():
    found = arguments.fraction(series_of([0.5, 55.0, -0.1, np.nan, 1.0, 0.0], "1"), "porosity")
    np.testing.assert_array_equal(found, [0.5, np.nan, np.nan, np.nan, 1.0, 0.0])
    lower, upper = mixing.hashin_shtrikman_conductivity(
        series_of([0.6, 60.0], "1"), "3 W/(m K)", "0.6 W/(m K)"
    )
    # Docstring of the function: 1.133333 for 0.6, Hashin and Shtrikman (1962).
    assert float(lower[0]) == pytest.approx(1.133333, abs=1e-6)
    assert np.isnan(lower[1]) and np.isnan(upper[1])
    factor = resistivity.archie_formation_factor(np.array([0.2, -0.2, 0.0]), m=2.0)
    np.testing.assert_allclose(factor, [25.0, np.nan, np.nan])
    marked = resistivity.cementation_exponent(
        series_of([4.0, 4.0], "1"), series_of([0.5, 50.0], "1")
    )
    assert "impossible_value" in flags.names(marked["cementation_exponent_reason"].values[1])


def test_per_cent_with_their_unit_are_a_fraction():
    assert arguments.fraction("60 %", "porosity") == pytest.approx(0.6)
    with pytest.raises(ValueError, match=r"porosity is 60; it is a fraction .*'55 %'"):
        arguments.fraction(60.0, "porosity")
    with pytest.raises(ValueError, match="the first of 3 values, none of which is in range"):
        arguments.fraction(np.array([55.0, 60.0, 61.0]), "porosity")


def test_the_fractions_of_a_mixture_are_one_together():
    with pytest.raises(ValueError, match=r"fractions add up to 1\.1; .* must add up to 1"):
        mixing.geometric_mean([0.4, 0.7], ["1 W/(m K)", "3 W/(m K)"])


# Tables

SETTINGS = {"hole": {"name": "x"}}


def _hole(**tables):
    cores = pd.DataFrame({
        "core": ["1"], "coring_method": ["piston"], "top [m]": [0.0], "advance [m]": [3.0],
        "recovered [m]": [3.0],
    })  # fmt: skip
    sections = pd.DataFrame({
        "core": ["1", "1"], "section": ["1", "2"], "length [m]": [1.5, 1.5],
        "core_diameter [mm]": [66.0, 66.0],
    })  # fmt: skip
    named = {name.replace("__", "/"): frame for name, frame in tables.items()}
    return hole_from_tables({"cores": cores, "sections": sections, **named}, SETTINGS)


def _gamma(**columns):
    return pd.DataFrame({"depth [m]": [1.0, 2.0], "counts": [5000.0, 5100.0],
                         "live_time [s]": [4.0, 4.0], **columns})  # fmt: skip


def test_a_reading_above_the_seafloor_is_flagged_by_name():
    gamma = _hole(scan__gamma=_gamma(**{"depth [m]": [-5.0, 2.0]}))["scan/gamma"]
    assert gamma["depth"].values[0] == -5.0
    assert flags.names(gamma["reason"].values[0]) == ["above_seafloor"]
    assert gamma["flag"].values.tolist() == [flags.BAD, flags.GOOD]


@pytest.mark.parametrize("table, frame", [
    ("ages", {"depth [m]": [-5.0, 2.0], "age [kyr]": [1.0, 2.0]}),
    ("pore_water", {"depth [m]": [-5.0, 2.0], "salinity [g/kg]": [35.0, 35.0]}),
    ("layers", {"name": ["a"], "top [m]": [-1.0], "bottom [m]": [5.0]}),
    ("downhole__stations", {"station": ["a"], "tool": ["t"], "depth [m]": [-5.0]}),
])  # fmt: skip
def test_what_is_fitted_together_may_not_lie_above_the_seafloor(table, frame):
    with pytest.raises(HoleError, match="above the seafloor"):
        _hole(**{table: pd.DataFrame(frame)})


@pytest.mark.parametrize("run", [1.5, -1.0, 20311102.0])
def test_a_run_is_a_small_whole_number(run):
    with pytest.raises(HoleError, match=r"run is .* not a whole number from 0 to 9999"):
        _hole(scan__gamma=_gamma(run=[1.0, run]))


def test_numbers_beyond_any_instrument_are_bad_cells_by_name_value_and_row():
    gamma = _hole(scan__gamma=_gamma(counts=[5000.0, 1e300]))["scan/gamma"]
    assert np.isnan(gamma["counts"].values[1])
    assert flags.names(gamma["reason"].values[1]) == ["bad_cell"]
    assert json.loads(gamma.attrs["bad_cells"]) == [[1, "counts", "1e+300"]]
    with pytest.raises(HoleError, match="beyond any instrument"):
        hole_from_tables(
            {"layers": pd.DataFrame({"name": ["a"], "top [m]": [0.0], "bottom [m]": [1e300]})},
            SETTINGS,
        )


def test_ages_in_years_under_a_header_in_kyr_are_flagged_by_name():
    depth = units.quantity(np.array([0.0, 5.0, 10.0]), "m")
    years = np.array([0.0, 1e5, 2e5])  # 50 m/Myr
    right = accumulation.sedimentation_rate(units.quantity(years / 1e3, "kyr"), depth=depth)
    assert (right["sedimentation_rate_reason"].values == 0).all()
    assert right.attrs["unlikely_rates"] == "none"
    wrong = accumulation.sedimentation_rate(units.quantity(years, "kyr"), depth=depth)
    for mask in wrong["sedimentation_rate_reason"].values:
        assert "out_of_usual_range" in flags.names(mask)
    assert (wrong["sedimentation_rate_flag"].values == flags.SUSPECT).all()


def test_torques_that_are_zero_throughout_are_no_strength():
    given = {"diameter": "20 mm", "height": "40 mm"}
    dead = strength.vane(series_of([0.0, 0.0], "N m"), **given)["undrained_shear_strength_reason"]
    assert {tuple(flags.names(mask)) for mask in dead.values} == {("impossible_value",)}
    alive = strength.vane(series_of([0.0, 0.2], "N m"), **given)["undrained_shear_strength_reason"]
    assert (alive.values == 0).all()


def _heating(temperature):
    time = np.arange(-10.0, 301.0, 5.0)
    n = time.size
    return xr.Dataset({
        "run": ("row", np.full(n, "a", dtype=object)),
        "geometry": ("row", np.full(n, "full_space", dtype=object)),
        "direction": ("row", np.full(n, "across", dtype=object)),
        "heating_power": ("row", np.full(n, 2.0), {"units": "W/m"}),
        "time": ("row", time, {"units": "s"}),
        "temperature": ("row", temperature(time), {"units": "degC"}),
    })  # fmt: skip


def test_a_heating_run_without_a_rise_is_flagged_by_name():
    found = needle.thermal_conductivity(_heating(lambda t: np.full(t.size, 20.0)))
    names = flags.names(found["thermal_conductivity_reason"].values[0])
    assert "impossible_value" in names
    assert found["thermal_conductivity_flag"].values[0] in (flags.BAD, flags.MISSING)


def test_equal_times_in_a_heating_run_are_flagged():
    table = _heating(lambda t: 20.0 + 0.2 * np.log1p(np.maximum(t, 0.0)))
    table["time"] = table["time"].copy(data=np.where(table["time"] > 100.0, 100.0, table["time"]))
    found = needle.thermal_conductivity(table)
    assert "bad_cell" in flags.names(found["thermal_conductivity_reason"].values[0])


@pytest.mark.parametrize("datum, seafloor, fine", [
    ("rig_floor", "2441 m", True), ("rig_floor", "2300 m", False), ("rig_floor", "3000 m", False),
    ("sea_level", "2431 m", True), ("sea_level", "2530 m", False), ("sea_level", "11 m", False),
])  # fmt: skip
def test_the_datum_of_a_log_agrees_with_the_water_depth(datum, seafloor, fine):
    plan = {"depth_datum": datum, "seafloor_depth": seafloor}
    if fine:
        log_stage._agrees_with_the_hole(plan, "2430 m")
    else:
        with pytest.raises(ValueError, match=r"seafloor_depth is .*water_depth is 2430 m"):
            log_stage._agrees_with_the_hole(plan, "2430 m")


def test_every_public_function_that_takes_a_fraction_is_tried():
    """A new law that takes a fraction must stand in the list above, with a guard behind it."""
    names = {"porosity", "fraction", "fractions", "saturation", "clay", "clay_fraction",
             "surface_porosity", "residual_porosity", "reference_porosity", "water_content",
             "water_content_wet"}  # fmt: skip
    found = set()
    for module in (getattr(cp, name) for name in cp.__all__):
        for name in getattr(module, "__all__", ()) if inspect.ismodule(module) else ():
            thing = getattr(module, name)
            if inspect.isfunction(thing) and names & set(inspect.signature(thing).parameters):
                found.add(f"{module.__name__.rpartition('.')[2]}.{name}")
    assert found == {*FRACTIONS, *TAKEN_ELSEWHERE}


def test_heating_runs_of_one_name_at_two_places_are_two_runs():
    time = np.arange(-20.0, 301.0, 5.0)
    warm = 20.0 + 0.2 * np.log1p(np.maximum(time, 0.0))
    one = pd.DataFrame({
        "core": "1", "section": "1", "offset [cm]": 20.0, "run": "1",
        "geometry": "full_space", "direction": "across", "heating_power [W/m]": 2.0,
        "time [s]": time, "temperature [degC]": warm,
    })  # fmt: skip
    flat = one.assign(**{"offset [cm]": 60.0, "temperature [degC]": 20.0})
    reduced = cp.reduce(_hole(samples__needle=pd.concat([one, flat], ignore_index=True)))
    assert reduced["properties/thermal_conductivity"].sizes["reading"] == 2
    notes = [n for n in json.loads(reduced.attrs["summary"])["notes"] if "heating runs" in n]
    assert [n.partition(":")[0] for n in notes] == [
        "heating runs 1 (core 1, section 1, offset 60 cm)"
    ]
    assert "the temperature does not change" in notes[0]


def test_a_time_that_occurs_twice_in_a_heating_run_is_named_with_its_place():
    table = xr.Dataset(
        {"time": ("row", [1.0, 2.0, 2.0, 1.0, np.nan, np.nan]),
         "temperature": ("row", [20.0, 20.1, 20.2, 20.0, 20.3, 20.4])},
        coords={"core": ("row", ["K3"] * 3 + ["K4"] * 3), "section": ("row", ["1"] * 6),
                "offset": ("row", [22.5] * 6), "run": ("row", ["1"] * 6)},
    )  # fmt: skip
    notes: list[str] = []
    sample_stage._name_odd_runs(SimpleNamespace(note=notes.append), table)
    assert notes == [
        "heating runs 1 (core K3, section 1, offset 22.5 cm): a time occurs twice; give each row "
        "its own time, and each run its own name"
    ]


def test_the_summary_names_what_to_mend_in_dead_vanes_and_heating_runs():
    at = {"core": "1", "section": "1", "run": 1}
    strengths = pd.DataFrame([
        {**at, "offset [cm]": 10.0 * n, "method": "vane", "state": "peak", "torque [N m]": 0.0,
         "diameter [mm]": 20.0, "height [mm]": 40.0} for n in (1, 2)
    ])  # fmt: skip
    time = np.arange(-20.0, 301.0, 5.0)
    needles = pd.DataFrame({
        "core": "1", "section": "1", "offset [cm]": 20.0, "run": "flat",
        "geometry": "full_space", "direction": "across", "heating_power [W/m]": 2.0,
        "time [s]": time, "temperature [degC]": 20.0,
    })  # fmt: skip
    reduced = cp.reduce(_hole(samples__strength=strengths, samples__needle=needles))
    notes = json.loads(reduced.attrs["summary"])["notes"]
    assert any("all vane torques are zero" in note for note in notes)
    place = "(core 1, section 1, offset 20 cm)"
    assert any(
        note.startswith(f"heating runs flat {place}: the temperature does") for note in notes
    )
    with pytest.raises(HoleError, match="the same key with different values"):
        warm = 20.0 + 0.2 * np.log1p(np.maximum(time, 0.0))
        _hole(
            samples__needle=needles.assign(
                **{"time [s]": np.minimum(time, 200.0), "temperature [degC]": warm}
            )
        )
