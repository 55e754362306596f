"""What a stage of the reduction sees: the hole, the recipe and the results so far."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, NoReturn

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import constants, flags, seawater, series, thresholds, units
from corephys.ground.provenance import SourcedText
from corephys.ground.sensor import scalar, series_like
from corephys.hole.placing import layout
from corephys.hole.reading.error import HoleError, Problem
from corephys.reduction.lineage import Lineage, Noted, WatchedRecipe
from corephys.reduction.recipe import Recipe

__all__ = [
    "Context",
    "Skipped",
    "pore_water_density",
    "scalar",
    "seconds_since",
]


# Results that other stages take, and the stage that makes them.
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
    """A stage has nothing to work on; the message names what is missing."""


@dataclass
class Context:
    """The state of one reduction.

    Parameters
    ----------
    hole : DataTree
        As read.
    recipe : Recipe
        Complete.
    results : dict of str to Dataset
        By path in the reduced hole.
    notes : list of str
        What a user should know, in words.
    objects : dict of str to object
        Results that are not tables: calibrations and fits.
    lineage : Lineage
        What each stage read and wrote.
    skipped : dict of str to str
        Stages that had nothing to work on, and why.
    failed : dict of str to str
        Stages, and parts of stages, that met values they cannot use, and the error of each.
    """

    hole: xr.DataTree
    recipe: Recipe
    results: dict[str, xr.Dataset] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    objects: dict[str, Any] = field(default_factory=dict)
    lineage: Lineage = field(default_factory=Lineage)
    skipped: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)

    @classmethod
    def watched(cls, hole: xr.DataTree, recipe: Recipe) -> Context:
        """A context that notes what every stage reads and writes."""
        lineage = Lineage()
        settings = json.loads(hole.attrs.get("settings", "{}"))
        watched = WatchedRecipe(recipe, lineage, settings)
        return cls(hole, watched, Noted(lineage), [], Noted(lineage), lineage)

    def table(self, path: str) -> xr.Dataset:
        """A raw table of the hole, or Skipped where it is missing or empty."""
        dataset = self.optional(path)
        if dataset is None:
            there = series.leaf(self.hole, path) is not None
            raise Skipped(f"no row in {path}.csv" if there else f"no table {path}.csv")
        return dataset

    def optional(self, path: str) -> xr.Dataset | None:
        """A raw table of the hole, or None where it is missing or empty."""
        self.lineage.note("tables", [path])
        dataset = series.leaf(self.hole, path)
        return dataset if dataset is not None and all(dataset.sizes.values()) else None

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

    def instead(self, path: str, words: str) -> None:
        """Note what stands in for a result whose stage failed; a missing table needs no note."""
        if MADE_BY.get(path) in self.failed:
            self.note(f"nothing in {path}{self._why_not(path)}; {words}")

    def note(self, words: str) -> None:
        """Add a note, once."""
        if words not in self.notes:
            self.notes.append(words)

    @contextmanager
    def part(self, name: str) -> Iterator[None]:
        """Run a stage, or a part of one that the rest of the stage does not need.

        Where it has too little to work on it is skipped. Where it fails, what it has written is
        taken back, its error is kept under ``name`` in ``failed``, and the reduction goes on.
        ``[reduction] strict = true`` stops it instead.

        Parameters
        ----------
        name : str
            Name of the stage, or of the stage and its part.

        Raises
        ------
        HoleError
            For the first error where the recipe is strict.
        """
        results, objects, notes = dict(self.results), dict(self.objects), list(self.notes)
        try:
            yield
        except (Skipped, series.TooFewError) as reason:
            self.skipped[name] = str(reason)
        except ValueError as error:
            mend = "Mend the table that this stage reads, or change the recipe"
            words = str(error).rstrip(".")
            if self.recipe["reduction"]["strict"]:
                problem = Problem(name, None, "", words, mend)
                raise HoleError([problem], "the hole", "reduced") from error
            for held, before in ((self.results, results), (self.objects, objects)):
                held.clear()
                held.update(before)
            self.notes[:] = notes
            self.failed[name] = words

    def section_values(self, table: xr.Dataset, column: str, default: Any) -> np.ndarray:
        """A column of sections.csv, looked up for every reading of a table.

        Parameters
        ----------
        table : Dataset
            With coordinates core and section.
        column : str
            Column of sections.csv.
        default : float or str
            Where the column, the section or the value is missing.

        Returns
        -------
        ndarray, (reading)
            In the unit of the column.
        """
        size = table.sizes["reading"]
        sections = series.leaf(self.hole, "sections")
        if sections is None or "core" not in table.coords or column not in sections:
            return np.full(size, default)
        keys = pd.MultiIndex.from_arrays([sections["core"].values, sections["section"].values])
        wanted = pd.MultiIndex.from_arrays([table["core"].values, table["section"].values])
        found = keys.get_indexer(wanted)
        values = sections[column].values
        taken = values[np.clip(found, 0, None)]
        absent = (found < 0) | pd.isna(taken) | (taken == "")
        return np.where(absent, default, taken).astype(
            type(default) if isinstance(default, float) else object
        )

    def geometry(self, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Core diameter and bore [mm] and density of the annulus [g/cm^3] of every reading.

        A core without an annulus fills its liner: its diameter is the bore.
        """
        nominal = scalar(self.recipe, "liner", "bore", "mm")
        water = units.read_scalar(pore_water_density(self.recipe, "porosity"))[0]
        slurry = scalar(self.recipe, "gamma", "slurry_density", "g/cm^3")
        diameter = self.section_values(table, "core_diameter", float("nan"))
        diameter = np.where(np.isnan(diameter), nominal, diameter)
        annulus = self.section_values(table, "annulus", "none")
        bore = np.where(annulus == "none", diameter, np.maximum(nominal, diameter))
        density_of = {"none": 0.0, "air": 0.0, "water": water, "slurry": slurry}
        fluid = np.array([density_of[str(kind)] for kind in annulus], dtype=float)
        return diameter, bore, fluid

    def layer_names(self, dataset: xr.Dataset) -> np.ndarray:
        """Name of the layer of every reading, by depth; "all" without a table of layers."""
        return layout.layer_column(self.optional("layers"), dataset["depth"].values)

    def below_seafloor(self, dataset: xr.Dataset) -> tuple[xr.DataArray, xr.DataArray, str | None]:
        """In-situ temperature [degC] and pressure [dbar] of every reading, and the standard
        uncertainty of the temperature.

        The temperature is a straight line through the usable stations and the seafloor, the
        pressure that of a column of pore water from the sea's surface down.
        """
        hole = self.recipe["hole"]
        if hole["water_depth"] is None or hole["bottom_water_temperature"] is None:
            raise Skipped("in-situ conditions need [hole] water_depth and bottom_water_temperature")
        stations = self.result("properties/formation_temperature")
        usable = flags.usable(stations["equilibrium_temperature_flag"].values, self.levels)
        z = stations["depth"].values[usable]
        warm = stations["equilibrium_temperature"].values[usable]
        bottom = scalar(self.recipe, "hole", "bottom_water_temperature", "degC")
        if z.size < 1:
            raise Skipped("in-situ conditions need a usable formation temperature")
        gradient = float(z @ (warm - bottom) / (z @ z))
        scatter = float(np.sqrt(np.mean((warm - bottom - gradient * z) ** 2)))
        here = dataset[next(iter(dataset.data_vars))]
        depth = dataset["depth"].values
        water = units.read_scalar(pore_water_density(self.recipe, "porosity"))[0]
        column = scalar(self.recipe, "hole", "water_depth", "m") + depth
        pressure = water * 1e3 * constants.CONSTANTS["gravity"].value * column / 1e4
        u = f"{max(scatter, thresholds.value('in_situ_least_scatter')):.4g} K"
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


def seconds_since(times: Any, reference: Any) -> np.ndarray | None:
    """Seconds from a reference time, NaN for a missing time; None where all are missing.

    Parameters
    ----------
    times : ndarray of datetime64
        UTC.
    reference : str or datetime64
        UTC.

    Returns
    -------
    ndarray of float or None
        [s].
    """
    stamps = np.asarray(times, dtype="datetime64[ms]")
    if np.isnat(stamps).all():
        return None
    # A text that carries its origin is a class of its own; older pandas take plain text alone.
    start = pd.Timestamp(str(reference) if isinstance(reference, str) else reference)
    if start.tzinfo is not None:
        start = start.tz_convert(None)
    elapsed = (stamps - np.datetime64(start.to_datetime64(), "ms")) / np.timedelta64(1, "ms") / 1e3
    return np.asarray(np.where(np.isnat(stamps), np.nan, elapsed), dtype=float)


def pore_water_density(recipe: Recipe, stage: str) -> str:
    """Density of the pore water in the laboratory: the recipe's, else that of its salinity."""
    given: str | None = recipe[stage]["pore_water_density"]
    if given is not None:
        text = f"{units.as_floats(given, 'g/cm^3', 'pore_water_density'):.9g} g/cm^3"
        return SourcedText(text, getattr(given, "origin", "recipe"))
    salinity, warm = recipe["hole"]["pore_water_salinity"], recipe["hole"]["laboratory_temperature"]
    density = float(seawater.density(salinity, warm)) / 1000.0
    words = f"TEOS-10, sea water of {salinity} at {warm}"
    return SourcedText(f"{density:.9g} g/cm^3", "calculated", words)
