"""Foreign exports."""

from __future__ import annotations

NOT_MEASURED = {
    "importing.read_mapping": "reads a mapping",
    "importing.run": "writes tables of a hole folder; tests/importing holds their numbers",
    "importing.suggest": (
        "drafts a mapping; tests/importing/test_suggest.py compares orders of columns, delimiters, "
        "encodings and decimal signs"
    ),
}
