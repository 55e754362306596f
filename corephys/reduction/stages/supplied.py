"""Stages of supplied values: published or already reduced, from samples/reduced.csv,
scan/reduced.csv and downhole/temperature_log.csv.

A supplied quantity that was not measured stands where the measured one would stand, so that every
product finds it there. One that was measured as well stands beside it, unless ``[reduction]
supplied`` chooses otherwise.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, series, thresholds, units, vocabulary
from corephys.ground.sensor import core_temperature
from corephys.hole.reading.columns import PLACES
from corephys.hole.reading.supplied import RANDOM, SYSTEMATIC, as_text
from corephys.reduction.context import LOG, Context, Skipped
from corephys.reduction.copies import table_rows
from corephys.reduction.stages.scan import HOMES
from corephys.samples import index_properties as index
from corephys.samples.index_properties.phases import PROPERTIES
from corephys.samples.index_properties.reported import TOLERANCES
from corephys.uncertainty import Measured

__all__ = [
    "conductivities",
    "index_properties",
    "of_samples",
    "of_the_scan",
    "porosity_of_the_scan",
    "reported_values",
    "temperatures",
]

SAMPLES, SCAN = "samples/reduced", "scan/reduced"
_INDEX = "properties/index_properties"
_POROSITY, _DENSITY = "products/porosity", "properties/density"
# Quantities of both tables that wait for the stage that measures them.
_LATER = {
    "thermal_conductivity": "properties/thermal_conductivity",
    "equilibrium_temperature": "properties/formation_temperature",
}

# --------------------------------------------------------------------------------------------------
# Values of a table by quantity, in the units of the vocabulary.


@dataclass
class _Values:
    """Supplied values of one quantity.

    Parameters
    ----------
    name : str
        Quantity.
    rows : (n,) ndarray of int
        Rows of the table that hold a value of it.
    values, u : (n,) ndarray
        Values and random standard uncertainties in the unit of the vocabulary; NaN if not given.
    reason : (n,) ndarray of int64
        Reasons of the row, of the flag that came with it, and ``supplied``.
    effects : dict of str to (n,) ndarray
        Systematic errors by source; NaN where the table gives none.
    methods : list of str
        Words of the column method, each once.
    method : (n,) ndarray of str
        Word of the column method of each row; empty where there is none.
    """

    name: str
    rows: np.ndarray
    values: np.ndarray
    u: np.ndarray
    reason: np.ndarray
    effects: dict[str, np.ndarray]
    methods: list[str]
    method: np.ndarray


def _by_quantity(context: Context, path: str) -> dict[str, _Values]:
    """All values of a table by quantity; empty without the table."""
    table = context.optional(path)
    if table is None:
        return {}
    return context.once(f"values of {path}", lambda: _read(context, table, path))


def _read(context: Context, table: xr.Dataset, path: str) -> dict[str, _Values]:
    """Values in rows and in columns, with doubts about their units noted."""
    found: dict[str, _Values] = {}
    # Cells are numbered by the rows of the file, of which exact copies are left out here.
    place = {int(row): at for at, row in enumerate(table_rows(table, "reading"))}
    cells = [
        (place[row], column)
        for row, column, _ in json.loads(table.attrs.get("bad_cells", "[]"))
        if row in place
    ]
    if "quantity" in table and "value" in table:
        words = table["quantity"].values.astype(str)
        for name in dict.fromkeys(words):
            if name not in vocabulary.TERMS:
                if name:
                    context.note(f"{path}.csv: {name!r} is not a known quantity; left out")
                continue
            rows = np.flatnonzero(words == name)
            found[name] = _in_rows(table, path, name, rows)
    for name in map(str, table.data_vars):
        if name in vocabulary.TERMS and name not in (*PLACES, *found):
            bad = {row for row, column in cells if column == name}
            held = np.flatnonzero(np.isfinite(table[name].values.astype(float)))
            rows = np.array(sorted({*held.tolist(), *bad}), dtype=int)
            if rows.size:
                found[name] = _in_column(table, path, name, rows)
                found[name].reason[np.isin(rows, list(bad))] |= flags.bit("bad_cell")
    for given in found.values():
        _doubt_fractions(context, table, path, given)
        _note_unknown(context, table, path, given)
    return found


def _note_unknown(context: Context, table: xr.Dataset, path: str, given: _Values) -> None:
    """Note uncertainties that are no uncertainties: zero, below zero, or beyond any instrument."""
    name, words = given.name, given.name.replace("_", " ")
    heads = (f"{RANDOM}{name}", f"{SYSTEMATIC}{name}")
    if name not in table:
        heads = ("uncertainty", "systematic_uncertainty")
    for head in heads:
        if head in table:
            rows = given.rows.size
            numbers = table[head].values[given.rows].astype(float)
            count = int((np.isfinite(numbers) & np.isnan(_known(numbers))).sum())
            if count:
                context.note(_unknown_in_words(path, count, rows, f"{head} of {words}"))


def _unknown_in_words(path: str, count: int, rows: int, what: str) -> str:
    return (
        f"{path}.csv: in {count} of {rows} rows {what} is not above zero, or is {_BEYOND:g} or "
        "more; such an uncertainty is not known and stands as NaN. Leave its cell blank"
    )


_BEYOND = thresholds.value("beyond_any_instrument")


def _known(numbers: np.ndarray) -> np.ndarray:
    """Uncertainties as given, NaN where the number is none."""
    return np.where((numbers > 0.0) & (numbers < _BEYOND), numbers, np.nan)


def _in_rows(table: xr.Dataset, path: str, name: str, rows: np.ndarray) -> _Values:
    """The rows of one quantity, each converted from the unit in its row."""
    wanted = vocabulary.TERMS[name].unit
    values, u, systematic = (np.full(rows.size, np.nan) for _ in range(3))
    given = table["unit"].values.astype(str)[rows]
    for unit in dict.fromkeys(given):
        here = given == unit
        values[here] = units.convert(table["value"].values[rows[here]], unit, wanted)
        for column, target in (("uncertainty", u), ("systematic_uncertainty", systematic)):
            if column in table:
                target[here] = _difference(table[column].values[rows[here]], unit, wanted)
    return _values(table, path, name, rows, (values, u, systematic))


def _in_column(table: xr.Dataset, path: str, name: str, rows: np.ndarray) -> _Values:
    """One column named after a quantity, with the columns of its uncertainties and flags."""
    wanted = vocabulary.TERMS[name].unit

    def column(header: str, convert: Callable[[Any, str, str], Any]) -> np.ndarray:
        if header not in table:
            return np.full(rows.size, np.nan)
        here = table[header]
        unit = str(here.attrs.get("units", "1"))
        return np.array(convert(here.values[rows].astype(float), unit, wanted), dtype=float)

    numbers = (
        column(name, units.convert),
        column(f"{RANDOM}{name}", _difference),
        column(f"{SYSTEMATIC}{name}", _difference),
    )
    return _values(table, path, name, rows, numbers, f"{name}_flag")


def _difference(values: Any, unit: str, wanted: str) -> Any:
    """Uncertainties in another unit: the zero of a temperature scale is not added to them."""
    values = _known(np.asarray(values, dtype=float))
    return units.convert(values, units.difference_unit(unit), units.difference_unit(wanted))


def _values(
    table: xr.Dataset,
    path: str,
    name: str,
    rows: np.ndarray,
    numbers: tuple[np.ndarray, np.ndarray, np.ndarray],
    own_flag: str = "",
) -> _Values:
    """Values with reasons; the flag of the row and that of the quantity both count."""
    values, u, systematic = numbers
    reason = np.full(rows.size, flags.bit("supplied"), dtype=np.int64)
    if "reason" in table:
        # Which rows repeat a position depends on the quantity; the row is marked for all of it.
        reason |= table["reason"].values[rows] & ~np.int64(flags.bit("same_position_twice"))
    method = (
        table["method"].values[rows].astype(str) if "method" in table else np.full(rows.size, "")
    )
    reason[_repeated(table.isel(reading=rows), method)] |= flags.bit("same_position_twice")
    for flag in ("flag_as_given", own_flag):
        if flag not in table:
            continue
        words = np.array([as_text(word) for word in table[flag].values[rows].tolist()])
        for level, bit in _OF_FLAG.items():
            reason[np.isin(words, level)] |= flags.bit(bit)
        values = np.where(np.isin(words, ("missing", "9")), np.nan, values)
    methods = [word for word in dict.fromkeys(method.tolist()) if word]
    effects = _effects(path, name, systematic, method)
    return _Values(name, rows, values, u, reason, effects, methods, method)


# Flags that came with a value, as words or numbers, and the reason that gives the same level.
# Good is an evaluation by others: here such a value is not evaluated.
_OF_FLAG = {("suspect", "3"): "disturbed_sample", ("bad", "4"): "excluded_by_user"}


def _effects(
    path: str, name: str, systematic: np.ndarray, method: np.ndarray
) -> dict[str, np.ndarray]:
    """One error shared by the readings of a table, or one for each of its methods.

    An error that the table does not give is NaN. Without it, a product would take the errors that
    it adds itself for all there are.
    """
    source = f"supplied_{'scan_' if path == SCAN else ''}{name}"
    kinds = list(dict.fromkeys(method.tolist()))
    if len(kinds) < 2 or not np.isfinite(systematic).any():
        return {source: systematic}
    found: dict[str, np.ndarray] = {}
    for kind in kinds:
        word = re.sub(r"\W+", "_", kind.lower()).strip("_") or "no_method"
        here = np.where(method == kind, systematic, 0.0)
        key = f"{source}_by_{word}"
        found[key] = found[key] + here if key in found else here
    return found


def _repeated(part: xr.Dataset, method: np.ndarray) -> np.ndarray:
    """Whether another value of a quantity has the same position, run, method and sample_id."""
    # A depth is one place in the hole, whatever the core beside it.
    within = ("core", "section") if "offset" in part.coords else ()
    named = [n for n in (*within, "run", "sample_id") if n in part.coords]
    place = _along(part)
    frame = pd.DataFrame({n: part[n].values for n in named}).assign(place=place, method=method)
    return np.asarray(frame.duplicated(keep=False).to_numpy() & np.isfinite(place))


def _along(table: xr.Dataset) -> np.ndarray:
    """Offset of each row [cm]; its depth [m] where the table or the row has no offset."""
    depth = table["depth"].values.astype(float)
    if "offset" not in table.coords:
        return depth
    offset = table["offset"].values.astype(float)
    return np.where(np.isnan(offset), depth, offset)


def _doubt_fractions(context: Context, table: xr.Dataset, path: str, given: _Values) -> None:
    """Doubt fractions in per cent, and per cent without its unit; nothing is converted."""
    term = vocabulary.TERMS[given.name]
    known = np.isfinite(given.values)
    if given.name not in _IN_PERCENT or not known.any():
        return
    words = given.name.replace("_", " ")
    above = int((given.values[known] > term.possible[1]).sum())
    if above:
        context.note(
            f"{path}.csv: {above} of {int(known.sum())} values of {words} are above "
            f"{term.possible[1]:g} and are flagged impossible_value; give per cent the unit %"
        )
    in_percent = _unit_of(table, given) == "%"
    small = known & in_percent & (given.values <= 0.01)
    if small.any() and small.sum() == (known & in_percent).sum():
        given.reason[small] |= flags.bit("out_of_usual_range")
        context.note(
            f"{path}.csv: no value of {words} is above 1 %; they are flagged out_of_usual_range. "
            "If they are fractions, give them the unit 1"
        )


# Fractions that are often published in per cent.
_IN_PERCENT = ("porosity", "water_content_wet", "water_content_dry", "saturation")


def _unit_of(table: xr.Dataset, given: _Values) -> np.ndarray:
    """Unit of each value as the table gives it."""
    if given.name in table:
        return np.full(given.rows.size, str(table[given.name].attrs.get("units", "1")))
    return np.asarray(table["unit"].values.astype(str)[given.rows])


# --------------------------------------------------------------------------------------------------
# Values as results: a series of one quantity, or several quantities of the same samples.


def _series(table: xr.Dataset, path: str, given: _Values) -> xr.Dataset:
    """Supplied values of one quantity as a series with flags."""
    part = table.isel(reading=given.rows)
    here = _at(part, given.values)
    effects = {source: here.copy(data=effect) for source, effect in given.effects.items()}
    measured = Measured(here, given.u, effects, here.copy(data=given.reason))
    return _built(path, {given.name: measured}, [given])


def _at(part: xr.Dataset, values: np.ndarray) -> xr.DataArray:
    """Values at the positions of rows of a table; a core that no row names is left out."""
    places = {name: coordinate.variable for name, coordinate in part.coords.items()}
    if "core" in places and not (part["core"].values != "").any():
        places = {name: places[name] for name in places if name not in _IN_CORE}
    return xr.DataArray(values, dims="reading", coords=places)


_IN_CORE = ("core", "section", "offset", "offset_closed")


def _built(path: str, measured: dict[str, Measured], given: Iterable[_Values]) -> xr.Dataset:
    """A result that names its file and methods."""
    steps = []
    methods = {}
    for one in given:
        words = one.name.replace("_", " ")
        by = f", method {' and '.join(one.methods)}" if one.methods else ""
        steps.append(f"{words} supplied already reduced in {path}.csv{by}")
        if one.methods:
            methods[one.name] = "; ".join(one.methods)
    found = series.build(measured, steps=tuple(steps), supplied_from=f"{path}.csv")
    for name, words in methods.items():
        found[name].attrs["method"] = words
    return found


def _together(table: xr.Dataset, path: str, given: Mapping[str, _Values]) -> xr.Dataset:
    """Several quantities of samples as one series: values at one position make one reading.

    The second value of a quantity at one position belongs to a second reading. There, values of
    one method belong together, and of one method those of one row.
    """
    place = _places(table)
    frame = pd.concat(
        [
            pd.DataFrame({"name": n, "row": one.rows, "at": place[one.rows], "method": one.method})
            for n, one in given.items()
        ],
        ignore_index=True,
    )
    twice = frame.duplicated(["name", "at"], keep=False).groupby(frame["at"]).transform("any")
    frame["method"] = frame["method"].where(twice, "")
    within = ["at", "method"]
    shared = frame.duplicated("row", keep=False).groupby([frame[w] for w in within])
    turn = frame.groupby(["name", *within], sort=False).cumcount()
    frame["turn"] = turn.where(~(twice & shared.transform("any")), frame["row"])
    rows = [frame[frame["name"] == name] for name in given]
    keys = frame.groupby([*within, "turn"], sort=False)["row"].min().sort_values(kind="stable")
    number = pd.Series(np.arange(len(keys)), index=keys.index)
    part = table.isel(reading=keys.to_numpy())
    measured = {}
    for (name, one), placed in zip(given.items(), rows, strict=True):
        to = number.loc[pd.MultiIndex.from_frame(placed[[*within, "turn"]])].to_numpy()
        values, u = np.full(len(keys), np.nan), np.full(len(keys), np.nan)
        reason = np.full(len(keys), flags.bit("supplied"), dtype=np.int64)
        values[to], u[to], reason[to] = one.values, one.u, one.reason
        here = _at(part, values)
        effects = {}
        for source, effect in one.effects.items():
            full = np.full(len(keys), np.nan)
            full[to] = effect
            effects[source] = here.copy(data=full)
        measured[name] = Measured(here, u, effects, here.copy(data=reason))
    return _built(path, measured, given.values())


def _places(table: xr.Dataset) -> np.ndarray:
    """A whole number for the position of each row, equal for rows of one sample."""
    named = ("core", "section", "run", "sample_id")
    columns = {name: table[name].values for name in named if name in table.coords}
    frame = pd.DataFrame({**columns, "place": _along(table)})
    if "to" in table:
        frame["to"] = table["to"].values
    return np.asarray(frame.groupby(list(frame.columns), dropna=False, sort=False).ngroup())


def _keep(context: Context, home: str, beside: str, found: xr.Dataset) -> None:
    """Put a supplied result where products find it, or beside the measured one."""
    choice = context.recipe["reduction"]["supplied"]
    held = context.results.get(home)
    names = [str(name) for name in found.data_vars if str(name) in vocabulary.TERMS]
    words = " and ".join(name.replace("_", " ") for name in names)
    file = found.attrs["supplied_from"]
    if held is not None and "supplied_from" not in held.attrs and not _has_numbers(held, names):
        # The measured readings are kept, but none of them is a number that a product could use.
        context.results[_measured(home)] = held
        held = None
    if choice == "beside":
        context.results[beside] = found
        context.note(
            f"{file}: {words} kept in {beside}; [reduction] supplied = 'beside' leaves supplied "
            "values out of all products"
        )
    elif held is None:
        context.results[home] = found
    elif choice == "instead" and "supplied_from" not in held.attrs:
        context.results[_measured(home)] = held
        context.results[home] = found
        context.note(
            f"{file}: {words} used in place of the measured values, which are in "
            f"{_measured(home)}; [reduction] supplied = 'instead'"
        )
    else:
        context.results[beside] = found
        other = held.attrs.get("supplied_from", "measured values")
        context.note(f"{file}: {words} kept in {beside}; the products use the {other}")


def _has_numbers(held: xr.Dataset, names: list[str]) -> bool:
    """Whether a result holds a number of one of the quantities."""
    return any(n in held and bool(np.isfinite(held[n].values).any()) for n in names)


def _measured(home: str) -> str:
    folder, _, name = home.rpartition("/")
    return f"{folder}/measured_{name}"


def _beside(path: str, name: str) -> str:
    return f"properties/supplied_{'samples_' if path == SAMPLES else ''}{name}"


# --------------------------------------------------------------------------------------------------
# The stages, each after the one that measures the same quantities.


def index_properties(context: Context) -> None:
    """Supplied densities, porosity, void ratio and water contents of samples."""
    given = _by_quantity(context, SAMPLES)
    own = {name: given[name] for name in PROPERTIES if name in given}
    if own:
        found = _together(context.table(SAMPLES), SAMPLES, own)
        _keep(context, _INDEX, "properties/supplied_index_properties", found)


def of_the_scan(context: Context) -> None:
    """Supplied series of the scan, in rows or in columns; those that come later are left."""
    given = _by_quantity(context, SCAN)
    if not given:
        if context.optional(SAMPLES) is not None:
            return
        if context.optional(SCAN) is None:
            raise Skipped(f"no table {SCAN}.csv and no table {SAMPLES}.csv")
        context.note(f"{SCAN}.csv holds no known quantity")
        return
    table = context.table(SCAN)
    for name, one in given.items():
        if name in (*_LATER, "porosity"):
            continue
        with context.part(f"supplied values: {name.replace('_', ' ')}"):
            found = _series(table, SCAN, one)
            home = HOMES.get(name, f"properties/{name}")
            if name == "formation_factor" and "resistivity_temperature" in context.objects:
                home = _beside(SCAN, name)  # that of the measured resistivity is computed later
            _keep(context, home, _beside(SCAN, name), found)
            if name == "p_wave_velocity":
                context.objects["supplied_velocity_rows"] = one.rows
            if name == "electrical_resistivity" and context.results.get(home) is found:
                _resistivity_temperature(context, table, one, found)


def _resistivity_temperature(
    context: Context, table: xr.Dataset, given: _Values, found: xr.Dataset
) -> None:
    """Temperature of the core at the resistivities, for the formation factor."""
    if "temperature" not in table:
        return
    part, here = table.isel(reading=given.rows), found["electrical_resistivity"]
    context.objects["resistivity_temperature"] = core_temperature(context, part, here)
    blank = int(np.isnan(part["temperature"].values).sum())
    if blank:
        context.note(
            f"{SCAN}.csv: {blank} resistivities without a temperature take that of the laboratory"
        )


def of_samples(context: Context) -> None:
    """Supplied quantities of samples other than index properties.

    A quantity of a sensor stands in place of a scan that the hole does not have.
    """
    given = _by_quantity(context, SAMPLES)
    for name, one in given.items():
        if name in (*_LATER, *PROPERTIES):
            continue
        with context.part(f"supplied values of samples: {name.replace('_', ' ')}"):
            home = HOMES.get(name, f"properties/{name}")
            found = _series(context.table(SAMPLES), SAMPLES, one)
            if home in context.results or (
                name == "formation_factor" and "resistivity_temperature" in context.objects
            ):
                home = _beside(SAMPLES, name)  # never in place of a scan
            _keep(context, home, _beside(SAMPLES, name), found)


def _later(context: Context, name: str) -> None:
    """One quantity of both tables that has one home; samples go before the scan."""
    for path in (SAMPLES, SCAN):
        given = _by_quantity(context, path).get(name)
        if given is None:
            continue
        table = context.table(path)
        found = _series(table, path, given)
        if name == "thermal_conductivity" and "direction" in table:
            words = table["direction"].values[given.rows]
            found = found.assign_coords(direction=("reading", words, {"long_name": "direction"}))
        if name == "equilibrium_temperature":
            # It was measured below the cores, so that its depth does not err with a core's.
            found = found.drop_vars([c for c in _IN_CORE if c in found.coords])
        _keep(context, _LATER[name], _beside(path, name), found)


def conductivities(context: Context) -> None:
    """Supplied thermal conductivities."""
    _later(context, "thermal_conductivity")


def temperatures(context: Context) -> None:
    """Supplied formation temperatures, and the temperatures of a continuous log."""
    _later(context, "equilibrium_temperature")
    log = context.optional("downhole/temperature_log")
    if log is None:
        return
    here = _at(log, log["temperature"].values.astype(float))
    reason = log["reason"].values | np.int64(flags.bit("supplied"))
    u = np.full(here.size, np.nan)
    if "u_temperature" in log:
        given_u = log["u_temperature"].values.astype(float)
        u = _known(given_u)
        count = int((np.isfinite(given_u) & np.isnan(u)).sum())
        if count:
            context.note(
                _unknown_in_words("downhole/temperature_log", count, u.size, "u_temperature")
            )
    context.results[LOG] = series.build(
        {"equilibrium_temperature": Measured(here, u, {}, here.copy(data=reason))},
        steps=("temperatures of the log as supplied, not corrected to equilibrium",),
        supplied_from="downhole/temperature_log.csv",
        status=LOG_STATE,
    )
    if not np.isfinite(u).any():
        context.note(
            "downhole/temperature_log.csv has no u_temperature: the random uncertainty of a heat "
            "flow from it is unknown"
        )


LOG_STATE = (
    "temperatures of a log as supplied, with no correction to equilibrium: fluid that circulated "
    "in the hole, or drilling, may have changed them"
)


def porosity_of_the_scan(context: Context) -> bool:
    """Put a supplied porosity of the scan in its place; True if it stands there.

    A porosity that the scan measured goes before it. A supplied one goes before a porosity that
    would be computed from a supplied density.
    """
    given = _by_quantity(context, SCAN).get("porosity")
    if given is None:
        return False
    found = _series(context.table(SCAN), SCAN, given)
    density = context.results.get(_DENSITY)
    choice = context.recipe["reduction"]["supplied"]
    measured = density is not None and "supplied_from" not in density.attrs
    if choice == "beside" or (choice == "fill" and measured):
        context.results[_beside(SCAN, "porosity")] = found
        context.note(
            f"{SCAN}.csv: porosity kept in {_beside(SCAN, 'porosity')}; [reduction] supplied = "
            f"{choice!r}"
        )
        return False
    context.results[_POROSITY] = found
    if density is not None:
        context.note(
            f"{SCAN}.csv: its porosity is used; none is computed from the density of the scan"
        )
    return True


# --------------------------------------------------------------------------------------------------
# Reported values of samples beside the masses from which they can be computed again.


def reported_values(context: Context) -> None:
    """Compare reported values of samples with those that their masses give, and flag outliers."""
    table = context.optional("samples/index_properties")
    home = next((p for p in (_measured(_INDEX), _INDEX) if p in context.results), None)
    if table is None or home is None or "supplied_from" in context.results[home].attrs:
        return
    measured = context.results[home]
    reported = {**_beside_masses(context, table), **_in_columns(table)}
    if not reported:
        return
    like = measured["bulk_density"]
    arrays = {
        name: like.copy(data=values).assign_attrs(units=vocabulary.TERMS[name].unit)
        for name, values in reported.items()
    }
    compared = index.consistency(measured, **arrays)
    out = xr.Dataset(attrs={"compared_with": home, "steps": json.dumps([_COMPARISON])})
    apart, least = np.zeros(like.size, dtype=bool), np.zeros(like.size, dtype=bool)
    shifted = False
    for name, values in reported.items():
        words = vocabulary.TERMS[name].long_name
        unit = vocabulary.TERMS[name].unit
        out[f"{name}_reported"] = (
            "reading",
            values,
            {"units": unit, "long_name": f"{words}, as reported"},
        )
        # A variable of its own: that of the comparison must not get the tolerance as well.
        out[f"{name}_difference"] = compared[f"{name}_difference"].variable.copy()
        out[f"{name}_difference"].attrs["tolerance"] = _tolerance(name)
        differs = compared[f"{name}_difference"].values
        known = np.isfinite(differs)
        apart |= np.abs(differs) > _tolerance(name)
        least |= known
        middle = abs(float(np.median(differs[known]))) if known.any() else 0.0
        shifted |= middle > thresholds.value("reported_shift") * _tolerance(name)
    out["agrees"] = (
        "reading",
        (least & ~apart).astype(np.int8),
        {"units": "1", "long_name": "1 where the reported values follow from the masses"},
    )
    out = out.assign_coords({k: c.variable for k, c in measured.coords.items() if k != "source"})
    out = out.isel(reading=np.flatnonzero(least))
    if not out.sizes["reading"]:
        return
    context.results["properties/reported_values"] = out
    count, total = int(apart.sum()), int(least.sum())
    shown = ", ".join(name.replace("_", " ") for name in reported)
    # Slips differ from sample to sample; other constants shift most samples to one side.
    if shifted or count > thresholds.value("reported_share") * total:
        context.note(
            f"reported values of samples ({shown}): {count} of {total} differ from what the masses "
            "give, too many or too much alike for slips: the report used other constants, and no "
            "sample is flagged. cp.index_properties.find_constants finds the constants"
        )
        return
    context.note(
        f"reported values of samples ({shown}): {count} of {total} differ from what the masses "
        "give" + ("; these samples are flagged inconsistent_masses" if count else "")
    )
    kept = [n for n in compared.data_vars if not str(n).endswith("_difference") or n in measured]
    context.results[home] = compared[kept]


_COMPARISON = "reported value less the value computed from the masses"


def _tolerance(name: str) -> float:
    unit = vocabulary.TERMS[name].unit
    return float(units.as_floats(TOLERANCES[name], unit, f"tolerance of {name}"))


def _in_columns(table: xr.Dataset) -> dict[str, np.ndarray]:
    """Reported values in columns of the table of masses itself, by quantity."""
    found = {}
    for name in TOLERANCES:
        if name not in table or table[name].dtype.kind != "f":
            continue
        unit = str(table[name].attrs.get("units", "1"))
        found[name] = np.asarray(
            units.convert(table[name].values, unit, vocabulary.TERMS[name].unit), dtype=float
        )
    return {name: values for name, values in found.items() if np.isfinite(values).any()}


def _beside_masses(context: Context, table: xr.Dataset) -> dict[str, np.ndarray]:
    """Values of samples/reduced.csv at the positions of the masses, by quantity.

    A position that either table holds twice has no single partner and is not compared.
    """
    given = _by_quantity(context, SAMPLES)
    names = [name for name in TOLERANCES if name in given]
    if not names:
        return {}
    own = _position_keys(table)
    other = _position_keys(context.table(SAMPLES))
    if own is None or other is None:
        return {}
    once = ~pd.Index(own).duplicated(keep=False)
    found = {}
    for name in names:
        one = given[name]
        keys = pd.Index([other[row] for row in one.rows])
        single = ~keys.duplicated(keep=False)
        at = pd.Series(one.values[single], index=keys[single]).reindex(own).to_numpy()
        values = np.where(once, at, np.nan)
        if np.isfinite(values).any():
            found[name] = values
    return found


def _position_keys(table: xr.Dataset) -> list[tuple[Any, ...]] | None:
    """Position of each row, rounded to a tenth of a millimetre; None without one."""
    if "offset" in table.coords:
        names, last, factor = ("core", "section"), table["offset"].values, 100.0
    elif "depth" in table.coords:
        names, last, factor = (), table["depth"].values, 1e4
    else:
        return None
    columns = [table[name].values.tolist() for name in names]
    rounded = np.round(np.nan_to_num(last.astype(float), nan=-1e9) * factor).tolist()
    return list(zip(*columns, rounded, strict=True))
