"""Figures of several holes; all others draw a reduced hole."""

from __future__ import annotations

from typing import Any

import pandas as pd

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case
from tests.metamorphic.cases.composite import framed, intervals, readings, shifted

_OF_A_HOLE = (
    "accumulation", "audit", "budget", "compaction_models", "consolidation_curves",
    "control_charts", "core_description", "core_page", "density_comparison", "description",
    "formation_factor", "gamma_calibration", "heat_flow",
    "heat_flow_tests", "heating_run", "index_properties_depth", "log_comparison", "porosity_depth",
    "reported_values", "scan_tracks", "seismic_tie", "station", "strength_depth", "stress_depth",
    "summary", "temperature_records", "time_depth", "velocity_axes", "velocity_density",
    "velocity_porosity",
)  # fmt: skip
NOT_MEASURED = {
    **{f"figures.{name}": "draws a reduced hole" for name in _OF_A_HOLE},
    "figures.calibration_history": "draws a reduced site",
    "figures.holes": "draws a reduced site, or reduced holes",
    "figures.site_figures": "draws the figures of a reduced site",
    "figures.control_chart": "draws a finished control chart in the unit of its standards",
    "figures.core_pages": "writes the pages of the cores of a reduced hole",
    "figures.save": "writes a finished figure",
    "figures.write_figures": "writes the figures of a reduced hole",
}


def _overlay(**given: Any) -> pd.DataFrame:
    return cp.figures.holes_overlay(**given).table()


@case("figures.holes_overlay", examples=2, rows="set", size=(4, 6), call=_overlay)
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    found = cp.composite.checked_sequence(framed(intervals(site, shifts)), shifts)
    return {
        "properties": {hole: readings(draw, site, hole) for hole in site},
        "shifts": shifts,
        "sequence": draw.choice(None, found),
    }


def _shifts(**given: Any) -> pd.DataFrame:
    return cp.figures.hole_shifts(**given).table()


@case("figures.hole_shifts", examples=2, rows="none", call=_shifts)
def _(draw: Draw) -> dict[str, Any]:
    _, shifts = shifted(draw)
    growth = cp.composite.growth_factor(shifts)
    return {"shifts": shifts, "growth": draw.choice(None, growth)}
