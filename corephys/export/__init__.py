"""Floor 5: a reduced hole as files: netCDF for machines, tables for readers and reports, LAS."""

from corephys.export.comparison import Comparison, compare
from corephys.export.netcdf import flat, load, save
from corephys.export.property_tables import property_table, write_summaries
from corephys.export.report_tables import (
    REPORT_TABLES,
    report_table,
    sequence_table,
    shift_table,
    write_report_tables,
)
from corephys.export.table import NothingToTabulate, ReportTable
from corephys.export.tables import write_las, write_tables

__all__ = [
    "REPORT_TABLES",
    "Comparison",
    "NothingToTabulate",
    "ReportTable",
    "compare",
    "flat",
    "load",
    "property_table",
    "report_table",
    "save",
    "sequence_table",
    "shift_table",
    "write_las",
    "write_report_tables",
    "write_summaries",
    "write_tables",
]
