"""Every group of a saved hole, written alone as a flat file, passes a CF checker."""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from corephys.export import flat, load, save
from corephys.hole import read_site
from corephys.reduction.run import reduce
from tests.reduced_tree import reduced_tree
from tests.site_folders import small_site

HIGH = 3  # the checker's weight of a finding that breaks a requirement


@cache
def _suite() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from compliance_checker.runner import CheckSuite

        CheckSuite.load_all_available_checkers()
    return CheckSuite


def _newest() -> str:
    names = [name for name in _suite().checkers if name.startswith("cf:")]
    return max(names, key=lambda name: [int(n) for n in name[3:].split(".")])


def findings(path: Path) -> list[str]:
    """High-priority findings of the newest CF checker, and its own failures."""
    suite = _suite()()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = suite.load_dataset(str(path))
        try:
            scored = suite.run_all(dataset, [_newest()])
        finally:
            dataset.close()
    found: list[str] = []
    for groups, failures in scored.values():
        for result in groups:
            lost = result.value[0] < result.value[1] if isinstance(result.value, tuple) else False
            if result.weight >= HIGH and lost:
                found.append(f"{result.name}: {'; '.join(result.msgs or [])}")
        found += [f"{name} failed: {error}" for name, (error, _) in failures.items()]
    return found


def faults(path: Path, folder: Path) -> dict[str, list[str]]:
    """Findings of every group of a file, each written alone."""
    tree = load(path)
    found: dict[str, list[str]] = {}
    for node in tree.leaves:
        group = node.path.strip("/")
        alone = folder / f"{group.replace('/', '_')}.nc"
        flat(tree, group).to_netcdf(alone)
        lines = findings(alone)
        if lines:
            found[group] = lines
    return found


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    tree = reduced_tree(600)
    odd = tree["scan/gamma"].to_dataset(inherit=False)
    # A column of the user's own, and one named as its dimension.
    odd["my column, 2"] = ("reading", np.arange(600.0))
    odd["reading"] = ("reading", np.tile([3.0, 1.0], 300))
    tree["scan/susceptibility"] = xr.DataTree(odd)
    return save(tree, tmp_path_factory.mktemp("cf") / "reduced.nc")


def test_every_group_passes(saved: Path, tmp_path: Path) -> None:
    assert len(load(saved).leaves) > 15
    assert faults(saved, tmp_path) == {}


def test_every_group_of_a_site_passes(tmp_path: Path) -> None:
    reduced = reduce(read_site(small_site(tmp_path / "site")))
    held = {leaf.path: leaf.to_dataset(inherit=False) for leaf in reduced.leaves}
    # Other groups of the holes are those of a hole alone, with the same coordinates as this one.
    few = {path: data for path, data in held.items() if path.startswith("/site/")}
    assert {"/site/summary", "/site/calibrations", "/site/control_gamma"} <= set(few)
    few["/B/properties/density"] = held["/B/properties/density"]
    path = save(xr.DataTree.from_dict(few), tmp_path / "site.nc")
    assert faults(path, tmp_path) == {}


def test_a_group_copied_by_a_plain_reader_passes(saved: Path, tmp_path: Path) -> None:
    for group in ("scan/gamma", "properties/density", "products/heat_flow_by_carrier"):
        with xr.open_dataset(saved, group=group) as plain:
            plain.attrs["Conventions"] = "CF-1.11"
            plain.to_netcdf(tmp_path / "alone.nc")
        assert findings(tmp_path / "alone.nc") == []


@pytest.mark.parametrize(
    ("group", "name", "attribute", "value"),
    [
        ("properties/density", "bulk_density", "units", "a cup of mud"),
        ("scan/gamma", "counts", "units", "parsnips"),
        ("products/heat_flow", "heat_flow_u_random", "units", "mW/m^^2"),
        ("properties/density", "bulk_density", "ancillary_variables", "not_there"),
        ("properties/density", "bulk_density", "standard_name", "no_such_name"),
    ],
)
def test_a_planted_fault_is_found(
    tmp_path: Path, group: str, name: str, attribute: str, value: str
) -> None:
    tree = reduced_tree(60)
    tree[group][name].attrs[attribute] = value
    few = {path: tree[path].to_dataset(inherit=False) for path in ("cores", group)}
    path = save(xr.DataTree.from_dict(few), tmp_path / "reduced.nc")
    assert list(faults(path, tmp_path)) == [group]
