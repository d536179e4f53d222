"""``sixpulse compare points`` and ``sixpulse compare interventions``."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import Any

from ._console import put
from ._core import Capture, Machine
from .catalogue import Catalogue, catalogue, languages
from .compare import CircuitIntervention, Effect, Interventions, compare_interventions, compare_points
from .errors import InvalidCombinationError
from .narrative import points_figures
from .results import Points

__all__ = ["register"]


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers.

    Parameters
    ----------
    commands : argparse subparsers
        Where to add it.
    """
    parser = commands.add_parser("compare", help="compare measuring points, or captures around an intervention")
    kinds = parser.add_subparsers(dest="comparison", required=True, metavar="WHAT", parser_class=type(parser))
    points = kinds.add_parser(
        "points",
        help="charging post against battery",
        description="How much of the ripple the battery lets through, and the impedances behind it.",
    )
    points.add_argument("file", metavar="FILE", help="one capture, with the battery's voltage")
    delay = "delay of the current clamp behind the voltage probes, seconds (0)"
    points.add_argument("--current-delay-s", type=float, default=0.0, metavar="S", help=delay)
    points.set_defaults(run=_points)
    interventions = kinds.add_parser(
        "interventions",
        help="captures before, during and after an intervention",
        description="Whether a circuit's disturbance goes with the charging ripple and comes back with it.",
    )
    interventions.add_argument("before", metavar="BEFORE", help="as found")
    interventions.add_argument("during", metavar="DURING", help="with the field unplugged, or the load changed")
    interventions.add_argument("after", metavar="AFTER", nargs="?", help="restored")
    more = "a further step of load or speed; may be repeated"
    interventions.add_argument("--step", action="append", default=[], metavar="FILE", help=more)
    interventions.set_defaults(run=_interventions)
    for one in (points, interventions):
        _add_reading(one)


def _add_reading(parser: argparse.ArgumentParser) -> None:
    from .cli import add_reading_arguments, value_for_all_or_one  # noqa: PLC0415 - the command line imports this module

    add_reading_arguments(parser)
    add = parser.add_argument
    add(
        "--engine-rpm",
        action="append",
        default=[],
        type=value_for_all_or_one,
        metavar="[FILE=]RPM",
        help="engine speed, revolutions per minute, of every capture or of one file",
    )
    add("--pole-pairs", type=int, metavar="N", help="pole pairs of the alternator")
    add("--pulley-ratio", type=float, metavar="RATIO", help="alternator speed / engine speed")
    add("--pulse-number", type=int, default=6, metavar="6|12", help="pulses in each electrical cycle (6)")
    add("--electrical-hz", type=float, metavar="HZ", help="electrical frequency (of BEFORE), where it is known")
    add("--language", choices=languages(), default="en", help="language of the text (en); the JSON is the same in all")
    add("--json", metavar="OUT", help="write the result as JSON; - for standard output, instead of the text")


def _read(options: argparse.Namespace, path: str) -> Capture:
    from .cli import read_capture  # noqa: PLC0415

    return read_capture(options, path, engine_rpm=_engine_rpm(options, path))


def _engine_rpm(options: argparse.Namespace, path: str) -> float | None:
    """Return the speed stated for a file; one stated for a file that is not compared is a mistake."""
    from .cli import all_or_each  # noqa: PLC0415

    stated = all_or_each("--engine-rpm", options.engine_rpm)
    if not isinstance(stated, dict):
        return stated
    names = ("file", "before", "during", "after")
    files = {getattr(options, name, None) for name in names} | set(getattr(options, "step", []))
    if strangers := stated.keys() - files:
        reason = f"there is no capture {', '.join(sorted(strangers))}"
        raise InvalidCombinationError(f"--engine-rpm: {reason}", parameter="--engine-rpm", reason=reason)
    return stated.get(path)


def _machine(options: argparse.Namespace) -> Machine:
    return Machine(pole_pairs=options.pole_pairs, pulley_ratio=options.pulley_ratio, pulse_number=options.pulse_number)


def _points(options: argparse.Namespace) -> int:
    found = compare_points(
        _read(options, options.file),
        machine=_machine(options),
        electrical_hz=options.electrical_hz,
        current_delay_s=options.current_delay_s,
    )
    return put(found.to_json(indent=2) + "\n", points_text(found, language=options.language), json_target=options.json)


def _interventions(options: argparse.Namespace) -> int:
    steps = [_read(options, path) for path in [options.during, *options.step]]
    after = None if options.after is None else _read(options, options.after)
    found = compare_interventions(
        _read(options, options.before),
        steps,
        after,
        machine=_machine(options),
        electrical_hz=options.electrical_hz,
    )
    return put(
        found.to_json(indent=2) + "\n", interventions_text(found, language=options.language), json_target=options.json
    )


def points_text(points: Points, *, language: str = "en") -> Iterable[str]:
    """Write a comparison of points as lines, not yet wrapped.

    Parameters
    ----------
    points : Points
        What :func:`sixpulse.compare_points` found.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    iterable of str
    """
    words = catalogue(language)
    for figure in points_figures(points, language=language):
        yield f"{figure.name}: {figure.value}" + (f" ({figure.note})" if figure.note else "")
    for order in points.orders:
        hz, gain = words.quantity(order.frequency_hz, "Hz"), words.quantity(order.gain, "", std=order.gain_std)
        angle = words.digits(f"{order.phase_rad:.3f}")
        yield "  " + words.text("compare.order", order=order.order, hz=hz, gain=gain, angle=angle)
    if points.reason:
        yield words.text("compare.note", text=words.sentence(points.reason) + ".")
    for note in points.notes:
        yield words.text("compare.note", text=words.sentence(note.statement))


def interventions_text(found: Interventions, *, language: str = "en") -> Iterable[str]:
    """Write an intervention as lines, not yet wrapped.

    Parameters
    ----------
    found : Interventions
        What :func:`sixpulse.compare_interventions` found.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    iterable of str
    """
    words = catalogue(language)
    say = words.text
    yield f"{say(f'compare.{found.verdict}')} ({found.code})"
    yield from ("", say("compare.ripple"))
    for stage in found.stages:
        hz = say("compare.no_cycle") if stage.electrical_hz is None else words.quantity(stage.electrical_hz, "Hz")
        volts = words.quantity(stage.ripple_rms_v, "V", std=stage.ripple_rms_v_std)
        yield "  " + say("compare.stage", stage=say(f"compare.{stage.stage}"), volts=volts, hz=hz)
    yield "  " + _change(found.ripple_effect, words)
    for name, circuit in found.circuits.items():
        yield ""
        yield from _circuit_text(name, circuit, words)
    yield ""
    for note in found.notes:
        yield say("compare.note", text=words.sentence(note.statement))
    yield from ("", say("report.cautions"))
    for caution in found.cautions:
        yield f"  - {words.sentence(caution)}"


def _circuit_text(name: str, circuit: CircuitIntervention, words: Catalogue) -> Iterable[str]:
    say = words.text
    yield say("compare.circuit", name=name, verdict=say(f"compare.{circuit.verdict}"))
    for one in circuit.stages:
        volts = words.quantity(one.at_ripple_rms_v, "V", std=one.at_ripple_rms_v_std)
        own, stage = words.quantity(one.own_rms_v, "V"), say(f"compare.{one.stage}")
        yield "  " + say("compare.circuit_stage", stage=stage, volts=volts, own=own)
    yield "  " + _change(circuit.effect, words)
    dose = circuit.dose_response
    if dose is not None:
        slope = words.quantity(dose.slope_v_per_v, "V/V", std=dose.slope_v_per_v_std)
        yield "  " + say("compare.dose", slope=slope, count=dose.stages)
    yield "  " + say("compare.why", reason=words.sentence(circuit.reason))
    yield "  " + say("compare.next", test=words.sentence(circuit.next_test))


def _change(effect: Effect | None, words: Catalogue) -> str:
    if effect is None:
        change = words.text("compare.nothing_before")
    else:
        low = words.digits(f"{100 * effect.ratio_low:.1f}")
        percent, high = (words.digits(f"{100 * ratio:.1f} %") for ratio in (effect.ratio, effect.ratio_high))
        change = words.text("compare.changed", percent=percent, low=low, high=high)
    return words.text("compare.change", change=change)
