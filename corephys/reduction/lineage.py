"""Record of what each stage read and wrote: tables, recipe keys and results.

A comparison of two reductions follows this record backwards, from a number that changed to the
inputs and choices that could have changed it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from corephys.ground.provenance import sourced
from corephys.reduction.recipe import Recipe, spelled

__all__ = ["Lineage", "Noted", "WatchedRecipe"]


class Lineage:
    """Reads and writes by stage.

    Attributes
    ----------
    stages : dict of str to dict of str to set of str
        By stage: ``tables``, ``keys`` ("stage.key" of the recipe), ``reads`` and ``writes``
        (paths of results, and names of what is no table).
    follower : callable or None
        Called with the kind and the names of everything that a stage itself reads or writes.
    """

    def __init__(self) -> None:
        self.stages: dict[str, dict[str, set[str]]] = {}
        self.follower: Callable[[str, Iterable[str]], None] | None = None
        self._now: dict[str, set[str]] | None = None

    def begin(self, stage: str) -> None:
        """Assign all further notes to this stage."""
        self._now = _empty()
        self.stages[stage] = self._now

    def end(self) -> None:
        """Ignore further notes until the next stage begins."""
        self._now = None

    def note(self, kind: str, names: Collection[str]) -> None:
        """Note names of one kind for the current stage."""
        if self._now is not None:
            self._now[kind].update(names)
            if self.follower is not None:
                self.follower(kind, names)

    def taken_over(self, stage: str, noted: Mapping[str, Iterable[str]]) -> None:
        """Note for a stage what it read and wrote in an earlier reduction."""
        self.stages[stage] = {kind: set(names) for kind, names in noted.items()}

    @contextmanager
    def recorded(self) -> Iterator[dict[str, set[str]]]:
        """Collect the notes of a block; the current stage gets them as well."""
        outer, inner = self._now, _empty()
        self._now = inner
        try:
            yield inner
        finally:
            self._now = outer
            self.note_all(inner)

    def note_all(self, noted: Mapping[str, Iterable[str]]) -> None:
        """Note for the current stage what :meth:`recorded` collected earlier."""
        for kind, names in noted.items():
            if self._now is not None:
                self._now[kind].update(names)

    def to_json(self) -> str:
        """The complete record as one JSON text, names sorted."""
        return json.dumps(
            {s: {k: sorted(v) for k, v in kinds.items()} for s, kinds in self.stages.items()}
        )


def _empty() -> dict[str, set[str]]:
    return {"tables": set(), "keys": set(), "reads": set(), "writes": set()}


class Noted(dict[str, Any]):
    """Dict that records which of its entries are read and which are written."""

    def __init__(self, lineage: Lineage) -> None:
        super().__init__()
        self._lineage = lineage

    def __getitem__(self, key: str) -> Any:
        self._lineage.note("reads", [key])
        return super().__getitem__(key)

    def get(self, key: str, default: Any = None) -> Any:
        """An entry, or the default."""
        self._lineage.note("reads", [key])
        return super().get(key, default)

    def __contains__(self, key: object) -> bool:
        self._lineage.note("reads", [str(key)])
        return super().__contains__(key)

    def __setitem__(self, key: str, value: Any) -> None:
        self._lineage.note("writes", [key])
        super().__setitem__(key, value)


_NOTHING = object()  # marks a key that the hole does not set; None is a possible value


class _Keys(dict[str, Any]):
    """One table of a recipe that records which keys are read; iterating reads all of them."""

    def __init__(
        self,
        lineage: Lineage,
        stage: str,
        values: Any,
        of_hole: Any,
        of_site: Collection[str] = (),
    ) -> None:
        super().__init__(
            {
                # A value that the hole or its site sets, even to the default, has that origin.
                key: sourced(of_hole[key], "site" if f"{stage}.{key}" in of_site else "hole")
                if of_hole.get(key, _NOTHING) == value
                else sourced(value, "recipe")
                for key, value in values.items()
            }
        )
        self._lineage, self._stage = lineage, stage

    def _note(self, keys: Iterable[str]) -> None:
        self._lineage.note("keys", [f"{self._stage}.{key}" for key in keys])

    def unnoted(self, key: str) -> Any:
        """A choice, without a note that it was read."""
        return super().__getitem__(key)

    def __getitem__(self, key: str) -> Any:
        self._note([key])
        return super().__getitem__(key)

    def get(self, key: str, default: Any = None) -> Any:
        """A choice, or the default."""
        self._note([key])
        return super().get(key, default)

    def __iter__(self) -> Iterator[str]:
        self._note(super().keys())
        return super().__iter__()

    def items(self) -> Any:
        """All choices."""
        self._note(super().keys())
        return super().items()

    def keys(self) -> Any:
        """All names; ``**`` takes this way too."""
        self._note(super().keys())
        return super().keys()


class WatchedRecipe(Recipe):
    """Recipe that records which of its keys are read.

    Parameters
    ----------
    recipe : Recipe
        Complete and checked.
    lineage : Lineage
        The record that is written to.
    settings : mapping of str to mapping
        Settings of the hole. A choice that differs from the default comes from there or from the
        caller, and carries that origin to the functions that use it.
    of_site : collection of str
        Settings ``"stage.key"`` that the hole took from its site.
    """

    def __init__(
        self,
        recipe: Recipe,
        lineage: Lineage,
        settings: Mapping[str, Mapping[str, Any]],
        of_site: Collection[str] = (),
    ) -> None:
        self._values = recipe.checked_values()
        self._lineage, self._of_site = lineage, of_site
        # Words as the recipe spells them, so that the origin of a choice is found.
        self._settings = {
            stage: {key: spelled(stage, key, value) for key, value in keys.items()}
            for stage, keys in settings.items()
        }
        self._made: dict[str, _Keys] = {}

    def __getitem__(self, stage: str) -> Any:
        if stage not in self._made:
            values, of_hole = super().__getitem__(stage), self._settings.get(stage, {})
            self._made[stage] = _Keys(self._lineage, stage, values, of_hole, self._of_site)
        return self._made[stage]

    def unnoted(self, place: str) -> Any:
        """The choice ``"stage.key"`` with its origin, without a note that it was read."""
        stage, _, key = place.partition(".")
        return self[stage].unnoted(key)
