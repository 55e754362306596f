"""What was drilled, cut and measured: read, check, place in depth, match."""

from __future__ import annotations

from corephys.hole.composite.folder import read_site
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.read import hole_from_tables, read_hole

__all__ = ["HoleError", "Problem", "hole_from_tables", "read_hole", "read_site"]
