"""Runs the notebooks side by side while the other pages are read; theirs come last.

A notebook that fails is not kept: the build meets it again, fails on it and shows why.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import nbformat
from jupyter_cache import get_cache
from jupyter_cache.base import CacheBundleIn
from jupyter_cache.executors.utils import single_nb_execution

__all__ = ["Notebooks", "own_kernel", "state_of_the_code"]

_ROOT = Path(__file__).resolve().parents[2]
_KERNELS = 4  # at one time, at most


def state_of_the_code() -> str:
    """Digest of package and demo data: a result is kept for one state, new code makes it anew."""
    digest = hashlib.sha256()
    for folder, ends in (("corephys", {".py", ".toml", ".mplstyle"}), ("data_demo", {".csv"})):
        for file in sorted((_ROOT / folder).rglob("*")):
            if file.suffix in ends:
                digest.update(file.as_posix().encode() + file.read_bytes())
    return digest.hexdigest()[:16]


def own_kernel(folder: Path) -> None:
    """Let the kernel called python3 be the Python that builds, wherever others may lie."""
    place = folder / "kernels" / "python3"
    place.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    kernel = {
        "argv": [*command, "--log-level=ERROR"],
        "display_name": "Python 3",
        "language": "python",
    }
    (place / "kernel.json").write_text(json.dumps(kernel), encoding="utf-8")
    before = os.environ.get("JUPYTER_PATH")
    os.environ["JUPYTER_PATH"] = os.pathsep.join([str(folder)] + ([before] if before else []))


class Notebooks:
    """The notebooks of a folder that were not run before for this state of the code.

    Parameters
    ----------
    folder : Path
        They run in it.
    kept : str
        Folder of what was run before.
    timeout : int
        Of one cell [s].
    """

    def __init__(self, folder: Path, kept: str, timeout: int) -> None:
        self._cache = get_cache(kept)
        self._waiting: list[tuple[Path, Any]] = []
        # The largest take longest and go first.
        for path in sorted(folder.glob("*.ipynb"), key=lambda p: -p.stat().st_size):
            notebook = nbformat.read(path, as_version=4)
            try:
                self._cache.match_cache_notebook(notebook)
            except KeyError:
                self._waiting.append((path, notebook))
        self._pool = ThreadPoolExecutor(min(_KERNELS, os.cpu_count() or 1))
        self._results = [
            self._pool.submit(
                single_nb_execution,
                notebook,
                cwd=str(folder),
                timeout=timeout,
                allow_errors=False,
                meta_override=False,
            )
            for _, notebook in self._waiting
        ]

    def finish(self) -> list[Path]:
        """Wait for them and keep those that ran to their end.

        Returns
        -------
        list of Path
            Those that were run now; none at a second call.
        """
        for (path, notebook), pending in zip(self._waiting, self._results, strict=True):
            result = pending.result()
            if result.err is None:
                bundle = CacheBundleIn(notebook, str(path), data={"execution_seconds": result.time})
                self._cache.cache_notebook_bundle(bundle, check_validity=False, overwrite=True)
        self._pool.shutdown()
        ran, self._waiting, self._results = [path for path, _ in self._waiting], [], []
        return ran
