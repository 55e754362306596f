"""Foreign exports become the tables of a hole folder, by a mapping that is kept and replayed."""

from __future__ import annotations

from corephys.importing.drafts import suggest
from corephys.importing.mapping import read_mapping
from corephys.importing.replay import run
from corephys.importing.report import ImportReport

__all__ = ["ImportReport", "read_mapping", "run", "suggest"]
