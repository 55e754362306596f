"""The choices of a reduction as data: checked, with units in strings, written as one JSON text.

A recipe is a table of stages, each a table of keys. Settings in ``hole.toml`` replace the
defaults, and changes by the caller replace both. An unknown stage or key is refused, and the error
names the nearest one that exists.
"""

from __future__ import annotations

import copy
import difflib
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from corephys.ground import arguments, seawater, thresholds, units
from corephys.ground.cards import Card, Shown
from corephys.ground.choices import matching
from corephys.ground.provenance import sourced
from corephys.ground.vocabulary import TERMS
from corephys.reduction.schema import LOG_FILE, SCHEMA, Option

__all__ = ["SCHEMA", "Option", "Recipe", "RecipeError", "current_keys"]


class RecipeError(ValueError):
    """A recipe has an unknown stage or key, or a value that the key does not accept."""


# Lowest and highest value of a setting, by its unit and the end of its name. A value outside is
# almost always a number in another unit.
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

# Stage and key in an earlier version, and now: stored recipes and settings still hold the old ones.
_RENAMED = {
    ("stress", "fluid_density"): ("stress", "pore_water_density"),
    ("stress", "fluid_density_uncertainty"): ("stress", "pore_water_density_uncertainty"),
    ("stress", "fluid_column_density"): ("stress", "drilling_fluid_density"),
    ("stress", "fluid_column_density_uncertainty"): (
        "stress",
        "drilling_fluid_density_uncertainty",
    ),
}

# Keys of [hole] that describe the hole and change no number.
_ABOUT = {"name", "site", "latitude", "longitude", "depth_datum", "time_zone"}


class Recipe(Shown, Mapping[str, Mapping[str, Any]]):
    """All choices of one reduction, complete and checked.

    Parameters
    ----------
    changes : mapping of str to mapping, optional
        Stage to key to value; keys that are not given keep their defaults.

    Raises
    ------
    RecipeError
        For an unknown stage or key, a wrong unit or a wrong word. The error lists all problems.

    Examples
    --------
    >>> recipe = Recipe({"gamma": {"dead_time": "5 us"}})
    >>> recipe["gamma"]["dead_time"]
    '5 us'
    """

    def __init__(self, changes: Mapping[str, Mapping[str, Any]] | None = None) -> None:
        # A default carries its origin for the provenance of results; a value that the user gave
        # gets its origin in the reduction, where it is known whether the hole or the caller set it.
        self._values = {
            stage: {key: sourced(option.default, "default") for key, option in keys.items()}
            for stage, keys in SCHEMA.items()
        }
        changes, problems = _renamed(changes or {})
        for stage, keys in changes.items():
            if stage not in SCHEMA:
                problems.append(
                    f"no stage [{stage}]{_nearest(stage, SCHEMA)} (register a sensor of your own "
                    "with cp.sensors.register before its recipe is read)"
                )
                continue
            if not isinstance(keys, Mapping):
                problems.append(f"[{stage}] must be a table of keys, got {keys!r}")
                continue
            for key, value in keys.items():
                if stage == "hole" and key in _ABOUT:
                    continue
                problem = _problem(stage, key, value)
                if problem:
                    problems.append(problem)
                else:
                    self._values[stage][key] = _kept(SCHEMA[stage][key], copy.deepcopy(value))
        _refuse(problems)

    def __getitem__(self, stage: str) -> Mapping[str, Any]:
        return self._values[stage]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __repr__(self) -> str:
        changed = [f"{place} = {value!r}" for place, value, _ in self._changed()]
        return "Recipe, changes from the defaults: " + ("; ".join(changed) or "none")

    def card(self) -> Card:
        """The choices that differ from the defaults, then all choices.

        Returns
        -------
        Card
            Displays as text or HTML.
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
        """Place, value and default of every choice that differs from its default."""
        return [
            (f"{stage}.{key}", value, SCHEMA[stage][key].default)
            for stage, keys in self._values.items()
            for key, value in keys.items()
            if not _same(SCHEMA[stage][key], f"{stage}.{key}", value)
        ]

    def beyond(self, base: Recipe) -> dict[str, dict[str, Any]]:
        """The choices of this recipe that differ from another.

        Parameters
        ----------
        base : Recipe
            Recipe to compare with, such as that of a hole's own settings.

        Returns
        -------
        dict of str to dict
            Stage to key to value; ``base.with_changes`` with it gives this recipe.
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
            A new recipe; this one is unchanged.

        Raises
        ------
        RecipeError
            For the same reasons as the constructor.
        """
        merged: dict[str, dict[str, Any]] = {stage: dict(keys) for stage, keys in self.items()}
        for stage, keys in current_keys(changes).items():
            merged.setdefault(stage, {}).update(keys)
        return Recipe(merged)

    def checked_values(self) -> dict[str, dict[str, Any]]:
        """All choices, checked, as tables of their own that may be changed.

        Returns
        -------
        dict of str to dict
            Stage to key to value, with the origin of every value.
        """
        return {
            stage: {k: _kept(SCHEMA[stage][k], copy.deepcopy(v)) for k, v in keys.items()}
            for stage, keys in self._values.items()
        }

    def to_json(self) -> str:
        """The complete recipe as JSON.

        Returns
        -------
        str
            One JSON text with sorted keys.
        """
        return json.dumps(self._values, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Recipe:
        """Read a recipe written by :meth:`to_json`.

        The text holds every choice. A value equal to the default counts as the default, any other
        value as given by the user.

        Parameters
        ----------
        text : str
            JSON.

        Returns
        -------
        Recipe
            Equal to the recipe that was written.

        Raises
        ------
        RecipeError
            For an unknown stage or key, or a wrong value.
        """
        held = current_keys(json.loads(text))
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


def current_keys(changes: Mapping[str, Any]) -> dict[str, Any]:
    """Recipe or settings with the keys of an earlier version under their present names.

    Parameters
    ----------
    changes : mapping of str to mapping
        Stage to key to value.

    Returns
    -------
    dict of str to mapping
        The same values; a table without an old key is passed on unchanged.

    Raises
    ------
    RecipeError
        When a key is given by its old and by its present name with different values.
    """
    found, problems = _renamed(changes)
    _refuse(problems)
    return found


def _refuse(problems: list[str]) -> None:
    """Refuse a recipe with all its problems at once."""
    if problems:
        count = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}"
        raise RecipeError(f"the recipe has {count} to mend:\n  " + "\n  ".join(problems))


def _renamed(changes: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Tables with present keys, and a problem for each key given twice with different values."""
    found, problems = dict(changes), []
    for (stage, key), (stage_now, key_now) in _RENAMED.items():
        if not isinstance(found.get(stage), Mapping) or key not in found[stage]:
            continue
        value = found[stage][key]
        found[stage] = {k: v for k, v in found[stage].items() if k != key}
        now = found.get(stage_now, {})
        if key_now in now and now[key_now] != value:
            problems.append(
                f"[{stage}] {key} is {value!r} and [{stage_now}] {key_now}, its present name, is "
                f"{now[key_now]!r}; keep {key_now} and remove {key}"
            )
            continue
        found[stage_now] = {**now, key_now: value}
    return found, problems


def _shown(value: object) -> str:
    return "not given" if value is None else value if isinstance(value, str) else json.dumps(value)


def _same(option: Option, here: str, value: object) -> bool:
    """Whether a value equals the default; "70.0 mm" and "7 cm" equal "70 mm"."""
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


def _is_default(stage: str, key: str, value: object) -> bool:
    option = SCHEMA.get(stage, {}).get(key)
    return option is not None and _kept(option, value) == option.default and type(value) is not bool


def spelled(stage: str, key: str, value: Any) -> Any:
    """A value of a hole's settings or of a stored recipe, its choice words as in the schema."""
    option = SCHEMA.get(stage, {}).get(key)
    return value if option is None else _kept(option, value)


def _kept(option: Option, value: Any) -> Any:
    """A value with its choice words as the schema spells them."""
    if option.kind == "log_files" and isinstance(value, Mapping):
        return {
            file: {
                key: _kept(LOG_FILE[key], one) if key in LOG_FILE else one
                for key, one in keys.items()
            }
            if isinstance(keys, Mapping)
            else keys
            for file, keys in value.items()
        }
    if "|" not in option.kind:
        return value
    return matching(value, option.kind.split("|")) or value


def _nearest(word: object, known: Iterable[str]) -> str:
    """The nearest known word as a question, or all known words."""
    close = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.4)
    return f"; did you mean {close[0]!r}?" if close else f"; there are {', '.join(known)}"


def _problem(stage: str, key: str, value: Any) -> str:
    """What is wrong with a value, or an empty text."""
    if key not in SCHEMA[stage]:
        elsewhere = [s for s, keys in SCHEMA.items() if key in keys]
        hint = (
            f"; it is a key of [{elsewhere[0]}], move it there"
            if elsewhere
            else _nearest(key, SCHEMA[stage])
        )
        return f"[{stage}] has no key {key!r}{hint}"
    return _unfit(SCHEMA[stage][key], f"[{stage}] {key}", value)


def _unfit(option: Option, here: str, value: Any) -> str:
    """Why an option does not accept a value, or an empty text."""
    if value is None:
        return "" if option.default is None else f"{here} cannot be None; give a value"
    if option.kind == "switch":
        return "" if isinstance(value, bool) else f"{here} must be true or false, got {value!r}"
    if option.kind == "number":
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number:
            return f"{here} must be a number, got {value!r}"
        if not abs(value) <= _BEYOND:
            return f"{here} is {value!r}; expected a number between -{_BEYOND:g} and {_BEYOND:g}"
        return _impossible(option.kind, here, str(value), value)
    if option.kind in ("time", "levels"):
        return "" if isinstance(value, str) else f"{here} must be a text, got {value!r}"
    if option.kind in _TABLES:
        if not isinstance(value, Mapping):
            return f"{here} must be a table, got {value!r}"
        check = _TABLES[option.kind]
        return "\n  ".join(check(here, value))
    if "|" in option.kind:
        words = option.kind.split("|")
        known = str(value) in words or matching(value, words)
        return "" if known else f"{here} is {value!r}{_nearest(value, words)}"
    if not isinstance(value, str):
        return f'{here} needs a unit: write "{value} {option.kind}"'
    try:
        number = units.as_floats(value, option.kind, here, difference=here.endswith("_uncertainty"))
        if not abs(number) <= _BEYOND:
            return f"{here} is {value}, outside the range of any instrument; check the unit"
        if option.kind == "g/kg":
            seawater.absolute_salinity(value, here)
    except ValueError as error:
        return str(error)
    return _impossible(option.kind, here, value, float(number))


def _impossible(kind: str, here: str, value: str, number: float) -> str:
    """Why a number is impossible for its setting; most often its unit is mistaken."""
    if here.endswith(("_uncertainty", "_systematic")):
        return f"{here} is {value}, below zero; give zero or more" if number < 0.0 else ""
    for (unit, end), (low, high) in _POSSIBLE.items():
        if kind == unit and here.endswith(end) and not low <= number <= high:
            also = "" if value.split()[-1] == kind else f", which is {number:g} {kind}"
            return f"{here} is {value}{also}; expected {low:g} to {high:g} {kind}"
    return ""


def _unfit_files(here: str, files: Mapping[str, Any]) -> list[str]:
    """What is wrong with the tables of LAS files."""
    problems = []
    for file, keys in files.items():
        place = f'{here}."{file}"'
        if not isinstance(keys, Mapping):
            problems.append(f"{place} must be a table of keys, got {keys!r}")
            continue
        for key, value in keys.items():
            if key not in LOG_FILE:
                problems.append(f"{place} has no key {key!r}{_nearest(key, LOG_FILE)}")
            elif problem := _unfit(LOG_FILE[key], f"{place} {key}", value):
                problems.append(problem)
        datum, seafloor = keys.get("depth_datum"), keys.get("seafloor_depth")
        datum = matching(datum, LOG_FILE["depth_datum"].kind.split("|")) or datum
        if datum is None:
            words = LOG_FILE["depth_datum"].kind.replace("|", '", "')
            problems.append(
                f'{place} does not state its depth datum; add depth_datum, one of "{words}"'
            )
        elif datum == "seafloor" and seafloor is not None:
            problems.append(f"{place}: leave seafloor_depth out, depths count from the seafloor")
        elif datum != "seafloor" and seafloor is None:
            problems.append(f"{place} needs seafloor_depth, the seafloor in the file's own depths")
        if not keys.get("curves"):
            problems.append(f'{place} has no curves: write curves = {{ CURVE = "quantity" }}')
    return problems


def _unfit_curves(here: str, curves: Mapping[str, Any]) -> list[str]:
    """What is wrong with quantities by curve."""
    problems = []
    legal = [name for name in TERMS if not name.startswith(("depth", "offset"))]
    for curve, quantity in curves.items():
        if quantity not in legal:
            close = difflib.get_close_matches(str(quantity), legal, n=1, cutoff=0.4)
            hint = f"did you mean {close[0]!r}?" if close else "see cp.vocabulary.TERMS"
            problems.append(
                f"{here}: {curve} is {quantity!r}, which is not a known quantity; {hint}"
            )
    for what, names in (("quantity", curves.values()), ("curve", map(str.upper, curves))):
        held = list(map(str, names))
        twice = sorted({name for name in held if held.count(name) > 1})
        problems += [f"{here} names the {what} {name!r} twice; remove one" for name in twice]
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


_TABLES = {"log_files": _unfit_files, "curves": _unfit_curves, "windows": _unfit_windows}
