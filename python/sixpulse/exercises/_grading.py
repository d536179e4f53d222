"""Grades a class and writes what came of it: table, reasons, item statistics, report."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from .._core import _exercise
from .._files import make_folder, write_texts
from .._refusals import need
from .._result import Result
from ..errors import InvalidDocumentError
from ._answers import Answers, read_answers
from ._documents import read_json

__all__ = [
    "GradedRow",
    "Grading",
    "LearnerResult",
    "Loss",
    "Part",
    "Refusal",
    "brier_share",
    "grade",
    "log_score",
    "read_key",
    "rubric",
]


@dataclass(frozen=True, eq=False, repr=False)
class Refusal(Result):
    """Why a row was not graded.

    Attributes
    ----------
    code : str
        Stable code.
    reason : str
        What was wrong, with what came.
    """

    code: str
    reason: str


@dataclass(frozen=True, eq=False, repr=False)
class Loss(Result):
    """Points lost, and why.

    Attributes
    ----------
    code : str
        Code of the rubric's rule.
    points : float
        Points lost by it.
    reason : str
        Why, in words that teach.
    """

    code: str
    points: float
    reason: str


@dataclass(frozen=True, eq=False, repr=False)
class Part(Result):
    """One part of a question's points.

    Attributes
    ----------
    name : str
        "answer", "evidence" or "confidence".
    points, possible : float
        Points given and possible.
    """

    name: str
    points: float
    possible: float


@dataclass(frozen=True, eq=False, repr=False)
class GradedRow(Result):
    """One answer, graded.

    Attributes
    ----------
    row : int or None
        Row in its file; None for a question that was not answered.
    learner, question : str
        Who, and which.
    outcome : {"graded", "refused", "not_answered"}
        What became of it.
    points, possible : float
        Points given and possible; 0 possible for a row that belongs to no question.
    right : bool
        Whether the answer itself is right in full.
    dangerous : bool
        Whether it could hurt someone.
    parts : tuple of Part
        The points by parts.
    losses : tuple of Loss
        A reason for every point lost.
    refusal : Refusal or None
        Why it was refused.
    understood : str or None
        The answer as understood: codes, or the number in the question's unit.
    confidence : float or None
        0 to 1.
    brier : float or None
        ``(confidence - outcome)**2``, 0 (best) to 1.
    log_score : float or None
        Natural logarithm of the probability given to what came true; None for minus infinity too.
    """

    row: int | None
    learner: str
    question: str
    outcome: Literal["graded", "refused", "not_answered"]
    points: float
    possible: float
    right: bool
    dangerous: bool
    parts: tuple[Part, ...]
    losses: tuple[Loss, ...]
    refusal: Refusal | None
    understood: str | None
    confidence: float | None
    brier: float | None
    log_score: float | None


@dataclass(frozen=True, eq=False, repr=False)
class LearnerResult(Result):
    """One learner's result.

    Attributes
    ----------
    learner : str
        Who.
    points, possible : float
        Over all questions.
    share : float
        ``points / possible``.
    right : int
        Questions right in full.
    answered : int
        Questions graded.
    refused : int
        Rows refused.
    dangerous : int
        Dangerous answers.
    mean_brier : float or None
        Mean Brier score over the answers with confidence.
    overconfidence : float or None
        Mean confidence less share right over the same answers: above 0 overconfident.
    """

    learner: str
    points: float
    possible: float
    share: float
    right: int
    answered: int
    refused: int
    dangerous: int
    mean_brier: float | None
    overconfidence: float | None


@dataclass(frozen=True, eq=False, repr=False)
class Grading(Result):
    """A class, graded.

    Attributes
    ----------
    schema_version : int
        Version of this layout.
    rubric_version : int
        Version of the rubric.
    learners : tuple of LearnerResult
        By name.
    rows : tuple of GradedRow
        Rows as they came, then what was not answered.
    notes : tuple of str
        What was passed over without loss, and files that could not be read.
    """

    schema_version: int
    rubric_version: int
    learners: tuple[LearnerResult, ...]
    rows: tuple[GradedRow, ...]
    notes: tuple[str, ...]

    def class_table(self) -> str:
        """Return the class table as CSV: one row for each learner."""
        fields = ("learner", "points", "possible", "share", "right", "answered", "refused", "dangerous")
        rows = [[getattr(learner, name) for name in fields] for learner in self.learners]
        scores = [[_shown(learner.mean_brier), _shown(learner.overconfidence)] for learner in self.learners]
        heads = [*fields, "mean_brier", "overconfidence"]
        return _csv(heads, [[*row, *score] for row, score in zip(rows, scores, strict=True)])

    def reasons(self) -> str:
        """Return every point lost with its reason as CSV: one row for each loss or refusal."""
        rows: list[list[object]] = []
        for row in self.rows:
            at = [row.learner, row.question, row.row]
            rows += [[*at, loss.code, loss.points, loss.reason] for loss in row.losses]
            if row.refusal is not None:
                rows.append([*at, row.refusal.code, "", row.refusal.reason])
        return _csv(["learner", "question", "row", "code", "points_lost", "reason"], rows)

    def write(self, destination: str | os.PathLike[str], *, key: Mapping[str, Any]) -> None:
        """Write ``class.csv``, ``reasons.csv``, ``grading.json``, ``statistics.json`` and ``report.html``.

        Parameters
        ----------
        destination : path
            Folder; made when it is not there.
        key : mapping
            The key that it was graded by.

        Raises
        ------
        UnwritableFileError, MissingDependencyError
        """
        from . import _report, statistics  # noqa: PLC0415 - plots are loaded when they are drawn

        folder = Path(destination)
        found = statistics.analyse(self, key)
        make_folder(folder)
        write_texts(
            [
                (folder / "class.csv", self.class_table()),
                (folder / "reasons.csv", self.reasons()),
                (folder / "grading.json", self.to_json(indent=1) + "\n"),
                (folder / "statistics.json", found.to_json(indent=1) + "\n"),
                (folder / "report.html", _report.render(self, found, key)),
            ]
        )


def grade(
    key: Mapping[str, Any] | str | os.PathLike[str],
    answers: Answers | str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | Iterable[Mapping[str, Any]],
    *,
    roster: Iterable[str] = (),
) -> Grading:
    """Grade a class by the published rubric.

    No row is lost: each is graded or refused with a reason, and every learner of the answers or the roster has a result
    over all questions.

    Parameters
    ----------
    key : mapping or path
        The trainer's key, or its file.
    answers : Answers, path, sequence of paths, or iterable of mappings
        What :func:`read_answers` takes or returns.
    roster : iterable of str
        Learners that are to appear whether or not they handed anything in.

    Returns
    -------
    Grading

    Raises
    ------
    InvalidDocumentError, FileReadError
        The key, or the only file of answers, cannot be read.
    """
    taken = answers if isinstance(answers, Answers) else read_answers(answers)
    document = key if isinstance(key, Mapping) else read_key(key)
    need("roster", roster, Iterable, "learners' names")
    roster = list(roster)
    for name in roster:
        need("roster", name, str, "learners' names")
    named = [*roster, *(row["learner"] for row in taken.refused)]
    text = _exercise.grade_responses(
        json.dumps(document), json.dumps(list(taken.responses)), [name for name in named if name.strip()]
    )
    graded = json.loads(text)
    graded["rows"] += [_refused_row(row) for row in taken.refused]
    _count_refused(graded, taken)
    files = [f"{refused.path}: {refused.reason}" for refused in taken.files]
    return Grading.from_dict({**graded, "notes": [*taken.notes, *files]})


def _refused_row(row: Mapping[str, Any]) -> dict[str, Any]:
    nothing = dict.fromkeys(("understood", "confidence", "brier", "log_score"))
    return {
        "row": row["row"],
        "learner": row["learner"],
        "question": row["question"],
        "outcome": "refused",
        "points": 0.0,
        "possible": 0.0,
        "right": False,
        "dangerous": False,
        "parts": [],
        "losses": [],
        "refusal": {"code": row["code"], "reason": row["reason"]},
        **nothing,
    }


def _count_refused(graded: dict[str, Any], taken: Answers) -> None:
    for learner in graded["learners"]:
        learner["refused"] += sum(row["learner"] == learner["learner"] for row in taken.refused)


def read_key(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a key file.

    Parameters
    ----------
    path : path
        ``key.json``.

    Raises
    ------
    InvalidDocumentError, FileMissingError, UnreadableFileError
    """
    document = read_json(Path(path), "key")
    if not isinstance(document, dict):
        reason = f"expected a key, got {type(document).__name__}"
        raise InvalidDocumentError(f"key: {path}: {reason}", parameter="key", reason=reason)
    return document


def rubric() -> dict[str, Any]:
    """Return the published rubric: version, parts, and every rule with the share it keeps.

    >>> rules = {rule["code"]: rule["kept"] for rule in rubric()["rules"]}
    >>> rules["unit_slip"], rules["near_miss"]
    (0.5, 0.3)
    """
    document: dict[str, Any] = json.loads(_exercise.exercise_rubric())
    return document


def brier_share(confidence: float, *, right: bool) -> float:
    """Share of the confidence's points that is kept, ``1 - (confidence - outcome)**2``.

    Parameters
    ----------
    confidence : float
        0 to 1.
    right : bool
        Whether the answer was right.

    Examples
    --------
    >>> brier_share(0.5, right=True)
    0.75
    """
    return _exercise.brier_share(confidence, right)


def log_score(confidence: float, *, right: bool) -> float | None:
    """Logarithmic score, natural logarithm; None where what came true was called impossible.

    Parameters
    ----------
    confidence : float
        0 to 1.
    right : bool
        Whether the answer was right.

    Examples
    --------
    >>> log_score(1.0, right=True), log_score(1.0, right=False)
    (0.0, None)
    """
    return _exercise.logarithmic_score(confidence, right)


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}"


def _csv(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows([_inert(cell) for cell in row] for row in rows)
    return buffer.getvalue()


def _inert(cell: object) -> object:
    """Keep a spreadsheet from taking a learner's text for a formula."""
    if not isinstance(cell, str) or cell[:1] not in ("=", "+", "-", "@", "\t"):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
