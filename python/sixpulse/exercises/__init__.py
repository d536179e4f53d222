"""Graded exercises with known truth: build a set, hand it out, grade the answers, learn about the questions.

A trainer writes a short author's file (YAML, TOML or JSON): goals, patterns, distractors, difficulty, number, seed.
:func:`build` draws simulated captures, lets the library examine each one, keeps those whose truth can be recovered (or
is marked as not determinable), and writes a folder for the learners and, apart from it, a sealed key for the trainer.
:func:`grade` reads the answers, gives partial credit by a published rubric with a reason for every point lost, and
:mod:`sixpulse.exercises.statistics` says how well each question works.

>>> from sixpulse import exercises
>>> made = exercises.build({"title": "A first look", "seed": 3, "count": 1, "goals": ["read_level"],
...     "patterns": ["healthy"], "difficulty": {"from": 0.3, "to": 0.3, "within": 0.3}})
>>> made.questions["questions"][0]["text"]
'Which level (mean voltage) does channel 1 show?'
>>> right = made.key["questions"][0]["answer"]["value"]
>>> graded = exercises.grade(made.key, [
...     {"learner": "ada", "question": "item-01-1", "answer": f"{right:.2f} V", "confidence": "90 %"},
...     {"learner": "bo", "question": "item-01-1", "answer": f"{1000 * right:.0f}", "confidence": "90 %"},
... ])
>>> [(learner.learner, learner.points) for learner in graded.learners]
[('ada', 9.98), ('bo', 4.38)]
>>> [loss.code for loss in graded.rows[1].losses]
['unit_slip', 'confidence_off']
"""

from __future__ import annotations

from . import statistics
from ._answers import Answers, FileRefusal, read_answers
from ._build import Exercise, Seal, build, difficulty, new_seed, verify_seal
from ._documents import author_schema, courses, read_author
from ._grading import (
    GradedRow,
    Grading,
    LearnerResult,
    Loss,
    Part,
    Refusal,
    brier_share,
    grade,
    log_score,
    read_key,
    rubric,
)

__all__ = [
    "Answers",
    "Exercise",
    "FileRefusal",
    "GradedRow",
    "Grading",
    "LearnerResult",
    "Loss",
    "Part",
    "Refusal",
    "Seal",
    "author_schema",
    "brier_share",
    "build",
    "courses",
    "difficulty",
    "grade",
    "log_score",
    "new_seed",
    "read_answers",
    "read_author",
    "read_key",
    "rubric",
    "statistics",
    "verify_seal",
]
