"""Agreement of two ways to measure the same: two posts, two methods."""

from __future__ import annotations

import itertools
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import scipy.stats

from ..._refusals import refuse
from ..._result import FloatArray
from ...errors import UnknownNameError
from ._tables import arrow, bootstrap, check_fraction, clusters, complete, interval, numbers

__all__ = ["agreement"]

Scale = Literal["difference", "ratio"]


def agreement(
    table: Any,
    *,
    first: str,
    second: str,
    vehicle: str | None = None,
    scale: Scale = "difference",
    coverage: float = 0.95,
    confidence: float = 0.95,
    resamples: int = 1_000,
    seed: int = 1,
) -> Any:
    """Give bias and limits of agreement of two columns (Bland and Altman).

    Parameters
    ----------
    table : table
        A fleet's table.
    first, second : str
        Columns that measure the same, such as the ripple at the two posts.
    vehicle : str, optional
        Column of the vehicle, where it was captured several times: the limits then hold for a capture of a new vehicle
        (variance between vehicles + variance within), and intervals come from drawing whole vehicles anew.
    scale : {"difference", "ratio"}, optional
        Compare by first - second, or by first / second (both positive).
    coverage : float, optional
        Part of the comparisons between the limits, for normal scatter (of the logarithm, for ratios).
    confidence : float, optional
        Level of the intervals.
    resamples : int, optional
        Bootstrap draws, with `vehicle`.
    seed : int, optional
        Seed of the draws.

    Returns
    -------
    pyarrow.Table
        One row: ``captures``, ``vehicles``, ``scale``, ``bias``, ``lower_limit`` and ``upper_limit``, each with
        ``…_from`` and ``…_to``; ``scatter`` (standard deviation of the comparison; of its natural logarithm for
        ratios); ``trend_p`` (probability of such a rank correlation between comparison and mean by chance, of captures
        taken as independent: where it is small the bias depends on the size).

    Raises
    ------
    InvalidCombinationError
        Fewer than 3 captures or vehicles, or a ratio of figures that are not positive.

    Notes
    -----
    J. M. Bland and D. G. Altman, Lancet 327 (1986) 307-310; intervals of the limits: Stat. Methods Med. Res. 8 (1999)
    135-160; several captures of a vehicle: J. Biopharm. Stat. 17 (2007) 571-582, section 3 (one-way analysis of
    variance; a negative variance between vehicles counts as 0).
    """
    for name, fraction in (("coverage", coverage), ("confidence", confidence)):
        check_fraction(name, fraction)
    if scale not in ("difference", "ratio"):
        message = f'scale: expected difference or ratio, got "{scale}"'
        raise UnknownNameError(message, parameter="scale", expected="difference or ratio", actual=str(scale))
    needed = [first, second, *([vehicle] if vehicle else [])]
    known = complete(arrow(table, needed), needed)
    compared, means = _compared(numbers(known, first), numbers(known, second), scale)
    groups = clusters(known, vehicle)
    if len(groups) < 3:
        what = "vehicles" if vehicle else "captures"
        raise refuse("table", f"{len(groups)} {what} to compare, at least 3 are needed")
    z = float(scipy.stats.norm.ppf(0.5 + coverage / 2.0))
    figures = _figures(compared, groups, z)
    if vehicle is None:
        low, high = _normal_intervals(figures, compared, z, confidence)
    else:
        low, high = _bootstrap_intervals(compared, groups, z, confidence=confidence, resamples=resamples, seed=seed)
    back = np.exp if scale == "ratio" else np.asarray
    row: dict[str, Any] = {
        "captures": compared.size,
        "vehicles": len(groups) if vehicle else None,
        "scale": scale,
        "scatter": float(_spread(compared, groups)),
        "trend_p": _finite(scipy.stats.kendalltau(means, compared).pvalue),
    }
    for i, name in enumerate(("bias", "lower_limit", "upper_limit")):
        row |= {name: float(back(figures[i])), f"{name}_from": float(back(low[i])), f"{name}_to": float(back(high[i]))}
    return pa.Table.from_pylist([row])


def _compared(first: FloatArray, second: FloatArray, scale: str) -> tuple[FloatArray, FloatArray]:
    """Return what is compared, and the size it belongs to."""
    if scale == "difference":
        return first - second, (first + second) / 2.0
    if min(first.min(initial=1.0), second.min(initial=1.0)) <= 0.0:
        raise refuse("scale", "a ratio needs positive figures")
    return np.log(first / second), np.log(first * second) / 2.0


def _figures(compared: FloatArray, groups: list[Any], z: float) -> FloatArray:
    spread = _spread(compared, groups)
    bias = compared.mean()
    return np.array([bias, bias - z * spread, bias + z * spread])


def _spread(compared: FloatArray, groups: list[Any]) -> float:
    """Standard deviation of one comparison in a new vehicle: between and within vehicles."""
    counts = np.array([rows.size for rows in groups], dtype=np.float64)
    total, k = counts.sum(), len(groups)
    if total == k:
        return float(compared.std(ddof=1))
    means = np.array([compared[rows].mean() for rows in groups])
    within = sum(((compared[rows] - mean) ** 2).sum() for rows, mean in zip(groups, means, strict=True)) / (total - k)
    between = (counts * (means - compared.mean()) ** 2).sum() / (k - 1)
    typical = (total**2 - (counts**2).sum()) / ((k - 1) * total)
    return float(np.sqrt(within + max(0.0, (between - within) / typical)))


def _normal_intervals(
    figures: FloatArray, compared: FloatArray, z: float, confidence: float
) -> tuple[FloatArray, FloatArray]:
    count = compared.size
    spread = compared.std(ddof=1)
    limit = np.sqrt(1.0 / count + z**2 / (2.0 * (count - 1)))
    half = scipy.stats.t.ppf(0.5 + confidence / 2.0, count - 1) * spread * np.array([count**-0.5, limit, limit])
    return figures - half, figures + half


def _bootstrap_intervals(
    compared: FloatArray, groups: list[Any], z: float, *, confidence: float, resamples: int, seed: int
) -> tuple[Any, Any]:
    # Each draw is a sequence of vehicles; one drawn twice counts as two.
    index = [np.array([i]) for i in range(len(groups))]

    def of(drawn: Any) -> FloatArray:
        pieces = [compared[groups[i]] for i in drawn]
        edges = np.cumsum([0, *(piece.size for piece in pieces)])
        regrouped = [np.arange(a, b) for a, b in itertools.pairwise(edges)]
        return _figures(np.concatenate(pieces), regrouped, z)

    return interval(bootstrap(index, of, resamples=resamples, seed=seed), confidence)


def _finite(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None
