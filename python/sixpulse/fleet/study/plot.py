"""Plots of what the study tools say; needs the extra ``plot`` as well.

As in :mod:`sixpulse.plot`: every function draws on the axes it is given, or on a new figure, and returns the axes;
colour never carries meaning alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.compute as pc

from ...plot import _ACCENT, _INK, _PALE, _WIDE, _axes, _finish, _legend
from . import agreement as agreements
from . import detection
from . import trend as trends
from ._tables import arrow, complete, days, numbers, refuse

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["agreement", "calibration", "healthy_ranges", "roc", "trend"]


def trend(
    table: Any,
    *,
    value: str,
    time: str,
    vehicle: str,
    false_alarm: float = 0.01,
    minimum: int = 3,
    name: Any,
    ax: Axes | None = None,
) -> Axes:
    """Draw a figure of one vehicle over time with what :func:`sixpulse.fleet.study.trend` makes of it.

    Parameters
    ----------
    table, value, time, vehicle, false_alarm, minimum
        As for :func:`sixpulse.fleet.study.trend`.
    name : object
        The vehicle.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        The table has no capture of that vehicle.
    """
    needed = [value, time, vehicle]
    known = complete(arrow(table, needed), needed)
    own = known.filter(pc.equal(known.column(vehicle), name))
    if not own.num_rows:
        raise refuse("name", f"no capture of {name!r}")
    given: dict[str, Any] = {"value": value, "time": time, "vehicle": vehicle}
    given |= {"false_alarm": false_alarm, "minimum": minimum}
    (said,) = trends.trend(own, **given).to_pylist()
    when = days(own, time)
    start = when.min()
    axes = _axes(ax)
    axes.plot(when - start, numbers(own, value), "o", color=_INK, markersize=4, label="captures")
    if said["model"] == "drift":
        ends = np.array([0.0, np.ptp(when)])
        middle = said["median"] - said["slope_per_day"] * (np.median(when) - start)
        axes.plot(ends, middle + said["slope_per_day"] * ends, color=_ACCENT, linestyle="--", label="drift (Theil-Sen)")
    for i, change in enumerate(trends.change_points(own, **given).to_pylist()):
        at = (change["last_before_day"] + change["first_after_day"]) / 2.0 - start
        label = "change" if i == 0 else None
        axes.axvline(at, color=_ACCENT, linestyle="--", linewidth=1.2, label=label)
        axes.annotate(f"{change['shift']:+.3g}", (at, 0.02), xycoords=("data", "axes fraction"), fontsize="small")
    axes.set_xlabel("days since the first capture")
    axes.set_ylabel(value)
    axes.set_title(f"{name}: {said['model'] or 'too few captures'}", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes)


def healthy_ranges(table: Any, found: Any, *, value: str, ax: Axes | None = None) -> Axes:
    """Draw the captures of each group against its healthy range.

    Parameters
    ----------
    table : table
        A fleet's table.
    found : pyarrow.Table
        What :func:`sixpulse.fleet.study.healthy_ranges` gave.
    value : str
        Which figure.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    rows = [row for row in found.to_pylist() if row["value"] == value and row["low"] is not None]
    if not rows:
        raise refuse("value", f'there is no range of "{value}"')
    keys = found.column_names[: found.column_names.index("value")]
    known = complete(arrow(table, [value, *keys]), [value])
    axes = _axes(ax)
    for i, row in enumerate(rows):
        part = known
        for key in keys:
            part = part.filter(pc.equal(part.column(key), row[key]))
        figures = numbers(part, value)
        # Spread sideways by a rule, so that the same table gives the same picture.
        beside = i + 0.24 * np.modf(np.arange(figures.size) * 0.618_034)[0] + 0.1
        axes.plot(beside, figures, ".", color=_INK, markersize=3, label="captures" if i == 0 else None)
        for low, high in (("low_from", "low_to"), ("high_from", "high_to")):
            label = "interval of an end" if i == 0 and low == "low_from" else None
            axes.fill_between([i - 0.35, i + 0.05], row[low], row[high], color=_PALE, linewidth=0, label=label)
        for end, style in (("low", "-"), ("median", "--"), ("high", "-")):
            label = {"low": "healthy range", "median": "median"}.get(end) if i == 0 else None
            axes.plot([i - 0.35, i + 0.05], [row[end]] * 2, color=_ACCENT, linestyle=style, linewidth=1.4, label=label)
    axes.set_xticks(range(len(rows)), [", ".join(str(row[key]) for key in keys) or "all" for row in rows])
    axes.set_ylabel(value)
    axes.set_title("Healthy range by group", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes)


def roc(
    table: Any,
    *,
    score: str | Sequence[str],
    label: str,
    positive: Any,
    vehicle: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a receiver operating characteristic with its area.

    Parameters
    ----------
    table, score, label, positive
        As for :func:`sixpulse.fleet.study.roc`.
    vehicle : str, optional
        As for :func:`sixpulse.fleet.study.roc_summary`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    curve = detection.roc(table, score=score, label=label, positive=positive)
    (said,) = detection.roc_summary(table, score=score, label=label, positive=positive, vehicle=vehicle).to_pylist()
    axes = _axes(ax)
    text = f"area {said['area']:.3f} ({said['area_low']:.3f} to {said['area_high']:.3f})"
    false_rate, true_rate = numbers(curve, "false_positive_rate"), numbers(curve, "true_positive_rate")
    axes.plot(false_rate, true_rate, color=_INK, linewidth=1.6, drawstyle="steps-post", label=text)
    axes.plot([0, 1], [0, 1], color=_WIDE, linewidth=0.9, linestyle=":", label="chance")
    axes.set_xlabel("false positive rate")
    axes.set_ylabel("true positive rate")
    axes.set_title(f"{said['positives']} of {said['captures']} captures positive", loc="left", fontsize="medium")
    axes.legend(loc="lower right", fontsize="small", frameon=False)
    return _finish(axes)


def calibration(
    table: Any, *, score: str | Sequence[str], label: str, positive: Any, bins: int = 10, ax: Axes | None = None
) -> Axes:
    """Draw observed fractions against stated probabilities.

    Parameters
    ----------
    table, score, label, positive, bins
        As for :func:`sixpulse.fleet.study.calibration`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    found = detection.calibration(table, score=score, label=label, positive=positive, bins=bins)
    stated, observed = numbers(found, "mean_probability"), numbers(found, "observed_fraction")
    bounds = np.array([observed - numbers(found, "observed_low"), numbers(found, "observed_high") - observed])
    axes = _axes(ax)
    axes.plot([0, 1], [0, 1], color=_WIDE, linewidth=0.9, linestyle=":", label="calibrated")
    axes.errorbar(stated, observed, yerr=np.maximum(bounds, 0.0), fmt="o", color=_INK, capsize=2, label="95 % (Wilson)")
    axes.set_xlabel("stated probability")
    axes.set_ylabel("observed fraction")
    axes.set_title(f"{found.num_rows} bins of equal count", loc="left", fontsize="medium")
    axes.legend(loc="upper left", fontsize="small", frameon=False)
    return _finish(axes)


def agreement(
    table: Any,
    *,
    first: str,
    second: str,
    vehicle: str | None = None,
    scale: agreements.Scale = "difference",
    ax: Axes | None = None,
) -> Axes:
    """Draw differences or ratios against means, with bias and limits of agreement.

    Parameters
    ----------
    table, first, second, vehicle, scale
        As for :func:`sixpulse.fleet.study.agreement`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    (said,) = agreements.agreement(table, first=first, second=second, vehicle=vehicle, scale=scale).to_pylist()
    known = complete(arrow(table, [first, second]), [first, second])
    a, b = numbers(known, first), numbers(known, second)
    axes = _axes(ax)
    compared, means = (a - b, (a + b) / 2.0) if scale == "difference" else (a / b, np.sqrt(a * b))
    for name, style in (("bias", "-"), ("lower_limit", "--"), ("upper_limit", "--")):
        axes.axhspan(said[f"{name}_from"], said[f"{name}_to"], color=_PALE, linewidth=0)
        axes.axhline(said[name], color=_ACCENT, linewidth=1.4, linestyle=style, label=name.replace("_", " "))
    axes.plot(means, compared, ".", color=_INK, markersize=4, label="captures")
    axes.set_xlabel(f"mean of {first} and {second}")
    axes.set_ylabel(scale)
    axes.set_title("Agreement (band: interval)", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes)
