"""Where the rows of a foreign table lie: core, section and offset, depth, labels, file names."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from corephys.ground import thresholds
from corephys.importing.column_facts import ColumnFacts
from corephys.importing.guesses import Guess, Options
from corephys.importing.trade_words import concepts_of

__all__ = [
    "Place",
    "find_place",
    "hole_names",
    "keep_hole",
    "tells_cores_apart",
    "typical_step",
    "words_of_rows",
]

# Labels, the most detailed first: a name of the hole, core and section with a sign between them,
# then a position.
_HEAD = r"^(?P<hole>(?:.*?[-_ /])?)(?P<core>\d+)[A-Za-z]?[-_ /](?P<section>\d+|[A-Z]{2})[A-Za-z]?"
_OFFSET = r"[-_ ,;:/]+(?P<offset>\d+(?:\.\d+)?)"
_LABELS = (
    _HEAD + _OFFSET + r"\s*(?:-|–|to)\s*(?P<to>\d+(?:\.\d+)?)\s*(?P<unit>cm|mm|m)?\)?$",
    _HEAD + _OFFSET + r"\s*(?P<unit>cm|mm|m)?\)?$",
    _HEAD + "$",
)
_FILE_NAMES = {
    "core": r"(?:core|kern|carotte|testigo|kjerne)[ _-]?(?=\d)",
    "section": r"(?:section|sect|sec|sektion|abschnitt|troncon|seksjon)[ _-]?(?=\d)",
}
_DECIMALS = r"^(?P<{}>[A-Za-z0-9]+?)(?:[.,]0+)?$"
_INTERVAL = r"^(?P<offset>\d+(?:\.\d+)?)\s*[-–]\s*(?P<to>\d+(?:\.\d+)?)$"
_MOST_SECTIONS = thresholds.value("suggested_most_sections")
_GROWTH = thresholds.value("suggested_depth_growth")
_LONGEST = thresholds.value("suggested_longest_section")  # cm
_SHORTEST = thresholds.value("suggested_shortest_section")  # cm
_MOST_WORDS = thresholds.value("suggested_most_words")
_LOOKED_AT = 3000
# Columns of text that describe a row; their words do not tell holes or kinds of rows apart.
_DESCRIBES = frozenset(("lithology", "method", "coring_method", "sample_id", "name", "unit"))


@dataclass
class Place:
    """How the rows of a table are placed.

    Parameters
    ----------
    kind : {"section", "depth", ""}
        Core, section and offset; depth alone; or not placed.
    guesses : list of Guess
        Columns that place the rows.
    parts : list of (str, str, str)
        Column or "file name", pattern, and doubt.
    from_parts : dict of str to str
        Right-hand side of numbers that come from a part.
    where : list of (str, str, list of str)
        Column that names the hole or site, the value that is kept, the values that are left out.
    words : list of (str, str, list of str)
        The same for columns of text that nothing maps; they may tell holes or kinds apart.
    doubts : list of str
        Why the rows cannot be placed with certainty; empty for a certain place.
    notes : list of str
        Doubts of core, section and offset where the depth places the rows.
    """

    kind: str = ""
    guesses: list[Guess] = field(default_factory=list)
    parts: list[tuple[str, str, str]] = field(default_factory=list)
    from_parts: dict[str, str] = field(default_factory=dict)
    where: list[tuple[str, str, list[str]]] = field(default_factory=list)
    words: list[tuple[str, str, list[str]]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def sure(self) -> bool:
        """Whether the rows can be placed without a doubt."""
        return bool(self.kind) and not self.doubts

    def guess(self, target: str) -> Guess | None:
        """The column of one target."""
        return next((guess for guess in self.guesses if guess.target == target), None)


def find_place(options: Options, columns: Sequence[ColumnFacts], names: Sequence[str]) -> Place:
    """The place of the rows of a file from its columns, labels and ``names`` of files."""
    options = _with_offsets(options)
    place = Place()
    found: dict[str, Guess] = {}
    for target in ("core", "section", "offset", "to"):
        guess = options.best(target)
        if guess is not None:
            found[target] = guess
    depth = _depth(options)
    for target in ("core", "section"):
        if target in found and found[target].note:
            pattern = _DECIMALS.format(target)
            place.parts.append((found[target].column.source, pattern, ""))
            place.from_parts[target] = ""
    if "offset" not in found:
        _from_interval(place, columns)
    if "section" in found and "core" not in found and _is_label(found["section"].column):
        del found["section"]  # an identifier that holds core and section
    named = [name for name in ("core", "section") if name not in found]
    if named and ("offset" in {**found, **place.from_parts} or len(named) == 2):
        _from_label(place, found, columns)
    if "offset" in found:
        named = [name for name in named if name not in place.from_parts]
        _from_file_names(place, named, names)
    keys = {**found, **place.from_parts}
    if all(target in keys for target in ("core", "section", "offset")):
        place.kind = "section"
        place.guesses = list(found.values())
        place.doubts = [
            f"{guess.target}: {guess.doubt}"
            for guess in found.values()
            if guess.doubt and guess.target != "to"
        ] + [doubt for *_, doubt in place.parts if doubt]
        if depth is not None:
            place.guesses.append(depth)
        place.doubts += _doubts_of_offsets(found, depth)
        unsure = any("check the units of" in doubt for doubt in place.doubts)
        if place.doubts and depth is not None and not depth.doubt and not unsure:
            place.notes = [f"{doubt}; the depth alone places the rows" for doubt in place.doubts]
            place.kind, place.doubts = "depth", []
    elif depth is not None:
        place.kind = "depth"
        place.guesses = [depth]
        place.parts, place.from_parts = [], {}
        place.doubts = [f"depth: {depth.doubt}"] if depth.doubt else []
    else:
        missing = [name for name in ("core", "section", "offset") if name not in keys]
        place.guesses = list(found.values())
        place.doubts = [f"no column was found for {' and '.join(missing)}, nor for depth"]
    if place.kind == "depth":
        place.guesses = [guess for guess in place.guesses if guess.target == "depth"]
        place.parts, place.from_parts = [], {}
    _other_holes(place, options)
    return place


def _with_offsets(options: Options) -> Options:
    """Options where ends of intervals and depths inside sections are offsets as well."""
    guesses = [guess for target in options.targets() for guess in options.all(target)]
    has = {guess.target for guess in guesses}
    more: list[Guess] = []
    if "offset" not in has and {"core", "section"} & has:
        pair = [options.best("upper_end"), options.best("lower_end")]
        upper = pair[0]
        if upper is not None and _is_offset(upper):
            more.append(_as(upper, "offset"))
            if pair[1] is not None and _is_offset(pair[1]):
                more.append(_as(pair[1], "to"))
        elif "section" in has:
            for guess in options.all("depth"):
                if _is_offset(guess) and guess.column.high <= 200.0 and not guess.column.rising:
                    note = "numbers that begin again in each section were taken as offsets"
                    more.append(replace(_as(guess, "offset"), note=note))
                    guesses.remove(guess)
    return Options([*guesses, *more])


def _is_offset(guess: Guess) -> bool:
    """Whether the written unit is one of an offset."""
    return guess.column.unit is not None and guess.column.unit.unit in ("cm", "mm")


def _as(guess: Guess, target: str) -> Guess:
    """The guess for another length, whose range is judged by its own numbers."""
    return replace(guess, target=target, doubt="")


def _depth(options: Options) -> Guess | None:
    """The depth of the rows; doubted where the file has several depths."""
    found = options.all("depth")
    if not found:
        return None
    different = [found[0]]
    for guess in found[1:]:
        same = any(
            np.array_equal(guess.values(), other.values(), equal_nan=True) for other in different
        )
        if not same:
            different.append(guess)
    first = found[0]
    if len(different) > 1:
        names = ", ".join(repr(guess.column.header) for guess in different)
        words = f"the file has several depths ({names}); keep the one of your depth scale"
        return replace(first, doubt=f"{first.doubt}; {words}" if first.doubt else words)
    return first


def _from_interval(place: Place, columns: Sequence[ColumnFacts]) -> None:
    """Both ends of intervals that are written as one text, such as ``34-36``."""
    for column in columns:
        if column.kind != "text" or column.unit is None or column.unit.unit not in ("cm", "mm"):
            continue
        if not any(concept.name == "offset" for concept in concepts_of(column.words)):
            continue
        if all(re.match(_INTERVAL, cell) for cell in column.cells if cell):
            place.parts.append((column.source, _INTERVAL, ""))
            for name in ("offset", "to"):
                place.from_parts[name] = f"{name} [{column.unit.unit}]"
            return


def _is_label(column: ColumnFacts) -> bool:
    """Whether all cells of a column hold core and section with a sign between them."""
    cells = {cell for cell in column.cells if cell}
    return bool(cells) and all(re.match(_LABELS[-1], cell) for cell in cells)


# Labels -------------------------------------------------------------------------------------------


def _from_label(place: Place, found: dict[str, Guess], columns: Sequence[ColumnFacts]) -> None:
    """Core, section and position from a text such as ``A12-3-2, 34 cm``."""
    for column in columns:
        if column.kind != "text" or not column.header:
            continue
        cells = [cell for cell in column.cells if cell][:_LOOKED_AT]
        for pattern in _LABELS:
            matches = [re.match(pattern, cell) for cell in dict.fromkeys(cells)]
            read = [match for match in matches if match]
            if not read or len(read) < 0.98 * len(matches):
                continue
            groups = re.compile(pattern).groupindex
            if "offset" not in groups and "offset" not in {**found, **place.from_parts}:
                continue
            sections = {match["section"] for match in read}
            if len(sections) > _MOST_SECTIONS:
                continue
            _take_label(place, found, column, pattern, [re.match(pattern, cell) for cell in cells])
            return


def _from_file_names(place: Place, wanted: Sequence[str], names: Sequence[str]) -> None:
    """Core and section from the names of the files, where a word stands before each number."""
    pattern = ""
    for target in wanted:
        words = {match[0] for name in names if (match := re.search(_FILE_NAMES[target], name))}
        if len(words) == 1:
            pattern += f"{'.*?' if pattern else ''}{re.escape(words.pop())}(?P<{target}>\\d+)"
    groups = [target for target in wanted if f"<{target}>" in pattern]
    if not groups or not all(re.search(pattern, name) for name in names):
        return
    place.parts.append(("file name", pattern, ""))
    place.from_parts.update(dict.fromkeys(groups, ""))


def _take_label(
    place: Place,
    found: dict[str, Guess],
    column: ColumnFacts,
    pattern: str,
    matches: Sequence[re.Match[str] | None],
) -> None:
    rows = [match for match in matches if match]
    order = [(int(match["core"]), match["section"].rjust(3)) for match in rows]
    falling = sum(later < earlier for earlier, later in itertools.pairwise(order))
    doubt = ""
    holes = sorted({match["hole"].rstrip("-_ /") for match in rows})
    if len(holes) > 1:
        shown = ", ".join(map(repr, holes[:4]))
        doubt = f"the labels name several holes ({shown}); keep one of them with where"
    elif falling > 0.02 * len(order) or len(set(order)) < 2:
        doubt = "the parts of the label do not rise with the rows; check which is core and section"
    if len(rows) < len(matches):
        doubt = doubt or f"{len(matches) - len(rows)} labels have another form"
    wanted = ["core", "section"]
    spelled = Counter(match["unit"] or "" for match in rows) if "unit" in pattern else Counter()
    unit = spelled.most_common(1)[0][0] if spelled else ""
    if "offset" not in {**found, **place.from_parts} and "(?P<offset>" in pattern:
        wanted.append("offset")
        if "(?P<to>" in pattern:
            wanted.append("to")
        if not unit or len(spelled) > 1:
            doubt = doubt or "the label does not state the unit of its position in every row"
    # Only the groups that are needed: a group named as a column is used without a further line.
    for name in ("hole", "unit", "core", "section", "offset", "to"):
        if name not in wanted or name in found:
            pattern = pattern.replace(f"(?P<{name}>", "(?:")
    place.parts.append((column.source, pattern, doubt))
    for name in wanted:
        if name not in found:
            number = name in ("offset", "to")
            place.from_parts[name] = f"{name} [{unit or 'cm'}]" if number else ""


def _doubts_of_offsets(found: dict[str, Guess], depth: Guess | None) -> list[str]:
    """Doubts of the unit of offsets: their size, and their growth against that of the depth."""
    offset = found.get("offset")
    if offset is None or offset.doubt:
        return []
    values = offset.values()
    high = float(np.nanmax(values, initial=0.0))
    header = offset.column.header
    if high > _LONGEST:
        return [f"offsets in {header!r} reach {high:g} cm; check their unit"]
    if high < _SHORTEST and np.unique(values[np.isfinite(values)]).size > 4:
        return [f"offsets in {header!r} reach {high:g} cm only; check their unit"]
    if depth is None or depth.doubt or "core" not in found or "section" not in found:
        return []
    keys = list(zip(found["core"].column.cells, found["section"].column.cells, strict=True))
    same = np.array([one == other for one, other in itertools.pairwise(keys)], dtype=bool)
    growth, deeper = np.diff(values)[same], 100.0 * np.diff(depth.values())[same]
    ratios = deeper[growth > 0.0] / growth[growth > 0.0]
    ratios = ratios[np.isfinite(ratios)]
    middle = float(np.median(ratios)) if ratios.size else 1.0
    if abs(middle - 1.0) <= _GROWTH:
        return []
    words = f"depth grows {middle:.3g} times as fast as the offset"
    return [f"{words}; check the units of {header!r} and {depth.column.header!r}"]


# Holes and steps ----------------------------------------------------------------------------------


def hole_names(options: Options) -> tuple[list[Guess], Counter[tuple[str, ...]]]:
    """Columns that name site and hole, and the number of rows of each pair of names."""
    named = [guess for target in ("site", "hole") if (guess := options.best(target)) is not None]
    if not named:
        return [], Counter()
    return named, Counter(zip(*(guess.column.cells for guess in named), strict=True))


def keep_hole(place: Place, named: Sequence[Guess], kept: Sequence[str]) -> None:
    """Keep the rows of one hole: one folder is one hole."""
    place.where = []
    for guess, name in zip(named, kept, strict=True):
        others = [cell for cell in dict.fromkeys(guess.column.cells) if cell != name]
        if others:
            place.where.append((guess.column.source, name, others))


def _other_holes(place: Place, options: Options) -> None:
    # Site and hole together: the most frequent pair, since hole A is found at every site.
    named, names = hole_names(options)
    if named:
        keep_hole(place, named, names.most_common(1)[0][0])


def words_of_rows(column: ColumnFacts) -> Counter[str]:
    """Words of a column of text that may name a hole or a kind of row; empty for other columns."""
    if column.kind != "text" or not column.header:
        return Counter()
    if any(concept.name in _DESCRIBES for concept in concepts_of(column.words)):
        return Counter()
    words = Counter(cell for cell in column.cells if cell and cell not in column.nulls)
    few = len(words) <= _MOST_WORDS and 2 * len(words) <= words.total()
    spelled = any(letter.isalpha() for word in words for letter in word)
    return words if few and spelled else Counter()


def tells_cores_apart(column: ColumnFacts, place: Place, columns: Sequence[ColumnFacts]) -> bool:
    """Whether a column of types has one word for each core of the hole that is kept.

    Such a column holds the way in which each core was taken, and no kind of row.
    """
    core = place.guess("core")
    if core is None or not any(one.name == "kind" for one in concepts_of(column.words)):
        return False
    kept = {name: word for name, word, _ in place.where}
    others = [(one.cells, kept[one.source]) for one in columns if one.source in kept]
    found: dict[str, set[str]] = {}
    for row, (number, word) in enumerate(zip(core.column.cells, column.cells, strict=True)):
        if all(cells[row] == name for cells, name in others):
            found.setdefault(number, set()).add(word)
    return len(found) > 2 and all(len(words) == 1 for words in found.values())


def typical_step(place: Place) -> float:
    """Typical distance of neighbouring rows in cm; NaN where rows have no such distance."""
    offset, depth = place.guess("offset"), place.guess("depth")
    guess, scale = (offset, 1.0) if offset is not None else (depth, 100.0)
    if guess is None:
        return np.nan
    steps = np.abs(np.diff(guess.values())) * scale
    steps = steps[np.isfinite(steps) & (steps > 0.0)]
    return float(np.median(steps)) if steps.size else np.nan
