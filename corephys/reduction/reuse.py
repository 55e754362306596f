"""Take over what did not change from an earlier reduction, stage by stage.

A reduction keeps, beside its tree and not in it, what every stage read and what it left: digests
of the tables, choices and earlier results that it read, and the results, fits, notes and failures
that it added. A later reduction runs through the same stages in the same order. A stage whose
reads have the same digests would do the same again, so that what it left is taken over; any other
stage runs. What is taken over is read once more before: a number that was changed by hand since
does not pass.

Nothing is taken over between releases of the package, other constants or other sensors. Stages of
a user's own sensor always run, because they may read what is not recorded here.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

import xarray as xr

from corephys.ground import constants, provenance, series, thresholds
from corephys.ground.registry import SENSORS
from corephys.reduction.context import Context
from corephys.reduction.digests import Digests, NoDigestError
from corephys.reduction.lineage import Lineage, Noted
from corephys.reduction.recipe import Recipe

__all__ = [
    "Account",
    "FollowedContext",
    "Journal",
    "Memory",
    "account_of",
    "environment",
    "memories_of",
    "remember",
]

# What a stage can read: kind and name. Kinds are "table", "folder", "column" and "hole" of the
# raw hole, "key" of the recipe, "copy" of Copies, "note", and each store of the context below,
# alone for a value, with "?" for its presence, with "*" for the names in their order.
_Read = tuple[str, Hashable]
_STORES = ("results", "objects", "skipped", "failed", "_made")
_ABSENT = b"absent"
_Made = TypeVar("_Made")


@dataclass(frozen=True)
class Account:
    """How a reduction came about, for the reader of times; in memory alone.

    Parameters
    ----------
    taken_over : tuple of str
        Stages whose results are those of the earlier reduction.
    run : dict of str to str
        Stages that ran, each with the first cause: what it read that is new or changed.
    """

    taken_over: tuple[str, ...]
    run: dict[str, str]

    def __str__(self) -> str:
        lines = [f"{len(self.taken_over)} stages taken over, {len(self.run)} run"]
        causes: dict[str, list[str]] = {}
        for stage, why in self.run.items():
            causes.setdefault(why, []).append(stage)
        return "\n".join([*lines, *(f"  {why}: {', '.join(of)}" for why, of in causes.items())])


@dataclass(frozen=True)
class _Change:
    """What a stage did to one store: names removed, values set in place, values added."""

    removed: tuple[Hashable, ...]
    moved: frozenset[Hashable]
    values: dict[Hashable, Any]


@dataclass(frozen=True)
class _Record:
    """What a stage read and left.

    Parameters
    ----------
    reads : dict of (kind, name) to bytes or None
        Digests; None for what has no digest, which is never the same again.
    changes : dict of str to _Change
        By store.
    notes : tuple of str
        Notes in the order in which they were added.
    copies : tuple of (path, Dataset, rows left out)
        Tables that the stage was the first to read without exact copies.
    left : dict of (store, name) to bytes or None
        Digests of what it left.
    lineage : dict of str to set of str
        Its entry in the lineage.
    calls : dict of bytes to (object, bytes or None)
        Results of :meth:`Context.recalled` and their digests, by digest of function and arguments.
    """

    reads: dict[_Read, bytes | None]
    changes: dict[str, _Change]
    notes: tuple[str, ...]
    copies: tuple[tuple[str, xr.Dataset, Any], ...]
    left: dict[_Read, bytes | None]
    lineage: dict[str, set[str]]
    calls: dict[bytes, tuple[Any, bytes | None]]


@dataclass
class Memory:
    """What a reduction of one hole keeps for the next.

    Parameters
    ----------
    environment : tuple
        Result of :func:`environment`.
    stages : dict of str to _Record
        Records by stage.
    account : Account or None
        How the reduction itself came about.
    """

    environment: tuple[Any, ...]
    stages: dict[str, _Record] = field(default_factory=dict)
    account: Account | None = None


def environment(stages: Mapping[str, Any]) -> tuple[Any, ...]:
    """What has to be the same for anything to be taken over.

    Parameters
    ----------
    stages : mapping of str to callable
        All stages in their order.

    Returns
    -------
    tuple
        Versions, constants, thresholds, sensors and stages.
    """
    from corephys import __version__

    return (
        __version__,
        provenance.FORMAT_VERSION,
        tuple(constants.CONSTANTS.values()),
        tuple(thresholds.THRESHOLDS.values()),
        SENSORS.version,
        tuple(stages.items()),
    )


# --------------------------------------------------------------------------------------------------
# Reads of a stage, found where the stage takes a value.


class _Store(Noted):
    """Store of a context that notes for the lineage, and for the journal, what is read."""

    def __init__(self, lineage: Lineage, name: str, journal: Journal) -> None:
        super().__init__(lineage)
        self._name, self._journal = name, journal

    def __getitem__(self, key: Any) -> Any:
        self._journal.read(self._name, key)
        return super().__getitem__(key)

    def get(self, key: Any, default: Any = None) -> Any:
        """An entry, or the default."""
        self._journal.read(self._name, key)
        return super().get(key, default)

    def __contains__(self, key: object) -> bool:
        self._journal.read(f"{self._name}?", key)
        return super().__contains__(key)

    def __iter__(self) -> Iterator[Any]:
        self._journal.read(f"{self._name}*", "")
        return super().__iter__()

    def keys(self) -> Any:
        """All names."""
        self._journal.read(f"{self._name}*", "")
        return super().keys()

    def items(self) -> Any:
        """All names and entries."""
        for key in self:
            self._journal.read(self._name, key)
        return super().items()

    def values(self) -> Any:
        """All entries."""
        for key in self:
            self._journal.read(self._name, key)
        return super().values()


class _Notes(list[str]):
    """Notes for the user; whether a note is there already is noted as read."""

    def __init__(self, journal: Journal) -> None:
        super().__init__()
        self._journal = journal

    def __contains__(self, words: object) -> bool:
        self._journal.read("note", words)
        return super().__contains__(words)


class FollowedContext(Context):
    """Context whose stages are followed by a :class:`Journal`."""

    _journal: Journal | None = None

    @property
    def hole(self) -> xr.DataTree:
        """The hole as read; who takes it whole is taken to read all of it."""
        if self._journal is not None:
            self._journal.read("hole", "")
        return self._hole

    @hole.setter
    def hole(self, tree: xr.DataTree) -> None:
        self._hole = tree

    def leaf(self, path: str) -> xr.Dataset | None:
        """A raw table as it was read; None if missing.

        Of the description, the base class needs to know here whether it has disturbances. Where
        it uses them, it notes the table.
        """
        if self._journal is not None:
            if path == "description":
                self._journal.read("column", (path, "disturbance"))
            else:
                self._journal.read("table", path)
        return series.leaf(self._hole, path)

    def folder(self, path: str) -> dict[str, xr.Dataset]:
        """Raw tables of a folder by name."""
        if self._journal is not None:
            self._journal.read("folder", path)
        return _in_folder(self._hole, path)

    def optional(self, path: str) -> xr.Dataset | None:
        """A raw table without exact copies of rows; None if missing or empty."""
        found = super().optional(path)
        if self._journal is not None and path in self.copies.tables:
            self._journal.read("copy", path)
        return found

    def recalled(self, function: Callable[..., _Made], *arguments: Any, **options: Any) -> _Made:
        """What a function returned for the same arguments in an earlier reduction, else now."""
        if self._journal is None:
            return function(*arguments, **options)
        made: _Made = self._journal.recalled(function, arguments, options)
        return made


def _in_folder(hole: xr.DataTree, path: str) -> dict[str, xr.Dataset]:
    return Context(hole, Recipe()).folder(path)


# --------------------------------------------------------------------------------------------------
# The journal of one reduction.


class Journal:
    """Follows the stages of one reduction, and takes over stages of an earlier one.

    Parameters
    ----------
    hole : DataTree
        Hole as read.
    recipe : Recipe
        Complete recipe.
    stages : mapping of str to callable
        All stages in their order.
    earlier : Memory, optional
        What an earlier reduction kept.
    """

    def __init__(
        self,
        hole: xr.DataTree,
        recipe: Recipe,
        stages: Mapping[str, Any],
        earlier: Memory | None = None,
    ) -> None:
        self.context = context = cast(FollowedContext, FollowedContext.watched(hole, recipe))
        lineage = context.lineage
        self._stores: dict[str, dict[Any, Any]] = {}
        for name in _STORES:
            noting = lineage if name in ("results", "objects") else Lineage()
            store = _Store(noting, name, self)
            setattr(context, name, store)
            self._stores[name] = store
        context.notes = _Notes(self)
        lineage.follower = self._follow
        context._journal = self
        self.memory = Memory(environment(stages))
        same = earlier is not None and earlier.environment == self.memory.environment
        self._earlier: dict[str, _Record] = earlier.stages if earlier and same else {}
        self._why_none = "nothing to reuse" if earlier is None else "another version or sensor"
        records = self._earlier.values()
        self._calls = {call: made for record in records for call, made in record.calls.items()}
        self._made_now: dict[bytes, tuple[Any, bytes | None]] = {}
        self._taken: list[str] = []
        self._run: dict[str, str] = {}
        self._digests = Digests()
        self._known: dict[int, tuple[Any, bytes | None]] = {}
        self._inputs: dict[_Read, bytes | None] = {}
        self._reads: dict[_Read, bytes | None] | None = None
        self._before: dict[str, dict[Any, Any]] = {}
        self._notes_before = 0

    # What is read, and its digest.

    def _follow(self, kind: str, names: Iterable[str]) -> None:
        """Reads that the lineage notes: choices of the recipe and tables."""
        one = {"keys": "key", "tables": "table"}.get(kind, "")
        for name in names if one and self._reads is not None else ():
            self.read(one, name)

    def read(self, kind: str, name: Any) -> None:
        """Note a read of the current stage, unless it reads what it left itself."""
        if self._reads is None or (kind, name) in self._reads:
            return
        store = kind.rstrip("?*")
        if store in self._stores and not kind.endswith("*"):
            before = self._before[store].get(name, _ABSENT)
            if dict.get(self._stores[store], name, _ABSENT) is not before:
                return
        self._reads[kind, name] = self._now(kind, name)

    def _now(self, kind: str, name: Any) -> bytes | None:
        """Digest of what a read finds at present, as it was before the current stage."""
        store = kind.rstrip("?*")
        if store in self._stores:
            # While a stage runs, what it left itself does not count.
            held = self._stores[store] if self._reads is None else self._before[store]
            if kind.endswith("*"):
                return self._of(tuple(dict.keys(held)))
            value = dict.get(held, name, _ABSENT)
            if kind.endswith("?"):
                return _ABSENT if value is _ABSENT else b"present"
            return _ABSENT if value is _ABSENT else self._of_value(value)
        if kind == "note":
            notes = self.context.notes
            held_notes = notes if self._reads is None else notes[: self._notes_before]
            return b"there" if list.__contains__(held_notes, name) else _ABSENT
        if kind == "copy":
            numbers = [path for path, *_ in self.context.copies.left_out]
            return str(numbers.index(name) if name in numbers else len(numbers)).encode()
        if (kind, name) not in self._inputs:
            self._inputs[kind, name] = self._of(self._input(kind, name))
        return self._inputs[kind, name]

    def _input(self, kind: str, name: Any) -> Any:
        """A choice of the recipe, or a part of the raw hole."""
        hole = self.context._hole
        if kind == "key":
            return self.context.recipe.unnoted(name)  # type: ignore[attr-defined]
        if kind == "table":
            return series.leaf(hole, name)
        if kind == "folder":
            return _in_folder(hole, name)
        if kind == "column":
            table = series.leaf(hole, name[0])
            return table is not None and name[1] in table
        return [
            {node.path: node.to_dataset(inherit=False) for node in hole.leaves},
            dict(hole.attrs),
            hole.name,
        ]

    def _of(self, value: Any) -> bytes | None:
        """Digest of a value; None where it has none."""
        try:
            return self._digests.of(value)
        except NoDigestError:
            return None

    def _of_value(self, value: Any) -> bytes | None:
        """Digest of a value of a store, which no later stage changes in place."""
        known = self._known.get(id(value))
        if known is None or known[0] is not value:
            known = self._known[id(value)] = (value, self._of(value))
        return known[1]

    # Stages.

    @contextmanager
    def following(self, stage: str, run: Any) -> Iterator[None]:
        """Record what a stage reads and leaves in the block."""
        context = self.context
        self._before = {name: dict(dict.items(held)) for name, held in self._stores.items()}
        self._notes_before, copies = len(context.notes), len(context.copies.left_out)
        self._reads, self._made_now = {}, {}
        try:
            yield
        finally:
            reads, self._reads = self._reads, None
        if not str(getattr(run, "__module__", "")).startswith("corephys."):
            # It may read the clock or a file, and change an earlier result in place.
            self._digests, self._known = Digests(), {}
            return
        every = {n: _change(self._before[n], held) for n, held in self._stores.items()}
        changes = {name: one for name, one in every.items() if one is not None}
        made = tuple(
            (path, context.copies.tables[path], (path, *rows))
            for path, *rows in context.copies.left_out[copies:]
        )
        record = _Record(
            reads,
            changes,
            tuple(context.notes[self._notes_before :]),
            made,
            {},
            {kind: set(names) for kind, names in context.lineage.stages[stage].items()},
            self._made_now,
        )
        record.left.update(self._left(record))
        self.memory.stages[stage] = record

    def _left(self, record: _Record) -> dict[_Read, bytes | None]:
        """Digests of everything that a stage left."""
        found: dict[_Read, bytes | None] = {
            (store, name): self._of_value(value)
            for store, change in record.changes.items()
            for name, value in change.values.items()
        }
        for path, table, rows in record.copies:
            found["copies", path] = self._of((table, list(rows)))
        return found

    def recalled(self, function: Any, arguments: Any, options: Any) -> Any:
        """Result of a function, from the earlier reduction where the arguments are the same."""
        call = None if self._reads is None else self._of((function, arguments, options))
        if call is None:
            return function(*arguments, **options)
        made, digest = self._calls.get(call, (None, None))
        if digest is None or self._of_value(made) != digest:
            made = function(*arguments, **options)
            digest = self._of_value(made)
        self._made_now[call] = self._calls[call] = (made, digest)
        # Attributes are added to results in their stage, and never to what is kept.
        return made.copy() if isinstance(made, xr.Dataset) else made

    def taken_over(self, stage: str) -> bool:
        """Take over what a stage left in the earlier reduction; False where it has to run."""
        why = self._why_run(stage)
        if why:
            self._run[stage] = why
            return False
        record, context = self._earlier[stage], self.context
        for name, change in record.changes.items():
            _apply(change, self._stores[name])
        context.notes.extend(record.notes)
        for path, table, rows in record.copies:
            if path not in context.copies.tables:
                context.copies.tables[path] = table
                context.copies.left_out.append(rows)
        context.lineage.taken_over(stage, record.lineage)
        self.memory.stages[stage] = record
        self._taken.append(stage)
        return True

    def _why_run(self, stage: str) -> str:
        """Why a stage has to run; an empty text where it can be taken over."""
        record = self._earlier.get(stage)
        if record is None:
            return "not in the earlier reduction" if self._earlier else self._why_none
        for (kind, name), digest in record.reads.items():
            if digest is None or self._now(kind, name) != digest:
                return _in_words(kind, name)
        left = self._left(record)
        for place, digest in record.left.items():
            if digest is None or left[place] != digest:
                return f"its result {place[1]} was changed since"
        return ""

    def close(self) -> Memory:
        """End of the reduction: what it keeps for the next."""
        self.memory.account = Account(tuple(self._taken), self._run)
        return self.memory


def _in_words(kind: str, name: Any) -> str:
    """A read for the account."""
    if kind == "_made":
        return f"changed {name[0]}"
    if kind == "hole":
        return "changed hole"
    words = kind.rstrip("?*").removesuffix("s")
    return f"changed {words} {name[-1] if isinstance(name, tuple) else name}".rstrip()


def _change(before: Mapping[Any, Any], held: dict[Any, Any]) -> _Change | None:
    """What changed in a store; None where nothing did.

    A dict changes by values set in place, by names removed, and by names added at its end. The
    names that stayed are the longest beginning that has the order of before.
    """
    after = dict(dict.items(held))
    order, stayed = iter(before), 0
    for name in after:
        if not any(name == other for other in order):
            break
        stayed += 1
    kept, added = list(after)[:stayed], list(after)[stayed:]
    values = {name: after[name] for name in kept if after[name] is not before[name]}
    values |= {name: after[name] for name in added}
    removed = tuple(name for name in before if name not in after)
    moved = frozenset(name for name in added if name in before)
    return _Change(removed, moved, values) if removed or values else None


def _apply(change: _Change, store: dict[Any, Any]) -> None:
    """Do to a store what a stage did to that of the earlier reduction."""
    for name in (*change.removed, *change.moved):
        dict.pop(store, name, None)
    for name, value in change.values.items():
        dict.__setitem__(store, name, value)


# --------------------------------------------------------------------------------------------------
# Memories beside their trees.


# A tree has no room for what is not written to files, and cannot be the key of a mapping, since
# two trees are compared value by value. Each entry goes when its tree goes.
_KEPT: dict[int, tuple[weakref.ref[xr.DataTree], dict[str, Memory]]] = {}


def remember(tree: xr.DataTree, memories: Mapping[str, Memory]) -> None:
    """Keep memories beside a tree for as long as the tree exists.

    Parameters
    ----------
    tree : DataTree
        Reduced hole, or reduced site.
    memories : mapping of str to Memory
        By name of the hole; under ``""`` for one hole.
    """
    place = id(tree)
    _KEPT[place] = (weakref.ref(tree, lambda _: _KEPT.pop(place, None)), dict(memories))


def memories_of(tree: xr.DataTree | None) -> dict[str, Memory]:
    """Memories of a tree by name of the hole; none for a tree that was loaded, copied or changed.

    Parameters
    ----------
    tree : DataTree or None
        Result of ``cp.reduce``.

    Returns
    -------
    dict of str to Memory
        Under ``""`` for one hole.
    """
    found = _KEPT.get(id(tree))
    return found[1] if found is not None and found[0]() is tree else {}


def account_of(tree: xr.DataTree) -> dict[str, Account]:
    """How a reduced tree came about: stages taken over and stages run, by name of the hole.

    Parameters
    ----------
    tree : DataTree
        Result of ``cp.reduce``.

    Returns
    -------
    dict of str to Account
        Under ``""`` for one hole; empty for a tree that was loaded or copied.
    """
    held = memories_of(tree).items()
    return {name: memory.account for name, memory in held if memory.account is not None}
