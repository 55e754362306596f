"""Figures of several holes: what is drawn is what the holes hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from tests.site_folders import small_site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> xr.DataTree:
    return cp.reduce(cp.read_site(small_site(tmp_path_factory.mktemp("sites") / "site")))


def density(site: xr.DataTree, hole: str) -> xr.Dataset:
    return site[f"{hole}/properties/density"].to_dataset()


@pytest.mark.parametrize("on", ["depth_composite", "depth", "age"])
def test_the_lines_are_the_usable_readings(site: xr.DataTree, on: str) -> None:
    figure = cp.figures.holes(site, "bulk_density", on=on)
    table = figure.table()
    for hole in ("A", "B"):
        data = density(site, hole)
        use = np.isin(data["bulk_density_flag"].values, (1, 2)) & np.isfinite(data[on].values)
        mine = table[table["series"] == f"hole {hole}"].dropna(subset=["x", "y"])
        mine = mine[mine["flag"] == ""].sort_values("y")
        order = np.argsort(data[on].values[use], kind="stable")
        np.testing.assert_array_equal(mine["y"], data[on].values[use][order])
        np.testing.assert_array_equal(mine["x"], data["bulk_density"].values[use][order])
        flagged = table[table["series"] == f"hole {hole}, flagged"]
        assert len(flagged) == int((~use & np.isfinite(data[on].values)).sum())
        assert f"hole {hole} {int(use.sum())} of 120" in figure.caption
    assert "sealed source" in figure.caption


def test_composite_depth_is_the_default_where_all_holes_have_it(site: xr.DataTree) -> None:
    assert "composite depth" in cp.figures.holes(site).caption
    bare = {
        name: xr.DataTree.from_dict(
            {"/properties/density": density(site, name).drop_vars("depth_composite")}
        )
        for name in ("A", "B")
    }
    assert "composite" not in cp.figures.holes(bare).caption
    with pytest.raises(cp.figures.NothingToDraw, match=r"ties\.csv"):
        cp.figures.holes(bare, on="depth_composite")
    with pytest.raises(cp.figures.NothingToDraw, match="none of A, B has it"):
        cp.figures.holes(site, "p_wave_velocity")
    with pytest.raises(ValueError, match="expected one of depth_composite"):
        cp.figures.holes(site, on="time")


def test_reduced_holes_may_be_given_without_a_site(site: xr.DataTree) -> None:
    trees = [cp.composite.hole_of(site, name) for name in ("A", "B")]
    figure = cp.figures.holes(trees, ["bulk_density", "porosity"], on="depth")
    assert "Invented A" in figure.caption
    assert "porosity" in figure.caption
    assert set(figure.table()["series"]) == {"hole Invented A", "hole Invented B"}
    twice = cp.figures.holes([trees[0], trees[0]])
    assert "Invented A (2)" in twice.caption


def test_readings_of_untied_cores_are_drawn_apart(site: xr.DataTree) -> None:
    tree = cp.composite.hole_of(site, "B")
    data = tree["properties/density"].to_dataset()
    words = data["placement"].values.copy()
    words[:40] = "untied"
    loose = data.assign_coords(placement=("reading", words))
    made = xr.DataTree.from_dict({"/properties/density": loose})
    figure = cp.figures.holes({"B": made})
    assert "hole B, core not tied" in set(figure.table()["series"])
    assert "40 values are in cores whose composite depth no tie determines" in figure.caption
    # On depth as laid out the ties do not matter.
    figure = cp.figures.holes({"B": made}, on="depth")
    assert "hole B, core not tied" not in set(figure.table()["series"])


def test_the_calibrations_are_drawn_with_their_uncertainty(site: xr.DataTree) -> None:
    figure = cp.figures.calibration_history(site)
    table = figure.table()
    held = site["site/calibrations"].to_dataset()
    assert len(table) == held.sizes["row"] == 2
    np.testing.assert_allclose(table["y"], held["value"].values)
    np.testing.assert_allclose(
        table["y_upper"] - table["y"], held["value_u_random"].values, rtol=1e-6
    )
    assert "sealed source" in figure.caption
    with pytest.raises(cp.figures.NothingToDraw, match="this site has gamma"):
        cp.figures.calibration_history(site, sensor="pwave")


def test_control_charts_of_a_site_hold_the_checks_of_all_holes(site: xr.DataTree) -> None:
    table = cp.figures.control_charts(site).table()
    checks = table[table["series"].str.startswith(("in control", "out of control"))]
    assert len(checks) == site["site/control_gamma"].sizes["standard"]


def test_all_figures_of_a_site_are_written(site: xr.DataTree, tmp_path: Path) -> None:
    files = cp.figures.write_figures(site, tmp_path)
    names = {path.stem for path in files}
    assert names == {
        "holes_bulk_density",
        "holes_porosity",
        "holes_bulk_density_by_age",
        "holes_porosity_by_age",
        "core_shifts",
        "control_charts",
        "calibration_history",
    }
    assert set(cp.figures.site_figures(site)) == names
    assert all((tmp_path / f"{name}.csv").stat().st_size for name in names)
