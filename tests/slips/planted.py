"""All planted slips, and what reading the tables with each of them gives."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import corephys as cp
from corephys.hole import HoleError
from tests.slips.of_cores import OF_CORES
from tests.slips.of_neighbours import OF_NEIGHBOURS
from tests.slips.of_readings import OF_READINGS
from tests.slips.of_samples import OF_SAMPLES
from tests.slips.of_standards import OF_STANDARDS
from tests.slips.planting import Slip, sound

SLIPS: tuple[Slip, ...] = (
    *OF_CORES,
    *OF_READINGS,
    *OF_SAMPLES,
    *OF_STANDARDS,
    *OF_NEIGHBOURS,
)


@cache
def _outcome(name: str) -> tuple[str, str]:
    slip = next(one for one in SLIPS if one.name == name)
    tables, settings = sound()
    slip.plant(tables, settings)
    try:
        return cp.hole_from_tables(tables, settings).attrs["findings"], ""
    except HoleError as error:
        return "[]", str(error.problems[0])


def outcome(slip: Slip) -> tuple[list[dict[str, Any]], str]:
    """Findings of the demo hole with one slip, and the first fault of a hole that is refused."""
    found, refusal = _outcome(slip.name)
    return json.loads(found), refusal
