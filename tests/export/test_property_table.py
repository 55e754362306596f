"""The property table counts every reading, used or left out with its reason."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.export import property_table, write_summaries, write_tables
from corephys.export.property_tables import COLUMNS
from corephys.ground import flags, series
from corephys.uncertainty import Measured
from data_demo.simulator.hole import simulate_tables

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

LEFT = ["n_missing", "n_suspect", "n_bad", "n_not_evaluated"]


@pytest.fixture(scope="module")
def whole() -> xr.DataTree:
    tables, settings, _ = simulate_tables(47, small=True)
    return cp.reduce(cp.hole_from_tables(tables, settings))


def made(
    values: list[float], depth: list[float], *, reasons: list[str] | None = None,
    beds: list[tuple[str, float, float, str]] | None = None, effect: float = 0.02,
) -> xr.DataTree:  # fmt: skip
    """A hole of two cores with one series of density."""
    size = len(values)
    masks = [flags.bit(word) if word else 0 for word in reasons or [""] * size]
    core = np.array(["1" if z < 10 else "2" for z in depth], dtype=object)
    place = xr.DataArray(
        np.array(values), dims="reading",
        coords={"core": ("reading", core), "depth": ("reading", np.array(depth))},
    )  # fmt: skip
    density = series.build(
        {"bulk_density": Measured(place, 0.01, {"core_diameter": effect}, np.array(masks))}
    )
    nodes = {"/properties/density": density}
    nodes["/cores"] = xr.Dataset(
        {
            "core": ("row", np.array(["1"], dtype=object)),
            "coring_method": ("row", np.array(["piston"], dtype=object)),
        }
    )
    if beds:
        columns = list(zip(*beds, strict=True))
        nodes["/layers"] = xr.Dataset(
            {
                "name": ("row", np.array(columns[0], dtype=object)),
                "top": ("row", np.array(columns[1])),
                "bottom": ("row", np.array(columns[2])),
                "lithology": ("row", np.array(columns[3], dtype=object)),
            }
        )
    return xr.DataTree.from_dict({"/": xr.Dataset(), **nodes})


BEDS = [("upper", 0.0, 10.0, "mud"), ("lower", 10.0, 20.0, "sand")]


def test_statistics_by_hand() -> None:
    tree = made([1.5, 1.7, 1.6, 1.9], [1.0, 2.0, 3.0, 12.0], beds=BEDS)
    table = property_table(tree).set_index("layer")
    upper = table.loc["upper"]
    assert (upper["readings"], upper["n"]) == (3, 3)
    assert upper["mean"] == pytest.approx(1.6)
    assert upper["median"] == pytest.approx(1.6)
    assert upper["standard_deviation"] == pytest.approx(0.1)
    assert (upper["minimum"], upper["maximum"]) == (1.5, 1.7)
    assert upper["u_random_of_mean"] == pytest.approx(0.01 / np.sqrt(3))
    assert upper["u_systematic_of_mean"] == pytest.approx(0.02)
    assert upper["unit"] == "g/cm^3"


def test_one_reading_has_no_deviation() -> None:
    row = property_table(made([1.5, 1.7], [1.0, 12.0], beds=BEDS)).iloc[0]
    assert row["n"] == 1
    assert np.isnan(row["standard_deviation"])
    assert row["mean"] == row["minimum"] == row["maximum"] == 1.5


def test_effects_of_opposite_sign_cancel_in_a_mean() -> None:
    tree = made([1.5, 1.7], [1.0, 2.0])
    leaf = tree["properties/density"].to_dataset(inherit=False)
    leaf["bulk_density_effects"].values[:] = [[0.02, -0.02]]
    tree["properties/density"] = xr.DataTree(leaf)
    assert property_table(tree)["u_systematic_of_mean"].item() == pytest.approx(0.0, abs=1e-12)


def test_readings_left_out_are_counted_with_reasons() -> None:
    tree = made(
        [1.5, np.nan, 1.6, 1.7, 1.5], [1.0, 2.0, 3.0, 4.0, 5.0],
        reasons=["", "", "spike", "void", "supplied"], beds=BEDS,
    )  # fmt: skip
    row = property_table(tree).iloc[0]
    assert row["n"] == 2  # what was supplied counts
    assert row[LEFT].tolist() == [1, 1, 1, 0]
    assert row["left_out"] == "missing value 1; void 1; spike 1"
    strict = property_table(tree, allow=("good",)).iloc[0]
    assert strict["n"] == 1
    assert strict[LEFT].tolist() == [1, 1, 1, 1]
    assert "supplied 1" in strict["left_out"]


def test_a_group_in_which_nothing_counts_keeps_its_row() -> None:
    tree = made([1.5, 1.6], [1.0, 12.0], reasons=["", "void"], beds=BEDS)
    lower = property_table(tree).set_index("layer").loc["lower"]
    assert (lower["readings"], lower["n"], lower["n_bad"]) == (1, 0, 1)
    assert np.isnan(lower["mean"])


def test_layers_that_overlap_and_readings_between_them() -> None:
    beds = [("a", 0.0, 10.0, "mud"), ("b", 5.0, 8.0, "mud"), ("c", 15.0, 20.0, "sand")]
    tree = made([1.5] * 5, [1.0, 5.0, 8.0, 12.0, 20.0], beds=beds)
    table = property_table(tree).set_index("layer")
    assert table["n"].to_dict() == {"a": 2, "b": 1, "between layers": 2}
    assert table["readings"].sum() == 5


def test_no_table_of_layers_and_a_core_that_is_not_known() -> None:
    tree = made([1.5, 1.6], [1.0, 12.0])
    assert property_table(tree)["layer"].tolist() == ["all"]
    assert property_table(tree, by=("coring_method",))["coring_method"].tolist() == [
        "piston", "not known",
    ]  # fmt: skip
    crossed = property_table(tree, by=("layer", "lithology", "coring_method"))
    assert tuple(crossed.columns) == COLUMNS


def test_a_depth_interval_includes_its_top_and_excludes_its_bottom() -> None:
    tree = made([1.5, 1.6, 1.7], [1.0, 2.0, 3.0])
    assert property_table(tree, by=(), top="1 m", bottom="3 m")["readings"].item() == 2
    assert property_table(tree, by=(), top="200 cm")["readings"].item() == 2
    assert property_table(tree, by=(), top="50 m").empty


def test_a_reading_without_a_depth_is_not_lost() -> None:
    tree = made([1.5, 1.6], [1.0, np.nan], beds=BEDS)
    assert property_table(tree)["readings"].sum() == 2


def test_bad_input_is_refused_with_the_cure() -> None:
    tree = made([1.5], [1.0])
    with pytest.raises(ValueError, match="by has 'bed'; expected some of layer, lithology"):
        property_table(tree, by=("bed",))
    with pytest.raises(ValueError, match="by holds a word twice"):
        property_table(tree, by=("layer", "layer"))
    with pytest.raises(ValueError, match="top is 5 m and bottom is 2 m"):
        property_table(tree, top="5 m", bottom="2 m")
    with pytest.raises(cp.UnitError, match="top"):
        property_table(tree, top=5.0)
    with pytest.raises(ValueError, match="allow has 'fine'; expected some of good"):
        property_table(tree, allow=("fine",))
    with pytest.raises(ValueError, match=r"give the result of cp\.reduce"):
        property_table(xr.DataTree.from_dict({"/": xr.Dataset()}))


def test_rows_in_are_rows_counted_and_left_out(whole: xr.DataTree) -> None:
    for by in ((), ("layer",), ("lithology", "coring_method")):
        table = property_table(whole, by=by)
        assert (table["readings"] == table["n"] + table[LEFT].sum(axis=1)).all()
        for (path, _), rows in table.groupby(["property", "quantity"]):
            assert rows["readings"].sum() == whole[path].sizes["reading"]
    held = {(path, name) for path, name in zip(table["property"], table["quantity"], strict=True)}
    assert ("properties/density", "bulk_density") in held
    assert ("products/porosity", "porosity") in held


def words_of(path: Path) -> pd.DataFrame:
    with path.open(newline="", encoding="utf-8") as handle:
        return pd.DataFrame(csv.DictReader(handle))


@pytest.mark.parametrize(
    ("stem", "column", "path"),
    [
        ("density", "bulk_density [g/cm^3]", "properties/density"),
        ("velocity", "p_wave_velocity [m/s]", "properties/velocity"),
        ("products_porosity", "porosity", "products/porosity"),
        ("index_properties", "grain_density [g/cm^3]", "properties/index_properties"),
    ],
)
def test_against_plain_pandas_on_the_written_tables(
    whole: xr.DataTree, tmp_path: Path, stem: str, column: str, path: str
) -> None:
    """A groupby of what a reader opens, by the layers as written in the hole."""
    written = {file.stem: file for file in write_tables(whole, tmp_path)}
    data = words_of(written.get(stem, written.get(stem.split("_")[-1])))
    beds = whole["layers"].to_dataset(inherit=False)
    name = column.split(" ")[0]
    data["depth"] = data["depth [m]"].astype(float)
    data["value"] = pd.to_numeric(data[column])
    edges = [*beds["top"].values, float(beds["bottom"].values[-1])]
    data["layer"] = pd.cut(data["depth"], edges, right=False, labels=beds["name"].values)
    good = data[data[f"{name}_flag"].isin(["good", "not evaluated"])]
    expected = good.groupby("layer", observed=True)["value"].agg(
        ["count", "mean", "median", "std", "min", "max"]
    )
    table = property_table(whole)
    table = table[(table["property"] == path) & (table["quantity"] == name)].set_index("layer")
    table = table[table["n"] > 0]
    rounding = 0.5 * 10.0 ** -len(data[column][data[column] != ""].iloc[0].split(".")[-1])
    assert len(expected) >= 2
    for layer, row in expected.iterrows():
        ours = table.loc[layer]
        assert ours["n"] == row["count"]
        for here, there in (
            ("mean", "mean"), ("median", "median"), ("minimum", "min"), ("maximum", "max"),
            ("standard_deviation", "std"),
        ):  # fmt: skip
            assert ours[here] == pytest.approx(row[there], abs=2 * rounding, nan_ok=True)


def test_the_written_summaries(whole: xr.DataTree, tmp_path: Path) -> None:
    summary, budgets = write_summaries(whole, tmp_path / "new")
    assert (summary.name, budgets.name) == ("property_summary.csv", "uncertainty_budget.csv")
    table = words_of(summary)
    assert list(table.columns) == ["by", *COLUMNS]
    assert set(table["by"]) == {
        "hole", "layer", "lithology", "coring method", "layer and lithology and coring method",
    }  # fmt: skip
    row = table[(table["by"] == "hole") & (table["quantity"] == "bulk_density")]
    row = row[row["property"] == "properties/density"].iloc[0]
    mean, u = row["mean"], float(row["u_systematic_of_mean"])
    assert len(mean.split(".")[1]) == 1 - int(np.floor(np.log10(u)))  # two digits
    shares = pd.read_csv(budgets)
    parts = shares[shares["kind"] != "sum"].groupby(["property", "quantity"])["share"].sum()
    # Of six digits each; zero where nothing is known.
    assert (np.isclose(parts, 1.0, atol=1e-4) | (parts == 0)).all()
