"""Rows that were pasted again are kept, flagged and not used; equal readings are no copies."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import archive, export
from corephys.ground import flags
from corephys.ground.series import TABLE_ROW, leaf
from corephys.reduction.doubts import of_reading
from corephys.samples import needle
from data_demo.simulator.hole import simulate_tables
from tests.archive_holes import small_hole

LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
COPY = flags.bit("exact_copy")
# A second row of the same name is refused in these tables.
NAMED_ONCE = ("cores", "sections", "downhole/tools", "downhole/stations")
SETTINGS = {"hole": {"name": "x"}}


@cache
def sound() -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Every table of a small simulated hole, and its settings."""
    return simulate_tables(3001, small=True)[:2]


@cache
def reduced() -> xr.DataTree:
    """The reduction of the hole without copies."""
    return cp.reduce(cp.hole_from_tables(*sound()), LEAN)


def pasted(name: str, rows: Any) -> dict[str, pd.DataFrame]:
    """The tables with some rows of one table pasted at its end."""
    tables = dict(sound()[0])
    tables[name] = pd.concat([tables[name], tables[name].iloc[rows]], ignore_index=True)
    return tables


def some_rows(name: str) -> list[int]:
    """Rows to paste: of standards all, since they have no key that tells readings apart."""
    size = len(sound()[0][name])
    return list(range(size)) if name.startswith("standards/") else list(range(0, size, 5))[:10]


def copies_of(hole: xr.DataTree, name: str) -> list[list[int]]:
    """Pairs of copy and first row of a table."""
    return json.loads(leaf(hole, name).attrs.get("exact_copies", "[]"))


def is_copy(dataset: xr.Dataset) -> np.ndarray | None:
    """Rows of a result that are copies; None for one without reasons of rows."""
    for name, part in dataset.variables.items():
        if str(name).endswith("reason") and part.dims == ("reading",):
            return (part.values & COPY) != 0
    return None


# The mask -----------------------------------------------------------------------------------------


def test_the_mask_holds_64_reasons_and_every_bit_is_an_int64():
    bits = np.array([flags.bit(name) for name in flags.REASONS], dtype=np.int64)
    assert bits.size == 64
    assert np.bitwise_or.reduce(bits) == -1  # all 64 bits, none of them twice
    assert np.unique(bits).size == 64
    assert list(flags.REASONS)[-2:] == ["likely_slip", "exact_copy"]
    assert np.iinfo(np.int64).min == COPY


@pytest.mark.parametrize("name", ["bad_cell", "likely_slip", "exact_copy", "supplied"])
def test_each_bit_can_be_set_counted_named_and_cleared(name):
    mask = np.zeros(4, dtype=np.int64)
    mask[2] |= flags.bit(name)
    mask |= np.where([True, False, True, False], flags.bit("spike"), 0)
    assert np.count_nonzero(mask & flags.bit(name)) == 1
    assert flags.names(mask[2]) == sorted(("spike", name), key=list(flags.REASONS).index)
    assert flags.names(mask[0]) == ["spike"]
    worst = max(flags.SUSPECT, flags.REASONS[name])
    assert flags.from_reason(mask).tolist() == [flags.SUSPECT, 1, worst, 1]
    mask &= ~flags.bit(name)
    assert flags.names(mask[2]) == ["spike"]


def test_a_narrow_mask_of_another_program_still_has_its_flags():
    narrow = np.array([0, 1, 2, 64], dtype=np.int32)
    assert flags.from_reason(narrow).tolist() == [1, 9, 4, 3]


def test_files_and_tables_keep_the_sign_bit(tmp_path):
    tables = pasted("scan/gamma", [3, 4])
    frame = tables["scan/gamma"]
    frame["counts"] = frame["counts"].astype(object)
    frame.loc[[4, len(frame) - 1], "counts"] = "none"
    result = cp.reduce(cp.hole_from_tables(tables, sound()[1]), LEAN)
    written = tmp_path / "reduced.nc"
    cp.save(result, written)
    raw = leaf(result, "scan/gamma")["reason"].values
    density = leaf(result, "properties/density")["bulk_density_reason"].values
    assert flags.names(raw[-1]) == ["exact_copy"]
    assert flags.names(density[-1]) == ["missing_value", "exact_copy"]
    loaded = cp.load(written)
    np.testing.assert_array_equal(leaf(loaded, "scan/gamma")["reason"].values, raw)
    with netCDF4.Dataset(written) as file:
        for path, expected in (("scan/gamma/reason", raw), ("properties/density/", density)):
            variable = file[path if path.endswith("reason") else f"{path}bulk_density_reason"]
            # A library that masks default fill values must not hide a reason.
            assert not np.ma.getmaskarray(variable[:]).any()
            np.testing.assert_array_equal(np.asarray(variable[:]), expected)
            assert variable.flag_masks.dtype == np.int64
            assert variable.flag_masks[-1] == COPY
            assert variable.flag_meanings.split()[-1] == "exact_copy"
    stored = xr.open_datatree(written, engine="netcdf4")["properties/density"]
    assert stored["bulk_density_reason"].dtype == np.int64
    export.write_tables(result, tmp_path / "tables")
    table = pd.read_csv(tmp_path / "tables" / "density.csv", comment="#")
    assert table["bulk_density_reason"].tolist()[-2:] == ["exact copy", "missing value; exact copy"]


# Every table --------------------------------------------------------------------------------------


def test_a_hole_without_copies_has_none():
    hole = cp.hole_from_tables(*sound())
    assert not [node.path for node in hole.leaves if "exact_copies" in node.attrs]


@pytest.mark.parametrize("name", [n for n in sound()[0] if n not in NAMED_ONCE])
def test_pasted_rows_of_every_table_are_kept_and_flagged(name):
    rows = some_rows(name)
    size = len(sound()[0][name])
    hole = cp.hole_from_tables(pasted(name, rows), sound()[1])
    table = leaf(hole, name)
    (length,) = {table.sizes[dim] for dim in table.sizes}
    assert length == size + len(rows)
    assert copies_of(hole, name) == [[size + i, row] for i, row in enumerate(rows)]
    if name not in ("removed", "exclusions"):  # their column reason is text
        copied = (table["reason"].values & COPY) != 0
        assert np.flatnonzero(copied).tolist() == list(range(size, size + len(rows)))
        assert (table["flag"].values[copied] == flags.BAD).all()


def test_numbers_of_a_reduction_are_those_without_the_pasted_rows():
    tables, settings = sound()
    names = [name for name in tables if name not in NAMED_ONCE]
    changed = dict(tables) | {name: pasted(name, some_rows(name))[name] for name in names}
    result = cp.reduce(cp.hole_from_tables(changed, settings), LEAN)
    assert json.loads(result.attrs["summary"])["failed"] == {}
    put_back = {}
    for node in reduced().leaves:
        if not node.path.startswith(("/properties", "/products")):
            continue
        expected, found = (
            node.to_dataset(inherit=False),
            result[node.path].to_dataset(inherit=False),
        )
        assert TABLE_ROW not in found.coords
        copied = is_copy(found)
        if copied is not None:
            put_back[node.path.strip("/")] = int(copied.sum())
            flag = next(v for n, v in found.variables.items() if str(n).endswith("flag"))
            assert np.isin(flag.values[copied], (flags.BAD, flags.MISSING)).all()
            found = found.isel(reading=~copied)
        xr.testing.assert_equal(found, expected)
    for path in ("density", "velocity", "resistivity", "susceptibility", "natural_gamma"):
        assert put_back[f"properties/{path}"] == 10
    assert put_back["properties/index_properties"] == len(some_rows("samples/index_properties"))
    assert put_back["properties/strength"] == len(some_rows("samples/strength"))
    assert put_back["products/porosity"] == 10
    gamma = result["scan/gamma"].to_dataset(inherit=False)
    density = result["properties/density"].to_dataset(inherit=False)
    np.testing.assert_array_equal(gamma["depth"].values, density["depth"].values)
    entry = next(
        e
        for e in json.loads(result.attrs["summary"])["quantities"]
        if e["path"] == "properties/density"
    )
    assert entry["reasons"]["exact_copy"] == 10
    notes = json.loads(result.attrs["summary"])["notes"]
    assert sum("exact cop" in note for note in notes) == len(names)
    assert any("scan/gamma: 10 rows are exact copies" in words for words in of_reading(result))


def test_a_copy_stands_at_its_row_of_the_table_with_the_value_of_the_first():
    tables = dict(sound()[0])
    gamma = tables["scan/gamma"]
    tables["scan/gamma"] = pd.concat([gamma.iloc[:20], gamma.iloc[5:8], gamma.iloc[20:]])
    result = cp.reduce(cp.hole_from_tables(tables, sound()[1]), LEAN)
    density = leaf(result, "properties/density")
    assert np.flatnonzero(is_copy(density)).tolist() == [20, 21, 22]
    np.testing.assert_array_equal(density["bulk_density"][20:23], density["bulk_density"][5:8])
    np.testing.assert_array_equal(density["offset"], tables["scan/gamma"]["offset [cm]"])


def test_ten_pasted_copies_no_longer_move_the_compaction():
    """Ten copies of the deepest sample pull a fit that uses them; the reduction leaves them out."""
    samples = sound()[0]["samples/index_properties"]
    last = len(samples) - 1
    result = cp.reduce(
        cp.hole_from_tables(pasted("samples/index_properties", [last] * 10), sound()[1]), LEAN
    )
    before = float(leaf(reduced(), "products/compaction")["decay_length"])
    assert float(leaf(result, "products/compaction")["decay_length"]) == before
    found = leaf(result, "properties/index_properties")
    assert is_copy(found).sum() == 10
    # The same copies as plain pairs, which carry no rows, do move it, and the fit states so.
    pairs = cp.quantity(found["porosity"].values, "1"), cp.quantity(found["depth"].values, "m")
    plain = cp.compaction.fit(pairs[0], depth=pairs[1], absolute_sigma=False)
    once = ~is_copy(found)
    single = cp.compaction.fit(pairs[0][once], depth=pairs[1][once], absolute_sigma=False)
    lengths = [float(fit.dataset["decay_length"]) for fit in (plain, single)]
    assert abs(lengths[0] / lengths[1] - 1.0) > 0.02
    words = f"10 of {once.size} points repeat another point exactly"
    assert any(words in trouble for trouble in plain.verdict)
    assert plain.dataset.attrs["points_repeated"] == 10
    assert words in str(plain.card())
    assert flags.names(int(plain.dataset["decay_length_reason"]))[:1] == ["poor_fit"]
    assert "repeat" not in " ".join(single.verdict)


def test_one_repeated_point_is_stated_and_does_not_flag_the_fit():
    z = np.linspace(1.0, 400.0, 60)
    phi = 0.7 * np.exp(-z / 600.0) + np.random.default_rng(3).normal(0.0, 0.01, z.size)
    z, phi = np.append(z, z[7]), np.append(phi, phi[7])
    fit = cp.compaction.fit(cp.quantity(phi, "1"), depth=cp.quantity(z, "m"), absolute_sigma=False)
    assert fit.verdict == ()
    assert "1 of 61 points repeats another point exactly" in repr(fit)


# Other runs ---------------------------------------------------------------------------------------


def gamma_tables(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """A hole of one core with gamma readings."""
    cores = pd.DataFrame(
        {
            "core": ["1"],
            "coring_method": ["piston"],
            "top [m]": [0.0],
            "advance [m]": [9.0],
            "recovered [m]": [9.0],
        }
    )
    sections = pd.DataFrame(
        {
            "core": ["1"],
            "section": ["1"],
            "length [m]": [9.0],
            "core_diameter [mm]": [66.0],
        }
    )
    return {"cores": cores, "sections": sections, "scan/gamma": frame}


def counted(size: int, mean: float, seed: int = 0, runs: int = 1) -> pd.DataFrame:
    """Gamma readings with the noise of counting, once at each offset in every run."""
    rng = np.random.default_rng(seed)
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "core": "1",
                    "section": "1",
                    "offset [cm]": np.arange(size) * 0.5,
                    "counts": rng.poisson(mean, size),
                    "real_time [s]": 5.0,
                    "run": run,
                }
            )
            for run in range(1, runs + 1)
        ],
        ignore_index=True,
    )


def with_times(frame: pd.DataFrame, step: str = "7s") -> pd.DataFrame:
    return frame.assign(time=pd.date_range("2031-05-02T10:00:00", periods=len(frame), freq=step))


def found_in(frame: pd.DataFrame) -> list[list[int]]:
    return copies_of(cp.hole_from_tables(gamma_tables(frame), SETTINGS), "scan/gamma")


def test_rows_pasted_under_another_run_with_their_time_are_copies():
    frame = with_times(counted(100, 20000.0, runs=2))
    frame = pd.concat([frame, frame.iloc[3:8].assign(run=3)], ignore_index=True)
    assert found_in(frame) == [[200 + i, 3 + i] for i in range(5)]
    single = with_times(counted(100, 20000.0))
    single = pd.concat([single, single.iloc[[3]].assign(run=2)], ignore_index=True)
    assert found_in(single) == [[100, 3]]
    constant = single.assign(counts=20000)
    assert found_in(constant) == []


def test_equal_repeats_at_other_times_are_no_copies():
    frame = with_times(counted(100, 20000.0))
    again = frame.iloc[3:8].assign(run=2, time=frame["time"].iloc[3:8] + pd.Timedelta("1h"))
    assert found_in(pd.concat([frame, again], ignore_index=True)) == []


@pytest.mark.parametrize(
    "time", ["2031-05-02", "2031-05-02T10:00:00"], ids=["a date", "one time of a section"]
)
def test_a_time_that_many_readings_share_is_no_evidence(time):
    """About 30 % of the pairs of such low counts agree by chance."""
    frame = counted(400, 1.0, runs=2).assign(time=time)
    assert (frame["counts"][:400].to_numpy() == frame["counts"][400:].to_numpy()).sum() > 80
    assert found_in(frame) == []


@pytest.mark.parametrize("mean", [3.0, 50.0, 800.0, 20000.0, 1e6])
def test_clean_repeats_with_integer_counts_have_no_false_copy(mean):
    for seed in range(20):
        assert found_in(counted(1500, mean, seed, runs=2)) == []


def test_rows_pasted_under_another_run_without_a_time_are_copies_if_chance_cannot_do_it():
    frame = counted(200, 20000.0)
    again = pd.concat([frame, frame.iloc[10:20].assign(run=2)], ignore_index=True)
    assert len(found_in(again)) == 10
    # One pair of 20 000 counts agrees with a probability of 0.2 %, two pairs of 4 with 3 %.
    single = pd.concat([frame, frame.iloc[[10]].assign(run=2)], ignore_index=True)
    assert found_in(single) == []
    low = counted(200, 4.0)
    assert found_in(pd.concat([low, low.iloc[10:12].assign(run=2)], ignore_index=True)) == []


def test_repeats_of_a_column_without_known_noise_and_time_are_no_copies():
    frame = pd.DataFrame(
        {
            "core": "1",
            "section": "1",
            "offset [cm]": np.arange(50.0),
            "reading": 12.0,
            "run": 1,
        }
    )
    frame["reading"] += np.arange(50) // 10
    frame = pd.concat([frame, frame.assign(run=2)], ignore_index=True)
    tables = {**gamma_tables(frame), "scan/susceptibility": frame}
    del tables["scan/gamma"]
    hole = cp.hole_from_tables(tables, SETTINGS)
    assert copies_of(hole, "scan/susceptibility") == []


def test_equal_values_at_other_positions_and_constant_columns_are_no_copies():
    frame = counted(100, 20000.0).assign(counts=20000)
    assert found_in(frame) == []
    assert found_in(pd.concat([frame, frame.iloc[[4]]], ignore_index=True)) == [[100, 4]]


def test_numbers_are_compared_as_numbers_and_an_empty_run_is_the_first():
    frame = counted(10, 20000.0).astype(object)
    again = frame.iloc[[2]].assign(run="")
    again["offset [cm]"] = "1.000"
    assert found_in(pd.concat([frame, again], ignore_index=True).astype(str)) == [[10, 2]]


def test_the_same_key_with_other_values_is_still_refused():
    frame = counted(10, 20000.0)
    again = frame.iloc[[2]].assign(counts=5)
    with pytest.raises(cp.HoleError, match="the same key with different values"):
        found_in(pd.concat([frame, frame.iloc[[2]], again], ignore_index=True))


# Records and standards ----------------------------------------------------------------------------


def test_a_station_logged_faster_than_its_clock_has_no_copies():
    """Ten samples a second with the time in whole seconds: equal rows are separate readings."""
    rng = np.random.default_rng(2)
    record = pd.DataFrame(
        {
            "station": "1",
            "time [s]": np.repeat(np.arange(200.0), 10),
            "temperature [degC]": np.round(4.0 + rng.normal(0.0, 0.002, 2000), 3),
        }
    )
    tables = {name: sound()[0][name] for name in ("downhole/stations", "downhole/tools")}
    hole = cp.hole_from_tables({**tables, "downhole/formation_temperature": record}, SETTINGS)
    assert record.duplicated().sum() > 500
    assert copies_of(hole, "downhole/formation_temperature") == []


def test_equal_temperatures_of_a_heating_run_at_other_times_are_no_copies():
    frame = sound()[0]["samples/needle"].copy()
    frame["temperature [degC]"] = frame["temperature [degC]"].round(1)
    tables = {**sound()[0], "samples/needle": frame}
    assert copies_of(cp.hole_from_tables(tables, sound()[1]), "samples/needle") == []


def test_pasted_rows_of_a_heating_run_do_not_make_its_times_occur_twice():
    table = leaf(
        cp.hole_from_tables(pasted("samples/needle", [5, 6, 7, 8]), sound()[1]), "samples/needle"
    )
    before = leaf(cp.hole_from_tables(*sound()), "samples/needle")
    found, expected = (
        needle.thermal_conductivity(t, cross_check=False)["thermal_conductivity"]
        for t in (table, before)
    )
    np.testing.assert_array_equal(found.values, expected.values)


@pytest.mark.parametrize(
    ("name", "key", "path", "quantity"),
    [
        ("samples/needle", "run", "properties/thermal_conductivity", "thermal_conductivity"),
        ("samples/consolidation", "test", "properties/yield_stress", "yield_stress"),
    ],
)
def test_a_complete_record_under_another_name_is_a_flagged_copy(name, key, path, quantity):
    frame = sound()[0][name].astype({key: str})
    first = frame[key].iloc[0]
    again = frame[frame[key] == first].assign(**{key: "again"})
    tables = {**sound()[0], name: pd.concat([frame, again], ignore_index=True)}
    hole = cp.hole_from_tables(tables, sound()[1])
    assert len(copies_of(hole, name)) == len(again)
    lean = {**LEAN, "needle": {"cross_check": False, "combine_repeats": False}}
    result = leaf(cp.reduce(hole, lean), path)
    expected = leaf(cp.reduce(cp.hole_from_tables(*sound()), lean), path)
    words = [flags.names(mask) for mask in result[f"{quantity}_reason"].values]
    assert ["exact_copy" in found for found in words] == [False] * (len(words) - 1) + [True]
    assert not flags.usable(result[f"{quantity}_flag"].values[-1:]).any()
    np.testing.assert_array_equal(result[quantity].values[:-1], expected[quantity].values)


def test_equal_standards_and_blanks_without_a_time_are_no_copies():
    frame = pd.DataFrame(
        {
            "value": [0.0, 0.0, 0.0, 0.0, 100.0, 100.0, 500.0],
            "reading": [0.0, 0.0, 0.0, 0.0, 99.0, 99.0, 501.0],
            "kind": ["blank"] * 4 + ["standard"] * 3,
        }
    )
    hole = cp.hole_from_tables({"standards/susceptibility": frame}, SETTINGS)
    assert copies_of(hole, "standards/susceptibility") == []
    twice = pd.concat([frame, frame], ignore_index=True)
    hole = cp.hole_from_tables({"standards/susceptibility": twice}, SETTINGS)
    assert len(copies_of(hole, "standards/susceptibility")) == 7


def test_counted_standards_without_a_time_are_judged_by_the_noise_of_counting():
    rng = np.random.default_rng(8)
    frame = pd.DataFrame(
        {
            "aluminium_thickness [mm]": np.repeat([0.0, 20.0, 40.0, 60.0], 5),
            "bore [mm]": 66.0,
            "counts": rng.poisson(np.repeat([8e5, 5e5, 3e5, 2e5], 5)),
            "real_time [s]": 60.0,
        }
    )

    def copies(table: pd.DataFrame) -> int:
        hole = cp.hole_from_tables({"standards/gamma": table}, SETTINGS)
        return len(copies_of(hole, "standards/gamma"))

    assert copies(frame) == 0
    assert copies(pd.concat([frame, frame], ignore_index=True)) == 20
    equal = frame.copy()
    equal.loc[1, "counts"] = equal.loc[0, "counts"]  # chance makes 0.03 such pairs
    assert copies(equal) == 0


# Files and stores ---------------------------------------------------------------------------------


def paste_lines(path: Path, lines: slice) -> None:
    """Paste some lines of a file at its end."""
    rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([*rows, *rows[1:][lines]]), encoding="utf-8")


def test_lines_pasted_into_the_files_of_a_folder_change_no_number(tmp_path):
    folder = small_hole(tmp_path / "hole", 4)
    before = leaf(cp.reduce(cp.read_hole(folder)), "properties/density")
    paste_lines(folder / "scan/gamma.csv", slice(10, 14))
    paste_lines(folder / "standards/gamma.csv", slice(None))
    hole = cp.read_hole(folder)
    assert len(copies_of(hole, "standards/gamma")) == 12
    assert copies_of(hole, "scan/gamma") == [[120 + i, 10 + i] for i in range(4)]
    after = leaf(cp.reduce(hole), "properties/density")
    copied = is_copy(after)
    assert np.flatnonzero(copied).tolist() == [120, 121, 122, 123]
    xr.testing.assert_equal(after.isel(reading=~copied), before)


def test_a_store_of_readings_keeps_copies_flagged_and_calibrates_without_them(tmp_path):
    folder = small_hole(tmp_path / "holes" / "one", 4)
    archive.collect(tmp_path / "holes", tmp_path / "before", progress=False)
    archive.reduce(tmp_path / "before", tmp_path / "out_before", progress=False)
    paste_lines(folder / "scan/gamma.csv", slice(10, 14))
    paste_lines(folder / "standards/gamma.csv", slice(None))
    archive.collect(tmp_path / "holes", tmp_path / "after", progress=False)
    archive.reduce(tmp_path / "after", tmp_path / "out_after", progress=False)
    before, after = (
        leaf(archive.open(tmp_path / name)["one"], "properties/density")
        for name in ("out_before", "out_after")
    )
    copied = is_copy(after)
    assert np.flatnonzero(copied).tolist() == [120, 121, 122, 123]
    assert (after["bulk_density_flag"].values[copied] == flags.BAD).all()
    for name in ("bulk_density", "bulk_density_u_random"):
        np.testing.assert_array_equal(after[name].values[~copied], before[name].values)


def test_a_zarr_store_keeps_the_sign_bit(tmp_path):
    pytest.importorskip("zarr")
    hole = cp.hole_from_tables(pasted("scan/gamma", [3, 4]), sound()[1])
    cp.save(hole, tmp_path / "hole.zarr")
    loaded = cp.load(tmp_path / "hole.zarr")
    found = leaf(loaded, "scan/gamma")["reason"]
    assert found.dtype == np.int64
    np.testing.assert_array_equal(found.values, leaf(hole, "scan/gamma")["reason"].values)
    assert copies_of(loaded, "scan/gamma") == copies_of(hole, "scan/gamma")


# Functions that a user calls with the columns of a table --------------------------------------


def test_copies_of_a_sample_are_no_neighbours_of_other_samples():
    """Twelve copies of an outlier among twenty samples would make the others the outliers."""
    rng = np.random.default_rng(6)
    depth = np.linspace(1.0, 100.0, 20)
    wet, dry = 16.0 + rng.normal(0.0, 0.02, 20), 9.2 + rng.normal(0.0, 0.02, 20)
    volume = 3.4 + rng.normal(0.0, 0.01, 20)
    volume[9] = 4.6
    rows = np.append(np.arange(20), np.full(12, 9))
    reason = np.where(np.arange(rows.size) >= 20, COPY, 0)

    def column(values: np.ndarray, unit: str) -> xr.DataArray:
        place = {"depth": ("reading", depth[rows], {"units": "m"})}
        return xr.DataArray(values[rows], dims="reading", coords=place, attrs={"units": unit})

    given = column(wet, "g"), column(dry, "g"), column(volume, "cm^3")
    outlier = flags.bit("grain_density_outlier")
    found = cp.index_properties.phase_relations(*given, reason=given[0].copy(data=reason))
    single = cp.index_properties.phase_relations(*(part[:20] for part in given))
    names = ("grain_density_reason", "porosity_reason")
    for name in names:
        np.testing.assert_array_equal(found[name].values[:20], single[name].values)
        assert (found[name].values[20:] & COPY != 0).all()
    assert np.flatnonzero(single[names[0]].values & outlier).tolist() == [9]
    used = cp.index_properties.phase_relations(*given)
    assert (used[names[0]].values[:20] != single[names[0]].values).any()


def test_two_exclusions_and_voids_that_are_equal_have_the_effect_of_one():
    tables, settings = sound()
    once = cp.hole_from_tables(tables, settings)
    twice = cp.hole_from_tables(pasted("removed", some_rows("removed")), settings)
    for name in ("scan/gamma", "samples/index_properties"):
        xr.testing.assert_equal(
            once[name].to_dataset(inherit=False), twice[name].to_dataset(inherit=False)
        )


# Logs without a time ------------------------------------------------------------------------------

LOG = "downhole/temperature_log"


def log_of(rows: list[tuple[float, float]]) -> list[list[int]]:
    """Copies that a temperature log of depths and temperatures holds."""
    frame = pd.DataFrame(rows, columns=["depth [m]", "temperature [degC]"])
    return copies_of(cp.hole_from_tables({LOG: frame}, SETTINGS), LOG)


def lowered(count: int) -> list[tuple[float, float]]:
    """A tool on its way down, every row another depth and temperature."""
    return [(0.1 + 0.425 * i, round(2.0 + 0.02 * i, 3)) for i in range(count)]


def test_a_pasted_log_without_times_does_not_make_heat_flow_more_certain(tmp_path):
    rng = np.random.default_rng(3)
    head = "depth [m],thermal_conductivity [W/(m K)],u_thermal_conductivity [W/(m K)]\n"
    sampled = head + "".join(f"{z},{1 + 0.02 * z:.2f},0.02\n" for z in range(1, 17, 2))
    depths = 0.1 + 0.425 * np.arange(40)
    lines = [f"{z:.4f},{2 + 0.05 * z + 0.01 * rng.normal():.4f},0.01\n" for z in depths]
    found = []
    for times, rows in enumerate((lines, lines + lines), 1):
        folder = tmp_path / f"hole_{times}"
        for name, text in {
            "hole.toml": '[hole]\nname="x"\nwater_depth="2000 m"\n'
            'bottom_water_temperature="2 degC"\n',
            "samples/reduced.csv": sampled,
            f"{LOG}.csv": "depth [m],temperature [degC],u_temperature [K]\n" + "".join(rows),
        }.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text)
        hole = cp.read_hole(folder)
        assert len(copies_of(hole, LOG)) == 40 * (times - 1)
        found.append(cp.reduce(hole, {"heat_flow": {"temperatures": "log"}}))
    once, twice = (tree["products/heat_flow"].to_dataset() for tree in found)
    for name in ("heat_flow", "heat_flow_u_random", "heat_flow_flag"):
        assert float(twice[name]) == float(once[name])
    once, twice = (tree["properties/temperature_log"].to_dataset() for tree in found)
    assert twice.sizes["reading"] == 80
    assert is_copy(twice).sum() == 40
    assert not is_copy(once).any()


def test_a_part_of_a_log_that_follows_again_is_a_copy_wherever_it_stands():
    log = lowered(60)
    assert log_of(log) == []
    copies = log_of([*log[:40], *log[12:30], *log[40:]])
    assert copies == [[40 + i, 12 + i] for i in range(18)]
    assert log_of([*log[:40], *log[12:21], *log[40:]]) == []  # nine rows
    assert [row for row, _ in log_of(log * 3)] == list(range(60, 180))


def test_a_pasted_log_that_stood_still_is_found_with_its_equal_rows():
    log = [*lowered(20), *[lowered(20)[-1]] * 5, *lowered(40)[20:]]
    assert log_of(log) == []
    assert [row for row, _ in log_of(log * 2)] == list(range(45, 90))


def test_a_tool_that_stands_still_or_heaves_gives_no_copies():
    assert log_of([(5.0, 2.0)] * 100) == []
    rng = np.random.default_rng(5)
    coarse = [(5.0, 2.0 + 0.01 * int(step)) for step in rng.integers(0, 4, 400)]
    assert log_of(coarse) == []
    waves = [(5.0 + 0.1 * abs(i % 12 - 6), 2.0) for i in range(240)]
    assert log_of(waves) == []
    down = lowered(200)
    assert log_of([*down, *down[::-1]]) == []
