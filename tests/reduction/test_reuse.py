"""A reduction that takes stages over from an earlier one equals a full one, bit by bit."""

from __future__ import annotations

import gc
import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import units
from corephys.hole import HoleError
from corephys.reduction import reuse
from corephys.reduction.digests import Digests, NoDigestError
from corephys.reduction.recipe import Recipe, RecipeError
from corephys.reduction.run import STAGES
from corephys.reduction.schema import SCHEMA, Option
from data_demo.simulator.hole import simulate_hole, simulate_tables

Tables = dict[str, pd.DataFrame]

# --------------------------------------------------------------------------------------------------
# What is equal: every leaf, its variables in their order, attributes, encoding; the root.


def parts(tree: xr.DataTree) -> dict[str, Any]:
    """Digest of every node, of the root's attributes one by one, and of the order of nodes."""
    digests = Digests()
    found = {f"attribute {name}": digests.of(value) for name, value in tree.attrs.items()}
    found |= {node.path: digests.of(node.to_dataset(inherit=False)) for node in tree.subtree}
    return found | {"order": [node.path for node in tree.subtree], "name": tree.name}


def different(one: xr.DataTree, other: xr.DataTree) -> list[str]:
    """Names of the parts that differ."""
    a, b = parts(one), parts(other)
    return [name for name in {**a, **b} if a.get(name) != b.get(name)]


def reduced_or_error(hole: xr.DataTree, changes: Any, **options: Any) -> xr.DataTree | str:
    try:
        return cp.reduce(hole, changes, **options)
    except (HoleError, RecipeError) as error:
        return str(error)


def check(hole: xr.DataTree, changes: Any, old: xr.DataTree) -> xr.DataTree | None:
    """Reduce with and without reuse, and compare; the reduction with reuse."""
    full = reduced_or_error(hole, changes)
    again = reduced_or_error(hole, changes, reuse=old)
    if isinstance(full, str) or isinstance(again, str):
        assert full == again
        return None
    assert different(full, again) == []
    return again


def taken(tree: xr.DataTree) -> set[str]:
    return set(reuse.account_of(tree)[""].taken_over)


# --------------------------------------------------------------------------------------------------
# Another legal value of every choice.


def other_values(option: Option, value: Any) -> list[Any]:
    """Values of the kind of an option, most of them legal."""
    kind = option.kind
    if kind == "switch":
        return [not value]
    if kind == "number":
        # Counts are whole; shares stay below one.
        return [1.0, 2.0, 0.5] if value is None else [value / 2.0, value + 1.0]
    if kind == "time":
        return ["2026-01-01T00:00:00"]
    if kind == "levels":
        return ["good", "good, not_evaluated, suspect"]
    if kind == "log_files":
        curves = {"DEN": "bulk_density"}
        return [{"none.las": {"depth_datum": "seafloor", "curves": curves}}]
    if kind == "curves":
        return [{"DEN": "bulk_density"}]
    if kind == "windows":
        return [{"1": "30 s to 120 s"}, {"1": "30 to 120 s"}]
    if "|" in kind:
        return [word for word in kind.split("|") if word != value]
    if value is None:
        return [f"{number:g} {kind}" for number in (1.0, 2.0, 20.0, 200.0, 2000.0, 0.1)]
    number = float(units.as_floats(value, kind, "", difference=False))
    return [f"{number * 1.02:.9g} {kind}", f"{number + 0.5:.9g} {kind}"]


def another(stage: str, key: str, value: Any) -> Any:
    """A legal value that differs from the present one."""
    for candidate in other_values(SCHEMA[stage][key], value):
        try:
            recipe = Recipe({stage: {key: candidate}})
        except RecipeError:
            continue
        if recipe[stage][key] != value:
            return candidate
    raise AssertionError(f"no other value of [{stage}] {key} is legal")


KEYS = [(stage, key) for stage, keys in SCHEMA.items() for key in keys]


# --------------------------------------------------------------------------------------------------
# A small hole with every table that the stages of a common hole read.


@pytest.fixture(scope="module")
def small() -> tuple[Tables, dict[str, Any]]:
    tables, settings, _ = simulate_tables(47, small=True)
    settings["compaction"] = {"bootstrap": 50.0, "compare": False}
    return {**tables, **supplied(tables)}, settings


def supplied(tables: Tables) -> Tables:
    """Tables that the simulator does not write: supplied values, a log, pore water, a cell."""
    samples = tables["samples/index_properties"][["core", "section", "offset [cm]"]]
    places = samples.drop_duplicates().reset_index(drop=True)
    z = np.linspace(2.0, 150.0, 30)
    quantities = {
        "porosity": (0.6, "1"), "thermal_conductivity": (1.1, "W/(m K)"),
        "p_wave_velocity": (1600.0, "m/s"),
    }  # fmt: skip
    rows = [
        places.assign(quantity=name, value=value, unit=unit, uncertainty=0.02 * value)
        for name, (value, unit) in quantities.items()
    ]
    readings = tables["scan/gamma"][["core", "section", "offset [cm]"]].iloc[::7]
    return {
        "samples/reduced": pd.concat(rows, ignore_index=True),
        "scan/reduced": readings.assign(**{"porosity [%]": 55.0, "u_porosity [%]": 1.0}),
        "downhole/temperature_log": pd.DataFrame(
            {"depth [m]": z, "temperature [degC]": 2.0 + 0.05 * z, "u_temperature [K]": 0.1}
        ),
        "pore_water": pd.DataFrame({"depth [m]": z, "salinity [g/kg]": 35.0 - 0.01 * z}),
        "standards/pycnometer": pd.DataFrame(
            {"value [cm^3]": [0.0, 5.0, 10.0], "reading [cm^3]": [0.01, 5.02, 10.05]}
        ),
    }


@pytest.fixture(scope="module")
def hole(small) -> xr.DataTree:
    return cp.hole_from_tables(*small)


@pytest.fixture(scope="module")
def old(hole) -> xr.DataTree:
    return cp.reduce(hole)


def with_another_number(frame: pd.DataFrame) -> pd.DataFrame:
    """The last number of a table that is no key, changed a little."""
    found = frame.copy()
    keys = ("core", "section", "offset", "run", "step", "test", "station", "top", "bottom", "depth")
    names = [
        name
        for name in frame.columns
        if frame[name].dtype.kind == "f" and not str(name).startswith((*keys, "from", "to"))
    ] or [name for name in frame.columns if frame[name].dtype.kind == "f"]
    if not names:
        return found.iloc[:-1]
    at = found.index[len(found) // 2]
    found.loc[at, names[-1]] = found.loc[at, names[-1]] * 1.001 + 1e-6
    return found


def with_another_core(tables: Tables) -> Tables:
    """The last core once more, below."""
    found = dict(tables)
    cores = tables["cores"]
    core = cores["core"].iloc[-1]
    advance = float(cores.filter(like="advance").iloc[-1, 0])
    for path in ("cores", "sections", *(p for p in tables if p.startswith("scan/"))):
        frame = tables[path]
        new = frame[frame["core"] == core].assign(core=str(int(core) + 1))
        if path == "cores":
            new["top [m]"] = new["top [m]"] + advance
        found[path] = pd.concat([frame, new], ignore_index=True)
    return found


# --------------------------------------------------------------------------------------------------
# Choices and tables, a sample of them here, and all of them below.


def test_a_reduction_of_the_same_takes_everything_over(hole, old):
    again = check(hole, None, old)
    assert taken(again) == set(STAGES)


SAMPLE = [
    ("compaction", "model"),
    ("gamma", "dead_time"),
    ("quality", "spike_threshold"),
    ("hole", "laboratory_temperature"),
]


@pytest.mark.parametrize(("stage", "key"), SAMPLE)
def test_a_changed_choice(hole, old, stage, key):
    again = check(hole, changed_choice(old, stage, key), old)
    assert 0 < len(taken(again)) < len(STAGES)


def changed_choice(tree: xr.DataTree, stage: str, key: str) -> dict[str, dict[str, Any]]:
    value = Recipe.from_json(tree.attrs["recipe"])[stage][key]
    return {stage: {key: another(stage, key, value)}}


def test_a_choice_that_is_set_to_its_default_has_another_origin(hole, old):
    value = Recipe()["gamma"]["slurry_density"]
    again = check(hole, {"gamma": {"slurry_density": str(value)}}, old)
    assert "density" not in taken(again)


def test_a_core_more(small, old):
    tables, settings = small
    again = check(cp.hole_from_tables(with_another_core(tables), settings), None, old)
    kept = taken(again)
    assert {"gamma calibration", "formation temperature", "thermal conductivity"} <= kept
    assert "density" not in kept


def test_a_number_changed_in_the_tables_of_the_hole_itself(small, old):
    # The earlier reduction shares its arrays with the hole, so that it is changed as well.
    hole = cp.hole_from_tables(*small)
    old = cp.reduce(hole)
    hole["scan/gamma"]["counts"].values[7] *= 1.5
    hole["scan/gamma"]["offset"].values[9] += 0.25
    again = check(hole, None, old)
    assert not {"density", "porosity"} & taken(again)


def test_a_number_changed_by_hand_in_the_earlier_result_is_not_taken_over(hole):
    old = cp.reduce(hole)
    old["properties/density"]["bulk_density"].values[3] = 9.0
    old["products/porosity"]["porosity_u_random"].values[4] = 0.0
    again = check(hole, None, old)
    ran = reuse.account_of(again)[""].run
    assert ran["flags of the scan"] == "its result properties/density was changed since"
    assert ran["porosity"] == "its result products/porosity was changed since"


def test_chains_of_reductions(hole, old):
    one = {"compaction": {"model": another("compaction", "model", "athy")}}
    two = {**one, "gamma": {"dead_time": "4 us"}}
    chain = check(hole, one, old)
    chain = check(hole, two, chain)
    chain = check(hole, None, chain)
    chain = check(hole, None, chain)
    assert taken(chain) == set(STAGES)


def test_after_a_failed_stage_and_back(small, old):
    tables, settings = small
    bad = dict(tables)
    frame = bad["samples/consolidation"].copy()
    frame["height [mm]"] = -1.0
    bad["samples/consolidation"] = frame
    holes = [cp.hole_from_tables(one, settings) for one in (bad, tables)]
    failed = check(holes[0], None, old)
    summary = json.loads(failed.attrs["summary"])
    assert any(name.startswith("consolidation") for name in summary["failed"])
    assert check(holes[0], None, failed) is not None
    assert check(holes[1], None, failed) is not None


def test_exact_copies_of_rows(small, old):
    tables, settings = small
    copied = dict(tables)
    for path in ("scan/gamma", "scan/pwave", "samples/index_properties"):
        frame = tables[path]
        copied[path] = pd.concat([frame, frame.iloc[3:5]], ignore_index=True)
    hole = cp.hole_from_tables(copied, settings)
    with_copies = check(hole, None, old)
    assert check(hole, {"gamma": {"dead_time": "4 us"}}, with_copies) is not None
    # Without the copies of one table, those of the others have other numbers.
    fewer = cp.hole_from_tables({**copied, "scan/gamma": tables["scan/gamma"]}, settings)
    assert check(fewer, None, with_copies) is not None


@pytest.mark.slow
def test_described_disturbance(small, old):
    tables, settings = small
    frame = tables["description"].iloc[[0]].copy()
    hole = cp.hole_from_tables(tables, settings)
    first = cp.reduce(hole, {"quality": {"disturbance": "slight"}})
    word = tables["description"].assign(disturbance="severe")
    assert check(hole, {"quality": {"disturbance": "slight"}}, old) is not None
    for description in (word, frame, frame.drop(columns="disturbance", errors="ignore")):
        other = cp.hole_from_tables({**tables, "description": description}, settings)
        for changes in (None, {"quality": {"disturbance": "slight"}}):
            assert check(other, changes, first) is not None


def test_what_a_tree_keeps_goes_with_the_tree_and_is_not_written(hole, tmp_path):
    tree = cp.reduce(hole)
    place = id(tree)
    assert place in reuse._KEPT
    assert reuse.memories_of(tree.copy()) == {}
    cp.save(tree, tmp_path / "reduced.nc")
    loaded = cp.load(tmp_path / "reduced.nc")
    assert reuse.memories_of(loaded) == {}
    again = check(hole, None, loaded)
    assert taken(again) == set()
    del tree
    gc.collect()
    assert place not in reuse._KEPT


def test_another_release_or_sensor_takes_nothing_over(hole, old, monkeypatch):
    monkeypatch.setattr(cp, "__version__", "0.0.0+other")
    again = cp.reduce(hole, reuse=old)
    assert taken(again) == set()
    assert set(reuse.account_of(again)[""].run.values()) == {"another version or sensor"}
    assert again.attrs["corephys_version"] == "0.0.0+other"


def test_progress_names_the_same_stages(hole, old):
    told: list[str] = []
    cp.reduce(hole, reuse=old, progress=lambda name, *_: told.append(name))
    assert told == [*STAGES, "done"]


LAS = """~VERSION
 VERS.  2.0 : LAS
 WRAP.  NO  : one line
~WELL
 STRT.M 2.0 : first
 STOP.M 151.7 : last
 STEP.M 0.3 : step
 NULL. -999.25 : missing
~CURVE
 DEPT.M : depth
 RHOB.G/C3 : density
~A
"""


@pytest.mark.slow
def test_a_log_of_the_hole(tmp_path):
    simulate_hole(tmp_path, 47, small=True)
    (tmp_path / "downhole" / "logs").mkdir(parents=True)
    file = tmp_path / "downhole" / "logs" / "run.las"
    plan = {"depth_datum": "seafloor", "curves": {"RHOB": "bulk_density"}}
    recipe = {"logs": {"files": {"run.las": plan}}, "compaction": {"compare": False}}

    def written(shift: float) -> xr.DataTree:
        rows = [f"{z:.4f} {1.6 + 0.001 * z + shift:.5f}" for z in np.arange(2.0, 151.8, 0.3)]
        file.write_text(LAS + "\n".join(rows) + "\n", encoding="utf-8")
        return cp.read_hole(tmp_path)

    first = written(0.0)
    old = cp.reduce(first, recipe)
    assert any(node.path.startswith("/properties/log_") for node in old.leaves)
    assert "downhole logs" in taken(check(first, recipe, old))
    again = check(written(0.01), recipe, old)
    assert "downhole logs" not in taken(again)
    assert "density" in taken(again)
    file.unlink()
    gone = check(cp.read_hole(tmp_path), recipe, again)
    assert gone is not None
    assert check(first, recipe, gone) is not None


# --------------------------------------------------------------------------------------------------
# No stage changes what an earlier one left, and stages of a user always run.


def in_place(context: Any) -> None:
    """A stage that changes an earlier result in place, as it should not."""
    context.results["properties/density"]["bulk_density"].values[0] = 1.25


def test_the_digests_of_what_stages_left_hold_to_the_end(old):
    """A stage that changed a result of another in place would be found here."""
    (memory,) = reuse.memories_of(old).values()
    digests = Digests()
    count = 0
    for stage, record in memory.stages.items():
        for (store, name), digest in record.left.items():
            if store in record.changes:
                assert digests.of(record.changes[store].values[name]) == digest, (stage, name)
                count += 1
    assert count > 60


def test_no_stage_changes_a_table_of_the_hole(small):
    hole = cp.hole_from_tables(*small)
    before = parts(hole)
    cp.reduce(hole, {"reduction": {"supplied": "instead"}})
    assert parts(hole) == before


def test_what_is_no_tree_is_refused(hole):
    with pytest.raises(TypeError, match="expected a result of"):
        cp.reduce(hole, reuse="out/reduced.nc")


def test_a_stage_from_outside_of_the_package_always_runs(hole, monkeypatch):
    stages = dict(STAGES)
    names = list(stages)
    at = names.index("porosity")
    order = {**{n: stages[n] for n in names[:at]}, "own": in_place}
    order |= {n: stages[n] for n in names[at:]}
    monkeypatch.setattr("corephys.reduction.run.STAGES", order)
    old = cp.reduce(hole)
    again = check(hole, None, old)
    assert "own" not in taken(again)
    assert "porosity" in taken(again)
    assert float(again["properties/density"]["bulk_density"][0]) == 1.25


# --------------------------------------------------------------------------------------------------
# Digests.


def test_what_differs_has_another_digest():
    digests = Digests()
    array = np.array([1.0, 2.0])
    data = xr.Dataset({"a": ("x", array, {"units": "m"}), "b": ("x", [1, 2])})
    values = [
        1, 1.0, True, "1", b"1", None, np.float64(1.0), np.float32(1.0), np.int64(1), [1], (1,),
        {"a": 1, "b": 2}, {"b": 2, "a": 1}, array, array.astype("float32"), array[::-1],
        array.reshape(2, 1), np.array(["a", "b"], dtype=object), np.array(["a\0b"], dtype=object),
        np.array(["a", "b", ""], dtype=object), np.array(["a", None], dtype=object),
        data, data.assign_attrs(c=1), data.assign(a=data["a"].assign_attrs(units="km")),
        data[["b", "a"]], data.set_coords("b"), data["a"], data["a"].variable, {"a"}, {"b"},
        np.empty(0), np.empty((3, 0)), np.array(""), np.array(["", ""]), np.array(1.0),
        np.array(["2031-05-01"], "datetime64[s]"), np.array(["2031-05-01"], "datetime64[ms]"),
        -0.0, 0.0, float("nan"), array * np.nan, [1, [2]], [[1], 2], 1j, "\ud800",
    ]  # fmt: skip
    found = [digests.of(value) for value in values]
    assert len(set(found)) == len(values)
    assert found == [Digests().of(value) for value in values]


def test_equal_content_in_other_objects_has_the_same_digest(small):
    one, two = (cp.hole_from_tables(*small) for _ in range(2))
    assert different(one, two) == []


def test_what_has_no_digest_is_refused():
    for value in (object(), iter([]), type("Made", (), {})):
        with pytest.raises(NoDigestError):
            Digests().of(value)


def test_functions_differ_by_their_code_and_by_what_they_carry():
    def adding(number: float) -> Any:
        return lambda value: value + number

    functions = [adding(1.0), adding(2.0), lambda value: value - 1.0, np.float64]
    found = [Digests().of(function) for function in functions]
    assert len(set(found)) == len(functions)
    assert Digests().of(adding(1.0)) == found[0]


# --------------------------------------------------------------------------------------------------
# A site: each hole takes over its own.


def test_each_hole_of_a_site_takes_over_its_own(project_root):
    site = cp.read_site(project_root / "data_demo" / "site")
    old = cp.reduce(site)
    assert set(reuse.account_of(old)) == {"A", "B", "C"}
    changed = site.copy(deep=True)
    table = changed["B/scan/reduced"].to_dataset(inherit=False)
    name = next(n for n in table.data_vars if table[n].dtype.kind == "f")
    table[name].values[5] *= 1.01
    changed["B/scan/reduced"].dataset = table
    full, again = cp.reduce(changed), cp.reduce(changed, reuse=old)
    assert different(full, again) == []
    accounts = reuse.account_of(again)
    assert not accounts["A"].run
    assert not accounts["C"].run
    assert "supplied values" in accounts["B"].run


# --------------------------------------------------------------------------------------------------
# All choices and all tables.


@pytest.mark.slow
@pytest.mark.parametrize(("stage", "key"), KEYS)
def test_every_choice(hole, old, stage, key):
    check(hole, changed_choice(old, stage, key), old)


SIMULATED = simulate_tables(47, small=True)[0]
TABLES = sorted({**SIMULATED, **supplied(SIMULATED)})


@pytest.mark.slow
@pytest.mark.parametrize("path", TABLES)
@pytest.mark.parametrize("how", ["a number", "no table", "a table more"])
def test_every_table(small, hole, old, path, how):
    tables, settings = small
    without = {name: frame for name, frame in tables.items() if name != path}
    changed = {"a number": {**tables, path: with_another_number(tables[path])}}.get(how, without)
    try:
        other = cp.hole_from_tables(changed, settings)
    except HoleError:
        pytest.skip("the hole cannot do without this table")
    if how == "a table more":
        check(hole, None, cp.reduce(other))
    else:
        check(other, None, old)
