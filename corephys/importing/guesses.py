"""Which column of this package a foreign column may be, with what speaks for and against it.

Words of the header, unit and numbers are weighed together. A guess without a doubt has all three:
words of one concept, a written unit of its dimension, and numbers in the range of the quantity.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from corephys.ground import thresholds, units
from corephys.ground.vocabulary import TERMS
from corephys.importing.column_facts import ColumnFacts
from corephys.importing.trade_words import (
    Concept,
    concepts,
    concepts_of,
    processed,
    qualifier,
    without_qualifier,
)

__all__ = ["Guess", "Options", "options_of"]

# Usual range of the middle of a column that is no quantity of the vocabulary, in its unit. Wide:
# the ranges tell centimetres from metres and grams from kilograms, not good from bad.
_USUAL = {
    "offset": (0.0, 1000.0),
    "core_offset": (0.0, 2000.0),
    "to": (0.0, 1000.0),
    "depth": (0.0, 12000.0),
    "core_top": (-50.0, 12000.0),
    "upper_end": (-50.0, 12000.0),
    "lower_end": (-50.0, 12000.0),
    "advance": (0.05, 50.0),
    "recovered": (0.0, 50.0),
    "core_diameter": (20.0, 200.0),
    "diameter": (5.0, 200.0),
    "travel_time": (5.0, 500.0),
    "travel_time_manual": (5.0, 500.0),
    "thickness": (20.0, 200.0),
    "live_time": (0.1, 1e5),
    "real_time": (0.1, 1e5),
    "counts": (0.0, 1e9),
    "response": (-1e4, 1e5),
    "wet_mass": (0.5, 1000.0),
    "dry_mass": (0.3, 1000.0),
    "container_mass": (0.1, 500.0),
    "wet_volume": (0.3, 500.0),
    "dry_volume": (0.1, 500.0),
    "container_volume": (0.1, 500.0),
    "temperature": (-5.0, 300.0),
    "salinity": (0.0, 300.0),
    "conductivity": (0.001, 30.0),
    "aluminium_thickness": (0.0, 150.0),
    "bore": (20.0, 200.0),
    "one_way_time": (0.0, 10.0),
    "two_way_time": (0.0, 20.0),
    "heating_power": (0.1, 50.0),
    "stress": (0.1, 1e5),
    "age": (-1.0, 5e5),
    "age_uncertainty": (0.0, 5e5),
    "elapsed": (-1e6, 1e7),
    "step": (0.0, 1000.0),
    "run": (0.0, 9999.0),
    "length": (0.001, 30.0),
}
# Pure numbers that have one meaning; the others may be fractions or percent.
_PURE = ("counts", "run", "step", "void_ratio", "formation_factor", "sensitivity")
_SHARES = ("porosity", "water_content_wet", "water_content_dry", "water_content", "saturation")
_KEYS = (
    "core",
    "section",
    "hole",
    "site",
    "station",
    "tool",
    "sample_id",
    "detector",
    "test_run",
)
# Units that are tried where none is written, by the unit of the target.
_TRIED = {
    "g/cm^3": ("g/cm^3", "kg/m^3"),
    "m/s": ("m/s", "km/s"),
    "cm": ("cm", "mm", "m"),
    "m": ("m", "cm"),
    "mm": ("mm", "cm"),
    "us": ("us", "ms", "s"),
    "1": ("1", "%"),
    "kPa": ("kPa", "MPa"),
}
_INSIDE = thresholds.value("suggested_share_inside")
_PLAIN = thresholds.value("suggested_plain_susceptibility")
# Units that are written for one quantity of a scan more than for any other.
_NAMED_BY_UNIT = {
    "g/cm^3": "bulk_density",
    "ohm m": "electrical_resistivity",
    "1/s": "natural_gamma_rate",
    "1": "magnetic_susceptibility",
}


@dataclass(frozen=True, eq=False)
class Guess:
    """A column of the export as a column of this package.

    Parameters
    ----------
    target : str
        Name in this package.
    column : ColumnFacts
        What is known about the foreign column.
    unit : str
        Unit that the mapping must state; empty where header or row of units state it.
    factor : float
        Factor to that unit.
    doubt : str
        Why the line is not certain; empty for a certain line.
    note : str
        What is worth a look although the line is certain.
    weak : bool
        Its words are not sufficient without unit and numbers.
    instead : str
        Unit that the numbers fit where they do not fit the written one.
    """

    target: str
    column: ColumnFacts
    unit: str = ""
    factor: float = 1.0
    doubt: str = ""
    note: str = ""
    weak: bool = False
    instead: str = ""

    def doubted(self, reason: str) -> Guess:
        """The same guess with a further doubt."""
        return replace(self, doubt=f"{self.doubt}; {reason}" if self.doubt else reason)

    def values(self) -> np.ndarray:
        """Numbers in the unit of the target where the unit is known, else as written."""
        given = self.unit or (self.column.unit.unit if self.column.unit else "")
        wanted = _unit_of(self.target)
        numbers = self.column.values * self.factor
        if not given or not wanted:
            return numbers
        try:
            return np.asarray(units.convert(numbers, given, wanted))
        except units.UnitError:
            return numbers


class Options:
    """Guesses of a table by target."""

    def __init__(self, guesses: Iterable[Guess]) -> None:
        self._of: dict[str, list[Guess]] = {}
        for guess in guesses:
            self._of.setdefault(guess.target, []).append(guess)

    def __contains__(self, target: str) -> bool:
        return bool(self._of.get(target))

    def all(self, target: str) -> list[Guess]:
        """All guesses of a target, the best first."""
        ranked = enumerate(self._of.get(target, ()))
        return [
            guess
            for _, guess in sorted(
                ranked, key=lambda pair: (bool(pair[1].doubt), pair[1].weak, pair[0])
            )
        ]

    def best(self, target: str) -> Guess | None:
        """The best guess of a target; doubted where another column is as good."""
        found = self.all(target)
        if not found:
            return None
        first = found[0]
        rivals = [
            guess
            for guess in found[1:]
            if bool(guess.doubt) == bool(first.doubt)
            and guess.weak == first.weak
            and guess.column.header != first.column.header
        ]
        if rivals and all(guess.column.cells == first.column.cells for guess in rivals):
            return first
        if rivals:
            names = ", ".join(repr(guess.column.header) for guess in rivals[:4])
            first = first.doubted(f"other columns may be {target} as well: {names}")
        return first

    def without(self, taken: Iterable[Guess]) -> Options:
        """The same without the columns of other guesses."""
        gone = {guess.column.header for guess in taken}
        return Options(
            guess
            for found in self._of.values()
            for guess in found
            if guess.column.header not in gone
        )

    def targets(self) -> list[str]:
        """Targets with at least one guess."""
        return list(self._of)


def options_of(columns: Sequence[ColumnFacts]) -> Options:
    """Guesses of all columns of a file."""
    headers = [column.header for column in columns]
    guesses: list[Guess] = []
    for column in columns:
        if not column.header or column.kind == "empty":
            continue
        found = [
            guess
            for concept in concepts_of(column.words)
            if (guess := _guess(concept, column)) is not None
        ]
        found += _named_as_here(column, found)
        found += _uncertainty(column)
        found = found or _named_by_unit(column)
        twice = headers.count(column.header) > 1
        for guess in {one.target: one for one in reversed(found)}.values():
            if twice:
                guess = guess.doubted("the header is there more than once; rename one of them")
            guesses.append(guess)
    return Options(guesses)


def _uncertainty(column: ColumnFacts) -> list[Guess]:
    """The guess that a column is the uncertainty of a quantity named by its other words."""
    if column.kind != "number" or qualifier(column.words) != "an uncertainty or a scatter":
        return []
    for concept in concepts_of(without_qualifier(column.words)):
        if concept.name not in TERMS and concept.name != "temperature":
            continue
        if concept.unit in ("", "text", "time"):
            continue
        target, unit = f"u_{concept.name}", units.difference_unit(concept.unit)
        guess = _number(concept._replace(name=target, unit=unit), column)
        if guess is None:
            continue
        if guess.unit:
            guess = replace(guess, unit=units.difference_unit(guess.unit))
        if column.low < 0.0:
            guess = guess.doubted("some values are negative")
        one = re.search(r"\b(?:std|sd|stdev|sigma|standard|se|1s|ecart type)\b", column.words)
        if not one or re.search(r"\b(?:[2-9]|two|9\d%?|range|max|min)\b", column.words):
            guess = guess.doubted("the header does not state one standard uncertainty (k = 1)")
        return [guess]
    return []


def _named_as_here(column: ColumnFacts, found: list[Guess]) -> list[Guess]:
    """A guess for a header that is the name of a quantity of the vocabulary."""
    name = column.words.replace(" ", "_")
    if name not in TERMS or any(guess.target == name for guess in found):
        return []
    if name in ("depth", "offset") or column.kind != "number":
        return []
    guess = _number(Concept(name, "", "", TERMS[name].unit), column)
    if guess is None:
        return []
    if column.name != name and not guess.doubt:
        guess = guess.doubted("see in the vocabulary whether it is defined in the same way")
    return [guess]


def _named_by_unit(column: ColumnFacts) -> list[Guess]:
    """A doubtful guess for a column of which the unit alone names the quantity."""
    if column.kind != "number" or column.unit is None or concepts_of(column.words):
        return []
    if qualifier(column.words) or processed(column.words):
        return []
    unit, factor = column.unit
    if unit == "1" and not (factor < 1.0 and "SI" in column.unit_text.upper()):
        return []  # a pure number that is no susceptibility
    if re.search(r"\b(?:counts?|cts|cps)\b", column.unit_text.lower()) and "s" in unit:
        wanted = "1/s"
    elif unit == "1/s":
        return []  # a rate of something else
    else:
        wanted = unit
    target = _NAMED_BY_UNIT.get(wanted, "")
    named = [concept for concept in concepts() if concept.name == target]
    if not named or any(one.unless and re.search(one.unless, column.words) for one in named):
        return []
    guess = _number(named[0]._replace(weak=True), column)
    return [] if guess is None else [guess.doubted("only its unit names the quantity")]


def _guess(concept: Concept, column: ColumnFacts) -> Guess | None:
    """The guess that a column holds a concept; None where kind or unit exclude it."""
    if concept.unit == "time":
        return _time(concept, column)
    if concept.unit == "text":
        return _text(concept, column)
    if column.kind != "number":
        return None
    beside = qualifier(column.words)
    if beside and not concept.name.endswith("uncertainty"):
        return None
    guess = _number(concept, column)
    word = processed(column.words)
    if guess is not None and word and concept.name in TERMS:
        return guess.doubted(f"the word {word!r} names a value that was processed further")
    return guess


def _text(concept: Concept, column: ColumnFacts) -> Guess | None:
    if column.kind == "number":
        if concept.name not in _KEYS or not column.whole:
            return None
        if any("." in cell or "," in cell for cell in column.cells) and concept.name in (
            "core",
            "section",
        ):
            note = "the pattern keeps the whole number of cells such as '1.0'"
            return Guess(concept.name, column, note=note, weak=concept.weak)
    elif column.kind != "text":
        return None
    if column.unit_text and column.unit_place in ("bracket", "row"):
        return None
    return Guess(concept.name, column, weak=concept.weak)


def _time(concept: Concept, column: ColumnFacts) -> Guess | None:
    if column.kind not in ("date", "clock"):
        return None
    return Guess(concept.name, column, weak=concept.weak)


def _unit_of(target: str) -> str:
    if target in TERMS:
        return TERMS[target].unit
    if target.startswith("u_"):
        return units.difference_unit(_unit_of(target.removeprefix("u_")))
    found = (concept.unit for concept in concepts() if concept.name == target)
    return next((unit for unit in found if unit not in ("text", "time")), "")


def _ranges(target: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Usual range of the middle value and possible range of each value."""
    if target in _USUAL:
        low, high = _USUAL[target]
        return (low, high), (-math.inf, math.inf)
    if target in TERMS:
        return TERMS[target].usual, TERMS[target].possible
    if target == "water_content":
        return TERMS["water_content_wet"].usual, TERMS["water_content_wet"].possible
    return (-math.inf, math.inf), (-math.inf, math.inf)


def _number(concept: Concept, column: ColumnFacts) -> Guess | None:
    """The guess of a column of numbers: its unit, and whether its numbers fit."""
    target, wanted = concept.name, concept.unit
    guess = Guess(target, column, weak=concept.weak)
    if column.unit is None:
        return _without_unit(guess, wanted)
    given, factor = column.unit
    if not wanted:  # any unit will do
        return guess if _read_there(column) else replace(guess, unit=given, factor=factor)
    try:
        units.convert(1.0, given, wanted)
    except units.UnitError:
        if concept.weak or wanted in ("1", "%") or target in ("temperature", "elapsed"):
            return None
        fit = _likely(guess, wanted)
        hint = f"; the numbers fit {fit}" if fit else ""
        return guess.doubted(
            f"the unit {column.unit_text!r} is not one of {target} [{wanted}]{hint}"
        )
    if concept.weak and target == "p_wave_velocity" and re.search(r"/\s*(?:min|h|hr|d)\b", given):
        return None  # the speed of a tool or a winch
    if target == "magnetic_susceptibility" and factor != 1.0 and _largest(column) <= _PLAIN:
        return replace(guess, unit="1").doubted(
            f"the header states {column.unit_text!r}, but numbers up to {_largest(column):g} are "
            "those of plain SI; the line has no factor"
        )
    guess = replace(guess, unit="" if _read_there(column) else given, factor=factor)
    if target in ("thickness", "diameter"):
        guess = _over_the_liner(guess)
    return _in_range(guess)


def _over_the_liner(guess: Guess) -> Guess:
    """The guess of a thickness, which scans measure between transducers outside the liner."""
    if re.search(r"diameter|durchmesser|diametr|sediment|inner|innen|half", guess.column.words):
        return guess.doubted("the thickness must be that between the transducers, over the liner")
    return replace(guess, note="as measured between the transducers, over the liner")


def _read_there(column: ColumnFacts) -> bool:
    """Whether the import reads the unit itself from the header or the row of units."""
    if column.unit is None or column.unit.factor != 1.0 or not column.stated:
        return False
    try:
        return units.canonical(column.stated) == column.unit.unit
    except units.UnitError:
        return False


def _must_state(guess: Guess) -> Guess:
    """The guess of a pure number, with its unit where the header states something unreadable."""
    if not guess.column.stated or guess.unit:
        return guess
    try:
        units.canonical(guess.column.stated)
    except units.UnitError:
        return replace(guess, unit="1")
    return guess


def _without_unit(guess: Guess, wanted: str) -> Guess | None:
    """A guess for a column without a written unit."""
    target, words = guess.target, guess.column.words
    if guess.weak and target == "counts":
        return None
    if wanted in ("", "1") and (target in _PURE or not wanted):
        return _in_range(_must_state(guess))
    if target in _SHARES:
        if re.search(r"\b(?:fraction|fractional|anteil|ratio)\b", words):
            return _in_range(_must_state(guess))
        if "%" in words or re.search(r"\b(?:percent|prozent|pct)\b", words):
            return _in_range(replace(guess, unit="%"))
    written = guess.column.stated
    missing = f"the unit {written!r} is not understood" if written else "no unit is written"
    if target == "magnetic_susceptibility":
        return _susceptibility(guess, missing)
    likely = _likely(guess, wanted)
    if guess.weak and not likely:
        return None
    low, high = guess.column.low, guess.column.high
    if not likely:
        return replace(guess, unit=wanted).doubted(
            f"{missing}, and {low:g} to {high:g} fits none of the usual ones"
        )
    return replace(guess, unit=likely).doubted(f"{missing}; {low:g} to {high:g} fits {likely}")


def _susceptibility(guess: Guess, missing: str) -> Guess:
    """A susceptibility without a readable unit: plain SI, or the power of ten of the header."""
    largest = _largest(guess.column)
    if largest <= _PLAIN:
        return replace(guess, unit="1").doubted(
            f"{missing}; numbers up to {largest:g} are those of plain SI, without a factor"
        )
    power = re.search(r"(?:\b10 ?\^? ?|(?:\b1|\b)[eE])-([3-9])(?!\d)", guess.column.header)
    if power:
        factor = float(f"1e-{power[1]}")
        return replace(guess, unit="1", factor=factor).doubted(
            f"{missing}; the header names the power of ten {factor:g}"
        )
    # The unit is left open: a factor that nobody stated would make a wrong number.
    return replace(guess, unit="...").doubted(
        f"{missing}, and numbers up to {largest:g} are no plain SI; state the power of ten of the "
        'meter, such as unit = "1", factor = 1e-5 for readings in 10^-5 SI'
    )


def _largest(column: ColumnFacts) -> float:
    """Largest size of the numbers of a column; infinite without any."""
    there = np.abs(column.values[np.isfinite(column.values)])
    return float(there.max()) if there.size else math.inf


def _likely(guess: Guess, wanted: str) -> str:
    """The first of the usual units in which the numbers lie in their range; empty for none."""
    for unit in _TRIED.get(wanted, (wanted,)):
        if not _outside(replace(guess, unit=unit, doubt="")):
            return unit
    return ""


def _outside(guess: Guess) -> str:
    """What is wrong with the numbers in their unit; empty where nothing is."""
    values = guess.values()
    values = values[np.isfinite(values)]
    if not values.size:
        return "the column holds no numbers"
    if guess.target == "counts" and (values != np.round(values)).any():
        return "not all counts are whole numbers"
    if guess.target in _SHARES and np.abs(values).max() <= 0.01 and values.size > 4:
        return (
            f"no value is above {100 * np.abs(values).max():.2g} %, as if they were fractions, not"
        )
    (low, high), (least, most) = _ranges(guess.target)
    middle = float(np.median(values))
    if not low <= middle <= high:
        return f"the middle value {middle:g} is outside the usual {low:g} to {high:g}"
    inside = float(((values >= least) & (values <= most)).mean())
    if inside < _INSIDE:
        return f"{100 * (1 - inside):.0f} % of the values are outside the possible range"
    if (
        guess.target in _SHARES
        and (values > 1.0).mean() > 0.05
        and guess.target != ("water_content_dry")
    ):
        return f"{100 * (values > 1.0).mean():.0f} % of the fractions are above 1"
    return ""


def _in_range(guess: Guess) -> Guess:
    """The guess, doubted where its numbers do not fit its unit."""
    wrong = _outside(guess)
    if wrong:
        wanted = _unit_of(guess.target)
        likely = _likely(replace(guess, factor=1.0), wanted) if wanted else ""
        if guess.target in _SHARES and guess.column.high < 2.0:
            likely = ""
        written = guess.column.unit_text or "1"
        hint = f"; the numbers would fit {likely}" if likely else ""
        unit = f" {wanted}" if wanted not in ("", "1") else ""
        guess = guess.doubted(f"read in {written}, {wrong}{unit}{hint}")
        return replace(guess, instead=likely)
    middle = guess.values()
    middle = middle[np.isfinite(middle)]
    if guess.weak and guess.target == "bulk_density":
        low, high = np.quantile(middle, [0.1, 0.9])
        if low > 2.4 and high - low < 0.3:
            return guess.doubted("the values are those of grains; it may be grain_density")
    if guess.weak and guess.target == "p_wave_velocity" and np.median(middle) > 2000.0:
        return guess.doubted("the header does not state P or S, and both are possible")
    if guess.target not in TERMS or guess.note:
        return guess
    _, (least, most) = _ranges(guess.target)
    values = guess.values()
    values = values[np.isfinite(values)]
    out = int(((values < least) | (values > most)).sum())
    if out:
        share = f"{out} of {values.size} values are outside {least:g} to {most:g}"
        return replace(guess, note=f"{share}; they are imported and flagged")
    return guess
