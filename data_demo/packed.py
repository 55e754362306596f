"""Pack the demo hole and the demo site without their truth for the installed package.

``python -m data_demo.packed`` writes ``corephys/datasets/*.zip``, the same bytes each time.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ARCHIVES = HERE.parent / "corephys" / "datasets"
FOLDERS = {"demo_hole.zip": HERE / "hole", "demo_site.zip": HERE / "site"}
_DATE = (2020, 1, 1, 0, 0, 0)  # a date of the day would make another file of the same bytes


def members(archive: str) -> dict[str, bytes]:
    """Bytes of every file of a folder but those of ``truth/``, by name."""
    folder, found = FOLDERS[archive], {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not name.startswith("truth/"):
            found[name] = path.read_bytes()
    return found


def packed(archive: str) -> bytes:
    """Bytes of an archive."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_LZMA) as out:
        for name, data in members(archive).items():
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_LZMA
            out.writestr(entry, data)
    return stream.getvalue()


def main() -> None:
    """Write the archives."""
    for archive in FOLDERS:
        (ARCHIVES / archive).write_bytes(packed(archive))


if __name__ == "__main__":
    main()
