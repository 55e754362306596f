"""Foreign exports."""

from __future__ import annotations

NOT_MEASURED = {
    "importing.suggest": (
        "drafts a mapping; tests/importing/test_suggest.py compares orders of columns, delimiters, "
        "encodings and decimal signs"
    ),
}
