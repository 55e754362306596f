"""The part of the command line that makes archives: ``archive FOLDER --out OUT``."""

from __future__ import annotations

import argparse
import sys
import tomllib
from pathlib import Path
from typing import Any

__all__ = ["add_to", "run"]


def add_to(commands: Any) -> None:
    """Add the command to a parser's commands."""
    words = "reduce many holes into one archive; a run that was stopped goes on where it was"
    command = commands.add_parser("archive", help=words, description=words)
    command.add_argument("folder", help="folder or URL of the holes, or a store of readings")
    command.add_argument("--out", required=True, help="folder or URL of the archive")
    command.add_argument("--recipe", type=Path, help="TOML file of changes to every hole's recipe")
    command.add_argument("--workers", type=int, default=2, help="holes at a time (default 2)")
    command.add_argument(
        "--scheduler", choices=("threads", "processes"), default="processes",
        help="who does the work (default processes)",
    )  # fmt: skip
    command.add_argument("--sensors", help="scans to use, such as gamma,pwave (default all)")
    command.add_argument("--effects", action="store_true", help="keep the effects by source")
    command.add_argument("--anew", action="store_true", help="make finished holes anew as well")


def run(given: argparse.Namespace) -> int:
    """Make the archive and print its table.

    Parameters
    ----------
    given : Namespace
        As parsed.

    Returns
    -------
    int
        0; 1 when nothing could be done or a hole failed; 3 when all holes are there and stages of
        some failed. Failed holes are printed, and in how many holes stages failed.
    """
    from corephys import archive

    try:
        changes: dict[str, Any] | None = None
        if given.recipe:
            changes = tomllib.loads(given.recipe.read_text(encoding="utf-8"))
        table = archive.reduce(
            given.folder, given.out, changes, workers=given.workers, scheduler=given.scheduler,
            resume=not given.anew, effects=given.effects,
            sensors=tuple(given.sensors.split(",")) if given.sensors else None,
        )  # fmt: skip
    except (ValueError, OSError, RuntimeError, ModuleNotFoundError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    shown = [c for c in ("name", "status", "readings", "kept", "left_out", "missing") if c in table]
    print(table[shown].to_string(index=False))
    failed = table[table["status"] == "failed"]
    for name, error in zip(failed["name"], failed["error"], strict=True):
        print(f"\n{name} failed: {error}", file=sys.stderr)
    print(f"\n{len(table) - len(failed)} of {len(table)} holes complete in {given.out}")
    partly = table[table["failed_stages"].fillna(0) > 0]
    if len(partly):
        names = ", ".join(partly["name"].astype(str))
        print(f"stages failed in {len(partly)} of them: {names}", file=sys.stderr)
    return 1 if len(failed) else 3 if len(partly) else 0
