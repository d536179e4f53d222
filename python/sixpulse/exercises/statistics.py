"""How well the questions of a graded class work: classical item statistics and the Rasch model.

Classical figures are those of the textbooks (Crocker and Algina, *Introduction to Classical and Modern Test Theory*,
1986, from memory): difficulty is the mean share of points, discrimination the correlation of an item with the total of
the others, KR-20 and alpha the internal consistency. The Rasch model is fitted by conditional maximum likelihood
(Andersen, J. R. Stat. Soc. B 32:283-301, 1970), learners' abilities by Warm's weighted likelihood (Psychometrika
54:427-450, 1989).

What a small class cannot tell is None with a reason, never a number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .._result import FloatArray, Result
from ..errors import NonFiniteError, OutOfRangeError, ShapeError
from ._grading import GradedRow, Grading

__all__ = [
    "ClassStatistics",
    "ItemStatistics",
    "OptionCount",
    "RaschModel",
    "analyse",
    "cronbach_alpha",
    "discrimination",
    "kr20",
    "rank_correlation",
    "rasch",
]

#: Learners below which neither discrimination nor consistency is stated.
LEAST_LEARNERS = 5
_STEPS = 100


@dataclass(frozen=True, eq=False, repr=False)
class OptionCount(Result):
    """How often an option was chosen.

    Attributes
    ----------
    code, label : str
        The option.
    right : bool
        Whether it is (part of) the right answer.
    chosen : int
        By how many learners.
    upper, lower : int
        By how many of the better and of the weaker half of the class (the middle one of an odd class is left out).
    """

    code: str
    label: str
    right: bool
    chosen: int
    upper: int
    lower: int


@dataclass(frozen=True, eq=False, repr=False)
class ItemStatistics(Result):
    """One question over the class.

    Attributes
    ----------
    question, kind : str
        Which.
    answered : int
        Learners whose answer was graded.
    mean_share : float
        Difficulty: mean share of points over all learners, 0 (hard) to 1 (easy).
    share_right : float
        Share of all learners whose answer was right in full.
    discrimination : float or None
        Correlation of the points with the total of the other questions; None in a small class or where all scored
        alike.
    options : tuple of OptionCount
        Options and how often they were chosen; empty for numbers.
    slips : dict of str to int
        Rules by which points were lost, with their number.
    rasch_difficulty, rasch_std : float or None
        Rasch difficulty in logits (sum over the questions 0) with its standard error.
    remark : str
        What is worth a look; empty where nothing is.
    """

    question: str
    kind: str
    answered: int
    mean_share: float
    share_right: float
    discrimination: float | None
    options: tuple[OptionCount, ...]
    slips: dict[str, int]
    rasch_difficulty: float | None
    rasch_std: float | None
    remark: str


@dataclass(frozen=True, eq=False, repr=False)
class ClassStatistics(Result):
    """A class over its questions.

    Attributes
    ----------
    learners : int
        Learners.
    mean_share, std_share : float
        Mean and standard deviation of the learners' share of points.
    alpha : float or None
        Cronbach's alpha of the points.
    kr20 : float or None
        Kuder and Richardson's formula 20 of the answers right in full.
    standard_error : float or None
        Standard error of measurement of a learner's points, ``std sqrt(1 - alpha)``.
    difficulty_correlation : float or None
        Spearman's rank correlation between the items' built difficulty and the share of points lost on them.
    abilities : dict of str to float
        Rasch ability of each learner in logits (Warm); empty where the model could not be fitted.
    rasch_reason : str
        Why the Rasch model could not be fitted; empty where it was.
    items : tuple of ItemStatistics
        Questions in order.
    """

    learners: int
    mean_share: float
    std_share: float
    alpha: float | None
    kr20: float | None
    standard_error: float | None
    difficulty_correlation: float | None
    abilities: dict[str, float]
    rasch_reason: str
    items: tuple[ItemStatistics, ...]


@dataclass(frozen=True, eq=False, repr=False)
class RaschModel(Result):
    """A Rasch model of right and wrong answers.

    Attributes
    ----------
    difficulty : ndarray
        Of each fitted item, logits; their sum is 0. An item that all or none answered right has no estimate.
    difficulty_std : ndarray
        Standard errors.
    fitted : ndarray
        Positions of the items that were fitted, as floats of whole numbers.
    ability_by_score : ndarray
        Warm's ability for 0, 1 ... right answers among the fitted items, logits.
    log_likelihood : float
        Conditional log-likelihood at the estimate.
    iterations : int
        Newton steps that it took.
    """

    difficulty: FloatArray
    difficulty_std: FloatArray
    fitted: FloatArray
    ability_by_score: FloatArray
    log_likelihood: float
    iterations: int


def analyse(grading: Grading, key: Mapping[str, Any]) -> ClassStatistics:
    """Work out the statistics of a graded class.

    Parameters
    ----------
    grading : Grading
        From :func:`sixpulse.exercises.grade`.
    key : mapping
        The key that it was graded by.

    Returns
    -------
    ClassStatistics
    """
    names = [learner.learner for learner in grading.learners]
    questions = [entry["question"] for entry in key["questions"]]
    rows = _by_place(grading.rows, {question["id"] for question in questions})
    points = np.array([[_points(rows, name, q["id"]) for q in questions] for name in names]).reshape(
        len(names), len(questions)
    )
    right = np.array([[_right(rows, name, q["id"]) for q in questions] for name in names], dtype=float).reshape(
        points.shape
    )
    possible = np.array([question["points"] for question in questions])
    shares = points.sum(axis=1) / possible.sum() if names else np.zeros(0)
    model, reason = _fitted(right)
    table = _Table(names, points, right, shares)
    alpha = _or_none(cronbach_alpha, points)
    items = tuple(_item(entry, place, rows, table=table, model=model) for place, entry in enumerate(key["questions"]))
    spread = float(np.std(points.sum(axis=1), ddof=1)) if len(names) > 1 else 0.0
    return ClassStatistics(
        learners=len(names),
        mean_share=float(shares.mean()) if names else 0.0,
        std_share=float(np.std(shares, ddof=1)) if len(names) > 1 else 0.0,
        alpha=alpha,
        kr20=_or_none(kr20, right),
        standard_error=None if alpha is None else spread * float(np.sqrt(max(0.0, 1.0 - alpha))),
        difficulty_correlation=_built_against_seen(key, items),
        abilities={} if model is None else _abilities(model, right, names),
        rasch_reason=reason,
        items=items,
    )


def cronbach_alpha(points: ArrayLike) -> float:
    """Cronbach's alpha, ``k / (k - 1) (1 - sum of item variances / variance of totals)``.

    Parameters
    ----------
    points : array_like
        One row for each learner, one column for each item; at least two of each.

    Returns
    -------
    float
        1 at most; below 0 where items oppose each other.

    Raises
    ------
    ShapeError, NonFiniteError, OutOfRangeError
        Too few rows or columns, a value that is not finite, totals that do not vary.

    Examples
    --------
    >>> cronbach_alpha([[1, 1], [2, 2], [4, 4]])
    1.0
    """
    table = _table("points", points)
    totals = table.sum(axis=1).var(ddof=1)
    if totals <= 0.0:
        raise OutOfRangeError(
            "points: expected totals that vary, got equal totals",
            parameter="points",
            expected="totals that vary",
            actual=float(totals),
        )
    count = table.shape[1]
    return float(count / (count - 1) * (1.0 - table.var(axis=0, ddof=1).sum() / totals))


def kr20(right: ArrayLike) -> float:
    """Kuder and Richardson's formula 20: alpha of answers that are right (1) or wrong (0).

    Parameters
    ----------
    right : array_like
        One row for each learner, one column for each item, 0 and 1 only.

    Raises
    ------
    ShapeError, NonFiniteError, OutOfRangeError

    Examples
    --------
    >>> round(kr20([[1, 1, 1], [1, 1, 0], [1, 0, 0], [0, 0, 0]]), 3)
    0.75
    """
    return cronbach_alpha(_binary("right", right))


def discrimination(points: ArrayLike, item: int) -> float | None:
    """Correlation of one item with the total of the others (the corrected item-total correlation).

    Parameters
    ----------
    points : array_like
        One row for each learner, one column for each item.
    item : int
        Column.

    Returns
    -------
    float or None
        -1 to 1; None where the item or the rest does not vary.

    Raises
    ------
    ShapeError, NonFiniteError
    """
    table = _table("points", points)
    own = table[:, item]
    rest = table.sum(axis=1) - own
    if np.ptp(own) == 0.0 or np.ptp(rest) == 0.0:
        return None
    return float(np.corrcoef(own, rest)[0, 1])


def rank_correlation(first: ArrayLike, second: ArrayLike) -> float | None:
    """Spearman's rank correlation, equal values sharing their mean rank; None where one does not vary.

    Parameters
    ----------
    first, second : array_like
        Equally long, three values or more.

    Raises
    ------
    ShapeError

    Examples
    --------
    >>> rank_correlation([1, 2, 3, 4], [1, 4, 9, 16])
    1.0
    """
    one, two = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.ndim != 1 or one.shape != two.shape or one.size < 3:
        raise _shape("first", "two lists of one length, three or more", one.shape)
    ranks = [_ranks(one), _ranks(two)]
    if np.ptp(ranks[0]) == 0.0 or np.ptp(ranks[1]) == 0.0:
        return None
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def rasch(right: ArrayLike) -> RaschModel:
    """Fit the Rasch model by conditional maximum likelihood.

    The probability that learner v answers item i right is ``1 / (1 + exp(b_i - theta_v))``. Given a learner's score the
    ability drops out of the likelihood, so that the items' difficulties do not depend on who sat in the class. Items
    that all or none answered right, and learners with no or all answers right, carry no information and are left out.

    Parameters
    ----------
    right : array_like
        One row for each learner, one column for each item, 0 and 1 only.

    Returns
    -------
    RaschModel

    Raises
    ------
    ShapeError, NonFiniteError, OutOfRangeError
        Too few rows or columns, values other than 0 and 1, fewer than two items to fit, or a table whose maximum lies
        at infinity (the items fall into groups, one of which is always answered better).
    """
    table = _binary("right", right)
    fitted = np.flatnonzero((table.mean(axis=0) > 0.0) & (table.mean(axis=0) < 1.0))
    kept = table[:, fitted]
    scores = kept.sum(axis=1).astype(int)
    informative = (scores > 0) & (scores < fitted.size)
    if fitted.size < 2 or not informative.any() or not _connected(kept[informative]):
        raise OutOfRangeError(
            "right: expected items that learners got wrong as well as right, without groups that part them",
            parameter="right",
            expected="a table whose maximum is finite",
            actual=float(fitted.size),
        )
    counts = np.bincount(scores[informative], minlength=fitted.size + 1).astype(float)
    sums = kept[informative].sum(axis=0)
    b, information, iterations = _newton(sums, counts)
    # The mean of the difficulties is fixed: the covariance is the generalised inverse on what is left.
    std = np.sqrt(np.maximum(np.diag(np.linalg.pinv(information)), 0.0))
    gamma = _symmetric(np.exp(-b))
    likelihood = float(-(sums @ b) - counts[1 : fitted.size] @ np.log(gamma[1 : fitted.size]))
    abilities = np.array([_warm(score, b) for score in range(fitted.size + 1)])
    return RaschModel(b, std, fitted.astype(float), abilities, likelihood, iterations)


def _symmetric(e: FloatArray) -> FloatArray:
    """Elementary symmetric functions of order 0 to k, by adding one item after the other."""
    gamma = np.zeros(e.size + 1)
    gamma[0] = 1.0
    for place, value in enumerate(e):
        gamma[1 : place + 2] += value * gamma[: place + 1]
    return gamma


def _expected(e: FloatArray, counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Expected item sums given the scores, and their covariance."""
    k = e.size
    gamma = _symmetric(e)
    one = np.array([_symmetric(np.delete(e, i)) for i in range(k)])
    first = np.zeros(k)
    second = np.zeros((k, k))
    for score in range(1, k):
        share = e * one[:, score - 1] / gamma[score]
        first += counts[score] * share
        both = np.zeros((k, k))
        if score >= 2:
            for i in range(k):
                for j in range(i):
                    pair = _symmetric(np.delete(e, [i, j]))[score - 2]
                    both[i, j] = both[j, i] = e[i] * e[j] * pair / gamma[score]
        np.fill_diagonal(both, share)
        second += counts[score] * (both - np.outer(share, share))
    return first, second


def _newton(sums: FloatArray, counts: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    total = counts.sum()
    b = -np.log(sums / (total - sums))
    b -= b.mean()
    information = np.eye(b.size)
    for iteration in range(1, _STEPS + 1):
        expected, information = _expected(np.exp(-b), counts)
        step = np.linalg.pinv(information) @ (expected - sums)
        # A logit at a time keeps Newton's steps inside the region where the likelihood is well rounded.
        b = b + step * min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-300))
        b -= b.mean()
        if float(np.abs(step).max()) < 1e-10:
            return b, information, iteration
    raise OutOfRangeError(
        "right: no finite maximum was found", parameter="right", expected="a finite maximum", actual=float(_STEPS)
    )


def _connected(kept: FloatArray) -> bool:
    """Fischer's condition: from every item a chain of learners right here and wrong there leads to every other."""
    reach = (kept.T @ (1.0 - kept) > 0.0) | np.eye(kept.shape[1], dtype=bool)
    for _ in range(int(np.ceil(np.log2(max(2, kept.shape[1])))) + 1):
        reach = (reach.astype(float) @ reach.astype(float)) > 0.0
    return bool(reach.all())


def _warm(score: int, b: FloatArray) -> float:
    """Warm's weighted likelihood estimate of the ability: finite for no and all answers right as well."""
    low, high = -20.0, 20.0
    for _ in range(80):
        theta = 0.5 * (low + high)
        p = 1.0 / (1.0 + np.exp(b - theta))
        weight = p * (1.0 - p)
        slope = score - p.sum() + float((weight * (1.0 - 2.0 * p)).sum() / (2.0 * weight.sum()))
        low, high = (theta, high) if slope > 0.0 else (low, theta)
    return 0.5 * (low + high)


def _fitted(right: FloatArray) -> tuple[RaschModel | None, str]:
    if right.shape[0] < LEAST_LEARNERS:
        return None, f"{right.shape[0]} learners; the model is fitted from {LEAST_LEARNERS} on"
    try:
        return rasch(right), ""
    except (ShapeError, OutOfRangeError) as error:
        return None, str(error)


def _abilities(model: RaschModel, right: FloatArray, names: Sequence[str]) -> dict[str, float]:
    scores = right[:, model.fitted.astype(int)].sum(axis=1).astype(int)
    return {name: float(model.ability_by_score[score]) for name, score in zip(names, scores, strict=True)}


def _or_none(figure: Any, table: FloatArray) -> float | None:
    if table.shape[0] < LEAST_LEARNERS:
        return None
    try:
        value: float = figure(table)
    except (ShapeError, OutOfRangeError):
        return None
    return value


def _by_place(rows: Iterable[GradedRow], known: set[str]) -> dict[tuple[str, str], GradedRow]:
    """The row that counts for each learner and question: the graded one, else any other."""
    places: dict[tuple[str, str], GradedRow] = {}
    for row in rows:
        if row.question in known and (row.outcome == "graded" or (row.learner, row.question) not in places):
            places[row.learner, row.question] = row
    return places


def _points(rows: Mapping[tuple[str, str], GradedRow], name: str, question: str) -> float:
    row = rows.get((name, question))
    return row.points if row is not None else 0.0


def _right(rows: Mapping[tuple[str, str], GradedRow], name: str, question: str) -> bool:
    row = rows.get((name, question))
    return row is not None and row.right


@dataclass(frozen=True)
class _Table:
    """A class: learners by questions."""

    names: Sequence[str]
    points: FloatArray
    right: FloatArray
    shares: FloatArray


def _item(
    entry: Mapping[str, Any],
    place: int,
    rows: Mapping[tuple[str, str], GradedRow],
    *,
    table: _Table,
    model: RaschModel | None,
) -> ItemStatistics:
    question = entry["question"]
    names, points, right, shares = table.names, table.points, table.right, table.shares
    own = [row for name in names if (row := rows.get((name, question["id"]))) is not None]
    graded = [row for row in own if row.outcome == "graded"]
    enough = len(names) >= LEAST_LEARNERS and points.shape[1] >= 2
    found = discrimination(points, place) if enough else None
    slips: dict[str, int] = {}
    for row in own:
        for loss in row.losses:
            slips[loss.code] = slips.get(loss.code, 0) + 1
    at = np.flatnonzero(model.fitted == place) if model is not None else np.zeros(0, dtype=int)
    fitted = model is not None and at.size == 1
    options = _options(entry, graded, names, shares)
    return ItemStatistics(
        question=question["id"],
        kind=question["kind"],
        answered=len(graded),
        mean_share=float(points[:, place].mean() / question["points"]) if names else 0.0,
        share_right=float(right[:, place].mean()) if names else 0.0,
        discrimination=found,
        options=options,
        slips=dict(sorted(slips.items())),
        rasch_difficulty=float(model.difficulty[at[0]]) if model is not None and fitted else None,
        rasch_std=float(model.difficulty_std[at[0]]) if model is not None and fitted else None,
        remark=_remark(found, options, len(graded)),
    )


def _right_codes(answer: Mapping[str, Any]) -> list[str]:
    if answer["form"] == "choice":
        return [answer["code"]]
    return list(answer["codes"]) if answer["form"] == "set" else []


def _options(
    entry: Mapping[str, Any], graded: Sequence[GradedRow], names: Sequence[str], shares: FloatArray
) -> tuple[OptionCount, ...]:
    if entry["question"]["form"] not in ("choice", "set"):
        return ()
    order = [names[i] for i in np.argsort(-shares, kind="stable")]
    half = len(order) // 2
    upper, lower = set(order[:half]), set(order[len(order) - half :])
    right = _right_codes(entry["answer"])
    chosen = [(row.learner, (row.understood or "").split(",")) for row in graded]
    counts = []
    for option in entry["question"]["options"]:
        who = [learner for learner, codes in chosen if option["code"] in codes]
        counts.append(
            OptionCount(
                code=option["code"],
                label=option["label"],
                right=option["code"] in right,
                chosen=len(who),
                upper=sum(name in upper for name in who),
                lower=sum(name in lower for name in who),
            )
        )
    return tuple(counts)


def _remark(found: float | None, options: Sequence[OptionCount], answered: int) -> str:
    if found is not None and found < 0.0:
        return "the better learners do worse here: look at the key and the wording"
    misleading = [option.label for option in options if not option.right and option.upper > option.lower]
    if misleading and answered >= LEAST_LEARNERS:
        return f"the better half prefers option {', '.join(misleading)} more than the weaker half does"
    return ""


def _built_against_seen(key: Mapping[str, Any], items: Sequence[ItemStatistics]) -> float | None:
    """Rank correlation of built difficulty and points lost, item by item."""
    lost: dict[str, list[float]] = {}
    for entry, item in zip(key["questions"], items, strict=True):
        if entry["question"]["item"] is not None:
            lost.setdefault(entry["question"]["item"], []).append(1.0 - item.mean_share)
    pairs = [
        (item["difficulty"]["value"], float(np.mean(lost[item["id"]]))) for item in key["items"] if item["id"] in lost
    ]
    if len(pairs) < 3:
        return None
    return rank_correlation([built for built, _ in pairs], [seen for _, seen in pairs])


def _ranks(values: FloatArray) -> FloatArray:
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    middle = last - (counts - 1) / 2.0
    ranks: FloatArray = middle[inverse]
    return ranks


def _table(parameter: str, values: ArrayLike) -> FloatArray:
    table = np.asarray(values, dtype=float)
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] < 2:
        raise _shape(parameter, "two rows and two columns at least", table.shape)
    if not np.isfinite(table).all():
        index = int(np.flatnonzero(~np.isfinite(table).ravel())[0])
        raise NonFiniteError(f"{parameter}: value {index} is not finite", parameter=parameter, index=index)
    return table


def _binary(parameter: str, values: ArrayLike) -> FloatArray:
    table = _table(parameter, values)
    wrong = table[(table != 0.0) & (table != 1.0)]
    if wrong.size:
        raise OutOfRangeError(
            f"{parameter}: expected 0 or 1, got {wrong[0]:g}",
            parameter=parameter,
            expected="0 or 1",
            actual=float(wrong[0]),
        )
    return table


def _shape(parameter: str, expected: str, shape: tuple[int, ...]) -> ShapeError:
    return ShapeError(
        f"{parameter}: expected {expected}, got {shape}", parameter=parameter, expected=expected, actual=shape
    )
