"""Reduce a hole by a recipe: the stages in their order, and a summary of the results."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, provenance, series
from corephys.ground.progress import bar
from corephys.ground.registry import Compiled, added
from corephys.ground.sensor import Sensor, Stage
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.folder import is_site
from corephys.reduction import copies
from corephys.reduction import site as whole_site
from corephys.reduction.context import Context
from corephys.reduction.recipe import Recipe
from corephys.reduction.reuse import Journal, Memory, memories_of, remember
from corephys.reduction.stages import (
    elastic,
    gamma,
    heat_flow,
    logs,
    quality,
    samples,
    scan,
    sediment,
    seismic,
    stress,
    supplied,
)

__all__ = ["STAGES", "reduce", "summarise", "summary_lines"]

# A stage reads tables of the hole and results of earlier stages, and adds its own results. It is
# skipped with a reason where the hole has no data for it, so that an unfinished hole reduces too.
# The order matters: flags of the scan come after the standards have been judged, products after
# the properties that they use, uncertainties of depth last, beside every property.
_SHARED: dict[str, Callable[[Context], None]] = {
    "index properties": samples.index_properties,
    "supplied index properties": supplied.index_properties,
    "reported values": supplied.reported_values,
    "supplied values": supplied.of_the_scan,
    "standards watched": quality.control_charts,
    "cores at room temperature": quality.settling,
    "flags of the scan": quality.scan_flags,
    "supplied values of samples": supplied.of_samples,
    "velocity of samples": samples.sample_velocities,
    "effective stress": stress.effective_stress,
    "strength": samples.shear_strength,
    "consolidation": samples.consolidation_tests,
    "thermal conductivity": samples.thermal_conductivity,
    "supplied conductivities": supplied.conductivities,
    "formation temperature": samples.formation_temperature,
    "supplied temperatures": supplied.temperatures,
    "conductivity of the formation": samples.formation_conductivity,
    "porosity": sediment.porosity_from_density,
    "elastic moduli": elastic.elastic_moduli,
    "velocity bounds": elastic.elastic_bounds,
    "velocity models": elastic.velocity_models,
    "seismic": seismic.seismic_properties,
    "synthetic trace": seismic.seismic_trace,
    "time and depth": seismic.seismic_times,
    "compaction": sediment.compaction_fit,
    "compaction models": sediment.compaction_models,
    "compaction by layer": sediment.compaction_by_layer,
    "compaction by lithology": sediment.compaction_by_lithology,
    "stress profile": stress.stress_profile,
    "thermal resistance": heat_flow.thermal_resistance,
    "heat flow": heat_flow.heat_flow,
    "corrections of heat flow": heat_flow.corrections,
    "heat flow drawn": heat_flow.monte_carlo,
    "temperature below the stations": heat_flow.temperature_below,
    "accumulation": sediment.accumulation_rates,
    "downhole logs": logs.downhole_logs,
    "cores beside logs": logs.cores_beside_logs,
    "uncertainty of depth": scan.depth_uncertainty,
}

# Stages of sensors that need rooms above the sensors (products), by sensor; the record of any
# other holds its own.
_OF_SENSORS: dict[str, tuple[Stage, ...]] = {
    "gamma": (
        Stage("gamma calibration", gamma.gamma_calibration),
        Stage("density", gamma.density),
        Stage("tie of density to the samples", gamma.density_tie, after="flags of the scan"),
    ),
}

# Readings of the scan are reduced before this stage.
_READINGS_END_BEFORE = "supplied values"


def _all_stages(sensors: Sequence[Sensor]) -> dict[str, Callable[[Any], None]]:
    """The shared stages, with those of each sensor in their places."""
    first = list(_SHARED).index(_READINGS_END_BEFORE)
    before = dict(list(_SHARED.items())[:first])
    rest = dict(list(_SHARED.items())[first:])
    late: list[tuple[str, Stage]] = []
    for sensor in sensors:
        for stage in sensor.stages or _OF_SENSORS.get(sensor.name, ()):
            # Only to refuse a name that a shared stage has: the result is not used.
            added(rest, {stage.name: stage.run}, sensor.name, "stage")
            if stage.after:
                late.append((sensor.name, stage))
            else:
                before = added(before, {stage.name: stage.run}, sensor.name, "stage")
    found = {**before, **rest}
    for name, stage in late:
        found = added(found, {stage.name: stage.run}, name, "stage", after=stage.after)
    return found


STAGES = Compiled(_all_stages)


def reduce(
    hole: xr.DataTree,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | None = None,
    *,
    reuse: xr.DataTree | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> xr.DataTree:
    """Reduce a hole, or every hole of a site: from readings to properties and products.

    Parameters
    ----------
    hole : DataTree
        Hole of ``read_hole`` or ``hole_from_tables``, or site of ``read_site``.
    recipe : Recipe or mapping, optional
        A complete recipe, or changes to the hole's own settings; of a site, for every hole.
    reuse : DataTree, optional
        An earlier result of this function in the same process, of the same hole before a change
        of a table or of the recipe. Stages that would do the same again are taken over from it.
    progress : callable, optional
        Called with the name of a stage, its number and the number of stages. Without it a bar is
        shown in a terminal or a notebook, if the work takes more than a second.

    Returns
    -------
    DataTree
        The raw tables where they were, properties in ``/properties``, products in ``/products``.
        Root attributes hold the complete recipe, the digests of the input files and a summary.
        A site has its reduced holes as children, each with the numbers of a reduction alone. With
        ties, every property with cores has the coordinates ``depth_composite`` [m] and
        ``placement``, and with ages of the site ``age`` [kyr]. ``/site`` holds ``summary`` (one
        row a hole), ``calibrations``, ``control_<sensor>``, ``shifts`` and ``growth``.

    Raises
    ------
    RecipeError
        When the recipe or the hole's settings hold an unknown key, a wrong unit or word. In a
        site, a fault of one hole's own settings is recorded in the summary, and the other holes
        are reduced.
    HoleError
        When no hole of a site can be reduced.
        With ``[reduction] strict = true``, when a stage cannot use its values; the message names
        the stage. Otherwise the stage is left out, its error is listed in the summary under
        ``failed``, and everything that does not depend on it is reduced.
    TypeError
        When ``reuse`` is no tree.

    Notes
    -----
    Units, equations and sources are documented at the functions that the stages call. The
    attribute ``steps`` of every result lists its steps.

    With ``reuse`` the result equals that without it, bit by bit. A stage is taken over where the
    tables, choices and earlier results that it read have the digests of before. A tree that was
    loaded from a file, copied, or made by another release or with other sensors has nothing to
    take over, and everything runs. ``corephys.reduction.reuse.account_of`` says which stages ran,
    and why.
    """
    if reuse is not None and not isinstance(reuse, xr.DataTree):
        raise TypeError(
            f"reuse is of type {type(reuse).__name__}; expected a result of cp.reduce. Give that, "
            "or leave reuse out"
        )
    with bar("reduce", progress) as step:
        if is_site(hole):
            return whole_site.reduce_holes(hole, recipe, _reduce_hole, step, reuse)
        hole = hole if hole.parent is None else hole.copy()
        return _reduce_hole(hole, recipe, progress=step, earlier=memories_of(reuse).get(""))


def _reduce_hole(
    hole: xr.DataTree,
    recipe: Recipe | Mapping[str, Mapping[str, Any]] | None = None,
    *,
    progress: Callable[[str, int, int], None] | None = None,
    earlier: Memory | None = None,
) -> xr.DataTree:
    """Reduce one hole; see :func:`reduce`."""
    journal = Journal(hole, complete_recipe(hole, recipe), STAGES, earlier)
    context = journal.context
    if "site_not_used" in hole.attrs:
        context.note(
            f"the folder of the site holds {hole.attrs['site_not_used']}, not used for this hole; "
            "read it with cp.read_site, or with site= of cp.read_hole"
        )
    for number, (name, stage) in enumerate(STAGES.items()):
        if progress:
            progress(name, number, len(STAGES))
        if journal.taken_over(name):
            continue
        context.lineage.begin(name)
        # An overflow gives an infinite value, which is flagged; a warning would add nothing.
        with journal.following(name, stage), context.part(name), np.errstate(over="ignore"):
            stage(context)
    context.lineage.end()
    memory = journal.close()
    _note_assumed_liner(context)
    _note_disturbance_unknown(context)
    if progress:
        progress("done", len(STAGES), len(STAGES))
    tree = _assemble(context)
    remember(tree, {"": memory})
    return tree


def _note_assumed_liner(context: Context) -> None:
    """Note the dimensions of the liner that were used though the hole does not give them.

    A density beside water in the annulus and a velocity through the liner depend on them.
    """
    sections = series.leaf(context.hole, "sections")
    if sections is not None and "liner" in sections and (sections["liner"].values == "none").all():
        return
    given = json.loads(context.hole.attrs.get("settings", "{}")).get("liner", {})
    defaults, used = Recipe()["liner"], dict(context.recipe["liner"])
    read = {key for kinds in context.lineage.stages.values() for key in kinds["keys"]}
    assumed = [
        f"{key} {used[key]}"
        for key in ("bore", "wall")
        if f"liner.{key}" in read and key not in given and used[key] == defaults[key]
    ]
    if assumed:
        context.note(
            f"the hole does not give the dimensions of its liner: {' and '.join(assumed)} are "
            "assumed. Give bore and wall under [liner] in hole.toml"
        )


def _note_disturbance_unknown(context: Context) -> None:
    """Note that the recipe asks to flag disturbed core and the hole does not describe it."""
    least = str(context.recipe["quality"]["disturbance"])
    description = series.leaf(context.hole, "description")
    if least == "none" or (description is not None and "disturbance" in description):
        return
    lacks = "no description.csv" if description is None else "no disturbance in description.csv"
    context.note(
        f"[quality] disturbance is {least!r}, and the hole has {lacks}: no reading is flagged as "
        "disturbed. Describe the disturbance of the core there, or leave the choice out"
    )


def complete_recipe(
    hole: xr.DataTree, recipe: Recipe | Mapping[str, Mapping[str, Any]] | None
) -> Recipe:
    """The recipe of a reduction: the caller's over the hole's over the defaults.

    Parameters
    ----------
    hole : DataTree
        The root attribute ``settings`` holds its settings.
    recipe : Recipe, mapping or None
        A Recipe is complete and used as it is; a mapping holds changes.

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

    for words in copies.rows_in_words(context.hole):
        context.note(words)
    results = {path: context.copies.put_back(found) for path, found in context.results.items()}
    nodes = {
        node.path: node.to_dataset(inherit=False)
        for node in context.hole.leaves
        if node.path != "/"
    }
    # A function records readings as "given"; here they come from tables of the hole.
    from_tables = {"given": "hole"}
    for path, dataset in results.items():
        attributes = provenance.relabelled(dataset.attrs, from_tables)
        nodes[f"/{path}"] = dataset.assign_attrs(attributes)
    nodes["/"] = xr.Dataset()
    tree = xr.DataTree.from_dict(nodes, name=context.hole.name)
    attributes = provenance.root_attributes(
        context.recipe.to_json(), context.hole.attrs.get("input_sha256", "{}"), __version__
    )
    summary = summarise(results, context.skipped, context.failed, context.notes, context.levels)
    tree.attrs = {**context.hole.attrs, **attributes, "summary": json.dumps(summary)}
    tree.attrs["lineage"] = context.lineage.to_json()
    return tree


# --------------------------------------------------------------------------------------------------
# Summary of a reduction: readings kept, flagged and supplied, stages skipped and failed.


def summarise(
    results: Mapping[str, xr.Dataset],
    skipped: Mapping[str, str],
    failed: Mapping[str, str],
    notes: list[str],
    levels: tuple[str, ...],
) -> dict[str, Any]:
    """Count the flags of every quantity.

    Parameters
    ----------
    results : mapping of str to Dataset
        Results by path.
    skipped : mapping of str to str
        Reason for each stage that had no data.
    failed : mapping of str to str
        Error of each stage that could not use its values.
    notes : list of str
        Notes for the user.
    levels : tuple of str
        Flag levels that products may use.

    Returns
    -------
    dict
        ``quantities`` (path, name, readings, kept, flagged, missing, reasons), ``skipped``,
        ``failed`` and ``notes``; plain numbers and texts, ready for JSON.
    """
    quantities = []
    for path, dataset in results.items():
        for name in map(str, dataset.data_vars):
            if name not in TERMS or f"{name}_flag" not in dataset:
                continue
            flag = np.atleast_1d(dataset[f"{name}_flag"].values)
            reason = np.atleast_1d(dataset[f"{name}_reason"].values)
            counts = {
                word: int(np.count_nonzero(reason & flags.bit(word))) for word in flags.REASONS
            }
            missing = int(np.count_nonzero(flag == flags.MISSING))
            doubtful = np.isin(flag, (flags.SUSPECT, flags.BAD))
            quantities.append(
                {
                    "path": path,
                    "name": name,
                    "readings": int(flag.size),
                    "kept": int(np.count_nonzero(flags.usable(flag, levels))),
                    "flagged": int(np.count_nonzero(doubtful)),
                    "missing": missing,
                    "supplied": counts["supplied"],
                    "reasons": {word: n for word, n in counts.items() if n},
                }
            )
    return {
        "quantities": quantities,
        "skipped": dict(skipped),
        "failed": dict(failed),
        "notes": list(notes),
    }


def summary_lines(summary: Mapping[str, Any]) -> list[str]:
    """The summary as lines of text for a terminal.

    Parameters
    ----------
    summary : mapping
        From :func:`summarise`.

    Returns
    -------
    list of str
        One line for each quantity, failed stage, skipped stage and note.
    """
    lines = [f"{'quantity':<40}{'readings':>9}{'kept':>8}{'flagged':>9}{'missing':>9}  reasons"]
    for entry in summary["quantities"]:
        where = entry["path"].split("/", 1)[1]
        label = entry["name"].replace("_", " ")
        if where != entry["name"]:
            label += f" ({where.replace('_', ' ')})"
        reasons = ", ".join(f"{k.replace('_', ' ')} {n}" for k, n in entry["reasons"].items())
        lines.append(
            f"{label:<40}{entry['readings']:>9}{entry['kept']:>8}{entry['flagged']:>9}"
            f"{entry['missing']:>9}  {reasons}".rstrip()
        )
    # Files of earlier releases have no entry "failed": there a failure stopped the run.
    failed = summary.get("failed", {})
    lines += [f"failed {stage}: {error}" for stage, error in failed.items()]
    lines += [f"skipped {stage}: {why}" for stage, why in summary["skipped"].items()]
    lines += [f"note: {note}" for note in summary["notes"]]
    return lines
