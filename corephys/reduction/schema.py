"""The choices of a reduction as data: for each its default, its kind and what it means."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from corephys.ground import constants, thresholds
from corephys.ground.provenance import SourcedNumber, SourcedText

__all__ = ["LOG_FILE", "SCHEMA", "Option"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Option:
    """One choice.

    Parameters
    ----------
    default : str, float, bool or None
        None stands for unknown: an uncertainty becomes NaN, a setting is found from the data.
    kind : str
        A unit, or ``"number"``, ``"switch"``, ``"time"``, ``"levels"``, ``"curves"``,
        ``"log files"``, ``"windows"``, or the legal words separated by ``|``.
    meaning : str
        One line for the reader of a recipe.
    taken_from : str
        Function and argument whose default this is; empty for an option of the recipe itself.
    """

    default: Any
    kind: str
    meaning: str
    taken_from: str = ""


def _from(function: Callable[..., Any], argument: str, kind: str, meaning: str) -> Option:
    """An option that is an argument of a function: its default is read there."""
    default = inspect.signature(function).parameters[argument].default
    if isinstance(default, constants.Constant):
        default = SourcedText(str(default), "constant", constant=default)
    elif kind == "number" and isinstance(default, int) and not isinstance(default, bool):
        # A number of the recipe is written with a decimal point in JSON, whatever it counts.
        default = float(default)
    place = f"{function.__module__}.{function.__qualname__}"
    return Option(default, kind, meaning, f"{place}({argument})")


def _of(name: str, text: str = "") -> SourcedText:
    """Text of a constant, in another unit where it is given, that stays known as that constant."""
    return SourcedText(text or str(_C[name]), "constant", constant=_C[name])


def _sigma(name: str) -> str:
    return f"{_C[name].uncertainty:g} {_C[name].unit}"


_MINERALS = (
    "quartz|calcite|dolomite|aragonite|feldspar|plagioclase|clay|clay_gulf|illite|smectite|opal|"
    "pyrite|halite"
)


def _options() -> dict[str, dict[str, Option]]:
    """Every option of every stage."""
    # Imported where needed: the recipe is imported without the functions whose defaults it reads.
    from corephys import quality
    from corephys.downhole import logs
    from corephys.downhole import temperature as formation_temperature
    from corephys.hole.placing import depth
    from corephys.products import accumulation, compaction, elastic, heat_flow, seismic, stress
    from corephys.samples import consolidation, index_properties, needle, strength
    from corephys.samples import velocity as sample_velocity
    from corephys.sensors import gamma, natural_gamma, pwave, resistivity, susceptibility

    return {
        "hole": {
            "water_depth": Option(None, "m", "depth of water"),
            "bottom_water_temperature": _from(
                heat_flow.bullard, "bottom_water_temperature", "degC", "temperature at the seafloor"
            ),
            "bottom_water_temperature_uncertainty": Option(
                "0.05 K", "K", "its standard uncertainty"
            ),
            "pore_water_salinity": Option(
                _of("pore_water_salinity"),
                "g/kg",
                "absolute salinity; practical salinity as '35 psu'",
            ),
            "pore_water_salinity_uncertainty": Option(
                _sigma("pore_water_salinity"), "g/kg", "systematic"
            ),
            "laboratory_temperature": Option(
                "20 degC", "degC", "of cores and standards when measured"
            ),
        },
        "liner": {
            "bore": Option("66 mm", "mm", "inner diameter"),
            "wall": Option("2.6 mm", "mm", "thickness of the wall"),
            "velocity": _from(
                pwave.calibrate, "liner_velocity", "m/s", "P-wave velocity of the wall"
            ),
            "velocity_uncertainty": Option(_sigma("liner_velocity"), "m/s", "systematic"),
        },
        "depth": {
            "tide": _from(
                depth.uncertainty, "tide", "m", "of each core; half its range, or as tide_is says"
            ),
            "tide_is": _from(
                depth.uncertainty, "tide_is", "half range|standard uncertainty", "what tide is"
            ),
            "heave": _from(
                depth.uncertainty, "heave", "m", "when a core was cut, one error a core"
            ),
            "drill_string": _from(
                depth.uncertainty,
                "drill_string",
                "m",
                "length of the string, one error of the hole",
            ),
            "drill_string_relative": _from(
                depth.uncertainty, "drill_string_relative", "%", "the same as a part of the depth"
            ),
            "offset": _from(depth.uncertainty, "offset", "cm", "of each reading in its section"),
            "recovery_placement": _from(
                depth.uncertainty,
                "recovery_placement",
                "top|middle",
                "of material in its advance; middle adds the correction beside",
            ),
        },
        "reduction": {
            "strict": Option(
                False,
                "switch",
                "stop at the first stage that fails, in place of going on without it",
            ),
        },
        "quality": {
            "use": Option("good, not_evaluated", "levels", "flag levels that products may use"),
            "evaluate": Option(True, "switch", "look for ends, voids, spikes and weak coupling"),
            "response_density": Option(
                _T["response_density"], "cm", "width of the response along the core"
            ),
            "response_velocity": Option(_T["response_velocity"], "cm", "the same of the P-wave"),
            "response_susceptibility": Option(
                _T["response_susceptibility"], "cm", "the same of the loop"
            ),
            "response_resistivity": Option(
                _T["response_resistivity"], "cm", "the same of resistivity"
            ),
            "end_trim": Option(
                _T["end_trim"], "number", "response widths from an end that are doubted"
            ),
            "spike_test": _from(
                quality.Settings,
                "spike_test",
                "neighbours|rolling median",
                "what a spike stands off from",
            ),
            "spike_threshold": Option(_T["spike_threshold"], "number", "in standard deviations"),
            "spike_side_share": Option(
                _T["spike_side_share"], "number", "share of it needed from either side"
            ),
            "spike_window": Option(
                _T["spike_window"], "cm", "section over which the scatter is judged"
            ),
            "level_window": Option(
                _T["level_window"], "cm", "core that gives the level of density"
            ),
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
            "void_share": Option(
                _T["void_share"], "number", "share of the density missing in a void"
            ),
            "void_density": Option(
                _T["void_density"], "g/cm^3", "density below which nothing is core"
            ),
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
            "sample_reach": Option(
                _T["sample_reach"], "cm", "from a sample to the readings it judges"
            ),
            "control_charts": Option(True, "switch", "watch the check standards"),
            "settling": Option(True, "switch", "flag cores that have not come to room temperature"),
            "settling_tolerance": Option(
                _T["settling_tolerance"], "K", "departure from room temperature allowed"
            ),
            "surface_conductance": Option(
                _of("surface_conductance"), "W/(m^2 K)", "of the air around a core that warms up"
            ),
            "deck_temperature": _from(
                quality.settled,
                "deck_temperature",
                "degC",
                "of the core on deck; else of the bottom water",
            ),
        },
        "gamma": {
            "dead_time": _from(
                gamma.calibrate, "dead_time", "s", "of the counter, non-paralysable"
            ),
            "dead_time_uncertainty": _from(
                gamma.calibrate, "dead_time_uncertainty", "s", "systematic"
            ),
            "background_rate": _from(
                gamma.calibrate, "background_rate", "1/s", "rate without the beam"
            ),
            "background_rate_uncertainty": _from(
                gamma.calibrate, "background_rate_uncertainty", "1/s", "systematic"
            ),
            "half_life": _from(gamma.bulk_density, "half_life", "yr", "of the source"),
            "reference_time": Option(None, "time", "date of the calibration; else the standards'"),
            "time": _from(gamma.calibrate, "time_kind", "real|live", "kind of counting time"),
            "order": Option("by AICc", "by AICc|1|2", "degree of ln I in areal density"),
            "core_diameter_uncertainty": _from(
                gamma.bulk_density,
                "core_diameter_uncertainty",
                "mm",
                "systematic, shared with the velocity",
            ),
            "grain_density": _from(
                gamma.bulk_density, "grain_density", "g/cm^3", "where no samples give it"
            ),
            "grain_density_uncertainty": Option(_sigma("grain_density"), "g/cm^3", "systematic"),
            "slurry_density": Option("1.5 g/cm^3", "g/cm^3", "of an annulus of slurry"),
            "scale": _from(
                gamma.calibrate,
                "scale",
                "aluminium and water|grain equivalent",
                "density convention",
            ),
            "calibrations": Option(
                "interpolated", "interpolated|together", "sets of standards at several times"
            ),
            "dead_time_from_standards": Option(False, "switch", "estimate the dead time"),
            "tie_to_samples": Option(False, "switch", "factor to the samples, by coring method"),
            "tie_within": _from(
                depth.match, "within", "cm", "from a sample to the readings it is tied to"
            ),
        },
        "pwave": {
            "delay": _from(
                pwave.velocity, "delay", "us", "of the electronics; from the standards without it"
            ),
            "delay_uncertainty": _from(pwave.velocity, "delay_uncertainty", "us", "systematic"),
            "core_diameter_uncertainty": _from(
                pwave.velocity,
                "core_diameter_uncertainty",
                "mm",
                "systematic, shared with the density",
            ),
            "thickness_uncertainty": Option(
                "0.1 mm", "mm", "random, of one reading of the calliper"
            ),
            "travel_time_uncertainty": Option("0.05 us", "us", "random, of one pick"),
            "amplitude_gate": Option(0.0, "number", "least amplitude, in the instrument's units"),
            "pick": Option(
                "table", "table|manual|onset|threshold|correlation", "which travel time is used"
            ),
            "gate_start": Option(None, "us", "earliest arrival of a waveform"),
            "gate_end": Option(None, "us", "latest arrival of a waveform"),
            "threshold_level": Option(
                0.3, "number", "share of the peak that a threshold pick meets"
            ),
            "in_situ": Option("none", "none|ratio|slowness", "form of the in-situ correction"),
        },
        "resistivity": {
            "order": Option("by AICc", "by AICc|1|2", "degree of log resistivity in log response"),
            "drift": Option(True, "switch", "take the baseline in air off, linear in time"),
            "response_uncertainty": _from(
                resistivity.electrical_resistivity,
                "response_uncertainty",
                "mV",
                "random, of one reading",
            ),
            "brine_uncertainty": Option(
                _of("brine_uncertainty", "1 %"), "%", "systematic, of the brines' conductivity"
            ),
            "temperature_uncertainty": Option("0.5 K", "K", "random, of the core"),
            "core_diameter_uncertainty": _from(
                resistivity.electrical_resistivity,
                "core_diameter_uncertainty",
                "mm",
                "systematic, shared with the density",
            ),
            "cell_constant": Option(
                None, "m", "of four electrodes; their response is then a voltage"
            ),
            "current": Option(None, "mA", "through the outer two of four electrodes"),
            "reference_temperature": _from(
                resistivity.to_reference_temperature,
                "reference",
                "degC",
                "that resistivity is brought to",
            ),
            "in_situ": Option(False, "switch", "bring resistivity to in-situ conditions"),
            "archie": Option("by layer", "by layer|whole|none", "where its parameters are fitted"),
            "surface_conduction": Option(False, "switch", "allow for conduction along grains"),
        },
        "susceptibility": {
            "unit": Option("1e-5 SI", "1e-5 SI|SI|1e-6 cgs|cgs", "of the readings"),
            "drift": Option(True, "switch", "take the reading in air off, linear in time"),
            "loop_diameter": _from(
                susceptibility.magnetic_susceptibility,
                "loop_diameter",
                "mm",
                "aperture of the loop; no volume factor without it",
            ),
            "loop_allowance": _from(
                susceptibility.magnetic_susceptibility,
                "allowance",
                "mm",
                "from the aperture to the effective loop",
            ),
            "loop_factor_uncertainty": Option(
                _of("loop_factor_uncertainty", "2 %"),
                "%",
                "systematic, relative, of the volume factor",
            ),
            "volume_corrected": _from(
                susceptibility.magnetic_susceptibility,
                "volume_corrected",
                "switch",
                "the readings already are per volume",
            ),
            "reading_uncertainty": _from(
                susceptibility.magnetic_susceptibility,
                "reading_uncertainty",
                "number",
                "random, in the unit of the readings",
            ),
            "core_diameter_uncertainty": _from(
                susceptibility.magnetic_susceptibility,
                "core_diameter_uncertainty",
                "mm",
                "systematic, shared with the density",
            ),
            "counter_range": Option(None, "number", "of a counter that may have wrapped"),
        },
        "natural_gamma": {
            "response_width": Option(
                _T["response_natural_gamma"], "cm", "full width at half maximum"
            ),
            "response_width_uncertainty": Option("2 cm", "cm", "its standard uncertainty"),
            "least_fill": _from(
                natural_gamma.edge_correct,
                "least_fill",
                "number",
                "least share of the response that is corrected for",
            ),
            "stack": Option(None, "cm", "length of core that is stacked before stripping"),
            "mass_basis": _from(
                natural_gamma.heat_production,
                "mass_basis",
                "wet|dry",
                "of the concentrations; heat production needs it",
            ),
            "core_diameter_uncertainty": _from(
                natural_gamma.strip,
                "core_diameter_uncertainty",
                "mm",
                "systematic, shared with the density",
            ),
        },
        "index_properties": {
            "mass_uncertainty": _from(
                index_properties.phase_relations, "mass_uncertainty", "g", "random"
            ),
            "mass_systematic": _from(
                index_properties.phase_relations, "mass_systematic", "g", "systematic"
            ),
            "volume_uncertainty": _from(
                index_properties.phase_relations, "volume_uncertainty", "cm^3", "random"
            ),
            "volume_systematic": _from(
                index_properties.phase_relations, "volume_systematic", "cm^3", "systematic"
            ),
            "route": _from(
                index_properties.phase_relations,
                "route",
                "dry volume|wet volume|calliper",
                "which volume counts; the dry one if there",
            ),
            "wet_volume_uncertainty": _from(
                index_properties.phase_relations,
                "wet_volume_uncertainty",
                "cm^3",
                "random, by the route of the calliper",
            ),
            "wet_volume_systematic": _from(
                index_properties.phase_relations,
                "wet_volume_systematic",
                "cm^3",
                "systematic, by the route of the calliper",
            ),
            "pore_water_table": Option(True, "switch", "salinity by depth from pore_water.csv"),
            "pycnometer_standards": Option(True, "switch", "scale each cell by its standards"),
            "culprits": Option(True, "switch", "name what most likely sets a sample apart"),
            "salt_density": _from(
                index_properties.phase_relations,
                "salt_density",
                "g/cm^3",
                "of the salt left on drying",
            ),
            "pore_water_density": Option(
                None, "g/cm^3", "from salinity and temperature without it"
            ),
            "pore_water_density_uncertainty": Option("0.0005 g/cm^3", "g/cm^3", "systematic"),
        },
        "needle": {
            "heating_power_uncertainty": _from(
                needle.thermal_conductivity,
                "heating_power_uncertainty",
                "%",
                "systematic, relative",
            ),
            "minimum_window": _from(
                needle.thermal_conductivity,
                "minimum_window",
                "s",
                "shortest window of a heating curve",
            ),
            "combine_repeats": Option(True, "switch", "one value for the repeats at a position"),
            "boundary_distance": _from(
                needle.thermal_conductivity,
                "boundary_distance",
                "mm",
                "from the needle to the nearest boundary",
            ),
            "cross_check": _from(
                needle.thermal_conductivity,
                "cross_check",
                "switch",
                "fit the whole heated cylinder too",
            ),
            "windows": _from(
                needle.thermal_conductivity,
                "chosen_windows",
                "windows",
                "by run, where one chose: since heating began",
            ),
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
                False,
                "switch",
                "bring conductivities to pressure and temperature below, for heat flow",
            ),
            "in_situ_form_uncertainty": _from(
                needle.in_situ, "form_uncertainty", "%", "systematic, of the change in situ"
            ),
            "in_situ_temperature_uncertainty": Option("1 K", "K", "systematic, of the formation"),
            "laboratory_temperature_uncertainty": Option("1 K", "K", "systematic, of the core"),
        },
        "formation_temperature": {
            "conductivity_uncertainty": Option(
                "5 %", "%", "of the stations' conductivity, relative"
            ),
            "heat_capacity_uncertainty": Option("5 %", "%", "of the sediment, relative"),
            "thermometer_uncertainty": Option("0.002 K", "K", "systematic"),
            "windows": _from(
                formation_temperature.equilibrium_temperature,
                "chosen_windows",
                "windows",
                "by station, where one chose: since penetration",
            ),
        },
        "sample_velocity": {
            "delay": _from(
                sample_velocity.reduce_table, "delay", "us", "of the P-wave transducers"
            ),
            "delay_uncertainty": _from(
                sample_velocity.reduce_table, "delay_uncertainty", "us", "systematic"
            ),
            "s_delay": _from(
                sample_velocity.reduce_table, "s_delay", "us", "of the S-wave transducers"
            ),
            "s_delay_uncertainty": _from(
                sample_velocity.reduce_table, "s_delay_uncertainty", "us", "systematic"
            ),
            "length_uncertainty": _from(
                sample_velocity.reduce_table,
                "length_uncertainty",
                "mm",
                "random, of one reading of the calliper",
            ),
            "length_systematic": _from(
                sample_velocity.reduce_table,
                "length_systematic",
                "mm",
                "systematic, of the calliper",
            ),
            "travel_time_uncertainty": _from(
                sample_velocity.reduce_table,
                "travel_time_uncertainty",
                "us",
                "random, of one P-wave pick",
            ),
            "s_travel_time_uncertainty": _from(
                sample_velocity.reduce_table,
                "s_travel_time_uncertainty",
                "us",
                "random, of one S-wave pick",
            ),
            "within": _from(
                sample_velocity.anisotropy,
                "within",
                "cm",
                "readings no farther apart are of one place",
            ),
        },
        "strength": {
            "vane_torque_uncertainty": _from(
                strength.vane, "torque_uncertainty", "N m", "random, of one torque"
            ),
            "vane_torque_scale_uncertainty": _from(
                strength.vane, "torque_scale_uncertainty", "%", "systematic, of spring or sensor"
            ),
            "vane_diameter_uncertainty": _from(
                strength.vane, "diameter_uncertainty", "mm", "systematic, of the blades"
            ),
            "vane_height_uncertainty": _from(
                strength.vane, "height_uncertainty", "mm", "systematic, of the blades"
            ),
            "cone_factor": _from(
                strength.fall_cone, "factor", "number", "of the fall cone, by its angle without it"
            ),
            "cone_factor_uncertainty": _from(
                strength.fall_cone, "factor_uncertainty", "number", "systematic"
            ),
            "cone_penetration_uncertainty": _from(
                strength.fall_cone, "penetration_uncertainty", "mm", "random"
            ),
            "penetrometer_load_uncertainty": _from(
                strength.penetrometer, "load_uncertainty", "N", "random"
            ),
            "penetrometer_scale_uncertainty": _from(
                strength.penetrometer, "scale_uncertainty", "%", "systematic, of its spring"
            ),
            "unconfined_load_uncertainty": _from(
                strength.unconfined, "load_uncertainty", "N", "random"
            ),
            "unconfined_load_scale_uncertainty": _from(
                strength.unconfined, "load_scale_uncertainty", "%", "systematic, of the load cell"
            ),
            "unconfined_diameter_uncertainty": _from(
                strength.unconfined, "diameter_uncertainty", "mm", "random, of a specimen"
            ),
            "within": _from(
                strength.sensitivity, "within", "cm", "tests no farther apart are of one place"
            ),
        },
        "consolidation": {
            "void_ratio_uncertainty": _from(
                consolidation.curve,
                "void_ratio_uncertainty",
                "number",
                "random, of one point of a curve",
            ),
            "initial_void_ratio_uncertainty": _from(
                consolidation.curve,
                "initial_void_ratio_uncertainty",
                "number",
                "systematic, of a test",
            ),
            "height_uncertainty": _from(
                consolidation.consolidation_rate,
                "height_uncertainty",
                "mm",
                "random, of one reading of a step",
            ),
            "drainage": _from(
                consolidation.consolidation_rate,
                "drainage",
                "both|one",
                "faces of the disc that drain",
            ),
            "nearest_sample": Option(
                _T["nearest_sample"], "m", "whose void ratio begins a test that has none"
            ),
        },
        "stress": {
            "density": Option("samples", "samples|scan", "which density weighs on what lies below"),
            "fluid_density": Option(None, "g/cm^3", "from salinity and bottom water without it"),
            "fluid_density_uncertainty": Option("0.002 g/cm^3", "g/cm^3", "systematic"),
            "largest_gap": _from(
                stress.vertical_effective_stress,
                "largest_gap",
                "m",
                "to the nearest density, beyond it a stress is marked",
            ),
            "depth_uncertainty": _from(
                stress.profile,
                "depth_uncertainty",
                "m",
                "of the seafloor in the depth scale, systematic",
            ),
            "water_depth_uncertainty": _from(
                stress.profile, "water_depth_uncertainty", "m", "systematic"
            ),
            "sea_water_density": Option(
                None, "g/cm^3", "mean of the sea, from salinity without it"
            ),
            "sea_water_density_uncertainty": Option("0.003 g/cm^3", "g/cm^3", "systematic"),
            "fill": _from(
                stress.profile, "fill", "compaction|linear|none", "what stands in gaps of density"
            ),
            "fluid_column_density": Option(
                None, "g/cm^3", "of a drilling fluid at rest, to compare"
            ),
            "fluid_column_density_uncertainty": Option("0.01 g/cm^3", "g/cm^3", "systematic"),
            "fluid_column_from": Option(
                "seafloor", "seafloor|sea level", "where that fluid begins"
            ),
            "reference_void_ratio": Option(
                None, "number", "of first loading, for a pressure bound"
            ),
            "reference_compression_index": Option(None, "number", "of first loading"),
            "reference_stress": _from(
                stress.reference_of_indices,
                "at_stress",
                "kPa",
                "at which the reference has its void ratio",
            ),
            "reference_void_ratio_uncertainty": _from(
                stress.reference_of_indices, "void_ratio_uncertainty", "number", "systematic"
            ),
            "reference_compression_index_uncertainty": _from(
                stress.reference_of_indices, "compression_index_uncertainty", "number", "systematic"
            ),
            "reference_scatter": _from(
                stress.reference_of_indices,
                "scatter",
                "number",
                "of single samples about it, in void ratio",
            ),
        },
        "seismic": {
            "velocity": Option(
                "laboratory", "laboratory|in situ", "which velocity makes the profile"
            ),
            "overlap": _from(
                seismic.profile,
                "overlap",
                "average|upper core|lower core",
                "where two cores overlap",
            ),
            "merge_within": _from(
                seismic.profile, "merge_within", "cm", "readings no farther apart are averaged"
            ),
            "largest_gap": _from(
                seismic.profile, "largest_gap", "m", "a longer step between readings is a gap"
            ),
            "fill": _from(seismic.profile, "fill", "linear|none", "what is put into a gap"),
            "fill_spacing": _from(
                seismic.profile, "fill_spacing", "cm", "of the rows put into a gap"
            ),
            "averaging_length": _from(
                seismic.backus, "length", "m", "of the long-wave average; by the wave without it"
            ),
            "averaging_fraction": _from(
                seismic.backus, "fraction", "number", "of the wavelength that is averaged over"
            ),
            "frequency": Option("60 Hz", "Hz", "of the greatest amplitude of the wavelet"),
            "phase": _from(seismic.ricker, "phase", "degree", "constant rotation of the wavelet"),
            "time_step": Option("0.5 ms", "ms", "of the coefficients and the trace"),
            "seafloor_impedance": _from(
                seismic.reflectivity,
                "top",
                "MPa s/m",
                "of the water above; no seafloor reflection without it",
            ),
            "draws": _from(
                seismic.synthetic, "draws", "number", "of the Monte Carlo for the band of the trace"
            ),
            "sound_speed": Option(
                _of("water_column_sound_speed"), "m/s", "mean speed of sound in the water"
            ),
            "sound_speed_uncertainty": _from(
                seismic.time_depth, "sound_speed_uncertainty", "m/s", "systematic"
            ),
            "check_shot_datum": _from(
                seismic.check_shot_times, "datum", "seafloor|sea level", "where their time is zero"
            ),
            "check_shot_uncertainty": _from(
                seismic.check_shot_times, "time_uncertainty", "ms", "random, of a two-way time"
            ),
        },
        "porosity": {
            "grain_density": Option(
                "from samples", "from samples|constant", "source of the grains"
            ),
            "pore_water_density": Option(
                None, "g/cm^3", "from salinity and temperature without it"
            ),
            "pore_water_density_uncertainty": Option("0.0005 g/cm^3", "g/cm^3", "systematic"),
        },
        "elastic": {
            "mineral": Option("quartz", _MINERALS, "stiffest grains, those of the upper bound"),
            "soft_mineral": Option("clay", _MINERALS, "softest grains, those of the suspension"),
            "stiff_share": Option(
                0.3, "number", "volume share of the stiffest in the models' grains"
            ),
            "grain_bulk_modulus": Option(
                None, "GPa", "of the models' grains, in place of a mixture"
            ),
            "grain_shear_modulus": Option(None, "GPa", "the same in shear"),
            "fluid": Option(
                "pore water", "pore water|brine", "sea salt (TEOS-10) or sodium chloride"
            ),
            "margin": _from(
                elastic.bounds_check,
                "margin",
                "number",
                "uncertainties a velocity may miss a bound by",
            ),
            "critical_porosity": Option(
                0.65, "number", "where grains part: sand 0.4, mud 0.6 to 0.7"
            ),
            "critical_porosity_uncertainty": Option(0.05, "number", "systematic"),
            "effective_pressure": _from(
                elastic.velocity_models,
                "effective_pressure",
                "kPa",
                "on the grains; else the median of the hole",
            ),
        },
        "compaction": {
            "porosity": Option("samples", "samples|scan", "which porosity is fitted"),
            "absolute_sigma": Option(True, "switch", "take the stated uncertainties as they are"),
            "excess_scatter": _from(
                compaction.fit,
                "excess_scatter",
                "switch",
                "natural scatter of beds, shared by neighbours",
            ),
            "model": _from(
                compaction.fit,
                "model",
                "exponential|offset exponential|linear|power|exponential in stress|"
                "void ratio in log stress",
                "what is fitted",
            ),
            "robust": _from(
                compaction.fit, "robust", "none|huber|tukey", "weights for residuals that stand off"
            ),
            "surface_porosity": _from(
                compaction.fit, "fixed", "number", "forced at the seafloor; free without it"
            ),
            "compare": Option(True, "switch", "fit all models to the same porosities"),
            "by_layer": Option(True, "switch", "fit each layer of layers.csv by itself"),
            "bootstrap": _from(
                compaction.bootstrap,
                "replicates",
                "number",
                "draws of blocks of depth; none with 0",
            ),
            "bootstrap_block": _from(
                compaction.bootstrap,
                "block",
                "m",
                "length of a block; from the residuals without it",
            ),
        },
        "accumulation": {
            "depth_uncertainty": _from(
                accumulation.sedimentation_rate,
                "depth_uncertainty",
                "m",
                "of where a dated level lies, random",
            ),
            "growth_factor": _from(
                accumulation.sedimentation_rate,
                "growth_factor",
                "number",
                "composite depth over depth drilled, divided out",
            ),
            "growth_factor_uncertainty": _from(
                accumulation.sedimentation_rate, "growth_factor_uncertainty", "number", "systematic"
            ),
            "age_scale_uncertainty": _from(
                accumulation.sedimentation_rate,
                "age_scale_uncertainty",
                "%",
                "systematic, relative, of all durations; 0 % for data each dated by itself",
            ),
            "smoothing": _from(
                accumulation.sedimentation_rate,
                "smoothing",
                "m",
                "of the ages along depth, before differences are taken",
            ),
        },
        "heat_flow": {
            "carrier": _from(
                heat_flow.thermal_resistance,
                "how",
                "linear|steps|harmonic mean|trend",
                "conductivity between points",
            ),
            "include_bottom_water": Option(True, "switch", "use the seafloor as a point"),
            "depth_uncertainty": _from(
                heat_flow.thermal_resistance,
                "depth_uncertainty",
                "m",
                "of each station; without it from [depth]",
            ),
            "datum_uncertainty": _from(
                heat_flow.thermal_resistance,
                "datum_uncertainty",
                "m",
                "shared by all stations; unknown is not carried",
            ),
            "bend_significance": _from(
                heat_flow.curvature,
                "significance",
                "number",
                "straight holes that may be called curved",
            ),
            "monte_carlo_draws": Option(0, "number", "draws of every error; 0 for none"),
            "diffusivity": _from(
                heat_flow.sedimentation, "diffusivity", "m^2/s", "of the sediment, for corrections"
            ),
            "diffusivity_uncertainty": Option(_sigma("core_diffusivity"), "m^2/s", "systematic"),
            "sedimentation_rate": Option(None, "mm/yr", "with its time, a correction is tabulated"),
            "sedimentation_rate_uncertainty": _from(
                heat_flow.sedimentation, "rate_uncertainty", "mm/yr", "systematic"
            ),
            "sedimentation_time": Option(None, "yr", "since when the sediment came at this rate"),
            "sedimentation_time_uncertainty": _from(
                heat_flow.sedimentation, "duration_uncertainty", "yr", "systematic"
            ),
            "bottom_water_step": Option(
                None, "K", "change of the bottom water, positive if warmer"
            ),
            "bottom_water_step_uncertainty": _from(
                heat_flow.bottom_water_anomaly, "change_uncertainty", "K", "systematic"
            ),
            "bottom_water_step_time": Option(None, "yr", "since that change"),
            "bottom_water_step_time_uncertainty": _from(
                heat_flow.bottom_water_anomaly, "since_uncertainty", "yr", "systematic"
            ),
            "heat_production": Option(
                "none", "none|constant|natural gamma", "heat made in the sediment, a correction"
            ),
            "heat_production_value": Option(None, "uW/m^3", "the constant"),
            "heat_production_value_uncertainty": _from(
                heat_flow.heat_production_correction,
                "heat_production_uncertainty",
                "uW/m^3",
                "systematic",
            ),
            "extrapolate_to": Option(
                None, "m", "depth to which temperatures of the line are given"
            ),
        },
        "logs": {
            "files": Option(None, "log files", "by file name: what its depths and curves are"),
            "aperture": _from(
                logs.compare, "aperture", "m", "length of hole that one value of a log stands for"
            ),
            "largest_shift": _from(
                logs.compare,
                "largest_shift",
                "m",
                "that a core may move to meet the log, either way",
            ),
            "window": _from(
                logs.compare,
                "window",
                "m",
                "of core that is shifted by itself; the whole without it",
            ),
            "least_share": _from(
                logs.compare,
                "least_share",
                "number",
                "of a window or aperture that must hold readings",
            ),
        },
    }


class _Schema(Mapping[str, Mapping[str, Option]]):
    """Options by stage and key, built when one is first asked for."""

    def __init__(self) -> None:
        self._held: dict[str, dict[str, Option]] = {}

    def _all(self) -> dict[str, dict[str, Option]]:
        if not self._held:
            self._held = _options()
        return self._held

    def __getitem__(self, stage: str) -> Mapping[str, Option]:
        return self._all()[stage]

    def __iter__(self) -> Iterator[str]:
        return iter(self._all())

    def __len__(self) -> int:
        return len(self._all())


SCHEMA: Mapping[str, Mapping[str, Option]] = _Schema()

# Settings of one LAS file under [logs] files.
LOG_FILE: dict[str, Option] = {
    "depth_datum": Option(None, "seafloor|rig floor|sea level", "where its depths count from"),
    "seafloor_depth": Option(None, "m", "of the seafloor in the file's own depths"),
    "seafloor_depth_uncertainty": Option(None, "m", "systematic, of all depths of the file"),
    "null": Option(None, "number", "value that stands for none, where the header is wrong"),
    "curves": Option(None, "curves", "quantity of the vocabulary by name of the curve"),
}
