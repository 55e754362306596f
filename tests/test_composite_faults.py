"""Composite depth when ties, cores and series are not what they should be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys import composite
from corephys.hole.composite_ties import TieError

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
    with pytest.raises(TieError, match=r"tie 1: its uncertainty is .* empty where it is unknown"):
        composite.checked_ties(table, CORES)


def test_a_cell_with_text_is_no_unknown():
    table = CHAIN.assign(**{"uncertainty [m]": ["0.1", "5 cm", ""]})
    with pytest.raises(TieError, match=r"'uncertainty', row 2: '5 cm' is no number"):
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


def series(core, depth, values=None, unit="g/cm^3"):
    values = np.ones(len(depth)) if values is None else values
    return xr.Dataset(
        {"bulk_density": ("reading", np.asarray(values, float), {"units": unit})},
        {
            "core": ("reading", np.array(core, dtype=object)),
            "depth": ("reading", np.asarray(depth, float), {"units": "m"}),
        },
    )
