"""The newest core of a hole: which it is, its medians, what is missing and what is suspect."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags
from corephys.ground.registry import SENSORS
from corephys.watch.core import newest_core, robust_median, summarise_core

NOW = np.datetime64("2031-10-13T15:00:00")


def cores(**columns: list) -> xr.Dataset:
    return xr.Dataset({name: ("row", np.array(values)) for name, values in columns.items()})


def times(*texts: str) -> list[np.datetime64]:
    return [np.datetime64(text or "NaT", "s") for text in texts]


def test_the_newest_core_came_on_deck_last() -> None:
    # Core 3 was drilled again above core 2.
    table = cores(
        core=["1", "2", "3"],
        top=[0.0, 9.0, 4.0],
        time_on_deck=times("2031-05-02T06", "2031-05-02T12", "2031-05-03T00"),
    )
    name, rule = newest_core(table, ["1", "2"])
    assert (name, rule) == ("3", "newest: the last time on deck")


def test_without_times_it_is_the_deepest_core_with_readings() -> None:
    table = cores(core=["1", "2", "3"], top=[0.0, 9.0, 18.0])
    assert newest_core(table, ["1", "2"])[0] == "2"
    assert newest_core(table, [])[0] == "3"
    assert "no core has a time on deck" in newest_core(table, ["1", "2"])[1]


def test_a_core_without_a_time_is_newer_where_it_has_readings_and_lies_deeper() -> None:
    table = cores(
        core=["1", "2", "3"],
        top=[0.0, 9.0, 18.0],
        time_on_deck=times("2031-05-02T06", "2031-05-02T12", ""),
    )
    assert newest_core(table, ["1", "2"])[0] == "2"
    assert newest_core(table, ["1", "2", "3"])[0] == "3"


def test_a_time_on_deck_with_a_wrong_year_does_not_make_an_old_core_the_newest() -> None:
    table = cores(
        core=["1", "2", "3"],
        top=[0.0, 9.0, 18.0],
        time_on_deck=times("2031-10-13T06", "2062-10-13T09", "2031-10-13T12"),
    )
    name, rule = newest_core(table, ["1", "2", "3"], NOW)
    assert name == "3"
    assert rule.startswith("newest: the last time on deck; the time on deck of core 2 is ahead")
    # Where all are ahead, the clock is wrong, and their order still counts.
    early = np.datetime64("2020-01-01", "s")
    assert newest_core(table, ["1", "2", "3"], early) == ("2", "newest: the last time on deck")


def test_a_core_without_a_top_is_not_the_deepest() -> None:
    assert newest_core(cores(core=["1", "2"], top=[0.0, np.nan]), ["1", "2"])[0] == "1"


def test_a_table_without_a_core_has_no_newest() -> None:
    assert newest_core(cores(core=[], top=[]), []) == ("", "")


def test_the_uncertainty_of_a_median_is_that_of_drawn_series() -> None:
    # Independent readings, further apart than the scatter repeats itself: the stated uncertainty
    # is the scatter of the medians of many draws.
    rng = np.random.default_rng(11)
    offset = np.arange(40) * 0.25
    nothing = np.full(offset.size, np.nan)
    found = [robust_median(rng.normal(1.8, 0.05, offset.size), offset, nothing) for _ in range(800)]
    scatter = np.std([middle.value for middle in found])
    assert np.mean([middle.u for middle in found]) == pytest.approx(scatter, rel=0.1)


def test_close_readings_count_as_one_in_twenty_centimetres() -> None:
    rng = np.random.default_rng(3)
    value = rng.normal(1.8, 0.05, 100)
    far = robust_median(value, np.arange(100) * 0.2, np.full(100, np.nan))
    near = robust_median(value, np.arange(100) * 0.01, np.full(100, np.nan))
    assert near.value == far.value
    assert near.u / far.u == pytest.approx(math.sqrt(100 / (1.0 + 0.99 / 0.2)))


def test_an_uncertainty_that_is_not_known_is_nan() -> None:
    one = np.array([1.8])
    assert math.isnan(robust_median(one, np.zeros(1), one).u)
    equal = robust_median(np.full(9, 1.8), np.arange(9.0), np.full(9, np.nan))
    assert equal.value == 1.8
    assert math.isnan(equal.u)
    nothing = robust_median(np.zeros(0), np.zeros(0), np.zeros(0))
    assert nothing.n == 0
    assert math.isnan(nothing.value)


# The demo hole, cut after core 18, the last piston core.


@pytest.fixture(scope="module")
def to_core_18(demo_reduced: xr.DataTree) -> xr.DataTree:
    tree = demo_reduced.copy()
    tree["cores"] = xr.DataTree(tree["cores"].to_dataset().isel(row=slice(0, 18)))
    return tree


def with_values(tree: xr.DataTree, path: str, name: str, change: object) -> xr.DataTree:
    """A copy whose series is changed on core 18."""
    other = tree.copy(deep=True)
    dataset = other[path].to_dataset()
    here = dataset["core"].values == "18"
    values = dataset[name].values.copy()
    values[here] = change(values[here])
    other[path] = xr.DataTree(dataset.assign({name: dataset[name].copy(data=values)}))
    return other


def test_a_planted_offset_at_the_boundary_stands_out(to_core_18: xr.DataTree) -> None:
    sound = summarise_core(to_core_18, NOW)
    assert sound is not None
    assert (sound.core, sound.above) == ("18", "17")
    quantity = sound.channels[0].quantity
    assert quantity == "bulk_density"
    shifted = summarise_core(
        with_values(to_core_18, "properties/density", "bulk_density", lambda x: x + 0.3), NOW
    )
    assert shifted is not None
    before, after = sound.channels[0], shifted.channels[0]
    assert after.boundary.value - before.boundary.value == pytest.approx(0.3)
    assert after.shift.value - before.shift.value == pytest.approx(0.3)
    assert after.boundary.stands_out
    assert after.shift.stands_out
    assert not before.boundary.stands_out
    # The other sensors are as before.
    assert [c.boundary.value for c in shifted.channels[1:]] == [
        c.boundary.value for c in sound.channels[1:]
    ]


def test_an_offset_across_a_gap_is_not_judged(demo_reduced: xr.DataTree) -> None:
    summary = summarise_core(demo_reduced, NOW)
    assert summary is not None
    assert summary.core == "31"
    assert "2.56 m without core between core 30 and core 31" in summary.boundary_words
    boundaries = [channel.boundary for channel in summary.channels]
    assert not any(change.judged or change.stands_out for change in boundaries)
    assert "not judged across a gap of 2.6 m" in boundaries[0].words


def test_readings_and_reasons_are_those_of_the_core(to_core_18: xr.DataTree) -> None:
    summary = summarise_core(to_core_18, NOW)
    assert summary is not None
    for channel in summary.channels:
        leaf = next(
            to_core_18[s.path].to_dataset() for s in SENSORS.records() if s.name == channel.sensor
        )
        here = leaf["core"].values == "18"
        flag = leaf[f"{channel.quantity}_flag"].values[here]
        assert channel.newest.value.size == here.sum()
        assert channel.newest.good.sum() == flags.usable(flag).sum()
        assert channel.doubtful == np.isin(flag, (3, 4, 9)).sum()
        mask = leaf[f"{channel.quantity}_reason"].values[here]
        for reason, count in channel.reasons:
            assert count == ((mask & flags.bit(reason)) != 0).sum()
        assert channel.beyond_routine <= channel.doubtful
        assert channel.middle.value == pytest.approx(
            np.median(leaf[channel.quantity].values[here][flags.usable(flag)])
        )


def test_the_shift_is_held_against_the_core_above(to_core_18: xr.DataTree) -> None:
    summary = summarise_core(to_core_18, NOW)
    assert summary is not None
    for channel in summary.channels:
        (above, upper), (core, lower) = channel.trend[-2:]
        assert (above, core) == ("17", "18")
        assert channel.shift.value == pytest.approx(lower.value - upper.value)
        assert channel.shift.words == "against core 17"
        assert channel.shift.usual > 0.0


def without(tree: xr.DataTree, path: str, keep: object) -> xr.DataTree:
    """A copy of a tree without some rows of one leaf."""
    other = tree.copy()
    dataset = other[path].to_dataset()
    dimension = next(iter(dataset["core"].dims))
    other[path] = xr.DataTree(dataset.isel({dimension: keep(dataset)}))
    return other


def test_what_is_missing_is_named(to_core_18: xr.DataTree) -> None:
    assert missing(to_core_18) == missing(to_core_18)
    gone = without(to_core_18, "properties/velocity", lambda d: d["core"].values != "18")
    assert "P-wave velocity: no reading of core 18" in missing(gone)

    def not_section_4(d: xr.Dataset) -> np.ndarray:
        return (d["core"].values != "18") | (d["section"].values != "4")

    gone = without(to_core_18, "properties/velocity", not_section_4)
    assert "P-wave velocity: no reading of section 4" in missing(gone)

    def upper_half_of_section_6(d: xr.Dataset) -> np.ndarray:
        below = (d["section"].values == "6") & (d["offset"].values > 60.0)
        return (d["core"].values != "18") | ~below

    gone = without(to_core_18, "properties/velocity", upper_half_of_section_6)
    assert any(
        words.startswith("P-wave velocity: section 6 (to 60 of") for words in missing(gone)
    ), missing(gone)
    gone = without(to_core_18, "description", lambda d: d["core"].values != "18")
    assert "description: 8 of the 8 cores above have some" in missing(gone)
    gone = without(to_core_18, "sections", lambda d: d["core"].values != "18")
    assert "sections of core 18 in sections.csv" in missing(gone)


def missing(tree: xr.DataTree) -> tuple[str, ...]:
    summary = summarise_core(tree, NOW)
    assert summary is not None
    return summary.missing


def test_an_old_standard_is_named_and_a_fresh_one_is_not(to_core_18: xr.DataTree) -> None:
    fresh = [words for words in missing(to_core_18) if "standard" in words]
    other = to_core_18.copy()
    table = other["standards/susceptibility"].to_dataset()
    late = table["time"].values - np.timedelta64(400, "D")
    other["standards/susceptibility"] = xr.DataTree(table.assign(time=("row", late)))
    found = [words for words in missing(other) if "standard" in words and words not in fresh]
    assert len(found) == 1
    assert "volume magnetic susceptibility (SI): the last standard is" in found[0]
    assert "days older than the last reading" in found[0]


def test_a_core_without_a_time_on_deck_says_so(to_core_18: xr.DataTree) -> None:
    other = to_core_18.copy()
    other["cores"] = xr.DataTree(other["cores"].to_dataset().drop_vars("time_on_deck"))
    summary = summarise_core(other, NOW)
    assert summary is not None
    assert np.isnat(summary.on_deck)
    assert "time on deck of core 18 in cores.csv" in summary.missing


def test_the_last_check_out_of_control_is_found(demo_reduced: xr.DataTree) -> None:
    summary = summarise_core(demo_reduced, NOW)
    assert summary is not None
    assert [s.sensor for s in summary.standards if s.out_of_control] == ["susceptibility"]


def test_findings_of_the_core_come_first_and_failures_before_them(
    to_core_18: xr.DataTree,
) -> None:
    other = to_core_18.copy()
    entries = [
        {"core": "2", "sentence": "of another core"},
        {"core": "", "sentence": "of the whole hole"},
        {"core": "18", "sentence": "of this core"},
    ]
    held = json.loads(other.attrs["summary"])
    held["failed"] = {"density": "no standard"}
    other.attrs |= {"findings": json.dumps(entries), "summary": json.dumps(held)}
    summary = summarise_core(other, NOW)
    assert summary is not None
    assert summary.suspect[:3] == (
        "the stage 'density' failed: no standard",
        "of this core",
        "of the whole hole",
    )
    assert "1 contradictions between tables in other cores (2)" in summary.suspect[3]


def test_a_hole_by_depth_has_no_core(to_core_18: xr.DataTree) -> None:
    other = to_core_18.copy()
    del other["cores"]
    assert summarise_core(other, NOW) is None
