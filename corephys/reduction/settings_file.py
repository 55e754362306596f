"""Write a change of the recipe into ``hole.toml``, with its comments and order kept."""

from __future__ import annotations

import copy
import difflib
import html
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from corephys.ground.provenance import write_bytes
from corephys.reduction.recipe import Recipe, RecipeError, current_keys

__all__ = ["SettingsChange", "settings_change"]

_FILE = "hole.toml"


class SettingsChange:
    """Change of ``hole.toml`` that is not written yet; it displays as a comparison of lines.

    Parameters
    ----------
    path : Path
        The file.
    before, after : str
        Text of the file before and after the change.
    """

    def __init__(self, path: Path, before: str, after: str) -> None:
        self.path = path
        self._before, self._after = before, after

    @property
    def diff(self) -> str:
        """Comparison of lines in the unified format; empty if nothing changes."""
        lines = difflib.unified_diff(
            self._before.splitlines(),
            self._after.splitlines(),
            f"{self.path.name} now",
            f"{self.path.name} changed",
            lineterm="",
        )
        return "\n".join(lines)

    def write(self) -> Path:
        """Write the change; an interrupted call leaves the old file.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        ValueError
            If the file was changed after the comparison was made; it stays as it is.
        """
        if _text(self.path) != self._before:
            raise ValueError(
                f"{self.path} was changed after the comparison was made, and was not written; "
                "call settings_change again and look at the new comparison"
            )
        if self._after == self._before:
            return self.path
        written = write_bytes(self.path, self._after.encode("utf-8"))
        # The change is in the file now: a second call must not refuse it as one of somebody else.
        self._before = self._after
        return written

    def __repr__(self) -> str:
        return self.diff or f"{self.path.name} holds these values already; nothing changes"

    def _repr_html_(self) -> str:
        colours = {"+": "#1B5E20", "-": "#8B0000"}
        lines = [
            f'<span style="color:{colours.get(line[:1], "inherit")}">{html.escape(line)}</span>'
            for line in repr(self).splitlines()
        ]
        return "<pre>" + "\n".join(lines) + "</pre>"


def settings_change(
    folder: str | os.PathLike[str], changes: Mapping[str, Mapping[str, Any]]
) -> SettingsChange:
    """Change settings in ``hole.toml``: first the comparison of lines, then ``.write()``.

    Parameters
    ----------
    folder : path
        Hole folder.
    changes : mapping of str to mapping
        Stage to key to value, as for ``cp.reduce(hole, changes)``. None removes a key, which then
        takes its default.

    Returns
    -------
    SettingsChange
        Displays the lines that change; ``write()`` writes the file. Comments, order and line ends
        of the file stay.

    Raises
    ------
    FileNotFoundError
        If the folder has no ``hole.toml``.
    RecipeError
        If the file or the changes hold an unknown key, a wrong unit or word.
    TOMLDecodeError
        If the file is not TOML.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "hole.toml").write_text('[gamma]\\ndead_time = "5 us"  # of the counter\\n')
    >>> change = settings_change(folder, {"gamma": {"dead_time": "6 us"}})
    >>> change
    --- hole.toml now
    +++ hole.toml changed
    @@ -1,2 +1,2 @@
     [gamma]
    -dead_time = "5 us"  # of the counter
    +dead_time = "6 us"  # of the counter
    >>> _ = change.write()
    """
    import tomlkit

    path = Path(folder) / _FILE
    if not path.is_file():
        raise FileNotFoundError(f"there is no {path}; give the folder of a hole with {_FILE}")
    before = _text(path)
    held = tomllib.loads(before)
    wanted = _settings_with(held, current_keys(changes))
    Recipe(wanted)  # refuses a change that a reduction would refuse
    ends = "\r\n" if "\r\n" in before else "\n"
    document = tomlkit.parse(before.replace("\r\n", "\n"))
    for stage, keys in wanted.items():
        old = held.get(stage, {})
        if keys == old:
            continue
        if stage not in document:
            document[stage] = tomlkit.table()
        table: Any = document[stage]
        for key in [key for key in old if key not in keys]:
            del table[key]
        for key, value in keys.items():
            if key not in old or old[key] != value:
                table[key] = _inline(value)
    after = tomlkit.dumps(document)
    if tomllib.loads(after) != wanted:
        raise RecipeError(
            f"{path} has a layout into which this change cannot be written; write it by hand: "
            f"{changes}"
        )
    return SettingsChange(path, before, after.replace("\n", ends))


def _inline(value: Any) -> Any:
    """A value, a table in one line: a table of its own would end the stage in the file."""
    import tomlkit

    if not isinstance(value, Mapping):
        return value
    table = tomlkit.inline_table()
    table.update({key: _inline(one) for key, one in value.items()})
    return table


def _text(path: Path) -> str:
    """Text of a file with its line ends as they are."""
    return path.read_bytes().decode("utf-8")


def _settings_with(held: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Settings with changes; a key of None is removed, and a key under its old name renamed."""
    touched = {stage for stage, keys in changes.items() if isinstance(keys, Mapping)}
    found = copy.deepcopy(dict(held))
    if touched:
        # Only where the change meets a renamed key does the file get its present name.
        renamed = current_keys(held)
        found |= {stage: dict(renamed[stage]) for stage in touched if stage in renamed}
    for stage, keys in changes.items():
        if not isinstance(keys, Mapping):
            found[stage] = keys  # refused by the check of the recipe, with its cure
            continue
        table = found.setdefault(stage, {})
        for key, value in keys.items():
            if value is None:
                _refuse_none(stage, key)
                table.pop(key, None)
            else:
                table[key] = value.item() if isinstance(value, np.generic) else value
    return {stage: keys for stage, keys in found.items() if keys != {} or stage in held}


def _refuse_none(stage: str, key: str) -> None:
    """Refuse None for a key that needs a value."""
    Recipe({stage: {key: None}})
