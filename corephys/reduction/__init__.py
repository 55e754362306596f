"""Floor 4: a recipe and a hole become a reduced hole.

Every stage takes what earlier stages left, adds its own result, and is skipped with a reason
where the hole has nothing for it: a half-finished hole reduces.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import provenance
from corephys.recipe import Recipe
from corephys.reduction import (
    accumulation,
    compaction,
    depth_uncertainty,
    elastic,
    heat_flow,
    logs,
    products,
    samples,
    scan_gamma,
    scan_natural_gamma,
    scan_pwave,
    scan_quality,
    scan_resistivity,
    scan_standards,
    scan_supplied,
    scan_susceptibility,
    seismic,
    split_core,
    stress,
)
from corephys.reduction.context import Context
from corephys.reduction.summary import summarise

__all__ = ["STAGES", "reduce"]

STAGES: dict[str, Callable[[Context], None]] = {
    "index properties": samples.index_properties,
    "gamma calibration": scan_gamma.gamma_calibration,
    "density": scan_gamma.density,
    "P-wave arrivals": scan_pwave.arrivals,
    "P-wave calibration": scan_pwave.pwave_calibration,
    "velocity": scan_pwave.velocity,
    "resistivity calibration": scan_resistivity.resistivity_calibration,
    "resistivity": scan_resistivity.electrical_resistivity,
    "susceptibility": scan_susceptibility.magnetic_susceptibility,
    "natural gamma": scan_natural_gamma.natural_gamma_rate,
    "supplied values": scan_supplied.supplied,
    "standards watched": scan_standards.control_charts,
    "cores at room temperature": scan_standards.settling,
    "flags of the scan": scan_quality.scan_flags,
    "potassium, uranium, thorium": scan_natural_gamma.radioelements,
    "heat production": scan_natural_gamma.heat_production,
    "tie of density to the samples": scan_gamma.density_tie,
    "velocity of samples": split_core.sample_velocities,
    "effective stress": stress.effective_stress,
    "strength": split_core.shear_strength,
    "consolidation": split_core.consolidation_tests,
    "thermal conductivity": samples.thermal_conductivity,
    "formation temperature": samples.formation_temperature,
    "conductivity of the formation": samples.formation_conductivity,
    "porosity": products.porosity_from_density,
    "formation factor": scan_resistivity.formation_factor,
    "porosity from resistivity": scan_resistivity.porosity_by_archie,
    "in-situ velocity": scan_pwave.in_situ_velocity,
    "elastic moduli": elastic.elastic_moduli,
    "velocity bounds": elastic.elastic_bounds,
    "velocity models": elastic.velocity_models,
    "in-situ resistivity": scan_resistivity.in_situ_resistivity,
    "seismic": seismic.seismic_properties,
    "synthetic trace": seismic.seismic_trace,
    "time and depth": seismic.seismic_times,
    "compaction": compaction.compaction_fit,
    "compaction models": compaction.compaction_models,
    "compaction by layer": compaction.compaction_by_layer,
    "stress profile": stress.stress_profile,
    "thermal resistance": heat_flow.thermal_resistance,
    "heat flow": heat_flow.heat_flow,
    "corrections of heat flow": heat_flow.corrections,
    "heat flow drawn": heat_flow.monte_carlo,
    "temperature below the stations": heat_flow.temperature_below,
    "accumulation": accumulation.accumulation_rates,
    "downhole logs": logs.downhole_logs,
    "cores beside logs": logs.cores_beside_logs,
    "uncertainty of depth": depth_uncertainty.depth_uncertainty,
}


def reduce(
    hole: xr.DataTree,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | None = None,
    *,
    progress: Callable[[str, int, int], None] | None = None,
) -> xr.DataTree:
    """Reduce a hole: from readings to properties and products.

    Parameters
    ----------
    hole : DataTree
        From ``read_hole`` or ``hole_from_tables``.
    recipe : Recipe or mapping, optional
        A complete recipe, or changes to what the hole's own settings say.
    progress : callable, optional
        Called with the name of a stage, its number and the number of stages.

    Returns
    -------
    DataTree
        The raw tables where they were, properties in ``/properties``, products in ``/products``;
        the recipe in full, the digests of the input files and a summary as root attributes.

    Raises
    ------
    RecipeError
        When the recipe or the hole's settings hold an unknown key, a wrong unit or word.
    HoleError
        With ``[reduction] strict = true``, when a stage meets values that it cannot use; the
        message names the stage. Otherwise that stage is left out: its error stands in the summary
        under ``failed``, and what does not depend on it is reduced.

    Notes
    -----
    Units, equations and sources are those of the functions of each stage; the steps of every
    result stand in its attribute ``steps``.
    """
    context = Context.watched(hole, complete_recipe(hole, recipe))
    for number, (name, stage) in enumerate(STAGES.items()):
        if progress:
            progress(name, number, len(STAGES))
        context.lineage.begin(name)
        # What is beyond a float becomes infinite, and an infinite value is flagged as such.
        with context.part(name), np.errstate(over="ignore"):
            stage(context)
    context.lineage.end()
    if progress:
        progress("done", len(STAGES), len(STAGES))
    return _assemble(context)


def complete_recipe(
    hole: xr.DataTree, recipe: Recipe | Mapping[str, Mapping[str, Any]] | None
) -> Recipe:
    """The recipe of a reduction: the caller's over the hole's over the defaults.

    Parameters
    ----------
    hole : DataTree
        Its settings stand in the root attribute ``settings``.
    recipe : Recipe, mapping or None
        A Recipe is complete and taken as it is; a mapping holds changes.

    Returns
    -------
    Recipe
        Complete and checked.

    Raises
    ------
    RecipeError
        For an unknown key, a wrong unit or word.
    """
    if isinstance(recipe, Recipe):
        return recipe
    base = Recipe(json.loads(hole.attrs.get("settings", "{}")))
    return base.with_changes(recipe) if recipe else base


def _assemble(context: Context) -> xr.DataTree:
    from corephys import __version__

    nodes = {
        node.path: node.to_dataset(inherit=False)
        for node in context.hole.leaves
        if node.path != "/"
    }
    # What a stage gave a function for each reading stands in a table of the hole.
    from_tables = {"given": "hole"}
    for path, dataset in context.results.items():
        attributes = provenance.relabelled(dataset.attrs, from_tables)
        nodes[f"/{path}"] = dataset.assign_attrs(attributes)
    nodes["/"] = xr.Dataset()
    tree = xr.DataTree.from_dict(nodes, name=context.hole.name)
    attributes = provenance.root_attributes(
        context.recipe.to_json(), context.hole.attrs.get("input_sha256", "{}"), __version__
    )
    summary = summarise(
        context.results, context.skipped, context.failed, context.notes, context.levels
    )
    tree.attrs = {**context.hole.attrs, **attributes, "summary": json.dumps(summary)}
    tree.attrs["lineage"] = context.lineage.to_json()
    return tree
