"""Series meet through match: within their core, within reach, and nobody is lost in silence."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.ground.series import PositionError
from corephys.hole.placing.depth import match
from corephys.uncertainty import Measured


def line(depth, values=None, core=None, **attributes):
    """A Dataset of bulk density at depths [m]."""
    depth = np.asarray(depth, dtype=float)
    values = np.arange(depth.size) * 0.1 + 1.5 if values is None else np.asarray(values, float)
    coordinates = {"depth": ("reading", depth, {"units": "m"})}
    if core is not None:
        coordinates["core"] = ("reading", np.asarray(core, dtype=object))
    array = xr.DataArray(values, dims="reading", coords=coordinates)
    return series.build({"bulk_density": Measured(array, **attributes)})


def test_the_nearest_within_reach_and_nothing_beyond():
    a = line([1.00, 1.10, 1.20])
    found = match(a, to=line([1.015, 1.05, 1.18, 1.2201]), within="2 cm")
    assert found.bulk_density.values == pytest.approx([1.5, np.nan, 1.7, np.nan], nan_ok=True)
    assert found.distance.values == pytest.approx([1.5, np.nan, 2.0, np.nan], nan_ok=True)
    assert found.distance.attrs["units"] == "cm"
    assert found.bulk_density_partners.values.tolist() == [1, 0, 1, 0]
    assert found.bulk_density_flag.values.tolist() == [1, 9, 1, 9]
    assert flags.names(found.bulk_density_reason.values[1]) == ["missing_value"]
    assert found.attrs["matched"] == 2
    assert found.attrs["unmatched_to"] == 2
    assert found.attrs["unmatched_a"] == 1
    assert found.bulk_density.attrs["units"] == "g/cm^3"
    series.require_same_positions(found=found, to=line([1.015, 1.05, 1.18, 1.2201]))


def test_exactly_at_reach_counts_whatever_the_rounding():
    for start in (0.0, 1.0, 10.0, 1234.56):
        found = match(line([start]), to=line([start + 0.02, start - 0.02, start + 0.021]))
        assert found.bulk_density_partners.values.tolist() == [1, 1, 0]


def test_of_two_equally_near_the_upper_and_of_two_at_one_place_the_first():
    assert match(line([1.0, 1.02]), to=line([1.01])).bulk_density.item() == 1.5
    assert match(line([1.02, 1.0]), to=line([1.01])).bulk_density.item() == 1.6
    assert match(line([1.0, 1.0, 1.0]), to=line([1.01, 0.99])).bulk_density.values.tolist() == [
        1.5,
        1.5,
    ]


def test_overlapping_cores_never_mix_where_both_name_their_core():
    a = line([9.5, 9.6, 9.5, 9.6], [1.5, 1.6, 2.0, 2.1], ["1", "1", "2", "2"])
    to = line([9.6, 9.5, 9.6], core=["2", "1", "3"])
    for how in ("nearest", "mean_over_footprint"):
        found = match(a, to=to, within="2 cm", how=how)
        assert found.bulk_density.values == pytest.approx([2.1, 1.5, np.nan], nan_ok=True)
    by_depth = match(a, to=line([9.6]), how="mean_over_footprint")
    assert by_depth.bulk_density.item() == pytest.approx(1.85)
    assert by_depth.bulk_density_partners.item() == 2


def test_a_footprint_has_mean_count_uncertainty_effects_and_reasons():
    reason = np.array([0, flags.bit("spike"), flags.bit("section_end"), 0])
    a = line(
        [1.00, 1.02, 1.04, 1.50], [1.5, 1.6, 2.0, 2.5],
        u_random=np.array([0.03, 0.04, 0.12, 1.0]),
        effects={
            "bore": np.array([0.1, 0.1, 0.4, 0.0]), "dead_time": np.array([-0.3, 0.0, 0.0, 0.0]),
        },
        reason=reason,
    )  # fmt: skip
    found = match(a, to=line([1.02, 3.0]), within="2 cm", how="mean_over_footprint")
    assert found.bulk_density.values[0] == pytest.approx(1.7)
    assert found.bulk_density_u_random.values[0] == pytest.approx(0.13 / 3)
    effects = found.bulk_density_effects
    assert effects.sel(source=effects.source == "bore").values[0, 0] == pytest.approx(0.2)
    assert effects.sel(source=effects.source == "dead_time").values[0, 0] == pytest.approx(-0.1)
    assert found.bulk_density_u_systematic.values[0] == pytest.approx(np.hypot(0.2, 0.1))
    assert flags.names(found.bulk_density_reason.values[0]) == ["section_end", "spike"]
    assert found.bulk_density_flag.values.tolist() == [3, 9]
    assert np.isnan(found.bulk_density_u_random.values[1])
    assert np.isnan(effects.values[:, 1]).all()
    assert found.attrs["unmatched_a"] == 1


def test_only_allowed_readings_are_partners_and_nan_never_is():
    reason = np.array([flags.bit("void"), flags.bit("spike"), 0, 0])
    a = line([1.00, 1.01, 1.015, 1.02], [1.1, 1.2, np.nan, 1.4], reason=reason)
    to = line([1.0])
    assert match(a, to=to).bulk_density.item() == 1.2
    assert match(a, to=to, allow=("good",)).bulk_density.item() == 1.4
    assert match(a, to=to, allow=("good", "bad")).bulk_density.item() == 1.1
    with pytest.raises(ValueError, match="allow has 'fine'"):
        match(a, to=to, allow=("fine",))


def test_each_number_has_its_own_partners_and_raw_tables_work():
    coordinates = {"depth": ("reading", [1.0, 1.01], {"units": "m"})}
    raw = xr.Dataset(
        {
            "counts": ("reading", [10, 20]),
            "temperature": ("reading", [np.nan, 21.0], {"units": "degC"}),
            "set": ("reading", np.array(["A", "B"], dtype=object)),
            "flag": ("reading", np.array([1, 1], dtype=np.int8)),
            "reason": ("reading", np.array([0, 0], dtype=np.int64)),
        },
        coordinates,
    )
    found = match(raw, to=line([1.0]))
    assert found.counts.item() == 10
    assert found.temperature.item() == 21
    assert found.temperature_u_random.attrs["units"] == "K"
    assert "set" not in found
    assert "flag" not in found


def test_a_dataarray_and_depths_in_other_units():
    array = xr.DataArray(
        [2.0, 3.0], dims="reading", coords={"depth": ("reading", [100.0, 110.0], {"units": "cm"})},
        name="speed", attrs={"units": "km/s"},
    )  # fmt: skip
    found = match(array, to=line([1.1]))
    assert found.speed.item() == 3.0
    assert found.speed.attrs["units"] == "km/s"


def test_nothing_to_match_is_said_not_raised():
    for a, to in (
        (line([]), line([1.0, 2.0])),
        (line([1.0]), line([])),
        (line([np.nan]), line([1.0])),
    ):
        for how in ("nearest", "mean_over_footprint"):
            found = match(a, to=to, how=how)
            assert found.attrs["matched"] == 0
            assert found.attrs["unmatched_to"] == to.sizes["reading"]
            assert np.isnan(found.bulk_density.values).all()
    lost = match(line([1.0]), to=line([np.nan, 1.0]))
    assert lost.bulk_density_partners.values.tolist() == [0, 1]


def test_what_is_missing_is_named():
    bare = xr.Dataset({"bulk_density": ("reading", [1.0], {"units": "g/cm^3"})})
    with pytest.raises(PositionError, match=r"a has no depth.*depth\.place"):
        match(bare, to=line([1.0]))
    with pytest.raises(PositionError, match="to has no depth"):
        match(line([1.0]), to=bare)
    with pytest.raises(ValueError, match="expected one of nearest, mean_over_footprint"):
        match(line([1.0]), to=line([1.0]), how="closest")
    with pytest.raises(ValueError, match="within"):
        match(line([1.0]), to=line([1.0]), within=2.0)


@pytest.mark.parametrize("how", ["nearest", "mean_over_footprint"])
@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_looking_at_every_pair(seed, how):
    rng = np.random.default_rng(seed)

    def some(count):
        core = rng.integers(0, 4, count)
        return core.astype(str), np.round(core * 2.0 + rng.uniform(0, 3, count), 3)

    (core_a, depth_a), (core_to, depth_to) = some(200), some(150)
    values = rng.uniform(1.2, 2.0, 200)
    found = match(
        line(depth_a, values, core_a), to=line(depth_to, core=core_to), within="3 cm", how=how
    )
    for row in range(150):
        distance = np.abs(depth_a - depth_to[row])
        partners = np.flatnonzero((core_a == core_to[row]) & (distance <= 0.03 + 1e-7))
        got = found.bulk_density.values[row]
        if partners.size == 0:
            assert np.isnan(got)
        elif how == "nearest":
            best = partners[distance[partners] <= distance[partners].min() + 1e-9]
            assert got in values[best]
        else:
            assert got == pytest.approx(values[partners].mean())
            assert found.bulk_density_partners.values[row] == partners.size
