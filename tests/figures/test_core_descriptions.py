"""The description and the pictures of the cores are drawn at their depths and the right way up."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from matplotlib.image import AxesImage
from PIL import Image, ImageOps

import corephys as cp
from corephys import figures
from corephys.figures import NothingToDraw
from corephys.figures.intervals import looks
from corephys.figures.pictures import PictureError, PictureFiles
from corephys.hole.placing.described import stretches
from data_demo.simulator.hole import simulate_hole
from tests.figure_looks import told_by_colour_alone, words_off_the_page, words_that_collide

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("described") / "hole"
    simulate_hole(home, 47, small=True)
    return home


@pytest.fixture(scope="module")
def tree(folder: Path) -> xr.DataTree:
    return cp.reduce(cp.read_hole(folder), LEAN)


def clean(plate: figures.Plate) -> bool:
    found = (words_off_the_page(plate), words_that_collide(plate), told_by_colour_alone(plate))
    return found == ([], [], [])


@pytest.mark.parametrize("depth_scale", ["depth", "depth_fitted"])
def test_boxes_are_the_intervals_of_the_table(tree: xr.DataTree, depth_scale: str) -> None:
    plate = figures.description(tree, depth_scale=depth_scale)
    table = plate.table()
    data = tree["description"].to_dataset()
    for column, panel in (("lithology", "description"), ("disturbance", "disturbance")):
        rows = table[table["panel"] == panel]
        found = sorted(
            zip(rows["series"], rows["y_lower"], rows["y_upper"], strict=True), key=lambda r: r[1]
        )
        wanted = []
        for one in stretches(data, column):
            ends = one.fitted if depth_scale == "depth_fitted" else one.ends
            name = one.word if column == "lithology" else f"disturbance: {one.word}"
            wanted.append((name.replace("_", "-") if column == "disturbance" else name, *ends))
        assert found == sorted(wanted, key=lambda r: r[1])
    bottom, top = plate.axes[0].get_ylim()
    assert bottom > top and clean(plate)
    assert (
        f"Depth scale: {'depth below seafloor, fitted' if 'fitted' in depth_scale else ''}"[:40]
        in plate.caption
    )


def test_pictures_lie_between_their_depths(tree: xr.DataTree) -> None:
    plate = figures.core_description(tree)
    images = tree["images"].to_dataset()
    core = plate.texts[0].get_text() if plate.texts else ""
    assert "core" in core or "core 1" in plate._suptitle.get_text()  # type: ignore[attr-defined]
    here = images.isel(row=images["core"].values == "1")
    drawn = [r for r in plate.drawn if r.kind == "picture"]
    assert len(drawn) == here.sizes["row"] > 2
    ends = sorted(
        (float(r.table["y_lower"].iloc[0]), float(r.table["y_upper"].iloc[0])) for r in drawn
    )
    assert ends == sorted(
        zip(here["top"].values.tolist(), here["bottom"].values.tolist(), strict=True)
    )
    for record in drawn:
        assert isinstance(record.artist, AxesImage)
        left, right, bottom, top = record.artist.get_extent()
        assert (left, right) == (0.0, 1.0) and bottom > top
    assert clean(plate) and "photograph" in plate.caption


def test_a_part_of_the_hole_and_one_core(tree: xr.DataTree) -> None:
    plate = figures.description(tree, top="2 m", bottom="300 cm", pictures=False)
    bottom, top = plate.axes[0].get_ylim()
    assert top == pytest.approx(2.0, abs=0.01) and bottom == pytest.approx(3.0, abs=0.01)
    points = [r.table for r in plate.drawn if r.kind == "points"]
    assert points and all(t["y"].between(2.0, 3.0).all() for t in points)
    assert not [r for r in plate.drawn if r.kind == "picture"] and "Pictures" not in plate.caption
    one = figures.core_description(tree, core="6", quantities=("bulk_density",))
    names = one.table().loc[lambda t: t["panel"].str.startswith("bulk"), "y"]
    core = tree["cores"].to_dataset().isel(row=5)
    assert names.between(float(core["top"]), float(core["top"] + core["advance"])).all()


def test_greys_and_hatches_stay_those_of_the_hole(tree: xr.DataTree) -> None:
    data = tree["description"].to_dataset()
    found = looks(data)
    assert len(set(found.values())) == len(found)  # fewer than there are looks
    lengths = [
        sum(s.ends[1] - s.ends[0] for s in stretches(data, "lithology") if s.word == w)
        for w in found
    ]
    assert lengths == sorted(lengths, reverse=True)
    for plate in (figures.description(tree), figures.core_description(tree, core="6")):
        for record in plate.drawn:
            if record.table["panel"].iloc[0] != "description":
                continue
            grey, hatch = found[record.table["series"].iloc[0]]
            patch = record.artist.patches[0]  # type: ignore[union-attr]
            assert patch.get_facecolor()[0] == pytest.approx(float(grey))
            assert (patch.get_hatch() or "") == hatch


def test_what_cannot_be_drawn_is_refused_in_words(tree: xr.DataTree) -> None:
    bare = xr.DataTree.from_dict({"/cores": tree["cores"].to_dataset()})
    for draw in (figures.description, figures.core_description):
        with pytest.raises(NothingToDraw, match="description"):
            draw(bare)
    with pytest.raises(NothingToDraw, match="between 5000 and 5001 m"):
        figures.description(tree, top="5000 m", bottom="5001 m")
    with pytest.raises(ValueError, match="top must be smaller"):
        figures.description(tree, top="5 m", bottom="4 m")
    with pytest.raises(ValueError, match="tracks exist for"):
        figures.description(tree, quantities=("colour",))
    with pytest.raises(ValueError, match="core"):
        figures.core_description(tree, core="99")


def test_a_hole_from_a_file_needs_the_folder_of_its_pictures(
    tree: xr.DataTree, folder: Path, tmp_path: Path
) -> None:
    cp.save(tree, tmp_path / "hole.nc")
    back = cp.load(tmp_path / "hole.nc")
    plate = figures.core_description(back)
    assert not [r for r in plate.drawn if r.kind == "picture"]
    assert "is not known; give the hole folder as pictures=" in plate.caption
    frames = [r for r in plate.drawn if "not drawn" in str(r.table["series"].iloc[0])]
    assert len(frames) > 2
    drawn = figures.core_description(back, pictures=folder)
    one, other = (
        [np.asarray(r.artist.get_array()) for r in p.drawn if r.kind == "picture"]  # type: ignore[union-attr]
        for p in (drawn, figures.core_description(tree))
    )
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_the_summary_shows_the_lithology_on_request(tree: xr.DataTree) -> None:
    with_strip, without = (figures.summary(tree, description=d) for d in (True, False))
    assert "description" in set(with_strip.table()["panel"])
    assert "description" not in set(without.table()["panel"])
    assert clean(with_strip) and clean(without)
    legend = with_strip.legends[0]
    words = {text.get_text() for text in legend.get_texts()}
    assert words == {one.word for one in stretches(tree["description"].to_dataset(), "lithology")}
    assert not without.legends


def test_long_words_and_many_lithologies_fit_the_page(tree: xr.DataTree) -> None:
    nodes = {leaf.path: leaf.to_dataset(inherit=False) for leaf in tree.leaves}
    table = nodes["/description"].copy(deep=True)
    size = table.sizes["row"]
    words = [
        f"{'very ' * (i % 9)}dark greenish grey silty clay, $bioturbated$_{i % 13}"
        for i in range(size)
    ]
    table["lithology"] = ("row", np.array(words, dtype=object))
    nodes["/description"] = table
    odd = xr.DataTree.from_dict(nodes)
    for plate in (
        figures.description(odd), figures.core_description(odd),
        figures.summary(odd, size=(85.0, 200.0), quantities=("bulk_density", "porosity")),
        figures.velocity_density(odd, by="lithology"),
        figures.velocity_porosity(odd, by="lithology"),
        figures.density_comparison(odd, by="lithology"),
    ):  # fmt: skip
        assert clean(plate)
    legend = figures.description(odd).legends[0]
    assert "other" in {text.get_text() for text in legend.get_texts()}


@pytest.mark.parametrize(
    "name", ["velocity_density", "velocity_porosity", "formation_factor", "density_comparison"]
)
def test_groups_are_the_described_lithologies(tree: xr.DataTree, name: str) -> None:
    draw = getattr(figures, name)
    plate = draw(tree, by="lithology")
    assert "lithology of description.csv" in plate.caption and clean(plate)

    def dots(one: figures.Plate) -> np.ndarray:
        table = one.table()
        mine = table[table["flag"] != ""]
        mine = mine[~mine["series"].str.startswith(("samples,", "below", "above"))]
        return np.sort(mine["x"].to_numpy())

    # Every reading is in one group, whatever the grouping.
    for by in ("none", "layer", "coring_method"):
        np.testing.assert_array_equal(dots(plate), dots(draw(tree, by=by)))
    with pytest.raises(ValueError, match="coring_method"):
        draw(tree, by="colour")


def test_groups_hold_their_own_readings(tree: xr.DataTree) -> None:
    velocity = tree["properties/velocity"].to_dataset()
    words = cp.depth.lithology(velocity, description=tree["description"]).values
    table = figures.velocity_density(tree, by="lithology").table()
    for word in set(words) - {""}:
        mine = table[table["series"].isin([f"scan, {word}", f"scan, {word}, flagged"])]
        held = velocity["p_wave_velocity"].values[words == word]
        assert len(mine) and np.isin(mine["y"].to_numpy(), held).all()


def test_without_a_lithology_there_are_no_groups(tree: xr.DataTree) -> None:
    nodes = {
        leaf.path: leaf.to_dataset(inherit=False)
        for leaf in tree.leaves
        if leaf.path not in ("/description", "/layers")
    }
    with pytest.raises(NothingToDraw, match=r"description\.csv or layers\.csv"):
        figures.velocity_density(xr.DataTree.from_dict(nodes), by="lithology")
    nodes["/layers"] = tree["layers"].to_dataset()
    plate = figures.velocity_density(xr.DataTree.from_dict(nodes), by="lithology")
    assert "lithology of layers.csv" in plate.caption


# --------------------------------------------------------------------------------------------------
# Pictures as arrays.


def files(folder: Path, file: str, **attributes: str) -> PictureFiles:
    leaf = xr.Dataset({"file": ("row", np.array([file], dtype=object))})
    leaf.encoding["source"] = str(folder)
    tree = xr.DataTree.from_dict({"/images": leaf})
    tree.attrs.update(attributes)
    return PictureFiles(tree)


def test_the_side_of_the_top_comes_to_the_top(tmp_path: Path) -> None:
    """A picture of three rows and two columns, laid on each of its sides."""
    upright = np.array([[10, 20], [30, 40], [50, 60]], dtype=np.uint8)
    # The picture as it lies on disk when the top of the core is at that side.
    lying = {
        "top": upright, "": upright, "bottom": upright[::-1, ::-1],
        # Turned by hand: with the top to the left, the first column is the top row.
        "left": np.array([[20, 40, 60], [10, 30, 50]], dtype=np.uint8),
        "right": np.array([[50, 30, 10], [60, 40, 20]], dtype=np.uint8),
    }  # fmt: skip
    for side, pixels in lying.items():
        Image.fromarray(pixels).save(tmp_path / "a.png")
        found = files(tmp_path, "a.png").read("a.png", side, 100, 100)
        np.testing.assert_array_equal(found, upright, err_msg=side)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_tag_of_a_camera_held_sideways_is_obeyed(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    pixels = np.arange(12, dtype=np.uint8).reshape(4, 3) * 20
    Image.fromarray(pixels).save(tmp_path / "a.png", exif=exif)
    with Image.open(tmp_path / "a.png") as opened:
        wanted = np.asarray(ImageOps.exif_transpose(opened))
    found = files(tmp_path, "a.png").read("a.png", "", 100, 100)
    np.testing.assert_array_equal(found, wanted)


@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB", "RGBA", "LA", "I;16"])
def test_every_kind_of_pixel_is_drawn(tmp_path: Path, mode: str) -> None:
    ramp = np.repeat(np.linspace(0, 255, 40).astype(np.uint8)[:, None], 8, axis=1)
    if mode == "I;16":
        picture = Image.fromarray(ramp.astype(np.uint16) * 200)
    else:
        picture = Image.fromarray(ramp).convert("RGB").convert(mode)
    picture.save(tmp_path / "a.png")
    found = files(tmp_path, "a.png").read("a.png", "", 10, 4)
    assert found.dtype == np.uint8 and found.shape[:2] == (10, 4)
    down = found.reshape(10, 4, -1).mean(axis=(1, 2))
    assert (np.diff(down) >= 0.0).all() and down[-1] - down[0] > 150.0


def test_a_large_picture_is_averaged_by_blocks(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 255, (900, 120, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(tmp_path / "a.png")
    found = files(tmp_path, "a.png").read("a.png", "", 90, 12)
    means = pixels.astype(float).reshape(90, 10, 12, 10, 3).mean(axis=(1, 3))
    assert found.shape == (90, 12, 3)
    assert np.abs(found - means).max() <= 0.51  # rounded to a whole number
    Image.fromarray(pixels).save(tmp_path / "b.jpg", quality=95)
    found = files(tmp_path, "b.jpg").read("b.jpg", "", 90, 12)
    assert 90 <= found.shape[0] <= 180 and 12 <= found.shape[1] <= 24


@pytest.mark.slow
def test_a_line_scan_of_20000_pixels_stays_small_in_memory(tmp_path: Path) -> None:
    """In a process of its own: at most four bytes a pixel above what the import takes."""
    pixels = np.zeros((20000, 2000, 3), dtype=np.uint8)
    pixels[::7] = 90
    Image.fromarray(pixels).save(tmp_path / "a.png", compress_level=1)
    code = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from PIL import Image\n"
        "from corephys.figures.pictures import _upright\n"
        "Image.init()\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "found = _upright(Path(sys.argv[1]), 60, 800)\n"
        "after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "print(found.shape[0], (after - before) / 1024)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "a.png")], capture_output=True, text=True,
        check=True, env={"PYTHONPATH": str(Path(cp.__file__).parents[1])},
    )  # fmt: skip
    rows, mebibytes = run.stdout.split()
    assert int(rows) == 800
    assert float(mebibytes) < 4 * 20000 * 2000 / 2**20 + 60.0
    assert resource.getpagesize()


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"\x89PNG\r\n\x1a\n broken", "cannot be read as PNG or JPEG"), (b"GIF89a", "cannot be read")],
)
def test_a_broken_picture_is_named(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "a.png").write_bytes(content)
    with pytest.raises(PictureError, match=words):
        files(tmp_path, "a.png").read("a.png", "", 10, 10)


def test_a_picture_cut_short_is_named(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    Image.fromarray(rng.integers(0, 255, (400, 300), dtype=np.uint8)).save(tmp_path / "a.png")
    whole = (tmp_path / "a.png").read_bytes()
    (tmp_path / "a.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(PictureError, match=r"a\.png cannot be read"):
        files(tmp_path, "a.png").read("a.png", "", 10, 10)


def test_a_picture_beyond_the_limit_is_not_decoded(tmp_path: Path) -> None:
    """The head of a PNG alone: nothing of it may be read further."""
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    for wide, high in ((20000, 8000), (90000, 90000)):  # below and above the library's own limit
        head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
        content = (
            b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")
        )
        (tmp_path / "a.png").write_bytes(content)
        with pytest.raises(PictureError, match="save a smaller copy"):
            files(tmp_path, "a.png").read("a.png", "", 10, 10)


def test_a_picture_that_changed_or_moved_is_not_drawn(tmp_path: Path) -> None:
    Image.new("L", (4, 4), 9).save(tmp_path / "a.png")
    digests = {"input_sha256": json.dumps({"a.png": "0" * 64})}
    with pytest.raises(PictureError, match="has changed; read the hole again"):
        files(tmp_path, "a.png", **digests).read("a.png", "", 10, 10)
    with pytest.raises(PictureError, match=r"no file 'b\.png'"):
        files(tmp_path, "b.png").read("b.png", "", 10, 10)
    (tmp_path / "home").mkdir()
    with pytest.raises(PictureError, match="out of the hole folder"):
        files(tmp_path / "home", "../a.png").read("../a.png", "", 10, 10)
