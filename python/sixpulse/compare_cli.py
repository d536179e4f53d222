"""``sixpulse compare points`` and ``sixpulse compare interventions``."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import Any

from ._console import put
from ._core import Capture, Machine
from .compare import Effect, Interventions, compare_interventions, compare_points
from .errors import InvalidCombinationError
from .narrative import points_figures
from .numerals import quantity
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
    return put(found.to_json(indent=2) + "\n", points_text(found), json_target=options.json)


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
    return put(found.to_json(indent=2) + "\n", interventions_text(found), json_target=options.json)


def points_text(points: Points) -> Iterable[str]:
    """Write a comparison of points as lines, not yet wrapped.

    Parameters
    ----------
    points : Points
        What :func:`sixpulse.compare_points` found.

    Returns
    -------
    iterable of str
    """
    for figure in points_figures(points):
        yield f"{figure.name}: {figure.value}" + (f" ({figure.note})" if figure.note else "")
    for order in points.orders:
        gain = quantity(order.gain, "", std=order.gain_std)
        angle = f"{order.phase_rad:.3f} rad"
        yield f"  order {order.order}, {quantity(order.frequency_hz, 'Hz')}: {gain} at {angle}"
    if points.reason:
        yield f"Note: {points.reason}."
    for note in points.notes:
        yield f"Note: {note.statement}"


def interventions_text(found: Interventions) -> Iterable[str]:
    """Write an intervention as lines, not yet wrapped.

    Parameters
    ----------
    found : Interventions
        What :func:`sixpulse.compare_interventions` found.

    Returns
    -------
    iterable of str
    """
    yield f"{_VERDICTS[found.verdict]} ({found.code})"
    yield ""
    yield "Ripple"
    for stage in found.stages:
        hz = "no cycle" if stage.electrical_hz is None else quantity(stage.electrical_hz, "Hz")
        yield f"  {stage.stage}: {quantity(stage.ripple_rms_v, 'V', std=stage.ripple_rms_v_std)} r.m.s., {hz}"
    yield f"  change: {_change(found.ripple_effect)}"
    for name, circuit in found.circuits.items():
        yield ""
        yield f'Circuit "{name}": {_VERDICTS[circuit.verdict]}'
        for one in circuit.stages:
            at_ripple = quantity(one.at_ripple_rms_v, "V", std=one.at_ripple_rms_v_std)
            own = quantity(one.own_rms_v, "V")
            yield f"  {one.stage}: {at_ripple} r.m.s. at the ripple's orders, {own} beside them"
        yield f"  change: {_change(circuit.effect)}"
        if circuit.dose_response is not None:
            slope = quantity(circuit.dose_response.slope_v_per_v, "V/V", std=circuit.dose_response.slope_v_per_v_std)
            yield f"  over the ripple: {slope} through the origin, {circuit.dose_response.stages} captures"
        yield f"  Why: {circuit.reason}."
        yield f"  Test next: {circuit.next_test}"
    yield ""
    for note in found.notes:
        yield f"Note: {note.statement}"
    yield ""
    yield "Before you touch anything"
    for caution in found.cautions:
        yield f"  - {caution}"


_VERDICTS = {
    "caused_by_charging_ripple": "The disturbance is caused by the charging ripple.",
    "not_supported": "The captures do not support the charging ripple as the cause: look elsewhere.",
    "undetermined": "The captures do not tell.",
}


def _change(effect: Effect | None) -> str:
    if effect is None:
        return "nothing there before"
    ends = f"{100 * effect.ratio_low:.1f} to {100 * effect.ratio_high:.1f} %"
    return f"to {100 * effect.ratio:.1f} % of what it was (95 % interval {ends})"
