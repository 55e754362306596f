"""Every choice of a reduction as data: validated, with units in strings, one JSON text.

A recipe is a table of stages, each a table of keys. What ``hole.toml`` says goes over the
defaults, what the caller says goes over both. An unknown stage or key is refused with the
nearest right one.
"""

from __future__ import annotations

import copy
import difflib
import json
import math
from collections.abc import Mapping
from typing import Any

from corephys.ground import arguments, seawater, thresholds, units
from corephys.ground.cards import Card, Shown
from corephys.ground.provenance import sourced
from corephys.ground.vocabulary import TERMS
from corephys.reduction.schema import LOG_FILE, SCHEMA, Option

__all__ = ["SCHEMA", "Option", "Recipe", "RecipeError"]


class RecipeError(ValueError):
    """A recipe holds something that is not a choice of the reduction."""


# What a setting can be, by its unit and the end of its name; beyond it a unit was mistaken.
_POSSIBLE = {
    ("degC", "temperature"): (
        thresholds.value("coldest_temperature"),
        thresholds.value("hottest_room"),
    ),
    ("g/cm^3", "density"): (
        thresholds.value("lightest_setting"),
        thresholds.value("heaviest_setting"),
    ),
    ("m/s", "velocity"): (thresholds.value("slowest_setting"), thresholds.value("fastest_setting")),
    ("m/s", "sound_speed"): (
        thresholds.value("slowest_setting"),
        thresholds.value("fastest_setting"),
    ),
    ("m", "water_depth"): (0.0, thresholds.value("deepest_water")),
    ("mm", "bore"): (0.0, thresholds.value("widest_core")),
    ("mm", "wall"): (0.0, thresholds.value("widest_core")),
}
_BEYOND = thresholds.value("beyond_any_instrument")  # in the unit of each choice

# Words about the hole that are kept with it and choose nothing.
_ABOUT = {"name", "site", "latitude", "longitude", "depth_datum", "time_zone"}


class Recipe(Shown, Mapping[str, Mapping[str, Any]]):
    """All choices of one reduction, complete and checked.

    Parameters
    ----------
    changes : mapping of str to mapping, optional
        Stage to key to value; what is not named keeps its default.

    Raises
    ------
    RecipeError
        For an unknown stage or key (with the nearest right one), a wrong unit or a wrong word;
        all at once.

    Examples
    --------
    >>> recipe = Recipe({"gamma": {"dead_time": "5 us"}})
    >>> recipe["gamma"]["dead_time"]
    '5 us'
    """

    def __init__(self, changes: Mapping[str, Mapping[str, Any]] | None = None) -> None:
        # A default carries where it comes from; a value that somebody states is plain.
        self._values = {
            stage: {key: sourced(option.default, "default") for key, option in keys.items()}
            for stage, keys in SCHEMA.items()
        }
        problems: list[str] = []
        for stage, keys in (changes or {}).items():
            if stage not in SCHEMA:
                problems.append(
                    f"no stage [{stage}]{_nearest(stage, SCHEMA)}; a sensor of your own is "
                    "registered before its recipe is read, with cp.sensors.register"
                )
                continue
            if not isinstance(keys, Mapping):
                problems.append(f"[{stage}] is a table of keys, not {keys!r}")
                continue
            for key, value in keys.items():
                if stage == "hole" and key in _ABOUT:
                    continue
                problem = _problem(stage, key, value)
                if problem:
                    problems.append(problem)
                else:
                    self._values[stage][key] = copy.deepcopy(value)
        if problems:
            raise RecipeError("the recipe has a problem:\n  " + "\n  ".join(problems))

    def __getitem__(self, stage: str) -> Mapping[str, Any]:
        return self._values[stage]

    def __iter__(self) -> Any:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __repr__(self) -> str:
        changed = [f"{place} = {value!r}" for place, value, _ in self._changed()]
        return "Recipe, against the defaults: " + ("; ".join(changed) or "nothing changed")

    def card(self) -> Card:
        """What differs from the defaults, and below it every choice.

        Returns
        -------
        Card
            Shows itself as text or HTML.
        """
        changed = self._changed()
        rows = [
            (place, f"{_shown(value)} (default {_shown(other)})") for place, value, other in changed
        ]
        every = [
            f"{stage}.{key} = {_shown(value)}"
            for stage, keys in self._values.items()
            for key, value in keys.items()
        ]
        return Card(
            f"Recipe: {len(changed)} of {len(every)} choices differ from the defaults",
            tuple(rows),
            next_steps=(
                "cp.reduce(hole, recipe) gives the same numbers again; "
                "recipe.with_changes({stage: {key: value}}) changes a choice",
            ),
            lines=tuple(every),
            lines_title="every choice",
        )

    def _changed(self) -> list[tuple[str, Any, Any]]:
        return [
            (f"{stage}.{key}", value, SCHEMA[stage][key].default)
            for stage, keys in self._values.items()
            for key, value in keys.items()
            if not _same(SCHEMA[stage][key], f"{stage}.{key}", value)
        ]

    def beyond(self, base: Recipe) -> dict[str, dict[str, Any]]:
        """What this recipe says otherwise than another.

        Parameters
        ----------
        base : Recipe
            Such as that of a hole's own settings.

        Returns
        -------
        dict of str to dict
            Stage to key to value; ``base.with_changes`` of it is this recipe.
        """
        found: dict[str, dict[str, Any]] = {}
        for stage, keys in self._values.items():
            for key, value in keys.items():
                if value != base[stage][key]:
                    found.setdefault(stage, {})[key] = copy.deepcopy(value)
        return found

    def with_changes(self, changes: Mapping[str, Mapping[str, Any]]) -> Recipe:
        """Make a recipe that differs in some keys.

        Parameters
        ----------
        changes : mapping of str to mapping
            Stage to key to value.

        Returns
        -------
        Recipe
            A new one; this one stays.

        Raises
        ------
        RecipeError
            As at construction.
        """
        merged: dict[str, dict[str, Any]] = {stage: dict(keys) for stage, keys in self.items()}
        for stage, keys in changes.items():
            merged.setdefault(stage, {}).update(keys)
        return Recipe(merged)

    def to_json(self) -> str:
        """The recipe in full.

        Returns
        -------
        str
            One JSON text with sorted keys.
        """
        return json.dumps(self._values, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Recipe:
        """Read a recipe written by :meth:`to_json`.

        The text holds every choice. One that is written as the default is taken for the default,
        any other for one that was stated.

        Parameters
        ----------
        text : str
            JSON.

        Returns
        -------
        Recipe
            Equal to the one written.

        Raises
        ------
        RecipeError
            When it holds something unknown.
        """
        held = json.loads(text)
        return cls(
            {
                stage: {k: v for k, v in keys.items() if not _is_default(stage, k, v)}
                if isinstance(keys, Mapping)
                else keys
                for stage, keys in held.items()
            }
        )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Recipe) and self._values == other._values

    __hash__ = None  # type: ignore[assignment]


def _shown(value: Any) -> str:
    return "not given" if value is None else value if isinstance(value, str) else json.dumps(value)


def _same(option: Option, here: str, value: Any) -> bool:
    """Whether a value says what the default says; "66.0 mm" and "6.6 cm" are "66 mm"."""
    if value == option.default:
        return True
    wordy = option.kind in ("switch", "number", "time", "levels", *_TABLES) or "|" in option.kind
    if wordy or not (isinstance(value, str) and isinstance(option.default, str)):
        return False
    one, other = (
        float(units.as_floats(v, option.kind, here, difference=here.endswith("_uncertainty")))
        for v in (value, option.default)
    )
    return math.isclose(one, other, rel_tol=1e-12)


def _is_default(stage: str, key: str, value: Any) -> bool:
    option = SCHEMA.get(stage, {}).get(key)
    return option is not None and value == option.default and type(value) is not bool


def _nearest(word: str, known: Any) -> str:
    close = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.4)
    return f"; did you mean {close[0]!r}?" if close else f"; there are {', '.join(known)}"


def _problem(stage: str, key: str, value: Any) -> str:
    """What is wrong with a value, or an empty text."""
    if key not in SCHEMA[stage]:
        elsewhere = [s for s, keys in SCHEMA.items() if key in keys]
        hint = f"; it is a key of [{elsewhere[0]}]" if elsewhere else _nearest(key, SCHEMA[stage])
        return f"[{stage}] has no key {key!r}{hint}"
    return _unfit(SCHEMA[stage][key], f"[{stage}] {key}", value)


def _unfit(option: Option, here: str, value: Any) -> str:
    """Why a value is no choice of this kind, or an empty text."""
    if value is None:
        return "" if option.default is None else f"{here} cannot be left out"
    if option.kind == "switch":
        return "" if isinstance(value, bool) else f"{here} is true or false, not {value!r}"
    if option.kind == "number":
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number:
            return f"{here} is a number, not {value!r}"
        if not abs(value) <= _BEYOND:
            return f"{here} is {value!r}, beyond any use"
        return _impossible(option.kind, here, str(value), value)
    if option.kind in ("time", "levels"):
        return "" if isinstance(value, str) else f"{here} is a text, not {value!r}"
    if option.kind in _TABLES:
        if not isinstance(value, Mapping):
            return f"{here} is a table, not {value!r}"
        check = _TABLES[option.kind]
        return "\n  ".join(check(here, value))
    if "|" in option.kind:
        words = option.kind.split("|")
        return "" if str(value) in words else f"{here} is {value!r}{_nearest(value, words)}"
    if not isinstance(value, str):
        return f'{here} needs a unit: write "{value} {option.kind}"'
    try:
        number = units.as_floats(value, option.kind, here, difference=here.endswith("_uncertainty"))
        if not abs(number) <= _BEYOND:
            return f"{here} is {value}, beyond any instrument"
        if option.kind == "g/kg":
            seawater.absolute_salinity(value, here)
    except ValueError as error:
        return str(error)
    return _impossible(option.kind, here, value, float(number))


def _impossible(kind: str, here: str, value: str, number: float) -> str:
    """What no setting can be: a mistaken unit is within the range of floats as a rule."""
    if here.endswith(("_uncertainty", "_systematic")):
        return f"{here} is {value}, below zero" if number < 0.0 else ""
    for (unit, end), (low, high) in _POSSIBLE.items():
        if kind == unit and here.endswith(end) and not low <= number <= high:
            also = "" if value.split()[-1] == kind else f", which is {number:g} {kind}"
            return f"{here} is {value}{also}; it lies between {low:g} and {high:g} {kind}"
    return ""


def _unfit_files(here: str, files: Mapping[str, Any]) -> list[str]:
    """What is wrong with the tables of LAS files."""
    problems = []
    for file, keys in files.items():
        place = f'{here}."{file}"'
        if not isinstance(keys, Mapping):
            problems.append(f"{place} is a table of keys, not {keys!r}")
            continue
        for key, value in keys.items():
            if key not in LOG_FILE:
                problems.append(f"{place} has no key {key!r}{_nearest(key, LOG_FILE)}")
            elif problem := _unfit(LOG_FILE[key], f"{place} {key}", value):
                problems.append(problem)
        datum, seafloor = keys.get("depth_datum"), keys.get("seafloor_depth")
        if datum is None:
            words = LOG_FILE["depth_datum"].kind.replace("|", '", "')
            problems.append(f'{place} says not where its depths begin: depth_datum = "{words}"')
        elif datum == "seafloor" and seafloor is not None:
            problems.append(f"{place}: depths from the seafloor have no seafloor_depth")
        elif datum != "seafloor" and seafloor is None:
            problems.append(f"{place} needs seafloor_depth, the seafloor in the file's own depths")
        if not keys.get("curves"):
            problems.append(f'{place} names no curve: write curves = {{ CURVE = "quantity" }}')
    return problems


def _unfit_curves(here: str, curves: Mapping[str, Any]) -> list[str]:
    """What is wrong with quantities by curve."""
    problems = []
    legal = [name for name in TERMS if not name.startswith(("depth", "offset"))]
    for curve, quantity in curves.items():
        if quantity not in legal:
            close = difflib.get_close_matches(str(quantity), legal, n=1, cutoff=0.4)
            hint = f"; did you mean {close[0]!r}?" if close else ""
            problems.append(f"{here}: {curve} is {quantity!r}, which is no quantity{hint}")
    for what, names in (("quantity", curves.values()), ("curve", map(str.upper, curves))):
        held = list(map(str, names))
        twice = sorted({name for name in held if held.count(name) > 1})
        problems += [f"{here} names the {what} {name!r} twice" for name in twice]
    return problems


def _unfit_windows(here: str, chosen: Mapping[str, Any]) -> list[str]:
    """What is wrong with windows by run or station."""
    problems = []
    for name, text in chosen.items():
        try:
            arguments.ends(text, f"{here}.{name}")
        except ValueError as error:
            problems.append(str(error))
    return problems


_TABLES = {"log files": _unfit_files, "curves": _unfit_curves, "windows": _unfit_windows}
