"""Which tables of a hole folder the columns of one foreign table make.

A table is proposed where the columns that it cannot do without have a guess. Readings as the
instrument gave them go to the tables of the sensors and samples, values that came reduced to
``scan/reduced`` or ``samples/reduced``, by the distance of neighbouring rows.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from corephys.ground import thresholds
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.tables import TABLES
from corephys.importing.guesses import Guess, Options
from corephys.importing.mapping import column_of
from corephys.importing.places import Place, typical_step

__all__ = ["TableDraft", "draft_tables"]

_SCAN_STEP = thresholds.value("suggested_scan_step")  # cm
_SCAN_ROWS = thresholds.value("suggested_scan_rows")
_ATTENUATION_RATE = thresholds.value("suggested_attenuation_rate")  # 1/s
# Quantities that describe a fit, a column or a product of a reduction and no reading of a core.
_NEVER_SUPPLIED = frozenset(
    (
        "depth",
        "depth_fitted",
        "depth_closed",
        "depth_composite",
        "offset",
        "offset_closed",
        "age",
        "growth_factor",
        "time_shift",
        "two_way_time",
        "travel_time",
        "equilibrium_temperature",
    )
)


@dataclass
class TableDraft:
    """One table of a hole folder as far as a foreign table fills it.

    Parameters
    ----------
    name : str
        Table, such as ``scan/gamma``.
    guesses : list of (str, Guess)
        Column of the table and what is proposed for it, without its place.
    constants : list of (str, str, str)
        Column, value of every row and reason.
    doubts : list of str
        Why the whole table is not certain; empty for a certain one.
    notes : list of str
        What is worth a look although the table is certain.
    placed : bool
        Its rows have a place in the hole.
    """

    name: str
    guesses: list[tuple[str, Guess]] = field(default_factory=list)
    constants: list[tuple[str, str, str]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    placed: bool = True

    def add(self, name: str, guess: Guess | None) -> None:
        """Propose a guess for a column, if there is one."""
        if guess is not None:
            self.guesses.append((name, guess))

    def finish(self, place: Place) -> TableDraft:
        """The draft with doubts for required columns that are missing or not certain."""
        table = TABLES.get(self.name)
        if table is None:
            self.doubts.append(f"this version has no table {self.name}")
            return self
        sure = {name for name, guess in self.guesses if not guess.doubt}
        sure |= {name for name, value, _ in self.constants if value}
        by_name = table.supplied and any(
            name in TERMS and name not in table.by_name for name in sure
        )
        if self.placed:
            sure |= {"core", "section", "offset", "depth"} if place.sure else set()
            if not place.sure:
                self.doubts += place.doubts
        for column in table.columns:
            if column.need == "optional" or column.name in sure:
                continue
            if by_name and column.name in ("quantity", "value", "unit"):
                continue
            if self.placed and column.name in ("core", "section", "offset"):
                continue
            doubted = any(name == column.name for name, _ in self.guesses)
            words = "is not certain" if doubted else "was not found"
            self.doubts.append(f"the column {column.header!r} {words}")
        for group in table.one_of:
            if not sure & set(group):
                self.doubts.append(f"no certain column for {' or '.join(group)}")
        if table.supplied and not by_name and "quantity" not in sure:
            self.doubts = [d for d in self.doubts if "the column '" not in d]
            self.doubts.append("none of its quantities is certain")
        return self


def draft_tables(options: Options, place: Place, rows: int, words: str) -> list[TableDraft]:
    """Tables that a foreign table fills.

    ``rows`` is its number of rows, ``words`` those of its file's name.
    """
    for rule in (_list_of_cores, _list_of_sections, _of_the_hole, _standards, _downhole):
        found = rule(options, place)
        if found is not None:
            return [found.finish(place)]
    made: list[TableDraft] = []
    left = options.without(place.guesses)
    for samples in (_needle, _consolidation, _index_properties, _discrete_velocity):
        draft = samples(left, place)
        if draft is not None:
            made.append(draft)
            left = left.without(guess for _, guess in draft.guesses)
    for draft in _readings(left, place, words):
        made.append(draft)
        left = left.without(guess for name, guess in draft.guesses if name != "temperature")
    taken = any(draft.name.startswith("samples/") for draft in made)
    reduced = _long_values(left, place, rows, taken) or _wide_values(left, place, rows, taken)
    if reduced is not None:
        made.append(reduced)
    return [draft.finish(place) for draft in made]


def _several(options: Options, *targets: str) -> bool:
    return all(target in options for target in targets)


def _first(options: Options, *targets: str) -> Guess | None:
    """The best guess of the first target that has one."""
    return next((options.best(target) for target in targets if target in options), None)


def _middle(values: np.ndarray) -> float:
    """Median of the numbers; NaN without any."""
    there = values[~np.isnan(values)]
    return float(np.median(there)) if there.size else np.nan


def _once_a_row(guesses: Sequence[Guess | None]) -> bool:
    """Whether the cells of these columns together differ from row to row."""
    there = [guess.column.cells for guess in guesses if guess is not None]
    rows = list(zip(*there, strict=True))
    return bool(rows) and len(set(rows)) > 0.95 * len(rows)


# Lists --------------------------------------------------------------------------------------------


def _list_of_cores(options: Options, place: Place) -> TableDraft | None:
    top = _first(options, "core_top", "upper_end")
    if top is None and "depth" in options:
        top = options.best("depth")
        top = top.doubted("the depth may not be that of the core's top") if top else None
    if "core" not in options or top is None or "offset" in options or "section" in options:
        return None
    if not _several(options, "recovered") and "advance" not in options:
        return None
    if not _once_a_row([options.best("core")]):
        return None
    draft = TableDraft("cores", placed=False)
    draft.add("core", options.best("core"))
    draft.add("top", top)
    for name in ("coring_method", "advance", "recovered"):
        draft.add(name, options.best(name))
    draft.add("time_on_deck", options.best("time"))
    method = options.best("coring_method")
    legal = TABLES["cores"].by_name["coring_method"].choices
    if method is None:
        reason = "no coring method was found; write one of " + ", ".join(legal)
        draft.constants.append(("coring_method", "other", reason))
    elif not {cell.lower().replace(" ", "_") for cell in method.column.cells} <= set(legal):
        draft.guesses = [pair for pair in draft.guesses if pair[0] != "coring_method"]
        reason = f"words such as {method.column.examples[0]!r} in {method.column.header!r} are not "
        reason += f"read; give them with map as one of {', '.join(legal)}"
        draft.constants.append(("coring_method", "other", reason))
    if "advance" not in options and "lower_end" in options:
        draft.doubts.append("the advance is the lower end less the top; add a column with it")
    return draft


def _list_of_sections(options: Options, place: Place) -> TableDraft | None:
    if not _several(options, "core", "section", "length") or "travel_time" in options:
        return None
    if "offset" in options or not _once_a_row([options.best("core"), options.best("section")]):
        return None
    draft = TableDraft("sections", placed=False)
    for name in ("core", "section", "length"):
        draft.add(name, options.best(name))
    diameter = _first(options, "core_diameter", "diameter")
    draft.add("core_diameter", diameter)
    if diameter is None:
        reason = 'no diameter was found; write that of your cores, such as "66 mm"'
        draft.constants.append(("core_diameter", "", reason))
    return draft


def _of_the_hole(options: Options, place: Place) -> TableDraft | None:
    """Tables with one row an age, a check shot, a layer, an interval, a water sample."""
    readings = ("counts", "live_time", "travel_time", "wet_mass", "bulk_density", "p_wave_velocity")
    if any(target in options for target in readings):
        return None
    placed = bool(place.kind)
    name = ""
    columns: tuple[str, ...] = ()
    if placed and ("two_way_time" in options or "one_way_time" in options):
        name, columns = "checkshots", ("two_way_time", "one_way_time")
    elif placed and "age" in options and "magnetic_susceptibility" not in options:
        name, columns = "ages", ("age", "age_uncertainty")
    elif placed and "salinity" in options and "response" not in options:
        name, columns = "pore_water", ("salinity", "temperature")
    elif _several(options, "upper_end", "lower_end") and "core" not in options:
        if "name" not in options and "lithology" not in options:
            return None
        draft = TableDraft("layers", placed=False)
        draft.add("name", _first(options, "name", "lithology"))
        draft.add("top", options.best("upper_end"))
        draft.add("bottom", options.best("lower_end"))
        if "name" in options:
            draft.add("lithology", options.best("lithology"))
        return draft
    if not name:
        return None
    draft = TableDraft(name)
    for column in columns:
        draft.add(column, options.best(column))
    return draft


def _standards(options: Options, place: Place) -> TableDraft | None:
    """Readings of standards, which have no place in a core."""
    columns: tuple[str, ...]
    if "aluminium_thickness" in options and "counts" in options:
        name, columns = "standards/gamma", ("aluminium_thickness", "bore", "counts")
    elif place.kind or "core" in options:
        return None
    elif _several(options, "length", "travel_time"):
        name, columns = "standards/pwave", ("length", "travel_time")
    elif "response" in options and ("salinity" in options or "conductivity" in options):
        name, columns = "standards/resistivity", ("response", "salinity", "conductivity")
    else:
        return None
    draft = TableDraft(name, placed=False)
    for column in (*columns, "live_time", "real_time", "temperature", "time"):
        if column in TABLES[name].by_name:
            draft.add(column, options.best(column))
    return draft


def _downhole(options: Options, place: Place) -> TableDraft | None:
    if _several(options, "station", "elapsed", "temperature"):
        draft = TableDraft("downhole/formation_temperature", placed=False)
        draft.add("station", options.best("station"))
        draft.add("time", options.best("elapsed"))
        draft.add("temperature", options.best("temperature"))
        return draft
    if _several(options, "station", "tool", "depth"):
        draft = TableDraft("downhole/stations", placed=False)
        for name in ("station", "tool", "depth"):
            draft.add(name, options.best(name))
        return draft
    others = [target for target in options.targets() if target in TERMS and target != "depth"]
    if place.kind == "depth" and "temperature" in options and not others:
        if any(target in options for target in ("counts", "travel_time", "response", "wet_mass")):
            return None
        draft = TableDraft("downhole/temperature_log", placed=False)
        draft.add("depth", place.guess("depth"))
        draft.add("temperature", options.best("temperature"))
        draft.add("u_temperature", options.best("u_temperature"))
        return draft
    return None


# Samples ------------------------------------------------------------------------------------------


def _needle(options: Options, place: Place) -> TableDraft | None:
    if not _several(options, "elapsed", "temperature", "heating_power"):
        return None
    draft = TableDraft("samples/needle")
    draft.add("run", options.best("test_run"))
    draft.add("geometry", options.best("geometry"))
    draft.add("direction", options.best("axis"))
    draft.add("heating_power", options.best("heating_power"))
    draft.add("time", options.best("elapsed"))
    draft.add("temperature", options.best("temperature"))
    return draft


def _consolidation(options: Options, place: Place) -> TableDraft | None:
    if not _several(options, "stress", "step", "void_ratio"):
        return None
    draft = TableDraft("samples/consolidation")
    for name in ("step", "stress", "void_ratio"):
        draft.add(name, options.best(name))
    return draft


def _index_properties(options: Options, place: Place) -> TableDraft | None:
    if not _several(options, "wet_mass", "dry_mass"):
        return None
    draft = TableDraft("samples/index_properties")
    net: list[str] = []
    for name in ("wet_mass", "dry_mass", "wet_volume", "dry_volume"):
        found = options.all(name)
        alone = [guess for guess in found if not _with_container(guess)]
        chosen = Options(alone or found).best(name)
        if chosen is None:
            continue
        if alone:
            net.append(name)
        elif f"container_{name.partition('_')[2]}" not in options:
            chosen = chosen.doubted("the container is included, and no column holds its own")
        draft.add(name, chosen)
    _doubt_heavy_solids(draft)
    for name in ("container_mass", "container_volume"):
        # A container is subtracted from every mass; net masses must not lose it twice.
        if name in options and not any(part.endswith(name.partition("_")[2]) for part in net):
            draft.add(name, options.best(name))
        elif name in options:
            draft.notes.append(f"{name} is not mapped, since the other columns are net values")
    return draft


def _doubt_heavy_solids(draft: TableDraft) -> None:
    """Doubt masses of which the dry one is not the smaller."""
    of = dict(draft.guesses)
    if "wet_mass" in of and "dry_mass" in of:
        difference = of["wet_mass"].values() - of["dry_mass"].values()
        if _middle(difference) <= 0.0:
            draft.doubts.append("dry masses are not below wet masses; check which is which")


def _with_container(guess: Guess) -> bool:
    """Whether the words state that the container is included."""
    return bool(
        re.search(
            r"\b(?:cont|container|beaker|tin|cup|dish|vial|tare|tara|becher|schale|behalter|gross"
            r"|brutto)\b",
            guess.column.words,
        )
    )


def _discrete_velocity(options: Options, place: Place) -> TableDraft | None:
    if not _several(options, "travel_time", "axis") or "length" not in options:
        return None
    draft = TableDraft("samples/velocity")
    for name in ("axis", "length", "travel_time", "temperature"):
        draft.add(name, options.best(name))
    return draft


# Scans --------------------------------------------------------------------------------------------


def _readings(options: Options, place: Place, words: str) -> list[TableDraft]:
    """Tables of raw readings of the sensors."""
    made: list[TableDraft] = []
    for guess in options.all("counts"):
        made += _counts(guess, options, words, {draft.name for draft in made})
    if "travel_time" in options:
        draft = TableDraft("scan/pwave")
        for name in ("travel_time", "travel_time_manual", "amplitude"):
            draft.add(name, options.best(name))
        draft.add("thickness", _first(options, "thickness", "diameter"))
        made.append(draft)
    response = options.best("response")
    if response is not None and (response.column.unit is not None or response.column.stated):
        draft = TableDraft("scan/resistivity")
        if not re.search(r"resist|widerstand", f"{response.column.words} {words}"):
            response = response.doubted("no word states that the signal is one of resistivity")
        draft.add("response", response)
        made.append(draft)
    if "reading" in options and "magnetic_susceptibility" not in options.without(
        options.all("reading")
    ):
        reading = options.best("reading")
        named = reading is not None and (
            re.search("susc|susz|magn", f"{reading.column.words} {words}")
            or re.search(r"\bSI\b", reading.column.unit_text)
        )
        if reading is not None and named:
            draft = TableDraft("scan/susceptibility")
            draft.notes.append(
                "reading is a number in the unit of [susceptibility] unit of the recipe (1e-5 SI "
                "without an entry); the reduction multiplies by it, so do not convert to SI here"
            )
            reading = _in_unit_of_recipe(reading)
            draft.add("reading", reading)
            made.append(draft)
    warmth = options.best("temperature")
    for draft in made:
        if "temperature" in TABLES[draft.name].by_name:
            draft.add("temperature", warmth)
    return made


def _in_unit_of_recipe(reading: Guess) -> Guess:
    """A reading of susceptibility in the unit that the recipe takes without an entry, 10^-5 SI."""
    unit = reading.column.unit
    if unit is None:
        return reading
    written = reading.column.unit_text
    factor = float(f"{unit.factor / 1e-5:.6g}")
    if unit.unit != "1" or unit.factor == 1.0:
        return replace(reading, unit="", factor=1.0).doubted(
            f"{written!r} is written; the reading must be in the unit of the recipe"
        )
    reading = replace(reading, unit="1", factor=factor)
    if factor == 1.0:
        return reading
    return reading.doubted(f"{written!r} is written; the factor leads to 1e-5 SI, not to SI")


def _counts(guess: Guess, options: Options, words: str, made: set[str]) -> list[TableDraft]:
    """The table of one column of counts: gamma attenuation or natural gamma."""
    naturally = r"\b(?:natural|naturlich\w*|naturel\w*|naturlig|total|spectral)\b"
    by_beam = r"\b(?:attenuation|density|transmission|absorption|dichte|densite|densidad|tetthet)\b"
    natural = bool(re.search(naturally, guess.column.words))
    beam = bool(re.search(by_beam, guess.column.words))
    if not natural and not beam and len(options.all("counts")) == 1:
        natural, beam = bool(re.search(naturally, words)), bool(re.search(by_beam, words))
    live, real = _paired(guess, options, "live_time"), _paired(guess, options, "real_time")
    doubt = ""
    if natural == beam:
        time = live or real
        if time is None:
            return []
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = _middle(guess.values() / time.values())
        natural = not rate > _ATTENUATION_RATE
        doubt = (
            f"{rate:g} counts a second were taken as {'natural gamma' if natural else 'a beam'}; "
            "no word states which detector counted"
        )
    draft = TableDraft("scan/natural_gamma" if natural else "scan/gamma")
    if draft.name in made:
        return []
    draft.add("counts", guess)
    draft.add("live_time", live)
    if not natural:
        draft.add("real_time", real)
    else:
        draft.add("detector", options.best("detector"))
    if doubt:
        draft.doubts.append(doubt)
    return [draft]


def _paired(guess: Guess, options: Options, target: str) -> Guess | None:
    """The time of a column of counts: the one that shares most words with it."""
    found = options.all(target)
    if len(found) < 2:
        return options.best(target)
    words = set(guess.column.words.split())
    shared = [len(words & set(other.column.words.split())) for other in found]
    best = max(shared)
    if shared.count(best) == 1 and best > 0:
        return found[shared.index(best)]
    return options.best(target)


# Values that came reduced -------------------------------------------------------------------------


def _reduced_table(place: Place, rows: int, samples: bool) -> tuple[str, list[str]]:
    """Name of the table of reduced values, and notes on how it was chosen."""
    step = typical_step(place)
    if samples or place.guess("to") is not None or "to" in place.from_parts:
        return "samples/reduced", []
    if not np.isfinite(step):
        name = "scan/reduced" if rows >= _SCAN_ROWS else "samples/reduced"
        return name, [f"chosen by {rows} rows; the distance of rows is not known"]
    name = "scan/reduced" if step <= _SCAN_STEP and rows >= _SCAN_ROWS else "samples/reduced"
    words = f"chosen by {rows} rows, typically {step:g} cm apart"
    return name, [words]


def _wide_values(options: Options, place: Place, rows: int, samples: bool) -> TableDraft | None:
    targets = [
        target
        for target in options.targets()
        if (target in TERMS and target not in _NEVER_SUPPLIED) or target == "water_content"
    ]
    if not targets:
        return None
    name, notes = _reduced_table(place, rows, samples)
    draft = TableDraft(name, notes=notes)
    left = options
    # Certain guesses first, so that a weak one does not take their column.
    ranked = sorted(targets, key=lambda target: _rank(options.best(target)))
    for target in ranked:
        guess = left.best(target)
        if guess is None:
            continue
        if target == "water_content":
            guess = guess.doubted("the header does not state whether of wet mass or of solids")
            draft.add("water_content_wet", guess)
        else:
            draft.add(target, guess)
        if column_of(TABLES[name], f"u_{target}") if name in TABLES else None:
            draft.add(f"u_{target}", left.best(f"u_{target}"))
        left = left.without(options.all(target))
    order = {guess.column.header: at for at, guess in enumerate(_in_file_order(options))}
    draft.guesses.sort(key=lambda pair: order.get(pair[1].column.header, 0))
    if name == "scan/reduced" and any(n == "p_wave_velocity" for n, _ in draft.guesses):
        draft.add("amplitude", left.best("amplitude"))
    if draft.guesses:
        draft.add("method", left.best("method"))
    return draft if draft.guesses else None


def _rank(guess: Guess | None) -> tuple[bool, bool]:
    return (guess is None or bool(guess.doubt), guess is not None and guess.weak)


def _in_file_order(options: Options) -> list[Guess]:
    return [guess for target in options.targets() for guess in options.all(target)]


def _long_values(options: Options, place: Place, rows: int, samples: bool) -> TableDraft | None:
    if not _several(options, "quantity", "value", "unit"):
        return None
    name, notes = _reduced_table(place, rows, samples)
    draft = TableDraft(name, notes=notes)
    for column in ("quantity", "value", "unit", "uncertainty", "method"):
        draft.add(column, options.best(column))
    quantity = options.best("quantity")
    if quantity is not None:
        unknown = sorted({cell for cell in quantity.column.cells if cell and cell not in TERMS})
        if unknown:
            shown = ", ".join(map(repr, unknown[:5]))
            draft.doubts.append(f"the words {shown} are no quantities here; give them with map")
    return draft
