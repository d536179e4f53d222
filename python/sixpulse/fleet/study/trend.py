"""Trends of vehicles over time: steady, drifting, or changed at a point."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import ruptures
import scipy.ndimage
import scipy.stats

from ..._refusals import refuse
from ..._result import FloatArray
from ._tables import arrow, check_fraction, complete, days, numbers, split

__all__ = ["change_points", "trend"]

#: Draws of noise from which the thresholds are taken, and their seed.
_DRAWS, _SEED = 4_000, 20_261_125
#: Values further from the running median are brought to this many standard deviations: one odd capture is no change.
_CLIP = 3.0
#: Median absolute deviation of a normal distribution, in standard deviations.
_MAD = 0.674_489_750_196_081_7


def trend(
    table: Any,
    *,
    value: str,
    time: str,
    vehicle: str,
    false_alarm: float = 0.01,
    minimum: int = 3,
    confidence: float = 0.95,
) -> Any:
    """Say for each vehicle whether a figure is steady, drifts, or has changed at some point.

    Parameters
    ----------
    table : table
        A fleet's table.
    value : str
        Column of the figure.
    time : str
        Column of the time of each capture: a timestamp or date, or a number of days.
    vehicle : str
        Column of the vehicle.
    false_alarm : float, optional
        Probability that a steady vehicle is not called steady, for independent normal scatter.
    minimum : int, optional
        Fewest captures on either side of a change.
    confidence : float, optional
        Level of the slope's interval.

    Returns
    -------
    pyarrow.Table
        A row for each vehicle: ``captures``, ``median``, ``scatter`` (standard deviation from capture to capture, from
        the median absolute difference of neighbours), ``model`` ("steady", "drift", "step", or null with fewer than
        twice `minimum` captures), ``change_count``, ``slope_per_day`` with ``slope_low_per_day`` and
        ``slope_high_per_day`` (Theil-Sen, of all captures), and ``kendall_p`` (probability of such a rank correlation
        with time by chance).

    Raises
    ------
    InvalidCombinationError
        A column of the wrong type, or `minimum` below 2.
    UnknownColumnError
        The table has no such column.

    Notes
    -----
    Three models compete by their sum of squares in units of the scatter: a constant, a straight line, and constants
    between change points (optimal segmentation, PELT: Killick, Fearnhead and Eckley, J. Am. Stat. Assoc. 107, 2012).
    What line and change point must gain over the constant is the quantile of what they gain on noise of that length.
    A step on top of a drift is called whichever explains more.
    """
    rows = [
        {vehicle: name, **_trend_row(series, confidence)}
        for name, series in _series(table, (value, time, vehicle), false_alarm=false_alarm, minimum=minimum)
    ]
    kinds = {
        "captures": pa.int64(),
        "median": pa.float64(),
        "scatter": pa.float64(),
        "model": pa.string(),
        "change_count": pa.int64(),
        "slope_per_day": pa.float64(),
        "slope_low_per_day": pa.float64(),
        "slope_high_per_day": pa.float64(),
        "kendall_p": pa.float64(),
    }
    return _table(rows, arrow(table, [vehicle]).schema.field(vehicle), kinds)


def change_points(
    table: Any,
    *,
    value: str,
    time: str,
    vehicle: str,
    false_alarm: float = 0.01,
    minimum: int = 3,
) -> Any:
    """List the changes of the vehicles that :func:`trend` calls "step".

    Parameters
    ----------
    table, value, time, vehicle, false_alarm, minimum
        As for :func:`trend`.

    Returns
    -------
    pyarrow.Table
        A row for each change: the vehicle, ``last_before_day`` and ``first_after_day`` (days, as `time` counts them;
        of timestamps since 1970), ``level_before`` and ``level_after`` (medians), ``shift`` and ``shift_in_scatter``.
    """
    rows = []
    for name, series in _series(table, (value, time, vehicle), false_alarm=false_alarm, minimum=minimum):
        if series.model != "step":
            continue
        edges = [0, *series.changes, series.values.size]
        for start, at, stop in zip(edges, edges[1:], edges[2:], strict=False):
            before, after = float(np.median(series.values[start:at])), float(np.median(series.values[at:stop]))
            rows.append(
                {
                    vehicle: name,
                    "last_before_day": float(series.days[at - 1]),
                    "first_after_day": float(series.days[at]),
                    "level_before": before,
                    "level_after": after,
                    "shift": after - before,
                    "shift_in_scatter": (after - before) / series.scatter if series.scatter else None,
                }
            )
    names = ["last_before_day", "first_after_day", "level_before", "level_after", "shift", "shift_in_scatter"]
    return _table(rows, arrow(table, [vehicle]).schema.field(vehicle), dict.fromkeys(names, pa.float64()))


@dataclass(frozen=True)
class _Series:
    """One vehicle's figures in the order of time, and what they look like."""

    days: FloatArray
    values: FloatArray
    scatter: float | None
    model: str | None
    changes: tuple[int, ...] = ()


def _table(rows: list[dict[str, Any]], vehicle: Any, kinds: dict[str, Any]) -> Any:
    return pa.Table.from_pylist(rows, schema=pa.schema([vehicle.remove_metadata(), *kinds.items()]))


def _series(
    table: Any, columns: tuple[str, str, str], *, false_alarm: float, minimum: int
) -> Iterator[tuple[Any, _Series]]:
    value, time, vehicle = columns
    check_fraction("false_alarm", false_alarm)
    if minimum < 2:
        raise refuse("minimum", f"expected a whole number from 2, got {minimum}")
    known = complete(arrow(table, columns), columns)
    when, values = days(known, time), numbers(known, value)
    for name, rows in split(known.column(vehicle).to_pylist()):
        order = rows[np.argsort(when[rows], kind="stable")]
        yield name, _judge(when[order], values[order], false_alarm, minimum)


def _judge(when: FloatArray, values: FloatArray, false_alarm: float, minimum: int) -> _Series:
    scatter = float(_scatter(values)) if values.size > 2 else None
    if values.size < 2 * minimum or scatter is None:
        return _Series(when, values, scatter, None)
    if scatter == 0.0:
        # Most neighbours are equal to the bit; nothing says what a change must exceed.
        return _Series(when, values, scatter, "steady" if np.ptp(values) == 0.0 else None)
    scaled = _clipped(values[np.newaxis], minimum)[0]
    line_must, step_must = _thresholds(values.size, minimum, false_alarm)
    line = float(_line_gain(scaled[np.newaxis], (when - when[0])[np.newaxis])[0])
    fit = ruptures.Pelt(model="l2", min_size=minimum, jump=1).fit(scaled[:, np.newaxis])
    changes = tuple(int(at) for at in fit.predict(pen=step_must)[:-1])
    steps = _step_gain(scaled, changes) - step_must * len(changes)
    if changes and steps > line - line_must:
        return _Series(when, values, scatter, "step", changes)
    return _Series(when, values, scatter, "drift" if line > line_must else "steady")


def _scatter(values: Any) -> Any:
    """Standard deviation from capture to capture: a step or a slow drift leaves it alone."""
    steps = np.diff(values, axis=-1)
    centre = np.median(steps, axis=-1, keepdims=True)
    return np.median(np.abs(steps - centre), axis=-1) / (_MAD * np.sqrt(2.0))


def _clipped(values: Any, minimum: int) -> Any:
    """Series in units of their scatter, single odd values brought near their neighbours."""
    scaled = values / _scatter(values)[:, np.newaxis]
    running = scipy.ndimage.median_filter(scaled, size=(1, 2 * minimum - 1), mode="nearest")
    return running + np.clip(scaled - running, -_CLIP, _CLIP)


def _line_gain(series: Any, when: Any) -> Any:
    """What a straight line takes off the sum of squares about the mean."""
    centred = when - when.mean(axis=1, keepdims=True)
    spread = (centred**2).sum(axis=1)
    return np.divide(
        (centred * series).sum(axis=1) ** 2,
        spread,
        out=np.zeros(len(series)),
        where=np.broadcast_to(spread > 0, len(series)),
    )


def _step_gain(series: FloatArray, changes: tuple[int, ...]) -> float:
    """What constants between the changes take off the sum of squares about the mean."""
    pieces = np.split(series, changes)
    return float(sum(piece.size * (piece.mean() - series.mean()) ** 2 for piece in pieces))


@functools.lru_cache(maxsize=4096)
def _thresholds(count: int, minimum: int, false_alarm: float) -> tuple[float, float]:
    """What a line, and a change, must gain so that noise alone passes either in `false_alarm` of the cases."""
    noise = np.random.default_rng((_SEED, count)).standard_normal((_DRAWS, count))
    scaled = _clipped(noise, minimum)
    line = _line_gain(scaled, np.arange(count, dtype=np.float64)[np.newaxis])
    left = np.arange(minimum, count - minimum + 1)
    sums = np.cumsum(scaled, axis=1)
    means_left = sums[:, left - 1] / left
    means_right = (sums[:, -1:] - sums[:, left - 1]) / (count - left)
    change = (left * (count - left) / count * (means_left - means_right) ** 2).max(axis=1)
    quantile = 1.0 - false_alarm / 2.0
    return float(np.quantile(line, quantile)), float(np.quantile(change, quantile))


def _trend_row(series: _Series, confidence: float) -> dict[str, Any]:
    row: dict[str, Any] = {
        "captures": series.values.size,
        "median": float(np.median(series.values)),
        "scatter": series.scatter,
        "model": series.model,
        "change_count": len(series.changes),
    }
    if series.values.size > 2 and np.ptp(series.days) > 0.0:
        slope = scipy.stats.theilslopes(series.values, series.days, alpha=confidence)
        row |= {
            "slope_per_day": float(slope.slope),
            "slope_low_per_day": float(slope.low_slope),
            "slope_high_per_day": float(slope.high_slope),
        }
        p = float(scipy.stats.kendalltau(series.days, series.values).pvalue)
        row["kendall_p"] = p if np.isfinite(p) else None
    return row
