"""One examination as a self-contained HTML page; needs the extra ``report``.

The page loads nothing from outside: the plots are SVG images inside it, the result as JSON is a link that holds the
file. It prints, fits a phone, has a text for every image, and says in words whatever a bar or a mark says. Text from
the capture (names, units, file name) is escaped. Its words stand in the catalogue of the language
(:mod:`sixpulse.catalogue`).
"""

from __future__ import annotations

import base64
import importlib.resources
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from . import narrative
from ._core import Capture, Trace
from ._extras import require
from ._files import write_text
from ._pictures import UNSEEN, Gallery, Picture
from ._refusals import need
from .catalogue import Catalogue, catalogue
from .results import Contamination, Evidence, Examination, OrderTransfer

__all__ = ["appendix", "render", "write"]

#: Orders of a transfer that the page lists in the circuit's section; the appendix holds all of them.
_ORDERS_SHOWN = 12
#: Significant digits in the appendix.
_DIGITS = 6


@dataclass(frozen=True)
class _Group:
    """One part of the result in the appendix: its name, its rows of field and value, the number of values."""

    name: str
    rows: tuple[tuple[str, str], ...]
    count: int


def render(
    capture: Capture,
    examination: Examination,
    *,
    source: str | os.PathLike[str] | None = None,
    language: str = "en",
) -> str:
    """Make the report of one examination.

    The first 24 traces are drawn, and up to 24 circuits, those first that carry ripple; in numbers it tells of all.

    Parameters
    ----------
    capture : Capture
        The capture that was examined.
    examination : Examination
        What :func:`sixpulse.examine` said of it.
    source : path, optional
        The file the capture came from; its name, without the folder, is printed under provenance.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    str
        A whole HTML document.

    Raises
    ------
    MissingDependencyError
        Jinja2 or Matplotlib is not installed.
    UnknownNameError
        There is no catalogue for the language.
    """
    need("capture", capture, Capture, "a Capture")
    need("examination", examination, Examination, "an Examination")
    words = catalogue(language)
    jinja2 = require("jinja2", extra="report")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {
        "weight": lambda evidence: words.text(f"report.{_weight(evidence)}"),
        "percent": words.percent,
        "upper_first": narrative.upper_first,
        "gain": lambda order: _gain(order, words),
        "points_gain": lambda order: words.quantity(order.gain, "", std=order.gain_std),
        "short": words.number,
        "count": words.count,
        "hz": lambda value: words.quantity(value, "Hz"),
        "digits": words.digits,
    }
    text = importlib.resources.files("sixpulse").joinpath("templates/report.html.j2").read_text(encoding="utf-8")
    page: str = environment.from_string(text).render(**_context(capture, examination, source, words))
    return page.translate(UNSEEN)


def write(
    path: str | os.PathLike[str],
    capture: Capture,
    examination: Examination,
    *,
    source: str | os.PathLike[str] | None = None,
    language: str = "en",
) -> None:
    """Write the report of one examination to a file, whole or not at all.

    Parameters
    ----------
    path : path
        Where to write; an existing file is replaced.
    capture, examination, source, language
        As for :func:`render`.

    Raises
    ------
    MissingDependencyError
        Jinja2 or Matplotlib is not installed.
    UnknownNameError
        There is no catalogue for the language.
    UnwritableFileError
        The folder is missing or not writable.
    """
    write_text(path, render(capture, examination, source=source, language=language))


def _context(
    capture: Capture, examination: Examination, source: str | os.PathLike[str] | None, words: Catalogue
) -> dict[str, Any]:
    language = words.language
    ranked = sorted(examination.rectifier.probabilities.items(), key=lambda pair: -pair[1])
    name = None if source is None else PurePath(source).name
    gallery = Gallery(capture, examination, words)
    encoded = base64.b64encode((examination.to_json(indent=2) + "\n").encode()).decode("ascii")
    return {
        "language": language,
        "say": words.text,
        "core": lambda sentence: _core(sentence, words),
        "sentence": words.sentence,
        "examination": examination,
        "narrative": narrative.narrate(examination, language=language),
        "reported": narrative.reported(examination),
        "probabilities": ranked,
        "measured": _measured(capture, words),
        "method": _method(examination, words),
        "traces": [(name, trace, _coupling(trace, words)) for name, trace in capture.items()],
        "level": narrative.level_figures(examination.level, language=language),
        "ripple": narrative.ripple_figures(examination.ripple, language=language),
        "cycle": narrative.cycle_figures(examination.cycle, language=language),
        "circuits": [_circuit(gallery, name) for name in examination.contamination],
        "points": narrative.points_figures(examination.points, language=language),
        "points_picture": gallery.of_points(),
        "capture_picture": gallery.of_capture(),
        "pictures": list(gallery.of_ripple()),
        "orders_shown": _ORDERS_SHOWN,
        "appendix": appendix(examination, language=language),
        "json_uri": f"data:application/json;base64,{encoded}",
        "json_name": f"{PurePath(name or 'examination').stem}.json",
        "source": name,
    }


def _core(sentence: str, words: Catalogue) -> Any:
    """Say a sentence of the core; one without a translation is marked as the English that it is."""
    said = words.translate(sentence)
    if said is not None or words.language == "en":
        return said or sentence
    return require("markupsafe", extra="report").Markup('<span lang="en">{}</span>').format(sentence)


def _circuit(gallery: Gallery, name: str) -> tuple[str, Contamination, tuple[narrative.Figure, ...], list[Picture]]:
    examination, language = gallery.examination, gallery.words.language
    figures = narrative.contamination_figures(examination, name, language=language)
    return name, examination.contamination[name], figures, list(gallery.of_circuit(name))


# ---------------------------------------------------------------------------------------------------------------------
# What was measured, and every number of the result


def _measured(capture: Capture, words: Catalogue) -> list[str]:
    say, number = words.text, len(capture)
    count = say("report.one_trace") if number == 1 else say("report.traces", count=number)
    facts = [
        say(
            "report.measured_text",
            count=count,
            samples=words.count(capture.sample_count),
            duration=words.quantity(capture.duration_s, "s"),
            rate=_rate(capture.sample_rate_hz, words),
        )
    ]
    if capture.engine_rpm is None:
        facts.append(say("report.no_engine_speed"))
    else:
        facts.append(say("report.engine_speed", rpm=words.number(capture.engine_rpm)))
    if capture.battery_temperature_c is not None:
        facts.append(say("report.temperature", temperature=words.number(capture.battery_temperature_c)))
    return facts


def _method(examination: Examination, words: Catalogue) -> str:
    ripple = examination.ripple
    if ripple is None:
        return words.text("report.no_method")
    key = "method" if examination.cycle.electrical_hz is not None else "method_no_cycle"
    return words.text(f"report.{key}", name=ripple.trace, corner=words.quantity(ripple.corner_hz, "Hz"))


def _rate(sample_rate_hz: float, words: Catalogue) -> str:
    whole = round(sample_rate_hz)
    return words.count(whole) if whole == sample_rate_hz else words.number(sample_rate_hz, digits=9)


def _coupling(trace: Trace, words: Catalogue) -> str:
    if trace.coupling == "ac" and trace.coupling_corner_hz is not None:
        return words.text("coupling.ac_corner", hz=words.quantity(trace.coupling_corner_hz, "Hz"))
    return words.text(f"coupling.{trace.coupling}")


def appendix(examination: Examination, *, language: str = "en") -> tuple[_Group, ...]:
    """List every value of a result by part, apart from the findings and cautions, which are sentences.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    tuple of groups
        Each with its ``name``, its ``rows`` (pairs of the field's name in the JSON and its values written out) and the
        ``count`` of values in it. Values of one field over a list of records stand in one row (``orders[].gain``).
    """
    need("examination", examination, Examination, "an Examination")
    words = catalogue(language)
    parts: dict[str, Any] = {"examination": {}}
    for name, value in examination.to_dict().items():
        if isinstance(value, dict):
            parts[name] = value
        elif not isinstance(value, list):
            parts["examination"][name] = value
    groups = []
    for name, part in parts.items():
        rows = tuple(_rows("" if name == "examination" else name, part))
        if rows:
            written = tuple((path, "; ".join(_leaf(value, words) for value in values)) for path, values in rows)
            groups.append(_Group(name, written, sum(len(values) for _, values in rows)))
    return tuple(groups)


def _rows(path: str, value: Any) -> Iterator[tuple[str, list[Any]]]:
    """Yield the leaves below a value, by field; an empty list or mapping has none."""
    match value:
        case dict():
            for key, item in value.items():
                yield from _rows(_below(path, key), item)
        case [dict(), *_] if all(_is_flat(item) for item in value):
            for key in value[0]:
                yield f"{path}[].{key}", [item[key] for item in value]
        case [str() | dict() | list(), *_]:
            for i, item in enumerate(value):
                yield from _rows(f"{path}[{i}]", item)
        case []:
            pass
        case list():
            yield path, value
        case _:
            yield path, [value]


def _below(path: str, key: str) -> str:
    if not key.isidentifier():
        return f'{path}["{key}"]'
    return f"{path}.{key}" if path else key


def _is_flat(item: Any) -> bool:
    """Tell whether a record holds numbers alone."""
    return isinstance(item, dict) and not any(isinstance(v, str | dict | list) for v in item.values())


def _leaf(value: Any, words: Catalogue) -> str:
    match value:
        case None:
            return words.text("word.none")
        case bool():
            return words.text("word.yes" if value else "word.no")
        case int():
            return words.count(value)
        case float():
            return words.digits(f"{value:.{_DIGITS}g}")
        case _:
            return words.sentence(str(value))


# ---------------------------------------------------------------------------------------------------------------------


def _gain(order: OrderTransfer, words: Catalogue) -> str:
    return words.quantity(order.gain, "", std=order.gain * order.relative_std)


def _weight(evidence: Evidence) -> str:
    """Name the text that says how far a figure moved the verdict."""
    size = abs(evidence.weight)
    strength = "slightly" if size < 1.0 else "clearly" if size < 3.0 else "strongly"
    return f"{'for' if evidence.weight >= 0.0 else 'against'}_{strength}"
