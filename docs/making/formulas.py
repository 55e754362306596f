"""Pages that tie each equation to its function, its source and its check values."""

from __future__ import annotations

import csv
import inspect
import json
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

import corephys
from docs.making.tables import table

__all__ = [
    "anchor", "check_rows", "check_values_page", "handed_out", "index_page", "sections_of",
    "undescribed",
]  # fmt: skip

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "tests" / "reference"
Row = Mapping[str, str]


def handed_out() -> dict[str, str]:
    """Public functions by the dotted name of their definition, as ``gamma.bulk_density``."""
    found: dict[str, str] = {}
    for name in corephys.__all__:
        module = getattr(corephys, name)
        if inspect.ismodule(module):
            for entry in module.__all__:
                thing = getattr(module, entry)
                if inspect.isfunction(thing):
                    found.setdefault(f"{thing.__module__}.{thing.__qualname__}", f"{name}.{entry}")
    return found


def check_rows() -> dict[str, list[Row]]:
    """Rows of tests/reference/values*.csv by the dotted name of the function that they check."""
    from tests.adapters import COVERS

    found: dict[str, list[Row]] = defaultdict(list)
    for file in sorted(REFERENCE.glob("values*.csv")):
        with file.open(newline="", encoding="utf-8") as handle:
            for row in csv.DictReader(handle):
                found[COVERS[row["function"]]].append(row)
    return dict(found)


def sections_of(text: str) -> dict[str, list[str]]:
    """Functions by the heading of docs/formulas.md that begins with them."""
    found: dict[str, list[str]] = {}
    for heading, body in re.findall(r"^## ([^\n]+)\n\n(.*?)(?=^## |\Z)", text, re.M | re.S):
        if body.startswith("Functions: "):
            found[heading] = re.findall(r"`cp\.([\w.]+)`", body.splitlines()[0])
    return found


def undescribed(text: str) -> list[str]:
    """Formulas that users reach and docs/formulas.md names in no section."""
    from tests.formulas import formulas

    named = {name for names in sections_of(text).values() for name in names}
    public = handed_out()
    return sorted(public[f] for f in formulas() if f in public and public[f] not in named)


def anchor(heading: str) -> str:
    """Anchor that forges and the build give a heading."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def _standing(rows: Sequence[Row]) -> str:
    counts: dict[str, int] = defaultdict(int)
    for row in rows:
        counts[row["status"]] += 1
    return ", ".join(f"{n} {word}" for word, n in counts.items())


def _sources(rows: Sequence[Row]) -> str:
    return "; ".join(dict.fromkeys(row["source"].split(";")[0].strip() for row in rows))


def index_page(text: str, rows: Mapping[str, Sequence[Row]]) -> str:
    """Each equation's section, its functions, where their numbers come from, and how many."""
    dotted = {name: full for full, name in handed_out().items()}
    parts = [
        "# Functions, sources and check values",
        "The sections of [Formulas](../formulas.md), with the functions that compute them. A check "
        "value is a number with a source of its own, [recomputed by the tests](check_values.md): "
        "published, from a named independent library, from a definition worked by hand, or from "
        "memory. What a function has no row for is checked otherwise: by "
        "simulation with known truth, by certified data sets or by a closed form.",
    ]
    for heading, names in sections_of(text).items():
        lines = []
        for name in names:
            here = rows.get(dotted[name], ())
            said = (
                f"[{_standing(here)}](check_values.md#{anchor(f'cp.{name}')})" if here else "no row"
            )
            lines.append((f"`cp.{name}`", said, _sources(here)))
        parts += [
            f"## {heading}",
            f"Equations: [{heading}](../formulas.md#{anchor(heading)}).",
            table(("function", "check values", "sources of the numbers"), lines),
        ]
    return "\n\n".join(parts)


def _inputs(text: str) -> str:
    said = ", ".join(f"{key} = {value}" for key, value in json.loads(text).items())
    return said if len(said) <= 160 else said[:157] + "..."


def check_values_page(rows: Mapping[str, Sequence[Row]]) -> str:
    """Every check value with what went in, what must come out and where it is printed."""
    public = handed_out()
    parts = [
        "# All check values",
        f"{sum(map(len, rows.values()))} numbers from `tests/reference/values*.csv`; [how they "
        "are chosen](reference_readme.md). A tolerance is absolute and has its reason beside it "
        "in the file.",
    ]
    for full in sorted(rows, key=lambda f: public.get(f, f)):
        name = public.get(full, full.removeprefix("corephys."))
        lines = [
            (
                _inputs(row["inputs"]),
                row["result"].replace("_", " "),
                f"{row['expected']} {'' if row['unit'] == '1' else row['unit']}".strip(),
                row["tolerance"],
                row["status"],
                row["source"],
            )
            for row in rows[full]
        ]
        heads = ("goes in", "comes out", "must be", "within", "standing", "source")
        title = f"cp.{name}" if full in public else name
        parts += [f"## `{title}`", table(heads, lines)]
    return "\n\n".join(parts)
