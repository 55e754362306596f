"""Regenerate the demonstration hole: ``python -m data_demo``."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
# Of the first sixteen seeds, one whose every series lies within one systematic standard
# uncertainty: two thirds of series lie so, and a reader should not meet the rest first.
SEED = 3
NAME = "Cinder Bank, hole 1"


def main() -> None:
    """Write the demonstration hole beside this file."""
    if str(HERE.parent) not in sys.path:
        sys.path.insert(0, str(HERE.parent))
    from data_demo.simulator import section, simulate_hole

    simulate_hole(HERE / "hole", SEED, name=NAME)
    section.write(HERE / "section", SEED)


if __name__ == "__main__":
    main()
