"""Every public name says what goes in, what comes out, what can go wrong and where it is from.

Public is what ``corephys`` and the modules that it hands out list in ``__all__``, and every
formula. The rules:

- every parameter is described under Parameters, every result under Returns;
- a function whose body raises has a section Raises;
- every parameter and every result of a function is annotated;
- a formula (see :mod:`tests.formulas`) states units for what goes in and out, and names its
  source in Notes or References: a publication with its year, or one of the plain statements
  "from memory", "common practice", "definition", "geometry".
"""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections.abc import Callable
from typing import Any

import pytest

from corephys.ground import units, vocabulary
from tests.formulas import formulas, public_objects

UNDERLINE = re.compile(r"^(?P<title>[A-Z][A-Za-z ]+)\n-{3,}$", re.MULTILINE)
SOURCE = re.compile(
    r"\b(?:1[89]|20)\d\d\b|JCGM|Decay Data Evaluation|from memory|[Cc]ommon practice|no source|"
    r"[Dd]efinition|geometry|[Ss]ame source"
)
UNIT = re.compile(
    r"g/cm\^3|kg/m\^3|m/s|\bW/|K/|/K|\bdegC\b|\bus\b|\bmm\b|\bcm\b|\bm\b|\bs\b|\bkm\b|\bg\b|1/s|"
    r"g/kg|dbar|S/m|\byr\b|\bunit\b|\bunits\b|\bfraction|dimensionless|\bcount|\bpure number|"
    r"\bkPa\b|mol/g|``1``|\"1\"|\[1\]|, 1\."
)


def states_unit(text: str) -> bool:
    """A unit stands there, or a quantity of the vocabulary, which has one."""
    quoted = re.findall(r"``(\w+)``", text)
    bracketed = re.findall(r"\[([^\]\s][^\]]*)\]", text)
    return (
        bool(UNIT.search(text))
        or any(name in vocabulary.TERMS for name in quoted)
        or any(_is_unit(word) for word in bracketed)
    )


def _is_unit(word: str) -> bool:
    try:
        units.canonical(word)
    except units.UnitError:
        return False
    return True


def sections(doc: str) -> dict[str, str]:
    """Text of each numpydoc section by title."""
    doc = inspect.cleandoc(doc or "")
    heads = list(UNDERLINE.finditer(doc))
    starts = [head.start() for head in heads] + [len(doc)]
    return {h["title"]: doc[h.end() : end] for h, end in zip(heads, starts[1:], strict=True)}


def described(text: str) -> set[str]:
    """Names at the left margin of a Parameters section."""
    names: set[str] = set()
    for line in text.splitlines():
        if line and not line[0].isspace():
            left = line.split(" : ")[0]
            names |= {name.strip().lstrip("*") for name in left.split(",")}
    return names


def raises(function: Callable[..., Any]) -> bool:
    """Say whether the function's own body raises (a bare re-raise does not count)."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    return any(isinstance(node, ast.Raise) and node.exc is not None for node in ast.walk(tree))


def _bare(function: Callable[..., Any]) -> list[str]:
    """Parameters, and the result, that carry no annotation."""
    signature = inspect.signature(function)
    names = [p.name for p in signature.parameters.values() if p.annotation is p.empty]
    return names + (["the result"] if signature.return_annotation is signature.empty else [])


def _returned_class(function: Callable[..., Any]) -> str:
    """Documentation of the class that a function returns, where it is one of the package."""
    name = str(inspect.signature(function).return_annotation)
    cls = getattr(inspect.getmodule(function), name, None)
    return (inspect.getdoc(cls) or "") if inspect.isclass(cls) else ""


def faults(name: str, thing: Any, *, formula: bool) -> list[str]:
    """What the documentation of one public name lacks."""
    doc = inspect.getdoc(thing) or ""
    if not doc:
        return [f"{name}: no docstring"]
    if inspect.isclass(thing):
        return [] if len(doc.split()) >= 4 else [f"{name}: docstring says nothing"]
    found = sections(doc)
    wanted = {p.lstrip("*") for p in inspect.signature(thing).parameters}
    lacking = sorted(wanted - described(found.get("Parameters", "")) - {"self", "cls"})
    complaints = [f"{name}: parameter {parameter} is not described" for parameter in lacking]
    complaints += [f"{name}: {item} is not annotated" for item in _bare(thing)]
    returns = inspect.signature(thing).return_annotation
    if returns not in (None, "None") and not {"Returns", "Yields"} & set(found):
        complaints.append(f"{name}: no section Returns")
    if raises(thing) and "Raises" not in found:
        complaints.append(f"{name}: raises, and has no section Raises")
    if formula:
        if wanted and not states_unit(found.get("Parameters", "")):
            complaints.append(f"{name}: Parameters state no unit")
        if not states_unit(found.get("Returns", "") + _returned_class(thing)):
            complaints.append(f"{name}: Returns states no unit")
        if not SOURCE.search(found.get("Notes", "") + found.get("References", "")):
            complaints.append(f"{name}: Notes and References name no source")
    return complaints


FORMULAS = formulas()
PUBLIC = {**public_objects(), **FORMULAS}


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_public_name_is_documented(name: str) -> None:
    assert faults(name, PUBLIC[name], formula=name in FORMULAS) == []


def test_the_list_of_public_names_is_not_empty() -> None:
    assert "corephys.ground.units.quantity" in PUBLIC
    assert FORMULAS


def _good(density: Any, *, width: float = 1.0) -> Any:
    """Mass of a unit area.

    Parameters
    ----------
    density : Quantity
        Bulk density, g/cm^3.
    width : float
        Width, cm.

    Returns
    -------
    float
        g/cm^2, a pure number times a unit.

    Raises
    ------
    ValueError
        When the width is negative.

    Notes
    -----
    m = rho w, by definition.
    """
    if width < 0:
        raise ValueError(width)
    return density * width


def test_a_docstring_of_one_line_lacks_its_sections() -> None:
    def short(density: Any) -> Any:
        """Mass of a unit area."""
        return density

    assert "short: parameter density is not described" in faults("short", short, formula=False)


def test_a_missing_annotation_is_found() -> None:
    def bare(density, *, width: float = 1.0) -> Any:
        return density

    bare.__doc__ = _good.__doc__
    assert "bare: density is not annotated" in faults("bare", bare, formula=True)


@pytest.mark.parametrize(
    ("cut", "complaint"),
    [
        ("density : Quantity\n    Bulk density, g/cm^3.\n", "parameter density is not described"),
        (
            "Returns\n-------\nfloat\n    g/cm^2, a pure number times a unit.\n",
            "no section Returns",
        ),
        ("Raises\n------\nValueError\n    When the width is negative.\n", "no section Raises"),
        ("Notes\n-----\nm = rho w, by definition.", "name no source"),
        ("g/cm^2, a pure number times a unit.", "Returns states no unit"),
    ],
)
def test_a_planted_gap_is_found(cut: str, complaint: str, monkeypatch: pytest.MonkeyPatch) -> None:
    doc = inspect.getdoc(_good) or ""
    assert faults("good", _good, formula=True) == []
    assert cut in doc
    monkeypatch.setattr(_good, "__doc__", doc.replace(cut, ""))
    assert complaint in " ".join(faults("good", _good, formula=True))
