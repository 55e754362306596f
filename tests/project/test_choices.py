"""Choice words: one style everywhere, and the older spellings give the same result.

The words of an argument are read from the docstring of its function, ``how : {"nearest", ...}``,
those of the recipe and of tables from their schemas.
"""

from __future__ import annotations

import inspect
import json
import re
import shutil
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from matplotlib.text import Text

import corephys as cp
from corephys.ground.choices import plain_words
from corephys.hole.reading.tables import TABLES
from corephys.reduction.recipe import SCHEMA, Recipe, RecipeError
from corephys.reduction.schema import LOG_FILE
from tests.metamorphic import relations as do
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.case import CASES
from tests.metamorphic.cases import load
from tests.reduced_tree import reduced_tree

load()
WORD = re.compile(r"[a-z0-9]+(_[a-z0-9]+)*")
# Units keep their spelling, and so do the names of both waves.
UNITS = {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
OTHERS = {*UNITS, "P", "S"}
_ENTRY = re.compile(r'^(\w+) : .*?\{(".*?)\}', re.MULTILINE)
KINDS = [
    (f"{stage}.{key}", option.kind.split("|"))
    for stage, keys in {**SCHEMA, "log file": LOG_FILE}.items()
    for key, option in keys.items()
    if "|" in option.kind
]


def _public() -> dict[str, Any]:
    """Functions that users reach, by their name after ``cp.``."""
    found = {}
    for name in cp.__all__:
        thing = getattr(cp, name)
        for entry in getattr(thing, "__all__", ()) if inspect.ismodule(thing) else ():
            if inspect.isfunction(getattr(thing, entry)):
                found[f"{name}.{entry}"] = getattr(thing, entry)
    return found


def _documented(function: Any) -> dict[str, list[str]]:
    """Arguments of a function that take one of a list, and the words of the list."""
    text = inspect.cleandoc(function.__doc__ or "").partition("\nReturns\n")[0]
    return {
        name: re.findall(r'"(.*?)"', words)
        for name, words in _ENTRY.findall(text)
        if name in inspect.signature(function).parameters
    }


def _arguments(name: str) -> dict[str, Any]:
    case = CASES[name]
    return case.build(Draw(Seeded(zlib.crc32(name.encode())), case.size[1]))


def _takes(case: str, argument: str) -> bool:
    """Whether a case hands the argument on; some call the function by a detour."""
    return CASES[case].call is None or argument in _arguments(case)


DOORS = {
    (name, argument): words
    for name, function in _public().items()
    for argument, words in _documented(function).items()
}
CALLED = [
    (case, argument, words)
    for (name, argument), words in sorted(DOORS.items())
    if not set(words) & UNITS
    for case in sorted(CASES)
    if case.partition("#")[0] == name and _takes(case, argument)
]


def other_spelling(word: str) -> str:
    """A word as older scripts or hurried hands write it."""
    return word.replace("_", " ").capitalize()


def test_the_doors_are_found() -> None:
    assert len(DOORS) > 40 and ("depth.match", "how") in DOORS
    assert len({name.partition("#")[0] for name, *_ in CALLED}) > 25


def test_every_choice_word_has_the_one_style() -> None:
    columns = {
        f"{table}.{column.name}": list(column.choices)
        for table, one in TABLES.items()
        for column in one.columns
        if column.choices
    }
    held = {f"{name}({key})": words for (name, key), words in DOORS.items()}
    held |= {f"[{name}]": words for name, words in KINDS} | columns
    wrong = {
        place: word
        for place, words in held.items()
        for word in words
        if not (WORD.fullmatch(word) or word in OTHERS)
    }
    assert wrong == {}


def _outcome(name: str, changes: dict[str, Any]) -> Any:
    """Arrays of the result, or the words of the refusal."""
    try:
        return do.leaves(CASES[name]({**_arguments(name), **changes}))
    except (ValueError, KeyError) as error:
        return type(error), str(error)


@pytest.mark.parametrize("name, argument, words", CALLED, ids=lambda word: str(word)[:40])
def test_an_older_spelling_gives_the_same_result(
    name: str, argument: str, words: list[str]
) -> None:
    for word in words:
        new = _outcome(name, {argument: word})
        old = _outcome(name, {argument: other_spelling(word)})
        if isinstance(new, tuple):
            assert old == new  # such as a choice that needs another argument
        else:
            assert not isinstance(old, tuple), old
            do.compare(new, old, 0.0, lambda _: True)
    refused = _outcome(name, {argument: "no such word"})
    assert isinstance(refused, tuple), f"{argument} takes any word"
    assert "'no such word'" in refused[1] and "expected" in refused[1]


@pytest.mark.parametrize("place, words", [k for k in KINDS if "log file" not in k[0]])
def test_the_recipe_reads_older_spellings_and_keeps_the_new(place: str, words: list[str]) -> None:
    stage, key = place.split(".")
    for word in words:
        old = Recipe({stage: {key: other_spelling(word)}})
        assert old == Recipe({stage: {key: word}}) and old[stage][key] == word
        stored = json.loads(old.to_json())
        stored[stage][key] = other_spelling(word)
        assert Recipe.from_json(json.dumps(stored)) == old
    with pytest.raises(RecipeError, match="no such word"):
        Recipe({stage: {key: "no such word"}})


@pytest.mark.parametrize("name", ["scan_tracks", "porosity_depth", "index_properties_depth"])
def test_a_figure_takes_the_older_spelling(name: str) -> None:
    draw, tree = getattr(cp.figures, name), reduced_tree()
    old, new = (draw(tree, depth_scale=word) for word in ("Depth fitted", "depth_fitted"))
    assert old.table().equals(new.table()) and old.caption == new.caption
    with pytest.raises(ValueError, match="depth_scale is 'drilled'; expected one of depth"):
        draw(tree, depth_scale="drilled")


def test_the_recipe_of_a_log_reads_the_older_spelling() -> None:
    plan = {"seafloor_depth": "2441 m", "curves": {"RHOB": "bulk_density"}}
    files = [{"a.las": {**plan, "depth_datum": word}} for word in ("rig floor", "rig_floor")]
    old, new = (Recipe({"logs": {"files": one}}) for one in files)
    assert old == new and old["logs"]["files"]["a.las"]["depth_datum"] == "rig_floor"


@pytest.mark.parametrize("release", ["format_1", "format_2"])
def test_the_recipe_of_an_older_file_is_read(release: str) -> None:
    text = cp.load(Path(__file__).parents[1] / "written" / release / "reduced.nc").attrs["recipe"]
    assert '"by AICc"' in text and '"aluminium and water"' in text
    recipe = Recipe.from_json(text)
    assert recipe["gamma"]["order"] == "by_aicc"
    assert recipe["gamma"]["scale"] == "aluminium_and_water"
    # A default in its older spelling is no choice of the user.
    assert not [line for line in map(str, recipe._changed()) if "AICc" in line or "by_" in line]


def test_tables_read_older_spellings(demo_hole: Path, tmp_path: Path) -> None:
    other = tmp_path / "hole"
    shutil.copytree(demo_hole, other)
    for file, word, spelling in (
        ("removed.csv", "whole_round", "Whole round"),
        ("samples/strength.csv", "fall_cone", "fall-cone"),
        ("cores.csv", "piston", "Piston"),
    ):
        text = (other / file).read_text(encoding="utf-8")
        changed = re.sub(rf",{word}(?=,|\n)", f",{spelling}", text)
        assert changed != text, file
        (other / file).write_text(changed, encoding="utf-8")
    one, two = cp.read_hole(demo_hole), cp.read_hole(other)
    for path, name in (
        ("removed", "kind"),
        ("samples/strength", "method"),
        ("cores", "coring_method"),
    ):
        assert two[path][name].values.tolist() == one[path][name].values.tolist()


def test_a_word_of_a_table_that_is_none_is_refused(demo_hole: Path, tmp_path: Path) -> None:
    other = tmp_path / "hole"
    shutil.copytree(demo_hole, other)
    text = (other / "samples/strength.csv").read_text(encoding="utf-8")
    (other / "samples/strength.csv").write_text(text.replace("fall_cone", "fal_cone"), "utf-8")
    with pytest.raises(cp.HoleError, match="'fal_cone' is not one of vane, fall_cone"):
        cp.read_hole(other)


def _in_older_words(tree: xr.DataTree) -> xr.DataTree:
    """A reduced hole with its choice words as older releases wrote them."""
    found = {}
    for node in tree.subtree:
        leaf = node.to_dataset(inherit=False)
        for name in {"model", "way", "carrier"} & set(map(str, leaf.coords)):
            if not node.path.endswith(("velocity_models", "velocity_bounds")):
                words = [plain_words(word) for word in leaf[name].values]
                leaf = leaf.assign_coords({name: (leaf[name].dims, np.array(words, dtype=object))})
        for key in {"status", "model", "datum", "column_from", "top_impedance", "carrier"}:
            if key in leaf.attrs:
                leaf = leaf.assign_attrs({key: plain_words(leaf.attrs[key])})
        found[node.path] = leaf
    return xr.DataTree.from_dict(found)


@pytest.mark.parametrize("name", ["compaction_models", "control_charts", "time_depth"])
def test_a_figure_of_an_older_hole_is_the_same_and_shows_plain_words(
    demo_reduced: xr.DataTree, name: str
) -> None:
    old, new = (
        getattr(cp.figures, name)(tree) for tree in (_in_older_words(demo_reduced), demo_reduced)
    )
    assert old.table().equals(new.table())
    shown = {text.get_text() for text in new.findobj(Text)}
    assert shown == {text.get_text() for text in old.findobj(Text)}
    assert not [text for text in shown if "_" in text and "$" not in text]
