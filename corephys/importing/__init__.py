"""Foreign exports become the tables of a hole folder, by a mapping that is kept and replayed."""

from __future__ import annotations
