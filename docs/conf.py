"""Sphinx: the pages of this folder, the notebooks, and tables from the package's own data.

From the top folder, without a network:
``python -m sphinx -W --keep-going -b html docs docs/_build/html``
"""

import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))
# The kernels that run the pages import this checkout, whatever is installed.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # two kernels run side by side
os.environ["PYTHONPATH"] = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
os.environ["TQDM_DISABLE"] = "1"  # a bar of progress would stay in the outputs as an empty line

from corephys import __version__  # noqa: E402
from docs.making import execution, layout  # noqa: E402

execution.own_kernel(ROOT / "docs" / "_build" / "jupyter")

project = "corephys"
author = "The corephys developers"
project_copyright = author
version = release = __version__

extensions = [
    "myst_nb",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "numpydoc",
    "docs.making.extension",
]
exclude_patterns = ["_build", "**/.ipynb_checkpoints"]
source_suffix = {".rst": "restructuredtext", ".md": "myst-nb", ".ipynb": "myst-nb"}

# Markdown: what a forge understands as well.
myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 4
myst_update_mathjax = False


nb_execution_mode = "cache"
nb_execution_cache_path = str(ROOT / "docs" / "_build" / "executed" / execution.state_of_the_code())
# The pages alone are run, and notebooks are set with their stored outputs, where this is set.
nb_execution_excludepatterns = ["*.ipynb"] if os.environ.get("COREPHYS_STORED_OUTPUTS") else []
nb_execution_raise_on_error = True
nb_execution_timeout = 600
nb_merge_streams = True
nb_ipywidgets_js = {}  # would be fetched from elsewhere

autodoc_typehints = "none"  # the docstrings name them with units
autodoc_preserve_defaults = True
autodoc_member_order = "bysource"
autosummary_generate = False
numpydoc_show_class_members = False
numpydoc_xref_param_type = False
numpydoc_validation_checks = layout.DOCSTRING_CHECKS
# A protocol has no arguments of its own; its methods are described in one line each.
# The keys of a typed mapping stand under Parameters, and it has no signature that names them.
numpydoc_validation_exclude = {
    r"^corephys\.sensors\.Reduction(\.|$)",
    r"^corephys\.figures\.Look$",
}

html_theme = "pydata_sphinx_theme"
html_title = "corephys"
html_math_renderer = "mathml"
html_copy_source = False
html_show_sourcelink = False
html_static_path = ["making/static"]
html_css_files = ["corephys.css"]
html_theme_options = {
    "navbar_align": "left",
    "navigation_with_keys": False,
    "show_prev_next": True,
    "show_toc_level": 2,
    "secondary_sidebar_items": ["page-toc"],
    "footer_start": ["copyright"],
    "footer_end": [],
    "pygments_light_style": "a11y-high-contrast-light",
    "pygments_dark_style": "a11y-high-contrast-dark",
}
html_sidebars = {"index": [], "generated/gallery": [], "generated/developers": []}
