"""What a reduction kept, flagged, took as supplied and skipped, counted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags
from corephys.ground.vocabulary import TERMS

__all__ = ["summarise", "summary_lines"]


def summarise(
    results: Mapping[str, xr.Dataset], skipped: Mapping[str, str], failed: Mapping[str, str],
    notes: list[str], levels: tuple[str, ...],
) -> dict[str, Any]:  # fmt: skip
    """Count the flags of every quantity.

    Parameters
    ----------
    results : mapping of str to Dataset
        Results by path.
    skipped : mapping of str to str
        Stages that had nothing to work on, and why.
    failed : mapping of str to str
        Stages that met values they cannot use, and the error of each.
    notes : list of str
        What a user should know.
    levels : tuple of str
        Flag levels that products may use.

    Returns
    -------
    dict
        ``quantities`` (path, name, readings, kept, flagged, missing, reasons), ``skipped``,
        ``failed`` and ``notes``; made of plain numbers and texts.
    """
    quantities = []
    for path, dataset in results.items():
        for name in map(str, dataset.data_vars):
            if name not in TERMS or f"{name}_flag" not in dataset:
                continue
            flag = np.atleast_1d(dataset[f"{name}_flag"].values)
            reason = np.atleast_1d(dataset[f"{name}_reason"].values)
            counts = {
                word: int(np.count_nonzero(reason & flags.bit(word))) for word in flags.REASONS
            }
            missing = int(np.count_nonzero(flag == flags.MISSING))
            doubtful = np.isin(flag, (flags.SUSPECT, flags.BAD))
            quantities.append(
                {
                    "path": path,
                    "name": name,
                    "readings": int(flag.size),
                    "kept": int(np.count_nonzero(flags.usable(flag, levels))),
                    "flagged": int(np.count_nonzero(doubtful)),
                    "missing": missing,
                    "supplied": counts["supplied"],
                    "reasons": {word: n for word, n in counts.items() if n},
                }
            )
    return {
        "quantities": quantities, "skipped": dict(skipped), "failed": dict(failed),
        "notes": list(notes),
    }  # fmt: skip


def summary_lines(summary: Mapping[str, Any]) -> list[str]:
    """The summary as lines of text for a terminal.

    Parameters
    ----------
    summary : mapping
        From :func:`summarise`.

    Returns
    -------
    list of str
        One line a quantity, one a failed stage, one a skipped stage, one a note.
    """
    lines = [f"{'quantity':<40}{'readings':>9}{'kept':>8}{'flagged':>9}{'missing':>9}  reasons"]
    for entry in summary["quantities"]:
        where = entry["path"].split("/", 1)[1]
        label = entry["name"].replace("_", " ")
        if where != entry["name"]:
            label += f" ({where.replace('_', ' ')})"
        reasons = ", ".join(f"{k.replace('_', ' ')} {n}" for k, n in entry["reasons"].items())
        lines.append(
            f"{label:<40}{entry['readings']:>9}{entry['kept']:>8}{entry['flagged']:>9}"
            f"{entry['missing']:>9}  {reasons}".rstrip()
        )
    # Files of earlier releases have no entry of failed stages: there a failure stopped the run.
    failed = summary.get("failed", {})
    lines += [f"failed {stage}: {error}" for stage, error in failed.items()]
    lines += [f"skipped {stage}: {why}" for stage, why in summary["skipped"].items()]
    lines += [f"note: {note}" for note in summary["notes"]]
    return lines
