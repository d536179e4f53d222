"""What is usual among healthy captures, and which captures are not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..._refusals import refuse
from ..._result import FloatArray
from ._tables import arrow, bootstrap, check_fraction, clusters, complete, interval, numbers, split

__all__ = ["healthy_ranges", "outliers"]

_FIGURES = (
    "low_from",
    "low",
    "low_to",
    "median_from",
    "median",
    "median_to",
    "high_from",
    "high",
    "high_to",
)


def healthy_ranges(
    table: Any,
    *,
    values: Sequence[str],
    group: str | Sequence[str] = (),
    vehicle: str | None = None,
    healthy: str | None = None,
    coverage: float = 0.95,
    confidence: float = 0.90,
    fence: float = 3.0,
    resamples: int = 1_000,
    seed: int = 1,
) -> Any:
    """Give for each group the range that the middle of its healthy captures spans.

    Parameters
    ----------
    table : table
        A fleet's table.
    values : sequence of str
        Columns of figures.
    group : str or sequence of str, optional
        Columns that divide the captures; all are one group when not given.
    vehicle : str, optional
        Column of the vehicle: intervals from drawing whole vehicles anew.
    healthy : str, optional
        Boolean column of the captures to take; those examined as usable and healthy when not given.
    coverage : float, optional
        Part of the healthy captures inside the range.
    confidence : float, optional
        Level of the intervals of low end, median and high end.
    fence : float, optional
        Captures further than this many interquartile ranges outside the quartiles are left out (Tukey's far out).
    resamples : int, optional
        Bootstrap draws.
    seed : int, optional
        Seed of the draws.

    Returns
    -------
    pyarrow.Table
        A row for each group and figure: the group, ``value`` (name of the figure), ``captures``, ``vehicles``,
        ``left_out``, ``low``, ``median`` and ``high`` each with ``…_from`` and ``…_to``, and ``reason`` where they are
        null: fewer captures than 2 / (1 - coverage), so that an end of the range would lie beyond the extremes.

    Notes
    -----
    Quantiles of sorted values by the estimator that is median-unbiased whatever the distribution (Hyndman and Fan,
    Am. Stat. 50, 1996, definition 8); percentile bootstrap.
    """
    for name, fraction in (("coverage", coverage), ("confidence", confidence)):
        check_fraction(name, fraction)
    keys = [group] if isinstance(group, str) else list(group)
    flags = ["error_code", "quality_usable", "rectifier_pattern"] if healthy is None else [healthy]
    known = arrow(table, [*values, *keys, *([vehicle] if vehicle else []), *flags])
    chosen = known.filter(_healthy(known, healthy))
    manner = _Manner(vehicle, coverage, confidence, fence, resamples, seed)
    rows = []
    for name in values:
        figures = complete(chosen, [name, *([vehicle] if vehicle else [])])
        for key, members in _groups(figures, keys):
            found = _range(figures.take(pa.array(members)), name, manner)
            rows.append(dict(zip(keys, key, strict=True)) | {"value": name} | found)
    fields = [known.schema.field(k).remove_metadata() for k in keys]
    fields += [pa.field("value", pa.string())]
    fields += [pa.field(n, pa.int64()) for n in ("captures", "vehicles", "left_out")]
    fields += [pa.field(n, pa.float64()) for n in _FIGURES] + [pa.field("reason", pa.string())]
    return pa.Table.from_pylist(rows, schema=pa.schema(fields))


def _groups(table: Any, keys: Sequence[str]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Yield the values of the dividing columns with the rows that have them."""
    if not keys:
        return iter([((), np.arange(table.num_rows))] if table.num_rows else [])
    return split(list(zip(*(table.column(key).to_pylist() for key in keys), strict=True)))


def _healthy(table: Any, column: str | None) -> Any:
    if column is not None:
        if not pa.types.is_boolean(table.column(column).type):
            raise refuse("healthy", f'the column "{column}" is not boolean')
        return table.column(column)
    examined = pc.and_kleene(pc.is_null(table.column("error_code")), table.column("quality_usable"))
    return pc.and_kleene(examined, pc.equal(table.column("rectifier_pattern"), "healthy"))


@dataclass(frozen=True)
class _Manner:
    """How a range is taken."""

    vehicle: str | None
    coverage: float
    confidence: float
    fence: float
    resamples: int
    seed: int


def _range(part: Any, name: str, manner: _Manner) -> dict[str, Any]:
    figures = numbers(part, name)
    lower, upper = np.quantile(figures, [0.25, 0.75])
    reach = manner.fence * (upper - lower)
    inside = (figures >= lower - reach) & (figures <= upper + reach)
    part, kept = part.filter(pa.array(inside)), figures[inside]
    groups = clusters(part, manner.vehicle)
    found: dict[str, Any] = {
        "captures": int(kept.size),
        "vehicles": len(groups) if manner.vehicle else None,
        "left_out": int(np.count_nonzero(~inside)),
    }
    fewest = int(np.ceil(2.0 / (1.0 - manner.coverage)))
    if kept.size < fewest:
        return found | {"reason": f"{kept.size} captures, at least {fewest} are needed"}
    tail = (1.0 - manner.coverage) / 2.0
    levels = [tail, 0.5, 1.0 - tail]
    middle = _quantiles(kept, levels)
    draws = bootstrap(groups, lambda rows: _quantiles(kept[rows], levels), resamples=manner.resamples, seed=manner.seed)
    low, high = interval(draws, manner.confidence)
    for i, end in enumerate(("low", "median", "high")):
        found |= {f"{end}_from": float(low[i]), end: float(middle[i]), f"{end}_to": float(high[i])}
    return found


def _quantiles(values: FloatArray, levels: list[float]) -> Any:
    return np.quantile(values, levels, method="median_unbiased")


def outliers(table: Any, ranges: Any, *, identity: str = "capture_id") -> Any:
    """List the captures outside the healthy ranges of their group.

    Parameters
    ----------
    table : table
        A fleet's table.
    ranges : pyarrow.Table
        What :func:`healthy_ranges` gave.
    identity : str, optional
        Column that names the captures.

    Returns
    -------
    pyarrow.Table
        A row for each capture and figure: the capture, the group, ``value``, ``measured``, ``low``, ``high``,
        ``verdict`` and ``distance`` (from the median, in half widths of the range on that side). The verdict is
        "outside" beyond the interval of the range's end, "borderline" within that interval.
    """
    names = ranges.column_names
    keys = names[: names.index("value")]
    known = arrow(table, [identity, *keys, *dict.fromkeys(ranges.column("value").to_pylist())])
    rows: list[dict[str, Any]] = []
    for one in ranges.to_pylist():
        if one["low"] is None:
            continue
        part = complete(known, [one["value"]])
        for key in keys:
            same = pc.is_null(part.column(key)) if one[key] is None else pc.equal(part.column(key), one[key])
            part = part.filter(same)
        rows += _outside(part, one, identity, keys)
    fields = [known.schema.field(name).remove_metadata() for name in (identity, *keys)]
    fields += [pa.field("value", pa.string()), *(pa.field(n, pa.float64()) for n in ("measured", "low", "high"))]
    fields += [pa.field("verdict", pa.string()), pa.field("distance", pa.float64())]
    return pa.Table.from_pylist(rows, schema=pa.schema(fields))


def _outside(part: Any, one: dict[str, Any], identity: str, keys: Sequence[str]) -> list[dict[str, Any]]:
    rows = []
    for name, measured in zip(part.column(identity).to_pylist(), numbers(part, one["value"]), strict=True):
        if one["low_to"] <= measured <= one["high_from"]:
            continue
        verdict = "borderline" if one["low_from"] <= measured <= one["high_to"] else "outside"
        end = one["high"] if measured > one["median"] else one["low"]
        width = abs(end - one["median"])
        rows.append(
            {identity: name}
            | {key: one[key] for key in keys}
            | {field: one[field] for field in ("value", "low", "high")}
            | {
                "measured": float(measured),
                "verdict": verdict,
                "distance": float(measured - one["median"]) / width if width else None,
            }
        )
    return rows
