"""Imports go down only: every import in the package is read from its source and placed.

A room may import rooms on lower floors. Rooms of one floor never import each other. Files of one
room may import each other, without a circle. Imports inside functions, under TYPE_CHECKING and
through ``importlib.import_module("...")`` count like all others. The package's own ``__init__``
hands names out and is the only file that may look everywhere.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "corephys"

# Floor by room, the lowest first. A name ending in ".*" makes each measurement or product of the
# folder a room: gamma.py with its gamma_*.py files is one, pwave.py the next.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("numerics",),
    ("ground",),
    ("hole",),
    ("sensors.*", "samples.*", "downhole.*", "quality"),
    ("products.*",),
    ("reduction",),
    ("figures", "export"),
    ("notebook", "report"),
    ("__main__",),
)
# Files at the top of the package that together make one room.
ROOMS = {
    "ground": (
        "bounds", "companions", "constants", "display", "files", "fitting", "flags", "mixing",
        "moduli", "provenance", "seawater", "series", "sources", "thresholds", "uncertainty",
        "uncertainty_budget", "uncertainty_correlation", "uncertainty_draws",
        "uncertainty_measured", "units", "vocabulary", "windows",
    ),
    "reduction": (
        "archive", "archive_blocks", "archive_collect", "archive_command",
        "archive_hole", "archive_kernels",
        "archive_lock", "archive_place", "archive_readings", "archive_run", "archive_saved",
        "archive_scans", "archive_sources", "archive_store", "archive_table", "recipe",
        "recipe_schema", "reduction",
    ),
}  # fmt: skip
_ROOM_OF_FILE = {file: room for room, files in ROOMS.items() for file in files}
_FLOOR_OF_ROOM = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}


def place(module: str) -> tuple[int, str] | None:
    """Floor and room of a dotted module below the package; None when it has no place."""
    parts = module.split(".")
    top = _ROOM_OF_FILE.get(parts[0], parts[0])
    if top in _FLOOR_OF_ROOM:
        return _FLOOR_OF_ROOM[top], top
    if f"{top}.*" in _FLOOR_OF_ROOM:
        # Files that share their first word make one room: needle.py and needle_windows.py.
        words = [part.split("_")[0] for part in parts[1:2]]
        return _FLOOR_OF_ROOM[f"{top}.*"], ".".join([top, *words])
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
        return [] if here[1] in {"notebook", "report", "__main__"} else [f"{where}: upward"]
    there = place(target)
    if there is None:
        return [f"{where}: the target has no floor"]
    if there[0] > here[0]:
        return [f"{where}: upward"]
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


def test_imports_go_down_only() -> None:
    assert faults(PACKAGE) == []


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
    "units.py": "import numpy\n",
    "series.py": "from corephys import units\nfrom corephys.numerics import line\n",
    "numerics/line.py": "",
    "sensors/gamma.py": "from corephys import units\nfrom corephys.sensors import gamma_counts\n",
    "sensors/gamma_counts.py": "from corephys import units\n",
    "sensors/pwave.py": "def f():\n    from corephys.ground.series import units\n",
    "products/porosity.py": "import corephys.ground.units\n",
    "reduction.py": "from corephys.sensors import gamma\nfrom corephys.recipe import x\n",
    "recipe.py": "from corephys import __version__\nx = 1\n",
}


def test_a_clean_tree_passes(tmp_path: Path) -> None:
    assert faults(_write(tmp_path, CLEAN)) == []


@pytest.mark.parametrize(
    ("file", "text", "complaint"),
    [
        ("units.py", "from corephys.sensors import gamma\n", "upward"),
        ("units.py", "import corephys.reduction\n", "upward"),
        ("units.py", "from . import recipe\n", "upward"),
        ("units.py", "import corephys\n", "upward"),
        ("numerics/line.py", "from corephys import units\n", "upward"),
        ("sensors/gamma.py", "from corephys.sensors import pwave\n", "sideways"),
        ("sensors/gamma.py", "from .pwave import f\n", "sideways"),
        ("sensors/gamma.py", "def f():\n    from corephys.sensors.pwave import f\n", "sideways"),
        ("products/porosity.py", "from corephys.recipe import x\n", "upward"),
        (
            "sensors/gamma.py",
            "import typing\nif typing.TYPE_CHECKING:\n    from corephys import recipe\n",
            "upward",
        ),
        (
            "sensors/gamma.py",
            "import importlib\nm = importlib.import_module('corephys.reduction')\n",
            "upward",
        ),
        ("recipe.py", "from corephys.reduction import y\n", "circle"),
        ("cellar.py", "", "no floor"),
    ],
)
def test_a_planted_fault_is_found(tmp_path: Path, file: str, text: str, complaint: str) -> None:
    found = faults(_write(tmp_path, {**CLEAN, file: text}))
    assert len(found) == 1
    assert complaint in found[0]
