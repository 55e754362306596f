"""The page of the mapping names every key, and its examples can be read."""

from __future__ import annotations

import re
import tomllib

from corephys.importing import mapping
from corephys.importing.files import ENCODINGS


def page(project_root) -> str:
    return (project_root / "docs" / "import_mapping.md").read_text(encoding="utf-8")


def unnamed(text: str) -> list[str]:
    """Keys and words of the mapping that the page does not name."""
    keys = {
        *mapping._SOURCE_KEYS,
        *mapping._ORIGIN_KEYS,
        *mapping._CORRECTION_KEYS,
        *mapping.RERUNS,
        *mapping.OFFSETS,
        *ENCODINGS,
        "deduce",
        "coring_method",
        "core_diameter",
    }
    return sorted(
        key for key in keys if not re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", text)
    )


def test_the_page_names_every_key(project_root):
    text = page(project_root)
    assert unnamed(text) == []
    assert unnamed(text.replace("skip_to", "skip")) == ["skip_to"]


def test_the_examples_of_the_page_are_valid(project_root):
    blocks = re.findall(r"^```toml\n(.*?)^```$", page(project_root), re.MULTILINE | re.DOTALL)
    assert len(blocks) == 5
    for block in blocks:
        tomllib.loads(block)
    first = mapping.parse_mapping("\n".join([blocks[0], blocks[3], blocks[4]]))
    assert [table.name for table in first.sources[0].tables] == ["scan/gamma", "scan/reduced"]
    assert first.deduce is not None and first.deduce.core_diameter == "66.0"
    assert len(first.corrections) == 3
