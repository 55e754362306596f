"""corephys: from the readings of a core to its physical properties, with their uncertainties.

``import corephys as cp`` is the one idiom. Names are loaded at their first use, so that the import
itself is fast. The accessor ``ds.corephys`` is registered at the import where xarray is loaded
already, else by the first name that needs xarray.
"""

from __future__ import annotations

import sys

if sys.argv[:1] == ["-m"] and "corephys" in sys.orig_argv:
    # python -m corephys is starting; until __main__ sets its handlers, Ctrl-C ends it without a
    # traceback.
    import signal

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)

import importlib
from typing import TYPE_CHECKING, Any

from corephys.ground.registry import SENSORS as _SENSORS

__version__ = "0.1.0"

if TYPE_CHECKING:
    from corephys import archive as archive
    from corephys import datasets as datasets
    from corephys import export as export
    from corephys import figures as figures
    from corephys import importing as importing
    from corephys import quality as quality
    from corephys import sensors as sensors
    from corephys import uncertainty as uncertainty
    from corephys.downhole import logs as logs
    from corephys.downhole import temperature as formation_temperature
    from corephys.export import load as load
    from corephys.export import save as save
    from corephys.ground import constants as constants
    from corephys.ground import flags as flags
    from corephys.ground import mixing as mixing
    from corephys.ground import seawater as seawater
    from corephys.ground import thresholds as thresholds
    from corephys.ground import vocabulary as vocabulary
    from corephys.ground.series import PositionError as PositionError
    from corephys.ground.table_series import series_from_table as series_from_table
    from corephys.ground.units import UnitError as UnitError
    from corephys.ground.units import quantity as quantity
    from corephys.hole import HoleError as HoleError
    from corephys.hole import composite as composite
    from corephys.hole import hole_from_tables as hole_from_tables
    from corephys.hole import read_hole as read_hole
    from corephys.hole import read_site as read_site
    from corephys.hole.placing import depth as depth
    from corephys.notebook import panels as panels
    from corephys.notebook.results import explain as explain
    from corephys.notebook.results import overview as overview
    from corephys.notebook.viewer import viewer as viewer
    from corephys.products import accumulation as accumulation
    from corephys.products import compaction as compaction
    from corephys.products import elastic as elastic
    from corephys.products import heat_flow as heat_flow
    from corephys.products import porosity as porosity
    from corephys.products import seismic as seismic
    from corephys.products import stress as stress
    from corephys.reduction.recipe import Recipe as Recipe
    from corephys.reduction.recipe import RecipeError as RecipeError
    from corephys.reduction.run import reduce as reduce
    from corephys.reduction.settings_file import settings_change as settings_change
    from corephys.samples import consolidation as consolidation
    from corephys.samples import index_properties as index_properties
    from corephys.samples import needle as needle
    from corephys.samples import strength as strength
    from corephys.samples import velocity as sample_velocity
    from corephys.sensors import gamma as gamma
    from corephys.sensors import natural_gamma as natural_gamma
    from corephys.sensors import pwave as pwave
    from corephys.sensors import resistivity as resistivity
    from corephys.sensors import susceptibility as susceptibility
    from corephys.watch import watch as watch

_MODULES = {
    "archive": "corephys.archive",
    "accumulation": "corephys.products.accumulation",
    "compaction": "corephys.products.compaction",
    "composite": "corephys.hole.composite",
    "consolidation": "corephys.samples.consolidation",
    "constants": "corephys.ground.constants",
    "datasets": "corephys.datasets",
    "depth": "corephys.hole.placing.depth",
    "elastic": "corephys.products.elastic",
    "export": "corephys.export",
    "figures": "corephys.figures",
    "flags": "corephys.ground.flags",
    "formation_temperature": "corephys.downhole.temperature",
    "gamma": "corephys.sensors.gamma",
    "heat_flow": "corephys.products.heat_flow",
    "importing": "corephys.importing",
    "index_properties": "corephys.samples.index_properties",
    "logs": "corephys.downhole.logs",
    "mixing": "corephys.ground.mixing",
    "natural_gamma": "corephys.sensors.natural_gamma",
    "needle": "corephys.samples.needle",
    "panels": "corephys.notebook.panels",
    "porosity": "corephys.products.porosity",
    "pwave": "corephys.sensors.pwave",
    "quality": "corephys.quality",
    "resistivity": "corephys.sensors.resistivity",
    "sample_velocity": "corephys.samples.velocity",
    "seawater": "corephys.ground.seawater",
    "seismic": "corephys.products.seismic",
    "sensors": "corephys.sensors",
    "strength": "corephys.samples.strength",
    "stress": "corephys.products.stress",
    "susceptibility": "corephys.sensors.susceptibility",
    "thresholds": "corephys.ground.thresholds",
    "uncertainty": "corephys.uncertainty",
    "vocabulary": "corephys.ground.vocabulary",
    "watch": "corephys.watch",
}
_NAMES = {
    "HoleError": "corephys.hole",
    "PositionError": "corephys.ground.series",
    "Recipe": "corephys.reduction.recipe",
    "RecipeError": "corephys.reduction.recipe",
    "UnitError": "corephys.ground.units",
    "explain": "corephys.notebook.results",
    "hole_from_tables": "corephys.hole",
    "load": "corephys.export",
    "overview": "corephys.notebook.results",
    "quantity": "corephys.ground.units",
    "read_hole": "corephys.hole",
    "read_site": "corephys.hole",
    "reduce": "corephys.reduction.run",
    "save": "corephys.export",
    "series_from_table": "corephys.ground.table_series",
    "settings_change": "corephys.reduction.settings_file",
    "viewer": "corephys.notebook.viewer",
}

# Written out, so that type checkers and editors know what is handed out.
__all__ = [
    "HoleError",
    "PositionError",
    "Recipe",
    "RecipeError",
    "UnitError",
    "__version__",
    "accumulation",
    "archive",
    "compaction",
    "composite",
    "consolidation",
    "constants",
    "datasets",
    "depth",
    "elastic",
    "explain",
    "export",
    "figures",
    "flags",
    "formation_temperature",
    "gamma",
    "heat_flow",
    "hole_from_tables",
    "importing",
    "index_properties",
    "load",
    "logs",
    "mixing",
    "natural_gamma",
    "needle",
    "overview",
    "panels",
    "porosity",
    "pwave",
    "quality",
    "quantity",
    "read_hole",
    "read_site",
    "reduce",
    "resistivity",
    "sample_velocity",
    "save",
    "seawater",
    "seismic",
    "sensors",
    "series_from_table",
    "settings_change",
    "strength",
    "stress",
    "susceptibility",
    "thresholds",
    "uncertainty",
    "viewer",
    "vocabulary",
    "watch",
]

# Reading, vocabulary and recipe lie below the sensors whose records they need, and imports go down
# only. This file may look everywhere, and sets where the records are found on first use.
_SENSORS.load = lambda: importlib.import_module("corephys.sensors")
_SENSORS.prepare = lambda: importlib.import_module("corephys.reduction.run")


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        value: Any = importlib.import_module(_MODULES[name])
    elif name in _NAMES:
        value = globals()[name] = getattr(importlib.import_module(_NAMES[name]), name)
    else:
        raise AttributeError(f"module 'corephys' has no attribute {name!r}; see dir(corephys)")
    _register_accessor()
    return value


def _register_accessor() -> None:
    """Give every Dataset ``ds.corephys``, once xarray is loaded.

    A name that needs no Dataset does not load xarray, which takes most of a second.
    """
    if "xarray" in sys.modules:
        importlib.import_module("corephys.notebook.accessor")


def __dir__() -> list[str]:
    return sorted(__all__)


_register_accessor()
