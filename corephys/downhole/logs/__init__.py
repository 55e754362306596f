"""Downhole logs: LAS files read and written, and cores compared with them."""

from __future__ import annotations

from corephys.downhole.logs.comparison import compare_with_core, to_aperture
from corephys.downhole.logs.las import LogError, below_seafloor, from_bytes, read, write

__all__ = [
    "LogError",
    "below_seafloor",
    "compare_with_core",
    "from_bytes",
    "read",
    "to_aperture",
    "write",
]
