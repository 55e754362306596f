"""The report of a hole: the main notebook, run on its folder and written as one HTML file."""

from __future__ import annotations

import base64
import html
import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from corephys.ground.cards import picture_html
from corephys.ground.provenance import write_bytes

if TYPE_CHECKING:
    from nbclient import NotebookClient
    from nbformat import NotebookNode

__all__ = ["ReportError", "write_report"]

_NOTEBOOK = "01_reduce_a_hole.ipynb"
_SECONDS_A_CELL = 600  # a large hole reduces in minutes; a cell that hangs ends the report
# Errors of cells of the main notebook if the hole lacks their data: a figure without data, a
# missing group or table, or a name that an earlier such cell would have defined.
_LACKING = ("NothingToDraw", "PanelError", "KeyError", "NameError")
# Cells with the tag ``demo`` are left out for a hole without the folder ``truth``, which only
# simulated holes have.
_DEMO, _TRUTH = "demo", "truth"


class ReportError(ValueError):
    """The notebook is missing, cannot be run here, or a cell of it failed."""


def write_report(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    recipe: str | os.PathLike[str] | None = None,
    site: str | os.PathLike[str] | None = None,
    notebook: str | os.PathLike[str] | None = None,
) -> Path:
    """Run the main notebook on a hole and write it as a page that needs no other files.

    Parameters
    ----------
    folder : path
        Hole folder; the notebook reads it from the environment variable ``COREPHYS_HOLE``.
    out : path
        Folder for the results (``COREPHYS_OUT``); created if it does not exist.
    recipe : path, optional
        TOML file of changes to the recipe (``COREPHYS_RECIPE``).
    site : path, optional
        Folder of the site whose settings and standards the hole shares (``COREPHYS_SITE``).
    notebook : path, optional
        Notebook that reads the same variables; the default is the main notebook.

    Returns
    -------
    Path
        ``out/report.html``; if a cell fails, the old page stays. If the hole lacks the data of a
        cell of the main notebook, a line of text replaces its output. Cells about the demo hole
        are left out for other holes.

    Raises
    ------
    ReportError
        If the notebook does not exist, if nbclient, nbconvert or ipykernel is not installed, or if
        a cell fails. The message contains the error of the cell.
    """
    page = Path(notebook) if notebook is not None else _main_notebook()
    if not page.is_file():
        raise ReportError(f"there is no notebook {page}; give an existing one as notebook=")
    nbformat, client, exporter = _tools()
    results = Path(out).resolve()
    results.mkdir(parents=True, exist_ok=True)
    document = nbformat.read(page, as_version=4)
    if not (Path(folder) / _TRUTH).is_dir():
        kept = [c for c in document.cells if _DEMO not in c.metadata.get("tags", [])]
        document.cells = kept
    # The kernel imports the package that runs now, installed or not.
    path = os.pathsep.join(
        [str(Path(__file__).resolve().parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
    )
    variables = {
        "COREPHYS_HOLE": str(Path(folder).resolve()),
        "COREPHYS_OUT": str(results),
        "PYTHONPATH": path,
    }
    if recipe is not None:
        variables["COREPHYS_RECIPE"] = str(Path(recipe).resolve())
    if site is not None:
        variables["COREPHYS_SITE"] = str(Path(site).resolve())
    _run(document, client, variables, page, _LACKING if notebook is None else ())
    for cell in document.cells:
        cell["outputs"] = [_output(output) for output in cell.get("outputs", [])]
    title = str(document.metadata.get("title", "")) or page.stem.replace("_", " ")
    body, _ = exporter.from_notebook_node(document, resources={"metadata": {"name": title}})
    return write_bytes(results / "report.html", body.encode("utf-8"))


def _main_notebook() -> Path:
    """Path of the main notebook, in the checkout or in the installed package."""
    package = Path(__file__).resolve().parents[1]
    places = [package.parent / "notebooks" / _NOTEBOOK, package / "notebook" / _NOTEBOOK]
    for place in places:
        if place.is_file():
            return place
    raise ReportError(
        f"the main notebook {_NOTEBOOK} is neither in a checkout nor in the installed package; run "
        "from a checkout of the project, or give a notebook as notebook="
    )


def _tools() -> tuple[Any, type[NotebookClient], Any]:
    """Modules and classes of the notebook libraries, which only a report needs."""
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
    # Without these addresses the page opens without a network.
    exporter.mathjax_url = ""
    exporter.require_js_url = ""
    exporter.jquery_url = ""
    return nbformat, NotebookClient, exporter


def _output(output: NotebookNode) -> NotebookNode:
    """Output of a cell as the page shows it.

    Widgets are removed, since they do not work in a page; their picture stays. A picture with a
    caption gets it below. An error that the report allows becomes a line of text.
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
    words = f"Not shown, since the hole lacks the data of this cell: {why}\n"
    return type(output)(output_type="stream", name="stdout", text=words)


def _caption(png: bytes) -> str:
    """Caption in a PNG of this package; empty for other pictures."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as picture:
        return str(getattr(picture, "text", {}).get("Description", ""))


def _run(
    document: NotebookNode,
    client: type[NotebookClient],
    variables: dict[str, str],
    page: Path,
    allowed: tuple[str, ...],
) -> None:
    """Run the cells in place; errors with a name in ``allowed`` do not stop the run."""
    from nbclient.exceptions import CellExecutionError, DeadKernelError

    runner = client(
        document,
        timeout=_SECONDS_A_CELL,
        allow_error_names=list(allowed),
        kernel_name="python3",
        # 40 is the level of errors: warnings of the kernel about its sockets would fill the page.
        extra_arguments=["--IPKernelApp.log_level=40"],
        resources={"metadata": {"path": str(page.resolve().parent)}},
    )
    try:
        runner.execute(env={**os.environ, **variables})
    except CellExecutionError as error:
        raise ReportError(
            f"a cell of {page.name} failed with {error.ename}: {error.evalue}. Run it in a "
            "notebook to see where"
        ) from error
    except (DeadKernelError, TimeoutError) as error:
        raise ReportError(
            f"{page.name} did not finish: {error}. Run it in a notebook to find the cell"
        ) from error
