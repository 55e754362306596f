"""Checks across the tables of a hole: contradictions in words, with the likely slip and its cure.

A check compares numbers of one table with those of another, or with physics. It changes no number.
The rows whose depth or value a slip changes are flagged ``likely_slip``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from corephys.hole.checks import (
    agreement,
    calibration,
    columns,
    copies,
    cores,
    downhole,
    lengths,
    places,
    samples,
    scan,
    settings,
    standards,
    with_depth,
)
from corephys.hole.checks.finding import Check, Finding, Tables

__all__ = ["CHECKS", "Check", "Finding", "Tables", "find", "flagged", "sentences", "to_json"]

# In the order of the findings: what a colleague would look at first.
CHECKS: tuple[Check, ...] = (
    *settings.CHECKS,
    *columns.CHECKS,
    *lengths.CHECKS,
    *places.CHECKS,
    *scan.CHECKS,
    *standards.CHECKS,
    *calibration.CHECKS,
    *samples.CHECKS,
    *downhole.CHECKS,
    *with_depth.CHECKS,
    *cores.CHECKS,
    *copies.CHECKS,
    *agreement.CHECKS,
)


def find(tables: Tables) -> list[Finding]:
    """All findings of the checks.

    Parameters
    ----------
    tables : Tables
        The tables of a hole as read.

    Returns
    -------
    list of Finding
        In the order of :data:`CHECKS`.
    """
    # Values of any size may be there; an overflow gives infinity, which no range holds.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return [finding for check in CHECKS for finding in check.run(tables)]


def flagged(findings: Iterable[Finding]) -> dict[str, np.ndarray]:
    """Rows of each table that the findings flag."""
    rows: dict[str, list[np.ndarray]] = {}
    for finding in findings:
        for name, those in finding.moves.items():
            rows.setdefault(name, []).append(np.asarray(those, dtype=np.intp))
    return {name: np.unique(np.concatenate(parts)) for name, parts in rows.items()}


def to_json(findings: Iterable[Finding]) -> str:
    """Findings as one JSON text, for the attribute ``findings`` of a hole."""
    return json.dumps([finding.entry() for finding in findings], ensure_ascii=False)


def sentences(attributes: Mapping[Any, Any]) -> list[str]:
    """Findings of a hole as sentences, from the attributes of its root."""
    return [str(entry["sentence"]) for entry in json.loads(attributes.get("findings", "[]"))]
