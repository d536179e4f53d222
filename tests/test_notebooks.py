"""Every notebook runs from top to bottom in a fresh kernel, away from the source tree."""

from pathlib import Path

import pytest

jupytext = pytest.importorskip("jupytext", reason="jupytext is not installed")
nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed")

# Scripts with arguments and inputs of their own, which take tens of minutes: they made files that are committed.
SCRIPTS = {"rectifier_strangers", "train_rectifier"}
FOLDER = Path(__file__).resolve().parent.parent / "notebooks"
NOTEBOOKS = [path for path in sorted(FOLDER.glob("*.py")) if path.stem not in SCRIPTS]


@pytest.mark.notebook
@pytest.mark.filterwarnings("ignore")  # the notebook machinery's own; the library's appear in the kernel
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
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
