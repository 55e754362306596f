"""Planted flaws are found and good readings left alone, on holes of other seeds and sizes."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from tests.simulation import score_flags


@pytest.mark.parametrize(("seed", "scale"), [(301, 0.6), (302, 1.0), (303, 1.7)])
def test_flaws_of_three_sigma_are_flagged_and_good_readings_are_not(seed, scale):
    tally = defaultdict(lambda: np.zeros(2, dtype=int))
    score_flags.count(score_flags.reduced(seed, scale, small=False), tally)
    assert {kind for _, kind in tally} >= {
        "gas_void", "under_filled", "spike", "section_end", "weak_coupling", "declared_void",
    }  # fmt: skip
    for (name, kind), (flagged, total) in tally.items():
        assert total > 0, (name, kind)
        share = flagged / total
        if kind == "good":
            assert share <= 0.02, (name, share)
        else:
            assert share >= 0.95, (name, kind, share)


def test_a_hole_without_planted_flaws_keeps_its_readings():
    result = score_flags.reduced(304, 1.0, small=False, planted=False)
    tally = defaultdict(lambda: np.zeros(2, dtype=int))
    score_flags.count(result, tally)
    for name in result:
        flagged, total = tally[name, "good"]
        assert flagged <= 0.02 * total
