"""``sixpulse meter``: what an AC voltmeter would have shown of a capture."""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections.abc import Iterable, Mapping
from typing import Any

from ._console import put
from .meter import AVERAGE_HANDHELD, TRUE_RMS_HANDHELD, Meter, MeterReading, Response, reading
from .numerals import quantity

__all__ = ["register"]

#: The readings of one capture: by trace, then by what the meter responds to.
Readings = Mapping[str, Mapping[Response, MeterReading]]


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers.

    Parameters
    ----------
    commands : argparse subparsers
        Where to add it.
    """
    from .cli import add_reading_arguments  # noqa: PLC0415 - the command line imports this module

    parser = commands.add_parser(
        "meter",
        help="what an AC voltmeter would have shown",
        description="What a plain handheld voltmeter on AC volts would have shown of a capture, and a true-r.m.s. one.",
    )
    parser.add_argument("file", metavar="FILE", help="what the instrument exported")
    add_reading_arguments(parser)
    add = parser.add_argument
    settings = {
        "bandwidth-hz": ("HZ", "corner of the meter's bandwidth, hertz (1000; true r.m.s.: 20000)"),
        "coupling-corner-hz": ("HZ", "corner of its AC coupling, hertz (10)"),
        "resolution-v": ("V", "its last digit, volts (0.001)"),
    }
    for name, (unit, words) in settings.items():
        add(f"--{name}", type=float, metavar=unit, help=words)
    add("--json", metavar="OUT", help="write the readings as JSON; - for standard output, instead of the text")
    parser.set_defaults(run=_meter)


def _meter(options: argparse.Namespace) -> int:
    from .cli import read_capture  # noqa: PLC0415

    capture = read_capture(options, options.file)
    names = ("bandwidth_hz", "coupling_corner_hz", "resolution_v")
    given = {name: value for name in names if (value := getattr(options, name)) is not None}
    meters: list[Meter] = [dataclasses.replace(one, **given) for one in (AVERAGE_HANDHELD, TRUE_RMS_HANDHELD)]
    readings: dict[str, dict[Response, MeterReading]] = {
        name: {meter.response: reading(trace, meter=meter) for meter in meters} for name, trace in capture.items()
    }
    document = {name: {key: one.to_dict() for key, one in each.items()} for name, each in readings.items()}
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return put(text, meter_text(readings), json_target=options.json)


def meter_text(readings: Readings) -> Iterable[str]:
    """Write readings as lines, not yet wrapped.

    Parameters
    ----------
    readings : mapping of str to mapping of Response to MeterReading
        By trace, then by what the meter responds to.

    Returns
    -------
    iterable of str
    """
    missed: dict[str, None] = {}
    for name, each in readings.items():
        yield f'"{name}"'
        for response, one in each.items():
            share = "" if one.shown_fraction is None else f", {100 * one.shown_fraction:.1f} % of the r.m.s. value"
            yield f"  {_METERS[response]}: {quantity(one.indicated_v, 'V')} AC{share}"
            for limit in one.limits:
                outcome = limit.outcome.replace("_", " ")
                yield f"    {outcome} {quantity(limit.limit_v, 'V')} ({limit.source})"
            missed.update(dict.fromkeys(one.misses))
    if missed:
        yield ""
        yield "What such a reading misses"
        for sentence in missed:
            yield f"  - {sentence}"


_METERS: dict[Response, str] = {"average_responding": "Average-responding meter", "true_rms": "True-r.m.s. meter"}
