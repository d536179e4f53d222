"""A circuit against the supply: both over time, and the transfer order by order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .._core import Capture
from .._refusals import refuse
from ..results import Contamination, Examination, FloatArray, OrderTransfer
from . import _style
from ._cycle import NORMAL_95
from ._signals import ac_coupled, cycles_in_the_middle, supply
from ._style import ACCENT, BAND, FILL, INK, Panel, Size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WAYS = {
    "first_order_lag": "through a low-pass",
    "first_order_high_pass": "through a high-pass",
    "second_order_lag": "through two low-passes",
    "band_pass": "through a high-pass and a low-pass",
}


def sensor_against_supply(
    capture: Capture,
    examination: Examination,
    name: str,
    *,
    cycles: int = 6,
    ax: Axes | None = None,
    size: Size | None = None,
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
        Electrical cycles to show, 1 or more; 20 ms where no cycle was found.
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
        The capture has no supply trace, or that circuit was not examined.
    WrongTypeError, UnknownNameError, UnknownTraceError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> found = sixpulse.examine(capture)
    >>> axes = plot.sensor_against_supply(capture, found, "speed", ax=Figure().subplots())
    >>> axes.get_title(loc="left")
    'speed against post: contaminated'
    """
    source, corner_hz = supply(examination)
    found = _circuit(examination, name)
    window = cycles_in_the_middle(capture, examination, cycles)
    ripple, circuit = (ac_coupled(capture[one], corner_hz) for one in (source, name))
    time_ms = 1e3 * np.arange(window.start, window.stop) / capture.sample_rate_hz
    panel = _style.panel(ax, size)
    # Wide and pale below narrow and dark: where the two agree, both still show.
    panel.axes.plot(
        time_ms, circuit[window], color=FILL, linewidth=panel.pt(3.2), label=_style.named(name, ", AC-coupled")
    )
    if found.gain_v_per_v is None:
        _on_a_scale_of_its_own(panel, time_ms, ripple[window], source)
    else:
        carried = found.gain_v_per_v * _through(found, ripple, capture.sample_rate_hz)[window]
        how = _WAYS.get(found.path or "", "delayed")
        label = _style.named(source, f" times {found.gain_v_per_v:.3g}, {how}")
        panel.axes.plot(time_ms, carried, color=INK, linewidth=panel.pt(1.2), linestyle="--", label=label)
    title = f"{name} against {source}: {found.verdict}"
    axes = panel.finish(title=title, x="time, ms", y="voltage, V", tight=True)
    if found.gain_v_per_v is None:
        axes.spines["right"].set_visible(True)
    return axes


def transfer(
    examination: Examination, name: str, *, ax: Sequence[Axes] | None = None, size: Size | None = None
) -> list[Axes]:
    """Draw the transfer from the supply to a circuit order by order: gain above, delay below, with 95 % intervals.

    One path carries every order with one gain and one delay (or one time constant): filled marks agree with that
    common transfer by themselves, hollow ones do not. The dashed line is the common transfer along the path found, the
    band its 95 % interval; both are missing where no transfer was found. Of all delays that a phase can mean, which
    differ by whole periods, the one nearest to the path's is drawn.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    name : str
        Name of the circuit's trace.
    ax : sequence of matplotlib.axes.Axes, optional
        Two, for gain and delay; a new figure when not given.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column", or width and height in inches.

    Returns
    -------
    list of matplotlib.axes.Axes
        Gain, delay.

    Raises
    ------
    InvalidCombinationError
        That circuit was not examined, or no order stands clear in the supply.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> found = sixpulse.examine(capture)
    >>> axes = plot.transfer(found, "speed", ax=Figure(layout="constrained").subplots(2, 1))
    >>> [one.get_ylabel() for one in axes]
    ['gain, V/V', 'delay, µs']
    """
    found = _circuit(_style.checked("examination", examination, Examination), name)
    if not found.orders:
        raise refuse("examination", f'no order was compared for the circuit "{name}": {found.reason}')
    below = _style.panels(ax, size, count=2, share_x=True)
    rate_hz = examination.quality.traces[name].sample_rate_hz
    _marks(below[0], found.orders, [_gain(order) for order in found.orders])
    _marks(below[1], found.orders, [_delay(order, found, rate_hz) for order in found.orders])
    if found.gain_v_per_v is not None and found.delay_s is not None:
        _common(below, found, rate_hz)
    axes = [
        below[0].finish(title=f"Transfer to {name}: {found.verdict}", x="", y="gain, V/V"),
        below[1].finish(title="", x="order (multiple of the electrical frequency)", y="delay, µs", legend=None),
    ]
    axes[0].set_ylim(bottom=0.0)
    _style.order_ticks(axes[1], [order.order for order in found.orders])
    return axes


# ---------------------------------------------------------------------------------------------------------------------


def _circuit(examination: Examination, name: str) -> Contamination:
    if name not in examination.contamination:
        raise refuse("examination", f'the circuit "{name}" was not examined')
    return examination.contamination[name]


def _on_a_scale_of_its_own(panel: Panel, time_ms: FloatArray, ripple: FloatArray, source: str) -> None:
    look: dict[str, Any] = {"color": INK, "linewidth": panel.pt(1.0), "linestyle": "--"}
    other = panel.axes.twinx()
    other.plot(time_ms, ripple, **look)
    other.set_ylabel(f"{source}, V (dashed)", fontsize=panel.text_pt, parse_math=False)
    other.tick_params(labelsize=panel.small_pt)
    other.spines["top"].set_visible(False)
    panel.axes.plot([], [], label=_style.named(source, ", right-hand scale"), **look)


def _through(found: Contamination, ripple: FloatArray, rate_hz: float) -> FloatArray:
    """Send the supply's ripple along the path found, for gain 1; the ends of the record wrap round."""
    frequency_hz = np.asarray(np.fft.rfftfreq(ripple.size, 1.0 / rate_hz), dtype=np.float64)
    response = np.zeros(frequency_hz.size, dtype=np.complex128)
    response[1:] = _response(found, frequency_hz[1:], found.delay_s or 0.0, rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(ripple) * response, ripple.size), dtype=np.float64)


def _response(found: Contamination, frequency_hz: FloatArray, delay_s: float, rate_hz: float) -> Any:
    """Return the complex response of the path found, for gain 1, as the core's fit has it; frequencies above 0."""
    turn = 2.0j * np.pi * frequency_hz
    if found.path in ("first_order_lag", "second_order_lag"):
        path = 1.0 / (1.0 + turn * delay_s)
    elif found.path == "first_order_high_pass":
        path = turn * delay_s / (1.0 + turn * delay_s)
    elif found.path == "band_pass":
        path = turn * (delay_s + (found.second_time_constant_s or 0.0)) / (1.0 + turn * delay_s)
    elif found.path == "interpolated_delay":
        whole = np.floor(delay_s * rate_hz)
        part = delay_s * rate_hz - whole
        path = (1.0 - part + part * np.exp(-turn / rate_hz)) * np.exp(-turn * whole / rate_hz)
    else:
        path = np.exp(-turn * delay_s)
    path = path / (1.0 + turn * (found.second_time_constant_s or 0.0))
    # By this corner the AC coupling of the two traces differs; a negative one is the circuit's, and takes.
    corner_hz = found.coupling_corner_hz or 0.0
    coupling = 1.0 - 1.0j * abs(corner_hz) / frequency_hz
    return path * coupling if corner_hz >= 0.0 else path / coupling


#: A figure with the ends of its 95 % interval.
_Figure = tuple[float, float, float]


def _gain(order: OrderTransfer) -> _Figure:
    reach = NORMAL_95 * order.gain_std
    return order.gain, max(order.gain - reach, 0.0), order.gain + reach


def _delay(order: OrderTransfer, found: Contamination, rate_hz: float) -> _Figure:
    """Return the delay of an order in microseconds, by whole periods nearest to the path's."""
    frequency_hz = np.array([order.frequency_hz])
    _, path_us = _curves(found, frequency_hz, 1.0, found.delay_s or 0.0, rate_hz)
    period_us = 1e6 / order.frequency_hz
    turns = np.round((float(path_us[0]) - 1e6 * order.delay_s) / period_us) if found.path in _WAYS else 0.0
    delay, reach = float(1e6 * order.delay_s + turns * period_us), 1e6 * NORMAL_95 * order.delay_s_std
    return delay, delay - reach, delay + reach


def _marks(panel: Panel, orders: Sequence[OrderTransfer], figures: Sequence[_Figure]) -> None:
    for agrees, label in ((True, "order, agrees with the rest"), (False, "order, does not agree")):
        chosen = [(o.order, *figure) for o, figure in zip(orders, figures, strict=True) if o.agrees == agrees]
        if not chosen:
            continue
        number, middle, low, high = np.transpose(chosen)
        look: dict[str, Any] = {"fmt": "o" if agrees else "s", "markerfacecolor": INK if agrees else "white"}
        look |= {"color": INK, "markersize": panel.pt(4.5), "elinewidth": panel.pt(1.0), "capsize": panel.pt(2.0)}
        panel.axes.errorbar(number, middle, yerr=[middle - low, high - middle], label=label, **look)


def _common(below: Sequence[Panel], found: Contamination, rate_hz: float) -> None:
    """Draw the common transfer along the path found, with its 95 % interval, over the orders compared."""
    first, last = found.orders[0], found.orders[-1]
    number = np.linspace(first.order, last.order, 200)
    frequency_hz = number * (first.frequency_hz / first.order)
    gain, delay_s = abs(found.gain_v_per_v or 0.0), found.delay_s or 0.0
    reach = [NORMAL_95 * (std or 0.0) for std in (found.gain_v_per_v_std, found.delay_s_std)]
    corners = [(gain + g * reach[0], delay_s + d * reach[1]) for g in (-1.0, 0.0, 1.0) for d in (-1.0, 0.0, 1.0)]
    curves = [_curves(found, frequency_hz, *corner, rate_hz) for corner in corners]
    for i, panel in enumerate(below):
        drawn = [both[i] for both in curves]
        panel.axes.fill_between(
            number,
            np.min(drawn, axis=0),
            np.max(drawn, axis=0),
            color=BAND,
            linewidth=0,
            label="its 95 % interval",
            zorder=0,
        )
        label = f"common: {_WAYS.get(found.path or '', 'one gain, one delay')}"
        middle = drawn[len(corners) // 2]
        panel.axes.plot(number, middle, color=ACCENT, linestyle="--", linewidth=panel.pt(1.2), label=label, zorder=1)


def _curves(
    found: Contamination, frequency_hz: FloatArray, gain: float, delay_s: float, rate_hz: float
) -> tuple[Any, Any]:
    """Return gain (V/V) and delay (microseconds) over frequency, for a common gain and delay or time constant."""
    response = _response(found, frequency_hz, delay_s, rate_hz)
    angular = 2.0 * np.pi * frequency_hz
    # A first-order path turns by less than half a turn; a delay by many: there what is beyond it counts.
    common_s = 0.0 if found.path in _WAYS else (found.delay_s or 0.0)
    beyond = -np.angle(response * np.exp(1.0j * angular * common_s)) / angular
    return gain * np.abs(response), 1e6 * (common_s + beyond)
