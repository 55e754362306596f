"""The complete output of a reduction, written by another process once the page is there."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

__all__ = ["Results"]

_PARTLY = 3  # status of the command when stages failed and the rest was written
_PATIENCE = 10.0  # s that a run which is ended has to clean up


class Results:
    """Runs of ``python -m corephys reduce`` on a folder, one at a time.

    Parameters
    ----------
    folder : Path
        Hole folder.
    out : Path
        Output folder. The command replaces its results as a whole, or leaves them as they are.
    recipe : Path, optional
        TOML file of changes to the recipe.

    Notes
    -----
    Another process, since figures are drawn by matplotlib, which is not made for threads, and since
    the next core must not wait for them.
    """

    def __init__(self, folder: Path, out: Path, recipe: Path | None = None) -> None:
        self._command = [sys.executable, "-m", "corephys", "reduce", str(folder), "--out", str(out)]
        if recipe is not None:
            self._command += ["--recipe", str(recipe)]
        self._out = out
        self._run: subprocess.Popen[bytes] | None = None
        self._errors: Path | None = None

    def begin(self) -> None:
        """Start a run; one that is still going on is ended first."""
        self.cancel()
        # A file and no pipe: a full pipe would stop the command.
        number, name = tempfile.mkstemp(prefix="corephys-watch-", suffix=".txt")
        self._errors = Path(name)
        with os.fdopen(number, "wb") as errors:
            self._run = subprocess.Popen(
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                # An interrupt of the terminal is for the watch, which ends the run itself.
                start_new_session=True,
            )

    def cancel(self) -> None:
        """End the run that is going on; the last results stay."""
        if self._run is not None:
            if self._run.poll() is None:
                self._run.terminate()
                try:
                    self._run.wait(_PATIENCE)
                except subprocess.TimeoutExpired:
                    self._run.kill()
                    self._run.wait()
            self._close()

    def ended(self) -> str:
        """A line about the run if it has ended since the last look; empty if not."""
        if self._run is None or self._run.poll() is None:
            return ""
        status = self._run.returncode
        errors = b""
        if self._errors is not None:
            errors = self._errors.read_bytes()
        self._close()
        last = errors.decode("utf-8", "replace").strip().splitlines()[-1:] or ["no message"]
        if status == 0:
            return f"results written to {self._out}"
        if status == _PARTLY:
            return f"results written to {self._out}; stages failed: {last[0]}"
        return f"no new results in {self._out} (status {status}): {last[0]}"

    def _close(self) -> None:
        if self._errors is not None:
            self._errors.unlink(missing_ok=True)
        self._run = self._errors = None
