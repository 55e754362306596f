"""Composite depth: the holes of a site brought onto one depth scale by ties between their cores.

A tie joins a depth in a core of one hole to the depth of the same bed in a core of another
hole. Ties are kept with their history; shifts, growth and depths follow from those in use,
and a sequence of intervals runs from hole to hole where neither has a gap.
"""

from __future__ import annotations

from corephys.hole.composite.core_shifts import growth_factor, place, shifts
from corephys.hole.composite.depth_scales import SCALES, convert, scales, ties_on
from corephys.hole.composite.folder import hole_names, hole_of, read_ties, ties_of
from corephys.hole.composite.sequences import checked_sequence, suggest_sequence, take
from corephys.hole.composite.site import Site, read_site, write_ties
from corephys.hole.composite.suggestions import suggest
from corephys.hole.composite.ties import DEPTHS, STATES, TieError, change, checked_ties, empty

__all__ = [
    "DEPTHS",
    "SCALES",
    "STATES",
    "Site",
    "TieError",
    "change",
    "checked_sequence",
    "checked_ties",
    "convert",
    "empty",
    "growth_factor",
    "hole_names",
    "hole_of",
    "place",
    "read_site",
    "read_ties",
    "scales",
    "shifts",
    "suggest",
    "suggest_sequence",
    "take",
    "ties_of",
    "ties_on",
    "write_ties",
]
