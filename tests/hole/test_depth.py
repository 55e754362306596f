"""Depths against sums done by hand, and every legal oddity of coring."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from corephys.ground.series import PositionError
from corephys.hole.placing import depth

CORES = pd.DataFrame(
    {
        "core": ["1", "2", "3", "4"],
        "top [m]": [0.0, 3.0, 5.0, 20.0],  # drilled without coring between 7 and 20 m
        "advance [m]": [3.0, 2.0, 2.0, 4.0],
    }
)
SECTIONS = pd.DataFrame(
    {  # core 1: 120 % recovery; core 2: none at all; core 3: closed voids; core 4: named first
        "core": ["4", "1", "1", "3", "3", "1"],
        "section": ["1", "1", "2", "1", "2", "cc"],
        "length [m]": [1.0, 1.5, 1.5, 1.5, 0.9, 0.6],
    }
)
REMOVED = pd.DataFrame(
    {
        "core": ["3", "3", "3", "4"],
        "section": ["1", "1", "2", "1"],
        "from [cm]": [50.0, 60.0, 0.0, 10.0],
        "to [cm]": [70.0, 80.0, 20.0, 20.0],  # the first two overlap: 50 to 80 cm is closed
        "kind": ["closed_void", "closed_void", "closed_void", "open_void"],
    }
)


def place(core, section, offset, removed=REMOVED):
    at = cp.quantity(np.atleast_1d(np.asarray(offset, dtype=float)), "cm")
    placed = depth.place(core, section, at, sections=SECTIONS, cores=CORES, removed=removed)
    return placed.depth.values, placed.depth_fitted.values


def test_a_depth_is_core_top_plus_sections_above_plus_offset():
    laid, fitted = place(["4", "1", "1", "1"], ["1", "1", "2", "cc"], [25, 10, 20, 30])
    assert laid == pytest.approx([20.25, 0.10, 1.70, 3.30], abs=1e-12)
    # 3.6 m came up of 3.0 m: everything shrinks by 3.0 / 3.6
    assert fitted == pytest.approx([20.25, 0.10 * 3 / 3.6, 1.70 * 3 / 3.6, 3.30 * 3 / 3.6])


def test_more_than_was_cut_overlaps_the_next_core_as_laid_out_and_not_when_fitted():
    laid, fitted = place(["1"], ["cc"], [60])
    assert laid[0] == pytest.approx(3.6)
    assert fitted[0] == pytest.approx(3.0)


def test_closed_voids_close_and_a_reading_inside_sits_where_they_close():
    offsets = [40, 50, 65, 80, 100, 150]
    laid, fitted = place(["3"] * 6, ["1"] * 6, offsets)
    assert laid == pytest.approx([5.4, 5.5, 5.65, 5.8, 6.0, 6.5])
    # left: 2.4 m less 0.3 and 0.2 m is 1.9 m, under the advance of 2 m: no squeeze
    assert fitted == pytest.approx([5.4, 5.5, 5.5, 5.5, 5.7, 6.2])
    laid, fitted = place(["3"] * 3, ["2"] * 3, [10, 20, 90])
    assert laid == pytest.approx([6.6, 6.7, 7.4])
    assert fitted == pytest.approx([6.2, 6.2, 6.9])


def test_without_the_voids_the_core_is_squeezed_instead():
    _, fitted = place(["3"], ["2"], [90], removed=None)
    assert fitted[0] == pytest.approx(7.0)


def test_an_open_void_moves_nothing():
    _, fitted = place(["4"], ["1"], [50])
    assert fitted[0] == pytest.approx(20.5)


def test_voids_and_squeeze_together():
    cores = CORES.assign(**{"advance [m]": [3.0, 2.0, 1.52, 4.0]})
    placed = depth.place(
        "3", "2", "90 cm", sections=SECTIONS, cores=cores, removed=REMOVED
    )  # 1.9 m left of 1.52 m: factor 0.8
    assert placed.depth.dims == ()
    assert float(placed.depth_fitted) == pytest.approx(5.0 + 1.9 * 0.8)
    placed = depth.place("3", "1", "100 cm", sections=SECTIONS, cores=cores, removed=REMOVED)
    assert float(placed.depth_fitted) == pytest.approx(5.0 + 0.7 * 0.8)


def test_fitted_depth_never_runs_backward_within_a_core():
    section = np.array(["1"] * 301 + ["2"] * 181)
    offset = np.concatenate([np.arange(301) * 0.5, np.arange(181) * 0.5])
    laid, fitted = place(np.full(section.size, "3"), section, offset)
    assert (np.diff(laid) >= -1e-12).all()
    assert (np.diff(fitted) >= -1e-12).all()
    assert (laid - fitted).max() == pytest.approx(0.5)


def test_section_tops_are_the_places_of_offset_zero():
    tops = depth.section_tops(sections=SECTIONS, cores=CORES, removed=REMOVED)
    assert tops["top"].values == pytest.approx([20.0, 0.0, 1.5, 5.0, 6.5, 3.0])
    assert tops["bottom"].values == pytest.approx([21.0, 1.5, 3.0, 6.5, 7.4, 3.6])
    assert tops["top_fitted"].values[4] == pytest.approx(6.2)
    assert tops["core"].values.tolist() == SECTIONS["core"].tolist()


def test_categories_and_any_unit_of_length_give_the_same():
    core, section = ["1", "3", "1"], ["2", "1", "cc"]
    laid, fitted = place(core, section, [20, 100, 30])
    placed = depth.place(
        pd.Categorical(core), pd.Categorical(section), cp.quantity(np.array([0.2, 1.0, 0.3]), "m"),
        sections=SECTIONS, cores=CORES, removed=REMOVED,
    )  # fmt: skip
    assert placed.depth.values == pytest.approx(laid)
    assert placed.depth_fitted.values == pytest.approx(fitted)


def test_an_offset_that_is_not_known_has_no_depth():
    laid, fitted = place(["1", "3"], ["1", "1"], [np.nan, np.nan])
    assert np.isnan(laid).all()
    assert np.isnan(fitted).all()


def test_what_cannot_be_placed_says_why():
    with pytest.raises(PositionError, match=r"'9'.*reading 1.*not in sections"):
        place(["1", "1"], ["1", "9"], [0, 0])
    with pytest.raises(PositionError, match="dtype=str"):
        place(np.array([1]), np.array([1]), [0])
    with pytest.raises(PositionError, match="section has 2 values"):
        place(["1"] * 3, ["1"] * 2, [0, 0, 0])
    with pytest.raises(cp.UnitError, match="offset"):
        depth.place("1", "1", 5.0, sections=SECTIONS, cores=CORES)
    with pytest.raises(PositionError, match=r"'4'.*not in cores"):
        depth.place("1", "1", "5 cm", sections=SECTIONS, cores=CORES[:3])


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_many_cores_at_once_agree_with_one_reading_after_the_other(seed):
    rng = np.random.default_rng(seed)
    names = [str(i) for i in range(12)]
    cores = pd.DataFrame(
        {"core": names, "top [m]": np.arange(12) * 10.0, "advance [m]": rng.uniform(2, 9, 12)}
    )
    rows = [(c, str(s), rng.uniform(0.3, 1.5)) for c in names for s in range(5)]
    sections = pd.DataFrame(rows, columns=["core", "section", "length [m]"]).sample(
        frac=1, random_state=seed
    )
    voids = []
    for core, section, length in rows:
        if rng.random() < 0.4:
            start = rng.uniform(0, length * 60)
            end = rng.uniform(start, length * 100)
            voids.append((core, section, start, end, "closed_void"))
    removed = pd.DataFrame(voids, columns=["core", "section", "from [cm]", "to [cm]", "kind"])
    pick = rng.integers(0, len(sections), 300)
    core = sections["core"].to_numpy()[pick]
    section = sections["section"].to_numpy()[pick]
    offset = rng.uniform(0, 150, 300)
    placed = depth.place(
        core, section, cp.quantity(offset, "cm"), sections=sections, cores=cores, removed=removed
    )
    expected = [
        slowly(c, s, o, cores, sections, removed)
        for c, s, o in zip(core, section, offset, strict=True)
    ]
    assert placed.depth.values == pytest.approx([e[0] for e in expected], abs=1e-9)
    assert placed.depth_fitted.values == pytest.approx([e[1] for e in expected], abs=1e-9)


def slowly(core, section, offset, cores, sections, removed):
    """One reading, in plain steps: the length of core above it that is no void."""
    row = cores[cores["core"] == core].iloc[0]
    above, inside, at, voids = 0.0, None, None, []
    for _, piece in sections[sections["core"] == core].iterrows():
        if piece["section"] == section:
            inside = above + offset / 100
            at = above + min(offset / 100, piece["length [m]"])  # past its end it has no voids
        gone = removed[(removed["core"] == core) & (removed["section"] == piece["section"])]
        voids += [
            (above + a / 100, above + b / 100)
            for a, b in zip(gone["from [cm]"], gone["to [cm]"], strict=True)
        ]
        above += piece["length [m]"]
    total = above - sum(end - start for start, end in voids)
    closed = sum(min(max(at - start, 0.0), end - start) for start, end in voids)
    factor = min(1.0, row["advance [m]"] / total)
    return row["top [m]"] + inside, row["top [m]"] + (inside - closed) * factor


# Closed voids: both offsets stay -----------------------------------------------------------------


def voids_of(seed):
    """A hole of five cores with closed voids, some of them longer than their advance."""
    rng = np.random.default_rng(seed)
    names = [str(i) for i in range(5)]
    cores = pd.DataFrame(
        {"core": names, "top [m]": np.arange(5) * 9.0, "advance [m]": rng.uniform(4, 9, 5)}
    )
    sections = pd.DataFrame(
        [(c, str(s), rng.uniform(1.0, 1.5)) for c in names for s in range(5)],
        columns=["core", "section", "length [m]"],
    )
    voids = [
        (c, s, at, at + rng.uniform(2, 25), "closed_void")
        for c, s, length in sections.itertuples(index=False)
        for at in (rng.uniform(0, 30), rng.uniform(length * 60, length * 100 - 30))
        if rng.random() < 0.5
    ]
    removed = pd.DataFrame(voids, columns=["core", "section", "from [cm]", "to [cm]", "kind"])
    return sections, cores, removed


def test_both_offsets_by_hand():
    placed = depth.place(
        ["3"] * 7, ["1"] * 4 + ["2"] * 3,
        cp.quantity(np.array([40.0, 65, 100, 150, 10, 20, 90]), "cm"),
        sections=SECTIONS, cores=CORES, removed=REMOVED,
    )  # fmt: skip
    assert placed["offset"].values.tolist() == [40, 65, 100, 150, 10, 20, 90]
    # 50 to 80 cm of section 1 and 0 to 20 cm of section 2 are closed
    assert placed["offset_closed"].values == pytest.approx([40, 50, 70, 120, 0, 0, 70])
    assert placed["offset_closed"].attrs["units"] == "cm"
    # offset_closed counts from the section's top, which the voids of section 1 moved up
    assert placed["depth_closed"].values == pytest.approx([5.4, 5.5, 5.7, 6.2, 6.2, 6.2, 6.9])


def test_the_closed_scale_is_not_squeezed():
    cores = CORES.assign(**{"advance [m]": [3.0, 2.0, 1.52, 4.0]})
    placed = depth.place("3", "2", "90 cm", sections=SECTIONS, cores=cores, removed=REMOVED)
    assert float(placed.depth_closed) == pytest.approx(6.9)
    assert float(placed.depth_fitted) == pytest.approx(5.0 + 1.9 * 0.8)


@pytest.mark.parametrize("seed", range(4))
def test_closed_offsets_agree_with_one_reading_after_the_other(seed):
    sections, cores, removed = voids_of(seed)
    rng = np.random.default_rng(seed + 100)
    pick = rng.integers(0, len(sections), 400)
    core = sections["core"].to_numpy()[pick]
    section = sections["section"].to_numpy()[pick]
    offset = rng.uniform(0, 1, 400) * sections["length [m]"].to_numpy()[pick] * 100
    placed = depth.place(
        core, section, cp.quantity(offset, "cm"), sections=sections, cores=cores, removed=removed
    )
    expected = []
    for c, s, o in zip(core, section, offset, strict=True):
        mine = removed[(removed["core"] == c) & (removed["section"] == s)]
        gone = sum(
            min(max(o - a, 0.0), b - a)
            for a, b in zip(mine["from [cm]"], mine["to [cm]"], strict=True)
        )
        expected.append(o - gone)
    assert placed["offset_closed"].values == pytest.approx(expected, abs=1e-9)
    whole = cores.assign(**{"advance [m]": 1e3})  # nothing is squeezed into so long an advance
    loose = depth.place(
        core, section, cp.quantity(offset, "cm"), sections=sections, cores=whole, removed=removed
    )
    assert placed["depth_closed"].values == pytest.approx(loose["depth_fitted"].values, abs=1e-12)


def test_a_series_is_closed_up_and_keeps_its_offset():
    sections, cores, removed = voids_of(1)
    placed = depth.place(
        ["1", "1"], ["0", "3"], cp.quantity(np.array([80.0, 90.0]), "cm"),
        sections=sections, cores=cores, removed=removed,
    )  # fmt: skip
    series = placed.drop_vars(["offset_closed", "depth_closed"]).set_coords("depth")
    closed = depth.closed_up(series, sections=sections, cores=cores, removed=removed)
    for name in ("offset_closed", "depth_closed"):
        assert closed[name].values.tolist() == placed[name].values.tolist()
        assert name in closed.coords
    assert closed["offset"].values.tolist() == [80.0, 90.0]
    with pytest.raises(PositionError, match="no coordinate section"):
        depth.closed_up(series.drop_vars("section"), sections=sections, cores=cores)
    with pytest.raises(PositionError, match="not in sections"):
        depth.closed_up(series.assign_coords(core="9"), sections=sections, cores=cores)


def test_only_holes_with_closed_voids_carry_the_closed_scale():
    tables = {
        "cores": CORES.assign(coring_method="piston", **{"recovered [m]": [3.6, 0.0, 2.4, 1.0]}),
        "sections": SECTIONS.assign(**{"core_diameter [mm]": 66.0}),
        "scan/susceptibility": pd.DataFrame(
            {"core": ["3"], "section": ["1"], "offset [cm]": [100.0], "reading": [5.0]}
        ),
    }
    settings = {"hole": {
        "name": "x", "water_depth": "2000 m", "bottom_water_temperature": "2 degC",
        "pore_water_salinity": "35 g/kg", "laboratory_temperature": "20 degC",
    }}  # fmt: skip
    plain = cp.hole_from_tables(tables, settings)["scan/susceptibility"].to_dataset()
    assert not {"offset_closed", "depth_closed"} & set(plain.coords)
    tables["removed"] = REMOVED.assign(when="before_scan")
    held = cp.hole_from_tables(tables, settings)["scan/susceptibility"].to_dataset()
    assert held["offset"].values.tolist() == [100.0]
    assert held["offset_closed"].values == pytest.approx([70.0])
    assert held["depth_closed"].values == pytest.approx([5.7])
    reduced = cp.reduce(cp.hole_from_tables(tables, settings))
    leaf = reduced["properties/susceptibility"].to_dataset()
    assert leaf["offset"].values.tolist() == [100.0]
    assert leaf["offset_closed"].values == pytest.approx([70.0])
