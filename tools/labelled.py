"""Folders of captures that a labels.json describes, and files of judged captures, as the validation tools read them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

Row = dict[str, Any]


def labels(folder: Path) -> dict[str, Row]:
    """Return the labels by capture, or end the program in one line that says what is wrong with them."""
    path = folder / "labels.json"
    found = _parsed(path, _text(path))
    if not isinstance(found, dict) or not all(isinstance(label, dict) for label in found.values()):
        raise SystemExit(f"{path}: expected labels by the captures' names")
    return found


def rows(paths: Iterable[Path]) -> list[Row]:
    """Return the rows of several files, one to a line, or end the program in one line that says what is wrong."""
    return [_parsed(path, line) for path in paths for line in _text(path).splitlines()]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise SystemExit(f"{path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise SystemExit(f"{path}: not UTF-8 text") from None


def _parsed(path: Path, text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise SystemExit(f"{path}: not JSON: {error}") from None
