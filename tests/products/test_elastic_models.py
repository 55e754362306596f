"""Models side by side, the porosity they give back, the check against bounds, and the stages."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.products import elastic
from corephys.reduction.context import Context, Skipped
from corephys.reduction.stages import elastic as stages
from corephys.uncertainty import Measured
from data_demo.simulator.hole import simulate_tables

GRAINS = elastic.Material("grains", "25 GPa", "12 GPa", "2.70 g/cm^3")
WATER = elastic.Material("water", "2.37 GPa", "0 GPa", "1.025 g/cm^3")
GIVEN = {"mineral": GRAINS, "fluid": WATER}
PACKED = {**GIVEN, "effective_pressure": "500 kPa", "critical": "0.6 1"}


def _array(values, unit: str) -> xr.DataArray:
    return xr.DataArray(np.asarray(values, dtype=float), dims="reading", attrs={"units": unit})


def _dataset(name: str, values, unit: str, u: float, **effects) -> xr.Dataset:
    return series.build({name: Measured(_array(values, unit), u, effects)})


# Models ----------------------------------------------------------------------------------------


def test_every_model_lies_between_the_bounds_and_ends_in_grains_and_water() -> None:
    phi = np.linspace(0.0, 1.0, 51)
    found = elastic.velocity_models(_array(phi, "1"), **PACKED)
    v = {m: found["p_wave_velocity"].values[i] for i, m in enumerate(found["model"].values)}
    assert set(v) == set(elastic.MODELS)
    solid = 1e3 * np.sqrt((25.0 + 16.0) / 2.70)
    water = 1e3 * np.sqrt(2.37 / 1.025)
    for model, speed in v.items():
        assert np.all(speed[np.isfinite(speed)] >= v["suspension"][np.isfinite(speed)] - 1e-6)
        if model in ("time_average", "raymer", "critical_porosity"):
            continue  # fitted to rock or drawn straight, and bound by nothing
        assert np.all(speed[np.isfinite(speed)] <= v["upper_bound"][np.isfinite(speed)] + 1e-6)
        if model not in ("suspension",):
            assert speed[0] == pytest.approx(solid)
        assert speed[-1] == pytest.approx(water) or np.isnan(speed[-1])
    assert "Research estimate" in found.attrs["safety"]


def test_a_model_alone_is_the_function_of_that_name() -> None:
    phi = _array([0.1, 0.35], "1")
    found = elastic.velocity_models(phi, **PACKED)
    by = dict(zip(found["model"].values, found["p_wave_velocity"].values, strict=True))
    rho = _array(2.70 * (1 - phi.values) + 1.025 * phi.values, "g/cm^3")
    frames = {
        "critical_porosity": elastic.critical_porosity(phi, mineral=GRAINS, critical="0.6 1"),
        "krief": elastic.krief(phi, mineral=GRAINS),
        "soft_sand": elastic.soft_sand(phi, "500 kPa", mineral=GRAINS, critical="0.6 1"),
        "stiff_sand": elastic.stiff_sand(phi, "500 kPa", mineral=GRAINS, critical="0.6 1"),
    }
    for model, frame in frames.items():
        full = elastic.gassmann(frame, phi, **GIVEN)
        shear = frame["frame_shear_modulus"].drop_attrs().assign_attrs(units="GPa")
        speed = elastic.from_moduli(full, shear, rho)["p_wave_velocity"].values
        assert by[model] == pytest.approx(speed, rel=1e-12), model
    wood = elastic.wood(phi, **GIVEN)["p_wave_velocity"].values
    assert by["suspension"] == pytest.approx(wood, rel=1e-13)


def test_porosity_by_each_model_gives_the_velocity_back() -> None:
    phi = np.array([0.05, 0.2, 0.45, 0.58])
    made = elastic.velocity_models(_array(phi, "1"), **PACKED)
    for model, speed in zip(made["model"].values, made["p_wave_velocity"].values, strict=True):
        back = elastic.porosity_from_velocity(_array(speed, "m/s"), models=[model], **PACKED)
        assert back["porosity_by_model"].values[0] == pytest.approx(phi, abs=1e-9), model


def test_porosity_of_a_velocity_that_a_model_has_not_is_nan() -> None:
    found = elastic.porosity_from_velocity(_array([1300.0, 7000.0, 1700.0], "m/s"), **GIVEN)
    values = found["porosity_by_model"].values
    assert np.isnan(values[:, :2]).all()
    assert np.isfinite(values[:, 2]).all()
    spread = found["porosity_spread"].values
    inner = [m not in ("suspension", "upper_bound") for m in found["model"].values]
    assert spread[2] == pytest.approx(np.ptp(values[inner, 2]))


def test_the_uncertainty_of_that_porosity_is_that_of_draws() -> None:
    """Velocity and grains drawn, the inverse run on each: spread against what is said."""
    rng = np.random.default_rng(5)
    n = 4000
    speed, grain = rng.normal(1900.0, 10.0, n), rng.normal(25.0, 1.0, n)
    drawn = elastic.porosity_from_velocity(
        _array(speed, "m/s"), fluid=WATER, models=["krief"],
        mineral=elastic.Material("g", cp.quantity(grain, "GPa"), "12 GPa", "2.70 g/cm^3"),
    )["porosity_by_model"].values[0]  # fmt: skip
    known = {"p_wave_velocity": "10 m/s", "mineral_bulk_modulus": "1 GPa"}
    rest = ("mineral_shear_modulus", "mineral_density", "fluid_bulk_modulus", "fluid_density",
            "critical")  # fmt: skip
    unit = {"mineral_shear_modulus": "GPa", "fluid_bulk_modulus": "GPa", "critical": "1"}
    known |= {name: f"0 {unit.get(name, 'g/cm^3')}" for name in rest}
    said = elastic.porosity_from_velocity(_array([1900.0], "m/s"), models=["krief"],
                                          uncertainties=known, **GIVEN)  # fmt: skip
    assert said["porosity_by_model_u"].item() == pytest.approx(drawn.std(), rel=0.05)


def test_velocity_says_nothing_of_porosity_where_the_curve_is_flat() -> None:
    known = {"p_wave_velocity": "5 m/s"}
    found = elastic.porosity_from_velocity(
        _array([1800.0, 1472.0], "m/s"), mineral="clay", fluid="sea_water",
        models=["suspension"], uncertainties=known,
    )  # fmt: skip
    steep, flat = found["porosity_by_model_u"].values[0]
    assert flat > 3.0 * steep


def test_an_unknown_uncertainty_harms_only_what_depends_on_it() -> None:
    found = elastic.velocity_models(
        _array([0.3], "1"), mineral="quartz", fluid="sea_water", effective_pressure="500 kPa",
        uncertainties={"porosity": 0.01},
    )  # fmt: skip
    by = dict(zip(found["model"].values, found["p_wave_velocity_u_systematic"].values, strict=True))
    assert np.isfinite(by["suspension"]).all() and np.isfinite(by["krief"]).all()
    assert np.isnan(by["soft_sand"]).all()  # nobody gave that of the pressure


# Bounds check ----------------------------------------------------------------------------------


def _velocities() -> tuple[np.ndarray, np.ndarray]:
    phi = np.array([0.7, 0.6, 0.6, 0.4, 0.5])
    found = elastic.velocity_models(_array(phi, "1"), models=["suspension", "upper_bound"], **GIVEN)
    return phi, found["p_wave_velocity"].values


def test_planted_readings_outside_the_bounds_are_flagged_and_no_others() -> None:
    phi, (low, high) = _velocities()
    v = low + 0.3 * (high - low)
    v[1], v[3] = low[1] - 30.0, high[3] + 400.0
    v[2] = low[2] - 10.0  # below, and within three uncertainties of it
    found = elastic.bounds_check(
        _dataset("p_wave_velocity", v, "m/s", 5.0, core_diameter=5.0),
        _dataset("porosity", phi, "1", 0.01, core_diameter=0.002), **GIVEN,
    )  # fmt: skip
    words = [flags.names(int(one)) for one in found["p_wave_velocity_reason"].values]
    assert words == [[], ["below_elastic_bounds"], [], ["above_elastic_bounds"], []]
    assert found["p_wave_velocity"].values == pytest.approx(v)
    assert found["lowest_velocity"].values == pytest.approx(low)
    assert found["highest_velocity"].values == pytest.approx(high)
    assert found["place_between_bounds"].values[[0, 4]] == pytest.approx(0.3)
    assert found["departure"].values[0] == 0.0 and found["departure"].values[1] > 3.0
    assert "gas" in found.attrs["meanings"] and "nodule" in found.attrs["meanings"]
    assert "lowest_velocity" in found.attrs["bound"]
    assert set(found["p_wave_velocity_flag"].values) == {flags.GOOD, flags.SUSPECT}


def test_the_margin_counts_the_uncertainty_of_the_difference() -> None:
    """A shared error of the diameter that moves velocity and bound alike does not excuse it."""
    phi, (low, _) = _velocities()
    slope = elastic.wood(_dataset("porosity", phi, "1", 0.0, core_diameter=0.01), **GIVEN)
    with_it = slope["p_wave_velocity_effects"].sel(source="core_diameter").values
    v = low - 20.0
    phi_shared = _dataset("porosity", phi, "1", 0.001, core_diameter=0.01)

    def flagged(effect) -> int:
        measured = Measured(_array(v, "m/s"), 1.0, {"core_diameter": _array(effect, "m/s")})
        speed = series.build({"p_wave_velocity": measured})
        found = elastic.bounds_check(speed, phi_shared, **GIVEN)
        return int((found["p_wave_velocity_reason"].values != 0).sum())

    assert flagged(with_it) == v.size
    assert flagged(-with_it) < v.size


def test_a_wider_choice_of_minerals_widens_the_bounds() -> None:
    phi = _array([0.5], "1")
    narrow = elastic.bounds_check("1700 m/s", phi, mineral="clay", fluid="sea_water")
    wide = elastic.bounds_check("1700 m/s", phi, mineral="quartz", soft_mineral="smectite",
                                fluid="sea_water")  # fmt: skip
    assert wide["highest_velocity"].item() > narrow["highest_velocity"].item()
    assert wide["lowest_velocity"].item() < narrow["lowest_velocity"].item()
    assert "porosity" in wide.attrs["unknown_uncertainties"]


def test_a_reading_without_porosity_is_not_judged() -> None:
    phi = _dataset("porosity", [np.nan, 1.3, 0.6], "1", 0.01)
    found = elastic.bounds_check(_dataset("p_wave_velocity", [900.0] * 3, "m/s", 2.0), phi, **GIVEN)
    low = flags.bit("below_elastic_bounds")
    assert [bool(one & low) for one in found["p_wave_velocity_reason"].values] == [
        False, False, True,
    ]  # fmt: skip


# Bad input -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: elastic.bounds_check("0 m/s", 0.5, **GIVEN), r"p_wave_velocity is 0 m/s; it has"),
        (lambda: elastic.bounds_check("1600 m/s", -0.2, **GIVEN), r"porosity is -0.2; it is a"),
        (lambda: elastic.bounds_check("1600 m/s", 0.5, margin=-1.0, **GIVEN), r"margin is -1"),
        (lambda: elastic.velocity_models(0.5, models=["wood"], **GIVEN), r"models has 'wood'"),
        (lambda: elastic.velocity_models(0.5, models=["soft_sand"], **GIVEN),
         r"the model 'soft_sand' needs an effective_pressure"),
        (lambda: elastic.porosity_from_velocity("1600 kg", **GIVEN), r"p_wave_velocity: .*m/s"),
        (lambda: elastic.bounds_check(_array([1600, 1700], "m/s"), _array([0.5], "1"), **GIVEN),
         r"2 values along reading and porosity has 1"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


# Stages ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small() -> tuple[dict, dict]:
    tables, settings, _ = simulate_tables(47, small=True)
    return tables, settings


@pytest.fixture(scope="module")
def reduced(small: tuple[dict, dict]) -> xr.DataTree:
    return cp.reduce(cp.hole_from_tables(*small))


@pytest.mark.slow
def test_a_hole_gets_bounds_models_and_moduli(reduced: xr.DataTree) -> None:
    checked = reduced["products/elastic_bounds"].to_dataset(inherit=False)
    velocity = reduced["properties/velocity"].to_dataset(inherit=False)
    np.testing.assert_array_equal(
        checked["p_wave_velocity"].values, velocity["p_wave_velocity"].values
    )
    both = checked[["lowest_velocity", "highest_velocity"]].to_dataframe()
    known = both.dropna()
    assert (known["lowest_velocity"] <= known["highest_velocity"]).all()
    curves = reduced["products/velocity_models"].to_dataset(inherit=False)
    for model in elastic.MODELS:
        assert f"velocity_{model}" in curves and f"velocity_{model}_u" in curves
    assert np.isfinite(curves["velocity_suspension_u"].values).all()
    inverse = reduced["products/porosity_from_velocity"].to_dataset(inherit=False)
    readings = inverse["porosity_krief"].values
    assert np.isfinite(readings).all() and np.all((readings > 0.0) & (readings < 1.0))
    low, high = inverse["lowest_porosity"].values, inverse["highest_porosity"].values
    assert np.all((low <= readings) & (readings <= high))


def test_good_readings_of_a_simulated_hole_keep_within_the_bounds(reduced: xr.DataTree) -> None:
    """The ground of the simulation is a blend of suspension and frame: between the bounds."""
    checked = reduced["products/elastic_bounds"]
    velocity = reduced["properties/velocity"]
    good = flags.usable(velocity["p_wave_velocity_flag"].values)
    outside = flags.bit("below_elastic_bounds") | flags.bit("above_elastic_bounds")
    share = (checked["p_wave_velocity_reason"].values[good] & outside != 0).mean()
    assert share < 0.01


@pytest.mark.slow
def test_choices_of_the_recipe_reach_the_stages(small: tuple[dict, dict]) -> None:
    tables, settings = small
    hole = cp.hole_from_tables(tables, settings)
    changed = cp.reduce(hole, {"elastic": {
        "mineral": "clay", "soft_mineral": "clay", "fluid": "brine", "effective_pressure": "1 MPa",
        "grain_bulk_modulus": "30 GPa",
    }})  # fmt: skip
    usual = cp.reduce(hole)
    path = "products/elastic_bounds"
    here, there = (float(np.nanmedian(t[path]["highest_velocity"])) for t in (changed, usual))
    assert here < there
    wrong = {"elastic": {"stiff_share": 1.5}}
    failed = json.loads(cp.reduce(hole, wrong).attrs["summary"])["failed"]
    assert failed["velocity models"].startswith("[elastic] stiff_share is 1.5")
    with pytest.raises(cp.HoleError, match=r"\[elastic\] stiff_share is 1.5"):
        cp.reduce(hole, {**wrong, "reduction": {"strict": True}})
    with pytest.raises(ValueError, match=r"\[elastic\] mineral is 'quarz'; did you mean 'quartz'"):
        cp.reduce(hole, {"elastic": {"mineral": "quarz"}})


@pytest.mark.slow
def test_a_hole_without_velocity_says_what_is_missing(small: tuple[dict, dict]) -> None:
    tables, settings = small
    fewer = {
        name: t for name, t in tables.items() if name not in ("scan/pwave", "samples/velocity")
    }
    tree = cp.reduce(cp.hole_from_tables(fewer, settings))
    skipped = json.loads(tree.attrs["summary"])["skipped"]
    missing = "nothing in properties/velocity: the stage 'velocity' was skipped"
    assert skipped["velocity bounds"] == skipped["velocity models"] == missing
    assert "sample_s_wave_velocity" in skipped["elastic moduli"]


def test_velocity_without_a_porosity_beside_it_is_skipped() -> None:
    where = {name: ("reading", np.array(["1"] * 2, dtype=object)) for name in ("core", "section")}
    v = _dataset("p_wave_velocity", [1600, 1610], "m/s", 1.0)
    v = v.assign_coords(depth=("reading", [1.0, 2.0], {"units": "m"}), **where)
    phi = _dataset("porosity", [0.6, 0.6], "1", 0.01)
    phi = phi.assign_coords(depth=("reading", [50.0, 60.0], {"units": "m"}), **where)
    context = Context(xr.DataTree(), cp.Recipe(),
                      {"properties/velocity": v, "products/porosity": phi})  # fmt: skip
    with pytest.raises(Skipped, match="the bounds need a porosity within 2 cm of a velocity"):
        stages.elastic_bounds(context)


def test_the_figure_marks_what_lies_outside_and_draws_every_reading(reduced: xr.DataTree) -> None:
    changed = reduced.copy(deep=True)
    checked = changed["products/elastic_bounds"].to_dataset(inherit=False)
    where = np.flatnonzero(np.isfinite(checked["porosity"] + checked["p_wave_velocity"]).values)[:3]
    checked["p_wave_velocity_reason"][where] = flags.bit("above_elastic_bounds")
    changed["products/elastic_bounds"] = xr.DataTree(checked)
    table = cp.figures.velocity_porosity(changed).table()
    marked = table[table["series"] == "above bounds"]
    np.testing.assert_array_equal(marked["y"], checked["p_wave_velocity"].values[where])
    both = np.isfinite(checked["porosity"].values) & np.isfinite(checked["p_wave_velocity"].values)
    assert table["series"].str.startswith("scan").sum() == both.sum()
    assert {"suspension (Wood)", "soft sand or mud"} <= set(table["series"])
