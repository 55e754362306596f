"""Stores of readings: the public functions' numbers, in blocks that holes know nothing of."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import archive
from corephys.archive import readings as store
from corephys.archive.readings import CHUNK, Rows
from corephys.ground import flags
from corephys.reduction.context import Context
from corephys.reduction.run import STAGES, complete_recipe
from corephys.sensors import gamma, pwave
from tests.archive_holes import BORE, MU, RATE, contents, small_hole, write

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

GAMMA = {
    "core_diameter_uncertainty": "0.2 mm",
    "grain_density": "2.7 g/cm^3",
    "grain_density_uncertainty": "0.03 g/cm^3",
    "pore_water_density": "1.024 g/cm^3",
}
PWAVE = {
    "wall": "2.6 mm",
    "thickness_uncertainty": "0.05 mm",
    "travel_time_uncertainty": "0.04 us",
    "core_diameter_uncertainty": "0.2 mm",
    "amplitude_gate": 20.0,
}
SIZES = {"short": 900, "long": CHUNK - 1500, "over_the_edge": 1500, "last": 50}


def gamma_calibration() -> gamma.Calibration:
    steps = np.repeat([0.0, 15.0, 30.0, 45.0], 3)
    areal = 2.699 * steps / 10.0 + 0.9982 * (BORE - steps / 10.0)
    counts = np.random.default_rng(5).poisson(RATE * np.exp(-MU * areal) * 60.0).astype(float)
    return gamma.calibrate(
        cp.quantity(counts, "count"), cp.quantity(np.full(12, 60.0), "s"),
        cp.quantity(steps, "mm"), "66 mm", dead_time="2 us", dead_time_uncertainty="0.1 us",
    )  # fmt: skip


def scans(name: str, size: int) -> dict[str, archive.Scan]:
    """Readings with every kind of flaw, from a source of chance of their own."""
    rng = np.random.default_rng(size)
    density = rng.uniform(1.3, 2.2, size)
    counts = rng.poisson(RATE * np.exp(-MU * density * BORE) * 5.0).astype(float)
    counts[3], counts[4], counts[5], counts[6] = np.nan, 0.0, 5e6, 1.0
    reason = np.zeros(size, dtype=np.int64)
    reason[::17] = flags.bit("section_edge") if "section_edge" in flags.REASONS else 1
    time = rng.normal(55.0, 1.0, size)
    time[2], time[7] = np.nan, 1.0
    found = {
        "gamma": archive.Scan(
            {"counts": counts, "time": 5.0, "elapsed": np.linspace(0.0, 1e7, size),
             "core_diameter": rng.normal(65.0, 0.3, size), "bore": 66.0,
             "annulus_density": 1.02, "depth": np.linspace(0.0, 90.0, size)},
            {"calibration": gamma_calibration(), **GAMMA}, reason,
        ),
        "pwave": archive.Scan(
            {"travel_time": time, "thickness": rng.normal(71.2, 0.1, size),
             "walls": rng.integers(0, 3, size).astype(float), "gap": 0.3,
             "amplitude": rng.uniform(10.0, 90.0, size)},
            {"calibration": pwave.Calibration(7.1, 2.2, np.diag([0.01, 0.02])), **PWAVE}, reason,
        ),
    }  # fmt: skip
    return {"gamma": found["gamma"]} if name == "last" else found


def holes() -> Iterator[tuple[str, Mapping[str, archive.Scan]]]:
    for name, size in SIZES.items():
        yield name, scans(name, size)


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("readings") / "store"
    assert archive.write_readings(holes(), place) == 4
    return place


@pytest.fixture(scope="module")
def made(readings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("made") / "out"
    archive.reduce(readings, out, workers=1, progress=False)
    return out


def by_public_function(sensor: str, scan: archive.Scan, effects: bool) -> xr.Dataset:
    """The same readings in one call, as a user makes it."""
    size = np.size(scan.reason)

    def column(name: str, unit: str) -> xr.DataArray:
        values = np.broadcast_to(scan.columns[name], (size,)).astype(float)
        return xr.DataArray(values, dims="reading", attrs={"units": unit})

    if sensor == "gamma":
        return gamma.bulk_density(
            column("counts", "count"), column("time", "s"), elapsed=column("elapsed", "s"),
            core_diameter=column("core_diameter", "mm"), bore=column("bore", "mm"),
            annulus_density=column("annulus_density", "g/cm^3"), reason=scan.reason,
            effects=effects, **scan.choices,
        )  # fmt: skip
    liner = np.array(["none", "half", "full"], dtype=object)[scan.columns["walls"].astype(int)]
    return pwave.velocity(
        column("travel_time", "us"), column("thickness", "mm"), gap=column("gap", "mm"),
        liner=xr.DataArray(liner, dims="reading"), amplitude=column("amplitude", "1"),
        reason=scan.reason, **scan.choices,
    )  # fmt: skip


@pytest.mark.parametrize("name", list(SIZES))
@pytest.mark.parametrize("sensor", ["gamma", "pwave"])
def test_blocks_give_the_numbers_of_the_public_functions(
    made: Path, name: str, sensor: str
) -> None:
    if (sensor, name) == ("pwave", "last"):
        pytest.skip("that hole has no P-wave scan")
    path, quantity = {
        "gamma": ("density", "bulk_density"), "pwave": ("velocity", "p_wave_velocity"),
    }[sensor]  # fmt: skip
    scan = scans(name, SIZES[name])[sensor]
    mine = archive.open(made)[name][f"properties/{path}"].to_dataset()
    there = by_public_function(sensor, scan, False)
    for part in ("", "_reason", "_flag"):
        np.testing.assert_array_equal(mine[quantity + part].values, there[quantity + part].values)
    u, other = mine[f"{quantity}_u_random"].values, there[f"{quantity}_u_random"].values
    np.testing.assert_array_equal(u, other.astype(np.float32))
    for word in ("units", "long_name"):
        assert mine[quantity].attrs[word] == there[quantity].attrs[word]
    assert np.isnan(mine[quantity].values).any()  # flaws were there to be found
    assert len(set(mine[f"{quantity}_flag"].values.tolist())) >= 3


def test_effects_are_kept_where_asked(readings: Path, made: Path, tmp_path: Path) -> None:
    archive.reduce(readings, tmp_path / "out", effects=True, progress=False)
    for sensor, path, quantity in (
        ("gamma", "density", "bulk_density"), ("pwave", "velocity", "p_wave_velocity"),
    ):  # fmt: skip
        mine = archive.open(tmp_path / "out")["over_the_edge"][f"properties/{path}"].to_dataset()
        scan = scans("over_the_edge", SIZES["over_the_edge"])[sensor]
        there = by_public_function(sensor, scan, True)
        assert list(mine["source"].values) == list(there["source"].values)
        for part in ("", "_reason", "_flag"):
            np.testing.assert_array_equal(
                mine[quantity + part].values, there[quantity + part].values
            )
        for part in ("_effects", "_u_systematic", "_u_random"):
            np.testing.assert_array_equal(
                mine[quantity + part].values, there[quantity + part].values.astype(np.float32)
            )
        plain = archive.open(made)["short"][f"properties/{path}"]
        assert f"{quantity}_effects" not in plain and f"{quantity}_u_systematic" not in plain


@pytest.mark.parametrize("scheduler", ["threads", "processes"])
def test_whoever_works_writes_the_same_bytes(
    readings: Path, made: Path, tmp_path: Path, scheduler: str
) -> None:
    out = tmp_path / "out"
    archive.reduce(readings, out, workers=2, scheduler=scheduler, progress=False)
    assert contents(out) == contents(made)


def test_the_table_counts_every_reading(made: Path) -> None:
    table = archive.summary(made).set_index("name")
    assert list(table.index) == list(SIZES)
    assert (table["status"] == "complete").all()
    assert table.loc["last", "readings"] == 50
    assert table.loc["long", "readings"] == 2 * SIZES["long"]
    assert (table["kept"] + table["left_out"] + table["missing"] == table["readings"]).all()
    found = archive.open(made)["long"]["properties/density"].to_dataset()
    usable = flags.usable(found["bulk_density_flag"].values)
    mean = found["bulk_density"].values[usable].mean()
    assert table.loc["long", "bulk_density [g/cm^3]"] == pytest.approx(mean, rel=1e-12)
    assert np.isnan(table.loc["last", "p_wave_velocity [m/s]"])


def test_plain_xarray_opens_readings_and_results(readings: Path, made: Path) -> None:
    raw = xr.open_datatree(readings / "readings.zarr", engine="zarr", consolidated=False)
    first = scans("short", SIZES["short"])["gamma"]
    np.testing.assert_array_equal(
        raw["gamma/counts"].values[: SIZES["short"]], first.columns["counts"]
    )
    reduced = xr.open_datatree(made / "reduced.zarr", engine="zarr", consolidated=False)
    assert reduced["density"].sizes == {"hole": 4, "reading": sum(SIZES.values())}
    assert reduced["density/hole"].values.tolist() == list(SIZES)
    assert reduced["density/bulk_density"].attrs["units"] == "g/cm^3"
    mine = archive.open(made)["last"]["properties/density/bulk_density"].values
    np.testing.assert_array_equal(reduced["density/bulk_density"].values[-50:], mine)


def test_faults_stay_in_their_hole_and_are_mended(
    readings: Path, made: Path, tmp_path: Path
) -> None:
    source, out = tmp_path / "readings", tmp_path / "out"
    shutil.copytree(readings, source)
    record = json.loads((source / "records" / "short.json").read_text())
    record["gamma"]["half_life"] = "30 m"
    write(source / "records" / "short.json", json.dumps(record))
    (source / "readings.zarr" / "pwave" / "thickness" / "c" / "0").write_bytes(b"cut")
    table = archive.reduce(source, out, progress=False).set_index("name")
    # The first block of P-wave times is lost, and with it parts of three holes.
    assert dict(table["status"]) == {
        "short": "failed", "long": "failed", "over_the_edge": "failed", "last": "complete",
    }  # fmt: skip
    assert "half_life: expected s, got 'm'" in table.loc["short", "error"]
    assert "pwave/thickness/c/0 is cut short" in table.loc["long", "error"]
    density = xr.open_zarr(out / "reduced.zarr" / "density", consolidated=False)
    lost = density["bulk_density_flag"].values[: SIZES["short"]]
    assert (lost == flags.MISSING).all()
    assert (density["bulk_density_flag"].values[SIZES["short"] :] == flags.GOOD).any()
    assert list(archive.open(out)) == ["last"]
    with pytest.raises(KeyError, match=r"'short' could not be reduced; .*: gamma: UnitError"):
        archive.open(out)["short"]

    good = out / "reduced.zarr" / "density" / "bulk_density" / "c" / "1"
    before = good.stat().st_mtime_ns
    for part in ("records/short.json", "readings.zarr/pwave/thickness/c/0"):
        shutil.copy(readings / part, source / part)
    table = archive.reduce(source, out, progress=False)
    assert (table["status"] == "complete").all()
    assert good.stat().st_mtime_ns == before  # a finished block is not done again
    assert contents(out) == contents(made)


def test_a_run_that_stopped_goes_on(readings: Path, made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(made, out)
    (out / "done" / "gamma-000001.json").unlink()
    (out / "reduced.zarr" / "density" / "bulk_density" / "c" / "1").unlink()
    assert "last" not in archive.open(out)
    assert archive.summary(out).set_index("name").loc["over_the_edge", "status"] == "unfinished"
    kept = out / "reduced.zarr" / "density" / "bulk_density" / "c" / "0"
    before = kept.stat().st_mtime_ns
    archive.reduce(readings, out, progress=False)
    assert kept.stat().st_mtime_ns == before
    assert contents(out) == contents(made)


def test_an_object_store_holds_readings_and_results(made: Path) -> None:
    archive.write_readings(holes(), "memory://readings-store")
    archive.reduce("memory://readings-store", "memory://reduced-scans", progress=False)
    for name in ("over_the_edge", "last"):
        xr.testing.assert_identical(
            archive.open("memory://reduced-scans")[name]["properties/density"].to_dataset(),
            archive.open(made)[name]["properties/density"].to_dataset(),
        )


def test_collected_holes_give_the_numbers_of_reduce(tmp_path: Path, demo_hole: Path) -> None:
    small_hole(tmp_path / "holes" / "small", 4, fast_too=True)
    shutil.copytree(demo_hole, tmp_path / "holes" / "demo")
    write(small_hole(tmp_path / "holes" / "bad", 1) / "cores.csv", "top [m]\n0\n")
    recipe = {"gamma": {"calibrations": "together"}}
    failed = archive.collect(tmp_path / "holes", tmp_path / "store", recipe, progress=False)
    assert list(failed) == ["bad"] and failed["bad"].startswith("HoleError")
    archive.reduce(tmp_path / "store", tmp_path / "out", progress=False)
    found = archive.open(tmp_path / "out")
    assert list(found) == ["demo", "small"]
    hole = cp.read_hole(tmp_path / "holes" / "demo")
    context = Context(hole, complete_recipe(hole, recipe))
    for stage in (
        "index properties", "gamma calibration", "density", "P-wave calibration", "velocity",
    ):  # fmt: skip
        STAGES[stage](context)
    for path, quantity in (("density", "bulk_density"), ("velocity", "p_wave_velocity")):
        mine = found["demo"][f"properties/{path}"].to_dataset()
        there = context.result(f"properties/{path}")
        for part in ("", "_reason", "_flag"):
            np.testing.assert_array_equal(
                mine[quantity + part].values, there[quantity + part].values
            )
        u = there[f"{quantity}_u_random"].values.astype(np.float32)
        np.testing.assert_array_equal(mine[f"{quantity}_u_random"].values, u)
        np.testing.assert_array_equal(mine["depth"].values, there["depth"].values)


@pytest.mark.parametrize("older", [False, True])
def test_a_stored_calibration_loads_with_its_standards_and_without(older: bool) -> None:
    from matplotlib import pyplot

    length, medium = np.array([40.0, 60.0, 25.0, 50.0]), ["water", "water", "steel", "steel"]
    time = 8.0 + 1e3 * length / np.array([1482.0, 1482.0, 5900.0, 5900.0])
    time += np.array([0.02, -0.01, 0.01, 0.03])
    made = pwave.calibrate(
        cp.quantity(length, "mm"),
        cp.quantity(time, "us"),
        temperature="20 degC",
        medium=medium,
        wall="2.6 mm",
    )
    plain = json.loads(json.dumps(store._plain_calibration(made)))
    if older:  # written before the media and walls of the standards were kept
        del plain["medium"], plain["walls"]
    again = store._calibration(pwave.Calibration, plain)
    assert again.table().equals(made.table()) and again.describe() == made.describe()
    assert list(again.medium) == ([] if older else medium)
    ax = again.plot()
    assert sum(len(line.get_xdata()) for line in ax.lines if line.get_marker() == "o") == 4
    pyplot.close(ax.get_figure())


def test_rows_know_their_holes() -> None:
    rows = Rows(["a", "none", "b"], np.array([10, 10, 25]))
    assert rows.parts(0, 10) == [("a", 0, 10)]
    assert rows.parts(5, 12) == [("a", 5, 10), ("b", 10, 12)]
    assert rows.parts(10, 99) == [("b", 10, 25)]
    assert rows.of("b") == (10, 25) and rows.of("none") == (10, 10) and rows.size == 25
    assert Rows([], np.array([], dtype=np.int64)).size == 0


def test_slips_are_answered(readings: Path, made: Path, tmp_path: Path) -> None:
    quiet: dict[str, Any] = {"progress": False}
    with pytest.raises(ValueError, match="a store of readings already contains the choices"):
        archive.reduce(readings, tmp_path / "out", {"gamma": {"time": "live"}}, **quiet)
    with pytest.raises(ValueError, match="lies inside the source"):
        archive.reduce(readings, readings / "out", **quiet)
    shutil.copytree(made, tmp_path / "made")
    with pytest.raises(ValueError, match="effects was False and is True"):
        archive.reduce(readings, tmp_path / "made", effects=True, **quiet)
    small_hole(tmp_path / "holes" / "one", 1)
    with pytest.raises(ValueError, match="was made of readings, not of holes; choose another"):
        archive.reduce(tmp_path / "holes", tmp_path / "made", **quiet)
    other = tmp_path / "other"
    archive.write_readings([("last", scans("last", 50))], other)
    with pytest.raises(ValueError, match="the store of readings has changed"):
        archive.reduce(other, tmp_path / "made", **quiet)
    with pytest.raises(ValueError, match="is not empty; give a new folder for the readings"):
        archive.write_readings([("last", scans("last", 50))], other)

    good = scans("short", 40)["gamma"]

    def refused(message: str, *pairs: tuple[str, Any], kind: Any = ValueError) -> None:
        with pytest.raises(kind, match=message):
            archive.write_readings(pairs, tmp_path / f"s{np.random.default_rng().integers(1e9)}")

    refused("no holes were given")
    refused("two holes are called 'a'", ("a", {"gamma": good}), ("a", {"gamma": good}))
    refused("'a/b' is not a valid name", ("a/b", {"gamma": good}))
    refused("a: unknown sensor 'sonar'; expected gamma, pwave", ("a", {"sonar": good}))
    columns = dict(good.columns)
    del columns["bore"]
    message = "a, gamma: the column 'bore' is missing. The columns are counts, time"
    refused(message, ("a", {"gamma": archive.Scan(columns, good.choices)}))
    columns = {**good.columns, "bores": 66.0}
    refused("there is no column 'bores'", ("a", {"gamma": archive.Scan(columns, good.choices)}))
    columns = {**good.columns, "bore": np.ones(3)}
    message = "a, gamma: the columns have 3, 40 values; give each"
    refused(message, ("a", {"gamma": archive.Scan(columns, good.choices)}))
    drifting = {"calibration": gamma.Calibration.nominal(parts=(("A", 1.0, None),))}
    message = "cannot hold a calibration that changes in time"
    refused(message, ("a", {"gamma": archive.Scan(good.columns, drifting)}))
    odd = {**good.choices, "half_life": cp.quantity(30.0, "yr")}
    message = "gamma: the choice half_life is Quantity; expected a calibration"
    refused(message, ("a", {"gamma": archive.Scan(good.columns, odd)}), kind=TypeError)
    index = json.loads((other / "readings.json").read_text())
    write(other / "readings.json", json.dumps({**index, "chunk": 7}))
    with pytest.raises(archive.StoreError, match="chunks of 7 readings; this package reads"):
        archive.reduce(other, tmp_path / "new", **quiet)
