"""The validation tools say in one line what is wrong with a folder or file, and leave what they were to write alone."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest

pytest.importorskip("scipy")
sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
BROKEN = {"none": None, "no text": b"\xff\xfe", "no JSON": b"{", "nested": b"[" * 100_000, "no labels": b"[1]"}


def complaint(tool: str, words: list[str], monkeypatch: pytest.MonkeyPatch) -> str:
    """Run a tool and return what it ends with."""
    monkeypatch.setattr(sys, "argv", [tool, *words])
    with pytest.raises(SystemExit) as stop:
        importlib.import_module(tool).main()
    return str(stop.value.code)


@pytest.mark.parametrize("tool", ["validate_contamination", "validate_rectifier", "validate_pipeline"])
@pytest.mark.parametrize("case", BROKEN)
def test_a_folder_without_labels_is_named(
    tool: str, case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if (content := BROKEN[case]) is not None:
        (tmp_path / "labels.json").write_bytes(content)
    out = tmp_path / "out.jsonl"
    out.write_text("precious", encoding="utf-8")
    words = [str(tmp_path)] if tool == "validate_pipeline" else ["folder", str(tmp_path), str(out)]
    assert complaint(tool, words, monkeypatch).startswith(f"{tmp_path / 'labels.json'}: ")
    assert out.read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize("tool", ["validate_contamination", "validate_rectifier"])
@pytest.mark.parametrize("content", [None, "{"])
def test_rows_that_cannot_be_read_are_named(
    tool: str, content: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "rows.jsonl"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    assert complaint(tool, ["tables", "title", str(path)], monkeypatch).startswith(f"{path}: ")
