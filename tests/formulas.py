"""Which public functions are formulas, read from the package itself.

A formula is a function that a measurement, product, seawater or mixing module lists in
``__all__``, unless :data:`NOT_FORMULAS` says with a reason why it is none. A new public function
is thus a formula until somebody says otherwise.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from typing import Any

import corephys

ROOMS_WITH_FORMULAS = (
    "corephys.sensors.",
    "corephys.samples.",
    "corephys.downhole.",
    "corephys.products.",
    "corephys.ground.seawater.",
    "corephys.ground.mixing.",
)

# Records of sensors and the door for a user's own: no physics.
_OF_RECORDS = ("corephys.sensors", "corephys.ground.sensor")

# Dotted name -> why no published number belongs to it.
NOT_FORMULAS: dict[str, str] = {
    "corephys.sensors.gamma.chain.density_kernel": "the arithmetic of gamma.bulk_density",
    "corephys.sensors.gamma.chain.electron_scale": "the arithmetic of gamma.electron_step",
    "corephys.sensors.gamma.chain.hydrogen_scale": "the arithmetic of gamma.hydrogen_step",
    "corephys.sensors.gamma.chain.fluid_reading": "the two steps backwards, for water alone",
    "corephys.sensors.gamma.chain.true_scale": "chooses between the two steps, no physics",
    "corephys.sensors.resistivity.archie.kept_and_fit": "the line of archie_fit, statistics alone",
    "corephys.sensors.natural_gamma.rate_kernel": "the arithmetic of natural_gamma.net_rate",
    "corephys.sensors.natural_gamma.stripping.calibrate": (
        "a weighted fit of standards: its tests count its intervals, strip has rows"
    ),
    "corephys.sensors.gamma.calibration.between": (
        "a straight line in time between two calibrations"
    ),
    "corephys.sensors.gamma.calibration.calibrate": (
        "a weighted fit: the certified lines of numerics stand for it, the simulator tests it whole"
    ),
    "corephys.sensors.pwave.calibration.calibrate": (
        "a weighted fit: the certified lines of numerics stand for it, the simulator tests it whole"
    ),
    "corephys.sensors.pwave.velocity_kernel": (
        "the arithmetic of velocity, whose rows run through it"
    ),
    "corephys.sensors.pwave.calibration.wall_count": "a word to a number of walls, no physics",
    "corephys.sensors.susceptibility.susceptibility_kernel": (
        "the arithmetic of magnetic_susceptibility, whose rows run through it"
    ),
    "corephys.sensors.susceptibility.drift_baseline": (
        "a straight line in time between readings in air, no physics"
    ),
    "corephys.sensors.susceptibility.suggest_unwrapping": (
        "a suggestion from jumps between neighbours, no physics; planted wraps test it whole"
    ),
    "corephys.sensors.pwave.picking.pick": (
        "statistics of a waveform: simulated arrivals of known onset test it whole"
    ),
    "corephys.sensors.resistivity.calibration.calibrate": (
        "a weighted fit: the certified polynomials of numerics stand for it, simulated responses "
        "test it whole"
    ),
    "corephys.sensors.resistivity.archie.archie_fit": (
        "York's line in logarithms, whose rows are numerics'; made-up layers test it whole"
    ),
    "corephys.sensors.resistivity.archie.surface_conduction_fit": (
        "a least-squares fit: its relation is linear in known parts, made-up cores test it whole"
    ),
    "corephys.samples.index_properties.outliers.likely_culprit": (
        "a search among inputs by the phase relations, which have rows; planted errors test it"
    ),
    "corephys.samples.index_properties.phases.joint_uncertainty": (
        "derivatives of the phase relations, which have rows; draws of its own check it"
    ),
    "corephys.samples.index_properties.volumes.pycnometer_cells": (
        "one factor a cell by least squares, no physics"
    ),
    "corephys.samples.index_properties.volumes.corrected_volume": "a volume times that factor",
    "corephys.samples.index_properties.volumes.mean_of_repeats": (
        "a mean with a pooled deviation, no physics"
    ),
    "corephys.samples.index_properties.water.pore_water_at": (
        "a straight line between depths; the density is seawater's, which has rows"
    ),
    "corephys.samples.index_properties.reported.consistency": (
        "a comparison of reported with recomputed values, without physics of its own"
    ),
    "corephys.samples.needle.reduction.windows": (
        "the windows of thermal_conductivity laid open, without physics of their own"
    ),
    "corephys.samples.needle.reduction.thermal_conductivity": (
        "the whole evaluation of heating curves: its formulas have rows, the simulator tests it"
    ),
    "corephys.samples.needle.combining.combine_repeats": (
        "a weighted mean of repeats with a test of their agreement, no physics"
    ),
    "corephys.samples.velocity.velocity_kernel": (
        "the arithmetic of velocity, whose rows run through it"
    ),
    "corephys.samples.velocity.calibrate": (
        "a weighted line: the certified lines of numerics stand for it, made-up standards test it"
    ),
    "corephys.samples.strength.methods.calibrate_spring": (
        "a weighted line: the certified lines of numerics stand for it, made-up springs test it"
    ),
    "corephys.downhole.temperature.records.fitted": (
        "the fitted decay beside its record, by decay_function, which has rows"
    ),
    "corephys.samples.consolidation.yield_stresses.yield_stress": (
        "the three constructions side by side: simulated tests count its bias and its intervals"
    ),
    "corephys.samples.consolidation.rates.consolidation_rate": (
        "the evaluation of readings in time: its formulas have rows, Terzaghi's series tests it"
    ),
    "corephys.downhole.temperature.equilibrium_temperature": (
        "the whole evaluation of a decay: its function has rows, the simulator tests it"
    ),
    "corephys.downhole.temperature.records.bottom_water_temperature": (
        "a median of the stable part of a record, no physics"
    ),
    "corephys.downhole.temperature.records.penetration_time": (
        "a search for rises of a record, no physics: simulated records of known onset test it"
    ),
    "corephys.downhole.temperature.tradeoff.valley": (
        "the fit of equilibrium_temperature once for each trial, without physics of its own"
    ),
    "corephys.downhole.temperature.responses.response": (
        "reads a table: one made from the exact cylinder tests it whole"
    ),
    "corephys.downhole.temperature.tradeoff.grade": "words for limits, no physics",
    "corephys.products.elastic.averages.walpole_kernel": (
        "the arithmetic of hashin_shtrikman, whose rows run through it"
    ),
    "corephys.products.elastic.velocities.bounds_kernel": (
        "wood and hashin_shtrikman on arrays, whose rows run through them"
    ),
    "corephys.products.elastic.velocities.raymer_kernel": (
        "the arithmetic of raymer, whose rows run through it"
    ),
    "corephys.products.elastic.velocities.wyllie_kernel": (
        "the arithmetic of wyllie, whose row runs through it"
    ),
    "corephys.products.elastic.fluids.gassmann_kernel": (
        "the arithmetic of gassmann, whose rows run through it"
    ),
    "corephys.products.elastic.fluids.brine_kernel": (
        "the arithmetic of brine, whose rows run through it"
    ),
    "corephys.products.elastic.frames.hertz_mindlin_kernel": (
        "the arithmetic of hertz_mindlin, whose rows run through it"
    ),
    "corephys.products.elastic.frames.soft_sand_kernel": (
        "the arithmetic of soft_sand, whose rows run through it"
    ),
    "corephys.products.elastic.frames.stiff_sand_kernel": (
        "the arithmetic of stiff_sand, whose rows run through it"
    ),
    "corephys.products.elastic.frames.contact_cement_kernel": (
        "the arithmetic of contact_cement, whose rows run through it"
    ),
    "corephys.products.elastic.reflections.reflection_kernel": (
        "the arithmetic of reflection_at_angle, whose row runs through it"
    ),
    "corephys.products.elastic.averages.reuss_kernel": (
        "the arithmetic of reuss, whose rows run through it"
    ),
    "corephys.products.elastic.minerals.material": "looks a row of a table up, no physics",
    "corephys.products.elastic.minerals.materials": "lists a table of sourced numbers, no physics",
    "corephys.products.elastic.minerals.mineral_mixture": (
        "the average of Hill on numbers of the table; hill has rows"
    ),
    "corephys.products.elastic.propagation.fraction": "takes an argument in, no physics",
    "corephys.products.elastic.propagation.names_checked": (
        "compares names of arguments, no physics"
    ),
    "corephys.products.elastic.propagation.number": "takes an argument in, no physics",
    "corephys.products.elastic.propagation.plain": "takes an argument in, no physics",
    "corephys.products.elastic.propagation.quantity": "takes an argument in, no physics",
    "corephys.products.elastic.propagation.propagate": "carries uncertainties along, no physics",
    "corephys.products.elastic.propagation.same_positions": (
        "compares positions, no physics of its own"
    ),
    "corephys.products.elastic.propagation.together": "adds fractions up, no physics of its own",
    "corephys.products.heat_flow.carriers.resistivity": (
        "what stands between conductivities; its integral, thermal_resistance, has a row"
    ),
    "corephys.products.heat_flow.adjustments.corrected": "temperatures less anomalies, no physics",
    "corephys.products.heat_flow.adjustments.corrections": (
        "anomalies through the weights of the line: they have rows, planted ones test it whole"
    ),
    "corephys.products.heat_flow.bend.curvature": (
        "an F test of a parabola: false alarms are counted, and an integrated flow tests it"
    ),
    "corephys.products.heat_flow.station_intervals.monte_carlo": (
        "draws through the line of bullard, which has rows; a plain loop tests it whole"
    ),
    "corephys.downhole.logs.las.read": "reads a file and its units, no physics",
    "corephys.downhole.logs.las.from_bytes": "reads a file and its units, no physics",
    "corephys.downhole.logs.las.below_seafloor": "a difference of two depths, no physics",
    "corephys.downhole.logs.las.write": "writes a file, no physics",
    "corephys.downhole.logs.comparison.to_aperture": (
        "a mean over a length, no physics; a simulated log tests it"
    ),
    "corephys.downhole.logs.comparison.compare": (
        "a search for the shift of most correlation, no physics; planted shifts test it"
    ),
    "corephys.products.heat_flow.compare_carriers": (
        "bullard once for every carrier of conductivity, no physics of its own"
    ),
    "corephys.products.heat_flow.carriers.merge": "an average of close readings, no physics",
    "corephys.products.heat_flow.carriers.weights": (
        "the arithmetic of thermal_resistance, whose row runs through it"
    ),
    "corephys.products.heat_flow.carriers.smooth_resistivity": (
        "a straight line of readings that weighs their errors, statistics without physics"
    ),
    "corephys.products.heat_flow.carriers.scatter": (
        "the spread of readings about their carrier, statistics without physics"
    ),
    "corephys.products.compaction.models.of_name": "looks a model up by its name, no physics",
    "corephys.products.compaction.data.gather": "takes arguments in, no physics",
    "corephys.products.compaction.data.solve": "the least squares of fit, whose rows check both",
    "corephys.products.compaction.results.dataset_of": "writes a finished fit down, no physics",
    "corephys.products.compaction.results.block_checks": (
        "a cross-validation, no physics; simulated holes test it"
    ),
    "corephys.products.compaction.results.judge": "words for limits, no physics",
    "corephys.products.compaction.data.independent": "writes down what is taken as known",
    "corephys.products.compaction.data.widen": (
        "statistics of numerics.correlated, whose tests hold it against dense algebra and draws"
    ),
    "corephys.products.compaction.fits.fit_data": "the arithmetic of fit, which has rows",
    "corephys.products.compaction.fits.natural_scatter": (
        "the moment estimate of fit alone, statistics without physics"
    ),
    "corephys.products.compaction.fits.fit_by_layer": "fit once for every layer, no physics",
    "corephys.products.compaction.comparison.compare": "fit once for every model, no physics",
    "corephys.products.compaction.certainty.profile": (
        "statistics of fit: a closed form for the straight line tests it"
    ),
    "corephys.products.compaction.certainty.profiles": "the curve behind profile, no physics",
    "corephys.products.compaction.certainty.bootstrap": (
        "fit for every draw, no physics: a plain loop tests it"
    ),
    "corephys.products.compaction.certainty.block_weights": "counts of draws, no physics",
    "corephys.products.compaction.certainty.default_block": "a length of blocks, no physics",
    "corephys.products.compaction.data.fit": (
        "reweighted least squares, no physics; an independent library tests it"
    ),
    "corephys.products.stress.column.column": "sorts and averages readings, no physics",
    "corephys.products.stress.column.inside": "finds depths among depths, no physics",
    "corephys.products.stress.column.integral": "the arithmetic of profile, which has rows",
    "corephys.products.stress.column.random_part": "errors of integral: a matrix tests it",
    "corephys.products.stress.gaps.fill_column": "takes a filling in, no physics",
    "corephys.products.stress.gaps.filled_column": "puts nodes into gaps, no physics",
    "corephys.products.stress.gaps.in_filled": "compares depths, no physics",
    "corephys.products.stress.gaps.left_empty": "compares depths, no physics",
    "corephys.products.stress.gaps.porosity_of_fit": "the curve of a fit with its errors by name",
    "corephys.products.stress.gaps.share_filled": "parts of the integral of profile",
    "corephys.products.stress.fluids.places": "takes depths in, no physics",
    "corephys.products.stress.fluids.water_above": "the water column of profile, which has rows",
    "corephys.products.stress.column.estimate": (
        "a search for the greatest likelihood, statistics alone; made profiles test it"
    ),
    "corephys.products.stress.column.unseen": (
        "variance of an integral; a whole covariance matrix tests it"
    ),
    "corephys.products.stress.column.readings_of": "takes densities in, no physics",
    "corephys.products.stress.bounds.reference_of_indices": (
        "takes numbers in; the rows of effective_stress_of_porosity run through it"
    ),
    "corephys.products.stress.bounds.fit_reference": (
        "a straight line by least squares, statistics alone; made sites test it"
    ),
    "corephys.products.stress.comparison.compare_choices": "differences of results, no physics",
    "corephys.products.seismic.ties.tie": (
        "a search for the shift and phase of most correlation, no physics; planted ones test it"
    ),
    "corephys.products.seismic.traces.wavelet": "takes a table of numbers in and checks its steps",
    "corephys.products.seismic.traces.average_wavelet": (
        "a mean of aligned pieces of traces, no physics; planted wavelets test it"
    ),
    "corephys.products.porosity.grain_density_at": (
        "carries measured values to other depths by a running median, no physics"
    ),
    "corephys.products.compaction.reference.reference_curves": (
        "a table of all reference curves, whose numbers have rows by name"
    ),
    "corephys.products.accumulation.smooth_ages": (
        "a weighted local line, statistics without physics: closed forms test it"
    ),
    "corephys.products.accumulation.interval_density": (
        "a mean of samples with its deviation, no physics"
    ),
}


def modules() -> list[str]:
    """Dotted names of all modules of which no part starts with an underscore."""
    found = []
    for module in pkgutil.walk_packages(corephys.__path__, "corephys."):
        if not any(part.startswith("_") for part in module.name.split(".")):
            found.append(module.name)
    return found


def listed(module: Any) -> dict[str, Any]:
    """Functions and classes of a module's ``__all__`` by the dotted name of their definition."""
    things = [getattr(module, name) for name in getattr(module, "__all__", ())]
    own = [t for t in things if inspect.isfunction(t) or inspect.isclass(t)]
    return {
        f"{t.__module__}.{t.__qualname__}": t for t in own if t.__module__.startswith("corephys")
    }


def public_objects() -> dict[str, Any]:
    """Functions and classes that users reach: of ``corephys`` and of the modules it hands out."""
    found = listed(corephys)
    for name in corephys.__all__:
        if inspect.ismodule(getattr(corephys, name)):
            found.update(listed(getattr(corephys, name)))
    return found


def formulas() -> dict[str, Any]:
    """Functions that need a check value by dotted name, handed out or not."""
    rooms = [m for m in modules() if f"{m}.".startswith(ROOMS_WITH_FORMULAS)]
    found: dict[str, Any] = {}
    for room in rooms:
        found.update(listed(importlib.import_module(room)))
    return {
        name: thing
        for name, thing in found.items()
        if inspect.isfunction(thing)
        and name not in NOT_FORMULAS
        and thing.__module__ not in _OF_RECORDS
    }
