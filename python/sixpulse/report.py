"""One examination as a self-contained HTML page; needs the extra ``report``.

The page loads nothing from outside: the plots are SVG images inside it. It prints, fits a phone, has a text for every
image, and says in words whatever a bar or a mark says. Text from the capture (names, units, file name) is escaped.
"""

from __future__ import annotations

import base64
import importlib.resources
import io
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from . import narrative, plot
from ._core import Capture
from ._extras import require
from ._files import write_text
from .results import Evidence, Examination, OrderTransfer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["render", "write"]


#: Orders of a transfer that the page lists; the JSON result holds all of them.
_ORDERS_SHOWN = 12


@dataclass(frozen=True)
class _Picture:
    """One plot: its data URI, what it shows in words, and the caption under it."""

    uri: str
    alt: str
    caption: str


def render(capture: Capture, examination: Examination, *, source: str | os.PathLike[str] | None = None) -> str:
    """Make the report of one examination.

    Parameters
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What :func:`sixpulse.examine` said of it.
    source : path, optional
        The file the capture came from; its name, without the folder, is printed under provenance.

    Returns
    -------
    str
        A whole HTML document.

    Raises
    ------
    MissingDependencyError
        Jinja2 or Matplotlib is not installed.
    """
    jinja2 = require("jinja2", extra="report")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["weight"] = _weight
    environment.filters["percent"] = narrative.percent
    environment.filters["sentence"] = lambda text: text[:1].upper() + text[1:]
    environment.filters["gain"] = _gain
    environment.filters["short"] = lambda value: f"{value:.4g}"
    text = importlib.resources.files("sixpulse").joinpath("templates/report.html.j2").read_text(encoding="utf-8")
    page: str = environment.from_string(text).render(**_context(capture, examination, source))
    return page


def write(
    path: str | os.PathLike[str],
    capture: Capture,
    examination: Examination,
    *,
    source: str | os.PathLike[str] | None = None,
) -> None:
    """Write the report of one examination to a file, whole or not at all.

    Parameters
    ----------
    path : path
        Where to write; an existing file is replaced.
    capture, examination, source
        As for :func:`render`.

    Raises
    ------
    MissingDependencyError
        Jinja2 or Matplotlib is not installed.
    UnwritableFileError
        The folder is missing or not writable.
    """
    write_text(path, render(capture, examination, source=source))


def _context(capture: Capture, examination: Examination, source: str | os.PathLike[str] | None) -> dict[str, Any]:
    pattern = examination.rectifier.pattern
    ranked = sorted(examination.rectifier.probabilities.items(), key=lambda pair: -pair[1])
    return {
        "examination": examination,
        "capture": capture,
        "narrative": narrative.narrate(examination),
        "reported": narrative.reported(examination),
        "pattern_name": narrative.PATTERN_NAMES[pattern],
        "pattern_names": narrative.PATTERN_NAMES,
        "probabilities": ranked,
        "level": narrative.level_figures(examination.level),
        "ripple": narrative.ripple_figures(examination.ripple),
        "cycle": narrative.cycle_figures(examination.cycle),
        "circuits": [
            (name, narrative.contamination_figures(examination, name), _circuit_picture(capture, examination, name))
            for name in examination.contamination
        ],
        "points": narrative.points_figures(examination.points),
        "capture_picture": _capture_picture(capture),
        "pictures": list(_pictures(capture, examination)),
        "orders_shown": _ORDERS_SHOWN,
        "source": None if source is None else PurePath(source).name,
        "severity_words": {"fault": "Fault", "warning": "Needs a look", "info": "For information"},
        "impact_words": {"prevents": "Prevents reading", "limits": "Limits", "note": "Note"},
    }


def _pictures(capture: Capture, examination: Examination) -> Iterable[_Picture]:
    """Draw the plots that the examination allows."""
    ripple, cycle = examination.ripple, examination.cycle
    if ripple is not None:
        span = narrative.quantity(ripple.peak_to_peak_v, "V")
        yield _picture(
            lambda ax: plot.close_up(capture, examination, ax=ax),
            f"Line plot of the AC-coupled trace {ripple.trace}; the ripple spans {span} over the record.",
            "The ripple, AC-coupled, over a few electrical cycles from the middle of the record.",
        )
    if cycle.mean_cycle_v.size:
        low, high = cycle.mean_cycle_v.min(), cycle.mean_cycle_v.max()
        yield _picture(
            lambda ax: plot.mean_cycle(examination, ax=ax),
            f"Mean electrical cycle of {cycle.trace} from {low:.3g} to {high:.3g} volts with the scatter of "
            f"{cycle.cycle_count} cycles.",
            "The mean electrical cycle. A healthy three-phase rectifier makes six equal pulses, 60 degrees apart.",
        )
    if cycle.order_amplitudes_v.size:
        largest = int(cycle.order_amplitudes_v.argmax()) + 1
        yield _picture(
            lambda ax: plot.orders(examination, ax=ax),
            f"Bar chart of the orders of {cycle.trace}; order {largest} is the largest.",
            "The orders. A healthy rectifier makes multiples of six (hatched); a failed one fills those below.",
        )
    if cycle.track_time_s.size and cycle.electrical_hz is not None:
        mean = narrative.quantity(cycle.electrical_hz, "Hz")
        yield _picture(
            lambda ax: plot.speed_track(examination, ax=ax),
            f"Line plot of the electrical frequency over the record, {mean} on average.",
            "The electrical frequency over the record.",
        )


def _capture_picture(capture: Capture) -> _Picture:
    figure = _figure(6.6, 0.5 + 1.15 * len(capture))
    grid = figure.subplots(len(capture), 1, sharex=True, squeeze=False)
    plot.capture(capture, ax=list(grid[:, 0]))
    names = ", ".join(capture.names)
    length = narrative.quantity(capture.duration_s, "s")
    return _Picture(_uri(figure), f"Line plots of the traces {names} over {length}.", "The capture as it was taken.")


def _circuit_picture(capture: Capture, examination: Examination, name: str) -> _Picture | None:
    if examination.ripple is None:
        return None
    verdict = examination.contamination[name].verdict
    return _picture(
        lambda ax: plot.sensor_against_supply(capture, examination, name, ax=ax),
        f"Line plot of {name} and of the supply's ripple over a few electrical cycles; verdict {verdict}.",
        f"{name} (solid) against the ripple of the supply (dashed).",
    )


def _picture(draw: Callable[[Any], object], alt: str, caption: str) -> _Picture:
    figure = _figure(5.4, 3.0)
    draw(figure.subplots())
    return _Picture(_uri(figure), alt, caption)


def _figure(width: float, height: float) -> Figure:
    """Make a figure that no global state knows of."""
    made: Figure = require("matplotlib.figure", extra="plot").Figure(figsize=(width, height), layout="constrained")
    return made


def _uri(figure: Figure) -> str:
    buffer = io.BytesIO()
    # Without a date and with a fixed salt for identifiers the same examination gives the same page.
    with require("matplotlib", extra="plot").rc_context({"svg.hashsalt": "sixpulse"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _gain(order: OrderTransfer) -> str:
    return narrative.quantity(order.gain, "", std=order.gain * order.relative_std)


def _weight(evidence: Evidence) -> str:
    """Say in words how far a figure moved the verdict."""
    size = abs(evidence.weight)
    strength = "slightly" if size < 1.0 else "clearly" if size < 3.0 else "strongly"
    return f"speaks {strength} {'for' if evidence.weight >= 0.0 else 'against'} it"
