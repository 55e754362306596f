"""The digest of a hole sees every change of a number and, in full, of a word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from tests.guard import digest, main

LEAF = "scan/reduced"


@pytest.fixture(scope="module")
def hole(project_root: Path) -> xr.DataTree:
    return cp.read_hole(project_root / "data_demo" / "site" / "A")


def changed(hole: xr.DataTree, change) -> xr.DataTree:
    tree = hole.copy(deep=True)
    data = tree[LEAF].to_dataset(inherit=False)
    tree[LEAF].dataset = change(data)
    return tree


def _last_digit(data):
    name = next(n for n in data.data_vars if data[n].dtype.kind == "f")
    values = data[name].values.copy()
    values[np.isfinite(values).argmax()] = np.nextafter(values[np.isfinite(values)][0], np.inf)
    return data.assign({name: (data[name].dims, values, data[name].attrs)})


def _single_precision(data):
    name = next(n for n in data.data_vars if data[n].dtype.kind == "f")
    return data.assign({name: data[name].astype("float32")})


def _one_less(data):
    return data.drop_vars(next(iter(data.data_vars)))


def _word(data):
    return data.assign_attrs(comment="another word")


@pytest.mark.parametrize("change", [_last_digit, _single_precision, _one_less])
@pytest.mark.parametrize("numbers", [False, True])
def test_a_changed_number_changes_the_digest(hole, change, numbers):
    before = digest(hole, numbers=numbers)
    assert digest(hole.copy(deep=True), numbers=numbers) == before
    assert digest(changed(hole, change), numbers=numbers) != before


def test_a_changed_word_changes_the_full_digest_alone(hole):
    other = changed(hole, _word)
    assert digest(other) != digest(hole)
    assert digest(other, numbers=True) == digest(hole, numbers=True)


def test_the_version_of_the_package_is_left_out(hole):
    other = hole.copy(deep=True)
    other.attrs["corephys_version"] = "99"
    assert digest(other) == digest(hole)


def test_a_hole_reduced_twice_has_one_digest(project_root, capsys):
    folder = str(project_root / "data_demo" / "site" / "A")
    main([folder, folder])
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert lines[:2] == lines[2:]
