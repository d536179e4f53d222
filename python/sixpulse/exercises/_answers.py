"""Reads answers as handed in, CSV in long or wide form or JSON; every row is taken or refused with a reason."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .._files import read_text
from ..errors import FileReadError, InvalidDocumentError, SixpulseError
from ._documents import read_json

__all__ = ["Answers", "FileRefusal", "read_answers"]

_FIELDS = ("learner", "question", "answer", "unit", "confidence", "evidence")
_SUFFIXES = ("unit", "confidence", "evidence")
#: Headings that mean a field; compared in lower case.
_ALIASES = {
    "learner": "learner", "name": "learner", "student": "learner", "participant": "learner",
    "question": "question", "question id": "question", "id": "question", "item": "question",
    "answer": "answer", "response": "answer",
    "unit": "unit", "confidence": "confidence", "confidence %": "confidence", "evidence": "evidence",
}  # fmt: skip


@dataclass(frozen=True)
class FileRefusal:
    """A file none of whose rows could be read.

    Attributes
    ----------
    path : str
        The file.
    code : str
        Code of the error.
    reason : str
        What was wrong.
    """

    path: str
    code: str
    reason: str


@dataclass(frozen=True)
class Answers:
    """Answers of a class.

    Attributes
    ----------
    responses : tuple of dict
        Rows that can be graded, as text: row, learner, question, answer, unit, confidence, evidence.
    refused : tuple of dict
        Rows that cannot, with ``row``, ``learner``, ``question``, ``code`` and ``reason``.
    notes : tuple of str
        What was passed over without loss, such as columns that are not known.
    files : tuple of FileRefusal
        Files that could not be read.
    """

    responses: tuple[dict[str, Any], ...]
    refused: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]
    files: tuple[FileRefusal, ...]


class _Collector:
    def __init__(self) -> None:
        self.responses: list[dict[str, Any]] = []
        self.refused: list[dict[str, Any]] = []
        self.notes: list[str] = []
        self.files: list[FileRefusal] = []

    def take(self, row: int, cells: Mapping[str, Any]) -> None:
        texts = {name: _text(cells.get(name)) for name in _FIELDS}
        if any(texts[name] for name in ("learner", "question", "answer")):
            self.responses.append({"row": row, **texts})

    def refuse(self, row: int, cells: Mapping[str, Any], code: str, reason: str) -> None:
        who = {name: _text(cells.get(name)) for name in ("learner", "question")}
        self.refused.append({"row": row, **who, "code": code, "reason": reason})

    def done(self) -> Answers:
        return Answers(tuple(self.responses), tuple(self.refused), tuple(self.notes), tuple(self.files))


def read_answers(
    sources: str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | Iterable[Mapping[str, Any]],
) -> Answers:
    """Read answers from files, or take them as plain data.

    A CSV file (comma, semicolon or tab; UTF-8) is long, with one row for each answer and the columns ``learner``,
    ``question``, ``answer`` and, where they apply, ``unit``, ``confidence``, ``evidence``; or wide, with one row for
    each learner and columns named after the questions (``item-01-2``, ``item-01-2 unit``, ``item-01-2 confidence``,
    ``item-01-2 evidence``). JSON is a list of objects with the names of the long form, or
    ``{learner: {question: answer}}``.

    Parameters
    ----------
    sources : path, sequence of paths, or iterable of mappings
        Files, or answers as mappings with the names of the long form.

    Returns
    -------
    Answers

    Raises
    ------
    FileReadError, InvalidDocumentError
        There is one file and none of its rows can be read; among several such a file is listed in ``files``.

    Examples
    --------
    >>> taken = read_answers([{"learner": "ada", "question": "item-01-1", "answer": 14.2}])
    >>> taken.responses[0]["answer"]
    '14.2'
    """
    collector = _Collector()
    given: list[Any] = [sources] if isinstance(sources, (str, os.PathLike)) else list(sources)
    for number, source in enumerate(given, start=1):
        if isinstance(source, Mapping):
            _take_entry(collector, number, source)
        elif isinstance(source, (str, os.PathLike)):
            try:
                _read_file(collector, Path(source))
            except (FileReadError, InvalidDocumentError) as error:
                if len(given) == 1:
                    raise
                collector.files.append(FileRefusal(os.fspath(source), error.code, str(error)))
        else:
            collector.refuse(number, {}, "not_an_object", f"expected an answer by name, got {type(source).__name__}")
    return collector.done()


def _read_file(collector: _Collector, path: Path) -> None:
    if path.suffix.lower() == ".json":
        _take_document(collector, path, read_json(path, "answers"))
    else:
        _read_csv(collector, path, read_text(path))


def _take_document(collector: _Collector, path: Path, document: object) -> None:
    if isinstance(document, dict) and isinstance(document.get("answers"), list):
        document = document["answers"]
    if isinstance(document, dict):
        entries = _by_learner(document)
    elif isinstance(document, list):
        entries = iter(document)
    else:
        raise _invalid(path, f"expected a list of answers, got {type(document).__name__}")
    for row, entry in enumerate(entries, start=1):
        _take_entry(collector, row, entry)


def _by_learner(document: Mapping[str, Any]) -> Iterator[Any]:
    for learner, answers in document.items():
        if not isinstance(answers, Mapping):
            yield {"learner": learner, "question": "", "answer": answers}
            continue
        for question, answer in answers.items():
            more = answer if isinstance(answer, Mapping) else {"answer": answer}
            yield {**more, "learner": learner, "question": question}


def _take_entry(collector: _Collector, row: int, entry: object) -> None:
    if not isinstance(entry, Mapping):
        collector.refuse(row, {}, "not_an_object", f"expected an answer by name, got {type(entry).__name__}")
        return
    unknown = sorted(str(name) for name in entry if name not in _FIELDS and name != "row")
    if unknown:
        collector.notes.append(f"row {row}: {', '.join(unknown)} passed over")
    nested = next((name for name in _FIELDS if isinstance(entry.get(name), Mapping)), None)
    if nested is not None:
        collector.refuse(row, entry, "not_plain", f"{nested} is not text, number or list")
        return
    collector.take(row, entry)


def _read_csv(collector: _Collector, path: Path, text: str) -> None:
    delimiter = _delimiter(text)
    try:
        rows = list(csv.reader(io.StringIO(text.replace("\0", "")), delimiter=delimiter, strict=False))
    except csv.Error as error:
        raise _invalid(path, str(error)) from None
    first = next((i for i, row in enumerate(rows) if any(cell.strip() for cell in row)), None)
    if first is None:
        raise _invalid(path, "the file is empty")
    heads = [cell.strip() for cell in rows[first]]
    names = [_ALIASES.get(head.lower(), "") for head in heads]
    if "learner" not in names:
        raise _invalid(path, f'no column "learner" among {", ".join(heads)}')
    body = [(number, row) for number, row in enumerate(rows[first + 1 :], start=first + 2) if any(map(str.strip, row))]
    if {"question", "answer"} <= set(names):
        _long(collector, heads, names, body, delimiter)
    else:
        _wide(collector, heads, names, body, delimiter)


def _long(
    collector: _Collector, heads: list[str], names: list[str], body: list[tuple[int, list[str]]], delimiter: str
) -> None:
    _note_unknown(collector, [head for head, name in zip(heads, names, strict=True) if not name and head])
    for number, row in body:
        cells = {name: cell for name, cell in zip(names, row, strict=False) if name}
        if _fits(collector, number, cells, row=row, heads=heads, delimiter=delimiter):
            collector.take(number, cells)


def _wide(
    collector: _Collector, heads: list[str], names: list[str], body: list[tuple[int, list[str]]], delimiter: str
) -> None:
    learner = names.index("learner")
    columns: dict[str, dict[str, int]] = {}
    unknown: list[str] = []
    for place, head in enumerate(heads):
        question, _, suffix = head.rpartition(" ")
        if place == learner or not head:
            continue
        if suffix in _SUFFIXES and question:
            columns.setdefault(question, {})[suffix] = place
        elif _looks_like_question(head):
            columns.setdefault(head, {})["answer"] = place
        else:
            unknown.append(head)
    _note_unknown(collector, unknown)
    for number, row in body:
        name = row[learner] if learner < len(row) else ""
        if not _fits(collector, number, {"learner": name}, row=row, heads=heads, delimiter=delimiter):
            continue
        for question, places in columns.items():
            cells = {field: row[place] for field, place in places.items() if place < len(row)}
            if _text(cells.get("answer")):
                collector.take(number, {**cells, "learner": name, "question": question})


def _looks_like_question(head: str) -> bool:
    start, _, end = head.rpartition("-")
    return bool(start) and end.isdigit()


def _fits(
    collector: _Collector, number: int, cells: Mapping[str, Any], *, row: list[str], heads: list[str], delimiter: str
) -> bool:
    """Refuse a row with more cells than there are headings, unless the rest is empty."""
    extra = row[len(heads) :]
    if not any(cell.strip() for cell in extra):
        return True
    reason = f"{len(row)} cells under {len(heads)} headings"
    if delimiter == ",":
        reason += '; a decimal comma must stand in quotes ("1,5") where commas part the columns'
    collector.refuse(number, cells, "too_many_cells", reason)
    return False


def _note_unknown(collector: _Collector, heads: list[str]) -> None:
    if heads:
        collector.notes.append(f"columns passed over: {', '.join(heads)}")


def _delimiter(text: str) -> str:
    """Return what parts the heading: the commonest of semicolon, tab and comma in the first line."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    return max(";\t,", key=lambda mark: (first.count(mark), mark != ","))


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return ",".join(_text(entry) for entry in value)
    # Numbers from JSON keep all their digits; true and false are no answers but words.
    return str(value).strip()


def _invalid(path: Path, reason: str) -> SixpulseError:
    return InvalidDocumentError(f"answers: {path}: {reason}", parameter="answers", reason=reason)
