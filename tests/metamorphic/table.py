"""The page that lists which public function is under which relation: docs/relations.md.

``python -m tests.metamorphic.table`` writes it anew.
"""

from __future__ import annotations

import inspect
from collections import Counter
from pathlib import Path

import corephys as cp
from tests.metamorphic.case import CASES
from tests.metamorphic.cases import NOT_MEASURED, load

PAGE = Path(__file__).resolve().parents[2] / "docs" / "relations.md"
MEANINGS = {
    "units": "all inputs in other units, companions of a Dataset with them",
    "companions_kept": "quantities of a Dataset in other units, companions in the unit they bear",
    "companions_bare": "the same, companions without a unit",
    "permuted": "rows in another order",
    "split": "rows in two calls",
    "alone": "one reading without the others",
    "quantities": "quantities in place of DataArrays",
    "positions": "positions (depth, offset) in other units",
    "lazy": "dask arrays",
}


def public_functions() -> list[str]:
    """Functions that users reach, as ``module.function`` after ``cp.``; a second name is left out.

    Classes are not listed: what makes them is.
    """
    found: dict[object, str] = {}
    for name in cp.__all__:
        thing = getattr(cp, name)
        if inspect.ismodule(thing):
            for entry in thing.__all__:
                function = getattr(thing, entry)
                if inspect.isfunction(function):
                    found.setdefault(function, f"{name}.{entry}")
        elif inspect.isfunction(thing):
            found[thing] = name
    return sorted(found.values())


def relations_of(function: str) -> list[str]:
    """Relations that a function is under, by any of its cases."""
    found: list[str] = []
    for name, case in CASES.items():
        if name.partition("#")[0] == function:
            found += [relation for relation in case.relations() if relation not in found]
    return [relation for relation in MEANINGS if relation in found]


def uncovered() -> list[str]:
    """Public functions under no relation that are not listed with a reason."""
    return [f for f in public_functions() if f not in NOT_MEASURED and not relations_of(f)]


def page() -> str:
    """The page as text."""
    counts: Counter[str] = Counter()
    rows, excluded = [], []
    for function in public_functions():
        if function in NOT_MEASURED:
            continue
        held = relations_of(function)
        counts.update(held)
        marks = ["x" if relation in held else "" for relation in MEANINGS]
        rows.append(f"| `{function}` | {' | '.join(marks)} |")
        for name, case in CASES.items():
            if name.partition("#")[0] == function:
                excluded += [
                    f"| `{name.partition('#')[0]}` | {relation} | {reason} |"
                    for relation, reason in case.without.items()
                ]
    head = "| function | " + " | ".join(word.replace("_", " ") for word in MEANINGS) + " |"
    rule = "|---|" + "---|" * len(MEANINGS)
    listed = [
        f"| {word.replace('_', ' ')} | {text} | {counts[word]} |" for word, text in MEANINGS.items()
    ]
    not_measured = [f"| `{name}` | {reason} |" for name, reason in sorted(NOT_MEASURED.items())]
    return "\n".join(
        [
            "# Relations that every function keeps",
            "",
            "The same physics, uncertainty and flags come out whatever the unit, the order of rows "
            "or the container. Hypothesis draws the inputs; no expected value is needed. "
            f"{len(rows)} functions take measured quantities; they are under "
            f"{sum(counts.values())} relations. `tests/metamorphic` holds them, and a public "
            "function under none fails a test. A complete hole is compared with itself by "
            "DataFrames, by a folder of CSV, in other units, in other orders of rows, by single "
            "calls, and by archives, serial and on dask.",
            "",
            "| relation | what is changed | functions |",
            "|---|---|---|",
            *listed,
            "",
            "## Functions",
            "",
            head,
            rule,
            *rows,
            "",
            "## Relations that cannot hold",
            "",
            "| function | relation | why |",
            "|---|---|---|",
            *dict.fromkeys(excluded),
            "",
            "## Functions without measured quantities",
            "",
            "| function | why |",
            "|---|---|",
            *not_measured,
            "",
        ]
    )


def main() -> None:
    """Write the page."""
    load()
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
