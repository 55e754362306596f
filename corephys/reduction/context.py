"""State of a reduction that every stage works on: the hole, the recipe and the results so far."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import numpy as np
import pandas as pd
import xarray as xr

from corephys.downhole.temperature.gradient import line_from_seafloor
from corephys.ground import constants, flags, seawater, series, thresholds, units
from corephys.ground.constants import Constant
from corephys.ground.sensor import scalar, series_like
from corephys.hole.placing import described, layout
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.shared import taken_from_site
from corephys.products.heat_flow.stations import FEW
from corephys.products.stress.fluids import pressure_of_column
from corephys.reduction.copies import Copies
from corephys.reduction.lineage import Lineage, Noted, WatchedRecipe
from corephys.reduction.recipe import Recipe, current_keys
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    import pint

__all__ = [
    "BOTH",
    "LOG",
    "SAMPLES",
    "Context",
    "Skipped",
    "calculated",
    "pore_water_density",
    "samples_with",
    "sea_water_density",
    "seconds_since",
    "temperatures",
    "usable_stations",
]

_Made = TypeVar("_Made")

SAMPLES = "properties/index_properties"
# Where the measured ones are when supplied ones stand in their place.
_MEASURED_SAMPLES = "properties/measured_index_properties"
STATIONS, LOG = "properties/formation_temperature", "properties/temperature_log"
BOTH = "products/heat_flow_temperatures"

# Results that later stages use, and the stage that makes each, for messages.
MADE_BY = {
    "properties/index_properties": "index properties",
    "properties/density": "density",
    "properties/velocity": "velocity",
    "properties/resistivity": "resistivity",
    "properties/natural_gamma": "natural gamma",
    "properties/sample_velocity": "velocity of samples",
    "properties/sample_s_wave_velocity": "velocity of samples",
    "properties/thermal_conductivity": "thermal conductivity",
    "properties/formation_temperature": "formation temperature",
    "products/porosity": "porosity",
    "properties/formation_factor": "formation factor",
    "products/effective_stress": "effective stress",
    "products/impedance": "seismic",
    "products/stress_profile": "stress profile",
    "products/thermal_resistance": "thermal resistance",
    "products/heat_flow": "heat flow",
}


class Skipped(Exception):
    """A stage has no data; the message names what is missing."""


@dataclass
class Context:
    """State of one reduction.

    Parameters
    ----------
    hole : DataTree
        Hole as read.
    recipe : Recipe
        Complete recipe.
    results : dict of str to Dataset
        Results by path in the reduced hole.
    notes : list of str
        Notes for the user.
    objects : dict of str to object
        Results that are not tables: calibrations and fits.
    lineage : Lineage
        Record of what each stage read and wrote.
    skipped : dict of str to str
        Reason for each stage that had no data.
    failed : dict of str to str
        Error of each stage, or part of a stage, that could not use its values.
    copies : Copies
        Exact copies of rows that the stages do not see.
    """

    hole: xr.DataTree
    recipe: Recipe
    results: dict[str, xr.Dataset] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    objects: dict[str, Any] = field(default_factory=dict)
    lineage: Lineage = field(default_factory=Lineage)
    skipped: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    copies: Copies = field(default_factory=Copies)
    _made: dict[Hashable, tuple[Any, dict[str, set[str]], list[str]]] = field(
        default_factory=dict, repr=False
    )

    @classmethod
    def watched(cls, hole: xr.DataTree, recipe: Recipe) -> Context:
        """Make a context that records what every stage reads and writes."""
        lineage = Lineage()
        settings = current_keys(json.loads(hole.attrs.get("settings", "{}")))
        of_site = taken_from_site(hole.attrs)
        watched = WatchedRecipe(recipe, lineage, settings, of_site)
        return cls(hole, watched, Noted(lineage), [], Noted(lineage), lineage)

    def table(self, path: str) -> xr.Dataset:
        """A raw table of the hole without exact copies of rows; Skipped if missing or empty."""
        dataset = self.optional(path)
        if dataset is None:
            there = self.leaf(path) is not None
            raise Skipped(f"no row in {path}.csv" if there else f"no table {path}.csv")
        return dataset

    def leaf(self, path: str) -> xr.Dataset | None:
        """A raw table of the hole as it was read; None if missing."""
        return series.leaf(self.hole, path)

    def folder(self, path: str) -> dict[str, xr.Dataset]:
        """The raw tables of a folder of the hole by name; none without the folder."""
        node = next((n for n in self.hole.subtree if n.path == f"/{path}"), None)
        children = {} if node is None else node.children
        return {name: child.to_dataset(inherit=False) for name, child in children.items()}

    def optional(self, path: str) -> xr.Dataset | None:
        """A raw table of the hole without exact copies of rows; None if missing or empty."""
        self.lineage.note("tables", [path])
        dataset = self.leaf(path)
        if dataset is None or not all(dataset.sizes.values()):
            return None
        return self._disturbance_flagged(path, self.copies.without(path, dataset))

    def every_row(self, path: str) -> xr.Dataset:
        """A raw table with its exact copies of rows, which are flagged; Skipped without one."""
        self.table(path)  # refuses a missing or empty table
        dataset = self.leaf(path)
        assert dataset is not None
        return self._disturbance_flagged(path, dataset)

    def _disturbance_flagged(self, path: str, table: xr.Dataset) -> xr.Dataset:
        """A table of readings or samples, those in disturbed core flagged if the recipe asks.

        Every property starts from the reasons of its table, as it does with excluded intervals.
        """
        placed = path.startswith(("scan/", "samples/")) and "depth" in table.coords
        description = self.leaf("description") if placed else None
        if description is None or "disturbance" not in description:
            return table
        least = str(self.recipe["quality"]["disturbance"])
        if least == "none":
            return table
        self.lineage.note("tables", ["description"])
        found = described.disturbed(table, description=description, least=least).values
        held = table.variables
        reason = held["reason"].copy(
            deep=False,
            data=held["reason"].values | np.where(found, flags.bit("disturbed_sample"), 0),
        )
        if found.any():
            self.note(
                f"{path}: {int(found.sum())} of {found.size} rows lie in core with at least "
                f"{least} disturbance and are flagged"
            )
        flag = held["flag"].copy(deep=False, data=flags.from_reason(reason.values))
        return table.assign(reason=reason, flag=flag)

    def result(self, path: str) -> xr.Dataset:
        """A result of an earlier stage, or Skipped where that stage left none."""
        if path not in self.results:
            raise Skipped(f"nothing in {path}{self._why_not(path)}")
        return self.results[path]

    def _why_not(self, path: str) -> str:
        stage = MADE_BY.get(path, "")
        if stage in self.failed:
            return f": the stage {stage!r} failed"
        return f": the stage {stage!r} was skipped" if stage in self.skipped else ""

    def density(self) -> xr.Dataset:
        """Bulk density of the scan; that of supplied samples where the scan has none."""
        return self._of_core("properties/density", "bulk_density")

    def porosity(self) -> xr.Dataset:
        """Porosity of the scan; that of supplied samples where the scan has none."""
        return self._of_core("products/porosity", "porosity")

    def _of_core(self, path: str, name: str) -> xr.Dataset:
        """A quantity of the scan, else of supplied samples, else Skipped."""
        if path not in self.results:
            samples = self.results.get(SAMPLES)
            if samples is not None and "supplied_from" in samples.attrs and name in samples:
                words = name.replace("_", " ")
                self.note(f"no {words} of the scan: products use that of the supplied samples")
                return samples
        return self.result(path)

    def instead(self, path: str, words: str) -> None:
        """Note what replaces the result of a failed stage; a missing table needs no note."""
        if MADE_BY.get(path) in self.failed:
            self.note(f"nothing in {path}{self._why_not(path)}; {words}")

    def note(self, words: str) -> None:
        """Add a note, once."""
        if words not in self.notes:
            self.notes.append(words)

    def once(self, name: str, make: Callable[[], _Made], *at: xr.Dataset) -> _Made:
        """A value that several stages need: the first stage computes it, the others reuse it.

        Parameters
        ----------
        name : str
            Name of the value.
        make : callable
            Computes it from the hole, the recipe and results that no later stage changes.
        *at : Dataset
            Series at whose positions it holds; other positions are another value.

        Returns
        -------
        whatever ``make`` returns
            Shared between stages, so that no stage may change it in place.
        """
        key = (name, *map(_position_key, at))
        if key not in self._made:
            before = len(self.notes)
            with self.lineage.recorded() as read:
                value = make()
            self._made[key] = (value, read, self.notes[before:])
        value, read, notes = self._made[key]
        # Every stage that uses the value depends on what it was computed from, and its notes must
        # survive when the stage that computed it failed.
        self.lineage.note_all(read)
        for words in notes:
            self.note(words)
        return value  # type: ignore[no-any-return]

    def recalled(self, function: Callable[..., _Made], *arguments: Any, **options: Any) -> _Made:
        """What a function returns: here by a call, in a reduction with reuse from an earlier one.

        For functions that take long, and whose arguments often stay the same where the stage as a
        whole has to run again.

        Parameters
        ----------
        function : callable
            Function of the package whose result depends on its arguments alone.
        *arguments, **options
            Its arguments.

        Returns
        -------
        whatever ``function`` returns
            Arrays are shared, so that no stage may change them in place.
        """
        return function(*arguments, **options)

    @contextmanager
    def part(self, name: str) -> Iterator[None]:
        """Run a stage, or a part of one that the rest of the stage does not need.

        With too little data it is skipped. When it fails, its results are removed, its error is
        kept under ``name`` in ``failed``, and the reduction goes on; with ``[reduction] strict =
        true`` the reduction stops.

        Parameters
        ----------
        name : str
            Name of the stage, or of the stage and its part.

        Raises
        ------
        HoleError
            For the first error, when the recipe is strict.
        """
        # Taken by their items, which is not noted as a read of all of them.
        results, objects = dict(dict.items(self.results)), dict(dict.items(self.objects))
        notes = list(self.notes)
        try:
            yield
        except (Skipped, series.TooFewError) as reason:
            self.skipped[name] = str(reason)
        except ValueError as error:
            mend = "Correct the table that this stage reads, or change the recipe"
            words = str(error).rstrip(".")
            if self.recipe["reduction"]["strict"]:
                problem = Problem(name, None, "", words, mend)
                raise HoleError([problem], "the hole", "reduced") from error
            for held, before in ((self.results, results), (self.objects, objects)):
                held.clear()
                held.update(before)
            self.notes[:] = notes
            self.failed[name] = words

    def section_values(self, table: xr.Dataset, column: str, default: float | str) -> np.ndarray:
        """A column of sections.csv, looked up for every reading of a table.

        Parameters
        ----------
        table : Dataset
            Readings with the coordinates core and section.
        column : str
            Column of sections.csv.
        default : float or str
            Value where the column, the section or the cell is missing.

        Returns
        -------
        ndarray, (reading)
            Values in the unit of the column.
        """
        size = table.sizes["reading"]
        sections = self.optional("sections")
        if sections is None or "core" not in table.coords or column not in sections:
            return np.full(size, default)
        found = self.once("rows of sections.csv", lambda: self._section_rows(table), table)
        values = sections[column].values
        taken = values[np.clip(found, 0, None)]
        absent = (found < 0) | pd.isna(taken) | (taken == "")
        return np.where(absent, default, taken).astype(
            type(default) if isinstance(default, float) else object
        )

    def _section_rows(self, table: xr.Dataset) -> np.ndarray:
        """Row of sections.csv of every reading of a table, -1 for a section that is not listed."""
        sections = self.table("sections")
        keys = pd.MultiIndex.from_arrays([sections["core"].values, sections["section"].values])
        wanted = pd.MultiIndex.from_arrays([table["core"].values, table["section"].values])
        return keys.get_indexer(wanted)

    def geometry(self, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Core diameter and bore [mm] and density of the annulus [g/cm^3] of every reading.

        The bore of a core without an annulus is its diameter: such a core fills its liner.
        """
        return self.once("geometry", lambda: self._geometry(table), table)

    def _geometry(self, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Geometry of every reading from sections.csv and the nominal liner."""
        nominal = scalar(self.recipe, "liner", "bore", "mm")
        water = self._water()
        slurry = scalar(self.recipe, "gamma", "slurry_density", "g/cm^3")
        diameter = self.section_values(table, "core_diameter", float("nan"))
        diameter = np.where(np.isnan(diameter), nominal, diameter)
        annulus = self.section_values(table, "annulus", "none")
        # A calliper errs: a core that seems wider than its liner sets the bore.
        bore = np.where(annulus == "none", diameter, np.maximum(nominal, diameter))
        density_of = {"none": 0.0, "air": 0.0, "water": water, "slurry": slurry}
        fluid = np.array([density_of[str(kind)] for kind in annulus], dtype=float)
        return diameter, bore, fluid

    def _water(self) -> float:
        """Density of the pore water in the laboratory [g/cm^3]."""
        density = pore_water_density(self.recipe, "porosity")
        return float(units.as_floats(density, "g/cm^3", "pore_water_density"))

    def layer_names(self, dataset: xr.Dataset) -> np.ndarray:
        """Name of the layer of every reading, by depth; "all" without a table of layers."""
        return layout.layer_column(self.optional("layers"), dataset["depth"].values)

    def below_seafloor(
        self, dataset: xr.Dataset
    ) -> tuple[xr.DataArray, xr.DataArray, pint.Quantity]:
        """In-situ temperature and pressure of every reading, and uncertainty of the temperature.

        The temperature [degC] is a straight line through the usable stations and the seafloor, the
        pressure [dbar] that of a column of pore water from the sea's surface down.
        """
        hole = self.recipe["hole"]
        if hole["water_depth"] is None or hole["bottom_water_temperature"] is None:
            raise Skipped("in-situ conditions need [hole] water_depth and bottom_water_temperature")
        if temperatures(self)[0] is None:
            self.result(STATIONS)
        z, warm = usable_stations(self)
        bottom = scalar(self.recipe, "hole", "bottom_water_temperature", "degC")
        if z.size < 1:
            raise Skipped("in-situ conditions need a usable equilibrium_temperature of a station")
        gradient, scatter = line_from_seafloor(z, warm, bottom)
        here = dataset[next(iter(dataset.data_vars))]
        depth = dataset["depth"].values
        column = scalar(self.recipe, "hole", "water_depth", "m") + depth
        gravity = constants.CONSTANTS["gravity"].value
        pressure = pressure_of_column(self._water(), gravity, column)
        # A few stations may lie on a line by chance; their scatter is then too small.
        u = units.quantity(max(scatter, thresholds.value("in_situ_least_scatter")), "K")
        return (
            series_like(here, bottom + gradient * depth, "degC"),
            series_like(here, pressure, "dbar"),
            u,
        )

    def skip(self, words: str) -> NoReturn:
        """Skip the stage; the words state what is missing."""
        raise Skipped(words)

    @property
    def levels(self) -> tuple[str, ...]:
        """Flag levels that products may use."""
        return flags.levels(self.recipe["quality"]["use"])


def _position_key(data: xr.Dataset) -> Hashable:
    """Positions of a series as a key; equal keys have the same readings in the same order."""
    columns = []
    for name in ("core", "section", "offset", "depth"):
        if name in data.coords:
            values = data.coords[name].values
            numbers = values.dtype.kind == "f"
            columns.append((name, values.tobytes() if numbers else tuple(values.tolist())))
    return tuple(columns)


def samples_with(context: Context, name: str) -> tuple[xr.Dataset | None, str]:
    """Index properties of samples that hold a quantity, and their path in the reduced hole.

    Parameters
    ----------
    context : Context
        State of the reduction.
    name : str
        Quantity, such as ``"porosity"``.

    Returns
    -------
    tuple of Dataset or None, and str
        Supplied samples may hold some quantities only; where they stand in place of measured ones,
        the others are those of the masses.
    """
    for path in (SAMPLES, _MEASURED_SAMPLES):
        found = context.results.get(path)
        if found is not None and name in found:
            return found, path
    return None, SAMPLES


def temperatures(context: Context) -> tuple[xr.Dataset | None, str]:
    """Temperatures of the formation that products use, and their path in the reduced hole.

    Parameters
    ----------
    context : Context
        State of the reduction, after the stage of the supplied temperatures.

    Returns
    -------
    tuple of Dataset or None, and str
        Those of the stations, of the log, or of both, as ``[heat_flow] temperatures`` chooses. A
        hole without the chosen ones takes the others, with a note. Where log readings are so many
        that heat flow averages them over cells of depth, the readings of a cell share their random
        error: the mean of a cell is as uncertain as one reading.
    """
    return context.once("temperatures of heat flow", lambda: _temperatures(context))


def _temperatures(context: Context) -> tuple[xr.Dataset | None, str]:
    choice = context.recipe["heat_flow"]["temperatures"]
    stations, log = context.results.get(STATIONS), context.results.get(LOG)
    if log is None:
        if choice != "stations" and stations is not None:
            context.note(
                f"[heat_flow] temperatures = {choice!r}, but there is no downhole/"
                "temperature_log.csv: those of the stations are used"
            )
        return stations, STATIONS
    log = _sharing_errors(log)
    if stations is None or choice == "log":
        if choice != "log":
            context.note("no temperatures of stations: heat flow uses those of the log")
        return log, LOG
    if choice == "stations":
        context.note(
            "heat flow uses the temperatures of the stations; [heat_flow] temperatures = 'log' or "
            "'both' uses those of downhole/temperature_log.csv"
        )
        return stations, STATIONS
    return _joined_temperatures(stations, log), BOTH


def _sharing_errors(log: xr.Dataset) -> xr.Dataset:
    """The log with random errors that the mean over a cell of depth does not make smaller.

    Neighbouring readings of one tool on one run err together, and their number is a choice of the
    recorder.
    """
    name = "equilibrium_temperature"
    depth = log["depth"].values
    known = np.isfinite(depth) & np.isfinite(log[name].values)
    if int(known.sum()) <= FEW:
        return log
    top, width = float(depth[known].min()), float(np.ptp(depth[known])) / FEW
    cell = np.zeros(depth.size, dtype=int)
    if width > 0.0:
        cell[known] = np.minimum(((depth[known] - top) / width).astype(int), FEW - 1)
    rows = np.bincount(cell[known], minlength=FEW)[cell]
    u = log[f"{name}_u_random"]
    return log.assign({f"{name}_u_random": u.copy(data=u.values * np.sqrt(np.maximum(rows, 1)))})


def _joined_temperatures(stations: xr.Dataset, log: xr.Dataset) -> xr.Dataset:
    """Temperatures of stations and of a log as one series by depth."""
    name = "equilibrium_temperature"
    parts = [series.unpack(one, name) for one in (stations, log)]
    sizes = [one.sizes["reading"] for one in (stations, log)]

    def joined(values: list[Any]) -> np.ndarray:
        return np.concatenate(
            [np.broadcast_to(np.asarray(v), (n,)) for v, n in zip(values, sizes, strict=True)]
        )

    depth = joined([stations["depth"].values, log["depth"].values])
    here = xr.DataArray(
        joined([np.asarray(part.values) for part in parts]),
        dims="reading",
        coords={"depth": ("reading", depth, {"units": "m"})},
    )
    # An effect of one of the two has no part in the other, where it is known at all.
    sources = sorted({source for part in parts for source in part.effects})
    effects = {
        source: here.copy(
            data=joined(
                [part.effects.get(source, 0.0 if part.effects else np.nan) for part in parts]
            )
        )
        for source in sources
    }
    reason = here.copy(data=joined([part.reason for part in parts]))
    return series.build(
        {name: Measured(here, joined([part.u_random for part in parts]), effects, reason)},
        steps=("temperatures of the stations and of the log together",),
        status=str(log.attrs.get("status", "")),
    )


def usable_stations(context: Context) -> tuple[np.ndarray, np.ndarray]:
    """Depth [m] and temperature [degC] of the temperatures that products may use."""

    def usable() -> tuple[np.ndarray, np.ndarray]:
        stations = temperatures(context)[0]
        if stations is None:
            return np.empty(0), np.empty(0)
        warm = stations["equilibrium_temperature"].values
        good = flags.usable(stations["equilibrium_temperature_flag"].values, context.levels)
        good &= np.isfinite(warm)
        return stations["depth"].values[good], warm[good]

    return context.once("usable stations", usable)


def seconds_since(times: np.ndarray, reference: str | np.datetime64) -> np.ndarray | None:
    """Seconds from a reference time, NaN for a missing time; None where all are missing.

    Parameters
    ----------
    times : ndarray of datetime64
        Times of readings, UTC.
    reference : str or datetime64
        Time from which to count, UTC.

    Returns
    -------
    ndarray of float or None
        [s].
    """
    stamps = np.asarray(times, dtype="datetime64[ms]")
    if np.isnat(stamps).all():
        return None
    # The recipe's texts are a subclass of str, which older versions of pandas refuse.
    start = pd.Timestamp(str(reference) if isinstance(reference, str) else reference)
    if start.tzinfo is not None:
        start = start.tz_convert(None)
    elapsed = (stamps - np.datetime64(start.to_datetime64(), "ms")) / np.timedelta64(1, "ms") / 1e3
    return np.asarray(np.where(np.isnat(stamps), np.nan, elapsed), dtype=float)


def calculated(
    name: str,
    value: float,
    unit: str,
    words: str,
    uncertainty: float = float("nan"),
    *,
    origin: str = "calculated",
) -> Constant:
    """A number that a stage worked out, as an argument that carries how it was found.

    Parameters
    ----------
    name : str
        Name of the argument that it becomes.
    value : float
        The number, in ``unit``.
    unit : str
        Its unit.
    words : str
        How it was found; stands in the provenance of the results.
    uncertainty : float
        Standard uncertainty in ``unit``; NaN where it is given apart or not known.
    origin : str
        ``"calculated"``, or ``"fitted"`` to standards.

    Returns
    -------
    Constant
        Passed on with all its digits, where a text would round them.
    """
    return Constant(name, value, unit, uncertainty, words, "", origin)


def sea_water_density(
    recipe: Recipe,
    name: str,
    temperature: str,
    pressure: pint.Quantity | str = "0 dbar",
    where: str = "",
) -> Constant:
    """Density of sea water of the hole's salinity, as the argument ``name`` of a function.

    Parameters
    ----------
    recipe : Recipe
        Holds the salinity.
    name : str
        Name of the argument.
    temperature : str
        Temperature of the water [degC].
    pressure : Quantity or str
        Pressure of the sea [dbar].
    where : str
        Words for the place of the water, added to the provenance.

    Returns
    -------
    Constant
        [g/cm^3].
    """
    salinity = recipe["hole"]["pore_water_salinity"]
    density = float(seawater.density(salinity, temperature, pressure).magnitude)
    words = f"TEOS-10, sea water of {salinity} at {temperature}{where}"
    return calculated(name, density, "g/cm^3", words)


def pore_water_density(recipe: Recipe, stage: str) -> str | Constant:
    """Density of the pore water in the laboratory: as given, else from the salinity."""
    given: str | None = recipe[stage]["pore_water_density"]
    if given is not None:
        return given
    return sea_water_density(recipe, "pore_water_density", recipe["hole"]["laboratory_temperature"])
