"""The viewer in real browsers: what it shows, how it moves, and what a selection leaves.

The page is opened from a file, without a network, in Chromium and in Firefox. In JupyterLab the
same viewer gives its rows back to Python. It runs where COREPHYS_BROWSER is 1; pictures go to the
folder that COREPHYS_SCREENSHOTS names.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.figures import viewer as pages
from corephys.ground import flags
from tests.browser import test_notebooks as lab
from tests.browser.drivers import CHROMIUM, DRIVER, FIREFOX, Chromium, Firefox, Page
from tests.reduced_tree import reduced_tree

pytestmark = pytest.mark.browser

V = "const v = document.querySelector('.corephys-viewer').viewer;"
HOSTILE = '</script><img src=x onerror="window.harmed = 1"><b>'
ESCAPE, END, HOME = "\ue00c", "\ue010", "\ue011"
DOWN, UP, RIGHT, ENTER = "\ue015", "\ue013", "\ue014", "\ue007"

needed, served, browser = lab.needed, lab.served, lab.browser


@pytest.fixture(scope="module")
def switched_on() -> None:
    if os.environ.get("COREPHYS_BROWSER") != "1":
        pytest.skip("takes minutes: COREPHYS_BROWSER=1 or .ci/extra browser runs it")


@pytest.fixture(scope="module", params=["chromium", "firefox"])
def page(
    switched_on: None, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Page]:
    yield from _opened(request.param, tmp_path_factory.mktemp("profile"))


def _opened(name: str, home: Path, width: int = 1300, height: int = 1200) -> Iterator[Page]:
    if name == "chromium" and not (CHROMIUM and DRIVER and importlib.util.find_spec("selenium")):
        pytest.skip("a test in Chromium needs chromium, chromedriver and selenium")
    if name == "firefox" and not (FIREFOX and importlib.util.find_spec("websocket")):
        pytest.skip("a test in Firefox needs firefox and websocket-client")
    one = (Chromium if name == "chromium" else Firefox)(home / "user", width, height)
    try:
        yield one
    finally:
        one.close()


@pytest.fixture(scope="module")
def reduced(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


@pytest.fixture(scope="module")
def demo(reduced: xr.DataTree, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return cp.viewer(reduced).write(tmp_path_factory.mktemp("page") / "viewer.html")


@pytest.fixture
def shown(page: Page, demo: Path) -> Page:
    """The demo hole, complete and in focus, all else as at the start."""
    return _ready(page, demo)


def _ready(page: Page, file: Path) -> Page:
    page.open(file)
    page.until("viewer", "document.querySelector('.corephys-viewer')?.dataset.ready")
    page.run(f"{V} v.main.focus();")
    return page


def _shoot(page: Page, name: str) -> None:
    folder = os.environ.get("COREPHYS_SCREENSHOTS")
    if folder:
        time.sleep(0.7)
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.shoot(Path(folder) / f"viewer_{name}_{type(page).__name__.lower()}.png")


def _view(page: Page) -> tuple[float, float]:
    top, bottom = page.run(f"{V} return [v.view.top, v.view.bottom];")
    return top, bottom


def _corner(page: Page) -> tuple[float, float]:
    x, y = page.run(f"{V} const b = v.main.getBoundingClientRect(); return [b.left, b.top];")
    return x, y


def _place(page: Page, track: str, series: int, row: int) -> tuple[float, float]:
    """Place in the window of a reading."""
    x, y = page.run(
        f"{V} const track = v.hole.tracks.findIndex((t) => t.name === {json.dumps(track)});"
        f"return v.spot({{track, series: {series}, i: {row}}});"
    )
    left, top = _corner(page)
    return left + x, top + y


def _ordered(leaf: xr.Dataset) -> xr.Dataset:
    """Readings with a depth in the order of the viewer."""
    depth = leaf["depth"].values
    drawn = np.flatnonzero(np.isfinite(depth))
    return leaf.isel(reading=drawn[np.argsort(depth[drawn], kind="stable")])


def _plain(u: float) -> str:
    """Uncertainty with two digits, without an exponent."""
    return format(Decimal(f"{u:.1e}"), "f")


# --------------------------------------------------------------------------------------------------
# What is shown.


def _print_times(page: Page, words: str, draws: int) -> None:
    """Print the times that the page measured; no test asserts a time."""
    ready = float(page.run("return document.querySelector('.corephys-viewer').dataset.ready;"))
    times = page.run(
        f"{V} const t = []; for (let i = 0; i < {draws}; i++)"
        "{ v.paint(); t.push(v.milliseconds); }"
        "return t;"
    )
    assert ready > 0.0 and len(times) == draws
    low, high = min(times), max(times)
    print(
        f"{words}, {type(page).__name__}: first picture {ready:.0f} ms, drawing {low} to {high} ms"
    )


def test_the_page_is_one_file(shown: Page) -> None:
    _print_times(shown, "demo hole", 15)
    # The page is one file: nothing else was loaded.
    assert shown.run("return performance.getEntriesByType('resource').length;") == 0
    _shoot(shown, "whole")


@pytest.mark.parametrize(
    ("track", "path", "pick"),
    [
        ("bulk_density", "properties/density", "off_scale"),
        ("p_wave_velocity", "properties/velocity", "good"),
        ("p_wave_velocity", "properties/velocity", "missing"),
        ("natural_gamma_rate", "properties/natural_gamma", "flagged"),
    ],
)
def test_hover_prints_the_numbers_of_the_library(
    shown: Page, reduced: xr.DataTree, track: str, path: str, pick: str
) -> None:
    leaf = _ordered(reduced[path].to_dataset(inherit=False))
    values, level = leaf[track].values, leaf[f"{track}_flag"].values
    low, high = shown.run(
        f"{V} const t = v.hole.tracks.find((t) => t.name === '{track}'); return [t.low, t.high];"
    )
    chosen = {
        "off_scale": ~np.isnan(values) & ((values < low) | (values > high)),
        "good": level == 1,
        "missing": np.isnan(values),
        "flagged": (level == 3) & ~np.isnan(values),
    }[pick]
    # Alone at its depth, so that the pointer can mean no other.
    alone = np.diff(leaf["depth"].values, prepend=-9.0, append=9e9)
    alone = (alone[:-1] > 1e-4) & (alone[1:] > 1e-4)
    row = int(np.flatnonzero(chosen & alone)[3])
    one = leaf.isel(reading=row)
    depth = float(one["depth"])
    shown.run(f"{V} v.show({depth - 0.3}, {depth + 0.3});")
    shown.move(*_place(shown, track, 0, row))
    tip = shown.until("tip", "document.querySelector('.cv-tip:not([hidden])')?.innerText")
    lines = tip.splitlines()
    unit = {"bulk_density": " g/cm³", "p_wave_velocity": " m/s", "natural_gamma_rate": " 1/s"}[
        track
    ]
    places = shown.run(
        f"{V} return v.hole.tracks.find((t) => t.name === '{track}').series[0].places;"
    )
    value = float(one[track])
    assert lines[1] == ("no value" if np.isnan(value) else f"{value:.{places}f}{unit}")
    for line, part in ((2, "random"), (3, "systematic")):
        u = float(one[f"{track}_u_{part}"])
        words = "not known" if np.isnan(u) else f"± {_plain(u)}{unit}"
        assert lines[line] == f"{part} {words}"
    words = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}
    reasons = [word.replace("_", " ") for word in flags.names(int(one[f"{track}_reason"]))]
    flag = words[int(one[f"{track}_flag"])] + (f": {', '.join(reasons)}" if reasons else "")
    assert lines[4] == flag
    assert lines[5].startswith(
        f"core {one['core'].item()}, section {one['section'].item()}, offset"
    )
    assert lines[6] == f"depth {depth:.3f} m"
    _shoot(shown, f"hover_{pick}")


def test_a_reading_off_the_scale_leaves_a_mark_at_the_edge(
    shown: Page, reduced: xr.DataTree
) -> None:
    leaf = _ordered(reduced["properties/density"].to_dataset(inherit=False))
    low = shown.run(f"{V} return v.hole.tracks[0].low;")
    rows = np.flatnonzero(leaf["bulk_density"].values < low)[[5, 200, 700]]
    for row in rows.tolist():
        depth = float(leaf["depth"][row])
        for half in (0.2, 20.0):
            shown.run(f"{V} v.show({depth - half}, {depth + half}); v.paint();")
            colours = shown.run(
                f"{V} const [x, y] = v.spot({{track: 0, series: 0, i: {row}}});"
                "const g = v.main.getContext('2d');"
                "const d = g.getImageData(x * v.dots, (y - 2) * v.dots, 8, 5).data;"
                "return Array.from(d);"
            )
            pixels = np.array(colours).reshape(-1, 4)[:, :3]
            purple = (np.abs(pixels - np.array([0x7D, 0x2B, 0x66])).sum(axis=1) < 60).any()
            assert purple, (row, half)
    # And its number is printed below the track.
    shown.run(f"{V} v.reset(); v.paint();")
    left, right = shown.run(f"{V} const s = v.hole.tracks[0].stats; return [s.left, s.right];")
    samples = reduced["properties/index_properties"]["bulk_density"].values
    every = np.concatenate([leaf["bulk_density"].values, samples])
    high = shown.run(f"{V} return v.hole.tracks[0].high;")
    assert (left, right) == (int((every < low).sum()), int((every > high).sum()))


def test_all_readings_of_the_view_are_counted(shown: Page, reduced: xr.DataTree) -> None:
    shown.run(f"{V} v.show(40.0, 60.0); v.paint();")
    text = "document.querySelector('.cv-summary').textContent"
    summary = shown.until("summary", f"{text}.includes('Depth 40.0') && {text}")
    for track, path, words in (
        ("electrical_resistivity", "properties/resistivity", "electrical resistivity"),
        ("natural_gamma_rate", "properties/natural_gamma", "natural gamma rate, net"),
    ):
        leaf = reduced[path].to_dataset(inherit=False)
        here = (leaf["depth"].values >= 40.0) & (leaf["depth"].values <= 60.0)
        flagged = here & ~flags.usable(leaf[f"{track}_flag"].values)
        assert f"{words}: {int(here.sum())} readings" in summary
        stats = shown.run(f"{V} return v.hole.tracks.find((t) => t.name === '{track}').stats;")
        assert stats["n"] == int(here.sum())
        assert stats["flagged"] + stats["missing"] == int(flagged.sum())


def test_a_hostile_name_stays_text(page: Page, tmp_path: Path) -> None:
    tree = reduced_tree(200)
    tree.attrs["title"] = HOSTILE
    leaf = tree["properties/density"].to_dataset(inherit=False)
    core = np.array([HOSTILE] * leaf.sizes["reading"], dtype=object)
    tree["properties/density"] = xr.DataTree(leaf.assign_coords(core=("reading", core)))
    _ready(page, cp.viewer(tree).write(tmp_path / "hostile.html"))
    page.run(f"{V} v.goTo({{track: 0, series: 0, i: 10}});")
    assert HOSTILE in page.run(f"{V} return v.reading.textContent;")
    assert HOSTILE in page.run("return document.querySelector('.cv-title').textContent;")
    assert page.run("return document.querySelectorAll('img').length;") == 0
    assert page.run("return window.harmed ?? null;") is None


def test_two_viewers_share_a_page(page: Page, tmp_path: Path) -> None:
    tree = reduced_tree(200)
    fragment = pages.page_fragment(tree) + pages.page_fragment(reduced_tree(90))
    file = tmp_path / "two.html"
    file.write_text(f"<!doctype html><meta charset='utf-8'><body>{fragment}</body>")
    page.open(file)
    page.until("two", "document.querySelectorAll('.corephys-viewer[data-ready]').length === 2")


# --------------------------------------------------------------------------------------------------
# Moving.


def test_wheel_zooms_at_the_pointer_drag_moves_and_double_click_resets(shown: Page) -> None:
    left, top = _corner(shown)
    x, y = left + 300.0, top + 250.0
    whole = _view(shown)
    under = shown.run(f"{V} return v.depthAt(250);")
    for _ in range(3):
        shown.wheel(x, y, -240)
    seen = _view(shown)
    span = seen[1] - seen[0]
    assert span < 0.5 * (whole[1] - whole[0])
    # The wheel is turned at whole pixels of the window.
    pixel = span / shown.run(f"{V} return v.deep;")
    assert shown.run(f"{V} return v.depthAt(250);") == pytest.approx(under, abs=1.5 * pixel)
    shown.drag((x, y), (x, y - 120.0))
    moved = _view(shown)
    assert moved[0] - seen[0] == pytest.approx(120.0 * pixel, abs=2.5 * pixel)
    assert moved[1] - moved[0] == pytest.approx(span)
    shown.click(x, y, times=2)
    assert _view(shown) == whole


def test_the_page_scrolls_where_there_is_nothing_to_zoom(shown: Page) -> None:
    shown.run("document.body.style.paddingBottom = '3000px';")
    left, top = _corner(shown)
    shown.wheel(left + 300.0, top + 250.0, 300)
    shown.until("scrolled page", "window.scrollY > 50")


def test_next_visits_every_flagged_reading_of_a_quantity(shown: Page, reduced: xr.DataTree) -> None:
    leaf = _ordered(reduced["properties/natural_gamma"].to_dataset(inherit=False))
    flagged = np.flatnonzero(~flags.usable(leaf["natural_gamma_rate_flag"].values))
    shown.run(
        f"{V} v.filterPicker.value = 'natural_gamma_rate';"
        "v.filterPicker.dispatchEvent(new Event('change')); v.main.focus();"
    )
    visited = []
    for _ in range(6):
        shown.press("n")
        visited.append(shown.run(f"{V} return v.focus.i;"))
    assert visited == flagged[:6].tolist()
    shown.press("p")
    assert shown.run(f"{V} return v.focus.i;") == flagged[4]
    words = shown.run(f"{V} return v.reading.textContent;")
    mask = int(leaf["natural_gamma_rate_reason"].values[flagged[4]])
    for word in flags.names(mask):
        assert word.replace("_", " ") in words
    assert shown.run(f"{V} return v.reading.getAttribute('aria-live');") == "polite"
    # After the last comes the first again: the round has as many as there are.
    assert shown.run(f"{V} return v.flaggedReadings().length;") == flagged.size
    _shoot(shown, "flagged")


def test_next_begins_at_the_view(shown: Page) -> None:
    shown.run(f"{V} v.show(100.0, 104.0); v.focus = null; v.main.focus();")
    shown.press("n")
    depth = shown.run(
        f"{V} const r = v.focus; return v.hole.tracks[r.track].series[r.series].at.depth[r.i];"
    )
    assert 102.0 <= depth < 106.0


def test_keys_move_zoom_and_cancel(shown: Page) -> None:
    whole = _view(shown)
    shown.press("++++")
    top, bottom = _view(shown)
    assert bottom - top == pytest.approx((whole[1] - whole[0]) / 1.6**4)
    shown.press(DOWN)
    assert _view(shown)[0] == pytest.approx(top + 0.15 * (bottom - top))
    shown.press(UP)
    assert _view(shown)[0] == pytest.approx(top)
    shown.press(HOME)
    assert _view(shown)[0] == pytest.approx(whole[0])
    shown.press(END)
    assert _view(shown)[1] == pytest.approx(whole[1])
    shown.press("-")
    assert _view(shown)[1] - _view(shown)[0] == pytest.approx((whole[1] - whole[0]) / 1.6**3)
    shown.press(RIGHT)
    assert shown.run(f"{V} return v.reading.textContent;") == "track porosity"
    shown.press(".")
    first = shown.run(f"{V} return [v.focus.track, v.focus.i];")
    shown.press(".,.")
    assert shown.run(f"{V} return [v.focus.track, v.focus.i];") == [first[0], first[1] + 1]
    shown.press(ESCAPE)
    assert shown.run(f"{V} return v.focus;") is None
    shown.press("0")
    assert _view(shown) == whole


def test_tab_reaches_every_control_and_each_has_a_name(shown: Page) -> None:
    names = shown.run(
        "return Array.from(document.querySelectorAll('.corephys-viewer button, .corephys-viewer "
        "select, .corephys-viewer input, .corephys-viewer canvas[tabindex], .corephys-viewer "
        "summary')).filter((e) => e.offsetParent !== null).map((e) => [e.tabIndex, "
        "(e.getAttribute('aria-label') || e.textContent || e.title || "
        "e.closest('label')?.textContent || '').trim()]);"
    )
    assert len(names) > 10
    assert all(index == 0 and name for index, name in names), names
    assert shown.run(f"{V} return v.main.getAttribute('role');") == "application"


def test_a_track_can_be_left_out_and_made_logarithmic(shown: Page) -> None:
    box = "document.querySelectorAll('.cv-tracklist > div')"
    before = shown.run(f"{V} return v.shown.length;")
    shown.run(f"{box}[0].querySelector('input').click();")
    assert shown.run(f"{V} return v.shown.length;") == before - 1
    shown.run(f"{box}[0].querySelector('input').click();")
    shown.run(f"{box}[0].querySelector('.cv-log input').click();")
    low, high, log = shown.run(f"{V} const t = v.hole.tracks[0]; return [t.low, t.high, t.log];")
    assert log and 0 < low < high
    shown.run(f"{box}[0].querySelector('.cv-log input').click();")
    assert shown.run(f"{V} return v.hole.tracks[0].low;") == pytest.approx(
        shown.run(f"{V} return v.hole.head.tracks[0].low;")
    )


# --------------------------------------------------------------------------------------------------
# A selection becomes rows of exclusions.csv.


def _give_reason(page: Page, reason: str) -> None:
    page.until("form", "document.activeElement.classList.contains('cv-reason')")
    page.press(reason)
    typed = json.dumps(reason)
    page.until("typed reason", f"document.querySelector('.cv-reason').value === {typed}", 5.0)
    page.press(ENTER)
    # An element itself comes back from Firefox as an empty object.
    page.until("rows", "document.querySelector('.cv-csv') !== null")


def test_a_dragged_interval_gives_the_rows_of_the_library(
    shown: Page, reduced: xr.DataTree
) -> None:
    shown.run(f"{V} v.show(19.0, 23.0);")
    left, top = _corner(shown)
    ends = shown.run(f"{V} return [v.y(20.3), v.y(22.1)];")
    shown.drag((left + 400.0, top + ends[0]), (left + 400.0, top + ends[1]), shift=True)
    shown.until("form", "!document.querySelector('.cv-form').hidden")
    _shoot(shown, "interval")
    _give_reason(shown, 'soft, "flowed in"')
    rows = shown.run(f"{V} return v.rows;")
    # Two sections: the interval crosses the end of one.
    assert [(row["core"], row["section"]) for row in rows] == [("3", "2"), ("3", "3")]
    assert rows[0]["to"] == 150.0 and rows[1]["from"] == 0.0
    assert rows[0]["from"] == pytest.approx(80.0, abs=1.0)
    panel = cp.panels.exclusions(reduced)
    for row in rows:
        from_, to = (cp.quantity(row[end], "cm") for end in ("from", "to"))
        panel.set(row["core"], row["section"], from_, to, row["reason"])
    text = shown.run("return document.querySelector('.cv-csv').value;")
    assert text == panel.table.to_csv(index=False).rstrip("\n")
    link = shown.run("return document.querySelector('.cv-download').href;")
    assert urllib.request.urlopen(link).read().decode() == text + "\n"
    count = shown.run(f"{V} return v.rows.map((r) => v.hole.count({{...r, sensor: 'gamma'}}));")
    assert sum(count) == int(panel.inside().sum())
    _shoot(shown, "rows")
    shown.run("document.querySelector('.cv-rows td button').click();")
    assert len(shown.run(f"{V} return v.rows;")) == 1


def test_a_box_takes_the_readings_inside_it(shown: Page, reduced: xr.DataTree) -> None:
    leaf = _ordered(reduced["properties/velocity"].to_dataset(inherit=False))
    spikes = np.flatnonzero((leaf["p_wave_velocity_reason"].values & flags.bit("spike")) != 0)
    row = int(spikes[2])
    depth = float(leaf["depth"][row])
    shown.run(f"{V} v.show({depth - 0.4}, {depth + 0.4}); v.setMode('box');")
    x, y = _place(shown, "p_wave_velocity", 0, row)
    shown.drag((x - 9.0, y - 9.0), (x + 9.0, y + 9.0))
    _give_reason(shown, "spike")
    (found,) = shown.run(f"{V} return v.rows;")
    offset = float(leaf["offset"][row])
    assert found["core"] == leaf["core"].values[row]
    assert found["section"] == leaf["section"].values[row]
    assert found["from"] <= offset <= found["to"] and found["to"] - found["from"] < 8.0
    assert found["sensor"] == "pwave"


def test_an_empty_box_and_an_empty_reason_are_refused_in_words(shown: Page) -> None:
    shown.run(f"{V} v.show(19.0, 23.0); v.setMode('box');")
    left, top = _corner(shown)
    shown.drag((left + 4.0, top + 300.0), (left + 12.0, top + 320.0))
    assert "nothing is marked" in shown.run(f"{V} return v.reading.textContent;")
    shown.run(f"{V} v.setMode('box'); v.goTo({{track: 0, series: 0, i: 900}}); v.main.focus();")
    shown.press("m")
    shown.until("form", "document.activeElement.classList.contains('cv-reason')")
    shown.press(ENTER)
    trouble = shown.run("return document.querySelector('.cv-trouble').textContent;")
    assert trouble.startswith("The reason is empty")
    shown.press("crack" + ENTER)
    (row,) = shown.run(f"{V} return v.rows;")
    assert row["sensor"] == "gamma" and row["to"] > row["from"]


# --------------------------------------------------------------------------------------------------
# Narrow, printed, large.


@pytest.mark.parametrize("name", ["chromium", "firefox"])
def test_a_narrow_window_scrolls_the_tracks_and_not_the_page(
    switched_on: None, demo: Path, tmp_path: Path, name: str
) -> None:
    for page in _opened(name, tmp_path, 420, 900):
        _ready(page, demo)
        width = page.run("return [document.documentElement.scrollWidth, window.innerWidth];")
        assert width[0] <= width[1]
        assert page.run(f"{V} return v.scroller.scrollWidth > v.scroller.clientWidth;")
        page.press("n")
        tip = page.run(f"{V} const b = v.tip.getBoundingClientRect(); return [b.left, b.right];")
        assert tip[0] >= 0 and tip[1] <= width[1]
        _shoot(page, "narrow")


def test_print_draws_the_present_view_on_the_width_of_paper(shown: Page) -> None:
    shown.run(f"{V} v.show(19.0, 23.0);")
    size = f"{V} return [v.left.clientWidth + v.main.clientWidth, v.main.width, v.view.top];"
    before = shown.run(size)
    shown.run("window.dispatchEvent(new Event('beforeprint'));")
    printed = shown.run(size)
    assert printed[0] <= 700 and printed[1] > 1500 and printed[2] == before[2]
    shown.run("window.dispatchEvent(new Event('afterprint'));")
    # A scroll bar that the taller page needed goes a frame later.
    width = "(() => { const v = document.querySelector('.corephys-viewer').viewer;"
    width += " return v.left.clientWidth + v.main.clientWidth; })()"
    shown.until("former width", f"{width} === {before[0]}", 5.0)
    assert shown.run(size) == before


def tiled(tree: xr.DataTree, times: int) -> xr.DataTree:
    """A hole many times as deep, with noise of its own in each part."""
    rng = np.random.default_rng(11)
    nodes: dict[str, xr.Dataset] = {}
    for leaf in tree.leaves:
        path, dim = (
            leaf.path,
            "row" if leaf.path in ("/cores", "/sections", "/removed") else "reading",
        )
        wanted = path.startswith(("/properties/", "/products/porosity", "/products/impedance"))
        if dim not in leaf.sizes or not (wanted or dim == "row"):
            continue
        data = leaf.to_dataset(inherit=False)
        data = data[[name for name in data.data_vars if data[name].dims == (dim,)]]
        parts = []
        for k in range(times):
            part = data.copy(deep=True)
            for name in map(str, part.variables):
                one = part[name]
                if name in ("depth", "depth_fitted", "top"):
                    part[name] = one + 300.0 * k
                elif name == "core":
                    part[name] = (one.dims, [f"{core}-{k}" for core in one.values])
                elif f"{name}_u_random" in part:
                    spread = np.nan_to_num(part[f"{name}_u_random"].values)
                    part[name] = one + rng.normal(size=one.size) * spread
            parts.append(part)
        nodes[path] = xr.concat(parts, dim=dim)
    made = xr.DataTree.from_dict(nodes)
    made.attrs = dict(tree.attrs)
    return made


@pytest.fixture(scope="module")
def million(
    switched_on: None, reduced: xr.DataTree, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    tree = tiled(reduced, 36)
    scans = ("density", "velocity", "resistivity", "susceptibility", "natural_gamma")
    assert sum(tree[f"properties/{name}"].sizes["reading"] for name in scans) > 1_000_000
    file = tmp_path_factory.mktemp("million") / "viewer.html"
    return cp.viewer(tree).write(file)


def test_a_million_readings(page: Page, million: Path) -> None:
    assert million.stat().st_size < 10_000_000
    _ready(page, million)
    _print_times(page, "a million readings", 9)
    page.press("n")
    assert page.run(f"{V} return v.flaggedReadings().length;") > 100_000
    _shoot(page, "million")


# --------------------------------------------------------------------------------------------------
# The script itself, and the notebook.


def test_the_script_is_sound_javascript(switched_on: None, tmp_path: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("a check of the script needs node")
    copy = tmp_path / "viewer.mjs"
    shutil.copy(pages.SCRIPT, copy)
    subprocess.run([node, "--check", copy], check=True, capture_output=True)
    compiler = shutil.which("tsc")
    if compiler is not None:
        given = "--checkJs --allowJs --noEmit --strict --target es2022 --module esnext"
        libraries = ["--lib", "es2023,dom,dom.iterable"]
        done = subprocess.run(
            [compiler, *given.split(), *libraries, copy], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout


def _ask(address: str, path: str, method: str = "GET", body: Any = None) -> Any:
    request = urllib.request.Request(
        f"{address}{path}?token={lab._TOKEN}",
        data=None if body is None else json.dumps(body).encode(),
        method=method,
        headers={"Content-Type": "application/json"},
    )
    with urllib.request.urlopen(request) as answer:
        return json.load(answer)


def test_in_jupyterlab_a_selection_comes_back_to_python(
    switched_on: None, served: str, browser: Any, reduced: xr.DataTree, tmp_path: Path
) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    code = (
        "import corephys as cp\n"
        'reduced = cp.reduce(cp.read_hole("../data_demo/hole"))\n'
        "shown = cp.viewer(reduced)\nshown"
    )
    cell = {
        "cell_type": "code",
        "source": code,
        "metadata": {},
        "outputs": [],
        "execution_count": None,
        "id": "one",
    }
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook = {
        "cells": [cell],
        "metadata": {"kernelspec": kernel},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    body = {"type": "notebook", "content": notebook}
    _ask(served, "/api/contents/notebooks/viewer.ipynb", "PUT", body)
    lab._open_and_run(browser, served, "viewer.ipynb")
    ready = "const r = document.querySelector('.corephys-viewer'); return !!r && !!r.viewer;"
    lab._until("viewer", lambda: browser.execute_script(ready))
    browser.execute_script(f"{V} v.showCore('3'); v.root.scrollIntoView();")
    time.sleep(1.0)
    lab._shoot(browser, "viewer_jupyterlab")
    canvas = browser.find_element(By.CSS_SELECTOR, ".cv-main")
    chain = ActionChains(browser).key_down(Keys.SHIFT)
    chain.move_to_element_with_offset(canvas, 0, -60).click_and_hold().move_by_offset(0, 40)
    chain.release().key_up(Keys.SHIFT).perform()
    reason = lab._until("form", lambda: browser.find_elements(By.CSS_SELECTOR, "input.cv-reason"))[
        0
    ]
    # Keys of the notebook must not take what is typed here.
    reason.send_keys("drilling mud, by hand" + Keys.ENTER)
    lab._shoot(browser, "viewer_jupyterlab_rows")
    lab._until("rows", lambda: browser.find_elements(By.CSS_SELECTOR, ".cv-csv"))
    asked = (
        "const done = arguments[0]; const k = window.jupyterapp.shell.currentWidget"
        ".sessionContext.session.kernel; const f = k.requestExecute({code: "
        '\'import os; os.makedirs("left", exist_ok=True); shown.save("left"); '
        'shown.show(core="5")\'}); f.done.then((m) => done(m.content.status), (e) => '
        "done(String(e)));"
    )
    assert browser.execute_async_script(asked) == "ok"
    left = _ask(served, "/api/contents/notebooks/left/exclusions.csv")["content"]
    rows = browser.execute_script(f"{V} return v.rows;")
    assert rows and all(row["core"] == "3" for row in rows)
    panel = cp.panels.exclusions(reduced)
    for row in rows:
        ends = [cp.quantity(float(row[end]), "cm") for end in ("from", "to")]
        panel.set(row["core"], row["section"], *ends, row["reason"], who=row["who"])
    assert left == panel.write(tmp_path).read_text()
    # The call in Python moved the view here.
    core = reduced["cores"].to_dataset(inherit=False)
    top = float(core["top"].values[core["core"].values.tolist().index("5")])
    lab._until(
        "view of core 5",
        lambda: browser.execute_script(f"{V} return Math.abs(v.view.top - {top}) < 0.5;"),
    )
    # Nothing was asked of any other machine.
    asked_of = browser.execute_script(
        "return performance.getEntriesByType('resource').map((e) => e.name);"
    )
    assert [name for name in asked_of if not name.startswith((served, "data:", "blob:"))] == []
