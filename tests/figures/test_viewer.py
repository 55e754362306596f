"""The viewer's package holds every reading, and the page around it is safe and small."""

from __future__ import annotations

import base64
import json
import re
import zlib
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.figures import NothingToDraw, viewer
from corephys.figures.viewer.packing import Packer, decimals, pack_errors, pack_values
from corephys.ground import flags
from tests.reduced_tree import reduced_tree

MEGABYTE = 1_000_000
HOSTILE = '</script><img src=x onerror="window.harmed = 1">'


def opened(packed: bytes) -> tuple[dict[str, Any], bytes]:
    """Head and arrays of a package."""
    raw = zlib.decompress(packed)
    length = int.from_bytes(raw[:4], "little")
    return json.loads(raw[4 : 4 + length]), raw[4 + length :]


def whole(body: bytes, a: dict[str, int]) -> np.ndarray:
    """Whole numbers of an array, as the page unpacks them."""
    planes = np.frombuffer(body, np.uint8, a["n"] * a["w"], a["at"]).reshape(a["w"], a["n"])
    folded = sum(planes[k].astype(np.int64) << (8 * k) for k in range(a["w"]))
    numbers = (folded >> 1) ^ -(folded & 1)
    return np.cumsum(numbers) if a["d"] else numbers


def values(body: bytes, p: dict[str, Any]) -> np.ndarray:
    """Values of a series, as the page unpacks them."""
    found = whole(body, p["whole"]) / 10.0 ** p["places"]
    found[whole(body, p["missing"])] = np.nan
    for i, text in p["far"]:
        found[i] = float(text)
    return found


def two_digits(code: int) -> str:
    """Uncertainty of a code in the way of ``format(u, ".1e")``."""
    if code < 3:
        return ("nan", "0", "inf")[code]
    digits, power = 10 + (code - 3) % 90, (code - 3) // 90 - 40
    return f"{digits / 10:.1f}e{power:+03d}"


@pytest.fixture(scope="module")
def demo(demo_reduced: xr.DataTree) -> tuple[dict[str, Any], bytes]:
    return opened(viewer.payload(demo_reduced))


@pytest.mark.parametrize(
    "numbers",
    [
        [],
        [0],
        [-1, 1, 0],
        [2**28, -(2**28), 5],
        [7] * 300,
        list(range(1000)),
        [255, 256, 65535],
    ],
)
def test_whole_numbers_come_back(numbers: list[int]) -> None:
    packer = Packer()
    packer.raw(b"before")
    described = packer.whole(np.array(numbers, dtype=np.int64))
    head, body = opened(packer.close({"a": described}))
    assert whole(body, head["a"]).tolist() == numbers


def test_values_come_back_to_their_decimals_and_odd_ones_too() -> None:
    given = np.array([1.2345, np.nan, np.nan, 1.2306, np.inf, -np.inf, 1e30, -0.4, 0.0])
    packer = Packer()
    described = pack_values(packer, given, 3)
    head, body = opened(packer.close({"v": described}))
    found = values(body, head["v"])
    np.testing.assert_array_equal(found[[1, 2, 4, 5, 6]], given[[1, 2, 4, 5, 6]])
    usual = [0, 3, 7, 8]
    np.testing.assert_allclose(found[usual], given[usual], rtol=0, atol=0.5e-3 + 1e-12)


def test_a_series_without_any_number_is_packed() -> None:
    packer = Packer()
    described = pack_values(packer, np.full(4, np.nan), decimals(np.zeros(0), np.zeros(0)))
    head, body = opened(packer.close({"v": described}))
    assert np.isnan(values(body, head["v"])).all()


@pytest.mark.parametrize("u", [0.0123, 0.0996, 9.96, 1.0, 99.6, 3.3e-7, 8.4e5])
def test_an_uncertainty_is_kept_with_two_digits(u: float) -> None:
    packer = Packer()
    head, body = opened(packer.close({"u": pack_errors(packer, np.array([u]))}))
    assert two_digits(int(whole(body, head["u"])[0])) == f"{u:.1e}"


def test_unknown_is_not_zero() -> None:
    packer = Packer()
    described = pack_errors(packer, np.array([np.nan, 0.0, np.inf, 0.5]))
    head, body = opened(packer.close({"u": described}))
    codes = whole(body, head["u"]).tolist()
    assert [two_digits(code) for code in codes] == ["nan", "0", "inf", "5.0e-01"]


def test_decimals_follow_the_uncertainty_and_never_hide_a_value() -> None:
    many = np.full(50, 1.7)
    assert decimals(many, np.full(50, 0.012)) == 3
    assert decimals(many, np.full(50, 0.0004)) == 5
    # Without an uncertainty, four digits of a usual value.
    assert decimals(many, np.full(50, np.nan)) == 3
    assert decimals(1e-5 * many, np.full(50, np.nan)) == 8


def test_every_reading_of_the_demo_hole_is_in_the_package(
    demo: tuple[dict[str, Any], bytes], demo_reduced: xr.DataTree
) -> None:
    head, body = demo
    seen = set()
    for track in head["tracks"]:
        for one in track["series"]:
            name, leaf = track["name"], demo_reduced[one["path"]].to_dataset(inherit=False)
            depth = leaf["depth"].values
            drawn = np.flatnonzero(np.isfinite(depth))
            order = drawn[np.argsort(depth[drawn], kind="stable")]
            at = head["positions"][one["positions"]]
            # Rows in are rows out and rows reported.
            assert order.size + one["without_depth"] == depth.size
            np.testing.assert_allclose(values(body, at["depth"]), depth[order], rtol=0, atol=6e-5)
            found, given = values(body, one["value"]), leaf[name].values[order]
            half = 0.5 * 10.0 ** -one["value"]["places"]
            np.testing.assert_array_equal(np.isnan(found), np.isnan(given))
            np.testing.assert_allclose(found, given, rtol=1e-12, atol=half)
            for part in ("u_random", "u_systematic"):
                codes = whole(body, one[part])
                if f"{name}_{part}" not in leaf:
                    assert not codes.any()
                    continue
                u = leaf[f"{name}_{part}"].values[order]
                some = np.linspace(0, u.size - 1, min(u.size, 200)).astype(int)
                wanted = ["nan" if np.isnan(x) else "0" if x == 0 else f"{x:.1e}" for x in u[some]]
                assert [two_digits(int(code)) for code in codes[some]] == wanted
            np.testing.assert_array_equal(
                whole(body, one["flag"]), leaf[f"{name}_flag"].values[order]
            )
            reasons = whole(body, one["reason"])
            masks = leaf[f"{name}_reason"].values[order]
            for mask in np.unique(masks):
                (code,) = np.unique(reasons[masks == mask])
                words = [word.replace("_", " ") for word in flags.names(int(mask))]
                assert one["reasons"][code] == words
            if "core" in leaf.coords:
                places = whole(body, at["place"]) - 1
                keys = ("core", "section")
                core, section = (leaf[key].values.astype(str)[order] for key in keys)
                given_places = np.array(
                    [
                        head["places"].index([*pair])
                        for pair in dict.fromkeys(zip(core, section, strict=True))
                    ]
                )
                assert set(given_places.tolist()) == set(places.tolist())
                first = int(np.flatnonzero(places == given_places[0])[0])
                assert head["places"][places[first]] == [core[first], section[first]]
                np.testing.assert_allclose(
                    values(body, at["offset"]), leaf["offset"].values[order], rtol=0, atol=6e-3
                )
            seen.add((one["path"], name))
    # Every sensor of the package and every sample of the tracks of the figures is among them.
    for record in cp.sensors.names():
        assert any(
            path.endswith(record) or path.split("/")[1] in ("density", "velocity")
            for path, _ in seen
        ), record
    assert ("properties/index_properties", "bulk_density") in seen
    assert ("properties/sample_velocity", "p_wave_velocity") in seen


def test_the_scale_holds_all_usable_readings_and_not_the_flagged(
    demo: tuple[dict[str, Any], bytes],
) -> None:
    head, body = demo
    outside = 0
    for track in head["tracks"]:
        for one in (s for s in track["series"] if s["used"]):
            found, level = values(body, one["value"]), whole(body, one["flag"])
            good = np.isin(level, head["used"]) & np.isfinite(found)
            half = 0.5 * 10.0 ** -one["value"]["places"]
            assert (found[good] >= track["low"] - half).all()
            assert (found[good] <= track["high"] + half).all()
            outside += int(((found < track["low"]) | (found > track["high"])).sum())
    assert outside > 1000
    logarithmic = [track["name"] for track in head["tracks"] if track["log"]]
    assert logarithmic == ["magnetic_susceptibility"]


def test_marks_of_the_hole_are_in_the_package(
    demo: tuple[dict[str, Any], bytes], demo_reduced: xr.DataTree
) -> None:
    head, body = demo
    assert [core["name"] for core in head["cores"]] == demo_reduced["cores/core"].values.tolist()
    assert len(head["sections"]) == demo_reduced["sections"].sizes["row"]
    assert [layer["name"] for layer in head["layers"]] == demo_reduced[
        "layers/name"
    ].values.tolist()
    assert len(head["pictures"]) == demo_reduced["images"].sizes["row"]
    for one in head["pictures"]:
        start, length = one["bytes"]
        assert body[start : start + 3] == b"\xff\xd8\xff" and length > 200
    assert head["pictures_lacking"] == ""
    # Gamma attenuation and strength are shown, so that both lines of caution are.
    assert len(head["safety"]) == 2


def test_the_page_of_the_demo_hole_is_below_a_megabyte(demo_reduced: xr.DataTree) -> None:
    page = viewer.page_fragment(demo_reduced)
    assert len(page.encode()) < MEGABYTE
    assert page == viewer.page_fragment(demo_reduced), "the same hole gives the same bytes"


def test_page_and_script_ask_nothing_of_a_network() -> None:
    page = viewer.page_fragment(reduced_tree(200))
    script = viewer.SCRIPT.read_text(encoding="utf-8")
    for word in ("http:", "https:", "fetch(", "import(", "XMLHttpRequest", "WebSocket", "url("):
        assert word not in page, word
    for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
        assert word not in script, word
    assert "</script" not in script


def test_text_from_data_cannot_become_markup() -> None:
    tree = reduced_tree(200)
    tree.attrs["title"] = HOSTILE
    density = tree["properties/density"].to_dataset(inherit=False)
    core = np.array([HOSTILE] * density.sizes["reading"], dtype=object)
    tree["properties/density"] = xr.DataTree(density.assign_coords(core=("reading", core)))
    page = viewer.page_fragment(tree)
    assert "<img" not in page and 'onerror="' not in page
    held = re.search(r'class="corephys-viewer-data">([^<]*)</script>', page)
    assert held is not None
    head, _ = opened(base64.b64decode(held.group(1)))
    assert head["title"] == HOSTILE and [HOSTILE] in [place[:1] for place in head["places"]]


def test_a_hole_by_depth_alone_without_cores_and_samples() -> None:
    depth = np.array([3.0, 1.0, np.nan, 2.0])
    data = xr.Dataset(
        {
            "bulk_density": ("reading", [1.9, 1.7, 1.6, np.nan], {"units": "g/cm^3"}),
            "bulk_density_flag": ("reading", np.array([1, 1, 1, 9], dtype=np.int8)),
        },
        {"depth": ("reading", depth, {"units": "m"})},
    )
    head, body = opened(viewer.payload(xr.DataTree.from_dict({"/properties/density": data})))
    (track,) = head["tracks"]
    (one,) = track["series"]
    assert one["without_depth"] == 1
    at = head["positions"][one["positions"]]
    assert values(body, at["depth"]).tolist() == [1.0, 2.0, 3.0]
    assert whole(body, at["place"]).tolist() == [0, 0, 0] and head["places"] == []
    # No uncertainty was given: not known, and never zero.
    assert whole(body, one["u_random"]).tolist() == [0, 0, 0]
    assert head["cores"] == head["sections"] == head["layers"] == head["pictures"] == []


def test_fitted_depths_are_shown_on_request() -> None:
    tree = reduced_tree(200)
    heads = {
        scale: opened(viewer.payload(tree, depth_scale=scale))
        for scale in ("depth", "depth_fitted")
    }
    for scale, (head, body) in heads.items():
        (density,) = [t for t in head["tracks"] if t["name"] == "bulk_density"]
        one = next(s for s in density["series"] if s["path"] == "properties/density")
        wanted = np.sort(tree["properties/density"][scale].values)
        at = head["positions"][one["positions"]]
        np.testing.assert_allclose(values(body, at["depth"]), wanted, rtol=0, atol=6e-5)
    with pytest.raises(ValueError, match="depth_scale"):
        viewer.payload(tree, depth_scale="composite")


def test_a_hole_of_a_file_gives_the_same_package(
    tmp_path: Any, demo_reduced: xr.DataTree, demo_hole: Any
) -> None:
    file = tmp_path / "reduced.nc"
    cp.save(demo_reduced, file)
    loaded = cp.load(file)
    # A file does not know the folder of its hole, and says so.
    assert opened(viewer.payload(loaded))[0]["pictures_lacking"].startswith("14 of 14 pictures")
    assert viewer.payload(loaded, pictures=demo_hole) == viewer.payload(demo_reduced)


def test_pictures_can_be_left_out(demo_reduced: xr.DataTree) -> None:
    head, _ = opened(viewer.payload(demo_reduced, pictures=False))
    assert head["pictures"] == [] and head["pictures_lacking"] == ""


def test_a_sensor_of_the_user_has_a_track() -> None:
    from corephys.sensors import Sensor, Stage, TableFormat, Term, Track, number

    lamp = Sensor(
        name="lamp",
        quantity="lamp_brightness",
        terms=(Term("lamp_brightness", "1", "brightness under the lamp", (0, 1), (0, 2)),),
        scan=TableFormat((number("light", "count"),)),
        options={},
        stages=(Stage("brightness", lambda reduction: None),),
        track=Track("#123456", logarithmic=True),
    )
    cp.sensors.register(lamp)
    try:
        data = xr.Dataset(
            {
                "lamp_brightness": ("reading", [0.01, 0.02, 0.9]),
                "lamp_brightness_flag": ("reading", np.array([1, 1, 1], dtype=np.int8)),
            },
            {"depth": ("reading", [1.0, 2.0, 3.0])},
        )
        head, _ = opened(viewer.payload(xr.DataTree.from_dict({f"/{lamp.path}": data})))
    finally:
        cp.sensors.unregister("lamp")
    (track,) = head["tracks"]
    assert (track["words"], track["log"], track["shown"]) == (
        "brightness under the lamp",
        True,
        True,
    )
    assert track["series"][0]["colour"] == "#123456"


def test_a_hole_without_a_quantity_and_a_site_are_refused(demo_hole: Any) -> None:
    with pytest.raises(NothingToDraw, match="needs a quantity against depth"):
        viewer.payload(cp.read_hole(demo_hole))
    site = xr.DataTree.from_dict({"/A": xr.Dataset()})
    site.attrs["holes"] = "[]"
    with pytest.raises(NothingToDraw, match="the viewer needs one reduced hole"):
        viewer.payload(site)
