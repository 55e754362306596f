"""What the record of a sensor holds: everything that other rooms need of it, as plain data.

A sensor of the scan is described in one place, the record at the end of its module. Reading,
vocabulary, recipe, stages, quality, figures and archive take their part from there.
"""

from __future__ import annotations

import inspect
import json
import math
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NoReturn, Protocol

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, thresholds, units
from corephys.ground.choices import choice
from corephys.ground.provenance import SourcedText
from corephys.ground.vocabulary import Term
from corephys.uncertainty.sources import RandomPart, Source

if TYPE_CHECKING:
    import pint

__all__ = [
    "CELSIUS",
    "ROOM",
    "Column",
    "FittedConstant",
    "Option",
    "RandomPart",
    "Reduction",
    "Sensor",
    "Source",
    "Stage",
    "TableFormat",
    "Term",
    "Track",
    "coefficients",
    "constant_text",
    "core_temperature",
    "keep_constants",
    "number",
    "of_kind",
    "option_from",
    "optional",
    "over_usual",
    "scalar",
    "series_like",
    "standard_uncertainties",
    "text",
    "uncertainty_text",
    "with_bits",
    "with_reason",
]

# --------------------------------------------------------------------------------------------------
# Columns of its tables.

_NEEDS = ("key", "required", "optional")


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name in the header, before the bracket.
    kind : {"text", "number", "time"}
        ``time`` is a date and time in ISO 8601.
    unit : str or None
        Unit in which a number is stored; ``"1"`` for a pure number, which needs no bracket; None
        where any unit will do.
    need : {"key", "required", "optional"}
        A key column must be there and may not hold an empty cell; a required one must be there.
    choices : tuple of str
        The legal words of a text column, empty where any will do.
    solid : bool
        The geometry depends on it: a cell that is no number is a fault of structure.
    least, greatest : float
        Numbers outside are bad cells; in ``unit``.
    former : tuple of (str, str)
        Words of an earlier version that are still read, each with the present word.
    """

    name: str
    kind: str
    unit: str | None = ""
    need: str = "required"
    choices: tuple[str, ...] = ()
    solid: bool = False
    least: float = -math.inf
    greatest: float = math.inf
    former: tuple[tuple[str, str], ...] = ()

    @property
    def header(self) -> str:
        """How the header is written."""
        return f"{self.name} [{self.unit}]" if self.unit not in ("", "1", None) else self.name


def text(name: str, *choices: str, need: str = "required") -> Column:
    """A column of words.

    Parameters
    ----------
    name : str
        Name in the header.
    *choices : str
        The legal words; any where none is given.
    need : {"key", "required", "optional"}
        Whether the column must be there.

    Returns
    -------
    Column
        Of kind text, without a unit.
    """
    return Column(name, "text", "", choice(need, _NEEDS, "need"), choices)


def number(name: str, unit: str | None = "1", need: str = "required") -> Column:
    """A column of numbers.

    Parameters
    ----------
    name : str
        Name in the header, before the bracket.
    unit : str or None
        Unit in which the numbers are stored, ``"1"`` for pure numbers; None where any will do.
    need : {"key", "required", "optional"}
        Whether the column must be there.

    Returns
    -------
    Column
        Of kind number.
    """
    return Column(name, "number", unit, choice(need, _NEEDS, "need"))


def optional(*columns: Column) -> tuple[Column, ...]:
    """Columns that a table may lack.

    Parameters
    ----------
    *columns : Column
        With name and unit of each.

    Returns
    -------
    tuple of Column
        The same columns, none of them required.
    """
    return tuple(replace(column, need="optional") for column in columns)


# Temperatures outside of these are slips of the pen or of the unit, and become bad cells.
CELSIUS = replace(
    number("temperature", "degC"),
    least=thresholds.value("coldest_temperature"),
    greatest=thresholds.value("hottest_formation"),
)
ROOM = replace(CELSIUS, greatest=thresholds.value("hottest_room"))


@dataclass(frozen=True)
class TableFormat:
    """The columns of a sensor's own table.

    Every table of the scan has core, section, offset, depth, run, time and set as well, and every
    table of standards kind, set, time, liner and temperature: they are not repeated here.

    Parameters
    ----------
    columns : tuple of Column
        What the sensor writes.
    keys : tuple of str
        Columns that, besides position and run, distinguish two rows.
    one_of : tuple of tuples of str
        From each group at least one column must be there.
    number_prefixes : tuple of str
        Further columns that begin so are pure numbers.
    """

    columns: tuple[Column, ...]
    keys: tuple[str, ...] = ()
    one_of: tuple[tuple[str, ...], ...] = ()
    number_prefixes: tuple[str, ...] = ()


# --------------------------------------------------------------------------------------------------
# Its part of a reduction.


@dataclass(frozen=True)
class Option:
    """One choice of a recipe.

    Parameters
    ----------
    default : str, float, bool or None
        None stands for unknown: an uncertainty becomes NaN, a setting is found from the data.
    kind : str
        A unit, or ``"number"``, ``"switch"``, ``"time"``, ``"levels"``, ``"curves"``,
        ``"log_files"``, ``"windows"``, or the legal words separated by ``|``.
    meaning : str
        One line for the reader of a recipe.
    taken_from : str
        Function and argument whose default this is; empty for an option of the recipe itself.
    """

    default: Any
    kind: str
    meaning: str
    taken_from: str = ""


def option_from(function: Callable[..., Any], argument: str, kind: str, meaning: str) -> Option:
    """An option that is an argument of a function: its default is read there.

    Parameters
    ----------
    function : callable
        Function, or class, that the option is handed to.
    argument : str
        Name of its argument.
    kind : str
        Kind of the option.
    meaning : str
        One line for the reader of a recipe.

    Returns
    -------
    Option
        With the default of the argument.
    """
    default = inspect.signature(function).parameters[argument].default
    if isinstance(default, constants.Constant):
        default = SourcedText(str(default), "constant", constant=default)
    elif kind == "number" and isinstance(default, int) and not isinstance(default, bool):
        # A number of the recipe is written with a decimal point in JSON, whatever it counts.
        default = float(default)
    place = f"{function.__module__}.{function.__qualname__}"
    return Option(default, kind, meaning, f"{place}({argument})")


def constant_text(name: str, text: str = "") -> SourcedText:
    """Text of a constant as a default; it stays known as that constant.

    Parameters
    ----------
    name : str
        Row of :mod:`corephys.ground.constants`.
    text : str
        The same value in another unit, where that reads better.

    Returns
    -------
    SourcedText
        Such as ``"8 mm"``.
    """
    row = constants.CONSTANTS[name]
    return SourcedText(text or str(row), "constant", constant=row)


def uncertainty_text(name: str) -> str:
    """Standard uncertainty of a constant as a default.

    Parameters
    ----------
    name : str
        Row of :mod:`corephys.ground.constants`.

    Returns
    -------
    str
        Number and unit, such as ``"0.05 g/cm^3"``.
    """
    row = constants.CONSTANTS[name]
    return f"{row.uncertainty:g} {row.unit}"


class Reduction(Protocol):
    """What a stage receives: the hole, the recipe, and the results of earlier stages."""

    results: dict[str, xr.Dataset]
    notes: list[str]
    objects: dict[str, Any]

    @property
    def hole(self) -> xr.DataTree:
        """The hole as read."""

    @property
    def recipe(self) -> Mapping[str, Mapping[str, Any]]:
        """The complete recipe: section to key to value."""

    @property
    def levels(self) -> tuple[str, ...]:
        """Flag levels that products may use."""

    def table(self, path: str) -> xr.Dataset:
        """A table of the hole; the stage is skipped where it is missing or empty."""

    def optional(self, path: str) -> xr.Dataset | None:
        """A table of the hole, or None where it is missing or empty."""

    def result(self, path: str) -> xr.Dataset:
        """A result of an earlier stage; the stage is skipped where there is none."""

    def porosity(self) -> xr.Dataset:
        """Porosity of the scan or of supplied samples; the stage is skipped without either."""

    def density(self) -> xr.Dataset:
        """Density of the scan or of supplied samples; the stage is skipped without either."""

    def geometry(self, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Core diameter and bore [mm] and density of the annulus [g/cm^3] of every reading."""

    def section_values(self, table: xr.Dataset, column: str, default: float | str) -> np.ndarray:
        """A column of sections.csv for every reading of a table; the default where missing."""

    def layer_names(self, dataset: xr.Dataset) -> np.ndarray:
        """Name of the layer of every reading, by depth; "all" without a table of layers."""

    def below_seafloor(
        self, dataset: xr.Dataset
    ) -> tuple[xr.DataArray, xr.DataArray, pint.Quantity]:
        """In-situ temperature [degC] and pressure [dbar] of every reading, and the standard
        uncertainty of the temperature; the stage is skipped where the hole does not give them."""

    def note(self, words: str) -> None:
        """Add a note for the reader of the summary, once."""

    def part(self, name: str) -> AbstractContextManager[None]:
        """A part of the stage that may fail while the rest goes on."""

    def skip(self, words: str) -> NoReturn:
        """Skip the stage; the words state what is missing."""


@dataclass(frozen=True)
class Stage:
    """One step of the reduction.

    Parameters
    ----------
    name : str
        Plain words; the summary and the lineage use them.
    run : callable
        Takes the :class:`Reduction` and writes into its ``results``.
    after : str
        Name of the stage that it follows directly. Without it the stage runs with the other
        readings of the scan, before values are flagged, in the order of registration.
    """

    name: str
    run: Callable[[Any], None]
    after: str = ""


# Values that check a standard, their random standard uncertainty (None for that of the scatter),
# their unit, and what they are; None where nothing can be checked.
Check = Callable[[Any, xr.Dataset], tuple[np.ndarray, np.ndarray | None, str, str] | None]


# --------------------------------------------------------------------------------------------------
# Steps that the stages of several sensors share.


def series_like(series: xr.DataArray, values: np.ndarray, unit: str) -> xr.DataArray:
    """Values at the positions of a series, with their unit.

    Parameters
    ----------
    series : DataArray, (reading)
        Its coordinates are taken, its values are not.
    values : ndarray, (reading)
        Values in ``unit``.
    unit : str
        Unit of the values.

    Returns
    -------
    DataArray, (reading)
        Values with their unit.
    """
    return series.copy(deep=False, data=np.asarray(values, dtype=float)).assign_attrs(units=unit)


def with_reason(dataset: xr.Dataset, name: str, where: np.ndarray, reason: str) -> xr.Dataset:
    """A series with one more reason where it applies, and flags to match.

    Parameters
    ----------
    dataset : Dataset, (reading)
        Holds the quantity ``name`` with its reasons and flags.
    name : str
        Quantity of the vocabulary.
    where : ndarray of bool, (reading)
        Readings that the reason applies to.
    reason : str
        One of ``flags.REASONS``.

    Returns
    -------
    Dataset, (reading)
        The same values; a copy where a reason was added.
    """
    return with_bits(dataset, name, np.where(where, flags.bit(reason), 0))


def with_bits(dataset: xr.Dataset, name: str, bits: np.ndarray) -> xr.Dataset:
    """A series with more bits in its reasons, and flags to match."""
    if not np.any(bits):
        return dataset
    held = dataset.variables
    masks = held[f"{name}_reason"].values | bits
    parts = {"reason": masks, "flag": flags.from_reason(masks)}
    # A copy of the DataArrays would copy their positions too, text by text.
    return dataset.assign(
        {
            f"{name}_{part}": held[f"{name}_{part}"].copy(deep=False, data=values)
            for part, values in parts.items()
        }
    )


def of_kind(table: xr.Dataset, kind: str, otherwise: str = "standard") -> xr.Dataset:
    """Rows of one kind in a table of standards.

    Parameters
    ----------
    table : Dataset, (row)
        Table of standards, with or without the column kind.
    kind : {"standard", "blank", "check"}
        Kind of the rows that are returned.
    otherwise : str
        Kind that an empty cell stands for, and that of all rows of a table without the column.

    Returns
    -------
    Dataset, (row)
        The rows of that kind; none where there is no such row.
    """
    kind = choice(kind, ("standard", "blank", "check"), "kind")
    if "kind" not in table:
        return table if kind == otherwise else table.isel(row=[])
    kinds = table["kind"].values
    return table.isel(row=(kinds == kind) | ((kinds == "") & (kind == otherwise)))


def scalar(recipe: Mapping[str, Mapping[str, Any]], stage: str, key: str, unit: str) -> float:
    """A dimensional value of the recipe as a float."""
    return float(units.as_floats(recipe[stage][key], unit, f"[{stage}] {key}"))


def core_temperature(context: Reduction, table: xr.Dataset, here: xr.DataArray) -> xr.DataArray:
    """Temperature of the core at every reading; the laboratory's where it was not measured."""
    room = scalar(context.recipe, "hole", "laboratory_temperature", "degC")
    if "temperature" not in table:
        return series_like(here, np.full(here.size, room), "degC")
    warm = table["temperature"].values.astype(float)
    return series_like(here, np.where(np.isnan(warm), room, warm), "degC")


# Symbol, meaning, value, standard uncertainty and unit of a constant that was fitted to standards.
FittedConstant = tuple[str, str, float, float, str]


def keep_constants(
    dataset: xr.Dataset, rows: list[FittedConstant], standards: int, chi_square: float
) -> None:
    """Write fitted constants into the attributes of a result.

    Parameters
    ----------
    dataset : Dataset
        Result that they belong to; changed in place.
    rows : list of (symbol, meaning, value, standard uncertainty, unit)
        Fitted constants; NaN for an unknown uncertainty.
    standards : int
        Number of standards in the fit.
    chi_square : float
        Reduced chi-square; NaN where there is none.
    """
    known = [
        [symbol, meaning, *(float(x) if np.isfinite(x) else None for x in (value, u)), unit]
        for symbol, meaning, value, u, unit in rows
    ]
    chi = float(chi_square) if np.isfinite(chi_square) else None
    dataset.attrs["fitted_constants"] = json.dumps(
        {"rows": known, "standards": int(standards), "reduced_chi_square": chi}
    )


def standard_uncertainties(covariance: np.ndarray) -> np.ndarray:
    """Standard uncertainties; NaN where rounding makes a variance negative."""
    variance = np.diag(covariance)
    return np.sqrt(np.where(variance >= 0.0, variance, np.nan))


def over_usual(values: np.ndarray) -> np.ndarray:
    """Values over the median of the first of them."""
    known = values[np.isfinite(values)]
    first = known[: thresholds.count("control_chart_usual")]
    usual = float(np.median(first)) if known.size else np.nan
    return values / (usual if usual != 0.0 else np.nan)  # no ratio to zero


def coefficients(
    values: np.ndarray, covariance: np.ndarray, meanings: tuple[str, ...], unit: tuple[str, ...]
) -> list[FittedConstant]:
    """The fitted coefficients; a coefficient that was held at zero is left out."""
    u = standard_uncertainties(covariance)
    return [(f"c{i}", meanings[i], float(values[i]), float(u[i]), unit[i]) for i in range(u.size)]


# --------------------------------------------------------------------------------------------------
# Its looks, and the record itself.


@dataclass(frozen=True)
class Track:
    """How figures draw a series of the sensor.

    Parameters
    ----------
    colour : str
        Colour of its points, as ``"#7A4E9E"``.
    logarithmic : bool
        A logarithmic axis where all usable values are positive and span more than a factor of 5:
        for quantities of which a few beds outweigh all others.
    """

    colour: str = "black"
    logarithmic: bool = False


@dataclass(frozen=True)
class Sensor:
    """One sensor of the scan.

    Parameters
    ----------
    name : str
        Name of its tables (``scan/<name>.csv``, ``standards/<name>.csv``) and of its section in
        the recipe: small letters, digits and single underscores.
    quantity : str
        Quantity of the vocabulary that it gives.
    scan : TableFormat
        Columns of its readings.
    standards : TableFormat, optional
        Columns of its standards; no such table without it.
    terms : tuple of Term
        Quantities that it adds to the vocabulary, its own first.
    sources : tuple of Source
        Sources of systematic error that it adds.
    random : tuple of RandomPart
        What the random part of its quantities stems from.
    options : mapping of str to Option
        Its section of the recipe.
    quality_options : mapping of str to Option
        What it adds to the section ``[quality]``.
    response_width : tuple of str
        Section and key of the option that holds the width of its response along the core.
    stages : tuple of Stage
        Its steps in a reduction.
    check : callable, optional
        Takes the reduction and the rows of kind check of its standards; returns values, random
        uncertainty, unit and words for a control chart.
    warms_up : bool
        Whether a core that has not come to room temperature is flagged.
    path : str
        Where the series stands in a reduced hole; ``properties/<name>`` where not given.
    archive_unit : str
        Unit in the header of an archive's summary, where it is spelled in another way than in the
        vocabulary.
    track : Track
        How figures draw it.
    """

    name: str
    quantity: str
    scan: TableFormat
    standards: TableFormat | None = None
    terms: tuple[Term, ...] = ()
    sources: tuple[Source, ...] = ()
    random: tuple[RandomPart, ...] = ()
    options: Mapping[str, Option] = field(default_factory=dict)
    quality_options: Mapping[str, Option] = field(default_factory=dict)
    response_width: tuple[str, str] = ("", "")
    stages: tuple[Stage, ...] = ()
    check: Check | None = None
    warms_up: bool = False
    path: str = ""
    archive_unit: str = ""
    track: Track = field(default_factory=Track)

    def __post_init__(self) -> None:
        # Frozen, so that the default is set past the lock.
        object.__setattr__(self, "path", self.path or f"properties/{self.name}")

    @property
    def term(self) -> Term | None:
        """Row of its quantity, None where the record lacks it."""
        return next((term for term in self.terms if term.name == self.quantity), None)
