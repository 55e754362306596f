"""What an archive says of itself: the choices it was made with, and one row a hole."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from corephys.archive_hole import DONE, KEY_PRODUCTS, Choices
from corephys.archive_place import Place
from corephys.ground.provenance import FORMAT_VERSION

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "DONE", "HEAD", "TABLE", "begin", "common_head", "hole_head", "hole_table", "read_head",
    "read_markers",
]  # fmt: skip

HEAD, TABLE = "archive.json", "summary.csv"
_COLUMNS = [
    "name", "status", "title", "readings", "kept", "left_out", "missing", "bad_cells",
    "skipped_stages", "failed_stages", "deepest [m]", *KEY_PRODUCTS, "error",
]  # fmt: skip
_WHOLE = (
    "readings", "kept", "left_out", "missing", "bad_cells", "skipped_stages", "failed_stages",
)  # fmt: skip


def begin(place: Place, head: dict[str, Any], *, resume: bool, parts: tuple[str, ...]) -> bool:
    """Write the head of a new archive, or make sure that an old one was made with these choices.

    Parameters
    ----------
    place : Place
        The archive; its lock is held.
    head : dict
        Choices of this run.
    resume : bool
        False removes what an older run left.
    parts : tuple of str
        Stores that this run will write.

    Returns
    -------
    bool
        Whether the archive begins empty.

    Raises
    ------
    ValueError
        When the place holds something else, or an archive of another format or other choices.
    """
    there = [name for name in place.names() if not name.startswith("lock.json")]
    if HEAD not in there:
        # Only what a run was killed in, before it had a head, may be in the way.
        strange = [name for name in there if name not in parts]
        if strange:
            raise ValueError(
                f"{place.where} is no archive and is not empty (it holds "
                f"{', '.join(strange[:3])}); give a new folder"
            )
    elif resume:
        _refuse_different(place, json.loads(place.get(HEAD)), head)
        return False
    for key in (TABLE, DONE, *parts):
        place.remove(key)
    place.put(HEAD, json.dumps(head, indent=1, sort_keys=True).encode())
    return True


def common_head() -> dict[str, Any]:
    """What every archive says of itself."""
    from corephys import __version__

    return {"format_version": FORMAT_VERSION, "corephys_version": __version__}


def hole_head(choices: Choices) -> dict[str, Any]:
    """Head of an archive of whole holes."""
    return {
        **common_head(),
        "kind": "holes",
        "recipe": json.loads(choices.recipe),
        "recipe_is_complete": choices.complete,
        "sensors": "all" if choices.sensors is None else list(choices.sensors),
        "keep": list(choices.keep),
        "effects": choices.effects,
    }


def _refuse_different(place: Place, old: dict[str, Any], new: dict[str, Any]) -> None:
    if old.get("kind") != new["kind"]:
        raise ValueError(
            f"the archive {place.where} was made of {old.get('kind')}, not of {new['kind']}; give "
            "another out"
        )
    said = []
    for key in new:
        if old.get(key) == new[key]:
            continue
        if key == "readings_sha256":
            said.append("the store of readings has changed")
        elif key == "recipe":
            said += _differences(old.get(key, {}), new[key])
        else:
            said.append(f"{key} was {old.get(key)!r} and is {new[key]!r}")
    if said:
        raise ValueError(
            f"the archive {place.where} was made with other choices: {'; '.join(said)}. Give "
            "another out, the same choices, or resume=False to make all its holes anew"
        )


def _differences(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    said = []
    for stage in sorted({*old, *new}):
        before, now = old.get(stage, {}), new.get(stage, {})
        for key in sorted({*before, *now}):
            if before.get(key) != now.get(key):
                was, is_now = (
                    repr(table[key]) if key in table else "not given" for table in (before, now)
                )
                said.append(f"[{stage}] {key} was {was} and is {is_now}")
    return said


def read_head(place: Place) -> dict[str, Any]:
    """What an archive says of itself.

    Raises
    ------
    ValueError
        When there is no archive, or a later format wrote it.
    """
    try:
        head: dict[str, Any] = json.loads(place.get(HEAD))
    except FileNotFoundError:
        raise ValueError(
            f"there is no archive at {place.where}; archive.reduce makes one"
        ) from None
    version = str(head["format_version"])
    if not version.isdigit() or int(version) > int(FORMAT_VERSION):
        raise ValueError(
            f"{place.where} has format_version {version}; this package reads up to "
            f"{FORMAT_VERSION}: install a newer corephys"
        )
    return head


def read_markers(place: Place) -> dict[str, dict[str, Any]]:
    """What the markers of finished holes say, by name, in order."""
    found = {}
    for file in place.names(DONE):
        if file.endswith(".json"):
            found[file.removesuffix(".json")] = json.loads(place.get(f"{DONE}/{file}"))
    return found


def hole_table(place: Place) -> pd.DataFrame:
    """One row a hole, from the markers.

    Parameters
    ----------
    place : Place
        The archive.

    Returns
    -------
    DataFrame
        In the order of the names.
    """
    import pandas as pd

    rows = [{key: entry.get(key) for key in _COLUMNS} for entry in read_markers(place).values()]
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    for column in _WHOLE:
        frame[column] = frame[column].astype("Int64")
    for column in ("deepest [m]", *KEY_PRODUCTS):
        frame[column] = frame[column].astype(float)
    return frame
