"""Every notebook runs from top to bottom in a fresh kernel, away from the source tree."""

import re
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

jupytext = pytest.importorskip("jupytext", reason="jupytext is not installed")
nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed")

# Scripts with arguments and inputs of their own, which take tens of minutes: they made files that are committed.
SCRIPTS = {"rectifier_strangers", "train_rectifier"}
FOLDER = Path(__file__).resolve().parent.parent / "notebooks"
NOTEBOOKS = [path for path in sorted(FOLDER.glob("*.py")) if path.stem not in SCRIPTS]


def keep_for_the_site(notebook: Any, path: Path) -> None:
    """Put what was just executed where `make docs` looks for it (`docs/conf.py`), which need not execute it again."""
    if not (find_spec("jupyter_cache") and find_spec("filelock")):
        return
    import filelock  # noqa: PLC0415
    from jupyter_cache import base, get_cache  # noqa: PLC0415

    cache = FOLDER.parent / "build" / "notebooks"
    cache.parent.mkdir(exist_ok=True)
    with filelock.FileLock(cache.with_suffix(".lock")):  # another test may be keeping its own
        bundle = base.CacheBundleIn(notebook, str(path))
        get_cache(cache).cache_notebook_bundle(bundle, check_validity=False, overwrite=True)


@pytest.mark.notebook
@pytest.mark.filterwarnings("ignore")  # the notebook machinery's own; the library's appear in the kernel
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    notebook = jupytext.read(path)
    client = nbclient.NotebookClient(
        notebook,
        timeout=600,
        kernel_name="python3",
        record_timing=False,  # times would make a notebook another one to the site
        resources={"metadata": {"path": str(tmp_path)}},
    )
    client.execute()
    executed = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert executed
    assert all(cell.execution_count for cell in executed)
    for cell in executed:
        for output in cell.outputs:
            assert output.get("name") != "stderr", output["text"]
    keep_for_the_site(notebook, path)


def test_every_notebook_is_a_page_of_the_site() -> None:
    docs = FOLDER.parent / "docs"
    listed = re.search(
        r"^NOTEBOOKS = \((.*?)\)", (docs / "conf.py").read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    assert listed is not None
    names = re.findall(r'"(\w+)"', listed[1])
    assert sorted(names) == [path.stem for path in NOTEBOOKS]
    index = (docs / "index.md").read_text(encoding="utf-8")
    assert all(f"\n_generated/{name}\n" in index for name in names)


def test_notebooks_are_kept_without_outputs() -> None:
    assert not [path for path in FOLDER.rglob("*") if path.suffix == ".ipynb"], "the percent scripts hold no outputs"
