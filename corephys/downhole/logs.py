"""Downhole logs: LAS files read and written, and cores laid beside them."""

from __future__ import annotations

from corephys.downhole.logs_compare import compare, to_aperture
from corephys.downhole.logs_file import LogError, read, write

__all__ = ["LogError", "compare", "read", "to_aperture", "write"]
