"""The plots of a report as SVG images with their descriptions, in the language of the report."""

from __future__ import annotations

import base64
import functools
import io
import itertools
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from . import plot
from ._core import Capture
from ._extras import require
from .catalogue import Catalogue
from .plot._cycle import is_of_twelve
from .results import Examination

if TYPE_CHECKING:
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

__all__ = ["PICTURED", "UNSEEN", "Gallery", "Picture"]

#: Traces and circuits that are drawn at most: each takes its tenths of a second, and nobody looks at thousands.
PICTURED = 24
#: Longest name of a trace that a plot has room for.
_NAME_ROOM = 20
#: Characters that show nothing or turn the reading direction: in a name from a file they could only mislead, and XML
#: allows few of them.
UNSEEN = {
    code: "\N{REPLACEMENT CHARACTER}"
    for code in (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
    if chr(code) != "\n"
}


@dataclass(frozen=True)
class Picture:
    """One plot: its data URI, its size in points, what it shows in words, and the caption under it."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


@dataclass(frozen=True)
class Gallery:
    """Draws the plots of one examination.

    Attributes
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What was found in it.
    words : Catalogue
        The language.
    """

    capture: Capture
    examination: Examination
    words: Catalogue

    def of_capture(self) -> Picture:
        """Draw the first traces as they were taken."""
        shown = Capture(dict(itertools.islice(self.capture.items(), PICTURED)))
        figure = _figure(6.6, 0.5 + 1.15 * len(shown))
        grid = figure.subplots(len(shown), 1, sharex=True, squeeze=False)
        plot.capture(shown, ax=list(grid[:, 0]))
        duration = self.words.quantity(self.capture.duration_s, "s")
        return self._drawn(figure, "capture", names=", ".join(shown.names), duration=duration)

    def of_ripple(self) -> Iterator[Picture]:
        """Draw the plots of the supply's ripple that the examination allows."""
        found, words = self.examination, self.words
        ripple, cycle = found.ripple, found.cycle
        if ripple is not None:
            span = words.quantity(ripple.peak_to_peak_v, "V")
            yield self._plot(
                lambda ax: plot.close_up(self.capture, found, ax=ax), "close_up", name=ripple.trace, span=span
            )
        if cycle.mean_cycle_v.size:
            low, high = (words.number(v, digits=3) for v in (cycle.mean_cycle_v.min(), cycle.mean_cycle_v.max()))
            facts = {"name": cycle.trace, "low": low, "high": high, "count": cycle.cycle_count}
            yield self._plot(lambda ax: plot.mean_cycle(found, ax=ax), "mean_cycle", **facts)
        if cycle.order_amplitudes_v.size:
            largest = int(cycle.order_amplitudes_v.argmax()) + 1
            yield self._plot(lambda ax: plot.orders(found, ax=ax), "orders", name=cycle.trace, largest=largest)
        if cycle.track_time_s.size and cycle.electrical_hz is not None:
            mean = words.quantity(cycle.electrical_hz, "Hz")
            yield self._plot(lambda ax: plot.speed_track(found, ax=ax), "speed", mean=mean)

    def of_circuit(self, name: str) -> Iterator[Picture]:
        """Draw a circuit against the supply and, where it may carry ripple, the transfer; nothing without supply.

        Of more circuits than can be pictured those come first that carry ripple, then those that may.
        """
        found, circuit = self.examination, self.examination.contamination[name]
        if found.ripple is None or name not in self._pictured:
            return
        facts = {"name": name, "verdict": self.words.text(f"verdict.{circuit.verdict}")}
        yield self._plot(lambda ax: plot.sensor_against_supply(self.capture, found, name, ax=ax), "circuit", **facts)
        if circuit.orders and circuit.verdict != "clean":  # what a clean circuit shows at the orders is its noise
            counts = {"count": len(circuit.orders), "agree": sum(order.agrees for order in circuit.orders)}
            yield self._pair(lambda ax: plot.transfer(found, name, ax=ax), "transfer", **facts, **counts)

    @functools.cached_property
    def _pictured(self) -> frozenset[str]:
        """Names of the circuits that are drawn."""
        verdicts = {name: found.verdict for name, found in self.examination.contamination.items()}
        ranked = sorted(verdicts, key=lambda name: ("contaminated", "undetermined", "clean").index(verdicts[name]))
        return frozenset(ranked[:PICTURED])

    def of_points(self) -> Picture | None:
        """Draw the charging post against the battery, order by order; None where the two were not compared."""
        points = self.examination.points
        if points is None or points.post is None or not points.orders:
            return None
        facts = {"post": points.post, "battery": points.battery, "count": len(points.orders)}
        return self._pair(lambda ax: plot.points(points, ax=ax), "points", **facts)

    def _plot(self, draw: Callable[[Any], object], key: str, **facts: object) -> Picture:
        figure = _figure(5.4, 3.6)
        draw(figure.subplots())
        return self._drawn(figure, key, **facts)

    def _pair(self, draw: Callable[[Any], object], key: str, **facts: object) -> Picture:
        figure = _figure(5.4, 4.6)
        draw(list(figure.subplots(2, 1, sharex=True)))
        return self._drawn(figure, key, **facts)

    def _drawn(self, figure: Figure, key: str, **facts: object) -> Picture:
        self._localise(figure)
        width, height = (round(72.0 * inches) for inches in figure.get_size_inches())
        keys = (f"picture.{key}_alt", self._caption(key))
        alt, caption = (self.words.text(one, **facts) for one in keys)
        return Picture(_uri(figure), width, height, alt, caption)

    def _caption(self, key: str) -> str:
        """Return the key of a caption: a machine of twelve pulses has its own where the number of pulses is told."""
        of_twelve = f"picture.{key}_of_twelve"
        told = is_of_twelve(self.examination) and of_twelve in self.words.texts
        return of_twelve if told else f"picture.{key}"

    def _localise(self, figure: Figure) -> None:
        """Say the words of a plot in the language, write its numbers that way, and take every name for what it is."""
        for axes in figure.axes:
            for axis in (axes.xaxis, axes.yaxis):
                _localise_ticks(axis, self.words)
        long = [name for name in self.capture.names if len(name) > _NAME_ROOM]
        for text in figure.findobj(require("matplotlib.text", extra="plot").Text):
            lines = text.get_text().split("\n")
            said = " ".join(lines)
            for name in long:
                said = said.replace(name, name[: _NAME_ROOM - 1] + "…")
            # A name from a file may hold what would be a formula ("$").
            text.set_parse_math(False)
            said = (self.words.translate(said, part="plot") or said).translate(UNSEEN)
            text.set_text(said if len(lines) == 1 else textwrap.fill(said, width=max(map(len, lines))))


def _figure(width: float, height: float) -> Figure:
    """Make a figure that no global state knows of."""
    made: Figure = require("matplotlib.figure", extra="plot").Figure(figsize=(width, height), layout="constrained")
    return made


def _localise_ticks(axis: Axis, words: Catalogue) -> None:
    ticker = require("matplotlib.ticker", extra="plot")
    formatter = axis.get_major_formatter()
    if words.texts["language.decimal"] != "." and isinstance(formatter, ticker.ScalarFormatter):

        class Localised(ticker.ScalarFormatter):  # type: ignore[misc, name-defined]
            def __call__(self, x: float, pos: int | None = None) -> str:
                return words.digits(super().__call__(x, pos))

        axis.set_major_formatter(Localised(useOffset=formatter.get_useOffset(), useMathText=False))


def _uri(figure: Figure) -> str:
    buffer = io.BytesIO()
    # Without a date and with a fixed salt for identifiers the same examination gives the same page.
    with require("matplotlib", extra="plot").rc_context({"svg.hashsalt": "sixpulse"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
