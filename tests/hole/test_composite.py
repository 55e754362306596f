"""Composite depth: planted shifts are found again, ties keep their history, scales go both ways."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import composite
from corephys.hole.composite import depth_scales, sequences, suggestions
from corephys.hole.composite import ties as composite_ties

STEP = 0.025  # m


def site(seed=4, holes=("A", "B", "C"), deep=120.0):
    """Holes through one column of sediment: cores of 9.5 m with gaps between, each moved."""
    rng = np.random.default_rng(seed)
    z = np.arange(0.0, deep + 30.0, 0.005)
    truth = {}
    for name, width in (("bulk_density", 60), ("magnetic_susceptibility", 90)):
        noise = rng.normal(size=z.size + 8 * width)
        kernel = np.hanning(width)
        truth[name] = np.convolve(noise, kernel / np.sqrt((kernel**2).sum()), "same")[: z.size]
    cores, properties, shifts = {}, {}, {}
    for number, hole in enumerate(holes):
        top = 0.0 if number == 0 else 2.0 + 2.5 * number + rng.uniform(0, 0.1)
        drift, rows, moved = 0.0, [], {}
        series = {name: [] for name in truth}
        index = 1
        while top + 9.5 < deep:
            drift += 0.0 if index == 1 and number == 0 else rng.uniform(0.2, 1.2)
            length = rng.uniform(8.6, 9.4)
            depth = np.arange(top, top + length, STEP)
            core = str(index)
            for name, values in truth.items():
                read = np.interp(depth + drift, z, values) + rng.normal(0, 0.15, depth.size)
                gaps = rng.random(depth.size) < 0.03
                read[gaps] = np.nan
                series[name].append((np.full(depth.size, core, dtype=object), depth, read))
            rows.append((core, top))
            moved[core] = drift
            top += rng.uniform(9.4, 9.6)
            index += 1
        cores[hole] = pd.DataFrame(rows, columns=["core", "top [m]"])
        shifts[hole] = moved
        properties[hole] = {
            name: xr.Dataset(
                {name: ("reading", np.concatenate([p[2] for p in parts]))},
                coords={
                    "core": ("reading", np.concatenate([p[0] for p in parts])),
                    "depth": ("reading", np.concatenate([p[1] for p in parts]), {"units": "m"}),
                },
            )
            for name, parts in series.items()
        }
    return properties, cores, shifts


@pytest.fixture(scope="module")
def suggested():
    properties, cores, truth = site()
    return suggestions.suggest(properties, cores, largest_shift="5 m"), cores, truth


def test_planted_shifts_are_found_to_one_sample(suggested):
    ties, cores, truth = suggested
    found = composite.shifts(ties, cores, reference="A", use=("suggested",))
    tied = np.isin(found["tied"].values.astype(str), ("tied", "datum"))
    true = np.array(
        [truth[h][c] for h, c in zip(found.hole.values, found.core.values, strict=True)]
    )
    assert tied.mean() > 0.9
    miss = found["shift"].values - true
    assert np.abs(miss[tied]).max() < STEP


def test_the_uncertainty_of_a_shift_holds(suggested):
    """Each tie against the true difference of its two cores; 58 to 65 % were found inside."""
    pulls = []
    for seed in (21, 22, 23):
        properties, cores, truth = site(seed)
        ties = suggestions.suggest(properties, cores)
        for tie in ties.itertuples():
            true = truth[tie.to_hole][tie.to_core] - truth[tie.hole][tie.core]
            pulls.append((tie.depth - tie.to_depth - true) / tie.uncertainty)
    inside = np.mean(np.abs(pulls) < 1)
    assert 0.5 < inside < 0.8


def test_readings_halfway_between_steps_share_as_many_steps_as_others():
    """Rounding halves to the even step would pair readings and leave every other step empty."""
    properties, cores, _ = site()
    step = float(np.diff(properties["A"]["bulk_density"].depth.values[:2])[0])

    def shared(part):
        held = {
            hole: {
                name: data.assign_coords(
                    depth=("reading", (np.floor(data.depth.values / step + 1e-6) + part) * step,
                           {"units": "m"})
                )
                for name, data in quantities.items()
            }
            for hole, quantities in properties.items()
        }  # fmt: skip
        ties = suggestions.suggest(held, cores, spacing=f"{step} m", largest_shift="5 m")
        steps = ties["note"].str.extract(r"; (\d+) steps")[0].astype(int)
        return len(ties), int(steps.sum())

    ties, steps = shared(0.25)
    halfway_ties, halfway_steps = shared(0.5)
    assert halfway_ties == ties
    assert halfway_steps > 0.95 * steps


def test_ties_forget_nothing():
    _, cores, _ = site()
    ties = composite_ties.checked_ties(
        pd.DataFrame(
            {
                "hole": ["B"], "core": ["1"], "depth [cm]": [500.0], "to_hole": ["A"],
                "to_core": ["1"], "to_depth [m]": [5.5], "state": ["suggested"],
            }
        ), cores,
    )  # fmt: skip
    assert ties["depth"].tolist() == [5.0]
    accepted = composite_ties.change(ties, "1", state="accepted", note="same ash")
    edited = composite_ties.change(accepted, "1.2", state="edited", depth="5.1 m", note="by eye")
    assert edited["tie"].tolist() == ["1", "1.2", "1.3"]
    used = composite_ties.in_use(composite_ties.checked_ties(edited, cores), ("accepted", "edited"))
    assert used["tie"].tolist() == ["1.3"] and used["depth"].tolist() == [5.1]
    withdrawn = composite_ties.change(edited, "1.3", state="withdrawn")
    assert composite.shifts(withdrawn, cores, reference="A").attrs["ties_used"] == 0
    with pytest.raises(composite_ties.TieError, match=r"was replaced by '1\.2'"):
        composite_ties.change(edited, "1", state="accepted")


def test_shifts_of_worked_ties():
    """B1 to A1 by 0.5 m, A2 to B1 by -0.2 m, A3 has no tie and keeps the shift of A2."""
    cores = {
        "A": pd.DataFrame({"core": ["1", "2", "3"], "top [m]": [0.0, 9.5, 19.0]}),
        "B": pd.DataFrame({"core": ["1", "2"], "top [m]": [4.0, 13.5]}),
    }
    ties = pd.DataFrame(
        [("B", "1", 5.0, "A", "1", 5.5), ("A", "2", 10.2, "B", "1", 10.0)],
        columns=["hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]"],
    )
    found = composite.shifts(ties, cores, reference="A")
    by = dict(
        zip(
            zip(found.hole.values, found.core.values, strict=True),
            found["shift"].values,
            strict=True,
        )
    )
    assert by[("A", "1")] == 0.0
    assert by[("B", "1")] == pytest.approx(0.5)
    assert by[("A", "2")] == pytest.approx(0.3)
    assert by[("A", "3")] == pytest.approx(0.3)
    words = dict(
        zip(
            zip(found.hole.values, found.core.values, strict=True),
            found["tied"].values,
            strict=True,
        )
    )
    assert words[("A", "1")] == "datum" and words[("A", "3")] == "untied"
    assert words[("B", "2")] == "untied"


def test_redundant_ties_leave_residuals():
    cores = {
        "A": pd.DataFrame({"core": ["1"], "top [m]": [0.0]}),
        "B": pd.DataFrame({"core": ["1"], "top [m]": [4.0]}),
    }
    ties = pd.DataFrame(
        [("B", "1", 5.0, "A", "1", 5.4, 0.1), ("B", "1", 6.0, "A", "1", 6.6, 0.1)],
        columns=[
            "hole",
            "core",
            "depth [m]",
            "to_hole",
            "to_core",
            "to_depth [m]",
            "uncertainty [m]",
        ],
    )
    found = composite.shifts(ties, cores, reference="A")
    assert found["shift"].values[-1] == pytest.approx(0.5)
    assert found["shift_u_random"].values[-1] == pytest.approx(0.1 / np.sqrt(2))
    np.testing.assert_allclose(found["tie_residual"].values, [0.1, -0.1], atol=1e-12)


def test_growth_of_a_column_that_grows_by_a_tenth():
    top = np.arange(0.0, 100.0, 9.5)
    names = [str(i) for i in range(top.size)]
    cores = {
        "A": pd.DataFrame({"core": names, "top [m]": top}),
        "B": pd.DataFrame({"core": names, "top [m]": top + 4.0}),
    }
    rows = []
    for i in range(top.size):
        rows.append(("B", names[i], top[i] + 5.0, "A", names[i], top[i] + 5.0 + 0.4))
        if i + 1 < top.size:
            rows.append(("A", names[i + 1], top[i] + 9.6, "B", names[i], top[i] + 9.6 - 0.4 + 0.95))
    ties = pd.DataFrame(
        rows, columns=["hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]"]
    )
    found = composite.shifts(ties, cores, reference="A")
    growth = composite.growth_factor(found, hole="A")
    # 0.4 m in B, then 0.55 m more: 0.95 m a core of 9.5 m.
    assert float(growth["growth_factor"]) == pytest.approx(1.1, abs=1e-9)


def test_faults_of_ties_are_listed_together():
    cores = {"A": pd.DataFrame({"core": ["1"], "top [m]": [0.0]})}
    ties = pd.DataFrame(
        [
            ("A", "1", 1.0, "B", "1", 1.0),
            ("A", "9", np.nan, "A", "1", 1.0),
            ("A", "1", 1.0, "A", "1", 2.0),
        ],
        columns=["hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]"],
    )
    with pytest.raises(composite_ties.TieError) as error:
        composite.shifts(ties, cores, reference="A")
    text = str(error.value)
    for part in ("no hole 'B'", "no core '9'", "is not a number", "tied to itself"):
        assert part in text


def test_a_series_gets_its_composite_depth():
    properties, cores, _ = site()
    ties = composite_ties.empty()
    found = composite.shifts(ties, cores, reference="A")
    placed = composite.place(properties["A"]["bulk_density"], hole="A", shifts=found)
    np.testing.assert_array_equal(placed["depth_composite"].values, placed["depth"].values)
    with pytest.raises(cp.PositionError, match="has no shift"):
        composite.place(properties["A"]["bulk_density"], hole="B2", shifts=found)


# Sequence and scales -----------------------------------------------------------------------------


def laid_out(cores, length=9.0):
    """Sections of 1.5 m of every core of a hole."""
    rows = [(c, str(i + 1), 1.5) for c in cores["core"] for i in range(int(length / 1.5))]
    sections = pd.DataFrame(rows, columns=["core", "section", "length [m]"])
    return cp.depth.section_tops(sections=sections, cores=cores.assign(**{"advance [m]": 8.5}))


@pytest.fixture(scope="module")
def three_holes(suggested):
    ties, cores, _ = suggested
    shifts = composite.shifts(ties, cores, reference="A", use=("suggested",))
    return shifts, {hole: laid_out(table) for hole, table in cores.items()}


def test_a_sequence_covers_the_site_and_its_intervals_meet(three_holes):
    shifts, sections = three_holes
    table = sequences.suggest_sequence(sections, shifts, margin="0.3 m")
    found = sequences.checked_sequence(table, shifts)
    gap = found["joint_gap"].values
    assert (gap == 0.0).all() and len(table) > 12
    assert set(table["joint"]) == {"first", "meets"}
    bottoms, tops = found["bottom_composite"].values[:-1], found["top_composite"].values[1:]
    np.testing.assert_allclose(bottoms, tops, atol=1e-9)


def test_readings_of_a_sequence_follow_each_other_through_the_true_column(three_holes):
    shifts, sections = three_holes
    properties, _, _ = site()
    table = sequences.suggest_sequence(sections, shifts, margin="0.3 m")
    sequence = sequences.checked_sequence(table, shifts)
    series = {hole: held["bulk_density"] for hole, held in properties.items()}
    taken = sequences.take(sequence, series, shifts)
    z = taken["depth_composite"].values
    assert (np.diff(z) > 0.0).all() and np.diff(z).max() < 2.01 * STEP
    total = sum(s.sizes["reading"] for s in series.values())
    assert taken.sizes["reading"] + taken.attrs["readings_left_out"] == total
    # The same column as that of the first hole wherever both have readings.
    a = composite.place(series["A"], hole="A", shifts=shifts)
    both = np.interp(a["depth_composite"].values, z, taken["bulk_density"].values)
    good = np.isfinite(both) & np.isfinite(a["bulk_density"].values)
    assert np.corrcoef(both[good], a["bulk_density"].values[good])[0, 1] > 0.95


def test_a_gap_that_no_core_covers_is_named():
    cores = {"A": pd.DataFrame({"core": ["1", "2"], "top [m]": [0.0, 9.5]})}
    shifts = composite.shifts(composite_ties.empty(), cores, reference="A")
    sections = {"A": laid_out(cores["A"])}
    assert len(sequences.suggest_sequence(sections, shifts)) == 1  # the datum alone
    table = sequences.suggest_sequence(sections, shifts, only_tied=False)
    assert table["joint"].tolist() == ["first", "gap"]
    assert sequences.checked_sequence(table, shifts)["joint_gap"].values[1] == 0.5


def test_intervals_that_overlap_are_refused():
    cores = {"A": pd.DataFrame({"core": ["1", "2"], "top [m]": [0.0, 9.5]})}
    shifts = composite.shifts(composite_ties.empty(), cores, reference="A")
    rows = [("A", "1", 0.0, 9.9), ("A", "2", 9.5, 9.0), ("A", "7", 10.0, 11.0)]
    sequence = pd.DataFrame(rows, columns=["hole", "core", "top [m]", "bottom [m]"])
    with pytest.raises(composite_ties.TieError) as error:
        sequences.checked_sequence(sequence, shifts)
    for words in (
        "has 3 problems to mend",
        "no core '7'",
        "its top is at 9.5 m and its bottom at 9 m; the bottom has to lie deeper",
        "0.400 m above the end",
    ):
        assert words in str(error.value)


@pytest.mark.parametrize("given", depth_scales.SCALES)
@pytest.mark.parametrize("wanted", depth_scales.SCALES)
def test_every_scale_goes_both_ways(three_holes, given, wanted):
    shifts, sections = three_holes
    table = depth_scales.scales(sections["B"], shifts, hole="B", growth_factor=1.08)
    core = table["core"].values
    z = table[given].mean("end").values
    there = depth_scales.convert(cp.quantity(z, "m"), core, table, given=given, wanted=wanted)
    back = depth_scales.convert(there, core, table, given=wanted, wanted=given)
    np.testing.assert_allclose(back.to("m").magnitude, z, atol=1e-9)
    np.testing.assert_allclose(there.to("m").magnitude, table[wanted].mean("end").values, atol=1e-9)


def test_scales_of_one_core_by_hand():
    """A core of 9 m cut by 8.5 m, shifted by 0.6 m, growth 1.1; the middle of section 3."""
    cores = pd.DataFrame({"core": ["1"], "top [m]": [10.0], "advance [m]": [8.5]})
    shifts = xr.Dataset(
        {"shift": ("row", [0.6])},
        {"hole": ("row", np.array(["A"], object)), "core": ("row", np.array(["1"], object))},
    )
    table = depth_scales.scales(laid_out(cores), shifts, hole="A", growth_factor=1.1)
    at = cp.quantity([13.75], "m")
    expected = {
        "depth_fitted": 10.0 + 3.75 * 8.5 / 9.0, "depth_composite": 14.35,
        "depth_composite_over_growth": 14.35 / 1.1,
    }  # fmt: skip
    for wanted, value in expected.items():
        found = depth_scales.convert(at, "1", table, given="depth", wanted=wanted)
        assert found[0].to("m").magnitude == pytest.approx(value, abs=1e-12)
    series = xr.DataArray([1375.0], dims="reading", attrs={"units": "cm"}, name="depth")
    found = depth_scales.convert(series, "1", table, given="depth", wanted="depth_composite")
    assert found.attrs == {"units": "m"} and found.name == "depth_composite"
    assert found.values[0] == pytest.approx(14.35, abs=1e-12)
    beyond = depth_scales.convert("19.5 m", "1", table, given="depth", wanted="depth_fitted")
    assert np.isnan(beyond[0].magnitude)
    with pytest.raises(ValueError, match="given is 'drilled'; expected one of depth"):
        depth_scales.convert(at, "1", table, given="drilled", wanted="depth")
