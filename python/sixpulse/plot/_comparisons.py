"""Comparisons: captures before, during and after an intervention; two measuring points."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .._refusals import refuse
from ..compare import CircuitStage, Effect, Interventions, Stage
from ..results import Points
from . import _style
from ._style import ACCENT, BAND, FILL, GUIDE, INK, Panel, Size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Least width of panels that stand beside each other, inches.
_BESIDE_IN = 1.6
_VERDICTS = {
    "caused_by_charging_ripple": "caused by charging ripple",
    "not_supported": "not supported",
    "undetermined": "undetermined",
}


def interventions(
    found: Interventions,
    *,
    circuits: Sequence[str] | None = None,
    ax: Sequence[Axes] | None = None,
    size: Size | None = None,
) -> list[Axes]:
    """Draw an intervention as a ladder: a rung for each capture, from before to after, a panel for ripple and circuits.

    A bar is the r.m.s. at the ripple's orders with its 95 % interval, in the supply and in each circuit; a diamond is
    the circuit's own signal away from these orders. Where the circuit follows the ripple down the ladder and back up,
    the ripple causes it. Of several steps the effect is stated for the hatched one, at which the ripple changed most.

    Parameters
    ----------
    found : Interventions
        What :func:`sixpulse.compare_interventions` said.
    circuits : sequence of str, optional
        Which circuits, in this order; all of them when not given.
    ax : sequence of matplotlib.axes.Axes, optional
        One for the ripple and one for each circuit; a new figure when not given, its panels beside each other where the
        width allows, else below each other.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column", or width and height in inches.

    Returns
    -------
    list of matplotlib.axes.Axes
        Ripple, then the circuits.

    Raises
    ------
    UnknownNameError
        A circuit that was not compared.
    WrongTypeError, OutOfRangeError, InvalidCombinationError

    Examples
    --------
    >>> import numpy as np
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import plot
    >>> rng = np.random.default_rng(1)
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> ripple = 0.3 * (phases[1:].max(axis=0) - phases.min(axis=0))
    >>> def capture(amount):
    ...     noise = rng.normal(0.0, 0.003, (2, ripple.size))
    ...     common = {"sample_rate_hz": 50_000, "coupling": "dc"}
    ...     post = sixpulse.Trace(13 + amount * ripple + noise[0], role="charging_post", **common)
    ...     sensor = sixpulse.Trace(0.25 * amount * ripple + noise[1], role="speed_sensor", **common)
    ...     return sixpulse.Capture({"post": post, "sensor": sensor})
    >>> found = sixpulse.compare_interventions(capture(1.0), capture(0.0), capture(1.0))
    >>> ripple_axes, sensor_axes = plot.interventions(found, ax=Figure(layout="constrained").subplots(1, 2))
    >>> [text.get_text() for text in ripple_axes.get_yticklabels()]
    ['before', 'during', 'after']
    """
    given = _style.checked("found", found, Interventions)
    names = list(given.circuits) if circuits is None else list(circuits)
    for name in names:
        _style.one_of("circuits", name, list(given.circuits))
    count = 1 + len(names)
    beside = _style.width_in(ax, size) / count >= _BESIDE_IN
    lines = 9.0 + 1.7 * len(given.stages)
    below = _style.panels(ax, size, count=count, arrange="beside" if beside else "stack", lines=lines)
    where = given.supply_role.replace("_", " ")
    _rungs(below[0], given, given.stages)
    axes = [_named(below[0], given, f"Ripple at the {where}", given.ripple_effect)]
    for name, panel in zip(names, below[1:], strict=True):
        circuit = given.circuits[name]
        _rungs(panel, given, circuit.stages)
        axes.append(_named(panel, given, f"{name}: {_VERDICTS[circuit.verdict]}", circuit.effect))
    return axes


def points(found: Points, *, ax: Sequence[Axes] | None = None, size: Size | None = None) -> list[Axes]:
    """Draw the ripple at charging post and battery order by order: amplitudes above, battery over post below.

    The gain of each order carries its 95 % interval; the dashed line is the attenuation of all orders together, the
    band its 95 % interval.

    Parameters
    ----------
    found : Points
        What :func:`sixpulse.compare_points` said, or :attr:`sixpulse.results.Examination.points`.
    ax : sequence of matplotlib.axes.Axes, optional
        Two, for amplitudes and gain; a new figure when not given.
    size : Size, optional
        Of the new figure: "notebook", "slide", "column", or width and height in inches.

    Returns
    -------
    list of matplotlib.axes.Axes
        Amplitudes, gain.

    Raises
    ------
    InvalidCombinationError
        The battery was captured alone, or no order stands clear of the noise.
    WrongTypeError, UnknownNameError, OutOfRangeError

    Examples
    --------
    >>> import numpy as np
    >>> from matplotlib.figure import Figure
    >>> import sixpulse
    >>> from sixpulse import plot
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> ripple = 0.3 * (phases.max(axis=0) - phases.min(axis=0))
    >>> post = sixpulse.Trace(14 + ripple, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> battery = sixpulse.Trace(14 + 0.6 * ripple, sample_rate_hz=50_000, coupling="dc", role="battery_post")
    >>> found = sixpulse.compare_points(sixpulse.Capture({"post": post, "battery": battery}))
    >>> axes = plot.points(found, ax=Figure(layout="constrained").subplots(2, 1))
    >>> axes[1].get_ylabel()
    'battery / post'
    """
    given = _style.checked("found", found, Points)
    if given.post is None or not given.orders:
        raise refuse("found", given.reason or "no order stands clear of the noise at the charging post")
    below = _style.panels(ax, size, count=2, share_x=True)
    _amplitudes(below[0], given, given.post)
    _gains(below[1], given)
    title, x = f"{given.battery} against {given.post}", "order (multiple of the electrical frequency)"
    axes = [
        below[0].finish(title=title, x="", y="amplitude, V peak"),
        below[1].finish(title="", x=x, y="battery / post"),
    ]
    below[1].axes.set_ylim(bottom=0.0)
    _style.order_ticks(below[1].axes, [order.order for order in given.orders])
    return axes


# ---------------------------------------------------------------------------------------------------------------------


def _rungs(panel: Panel, found: Interventions, stages: Sequence[Stage | CircuitStage]) -> None:
    """Draw a bar with its interval for every stage, the first on top; a circuit's own signal as a diamond."""
    rungs = np.arange(len(stages))
    steps = sum(one.stage == "during" for one in stages)
    names: list[str] = [
        one.stage if one.stage != "during" or steps == 1 else f"during {i}" for i, one in enumerate(stages)
    ]
    middle, low, high = np.transpose([_interval(one) for one in stages])
    hatches = ["////" if steps > 1 and i == found.step else "" for i in rungs]
    bars: dict[str, Any] = {"height": 0.5, "edgecolor": INK, "linewidth": panel.pt(0.8), "color": FILL}
    panel.axes.barh(rungs, middle, hatch=hatches, **bars)
    reach = [np.maximum(middle - low, 0.0), np.maximum(high - middle, 0.0)]
    look: dict[str, Any] = {"fmt": "none", "ecolor": INK, "elinewidth": panel.pt(1.1), "capsize": panel.pt(3.0)}
    panel.axes.errorbar(middle, rungs, xerr=reach, label="95 % interval", **look)
    own = [one.own_rms_v for one in stages if isinstance(one, CircuitStage)]
    if own:
        mark: dict[str, Any] = {"linestyle": "none", "marker": "D", "markersize": panel.pt(4.5), "color": ACCENT}
        panel.axes.plot(own, rungs, markerfacecolor="white", label="its own signal", **mark)
    panel.axes.set_yticks(rungs, names)
    panel.axes.set_ylim(len(stages) - 0.5, -0.5)
    panel.axes.set_xlim(left=0.0)


def _interval(stage: Stage | CircuitStage) -> tuple[float, float, float]:
    """Return the r.m.s. at the ripple's orders with the ends of its 95 % interval."""
    if isinstance(stage, CircuitStage):
        return stage.at_ripple_rms_v, stage.at_ripple_rms_v_low, stage.at_ripple_rms_v_high
    return stage.ripple_rms_v, stage.ripple_rms_v_low, stage.ripple_rms_v_high


def _named(panel: Panel, found: Interventions, title: str, effect: Effect | None) -> Axes:
    heading = ""
    if effect is not None:
        steps = sum(one.stage == "during" for one in found.stages)
        step = "during" if steps == 1 else f"during {found.step}"
        heading = f"{step} / before: {effect.ratio:.3g} ({effect.ratio_low:.3g} to {effect.ratio_high:.3g})"
    return panel.finish(title=title, x="r.m.s. at the ripple's orders, V", y="", legend=heading, grid="x")


def _amplitudes(panel: Panel, found: Points, post: str) -> None:
    numbers = np.array([order.order for order in found.orders])
    look: dict[str, Any] = {"width": 0.38, "edgecolor": INK, "linewidth": panel.pt(0.8)}
    panel.axes.bar(
        numbers - 0.2, [order.post_v for order in found.orders], color=FILL, label=_style.named(post), **look
    )
    look |= {"color": "white", "hatch": "////", "label": _style.named(found.battery)}
    panel.axes.bar(numbers + 0.2, [order.battery_v for order in found.orders], **look)


def _gains(panel: Panel, found: Points) -> None:
    axes = panel.axes
    numbers, gain, low, high = np.transpose([(o.order, o.gain, o.gain_low, o.gain_high) for o in found.orders])
    if found.attenuation is not None and found.attenuation_low is not None and found.attenuation_high is not None:
        low_all, high_all = found.attenuation_low, found.attenuation_high
        axes.axhspan(low_all, high_all, color=BAND, linewidth=0, zorder=0)
        label = f"all together: {found.attenuation:.3g} ({low_all:.3g} to {high_all:.3g})"
        axes.axhline(found.attenuation, color=ACCENT, linestyle="--", linewidth=panel.pt(1.2), label=label, zorder=1)
    reach = [np.maximum(gain - low, 0.0), np.maximum(high - gain, 0.0)]
    look: dict[str, Any] = {"fmt": "o", "color": INK, "markersize": panel.pt(4.5), "capsize": panel.pt(2.0)}
    axes.errorbar(numbers, gain, yerr=reach, elinewidth=panel.pt(1.0), label="order, 95 % interval", **look)
    axes.axhline(1.0, color=GUIDE, linestyle=":", linewidth=panel.pt(1.0))
