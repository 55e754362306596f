"""Imports go down only: every import in the package is read from its source and placed.

A room may import rooms on lower floors. Rooms of one floor never import each other. Files of one
room may import each other, without a circle. Imports inside functions, under TYPE_CHECKING and
through ``importlib.import_module("...")`` count like all others. The package's own ``__init__``
hands names out and is the only file that may look everywhere. The ``__init__`` of a folder of
separate rooms (``sensors``) may import these rooms, which it collects; they may not import it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "corephys"

# Floor by room, the lowest first. A name ending in ".*" makes each measurement or product of the
# folder a room of its own: the folder gamma/ is one, the file susceptibility.py another.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("numerics", "datasets"),
    ("ground",),
    ("hole",),
    ("importing", "sensors.*", "samples.*", "downhole.*", "quality"),
    ("products.*",),
    ("reduction",),
    ("archive",),
    ("figures", "export"),
    ("notebook", "report", "watch"),
    ("cli",),
)
# Series carry uncertainties and uncertainties have units, so that these two folders are one room;
# the test for circles keeps their files in order.
ROOMS = {"ground": ("ground", "uncertainty"), "cli": ("cli", "__main__")}
_ROOM_OF_FOLDER = {folder: room for room, folders in ROOMS.items() for folder in folders}
_FLOOR_OF_ROOM = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}


def place(module: str) -> tuple[int, str] | None:
    """Floor and room of a dotted module below the package; None when it has no place."""
    parts = module.split(".")
    top = _ROOM_OF_FOLDER.get(parts[0], parts[0])
    if top in _FLOOR_OF_ROOM:
        return _FLOOR_OF_ROOM[top], top
    if f"{top}.*" in _FLOOR_OF_ROOM:
        return _FLOOR_OF_ROOM[f"{top}.*"], ".".join([top, *parts[1:2]])
    return None


def module_name(package: Path, file: Path) -> str:
    """Dotted name below the package; an empty string for the package itself."""
    parts = list(file.relative_to(package).with_suffix("").parts)
    if parts[-1] == "__init__":
        parts.pop()
    return ".".join(parts)


def imports(package: Path, file: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted target (below the package) of every import of the package in a file."""
    name = package.name
    here = module_name(package, file).split(".") if module_name(package, file) else []
    folder = here if file.name == "__init__.py" else here[:-1]
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name == name or alias.name.startswith(f"{name}."):
                    yield node.lineno, alias.name[len(name) + 1 :]
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                base = folder[: len(folder) - node.level + 1]
                base = base + (node.module.split(".") if node.module else [])
            elif node.module == name or (node.module or "").startswith(f"{name}."):
                base = (node.module or "").split(".")[1:]
            else:
                continue
            for alias in node.names:
                if not base and alias.name == "__version__":
                    continue  # a text at the top of the package, no room
                target = [*base, alias.name]
                yield node.lineno, ".".join(target if _exists(package, target) else base)
        elif isinstance(node, ast.Call) and _callee(node) in {"import_module", "__import__"}:
            for argument in node.args[:1]:
                text = argument.value if isinstance(argument, ast.Constant) else ""
                if isinstance(text, str) and (text == name or text.startswith(f"{name}.")):
                    yield node.lineno, text[len(name) + 1 :]


def _callee(node: ast.Call) -> str:
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def _exists(package: Path, parts: list[str]) -> bool:
    path = package.joinpath(*parts)
    return path.with_suffix(".py").is_file() or (path / "__init__.py").is_file()


def faults(package: Path) -> list[str]:
    """Every import that breaks the rule, one line each."""
    found: list[str] = []
    graph: dict[str, set[str]] = {}
    for file in sorted(package.rglob("*.py")):
        source = module_name(package, file)
        if not source:
            continue
        here = place(source)
        if here is None:
            found.append(f"{source} has no floor: give it one in FLOORS")
            continue
        for line, target in imports(package, file):
            found.extend(_judge(source, here, target, line))
            if target != source and place(target) == here:
                graph.setdefault(source, set()).add(target)
    found.extend(f"circle inside a room: {' -> '.join(circle)}" for circle in _circles(graph))
    return found


def _judge(source: str, here: tuple[int, str], target: str, line: int) -> list[str]:
    where = f"{source}:{line} imports {target or 'the whole package'}"
    if not target:
        return [] if here[1] in {"notebook", "report", "cli"} else [f"{where}: upward"]
    there = place(target)
    if there is None:
        return [f"{where}: the target has no floor"]
    if there[0] > here[0]:
        return [f"{where}: upward"]
    if f"{source}.*" in _FLOOR_OF_ROOM and target.startswith(f"{source}."):
        return []  # the face of a folder of rooms collects what is in it
    if there[0] == here[0] and there[1] != here[1]:
        return [f"{where}: sideways"]
    return []


def _circles(graph: dict[str, set[str]]) -> list[list[str]]:
    circles: list[list[str]] = []
    done: set[str] = set()

    def walk(node: str, path: list[str]) -> None:
        if node in path:
            circles.append([*path[path.index(node) :], node])
            return
        if node in done:
            return
        for target in sorted(graph.get(node, ())):
            walk(target, [*path, node])
        done.add(node)

    for start in sorted(graph):
        walk(start, [])
    return circles


def hidden_files(package: Path) -> list[str]:
    """Files of a room that a name of its ``__init__`` hides: an import would give either."""
    found = []
    for face in sorted(package.rglob("__init__.py")):
        folder = face.parent
        files = {f.stem for f in folder.glob("*.py")} | {
            f.parent.name for f in folder.glob("*/__init__.py")
        }
        for node in ast.parse(face.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ImportFrom):
                here = ".".join(folder.relative_to(package.parent).parts)
                names = {a.asname or a.name for a in node.names} if node.module != here else set()
            elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                names = {node.name}
            else:
                names = {n.id for n in ast.walk(node) if isinstance(n, ast.Name)} & files
                names = names if isinstance(node, ast.Assign) else set()
            found += [f"{module_name(package, face)}.{name}" for name in sorted(names & files)]
    return found


def test_imports_go_down_only() -> None:
    assert faults(PACKAGE) == []


def test_no_name_of_a_room_hides_a_file_of_it() -> None:
    assert hidden_files(PACKAGE) == []


def test_a_hidden_file_is_found(tmp_path: Path) -> None:
    package = _write(
        tmp_path,
        {
            "sensors/gamma/__init__.py": "from corephys.numerics import line\ndef counts(): ...\n",
            "sensors/gamma/line.py": "",
            "sensors/gamma/counts.py": "",
            "numerics/line.py": "",
        },
    )
    assert hidden_files(package) == ["sensors.gamma.line", "sensors.gamma.counts"]


def _write(root: Path, files: dict[str, str]) -> Path:
    package = root / "corephys"
    for name, text in files.items():
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        for folder in [path.parent, *path.parent.parents]:
            if package in [folder, *folder.parents]:
                (folder / "__init__.py").touch()
        path.write_text(text, encoding="utf-8")
    return package


CLEAN = {
    "ground/units.py": "import numpy\n",
    "ground/series.py": "from corephys.ground import units\nfrom corephys.numerics import line\n",
    "numerics/line.py": "",
    "sensors/gamma/__init__.py": "from corephys.sensors.gamma import counts\n",
    "sensors/gamma/counts.py": "from corephys.ground import units\n",
    "sensors/pwave.py": "def f():\n    from corephys.ground.series import units\n",
    "sensors/__init__.py": "from corephys.sensors import gamma, pwave\n",
    "products/porosity.py": "import corephys.ground.units\n",
    "reduction/run.py": "from corephys.reduction.recipe import x\n",
    "reduction/recipe.py": "from corephys import __version__\nx = 1\n",
}


def test_a_clean_tree_passes(tmp_path: Path) -> None:
    assert faults(_write(tmp_path, CLEAN)) == []


@pytest.mark.parametrize(
    ("file", "text", "complaint"),
    [
        ("ground/units.py", "from corephys.sensors import gamma\n", "upward"),
        ("ground/units.py", "import corephys.reduction\n", "upward"),
        ("ground/units.py", "from ..reduction import recipe\n", "upward"),
        ("ground/units.py", "import corephys\n", "upward"),
        ("numerics/line.py", "from corephys.ground import units\n", "upward"),
        ("sensors/gamma/counts.py", "from corephys.sensors import pwave\n", "sideways"),
        ("sensors/gamma/counts.py", "from ..pwave import f\n", "sideways"),
        (
            "sensors/gamma/counts.py",
            "def f():\n    from corephys.sensors.pwave import f\n",
            "sideways",
        ),
        ("products/porosity.py", "from corephys.reduction.recipe import x\n", "upward"),
        (
            "sensors/pwave.py",
            "import typing\nif typing.TYPE_CHECKING:\n    from corephys.reduction import recipe\n",
            "upward",
        ),
        (
            "sensors/pwave.py",
            "import importlib\nm = importlib.import_module('corephys.reduction')\n",
            "upward",
        ),
        ("sensors/pwave.py", "import corephys.sensors\n", "sideways"),
        ("sensors/__init__.py", "from corephys.products import porosity\n", "upward"),
        ("sensors/__init__.py", "from corephys.samples import needle\n", "sideways"),
        ("reduction/recipe.py", "from corephys.reduction.run import y\n", "circle"),
        ("cellar.py", "", "no floor"),
    ],
)
def test_a_planted_fault_is_found(tmp_path: Path, file: str, text: str, complaint: str) -> None:
    found = faults(_write(tmp_path, {**CLEAN, file: text}))
    assert len(found) == 1
    assert complaint in found[0]
