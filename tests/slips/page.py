"""The page of the checks at read: docs/checks_at_read.md.

``python -m tests.slips.page`` writes it anew.
"""

from __future__ import annotations

from pathlib import Path

from corephys.ground import thresholds
from corephys.hole.checks import CHECKS
from docs.making.tables import table
from tests.slips.planted import SLIPS, outcome
from tests.slips.planting import Slip

PAGE = Path(__file__).resolve().parents[2] / "docs" / "checks_at_read.md"

INTRODUCTION = """# Checks at read

`cp.read_hole` and `cp.hole_from_tables` compare the tables of a hole with each other and with
physics. A contradiction becomes a **finding**: it names file, core, section and the number, the
likely slip and what to do. Findings stand under *Beware* on the card of the hole and of the reduced
hole, in the report, and in `hole.attrs["findings"]`; `cp.quality.findings(hole)` lists them as a
table.

No number is changed. The rows whose depth or value a slip changes have the reason `likely_slip`
(suspect), and products leave them out by the levels of the recipe. Correct the file, map its header
with `columns=`, or write the unit that the numbers have into the header, and read the folder again.
A hole of impossible geometry is still refused with a `HoleError`.

A finding is a suggestion, not a verdict: an odd rock, or a hole drilled in an odd way, may be the
cause. The rows of an unfounded finding come back into the products with
`[quality] use = "good, not_evaluated, suspect"`; this also brings back all other suspect readings.
"""


def checks_table() -> str:
    """Every check with what it compares and its limits."""
    rows = []
    for check in CHECKS:
        limits = [thresholds.get(name) for name in check.limits]
        words = ", ".join(f"`{one.name}` {str(one).removesuffix(' 1')}" for one in limits)
        rows.append((check.name, check.compares, words or "none: an order, a sign or a name"))
    return table(("check", "compares", "limits"), rows)


def row(slip: Slip) -> tuple[str, str, str]:
    """Slip, outcome and number of flagged rows."""
    found, refusal = outcome(slip)
    if refusal:
        return slip.name, f"refused: {refusal}", ""
    mine = next(f for f in found if f["check"] == slip.check and slip.words in f["sentence"])
    flagged: dict[str, int] = {}
    for finding in found:
        for name, count in finding["flagged"].items():
            flagged[name] = max(flagged.get(name, 0), count)
    others = len(found) - 1
    more = f" (and {others} more finding{'s' * (others > 1)})" if others else ""
    shown = ", ".join(f"{name} {count}" for name, count in flagged.items())
    return slip.name, mine["sentence"] + more, shown


def page() -> str:
    """The page as text."""
    refused = sum(slip.check == "refused" for slip in SLIPS)
    parts = [
        INTRODUCTION.rstrip(),
        "## The checks",
        "A limit is a row of `cp.thresholds.THRESHOLDS`. The margins are choices of this package; "
        "they keep fifty simulated holes, with and without voids, spikes and weak coupling, the "
        "demo hole and the demo site free of findings.",
        checks_table(),
        "## Planted slips",
        f"{len(SLIPS)} slips, each planted alone in the tables of the demo hole with its scans "
        f"thinned: {len(SLIPS) - refused} are found in words and {refused} are refused, none "
        "passes in silence. Without a slip the same tables have no finding. The third column "
        "counts the rows with the reason `likely_slip`.",
        table(("slip", "outcome", "flagged rows"), [row(slip) for slip in SLIPS]),
        "## On measurements by others",
        "Three lake cores, 2,101 samples of five deep-sea sites, 25,870 samples of older holes, "
        "two holes of natural gamma spectra, a heating test and a well log were read. Every "
        "finding on them is a slip, or a habit, of their tables: a row of units below the header "
        "in two files; four samples with a mistyped mass or volume; one site of which half of the "
        "rows hold masses that give grains the density of water; and sites of which several holes "
        "stand in one table.",
    ]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
