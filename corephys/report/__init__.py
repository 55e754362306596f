"""Reports as pages: that of a hole, built from its reduced tree, and that of a site.

Each is one HTML file that needs no other file and no network to be shown.
"""

from __future__ import annotations

from corephys.report.hole import write_report
from corephys.report.site import write_site

__all__ = ["write_report", "write_site"]
