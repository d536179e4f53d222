"""Plots of what the study tools say; needs the extra ``plot`` as well.

As in :mod:`sixpulse.plot`: every function draws on the axes it is given (``ax=``), or on a new figure of a size
(``size=``), and returns the axes; text and lines follow the width, and colour never carries meaning alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.compute as pc

from ..._refusals import refuse
from ...plot import Size
from ...plot._style import ACCENT, BAND, GUIDE, INK, Panel, panel
from . import detection
from ._tables import arrow, complete, days, numbers
from .agreement import Scale
from .agreement import agreement as agreement_of
from .trend import change_points
from .trend import trend as trend_of

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
    size: Size | None = None,
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
    size : Size, optional
        Of the new figure, as in :mod:`sixpulse.plot`.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        The table has no capture of that vehicle.

    Examples
    --------
    >>> import pyarrow as pa
    >>> from matplotlib.figure import Figure
    >>> from sixpulse.fleet import study
    >>> scatter = [0.003, -0.002, 0.004, -0.004, 0.001, -0.003, 0.002, -0.001]
    >>> ripple = [0.12 + part for part in scatter] + [0.31 + part for part in scatter]
    >>> table = pa.table({"ripple_rms_v": ripple, "day": range(16), "vehicle": ["tractor-5"] * 16})
    >>> axes = study.plot.trend(
    ...     table, value="ripple_rms_v", time="day", vehicle="vehicle", name="tractor-5", ax=Figure().subplots()
    ... )
    >>> axes.get_title(loc="left"), axes.get_ylabel()
    ('tractor-5: step', 'ripple rms, V')
    """
    needed = [value, time, vehicle]
    known = complete(arrow(table, needed), needed)
    own = known.filter(pc.equal(known.column(vehicle), name))
    if not own.num_rows:
        raise refuse("name", f"no capture of {name!r}")
    given: dict[str, Any] = {"value": value, "time": time, "vehicle": vehicle}
    given |= {"false_alarm": false_alarm, "minimum": minimum}
    (said,) = trend_of(own, **given).to_pylist()
    when = days(own, time)
    start = when.min()
    drawn = panel(ax, size)
    axes = drawn.axes
    axes.plot(when - start, numbers(own, value), "o", color=INK, markersize=drawn.pt(4.0), label="captures")
    if said["model"] == "drift":
        ends = np.array([0.0, np.ptp(when)])
        middle = said["median"] - said["slope_per_day"] * (np.median(when) - start)
        label = f"drift, {said['slope_per_day']:.3g} a day (Theil-Sen)"
        heights = middle + said["slope_per_day"] * ends
        axes.plot(ends, heights, color=ACCENT, linestyle="--", linewidth=drawn.pt(1.4), label=label)
    for i, change in enumerate(change_points(own, **given).to_pylist()):
        at = (change["last_before_day"] + change["first_after_day"]) / 2.0 - start
        first = "change, with its step" if i == 0 else None
        axes.axvline(at, color=ACCENT, linestyle="--", linewidth=drawn.pt(1.2), label=first)
        where: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "xytext": (3, 3), "textcoords": "offset points"}
        axes.annotate(f"{change['shift']:+.3g}", (at, 0.0), fontsize=drawn.small_pt, **where)
    title = f"{name}: {said['model'] or 'too few captures'}"
    return drawn.finish(title=title, x="days since the first capture", y=_worded(value))


def healthy_ranges(table: Any, found: Any, *, value: str, ax: Axes | None = None, size: Size | None = None) -> Axes:
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
    size : Size, optional
        Of the new figure, as in :mod:`sixpulse.plot`.

    Returns
    -------
    matplotlib.axes.Axes
    """
    rows = [row for row in found.to_pylist() if row["value"] == value and row["low"] is not None]
    if not rows:
        raise refuse("value", f'there is no range of "{value}"')
    keys = found.column_names[: found.column_names.index("value")]
    known = complete(arrow(table, [value, *keys]), [value])
    drawn = panel(ax, size)
    for i, row in enumerate(rows):
        part = known
        for key in keys:
            part = part.filter(pc.equal(part.column(key), row[key]))
        _group(drawn, i, row, numbers(part, value))
    drawn.axes.set_xticks(range(len(rows)), [", ".join(str(row[key]) for key in keys) or "all" for row in rows])
    return drawn.finish(title="Healthy range by group", x=", ".join(keys) or "group", y=_worded(value))


def _group(drawn: Panel, i: int, row: Any, figures: Any) -> None:
    """Draw one group's captures beside its range; the first group has the legend's entries."""
    axes, first = drawn.axes, i == 0
    # Spread sideways by a rule, so that the same table gives the same picture.
    beside = i + 0.24 * np.modf(np.arange(figures.size) * 0.618_034)[0] + 0.1
    axes.plot(beside, figures, ".", color=INK, markersize=drawn.pt(3.0), label="captures" if first else None)
    for low, high in (("low_from", "low_to"), ("high_from", "high_to")):
        label = "interval of an end" if first and low == "low_from" else None
        axes.fill_between([i - 0.35, i + 0.05], row[low], row[high], color=BAND, linewidth=0, label=label)
    for end, style in (("low", "-"), ("median", "--"), ("high", "-")):
        label = {"low": "healthy range", "median": "median"}.get(end) if first else None
        look: dict[str, Any] = {"color": ACCENT, "linestyle": style, "linewidth": drawn.pt(1.4), "label": label}
        axes.plot([i - 0.35, i + 0.05], [row[end]] * 2, **look)


def roc(
    table: Any,
    *,
    score: str | Sequence[str],
    label: str,
    positive: Any,
    vehicle: str | None = None,
    ax: Axes | None = None,
    size: Size | None = None,
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
    size : Size, optional
        Of the new figure, as in :mod:`sixpulse.plot`.

    Returns
    -------
    matplotlib.axes.Axes
    """
    curve = detection.roc(table, score=score, label=label, positive=positive)
    (said,) = detection.roc_summary(table, score=score, label=label, positive=positive, vehicle=vehicle).to_pylist()
    drawn = panel(ax, size)
    text = f"area {said['area']:.3f} ({said['area_low']:.3f} to {said['area_high']:.3f})"
    false_rate, true_rate = numbers(curve, "false_positive_rate"), numbers(curve, "true_positive_rate")
    look: dict[str, Any] = {"color": INK, "linewidth": drawn.pt(1.6), "drawstyle": "steps-post"}
    drawn.axes.plot(false_rate, true_rate, label=text, **look)
    drawn.axes.plot([0, 1], [0, 1], color=GUIDE, linewidth=drawn.pt(0.9), linestyle=":", label="chance")
    title = f"{said['positives']} of {said['captures']} captures positive"
    return drawn.finish(title=title, x="false positive rate", y="true positive rate")


def calibration(
    table: Any,
    *,
    score: str | Sequence[str],
    label: str,
    positive: Any,
    bins: int = 10,
    ax: Axes | None = None,
    size: Size | None = None,
) -> Axes:
    """Draw a reliability diagram: observed fractions against stated probabilities, with the count of each bin.

    The marks carry 95 % intervals (Wilson); calibrated probabilities lie on the dotted line. The bars, on the scale to
    the right, count the captures of each bin, from its lowest to its highest probability.

    Parameters
    ----------
    table, score, label, positive, bins
        As for :func:`sixpulse.fleet.study.calibration`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.
    size : Size, optional
        Of the new figure, as in :mod:`sixpulse.plot`.

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import pyarrow as pa
    >>> from matplotlib.figure import Figure
    >>> from sixpulse.fleet import study
    >>> table = pa.table({"p": [0.1] * 20 + [0.9] * 20, "truth": ["healthy"] * 19 + ["open_diode"] * 21})
    >>> axes = study.plot.calibration(
    ...     table, score="p", label="truth", positive="open_diode", bins=2, ax=Figure().subplots()
    ... )
    >>> axes.get_title(loc="left")
    '40 captures in 2 bins of equal count'
    """
    found = detection.calibration(table, score=score, label=label, positive=positive, bins=bins)
    stated, observed = numbers(found, "mean_probability"), numbers(found, "observed_fraction")
    bounds = np.array([observed - numbers(found, "observed_low"), numbers(found, "observed_high") - observed])
    drawn = panel(ax, size)
    axes = drawn.axes
    _counts(drawn, found)
    axes.plot([0, 1], [0, 1], color=GUIDE, linewidth=drawn.pt(1.0), linestyle=":", label="calibrated")
    look: dict[str, Any] = {"fmt": "o", "color": INK, "markersize": drawn.pt(4.5), "capsize": drawn.pt(2.0)}
    reach = np.maximum(bounds, 0.0)
    axes.errorbar(stated, observed, yerr=reach, elinewidth=drawn.pt(1.0), label="observed, 95 % (Wilson)", **look)
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(-0.02, 1.05)
    captures = int(numbers(found, "captures").sum())
    title = f"{captures} captures in {found.num_rows} bins of equal count"
    axes = drawn.finish(title=title, x="stated probability", y="observed fraction")
    axes.spines["right"].set_visible(True)
    return axes


def _counts(drawn: Panel, found: Any) -> None:
    """Draw the captures of each bin as bars behind everything, in the lower quarter."""
    low, high = numbers(found, "lowest"), numbers(found, "highest")
    captures = numbers(found, "captures")
    # A bin of equal probabilities has no width, and is to show all the same.
    width = np.maximum(high - low, 0.008)
    other = drawn.axes.twinx()
    look: dict[str, Any] = {"color": BAND, "edgecolor": GUIDE, "linewidth": drawn.pt(0.6)}
    other.bar((low + high) / 2.0, captures, width, **look)
    other.set_ylim(0.0, 4.0 * captures.max())
    other.set_yticks([0.0, captures.max()])
    other.set_ylabel("captures of a bin (bars)", fontsize=drawn.text_pt)
    other.tick_params(labelsize=drawn.small_pt)
    other.spines["top"].set_visible(False)
    drawn.axes.fill_between([], [], [], label="captures, right-hand scale", **look)
    # The marks lie over the bars, and the bars' axes have the background.
    drawn.axes.set_zorder(other.get_zorder() + 1)
    drawn.axes.patch.set_visible(False)


def agreement(
    table: Any,
    *,
    first: str,
    second: str,
    vehicle: str | None = None,
    scale: Scale = "difference",
    ax: Axes | None = None,
    size: Size | None = None,
) -> Axes:
    """Draw differences or ratios against means, with bias and limits of agreement.

    Parameters
    ----------
    table, first, second, vehicle, scale
        As for :func:`sixpulse.fleet.study.agreement`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.
    size : Size, optional
        Of the new figure, as in :mod:`sixpulse.plot`.

    Returns
    -------
    matplotlib.axes.Axes
    """
    (said,) = agreement_of(table, first=first, second=second, vehicle=vehicle, scale=scale).to_pylist()
    known = complete(arrow(table, [first, second]), [first, second])
    a, b = numbers(known, first), numbers(known, second)
    drawn = panel(ax, size)
    axes = drawn.axes
    compared, means = (a - b, (a + b) / 2.0) if scale == "difference" else (a / b, np.sqrt(a * b))
    for name, style in (("bias", "-"), ("lower_limit", "--"), ("upper_limit", "-.")):
        axes.axhspan(said[f"{name}_from"], said[f"{name}_to"], color=BAND, linewidth=0, zorder=0)
        label = f"{name.replace('_', ' ')} {said[name]:.3g}"
        axes.axhline(said[name], color=ACCENT, linewidth=drawn.pt(1.4), linestyle=style, label=label)
    axes.plot(means, compared, ".", color=INK, markersize=drawn.pt(4.0), label="captures")
    x = f"{'mean' if scale == 'difference' else 'geometric mean'} of {_worded(first)} and {_worded(second)}"
    return drawn.finish(title="Agreement (bands: 95 % intervals)", x=x, y=f"{scale} of the two")


_UNITS = {"_v": "V", "_hz": "Hz", "_s": "s", "_a": "A", "_rpm": "1/min", "_c": "°C", "_ohm": "ohm"}


def _worded(column: str) -> str:
    """Write a column's name in words, with the unit that it ends in."""
    for ending, unit in _UNITS.items():
        if column.endswith(ending):
            return f"{column.removesuffix(ending).replace('_', ' ')}, {unit}"
    return column.replace("_", " ")
