"""A reduced site: each hole as alone, composite depth and ages, charts and calibrations of all."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from tests.archive_holes import write
from tests.site_folders import small_site

PLACED = ("depth_composite", "depth_composite_u_random", "placement", "age", "age_u_random")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_site(tmp_path_factory.mktemp("sites") / "site")


@pytest.fixture(scope="module")
def reduced(folder: Path) -> xr.DataTree:
    return cp.reduce(cp.read_site(folder))


def results(tree: xr.DataTree) -> dict[str, xr.Dataset]:
    return {
        leaf.path: leaf.to_dataset(inherit=False)
        for leaf in tree.leaves
        if leaf.path.startswith(("/properties/", "/products/"))
    }


def alone(folder: Path, out: Path, name: str) -> xr.DataTree:
    """The hole as a folder of its own: the files of the site copied, its settings written out."""
    shutil.copytree(folder / name, out)
    shutil.copytree(folder / "standards", out / "standards")
    text = (out / "hole.toml").read_text()
    own = '[gamma]\nslurry_density = "1.4 g/cm^3"\ndead_time = "0 s"\nbackground_rate = "0 1/s"'
    assert "[gamma]" in text
    write(out / "hole.toml", text.replace("[gamma]", own))
    return cp.reduce(cp.read_hole(out))


@pytest.mark.parametrize("name", ["A", "B"])
def test_each_hole_has_the_numbers_of_a_reduction_alone(
    folder: Path, reduced: xr.DataTree, tmp_path: Path, name: str
) -> None:
    expected = results(alone(folder, tmp_path / name, name))
    found = results(cp.composite.hole_of(reduced, name))
    assert set(found) == set(expected)
    assert "/properties/density" in found
    for path, data in expected.items():
        more = set(found[path].variables) - set(data.variables)
        assert more <= set(PLACED), path
        for variable in data.variables:
            one, other = found[path][variable].values, data[variable].values
            assert one.dtype == other.dtype
            if one.dtype.kind == "O":
                assert one.tolist() == other.tolist(), (path, variable)
            else:
                assert one.tobytes() == other.tobytes(), (path, variable)


def test_a_node_of_a_site_reduces_like_the_hole(folder: Path, reduced: xr.DataTree) -> None:
    one = cp.reduce(cp.read_site(folder)["B"])
    density = reduced["B/properties/density"].to_dataset()
    assert one["properties/density"]["bulk_density"].equals(
        density["bulk_density"].drop_vars(PLACED)
    )


def test_composite_depth_and_age_stand_beside_every_series_with_cores(
    reduced: xr.DataTree,
) -> None:
    for name, shift in (("A", 0.0), ("B", 0.25)):  # the tie: 1.00 m in B is 1.25 m in A
        for path, data in results(cp.composite.hole_of(reduced, name)).items():
            if "core" not in data.coords or "depth" not in data.coords:
                continue
            there = data["depth_composite"].values
            np.testing.assert_allclose(there, data["depth"].values + shift, rtol=0, atol=1e-12)
            # Ages 0, 40 and 60 kyr at 0, 2 and 2.5 m.
            inside = there <= 2.5
            slope = np.where(there <= 2.0, 20.0 * there, 40.0 + 40.0 * (there - 2.0))
            np.testing.assert_allclose(data["age"].values[inside], slope[inside], atol=1e-9)
            assert np.isnan(data["age"].values[~inside]).all(), path
            assert set(data["placement"].values) == {"datum" if name == "A" else "tied"}
            u = data["depth_composite_u_random"].values
            assert (u == (0.0 if name == "A" else 0.02)).all()
    density = reduced["A/properties/density"].to_dataset()
    z, u = density["depth_composite"].values, density["age_u_random"].values
    row = int(np.argmin(np.abs(z - 1.0)))
    share = z[row] / 2.0
    assert u[row] == pytest.approx(np.hypot((1.0 - share) * 1.0, share * 3.0), rel=1e-9)


def test_the_uncertainty_of_offsets_joins_that_of_the_shift(folder: Path) -> None:
    changes = {"depth": {"offset": "3 cm"}, "quality": {"evaluate": False}}
    density = cp.reduce(cp.read_site(folder), changes)["B/properties/density"].to_dataset()
    own = density["depth_u_random"].values
    assert own.min() > 0.0
    found = density["depth_composite_u_random"].values
    np.testing.assert_allclose(found, np.hypot(0.02, own), rtol=1e-12)


def test_checks_of_shared_standards_count_once(folder: Path, reduced: xr.DataTree) -> None:
    chart = reduced["site/control_gamma"].to_dataset()
    assert chart.sizes["standard"] == 12
    assert set(chart["hole"].values) == {"A, B"}
    one = reduced["A/properties/control_gamma"].to_dataset()
    assert chart["value"].values.tobytes() == one["value"].values.tobytes()
    assert "sealed source" in chart.attrs["safety"]


def test_checks_and_calibrations_of_all_holes_run_in_time(folder: Path, tmp_path: Path) -> None:
    where = tmp_path / "site"
    shutil.copytree(folder, where)
    lines = (where / "standards/gamma.csv").read_text().splitlines()
    # The standards move into the holes; those of B are read a month later, its checks 5 % lower.
    shutil.rmtree(where / "standards")
    write(where / "A/standards/gamma.csv", "\n".join(lines) + "\n")
    later = [line.replace("2031-05-01", "2031-06-01") for line in lines[1:]]
    shifted = []
    for line in later:
        cells = line.split(",")
        if cells[4] == "check":
            cells[2] = str(round(int(cells[2]) * 0.95))
        shifted.append(",".join(cells))
    write(where / "B/standards/gamma.csv", "\n".join([lines[0], *shifted]) + "\n")
    reduced = cp.reduce(cp.read_site(where))
    chart = reduced["site/control_gamma"].to_dataset()
    assert chart["hole"].values.tolist() == ["A"] * 12 + ["B"] * 12
    assert (np.diff(chart["time"].values) > np.timedelta64(0)).all()
    assert chart.attrs["status"] == "out_of_control"
    assert chart["in_control"].values[:12].all()
    assert not chart["in_control"].values[12:].any()
    # Alone, each chart is sound: the fault shows over all holes only.
    for name in ("A", "B"):
        assert reduced[f"{name}/properties/control_gamma"].attrs["status"] == "in_control"
    table = reduced["site/calibrations"].to_dataset()
    gamma = table.isel(row=table["constant"].values == "c0")
    assert gamma["holes"].values.tolist() == ["A", "B"]
    assert gamma["time"].values.tolist() == sorted(gamma["time"].values.tolist())
    fit = json.loads(reduced["A/properties/gamma_calibration"].attrs["fitted_constants"])
    assert float(gamma["value"][0]) == fit["rows"][0][2]
    assert float(gamma["value_u_random"][0]) == fit["rows"][0][3]


def test_a_hole_that_cannot_be_reduced_is_recorded(folder: Path, tmp_path: Path) -> None:
    where = tmp_path / "site"
    shutil.copytree(folder, where)
    text = (where / "B/hole.toml").read_text()
    write(where / "B/hole.toml", text.replace("[gamma]", "[gamma]\ndeadtime_x = 1"))
    reduced = cp.reduce(cp.read_site(where))
    summary = json.loads(reduced.attrs["summary"])
    assert list(summary["failed"]) == ["B"]
    assert "no key 'deadtime_x'" in summary["failed"]["B"]
    assert "properties" in reduced["A"].children
    assert set(reduced["B"].children) == {"cores", "sections", "scan", "standards"}
    rows = reduced["site/summary"].to_dataset()
    assert rows["status"].values.tolist() == ["reduced", "not reduced"]
    assert "hole B was not reduced" in str(cp.overview(reduced))
    write(where / "A/hole.toml", (where / "A/hole.toml").read_text() + "\n[gama]\nx = 1\n")
    with pytest.raises(cp.HoleError, match="the site cannot be reduced: 2 problems"):
        cp.reduce(cp.read_site(where))


def test_the_recipe_of_the_site_holds_for_all_holes(folder: Path, tmp_path: Path) -> None:
    where = tmp_path / "site"
    shutil.copytree(folder, where)
    write(where / "recipe.toml", '[gamma]\ndead_time = "4 us"\n\n[quality]\nevaluate = false\n')
    site = cp.read_site(where)
    reduced = cp.reduce(site, {"quality": {"evaluate": True}})
    for name in ("A", "B"):
        recipe = json.loads(reduced[name].attrs["recipe"])
        assert recipe["gamma"]["dead_time"] == "4 us"
        assert recipe["quality"]["evaluate"] is True
    notes = json.loads(reduced.attrs["summary"])["notes"]
    assert any("dead_time to '4 us' in place of '0 s' of hole B" in note for note in notes)
    assert json.loads(reduced.attrs["recipe"])["gamma"]["dead_time"] == "4 us"
    with pytest.raises(cp.RecipeError, match="no stage"):
        cp.reduce(site, {"gamme": {}})
    complete = cp.Recipe.from_json(reduced["A"].attrs["recipe"])
    again = cp.reduce(site, complete)
    assert again["A/properties/density"].identical(reduced["A/properties/density"])


def test_settings_of_the_site_have_it_as_their_origin(reduced: xr.DataTree) -> None:
    words = cp.explain(reduced["A/properties/density"])
    assert "dead time: 0 s (site)" in words
    assert "grain density: 2.7" in words


def test_without_ties_there_is_no_composite_depth_and_a_note(folder: Path, tmp_path: Path) -> None:
    where = tmp_path / "site"
    shutil.copytree(folder, where)
    text = (where / "ties.csv").read_text().replace("uncertainty [m]", "uncertainty [m],state")
    write(where / "ties.csv", text.replace("0.02", "0.02,suggested"))
    reduced = cp.reduce(cp.read_site(where), {"quality": {"evaluate": False}})
    assert "depth_composite" not in reduced["A/properties/density"].coords
    notes = json.loads(reduced.attrs["summary"])["notes"]
    assert any("no tie is in use" in note for note in notes)
    assert any("no reading has an age" in note for note in notes)


def test_the_summary_is_that_of_the_holes(reduced: xr.DataTree) -> None:
    rows = reduced["site/summary"].to_dataset()
    assert rows["hole"].values.tolist() == ["A", "B"]
    for row, name in enumerate(("A", "B")):
        density = reduced[f"{name}/properties/density"].to_dataset()
        use = np.isin(density["bulk_density_flag"].values, (1, 2))
        one = rows.isel(row=row)
        assert int(one["bulk_density_readings"]) == density.sizes["reading"] == 120
        assert int(one["bulk_density_usable"]) == int(use.sum())
        median = np.median(density["bulk_density"].values[use])
        assert float(one["bulk_density_median"]) == median
        assert float(one["recovery"]) == pytest.approx(100.0)
        assert float(one["water_depth"]) == 1000.0
        fit = reduced[f"{name}/products/compaction"].to_dataset()
        assert float(one["surface_porosity"]) == float(fit["surface_porosity"])
        assert int(one["surface_porosity_flag"]) == int(fit["surface_porosity_flag"])


def test_a_reduced_site_goes_through_a_file(reduced: xr.DataTree, tmp_path: Path) -> None:
    cp.save(reduced, tmp_path / "site.nc")
    again = cp.load(tmp_path / "site.nc")
    assert set(again.groups) == set(reduced.groups)
    for node in reduced.subtree:
        one, other = (t[node.path].to_dataset(inherit=False) for t in (reduced, again))
        xr.testing.assert_equal(one, other)
    assert cp.figures.holes(again).table().equals(cp.figures.holes(reduced).table())


def test_progress_counts_all_holes(folder: Path) -> None:
    seen: list[tuple[str, int, int]] = []
    cp.reduce(cp.read_site(folder), progress=lambda *step: seen.append(step))
    assert seen[0][0].startswith("A: ")
    assert seen[-1][0] == "B: done"
    assert seen[-1][1] == seen[-1][2]
    assert [step[1] for step in seen] == sorted(step[1] for step in seen)


def test_a_slip_in_the_settings_of_the_site_is_named_once(folder: Path, tmp_path: Path) -> None:
    where = tmp_path / "site"
    shutil.copytree(folder, where)
    text = (where / "site.toml").read_text()
    write(where / "site.toml", f'{text}\n[reduction]\nsupplied = "insted"\n')
    with pytest.raises(cp.HoleError, match=r"(?s)1 problem .*A, B: .*insted.* in site.toml"):
        cp.reduce(cp.read_site(where))


def test_what_needs_one_hole_of_a_site_says_so(reduced: xr.DataTree) -> None:
    cure = r"the tree is a site; give one of its holes: cp.composite.hole_of\(site, 'A'\)"
    with pytest.raises(KeyError, match=cure):
        cp.quality.findings(reduced)
    with pytest.raises(ValueError, match=cure):
        cp.quality.audit(reduced)
    with pytest.raises(ValueError, match=cure):
        cp.export.property_table(reduced)
    with pytest.raises(cp.figures.NothingToDraw, match=f"needs /description; {cure}"):
        cp.figures.description(reduced)
    cp.quality.findings(cp.composite.hole_of(reduced, "A"))
