"""Reports as pages: that of a hole is the main notebook run on it, that of a site holds all holes.

Both are one HTML file that needs no other file to be shown.
"""

from __future__ import annotations

from corephys.report.hole import ReportError, write_report
from corephys.report.site import write_site

__all__ = ["ReportError", "write_report", "write_site"]
