"""A recipe is complete, checked, and says what is wrong."""

from __future__ import annotations

import json
import re

import pytest
import xarray as xr

from corephys.reduction.context import Context
from corephys.reduction.recipe import SCHEMA, Recipe, RecipeError


def test_defaults_pass_their_own_check():
    everything = {s: {k: o.default for k, o in keys.items()} for s, keys in SCHEMA.items()}
    assert Recipe(everything) == Recipe()


def test_unknown_key_names_the_nearest():
    with pytest.raises(
        RecipeError, match=r"\[gamma\] has no key 'deadtime'; did you mean 'dead_time'"
    ):
        Recipe({"gamma": {"deadtime": "5 us"}})


def test_key_of_another_stage_is_recognised():
    with pytest.raises(RecipeError, match=r"it is a key of \[liner\]"):
        Recipe({"gamma": {"bore": "66 mm"}})


def test_all_problems_come_at_once():
    with pytest.raises(RecipeError) as caught:
        Recipe({"gama": {}, "gamma": {"dead_time": 5.0, "time": "dead"}, "liner": {"bore": "66 g"}})
    text = str(caught.value)
    assert "did you mean 'gamma'" in text
    assert 'needs a unit: write "5.0 s"' in text
    assert "'dead'" in text
    assert "expected mm, got 'g'" in text


def test_json_round_trip():
    recipe = Recipe({"gamma": {"dead_time": "5 us"}, "hole": {"name": "x", "water_depth": "10 m"}})
    again = Recipe.from_json(recipe.to_json())
    assert again == recipe
    assert again["hole"]["water_depth"] == "10 m"


def test_changes_make_a_new_recipe():
    base = Recipe()
    other = base.with_changes({"heat_flow": {"carrier": "steps"}})
    assert base["heat_flow"]["carrier"] == "linear"
    assert other["heat_flow"]["carrier"] == "steps"
    assert "heat_flow.carrier" in repr(other)


def test_another_spelling_of_a_default_is_no_change():
    assert Recipe({"liner": {"bore": "7.00 cm"}}).card().title.startswith("Recipe: 0 of ")
    card = Recipe({"liner": {"bore": "70.1 mm"}}).card()
    assert [place for place, _ in card.rows] == ["liner.bore"]


OLD = {"stress": {"fluid_density": "1.03 g/cm^3", "fluid_column_density": "1.2 g/cm^3",
                  "fluid_column_density_uncertainty": "0.01 g/cm^3"}}  # fmt: skip


def test_keys_of_an_earlier_version_are_read():
    now = {"pore_water_density": "1.03 g/cm^3", "drilling_fluid_density": "1.2 g/cm^3"}
    expected = Recipe({"stress": now})
    assert expected["stress"]["pore_water_density"] == "1.03 g/cm^3"
    for found in (Recipe(OLD), Recipe().with_changes(OLD), Recipe.from_json(json.dumps(OLD))):
        assert found == expected
    assert OLD["stress"]["fluid_density"] == "1.03 g/cm^3"  # what was given is not altered


def test_a_stored_recipe_with_old_keys_equals_its_defaults():
    stored = json.loads(Recipe().to_json())
    stress = stored["stress"]
    stress["fluid_density"] = stress.pop("pore_water_density")
    stress["fluid_density_uncertainty"] = stress.pop("pore_water_density_uncertainty")
    assert Recipe.from_json(json.dumps(stored)) == Recipe()
    given = Recipe.from_json(json.dumps(stored))["stress"]["pore_water_density_uncertainty"]
    assert given.origin == "default"


def test_an_old_and_a_present_key_must_agree():
    both = {"stress": {**OLD["stress"], "pore_water_density": "1.03 g/cm^3"}}
    assert Recipe(both) == Recipe(OLD)
    both["stress"]["pore_water_density"] = "1.02 g/cm^3"
    words = r"fluid_density is '1.03 g/cm\^3' and \[stress\] pore_water_density, its present name"
    for read in (Recipe, Recipe().with_changes, lambda t: Recipe.from_json(json.dumps(t))):
        with pytest.raises(RecipeError, match=words):
            read(both)


def test_an_old_key_in_the_settings_of_a_hole_counts_as_set_by_the_hole():
    hole = xr.DataTree()
    hole.attrs["settings"] = json.dumps(OLD)
    used = Context.watched(hole, Recipe(OLD)).recipe["stress"]["pore_water_density"]
    assert (used, used.origin) == ("1.03 g/cm^3", "hole")


@pytest.mark.parametrize(
    "stage, key, value",
    [
        ("hole", "laboratory_temperature", "20 K"), ("hole", "laboratory_temperature", "293 degC"),
        ("hole", "bottom_water_temperature", "2 K"), ("hole", "water_depth", "-3000 m"),
        ("hole", "water_depth", "4000 km"), ("quality", "deck_temperature", "8 K"),
        ("porosity", "pore_water_density", "1.024 kg/m^3"),
        ("index_properties", "pore_water_density", "1024 g/cm^3"),
        ("stress", "pore_water_density", "1.03 kg/m^3"), ("gamma", "grain_density", "2.7 kg/m^3"),
        ("liner", "velocity", "2.3 m/s"), ("seismic", "sound_speed", "1.5 m/s"),
        ("liner", "bore", "66 m"), ("liner", "wall", "2.6 m"),
    ],
)  # fmt: skip
def test_a_mistaken_unit_of_a_setting_is_named(stage, key, value):
    with pytest.raises(RecipeError, match=rf"\[{stage}\] {key} is {re.escape(value)}.*expected "):
        Recipe({stage: {key: value}})


@pytest.mark.parametrize(
    "stage, key", [(s, k) for s, keys in SCHEMA.items() for k in keys if k.endswith("_uncertainty")]
)
def test_no_uncertainty_is_below_zero(stage, key):
    kind = SCHEMA[stage][key].kind
    value = -0.01 if kind == "number" else f"-0.01 {kind}"
    with pytest.raises(RecipeError, match="below zero"):
        Recipe({stage: {key: value}})


def test_settings_of_other_climates_and_metals_pass():
    Recipe({"hole": {"laboratory_temperature": "-15 degC", "bottom_water_temperature": "68 degC"},
            "quality": {"deck_temperature": "258 K"},
            "liner": {"velocity": "6400 m/s"}})  # fmt: skip
