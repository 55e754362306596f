"""Thresholds: limits for doubtful, too few, too far or equal, in one table.

A threshold is a choice, not a measured constant, and a user may set another one. Each row states
what it decides and how it was found. Numbers of pure arithmetic, such as steps of a difference,
limits of an iteration and sizes of a block, are set where they are used; usual and possible ranges
of quantities are in :mod:`corephys.ground.vocabulary`.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Any

from corephys.ground.constants import Constant, add_table
from corephys.ground.provenance import SourcedCount, SourcedNumber, SourcedText

__all__ = ["DEFAULTS", "THRESHOLDS", "Threshold", "count", "get", "value"]


@dataclass(frozen=True)
class Threshold(Constant):
    """A number of judgement; accepted wherever a quantity is.

    Parameters
    ----------
    name, value, unit, uncertainty, citation, origin
        As of a :class:`corephys.ground.constants.Constant`; the uncertainty is NaN.
    status : {"choice", "simulated", "common practice", "memory", "definition"}
        ``"choice"`` for a number that this package chose without a source, ``"simulated"`` for
        one that was tried on simulated data whose truth was known; the others as of a Constant.
    decides : str
        What is so and what is not so beyond it.
    """

    decides: str = ""


_NONE = "no source"
_RECALLED = "no publication named"
_INTERVALS = "no source; coverage on layered sediments is in docs/accuracy.md, Intervals in layers"
_SCORE = "no source; scores on simulated holes are in docs/accuracy.md, Flags"

# Name, value, unit, what it decides, source, standing.
_ROWS = (
    # Scans: what is doubtful.
    ("end_trim", 1.0, "1", "response widths from the end of a section within which a reading is doubted", _SCORE, "simulated"),
    ("spike_threshold", 3.2, "1", "standard deviations from its neighbours that make a reading a spike", _SCORE, "simulated"),
    ("spike_side_share", 0.8, "1", "share of the spike threshold needed from either side, so that steps pass", _SCORE, "simulated"),
    ("spike_window", 50.0, "cm", "length of section over which scatter is judged", _SCORE, "simulated"),
    ("level_window", 150.0, "cm", "length of core that gives the level of density and amplitude", _SCORE, "simulated"),
    ("low_threshold", 3.0, "1", "standard deviations below its level that make a density too low", _SCORE, "simulated"),
    ("amplitude_fraction", 0.4, "1", "share of the level of amplitude below which coupling is lost, 8 dB", _SCORE, "simulated"),
    ("deaf_fraction", 0.15, "1", "share of the hole's median amplitude below which a whole core is deaf", _SCORE, "simulated"),
    ("void_length", 18.0, "cm", "longest run of lost pulses inside a section that is called a void", _SCORE, "simulated"),
    ("void_share", 0.2, "1", "share of the density that is missing in a void", _SCORE, "simulated"),
    ("void_density", 1.1, "g/cm^3", "density below which nothing is core", _NONE, "common practice"),
    ("crack_length", 2.0, "cm", "length below which a void is a crack", _NONE, "common practice"),
    ("least_length", 15.0, "cm", "shortest thin fill that density alone may show", _SCORE, "simulated"),
    ("repeat_threshold", 3.0, "1", "combined random uncertainties by which repeats may differ", _NONE, "common practice"),
    ("bound_margin", 3.0, "1", "standard uncertainties by which a velocity may fall short of its bound", _NONE, "common practice"),
    ("sample_difference", 0.1, "g/cm^3", "difference of a density from its sample that is doubted", _NONE, "common practice"),
    ("sample_reach", 2.0, "cm", "distance up to which a reading is compared with a sample", _NONE, "common practice"),
    ("response_density", 1.5, "cm", "width of the response of the density along the core", _NONE, "common practice"),
    ("response_velocity", 2.0, "cm", "width of the response of the P-wave along the core", _NONE, "common practice"),
    ("response_susceptibility", 5.0, "cm", "width of the response of the loop along the core", _NONE, "common practice"),
    ("response_resistivity", 8.0, "cm", "width of the response of the resistivity along the core", _NONE, "common practice"),
    ("response_natural_gamma", 15.0, "cm", "width of the response of natural gamma along the core", _NONE, "common practice"),
    ("natural_scatter_length", 20.0, "cm", "length over which natural scatter of a scan repeats itself", _NONE, "common practice"),
    ("level_exclusion", 4.0, "1", "standard deviations below its level that keep a density out of that level", _NONE, "choice"),
    ("spike_scatter_limit", 3.0, "1", "times the scatter of the core: more in a window is spikes themselves", _SCORE, "simulated"),
    ("spike_window_readings", 6, "1", "fewest readings of a window that judge by themselves", _SCORE, "simulated"),
    ("spike_core_readings", 20, "1", "fewest readings of a core with a scatter of its own", _SCORE, "simulated"),
    ("spike_neighbour_reach", 20.0, "cm", "how far off a neighbour of a reading may be", _SCORE, "simulated"),
    ("spike_lonely", 2.0, "1", "times the spike threshold that is asked of a reading without two neighbours", _NONE, "choice"),
    ("control_chart_standards", 4, "1", "fewest standards that give a centre and a scatter", _NONE, "common practice"),
    ("control_chart_width", 3.0, "1", "standard deviations from the centre that set a standard apart", "Shewhart (1931), Economic Control of Quality of Manufactured Product", "memory"),
    ("control_chart_allowance", 0.5, "1", "standard deviations that a cumulative sum allows for", "Montgomery (2013), Introduction to Statistical Quality Control", "memory"),
    ("control_chart_interval", 5.0, "1", "standard deviations at which a cumulative sum signals", "Montgomery (2013), Introduction to Statistical Quality Control", "memory"),
    ("control_chart_usual", 10, "1", "checks of a standard that say what is usual; all where there are fewer", _NONE, "common practice"),
    ("settled_tolerance", 0.5, "K", "departure from room temperature that is allowed", _NONE, "common practice"),
    ("settling_tolerance", 2.0, "K", "departure from room temperature above which the reduction flags a core", _NONE, "common practice"),
    # Layout of cores.
    ("core_overlap", 0.021, "m", "overlap of two cores by their tops and advances that is taken for rounding", _NONE, "choice"),
    ("import_depth_agreement", 0.02, "m", "difference of a given depth from that of core, section and offset above which an import reports it; lengths are noted to a centimetre", _NONE, "choice"),
    ("beyond_any_instrument", 1e12, "1", "magnitude of a number in a table, in the unit of its column, from which it is no reading: squares and products of such numbers leave the range of floats", _NONE, "choice"),
    ("coldest_temperature", -20.0, "degC", "temperature below which a unit was mistaken, K for degC as a rule", _NONE, "choice"),
    ("hottest_room", 100.0, "degC", "temperature of a room, a core on deck or bottom water above which a unit was mistaken", _NONE, "choice"),
    ("hottest_sea_water", 150.0, "degC", "temperature above which no property of sea water is given", _NONE, "choice"),
    ("hottest_formation", 500.0, "degC", "temperature below the seafloor above which a unit was mistaken", _NONE, "choice"),
    ("lightest_setting", 0.5, "g/cm^3", "density of water, mud or grains below which a unit was mistaken", _NONE, "choice"),
    ("heaviest_setting", 10.0, "g/cm^3", "density of water, mud or grains above which a unit was mistaken", _NONE, "choice"),
    ("slowest_setting", 100.0, "m/s", "velocity of a liner or of sea water below which a unit was mistaken", _NONE, "choice"),
    ("fastest_setting", 10000.0, "m/s", "velocity of a liner or of sea water above which a unit was mistaken", _NONE, "choice"),
    ("widest_core", 1000.0, "mm", "bore or wall of a liner above which a unit was mistaken", _NONE, "choice"),
    ("deepest_water", 12000.0, "m", "depth of water above which a unit was mistaken", _NONE, "choice"),
    ("greatest_run_number", 9999.0, "1", "greatest number of a run or repeat: beyond it the column holds something else", _NONE, "choice"),
    ("least_sedimentation_rate", 0.1, "m/Myr", "rate below which an age is doubted; the slowest red clay has 0.1 to 1", "D'Hondt et al. (2009), Proceedings of the National Academy of Sciences 106, 11651", "memory"),
    ("greatest_sedimentation_rate", 1e5, "m/Myr", "rate above which an age is doubted: 100 m in a thousand years", _NONE, "choice"),
    ("greatest_sediment_age", 2e5, "kyr", "age above which it is doubted: the ocean floor is not 200 Myr old", _RECALLED, "memory"),
    ("log_datum_slack", 20.0, "m", "by which the depth of the seafloor in a log may differ from the water depth, beside 1 % of it", _NONE, "choice"),
    ("rig_floor_height", 150.0, "m", "greatest height of a rig floor above the sea", _NONE, "choice"),
    ("section_end_slack", 0.1, "cm", "how far a reading or a piece may lie past the end of its section: ends are cut by hand", _NONE, "choice"),
    ("picture_pixels", 1.5e8, "1", "pixels of a picture above which it is not drawn: each takes up to four bytes of memory while it is read", _NONE, "choice"),
    ("copy_shared_keys", 0.05, "1", "share of the keys or times of a table that stand on rows of different content: above it the clock or the position is coarser than the readings, and equal rows may be separate readings", _NONE, "choice"),
    ("copy_by_chance", 1e-4, "1", "probability that the noise of counting makes as many equal repeats as there are, below which they are copies", _NONE, "choice"),
    ("copy_block_rows", 3, "1", "fewest successive rows of standards without a time that, repeated in the same order, are copies", _NONE, "choice"),
    ("copy_log_rows", 10, "1", "fewest successive rows of a log without a time, and fewest different readings among them, that are copies where they follow once more in the same order", _NONE, "choice"),
    ("copy_record_rows", 5, "1", "fewest rows, and fewest different readings, of a heating run or a test that make an equal one at the same place a copy", _NONE, "choice"),
    ("composite_least_steps", 20, "1", "fewest steps that a core and the site must share for a tie", _NONE, "common practice"),
    ("composite_least_correlation", 0.5, "1", "correlation below which no tie is suggested", _NONE, "common practice"),
    ("composite_largest_chance", 0.01, "1", "probability of a tie by chance above which none is suggested", _NONE, "common practice"),
    ("composite_shift_limit", 3.0, "1", "shift over its expected standard uncertainty above which it is named", _NONE, "common practice"),
    ("composite_second_errors", 2.0, "1", "standard errors by which a second peak of a correlation must be lower not to be named", _NONE, "common practice"),
    # Gamma, P-wave, resistivity, susceptibility, natural gamma.
    ("dead_time_limit", 0.5, "1", "share of the counting time that may be dead: above it no counter is usable", _NONE, "common practice"),
    ("grain_to_water_contrast", 1.1, "1", "ratio of grain density to that of water, times the ratio of attenuations, below which the two scales are not told apart", _NONE, "choice"),
    ("tie_pairs", 3, "1", "fewest pairs of scan and sample that give a factor", _NONE, "choice"),
    ("pick_noise_samples", 10, "1", "fewest samples that make a noise", _NONE, "choice"),
    ("pick_clear_level", 4.0, "1", "times the noise: a level below it is crossed by noise alone", _NONE, "common practice"),
    ("pick_least_likeness", 0.3, "1", "correlation below which a waveform is not like the water trace", _NONE, "choice"),
    ("pick_early_share", 0.8, "1", "share of the greatest deflection that in the quiet time is an arrival before the gate", _NONE, "choice"),
    ("pick_contrast", 25.0, "1", "value of the onset criterion below which there is no arrival; white noise alone reaches 18 once in a hundred times", "a choice of this package, tried on simulated noise", "simulated"),
    ("signal_to_noise_gate", 15.0, "1", "decibels, 20 log10 of deflection over noise, below which an arrival is weak", _NONE, "common practice"),
    ("level_spread_gate", 2.0, "us", "time between the lowest and highest clear level above which an arrival is weak", _NONE, "choice"),
    ("clipped_samples", 4, "1", "samples in a row at one extreme that make a waveform clipped", _NONE, "choice"),
    ("slowest_solid", 3.0, "us/mm", "slowness of a standard, that of sound in air, above which its rows are mixed up", _NONE, "choice"),
    ("brine_least_conductivity", 0.01, "S/m", "conductivity below which a standard is no brine: tap water", _NONE, "common practice"),
    ("brine_greatest_conductivity", 30.0, "S/m", "conductivity above which a standard is no brine: near saturation", _NONE, "common practice"),
    ("same_brine", 0.05, "1", "relative difference of conductivities below which two standards are one brine", _NONE, "common practice"),
    ("surface_collinearity", 20.0, "1", "variance inflation above which surface conduction and exponent cannot be told apart", _NONE, "common practice"),
    ("archie_readings", 5, "1", "fewest readings that give Archie's parameters", _NONE, "choice"),
    ("archie_far", 5.0, "1", "robust standard deviations beyond which a reading is left out of Archie's line", _NONE, "choice"),
    ("archie_few", 8, "1", "fewest readings of which any is left out of Archie's line", _NONE, "choice"),
    ("edge_full_share", 0.995, "1", "share of the response from which nothing is corrected", _NONE, "choice"),
    ("negative_rate_errors", 2.0, "1", "random uncertainties below zero that make a net rate or a content negative for certain", _NONE, "common practice"),
    ("edge_least_share", 0.5, "1", "share of the response below which no reading is corrected, whatever is asked", _NONE, "common practice"),
    ("least_fill", 0.6, "1", "least share of the response that is corrected for", _NONE, "common practice"),
    # Index properties.
    ("volumes_disagree", 0.03, "1", "relative difference of bulk density by ring or calliper from that by pycnometer that is doubted", _NONE, "common practice"),
    ("outlier_threshold", 3.5, "1", "scaled median absolute deviations beyond which a sample is suspect among its neighbours", "Iglewicz and Hoaglin (1993), How to Detect and Handle Outliers", "memory"),
    ("culprit_bulk_density_floor", 0.02, "g/cm^3", "least scatter of bulk density taken for granted", _NONE, "common practice"),
    ("outlier_neighbours", 11, "1", "samples that a sample is compared with, itself among them", _NONE, "common practice"),
    ("outlier_samples", 5, "1", "fewest samples that are compared with each other", _NONE, "common practice"),
    ("grain_density_floor", 0.05, "g/cm^3", "least scatter of grain density taken for granted: repeatability between laboratories", _NONE, "common practice"),
    ("porosity_floor", 0.012, "1", "least scatter of porosity taken for granted: repeatability between laboratories", _NONE, "common practice"),
    ("culprit_back", 2.0, "1", "scatters that are left when a sample is back among its neighbours", _NONE, "choice"),
    ("culprit_clear", 1.5, "1", "factor by which the second best explanation must be worse", _NONE, "choice"),
    ("archive_rows", 8, "1", "fewest rows that give the constants of an archive", _NONE, "choice"),
    ("archive_lightest_salt", 1.5, "g/cm^3", "density below which a salt found in an archive is none; dried sea salt has 2.2", _NONE, "choice"),
    ("archive_heaviest_salt", 3.0, "g/cm^3", "density above which a salt found in an archive is none", _NONE, "choice"),
    ("consistency_bulk_density", 0.005, "g/cm^3", "difference of a reported bulk density from that of its masses that is an inconsistency", _NONE, "common practice"),
    ("consistency_dry_density", 0.005, "g/cm^3", "difference of a reported dry density from that of its masses that is an inconsistency", _NONE, "common practice"),
    ("consistency_grain_density", 0.015, "g/cm^3", "difference of a reported grain density from that of its masses that is an inconsistency", _NONE, "common practice"),
    ("consistency_porosity", 0.005, "1", "difference of a reported porosity from that of its masses that is an inconsistency", _NONE, "common practice"),
    ("consistency_void_ratio", 0.03, "1", "difference of a reported void ratio from that of its masses that is an inconsistency", _NONE, "common practice"),
    ("grain_density_stretches", 8, "1", "most stretches of depth whose grain density errs on its own; each costs an array", _NONE, "choice"),
    # Needle and formation temperature.
    ("needle_flatness", 0.01, "1", "relative difference between the slope of a window and of its halves that is flat", _NONE, "common practice"),
    ("needle_harmless_scatter", 0.002, "1", "scatter, as a share of the slope, that cannot move the conductivity noticeably", _NONE, "common practice"),
    ("needle_window_samples", 6, "1", "fewest samples in a window", _NONE, "common practice"),
    ("needle_fit_samples", 5, "1", "fewest samples in a window that fix its four coefficients", _NONE, "common practice"),
    ("neighbour_correlation_errors", 2.0, "1", "standard errors that make a correlation of neighbouring residuals real", _NONE, "common practice"),
    ("needle_minimum_window", 20.0, "s", "shortest window of a heating curve", _NONE, "common practice"),
    ("needle_poor_contact", 1.0, "1", "k / (a H) above which contact is poor: a film of water half a needle's radius thick", _NONE, "common practice"),
    ("needle_large_drift", 0.03, "1", "share of the conductivity that the drift may still be in error by after its removal, between the 2 % that a run repeats to and 5 %", _NONE, "choice"),
    ("needle_shortest_settling", 30.0, "s", "time of settling of a drift below which none is tried: a needle is even within seconds", _NONE, "common practice"),
    ("needle_longest_settling", 20000.0, "s", "time of settling beyond which a drift is a line over any run; a core of 70 mm settles in some 700 s", _NONE, "common practice"),
    ("needle_settling_probability", 2.0 / 3.0, "1", "probability of a settling drift from which it is taken in place of a line", _NONE, "choice"),
    ("needle_settling_errors", 4.0, "1", "standard errors of the drift before heating from which it can be seen to settle", _NONE, "choice"),
    ("needle_hottest", 1e4, "degC", "temperature that no needle reads: a slip of the table", _NONE, "choice"),
    ("needle_models_disagree", 0.02, "1", "relative difference of conductivity between window and cylinder that is doubted", _NONE, "common practice"),
    ("needle_models_errors", 3.0, "1", "standard errors of the difference between window and cylinder that is doubted", _NONE, "common practice"),
    ("needle_early_time", 5.0, "1", "kappa t / a^2 before which a heating curve is not used, 5 to 10", _RECALLED, "memory"),
    ("needle_early_seconds", 20.0, "s", "time before which a heating curve is not used where the radius is unknown", _NONE, "common practice"),
    ("needle_first_look", 0.25, "1", "share of a heating curve, its first, that the first look leaves out", _NONE, "choice"),
    ("needle_drift_samples", 5, "1", "fewest samples before heating that show a drift", _NONE, "common practice"),
    ("needle_most_samples", 2000, "1", "samples of a heating run above which means of neighbouring samples are used: all windows of so many take half a second and 100 megabytes", _NONE, "choice"),
    ("needle_late_time", 0.125, "1", "kappa t / R^2 after which a boundary at the distance R shows", _RECALLED, "memory"),
    ("needle_repeat_spread", 0.05, "1", "half the range of repeats over their mean above which they disagree", _NONE, "common practice"),
    ("needle_repeat_errors", 3.0, "1", "random uncertainties beyond which a repeat disagrees", _NONE, "common practice"),
    ("needle_cylinder_time", 1.0, "1", "kappa t / a^2 from which the heated cylinder is fitted: the needle itself is even by then", _NONE, "common practice"),
    ("needle_fault_errors", 5.0, "1", "standard errors of a fault of a heating curve: the largest of some 60 looks", _NONE, "common practice"),
    ("needle_convection_fall", 0.05, "1", "least fall of the slope, relative, that is convection", _NONE, "common practice"),
    ("needle_contact_jump", 0.03, "1", "least jump, over the slope, that is a lost contact", _NONE, "common practice"),
    ("anisotropy_errors", 2.0, "1", "standard uncertainties of its logarithm that make an anisotropy significant", _NONE, "common practice"),
    ("anisotropy_reach", 20.0, "cm", "distance between needle runs along and across a core that make a pair", _NONE, "common practice"),
    ("mixing_bound_errors", 2.0, "1", "standard uncertainties beyond a bound that are outside for certain", _NONE, "common practice"),
    ("in_situ_form_uncertainty", 50.0, "%", "uncertainty of the whole change of a conductivity to in-situ conditions", _NONE, "choice"),
    ("decay_harmless_scatter", 0.0001, "1", "scatter, as a share of the first excess, that cannot move the temperature noticeably", _NONE, "common practice"),
    ("decay_window_samples", 8, "1", "fewest samples in a window of a decay", _NONE, "common practice"),
    ("decay_least_fall", 10.0, "1", "fall in the window over the noise below which nothing decays", _NONE, "common practice"),
    ("valley_spread", 0.1, "1", "relative distance, either way, over which other conductivities are tried on a decay", _NONE, "choice"),
    ("formation_late_part", 1.0 / 3.0, "1", "share of the window, its last, that is held against the rest", _NONE, "common practice"),
    ("formation_good_duration", 360.0, "s", "least time from penetration to the end of the window for a good station, 6 to 10 min", _NONE, "common practice"),
    ("formation_fair_duration", 180.0, "s", "least time for a fair station: a tool of 2 to 3 min time constant has cooled once", _NONE, "common practice"),
    ("formation_good_deviation", 0.005, "K", "residual deviation below which a station is good", _NONE, "common practice"),
    ("formation_fair_deviation", 0.02, "K", "residual deviation below which a station is fair", _NONE, "common practice"),
    ("formation_largest_rest", 0.1, "1", "part of the first excess left at the end, above which the extrapolation is long", _RECALLED, "memory"),
    ("bottom_water_deviations", 5.0, "1", "deviations about the coldest reading that belong to the stop in the bottom water", _NONE, "common practice"),
    ("response_margin", 0.1, "1", "relative distance outside a response table that its nearest curve still serves", _NONE, "choice"),
    ("response_rows", 6, "1", "fewest rows of one curve of a response table", _NONE, "choice"),
    ("motion_improvement", 35.0, "1", "squared deviations by which a break must better the fit", _NONE, "choice"),
    ("motion_visible", 3.0, "1", "scatter of the residuals that a break must reach", _NONE, "choice"),
    ("motion_burst", 6.0, "1", "times the usual variance of neighbouring differences that is a burst", _NONE, "choice"),
    ("motion_start", 0.1, "1", "share of the record after which friction has ended", _NONE, "choice"),
    ("pulse_gate", 5.0, "1", "deviations of a difference that a rise must exceed", _NONE, "choice"),
    ("pulse_least_rise", 10.0, "1", "times the noise that a whole pulse must exceed", _NONE, "choice"),
    ("pulse_stays", 0.25, "1", "share of the rise that the next two samples must still show", _NONE, "choice"),
    ("pulse_one_push", 30.0, "s", "time between rises that are one penetration in steps", _NONE, "choice"),
    ("pulse_returned", 0.05, "1", "share of the rise left at the end below which the probe was back where it had been", _NONE, "choice"),
    ("pulse_short_stay", 0.15, "1", "share of the longest decay in the record below which no penetration is meant", _NONE, "choice"),
    ("pulse_end", 60.0, "s", "time from the end of a record within which a pulse is the pull-out", _NONE, "choice"),
    ("pulse_fell", 0.3, "1", "share of the excess over the level before that lies below the tangent of a decay", _NONE, "choice"),
    ("pulse_foot", 0.1, "1", "share of the steepest drop that still belongs to the drop of a pull-out", _NONE, "choice"),
    ("pulse_return", 150.0, "s", "time in which a probe in water has come to its temperature", _NONE, "choice"),
    ("record_most_samples", 5000, "1", "samples of a temperature record above which means of neighbouring samples are fitted: a decay of so many takes a tenth of a second", _NONE, "choice"),
    ("record_pause", 5.0, "1", "times the usual interval of a record that is a pause of the logger", _NONE, "choice"),
    # Velocity of samples, strength, consolidation.
    ("velocity_anisotropy_errors", 2.0, "1", "standard uncertainties that make an anisotropy of velocity significant", _NONE, "common practice"),
    ("fall_cone_least_penetration", 4.0, "mm", "a cone that falls less deep stands on its tip and on the roughness of the face", _RECALLED, "memory"),
    ("fall_cone_greatest_penetration", 20.0, "mm", "a cone that falls deeper feels the cup and its own shaft", _RECALLED, "memory"),
    ("vane_strength_limit", 100.0, "kPa", "a laboratory vane is used below 100 to 150 kPa; above, clay cracks beside the blades", _RECALLED, "memory"),
    ("penetrometer_strength_limit", 220.0, "kPa", "end of the scale of a hand penetrometer, 440 kPa of compressive strength", _RECALLED, "memory"),
    ("unconfined_strain_limit", 0.15, "1", "strain up to which the peak of an unconfined compression is sought", "ASTM D2166", "memory"),
    ("specimen_least_slenderness", 2.0, "1", "height over diameter below which a specimen is too short", "ASTM D2166", "memory"),
    ("specimen_greatest_slenderness", 2.5, "1", "height over diameter above which a specimen is too slender", "ASTM D2166", "memory"),
    ("specimen_slenderness_slack", 0.01, "1", "share by which a specimen may miss the limits of slenderness: a calliper's rounding", _NONE, "choice"),
    ("quality_low_good", 0.04, "1", "loss of void ratio over the first from which a sample is not excellent, overconsolidation 1 to 2", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("quality_low_fair", 0.07, "1", "loss of void ratio over the first from which a sample is poor, overconsolidation 1 to 2", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("quality_low_poor", 0.14, "1", "loss of void ratio over the first from which a sample is very poor, overconsolidation 1 to 2", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("quality_high_good", 0.03, "1", "loss of void ratio over the first from which a sample is not excellent, overconsolidation 2 to 4", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("quality_high_fair", 0.05, "1", "loss of void ratio over the first from which a sample is poor, overconsolidation 2 to 4", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("quality_high_poor", 0.1, "1", "loss of void ratio over the first from which a sample is very poor, overconsolidation 2 to 4", "Lunne, Berre and Strandvik (1997)", "memory"),
    ("loading_steps", 5, "1", "fewest loading steps that a construction is made from", _NONE, "common practice"),
    ("loading_points_past_bend", 3, "1", "points past the bend that its lines use: the virgin line bends again at high stress", _NONE, "choice"),
    ("yield_spacing_share", 0.1, "1", "share of an increment: how well a place between two steps is known", "a choice of this package, from simulated tests", "simulated"),
    ("yield_steepens", 2.0, "1", "least ratio of the slopes past and before a yield", _NONE, "common practice"),
    ("yield_methods_agree", 0.25, "1", "greatest relative spread of the methods that is no doubt", _NONE, "common practice"),
    ("nearest_sample", 2.0, "m", "distance to the sample whose void ratio begins a consolidation test that has none", _NONE, "choice"),
    ("time_readings", 8, "1", "fewest readings in a step that show its parts", _NONE, "common practice"),
    ("rate_methods_agree", 0.25, "1", "greatest relative difference of the two methods that is no doubt", _NONE, "common practice"),
    ("tail_flat", 0.2, "1", "slope over that of the steepest tangent below which readings belong to the straight tail", _NONE, "choice"),
    ("tail_least_bend", 0.5, "1", "slope of the tail over that of the steepest tangent above which a curve does not show its parts", _NONE, "choice"),
    ("compression_index_points", 3, "1", "neighbouring points of first loading that make a straight part", _NONE, "common practice"),
    # Products.
    ("unresolved_rate", 0.5, "1", "relative uncertainty of a sedimentation rate above which an interval is unresolved", _NONE, "common practice"),
    ("compaction_blocks", 8, "1", "blocks of depth in the checks of a fit", _NONE, "choice"),
    ("compaction_least_skill", 0.5, "1", "share of the variance that a fit must explain", _NONE, "choice"),
    ("compaction_samples", 5, "1", "fewest usable porosities that a fit is made from", _NONE, "common practice"),
    ("compaction_most_between", 0.4, "1", "share of the residual variance that may lie between blocks of depth", _NONE, "choice"),
    ("compaction_most_rate", 0.3, "1", "relative difference of the rates of two halves of the depth that is allowed", _NONE, "choice"),
    ("compaction_most_correlation", 0.99, "1", "correlation of two parameters above which they cannot be told apart", _NONE, "common practice"),
    ("compaction_repeats", 0.05, "1", "share of the points that may repeat another point exactly", _NONE, "choice"),
    ("compaction_longest", 10.0, "1", "times the range of what is sampled that a decay length may reach", _NONE, "choice"),
    ("interval_blocks", 15, "1", "greatest number of block means that the correlation of residuals is found from", _INTERVALS, "simulated"),
    ("interval_freedom", 3, "1", "least degrees of freedom of Student's t where residuals are correlated", _INTERVALS, "simulated"),
    ("interval_fewest", 5.0, "1", "effective number of readings below which an interval is doubted", _INTERVALS, "simulated"),
    ("interval_share", 0.2, "1", "share of the span that a correlation length may reach before an interval is doubted", _INTERVALS, "simulated"),
    ("compaction_far", 2.0, "1", "standard errors that a difference must exceed to speak against a fit", _NONE, "common practice"),
    ("aicc_difference", 2.0, "1", "difference of AICc below which two models are not told apart", "Burnham and Anderson (2002), Model Selection and Multimodel Inference", "memory"),
    ("aicc_far", 10.0, "1", "difference of AICc above which the worse of two models has hardly any support", "Burnham and Anderson (2002), Model Selection and Multimodel Inference", "memory"),
    ("profile_apart", 0.2, "1", "relative difference of an arm of the likelihood from the standard error that is named", _NONE, "choice"),
    ("bootstrap_blocks", 4, "1", "fewest blocks over the hole: fewer hold nothing to draw from", _NONE, "common practice"),
    ("bootstrap_draws", 50, "1", "fewest draws that say anything of an interval", _NONE, "common practice"),
    ("bootstrap_narrow", 0.7, "1", "width of a drawn interval over that of the fit below which the words name it", _NONE, "choice"),
    ("bootstrap_wide", 1.4, "1", "width of a drawn interval over that of the fit above which the words name it", _NONE, "choice"),
    ("burial_least_kept", 0.05, "1", "share of the draws below which the ages say nothing", _NONE, "choice"),
    ("rebound_deepest", 1000.0, "m", "depth below which the rebound by depth is not given", "Hamilton (1976) Journal of Sedimentary Petrology 46, 280", "memory"),
    ("bound_unknown_velocity", 0.01, "1", "relative uncertainty of a velocity that does not bring its own, for the margin of a bound", _NONE, "common practice"),
    ("carrier_near", 0.1, "m", "distance below which needle readings stand for the same sediment", _NONE, "choice"),
    ("bend_significance", 0.05, "1", "share of straight profiles that may be called curved", _NONE, "common practice"),
    ("line_least_probability", 0.01, "1", "probability of chi-square below which stations do not lie on a line", _NONE, "common practice"),
    ("temperature_cells", 200, "1", "depths of temperatures up to which each is a point of the line; beyond, cells of depth are", _NONE, "choice"),
    ("heat_flow_draws", 100, "1", "fewest draws of a heat flow", _NONE, "common practice"),
    ("one_sided_errors", 1.645, "1", "standard uncertainties that make a bound sure and a correlation of neighbours real, one-sided 95 %", "normal distribution", "definition"),
    ("reference_samples", 5, "1", "fewest samples that give a reference curve", _NONE, "choice"),
    ("tie_misfit_reach", 4, "1", "mean periods over which the misfit is taken to remember itself", _NONE, "choice"),
    ("tie_taper", 0.15, "1", "share of the window at either end that is brought to zero", _NONE, "common practice"),
    ("tie_chance", 0.05, "1", "probability by chance above which a peak is doubted", _NONE, "common practice"),
    ("averaging_fraction", 0.1, "1", "share of the wavelength that is averaged over", _NONE, "common practice"),
    ("wavelet_high_share", 0.1, "1", "share of the energy above three quarters of the Nyquist frequency that makes a wavelet too coarse", _NONE, "choice"),
    # Judgement of fits and of a hole.
    ("fit_chi_square", 2.0, "1", "reduced chi-square of a calibration above which a fit is doubted", _NONE, "common practice"),
    ("fit_residual", 4.0, "1", "robust standard deviations beyond which a residual stands apart", _NONE, "common practice"),
    ("unlikely_chi_square", 0.05, "1", "probability of chi-square below which stated errors are too small for the scatter", _NONE, "common practice"),
    ("panel_tie_steps", 10, "1", "fewest steps of 5 cm that two cores share for a correlation in the panel", _NONE, "choice"),
    ("hole_flagged_share", 0.25, "1", "share of readings flagged above which a hole is doubted", _NONE, "choice"),
    ("drawn_strength_share_low", 0.2, "1", "strength over effective stress of normally consolidated mud that is drawn, lower line", _RECALLED, "memory"),
    ("drawn_strength_share_high", 0.3, "1", "strength over effective stress of normally consolidated mud that is drawn, upper line", _RECALLED, "memory"),
    ("second_order_uncertainty", 0.05, "1", "relative error of an uncertainty to first order above which draws are advised", _NONE, "common practice"),
    ("second_order_mean", 0.1, "1", "shift of a mean over its uncertainty above which draws are advised", _NONE, "common practice"),
    ("fewest_draws", 10, "1", "fewest draws of a formula", _NONE, "common practice"),
    ("in_situ_pressure_uncertainty", 10.0, "dbar", "uncertainty of the pressure of a column of pore water", _NONE, "common practice"),
    ("in_situ_least_scatter", 0.01, "K", "least uncertainty of a temperature between stations", _NONE, "common practice"),
    ("grain_density_samples", 3, "1", "fewest good samples that give a scan its grain density", _NONE, "choice"),
    # Windows, distances and gaps that are defaults of arguments.
    ("match_reach", 2.0, "cm", "distance along a core within which readings, samples and tests are of one place", _NONE, "common practice"),
    ("archie_reach", 4.0, "cm", "distance over which porosity is averaged for Archie's parameters", _NONE, "common practice"),
    ("natural_gamma_reach", 8.0, "cm", "distance over which density is averaged for the mass that natural gamma sees", _NONE, "common practice"),
    ("elastic_density_reach", 10.0, "cm", "distance to a sample whose density serves the moduli of another", _NONE, "common practice"),
    ("drawn_pair_reach", 1.0, "cm", "distance within which readings of two scans make a point of a figure", _NONE, "common practice"),
    ("drawn_sample_reach", 3.0, "cm", "distance within which a sample and readings make a point of a figure", _NONE, "common practice"),
    ("baseline_span", 4.0, "hour", "time from a reading in air beyond which its baseline is doubted", _NONE, "common practice"),
    ("wrap_least_jump", 0.5, "1", "share of the range of a counter that a jump must reach to be a wrap", _NONE, "choice"),
    ("wrap_longest", 25, "1", "most readings in a row that are suggested to be wrapped", _NONE, "choice"),
    ("pick_gate_start", 20.0, "us", "earliest arrival in a waveform", _NONE, "choice"),
    ("pick_gate_end", 80.0, "us", "latest arrival in a waveform", _NONE, "choice"),
    ("pycnometer_limit", 0.02, "cm^3", "difference of a pycnometer reading from its standard that is doubted", _NONE, "common practice"),
    ("pycnometer_repeat_limit", 0.04, "cm^3", "range of the repeats of a sample from which they disagree", _NONE, "common practice"),
    ("log_aperture", 0.5, "m", "length of hole that one value of a log stands for", _NONE, "common practice"),
    ("log_largest_shift", 5.0, "m", "farthest that a core may move to meet a log, either way", _NONE, "common practice"),
    ("log_least_share", 0.5, "1", "share of an aperture or window that must hold readings", _NONE, "common practice"),
    ("suggested_scan_step", 25.0, "cm", "typical distance of rows up to which a draft of a mapping takes reduced values for a scan", _NONE, "choice"),
    ("suggested_scan_rows", 30, "1", "fewest rows that a draft of a mapping takes for a scan", _NONE, "choice"),
    ("suggested_share_inside", 0.6, "1", "share of the numbers of a column that must be possible for a certain line of a draft; the others are flagged", _NONE, "choice"),
    ("suggested_most_sections", 20, "1", "different sections above which a draft does not take a number in a label for a section", _NONE, "choice"),
    ("suggested_depth_growth", 0.25, "1", "relative difference between the growth of depth and of offset above which a draft doubts the units of both", _NONE, "choice"),
    ("suggested_longest_section", 350.0, "cm", "offset above which a draft doubts that its numbers are offsets in that unit", _NONE, "choice"),
    ("suggested_shortest_section", 3.0, "cm", "highest offset of many rows below which a draft doubts the unit of the offset", _NONE, "choice"),
    ("suggested_plain_susceptibility", 0.1, "1", "largest number of a column of susceptibility up to which a draft takes it for plain SI, without a power of ten", _NONE, "choice"),
    ("suggested_most_words", 12, "1", "different words of a column of text up to which a draft takes them for names of holes or kinds of rows", _NONE, "choice"),
    ("suggested_attenuation_rate", 1000.0, "1/s", "rate of counts above which a draft of a mapping takes a detector for that of a gamma beam", _NONE, "choice"),
    ("composite_spacing", 2.5, "cm", "spacing of the grid on which cores are compared", _NONE, "choice"),
    ("composite_largest_shift", 5.0, "m", "farthest that a core may move to be tied", _NONE, "common practice"),
    ("composite_least_overlap", 1.0, "m", "shortest overlap of two cores that are tied", _NONE, "common practice"),
    ("composite_margin", 0.5, "m", "distance from the end of a core at which a sequence changes to the next", _NONE, "common practice"),
    ("grain_density_neighbours", 5, "1", "samples in the running median of the grain density that is carried to a scan", _NONE, "common practice"),
    ("stress_gap", 30.0, "m", "distance to the nearest density beyond which a stress is marked", _NONE, "choice"),
    ("seismic_merge", 1.0, "cm", "distance within which readings of a seismic profile are averaged", _NONE, "common practice"),
    ("seismic_gap", 1.0, "m", "step between readings above which there is a gap", _NONE, "common practice"),
    ("seismic_fill_spacing", 10.0, "cm", "spacing of the rows that are put into a gap", _NONE, "common practice"),
    ("supplied_depth_difference", 0.25, "m", "difference of a supplied depth from that of its core, section and offset beyond which the two contradict each other", _NONE, "choice"),
    ("supplied_misprint", 0.88, "1", "similarity of a header to the name of a quantity from which it is taken for a misprint", _NONE, "choice"),
    ("reported_share", 0.5, "1", "share of reported values that may differ from those of the masses; beyond it the constants differ and no sample is flagged", _NONE, "choice"),
    ("reported_shift", 0.5, "1", "share of the tolerance that the median difference of reported values may reach; beyond it the constants differ and no sample is flagged", _NONE, "choice"),
    ("seismic_edge", 0.5, "m", "length beside a gap whose mean is carried into it", _NONE, "choice"),
    ("tie_largest_shift", 20.0, "ms", "farthest that a synthetic trace may be shifted", _NONE, "common practice"),
    ("wavelet_before", 20.0, "ms", "time before a reflection that an extracted wavelet holds", _NONE, "common practice"),
    ("wavelet_after", 60.0, "ms", "time after a reflection that an extracted wavelet holds", _NONE, "common practice"),
    ("wavelet_taper", 0.2, "1", "share of a wavelet at either end that is brought to zero", _NONE, "common practice"),
    ("bed_thickness", 0.25, "m", "distance within which samples are of one bed and their scatter one", _NONE, "choice"),
    ("compaction_layer_points", 12, "1", "fewest porosities of a layer that is fitted by itself", _NONE, "choice"),
    ("mud_least_water", 0.2, "1", "water content below which the relation of mud is left; cores have 0.25 to 0.6 (Bullard 1963)", _NONE, "choice"),
    ("mud_greatest_water", 0.8, "1", "water content above which the relation of mud is left; cores have 0.25 to 0.6 (Bullard 1963)", _NONE, "choice"),
    ("heat_capacity_least_conductivity", 0.8, "W/(m K)", "conductivity below which the parabola of the heat capacity has no data", "Hyndman, Davis and Wright (1979)", "memory"),
    ("heat_capacity_greatest_conductivity", 1.6, "W/(m K)", "conductivity above which the parabola of the heat capacity has no data and turns", "Hyndman, Davis and Wright (1979)", "memory"),
    # Slips in the tables of a hole, found at read. The margins keep simulated holes without a
    # slip free of findings; a number beyond them contradicts physics or the rest of the hole.
    ("slip_section_readings", 5, "1", "fewest readings of a section or table that show a slip", _NONE, "choice"),
    ("slip_section_sum", 0.3, "m", "difference of the lengths of the sections of a core from what was recovered that is a slip", _NONE, "choice"),
    ("slip_section_sum_least", 0.08, "m", "difference below which it is no slip where the other cores of the hole agree better", _NONE, "choice"),
    ("slip_section_sum_errors", 6.0, "1", "robust standard deviations of the other cores by which the sections of one may differ from what was recovered", _NONE, "choice"),
    ("slip_section_cores", 5, "1", "fewest cores that show how well sections and recovered lengths agree", _NONE, "choice"),
    ("slip_section_closes", 0.03, "m", "difference that is left where another length of one section closes the sum", _NONE, "choice"),
    ("slip_longest_section", 12.0, "m", "length of half the sections above which their unit was mistaken", _NONE, "choice"),
    ("slip_longest_advance", 50.0, "m", "advance of one core above which a unit was mistaken", _NONE, "choice"),
    ("slip_advance_ratio", 2.0, "1", "times the next longest advance of the hole that an advance may have", _NONE, "choice"),
    ("slip_recovery_ratio", 1.5, "1", "times the advance that a core may have: gas expands cores by less", _NONE, "choice"),
    ("slip_recovery_excess", 1.0, "m", "length above the advance that a short core may have", _NONE, "choice"),
    ("slip_narrowest_interval", 0.5, "cm", "width of a removed or excluded interval below which its unit is m", _NONE, "choice"),
    ("slip_excluded_share", 0.9, "1", "share of the sections that exclusions may cover", _NONE, "choice"),
    ("slip_layer_overlap", 0.011, "m", "overlap of two layers that is taken for rounding", _NONE, "choice"),
    ("slip_layer_depth", 3.0, "1", "times the depth of the hole that the bottom of a layer may have", _NONE, "choice"),
    ("slip_core_narrow", 0.5, "1", "share of the bore below which a core diameter has another unit", _NONE, "choice"),
    ("slip_core_wide", 1.05, "1", "times the bore that a core diameter may have: a calliper errs", _NONE, "choice"),
    ("slip_past_end", 2.0, "cm", "distance past the end of a section up to which readings are not named", _NONE, "choice"),
    ("slip_offset_share", 0.02, "1", "share of the section that is reached by offsets in m under cm", _NONE, "choice"),
    ("slip_longest_sample", 30.0, "cm", "longest interval of one sample", _NONE, "choice"),
    ("slip_upward_share", 0.9, "1", "share of the steps of a section that run upward where it was turned", _NONE, "choice"),
    ("slip_unreadable_share", 0.5, "1", "share of the cells of a column that cannot be read from which the column is named", _NONE, "choice"),
    ("slip_before_deck", 600.0, "s", "time before a core is on deck that clocks may differ by", _NONE, "choice"),
    ("slip_longest_wait", 50.0, "yr", "time after a core is on deck beyond which a date is a slip", _NONE, "choice"),
    ("slip_level_ratio", 3.0, "1", "factor between a section and its hole that no sediment makes", _NONE, "choice"),
    ("slip_same_level", 1.5, "1", "factor within which counts, or their rate, are the same", _NONE, "choice"),
    ("slip_rate_below_standards", 0.5, "1", "share of the rate through the thickest standard below which a rate of the scan is a slip", _NONE, "choice"),
    ("slip_rate_above_standards", 2.0, "1", "times the rate through water above which a rate of the scan is a slip", _NONE, "choice"),
    ("slip_whole_share", 0.5, "1", "share of counts with decimals from which a column of counts holds rates", _NONE, "choice"),
    ("slip_background_share", 0.5, "1", "share of the background below which a rate of natural gamma is a slip", _NONE, "choice"),
    ("slip_slowest_apparent", 0.5, "km/s", "thickness over travel time, delay included, below which a unit was mistaken", _NONE, "choice"),
    ("slip_fastest_apparent", 9.0, "km/s", "thickness over travel time above which a unit was mistaken", _NONE, "choice"),
    ("slip_thickness_share", 0.5, "1", "share of the outer diameter of the liner below which a thickness has another unit", _NONE, "choice"),
    ("slip_thickness_times", 2.0, "1", "times the outer diameter of the liner above which a thickness has another unit", _NONE, "choice"),
    ("slip_thickness_above", 1.04, "1", "times the outer diameter of the liner that half of the thicknesses may have", _NONE, "choice"),
    ("slip_response_ratio", 30.0, "1", "factor between the responses of a scan and of its standards above which a unit was mistaken", _NONE, "choice"),
    ("slip_susceptibility", 0.3, "1", "magnetic susceptibility of half the readings that no sediment or lava has", _NONE, "choice"),
    ("slip_least_susceptibility", 1e-7, "1", "magnetic susceptibility that all readings of a scan stay below only with a mistaken unit: water has -9e-6", _NONE, "choice"),
    ("slip_faint_median", 1e-8, "1", "magnetic susceptibility that half of the supplied values stay below only with a mistaken unit", _NONE, "choice"),
    ("slip_faint_greatest", 1e-6, "1", "magnetic susceptibility that all of such supplied values stay below", _NONE, "choice"),
    ("slip_delay_share", 0.5, "1", "share of the time in two walls by which the given delay may miss the water standards", _NONE, "choice"),
    ("slip_delay_least", 0.5, "us", "difference between the given delay and water standards that is never named", _NONE, "choice"),
    ("slip_same_value_readings", 20, "1", "readings in a row with one value from which a channel stood still", _NONE, "choice"),
    ("slip_warmest_room", 45.0, "degC", "temperature of a laboratory above which its unit was mistaken", _NONE, "choice"),
    ("slip_coldest_room", -5.0, "degC", "temperature of a laboratory below which its unit was mistaken", _NONE, "choice"),
    ("slip_warmest_bottom_water", 35.0, "degC", "temperature of bottom water above which its unit was mistaken", _NONE, "choice"),
    ("slip_coldest_bottom_water", -3.0, "degC", "temperature of bottom water below which its unit was mistaken: sea water freezes at -1.9 degC", _NONE, "choice"),
    ("slip_room", 20.0, "degC", "temperature near which that of a laboratory lies once its unit is right", _NONE, "choice"),
    ("slip_bottom_water_difference", 5.0, "K", "difference of recorded bottom water from the setting above which one of them is a slip", _NONE, "choice"),
    ("slip_aluminium_share", 0.2, "1", "share of the bore that the thickest aluminium must exceed", _NONE, "choice"),
    ("slip_counts_rise", 0.01, "1", "share by which the rate through a thicker standard may exceed that through a thinner one, beside counting noise", _NONE, "choice"),
    ("slip_counts_rise_errors", 5.0, "1", "standard deviations of counting noise by which the rate through a thicker standard may exceed that through a thinner one", _NONE, "choice"),
    ("slip_slowest_standard", 0.9, "km/s", "velocity of a standard from lengths and times below which a unit was mistaken", _NONE, "choice"),
    ("slip_fastest_standard", 8.0, "km/s", "velocity of a standard from lengths and times above which a unit was mistaken", _NONE, "choice"),
    ("slip_sea_conductivity", 5.0, "S/m", "conductivity of a brine of 35 g/kg near room temperature, for factors of ten and more", _NONE, "common practice"),
    ("slip_brine_ratio", 4.0, "1", "factor between responses over conductivity of two sets of brines above which a unit was mistaken", _NONE, "choice"),
    ("slip_lightest_grain", 1.5, "g/cm^3", "dry mass over dry volume below which a unit was mistaken", _NONE, "choice"),
    ("slip_heaviest_grain", 4.6, "g/cm^3", "dry mass over dry volume above which a unit was mistaken or a container was weighed", _NONE, "choice"),
    ("slip_lightest_row", 1.0, "g/cm^3", "dry mass over dry volume of one sample below which a cell is a slip", _NONE, "choice"),
    ("slip_heaviest_row", 7.0, "g/cm^3", "dry mass over dry volume of one sample above which a cell is a slip", _NONE, "choice"),
    ("slip_lightest_bulk", 0.8, "g/cm^3", "wet mass over wet volume below which a unit was mistaken", _NONE, "choice"),
    ("slip_heaviest_bulk", 4.0, "g/cm^3", "wet mass over wet volume above which a unit was mistaken", _NONE, "choice"),
    ("slip_wettest", 20.0, "1", "wet mass over dry mass above which a unit was mistaken", _NONE, "choice"),
    ("slip_least_conductivity", 0.2, "W/(m K)", "thermal conductivity, roughly from the end of a heating curve, below which a unit was mistaken", _NONE, "choice"),
    ("slip_greatest_conductivity", 20.0, "W/(m K)", "thermal conductivity above which a unit was mistaken", _NONE, "choice"),
    ("slip_shortest_heating", 20.0, "s", "end of a heating curve before which its times are minutes or hours", _NONE, "choice"),
    ("slip_longest_heating", 1e5, "s", "end of a heating curve after which its times are milliseconds", _NONE, "choice"),
    ("slip_longest_sampling", 300.0, "s", "time between the samples of so long a heating curve from which its times are milliseconds", _NONE, "choice"),
    ("slip_possible_times", 1.5, "1", "times the possible range of a supplied quantity beyond which half of its values are a slip, whatever unit explains them", _NONE, "choice"),
    ("slip_shortest_record", 120.0, "s", "length of a record of formation temperature below which its times are minutes", _NONE, "choice"),
    ("slip_thinnest_needle", 0.1, "mm", "radius of a needle below which a unit was mistaken", _NONE, "choice"),
    ("slip_thickest_needle", 10.0, "mm", "radius of a needle above which a unit was mistaken", _NONE, "choice"),
    ("slip_slowest_sample", 0.6, "km/s", "length over travel time of a P-wave through samples below which a unit was mistaken", _NONE, "choice"),
    ("slip_fastest_sample", 9.0, "km/s", "length over travel time of a P-wave through samples above which a unit was mistaken", _NONE, "choice"),
    ("slip_weakest", 0.02, "kPa", "strength of half the tests, roughly from their columns, below which a unit was mistaken", _NONE, "choice"),
    ("slip_strongest", 3000.0, "kPa", "strength of half the tests, roughly from their columns, above which a unit was mistaken", _NONE, "choice"),
    ("slip_lightest_cone", 3.0, "g", "mass of a fall cone below which a unit was mistaken", _NONE, "choice"),
    ("slip_heaviest_cone", 3000.0, "g", "mass of a fall cone above which a unit was mistaken", _NONE, "choice"),
    ("slip_strongest_rock", 3e5, "kPa", "half of the unconfined strength of half the tests above which a unit was mistaken", _NONE, "choice"),
    ("slip_sharpest_cone", 5.0, "degree", "angle of a fall cone below which its unit was mistaken: radians", _NONE, "choice"),
    ("slip_least_load", 15.0, "kPa", "greatest stress of a consolidation test below which it has another unit", _NONE, "choice"),
    ("slip_greatest_load", 3e5, "kPa", "greatest stress of a consolidation test above which it has another unit", _NONE, "choice"),
    ("slip_loosest", 15.0, "1", "void ratio above which it is a percentage", _NONE, "choice"),
    ("slip_thinnest_specimen", 4.0, "mm", "height of a consolidation specimen below which a unit was mistaken", _NONE, "choice"),
    ("slip_thickest_specimen", 200.0, "mm", "height of a consolidation specimen above which a unit was mistaken", _NONE, "choice"),
    ("slip_station_depth", 20.0, "m", "depth of a station below the deepest core that is a slip, beside 5 % of the hole", _NONE, "choice"),
    ("slip_station_share", 0.05, "1", "share of the depth of the hole that a station may lie below its deepest core", _NONE, "choice"),
    ("slip_slowest_interval", 1.3, "km/s", "velocity between check shots below which a time is two-way or a unit was mistaken", _NONE, "choice"),
    ("slip_fastest_interval", 7.5, "km/s", "velocity between check shots above which a time is one-way or a unit was mistaken", _NONE, "choice"),
    ("slip_interval_ratio", 1.7, "1", "times the apparent velocity of the scan that check shots may have", _NONE, "choice"),
    ("slip_accumulation", 2e4, "m/Myr", "sedimentation rate over the whole table of ages above which ages have another unit", _NONE, "choice"),
    ("slip_accumulation_depth", 50.0, "m", "depth range from which so fast a rate is not believed", _NONE, "choice"),
    ("slip_age_errors", 5.0, "1", "standard uncertainties by which an age may be younger than one above it", _NONE, "choice"),
    ("slip_age_share", 0.1, "1", "share of an age by which it may be younger than one above it where uncertainties are not given", _NONE, "choice"),
    ("slip_gradient", 1.0, "K/m", "geothermal gradient above which a temperature or its unit is a slip", _NONE, "choice"),
    ("slip_gradient_depth", 20.0, "m", "depth from which a station shows a gradient", _NONE, "choice"),
    ("slip_penetration_rise", 0.05, "1", "share of the range of a record that the temperature rises by within two minutes of a penetration", _NONE, "choice"),
    ("slip_steel", 3.8e6, "J/(m^3 K)", "heat capacity of steel by volume, for the order of magnitude of a tool", _NONE, "common practice"),
    ("slip_station_errors", 8.0, "1", "robust standard deviations from the line of the other stations beyond which a depth or record is a slip", _NONE, "choice"),
    ("slip_station_range", 0.25, "1", "share of the range of temperatures of all stations that such a departure must exceed", _NONE, "choice"),
    ("slip_depth_ratio", 1.5, "1", "times the depth of the hole that half of the depths of a table may have", _NONE, "choice"),
    ("slip_tool_ratio", 2.5, "1", "factor between the heat capacity of a tool and that of a rod of steel as wide above which a unit was mistaken", _NONE, "choice"),
    ("slip_salinity_ratio", 5.0, "1", "factor between two salinities of one hole above which a unit was mistaken", _NONE, "choice"),
    ("slip_salinity_fits", 1.25, "1", "factor within which a salinity in another unit is that of the hole", _NONE, "choice"),
    ("slip_deep_sea", 500.0, "m", "water depth from which the pore water is that of the sea", _NONE, "choice"),
    ("slip_sea_least", 28.0, "g/kg", "least salinity of deep sea water", _NONE, "choice"),
    ("slip_sea_greatest", 42.0, "g/kg", "greatest salinity of deep sea water", _NONE, "choice"),
    ("slip_cold_shallow", 15.0, "m", "water depth below which cold and salty bottom water at low latitude is a slip: km under m", _NONE, "choice"),
    ("slip_cold_water", 6.0, "degC", "temperature below which bottom water of a shallow sea at low latitude is cold", _NONE, "choice"),
    ("slip_low_latitude", 45.0, "degree", "latitude up to which shallow sea water is not so cold", _NONE, "choice"),
    ("slip_reference_years", 10.0, "yr", "time between the reference time of the source and its standards beyond which a date is a slip", _NONE, "choice"),
    ("slip_shortest_half_life", 1.0, "yr", "half-life of a gamma source below which a unit was mistaken", _NONE, "choice"),
    ("slip_longest_half_life", 2000.0, "yr", "half-life of a gamma source above which a unit was mistaken", _NONE, "choice"),
    ("slip_slowest_liner", 500.0, "m/s", "velocity of a liner below which a unit was mistaken", _NONE, "choice"),
    ("slip_thickest_wall", 0.25, "1", "share of the bore above which a wall of the liner has another unit", _NONE, "choice"),
    ("slip_widest_bore", 400.0, "mm", "bore of a liner above which a unit was mistaken", _NONE, "choice"),
    ("slip_narrowest_bore", 15.0, "mm", "bore of a liner below which a unit was mistaken", _NONE, "choice"),
    ("slip_chlorinity_least", 18.8, "g/kg", "least chlorinity of deep sea water, which is no salinity there", _NONE, "choice"),
    ("slip_chlorinity_greatest", 20.0, "g/kg", "greatest chlorinity of deep sea water", _NONE, "choice"),
    ("slip_same_bore", 0.01, "1", "share of the outer diameter of the liner within which the bore of a standard is that diameter", _NONE, "choice"),
    ("slip_steps", 6, "1", "fewest thicknesses of aluminium of which one can be told from the curve of the others", _NONE, "choice"),
    ("slip_step_times", 10.0, "1", "times the greatest residual of the other steps that the logarithm of the rate of one step may be off", _NONE, "choice"),
    ("slip_step_least", 0.03, "1", "departure of the logarithm of a rate below which a step is not named: counting noise and the curve make less", _NONE, "choice"),
    ("slip_check_rate", 1.25, "1", "factor between the rates through check pieces and standards of one thickness above which a counting time is a slip", _NONE, "choice"),
    ("slip_outer_share", 0.02, "1", "share of the outer diameter by which half of the thicknesses may lie below it", _NONE, "choice"),
    ("slip_water_velocity", 0.02, "1", "share by which the velocity in standards of water may differ from that of water: 8 K, or half of the salt of the sea", _NONE, "choice"),
    ("slip_water_errors", 5.0, "1", "standard errors of that velocity which it may differ by", _NONE, "choice"),
    ("slip_walls_share", 0.3, "1", "share of the travel time in two walls within which a difference of delays is that of a liner", _NONE, "choice"),
    ("slip_blank_above", 1.15, "1", "times the rate of the scan above which the rate of blanks is a slip: a core shields some of the background", _NONE, "choice"),
    ("slip_thorium_share", 0.5, "1", "share of readings with more counts in the window of thorium than in that of potassium above which the columns are exchanged", _NONE, "choice"),
    ("slip_bottom_water_record", 1.0, "K", "difference of recorded bottom water from the setting above which the setting is a slip: water in the drill pipe may be warmer by less", _NONE, "choice"),
    ("slip_station_fall", 0.3, "K", "fall of temperature between two stations from which they may be exchanged", _NONE, "choice"),
    ("slip_exchange_fits", 0.25, "1", "share of that fall within which all stations lie on one line once two are exchanged", _NONE, "choice"),
    ("slip_log_shift", 15.0, "m", "distance between a log and stations of the same temperature below which the depths of the log are not doubted: a record ends before its equilibrium", _NONE, "choice"),
    ("slip_log_spread", 0.25, "1", "share of that distance by which it may differ among stations", _NONE, "choice"),
    ("slip_load_per_depth", 2.0, "kPa/m", "greatest stress of a consolidation test over its depth below which the stress has another unit: the sediment above weighs more", _NONE, "choice"),
    # One core, one sensor, one sample against the others.
    ("slip_sensor_sections", 3, "1", "fewest sections of a core that show a slip in the offsets of one sensor", _NONE, "choice"),
    ("slip_sensor_reach", 0.8, "1", "share of the reach of the other sensors below which the offsets of one have another unit", _NONE, "choice"),
    ("slip_sensor_zero", 5.0, "cm", "difference of the first offset from that of the other sensors above which the zero of a track was not set", _NONE, "choice"),
    ("slip_sensor_agrees", 2.5, "cm", "difference by which the sections of one core may depart from one shift", _NONE, "choice"),
    ("slip_core_ratio", 1.8, "1", "factor between the rate of a core and that of its neighbours above which its counting time is compared", _NONE, "choice"),
    ("slip_core_alike", 1.4, "1", "factor within which neighbouring cores, or counts, are alike", _NONE, "choice"),
    ("slip_core_share", 0.9, "1", "share of the readings of a core that pass more than water does where its counting time is a slip", _NONE, "choice"),
    ("slip_copied_readings", 10, "1", "fewest readings in a row that are a copy where they are equal to those elsewhere", _NONE, "choice"),
    ("slip_copied_chance", 1e-6, "1", "expected number of runs equal by chance that a copy must stay below", _NONE, "choice"),
    ("slip_copied_samples", 20, "1", "fewest samples that show how rare equal masses are", _NONE, "choice"),
    ("slip_velocity_agrees", 1.25, "1", "times the usual ratio of samples to the scan above which a travel time of samples is compared with the delay", _NONE, "choice"),
    ("slip_strength_agrees", 2.5, "1", "factor between vane and fall cone on the same samples above which a dimension is a slip", _NONE, "choice"),
    ("slip_annulus", 1.0, "mm", "difference of core diameter and bore above which something fills the liner beside the core", _NONE, "choice"),
    # The page of the newest core.
    ("watch_boundary", 100.0, "cm", "length at the end of a core and at the top of the next whose medians are compared", _NONE, "choice"),
    ("watch_boundary_gap", 1.0, "m", "length without core above which an offset between two cores is not judged", _NONE, "choice"),
    ("watch_far", 3.0, "1", "standard uncertainties beyond which an offset or a shift between two cores stands out", _NONE, "common practice"),
    ("watch_readings", 3, "1", "fewest readings that give a median an uncertainty, and fewest earlier changes that are usual", _NONE, "choice"),
    ("watch_unscanned", 15.0, "cm", "length of core after the last reading of a section from which its scan is not complete", _NONE, "choice"),
    ("watch_unscanned_spacings", 3.0, "1", "the same in distances between readings; the longer of the two decides", _NONE, "choice"),
    ("watch_standard_age", 24.0, "h", "time between the last standard and the last reading of a core above which a standard is missing", _NONE, "choice"),
    ("watch_ahead", 24.0, "h", "time on deck ahead of the clock from which it does not make a core the newest, if others are not ahead", _NONE, "choice"),
    ("watch_neighbours", 8, "1", "cores above the newest that show what is usual", _NONE, "choice"),
    ("watch_quiet", 0.3, "s", "time without a change after which the files of a folder are complete", _NONE, "choice"),
    ("watch_longest", 5.0, "s", "time after which files that do not stop changing are read as they are", _NONE, "choice"),
    ("watch_silence", 180.0, "s", "time without a sign of the watch after which its page calls it stopped", _NONE, "choice"),
)  # fmt: skip

THRESHOLDS: dict[str, Threshold] = {
    name: Threshold(name, float(number), unit, float("nan"), source, status, decides=words)
    for name, number, unit, words, source, status in _ROWS
}
add_table(THRESHOLDS.values())


def get(name: str) -> Threshold:
    """Look up a threshold by name.

    Parameters
    ----------
    name : str
        Key in :data:`THRESHOLDS`.

    Returns
    -------
    Threshold
        Value, unit, what it decides, source and status.

    Raises
    ------
    KeyError
        When there is no such threshold; the message names the nearest one.

    Examples
    --------
    >>> str(get("crack_length"))
    '2 cm'
    """
    if name in THRESHOLDS:
        return THRESHOLDS[name]
    close = difflib.get_close_matches(name, THRESHOLDS, n=1)
    hint = f"did you mean {close[0]!r}?" if close else "see corephys.thresholds.THRESHOLDS"
    raise KeyError(f"no threshold named {name!r}; {hint}")


def value(name: str) -> float:
    """A threshold as a plain number.

    Parameters
    ----------
    name : str
        Key in :data:`THRESHOLDS`.

    Returns
    -------
    float
        Value in the unit of its row.
    """
    return get(name).value


def count(name: str) -> int:
    """A threshold that is a number of things.

    Parameters
    ----------
    name : str
        Key in :data:`THRESHOLDS`.

    Returns
    -------
    int
        Count.

    Raises
    ------
    ValueError
        When the row is not a whole number.
    """
    row = get(name)
    if row.unit != "1" or row.value != int(row.value):
        raise ValueError(f"{name!r} is {row}; a count must be a whole number without a unit")
    return int(row.value)


def _default(row: Threshold, counted: bool) -> Any:
    if row.unit != "1":
        return SourcedText(str(row), "constant", constant=row)
    if counted:
        return SourcedCount(int(row.value), "constant", constant=row)
    return SourcedNumber(row.value, "constant", constant=row)


# The same rows as defaults of arguments and of the recipe: a text with its unit, or a plain number
# (an int where the table has one) that keeps a reference to its row for provenance.
DEFAULTS: dict[str, Any] = {
    row[0]: _default(THRESHOLDS[row[0]], isinstance(row[1], int)) for row in _ROWS
}
