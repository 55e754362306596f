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
from collections.abc import Iterator, Set
from pathlib import Path

import corephys

PACKAGE = Path(corephys.__file__).parent

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
# What introduces the problems of several cells, each of which is a message of its own.
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
