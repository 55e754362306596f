"""Tables of a site: one row a hole, calibrations, a quantity of all holes in order."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from tests.site_folders import small_site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> xr.DataTree:
    return cp.reduce(cp.read_site(small_site(tmp_path_factory.mktemp("sites") / "site")))


def test_the_summary_has_one_row_a_hole(site: xr.DataTree) -> None:
    table = cp.export.site_summary(site)
    frame = table.frame
    assert frame["hole"].tolist() == ["A", "B"]
    assert frame["readings of bulk density"].tolist() == [120.0, 120.0]
    rows = site["site/summary"].to_dataset()
    share = 100.0 * rows["bulk_density_usable"].values / 120.0
    np.testing.assert_allclose(frame["usable bulk density [%]"], share)
    # The fits of three metres of core are flagged: the letter keeps them from being used.
    (fit,) = [one for one in table.columns if one.label.startswith("surface porosity")]
    assert fit.marks == ("a", "a")
    notes = " ".join(table.notes)
    assert "flagged by the reduction" in notes
    assert "sealed source" in notes
    assert "not for well control" in notes
    with pytest.raises(cp.export.NothingToTabulate, match=r"cp\.read_site"):
        cp.export.site_summary(cp.composite.hole_of(site, "A"))


@pytest.mark.parametrize("on", ["depth_composite", "depth", "age"])
def test_the_table_of_a_quantity_holds_every_reading_in_order(site: xr.DataTree, on: str) -> None:
    table = cp.export.site_table(site, "bulk_density", on=on)
    assert len(table) == 240
    unit = "kyr" if on == "age" else "m"
    order = table.frame[f"{on.replace('_', ' ')} [{unit}]"].astype(float)
    known = order[order.notna()].to_numpy()
    assert (np.diff(known) >= 0.0).all()
    assert order[len(known) :].isna().all()
    values = np.concatenate(
        [site[f"{hole}/properties/density"]["bulk_density"].values for hole in ("A", "B")]
    )
    np.testing.assert_array_equal(
        np.sort(table.frame["bulk density [g/cm^3]"].astype(float)), np.sort(values)
    )
    flagged = (table.frame["flag"] == "suspect") | (table.frame["flag"] == "bad")
    assert (table.frame["reasons"][flagged] != "").all()
    assert any("sealed source" in note for note in table.notes)
    with pytest.raises(ValueError, match="expected one of"):
        cp.export.site_table(site, on="time")
    with pytest.raises(cp.export.NothingToTabulate, match="no hole of the site has"):
        cp.export.site_table(site, "p_wave_velocity", on=on)


def test_the_tables_of_a_site_are_written(site: xr.DataTree, tmp_path: Path) -> None:
    files = {path.name for path in cp.export.write_site_tables(site, tmp_path)}
    assert files == {
        "summary.csv",
        "summary.md",
        "calibrations.csv",
        "calibrations.md",
        "core_shifts.csv",
        "core_shifts.md",
        "site_tables.xlsx",
        "bulk_density_of_holes.csv",
        "porosity_of_holes.csv",
    }
    frame = pd.read_csv(tmp_path / "calibrations.csv")
    fit = site["site/calibrations"].to_dataset()
    np.testing.assert_allclose(frame["value"], fit["value"].values, rtol=1e-4)
    assert frame["holes"].tolist() == ["A, B"] * 2
