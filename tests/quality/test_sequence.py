"""The sequence of tests as a whole: cross-sensor tests, cracks, short sections, repeatability."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from corephys import quality
from corephys.ground import flags, series
from corephys.quality import checks
from corephys.quality.scan_index import ScanIndex
from corephys.reduction.recipe import SCHEMA, Recipe
from corephys.reduction.stages.quality import quality_settings
from corephys.uncertainty import Measured

ROOT = Path(__file__).resolve().parents[2]


def series_of(name, values, offset, *, core="1", section="1", u=0.005, reason=0):
    """A series of one core with its positions."""
    offset = np.asarray(offset, dtype=float)
    values = np.asarray(values, dtype=float)

    def text(word):
        return np.array([word] * offset.size if isinstance(word, str) else word, dtype=object)

    here = xr.DataArray(
        values, dims="reading",
        coords={
            "core": ("reading", text(core)), "section": ("reading", text(section)),
            "offset": ("reading", offset), "depth": ("reading", offset / 100.0),
        },
    )  # fmt: skip
    return series.build({name: Measured(here, u, {}, np.full(values.shape, reason))})


def sections(*lengths):
    """Sections 1, 2, ... of core 1 [m]."""
    names = np.array([str(i + 1) for i in range(len(lengths))], dtype=object)
    return xr.Dataset({
        "core": ("row", np.array(["1"] * len(lengths), dtype=object)),
        "section": ("row", names),
        "length": ("row", np.array(lengths, dtype=float), {"units": "m"}),
    })  # fmt: skip


def has(dataset, name, reason):
    return (dataset[f"{name}_reason"].values & flags.bit(reason)) != 0


def quiet(size, level=1.6, sigma=0.004, seed=1):
    return level + np.random.default_rng(seed).normal(0.0, sigma, size)


def test_every_reason_of_the_scan_stands_in_the_sequence_and_in_the_flags():
    assert set(quality.SEQUENCE) <= set(flags.REASONS)
    from corephys.quality.review import OWN

    assert set(OWN) <= set(quality.SEQUENCE)


def test_the_page_on_cleaning_gives_the_sequence_in_its_order():
    page = (ROOT / "docs" / "cleaning.md").read_text(encoding="utf-8")
    written = re.findall(r"^\| \d+ \| `(\w+)` \|", page, re.MULTILINE)
    assert written == list(quality.SEQUENCE)


def test_a_section_shorter_than_the_response_is_doubted_whole():
    offset = np.array([1.0, 3.0])
    found = quality.flag(
        series_of("magnetic_susceptibility", [1e-4, 1e-4], offset), "magnetic_susceptibility",
        sections=sections(0.04),
    )  # fmt: skip
    assert has(found, "magnetic_susceptibility", "short_section").all()
    longer = quality.flag(
        series_of("magnetic_susceptibility", [1e-4, 1e-4], offset), "magnetic_susceptibility",
        sections=sections(0.5),
    )  # fmt: skip
    assert not has(longer, "magnetic_susceptibility", "short_section").any()


@pytest.mark.parametrize("trim, reach", [(1.0, 8.0), (0.5, 4.0), (0.0, 0.0)])
def test_the_end_trim_is_a_multiple_of_the_response(trim, reach):
    offset = np.arange(0.0, 150.1, 2.0)
    found = quality.flag(
        series_of("electrical_resistivity", np.ones(offset.size), offset),
        "electrical_resistivity", sections=sections(1.5), settings=quality.Settings(end_trim=trim),
    )  # fmt: skip
    to_end = np.minimum(offset, 150.0 - offset)
    np.testing.assert_array_equal(
        has(found, "electrical_resistivity", "section_end"), to_end <= reach
    )


def test_what_was_corrected_for_the_end_is_not_trimmed():
    offset = np.arange(0.0, 150.1, 10.0)
    reason = flags.bit("edge_corrected")
    corrected = series_of("natural_gamma_rate", np.full(offset.size, 9.0), offset, reason=reason)
    found = quality.flag(corrected, "natural_gamma_rate", sections=sections(1.5))
    assert not has(found, "natural_gamma_rate", "section_end").any()


def scan(density_change=(), weak=()):
    """A density and an amplitude over one section, with planted changes."""
    offset = np.arange(0.0, 150.1, 1.0)
    rho = quiet(offset.size)
    for at, value in density_change:
        rho[at] = value
    pulses = np.arange(0.0, 150.1, 2.0)
    amplitude = 100.0 * np.exp(np.random.default_rng(3).normal(0.0, 0.05, pulses.size))
    amplitude[np.isin(pulses, weak)] = 3.0
    wave = xr.DataArray(
        amplitude, dims="reading",
        coords={
            "core": ("reading", np.array(["1"] * pulses.size, dtype=object)),
            "section": ("reading", np.array(["1"] * pulses.size, dtype=object)),
            "offset": ("reading", pulses),
        },
    )  # fmt: skip
    return series_of("bulk_density", rho, offset), wave


def test_a_narrow_gap_is_a_crack_and_a_wide_one_a_void():
    density, wave = scan(
        [(slice(60, 61), 1.30), (slice(100, 108), 1.2)], weak=[60, *range(100, 109)]
    )
    found = quality.flag(
        density, "bulk_density", sections=sections(1.5), companions={"p_wave_amplitude": wave}
    )
    crack, void = has(found, "bulk_density", "crack"), has(found, "bulk_density", "void")
    assert crack[60] and not void[60]
    assert void[100:108].all() and not crack[100:108].any()
    assert set(np.flatnonzero(crack | void)) <= {60, *range(100, 109)}


def test_a_void_is_told_to_a_wide_response_and_to_a_lost_pulse_only():
    density, wave = scan([(slice(100, 108), 1.2)], weak=list(range(100, 109)))
    rho = quality.flag(
        density, "bulk_density", sections=sections(1.5), companions={"p_wave_amplitude": wave}
    )
    offset = np.arange(0.0, 150.1, 2.0)
    loop = quality.flag(
        series_of("magnetic_susceptibility", np.full(offset.size, 1e-4), offset),
        "magnetic_susceptibility", sections=sections(1.5), companions={"bulk_density": rho},
    )  # fmt: skip
    gone = rho["offset"].values[has(rho, "bulk_density", "void")]
    assert gone.min() == 100.0 and gone.max() in (107.0, 108.0)
    touched = has(loop, "magnetic_susceptibility", "void")  # half of 5 cm beyond the void
    near = (offset >= gone.min() - 2.5) & (offset <= gone.max() + 2.5)
    np.testing.assert_array_equal(touched, near)
    speed = quality.flag(
        series_of("p_wave_velocity", np.full(offset.size, 1600.0), offset, u=5.0),
        "p_wave_velocity", sections=sections(1.5), companions={"bulk_density": rho},
    )  # fmt: skip
    assert not has(speed, "p_wave_velocity", "void").any()  # these pulses met core


def test_a_velocity_below_the_suspension_is_doubted():
    offset = np.arange(0.0, 150.1, 5.0)
    velocity = np.full(offset.size, 1560.0)
    velocity[10] = 1380.0
    rho = series_of("bulk_density", np.full(offset.size, 1.7), offset)
    found = quality.flag(
        series_of("p_wave_velocity", velocity, offset, u=5.0), "p_wave_velocity",
        companions={"bulk_density": rho},
    )  # fmt: skip
    assert np.flatnonzero(has(found, "p_wave_velocity", "below_velocity_bound")).tolist() == [10]
    # a whole slow stretch is no spike, and is found by the bound
    velocity[:] = 1380.0
    slow = quality.flag(
        series_of("p_wave_velocity", velocity, offset, u=5.0), "p_wave_velocity",
        companions={"bulk_density": rho},
    )  # fmt: skip
    assert has(slow, "p_wave_velocity", "below_velocity_bound").all()
    assert (slow["p_wave_velocity_flag"].values == flags.SUSPECT).all()


def test_the_bound_is_the_published_suspension():
    """Wood's velocity at porosity 0.4 and 0.8 as printed for quartz, here with soft grains."""
    rho = np.array([1.5, 2.0])
    inside = checks.below_bound(np.array([1700.0, 1700.0]), 1.0, rho, margin=3.0)
    outside = checks.below_bound(np.array([1300.0, 1300.0]), 1.0, rho, margin=3.0)
    assert not inside.any() and outside.all()
    unknown = checks.below_bound(np.array([1300.0]), np.nan, np.array([np.nan]), margin=3.0)
    assert not unknown.any()


def test_a_reading_far_from_its_sample_is_doubted_and_others_are_not():
    offset = np.arange(0.0, 150.1, 2.0)
    rho = quiet(offset.size)
    samples = series_of("bulk_density", [1.60, 1.85, 1.60], [20.4, 60.4, 149.0])
    found = quality.flag(
        series_of("bulk_density", rho, offset), "bulk_density", sections=sections(1.5),
        companions={"samples": samples},
    )  # fmt: skip
    doubted = offset[has(found, "bulk_density", "disagrees_with_sample")]
    assert doubted.tolist() == [60.0, 62.0]


def test_the_nearest_partner_keeps_to_its_section():
    here = ScanIndex.from_codes([0, 0], [0, 1], [149.0, 0.5])
    other = ScanIndex.from_codes([0], [1], [0.0])
    assert checks.nearest(here, other, [True], 5.0).tolist() == [-1, 0]
    assert checks.nearest(here, other, [False], 5.0).tolist() == [-1, -1]


def test_looking_at_the_result_again_changes_nothing():
    rng = np.random.default_rng(4)
    density, wave = scan(
        [(slice(60, 61), 1.30), (slice(100, 108), 1.2), (slice(30, 31), 1.9), (slice(32, 33), 1.5)],
        weak=[60, *range(100, 109)],
    )  # fmt: skip
    samples = series_of("bulk_density", [1.9], [80.0])
    beside = {"p_wave_amplitude": wave, "samples": samples}
    once = quality.flag(density, "bulk_density", sections=sections(1.5), companions=beside)
    twice = quality.flag(once, "bulk_density", sections=sections(1.5), companions=beside)
    xr.testing.assert_identical(once, twice)
    offset = np.arange(0.0, 150.1, 2.0)
    velocity = 1600.0 + rng.normal(0.0, 5.0, offset.size)
    velocity[[5, 40, 41, 42]] = 1750.0, 1300.0, 1290.0, 1310.0
    keys = {"sections": sections(1.5), "amplitude": wave, "companions": {"bulk_density": once}}
    speed = series_of("p_wave_velocity", velocity, offset, u=4.0)
    first = quality.flag(speed, "p_wave_velocity", **keys)
    xr.testing.assert_identical(first, quality.flag(first, "p_wave_velocity", **keys))


def exact_hampel(values, starts, size, threshold):
    """The test window by window, as it is written in the paper."""
    found = np.zeros(values.size, dtype=bool)
    bounds = [*starts, values.size]
    for first, last in pairwise(bounds):
        for i in range(first, last):
            window = values[max(first, i - size // 2) : min(last, i + size // 2 + 1)]
            middle = np.nanmedian(window)
            spread = 1.4826 * np.nanmedian(np.abs(window - middle))
            found[i] = abs(values[i] - middle) > threshold * spread
    return found


def test_the_rolling_test_is_the_exact_one_and_never_crosses_a_section():
    rng = np.random.default_rng(8)
    number = 40
    section = np.repeat(np.arange(12), number)
    x = rng.normal(0.0, 1.0, section.size) + 50.0 * section  # a step at every section's end
    x[rng.choice(x.size, 20, replace=False)] += 12.0
    x[rng.choice(x.size, 20, replace=False)] = np.nan
    places = ScanIndex.from_codes(
        np.zeros_like(section), section, np.tile(np.arange(number) * 2.0, 12)
    )
    found = checks.rolling_spikes(x, np.nan, places, threshold=3.5, window=22.0)
    starts = np.arange(0, x.size, number)
    np.testing.assert_array_equal(found, exact_hampel(x, starts, 11, 3.5))
    assert found.sum() > 15


def test_the_recipe_gives_every_threshold():
    default = quality_settings(Recipe())
    assert default == quality.Settings()
    changed = quality_settings(Recipe({
        "quality": {"spike_test": "rolling_median", "end_trim": 2.0, "void_density": "950 kg/m^3"},
        "natural_gamma": {"response_width": "20 cm"},
    }))  # fmt: skip
    assert changed.spike_test == "rolling_median"
    assert changed.end_trim == 2.0
    assert changed.void_density == pytest.approx(0.95)
    assert changed.response_width["natural_gamma_rate"] == pytest.approx(20.0)
    named = set(SCHEMA["quality"])
    fields = set(quality.Settings.__dataclass_fields__) - {"response_width"}
    assert fields <= named


# Audit -------------------------------------------------------------------------------------------


def audited():
    offset = np.arange(0.0, 20.0, 2.0)
    core = ["1"] * 6 + ["2"] * 4
    reason = np.zeros(10, dtype=int)
    reason[0] = flags.bit("section_end")
    reason[1] = flags.bit("section_end") | flags.bit("spike")
    reason[7] = flags.bit("void")
    rho = series_of("bulk_density", [1.6] * 9 + [np.nan], offset, core=core)
    rho["bulk_density_reason"] = rho["bulk_density_reason"] | reason
    rho["bulk_density_flag"] = ("reading", flags.from_reason(rho["bulk_density_reason"].values))
    return xr.DataTree.from_dict({"/": xr.Dataset(), "/properties/density": rho})


def test_the_audit_counts_by_core_and_by_reason():
    found = quality.audit(audited())
    by_core = found.cores.set_index("core")
    assert by_core.loc["1", ["readings", "kept", "suspect", "bad", "missing"]].tolist() == [
        6, 4, 2, 0, 0,
    ]  # fmt: skip
    assert by_core.loc["2", ["readings", "kept", "suspect", "bad", "missing"]].tolist() == [
        4, 2, 0, 1, 1,
    ]  # fmt: skip
    assert found.by_quantity.loc["bulk_density", "kept"] == 6
    assert found.by_quantity.loc["bulk_density", "share_kept"] == pytest.approx(0.6)
    assert found.by_reason["bulk_density"].to_dict() == {
        "missing_value": 1, "void": 1, "section_end": 2, "spike": 1,
    }  # fmt: skip
    rows = found.readings.set_index(["core", "reason"])
    assert rows.loc[("1", "section_end"), "alone"] == 1
    assert "bulk_density" in repr(found) and "<table" in found._repr_html_()


def test_the_audit_counts_what_is_allowed_as_kept_and_needs_something_to_count():
    generous = quality.audit(audited(), allow=("good", "suspect"))
    assert generous.by_quantity.loc["bulk_density", "kept"] == 8
    with pytest.raises(ValueError, match="reduce it first"):
        quality.audit(xr.DataTree(xr.Dataset()))


def test_text_of_a_core_is_escaped():
    tree = audited()
    data = tree["properties/density"].to_dataset()
    data = data.assign_coords(core=("reading", np.array(["<b>"] * 10, dtype=object)))
    found = quality.audit(xr.DataTree.from_dict({"/properties/density": data}))
    assert "<b>" not in found._repr_html_()
