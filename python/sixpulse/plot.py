"""Plots of captures and examinations; needs the extra ``plot``.

Every function draws on the axes it is given, or on a new figure, and returns the axes. Nothing is shown, saved or
configured globally. Colour never carries meaning alone: line style, hatching or a label says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ._core import Capture
from ._extras import require
from .coupling import ac_couple
from .errors import InvalidCombinationError
from .results import Contamination, Examination, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["capture", "close_up", "mean_cycle", "orders", "sensor_against_supply", "speed_track", "trace"]

_INK = "#22303c"
_ACCENT = "#a8480c"
_PALE = "#c9d2d9"
_WIDE = "#8da3b3"
_SERIES = (_INK, _ACCENT, "#0b6e6e", "#6b4a8e")
#: Bins of the lowest and highest value that a long record is reduced to; a screen has no more columns.
_BINS = 1500


def trace(capture: Capture, name: str, *, ax: Axes | None = None) -> Axes:
    """Draw one trace over time.

    Parameters
    ----------
    capture : Capture
        Where the trace is.
    name : str
        Name of the trace.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    UnknownTraceError
        The capture has no trace of that name.
    """
    shown = capture[name]
    axes = _axes(ax)
    colour = _SERIES[capture.names.index(name) % len(_SERIES)]
    time_s, low, high = _envelope(shown.values(), shown.sample_rate_hz)
    if low is high:
        axes.plot(time_s, low, color=colour, linewidth=0.9)
    else:
        axes.fill_between(time_s, low, high, color=colour, linewidth=0.4, edgecolor=colour)
    coupling = "AC-coupled" if shown.coupling == "ac" else "DC-coupled"
    axes.set_title(f"{name} ({_role(shown.role)}, {coupling})", loc="left", fontsize="medium")
    axes.set_ylabel(shown.unit)
    axes.set_xlabel("time, s")
    return _finish(axes, x_tight=True)


def capture(capture: Capture, *, ax: Sequence[Axes] | None = None) -> list[Axes]:
    """Draw every trace of a capture over time, one panel each.

    Parameters
    ----------
    capture : Capture
        What to draw.
    ax : sequence of matplotlib.axes.Axes, optional
        One for each trace; a new figure of stacked panels when not given.

    Returns
    -------
    list of matplotlib.axes.Axes
        In the order of the capture.

    Raises
    ------
    InvalidCombinationError
        The number of axes is not the number of traces.
    """
    names = capture.names
    if ax is None:
        pyplot = require("matplotlib.pyplot", extra="plot")
        size = (8.0, 0.6 + 1.6 * len(names))
        _, grid = pyplot.subplots(len(names), 1, sharex=True, squeeze=False, figsize=size, layout="constrained")
        panels = list(grid[:, 0])
    else:
        panels = list(ax)
    if len(panels) != len(names):
        reason = f"expected {len(names)} axes, one for each trace, got {len(panels)}"
        raise InvalidCombinationError(f"ax: {reason}", parameter="ax", reason=reason)
    for name, panel in zip(names, panels, strict=True):
        trace(capture, name, ax=panel)
    for panel in panels[:-1]:
        panel.set_xlabel("")
    return panels


def close_up(capture: Capture, examination: Examination, *, cycles: int = 4, ax: Axes | None = None) -> Axes:
    """Draw the AC-coupled supply trace over a few electrical cycles from the middle of the record.

    Parameters
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What :func:`sixpulse.examine` said of it.
    cycles : int
        Electrical cycles to show; 20 ms where no cycle was found.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        The capture has no supply trace.
    """
    name, corner_hz = _supply(examination)
    ripple = ac_couple(
        capture[name].values(), sample_rate_hz=capture.sample_rate_hz, corner_hz=corner_hz, method="zero_phase"
    )
    axes = _axes(ax)
    window = _window(capture, examination, cycles)
    time_ms = 1e3 * np.arange(window.start, window.stop) / capture.sample_rate_hz
    axes.plot(time_ms, ripple[window], color=_INK, linewidth=1.1)
    electrical_hz = examination.cycle.electrical_hz
    if electrical_hz is not None:
        for k in range(cycles + 1):
            axes.axvline(time_ms[0] + 1e3 * k / electrical_hz, color=_PALE, linewidth=0.8, linestyle="--", zorder=0)
        axes.set_xlabel("time, ms (dashed: one electrical cycle apart)")
    else:
        axes.set_xlabel("time, ms")
    axes.set_title(f"{name}, AC-coupled at {corner_hz:g} Hz", loc="left", fontsize="medium")
    axes.set_ylabel("V")
    return _finish(axes, x_tight=True)


def mean_cycle(examination: Examination, *, ax: Axes | None = None) -> Axes:
    """Draw the mean electrical cycle with the scatter of the cycles about it (one standard deviation).

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        No electrical cycle was found.
    """
    cycle = examination.cycle
    _need(cycle.mean_cycle_v.size > 0, cycle.reason or "no electrical cycle was found")
    axes = _axes(ax)
    degrees = 360.0 * np.arange(cycle.mean_cycle_v.size + 1) / cycle.mean_cycle_v.size
    mean, std = _closed(cycle.mean_cycle_v), _closed(cycle.cycle_std_v)
    axes.fill_between(degrees, mean - std, mean + std, color=_PALE, linewidth=0, label="scatter (1 s.d.)")
    axes.plot(degrees, mean, color=_INK, linewidth=1.6, label=f"mean of {cycle.cycle_count} cycles")
    axes.set_xticks(np.arange(0, 361, 60))
    axes.set_xlabel("electrical degrees")
    axes.set_ylabel("V")
    axes.set_title(f"Mean electrical cycle of {cycle.trace}", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes, x_tight=True)


def orders(examination: Examination, *, ax: Axes | None = None) -> Axes:
    """Draw the amplitudes of the orders; multiples of six, which a healthy bridge makes, are hatched.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        No electrical cycle was found.
    """
    cycle = examination.cycle
    _need(cycle.order_amplitudes_v.size > 0, cycle.reason or "no electrical cycle was found")
    axes = _axes(ax)
    numbers = np.arange(1, cycle.order_amplitudes_v.size + 1)
    of_six = numbers % 6 == 0
    shared: dict[str, Any] = {"width": 0.72, "edgecolor": _INK, "linewidth": 0.8}
    amplitudes, stds = cycle.order_amplitudes_v, cycle.order_amplitudes_v_std
    axes.bar(numbers[~of_six], amplitudes[~of_six], color=_INK, label="other orders", **shared)
    axes.bar(numbers[of_six], amplitudes[of_six], color="white", hatch="////", label="multiples of six", **shared)
    axes.errorbar(numbers, amplitudes, yerr=stds, fmt="none", ecolor=_ACCENT, elinewidth=1.2, capsize=2)
    axes.set_xticks(numbers[(numbers % 6 == 0) | (numbers < 6)])
    axes.set_xlabel("order (multiple of the electrical frequency)")
    axes.set_ylabel("V, peak")
    axes.set_title(f"Orders of {cycle.trace}", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes)


def sensor_against_supply(
    capture: Capture, examination: Examination, name: str, *, cycles: int = 6, ax: Axes | None = None
) -> Axes:
    """Draw a circuit's trace with the ripple that the supply explains in it.

    The dashed line is the supply's ripple times the gain found, along the path and with the delay found. Without a
    gain (a clean or undetermined verdict) it is the supply's ripple itself on a scale of its own, to the right.

    Parameters
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What :func:`sixpulse.examine` said of it.
    name : str
        Name of the circuit's trace.
    cycles : int
        Electrical cycles to show; 20 ms where no cycle was found.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        The capture has no supply trace, or that circuit was not examined.
    """
    supply, corner_hz = _supply(examination)
    _need(name in examination.contamination, f'the circuit "{name}" was not examined')
    found = examination.contamination[name]
    rate_hz = capture.sample_rate_hz
    ripple, circuit = (
        ac_couple(capture[n].values(), sample_rate_hz=rate_hz, corner_hz=corner_hz, method="zero_phase")
        for n in (supply, name)
    )
    window = _window(capture, examination, cycles)
    samples = np.arange(window.start, window.stop)
    time_ms = 1e3 * samples / rate_hz
    axes = _axes(ax)
    # Wide and pale below narrow and dark: where the two agree, both still show.
    axes.plot(time_ms, circuit[window], color=_WIDE, linewidth=3.2, label=f"{name}, AC-coupled")
    if found.gain_v_per_v is None:
        other = axes.twinx()
        other.plot(time_ms, ripple[window], color=_ACCENT, linewidth=1.1, linestyle="--")
        other.set_ylabel(f"{supply}, V (dashed)")
        other.spines["top"].set_visible(False)
        _headroom(other)
        axes.plot([], [], color=_ACCENT, linewidth=1.1, linestyle="--", label=f"{supply}, right-hand scale")
    else:
        carried = found.gain_v_per_v * _through(found, ripple, rate_hz)[window]
        how = _WAYS.get(found.path or "", "delayed")
        label = f"{supply} times {found.gain_v_per_v:.3g}, {how}"
        axes.plot(time_ms, carried, color=_ACCENT, linewidth=1.2, linestyle="--", label=label)
    axes.set_xlabel("time, ms")
    axes.set_ylabel("V")
    axes.set_title(f"{name} against {supply}: {found.verdict}", loc="left", fontsize="medium")
    _legend(axes)
    return _finish(axes, x_tight=True)


def speed_track(examination: Examination, *, ax: Axes | None = None) -> Axes:
    """Draw the electrical frequency over the record.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure when not given.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InvalidCombinationError
        No electrical cycle was found.
    """
    cycle = examination.cycle
    _need(cycle.track_time_s.size > 0, cycle.reason or "no electrical cycle was found")
    axes = _axes(ax)
    axes.plot(cycle.track_time_s, cycle.track_electrical_hz, color=_INK, linewidth=1.2)
    axes.set_xlabel("time, s")
    axes.set_ylabel("Hz")
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.set_title("Electrical frequency", loc="left", fontsize="medium")
    return _finish(axes, x_tight=True)


# ---------------------------------------------------------------------------------------------------------------------


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    pyplot = require("matplotlib.pyplot", extra="plot")
    _, axes = pyplot.subplots(figsize=(8.0, 3.2), layout="constrained")
    made: Axes = axes
    return made


def _finish(axes: Axes, *, x_tight: bool = False) -> Axes:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(visible=True, axis="y", color=_PALE, linewidth=0.5)
    axes.set_axisbelow(True)
    if x_tight:
        axes.margins(x=0.0)
    return axes


def _legend(axes: Axes) -> None:
    """Put the legend into a strip of its own above the curves."""
    _headroom(axes)
    axes.legend(loc="upper right", fontsize="small", frameon=False, ncols=2, borderaxespad=0.0)


def _headroom(axes: Axes) -> None:
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.16 * (high - low))


def _need(condition: bool, reason: str) -> None:
    if not condition:
        raise InvalidCombinationError(f"examination: {reason}", parameter="examination", reason=reason)


def _role(role: str) -> str:
    return role.replace("_", " ")


def _closed(cycle: FloatArray) -> FloatArray:
    """Repeat the first point at the end: 360 degrees is 0 degrees."""
    return np.append(cycle, cycle[0])


def _supply(examination: Examination) -> tuple[str, float]:
    """Name of the trace that the ripple was read on, and the corner it was AC-coupled at."""
    ripple = examination.ripple
    _need(ripple is not None, "the capture has no supply trace")
    assert ripple is not None
    return ripple.trace, ripple.corner_hz


_WAYS = {"first_order_lag": "through a low-pass", "first_order_high_pass": "through a high-pass"}


def _through(found: Contamination, ripple: FloatArray, rate_hz: float) -> FloatArray:
    """Send the supply's ripple along the path found, for gain 1; the ends of the record wrap round."""
    delay_s = found.delay_s or 0.0
    angular = 2.0j * np.pi * np.fft.rfftfreq(ripple.size, 1.0 / rate_hz)
    if found.path == "first_order_lag":
        response = 1.0 / (1.0 + angular * delay_s)
    elif found.path == "first_order_high_pass":
        response = angular * delay_s / (1.0 + angular * delay_s)
    else:
        response = np.exp(-angular * delay_s)
    return np.asarray(np.fft.irfft(np.fft.rfft(ripple) * response, ripple.size), dtype=np.float64)


def _window(capture: Capture, examination: Examination, cycles: int) -> slice:
    """Samples of a few cycles in the middle of the record, the whole record when it is shorter."""
    electrical_hz = examination.cycle.electrical_hz
    length_s = 0.02 if electrical_hz is None else cycles / electrical_hz
    count = min(capture.sample_count, round(length_s * capture.sample_rate_hz) + 1)
    start = (capture.sample_count - count) // 2
    return slice(start, start + count)


def _envelope(values: FloatArray, sample_rate_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, lowest and highest value of equal bins; the samples themselves when they are few."""
    if values.size <= 2 * _BINS:
        return np.arange(values.size) / sample_rate_hz, values, values
    edges = np.linspace(0, values.size, _BINS + 1).astype(np.intp)[:-1]
    time_s = np.asarray(edges / sample_rate_hz, dtype=np.float64)
    return time_s, np.minimum.reduceat(values, edges), np.maximum.reduceat(values, edges)
