"""How well a figure finds what labels say is there: receiver operating characteristic and calibration."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import scipy.stats
import sklearn.metrics

from ..._refusals import refuse
from ..._result import FloatArray
from ..table import PATTERNS
from ._tables import arrow, bootstrap, check_fraction, clusters, complete, interval, numbers

__all__ = ["calibration", "calibration_summary", "roc", "roc_summary", "top_label"]


def roc(table: Any, *, score: str | Sequence[str], label: str, positive: Any) -> Any:
    """Give the receiver operating characteristic of a score.

    Parameters
    ----------
    table : table
        A fleet's table with a column of labels.
    score : str or sequence of str
        Column of the score, the higher the more positive; several are summed, as probabilities of several patterns.
    label : str
        Column of what is true.
    positive : object or sequence of objects
        The label, or the labels, that are to be found.

    Returns
    -------
    pyarrow.Table
        A row for each threshold, from the highest: ``threshold`` (a capture with this score or more is called positive;
        null in the first row, where none is), ``true_positive_rate``, ``false_positive_rate``, ``true_positives``,
        ``false_positives``.

    Raises
    ------
    InvalidCombinationError
        Labels of one kind alone.
    """
    scores, truth, _ = _scored(table, score, label, positive, None)
    false_rate, true_rate, thresholds = sklearn.metrics.roc_curve(truth, scores, drop_intermediate=False)
    positives = int(truth.sum())
    return pa.table(
        {
            "threshold": pa.array([None, *thresholds[1:].tolist()], pa.float64()),
            "true_positive_rate": true_rate,
            "false_positive_rate": false_rate,
            "true_positives": np.rint(true_rate * positives).astype(np.int64),
            "false_positives": np.rint(false_rate * (truth.size - positives)).astype(np.int64),
        }
    )


def roc_summary(
    table: Any,
    *,
    score: str | Sequence[str],
    label: str,
    positive: Any,
    vehicle: str | None = None,
    confidence: float = 0.95,
    resamples: int = 1_000,
    seed: int = 1,
) -> Any:
    """Give the area under the receiver operating characteristic with its interval.

    Parameters
    ----------
    table, score, label, positive
        As for :func:`roc`.
    vehicle : str, optional
        Column of the vehicle: the interval comes from drawing whole vehicles anew.
    confidence : float, optional
        Level of the interval.
    resamples : int, optional
        Bootstrap draws.
    seed : int, optional
        Seed of the draws.

    Returns
    -------
    pyarrow.Table
        One row: ``captures``, ``positives``, ``area``, ``area_low``, ``area_high``.
    """
    check_fraction("confidence", confidence)
    scores, truth, known = _scored(table, score, label, positive, vehicle)
    draws = bootstrap(
        clusters(known, vehicle), lambda rows: _area(scores[rows], truth[rows]), resamples=resamples, seed=seed
    )
    low, high = interval(draws, confidence)
    row = {"captures": truth.size, "positives": int(truth.sum()), "area": _area(scores, truth)}
    return pa.Table.from_pylist([row | {"area_low": float(low), "area_high": float(high)}])


def _area(scores: FloatArray, truth: Any) -> float | None:
    """Area as the probability that a positive scores above a negative (Mann-Whitney); None without both."""
    positives = int(truth.sum())
    negatives = truth.size - positives
    if not positives or not negatives:
        return None
    ranks = scipy.stats.rankdata(scores)
    return float((ranks[truth].sum() - positives * (positives + 1) / 2.0) / (positives * negatives))


def calibration(
    table: Any,
    *,
    score: str | Sequence[str],
    label: str,
    positive: Any,
    bins: int = 10,
    confidence: float = 0.95,
) -> Any:
    """Compare stated probabilities with how often they come true.

    Parameters
    ----------
    table, score, label, positive
        As for :func:`roc`; the score is a probability.
    bins : int, optional
        Bins of equal count; equal probabilities stay together, so there may be fewer.
    confidence : float, optional
        Level of the interval of the observed fraction (Wilson).

    Returns
    -------
    pyarrow.Table
        A row for each bin: ``captures``, ``lowest``, ``highest`` and ``mean_probability``, ``observed_fraction`` with
        ``observed_low`` and ``observed_high``.
    """
    check_fraction("confidence", confidence)
    scores, truth, _ = _probabilities(table, score, label, positive)
    rows = []
    for members in _bins(scores, bins):
        inside, hits = scores[members], int(truth[members].sum())
        bounds = scipy.stats.binomtest(hits, inside.size).proportion_ci(confidence, method="wilson")
        rows.append(
            {
                "captures": inside.size,
                "lowest": float(inside.min()),
                "highest": float(inside.max()),
                "mean_probability": float(inside.mean()),
                "observed_fraction": hits / inside.size,
                "observed_low": float(bounds.low),
                "observed_high": float(bounds.high),
            }
        )
    return pa.Table.from_pylist(rows)


def calibration_summary(table: Any, *, score: str | Sequence[str], label: str, positive: Any, bins: int = 10) -> Any:
    """Give the figures of a calibration.

    Parameters
    ----------
    table, score, label, positive, bins
        As for :func:`calibration`.

    Returns
    -------
    pyarrow.Table
        One row: ``captures``, ``brier_score`` (mean square of probability - outcome), ``expected_calibration_error``
        (mean of abs(mean probability - observed fraction) over the captures).
    """
    scores, truth, _ = _probabilities(table, score, label, positive)
    gaps = [members.size * abs(scores[members].mean() - truth[members].mean()) for members in _bins(scores, bins)]
    return pa.Table.from_pylist(
        [
            {
                "captures": truth.size,
                "brier_score": float(np.mean((scores - truth) ** 2)),
                "expected_calibration_error": float(sum(gaps) / truth.size),
            }
        ]
    )


def top_label(table: Any, *, label: str) -> Any:
    """Reduce the probabilities of the patterns to that of the likeliest, and whether it is the true one.

    Parameters
    ----------
    table : table
        A fleet's table with a column of labels.
    label : str
        Column of the true pattern.

    Returns
    -------
    pyarrow.Table
        For each capture with a label and probabilities: ``label``, ``top_pattern``, ``top_probability``,
        ``top_correct``; what :func:`calibration` takes with ``score="top_probability"``, ``label="top_correct"``,
        ``positive=True``.
    """
    columns = [f"rectifier_probabilities_{pattern}" for pattern in PATTERNS]
    known = complete(arrow(table, [label, *columns]), [label, *columns])
    probabilities = np.column_stack([numbers(known, name) for name in columns])
    best = probabilities.argmax(axis=1)
    names = [PATTERNS[i] for i in best]
    truth = known.column(label).to_pylist()
    return pa.table(
        {
            "label": truth,
            "top_pattern": names,
            "top_probability": probabilities.max(axis=1),
            "top_correct": [name == true for name, true in zip(names, truth, strict=True)],
        }
    )


def _scored(
    table: Any, score: str | Sequence[str], label: str, positive: Any, vehicle: str | None
) -> tuple[FloatArray, Any, Any]:
    columns = [score] if isinstance(score, str) else list(score)
    needed = [*columns, label, *([vehicle] if vehicle else [])]
    known = complete(arrow(table, needed), needed)
    wanted = positive if isinstance(positive, list | tuple | set | frozenset) else [positive]
    truth = np.array([value in wanted for value in known.column(label).to_pylist()], dtype=bool)
    if truth.all() or not truth.any():
        raise refuse("label", f'the column "{label}" has labels of one kind alone among {truth.size} captures')
    scores = np.sum([numbers(known, name) for name in columns], axis=0)
    return scores, truth, known


def _probabilities(table: Any, score: str | Sequence[str], label: str, positive: Any) -> tuple[FloatArray, Any, Any]:
    scores, truth, known = _scored(table, score, label, positive, None)
    if scores.min() < 0.0 or scores.max() > 1.0 + 1e-9:
        raise refuse("score", f"probabilities lie in 0 to 1, found {scores.min():g} to {scores.max():g}")
    return scores, truth, known


def _bins(scores: FloatArray, bins: int) -> list[Any]:
    """Cut sorted scores into bins of equal count, moving a cut to the end of equal scores."""
    if bins < 1:
        raise refuse("bins", f"expected a whole number from 1, got {bins}")
    order = np.argsort(scores, kind="stable")
    ordered = scores[order]
    aims = np.linspace(0, scores.size, bins + 1)[1:-1].astype(np.intp)
    cuts = np.unique([np.searchsorted(ordered, ordered[min(aim, scores.size - 1)]) for aim in aims])
    return [piece for piece in np.split(order, cuts) if piece.size]
