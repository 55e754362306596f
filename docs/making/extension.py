"""Sphinx extension of this project: its pages, its links, and equations without a network."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

from docutils import nodes
from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx import addnodes
from sphinx.application import Sphinx
from sphinx.environment import BuildEnvironment
from sphinx.errors import SphinxError
from sphinx.util import logging

import corephys
from docs.making import execution, gallery, layout, offline

_LOGGER = logging.getLogger(__name__)


def _write_pages(app: Sphinx) -> None:
    pictures = layout.DOCS / "generated" / "gallery"
    captions = gallery.draw(pictures, execution.state_of_the_code())
    layout.write(layout.generated(captions))


class _Run:
    """The notebooks of one build, from its beginning to the first page that needs them."""

    def __init__(self) -> None:
        self.notebooks: execution.Notebooks | None = None

    def begin(self, app: Sphinx) -> None:
        wanted = not app.config.nb_execution_excludepatterns  # else their stored outputs are set
        if wanted and app.builder.format == "html" and app.config.nb_execution_mode == "cache":
            kept, timeout = app.config.nb_execution_cache_path, app.config.nb_execution_timeout
            self.notebooks = execution.Notebooks(layout.DOCS, kept, timeout)

    def put_last(self, app: Sphinx, env: BuildEnvironment, names: list[str]) -> None:
        names.sort(key=lambda name: (env.doc2path(name).suffix == ".ipynb", name))

    def wait(self, app: Sphinx, name: str, source: list[str]) -> None:
        if app.env.doc2path(name).suffix == ".ipynb":
            self.finish()

    def finish(self, *_: Any) -> None:
        if self.notebooks is not None:
            ran = self.notebooks.finish()
            _LOGGER.info("notebooks run: %s", ", ".join(path.stem for path in ran) or "none")
            self.notebooks = None


def _read(app: Sphinx, name: str, source: list[str]) -> None:
    """A page of docs/ as the build wants it; on a forge it is read as it stands."""
    if name.startswith("generated/"):
        return
    notebook = app.env.doc2path(name).suffix == ".ipynb"
    file = f"notebooks/{name}.ipynb" if notebook else f"docs/{name}.md"
    relinked = layout.relinked_notebook if notebook else layout.relinked
    source[0] = relinked(source[0], file, name)
    if name in layout.EXECUTED:
        source[0] = layout.to_notebook(source[0])
    if name == "index":
        source[0] = layout.with_contents(source[0])


def _need_no_network(app: Sphinx, error: Exception | None) -> None:
    if error is None and app.builder.format == "html":
        fetching = offline.pages_that_fetch(Path(app.outdir))
        if fetching:
            lines = [f"{page} fetches {', '.join(found)}" for page, found in fetching.items()]
            raise SphinxError("pages that need a network:\n" + "\n".join(lines))


def _find(path: str) -> Any:
    """The public thing that ``cp.<path>`` is, or None."""
    thing: Any = corephys
    for part in path.split("."):
        if inspect.ismodule(thing) and part not in getattr(thing, "__all__", ()):
            return None
        thing = getattr(thing, part, None)
    return thing


def _link_names(app: Sphinx, doctree: nodes.document) -> None:
    """Let every ``cp.name`` of the text lead to its page of the interface."""
    for literal in list(doctree.findall(nodes.literal)):
        found = re.match(r"cp\.([A-Za-z_]\w*(?:\.\w+)*)", literal.astext())
        if found is None or not isinstance(literal.parent, nodes.Element):
            continue
        if isinstance(literal.parent, (nodes.reference, addnodes.pending_xref, nodes.title)):
            continue
        thing = _find(found[1])
        if not (inspect.ismodule(thing) or inspect.isfunction(thing) or inspect.isclass(thing)):
            continue
        link = addnodes.pending_xref(
            "",
            refdoc=app.env.current_document.docname,
            refdomain="py",
            reftype="obj",
            reftarget=f"corephys.{found[1]}",
            refexplicit=True,
            refwarn=False,
        )
        literal.replace_self(link)
        link += literal


def _equation(self: Any, node: nodes.Element, *, block: bool) -> None:
    """MathML, which browsers set by themselves: no script and no font from elsewhere."""
    try:
        self.body.append(tex2mathml(node.astext(), as_block=block))
    except MathError as error:
        _LOGGER.warning("equation not understood: %s", error, location=node)
    raise nodes.SkipNode


def _inline(self: Any, node: nodes.Element) -> None:
    _equation(self, node, block=False)


def _block(self: Any, node: nodes.Element) -> None:
    _equation(self, node, block=True)


def setup(app: Sphinx) -> dict[str, Any]:
    """Join the build.

    Parameters
    ----------
    app : Sphinx
        The build.

    Returns
    -------
    dict
        What Sphinx wants to know of an extension.
    """
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    app.connect("builder-inited", _write_pages, priority=100)
    run = _Run()
    app.connect("builder-inited", run.begin, priority=110)
    app.connect("env-before-read-docs", run.put_last)
    app.connect("source-read", run.wait, priority=100)
    app.connect("source-read", _read)
    app.connect("build-finished", run.finish)
    app.connect("doctree-read", _link_names)
    app.connect("build-finished", _need_no_network)
    return {"version": corephys.__version__, "parallel_read_safe": True}
