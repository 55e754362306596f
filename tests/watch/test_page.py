"""The page of the newest core: cautions, faults, the sign of the watch and its small pictures."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

from corephys.figures.style import COLOURS
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from corephys.watch import page, tracks
from corephys.watch.core import Change, Channel, CoreSummary, Middle, Part, summarise_core

NOW = np.datetime64("2031-10-13T15:14:00")


@pytest.fixture(scope="module")
def summary(demo_reduced: xr.DataTree) -> CoreSummary:
    found = summarise_core(demo_reduced, NOW)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def body(summary: CoreSummary) -> str:
    return page.body(summary, NOW, written=NOW, spent={"read": 0.4, "reduce": 1.8})


def words(fragment: str) -> str:
    """Text of a fragment without marks and style."""
    plain = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", fragment, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", plain).split())


def test_the_page_carries_both_cautions_whatever_it_shows(body: str) -> None:
    fault = page.Fault(NOW, "cores.csv", "broken")
    for fragment in (body, page.body(None, NOW), page.body(None, NOW, fault=fault)):
        assert SEALED_SOURCE in fragment
        assert RESEARCH_ONLY in fragment


def test_the_page_says_nothing_about_a_shutter_but_the_caution(summary: CoreSummary) -> None:
    # No reading at all, and few counts, are said as what they are.
    fragment = words(page.body(summary, NOW)).replace(SEALED_SOURCE, "")
    assert not re.search("shutter|source (?:is|was) (?:open|closed)|beam (?:off|on)", fragment)


def test_the_core_and_the_time_on_deck_are_large(body: str, summary: CoreSummary) -> None:
    assert "<h1>Core 31</h1>" in body
    assert 'data-deck="2031-10-13T12:00:00Z">3 h 14 min<' in body
    assert "on deck since 2031-10-13 12:00 UTC" in body
    assert summary.rule in body


def test_a_time_on_deck_ahead_of_the_clock_is_said(summary: CoreSummary) -> None:
    found = page.body(summary, np.datetime64("2031-10-12T15:14:00"))
    assert "ahead of this computer&#x27;s clock" in found or "ahead of this computer's" in found
    assert "data-deck" not in found


def test_numbers_stand_with_their_uncertainty(body: str, summary: CoreSummary) -> None:
    text = words(body)
    density = summary.channels[0]
    assert "bulk density [g/cm³]" in text
    assert f"median of core 31 {density.middle.value:.4f} ± {density.middle.u:.4f}" in text
    assert "no usable reading" in text  # susceptibility, whose standard is out of control
    assert "out of control" in text


def test_a_fault_stands_on_top_of_the_last_good_page(summary: CoreSummary) -> None:
    fault = page.Fault(NOW, "scan/gamma.csv, line 7", "first line\nsecond <line>")
    found = page.body(summary, NOW, fault=fault, written=np.datetime64("2031-10-13T15:00:00"))
    assert found.index("scan/gamma.csv, line 7") < found.index("<h1>Core 31</h1>")
    assert "second &lt;line&gt;" in found
    assert "What follows is of 2031-10-13 15:00:00 UTC." in found
    assert "2031-10-13 15:14:00 UTC" in words(found)


def test_text_of_the_hole_cannot_become_markup(summary: CoreSummary) -> None:
    from dataclasses import replace

    evil = "<script>alert(1)</script>"
    channel = replace(summary.channels[0], words=evil, trend=((evil, Middle(1.0, 0.1, 5)),) * 2)
    planted = replace(
        summary,
        hole=evil,
        core=evil,
        above=evil,
        rule=evil,
        facts=(evil,),
        boundary_words=evil,
        channels=(channel,),
        missing=(evil,),
        suspect=(evil,),
        notes=(evil,),
        sections=((evil, 0.0, 1.5),),
    )
    fault = page.Fault(NOW, evil, evil)
    found = page.body(planted, NOW, fault=fault, warnings=(evil,), hole=evil)
    assert "<script" not in found


def test_the_file_fetches_nothing_but_its_sign(body: str) -> None:
    text = page.page(body, "Core 31", "a-1", "newest.js")
    assert not re.search(r"https?:|@import|url\(|<link|<img", text)
    assert '"newest.js"' in text
    assert text.count("<script>") == 1


def test_the_sign_names_the_state_of_the_page() -> None:
    assert page.sign("a-1", NOW, "watching") == (
        'newestCore("a-1", "2031-10-13T15:14:00Z", "watching");\n'
    )


# Small pictures.


def svg(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def channel(value: list[float], good: list[bool], **more: object) -> Channel:
    """A sensor whose newest core has the given readings every 10 cm."""
    x = np.array(value, dtype=float)
    n = x.size
    part = Part(
        0.1 * np.arange(n),
        x,
        np.full(n, 0.01),
        np.where(good, 1, 3),
        np.zeros(n, dtype=np.int64),
        np.array(good, dtype=bool),
        np.full(n, "1"),
    )
    none = np.zeros(0)
    codes = np.zeros(0, dtype=int)
    nothing = Part(none, none, none, codes, codes, np.zeros(0, dtype=bool), np.zeros(0, dtype=str))
    still = Change(np.nan, np.nan, False, "")
    given: dict = {"colour": "#0072B2", "logarithmic": False, **more}
    return Channel(
        "gamma", "bulk_density", "bulk density", "g/cm^3", given["colour"], given["logarithmic"],
        nothing, part, Middle(1.0, 0.1, n), still, still, (), (),
    )  # fmt: skip


def drawn(one: Channel) -> ElementTree.Element:
    return svg(tracks.track(one, 0.0, 1.0, ("", "1"), ((), (("1", 0.0, 1.0),))))


def paths(picture: ElementTree.Element, colour: str) -> str:
    return "".join(p.get("d", "") for p in picture if p.get("stroke") == colour)


def test_every_reading_of_a_track_is_drawn_and_none_is_hidden() -> None:
    picture = drawn(channel([1.7, 1.8, 1.75, 9.0, 0.2], [True, True, True, False, False]))
    assert paths(picture, "#0072B2").count("M") == 3
    marks = next(p.get("d", "") for p in picture if p.get("fill") == "#8a8a8a")
    assert marks.count("M") == 2  # beyond the axis of the usable readings, at both edges
    assert marks.count("-6-3") == 1


def test_dense_readings_become_bars_that_keep_the_extremes() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(1.8, 0.02, 20000)
    one = channel(list(x), [True] * x.size)
    few = tracks.track(one, 0.0, 2000.0, ("", "1"), ((), ()))
    assert len(few) < 20000
    numbers = [float(n) for n in re.findall(r"M(\d+\.\d+) \d+H", few)]
    numbers += [float(n) for n in re.findall(r"H(\d+\.\d+)M", few)]
    width = 300.0 - 34.0 - 20.0
    span = 1.16 * np.ptp(x)
    left = 34.0 + width * (0.08 * np.ptp(x)) / span
    assert min(numbers) == pytest.approx(left, abs=0.1)


def test_a_logarithmic_track_shows_what_is_not_positive_at_its_edge() -> None:
    picture = drawn(channel([1e-5, 1e-4, 1e-3, -1e-6], [True] * 3 + [False], logarithmic=True))
    marks = next(p.get("d", "") for p in picture if p.get("fill") == "#8a8a8a")
    assert marks.count("M") == 1


def test_a_track_without_numbers_says_so() -> None:
    text = "".join(drawn(channel([np.nan, np.nan], [False, False])).itertext())
    assert "no numbers" in text


def test_colours_are_those_of_the_figures(summary: CoreSummary) -> None:
    for one in summary.channels:
        assert one.colour == COLOURS[one.quantity]


@pytest.mark.parametrize(
    ("values", "power"),
    [([1.8, 1.9], 0), ([2e-4, 3e-4], -6), ([0.0], 0), ([np.nan], 0), ([0.003], -3)],
)
def test_small_numbers_have_a_power_of_ten(values: list[float], power: int) -> None:
    assert tracks.power_of_ten(np.array(values)) == power


def test_checks_and_trends_are_pictures(summary: CoreSummary) -> None:
    for standard in summary.standards:
        picture = svg(tracks.checks(standard, "#000"))
        dots = [p for p in picture if p.tag == "circle"]
        squares = [p for p in picture if p.tag == "rect" and p.get("width") == "8"]
        assert len(dots) == standard.in_control.sum()
        assert len(squares) == (~standard.in_control).sum()
    assert svg(tracks.trend(summary.channels[0].trend, "#000")).get("role") == "img"
    assert tracks.trend((("1", Middle(1.0, 0.1, 3)),), "#000") == ""
