"""Sources of error as data: what each named effect and each random part stems from.

A source belongs to one group, so that budgets of different quantities can be laid side by side.
Numbered effects (``gamma_calibration_1`` ...) are directions of one covariance, or stretches of
depth, and count as the source without the number.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fnmatch import fnmatchcase
from typing import NamedTuple

from corephys.ground.registry import SENSORS

__all__ = ["GROUPS", "RandomPart", "Source", "all_sources", "random_source", "source_of", "stem"]


class Source(NamedTuple):
    """What one part of an uncertainty stems from.

    Parameters
    ----------
    name : str
        As in the coordinate ``source``, without a number; ``*`` stands for any word.
    group : str
        Key of :data:`GROUPS`.
    words : str
        For readers.
    """

    name: str
    group: str
    words: str


class RandomPart(NamedTuple):
    """What the random part of a quantity stems from.

    Parameters
    ----------
    quantity : str
        Name of the vocabulary.
    source : str
        Source that a result must carry for this row to count; any result where empty.
    group : str
        Key of :data:`GROUPS`.
    words : str
        For readers.
    """

    quantity: str
    source: str
    group: str
    words: str


# In the order of the work: reading, calibrating, measuring the core, then what the core is made of.
GROUPS: dict[str, str] = {
    "counting": "counting of gamma photons",
    "reading": "readings and picks, each for itself",
    "weighing": "masses and volumes of samples",
    "calibration": "calibration of the sensor",
    "geometry": "diameters, lengths, walls",
    "depth": "depth of readings",
    "grain density": "density of the grains",
    "grain chemistry": "electrons and attenuation of the grains",
    "pore water": "density, salinity, resistivity of the pore water",
    "conductivity": "thermal conductivity",
    "heat capacity": "heat capacity of sediment and probe",
    "temperature": "temperatures",
    "model": "coefficients of a relation",
    "natural scatter": "what the sediment itself does from place to place",
    "not grouped": "sources without a group",
    "not stated": "a part of which nothing is known",
}

_SHARED: tuple[Source, ...] = (
    # Before the patterns that would match the name of a quantity
    Source("supplied_*", "not grouped", "systematic error that supplied values share"),
    # Calibration of sensors
    Source("sample_velocity_calibration", "calibration", "fit of the velocity standards"),
    Source("sample_velocity_delay*", "calibration", "delay of the velocity transducers"),
    Source("spring", "calibration", "spring of the vane"),
    Source("penetrometer_spring", "calibration", "spring of the penetrometer"),
    Source("load_cell", "calibration", "load cell of the compression test"),
    # Weighing
    Source("balance", "weighing", "error that all masses share"),
    Source("pycnometer", "weighing", "error that all volumes share"),
    Source("calliper", "weighing", "calliper of the sample volumes"),
    # Geometry
    Source("core_diameter", "geometry", "diameter of the core"),
    Source("sample_length", "geometry", "length of the sample"),
    Source("vane_constant", "geometry", "blades of the vane"),
    Source("depth", "depth", "depth of readings"),
    Source("growth_factor", "depth", "growth of the composite depth"),
    Source("drill_string*", "depth", "length of the drill string"),
    Source("recovery_placement", "depth", "material taken to lie at the top of the advance"),
    Source("depth_tide_core*", "depth", "tide when a core was cut"),
    Source("depth_heave_core*", "depth", "heave when a core was cut"),
    Source("depth_core_top_core*", "depth", "top of a core"),
    Source("depth_recovery_core*", "depth", "where in the advance a core's material lay"),
    Source("depth_datum", "depth", "depth of the seafloor"),
    Source("water_depth", "depth", "depth of the sea"),
    # Grains
    Source("grain_density", "grain density", "grain density"),
    Source("grain_density_unsampled", "grain density", "grain density of layers without samples"),
    Source("grain_electron_ratio", "grain chemistry", "electrons of the grains by mass"),
    Source("grain_attenuation", "grain chemistry", "attenuation of the grains by mass"),
    Source("interlayer_water", "grain chemistry", "water between clay layers"),
    # Pore water
    Source("pore_water_density", "pore water", "density of the pore water"),
    Source("pore_water_salinity", "pore water", "salinity of the pore water"),
    Source("salt_density", "pore water", "density of the salt left by drying"),
    Source("pore_water_resistivity", "pore water", "resistivity of the pore water"),
    Source("pore_water_modulus", "pore water", "bulk modulus of the pore water"),
    Source("fluid_*", "pore water", "pore fluid"),
    Source("sea_water_density", "pore water", "density of the sea"),
    Source("water_sound_speed", "pore water", "speed of sound in the sea"),
    # Heat
    Source("heating_power", "conductivity", "heating power of the needle"),
    Source("thermal_conductivity", "conductivity", "thermal conductivity"),
    Source("anisotropy", "conductivity", "anisotropy of conductivity"),
    Source("conductivity_anisotropy", "conductivity", "needle that does not read the vertical"),
    Source("in_situ_conductivity", "conductivity", "pressure and temperature of the formation"),
    Source("in_situ_form", "conductivity", "relation of conductivity in situ"),
    Source("drift", "conductivity", "shape of the needle's drift"),
    Source("heat_capacity", "heat capacity", "heat capacity of the sediment"),
    Source("tool_heat_capacity", "heat capacity", "heat capacity of the probe"),
    Source("diffusivity", "heat capacity", "thermal diffusivity"),
    Source("thermometer", "temperature", "calibration of the thermometers"),
    Source("laboratory_temperature", "temperature", "temperature of the laboratory"),
    Source("bottom_water_temperature", "temperature", "temperature of the bottom water"),
    Source("in_situ_temperature", "temperature", "temperature in situ"),
    Source("reference_temperature", "temperature", "reference temperature"),
    Source("*_temperature", "temperature", "a temperature"),
    # Relations
    Source("archie", "model", "coefficients of Archie's relation"),
    Source("surface_conductivity", "model", "surface conductivity of the grains"),
    Source("in_situ_pressure", "model", "pressure in situ"),
    Source("*pressure*", "model", "pressure"),
    Source("cone_factor", "model", "factor of the fall cone"),
    Source("yield_construction", "model", "construction of the yield stress"),
    Source("consolidation_fit", "model", "construction of the rate of consolidation"),
    Source("initial_void_ratio", "model", "void ratio before loading"),
    Source("density_of_heat", "model", "density given for the heat production"),
    Source("density_of_view", "model", "density given for the counter's view"),
    Source("*bulk_modulus", "model", "bulk modulus of grains or frame"),
    Source("*shear_modulus", "model", "shear modulus of grains or frame"),
    Source("*_porosity", "model", "porosity of a frame"),
    Source("*_density", "model", "a density that was given"),
    Source("gravity", "model", "gravity"),
    Source("ages", "model", "scale of the ages"),
    Source("compaction_fit", "model", "fit of the compaction curve"),
    Source("reference_curve", "model", "reference curve of compression"),
    Source("swelling_index", "model", "index of swelling"),
    Source("rebound_reference_stress", "model", "reference stress of the rebound"),
    Source("seasonal_*", "model", "seasons of the bottom water"),
    Source("sedimentation_*", "model", "rate and time of sedimentation"),
    Source("bottom_water_step*", "model", "step of the bottom water's temperature"),
    Source("gap_fill*", "natural scatter", "values put where nothing was measured"),
    Source("*_velocity", "model", "a velocity that was given"),
    Source("critical*", "model", "critical porosity"),
    Source("contacts*", "model", "contacts of a grain"),
    Source("coefficients*", "model", "coefficients of a relation"),
    Source("factor", "model", "factor of a relation"),
    Source("exponent", "model", "exponent of a relation"),
    Source("intercept", "model", "intercept of a relation"),
    Source("slope", "model", "slope of a relation"),
    Source("clean", "model", "velocity of clean sand in a relation"),
    Source("by_*", "model", "coefficient of a relation"),
    Source("scatter of the correction", "model", "scatter of a correction"),
    Source("not stated", "not stated", "nothing is known of this part"),
    Source("systematic", "not grouped", "systematic errors whose sources are not told"),
    Source("*_systematic", "not grouped", "systematic errors whose sources are not told"),
    # Where nothing was measured
    Source("density_fill", "natural scatter", "density put where nothing was measured"),
    # Random parts that a product tells apart
    Source("conductivity", "conductivity", "thermal conductivity, each reading for itself"),
    Source("temperature", "temperature", "temperature of each station"),
    Source("bottom water", "temperature", "temperature of the bottom water"),
    Source("natural scatter*", "natural scatter", "scatter of the sediment about its carrier"),
    Source("beds between*", "natural scatter", "beds that no reading of conductivity saw"),
    Source("excess scatter*", "natural scatter", "scatter beyond the stated uncertainties"),
    Source("scatter*", "natural scatter", "scatter between readings"),
    Source("counting", "counting", "counting"),
    Source("reading", "reading", "readings"),
)

# What the random part of a quantity is, where its product does not tell parts apart. A source in
# the second place makes the row one for results that carry it: a scan is counted, samples weighed.
# Those of the sensors stand in their records.
_NO = ""
_RANDOM: tuple[RandomPart, ...] = (
    RandomPart("bulk_density", "balance", "weighing", "weighing of each sample"),
    RandomPart("bulk_density", "pycnometer", "weighing", "weighing of each sample"),
    RandomPart("porosity", "gamma_calibration", "counting", "counting of each reading"),
    RandomPart("porosity", "resistivity_calibration", "reading", "reading of the resistivity"),
    RandomPart("porosity", "balance", "weighing", "weighing of each sample"),
    RandomPart("porosity", "pycnometer", "weighing", "weighing of each sample"),
    RandomPart("dry_density", _NO, "weighing", "weighing of each sample"),
    RandomPart("grain_density", _NO, "weighing", "weighing of each sample"),
    RandomPart("void_ratio", "balance", "weighing", "weighing of each sample"),
    RandomPart("void_ratio", "initial_void_ratio", "reading", "reading of the settlement"),
    RandomPart("void_ratio", _NO, "weighing", "weighing of each sample"),
    RandomPart("water_content_wet", _NO, "weighing", "weighing of each sample"),
    RandomPart("water_content_dry", _NO, "weighing", "weighing of each sample"),
    RandomPart("saturation", _NO, "weighing", "weighing of each sample"),
    RandomPart("s_wave_velocity", _NO, "reading", "picking of the arrival"),
    RandomPart("two_way_time", _NO, "reading", "picking of the arrivals"),
    RandomPart(
        "acoustic_impedance", _NO, "reading", "counting of the density, picking of the arrival"
    ),
    RandomPart(
        "reflection_coefficient", _NO, "reading", "counting of the density, picking of the arrival"
    ),
    RandomPart("thermal_conductivity", _NO, "reading", "fit of the heating curves, repeats"),
    RandomPart("equilibrium_temperature", _NO, "reading", "fit of the decay"),
    RandomPart("undrained_shear_strength", _NO, "reading", "reading of the test"),
    RandomPart("surface_porosity", _NO, "natural scatter", "readings and scatter about the curve"),
    RandomPart("decay_length", _NO, "natural scatter", "readings and scatter about the curve"),
    RandomPart("heat_flow", _NO, "natural scatter", "readings and scatter about the line"),
    RandomPart(
        "surface_temperature", _NO, "natural scatter", "readings and scatter about the line"
    ),
    RandomPart(
        "thermal_resistance", _NO, "conductivity", "conductivities and depths between stations"
    ),
)


def all_sources() -> tuple[Source, ...]:
    """Sources of all sensors, then the shared ones: of several that fit, the first counts."""
    return (*(row for record in SENSORS.records() for row in record.sources), *_SHARED)


def stem(source: str) -> str:
    """Name of a source without the number of a direction or stretch.

    Parameters
    ----------
    source : str
        Such as ``"gamma_calibration_2"``.

    Returns
    -------
    str
        Such as ``"gamma_calibration"``.
    """
    return re.sub(r"_\d+$", "", source)


def source_of(name: str) -> Source:
    """What a named effect or random part stems from.

    Parameters
    ----------
    name : str
        As in a coordinate ``source`` or ``part``, with or without a number.

    Returns
    -------
    Source
        With the name asked for, without its number. A name that the table does not know, such as
        a user's own, is of the group ``not grouped``.
    """
    wanted = stem(name)
    for row in all_sources():
        if fnmatchcase(wanted, row.name):
            return row._replace(name=wanted)
    return Source(wanted, "not grouped", wanted.replace("_", " "))


def random_source(quantity: str, sources: Iterable[str] = ()) -> Source:
    """What the random part of a quantity stems from, where its product does not say it.

    Parameters
    ----------
    quantity : str
        Name of the vocabulary.
    sources : iterable of str
        Sources of its effects: porosity from a scan carries ``gamma_calibration``.

    Returns
    -------
    Source
        Of the name ``random``; of the group ``reading`` for a quantity that the table does not
        know.
    """
    carried = {stem(source) for source in sources}
    rows = (*(row for record in SENSORS.records() for row in record.random), *_RANDOM)
    # A row for results that carry a source goes before one for any result.
    for name, source, group, words in sorted(rows, key=lambda row: not row.source):
        if name == quantity and (not source or source in carried):
            return Source("random", group, words)
    return Source("random", "reading", "errors of each reading for itself")
