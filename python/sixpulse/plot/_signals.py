"""Signals over time: a capture as it was taken, the ripple close up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .._core import Capture, Trace
from .._refusals import refuse
from ..coupling import ac_couple
from ..envelope import envelope
from ..results import Examination, FloatArray
from . import _style
from ._style import INK, SERIES, Panel, Size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Parts of a long record, each drawn from its lowest to its highest value; no page or screen has more columns.
_BINS = 1500
#: Cycles whose starts are marked at most; more of them are no marks but a grey ground, each drawn at its cost.
_GUIDES = 100
_QUANTITIES = {"V": "voltage, V", "A": "current, A"}


def trace(capture: Capture, name: str, *, ax: Axes | None = None, size: Size | None = None) -> Axes:
    """Draw one trace over time.

    A record of more than 3000 samples is drawn by the lowest and highest value of each of 1500 equal parts
    (:func:`sixpulse.envelope.envelope`): no peak is lost.

    Parameters
    ----------
    capture : Capture
        Where the trace is.
    name : str
        Name of the trace.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column", or width and height in inches.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    UnknownTraceError
        The capture has no trace of that name.
    WrongTypeError, UnknownNameError, OutOfRangeError, InvalidCombinationError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.trace(capture, "post", ax=Figure().subplots())
    >>> axes.get_title(loc="left")
    'post (charging post, DC-coupled)'
    """
    shown = _style.checked("capture", capture, Capture)[name]
    return _draw_trace(_style.panel(ax, size), shown, name, SERIES[0])


def capture(capture: Capture, *, ax: Sequence[Axes] | None = None, size: Size | None = None) -> list[Axes]:
    """Draw every trace of a capture over time, one panel each, long ones by their extremes as :func:`trace` does.

    Parameters
    ----------
    capture : Capture
        What to draw.
    ax : sequence of matplotlib.axes.Axes, optional
        One for each trace; a new figure of stacked panels when not given.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column" (these grow in height with the traces), or width and height in
        inches.

    Returns
    -------
    list of matplotlib.axes.Axes
        In the order of the capture.

    Raises
    ------
    InvalidCombinationError
        The number of axes is not the number of traces.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.capture(capture, ax=Figure(layout="constrained").subplots(2, 1))
    >>> [one.get_ylabel() for one in axes]
    ['voltage, V', 'voltage, V']
    """
    names = _style.checked("capture", capture, Capture).names
    below = _style.panels(ax, size, count=len(names), share_x=True)
    for i, (name, panel) in enumerate(zip(names, below, strict=True)):
        axes = _draw_trace(panel, capture[name], name, SERIES[i % len(SERIES)])
        if panel is not below[-1]:
            axes.set_xlabel("")
    return [panel.axes for panel in below]


def close_up(
    capture: Capture,
    examination: Examination,
    *,
    cycles: int = 4,
    ax: Axes | None = None,
    size: Size | None = None,
) -> Axes:
    """Draw the AC-coupled supply trace over a few electrical cycles from the middle of the record.

    Parameters
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What :func:`sixpulse.examine` said of it.
    cycles : int
        Electrical cycles to show, 1 or more; 20 ms where no cycle was found. Of more than 100 no starts are marked.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column", or width and height in inches.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        The capture has no supply trace.
    WrongTypeError, UnknownNameError, UnknownTraceError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.close_up(capture, sixpulse.examine(capture), ax=Figure().subplots())
    >>> axes.get_title(loc="left")
    'post, AC-coupled at 5 Hz'
    """
    name, corner_hz = supply(examination)
    window = cycles_in_the_middle(capture, examination, cycles)
    ripple = ac_coupled(capture[name], corner_hz)
    panel = _style.panel(ax, size)
    time_ms = 1e3 * np.arange(window.start, window.stop) / capture.sample_rate_hz
    panel.axes.plot(time_ms, ripple[window], color=INK, linewidth=panel.pt(1.1))
    title, x = f"{name}, AC-coupled at {corner_hz:g} Hz", "time, ms"
    electrical_hz = examination.cycle.electrical_hz
    if electrical_hz is not None:
        starts_ms = np.arange(min(cycles, _GUIDES) + 1) * 1e3 / electrical_hz
        # The record may end before the last cycle that was asked for.
        starts_ms = starts_ms[starts_ms <= time_ms[-1] - time_ms[0] + 2e3 / capture.sample_rate_hz]
        if starts_ms.size <= _GUIDES:
            for start_ms in starts_ms + time_ms[0]:
                panel.axes.axvline(
                    float(start_ms), color=_style.GUIDE, linewidth=panel.pt(0.8), linestyle="--", zorder=0
                )
            x = "time, ms (dashed: one electrical cycle apart)"
    return panel.finish(title=title, x=x, y="voltage, V", tight=True)


# Shared with the plots of circuits -----------------------------------------------------------------------------------


def supply(examination: Examination) -> tuple[str, float]:
    """Return the name of the trace that the ripple was read on, and the corner it was AC-coupled at."""
    ripple = _style.checked("examination", examination, Examination).ripple
    if ripple is None:
        raise refuse("examination", "the capture has no supply trace")
    return ripple.trace, ripple.corner_hz


def ac_coupled(trace: Trace, corner_hz: float) -> FloatArray:
    """Return the trace without its level."""
    return ac_couple(trace.values(), sample_rate_hz=trace.sample_rate_hz, corner_hz=corner_hz, method="zero_phase")


def cycles_in_the_middle(capture: Capture, examination: Examination, cycles: int) -> slice:
    """Return the samples of a few cycles in the middle of the record, all of it when it is shorter."""
    _style.checked("capture", capture, Capture)
    electrical_hz = examination.cycle.electrical_hz
    # No record holds more of them than samples; a number as large as anyone likes is not one that divides.
    wanted = min(_style.at_least_one("cycles", cycles), capture.sample_count)
    length_s = 0.02 if electrical_hz is None else wanted / electrical_hz
    count = min(capture.sample_count, round(length_s * capture.sample_rate_hz) + 1)
    start = (capture.sample_count - count) // 2
    return slice(start, start + count)


# ---------------------------------------------------------------------------------------------------------------------


def _draw_trace(panel: Panel, shown: Trace, name: str, colour: str) -> Axes:
    axes, rate_hz, count = panel.axes, shown.sample_rate_hz, len(shown)
    if count <= 2 * _BINS:
        axes.plot(np.arange(count) / rate_hz, shown.values(), color=colour, linewidth=panel.pt(0.9))
    else:
        found = envelope(shown, bins=_BINS)
        # In the middle of its part, so that a peak is drawn within half a part (a 3000th of the record) of its time.
        middle_s = np.append(found.first_sample, count).astype(np.float64)
        middle_s = (middle_s[:-1] + middle_s[1:] - 1.0) / (2.0 * rate_hz)
        axes.fill_between(
            middle_s, found.minimum, found.maximum, color=colour, linewidth=panel.pt(0.4), edgecolor=colour
        )
    coupling = "AC-coupled" if shown.coupling == "ac" else "DC-coupled"
    title = f"{name} ({shown.role.replace('_', ' ')}, {coupling})"
    axes.set_xlim(0.0, shown.duration_s)
    return panel.finish(title=title, x="time, s", y=_QUANTITIES.get(shown.unit, shown.unit))
