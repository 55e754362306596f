"""Descriptions and pictures are placed like readings, and what is doubtful is flagged."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from PIL import Image

import corephys as cp
from corephys.ground import flags
from corephys.ground.series import PositionError
from corephys.hole import HoleError
from corephys.hole.placing.described import described_length, stretches
from data_demo.simulator.hole import simulate_hole, simulate_tables

TOML = '[hole]\nname = "Made-up hole"\nwater_depth = "2430 m"\n'
HOLE = {
    "cores.csv": "core,coring_method,top [m],advance [m],recovered [m]\n"
    "01,piston,10.0,3.0,3.0\n02,piston,13.0,1.0,1.5\n",
    "sections.csv": "core,section,length [m],core_diameter [mm]\n"
    "01,1,1.5,66\n01,2,1.5,66\n02,1,1.5,66\n",
    "removed.csv": "core,section,from [cm],to [cm],kind\n01,1,50,70,closed_void\n",
    "scan/gamma.csv": "core,section,offset [cm],counts,live_time [s]\n"
    + "".join(f"01,1,{offset},5000,4\n" for offset in range(0, 151, 10))
    + "01,2,0,5000,4\n02,1,0,5000,4\n02,1,140,5000,4\n",
}
HEAD = "core,section,from [cm],to [cm],lithology,disturbance\n"


def write(folder: Path, files: dict[str, str]) -> Path:
    (folder / "hole.toml").write_text(TOML, encoding="utf-8")
    for name, text in {**HOLE, **files}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def read(folder: Path, rows: str, head: str = HEAD) -> xr.DataTree:
    return cp.read_hole(write(folder, {"description.csv": head + rows}))


def problems(folder: Path, files: dict[str, str]) -> list[str]:
    with pytest.raises(HoleError) as caught:
        cp.read_hole(write(folder, files))
    return [str(problem) for problem in caught.value.problems]


def reasons(dataset: xr.Dataset) -> list[list[str]]:
    return [flags.names(mask) for mask in dataset["reason"].values]


def lithologies(hole: xr.DataTree) -> list[str]:
    gamma = hole["scan/gamma"]
    return cp.depth.lithology(gamma, description=hole["description"]).values.tolist()


def test_intervals_lie_where_readings_at_their_ends_lie(tmp_path: Path) -> None:
    table = read(tmp_path, "01,1,0,40,mud,\n01,1,40,150,ooze,\n02,1,0,150,mud,\n")["description"]
    place = cp.depth.place
    tables = {
        name: pd.read_csv(tmp_path / f"{name}.csv", dtype={"core": str, "section": str})
        for name in ("sections", "cores", "removed")
    }
    for ends, offset in (("top", [0.0, 40.0, 0.0]), ("bottom", [40.0, 150.0, 150.0])):
        at = place(
            table["core"].values, table["section"].values, cp.quantity(offset, "cm"), **tables
        )
        np.testing.assert_allclose(table[ends], at["depth"], rtol=0, atol=1e-12)
        np.testing.assert_allclose(table[f"{ends}_fitted"], at["depth_fitted"], rtol=0, atol=1e-12)
    # The void of 20 cm closes, and core 02 is squeezed from 1.5 m into its advance of 1 m.
    fitted = (table["bottom_fitted"] - table["top_fitted"]).values
    np.testing.assert_allclose(fitted, [0.4, 0.9, 1.0], rtol=0, atol=1e-12)
    assert (table["flag"] == flags.GOOD).all()


def test_a_reading_takes_the_words_of_its_own_section(tmp_path: Path) -> None:
    hole = read(tmp_path, "01,1,0,40,mud,\n01,1,40,150,ooze,\n02,1,0,140,sand,\n")
    # Core 02 overlaps no reading of core 01, though its depths do; an interval includes its top.
    assert lithologies(hole) == ["mud"] * 4 + ["ooze"] * 12 + [""] + ["sand"] * 2
    assert described_length(hole["description"].to_dataset()) == pytest.approx(2.9)


def test_depths_stand_in_for_core_and_section(tmp_path: Path) -> None:
    rows = "10.0,10.4,mud\n10.4,11.5,ooze\n"
    hole = read(tmp_path, rows, "top [m],bottom [m],lithology\n")
    # The bottom at 11.5 m counts, since no interval begins there: the next section has it too.
    assert lithologies(hole)[:17] == ["mud"] * 4 + ["ooze"] * 13
    both = read(tmp_path, "01,1,0,40,,,mud\n,,,,13.0,14.5,sand\n", "core,section,from [cm],"
                "to [cm],top [m],bottom [m],lithology\n")  # fmt: skip
    np.testing.assert_allclose(both["description"]["top"], [10.0, 13.0])
    assert lithologies(both)[-2:] == ["sand", "sand"]


def test_doubtful_rows_are_kept_and_flagged(tmp_path: Path) -> None:
    rows = (
        "01,1,0,100,mud,\n01,1,80,150,ooze,\n01,2,0,152,mud,\n02,1,0,x,mud,\n01,1,52,60,,severe\n"
    )
    hole = read(tmp_path, rows)
    table = hole["description"].to_dataset()
    assert reasons(table) == [
        ["same_position_twice"], ["same_position_twice"], ["past_section_end"], ["bad_cell"],
        ["void"],
    ]  # fmt: skip
    assert table["bottom"].values[2] == pytest.approx(13.0)  # ends with the section
    assert lithologies(hole)[8:10] == ["ooze", "ooze"]  # the later row counts
    said = cp.overview(hole)
    assert "same position twice 2" in str(said) and "1 cell that could not be read" in str(said)
    # Rows that repeat a word, or add another column, do not contradict.
    fine = read(tmp_path, "01,1,0,150,mud,\n01,1,20,40,mud,\n01,1,30,60,,slight\n")
    assert reasons(fine["description"].to_dataset()) == [[], [], []]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("01,1,0,10,mud,awful\n", "'awful' is not one of none, slight, moderate, severe, flow_in"),
        ("01,1,20,10,mud,\n", "the interval runs from 20 to 10 cm, upward"),
        ("01,9,0,10,mud,\n", "core '01' has no section '9'"),
        ("01,,0,10,mud,\n", "the cell is empty"),
    ],
)
def test_a_row_that_contradicts_the_hole_is_refused(tmp_path: Path, rows: str, words: str) -> None:
    (problem,) = problems(tmp_path, {"description.csv": HEAD + rows})
    assert words in problem and problem.startswith("description.csv:2")


def test_a_missing_column_names_both_ways_to_give_a_place(tmp_path: Path) -> None:
    found = problems(
        tmp_path, {"description.csv": "core,section,from [cm],lithology\n01,1,0,mud\n"}
    )
    assert len(found) == 1 and "'top [m]' and 'bottom [m]' in place of core" in found[0]


def test_spellings_of_flow_in_are_one_word(tmp_path: Path) -> None:
    table = read(tmp_path, "01,1,0,10,,Flow-in\n01,1,10,20,,flow_in\n01,1,20,30,,flow in\n")
    assert set(table["description"]["disturbance"].values) == {"flow_in"}


def test_the_worst_disturbance_counts_and_ends_are_included(tmp_path: Path) -> None:
    hole = read(tmp_path, "01,1,0,150,,slight\n01,1,40,60,,flow-in\n01,1,50,70,,none\n")
    gamma = hole["scan/gamma"]
    for least, offsets in (("slight", range(0, 151, 10)), ("severe", (40, 50, 60))):
        found = cp.depth.disturbed(gamma, description=hole["description"], least=least).values
        assert gamma["offset"].values[found].tolist() == list(offsets)
        assert not found[16:].any()
    worst = stretches(hole["description"].to_dataset(), "disturbance")
    assert [(one.word, *one.ends) for one in worst] == [
        ("slight", 10.0, 10.4), ("flow_in", 10.4, 10.6), ("slight", 10.6, 11.5),
    ]  # fmt: skip
    with pytest.raises(ValueError, match="slight, moderate, severe, flow_in"):
        cp.depth.disturbed(gamma, description=hole["description"], least="none")


def test_layers_give_the_lithology_only_without_a_description(tmp_path: Path) -> None:
    layers = "name,top [m],bottom [m],lithology\nA,10.0,10.5,clay\n"
    hole = cp.read_hole(write(tmp_path, {"layers.csv": layers}))
    found = cp.depth.lithology(hole["scan/gamma"], layers=hole["layers"])
    assert found.attrs["source"] == "layers.csv"
    assert found.values[:6].tolist() == ["clay"] * 5 + [""]
    hole = cp.read_hole(
        write(tmp_path, {"layers.csv": layers, "description.csv": HEAD + "01,1,0,20,mud,\n"})
    )
    found = cp.depth.lithology(
        hole["scan/gamma"], description=hole["description"], layers=hole["layers"]
    )
    assert found.attrs["source"] == "description.csv"
    assert found.values[:4].tolist() == ["mud", "mud", "mud", ""]
    assert cp.depth.lithology(hole["scan/gamma"]).attrs["source"] == "none"
    with pytest.raises(PositionError, match="no coordinate 'depth'"):
        cp.depth.lithology(xr.Dataset({"x": ("reading", [1.0])}), layers=hole["layers"])


# --------------------------------------------------------------------------------------------------
# Pictures.


IMAGES = "file,core,section,from [cm],to [cm],kind,top_at\n"


def picture(path: Path, size: tuple[int, int] = (4, 20)) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", size, (120, 90, 60)).save(path)


def test_pictures_have_depths_and_digests(tmp_path: Path) -> None:
    picture(tmp_path / "pictures" / "a.png")
    picture(tmp_path / "pictures" / "b.jpg")
    rows = "pictures/a.png,01,1,0,150,photograph,\npictures/b.jpg,01,2,0,150,Scan,LEFT\n"
    hole = cp.read_hole(write(tmp_path, {"images.csv": IMAGES + rows}))
    table = hole["images"].to_dataset()
    assert table["kind"].values.tolist() == ["photograph", "scan"]
    assert table["top_at"].values.tolist() == ["", "left"]
    np.testing.assert_allclose(table["bottom_fitted"] - table["top_fitted"], [1.3, 1.5])
    digests = json.loads(hole.attrs["input_sha256"])
    for file in ("pictures/a.png", "pictures/b.jpg"):
        assert digests[file] == hashlib.sha256((tmp_path / file).read_bytes()).hexdigest()
    assert "1 photograph, 1 scan" in str(cp.overview(hole))


def test_a_missing_or_broken_picture_is_reported_and_not_fatal(tmp_path: Path) -> None:
    picture(tmp_path / "a.png")
    (tmp_path / "b.png").write_text("no picture", encoding="utf-8")
    (tmp_path / "folder.png").mkdir()
    rows = "".join(
        f"{file},01,1,0,150,radiograph,\n" for file in ("a.png", "b.png", "c.png", "folder.png")
    )
    hole = cp.read_hole(write(tmp_path, {"images.csv": IMAGES + rows}))
    table = hole["images"].to_dataset()
    assert reasons(table) == [[], ["bad_cell"], ["missing_value"], ["missing_value"]]
    assert set(json.loads(table.attrs["pictures_not_read"])) == {"b.png", "c.png", "folder.png"}
    assert set(json.loads(hole.attrs["input_sha256"])) >= {"a.png", "images.csv"}
    assert "b.png" not in json.loads(hole.attrs["input_sha256"])
    assert "images: b.png is not read: the file is neither PNG nor JPEG, and 2 more" in str(
        cp.overview(hole)
    )


@pytest.mark.parametrize(
    "file",
    ["/etc/hostname", "../a.png", "pictures/../../a.png", "C:/a.png", "C:\\a.png", "a\\b.png"],
)
def test_a_path_out_of_the_folder_is_refused(tmp_path: Path, file: str) -> None:
    home = tmp_path / "hole"
    home.mkdir()
    picture(tmp_path / "a.png")
    (problem,) = problems(home, {"images.csv": f"{IMAGES}{file},01,1,0,150,scan,\n"})
    assert "hole folder" in problem and "Put the picture into the hole folder" in problem
    frame = pd.DataFrame([{"file": file, "top [m]": 1.0, "bottom [m]": 2.0, "kind": "scan"}])
    with pytest.raises(HoleError, match="hole folder"):
        cp.hole_from_tables({"images": frame}, {"hole": {"name": "x", "water_depth": "2 m"}})


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    home = tmp_path / "hole"
    home.mkdir()
    picture(tmp_path / "outside" / "a.png")
    (home / "a.png").symlink_to(tmp_path / "outside" / "a.png")
    (home / "pictures").symlink_to(tmp_path / "outside")
    for file in ("a.png", "pictures/a.png"):
        (problem,) = problems(home, {"images.csv": f"{IMAGES}{file},01,1,0,150,scan,\n"})
        assert "is a link to a file outside the hole folder" in problem
    picture(home / "own" / "b.png")
    (home / "c.png").symlink_to(home / "own" / "b.png")  # a link within the folder is allowed
    hole = cp.read_hole(write(home, {"images.csv": f"{IMAGES}c.png,01,1,0,150,scan,\n"}))
    assert hole["images"]["flag"].values.tolist() == [flags.GOOD]


def test_the_place_of_the_folder_is_in_no_result(tmp_path: Path) -> None:
    found = []
    for name in ("here", "there"):
        home = tmp_path / name
        home.mkdir()
        picture(home / "a.png")
        rows = "a.png,01,1,0,150,photograph,\n"
        hole = cp.read_hole(write(home, {"images.csv": IMAGES + rows, "description.csv": HEAD}))
        cp.save(hole, tmp_path / f"{name}.nc")
        found.append(cp.load(tmp_path / f"{name}.nc"))
    assert found[0].identical(found[1]) and str(tmp_path) not in str(found[0].attrs)


# --------------------------------------------------------------------------------------------------
# The demo hole, files, archives.


def test_both_tables_return_from_a_file(tmp_path: Path, demo_hole: Path) -> None:
    hole = cp.read_hole(demo_hole)
    cp.save(hole, tmp_path / "hole.nc")
    back = cp.load(tmp_path / "hole.nc")
    for name in ("description", "images"):
        xr.testing.assert_identical(back[name].to_dataset(), hole[name].to_dataset())
    assert json.loads(hole["images"].attrs["pictures_not_read"]) == {}
    assert (hole["description"]["flag"] == flags.GOOD).all()


def test_nothing_else_of_a_simulated_hole_moves_with_its_description(tmp_path: Path) -> None:
    """Streams of its own: a second description changes no reading, and the seed gives the same."""
    one, _, _ = simulate_tables(5, small=True)
    two, _, _ = simulate_tables(5, small=True)
    for name, table in one.items():
        pd.testing.assert_frame_equal(table, two[name])
    simulate_hole(tmp_path / "hole", 5, small=True)
    hole = cp.read_hole(tmp_path / "hole")
    assert hole["images"].sizes["row"] == len(list((tmp_path / "hole" / "images").iterdir()))
    ids = one["samples/index_properties"]["sample_id"]
    assert ids.is_unique and ids.str.fullmatch(r"CB-[A-Z2-9]{5}").all()


def test_long_arrays_hold_the_flags_of_disturbed_core(tmp_path: Path) -> None:
    folder = tmp_path / "holes" / "one"
    simulate_hole(folder, 47, small=True)
    table = pd.read_csv(folder / "description.csv", dtype=str, keep_default_na=False)
    table.assign(disturbance="severe").to_csv(folder / "description.csv", index=False)
    settings = (folder / "hole.toml").read_text(encoding="utf-8")
    (folder / "hole.toml").write_text(f'{settings}\n[quality]\ndisturbance = "moderate"\n')
    readings, scans = str(tmp_path / "readings"), str(tmp_path / "scans")
    cp.archive.collect(str(folder.parent), readings)
    cp.archive.reduce(readings, scans, workers=1, scheduler="threads")
    density = cp.archive.open(scans)["one"]["properties/density"]
    reason = density["bulk_density_reason"].values
    hole = cp.read_hole(folder)
    described = cp.depth.lithology(hole["scan/gamma"], description=hole["description"]).values != ""
    assert 0 < described.sum() < described.size
    np.testing.assert_array_equal((reason & flags.bit("disturbed_sample")) != 0, described)
