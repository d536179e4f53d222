"""What repeats with the electrical cycle: its mean, its orders, its frequency."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from .. import ideal
from .._refusals import refuse, wrong_type
from ..ideal import IdealCircuit
from ..results import Cycle, Examination, FloatArray, Pattern
from . import _style
from ._style import BAND, FILL, INK, Panel, Size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Two-sided 95 % of a normal distribution, in standard deviations.
NORMAL_95 = 1.96
#: The amplitude that noise alone exceeds in 5 % of cases, over the standard deviation of its cosine and sine parts
#: (Rayleigh distribution): sqrt(-2 ln 0.05).
_NOISE_95 = float(np.sqrt(-2.0 * np.log(0.05)))

_SHAPES: dict[IdealCircuit, str] = {
    "single_phase_half_wave": "single phase, half wave",
    "single_phase_bridge": "single-phase bridge",
    "three_pulse": "three pulses",
    "six_pulse": "healthy, six pulses",
    "twelve_pulse": "healthy, twelve pulses",
    "one_diode_open": "one diode open",
    "open_phase": "one phase open",
    "two_open_same_rail": "two diodes open, same rail",
    "two_open_opposite_rails": "two diodes open, opposite rails",
}


def mean_cycle(
    examination: Examination,
    *,
    expected: Sequence[IdealCircuit] | None = None,
    ax: Axes | None = None,
    size: Size | None = None,
) -> Axes:
    """Draw the mean electrical cycle, the scatter of the cycles about it, and the shapes of ideal circuits.

    An ideal circuit has no source reactance and a resistive load: a vehicle's ripple, into a battery, has another size
    and other corners. So each ideal shape is brought to the r.m.s. of the mean cycle and turned to where it fits best.
    The legend says so, with the share of the mean cycle's variance that the shape then has in common with it (squared
    correlation). The shapes are there to look at; the verdict does not rest on them.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    expected : sequence of str, optional
        Ideal circuits of :data:`sixpulse.ideal.CIRCUITS`; empty for none. When not given: the healthy bridge and the
        faulty ones of the pattern found, else one open diode; for a shorted diode and for twelve pulses, whose faulty
        shapes have no closed form here, the healthy one alone.
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
        No electrical cycle was found.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.mean_cycle(sixpulse.examine(capture), ax=Figure().subplots())
    >>> axes.get_xlabel()
    'electrical degrees'
    """
    cycle = _found(examination)
    if isinstance(expected, str):
        raise wrong_type("expected", "a sequence of circuits", expected)
    circuits: list[IdealCircuit] = _expected(examination) if expected is None else [_circuit(name) for name in expected]
    panel = _style.panel(ax, size)
    degrees = 360.0 * np.arange(cycle.mean_cycle_v.size + 1) / cycle.mean_cycle_v.size
    mean, std = _closed(cycle.mean_cycle_v), _closed(cycle.cycle_std_v)
    label = "scatter of the cycles (1 s.d.)"
    panel.axes.fill_between(degrees, mean - std, mean + std, color=BAND, linewidth=0, label=label)
    label = f"mean of {cycle.cycle_count} cycles"
    panel.axes.plot(degrees, mean, color=INK, linewidth=panel.pt(2.2), label=label)
    for i, circuit in enumerate(circuits, 1):
        shape, common = _fitted(circuit, cycle.mean_cycle_v)
        look: dict[str, Any] = {"color": _style.SERIES[i % len(_style.SERIES)]}
        look |= {"linestyle": _style.DASHES[i % len(_style.DASHES)], "linewidth": panel.pt(1.2)}
        panel.axes.plot(degrees, _closed(shape), label=f"{_SHAPES[circuit]}: {100.0 * common:.0f} % in common", **look)
    panel.axes.set_xticks(np.arange(0, 361, 60))
    heading = "Dashed, dotted: ideal circuits at the same r.m.s., turned to fit" if circuits else ""
    title = f"Mean electrical cycle of {cycle.trace}"
    return panel.finish(title=title, x="electrical degrees", y="voltage, V", tight=True, legend=heading)


def orders(
    examination: Examination,
    *,
    scale: Literal["linear", "log"] = "linear",
    ax: Axes | None = None,
    size: Size | None = None,
) -> Axes:
    """Draw the amplitudes of the orders with their uncertainty; the multiples of the pulse number are hatched.

    A healthy machine of six pulses makes the multiples of six alone, one of twelve those of twelve. The bars' ends
    carry 95 % intervals (1.96 standard uncertainties). A dash marks what noise alone would stay below in 95 % of
    captures, 2.45 standard uncertainties (Rayleigh distribution): an order below its dash shows nothing.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    scale : {"linear", "log"}
        Of the amplitudes; on a logarithmic one the small orders show beside the large ones.
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
        No electrical cycle was found.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.orders(sixpulse.examine(capture), scale="log", ax=Figure().subplots())
    >>> len(axes.patches), axes.get_yscale()
    (24, 'log')
    """
    cycle = _found(examination)
    _style.one_of("scale", scale, ["linear", "log"])
    panel = _style.panel(ax, size)
    numbers = np.arange(1, cycle.order_amplitudes_v.size + 1)
    _bars(panel, numbers, cycle.order_amplitudes_v, twelve=is_of_twelve(examination))
    amplitudes, stds = cycle.order_amplitudes_v, cycle.order_amplitudes_v_std
    shown: dict[str, Any] = {"ecolor": INK, "elinewidth": panel.pt(1.1), "capsize": panel.pt(1.8)}
    panel.axes.errorbar(numbers, amplitudes, yerr=NORMAL_95 * stds, fmt="none", label="95 % interval", **shown)
    dash: dict[str, Any] = {"marker": "_", "markersize": panel.pt(7.0), "markeredgewidth": panel.pt(1.4)}
    dash |= {"color": _style.ACCENT, "linestyle": "none", "label": "noise alone stays below (95 %)"}
    panel.axes.plot(numbers, _NOISE_95 * stds, **dash)
    panel.axes.set_yscale(scale)
    _style.order_ticks(panel.axes, numbers.tolist())
    panel.axes.margins(x=0.01)
    return panel.finish(
        title=f"Orders of {cycle.trace}", x="order (multiple of the electrical frequency)", y="amplitude, V peak"
    )


def speed_track(examination: Examination, *, ax: Axes | None = None, size: Size | None = None) -> Axes:
    """Draw the electrical frequency over the record.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
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
        No electrical cycle was found.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import demo, plot
    >>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    >>> axes = plot.speed_track(sixpulse.examine(capture), ax=Figure().subplots())
    >>> axes.get_ylabel()
    'electrical frequency, Hz'
    """
    cycle = _found(examination)
    panel = _style.panel(ax, size)
    panel.axes.plot(cycle.track_time_s, cycle.track_electrical_hz, color=INK, linewidth=panel.pt(1.2))
    panel.axes.ticklabel_format(axis="y", useOffset=False)
    title = f"Electrical frequency of {cycle.trace}"
    return panel.finish(title=title, x="time, s", y="electrical frequency, Hz", tight=True)


# ---------------------------------------------------------------------------------------------------------------------


def _found(examination: Examination) -> Cycle:
    """Return the cycle, refuse where none was found."""
    cycle = _style.checked("examination", examination, Examination).cycle
    if cycle.electrical_hz is None:
        raise refuse("examination", cycle.reason or "no electrical cycle was found")
    return cycle


def _closed(cycle: FloatArray) -> FloatArray:
    """Repeat the first point at the end: 360 degrees is 0 degrees."""
    return np.append(cycle, cycle[0])


def is_of_twelve(examination: Examination) -> bool:
    """Tell whether the machine is told to have twelve pulses."""
    return examination.parameters.get("pulse_number") == 12.0


def _bars(panel: Panel, numbers: Any, amplitudes: FloatArray, *, twelve: bool) -> None:
    healthy = numbers % (12 if twelve else 6) == 0
    shared: dict[str, Any] = {"width": 0.72, "edgecolor": INK, "linewidth": panel.pt(0.8)}
    panel.axes.bar(numbers[~healthy], amplitudes[~healthy], color=FILL, label="other orders", **shared)
    label = "multiples of twelve: a healthy machine's" if twelve else "multiples of six: a healthy bridge's"
    panel.axes.bar(numbers[healthy], amplitudes[healthy], color="white", hatch="////", label=label, **shared)


#: Which of the two kinds of two open diodes it is, the DC side does not tell.
_FAULTY: dict[Pattern, list[IdealCircuit]] = {
    "open_phase": ["open_phase"],
    "two_open_diodes": ["two_open_same_rail", "two_open_opposite_rails"],
    "shorted_diode": [],
}


def _expected(examination: Examination) -> list[IdealCircuit]:
    if is_of_twelve(examination):
        return ["twelve_pulse"]
    return ["six_pulse", *_FAULTY.get(examination.rectifier.pattern, ["one_diode_open"])]


def _circuit(name: IdealCircuit) -> IdealCircuit:
    _style.one_of("expected", name, ideal.CIRCUITS)
    return name


def _fitted(circuit: IdealCircuit, measured: FloatArray) -> tuple[FloatArray, float]:
    """Return an ideal cycle at the r.m.s. of the measured one, turned to fit, and their squared correlation."""
    shape = ideal.values(circuit, theta_rad=2.0 * np.pi * np.arange(measured.size) / measured.size)
    shape -= shape.mean()
    level_free = measured - measured.mean()
    # The inner product at every turn at once: circular correlation by the Fourier transform.
    products = np.fft.irfft(np.fft.rfft(level_free) * np.conj(np.fft.rfft(shape)), measured.size)
    turn = int(products.argmax())
    energies = float(np.sum(level_free**2)), float(np.sum(shape**2))
    common = float(products[turn] ** 2 / (energies[0] * energies[1])) if energies[0] > 0.0 else 0.0
    return np.roll(shape, turn) * np.sqrt(energies[0] / energies[1]), common
