"""[quality] use reaches every stage: what the recipe allows is used, and nothing else."""

from __future__ import annotations

import ast
import importlib
import inspect
import textwrap
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import corephys as cp
from corephys.ground import flags, series
from data_demo.simulator.hole import simulate_tables

ROOT = Path(cp.__file__).parent / "reduction"


def _modules(tree: ast.Module) -> dict[str, ModuleType]:
    """Modules of the package that a file imports, by the name it uses."""
    found = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("corephys"):
            for alias in node.names:
                try:
                    module = importlib.import_module(f"{node.module}.{alias.name}")
                except ModuleNotFoundError:
                    continue
                found[alias.asname or alias.name] = module
    return found


def calls_without_levels(source: str) -> list[str]:
    """Calls without ``allow`` of functions that take it, and flags compared with a number."""
    tree = ast.parse(source)
    modules, found = _modules(tree), []
    for node in ast.walk(tree):
        numbers = (ast.Eq, ast.NotEq, ast.Lt, ast.LtE, ast.Gt, ast.GtE)
        compared = isinstance(node, ast.Compare) and isinstance(node.ops[0], numbers)
        if compared and "_flag" in ast.unparse(node.left):
            found.append(f"line {node.lineno}: {ast.unparse(node)}")
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        owner = node.func.value
        module = modules.get(owner.id) if isinstance(owner, ast.Name) else None
        function = getattr(module, node.func.attr, None)
        if not inspect.isfunction(function):
            continue
        names = list(inspect.signature(function).parameters)
        given = [keyword.arg for keyword in node.keywords]
        handed = {"allow", None} & set(given)
        if "allow" in names and not handed and len(node.args) <= names.index("allow"):
            found.append(f"line {node.lineno}: {owner.id}.{node.func.attr}")
    return found


@pytest.mark.parametrize("file", sorted(ROOT.rglob("*.py")), ids=lambda f: f.stem)
def test_every_stage_hands_the_levels_of_the_recipe_on(file):
    assert not calls_without_levels(file.read_text(encoding="utf-8"))


def test_a_stage_that_has_levels_of_its_own_is_found():
    source = textwrap.dedent("""
        from corephys.ground import flags
        from corephys.products import porosity
        def stage(context, samples, table):
            if (samples["grain_density_flag"] == 1).any():
                flags.usable(samples["grain_density_flag"])
                return porosity.grain_density_at(samples, to=table)
    """)
    assert {f.partition(": ")[2] for f in calls_without_levels(source)} == {
        "samples['grain_density_flag'] == 1", "flags.usable", "porosity.grain_density_at",
    }  # fmt: skip


@pytest.mark.slow
def test_suspect_samples_give_the_grain_density_where_the_recipe_allows_them():
    tables, settings, _ = simulate_tables(3001, small=True)
    frame = tables["samples/index_properties"].copy()
    # Light grains: usual is 2.4 and more, so every sample is suspect and none is impossible.
    volume = next(c for c in frame.columns if c.startswith("dry_volume"))
    frame[volume] = frame[volume] * 1.18
    hole = cp.hole_from_tables({**tables, "samples/index_properties": frame}, settings)
    lean = {"compaction": {"bootstrap": 0, "compare": False}, "needle": {"cross_check": False}}
    found = {}
    for use in ("good, not_evaluated", "good, not_evaluated, suspect"):
        reduced = cp.reduce(hole, {**lean, "quality": {"use": use}})
        samples = series.leaf(reduced, "properties/index_properties")
        assert (samples["grain_density_flag"] == flags.SUSPECT).sum() > 5
        found[use] = series.leaf(reduced, "products/porosity")["source"].values.tolist()
    carried = [any(s.startswith("grain_density_") for s in sources) for sources in found.values()]
    assert carried == [False, True], found


def test_grain_density_is_carried_from_allowed_samples_alone():
    import xarray as xr

    from corephys.uncertainty import Measured

    depth = np.arange(1.0, 9.0)
    coords = {"depth": ("reading", depth, {"units": "m"})}
    values = xr.DataArray(np.where(depth > 4.0, 2.8, 2.6), dims="reading", coords=coords)
    reason = np.where(depth > 4.0, flags.bit("outlier_among_samples"), 0)
    samples = series.build({"grain_density": Measured(values, 0.01, {}, reason)})
    to = xr.Dataset(coords={"depth": ("reading", [2.0, 7.0], {"units": "m"})})
    strict = cp.porosity.grain_density_at(samples, to=to)
    both = cp.porosity.grain_density_at(samples, to=to, allow=("good", "suspect"))
    np.testing.assert_allclose(strict["grain_density"], [2.6, 2.6])
    np.testing.assert_allclose(both["grain_density"], [2.6, 2.8])
