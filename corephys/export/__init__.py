"""Floor 5: a reduced hole as files: netCDF for machines, CSV tables for readers."""

from corephys.export.comparison import Comparison, compare
from corephys.export.netcdf import flat, load, save
from corephys.export.property_table import property_table, write_summaries
from corephys.export.tables import write_tables

__all__ = [
    "Comparison", "compare", "flat", "load", "property_table", "save", "write_summaries",
    "write_tables",
]  # fmt: skip
