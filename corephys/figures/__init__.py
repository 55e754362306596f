"""Figures of a reduced hole.

A figure takes a reduced hole and returns a matplotlib Figure that records what it draws. Tracks
share one depth axis, depth increases downward, and words and units come from the vocabulary. If
the hole lacks the data, the function raises NothingToDraw; :func:`write_figures` leaves the figure
out.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import xarray as xr

from corephys.figures.core_descriptions import core_description, description
from corephys.figures.crossplots import (
    density_comparison,
    formation_factor,
    reported_values,
    velocity_density,
    velocity_porosity,
)
from corephys.figures.files import PICTURES, save
from corephys.figures.heat import (
    heat_flow,
    heat_flow_tests,
    heating_run,
    station,
    temperature_records,
)
from corephys.figures.look import Look
from corephys.figures.pages import core_page, core_pages
from corephys.figures.plate import Plate
from corephys.figures.processes import print_all
from corephys.figures.reading import NothingToDraw
from corephys.figures.sediment import accumulation, compaction_models, porosity_depth
from corephys.figures.site import (
    calibration_history,
    hole_shifts,
    holes,
    holes_overlay,
    site_figures,
)
from corephys.figures.standards import (
    audit,
    budget,
    control_chart,
    control_charts,
    gamma_calibration,
)
from corephys.figures.strength import consolidation_curves, strength_depth, stress_depth
from corephys.figures.style import ONE_COLUMN, PAGE, STYLE, TWO_COLUMNS
from corephys.figures.summaries import index_properties_depth, scan_tracks, summary, velocity_axes
from corephys.figures.traces import log_comparison, seismic_tie, time_depth
from corephys.ground.choices import choices
from corephys.hole.composite.folder import is_site

__all__ = [
    "FIGURES",
    "ONE_COLUMN",
    "PAGE",
    "STYLE",
    "TWO_COLUMNS",
    "Look",
    "NothingToDraw",
    "Plate",
    "accumulation",
    "audit",
    "budget",
    "calibration_history",
    "compaction_models",
    "consolidation_curves",
    "control_chart",
    "control_charts",
    "core_description",
    "core_page",
    "core_pages",
    "density_comparison",
    "description",
    "formation_factor",
    "gamma_calibration",
    "heat_flow",
    "heat_flow_tests",
    "heating_run",
    "hole_shifts",
    "holes",
    "holes_overlay",
    "index_properties_depth",
    "log_comparison",
    "porosity_depth",
    "reported_values",
    "save",
    "scan_tracks",
    "seismic_tie",
    "site_figures",
    "station",
    "strength_depth",
    "stress_depth",
    "summary",
    "temperature_records",
    "time_depth",
    "velocity_axes",
    "velocity_density",
    "velocity_porosity",
    "write_figures",
]

# Names of the files that write_figures writes, in the order of the report.
FIGURES: dict[str, Callable[..., Plate]] = {
    "summary": summary,
    "scan": scan_tracks,
    "description": description,
    "core_description": core_description,
    "gamma_calibration": gamma_calibration,
    "density_comparison": density_comparison,
    "index_properties": index_properties_depth,
    "reported_values": reported_values,
    "porosity_depth": porosity_depth,
    "compaction_models": compaction_models,
    "velocity_axes": velocity_axes,
    "velocity_porosity": velocity_porosity,
    "velocity_density": velocity_density,
    "formation_factor": formation_factor,
    "strength_depth": strength_depth,
    "stress_depth": stress_depth,
    "consolidation_curves": consolidation_curves,
    "heating_run": heating_run,
    "station": station,
    "temperature_records": temperature_records,
    "heat_flow": heat_flow,
    "heat_flow_tests": heat_flow_tests,
    "accumulation": accumulation,
    "audit": audit,
    "uncertainty_budget": budget,
    "control_charts": control_charts,
    "seismic_tie": seismic_tie,
    "time_depth": time_depth,
    "log_comparison": log_comparison,
}


def write_figures(
    tree: xr.DataTree,
    folder: str | os.PathLike[str],
    *,
    names: Sequence[str] | None = None,
    kinds: Sequence[str] = ("png", "svg"),
    processes: int | None = None,
) -> list[Path]:
    """Write every figure that the hole or site has the data for.

    Parameters
    ----------
    tree : DataTree
        Reduced hole, or reduced site, whose figures are those of :func:`site_figures`.
    folder : path
        Folder of the figures; created if it does not exist.
    names : sequence of str, optional
        Figures to write, such as ``["summary", "heat_flow"]``; by default all.
    kinds : sequence of {"png", "svg", "pdf"}
        Kinds of pictures; by default PNG and SVG. The data drawn (``.csv``) and the caption
        (``.txt``) are always written.
    processes : int, optional
        Number of processes that draw at the same time, this one among them; by default two for
        many figures on a computer with two or more cores, else one. The files are the same for
        every number.

    Returns
    -------
    list of Path
        Files of :func:`save`. Figures whose data the hole or site lacks are left out.

    Raises
    ------
    ValueError
        If a name or kind is not known, or ``processes`` is not positive.
    """
    folder = Path(folder)
    kinds = (*choices(tuple(kinds), PICTURES, "kinds"), "csv", "txt")
    if processes is not None and processes < 1:
        raise ValueError(
            f"processes is {processes}; expected 1 or more, or None for the number that suits "
            "the computer"
        )
    if is_site(tree):
        plates = site_figures(tree)
        held = plates if names is None else choices(tuple(names), tuple(plates), "names")
        folder.mkdir(parents=True, exist_ok=True)
        return [path for name in held for path in save(plates[name], folder, name, kinds=kinds)]
    wanted = FIGURES if names is None else choices(tuple(names), tuple(FIGURES), "names")
    draws = {name: FIGURES[name] for name in wanted}
    folder.mkdir(parents=True, exist_ok=True)
    return print_all(tree, draws, folder, kinds, processes)
