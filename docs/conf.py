"""Settings of Sphinx; `docs/build.py` prepares what it reads."""

from __future__ import annotations

import os
from typing import Any

from docutils.nodes import SkipNode
from latex2mathml.converter import convert

import probekit

project = "probekit"
author = "The probekit maintainers"
release = probekit.__version__
extensions = ["myst_nb", "numpydoc", "sphinx.ext.autodoc"]
exclude_patterns = ["DEVELOPERS.md", "data", "tests", "**/.ipynb_checkpoints"]

html_theme = "alabaster"
html_static_path = ["_static"]
html_extra_path = ["_extra"]
html_css_files = ["site.css"]
html_title = "probekit"
html_show_sourcelink = False
html_copy_source = False
html_show_copyright = False
smartquotes = False  # what is quoted is to be copied
html_math_renderer = "mathml"
html_theme_options = {
    "description": "On-machine verification of freeform parts",
    "fixed_sidebar": False,
    "page_width": "1120px",
    "sidebar_width": "230px",
    "show_powered_by": False,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}

nb_execution_mode = os.environ.get("PROBEKIT_SITE_RUN", "off")
nb_execution_cache_path = os.environ.get("PROBEKIT_SITE_CACHE", "")
nb_execution_timeout = 600
nb_execution_raise_on_error = True
nb_ipywidgets_js: dict[str, dict[str, str]] = {}  # no scripts of other hosts
nb_mime_priority_overrides = [("html", "application/vnd.jupyter.widget-view+json", None)]  # a view is a still picture
nb_merge_streams = True
nb_code_prompt_show = "Show {type}"
nb_code_prompt_hide = "Hide {type}"
myst_enable_extensions = ["dollarmath", "colon_fence"]
myst_heading_anchors = 3

numpydoc_show_class_members = False
numpydoc_class_members_toctree = False
autodoc_typehints = "none"  # numpydoc's own list of parameters says it better
python_use_unqualified_type_names = True
suppress_warnings = ["mystnb.unknown_mime_type", "myst.xref_missing", "misc.highlighting_failure"]


def _bars(_app: object, _what: str, _name: str, _thing: object, _options: object, lines: list[str]) -> None:
    """|x| is an absolute value in our docstrings, not a substitution of reStructuredText."""
    for k, line in enumerate(lines):
        parts = line.split("``")
        lines[k] = "``".join(part if i % 2 else part.replace("|", r"\|") for i, part in enumerate(parts))


def _inline(writer: Any, node: Any) -> None:
    """A formula as MathML, which browsers draw without a script."""
    writer.body.append(convert(node.astext()))
    raise SkipNode


def _block(writer: Any, node: Any) -> None:
    writer.body.append(f'<div class="math">{convert(node.astext(), display="block")}</div>')
    raise SkipNode


def setup(app: Any) -> None:
    """Called by Sphinx."""
    app.add_html_math_renderer("mathml", inline_renderers=(_inline, None), block_renderers=(_block, None))
    app.connect("autodoc-process-docstring", _bars, priority=400)
