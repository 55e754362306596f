"""One hole by every route: DataFrames, a folder of CSV, other units, other orders of rows, calls.

Archives, serial and on dask, are held against ``cp.reduce`` by the tests of archives.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import series, units
from corephys.reduction.recipe import SCHEMA
from data_demo.simulator.hole import simulate_tables
from tests.invariants import results, unknown_is_nan
from tests.metamorphic.relations import OTHER_UNITS, Leaf, compare, leaves

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

LEAN = {"compaction": {"bootstrap": 0}, "seismic": {"draws": 10}}
SEED = 8111
# Results that an order of rows changes by the rounding of sums; fits magnify it.
RTOL, ORDER = 1e-7, 1e-6
# The minimum of a cost is found to the square root of its rounding, 1e-8, times its condition.
SEARCHED = ("products/heat_flow_curvature",)


@pytest.fixture(scope="module")
def hole() -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    tables, settings, _ = simulate_tables(SEED, small=True)
    return tables, settings


@pytest.fixture(scope="module")
def reduced(hole: Any) -> xr.DataTree:
    tables, settings = hole
    tree = cp.reduce(cp.hole_from_tables(tables, settings), LEAN)
    unknown_is_nan(tree)
    return tree


def folder_of(tables: dict[str, pd.DataFrame], settings: dict[str, Any], folder: Path) -> Path:
    """Write a hole as the files that a user would have."""
    for name, frame in tables.items():
        file = folder / f"{name}.csv"
        file.parent.mkdir(parents=True, exist_ok=True)
        frame.to_csv(file, index=False)
    lines = []
    for stage, keys in settings.items():
        lines.append(f"[{stage}]")
        for key, value in keys.items():
            text = str(value).lower() if isinstance(value, (bool, int, float)) else f'"{value}"'
            lines.append(f"{key} = {text}")
    (folder / "hole.toml").write_text("\n".join(lines), encoding="utf-8")
    return folder


def same(one: xr.DataTree, other: xr.DataTree, rtol: float = RTOL, order: bool = True) -> None:
    """Two reductions are the same: every leaf, its physics, uncertainties, flags and units."""
    paths = [{path for path, _ in results(tree)} for tree in (one, other)]
    assert paths[0] == paths[1]
    for path in sorted(paths[0]):
        a, b = (series.leaf(tree, path) for tree in (one, other))
        assert a is not None and b is not None
        if not order:
            a, b = _sorted(a), _sorted(b)
        try:
            known = ORDER if rtol == RTOL and path.strip("/") in SEARCHED else rtol
            compare(_on_bounds(leaves(a)), _on_bounds(leaves(b)), known)
        except AssertionError as error:
            raise AssertionError(f"{path}: {error}") from None


def _on_bounds(found: dict[str, Leaf]) -> dict[str, Leaf]:
    """A residual porosity that a fit leaves on its bound, zero, has no digits of its own."""
    for name, leaf in found.items():
        if name.endswith("/residual_porosity"):
            values = np.where(np.abs(leaf.values) < 1e-12, 0.0, leaf.values)
            found[name] = Leaf(values, leaf.dims, leaf.unit)
    return found


def _sorted(dataset: xr.Dataset) -> xr.Dataset:
    """Rows by their keys: a table in another order has its results in that order."""
    if "reading" in dataset.dims:
        keys = [
            str(name) for name, c in dataset.coords.items()
            if c.dims == ("reading",) and name not in ("sample_id",)
        ]  # fmt: skip
        dim = "reading"
    elif "standard" in dataset.dims:
        keys = [str(name) for name, v in dataset.data_vars.items() if v.dims == ("standard",)]
        dim = "standard"
    else:
        return dataset
    frame = pd.DataFrame({k: dataset[k].values for k in keys})
    if frame.empty:
        return dataset
    index = frame.astype({k: str for k in keys if frame[k].dtype == object})
    order = index.sort_values(keys, kind="stable").index.to_numpy()
    # A covariance has the readings along two dims.
    twins = [name for name in (dim, f"{dim}_2") if name in dataset.dims]
    return dataset.isel(dict.fromkeys(twins, order))


def test_a_folder_of_csv_is_the_hole_of_the_tables(hole: Any, reduced: Any, tmp_path: Path) -> None:
    tables, settings = hole
    same(reduced, cp.reduce(cp.read_hole(folder_of(tables, settings, tmp_path)), LEAN), 1e-12)


@pytest.mark.parametrize("choice", [0, 1])
def test_headers_and_settings_in_other_units(hole: Any, reduced: Any, choice: int) -> None:
    tables, settings = hole
    changed = {}
    for name, frame in tables.items():
        columns = {}
        for header in frame.columns:
            quantity, unit = units.split_header(header)
            others = OTHER_UNITS.get(unit)
            if not unit or not others:
                columns[header] = frame[header]
                continue
            other = others[choice % len(others)]
            values = units.convert(frame[header].to_numpy(float), unit, other)
            columns[f"{quantity} [{other}]"] = values
        changed[name] = pd.DataFrame(columns)
    moved = {
        stage: {
            key: _other(value, SCHEMA[stage][key].kind, choice) if key in SCHEMA[stage] else value
            for key, value in keys.items()
        }
        for stage, keys in settings.items()
    }
    same(reduced, cp.reduce(cp.hole_from_tables(changed, moved), LEAN))


def _other(value: Any, kind: str, choice: int) -> Any:
    """A setting in another unit; words, numbers and times stay."""
    try:
        units.canonical(kind)
        number, unit = units.read_scalar(value)
    except (AttributeError, units.UnitError):
        return value
    others = OTHER_UNITS.get(unit)
    if not others:
        return value
    other = others[choice % len(others)]
    return f"{units.convert(number, unit, other)!r} {other}"


@pytest.mark.parametrize("seed", [1, 2])
def test_rows_of_every_table_in_another_order(hole: Any, reduced: Any, seed: int) -> None:
    tables, settings = hole
    rng = np.random.default_rng(seed)
    # Cores and sections are listed downhole; a layer list is read in its order.
    fixed = ("cores", "sections", "layers")
    mixed = {
        name: frame if name in fixed else frame.sample(frac=1.0, random_state=rng.integers(2**31))
        for name, frame in tables.items()
    }
    mixed = {name: frame.reset_index(drop=True) for name, frame in mixed.items()}
    same(reduced, cp.reduce(cp.hole_from_tables(mixed, settings), LEAN), ORDER, order=False)


def test_a_scan_split_in_two_files_and_joined(hole: Any, reduced: Any) -> None:
    tables, settings = hole
    joined = {
        name: pd.concat([frame.iloc[len(frame) // 3 :], frame.iloc[: len(frame) // 3]],
                        ignore_index=True)
        if name.startswith("scan/") else frame
        for name, frame in tables.items()
    }  # fmt: skip
    same(reduced, cp.reduce(cp.hole_from_tables(joined, settings), LEAN), ORDER, order=False)


# Through cp.<function> ----------------------------------------------------------------------------


def _raw(tree: xr.DataTree, path: str) -> xr.Dataset:
    found = series.leaf(tree, path)
    assert found is not None
    return found


def test_samples_by_a_call_are_those_of_the_reduction(hole: Any, reduced: Any) -> None:
    _, settings = hole
    table, keys = _raw(reduced, "samples/index_properties"), settings["index_properties"]
    recipe = cp.Recipe.from_json(reduced.attrs["recipe"])["index_properties"]
    by_hand = cp.index_properties.phase_relations(
        table["wet_mass"], table["dry_mass"], table["dry_volume"],
        salinity=settings["hole"]["pore_water_salinity"],
        salinity_uncertainty=settings["hole"]["pore_water_salinity_uncertainty"],
        pore_water_density=_water(settings),
        pore_water_density_uncertainty=recipe["pore_water_density_uncertainty"],
        reason=table["wet_mass"].copy(data=table["reason"].values), **keys,
    )  # fmt: skip
    found = _raw(reduced, "properties/index_properties")
    for name in ("porosity", "grain_density", "bulk_density"):
        for end in ("", "_u_random", "_u_systematic"):
            np.testing.assert_allclose(
                found[name + end], by_hand[name + end], rtol=1e-8, err_msg=name + end
            )


def _water(settings: dict[str, Any]) -> Any:
    hole = settings["hole"]
    return cp.seawater.density(hole["pore_water_salinity"], hole["laboratory_temperature"])


def test_velocity_by_a_call_is_that_of_the_reduction(hole: Any, reduced: Any) -> None:
    _, settings = hole
    table, standards = _raw(reduced, "scan/pwave"), _raw(reduced, "standards/pwave")
    liner, keys = settings["liner"], settings["pwave"]
    calibration = cp.pwave.calibrate(
        standards["length"], standards["travel_time"], temperature=standards["temperature"],
        medium=standards["medium"], liner=standards["liner"], wall=liner["wall"],
        liner_velocity=liner["velocity"],
        liner_velocity_uncertainty=liner["velocity_uncertainty"],
    )  # fmt: skip
    filled = _raw(reduced, "sections")
    whole = filled.isel(row=filled["annulus"].values == "none")
    names = set(zip(whole["core"].values, whole["section"].values, strict=True))
    rows = np.array(
        [key in names for key in zip(table["core"].values, table["section"].values, strict=True)]
    )
    here = table.isel(reading=np.flatnonzero(rows))
    by_hand = cp.pwave.velocity(
        here["travel_time"], here["thickness"], calibration=calibration, wall=liner["wall"], **keys
    )
    found = _raw(reduced, "properties/velocity").isel(reading=np.flatnonzero(rows))
    for end in ("", "_u_random", "_u_systematic"):
        name = f"p_wave_velocity{end}"
        np.testing.assert_allclose(found[name], by_hand[name], rtol=1e-9, err_msg=name)


def test_impedance_and_porosity_by_a_call_are_those_of_the_reduction(reduced: Any) -> None:
    density, velocity = _raw(reduced, "properties/density"), _raw(reduced, "properties/velocity")
    at = cp.depth.match(
        density, to=velocity, within="2 cm", allow=("good", "not_evaluated", "suspect")
    )
    by_hand = cp.seismic.acoustic_impedance(at, velocity)
    found = _raw(reduced, "products/impedance")
    for end in ("", "_u_random", "_u_systematic", "_flag", "_reason"):
        name = f"acoustic_impedance{end}"
        np.testing.assert_allclose(found[name], by_hand[name], rtol=1e-12, err_msg=name)
