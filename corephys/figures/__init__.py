"""Floor 5: figures of a reduced hole.

A figure takes a reduced hole and returns a matplotlib Figure that remembers what it draws. Tracks
stand beside each other on one depth axis, depth goes down, words and units are the vocabulary's.
A figure whose data the hole lacks raises NothingToDraw; :func:`write_figures` leaves it out.
"""

from __future__ import annotations

import io
import os
from pathlib import Path

import matplotlib
import xarray as xr

from corephys.figures.accumulation import accumulation
from corephys.figures.audit import audit
from corephys.figures.budget import budget
from corephys.figures.calibration import gamma_calibration
from corephys.figures.compaction_models import compaction_models
from corephys.figures.consolidation_curves import consolidation_curves
from corephys.figures.control_chart import control_chart, control_charts
from corephys.figures.drawn import Plate
from corephys.figures.heat_flow import heat_flow
from corephys.figures.heat_flow_tests import heat_flow_tests
from corephys.figures.heating_run import heating_run
from corephys.figures.porosity import porosity_depth
from corephys.figures.reading import NothingToDraw
from corephys.figures.seismic_tie import seismic_tie
from corephys.figures.station import station
from corephys.figures.strength_depth import strength_depth
from corephys.figures.stress_depth import stress_depth
from corephys.figures.style import SETTINGS
from corephys.figures.summary import scan_tracks, summary
from corephys.figures.time_depth import time_depth
from corephys.figures.velocity_porosity import velocity_porosity
from corephys.files import write_bytes

__all__ = [
    "FIGURES", "NothingToDraw", "Plate", "accumulation", "audit", "budget", "compaction_models",
    "consolidation_curves", "control_chart", "control_charts",
    "gamma_calibration", "heat_flow", "heat_flow_tests", "heating_run", "porosity_depth", "save",
    "scan_tracks", "seismic_tie", "station", "strength_depth", "stress_depth", "summary",
    "time_depth", "velocity_porosity", "write_figures",
]  # fmt: skip

FIGURES = {
    "summary": summary,
    "scan": scan_tracks,
    "gamma_calibration": gamma_calibration,
    "porosity_depth": porosity_depth,
    "compaction_models": compaction_models,
    "velocity_porosity": velocity_porosity,
    "strength_depth": strength_depth,
    "stress_depth": stress_depth,
    "consolidation_curves": consolidation_curves,
    "heating_run": heating_run,
    "station": station,
    "heat_flow": heat_flow,
    "heat_flow_tests": heat_flow_tests,
    "accumulation": accumulation,
    "audit": audit,
    "uncertainty_budget": budget,
    "control_charts": control_charts,
    "seismic_tie": seismic_tie,
    "time_depth": time_depth,
}


def save(figure: Plate, folder: str | os.PathLike[str], name: str) -> list[Path]:
    """Write a figure as SVG and PNG, with a table of what it draws beside it.

    Parameters
    ----------
    figure : Plate
        From a function of this module.
    folder : path
        Folder of the figures; made where it does not exist.
    name : str
        Of the three files, without an ending.

    Returns
    -------
    list of Path
        ``name.svg``, ``name.png`` (200 dots an inch) and ``name.csv``. The same figure gives the
        same bytes at every run with one version of matplotlib.
    """
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    stream = io.BytesIO()
    figure.settle()
    with matplotlib.rc_context(SETTINGS):
        figure.savefig(
            stream, format="svg", dpi=300, metadata={"Date": None, "Creator": "corephys"}
        )
    table = figure.table().to_csv(index=False, float_format="%.10g", lineterminator="\n")
    return [
        write_bytes(out / f"{name}.svg", stream.getvalue()),
        write_bytes(out / f"{name}.png", figure.picture()),
        write_bytes(out / f"{name}.csv", table.encode("utf-8")),
    ]


def write_figures(tree: xr.DataTree, folder: str | os.PathLike[str]) -> list[Path]:
    """Write every figure that the hole has the data for.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    folder : path
        Folder of the figures; made where it does not exist.

    Returns
    -------
    list of Path
        The files; figures without data are left out.
    """
    written: list[Path] = []
    Path(folder).mkdir(parents=True, exist_ok=True)
    for name, draw in FIGURES.items():
        try:
            figure = draw(tree)
        except NothingToDraw:
            continue
        written += save(figure, folder, name)
    return written
