"""Stores of the archive: what is written is read alike by the zarr library, whole or not at all."""

from __future__ import annotations

import json
import os
import secrets
import socket
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from corephys.archive.stores import (
    LOCK,
    ArchiveBusy,
    Place,
    StoreError,
    locked,
    read_tree,
    write_tree,
)
from corephys.export import zarr as stores
from corephys.hole import read_hole


@pytest.fixture(scope="module")
def hole(demo_hole: Path) -> xr.DataTree:
    return read_hole(demo_hole)


def test_a_hole_comes_back_as_it_was(hole: xr.DataTree, tmp_path: Path) -> None:
    stores.save(hole, tmp_path / "saved")
    back = stores.load(tmp_path / "saved")
    xr.testing.assert_identical(back, xr.DataTree.from_dict(
        {node.path: node.to_dataset(inherit=False) for node in hole.subtree}))  # fmt: skip
    for node in hole.leaves:
        for name, variable in node.dataset.variables.items():
            assert back[node.path].dataset.variables[name].dtype == variable.dtype, name


@pytest.mark.parametrize("consolidated", [True, False])
def test_plain_xarray_opens_the_store(
    hole: xr.DataTree, tmp_path: Path, consolidated: bool
) -> None:
    store = stores.save(hole, tmp_path / "saved")
    assert stores.store(tmp_path / "saved") == store
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        other = xr.open_datatree(store, engine="zarr", consolidated=consolidated).load()
    assert set(other.groups) == set(hole.groups)
    for node in hole.leaves:
        dataset = other[node.path].to_dataset(inherit=False)
        assert set(dataset.coords) == set(node.dataset.coords)
        for name, variable in node.dataset.variables.items():
            np.testing.assert_array_equal(
                dataset[name].values.astype(variable.dtype), variable.values, err_msg=str(name)
            )
            units = {"units", "calendar", "_FillValue"}
            for key in set(variable.attrs) - units:
                np.testing.assert_array_equal(dataset[name].attrs[key], variable.attrs[key])


numbers = st.sampled_from([np.float32, np.float64, np.int8, np.int64, np.uint16, np.bool_])


@given(data=st.data())
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_array_is_read_by_the_zarr_library(tmp_path: Path, data: st.DataObject) -> None:
    import zarr

    shape = data.draw(hnp.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=40))
    if data.draw(st.booleans()):
        texts = st.text(st.characters(blacklist_categories=["Cs"]), max_size=9)
        size = int(np.prod(shape))
        flat = np.empty(size, dtype=object)
        flat[:] = data.draw(st.lists(texts, min_size=size, max_size=size)) if size < 50 else "Ωm"
        values = flat.reshape(shape)
    else:
        values = data.draw(hnp.arrays(data.draw(numbers), shape))
    place = Place.of(tmp_path)
    variable = xr.Variable([f"d{i}" for i in range(values.ndim)], values)
    tree = xr.DataTree.from_dict({"/a/b": xr.Dataset({"x": variable})})
    store = secrets.token_hex(4)
    write_tree(tree, place, store)
    np.testing.assert_array_equal(zarr.open(f"{tmp_path}/{store}")["a/b/x"][...], values)
    back = read_tree(place, store)["a/b"].dataset.variables["x"]
    np.testing.assert_array_equal(back.values, values)
    assert back.dtype == values.dtype


def test_attributes_and_strange_names_come_back(tmp_path: Path) -> None:
    values = xr.Variable("x", [1.0, 2.0], {"units": "m/s", "limits": [np.nan, np.inf], "n": 3})
    data = xr.Dataset(
        {"a\\b": values, ".a_b": values, "__x": values, "ok": values}, attrs={"fit": float("-inf")}
    )
    place = Place.of(tmp_path)
    write_tree(xr.DataTree.from_dict({"/t": data}), place, "s")
    back = read_tree(place, "s")["t"].to_dataset()
    assert set(back.data_vars) == {"a\\b", ".a_b", "__x", "ok"}
    assert back.attrs == {"fit": float("-inf")}
    np.testing.assert_equal(back["ok"].attrs["limits"], [np.nan, np.inf])
    # The files themselves are JSON as every program reads it.
    for file in tmp_path.rglob("zarr.json"):
        json.loads(file.read_text(), parse_constant=lambda word: pytest.fail(word))


def test_what_a_store_cannot_hold_is_refused(tmp_path: Path) -> None:
    mixed = xr.Dataset({"x": ("r", np.array(["a", 3], dtype=object))})
    with pytest.raises(TypeError, match="has 3 among its texts"):
        write_tree(xr.DataTree.from_dict({"/t": mixed}), Place.of(tmp_path), "s")
    waves = xr.Dataset({"x": ("r", np.array([1j]))})
    with pytest.raises(TypeError, match="is of type complex128"):
        write_tree(xr.DataTree.from_dict({"/t": waves}), Place.of(tmp_path), "s")


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    data = xr.Dataset({"x": ("r", np.arange(1000.0)), "words": ("r", ["one"] * 1000)})
    stores.save(xr.DataTree.from_dict({"/t": data}), tmp_path / "saved")
    return tmp_path / "saved"


def chunk(saved: Path, name: str) -> Path:
    (found,) = saved.glob(f"*.zarr/t/{name}/c/0")
    return found


@pytest.mark.parametrize("name", ["x", "words"])
@pytest.mark.parametrize("keep", [0, 7, 100])
def test_a_chunk_cut_short_is_an_error(saved: Path, name: str, keep: int) -> None:
    file = chunk(saved, name)
    file.write_bytes(file.read_bytes()[:keep])
    with pytest.raises(StoreError, match=rf"t/{name}/c/0 is cut short or damaged: .*make the"):
        stores.load(saved)


def test_an_absent_chunk_is_an_error_and_not_a_column_of_nothing(saved: Path) -> None:
    chunk(saved, "x").unlink()
    with pytest.raises(StoreError, match="t/x/c/0 is missing; make the store again"):
        stores.load(saved)


def test_metadata_cut_short_are_an_error(saved: Path) -> None:
    (file,) = saved.glob("*.zarr/zarr.json")
    file.write_text(file.read_text()[:200])
    with pytest.raises(StoreError, match="is cut short; make the store again"):
        stores.load(saved)


def test_codecs_of_others_are_named(saved: Path) -> None:
    (file,) = saved.glob("*.zarr/zarr.json")
    text = file.read_text().replace('"blosc"', '"gzip"')
    file.write_text(text)
    with pytest.raises(StoreError, match="is damaged: its digest is another one"):
        stores.load(saved)
    head = json.loads(text)
    del head["consolidated_metadata"]["sha256"]  # a store of another writer has no digest
    file.write_text(json.dumps(head))
    with pytest.raises(StoreError, match="codecs bytes, gzip, crc32c, which this package does not"):
        stores.load(saved)


def test_a_new_store_takes_the_place_of_the_old_one_at_once(saved: Path) -> None:
    before = stores.store(saved)
    bad = xr.DataTree.from_dict({"/t": xr.Dataset({"x": ("r", np.array([1j]))})})
    with pytest.raises(TypeError):
        stores.save(bad, saved)
    assert stores.store(saved) == before
    assert len(list(saved.glob("*.zarr"))) == 1  # nothing of the failed one is left
    good = xr.DataTree.from_dict({"/t": xr.Dataset({"x": ("r", [1.0])})})
    stores.save(good, saved)
    assert stores.store(saved) != before
    assert len(list(saved.glob("*.zarr"))) == 1
    assert (saved / "current").read_text().count("\n") == 1
    assert stores.load(saved)["t/x"].values.tolist() == [1.0]


def test_places_without_a_store_say_so(tmp_path: Path, saved: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"there is no saved hole at .*nowhere"):
        stores.load(tmp_path / "nowhere")
    (saved / "current").write_text("\n")
    with pytest.raises(StoreError, match="does not name a store; save the hole again"):
        stores.load(saved)


def test_a_later_format_is_refused(tmp_path: Path) -> None:
    tree = xr.DataTree.from_dict({"/t": xr.Dataset({"x": ("r", [1.0])})})
    tree.attrs["format_version"] = "99"
    stores.save(tree, tmp_path / "s")
    with pytest.raises(StoreError, match="has format_version 99; this package reads up to"):
        stores.load(tmp_path / "s")


def test_an_object_store_holds_a_hole_as_a_folder_does(hole: xr.DataTree) -> None:
    url = "memory://store-of-a-hole"
    store = stores.save(hole, url)
    xr.testing.assert_identical(stores.load(url)["scan/gamma"], stores.load(url)["scan/gamma"])
    other = xr.open_datatree(store, engine="zarr")
    np.testing.assert_array_equal(
        other["scan/gamma"]["counts"].values, hole["scan/gamma"]["counts"].values
    )


def lock_of(place: Place, **changes: object) -> None:
    with locked(place):
        held = json.loads(place.get(LOCK))
    place.put(LOCK, json.dumps({**held, **changes}).encode())


def test_a_lock_is_held_while_a_block_runs_and_then_gone(tmp_path: Path) -> None:
    place = Place.of(tmp_path)
    with locked(place):
        message = rf"is being written by process {os.getpid()} on .* Wait for it to finish, stop it"
        with pytest.raises(ArchiveBusy, match=message), locked(place):
            pass
    assert not place.exists(LOCK)
    with pytest.raises(KeyError), locked(place):
        raise KeyError
    assert not place.exists(LOCK)


def test_the_lock_of_a_dead_process_is_taken_away(tmp_path: Path) -> None:
    place = Place.of(tmp_path)
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    lock_of(place, process=dead.pid, process_started="long ago")
    with locked(place):
        assert json.loads(place.get(LOCK))["process"] == os.getpid()
    assert not place.exists(LOCK)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs the kernel's list")
def test_a_number_of_a_process_used_again_is_not_the_dead_run(tmp_path: Path) -> None:
    place = Place.of(tmp_path)
    lock_of(place, process=os.getppid(), process_started="another boot 12345")
    with locked(place):
        pass


def test_the_lock_of_another_machine_is_left_and_named(tmp_path: Path) -> None:
    place = Place.of(tmp_path)
    lock_of(place, host=f"not-{socket.gethostname()}", process=1)
    message = r"if that run has stopped, remove .*lock\.json"
    with pytest.raises(ArchiveBusy, match=message), locked(place):
        pass
    assert place.exists(LOCK)


def test_an_object_store_is_locked_too() -> None:
    place = Place.of("memory://locked-archive")
    with locked(place), pytest.raises(ArchiveBusy), locked(place):
        pass
    with locked(place):
        pass
