"""Pack the demo hole without its truth for the installed package.

``python -m data_demo.packed`` writes ``corephys/datasets/demo_hole.zip``, the same bytes each time.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

HOLE = Path(__file__).resolve().parent / "hole"
ARCHIVE = Path(__file__).resolve().parents[1] / "corephys" / "datasets" / "demo_hole.zip"
_DATE = (2020, 1, 1, 0, 0, 0)  # a date of the day would make another file of the same bytes


def members() -> dict[str, bytes]:
    """Bytes of every file of the hole but those of ``truth/``, by name."""
    found = {}
    for path in sorted(HOLE.rglob("*")):
        name = path.relative_to(HOLE).as_posix()
        if path.is_file() and not name.startswith("truth/"):
            found[name] = path.read_bytes()
    return found


def packed() -> bytes:
    """Bytes of the archive."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_LZMA) as archive:
        for name, data in members().items():
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_LZMA
            archive.writestr(entry, data)
    return stream.getvalue()


def main() -> None:
    """Write the archive."""
    ARCHIVE.write_bytes(packed())


if __name__ == "__main__":
    main()
