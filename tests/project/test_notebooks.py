"""Shape of the notebooks: aims first, a picture early, exercises with hidden answers at the end."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))
NAMES = [path.stem for path in NOTEBOOKS]
AIMS = "You will learn\n\n"
EXERCISES = 3
FIRST_SCREEN = 4  # cells in which the first picture stands
METADATA = {"kernelspec", "language_info"}
# All other figures of a hole: stored, they would make the file several megabytes larger.
WITHOUT_OUTPUTS = {"cell-35-draw"}


def _faults(notebook: dict[str, Any]) -> list[str]:
    """What a notebook lacks, in words."""
    cells = notebook["cells"]
    faults = []
    first = "".join(cells[0]["source"])
    if not first.startswith("# ") or AIMS not in first:
        faults.append("the first cell has no title with aims")
    else:
        aims = first.split(AIMS)[1].split("\n\n")[0]
        if sum(line.startswith("* ") for line in aims.splitlines()) != 3:
            faults.append("the aims are not three lines")
    if not any(_has_picture(cell) for cell in cells[:FIRST_SCREEN]):
        faults.append("no picture in the first screen")
    faults += _faults_of_exercises(cells)
    faults += [
        f"{cell['id']} has no stored output"
        for cell in cells
        if "answer" in cell["metadata"].get("tags", ()) and not cell["outputs"]
    ]
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        if (cell["execution_count"] is None) != (cell["id"] in WITHOUT_OUTPUTS):
            faults.append(f"{cell['id']} was run and should not be, or the other way round")
        if any(output["output_type"] == "error" for output in cell["outputs"]):
            faults.append(f"{cell['id']} ends in an error")
        if "execution" in cell["metadata"]:
            faults.append(f"{cell['id']} holds times of a run")
    if set(notebook["metadata"]) != METADATA:
        faults.append(f"metadata is {sorted(notebook['metadata'])}")
    return faults


def _has_picture(cell: dict[str, Any]) -> bool:
    """Whether a stored output of the cell is a picture."""
    return any("image/png" in output.get("data", {}) for output in cell.get("outputs", ()))


def _faults_of_exercises(cells: list[dict[str, Any]]) -> list[str]:
    """What is wrong with the last section and its answers."""
    headings = [
        i
        for i, cell in enumerate(cells)
        if cell["cell_type"] == "markdown" and "".join(cell["source"]).startswith("## ")
    ]
    if not headings or not "".join(cells[headings[-1]]["source"]).startswith("## Exercises"):
        return ["the last section is not 'Exercises'"]
    last = cells[headings[-1] + 1 :]
    if [cell["cell_type"] for cell in last] != ["markdown", "code"] * EXERCISES:
        return [f"the last section is not {EXERCISES} exercises with one answer each"]
    faults = []
    for question, answer in zip(last[::2], last[1::2], strict=True):
        where = answer["id"]
        if "Order of the answer" not in " ".join("".join(question["source"]).split()):
            faults.append(f"the exercise of {where} does not state the order of its answer")
        if "assert " not in "".join(answer["source"]):
            faults.append(f"{where} asserts nothing")
        hidden = answer["metadata"].get("jupyter", {}).get("source_hidden")
        if not hidden or "hide-cell" not in answer["metadata"].get("tags", ()):
            faults.append(f"{where} is not hidden")
    return faults


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_a_notebook_has_aims_a_picture_and_exercises(path: Path) -> None:
    assert _faults(json.loads(path.read_text(encoding="utf-8"))) == []


def test_a_notebook_without_them_is_found() -> None:
    sound = json.loads(NOTEBOOKS[1].read_text(encoding="utf-8"))
    assert _faults(sound) == []

    def spoilt(change: Any) -> list[str]:
        notebook = copy.deepcopy(sound)
        change(notebook["cells"], notebook["metadata"])
        return _faults(notebook)

    def without_pictures(cells: list[dict[str, Any]], _: Any) -> None:
        for cell in cells:
            cell["outputs"] = []

    def shown(cells: list[dict[str, Any]], _: Any) -> None:
        cells[-1]["metadata"] = {}

    def without_assert(cells: list[dict[str, Any]], _: Any) -> None:
        cells[-1]["source"] = ["print(1)"]

    assert spoilt(lambda cells, _: cells.pop(0)) != []
    assert "no picture in the first screen" in spoilt(without_pictures)
    assert spoilt(shown) == ["answer-3 is not hidden"]
    assert spoilt(without_assert) == ["answer-3 asserts nothing"]
    assert spoilt(lambda cells, _: cells.pop()) != []
    assert spoilt(lambda _, metadata: metadata.update(widgets={})) != []
    assert spoilt(lambda cells, _: cells[1].update(execution_count=None)) != []
    assert spoilt(lambda cells, _: cells[1]["metadata"].update(execution={})) != []
