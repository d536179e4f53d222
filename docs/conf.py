"""The documentation site: `make docs`. Nothing is fetched when it is built or read."""
# ruff: noqa: ARG001 - Sphinx sets the arguments of what it calls.

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import error_codes  # noqa: E402
import jupytext  # noqa: E402

import sixpulse  # noqa: E402

project = "sixpulse"
author = "The sixpulse authors"
version = release = sixpulse.__version__
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.viewcode"]
exclude_patterns = ["_build"]
html_theme = "furo"
html_title = f"sixpulse {version}"
html_static_path = ["static"]
html_css_files = ["tables.css"]
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False

myst_enable_extensions = ["deflist"]  # no formulae in TeX: showing them needs a script from elsewhere
myst_heading_anchors = 3
# The pages' own examples are doctests, which pytest runs (tests/test_docs.py). The notebooks are converted below and
# run when the site is built; what has not changed since comes from the cache, which tests/test_notebooks.py fills
# as well.
nb_execution_mode = "cache"
nb_execution_cache_path = str(HERE.parent / "build" / "notebooks")
nb_execution_in_temp = True
nb_execution_raise_on_error = True
nb_execution_timeout = 600
nb_merge_streams = True

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


# In the order in which they are read; the script that fits the rectifier model takes an hour and is no page.
NOTEBOOKS = (
    "quick_start",
    "by_hand",
    "intervention",
    "gallery",
    "fleet_study",
    "method_study",
    "exercises",
    "embed_rust",
)


def _write_generated(app):
    pages = {"error_codes.md": error_codes.page()}
    for name in NOTEBOOKS:
        notebook = jupytext.read(HERE.parent / "notebooks" / f"{name}.py")
        for number, cell in enumerate(notebook.cells):
            cell["id"] = f"cell-{number}"  # random ones would make every build new
        pages[f"{name}.ipynb"] = jupytext.writes(notebook, fmt="ipynb")
    folder = HERE / "_generated"
    folder.mkdir(exist_ok=True)
    for name, text in pages.items():
        if not (folder / name).exists() or (folder / name).read_text(encoding="utf-8") != text:
            (folder / name).write_text(text, encoding="utf-8")


def setup(app):
    """Register the two steps above."""
    app.connect("source-read", _keep_source_links_as_text)
    app.connect("builder-inited", _write_generated)
