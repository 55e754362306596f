"""Files and tables of results."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import xarray as xr

import corephys as cp
from corephys.ground import companions
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case
from tests.metamorphic.cases.composite import framed, intervals, shifted

_STORES = "reduces stored holes, each like a hole alone; tests/metamorphic/test_routes.py compares"
NOT_MEASURED = {
    "export.compare": "compares two reduced holes",
    "export.flat": "takes a group out of a reduced hole",
    "export.report_table": "tabulates a reduced hole",
    "export.calibration_table": "tabulates a reduced site",
    "export.site_summary": "tabulates a reduced site",
    "export.site_table": "tabulates a reduced site",
    "export.write_site_tables": "writes tables of a reduced site",
    "export.write_report_tables": "writes tables of a reduced hole",
    "export.write_summaries": "writes tables of a reduced hole",
    "importing.read_mapping": "reads a text file of names",
    "importing.run": "reads files and writes files; tests/importing compares their numbers",
    "export.write_tables": "writes tables of a reduced hole",
    "archive.collect": _STORES,
    "archive.reduce": _STORES,
    "archive.open": "opens a store",
    "archive.summary": "reads a table out of a store",
    "archive.write_readings": "writes a store of readings, plain arrays in fixed units",
    "datasets.demo_hole": "unpacks files",
    "datasets.demo_site": "unpacks files",
    "export.fit_table": "prints the numbers of a fit; tests/export compares them",
    "export.write_fit_tables": "writes the numbers of a fit; tests/export compares them",
    "series_from_table": "reads a table with its units; tests/ground compares units and containers",
    "settings_change": "writes settings as text; tests/reduction compares the files",
    "panels.cooling_windows": "shows a record of a reduced hole for a choice by hand",
    "panels.exclusions": "shows a property of a reduced hole for a choice by hand",
    "panels.heating_windows": "shows a run of a reduced hole for a choice by hand",
    "viewer": "shows the readings of a reduced hole",
    "panels.tie": "shows two cores of a site for a choice by hand",
    "watch.watch": "reduces a folder whenever its files change",
}


def dense(draw: Draw) -> xr.Dataset:
    """A property of a reduced hole."""
    return draw.dataset(bulk_density=(1.2, 2.4))


def _table(density: xr.Dataset, **choices: Any) -> Any:
    tree = xr.DataTree.from_dict({"/properties/density": density})
    return cp.export.property_table(tree, **choices)


@case("export.property_table", examples=2, rows="none", call=_table)
def _(draw: Draw) -> dict[str, Any]:
    depth = draw.positions["depth"][1]
    return {
        "density": dense(draw),
        "by": draw.choice((), ("coring_method",)),
        "top": draw.choice(None, f"{float(depth[0] + 0.01)!r} m"),
        "bottom": draw.choice(None, f"{float(depth[-1] + 1.0)!r} m"),
    }


@case("export.shift_table", examples=2, rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"shifts": shifted(draw)[1]}


@case("export.sequence_table", examples=2, rows="none")
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    found = cp.composite.checked_sequence(framed(intervals(site, shifts)), shifts)
    return {"sequence": found}


UNCERTAINTIES = ("BULK_DENSITY_U_RANDOM", "BULK_DENSITY_U_SYSTEMATIC")


def _read(path: Path) -> xr.Dataset:
    """A file as it is read back, in the units of the library."""
    found = cp.logs.read(path, columns={"BULK_DENSITY": "bulk_density"})
    return companions.library_units(found, dict.fromkeys(UNCERTAINTIES, "g/cm^3"))


def _las(result: xr.Dataset, **choices: Any) -> xr.Dataset:
    with tempfile.TemporaryDirectory() as folder:
        return _read(cp.export.write_las(result, Path(folder) / "a.las", **choices))


# Depths are written to a hundredth of a millimetre.
@case("export.write_las", examples=2, rows="order", rtol=1e-5, call=_las)
def _(draw: Draw) -> dict[str, Any]:
    return {"result": dense(draw)}


def _log(dataset: xr.Dataset, **choices: Any) -> xr.Dataset:
    with tempfile.TemporaryDirectory() as folder:
        return _read(cp.logs.write(dataset, Path(folder) / "a.las", **choices))


@case("logs.write", examples=2, rows="order", rtol=1e-5, call=_log)
def _(draw: Draw) -> dict[str, Any]:
    return {"dataset": dense(draw)}
