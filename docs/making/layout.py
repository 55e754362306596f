"""Where every page stands, and how links lead there.

The pages of docs/ are read on a forge as they are. The build adds the notebooks, the tables of
the package and pages that hold the contents; nothing of it is under version control.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from docs.making import formulas, gallery, interface, tables

__all__ = [
    "CONTENTS", "DOCSTRING_CHECKS", "EXECUTED", "generated", "relinked", "relinked_notebook",
    "to_notebook", "with_contents", "write",
]  # fmt: skip

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
# Pages whose blocks of Python are run one after the other, and shown with what they print.
EXECUTED = ("figures", "own_sensor", "porosity_fit", "start", "your_own_files")
# Files outside of docs/ that are pages of the build.
TAKEN = {
    "DEVELOPERS.md": "generated/developers.md",
    "data_demo/README.md": "generated/demo_data.md",
    "tests/reference/README.md": "generated/reference_readme.md",
    "README.md": "index.md",
}
# How-to pages, in the order in which they are listed.
HOW_TO = tuple(
    f"howto/{name}"
    for name in (
        "own_csv", "decimal_commas", "exclude_interval", "change_a_constant", "keep_a_recipe",
        "add_a_core", "what_a_flag_means", "follow_a_number", "uncertainty_of_a_mean",
        "fit_below_50_m", "two_lithologies", "table_for_a_thesis", "figure_for_a_journal",
        "read_a_las_file", "tie_two_holes", "many_holes", "compare_two_reductions",
        "your_own_sensor", "plain_xarray_and_r", "work_offline",
    )
)  # fmt: skip
# Section -> words and pages, in the order in which they are listed.
CONTENTS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "generated/tutorials": (
        "Tutorials",
        "From a first table to a complete hole, step by step. The notebooks are run anew for this "
        "build; they lie in `notebooks/` and work on the invented holes of `data_demo/`.",
        (
            "start", "porosity_fit", "your_own_files", "own_sensor",
            "01_reduce_a_hole", "02_porosity_depth_fit", "03_clean_a_scan", "04_heat_flow",
            "05_seismic_tie", "06_compare_compaction_models", "07_stress_and_strength",
            "08_tie_holes", "09_an_archive",
        ),
    ),
    "generated/howto": (
        "How to",
        "One task a page, one screen each, to copy and change.",
        HOW_TO,
    ),
    "generated/explanation": (
        "Explanation",
        "Why the package does what it does, and what it cannot do.",
        (
            "conventions", "cleaning", "figures", "many_holes", "archive", "panels", "viewer",
            "watch",
        ),
    ),
    "generated/reference": (
        "Reference",
        "What goes in, what comes out, what each word, number and flag means.",
        (
            "hole_folder", "checks_at_read", "import_mapping", "reduced_hole", "hole_page",
            "output_folder", "recipe",
            "generated/recipe_keys",
            "generated/vocabulary", "generated/flags", "generated/constants",
            "generated/thresholds", "formulas",
            "generated/formula_index", "generated/check_values", "generated/reference_readme",
            "generated/demo_data",
        ),
    ),
    "generated/evidence": (
        "How well",
        "What was measured of the package itself.",
        ("accuracy", "relations", "performance", "mutation"),
    ),
}  # fmt: skip
FIRST = ("generated/gallery", *CONTENTS, "generated/api/index", "generated/developers")

# numpydoc's own look at every docstring of the interface, but for: sections that a docstring may
# leave out (ES01, EX01, SA01; RT01, which tests/project/test_docstrings.py asks of functions and
# not of a
# method in one line), a summary that begins with a verb where functions are named by what they
# return (SS05), parameters described together as "As for another function" (PR03, PR04, PR07), and
# descriptions that begin with a symbol or the name of a column (PR08, RT04, SS02).
DOCSTRING_CHECKS = {
    "all", "ES01", "EX01", "PR03", "PR04", "PR07", "PR08", "RT01", "RT04", "SA01", "SS02", "SS05",
}  # fmt: skip


# A link, unless it stands in code.
_LINK = re.compile(
    r"(?P<code>^```.*?^```[ \t]*$|`[^`\n]*`)"
    r"|\[(?P<words>[^\]\[]+)\]\((?P<target>[^)#\s]+)(?P<at>#[^)\s]*)?\)",
    re.MULTILINE | re.DOTALL,
)


def with_contents(text: str) -> str:
    """The first page with the contents of the build, which a forge would show as code."""
    return text + "\n```{toctree}\n:hidden:\n\n" + "\n".join(FIRST) + "\n```\n"


def _contents_page(name: str) -> str:
    title, words, pages = CONTENTS[name]
    depth = len(PurePosixPath(name).parts) - 1
    entries = "\n".join("/" + page for page in pages)
    assert depth == 1
    return f"# {title}\n\n{words}\n\n```{{toctree}}\n:maxdepth: 1\n\n{entries}\n```\n"


def relinked(text: str, file: str, page: str) -> str:
    """Links of a file of the project, as they lead from its page of the build.

    ``file`` is its path from the top folder, ``page`` that of its page in docs/. What is no page
    stays as plain words.
    """

    def lead(match: re.Match[str]) -> str:
        if match["code"]:
            return match[0]
        words, target, at = match["words"], match["target"], match["at"] or ""
        if "//" in target:
            return match[0]
        path = os.path.normpath(os.path.join(os.path.dirname(file), target)).replace(os.sep, "/")
        home = TAKEN.get(path)
        if path.startswith("docs/"):
            home = path.removeprefix("docs/")
        elif path.startswith("notebooks/"):
            home = path.removeprefix("notebooks/")
        if home is None:
            return words
        there = os.path.relpath(home, os.path.dirname(page) or ".").replace(os.sep, "/")
        return f"[{words}]({there}{at})"

    return _LINK.sub(lead, text)


def relinked_notebook(text: str, file: str, page: str) -> str:
    """The same for the words of a notebook; its code stays as it is."""
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        if cell["cell_type"] == "markdown":
            cell["source"] = relinked("".join(cell["source"]), file, page)
    return json.dumps(notebook)


def to_notebook(text: str) -> str:
    """A page whose blocks of Python become cells that the build runs in a folder of their own."""
    head = (
        "---\nfile_format: mystnb\nkernelspec:\n  name: python3\n"
        "mystnb:\n  execution_in_temp: true\n---\n\n"
    )
    return head + re.sub(r"^```python$", "```{code-cell} python", text, flags=re.MULTILINE)


def generated(captions: dict[str, str] | None = None) -> dict[str, str]:
    """Every page that the build makes itself, by its path in docs/.

    ``captions`` are those of the pictures of the gallery that were drawn.
    """
    rows = formulas.check_rows()
    equations = (DOCS / "formulas.md").read_text(encoding="utf-8")
    found = {
        "generated/constants.md": tables.constants_page(),
        "generated/thresholds.md": tables.thresholds_page(),
        "generated/vocabulary.md": tables.vocabulary_page(),
        "generated/flags.md": tables.flags_page(),
        "generated/gallery.md": gallery.page(captions),
        "generated/recipe_keys.md": tables.recipe_page(),
        "generated/formula_index.md": formulas.index_page(equations, rows),
        "generated/check_values.md": formulas.check_values_page(rows),
    }
    found |= {f"{name}.md": _contents_page(name) for name in CONTENTS}
    found |= {f"generated/api/{name}": text for name, text in interface.pages().items()}
    for file, page in TAKEN.items():
        if page.startswith("generated/"):
            text = (ROOT / file).read_text(encoding="utf-8")
            found[page] = relinked(text, file, page)
    return found


def write(pages: Mapping[str, str], folder: Path = DOCS) -> None:
    """Write what has changed, take away what is no page any more, and copy the notebooks."""
    for name, text in pages.items():
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        if not file.is_file() or file.read_text(encoding="utf-8") != text:
            file.write_text(text, encoding="utf-8")
    for file in (folder / "generated").rglob("*"):
        drawn = file.parent.name == "gallery"
        if file.is_file() and not drawn and file.relative_to(folder).as_posix() not in pages:
            file.unlink()
    notebooks = {file.name: file for file in (ROOT / "notebooks").glob("*.ipynb")}
    for name, file in notebooks.items():
        copy = folder / name
        if not copy.is_file() or copy.read_bytes() != file.read_bytes():
            shutil.copyfile(file, copy)
    for copy in folder.glob("*.ipynb"):
        if copy.name not in notebooks:
            copy.unlink()
