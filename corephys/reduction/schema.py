"""The choices of a reduction as data: for each its default, its kind and what it means."""

from __future__ import annotations

from collections.abc import Sequence

from corephys.ground import constants, thresholds, units
from corephys.ground.provenance import SourcedNumber
from corephys.ground.registry import Compiled, added
from corephys.ground.sensor import Option, Sensor, constant_text, uncertainty_text

__all__ = ["LOG_FILE", "SCHEMA", "Option"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS


_MINERALS = (
    "quartz|calcite|dolomite|aragonite|feldspar|plagioclase|clay|clay_gulf|illite|smectite|opal|"
    "pyrite|halite"
)

# Sections that belong to no sensor: of the hole and its scan, then of samples and products.
_HOLE: dict[str, dict[str, Option]] = {
    "hole": {
        "water_depth": Option(None, "m", "depth of water"),
        "bottom_water_temperature": Option(None, "degC", "temperature at the seafloor"),
        "bottom_water_temperature_uncertainty": Option("0.05 K", "K", "its standard uncertainty"),
        "pore_water_salinity": Option(
            constant_text("pore_water_salinity"),
            "g/kg",
            "absolute salinity; practical salinity as '35 psu'",
        ),
        "pore_water_salinity_uncertainty": Option(
            uncertainty_text("pore_water_salinity"), "g/kg", "systematic"
        ),
        "laboratory_temperature": Option("20 degC", "degC", "of cores and standards when measured"),
    },
    "liner": {
        "bore": Option("66 mm", "mm", "inner diameter"),
        "wall": Option("2.6 mm", "mm", "thickness of the wall"),
        "velocity": Option(constant_text("liner_velocity"), "m/s", "P-wave velocity of the wall"),
        "velocity_uncertainty": Option(uncertainty_text("liner_velocity"), "m/s", "systematic"),
    },
    "depth": {
        "tide": Option(None, "m", "of each core; half its range, or as tide_is says"),
        "tide_is": Option("half range", "half range|standard uncertainty", "what tide is"),
        "heave": Option(None, "m", "when a core was cut, one error a core"),
        "drill_string": Option(None, "m", "length of the string, one error of the hole"),
        "drill_string_relative": Option(None, "%", "the same as a part of the depth"),
        "offset": Option(None, "cm", "of each reading in its section"),
        "recovery_placement": Option(
            "top", "top|middle", "of material in its advance; middle adds the correction beside"
        ),
    },
    "reduction": {
        "strict": Option(
            False, "switch", "stop at the first stage that fails, in place of going on without it"
        ),
    },
    "quality": {
        "use": Option("good, not_evaluated", "levels", "flag levels that products may use"),
        "evaluate": Option(True, "switch", "look for ends, voids, spikes and weak coupling"),
        "end_trim": Option(
            _T["end_trim"], "number", "response widths from an end that are doubted"
        ),
        "spike_test": Option(
            "neighbours", "neighbours|rolling median", "what a spike stands off from"
        ),
        "spike_threshold": Option(_T["spike_threshold"], "number", "in standard deviations"),
        "spike_side_share": Option(
            _T["spike_side_share"], "number", "share of it needed from either side"
        ),
        "spike_window": Option(
            _T["spike_window"], "cm", "section over which the scatter is judged"
        ),
        "level_window": Option(_T["level_window"], "cm", "core that gives the level of density"),
        "low_threshold": Option(
            _T["low_threshold"], "number", "shortfall of density, in standard deviations"
        ),
        "amplitude_fraction": Option(
            _T["amplitude_fraction"], "number", "share of its level of a weak pulse"
        ),
        "deaf_fraction": Option(
            _T["deaf_fraction"], "number", "share of the hole's amplitude of a deaf core"
        ),
        "void_length": Option(_T["void_length"], "cm", "longest void that lost pulses show"),
        "void_share": Option(_T["void_share"], "number", "share of the density missing in a void"),
        "void_density": Option(_T["void_density"], "g/cm^3", "density below which nothing is core"),
        "crack_length": Option(_T["crack_length"], "cm", "a void shorter than this is a crack"),
        "least_length": Option(
            _T["least_length"], "cm", "shortest thin fill that density alone shows"
        ),
        "repeat_threshold": Option(
            _T["repeat_threshold"], "number", "in combined random uncertainties"
        ),
        "bound_margin": Option(
            _T["bound_margin"], "number", "uncertainties a velocity may miss its bound by"
        ),
        "sample_difference": Option(
            _T["sample_difference"], "g/cm^3", "of a density from its sample"
        ),
        "sample_reach": Option(_T["sample_reach"], "cm", "from a sample to the readings it judges"),
        "control_charts": Option(True, "switch", "watch the check standards"),
        "settling": Option(True, "switch", "flag cores that have not come to room temperature"),
        "settling_tolerance": Option(
            _T["settling_tolerance"], "K", "departure from room temperature allowed"
        ),
        "surface_conductance": Option(
            constant_text("surface_conductance"),
            "W/(m^2 K)",
            "of the air around a core that warms up",
        ),
        "deck_temperature": Option(None, "degC", "of the core on deck; else of the bottom water"),
    },
}
_PRODUCTS: dict[str, dict[str, Option]] = {
    "index_properties": {
        "mass_uncertainty": Option(None, "g", "random"),
        "mass_systematic": Option(None, "g", "systematic"),
        "volume_uncertainty": Option(None, "cm^3", "random"),
        "volume_systematic": Option(None, "cm^3", "systematic"),
        "route": Option(
            None, "dry volume|wet volume|calliper", "which volume counts; the dry one if there"
        ),
        "wet_volume_uncertainty": Option(None, "cm^3", "random, by the route of the calliper"),
        "wet_volume_systematic": Option(None, "cm^3", "systematic, by the route of the calliper"),
        "pore_water_table": Option(True, "switch", "salinity by depth from pore_water.csv"),
        "pycnometer_standards": Option(True, "switch", "scale each cell by its standards"),
        "culprits": Option(True, "switch", "name what most likely sets a sample apart"),
        "salt_density": Option(
            constant_text("salt_density"), "g/cm^3", "of the salt left on drying"
        ),
        "pore_water_density": Option(None, "g/cm^3", "from salinity and temperature without it"),
        "pore_water_density_uncertainty": Option("0.0005 g/cm^3", "g/cm^3", "systematic"),
    },
    "needle": {
        "heating_power_uncertainty": Option(None, "%", "systematic, relative"),
        "minimum_window": Option(
            _T["needle_minimum_window"], "s", "shortest window of a heating curve"
        ),
        "combine_repeats": Option(True, "switch", "one value for the repeats at a position"),
        "boundary_distance": Option(None, "mm", "from the needle to the nearest boundary"),
        "cross_check": Option(True, "switch", "fit the whole heated cylinder too"),
        "windows": Option(None, "windows", "by run, where one chose: since heating began"),
        "anisotropy": Option(
            SourcedNumber(
                _C["conductivity_anisotropy"].value,
                "constant",
                constant=_C["conductivity_anisotropy"],
            ),
            "number",
            "horizontal over vertical conductivity",
        ),
        "anisotropy_uncertainty": Option(
            _C["conductivity_anisotropy"].uncertainty, "number", "systematic"
        ),
        "anisotropy_correction": Option(
            False, "switch", "bring conductivities to vertical by that ratio, for heat flow"
        ),
        "conditions": Option(
            "laboratory", "laboratory|in situ", "of the conductivities as they are given"
        ),
        "in_situ_correction": Option(
            False, "switch", "bring conductivities to pressure and temperature below, for heat flow"
        ),
        "in_situ_form_uncertainty": Option("50 %", "%", "systematic, of the change in situ"),
        "in_situ_temperature_uncertainty": Option("1 K", "K", "systematic, of the formation"),
        "laboratory_temperature_uncertainty": Option("1 K", "K", "systematic, of the core"),
    },
    "formation_temperature": {
        "conductivity_uncertainty": Option("5 %", "%", "of the stations' conductivity, relative"),
        "heat_capacity_uncertainty": Option("5 %", "%", "of the sediment, relative"),
        "thermometer_uncertainty": Option("0.002 K", "K", "systematic"),
        "windows": Option(None, "windows", "by station, where one chose: since penetration"),
    },
    "sample_velocity": {
        "delay": Option(None, "us", "of the P-wave transducers"),
        "delay_uncertainty": Option(None, "us", "systematic"),
        "s_delay": Option(None, "us", "of the S-wave transducers"),
        "s_delay_uncertainty": Option(None, "us", "systematic"),
        "length_uncertainty": Option(None, "mm", "random, of one reading of the calliper"),
        "length_systematic": Option(None, "mm", "systematic, of the calliper"),
        "travel_time_uncertainty": Option(None, "us", "random, of one P-wave pick"),
        "s_travel_time_uncertainty": Option(None, "us", "random, of one S-wave pick"),
        "within": Option(_T["match_reach"], "cm", "readings no farther apart are of one place"),
    },
    "strength": {
        "vane_torque_uncertainty": Option(None, "N m", "random, of one torque"),
        "vane_torque_scale_uncertainty": Option(None, "%", "systematic, of spring or sensor"),
        "vane_diameter_uncertainty": Option(None, "mm", "systematic, of the blades"),
        "vane_height_uncertainty": Option(None, "mm", "systematic, of the blades"),
        "cone_factor": Option(None, "number", "of the fall cone, by its angle without it"),
        "cone_factor_uncertainty": Option(None, "number", "systematic"),
        "cone_penetration_uncertainty": Option(None, "mm", "random"),
        "penetrometer_load_uncertainty": Option(None, "N", "random"),
        "penetrometer_scale_uncertainty": Option(None, "%", "systematic, of its spring"),
        "unconfined_load_uncertainty": Option(None, "N", "random"),
        "unconfined_load_scale_uncertainty": Option(None, "%", "systematic, of the load cell"),
        "unconfined_diameter_uncertainty": Option(None, "mm", "random, of a specimen"),
        "within": Option(_T["match_reach"], "cm", "tests no farther apart are of one place"),
    },
    "consolidation": {
        "void_ratio_uncertainty": Option(None, "number", "random, of one point of a curve"),
        "initial_void_ratio_uncertainty": Option(None, "number", "systematic, of a test"),
        "height_uncertainty": Option(None, "mm", "random, of one reading of a step"),
        "drainage": Option("both", "both|one", "faces of the disc that drain"),
        "nearest_sample": Option(
            _T["nearest_sample"], "m", "whose void ratio begins a test that has none"
        ),
    },
    "stress": {
        "density": Option("samples", "samples|scan", "which density weighs on what lies below"),
        "fluid_density": Option(None, "g/cm^3", "from salinity and bottom water without it"),
        "fluid_density_uncertainty": Option("0.002 g/cm^3", "g/cm^3", "systematic"),
        "largest_gap": Option(
            _T["stress_gap"], "m", "to the nearest density, beyond it a stress is marked"
        ),
        "depth_uncertainty": Option(None, "m", "of the seafloor in the depth scale, systematic"),
        "water_depth_uncertainty": Option(None, "m", "systematic"),
        "sea_water_density": Option(None, "g/cm^3", "mean of the sea, from salinity without it"),
        "sea_water_density_uncertainty": Option("0.003 g/cm^3", "g/cm^3", "systematic"),
        "fill": Option("linear", "compaction|linear|none", "what stands in gaps of density"),
        "fluid_column_density": Option(None, "g/cm^3", "of a drilling fluid at rest, to compare"),
        "fluid_column_density_uncertainty": Option("0.01 g/cm^3", "g/cm^3", "systematic"),
        "fluid_column_from": Option("seafloor", "seafloor|sea level", "where that fluid begins"),
        "reference_void_ratio": Option(None, "number", "of first loading, for a pressure bound"),
        "reference_compression_index": Option(None, "number", "of first loading"),
        "reference_stress": Option("100 kPa", "kPa", "at which the reference has its void ratio"),
        "reference_void_ratio_uncertainty": Option(None, "number", "systematic"),
        "reference_compression_index_uncertainty": Option(None, "number", "systematic"),
        "reference_scatter": Option(None, "number", "of single samples about it, in void ratio"),
    },
    "seismic": {
        "velocity": Option("laboratory", "laboratory|in situ", "which velocity makes the profile"),
        "overlap": Option("average", "average|upper core|lower core", "where two cores overlap"),
        "merge_within": Option(_T["seismic_merge"], "cm", "readings no farther apart are averaged"),
        "largest_gap": Option(_T["seismic_gap"], "m", "a longer step between readings is a gap"),
        "fill": Option("linear", "linear|none", "what is put into a gap"),
        "fill_spacing": Option(_T["seismic_fill_spacing"], "cm", "of the rows put into a gap"),
        "averaging_length": Option(None, "m", "of the long-wave average; by the wave without it"),
        "averaging_fraction": Option(
            _T["averaging_fraction"], "number", "of the wavelength that is averaged over"
        ),
        "frequency": Option("60 Hz", "Hz", "of the greatest amplitude of the wavelet"),
        "phase": Option("0 degree", "degree", "constant rotation of the wavelet"),
        "time_step": Option("0.5 ms", "ms", "of the coefficients and the trace"),
        "seafloor_impedance": Option(
            None, "MPa s/m", "of the water above; no seafloor reflection without it"
        ),
        "draws": Option(200.0, "number", "of the Monte Carlo for the band of the trace"),
        "sound_speed": Option(
            constant_text("water_column_sound_speed"), "m/s", "mean speed of sound in the water"
        ),
        "sound_speed_uncertainty": Option(None, "m/s", "systematic"),
        "check_shot_datum": Option("seafloor", "seafloor|sea level", "where their time is zero"),
        "check_shot_uncertainty": Option(None, "ms", "random, of a two-way time"),
    },
    "porosity": {
        "grain_density": Option("from samples", "from samples|constant", "source of the grains"),
        "pore_water_density": Option(None, "g/cm^3", "from salinity and temperature without it"),
        "pore_water_density_uncertainty": Option("0.0005 g/cm^3", "g/cm^3", "systematic"),
    },
    "elastic": {
        "mineral": Option("quartz", _MINERALS, "stiffest grains, those of the upper bound"),
        "soft_mineral": Option("clay", _MINERALS, "softest grains, those of the suspension"),
        "stiff_share": Option(0.3, "number", "volume share of the stiffest in the models' grains"),
        "grain_bulk_modulus": Option(None, "GPa", "of the models' grains, in place of a mixture"),
        "grain_shear_modulus": Option(None, "GPa", "the same in shear"),
        "fluid": Option("pore water", "pore water|brine", "sea salt (TEOS-10) or sodium chloride"),
        "margin": Option(
            _T["bound_margin"], "number", "uncertainties a velocity may miss a bound by"
        ),
        "critical_porosity": Option(0.65, "number", "where grains part: sand 0.4, mud 0.6 to 0.7"),
        "critical_porosity_uncertainty": Option(0.05, "number", "systematic"),
        "effective_pressure": Option(None, "kPa", "on the grains; else the median of the hole"),
    },
    "compaction": {
        "porosity": Option("samples", "samples|scan", "which porosity is fitted"),
        "absolute_sigma": Option(True, "switch", "take the stated uncertainties as they are"),
        "excess_scatter": Option(True, "switch", "natural scatter of beds, shared by neighbours"),
        "model": Option(
            "exponential",
            "exponential|offset exponential|linear|power|exponential in stress|"
            "void ratio in log stress",
            "what is fitted",
        ),
        "robust": Option("none", "none|huber|tukey", "weights for residuals that stand off"),
        "surface_porosity": Option(None, "number", "forced at the seafloor; free without it"),
        "compare": Option(True, "switch", "fit all models to the same porosities"),
        "by_layer": Option(True, "switch", "fit each layer of layers.csv by itself"),
        "bootstrap": Option(1000.0, "number", "draws of blocks of depth; none with 0"),
        "bootstrap_block": Option(None, "m", "length of a block; from the residuals without it"),
    },
    "accumulation": {
        "depth_uncertainty": Option("0 m", "m", "of where a dated level lies, random"),
        "growth_factor": Option(None, "number", "composite depth over depth drilled, divided out"),
        "growth_factor_uncertainty": Option(None, "number", "systematic"),
        "age_scale_uncertainty": Option(
            None, "%", "systematic, relative, of all durations; 0 % for data each dated by itself"
        ),
        "smoothing": Option(None, "m", "of the ages along depth, before differences are taken"),
    },
    "heat_flow": {
        "carrier": Option(
            "linear", "linear|steps|harmonic mean|trend", "conductivity between points"
        ),
        "include_bottom_water": Option(True, "switch", "use the seafloor as a point"),
        "depth_uncertainty": Option(None, "m", "of each station; without it from [depth]"),
        "datum_uncertainty": Option(None, "m", "shared by all stations; unknown is not carried"),
        "bend_significance": Option(
            _T["bend_significance"], "number", "straight holes that may be called curved"
        ),
        "monte_carlo_draws": Option(0, "number", "draws of every error; 0 for none"),
        "diffusivity": Option(
            constant_text("core_diffusivity"), "m^2/s", "of the sediment, for corrections"
        ),
        "diffusivity_uncertainty": Option(
            uncertainty_text("core_diffusivity"), "m^2/s", "systematic"
        ),
        "sedimentation_rate": Option(None, "mm/yr", "with its time, a correction is tabulated"),
        "sedimentation_rate_uncertainty": Option(None, "mm/yr", "systematic"),
        "sedimentation_time": Option(None, "yr", "since when the sediment came at this rate"),
        "sedimentation_time_uncertainty": Option(None, "yr", "systematic"),
        "bottom_water_step": Option(None, "K", "change of the bottom water, positive if warmer"),
        "bottom_water_step_uncertainty": Option(None, "K", "systematic"),
        "bottom_water_step_time": Option(None, "yr", "since that change"),
        "bottom_water_step_time_uncertainty": Option(None, "yr", "systematic"),
        "heat_production": Option(
            "none", "none|constant|natural gamma", "heat made in the sediment, a correction"
        ),
        "heat_production_value": Option(None, "uW/m^3", "the constant"),
        "heat_production_value_uncertainty": Option(None, "uW/m^3", "systematic"),
        "extrapolate_to": Option(None, "m", "depth to which temperatures of the line are given"),
    },
    "logs": {
        "files": Option(None, "log files", "by file name: what its depths and curves are"),
        "aperture": Option(
            _T["log_aperture"], "m", "length of hole that one value of a log stands for"
        ),
        "largest_shift": Option(
            _T["log_largest_shift"], "m", "that a core may move to meet the log, either way"
        ),
        "window": Option(None, "m", "of core that is shifted by itself; the whole without it"),
        "least_share": Option(
            _T["log_least_share"], "number", "of a window or aperture that must hold readings"
        ),
    },
}


def _width(option: Option) -> float:
    return float(units.as_floats(option.default, "cm", "width of a response"))


def _all_sections(sensors: Sequence[Sensor]) -> dict[str, dict[str, Option]]:
    """The section of each sensor between those of the scan and those of the samples."""
    found, widths = dict(_HOLE), dict[str, Option]()
    for sensor in sensors:
        if sensor.options:
            added(_PRODUCTS, {sensor.name: {}}, sensor.name, "section of the recipe")
            section = {sensor.name: dict(sensor.options)}
            found = added(found, section, sensor.name, "section of the recipe")
        widths = added(widths, sensor.quality_options, sensor.name, "option of [quality]")
        added(_HOLE["quality"], sensor.quality_options, sensor.name, "option of [quality]")
    # The narrowest response first.
    ordered = dict(sorted(widths.items(), key=lambda row: _width(row[1])))
    found["quality"] = added(_HOLE["quality"], ordered, "", "option of [quality]", after="evaluate")
    return {**found, **_PRODUCTS}


SCHEMA = Compiled(_all_sections)

# What [logs] files says of one LAS file.
LOG_FILE: dict[str, Option] = {
    "depth_datum": Option(None, "seafloor|rig floor|sea level", "where its depths count from"),
    "seafloor_depth": Option(None, "m", "of the seafloor in the file's own depths"),
    "seafloor_depth_uncertainty": Option(None, "m", "systematic, of all depths of the file"),
    "null": Option(None, "number", "value that stands for none, where the header is wrong"),
    "curves": Option(None, "curves", "quantity of the vocabulary by name of the curve"),
}
