"""One table that cannot be used never costs the others: each stage meets each kind of fault."""

from __future__ import annotations

import json
import shutil
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys import cli as command
from corephys.ground import series
from corephys.reduction.context import MADE_BY
from data_demo.simulator.hole import simulate_tables
from tests.invariants import unknown_is_nan

# What the suite does without: the same stages in less time.
LEAN = {
    "compaction": {"bootstrap": 0, "compare": False},
    "needle": {"cross_check": False},
    "seismic": {"draws": 2},
}
KEYS = ("core", "section", "run", "station", "tool", "test", "step", "repeat", "time")


def _numbers(frame: pd.DataFrame) -> list[str]:
    """Columns that are measured, not keys, positions or times."""
    places = (*KEYS, "offset", "depth", "to", "top", "bottom", "from")
    return [
        c for c in frame.columns
        if c.partition(" [")[0] not in places and frame[c].dtype.kind in "fiu"
    ]  # fmt: skip


def _measured(change: Any) -> Any:
    def made(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(**{c: change(frame[c].astype(float)) for c in _numbers(frame)})

    return made


def _keyed(name: str, change: Any) -> Any:
    def made(frame: pd.DataFrame) -> pd.DataFrame:
        columns = [c for c in frame.columns if c.partition(" [")[0] == name]
        return frame.assign(**{c: change(frame[c]) for c in columns})

    return made


FAULTS = {
    "nothing measured": _measured(lambda v: v * np.nan),
    "zeros": _measured(lambda v: v * 0.0),
    "below zero": _measured(lambda v: -1.0 - v.abs()),
    "one value throughout": _measured(lambda v: v * 0.0 + v.iloc[0]),
    "a million times too large": _measured(lambda v: v * 1e6),
    "a millionth": _measured(lambda v: v * 1e-6),
    "beyond a float": _measured(lambda v: v * 0.0 + 1e300),
    "infinite": _measured(lambda v: v * 0.0 + np.inf),
    "every second missing": _measured(lambda v: v.where(np.arange(v.size) % 2 == 0)),
    "one row": lambda frame: frame.iloc[:1],
    "two rows": lambda frame: frame.iloc[:2],
    "no row": lambda frame: frame.iloc[:0],
    "no depth": _keyed("offset", lambda v: v * np.nan),
    "no times": _keyed("time", lambda v: v.where(v != v)),
}
# Pairs of the quick tests; the others are slow.
QUICK = {
    ("samples/needle", "nothing measured"), ("scan/gamma", "zeros"),
    ("standards/gamma", "below zero"), ("downhole/formation_temperature", "beyond a float"),
    ("samples/index_properties", "one row"), ("ages", "no row"),
}  # fmt: skip


@cache
def sound() -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Every table of a small hole, and its settings; of the slowest tables a part."""
    tables, settings = simulate_tables(3001, small=True)[:2]
    tests, stations = tables["samples/consolidation"], tables["downhole/formation_temperature"]
    few = {
        "samples/consolidation": tests[tests["test"].isin(sorted(set(tests["test"]))[:2])],
        "downhole/formation_temperature": stations.iloc[::3],
    }
    return {
        **tables,
        **{name: frame.reset_index(drop=True) for name, frame in few.items()},
    }, settings


@cache
def intact() -> tuple[dict[str, pd.DataFrame], dict[str, Any], xr.DataTree]:
    """A small hole that holds every table, and its reduction."""
    tables, settings = sound()
    return tables, settings, cp.reduce(cp.hole_from_tables(tables, settings), LEAN)


TABLES = sorted(sound()[0])


# They give every table with core, section and offset its depths and its flags as it is read.
PLACING = ("cores", "sections", "removed", "exclusions")
# Each of these goes wrong in a reduction of its own.
ALONE = (*PLACING, "layers")


def dependents(lineage: dict[str, Any], table: str) -> set[str]:
    """Paths of results that a table leads to, directly or through other results."""
    leads_to = {table}
    if table in PLACING:
        leads_to |= {name for name, frame in intact()[0].items() if "section" in frame}
    touched: set[str] = set()
    for _ in lineage:  # until nothing is added; a stage may read what a later one writes anew
        for stage in lineage.values():
            if leads_to & set(stage["tables"]) or touched & set(stage["reads"]):
                touched |= set(stage["writes"])
    return touched


@cache
def _apart(one: str, other: str) -> bool:
    """No stage reads both tables, and none that reads the one waits for the other.

    A stage that reads many, such as the flags of all scans, takes them one by one.
    """
    lineage = json.loads(intact()[2].attrs["lineage"])
    for first, second in ((one, other), (other, one)):
        led_to = dependents(lineage, first)
        for stage in lineage.values():
            if len(stage["tables"]) > 3:
                continue
            if second in stage["tables"] and led_to & {first, *stage["reads"]}:
                return False
            if {first, second} <= set(stage["tables"]):
                return False
    return True


@cache
def _groups() -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Every fault with every table once; tables of one reduction leave each other alone.

    Tables are dealt anew for every fault, so that what a table must leave alone is seen beside
    sound tables too. Those that place all others stand by themselves.
    """
    found: list[tuple[str, tuple[str, ...]]] = []
    for number, fault in enumerate(FAULTS):
        waiting = [str(t) for t in np.random.default_rng(number).permutation(TABLES)]
        while waiting:
            group = [waiting.pop()]
            if group[0] not in ALONE:
                for table in list(waiting):
                    alone = table in ALONE or (table, fault) in QUICK
                    if len(group) < 5 and not alone and all(_apart(table, g) for g in group):
                        group.append(table)
                        waiting.remove(table)
            found.append((fault, tuple(group)))
    return tuple(found)


def _changed(fault: str, group: tuple[str, ...]) -> list[tuple[Any, tuple[str, ...]]]:
    """The hole with the tables at fault; each by itself where it is refused as it is read."""
    tables, settings, _ = intact()
    try:
        changed = {**tables, **{table: FAULTS[fault](tables[table]) for table in group}}
        return [(cp.hole_from_tables(changed, settings), group)]
    except cp.HoleError as error:
        assert error.problems and all(p.what and p.mend for p in error.problems)
    if len(group) == 1:
        return []
    return [hole for table in group for hole in _changed(fault, (table,))]


@pytest.mark.parametrize("table, fault", sorted(QUICK))
def test_a_faulty_table_leaves_the_others_as_they_were(table, fault):
    _hold_apart(fault, (table,))


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_no_faulty_table_costs_the_others(fault):
    groups = [group for name, group in _groups() if name == fault]
    assert sorted(table for group in groups for table in group) == TABLES
    for group in groups:
        _hold_apart(fault, group)


def _hold_apart(fault: str, group: tuple[str, ...]) -> None:
    for hole, tables in _changed(fault, group):
        try:
            _hold(hole, tables)
        except Exception as error:
            error.add_note(f"with {fault} in {', '.join(tables)}")
            raise


def _hold(hole: xr.DataTree, tables: tuple[str, ...]) -> None:
    before = intact()[2]
    after = cp.reduce(hole, LEAN)
    summary = json.loads(after.attrs["summary"])
    assert not [s for s, words in summary["failed"].items() if not words.strip()]
    unknown_is_nan(after)
    lineage = json.loads(before.attrs["lineage"])
    led_to = set().union(*(dependents(lineage, table) for table in tables))
    for node in before.leaves:
        path = node.path.strip("/")
        if not path.startswith(("properties", "products")) or path in led_to:
            continue
        found = series.leaf(after, path)
        assert found is not None, f"{path} does not depend on {', '.join(tables)}, and is lost"
        assert found.equals(node.to_dataset(inherit=False)), f"{path} changed"


@pytest.mark.slow
def test_a_hole_whose_needle_runs_are_all_suspect_keeps_its_density_and_its_file(tmp_path):
    tables, settings, before = intact()
    needle = tables["samples/needle"]
    heat = next(c for c in needle.columns if c.startswith("temperature"))
    # The room warms faster and faster while the needle heats.
    noisy = needle.assign(**{heat: needle[heat] + 1e-5 * needle["time [s]"] ** 2})
    stations = tables["downhole/stations"].assign(**{"conductivity [W/(m K)]": 1.0})
    changed = {**tables, "samples/needle": noisy, "downhole/stations": stations}
    reduced = cp.reduce(cp.hole_from_tables(changed, settings), LEAN)
    summary = json.loads(reduced.attrs["summary"])
    assert "conductivities is usable" in summary["failed"]["thermal resistance"]
    assert summary["skipped"]["heat flow"].endswith("the stage 'thermal resistance' failed")
    assert (
        reduced["properties/density"].to_dataset().equals(before["properties/density"].to_dataset())
    )
    card = repr(cp.overview(reduced))
    assert "beware: the stage thermal resistance failed: none of" in card
    cp.save(reduced, tmp_path / "reduced.nc")
    back = cp.load(tmp_path / "reduced.nc")
    assert json.loads(back.attrs["summary"])["failed"] == summary["failed"]


def test_strict_stops_at_the_first_failure_and_names_the_stage():
    tables, settings, _ = intact()
    samples = FAULTS["infinite"](tables["standards/gamma"])
    hole = cp.hole_from_tables({**tables, "standards/gamma": samples}, settings)
    assert "gamma calibration" in json.loads(cp.reduce(hole, LEAN).attrs["summary"])["failed"]
    with pytest.raises(cp.HoleError, match="gamma calibration"):
        cp.reduce(hole, {**LEAN, "reduction": {"strict": True}})


def test_a_part_that_fails_takes_back_what_it_wrote():
    from corephys.reduction.context import Context
    from corephys.reduction.recipe import Recipe

    context = Context.watched(cp.hole_from_tables({}, {"hole": {"name": "x"}}), Recipe({}))
    context.results["kept"] = xr.Dataset()
    with context.part("some stage"):
        context.results["lost"] = xr.Dataset()
        context.notes.append("lost")
        raise ValueError("it cannot go on.")
    assert list(context.results) == ["kept"] and not context.notes
    assert context.failed == {"some stage": "it cannot go on"}
    with pytest.raises(KeyError), context.part("a fault of the program"):
        raise KeyError("is no ValueError and stops the run")


def test_results_are_made_by_the_stages_that_are_named():
    lineage = json.loads(intact()[2].attrs["lineage"])
    for path, stage in MADE_BY.items():
        assert path in lineage[stage]["writes"], (path, stage)


@pytest.mark.slow
def test_the_exit_status_says_that_a_stage_failed(demo_hole, tmp_path, capsys):
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder, ignore=shutil.ignore_patterns("truth", "natural_gamma*"))
    standards = folder / "standards" / "gamma.csv"
    frame = pd.read_csv(standards)
    frame["counts"] = 0
    frame.to_csv(standards, index=False)
    out = tmp_path / "out"
    assert command.main(["reduce", str(folder), "--out", str(out), "--no-figures"]) == 3
    said = capsys.readouterr()
    assert "failed gamma calibration:" in said.out
    assert "the stage 'gamma calibration' failed" in said.err
    assert (out / "tables" / "thermal_conductivity.csv").is_file()
    assert not (out / "tables" / "density.csv").exists()
