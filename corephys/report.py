"""The report: the main notebook, run on a hole folder and written out as one HTML file."""

from __future__ import annotations

import base64
import html
import io
import os
import re
from pathlib import Path
from typing import Any

from corephys.ground.cards import picture_html
from corephys.ground.provenance import write_bytes

__all__ = ["NOTEBOOK", "ReportError", "write_report"]

NOTEBOOK = "01_reduce_a_hole.ipynb"
SECONDS_A_CELL = 600
# What a cell of the main notebook ends with where the hole lacks what it shows: a figure without
# data, a group or table that is not there, or a name that an earlier such cell would have made.
LACKING = ("NothingToDraw", "PanelError", "KeyError", "NameError")
# Cells about the demo hole alone; an invented hole comes with its truth, one of the sea does not.
DEMO, TRUTH = "demo", "truth"


class ReportError(ValueError):
    """The notebook is missing, cannot be run here, or a cell of it failed."""


def write_report(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    recipe: str | os.PathLike[str] | None = None,
    notebook: str | os.PathLike[str] | None = None,
) -> Path:
    """Run the main notebook on a hole and write it as a page that needs no other file.

    Parameters
    ----------
    folder : path
        Hole folder; the notebook finds it as the environment variable ``COREPHYS_HOLE``.
    out : path
        Folder for the results (``COREPHYS_OUT``); made where it does not exist.
    recipe : path, optional
        TOML file of changes to the recipe (``COREPHYS_RECIPE``).
    notebook : path, optional
        Another notebook that reads the same variables.

    Returns
    -------
    Path
        ``out/report.html``, whole or, where a cell fails, as it was before. Where the hole lacks
        what a cell of the main notebook shows, a line in its place says so; what the notebook
        tells of the demo hole is left out where the hole is another.

    Raises
    ------
    ReportError
        When the notebook is not there, when nbclient, nbconvert or ipykernel is not installed, or
        when a cell fails; the message holds what the cell said.
    """
    page = Path(notebook) if notebook is not None else _main_notebook()
    if not page.is_file():
        raise ReportError(f"there is no notebook {page}; give one as notebook=")
    nbformat, client, exporter = _tools()
    results = Path(out).resolve()
    results.mkdir(parents=True, exist_ok=True)
    document = nbformat.read(page, as_version=4)
    if not (Path(folder) / TRUTH).is_dir():
        kept = [c for c in document.cells if DEMO not in c.metadata.get("tags", [])]
        document.cells = kept
    # The kernel uses this very package, installed or not.
    path = os.pathsep.join(
        [str(Path(__file__).resolve().parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
    )
    variables = {
        "COREPHYS_HOLE": str(Path(folder).resolve()),
        "COREPHYS_OUT": str(results),
        "PYTHONPATH": path,
    }
    if recipe is not None:
        variables["COREPHYS_RECIPE"] = str(Path(recipe).resolve())
    _run(document, client, variables, page, LACKING if notebook is None else ())
    for cell in document.cells:
        cell["outputs"] = [_said(output) for output in cell.get("outputs", [])]
    title = str(document.metadata.get("title", "")) or page.stem.replace("_", " ")
    body, _ = exporter.from_notebook_node(document, resources={"metadata": {"name": title}})
    return write_bytes(results / "report.html", body.encode("utf-8"))


def _main_notebook() -> Path:
    """The main notebook, in the checkout or inside the installed package."""
    package = Path(__file__).resolve().parent
    places = [package.parent / "notebooks" / NOTEBOOK, package / "notebook" / NOTEBOOK]
    for place in places:
        if place.is_file():
            return place
    raise ReportError(
        f"the main notebook {NOTEBOOK} is not beside the package; run from a checkout of the "
        "project or give a notebook as notebook="
    )


def _tools() -> tuple[Any, Any, Any]:
    """The notebook libraries, loaded when a report is wanted."""
    try:
        import ipykernel  # noqa: F401  the kernel that runs the cells
        import nbformat
        from nbclient import NotebookClient
        from nbconvert import HTMLExporter
    except ImportError as error:
        raise ReportError(
            f"the report needs {error.name}, which is not installed: "
            "pip install nbclient nbconvert nbformat ipykernel"
        ) from error
    exporter = HTMLExporter(template_name="classic", embed_images=True)
    # Nothing is fetched when the page is opened, and code stays out of the way of the results.
    exporter.mathjax_url = ""
    exporter.require_js_url = ""
    exporter.jquery_url = ""
    return nbformat, NotebookClient, exporter


def _said(output: Any) -> Any:
    """What a cell gave, without controls, which are dead in a page: their picture stands for them.

    A picture with a caption has it below; in place of an error that was let pass, a line of text.
    """
    if output.get("output_type") != "error":
        for kind in [k for k in output.get("data", {}) if k.startswith("application/vnd.jupyter")]:
            del output["data"][kind]
        data = output.get("data", {})
        png = base64.b64decode(data.get("image/png", ""))
        caption = _caption(png) if png and "text/html" not in data else ""
        if caption:
            data["text/html"] = (
                picture_html(png, caption)
                + f'<div style="font-size:85%;max-width:52em">{html.escape(caption)}</div>'
            )
        return output
    why = re.sub(r"^'Could not find node at (.+)'$", r"there is no \1", output["evalue"])
    words = f"Not shown, since the hole lacks what this needs: {why}\n"
    return type(output)(output_type="stream", name="stdout", text=words)


def _caption(png: bytes) -> str:
    """The caption that a figure of this package carries, or nothing."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as picture:
        return str(getattr(picture, "text", {}).get("Description", ""))


def _run(
    document: Any, client: Any, variables: dict[str, str], page: Path, passed: tuple[str, ...]
) -> None:
    from nbclient.exceptions import CellExecutionError, DeadKernelError

    runner = client(
        document,
        timeout=SECONDS_A_CELL,
        allow_error_names=list(passed),
        kernel_name="python3",
        # The kernel's remarks on its own transport are not the user's concern; faults are.
        extra_arguments=["--IPKernelApp.log_level=40"],
        resources={"metadata": {"path": str(page.resolve().parent)}},
    )
    try:
        runner.execute(env={**os.environ, **variables})
    except CellExecutionError as error:
        raise ReportError(
            f"a cell of {page.name} failed with {error.ename}: {error.evalue}"
        ) from error
    except (DeadKernelError, TimeoutError) as error:
        raise ReportError(f"{page.name} did not come to its end: {error}") from error
