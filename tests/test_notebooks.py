"""Every notebook runs from top to bottom in a fresh kernel, away from the source tree."""

from pathlib import Path

import pytest

jupytext = pytest.importorskip("jupytext", reason="jupytext is not installed")
nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed")

# What a notebook needs beside the pinned packages; without it the notebook is skipped.
EXTRA_NEEDS = {"train_rectifier": ("jax", "optax")}
NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.py"))


@pytest.mark.notebook
@pytest.mark.filterwarnings("ignore")  # the notebook machinery's own; the library's appear in the kernel
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    for package in EXTRA_NEEDS.get(path.stem, ()):
        pytest.importorskip(package, reason=f"this notebook needs {package}, which the project does not install")
    notebook = jupytext.read(path)
    client = nbclient.NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    executed = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert executed
    assert all(cell.execution_count for cell in executed)
    for cell in executed:
        for output in cell.outputs:
            assert output.get("name") != "stderr", output["text"]


def test_there_are_notebooks() -> None:
    assert "quick_start" in [path.stem for path in NOTEBOOKS]
