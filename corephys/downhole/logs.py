"""Downhole logs: LAS files read and written, and cores laid beside them."""

from __future__ import annotations

from corephys.downhole.logs_compare import compare, to_aperture
from corephys.downhole.logs_depth import below_seafloor
from corephys.downhole.logs_file import LogError, from_bytes, read
from corephys.downhole.logs_write import write

__all__ = ["LogError", "below_seafloor", "compare", "from_bytes", "read", "to_aperture", "write"]
