"""Composite depth when ties, cores and series are not what they should be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys import composite
from corephys.export import shift_table
from corephys.ground.series import PositionError
from corephys.hole.composite.ties import TieError

CORES = {
    hole: pd.DataFrame({"core": ["1", "2", "3"], "top [m]": [top, top + 9.5, top + 19.0]})
    for hole, top in (("A", 0.0), ("B", 4.0))
}


def ties(*rows, **more):
    """Ties of (hole, core, depth, other hole, other core, other depth), depths in m."""
    names = ["hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]"]
    return pd.DataFrame(rows, columns=names).assign(**more)


CHAIN = ties(
    ("B", "1", 5.0, "A", "1", 5.5),
    ("A", "2", 10.0, "B", "1", 10.2),
    ("B", "2", 15.0, "A", "2", 15.3),
)


@pytest.mark.parametrize("value", [-0.1, 0.0, np.inf])
def test_an_uncertainty_that_is_none_is_refused(value):
    table = CHAIN.assign(**{"uncertainty [m]": [value, 0.1, 0.1]})
    with pytest.raises(TieError, match=r"tie 1: its uncertainty is .* empty if it is unknown"):
        composite.checked_ties(table, CORES)


def test_a_cell_with_text_is_no_unknown():
    table = CHAIN.assign(**{"uncertainty [m]": ["0.1", "5 cm", ""]})
    with pytest.raises(TieError, match=r"'uncertainty', row 2: '5 cm' is not a number"):
        composite.checked_ties(table, CORES)
    table["uncertainty [m]"] = ["0.1", "", None]
    found = composite.checked_ties(table, CORES)["uncertainty"]
    np.testing.assert_equal(found.to_numpy(), [0.1, np.nan, np.nan])


def test_two_columns_of_one_name_are_refused():
    with pytest.raises(TieError, match="two columns 'depth'"):
        composite.checked_ties(CHAIN.assign(**{"depth [cm]": [1.0, 2.0, 3.0]}), CORES)


@pytest.mark.parametrize("replaces", [["1", "", ""], ["2", "1", ""], ["2", "3", "1"]])
def test_ties_that_replace_each_other_in_a_ring_are_refused(replaces):
    with pytest.raises(TieError, match="tie 1: replaces itself"):
        composite.checked_ties(CHAIN.assign(tie=["1", "2", "3"], replaces=replaces), CORES)


def test_a_moved_tie_keeps_no_uncertainty_of_its_old_depth():
    table = composite.checked_ties(CHAIN.assign(uncertainty=0.002, correlation=0.97), CORES)
    moved = composite.change(table, "1", state="edited", depth="7 m").iloc[-1]
    assert moved["depth"] == 7.0
    assert np.isnan(moved["uncertainty"]) and np.isnan(moved["correlation"])
    known = composite.change(table, "1", state="edited", to_depth="7 m", uncertainty="10 cm")
    assert known.iloc[-1]["uncertainty"] == pytest.approx(0.1)
    same = composite.change(table, "1", state="accepted", depth="5 m").iloc[-1]
    assert same["uncertainty"] == 0.002 and same["correlation"] == 0.97
    with pytest.raises(ValueError, match="above zero"):
        composite.change(table, "1", state="edited", uncertainty="-5 cm")


def test_ties_are_changed_as_they_were_read(tmp_path):
    written = CHAIN.assign(note=['Düne, "ä"', "NA", ""], who="me", core=["1", "2", "2"])
    path = composite.write_ties(written, tmp_path / "ties.csv")
    changed = composite.change(composite.read_ties(path), "2", state="edited", depth="10.5 m")
    again = composite.read_ties(composite.write_ties(changed, tmp_path / "changed.csv"))
    found = composite.checked_ties(again, CORES)
    pd.testing.assert_frame_equal(found, composite.checked_ties(changed, CORES))
    assert found["depth"].tolist() == [5.0, 10.0, 15.0, 10.5]
    assert found["replaces"].tolist() == ["", "", "", "2"]
    assert found["note"].tolist()[:2] == ['Düne, "ä"', "NA"]
    assert found["who"].tolist() == ["me"] * 4


def series(core, depth):
    return xr.Dataset(
        {"bulk_density": ("reading", np.arange(float(len(depth))), {"units": "g/cm^3"})},
        {
            "core": ("reading", np.array(core, dtype=object)),
            "depth": ("reading", np.asarray(depth, float), {"units": "m"}),
        },
    )


def test_cores_tied_only_to_each_other_are_no_tied_cores():
    apart = ties(("B", "2", 15.0, "A", "2", 15.3), ("B", "3", 24.0, "A", "3", 24.4))
    found = composite.shifts(apart, CORES, reference="A")
    words = ["datum", "untied", "untied", "floating", "untied", "untied"]
    assert found["tied"].values.tolist() == words
    # Each pair still moves as one, from the core above.
    np.testing.assert_allclose(found["shift"], [0.0, 0.0, 0.0, 0.0, 0.3, 0.4], atol=1e-12)
    with pytest.raises(ValueError, match="1 tied cores are too few"):
        composite.growth_factor(found)


def test_words_of_an_earlier_version_in_a_stored_table_of_shifts_are_read():
    known = ties(("B", "1", 5.0, "A", "1", 5.3), ("B", "2", 15.0, "A", "2", 15.3),
                 ("B", "1", 9.0, "A", "2", 9.4))  # fmt: skip
    now = composite.shifts(known, CORES, reference="A")
    assert set(now["tied"].values) == {"datum", "tied", "untied"}
    former = {"datum": "anchor", "untied": "carried"}
    words = np.array([former.get(word, word) for word in now["tied"].values], dtype=object)
    stored = now.assign(tied=("row", words))
    xr.testing.assert_identical(composite.growth_factor(stored), composite.growth_factor(now))
    assert composite.growth_factor(now).attrs["points"] == int((words != "carried").sum())
    tables = [shift_table(one) for one in (stored, now)]
    assert tables[0].notes == tables[1].notes and "1 datum, " in tables[0].notes[1]


def test_a_group_is_placed_by_the_core_that_has_one_above():
    cores = {
        "A": CORES["A"],
        "B": pd.DataFrame({"core": ["1"], "top [m]": [18.0]}),
        "C": pd.DataFrame({"core": ["1", "2"], "top [m]": [2.0, 19.0]}),
    }
    table = ties(("C", "1", 5.0, "A", "1", 8.0), ("B", "1", 20.0, "C", "2", 21.0))
    found = composite.shifts(table, cores, reference="A")
    np.testing.assert_allclose(found["shift"], [0.0, 0.0, 0.0, 4.0, 3.0, 3.0], atol=1e-12)


def test_ties_that_disagree_are_named():
    table = ties(
        ("B", "1", 5.0, "A", "1", 5.5), ("B", "1", 6.0, "A", "1", 9.5), tie=["x", "y"]
    )  # fmt: skip
    found = composite.shifts(table.assign(uncertainty=0.01), CORES, reference="A")
    assert found["tie_name"].values.tolist() == ["x", "y"]
    first, second = found.attrs["notes"].splitlines()
    assert "tie x misses by 1.50 m, 150.0 times" in first and "tie y" in second
    assert (
        composite.shifts(table.assign(uncertainty=1.0), CORES, reference="A").attrs["notes"] == ""
    )
    without = composite.shifts(table.assign(uncertainty=[0.01, np.nan]), CORES, reference="A")
    assert "1 of 2 ties is not known (tie y)" in without.attrs["notes"]
    assert np.isnan(without["shift_u_random"]).all()


def test_cores_named_by_numbers_are_read_as_text():
    numbers = {hole: table.assign(core=[1, 2, 3]) for hole, table in CORES.items()}
    found = composite.shifts(CHAIN, numbers, reference="A")
    np.testing.assert_allclose(found["shift"], [0.0, 0.7, 0.7, 0.5, 1.0, 1.0])
    held = series([1, 1, 2], [1.0, 2.0, 10.0])
    placed = composite.place(held, hole="A", shifts=found)
    np.testing.assert_allclose(placed["depth_composite"], [1.0, 2.0, 10.7])
    interval = pd.DataFrame({"hole": ["A"], "core": [1], "top [m]": [0.0], "bottom [m]": [9.0]})
    sequence = composite.checked_sequence(interval, found)
    assert composite.take(sequence, {"A": held}, found)["bulk_density"].values.tolist() == [
        0.0,
        1.0,
    ]


@pytest.mark.parametrize(
    ("cores", "words"),
    [
        (
            pd.DataFrame({"core": ["1", "1"], "top [m]": [0.0, 9.0]}),
            "'1' .* has two rows; remove one",
        ),
        (pd.DataFrame({"core": ["1", "2"], "top [m]": [0.0, np.nan]}), "'2' .* has no top"),
    ],
)
def test_a_core_without_one_place_is_refused(cores, words):
    with pytest.raises(PositionError, match=words):
        composite.shifts(composite.empty(), {"A": cores}, reference="A")


def test_an_empty_hole_is_no_reference_and_no_hindrance():
    cores = {**CORES, "D": CORES["A"].iloc[:0]}
    np.testing.assert_allclose(
        composite.shifts(CHAIN, cores, reference="A")["shift"], [0.0, 0.7, 0.7, 0.5, 1.0, 1.0]
    )
    with pytest.raises(ValueError, match="'D' has no core"):
        composite.shifts(CHAIN, cores, reference="D")
    with pytest.raises(ValueError, match=r"use has 'good'; expected some of suggested"):
        composite.shifts(CHAIN, cores, reference="A", use=("good",))


def test_a_shift_that_is_no_number_places_nothing():
    found = composite.shifts(CHAIN, CORES, reference="A")
    found["shift"][1] = np.nan
    interval = pd.DataFrame(
        {"hole": ["A", "A"], "core": ["1", "2"], "top [m]": [0.0, 9.5], "bottom [m]": [9.0, 18.0]}
    )
    with pytest.raises(TieError, match="interval 2: hole 'A' has no core '2' with a shift"):
        composite.checked_sequence(interval, found)
    with pytest.raises(PositionError, match="core '2' of hole 'A' has no shift; give all"):
        composite.place(series(["1", "2"], [1.0, 10.0]), hole="A", shifts=found)
    with pytest.raises(PositionError, match="hole 'Z' has no shift; there are those of holes A, B"):
        composite.place(series(["1"], [1.0]), hole="Z", shifts=found)


def test_ties_on_says_what_it_lacks():
    with pytest.raises(TieError, match=r"no column 'tie'; take them from .*checked_ties"):
        composite.ties_on(CHAIN, {}, depth="depth_closed")
    with pytest.raises(TieError, match="no sections of hole 'A'"):
        composite.ties_on(composite.checked_ties(CHAIN, CORES), {}, depth="depth_closed")


def test_readings_too_far_apart_for_the_grid_are_no_silence():
    depth = np.arange(0.0, 9.0, 0.1)
    held = {h: {"bulk_density": series(["1"] * depth.size, depth)} for h in "AB"}
    cores = {h: pd.DataFrame({"core": ["1"], "top [m]": [0.0]}) for h in "AB"}
    with pytest.raises(ValueError, match=r"'A' lie 0\.1 m apart, .*give spacing='10 cm'"):
        composite.suggest(held, cores)
    assert len(composite.suggest(held, cores, spacing="10 cm").columns) > 10
