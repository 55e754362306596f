"""The mapping of foreign exports among the inputs of a hole."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from corephys.ground import provenance

__all__ = ["MAPPING", "mapping_attributes"]

MAPPING = "import.toml"  # how foreign exports became the tables; see corephys.importing


def mapping_attributes(folder: Path, attributes: Mapping[str, Any]) -> dict[str, str]:
    """Attributes of the root with the mapping of foreign exports, if there is one.

    The tables are what is read: a mapping with a fault stops the next import and no reduction.

    Parameters
    ----------
    folder : Path
        Hole folder.
    attributes : mapping
        Attributes of the root with ``input_sha256`` and ``source_files``.

    Returns
    -------
    dict of str to str
        ``input_sha256`` and ``source_files`` with the mapping, and ``import_corrections`` (JSON)
        where it corrects something; empty without a mapping.
    """
    path = folder / MAPPING
    if not path.is_file():
        return {}
    digests = {**json.loads(attributes["input_sha256"]), MAPPING: provenance.digest(path)}
    sources = [*json.loads(attributes["source_files"]), MAPPING]
    found = {
        "input_sha256": json.dumps(dict(sorted(digests.items()))),
        "source_files": json.dumps(sources),
    }
    try:
        corrections = tomllib.loads(path.read_text(encoding="utf-8")).get("correct")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        corrections = None
    if corrections:
        found["import_corrections"] = json.dumps(corrections, default=str, ensure_ascii=False)
    return found
