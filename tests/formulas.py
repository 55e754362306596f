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
    "corephys.sensors.gamma.chain.check_geometry": "compares diameters with bores, no physics",
    "corephys.sensors.resistivity.pore_water.conductivity_of_brine": (
        "the arithmetic of brine_conductivity, which has rows"
    ),
    "corephys.sensors.natural_gamma.stripping.calibrate": (
        "a weighted fit of standards: its tests count its intervals, strip has rows"
    ),
    "corephys.sensors.gamma.calibration.interpolate_calibrations": (
        "a straight line in time between two calibrations"
    ),
    "corephys.sensors.gamma.calibration.calibrate": (
        "a weighted fit: the certified lines of numerics stand for it, the simulator tests it whole"
    ),
    "corephys.sensors.pwave.calibration.calibrate": (
        "a weighted fit: the certified lines of numerics stand for it, the simulator tests it whole"
    ),
    "corephys.sensors.pwave.calibration.wall_count": "a word to a number of walls, no physics",
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
    "corephys.samples.needle.windows": (
        "the windows of thermal_conductivity laid open, without physics of their own"
    ),
    "corephys.samples.needle.thermal_conductivity": (
        "the whole evaluation of heating curves: its formulas have rows, the simulator tests it"
    ),
    "corephys.samples.needle.combining.combine_repeats": (
        "a weighted mean of repeats with a test of their agreement, no physics"
    ),
    "corephys.samples.velocity.calibrate": (
        "a weighted line: the certified lines of numerics stand for it, made-up standards test it"
    ),
    "corephys.samples.strength.methods.calibrate_spring": (
        "a weighted line: the certified lines of numerics stand for it, made-up springs test it"
    ),
    "corephys.downhole.temperature.records.fitted_decay": (
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
    "corephys.products.elastic.minerals.material": "looks a row of a table up, no physics",
    "corephys.products.elastic.minerals.materials": "lists a table of sourced numbers, no physics",
    "corephys.products.elastic.minerals.mineral_mixture": (
        "the average of Hill on numbers of the table; hill has rows"
    ),
    "corephys.products.heat_flow.adjustments.corrected_temperature": (
        "temperatures less anomalies, no physics"
    ),
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
    "corephys.downhole.logs.comparison.compare_with_core": (
        "a search for the shift of most correlation, no physics; planted shifts test it"
    ),
    "corephys.products.heat_flow.compare_carriers": (
        "bullard once for every carrier of conductivity, no physics of its own"
    ),
    "corephys.products.compaction.fits.fit_by_layer": "fit once for every layer, no physics",
    "corephys.products.compaction.comparison.compare_models": (
        "fit once for every model, no physics"
    ),
    "corephys.products.compaction.certainty.likelihood_profile": (
        "statistics of fit: a closed form for the straight line tests it"
    ),
    "corephys.products.compaction.certainty.bootstrap": (
        "fit for every draw, no physics: a plain loop tests it"
    ),
    "corephys.products.stress.gaps.porosity_of_fit": "the curve of a fit with its errors by name",
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
    "corephys.products.porosity.grain_density_of_hole": (
        "the median of samples and their scatter, no physics; worked by hand in its test"
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
