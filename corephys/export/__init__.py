"""A reduced hole as files: netCDF and zarr for programs, tables for readers and reports, LAS."""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import TYPE_CHECKING

from corephys.export.comparison import Comparison, compare
from corephys.export.fit_tables import fit_table, write_fit_tables
from corephys.export.netcdf import flat, load, save
from corephys.export.property_tables import property_table, write_summaries
from corephys.export.report_tables import (
    REPORT_TABLES,
    report_table,
    sequence_table,
    shift_table,
    write_report_tables,
)
from corephys.export.site_tables import (
    calibration_table,
    site_summary,
    site_table,
    write_site_tables,
)
from corephys.export.table import NothingToTabulate, ReportTable
from corephys.export.tables import write_las, write_tables

if TYPE_CHECKING:
    from corephys.export import zarr as zarr

__all__ = [
    "REPORT_TABLES",
    "Comparison",
    "NothingToTabulate",
    "ReportTable",
    "calibration_table",
    "compare",
    "fit_table",
    "flat",
    "load",
    "property_table",
    "report_table",
    "save",
    "sequence_table",
    "shift_table",
    "site_summary",
    "site_table",
    "write_fit_tables",
    "write_las",
    "write_report_tables",
    "write_site_tables",
    "write_summaries",
    "write_tables",
    "zarr",
]


def __getattr__(name: str) -> ModuleType:
    # Loaded at its first use: it brings the archive and dask with it.
    if name == "zarr":
        return importlib.import_module("corephys.export.zarr")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}; see dir({__name__})")
