"""The documentation site: `make docs`. Nothing is fetched when it is built or read."""
# ruff: noqa: ARG001 - Sphinx sets the arguments of what it calls.

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import error_codes  # noqa: E402

import sixpulse  # noqa: E402

project = "sixpulse"
author = "The sixpulse authors"
version = release = sixpulse.__version__
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.viewcode"]
exclude_patterns = ["_build"]
html_theme = "furo"
html_title = f"sixpulse {version}"
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False

myst_enable_extensions = ["deflist"]  # no formulae in TeX: showing them needs a script from elsewhere
myst_heading_anchors = 3
# Pages hold doctests, which pytest runs (tests/test_docs.py); the notebooks are run by tests/test_notebooks.py.
nb_execution_mode = "off"

autodoc_default_options = {"members": True, "member-order": "bysource", "show-inheritance": False}
autodoc_typehints = "signature"
napoleon_numpy_docstring = True
napoleon_google_docstring = False
napoleon_use_ivar = True

# Links from the documents into the source tree are good in the repository and lead nowhere on the site.
SOURCE = ("../crates/", "../notebooks/", "../python/", "../tools/", "../tests/")


def _keep_source_links_as_text(app, docname, content):
    """Write a link into the source tree as plain code: the site does not carry the tree."""
    import re  # noqa: PLC0415

    def plain(match):
        return match[1] if match[2].startswith(SOURCE) else match[0]

    content[0] = re.sub(r"\[(`?[^\]]+`?)\]\(([^)]+)\)", plain, content[0])


def _write_generated(app):
    (HERE / "_generated").mkdir(exist_ok=True)
    (HERE / "_generated" / "error_codes.md").write_text(error_codes.page(), encoding="utf-8")


def setup(app):
    """Register the two steps above."""
    app.connect("source-read", _keep_source_links_as_text)
    app.connect("builder-inited", _write_generated)
