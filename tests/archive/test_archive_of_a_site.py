"""An archive refuses a site, whose settings, standards and list of holes it does not read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import corephys as cp
from corephys import archive
from corephys.export import zarr as stores
from tests.archive_holes import small_hole, write

HOLE = '[hole]\nname = "x"\nwater_depth = "2000 m"\nbottom_water_temperature = "2 degC"\n'
SITE = (
    '[site]\nname = "s"\nholes = ["A"]\n[porosity]\ngrain_density = "constant"\n'
    '[gamma]\ngrain_density = "2.9 g/cm^3"\n'
)
DENSITIES = "depth [m],bulk_density [g/cm^3]\n" + "".join(f"{z},1.{z + 50}\n" for z in range(1, 20))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Hole A takes its grain density from the site; hole B is not listed."""
    folder = tmp_path / "site"
    write(folder / "site.toml", SITE)
    write(folder / "A/hole.toml", HOLE)
    write(folder / "A/scan/reduced.csv", DENSITIES)
    write(folder / "B/hole.toml", HOLE)
    return folder


def test_a_site_and_holes_in_its_folder_are_refused(site: Path, tmp_path: Path) -> None:
    for source in (site, str(site), site / "A", [site / "A"], {"one": site / "B"}):
        with pytest.raises(ValueError, match=r"site is the folder of a site \(it holds site.toml"):
            archive.reduce(source, tmp_path / "out", progress=False)
        with pytest.raises(ValueError, match=r"Reduce it with cp.reduce\(cp.read_site\(folder\)\)"):
            archive.collect(source, tmp_path / "readings", progress=False)
    assert not (tmp_path / "out").exists()


def test_a_link_to_a_hole_of_a_site_is_refused(site: Path, tmp_path: Path) -> None:
    (tmp_path / "links").mkdir()
    (tmp_path / "links/A").symlink_to(site / "A", target_is_directory=True)
    with pytest.raises(ValueError, match="folder of a site"):
        archive.reduce(tmp_path / "links", tmp_path / "out", progress=False)


def test_shared_standards_without_settings_are_those_of_a_site(site: Path, tmp_path: Path) -> None:
    (site / "site.toml").unlink()
    write(site / "standards/gamma.csv", "counts\n1\n")
    with pytest.raises(ValueError, match=r"folder of a site \(it holds standards\)"):
        archive.reduce(site, tmp_path / "out", progress=False)


def test_a_site_in_an_object_store_is_refused() -> None:
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.pipe({"/refused/site.toml": b"[site]\n", "/refused/A/hole.toml": HOLE.encode()})
    try:
        for source in ("memory://refused", "memory://refused/A", ["memory://refused/A"]):
            with pytest.raises(ValueError, match="memory://refused is the folder of a site"):
                archive.reduce(source, "memory://refused_out", progress=False)
    finally:
        memory.rm("/refused", recursive=True)


def test_a_stored_hole_of_a_site_has_the_numbers_of_the_site(site: Path, tmp_path: Path) -> None:
    raw = cp.read_site(site)
    stores.save(cp.composite.hole_of(raw, "A"), tmp_path / "stores/A")
    table = archive.reduce(tmp_path / "stores", tmp_path / "out", progress=False)
    assert list(table["status"]) == ["complete"]
    here = archive.open(tmp_path / "out")["A"]["products/porosity"].to_dataset()
    there = cp.reduce(raw)["A/products/porosity"].to_dataset()
    np.testing.assert_array_equal(here["porosity"].values, there["porosity"].values)
    # (2.9 - 1.51) / (2.9 - 1.024), the grain density of the site
    assert float(here["porosity"][0]) == pytest.approx(0.741, abs=2e-3)


def test_holes_of_which_none_can_be_collected_keep_their_reasons(tmp_path: Path) -> None:
    for name in ("A", "B"):
        small_hole(tmp_path / "holes" / name, 1, readings=10)
        (tmp_path / "holes" / name / "standards/gamma.csv").unlink()
    with pytest.raises(ValueError, match=r"none of the 2 holes .*A: .*gamma: .*B: .*gamma: "):
        archive.collect(tmp_path / "holes", tmp_path / "readings", progress=False)
