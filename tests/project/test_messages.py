"""Every error message names what was given and states what is accepted or what to do.

The messages are read from the sources: the text of every ``raise`` of the package, the reason of
every skipped stage, and the cure of every ``Problem`` of a hole folder. Placeholders stay as
``{}``; a name or function that the same file fills with text is replaced by that text, in each of
its forms. Not read are texts that arrive from elsewhere, and ``NotImplementedError``, which a base
class raises for those who write a subclass.

*Given* is a value (a placeholder) or a name: of an argument in that file, of a column, key or file.
*Expected* is a statement of what is accepted ("must", "it needs", "the runs are {}"). A *cure* is
an imperative at the beginning of a clause.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Callable, Iterator, Set
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp

PACKAGE = Path(cp.__file__).parent

# What is accepted: a rule in words, or a list of legal values.
EXPECTED = re.compile(
    r"\b(?:must|expected|has to|have to|needs?|(?:is|are) (?:needed|written|given in)|accepts?"
    r"|at least|at most|no more than|one of|some of|such as|may (?:only )?(?:hold|name)"
    r"|it is [\"']\w+[\"'] or"
    r"|(?:reads|takes) (?:versions |formats )?up to)\b"
    r"|[;.] [^;.]*\b(?:are|has|have|holds?|exist for)\b[^;.]*\{\}"
    r"|^Its headers are \{\}|^The tables are \{\}",
    re.IGNORECASE,
)
VERBS = (
    "add|allow|ask|assign|begin|bring|call|change|check|choose|close|compute|convert|copy|correct"
    "|cut|delete"
    "|divide|drop|extend|fit|give|install|interpolate|join|keep|leave|look|lower|make|mark|move"
    "|multiply|name|number|open|pip install|place|put|raise|read|record|reduce|remove|rename"
    "|resample|run"
    "|sample|save|see|select|set|slide|sort|state|swap|take|try|update|use|wait|widen|write"
)
CURE = re.compile(
    rf"(?:^|[;:.,?(] |\b(?:or|and|so|then) )(?:{VERBS})\b(?![.:]\w)|\bdid you mean\b",
    re.IGNORECASE,
)
# A message that begins with what to do does not state what is wrong.
BARE_CURE = re.compile(r"(?:add|choose|give|set|use|write)\b(?! is\b)", re.IGNORECASE)
# What introduces a list of problems, each of which is a message of its own.
LIST = re.compile(r":\n *\{\}$")
NAMED = re.compile(
    r"\{\}|\b[a-z]+_[a-z_]+\b|'[^']+'|\[[a-z_]+\]|\b\w+=|\b\w+\.(?:csv|toml|nc|las)\b"
    r"|\b\w+/\w+|\bthe (?:figure|table) \w+"
)


_READ = (ast.Raise, ast.Call, ast.Return, ast.Assign)


class Source:
    """Texts of one source file.

    Parameters
    ----------
    text : str
        The source.
    """

    def __init__(self, text: str) -> None:
        self.tree = ast.parse(text)
        self.nodes: dict[ast.AST, list[ast.AST]] = {self.tree: []}
        waiting = [(self.tree, node) for node in self.tree.body]
        while waiting:
            scope, node = waiting.pop()
            if isinstance(node, _READ):
                self.nodes[scope].append(node)
            if isinstance(node, ast.FunctionDef):
                self.nodes[scope := node] = []
            waiting += [(scope, inner) for inner in ast.iter_child_nodes(node)]
        inside = [scope for scope in self.nodes if isinstance(scope, ast.FunctionDef)]
        self.functions = {function.name: function for function in inside}
        self.arguments = {
            argument.arg
            for function in inside
            for argument in [*function.args.args, *function.args.kwonlyargs]
            if len(argument.arg) > 1 and argument.arg not in ("self", "cls")
        }

    def calls(self) -> Iterator[tuple[int, str, list[str]]]:
        """Line, name and forms of the text of everything that reaches the user as a message."""
        for scope, nodes in self.nodes.items():
            for node in nodes:
                found = _message(node)
                if found is not None:
                    name, value = found
                    forms = [f for f in self.forms(value, scope) if re.search("[A-Za-z]", f)]
                    yield node.lineno, name, forms  # type: ignore[attr-defined]

    def forms(self, node: ast.expr, scope: ast.AST, depth: int = 0) -> list[str]:
        """Each text that an expression may give, values as ``{}``."""
        unknown = ["{}"]
        if depth > 12:
            return unknown
        if isinstance(node, ast.Constant):
            return [node.value] if isinstance(node.value, str) else unknown
        if isinstance(node, ast.JoinedStr):
            parts = [
                self.forms(p.value if isinstance(p, ast.FormattedValue) else p, scope, depth + 1)
                for p in node.values
            ]
            return ["".join(some) for some in itertools.islice(itertools.product(*parts), 64)]
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            sides = (self.forms(side, scope, depth + 1) for side in (node.left, node.right))
            return ["".join(some) for some in itertools.product(*sides)]
        if isinstance(node, ast.IfExp):
            return [
                form
                for side in (node.body, node.orelse)
                for form in self.forms(side, scope, depth + 1)
            ]
        if isinstance(node, ast.Name):
            return self._of_name(node.id, scope, depth)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            function = self.functions.get(node.func.id)
            if function is not None:
                given = [n.value for n in self.nodes[function] if isinstance(n, ast.Return)]
                return [
                    form
                    for value in given
                    if value is not None
                    for form in self.forms(value, function, depth + 1)
                ] or unknown
        return unknown

    def _of_name(self, name: str, scope: ast.AST, depth: int) -> list[str]:
        """Texts that are assigned to a name where it is used, else at the top of the file."""
        for place in (scope, self.tree):
            values = [
                node.value
                for node in self.nodes[place]
                if isinstance(node, ast.Assign)
                and any(isinstance(t, ast.Name) and t.id == name for t in node.targets)
            ]
            if values:
                return [form for value in values for form in self.forms(value, place, depth + 1)]
        return ["{}"]

    def faults(self) -> Iterator[tuple[int, str, str]]:
        """Line, text and fault of each message that lacks a part."""
        for line, name, forms in self.calls():
            for form in forms:
                wrong = fault(form, self.arguments, name)
                if wrong:
                    yield line, form, wrong
                    break


def _message(node: ast.AST) -> tuple[str, ast.expr] | None:
    """Kind and text of a message where it is handed over; None for other code."""
    if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and node.exc.args:
        name = ast.unparse(node.exc.func).rpartition(".")[2]
        if name != "NotImplementedError":
            return "skip" if name == "Skipped" else name, node.exc.args[0]
    if isinstance(node, ast.Call) and node.args:
        name = ast.unparse(node.func)
        if name == "context.skip":
            return "skip", node.args[0]
        if name == "problems.append" and not isinstance(node.args[0], ast.Call):
            return "problem", node.args[0]
        if name == "Problem":
            given = dict(zip(("file", "row", "column", "what", "mend"), node.args, strict=False))
            given |= {str(word.arg): word.value for word in node.keywords}
            return "mend", given["mend"]
    return None


def fault(text: str, arguments: Set[str] = frozenset(), kind: str = "") -> str | None:
    """What a message lacks; None for a complete one.

    Parameters
    ----------
    text : str
        Message with placeholders ``{}``.
    arguments : set of str
        Names of arguments, which may stand in the text as plain words.
    kind : str
        ``"mend"`` for a cure that follows a description of the fault; ``"skip"`` for the reason of
        a skipped stage, where a missing table or result is its own cure.

    Returns
    -------
    str or None
    """
    if kind != "mend" and BARE_CURE.match(text):
        return "does not state what was given"
    if kind != "mend" and not NAMED.search(text) and not arguments & set(re.findall(r"\w+", text)):
        return "does not name what was given"
    if EXPECTED.search(text) or CURE.search(text) or LIST.search(text):
        return None
    if kind == "skip" and re.match(r"(?:no (?:table|file|row|column)|nothing in)\b", text):
        return None
    return "states neither what is expected nor what to do"


def test_every_message_names_what_was_given_and_what_to_do() -> None:
    found = [
        f"{file.relative_to(PACKAGE)}:{line}: {text!r} {wrong}"
        for file in sorted(PACKAGE.rglob("*.py"))
        for line, text, wrong in Source(file.read_text(encoding="utf-8")).faults()
    ]
    assert not found, f"{len(found)} messages\n" + "\n".join(found)


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("the values do not agree", "does not name what was given"),
        ("core {} is odd", "states neither what is expected nor what to do"),
        ("core_diameter cannot be used", "states neither what is expected nor what to do"),
        ("{} of {} readings do not make sense", "states neither what is expected nor what to do"),
        ("give calibration=, or delay", "does not state what was given"),
        ("core_diameter is {}; it must be positive", None),
        ("there is no run {}; the runs are {}", None),
        ("{} is damaged. Copy it again", None),
    ],
)
def test_a_message_without_one_of_its_parts_is_found(text: str, wrong: str | None) -> None:
    assert fault(text) == wrong


def test_a_reason_may_name_the_missing_table_as_its_cure_and_an_error_may_not() -> None:
    assert fault("no table {}.csv", kind="skip") is None
    assert fault("no table {}.csv") == "states neither what is expected nor what to do"


def test_planted_messages_are_found_whatever_raises_them() -> None:
    source = Source("""
WORDS = "density is thin"
def check(spacing, context):
    hint = f"; give {spacing}" if spacing else ""
    raise ValueError(f"no core {spacing}{hint}")
def stage(context):
    context.skip("no luck today")
    problems.append("row is odd")
    Problem("a.csv", 1, "core", "there is no core", "The core is lost")
    raise Skipped(WORDS)
class Reader:
    def read(self):
        raise KeyError(f"no file {self}; {error}" if self else words_of(self))
    def read_again(self):
        raise ValueError(str(error))
def words_of(file):
    return f"file {file} is {'empty'}; give another"
""")
    assert sorted((line, text) for line, text, _ in source.faults()) == [
        (5, "no core {}"),
        (7, "no luck today"),
        (8, "row is odd"),
        (9, "The core is lost"),
        (10, "density is thin"),
        (13, "no file {}; {}"),
    ]


def _series(values: list[float], unit: str, depth: list[float] | None = None) -> xr.DataArray:
    at = {} if depth is None else {"depth": ("reading", np.array(depth), {"units": "m"})}
    return xr.DataArray(np.array(values), dims="reading", coords=at, attrs={"units": unit})


def _standards(thickness: list[float]) -> cp.gamma.Calibration:
    counts = _series([1e6, 8e5, 6e5, 5e5], "count")
    return cp.gamma.calibrate(counts, "10 s", _series(thickness, "mm"), "66 mm")


_CORES = pd.DataFrame(
    {"core": ["1"], "top [m]": [0.0], "advance [m]": [9.5], "recovered [m]": [1.5]}
)
_SECTIONS = pd.DataFrame({"core": ["1"], "section": ["1"], "length [m]": [1.5]})
_PER_CENT = _series([70.0, 65.0, 60.0, 55.0, 50.0], "1", [1.0, 20.0, 40.0, 60.0, 80.0])


@pytest.mark.parametrize(
    ("call", "given", "expected", "cure"),
    [
        pytest.param(
            lambda: cp.seawater.density(35, "20 degC"),
            "the bare value 35",
            "expected a quantity in g/kg",
            "Give '2.5 g/kg'",
            id="a bare number",
        ),
        pytest.param(
            lambda: cp.compaction.fit(_PER_CENT, absolute_sigma=False),
            "a porosity of 70",
            "0 to 1",
            "give their unit as '%'",
            id="per cent for a fraction",
        ),
        pytest.param(
            lambda: cp.gamma.bulk_density(
                _series([1e5], "count"),
                "10 s",
                calibration=_standards([0.0, 20.0, 40.0, 60.0]),
                core_diameter="66 cm",
                bore="66 mm",
            ),
            "core_diameter is 660",
            "at most 1.05 times bore",
            "Check the units",
            id="centimetres for millimetres",
        ),
        pytest.param(
            lambda: _standards([0.0, 20.0, 20.0, 20.0]),
            "2 different thicknesses",
            "at least three",
            "including water alone",
            id="too few standards",
        ),
        pytest.param(
            lambda: cp.quantity(1.0, "gcc"),
            "unit 'gcc'",
            "not known",
            "Write it like 'g/cm^3'",
            id="an unknown unit",
        ),
        pytest.param(
            lambda: cp.Recipe({"gamma": {"bore": "66 mm"}}),
            "[gamma] has no key 'bore'",
            "it is a key of [liner]",
            "move it there",
            id="a recipe key of another stage",
        ),
        pytest.param(
            lambda: cp.depth.place(
                "01", "1", cp.quantity(20.0, "cm"), sections=_SECTIONS, cores=_CORES
            ),
            "core '01', section '1'",
            "not in sections",
            "correct the keys: '01' is not '1'",
            id="a key with a leading zero",
        ),
        pytest.param(
            lambda: cp.hole_from_tables({"scan/gama": _CORES}, {"hole": {"name": "x"}}),
            "scan/gama",
            "there is no table of this name",
            "Did you mean 'scan/gamma'?",
            id="a table with a wrong name",
        ),
        pytest.param(
            lambda: cp.figures.porosity_depth(xr.DataTree()),
            "the figure porosity_depth",
            "needs a porosity",
            "neither samples of index properties",
            id="an empty hole",
        ),
        pytest.param(
            lambda: cp.pwave.velocity(_series([45.0], "us"), "66 mm", wall="2 mm", delay="8 us"),
            "liner_delay is missing",
            "give a calibration",
            "such as '8.2 us'",
            id="half of a pair of arguments",
        ),
        pytest.param(
            lambda: cp.seismic.ricker("2500 Hz", "1 ms"),
            "2500 Hz",
            "above the 500 Hz",
            "take 0.08 ms or less",
            id="a wavelet too fast for its time step",
        ),
        pytest.param(
            lambda: cp.load("/nowhere/reduced.nc"),
            "/nowhere/reduced.nc",
            "no file",
            "write one with cp.save(tree, path)",
            id="a file that does not exist",
        ),
    ],
)
def test_a_newcomer_reads_what_was_given_what_is_expected_and_what_to_do(
    call: Callable[[], object], given: str, expected: str, cure: str
) -> None:
    with pytest.raises((ValueError, OSError)) as error:
        call()
    message = str(error.value)
    missing = [part for part in (given, expected, cure) if part not in message]
    assert not missing, message
