"""Flags: each check on arrays where the doubtful reading is known, and the order of the whole."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import quality
from corephys.ground import flags
from corephys.quality import checks, fill
from corephys.quality.scan_index import ScanIndex, any_within, locate, runs, spacing


def _places(sections=4, readings=75, step=2.0, runs_=1):
    """Sections of one core, scanned every ``step`` cm from their top; further passes below."""
    offset = np.tile(np.arange(readings) * step, sections * runs_)
    section = np.tile(np.repeat(np.arange(sections), readings), runs_)
    run = np.repeat(np.arange(1, runs_ + 1), sections * readings)
    return ScanIndex.from_codes(
        np.zeros_like(section), section, offset, run=run, length=(readings - 1) * step
    )


def _scatter(size, sigma=0.01, seed=0):
    return 1.6 + np.random.default_rng(seed).normal(0.0, sigma, size)


def test_runs_stop_at_groups_and_gaps():
    begin, end = runs([True, True, False, True, True, True], [0, 4])
    assert begin.tolist() == [0, 3, 4]
    assert end.tolist() == [2, 4, 6]
    assert [part.size for part in runs(np.zeros(3, dtype=bool), [0])] == [0, 0]


def test_spacing_does_not_see_the_step_between_sections():
    assert spacing(_places(step=4.0)) == 4.0
    assert np.isnan(spacing(ScanIndex.from_codes([0], [0], [3.0])))


def test_any_within_keeps_to_its_section():
    other = np.array([10.0, 1e6 + 2.0])
    near = any_within(np.array([8.0, 7.9, 0.0, 1e6]), other, [True, True], 2.0)
    assert near.tolist() == [True, False, False, True]
    assert not any_within(np.array([10.0]), other, [False, True], 2.0).any()


def test_ends_within_reach_and_no_end_without_a_length():
    places = _places(sections=1)
    found = checks.section_ends(places, 2.0)
    assert np.flatnonzero(found).tolist() == [0, 1, 73, 74]
    unknown = ScanIndex.from_codes([0, 0], [0, 0], [0.0, 2.0])
    assert not checks.section_ends(unknown, 5.0).any()


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_single_reading_spikes_of_both_signs_are_found(sign):
    places = _places()
    x = _scatter(places.offset.size)
    planted = np.array([10, 100, 163, 251])
    x[planted] += sign * 0.15
    found = checks.spikes(x, 0.01, places, threshold=3.5, window=50.0)
    assert set(planted) <= set(np.flatnonzero(found))
    assert found.sum() <= planted.size + 2


def test_a_step_and_a_slope_are_not_spikes():
    places = _places()
    x = _scatter(places.offset.size, sigma=0.002)
    x[places.offset > 70.0] += 0.3
    x[places.section == 2] += 0.01 * np.arange(75)
    found = checks.spikes(x, 0.002, places, threshold=3.5, window=50.0)
    assert found.sum() <= 2


def test_counting_noise_is_the_floor_of_the_scatter():
    """A stretch that happens to be quiet does not turn counting noise into spikes."""
    places = _places()
    x = np.full(places.offset.size, 1.6)
    x[30] += 0.02
    assert not checks.spikes(x, 0.01, places, threshold=3.5, window=50.0).any()
    assert checks.spikes(x, 0.001, places, threshold=3.5, window=50.0)[30]


def test_spikes_do_not_depend_on_the_order_of_rows_or_on_the_unit():
    places = _places()
    rng = np.random.default_rng(5)
    x = _scatter(places.offset.size, seed=5)
    x[[20, 150]] += 0.1
    base = checks.spikes(x, 0.01, places, threshold=3.5, window=50.0)
    mixed = rng.permutation(x.size)
    shuffled = ScanIndex.from_codes(
        places.core[mixed], places.section[mixed], places.offset[mixed],
        run=places.run[mixed], length=places.length[mixed],
    )  # fmt: skip
    again = checks.spikes(x[mixed], 0.01, shuffled, threshold=3.5, window=50.0)
    np.testing.assert_array_equal(base[mixed], again)
    scaled = checks.spikes(1e3 * x + 7.0, 10.0, places, threshold=3.5, window=50.0)
    np.testing.assert_array_equal(base, scaled)


def test_neighbours_reach_over_a_reading_without_a_value():
    places = ScanIndex.from_codes([0] * 6, [0] * 6, np.arange(6) * 4.0)
    x = np.array([1.0, np.nan, 5.0, np.nan, 1.0, 1.0])
    residual, apart = checks.neighbour_residual(x, places)
    assert residual[2] == 4.0
    assert apart[2] == 4.0
    assert np.isnan(residual[[1, 3]]).all()


def test_weak_coupling_is_judged_against_its_own_core():
    core = np.repeat([0, 1, 2], 40)
    places = ScanIndex.from_codes(core, core, np.tile(np.arange(40) * 4.0, 3))
    amplitude = np.repeat([100.0, 50.0, 2.0], 40)
    amplitude[[5, 45]] = 25.0, 30.0
    weak, telling = checks.weak_coupling(
        amplitude, places, fraction=0.4, hole_fraction=0.15, window=300.0
    )
    assert np.flatnonzero(weak[:80]).tolist() == [5]
    assert weak[80:].all()
    assert telling[:80].all() and not telling[80:].any()


def test_repeats_disagree_beyond_three_combined_uncertainties():
    places = _places(sections=1, readings=5, runs_=2)
    x = np.full(10, 1.6)
    x[7] += 3.1 * np.sqrt(2) * 0.01
    x[8] += 2.9 * np.sqrt(2) * 0.01
    doubted = np.zeros(10, dtype=bool)
    found = checks.repeats(x, 0.01, places, threshold=3.0, doubted=doubted)
    assert np.flatnonzero(found).tolist() == [2, 7]
    doubted[7] = True
    assert not checks.repeats(x, 0.01, places, threshold=3.0, doubted=doubted).any()
    assert not checks.repeats(x, np.nan, places, threshold=3.0, doubted=~doubted).any()


def _pulses(places, lost):
    return fill.Pulses(places, lost, np.ones(places.offset.size, dtype=bool))


def _gaps(x, places, pulses):
    sound = ~pulses.near(places)
    shortfall, scatter = fill.below_level(x, places, sound, 150.0)
    return fill.gaps_by_pulse(
        shortfall, scatter, np.full(x.shape, 0.005), places, pulses, threshold=3.0,
        void_length=18.0, density=x, void_share=0.2,
    )  # fmt: skip


def test_low_density_needs_a_lost_pulse_to_be_a_void():
    gamma, sound = _places(), _places(readings=38, step=4.0)
    x = _scatter(gamma.offset.size)
    inside = (gamma.section == 1) & (gamma.offset >= 60.0) & (gamma.offset <= 68.0)
    x[inside] -= 0.5
    lost = (sound.section == 1) & (sound.offset >= 60.0) & (sound.offset <= 68.0)
    void, thin = _gaps(x, gamma, _pulses(sound, lost))
    np.testing.assert_array_equal(void, inside)
    assert not thin.any()
    void, thin = _gaps(x, gamma, _pulses(sound, np.zeros_like(lost)))
    assert not void.any() and not thin.any()


def test_lost_pulses_over_sound_core_leave_the_density_alone():
    gamma, sound = _places(), _places(readings=38, step=4.0)
    lost = (sound.section == 1) & (sound.offset >= 60.0) & (sound.offset <= 68.0)
    void, thin = _gaps(_scatter(gamma.offset.size), gamma, _pulses(sound, lost))
    assert not void.any() and not thin.any()


def test_a_long_run_at_a_section_end_is_a_liner_that_is_not_full():
    gamma, sound = _places(), _places(readings=38, step=4.0)
    x = _scatter(gamma.offset.size, sigma=0.02)
    inside = (gamma.section == 2) & (gamma.offset >= 112.0)
    x[inside] -= 0.08
    lost = (sound.section == 2) & (sound.offset >= 112.0)
    void, thin = _gaps(x, gamma, _pulses(sound, lost))
    np.testing.assert_array_equal(thin & inside, inside)
    assert (thin & ~inside).sum() == 0 and not void.any()


def _alone(x, places):
    everything = np.ones(x.shape, dtype=bool)
    shortfall, scatter = fill.below_level(x, places, everything, 150.0)
    return fill.gaps_by_density(
        shortfall, scatter, np.full(x.shape, 0.005), places, ~everything, threshold=3.0,
        void_share=0.2, least_length=15.0, density=x,
    )  # fmt: skip


def test_density_alone_spares_a_light_bed_inside_a_section():
    places = _places()
    x = _scatter(places.offset.size)
    bed = (places.section == 1) & (places.offset >= 50.0) & (places.offset < 80.0)
    thin_end = (places.section == 2) & (places.offset >= 120.0)
    gas = (places.section == 3) & (places.offset >= 60.0) & (places.offset < 66.0)
    x[bed] -= 0.15
    x[thin_end] -= 0.15
    x[gas] -= 0.6
    void, thin = _alone(x, places)
    np.testing.assert_array_equal(void, gas)
    np.testing.assert_array_equal(thin, thin_end)


def _series(values, places, name="bulk_density", unit="g/cm^3", u=0.01):
    words = np.array([f"{code + 1}" for code in places.section], dtype=object)
    coords = {
        "core": ("reading", np.full(words.size, "1", dtype=object)),
        "section": ("reading", words),
        "offset": ("reading", places.offset),
        "run": ("reading", places.run),
        "depth": ("reading", 1.5 * places.section + places.offset / 100.0),
    }
    data = {name: ("reading", values, {"units": unit}),
            f"{name}_u_random": ("reading", np.full(words.size, u)),
            f"{name}_reason": ("reading", np.zeros(words.size, dtype=np.int64))}  # fmt: skip
    return xr.Dataset(data, coords)


def _sections(count=4, length=1.48):
    return xr.Dataset({
        "core": ("row", np.array(["1"] * count, dtype=object)),
        "section": ("row", np.array([str(i + 1) for i in range(count)], dtype=object)),
        "length": ("row", np.full(count, length), {"units": "m"}),
    })  # fmt: skip


def _removed(**interval):
    row = {"core": "1", "section": "2", "from": 40.0, "to": 47.7, "kind": "open_void",
           "when": "before_scan", **interval}  # fmt: skip
    return xr.Dataset({k: ("row", np.array([v], dtype=object if isinstance(v, str) else float))
                       for k, v in row.items()})  # fmt: skip


def _reasons(dataset, name="bulk_density"):
    return [flags.names(mask) for mask in dataset[f"{name}_reason"].values]


def test_flag_keeps_every_value_and_writes_reason_and_flag():
    places = _places()
    x = _scatter(places.offset.size)
    x[110] += 0.2
    before = _series(x, places)
    after = quality.flag(before, "bulk_density", sections=_sections())
    np.testing.assert_array_equal(after["bulk_density"], x)
    assert not before["bulk_density_reason"].any()
    reasons = _reasons(after)
    assert reasons[110] == ["spike"]
    assert reasons[0] == ["section_end"] == reasons[74]
    assert after["bulk_density_flag"].values[110] == flags.SUSPECT
    assert after["bulk_density_flag"].attrs["flag_meanings"].startswith("good")
    np.testing.assert_array_equal(
        after["bulk_density_flag"], flags.from_reason(after["bulk_density_reason"].values)
    )


def test_flag_without_sections_knows_no_end():
    places = _places()
    after = quality.flag(_series(_scatter(places.offset.size), places), "bulk_density")
    assert not any("section_end" in words for words in _reasons(after))


def test_reading_beside_a_declared_void_but_not_beside_one_cut_after_the_scan():
    places = _places()
    series = _series(_scatter(places.offset.size), places)
    row = int(np.flatnonzero((places.section == 1) & (places.offset == 48.0))[0])
    found = quality.flag(series, "bulk_density", removed=_removed())
    assert _reasons(found)[row] == ["section_end"]
    later = quality.flag(
        series, "bulk_density", removed=_removed(kind="whole_round", when="after_scan")
    )
    assert _reasons(later)[row] == []


def test_velocity_learns_from_the_density_why_its_pulse_was_lost():
    gamma, sound = _places(), _places(readings=38, step=4.0)
    x = _scatter(gamma.offset.size)
    x[(gamma.section == 1) & (gamma.offset >= 60.0) & (gamma.offset <= 68.0)] -= 0.6
    lost = (sound.section == 1) & (sound.offset >= 60.0) & (sound.offset <= 68.0)
    weak = (sound.section == 3) & (sound.offset == 80.0)
    amplitude = np.where(lost, 2.0, np.where(weak, 20.0, 100.0))
    v = 1550.0 + np.random.default_rng(2).normal(0.0, 2.0, sound.offset.size)
    v[np.flatnonzero(lost)[0]] = np.nan
    speed = _series(v, sound, "p_wave_velocity", "m/s", 1.0)
    pulse = speed["p_wave_velocity"].copy(data=amplitude)
    rho = quality.flag(
        _series(x, gamma), "bulk_density", sections=_sections(),
        companions={"p_wave_amplitude": pulse},
    )  # fmt: skip
    found = quality.flag(
        speed, "p_wave_velocity", sections=_sections(), amplitude=pulse,
        companions={"bulk_density": rho},
    )  # fmt: skip
    reasons = _reasons(found, "p_wave_velocity")
    assert all("void" in reasons[row] for row in np.flatnonzero(lost))
    assert reasons[np.flatnonzero(weak)[0]] == ["low_amplitude"]
    assert sum(bool(words) for words in _reasons(rho)) <= 2 * 4 + 5 + 4


def test_refusals_say_what_was_given():
    places = _places()
    series = _series(_scatter(places.offset.size), places)
    with pytest.raises(KeyError, match="p_wave_velocity"):
        quality.flag(series, "p_wave_velocity")
    with pytest.raises(ValueError, match="3 readings"):
        quality.flag(series, "bulk_density", amplitude=xr.DataArray(np.ones(3), dims="reading"))
    with pytest.raises(KeyError, match="has no positions"):
        quality.flag(series.drop_vars(["core", "section", "offset", "depth"]), "bulk_density")


def test_a_series_by_depth_alone_is_one_section():
    places = _places(sections=1)
    series = _series(_scatter(75), places).drop_vars(["core", "section", "offset", "run"])
    assert locate({"a": series})["a"].section.max() == 0
    x = series["bulk_density"].values
    x[40] += 0.3
    found = quality.flag(series.assign(bulk_density=("reading", x, {"units": "g/cm^3"})),
                         "bulk_density", sections=_sections())  # fmt: skip
    assert _reasons(found)[40] == ["spike"]


def test_empty_series_passes():
    places = ScanIndex.from_codes(*np.zeros((2, 0), dtype=int), np.zeros(0))
    found = quality.flag(_series(np.zeros(0), places), "bulk_density", sections=_sections())
    assert found.sizes["reading"] == 0
