"""Facts that stand in several places agree, and the front page's two commands are there."""

from __future__ import annotations

import ast
import importlib.metadata
import importlib.util
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

# Import name -> name on the package index, where they differ.
DISTRIBUTIONS = {
    "netCDF4": "netcdf4",
    "cf_units": "cf-units",
    "compliance_checker": "compliance-checker",
    "jupyter_cache": "jupyter-cache",
    "PIL": "pillow",
    "google_crc32c": "google-crc32c",
    "websocket": "websocket-client",
}
# Imported only behind a check that they are there, for those who already work with them.
OPTIONAL = {
    "anywidget",
    "traitlets",
    "ipympl",
    "dask",
    "fsspec",
    "google_crc32c",
    "numcodecs",
    "IPython",
    "zarr",
    "lasio",
    "ipywidgets",
    "openpyxl",
    "pyarrow",
    "watchfiles",
}
# Ends of files that hold text.
TEXT = {".py", ".md", ".toml", ".csv", ".cff", ".yaml", ".ipynb", ".json", ".txt", ""}


def tracked_files() -> list[Path]:
    """Files under version control, or, outside a checkout, the files of the main folders."""
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listing.returncode == 0 and listing.stdout:
        paths = [ROOT / name for name in listing.stdout.split("\0") if name]
    else:
        folders = ("corephys", "docs", "tests", "notebooks", "data_demo")
        paths = [p for folder in folders for p in (ROOT / folder).rglob("*")]
        paths += list(ROOT.glob("*.*"))
    return [p for p in paths if p.is_file() and p.suffix in TEXT]


def declared_version() -> str:
    tree = ast.parse((ROOT / "corephys" / "__init__.py").read_text(encoding="utf-8"))
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__version__":
            return str(ast.literal_eval(node.value))
    raise AssertionError("corephys/__init__.py assigns no __version__")


def test_version_is_said_once_and_repeated_rightly() -> None:
    version = declared_version()
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert PROJECT["tool"]["setuptools"]["dynamic"]["version"]["attr"] == "corephys.__version__"
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert re.search(rf"^version: {re.escape(version)}$", citation, re.MULTILINE)


def test_python_floor_agrees_everywhere() -> None:
    floor = PROJECT["project"]["requires-python"].removeprefix(">=")
    assert PROJECT["tool"]["mypy"]["python_version"] == floor
    # ruff takes the floor from requires-python; a second statement could only disagree.
    assert "target-version" not in PROJECT["tool"]["ruff"]
    assert f"Programming Language :: Python :: {floor}" in PROJECT["project"]["classifiers"]
    for page in ("README.md", "DEVELOPERS.md"):
        assert f"Python {floor}" in (ROOT / page).read_text(encoding="utf-8"), page


def test_licence_agrees_everywhere() -> None:
    assert PROJECT["project"]["license"] == "BSD-3-Clause"
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").startswith("BSD 3-Clause License")
    assert "license: BSD-3-Clause" in (ROOT / "CITATION.cff").read_text(encoding="utf-8")


def command_under(heading: str, page: str) -> str:
    """The one command line of the one sh block under a heading; AssertionError otherwise."""
    section = re.search(rf"^## {heading}$\n(.*?)(?=^## |\Z)", page, re.MULTILINE | re.DOTALL)
    assert section, f"no heading '## {heading}'"
    blocks = re.findall(r"^```sh\n(.*?)^```$", section[1], re.MULTILINE | re.DOTALL)
    assert len(blocks) == 1, f"'## {heading}' has {len(blocks)} sh blocks, not one"
    lines = [line for line in blocks[0].splitlines() if line.strip()]
    assert len(lines) == 1, f"'## {heading}' has {len(lines)} command lines, not one"
    return lines[0]


@pytest.mark.parametrize("heading", ["Run it", "Test it"])
def test_front_page_has_one_command_that_sets_itself_up(heading: str) -> None:
    command = command_under(heading, (ROOT / "README.md").read_text(encoding="utf-8"))
    assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")


def test_two_commands_in_a_block_are_refused() -> None:
    page = "## Run it\n\n```sh\none\ntwo\n```\n\n## Test it\n"
    with pytest.raises(AssertionError, match="2 command lines"):
        command_under("Run it", page)


def test_the_example_of_the_front_page_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 1
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(compile(blocks[0], "README.md", "exec"), names)
    assert "porosity" in capsys.readouterr().out
    assert "porosity_u_random" in names["porosity"]  # type: ignore[operator]


def test_the_check_script_finds_the_command_of_the_front_page() -> None:
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    said = subprocess.run([script, "--print"], capture_output=True, text=True, check=True, cwd="/")
    command = command_under("Test it", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert said.stdout.strip() == command


def imported_names(file: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names.add((node.module or "").split(".")[0])
    return names


def declared(key: str | None = None) -> set[str]:
    project = PROJECT["project"]
    lines = project["optional-dependencies"][key] if key else project["dependencies"]
    return {re.split(r"[<>=!~ \[;]", line)[0].lower() for line in lines}


def undeclared(files: list[Path], allowed: set[str]) -> set[str]:
    found = set().union(*(imported_names(file) for file in files))
    outside = {n for n in found if n not in sys.stdlib_module_names and n != "corephys"}
    return {n for n in outside if DISTRIBUTIONS.get(n, n).lower() not in allowed}


def test_every_import_of_the_package_is_declared() -> None:
    files = sorted((ROOT / "corephys").rglob("*.py"))
    assert undeclared(files, declared()) - OPTIONAL == set()


def test_every_import_of_the_tests_is_declared() -> None:
    files = [*sorted((ROOT / "tests").rglob("*.py")), *sorted((ROOT / "data_demo").rglob("*.py"))]
    own = {"tests", "data_demo", "docs"}
    assert undeclared(files, declared() | declared("test") | declared("browser") | own) == set()


def test_every_import_of_the_pages_is_declared() -> None:
    files = [ROOT / "docs" / "conf.py", *sorted((ROOT / "docs" / "making").rglob("*.py"))]
    own = {"tests", "docs"}
    assert undeclared(files, declared() | declared("docs") | own) == set()


def test_an_undeclared_import_is_found(tmp_path: Path) -> None:
    file = tmp_path / "planted.py"
    file.write_text("def f():\n    import cupy\n", encoding="utf-8")
    assert undeclared([file], declared()) == {"cupy"}


def missing_from_pages(pages: dict[str, str]) -> list[str]:
    """Tables, columns and choices of the package that the pages for users do not name."""
    from corephys.hole.reading.tables import SAMPLE_ID, TABLES
    from corephys.reduction.recipe import SCHEMA

    found = []
    for name, schema in TABLES.items():
        line = re.search(
            rf"^\| `{re.escape(name)}\.csv` \|.*$", pages["hole_folder.md"], re.MULTILINE
        )
        lacking = [
            c.header for c in schema.columns
            if c is not SAMPLE_ID and (not line or c.header not in line[0])
        ]  # fmt: skip
        found += [f"hole_folder.md: {name}.csv, {header}" for header in lacking]
    if "| any of these | &#124; sample_id |" not in pages["hole_folder.md"]:
        found.append("hole_folder.md: any table, sample_id")
    for stage, options in SCHEMA.items():
        part = re.search(rf"^## {stage}$(.*?)(?=^## |\Z)", pages["recipe.md"], re.M | re.S)
        for key, option in options.items():
            default = str(option.default)
            if option.default is None or isinstance(option.default, bool):
                default = "unknown" if option.default is None else default.lower()
            if not part or f"| `{key}` | {default} |" not in part[1]:
                found.append(f"recipe.md: [{stage}] {key} = {default}")
    return found


def pages() -> dict[str, str]:
    return {p.name: p.read_text(encoding="utf-8") for p in (ROOT / "docs").glob("*.md")}


def test_pages_name_every_column_and_every_choice() -> None:
    lacking = missing_from_pages(pages())
    assert not lacking, "add to the page named first:\n" + "\n".join(lacking)


def test_a_column_or_choice_left_out_of_the_pages_is_found() -> None:
    cut = pages()
    cut["hole_folder.md"] = cut["hole_folder.md"].replace("aluminium_thickness [mm], ", "")
    cut["recipe.md"] = cut["recipe.md"].replace("| `dead_time` | 0 s |", "| `dead_time` | 5 us |")
    assert missing_from_pages(cut) == [
        "hole_folder.md: standards/gamma.csv, aluminium_thickness [mm]",
        "recipe.md: [gamma] dead_time = 0 s",
    ]


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", *sorted(f"docs/{n}" for n in pages())]
)
def test_links_between_pages_lead_somewhere(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    folder = (ROOT / page).parent
    assert [link for link in links if not (folder / link).exists()] == []


# Written in pieces so that this file does not find itself.
FORBIDDEN = (
    r"(?<![\w.:/])/(?:work|home|root|tmp|Users|mnt)/\w",
    r"[A-Z]:\\\\Users",
    "DESIGN" + r"\.md",
    "METHODS" + r"\.md",
    "TO" + "DO",
    "FIX" + "ME",
)


def forbidden_lines(files: list[Path]) -> list[str]:
    found = []
    for file in files:
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), start=1):
            if any(re.search(pattern, line) for pattern in FORBIDDEN):
                found.append(f"{file.name}:{number}: {line.strip()[:80]}")
    return found


def test_no_file_names_a_machine_or_unfinished_work() -> None:
    here = Path(__file__)
    assert forbidden_lines([file for file in tracked_files() if file != here]) == []


def test_a_planted_machine_path_is_found(tmp_path: Path) -> None:
    file = tmp_path / "planted.md"
    file.write_text("see /" + "home/someone/data\n", encoding="utf-8")
    assert len(forbidden_lines([file])) == 1


def test_a_folder_of_the_same_name_does_not_hide_the_package(tmp_path: Path) -> None:
    try:
        importlib.metadata.version("corephys")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("the package is not installed here, only found beside the tests")
    (tmp_path / "corephys").mkdir()  # a clone, seen from the folder that it was cloned into
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    run = subprocess.run(
        [sys.executable, "-c", "import corephys; print(corephys.read_hole)"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr


needs_mypy = pytest.mark.skipif(
    importlib.util.find_spec("mypy") is None, reason="mypy comes with the test extra only"
)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One cache for all runs: the first one reads the stubs of all dependencies."""
    return tmp_path_factory.mktemp("mypy")


def mypy(cache: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mypy", "--cache-dir", str(cache), *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.slow
@needs_mypy
def test_types_of_public_names_check_and_reach_the_user(tmp_path: Path, cache: Path) -> None:
    import corephys as cp

    run = mypy(cache)
    assert run.returncode == 0, run.stdout[-4000:] + run.stderr[-1000:]

    names = [name for name in cp.__all__ if not name.startswith("_")]
    user = tmp_path / "user.py"
    user.write_text(
        "import corephys as cp\n" + "".join(f"reveal_type(cp.{name})\n" for name in names)
    )
    said = mypy(cache, "--follow-imports=silent", str(user)).stdout
    revealed = re.findall(r'Revealed type is "(.*)"', said)
    assert len(revealed) == len(names), said[-2000:]
    assert [n for n, kind in zip(names, revealed, strict=True) if kind == "Any"] == []


@pytest.mark.slow
@needs_mypy
def test_a_wrong_use_of_a_public_name_is_found(tmp_path: Path, cache: Path) -> None:
    user = tmp_path / "user.py"
    user.write_text("import corephys as cp\ncp.quantity(1.0)\ncp.quantity(1.0, 2)\n")
    said = mypy(cache, str(user)).stdout
    assert 'Missing positional argument "unit"' in said
    assert "incompatible type" in said


def test_the_package_carries_the_cells_of_the_main_notebook() -> None:
    """A file of its own: a link would arrive as a line of text where links are not kept."""
    name = "01_reduce_a_hole.ipynb"
    carried = ROOT / "corephys" / "notebook" / name
    assert not carried.is_symlink()
    cells, outputs = _cells(carried)
    assert cells == _cells(ROOT / "notebooks" / name)[0], "see 'to | run' in DEVELOPERS.md"
    assert not any(outputs)


def _cells(path: Path) -> tuple[list[tuple[str, str]], list[object]]:
    """Kind and source of each cell of a notebook, and the outputs of each."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    sources = [(c["cell_type"], "".join(c["source"])) for c in cells]
    return sources, [c.get("outputs") for c in cells]
