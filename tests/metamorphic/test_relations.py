"""Every public function that takes measured quantities keeps its result under changes of form.

One example of a fixed seed in the quick tests; in the slow ones Hypothesis draws them, and
``COREPHYS_EXAMPLES=100`` draws more than usual.
"""

from __future__ import annotations

import os
import zlib
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.metamorphic import relations as do
from tests.metamorphic.arguments import Draw, Generated, Seeded
from tests.metamorphic.case import CASES, Case
from tests.metamorphic.cases import load

load()
PAIRS = [(name, relation) for name in sorted(CASES) for relation in CASES[name].relations()]
EXAMPLES = int(os.environ.get("COREPHYS_EXAMPLES", "3"))
REFUSALS = (ValueError, KeyError)


def outcome(case: Case, arguments: dict[str, Any]) -> dict[str, do.Leaf] | type[Exception]:
    """Arrays of the result, or the kind of refusal."""
    try:
        return do.leaves(case(arguments))
    except REFUSALS as error:
        return type(error)


def check(case: Case, one: Any, other: Any, only: Any = None) -> None:
    """Two outcomes are the same result or the same refusal."""
    if isinstance(one, type) or isinstance(other, type):
        assert one is other, f"{one if isinstance(one, type) else 'a result'} against {other}"
        return

    def wanted(path: str) -> bool:
        return (case.only is None or case.only(path)) and (only is None or only(path))

    do.compare(one, other, case.rtol, wanted)


@lru_cache(maxsize=1)
def example(name: str) -> tuple[dict[str, Any], Any, int]:
    """Arguments of a fixed seed, their outcome and the number of readings."""
    case = CASES[name]
    seed = zlib.crc32(name.encode())
    size = case.size[0] + seed % (case.size[1] - case.size[0] + 1)
    arguments = case.build(Draw(Seeded(seed), size))
    return arguments, outcome(case, arguments), size


@pytest.mark.parametrize("name, relation", PAIRS, ids=lambda word: str(word))
def test_relation_of_one_example(name: str, relation: str) -> None:
    arguments, before, size = example(name)
    source = Seeded(zlib.crc32(f"{name} {relation}".encode()))
    RELATIONS[relation](CASES[name], arguments, before, size, source)


@pytest.mark.slow
@pytest.mark.parametrize("name, relation", PAIRS, ids=lambda word: str(word))
def test_relation_of_drawn_examples(name: str, relation: str) -> None:
    case = CASES[name]

    @given(data=st.data())
    @settings(
        deadline=None, max_examples=EXAMPLES if EXAMPLES >= 10 else min(EXAMPLES, case.examples),
        derandomize=EXAMPLES < 10, database=None,
        phases=[Phase.generate, Phase.shrink] if EXAMPLES >= 10 else [Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    def held(data: Any) -> None:
        size = data.draw(st.integers(*case.size))
        source = Generated(data)
        arguments = case.build(Draw(source, size))
        before = outcome(case, arguments)
        RELATIONS[relation](case, arguments, before, size, source)

    held()


def _units(case: Case, arguments: Any, before: Any, size: int, source: Any, mode: str) -> None:
    def pick(choices: tuple[str, ...]) -> str:
        return choices[source.integers(0, len(choices) - 1, 1)[0]]

    changed = do.walk(arguments, lambda part: do.in_other_units(part, pick, mode))
    check(case, before, outcome(case, changed))


def units(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """All inputs and companions in other units."""
    _units(case, arguments, before, size, source, "converted")


def companions_kept(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """Values of Datasets in other units, companions in the units that they bear."""
    _units(case, arguments, before, size, source, "kept")


def companions_bare(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """Datasets in other units, companions without the attribute units."""
    _units(case, arguments, before, size, source, "bare")


def permuted(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """Rows in another order."""
    order = np.argsort(source.integers(0, 10**6, size), kind="stable")
    moved = do.walk(arguments, lambda part: do.rows(part, order, size, case.dims))
    after = outcome(case, moved)
    if isinstance(before, dict):
        before = {k: _taken(case, leaf, order, size) for k, leaf in before.items()}
    check(case, before, after)


def _taken(case: Case, leaf: do.Leaf, index: np.ndarray, size: int) -> do.Leaf:
    values = leaf.values
    for axis, dim in enumerate(leaf.dims):
        if values.shape[axis] == size and (dim in case.dims or dim == ""):
            values = np.take(values, index, axis)
            if dim == "":  # a plain array has its rows along the first axis of that size
                break
    return do.Leaf(values, leaf.dims, leaf.unit)


def _pieces(case: Case, arguments: Any, before: Any, size: int, parts: list[np.ndarray]) -> None:
    for index in parts:
        some = do.walk(arguments, lambda part, i=index: do.rows(part, i, size, case.dims))
        expected = before
        if isinstance(before, dict):
            expected = {k: _taken(case, leaf, index, size) for k, leaf in before.items()}
        check(case, expected, outcome(case, some))


def split(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """Rows in two calls."""
    cut = source.integers(1, size - 1, 1)[0]
    _pieces(case, arguments, before, size, [np.arange(cut), np.arange(cut, size)])


def alone(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """One reading without the others."""
    row = source.integers(0, size - 1, 1)[0]
    _pieces(case, arguments, before, size, [np.array([row])])


def quantities(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """DataArrays as quantities: the same numbers, without positions."""
    plain = do.walk(arguments, do.as_quantity)
    after = outcome(case, plain)
    if isinstance(before, dict) and isinstance(after, dict):
        before = {k: leaf for k, leaf in before.items() if k in after}
        after = {k: leaf for k, leaf in after.items() if k in before}
        before, after = _without_units(before), _without_units(after)
    check(case, before, after)


def _without_units(parts: dict[str, do.Leaf]) -> dict[str, do.Leaf]:
    return {k: do.Leaf(leaf.values, (), "") for k, leaf in parts.items()}


def lazy(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """dask arrays: the same numbers once they are computed."""
    check(case, before, outcome(case, do.walk(arguments, do.lazy)))


def positions(case: Case, arguments: Any, before: Any, size: int, source: Any) -> None:
    """Positions in other units: results stand at the same places."""

    def pick(choices: tuple[str, ...]) -> str:
        return choices[source.integers(0, len(choices) - 1, 1)[0]]

    moved = do.walk(arguments, lambda part: do.positions_in_other_units(part, pick))
    check(case, before, outcome(case, moved))


RELATIONS = {
    f.__name__: f
    for f in (
        units, companions_kept, companions_bare, permuted, split, alone, quantities, positions, lazy
    )
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(CASES))
@pytest.mark.parametrize("seed", [1, 2])
def test_the_arguments_of_a_case_are_taken(name: str, seed: int) -> None:
    case = CASES[name]
    arguments = case.build(Draw(Seeded(seed), case.size[1]))
    assert do.leaves(case(arguments)), "the result holds no number"
