"""The choices of a reduction as data: for each its default, its kind and what it means."""

from __future__ import annotations

from collections.abc import Sequence

from corephys.ground import constants, thresholds, units
from corephys.ground.provenance import SourcedNumber
from corephys.ground.registry import Compiled, added
from corephys.ground.sensor import Option, Sensor, constant_text, option_from, uncertainty_text

__all__ = ["LOG_FILE", "SCHEMA", "Option"]

_T = thresholds.DEFAULTS


_MINERALS = (
    "quartz|calcite|dolomite|aragonite|feldspar|plagioclase|clay|clay_gulf|illite|smectite|opal|"
    "pyrite|halite"
)


def _options() -> dict[str, dict[str, Option]]:
    """Every option of every stage, without those of the sensors of the scan."""
    # Imported where needed: the recipe is imported without the functions whose defaults it reads.
    from corephys import quality
    from corephys.downhole import logs
    from corephys.downhole import temperature as formation_temperature
    from corephys.hole.placing import depth
    from corephys.products import accumulation, compaction, elastic, heat_flow, seismic, stress
    from corephys.samples import consolidation, index_properties, needle, strength
    from corephys.samples import velocity as sample_velocity
    from corephys.sensors import pwave

    return {
        "hole": {
            "water_depth": Option(None, "m", "depth of water"),
            "bottom_water_temperature": option_from(
                heat_flow.bullard, "bottom_water_temperature", "degC", "temperature at the seafloor"
            ),
            "bottom_water_temperature_uncertainty": Option(
                "0.05 K", "K", "standard uncertainty of the bottom-water temperature"
            ),
            "pore_water_salinity": Option(
                constant_text("pore_water_salinity"),
                "g/kg",
                "absolute salinity; practical salinity as '35 psu'",
            ),
            "pore_water_salinity_uncertainty": Option(
                uncertainty_text("pore_water_salinity"),
                "g/kg",
                "standard uncertainty of the salinity, systematic",
            ),
            "laboratory_temperature": Option(
                "20 degC", "degC", "temperature of cores and standards when measured"
            ),
        },
        "liner": {
            "bore": Option("70 mm", "mm", "inner diameter of the liner"),
            "wall": Option("2.5 mm", "mm", "thickness of the liner's wall"),
            "velocity": option_from(
                pwave.calibrate, "liner_velocity", "m/s", "P-wave velocity of the liner's wall"
            ),
            "velocity_uncertainty": Option(
                uncertainty_text("liner_velocity"),
                "m/s",
                "standard uncertainty of that velocity, systematic",
            ),
        },
        "depth": {
            "tide": option_from(
                depth.uncertainty,
                "tide",
                "m",
                "tide while each core was taken, one error a core; see tide_is",
            ),
            "tide_is": option_from(
                depth.uncertainty,
                "tide_is",
                "half_range|standard_uncertainty",
                "what the value of tide is",
            ),
            "heave": option_from(
                depth.uncertainty,
                "heave",
                "m",
                "heave of the vessel when a core was cut, one error a core",
            ),
            "drill_string": option_from(
                depth.uncertainty,
                "drill_string",
                "m",
                "uncertainty of the length of the drill string, one error a hole",
            ),
            "drill_string_relative": option_from(
                depth.uncertainty,
                "drill_string_relative",
                "%",
                "uncertainty of the drill string as a part of the depth",
            ),
            "offset": option_from(
                depth.uncertainty,
                "offset",
                "cm",
                "uncertainty of each reading's offset in its section",
            ),
            "recovery_placement": option_from(
                depth.uncertainty,
                "recovery_placement",
                "top|middle",
                "where material lies in its advance; middle adds the correction beside",
            ),
        },
        "reduction": {
            "strict": Option(
                False,
                "switch",
                "stop at the first stage that fails, in place of going on without it",
            ),
            "supplied": Option(
                "fill",
                "fill|instead|beside",
                "supplied values where nothing was measured, in place of measured ones, or in no "
                "product",
            ),
        },
        "quality": {
            "use": Option("good, not_evaluated", "levels", "flag levels that products may use"),
            "disturbance": Option(
                "none",
                "none|slight|moderate|severe",
                "least disturbance in description.csv that flags a reading; none flags nothing",
            ),
            "evaluate": Option(True, "switch", "test for ends, voids, spikes and weak coupling"),
            "end_trim": Option(
                _T["end_trim"],
                "number",
                "response widths from a section end within which a reading is suspect",
            ),
            "spike_test": option_from(
                quality.Settings,
                "spike_test",
                "neighbours|rolling_median",
                "what a spike is compared with",
            ),
            "spike_threshold": Option(
                _T["spike_threshold"],
                "number",
                "distance of a spike from its neighbours, in standard deviations",
            ),
            "spike_side_share": Option(
                _T["spike_side_share"], "number", "share of spike_threshold needed from either side"
            ),
            "spike_window": Option(
                _T["spike_window"], "cm", "length of section that gives the scatter"
            ),
            "level_window": Option(
                _T["level_window"], "cm", "length of core that gives the level of density"
            ),
            "low_threshold": Option(
                _T["low_threshold"], "number", "shortfall of density, in standard deviations"
            ),
            "amplitude_fraction": Option(
                _T["amplitude_fraction"], "number", "share of its level below which a pulse is weak"
            ),
            "deaf_fraction": Option(
                _T["deaf_fraction"],
                "number",
                "share of the hole's median amplitude below which a core has lost coupling",
            ),
            "void_length": Option(
                _T["void_length"], "cm", "longest void that lost pulses alone show"
            ),
            "void_share": Option(
                _T["void_share"], "number", "share of the density missing in a void"
            ),
            "void_density": Option(
                _T["void_density"], "g/cm^3", "density below which there is no core"
            ),
            "crack_length": Option(_T["crack_length"], "cm", "a void shorter than this is a crack"),
            "least_length": Option(
                _T["least_length"], "cm", "shortest thin fill that density alone shows"
            ),
            "repeat_threshold": Option(
                _T["repeat_threshold"],
                "number",
                "difference between repeats, in combined random uncertainties",
            ),
            "bound_margin": Option(
                _T["bound_margin"],
                "number",
                "uncertainties by which a velocity may fall below its bound",
            ),
            "sample_difference": Option(
                _T["sample_difference"], "g/cm^3", "largest difference of a density from its sample"
            ),
            "sample_reach": Option(
                _T["sample_reach"], "cm", "distance from a sample to the readings compared with it"
            ),
            "control_charts": Option(True, "switch", "keep control charts of the check standards"),
            "settling": Option(True, "switch", "flag cores that have not come to room temperature"),
            "settling_tolerance": Option(
                _T["settling_tolerance"], "K", "departure from room temperature allowed"
            ),
            "surface_conductance": Option(
                constant_text("surface_conductance"),
                "W/(m^2 K)",
                "heat transfer from the air to a core that warms up",
            ),
            "deck_temperature": option_from(
                quality.settled,
                "deck_temperature",
                "degC",
                "temperature of the core on deck; else that of the bottom water",
            ),
        },
        "index_properties": {
            "mass_uncertainty": option_from(
                index_properties.phase_relations,
                "mass_uncertainty",
                "g",
                "standard uncertainty of one weighing, random",
            ),
            "mass_systematic": option_from(
                index_properties.phase_relations,
                "mass_systematic",
                "g",
                "standard uncertainty of the balance, systematic",
            ),
            "volume_uncertainty": option_from(
                index_properties.phase_relations,
                "volume_uncertainty",
                "cm^3",
                "standard uncertainty of one volume, random",
            ),
            "volume_systematic": option_from(
                index_properties.phase_relations,
                "volume_systematic",
                "cm^3",
                "standard uncertainty of the pycnometer, systematic",
            ),
            "route": option_from(
                index_properties.phase_relations,
                "route",
                "dry_volume|wet_volume|calliper",
                "which volume is used; the dry one if it is there",
            ),
            "wet_volume_uncertainty": option_from(
                index_properties.phase_relations,
                "wet_volume_uncertainty",
                "cm^3",
                "standard uncertainty of a calliper volume, random",
            ),
            "wet_volume_systematic": option_from(
                index_properties.phase_relations,
                "wet_volume_systematic",
                "cm^3",
                "standard uncertainty of calliper volumes, systematic",
            ),
            "pore_water_table": Option(
                True, "switch", "take the salinity by depth from pore_water.csv"
            ),
            "pycnometer_standards": Option(True, "switch", "scale each cell by its standards"),
            "culprits": Option(True, "switch", "name the most likely cause of an outlying sample"),
            "salt_density": option_from(
                index_properties.phase_relations,
                "salt_density",
                "g/cm^3",
                "density of the salt left on drying",
            ),
            "pore_water_density": Option(
                None,
                "g/cm^3",
                "density of the pore water; from salinity and temperature if not given",
            ),
            "pore_water_density_uncertainty": Option(
                "0.0005 g/cm^3",
                "g/cm^3",
                "standard uncertainty of the pore water's density, systematic",
            ),
        },
        "needle": {
            "heating_power_uncertainty": option_from(
                needle.thermal_conductivity,
                "heating_power_uncertainty",
                "%",
                "standard uncertainty of the heating power, systematic, relative",
            ),
            "minimum_window": option_from(
                needle.thermal_conductivity,
                "minimum_window",
                "s",
                "shortest window of a heating curve",
            ),
            "combine_repeats": Option(True, "switch", "one value for the repeats at a position"),
            "boundary_distance": option_from(
                needle.thermal_conductivity,
                "boundary_distance",
                "mm",
                "distance from the needle to the nearest boundary",
            ),
            "cross_check": option_from(
                needle.thermal_conductivity,
                "cross_check",
                "switch",
                "fit the solution of the heated cylinder as well",
            ),
            "windows": option_from(
                needle.thermal_conductivity,
                "chosen_windows",
                "windows",
                "windows chosen by hand, by run, since heating began",
            ),
            "anisotropy": Option(
                SourcedNumber(
                    constants.CONSTANTS["conductivity_anisotropy"].value,
                    "constant",
                    constant=constants.CONSTANTS["conductivity_anisotropy"],
                ),
                "number",
                "horizontal over vertical conductivity",
            ),
            "anisotropy_uncertainty": Option(
                constants.CONSTANTS["conductivity_anisotropy"].uncertainty,
                "number",
                "standard uncertainty of that ratio, systematic",
            ),
            "anisotropy_correction": Option(
                False, "switch", "convert conductivities to vertical by that ratio, for heat flow"
            ),
            "conditions": Option(
                "laboratory",
                "laboratory|in_situ",
                "conditions to which the given conductivities refer",
            ),
            "in_situ_correction": Option(
                False,
                "switch",
                "convert conductivities to pressure and temperature in place, for heat flow",
            ),
            "in_situ_form_uncertainty": option_from(
                needle.in_situ,
                "form_uncertainty",
                "%",
                "standard uncertainty of the change in situ, systematic",
            ),
            "in_situ_temperature_uncertainty": Option(
                "1 K", "K", "standard uncertainty of the formation's temperature, systematic"
            ),
            "laboratory_temperature_uncertainty": Option(
                "1 K", "K", "standard uncertainty of the core's temperature, systematic"
            ),
        },
        "formation_temperature": {
            "conductivity_uncertainty": Option(
                "5 %", "%", "standard uncertainty of the stations' conductivity, relative"
            ),
            "heat_capacity_uncertainty": Option(
                "5 %", "%", "standard uncertainty of the sediment's heat capacity, relative"
            ),
            "thermometer_uncertainty": Option(
                "0.002 K", "K", "standard uncertainty of the thermometer, systematic"
            ),
            "windows": option_from(
                formation_temperature.equilibrium_temperature,
                "chosen_windows",
                "windows",
                "windows chosen by hand, by station, since penetration",
            ),
        },
        "sample_velocity": {
            "delay": option_from(
                sample_velocity.reduce_table, "delay", "us", "delay of the P-wave transducers"
            ),
            "delay_uncertainty": option_from(
                sample_velocity.reduce_table,
                "delay_uncertainty",
                "us",
                "standard uncertainty of that delay, systematic",
            ),
            "s_delay": option_from(
                sample_velocity.reduce_table, "s_delay", "us", "delay of the S-wave transducers"
            ),
            "s_delay_uncertainty": option_from(
                sample_velocity.reduce_table,
                "s_delay_uncertainty",
                "us",
                "standard uncertainty of that delay, systematic",
            ),
            "length_uncertainty": option_from(
                sample_velocity.reduce_table,
                "length_uncertainty",
                "mm",
                "standard uncertainty of one calliper reading, random",
            ),
            "length_systematic": option_from(
                sample_velocity.reduce_table,
                "length_systematic",
                "mm",
                "standard uncertainty of the calliper, systematic",
            ),
            "travel_time_uncertainty": option_from(
                sample_velocity.reduce_table,
                "travel_time_uncertainty",
                "us",
                "standard uncertainty of one P-wave pick, random",
            ),
            "s_travel_time_uncertainty": option_from(
                sample_velocity.reduce_table,
                "s_travel_time_uncertainty",
                "us",
                "standard uncertainty of one S-wave pick, random",
            ),
            "within": option_from(
                sample_velocity.anisotropy,
                "within",
                "cm",
                "largest distance between readings of one place",
            ),
        },
        "strength": {
            "vane_torque_uncertainty": option_from(
                strength.vane,
                "torque_uncertainty",
                "N m",
                "standard uncertainty of one torque, random",
            ),
            "vane_torque_scale_uncertainty": option_from(
                strength.vane,
                "torque_scale_uncertainty",
                "%",
                "standard uncertainty of spring or sensor, systematic",
            ),
            "vane_diameter_uncertainty": option_from(
                strength.vane,
                "diameter_uncertainty",
                "mm",
                "standard uncertainty of the blades' diameter, systematic",
            ),
            "vane_height_uncertainty": option_from(
                strength.vane,
                "height_uncertainty",
                "mm",
                "standard uncertainty of the blades' height, systematic",
            ),
            "cone_factor": option_from(
                strength.fall_cone,
                "factor",
                "number",
                "factor of the fall cone; from its angle if not given",
            ),
            "cone_factor_uncertainty": option_from(
                strength.fall_cone,
                "factor_uncertainty",
                "number",
                "standard uncertainty of the cone factor, systematic",
            ),
            "cone_penetration_uncertainty": option_from(
                strength.fall_cone,
                "penetration_uncertainty",
                "mm",
                "standard uncertainty of one penetration, random",
            ),
            "penetrometer_load_uncertainty": option_from(
                strength.penetrometer,
                "load_uncertainty",
                "N",
                "standard uncertainty of one load, random",
            ),
            "penetrometer_scale_uncertainty": option_from(
                strength.penetrometer,
                "scale_uncertainty",
                "%",
                "standard uncertainty of the penetrometer's spring, systematic",
            ),
            "unconfined_load_uncertainty": option_from(
                strength.unconfined,
                "load_uncertainty",
                "N",
                "standard uncertainty of one load, random",
            ),
            "unconfined_load_scale_uncertainty": option_from(
                strength.unconfined,
                "load_scale_uncertainty",
                "%",
                "standard uncertainty of the load cell, systematic",
            ),
            "unconfined_diameter_uncertainty": option_from(
                strength.unconfined,
                "diameter_uncertainty",
                "mm",
                "standard uncertainty of a specimen's diameter, random",
            ),
            "within": option_from(
                strength.sensitivity, "within", "cm", "largest distance between tests of one place"
            ),
        },
        "consolidation": {
            "void_ratio_uncertainty": option_from(
                consolidation.curve,
                "void_ratio_uncertainty",
                "number",
                "standard uncertainty of one point of a curve, random",
            ),
            "initial_void_ratio_uncertainty": option_from(
                consolidation.curve,
                "initial_void_ratio_uncertainty",
                "number",
                "standard uncertainty of a test's first void ratio, systematic",
            ),
            "height_uncertainty": option_from(
                consolidation.consolidation_rate,
                "height_uncertainty",
                "mm",
                "standard uncertainty of one height, random",
            ),
            "drainage": option_from(
                consolidation.consolidation_rate,
                "drainage",
                "both|one",
                "faces of the disc that drain",
            ),
            "nearest_sample": Option(
                _T["nearest_sample"],
                "m",
                "largest distance to the sample whose void ratio a test begins with",
            ),
        },
        "stress": {
            "density": Option("samples", "samples|scan", "which density gives the overburden"),
            "pore_water_density": Option(
                None,
                "g/cm^3",
                "density of the pore water; from salinity and bottom water if not given",
            ),
            "pore_water_density_uncertainty": Option(
                "0.002 g/cm^3",
                "g/cm^3",
                "standard uncertainty of the pore water's density, systematic",
            ),
            "largest_gap": option_from(
                stress.vertical_effective_stress,
                "largest_gap",
                "m",
                "largest distance to a density; beyond it a stress is flagged",
            ),
            "depth_uncertainty": option_from(
                stress.profile,
                "depth_uncertainty",
                "m",
                "standard uncertainty of the seafloor in the depth scale, systematic",
            ),
            "water_depth_uncertainty": option_from(
                stress.profile,
                "water_depth_uncertainty",
                "m",
                "standard uncertainty of the water depth, systematic",
            ),
            "sea_water_density": Option(
                None, "g/cm^3", "mean density of the sea; from salinity if not given"
            ),
            "sea_water_density_uncertainty": Option(
                "0.003 g/cm^3", "g/cm^3", "standard uncertainty of that density, systematic"
            ),
            "fill": option_from(
                stress.profile, "fill", "compaction|linear|none", "what fills gaps of density"
            ),
            "drilling_fluid_density": Option(
                None, "g/cm^3", "density of a drilling fluid at rest, for comparison"
            ),
            "drilling_fluid_density_uncertainty": Option(
                "0.01 g/cm^3", "g/cm^3", "standard uncertainty of that density, systematic"
            ),
            "fluid_column_from": Option(
                "seafloor", "seafloor|sea_level", "where the column of drilling fluid begins"
            ),
            "reference_void_ratio": Option(
                None,
                "number",
                "void ratio of first loading at reference_stress, for a pressure bound",
            ),
            "reference_compression_index": Option(
                None, "number", "compression index of first loading"
            ),
            "reference_stress": option_from(
                stress.reference_of_indices,
                "at_stress",
                "kPa",
                "stress at which the reference has its void ratio",
            ),
            "reference_void_ratio_uncertainty": option_from(
                stress.reference_of_indices,
                "void_ratio_uncertainty",
                "number",
                "standard uncertainty of that void ratio, systematic",
            ),
            "reference_compression_index_uncertainty": option_from(
                stress.reference_of_indices,
                "compression_index_uncertainty",
                "number",
                "standard uncertainty of that index, systematic",
            ),
            "reference_scatter": option_from(
                stress.reference_of_indices,
                "scatter",
                "number",
                "scatter of single samples about the reference, in void ratio",
            ),
        },
        "seismic": {
            "velocity": Option(
                "laboratory", "laboratory|in_situ", "which velocity the profile is made of"
            ),
            "overlap": option_from(
                seismic.profile,
                "overlap",
                "average|upper_core|lower_core",
                "what is used where two cores overlap",
            ),
            "merge_within": option_from(
                seismic.profile, "merge_within", "cm", "distance below which readings are averaged"
            ),
            "largest_gap": option_from(
                seismic.profile, "largest_gap", "m", "a longer step between readings is a gap"
            ),
            "fill": option_from(seismic.profile, "fill", "linear|none", "what fills a gap"),
            "fill_spacing": option_from(
                seismic.profile, "fill_spacing", "cm", "spacing of the rows that fill a gap"
            ),
            "averaging_length": option_from(
                seismic.backus,
                "length",
                "m",
                "length of the long-wave average; from the wavelength if not given",
            ),
            "averaging_fraction": option_from(
                seismic.backus,
                "fraction",
                "number",
                "share of the wavelength that is averaged over",
            ),
            "frequency": Option("60 Hz", "Hz", "frequency of the wavelet's greatest amplitude"),
            "phase": option_from(
                seismic.ricker, "phase", "degree", "constant phase rotation of the wavelet"
            ),
            "time_step": Option("0.5 ms", "ms", "time step of the coefficients and the trace"),
            "seafloor_impedance": option_from(
                seismic.reflectivity,
                "top",
                "MPa s/m",
                "impedance of the water above; no seafloor reflection if not given",
            ),
            "draws": option_from(
                seismic.synthetic, "draws", "number", "Monte Carlo draws for the band of the trace"
            ),
            "sound_speed": Option(
                constant_text("water_column_sound_speed"), "m/s", "mean speed of sound in the water"
            ),
            "sound_speed_uncertainty": option_from(
                seismic.time_depth,
                "sound_speed_uncertainty",
                "m/s",
                "standard uncertainty of that speed, systematic",
            ),
            "check_shot_datum": option_from(
                seismic.check_shot_times,
                "datum",
                "seafloor|sea_level",
                "where the check shots' time is zero",
            ),
            "check_shot_uncertainty": option_from(
                seismic.check_shot_times,
                "time_uncertainty",
                "ms",
                "standard uncertainty of a two-way time, random",
            ),
        },
        "porosity": {
            "grain_density": Option(
                "from_samples", "from_samples|constant", "source of the grains"
            ),
            "pore_water_density": Option(
                None,
                "g/cm^3",
                "density of the pore water; from salinity and temperature if not given",
            ),
            "pore_water_density_uncertainty": Option(
                "0.0005 g/cm^3",
                "g/cm^3",
                "standard uncertainty of the pore water's density, systematic",
            ),
        },
        "elastic": {
            "mineral": Option("quartz", _MINERALS, "stiffest grains, for the upper bound"),
            "soft_mineral": Option("clay", _MINERALS, "softest grains, for the suspension"),
            "stiff_share": Option(
                0.3, "number", "volume share of the stiffest in the models' grains"
            ),
            "grain_bulk_modulus": Option(
                None, "GPa", "bulk modulus of the models' grains, in place of a mixture"
            ),
            "grain_shear_modulus": Option(
                None, "GPa", "shear modulus of the models' grains, in place of a mixture"
            ),
            "fluid": Option(
                "pore_water", "pore_water|brine", "sea salt (TEOS-10) or sodium chloride"
            ),
            "margin": option_from(
                elastic.bounds_check,
                "margin",
                "number",
                "uncertainties by which a velocity may lie outside a bound",
            ),
            "critical_porosity": Option(
                0.65, "number", "porosity at which grains part: sand 0.4, mud 0.6 to 0.7"
            ),
            "critical_porosity_uncertainty": Option(
                0.05, "number", "standard uncertainty of the critical porosity, systematic"
            ),
            "effective_pressure": option_from(
                elastic.velocity_models,
                "effective_pressure",
                "kPa",
                "effective pressure on the grains; else the median of the hole",
            ),
        },
        "compaction": {
            "porosity": Option("samples", "samples|scan", "which porosity is fitted"),
            "absolute_sigma": Option(True, "switch", "use the given uncertainties unscaled"),
            "excess_scatter": option_from(
                compaction.fit,
                "excess_scatter",
                "switch",
                "estimate the natural scatter of beds, shared by neighbours",
            ),
            "model": option_from(
                compaction.fit,
                "model",
                "exponential|offset_exponential|linear|power|exponential_in_stress|"
                "void_ratio_in_log_stress",
                "model that is fitted",
            ),
            "robust": option_from(
                compaction.fit, "robust", "none|huber|tukey", "weights for outlying residuals"
            ),
            "surface_porosity": option_from(
                compaction.fit,
                "fixed",
                "number",
                "porosity fixed at the seafloor; fitted if not given",
            ),
            "compare": Option(True, "switch", "fit all models to the same porosities"),
            "by_layer": Option(True, "switch", "fit each layer of layers.csv by itself"),
            "by_lithology": Option(
                False,
                "switch",
                "fit each lithology by itself, of description.csv, or layers.csv without one",
            ),
            "bootstrap": option_from(
                compaction.bootstrap,
                "replicates",
                "number",
                "bootstrap draws of blocks of depth; 0 for none",
            ),
            "bootstrap_block": option_from(
                compaction.bootstrap,
                "block",
                "m",
                "length of a block; from the residuals if not given",
            ),
        },
        "accumulation": {
            "depth_uncertainty": option_from(
                accumulation.sedimentation_rate,
                "depth_uncertainty",
                "m",
                "standard uncertainty of a dated level's depth, random",
            ),
            "growth_factor": option_from(
                accumulation.sedimentation_rate,
                "growth_factor",
                "number",
                "composite depth over drilled depth, divided out",
            ),
            "growth_factor_uncertainty": option_from(
                accumulation.sedimentation_rate,
                "growth_factor_uncertainty",
                "number",
                "standard uncertainty of the growth factor, systematic",
            ),
            "age_scale_uncertainty": option_from(
                accumulation.sedimentation_rate,
                "age_scale_uncertainty",
                "%",
                "standard uncertainty of all durations, relative; 0 % for separate dates",
            ),
            "smoothing": option_from(
                accumulation.sedimentation_rate,
                "smoothing",
                "m",
                "length over which ages are smoothed before differences are taken",
            ),
        },
        "heat_flow": {
            "temperatures": Option(
                "stations", "stations|log|both", "which temperatures heat flow uses"
            ),
            "carrier": option_from(
                heat_flow.thermal_resistance,
                "how",
                "linear|steps|harmonic_mean|trend",
                "conductivity between points",
            ),
            "include_bottom_water": Option(True, "switch", "use the seafloor as a point"),
            "depth_uncertainty": option_from(
                heat_flow.thermal_resistance,
                "depth_uncertainty",
                "m",
                "standard uncertainty of each station's depth; from [depth] if not given",
            ),
            "datum_uncertainty": option_from(
                heat_flow.thermal_resistance,
                "datum_uncertainty",
                "m",
                "standard uncertainty of depth shared by all stations; not propagated if not given",
            ),
            "bend_significance": option_from(
                heat_flow.curvature,
                "significance",
                "number",
                "share of straight holes that the test may call curved",
            ),
            "monte_carlo_draws": Option(
                0, "number", "Monte Carlo draws of every error; 0 for none"
            ),
            "diffusivity": option_from(
                heat_flow.sedimentation,
                "diffusivity",
                "m^2/s",
                "thermal diffusivity of the sediment, for corrections",
            ),
            "diffusivity_uncertainty": Option(
                uncertainty_text("core_diffusivity"),
                "m^2/s",
                "standard uncertainty of the diffusivity, systematic",
            ),
            "sedimentation_rate": Option(
                None,
                "mm/yr",
                "rate of sedimentation; with sedimentation_time, a correction is tabulated",
            ),
            "sedimentation_rate_uncertainty": option_from(
                heat_flow.sedimentation,
                "rate_uncertainty",
                "mm/yr",
                "standard uncertainty of that rate, systematic",
            ),
            "sedimentation_time": Option(None, "yr", "time since this rate began"),
            "sedimentation_time_uncertainty": option_from(
                heat_flow.sedimentation,
                "duration_uncertainty",
                "yr",
                "standard uncertainty of that time, systematic",
            ),
            "bottom_water_step": Option(
                None, "K", "change of the bottom-water temperature, positive if warmer"
            ),
            "bottom_water_step_uncertainty": option_from(
                heat_flow.bottom_water_anomaly,
                "change_uncertainty",
                "K",
                "standard uncertainty of that change, systematic",
            ),
            "bottom_water_step_time": Option(None, "yr", "time since that change"),
            "bottom_water_step_time_uncertainty": option_from(
                heat_flow.bottom_water_anomaly,
                "since_uncertainty",
                "yr",
                "standard uncertainty of that time, systematic",
            ),
            "heat_production": Option(
                "none",
                "none|constant|natural_gamma",
                "heat produced in the sediment, for a correction",
            ),
            "heat_production_value": Option(None, "uW/m^3", "heat production where it is constant"),
            "heat_production_value_uncertainty": option_from(
                heat_flow.heat_production_correction,
                "heat_production_uncertainty",
                "uW/m^3",
                "standard uncertainty of that value, systematic",
            ),
            "extrapolate_to": Option(
                None, "m", "depth to which temperatures of the line are extrapolated"
            ),
        },
        "logs": {
            "files": Option(None, "log_files", "depths and curves of each LAS file, by file name"),
            "aperture": option_from(
                logs.compare_with_core,
                "aperture",
                "m",
                "length of hole that one value of a log stands for",
            ),
            "largest_shift": option_from(
                logs.compare_with_core,
                "largest_shift",
                "m",
                "largest shift of a core onto the log, either way",
            ),
            "window": option_from(
                logs.compare_with_core,
                "window",
                "m",
                "length of core that is shifted by itself; the complete hole if not given",
            ),
            "least_share": option_from(
                logs.compare_with_core,
                "least_share",
                "number",
                "share of a window or aperture that must hold readings",
            ),
        },
    }


# Section that the sections of the sensors follow.
_BEFORE_SENSORS = "quality"


def _width(option: Option) -> float:
    """Width of a response [cm]."""
    return float(units.as_floats(option.default, "cm", "width of a response"))


def _all_sections(sensors: Sequence[Sensor]) -> dict[str, dict[str, Option]]:
    """The section of each sensor between those of the scan and those of the samples."""
    shared = _options()
    found, widths = dict(shared), dict[str, Option]()
    before = _BEFORE_SENSORS
    for sensor in sensors:
        if sensor.options:
            section = {sensor.name: dict(sensor.options)}
            found = added(found, section, sensor.name, "section of the recipe", after=before)
            before = sensor.name
        widths = added(widths, sensor.quality_options, sensor.name, "option of [quality]")
        added(shared["quality"], sensor.quality_options, sensor.name, "option of [quality]")
    # The narrowest response first.
    ordered = dict(sorted(widths.items(), key=lambda row: _width(row[1])))
    found["quality"] = added(
        shared["quality"], ordered, "", "option of [quality]", after="evaluate"
    )
    return found


SCHEMA = Compiled(_all_sections)

# Settings of one LAS file under [logs] files.
LOG_FILE: dict[str, Option] = {
    "depth_datum": Option(None, "seafloor|rig_floor|sea_level", "where the file's depths begin"),
    "seafloor_depth": Option(None, "m", "depth of the seafloor in the file's own depths"),
    "seafloor_depth_uncertainty": Option(
        None, "m", "standard uncertainty of that depth, systematic, for all depths of the file"
    ),
    "null": Option(
        None, "number", "value that stands for a missing value, where the header is wrong"
    ),
    "curves": Option(None, "curves", "quantity of the vocabulary, by name of the curve"),
}
