"""Budgets of uncertainty: every source has a group, shares add up, what is unknown is said."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.uncertainty import Measured, budget, budget_of_mean, reading_shares
from corephys.uncertainty.sources import GROUPS, all_sources, random_source, source_of, stem
from data_demo.simulator.hole import simulate_tables


def made(values: list[float], random: object, effects: dict, reason: object = 0) -> xr.Dataset:
    place = xr.DataArray(
        np.array(values), dims="reading", coords={"depth": ("reading", np.arange(len(values)))}
    )
    return series.build({"bulk_density": Measured(place, random, effects, reason)})


# Sources and groups -------------------------------------------------------------------------------


def names_in(tree: xr.DataTree) -> set[str]:
    """Every source and part that moves something in a reduced hole."""
    found: set[str] = set()
    for leaf in tree.leaves:
        data = leaf.to_dataset(inherit=False)
        for name in map(str, data.data_vars):
            if name.endswith("_effects") and "source" in data[name].dims:
                rest = [dim for dim in data[name].dims if dim != "source"]
                moves = (data[name] != 0).any(rest)  # unknown ones too
                found.update(str(s) for s in data["source"].values[moves.values])
            if name.endswith("_random_parts"):
                found.update(str(part) for part in data["part"].values)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("which", ["demo", 47, 1204])
def test_every_source_of_a_reduced_hole_has_a_group(which: str | int) -> None:
    if which == "demo":
        hole = cp.read_hole("data_demo/hole")
    else:
        tables, settings, _ = simulate_tables(which, small=True)
        hole = cp.hole_from_tables(tables, settings)
    names = names_in(cp.reduce(hole))
    assert len(names) > 30
    assert sorted(n for n in names if source_of(n).group == "not grouped") == []


def test_a_source_without_a_group_is_found() -> None:
    leaf = made([1.5], 0.01, {"core_diameter": 0.02, "moon_phase": 0.01, "silent": 0.0})
    names = names_in(xr.DataTree.from_dict({"/properties/density": leaf}))
    assert names == {"core_diameter", "moon_phase"}
    assert source_of("moon_phase").group == "not grouped"
    assert source_of("moon_phase").words == "moon phase"


def test_the_table_of_sources_is_whole() -> None:
    rows = all_sources()
    assert {row.group for row in rows} <= set(GROUPS)
    assert len({row.name for row in rows}) == len(rows)
    assert stem("gamma_calibration_12") == "gamma_calibration"
    assert source_of("gamma_calibration_2").name == "gamma_calibration"
    assert source_of("density_tie_piston").group == "calibration"
    assert source_of("in_situ_temperature").words == "temperature in situ"  # not the pattern's


def test_the_random_part_is_named_by_what_the_result_carries() -> None:
    assert random_source("bulk_density", ["gamma_calibration_1", "balance"]).group == "counting"
    assert random_source("bulk_density", ["balance"]).group == "weighing"
    assert random_source("porosity", ["balance"]).group == "weighing"
    assert random_source("porosity", ["gamma_calibration_1", "pycnometer"]).group == "counting"
    assert random_source("poisson_ratio").group == "reading"


# Bookkeeping --------------------------------------------------------------------------------------


def test_a_budget_by_hand() -> None:
    product = made([1.5, 1.6], np.array([0.01, 0.02]),
                   {"core_diameter": np.array([-0.02, -0.02]), "dead_time": 0.005})  # fmt: skip
    table = budget(product, "bulk_density").set_index("source")
    assert list(table.index) == ["random", "core_diameter", "dead_time", "total"]
    whole = np.array([1e-4, 4e-4]) + 4e-4 + 25e-6
    assert table.loc["core_diameter", "standard_uncertainty"] == pytest.approx(0.02)
    assert table.loc["core_diameter", "effect"] == pytest.approx(-0.02)
    share = 4e-4 / whole
    assert table.loc["core_diameter", "share"] == pytest.approx(share.mean())
    assert table.loc["core_diameter", "share_median"] == pytest.approx(np.median(share))
    assert table.loc["core_diameter", "share_16"] == pytest.approx(np.percentile(share, 16))
    assert table.loc["total", "standard_uncertainty"] == pytest.approx(np.median(whole**0.5))
    parts = table[table["kind"] != "sum"]
    assert parts["share"].sum() == pytest.approx(1.0, abs=1e-12)
    assert table.loc["total", "share"] == 1.0
    assert np.isnan(table.loc["random", "effect"])  # it has no sign
    np.testing.assert_allclose(
        cp.uncertainty.total(product, "bulk_density"), whole**0.5, rtol=1e-12
    )


def test_numbered_effects_are_one_source_and_have_no_sign() -> None:
    product = made([1.5, 1.5], 0.0, {"gamma_calibration_1": 0.03, "gamma_calibration_2": -0.04})
    table = budget(product).set_index("source")
    assert table.loc["gamma_calibration", "standard_uncertainty"] == pytest.approx(0.05)
    assert np.isnan(table.loc["gamma_calibration", "effect"])


def test_groups_add_their_sources() -> None:
    product = made([1.5], 0.01, {"dead_time": 0.03, "aluminium_density": 0.04, "balance": 0.02})
    table = budget(product, by="group").set_index("group")
    assert table.loc["calibration", "standard_uncertainty"] == pytest.approx(0.05)
    assert table.loc["weighing", "kind"] == "both"  # samples: the random part is weighing too
    assert table["share"][:-1].sum() == pytest.approx(1.0)


def test_what_is_unknown_is_listed_and_left_out_of_the_shares() -> None:
    product = made([1.5, 1.6], 0.03, {"core_diameter": np.nan, "dead_time": 0.04})
    for by in ("source", "group"):
        table = budget(product, by=by).set_index("source")
        unknown = table.loc["core_diameter"]
        assert np.isnan(unknown["standard_uncertainty"]) and np.isnan(unknown["share"])
        assert (unknown["unknown"], unknown["readings"]) == (2, 2)
        assert table.loc["known", "standard_uncertainty"] == pytest.approx(0.05)
        assert np.isnan(table.loc["total", "standard_uncertainty"])
        assert np.isnan(table.loc["total", "share"])
        known = table[(table["kind"] != "sum") & (table["unknown"] == 0)]
        assert known["share"].sum() == pytest.approx(1.0)


def test_unknown_in_some_readings_only() -> None:
    product = made([1.5, 1.6], 0.03, {"core_diameter": np.array([0.04, np.nan])})
    table = budget(product).set_index("source")
    assert table.loc["core_diameter", "unknown"] == 1
    assert table.loc["total", "unknown"] == 1
    assert table.loc["total", "standard_uncertainty"] == pytest.approx(0.05)  # of the whole one
    assert table[table["kind"] != "sum"]["share"].sum() == pytest.approx(1.0)


def test_a_systematic_part_that_nobody_stated_is_unknown() -> None:
    table = budget(made([1.5], 0.03, {})).set_index("source")
    assert np.isnan(table.loc["not stated", "standard_uncertainty"])
    assert table.loc["random", "share"] == 1.0
    assert np.isnan(table.loc["total", "standard_uncertainty"])


def test_a_systematic_part_without_its_sources_still_counts() -> None:
    whole = made([1.5, 1.6], 0.03, {"core_diameter": 0.04})
    bare = whole.drop_vars(["bulk_density_effects", "source"])
    for by in ("source", "group"):
        table = budget(bare, by=by)
        assert table["kind"].tolist() == ["random", "systematic", "sum"]
        assert table["share"].tolist() == pytest.approx([0.36, 0.64, 1.0])
        assert table["standard_uncertainty"].iloc[-1] == pytest.approx(0.05)
    mean = budget_of_mean(bare).set_index("source")
    assert mean.loc["systematic", "standard_uncertainty"] == pytest.approx(0.04)
    assert reading_shares(bare)["variance_share"].sel(part="systematic").values == pytest.approx(
        0.64
    )
    bare["bulk_density_u_systematic"][1] = np.nan
    table = budget(bare).set_index("source")
    assert table.loc["systematic", "unknown"] == 1
    assert table.loc["total", "standard_uncertainty"] == pytest.approx(0.05)


def test_what_has_no_budget_is_refused_in_words() -> None:
    product = made([1.5], 0.03, {})
    with pytest.raises(ValueError, match="is a DataArray; give the Dataset"):
        budget(product["bulk_density"])
    with pytest.raises(ValueError, match="has no reading"):
        budget_of_mean(product.isel(reading=slice(0, 0)))


def test_flagged_readings_do_not_count_but_single_values_do() -> None:
    spike = np.array([0, flags.bit("spike")])
    product = made([1.5, 1.6], np.array([0.01, 0.5]), {"dead_time": 0.01}, spike)
    assert budget(product).set_index("source").loc["random", "readings"] == 1
    some = budget(product, allow=("good", "suspect")).set_index("source")
    assert some.loc["random", "readings"] == 2
    single = series.build(
        {"heat_flow": Measured(50.0, 1.0, {"thermometer": 0.5}, flags.bit("poor_fit"))}
    )
    assert budget(single).set_index("source").loc["total", "standard_uncertainty"] == pytest.approx(
        1.25**0.5
    )


def test_random_parts_that_a_product_tells_apart() -> None:
    flow = series.build({"heat_flow": Measured(50.0, 0.5, {"heating_power": 1.2})})
    flow["heat_flow_random_parts"] = xr.DataArray(
        [0.3, 0.4], dims="part",
        coords={"part": np.array(["conductivity", "bottom water"], dtype=object)},
    )  # fmt: skip
    table = budget(flow).set_index("source")
    assert list(table.index) == ["bottom water", "conductivity", "heating_power", "total"]
    assert table.loc["bottom water", "group"] == "temperature"
    assert table["share"][:-1].sum() == pytest.approx(1.0)
    groups = budget(flow, by="group")
    assert groups["source"].tolist() == ["conductivity", "temperature", "total"]
    assert groups["kind"].tolist()[:2] == ["both", "random"]


def test_shares_of_every_reading() -> None:
    product = made([1.5, 1.6, 1.7], np.array([0.03, 0.04, 0.03]),
                   {"core_diameter": np.array([0.04, 0.03, np.nan])})  # fmt: skip
    shares = reading_shares(product)["variance_share"]
    assert shares.dims == ("part", "reading")
    np.testing.assert_allclose(shares.sum("part"), 1.0)
    assert shares.sel(reading=2)[shares["part"] == "core_diameter"].isnull().all()
    assert shares["group"].values.tolist() == ["counting", "geometry"]
    assert "depth" in shares.coords


def test_a_leaf_of_a_reduced_hole_and_bad_input() -> None:
    product = made([1.5], 0.01, {"dead_time": 0.02})
    tree = xr.DataTree.from_dict({"/properties/density": product})
    assert budget(tree["properties/density"]).equals(budget(product))
    with pytest.raises(KeyError, match="no uncertainty of 'porosity' in the product; it holds"):
        budget(product, "porosity")
    with pytest.raises(ValueError, match="by is 'kind'; expected one of source, group"):
        budget(product, by="kind")
    with pytest.raises(ValueError, match="holds no quantity with an uncertainty"):
        budget(xr.Dataset({"x": 1.0}))
    with pytest.raises(ValueError, match="give the name of one"):
        both = series.build({"porosity": Measured(0.5, 0.1), "heat_flow": Measured(50.0, 1.0)})
        reading_shares(both)


# Means and differences ----------------------------------------------------------------------------


def test_effects_do_not_average_out() -> None:
    product = made([1.5] * 4, 0.04, {"core_diameter": 0.03})
    table = budget_of_mean(product).set_index("source")
    assert table.loc["random", "standard_uncertainty"] == pytest.approx(0.02)
    assert table.loc["core_diameter", "standard_uncertainty"] == pytest.approx(0.03)
    assert table.loc["total", "standard_uncertainty"] == pytest.approx(np.hypot(0.02, 0.03))
    assert (table["readings"] == 4).all()


def test_a_mean_of_each_layer_against_draws() -> None:
    """Two thousand series with the errors that the budget speaks of, averaged as they are."""
    rng = np.random.default_rng(8)
    by_diameter = np.array([-0.02, -0.02, -0.03, -0.03, -0.03])
    product = made([1.5] * 5, 0.05, {"core_diameter": by_diameter})
    layers = ["a", "a", "b", "b", "b"]
    table = budget_of_mean(product, labels=layers)
    assert table.columns[0] == "label"
    errors = rng.normal(0, 0.05, (20000, 5)) + rng.normal(size=(20000, 1)) * by_diameter
    for label, rows in (("a", [0, 1]), ("b", [2, 3, 4])):
        total = table[(table["label"] == label) & (table["source"] == "total")]
        spread = errors[:, rows].mean(axis=1).std()
        assert total["standard_uncertainty"].item() == pytest.approx(spread, rel=0.02)
    weights = np.array([-0.5, -0.5, 1 / 3, 1 / 3, 1 / 3])
    difference = budget_of_mean(product, weights=weights).set_index("source")
    assert difference.loc["core_diameter", "effect"] == pytest.approx(-0.01)
    assert difference.loc["total", "standard_uncertainty"] == pytest.approx(
        (errors @ weights).std(), rel=0.02
    )


def test_a_mean_takes_what_may_be_used_and_refuses_the_rest() -> None:
    product = made([1.5, 1.6, np.nan], np.array([0.02, np.nan, np.nan]), {"dead_time": 0.01},
                   np.array([0, flags.bit("spike"), 0]))  # fmt: skip
    table = budget_of_mean(product).set_index("source")
    assert table.loc["random", "standard_uncertainty"] == pytest.approx(0.02)
    with pytest.raises(ValueError, match="reading 1 has a weight but is missing or flagged"):
        budget_of_mean(product, weights=[0.5, 0.5, 0.0])
    with pytest.raises(ValueError, match="for 3 readings; give one each"):
        budget_of_mean(product, labels=["a"])
    with pytest.raises(ValueError, match="give only one of them"):
        budget_of_mean(product, labels=["a"] * 3, weights=[1.0, 0, 0])
    with pytest.raises(ValueError, match="weight of reading 1 is nan; weights must be numbers"):
        budget_of_mean(product, weights=[1.0, np.nan, 0])
    empty = budget_of_mean(product, labels=["a", "b", "b"])
    total = empty[(empty["label"] == "b") & (empty["source"] == "total")]
    assert total["standard_uncertainty"].isna().all() and total["readings"].item() == 0
