"""Slips of one core or sensor flag the rows that they move, and leave the others alone."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from corephys.ground import flags
from tests.slips.planted import SLIPS, outcome
from tests.slips.planting import GAMMA, NATURAL, PWAVE, SUSCEPTIBILITY, exchanged, sound, times


def planted(name: str):
    slip = next(one for one in SLIPS if one.name == name)
    tables, settings = sound()
    slip.plant(tables, settings)
    return cp.hole_from_tables(tables, settings)


def slipped(hole, table: str) -> pd.DataFrame:
    """Core and section of the rows of a table that are flagged."""
    data = hole[table]
    rows = (data["reason"].values & flags.bit("likely_slip")) != 0
    return pd.DataFrame({"core": data.core.values[rows], "section": data.section.values[rows]})


@pytest.mark.parametrize(
    ("name", "table", "core"),
    [
        ("offsets of one core in inches", GAMMA, "3"),
        ("the zero of one track 10 cm off in one core", SUSCEPTIBILITY, "9"),
        ("twice the counts beside one counting time", GAMMA, "10"),
        ("half of the counting time in one core", NATURAL, "8"),
        ("thickness of one core without the liner", PWAVE, "13"),
        ("a diameter of rotary cores in a full core", PWAVE, "12"),
    ],
)
def test_the_rows_of_the_core_are_flagged_and_no_others(name, table, core):
    hole = planted(name)
    found = slipped(hole, table)
    assert set(found["core"]) == {core}
    assert len(found) == int((hole[table].core.values == core).sum())


def test_the_zero_of_a_track_is_one_finding_and_blames_no_section():
    slip = next(s for s in SLIPS if s.name == "the zero of one track 10 cm off in one core")
    assert [f["check"] for f in outcome(slip)[0]] == ["offsets of one sensor"]


def test_a_copied_section_and_its_source_are_flagged():
    found = slipped(planted("counts of one section pasted over the next"), GAMMA)
    assert set(zip(found["core"], found["section"], strict=True)) == {("16", "3"), ("16", "4")}


def test_both_of_two_exchanged_sections_are_flagged():
    tables, settings = sound()
    exchanged(PWAVE, "14", "2", "3")(tables, settings)
    hole = cp.hole_from_tables(tables, settings)
    found = slipped(hole, PWAVE)
    here = hole[PWAVE].core.values == "14"
    both = here & np.isin(hole[PWAVE].section.values, ["2", "3"])
    assert len(found) == both.sum()
    assert set(found["section"]) == {"2", "3"}


def test_a_core_that_was_counted_for_longer_has_no_finding():
    tables, settings = sound()
    frame = tables[NATURAL]
    rows = frame["core"] == "8"
    for column in [c for c in frame if c.startswith(("counts", "live_time"))]:
        times(NATURAL, column, 2.0, core="8")(tables, settings)
        if column.startswith("counts"):
            frame[column] = frame[column].round()
    assert rows.any()
    hole = cp.hole_from_tables(tables, settings)
    assert json.loads(hole.attrs["findings"]) == []


def test_a_track_that_begins_deeper_in_every_section_has_no_finding():
    tables, settings = sound()
    frame = tables[NATURAL]
    # A large crystal stays off the ends: it begins and ends 8 cm inside.
    length = frame.groupby(["core", "section"])["offset [cm]"].transform("max")
    tables[NATURAL] = frame[(frame["offset [cm]"] >= 8) & (frame["offset [cm]"] <= length - 8)]
    tables[NATURAL] = tables[NATURAL].reset_index(drop=True)
    hole = cp.hole_from_tables(tables, settings)
    assert json.loads(hole.attrs["findings"]) == []


def test_equal_counts_of_a_channel_with_few_values_are_no_copy():
    tables, settings = sound()
    frame = tables[PWAVE]
    frame["travel_time [us]"] = frame["travel_time [us]"].round()
    hole = cp.hole_from_tables(tables, settings)
    assert json.loads(hole.attrs["findings"]) == []


def test_a_gassy_core_with_voids_in_most_readings_has_no_finding():
    tables, settings = sound()
    frame = tables[GAMMA]
    rows = np.flatnonzero(frame["core"] == "10")
    frame.loc[rows[np.arange(rows.size) % 4 != 0], "counts"] *= 2
    hole = cp.hole_from_tables(tables, settings)
    assert json.loads(hole.attrs["findings"]) == []


def test_masses_of_tenths_of_a_gram_are_equal_by_chance():
    tables, settings = sound()
    frame = tables["samples/index_properties"]
    frame["wet_mass [g]"] = frame["wet_mass [g]"].round()
    frame["dry_mass [g]"] = frame["dry_mass [g]"].round()
    frame["dry_volume [cm^3]"] = frame["dry_volume [cm^3]"].round(1)
    hole = cp.hole_from_tables(tables, settings)
    checks = [finding["check"] for finding in json.loads(hole.attrs["findings"])]
    assert "equal masses" not in checks
