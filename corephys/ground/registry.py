"""The sensors of the scan as one ordered collection, and tables that hold a part of each.

Nothing here depends on what a record holds. A room that needs a table with rows of all sensors
(columns, options, quantities, colours) keeps a :class:`Compiled` table: its shared rows, and a
function that adds the rows of the records. The table is built on first use and again after a
sensor was registered or removed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from typing import Any, Protocol

    class Named(Protocol):
        """A record with a name."""

        @property
        def name(self) -> str:
            """Name of the sensor."""


__all__ = ["SENSORS", "Compiled", "Registry", "added"]

V = TypeVar("V")


class Registry:
    """Records in the order in which they were registered.

    Imports go down only, and the records lie on a higher floor than this file. The package's own
    ``__init__`` therefore sets ``load``, which is called when the first record is needed, and
    ``prepare``, which imports the modules whose tables a new record must fit.
    """

    def __init__(self) -> None:
        self._records: tuple[Any, ...] = ()
        self._tables: list[Compiled[Any]] = []
        self.version = 0
        self.load: Callable[[], object] = lambda: None
        self.prepare: Callable[[], object] = lambda: None

    def records(self) -> tuple[Any, ...]:
        """All records; those of the package come first."""
        if not self._records:
            # An import, so that a second thread waits until the first has finished.
            self.load()
        return self._records

    def add(self, *records: Named) -> None:
        """Add records at the end; none is added where one of them contradicts a table.

        Raises
        ------
        ValueError
            When a name is taken. A table adds its own reasons.
        """
        before = self._records
        try:
            for record in records:
                self.refuse_taken(record.name)
                self._set((*self._records, record))
            # The records of the package come first and fit: to build the tables for them would
            # import all rooms while some are half imported.
            for table in self._tables if before else ():
                len(table)
        except ValueError:
            self._set(before)
            raise

    def refuse_taken(self, name: str) -> None:
        """Refuse the name of a record that is here."""
        if any(name == record.name for record in self._records):
            raise ValueError(
                f"a sensor named {name!r} is registered already; choose another name, or remove a "
                f"sensor of your own with sensors.unregister({name!r})"
            )

    def remove(self, name: str) -> None:
        """Remove the record of one name."""
        self._set(tuple(record for record in self._records if record.name != name))

    def watch(self, table: Compiled[Any]) -> None:
        """Make a table one that every new record must fit."""
        self._tables.append(table)

    def _set(self, records: tuple[Any, ...]) -> None:
        self._records = records
        self.version += 1


SENSORS = Registry()


class Compiled(Mapping[str, V], Generic[V]):
    """A read-only mapping of shared rows and rows of the registered sensors.

    Parameters
    ----------
    build : callable
        Takes the records and returns all rows in their order.
    shared : mapping, optional
        Rows that belong to no sensor. A look-up finds them without the records, so that a module
        may use them while the records are still being imported.
    """

    def __init__(
        self,
        build: Callable[[Sequence[Any]], Mapping[str, V]],
        shared: Mapping[str, V] | None = None,
        registry: Registry = SENSORS,
    ) -> None:
        self._build, self._shared, self._registry = build, shared or {}, registry
        self._built: tuple[int, Mapping[str, V]] | None = None
        registry.watch(self)

    def _rows(self) -> Mapping[str, V]:
        records = self._registry.records()
        # The version is read before the rows are built: a table that a second thread makes stale
        # meanwhile is built again at the next look.
        version = self._registry.version
        if self._built is None or self._built[0] != version:
            self._built = (version, self._build(records))
        return self._built[1]

    def __getitem__(self, key: str) -> V:
        return self._shared[key] if key in self._shared else self._rows()[key]

    def __contains__(self, key: object) -> bool:
        return key in self._shared or key in self._rows()

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows())

    def __len__(self) -> int:
        return len(self._rows())

    def __repr__(self) -> str:
        return repr(dict(self._rows()))


def added(
    rows: Mapping[str, V], more: Mapping[str, V], sensor: str, what: str, *, after: str = ""
) -> dict[str, V]:
    """Rows with those of one sensor behind a key; at the end without one.

    Parameters
    ----------
    rows, more : mapping
        The table so far, and what the sensor adds.
    sensor, what : str
        Name of the sensor and kind of the rows, for the message.
    after : str
        Key that the new rows follow.

    Returns
    -------
    dict
        A new table.

    Raises
    ------
    ValueError
        When a key exists already, or ``after`` does not exist.
    """
    for key in more:
        if key in rows:
            raise ValueError(
                f"the sensor {sensor!r} adds the {what} {key!r}, which exists already; choose "
                "another name"
            )
    if after and after not in rows:
        raise ValueError(
            f"the sensor {sensor!r} places a {what} after {after!r}, which does not exist; there "
            f"are {', '.join(rows)}"
        )
    found: dict[str, V] = {} if after else dict(rows)
    for key, row in rows.items() if after else ():
        found[key] = row
        if key == after:
            found.update(more)
    return found if after else {**found, **more}
